"""Results: frozen values that mirror the Rust structs, become plain data and come back, and match the JSON Schema."""

from __future__ import annotations

import copy
import dataclasses
import importlib.resources
import inspect
import json
import math
import pickle
import typing
from collections.abc import Iterator
from typing import Any

import jsonschema
import numpy as np
import pytest

import sixpulse
from captures import sprayer
from sixpulse import _core, errors, results
from sixpulse._result import fields_of, later_fields
from sixpulse.results import Examination, Result
from sixpulse.schema import DOCUMENTS, attribute_texts, json_schema

CLASSES = [
    one
    for name in results.__all__
    if isinstance(one := getattr(results, name), type) and issubclass(one, Result) and one is not Result
]


@pytest.fixture(scope="module")
def examination() -> Examination:
    return sixpulse.examine(sprayer())


@pytest.fixture(scope="module")
def published() -> dict[str, Any]:
    text = importlib.resources.files("sixpulse.schema").joinpath("examination-1.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def captures_of_all_kinds() -> Iterator[tuple[str, sixpulse.Capture]]:
    yield "fault", sprayer()
    yield "healthy", sprayer(fault=False)
    yield "ac", sprayer(coupling="ac")
    sensor = sprayer()["ground_speed"]
    yield "no supply", sixpulse.Capture({"ground_speed": sensor})
    yield "battery alone", sixpulse.Capture({"battery": sprayer()["battery"]})
    flat = sixpulse.Trace(np.full(5_000, 12.4), sample_rate_hz=50_000.0, coupling="dc", role="charging_post")
    yield "flat", sixpulse.Capture({"post": flat})
    both = sprayer()
    amperes = (both["post"].values() - both["battery"].values()) / 0.01
    current = sixpulse.Trace(amperes, sample_rate_hz=50_000.0, coupling="dc", role="charging_current")
    yield "current", sixpulse.Capture({"post": both["post"], "battery": both["battery"], "clamp": current})
    short = sixpulse.Trace(
        sprayer()["post"].values()[:200], sample_rate_hz=50_000.0, coupling="dc", role="charging_post"
    )
    yield "short", sixpulse.Capture({"post": short})
    yield "ambiguous", ambiguous()
    yield "switched", switched()


def switched() -> sixpulse.Capture:
    """Return the sprayer's supply with a switched sensor that carries none of its ripple."""
    post = sprayer()["post"]
    turning = 0.5 + 4.5 * (np.arange(post.values().size) * 300.0 / post.sample_rate_hz % 1.0 < 0.5)
    turning += 0.005 * np.random.default_rng(1).standard_normal(turning.size)
    wheel = sixpulse.Trace(turning, sample_rate_hz=post.sample_rate_hz, coupling="dc", role="edge_sensor")
    return sixpulse.Capture({"post": post, "wheel": wheel})


def ambiguous() -> sixpulse.Capture:
    """Return the first simulated soft fault of a seeded family that allows another reading too."""
    for seed in range(60):
        scenario = sixpulse.Scenario.draw(seed=seed, pattern="imbalance", cycles=20, sensor_mode="absent")
        capture, _ = sixpulse.simulate(scenario)
        if _core.examine(capture)["rectifier"]["ambiguous_with"]:
            return capture
    raise AssertionError("sixty soft faults, and none is ambiguous")


KINDS = dict(captures_of_all_kinds())


def plain(value: Any) -> Iterator[Any]:
    """Walk plain data to its leaves."""
    if isinstance(value, dict):
        for item in value.values():
            yield from plain(item)
    elif isinstance(value, list):
        for item in value:
            yield from plain(item)
    else:
        yield value


@pytest.mark.parametrize("cls", CLASSES, ids=lambda cls: cls.__name__)
def test_every_field_is_described(cls: type[Result]) -> None:
    texts = attribute_texts(cls)
    assert list(texts) == [field.name for field in fields_of(cls)]
    assert all(text.endswith(".") or "(" in text or ":" in text for text in texts.values())


def compare_names(cls: type[Result], document: dict[str, Any], seen: set[type[Result]]) -> None:
    """Compare the field names of a class with the keys that Rust wrote, all the way down."""
    seen.add(cls)
    hints = typing.get_type_hints(cls)
    assert list(document) == [field.name for field in fields_of(cls)], cls.__name__
    for field in fields_of(cls):
        compare_value(hints[field.name], document[field.name], seen)


def compare_value(hint: Any, value: Any, seen: set[type[Result]]) -> None:
    if value is None:
        return
    if dataclasses.is_dataclass(hint):
        compare_names(typing.cast("type[Result]", hint), value, seen)
    arguments = typing.get_args(hint)
    if isinstance(value, list) and arguments and typing.get_origin(hint) is tuple:
        for item in value:
            compare_value(arguments[0], item, seen)
    elif isinstance(value, dict) and typing.get_origin(hint) is dict:
        for item in value.values():
            compare_value(arguments[1], item, seen)
    else:
        for argument in arguments:
            if dataclasses.is_dataclass(argument):
                compare_value(argument, value, seen)


def test_classes_mirror_the_rust_structs() -> None:
    seen: set[type[Result]] = set()
    for capture in KINDS.values():
        compare_names(Examination, _core.examine(capture), seen)
    assert seen == set(CLASSES)


def test_the_comparison_of_names_can_fail() -> None:
    document = _core.examine(sprayer())
    document["level"]["mean_mv"] = document["level"].pop("mean_v")
    with pytest.raises(AssertionError, match="Level"):
        compare_names(Examination, document, set())


@pytest.mark.parametrize("kind", KINDS)
def test_plain_data_and_back(kind: str, published: dict[str, Any]) -> None:
    made = sixpulse.examine(KINDS[kind])
    document = made.to_dict()
    jsonschema.Draft202012Validator(published).validate(document)
    assert all(math.isfinite(leaf) for leaf in plain(document) if isinstance(leaf, float))
    assert Examination.from_dict(document) == made
    assert Examination.from_json(made.to_json()) == made
    assert Examination.from_json(made.to_json(indent=2)) == made
    # The JSON text carries every double exactly: Python writes the shortest form that reads back to the same bits.
    assert json.loads(made.to_json()) == document


@pytest.mark.parametrize("name", DOCUMENTS)
def test_the_published_schema_is_the_generated_one(name: str) -> None:
    text = importlib.resources.files("sixpulse.schema").joinpath(f"{name}.json").read_text(encoding="utf-8")
    assert json.loads(text) == json_schema(name), "run: python -m sixpulse.schema python/sixpulse/schema"
    jsonschema.Draft202012Validator.check_schema(json_schema(name))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda document: document.pop("level"),
        lambda document: document.update(extra=1),
        lambda document: document["level"].update(mean_v="14"),
        lambda document: document["cycle"]["order_amplitudes_v"].append("one"),
        lambda document: document["rectifier"].update(pattern="broken"),
        lambda document: document.update(schema_version=2),
        lambda document: document.update(cautions="one"),
    ],
)
def test_spoilt_documents_are_refused(examination: Examination, published: dict[str, Any], spoil: Any) -> None:
    document = copy.deepcopy(examination.to_dict())
    spoil(document)
    with pytest.raises(errors.InvalidDocumentError) as caught:
        Examination.from_dict(document)
    assert caught.value.parameter.startswith("Examination")
    assert not jsonschema.Draft202012Validator(published).is_valid(document)


