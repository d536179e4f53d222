"""Quality: whether a capture is fit to be read, with coded reasons.

Each reason (:class:`~sixpulse.results.QualityIssue`) has a stable code, says how much it matters, gives the figure
found and the limit it missed, and what to change before the next capture. Only the trace the rectifier is read on can
make a capture unusable; a clipped or broken sensor trace limits what is said about that sensor and nothing else.

=============================  =========================================================================================
code                           limit
=============================  =========================================================================================
``clipped``                    three samples at the end of the 16-bit range, or a flat top that the slope does not
                               explain: more than 3 times as many samples in the outermost level as in any of the next
                               four (a smooth maximum leaves at most 2.41 times as many); above 1 % of the record the
                               pattern must not be read
``too_coarse``                 the ripple spans fewer than 4 steps of the quantiser
``undersampled``               order 6 above 0.4 of the sample rate (prevents), order 12 above it (limits)
``too_short``                  fewer than 8 electrical cycles (limits), fewer than 3 (prevents)
``dropout``                    samples stand still for longer than the step and the slope explain
``ac_coupled_level_unknown``   AC coupling hides the charging level
``low_order_droop``            lowest order below 7 corners of the AC coupling: more than 1 % of its amplitude is lost
``no_supply_trace``            no voltage from the charging post or the battery post
``flat``                       all samples are equal
=============================  =========================================================================================
"""

from __future__ import annotations

from dataclasses import dataclass

from . import _core
from ._core import Capture
from ._refusals import need
from .results import Quality

__all__ = ["CycleFacts", "assess", "supply_trace"]


@dataclass(frozen=True, kw_only=True)
class CycleFacts:
    """What the assessment needs to know of the electrical cycle.

    Attributes
    ----------
    supply_trace : str
        Name of the trace the cycle was read on.
    electrical_hz : float
        Mean electrical frequency, hertz, above 0.
    ripple_peak_to_peak_v : float
        Peak-to-peak of the ripple after AC coupling, volts, 0 or more.
    lowest_order_hz : float
        Frequency of the lowest order that stands clear of the noise, hertz, above 0.
    """

    supply_trace: str
    electrical_hz: float
    ripple_peak_to_peak_v: float
    lowest_order_hz: float


def assess(capture: Capture, *, cycle: CycleFacts | None = None) -> Quality:
    """Assess a capture: every trace by itself, and against the electrical cycle where that is known.

    Parameters
    ----------
    capture : Capture
        Any traces.
    cycle : CycleFacts, optional
        What is known of the electrical cycle.

    Returns
    -------
    Quality

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> import numpy as np
    >>> import sixpulse
    >>> from sixpulse.quality import assess
    >>> volts = np.minimum(14.0 + np.sin(0.15 * np.arange(5000)), 14.6)
    >>> post = sixpulse.Trace(volts, sample_rate_hz=50_000, coupling="dc", role="charging_post")
    >>> quality = assess(sixpulse.Capture({"post": post}))
    >>> quality.usable, [issue.code for issue in quality.issues]
    (False, ['clipped'])
    """
    facts = None
    if cycle is not None:
        need("cycle", cycle, CycleFacts, "CycleFacts")
        facts = (cycle.supply_trace, cycle.electrical_hz, cycle.ripple_peak_to_peak_v, cycle.lowest_order_hz)
    return Quality._from_core(_core.assess_quality(capture, cycle=facts))


def supply_trace(capture: Capture) -> str | None:
    """Name of the trace on which the rectifier is read: the charging post before the battery post; None without either.

    Examples
    --------
    >>> import sixpulse
    >>> from sixpulse.quality import supply_trace
    >>> battery = sixpulse.Trace([12.6, 12.7], sample_rate_hz=1e4, coupling="dc", role="battery_post")
    >>> supply_trace(sixpulse.Capture({"b": battery}))
    'b'
    """
    return _core.supply_trace(capture)
