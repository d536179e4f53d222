"""The simulator from Python: draws, truth, instrument and sensor against SciPy, NumPy and closed forms."""

from __future__ import annotations

import json
import pickle
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import sixpulse
from sixpulse import errors
from sixpulse._core import _sim
from sixpulse.cli import main
from sixpulse.simulation import Scenario, Truth, simulate, simulate_family

signal = pytest.importorskip("scipy.signal", reason="SciPy is the outside reference of these tests")

Float = NDArray[np.float64]

FAULTS = {
    "healthy": "healthy",
    "open_diode": "open_diode",
    "shorted_diode": "shorted_diode",
    "open_phase": "open_phase",
    "two_open_same_rail": "two_open_diodes",
    "two_open_opposite": "two_open_diodes",
    "resistive_joint": "imbalance",
    "weak_phase": "imbalance",
    "leaking_diode": "imbalance",
    "not_charging": "not_charging",
}
CONDITIONS = ("poor_battery", "switched_load", "uneven_engine", "ramp")
SCOPE: dict[str, Any] = {
    "sample_rate_hz": 50_000.0,
    "samples": 1000,
    "bits": 12,
    "divisions": 10,
    "undersampling": "refuse",
    "dropout": None,
}
CHANNEL: dict[str, Any] = {
    "coupling": "dc",
    "coupling_corner_hz": 5.0,
    "bandwidth_hz": 20e6,
    "probe_factor": 1.0,
    "noise_v": 0.0,
    "range": {"kind": "given", "full_scale_v": 5.0, "offset_v": 0.0},
}


def record(values: Float, *, rate_hz: float, repeat: int = 0, **changes: Any) -> sixpulse.Trace:
    channel = {**CHANNEL, **{k: v for k, v in changes.items() if k in CHANNEL}}
    scope = {**SCOPE, **{k: v for k, v in changes.items() if k in SCOPE}}
    return _sim.instrument_record(
        values,
        rate_hz=rate_hz,
        repeat=repeat,
        channel=json.dumps(channel),
        scope=json.dumps(scope),
        role="charging_post",
        seed=1,
    )


# ---- random numbers ---------------------------------------------------------------------------------------------


def split_mix(state: int) -> int:
    mask = 2**64 - 1
    z = (state + 0x9E3779B97F4A7C15) & mask
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & mask
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & mask
    return z ^ (z >> 31)


def numpy_generator(seed: int, member: int) -> np.random.PCG64DXSM:
    """NumPy's PCG64DXSM put into the state that the library documents."""
    mask = 2**128 - 1
    start = (split_mix(seed) << 64) | split_mix(member ^ 0x6A09E667F3BCC909)
    increment = 2 * 1 + 1
    state = ((start + increment) * 15750249268501108917 + increment) & mask
    generator = np.random.PCG64DXSM()
    # NumPy's stubs type the state of every generator alike.
    content: Any = generator.state
    content["state"] = {"state": state, "inc": increment}
    generator.state = content
    return generator


@pytest.mark.parametrize(("seed", "member"), [(0, 0), (1, 0), (1, 1), (2**64 - 1, 12345)])
def test_the_raw_stream_is_numpys(seed: int, member: int) -> None:
    assert np.array_equal(_sim.random_raw(seed, member, 1000), numpy_generator(seed, member).random_raw(1000))


def test_normal_numbers_are_box_and_mullers() -> None:
    uniform = np.random.Generator(numpy_generator(9, 4)).random(2000)
    radius = np.sqrt(-2 * np.log(1 - uniform[::2]))
    law = np.column_stack([radius * np.cos(2 * np.pi * uniform[1::2]), radius * np.sin(2 * np.pi * uniform[1::2])])
    # Two mathematics libraries: a few units in the last place, on values up to about 5.
    np.testing.assert_allclose(_sim.random_normal(9, 4, 2000), law.ravel(), rtol=0, atol=5e-14)


# ---- instrument -------------------------------------------------------------------------------------------------


