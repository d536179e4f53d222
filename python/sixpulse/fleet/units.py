"""Units of work: row groups of Parquet files, or runs of other files; each reads itself and knows its bytes' hash."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, TypeAlias

import pyarrow as pa
import pyarrow.parquet as pq

from ..errors import DamagedFileError, FileMissingError, FileReadError
from ..read import read
from .dataset import CAPTURE_ID, Facts, Job, Layout
from .settings import Settings

__all__: list[str] = []

#: Rows decoded at a time: memory stays far below the row group, however large that is.
ROWS_AT_A_TIME = 16
_BLOCK = 1 << 20

#: What pyarrow raises for a file that is not what it should be.
BROKEN = (pa.ArrowException, OSError, EOFError)


@dataclass(frozen=True)
class Rows:
    """Rows that are examined together.

    Attributes
    ----------
    carried : list of pyarrow.Array
        The columns carried over.
    ids : list of (str or None)
        Identities of the captures.
    jobs : iterator
        For each row a function that makes its capture.
    """

    carried: list[Any]
    ids: list[str | None]
    jobs: Iterator[Callable[[], Job]]


@dataclass(frozen=True)
class RowGroup:
    """One row group of a Parquet file in the data set form.

    Attributes
    ----------
    key : str
        Name that its part file begins with.
    path : str
        The file.
    row_group : int
        Number of the row group.
    rows : int
        Captures in it.
    partition : tuple of (str, str)
        Values that the folders' names state.
    """

    key: str
    path: str
    row_group: int
    rows: int
    partition: tuple[tuple[str, str], ...] = ()

    @property
    def paths(self) -> tuple[str, ...]:
        """The files it is made of."""
        return (self.path,)

    @property
    def identity(self) -> str:
        """What decides its part beside settings and the bytes of its files."""
        return f"{self.path}:{self.row_group}:{self.rows}:{self.partition!r}"

    @property
    def place(self) -> str:
        """Where it is, for a person."""
        return f"{self.path}, row group {self.row_group}"

    def content(self) -> str:
        """Hash the bytes of the row group's column chunks and the schema they are read with."""
        digest = hashlib.sha256(repr(self.partition).encode())
        try:
            metadata = pq.read_metadata(self.path)
            digest.update(metadata.schema.to_arrow_schema().serialize())
            group = metadata.row_group(self.row_group)
            with Path(self.path).open("rb") as stream:
                for i in range(group.num_columns):
                    _hash_chunk(digest, stream, group.column(i))
        except BROKEN as error:
            raise damaged(self.path, error) from None
        return digest.hexdigest()

    def read(self, settings: Settings, start: int, stop: int) -> Iterator[Rows]:
        """Read the rows from `start` to `stop` in small batches."""
        first = 0
        for batch in self._batches():
            lower, upper = max(start, first), min(stop, first + batch.num_rows)
            if lower < upper:
                yield self._rows(batch.slice(lower - first, upper - lower), settings)
            first += batch.num_rows

    def without_samples(self, settings: Settings, start: int, stop: int) -> tuple[list[Any], list[str | None]]:
        """Read what is carried over alone, for rows whose samples cannot be read."""
        try:
            with pq.ParquetFile(self.path) as file:
                carried = [name for name in settings.carried.names if name in file.schema_arrow.names]
                table = file.read_row_group(self.row_group, columns=carried)
        except BROKEN as error:
            raise damaged(self.path, error) from None
        batch = with_partition(one_batch(table.slice(start, stop - start)), self.partition)
        return settings.carried_of(batch), batch.column(CAPTURE_ID).to_pylist()

    def _batches(self) -> Iterator[Any]:
        try:
            with pq.ParquetFile(self.path, page_checksum_verification=True, pre_buffer=False) as file:
                yield from file.iter_batches(batch_size=ROWS_AT_A_TIME, row_groups=[self.row_group], use_threads=False)
        except BROKEN as error:
            raise damaged(self.path, error) from None

    def _rows(self, batch: Any, settings: Settings) -> Rows:
        batch = with_partition(batch, self.partition)
        layout = Layout.of(batch.schema, settings.roles_of_columns, path=self.path)
        ids = batch.column(CAPTURE_ID).to_pylist()
        return Rows(settings.carried_of(batch), ids, layout.captures(batch, settings.known))


