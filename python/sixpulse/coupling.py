"""AC coupling: the first-order high-pass of an instrument's input, causal as the front end does it and zero-phase.

The filter is the first-order Butterworth high-pass (``scipy.signal.butter(1, corner_hz, "highpass",
fs=sample_rate_hz)``). Its amplitude ratio at a frequency ``f`` is ``1 / sqrt(1 + (corner_hz / f)**2)``; the zero-phase
method applies it twice, forward and backward.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _core
from ._core import HighPass

__all__ = ["HighPass", "ac_couple", "attenuation", "half_period_droop", "phase_lead_rad", "settling_s"]


def ac_couple(
    samples: ArrayLike,
    *,
    sample_rate_hz: float,
    corner_hz: float,
    method: Literal["causal", "zero_phase"],
) -> NDArray[np.float64]:
    """Remove the level and what lies below a corner frequency.

    Parameters
    ----------
    samples : array_like, shape (n,)
        At least two finite real numbers; integers are taken as plain numbers. Not changed.
    sample_rate_hz : float
        Samples per second, above 0.
    corner_hz : float
        Corner frequency, above 0 and below half the sample rate.
    method : {"causal", "zero_phase"}
        "causal" runs forward, as a front end does, and starts settled on the first sample
        (``scipy.signal.lfilter`` with ``zi = lfilter_zi(b, a) * samples[0]``). "zero_phase" runs forward and backward
        over the record continued for ever by reflection about its two ends: ``scipy.signal.sosfiltfilt`` with
        ``padtype="even"`` and any ``padlen`` long enough to settle (``4 * sample_rate_hz / corner_hz`` leaves 1e-11 of
        a step). A record shorter than that is reflected again and again, as ``numpy.pad(mode="reflect")`` does.

    Returns
    -------
    ndarray of float64, shape (n,)
        In the samples' unit; equal to SciPy's to 1e-9 of the largest output.

    Raises
    ------
    EmptyInputError, NonFiniteError, TooShortError, ShapeError, WrongTypeError, OutOfRangeError, AboveNyquistError,
    UnknownNameError

    Examples
    --------
    >>> import numpy as np
    >>> from sixpulse.coupling import ac_couple
    >>> t = np.arange(5000) / 10_000
    >>> post = 14.2 + 0.3 * np.sin(2 * np.pi * 400 * t)
    >>> ripple = ac_couple(post, sample_rate_hz=10_000, corner_hz=5, method="zero_phase")
    >>> print(f"{ripple.std():.3f} V")
    0.212 V
    """
    return _core.ac_couple(samples, sample_rate_hz=sample_rate_hz, corner_hz=corner_hz, method=method)


def attenuation(*, frequency_hz: float, corner_hz: float) -> float:
    """Amplitude ratio (0 to 1) of a first-order high-pass: ``1 / sqrt(1 + (corner_hz / frequency_hz)**2)``.

    The zero-phase method applies it twice.

    Parameters
    ----------
    frequency_hz, corner_hz : float
        Hertz, above 0.

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> print(f"{attenuation(frequency_hz=70, corner_hz=10):.3f}")
    0.990
    """
    return _core.attenuation(frequency_hz=frequency_hz, corner_hz=corner_hz)


def phase_lead_rad(*, frequency_hz: float, corner_hz: float) -> float:
    """Phase lead (0 to pi/2 rad) of a first-order high-pass: ``atan(corner_hz / frequency_hz)``.

    Parameters
    ----------
    frequency_hz, corner_hz : float
        Hertz, above 0.

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> import math
    >>> print(f"{math.degrees(phase_lead_rad(frequency_hz=57.3, corner_hz=1)):.2f}")
    1.00
    """
    return _core.phase_lead_rad(frequency_hz=frequency_hz, corner_hz=corner_hz)


def half_period_droop(*, frequency_hz: float, corner_hz: float) -> float:
    """Part (0 to 1) of a flat top lost by the end of half a period: ``1 - exp(-pi corner_hz / frequency_hz)``.

    Parameters
    ----------
    frequency_hz, corner_hz : float
        Hertz, above 0.

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> print(f"{half_period_droop(frequency_hz=1000, corner_hz=10):.3f}")
    0.031
    """
    return _core.half_period_droop(frequency_hz=frequency_hz, corner_hz=corner_hz)


def settling_s(*, corner_hz: float, remaining: float) -> float:
    """Seconds until ``remaining`` of a step is left: ``-ln(remaining) / (2 pi corner_hz)``.

    Parameters
    ----------
    corner_hz : float
        Hertz, above 0.
    remaining : float
        Part of the step, above 0 and below 1.

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> print(f"{settling_s(corner_hz=5, remaining=0.01):.3f} s")
    0.147 s
    """
    return _core.settling_s(corner_hz=corner_hz, remaining=remaining)
