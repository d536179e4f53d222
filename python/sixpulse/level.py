"""The charging level: the mean of a DC-coupled supply trace against the usual window at the battery's temperature.

The window is the envelope of two market settings in published service data of a 12 V passenger car (Mitsubishi
Attrage 2018, regulated voltage against temperature): 14.0 to 15.4 V at -20 degrees Celsius, 13.7 to 14.9 V at 20, 13.2
to 14.6 V at 60, 12.9 to 14.5 V at 80, linear between; twice as much for a 24 V system. It is usual, not universal: an
energy-managed regulator moves between about 12.2 and 15.5 V on purpose (common practice, from memory), so a level
outside is a reason to look up the vehicle maker's figure, not a fault.
"""

from __future__ import annotations

from . import _core
from ._core import Capture
from .results import Level

__all__ = ["judge", "window_v"]


def judge(capture: Capture) -> Level:
    """Read the level on the charging post, else on the battery post, and compare it with the window.

    Parameters
    ----------
    capture : Capture
        Only a DC-coupled trace of a post carries a level. ``battery_temperature_c`` places the window; 20 degrees
        Celsius are taken where it is not given.

    Returns
    -------
    Level
        ``verdict`` is "unknown", with a ``reason``, when no trace carries a level, when it is that of neither a 12 V
        nor a 24 V system, or when no window is published for the temperature.

    Examples
    --------
    >>> import sixpulse
    >>> from sixpulse.level import judge
    >>> post = sixpulse.Trace([14.1, 14.3], sample_rate_hz=10_000, coupling="dc", role="charging_post")
    >>> level = judge(sixpulse.Capture({"post": post}))
    >>> level.verdict, level.system_v, (level.window_low_v, level.window_high_v)
    ('within', 12.0, (13.7, 14.9))
    """
    return Level._from_core(_core.judge_level(capture))


def window_v(*, temperature_c: float) -> tuple[float, float] | None:
    """Return the lower and upper end of the usual window of a 12 V system, in volts.

    Parameters
    ----------
    temperature_c : float
        Battery temperature, degrees Celsius.

    Returns
    -------
    tuple of float, or None
        None outside -20 to 80 degrees Celsius, for which no figure is published.

    Examples
    --------
    >>> from sixpulse.level import window_v
    >>> window_v(temperature_c=-20.0)
    (14.0, 15.4)
    >>> window_v(temperature_c=95.0) is None
    True
    """
    return _core.level_window(temperature_c=temperature_c)
