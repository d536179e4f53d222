//! The main job: one capture in, one reasoned examination out.

use crate::angle::PhaseTrack;
use crate::compare::points::{self, Points};
use crate::contamination::{self, Contamination};
use crate::cycle::{self, Cycle, CycleHypothesis, FrequencyCandidate};
use crate::error::{Result, check_frequency};
use crate::findings::{self, Finding};
use crate::level;
use crate::levelled::Levelled;
use crate::quality::{self, CycleFacts, Quality};
use crate::rectifier::classify::{self, Judgement};
use crate::rectifier::{Pattern, Rectifier};
use crate::ripple::{self, Ripple};
use crate::severity::{self, RippleSeverity};
use crate::trace::{Capture, Machine, Role, Samples, Trace};

pub use crate::level::{Level, LevelVerdict};

/// Everything that one capture says.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Examination {
    /// Version of the layout of this result.
    pub schema_version: u32,
    /// Version of the library that made it.
    pub library_version: String,
    /// Parameters the analysis used, after defaults.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub parameters: Vec<(String, f64)>,
    /// Where the supply trace was taken; `None` without one.
    pub supply_role: Option<Role>,
    /// Fitness of the capture.
    pub quality: Quality,
    /// Charging level.
    pub level: Level,
    /// Ripple of the supply trace; `None` when there is no supply trace.
    pub ripple: Option<Ripple>,
    /// How much ripple that is, apart from what makes it; `None` when there is no supply trace.
    pub severity: Option<RippleSeverity>,
    /// The electrical cycle.
    pub cycle: Cycle,
    /// The verdict on the rectifier.
    pub rectifier: Rectifier,
    /// Each circuit tested for contamination, by trace name.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub contamination: Vec<(String, Contamination)>,
    /// Charging post against battery post; `None` when the battery's post was not captured.
    pub points: Option<Points>,
    /// The reasoned list a person reads, the most pressing first.
    pub findings: Vec<Finding>,
    /// Cautions that apply to the next tests.
    pub cautions: Vec<String>,
}

/// Version of the layout of [`Examination`].
pub const SCHEMA_VERSION: u32 = 1;
/// Corner of the AC coupling through which ripple is measured, hertz: low enough for every order, high enough to
/// take the regulator's slow swings out.
pub const RIPPLE_CORNER_HZ: f64 = 5.0;
/// Relative standard uncertainty of an electrical frequency that the user gives.
pub const GIVEN_FREQUENCY_STD: f64 = 0.03;
/// The same of one computed from engine speed, ratio and pole pairs: belt slip and a speed read by eye.
pub const COMPUTED_FREQUENCY_STD: f64 = 0.04;

/// What is known besides the capture.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ExamineOptions {
    /// What is known of the alternator.
    pub machine: Machine,
    /// Electrical frequency in hertz, where known (soft evidence with a standard uncertainty of 3 %).
    pub electrical_hz: Option<f64>,
}

/// Examines a capture: fitness, level, ripple, electrical cycle, rectifier pattern, contamination, measuring points,
/// and the reasoned list of findings.
///
/// ```
/// use sixpulse::examine::{ExamineOptions, examine};
/// use sixpulse::rectifier::Pattern;
/// use sixpulse::{Capture, Coupling, Role, Trace};
/// // Six equal pulses in each cycle of 200 Hz on 14 V, as an ideal bridge makes them.
/// let volts = (0..20_000).map(|i| {
///     let theta = 2.0 * std::f64::consts::PI * 200.0 * f64::from(i) / 50_000.0;
///     let phase = |k: f64| (theta - k * 2.0 * std::f64::consts::PI / 3.0).cos();
///     let (a, b, c) = (phase(0.0), phase(1.0), phase(2.0));
///     14.0 + a.max(b).max(c) - a.min(b).min(c)
/// });
/// let post = Trace::from_f64(volts.collect(), 50_000.0, Coupling::Dc, Role::ChargingPost)?;
/// let capture = Capture::new(vec![("post".into(), post)])?;
/// let examination = examine(&capture, &ExamineOptions::default())?;
/// let hz = examination.cycle.electrical_hz.unwrap_or(0.0);
/// assert!((hz - 200.0).abs() < 0.1, "{hz}");
/// # Ok::<(), sixpulse::Error>(())
/// ```
///
/// # Errors
/// [`crate::Error::OutOfRange`] or [`crate::Error::AboveNyquist`] for a given electrical frequency outside (0, half the
/// sample rate); [`crate::Error::TooShort`], or [`crate::Error::OutOfRange`] for the sample rate, where no ripple can be
/// measured on the record: it takes more than 40 samples per second.
pub fn examine(capture: &Capture, options: &ExamineOptions) -> Result<Examination> {
    if let Some(hz) = options.electrical_hz {
        check_frequency("electrical_hz", hz, capture.sample_rate_hz())?;
    }
    let assessed = quality::assess(capture, None);
    let level = level::judge(capture);
    let supply = quality::supply_trace(capture).and_then(|name| Some((name, capture.trace(name)?)));
    let reading = match supply {
        Some((name, trace)) => Some(read_supply(name, trace, capture, options)?),
        None => None,
    };
    let (cycle, rectifier, ripple, track) = match reading {
        Some(r) => (r.cycle, r.rectifier, Some(r.ripple), r.track),
        None => (no_supply_cycle(), no_supply_rectifier(), None, None),
    };
    let quality = match (&ripple, cycle.electrical_hz) {
        (Some(ripple), Some(electrical_hz)) => assessed.with_cycle(
            capture,
            CycleFacts {
                supply_trace: &ripple.trace,
                electrical_hz,
                ripple_peak_to_peak_v: ripple.peak_to_peak_v,
                lowest_order_hz: electrical_hz * lowest_order(&cycle),
            },
        ),
        _ => assessed,
    };
    let rectifier = if quality.usable { rectifier } else { unfit(rectifier, &quality) };
    let severity = supply.zip(ripple.as_ref()).map(|((_, trace), ripple)| {
        let pulses = options.machine.pulse_number();
        severity::judge(capture, trace.role(), level.system_v, ripple, &cycle, pulses)
    });
    let contamination = contamination_of(capture, supply, track.as_ref());
    let points = points::assess(capture, track.as_ref(), 0.0)?;
    let mut examination = Examination {
        schema_version: SCHEMA_VERSION,
        library_version: crate::VERSION.into(),
        parameters: parameters(capture, options),
        supply_role: supply.map(|(_, trace)| trace.role()),
        quality,
        level,
        ripple,
        severity,
        cycle,
        rectifier,
        contamination,
        points,
        findings: Vec::new(),
        cautions: Vec::new(),
    };
    examination.findings = findings::findings(&examination);
    examination.cautions = findings::cautions(&examination);
    Ok(examination)
}

