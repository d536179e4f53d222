"""Results as frozen classes: what :func:`sixpulse.examine` returns.

The classes mirror the structs of the Rust crate field by field. Units are SI and stand in the names (``_v``, ``_hz``,
``_s``); what could not be determined is ``None`` with a reason, never a NaN. Lists of numbers are read-only float64
arrays. Every result can be compared, hashed, pickled and turned into plain data: ``to_dict()``, ``to_json()``,
``from_dict()``, ``from_json()``; the layout is published as a JSON Schema (:mod:`sixpulse.schema`).
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from ._result import FloatArray, Result, frozen, short

__all__ = [
    "SCHEMA_VERSION",
    "Ambiguity",
    "AttenuationBasis",
    "BatteryCondition",
    "ClampDirection",
    "Contamination",
    "ContaminationVerdict",
    "Cycle",
    "DecidingTest",
    "EdgeDisturbance",
    "Evidence",
    "Examination",
    "Finding",
    "FloatArray",
    "FrequencyCandidate",
    "HealthyRange",
    "Impedance",
    "ImpedanceOrder",
    "Level",
    "LevelVerdict",
    "LimitBasis",
    "LimitComparison",
    "OrderTransfer",
    "Pattern",
    "Points",
    "PointsCode",
    "PointsNote",
    "PointsOrder",
    "PostEstimate",
    "Quality",
    "QualityCode",
    "QualityImpact",
    "QualityIssue",
    "Rectifier",
    "Result",
    "Ripple",
    "RippleAmount",
    "RippleSeverity",
    "Role",
    "Severity",
    "TraceQuality",
    "TransferPath",
]

#: Version of the layout this library writes and reads.
SCHEMA_VERSION = 1

Role: TypeAlias = Literal[
    "charging_post",
    "battery_post",
    "speed_sensor",
    "edge_sensor",
    "charging_current",
    "battery_current",
    "other",
]
DecidingTest: TypeAlias = Literal[
    "give_engine_speed",
    "measure_at_alternator",
    "finer_range",
    "raise_load",
    "probe_stator_terminal",
    "test_diodes",
]
BatteryCondition: TypeAlias = Literal["ordinary", "poor"]
LimitBasis: TypeAlias = Literal["standard", "common_practice"]
RippleAmount: TypeAlias = Literal["below_healthy", "usual", "as_with_poor_battery", "above_healthy"]
Pattern: TypeAlias = Literal[
    "healthy",
    "open_diode",
    "shorted_diode",
    "open_phase",
    "two_open_diodes",
    "imbalance",
    "not_charging",
    "undetermined",
]
LevelVerdict: TypeAlias = Literal["not_charging", "low", "within", "high", "unknown"]
ContaminationVerdict: TypeAlias = Literal["contaminated", "clean", "undetermined"]
AttenuationBasis: TypeAlias = Literal["orders", "record"]
ClampDirection: TypeAlias = Literal["forward", "reversed"]
PointsCode: TypeAlias = Literal[
    "measured_at_battery",
    "coupling_differs",
    "loads_in_parallel",
    "loads_left_out",
    "clamp_reversed",
    "clamp_delay",
    "current_unclear",
]
TransferPath: TypeAlias = Literal[
    "delay", "interpolated_delay", "first_order_lag", "first_order_high_pass", "second_order_lag", "band_pass"
]
Severity: TypeAlias = Literal["info", "warning", "fault"]
QualityImpact: TypeAlias = Literal["note", "limits", "prevents"]
QualityCode: TypeAlias = Literal[
    "clipped",
    "too_coarse",
    "undersampled",
    "too_short",
    "dropout",
    "ac_coupled_level_unknown",
    "low_order_droop",
    "no_supply_trace",
    "flat",
]


@frozen
class QualityIssue(Result):
    """One coded reason why a capture is less than fit, with the figure and the limit it missed.

    Attributes
    ----------
    code : QualityCode
        Stable code.
    impact : QualityImpact
        How much it matters: "note" (every result stands), "limits" (some results are missing or less certain),
        "prevents" (the capture must not be read for its rectifier pattern).
    trace : str
        Name of the trace; empty when it concerns the capture.
    statement : str
        What was found, in one sentence with its numbers.
    remedy : str
        What to change before the next capture.
    value : float
        The figure found.
    limit : float
        The limit it is held against, in the same unit.
    """

    code: QualityCode
    impact: QualityImpact
    trace: str
    statement: str
    remedy: str
    value: float
    limit: float

    _shown = ("code", "impact", "trace", "value", "limit")


@frozen
class TraceQuality(Result):
    """Figures of one trace.

    Attributes
    ----------
    sample_count : int
        Number of samples.
    duration_s : float
        Length in seconds.
    sample_rate_hz : float
        Samples per second.
    minimum : float
        Smallest value, in the trace's unit.
    maximum : float
        Largest value, in the trace's unit.
    step : float or None
        Smallest difference between two values that occur, where the trace looks quantised.
    effective_bits : float or None
        log2 of (peak-to-peak / step): bits of the converter that the signal spans; None where no step shows.
    clipped_fraction : float
        Fraction of samples at the highest or lowest value when that looks like clipping, else 0.
    longest_repeat : int
        Longest run of equal samples beyond what the step explains.
    dropout_count : int
        Number of such runs.
    dropout_fraction : float
        Fraction of samples in such runs.
    """

    sample_count: int
    duration_s: float
    sample_rate_hz: float
    minimum: float
    maximum: float
    step: float | None
    effective_bits: float | None
    clipped_fraction: float
    longest_repeat: int
    dropout_count: int
    dropout_fraction: float


@frozen
class Quality(Result):
    """Fitness of a capture.

    Attributes
    ----------
    usable : bool
        False when an issue prevents reading the rectifier pattern.
    issues : tuple of QualityIssue
        Coded reasons, the worst first.
    traces : dict of str to TraceQuality
        Figures by trace name, in the order of the capture.
    electrical_cycles : float or None
        Electrical cycles in the record, once the electrical frequency is known.
    highest_order : int or None
        Highest order below the Nyquist frequency, once the electrical frequency is known.
    """

    usable: bool
    issues: tuple[QualityIssue, ...]
    traces: dict[str, TraceQuality]
    electrical_cycles: float | None
    highest_order: int | None

    def _facts(self) -> list[tuple[str, str]]:
        codes = ", ".join(issue.code for issue in self.issues) or "none"
        return [
            ("usable", str(self.usable)),
            ("issues", codes),
            ("electrical_cycles", short(self.electrical_cycles)),
            ("highest_order", short(self.highest_order)),
        ]


@frozen
class Level(Result):
    """The charging level.

    Attributes
    ----------
    trace : str
        Name of the trace it was read on; empty when there is none.
    mean_v : float or None
        Mean voltage over the record; None when AC coupling hides it.
    system_v : float or None
        Nominal voltage of the system, 12 or 24, judged from the level.
    window_low_v : float or None
        Lower end of the usual window at that temperature.
    window_high_v : float or None
        Upper end of the usual window.
    temperature_c : float
        Battery temperature the window is for, degrees Celsius; 20 where none was given.
    verdict : LevelVerdict
        The comparison: "not_charging", "low", "within", "high", "unknown".
    reason : str or None
        Why the verdict is unknown, where it is.
    """

    trace: str
    mean_v: float | None
    system_v: float | None
    window_low_v: float | None
    window_high_v: float | None
    temperature_c: float
    verdict: LevelVerdict
    reason: str | None


@frozen
class Ripple(Result):
    """Ripple of one supply trace: the several ripple numbers, each under its own name, with standard uncertainties.

    ``x`` is the trace after the zero-phase AC coupling at ``corner_hz``, ``U`` the mean of the trace before it.

    Attributes
    ----------
    trace : str
        Name of the trace.
    corner_hz : float
        Corner of the AC coupling applied before measuring, in hertz.
    peak_to_peak_v : float
        max(x) - min(x) over the record, volts.
    peak_to_peak_v_std : float
        Standard uncertainty of it: quantiser step and noise at the two extremes.
    rms_v : float
        sqrt(mean(x^2)), volts.
    rms_v_std : float
        Standard uncertainty of it.
    synchronous_rms_v : float or None
        R.m.s. of the part that repeats with the electrical cycle, sqrt(sum c_n^2 / 2); None without a cycle.
    synchronous_rms_v_std : float or None
        Standard uncertainty of it.
    residual_rms_v : float or None
        R.m.s. of the rest, sqrt(rms^2 - synchronous_rms_v^2), with the rms of the whole cycles in the record; None
        without a cycle.
    residual_rms_v_std : float or None
        Standard uncertainty of it.
    synchronous_peak_to_peak_v : float or None
        max - min of the mean electrical cycle, volts: free of noise and of what does not repeat with the cycle.
    rms_ripple_factor : float or None
        rms_v / abs(U) (IEC 60050-161); None when AC coupling hides U.
    rms_ripple_factor_std : float or None
        Standard uncertainty of it.
    peak_ripple_factor : float or None
        peak_to_peak_v / abs(U) (IEC 60050-161: peak-ripple factor); None when AC coupling hides U.
    peak_ripple_factor_std : float or None
        Standard uncertainty of it.
    dc_ripple_factor : float or None
        peak_to_peak_v / (2 abs(U)) (IEC 60050-551); half the peak-ripple factor.
    pulsation_factor : float or None
        rms_v / sqrt(U^2 + rms_v^2) (IEC 60050-103).
    form_factor : float or None
        sqrt(U^2 + rms_v^2) / abs(U) (IEC 60050-551: DC form factor).
    crest_factor : float
        max(abs(x)) / rms_v.
    crest_factor_std : float
        Standard uncertainty of it.
    """

    trace: str
    corner_hz: float
    peak_to_peak_v: float
    peak_to_peak_v_std: float
    rms_v: float
    rms_v_std: float
    synchronous_rms_v: float | None
    synchronous_rms_v_std: float | None
    residual_rms_v: float | None
    residual_rms_v_std: float | None
    synchronous_peak_to_peak_v: float | None
    rms_ripple_factor: float | None
    rms_ripple_factor_std: float | None
    peak_ripple_factor: float | None
    peak_ripple_factor_std: float | None
    dc_ripple_factor: float | None
    pulsation_factor: float | None
    form_factor: float | None
    crest_factor: float
    crest_factor_std: float


@frozen
class FrequencyCandidate(Result):
    """One electrical frequency that fits the capture.

    Attributes
    ----------
    electrical_hz : float
        Mean electrical frequency over the record, hertz.
    probability : float
        Probability of this frequency, all patterns taken together (0 to 1).
    pattern : Pattern
        The pattern the capture would show at this frequency.
    """

    electrical_hz: float
    probability: float
    pattern: Pattern


@frozen
class Cycle(Result):
    """The electrical cycle found in the supply trace.

    Attributes
    ----------
    trace : str
        Name of the trace it was read on; empty when there is no supply trace.
    electrical_hz : float or None
        Mean electrical frequency over the record, hertz; None with a ``reason`` when no cycle was found.
    electrical_hz_std : float or None
        Standard uncertainty of it.
    reason : str or None
        Why no cycle was found.
    cycle_count : int
        Whole cycles averaged.
    order_amplitudes_v : ndarray
        Peak amplitudes of orders 1 to 24 (index 0 is order 1), volts; empty without a cycle. Orders above the Nyquist
        frequency are left out, so the array may be shorter.
    order_amplitudes_v_std : ndarray
        Standard uncertainty of each amplitude, from the scatter over the cycles.
    order_phases_rad : ndarray
        Phase of each order at the start of the mean cycle, radians (-pi to pi): order n is c_n cos(n theta + phase_n).
    order_dispersion_v : ndarray
        Standard deviation of each order's amplitude from cycle to cycle, volts.
    mean_cycle_v : ndarray
        Mean electrical cycle, 192 points of equal angle, volts, level removed; empty without a cycle.
    cycle_std_v : ndarray
        Standard deviation of the cycles about it, point by point.
    track_time_s : ndarray
        Times at which the track is given, seconds from the start of the record.
    track_electrical_hz : ndarray
        Electrical frequency at those times, hertz.
    speed_change : float or None
        (highest - lowest) / mean of the track.
    candidates : tuple of FrequencyCandidate
        What else fits, the most probable first; the first is the one reported.
    """

    trace: str
    electrical_hz: float | None
    electrical_hz_std: float | None
    reason: str | None
    cycle_count: int
    order_amplitudes_v: FloatArray
    order_amplitudes_v_std: FloatArray
    order_phases_rad: FloatArray
    order_dispersion_v: FloatArray
    mean_cycle_v: FloatArray
    cycle_std_v: FloatArray
    track_time_s: FloatArray
    track_electrical_hz: FloatArray
    speed_change: float | None
    candidates: tuple[FrequencyCandidate, ...]

    _shown = ("trace", "electrical_hz", "electrical_hz_std", "reason", "cycle_count", "speed_change")


@frozen
class LimitComparison(Result):
    """The ripple against one limit.

    Attributes
    ----------
    code : str
        Stable name of the limit.
    basis : LimitBasis
        What it rests on.
    source : str
        Where it is from, and how sure that is.
    quantity : str
        The field of :class:`Ripple` that is compared: ``rms_v`` or ``peak_to_peak_v``.
    value_v : float
        Its value, volts.
    limit_v : float
        The limit, volts.
    ratio : float
        Value / limit.
    exceeded : bool
        True above the limit.
    applies : bool
        False where the limit is meant for another measuring point: a limit for the alternator's post says nothing at
        the battery.
    """

    code: str
    basis: LimitBasis
    source: str
    quantity: str
    value_v: float
    limit_v: float
    ratio: float
    exceeded: bool
    applies: bool

    _shown = ("code", "value_v", "limit_v", "exceeded", "applies")


@frozen
class HealthyRange(Result):
    """The ripple that a sound machine makes, 90 % of simulated ones.

    Attributes
    ----------
    battery : BatteryCondition
        ``ordinary`` or ``poor``: the battery's condition that the range is for.
    low_v : float
        Lower end (5 % of simulated machines lie below), volts r.m.s.
    middle_v : float
        Middle, volts r.m.s.
    high_v : float
        Upper end (5 % lie above), volts r.m.s.
    """

    battery: BatteryCondition
    low_v: float
    middle_v: float
    high_v: float


@frozen
class RippleSeverity(Result):
    """How much ripple there is, apart from what makes it: the amount convicts no part.

    Attributes
    ----------
    system_v : float
        Nominal voltage of the system, 12 or 24.
    system_v_known : bool
        False where AC coupling hides the level: 12 V is then an assumption.
    charging_current_a : float or None
        Mean current of the bridge, amperes, where a DC-coupled current was captured.
    limits : tuple of LimitComparison
        The ripple against every limit.
    healthy_ranges : tuple of HealthyRange
        What sound machines make at this speed (and current, where known); empty without a cycle.
    amount : RippleAmount or None
        Where the ripple lies against them; None without a range.
    """

    system_v: float
    system_v_known: bool
    charging_current_a: float | None
    limits: tuple[LimitComparison, ...]
    healthy_ranges: tuple[HealthyRange, ...]
    amount: RippleAmount | None

    _shown = ("amount", "system_v", "charging_current_a")


@frozen
class Evidence(Result):
    """One figure that moved the verdict.

    Attributes
    ----------
    name : str
        Stable name of the figure, such as ``sub_six_ratio``.
    value : float
        Its value.
    unit : str
        Unit; empty for a ratio.
    weight : float
        How far it moved the verdict: natural logarithm of the odds for the pattern; positive speaks for it.
    statement : str
        The figure in a sentence.
    """

    name: str
    value: float
    unit: str
    weight: float
    statement: str

    _shown = ("name", "value", "unit", "weight")


@frozen
class Ambiguity(Result):
    """Another reading that the same capture allows, with the test that would decide.

    Attributes
    ----------
    pattern : Pattern
        The other pattern.
    electrical_hz : float or None
        The electrical frequency it would need, hertz.
    probability : float
        Its probability.
    test : DecidingTest
        Kind of the test that would decide.
    next_test : str
        The test that would decide, in a sentence.
    """

    pattern: Pattern
    electrical_hz: float | None
    probability: float
    test: DecidingTest
    next_test: str


@frozen
class Rectifier(Result):
    """The verdict on the rectifier.

    Attributes
    ----------
    pattern : Pattern
        The pattern.
    probabilities : dict of str to float
        Probability of every pattern; sums to 1.
    sub_kind : str or None
        Sub-kind that the shape suggests (same or opposite rail; resistive joint, weak phase or leak); never a phase or
        rail, which the DC side cannot tell.
    sub_six_ratio : float or None
        sqrt(c1^2 + ... + c5^2) / c6, the sub-six sum: below about 0.3 healthy, above about 6 a hard fault. None without
        a cycle, and of a machine with twelve pulses, whose order 6 is no measure: there ``sub_twelve_ratio`` stands in
        the evidence, sqrt(c1^2 + ... + c11^2) / c12, below about 0.5 healthy, from about 1.5 a hard fault.
    evidence : tuple of Evidence
        What moved the verdict, the strongest first.
    ambiguous_with : tuple of Ambiguity
        Other readings that the capture allows.
    reason : str or None
        Why the pattern is undetermined, where it is.
    test : DecidingTest or None
        The test that would decide, where the pattern is undetermined for want of information.
    model_version : str
        Version of the model that judged.
    """

    pattern: Pattern
    probabilities: dict[str, float]
    sub_kind: str | None
    sub_six_ratio: float | None
    evidence: tuple[Evidence, ...]
    ambiguous_with: tuple[Ambiguity, ...]
    reason: str | None
    test: DecidingTest | None
    model_version: str

    def _facts(self) -> list[tuple[str, str]]:
        probability = self.probabilities.get(self.pattern)
        return [
            ("pattern", repr(self.pattern)),
            ("probability", short(probability)),
            ("sub_kind", short(self.sub_kind)),
            ("sub_six_ratio", short(self.sub_six_ratio)),
            ("ambiguous_with", ", ".join(other.pattern for other in self.ambiguous_with) or "none"),
        ]


@frozen
class OrderTransfer(Result):
    """Transfer from the supply to the circuit at one order.

    Attributes
    ----------
    order : int
        The order.
    frequency_hz : float
        Its mean frequency, hertz.
    supply_v : float
        Peak amplitude in the supply trace, volts.
    circuit_v : float
        Peak amplitude in the circuit's trace, volts.
    gain : float
        Gain, circuit / supply.
    gain_std : float
        Standard uncertainty of it, volts per volt; the 95 % interval is 1.96 of them to either side.
    phase_rad : float
        Phase of the circuit against the supply, radians; negative lags.
    delay_s : float
        Delay that the phase means, seconds, of all that differ by whole periods the one nearest to the common delay.
    delay_s_std : float
        Standard uncertainty of it, seconds; at most that of a phase of which nothing is known.
    relative_std : float
        Standard uncertainty of the complex transfer, relative to the gain; at most 1000.
    agrees : bool
        Whether the order by itself shows the common transfer.
    coherence : float or None
        Magnitude-squared coherence of the two traces at it (0 to 1); None for a record too short for it.
    coherence_threshold : float or None
        Coherence that unrelated noise exceeds with 1 % probability at the averages at hand.
    """

    order: int
    frequency_hz: float
    supply_v: float
    circuit_v: float
    gain: float
    gain_std: float
    phase_rad: float
    delay_s: float
    delay_s_std: float
    relative_std: float
    agrees: bool
    coherence: float | None
    coherence_threshold: float | None


@frozen
class EdgeDisturbance(Result):
    """What the ripple does to the edges of a switched circuit.

    Attributes
    ----------
    low_v : float
        Lower level, volts (median).
    high_v : float
        Upper level, volts (median).
    upper_threshold_v : float
        Upper threshold of the assumed input, volts: the middle and 15 % of the swing above it.
    lower_threshold_v : float
        Lower threshold, volts: as much below the middle.
    edges : int
        Edges as captured, rising and falling.
    edges_without_ripple : int
        Edges once the ripple is taken out.
    moved_rms_s : float or None
        R.m.s. shift of an edge by the ripple, seconds; None when no edge has a counterpart.
    moved_most_s : float or None
        Largest shift, seconds.
    ripple_peak_v : float
        Largest excursion of the ripple, volts.
    margin_low_v : float
        Room left on the lower level, volts: upper threshold - level - ripple. Negative: false edges.
    margin_high_v : float
        Room left on the upper level, volts: level - ripple - lower threshold.
    """

    low_v: float
    high_v: float
    upper_threshold_v: float
    lower_threshold_v: float
    edges: int
    edges_without_ripple: int
    moved_rms_s: float | None
    moved_most_s: float | None
    ripple_peak_v: float
    margin_low_v: float
    margin_high_v: float


@frozen
class Contamination(Result):
    """What a circuit carries of the ripple.

    Attributes
    ----------
    verdict : ContaminationVerdict
        "contaminated", "clean" (down to the detectable gain) or "undetermined".
    reason : str
        Why, in a sentence with the numbers.
    gain_v_per_v : float or None
        Ripple transfer supply to circuit, volts per volt, signed by polarity; None when clean or undetermined.
    gain_v_per_v_std : float or None
        Standard uncertainty of it.
    delay_s : float or None
        Delay of the circuit behind the supply, seconds.
    delay_s_std : float or None
        Standard uncertainty of it.
    path : TransferPath or None
        How the ripple travels: "delay" (the same waveform, later), "interpolated_delay" (the same between two samples
        on a straight line), "first_order_lag" (through a low-pass of that time constant), "first_order_high_pass"
        (through a high-pass of that time constant: stray capacitance or mutual inductance), "second_order_lag" and
        "band_pass" (the same two with a low-pass of the second time constant behind them; the gain of a band-pass is
        its largest); None when clean or undetermined.
    coupling_corner_hz : float or None
        Corner in hertz by which the two traces' AC coupling differs, as fitted or given: positive where the supply's
        is higher, 0 for equal couplings; None when clean or undetermined.
    explained_fraction : float
        Fraction of the circuit's AC power explained by the supply's ripple (0 to 1).
    detectable_gain_v_per_v : float or None
        Gain the test could have seen at the orders listed, volts per volt; a clean verdict holds down to here. Where
        noise sets it, of gains that large one half is seen, of gains a third larger nearly all. Of what the supply
        does between the orders and below 0.2 of the first it says nothing.
    orders : tuple of OrderTransfer
        The transfer order by order, where the supply's order stands clear of its noise.
    own_frequency_hz : float or None
        Frequency of the circuit's own signal after the ripple is taken out, hertz; None at standstill. A line that
        follows one of the supply's within twice the path's gain (1 V/V where the verdict is open) is none of the
        circuit's own.
    own_peak_to_peak_v : float
        Peak-to-peak of the circuit's own signal, volts.
    indicated_hz : float or None
        Frequency that a pulse conditioner would count on the trace as captured, hertz (0: it counts nothing). The
        instrument's broadband noise is left out; for a switched circuit a pulse is an edge.
    ripple_rms_v : float or None
        R.m.s. of the ripple in the circuit, volts; None when clean or undetermined.
    residual_rms_v : float
        R.m.s. of what is left of the circuit once the ripple is taken out, volts: own signal and noise.
    gain_drift : float or None
        Change of the gain over the record, relative to the gain (0.1: it grows by a tenth); None where none can be told
        from the scatter. The subtraction follows it.
    own_detection_limit_v : float
        Peak amplitude that a steady tone of the circuit's own would need to be found, volts: what "at standstill" holds
        down to.
    indicated_without_ripple_hz : float or None
        Frequency that the conditioner would count once the ripple is taken out, hertz.
    ripple_margin : float or None
        Factor on the ripple at which the count becomes false: above 1 how much more it takes, below 1 how far the
        ripple would have to fall. None where no ripple was found, or none up to 64 times as large changes the count.
    edges : EdgeDisturbance or None
        What the ripple does to the edges; None unless the circuit is a switched one (role "edge_sensor").
    second_time_constant_s : float or None
        The shorter of the time constants of a path that has two, seconds, the longer being ``delay_s``; None for
        others. Documents of earlier versions do not have it.
    """

    verdict: ContaminationVerdict
    reason: str
    gain_v_per_v: float | None
    gain_v_per_v_std: float | None
    delay_s: float | None
    delay_s_std: float | None
    path: TransferPath | None
    coupling_corner_hz: float | None
    explained_fraction: float
    detectable_gain_v_per_v: float | None
    orders: tuple[OrderTransfer, ...]
    own_frequency_hz: float | None
    own_peak_to_peak_v: float
    indicated_hz: float | None
    ripple_rms_v: float | None
    residual_rms_v: float
    gain_drift: float | None
    own_detection_limit_v: float
    indicated_without_ripple_hz: float | None
    ripple_margin: float | None
    edges: EdgeDisturbance | None
    second_time_constant_s: float | None = None

    _shown = ("verdict", "gain_v_per_v", "delay_s", "explained_fraction", "own_frequency_hz", "indicated_hz")


@frozen
class PointsNote(Result):
    """Something to bear in mind with a comparison of points.

    Attributes
    ----------
    code : PointsCode
        Stable code.
    statement : str
        What it means here, in a sentence with its numbers.
    """

    code: PointsCode
    statement: str


@frozen
class PointsOrder(Result):
    """One order at both posts.

    Attributes
    ----------
    order : int
        The order.
    frequency_hz : float
        Its mean frequency, hertz.
    post_v : float
        Peak amplitude at the charging post, volts.
    battery_v : float
        Peak amplitude at the battery, volts.
    gain : float
        Magnitude of the complex ratio battery / post.
    gain_std : float
        Standard uncertainty of it.
    gain_low : float
        Lower end of its 95 % interval; not below 0.
    gain_high : float
        Upper end of its 95 % interval.
    phase_rad : float
        Phase of the battery against the post, radians; negative lags.
    phase_rad_std : float
        Standard uncertainty of it.
    impedance_ratio : float or None
        Magnitude of Z_cable / Z_battery = 1 / H - 1, H the complex ratio; None where the battery shows nothing clear
        of its noise.
    impedance_ratio_std : float or None
        Standard uncertainty of it.
    impedance_ratio_phase_rad : float or None
        Angle of Z_cable / Z_battery, radians.
    """

    order: int
    frequency_hz: float
    post_v: float
    battery_v: float
    gain: float
    gain_std: float
    gain_low: float
    gain_high: float
    phase_rad: float
    phase_rad_std: float
    impedance_ratio: float | None
    impedance_ratio_std: float | None
    impedance_ratio_phase_rad: float | None

    _shown = ("order", "frequency_hz", "post_v", "battery_v", "gain", "phase_rad")


@frozen
class ImpedanceOrder(Result):
    """An impedance at one order.

    Attributes
    ----------
    order : int
        The order.
    frequency_hz : float
        Its mean frequency, hertz.
    current_a : float
        Peak amplitude of the current, amperes.
    magnitude_ohm : float
        Magnitude of voltage / current, ohm.
    magnitude_ohm_std : float
        Standard uncertainty of it.
    phase_rad : float
        Angle of voltage / current, radians; positive: inductive.
    phase_rad_std : float
        Standard uncertainty of it.
    """

    order: int
    frequency_hz: float
    current_a: float
    magnitude_ohm: float
    magnitude_ohm_std: float
    phase_rad: float
    phase_rad_std: float

    _shown = ("order", "frequency_hz", "magnitude_ohm", "phase_rad")


@frozen
class Impedance(Result):
    """An impedance over the ripple's orders.

    Attributes
    ----------
    current : str
        Name of the trace with the current.
    clamp : ClampDirection
        Which way round the clamp sat: "forward" (charging counts positive) or "reversed" (the sign was turned).
    resistance_ohm : float
        Resistance, ohm.
    resistance_ohm_std : float
        Standard uncertainty of it.
    resistance_ohm_low : float
        Lower end of its 95 % interval.
    resistance_ohm_high : float
        Upper end of its 95 % interval.
    inductance_h : float
        Inductance, henry.
    inductance_h_std : float
        Standard uncertainty of it.
    inductance_h_low : float
        Lower end of its 95 % interval.
    inductance_h_high : float
        Upper end of its 95 % interval.
    capacitance_f : float or None
        Series capacitance, farad, where it shows (the battery's charge transfer, at the lowest orders).
    orders : tuple of ImpedanceOrder
        The orders whose current stands clear of its noise.
    """

    current: str
    clamp: ClampDirection
    resistance_ohm: float
    resistance_ohm_std: float
    resistance_ohm_low: float
    resistance_ohm_high: float
    inductance_h: float
    inductance_h_std: float
    inductance_h_low: float
    inductance_h_high: float
    capacitance_f: float | None
    orders: tuple[ImpedanceOrder, ...]

    _shown = ("current", "resistance_ohm", "resistance_ohm_std", "inductance_h", "inductance_h_std", "capacitance_f")


@frozen
class PostEstimate(Result):
    """What the charging post would show, from a reading at the battery.

    Attributes
    ----------
    rms_low_v : float
        Least ripple r.m.s. at the post, volts.
    rms_high_v : float
        Greatest ripple r.m.s. at the post, volts.
    rms_middle_v : float
        Ripple r.m.s. with every impedance at the (geometric) middle of its range, volts.
    attenuation_low : float
        Least attenuation (battery / post) of that range.
    attenuation_high : float
        Greatest attenuation (battery / post) of that range.
    basis : str
        What the range rests on, in a sentence.
    """

    rms_low_v: float
    rms_high_v: float
    rms_middle_v: float
    attenuation_low: float
    attenuation_high: float
    basis: str


@frozen
class Points(Result):
    """Charging post against battery post.

    Attributes
    ----------
    post : str or None
        Name of the charging-post trace; None when the ripple was read at the battery alone.
    battery : str
        Name of the battery-post trace.
    post_rms_v : float or None
        Ripple r.m.s. at the charging post, volts, level removed.
    battery_rms_v : float
        Ripple r.m.s. at the battery, volts, level removed.
    attenuation : float or None
        How much of the ripple the battery lets through: ripple r.m.s. at the battery / at the charging post, of the
        orders of the electrical cycle, or of the whole record (see `attenuation_basis`); None with a `reason`.
    attenuation_std : float or None
        Standard uncertainty of it.
    attenuation_low : float or None
        Lower end of its 95 % interval; not below 0.
    attenuation_high : float or None
        Upper end of its 95 % interval.
    attenuation_basis : AttenuationBasis or None
        What it was formed from: "orders" (the alternator's ripple alone) or "record" (no electrical cycle was found:
        noise and switched loads count).
    impedance_ratio : float or None
        Ripple r.m.s. along the cable (post - battery, order by order) / at the battery: the series impedance of cable
        and return against the battery's, weighted by the ripple; None without orders at both posts.
    impedance_ratio_std : float or None
        Standard uncertainty of it.
    reason : str or None
        Why the attenuation is missing, or rests on the record alone.
    orders : tuple of PointsOrder
        The orders that stand clear of the noise at the charging post.
    battery_impedance : Impedance or None
        Impedance of the battery, where a current was captured.
    cable_impedance : Impedance or None
        Impedance of the cable with its joints and the return, where a current and both voltages were captured.
    post_estimate : PostEstimate or None
        What the post would show, where the ripple was read at the battery alone.
    notes : tuple of PointsNote
        What to bear in mind.
    """

    post: str | None
    battery: str
    post_rms_v: float | None
    battery_rms_v: float
    attenuation: float | None
    attenuation_std: float | None
    attenuation_low: float | None
    attenuation_high: float | None
    attenuation_basis: AttenuationBasis | None
    impedance_ratio: float | None
    impedance_ratio_std: float | None
    reason: str | None
    orders: tuple[PointsOrder, ...]
    battery_impedance: Impedance | None
    cable_impedance: Impedance | None
    post_estimate: PostEstimate | None
    notes: tuple[PointsNote, ...]

    _shown = ("post", "battery", "attenuation", "attenuation_std", "impedance_ratio", "reason")


@frozen
class Finding(Result):
    """One finding.

    Attributes
    ----------
    code : str
        Stable code, such as ``rectifier_open_diode``.
    severity : Severity
        How pressing it is: "info", "warning" (needs a look), "fault".
    statement : str
        What was found, in a sentence.
    evidence : tuple of str
        The figures it rests on, a sentence each.
    next_test : str or None
        The next test, where one follows.
    """

    code: str
    severity: Severity
    statement: str
    evidence: tuple[str, ...]
    next_test: str | None

    _shown = ("code", "severity", "statement")


@frozen
class Examination(Result):
    """Everything that one capture says.

    Attributes
    ----------
    schema_version : int
        Version of the layout of this result.
    library_version : str
        Version of the library that made it.
    parameters : dict of str to float
        Parameters the analysis used, after defaults.
    supply_role : Role or None
        Where the supply trace was taken; None without one.
    quality : Quality
        Fitness of the capture.
    level : Level
        Charging level.
    ripple : Ripple or None
        Ripple of the supply trace; None when there is no supply trace.
    severity : RippleSeverity or None
        How much ripple that is, apart from what makes it; None when there is no supply trace.
    cycle : Cycle
        The electrical cycle.
    rectifier : Rectifier
        The verdict on the rectifier.
    contamination : dict of str to Contamination
        Each circuit tested for contamination, by trace name.
    points : Points or None
        Charging post against battery post; None when the battery's post was not captured.
    findings : tuple of Finding
        The reasoned list a person reads, the most pressing first.
    cautions : tuple of str
        Cautions that apply to the next tests.
    """

    schema_version: int
    library_version: str
    parameters: dict[str, float]
    supply_role: Role | None
    quality: Quality
    level: Level
    ripple: Ripple | None
    severity: RippleSeverity | None
    cycle: Cycle
    rectifier: Rectifier
    contamination: dict[str, Contamination]
    points: Points | None
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...]

    _version = SCHEMA_VERSION

    def _facts(self) -> list[tuple[str, str]]:
        probability = self.rectifier.probabilities.get(self.rectifier.pattern)
        facts = [
            ("pattern", f"{self.rectifier.pattern!r} (probability {short(probability)})"),
            ("usable", str(self.quality.usable)),
            ("level", f"{short(self.level.mean_v)} V, {self.level.verdict!r}"),
            ("electrical_hz", short(self.cycle.electrical_hz)),
            ("ripple", "None" if self.ripple is None else f"{short(self.ripple.peak_to_peak_v)} V peak-to-peak"),
        ]
        facts += [(f"contamination[{name!r}]", repr(one.verdict)) for name, one in self.contamination.items()]
        facts.append(("findings", ", ".join(finding.code for finding in self.findings) or "none"))
        return facts
