"""What a record of a sensor and of its supply can prove, by the truth about it and without asking the library.

The criteria are those of `crates/sixpulse-sim/examples/contamination_figures/record.rs`, written anew for captures
whose labels state gain, delay, noise and steps. In a bin of the Hann spectrum over the whole record the supply has the
ripple `X` (power, its floor taken off), and `S` stands in the way: what the sensor's record holds besides the ripple
that came through, that is its record less the supply's through the true gain and delay. So noise and rounding of both
channels, the wheel, and lines that fold back with another phase are all in `S`, which is never below the floors that
noise and steps make. A wheel counts by its power: a method that follows its angle may see past it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Float = NDArray[np.float64]

SIX = 6.0
"""Standard uncertainties that a gain must have, for a verdict."""
CLEAN_BELOW = 0.1
"""Gain in V/V that a clean verdict rules out."""
LEAST_GAIN = 0.01
DITHER = 0.3
"""Noise in steps from which a converter is linear on the mean."""
SINE, ANY_SHAPE = 2.83, 2.0
"""Peak-to-peak over r.m.s. value: of a sine, and the least that any shape has (Popoviciu's inequality on variances)."""
CLEAR = 10.0
"""Power of a supply's bin against its floor from which it is ripple."""
TESTABLE = 3.0
"""Standard uncertainties of an order's transfer from which it can agree with others."""
MOST_CHANCE = 0.1
"""Probability of an agreement by chance from which it proves nothing."""
SPREAD_BINS = 9
"""Bins that a single order must be spread over by the speed's wander, the window's own line included."""
DELAYS_S = 600e-6
"""Range of the delays that a method must allow for."""
LOOK = 1.0 / 1.5
"""Part of the information that a Hann window leaves: it spreads a line's power over one and a half bins."""


@dataclass(frozen=True)
class Record:
    """Power of the ripple and of what is in its way, V^2 in each bin that holds ripple, and what the label says."""

    hz: Float
    ripple: Float
    in_the_way: Float
    gain: float
    fe: float
    steps_v: tuple[float, float]
    noise_v: float
    ripple_v: float
    own_v: float

    @property
    def needed(self) -> float:
        """Gain in V/V that must show: the one there is; for a clean sensor the one that its verdict rules out."""
        return abs(self.gain) or CLEAN_BELOW

    @property
    def information(self) -> Float:
        """Of each bin on the gain, 1/(V/V)^2: Fisher's for a line in complex Gaussian noise, of the whole record."""
        return 2.0 * self.ripple / self.in_the_way

    @property
    def read(self) -> Float:
        """The part of it that is left under a Hann window, with which the verdicts are read."""
        return LOOK * self.information


def spectrum(values: Float) -> Float:
    """Power in V^2 a bin, one-sided, summing to the variance: a Hann window over the whole record."""
    window = signal.windows.hann(values.size, sym=False)
    lines = np.fft.rfft((values - values.mean()) * window)
    power: Float = 2.0 * np.abs(lines) ** 2 / (values.size * np.sum(window**2))
    return power


def late(values: Float, delay_s: float, fs: float) -> Float:
    """Give the values later, by a delay that is exact below half the sample rate; the ends join in a closed ring."""
    hz = np.fft.rfftfreq(values.size, 1.0 / fs)
    return np.fft.irfft(np.fft.rfft(values) * np.exp(-2j * math.pi * hz * delay_s), values.size)


def coupled(values: Float, corner_hz: float | None, fs: float) -> Float:
    """Give the values behind an AC coupling that had settled on their mean; `None` leaves them as they are."""
    centred: Float = values - values.mean()
    if corner_hz is None:
        return centred
    b, a = signal.butter(1, corner_hz, "highpass", fs=fs)
    return np.asarray(signal.lfilter(b, a, centred), dtype=np.float64)


def floor(noise_v: float, step_v: float, bins: int) -> float:
    """Power that noise and a converter's rounding leave in a bin, V^2."""
    return (noise_v**2 + step_v**2 / 12.0) / bins


def of(post: Float, sensor: Float, label: dict[str, Any]) -> Record:
    """Sort out what a record holds, volts, as its label describes it."""
    fs, gain, noise = label["fs"], label["gain"], label["noise"]
    steps = (label["post_lsb"], label["sensor_lsb"])
    corner = label["params"]["corner_hz"] if label["coupling"] == "ac" else None
    supply = spectrum(post)
    floors = [floor(noise, step, supply.size) for step in steps]
    rest = coupled(sensor, corner, fs) - gain * late(post - post.mean(), label["delay"], fs)
    own = np.convolve(spectrum(rest), np.full(5, 0.2), mode="same")
    bins = np.arange(supply.size)
    used = (bins >= 3) & (bins < supply.size * 9 // 10) & (supply > CLEAR * floors[0])
    ripple = supply[used] - floors[0]
    return Record(
        hz=bins[used] * fs / post.size,
        ripple=ripple,
        in_the_way=np.maximum(own[used], floors[1] + gain**2 * floors[0]),
        gain=gain,
        fe=label["fe"],
        steps_v=steps,
        noise_v=noise,
        ripple_v=math.sqrt(ripple.sum()),
        own_v=float(rest.std()),
    )


# ---- verdict ----------------------------------------------------------------------------------------------------


def allows(record: Record) -> bool:
    """Tell whether the gain shows, or its absence does: in noise, and in steps that the converters take."""

    def moves(peak_to_peak_v: float, step_v: float) -> bool:
        return peak_to_peak_v > step_v or record.noise_v > DITHER * step_v

    information = record.read.sum()
    shape = SINE if record.gain else ANY_SHAPE
    swept = record.own_v > 2.0 * record.steps_v[1]
    seen = swept or moves(shape * record.needed * record.ripple_v, record.steps_v[1])
    shown = information > 0.0 and SIX / math.sqrt(information) < record.needed
    return bool(shown and seen and moves(SINE * record.ripple_v, record.steps_v[0]))


def proves(record: Record) -> bool:
    """Tell whether the orders, each known to its bound, can prove a connection against a machine in step."""
    orders = np.round(record.hz / record.fe).astype(int)
    known = []
    for order in set(orders[orders > 0].tolist()):
        here = orders == order
        known.append((1.0 / (record.needed * math.sqrt(record.read[here].sum())), order, int(here.sum())))
    known = sorted(k for k in known if TESTABLE * k[0] < 1.0)
    if len(known) == 1:
        return known[0][2] >= SPREAD_BINS
    return bool(known) and chance([(u, order) for u, order, _ in known], record.fe) < MOST_CHANCE


def chance(known: list[tuple[float, int]], fe: float) -> float:
    """Give the least chance with which the orders of a machine in step agree as well.

    `known` has the relative standard uncertainty of each order's transfer with its number, the best known first.
    """
    first = known[0][1]
    product, least = 1.0, 1.0
    for i, (u, order) in enumerate(known[1:]):
        open_phases = 2.0 * periods_open(first, order, fe) if i == 0 else 1.0
        product *= u * min(open_phases * u / math.pi, 1.0) * (len(known) - 1 - i) / (i + 1)
        least = min(least, product)
    return least


def periods_open(first: int, other: int, fe: float) -> float:
    """Give the phases at an order that the delays leave open when that of the first is known."""
    return min(first / math.gcd(first, other), 1.0 + DELAYS_S * first * fe)


def can_prove(record: Record) -> bool:
    """Tell whether a method that keeps to the rule for machines in step can give the right verdict."""
    return allows(record) and (not record.gain or proves(record))


# ---- gain and delay ---------------------------------------------------------------------------------------------


def bounds(record: Record) -> tuple[float, float]:
    """Cramer-Rao bounds of the gain, relative, and of the delay, seconds, each with the other unknown.

    For lines `X_k` in complex Gaussian noise `S_k` the Fisher information is `2 sum |dM/dp|^2 X_k / S_k` (S. M. Kay,
    Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, sections 3.9 and 15.7). For
    `M = g exp(-i w d)` the two derivatives stand a quarter of a turn apart, so that neither costs the other anything.
    """
    information = record.information
    turning = float(np.sum(information * (2.0 * math.pi * record.hz) ** 2))
    if not record.gain or turning == 0.0:
        return math.inf, math.inf
    return 1.0 / (abs(record.gain) * math.sqrt(information.sum())), 1.0 / (abs(record.gain) * math.sqrt(turning))


def rounding(record: Record) -> float:
    """What rounding leaves open of a gain, relative, at both converters (`docs/validation-contamination.md`).

    Noise ahead of a converter makes it less.
    """
    sensor_v = abs(record.gain) * record.ripple_v
    swings = ((record.ripple_v, 0.0), (sensor_v, record.own_v))
    dithers = (math.exp(-2.0 * (math.pi * record.noise_v / step_v) ** 2) for step_v in record.steps_v)
    each = (
        rounded(sine_v / step_v, beside_v / step_v) * dither
        for (sine_v, beside_v), step_v, dither in zip(swings, record.steps_v, dithers, strict=True)
    )
    return math.hypot(*each)


def rounded(sine: float, beside: float) -> float:
    """R.m.s. error of a sine's fundamental at any level of a converter, relative; both arguments in r.m.s. steps.

    The sine alone has `0.085 r^-1.5`. One `beside` it that sweeps the steps multiplies what they leave open by the
    envelope of `J0(2 pi B)`, `B` its amplitude; then a sine far below a step has a slope of `1 + 2 cos` of any angle
    at the most.
    """
    alone = 0.085 * sine**-1.5 if sine else math.inf
    if beside <= 0.5:
        return alone
    return min(alone, math.sqrt(2.0)) / math.sqrt(math.sqrt(2.0) * math.pi**2 * beside)
