"""Ripple numbers against NumPy and SciPy, and their uncertainties against the scatter of repeated records."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

import sixpulse
from sixpulse import errors
from sixpulse.results import Cycle, Ripple
from sixpulse.ripple import measure, ripple_numbers

RATE_HZ = 50_000.0


def record(
    *, seed: int, n: int = 20_000, noise: float = 0.004, level: float = 14.2, electrical_hz: float = 187.3
) -> Any:
    """An ideal bridge with one diode open, scaled to 0.6 V peak-to-peak, on a level with noise."""
    random = np.random.default_rng(seed)
    theta = random.uniform(0, 2 * np.pi) + 2 * np.pi * electrical_hz * np.arange(n) / RATE_HZ
    a, b, c = (np.cos(theta - k * 2 * np.pi / 3) for k in range(3))
    bridge = np.maximum(b, c) - np.minimum(np.minimum(a, b), c)
    return level + 0.6 / np.sqrt(3) * (bridge - 2.5 * np.sqrt(3) / np.pi) + noise * random.normal(size=n)


def scipy_coupled(samples: Any, corner_hz: float) -> Any:
    """Zero-phase first-order high-pass, the record continued by even reflection until it has settled."""
    sos = scipy.signal.butter(1, corner_hz, "highpass", fs=RATE_HZ, output="sos")
    pad = int(4 * RATE_HZ / corner_hz)
    padded = np.pad(samples, pad, mode="reflect")
    return scipy.signal.sosfiltfilt(sos, padded, padlen=0)[pad : pad + len(samples)]


@pytest.mark.parametrize("corner_hz", [1.0, 10.0, 40.0])
@pytest.mark.parametrize("seed", range(3))
def test_numbers_equal_their_definitions(seed: int, corner_hz: float) -> None:
    samples = record(seed=seed)
    ripple = ripple_numbers(samples, sample_rate_hz=RATE_HZ, corner_hz=corner_hz)
    x = scipy_coupled(samples, corner_hz)
    x = x - x.mean()
    level, rms = samples.mean(), x.std()
    # 1e-9: the accuracy stated for the coupling filter.
    for number, expected in [
        (ripple.peak_to_peak_v, np.ptp(x)),
        (ripple.rms_v, rms),
        (ripple.crest_factor, np.abs(x).max() / rms),
        (ripple.rms_ripple_factor, rms / level),
        (ripple.peak_ripple_factor, np.ptp(x) / level),
        (ripple.dc_ripple_factor, np.ptp(x) / level / 2),
        (ripple.pulsation_factor, rms / np.hypot(level, rms)),
        (ripple.form_factor, np.hypot(level, rms) / level),
    ]:
        assert number == pytest.approx(expected, rel=1e-9)
    # RF = sqrt(FF^2 - 1), the textbook identity.
    assert ripple.form_factor is not None
    assert ripple.rms_ripple_factor == pytest.approx(np.sqrt(ripple.form_factor**2 - 1), rel=1e-6)
    assert ripple.synchronous_rms_v is None and ripple.residual_rms_v is None


def test_a_trace_and_plain_samples_agree() -> None:
    samples = record(seed=4)
    trace = sixpulse.Trace(samples, sample_rate_hz=RATE_HZ, coupling="dc", role="charging_post")
    one = measure(trace, corner_hz=10.0, name="post")
    two = ripple_numbers(samples, sample_rate_hz=RATE_HZ, corner_hz=10.0)
    assert one.trace == "post" and two.trace == ""
    assert Ripple.from_dict(one.to_dict() | {"trace": ""}) == two
    assert Ripple.from_json(one.to_json()) == one


def test_ac_coupling_leaves_the_factors_out() -> None:
    trace = sixpulse.Trace(record(seed=4, level=0.0), sample_rate_hz=RATE_HZ, coupling="ac", role="charging_post")
    ripple = measure(trace, corner_hz=10.0)
    assert ripple.rms_ripple_factor is None and ripple.form_factor is None and ripple.rms_v > 0


@functools.cache
def least_squares(n: int, electrical_hz: float) -> tuple[Any, Any]:
    angle = 2 * np.pi * electrical_hz / RATE_HZ * np.outer(np.arange(n), np.arange(1, 25))
    design = np.hstack([np.cos(angle), np.sin(angle), np.ones((n, 1))])
    return design, np.linalg.solve(design.T @ design, design.T)


def cycle_of(samples: Any, electrical_hz: float) -> Cycle:
    """The cycle at a known frequency by least squares (normal equations) over the record's whole cycles."""
    whole = round(int(len(samples) * electrical_hz / RATE_HZ) * RATE_HZ / electrical_hz)
    x = samples[:whole] - samples[:whole].mean()
    orders = np.arange(1, 25)
    design, inverse = least_squares(whole, electrical_hz)
    solution = inverse @ x
    c = solution[:24] - 1j * solution[24:48]
    residual = x - design @ solution
    amplitude_std = residual.std() * np.sqrt(2 / len(x))
    theta = 2 * np.pi * np.arange(192) / 192
    return Cycle(
        trace="post",
        electrical_hz=electrical_hz,
        electrical_hz_std=0.01,
        reason=None,
        cycle_count=round(len(x) * electrical_hz / RATE_HZ),
        order_amplitudes_v=np.abs(c),
        order_amplitudes_v_std=np.full(24, amplitude_std),
        order_phases_rad=np.angle(c),
        order_dispersion_v=np.zeros(24),
        mean_cycle_v=np.real(np.exp(1j * np.outer(theta, orders)) @ c),
        cycle_std_v=np.full(192, residual.std()),
        track_time_s=np.zeros(0),
        track_electrical_hz=np.zeros(0),
        speed_change=0.0,
        candidates=(),
    )


