"""Voltmeter view: closed forms, SciPy's filters, the mean cycle against the record, limits, findings, bad input."""

from __future__ import annotations

import dataclasses
import json
import math
import pickle
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy import signal

import sixpulse
from captures import sprayer
from sixpulse import Trace, cli, errors
from sixpulse.meter import AVERAGE_HANDHELD, TRUE_RMS_HANDHELD, Meter, MeterReading, of_cycle, reading
from sixpulse.schema import json_schema

RATE = 100_000.0


def meter(response: str, bandwidth_hz: float = 1e6, corner_hz: float = 0.01, resolution_v: float = 1e-9) -> Meter:
    return Meter(
        response=response,  # type: ignore[arg-type]
        bandwidth_hz=bandwidth_hz,
        coupling_corner_hz=corner_hz,
        resolution_v=resolution_v,
    )


def trace(samples: object, role: str = "charging_post") -> Trace:
    return Trace(np.asarray(samples), sample_rate_hz=RATE, coupling="dc", role=role)


ANGLE = 2 * np.pi * 100 * np.arange(100_000) / RATE
MEAN_SIN = 2 / math.pi
#: Wave, its r.m.s., its mean magnitude about the mean: handbook integrals.
CLOSED_FORMS = {
    "sine": (np.sin(ANGLE), math.sqrt(0.5), 2 / math.pi),
    "rectified sine": (
        np.abs(np.sin(ANGLE)),
        math.sqrt(0.5 - MEAN_SIN**2),
        4 / math.pi * (math.sqrt(1 - MEAN_SIN**2) - MEAN_SIN * math.acos(MEAN_SIN)),
    ),
    "square": (np.where(np.arange(100_000) % 1000 < 500, 1.0, -1.0), 1.0, 1.0),
    "triangle": (signal.sawtooth(ANGLE, width=0.5), 1 / math.sqrt(3), 0.5),
}


@pytest.mark.parametrize("name", CLOSED_FORMS)
def test_closed_forms(name: str) -> None:
    wave, rms, magnitude = CLOSED_FORMS[name]
    measured = trace(14.2 + wave)
    true_rms, average = (reading(measured, meter=meter(r)) for r in ("true_rms", "average_responding"))
    # 1000 samples a period: the corners of the waves cost up to 1e-3 of a sample's share, 2e-4 in all.
    assert true_rms.unrounded_v == pytest.approx(rms, rel=5e-4)
    assert average.unrounded_v == pytest.approx(magnitude * math.pi / (2 * math.sqrt(2)), rel=5e-4)
    assert true_rms.form_factor == pytest.approx(rms / magnitude, rel=1e-3)
    assert true_rms.crest_factor is not None
    assert true_rms.crest_factor == pytest.approx(np.abs(wave - wave.mean()).max() / rms, rel=2e-3)
    # The crest-factor error of the average-responding meter.
    assert average.shown_fraction == pytest.approx(magnitude * math.pi / (2 * math.sqrt(2)) / rms, rel=1e-3)


def first_order(corner_hz: float) -> tuple[list[float], list[float]]:
    """SciPy's discretisation of a first-order low-pass, exact for straight lines between samples."""
    w = 2 * math.pi * corner_hz
    b, a, _ = signal.cont2discrete(([w], [1.0, w]), 1 / RATE, method="foh")
    return b.ravel().tolist(), a.tolist()


@pytest.mark.parametrize(("bandwidth_hz", "corner_hz"), [(400.0, 10.0), (1e3, 40.0), (20e3, 5.0), (200e3, 20.0)])
def test_filters_agree_with_scipy(bandwidth_hz: float, corner_hz: float) -> None:
    """The same filters by `cont2discrete` and `lfilter`, run in over a repetition of the record."""
    volts = 14.2 + 0.3 * np.abs(np.sin(ANGLE)) + 0.1 * np.sign(np.sin(3 * ANGLE + 0.2))
    ac = volts - volts.mean()
    twice = np.concatenate([ac, ac])
    coupled = twice - signal.lfilter(*first_order(corner_hz), twice)
    shown = signal.lfilter(*first_order(bandwidth_hz), coupled)[ac.size :]
    for response, wanted in (
        ("true_rms", math.sqrt((shown**2).mean())),
        ("average_responding", np.abs(shown).mean() * math.pi / (2 * math.sqrt(2))),
    ):
        found = reading(trace(volts), meter=meter(response, bandwidth_hz, corner_hz))
        # The record's start: SciPy's has settled, ours is fitted away; 100 cycles leave 1e-3 of it.
        assert found.unrounded_v == pytest.approx(wanted, rel=1e-3)
        assert found.rms_v == pytest.approx(math.sqrt((coupled[ac.size :] ** 2).mean()), rel=1e-3)


def test_short_record_is_not_misled_by_the_couplings_start() -> None:
    """Two and a half periods behind a corner of 10 Hz, started anywhere: within 8 % (whole periods would be exact)."""
    for start in np.linspace(0, 2 * math.pi, 7):
        wave = np.sin(2 * np.pi * 100 * np.arange(2500) / RATE + start)
        found = reading(trace(14 + wave), meter=meter("true_rms", 1e6, 10.0))
        assert found.unrounded_v == pytest.approx(math.sqrt(0.5), rel=0.08)


