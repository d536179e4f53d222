"""Captures with known truth: scenarios drawn from documented distributions, simulated as physics.

A :class:`Scenario` holds everything a simulated capture depends on (alternator, bridge, network, sensor, instrument),
and :func:`simulate` turns it into a :class:`~sixpulse.Capture` and its :class:`Truth`. The same seed gives the same
scenario and the same counts on every platform: the generator is PCG64DXSM, the conversions are the library's own.

Distributions of :meth:`Scenario.draw` (U uniform, L uniform in the logarithm, W weights; basis: READ, READ-2ND, DERIVED
or MEMORY as in the project's list of reference values, "chosen" where wide enough is all that is asked):

=====================  ==========================================================  =============================
quantity               distribution                                                basis
=====================  ==========================================================  =============================
fault                  W healthy 34, open diode 14, shorted diode 11, open phase   chosen
                       11, two open on one rail 5, on opposite rails 5,
                       resistive joint 5, weak phase 5, leaking diode 5, not
                       charging 5
condition              W plain 40 (faulty 60), poor battery, switched load,        chosen
                       uneven engine, ramp 15 each (10)
system                 W 12 V 88, 24 V 12                                          chosen
pole pairs             W 6: 60, 7: 15, 8: 25                                       READ-2ND 6, 8; READ 7
belt ratio             U 1.8-3.3                                                   READ 1.78-3.3
electrical frequency   90-750 Hz (engine L 450-3500 per minute)                    DERIVED
Ls, star equivalent    L 55-250 uH (24 V: twice)                                   READ-2ND to 120, MEMORY lo above
Rs, star equivalent    L 10-60 mohm at 20 C (24 V: twice)                          READ-2ND, MEMORY
EMF harmonics 3, 5, 7  U 0-0.15, U -0.08-0.08, U -0.05-0.05                        MEMORY lo
phase imbalance        up to 2 % in spread                                         DERIVED
diode                  0.62-0.95 V, 1-10 mohm, clamp at 20-30 V                    MEMORY mid
capacitor              L 0.3-5 uF                                                  MEMORY mid
cable                  L 2-20 mohm, 0.8 V at most, L 0.4-5 uH                      READ limit 10 mohm, DERIVED
battery                L 3-15 mohm, L 50-500 nH; poor L 25-120 mohm, 0.1-3.5 uH    MEMORY mid
loads                  L 8-80 A; switched U 6-30 A, L 15-400 Hz, duty U 0.2-0.8,   chosen
                       edges of 5-100 us or hard, ringing 3 V at most
set point              U 13.3-15.2 V                                               READ
irregularity           U 0-1 %, uneven U 1.5-5 %                                   MEMORY mid
drift                  U +-1.5 %, ramp U 10-40 % either way                        chosen
short, joint, leak     L 1-10 mohm, U 50-250 mohm, L 0.5-5 ohm                     MEMORY mid
weak phase             EMF U 60-85 % or U 8-25 % of turns shorted                  chosen
instrument             20 kS/s-1 MS/s, 8/10/12/16 bits, noise L 1-25 mV            chosen
record                 L 8-200 electrical cycles                                   chosen
sensor                 still or turning (L 120-1000 Hz), clean or contaminated     READ tooth counts; chosen
contamination          gain L 0.1-0.8, delay U 0-80 us (80 %), other paths 20 %    chosen
conditioner            adaptive 1/3 of peak (80 %), fixed threshold (20 %)         READ-2ND, MEMORY mid
=====================  ==========================================================  =============================

The full table stands in the documentation of the Rust module ``sixpulse_sim::draw``.

>>> import sixpulse
>>> scenario = sixpulse.Scenario.draw(seed=7, pattern="open_diode", electrical_hz=180.0, cycles=12)
>>> capture, truth = sixpulse.simulate(scenario)
>>> truth.pattern, round(truth.electrical_hz / 180.0, 1)
('open_diode', 1.0)
>>> capture["post"].role
'charging_post'
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal, Self, TypeAlias

from ._core import Capture, _sim
from ._refusals import need_text, wrong_type
from ._result import FloatArray, Result
from .errors import OutOfRangeError, WrongTypeError
from .results import Pattern

__all__ = [
    "FaultPlace",
    "OrderTransfer",
    "PointTruth",
    "Scenario",
    "SensorTruth",
    "Simulated",
    "TraceTruth",
    "Track",
    "Truth",
    "simulate",
    "simulate_family",
]

Fault: TypeAlias = Literal[
    "healthy",
    "open_diode",
    "shorted_diode",
    "open_phase",
    "two_open_same_rail",
    "two_open_opposite",
    "resistive_joint",
    "weak_phase",
    "leaking_diode",
    "not_charging",
    "custom",
]
Condition: TypeAlias = Literal["plain", "poor_battery", "switched_load", "uneven_engine", "ramp"]
Motion: TypeAlias = Literal["still", "turning"]
Purity: TypeAlias = Literal["clean", "contaminated"]

_SEED_LIMIT = 2**64


class Scenario:
    """Everything that a simulated capture depends on; immutable, comparable, hashable, picklable.

    Made by :meth:`draw`, :meth:`from_dict` or :meth:`from_json`; :meth:`replace` sets parameters by name.

    >>> import pickle, sixpulse
    >>> scenario = sixpulse.Scenario.draw(seed=1, pattern="healthy")
    >>> scenario == sixpulse.Scenario.from_json(scenario.to_json()) == pickle.loads(pickle.dumps(scenario))
    True
    >>> scenario.replace(bits=16).to_dict()["scope"]["bits"]
    16
    """

    __slots__ = ("_document", "_text")
    _document: dict[str, Any]
    _text: str

    def __init__(self) -> None:
        raise WrongTypeError(
            "Scenario: expected draw, from_dict or from_json, got a direct call",
            parameter="Scenario",
            expected="draw, from_dict or from_json",
            actual="a direct call",
        )

    @classmethod
    def _of(cls, text: str) -> Self:
        made = object.__new__(cls)
        object.__setattr__(made, "_text", text)
        object.__setattr__(made, "_document", json.loads(text))
        return made

    @classmethod
    def draw(cls, *, seed: int, pattern: str | None = None, member: int = 0, **overrides: object) -> Self:
        """Draw a scenario at random.

        Parameters
        ----------
        seed : int
            0 to 2**64 - 1; the same seed gives the same scenario on every platform.
        pattern : str, optional
            A pattern ("two_open_diodes", "imbalance"), a fault ("two_open_opposite", "resistive_joint") or a fault with
            a condition ("healthy_poor_battery", "open_diode_ramp"); drawn from the documented mix when not given.
        member : int
            Number within the family of scenarios that the seed names.
        **overrides
            ``electrical_hz`` (20 to 3000), ``system_v`` (12, 24), ``pulse_number`` (6, 12), ``sensor_mode`` ("absent",
            "clean_still", "clean_turning", "contaminated_still", "contaminated_turning"), ``sample_rate_hz``,
            ``cycles``, ``bits`` and ``coupling`` ("dc", "ac") steer the draw; any other name sets that parameter on
            what was drawn: a field of the scenario, a path with ``__`` between its parts, or the bare name of a field
            that occurs in one place only.

        Returns
        -------
        Scenario

        Raises
        ------
        UnknownNameError, OutOfRangeError, InvalidCombinationError, InvalidDocumentError, WrongTypeError
        """
        wishes = {**({} if pattern is None else {"pattern": pattern}), **overrides}
        return cls._of(_sim.scenario_draw(_seed("seed", seed), _seed("member", member), _json("overrides", wishes)))

    @classmethod
    def from_dict(cls, document: Mapping[str, Any]) -> Self:
        """Read the scenario that :meth:`to_dict` wrote.

        Raises
        ------
        InvalidDocumentError, UnknownNameError, OutOfRangeError, InvalidCombinationError
        """
        return cls.from_json(_json("document", document))

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Read the scenario that :meth:`to_json` wrote.

        Raises
        ------
        InvalidDocumentError, UnknownNameError, OutOfRangeError, InvalidCombinationError, WrongTypeError
        """
        if not isinstance(text, str):
            raise wrong_type("text", "a string", text)
        return cls._of(_sim.scenario_checked(need_text("text", text)))

    def replace(self, /, **values: object) -> Self:
        """Return the scenario with parameters set by name (the names of :meth:`draw` that set, not steer).

        Raises
        ------
        UnknownNameError, OutOfRangeError, InvalidCombinationError, InvalidDocumentError
        """
        return type(self)._of(_sim.scenario_set(self._text, _json("values", values)))

    def to_dict(self) -> dict[str, Any]:
        """Return the scenario as plain dicts, lists, numbers, strings and None (a copy)."""
        return copy.deepcopy(self._document)

    def to_json(self, *, indent: int | None = None) -> str:
        """Return the scenario as JSON text.

        Parameters
        ----------
        indent : int, optional
            Spaces per level; one line when not given.
        """
        return self._text if indent is None else json.dumps(self._document, indent=indent, ensure_ascii=False)

    @property
    def seed(self) -> int:
        """Seed of the family."""
        return int(self._document["seed"])

    @property
    def member(self) -> int:
        """Number within the family."""
        return int(self._document["member"])

    @property
    def sub_kind(self) -> str:
        """Fault and condition in one word, such as ``open_diode_ramp``."""
        fault, condition = self._document["fault"], self._document["condition"]
        return str(fault) if condition == "plain" else f"{fault}_{condition}"

    @property
    def duration_s(self) -> float:
        """Length of the record in seconds."""
        scope = self._document["scope"]
        return float(scope["samples"] / scope["sample_rate_hz"])

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"a Scenario is immutable; {name} is set with replace()")

    def __eq__(self, other: object) -> bool:
        return self._document == other._document if isinstance(other, Scenario) else NotImplemented

    def __hash__(self) -> int:
        return hash(self._text)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self).from_json, (self._text,)

    def __copy__(self) -> Self:
        return self

    def __deepcopy__(self, memo: object) -> Self:
        return self

    def __repr__(self) -> str:
        scope = self._document["scope"]
        return (
            f"Scenario(seed={self.seed}, member={self.member}, sub_kind='{self.sub_kind}', "
            f"samples={scope['samples']}, sample_rate_hz={scope['sample_rate_hz']:g})"
        )