def test_quantiser_is_numpys_rounding() -> None:
    rng = np.random.default_rng(1)
    values = rng.uniform(-6.0, 6.0, 1000)
    trace = record(values, rate_hz=50_000.0, bandwidth_hz=1e10)
    step = 10.0 / 4096
    law = np.clip(np.floor(values / step + 0.5), -2048, 2047)
    assert trace.scale == step
    # The 10 GHz front end moves a sample by 1e-6 of a jump: a count changes only next to a threshold.
    assert np.mean(trace.raw() != law) <= 2e-3
    assert np.abs(trace.raw() - law).max() <= 1


@pytest.mark.parametrize("bandwidth_hz", [10.0, 40.0, 3000.0])
def test_bandwidth_is_scipys_lsim(bandwidth_hz: float) -> None:
    rate = 500_000.0
    time = np.arange(10_000) / rate
    wave = np.asarray(2.0 * (time > 2e-3) + np.sin(2 * np.pi * 800 * time), dtype=np.float64)
    trace = record(wave, rate_hz=rate, bandwidth_hz=bandwidth_hz, bits=16)
    # lsim holds the input to first order: the same discretisation, written independently.
    system = signal.TransferFunction([1.0], [1 / (2 * np.pi * bandwidth_hz), 1.0])
    law = signal.lsim(system, wave, time)[1][::10]
    assert np.abs(trace.values() - law).max() < 0.51 * 10 / 65536


def test_ac_coupling_is_scipys_lsim_once_settled() -> None:
    rate, corner_hz, hz = 500_000.0, 5.0, 250.0
    cycles = 5
    time = np.arange(int(rate * cycles / hz)) / rate
    wave = 14.0 + 0.5 * np.sin(2 * np.pi * hz * time) + 0.3 * (np.sin(2 * np.pi * hz * time) > 0)
    trace = record(wave, rate_hz=rate, repeat=wave.size, coupling="ac", coupling_corner_hz=corner_hz, bits=16)
    tau = 1 / (2 * np.pi * corner_hz)
    system = signal.TransferFunction([tau, 0.0], [tau, 1.0])
    # 100 repetitions are 2 s, 63 time constants: settled to 1e-27.
    long = np.tile(wave, 100)
    settled = signal.lsim(system, long, np.arange(long.size) / rate)[1][-wave.size :: 10]
    # Half a step of +-5 V over 65536 codes, and the 20 MHz front end: 0.3 V x 4e-3 next to the jumps.
    assert np.abs(trace.values() - settled).max() < 0.51 * 10 / 65536 + 2e-3
    assert trace.coupling_corner_hz == corner_hz


def test_a_rate_chosen_badly_aliases() -> None:
    rate = 2_000_000.0
    time = np.arange(40_000) / rate
    trace = record(np.sin(2 * np.pi * 51_000 * time), rate_hz=rate, bits=16)
    seen = np.abs(np.fft.rfft(trace.values() * np.hanning(1000)))
    # 51 kHz at 50 kS/s stands at 1 kHz: bin 20 of 1000 samples.
    assert int(np.argmax(seen)) == 20


# ---- sensor -----------------------------------------------------------------------------------------------------


def sensor(tooth_hz: float, paths: list[dict[str, Any]] | None = None, **element: float) -> str:
    coil = {
        "kind": "variable_reluctance",
        "volts_per_hz": 0.003,
        "run_out": 0.0,
        "tooth_variation": 0.0,
        "coil_ohm": 1200.0,
        "coil_h": 0.6,
        "load_ohm": 10_000.0,
        **element,
    }
    ring = {"teeth": 60, "missing_teeth": 0, "tooth_hz": tooth_hz, "ramp": 0.0, "start": 0.0}
    conditioner = {"kind": "fixed_hysteresis", "upper_v": 0.1, "lower_v": -0.1}
    return json.dumps({"element": coil, "ring": ring, "paths": paths or [], "conditioner": conditioner})


def line(text: str, post: Float, *, rate_hz: float = 500_000.0) -> Float:
    return _sim.sensor_signal(text, post_v=post, battery_v=post, cable_a=post, rate_hz=rate_hz, seed=1)[1]


