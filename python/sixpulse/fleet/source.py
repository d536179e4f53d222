"""Looks at a source before the run: which units there are, what cannot be read, which identities are not unique."""

from __future__ import annotations

import collections
import glob
import hashlib
import os
import re
import stat
import urllib.parse
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from ..errors import (
    DamagedFileError,
    FileMissingError,
    FileReadError,
    FolderNotFileError,
    InvalidCombinationError,
    UnknownColumnError,
    WrongTypeError,
)
from .dataset import CAPTURE_ID, Layout, wrong_schema
from .summary import Unreadable
from .units import BROKEN, Files, RowGroup, Unit, damaged

__all__: list[str] = []

_HIDDEN = ("_", ".")
_GLOB = re.compile(r"[*?\[]")
#: Files of one unit: on average and at most. Where a unit ends depends on the names alone, so that a file more changes
#: one unit and not all that follow.
_FILES_MEAN, _FILES_MAX = 8, 32
_EXTENSIONS = frozenset({".csv", ".tsv", ".txt", ".wav", ".npy", ".npz", ".parquet", ".cff", ".cfg"})


@dataclass
class Survey:
    """What a source holds.

    Attributes
    ----------
    units : list of Unit
        Units of work, in the order of the source.
    carried : pyarrow.Schema
        Columns carried over.
    circuits : tuple of str
        Traces tested for contamination.
    unreadable : list of Unreadable
        Files that cannot be read or are not in the data set form.
    ids : dict of str to pyarrow.Array
        Identities by unit.
    stamps : dict of str to (int, int)
        Size and modification time in nanoseconds, by file.
    """

    units: list[Unit] = field(default_factory=list)
    carried: Any = None
    circuits: tuple[str, ...] = ()
    unreadable: list[Unreadable] = field(default_factory=list)
    ids: dict[str, Any] = field(default_factory=dict)
    stamps: dict[str, tuple[int, int]] = field(default_factory=dict)

    def duplicates(self) -> frozenset[str]:
        """Return the identities that stand for several captures."""
        if not self.ids:
            return frozenset()
        counts = pc.value_counts(pa.chunked_array([*self.ids.values()], type=pa.string()))
        several = pc.filter(counts.field(0), pc.greater(counts.field(1), 1))
        return frozenset(identity for identity in several.to_pylist() if identity is not None)

    def duplicates_of(self, unit: Unit, duplicates: frozenset[str]) -> frozenset[str]:
        """Return those of them that occur in a unit."""
        return duplicates & set(self.ids[unit.key].to_pylist()) if duplicates else duplicates


def survey(source: str, *, roles: Mapping[Any, str] | None, captures: Any) -> Survey:
    """Look at a source.

    Parameters
    ----------
    source : str
        A folder, a file, or a glob.
    roles : mapping or None
        Roles by column.
    captures : table or None
        What is known of each file; for files alone.

    Raises
    ------
    FileMissingError
        Nothing there.
    DatasetSchemaError, DamagedFileError
        Nothing in it can be read.
    """
    root, paths = find_files(source)
    if captures is None and is_dataset(paths):
        return _survey_dataset(root, [path for path in paths if path.suffix == ".parquet"], roles)
    return survey_files(root, paths, captures)


def find_files(source: str) -> tuple[Path, list[Path]]:
    """Return the folder that names are relative to, and the files in the order of their names."""
    source = os.path.abspath(source)  # noqa: PTH100 - resolve() would follow links out of the data set
    path = Path(source)
    if path.is_dir():
        root, found = path, [Path(folder, name) for folder, _, names in os.walk(path) for name in names]
    elif path.is_file():
        root, found = path.parent, [path]
    else:
        root = _fixed_part(source)
        found = [Path(name) for name in glob.glob(source, recursive=True) if Path(name).is_file()]  # noqa: PTH207
    shown = [
        p for p in found if not any(part.startswith(_HIDDEN) for part in p.relative_to(root).parts) and not _waits(p)
    ]
    if not shown:
        raise FileMissingError(f"{source}: no file there", parameter="source", path=source)
    return root, sorted(shown, key=lambda p: p.relative_to(root).parts)


