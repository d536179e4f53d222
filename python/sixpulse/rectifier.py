"""The figures from which the rectifier is judged, and how the model that judges was trained.

The verdict itself is part of :func:`sixpulse.examine`. This module is for those who study the method: every
hypothesis on the electrical cycle with the figures the model sees.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import _core
from ._core import Capture, Machine

__all__ = ["RectifierFigures", "figures", "training_record"]


@dataclass(frozen=True, eq=False)
class RectifierFigures:
    """Figures of every hypothesis on a capture's electrical cycle.

    Attributes
    ----------
    names : tuple of str
        Names of the columns of ``values``.
    values : ndarray, shape (hypotheses, figures)
        One row for each hypothesis; all but the ripple levels are invariant to gain, time shift and where the cycle
        is cut.
    electrical_hz : ndarray, shape (hypotheses,)
        Mean electrical frequency that each hypothesis supposes, hertz.
    line_order : ndarray, shape (hypotheses,)
        Which order of that cycle the strongest line of the record would be.
    record_names : tuple of str
        Names of ``record_values``.
    record_values : ndarray
        Figures of the record as a whole.
    """

    names: tuple[str, ...]
    values: NDArray[np.float64]
    electrical_hz: NDArray[np.float64]
    line_order: NDArray[np.uint32]
    record_names: tuple[str, ...]
    record_values: NDArray[np.float64]


def figures(capture: Capture, *, machine: Machine | None = None) -> RectifierFigures:
    """Read the rectifier's figures on the capture's supply trace.

    Parameters
    ----------
    capture : Capture
        With a charging-post or battery-post trace.
    machine : Machine, optional
        What is known of the alternator; its pulse number matters here.

    Returns
    -------
    RectifierFigures
        Without rows when nothing in the trace repeats.

    Raises
    ------
    InvalidCombinationError
        For a capture without a supply trace.
    AboveNyquistError
        For a sample rate below 40 Hz.
    WrongTypeError
        For anything that is not a capture or a machine.

    Examples
    --------
    >>> import numpy as np
    >>> import sixpulse
    >>> volts = 14 + 0.1 * np.cos(2 * np.pi * 1200 * np.arange(20_000) / 50_000)
    >>> post = sixpulse.Trace(volts, sample_rate_hz=50_000, coupling="dc", role="charging_post")
    >>> read = sixpulse.rectifier.figures(sixpulse.Capture({"post": post}))
    >>> sorted({round(float(hz)) for hz in read.electrical_hz})
    [100, 200, 400, 600, 1200]
    """
    hz, orders, values, record = _core.rectifier_figures(capture, machine)
    for array in (hz, orders, values, record):
        array.flags.writeable = False
    return RectifierFigures(
        names=tuple(_core.rectifier_figure_names()),
        values=values,
        electrical_hz=hz,
        line_order=orders,
        record_names=tuple(_core.rectifier_record_names()),
        record_values=record,
    )


def training_record(*, pulse_number: int = 6) -> dict[str, Any]:
    """How the model was trained and what it scored on captures it was not fitted on.

    Parameters
    ----------
    pulse_number : int
        6 or 12: the machine the model is for.

    Returns
    -------
    dict
        Model and library version, numbers of captures, digest of the figures, scores on the test captures.

    Raises
    ------
    OutOfRangeError
        For any other pulse number.

    Examples
    --------
    >>> import sixpulse
    >>> sixpulse.rectifier.training_record()["test"]["given"]["false_alarm"] <= 0.02
    True
    """
    record: dict[str, Any] = json.loads(_core.rectifier_training_record(pulse_number))
    return record
