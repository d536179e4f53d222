"""Files that Python libraries read: NPZ, Parquet, COMTRADE. Readers return columns; the core makes the capture."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from . import _core
from ._core import Capture
from ._extras import require
from .errors import (
    DamagedFileError,
    MissingValueError,
    SixpulseError,
    UnreadableFileError,
    UnsupportedFormatError,
)

# Column, role, name, coupling, scale, unit; and coupling, scale, unit for all columns.
Channel: TypeAlias = tuple[str | int, str, str | None, str | None, float | None, str | None]
Shared: TypeAlias = tuple[str | None, float | None, str | None]


@dataclass
class Column:
    """One column as it came, with what the file states about it."""

    position: int
    heading: str
    samples: NDArray[Any]
    scale: float | None = None
    offset: float | None = None
    unit: str | None = None
    coupling: str | None = None
    coupling_corner_hz: float | None = None
    role: str | None = None


@dataclass
class Columns:
    """All columns of a file, and what it states about the whole."""

    columns: list[Column]
    rates: list[tuple[float, str]] = field(default_factory=list)
    times: tuple[str, NDArray[np.float64]] | None = None
    engine_rpm: float | None = None
    battery_temperature_c: float | None = None

    def assemble(
        self,
        path: str,
        channels: list[Channel],
        whole: tuple[float | None, float | None, float | None],
        shared: Shared,
    ) -> Capture:
        """Make the capture that the caller asked for."""
        return _core.assemble(
            path,
            self.columns,
            channels,
            whole,
            shared,
            rates=self.rates,
            times=self.times,
            stated=(self.engine_rpm, self.battery_temperature_c),
        )


# Keys under which array files state the sample rate, or its reciprocal.
_RATE_KEYS = ("sample_rate_hz", "fs", "fs_hz", "sample_rate")
_INTERVAL_KEYS = ("sample_interval_s", "dt", "dt_s")
_TIME_NAMES = ("time", "time_s", "t", "t_s", "timestamp", "time (s)")
_PER_COLUMN = ("lsb", "scale", "offset", "unit", "coupling", "coupling_corner_hz", "role")


def damaged(path: str, kind: str, detail: object) -> DamagedFileError:
    """Build the error for a file that breaks the rules of its format."""
    return DamagedFileError(f"{path}: damaged {kind} file: {detail}", parameter="path", path=path)


def unsupported(path: str, detail: str) -> UnsupportedFormatError:
    """Build the error for a file, or data in it, that is not read."""
    return UnsupportedFormatError(f"{path}: unsupported format: {detail}", parameter="path", path=path)


def read_npz(path: str, keys: Sequence[str | int]) -> Columns:
    """Read named arrays: one-dimensional ones are columns, scalars state facts. Pickled objects are refused."""
    try:
        # The file is opened here because the library leaves it open when the archive is damaged.
        with Path(path).open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
            return _npz_columns(path, archive, keys)
    except SixpulseError:
        raise
    except OSError as error:
        detail = error.strerror or str(error)
        raise UnreadableFileError(f"{path}: reading failed: {detail}", parameter="path", path=path) from None
    # A damaged archive raises whatever its parsing meets: BadZipFile, zlib.error, TokenError, MemoryError ...
    except Exception as error:
        raise damaged(path, "NPZ", (str(error) or type(error).__name__).splitlines()[0]) from None


def _npz_columns(path: str, archive: Any, keys: Sequence[str | int]) -> Columns:
    arrays = {name: archive[name] for name in archive.files if not name.endswith("/")}
    scalars = {name: a.item() for name, a in arrays.items() if a.ndim == 0}
    stated = {f"{name}_{suffix}" for name in arrays for suffix in _PER_COLUMN}
    data = {name: a for name, a in arrays.items() if a.ndim == 1 and name not in stated and a.dtype.kind in "iuf"}
    if not data:
        raise unsupported(path, "no one-dimensional array of numbers in this NPZ file")
    for key in keys:
        if isinstance(key, str) and key in arrays and key not in data:
            array = arrays[key]
            raise unsupported(
                path, f'array "{key}" is {array.dtype} of shape {array.shape}; one axis of numbers is read'
            )

    def fact(name: str, kind: type) -> Any:
        value = scalars.get(name)
        if value is None or (kind is float and isinstance(value, str)):
            return None
        return kind(value)

    columns = []
    times = None
    for position, (name, samples) in enumerate(data.items()):
        if name.lower() in _TIME_NAMES and name not in keys:
            times = (name, samples.astype(np.float64))
            continue
        scale = fact(f"{name}_lsb", float)
        columns.append(
            Column(
                position=position,
                heading=name,
                samples=samples,
                scale=fact(f"{name}_scale", float) if scale is None else scale,
                offset=fact(f"{name}_offset", float),
                unit=fact(f"{name}_unit", str) or "",
                coupling=fact(f"{name}_coupling", str) or fact("coupling", str),
                coupling_corner_hz=fact(f"{name}_coupling_corner_hz", float),
                role=fact(f"{name}_role", str),
            )
        )
    return Columns(
        columns,
        rates=_stated_rates(scalars.items()),
        times=times,
        engine_rpm=fact("engine_rpm", float),
        battery_temperature_c=fact("battery_temperature_c", float),
    )


def _stated_rates(facts: Iterable[tuple[str, Any]]) -> list[tuple[float, str]]:
    rates = []
    for name, value in facts:
        try:
            number = float(value)
        except (TypeError, ValueError):
            continue
        if name in _RATE_KEYS and number > 0.0:
            rates.append((number, f'"{name}"'))
        elif name in _INTERVAL_KEYS and number > 0.0:
            rates.append((1.0 / number, f'"{name}"'))
    return rates


def read_parquet(path: str, keys: Sequence[str | int]) -> Columns:
    """Read the columns of a table; a rate may stand in the schema's metadata, or follow from a time column."""
    arrow = require("pyarrow", extra="formats")
    parquet = require("pyarrow.parquet", extra="formats")
    try:
        with parquet.ParquetFile(path) as file:
            schema = file.schema_arrow
            time = next((n for n in schema.names if n.lower() in _TIME_NAMES and n not in keys), None)
            wanted = [i for i, entry in enumerate(schema) if _is_wanted(i, entry, keys) and entry.name != time]
            table = file.read(columns=[schema.names[i] for i in wanted] + ([time] if time else []))
    except (arrow.ArrowException, OSError, ValueError) as error:
        text = str(error) or type(error).__name__
        raise damaged(path, "Parquet", text.splitlines()[0]) from None
    columns = []
    for i in wanted:
        column = table.column(schema.names[i])
        _check_arrow(path, schema.names[i], column)
        columns.append(Column(position=i, heading=schema.names[i], samples=column.to_numpy()))
    facts = ((k.decode(errors="replace"), v.decode(errors="replace")) for k, v in (schema.metadata or {}).items())
    times = (time, _arrow_seconds(path, time, table.column(time))) if time else None
    return Columns(columns, rates=_stated_rates(facts), times=times)


