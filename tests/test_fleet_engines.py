"""Fleets beyond one machine: a Dask cluster through its executor, and the batch function in other engines."""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import fleets
from sixpulse import fleet

distributed = pytest.importorskip("distributed")
duckdb = pytest.importorskip("duckdb")
polars = pytest.importorskip("polars")

#: Dask warns of its own affairs (ports in use, garbage collection on a busy machine).
pytestmark = pytest.mark.filterwarnings("ignore")


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """24 captures in 12 units."""
    return fleets.dataset(tmp_path_factory.mktemp("source"), files=2, count=12, rows_a_group=2)


@pytest.fixture(scope="module")
def table(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The table of that source, made by one thread."""
    folder = tmp_path_factory.mktemp("table")
    fleet.examine_dataset(source, folder, executor="serial", progress=False)
    return folder


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Return a client of a real cluster: a scheduler and two workers, each a process of its own."""
    folder = tmp_path_factory.mktemp("cluster")
    meeting = folder / "scheduler.json"
    common = ["--scheduler-file", str(meeting), "--no-dashboard"]
    # Groups of their own, so that all of one can be ended whatever state it is in.
    quiet: dict[str, Any] = {
        "stdout": subprocess.DEVNULL,
        "stderr": subprocess.DEVNULL,
        "start_new_session": True,
    }
    scheduler = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", *common]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--nthreads", "1", "--no-nanny", *common]
    processes = [subprocess.Popen(scheduler, **quiet)]
    processes += [subprocess.Popen([*worker, "--local-directory", str(folder)], **quiet) for _ in range(2)]
    try:
        with distributed.Client(scheduler_file=str(meeting), timeout=120) as made:
            made.wait_for_workers(2, timeout=120)
            yield made
    finally:
        for process in reversed(processes):
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(timeout=60)


def test_a_dask_cluster_makes_the_same_table(client: Any, source: Path, table: Path, tmp_path: Path) -> None:
    workers = client.run(os.getpid)
    assert len(set(workers.values()) - {os.getpid()}) == 2, "two processes, neither of them this one"
    summary = fleet.examine_dataset(source, tmp_path / "t", executor=client.get_executor(pure=False), progress=False)
    assert summary.complete and summary.examined == 24
    assert fleets.parts(tmp_path / "t") == fleets.parts(table)
    # A second table of the same source is made, not remembered; the client itself is taken too.
    summary = fleet.examine_dataset(source, tmp_path / "u", executor=client, progress=False)
    assert summary.examined == 24
    assert fleets.parts(tmp_path / "u") == fleets.parts(table)


def test_a_dask_worker_killed_within_its_unit(client: Any, source: Path, table: Path, tmp_path: Path) -> None:
    killed: list[int] = []

    def kill(progress: fleet.Progress) -> None:
        if progress.done and not killed:
            victim = next(iter(client.run(os.getpid).values()))
            killed.append(victim)
            os.kill(victim, signal.SIGKILL)

    summary = fleet.examine_dataset(source, tmp_path / "t", executor=client, progress=kill)
    assert killed
    assert summary.complete and summary.failed == 0
    assert fleets.parts(tmp_path / "t") == fleets.parts(table)


def test_the_batch_function_crosses_processes() -> None:
    assert pickle.loads(pickle.dumps(fleet.examine_batch)) is fleet.examine_batch


def rows_of(table: Path) -> pa.Table:
    return fleet.read_table(table).sort_by("capture_id")


def test_duckdb_streams_batches(source: Path, table: Path) -> None:
    connection = duckdb.connect()
    relation = connection.sql(f"SELECT * FROM '{source}/*.parquet'")
    batches = fleet.examine_batches(relation.to_arrow_reader(5))
    made = pa.Table.from_batches(list(batches)).sort_by("capture_id")
    assert made.equals(rows_of(table).cast(made.schema))
    # And back: the table is one that DuckDB reads.
    pattern = connection.sql(f"SELECT rectifier_pattern, count(*) FROM '{table}/part-*.parquet' GROUP BY 1 ORDER BY 1")
    assert dict(pattern.fetchall()) == dict(fleets.counted(rows_of(table)["rectifier_pattern"]))


def examine_frame(frame: Any) -> Any:
    return polars.from_arrow(pa.Table.from_batches(fleet.examine_batches(frame.to_arrow().to_batches())))


def test_polars_streams_batches(source: Path, table: Path) -> None:
    expected = polars.from_arrow(fleet.batch_schema(pq.read_schema(source / "week-0.parquet")).empty_table())
    lazy = polars.scan_parquet(source / "*.parquet").map_batches(
        examine_frame,
        schema=expected.schema,
        streamable=True,
        predicate_pushdown=False,
        projection_pushdown=False,
        slice_pushdown=False,
    )
    made = lazy.collect(engine="streaming").sort("capture_id")
    assert made.equals(polars.from_arrow(rows_of(table)))


def test_pandas_takes_the_table(table: Path) -> None:
    frame = fleet.read_table(table).to_pandas()
    assert len(frame) == 24
    assert frame["ripple_rms_v"].dtype == "float64"
    assert frame["error_code"].isna().all()
