"""Charging post against battery: made signals, SciPy, and simulated circuits whose cable and battery are known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

import sixpulse
from captures import sprayer
from sixpulse import Capture, Trace, compare_points, errors
from sixpulse.results import Impedance, Points

RATE = 50_000.0
HZ = 200.0
#: Peak amplitudes of the current's orders, amperes: those of an open diode.
AMPERES = {1: 12.0, 2: 5.0, 3: 2.0, 6: 1.5, 12: 0.4}
CABLE = (8e-3, 1.2e-6)
BATTERY = (9e-3, 0.2e-6)


def wave(transfer: Any, *, wander: float = 0.01, count: int = 20_000) -> NDArray[np.float64]:
    """Return the current's orders times `transfer(w)`, the speed wandering by 1 % either way (three times a second)."""
    t = np.arange(count) / RATE
    angle = HZ * t + wander * HZ / (6 * math.pi) * np.sin(6 * math.pi * t)
    return np.sum(
        [
            np.real(transfer(2 * math.pi * n * HZ) * a * np.exp(1j * (2 * math.pi * n * angle + n * n)))
            for n, a in AMPERES.items()
        ],
        axis=0,
    )


def made(*, clamp: str = "charging_current", sign: float = 1.0, lag_s: float = 0.0, noise: float = 1.0) -> Capture:
    """Return both posts and a clamp: noise 5 mV and 0.1 A r.m.s. times `noise`; seed fixed."""
    rng = np.random.default_rng(5)

    def series(ohm: float, henry: float) -> Any:
        return lambda w: ohm + 1j * w * henry

    post = 14.2 + wave(series(CABLE[0] + BATTERY[0], CABLE[1] + BATTERY[1]))
    battery = 14.0 + wave(series(*BATTERY))
    current = sign * (40.0 + wave(lambda w: np.exp(-1j * w * lag_s)))
    volts = {"post": ("charging_post", post), "battery": ("battery_post", battery)}
    traces = {
        name: Trace(x + 0.005 * noise * rng.standard_normal(x.size), sample_rate_hz=RATE, coupling="dc", role=role)
        for name, (role, x) in volts.items()
    }
    amperes = current + 0.1 * noise * rng.standard_normal(current.size)
    traces["clamp"] = Trace(amperes, sample_rate_hz=RATE, coupling="dc", role=clamp)
    return Capture(traces)


def assert_impedance(found: Impedance | None, ohm: float, henry: float) -> None:
    """Within 1 %, or 4 standard uncertainties where that is more (1 in 16 000 by chance)."""
    assert found is not None
    assert found.resistance_ohm == pytest.approx(ohm, abs=max(0.01 * ohm, 4 * found.resistance_ohm_std))
    assert found.inductance_h == pytest.approx(henry, abs=max(0.01 * henry, 4 * found.inductance_h_std))
    assert found.resistance_ohm_std < 0.02 * ohm
    assert found.inductance_h_std < 0.05 * henry
    assert found.resistance_ohm_low < found.resistance_ohm < found.resistance_ohm_high
    assert found.inductance_h_low < found.inductance_h < found.inductance_h_high


def test_divider_of_known_impedances() -> None:
    """Closed form: H = Z_battery / (Z_battery + Z_cable) at each order."""
    points = compare_points(made())
    assert [order.order for order in points.orders][:5] == [1, 2, 3, 6, 12]
    for order in points.orders[:5]:
        w = 2 * math.pi * order.frequency_hz
        cable, battery = complex(CABLE[0], w * CABLE[1]), complex(BATTERY[0], w * BATTERY[1])
        h = battery / (battery + cable)
        # Speed wander of 1 % moves the frequency within the record: 1e-3 of the gain is allowed for it.
        assert order.gain == pytest.approx(abs(h), abs=4 * order.gain_std + 1e-3)
        assert order.phase_rad == pytest.approx(np.angle(h), abs=4 * order.phase_rad_std + 1e-3)
        assert order.gain_low < order.gain < order.gain_high
        assert order.impedance_ratio is not None and order.impedance_ratio_std is not None
        assert order.impedance_ratio == pytest.approx(abs(cable / battery), abs=4 * order.impedance_ratio_std + 4e-3)
    assert points.attenuation_basis == "orders"
    assert points.attenuation is not None and points.attenuation_std is not None
    post, battery_v = (np.array([getattr(o, key) for o in points.orders]) for key in ("post_v", "battery_v"))
    expected = float(np.sqrt((battery_v**2).sum() / (post**2).sum()))
    assert points.attenuation == pytest.approx(expected, rel=1e-9)
    assert points.attenuation_low is not None and points.attenuation_high is not None
    assert points.attenuation_low < points.attenuation < points.attenuation_high


