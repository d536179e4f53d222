"""Interventions: every outcome on made signals, the simulator's vehicles, captures that are not alike, bad input."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from numpy.typing import NDArray

import sixpulse
from sixpulse import Capture, Trace, cli, compare_interventions, errors
from sixpulse.compare import Interventions
from sixpulse.schema import json_schema

RATE = 50_000.0
NOISE_V = 0.004
SCHEMA = json_schema("interventions-1")


def bridge(hz: float, count: int, rate: float = RATE) -> NDArray[np.float64]:
    """One diode open, the closed form on a resistive load (REFERENCE-VALUES A2), level removed, 1 V between peaks."""
    angle = 2 * math.pi * hz * np.arange(count) / rate
    phases = np.cos(angle - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
    wave = phases[1:].max(axis=0) - phases.min(axis=0)
    return np.asarray((wave - wave.mean()) / np.ptp(wave))


def capture(
    ripple_v: float,
    gain: float = 0.25,
    *,
    seed: int,
    hz: float = 200.0,
    count: int = 20_000,
    rate: float = RATE,
    lines: tuple[tuple[float, float], ...] = (),
    rpm: float | None = None,
    role: str = "charging_post",
    sensor: str = "sensor",
) -> Capture:
    """Return a vehicle's capture: ripple peak to peak, its gain into the sensor, further (hertz, volts peak) lines."""
    rng = np.random.default_rng(seed)
    t = np.arange(count) / rate
    ripple = ripple_v * bridge(hz, count, rate)
    line = gain * ripple + sum(v * np.sin(2 * math.pi * f * t + f) for f, v in lines)
    noise = rng.normal(0.0, NOISE_V, (2, count))
    return Capture(
        {
            "post": Trace(13.5 + ripple + noise[0], sample_rate_hz=rate, coupling="dc", role=role),
            sensor: Trace(line + noise[1], sample_rate_hz=rate, coupling="dc", role="speed_sensor"),
        },
        engine_rpm=rpm,
    )


def check(found: Interventions, verdict: str, code: str) -> None:
    assert (found.verdict, found.code) == (verdict, code), found.reason
    assert found.circuits[found.circuit].reason == found.reason
    assert Interventions.from_json(found.to_json()) == found
    jsonschema.Draft202012Validator(SCHEMA).validate(found.to_dict())


def test_it_goes_with_the_ripple_and_returns() -> None:
    found = compare_interventions(capture(0.6, seed=1), capture(0.0, seed=2), capture(0.6, seed=3))
    check(found, "caused_by_charging_ripple", "follows_and_returns")
    before, during, after = found.stages
    # Power of the wave by NumPy; 24 orders hold all of it but 1e-3.
    expected = 0.6 * bridge(200.0, 20_000).std()
    assert before.ripple_rms_v == pytest.approx(expected, rel=2e-3)
    assert before.ripple_rms_v_low < expected * 1.001 and before.ripple_rms_v_high > expected * 0.999
    assert during.electrical_hz is None and during.ripple_rms_v_low == 0.0
    # Noise of 4 mV over 25 kHz leaves 0.5 mV in the bands; what is gone is known to be gone to a hundredth.
    assert during.ripple_rms_v_high < 0.01 * expected
    assert after.electrical_hz == pytest.approx(200.0, rel=1e-3)
    circuit = found.circuits["sensor"]
    assert circuit.stages[0].at_ripple_rms_v == pytest.approx(0.25 * expected, rel=5e-3)
    assert circuit.effect is not None and circuit.effect.ratio_high < 0.05 and circuit.effect.log_ratio is None
    back = circuit.effect_of_return
    assert back is not None and back.log_ratio is not None and back.log_ratio_std is not None
    assert abs(back.log_ratio) < 4 * back.log_ratio_std < 0.05
    assert back.ratio_low < 1 < back.ratio_high
    assert any("field" in caution and "engine and the ignition off" in caution for caution in found.cautions)
    assert any("battery" in caution and "while the engine runs" in caution for caution in found.cautions)


