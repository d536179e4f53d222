"""Measures a fleet run: throughput against single captures, reading and writing, memory, Dask against the local pool.

Every figure is of one run of this script, on captures made here: two traces of float32 (charging post, speed sensor),
100,000 samples each unless said otherwise. Ratios compare alternating rounds, so that a busy machine disturbs both
sides; CPU time stands beside wall time. Worker processes, Dask's and the local pool's alike, have started, loaded the
library and examined one capture before the clock runs. Nothing is asserted: speed is measured, never tested.

    python tools/fleet_benchmark.py --captures 240 --dask
    python tools/fleet_benchmark.py --captures 2000 --dask        # the targets' size: 1.6 GB on the disk

The last lines hold each target and its figure.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

SAMPLE_RATE_HZ = 50_000.0


def main() -> None:
    """Make the data set, measure, print one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", type=int, default=240)
    parser.add_argument("--samples", type=int, default=100_000)
    parser.add_argument("--rows-a-group", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=3, help="most rounds")
    parser.add_argument("--minutes", type=float, default=8.0, help="no further round that would end later")
    parser.add_argument("--serial", action="store_true", help="also one worker in the caller's thread")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--dask", action="store_true", help="also a Dask cluster of as many worker processes")
    parser.add_argument("--one", nargs=2, metavar=("HOW", "FOLDER"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(measure_here(options.one[0], Path(options.one[1]), options.workers)))
        return
    with tempfile.TemporaryDirectory() as folder:
        made = compare(Path(folder), options)
    print(json.dumps(made, indent=1))
    print_targets(made)


def write_captures(folder: Path, options: argparse.Namespace) -> int:
    """Write the data set; return the bytes of one row group in memory."""
    rng = np.random.default_rng(1)
    folder.mkdir()
    angle = 2.0 * np.pi * 200.0 * np.arange(options.samples) / SAMPLE_RATE_HZ
    phases = np.cos(angle - np.array([[0.0], [2.0 * np.pi / 3.0], [4.0 * np.pi / 3.0]]))
    bridges = [p.max(axis=0) - phases.min(axis=0) for p in (phases, phases[1:])]
    for n, first in enumerate(range(0, options.captures, 5 * options.rows_a_group)):
        count = min(5 * options.rows_a_group, options.captures - first)
        posts, sensors = [], []
        for k in range(first, first + count):
            post = 14.0 + 0.6 * bridges[k % 3 == 2] + rng.normal(0.0, 0.01, options.samples)
            posts.append(post.astype(np.float32))
            sensors.append((0.2 * (post - post.mean()) + rng.normal(0.0, 0.01, options.samples)).astype(np.float32))
        table = pa.table(
            {
                "capture_id": [f"c{k:06d}" for k in range(first, first + count)],
                "sample_rate_hz": [SAMPLE_RATE_HZ] * count,
                "coupling": ["dc"] * count,
                "charging_post": pa.array(posts, pa.list_(pa.float32())),
                "speed_sensor": pa.array(sensors, pa.list_(pa.float32())),
            }
        )
        encoding = {f"{name}.list.element": "BYTE_STREAM_SPLIT" for name in ("charging_post", "speed_sensor")}
        pq.write_table(
            table,
            folder / f"{n:03d}.parquet",
            row_group_size=options.rows_a_group,
            compression="zstd",
            use_dictionary=["capture_id", "coupling"],
            column_encoding=encoding,
        )
    return options.rows_a_group * options.samples * 2 * 4


def measure_here(how: str, folder: Path, workers: int) -> dict[str, Any]:
    """Run one way in this process, which was started for it, and say what it cost."""
    from sixpulse import examine, fleet  # noqa: PLC0415

    source, target = folder / "source", folder / f"table-{how}"
    shutil.rmtree(target, ignore_errors=True)
    warm()
    if how == "single":
        # Captures one after another from memory, the way a notebook loops: the yardstick of the throughput.
        table = pq.read_table(sorted(source.glob("*.parquet"))[0]).slice(0, 40)
        captures = [capture_of(row) for row in rows_of(table)]
        return measured(lambda: ([examine(capture) for capture in captures], len(captures), {})[1:], [])

    def run(executor: Any) -> tuple[int, dict[str, float]]:
        pool_workers = workers if executor == "threads" else None
        summary = fleet.examine_dataset(source, target, executor=executor, workers=pool_workers, progress=False)
        return summary.examined, summary.seconds

    if how == "dask":
        from distributed import Client  # noqa: PLC0415

        with Client(scheduler_file=str(folder / "scheduler.json")) as client:
            client.wait_for_workers(workers)
            client.run(warm)
            far = [*client.run(os.getpid).values(), client.run_on_scheduler(os.getpid)]
            return measured(lambda: run(client.get_executor(pure=False)), far)
    if how == "processes":
        with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
            pids: set[int] = set()
            while len(pids) < workers:
                pids |= {future.result() for future in [pool.submit(warm) for _ in range(2 * workers)]}
            return measured(lambda: run(pool), pids)
    return measured(lambda: run(how), [])


def warm() -> int:
    """Load what a worker needs and examine a capture; give the process's number."""
    from sixpulse import Capture, Trace, examine, fleet  # noqa: PLC0415

    samples = np.sin(np.arange(100_000) / 40.0) + 14.0
    examine(Capture({"post": Trace(samples, sample_rate_hz=5e4, coupling="dc", role="charging_post")}))
    fleet.examine_batch(
        pa.RecordBatch.from_pydict(
            {"capture_id": ["warm"], "sample_rate_hz": [5e4], "coupling": ["dc"], "charging_post": [samples]}
        )
    )
    time.sleep(0.05)  # so that every worker of a pool gets one
    return os.getpid()


def measured(job: Callable[[], tuple[int, dict[str, float]]], others: Iterable[int]) -> dict[str, Any]:
    """Run a job; wall time, CPU time of this process and of the others, memory above what was there before."""
    others = list(others)
    base_kb = peak_kb(forget=True)
    begin, cpu = time.perf_counter(), cpu_s() + sum(map(cpu_of, others))
    done, seconds = job()
    wall_s, used_s = time.perf_counter() - begin, cpu_s() + sum(map(cpu_of, others)) - cpu
    return {
        "captures": done,
        "wall_s": wall_s,
        "cpu_s": used_s,
        "captures_per_s": done / wall_s,
        "seconds": seconds,
        "peak_above_start_mb": (peak_kb() - base_kb) / 1024.0,
    }


def peak_kb(*, forget: bool = False) -> float:
    """Most resident memory of this process, since the last call that forgets (Linux) or the start (elsewhere)."""
    status = Path("/proc/self/status")
    if not status.exists():
        return float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    if forget:
        Path("/proc/self/clear_refs").write_text("5")
    # Not `ru_maxrss`: a process starts with that of the one that started it.
    line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM:"))
    return float(line.split()[1])


def cpu_of(pid: int) -> float:
    """CPU seconds of another process so far (Linux; 0 elsewhere)."""
    stat = Path(f"/proc/{pid}/stat")
    if not stat.exists():
        return 0.0
    fields = stat.read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def cpu_s() -> float:
    """CPU time of this process."""
    times = os.times()
    return times.user + times.system


def rows_of(table: Any) -> Any:
    """Yield the rows of a small table with NumPy samples."""
    for i in range(table.num_rows):
        yield {name: table.column(name)[i] for name in table.column_names}


def capture_of(row: Any) -> Any:
    """Make the capture of a row."""
    from sixpulse import Capture, Trace  # noqa: PLC0415

    common = {"sample_rate_hz": row["sample_rate_hz"].as_py(), "coupling": row["coupling"].as_py()}
    return Capture(
        {role: Trace(row[role].values.to_numpy(), role=role, **common) for role in ("charging_post", "speed_sensor")}
    )


def compare(folder: Path, options: argparse.Namespace) -> dict[str, Any]:
    """Measure the ways in alternating rounds, each in a process of its own."""
    began = time.monotonic()
    group_bytes = write_captures(folder / "source", options)
    ways = ["single", *(["serial"] if options.serial else []), "threads", "processes"]
    ways += ["dask"] if options.dask else []
    cluster = start_cluster(folder, options.workers) if options.dask else []
    rounds: dict[str, list[dict[str, Any]]] = {way: [] for way in ways}
    try:
        for _ in range(options.rounds):
            round_began = time.monotonic()
            for way in ways:
                command = [sys.executable, __file__, "--workers", str(options.workers), "--one", way, str(folder)]
                run = subprocess.run(command, capture_output=True, text=True, check=True)
                rounds[way].append(json.loads(run.stdout.splitlines()[-1]))
            now = time.monotonic()
            if now - began + (now - round_began) > 60.0 * options.minutes:
                break
    finally:
        for process in reversed(cluster):
            process.kill()
            process.wait()
    return report(rounds, group_bytes, options)


def start_cluster(folder: Path, workers: int) -> list[subprocess.Popen[bytes]]:
    """Start a scheduler and workers of one thread each."""
    common = ["--scheduler-file", str(folder / "scheduler.json"), "--no-dashboard"]
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", *common]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--nthreads", "1", "--no-nanny", *common]
    made = [subprocess.Popen(scheduler, **quiet)]
    made += [subprocess.Popen([*worker, "--local-directory", str(folder)], **quiet) for _ in range(workers)]
    return made


