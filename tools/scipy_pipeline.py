"""The examination of two traces in plain NumPy and SciPy, for `tools/speed.py` and `tools/validate_pipeline.py`.

`plain` does the stages one by one as a careful user would write them: one line is taken for the ripple, one spectrum
tells which order it is, Welch's averages give the transfer. `same_answers` adds what an examination answers beyond
that. Both call libraries throughout and loop over no sample.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, linalg, ndimage, optimize, signal

Array = NDArray[Any]
Answers = dict[str, Any]
ORDERS = 24
POINTS = 96
SEGMENT = 4096
TAPS = 65
#: Which order of the electrical frequency the strongest line may be.
STRONGEST = (1, 2, 3, 6, 12)
#: Electrical frequencies between which one is looked for, hertz, where nothing is told.
USUAL_HZ = (110.0, 380.0)
PATTERNS = {"healthy": (), "open_diode": ((0, 0),), "open_phase": ((0, 0), (0, 1)), "two_open_diodes": ((0, 0), (1, 0))}


def bridge_cycle(missing: tuple[tuple[int, int], ...]) -> Array:
    """One cycle of the ideal bridge without the diodes (phase, rail) that are missing, line voltage's peak 1."""
    theta = 2 * np.pi * np.arange(POINTS) / POINTS
    high = np.cos(theta[:, None] - 2 * np.pi * np.arange(3) / 3)
    low = high.copy()
    for phase, rail in missing:
        (high, low)[rail][:, phase] = (-np.inf, np.inf)[rail]
    return np.asarray((high.max(axis=1) - low.min(axis=1)) / np.sqrt(3))


# ---------------------------------------------------------------------------------------------- the plain stages


def couple(x: Array, rate_hz: float) -> Array:
    """Zero-phase second-order high-pass at 5 Hz, the record continued by reflection."""
    sections = signal.butter(2, 5.0, "highpass", fs=rate_hz, output="sos")
    y = signal.sosfiltfilt(sections, x, padtype="even", padlen=min(x.size - 1, 10_000))
    return np.ascontiguousarray(y, dtype=x.dtype)


def quality(x: Array) -> Answers:
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


def line_hz(x: Array, rate_hz: float, low: float, high: float) -> float:
    """Strongest line between two frequencies, hertz, under a Hann window."""
    windowed = x * signal.windows.hann(x.size, sym=False).astype(x.dtype)
    return strongest_hz(fft.rfft(windowed), rate_hz / x.size, low, high)


def strongest_hz(lines: Array, width: float, low: float, high: float) -> float:
    """Strongest line of a spectrum with bins of such a width: parabola through the logarithms."""
    first = max(1, int(low / width))
    size = np.abs(lines)
    k = first + int(np.argmax(size[first : min(int(high / width) + 2, size.size - 1)]))
    a, b, c = np.log(size[k - 1 : k + 2].astype(float) + 1e-30)
    return float((k + 0.5 * (a - c) / (a - 2 * b + c)) * width)