@dataclass(frozen=True)
class Files:
    """A run of files that :func:`sixpulse.read` takes, one capture each.

    Attributes
    ----------
    key : str
        Name that its part file begins with.
    paths : tuple of str
        The files.
    facts : pyarrow.RecordBatch
        A row for each: ``capture_id`` and what else is known of it.
    """

    key: str
    paths: tuple[str, ...]
    facts: Any

    @property
    def rows(self) -> int:
        """Captures in it."""
        return len(self.paths)

    @property
    def identity(self) -> str:
        """What decides its part beside settings and the bytes of its files."""
        digest = hashlib.sha256(self.facts.schema.serialize())
        digest.update(self.facts.serialize())
        digest.update(repr(self.paths).encode())
        return digest.hexdigest()

    @property
    def place(self) -> str:
        """Where it is, for a person."""
        return self.paths[0] if self.rows == 1 else f"{self.paths[0]} and {self.rows - 1} more"

    def content(self) -> str:
        """Hash the files and what is known of them; one that cannot be read counts by the reason."""
        digest = hashlib.sha256(self.facts.schema.serialize())
        digest.update(self.facts.serialize())
        for path in self.paths:
            try:
                with Path(path).open("rb") as stream:
                    digest.update(hashlib.file_digest(stream, "sha256").digest())
            except OSError as error:
                digest.update(str(error.errno).encode())
        return digest.hexdigest()

    def read(self, settings: Settings, start: int, stop: int) -> Iterator[Rows]:
        """Give the files from `start` to `stop`; each is read when its turn comes."""
        batch = self.facts.slice(start, stop - start)
        facts = Facts(batch)
        jobs = [
            lambda row=row, path=path: _read_file(path, row, facts, settings)
            for row, path in enumerate(self.paths[start:stop])
        ]
        yield Rows(settings.carried_of(batch), batch.column(CAPTURE_ID).to_pylist(), iter(jobs))

    def without_samples(self, settings: Settings, start: int, stop: int) -> tuple[list[Any], list[str | None]]:
        """Give what is carried over alone."""
        batch = self.facts.slice(start, stop - start)
        return settings.carried_of(batch), batch.column(CAPTURE_ID).to_pylist()


Unit: TypeAlias = RowGroup | Files


def with_partition(batch: Any, partition: tuple[tuple[str, str], ...]) -> Any:
    """Append what the folders' names state, where the file has no column of that name."""
    for name, value in partition:
        if name not in batch.schema.names:
            batch = batch.append_column(name, pa.array([value] * batch.num_rows, pa.string()))
    return batch


def one_batch(table: Any) -> Any:
    """Bring a small table to one batch, also an empty one."""
    batches = table.combine_chunks().to_batches()
    return batches[0] if batches else pa.RecordBatch.from_pylist([], schema=table.schema)


def damaged(path: str, error: BaseException) -> FileReadError:
    """Build the error for a Parquet file that cannot be read."""
    if isinstance(error, FileNotFoundError):
        return FileMissingError(f"{path}: no such file", parameter="source", path=path)
    reason = (str(error) or type(error).__name__).splitlines()[0]
    return DamagedFileError(f"{path}: damaged Parquet file: {reason}", parameter="source", path=path)


def _hash_chunk(digest: Any, stream: BinaryIO, chunk: Any) -> None:
    start = chunk.data_page_offset
    if chunk.has_dictionary_page and chunk.dictionary_page_offset is not None:
        start = min(start, chunk.dictionary_page_offset)
    stream.seek(start)
    left = chunk.total_compressed_size
    while left:
        block = stream.read(min(left, _BLOCK))
        if not block:
            raise EOFError("a column chunk ends beyond the file")
        digest.update(block)
        left -= len(block)


def _read_file(path: str, row: int, facts: Facts, settings: Settings) -> Job:
    own = {name: facts.number(name, row) for name in ("engine_rpm", "battery_temperature_c")}
    given: dict[str, Any] = dict(settings.reading) | {name: value for name, value in own.items() if value is not None}
    capture = read(path, roles=dict(settings.roles), **given)
    return Job(capture, *facts.known(row, settings.known))
