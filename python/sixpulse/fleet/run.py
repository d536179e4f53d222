"""Runs a fleet: plans, hands out units, keeps the manifest, survives what goes wrong."""

from __future__ import annotations

import collections
import dataclasses
import os
import secrets
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Literal

import filelock
import pyarrow as pa

from .._core import Machine
from .._refusals import need, need_text, refuse
from ..errors import (
    DestinationBusyError,
    DuplicateIdsError,
    UnknownNameError,
    UnwritableFileError,
)
from ..results import Role
from . import manifest as manifests
from . import work
from .crew import Crew, ExecutorName, is_lost
from .crew import check as check_crew
from .dataset import ROLES, SENSOR_ROLES, Known, check_known
from .progress import Display
from .settings import Settings
from .source import Survey, survey
from .summary import FleetSummary, Progress, Unreadable
from .units import Files
from .work import Task, UnitReport

__all__ = ["examine_dataset"]

_CHECKPOINT_S = 20.0
_TICK_S = 0.25
#: How long a run that ends early waits for its workers, which look up after each capture.
_PATIENCE_S = 60.0


def examine_dataset(
    source: str | os.PathLike[str],
    destination: str | os.PathLike[str],
    *,
    executor: Executor | ExecutorName | Callable[[], Executor] | None = None,
    workers: int | None = None,
    in_flight: int | None = None,
    progress: bool | Callable[[Progress], object] = True,
    roles: Mapping[Any, Role] | None = None,
    machine: Machine | None = None,
    electrical_hz: float | None = None,
    captures: Any = None,
    reading: Mapping[str, Any] | None = None,
    duplicate_ids: Literal["refuse", "mark"] = "refuse",
    existing: Literal["resume", "replace"] = "resume",
) -> FleetSummary:
    """Examine every capture of a data set and write one table, one row for each.

    Run again with the same arguments it goes on where it was interrupted, and does nothing where all is done. The table
    is the same to the byte whatever the executor. The form of the data set, the table and the executor's duties are
    described in ``docs/fleet.md``.

    Parameters
    ----------
    source : path-like
        Parquet files in the data set form (a folder, a file, a glob, partitions ``name=value``), or a folder of files
        that :func:`sixpulse.read` takes.
    destination : path-like
        Folder for the table; made where there is none.
    executor : Executor, str or callable, optional
        Who works: a ``concurrent.futures.Executor`` (also a Dask client), "threads" (the default), "processes",
        "serial", or a callable that makes an executor, which lets a broken pool be replaced.
    workers : int, optional
        Workers of a pool made here; the processor's number by default.
    in_flight : int, optional
        Units submitted and not yet done; by default two for each worker.
    progress : bool or callable, optional
        True for a bar where standard error is a terminal or a notebook and the environment is not a CI; a callable gets
        a :class:`Progress` after every unit.
    roles : mapping of column to role, optional
        Where the probes were; required for a folder of files, and for columns that are not named after a role.
    machine : Machine, optional
        The alternator of every capture; a capture's own columns come first.
    electrical_hz : float, optional
        The electrical frequency of every capture in hertz; a capture's own column comes first.
    captures : table or path, optional
        For a folder of files: a table with the column ``path`` (relative to the source), and what is known of each
        file: ``capture_id`` and other columns of the data set form, and columns to carry over. Only these files are
        examined.
    reading : mapping, optional
        For a folder of files: further arguments of :func:`sixpulse.read`, such as ``coupling`` or ``scale``.
    duplicate_ids : {"refuse", "mark"}, optional
        What to do when an identity stands for several captures: refuse before any work, or give each of them a row with
        the error ``duplicate_capture_id``.
    existing : {"resume", "replace"}, optional
        What to do with a table in the destination that was made with other settings or by another version: refuse, or
        make it anew.

    Returns
    -------
    FleetSummary

    Raises
    ------
    FileReadError
        Nothing in the source can be read.
    DuplicateIdsError
        An identity stands for several captures.
    DestinationBusyError
        Another run is writing there.
    UnwritableFileError
        The destination cannot be written; what was finished stays.
    WorkersLostError
        The workers of an executor given from outside are gone; what was finished stays.
    InvalidCombinationError
        Settings that do not go together, or that are not those of the table there.
    """
    folder = Path(os.path.abspath(destination))  # noqa: PTH100 - a link stays what it is
    _check_names(duplicate_ids, existing)
    check_crew(executor, workers, in_flight)
    seen = survey(os.fspath(source), roles=roles, captures=captures)
    settings = _settings(seen, roles, Known.of(machine, electrical_hz), reading)
    _check_apart(source, folder)
    display = Display(progress)
    with _locked(folder):
        run = _Run(folder, os.fspath(source), seen, settings, display)
        run.prepare(duplicate_ids, existing)
        return run.work(executor, workers, in_flight)


