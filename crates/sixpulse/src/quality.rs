//! Whether a capture is fit to be read, with coded reasons.
//!
//! [`assess`] looks at every trace by itself, and again, through [`Quality::with_cycle`], once the electrical cycle is
//! known. Only the trace the rectifier is read on can make a capture unusable; a clipped or broken sensor trace limits
//! what is said about that sensor and nothing else.
//!
//! | code | limit | why |
//! |---|---|---|
//! | `clipped` | three samples at the end of the 16-bit range; else a flat top: more than 3 times as many samples in the outermost level as in any of the next four, and more than its share of the record or most of them in runs of three or more | a smooth maximum leaves at most 1 / (sqrt 2 - 1) = 2.41 times as many in its outermost level, noise fewer. Above [`CLIPPED_PREVENTS`] of the record the orders are wrong by as much as soft faults are strong |
//! | `too_coarse` | ripple spans fewer than [`LEAST_STEPS`] steps | the step's own error, step / sqrt 12, is then above 7 % of the ripple. With fewer than 2 steps of more than [`COARSE_STEP_V`] even a failed diode may hide in one step |
//! | `undersampled` | order 6 above [`NYQUIST_MARGIN`] of the sample rate | the anti-alias margin usual for instruments is 2.5 samples a period; above it the order that carries the six pulses folds. Order 12 missing costs evidence only |
//! | `too_short` | fewer than [`WANTED_CYCLES`] electrical cycles; fewer than [`LEAST_CYCLES`] prevents | orders closer than one cycle resolve from two cycles on; the scatter over the cycles needs about eight |
//! | `dropout` | a run of 32 or more equal samples (16 without a quantiser) where elsewhere at most 5 % of the windows a quarter as long stand still; on a DC-coupled supply also runs of zeros entered and left in one jump | a run that the step and the slope explain is no rarity among windows of its size |
//! | `ac_coupled_level_unknown` | a supply trace is AC-coupled | the level is not in the samples |
//! | `low_order_droop` | lowest order present below [`DROOP_CORNERS`] corners | a first-order corner takes 1 % at 7.0 times its frequency: `1 - 1 / sqrt(1 + 1 / 7.0^2)` |
//! | `no_supply_trace` | no voltage from either post | ripple and cycle are read there |
//! | `flat` | all samples equal | a probe that is not connected looks so |

mod figures;

use crate::error::{Error, Result, check_positive};
use crate::trace::{Capture, Coupling, Role, Samples, Trace, words};

/// Share of clipped samples above which the rectifier pattern must not be read: 1 %.
pub const CLIPPED_PREVENTS: f64 = 0.01;
/// Share of held or lost samples above which the rectifier pattern must not be read: 5 %.
pub const DROPOUT_PREVENTS: f64 = 0.05;
/// Steps of the quantiser that the ripple should span.
pub const LEAST_STEPS: f64 = 4.0;
/// Step in volts above which a ripple of less than two steps may hide a failed diode. In simulated battery-fed 12 V
/// machines the weakest hard fault leaves 0.6 V peak-to-peak at the charging post.
pub const COARSE_STEP_V: f64 = 0.3;
/// Electrical cycles wanted in a record.
pub const WANTED_CYCLES: f64 = 8.0;
/// Electrical cycles without which no pattern is read.
pub const LEAST_CYCLES: f64 = 3.0;
/// Samples without which no electrical cycle is looked for: three cycles of at least 8 samples, with some to spare.
pub const LEAST_SAMPLES: usize = 64;
/// Highest usable frequency as a share of the sample rate.
pub const NYQUIST_MARGIN: f64 = 0.4;
/// Order 6 of a slow idle in hertz: 600 1/min, pulley ratio 1.8, six pole pairs.
pub const SLOWEST_ORDER_SIX_HZ: f64 = 648.0;
/// Lowest order present, in corners of the AC coupling, below which the droop passes 1 %.
pub const DROOP_CORNERS: f64 = 7.0;
/// Highest corner usual for the AC coupling of bench instruments, in hertz; for traces whose corner is not known.
pub const USUAL_CORNER_HZ: f64 = 10.0;

/// How much a quality issue matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum QualityImpact {
    /// Worth knowing; every result stands.
    Note,
    /// Some results are missing or less certain.
    Limits,
    /// The capture must not be read for its rectifier pattern.
    Prevents,
}
words!(QualityImpact, "impact", "note" => QualityImpact::Note, "limits" => QualityImpact::Limits,
    "prevents" => QualityImpact::Prevents);

