# ruff: noqa: E402 - the threads of the libraries are set before they are loaded
"""Side by side: ``sixpulse.examine`` against a plain NumPy/SciPy pipeline that does the same stages.

    python tools/speed.py [--samples 100000 1000000] [--pairs 7] [--dtype float32 float64]

Both get the same two arrays in one process and take turns; CPU time is counted, one thread. The median of the ratios is
printed with its range. `sixpulse` is charged with everything from the arrays to the result: copying, validating,
examining, building the result object. The pipeline calls libraries throughout and loops over no sample.
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
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, linalg, signal

import sixpulse
import sixpulse.results

Array = NDArray[Any]
RATE_HZ = 100_000.0
ELECTRICAL_HZ = 200.0
ORDERS = 24
POINTS = 96
SEGMENT = 4096
TAPS = 65
PATTERNS = {"healthy": (), "open_diode": ((0, 0),), "open_phase": ((0, 0), (0, 1)), "two_open_diodes": ((0, 0), (1, 0))}


def bridge_cycle(missing: tuple[tuple[int, int], ...]) -> Array:
    """One cycle of the ideal bridge without the diodes (phase, rail) that are missing, line voltage's peak 1."""
    theta = 2 * np.pi * np.arange(POINTS) / POINTS
    high = np.cos(theta[:, None] - 2 * np.pi * np.arange(3) / 3)
    low = high.copy()
    for phase, rail in missing:
        (high, low)[rail][:, phase] = (-np.inf, np.inf)[rail]
    return np.asarray((high.max(axis=1) - low.min(axis=1)) / np.sqrt(3))


def capture(samples: int, dtype: str, seed: int = 1) -> tuple[Array, Array]:
    """Charging post with one open diode, speed wandering by 1.5 %; wheel sensor that carries a third of the ripple."""
    rng = np.random.default_rng(seed)
    orders = 0.6 * 2 / POINTS * fft.rfft(bridge_cycle(PATTERNS["open_diode"]))[1 : ORDERS + 1] + 0.003 + 0.002j
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


def couple(x: Array) -> Array:
    """Zero-phase second-order high-pass at 5 Hz, the record continued by reflection."""
    sections = signal.butter(2, 5.0, "highpass", fs=RATE_HZ, output="sos")
    y = signal.sosfiltfilt(sections, x, padtype="even", padlen=min(x.size - 1, 10_000))
    return np.ascontiguousarray(y, dtype=x.dtype)


def quality(x: Array) -> dict[str, Any]:
    """Extremes, share at the extremes, longest standstill."""
    low, high = x.min(), x.max()
    moves = np.flatnonzero(np.diff(x))
    longest = int(np.diff(moves).max()) if moves.size > 1 else x.size
    return {"low": low, "high": high, "at_ends": int(((x == low) | (x == high)).sum()), "longest": longest}


def ripple(raw: Array, ac: Array) -> dict[str, float]:
    """Mean, r.m.s., peak-to-peak (also without the outermost thousandths), crest and ripple factor."""
    mean, rms = float(raw.mean(dtype=float)), float(np.sqrt(np.mean(np.square(ac), dtype=float)))
    low, high = float(ac.min()), float(ac.max())
    inner = np.percentile(ac, (0.1, 99.9))
    return {"mean": mean, "rms": rms, "pp": high - low, "inner": float(np.ptp(inner)), "crest": max(high, -low) / rms}


def line_hz(x: Array, low: float, high: float) -> float:
    """Strongest line between two frequencies: Hann window, parabola through the logarithms."""
    spectrum = np.abs(fft.rfft(x * signal.windows.hann(x.size, sym=False).astype(x.dtype)))
    width = RATE_HZ / x.size
    first = max(1, int(low / width))
    k = first + int(np.argmax(spectrum[first : int(high / width) + 2]))
    a, b, c = np.log(spectrum[k - 1 : k + 2].astype(float) + 1e-30)
    return float((k + 0.5 * (a - c) / (a - 2 * b + c)) * width)


