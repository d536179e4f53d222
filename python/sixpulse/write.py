"""Writes captures so that :func:`sixpulse.read` reads them back without further statements."""

from __future__ import annotations

import os
from typing import Any

import numpy as np

from . import _core
from ._core import VERSION, Capture
from ._files import write_whole
from .errors import InvalidCombinationError, WrongTypeError

__all__ = ["write_csv", "write_npz"]


def write_npz(path: str | os.PathLike[str], capture: Capture) -> None:
    """Write a capture as a NumPy archive.

    Arrays stand under the traces' names in the form they are kept (int16 counts with ``<name>_lsb`` and
    ``<name>_offset``, float32 or float64), beside them ``sample_rate_hz`` and what is known of each trace
    (``<name>_unit``, ``<name>_role``, ``<name>_coupling`` ...). The file is whole or absent.

    Parameters
    ----------
    path : path-like
        The file; nothing is appended to the name.
    capture : Capture
        What to write.

    Raises
    ------
    UnwritableFileError
        The operating system refused.
    InvalidCombinationError
        A trace's name would be taken for a fact about another, such as "post_lsb" beside "post".

    Examples
    --------
    >>> import pathlib, tempfile, sixpulse
    >>> post = sixpulse.Trace([14.1, 14.3], sample_rate_hz=5e4, coupling="dc", role="charging_post")
    >>> path = pathlib.Path(tempfile.mkdtemp(), "capture.npz")
    >>> write_npz(path, sixpulse.Capture({"post": post}))
    >>> sixpulse.read(path)["post"] == post
    True
    """
    arrays = _arrays(_checked(capture))
    write_whole(path, lambda stream: np.savez_compressed(stream, **arrays))


def write_csv(path: str | os.PathLike[str], capture: Capture) -> None:
    """Write a capture as CSV: preamble lines (rate, coupling, roles, units), a header, a time column and the traces.

    Numbers are printed with the digits that bring back the same float64; counts become values. The file is whole or
    absent.

    Parameters
    ----------
    path : path-like
        The file.
    capture : Capture
        What to write.

    Raises
    ------
    UnwritableFileError
        The operating system refused.

    Examples
    --------
    >>> import pathlib, tempfile, sixpulse
    >>> post = sixpulse.Trace([14.1, 14.3], sample_rate_hz=5e4, coupling="dc", role="charging_post")
    >>> path = pathlib.Path(tempfile.mkdtemp(), "capture.csv")
    >>> write_csv(path, sixpulse.Capture({"post": post}))
    >>> print(path.read_text())
    sample_rate_hz,50000.0
    coupling,dc
    role,charging_post
    unit,V
    time (s),post
    0.0,14.1
    2e-5,14.3
    <BLANKLINE>
    >>> sixpulse.read(path)["post"] == post
    True
    """
    _core.write_csv(os.fspath(path), _checked(capture))


def _checked(capture: object) -> Capture:
    if isinstance(capture, Capture):
        return capture
    actual = type(capture).__name__
    message = f"capture: expected a Capture, got {actual}"
    raise WrongTypeError(message, parameter="capture", expected="a Capture", actual=actual)


def _arrays(capture: Capture) -> dict[str, Any]:
    arrays: dict[str, Any] = {name: trace.raw() for name, trace in capture.items()}
    facts: dict[str, Any] = {
        "sample_rate_hz": capture.sample_rate_hz,
        "sixpulse_version": VERSION,
        "engine_rpm": capture.engine_rpm,
        "battery_temperature_c": capture.battery_temperature_c,
    }
    for name, trace in capture.items():
        facts[f"{name}_unit"] = trace.unit
        facts[f"{name}_role"] = trace.role
        facts[f"{name}_coupling"] = trace.coupling
        facts[f"{name}_coupling_corner_hz"] = trace.coupling_corner_hz
        facts[f"{name}_lsb"] = trace.scale
        facts[f"{name}_offset"] = trace.offset
    reserved = facts.keys() | {"file", "coupling"}
    taken = next((name for name in arrays if name in reserved or not _is_plain(name)), None)
    if taken is not None:
        reason = f"the name {taken!r} cannot stand for a trace in a NumPy archive"
        raise InvalidCombinationError(f"capture: {reason}", parameter="capture", reason=reason)
    return arrays | {name: np.asarray(value) for name, value in facts.items() if value is not None}


def _is_plain(name: str) -> bool:
    """Tell whether a name can be a member of a ZIP archive on every system, and no time column."""
    return bool(name) and not set(name) & set("/\\\0") and name.lower() not in {"time", "t", "allow_pickle"}
