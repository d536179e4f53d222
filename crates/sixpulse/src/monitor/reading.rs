//! What a monitor reports.

use std::borrow::Cow;

use super::tracker::Window;
use crate::contamination::ContaminationVerdict;
use crate::cycle::ORDERS;
use crate::examine::Examination;
use crate::rectifier::Pattern;
use crate::trace::words;

/// Orders this strong against the strongest one make the gain.
const STRONG_ORDER: f64 = 0.1;

/// Version of the layout of [`MonitorReading`].
pub const MONITOR_READING_VERSION: u32 = 1;

/// The newest figures. All of them cover the same samples: whole hops, the newest ending at `end_sample`.
///
/// Samples count from the first one ever pushed, those lost in gaps included.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct MonitorReading {
    /// [`MONITOR_READING_VERSION`]: which published JSON Schema the document follows.
    pub schema_version: u32,
    /// Samples pushed on each channel, and lost in gaps.
    pub position: u64,
    /// Time since the first sample, gaps included, seconds.
    pub time_s: f64,
    /// Index just behind the newest sample that the figures rest on.
    pub end_sample: u64,
    /// Age of that sample against the newest one pushed, seconds: less than one `update_interval_s`, but after a gap.
    pub age_s: f64,
    /// Length of the window, seconds: [`super::HOPS`] whole hops, as near to the setting as whole samples allow.
    pub window_s: f64,
    /// Part of the window that has come in since the start or the last gap, seconds.
    pub covered_s: f64,
    /// Time between two updates (a hop), seconds.
    pub update_interval_s: f64,
    /// Charging level.
    pub level: MonitorLevel,
    /// Ripple of the supply channel; `None` until a hop is complete.
    pub ripple: Option<MonitorRipple>,
    /// The electrical cycle, as followed from sample to sample.
    pub cycle: MonitorCycle,
    /// The verdict of the last judgement.
    pub rectifier: MonitorRectifier,
    /// Each circuit that is tested for the supply's ripple, by channel name.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub contamination: Vec<(String, MonitorContamination)>,
    /// Every channel by itself, by name.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub channels: Vec<(String, MonitorChannel)>,
    /// Events since construction; see [`super::Monitor::events`].
    pub event_count: u64,
    /// Gaps since construction.
    pub gap_count: u64,
    /// Samples lost in them.
    pub lost_samples: u64,
}

/// Charging level over the window.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct MonitorLevel {
    /// Name of the channel it is read on; empty where none carries a level.
    pub trace: String,
    /// Mean voltage over the window.
    pub mean_v: Option<f64>,
    /// Why there is none.
    pub reason: Option<Cow<'static, str>>,
}

/// Ripple over the window, under the definitions of [`crate::ripple::Ripple`].
///
/// `x` is the channel after the zero-phase AC coupling at 5 Hz, `U` its mean before it. The coupling's slow part is held
/// for a block of at most 4 ms; against [`crate::ripple::measure`] on the same samples `rms_v` agrees within 0.5 % and
/// `peak_to_peak_v` within 2 %, where the level steps or swings by no more than the ripple.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct MonitorRipple {
    /// `max(x) - min(x)`, volts.
    pub peak_to_peak_v: f64,
    /// `sqrt(mean(x^2))`, volts.
    pub rms_v: f64,
    /// `sqrt(sum c_n^2 / 2)` over the orders of the cycle; `None` while no cycle is followed.
    pub synchronous_rms_v: Option<f64>,
    /// `sqrt(rms_v^2 - synchronous_rms_v^2)`, 0 where the orders account for all; `None` while no cycle is followed.
    pub residual_rms_v: Option<f64>,
    /// `rms_v / |U|`; `None` when AC coupling hides `U`.
    pub rms_ripple_factor: Option<f64>,
    /// `peak_to_peak_v / |U|`; `None` when AC coupling hides `U`.
    pub peak_ripple_factor: Option<f64>,
    /// `max(|x|) / rms_v`; 0 without any ripple.
    pub crest_factor: f64,
}

