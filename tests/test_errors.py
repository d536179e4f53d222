"""Errors: every code has a class, a raising example, fields as attributes, and survives pickling."""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sixpulse
from sixpulse import _core, errors
from sixpulse._extras import require
from sixpulse._files import write_text

KEYWORDS: dict[str, Any] = {"sample_rate_hz": 10_000.0, "coupling": "dc", "role": "charging_post"}


def trace(samples: Any = (1.0, 2.0, 3.0), **changes: Any) -> sixpulse.Trace:
    return sixpulse.Trace(samples, **{**KEYWORDS, **changes})


def through_core(code: str, **fields: object) -> Callable[[], object]:
    """For a code that today only deep computations raise: the same entry that the compiled module calls."""

    def call() -> object:
        raise errors.from_core(code, "samples", f"samples: example of {code}", fields)

    return call


def missing_extra() -> object:
    return require("a_package_that_does_not_exist", extra="plot")


def unwritable() -> object:
    return write_text("/", "a folder cannot be written")


def reading(content: str, name: str = "x.csv", **keywords: Any) -> Callable[[], object]:
    """Read a file of that content."""

    def call() -> object:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, name)
            path.write_bytes(content.encode())
            return sixpulse.read(path, **{"roles": {"b": "other"}, "coupling": "dc", **keywords})

    return call


def dialect_of_another_file() -> object:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x.csv")
        path.write_text("t,a\n0,1\n1,2\n")
        dialect = sixpulse.sniff(path)
    return reading("t,b\n0,1\n1,2\n", dialect=dialect)()


def read_path(path: str) -> Callable[[], object]:
    return lambda: sixpulse.read(path, roles={"b": "other"}, coupling="dc")


TABLE = "time,b\n0.0,1\n0.1,2\n0.2,3\n"

# One raising example for every code; a code of another topic belongs here as well.
EXAMPLES: dict[str, Callable[[], object]] = {
    "empty_input": lambda: trace([]),
    "non_finite": lambda: trace([1.0, np.nan]),
    "out_of_range": lambda: trace(sample_rate_hz=-1.0),
    "length_mismatch": lambda: sixpulse.Capture({"a": trace(), "b": trace([1.0])}),
    "rate_mismatch": lambda: sixpulse.Capture({"a": trace(), "b": trace(sample_rate_hz=5.0)}),
    "above_nyquist": lambda: trace(coupling="ac", coupling_corner_hz=5_000.0),
    "unknown_name": lambda: trace(role="gearbox"),
    "invalid_combination": lambda: trace(coupling_corner_hz=1.0),
    "too_short": through_core("too_short", minimum=16, actual=3),
    "not_recoverable": through_core("not_recoverable", limit=3, reason="difficulty"),
    "undetermined_fit": through_core("undetermined_fit", reason="two unknowns, one sample"),
    "no_convergence": through_core("no_convergence", iterations=50),
    "not_reachable": through_core("not_reachable", limit_a=5.0, wanted_v=14.4, reached_v=13.1),
    "diverged": through_core("diverged", time_s=0.01, value=1e9),
    "event_storm": through_core("event_storm", time_s=0.01, limit=400),
    "energy_imbalance": through_core("energy_imbalance", residual_j=0.1, turnover_j=2.0, limit=1e-3),
    "wrong_shape": lambda: trace(np.ones((2, 2))),
    "missing_scale": lambda: trace([1, 2, 3]),
    "wrong_type": lambda: trace(["a", "b"]),
    "unknown_trace": lambda: sixpulse.Capture({"a": trace()})["b"],
    "missing_dependency": missing_extra,
    "invalid_document": lambda: sixpulse.results.Examination.from_json("{}"),
    "unwritable_file": unwritable,
    "file_not_found": read_path("/absent/x.csv"),
    "is_directory": read_path("/"),
    "file_unreadable": through_core("file_unreadable", path="x.csv"),
    "empty_file": reading(""),
    "not_text": reading("\x01\x02"),
    "no_numbers": reading("words"),
    "bad_row": reading(TABLE + "0.3,x\n"),
    "over_range": reading(TABLE + "0.3,inf\n"),
    "missing_value": reading(TABLE + "0.3,---\n"),
    "limit_exceeded": reading("1" * 300_000),
    "unknown_column": reading(TABLE, roles={"c": "other"}),
    "ambiguous_column": reading("b,b\n1,2\n"),
    "time_column": reading(TABLE, roles={"time": "other"}),
    "roles_unknown": reading(TABLE, roles=None),
    "ambiguous_dialect": reading("1,2\n3,4\n"),
    "dialect_mismatch": dialect_of_another_file,
    "unsupported_format": reading("PK\x03\x04"),
    "damaged_file": reading("junk", name="x.npy"),
    "rate_unknown": reading("a,b\n1,2\n"),
    "rate_conflict": reading(TABLE, sample_rate_hz=11.0),
    "non_uniform_time": reading(TABLE + "0.5,4\n"),
    "coupling_unknown": reading(TABLE, coupling=None),
    "scale_unknown": through_core("scale_unknown", path="x.wav"),
    "wrong_schema": through_core("wrong_schema", path="x.parquet", reason="no column"),
    "destination_busy": through_core("destination_busy", path="table"),
    "duplicate_capture_id": through_core("duplicate_capture_id", count=2, example="orchard-1"),
    "worker_lost": through_core("worker_lost"),
    "unit_conflict": reading("time,b (A)\n0.0,1\n0.1,2\n", roles={"b": "charging_post"}),
}


