"""Reads captures from the files instruments export.

Understood are delimited text (CSV and its relatives, found out by :func:`sniff`), WAV, NPY and NPZ; with the extra
``formats`` also Parquet (pyarrow) and COMTRADE, the IEEE C37.111 exchange format (comtrade). The first bytes of a file
decide which it is, its extension where they say nothing.

Nothing is guessed silently: sample rate and coupling are stated by the file or by the caller, and bare counts need a
scale. A file that cannot be read raises one of the :class:`sixpulse.errors.FileReadError` family: one line that names
the file, the row (counting from 1) and the reason.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, TypeVar

from . import _core
from ._core import Capture, CsvDialect
from ._refusals import need_text, wrong_type
from .errors import InvalidCombinationError

if TYPE_CHECKING:
    from ._formats import Channel, Shared

__all__ = ["CsvDialect", "read", "sniff"]

ColumnKey: TypeAlias = str | int
Coupling: TypeAlias = Literal["dc", "ac"]
_Key = TypeVar("_Key", bound=str | int)


def read(
    path: str | os.PathLike[str],
    *,
    roles: Mapping[_Key, str] | None = None,
    sample_rate_hz: float | None = None,
    coupling: Coupling | Mapping[_Key, Coupling] | None = None,
    names: Mapping[_Key, str] | None = None,
    scale: float | Mapping[_Key, float] | None = None,
    unit: str | Mapping[_Key, str] | None = None,
    engine_rpm: float | None = None,
    battery_temperature_c: float | None = None,
    dialect: CsvDialect | None = None,
) -> Capture:
    r"""Read a capture from a file.

    Parameters
    ----------
    path : path-like
        The file.
    roles : mapping of column to role
        Which columns become traces, and where their probes were. A column is named by its name (or its whole header
        cell) or by its position, counting from 0 over all columns of the file, the time column included. May be left
        out only where the file states the roles itself, as files written by this library do.
    sample_rate_hz : float, optional
        Samples per second. Required unless the file states it: an interval or rate line, a time column, a header field.
        Where both do, they must agree within 0.1 %.
    coupling : {"dc", "ac"} or mapping of column to one of these, optional
        How the inputs were coupled. Required unless the file states it; where both do, this one holds.
    names : mapping of column to str, optional
        Names of the traces in the capture, where they are not to be the columns' names.
    scale : float or mapping of column to float, optional
        Factor on the values, applied after prefixes such as milli are resolved: 10 for a 10:1 probe, 10 for a clamp of
        100 mV/A. For bare integer counts, units per count (required); for WAV, volts at full scale (required).
    unit : str or mapping of column to str, optional
        Unit of the values after `scale`, without prefix; the file's unit, or the role's, when not given.
    engine_rpm, battery_temperature_c : float, optional
        Passed on to the capture.
    dialect : CsvDialect, optional
        How a text file is to be understood, from :func:`sniff`; found out anew when not given.

    Returns
    -------
    Capture
        Traces in the order of `roles`. Counts stay int16 with a scale, float32 without a factor stays float32,
        everything else is float64.

    Raises
    ------
    FileReadError
        The file cannot be read: see its subclasses for the reasons and codes.
    SixpulseError
        An argument is refused: unknown role, bad scale, a column key without role.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp(), "sprayer.csv")
    >>> text = "Sample interval;0,02 ms\n\nPost (V);Speed (mV)\n14,10;250\n14,30;-250\n14,20;251\n"
    >>> _ = path.write_text(text, encoding="utf-8")
    >>> capture = read(path, roles={"Post": "charging_post", "Speed": "speed_sensor"}, coupling="dc")
    >>> capture.sample_rate_hz
    50000.0
    >>> capture["Speed"].values().tolist()
    [0.25, -0.25, 0.251]
    """
    text = _path(path)
    channels, shared = _channels(roles, names=names, coupling=coupling, scale=scale, unit=unit)
    whole = (
        _number("sample_rate_hz", sample_rate_hz),
        _number("engine_rpm", engine_rpm),
        _number("battery_temperature_c", battery_temperature_c),
    )
    kind = _core.detect_format(text)
    if dialect is not None:
        if not isinstance(dialect, CsvDialect):
            raise wrong_type("dialect", "a CsvDialect", dialect)
        if kind != "csv":
            reason = f"a dialect describes text, the file is {kind}"
            raise InvalidCombinationError(f"dialect: {reason}", parameter="dialect", reason=reason)
    from . import _formats  # noqa: PLC0415 - what reads nothing should not wait for it

    if kind in _formats.READERS:
        columns = _formats.READERS[kind](text, [key for key, *_ in channels])
        return columns.assemble(text, channels, whole, shared)
    return _core.read_file(text, channels, whole, shared, dialect)


def sniff(
    path: str | os.PathLike[str],
    *,
    encoding: Literal["utf-8", "utf-16-le", "utf-16-be", "windows-1252"] | None = None,
    delimiter: str | None = None,
    decimal: Literal[".", ","] | None = None,
) -> CsvDialect:
    r"""Say how a text file is to be read: where the numbers begin, what separates them, what the columns are.

    Parameters
    ----------
    path : path-like
        The file; its first 256 KiB are looked at.
    encoding, delimiter, decimal : str, optional
        What is known already; only the rest is found out. The delimiter is one ASCII character, a blank standing for
        any run of blanks.

    Returns
    -------
    CsvDialect
        Frozen; ``str(dialect)`` tells in words how the file is understood and why, ``to_dict`` saves it, and it can be
        given to :func:`read` for other files of the same layout. A figure such as the sample interval is read from
        each file anew.

    Raises
    ------
    FileReadError
        The file is missing, empty, no text, has no numbers in it, or can be read in two ways.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp(), "scope.csv")
    >>> _ = path.write_text("Time,CH1\nms,mV\n0.00,14100\n0.02,14110\n", encoding="utf-8")
    >>> print(sniff(path))
    utf-8 text, fields separated by ",", decimal mark "."
    column names in row 1
    units in row 2
    numbers from row 3
    column 0: "Time", time, numbers * 0.001 = s
    column 1: "CH1", value, numbers * 0.001 = V
    - 2 rows of 2 columns looked at
    - column 0 is time by its unit
    <BLANKLINE>
    """
    for name, value in (("encoding", encoding), ("delimiter", delimiter), ("decimal", decimal)):
        _text(name, value)
    for name, value in (("delimiter", delimiter), ("decimal", decimal)):
        if value is not None and len(value) != 1:
            reason = f"expected one character, got {value!r}"
            raise InvalidCombinationError(f"{name}: {reason}", parameter=name, reason=reason)
    return _core.sniff(_path(path), encoding=encoding, delimiter=delimiter, decimal=decimal)


def _path(path: object) -> str:
    if not isinstance(path, str | os.PathLike):
        raise wrong_type("path", "a path", path)
    text = os.fspath(path)
    if not isinstance(text, str):
        raise wrong_type("path", "a path of text", text)
    return text


def _number(parameter: str, value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool | str):
        raise wrong_type(parameter, "a number", value)
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise wrong_type(parameter, "a number", value) from None


def _text(parameter: str, value: object) -> str | None:
    if value is None:
        return None
    if isinstance(value, str):
        return need_text(parameter, value)
    raise wrong_type(parameter, "a string", value)


def _channels(
    roles: Mapping[Any, str] | None,
    *,
    names: object,
    coupling: object,
    scale: object,
    unit: object,
) -> tuple[list[Channel], Shared]:
    """Bring the keywords to one entry a column, and what holds for all columns to one entry each."""
    if roles is None:
        roles = {}
    if not isinstance(roles, Mapping):
        raise wrong_type("roles", "a mapping of column to role", roles)
    if names is not None and not isinstance(names, Mapping):
        raise wrong_type("names", "a mapping of column to name", names)
    per_column = {"names": names, "coupling": coupling, "scale": scale, "unit": unit}
    for parameter, given in per_column.items():
        if isinstance(given, Mapping):
            _check_keys(parameter, given, roles)
    channels: list[Channel] = []
    for key, role in roles.items():
        if isinstance(key, bool) or not isinstance(key, str | int) or (isinstance(key, int) and key < 0):
            raise wrong_type("roles", "column names or positions from 0 as keys", key)
        if not isinstance(role, str):
            raise wrong_type("roles", "role names as values", role)
        need_text("roles", f"{key}{role}")
        channels.append(
            (
                key,
                role,
                _text("names", _for_column(names, key)),
                _text("coupling", _for_column(coupling, key)),
                _number("scale", _for_column(scale, key)),
                _text("unit", _for_column(unit, key)),
            )
        )
    everyone = (
        None if isinstance(coupling, Mapping) else _text("coupling", coupling),
        None if isinstance(scale, Mapping) else _number("scale", scale),
        None if isinstance(unit, Mapping) else _text("unit", unit),
    )
    return channels, everyone


def _for_column(given: object, key: ColumnKey) -> object:
    return given.get(key) if isinstance(given, Mapping) else None


def _check_keys(parameter: str, given: Mapping[Any, object], roles: Mapping[Any, str]) -> None:
    for key in given:
        if key not in roles:
            reason = f"column {key!r} has no role"
            raise InvalidCombinationError(f"{parameter}: {reason}", parameter=parameter, reason=reason)
