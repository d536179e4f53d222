"""The same result from any number of threads, after fork and spawn; the interpreter free meanwhile; no leak."""

import gc
import json
import multiprocessing
import os
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

import sixpulse

#: 10,000 by hand (`SIXPULSE_EXAMINATIONS=10000`).
EXAMINATIONS = int(os.environ.get("SIXPULSE_EXAMINATIONS", "200"))


def capture(seed: int, samples: int = 8000) -> sixpulse.Capture:
    """A post with one weak pulse in six and a circuit that carries a tenth of it."""
    random = np.random.default_rng(seed)
    turns = np.arange(samples) * (150.0 + 20 * seed) / 50_000.0
    ripple = np.abs(np.sin(3 * np.pi * turns)) * np.where(turns % 1 < 1 / 6, 0.4, 1.0)
    post = 14 + 0.4 * ripple + 0.003 * random.standard_normal(samples)
    carried = 2.5 + 0.04 * ripple + 0.001 * random.standard_normal(samples)
    made = {"post": ("charging_post", post), "sensor": ("speed_sensor", carried)}
    return sixpulse.Capture(
        {n: sixpulse.Trace(v, sample_rate_hz=50_000.0, coupling="dc", role=role) for n, (role, v) in made.items()}
    )


def examined(seed: int) -> str:
    return sixpulse.examine(capture(seed)).to_json()


def fitted(seed: int) -> str:
    samples = np.random.default_rng(seed).standard_normal(4000)
    return sixpulse.spectrum.auto_spectrum(samples, sample_rate_hz=1e3, segment_samples=500 + seed).to_json()


def compared(seed: int) -> str:
    before, during = capture(seed), capture(seed + 1)
    return sixpulse.compare_interventions(before, during).to_json()


def simulated(seed: int) -> str:
    made, truth = sixpulse.simulate(sixpulse.Scenario.draw(seed=seed % 2))
    return json.dumps([float(made["post"].values().sum()), truth.pattern])


def monitored(seed: int) -> str:
    channels = {"post": sixpulse.monitor.Channel(role="charging_post", coupling="dc")}
    monitor = sixpulse.Monitor(channels, sample_rate_hz=50_000.0, window_s=0.1)
    post = capture(seed)["post"].values()
    for from_ in range(0, len(post), 700):
        monitor.push({"post": post[from_ : from_ + 700]})
    return monitor.reading().to_json()


WORK: list[Callable[[int], str]] = [examined, fitted, compared, simulated, monitored]


@pytest.mark.parametrize("work", WORK, ids=lambda w: w.__name__)
def test_eight_threads_give_what_one_gives(work: Callable[[int], str]) -> None:
    seeds = [i % 4 for i in range(16)]
    serial = [work(seed) for seed in range(4)]
    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(work, seeds)) == [serial[seed] for seed in seeds]


def test_eight_threads_examine_one_capture() -> None:
    shared = capture(0, 20_000)
    serial = sixpulse.examine(shared).to_json()
    with ThreadPoolExecutor(8) as pool:
        assert set(pool.map(lambda _: sixpulse.examine(shared).to_json(), range(16))) == {serial}


@pytest.mark.parametrize("method", ["fork", "spawn", "forkserver"])
@pytest.mark.filterwarnings("ignore:This process .* is multi-threaded:DeprecationWarning")
def test_a_child_process_gives_the_same(method: str) -> None:
    expected = examined(1)  # transform plans of this thread exist when the process forks
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context(method)) as pool:
        assert list(pool.map(examined, [1, 1])) == [expected, expected]


def test_the_interpreter_is_free_meanwhile() -> None:
    """Another thread counts while a long capture is examined; attached work would let it count next to nothing."""
    long = capture(2, 2_000_000)
    running, counted = threading.Event(), 0
    running.set()

    def count() -> None:
        nonlocal counted
        while running.is_set():
            counted += 1
            time.sleep(0.001)

    thread = threading.Thread(target=count)
    thread.start()
    begin = time.perf_counter()
    sixpulse.examine(long)
    took = time.perf_counter() - begin
    running.clear()
    thread.join()
    # A step is 1 ms of sleep and what the system adds; a tenth of that rate leaves room for a busy machine. A thread
    # that has to wait for the interpreter would count a handful.
    assert counted > 100 * took, f"{counted} steps in {took:.2f} s"


def resident_bytes() -> int:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize()


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="reads the resident set from /proc")
def test_memory_returns_after_many_examinations() -> None:
    made = [capture(seed, 3000) for seed in range(3)]
    for i in range(100):  # what is allocated once and kept: transform plans, arenas
        sixpulse.examine(made[i % 3]).to_json()
    gc.collect()
    before = resident_bytes()
    for i in range(EXAMINATIONS):
        sixpulse.examine(made[i % 3]).to_json()
    # By itself Python collects the less often the more it holds: up to 30,000 objects wait, and go here.
    gc.collect()
    grown = resident_bytes() - before
    print(f"{EXAMINATIONS} examinations: {grown / 2**20:.2f} MiB more")
    # A leak of one small result (about 20 KB of JSON) each time would be 4 MiB at 200.
    assert grown < 3 * 2**20, f"{grown} bytes more after {EXAMINATIONS} examinations"


def test_refusals_do_not_leak_either() -> None:
    bad = np.full(3000, np.nan)
    before = resident_bytes()
    for _ in range(2000):
        with pytest.raises(sixpulse.errors.NonFiniteError):
            sixpulse.Trace(bad, sample_rate_hz=1e3, coupling="dc", role="other")
    # 2000 kept copies of 24 KB would be 46 MiB.
    assert resident_bytes() - before < 8 * 2**20


PATHS = "glibc.cpu.hwcaps=-AVX2,-AVX,-FMA,-AVX512F,-AVX2_Usable,-FMA_Usable"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="tunables of the GNU C library")
def test_the_c_library_s_paths_change_nothing_that_matters() -> None:
    """A child without the C library's AVX and FMA paths: the same verdicts, numbers to 1e-9.

    Where the core computes with the processor's widest vectors it chooses by itself, which this does not reach.
    """
    script = "import sys; sys.path[:0] = sys.argv[1:]; import test_threads_and_processes as t; print(t.examined(1))"
    where = str(Path(__file__).parent)
    results = []
    for tunables in ("", PATHS):
        environment = {**os.environ, "GLIBC_TUNABLES": tunables}
        done = subprocess.run(
            [sys.executable, "-c", script, where], env=environment, capture_output=True, check=True, text=True
        )
        results.append(json.loads(done.stdout))
    assert_alike(results[0], results[1], "")


def assert_alike(a: object, b: object, path: str) -> None:
    if isinstance(a, dict) and isinstance(b, dict):
        assert a.keys() == b.keys(), path
        for key in a:
            assert_alike(a[key], b[key], f"{path}/{key}")
    elif isinstance(a, list) and isinstance(b, list):
        assert len(a) == len(b), path
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            assert_alike(x, y, f"{path}/{i}")
    elif isinstance(a, float) and isinstance(b, float):
        # An elementary function differs in its last digit; what is a small difference of large numbers, in more.
        assert a == pytest.approx(b, rel=1e-9, abs=1e-12), path
    else:
        assert a == b, path
