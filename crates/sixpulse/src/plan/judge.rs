//! What an instrument lacks, by how much, and what it can still show.

use super::{Feasibility, Instrument, Purpose, RAMP_S, Recording, Task, excursion_v, rate_for};
use crate::cycle::{FEWEST_CYCLES, HIGHEST_ELECTRICAL_HZ, LOWEST_ELECTRICAL_HZ};
use crate::quality::{COARSE_STEP_V, DROOP_CORNERS, LEAST_SAMPLES, LEAST_STEPS, NYQUIST_MARGIN, WANTED_CYCLES};
use crate::trace::{Coupling, words};

/// Stable code of a requirement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum RequirementCode {
    /// Highest sample rate against what the orders need.
    SampleRate,
    /// Cycles that memory holds.
    RecordLength,
    /// Largest range against a fault's excursion.
    FullScale,
    /// Steps that the smallest healthy ripple spans.
    Resolution,
    /// Lowest order in corners of the AC coupling.
    CouplingDroop,
    /// Channels: a second one shows another circuit.
    Channels,
    /// A DC-coupled range that holds the level.
    Level,
    /// The electrical frequencies that are searched.
    FrequencySpan,
    /// Seconds of a ramp that memory holds.
    Ramp,
}
words!(RequirementCode, "requirement", "sample_rate" => RequirementCode::SampleRate,
    "record_length" => RequirementCode::RecordLength, "full_scale" => RequirementCode::FullScale,
    "resolution" => RequirementCode::Resolution, "coupling_droop" => RequirementCode::CouplingDroop,
    "channels" => RequirementCode::Channels, "level" => RequirementCode::Level,
    "frequency_span" => RequirementCode::FrequencySpan, "ramp" => RequirementCode::Ramp);

/// Whether a requirement is met.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum RequirementOutcome {
    /// Met.
    Met,
    /// Not met; the pattern can be read all the same.
    Limited,
    /// Not met; the pattern cannot be read at every speed.
    Failed,
}
words!(RequirementOutcome, "outcome", "met" => RequirementOutcome::Met, "limited" => RequirementOutcome::Limited,
    "failed" => RequirementOutcome::Failed);

/// One requirement with its figure.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Requirement {
    /// Which.
    pub code: RequirementCode,
    /// Whether it is met.
    pub outcome: RequirementOutcome,
    /// What there is, in `unit`.
    pub value: f64,
    /// What is needed, in `unit`.
    pub needed: f64,
    /// Unit of both.
    pub unit: String,
    /// By what factor it falls short (above 1); `None` where it is met, and where next to nothing is there.
    pub short_by: Option<f64>,
    /// The same in words, with what would help where it is not met.
    pub statement: String,
}

/// What a capture can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum ViewCode {
    /// Amount of the ripple, as a voltmeter shows it.
    Meter,
    /// Charging level.
    Level,
    /// Orders 1 to 3, where failed diodes are loud.
    LowOrders,
    /// Rectifier pattern.
    Pattern,
    /// All orders asked for.
    AllOrders,
    /// Whether another circuit carries the ripple.
    Contamination,
    /// Charging post against battery post.
    Points,
    /// A ramp of speed.
    Ramp,
}
words!(ViewCode, "view", "meter" => ViewCode::Meter, "level" => ViewCode::Level, "low_orders" => ViewCode::LowOrders,
    "pattern" => ViewCode::Pattern, "all_orders" => ViewCode::AllOrders, "contamination" => ViewCode::Contamination,
    "points" => ViewCode::Points, "ramp" => ViewCode::Ramp);

/// One thing that the planned captures can show, or not.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct View {
    /// Which.
    pub code: ViewCode,
    /// True where it can be shown at every planned speed.
    pub available: bool,
    /// In words.
    pub statement: String,
}

use RequirementCode as Code;
use RequirementOutcome::{Failed, Limited, Met};

/// A figure that must be at least what is needed; `hard` is the bound below which no pattern is read.
fn at_least(code: Code, value: f64, needed: f64, hard: f64, unit: &str, statement: String) -> Requirement {
    let outcome = if value >= needed {
        Met
    } else if value >= hard {
        Limited
    } else {
        Failed
    };
    let short_by = (outcome != Met && value > 0.0).then(|| needed / value).filter(|by| by.is_finite());
    Requirement { code, outcome, value, needed, unit: unit.into(), short_by, statement }
}

