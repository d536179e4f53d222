"""What the study tools share: tables in, columns out, vehicles drawn anew."""

from __future__ import annotations

import os
from collections.abc import Callable, Hashable, Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ..._refusals import refuse
from ..._result import FloatArray
from ...errors import OutOfRangeError, UnknownColumnError, WrongTypeError
from ..manifest import read_table


def check_fraction(parameter: str, value: float) -> None:
    """Refuse what is no fraction between 0 and 1, the ends excluded."""
    if not 0.0 < value < 1.0:
        expected = "above 0 and below 1"
        message = f"{parameter}: expected {expected}, got {value}"
        raise OutOfRangeError(message, parameter=parameter, expected=expected, actual=float(value))


def arrow(table: Any, columns: Sequence[str]) -> Any:
    """Bring a table to Arrow, with the columns that are needed."""
    if isinstance(table, str | os.PathLike):
        return read_table(table, columns=list(dict.fromkeys(columns)))
    if not isinstance(table, pa.Table):
        if not hasattr(table, "__arrow_c_stream__"):
            actual, expected = type(table).__name__, "an Arrow table, a data frame, or the folder of a table"
            message = f"table: expected {expected}, got {actual}"
            raise WrongTypeError(message, parameter="table", expected=expected, actual=actual)
        table = pa.table(table)
    absent = next((name for name in columns if name not in table.column_names), None)
    if absent is not None:
        raise UnknownColumnError(f'table: it has no column "{absent}"', parameter="table", path="table")
    table = table.select(list(dict.fromkeys(columns)))
    # Data frame libraries hand over views of strings, which Arrow itself cannot yet filter.
    plain = [pa.field(f.name, pa.string()) if pa.types.is_string_view(f.type) else f for f in table.schema]
    return table.cast(pa.schema(plain))


def complete(table: Any, columns: Sequence[str]) -> Any:
    """Keep the rows that have a value in each of the columns."""
    for name in dict.fromkeys(columns):
        table = table.filter(pc.is_valid(table.column(name)))
    return table


def numbers(table: Any, name: str) -> FloatArray:
    """Return a column as numbers."""
    column = table.column(name)
    if not (pa.types.is_integer(column.type) or pa.types.is_floating(column.type) or pa.types.is_boolean(column.type)):
        raise refuse("table", f'the column "{name}" is {column.type}; numbers are needed')
    return np.asarray(column.cast(pa.float64()).to_numpy(), dtype=np.float64)


def days(table: Any, name: str) -> FloatArray:
    """Return times in days: of a timestamp or date since 1970, of numbers as they are."""
    column = table.column(name)
    if pa.types.is_timestamp(column.type) or pa.types.is_date(column.type):
        microseconds = column.cast(pa.timestamp("us")).cast(pa.int64())
        return np.asarray(microseconds.to_numpy(), dtype=np.float64) / 86.4e9
    return numbers(table, name)


def split(keys: Sequence[Hashable]) -> Iterator[tuple[Any, Any]]:
    """Yield each key, in sorted order, with the rows that have it."""
    rows: dict[Any, list[int]] = {}
    for row, key in enumerate(keys):
        rows.setdefault(key, []).append(row)
    for key in sorted(rows, key=_order):
        yield key, np.array(rows[key])


def _order(key: Any) -> Any:
    """Make values comparable that are not, such as None and words."""
    if isinstance(key, tuple):
        return tuple(_order(one) for one in key)
    return (type(key).__name__, "" if key is None else key)


def clusters(table: Any, vehicle: str | None) -> list[Any]:
    """Return the rows of each vehicle; every row by itself without a column of vehicles."""
    if vehicle is None:
        return [np.array([row]) for row in range(table.num_rows)]
    return [rows for _, rows in split(table.column(vehicle).to_pylist())]


def bootstrap(groups: Sequence[Any], statistic: Callable[[Any], Any], *, resamples: int, seed: int) -> Any:
    """Draw whole groups anew and return the statistic of each draw, a row each; draws where it is None are left out."""
    generator = np.random.default_rng(seed)
    made = []
    for _ in range(resamples):
        drawn = generator.integers(len(groups), size=len(groups))
        value = statistic(np.concatenate([groups[i] for i in drawn]))
        if value is not None:
            made.append(value)
    return np.array(made)


def interval(draws: Any, confidence: float) -> tuple[Any, Any]:
    """Return the percentile interval of bootstrap draws."""
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(draws, [tail, 1.0 - tail], axis=0)
    return low, high
