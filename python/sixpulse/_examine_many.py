"""Many captures in one call: from a list, a two-dimensional array, or an Arrow array of lists."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeAlias

import numpy as np

from . import _core
from ._core import Capture, Machine, Trace
from ._extras import require
from ._refusals import refuse
from .errors import LengthMismatchError, MissingValueError, ShapeError, SixpulseError
from .results import Examination

__all__ = ["examine_many"]

_Row: TypeAlias = Callable[[int], Capture]


def examine_many(
    captures: Any,
    *,
    roles: str | Mapping[str, str] | None = None,
    sample_rate_hz: float | Sequence[float] | None = None,
    coupling: str | Mapping[str, str] | None = None,
    scale: float | Mapping[str, float] | None = None,
    offset: float | Mapping[str, float] | None = None,
    engine_rpm: float | Sequence[float | None] | None = None,
    machine: Machine | Sequence[Machine | None] | None = None,
    electrical_hz: float | Sequence[float | None] | None = None,
    threads: int | None = None,
) -> list[Examination | SixpulseError | Exception]:
    """Examine many captures on several threads; each result is the one of a call of :func:`examine`.

    The interpreter is free while captures are examined. The threads live as long as the call, so that nothing is in the
    way of a fork or a spawned process.

    Parameters
    ----------
    captures : sequence of Capture, array, or mapping of name to array
        Captures, or their samples, one capture a row: a two-dimensional array, or an Arrow array of lists (anything
        with ``__arrow_c_array__`` or ``__arrow_c_stream__``; needs pyarrow), whose rows may differ in length. A mapping
        holds one such array for each trace. No array is copied as a whole: a row is, when its turn comes.
    roles : str or mapping of name to role
        For arrays: the role of the rows, or of each trace. A trace without a name of its own is named after its role.
    sample_rate_hz : float or sequence of float
        For arrays: samples per second of all rows, or of each.
    coupling : str or mapping of name to str
        For arrays: "dc" or "ac".
    scale, offset : float or mapping of name to float, optional
        For arrays of whole numbers: units per count, and units at count 0.
    engine_rpm : float or sequence of float, optional
        For arrays: engine speed of all rows, or of each.
    machine, electrical_hz : optional
        As for :func:`examine`: one for all captures, or a sequence with one for each.
    threads : int, optional
        Threads that examine, the caller's among them; as many as the process may run on when not given.

    Returns
    -------
    list of Examination or exception
        In the order of the captures. What cannot be examined costs its own place alone: there stands the exception that
        :func:`examine` or :class:`Trace` would raise.

    Raises
    ------
    InvalidCombinationError, LengthMismatchError, ShapeError
        For arguments that do not fit together.
    MissingDependencyError
        An Arrow array without pyarrow.

    Examples
    --------
    >>> import numpy as np
    >>> import sixpulse
    >>> angle = 2 * np.pi * np.array([[150.0], [200.0], [250.0]]) * np.arange(20_000) / 50_000
    >>> phases = np.cos(angle - np.array([0.0, 2 * np.pi / 3, 4 * np.pi / 3])[:, None, None])
    >>> volts = 14 + phases.max(axis=0) - phases.min(axis=0)
    >>> volts[1, 7] = np.nan
    >>> found = sixpulse.examine_many(volts, roles="charging_post", sample_rate_hz=50_000, coupling="dc", threads=2)
    >>> round(found[0].cycle.electrical_hz), found[1].code, round(found[2].cycle.electrical_hz)
    (150, 'non_finite', 250)
    """
    of_arrays = {
        "roles": roles,
        "sample_rate_hz": sample_rate_hz,
        "coupling": coupling,
        "scale": scale,
        "offset": offset,
        "engine_rpm": engine_rpm,
    }
    listed = isinstance(captures, list | tuple) and all(isinstance(one, Capture) for one in captures)
    count, capture_of = _of_captures(captures, of_arrays) if listed else _of_arrays(captures, of_arrays)
    machine_of = _each("machine", machine, count)
    hz_of = _each("electrical_hz", electrical_hz, count)
    return _core.examine_many(
        count,
        lambda i: (capture_of(i), machine_of(i), hz_of(i)),
        Examination._from_core,
        threads_of(threads),
    )


#: No more of them ever run than there are captures; this is what a whole number of the core holds everywhere.
_MOST_THREADS = 2**31 - 1


def threads_of(given: int | None) -> int:
    """Check a number of threads; as many as the process may run on when not given."""
    if given is None:
        # Those that the process may run on; some systems only know how many there are.
        return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if isinstance(given, int) and not isinstance(given, bool) and 1 <= given <= _MOST_THREADS:
        return given
    raise refuse("threads", f"expected a whole number from 1 to {_MOST_THREADS}, got {given!r}")


def _of_captures(captures: Sequence[Capture], of_arrays: Mapping[str, Any]) -> tuple[int, _Row]:
    for name, value in of_arrays.items():
        if value is not None:
            raise refuse(name, "captures have their own")
    return len(captures), captures.__getitem__


def _of_arrays(given: Any, facts: Mapping[str, Any]) -> tuple[int, _Row]:
    roles = facts["roles"]
    if not isinstance(given, Mapping):
        if not isinstance(roles, str):
            raise refuse("roles", "an array of captures needs the role of its rows, such as roles='charging_post'")
        given, roles = {roles: given}, {roles: roles}
    if not isinstance(roles, Mapping) or roles.keys() != given.keys():
        raise refuse("roles", "expected a role for each array")
    arrays = {name: _rows(name, array) for name, array in given.items()}
    counts = {len(array) for array in arrays.values()}
    if len(counts) != 1:
        expected, actual = (min(counts), max(counts)) if counts else (1, 0)
        raise LengthMismatchError(
            f"captures: expected arrays of as many rows each, got {sorted(counts)}",
            parameter="captures",
            expected=expected,
            actual=actual,
        )
    (count,) = counts
    rate_of = _each("sample_rate_hz", facts["sample_rate_hz"], count)
    rpm_of = _each("engine_rpm", facts["engine_rpm"], count)
    fixed = {name: _settings(name, role, facts) for name, role in roles.items()}

    def capture(row: int) -> Capture:
        traces = {name: Trace(array[row], sample_rate_hz=rate_of(row), **fixed[name]) for name, array in arrays.items()}
        return Capture(traces, engine_rpm=rpm_of(row))

    if facts["sample_rate_hz"] is None:
        raise refuse("sample_rate_hz", "arrays need it")
    return count, capture


def _settings(name: str, role: str, facts: Mapping[str, Any]) -> dict[str, Any]:
    """Role, coupling, scale and offset of one trace."""
    made: dict[str, Any] = {"role": role}
    for key in ("coupling", "scale", "offset"):
        value = facts[key].get(name) if isinstance(facts[key], Mapping) else facts[key]
        if value is not None:
            made[key] = value
    if "coupling" not in made:
        raise refuse("coupling", f'"{name}" has none')
    return made


def _each(name: str, value: Any, count: int) -> Callable[[int], Any]:
    """Return a function that gives the value of a row: one for all, or one for each."""
    if value is None or isinstance(value, int | float | Machine) or np.ndim(value) == 0:
        return lambda _: value
    if len(value) != count:
        raise LengthMismatchError(
            f"{name}: expected {count} values, got {len(value)}", parameter=name, expected=count, actual=len(value)
        )
    return lambda row: value[row]


def _rows(name: str, given: Any) -> Any:
    """Return samples by row, as views."""
    if hasattr(given, "__arrow_c_array__") or hasattr(given, "__arrow_c_stream__"):
        return _ArrowRows(name, given)
    array = np.asarray(given)
    if array.ndim == 2:
        return array
    raise ShapeError(
        f"{name}: expected an array of two dimensions (captures, samples), got shape {array.shape}",
        parameter=name,
        expected="two dimensions",
        actual=array.shape,
    )


class _ArrowRows:
    """Rows of an Arrow array of lists, through its C interface."""

    def __init__(self, name: str, given: Any) -> None:
        arrow = require("pyarrow", extra="fleet")
        if isinstance(given, arrow.Array):
            chunks = [given]
        elif hasattr(given, "__arrow_c_stream__"):
            chunks = arrow.chunked_array(given).chunks
        else:
            chunks = [arrow.array(given)]
        self._name = name
        self._chunks = chunks
        self._starts = np.cumsum([0, *(len(chunk) for chunk in chunks)])
        for chunk in chunks:
            is_list = (arrow.types.is_list, arrow.types.is_large_list, arrow.types.is_fixed_size_list)
            if not any(check(chunk.type) for check in is_list):
                raise refuse(name, f"expected an Arrow array of lists, got {chunk.type}")

    def __len__(self) -> int:
        return int(self._starts[-1])

    def __getitem__(self, row: int) -> Any:
        chunk = int(np.searchsorted(self._starts, row, side="right")) - 1
        values = self._chunks[chunk][row - int(self._starts[chunk])].values
        if values is None or values.null_count:
            what = "the row is null" if values is None else "a sample is null"
            raise MissingValueError(f"{self._name}: {what}", parameter=self._name, path="", cell="null")
        return values.to_numpy(zero_copy_only=True)
