//! Planning a capture: from the machine and the instrument to the settings, or to what the instrument lacks.
//!
//! # What a capture must hold, and why
//! | requirement | rule | from |
//! |---|---|---|
//! | sample rate | highest order wanted x electrical frequency <= 0.4 x rate; for the pattern alone the pulse number | sampling theorem (Shannon 1949) with the margin of [`NYQUIST_MARGIN`] |
//! | record length | [`WANTED_CYCLES`] cycles and one that is lost at the ends; below [`FEWEST_CYCLES`] + 1 nothing is averaged | [`crate::quality`], [`crate::cycle`] |
//! | range | a hard fault's highest excursion, [`fault_peak_v`], on top of the level where DC-coupled | simulated faults |
//! | resolution | the smallest healthy ripple spans [`LEAST_STEPS`] steps | [`crate::severity::healthy_range`] |
//! | coupling | order 1 at the lowest speed is [`crate::quality::DROOP_CORNERS`] corners up | first-order high-pass, 1 % |
//!
//! # Formulae
//! - electrical frequency: `engine_rpm / 60 x pulley ratio x pole pairs`;
//! - step at the probe's tip: `2 full scale x attenuation / 2^bits`; its noise `step / sqrt 12` (IEEE Std 1057, ideal
//!   converter, from memory), true where other noise spreads the codes or the ripple crosses many of them;
//! - standard uncertainty of an order's amplitude over `N` samples: `noise sqrt(2 / N)`; of the electrical frequency
//!   `sqrt(24 noise^2 / (N (N^2 - 1) p^2 c_p^2)) rate / 2 pi`, the Cramer-Rao bounds of a sine of order `p` (Rife and
//!   Boorstyn, IEEE Trans. IT-20, 1974, from memory). They are floors: a wandering speed adds its own.

mod advice;
mod instrument;
mod judge;

pub use advice::{Connection, Place};
pub use instrument::Instrument;
pub use judge::{Requirement, RequirementCode, RequirementOutcome, View, ViewCode};

use crate::cycle::{FEWEST_CYCLES, ORDERS};
use crate::error::{Error, Result};
use crate::quality::{LEAST_STEPS, NYQUIST_MARGIN, WANTED_CYCLES};
use crate::severity::{BatteryCondition, healthy_range};
use crate::trace::{Coupling, Machine, words};

/// Cycles aimed at where memory allows: below 12 the frequency is less certain, from 30 on it is not
/// (`docs/validation-rectifier.md`).
pub const AIMED_CYCLES: f64 = 100.0;
/// Cycles for which a higher sample rate is given up.
const GOOD_CYCLES: f64 = 30.0;
/// A rate up to this many times the needed one is chosen where memory allows: what lies above half the rate folds back,
/// and instruments seldom have a filter against it.
const OVERSAMPLING: f64 = 4.0;
/// Shortest ramp worth recording, seconds: a steady rise from idle.
pub const RAMP_S: f64 = 2.0;
/// Peak-to-peak / r.m.s. of the ideal six-pulse ripple, the least of all ripples: 0.23205 / 0.06941.
const LEAST_PEAK_TO_PEAK_PER_RMS: f64 = 3.343;
/// Largest excursion / r.m.s. of simulated healthy ripple: 0.71 of a peak-to-peak of 4.7 r.m.s.
const MOST_PEAK_PER_RMS: f64 = 3.34;
/// Ideal r.m.s. ripple factors of 12 and of 6 pulses: 0.01029 / 0.04197.
const TWELVE_PULSE_SHARE: f64 = 0.245;
/// Pole pairs and ratios of usual alternators, taken where the machine's are not known (common practice).
const USUAL_POLE_PAIRS: (u32, u32) = (6, 8);
const USUAL_RATIOS: (f64, f64) = (1.8, 3.2);