/// What the supply trace says.
struct SupplyReading {
    cycle: Cycle,
    rectifier: Rectifier,
    ripple: Ripple,
    track: Option<PhaseTrack>,
}

fn read_supply(name: &str, trace: &Trace, capture: &Capture, options: &ExamineOptions) -> Result<SupplyReading> {
    if trace.len() < ripple::LEAST_SAMPLES {
        let (parameter, minimum) = (format!("traces[\"{name}\"]"), ripple::LEAST_SAMPLES);
        return Err(crate::Error::TooShort { parameter, minimum, actual: trace.len() });
    }
    // Told of the rate, which came from outside, and not of a corner that nobody gave.
    if trace.sample_rate_hz() <= 2.0 * cycle::SEARCH_CORNER_HZ {
        let expected = "more than 40 samples per second, for ripple is looked for from 20 Hz on";
        return Err(crate::Error::out_of_range("sample_rate_hz", expected, trace.sample_rate_hz()));
    }
    let SupplyVerdict { rectifier, chosen, candidates, no_cycle } = judge_supply(trace, capture, options)?;
    let cycle = match &chosen {
        Some(hypothesis) => Cycle::of(name, hypothesis, candidates),
        None => Cycle::none(name, &no_cycle, candidates),
    };
    let view = Levelled::new(trace, RIPPLE_CORNER_HZ)?;
    let ripple = ripple::measure(name, trace, &view, RIPPLE_CORNER_HZ, &cycle)?;
    Ok(SupplyReading { cycle, rectifier, ripple, track: chosen.map(|h| h.track) })
}

/// The electrical cycle of a capture's supply trace as [`examine`] finds it; `None` without a supply trace or a cycle.
///
/// # Errors
/// As [`examine`].
pub(crate) fn track_of(capture: &Capture, options: &ExamineOptions) -> Result<Option<PhaseTrack>> {
    if let Some(hz) = options.electrical_hz {
        check_frequency("electrical_hz", hz, capture.sample_rate_hz())?;
    }
    let Some(trace) = quality::supply_trace(capture).and_then(|name| capture.trace(name)) else { return Ok(None) };
    Ok(judge_supply(trace, capture, options)?.chosen.map(|h| h.track))
}

/// The verdict on a supply trace with the hypothesis it rests on.
struct SupplyVerdict {
    rectifier: Rectifier,
    chosen: Option<CycleHypothesis>,
    candidates: Vec<FrequencyCandidate>,
    /// Why no cycle is reported, where none is.
    no_cycle: String,
}