def cycle(ac: Array, rate_hz: float, electrical_hz: tuple[float, float]) -> tuple[float, int]:
    """Electrical frequency, and which of its orders the strongest line is: the comb highest above the floor."""
    peak_hz = line_hz(ac, rate_hz, 60.0, min(0.45 * rate_hz, 12 * electrical_hz[1]))
    middle = ac[max(0, ac.size // 2 - 16_384) :][:32_768]
    spectrum = np.abs(fft.rfft(middle * signal.windows.hann(middle.size, sym=False).astype(middle.dtype)))
    floor, width = np.log(np.median(spectrum)), rate_hz / middle.size

    def height(order: int) -> float:
        if not electrical_hz[0] <= peak_hz / order <= electrical_hz[1]:
            return -np.inf
        k = np.rint(np.arange(1, ORDERS + 1) * peak_hz / order / width).astype(int)
        k = k[(k > 2) & (k < spectrum.size - 3)]
        return float(np.maximum(np.log(spectrum[k[:, None] + np.arange(-2, 3)].max(axis=1)) - floor, 0).mean())

    order = max(STRONGEST, key=height)
    span = ac[: min(ac.size, int(32 * rate_hz * order / peak_hz))]
    return sine_fit(span, rate_hz, line_hz(span, rate_hz, 0.93 * peak_hz, 1.07 * peak_hz)) / order, order


def sine_fit(x: Array, rate_hz: float, hz: float) -> float:
    """Frequency of the four-parameter sine fit (IEEE 1057), Gauss-Newton."""
    t, y, omega = (np.arange(x.size) - x.size / 2) / rate_hz, x.astype(float), 2 * np.pi * hz
    a, b = 0.0, 0.0
    for step in range(6):
        cos, sin = np.cos(omega * t), np.sin(omega * t)
        columns = [cos, sin, np.ones_like(t)] + ([t * (b * cos - a * sin)] if step else [])
        matrix = np.stack(columns, axis=1)
        solution = linalg.solve(matrix.T @ matrix, matrix.T @ y, assume_a="pos")
        a, b = solution[:2]
        omega += solution[3] if step else 0.0
    return float(omega / (2 * np.pi))


def turns_of(ac: Array, rate_hz: float, electrical_hz: float, order: int) -> Array:
    """Electrical turns at each sample, from the strongest line: band-pass and Hilbert transform."""
    line = electrical_hz * order
    band = (max(line - 0.3 * electrical_hz, 1.0), min(line + 0.3 * electrical_hz, 0.49 * rate_hz))
    sections = signal.butter(3, band, "bandpass", fs=rate_hz, output="sos")
    narrow = np.ascontiguousarray(signal.sosfiltfilt(sections, ac), dtype=ac.dtype)
    analytic = signal.hilbert(narrow, N=fft.next_fast_len(narrow.size))[: narrow.size]
    return np.asarray(np.maximum.accumulate(np.unwrap(np.angle(analytic).astype(float)) / (2 * np.pi * order)))


def away_from_ends(samples: int, rate_hz: float, electrical_hz: float) -> slice:
    """The record without two cycles at either end, where the band-pass still settles; whole where it is short."""
    settling = int(2 * rate_hz / electrical_hz)
    return slice(settling, samples - settling) if samples > 4 * settling else slice(0, samples)


def folded(ac: Array, turns: Array) -> Array:
    """The record at equal angles, one row for each cycle."""
    count = int(turns[-1] - turns[0]) - 1
    angles = turns[0] + np.arange(count * POINTS) / POINTS
    return np.interp(angles, turns, ac).reshape(count, POINTS)


def orders(grid: Array) -> dict[str, Array]:
    """Mean cycle, its orders, and how both vary from cycle to cycle."""
    amplitudes = 2 / POINTS * np.abs(fft.rfft(grid, axis=1)[:, 1 : ORDERS + 1])
    mean = grid.mean(axis=0)
    mean_orders = 2 / POINTS * np.abs(fft.rfft(mean)[1 : ORDERS + 1])
    return {"mean": mean, "std": grid.std(axis=0), "orders": mean_orders, "dispersion": amplitudes.std(axis=0)}


def transfer(post: Array, sensor: Array, rate_hz: float) -> dict[str, Array]:
    """Welch spectra, transfer and coherence."""
    options: dict[str, Any] = {"fs": rate_hz, "nperseg": min(SEGMENT, post.size), "detrend": False}
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


def pulses_hz(x: Array, rate_hz: float) -> float:
    """Rate of rising edges with hysteresis."""
    mean, std = float(x.mean(dtype=float)), float(x.std(dtype=float))
    marks = np.flatnonzero((x > mean + 0.35 * std) | (x < mean - 0.35 * std))
    up = x[marks] > mean
    rises = marks[1:][up[1:] & ~up[:-1]]
    return float((rises.size - 1) / (rises[-1] - rises[0]) * rate_hz) if rises.size > 1 else 0.0


def pattern_of(amplitudes: Array) -> str:
    """The ideal cycle whose orders are most alike."""
    ideal = {name: np.abs(fft.rfft(bridge_cycle(missing))[1 : ORDERS + 1]) for name, missing in PATTERNS.items()}
    return max(ideal, key=lambda name: float(amplitudes @ ideal[name] / np.linalg.norm(ideal[name])))


def plain(post: Array, sensor: Array, rate_hz: float, electrical_hz: tuple[float, float] = USUAL_HZ) -> Answers:
    """The stages one by one; `electrical_hz` are the limits of the electrical frequency, hertz."""
    fitness = [quality(post), quality(sensor)]
    post_ac, sensor_ac = couple(post, rate_hz), couple(sensor, rate_hz)
    found_hz, order = cycle(post_ac, rate_hz, electrical_hz)
    inner = away_from_ends(post.size, rate_hz, found_hz)
    turns = turns_of(post_ac, rate_hz, found_hz, order)[inner]
    grid = folded(post_ac[inner], turns)
    angle = orders(grid)
    cleaned = subtract(post_ac, sensor_ac)
    return {
        "quality": fitness,
        "ripple": ripple(post, post_ac),
        "electrical_hz": found_hz,
        "angle": angle,
        "transfer": transfer(post_ac, sensor_ac, rate_hz),
        "indicated_hz": (pulses_hz(sensor_ac, rate_hz), pulses_hz(cleaned, rate_hz)),
        "pattern": pattern_of(angle["orders"]),
    }


# ----------------------------------------------------------------------- what an examination answers beyond that

PATHS: dict[str, Callable[[Array, float], Array]] = {
    "delay": lambda omega, seconds: np.exp(-1j * omega * seconds),
    "low_pass": lambda omega, seconds: 1 / (1 + 1j * omega * seconds),
    "high_pass": lambda omega, seconds: 1j * omega * seconds / (1 + 1j * omega * seconds),
}
DELAYS_S = np.concatenate([[0.0], np.geomspace(2e-6, 6e-4, 40)])
FLOORS = 64


def converter_step(x: Array) -> float | None:
    """Step of the converter's grid, none where the samples lie on none."""
    values = np.unique(x)
    gaps = np.diff(values.astype(float))
    step = float(gaps.min()) if values.size < x.size / 2 and gaps.size else 0.0
    return step if step and np.abs(gaps / step - np.rint(gaps / step)).max() < 0.05 else None


def ripple_parts(grid: Array) -> dict[str, tuple[float, float]]:
    """Ripple in step with the cycle, the rest, peak to peak: values and standard uncertainties from cycle to cycle."""
    mean, cycles = grid.mean(axis=0), len(grid)
    rest = grid - mean
    columns = {"rms": np.sqrt(np.mean(grid**2, axis=1)), "rest": rest.std(axis=1), "pp": np.ptp(grid, axis=1)}
    parts = {name: (float(c.mean()), float(c.std() / np.sqrt(cycles))) for name, c in columns.items()}
    return parts | {"synchronous": (float(mean.std()), parts["rest"][0] / np.sqrt(grid.size))}


def candidates(ac: Array, turns: Array, order: int) -> dict[int, Array]:
    """The record folded for each order that the strongest line may be, where it has more than one cycle then."""
    grids = {other: folded(ac, turns * (order / other)) for other in STRONGEST}
    return {other: grid for other, grid in grids.items() if len(grid) > 1 or other == order}


def judged(grid: Array) -> Answers:
    """Orders of a candidate's cycle, the pattern that they are most like, what part of the power the cycle holds."""
    found = orders(grid)
    return found | {"pattern": pattern_of(found["orders"]), "share": float(found["mean"].var() / grid.var())}


def track_hz(turns: Array, rate_hz: float) -> Array:
    """Electrical frequency at two hundred places."""
    at = np.linspace(0, turns.size - 1, 201).astype(int)
    return np.asarray(np.diff(turns[at]) / np.diff(at) * rate_hz)


def at_orders(post: Array, sensor: Array, rate_hz: float, electrical_hz: float) -> dict[str, Array]:
    """Gain, phase and coherence at the orders with their random errors (Bendat and Piersol) and the 1 % threshold."""
    length = min(post.size, int(4 * rate_hz / electrical_hz))
    options: dict[str, Any] = {"fs": rate_hz, "nperseg": length, "detrend": False}
    _, x = signal.welch(post, **options)
    _, y = signal.welch(sensor, **options)
    hz, cross = signal.csd(post, sensor, **options)
    k = np.rint(np.arange(1, ORDERS + 1) * electrical_hz / (hz[1] - hz[0])).astype(int)
    k = k[k < hz.size]
    coherence = np.abs(cross[k]) ** 2 / (x[k] * y[k])
    averages = max(2.0, 36 / 19 * (post.size / length - 0.5))
    error = np.sqrt((1 - coherence) / (2 * averages * coherence))
    gain = cross[k] / x[k]
    return {"gain": np.abs(gain), "phase": np.angle(gain), "error": error, "coherence": coherence} | {
        "threshold": np.full(k.size, 1 - 0.01 ** (1 / (averages - 1)))
    }


def hann_of(spectrum: Array) -> Array:
    """Spectrum of the record under a Hann window, from that of the record as it is."""
    padded = np.concatenate([spectrum[1:2].conj(), spectrum, spectrum[-2:-1].conj()])
    return np.asarray(0.5 * padded[1:-1] - 0.25 * (padded[:-2] + padded[2:]))


def path_of(x: Array, y: Array, hz: Array, electrical_hz: float, spread: float) -> dict[str, Any]:
    """Path that explains the circuit's lines best: each kind fitted by least squares on the bins about the orders."""
    order = np.rint(hz / electrical_hz)
    near = (
        (order >= 1)
        & (order <= ORDERS)
        & (np.abs(hz - order * electrical_hz) <= order * electrical_hz * spread + 2 * hz[1])
    )
    strong = np.zeros_like(near)
    floor = np.median(np.abs(x[near]) ** 2) if near.any() else 0.0
    strong[near] = np.abs(x[near]) ** 2 > 8 * floor
    omega, a, b = 2 * np.pi * hz[strong], x[strong].astype(complex), y[strong].astype(complex)
    scale = float(np.linalg.norm(b))

    def fit(model: Callable[[Array, float], Array]) -> tuple[float, float, float, Array]:
        def left(values: Array) -> Array:
            difference = (b - values[0] * model(omega, values[1] * 1e-5) * a) / scale
            return np.concatenate([difference.real, difference.imag])

        shapes = [model(omega, seconds) * a for seconds in DELAYS_S[1:]]
        gains = [float((shape.conj() @ b).real / (shape.conj() @ shape).real) for shape in shapes]
        costs = [float(np.linalg.norm(b - gain * shape)) for gain, shape in zip(gains, shapes, strict=True)]
        best = int(np.argmin(costs))
        found = optimize.least_squares(left, [gains[best], DELAYS_S[1 + best] * 1e5], method="lm")
        covariance = np.linalg.inv(found.jac.T @ found.jac) * 2 * found.cost / max(1, found.fun.size - 2)
        return float(found.cost), float(found.x[0]), float(found.x[1]) * 1e-5, np.sqrt(np.diag(covariance))

    fits = {name: fit(model) for name, model in PATHS.items()}
    kind = min(fits, key=lambda name: fits[name][0])
    _, gain, seconds, errors = fits[kind]
    return {"kind": kind, "gain": gain, "seconds": seconds, "gain_std": errors[0], "seconds_std": errors[1] * 1e-5}


def above_noise(spectrum: Array) -> tuple[Array, float]:
    """The spectrum without bins less than eight times as strong as the noise about them; the least noise."""
    power = np.abs(spectrum) ** 2
    width = max(1, power.size // FLOORS)
    blocks = power[: power.size // width * width].reshape(-1, width)
    floors = np.median(blocks, axis=1) / np.log(2)
    floor = np.repeat(ndimage.minimum_filter1d(floors, 3), width)
    floor = np.pad(floor, (0, power.size - floor.size), mode="edge")
    return np.where(power >= 8 * floor, spectrum, 0), float(floors.min())


def margin_of(own: Array, part: Array) -> float:
    """Factor on the ripple from which on the count is false by 1 %: doubled until it is, then halved to 0.8 %."""
    mean, std = float(own.mean()), float(own.std())
    high, low = mean + 0.35 * std, mean - 0.35 * std

    def count(factor: float) -> int:
        x = own + own.dtype.type(factor) * part
        marks = np.flatnonzero((x > high) | (x < low))
        up = x[marks] > mean
        return int(np.count_nonzero(up[1:] & ~up[:-1]))

    true = count(0.0)
    right, false = 0.0, 1.0
    while abs(count(false) - true) <= 0.01 * true:
        right, false = false, 2 * false
        if false > 64:
            return float("inf")
    while false - right > 0.008 * false:
        middle = (right + false) / 2
        if abs(count(middle) - true) <= 0.01 * true:
            right = middle
        else:
            false = middle
    return false


def contamination(post: Array, sensor: Array, rate_hz: float, electrical_hz: float, spread: float) -> Answers:
    """Path, own signal and ripple apart, drift, own frequency, the least tone to be found, counts and their margin."""
    x, y = fft.rfft(post), fft.rfft(sensor)
    hz = np.arange(x.size) * (rate_hz / post.size)
    path = path_of(hann_of(x), hann_of(y), hz, electrical_hz, spread)
    ripple_part = (path["gain"] * PATHS[path["kind"]](2 * np.pi * hz, path["seconds"])).astype(x.dtype) * x
    own_spectrum, noise = above_noise(y - ripple_part)
    ripple_spectrum, _ = above_noise(ripple_part)
    own, part = fft.irfft(own_spectrum, post.size), fft.irfft(ripple_spectrum, post.size)
    eighths = [
        (r @ o) / max(float(r @ r), 1e-30) for r, o in zip(np.array_split(part, 8), np.array_split(own, 8), strict=True)
    ]
    return path | {
        "drift": float(np.ptp(eighths)),
        "ripple_rms": float(part.std()),
        "residual_rms": float(own.std()),
        "own_pp": float(np.ptp(own)),
        "own_hz": strongest_hz(hann_of(own_spectrum), rate_hz / post.size, 10.0, 0.45 * rate_hz),
        "least_tone": 2 / post.size * float(np.sqrt(noise * 12)),
        "indicated_hz": (pulses_hz(own + part, rate_hz), pulses_hz(own, rate_hz)),
        "margin": margin_of(own, part),
    }


def same_answers(post: Array, sensor: Array, rate_hz: float, electrical_hz: tuple[float, float] = USUAL_HZ) -> Answers:
    """What `examine` answers: the stages, their uncertainties, the other candidates, the sensor's part in full."""
    post_ac, sensor_ac = couple(post, rate_hz), couple(sensor, rate_hz)
    found_hz, order = cycle(post_ac, rate_hz, electrical_hz)
    inner = away_from_ends(post.size, rate_hz, found_hz)
    turns = turns_of(post_ac, rate_hz, found_hz, order)[inner]
    track = track_hz(turns, rate_hz)
    mean_hz, spread = float(track.mean()), float(np.ptp(track) / track.mean())
    grids = candidates(post_ac[inner], turns, order)
    tried = {other: judged(grid) for other, grid in grids.items()}
    return {
        "quality": [quality(x) | {"step": converter_step(x)} for x in (post, sensor)],
        "ripple": ripple(post, post_ac) | ripple_parts(grids[order]),
        "electrical_hz": mean_hz,
        "track": track,
        "angle": tried[order],
        "candidates": tried,
        "orders": at_orders(post_ac, sensor_ac, rate_hz, mean_hz),
        "contamination": contamination(post_ac, sensor_ac, rate_hz, mean_hz, spread),
        "pattern": tried[order]["pattern"],
    }