/// Highest excursion from the mean that a hard fault's ripple makes at the charging post, volts.
///
/// From 80 simulated hard faults each (`Draw`, seed 91): the 95 % points were 2 to 3.1 V, single ones reach 4 to 8 V.
#[must_use]
pub fn fault_peak_v(system_v: u32) -> f64 {
    if system_v == 24 { 5.0 } else { 3.0 }
}

/// Highest level of the supply, volts: the end of the operating range of ISO 16750-2 (16 V and 32 V).
#[must_use]
pub fn highest_level_v(system_v: u32) -> f64 {
    if system_v == 24 { 32.0 } else { 16.0 }
}

/// What is to be captured.
#[derive(Debug, Clone, PartialEq)]
pub struct Task {
    machine: Machine,
    engine_rpm: (f64, f64),
    system_v: u32,
    highest_order: u32,
}

impl Task {
    /// `engine_rpm` lowest and highest speed, 100 to 20 000; `system_v` 12 or 24; `highest_order` 1 to 24, twice the pulse
    /// number where `None`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] naming the parameter.
    pub fn new(machine: Machine, engine_rpm: (f64, f64), system_v: u32, highest_order: Option<u32>) -> Result<Self> {
        let (low, high) = engine_rpm;
        for (name, rpm) in [("engine_rpm_low", low), ("engine_rpm_high", high)] {
            if !(100.0..=20_000.0).contains(&rpm) {
                return Err(Error::out_of_range(name, "100 to 20000 revolutions per minute", rpm));
            }
        }
        if high < low {
            return Err(Error::out_of_range("engine_rpm_high", "at least the lowest speed", high));
        }
        if system_v != 12 && system_v != 24 {
            return Err(Error::out_of_range("system_v", "12 or 24", f64::from(system_v)));
        }
        let highest_order = highest_order.unwrap_or(2 * machine.pulse_number());
        if !(1..=ORDERS as u32).contains(&highest_order) {
            return Err(Error::out_of_range("highest_order", "1 to 24", f64::from(highest_order)));
        }
        Ok(Self { machine, engine_rpm, system_v, highest_order })
    }

    /// Electrical frequency at an engine speed, lowest and highest that the machine may have.
    fn electrical_hz(&self, rpm: f64) -> (f64, f64) {
        let pairs = self.machine.pole_pairs().map_or(USUAL_POLE_PAIRS, |p| (p, p));
        let ratios = self.machine.pulley_ratio().map_or(USUAL_RATIOS, |r| (r, r));
        let at = |p: u32, r: f64| rpm / 60.0 * r * f64::from(p);
        (at(pairs.0, ratios.0), at(pairs.1, ratios.1))
    }

    fn assumptions(&self) -> Vec<String> {
        let mut list = Vec::new();
        if self.machine.pole_pairs().is_none() {
            list.push("Pole pairs are not known: 6 to 8 are taken, as usual for vehicle alternators.".to_owned());
        }
        if self.machine.pulley_ratio().is_none() {
            list.push(
                "The pulley ratio is not known: 1.8 to 3.2 is taken, as usual for vehicle alternators.".to_owned(),
            );
        }
        if self.machine.pulse_number() == 12 {
            let text = "No healthy range is known for 12 pulses: a quarter of the six-pulse ripple is taken, as in ideal circuits.";
            list.push(text.to_owned());
        }
        list.push(format!(
            "Ripple of a fault: up to {} V from the mean, as in simulated machines.",
            fault_peak_v(self.system_v)
        ));
        list
    }

    /// Healthy ripple at the charging post, r.m.s.: the least and the most.
    fn healthy_rms_v(&self, hz: f64) -> (f64, f64) {
        let range = healthy_range(hz, None, f64::from(self.system_v), false, BatteryCondition::Ordinary);
        let share = if self.machine.pulse_number() == 12 { TWELVE_PULSE_SHARE } else { 1.0 };
        (share * range.low_v, share * range.high_v)
    }
}