def test_without_a_return_capture() -> None:
    found = compare_interventions(capture(0.6, seed=1), capture(0.0, seed=2))
    check(found, "caused_by_charging_ripple", "follows_ripple")
    assert "no_return_capture" in {note.code for note in found.notes}
    assert "Restore" in found.circuits["sensor"].next_test
    not_restored = compare_interventions(capture(0.6, seed=1), capture(0.0, seed=2), capture(0.0, seed=3))
    assert not_restored.code == "follows_ripple"
    assert "ripple_not_restored" in {note.code for note in not_restored.notes}


def test_the_ripple_goes_and_the_circuit_stays() -> None:
    """A source of 120 mV at 333 Hz that is not the alternator."""
    other = ((333.0, 0.12),)
    found = compare_interventions(
        capture(0.6, 0.0, seed=1, lines=other),
        capture(0.0, 0.0, seed=2, lines=other),
        capture(0.6, 0.0, seed=3, lines=other),
    )
    check(found, "not_supported", "circuit_stays")
    assert "elsewhere" in found.circuits["sensor"].next_test


def test_a_source_on_the_ripples_own_frequency_stays() -> None:
    """Equal frequency proves nothing: 120 mV at order 1 of the ripple, from elsewhere."""
    other = ((200.0, 0.12),)
    found = compare_interventions(capture(0.6, 0.0, seed=1, lines=other), capture(0.0, 0.0, seed=2, lines=other))
    check(found, "not_supported", "circuit_stays")
    # Of the ripple itself, whose other orders are missing in the circuit, it carries nothing that 0.01 V/V would bring.
    circuit = found.circuits["sensor"]
    assert circuit.effect is None
    assert circuit.stages[0].at_ripple_rms_v_high < 0.02 * found.stages[0].ripple_rms_v
    assert circuit.stages[0].own_rms_v == pytest.approx(0.12 / math.sqrt(2), rel=0.02)


def test_the_intervention_did_not_act() -> None:
    found = compare_interventions(capture(0.6, seed=1), capture(0.55, seed=2))
    check(found, "undetermined", "ripple_unchanged")
    assert found.ripple_effect is not None and found.ripple_effect.log_ratio is not None
    assert found.ripple_effect.log_ratio == pytest.approx(math.log(0.55 / 0.6), abs=4e-3)


def test_the_circuit_never_shows_anything() -> None:
    found = compare_interventions(capture(0.6, 0.0, seed=1), capture(0.0, 0.0, seed=2))
    check(found, "undetermined", "circuit_below_noise")
    assert found.circuits["sensor"].effect is None


def test_the_sensor_turned_in_one_capture() -> None:
    """The wheel turns while the field is unplugged: the disturbance may have moved, nothing is proven."""
    turning = ((317.0, 0.5),)
    found = compare_interventions(capture(0.6, seed=1), capture(0.0, seed=2, lines=turning))
    check(found, "undetermined", "sensor_turned")
    assert "at rest" in found.circuits["sensor"].next_test


def test_a_wheel_that_turns_throughout_does_not_hide_it() -> None:
    turning = ((317.0, 0.5),)
    stages = [capture(v, seed=i, lines=turning) for i, v in enumerate((0.6, 0.0, 0.6))]
    found = compare_interventions(*stages)
    check(found, "caused_by_charging_ripple", "follows_and_returns")
    assert "own_signal_stays" in {note.code for note in found.notes}
    # The wheel's own lines count apart: 0.5 V peak beside a quarter of the ripple.
    first = found.circuits["sensor"].stages[0]
    assert first.at_ripple_rms_v == pytest.approx(0.25 * found.stages[0].ripple_rms_v, rel=0.02)
    assert first.own_rms_v == pytest.approx(0.5 / math.sqrt(2), rel=0.02)