/// The stable code of a quality issue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum QualityCode {
    /// Samples sit at the rails of the quantiser or range.
    Clipped,
    /// The ripple spans too few steps of the quantiser.
    TooCoarse,
    /// The sample rate is too low for the orders needed.
    Undersampled,
    /// Too few electrical cycles (or too few samples) in the record.
    TooShort,
    /// Runs of repeated samples, as a dropped buffer leaves them.
    Dropout,
    /// AC coupling hides the charging level.
    AcCoupledLevelUnknown,
    /// AC coupling attenuates the lowest order present by more than 1 %.
    LowOrderDroop,
    /// No voltage trace from the charging post or the battery.
    NoSupplyTrace,
    /// The trace does not move at all.
    Flat,
}
words!(QualityCode, "code",
    "clipped" => QualityCode::Clipped, "too_coarse" => QualityCode::TooCoarse,
    "undersampled" => QualityCode::Undersampled, "too_short" => QualityCode::TooShort,
    "dropout" => QualityCode::Dropout, "ac_coupled_level_unknown" => QualityCode::AcCoupledLevelUnknown,
    "low_order_droop" => QualityCode::LowOrderDroop, "no_supply_trace" => QualityCode::NoSupplyTrace,
    "flat" => QualityCode::Flat,
);

/// One coded reason why a capture is less than fit, with the figure and the limit it missed.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct QualityIssue {
    /// Stable code.
    pub code: QualityCode,
    /// How much it matters.
    pub impact: QualityImpact,
    /// Name of the trace; empty when it concerns the capture.
    pub trace: String,
    /// What was found, in one sentence with its numbers.
    pub statement: String,
    /// What to change before the next capture.
    pub remedy: String,
    /// The figure found.
    pub value: f64,
    /// The limit it is held against, in the same unit.
    pub limit: f64,
}

/// Figures of one trace.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct TraceQuality {
    /// Number of samples.
    pub sample_count: usize,
    /// Length in seconds.
    pub duration_s: f64,
    /// Samples per second.
    pub sample_rate_hz: f64,
    /// Smallest value, in the trace's unit.
    pub minimum: f64,
    /// Largest value.
    pub maximum: f64,
    /// Smallest difference between two values that occur, where the trace looks quantised.
    pub step: Option<f64>,
    /// log2 of (peak-to-peak / step): bits of the converter that the signal spans; `None` where no step shows.
    pub effective_bits: Option<f64>,
    /// Fraction of samples at the highest or lowest value when that looks like clipping, else 0.
    pub clipped_fraction: f64,
    /// Longest run of equal samples beyond what the step explains.
    pub longest_repeat: usize,
    /// Number of such runs (counted up to 256 for each doubling of their length).
    pub dropout_count: usize,
    /// Fraction of samples in such runs.
    pub dropout_fraction: f64,
}

/// Fitness of a capture.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Quality {
    /// False when an issue prevents reading the rectifier pattern.
    pub usable: bool,
    /// Coded reasons, the worst first.
    pub issues: Vec<QualityIssue>,
    /// Figures by trace name, in the order of the capture.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub traces: Vec<(String, TraceQuality)>,
    /// Electrical cycles in the record, once the electrical frequency is known.
    pub electrical_cycles: Option<f64>,
    /// Highest order below the Nyquist frequency, once the electrical frequency is known.
    pub highest_order: Option<u32>,
}

/// What the assessment needs to know of the electrical cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CycleFacts<'a> {
    /// Name of the trace the cycle was read on.
    pub supply_trace: &'a str,
    /// Mean electrical frequency, hertz, above 0.
    pub electrical_hz: f64,
    /// Peak-to-peak of the ripple after AC coupling, volts.
    pub ripple_peak_to_peak_v: f64,
    /// Frequency of the lowest order that stands clear of the noise, hertz.
    pub lowest_order_hz: f64,
}

