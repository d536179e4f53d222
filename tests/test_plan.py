"""Planning: figures against outside formulae, and the loop closed: captures simulated with exactly the planned settings
are examined; what a plan refuses fails on the simulated bench as well."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import numpy as np
import pytest
from scipy import signal, stats

import sixpulse
from sixpulse import cli
from sixpulse.planning import Instrument, Plan, Recording
from sixpulse.schema import json_schema

MACHINE = sixpulse.Machine(pole_pairs=6, pulley_ratio=2.7)
FACTS: dict[str, Any] = {
    "bits": 8,
    "memory_samples": 100_000,
    "sample_rates_hz": [1e3, 5e3, 10e3, 20e3, 50e3, 100e3, 500e3],
    "ranges_v": [0.1, 0.2, 0.5, 1, 2, 5, 20],
    "ac_corner_hz": 5.0,
    "probe_attenuation": 1.0,
    "channels": 2,
}


def made(**changes: Any) -> Plan:
    return sixpulse.plan(MACHINE, engine_rpm=(700, 2500), instrument=Instrument(**{**FACTS, **changes}), system_v=12)


def take(one: Recording, facts: dict[str, Any], pattern: str, seed: int, *, range_v: float | None = None) -> Any:
    """Simulate a capture at a recording's settings, in its range or in the finer one."""
    tip_v = range_v if range_v is not None else one.full_scale_v
    drawn = (
        sixpulse.Scenario.draw(
            seed=seed,
            member=member,
            pattern=pattern,
            system_v=12,
            pulse_number=6,
            electrical_hz=one.electrical_hz_low,
            sensor_mode="absent",
        )
        for member in range(50)
    )
    scenario = next(s for s in drawn if s.to_dict()["condition"] == "plain")
    channel = {
        "coupling": one.coupling,
        "coupling_corner_hz": facts["ac_corner_hz"] or 5.0,
        "probe_factor": facts["probe_attenuation"],
        "range": {"kind": "given", "full_scale_v": tip_v, "offset_v": 0.0},
    }
    return scenario.replace(
        scope={
            "sample_rate_hz": one.sample_rate_hz,
            "samples": one.samples,
            "bits": facts["bits"],
            "divisions": 2,
            "undersampling": "alias",
            "dropout": None,
        },
        channels__post=channel,
    )


def examined(scenario: Any, one: Recording) -> tuple[Any, Any]:
    capture, truth = sixpulse.simulate(scenario)
    post = capture["post"]
    assert post.sample_rate_hz == one.sample_rate_hz and len(post.values()) == one.samples
    found = sixpulse.examine(sixpulse.Capture({"post": post}), machine=MACHINE, electrical_hz=one.electrical_hz_low)
    return found, truth


@pytest.mark.parametrize("bits", [8, 14])
@pytest.mark.parametrize("pattern", ["healthy", "open_diode", "shorted_diode", "open_phase"])
def test_planned_settings_show_the_pattern(bits: int, pattern: str) -> None:
    facts = {**FACTS, "bits": bits}
    plan = made(bits=bits)
    assert plan.feasibility == "full"
    for seed, one in enumerate(r for r in plan.recordings if r.purpose == "ripple" and r.load == "heavy"):
        found, truth = examined(take(one, facts, pattern, seed), one)
        assert found.quality.usable, found.quality.issues
        assert not {"clipped", "undersampled", "too_short"} & {i.code for i in found.quality.issues}
        assert found.rectifier.pattern == truth.pattern, (one, found.rectifier.probabilities)


def test_too_slow_an_instrument_fails_on_the_bench_as_the_plan_says() -> None:
    facts = {**FACTS, "bits": 12, "sample_rates_hz": [1000.0]}
    plan = made(**{k: facts[k] for k in ("bits", "sample_rates_hz")})
    assert plan.feasibility == "not_possible"
    need = plan.requirement("sample_rate")
    assert need is not None and need.outcome == "failed"
    one = plan.recordings[0]
    assert not one.reads_pattern
    found, _ = examined(take(one, facts, "open_diode", 0), one)
    assert not found.quality.usable
    assert "undersampled" in [i.code for i in found.quality.issues]
    # What the plan leaves, the meter's view, holds: aliases keep their power (Parseval), so the r.m.s. ripple is right.
    assert plan.shows("meter")
    finer = plan.recordings[0].__class__.from_dict({**one.to_dict(), "sample_rate_hz": 50_000.0, "samples": 50_000})
    whole, _ = examined(take(finer, facts, "open_diode", 0), finer)
    # 15 %: the slow record holds fewer independent samples, and a 5 Hz corner cuts aliases near zero.
    assert found.ripple.rms_v == pytest.approx(whole.ripple.rms_v, rel=0.15)


@pytest.mark.parametrize(
    ("changes", "code", "issue"),
    [
        ({"memory_samples": 60}, "record_length", "too_short"),
        ({"ranges_v": [0.2]}, "full_scale", "clipped"),
    ],
)
def test_what_a_plan_refuses_fails_on_the_bench(changes: dict[str, Any], code: Any, issue: str) -> None:
    facts = {**FACTS, **changes}
    plan = made(**changes)
    need = plan.requirement(code)
    assert plan.feasibility == "not_possible" and need is not None and need.outcome == "failed"
    assert need.short_by is not None and need.short_by == pytest.approx(need.needed / need.value)
    one = plan.recordings[0]
    found, _ = examined(take(one, facts, "open_diode", 0, range_v=facts["ranges_v"][-1]), one)
    assert not found.quality.usable
    assert issue in [i.code for i in found.quality.issues]