def _waits(path: Path) -> bool:
    """Tell a pipe, a socket or a device: opened for reading, it may wait for ever."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return False  # a link to nothing: its row says so
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def _fixed_part(pattern: str) -> Path:
    """Return the folder above the first part of a glob that is one."""
    parts = Path(pattern).parts
    magic = next((i for i, part in enumerate(parts) if _GLOB.search(part)), max(len(parts) - 1, 0))
    return Path(*parts[:magic])


def is_dataset(paths: Sequence[Path]) -> bool:
    """Tell whether files are in the data set form: the first Parquet file that can be read has capture_id."""
    for path in paths:
        if path.suffix != ".parquet":
            continue
        try:
            schema = pq.read_schema(path)
        except BROKEN:
            continue
        return CAPTURE_ID in schema.names or any(pa.types.is_nested(kind) for kind in schema.types)
    return all(path.suffix == ".parquet" for path in paths)


# Data set form --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Seen:
    """What the footer of a file says, and its column of identities."""

    path: Path
    partition: tuple[tuple[str, str], ...]
    carried: Any
    circuits: tuple[str, ...]
    ids: list[Any]


def _survey_dataset(root: Path, paths: Sequence[Path], roles: Mapping[Any, str] | None) -> Survey:
    made = Survey()
    seen: list[_Seen] = []
    errors: list[FileReadError] = []
    for path in paths:
        try:
            seen.append(_look_at(root, path, roles))
            made.stamps[str(path)] = stamp(path)
        except FileReadError as error:
            errors.append(error)
            made.unreadable.append(Unreadable(str(path), None, error.code, str(error)))
    made.carried, strangers = _common_schema(seen)
    for one, reason in strangers:
        refusal = wrong_schema(str(one.path), reason)
        errors.append(refusal)
        made.unreadable.append(Unreadable(str(one.path), None, refusal.code, str(refusal)))
    fitting = [one for one in seen if all(one is not stranger for stranger, _ in strangers)]
    if not fitting:
        raise errors[0]
    made.circuits = tuple(sorted({circuit for one in fitting for circuit in one.circuits}))
    for one in fitting:
        _add_units(made, root, one)
    return made


def _look_at(root: Path, path: Path, roles: Mapping[Any, str] | None) -> _Seen:
    try:
        with pq.ParquetFile(path) as file:
            layout = Layout.of(file.schema_arrow, roles, path=str(path))
            carried = pa.schema([file.schema_arrow.field(name).remove_metadata() for name in layout.carried])
            ids = [
                file.read_row_group(i, columns=[CAPTURE_ID]).column(CAPTURE_ID).cast(pa.string()).combine_chunks()
                for i in range(file.num_row_groups)
            ]
    except BROKEN as error:
        raise damaged(str(path), error) from None
    partition = _partition(root, path)
    for name, _ in partition:
        if name not in carried.names:
            carried = carried.append(pa.field(name, pa.string()))
    return _Seen(path, partition, carried, layout.circuits, ids)


def _partition(root: Path, path: Path) -> tuple[tuple[str, str], ...]:
    """Read ``key=value`` off the folders' names."""
    folders = path.relative_to(root).parts[:-1]
    pairs = (folder.partition("=") for folder in folders if "=" in folder)
    return tuple((name, urllib.parse.unquote(value)) for name, _, value in pairs)


def _common_schema(seen: Sequence[_Seen]) -> tuple[Any, list[tuple[_Seen, str]]]:
    """Find the columns that files carry over together; the most common layout decides where they disagree."""
    counts = collections.Counter(str(one.carried) for one in seen)
    order = sorted(seen, key=lambda one: -counts[str(one.carried)])
    common = pa.schema([])
    strangers = []
    for one in order:
        try:
            common = pa.unify_schemas([common, one.carried], promote_options="permissive")
        except pa.ArrowException as error:
            strangers.append((one, f"its columns do not fit the other files': {str(error).splitlines()[0]}"))
    return common, strangers


def _add_units(made: Survey, root: Path, one: _Seen) -> None:
    stem = key_of(one.path.relative_to(root))
    for number, ids in enumerate(one.ids):
        unit = RowGroup(f"{stem}-{number:05d}", str(one.path), number, len(ids), one.partition)
        made.units.append(unit)
        made.ids[unit.key] = ids


def key_of(relative: Path) -> str:
    """Make the name that a file's parts begin with: readable, in the order of the files, and unique."""
    name = shown(relative.as_posix())
    digest = hashlib.sha256(name.encode()).hexdigest()[:8]
    return f"part-{re.sub(r'[^A-Za-z0-9]+', '-', name.removesuffix('.parquet'))[-60:].strip('-')}-{digest}"


