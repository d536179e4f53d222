"""Contamination of a circuit by the supply's ripple: against made signals, SciPy and the circuit-simulated captures."""

from __future__ import annotations

import json
import math
import pathlib
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from captures import stored
from sixpulse import Trace
from sixpulse import errors as sx_errors
from sixpulse.contamination import (
    AdaptiveConditioner,
    FixedConditioner,
    assess,
    indicated_hz,
    indicated_speed_km_h,
    own_signal,
    pulse_times_s,
)
from sixpulse.results import Contamination

RATE = 50_000.0
HZ = 200.0
CAPTURES = pathlib.Path(__file__).resolve().parents[2] / "shared" / "captures"


def ripple(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ripple with the order ratios of one open diode, speed wandering by 1 %."""
    angle = HZ * t + 0.01 * HZ / (6 * math.pi) * np.sin(6 * math.pi * t)
    orders = {1: 0.3, 2: 0.13, 3: 0.06, 6: 0.02, 12: 0.005}
    return np.sum([a * np.cos(2 * math.pi * n * angle + n * n) for n, a in orders.items()], axis=0)


def pair(gain: float, delay_s: float, own_hz: float = 0.0, own_v: float = 0.0) -> tuple[Trace, Trace]:
    """Return circuit and supply with 5 mV r.m.s. of noise each; seed fixed."""
    rng = np.random.default_rng(20261125)
    t = np.arange(15_000) / RATE
    post = 14.2 + ripple(t) + 0.005 * rng.standard_normal(t.size)
    sensor = gain * ripple(t - delay_s) + own_v * np.sin(2 * math.pi * own_hz * t)
    sensor += 0.005 * rng.standard_normal(t.size)
    return (
        Trace(sensor, sample_rate_hz=RATE, coupling="dc", role="speed_sensor"),
        Trace(post, sample_rate_hz=RATE, coupling="dc", role="charging_post"),
    )


@pytest.mark.parametrize(("gain", "own_hz"), [(0.4, 0.0), (-0.3, 0.0), (0.25, 317.0), (-0.5, 777.0)])
def test_gain_delay_and_own_signal(gain: float, own_hz: float) -> None:
    """Either polarity, still or turning."""
    circuit, supply = pair(gain, 30e-6, own_hz, 1.5 if own_hz else 0.0)
    found = assess(circuit, supply, electrical_hz=HZ)
    assert found.verdict == "contaminated", found.reason
    assert found.gain_v_per_v == pytest.approx(gain, rel=0.02)
    assert found.delay_s == pytest.approx(30e-6, abs=3e-6)
    if own_hz:
        assert found.own_frequency_hz == pytest.approx(own_hz, rel=0.002)
    else:
        assert found.own_frequency_hz is None
    left = own_signal(circuit, supply, found=found)
    power = np.var(left) if not own_hz else np.var(left) - 1.5**2 / 2
    # What is left beside the own signal is the two noises; 1e-3 V^2 is 2 % of the ripple's power.
    assert abs(power) < 1e-3


def test_clean_circuit_names_what_it_would_have_seen() -> None:
    """A turning sensor without ripple."""
    circuit, supply = pair(0.0, 0.0, 423.0, 1.5)
    found = assess(circuit, supply, electrical_hz=HZ)
    assert found.verdict == "clean", found.reason
    assert found.gain_v_per_v is None
    assert found.detectable_gain_v_per_v is not None
    assert found.detectable_gain_v_per_v < 0.05
    assert Contamination.from_dict(found.to_dict()) == found


def test_transfer_agrees_with_scipy_at_the_strongest_order() -> None:
    """The H1 estimate `csd / welch` of SciPy at order 1, where noise is far below the ripple."""
    circuit, supply = pair(0.4, 30e-6)
    found = assess(circuit, supply, electrical_hz=HZ)
    options: dict[str, Any] = {"fs": RATE, "window": "hann", "nperseg": 15_000, "detrend": "constant"}
    f, cross = signal.csd(supply.values(), circuit.values(), **options)
    _, power = signal.welch(supply.values(), **options)
    k = np.argmax(power)
    assert f[k] == pytest.approx(HZ, rel=0.02)
    transfer = cross[k] / power[k]
    first = next(o for o in found.orders if o.order == 1)
    # One bin against all bins of the order: the noise of one bin, 1e-3 of the ripple, is the difference.
    assert first.gain == pytest.approx(abs(transfer), rel=5e-3)
    assert first.phase_rad == pytest.approx(float(np.angle(transfer)), abs=5e-3)


def test_pulses_agree_with_the_zero_crossings() -> None:
    """Every falling zero crossing of a clean sine, by NumPy."""
    t = np.arange(20_000) / 20_000
    wave = np.sin(2 * math.pi * 97.3 * t + 0.2)
    trace = Trace(wave, sample_rate_hz=20_000, coupling="dc", role="speed_sensor")
    centred = wave - wave.mean()
    i = np.nonzero((centred[:-1] > 0) & (centred[1:] <= 0))[0]
    crossings = (i + centred[i] / (centred[i] - centred[i + 1])) / 20_000
    np.testing.assert_allclose(pulse_times_s(trace), crossings, atol=1e-12)
    assert indicated_hz(trace) == pytest.approx(97.3, rel=1e-3)
    assert indicated_hz(trace, conditioner=FixedConditioner(arming_v=1.5)) == 0.0


def test_false_speed_of_order_one() -> None:
    """8000 pulses a mile are 2.222 Hz per mile an hour: 189 Hz reads as 85 miles an hour (arithmetic)."""
    km = indicated_speed_km_h(189.0, pulses_per_km=8000 / 1.609344)
    assert km / 1.609344 == pytest.approx(85.05, abs=0.01)


@pytest.mark.parametrize(
    "settings",
    [{"fraction": 0.0}, {"fraction": 1.0}, {"minimum_v": -0.1}, {"decay_s": math.inf}, {"release_v": 0.05}],
)
def test_bad_conditioners_are_refused(settings: dict[str, float]) -> None:
    """Each setting outside its domain."""
    with pytest.raises(sx_errors.OutOfRangeError):
        AdaptiveConditioner(**settings)


def test_traces_that_do_not_belong_together_are_refused() -> None:
    """Length and rate."""
    circuit, supply = pair(0.4, 0.0)
    short = Trace(circuit.values()[:-1], sample_rate_hz=RATE, coupling="dc", role="speed_sensor")
    with pytest.raises(sx_errors.LengthMismatchError):
        assess(short, supply)
    fast = Trace(circuit.values(), sample_rate_hz=2 * RATE, coupling="dc", role="speed_sensor")
    with pytest.raises(sx_errors.RateMismatchError):
        assess(fast, supply)
    with pytest.raises(sx_errors.OutOfRangeError):
        assess(circuit, supply, electrical_hz=-1.0)


@pytest.mark.skipif(not CAPTURES.is_dir(), reason="the shared circuit-simulated captures are not here")
def test_circuit_simulated_captures() -> None:
    """58 captures made with ngspice, not with this project's simulator; two show an alternator that does not charge."""
    labels = json.loads((CAPTURES / "labels.json").read_text())
    right, own_right, errors_gain, total = 0, 0, [], 0
    for name, label in labels.items():
        capture = stored(CAPTURES / f"{name}.npz")
        found = assess(capture["sensor"], capture["post"], electrical_hz=label["fe"])
        if label["label"] == "not_running":
            # No ripple, so nothing can be traced, whatever the wiring.
            assert found.verdict == "undetermined", name
            continue
        total += 1
        right += found.verdict == label["sensor"].split("_")[0]
        own = label["sensor_hz"]
        own_right += (
            found.own_frequency_hz is None if own == 0 else found.own_frequency_hz == pytest.approx(own, rel=0.01)
        )
        if label["gain"]:
            errors_gain.append(abs((found.gain_v_per_v or 0.0) / label["gain"] - 1))
    assert right == total
    assert own_right == total
    assert np.median(errors_gain) < 0.01
    # 3 % is the target; with 8 bits over a DC-coupled 40 V range the ripple spans one to four steps, and two such
    # captures do not fix the gain at all (their standard uncertainty says so).
    assert np.mean(np.array(errors_gain) < 0.03) >= 0.8
    assert np.mean(np.array(errors_gain) < 0.05) >= 0.9