fn judge_supply(trace: &Trace, capture: &Capture, options: &ExamineOptions) -> Result<SupplyVerdict> {
    let expected_hz = expected_hz(capture, options);
    if let Some(reason) = too_few_cycles(trace, expected_hz) {
        let rectifier = Rectifier::undetermined(&reason);
        return Ok(SupplyVerdict { rectifier, chosen: None, candidates: Vec::new(), no_cycle: reason });
    }
    let (mut reading, judgement) = classify::read_and_judge(trace, options.machine.pulse_number(), expected_hz)?;
    let Judgement { rectifier, chosen, mut candidates } = judgement;
    let no_cycle = no_cycle_reason(rectifier.pattern).into();
    let chosen = chosen.map(|i| reading.hypotheses.swap_remove(i)).map(|mut hypothesis| {
        let judged_hz = hypothesis.electrical_hz();
        hypothesis.stretch(trace);
        // The candidate reported is this hypothesis.
        for candidate in candidates.iter_mut().filter(|c| c.electrical_hz == judged_hz) {
            candidate.electrical_hz = hypothesis.electrical_hz();
        }
        hypothesis
    });
    Ok(SupplyVerdict { rectifier, chosen, candidates, no_cycle })
}

/// Why a record is too short for the frequency that is known: a reading at any other frequency would contradict it.
fn too_few_cycles(trace: &Trace, expected_hz: Option<(f64, f64)>) -> Option<String> {
    let (hz, _) = expected_hz?;
    let cycles = hz * trace.duration_s();
    // One cycle is lost at the ends: the average is over whole cycles.
    let fewest = cycle::FEWEST_CYCLES as f64 + 1.0;
    (cycles < fewest).then(|| {
        format!(
            "the record holds {cycles:.1} electrical cycles of the {hz:.1} Hz that are known; {fewest:.0} are needed"
        )
    })
}

fn no_cycle_reason(pattern: Pattern) -> &'static str {
    match pattern {
        Pattern::NotCharging => "no ripple repeats in the supply trace: the alternator does not deliver",
        _ => "nothing in the supply trace repeats as a rectifier's ripple does",
    }
}

/// The frequency to expect, with its relative standard uncertainty: the one given, else the one that the engine speed
/// and what is known of the machine make.
fn expected_hz(capture: &Capture, options: &ExamineOptions) -> Option<(f64, f64)> {
    match options.electrical_hz {
        Some(hz) => Some((hz, GIVEN_FREQUENCY_STD)),
        None => {
            let hz = options.machine.electrical_hz(capture.engine_rpm()?)?;
            Some((hz, COMPUTED_FREQUENCY_STD))
        }
    }
}

/// Lowest order with at least a tenth of the strongest order's amplitude.
fn lowest_order(cycle: &Cycle) -> f64 {
    let strongest = cycle.order_amplitudes_v.iter().copied().fold(0.0, f64::max);
    cycle.order_amplitudes_v.iter().position(|&c| c >= 0.1 * strongest).map_or(1.0, |i| (i + 1) as f64)
}

fn no_supply_cycle() -> Cycle {
    Cycle::none("", "no voltage trace from the charging post or the battery", Vec::new())
}

fn no_supply_rectifier() -> Rectifier {
    Rectifier::undetermined("no voltage trace from the charging post or the battery")
}

/// A capture that is not fit to be read has no pattern, whatever the numbers say.
fn unfit(rectifier: Rectifier, quality: &Quality) -> Rectifier {
    let codes: Vec<&str> = quality
        .issues
        .iter()
        .filter(|i| i.impact == quality::QualityImpact::Prevents)
        .map(|i| i.code.as_str())
        .collect();
    let reason = format!("the capture is not fit to be read: {}", codes.join(", "));
    Rectifier {
        evidence: rectifier.evidence,
        sub_six_ratio: rectifier.sub_six_ratio,
        model_version: rectifier.model_version,
        ..Rectifier::undetermined(&reason)
    }
}

/// Tests every circuit of the capture against the supply trace.
fn contamination_of(
    capture: &Capture,
    supply: Option<(&str, &Trace)>,
    track: Option<&PhaseTrack>,
) -> Vec<(String, Contamination)> {
    let Some((_, supply)) = supply else { return Vec::new() };
    capture
        .traces()
        .iter()
        .filter(|(_, trace)| trace.role().is_sensor())
        .map(|(name, circuit)| {
            let result = match track {
                Some(track) => contamination::assess(circuit, supply, track),
                None => contamination::assess_untracked(circuit, supply),
            };
            (name.clone(), result)
        })
        .collect()
}

fn parameters(capture: &Capture, options: &ExamineOptions) -> Vec<(String, f64)> {
    let machine = options.machine;
    let mut list = vec![
        ("ripple_corner_hz".to_owned(), RIPPLE_CORNER_HZ),
        ("search_corner_hz".to_owned(), cycle::SEARCH_CORNER_HZ),
        ("pulse_number".to_owned(), f64::from(machine.pulse_number())),
    ];
    let given = [
        ("pole_pairs", machine.pole_pairs().map(f64::from)),
        ("pulley_ratio", machine.pulley_ratio()),
        ("engine_rpm", capture.engine_rpm()),
        ("battery_temperature_c", capture.battery_temperature_c()),
        ("electrical_hz", options.electrical_hz),
    ];
    list.extend(given.into_iter().filter_map(|(name, value)| Some((name.to_owned(), value?))));
    list
}