@pytest.mark.parametrize("document", ["", "[]", "null", "3", "{", '{"schema_version": 1}'])
def test_texts_that_are_no_examination(document: str) -> None:
    with pytest.raises(errors.InvalidDocumentError):
        Examination.from_json(document)


def test_no_nan_passes(examination: Examination) -> None:
    document = examination.to_dict()
    document["level"]["temperature_c"] = float("nan")
    with pytest.raises(errors.InvalidDocumentError, match="temperature_c"):
        Examination.from_dict(document)


def test_examination_is_a_value(examination: Examination) -> None:
    for again in (pickle.loads(pickle.dumps(examination)), copy.deepcopy(examination)):
        assert again == examination
        assert hash(again) == hash(examination)
        assert repr(again) == repr(examination)
    other = sixpulse.examine(sprayer(fault=False))
    assert other != examination
    assert examination.cycle != other.cycle
    assert examination != "an examination"
    with pytest.raises(dataclasses.FrozenInstanceError):
        examination.level = other.level  # type: ignore[misc]


def test_arrays_are_read_only_float64(examination: Examination) -> None:
    array = examination.cycle.mean_cycle_v
    assert array.dtype == np.float64
    assert array.ndim == 1
    with pytest.raises(ValueError, match="read-only"):
        array[0] = 1.0
    again = pickle.loads(pickle.dumps(examination)).cycle.mean_cycle_v
    assert not again.flags.writeable


