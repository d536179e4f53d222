"""The bound of the electrical frequency against closed forms, and the simulator's own account of its angle."""

import sys
from pathlib import Path

import numpy as np
import pytest

import sixpulse

sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))
import frequency_bound as fb


def test_a_sine_in_white_noise_has_the_bound_of_rife_and_boorstyn() -> None:
    """var(w) = 24 s^2 / (A^2 N (N^2 - 1)) for a real sine: twice Rife, Boorstyn, IEEE Trans. Inf. Theory 20(5), 1974.

    (Theirs, from memory, is for a complex exponential.) Level and tilt, unknown besides, cost under 1 % over 40 cycles.
    """
    count, cycles, amplitude, noise = 4000, 40.0, 0.3, 0.02
    turns = np.arange(count) * cycles / count
    model = fb.Model(turns, orders=1, degree=1)
    jacobian = model.jacobian(model.linear(turns), np.array([0.0, 0.0, amplitude, 0.0]))
    found = fb.turns_variance(jacobian, np.full(count, noise**-2), model)
    omega_variance = 24.0 * noise**2 / (amplitude**2 * count * (count**2 - 1.0))
    closed = omega_variance * ((count - 1) / (2.0 * np.pi)) ** 2
    assert found == pytest.approx(closed, rel=0.01)


def test_codes_tell_what_the_noise_leaves() -> None:
    """Fine steps: 1 / noise^2 (a normal mean). Steps far above the noise: 2 / pi of it at an edge, nothing between.

    At an edge two codes are as likely: a sign alone carries (2 phi(0))^2 = 2 / pi of the information.
    """
    volts = np.linspace(0.0, 1.0, 201)
    assert fb.code_information(volts, 0.01, 0.001, 0.0) == pytest.approx(np.full(201, 1e4), rel=1e-3)
    edge, middle = fb.code_information(np.array([0.5, 1.0]), 0.01, 1.0, 0.0)
    assert edge == pytest.approx(2.0 / np.pi * 1e4, rel=1e-6)
    assert middle < 1e-6 * edge
    # Sheppard: where noise is a step and more, rounding adds step^2 / 12.
    half = fb.code_information(volts, 0.95, 1.0, 0.0).mean()
    assert half == pytest.approx(1.0 / (0.95**2 + 1.0 / 12.0), rel=2e-3)


@pytest.mark.parametrize("pattern", ["healthy_ramp", "healthy_uneven_engine"])
def test_the_angle_is_the_simulators(pattern: str) -> None:
    """Turns over the record, by the tool's closed form, against the truth's mean frequency."""
    scenario = sixpulse.Scenario.draw(seed=5, pattern=pattern, sensor_mode="absent", cycles=12.0, sample_rate_hz=50e3)
    truth = sixpulse.simulate(scenario)[1]
    document = scenario.to_dict()
    # The truth ends with the solver's last point, on a grid of 200 kS/s within a sample of the record's end.
    seconds = (document["scope"]["samples"] - 1) / document["scope"]["sample_rate_hz"]
    turns = fb.electrical_turns(document, np.array([seconds]))[0]
    assert turns / seconds == pytest.approx(truth.electrical_hz, rel=2e-4)
