"""Whether a circuit carries the rectifier's ripple, what is left without it, and the false reading it makes.

One gain and one delay must serve every frequency at which the supply's ripple stands clear of its noise. Equal
frequency alone proves no connection; agreement of several orders does. Where the supply's converter is coarse, the gain
is read from the instants at which the supply crosses the converter's steps.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Literal, Self, TypeAlias

import numpy as np
from numpy.typing import NDArray

from . import _core
from ._core import Trace
from ._refusals import need
from .results import Contamination, ContaminationVerdict, Result

__all__ = [
    "AdaptiveConditioner",
    "Conditioner",
    "Count",
    "FixedConditioner",
    "InputReference",
    "PulseConstant",
    "Victim",
    "assess",
    "count",
    "indicated_hz",
    "indicated_speed_km_h",
    "own_signal",
    "pulse_times_s",
    "rank",
]

#: What a conditioner's thresholds are measured against: the signal's own mean, or 0 V.
InputReference: TypeAlias = Literal["mean", "ground"]


@dataclasses.dataclass(frozen=True, kw_only=True)
class AdaptiveConditioner:
    """A pulse conditioner that arms at a fraction of the previous peak and puts out a pulse at the zero crossing.

    The defaults are common practice of general-purpose conditioners of variable-reluctance sensors, not the data of one
    part (1/3: a public repository quoting a data sheet; 30 mV and 85 ms: from memory; the decay is ours): state them
    when you quote a result.

    Attributes
    ----------
    fraction : float
        Arming threshold / previous positive peak, above 0 and below 1.
    minimum_v : float
        Least arming threshold, volts, above 0; what counts at standstill.
    decay_s : float
        Time constant with which the remembered peak decays, seconds, above 0.
    release_v : float
        Voltage at which the armed conditioner puts out its pulse, below `minimum_v`.
    watchdog_s : float or None
        Time without a pulse after which the peak is forgotten, seconds, above 0; None: it decays alone.
    reference : {"mean", "ground"}
        What the thresholds are measured against: the signal's own mean, or 0 V.

    Raises
    ------
    OutOfRangeError, WrongTypeError
    """

    fraction: float = 1.0 / 3.0
    minimum_v: float = 0.03
    decay_s: float = 0.085
    release_v: float = 0.0
    watchdog_s: float | None = 0.085
    reference: InputReference = "mean"

    def __post_init__(self) -> None:
        """Refuse settings outside their domain."""
        _core.check_conditioner(self)


@dataclasses.dataclass(frozen=True, kw_only=True)
class FixedConditioner:
    """A pulse conditioner with a fixed threshold and hysteresis.

    Attributes
    ----------
    arming_v : float
        Arming threshold, volts, above 0.
    release_v : float
        Voltage at which the armed conditioner puts out its pulse, below `arming_v`; ``-arming_v`` for symmetrical
        hysteresis.
    reference : {"mean", "ground"}
        What the thresholds are measured against: the signal's own mean, or 0 V.

    Raises
    ------
    OutOfRangeError, WrongTypeError
    """

    arming_v: float
    release_v: float = 0.0
    reference: InputReference = "mean"

    def __post_init__(self) -> None:
        """Refuse settings outside their domain."""
        _core.check_conditioner(self)

    @classmethod
    def zero_crossing(cls) -> Self:
        """Return a zero-crossing detector: arms at +10 mV, pulses at -6.5 mV (a repository quoting a data sheet).

        >>> from sixpulse.contamination import FixedConditioner
        >>> FixedConditioner.zero_crossing().arming_v
        0.01
        """
        return cls(arming_v=0.01, release_v=-0.0065)


@dataclasses.dataclass(frozen=True, kw_only=True)
class PulseConstant:
    """How many pulses an instrument takes for a distance.

    Attributes
    ----------
    pulses_per_km : float
        Pulses a kilometre, above 0.

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    Order 1 of an alternator at 189 Hz on an instrument of 8000 pulses a mile.

    >>> from sixpulse.contamination import PulseConstant
    >>> instrument = PulseConstant.per_mile(8000)
    >>> round(instrument.speed_mph(189.0), 2), round(instrument.speed_km_h(189.0), 1)
    (85.05, 136.9)
    """

    pulses_per_km: float

    def __post_init__(self) -> None:
        """Refuse a constant outside its domain."""
        _core.indicated_speed_km_h(0.0, pulses_per_km=self.pulses_per_km)

    @classmethod
    def per_mile(cls, pulses_per_mile: float) -> Self:
        """Return the constant for pulses a mile (1.609344 km); 8000 and 4000 are common."""
        return cls(pulses_per_km=_core.pulses_per_km_of_mile(pulses_per_mile))

    @classmethod
    def from_gearing(cls, *, pulses_per_revolution: float, gear_ratio: float, rolling_circumference_m: float) -> Self:
        """Return ``pulses_per_revolution * gear_ratio * 1000 / rolling_circumference_m``.

        Parameters
        ----------
        pulses_per_revolution : float
            Pulses in one turn of the shaft the sensor looks at.
        gear_ratio : float
            Turns of that shaft for one of the wheel (final-drive ratio; 1 at the wheel itself).
        rolling_circumference_m : float
            The wheel's rolling circumference, metres.

        Examples
        --------
        >>> from sixpulse.contamination import PulseConstant
        >>> wheel = PulseConstant.from_gearing(pulses_per_revolution=44, gear_ratio=1, rolling_circumference_m=2.0)
        >>> wheel.pulses_per_km
        22000.0
        """
        return cls(
            pulses_per_km=_core.pulses_per_km_of_gearing(
                pulses_per_revolution=pulses_per_revolution,
                gear_ratio=gear_ratio,
                rolling_circumference_m=rolling_circumference_m,
            )
        )

    def speed_km_h(self, indicated_hz: float) -> float:
        """Return the speed shown for a pulse frequency, km/h: ``3600 * indicated_hz / pulses_per_km``."""
        return _core.indicated_speed_km_h(indicated_hz, pulses_per_km=self.pulses_per_km)

    def speed_mph(self, indicated_hz: float) -> float:
        """Return the speed shown for a pulse frequency, miles an hour."""
        return _core.indicated_speed_mph(indicated_hz, pulses_per_km=self.pulses_per_km)


Conditioner: TypeAlias = AdaptiveConditioner | FixedConditioner


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class Count(Result):
    """What a pulse conditioner makes of a circuit.

    Attributes
    ----------
    indicated_hz : float
        Frequency it indicates with the ripple as captured, hertz (0: it counts nothing).
    without_ripple_hz : float
        Frequency it indicates once the ripple is taken out, hertz.
    pulses : int
        Pulses with the ripple.
    pulses_without_ripple : int
        Pulses without.
    ripple_margin : float or None
        Factor on the ripple at which the count begins to be false (to differ by 1 %). Above 1: the count is right until
        the ripple grows that many times. Below 1: it is false, and would be right again if the ripple fell to that
        part. None where no ripple was found, or none up to 64 times as large changes the count.
    """

    indicated_hz: float
    without_ripple_hz: float
    pulses: int
    pulses_without_ripple: int
    ripple_margin: float | None


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class Victim(Result):
    """One circuit in the ranking of those that carry ripple.

    Attributes
    ----------
    name : str
        Name of the trace.
    verdict : ContaminationVerdict
        The verdict on it.
    false_count : bool
        True when the ripple makes its count false.
    ripple_rms_v : float or None
        R.m.s. of the ripple in it, volts; None where none was found.
    ripple_margin : float or None
        Factor on the ripple at which its count becomes false.
    """

    name: str
    verdict: ContaminationVerdict
    false_count: bool
    ripple_rms_v: float | None
    ripple_margin: float | None


def assess(circuit: Trace, supply: Trace, *, electrical_hz: float | None = None) -> Contamination:
    """Test whether a circuit carries the supply's ripple.

    Parameters
    ----------
    circuit : Trace
        The circuit's trace.
    supply : Trace
        The charging post's or battery post's trace of the same capture.
    electrical_hz : float, optional
        Mean electrical frequency, by which the lines are sorted into orders; octaves are used when it is not given.

    Returns
    -------
    Contamination
        On circuit-simulated captures the verdict is right on >= 99 % and the gain within 3 %, unless the supply's
        ripple spans fewer than three steps of its converter; `gain_v_per_v_std` tells.

    Raises
    ------
    LengthMismatchError, RateMismatchError, OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> import numpy as np
    >>> from sixpulse import Trace
    >>> from sixpulse.contamination import assess
    >>> def ripple(t):
    ...     return sum(0.3 / n * np.cos(n * 1200 * t + n * n) for n in (1, 2, 3, 6))
    >>> t = np.arange(20_000) / 50_000
    >>> post = Trace(14.2 + ripple(t), sample_rate_hz=50_000, coupling="dc", role="charging_post")
    >>> wheel = np.sin(2 * np.pi * 333 * t)
    >>> sensor = Trace(wheel + 0.4 * ripple(t - 30e-6), sample_rate_hz=50_000, coupling="dc", role="speed_sensor")
    >>> found = assess(sensor, post, electrical_hz=1200 / (2 * np.pi))
    >>> found.verdict, round(found.gain_v_per_v, 2), round(found.own_frequency_hz)
    ('contaminated', 0.4, 333)
    """
    return Contamination._from_core(_core.assess_contamination(circuit, supply, electrical_hz=electrical_hz))


def own_signal(circuit: Trace, supply: Trace, *, found: Contamination) -> NDArray[np.float64]:
    """Return the circuit's trace without the ripple that a result states.

    Parameters
    ----------
    circuit, supply : Trace
        The traces that were assessed.
    found : Contamination
        What :func:`assess` or :func:`sixpulse.examine` found for them.

    Returns
    -------
    ndarray of float64, shape (n,)
        Volts; the trace as it is where no ripple was found.

    Raises
    ------
    LengthMismatchError, RateMismatchError, WrongTypeError

    Examples
    --------
    >>> import numpy as np
    >>> from sixpulse import Trace
    >>> from sixpulse.contamination import assess, own_signal
    >>> t = np.arange(20_000) / 50_000
    >>> ripple = sum(0.3 / n * np.cos(n * 1200 * t + n * n) for n in (1, 2, 3, 6))
    >>> post = Trace(14.2 + ripple, sample_rate_hz=50_000, coupling="dc", role="charging_post")
    >>> sensor = Trace(-0.4 * ripple, sample_rate_hz=50_000, coupling="dc", role="speed_sensor")
    >>> own = own_signal(sensor, post, found=assess(sensor, post))
    >>> bool(np.abs(own[100:-100]).max() < 0.01)
    True
    """
    need("found", found, Contamination, "a Contamination")
    return _core.own_signal(circuit, supply, found=found.to_dict())


def pulse_times_s(circuit: Trace, *, conditioner: Conditioner | None = None) -> NDArray[np.float64]:
    """Return the times of the pulses a conditioner makes of a trace.

    Parameters
    ----------
    circuit : Trace
        The sensor's trace.
    conditioner : AdaptiveConditioner or FixedConditioner, optional
        ``AdaptiveConditioner()`` when not given.

    Returns
    -------
    ndarray of float64, shape (pulses,)
        Seconds from the start of the trace.

    Examples
    --------
    >>> import numpy as np
    >>> from sixpulse import Trace
    >>> from sixpulse.contamination import pulse_times_s
    >>> wave = np.sin(2 * np.pi * 40 * np.arange(5000) / 10_000)
    >>> pulse_times_s(Trace(wave, sample_rate_hz=10_000, coupling="dc", role="speed_sensor"))[:2].round(4)
    array([0.0125, 0.0375])
    """
    return _core.pulse_times_s(circuit, conditioner=_settings(conditioner))


def indicated_hz(circuit: Trace, *, conditioner: Conditioner | None = None) -> float:
    """Return the frequency a counter behind a conditioner would show; 0 when it counts fewer than two pulses.

    Parameters
    ----------
    circuit : Trace
        The sensor's trace.
    conditioner : AdaptiveConditioner or FixedConditioner, optional
        ``AdaptiveConditioner()`` when not given.

    Returns
    -------
    float
        Hertz.

    Examples
    --------
    Ripple of 100 mV counts on a sensor at rest under the default conditioner, not under a fixed threshold of 300 mV.

    >>> import numpy as np
    >>> from sixpulse import Trace
    >>> from sixpulse.contamination import FixedConditioner, indicated_hz
    >>> ripple = 0.1 * np.sin(2 * np.pi * 189 * np.arange(20_000) / 20_000)
    >>> still = Trace(ripple, sample_rate_hz=20_000, coupling="dc", role="speed_sensor")
    >>> round(indicated_hz(still)), indicated_hz(still, conditioner=FixedConditioner(arming_v=0.3))
    (189, 0.0)
    """
    return _core.indicated_hz(circuit, conditioner=_settings(conditioner))


def indicated_speed_km_h(indicated_hz: float, *, pulses_per_km: float) -> float:
    """Return the speed an instrument shows for a pulse frequency: ``3600 * indicated_hz / pulses_per_km``.

    Parameters
    ----------
    indicated_hz : float
        Pulse frequency, hertz, 0 or more.
    pulses_per_km : float
        The instrument's pulse constant, above 0 (4000 a mile are 2485 a kilometre).

    Returns
    -------
    float
        Kilometres an hour.

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> from sixpulse.contamination import indicated_speed_km_h
    >>> round(indicated_speed_km_h(189.0, pulses_per_km=2485.0), 1)
    273.8
    """
    return _core.indicated_speed_km_h(indicated_hz, pulses_per_km=pulses_per_km)


def count(circuit: Trace, supply: Trace, *, found: Contamination, conditioner: Conditioner | None = None) -> Count:
    """Return what a conditioner counts with the ripple and without it, and how much ripple decides it.

    The instrument's broadband noise, which a conditioner does not see, is left out.

    Parameters
    ----------
    circuit, supply : Trace
        The traces that were assessed.
    found : Contamination
        What :func:`assess` or :func:`sixpulse.examine` found for them.
    conditioner : AdaptiveConditioner or FixedConditioner, optional
        ``AdaptiveConditioner()`` when not given.

    Returns
    -------
    Count
        Frequencies, pulses and the margin.

    Raises
    ------
    LengthMismatchError, RateMismatchError, WrongTypeError

    Examples
    --------
    A sensor at rest that carries ripple: its count would stop if the ripple fell to a part of itself.

    >>> import numpy as np
    >>> from sixpulse import Trace
    >>> from sixpulse.contamination import assess, count
    >>> t = np.arange(20_000) / 50_000
    >>> ripple = sum(0.3 / n * np.cos(n * 1200 * t + n * n) for n in (1, 2, 3, 6))
    >>> post = Trace(14.2 + ripple, sample_rate_hz=50_000, coupling="dc", role="charging_post")
    >>> sensor = Trace(0.4 * ripple, sample_rate_hz=50_000, coupling="dc", role="speed_sensor")
    >>> counted = count(sensor, post, found=assess(sensor, post, electrical_hz=1200 / (2 * np.pi)))
    >>> round(counted.indicated_hz, -1), counted.without_ripple_hz, counted.ripple_margin < 0.5
    (190.0, 0.0, True)
    """
    need("found", found, Contamination, "a Contamination")
    settings = _settings(conditioner)
    return Count._from_core(_core.count_pulses(circuit, supply, found=found.to_dict(), conditioner=settings))


def _settings(conditioner: Conditioner | None) -> Conditioner:
    if conditioner is None:
        return AdaptiveConditioner()
    need("conditioner", conditioner, (AdaptiveConditioner, FixedConditioner), "a conditioner")
    return conditioner


def rank(found: Mapping[str, Contamination]) -> tuple[Victim, ...]:
    """Return circuits in the order in which they deserve attention.

    Contaminated ones with a false count come first (the least margin first), then contaminated ones that still count
    right, then undetermined ones, then clean ones.

    Parameters
    ----------
    found : mapping of str to Contamination
        By trace name, such as ``examination.contamination``.

    Returns
    -------
    tuple of Victim

    Examples
    --------
    >>> from sixpulse.contamination import rank
    >>> rank({})
    ()
    """
    need("found", found, Mapping, "a mapping of str to Contamination")
    for name, one in found.items():
        need("found", name, str, "names that are texts")
        need(f'found["{name}"]', one, Contamination, "a Contamination")
    listed = _core.rank_victims([(name, one.to_dict()) for name, one in found.items()])
    return tuple(Victim._from_core(one) for one in listed)