# Checks ---------------------------------------------------------------------------------------------------------------


def _check_names(duplicate_ids: str, existing: str) -> None:
    allowed = {"duplicate_ids": (duplicate_ids, ("refuse", "mark")), "existing": (existing, ("resume", "replace"))}
    for parameter, (value, words) in allowed.items():
        if value not in words:
            expected = " or ".join(words)
            message = f'{parameter}: expected {expected}, got "{value}"'
            raise UnknownNameError(message, parameter=parameter, expected=expected, actual=str(value))


def _settings(
    seen: Survey, roles: Mapping[Any, str] | None, known: Known, reading: Mapping[str, Any] | None
) -> Settings:
    check_known(known)
    _check_roles(roles or {})
    circuits = seen.circuits
    if any(isinstance(unit, Files) for unit in seen.units):
        if not roles:
            raise refuse("roles", "a folder of files needs them: {column: role}")
        names = (reading or {}).get("names") or {}
        circuits = tuple(str(names.get(column, column)) for column, role in roles.items() if role in SENSOR_ROLES)
    elif reading:
        raise refuse("reading", "it is for a folder of files, the source is a data set")
    settings = Settings(
        known=known,
        roles=tuple((roles or {}).items()),
        reading=tuple(sorted((reading or {}).items())),
        carried=seen.carried,
        circuits=circuits,
    )
    settings.schema  # noqa: B018 - refuses a column named like one of the table
    return settings


def _check_roles(roles: Mapping[Any, str]) -> None:
    need("roles", roles, Mapping, "a mapping of column to role")
    for column, role in roles.items():
        need_text("roles", f"{column}{role}")
        if role not in ROLES:
            expected = ", ".join(ROLES)
            message = f'roles: expected one of {expected}, got "{role}"'
            raise UnknownNameError(message, parameter="roles", expected=expected, actual=str(role))


def _check_apart(source: str | os.PathLike[str], destination: Path) -> None:
    """A table inside its own source would be read as captures by the next run."""
    root = Path(os.path.abspath(source))  # noqa: PTH100
    if root.is_dir() and (destination == root or root in destination.parents):
        raise refuse("destination", "it lies in the source")


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Keep a second run away; the operating system gives the lock back whatever becomes of this one."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = filelock.FileLock(folder / "_lock", timeout=0)
        lock.acquire()
    except filelock.Timeout:
        message = f"{folder}: another run is writing there"
        raise DestinationBusyError(message, parameter="destination", path=str(folder)) from None
    except OSError as error:
        raise _unwritable(folder, error) from None
    try:
        yield
    finally:
        lock.release()


def _unwritable(folder: Path, error: OSError) -> UnwritableFileError:
    reason = error.strerror or str(error)
    return UnwritableFileError(f"{folder}: {reason}", parameter="destination", path=str(folder), reason=reason)


# The run --------------------------------------------------------------------------------------------------------------


