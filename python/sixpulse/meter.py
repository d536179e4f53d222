"""What an AC voltmeter would have shown: for a shop without an oscilloscope, and for what such a reading misses.

The meter is AC-coupled (first-order high-pass), of limited bandwidth (first-order low-pass), and responds to the r.m.s.
value or to the mean magnitude, calibrated for a sine. The trade's limits stand beside the reading; they are common
practice without a normative source, and an amplitude convicts nobody.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from . import _core
from ._core import Trace
from ._refusals import need
from ._result import Result
from .results import Cycle, Role

__all__ = [
    "AVERAGE_HANDHELD",
    "TRUE_RMS_HANDHELD",
    "LimitComparison",
    "LimitOutcome",
    "Meter",
    "MeterReading",
    "PracticeLimit",
    "Response",
    "of_cycle",
    "reading",
]

Response: TypeAlias = Literal["average_responding", "true_rms"]
PracticeLimit: TypeAlias = Literal["half_volt", "third_volt", "tenth_volt"]
LimitOutcome: TypeAlias = Literal["below", "at_limit", "above"]


@dataclass(frozen=True, kw_only=True)
class Meter:
    """An AC voltmeter.

    Attributes
    ----------
    response : {"average_responding", "true_rms"}
        To what it responds: the mean magnitude times pi / (2 sqrt 2), or the r.m.s. value.
    bandwidth_hz : float
        Corner of its first-order low-pass, hertz, above 0.
    coupling_corner_hz : float
        Corner of its AC coupling, hertz, above 0 and below the bandwidth.
    resolution_v : float
        Last digit of its display, volts, above 0.

    Raises
    ------
    OutOfRangeError, UnknownNameError, WrongTypeError
    """

    response: Response
    bandwidth_hz: float
    coupling_corner_hz: float
    resolution_v: float

    def __post_init__(self) -> None:
        """Refuse settings outside their domain."""
        _core.check_meter(self)


def _handheld(number: int) -> Meter:
    response, bandwidth_hz, coupling_corner_hz, resolution_v = _core.handheld_meters()[number]
    return Meter(
        response=response,
        bandwidth_hz=bandwidth_hz,
        coupling_corner_hz=coupling_corner_hz,
        resolution_v=resolution_v,
    )


#: A plain handheld meter: average-responding, 1 kHz, coupled at 10 Hz, 1 mV (common practice; partly assumed).
AVERAGE_HANDHELD = _handheld(0)
#: A better one: true r.m.s., 20 kHz, coupled at 10 Hz, 1 mV (assumed).
TRUE_RMS_HANDHELD = _handheld(1)


@dataclass(frozen=True, eq=False, repr=False)
class LimitComparison(Result):
    """A reading beside a limit of the trade.

    Attributes
    ----------
    limit : PracticeLimit
        "half_volt", "third_volt" or "tenth_volt".
    limit_v : float
        The limit, volts AC.
    outcome : LimitOutcome
        "below", "above", or "at_limit": within half a digit and two standard uncertainties of it.
    source : str
        Where the limit comes from.
    """

    limit: PracticeLimit
    limit_v: float
    outcome: LimitOutcome
    source: str


@dataclass(frozen=True, eq=False, repr=False)
class MeterReading(Result):
    """What a meter would have shown.

    Attributes
    ----------
    indicated_v : float
        The number on the display, volts: rounded to the resolution.
    unrounded_v : float
        The same before rounding.
    unrounded_v_std : float
        Standard uncertainty of it, from the scatter of 16 parts of the record; 0 where it rests on a mean cycle.
    rms_v : float
        R.m.s. value behind the AC coupling, the bandwidth not limited, volts: what the meter should have shown.
    shown_fraction : float or None
        unrounded_v / rms_v; None without any signal.
    crest_factor : float or None
        Highest magnitude / r.m.s. value behind both filters; None without any signal.
    form_factor : float or None
        R.m.s. value / mean magnitude behind both filters (1.1107 for a sine); None without any signal.
    limits : tuple of LimitComparison
        The reading beside the limits of the trade; empty for a trace that is no supply voltage.
    misses : tuple of str
        What such a reading misses, a sentence each.
    """

    indicated_v: float
    unrounded_v: float
    unrounded_v_std: float
    rms_v: float
    shown_fraction: float | None
    crest_factor: float | None
    form_factor: float | None
    limits: tuple[LimitComparison, ...]
    misses: tuple[str, ...]

    _shown = ("indicated_v", "rms_v", "shown_fraction", "crest_factor", "form_factor")


def reading(trace: Trace, *, meter: Meter) -> MeterReading:
    """Return what a meter would have shown for a trace.

    Parameters
    ----------
    trace : Trace
        At least 16 samples; its level is taken off by the meter's coupling.
    meter : Meter
        The meter.

    Returns
    -------
    MeterReading

    Raises
    ------
    TooShortError, WrongTypeError

    Examples
    --------
    A square wave of 1 V reads 11 % high on a meter that is calibrated for a sine.

    >>> import numpy as np
    >>> from sixpulse import Trace
    >>> from sixpulse.meter import Meter, reading
    >>> square = 14 + np.where(np.arange(100_000) % 1000 < 500, -1.0, 1.0)
    >>> trace = Trace(square, sample_rate_hz=200_000, coupling="dc", role="charging_post")
    >>> plain = Meter(response="average_responding", bandwidth_hz=1e6, coupling_corner_hz=0.01, resolution_v=0.01)
    >>> round(reading(trace, meter=plain).indicated_v, 2)
    1.11
    """
    return MeterReading._from_core(_core.meter_reading(trace, meter=meter))


def of_cycle(cycle: Cycle, *, role: Role, meter: Meter) -> MeterReading | None:
    """Return what a meter would have shown of the ripple alone: the mean cycle, without noise and switched loads.

    Parameters
    ----------
    cycle : Cycle
        The electrical cycle of an examination.
    role : Role
        Where it was read.
    meter : Meter
        The meter.

    Returns
    -------
    MeterReading or None
        None without a cycle.

    Raises
    ------
    UnknownNameError, WrongTypeError

    Examples
    --------
    >>> import sixpulse
    >>> from sixpulse.meter import TRUE_RMS_HANDHELD, of_cycle
    >>> capture = sixpulse.read(sixpulse.demo.path("parked"), roles=sixpulse.demo.ROLES)
    >>> examination = sixpulse.examine(capture)
    >>> shown = of_cycle(examination.cycle, role="charging_post", meter=TRUE_RMS_HANDHELD)
    >>> shown.limits[0].limit, shown.limits[0].outcome
    ('half_volt', 'below')
    """
    need("cycle", cycle, Cycle, "a Cycle")
    found = _core.meter_of_cycle(cycle.to_dict(), role=role, meter=meter)
    return None if found is None else MeterReading._from_core(found)