def test_coil_amplitude_grows_with_speed() -> None:
    still = np.full(100_000, 14.0)
    speeds = np.array([100.0, 200.0, 400.0, 800.0])
    got = np.array([np.abs(line(sensor(hz), still)[50_000:]).max() for hz in speeds])
    pole = (1200 + 10_000) / (2 * np.pi * 0.6)
    law = 0.003 * speeds * (10_000 / 11_200) / np.sqrt(1 + (speeds / pole) ** 2)
    # Straight lines between at least 600 points a cycle: (2 pi / 600)^2 / 8.
    np.testing.assert_allclose(got, law, rtol=1e-4)


def test_paths_are_scipys_filters() -> None:
    rate = 500_000.0
    time = np.arange(100_000) / rate
    post = 14.0 + 0.3 * np.sin(2 * np.pi * 200 * time) + 0.1 * np.sin(2 * np.pi * 1200 * time)
    ripple = post - post.mean()
    late = {"kind": "gain_delay", "source": "post", "gain_v_per_v": -0.4, "delay_s": 40e-6}
    np.testing.assert_allclose(line(sensor(0.0, [late]), post)[20:], -0.4 * ripple[:-20], atol=1e-12)
    for kind, top in (("supply_feed_through", [1.0]), ("capacitive", [1 / (2 * np.pi * 900), 0.0])):
        path = {"kind": kind, "gain_v_per_v": 0.5, "corner_hz": 900.0}
        system = signal.TransferFunction(top, [1 / (2 * np.pi * 900), 1.0])
        law = 0.5 * signal.lsim(system, ripple, time)[1]
        # Both start differently; 20 ms are 113 time constants.
        np.testing.assert_allclose(line(sensor(0.0, [path]), post)[10_000:], law[10_000:], atol=1e-9)


def test_conditioners_count_known_waves() -> None:
    rate = 200_000.0
    time = np.arange(200_000) / rate
    adaptive = json.dumps(
        {"kind": "adaptive_peak", "fraction": 1 / 3, "minimum_v": 0.03, "decay_s": 0.05, "watchdog_s": 0.085}
    )
    own = np.sin(2 * np.pi * 200 * time)
    ripple = np.sin(2 * np.pi * 1134 * time)
    pulses, hz = _sim.conditioner_count(adaptive, own, rate_hz=rate)
    # The falling crossings at half cycles: 200 in the second.
    assert pulses == 200
    assert hz == pytest.approx(200.0, abs=1e-3)
    # At rest the threshold has decayed to 30 mV: the ripple is counted, or it is not.
    assert _sim.conditioner_count(adaptive, 0.05 * ripple, rate_hz=rate)[1] == pytest.approx(1134.0, abs=0.01)
    assert _sim.conditioner_count(adaptive, 0.02 * ripple, rate_hz=rate) == (0, 0.0)
    # REFERENCE: E5, arming at a third of the previous peak: a tenth of the peak adds nothing.
    assert _sim.conditioner_count(adaptive, own + 0.1 * ripple, rate_hz=rate)[1] == pytest.approx(200.0, abs=0.5)
    assert _sim.conditioner_count(adaptive, own + 0.9 * ripple, rate_hz=rate)[1] > 220.0


# ---- scenarios --------------------------------------------------------------------------------------------------


def walk(value: Any, name: str) -> list[Any]:
    """Every value under that name in a tree."""
    if isinstance(value, dict):
        here = [value[name]] if name in value else []
        return here + [found for item in value.values() for found in walk(item, name)]
    if isinstance(value, list):
        return [found for item in value for found in walk(item, name)]
    return []


