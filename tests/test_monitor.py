"""The monitor from Python: against examine on the bundled captures, any cut, gaps, threads, bad input, plain data."""

from __future__ import annotations

import copy
import itertools
import json
import pickle
import threading
from collections.abc import Iterator
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

import sixpulse
from captures import ELECTRICAL_HZ, SAMPLE_RATE_HZ, sprayer
from sixpulse import Monitor, demo, errors
from sixpulse.monitor import MONITOR_READING_VERSION, Channel, MonitorEvent, MonitorReading, Pushed
from sixpulse.schema import json_schema

POST = {"post": Channel(role="charging_post", coupling="dc")}


def channels_of(capture: sixpulse.Capture) -> dict[str, Channel]:
    return {name: Channel(role=trace.role, coupling=trace.coupling) for name, trace in capture.items()}


def feed(monitor: Monitor, capture: sixpulse.Capture, lengths: Iterator[int]) -> None:
    """Push a capture in chunks, judging whenever a judgement is due."""
    values = {name: trace.values() for name, trace in capture.items()}
    count, start = capture.sample_count, 0
    while start < count:
        stop = min(start + next(lengths), count)
        pushed = monitor.push({name: x[start:stop] for name, x in values.items()})
        assert pushed.position == stop
        if pushed.judgement_due is not None:
            monitor.judge()
        start = stop


@pytest.fixture
def sprayer_monitor() -> Monitor:
    capture = sprayer()
    monitor = Monitor(channels_of(capture), sample_rate_hz=SAMPLE_RATE_HZ, window_s=0.2)
    feed(monitor, capture, itertools.repeat(300))
    return monitor


@pytest.mark.parametrize("name", demo.NAMES)
def test_figures_are_those_of_examine_on_the_bundled_captures(name: str) -> None:
    capture = sixpulse.read(demo.path(name), roles=demo.ROLES)
    monitor = Monitor(channels_of(capture), sample_rate_hz=capture.sample_rate_hz, window_s=0.2)
    feed(monitor, capture, itertools.repeat(77))
    found = sixpulse.examine(monitor.window())
    assert monitor.judge() == found
    reading = monitor.reading()
    assert reading.ripple is not None and found.ripple is not None
    # Tolerances: docs/monitor.md.
    assert reading.level.mean_v == pytest.approx(found.level.mean_v, rel=1e-9)
    assert reading.ripple.rms_v == pytest.approx(found.ripple.rms_v, rel=0.005)
    assert reading.ripple.peak_to_peak_v == pytest.approx(found.ripple.peak_to_peak_v, rel=0.02)
    assert reading.ripple.rms_ripple_factor == pytest.approx(found.ripple.rms_ripple_factor, rel=0.005)
    assert reading.cycle.electrical_hz == pytest.approx(found.cycle.electrical_hz, rel=1e-3)
    orders = found.cycle.order_amplitudes_v
    tolerance = 0.02 * orders.max()
    np.testing.assert_allclose(reading.cycle.order_amplitudes_v[: orders.size], orders, rtol=0, atol=tolerance)
    assert reading.rectifier.pattern == found.rectifier.pattern
    assert reading.rectifier.probabilities == found.rectifier.probabilities
    for circuit_name, circuit in reading.contamination.items():
        carried = found.contamination[circuit_name]
        assert (circuit.verdict, circuit.gain_v_per_v) == (carried.verdict, carried.gain_v_per_v)
        if carried.verdict == "contaminated" and carried.path == "delay":
            assert circuit.synchronous_gain_v_per_v == pytest.approx(abs(carried.gain_v_per_v or 0.0), rel=0.1)


def test_a_whole_examination_window_is_the_whole_capture() -> None:
    """A window as long as the capture: the judgement is examine's, whatever was pushed how."""
    capture = sprayer(count=19_200)
    monitor = Monitor(channels_of(capture), sample_rate_hz=SAMPLE_RATE_HZ, window_s=0.384, engine_rpm=800.0)
    feed(monitor, capture, itertools.cycle([1, 999, 17]))
    window = monitor.window()
    assert window.sample_count == 19_200
    assert window.engine_rpm == 800.0
    np.testing.assert_array_equal(window["post"].values(), capture["post"].values())


