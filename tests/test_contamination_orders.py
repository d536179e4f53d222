"""Orders, coherence, counts, ranking and switched circuits: against SciPy, Carter's distribution and arithmetic."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from sixpulse import Trace, simulate
from sixpulse import errors as sx_errors
from sixpulse.contamination import (
    AdaptiveConditioner,
    Count,
    FixedConditioner,
    PulseConstant,
    assess,
    count,
    own_signal,
    rank,
)
from sixpulse.results import Contamination, Role
from sixpulse.simulation import Scenario
from sixpulse.spectrum import coherence_significance

Float = NDArray[np.float64]
RATE = 50_000.0
HZ = 200.0
N = 20_000
ORDERS = {1: 0.3, 2: 0.13, 3: 0.06, 6: 0.02, 12: 0.005}


def ripple(t: Float) -> Float:
    """Ripple with the order ratios of one open diode, speed wandering by 1 %."""
    angle = HZ * t + 0.01 * HZ / (6 * math.pi) * np.sin(6 * math.pi * t)
    waves = [a * np.cos(2 * math.pi * n * angle + n * n) for n, a in ORDERS.items()]
    return np.asarray(np.sum(waves, axis=0), dtype=np.float64)


def trace(values: Float, role: Role = "speed_sensor") -> Trace:
    return Trace(values, sample_rate_hz=RATE, coupling="dc", role=role)


def pair(
    own: Float | float = 0.0, *, gain: float = 0.4, role: Role = "speed_sensor", noise_v: float = 0.005
) -> tuple[Trace, Trace]:
    """Circuit and supply with noise each; seed fixed."""
    rng = np.random.default_rng(20261125)
    t = np.arange(N) / RATE
    post = 14.2 + ripple(t) + noise_v * rng.standard_normal(N)
    sensor = gain * ripple(t - 30e-6) + own + noise_v * rng.standard_normal(N)
    return trace(sensor, role), trace(post, "charging_post")


def test_coherence_and_transfer_at_the_orders_agree_with_scipy() -> None:
    """Hann segments of four cycles, half overlapping: `scipy.signal.coherence`, `csd` and `welch`."""
    circuit, supply = pair()
    found = assess(circuit, supply, electrical_hz=HZ)
    options: dict[str, Any] = {"fs": RATE, "window": "hann", "nperseg": 1000, "detrend": "constant"}
    f, shared = signal.coherence(supply.values(), circuit.values(), **options)
    transfer = signal.csd(supply.values(), circuit.values(), **options)[1] / signal.welch(supply.values(), **options)[1]
    assert [o.order for o in found.orders if o.supply_v > 0.01] == [1, 2, 3, 6]
    for order in found.orders:
        k = int(np.argmin(np.abs(f - order.frequency_hz)))
        # The same estimate of the same segments: rounding only.
        assert order.coherence == pytest.approx(shared[k], rel=1e-9)
        if order.supply_v > 0.01:
            # Bins 50 Hz wide against bins 2.5 Hz wide: noise of 2 % of order 6 in the wide ones.
            assert order.gain == pytest.approx(abs(transfer[k]), rel=0.02)
            assert order.delay_s == pytest.approx(30e-6, abs=max(4 * order.delay_s_std, 0.3e-6))
            assert order.agrees


def test_unrelated_noise_exceeds_the_threshold_as_often_as_stated() -> None:
    """Carter, Knapp and Nuttall 1973: P(coherence > 1 - alpha^(1/(n-1))) = alpha; bias (1 - c)^2 / n for large n."""
    rng = np.random.default_rng(3)
    segments = 12
    x, y = rng.standard_normal((2, 64 * segments * 400))
    options: dict[str, Any] = {"nperseg": 64, "noverlap": 0, "window": "boxcar", "detrend": False}
    cells = [
        signal.coherence(a, b, **options)[1][1:-1] for a, b in zip(x.reshape(400, -1), y.reshape(400, -1), strict=True)
    ]
    values = np.concatenate(cells)
    for alpha in (0.05, 0.01):
        share = float(np.mean(values > coherence_significance(averages=segments, alpha=alpha)))
        # 12 400 cells: four standard deviations of a binomial share.
        assert share == pytest.approx(alpha, abs=4 * math.sqrt(alpha * (1 - alpha) / values.size))
    # Bendat and Piersol: without any relation the estimate's mean is 1/n.
    assert float(np.mean(values)) == pytest.approx(1 / segments, rel=0.03)


def test_a_still_sensor_with_ripple_counts_and_stops_at_the_margin() -> None:
    """The ripple scaled to just above and below the stated margin, counted anew."""
    circuit, supply = pair(noise_v=0.0005)
    found = assess(circuit, supply, electrical_hz=HZ)
    counted = count(circuit, supply, found=found)
    assert (counted.indicated_hz, counted.ripple_margin) == (found.indicated_hz, found.ripple_margin)
    assert counted.indicated_hz == pytest.approx(HZ, rel=0.02)
    assert (counted.without_ripple_hz, counted.pulses_without_ripple) == (0.0, 0)
    assert counted.ripple_margin is not None and counted.ripple_margin < 1
    assert Count.from_dict(counted.to_dict()) == counted
    # Noise of 0.5 mV against a threshold of 30 mV: a tenth to either side is clear of it.
    for factor, counts in ((1.1, True), (0.9, False)):
        change = counted.ripple_margin * factor - 1.0
        scaled = trace(circuit.values() + change * 0.4 * ripple(np.arange(N) / RATE - 30e-6))
        again = count(scaled, supply, found=assess(scaled, supply, electrical_hz=HZ))
        assert (again.indicated_hz > 0) == counts
    # A fixed threshold at twice the ripple's positive peak counts nothing, and says that it is so far away.
    peak = float((0.4 * ripple(np.arange(N) / RATE)).max())
    fixed = count(circuit, supply, found=found, conditioner=FixedConditioner(arming_v=2 * peak))
    assert fixed.indicated_hz == 0.0
    assert fixed.ripple_margin is not None and 1.9 < fixed.ripple_margin < 2.1


def test_conditioners_take_their_settings() -> None:
    """Watchdog and reference; what lies outside is refused."""
    assert AdaptiveConditioner(watchdog_s=None).watchdog_s is None
    assert FixedConditioner.zero_crossing().release_v == -0.0065
    with pytest.raises(sx_errors.OutOfRangeError):
        AdaptiveConditioner(watchdog_s=0.0)
    with pytest.raises(sx_errors.UnknownNameError):
        FixedConditioner(arming_v=1.0, reference="case")  # type: ignore[arg-type]
    level = trace(2.0 + np.sin(2 * math.pi * 50 * np.arange(N) / RATE))
    ground = FixedConditioner(arming_v=0.3, reference="ground")
    assert count(level, pair()[1], found=assess(level, pair()[1]), conditioner=ground).pulses == 0


@pytest.mark.parametrize(
    ("pulses_per_mile", "hz", "mph"),
    # f_e of 700 rpm, ratio 2.7, 6 pole pairs is 189 Hz; six times that 1134 Hz. v_mph = 3600 f / pulses (arithmetic).
    [(8000, 189.0, 85.05), (4000, 189.0, 170.1), (8000, 1134.0, 510.3), (4000, 1134.0, 1020.6)],
)
def test_pulse_constants(pulses_per_mile: float, hz: float, mph: float) -> None:
    """Pulses a mile, a kilometre and from gearing."""
    instrument = PulseConstant.per_mile(pulses_per_mile)
    assert instrument.speed_mph(hz) == pytest.approx(mph, rel=1e-12)
    assert instrument.speed_km_h(hz) == pytest.approx(mph * 1.609344, rel=1e-12)
    geared = PulseConstant.from_gearing(pulses_per_revolution=40, gear_ratio=3.73, rolling_circumference_m=2.0)
    assert geared.pulses_per_km == pytest.approx(40 * 3.73 * 500)
    with pytest.raises(sx_errors.OutOfRangeError):
        PulseConstant(pulses_per_km=-1.0)
    with pytest.raises(sx_errors.OutOfRangeError):
        PulseConstant.from_gearing(pulses_per_revolution=40, gear_ratio=0, rolling_circumference_m=2.0)


def test_victims_are_ranked() -> None:
    """A loud circuit before a quiet one before a clean one."""
    t = np.arange(N) / RATE
    supply = pair()[1]
    circuits = {
        "clean": pair(1.5 * np.sin(2 * math.pi * 423 * t), gain=0.0)[0],
        "quiet": pair(gain=0.03)[0],
        "loud": pair(gain=0.6)[0],
    }
    victims = rank({name: assess(c, supply, electrical_hz=HZ) for name, c in circuits.items()})
    assert [v.name for v in victims] == ["loud", "quiet", "clean"]
    assert [v.false_count for v in victims] == [True, False, False]
    assert victims[2].ripple_rms_v is None


def test_a_switched_sensor() -> None:
    """A Hall signal with ripple on it; the shift of its edges is the ripple over their slope."""
    place = (310.0 * np.arange(N) / RATE) % 1.0
    edge = 310.0 * 60e-6
    square = 0.5 + 4.5 * (np.clip(place / edge, 0, 1) - np.clip((place - 0.5) / edge, 0, 1))
    circuit, supply = pair(square, role="edge_sensor")
    found = assess(circuit, supply, electrical_hz=HZ)
    assert found.verdict == "contaminated", found.reason
    assert found.gain_v_per_v == pytest.approx(0.4, rel=0.03)
    assert found.own_frequency_hz == pytest.approx(310.0, rel=2e-3)
    edges = found.edges
    assert edges is not None
    assert edges.edges == edges.edges_without_ripple
    # 4.5 V in 60 us (three samples): the straight line between samples is the ramp.
    expected = 0.4 * float(np.std(ripple(np.arange(N) / RATE))) / (4.5 / 60e-6)
    assert edges.moved_rms_s == pytest.approx(expected, rel=0.15)
    assert edges.margin_low_v > 0 and edges.margin_high_v > 0
    assert Contamination.from_dict(found.to_dict()) == found
    left = own_signal(circuit, supply, found=found)
    # What is left is the square and the two noises (5.4 mV), the filter's ends aside.
    assert float(np.std((left - square)[100:-100])) < 0.008


def test_simulated_captures() -> None:
    """Captures of the simulator, 12 bits: verdicts, gain, and uncertainties that hold."""
    right, total, inside, gains = 0, 0, 0, []
    for member in range(24):
        mode = ("clean_still", "clean_turning", "contaminated_still", "contaminated_turning")[member % 4]
        scenario = Scenario.draw(
            seed=20261125,
            member=member,
            pattern=("open_diode", "healthy", "shorted_diode")[member % 3],
            sensor_mode=mode,
            bits=12,
            sample_rate_hz=100_000.0,
            cycles=60.0,
        )
        capture, truth = simulate(scenario)
        sensor = truth.sensor
        assert sensor is not None
        found = assess(capture["sensor"], capture["post"], electrical_hz=truth.electrical_hz)
        total += 1
        right += found.verdict == sensor.purity
        # Never the opposite of the truth, where the coupled ripple is not below what counts as contamination.
        if sensor.purity == "clean":
            assert found.verdict != "contaminated", (member, found.reason)
        if found.gain_v_per_v is not None and sensor.gain_v_per_v and found.gain_v_per_v_std:
            gains.append(abs(found.gain_v_per_v / sensor.gain_v_per_v - 1))
            inside += abs(found.gain_v_per_v - sensor.gain_v_per_v) <= 3 * found.gain_v_per_v_std
    # What is allowed to miss: paths too faint to show beside a turning wheel (see docs/validation-contamination.md).
    assert right >= total - 2
    assert np.median(gains) < 0.01
    assert inside >= len(gains) - 1
