"""The Arrow batch function: rows of captures in, rows of the table out, for any engine that maps batches.

It is pure and picklable, keeps number and order of the rows, always gives the same schema for the same data set, and
does not raise for a capture that cannot be examined: that becomes a row with its error code.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

import pyarrow as pa

from .. import _core
from .._core import Machine
from ..errors import SixpulseError
from .dataset import CAPTURE_ID, Job, Known, Layout, check_known, missing
from .table import flatten, table_schema

__all__ = ["batch_schema", "examine_batch", "examine_batches"]

#: Code of an error that the library did not mean to raise.
INTERNAL_ERROR = "internal_error"


def batch_schema(schema: Any, *, roles: Mapping[str, str] | None = None) -> Any:
    """Return the schema that :func:`examine_batch` gives for a data set of that schema.

    Parameters
    ----------
    schema : pyarrow.Schema
        Schema of the data set.
    roles : mapping of column to role, optional
        Roles of columns that are not named after one.

    Returns
    -------
    pyarrow.Schema

    Raises
    ------
    DatasetSchemaError
        A required column is missing, or one has the wrong type.
    InvalidCombinationError
        A column of the data set has the name of one of the table.
    """
    layout = Layout.of(schema, roles)
    return table_schema(pa.schema([schema.field(name) for name in layout.carried]), circuits=layout.circuits)


def examine_batch(
    batch: Any,
    *,
    roles: Mapping[str, str] | None = None,
    machine: Machine | None = None,
    electrical_hz: float | None = None,
) -> Any:
    """Examine the captures of a batch.

    Parameters
    ----------
    batch : pyarrow.RecordBatch
        Rows in the data set form (``docs/fleet.md``).
    roles : mapping of column to role, optional
        Roles of columns that are not named after one.
    machine : Machine, optional
        The alternator of all captures; columns ``pole_pairs``, ``pulley_ratio``, ``pulse_number`` come first.
    electrical_hz : float, optional
        The electrical frequency of all captures in hertz; a column ``electrical_hz`` comes first.

    Returns
    -------
    pyarrow.RecordBatch
        The same rows in the same order, with the schema of :func:`batch_schema`.

    Raises
    ------
    DatasetSchemaError
        The batch is not in the data set form.

    Examples
    --------
    >>> import numpy as np, pyarrow as pa
    >>> angle = 2 * np.pi * 200 * np.arange(20_000) / 50_000
    >>> phases = np.cos(angle - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
    >>> volts = 14 + phases.max(axis=0) - phases.min(axis=0)
    >>> batch = pa.RecordBatch.from_pydict({
    ...     "capture_id": ["orchard-1", "orchard-2"], "sample_rate_hz": [5e4, 5e4], "coupling": ["dc", "dc"],
    ...     "charging_post": [volts, [14.0, None]],
    ... })
    >>> table = examine_batch(batch)
    >>> table["error_code"].to_pylist(), round(table["cycle_electrical_hz"][0].as_py())
    ([None, 'missing_value'], 200)
    """
    layout = Layout.of(batch.schema, roles)
    known = Known.of(machine, electrical_hz)
    check_known(known)
    schema = batch_schema(batch.schema, roles=roles)
    carried = [batch.column(name) for name in layout.carried]
    rows = examine_rows(layout.captures(batch, known), ids_of(batch), layout.circuits)
    return to_batch(carried, rows, schema)


def examine_batches(
    batches: Iterable[Any],
    *,
    roles: Mapping[str, str] | None = None,
    machine: Machine | None = None,
    electrical_hz: float | None = None,
) -> Iterator[Any]:
    """Examine batch after batch, for engines that hand over an iterator.

    Parameters
    ----------
    batches : iterable of pyarrow.RecordBatch
        Batches in the data set form.
    roles, machine, electrical_hz
        As for :func:`examine_batch`.

    Yields
    ------
    pyarrow.RecordBatch
        One for each that came.
    """
    for batch in batches:
        yield examine_batch(batch, roles=roles, machine=machine, electrical_hz=electrical_hz)


def ids_of(batch: Any) -> list[str | None]:
    """Return the identities of a batch's captures."""
    ids: list[str | None] = batch.column(CAPTURE_ID).to_pylist()
    return ids


def examine_rows(
    jobs: Iterable[Callable[[], Job]],
    ids: Iterable[str | None],
    circuits: tuple[str, ...],
    *,
    duplicates: frozenset[str] = frozenset(),
) -> Iterator[dict[str, Any]]:
    """Examine captures one after another; each gives a row, whatever is wrong with it."""
    for make, identity in zip(jobs, ids, strict=True):
        yield _row(make, identity, circuits, duplicates)


def _row(
    make: Callable[[], Job], identity: str | None, circuits: tuple[str, ...], duplicates: frozenset[str]
) -> dict[str, Any]:
    if identity in duplicates:
        return error_row("duplicate_capture_id", CAPTURE_ID, f'"{identity}" stands for several captures')
    try:
        job = _named(make, identity)
        return flatten(_core.examine(job.capture, job.machine, job.electrical_hz), circuits)
    except SixpulseError as error:
        return error_row(error.code, error.parameter, str(error))
    except (KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    # Whatever a capture sets off, a panic of the core included (no Exception to Python), costs its own row alone.
    except BaseException as error:
        return error_row(INTERNAL_ERROR, "", f"{type(error).__name__}: {error}")


def _named(make: Callable[[], Job], identity: str | None) -> Job:
    if identity is None:
        raise missing(CAPTURE_ID, "null")
    return make()


def error_row(code: str, parameter: str, text: str) -> dict[str, Any]:
    """Return the row of a capture that failed."""
    # A file's name in it may not be Unicode text.
    line = " ".join(text.encode("utf-8", "backslashreplace").decode().split())
    return {"library_version": _core.VERSION, "error_code": code, "error_parameter": parameter, "error_text": line}


def to_batch(carried: list[Any], rows: Iterable[dict[str, Any]], schema: Any) -> Any:
    """Put carried columns and rows together."""
    made = list(rows)
    arrays = [
        array if array.type == field.type else array.cast(field.type)
        for array, field in zip(carried, schema, strict=False)
    ]
    own = list(schema)[len(carried) :]
    arrays += [pa.array([row.get(field.name) for row in made], type=field.type) for field in own]
    return pa.RecordBatch.from_arrays(arrays, schema=schema)