def test_reading_says_how_old_it_is(sprayer_monitor: Monitor) -> None:
    reading = sprayer_monitor.reading()
    assert reading.position == 20_000
    assert reading.time_s == pytest.approx(0.4)
    assert 0.0 <= reading.age_s < reading.update_interval_s == pytest.approx(reading.window_s / 16)
    assert reading.age_s == pytest.approx((reading.position - reading.end_sample) / SAMPLE_RATE_HZ)
    assert reading.covered_s == pytest.approx(reading.window_s)
    assert reading.rectifier.age_s is not None and reading.rectifier.end_sample is not None
    assert reading.rectifier.age_s == pytest.approx((20_000 - reading.rectifier.end_sample) / SAMPLE_RATE_HZ)
    assert reading.cycle.latest_electrical_hz == pytest.approx(ELECTRICAL_HZ, rel=1e-3)


@settings(max_examples=8, deadline=None)
@given(lengths=st.lists(st.integers(0, 600), min_size=1, max_size=8).filter(lambda v: sum(v) > 0))
def test_the_cut_does_not_matter(lengths: list[int]) -> None:
    capture = sprayer(count=15_000)
    readings = []
    for cut in ([500], lengths):
        monitor = Monitor(channels_of(capture), sample_rate_hz=SAMPLE_RATE_HZ, window_s=0.2)
        feed(monitor, capture, itertools.cycle(cut))
        readings.append(monitor.reading())
    assert readings[0] == readings[1]


@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.int16, ">i4", "list"])
def test_sample_forms(dtype: object) -> None:
    volts = sprayer()["post"].values()
    counts = np.round(volts / 0.001)
    samples: ArrayLike
    match dtype:
        case "list":
            channel, samples = Channel(role="charging_post", coupling="dc"), list(volts)
        case np.float64 | np.float32:
            channel, samples = Channel(role="charging_post", coupling="dc"), volts.astype(dtype)
        case _:
            channel = Channel(role="charging_post", coupling="dc", scale=0.001, offset=0.0)
            samples = counts.astype(dtype)  # type: ignore[call-overload]
    monitor = Monitor({"post": channel}, sample_rate_hz=SAMPLE_RATE_HZ, window_s=0.2)
    monitor.push(post=samples)
    level = monitor.reading().level
    assert level.trace == "post"
    assert level.mean_v == pytest.approx(14.2, abs=0.01)


def test_a_float32_window_takes_half_the_memory() -> None:
    def size(**form: object) -> int:
        channel = Channel(role="charging_post", coupling="dc", **form)  # type: ignore[arg-type]
        return Monitor({"post": channel}, sample_rate_hz=1e5, window_s=10.0).buffer_bytes

    samples = 10.0 * 1e5 * 17 / 16
    assert size() - size(dtype="float32") == pytest.approx(4 * samples, rel=1e-3)
    assert size(dtype="float32") - size(scale=0.001) == pytest.approx(2 * samples, rel=1e-3)