impl<'a> CycleFacts<'a> {
    /// Facts from outside, checked: frequencies finite and above 0, the ripple finite and not below 0.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] naming the parameter.
    pub fn new(
        supply_trace: &'a str,
        electrical_hz: f64,
        ripple_peak_to_peak_v: f64,
        lowest_order_hz: f64,
    ) -> Result<Self> {
        check_positive("electrical_hz", electrical_hz)?;
        check_positive("lowest_order_hz", lowest_order_hz)?;
        if !(ripple_peak_to_peak_v.is_finite() && ripple_peak_to_peak_v >= 0.0) {
            let expected = "a finite number of 0 or more (volts)";
            return Err(Error::out_of_range("ripple_peak_to_peak_v", expected, ripple_peak_to_peak_v));
        }
        Ok(Self { supply_trace, electrical_hz, ripple_peak_to_peak_v, lowest_order_hz })
    }
}

/// Assesses a capture: every trace by itself, and against the electrical cycle where that is known.
///
/// ```
/// use sixpulse::quality::{QualityCode, assess};
/// use sixpulse::{Capture, Coupling, Role, Trace};
/// let volts: Vec<f64> = (0..5000).map(|i| (14.0 + (f64::from(i) * 0.15).sin()).min(14.6)).collect();
/// let post = Trace::from_f64(volts, 50_000.0, Coupling::Dc, Role::ChargingPost)?;
/// let quality = assess(&Capture::new(vec![("post".into(), post)])?, None);
/// assert_eq!(quality.issues[0].code, QualityCode::Clipped);
/// assert!(!quality.usable);
/// # Ok::<(), sixpulse::Error>(())
/// ```
#[must_use]
pub fn assess(capture: &Capture, cycle: Option<CycleFacts<'_>>) -> Quality {
    let traces = capture.traces().iter().map(|(name, trace)| (name.clone(), figures::figures(trace))).collect();
    judge(capture, traces, cycle)
}

impl Quality {
    /// The same assessment once the electrical cycle is known; the traces are not read again.
    ///
    /// `capture` is the one that was assessed.
    #[must_use]
    pub fn with_cycle(self, capture: &Capture, cycle: CycleFacts<'_>) -> Self {
        judge(capture, self.traces, Some(cycle))
    }
}

/// Step of a trace's converter, in the trace's unit; `None` where none shows.
#[must_use]
pub fn step(trace: &Trace) -> Option<f64> {
    trace.quantiser().map(|q| q.step)
}

/// Name of the trace on which the rectifier is read: the charging post before the battery post.
#[must_use]
pub fn supply_trace(capture: &Capture) -> Option<&str> {
    let by = |role| capture.by_role(role).map(|(name, _)| name);
    by(Role::ChargingPost).or_else(|| by(Role::BatteryPost))
}

fn judge(capture: &Capture, traces: Vec<(String, TraceQuality)>, cycle: Option<CycleFacts<'_>>) -> Quality {
    let supply = cycle.map(|c| c.supply_trace).or_else(|| supply_trace(capture));
    let mut issues = Vec::new();
    for ((name, trace), (_, figures)) in capture.traces().iter().zip(&traces) {
        let subject = Subject { name, trace, figures, is_supply: supply == Some(name.as_str()) };
        issues.extend(
            [clipped(&subject), dropout(&subject), flat(&subject), too_coarse(&subject, cycle), droop(&subject, cycle)]
                .into_iter()
                .flatten(),
        );
        issues.extend(level_hidden(&subject, capture));
    }
    issues.extend([undersampled(capture, cycle), too_short(capture, cycle), no_supply(capture)].into_iter().flatten());
    issues.sort_by_key(|issue| match issue.impact {
        QualityImpact::Prevents => 0,
        QualityImpact::Limits => 1,
        QualityImpact::Note => 2,
    });
    Quality {
        usable: issues.iter().all(|issue| issue.impact != QualityImpact::Prevents),
        issues,
        traces,
        electrical_cycles: cycle.map(|c| c.electrical_hz * duration_s(capture)),
        highest_order: cycle.map(|c| highest_order(capture.sample_rate_hz(), c.electrical_hz)),
    }
}

fn duration_s(capture: &Capture) -> f64 {
    capture.traces().first().map_or(0.0, |(_, trace)| trace.duration_s())
}

/// Highest order strictly below the Nyquist frequency.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a quotient of positive rates; saturates")]
fn highest_order(sample_rate_hz: f64, electrical_hz: f64) -> u32 {
    ((0.5 * sample_rate_hz / electrical_hz).ceil() - 1.0) as u32
}

/// One trace with its figures.
struct Subject<'a> {
    name: &'a str,
    trace: &'a Trace,
    figures: &'a TraceQuality,
    is_supply: bool,
}

