"""The JSON Schemas of the documents that ``to_json`` of the main results writes, published in this folder.

``examination-1.json``, ``interventions-1.json``, ``points-1.json``, ``meter_reading-1.json``,
``monitor_reading-1.json``, ``plan-1.json``: name and version of the layout. They are generated from the result classes;
``python -m sixpulse.schema FOLDER`` writes them anew.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from typing import Any, Literal

import numpy as np

from .._result import Result, fields_of, later_fields
from ..compare import INTERVENTIONS_VERSION, Interventions
from ..errors import UnknownNameError
from ..meter import MeterReading
from ..monitor import MONITOR_READING_VERSION, MonitorReading
from ..planning import Plan
from ..results import SCHEMA_VERSION, Examination, Points

__all__ = ["DOCUMENTS", "attribute_texts", "json_schema"]

#: The published documents: file name without extension, result class, version of its layout.
DOCUMENTS: dict[str, tuple[type[Result], int]] = {
    f"{name}-{version}": (result, version)
    for name, result, version in (
        ("examination", Examination, SCHEMA_VERSION),
        ("interventions", Interventions, INTERVENTIONS_VERSION),
        ("points", Points, 1),
        ("meter_reading", MeterReading, 1),
        ("monitor_reading", MonitorReading, MONITOR_READING_VERSION),
        ("plan", Plan, 1),
    )
}


def json_schema(document: str) -> dict[str, Any]:
    """Generate the JSON Schema (draft 2020-12) of one of the :data:`DOCUMENTS`.

    >>> json_schema("examination-1")["properties"]["schema_version"]["const"]
    1
    >>> json_schema("interventions-1")["title"]
    'Interventions'

    Raises
    ------
    UnknownNameError
        For a document that is none of them.
    """
    if document not in DOCUMENTS:
        expected = ", ".join(DOCUMENTS)
        message = f'document: expected one of {expected}, got "{document}"'
        raise UnknownNameError(message, parameter="document", expected=expected, actual=document)
    result, version = DOCUMENTS[document]
    definitions: dict[str, Any] = {}
    root = _class_schema(result, definitions)
    definitions.pop(result.__name__, None)
    if "schema_version" in root["properties"]:
        root["properties"]["schema_version"]["const"] = version
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:sixpulse:{document.rpartition('-')[0]}:{version}",
        "title": result.__name__,
        **root,
        "$defs": dict(sorted(definitions.items())),
    }


def _class_schema(cls: type[Result], definitions: dict[str, Any]) -> dict[str, Any]:
    hints = typing.get_type_hints(cls)
    texts, later = attribute_texts(cls), later_fields(cls)
    properties = {
        field.name: {**_schema(hints[field.name], definitions), "description": texts[field.name]}
        for field in fields_of(cls)
    }
    return {
        "type": "object",
        "description": (cls.__doc__ or "").partition("\n")[0],
        "properties": properties,
        "required": [name for name in properties if name not in later],
        "additionalProperties": False,
    }


def _schema(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if dataclasses.is_dataclass(hint):
        cls = typing.cast("type[Result]", hint)
        if cls.__name__ not in definitions:
            definitions[cls.__name__] = {}
            definitions[cls.__name__] = _class_schema(cls, definitions)
        return {"$ref": f"#/$defs/{cls.__name__}"}
    if origin is np.ndarray:
        return {"type": "array", "items": {"type": "number"}}
    if origin in (types.UnionType, typing.Union):
        return {"anyOf": [_schema(a, definitions) for a in arguments]}
    if origin is tuple:
        return {"type": "array", "items": _schema(arguments[0], definitions)}
    if origin is dict:
        return {"type": "object", "additionalProperties": _schema(arguments[1], definitions)}
    names = {bool: "boolean", int: "integer", float: "number", str: "string", type(None): "null"}
    return {"enum": list(arguments)} if origin is Literal else {"type": names[hint]}


def attribute_texts(cls: type[Result]) -> dict[str, str]:
    """Read what the ``Attributes`` section of a result class says of each field.

    >>> from sixpulse.results import Evidence
    >>> attribute_texts(Evidence)["value"]
    'Its value.'
    """
    _, _, section = (cls.__doc__ or "").partition("Attributes\n    ----------\n")
    texts: dict[str, str] = {}
    names: list[str] = []
    for line in section.splitlines():
        if line.startswith("        "):
            texts |= {name: f"{texts[name]} {line.strip()}".strip() for name in names}
        elif " : " in line:
            names = [name.strip() for name in line.partition(" : ")[0].split(",")]
            texts |= dict.fromkeys(names, "")
    return texts
