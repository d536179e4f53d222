"""What a worker does: read a unit, examine its captures, write its part; picklable, and alike on every executor."""

from __future__ import annotations

import collections
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from .._core import VERSION
from .._files import write_whole
from ..errors import FileReadError, InvalidCombinationError
from .batch import error_row, examine_rows, to_batch
from .settings import Settings
from .table import TABLE_VERSION
from .units import BROKEN, Unit, one_batch

__all__: list[str] = []

_COUNTS = b"sixpulse.counts"
_DIGEST = b"sixpulse.settings_digest"
#: Failures that are not the capture's: another run may meet a file server that answers, or more memory.
TRIED_AGAIN = frozenset({"file_not_found", "file_unreadable", "worker_lost"})


@dataclass(frozen=True)
class Task:
    """One unit of a run, with all that its worker needs.

    Attributes
    ----------
    unit : RowGroup or Files
        What to examine.
    settings : Settings
        How.
    destination : str
        Folder of the parts.
    running : str
        A file that exists as long as the run wants to go on.
    content : str or None
        Hash of the unit's bytes, where it is known.
    duplicates : frozenset of str
        Identities that stand for several captures.
    attempt : int
        How often it was tried before; an engine that remembers calls must see another one.
    """

    unit: Unit
    settings: Settings
    destination: str
    running: str
    content: str | None = None
    duplicates: frozenset[str] = frozenset()
    attempt: int = 0


@dataclass(frozen=True)
class UnitReport:
    """What became of a unit.

    Attributes
    ----------
    key : str
        The unit.
    state : str
        "examined", "found" (its part was there), "unreadable" or "stopped".
    rows, failed : int, dict of str to int
        Rows of the part; failures by code.
    part, content : str
        Name of the part, hash of the unit's bytes.
    error : tuple of str or None
        Code and text for a unit that could not be read at all.
    seconds : dict of str to float
        Wall time of hashing, reading, examining, writing.
    """

    key: str
    state: str
    rows: int = 0
    failed: dict[str, int] = field(default_factory=dict)
    part: str = ""
    content: str = ""
    error: tuple[str, str] | None = None
    seconds: dict[str, float] = field(default_factory=dict)


class Stopped(Exception):  # noqa: N818 - a wish, not an error
    """The run does not want to go on."""


def run_unit(task: Task) -> UnitReport:
    """Examine a unit and write its part, unless it is there."""
    _check_version(task.settings)
    clock: dict[str, float] = collections.defaultdict(float)
    try:
        with _timed(clock, "hash"):
            content = task.content or task.unit.content()
        part = part_name(task, content)
        counts = read_counts(Path(task.destination, part))
        if counts is not None:
            return UnitReport(task.unit.key, "found", counts["rows"], counts["failed"], part, content)
        table = examine_unit(task, 0, task.unit.rows, clock)
        with _timed(clock, "write"):
            failed = write_part(task, part, content, table)
    except Stopped:
        return UnitReport(task.unit.key, "stopped")
    except FileReadError as error:
        return UnitReport(task.unit.key, "unreadable", task.unit.rows, error=(error.code, str(error)))
    return UnitReport(task.unit.key, "examined", table.num_rows, failed, part, content, seconds=dict(clock))


def run_slice(task: Task, start: int, stop: int) -> bytes | None:
    """Examine some rows of a unit and return them as an Arrow stream; None when the run does not want to go on."""
    _check_version(task.settings)
    try:
        return to_bytes(examine_unit(task, start, stop, collections.defaultdict(float)))
    except Stopped:
        return None


def examine_unit(task: Task, start: int, stop: int, clock: dict[str, float]) -> Any:
    """Examine rows of a unit; those behind a damaged place become rows with that error."""
    schema, settings, unit = task.settings.schema, task.settings, task.unit
    batches: list[Any] = []
    done = start
    pieces = unit.read(settings, start, stop)
    while True:
        try:
            with _timed(clock, "read"):
                rows = next(pieces, None)
        except FileReadError as error:
            batches.append(_damaged_rows(task, done, stop, error))
            break
        if rows is None:
            break
        with _timed(clock, "examine"):
            made = examine_rows(rows.jobs, rows.ids, settings.circuits, duplicates=task.duplicates)
            batches.append(to_batch(rows.carried, _until_stopped(made, task), schema))
        done += len(rows.ids)
    return pa.Table.from_batches(batches, schema=schema)