@dataclass(frozen=True, eq=False, repr=False)
class FaultPlace(Result):
    """What is wrong at one place; the DC side cannot tell the place.

    Attributes
    ----------
    place : str
        "positive_diode", "negative_diode", "stator_lead" or "winding".
    phase : int
        0 to 2 (0 to 5 with two stators).
    what : str
        "open", "shorted", "leaking", "resistive", "intermittent", "broken", "short_to_case", "turn_short" or "weak".
    ohm : float or None
        Resistance, where one belongs to it.
    fraction : float or None
        EMF relative to nominal ("weak") or share of turns ("turn_short").
    """

    place: str
    phase: int
    what: str
    ohm: float | None
    fraction: float | None


@dataclass(frozen=True, eq=False, repr=False)
class Track(Result):
    """Electrical frequency over the record.

    Attributes
    ----------
    time_s, electrical_hz : ndarray
        At most 256 points spread evenly.
    """

    time_s: FloatArray
    electrical_hz: FloatArray


@dataclass(frozen=True, eq=False, repr=False)
class PointTruth(Result):
    """A supply voltage before the instrument.

    Attributes
    ----------
    mean_v, peak_to_peak_v, rms_v : float
        Mean, max - min, and r.m.s. about the mean over the record.
    synchronous_rms_v : float
        ``sqrt(sum c_n^2 / 2)`` over orders 1 to 24.
    order_amplitudes_v : ndarray
        Peak amplitudes c_1 ... c_24 in the angle domain over the record's whole cycles.
    """

    mean_v: float
    peak_to_peak_v: float
    rms_v: float
    synchronous_rms_v: float
    order_amplitudes_v: FloatArray