def test_gaps_by_count_and_by_time(sprayer_monitor: Monitor) -> None:
    capture = sprayer()
    chunk = {name: trace.values()[:2000] for name, trace in capture.items()}
    pattern = sprayer_monitor.reading().rectifier.pattern
    sprayer_monitor.gap(500)
    reading = sprayer_monitor.reading()
    assert (reading.gap_count, reading.lost_samples, reading.position) == (1, 500, 20_500)
    assert reading.ripple is None and reading.level.mean_v is None and reading.level.reason
    assert reading.rectifier.pattern == pattern
    with pytest.raises(errors.TooShortError):
        sprayer_monitor.judge()
    sprayer_monitor.push(chunk, start_s=100.0)
    sprayer_monitor.push(chunk, start_s=100.04)
    assert sprayer_monitor.reading().gap_count == 1
    sprayer_monitor.push(chunk, start_s=100.5)
    assert sprayer_monitor.reading().lost_samples == 500 + 21_000
    with pytest.raises(errors.OutOfRangeError) as caught:
        sprayer_monitor.push(chunk, start_s=99.0)
    assert caught.value.parameter == "start_s"
    kinds = [event.kind for event in sprayer_monitor.events()]
    assert kinds.count("gap") == 2 and "cycle_found" in kinds and "pattern_changed" in kinds
    assert [event.sequence for event in sprayer_monitor.events()] == list(range(len(kinds)))


def test_another_rate_is_refused_or_begins_everything_anew(sprayer_monitor: Monitor) -> None:
    capture = sprayer()
    chunk = {name: trace.values() for name, trace in capture.items()}
    with pytest.raises(errors.RateMismatchError) as caught:
        sprayer_monitor.push(chunk, sample_rate_hz=1e5)
    assert (caught.value.expected_hz, caught.value.actual_hz) == (SAMPLE_RATE_HZ, 1e5)
    sprayer_monitor.push(chunk, sample_rate_hz=SAMPLE_RATE_HZ)
    sprayer_monitor.change_rate(1e5)
    assert sprayer_monitor.sample_rate_hz == 1e5
    assert sprayer_monitor.reading().ripple is None
    assert sprayer_monitor.events()[-1].kind == "rate_change"


def bad_pushes() -> dict[str, tuple[dict[str, object], type[errors.SixpulseError]]]:
    good = [14.0] * 10
    return {
        "nan": ({"post": [14.0, np.nan], "sensor": [0.0, 0.0]}, errors.NonFiniteError),
        "infinite": ({"post": [14.0, 1.0], "sensor": [0.0, -np.inf]}, errors.NonFiniteError),
        "huge": ({"post": [1e10], "sensor": [0.0]}, errors.OutOfRangeError),
        "lengths": ({"post": good, "sensor": good[:9]}, errors.LengthMismatchError),
        "missing": ({"post": good}, errors.InvalidCombinationError),
        "unknown": ({"post": good, "sensor": good, "else": good}, errors.UnknownNameError),
        "twice": ({"post": good, "charging_post": good, "sensor": good}, errors.InvalidCombinationError),
        "shape": ({"post": [good], "sensor": good}, errors.ShapeError),
        "no scale": ({"post": np.array([1, 2]), "sensor": [0.0, 0.0]}, errors.MissingScaleError),
        "words": ({"post": ["a"], "sensor": [0.0]}, errors.WrongTypeError),
    }


@pytest.mark.parametrize("name", bad_pushes())
def test_bad_chunks_change_nothing(name: str) -> None:
    chunks, error = bad_pushes()[name]
    channels = {**POST, "sensor": Channel(role="speed_sensor", coupling="dc")}
    monitor = Monitor(channels, sample_rate_hz=1e4, window_s=0.2)
    monitor.push(post=np.full(3000, 14.0), speed_sensor=np.zeros(3000))
    before = monitor.reading()
    with pytest.raises(error) as caught:
        monitor.push(chunks)  # type: ignore[arg-type]
    assert monitor.reading() == before
    if isinstance(caught.value, errors.NonFiniteError):
        assert caught.value.index == 1
        assert caught.value.parameter.startswith("chunks[")


@pytest.mark.parametrize(
    ("lost", "error"),
    [
        (-1, errors.OutOfRangeError),
        (2**64, errors.OutOfRangeError),
        (1.5, errors.WrongTypeError),
        (True, errors.WrongTypeError),
    ],
)
def test_gaps_that_are_none(sprayer_monitor: Monitor, lost: Any, error: type[errors.SixpulseError]) -> None:
    before = sprayer_monitor.reading()
    with pytest.raises(error) as caught:
        sprayer_monitor.gap(lost)
    assert caught.value.parameter == "lost_samples" and sprayer_monitor.reading() == before


