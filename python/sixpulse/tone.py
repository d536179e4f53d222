"""Sine and harmonic fits by least squares (IEEE Std 1057), their uncertainties, and the Cramer-Rao bounds.

A component of order ``k`` is ``amplitude * cos(2 pi k frequency_hz t + phase)``, ``t`` from the first sample;
amplitudes are peak values, phases lie in -pi to pi. Standard uncertainties assume white noise of the residual's size.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from numpy.typing import ArrayLike

from . import _core
from ._result import FloatArray, Result

__all__ = [
    "HarmonicFit",
    "SineFit",
    "amplitude_bound",
    "harmonic_fit",
    "harmonic_fit_known",
    "harmonic_frequency_bound_hz",
    "sine_fit",
    "sine_fit_known",
    "sine_frequency_bound_hz",
]


@dataclass(frozen=True, eq=False, repr=False)
class SineFit(Result):
    """A sine with an offset, fitted.

    Attributes
    ----------
    frequency_hz : float
        Frequency, hertz.
    frequency_hz_std : float or None
        Standard uncertainty of it; None where the frequency was given.
    amplitude, amplitude_std : float
        Peak amplitude in the samples' unit, 0 or more, and its standard uncertainty.
    phase_rad, phase_rad_std : float
        Phase at the first sample, radians (-pi to pi), and its standard uncertainty, at most ``pi / sqrt(3)``: that of
        a phase of which nothing is known.
    offset, offset_std : float
        Mean level beside the sine and its standard uncertainty.
    residual_rms : float
        ``sqrt(mean(residual**2))``.
    samples : int
        Samples fitted.
    """

    frequency_hz: float
    frequency_hz_std: float | None
    amplitude: float
    amplitude_std: float
    phase_rad: float
    phase_rad_std: float
    offset: float
    offset_std: float
    residual_rms: float
    samples: int


@dataclass(frozen=True, eq=False, repr=False)
class HarmonicFit(Result):
    """A fundamental and its orders with an offset, fitted together.

    Attributes
    ----------
    frequency_hz : float
        Frequency of order 1, hertz.
    frequency_hz_std : float or None
        Standard uncertainty of it; None where the frequency was given.
    orders : tuple of int
        The orders fitted, as they were given.
    amplitudes, amplitudes_std : ndarray of float64
        Peak amplitude of each order in the samples' unit, 0 or more, and its standard uncertainty.
    phases_rad, phases_rad_std : ndarray of float64
        Phase of each order at the first sample, radians (-pi to pi), and its standard uncertainty, at most
        ``pi / sqrt(3)``: that of a phase of which nothing is known.
    offset, offset_std : float
        Mean level beside the orders and its standard uncertainty.
    residual_rms : float
        ``sqrt(mean(residual**2))``.
    samples : int
        Samples fitted.
    """

    frequency_hz: float
    frequency_hz_std: float | None
    orders: tuple[int, ...]
    amplitudes: FloatArray
    amplitudes_std: FloatArray
    phases_rad: FloatArray
    phases_rad_std: FloatArray
    offset: float
    offset_std: float
    residual_rms: float
    samples: int


def sine_fit_known(samples: ArrayLike, *, sample_rate_hz: float, frequency_hz: float) -> SineFit:
    """Three-parameter fit: amplitude, phase and offset at a known frequency.

    Parameters
    ----------
    samples : array_like, shape (n,)
        At least 4 finite real numbers; integers are taken as plain numbers. Not changed.
    sample_rate_hz : float
        Samples per second, above 0.
    frequency_hz : float
        Frequency of the sine, above 0 and below half the sample rate.

    Raises
    ------
    EmptyInputError, TooShortError, NonFiniteError, ShapeError, WrongTypeError, OutOfRangeError, AboveNyquistError
    UndeterminedFitError
        The record covers too little of a period.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(100) / 1000
    >>> fit = sine_fit_known(14 + 0.5 * np.cos(2 * np.pi * 13 * t + 1), sample_rate_hz=1000, frequency_hz=13)
    >>> print(f"{fit.amplitude:.6f} {fit.phase_rad:.6f} {fit.offset:.6f}")
    0.500000 1.000000 14.000000
    """
    return SineFit._from_core(_core.sine_fit_known(samples, sample_rate_hz=sample_rate_hz, frequency_hz=frequency_hz))


def sine_fit(samples: ArrayLike, *, sample_rate_hz: float, start_hz: float | None = None) -> SineFit:
    """Four-parameter fit: amplitude, phase, offset and frequency.

    Parameters
    ----------
    samples : array_like, shape (n,)
        At least 5 finite real numbers; integers are taken as plain numbers. Not changed.
    sample_rate_hz : float
        Samples per second, above 0.
    start_hz : float, optional
        Where the search starts, within 12 % of the truth; the strongest line of the middle 65,536 samples when not
        given. The frequency is first fitted to a short stretch about the middle, then to longer ones.

    Raises
    ------
    EmptyInputError, TooShortError, NonFiniteError, ShapeError, WrongTypeError, OutOfRangeError, AboveNyquistError
    UndeterminedFitError
        There is no line, or the record covers too little of a period.
    NoConvergenceError
        The fit did not settle.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(500) / 1000
    >>> fit = sine_fit(14 + 0.5 * np.cos(2 * np.pi * 13.1 * t + 1), sample_rate_hz=1000)
    >>> print(f"{fit.frequency_hz:.6f}")
    13.100000
    """
    return SineFit._from_core(_core.sine_fit(samples, sample_rate_hz=sample_rate_hz, start_hz=start_hz))


def harmonic_fit_known(
    samples: ArrayLike, *, sample_rate_hz: float, frequency_hz: float, orders: Iterable[int]
) -> HarmonicFit:
    """Fit the given orders of a known frequency.

    Parameters
    ----------
    samples : array_like, shape (n,)
        At least ``2 * len(orders) + 2`` finite real numbers; integers are taken as plain numbers. Not changed.
    sample_rate_hz : float
        Samples per second, above 0.
    frequency_hz : float
        Frequency of order 1, above 0.
    orders : iterable of int
        At least one, each 1 to 100, none twice, every one below half the sample rate.

    Raises
    ------
    EmptyInputError, TooShortError, NonFiniteError, ShapeError, WrongTypeError, OutOfRangeError, AboveNyquistError
    UndeterminedFitError
        The record covers too little of a period.

    Examples
    --------
    >>> import numpy as np
    >>> turn = 2 * np.pi * 20 * np.arange(400) / 1000
    >>> x = np.cos(turn) + 0.2 * np.cos(3 * turn - 0.5)
    >>> fit = harmonic_fit_known(x, sample_rate_hz=1000, frequency_hz=20, orders=[1, 3])
    >>> print(f"{fit.amplitudes[1]:.6f} {fit.phases_rad[1]:.6f}")
    0.200000 -0.500000
    """
    return HarmonicFit._from_core(
        _core.harmonic_fit_known(samples, sample_rate_hz=sample_rate_hz, frequency_hz=frequency_hz, orders=orders)
    )


def harmonic_fit(samples: ArrayLike, *, sample_rate_hz: float, start_hz: float, orders: Iterable[int]) -> HarmonicFit:
    """Fit the fundamental's frequency and the given orders together.

    Parameters
    ----------
    samples : array_like, shape (n,)
        At least ``2 * len(orders) + 3`` finite real numbers; integers are taken as plain numbers. Not changed.
    sample_rate_hz : float
        Samples per second, above 0.
    start_hz : float
        Where the fundamental's frequency starts, within 0.12 / (highest strong order) of the truth, relative. It is
        first fitted to 4 cycles about the middle, then to stretches four times as long each.
    orders : iterable of int
        At least one, each 1 to 100, none twice, every one below half the sample rate.

    Raises
    ------
    EmptyInputError, TooShortError, NonFiniteError, ShapeError, WrongTypeError, OutOfRangeError, AboveNyquistError
    UndeterminedFitError
        No order is present, or the record covers too little of a period.
    NoConvergenceError
        The fit did not settle.

    Examples
    --------
    >>> import numpy as np
    >>> turn = 2 * np.pi * 20.3 * np.arange(4000) / 1000
    >>> x = np.cos(turn) + 0.2 * np.cos(3 * turn - 0.5)
    >>> fit = harmonic_fit(x, sample_rate_hz=1000, start_hz=20, orders=[1, 3])
    >>> print(f"{fit.frequency_hz:.6f} {fit.amplitudes[1]:.6f}")
    20.300000 0.200000
    """
    return HarmonicFit._from_core(
        _core.harmonic_fit(samples, sample_rate_hz=sample_rate_hz, start_hz=start_hz, orders=orders)
    )


def sine_frequency_bound_hz(*, amplitude: float, noise_rms: float, samples: int, sample_rate_hz: float) -> float:
    """Cramer-Rao bound on the standard deviation of a sine's frequency, hertz.

    ``sample_rate_hz / (2 pi) * sqrt(24 noise_rms**2 / (amplitude**2 n (n**2 - 1)))`` (Rife and Boorstyn, IEEE Trans.
    Inf. Theory IT-20(5), 1974), for a real tone well away from 0 and from half the sample rate.

    Parameters
    ----------
    amplitude : float
        Peak amplitude, above 0.
    noise_rms : float
        Standard deviation of the white noise, in the amplitude's unit, 0 or more.
    samples : int
        Number of samples n, 2 or more.
    sample_rate_hz : float
        Samples per second, above 0.

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> bound = sine_frequency_bound_hz(amplitude=1, noise_rms=0.1, samples=1000, sample_rate_hz=1000)
    >>> print(f"{bound * 1e3:.3f} mHz")
    2.466 mHz
    """
    return _core.sine_frequency_bound_hz(
        amplitude=amplitude, noise_rms=noise_rms, samples=samples, sample_rate_hz=sample_rate_hz
    )


def harmonic_frequency_bound_hz(
    *, orders: Iterable[int], amplitudes: ArrayLike, noise_rms: float, samples: int, sample_rate_hz: float
) -> float:
    """Cramer-Rao bound on the standard deviation of a fundamental's frequency when all its orders are used, hertz.

    ``sample_rate_hz / (2 pi) * sqrt(24 noise_rms**2 / (n (n**2 - 1) sum((order * amplitude)**2)))`` (Nehorai and
    Porat, IEEE Trans. Acoust. Speech Signal Process. ASSP-34(5), 1986).

    Parameters
    ----------
    orders : iterable of int
        At least one, each 1 to 100, none twice.
    amplitudes : array_like
        Peak amplitude of each order, 0 or more, not all 0.
    noise_rms : float
        Standard deviation of the white noise, in the amplitudes' unit, 0 or more.
    samples : int
        Number of samples n, 2 or more.
    sample_rate_hz : float
        Samples per second, above 0.

    Raises
    ------
    OutOfRangeError, EmptyInputError, LengthMismatchError, ShapeError, WrongTypeError

    Examples
    --------
    >>> bound = harmonic_frequency_bound_hz(
    ...     orders=[1, 2], amplitudes=[1, 1], noise_rms=0.1, samples=1000, sample_rate_hz=1000
    ... )
    >>> print(f"{bound * 1e3:.3f} mHz")
    1.103 mHz
    """
    return _core.harmonic_frequency_bound_hz(
        orders=orders, amplitudes=amplitudes, noise_rms=noise_rms, samples=samples, sample_rate_hz=sample_rate_hz
    )


def amplitude_bound(*, noise_rms: float, samples: int) -> float:
    """Cramer-Rao bound on the standard deviation of an amplitude: ``noise_rms * sqrt(2 / samples)``.

    The same for a sine and for each order of a harmonic signal.

    Parameters
    ----------
    noise_rms : float
        Standard deviation of the white noise, 0 or more.
    samples : int
        Number of samples, 2 or more.

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> print(f"{amplitude_bound(noise_rms=0.1, samples=200):.3f}")
    0.010
    """
    return _core.amplitude_bound(noise_rms=noise_rms, samples=samples)
