"""Trace, Capture and Machine: what goes in, what comes out, what is refused."""

from __future__ import annotations

import copy
import pickle
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

import sixpulse
from sixpulse import errors

KEYWORDS: dict[str, Any] = {"sample_rate_hz": 10_000.0, "coupling": "dc", "role": "charging_post"}


def trace(samples: Any = (1.0, 2.0, 3.0), **changes: Any) -> sixpulse.Trace:
    return sixpulse.Trace(samples, **{**KEYWORDS, **changes})


@pytest.mark.parametrize(
    ("samples", "scale", "kept"),
    [
        (np.array([1, -2, 3], "i2"), 0.5, "int16"),
        (np.array([1, -2, 3], ">i2"), 0.5, "int16"),
        (np.array([1, -2, 3], "i1"), 0.5, "int16"),
        (np.array([1, 2, 3], "u1"), 0.5, "int16"),
        (np.array([1, -2, 3], "i8"), 0.5, "int16"),
        ([1, -2, 3], 0.5, "int16"),
        (np.array([1, 40_000], "u2"), 0.5, "float64"),
        (np.array([1, -40_000], "i4"), 0.5, "float64"),
        (np.array([1, 2**63], "u8"), 1e-12, "float64"),
        (np.array([1.5, -2.5], "f2"), None, "float32"),
        (np.array([1.5, -2.5], "f4"), None, "float32"),
        (np.array([1.5, -2.5], ">f4"), None, "float32"),
        (np.array([1.5, -2.5], "f8"), None, "float64"),
        (np.array([1.5, -2.5], ">f8"), None, "float64"),
        (np.array([1.5, -2.5], np.longdouble), None, "float64"),
        ([1.5, -2.5], None, "float64"),
        ((1.5, -2.5), 10.0, "float64"),
    ],
)
def test_forms_of_samples(samples: Any, scale: float | None, kept: str) -> None:
    made = trace(samples, scale=scale)
    assert made.raw().dtype == kept
    # Counts up to 2^53 and one multiplication: exact to the last bit of a double.
    expected = np.asarray(samples).astype("f8") * (1.0 if scale is None else scale)
    np.testing.assert_array_equal(made.values(), expected)
    assert made.values().dtype == np.float64
    assert len(made) == len(expected)


@given(
    hnp.arrays(np.int16, st.integers(1, 50)),
    st.floats(1e-6, 1e3),
    st.floats(-100, 100),
    st.integers(1, 3),
)
def test_counts_are_scaled_whatever_the_stride(counts: Any, scale: float, offset: float, step: int) -> None:
    made = trace(counts[::step], scale=scale, offset=offset)
    np.testing.assert_array_equal(made.raw(), counts[::step])
    np.testing.assert_allclose(made.values(), counts[::step] * scale + offset, rtol=1e-15, atol=1e-15 * abs(offset))


def test_negative_stride_and_column() -> None:
    table = np.arange(12.0).reshape(4, 3)
    np.testing.assert_array_equal(trace(table[:, 1]).values(), [1, 4, 7, 10])
    np.testing.assert_array_equal(trace(table[::-1, 2]).values(), [11, 8, 5, 2])


def test_samples_are_copied_both_ways() -> None:
    samples = np.ones(5)
    made = trace(samples)
    samples[:] = 7.0
    values = made.values()
    values[:] = 9.0
    np.testing.assert_array_equal(made.values(), np.ones(5))
    made.raw()[:] = 3.0
    np.testing.assert_array_equal(made.values(), np.ones(5))


@pytest.mark.parametrize(
    ("samples", "expected"),
    [
        ([], errors.EmptyInputError),
        (np.empty(0, "i2"), errors.MissingScaleError),
        ([1.0, np.nan], errors.NonFiniteError),
        ([1.0, np.inf], errors.NonFiniteError),
        (np.array([1.0, -np.inf], "f4"), errors.NonFiniteError),
        (np.ones((3, 2)), errors.ShapeError),
        (np.ones((1, 3)), errors.ShapeError),
        (3.0, errors.ShapeError),
        (None, errors.ShapeError),
        ([[1.0], [1.0, 2.0]], errors.WrongTypeError),
        (["1.0"], errors.WrongTypeError),
        ([True, False], errors.WrongTypeError),
        ([1.0 + 2.0j], errors.WrongTypeError),
        ([object()], errors.WrongTypeError),
        (np.array(["2026-01-01"], "M8[D]"), errors.WrongTypeError),
        (np.ma.masked_array([1.0, 2.0], [False, True]), errors.WrongTypeError),
        ([1, 2, 3], errors.MissingScaleError),
        ([1.0, 2e9], errors.OutOfRangeError),
        (np.array([1.0, -2e9], "f4"), errors.OutOfRangeError),
    ],
)
def test_refused_samples(samples: Any, expected: type[errors.SixpulseError]) -> None:
    with pytest.raises(expected):
        trace(samples)


