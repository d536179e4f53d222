"""The data set form: how a row of a Parquet file becomes a capture.

One row is one capture. ``capture_id``, ``sample_rate_hz`` and at least one list column of samples are required; see
``docs/fleet.md`` for the whole form. Samples are float32, float64, or int16 counts with ``<column>_scale`` and, where
it is not zero, ``<column>_offset``.
"""

from __future__ import annotations

import typing
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from .._core import Capture, Machine, Trace
from ..errors import (
    DatasetSchemaError,
    InvalidCombinationError,
    MissingValueError,
    OutOfRangeError,
    WrongTypeError,
    class_for,
)
from ..results import Role

__all__ = ["CAPTURE_ID", "Known", "Layout", "TraceColumn"]

CAPTURE_ID = "capture_id"
ROLES: tuple[str, ...] = typing.get_args(Role)
SENSOR_ROLES = ("speed_sensor", "edge_sensor")
#: Columns ``<trace>_<setting>`` that say how the samples of that row are to be taken.
_SETTINGS = ("scale", "offset", "unit", "coupling", "coupling_corner_hz")
#: What a row of :func:`sixpulse.fleet.convert` says of a file that could not be read.
READ_ERROR = ("read_error_code", "read_error_text")
_SAMPLE_TYPES = (pa.int16(), pa.float32(), pa.float64())


@dataclass(frozen=True)
class Known:
    """What is known of every capture of a run; a row's own columns come first.

    Attributes
    ----------
    pole_pairs, pulley_ratio, pulse_number
        As for :class:`sixpulse.Machine`.
    electrical_hz : float or None
        As for :func:`sixpulse.examine`.
    """

    pole_pairs: int | None = None
    pulley_ratio: float | None = None
    pulse_number: int = 6
    electrical_hz: float | None = None

    @classmethod
    def of(cls, machine: Machine | None, electrical_hz: float | None) -> Known:
        """Take what the caller knows.

        Parameters
        ----------
        machine : Machine or None
            The alternator.
        electrical_hz : float or None
            The electrical frequency in hertz.
        """
        if machine is None:
            return cls(electrical_hz=electrical_hz)
        return cls(machine.pole_pairs, machine.pulley_ratio, machine.pulse_number, electrical_hz)


@dataclass(frozen=True)
class TraceColumn:
    """A column of samples.

    Attributes
    ----------
    column : str
        Its name, which is the trace's name too.
    role : str
        Where the probe was.
    constants : tuple of (str, object)
        Settings from the field's metadata, such as ``scale``; a row's own come first.
    """

    column: str
    role: str
    constants: tuple[tuple[str, Any], ...] = ()


@dataclass(frozen=True)
class Layout:
    """Which columns of a data set are traces, and which are carried into the table.

    Attributes
    ----------
    traces : tuple of TraceColumn
        The traces, in the order of the columns.
    carried : tuple of str
        Columns carried over.
    """

    traces: tuple[TraceColumn, ...]
    carried: tuple[str, ...]

    @classmethod
    def of(cls, schema: Any, roles: Mapping[str, str] | None = None, *, path: str = "") -> Layout:
        """Read the layout off a schema.

        Parameters
        ----------
        schema : pyarrow.Schema
            Schema of a file or batch.
        roles : mapping of column to role, optional
            Roles of columns that are not named after one.
        path : str
            Named in errors.

        Raises
        ------
        DatasetSchemaError
            A required column is missing, or one has the wrong type.
        """
        roles = dict(roles or {})
        unknown = next((column for column in roles if column not in schema.names), None)
        if unknown is not None:
            raise wrong_schema(path, f'it has no column "{unknown}", which was given a role')
        traces = tuple(trace for field in schema if (trace := _trace_column(field, roles, path)) is not None)
        _check_required(schema, traces, path)
        columns = {trace.column for trace in traces}
        settings = {f"{column}_{setting}" for column in columns for setting in _SETTINGS} | set(READ_ERROR)
        carried = tuple(name for name in schema.names if name not in columns | settings)
        return cls(traces, carried)

    @property
    def circuits(self) -> tuple[str, ...]:
        """Names of the traces that are tested for contamination."""
        return tuple(trace.column for trace in self.traces if trace.role in SENSOR_ROLES)

    def captures(self, batch: Any, known: Known) -> Iterator[Callable[[], Job]]:
        """Yield for each row a function that makes its capture, or raises what is wrong with it.

        Parameters
        ----------
        batch : pyarrow.RecordBatch
            Rows of the data set.
        known : Known
            What is known of all of them.
        """
        samples = [_Samples(trace, batch) for trace in self.traces]
        facts = Facts(batch)
        for row in range(batch.num_rows):
            yield lambda row=row: _job(row, samples, facts, known)  # type: ignore[misc]