def _damaged_rows(task: Task, start: int, stop: int, error: FileReadError) -> Any:
    """Keep the rows whose samples cannot be read, where what is carried over still can."""
    carried, ids = task.unit.without_samples(task.settings, start, stop)
    rows = [error_row(error.code, error.parameter, str(error)) for _ in ids]
    return to_batch(carried, rows, task.settings.schema)


def lost_row(task: Task, row: int) -> Any:
    """Make the row of a capture that takes its worker with it."""
    carried, _ = task.unit.without_samples(task.settings, row, row + 1)
    text = "the worker that examined this capture was lost, alone as with others"
    return pa.Table.from_batches([to_batch(carried, [error_row("worker_lost", "", text)], task.settings.schema)])


def _until_stopped(rows: Iterator[dict[str, Any]], task: Task) -> Iterator[dict[str, Any]]:
    for row in rows:
        yield row
        if not Path(task.running).exists():
            raise Stopped


def part_name(task: Task, content: str) -> str:
    """Name of a unit's part."""
    return f"{task.unit.key}-{task.settings.fingerprint(content, task.duplicates)}.parquet"


def write_part(task: Task, part: str, content: str, table: Any) -> dict[str, int]:
    """Write a part, whole or not at all, and return its failures by code."""
    codes = collections.Counter(table.column("error_code").drop_null().to_pylist())
    failed = dict(sorted(codes.items()))
    facts = {
        _COUNTS: json.dumps({"rows": table.num_rows, "failed": failed}),
        b"sixpulse.table_version": str(TABLE_VERSION),
        b"sixpulse.library_version": VERSION,
        b"sixpulse.settings": json.dumps(task.settings.to_dict(), sort_keys=True),
        _DIGEST: task.settings.digest,
        b"sixpulse.content": content,
    }
    batch = one_batch(table.replace_schema_metadata(facts))
    sink = pa.BufferOutputStream()
    with pq.ParquetWriter(sink, batch.schema, compression="zstd") as writer:
        writer.write_batch(batch)
    write_whole(Path(task.destination, part), lambda stream: stream.write(sink.getvalue()))
    return failed


def read_counts(path: Path) -> dict[str, Any] | None:
    """Read what a part says of its rows; None where there is no part that can stay as it is."""
    try:
        metadata = pq.read_metadata(path).metadata or {}
        counts: dict[str, Any] = json.loads(metadata[_COUNTS])
    except (*BROKEN, KeyError, ValueError):
        return None
    return None if TRIED_AGAIN & counts["failed"].keys() else counts


def digest_of(path: Path) -> str | None:
    """Read which settings a part was made with; None where it is no whole part."""
    try:
        return (pq.read_metadata(path).metadata or {})[_DIGEST].decode()  # type: ignore[no-any-return]
    except (*BROKEN, KeyError):
        return None


def to_bytes(table: Any) -> bytes:
    """Write a table as an Arrow stream."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    return bytes(sink.getvalue())


def from_bytes(stream: bytes) -> Any:
    """Read what :func:`to_bytes` wrote."""
    with pa.ipc.open_stream(stream) as reader:
        return reader.read_all()


def _check_version(settings: Settings) -> None:
    if settings.library_version != VERSION:
        reason = f"a worker has sixpulse {VERSION}, the run {settings.library_version}"
        raise InvalidCombinationError(f"executor: {reason}", parameter="executor", reason=reason)


class _timed:  # noqa: N801 - reads as a verb
    """Add the wall time of a block to a clock."""

    def __init__(self, clock: dict[str, float], name: str) -> None:
        self._clock, self._name = clock, name

    def __enter__(self) -> None:
        self._start = time.perf_counter()

    def __exit__(self, *_: object) -> None:
        self._clock[self._name] += time.perf_counter() - self._start