@pytest.mark.parametrize(
    ("changes", "expected", "parameter"),
    [
        ({"sample_rate_hz": 0.0}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"sample_rate_hz": -1.0}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"sample_rate_hz": float("nan")}, errors.OutOfRangeError, "sample_rate_hz"),
        ({"sample_rate_hz": "fast"}, errors.WrongTypeError, "sample_rate_hz"),
        ({"sample_rate_hz": None}, errors.WrongTypeError, "sample_rate_hz"),
        ({"coupling": "gnd"}, errors.UnknownNameError, "coupling"),
        ({"coupling": 1}, errors.WrongTypeError, "coupling"),
        ({"role": "DC"}, errors.UnknownNameError, "role"),
        ({"role": None}, errors.WrongTypeError, "role"),
        ({"scale": 0.0}, errors.OutOfRangeError, "scale"),
        ({"scale": float("inf")}, errors.OutOfRangeError, "scale"),
        ({"samples": [1, 2], "scale": 1e6}, errors.OutOfRangeError, "scale"),
        ({"offset": float("nan")}, errors.OutOfRangeError, "offset"),
        ({"unit": 3}, errors.WrongTypeError, "unit"),
        ({"coupling_corner_hz": 1.0}, errors.InvalidCombinationError, "coupling_corner_hz"),
        ({"coupling": "ac", "coupling_corner_hz": 0.0}, errors.OutOfRangeError, "coupling_corner_hz"),
        ({"coupling": "ac", "coupling_corner_hz": 5_000.0}, errors.AboveNyquistError, "coupling_corner_hz"),
    ],
)
def test_refused_parameters(changes: dict[str, Any], expected: type[errors.SixpulseError], parameter: str) -> None:
    with pytest.raises(expected) as caught:
        trace(**changes)
    assert caught.value.parameter == parameter


@pytest.mark.parametrize("missing", ["sample_rate_hz", "coupling", "role"])
def test_nothing_is_assumed(missing: str) -> None:
    keywords = {key: value for key, value in KEYWORDS.items() if key != missing}
    with pytest.raises(TypeError, match=missing):
        sixpulse.Trace([1.0], **keywords)


def test_unit_follows_the_role() -> None:
    assert trace().unit == "V"
    assert trace(role="charging_current").unit == "A"
    assert trace(role="battery_current").unit == "A"
    assert trace(role="other", unit="bar").unit == "bar"
    assert trace(role="charging_current", unit="A").unit == "A"


@pytest.mark.parametrize(("role", "unit"), [("charging_post", "mV"), ("speed_sensor", ""), ("battery_current", "V")])
def test_a_verdict_is_read_in_volts_and_amperes_alone(role: str, unit: str) -> None:
    with pytest.raises(errors.InvalidCombinationError, match="convert the samples") as caught:
        trace(role=role, unit=unit)
    assert caught.value.parameter == "unit"


def test_properties() -> None:
    made = trace(np.arange(4, dtype="i2"), scale=0.01, offset=12.0, coupling="ac", coupling_corner_hz=2.0)
    assert (made.sample_rate_hz, made.coupling, made.role) == (10_000.0, "ac", "charging_post")
    assert (made.scale, made.offset, made.coupling_corner_hz) == (0.01, 12.0, 2.0)
    assert made.duration_s == 4e-4
    assert trace().scale is None
    with pytest.raises(AttributeError):
        made.role = "other"  # type: ignore[misc, assignment]


TRACES = [
    trace(),
    trace(np.array([1.0, 2.0], "f4")),
    trace(np.array([1, 2], "i2"), scale=0.5, offset=1.0),
    trace([1, 100_000], scale=0.5),
    trace(coupling="ac", coupling_corner_hz=3.0, role="other", unit="mV"),
]


@pytest.mark.parametrize("made", TRACES)
def test_trace_is_a_value(made: sixpulse.Trace) -> None:
    for again in (pickle.loads(pickle.dumps(made)), copy.copy(made), copy.deepcopy(made)):
        assert again == made
        assert hash(again) == hash(made)
        assert repr(again) == repr(made)
    assert sum(other == made for other in TRACES) == 1
    assert made != "a trace"


def test_negative_zero_hashes_as_zero() -> None:
    assert trace([0.0]) == trace([-0.0])
    assert hash(trace([0.0])) == hash(trace([-0.0]))


def test_representations_show_the_same_facts_escaped() -> None:
    made = trace(role="other", unit="<b>V</b>")
    text, html = repr(made), made._repr_html_()
    assert "<b>" in text
    assert "<b>" not in html
    assert "&lt;b&gt;V&lt;/b&gt;" in html
    for fact in ("other", "dc", "10000", "float64"):
        assert fact in text
        assert fact in html