def test_a_thousand_draws_stay_inside_the_documented_ranges() -> None:
    faults: dict[str, int] = {}
    for member in range(1000):
        document = Scenario.draw(seed=11, member=member).to_dict()
        circuit, scope = document["circuit"], document["scope"]
        drive, machine, network = circuit["drive"], circuit["alternator"], circuit["network"]
        engine = drive["engine"]
        rpm = 0.5 * (engine["from_rpm"] + engine["to_rpm"])
        hz = rpm / 60 * drive["belt_ratio"] * (1 - drive["slip"]) * machine["pole_pairs"]
        assert 89.9 <= hz <= 750.1
        assert machine["pole_pairs"] in (6, 7, 8)
        assert 1.8 <= drive["belt_ratio"] <= 3.3
        assert abs(engine["to_rpm"] / engine["from_rpm"] - 1) <= 0.51
        assert all(h["ratio"] <= 0.05 for h in drive["irregularity"]["harmonics"])
        volts = 2.0 if network["battery"]["emf_v"] > 20 else 1.0
        assert 11.8 <= network["battery"]["emf_v"] / volts <= 15.1
        assert 3e-3 <= network["battery"]["resistance_ohm"] / volts <= 0.12
        assert 50e-9 <= network["battery"]["inductance_h"] / volts <= 3.5e-6
        assert 2e-3 <= network["cable"]["resistance_ohm"] <= 0.02
        assert 0.4e-6 <= network["cable"]["inductance_h"] <= 5e-6
        assert network["capacitor"] is None or 0.3e-6 <= network["capacitor"]["farad"] <= 5e-6
        assert scope["bits"] in (8, 10, 12, 16)
        assert 20e3 <= scope["sample_rate_hz"] <= 1e6
        assert scope["sample_rate_hz"] >= 26 * hz
        assert scope["samples"] <= 600_001
        assert all(1e-3 <= noise <= 0.025 for noise in walk(document["channels"], "noise_v"))
        if (probe := document["sensor"]) is not None:
            assert probe["ring"]["tooth_hz"] == 0 or 89 <= probe["ring"]["tooth_hz"] <= 1500
        faults[document["fault"]] = faults.get(document["fault"], 0) + 1
    assert set(faults) == set(FAULTS)
    # 34 % of 1000 within four standard deviations, 15 each.
    assert 280 <= faults["healthy"] <= 400


@pytest.mark.parametrize("fault", sorted(FAULTS))
@pytest.mark.parametrize("condition", ["", *CONDITIONS])
def test_every_kind_simulates_and_its_truth_agrees(fault: str, condition: str) -> None:
    kind = f"{fault}_{condition}" if condition else fault
    scenario = Scenario.draw(seed=5, pattern=kind, cycles=10)
    capture, truth = simulate(scenario)
    assert truth.pattern == FAULTS[fault]
    # Without a condition asked for, one is drawn.
    assert truth.sub_kind == kind if condition else truth.sub_kind.startswith(fault)
    assert bool(truth.faults) == (fault not in ("healthy", "not_charging"))
    assert Truth.from_json(truth.to_json()) == truth
    post = capture["post"]
    assert post.duration_s == pytest.approx(scenario.duration_s)
    step, noise = truth.traces[0].step, truth.traces[0].noise
    corner_ok = post.coupling == "dc"
    if corner_ok:
        assert post.values().mean() == pytest.approx(truth.post.mean_v, abs=step + noise)
    assert truth.electrical_track.electrical_hz.mean() == pytest.approx(truth.electrical_hz, rel=5e-3)
    assert truth.post.synchronous_rms_v <= truth.post.rms_v * 1.05 + 1e-9


def test_a_capture_shows_what_its_truth_says() -> None:
    scenario = Scenario.draw(
        seed=21,
        pattern="open_diode",
        electrical_hz=200.0,
        cycles=40,
        sample_rate_hz=200_000.0,
        bits=16,
        coupling="dc",
        system_v=12,
        sensor_mode="contaminated_still",
        channels={"post": {"noise_v": 0.0, "bandwidth_hz": 20e6}},
    ).replace(ramp=0.0)
    capture, truth = simulate(scenario)
    values = capture["post"].values()
    assert np.ptp(values) == pytest.approx(truth.post.peak_to_peak_v, rel=0.02)
    assert values.std() == pytest.approx(truth.post.rms_v, rel=0.01)
    # Order 1 stands at the electrical frequency: 40 cycles, half a bin.
    spectrum = np.abs(np.fft.rfft((values - values.mean()) * np.hanning(values.size), 8 * values.size))
    peak = np.argmax(spectrum) * capture.sample_rate_hz / (8 * values.size)
    assert peak == pytest.approx(truth.electrical_hz, abs=0.5 * truth.electrical_hz / 40)


