"""Data sets of captures for the tests of fleets, and faults that a test lets happen in a worker."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from captures import SAMPLE_RATE_HZ, bridge_v

COUNT = 3_000  # samples: short, for what is tested here is not the analysis
_NOISE = np.random.default_rng(20_261_125).normal(0.0, 0.004, (2, COUNT))


def rows(count: int, *, first: int = 0, **more: Any) -> dict[str, Any]:
    """Return columns of captures of a sprayer; every third has a fault."""
    numbers = range(first, first + count)
    healthy, faulty = bridge_v(fault=False, count=COUNT), bridge_v(fault=True, count=COUNT)
    posts = [(faulty if n % 3 == 2 else healthy) + _NOISE[0] + 0.01 * (n % 7) for n in numbers]
    sensors = [0.2 * (post - post.mean()) + _NOISE[1] for post in posts]
    return {
        "capture_id": [f"orchard-{n:04d}" for n in numbers],
        "vehicle": [f"tractor-{n % 4}" for n in numbers],
        "sample_rate_hz": [SAMPLE_RATE_HZ] * count,
        "coupling": ["dc"] * count,
        "charging_post": pa.array([post.astype(np.float32) for post in posts], pa.list_(pa.float32())),
        "speed_sensor": pa.array([sensor.astype(np.float32) for sensor in sensors], pa.list_(pa.float32())),
        **more,
    }


def write(path: Path, columns: dict[str, Any], *, rows_a_group: int = 4) -> Path:
    """Write columns as one file of the data set form."""
    path.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(pa.table(columns), path, row_group_size=rows_a_group)
    return path


def dataset(folder: Path, *, files: int = 2, count: int = 8, rows_a_group: int = 4) -> Path:
    """Write a data set of several files."""
    for n in range(files):
        write(folder / f"week-{n}.parquet", rows(count, first=n * count), rows_a_group=rows_a_group)
    return folder


def parts(folder: Path) -> dict[str, bytes]:
    """Return the parts of a table by name."""
    return {path.name: path.read_bytes() for path in sorted(folder.glob("part-*.parquet"))}


def plain_file(path: Path, text: str) -> Path:
    """Write a text file."""
    path.write_text(text, encoding="utf-8")
    return path


# Faults. What crosses to another process must be importable there, so these stand in a module of their own.


class _Killing:
    """A call that kills its worker before it starts, a given number of times."""

    def __init__(self, call: Any, counter: str, times: int, identity: str | None) -> None:
        self.call, self.counter, self.times, self.identity = call, counter, times, identity

    def __call__(self, task: Any, *more: Any) -> Any:
        from sixpulse.fleet import batch  # noqa: PLC0415

        if self.identity is not None:
            _kill_at(batch, self.identity)
        elif sum(1 for _ in Path(self.counter).iterdir()) < self.times:
            Path(self.counter, os.urandom(8).hex()).touch()
            os._exit(7)
        return self.call(task, *more)


def _kill_at(batch: Any, identity: str) -> None:
    """Let the worker die at one capture, as a fault in a library or the lack of memory would have it."""
    if hasattr(batch, "_row_that_lives"):
        return
    batch._row_that_lives = batch._row

    def row(make: Any, name: Any, *rest: Any) -> Any:
        if name == identity:
            os._exit(9)
        return batch._row_that_lives(make, name, *rest)

    batch._row = row


class KillingPool:
    """An executor whose workers die: the first `times` calls, or at one capture."""

    def __init__(self, pool: Any, *, counter: Path | None = None, times: int = 0, identity: str | None = None) -> None:
        self.pool, self.counter, self.times, self.identity = pool, counter, times, identity
        self._max_workers = 2

    def submit(self, call: Any, *args: Any) -> Any:
        return self.pool.submit(_Killing(call, str(self.counter), self.times, self.identity), *args)

    def shutdown(self, **options: Any) -> None:
        self.pool.shutdown(**options)


def counted(column: Any) -> list[tuple[Any, int]]:
    """Return values and how often they occur, sorted."""
    values = column.to_pylist()
    return [(value, values.count(value)) for value in sorted(set(values))]
