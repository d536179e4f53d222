# ruff: noqa: E402 - the threads of the libraries are set before they are loaded
"""Side by side: ``sixpulse.examine`` against the two NumPy/SciPy pipelines of ``scipy_pipeline.py``.

    python tools/speed.py [--samples 100000 1000000] [--pairs 7] [--dtype float32 float64]

All get the same two arrays in one process and take turns; CPU time is counted, one thread. The median of the ratios is
printed with its range, first to the plain stages, then to the pipeline that gives the same answers. `sixpulse` is
charged with everything from the arrays to the result: copying, validating, examining, building the result object.
"""

from __future__ import annotations

import os

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import argparse
import resource
import statistics
import time
from collections.abc import Callable
from math import isclose
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy_pipeline import ORDERS, POINTS, bridge_cycle, plain, same_answers

import sixpulse
import sixpulse.results

Array = NDArray[Any]
RATE_HZ = 100_000.0
ELECTRICAL_HZ = 200.0


def capture(samples: int, dtype: str, seed: int = 1) -> tuple[Array, Array]:
    """Charging post with one open diode, speed wandering by 1.5 %; wheel sensor that carries a third of the ripple."""
    rng = np.random.default_rng(seed)
    orders = 0.6 * 2 / POINTS * fft.rfft(bridge_cycle(((0, 0),)))[1 : ORDERS + 1] + 0.003 + 0.002j
    late = 0.35 * np.exp(-2j * np.pi * np.arange(1, ORDERS + 1) * ELECTRICAL_HZ * 120e-6)
    post, sensor = np.empty(samples, dtype), np.empty(samples, dtype)
    for start in range(0, samples, 1 << 17):
        t = np.arange(start, min(samples, start + (1 << 17))) / RATE_HZ
        wander = sum(depth * period * np.cos(2 * np.pi * t / period) for depth, period in ((0.012, 2.9), (0.003, 0.37)))
        turns = ELECTRICAL_HZ * (t - wander / (2 * np.pi))
        unit = np.exp(2j * np.pi * turns)
        ripple, coupled, power = np.zeros_like(t), np.zeros_like(t), np.ones_like(unit)
        for amplitude, factor in zip(orders, late, strict=True):
            power = power * unit
            ripple += (amplitude * power).real
            coupled += (amplitude * factor * power).real
        level = 14 + 0.15 * np.sin(2 * np.pi * 0.4 * t) + 0.02 * np.sin(2 * np.pi * 1.3 * t)
        wheel = np.sin(2 * np.pi * 4.449 * turns + 0.3)
        stop = start + t.size
        post[start:stop] = level + ripple + 0.02 * rng.standard_normal(t.size)
        sensor[start:stop] = 2.5 + 2 * np.tanh(4 * wheel) + coupled + 0.02 * rng.standard_normal(t.size)
    return post, sensor


def sixpulse_job(post: Array, sensor: Array) -> sixpulse.results.Examination:
    """The same from arrays to the result object."""
    traces = {
        "post": sixpulse.Trace(post, sample_rate_hz=RATE_HZ, coupling="dc", role="charging_post"),
        "sensor": sixpulse.Trace(sensor, sample_rate_hz=RATE_HZ, coupling="dc", role="speed_sensor"),
    }
    return sixpulse.examine(sixpulse.Capture(traces))


def cpu_s(job: Callable[[], object]) -> float:
    """CPU seconds of one call."""
    begin = time.process_time()
    job()
    return time.process_time() - begin


def agree(theirs: dict[str, Any], found: sixpulse.results.Examination) -> None:
    """Refuse to compare pipelines that do not find the same; the limits are the plain methods' own errors."""
    sensor, circuit, ripple = theirs["contamination"], found.contamination["sensor"], found.ripple
    same = {
        "pattern": theirs["pattern"] == found.rectifier.pattern == "open_diode",
        "r.m.s. of the mean cycle": isclose(theirs["ripple"]["synchronous"][0], ripple.synchronous_rms_v, rel_tol=0.02),
        "gain": isclose(sensor["gain"], circuit.gain_v_per_v, rel_tol=0.02),
        "delay": isclose(sensor["seconds"], circuit.delay_s, abs_tol=4e-6),
        "residual": isclose(sensor["residual_rms"], circuit.residual_rms_v, rel_tol=0.02),
        "count": isclose(sensor["indicated_hz"][1], circuit.indicated_without_ripple_hz, rel_tol=0.01),
    }
    if not all(same.values()):
        raise SystemExit(f"not the same: {[name for name, ok in same.items() if not ok]}")


def side_by_side(samples: int, dtype: str, pairs: int) -> None:
    """One line of the table."""
    post, sensor = capture(samples, dtype)
    agree(same_answers(post, sensor, RATE_HZ), sixpulse_job(post, sensor))
    if plain(post, sensor, RATE_HZ)["pattern"] != "open_diode":
        raise SystemExit("the plain stages do not find the open diode")
    jobs: tuple[Callable[[], object], ...] = (
        lambda: plain(post, sensor, RATE_HZ),
        lambda: same_answers(post, sensor, RATE_HZ),
        lambda: sixpulse_job(post, sensor),
    )
    times = [[cpu_s(job) for job in jobs] for _ in range(pairs)]
    medians = [1e3 * statistics.median(column) for column in zip(*times, strict=True)]
    cells = [f"{median:9.2f}" for median in medians]
    for other in (0, 1):
        ratios = [row[other] / row[2] for row in times]
        cells.append(f"{statistics.median(ratios):6.2f} ({min(ratios):.2f} - {max(ratios):.2f})")
    print(f"{samples:>9} {dtype:>8} {' '.join(cells)}", flush=True)


def extra_memory(samples: int, dtype: str) -> None:
    """Peak resident memory beyond the arrays and the interpreter, in sizes of the input."""
    post, sensor = capture(samples, dtype)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    sixpulse_job(post, sensor)
    extra = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
    share = extra / (post.nbytes + sensor.nbytes)
    print(f"{samples:>9} {dtype:>8} extra memory {extra / 1e6:.1f} MB, {share:.2f} x input")


def main() -> None:
    """The table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--samples", type=int, nargs="+", default=[4096, 100_000, 1_000_000])
    parser.add_argument("--dtype", nargs="+", default=["float32", "float64"], choices=["float32", "float64"])
    parser.add_argument("--pairs", type=int, default=7)
    parser.add_argument("--memory", action="store_true", help="peak memory instead of time (one size, one type)")
    arguments = parser.parse_args()
    if arguments.memory:
        extra_memory(arguments.samples[0], arguments.dtype[0])
        return
    print(
        f"{'samples':>9} {'input':>8} {'plain ms':>9} {'same ms':>9} {'ours ms':>9}   ratio to plain, to same answers"
    )
    for samples in arguments.samples:
        for dtype in arguments.dtype:
            side_by_side(samples, dtype, arguments.pairs)


if __name__ == "__main__":
    main()