def test_counts_out_of_range() -> None:
    monitor = Monitor({"post": Channel(role="charging_post", coupling="dc", scale=0.1)}, sample_rate_hz=1e4, window_s=1)
    with pytest.raises(errors.OutOfRangeError):
        monitor.push(post=np.array([40_000]))
    with pytest.raises(errors.InvalidCombinationError):
        monitor.push(post=np.array([14.0]))


@pytest.mark.parametrize(
    ("changed", "error", "parameter"),
    [
        ({"window_s": 0.01}, errors.OutOfRangeError, "window_s"),
        ({"window_s": "long"}, errors.WrongTypeError, "window_s"),
        ({"sample_rate_hz": 0.0}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"judge_every_s": -1.0}, errors.OutOfRangeError, "judge_every_s"),
        ({"electrical_hz": 1e6}, errors.AboveNyquistError, "electrical_hz"),
        ({"machine": 6}, errors.WrongTypeError, "machine"),
        ({"channels": {}}, errors.EmptyInputError, "traces"),
        ({"channels": {"post": 3}}, errors.WrongTypeError, 'channels["post"]'),
        ({"channels": [("post", POST["post"])]}, errors.WrongTypeError, "channels"),
        ({"channels": {"s": Channel(role="other", coupling="dc")}}, errors.InvalidCombinationError, "channels"),
        ({"channels": {"p": Channel(role="pump", coupling="dc")}}, errors.UnknownNameError, "role"),  # type: ignore[arg-type]
        (
            {"channels": {"p": Channel(role="charging_post", coupling="dc", offset=1.0)}},
            errors.InvalidCombinationError,
            'channels["p"]',
        ),
    ],
)
def test_bad_settings_name_themselves(
    changed: dict[str, object], error: type[errors.SixpulseError], parameter: str
) -> None:
    arguments: dict[str, object] = {"channels": POST, "sample_rate_hz": 1e4, "window_s": 1.0, **changed}
    with pytest.raises(error) as caught:
        Monitor(arguments.pop("channels"), **arguments)  # type: ignore[arg-type]
    assert caught.value.parameter == parameter


def test_results_are_plain_data(sprayer_monitor: Monitor) -> None:
    reading = sprayer_monitor.reading()
    assert MonitorReading.from_json(reading.to_json()) == reading
    assert pickle.loads(pickle.dumps(reading)) == reading
    assert hash(reading) == hash(sprayer_monitor.reading())
    with pytest.raises(AttributeError):
        reading.position = 1  # type: ignore[misc]
    for event in sprayer_monitor.events():
        assert MonitorEvent.from_dict(event.to_dict()) == event
    assert Pushed.from_dict({"position": 1, "updates": 0, "judgement_due": None}) == Pushed(1, 0, None)
    assert "Monitor" in repr(sprayer_monitor) and "_repr_html_" in dir(reading)


def test_a_reading_follows_its_published_schema(sprayer_monitor: Monitor) -> None:
    validator = jsonschema.Draft202012Validator(json_schema("monitor_reading-1"))
    fresh = Monitor(sprayer_monitor.channels, sample_rate_hz=SAMPLE_RATE_HZ, window_s=0.2).reading()
    gap = sprayer_monitor.reading()
    sprayer_monitor.gap(77)
    for reading in (fresh, gap, sprayer_monitor.reading()):
        document = reading.to_dict()
        assert document["schema_version"] == MONITOR_READING_VERSION
        validator.validate(document)
        assert MonitorReading.from_dict(document) == reading
        assert json.loads(reading.to_json()) == document
    for key, value in (("schema_version", 2), ("position", "none"), ("more", 1)):
        spoilt = {**document, key: value}
        assert not validator.is_valid(spoilt)
        with pytest.raises(errors.InvalidDocumentError):
            MonitorReading.from_dict(spoilt)