@dataclass(frozen=True)
class Job:
    """One capture with what is known of it."""

    capture: Capture
    machine: Machine
    electrical_hz: float | None


def wrong_schema(path: str, reason: str) -> DatasetSchemaError:
    """Build the error for a file that is not in the data set form."""
    return DatasetSchemaError(f"{path or 'batch'}: {reason}", parameter="source", path=path or "batch", reason=reason)


def _is_list(kind: Any) -> bool:
    return bool(pa.types.is_list(kind) or pa.types.is_large_list(kind) or pa.types.is_fixed_size_list(kind))


def _trace_column(field: Any, roles: Mapping[str, str], path: str) -> TraceColumn | None:
    """Tell whether a column holds samples, and whose; a list without a role is carried over."""
    metadata = {
        key.decode().removeprefix("sixpulse."): value.decode()
        for key, value in (field.metadata or {}).items()
        if key.startswith(b"sixpulse.")
    }
    role = roles.get(field.name) or metadata.pop("role", None) or (field.name if field.name in ROLES else None)
    if role is None:
        return None
    if not _is_list(field.type) or field.type.value_type not in _SAMPLE_TYPES:
        reason = f'the column "{field.name}" is {field.type}; samples are a list of int16, float32 or float64'
        raise wrong_schema(path, reason)
    constants = tuple(
        (name, _constant(path, field.name, name, metadata[name])) for name in _SETTINGS if name in metadata
    )
    return TraceColumn(field.name, role, constants)


def _constant(path: str, column: str, name: str, text: str) -> Any:
    if name in ("unit", "coupling"):
        return text
    try:
        return float(text)
    except ValueError:
        raise wrong_schema(path, f'the column "{column}" states "{text}" as its {name}') from None


def _check_required(schema: Any, traces: tuple[TraceColumn, ...], path: str) -> None:
    for name in (CAPTURE_ID, "sample_rate_hz"):
        if name not in schema.names:
            raise wrong_schema(path, f'it has no column "{name}"')
    kind = schema.field(CAPTURE_ID).type
    if not (pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)):
        raise wrong_schema(path, f'the column "{CAPTURE_ID}" is {kind}; it must be a string')
    if not traces:
        raise wrong_schema(path, "no column has a role: name columns after roles, or give roles=")


class _Samples:
    """The samples of one column, row by row, without copies."""

    def __init__(self, trace: TraceColumn, batch: Any) -> None:
        self.trace = trace
        array = batch.column(trace.column)
        self._present = array.is_valid().to_numpy(zero_copy_only=False)
        self._values = array.values
        if pa.types.is_fixed_size_list(array.type):
            size = array.type.list_size
            self._edges = size * (array.offset + np.arange(len(array) + 1))
        else:
            self._edges = array.offsets.to_numpy()
        self._settings = {
            name: batch.column(f"{trace.column}_{name}")
            for name in _SETTINGS
            if f"{trace.column}_{name}" in batch.schema.names
        }

    def make(self, row: int, shared: dict[str, Any]) -> Trace | None:
        """Make the trace of a row; None where the row has none."""
        if not self._present[row]:
            return None
        start, stop = int(self._edges[row]), int(self._edges[row + 1])
        values = self._values.slice(start, stop - start)
        if values.null_count:
            gap = int(np.flatnonzero(values.is_null().to_numpy(zero_copy_only=False))[0])
            raise missing(self.trace.column, f"sample {gap} is null")
        given = shared | dict(self.trace.constants)
        for name, column in self._settings.items():
            value = column[row].as_py()
            if value is not None:
                given[name] = value
        if "coupling" not in given:
            raise missing("coupling", f'neither the row nor the column "{self.trace.column}" states the coupling')
        return Trace(values.to_numpy(zero_copy_only=True), role=self.trace.role, **given)  # type: ignore[arg-type]