def test_the_same_seed_gives_the_same_counts() -> None:
    for seed in (1, 2, 3):
        scenario = Scenario.draw(seed=seed, pattern="healthy", cycles=8)
        first, second = simulate(scenario)[0], simulate(scenario)[0]
        assert first == second
        made = next(simulate_family(seed=seed, count=1, pattern="healthy", cycles=8))
        assert made.scenario == scenario
        assert made.capture == first


def test_scenarios_round_trip() -> None:
    scenario = Scenario.draw(seed=4, pattern="imbalance")
    assert Scenario.from_dict(scenario.to_dict()) == scenario
    assert Scenario.from_json(scenario.to_json(indent=2)) == scenario
    assert pickle.loads(pickle.dumps(scenario)) == scenario
    assert hash(scenario) == hash(Scenario.from_json(scenario.to_json()))
    assert scenario != Scenario.draw(seed=5, pattern="imbalance")
    assert "seed=4" in repr(scenario)
    with pytest.raises(AttributeError, match="immutable"):
        scenario.seed = 3  # type: ignore[misc]


def test_truth_pickles() -> None:
    truth = simulate(Scenario.draw(seed=4, pattern="weak_phase", cycles=8))[1]
    assert pickle.loads(pickle.dumps(truth)) == truth


@pytest.mark.parametrize(
    ("arguments", "error", "parameter"),
    [
        ({"seed": -1}, errors.OutOfRangeError, "seed"),
        ({"seed": 1.5}, errors.WrongTypeError, "seed"),
        ({"seed": 1, "pattern": "sick"}, errors.UnknownNameError, "pattern"),
        ({"seed": 1, "colour": 3}, errors.UnknownNameError, "colour"),
        ({"seed": 1, "bits": 7}, errors.OutOfRangeError, "bits"),
        ({"seed": 1, "system_v": 48}, errors.OutOfRangeError, "system_v"),
        ({"seed": 1, "cycles": float("nan")}, errors.WrongTypeError, "overrides"),
        ({"seed": 1, "scope": {"bits": 40}}, errors.OutOfRangeError, "scope.bits"),
        ({"seed": 1, "pattern": "healthy", "fault": "open_diode"}, errors.InvalidCombinationError, "fault"),
    ],
)
def test_bad_draws_are_typed(arguments: dict[str, Any], error: type[Exception], parameter: str) -> None:
    with pytest.raises(error) as caught:
        Scenario.draw(**arguments)
    assert caught.value.parameter == parameter  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("name", "value", "word"),
    [
        ("pole_pairs", 0, "pole_pairs"),
        ("circuit__alternator__resistance_ohm", -0.1, "resistance_ohm"),
        ("circuit__network__cable__inductance_h", 0.0, "inductance_h"),
    ],
)
def test_unphysical_circuits_are_named(name: str, value: float, word: str) -> None:
    scenario = Scenario.draw(seed=1, pattern="healthy")
    with pytest.raises(errors.OutOfRangeError, match=word):
        scenario.replace(**{name: value})


def test_the_transfer_of_every_path_is_known() -> None:
    # A shared return carries the charging current: no gain from a voltage, yet one at each order.
    scenario = Scenario.draw(seed=6, pattern="open_diode", sensor_mode="contaminated_still", cycles=20).replace(
        **{"sensor.paths": [{"kind": "shared_ground", "resistance_ohm": 0.01}]}
    )
    truth = simulate(scenario)[1].sensor
    assert truth is not None
    assert truth.gain_v_per_v is None
    assert truth.order_transfer
    assert [t.order for t in truth.order_transfer] == sorted({t.order for t in truth.order_transfer})
    assert all(0 < t.gain_v_per_v < 1 and abs(t.lag_rad) <= np.pi for t in truth.order_transfer)
    plain = Scenario.draw(seed=6, pattern="open_diode", sensor_mode="contaminated_still", cycles=20).replace(
        **{
            "sensor.paths": [{"kind": "gain_delay", "source": "post", "gain_v_per_v": 0.3, "delay_s": 3e-5}],
            "ramp": 0.0,
        }
    )
    truth = simulate(plain)[1].sensor
    assert truth is not None
    # The delay stands between points of the grid (straight lines), and the ends of whole cycles are a sample wide.
    np.testing.assert_allclose([t.gain_v_per_v for t in truth.order_transfer], 0.3, rtol=0.02)