def test_numpy_sees_the_values() -> None:
    made = trace(np.array([1, 2], "i2"), scale=0.5)
    np.testing.assert_array_equal(np.asarray(made), [0.5, 1.0])
    assert np.asarray(made, dtype="f4").dtype == np.float32
    with pytest.raises(ValueError, match="copy"):
        made.__array__(copy=False)


def capture() -> sixpulse.Capture:
    traces = {"post": trace(), "sensor": trace([0.0, 1.0, 0.0], role="speed_sensor")}
    return sixpulse.Capture(traces, engine_rpm=900.0, battery_temperature_c=25.0)


def test_capture_is_a_mapping() -> None:
    made = capture()
    assert made.names == ["post", "sensor"] == list(made) == list(made.keys())
    assert len(made) == 2
    assert "post" in made
    assert "battery" not in made
    assert 3 not in made
    assert made["post"] == trace()
    assert made.get("battery") is None
    assert made.get("battery", 5) == 5
    assert dict(made) == dict(made.items())
    assert list(made.values()) == [made["post"], made["sensor"]]
    assert (made.sample_rate_hz, made.sample_count, made.duration_s) == (10_000.0, 3, 3e-4)
    assert (made.engine_rpm, made.battery_temperature_c) == (900.0, 25.0)
    with pytest.raises(errors.UnknownTraceError) as caught:
        made["battery"]
    assert caught.value.known == ("post", "sensor")


def test_capture_is_a_value() -> None:
    made = capture()
    for again in (pickle.loads(pickle.dumps(made)), copy.copy(made), copy.deepcopy(made)):
        assert again == made
        assert hash(again) == hash(made)
    assert made != sixpulse.Capture(dict(made))
    assert "'sensor': speed_sensor" in repr(made)
    hostile = sixpulse.Capture({"<script>": trace()})
    assert "<script>" not in hostile._repr_html_()


@pytest.mark.parametrize(
    ("call", "expected"),
    [
        (lambda: sixpulse.Capture({}), errors.EmptyInputError),
        (lambda: sixpulse.Capture([trace()]), errors.WrongTypeError),  # type: ignore[arg-type]
        (lambda: sixpulse.Capture({"a": [1.0]}), errors.WrongTypeError),  # type: ignore[dict-item]
        (lambda: sixpulse.Capture({1: trace()}), errors.WrongTypeError),  # type: ignore[dict-item]
        (lambda: sixpulse.Capture({"a": trace(), "b": trace([1.0])}), errors.LengthMismatchError),
        (lambda: sixpulse.Capture({"a": trace(), "b": trace(sample_rate_hz=1.0)}), errors.RateMismatchError),
        (lambda: sixpulse.Capture({"a": trace()}, engine_rpm=-1.0), errors.OutOfRangeError),
        (lambda: sixpulse.Capture({"a": trace()}, engine_rpm=float("inf")), errors.OutOfRangeError),
        (lambda: sixpulse.Capture({"a": trace()}, battery_temperature_c=200.0), errors.OutOfRangeError),
    ],
)
def test_refused_captures(call: Any, expected: type[errors.SixpulseError]) -> None:
    with pytest.raises(expected):
        call()


def test_machine() -> None:
    made = sixpulse.Machine(pole_pairs=6, pulley_ratio=2.5)
    assert (made.pole_pairs, made.pulley_ratio, made.pulse_number) == (6, 2.5, 6)
    # f = p r n / 60 (REFERENCE-VALUES E3): 6 x 2.5 x 900 / 60.
    assert made.electrical_hz(900.0) == 225.0
    assert made.electrical_hz(0.0) is None
    assert sixpulse.Machine().electrical_hz(900.0) is None
    assert pickle.loads(pickle.dumps(made)) == made
    assert hash(sixpulse.Machine(pole_pairs=6, pulley_ratio=2.5)) == hash(made)
    assert repr(made) == "Machine(pole_pairs=6, pulley_ratio=2.5, pulse_number=6)"


@pytest.mark.parametrize(
    ("keywords", "expected"),
    [
        ({"pole_pairs": 0}, errors.OutOfRangeError),
        ({"pole_pairs": -3}, errors.OutOfRangeError),
        ({"pole_pairs": 10**30}, errors.OutOfRangeError),
        ({"pole_pairs": 6.0}, errors.WrongTypeError),
        ({"pulley_ratio": 0.0}, errors.OutOfRangeError),
        ({"pulley_ratio": float("nan")}, errors.OutOfRangeError),
        ({"pulley_ratio": "2.5"}, errors.WrongTypeError),
        ({"pulse_number": 7}, errors.OutOfRangeError),
    ],
)
def test_refused_machines(keywords: dict[str, Any], expected: type[errors.SixpulseError]) -> None:
    with pytest.raises(expected):
        sixpulse.Machine(**keywords)