def test_representations_show_the_same_facts_escaped(examination: Examination) -> None:
    for name in ("quality", "level", "ripple", "cycle", "rectifier"):
        part = getattr(examination, name)
        for fact, value in part._facts():
            assert f"{fact}={value}" in repr(part)
            assert fact in part._repr_html_()
    assert examination.rectifier.pattern in repr(examination)
    hostile = dataclasses.replace(examination.level, trace="<script>alert(1)</script>")
    assert "<script>" in repr(hostile)
    assert "<script>" not in hostile._repr_html_()


def same_layout(built: Any, read: Any) -> None:
    """Two results with the same types throughout, and nothing beside their fields."""
    assert type(built) is type(read)
    if isinstance(built, Result):
        assert [field.name for field in fields_of(type(built))] == list(vars(read))
        assert vars(built).keys() == vars(read).keys()
        for name, value in vars(built).items():
            same_layout(value, getattr(read, name))
    elif isinstance(built, dict):
        assert list(built) == list(read)
        for name, value in built.items():
            same_layout(value, read[name])
    elif isinstance(built, tuple):
        for one, other in zip(built, read, strict=True):
            same_layout(one, other)
    elif isinstance(built, np.ndarray):
        assert built.dtype == read.dtype == np.float64
        assert not built.flags.writeable


@pytest.mark.parametrize(
    ("name", "capture"), list(captures_of_all_kinds()), ids=lambda v: v if isinstance(v, str) else ""
)
def test_what_the_core_makes_needs_no_check(name: str, capture: sixpulse.Capture) -> None:
    built = sixpulse.examine(capture)
    checked = Examination.from_dict(_core.examine(capture))
    assert built == checked, name
    same_layout(built, checked)


@pytest.mark.parametrize("cls", CLASSES)
def test_a_class_shows_its_fields_and_takes_them(cls: type[Result]) -> None:
    names = [field.name for field in fields_of(cls)]
    assert list(inspect.signature(cls).parameters) == names
    made: Any = cls(*range(len(names)))
    assert made == cls(**{name: i for i, name in enumerate(names)})
    assert dataclasses.replace(made, **{names[0]: -1}) != made
    # Fields that came into the layout later are the last, and may be left out.
    needed = len(names) - len(later_fields(cls))
    assert set(names[needed:]) == set(later_fields(cls))
    for wrong in ([0] * (len(names) + 1), [0] * (needed - 1)):
        with pytest.raises(TypeError, match=cls.__name__):
            cls(*wrong)
    with pytest.raises(TypeError, match="given twice"):
        cls(*range(len(names)), **{names[0]: 0})
    with pytest.raises(TypeError, match="unknown: something_else"):
        cls(*range(len(names)), something_else=0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(made, names[0], 1)
    with pytest.raises(dataclasses.FrozenInstanceError):
        delattr(made, names[0])
