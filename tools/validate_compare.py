"""Measures the comparisons on simulated captures whose truth is known.

Prints the tables of docs/validation-compare.md:

python tools/validate_compare.py --seed 31000 --points 0 --interventions 120
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Iterator
from typing import Any

import numpy as np
import shares

import sixpulse
from sixpulse import Capture, Scenario, Trace, compare_interventions, compare_points
from sixpulse.errors import SixpulseError

PATTERNS = ("healthy", "open_diode", "shorted_diode", "open_phase", "two_open_diodes", "imbalance")


def clamp(noise_a: float, bandwidth_hz: float) -> dict[str, Any]:
    """Return the settings of a current channel; volts stand for amperes."""
    return {
        "coupling": "dc",
        "coupling_corner_hz": 1.0,
        "bandwidth_hz": bandwidth_hz,
        "probe_factor": 1.0,
        "noise_v": noise_a,
        "range": {"kind": "auto_zero"},
    }


def points(seed: int, count: int) -> None:
    """Attenuation and impedances against the circuit that made the captures."""
    errors: dict[str, list[float]] = {
        name: [] for name in ("attenuation", "cable R", "cable L", "battery R", "battery L")
    }
    covered: Counter[str] = Counter()
    estimate = narrowed = read = 0
    for number in range(seed, seed + count):
        scenario = Scenario.draw(
            seed=number, pattern=PATTERNS[number % len(PATTERNS)], sensor_mode="absent", bits=12, cycles=60
        )
        document = scenario.to_dict()
        bandwidth = document["channels"]["post"]["bandwidth_hz"]
        noise = 0.1 * 5 ** ((number % 7) / 6)
        scenario = scenario.replace(
            channels__charging_current=clamp(noise, bandwidth), channels__battery_current=clamp(noise, bandwidth)
        )
        capture, truth = sixpulse.simulate(scenario)
        found = compare_points(capture, electrical_hz=truth.electrical_hz)
        if found.attenuation is None or found.cable_impedance is None or found.battery_impedance is None:
            continue
        read += 1
        net = document["circuit"]["network"]
        ohm = net["cable"]["resistance_ohm"] + net["cable"]["joint_ohm"] + net["ground_ohm"]
        cable, battery = found.cable_impedance, found.battery_impedance
        expected = truth.battery.synchronous_rms_v / truth.post.synchronous_rms_v
        figures = {
            "attenuation": (found.attenuation, found.attenuation_low, found.attenuation_high, expected),
            "cable R": (cable.resistance_ohm, cable.resistance_ohm_low, cable.resistance_ohm_high, ohm),
            "cable L": (
                cable.inductance_h,
                cable.inductance_h_low,
                cable.inductance_h_high,
                net["cable"]["inductance_h"],
            ),
            "battery R": (
                battery.resistance_ohm,
                battery.resistance_ohm_low,
                battery.resistance_ohm_high,
                net["battery"]["resistance_ohm"],
            ),
            "battery L": (
                battery.inductance_h,
                battery.inductance_h_low,
                battery.inductance_h_high,
                net["battery"]["inductance_h"],
            ),
        }
        for name, (value, low, high, true) in figures.items():
            errors[name].append(abs(value / true - 1))
            covered[name] += low is not None and high is not None and low <= true <= high
        alone = compare_points(Capture({"battery": capture["battery"]}), electrical_hz=truth.electrical_hz)
        with_clamp = compare_points(
            Capture({"battery": capture["battery"], "clamp": capture["charging_current"]}),
            electrical_hz=truth.electrical_hz,
        )
        true_v = truth.post.synchronous_rms_v
        if alone.post_estimate is not None:
            estimate += alone.post_estimate.rms_low_v <= true_v <= alone.post_estimate.rms_high_v
        if with_clamp.post_estimate is not None:
            narrowed += with_clamp.post_estimate.rms_low_v <= true_v <= with_clamp.post_estimate.rms_high_v
    print(f"captures with both clamps readable: {shares.of(read, count)}\n")
    print("| quantity | median error | 90 % of errors below | 95 % interval holds the truth |")
    print("|---|---|---|---|")
    for name, values in errors.items():
        median, most = 100 * np.median(values), 100 * np.quantile(values, 0.9)
        print(f"| {name} | {median:.2f} % | {most:.2f} % | {shares.of(covered[name], len(values))} |")
    print(f"\npost estimated from the battery alone, truth in the range: {shares.of(estimate, read)}")
    print(f"the same with a clamp in the cable: {shares.of(narrowed, read)}\n")


def unplugged(scenario: Scenario) -> dict[str, Any]:
    """Return the changes that take the field's current away; 10 mA stand for remanence."""
    winding = scenario.to_dict()["circuit"]["alternator"]["excitation"]["winding"]
    excitation = {"kind": "fixed_field", "field_a": 0.01, "winding": winding}
    return {"circuit__alternator__excitation": excitation, "fault": "custom"}