def _is_wanted(position: int, entry: Any, keys: Sequence[str | int]) -> bool:
    """Tell whether a column may be meant: by position, by name, or by name before a bracketed unit."""
    name = entry.name
    bare = name.rsplit(" (", 1)[0].rsplit(" [", 1)[0]
    digits = {int(key) for key in keys if isinstance(key, str) and key.isdecimal()}
    return position in keys or position in digits or name in keys or bare in keys


def _check_arrow(path: str, name: str, column: Any) -> None:
    dtype = column.type.to_pandas_dtype()
    if not (isinstance(dtype, type) and issubclass(dtype, np.integer | np.floating)):
        raise unsupported(path, f'column "{name}" is {column.type}; integers and floats are read')
    if column.null_count:
        nulls = column.is_null().to_numpy()
        row = int(np.flatnonzero(nulls)[0]) + 1
        message = f'{path}, row {row}, column "{name}": the cell holds no value'
        raise MissingValueError(message, parameter="path", path=path, row=row, column=name, cell="null")


def _arrow_seconds(path: str, name: str, column: Any) -> NDArray[np.float64]:
    """Bring a time column to seconds from its first row, whatever its type."""
    text = str(column.type)
    if column.null_count:
        _check_arrow(path, name, column.cast("int64") if text.startswith(("timestamp", "duration")) else column)
    if not text.startswith(("timestamp", "duration")):
        _check_arrow(path, name, column)
        return np.asarray(column.to_numpy(), dtype=np.float64)
    ticks = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
    counts = column.cast("int64").to_numpy()
    seconds: NDArray[np.float64] = (counts - counts[:1]).astype(np.float64) * ticks[column.type.unit]
    return seconds