def test_undersampling_must_be_asked_for() -> None:
    slow = {"pattern": "healthy", "electrical_hz": 400.0, "sample_rate_hz": 4000.0, "cycles": 20}
    with pytest.raises(errors.AboveNyquistError):
        simulate(Scenario.draw(seed=1, **slow))  # type: ignore[arg-type]
    capture, _ = simulate(Scenario.draw(seed=1, undersampling="alias", **slow))  # type: ignore[arg-type]
    assert capture.sample_rate_hz == 4000.0


def test_unknown_keys_and_broken_text_are_refused() -> None:
    document = Scenario.draw(seed=1).to_dict()
    document["circuit"]["network"]["cable"]["ohms"] = 1.0
    with pytest.raises(errors.UnknownNameError):
        Scenario.from_dict(document)
    with pytest.raises(errors.InvalidDocumentError):
        Scenario.from_json("{")
    with pytest.raises(errors.WrongTypeError):
        simulate("healthy")  # type: ignore[arg-type]
    with pytest.raises(errors.WrongTypeError):
        Scenario()


def test_a_twelve_pulse_machine_has_order_twelve() -> None:
    scenario = Scenario.draw(seed=3, pattern="healthy", pulse_number=12, electrical_hz=200.0, cycles=10)
    truth = simulate(scenario)[1]
    orders = truth.post.order_amplitudes_v
    assert truth.pulse_number == 12
    assert orders[11] > 3 * orders[5]


def test_the_command_writes_captures_with_truth(tmp_path: Path) -> None:
    arguments = ["simulate", str(tmp_path / "out"), "--seed", "3", "--count", "2", "--pattern", "healthy"]
    assert main([*arguments, "--set", "cycles=8"]) == 0
    files = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert len(files) == 6
    assert not [name for name in files if name.startswith(".")]
    stem = next(name for name in files if name.endswith(".npz"))[: -len(".npz")]
    truth = Truth.from_json((tmp_path / "out" / f"{stem}.truth.json").read_text())
    scenario = Scenario.from_json((tmp_path / "out" / f"{stem}.scenario.json").read_text())
    with np.load(tmp_path / "out" / f"{stem}.npz") as stored:
        assert np.array_equal(stored["post"], simulate(scenario)[0]["post"].raw())
    assert truth.pattern == "healthy"
    assert main([*arguments, "--set", "cycles=8", "--count", "1", "--format", "csv"]) == 0
    table = np.loadtxt(tmp_path / "out" / f"{stem}.csv", delimiter=",", skiprows=1)
    assert table.shape[0] == scenario.to_dict()["scope"]["samples"]
    assert main([*arguments, "--set", "colour=1"]) == 2


@pytest.mark.parametrize(
    "words",
    [["--set", "colour=1"], ["--set", "cycles"],
     ["--set", "cycles=" + 100_000 * "["], ["--set", "cycles=" + 5_000 * "9"],
     ["--set", "seed=1"], ["--set", "pattern=healthy"], ["--set", "first=1"], ["--set", "count=1"], ["--set", "self=1"],
     ["--scenario", "absent.json"], ["--scenario", "{tmp}/deep.json"], ["--scenario", "{tmp}"], ["--pattern", "sick"]],
    ids=["unknown", "no value", "deep", "long", "seed", "with pattern", "first", "count", "self",
         "absent", "deep file", "folder", "pattern"],
)  # fmt: skip
def test_a_refused_command_writes_nothing(words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "deep.json").write_text("[" * 100_000)
    words = [word.replace("{tmp}", str(tmp_path)) for word in words]
    assert main(["simulate", str(tmp_path / "out"), "--seed", "3", *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("sixpulse: ") and err.count("\n") == 1
    assert "Errno" not in err
    assert not (tmp_path / "out").exists()