impl Subject<'_> {
    /// Only the trace the rectifier is read on can prevent the reading.
    fn at_most(&self, impact: QualityImpact) -> QualityImpact {
        match impact {
            QualityImpact::Prevents if !self.is_supply => QualityImpact::Limits,
            other => other,
        }
    }

    fn issue(
        &self,
        code: QualityCode,
        impact: QualityImpact,
        (value, limit): (f64, f64),
        statement: String,
        remedy: &str,
    ) -> QualityIssue {
        let (trace, remedy) = (self.name.to_owned(), remedy.to_owned());
        QualityIssue { code, impact: self.at_most(impact), trace, statement, remedy, value, limit }
    }
}

fn prevents_if(condition: bool) -> QualityImpact {
    if condition { QualityImpact::Prevents } else { QualityImpact::Limits }
}

fn clipped(s: &Subject<'_>) -> Option<QualityIssue> {
    let share = s.figures.clipped_fraction;
    (share > 0.0).then(|| {
        let statement =
            format!("{:.2} % of the samples of \"{}\" lie cut off at the end of the range.", 100.0 * share, s.name);
        let remedy = "Choose a larger voltage range, or AC-couple the input so that the level does not fill it.";
        s.issue(QualityCode::Clipped, prevents_if(share >= CLIPPED_PREVENTS), (share, 0.0), statement, remedy)
    })
}

fn dropout(s: &Subject<'_>) -> Option<QualityIssue> {
    let f = s.figures;
    (f.dropout_count > 0).then(|| {
        let statement = format!(
            "\"{}\" stands still {} times where its signal cannot, for up to {} samples, {:.2} % of the record in all.",
            s.name,
            f.dropout_count,
            f.longest_repeat,
            100.0 * f.dropout_fraction
        );
        let remedy = "Capture into the instrument's memory instead of streaming, or lower the sample rate.";
        let impact = prevents_if(f.dropout_fraction > DROPOUT_PREVENTS);
        s.issue(QualityCode::Dropout, impact, (f.dropout_fraction, 0.0), statement, remedy)
    })
}

fn flat(s: &Subject<'_>) -> Option<QualityIssue> {
    let range = s.figures.maximum - s.figures.minimum;
    (range <= 0.0).then(|| {
        let statement = format!("All samples of \"{}\" are {} {}.", s.name, s.figures.minimum, s.trace.unit());
        let remedy = "Check that the probe is connected and the channel is on; choose a smaller range.";
        s.issue(QualityCode::Flat, QualityImpact::Prevents, (range, 0.0), statement, remedy)
    })
}

fn too_coarse(s: &Subject<'_>, cycle: Option<CycleFacts<'_>>) -> Option<QualityIssue> {
    if !s.trace.role().is_supply_voltage() {
        return None;
    }
    let step = s.figures.step?;
    let range_v = match cycle {
        Some(c) if s.is_supply => c.ripple_peak_to_peak_v,
        _ => s.figures.maximum - s.figures.minimum,
    };
    let steps = range_v / step;
    // Half a step of slack: the extremes of a quantised trace are whole steps apart, but for rounding.
    (steps < LEAST_STEPS - 0.5).then(|| {
        let statement = format!("The ripple of \"{}\" spans {steps:.1} steps of {:.1} mV each.", s.name, 1000.0 * step);
        let remedy = "AC-couple the input and choose a range that the ripple fills.";
        let impact = prevents_if(steps < 1.5 && step > COARSE_STEP_V);
        s.issue(QualityCode::TooCoarse, impact, (steps, LEAST_STEPS), statement, remedy)
    })
}

fn level_hidden(s: &Subject<'_>, capture: &Capture) -> Option<QualityIssue> {
    let is_ac_supply = |t: &Trace| t.role().is_supply_voltage() && t.coupling() == Coupling::Ac;
    is_ac_supply(s.trace).then(|| {
        let level_elsewhere =
            capture.traces().iter().any(|(_, t)| t.role().is_supply_voltage() && t.coupling() == Coupling::Dc);
        let impact = if level_elsewhere { QualityImpact::Note } else { QualityImpact::Limits };
        let statement = format!("AC coupling of \"{}\" hides the charging level.", s.name);
        let remedy = "Take a second capture with the input DC-coupled, or read the level with a voltmeter.";
        s.issue(QualityCode::AcCoupledLevelUnknown, impact, (0.0, 0.0), statement, remedy)
    })
}