/// What one recording is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum Purpose {
    /// Ripple and pattern at a steady speed.
    Ripple,
    /// The charging level, DC-coupled, where the ripple is recorded AC-coupled.
    Level,
    /// A slow rise from the lowest to the highest speed: which disturbance moves with the machine.
    Ramp,
}
words!(Purpose, "purpose", "ripple" => Purpose::Ripple, "level" => Purpose::Level, "ramp" => Purpose::Ramp);

/// Electrical load during a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum LoadStep {
    /// What runs anyway.
    Light,
    /// Headlamps, blower and heated window on.
    Heavy,
}
words!(LoadStep, "load", "light" => LoadStep::Light, "heavy" => LoadStep::Heavy);

/// Settings of one recording. Voltages are at the probe's tip unless the name says input.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Recording {
    /// What it is for.
    pub purpose: Purpose,
    /// Engine speed at its start, revolutions per minute.
    pub engine_rpm: f64,
    /// Engine speed at its end; the same unless a ramp.
    pub engine_rpm_end: f64,
    /// Electrical load.
    pub load: LoadStep,
    /// Lowest electrical frequency that the machine may have in it, hertz.
    pub electrical_hz_low: f64,
    /// Highest.
    pub electrical_hz_high: f64,
    /// Input coupling of the supply's channel.
    pub coupling: Coupling,
    /// Sample rate to set, hertz.
    pub sample_rate_hz: f64,
    /// Samples to record.
    pub samples: usize,
    /// `samples / sample_rate_hz`, seconds.
    pub duration_s: f64,
    /// Fewest electrical cycles in it.
    pub cycles: f64,
    /// Highest order it holds for certain (at most 24), with the margin of 0.4 of the rate.
    pub highest_order: u32,
    /// Range to begin with: middle to edge at the input, volts. `None` where no range holds the signal.
    pub full_scale_input_v: Option<f64>,
    /// The same at the probe's tip.
    pub full_scale_v: Option<f64>,
    /// Step of the converter in it, volts.
    pub step_v: Option<f64>,
    /// Finer range (input) to repeat with where the ripple stays inside; `None` where there is none.
    pub finer_full_scale_input_v: Option<f64>,
    /// Step of the converter in that one, volts.
    pub finer_step_v: Option<f64>,
    /// Whether a pattern can be read on it.
    pub reads_pattern: bool,
    /// What to expect on it.
    pub expected: Expected,
}

/// What to expect of a sound machine in one recording, in the finest of its ranges.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Expected {
    /// Smallest healthy ripple, r.m.s. (5 % of simulated machines lie below), volts.
    pub healthy_rms_low_v: f64,
    /// Largest (5 % lie above).
    pub healthy_rms_high_v: f64,
    /// Steps that the smallest healthy ripple spans peak-to-peak; `None` without a range.
    pub healthy_steps: Option<f64>,
    /// Noise of the converter, step / sqrt 12, volts r.m.s.
    pub quantisation_noise_v: Option<f64>,
    /// Standard uncertainty of an order's amplitude from that noise, volts.
    pub order_amplitude_std_v: Option<f64>,
    /// Standard uncertainty of the electrical frequency from that noise, hertz, for the smallest healthy ripple; `None`
    /// without a range, or for a recording of a single sample.
    pub electrical_hz_std: Option<f64>,
}

/// Whether the instrument can do the job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Feasibility {
    /// Everything asked for.
    Full,
    /// The pattern can be read; something else is missing.
    Limited,
    /// No pattern can be read over the whole speed range.
    NotPossible,
}
words!(Feasibility, "feasibility", "full" => Feasibility::Full, "limited" => Feasibility::Limited,
    "not_possible" => Feasibility::NotPossible);