@dataclass(frozen=True, eq=False, repr=False)
class OrderTransfer(Result):
    """What was coupled into the sensor's line over the charging post's ripple, at one order.

    Attributes
    ----------
    order : int
    gain_v_per_v : float
        Ratio of the amplitudes, 0 or more, in the angle domain over the record's whole cycles.
    lag_rad : float
        Angle behind the charging post at that order, -pi to pi: ``2 pi order f delay`` for a plain delay.
    """

    order: int
    gain_v_per_v: float
    lag_rad: float


@dataclass(frozen=True, eq=False, repr=False)
class SensorTruth(Result):
    """The sensor's circuit.

    Attributes
    ----------
    role : str
        "speed_sensor" or "edge_sensor".
    motion : {"still", "turning"}
    purity : {"clean", "contaminated"}
    gain_v_per_v, delay_s : float or None
        Transfer from the charging post's ripple; None where it is no plain gain and delay (no delay when clean).
    order_transfer : tuple of OrderTransfer
        Transfer at every order up to 12 that the charging post carries with 2 % of its greatest order or more,
        whatever the path; empty when clean.
    own_frequency_hz, own_tooth_hz : float or None
        Mean frequency of the ring's places, and of the teeth that are there; None at standstill.
    own_peak_to_peak_v, own_rms_v, coupled_rms_v : float
        Own signal and coupled ripple.
    clean_indicated_hz, indicated_hz : float
        What the conditioner counts without and with the ripple; 0: nothing.
    indicated_pulses : int
        Pulses with the ripple.
    """

    role: str
    motion: Motion
    purity: Purity
    gain_v_per_v: float | None
    delay_s: float | None
    order_transfer: tuple[OrderTransfer, ...]
    own_frequency_hz: float | None
    own_tooth_hz: float | None
    own_peak_to_peak_v: float
    own_rms_v: float
    coupled_rms_v: float
    clean_indicated_hz: float
    indicated_hz: float
    indicated_pulses: int