def test_it_does_not_return() -> None:
    found = compare_interventions(capture(0.6, seed=1), capture(0.0, seed=2), capture(0.6, 0.0, seed=3))
    check(found, "undetermined", "did_not_return")


def test_the_engine_stopped() -> None:
    found = compare_interventions(capture(0.6, seed=1, rpm=800.0), capture(0.0, seed=2, rpm=0.0))
    check(found, "undetermined", "engine_stopped")


def test_no_ripple_to_begin_with() -> None:
    found = compare_interventions(capture(0.0, seed=1), capture(0.0, seed=2))
    check(found, "undetermined", "no_ripple_before")
    assert found.ripple_effect is None


@pytest.mark.parametrize(
    ("gain_later", "code"), [(1.1, "circuit_stays"), (0.6, "changes_less"), (0.02, "changes_more")]
)
def test_out_of_proportion(gain_later: float, code: str) -> None:
    """The ripple falls to 30 %; the circuit keeps all, falls to 60 %, or to 2 % of what it was."""
    later = capture(0.18, 0.25 * gain_later / 0.3, seed=2)
    verdict = "not_supported" if code == "circuit_stays" else "undetermined"
    check(compare_interventions(capture(0.6, seed=1), later), verdict, code)


def test_captures_that_are_not_alike() -> None:
    """Other lengths, rates, speeds and names."""
    before = capture(0.6, seed=1, hz=190.0, rpm=760.0)
    during = capture(0.0, seed=2, count=31_111, rate=100_000.0, rpm=1200.0, sensor="wheel")
    after = capture(0.5, seed=3, hz=300.0, count=9_000, rate=25_000.0, rpm=1200.0)
    found = compare_interventions(before, during, after)
    check(found, "caused_by_charging_ripple", "follows_and_returns")
    assert "engine_speed_changed" in {note.code for note in found.notes}
    assert "engine_speed_unknown" not in {note.code for note in found.notes}


def test_dose_response() -> None:
    """Steps of load: the slope is the gain, whatever the ripple; the line goes through the origin."""
    steps = [capture(v, seed=10 + i) for i, v in enumerate((0.45, 0.3, 0.15))]
    found = compare_interventions(capture(0.6, seed=1), steps, capture(0.6, seed=2))
    check(found, "caused_by_charging_ripple", "follows_and_returns")
    assert found.step == 3 and len(found.stages) == 5
    dose = found.circuits["sensor"].dose_response
    assert dose is not None and dose.stages == 5
    assert dose.slope_v_per_v == pytest.approx(0.25, abs=max(4 * dose.slope_v_per_v_std, 5e-4))
    assert dose.slope_v_per_v_low < 0.25 < dose.slope_v_per_v_high
    assert dose.through_origin
    # Against NumPy's straight line, unweighted: the same data, so the two agree within their uncertainty.
    ripple = [stage.ripple_rms_v for stage in found.stages]
    circuit = [stage.at_ripple_rms_v for stage in found.circuits["sensor"].stages]
    slope, intercept = np.polyfit(ripple, circuit, 1)
    assert dose.free_slope_v_per_v == pytest.approx(slope, abs=6 * dose.free_slope_v_per_v_std)
    assert dose.intercept_v == pytest.approx(intercept, abs=6 * dose.intercept_v_std)
    increase = compare_interventions(capture(0.2, seed=1), capture(0.6, seed=2))
    check(increase, "caused_by_charging_ripple", "follows_ripple")


def test_the_battery_stands_in_where_the_post_is_missing() -> None:
    stages = [capture(v, seed=i, role="battery_post") for i, v in enumerate((0.6, 0.0))]
    found = compare_interventions(*stages)
    check(found, "caused_by_charging_ripple", "follows_ripple")
    assert found.supply_role == "battery_post"
    assert "measured_at_battery" in {note.code for note in found.notes}