/// A plan for the captures of one vehicle.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Plan {
    /// Version of the library that made it.
    pub library_version: String,
    /// Whether the instrument can do it.
    pub feasibility: Feasibility,
    /// Highest order asked for.
    pub highest_order: u32,
    /// Coupling of the supply's channel for the ripple.
    pub coupling: Coupling,
    /// Why this coupling.
    pub coupling_reason: String,
    /// What was taken for granted.
    pub assumptions: Vec<String>,
    /// Where the leads go.
    pub connections: Vec<Connection>,
    /// The recordings, in their order.
    pub recordings: Vec<Recording>,
    /// Each requirement with its figure.
    pub requirements: Vec<Requirement>,
    /// What the captures can show, and what not.
    pub views: Vec<View>,
    /// The intervention to make, in steps.
    pub intervention: Vec<String>,
    /// Cautions.
    pub cautions: Vec<String>,
}

/// Plans the captures of a machine with an instrument.
///
/// ```
/// use sixpulse::Machine;
/// use sixpulse::plan::{Feasibility, Instrument, Task, plan};
/// let machine = Machine::new(Some(6), Some(2.7), 6)?;
/// let task = Task::new(machine, (700.0, 2500.0), 12, None)?;
/// let bench = Instrument::new(12, 1_000_000, &[20e3, 50e3, 100e3, 1e6], &[0.2, 0.5, 1.0, 2.0, 5.0, 20.0], Some(5.0), 1.0, 2)?;
/// let good = plan(&task, &bench);
/// assert_eq!(good.feasibility, Feasibility::Full);
/// // 2500 / 60 x 2.7 x 6 = 675 Hz; order 12 asks for 8.1 kHz / 0.4 = 20.25 kS/s at least.
/// let fastest = &good.recordings[3];
/// assert!((fastest.electrical_hz_high - 675.0).abs() < 1e-9 && fastest.sample_rate_hz >= 20_250.0);
/// let slow = Instrument::new(12, 1_000_000, &[1000.0], &[5.0, 20.0], Some(5.0), 1.0, 2)?;
/// assert_eq!(plan(&task, &slow).feasibility, Feasibility::NotPossible);
/// # Ok::<(), sixpulse::Error>(())
/// ```
#[must_use]
pub fn plan(task: &Task, instrument: &Instrument) -> Plan {
    let (coupling, coupling_reason) = choose_coupling(task, instrument);
    let recordings = recordings(task, instrument, coupling);
    let requirements = judge::requirements(task, instrument, coupling, &recordings);
    Plan {
        library_version: crate::VERSION.into(),
        feasibility: judge::feasibility(&requirements),
        highest_order: task.highest_order,
        coupling,
        coupling_reason,
        assumptions: task.assumptions(),
        connections: advice::connections(task, instrument),
        views: judge::views(task, instrument, &requirements, &recordings),
        intervention: advice::intervention(),
        cautions: advice::cautions(task),
        recordings,
        requirements,
    }
}

/// Excursion from the middle of the screen that a range must hold.
fn excursion_v(task: &Task, coupling: Coupling) -> f64 {
    let level_v = if coupling == Coupling::Dc { highest_level_v(task.system_v) } else { 0.0 };
    level_v + fault_peak_v(task.system_v)
}

/// DC where its range still resolves the smallest healthy ripple: the level comes with it. Else AC.
fn choose_coupling(task: &Task, instrument: &Instrument) -> (Coupling, String) {
    let (slowest_hz, _) = task.electrical_hz(task.engine_rpm.0);
    let ripple_v = LEAST_PEAK_TO_PEAK_PER_RMS * task.healthy_rms_v(slowest_hz).0;
    let step_v = instrument.range_for(excursion_v(task, Coupling::Dc)).map(|r| instrument.step_v(r));
    let steps = step_v.map(|step| ripple_v / step);
    match (steps, instrument.ac_corner_hz()) {
        (Some(steps), _) if steps >= LEAST_STEPS => (
            Coupling::Dc,
            format!(
                "DC-coupled, the smallest healthy ripple still spans {steps:.1} steps, and the level is recorded with it."
            ),
        ),
        (Some(steps), Some(_)) => (
            Coupling::Ac,
            format!(
                "DC-coupled, the smallest healthy ripple spans only {steps:.1} steps: AC coupling takes the level off and lets a finer range be used. The level is recorded by itself."
            ),
        ),
        (None, Some(_)) => (
            Coupling::Ac,
            "No range holds the level: AC coupling takes it off. Read the level with a voltmeter.".into(),
        ),
        (_, None) => (Coupling::Dc, "The instrument has no AC coupling.".into()),
    }
}