class _Run:
    """One run: its units, what became of them, and its traces on the disk."""

    def __init__(self, folder: Path, source: str, seen: Survey, settings: Settings, display: Display) -> None:
        self._folder, self._source, self._seen, self._settings = folder, source, seen, settings
        self._display = display
        self._reports: dict[str, UnitReport] = {}
        self._unreadable = list(seen.unreadable)
        self._captures = sum(unit.rows for unit in seen.units)
        self._running = folder / f"_running-{secrets.token_hex(6)}"
        self._seconds: dict[str, float] = collections.defaultdict(float)
        self._began = self._saved = time.monotonic()
        self._tasks: dict[str, Task] = {}
        self._counts = dict.fromkeys(("done", "found", "failed"), 0)

    # Before the work.

    def prepare(self, duplicate_ids: str, existing: str) -> None:
        """Check the destination, sweep what a killed run left, and make the tasks."""
        duplicates = self._seen.duplicates()
        if duplicates and duplicate_ids == "refuse":
            example = min(duplicates)
            raise DuplicateIdsError(
                f'source: {len(duplicates)} identities stand for several captures, such as "{example}"; '
                'make them unique, or give duplicate_ids="mark"',
                parameter="source",
                count=len(duplicates),
                example=example,
            )
        self._check_destination(existing)
        before = manifests.read_manifest(self._folder)
        self._sweep()
        contents = manifests.known_contents(before, self._seen.units, self._seen.stamps)
        for unit in self._seen.units:
            self._tasks[unit.key] = Task(
                unit=unit,
                settings=self._settings,
                destination=str(self._folder),
                running=str(self._running),
                content=contents.get(unit.key),
                duplicates=self._seen.duplicates_of(unit, duplicates),
            )

    def _check_destination(self, existing: str) -> None:
        parts = sorted(self._folder.glob("*.parquet"))
        foreign = next((path for path in parts if not path.name.startswith("part-")), None)
        if foreign is not None:
            raise refuse("destination", f"{foreign.name} in it is no part of a table")
        if existing == "resume":
            manifests.check_settings(manifests.read_manifest(self._folder), self._settings)
        for part in parts:
            digest = work.digest_of(part)
            if digest == self._settings.digest:
                continue
            if digest is not None and existing == "resume":
                raise refuse("destination", f"{part.name} in it was made with other settings")
            part.unlink()

    def _sweep(self) -> None:
        """Remove what a killed run left behind: files never finished, and its sign that it runs."""
        for pattern in (".part-*", "_running-*"):
            for path in self._folder.glob(pattern):
                path.unlink(missing_ok=True)

    # The work.

    def work(self, executor: Any, workers: int | None, in_flight: int | None) -> FleetSummary:
        """Hand out the tasks until all are done."""
        try:
            self._running.touch()
            self._take_what_is_there()
            todo = [task for key, task in self._tasks.items() if key not in self._reports]
            if todo:
                crew = Crew(executor, workers)
                try:
                    self._hand_out(todo, crew, in_flight or 2 * crew.size)
                finally:
                    self._running.unlink(missing_ok=True)
                    crew.close()
            self._remove_stale()
        except OSError as error:
            if isinstance(error, UnwritableFileError) or error.filename is None:
                raise
            raise _unwritable(self._folder, error) from None
        finally:
            self._running.unlink(missing_ok=True)
            self._display.close()
            # A full disk must not hide the error that told of it.
            with suppress(UnwritableFileError):
                self._save()
        self._save()
        return self._summary()

    def _take_what_is_there(self) -> None:
        """Settle units whose bytes and part are known already."""
        for key, task in self._tasks.items():
            if task.content is None:
                continue
            part = work.part_name(task, task.content)
            counts = work.read_counts(self._folder / part)
            if counts is not None:
                self._record(UnitReport(key, "found", counts["rows"], counts["failed"], part, task.content))
        self._show()

    def _hand_out(self, todo: list[Task], crew: Crew, in_flight: int) -> None:
        queue = collections.deque(todo)
        flying: dict[Future[UnitReport], Task] = {}
        suspects: list[Task] = []
        try:
            while queue or flying:
                while queue and len(flying) < in_flight:
                    task = queue.popleft()
                    flying[crew.submit(work.run_unit, task)] = task
                done, _ = wait(flying, timeout=_TICK_S, return_when=FIRST_COMPLETED)
                if self._settle(done, flying, suspects):
                    suspects += flying.values()
                    flying.clear()
                    crew.renew()
            for task in suspects:
                self._alone(task, crew)
        except BaseException:
            self._stop(flying)
            raise

    def _settle(
        self, done: set[Future[UnitReport]], flying: dict[Future[UnitReport], Task], suspects: list[Task]
    ) -> bool:
        """Take the reports of calls that are done; True when the pool is broken."""
        broken = False
        for future in done:
            task = flying.pop(future)
            error = _error_of(future)
            if error is None:
                self._take(future.result())
            elif is_lost(error):
                suspects.append(task)
                broken = broken or isinstance(error, BrokenExecutor)
            else:
                raise error
        return broken

    def _alone(self, task: Task, crew: Crew) -> None:
        """Try a unit again that lost its worker, by itself; then piece by piece."""
        again = dataclasses.replace(task, attempt=task.attempt + 1)
        report = _call(crew, work.run_unit, again)
        if report is None:
            table = pa.concat_tables(self._pieces(again, 0, task.unit.rows, crew))
            content = task.content or task.unit.content()
            part = work.part_name(task, content)
            failed = work.write_part(task, part, content, table)
            report = UnitReport(task.unit.key, "examined", table.num_rows, failed, part, content)
        self._take(report)

    def _pieces(self, task: Task, start: int, stop: int, crew: Crew) -> list[Any]:
        """Halve rows that lose their worker until the one at fault stands alone."""
        if stop - start == 1:
            return [work.lost_row(task, start)]
        middle = (start + stop) // 2
        pieces = []
        for lower, upper in ((start, middle), (middle, stop)):
            stream = _call(crew, work.run_slice, task, lower, upper)
            pieces += self._pieces(task, lower, upper, crew) if stream is None else [work.from_bytes(stream)]
        return pieces

    def _stop(self, flying: dict[Future[UnitReport], Task]) -> None:
        """Let the workers stop at their next capture, and keep what they finish."""
        self._running.unlink(missing_ok=True)
        begun = [future for future in flying if not future.cancel()]
        done, _ = wait(begun, timeout=_PATIENCE_S)
        for future in done:
            if _error_of(future) is None:
                self._take(future.result())

    def _take(self, report: UnitReport) -> None:
        if report.state == "stopped":
            return
        task = self._tasks[report.key]
        if report.error is not None:
            self._unreadable.append(Unreadable(task.unit.place, task.unit.rows, *report.error))
        self._record(report)
        for name, seconds in report.seconds.items():
            self._seconds[name] += seconds
        self._show()
        if time.monotonic() - self._saved > _CHECKPOINT_S:
            self._save()

    def _record(self, report: UnitReport) -> None:
        self._reports[report.key] = report
        if report.part:
            self._counts["done"] += report.rows
            self._counts["found"] += report.rows if report.state == "found" else 0
            self._counts["failed"] += sum(report.failed.values())

    # What is told and kept.

    def _remove_stale(self) -> None:
        """Remove parts that the source no longer accounts for; none while a part of the source cannot be read."""
        if self._unreadable:
            return
        current = {report.part for report in self._reports.values()}
        for path in self._folder.glob("part-*.parquet"):
            if path.name not in current:
                path.unlink(missing_ok=True)

    def _whole(self) -> bool:
        return len(self._reports) == len(self._tasks) and not self._unreadable

    def _kept(self) -> list[UnitReport]:
        return [self._reports[key] for key in self._tasks if key in self._reports and self._reports[key].part]

    def _failures(self) -> dict[str, int]:
        counts: collections.Counter[str] = collections.Counter()
        for report in self._kept():
            counts.update(report.failed)
        return dict(sorted(counts.items()))

    def _show(self) -> None:
        elapsed_s = time.monotonic() - self._began
        self._display.show(Progress(captures=self._captures, elapsed_s=elapsed_s, **self._counts))

    def _save(self) -> None:
        self._saved = time.monotonic()
        counts = self._counts
        manifests.write_manifest(
            self._folder,
            settings=self._settings,
            source=self._source,
            progress={
                "complete": self._whole(),
                "captures": counts["done"],
                "failed": counts["failed"],
                "failures": self._failures(),
                "unreadable": [one.to_dict() for one in self._unreadable],
                "stamps": {path: list(value) for path, value in self._seen.stamps.items()},
                "units": [self._entry(report) for report in self._kept()],
            },
        )

    def _entry(self, report: UnitReport) -> dict[str, Any]:
        unit = self._tasks[report.key].unit
        return {
            "key": report.key,
            "identity": unit.identity,
            "rows": report.rows,
            "failed": report.failed,
            "content": report.content,
            "part": report.part,
        }

    def _summary(self) -> FleetSummary:
        kept, counts = self._kept(), self._counts
        return FleetSummary(
            destination=str(self._folder),
            complete=self._whole(),
            captures=counts["done"],
            examined=counts["done"] - counts["found"],
            failed=counts["failed"],
            failures=self._failures(),
            units=len(self._tasks),
            units_found=sum(report.state == "found" for report in kept),
            unreadable=tuple(self._unreadable),
            elapsed_s=time.monotonic() - self._began,
            seconds=dict(self._seconds),
        )


def _error_of(future: Future[Any]) -> BaseException | None:
    try:
        return future.exception()
    except BaseException as error:
        if is_lost(error):
            return error
        raise


def _call(crew: Crew, call: Callable[..., Any], *args: Any) -> Any:
    """Run one call by itself; None when it loses its worker."""
    future = crew.submit(call, *args)
    error = _error_of(future)
    if error is None:
        return future.result()
    if not is_lost(error):
        raise error
    if isinstance(error, BrokenExecutor):
        crew.renew()
    return None
