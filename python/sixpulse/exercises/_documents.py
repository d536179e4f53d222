"""Reads authors' files and keys: YAML, TOML or JSON, with one clear error for what is none."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from .._core import _exercise
from .._extras import require
from .._files import read_text
from ..errors import InvalidDocumentError, UnsupportedFormatError

#: What an author may be given as: a path, the name of a ready course, or plain data.
Author = str | os.PathLike[str] | Mapping[str, Any]

COURSES = Path(__file__).with_name("courses")

#: An author's file has a page or two. What is far longer is something else, and readers of TOML and YAML take minutes
#: and gigabytes over some of it.
MOST_CHARACTERS = 20_000
#: Values that it may stand for, with YAML's references followed: a few lines of them can stand for billions.
MOST_VALUES = 10_000
TOO_DEEP = "nested too deeply"


def read_author(source: Author, *, seed: int | None = None) -> dict[str, Any]:
    """Read an author's file, check it, and write every default out.

    Parameters
    ----------
    source : path, str or mapping
        A file (``.yaml``, ``.yml``, ``.toml`` or ``.json``), the name of a ready course (see :func:`courses`), or the
        same as plain data. The JSON Schema stands in ``author-1.json`` beside this module (:func:`author_schema`).
    seed : int, optional
        Takes the place of the file's own, 0 to 2**64 - 1.

    Returns
    -------
    dict
        The author's wishes with every field.

    Raises
    ------
    InvalidDocumentError, OutOfRangeError, InvalidCombinationError, UnknownNameError
        What is wrong with the wishes, naming the field.
    FileMissingError, UnreadableFileError, UnsupportedFormatError
        The file cannot be read.
    MissingDependencyError
        PyYAML is not installed and the file is YAML.

    Examples
    --------
    >>> read_author("orchard_sprayer", seed=7)["count"]
    12
    """
    document = dict(source) if isinstance(source, Mapping) else _loaded(source)
    if seed is not None:
        document["seed"] = seed
    try:
        text = json.dumps(document, allow_nan=False)
    except RecursionError:
        raise _invalid("author", TOO_DEEP) from None
    except (TypeError, ValueError) as error:
        raise _invalid("author", f"not plain data ({error})") from None
    checked: dict[str, Any] = json.loads(_exercise.checked_author(text))
    return checked


def courses() -> list[str]:
    """Name the ready courses.

    >>> courses()
    ['orchard_sprayer']
    """
    return sorted(path.stem for path in COURSES.glob("*.toml"))


def author_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the author's file.

    >>> author_schema()["properties"]["count"]["maximum"]
    60
    """
    text = Path(__file__).with_name("author-1.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _loaded(source: str | os.PathLike[str]) -> dict[str, Any]:
    path = Path(source)
    if path.suffix == "" and path.name.replace("-", "_") in courses() and not path.exists():
        path = COURSES / f"{path.name.replace('-', '_')}.toml"
    loaded = _parsed(path, read_text(path, most=MOST_CHARACTERS))
    if not isinstance(loaded, dict):
        raise _invalid("author", f"{path}: expected fields by name, got {type(loaded).__name__}")
    return loaded


def _parsed(path: Path, text: str) -> Any:
    suffix = path.suffix.lower()
    try:
        if suffix == ".toml":
            return tomllib.loads(text)
        if suffix == ".json":
            return json.loads(text)
        if suffix in (".yaml", ".yml"):
            return _from_yaml(path, text)
    except RecursionError:
        raise _invalid("author", f"{path}: {TOO_DEEP}") from None
    except ValueError as error:
        if isinstance(error, InvalidDocumentError):
            raise
        raise _invalid("author", f"{path}: {error}") from None
    message = f"{path}: expected .yaml, .yml, .toml or .json"
    raise UnsupportedFormatError(message, parameter="author", path=str(path))


def _from_yaml(path: Path, text: str) -> Any:
    yaml = require("yaml", extra="exercises")
    loader = yaml.SafeLoader(text)
    try:
        node = loader.get_single_node()
        if node is None:
            return None
        if _values(node, {}) > MOST_VALUES:
            raise _invalid("author", f"{path}: its references stand for more than {MOST_VALUES} values")
        return loader.construct_document(node)
    except yaml.YAMLError as error:
        raise _invalid("author", f"{path}: {' '.join(str(error).split())}") from None
    finally:
        loader.dispose()


def _values(node: Any, known: dict[int, int]) -> int:
    """Count the values that a node of YAML stands for; one inside itself stands for more than there may be."""
    if id(node) not in known:
        known[id(node)] = MOST_VALUES + 1
        # A scalar's value is text, a sequence's are nodes, a mapping's pairs of them.
        entries = () if isinstance(node.value, str) else node.value
        parts = [part for entry in entries for part in (entry if isinstance(entry, tuple) else (entry,))]
        known[id(node)] = 1 + sum(_values(part, known) for part in parts)
    return known[id(node)]


def read_json(path: Path, parameter: str) -> Any:
    """Read JSON from a file.

    Raises
    ------
    InvalidDocumentError, FileMissingError, UnreadableFileError
    """
    text = read_text(path)
    try:
        return json.loads(text)
    except RecursionError:
        raise _invalid(parameter, f"{path}: {TOO_DEEP}") from None
    except ValueError as error:
        raise _invalid(parameter, f"{path}: not JSON ({error})") from None


def _invalid(parameter: str, reason: str) -> InvalidDocumentError:
    return InvalidDocumentError(f"{parameter}: {reason}", parameter=parameter, reason=reason)