/// Steady speeds with their loads: light and heavy at the lowest (soft faults show best there), heavy at the others.
fn steps_of(task: &Task) -> Vec<(f64, LoadStep)> {
    let (low, high) = task.engine_rpm;
    let mut list = vec![(low, LoadStep::Light), (low, LoadStep::Heavy)];
    if high > 1.2 * low {
        list.push(((low * high).sqrt(), LoadStep::Heavy));
    }
    if high > low {
        list.push((high, LoadStep::Heavy));
    }
    list
}

fn recordings(task: &Task, instrument: &Instrument, coupling: Coupling) -> Vec<Recording> {
    let recorder = Recorder { task, instrument };
    let mut list: Vec<Recording> =
        steps_of(task).into_iter().map(|(rpm, load)| recorder.steady(Purpose::Ripple, rpm, load, coupling)).collect();
    let (low, high) = task.engine_rpm;
    if coupling == Coupling::Ac && instrument.range_for(excursion_v(task, Coupling::Dc)).is_some() {
        list.push(recorder.steady(Purpose::Level, low, LoadStep::Light, Coupling::Dc));
    }
    if high > low {
        list.extend(recorder.ramp(low, high, coupling));
    }
    list
}

/// Least rate for an order at a frequency, hertz.
fn rate_for(order: u32, electrical_hz: f64) -> f64 {
    f64::from(order) * electrical_hz / NYQUIST_MARGIN
}

struct Recorder<'a> {
    task: &'a Task,
    instrument: &'a Instrument,
}