def again(scenario: Scenario, member: int, speed: float, **more: Any) -> Scenario:
    """Return the same vehicle captured once more: other noise, another speed."""
    rpm = scenario.to_dict()["circuit"]["drive"]["engine"]
    changed = {key: value * speed if key.endswith("rpm") and value else value for key, value in rpm.items()}
    return scenario.replace(member=member, circuit__drive__engine=changed, **more)


def with_line(capture: Capture, hz: float, rms_v: float, phase: float) -> Capture:
    """Return the capture with a source that is not the alternator on its sensor's line."""
    sensor = capture["sensor"]
    t = np.arange(len(sensor)) / sensor.sample_rate_hz
    values = sensor.values() + math.sqrt(2) * rms_v * np.sin(2 * math.pi * hz * t + phase)
    disturbed = Trace(values, sample_rate_hz=sensor.sample_rate_hz, coupling=sensor.coupling, role=sensor.role)
    return Capture({**{name: capture[name] for name in capture.names}, "sensor": disturbed})


def sets(seed: int, count: int) -> Iterator[tuple[str, str, Scenario, list[Capture], Any]]:
    """Draw sets of three captures: kind, verdict expected, scenario, captures, truth of the first."""
    kinds = (
        ("caused, still", "contaminated_still", "caused_by_charging_ripple"),
        ("caused, turning", "contaminated_turning", "caused_by_charging_ripple"),
        ("other source", "clean_still", "not_supported"),
        ("turning, clean", "clean_turning", "not_supported"),
        ("did not act", "contaminated_still", "undetermined"),
        ("nothing there", "clean_still", "undetermined"),
        ("turned meanwhile", "contaminated_still", "undetermined"),
        ("engine stopped", "contaminated_still", "undetermined"),
    )
    for number in range(count):
        kind, mode, wanted = kinds[number % len(kinds)]
        rng = np.random.default_rng([seed, number])
        pattern = PATTERNS[int(rng.integers(len(PATTERNS)))]
        settings: dict[str, Any] = {"cycles": float(rng.integers(30, 120)), "bits": 12}
        base = Scenario.draw(seed=seed + number, pattern=pattern, sensor_mode=mode, **settings)
        off = {} if kind == "did not act" else unplugged(base)
        if kind == "turned meanwhile":
            off = {**off, "sensor__ring__tooth_hz": float(rng.uniform(150, 700))}
        stages = [base, again(base, 1, rng.uniform(0.98, 1.02), **off), again(base, 2, rng.uniform(0.98, 1.02))]
        try:
            made = [sixpulse.simulate(stage) for stage in stages]
        except SixpulseError as error:
            print(f"set {number} ({kind}) was not made: {error}")
            continue
        captures = [capture for capture, _ in made]
        if kind == "other source":
            hz, rms_v = rng.uniform(60, 900), 10 ** rng.uniform(-1.3, 0)
            captures = [with_line(capture, hz, rms_v, rng.uniform(0, 6)) for capture in captures]
        if kind == "engine stopped":
            still = captures[1]
            captures[1] = Capture({name: still[name] for name in still.names}, engine_rpm=0.0)
        yield kind, wanted, base, captures, made[0][1]


def interventions(seed: int, count: int, *, verbose: bool) -> None:
    """Verdicts on drawn sets."""
    right: Counter[str] = Counter()
    total: Counter[str] = Counter()
    wrong: Counter[tuple[str, str]] = Counter()
    codes: Counter[tuple[str, str]] = Counter()
    for kind, wanted, base, captures, truth in sets(seed, count):
        found = compare_interventions(captures[0], captures[1], captures[2], electrical_hz=truth.electrical_hz)
        for key in (kind, wanted):
            total[key] += 1
            right[key] += found.verdict == wanted
        codes[kind, found.code] += 1
        if found.verdict not in (wanted, "undetermined"):
            wrong[kind, found.verdict] += 1
        if verbose and found.verdict != wanted:
            stages = ", ".join(f"{1e3 * s.ripple_rms_v:.1f}" for s in found.stages)
            own = ", ".join(
                f"{1e3 * s.at_ripple_rms_v:.2f}±{1e3 * s.at_ripple_rms_v_std:.2f}/{1e3 * s.own_rms_v:.1f}"
                for s in next(iter(found.circuits.values())).stages
            )
            print(f"{base!r} {kind}: {found.code}; ripple {stages} mV; circuit {own} mV; {found.reason}")
    print("| sets | right verdict | codes |")
    print("|---|---|---|")
    for kind in total:
        listed = ", ".join(f"{code} {n}" for (k, code), n in sorted(codes.items()) if k == kind)
        print(f"| {kind} | {shares.of(right[kind], total[kind])} | {listed} |")
    print(f"\nwrong and not undetermined: {dict(wrong) or 'none'}\n")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=5000)
    parser.add_argument("--points", type=int, default=120)
    parser.add_argument("--interventions", type=int, default=120)
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    if options.points:
        points(options.seed, options.points)
    if options.interventions:
        interventions(options.seed, options.interventions, verbose=options.verbose)


if __name__ == "__main__":
    main()