@dataclass(frozen=True, eq=False, repr=False)
class TraceTruth(Result):
    """What the instrument did to a trace.

    Attributes
    ----------
    name : str
    step, offset : float
        Units per count, value of count 0.
    clipped : int
        Samples at either end of the converter.
    noise : float
        Standard deviation of the noise added.
    """

    name: str
    step: float
    offset: float
    clipped: int
    noise: float


@dataclass(frozen=True, eq=False, repr=False)
class Truth(Result):
    """What is true of a simulated capture: everything an analysis could be asked for.

    Attributes
    ----------
    schema_version : int
    library_version : str
    pattern : Pattern
        What an analysis should report.
    sub_kind, fault, condition : str
        Finer names of it.
    faults : tuple of FaultPlace
    pulse_number : int
        6 or 12.
    electrical_hz : float
        Mean over the record; ``electrical_track`` has it over time.
    electrical_track : Track
    engine_rpm, alternator_rpm : float
        Means over the record.
    pole_pairs : int
    post, battery : PointTruth
    attenuation : float or None
        1 - rms at the battery / rms at the charging post; None without ripple.
    bridge_current_a, battery_current_a : float
        Means; charging counts positive.
    sensor : SensorTruth or None
    traces : tuple of TraceTruth
    """

    schema_version: int
    library_version: str
    pattern: Pattern
    sub_kind: str
    fault: Fault
    condition: Condition
    faults: tuple[FaultPlace, ...]
    pulse_number: int
    electrical_hz: float
    electrical_track: Track
    engine_rpm: float
    alternator_rpm: float
    pole_pairs: int
    post: PointTruth
    battery: PointTruth
    attenuation: float | None
    bridge_current_a: float
    battery_current_a: float
    sensor: SensorTruth | None
    traces: tuple[TraceTruth, ...]

    _shown = ("pattern", "sub_kind", "electrical_hz", "pulse_number", "bridge_current_a")