/// The electrical cycle over the window.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct MonitorCycle {
    /// Mean frequency of the ripple's cycle over the cycles that ended in the window, hertz.
    pub electrical_hz: Option<f64>,
    /// What the loop has arrived at, hertz; its time constant is two to ten cycles, the more the ripple drowns in noise.
    pub latest_electrical_hz: Option<f64>,
    /// Whole cycles averaged.
    pub cycle_count: u64,
    /// Peak amplitudes of orders 1 to 24 (index 0 is order 1), volts, averaged as complex amplitudes over the cycles;
    /// shorter where the Nyquist frequency cuts it off, empty without a cycle.
    pub order_amplitudes_v: Vec<f64>,
    /// Standard uncertainty of each, from the scatter over the cycles.
    pub order_amplitudes_v_std: Vec<f64>,
    /// Why there is no cycle.
    pub reason: Option<Cow<'static, str>>,
}

/// What the last judgement said of the rectifier.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct MonitorRectifier {
    /// The verdict; `Undetermined` with a reason before the first judgement.
    pub pattern: Pattern,
    /// Probability of each pattern; all 0 before the first judgement.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub probabilities: Vec<(Pattern, f64)>,
    /// Electrical frequency that the verdict rests on, hertz.
    pub electrical_hz: Option<f64>,
    /// Index just behind the newest sample that was judged.
    pub end_sample: Option<u64>,
    /// Age of that sample against the newest one pushed, seconds.
    pub age_s: Option<f64>,
    /// Why the pattern is undetermined.
    pub reason: Option<Cow<'static, str>>,
}

/// What is known of the ripple in another circuit.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct MonitorContamination {
    /// Verdict of the last judgement; `Undetermined` before the first.
    pub verdict: ContaminationVerdict,
    /// Ripple transfer found by the last judgement, volts per volt.
    pub gain_v_per_v: Option<f64>,
    /// Delay found by the last judgement, seconds.
    pub delay_s: Option<f64>,
    /// What a pulse conditioner would count, by the last judgement, hertz.
    pub indicated_hz: Option<f64>,
    /// Frequency of the circuit's own signal, by the last judgement, hertz; `None` at standstill.
    pub own_frequency_hz: Option<f64>,
    /// R.m.s. of what moves with the supply's cycle in this circuit, over the window: `sqrt(sum c_n^2 / 2)`. Moving in
    /// step is no proof of a connection: the verdict is the judgement's.
    pub synchronous_rms_v: Option<f64>,
    /// Size of the circuit's orders against the supply's, over those with a tenth of the strongest or more, volts per
    /// volt, without sign: follows `gain_v_per_v` from hop to hop where the circuit is contaminated.
    pub synchronous_gain_v_per_v: Option<f64>,
}

/// One channel by itself, in its unit.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct MonitorChannel {
    /// Mean over the window; `None` for an AC-coupled channel, and until a hop is complete.
    pub mean: Option<f64>,
    /// `max - min` behind the zero-phase AC coupling at 5 Hz, over the window.
    pub peak_to_peak: Option<f64>,
    /// R.m.s. behind that coupling, over the window.
    pub rms: Option<f64>,
    /// Samples at or beyond the ends of the range, in the window.
    pub clipped_samples: u64,
    /// The same since construction (blocks that a gap cut short do not count).
    pub clipped_samples_total: u64,
}

/// Why a judgement is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum JudgementDue {
    /// The window is full for the first time since the start or the last gap.
    FirstWindow,
    /// The time set between judgements is over.
    Interval,
    /// The cycle that was followed is lost.
    CycleLost,
}
words!(JudgementDue, "judgement_due", "first_window" => JudgementDue::FirstWindow, "interval" => JudgementDue::Interval,
    "cycle_lost" => JudgementDue::CycleLost);

/// What a push did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Pushed {
    /// Samples pushed on each channel so far, and lost in gaps.
    pub position: u64,
    /// Hops that this push completed: the reading is new where it is not 0.
    pub updates: u64,
    /// Why [`super::Monitor::judge`] should be called, where it should.
    pub judgement_due: Option<JudgementDue>,
}

/// Kind of an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum EventKind {
    /// Samples are missing: window and cycle begin anew.
    Gap,
    /// Another sample rate: everything begins anew.
    RateChange,
    /// A cycle is followed from here on.
    CycleFound,
    /// The cycle that was followed is lost.
    CycleLost,
    /// A judgement names another pattern than the one before.
    PatternChanged,
}
words!(EventKind, "kind", "gap" => EventKind::Gap, "rate_change" => EventKind::RateChange,
    "cycle_found" => EventKind::CycleFound, "cycle_lost" => EventKind::CycleLost,
    "pattern_changed" => EventKind::PatternChanged);

