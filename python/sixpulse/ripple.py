"""Ripple: the several numbers that the word stands for, each under its own name, with standard uncertainties.

The formulas stand in :class:`sixpulse.results.Ripple`. A standard uncertainty (JCGM 100:2008) is that of what the same
operating state would give in another record of the same length; errors of probe and front-end gain are not in it. Its
sources are the quantiser's step (step / sqrt 12), the noise (third differences of the samples, or the residual where
smaller), the number of samples near an extreme, the scatter of the mean square between blocks of whole electrical
cycles, and the scatter of the orders.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from . import _core
from ._core import Trace
from ._refusals import need
from .results import Cycle, Ripple

__all__ = ["measure", "ripple_numbers"]


def measure(trace: Trace, *, corner_hz: float, cycle: Cycle | None = None, name: str = "") -> Ripple:
    """Measure the ripple of a trace after zero-phase AC coupling.

    Parameters
    ----------
    trace : Trace
        At least 4 samples. Its level gives the factors when it is DC-coupled.
    corner_hz : float
        Corner of the AC coupling, above 0 and below half the sample rate.
    cycle : Cycle, optional
        The electrical cycle found in it; without one the synchronous and residual numbers are None.
    name : str, optional
        Name of the trace, repeated in the result.

    Returns
    -------
    Ripple

    Raises
    ------
    TooShortError, OutOfRangeError, AboveNyquistError, WrongTypeError

    Examples
    --------
    >>> import numpy as np
    >>> import sixpulse
    >>> from sixpulse.ripple import measure
    >>> volts = 14.0 + 0.35 * np.cos(2 * np.pi * np.arange(50_000) / 1000)
    >>> post = sixpulse.Trace(volts, sample_rate_hz=500_000, coupling="dc", role="charging_post")
    >>> ripple = measure(post, corner_hz=5.0, name="post")
    >>> round(ripple.peak_to_peak_v, 3), round(ripple.rms_ripple_factor, 4)
    (0.7, 0.0177)
    """
    return Ripple._from_core(_core.measure_ripple(trace, corner_hz=corner_hz, cycle=_document(cycle), name=name))


def ripple_numbers(
    samples: ArrayLike, *, sample_rate_hz: float, corner_hz: float, cycle: Cycle | None = None
) -> Ripple:
    """Measure the ripple of plain samples that carry their level.

    Parameters
    ----------
    samples : array_like, shape (n,)
        At least 4 finite real numbers; integers are taken as plain numbers. Not changed.
    sample_rate_hz : float
        Samples per second, above 0.
    corner_hz : float
        Corner of the zero-phase AC coupling, above 0 and below half the sample rate.
    cycle : Cycle, optional
        The electrical cycle found in them.

    Returns
    -------
    Ripple

    Raises
    ------
    EmptyInputError, NonFiniteError, TooShortError, ShapeError, WrongTypeError, OutOfRangeError, AboveNyquistError

    Examples
    --------
    >>> import numpy as np
    >>> from sixpulse.ripple import ripple_numbers
    >>> volts = 14.0 + 0.35 * np.cos(2 * np.pi * np.arange(50_000) / 1000)
    >>> ripple = ripple_numbers(volts, sample_rate_hz=500_000, corner_hz=5.0)
    >>> round(ripple.crest_factor, 3), round(ripple.dc_ripple_factor, 4)
    (1.414, 0.025)
    """
    document = _document(cycle)
    return Ripple._from_core(
        _core.ripple_numbers(samples, sample_rate_hz=sample_rate_hz, corner_hz=corner_hz, cycle=document)
    )


def _document(cycle: Cycle | None) -> dict[str, Any]:
    """Plain data of the cycle, or of one that was not looked for."""
    if cycle is None:
        return _NOT_LOOKED_FOR.to_dict()
    need("cycle", cycle, Cycle, "a Cycle")
    return cycle.to_dict()


_NONE = np.zeros(0)
_NOT_LOOKED_FOR = Cycle(
    trace="",
    electrical_hz=None,
    electrical_hz_std=None,
    reason="not looked for",
    cycle_count=0,
    order_amplitudes_v=_NONE,
    order_amplitudes_v_std=_NONE,
    order_phases_rad=_NONE,
    order_dispersion_v=_NONE,
    mean_cycle_v=_NONE,
    cycle_std_v=_NONE,
    track_time_s=_NONE,
    track_electrical_hz=_NONE,
    speed_change=None,
    candidates=(),
)