def shown(name: str) -> str:
    r"""Write a file's name as Unicode text; a byte of it that belongs to none stands as ``\xff``."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def stamp(path: str | Path) -> tuple[int, int]:
    """Return size and modification time in nanoseconds."""
    status = os.stat(path)  # noqa: PTH116
    return status.st_size, status.st_mtime_ns


# Files ----------------------------------------------------------------------------------------------------------------


def survey_files(root: Path, paths: Sequence[Path], captures: Any) -> Survey:
    """Cut a folder of files into units; a table of captures says which files count and what is known of them."""
    if captures is None:
        files = [path for path in paths if path.suffix.lower() in _EXTENSIONS]
        if not files:
            place = str(paths[0] if len(paths) == 1 else root)
            known = ", ".join(sorted(_EXTENSIONS))
            message = f"{place}: no capture there; by their names captures are files of {known}"
            raise FileMissingError(message, parameter="source", path=place)
        names = [shown(path.relative_to(root).as_posix()) for path in files]
        facts = pa.table({CAPTURE_ID: pa.array(names, pa.string())})
    else:
        table = table_of(captures)
        names = _names_of(table)
        files = [root / name for name in names]
        facts = table.drop_columns(["path"])
        if CAPTURE_ID not in facts.column_names:
            facts = facts.add_column(0, CAPTURE_ID, pa.array(names, pa.string()))
    made = Survey(carried=facts.schema.remove_metadata())
    for start, stop in _cuts(names):
        rows = facts.take(pa.array(range(start, stop))).combine_chunks().to_batches()[0]
        key = key_of(Path(names[start]))
        unit = Files(key, tuple(str(path) for path in files[start:stop]), rows)
        made.units.append(unit)
        made.ids[key] = rows.column(CAPTURE_ID).cast(pa.string())
    made.stamps = {str(path): stamp(path) for path in files if path.is_file()}
    return made


def table_of(captures: Any) -> Any:
    """Bring a table to Arrow: a file of CSV or Parquet, or anything that exports Arrow."""
    if isinstance(captures, str | os.PathLike):
        path = os.fspath(captures)
        try:
            if str(path).endswith(".parquet"):
                return pq.read_table(path)
            return pyarrow.csv.read_csv(path)
        except BROKEN as error:
            raise _no_table(str(path), error) from None
    if isinstance(captures, pa.Table):
        return captures
    if hasattr(captures, "__arrow_c_stream__"):
        return pa.table(captures)
    if isinstance(captures, Mapping):
        return pa.table(dict(captures))
    actual = type(captures).__name__
    expected = "an Arrow table, a data frame, or a path of CSV or Parquet"
    message = f"captures: expected {expected}, got {actual}"
    raise WrongTypeError(message, parameter="captures", expected=expected, actual=actual)


def _no_table(path: str, error: BaseException) -> FileReadError:
    if isinstance(error, FileNotFoundError):
        return FileMissingError(f"{path}: no such file", parameter="captures", path=path)
    if os.path.isdir(path):  # noqa: PTH112 - as it was given
        return FolderNotFileError(f"{path}: this is a folder, not a file", parameter="captures", path=path)
    reason = (str(error) or type(error).__name__).splitlines()[0]
    message = f"{path}: neither a CSV nor a Parquet table: {reason}"
    return DamagedFileError(message, parameter="captures", path=path)


def _names_of(table: Any) -> list[str]:
    if "path" not in table.column_names:
        raise UnknownColumnError('captures: it has no column "path"', parameter="captures", path="captures")
    names: list[str] = table.column("path").to_pylist()
    if not names or any(not isinstance(name, str) for name in names):
        reason = "every row must name a file, and there must be one"
        raise InvalidCombinationError(f"captures: {reason}", parameter="captures", reason=reason)
    if len(set(names)) < len(names):
        reason = "a file is named twice"
        raise InvalidCombinationError(f"captures: {reason}", parameter="captures", reason=reason)
    return names


def _cuts(names: Sequence[str]) -> Iterable[tuple[int, int]]:
    """Cut where a name's own hash says so, and where a run gets too long."""
    start = 0
    for i, name in enumerate(names, start=1):
        ends = hashlib.sha256(name.encode()).digest()[0] % _FILES_MEAN == 0
        if ends or i - start == _FILES_MAX or i == len(names):
            yield start, i
            start = i