impl Recorder<'_> {
    fn steady(&self, purpose: Purpose, rpm: f64, load: LoadStep, coupling: Coupling) -> Recording {
        let hz = self.task.electrical_hz(rpm);
        let rate = self.rate(hz);
        let wanted = (AIMED_CYCLES / hz.0 * rate).ceil() as usize;
        self.recording(purpose, (rpm, rpm), load, hz, coupling, (rate, wanted.min(self.instrument.memory_samples())))
    }

    /// The highest rate, up to four times the need, at which memory holds a good number of cycles; else the lowest that meets
    /// the need for all orders, else for the pulses, else the nearest there is.
    fn rate(&self, (low_hz, high_hz): (f64, f64)) -> f64 {
        let rates = self.instrument.sample_rates_hz();
        let need = rate_for(self.task.highest_order, high_hz);
        let pulses = rate_for(self.task.machine.pulse_number().min(self.task.highest_order), high_hz);
        let cycles = |rate: f64| self.instrument.memory_samples() as f64 / rate * low_hz;
        let best = |wanted: f64, cycles_at_least: f64, at_most: f64| {
            rates.iter().copied().rfind(|&r| r >= wanted && r <= at_most && cycles(r) >= cycles_at_least)
        };
        let lowest = |wanted: f64, cycles_at_least: f64| {
            rates.iter().copied().find(|&r| r >= wanted && cycles(r) >= cycles_at_least)
        };
        best(need, GOOD_CYCLES, OVERSAMPLING * need)
            .or_else(|| lowest(need, WANTED_CYCLES + 1.0))
            .or_else(|| lowest(pulses, WANTED_CYCLES + 1.0))
            .or_else(|| lowest(pulses, 0.0))
            .or_else(|| rates.last().copied())
            .unwrap_or(f64::MIN_POSITIVE)
    }

    fn ramp(&self, low: f64, high: f64, coupling: Coupling) -> Option<Recording> {
        let hz = (self.task.electrical_hz(low).0, self.task.electrical_hz(high).1);
        let memory = self.instrument.memory_samples();
        let need = rate_for(self.task.highest_order, hz.1);
        let rate = self.instrument.sample_rates_hz().iter().copied().find(|&r| r >= need)?;
        (memory as f64 >= RAMP_S * rate).then(|| {
            let samples = memory.min((4.0 * RAMP_S * rate).ceil() as usize);
            self.recording(Purpose::Ramp, (low, high), LoadStep::Heavy, hz, coupling, (rate, samples))
        })
    }

    fn recording(
        &self,
        purpose: Purpose,
        (engine_rpm, engine_rpm_end): (f64, f64),
        load: LoadStep,
        (electrical_hz_low, electrical_hz_high): (f64, f64),
        coupling: Coupling,
        (sample_rate_hz, samples): (f64, usize),
    ) -> Recording {
        let i = self.instrument;
        let range = i.range_for(excursion_v(self.task, coupling));
        let finer = match (coupling, range) {
            (Coupling::Ac, Some(range)) => {
                i.range_for(MOST_PEAK_PER_RMS * self.task.healthy_rms_v(electrical_hz_high).1).filter(|r| *r < range)
            }
            _ => None,
        };
        let duration_s = samples as f64 / sample_rate_hz;
        let cycles = electrical_hz_low * duration_s;
        let highest_order = (NYQUIST_MARGIN * sample_rate_hz / electrical_hz_high).min(ORDERS as f64) as u32;
        let step_v = range.map(|r| i.step_v(r));
        let finer_step_v = finer.map(|r| i.step_v(r));
        let reads_pattern = highest_order >= self.task.machine.pulse_number()
            && cycles >= FEWEST_CYCLES as f64 + 1.0
            && step_v.is_some_and(|s| s <= crate::quality::COARSE_STEP_V);
        let hz = electrical_hz_low;
        let expected = self.expected(hz, finer_step_v.or(step_v), samples as f64, sample_rate_hz);
        Recording {
            purpose,
            engine_rpm,
            engine_rpm_end,
            load,
            electrical_hz_low,
            electrical_hz_high,
            coupling,
            sample_rate_hz,
            samples,
            duration_s,
            cycles,
            highest_order,
            full_scale_input_v: range,
            full_scale_v: range.map(|r| r * i.probe_attenuation()),
            step_v,
            finer_full_scale_input_v: finer,
            finer_step_v,
            reads_pattern,
            expected,
        }
    }

    fn expected(&self, hz: f64, step_v: Option<f64>, n: f64, rate_hz: f64) -> Expected {
        let (low, high) = self.task.healthy_rms_v(hz);
        let noise = step_v.map(|s| s / 12f64.sqrt());
        let pulses = f64::from(self.task.machine.pulse_number());
        // Nearly all of the ripple is in the order of the pulses.
        let amplitude = std::f64::consts::SQRT_2 * low;
        let radians = |s: f64| (24.0 * s * s / (n * (n * n - 1.0))).sqrt() / (pulses * amplitude);
        Expected {
            healthy_rms_low_v: low,
            healthy_rms_high_v: high,
            healthy_steps: step_v.map(|s| LEAST_PEAK_TO_PEAK_PER_RMS * low / s),
            quantisation_noise_v: noise,
            order_amplitude_std_v: noise.map(|s| s * (2.0 / n).sqrt()),
            // A single sample tells no frequency.
            electrical_hz_std: noise.map(|s| radians(s) * rate_hz / std::f64::consts::TAU).filter(|hz| hz.is_finite()),
        }
    }
}

#[cfg(test)]
mod tests;