def test_several_circuits() -> None:
    """The disturbed one decides; each has its own verdict."""
    stages = []
    for seed, v in enumerate((0.6, 0.0)):
        made = capture(v, seed=seed)
        clean = capture(v, 0.0, seed=9 + seed, lines=((333.0, 0.2),), sensor="other")
        stages.append(Capture({"post": made["post"], "other": clean["other"], "sensor": made["sensor"]}))
    found = compare_interventions(*stages)
    check(found, "caused_by_charging_ripple", "follows_ripple")
    assert found.circuit == "sensor"
    assert found.circuits["other"].verdict == "not_supported"


@pytest.mark.parametrize(
    ("seed", "mode", "verdict"),
    [
        (1, "contaminated_still", "caused_by_charging_ripple"),
        (7, "contaminated_turning", "caused_by_charging_ripple"),
        (9, "contaminated_turning", "caused_by_charging_ripple"),  # switched sensor
        (4, "clean_turning", "not_supported"),
        (5, "clean_turning", "not_supported"),
        (6, "clean_still", "undetermined"),
    ],
)
def test_simulated_field_unplugged(seed: int, mode: str, verdict: str) -> None:
    """The simulator's vehicle with its field off keeps battery, loads, noise and a turning wheel; the path stays."""
    scenario = sixpulse.Scenario.draw(
        seed=seed, pattern="open_diode", sensor_mode=mode, bits=12, cycles=60, sample_rate_hz=100_000.0
    )
    winding = scenario.to_dict()["circuit"]["alternator"]["excitation"]["winding"]
    field = {"kind": "fixed_field", "field_a": 0.01, "winding": winding}  # 10 mA stand for remanence
    off: dict[str, Any] = {"circuit__alternator__excitation": field, "fault": "custom"}
    stages = [scenario, scenario.replace(member=1, **off), scenario.replace(member=2)]
    captures = [sixpulse.simulate(stage)[0] for stage in stages]
    found = compare_interventions(*captures)
    assert found.verdict == verdict, found.reason
    assert found.stages[1].ripple_rms_v_high < 0.1 * found.stages[0].ripple_rms_v


@pytest.mark.parametrize(
    "spoil",
    [
        lambda document: document.pop("stages"),
        lambda document: document.update(schema_version=2),
        lambda document: document["circuits"]["sensor"].update(code="broken"),
        lambda document: document["ripple_effect"].update(ratio="half"),
    ],
)
def test_spoilt_documents_are_refused(spoil: Any) -> None:
    document = compare_interventions(capture(0.6, seed=1), capture(0.0, seed=2)).to_dict()
    spoil(document)
    with pytest.raises(errors.InvalidDocumentError) as caught:
        Interventions.from_dict(document)
    assert caught.value.parameter.startswith("Interventions")
    assert not jsonschema.Draft202012Validator(SCHEMA).is_valid(document)


def test_bad_input() -> None:
    before, during = capture(0.6, seed=1), capture(0.0, seed=2)
    with pytest.raises(errors.EmptyInputError, match="during"):
        compare_interventions(before, [])
    with pytest.raises(errors.InvalidCombinationError, match="circuit"):
        compare_interventions(Capture({"post": before["post"]}), during)
    with pytest.raises(errors.InvalidCombinationError, match="same point"):
        compare_interventions(before, capture(0.0, seed=2, role="battery_post"))
    twins = Capture({"post": during["post"], "a": during["sensor"], "b": during["sensor"]})
    with pytest.raises(errors.InvalidCombinationError, match="sensor"):
        compare_interventions(before, twins)
    for wrong in ((3, during), (before, [3]), (before, during, 3)):
        with pytest.raises(errors.WrongTypeError):
            compare_interventions(*wrong)  # type: ignore[arg-type]
    short = capture(0.0, seed=2, count=40)
    with pytest.raises(errors.TooShortError):
        compare_interventions(before, short)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    folder: Path = tmp_path_factory.mktemp("intervention")
    paths = []
    for name, ripple_v in (("before", 0.6), ("during", 0.0), ("after", 0.6)):
        made = capture(ripple_v, seed=len(paths), count=10_000)
        battery = made["post"].values()
        battery = battery.mean() + 0.6 * (battery - battery.mean())
        traces = {n: made[n] for n in made.names}
        traces["battery"] = Trace(battery, sample_rate_hz=RATE, coupling="dc", role="battery_post")
        paths.append(str(folder / f"{name}.npz"))
        sixpulse.write_npz(paths[-1], Capture(traces))
    return paths