/// Something that happened to the stream.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct MonitorEvent {
    /// Number of the event, from 0; a jump shows events that were dropped before they were read.
    pub sequence: u64,
    /// Sample at which it happened.
    pub at_sample: u64,
    /// What happened.
    pub kind: EventKind,
    /// Samples that are missing, for a gap.
    pub lost_samples: Option<u64>,
    /// The new pattern, for a change of pattern.
    pub pattern: Option<Pattern>,
    /// The frequency, for a cycle found, hertz; the new sample rate, for a change of rate.
    pub frequency_hz: Option<f64>,
}

const NOT_JUDGED: &str = "no window has been judged yet";
const NO_CYCLE: &str = "no cycle is followed: no judgement has found one yet";
const LOST: &str = "the cycle was lost; a judgement is needed to find it again";
const FEW_CYCLES: &str = "too few cycles since the cycle was found";
const FILLING: &str = "no hop is complete yet";
const HIDDEN: &str = "no channel at a supply post is DC-coupled";

/// Why no cycle is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoCycle {
    NotFound,
    Lost,
    FewCycles,
}

impl MonitorCycle {
    pub(super) fn empty() -> Self {
        Self {
            electrical_hz: None,
            latest_electrical_hz: None,
            cycle_count: 0,
            order_amplitudes_v: Vec::with_capacity(ORDERS),
            order_amplitudes_v_std: Vec::with_capacity(ORDERS),
            reason: Some(Cow::Borrowed(NO_CYCLE)),
        }
    }

    pub(super) fn clear(&mut self, why: NoCycle) {
        (self.electrical_hz, self.latest_electrical_hz, self.cycle_count) = (None, None, 0);
        self.order_amplitudes_v.clear();
        self.order_amplitudes_v_std.clear();
        self.reason = Some(Cow::Borrowed(match why {
            NoCycle::NotFound => NO_CYCLE,
            NoCycle::Lost => LOST,
            NoCycle::FewCycles => FEW_CYCLES,
        }));
    }

    /// `passed`: what the instrument's coupling lets through at a frequency. The lists have the capacity: no allocation.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count of cycles")]
    pub(super) fn fill(&mut self, window: &Window<'_>, passed: impl Fn(f64) -> f64) {
        self.clear(NoCycle::FewCycles);
        self.reason = None;
        self.electrical_hz = Some(window.electrical_hz);
        self.latest_electrical_hz = Some(window.latest_hz);
        self.cycle_count = window.cycles() as u64;
        for i in 0..window.used {
            let part = passed((i + 1) as f64 * window.electrical_hz);
            self.order_amplitudes_v.push(window.order(0, i).norm() / part);
            self.order_amplitudes_v_std.push(window.order_std(i) / part);
        }
    }

    fn mean_square(&self) -> Option<f64> {
        self.electrical_hz?;
        Some(self.order_amplitudes_v.iter().map(|c| 0.5 * c * c).sum())
    }
}

impl MonitorRipple {
    pub(super) fn new(figures: super::blocks::Figures, level: Option<f64>, cycle: &MonitorCycle) -> Self {
        let level = level.map(f64::abs).filter(|u| *u > 0.0);
        let synchronous = cycle.mean_square();
        Self {
            peak_to_peak_v: figures.peak_to_peak,
            rms_v: figures.rms,
            synchronous_rms_v: synchronous.map(f64::sqrt),
            residual_rms_v: synchronous.map(|s| (figures.rms * figures.rms - s).max(0.0).sqrt()),
            rms_ripple_factor: level.map(|u| figures.rms / u),
            peak_ripple_factor: level.map(|u| figures.peak_to_peak / u),
            crest_factor: if figures.rms > 0.0 { figures.peak / figures.rms } else { 0.0 },
        }
    }
}

impl MonitorRectifier {
    fn empty() -> Self {
        Self {
            pattern: Pattern::Undetermined,
            probabilities: Pattern::ALL.into_iter().map(|p| (p, 0.0)).collect(),
            electrical_hz: None,
            end_sample: None,
            age_s: None,
            reason: Some(Cow::Borrowed(NOT_JUDGED)),
        }
    }

    fn judged(&mut self, found: &Examination, end_sample: u64) {
        self.pattern = found.rectifier.pattern;
        self.probabilities.clone_from(&found.rectifier.probabilities);
        self.electrical_hz = found.cycle.electrical_hz;
        self.end_sample = Some(end_sample);
        self.reason = found.rectifier.reason.clone().map(Cow::Owned);
    }
}

