"""A monitor for instruments that run all day: chunks of any size in, rolling figures out, in fixed memory.

:meth:`Monitor.push` takes the next samples of every channel and brings level, ripple, electrical frequency, order
amplitudes and the ripple in other circuits up to date; :meth:`Monitor.reading` gives the newest figures.
:meth:`Monitor.judge` runs the whole of :func:`sixpulse.examine` on the samples of the window; what it finds (rectifier
pattern, contamination) stands in the reading from then on, with its age, and the cycle it finds is followed from sample
to sample.

The stream is divided into hops, sixteen to a window, and figures are those of the last sixteen whole hops: how the
stream is cut into chunks does not matter. While a change lies inside the window, a verdict is that of a mixture; it
holds from one window, one hop and one interval between judgements after the change.

Threads: a monitor may be shared. One call at a time works on it, further ones wait; the interpreter is free meanwhile.
A chunk is taken whole, but the order of chunks from several threads is the threads' own business.

Examples
--------
Six equal pulses in each cycle of 200 Hz on 14 V, in chunks of 1000 samples:

>>> import numpy as np
>>> from sixpulse.monitor import Channel, Monitor
>>> theta = 2 * np.pi * 200 * np.arange(20_000) / 50_000
>>> phases = np.cos(theta - np.array([[0], [1], [2]]) * 2 * np.pi / 3)
>>> post = 14 + np.ptp(phases, axis=0)
>>> channels = {"post": Channel(role="charging_post", coupling="dc")}
>>> monitor = Monitor(channels, sample_rate_hz=50_000, window_s=0.2)
>>> for chunk in np.split(post, 20):
...     if monitor.push(post=chunk).judgement_due:
...         examination = monitor.judge()
>>> reading = monitor.reading()
>>> round(reading.level.mean_v, 2), round(reading.cycle.electrical_hz, 1), reading.cycle.cycle_count > 30
(15.65, 200.0, True)
>>> round(reading.ripple.peak_to_peak_v, 3), reading.age_s < reading.update_interval_s
(0.232, True)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NoReturn, TypeAlias

from numpy.typing import ArrayLike

from . import _core
from ._core import Capture, Machine
from ._refusals import need_text, wrong_type
from ._result import FloatArray, Result
from .errors import InvalidCombinationError, OutOfRangeError, UnknownNameError
from .results import ContaminationVerdict, Examination, Pattern, Role

__all__ = [
    "MONITOR_READING_VERSION",
    "Channel",
    "EventKind",
    "JudgementDue",
    "Monitor",
    "MonitorChannel",
    "MonitorContamination",
    "MonitorCycle",
    "MonitorEvent",
    "MonitorLevel",
    "MonitorReading",
    "MonitorRectifier",
    "MonitorRipple",
    "Pushed",
]

#: Version of the layout of :class:`MonitorReading`.
MONITOR_READING_VERSION = 1

JudgementDue: TypeAlias = Literal["first_window", "interval", "cycle_lost"]
EventKind: TypeAlias = Literal["gap", "rate_change", "cycle_found", "cycle_lost", "pattern_changed"]


@dataclass(frozen=True, kw_only=True)
class Channel:
    """One channel of the instrument; checked when a monitor is made of it.

    Attributes
    ----------
    role : Role
        Where the probe is.
    coupling : {"dc", "ac"}
        How the input is coupled.
    scale, offset : float or None
        For a channel that delivers counts of 16 bits: value = count * scale + offset. The window then keeps 2 bytes a
        sample. Without them the channel delivers values.
    dtype : {"float64", "float32"}
        For a channel that delivers values: how the window keeps them.
    coupling_corner_hz : float or None
        Corner of the instrument's AC coupling, hertz, where it is known (AC-coupled channels only).
    range : tuple of float, or None
        Lower and upper end of the input's range, in the channel's unit: samples at or beyond them count as clipped.
        Without it counts at the ends of 16 bits do, and values never.
    """

    role: Role
    coupling: Literal["dc", "ac"]
    scale: float | None = None
    offset: float | None = None
    dtype: Literal["float64", "float32"] = "float64"
    coupling_corner_hz: float | None = None
    range: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False, repr=False)
class Pushed(Result):
    """What a push did.

    Attributes
    ----------
    position : int
        Samples pushed on each channel so far, and lost in gaps.
    updates : int
        Hops that this push completed; the reading is new where it is not 0.
    judgement_due : JudgementDue or None
        Why :meth:`Monitor.judge` should be called, where it should.
    """

    position: int
    updates: int
    judgement_due: JudgementDue | None


@dataclass(frozen=True, eq=False, repr=False)
class MonitorEvent(Result):
    """Something that happened to the stream.

    Attributes
    ----------
    sequence : int
        Number of the event, from 0; a jump shows events that were dropped before they were read.
    at_sample : int
        Sample at which it happened.
    kind : EventKind
        "gap" (window and cycle begin anew), "rate_change" (everything does), "cycle_found", "cycle_lost", or
        "pattern_changed": a judgement names another pattern than the one before.
    lost_samples : int or None
        Samples that are missing, for a gap.
    pattern : Pattern or None
        The new pattern, for a change of pattern.
    frequency_hz : float or None
        The frequency for a cycle found, the new sample rate for a change of rate, hertz.
    """

    sequence: int
    at_sample: int
    kind: EventKind
    lost_samples: int | None
    pattern: Pattern | None
    frequency_hz: float | None


@dataclass(frozen=True, eq=False, repr=False)
class MonitorLevel(Result):
    """Charging level over the window.

    Attributes
    ----------
    trace : str
        Name of the channel it is read on; empty where none carries a level.
    mean_v : float or None
        Mean voltage over the window.
    reason : str or None
        Why there is none.
    """

    trace: str
    mean_v: float | None
    reason: str | None


@dataclass(frozen=True, eq=False, repr=False)
class MonitorRipple(Result):
    """Ripple of the supply channel over the window, under the definitions of :class:`sixpulse.results.Ripple`.

    Against :func:`sixpulse.examine` on the same samples ``rms_v`` agrees within 0.5 % and ``peak_to_peak_v`` within
    2 %, where the level steps or swings by no more than the ripple.

    Attributes
    ----------
    peak_to_peak_v : float
        max(x) - min(x), volts; x is the channel behind the zero-phase AC coupling at 5 Hz.
    rms_v : float
        sqrt(mean(x^2)), volts.
    synchronous_rms_v : float or None
        sqrt(sum c_n^2 / 2) over the orders of the cycle; None while no cycle is followed.
    residual_rms_v : float or None
        sqrt(rms_v^2 - synchronous_rms_v^2), 0 where the orders account for all.
    rms_ripple_factor, peak_ripple_factor : float or None
        rms_v and peak_to_peak_v over the mean; None when AC coupling hides it.
    crest_factor : float
        max(abs(x)) / rms_v; 0 without any ripple.
    """

    peak_to_peak_v: float
    rms_v: float
    synchronous_rms_v: float | None
    residual_rms_v: float | None
    rms_ripple_factor: float | None
    peak_ripple_factor: float | None
    crest_factor: float


@dataclass(frozen=True, eq=False, repr=False)
class MonitorCycle(Result):
    """The electrical cycle, as followed from sample to sample.

    Attributes
    ----------
    electrical_hz : float or None
        Mean frequency of the ripple's cycle over the cycles that ended in the window, hertz.
    latest_electrical_hz : float or None
        What the loop has arrived at, hertz; its time constant is two to ten cycles, more where the ripple is in noise.
    cycle_count : int
        Whole cycles averaged.
    order_amplitudes_v, order_amplitudes_v_std : numpy.ndarray, shape (n,), n at most 24
        Peak amplitudes of orders 1 to n, volts, and their standard uncertainties; empty without a cycle.
    reason : str or None
        Why there is no cycle.
    """

    electrical_hz: float | None
    latest_electrical_hz: float | None
    cycle_count: int
    order_amplitudes_v: FloatArray
    order_amplitudes_v_std: FloatArray
    reason: str | None


@dataclass(frozen=True, eq=False, repr=False)
class MonitorRectifier(Result):
    """What the last judgement said of the rectifier.

    Attributes
    ----------
    pattern : Pattern
        The verdict; "undetermined" with a reason before the first judgement.
    probabilities : dict of str to float
        Probability of each pattern; all 0 before the first judgement.
    electrical_hz : float or None
        Electrical frequency that the verdict rests on, hertz.
    end_sample : int or None
        Index just behind the newest sample that was judged.
    age_s : float or None
        Age of that sample against the newest one pushed, seconds.
    reason : str or None
        Why the pattern is undetermined.
    """

    pattern: Pattern
    probabilities: dict[str, float]
    electrical_hz: float | None
    end_sample: int | None
    age_s: float | None
    reason: str | None


@dataclass(frozen=True, eq=False, repr=False)
class MonitorContamination(Result):
    """What is known of the ripple in another circuit.

    Attributes
    ----------
    verdict : ContaminationVerdict
        Verdict of the last judgement; "undetermined" before the first.
    gain_v_per_v, delay_s, indicated_hz, own_frequency_hz : float or None
        Of the last judgement, as in :class:`sixpulse.results.Contamination`.
    synchronous_rms_v : float or None
        R.m.s. of what moves with the supply's cycle in this circuit, over the window, volts. Moving in step is no proof
        of a connection: the verdict is the judgement's.
    synchronous_gain_v_per_v : float or None
        Size of the circuit's orders against the supply's, over those with a tenth of the strongest or more, without
        sign: follows ``gain_v_per_v`` from hop to hop where the circuit is contaminated.
    """

    verdict: ContaminationVerdict
    gain_v_per_v: float | None
    delay_s: float | None
    indicated_hz: float | None
    own_frequency_hz: float | None
    synchronous_rms_v: float | None
    synchronous_gain_v_per_v: float | None


@dataclass(frozen=True, eq=False, repr=False)
class MonitorChannel(Result):
    """One channel by itself, in its unit.

    Attributes
    ----------
    mean : float or None
        Mean over the window; None for an AC-coupled channel, and until a hop is complete.
    peak_to_peak, rms : float or None
        Behind the zero-phase AC coupling at 5 Hz, over the window.
    clipped_samples : int
        Samples at or beyond the ends of the range, in the window.
    clipped_samples_total : int
        The same since construction.
    """

    mean: float | None
    peak_to_peak: float | None
    rms: float | None
    clipped_samples: int
    clipped_samples_total: int


@dataclass(frozen=True, eq=False, repr=False)
class MonitorReading(Result):
    """The newest figures. All of them cover the same samples: whole hops, the newest ending at ``end_sample``.

    Samples count from the first one ever pushed, those lost in gaps included.

    Attributes
    ----------
    schema_version : int
        Version of the layout: the published JSON Schema ``monitor_reading-1``.
    position : int
        Samples pushed on each channel, and lost in gaps.
    time_s : float
        Time since the first sample, gaps included, seconds.
    end_sample : int
        Index just behind the newest sample that the figures rest on.
    age_s : float
        Age of that sample against the newest one pushed, seconds: less than ``update_interval_s``, but after a gap.
    window_s : float
        Length of the window, seconds: as near to the setting as whole samples allow.
    covered_s : float
        Part of the window that has come in since the start or the last gap, seconds.
    update_interval_s : float
        Time between two updates (a hop, a sixteenth of the window), seconds.
    level : MonitorLevel
        Charging level.
    ripple : MonitorRipple or None
        Ripple of the supply channel; None until a hop is complete.
    cycle : MonitorCycle
        The electrical cycle.
    rectifier : MonitorRectifier
        The verdict of the last judgement.
    contamination : dict of str to MonitorContamination
        Each circuit that is tested for the supply's ripple, by channel name.
    channels : dict of str to MonitorChannel
        Every channel by itself, by name.
    event_count : int
        Events since construction.
    gap_count, lost_samples : int
        Gaps since construction, and the samples lost in them.
    """

    _shown = ("time_s", "age_s", "level", "ripple", "cycle", "rectifier")

    schema_version: int
    position: int
    time_s: float
    end_sample: int
    age_s: float
    window_s: float
    covered_s: float
    update_interval_s: float
    level: MonitorLevel
    ripple: MonitorRipple | None
    cycle: MonitorCycle
    rectifier: MonitorRectifier
    contamination: dict[str, MonitorContamination]
    channels: dict[str, MonitorChannel]
    event_count: int
    gap_count: int
    lost_samples: int

    _version = MONITOR_READING_VERSION


class Monitor:
    """Rolling figures of a stream of samples.

    Parameters
    ----------
    channels : mapping of str to Channel
        The channels by name. One at least is at the charging post or the battery post.
    sample_rate_hz : float
        Samples per second of every channel.
    window_s : float
        Length of the window, seconds: 0.1 to 60, and 256 to 10 million samples.
    machine : Machine, optional
        What is known of the alternator.
    electrical_hz : float, optional
        Electrical frequency in hertz, where known: evidence for judgements, as in :func:`sixpulse.examine`, and where
        the cycle is followed from the first sample on.
    engine_rpm, battery_temperature_c : float, optional
        Engine speed in 1/min and battery temperature in degrees Celsius, where known; both can be set later.
    judge_every_s : float, optional
        Seconds after which another judgement is due; one window when not given.
    time_tolerance_s : float, optional
        Seconds by which a time stamp may be off before it means a gap; two sample intervals when not given.

    Raises
    ------
    OutOfRangeError, AboveNyquistError, EmptyInputError, InvalidCombinationError, UnknownNameError, WrongTypeError

    Notes
    -----
    A monitor cannot be pickled or copied: it belongs to one stream.
    """

    __slots__ = ("_channels", "_core")

    def __init__(
        self,
        channels: Mapping[str, Channel],
        *,
        sample_rate_hz: float,
        window_s: float,
        machine: Machine | None = None,
        electrical_hz: float | None = None,
        engine_rpm: float | None = None,
        battery_temperature_c: float | None = None,
        judge_every_s: float | None = None,
        time_tolerance_s: float | None = None,
    ) -> None:
        """Allocate everything that pushing will need."""
        if not isinstance(channels, Mapping) or not all(isinstance(name, str) for name in channels):
            raise wrong_type("channels", "a mapping of name to Channel", channels)
        for name in channels:
            need_text("channels", name)
        self._channels = dict(channels)
        self._core = _core.Monitor(
            list(self._channels.items()),
            sample_rate_hz=sample_rate_hz,
            window_s=window_s,
            machine=machine,
            electrical_hz=electrical_hz,
            engine_rpm=engine_rpm,
            battery_temperature_c=battery_temperature_c,
            judge_every_s=judge_every_s,
            time_tolerance_s=time_tolerance_s,
        )

    @property
    def channels(self) -> dict[str, Channel]:
        """The channels by name."""
        return dict(self._channels)

    @property
    def sample_rate_hz(self) -> float:
        """Samples per second of every channel."""
        return self._core.sample_rate_hz()

    @property
    def buffer_bytes(self) -> int:
        """Bytes of the buffers that were allocated at construction; pushing adds none to them."""
        return self._core.buffer_bytes()

    @property
    def judgement_due(self) -> JudgementDue | None:
        """Why a judgement is due, where one is."""
        return self._core.judgement_due()

    def push(
        self,
        chunks: Mapping[str, ArrayLike] | None = None,
        /,
        *,
        start_s: float | None = None,
        sample_rate_hz: float | None = None,
        **named: ArrayLike,
    ) -> Pushed:
        """Take the next samples of every channel.

        Parameters
        ----------
        chunks : mapping of str to array_like, optional
            Samples by channel, for names that are no Python identifiers.
        start_s : float, optional
            Time of the first sample, seconds, on any clock that does not run backwards. Later than the end of the chunk
            before by more than the tolerance is a gap.
        sample_rate_hz : float, optional
            For sources that state their rate with every chunk: refused unless it is the monitor's.
        **named : array_like, shape (n,)
            Samples by channel name, or by role where one channel alone has it. All of the same length, which may be 0.

        Raises
        ------
        NonFiniteError
            A NaN or an infinity; ``index`` is its place in the chunk.
        LengthMismatchError, OutOfRangeError, RateMismatchError, MissingScaleError, InvalidCombinationError, ShapeError,
        UnknownNameError, WrongTypeError
            After any of these the monitor is as it was before.

        Examples
        --------
        >>> import numpy as np
        >>> channels = {"post": Channel(role="charging_post", coupling="dc", scale=0.001)}
        >>> monitor = Monitor(channels, sample_rate_hz=1e5, window_s=0.5)
        >>> monitor.push(charging_post=np.full(50_000, 14_100, dtype=np.int16))
        Pushed(position=50000, updates=15, judgement_due=None)
        >>> monitor.push(post=[14_100, 14_101]).position
        50002
        """
        given = {**(chunks or {}), **named}
        ordered = self._ordered(given)
        position, updates, due = self._core.push(ordered, start_s=start_s, sample_rate_hz=sample_rate_hz)
        return Pushed(position, updates, due)

    def _ordered(self, given: Mapping[str, ArrayLike]) -> list[ArrayLike]:
        """Sort chunks into the order of the channels."""
        found: dict[str, ArrayLike] = {}
        for key, samples in given.items():
            name = self._name(key)
            if name in found:
                reason = f'samples of channel "{name}" are given twice'
                raise InvalidCombinationError(f"chunks: {reason}", parameter="chunks", reason=reason)
            found[name] = samples
        missing = [name for name in self._channels if name not in found]
        if missing:
            reason = f"no samples for {', '.join(missing)}"
            raise InvalidCombinationError(f"chunks: {reason}", parameter="chunks", reason=reason)
        return [found[name] for name in self._channels]

    def _name(self, key: str) -> str:
        if key in self._channels:
            return key
        by_role = [name for name, channel in self._channels.items() if channel.role == key]
        if len(by_role) == 1:
            return by_role[0]
        expected = ", ".join(self._channels)
        message = f'chunks: expected one of {expected}, got "{key}"'
        raise UnknownNameError(message, parameter="chunks", expected=expected, actual=key)

    def gap(self, lost_samples: int) -> None:
        """Tell the monitor that samples are missing: the window begins anew behind them.

        The cycle is taken up again at the frequency it had; the last judgement stays, with its age.

        Parameters
        ----------
        lost_samples : int
            How many, 0 or more; 0 changes nothing.

        Raises
        ------
        OutOfRangeError, WrongTypeError
        """
        if not isinstance(lost_samples, int) or isinstance(lost_samples, bool):
            raise wrong_type("lost_samples", "a whole number", lost_samples)
        if not 0 <= lost_samples < 2**64:
            message = f"lost_samples: expected 0 to 2^64 - 1, got {lost_samples}"
            raise OutOfRangeError(message, parameter="lost_samples", expected="0 to 2^64 - 1", actual=lost_samples)
        self._core.gap(lost_samples)

    def change_rate(self, sample_rate_hz: float) -> None:
        """Go on at another sample rate: everything begins anew; positions, events and the last judgement stay.

        Parameters
        ----------
        sample_rate_hz : float
            Samples per second of every channel, from the next chunk on.
        """
        self._core.change_rate(sample_rate_hz)

    def reset(self) -> None:
        """Begin with another stream: positions, counters, events and the last judgement go; settings stay."""
        self._core.reset()

    def set_engine_rpm(self, engine_rpm: float | None) -> None:
        """Set the engine's speed from now on, 1/min; None where it is no longer known."""
        self._core.set_engine_rpm(engine_rpm)

    def set_battery_temperature_c(self, battery_temperature_c: float | None) -> None:
        """Set the battery's temperature from now on, degrees Celsius; None where it is no longer known."""
        self._core.set_battery_temperature_c(battery_temperature_c)

    def reading(self) -> MonitorReading:
        """Return the newest figures: those of the last whole hop, with their age."""
        return MonitorReading._from_core(self._core.reading())

    def judge(self) -> Examination:
        """Examine the window that the reading covers, and take the verdicts over into the reading.

        The cycle it finds is followed from the next hop on. Takes the time and the memory of one
        :func:`sixpulse.examine` of the window; chunks pushed meanwhile by other threads wait.

        Raises
        ------
        TooShortError
            Until a hop is complete.
        """
        return Examination._from_core(self._core.judge())

    def window(self) -> Capture:
        """Return the window that the reading covers, as a capture.

        Raises
        ------
        TooShortError
            Until a hop is complete.
        """
        return self._core.window()

    def events(self) -> tuple[MonitorEvent, ...]:
        """Return the newest events, the oldest first; 64 at most, those before are dropped."""
        return tuple(MonitorEvent._from_core(event) for event in self._core.events())

    def __repr__(self) -> str:
        names = ", ".join(f"'{name}': {channel.role}" for name, channel in self._channels.items())
        return f"Monitor({{{names}}}, sample_rate_hz={self.sample_rate_hz})"

    def __reduce__(self) -> NoReturn:
        raise wrong_type("Monitor", "something that can be pickled or copied (a monitor belongs to one stream)", self)