def test_every_code_has_an_example() -> None:
    assert set(EXAMPLES) >= set(errors.all_codes())


def test_every_core_code_has_a_class() -> None:
    assert _core.ERROR_CODES
    for code in [*_core.ERROR_CODES, *_core.READ_ERROR_CODES]:
        assert errors.class_for(code) is not errors.SixpulseError, code


@pytest.mark.parametrize("code", sorted(EXAMPLES))
def test_example(code: str) -> None:
    with pytest.raises(errors.SixpulseError) as caught:
        EXAMPLES[code]()
    error = caught.value
    assert error.code == code
    assert type(error) is errors.class_for(code)
    assert error.parameter
    assert str(error) == error.message
    assert "\n" not in str(error)
    for name in error.fields:
        assert getattr(error, name) is not None, name
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is type(error)
    assert again.to_dict() == error.to_dict()
    assert str(again) == str(error)


@pytest.mark.parametrize("code", sorted(errors.all_codes()))
def test_class_is_also_a_builtin(code: str) -> None:
    builtin = (ValueError, TypeError, KeyError, ArithmeticError, ImportError, OSError)
    assert issubclass(errors.class_for(code), builtin)


def test_figures_are_attributes() -> None:
    with pytest.raises(errors.AboveNyquistError) as caught:
        trace(coupling="ac", coupling_corner_hz=7_500.0)
    assert caught.value.nyquist_hz == 5_000.0
    assert caught.value.frequency_hz == 7_500.0
    assert caught.value.parameter == "coupling_corner_hz"
    assert caught.value.to_dict()["code"] == "above_nyquist"


def test_a_code_of_a_later_core_still_raises_under_its_code() -> None:
    error = errors.from_core("not_yet_known", "samples", "samples: later", {"limit": 3})
    assert type(error) is errors.SixpulseError
    assert error.code == "not_yet_known"
    assert pickle.loads(pickle.dumps(error)).code == "not_yet_known"
    assert errors.SixpulseError.code == "sixpulse_error"


NO_TEXT = "\udcff"  # what Python makes of the byte 255 in a command's words
NO_TEXTS: dict[str, Callable[[], object]] = {
    "role": lambda: trace(role=NO_TEXT),
    "traces": lambda: sixpulse.Capture({NO_TEXT: trace([1.0] * 9)}),
    "roles": lambda: sixpulse.read("x.csv", roles={NO_TEXT: "other"}),
    "roles of it": lambda: sixpulse.read("x.csv", roles={"post": NO_TEXT}),
    "names": lambda: sixpulse.read("x.csv", roles={"post": "other"}, names={"post": NO_TEXT}),
    "unit": lambda: sixpulse.read("x.csv", roles={"post": "other"}, unit=NO_TEXT),
    "coupling": lambda: sixpulse.read("x.csv", roles={"post": "other"}, coupling=NO_TEXT),  # type: ignore[arg-type]
    "delimiter": lambda: sixpulse.sniff("x.csv", delimiter=NO_TEXT),
    "encoding": lambda: sixpulse.sniff("x.csv", encoding=NO_TEXT),  # type: ignore[arg-type]
    "text": lambda: sixpulse.Scenario.from_json(NO_TEXT),
    "channels": lambda: sixpulse.monitor.Monitor(
        {NO_TEXT: sixpulse.monitor.Channel(role="charging_post", coupling="dc")}, sample_rate_hz=1e4, window_s=0.2
    ),
}


@pytest.mark.parametrize("case", NO_TEXTS)
def test_half_a_surrogate_pair_is_no_text(case: str) -> None:
    with pytest.raises(errors.WrongTypeError) as caught:
        NO_TEXTS[case]()
    assert caught.value.parameter == case.removesuffix(" of it")
    assert case == "traces" or caught.value.actual == "one that is no Unicode text"