def test_synchronous_and_residual_part() -> None:
    samples = record(seed=5, noise=0.02, n=40_000)
    cycle = cycle_of(samples, 187.3)
    ripple = ripple_numbers(samples, sample_rate_hz=RATE_HZ, corner_hz=0.2, cycle=cycle)
    assert ripple.synchronous_rms_v == pytest.approx(np.sqrt((cycle.order_amplitudes_v**2).sum() / 2), rel=1e-12)
    assert ripple.residual_rms_v is not None and ripple.synchronous_rms_v is not None
    # The residual is that of the whole cycles; the part of a cycle at the end makes the record's r.m.s. differ.
    assert np.hypot(ripple.synchronous_rms_v, ripple.residual_rms_v) == pytest.approx(ripple.rms_v, rel=5e-3)
    # Noise of 20 mV and what 24 orders leave of the waveform (Parseval, about 2 mV).
    assert ripple.residual_rms_v == pytest.approx(0.0201, rel=0.03)
    assert ripple.synchronous_peak_to_peak_v == pytest.approx(np.ptp(cycle.mean_cycle_v), rel=1e-12)
    assert ripple.synchronous_peak_to_peak_v < ripple.peak_to_peak_v


def test_stated_uncertainties_cover_the_scatter() -> None:
    """60 records of one state: the observed scatter is itself good to 9 %; coverage of +-2 std is about 95 %."""
    ripples = []
    for seed in range(60):
        samples = record(seed=100 + seed, n=6000, noise=0.01)
        # A corner far below the record's lowest line leaves the level's removal to the mean.
        cycle = cycle_of(samples, 187.3)
        ripples.append(ripple_numbers(samples, sample_rate_hz=RATE_HZ, corner_hz=0.2, cycle=cycle))
    for name in ("peak_to_peak_v", "rms_v", "synchronous_rms_v", "residual_rms_v", "rms_ripple_factor", "crest_factor"):
        values = np.array([getattr(r, name) for r in ripples])
        stated = np.sqrt(np.mean([getattr(r, f"{name}_std") ** 2 for r in ripples]))
        # The residual's may be overstated where orders above the 24th make most of it.
        most = 4.0 if name == "residual_rms_v" else 1.5
        assert 1 / 1.5 < stated / values.std(ddof=1) < most, (name, stated, values.std(ddof=1))


@settings(max_examples=30, deadline=None, derandomize=True)
@given(gain=st.floats(0.01, 100), sign=st.sampled_from([-1, 1]), offset=st.floats(-30, 30), seed=st.integers(0, 99))
def test_gain_offset_polarity_and_direction(gain: float, sign: int, offset: float, seed: int) -> None:
    samples = record(seed=seed, n=4000)
    plain = ripple_numbers(samples, sample_rate_hz=RATE_HZ, corner_hz=10.0)
    # Rounding of the offset values, of the filter's accuracy.
    tolerance = 1e-9 * (1 + abs(offset) / gain)
    for other in (sign * gain * samples + offset, sign * gain * samples[::-1] + offset):
        ripple = ripple_numbers(other, sample_rate_hz=RATE_HZ, corner_hz=10.0)
        assert ripple.rms_v == pytest.approx(gain * plain.rms_v, rel=tolerance)
        assert ripple.peak_to_peak_v == pytest.approx(gain * plain.peak_to_peak_v, rel=tolerance)
        assert ripple.crest_factor == pytest.approx(plain.crest_factor, rel=tolerance)


@pytest.mark.parametrize(
    ("samples", "change", "error"),
    [
        ([], {}, errors.EmptyInputError),
        ([14.0, 14.1, 14.0], {}, errors.TooShortError),
        ([14.0, float("nan"), 14.0, 14.1], {}, errors.NonFiniteError),
        ([[14.0, 14.1], [14.0, 14.1]], {}, errors.ShapeError),
        (["a", "b", "c", "d"], {}, errors.WrongTypeError),
        ([14.0, 14.1, 14.0, 14.1], {"corner_hz": 0.0}, errors.OutOfRangeError),
        ([14.0, 14.1, 14.0, 14.1], {"corner_hz": 600.0}, errors.AboveNyquistError),
        ([14.0, 14.1, 14.0, 14.1], {"sample_rate_hz": -1.0}, errors.OutOfRangeError),
        ([14.0, 14.1, 14.0, 14.1], {"corner_hz": "low"}, errors.WrongTypeError),
    ],
)
def test_bad_input(samples: Any, change: dict[str, Any], error: type[Exception]) -> None:
    with pytest.raises(error):
        ripple_numbers(samples, **({"sample_rate_hz": 1000.0, "corner_hz": 10.0} | change))