@dataclass(frozen=True)
class Simulated:
    """A member of a family.

    Attributes
    ----------
    scenario : Scenario
    capture : Capture
    truth : Truth
    """

    scenario: Scenario
    capture: Capture
    truth: Truth


def simulate(scenario: Scenario) -> tuple[Capture, Truth]:
    """Simulate a scenario; the interpreter is free for other threads meanwhile.

    The time it takes goes with the time simulated, not with the samples: half a second or so of a processor for each
    second, at rates up to some 200 kHz. Scenarios end at 3600 s and 20 million samples.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    capture : Capture
        Traces ``post``, ``battery``, ``sensor``, ``charging_current``, ``battery_current``, as far as recorded.
    truth : Truth

    Raises
    ------
    AboveNyquistError
        The sample rate cannot hold the pulses, and aliases were not asked for (``undersampling="alias"``).
    InvalidCombinationError
        The fault named does not agree with what the alternator delivers.
    OutOfRangeError
        A parameter of the circuit is not physical.
    SixpulseError
        ``diverged``, ``event_storm``, ``energy_imbalance``: the solver returns no waveform rather than a wrong one.
    """
    if not isinstance(scenario, Scenario):
        raise wrong_type("scenario", "a Scenario", scenario)
    capture, truth = _sim.scenario_simulate(scenario.to_json())
    return capture, Truth.from_json(truth)


def simulate_family(
    *, seed: int, count: int, first: int = 0, pattern: str | None = None, **overrides: object
) -> Iterator[Simulated]:
    """Simulate members ``first`` to ``first + count - 1`` of a family, one after the other.

    Parameters
    ----------
    seed : int
        Names the family; members do not depend on one another, so ranges can be shared among processes or threads.
    count, first : int
        How many, and from where.
    pattern, **overrides
        As in :meth:`Scenario.draw`.

    Yields
    ------
    Simulated

    >>> import sixpulse
    >>> [made.truth.pattern for made in sixpulse.simulate_family(seed=3, count=2, pattern="healthy", cycles=8)]
    ['healthy', 'healthy']
    """
    wishes = _json("overrides", {**({} if pattern is None else {"pattern": pattern}), **overrides})
    for member in range(_seed("first", first), _seed("first", first) + _seed("count", count)):
        scenario, capture, truth = _sim.scenario_member(_seed("seed", seed), member, wishes)
        yield Simulated(Scenario._of(scenario), capture, Truth.from_json(truth))


def _seed(parameter: str, value: object) -> int:
    if isinstance(value, bool) or not hasattr(value, "__index__"):
        raise wrong_type(parameter, "a whole number", value)
    number = int(value.__index__())
    if not 0 <= number < _SEED_LIMIT:
        raise OutOfRangeError(
            f"{parameter}: expected 0 to 2**64 - 1, got {number}",
            parameter=parameter,
            expected="0 to 2**64 - 1",
            actual=float(number),
        )
    return number


def _json(parameter: str, value: object) -> str:
    try:
        return json.dumps(value, default=_number, allow_nan=False)
    except (TypeError, ValueError, RecursionError) as error:
        raise WrongTypeError(
            f"{parameter}: expected plain data with finite numbers ({error})",
            parameter=parameter,
            expected="plain data with finite numbers",
            actual=type(value).__name__,
        ) from None


def _number(value: object) -> object:
    """Turn NumPy scalars, NumPy arrays and mappings into plain data."""
    if isinstance(value, Mapping):
        return dict(value)
    plain = getattr(value, "tolist", None)
    if plain is None:
        raise TypeError(f"{type(value).__name__} is not plain data")
    return plain()
