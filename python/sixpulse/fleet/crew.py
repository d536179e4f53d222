"""The workers of a run: any executor, and what to do when it breaks."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from typing import Any, Literal, TypeAlias, cast

from .._refusals import refuse, wrong_type
from ..errors import UnknownNameError, WorkersLostError

__all__: list[str] = []

ExecutorName: TypeAlias = Literal["threads", "processes", "serial"]
NAMES = ("threads", "processes", "serial")
_Make: TypeAlias = Callable[[], Executor]


class SerialExecutor(Executor):
    """Runs what is submitted at once, in the caller's thread."""

    _max_workers = 1

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run a call and return its settled future."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def check(executor: Any, workers: int | None, in_flight: int | None) -> None:
    """Refuse what no crew can be made of, before a run writes anything.

    Raises
    ------
    InvalidCombinationError, UnknownNameError, WrongTypeError
    """
    if in_flight is not None and (not isinstance(in_flight, int) or in_flight < 1):
        raise refuse("in_flight", f"expected a whole number from 1, got {in_flight!r}")
    if _maker(executor, workers) is None and not any(hasattr(executor, name) for name in ("get_executor", "submit")):
        expected = "a concurrent.futures.Executor, its name, or a callable that makes one"
        raise wrong_type("executor", expected, executor)


class Crew:
    """The workers of one run.

    Parameters
    ----------
    executor : Executor, str, callable or None
        As :func:`sixpulse.fleet.examine_dataset` takes it.
    workers : int or None
        Workers of a pool made here.
    """

    def __init__(self, executor: Any, workers: int | None) -> None:
        self._make = _maker(executor, workers)
        self._executor: Executor = self._make() if self._make else _given(executor)
        self.size = _size(self._executor)

    def submit(self, call: Callable[..., Any], *args: Any) -> Future[Any]:
        """Submit a call; a pool found broken is replaced first."""
        try:
            return self._executor.submit(call, *args)
        except BrokenExecutor:
            self.renew()
            return self._executor.submit(call, *args)

    def renew(self) -> None:
        """Replace a broken pool.

        Raises
        ------
        WorkersLostError
            It was given from outside.
        """
        if self._make is None:
            raise WorkersLostError(
                "executor: its workers are gone; what they finished is kept, run again with a new one to go on",
                parameter="executor",
            )
        self._executor.shutdown(wait=False, cancel_futures=True)
        self._executor = self._make()

    def close(self) -> None:
        """Let the workers of a pool made here go."""
        if self._make is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)


def is_lost(error: BaseException) -> bool:
    """Tell whether an exception says that a worker is gone, and nothing of what it worked on."""
    if isinstance(error, BrokenExecutor | CancelledError):
        return True
    # Not imported: distributed may not be installed, and then raises nothing.
    return any(cls.__module__.partition(".")[0] == "distributed" for cls in type(error).__mro__)


def _maker(executor: Any, workers: int | None) -> _Make | None:
    """Return a function that makes the pool; None for one that was made outside."""
    if workers is not None and (not isinstance(workers, int) or workers < 1):
        raise refuse("workers", f"expected a whole number from 1, got {workers!r}")
    match executor:
        case None | "threads":
            count = workers or os.cpu_count() or 1
            return lambda: ThreadPoolExecutor(count, thread_name_prefix="sixpulse-fleet")
        case "processes":
            context = multiprocessing.get_context("spawn")
            return lambda: ProcessPoolExecutor(workers, mp_context=context, initializer=_leave_interrupts_to_the_run)
        case "serial":
            return SerialExecutor
        case str():
            expected = ", ".join(NAMES)
            message = f'executor: expected one of {expected}, got "{executor}"'
            raise UnknownNameError(message, parameter="executor", expected=expected, actual=executor)
    if workers is not None:
        raise refuse("workers", "an executor made outside has its own")
    return cast("_Make", executor) if callable(executor) and not hasattr(executor, "submit") else None


def _given(executor: Any) -> Executor:
    """Take an executor, or the one that a Dask client gives."""
    return executor.get_executor(pure=False) if hasattr(executor, "get_executor") else executor  # type: ignore[no-any-return]


def _size(executor: Any) -> int:
    """Number of workers, as far as the executor says."""
    count = getattr(executor, "_max_workers", None)
    client = getattr(executor, "_client", None)
    if client is not None and hasattr(client, "ncores"):
        count = sum(client.ncores().values())
    return count if isinstance(count, int) and count > 0 else os.cpu_count() or 1


def _leave_interrupts_to_the_run() -> None:
    """Ctrl-C reaches every process of the terminal; the run tells its workers itself, between two captures."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