def test_gain_agrees_with_scipy() -> None:
    """SciPy's H1 estimate, cross over auto spectrum, at the strongest order of a steady record."""
    capture = made()
    points = compare_points(capture)
    options: dict[str, Any] = {"fs": RATE, "window": "hann", "nperseg": 20_000, "detrend": "constant"}
    f, cross = signal.csd(capture["post"].values(), capture["battery"].values(), **options)
    _, power = signal.welch(capture["post"].values(), **options)
    k = int(np.argmax(power))
    assert f[k] == pytest.approx(HZ, rel=0.02)
    transfer = cross[k] / power[k]
    # One line of SciPy's against the whole order: the noise of one line is 1e-3 of the ripple.
    assert points.orders[0].gain == pytest.approx(abs(transfer), rel=3e-3)
    assert points.orders[0].phase_rad == pytest.approx(float(np.angle(transfer)), abs=3e-3)


@pytest.mark.parametrize("clamp", ["charging_current", "battery_current"])
def test_impedances_with_a_clamp(clamp: str) -> None:
    points = compare_points(made(clamp=clamp))
    assert_impedance(points.cable_impedance, *CABLE)
    assert_impedance(points.battery_impedance, *BATTERY)
    expected = {"charging_current": "loads_in_parallel", "battery_current": "loads_left_out"}[clamp]
    assert {note.code for note in points.notes} == {expected, "clamp_delay"}
    assert points.cable_impedance is not None
    assert points.cable_impedance.current == "clamp"
    assert points.cable_impedance.clamp == "forward"


def test_a_reversed_clamp_is_noticed() -> None:
    points = compare_points(made(sign=-1.0))
    assert_impedance(points.cable_impedance, *CABLE)
    assert_impedance(points.battery_impedance, *BATTERY)
    assert points.cable_impedance is not None and points.cable_impedance.clamp == "reversed"
    assert "clamp_reversed" in {note.code for note in points.notes}


def test_a_known_delay_of_the_clamp_is_taken_off() -> None:
    """A lag of 10 us raises the fitted inductance by R * 10 us: closed form."""
    late = made(lag_s=10e-6)
    assert_impedance(compare_points(late, current_delay_s=10e-6).cable_impedance, *CABLE)
    left = compare_points(late).cable_impedance
    assert left is not None
    # At order 12 (2400 Hz) the lag is 0.15 rad: the closed form holds to its square.
    assert left.inductance_h - CABLE[1] == pytest.approx(CABLE[0] * 10e-6, rel=0.1)


def test_a_capacitance_shows_at_the_lowest_orders() -> None:
    """The battery as R + jwL + 1/(jwC), C 0.5 F: 1.6 mohm at 200 Hz."""
    rng = np.random.default_rng(8)
    volts = (
        14 + wave(lambda w: BATTERY[0] + 1j * w * BATTERY[1] + 1 / (1j * w * 0.5)) + 0.005 * rng.standard_normal(20_000)
    )
    capture = Capture(
        {
            "battery": Trace(volts, sample_rate_hz=RATE, coupling="dc", role="battery_post"),
            "clamp": Trace(wave(lambda _: 1.0), sample_rate_hz=RATE, coupling="dc", role="battery_current"),
        }
    )
    found = compare_points(capture).battery_impedance
    assert found is not None and found.capacitance_f is not None
    assert found.capacitance_f == pytest.approx(0.5, rel=0.05)
    assert_impedance(found, *BATTERY)