def test_a_reset_monitor_is_a_new_one(sprayer_monitor: Monitor) -> None:
    fresh = Monitor(sprayer_monitor.channels, sample_rate_hz=SAMPLE_RATE_HZ, window_s=0.2)
    sprayer_monitor.gap(10)
    sprayer_monitor.reset()
    assert sprayer_monitor.reading() == fresh.reading() and sprayer_monitor.events() == ()
    for monitor in (sprayer_monitor, fresh):
        feed(monitor, sprayer(), itertools.repeat(500))
    assert sprayer_monitor.reading() == fresh.reading()
    assert sprayer_monitor.reading().position == sprayer().sample_count


@pytest.mark.parametrize("action", [pickle.dumps, copy.copy, copy.deepcopy])
def test_a_monitor_is_neither_pickled_nor_copied(sprayer_monitor: Monitor, action: object) -> None:
    with pytest.raises(errors.WrongTypeError, match="belongs to one stream"):
        action(sprayer_monitor)  # type: ignore[operator]


def test_threads_push_and_read_at_once() -> None:
    """Chunks of a constant each are taken whole: the mean is that of the chunks, and no sample is lost or torn."""
    monitor = Monitor(POST, sample_rate_hz=1e5, window_s=0.2)
    hop = round(monitor.reading().update_interval_s * 1e5)
    failures: list[BaseException] = []

    def push(volts: float, chunk: NDArray[np.float64]) -> None:
        try:
            for _ in range(400):
                monitor.push(post=chunk)
        except BaseException as failure:
            failures.append(failure)

    def read() -> None:
        try:
            for _ in range(20):
                reading = monitor.reading()
                mean_v = reading.level.mean_v
                assert mean_v is None or 12.0 - 1e-9 <= mean_v <= 14.0 + 1e-9
                if reading.covered_s > 0.0:
                    monitor.judge()
        except BaseException as failure:
            failures.append(failure)

    threads = [threading.Thread(target=push, args=(v, np.full(hop, v))) for v in (12.0, 14.0)]
    threads.append(threading.Thread(target=read))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failures
    reading = monitor.reading()
    assert reading.position == 800 * hop
    # Sixteen whole chunks, each of them 12 or 14 V.
    assert reading.level.mean_v is not None
    eighths = (reading.level.mean_v - 12.0) * 8.0
    assert eighths == pytest.approx(round(eighths), abs=1e-9)
    values = monitor.window()["post"].values().reshape(-1, hop)
    assert (values == values[:, :1]).all()


def test_engine_speed_and_temperature_can_change() -> None:
    machine = sixpulse.Machine(pole_pairs=6, pulley_ratio=2.5)
    monitor = Monitor(POST, sample_rate_hz=SAMPLE_RATE_HZ, window_s=0.2, machine=machine)
    monitor.push(post=sprayer()["post"].values())
    assert monitor.window().engine_rpm is None
    monitor.set_engine_rpm(800.0)
    monitor.set_battery_temperature_c(30.0)
    assert (monitor.window().engine_rpm, monitor.window().battery_temperature_c) == (800.0, 30.0)
    assert dict(monitor.judge().parameters)["engine_rpm"] == 800.0
    with pytest.raises(errors.OutOfRangeError):
        monitor.set_engine_rpm(-1.0)
    monitor.set_engine_rpm(None)
    assert monitor.window().engine_rpm is None
    assert list(monitor.channels) == ["post"]


def test_overload_is_counted() -> None:
    channel = Channel(role="charging_post", coupling="dc", range=(0.0, 15.0))
    monitor = Monitor({"post": channel}, sample_rate_hz=1e4, window_s=0.64)
    monitor.push(post=np.where(np.arange(8000) % 100 == 0, 15.0, 14.0))
    counted = monitor.reading().channels["post"]
    assert (counted.clipped_samples, counted.clipped_samples_total) == (64, 80)
