"""Ideal rectifier circuits in closed form: no source impedance, no diode drop, resistive load.

They check the mathematics and teach the patterns. They are no templates for a vehicle, whose bridge feeds a battery
behind cable and source reactance and shows other ratios between the orders.

Voltages are in units of the phase peak (line to neutral); the angle is that of phase A, ``e_a = cos(theta)``, with
phases B and C lagging by 120 and 240 degrees. A waveform is ``mean + sum(c_n * cos(n * theta + phase_n))``. A healthy
circuit of ``p >= 2`` pulses has orders ``p, 2p, 3p ...`` of amplitude ``2 * mean / (n**2 - 1)``.

Derived for this library; the ripple factors 0.042 (six pulses), 0.183 (three), 0.483 (single-phase bridge) and 1.21
(half-wave) agree with the tables of power-electronics handbooks (such as Rashid, *Power Electronics Handbook*, "Diode
Rectifiers"; the reference is from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _core
from .results import FloatArray, Result

__all__ = ["CIRCUITS", "IdealCircuit", "IdealWaveform", "pulse_order_ratio", "values", "waveform"]

IdealCircuit: TypeAlias = Literal[
    "single_phase_half_wave",
    "single_phase_bridge",
    "three_pulse",
    "six_pulse",
    "twelve_pulse",
    "one_diode_open",
    "open_phase",
    "two_open_same_rail",
    "two_open_opposite_rails",
]

#: The circuits. Open diodes are those of a six-pulse bridge: phase A to the positive rail; both of phase A (or its
#: lead); phases A and B to the positive rail; phase A to the positive and phase B to the negative rail.
CIRCUITS: tuple[IdealCircuit, ...] = (
    "single_phase_half_wave",
    "single_phase_bridge",
    "three_pulse",
    "six_pulse",
    "twelve_pulse",
    "one_diode_open",
    "open_phase",
    "two_open_same_rail",
    "two_open_opposite_rails",
)


@dataclass(frozen=True, eq=False, repr=False)
class IdealWaveform(Result):
    """Exact figures of an ideal circuit, voltages in units of the phase peak.

    Attributes
    ----------
    circuit : str
        The circuit.
    mean : float
        Mean over a cycle.
    rms : float
        R.m.s. of the whole waveform.
    ac_rms : float
        R.m.s. of the ripple: sqrt(rms^2 - mean^2).
    ripple_factor : float
        ac_rms / mean (IEC 60050-161: r.m.s. ripple factor).
    form_factor : float
        rms / mean (IEC 60050-551: DC form factor).
    maximum : float
        Highest value.
    minimum : float
        Lowest value.
    peak_to_peak : float
        maximum - minimum.
    order_amplitudes : ndarray of float64, shape (24,)
        Peak amplitudes of orders 1 to 24 (index 0 is order 1).
    order_phases_rad : ndarray of float64, shape (24,)
        Phase of each order, radians; 0 where the amplitude is 0.
    """

    circuit: IdealCircuit
    mean: float
    rms: float
    ac_rms: float
    ripple_factor: float
    form_factor: float
    maximum: float
    minimum: float
    peak_to_peak: float
    order_amplitudes: FloatArray
    order_phases_rad: FloatArray

    _shown = ("circuit", "mean", "ac_rms", "ripple_factor", "peak_to_peak")


def waveform(circuit: IdealCircuit) -> IdealWaveform:
    """Return the exact figures of an ideal circuit.

    Parameters
    ----------
    circuit : str
        One of :data:`CIRCUITS`.

    Returns
    -------
    IdealWaveform

    Raises
    ------
    UnknownNameError, WrongTypeError

    Examples
    --------
    >>> from sixpulse.ideal import waveform
    >>> round(waveform("six_pulse").ripple_factor, 5)
    0.04197
    >>> waveform("one_diode_open").order_amplitudes[:5].round(4)
    array([0.5   , 0.3676, 0.2067, 0.0735, 0.    ])
    """
    return IdealWaveform._from_core(_core.ideal_waveform(circuit))


def values(circuit: IdealCircuit, *, theta_rad: ArrayLike) -> NDArray[np.float64]:
    """Return the output of an ideal circuit at angles of phase A.

    Parameters
    ----------
    circuit : str
        One of :data:`CIRCUITS`.
    theta_rad : array_like, shape (n,)
        Angles, radians.

    Returns
    -------
    ndarray of float64, shape (n,)
        In units of the phase peak.

    Raises
    ------
    UnknownNameError, EmptyInputError, NonFiniteError, ShapeError, WrongTypeError

    Examples
    --------
    >>> import numpy as np
    >>> from sixpulse.ideal import values
    >>> values("six_pulse", theta_rad=[0.0, np.pi / 6]).round(4)
    array([1.5   , 1.7321])
    """
    return _core.ideal_values(circuit, theta_rad=theta_rad)


def pulse_order_ratio(*, pulse_number: int, order: int) -> float:
    """Return the amplitude of an order of an ideal waveform over its mean.

    Parameters
    ----------
    pulse_number : int
        Pulses in a cycle, 2 or more.
    order : int
        The order, 1 or more.

    Returns
    -------
    float
        ``2 / (order**2 - 1)`` where ``order`` is a multiple of ``pulse_number``, else 0.

    Raises
    ------
    OutOfRangeError

    Examples
    --------
    >>> from sixpulse.ideal import pulse_order_ratio
    >>> pulse_order_ratio(pulse_number=6, order=6) == 2 / 35
    True
    """
    return _core.pulse_order_ratio(pulse_number=pulse_number, order=order)