impl MonitorContamination {
    fn empty() -> Self {
        Self {
            verdict: ContaminationVerdict::Undetermined,
            gain_v_per_v: None,
            delay_s: None,
            indicated_hz: None,
            own_frequency_hz: None,
            synchronous_rms_v: None,
            synchronous_gain_v_per_v: None,
        }
    }

    /// What the orders of lane `lane` say.
    pub(super) fn follow(&mut self, window: Option<&Window<'_>>, lane: usize) {
        let Some(window) = window else {
            (self.synchronous_rms_v, self.synchronous_gain_v_per_v) = (None, None);
            return;
        };
        let strongest = (0..window.used).map(|i| window.order(0, i).norm_sqr()).fold(0.0, f64::max);
        let (mut all, mut own, mut supply) = (0.0, 0.0, 0.0);
        for i in 0..window.used {
            let (c, s) = (window.order(lane, i).norm_sqr(), window.order(0, i).norm_sqr());
            all += c;
            if s >= STRONG_ORDER * STRONG_ORDER * strongest {
                own += c;
                supply += s;
            }
        }
        self.synchronous_rms_v = Some((0.5 * all).sqrt());
        self.synchronous_gain_v_per_v = (supply > 0.0).then(|| (own / supply).sqrt());
    }
}

impl MonitorChannel {
    const EMPTY: Self =
        Self { mean: None, peak_to_peak: None, rms: None, clipped_samples: 0, clipped_samples_total: 0 };

    pub(super) fn fill(&mut self, figures: Option<super::blocks::Figures>, has_level: bool) {
        self.mean = figures.filter(|_| has_level).map(|f| f.mean);
        self.peak_to_peak = figures.map(|f| f.peak_to_peak);
        self.rms = figures.map(|f| f.rms);
        self.clipped_samples = figures.map_or(0, |f| f.clipped as u64);
    }
}

impl MonitorLevel {
    pub(super) fn fill(&mut self, mean_v: Option<f64>) {
        self.mean_v = mean_v;
        self.reason = match (mean_v, self.trace.is_empty()) {
            (Some(_), _) => None,
            (None, true) => Some(Cow::Borrowed(HIDDEN)),
            (None, false) => Some(Cow::Borrowed(FILLING)),
        };
    }
}

impl MonitorReading {
    /// Nothing pushed yet.
    pub(super) fn empty(names: &[&str], circuits: &[&str], level: &str, (window_s, hop_s): (f64, f64)) -> Self {
        let mut level = MonitorLevel { trace: level.into(), mean_v: None, reason: None };
        level.fill(None);
        Self {
            schema_version: MONITOR_READING_VERSION,
            position: 0,
            time_s: 0.0,
            end_sample: 0,
            age_s: 0.0,
            window_s,
            covered_s: 0.0,
            update_interval_s: hop_s,
            level,
            ripple: None,
            cycle: MonitorCycle::empty(),
            rectifier: MonitorRectifier::empty(),
            contamination: circuits.iter().map(|n| ((*n).to_owned(), MonitorContamination::empty())).collect(),
            channels: names.iter().map(|n| ((*n).to_owned(), MonitorChannel::EMPTY)).collect(),
            event_count: 0,
            gap_count: 0,
            lost_samples: 0,
        }
    }

    /// Takes over what a judgement found.
    pub(super) fn judged(&mut self, found: &Examination, end_sample: u64) {
        self.rectifier.judged(found, end_sample);
        for (name, circuit) in &mut self.contamination {
            let Some((_, c)) = found.contamination.iter().find(|(n, _)| n == name) else { continue };
            circuit.verdict = c.verdict;
            circuit.gain_v_per_v = c.gain_v_per_v;
            circuit.delay_s = c.delay_s;
            circuit.indicated_hz = c.indicated_hz;
            circuit.own_frequency_hz = c.own_frequency_hz;
        }
    }
}

/// What a first-order AC coupling lets through at a frequency; all of it where the corner is not known.
pub(super) fn passed(corner_hz: Option<f64>, frequency_hz: f64) -> f64 {
    corner_hz.map_or(1.0, |corner| 1.0 / 1.0_f64.hypot(corner / frequency_hz))
}