def test_battery_alone_is_warned_of_and_bounded() -> None:
    """The range covers the circuit that made it; a measured battery impedance narrows it."""
    both = made()
    truth = np.std(wave(lambda w: complex(CABLE[0] + BATTERY[0], w * (CABLE[1] + BATTERY[1]))))
    for names in (("battery",), ("battery", "clamp")):
        alone = compare_points(Capture({name: both[name] for name in names}))
        assert alone.post is None and alone.post_rms_v is None and alone.attenuation is None
        assert alone.reason == "the ripple was read at the battery alone"
        assert alone.notes[0].code == "measured_at_battery"
        estimate = alone.post_estimate
        assert estimate is not None
        assert estimate.rms_low_v < truth < estimate.rms_high_v
        assert estimate.rms_low_v < estimate.rms_middle_v < estimate.rms_high_v
        assert 0 < estimate.attenuation_low < estimate.attenuation_high < 1
        assert f"{1e3 * estimate.rms_low_v:.0f}" in alone.notes[0].statement
        assert "usual ranges" in estimate.basis
        widths = estimate.rms_high_v / estimate.rms_low_v
        assert widths < (10 if len(names) == 1 else 2.5)


def test_published_attenuations_lie_in_the_estimated_range() -> None:
    """REFERENCE-VALUES A4: battery / post of .53, .41 and .25 at 1800, 3000 and 6000 rpm (6 pole pairs, order 6)."""
    for rpm, published in ((1800, 0.53), (3000, 0.41), (6000, 0.25)):
        hz = rpm / 60 * 6
        angle = 2 * np.pi * hz * np.arange(40_000) / 200_000
        phases = np.cos(angle - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
        volts = 14 + 0.1 * (phases.max(axis=0) - phases.min(axis=0))
        battery = Trace(volts, sample_rate_hz=200_000.0, coupling="dc", role="battery_post")
        estimate = compare_points(Capture({"battery": battery}), electrical_hz=hz).post_estimate
        assert estimate is not None
        assert estimate.attenuation_low < published < estimate.attenuation_high


def test_without_a_cycle_the_record_stands_in() -> None:
    """White noise at both posts: the ratio of the standard deviations, and why."""
    rng = np.random.default_rng(3)
    post, battery = 14 + 0.02 * rng.standard_normal(20_000), 14 + 0.01 * rng.standard_normal(20_000)
    capture = Capture(
        {
            "post": Trace(post, sample_rate_hz=RATE, coupling="dc", role="charging_post"),
            "battery": Trace(battery, sample_rate_hz=RATE, coupling="dc", role="battery_post"),
        }
    )
    points = compare_points(capture)
    assert points.attenuation_basis == "record" and points.reason is not None
    assert points.attenuation == pytest.approx(battery.std() / post.std(), rel=2e-3)
    assert points.attenuation_std is not None and 0 < points.attenuation_std < 0.01
    assert points.orders == () and points.impedance_ratio is None and points.cable_impedance is None


def test_no_ripple_at_the_post() -> None:
    flat = {
        name: Trace(np.full(5_000, 12.6), sample_rate_hz=RATE, coupling="dc", role=role)
        for name, role in (("post", "charging_post"), ("battery", "battery_post"))
    }
    points = compare_points(Capture(flat))
    assert points.attenuation is None and points.reason == "the charging post shows no ripple"
    alone = compare_points(Capture({"battery": flat["battery"]}))
    assert alone.post_estimate is None and "nothing can be said" in alone.notes[0].statement


def test_couplings_that_differ_are_noted() -> None:
    both = made()
    post = both["post"].values()
    ac = Trace(post - post.mean(), sample_rate_hz=RATE, coupling="ac", role="charging_post")
    points = compare_points(Capture({"post": ac, "battery": both["battery"]}))
    assert "coupling_differs" in {note.code for note in points.notes}
    known = Trace(post - post.mean(), sample_rate_hz=RATE, coupling="ac", role="charging_post", coupling_corner_hz=1.0)
    assert compare_points(Capture({"post": known, "battery": both["battery"]})).notes == ()


def test_the_same_points_stand_in_the_examination() -> None:
    capture = made()
    examination = sixpulse.examine(capture)
    assert examination.points == compare_points(capture)
    finding = next(f for f in examination.findings if f.code == "points_compared")
    assert any("mohm" in line for line in finding.evidence)
    alone = sixpulse.examine(Capture({"battery": capture["battery"]}))
    warned = next(f for f in alone.findings if f.code == "measured_at_battery")
    assert warned.severity == "warning" and "would show" in warned.evidence[0]
    assert Points.from_dict(alone.points.to_dict() if alone.points else {}) == alone.points


def test_bad_input() -> None:
    capture = sprayer()
    with pytest.raises(errors.InvalidCombinationError, match="battery"):
        compare_points(Capture({"post": capture["post"]}))
    for delay in (-1e-6, 0.01, math.nan):
        with pytest.raises(errors.OutOfRangeError, match="current_delay_s"):
            compare_points(capture, current_delay_s=delay)
    with pytest.raises(errors.AboveNyquistError):
        compare_points(capture, electrical_hz=1e6)
    with pytest.raises(errors.WrongTypeError):
        compare_points("capture")  # type: ignore[arg-type]
    with pytest.raises(errors.WrongTypeError):
        compare_points(capture, machine=3)  # type: ignore[arg-type]


def channel(noise: float, bandwidth_hz: float) -> dict[str, Any]:
    """A current channel of the simulated instrument; volts stand for amperes."""
    return {
        "coupling": "dc",
        "coupling_corner_hz": 1.0,
        "bandwidth_hz": bandwidth_hz,
        "probe_factor": 1.0,
        "noise_v": noise,
        "range": {"kind": "auto_zero"},
    }


@pytest.mark.parametrize("pattern", ["healthy", "open_diode", "shorted_diode", "open_phase"])
def test_simulated_circuits_of_known_elements(pattern: str) -> None:
    """Cable 8 mohm + 1 mohm ground, 1.1 uH; battery 10 mohm, 0.15 uH: both come back."""
    for seed in range(3):
        scenario = sixpulse.Scenario.draw(
            seed=seed,
            pattern=f"{pattern}_ramp" if seed == 2 else pattern,
            cycles=60,
            bits=12,
            coupling="dc",
            sample_rate_hz=500_000.0,
            sensor_mode="absent",
            cable={"resistance_ohm": 7e-3, "joint_ohm": 1e-3, "inductance_h": 1.1e-6},
            ground_ohm=1e-3,
            circuit__network__battery__resistance_ohm=10e-3,
            circuit__network__battery__inductance_h=0.15e-6,
        )
        bandwidth = scenario.to_dict()["channels"]["post"]["bandwidth_hz"]
        scenario = scenario.replace(
            channels__charging_current=channel(0.2, bandwidth), channels__battery_current=channel(0.2, bandwidth)
        )
        capture, truth = sixpulse.simulate(scenario)
        points = compare_points(capture)
        assert points.attenuation is not None and points.attenuation_std is not None
        expected = truth.battery.synchronous_rms_v / truth.post.synchronous_rms_v
        # 2 %: the channels' bandwidth (from 20 kHz) takes the highest orders off both, which moves the weighting.
        assert points.attenuation == pytest.approx(expected, rel=0.02, abs=4 * points.attenuation_std)
        for found, ohm, henry in (
            (points.cable_impedance, 9e-3, 1.1e-6),
            (points.battery_impedance, 10e-3, 0.15e-6),
        ):
            assert found is not None
            assert found.resistance_ohm == pytest.approx(ohm, rel=0.03)
            # 5 %: some ranges leave the ripple fifty steps of the converter, whose distortion no average removes.
            # Charge transfer (milliohm with farads) bends the battery's reactance at order 1: 0.02 uH at 100 Hz.
            assert found.inductance_h == pytest.approx(henry, rel=0.05, abs=0.02e-6)