pub(super) fn requirements(
    task: &Task,
    instrument: &Instrument,
    coupling: Coupling,
    recordings: &[Recording],
) -> Vec<Requirement> {
    let mut list = vec![
        sample_rate(task, instrument),
        record_length(recordings),
        full_scale(task, instrument, coupling),
        resolution(recordings),
        channels(instrument),
        level(task, instrument),
        frequency_span(task),
    ];
    if coupling == Coupling::Ac {
        list.extend(droop(task, instrument));
    }
    if task.engine_rpm.1 > task.engine_rpm.0 {
        list.push(ramp(task, instrument));
    }
    list
}

fn ripple(recordings: &[Recording]) -> impl Iterator<Item = &Recording> {
    recordings.iter().filter(|r| r.purpose == Purpose::Ripple)
}

fn highest_rate(instrument: &Instrument) -> f64 {
    instrument.sample_rates_hz().last().copied().unwrap_or(0.0)
}

fn sample_rate(task: &Task, instrument: &Instrument) -> Requirement {
    let (_, hz) = task.electrical_hz(task.engine_rpm.1);
    let rate = highest_rate(instrument);
    let pulses = task.machine.pulse_number();
    let (needed, hard) = (rate_for(task.highest_order, hz), rate_for(pulses, hz));
    let mut statement = format!(
        "{rate:.0} S/s at most; order {} at {hz:.0} Hz needs {needed:.0} S/s, order {pulses} needs {hard:.0} S/s.",
        task.highest_order
    );
    if rate < hard {
        let rpm = rate / hard * task.engine_rpm.1;
        statement += &format!(" Up to {rpm:.0} 1/min the pulses can be held.");
    }
    at_least(Code::SampleRate, rate, needed.max(hard), hard, "S/s", statement)
}

fn record_length(recordings: &[Recording]) -> Requirement {
    let cycles = ripple(recordings).map(|r| r.cycles).fold(f64::INFINITY, f64::min);
    let needed = WANTED_CYCLES + 1.0;
    let statement =
        format!("{cycles:.1} electrical cycles in the shortest record; {needed} are wanted (one is lost at the ends).");
    at_least(Code::RecordLength, cycles, needed, FEWEST_CYCLES as f64 + 1.0, "cycles", statement)
}

fn full_scale(task: &Task, instrument: &Instrument, coupling: Coupling) -> Requirement {
    let largest = instrument.ranges_v().last().copied().unwrap_or(0.0) * instrument.probe_attenuation();
    let needed = excursion_v(task, coupling);
    let statement = format!(
        "{largest} V at the tip in the largest range; a fault's ripple reaches {needed} V. A probe of higher attenuation widens the range."
    );
    at_least(Code::FullScale, largest, needed, needed, "V", statement)
}

/// Few steps limit; a step in which a failed diode may hide prevents.
fn resolution(recordings: &[Recording]) -> Requirement {
    let steps = ripple(recordings).filter_map(|r| r.expected.healthy_steps).fold(f64::INFINITY, f64::min);
    let coarsest = ripple(recordings).filter_map(|r| r.step_v).fold(0.0, f64::max);
    let steps = if steps.is_finite() { steps } else { 0.0 };
    let statement = format!(
        "The smallest healthy ripple spans {steps:.1} steps; {LEAST_STEPS} are wanted. In the range for faults a step is {:.1} mV.",
        1000.0 * coarsest
    );
    let hard = if coarsest > COARSE_STEP_V { f64::INFINITY } else { 0.0 };
    at_least(Code::Resolution, steps, LEAST_STEPS, hard, "steps", statement)
}

fn droop(task: &Task, instrument: &Instrument) -> Option<Requirement> {
    let corner = instrument.corner_at_tip_hz()?;
    let (hz, _) = task.electrical_hz(task.engine_rpm.0);
    let loss = 100.0 * (1.0 - 1.0 / (corner / hz).hypot(1.0));
    let statement = format!(
        "Order 1 at {hz:.0} Hz is {:.1} corners up and loses {loss:.1} %; a 10:1 probe lowers the corner tenfold.",
        hz / corner
    );
    Some(at_least(Code::CouplingDroop, hz / corner, DROOP_CORNERS, 0.0, "corners", statement))
}

fn channels(instrument: &Instrument) -> Requirement {
    let n = f64::from(instrument.channels());
    let statement =
        format!("{n} channel(s); a second one shows the disturbed circuit, or the battery, at the same moment.");
    at_least(Code::Channels, n, 2.0, 0.0, "channels", statement)
}

