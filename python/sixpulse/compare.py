"""Comparisons: two measuring points of one capture, and captures before, during and after an intervention."""

from __future__ import annotations

from . import _core
from ._core import Capture, Machine
from .results import Points

__all__ = ["compare_points"]


def compare_points(
    capture: Capture,
    *,
    machine: Machine | None = None,
    electrical_hz: float | None = None,
    current_delay_s: float = 0.0,
) -> Points:
    """Compare the charging post with the battery post: how much of the ripple the battery lets through, and why.

    With ``P``, ``B`` the complex amplitudes of an order at the two posts, the gain is ``H = B / P``, and the series
    impedances of cable (joints and return included) and battery stand as ``Z_cable / Z_battery = 1 / H - 1``. A
    current channel (roles ``charging_current``, ``battery_current``) makes them absolute: ``Z_cable = (P - B) / I`` is
    fitted by ``R + jwL``, ``Z_battery = B / I`` by ``R + jwL + 1 / (jwC)``. Every figure carries its standard
    uncertainty and a 95 % interval from the scatter over the record; gain errors of the instrument's channels come on
    top.

    Parameters
    ----------
    capture : Capture
        With a ``battery_post`` trace; with a ``charging_post`` trace the two are compared. Without one the result says
        so and estimates what the post would show, as a range.
    machine : Machine, optional
        What is known of the alternator.
    electrical_hz : float, optional
        The electrical frequency in hertz, where it is known.
    current_delay_s : float
        Delay of the current clamp behind the voltage probes, seconds, 0 to 0.001; its phase is taken off.

    Returns
    -------
    Points

    Raises
    ------
    InvalidCombinationError
        The capture has no ``battery_post`` trace.
    OutOfRangeError, AboveNyquistError, TooShortError, WrongTypeError

    Examples
    --------
    >>> import numpy as np
    >>> import sixpulse
    >>> angle = 2 * np.pi * 200 * np.arange(20_000) / 50_000
    >>> phases = np.cos(angle - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
    >>> ripple = 0.3 * (phases.max(axis=0) - phases.min(axis=0))
    >>> post = sixpulse.Trace(14 + ripple, sample_rate_hz=50_000, coupling="dc", role="charging_post")
    >>> battery = sixpulse.Trace(14 + 0.6 * ripple, sample_rate_hz=50_000, coupling="dc", role="battery_post")
    >>> points = sixpulse.compare_points(sixpulse.Capture({"post": post, "battery": battery}))
    >>> round(points.attenuation, 3), round(points.impedance_ratio, 3)
    (0.6, 0.667)
    """
    found = _core.compare_points(capture, machine=machine, electrical_hz=electrical_hz, current_delay_s=current_delay_s)
    return Points.from_dict(found)