def test_mean_cycle_and_record_agree() -> None:
    """Two roads: filters over time, and the orders of the mean cycle through the filters' responses."""
    capture = sprayer()
    examination = sixpulse.examine(capture)
    for one in (AVERAGE_HANDHELD, TRUE_RMS_HANDHELD):
        by_cycle = of_cycle(examination.cycle, role="charging_post", meter=one)
        by_record = reading(capture["post"], meter=one)
        assert by_cycle is not None
        # Noise of 4 mV counts in the record alone: 0.5 % of the r.m.s. ripple.
        assert by_cycle.unrounded_v == pytest.approx(by_record.unrounded_v, rel=0.01)
    silent = sixpulse.examine(sixpulse.Capture({"post": trace(np.full(20_000, 12.4))}))
    assert of_cycle(silent.cycle, role="charging_post", meter=AVERAGE_HANDHELD) is None


def test_limits_and_what_they_miss() -> None:
    found = reading(trace(14 + 0.45 * np.sin(ANGLE * 12)), meter=AVERAGE_HANDHELD)
    # 0.318 V r.m.s. at 1200 Hz, of which 1 kHz leave 0.64: 0.204 V.
    assert found.indicated_v == pytest.approx(0.204, abs=0.001)
    assert [limit.outcome for limit in found.limits] == ["below", "below", "above"]
    assert all("common practice" in limit.source for limit in found.limits)
    assert any("64 %" in line for line in found.misses)
    assert any("convicts nobody" in line for line in found.misses)
    at_battery = reading(trace(14 + np.sin(ANGLE), role="battery_post"), meter=TRUE_RMS_HANDHELD)
    assert any("cushions" in line for line in at_battery.misses)
    on_limit = reading(trace(14 + 0.5 * math.sqrt(2) * np.sin(ANGLE)), meter=meter("true_rms", resolution_v=0.01))
    assert on_limit.limits[0].outcome == "at_limit"
    assert reading(trace(np.sin(ANGLE), role="speed_sensor"), meter=TRUE_RMS_HANDHELD).limits == ()
    assert MeterReading.from_json(found.to_json()) == found


def test_findings() -> None:
    examination = sixpulse.examine(sprayer())
    codes = {finding.code: finding for finding in examination.findings}
    shown = codes["meter_view"]
    assert "AC voltmeter" in shown.statement and any("0.5 V" in line for line in shown.evidence)
    check = codes["check_without_oscilloscope"]
    assert check.next_test is not None
    assert "engine and ignition off" in check.next_test and "Never disconnect the battery" in check.next_test
    assert any("falls to zero" in line for line in check.evidence)


def test_meters_are_values() -> None:
    assert pickle.loads(pickle.dumps(AVERAGE_HANDHELD)) == AVERAGE_HANDHELD
    assert dataclasses.replace(AVERAGE_HANDHELD, resolution_v=0.01).resolution_v == 0.01
    assert AVERAGE_HANDHELD.response == "average_responding" and TRUE_RMS_HANDHELD.response == "true_rms"


def test_bad_input() -> None:
    for wrong in ({"bandwidth_hz": 0.0}, {"corner_hz": 2e6}, {"corner_hz": math.nan}, {"resolution_v": -1.0}):
        with pytest.raises(errors.OutOfRangeError):
            meter("true_rms", **wrong)
    with pytest.raises(errors.UnknownNameError):
        meter("peak")
    with pytest.raises(errors.WrongTypeError):
        meter("true_rms", bandwidth_hz="wide")  # type: ignore[arg-type]
    with pytest.raises(errors.WrongTypeError):
        reading(trace(np.sin(ANGLE)), meter=3)  # type: ignore[arg-type]
    with pytest.raises(errors.TooShortError):
        reading(trace(np.ones(15)), meter=AVERAGE_HANDHELD)
    examination = sixpulse.examine(sprayer())
    with pytest.raises(errors.UnknownNameError):
        of_cycle(examination.cycle, role="gearbox", meter=AVERAGE_HANDHELD)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("meter") / "sprayer.npz"
    sixpulse.write_npz(path, sprayer())
    return str(path)


ROLE = ["--role", "post=charging_post"]


def test_command_line(stored: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["meter", stored, *ROLE]) == 0
    out = capsys.readouterr().out
    assert out.startswith('"post"\n  Average-responding meter:') and "True-r.m.s. meter:" in out
    assert "What such a reading misses" in out and max(map(len, out.splitlines())) <= 100
    target = tmp_path / "readings.json"
    assert cli.main(["meter", stored, *ROLE, "--bandwidth-hz", "400", "--json", str(target)]) == 0
    document = json.loads(target.read_text(encoding="utf-8"))
    narrow = dataclasses.replace(TRUE_RMS_HANDHELD, bandwidth_hz=400.0)
    assert MeterReading.from_dict(document["post"]["true_rms"]) == reading(sprayer()["post"], meter=narrow)
    schema = jsonschema.Draft202012Validator(json_schema("meter_reading-1"))
    assert set(document["post"]) == {"average_responding", "true_rms"}
    for one in document["post"].values():
        schema.validate(one)


@pytest.mark.parametrize("words", [["--bandwidth-hz", "-1"], ["--resolution-v", "x"], ["--role", "absent=other"]])
def test_command_line_bad_input(words: list[str], stored: str, capsys: pytest.CaptureFixture[str]) -> None:
    try:
        status = cli.main(["meter", stored, *ROLE, *words])
    except SystemExit as stop:
        status = int(stop.code or 0)
    out, err = capsys.readouterr()
    assert (status, out) == (2, "")
    assert err.startswith("sixpulse") and err.count("\n") == 1