fn level(task: &Task, instrument: &Instrument) -> Requirement {
    let largest = instrument.ranges_v().last().copied().unwrap_or(0.0) * instrument.probe_attenuation();
    let needed = excursion_v(task, Coupling::Dc);
    let statement = format!(
        "{largest} V at the tip in the largest range; level and ripple together reach {needed} V. Without it read the level with a voltmeter."
    );
    at_least(Code::Level, largest, needed, 0.0, "V", statement)
}

fn frequency_span(task: &Task) -> Requirement {
    let (low, _) = task.electrical_hz(task.engine_rpm.0);
    let (_, high) = task.electrical_hz(task.engine_rpm.1);
    let statement = format!(
        "{low:.0} to {high:.0} Hz; {LOWEST_ELECTRICAL_HZ} to {HIGHEST_ELECTRICAL_HZ} Hz are searched. Change the speed to come inside."
    );
    let share = (low / LOWEST_ELECTRICAL_HZ).min(HIGHEST_ELECTRICAL_HZ / high);
    at_least(Code::FrequencySpan, share, 1.0, 1.0, "", statement)
}

fn ramp(task: &Task, instrument: &Instrument) -> Requirement {
    let (_, hz) = task.electrical_hz(task.engine_rpm.1);
    let need = rate_for(task.highest_order, hz);
    let rate = instrument.sample_rates_hz().iter().copied().find(|&r| r >= need);
    let seconds = rate.map_or(0.0, |r| instrument.memory_samples() as f64 / r);
    let statement = format!(
        "{seconds:.2} s fit into memory at the rate that the highest speed needs; a ramp takes {RAMP_S} s at least."
    );
    at_least(Code::Ramp, seconds, RAMP_S, 0.0, "s", statement)
}

pub(super) fn feasibility(requirements: &[Requirement]) -> Feasibility {
    let any = |outcome| requirements.iter().any(|r| r.outcome == outcome);
    match (any(Failed), any(Limited)) {
        (true, _) => Feasibility::NotPossible,
        (false, true) => Feasibility::Limited,
        (false, false) => Feasibility::Full,
    }
}

pub(super) fn views(
    task: &Task,
    instrument: &Instrument,
    requirements: &[Requirement],
    recordings: &[Recording],
) -> Vec<View> {
    let outcome = |code: Code| requirements.iter().find(|r| r.code == code).map_or(Failed, |r| r.outcome);
    let (_, hz) = task.electrical_hz(task.engine_rpm.1);
    let rate = highest_rate(instrument);
    let fits = outcome(Code::FullScale) == Met;
    let fine = outcome(Code::Resolution) != Failed;
    let meter = fits && fine && instrument.memory_samples() >= LEAST_SAMPLES;
    let pattern = ripple(recordings).all(|r| r.reads_pattern) && outcome(Code::FrequencySpan) == Met;
    let two = outcome(Code::Channels) == Met;
    let low_orders = fits && fine && NYQUIST_MARGIN * rate >= 3.0 * hz && outcome(Code::RecordLength) != Failed;
    let folded = if outcome(Code::SampleRate) == Failed {
        "Orders above half the sample rate fold into the picture: name no pattern from it."
    } else {
        "Failed diodes are loud there."
    };
    let view = |code, available, statement: &str| View { code, available, statement: statement.into() };
    vec![
        view(
            ViewCode::Meter,
            meter,
            "Amount of the ripple, r.m.s. and peak-to-peak, as an AC voltmeter shows it: it convicts nobody.",
        ),
        view(ViewCode::Level, outcome(Code::Level) == Met, "Charging level."),
        view(
            ViewCode::LowOrders,
            low_orders,
            &format!("Orders 1 to 3 by a spectrum or a fit at the known frequency. {folded}"),
        ),
        view(ViewCode::Pattern, pattern, "Rectifier pattern: healthy, open or shorted diode, open phase, imbalance."),
        view(
            ViewCode::AllOrders,
            pattern && outcome(Code::SampleRate) == Met,
            &format!("Orders 1 to {}.", task.highest_order),
        ),
        view(
            ViewCode::Contamination,
            pattern && two,
            "Whether another circuit carries the ripple, with gain and delay.",
        ),
        view(ViewCode::Points, pattern && two, "Charging post against battery post."),
        view(
            ViewCode::Ramp,
            pattern && outcome(Code::Ramp) == Met,
            "A ramp of speed: what moves with the machine and what does not.",
        ),
    ]
}
