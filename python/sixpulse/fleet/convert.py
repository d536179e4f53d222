"""Brings a folder of files to the data set form."""

from __future__ import annotations

import collections
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from .._core import Capture
from .._refusals import refuse
from .._result import Result
from ..errors import SixpulseError, UnwritableFileError
from ..read import read
from ..results import Role
from .dataset import READ_ERROR
from .source import find_files, survey_files, table_of

__all__ = ["ConvertSummary", "convert"]

#: Settings of a trace that get a column each, ``<trace>_<setting>``.
_SETTINGS = {
    "scale": pa.float64(),
    "offset": pa.float64(),
    "coupling": pa.string(),
    "coupling_corner_hz": pa.float64(),
    "unit": pa.string(),
}
#: What every file of the data set has beside its traces and what the caller's table says.
_COMMON = {
    "sample_rate_hz": pa.float64(),
    "engine_rpm": pa.float64(),
    "battery_temperature_c": pa.float64(),
    READ_ERROR[0]: pa.string(),
    READ_ERROR[1]: pa.string(),
}


@dataclass(frozen=True, eq=False, repr=False)
class ConvertSummary(Result):
    """What was converted.

    Attributes
    ----------
    destination : str
        Folder of the data set.
    captures : int
        Rows written, one for each file.
    files : int
        Parquet files written.
    failures : dict of str to int
        Files that could not be read, by code; they are rows that pass their error on to the table.
    """

    destination: str
    captures: int
    files: int
    failures: dict[str, int]


def convert(
    source: str | os.PathLike[str],
    destination: str | os.PathLike[str],
    *,
    roles: Mapping[Any, Role] | None = None,
    captures: Any = None,
    reading: Mapping[str, Any] | None = None,
    row_group_bytes: int = 32_000_000,
    file_bytes: int = 512_000_000,
) -> ConvertSummary:
    """Read a folder of files and write them in the data set form of :func:`sixpulse.fleet.examine_dataset`.

    Samples stay as they are (int16 counts with their scale, float32, float64), compressed without loss. A file that
    cannot be read becomes a row without samples that passes its error on to the table.

    Parameters
    ----------
    source : path-like
        Folder, file or glob of what :func:`sixpulse.read` takes.
    destination : path-like
        Folder for the data set; made where there is none, empty where there is one.
    roles : mapping of column to role, optional
        As for :func:`sixpulse.read`.
    captures : table or path, optional
        As for :func:`sixpulse.fleet.examine_dataset`.
    reading : mapping, optional
        Further arguments of :func:`sixpulse.read`.
    row_group_bytes : int, optional
        Samples of one row group, the unit of work, in bytes before compression.
    file_bytes : int, optional
        Samples of one file, in bytes before compression.

    Returns
    -------
    ConvertSummary

    Raises
    ------
    FileMissingError
        Nothing in the source.
    InvalidCombinationError
        The destination is not empty, or a size is not positive.
    UnwritableFileError
        The destination cannot be written.
    """
    for name, size in (("row_group_bytes", row_group_bytes), ("file_bytes", file_bytes)):
        if size < 1:
            raise refuse(name, f"expected a positive number of bytes, got {size}")
    folder = _empty_folder(destination)
    root, paths = find_files(os.fspath(source))
    seen = survey_files(root, paths, None if captures is None else table_of(captures))
    writer = _Writer(folder, seen.carried, row_group_bytes, file_bytes)
    failures: collections.Counter[str] = collections.Counter()
    with writer:
        for path, facts in _listed(seen.units):
            try:
                writer.add(facts, read(path, roles=roles, **dict(reading or {})))
            except SixpulseError as error:
                if isinstance(error, UnwritableFileError):
                    raise
                failures[error.code] += 1
                writer.add_failure(facts, error)
    return ConvertSummary(str(folder), writer.rows, writer.files, dict(sorted(failures.items())))


def _empty_folder(destination: str | os.PathLike[str]) -> Path:
    folder = Path(destination)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise refuse("destination", "the folder is not empty")
    except OSError as error:
        raise _unwritable(folder, error) from None
    return folder


