"""The main job: one capture in, one reasoned examination out."""

from __future__ import annotations

from . import _core
from ._core import Capture, Machine
from .results import Examination

__all__ = ["examine"]


def examine(capture: Capture, *, machine: Machine | None = None, electrical_hz: float | None = None) -> Examination:
    """Examine a capture: fitness, level, ripple, electrical cycle, rectifier pattern, contamination, what to test next.

    Parameters
    ----------
    capture : Capture
        Traces taken together. The ripple is read on the first charging-post trace, else on the first battery-post
        trace; every sensor is tested for carrying it.
    machine : Machine, optional
        What is known of the alternator. With pole pairs and pulley ratio and the capture's ``engine_rpm`` it says what
        electrical frequency to expect.
    electrical_hz : float, optional
        The electrical frequency in hertz, where it is known; above 0 and below half the sample rate.

    Returns
    -------
    Examination
        A result, also for a capture that cannot be read: its quality issues and findings say why.

    Raises
    ------
    OutOfRangeError, AboveNyquistError
        For an ``electrical_hz`` outside its domain.
    TooShortError, OutOfRangeError
        For a record on which no ripple can be measured: too few samples, or no more than 40 a second.
    WrongTypeError
        For anything that is not a capture or a machine.

    Examples
    --------
    Six equal pulses in each cycle of 200 Hz on 14 V, as an ideal bridge makes them:

    >>> import numpy as np
    >>> import sixpulse
    >>> angle = 2 * np.pi * 200 * np.arange(20_000) / 50_000
    >>> phases = np.cos(angle - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
    >>> volts = 14 + phases.max(axis=0) - phases.min(axis=0)
    >>> post = sixpulse.Trace(volts, sample_rate_hz=50_000, coupling="dc", role="charging_post")
    >>> examination = sixpulse.examine(sixpulse.Capture({"post": post}))
    >>> round(examination.cycle.electrical_hz)
    200
    """
    return Examination._from_core(_core.examine(capture, machine, electrical_hz))