# IEEE C37.111-1999 and -2013, clause 8.6: bytes of a sample number, a time stamp, and a group of 16 status bits.
_COMTRADE_ROW_HEAD = 8
_COMTRADE_STATUS_GROUP = 2
_COMTRADE_ANALOG_BYTES = {"BINARY": 2, "BINARY32": 4, "FLOAT32": 4}


def read_comtrade(path: str, keys: Sequence[str | int]) -> Columns:
    """Read the analogue channels of an IEEE C37.111 recording; binary 16-bit counts stay counts."""
    del keys
    library = require("comtrade", extra="formats")
    source = Path(path)
    record = library.Comtrade(use_numpy_arrays=True, use_double_precision=True, ignore_warnings=True)
    try:
        if source.suffix.lower() == ".cff":
            record.load(path)
        else:
            config = _sibling(source, ".cfg")
            data = _sibling(source, ".dat")
            record.load(str(config), str(data))
            _check_comtrade_length(path, data, record)
    except (DamagedFileError, UnreadableFileError):
        raise
    # The library lets whatever its parsing meets come through, from IndexError to struct.error.
    except Exception as error:
        raise damaged(path, "COMTRADE", (str(error) or type(error).__name__).splitlines()[0]) from None
    if not record.total_samples or not record.analog_count:
        raise damaged(path, "COMTRADE", "no samples of an analogue channel")
    columns = [
        _comtrade_column(i, channel, np.asarray(values, dtype=np.float64), record.ft)
        for i, (channel, values) in enumerate(zip(record.cfg.analog_channels, record.analog, strict=True))
    ]
    segments = [rate for rate, _ in record.cfg.sample_rates]
    if len(set(segments)) == 1 and segments[0] > 0.0:
        return Columns(columns, rates=[(float(segments[0]), "configuration file")])
    return Columns(columns, times=("time", np.asarray(record.time, dtype=np.float64)))


def _sibling(source: Path, suffix: str) -> Path:
    """Find the file of that suffix beside another, in either case."""
    if source.suffix.lower() == suffix:
        return source
    for candidate in (suffix, suffix.upper(), suffix.capitalize()):
        path = source.with_suffix(candidate)
        if path.is_file():
            return path
    message = f"{source}: reading failed: the {suffix} file beside it is missing"
    raise UnreadableFileError(message, parameter="path", path=str(source))


def _check_comtrade_length(path: str, data: Path, record: Any) -> None:
    """Refuse a data file shorter than promised: the library would fill the rest with zeros."""
    width = _COMTRADE_ANALOG_BYTES.get(record.ft.upper())
    if width is None:
        with data.open("rb") as stream:
            rows = sum(1 for line in stream if line.strip(b" \r\n\x1a"))
    else:
        groups = -(-record.status_count // 16)
        row = _COMTRADE_ROW_HEAD + width * record.analog_count + _COMTRADE_STATUS_GROUP * groups
        rows = data.stat().st_size // row
    if rows < record.total_samples:
        raise damaged(path, "COMTRADE", f"{rows} rows of data, its configuration promises {record.total_samples}")


def _comtrade_column(position: int, channel: Any, values: NDArray[np.float64], form: str) -> Column:
    """One channel: value = a * count + b, as the configuration states."""
    column = Column(position=position, heading=channel.name, samples=values, unit=channel.uu or "")
    if form.upper() != "BINARY" or not channel.a or not np.isfinite(values).all():
        return column
    counts = np.rint((values - channel.b) / channel.a)
    # Counts are whole by construction; the check keeps a value that is none from being rounded into one.
    whole = np.allclose(counts * channel.a + channel.b, values, rtol=1e-9, atol=1e-6 * abs(channel.a))
    if not whole or np.abs(counts).max() > np.iinfo(np.int16).max:
        return column
    column.samples, column.scale, column.offset = counts.astype(np.int16), float(channel.a), float(channel.b)
    return column


READERS: dict[str, Callable[[str, Sequence[str | int]], Columns]] = {
    "npz": read_npz,
    "parquet": read_parquet,
    "comtrade": read_comtrade,
}