class Facts:
    """What a row says beside its samples."""

    def __init__(self, batch: Any) -> None:
        self._columns = {name: batch.column(name) for name in batch.schema.names}

    def get(self, name: str, row: int) -> Any:
        """Return the value of a column, None where it is null or there is no such column."""
        column = self._columns.get(name)
        return None if column is None else column[row].as_py()

    def number(self, name: str, row: int) -> float | None:
        """Return a number, None where there is none."""
        value = self.get(name, row)
        if value is None or (isinstance(value, int | float) and not isinstance(value, bool)):
            return value
        actual = type(value).__name__
        raise WrongTypeError(
            f"{name}: expected a number, got {actual}", parameter=name, expected="a number", actual=actual
        )

    def whole(self, name: str, row: int) -> int | None:
        """Return a whole number; tables often hold them as floats."""
        value = self.number(name, row)
        if value is None or value == int(value):
            return None if value is None else int(value)
        expected = "a whole number"
        raise OutOfRangeError(
            f"{name}: expected {expected}, got {value}", parameter=name, expected=expected, actual=float(value)
        )

    def known(self, row: int, shared: Known) -> tuple[Machine, float | None]:
        """Return alternator and electrical frequency, the row's own facts before those of all."""
        machine = Machine(
            pole_pairs=_first(self.whole("pole_pairs", row), shared.pole_pairs),
            pulley_ratio=_first(self.number("pulley_ratio", row), shared.pulley_ratio),
            pulse_number=_first(self.whole("pulse_number", row), shared.pulse_number),
        )
        return machine, _first(self.number("electrical_hz", row), shared.electrical_hz)


def _first(own: Any, shared: Any) -> Any:
    return shared if own is None else own


def missing(parameter: str, reason: str) -> MissingValueError:
    """Build the error for a row without something it needs."""
    return MissingValueError(f"{parameter}: {reason}", parameter=parameter, path="", cell="null")


def _job(row: int, samples: list[_Samples], facts: Facts, known: Known) -> Job:
    _check_read(row, facts)
    rate_hz = facts.number("sample_rate_hz", row)
    if rate_hz is None:
        raise missing("sample_rate_hz", "null")
    shared: dict[str, Any] = {"sample_rate_hz": rate_hz}
    coupling = facts.get("coupling", row)
    if coupling is not None:
        shared["coupling"] = coupling
    made = {column.trace.column: column.make(row, shared) for column in samples}
    traces = {name: trace for name, trace in made.items() if trace is not None}
    if not traces:
        reason = "the row has no samples"
        raise class_for("empty_input")(f"traces: {reason}", parameter="traces")
    capture = Capture(
        traces,
        engine_rpm=facts.number("engine_rpm", row),
        battery_temperature_c=facts.number("battery_temperature_c", row),
    )
    return Job(capture, *facts.known(row, known))


def _check_read(row: int, facts: Facts) -> None:
    """Pass on the error of a file that could not be read when the data set was made of it."""
    code = facts.get(READ_ERROR[0], row)
    if code is not None:
        text = facts.get(READ_ERROR[1], row) or code
        error = class_for(code)(text, parameter="path")
        error.__dict__["code"] = code
        raise error


def check_known(known: Known) -> None:
    """Refuse a frequency that no capture could have, before the run."""
    hz = known.electrical_hz
    if hz is not None and not (isinstance(hz, int | float) and 0.0 < hz < float("inf")):
        reason = f"expected a frequency above 0 Hz, got {hz!r}"
        raise InvalidCombinationError(f"electrical_hz: {reason}", parameter="electrical_hz", reason=reason)
