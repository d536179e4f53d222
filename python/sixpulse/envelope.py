"""Lowest and highest value of equal parts of a record: what a long record is drawn by, with no peak lost.

Part ``k`` of ``bins`` holds the samples ``floor(k n / bins)`` to ``floor((k + 1) n / bins) - 1`` of ``n``: every sample
lies in exactly one part, parts differ by one sample at most. The extremes are the samples' own values: nothing is
averaged or left out, so a glitch of one sample shows however long the record.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _core
from ._core import Trace
from .results import FloatArray

__all__ = ["Envelope", "envelope"]


class Envelope(NamedTuple):
    """Lowest and highest value of each part of a record.

    Parameters
    ----------
    first_sample : ndarray of uint64, shape (bins,)
        Index of the first sample of each part.
    minimum : ndarray of float64, shape (bins,)
        Lowest value of each part, in the trace's unit.
    maximum : ndarray of float64, shape (bins,)
        Highest value of each part, in the trace's unit.
    """

    first_sample: NDArray[np.uint64]
    minimum: FloatArray
    maximum: FloatArray


def envelope(samples: Trace | ArrayLike, *, bins: int) -> Envelope:
    """Return the lowest and highest value of equal parts of a record.

    Parameters
    ----------
    samples : Trace or array_like, shape (n,)
        The record; a trace is read as it is kept, without a copy.
    bins : int
        Number of parts, 1 to the number of samples.

    Returns
    -------
    Envelope

    Raises
    ------
    OutOfRangeError, EmptyInputError, NonFiniteError, ShapeError, WrongTypeError

    Examples
    --------
    >>> import numpy as np
    >>> from sixpulse.envelope import envelope
    >>> volts = np.full(10_000, 14.0)
    >>> volts[7_321] = 19.5
    >>> found = envelope(volts, bins=100)
    >>> found.maximum.max(), int(found.first_sample[found.maximum.argmax()])
    (np.float64(19.5), 7300)
    """
    return Envelope(*_core.envelope(samples, bins=bins))