def report(rounds: dict[str, list[dict[str, Any]]], group_bytes: int, options: argparse.Namespace) -> dict[str, Any]:
    """Bring the rounds to the figures of the documentation."""

    def ratio(one: str, other: str) -> float:
        pairs = zip(rounds[one], rounds[other], strict=True)
        return statistics.median(a["captures_per_s"] / b["captures_per_s"] for a, b in pairs)

    shares = []
    for run in rounds["threads"]:
        seconds = run["seconds"]
        shares.append(1.0 - seconds["examine"] / sum(seconds.values()))
    made = {
        "captures": options.captures,
        "samples": options.samples,
        "workers": options.workers,
        "load_average": os.getloadavg(),
        "throughput_over_single": {way: ratio(way, "single") for way in rounds if way != "single"},
        "hashing_reading_writing_share": statistics.median(shares),
        "row_group_mb": group_bytes / 1e6,
        "row_groups_per_worker_at_peak": statistics.median(
            run["peak_above_start_mb"] * 1.048_576e6 / group_bytes / options.workers for run in rounds["threads"]
        ),
        "ms_a_capture": {
            way: {
                "wall": 1e3 * statistics.median(run["wall_s"] / run["captures"] for run in runs),
                "cpu": 1e3 * statistics.median(run["cpu_s"] / run["captures"] for run in runs),
            }
            for way, runs in rounds.items()
        },
        "rounds": rounds,
    }
    if "dask" in rounds:
        made["dask_over_processes_time"] = ratio("processes", "dask")
        pairs = zip(rounds["dask"], rounds["processes"], strict=True)
        made["dask_over_processes_cpu"] = statistics.median(a["cpu_s"] / b["cpu_s"] for a, b in pairs)
    return made


def print_targets(made: dict[str, Any]) -> None:
    """Print every target of fleets and what this run found."""
    throughput = made["throughput_over_single"]
    best = max(("threads", "processes"), key=lambda way: throughput[way])
    lines = [
        ("throughput over single captures, local pool", f">= {0.9 * made['workers']:.1f}", throughput["threads"]),
        (f"the same, the better pool ({best})", f">= {0.9 * made['workers']:.1f}", throughput[best]),
        ("share of hashing, reading and writing", "<= 0.20", made["hashing_reading_writing_share"]),
        ("row groups per worker at the memory's peak", "<= 3", made["row_groups_per_worker_at_peak"]),
    ]
    if "dask_over_processes_time" in made:
        lines.append(("Dask over a local pool of processes, time", "<= 1.15", made["dask_over_processes_time"]))
        lines.append(("the same, CPU time (scheduler included)", "", made["dask_over_processes_cpu"]))
    print(f"\n{'target':48} {'wanted':>8} {'found':>7}   ({len(made['rounds']['threads'])} rounds)")
    for name, wanted, found in lines:
        print(f"{name:48} {wanted:>8} {found:7.2f}")


if __name__ == "__main__":
    main()