def cycle(ac: Array) -> tuple[float, int]:
    """Electrical frequency, and which of its orders the strongest line is: the comb highest above the floor."""
    peak_hz = line_hz(ac, 60.0, 6000.0)
    middle = ac[max(0, ac.size // 2 - 16_384) :][:32_768]
    spectrum = np.abs(fft.rfft(middle * signal.windows.hann(middle.size, sym=False).astype(middle.dtype)))
    floor, width = np.log(np.median(spectrum)), RATE_HZ / middle.size

    def height(order: int) -> float:
        if not 110 <= peak_hz / order <= 380:
            return -np.inf
        k = np.rint(np.arange(1, ORDERS + 1) * peak_hz / order / width).astype(int)
        k = k[(k > 2) & (k < spectrum.size - 3)]
        return float(np.maximum(np.log(spectrum[k[:, None] + np.arange(-2, 3)].max(axis=1)) - floor, 0).mean())

    order = max((1, 2, 3, 6, 12), key=height)
    span = ac[: min(ac.size, int(32 * RATE_HZ * order / peak_hz))]
    return sine_fit(span, line_hz(span, 0.93 * peak_hz, 1.07 * peak_hz)) / order, order


def sine_fit(x: Array, hz: float) -> float:
    """Frequency of the four-parameter sine fit (IEEE 1057), Gauss-Newton."""
    t, y, omega = (np.arange(x.size) - x.size / 2) / RATE_HZ, x.astype(float), 2 * np.pi * hz
    a, b = 0.0, 0.0
    for step in range(6):
        cos, sin = np.cos(omega * t), np.sin(omega * t)
        columns = [cos, sin, np.ones_like(t)] + ([t * (b * cos - a * sin)] if step else [])
        matrix = np.stack(columns, axis=1)
        solution = linalg.solve(matrix.T @ matrix, matrix.T @ y, assume_a="pos")
        a, b = solution[:2]
        omega += solution[3] if step else 0.0
    return float(omega / (2 * np.pi))


def orders(ac: Array, electrical_hz: float, order: int) -> dict[str, Array]:
    """Band-pass and Hilbert transform for the phase, resampling to equal angles, orders of every cycle."""
    line = electrical_hz * order
    band = (line - 0.3 * electrical_hz, line + 0.3 * electrical_hz)
    sections = signal.butter(3, band, "bandpass", fs=RATE_HZ, output="sos")
    narrow = np.ascontiguousarray(signal.sosfiltfilt(sections, ac), dtype=ac.dtype)
    analytic = signal.hilbert(narrow, N=fft.next_fast_len(narrow.size))[: narrow.size]
    turns = np.maximum.accumulate(np.unwrap(np.angle(analytic).astype(float)) / (2 * np.pi * order))
    count = int(turns[-1] - turns[0]) - 1
    angles = turns[0] + np.arange(count * POINTS) / POINTS
    grid = np.interp(angles, turns, ac).reshape(count, POINTS)
    amplitudes = 2 / POINTS * np.abs(fft.rfft(grid, axis=1)[:, 1 : ORDERS + 1])
    mean = grid.mean(axis=0)
    mean_orders = 2 / POINTS * np.abs(fft.rfft(mean)[1 : ORDERS + 1])
    return {"mean": mean, "std": grid.std(axis=0), "orders": mean_orders, "dispersion": amplitudes.std(axis=0)}


def transfer(post: Array, sensor: Array) -> dict[str, Array]:
    """Welch spectra, transfer and coherence."""
    options: dict[str, Any] = {"fs": RATE_HZ, "nperseg": min(SEGMENT, post.size), "detrend": False}
    hz, post_density = signal.welch(post, **options)
    _, sensor_density = signal.welch(sensor, **options)
    _, cross = signal.csd(post, sensor, **options)
    return {"hz": hz, "gain": cross / post_density, "coherence": np.abs(cross) ** 2 / (post_density * sensor_density)}


def subtract(post: Array, sensor: Array) -> Array:
    """Least-squares filter from post to sensor, taken off the sensor; the normal equations summed block by block."""
    half = TAPS // 2
    padded = np.pad(post, half)
    own, shared = np.zeros(TAPS), np.zeros(TAPS)
    for start in range(0, post.size, 1 << 15):
        stop = min(post.size, start + (1 << 15))
        for k in range(TAPS):
            ahead = post[start + k : stop + k]
            own[k] += post[start : start + ahead.size] @ ahead
            shift = TAPS - 1 - k
            shared[k] += sensor[start:stop] @ padded[start + shift : stop + shift]
    own[0] *= 1 + 1e-6
    taps = linalg.solve_toeplitz(own, shared).astype(post.dtype)
    return np.asarray(sensor - signal.oaconvolve(post, taps, mode="same"))


def pulses_hz(x: Array) -> float:
    """Rate of rising edges with hysteresis."""
    mean, std = float(x.mean(dtype=float)), float(x.std(dtype=float))
    marks = np.flatnonzero((x > mean + 0.35 * std) | (x < mean - 0.35 * std))
    up = x[marks] > mean
    rises = marks[1:][up[1:] & ~up[:-1]]
    return float((rises.size - 1) / (rises[-1] - rises[0]) * RATE_HZ) if rises.size > 1 else 0.0


def pattern_of(amplitudes: Array) -> str:
    """The ideal cycle whose orders are most alike."""
    ideal = {name: np.abs(fft.rfft(bridge_cycle(missing))[1 : ORDERS + 1]) for name, missing in PATTERNS.items()}
    return max(ideal, key=lambda name: float(amplitudes @ ideal[name] / np.linalg.norm(ideal[name])))


def scipy_pipeline(post: Array, sensor: Array) -> dict[str, Any]:
    """The whole job in NumPy and SciPy."""
    fitness = [quality(post), quality(sensor)]
    post_ac, sensor_ac = couple(post), couple(sensor)
    electrical_hz, order = cycle(post_ac)
    angle = orders(post_ac, electrical_hz, order)
    cleaned = subtract(post_ac, sensor_ac)
    return {
        "quality": fitness,
        "ripple": ripple(post, post_ac),
        "electrical_hz": electrical_hz,
        "angle": angle,
        "transfer": transfer(post_ac, sensor_ac),
        "indicated_hz": (pulses_hz(sensor_ac), pulses_hz(cleaned)),
        "pattern": pattern_of(angle["orders"]),
    }


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


def side_by_side(samples: int, dtype: str, pairs: int) -> None:
    """One line of the table."""
    post, sensor = capture(samples, dtype)
    plain, ours = scipy_pipeline(post, sensor), sixpulse_job(post, sensor)
    if plain["pattern"] != "open_diode" or ours.rectifier.pattern != "open_diode":
        raise SystemExit(f"{samples} {dtype}: {plain['pattern']} and {ours.rectifier.pattern}, not open_diode")
    jobs = (lambda: scipy_pipeline(post, sensor)), (lambda: sixpulse_job(post, sensor))
    times = [(cpu_s(jobs[0]), cpu_s(jobs[1])) for _ in range(pairs)]
    ratios = [a / b for a, b in times]
    theirs, own = (statistics.median(column) for column in zip(*times, strict=True))
    ns = 1e9 / samples
    figures = f"{1e3 * theirs:9.2f} {1e3 * own:9.2f} {ns * theirs:9.1f} {ns * own:9.1f}"
    print(f"{samples:>9} {dtype:>8} {figures} {statistics.median(ratios):7.2f} ({min(ratios):.2f} - {max(ratios):.2f})")


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
    print(f"{'samples':>9} {'input':>8} {'SciPy ms':>9} {'ours ms':>9} {'SciPy ns':>9} {'ours ns':>9} {'ratio':>7}")
    for samples in arguments.samples:
        for dtype in arguments.dtype:
            side_by_side(samples, dtype, arguments.pairs)


if __name__ == "__main__":
    main()
