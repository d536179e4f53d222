"""Comparisons: two measuring points of one capture, and captures before, during and after an intervention."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from . import _core
from ._core import Capture, Machine
from ._result import Result
from .results import Points, Role

__all__ = [
    "INTERVENTIONS_VERSION",
    "CircuitIntervention",
    "CircuitStage",
    "DoseResponse",
    "Effect",
    "InterventionCode",
    "InterventionNote",
    "InterventionVerdict",
    "Interventions",
    "Stage",
    "compare_interventions",
    "compare_points",
]

#: Version of the layout of :class:`Interventions`.
INTERVENTIONS_VERSION = 1

StageKind: TypeAlias = Literal["before", "during", "after"]
InterventionVerdict: TypeAlias = Literal["caused_by_charging_ripple", "not_supported", "undetermined"]
InterventionCode: TypeAlias = Literal[
    "follows_ripple",
    "follows_and_returns",
    "circuit_stays",
    "no_ripple_before",
    "engine_stopped",
    "ripple_unchanged",
    "circuit_below_noise",
    "sensor_turned",
    "changes_less",
    "changes_more",
    "did_not_return",
    "dose_disagrees",
]
InterventionNoteCode: TypeAlias = Literal[
    "engine_speed_changed",
    "engine_speed_unknown",
    "measured_at_battery",
    "ripple_not_restored",
    "no_return_capture",
    "own_signal_stays",
]


@dataclass(frozen=True, eq=False, repr=False)
class Effect(Result):
    """A change of an amplitude between two captures.

    Attributes
    ----------
    ratio : float
        Amplitude later / amplitude before (r.m.s. values).
    ratio_low : float
        Lower end of its 95 % interval; 0 where the later amplitude does not clear its noise.
    ratio_high : float
        Upper end of its 95 % interval.
    log_ratio : float or None
        ln(later / before); None where the later amplitude does not clear its noise.
    log_ratio_std : float or None
        Standard uncertainty of it.
    """

    ratio: float
    ratio_low: float
    ratio_high: float
    log_ratio: float | None
    log_ratio_std: float | None


@dataclass(frozen=True, eq=False, repr=False)
class DoseResponse(Result):
    """A straight line of the circuit's amplitude over the ripple's, fitted to all captures.

    Attributes
    ----------
    stages : int
        Captures fitted.
    slope_v_per_v : float
        Slope of the line through the origin, volts per volt: the circuit follows the ripple and nothing else.
    slope_v_per_v_std : float
        Standard uncertainty of it.
    slope_v_per_v_low : float
        Lower end of its 95 % interval.
    slope_v_per_v_high : float
        Upper end of its 95 % interval.
    free_slope_v_per_v : float
        Slope of the line with an intercept, volts per volt.
    free_slope_v_per_v_std : float
        Standard uncertainty of it.
    intercept_v : float
        Circuit's amplitude (r.m.s.) without any ripple, by that line, volts.
    intercept_v_std : float
        Standard uncertainty of it.
    intercept_v_low : float
        Lower end of its 95 % interval.
    intercept_v_high : float
        Upper end of its 95 % interval.
    through_origin : bool
        True when that interval contains 0: the line may go through the origin.
    """

    stages: int
    slope_v_per_v: float
    slope_v_per_v_std: float
    slope_v_per_v_low: float
    slope_v_per_v_high: float
    free_slope_v_per_v: float
    free_slope_v_per_v_std: float
    intercept_v: float
    intercept_v_std: float
    intercept_v_low: float
    intercept_v_high: float
    through_origin: bool

    _shown = ("stages", "slope_v_per_v", "slope_v_per_v_std", "intercept_v", "through_origin")


@dataclass(frozen=True, eq=False, repr=False)
class Stage(Result):
    """The ripple in one capture.

    Attributes
    ----------
    stage : StageKind
        "before", "during" or "after".
    electrical_hz : float or None
        Electrical frequency found, hertz; None where there is no cycle (the ripple is gone).
    engine_rpm : float or None
        Engine speed as stated, 1/min.
    ripple_rms_v : float
        Ripple r.m.s. at its orders, noise taken off, volts.
    ripple_rms_v_std : float
        Standard uncertainty of it.
    ripple_rms_v_low : float
        Lower end of its 95 % interval; 0 where noise may account for all of it.
    ripple_rms_v_high : float
        Upper end of its 95 % interval.
    """

    stage: StageKind
    electrical_hz: float | None
    engine_rpm: float | None
    ripple_rms_v: float
    ripple_rms_v_std: float
    ripple_rms_v_low: float
    ripple_rms_v_high: float

    _shown = ("stage", "electrical_hz", "ripple_rms_v", "ripple_rms_v_std")


@dataclass(frozen=True, eq=False, repr=False)
class CircuitStage(Result):
    """A circuit in one capture.

    Attributes
    ----------
    stage : StageKind
        "before", "during" or "after".
    at_ripple_rms_v : float
        R.m.s. at the ripple's orders, noise taken off, volts: what the circuit carries of the ripple where its transfer
        from the supply could be told (a turning wheel's own lines do not count then), else whatever stands there.
    at_ripple_rms_v_std : float
        Standard uncertainty of it.
    at_ripple_rms_v_low : float
        Lower end of its 95 % interval; 0 where noise may account for all of it.
    at_ripple_rms_v_high : float
        Upper end of its 95 % interval.
    whole_rms_v : float
        R.m.s. between 20 Hz and order 12.5, noise taken off, volts.
    own_rms_v : float
        The rest of it, away from the ripple's orders: the circuit's own signal, volts.
    """

    stage: StageKind
    at_ripple_rms_v: float
    at_ripple_rms_v_std: float
    at_ripple_rms_v_low: float
    at_ripple_rms_v_high: float
    whole_rms_v: float
    own_rms_v: float

    _shown = ("stage", "at_ripple_rms_v", "at_ripple_rms_v_std", "own_rms_v")


@dataclass(frozen=True, eq=False, repr=False)
class CircuitIntervention(Result):
    """What the intervention says of one circuit.

    Attributes
    ----------
    verdict : InterventionVerdict
        "caused_by_charging_ripple", "not_supported" (look elsewhere) or "undetermined".
    code : InterventionCode
        Why, as a stable code.
    reason : str
        Why, in a sentence with the numbers.
    next_test : str
        What to test next.
    stages : tuple of CircuitStage
        The circuit in each capture: before, the steps in their order, after.
    effect : Effect or None
        Change of the circuit at the ripple's orders from before to the step at which the ripple changed most; None
        where it shows nothing there before.
    effect_of_return : Effect or None
        Change from before to after.
    dose_response : DoseResponse or None
        The circuit over the ripple in all captures; None for fewer than three or a ripple that hardly varies.
    """

    verdict: InterventionVerdict
    code: InterventionCode
    reason: str
    next_test: str
    stages: tuple[CircuitStage, ...]
    effect: Effect | None
    effect_of_return: Effect | None
    dose_response: DoseResponse | None

    _shown = ("verdict", "code", "reason")


@dataclass(frozen=True, eq=False, repr=False)
class InterventionNote(Result):
    """Something to bear in mind with an intervention.

    Attributes
    ----------
    code : InterventionNoteCode
        Stable code.
    statement : str
        What it means here.
    """

    code: InterventionNoteCode
    statement: str


@dataclass(frozen=True, eq=False, repr=False)
class Interventions(Result):
    """The result of an intervention.

    Attributes
    ----------
    schema_version : int
        Version of the layout of this result.
    library_version : str
        Version of the library that made it.
    supply_role : Role
        Where the ripple was read.
    verdict : InterventionVerdict
        Verdict over all circuits: that of the circuit which the ripple disturbs, where there is one; "not_supported"
        only when it is that for every circuit.
    circuit : str
        Name of the circuit that decides the verdict.
    code : InterventionCode
        Its code.
    reason : str
        Its reason.
    stages : tuple of Stage
        The ripple in each capture: before, the steps in their order, after.
    step : int
        Number, from 1, of the step at which the ripple changed most.
    ripple_effect : Effect or None
        Change of the ripple from before to that step; None where there is no ripple before.
    ripple_effect_of_return : Effect or None
        Change of the ripple from before to after.
    circuits : dict of str to CircuitIntervention
        Each circuit, by trace name.
    notes : tuple of InterventionNote
        What to bear in mind.
    cautions : tuple of str
        Cautions that apply to the intervention.
    """

    schema_version: int
    library_version: str
    supply_role: Role
    verdict: InterventionVerdict
    circuit: str
    code: InterventionCode
    reason: str
    stages: tuple[Stage, ...]
    step: int
    ripple_effect: Effect | None
    ripple_effect_of_return: Effect | None
    circuits: dict[str, CircuitIntervention]
    notes: tuple[InterventionNote, ...]
    cautions: tuple[str, ...]

    _shown = ("verdict", "circuit", "code", "reason")

    _version = INTERVENTIONS_VERSION


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
    return Points._from_core(found)


def compare_interventions(
    before: Capture,
    during: Capture | Sequence[Capture],
    after: Capture | None = None,
    *,
    machine: Machine | None = None,
    electrical_hz: float | None = None,
) -> Interventions:
    """Compare captures before, during and after an intervention.

    Does a circuit's disturbance go with the charging ripple, and come back with it? Taking the ripple away and seeing
    the disturbance go proves what coherence cannot. The intervention: the alternator's field connector unplugged
    (engine and ignition off while it is unplugged and plugged; never the battery or the output cable with the engine
    running), or the load or the speed changed. The captures need not be alike in length, rate or speed. Amplitudes at
    the ripple's orders are compared as ``ln(later / before)`` with 95 % intervals from the scatter over each record.

    Parameters
    ----------
    before : Capture
        As found: with a supply voltage (``charging_post``, else ``battery_post``) and every circuit to be judged.
    during : Capture or sequence of Capture
        With the intervention; several for steps of load or speed. A circuit is found by its trace's name, else as the
        only trace of its role.
    after : Capture, optional
        Restored.
    machine : Machine, optional
        What is known of the alternator.
    electrical_hz : float, optional
        Electrical frequency of ``before`` in hertz, where it is known.

    Returns
    -------
    Interventions

    Raises
    ------
    EmptyInputError
        No capture in ``during``.
    InvalidCombinationError
        No supply voltage at the same point in all captures, no circuit, or one that a later capture lacks.
    OutOfRangeError, AboveNyquistError, TooShortError, WrongTypeError

    Examples
    --------
    >>> import numpy as np
    >>> import sixpulse
    >>> rng = np.random.default_rng(1)
    >>> angle = 2 * np.pi * 200 * np.arange(20_000) / 50_000
    >>> phases = np.cos(angle - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
    >>> ripple = 0.3 * (phases[1:].max(axis=0) - phases.min(axis=0))
    >>> def capture(amount):
    ...     noise = rng.normal(0.0, 0.003, (2, ripple.size))
    ...     common = {"sample_rate_hz": 50_000, "coupling": "dc"}
    ...     post = sixpulse.Trace(13 + amount * ripple + noise[0], role="charging_post", **common)
    ...     sensor = sixpulse.Trace(0.25 * amount * ripple + noise[1], role="speed_sensor", **common)
    ...     return sixpulse.Capture({"post": post, "sensor": sensor})
    >>> found = sixpulse.compare_interventions(capture(1.0), capture(0.0), capture(1.0))
    >>> found.verdict, found.code
    ('caused_by_charging_ripple', 'follows_and_returns')
    """
    steps = [during] if isinstance(during, Capture) else during
    found = _core.compare_interventions(before, steps, after, machine=machine, electrical_hz=electrical_hz)
    return Interventions._from_core(found)
