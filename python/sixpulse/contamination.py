"""Whether a circuit carries the rectifier's ripple, what is left without it, and the false reading it makes.

One gain and one delay must serve every frequency at which the supply's ripple stands clear of its noise. Equal
frequency alone proves no connection; agreement of several orders does. Where the supply's converter is coarse, the gain
is read from the instants at which the supply crosses the converter's steps.
"""

from __future__ import annotations

import dataclasses
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from . import _core
from ._core import Trace
from .results import Contamination

__all__ = [
    "AdaptiveConditioner",
    "Conditioner",
    "FixedConditioner",
    "assess",
    "indicated_hz",
    "indicated_speed_km_h",
    "own_signal",
    "pulse_times_s",
]


@dataclasses.dataclass(frozen=True, kw_only=True)
class AdaptiveConditioner:
    """A pulse conditioner that arms at a fraction of the previous peak and puts out a pulse at the zero crossing.

    The input is taken against its own mean. The defaults are common practice of general-purpose conditioners of
    variable-reluctance sensors, not the data of one part: state them when you quote a result.

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

    Raises
    ------
    OutOfRangeError, WrongTypeError
    """

    fraction: float = 1.0 / 3.0
    minimum_v: float = 0.03
    decay_s: float = 0.085
    release_v: float = 0.0

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

    Raises
    ------
    OutOfRangeError, WrongTypeError
    """

    arming_v: float
    release_v: float = 0.0

    def __post_init__(self) -> None:
        """Refuse settings outside their domain."""
        _core.check_conditioner(self)


Conditioner: TypeAlias = AdaptiveConditioner | FixedConditioner


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
    return Contamination.from_dict(_core.assess_contamination(circuit, supply, electrical_hz=electrical_hz))


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
    return _core.pulse_times_s(circuit, conditioner=AdaptiveConditioner() if conditioner is None else conditioner)


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
    return _core.indicated_hz(circuit, conditioner=AdaptiveConditioner() if conditioner is None else conditioner)


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