fn droop(s: &Subject<'_>, cycle: Option<CycleFacts<'_>>) -> Option<QualityIssue> {
    let lowest_hz = cycle.filter(|_| s.is_supply && s.trace.coupling() == Coupling::Ac)?.lowest_order_hz;
    let known = s.trace.coupling_corner_hz();
    let corner_hz = known.unwrap_or(USUAL_CORNER_HZ);
    let corners = lowest_hz / corner_hz;
    (corners < DROOP_CORNERS).then(|| {
        let loss = 100.0 * (1.0 - 1.0 / (corner_hz / lowest_hz).hypot(1.0));
        let (impact, which) = match known {
            Some(_) => (QualityImpact::Limits, "the corner"),
            None => (QualityImpact::Note, "a usual corner (its own is not known)"),
        };
        let statement = format!(
            "AC coupling of \"{}\" takes {loss:.1} % of the lowest order at {lowest_hz:.1} Hz, with {which} of {corner_hz} Hz.",
            s.name
        );
        let remedy = "DC-couple the input, or read the amplitude of the lowest order with that correction.";
        s.issue(QualityCode::LowOrderDroop, impact, (corners, DROOP_CORNERS), statement, remedy)
    })
}

/// An issue of the capture as a whole.
fn whole(
    code: QualityCode,
    impact: QualityImpact,
    (value, limit): (f64, f64),
    statement: String,
    remedy: &str,
) -> QualityIssue {
    QualityIssue { code, impact, trace: String::new(), statement, remedy: remedy.into(), value, limit }
}

fn undersampled(capture: &Capture, cycle: Option<CycleFacts<'_>>) -> Option<QualityIssue> {
    let rate_hz = capture.sample_rate_hz();
    let highest_hz = NYQUIST_MARGIN * rate_hz;
    let remedy = "Raise the sample rate: 100 kS/s holds order 12 at any engine speed.";
    let six_hz = cycle.map_or(SLOWEST_ORDER_SIX_HZ, |c| 6.0 * c.electrical_hz);
    if six_hz > highest_hz {
        let at = if cycle.is_some() { "" } else { " of a slow idle" };
        let statement = format!("{rate_hz} S/s is too slow for order 6{at} at {six_hz:.0} Hz.");
        let figures = (rate_hz, six_hz / NYQUIST_MARGIN);
        return Some(whole(QualityCode::Undersampled, QualityImpact::Prevents, figures, statement, remedy));
    }
    let twelve_hz = 12.0 * cycle?.electrical_hz;
    (twelve_hz > highest_hz).then(|| {
        let statement = format!("{rate_hz} S/s is too slow for order 12 at {twelve_hz:.0} Hz.");
        let figures = (rate_hz, twelve_hz / NYQUIST_MARGIN);
        whole(QualityCode::Undersampled, QualityImpact::Limits, figures, statement, remedy)
    })
}

#[allow(clippy::cast_precision_loss, reason = "records are far shorter than 2^53 samples")]
fn too_short(capture: &Capture, cycle: Option<CycleFacts<'_>>) -> Option<QualityIssue> {
    let remedy = "Record for longer: 0.1 s holds eight cycles at any idle.";
    let samples = capture.traces().first().map_or(0, |(_, trace)| trace.len());
    if samples < LEAST_SAMPLES {
        let statement = format!("{samples} samples are too few to look for an electrical cycle.");
        let figures = (samples as f64, LEAST_SAMPLES as f64);
        return Some(whole(QualityCode::TooShort, QualityImpact::Prevents, figures, statement, remedy));
    }
    let cycles = cycle?.electrical_hz * duration_s(capture);
    (cycles < WANTED_CYCLES).then(|| {
        let statement = format!("The record holds {cycles:.1} electrical cycles; {WANTED_CYCLES} are wanted.");
        whole(QualityCode::TooShort, prevents_if(cycles < LEAST_CYCLES), (cycles, WANTED_CYCLES), statement, remedy)
    })
}

fn no_supply(capture: &Capture) -> Option<QualityIssue> {
    supply_trace(capture).is_none().then(|| {
        let statement = "No trace is the voltage of the charging post or the battery post.".to_owned();
        let remedy = "Put one probe on the alternator's output terminal, against the alternator's case.";
        whole(QualityCode::NoSupplyTrace, QualityImpact::Prevents, (0.0, 1.0), statement, remedy)
    })
}
