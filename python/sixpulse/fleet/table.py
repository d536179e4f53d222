"""The table of a fleet: which columns it has, of which types, and what they mean.

Columns are the attributes of :class:`sixpulse.results.Examination` with their names joined by underscores
(``ripple.peak_to_peak_v`` is ``ripple_peak_to_peak_v``). What does not exist is null, never NaN. The layout is
published as ``table-1.json`` in this folder; ``python -m sixpulse.fleet FILE`` writes it anew. Within one version
columns may be added; none is removed, renamed or given another type.
"""

from __future__ import annotations

import functools
import json
import math
import types
import typing
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import pyarrow as pa

from ..errors import InvalidCombinationError
from ..results import (
    Contamination,
    Cycle,
    Examination,
    Level,
    Pattern,
    Points,
    Quality,
    Rectifier,
    Ripple,
    RippleSeverity,
    Severity,
)
from ..schema import attribute_texts

__all__ = ["TABLE_VERSION", "Column", "circuit_columns", "columns", "json_layout", "table_schema"]

#: Version of the table's layout.
TABLE_VERSION = 1

#: Orders that get a column each; those above the Nyquist frequency are null.
ORDERS = 24

PATTERNS: tuple[str, ...] = typing.get_args(Pattern)
#: From the least to the most pressing.
SEVERITIES: tuple[str, ...] = typing.get_args(Severity)

# The published fields. A field that a result class gains later is added here, and the layout is published anew.
_GROUPS: tuple[tuple[str, type, tuple[str, ...]], ...] = (
    ("quality", Quality, ("usable", "electrical_cycles", "highest_order")),
    (
        "level",
        Level,
        (
            "trace",
            "mean_v",
            "system_v",
            "window_low_v",
            "window_high_v",
            "temperature_c",
            "verdict",
            "reason",
        ),
    ),
    (
        "ripple",
        Ripple,
        (
            "trace",
            "corner_hz",
            "peak_to_peak_v",
            "peak_to_peak_v_std",
            "rms_v",
            "rms_v_std",
            "synchronous_rms_v",
            "synchronous_rms_v_std",
            "residual_rms_v",
            "residual_rms_v_std",
            "synchronous_peak_to_peak_v",
            "rms_ripple_factor",
            "rms_ripple_factor_std",
            "peak_ripple_factor",
            "peak_ripple_factor_std",
            "dc_ripple_factor",
            "pulsation_factor",
            "form_factor",
            "crest_factor",
            "crest_factor_std",
        ),
    ),
    ("cycle", Cycle, ("electrical_hz", "electrical_hz_std", "reason", "cycle_count", "speed_change")),
    ("severity", RippleSeverity, ("amount", "charging_current_a")),
    ("rectifier", Rectifier, ("pattern", "sub_kind", "sub_six_ratio", "reason", "test", "model_version")),
    (
        "points",
        Points,
        (
            "post_rms_v",
            "battery_rms_v",
            "attenuation",
            "attenuation_std",
            "attenuation_low",
            "attenuation_high",
            "reason",
        ),
    ),
)

_CIRCUIT = (
    "verdict",
    "reason",
    "gain_v_per_v",
    "gain_v_per_v_std",
    "delay_s",
    "delay_s_std",
    "path",
    "explained_fraction",
    "detectable_gain_v_per_v",
    "own_frequency_hz",
    "own_peak_to_peak_v",
    "indicated_hz",
)

_STRINGS = pa.list_(pa.string())


@dataclass(frozen=True)
class Column:
    """One column of the table.

    Attributes
    ----------
    name : str
        Name of the column.
    type : pyarrow.DataType
        Its type; every column may be null.
    description : str
        What it holds.
    """

    name: str
    type: Any
    description: str


@functools.cache
def columns() -> tuple[Column, ...]:
    """Return the columns that every table has beside what it carries over from the data set.

    Examples
    --------
    >>> [column.name for column in columns()][:3]
    ['error_code', 'error_parameter', 'error_text']
    """
    made = [
        Column("error_code", pa.string(), "Stable code of the error; null for a capture that was examined."),
        Column("error_parameter", pa.string(), "What was at fault."),
        Column("error_text", pa.string(), "The error in one line for a person."),
        Column("library_version", pa.string(), "Version of the library that examined the capture."),
        Column("parameters_json", pa.string(), "Parameters of the analysis after defaults, a JSON object."),
        Column("supply_role", pa.string(), attribute_texts(Examination)["supply_role"]),
    ]
    for group, cls, fields in _GROUPS:
        made += _scalars(group, cls, fields)
        made += _EXTRA.get(group, [])
    return tuple(made)