def _listed(units: Iterable[Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield each file with what the caller's table says of it."""
    for unit in units:
        yield from zip(unit.paths, unit.facts.to_pylist(), strict=True)


class _Writer:
    """Collects rows to row groups and files; the rows of one file have the same traces."""

    def __init__(self, folder: Path, facts: Any, row_group_bytes: int, file_bytes: int) -> None:
        self._folder, self._row_group_bytes, self._file_bytes = folder, row_group_bytes, file_bytes
        self._facts = {field.name: field.type for field in facts}
        self._traces: tuple[tuple[str, str, str], ...] = ()
        self._rows: list[dict[str, Any]] = []
        self._group_bytes = self._bytes = 0
        self._open: Any = None
        self._error: SixpulseError | None = None
        self.rows = self.files = 0

    def __enter__(self) -> _Writer:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            self._end_file()
        elif self._open is not None:
            self._open.close()
            self._temporary.unlink(missing_ok=True)

    def add(self, facts: dict[str, Any], capture: Capture) -> None:
        """Take one more capture."""
        raw = {name: trace.raw() for name, trace in capture.items()}
        traces = tuple((name, str(raw[name].dtype), trace.role) for name, trace in capture.items())
        if self._traces and traces != self._traces:
            self._end_file()
        self._traces = traces
        self._rows.append(_values(facts, capture) | raw)
        self._group_bytes += sum(samples.nbytes for samples in raw.values())
        if self._group_bytes >= self._row_group_bytes:
            self._end_group()
        if self._bytes >= self._file_bytes:
            self._end_file()

    def add_failure(self, facts: dict[str, Any], error: SixpulseError) -> None:
        """Take a file that could not be read: a row without samples, in the company of the next that could."""
        self._error = self._error or error
        self._rows.append(facts | {READ_ERROR[0]: error.code, READ_ERROR[1]: str(error)})

    @property
    def _target(self) -> Path:
        return self._folder / f"captures-{self.files:05d}.parquet"

    @property
    def _temporary(self) -> Path:
        return self._target.with_name(f".{self._target.name}")

    def _end_group(self) -> None:
        if not self._rows:
            return
        schema = self._schema()
        arrays = [_column([row.get(field.name) for row in self._rows], field) for field in schema]
        try:
            if self._open is None:
                self._open = pq.ParquetWriter(self._temporary, schema, **self._encoding(schema))
            self._open.write_table(pa.Table.from_arrays(arrays, schema=schema), row_group_size=len(self._rows))
        except OSError as error:
            raise _unwritable(self._target, error) from None
        self.rows += len(self._rows)
        self._bytes += self._group_bytes
        self._rows, self._group_bytes = [], 0

    def _end_file(self) -> None:
        if self._rows and not self._traces:
            assert self._error is not None
            raise self._error
        self._end_group()
        if self._open is None:
            return
        try:
            self._open.close()
            self._temporary.replace(self._target)
        except OSError as error:
            raise _unwritable(self._target, error) from None
        self._open, self._bytes = None, 0
        self.files += 1

    def _schema(self) -> Any:
        kinds = self._facts | _COMMON
        fields = [pa.field(name, kind) for name, kind in kinds.items()]
        for name, dtype, role in self._traces:
            samples = pa.list_(pa.from_numpy_dtype(np.dtype(dtype)))
            fields.append(pa.field(name, samples, metadata={"sixpulse.role": role}))
            fields += [pa.field(f"{name}_{setting}", kind) for setting, kind in _SETTINGS.items()]
        return pa.schema(fields)

    def _encoding(self, schema: Any) -> dict[str, Any]:
        """Samples repeat rarely, so no dictionary; the bytes of floats compress better apart (BYTE_STREAM_SPLIT)."""
        samples = {name: dtype for name, dtype, _ in self._traces}
        leaf = {name: f"{name}.list.element" for name in samples}
        return {
            "compression": "zstd",
            "use_dictionary": [name for name in schema.names if name not in samples],
            "column_encoding": {
                leaf[name]: "BYTE_STREAM_SPLIT" for name, dtype in samples.items() if dtype.startswith("float")
            },
            "write_page_checksum": True,
        }


def _values(facts: dict[str, Any], capture: Capture) -> dict[str, Any]:
    """Everything of a row but its samples; what the caller's table says comes before what the file says."""
    values: dict[str, Any] = {
        "sample_rate_hz": capture.sample_rate_hz,
        "engine_rpm": capture.engine_rpm,
        "battery_temperature_c": capture.battery_temperature_c,
    }
    for name, trace in capture.items():
        values |= {f"{name}_{setting}": getattr(trace, setting) for setting in _SETTINGS}
    return values | {name: value for name, value in facts.items() if value is not None}


def _column(values: list[Any], field: Any) -> Any:
    if not pa.types.is_list(field.type):
        return pa.array(values, field.type)
    present = [value for value in values if value is not None]
    lengths = [0 if value is None else value.size for value in values]
    offsets = pa.array(np.concatenate([[0], np.cumsum(lengths)]), pa.int32())
    samples = pa.array(np.concatenate(present), field.type.value_type)
    absent = pa.array([value is None for value in values])
    return pa.ListArray.from_arrays(offsets, samples, type=field.type, mask=absent)


def _unwritable(target: Path, error: OSError) -> UnwritableFileError:
    reason = error.strerror or str(error)
    return UnwritableFileError(f"{target}: {reason}", parameter="destination", path=str(target), reason=reason)