ROLES = ["--role", "post=charging_post", "--role", "sensor=speed_sensor", "--role", "battery=battery_post"]


def test_command_line(files: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["compare", "interventions", *files, *ROLES]) == 0
    out = capsys.readouterr().out
    assert out.startswith("The disturbance is caused by the charging ripple. (follows_and_returns)")
    assert "Before you touch anything" in out and max(map(len, out.splitlines())) <= 100
    assert cli.main(["compare", "interventions", *files[:2], "--step", files[2], *ROLES, "--json", "-"]) == 0
    assert len(json.loads(capsys.readouterr().out)["stages"]) == 3
    speeds = [f"{files[0]}=800", "--engine-rpm", f"{files[1]}=0"]
    assert cli.main(["compare", "interventions", *files, *ROLES, "--engine-rpm", *speeds, "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [stage["engine_rpm"] for stage in document["stages"]] == [800.0, 0.0, None]
    assert document["code"] == "engine_stopped"
    target = tmp_path / "points.json"
    assert cli.main(["compare", "points", files[0], *ROLES, "--json", str(target)]) == 0
    assert "Let through: 60" in capsys.readouterr().out
    points = json.loads(target.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(json_schema("points-1")).validate(points)
    assert points["attenuation"] == pytest.approx(0.6, rel=5e-3)


def test_command_line_in_german(files: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    english = re.compile(r"\b(the|and|of|with|is|not|from|alternator|ripple|order|Note|Circuit)\b")
    for words in (["interventions", *files], ["interventions", *files[:2]], ["points", files[0]]):
        assert cli.main(["compare", *words, *ROLES, "--language", "de"]) == 0
        out = capsys.readouterr().out
        assert not english.search(out), english.search(out)
    assert cli.main(["compare", "interventions", *files, *ROLES, "--language", "de"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Die Störung kommt von der Ladewelligkeit. (follows_and_returns)")
    assert "die Störung geht mit der Welligkeit und kommt mit ihr wieder" in " ".join(out.split())


BAD: dict[str, Any] = {
    "no such file": lambda files: ["points", files[0] + ".absent", *ROLES],
    "no battery": lambda files: ["points", files[0], "--role", "post=charging_post"],
    "delay": lambda files: ["points", files[0], *ROLES, "--current-delay-s", "7"],
    "no circuit": lambda files: ["interventions", *files, "--role", "post=charging_post"],
    "speed of another file": lambda files: ["interventions", *files, *ROLES, "--engine-rpm", "absent.npz=800"],
    "speed twice": lambda files: ["points", files[0], *ROLES, "--engine-rpm", "800", "--engine-rpm", "900"],
    "speed in words": lambda files: ["points", files[0], *ROLES, "--engine-rpm", "idle"],
    "one file": lambda files: ["interventions", files[0], *ROLES],
    "nothing": lambda _: [],
    "unknown": lambda files: ["teeth", files[0]],
}


@pytest.mark.parametrize("case", BAD)
def test_command_line_bad_input(case: str, files: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    try:
        status = cli.main(["compare", *BAD[case](files)])
    except SystemExit as stop:
        status = int(stop.code or 0)
    out, err = capsys.readouterr()
    assert (status, out) == (2, "")
    assert err.startswith("sixpulse") and err.count("\n") == 1