#: What is drawn out of the lists and dicts of a group.
_EXTRA: dict[str, list[Column]] = {
    "quality": [Column("quality_issue_codes", _STRINGS, "Codes of the quality issues, the worst first.")],
    "cycle": [
        Column(
            f"cycle_order_amplitudes_v_{order:02d}",
            pa.float64(),
            f"Peak amplitude of order {order}, volts; null without a cycle or above the Nyquist frequency.",
        )
        for order in range(1, ORDERS + 1)
    ],
    "rectifier": [
        *(
            Column(f"rectifier_probabilities_{pattern}", pa.float64(), f"Probability of the pattern {pattern}.")
            for pattern in PATTERNS
        ),
        Column("rectifier_ambiguous_with", _STRINGS, "Patterns that the same capture also allows."),
    ],
    "points": [
        Column("finding_codes", _STRINGS, "Codes of the findings, the most pressing first."),
        Column("finding_severity", pa.string(), "Severity of the most pressing finding; null without findings."),
    ],
}


def circuit_columns(circuit: str) -> tuple[Column, ...]:
    """Return the columns of one circuit that is tested for contamination.

    Parameters
    ----------
    circuit : str
        Name of its trace.

    Examples
    --------
    >>> circuit_columns("speed_sensor")[0].name
    'contamination_speed_sensor_verdict'
    """
    return tuple(_scalars(f"contamination_{circuit}", Contamination, _CIRCUIT))


def _scalars(prefix: str, cls: type, fields: Sequence[str]) -> list[Column]:
    hints, texts = typing.get_type_hints(cls), attribute_texts(cls)
    return [Column(f"{prefix}_{field}", _arrow_type(hints[field]), texts[field]) for field in fields]


def _arrow_type(hint: Any) -> Any:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        (hint,) = (a for a in arguments if a is not type(None))
        return _arrow_type(hint)
    if origin is Literal:
        return pa.string()
    return {bool: pa.bool_(), int: pa.int64(), float: pa.float64(), str: pa.string()}[hint]


def table_schema(carried: Any, *, circuits: Sequence[str]) -> Any:
    """Return the Arrow schema of a table: what it carries over, the columns of this layout, those of each circuit.

    Parameters
    ----------
    carried : pyarrow.Schema
        Columns carried over from the data set.
    circuits : sequence of str
        Names of the traces that are tested for contamination.

    Returns
    -------
    pyarrow.Schema

    Raises
    ------
    InvalidCombinationError
        A carried column has the name of one of the layout.
    """
    own = [*columns(), *(column for circuit in circuits for column in circuit_columns(circuit))]
    taken = {column.name for column in own} & set(carried.names)
    if taken:
        reason = f'the column "{min(taken)}" of the data set has the name of one of the table; rename it'
        raise InvalidCombinationError(f"source: {reason}", parameter="source", reason=reason)
    return pa.schema([*(field.remove_metadata() for field in carried), *((c.name, c.type) for c in own)])


def flatten(document: Mapping[str, Any], circuits: Iterable[str]) -> dict[str, Any]:
    """Bring what the core says of one capture to one row.

    Raises
    ------
    ValueError
        A number that is not finite: a NaN is no message, and none may reach the table.
    """
    row: dict[str, Any] = {
        "library_version": document["library_version"],
        "parameters_json": json.dumps(document["parameters"], sort_keys=True),
        "supply_role": document["supply_role"],
    }
    for group, _, fields in _GROUPS:
        part = document[group]
        if part is not None:
            row |= {f"{group}_{field}": part[field] for field in fields}
    row["quality_issue_codes"] = [issue["code"] for issue in document["quality"]["issues"]]
    for order, amplitude in enumerate(document["cycle"]["order_amplitudes_v"][:ORDERS], start=1):
        row[f"cycle_order_amplitudes_v_{order:02d}"] = amplitude
    probabilities = document["rectifier"]["probabilities"]
    row |= {f"rectifier_probabilities_{pattern}": probabilities.get(pattern) for pattern in PATTERNS}
    row["rectifier_ambiguous_with"] = [other["pattern"] for other in document["rectifier"]["ambiguous_with"]]
    findings = document["findings"]
    row["finding_codes"] = [finding["code"] for finding in findings]
    row["finding_severity"] = max((f["severity"] for f in findings), key=SEVERITIES.index, default=None)
    for circuit in circuits:
        carried = document["contamination"].get(circuit)
        if carried is not None:
            row |= {f"contamination_{circuit}_{field}": carried[field] for field in _CIRCUIT}
    wrong = next((name for name, value in row.items() if isinstance(value, float) and not math.isfinite(value)), None)
    if wrong is not None:
        raise ValueError(f"{wrong} is {row[wrong]}")
    return row


def json_layout() -> dict[str, Any]:
    """Return the published description of the table.

    Examples
    --------
    >>> json_layout()["version"]
    1
    """
    return {
        "title": "Table of a fleet",
        "version": TABLE_VERSION,
        "description": "One row for each capture. Beside these columns the table carries over every column of the data "
        "set that is neither a trace nor a setting of one. Every column may be null; no number is NaN.",
        "columns": [_described(column) for column in columns()],
        "columns_of_each_circuit": [_described(column) for column in circuit_columns("{circuit}")],
    }


def _described(column: Column) -> dict[str, str]:
    return {"name": column.name, "type": str(column.type), "description": column.description}
