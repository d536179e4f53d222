"""Planning a capture: from the machine and the instrument to the settings, or to what the instrument lacks.

What a capture must hold, with its formulae: the orders wanted below 0.4 of the sample rate (sampling theorem with a
margin), nine electrical cycles, a range that holds a fault's ripple, a step of which the smallest healthy ripple spans
four, order 1 seven corners above the AC coupling. The figures of a plan are floors: a wandering speed adds its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from . import _core
from ._core import Machine
from ._result import Result
from .errors import WrongTypeError
from .read import Coupling
from .results import Role

__all__ = [
    "Connection",
    "Expected",
    "Feasibility",
    "Instrument",
    "LoadStep",
    "Place",
    "Plan",
    "Purpose",
    "Recording",
    "Requirement",
    "RequirementCode",
    "RequirementOutcome",
    "View",
    "ViewCode",
    "plan",
]

Feasibility: TypeAlias = Literal["full", "limited", "not_possible"]
Purpose: TypeAlias = Literal["ripple", "level", "ramp"]
LoadStep: TypeAlias = Literal["light", "heavy"]
Place: TypeAlias = Literal[
    "charging_post", "alternator_case", "sensor_signal", "sensor_return", "battery_positive", "battery_negative"
]
RequirementOutcome: TypeAlias = Literal["met", "limited", "failed"]
RequirementCode: TypeAlias = Literal[
    "sample_rate",
    "record_length",
    "full_scale",
    "resolution",
    "coupling_droop",
    "channels",
    "level",
    "frequency_span",
    "ramp",
]
ViewCode: TypeAlias = Literal[
    "meter", "level", "low_orders", "pattern", "all_orders", "contamination", "points", "ramp"
]


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """An oscilloscope, as its data sheet describes it.

    Attributes
    ----------
    bits : int
        Bits of the converter, 4 to 24.
    memory_samples : int
        Samples for each channel in use, 16 to 10**10.
    sample_rates_hz : sequence of float
        Rates that can be set, up to 1e30 Hz and filling the memory within 1e30 s, in any order.
    ranges_v : sequence of float
        Ranges of the input, from the middle to the edge, 1e-30 to 1e30 V, in any order.
    ac_corner_hz : float or None
        Corner of the input's AC coupling without a probe, 1e-30 to 1e30 Hz; None where it has no AC coupling.
    probe_attenuation : float
        Attenuation of the probe, 1 to 1000: a 10:1 probe is 10. It widens the ranges and lowers the corner by as much.
    channels : int
        Number of channels, 1 to 64.

    Raises
    ------
    OutOfRangeError, EmptyInputError, WrongTypeError
    """

    bits: int
    memory_samples: int
    sample_rates_hz: Sequence[float]
    ranges_v: Sequence[float]
    ac_corner_hz: float | None
    probe_attenuation: float
    channels: int

    def __post_init__(self) -> None:
        """Refuse figures outside their domain."""
        _core.check_instrument(self)
        object.__setattr__(self, "sample_rates_hz", tuple(self.sample_rates_hz))
        object.__setattr__(self, "ranges_v", tuple(self.ranges_v))


@dataclass(frozen=True, eq=False, repr=False)
class Connection(Result):
    """One channel's two leads.

    Attributes
    ----------
    channel : int
        Channel, from 1.
    role : Role
        Role to give the trace.
    tip, reference : Place
        Where the tip and the other lead go.
    reason : str
        Why there.
    """

    channel: int
    role: Role
    tip: Place
    reference: Place
    reason: str


@dataclass(frozen=True, eq=False, repr=False)
class Expected(Result):
    """What to expect of a sound machine in one recording, in the finest of its ranges.

    Attributes
    ----------
    healthy_rms_low_v, healthy_rms_high_v : float
        Healthy ripple, volts r.m.s.: 5 % of simulated machines lie below, 5 % above.
    healthy_steps : float or None
        Steps that the smallest healthy ripple spans peak-to-peak; None without a range.
    quantisation_noise_v : float or None
        Noise of the converter, step / sqrt 12, volts r.m.s.
    order_amplitude_std_v : float or None
        Standard uncertainty of an order's amplitude from it, volts: noise * sqrt(2 / samples).
    electrical_hz_std : float or None
        Standard uncertainty of the electrical frequency from it, hertz: the Cramer-Rao bound of the pulse order.
    """

    healthy_rms_low_v: float
    healthy_rms_high_v: float
    healthy_steps: float | None
    quantisation_noise_v: float | None
    order_amplitude_std_v: float | None
    electrical_hz_std: float | None


@dataclass(frozen=True, eq=False, repr=False)
class Recording(Result):
    """Settings of one recording. Voltages are at the probe's tip unless the name says input.

    Attributes
    ----------
    purpose : Purpose
        What it is for.
    engine_rpm, engine_rpm_end : float
        Engine speed at its start and end, revolutions per minute.
    load : LoadStep
        Electrical load: "light" is what runs anyway, "heavy" headlamps, blower and heated window on.
    electrical_hz_low, electrical_hz_high : float
        Electrical frequencies that the machine may have in it, hertz.
    coupling : Coupling
        Input coupling of the supply's channel.
    sample_rate_hz : float
        Sample rate to set, hertz.
    samples : int
        Samples to record.
    duration_s : float
        samples / sample_rate_hz, seconds.
    cycles : float
        Fewest electrical cycles in it.
    highest_order : int
        Highest order it holds for certain, 24 at most.
    full_scale_input_v, full_scale_v : float or None
        Range to begin with, middle to edge, at the input and at the tip, volts; None where no range holds the signal.
    step_v : float or None
        Step of the converter in it, volts.
    finer_full_scale_input_v, finer_step_v : float or None
        Finer range (input) to repeat with where the ripple stays inside, and its step; None where there is none.
    reads_pattern : bool
        Whether a pattern can be read on it.
    expected : Expected
        What to expect on it.
    """

    purpose: Purpose
    engine_rpm: float
    engine_rpm_end: float
    load: LoadStep
    electrical_hz_low: float
    electrical_hz_high: float
    coupling: Coupling
    sample_rate_hz: float
    samples: int
    duration_s: float
    cycles: float
    highest_order: int
    full_scale_input_v: float | None
    full_scale_v: float | None
    step_v: float | None
    finer_full_scale_input_v: float | None
    finer_step_v: float | None
    reads_pattern: bool
    expected: Expected

    _shown = ("purpose", "engine_rpm", "load", "coupling", "sample_rate_hz", "samples", "full_scale_input_v")


@dataclass(frozen=True, eq=False, repr=False)
class Requirement(Result):
    """One requirement with its figure.

    Attributes
    ----------
    code : RequirementCode
        Which.
    outcome : RequirementOutcome
        "met"; "limited": the pattern can be read all the same; "failed": it cannot be read at every speed.
    value, needed : float
        What there is and what is needed, in ``unit``.
    unit : str
        Unit of both.
    short_by : float or None
        By what factor it falls short; None where it is met, and where next to nothing is there.
    statement : str
        The same in words, with what would help.
    """

    code: RequirementCode
    outcome: RequirementOutcome
    value: float
    needed: float
    unit: str
    short_by: float | None
    statement: str


@dataclass(frozen=True, eq=False, repr=False)
class View(Result):
    """One thing that the planned captures can show, or not.

    Attributes
    ----------
    code : ViewCode
        Which.
    available : bool
        True where it can be shown at every planned speed.
    statement : str
        In words.
    """

    code: ViewCode
    available: bool
    statement: str


@dataclass(frozen=True, eq=False, repr=False)
class Plan(Result):
    """A plan for the captures of one vehicle.

    Attributes
    ----------
    library_version : str
        Version of the library that made it.
    feasibility : Feasibility
        "full"; "limited": the pattern can be read, something else is missing; "not_possible": no pattern can be read
        over the whole speed range.
    highest_order : int
        Highest order asked for.
    coupling : Coupling
        Coupling of the supply's channel for the ripple.
    coupling_reason : str
        Why this coupling.
    assumptions : tuple of str
        What was taken for granted.
    connections : tuple of Connection
        Where the leads go.
    recordings : tuple of Recording
        The recordings, in their order.
    requirements : tuple of Requirement
        Each requirement with its figure.
    views : tuple of View
        What the captures can show, and what not.
    intervention : tuple of str
        The intervention to make, in steps.
    cautions : tuple of str
        Cautions.
    """

    library_version: str
    feasibility: Feasibility
    highest_order: int
    coupling: Coupling
    coupling_reason: str
    assumptions: tuple[str, ...]
    connections: tuple[Connection, ...]
    recordings: tuple[Recording, ...]
    requirements: tuple[Requirement, ...]
    views: tuple[View, ...]
    intervention: tuple[str, ...]
    cautions: tuple[str, ...]

    _shown = ("feasibility", "coupling", "recordings", "requirements", "views")

    def requirement(self, code: RequirementCode) -> Requirement | None:
        """Return the requirement of a code.

        Parameters
        ----------
        code : RequirementCode
            Which.

        Returns
        -------
        Requirement or None
            None where it does not arise: no droop with DC coupling, no ramp at one speed.
        """
        return next((r for r in self.requirements if r.code == code), None)

    def shows(self, code: ViewCode) -> bool:
        """Return whether something can be shown at every planned speed.

        Parameters
        ----------
        code : ViewCode
            What.

        Returns
        -------
        bool
        """
        return any(v.code == code and v.available for v in self.views)


def plan(
    machine: Machine,
    *,
    engine_rpm: tuple[float, float],
    instrument: Instrument,
    system_v: Literal[12, 24],
    highest_order: int | None = None,
) -> Plan:
    """Plan the captures of a machine with an instrument.

    Parameters
    ----------
    machine : Machine
        The alternator; what is not known of it is taken as usual, and the plan says so.
    engine_rpm : tuple of two floats
        Lowest and highest engine speed to record, 100 to 20 000 revolutions per minute.
    instrument : Instrument
        The oscilloscope with its probe.
    system_v : {12, 24}
        Nominal voltage.
    highest_order : int, optional
        Highest order wanted, 1 to 24; twice the pulse number when not given.

    Returns
    -------
    Plan

    Raises
    ------
    OutOfRangeError, WrongTypeError

    Examples
    --------
    >>> import sixpulse
    >>> scope = sixpulse.Instrument(
    ...     bits=8,
    ...     memory_samples=100_000,
    ...     sample_rates_hz=[10e3, 50e3, 100e3, 500e3],
    ...     ranges_v=[0.1, 0.2, 0.5, 1, 2, 5, 20],
    ...     ac_corner_hz=5.0,
    ...     probe_attenuation=1,
    ...     channels=2,
    ... )
    >>> machine = sixpulse.Machine(pole_pairs=6, pulley_ratio=2.7)
    >>> made = sixpulse.plan(machine, engine_rpm=(700, 2500), instrument=scope, system_v=12)
    >>> made.feasibility, made.coupling
    ('full', 'ac')
    >>> idle = made.recordings[0]
    >>> idle.electrical_hz_high, idle.sample_rate_hz, idle.full_scale_input_v
    (189.0, 10000.0, 5.0)
    """
    try:
        low, high = engine_rpm
    except (TypeError, ValueError):
        expected, actual = "two numbers, lowest and highest", type(engine_rpm).__name__
        message = f"engine_rpm: expected {expected}, got {actual}"
        raise WrongTypeError(message, parameter="engine_rpm", expected=expected, actual=actual) from None
    document = _core.plan(
        machine,
        engine_rpm_low=low,
        engine_rpm_high=high,
        system_v=system_v,
        highest_order=highest_order,
        instrument=instrument,
    )
    return Plan._from_core(document)
