"""Spectra by averaging windowed segments (Welch 1967), and coherence with its significance level.

Densities are one-sided, in the samples' unit squared per hertz, equal to ``scipy.signal.welch``, ``csd`` and
``coherence`` to 1e-9 of the largest value. Windows are periodic; a density is divided by ``sample_rate_hz *
sum(window**2)``, so that noise reads the same through every window.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _core
from ._result import FloatArray, Result

__all__ = [
    "AutoSpectrum",
    "Coherence",
    "CrossSpectrum",
    "Detrend",
    "Window",
    "WindowFigures",
    "auto_spectrum",
    "coherence",
    "coherence_significance",
    "cross_spectrum",
    "effective_averages",
    "window_figures",
    "window_samples",
]

#: Taper of a segment: none; 0.5 - 0.5 cos; four cosine terms with side lobes below -92 dB; five terms with a flat top.
Window: TypeAlias = Literal["rectangular", "hann", "blackman_harris", "flat_top"]
#: What is taken off each segment before it is windowed: nothing, or its mean.
Detrend: TypeAlias = Literal["none", "constant"]


@dataclass(frozen=True, eq=False, repr=False)
class WindowFigures(Result):
    """What a window does to a line and to noise.

    Attributes
    ----------
    coherent_gain : float
        Mean of the window: a line's amplitude in the transform, relative to no window (0 to 1).
    enbw_bins : float
        Equivalent noise bandwidth in bins: ``n * sum(w**2) / sum(w)**2``, 1 or more.
    scalloping_loss_db : float
        What a line half-way between two bins loses, decibels, 0 or more.
    """

    coherent_gain: float
    enbw_bins: float
    scalloping_loss_db: float


@dataclass(frozen=True, eq=False, repr=False)
class AutoSpectrum(Result):
    """One-sided power spectral density of one record.

    Attributes
    ----------
    frequencies_hz : ndarray of float64
        Frequency of each bin, hertz: 0 to half the sample rate.
    density : ndarray of float64
        Density of each bin, unit squared per hertz.
    segments : int
        Segments averaged.
    enbw_hz : float
        Equivalent noise bandwidth of a bin, hertz: a line of amplitude A reads ``A**2 / 2 / enbw_hz`` at its bin.
    """

    frequencies_hz: FloatArray
    density: FloatArray
    segments: int
    enbw_hz: float


@dataclass(frozen=True, eq=False, repr=False)
class CrossSpectrum(Result):
    """One-sided cross-spectral density of two records, with both auto-spectra from the same segments.

    Attributes
    ----------
    frequencies_hz : ndarray of float64
        Frequency of each bin, hertz: 0 to half the sample rate.
    density_real, density_imaginary : ndarray of float64
        Mean of ``conj(X) * Y``, scaled as the densities; see :attr:`density`.
    density_x, density_y : ndarray of float64
        Density of each record, unit squared per hertz.
    segments : int
        Segments averaged.
    enbw_hz : float
        Equivalent noise bandwidth of a bin, hertz.
    """

    frequencies_hz: FloatArray
    density_real: FloatArray
    density_imaginary: FloatArray
    density_x: FloatArray
    density_y: FloatArray
    segments: int
    enbw_hz: float

    @property
    def density(self) -> NDArray[np.complex128]:
        """Cross-spectral density, complex; its angle is the phase of y against x, negative where y is late."""
        return self.density_real + 1j * self.density_imaginary


@dataclass(frozen=True, eq=False, repr=False)
class Coherence(Result):
    """Magnitude-squared coherence of two records.

    Two periodic signals that have nothing to do with each other are coherent wherever they share a frequency and keep
    their phase: coherence above the significance level excludes independent noise, and nothing else.

    Attributes
    ----------
    frequencies_hz : ndarray of float64
        Frequency of each bin, hertz: 0 to half the sample rate.
    coherence : ndarray of float64
        ``|Sxy|**2 / (Sxx * Syy)``, 0 to 1; 0 where either record has no power beyond rounding, that is no more than
        1e-24 of its strongest bin.
    segments : int
        Segments averaged.
    effective_averages : float
        Independent segments the averaging is worth; see :func:`effective_averages`.
    """

    frequencies_hz: FloatArray
    coherence: FloatArray
    segments: int
    effective_averages: float

    def significance_level(self, *, alpha: float) -> float:
        """Return the level that independent noise exceeds in a share ``alpha`` (above 0, below 1) of bins."""
        return coherence_significance(averages=self.effective_averages, alpha=alpha)


def auto_spectrum(
    samples: ArrayLike,
    *,
    sample_rate_hz: float,
    segment_samples: int,
    overlap_samples: int | None = None,
    window: Window = "hann",
    detrend: Detrend = "constant",
) -> AutoSpectrum:
    """One-sided power spectral density of a record at least one segment long.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Finite real numbers; integers are taken as plain numbers. Not changed.
    sample_rate_hz : float
        Samples per second, above 0.
    segment_samples : int
        Samples in a segment, 2 or more.
    overlap_samples : int, optional
        Samples shared by neighbouring segments, fewer than a segment; segments begin a 512th of their length apart or
        more. Half a segment when not given.
    window : {"hann", "rectangular", "blackman_harris", "flat_top"}
        Taper of a segment, periodic.
    detrend : {"constant", "none"}
        What is taken off each segment first: its mean, or nothing.

    Raises
    ------
    EmptyInputError, TooShortError, NonFiniteError, ShapeError, WrongTypeError, OutOfRangeError, UnknownNameError

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(20_000) / 10_000
    >>> spectrum = auto_spectrum(np.sin(2 * np.pi * 400 * t), sample_rate_hz=10_000, segment_samples=1000)
    >>> float(spectrum.frequencies_hz[spectrum.density.argmax()])
    400.0
    >>> print(f"{spectrum.density.max() * spectrum.enbw_hz:.3f}")
    0.500
    """
    return AutoSpectrum._from_core(
        _core.auto_spectrum(
            samples,
            sample_rate_hz=sample_rate_hz,
            segment_samples=segment_samples,
            overlap_samples=overlap_samples,
            window=window,
            detrend=detrend,
        )
    )


def cross_spectrum(
    x: ArrayLike,
    y: ArrayLike,
    *,
    sample_rate_hz: float,
    segment_samples: int,
    overlap_samples: int | None = None,
    window: Window = "hann",
    detrend: Detrend = "constant",
) -> CrossSpectrum:
    """One-sided cross-spectral density of two records of equal length.

    The density is the mean of ``conj(X) * Y``: ``density / density_x`` is the transfer from x to y.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Finite real numbers, as many in each; integers are taken as plain numbers. Not changed.
    sample_rate_hz, segment_samples, overlap_samples, window, detrend
        As for :func:`auto_spectrum`.

    Raises
    ------
    EmptyInputError, TooShortError, NonFiniteError, LengthMismatchError, ShapeError, WrongTypeError, OutOfRangeError,
    UnknownNameError

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(20_000) / 10_000
    >>> post, sensor = np.cos(2 * np.pi * 400 * t), 0.5 * np.cos(2 * np.pi * 400 * t - 0.3)
    >>> cross = cross_spectrum(post, sensor, sample_rate_hz=10_000, segment_samples=1000)
    >>> transfer = cross.density[40] / cross.density_x[40]
    >>> print(f"{abs(transfer):.3f} {np.angle(transfer):.3f}")
    0.500 -0.300
    """
    return CrossSpectrum._from_core(
        _core.cross_spectrum(
            x,
            y,
            sample_rate_hz=sample_rate_hz,
            segment_samples=segment_samples,
            overlap_samples=overlap_samples,
            window=window,
            detrend=detrend,
        )
    )


def coherence(
    x: ArrayLike,
    y: ArrayLike,
    *,
    sample_rate_hz: float,
    segment_samples: int,
    overlap_samples: int | None = None,
    window: Window = "hann",
    detrend: Detrend = "constant",
) -> Coherence:
    """Magnitude-squared coherence of two records of equal length that hold at least two segments.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Finite real numbers, as many in each; integers are taken as plain numbers. Not changed.
    sample_rate_hz, segment_samples, overlap_samples, window, detrend
        As for :func:`auto_spectrum`.

    Raises
    ------
    EmptyInputError, TooShortError, NonFiniteError, LengthMismatchError, ShapeError, WrongTypeError, OutOfRangeError,
    UnknownNameError

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(1).standard_normal((2, 20_000))
    >>> shared = np.cos(2 * np.pi * 400 * np.arange(20_000) / 10_000)
    >>> found = coherence(noise[0] + shared, noise[1] + shared, sample_rate_hz=10_000, segment_samples=1000)
    >>> bool(found.coherence[40] > found.significance_level(alpha=0.001))
    True
    """
    return Coherence._from_core(
        _core.coherence(
            x,
            y,
            sample_rate_hz=sample_rate_hz,
            segment_samples=segment_samples,
            overlap_samples=overlap_samples,
            window=window,
            detrend=detrend,
        )
    )


def coherence_significance(*, averages: float, alpha: float) -> float:
    """Coherence that independent Gaussian noise exceeds with probability ``alpha``: ``1 - alpha**(1/(averages - 1))``.

    Source: Carter, Knapp and Nuttall, IEEE Trans. Audio Electroacoust. AU-21(4), 1973, 337-344.

    Parameters
    ----------
    averages : float
        Independent segments averaged, above 1; see :func:`effective_averages`.
    alpha : float
        Probability of exceeding it by chance, above 0 and below 1.

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> print(f"{coherence_significance(averages=16, alpha=0.05):.3f}")
    0.181
    """
    return _core.coherence_significance(averages=averages, alpha=alpha)


def effective_averages(
    *, segments: int, segment_samples: int, overlap_samples: int | None = None, window: Window = "hann"
) -> float:
    """How many independent segments an average over overlapping ones is worth (Welch 1967).

    ``segments / (1 + 2 * sum((1 - j / segments) * r[j]))``, ``r[j]`` being the squared correlation of the window with
    itself ``j`` steps on: ``segments`` without overlap, 0.947 times that for Hann with half a segment of overlap.

    Parameters
    ----------
    segments : int
        Segments averaged.
    segment_samples, overlap_samples, window
        As for :func:`auto_spectrum`.

    Raises
    ------
    OutOfRangeError, UnknownNameError, WrongTypeError

    Examples
    --------
    >>> print(f"{effective_averages(segments=64, segment_samples=1000):.2f}")
    60.68
    """
    return _core.effective_averages(
        segments=segments, segment_samples=segment_samples, overlap_samples=overlap_samples, window=window
    )


def window_samples(window: Window, *, length: int) -> NDArray[np.float64]:
    """Samples of a periodic window; none for a length of 0.

    Parameters
    ----------
    window : {"rectangular", "hann", "blackman_harris", "flat_top"}
        Taper of a segment.
    length : int
        Number of samples.

    Raises
    ------
    UnknownNameError, WrongTypeError

    Examples
    --------
    >>> [round(float(w), 3) for w in window_samples("hann", length=4)]
    [0.0, 0.5, 1.0, 0.5]
    """
    return _core.window_samples(window=window, length=length)


def window_figures(window: Window, *, length: int) -> WindowFigures:
    """Coherent gain, noise bandwidth and scalloping loss of a periodic window.

    Parameters
    ----------
    window : {"rectangular", "hann", "blackman_harris", "flat_top"}
        Taper of a segment.
    length : int
        Number of samples, 2 or more.

    Raises
    ------
    OutOfRangeError, UnknownNameError, WrongTypeError

    Examples
    --------
    >>> window_figures("hann", length=1000)
    WindowFigures(coherent_gain=0.5, enbw_bins=1.5, scalloping_loss_db=1.4236)
    """
    return WindowFigures._from_core(_core.window_figures(window=window, length=length))
