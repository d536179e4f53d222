"""The bundled captures: the examination finds what their circuit says, and the circuit makes them again."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sixpulse
from sixpulse import demo, text
from sixpulse.demo import make_captures
from sixpulse.demo.make_captures import CASES


@pytest.fixture(scope="module", params=demo.NAMES)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def capture(name: str) -> Any:
    return sixpulse.read(demo.path(name), roles=demo.ROLES)


@pytest.fixture(scope="module")
def examination(capture: Any) -> Any:
    return sixpulse.examine(capture)


def test_verdicts_are_those_of_the_circuit(name: str, examination: Any) -> None:
    truth = demo.truth(name)
    assert examination.quality.usable, examination.quality
    assert examination.rectifier.pattern == truth["pattern"]
    assert examination.contamination["speed"].verdict == truth["speed"]["verdict"]


def test_the_standing_tractor_shows_speed_only_with_the_fault(name: str, examination: Any) -> None:
    sensor = examination.contamination["speed"]
    assert sensor.own_frequency_hz is None
    if name == "parked":
        assert sensor.indicated_hz > 0
        assert sensor.explained_fraction > 0.9
    else:
        assert not sensor.indicated_hz


def test_figures_agree_with_the_circuit(name: str, examination: Any) -> None:
    truth = demo.truth(name)
    # The project's stated accuracy of the electrical frequency.
    assert examination.cycle.electrical_hz == pytest.approx(truth["electrical_hz"], rel=0.002)
    # Half a count of 1 mV and the mean of 12 500 noise samples of 3 mV: far below 1 mV.
    assert examination.level.mean_v == pytest.approx(truth["post_mean_v"], abs=0.001)
    # Noise of 3 mV adds in squares: 0.2 % of the smaller ripple's r.m.s., 49 mV.
    assert examination.ripple.rms_v == pytest.approx(truth["post_ripple_rms_v"], rel=0.004)
    # Extreme values of the noise at both ends: at most 5 standard deviations each.
    assert examination.ripple.peak_to_peak_v == pytest.approx(truth["post_peak_to_peak_v"], abs=0.03)


def test_transfer_to_the_sensor_agrees_with_the_circuit() -> None:
    found = sixpulse.examine(sixpulse.read(demo.path("parked"), roles=demo.ROLES)).contamination["speed"]
    truth = demo.truth("parked")["speed"]
    # The project's stated accuracy of the gain; half a sample for the delay.
    assert found.gain_v_per_v == pytest.approx(truth["gain_v_per_v"], rel=0.03)
    assert found.delay_s == pytest.approx(truth["delay_s"], abs=0.5 / make_captures.SAMPLE_RATE_HZ)


def test_both_forms_hold_the_same_record(name: str, capture: Any) -> None:
    counts = sixpulse.read(demo.counts_path(name), roles=demo.ROLES)
    assert counts.sample_rate_hz == pytest.approx(capture.sample_rate_hz)
    # Text: 0.1 mV at the post, 0.01 mV at the sensor; half of the last place.
    for column, last_place in (("post", 1e-4), ("speed", 1e-5)):
        assert counts[column].raw().dtype == np.int16
        assert (counts[column].coupling, counts[column].role) == (capture[column].coupling, capture[column].role)
        np.testing.assert_allclose(capture[column].values(), counts[column].values(), rtol=0, atol=0.51 * last_place)


def test_files_are_small(name: str) -> None:
    assert demo.path(name).stat().st_size < 400_000
    assert demo.counts_path(name).stat().st_size < 400_000


def test_no_such_capture() -> None:
    with pytest.raises(ValueError, match="parked, repaired"):
        demo.path("flying")


def test_truth_follows_from_the_netlist() -> None:
    stored = json.loads((make_captures.FOLDER / "truth.json").read_text(encoding="utf-8"))["captures"]
    assert set(stored) == set(CASES) == set(demo.NAMES)
    for case_name, case in CASES.items():
        assert stored[case_name]["circuit"] == case.parameters
        assert stored[case_name]["electrical_hz"] == pytest.approx(make_captures.mean_electrical_hz(), abs=1e-4)
    gain, delay = make_captures.coupling(CASES["parked"])
    # By hand: 0.3 / (0.3 + 1.8) * 10 / 11.1; (0.16 + 10e3 * 1.1e3 * 1e-9) / 11.1e3.
    assert gain == pytest.approx(0.128700, abs=1e-6)
    assert delay == pytest.approx(15.405e-6, abs=1e-9)
    assert stored["parked"]["speed"]["gain_v_per_v"] == pytest.approx(gain, abs=1e-5)
    assert stored["parked"]["speed"]["delay_s"] == pytest.approx(delay, abs=1e-8)


@pytest.mark.ngspice
@pytest.mark.parametrize("case_name", demo.NAMES)
def test_the_netlist_makes_the_captures_again(ngspice: str, case_name: str) -> None:
    assert Path(ngspice).is_file()
    case = CASES[case_name]
    post, speed = make_captures.simulate(case)
    with np.load(demo.counts_path(case_name)) as stored:
        for fresh, channel, column in ((post, case.post, "post"), (speed, case.speed, "speed")):
            error = channel.volts(stored[column]) - fresh
            # What was added: noise and a rounding of one count (variance 1/12). Another version of the simulator may
            # choose other time steps, which moves the waveform by below 1 % of its ripple.
            added = np.hypot(channel.noise_rms_v, channel.scale_v / np.sqrt(12))
            assert error.std() < 1.05 * added + 0.01 * fresh.std()
            assert abs(error.mean()) < 0.001


@pytest.mark.parametrize(("pulley_ratio", "said"), [(2.8, []), (1.4, ["Frequenz ist nicht die angegebene."])])
def test_a_machine_told_wrong_is_a_finding(pulley_ratio: float, said: list[str]) -> None:
    """Six pole pairs at 2.8 times 1000 1/min turn at 280 Hz; half the ratio on the papers does not bend the reading."""
    read = sixpulse.read(demo.path("parked"), roles={"post": "charging_post"})
    capture = sixpulse.Capture(dict(read.items()), engine_rpm=1000.0)
    found = sixpulse.examine(capture, machine=sixpulse.Machine(pole_pairs=6, pulley_ratio=pulley_ratio))
    assert found.cycle.electrical_hz == pytest.approx(280.0, rel=2e-3)
    assert [f.code for f in found.findings if f.code == "told_frequency_differs"] == ["told_frequency_differs"] * len(
        said
    )
    report = " ".join(text.render(found, language="de").split())
    assert [part for part in ["Frequenz ist nicht die angegebene."] if part in report] == said