def test_the_rate_obeys_the_sampling_theorem() -> None:
    """SciPy's periodogram shows the folding: order 12 at the planned rate stays, at the refused one it moves."""
    plan = made(bits=12)
    fastest = plan.recordings[3]
    twelve_hz = 12 * fastest.electrical_hz_high
    assert twelve_hz == pytest.approx(12 * 2500 / 60 * 2.7 * 6)
    for rate, stays in ((fastest.sample_rate_hz, True), (10_000.0, False)):
        wave = np.sin(2 * np.pi * twelve_hz * np.arange(20_000) / rate)
        frequencies, power = signal.periodogram(wave, rate)
        assert (abs(frequencies[power.argmax()] - twelve_hz) < 2.0) == stays


def test_noise_and_uncertainties_are_those_of_an_ideal_converter() -> None:
    """IEEE Std 1057's ideal converter: error uniform over a step (SciPy's distribution), and a Monte-Carlo fit."""
    one = next(r for r in made(bits=14).recordings if r.purpose == "ripple")
    expected, step = one.expected, one.step_v
    assert step == pytest.approx(2 * 20 / 2**14)
    assert expected.quantisation_noise_v == pytest.approx(stats.uniform(0, step).std(), rel=1e-12)
    rng = np.random.default_rng(8)
    angle = 2 * np.pi * 6 * one.electrical_hz_low * np.arange(one.samples) / one.sample_rate_hz
    amplitude = np.sqrt(2) * expected.healthy_rms_low_v
    basis = np.column_stack([np.cos(angle), np.sin(angle), np.ones_like(angle)])
    fits = []
    for _ in range(200):
        # A random level and phase spread the codes, as the level's own wander does on the bench.
        volts = amplitude * np.cos(angle + rng.uniform(0, 2 * np.pi)) + rng.uniform(13.8, 14.4)
        volts += rng.normal(0, 0.5 * step, one.samples)
        fits.append(np.hypot(*np.linalg.lstsq(basis, step * np.round(volts / step), rcond=None)[0][:2]))
    # The added half step of noise adds to the rounding: sqrt(1/12 + 1/4) step; 200 fits know a spread to 5 %.
    total = expected.order_amplitude_std_v * np.sqrt((1 / 12 + 1 / 4) * 12)
    assert np.std(fits) == pytest.approx(total, rel=0.15)
    assert np.mean(fits) == pytest.approx(amplitude, rel=0.01)


def test_leads_interventions_and_cautions_are_there() -> None:
    plan = made()
    first = plan.connections[0]
    assert (first.tip, first.reference, first.role) == ("charging_post", "alternator_case", "charging_post")
    assert "battery" in first.reason
    assert any("maker's procedure" in step for step in plan.intervention)
    assert any("load dump" in c for c in plan.cautions)
    assert {r.load for r in plan.recordings} == {"light", "heavy"}
    assert Plan.from_json(plan.to_json()) == plan


def test_wrong_types_and_domains_are_named() -> None:
    with pytest.raises(sixpulse.errors.OutOfRangeError) as caught:
        Instrument(**{**FACTS, "bits": 2})
    assert caught.value.parameter == "bits"
    with pytest.raises(sixpulse.errors.EmptyInputError):
        Instrument(**{**FACTS, "ranges_v": []})
    with pytest.raises(sixpulse.errors.WrongTypeError) as wrong:
        sixpulse.plan(MACHINE, engine_rpm=700, instrument=Instrument(**FACTS), system_v=12)  # type: ignore[arg-type]
    assert wrong.value.parameter == "engine_rpm"


ARGUMENTS = (
    "plan --engine-rpm 700 2500 --system-v 12 --pole-pairs 6 --pulley-ratio 2.7 --bits 8 --memory-samples 100000 "
    "--sample-rate-hz 1e4 2e4 5e4 1e5 --range-v 0.2 0.5 1 2 5 20 --ac-corner-hz 5 --probe-attenuation 1 --channels 2"
)


def test_the_command_prints_the_plan_and_its_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(ARGUMENTS.split()) == 0
    text = capsys.readouterr().out
    assert "The instrument can do it." in text and "alternator's bare metal case" in " ".join(text.split())
    assert cli.main([*ARGUMENTS.split(), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert Plan.from_dict(document).feasibility == "full"
    jsonschema.Draft202012Validator(json_schema("plan-1")).validate(document)
    assert cli.main([*ARGUMENTS.replace("--bits 8", "--bits 99").split()]) == 2
    assert "bits" in capsys.readouterr().err


def test_a_plan_that_cannot_be_carried_out_is_of_the_schema_too() -> None:
    plan = made(sample_rates_hz=[1e3], ranges_v=[0.1], ac_corner_hz=None, channels=1)
    assert plan.feasibility == "not_possible"
    validator = jsonschema.Draft202012Validator(json_schema("plan-1"))
    validator.validate(plan.to_dict())
    assert not validator.is_valid({**plan.to_dict(), "feasibility": "perhaps"})
