//! One draw of an item: scenario, capture as the learner gets it, and what the library makes of it.

use sixpulse::rectifier::Pattern;
use sixpulse::{Capture, Coupling, Examination, ExamineOptions, Machine, Role, Trace, examine};

use super::author::{Author, Distractor};
use super::difficulty::{Difficulty, contrast, difficulty, entropy, ripple_to_noise, sought_ripple, wanted_ratio};
use super::plan::ItemPlan;
use super::question::ItemSheet;
use super::rounded;
use crate::draw::draw;
use crate::error::Error;
use crate::rng::{Random, Stream};
use crate::scenario::{EngineSpeed, Scenario, simulate};
use crate::scope::RangeChoice;
use crate::sensor::{Conditioner, Element, Path};
use crate::truth::{PointTruth, SensorTruth, Truth};

/// Noise that is set to reach a difficulty, volts r.m.s.: from a very good front end to a poor one.
const NOISE_V: (f64, f64) = (2e-4, 0.15);
/// Largest ripple of an item, volts peak to peak: what ISO 16750-2 superimposes on a 12 V supply for equipment on an
/// alternator (clause 4.4, as quoted by test catalogues).
const LARGEST_RIPPLE_V: f64 = 3.0;
/// Least probability of the right pattern for it to count as recovered.
const LEAST_PROBABILITY: f64 = 0.5;
/// Noise r.m.s. / ripple r.m.s. from which the size of the ripple is not asked for as a number: above, the noise adds
/// more than 6 % to the r.m.s. value and its fuzz is as wide as a fifth of the swing.
const BURIED: f64 = 0.35;
/// The pulse conditioner of the story's rate controller, the one that the examination counts with.
const CONDITIONER: Conditioner =
    Conditioner::AdaptivePeak { fraction: 1.0 / 3.0, minimum_v: 0.03, decay_s: 0.085, watchdog_s: 0.085 };

/// Why a draw is not taken.
#[derive(Debug, Clone)]
pub(super) struct Refused {
    pub code: &'static str,
    pub reason: String,
}

pub(super) fn refused<T>(code: &'static str, reason: String) -> Result<T, Refused> {
    Err(Refused { code, reason })
}

impl From<Error> for Refused {
    fn from(error: Error) -> Self {
        Self { code: "simulation", reason: format!("{}: {error}", error.code()) }
    }
}

impl From<sixpulse::Error> for Refused {
    fn from(error: sixpulse::Error) -> Self {
        Error::from(error).into()
    }
}

/// A draw with everything that questions and answers need.
#[derive(Debug, Clone)]
pub(super) struct Situation {
    pub scenario: Scenario,
    pub truth: Truth,
    pub sensor: SensorTruth,
    pub capture: Capture,
    pub examination: Examination,
    pub sheet: ItemSheet,
    pub distractor: Option<Distractor>,
    pub difficulty: Difficulty,
    /// Noise and quantiser of channel 1 together, volts r.m.s.
    pub fuzz_v: f64,
}

impl Situation {
    /// The point that channel 1 is at.
    pub(super) fn point(&self) -> &PointTruth {
        point_of(&self.truth, self.distractor)
    }
    /// Whether the pattern can be told.
    pub(super) fn determinable(&self) -> bool {
        self.distractor != Some(Distractor::ClippedRange)
    }
    /// Whether the noise covers so much of the ripple that its size cannot be read from the trace.
    pub(super) fn buried(&self) -> bool {
        self.truth.pattern != Pattern::NotCharging && self.fuzz_v > BURIED * self.point().rms_v
    }
    /// The pattern of the right answer.
    pub(super) fn pattern(&self) -> Pattern {
        if self.determinable() { self.truth.pattern } else { Pattern::Undetermined }
    }
}

fn point_of(truth: &Truth, distractor: Option<Distractor>) -> &PointTruth {
    if distractor == Some(Distractor::AtTheBattery) { &truth.battery } else { &truth.post }
}

/// Makes draw number `number` of an item.
pub(super) fn attempt(author: &Author, plan: &ItemPlan, number: usize) -> Result<Situation, Refused> {
    let scenario = drawn(author, plan, number)?;
    let (_, quiet) = simulate(&scenario)?;
    check_size(&quiet, plan)?;
    let scenario = with_noise(&scenario, &quiet, plan)?;
    check_reach(&scenario, &quiet, plan, author.difficulty.within)?;
    let (recorded, truth) = simulate(&scenario)?;
    let sheet = sheet(plan, &scenario, &truth)?;
    let capture = presented(&recorded, plan)?;
    let examination = examined(&capture, &sheet)?;
    let point = point_of(&truth, plan.distractor);
    let (noise_v, step_v) = fuzz(&scenario, &truth, plan);
    let measured = difficulty(
        ripple_to_noise(point.synchronous_rms_v, noise_v, step_v),
        contrast(&point.order_amplitudes_v, point.synchronous_rms_v),
        entropy(&examination.rectifier.probabilities),
        u32::from(plan.distractor.is_some()),
    );
    let Some(sensor) = truth.sensor.clone() else { return refused("unsuited", "there is no sensor".into()) };
    let situation = Situation {
        fuzz_v: (noise_v * noise_v + step_v * step_v / 12.0).sqrt(),
        difficulty: measured,
        distractor: plan.distractor,
        sensor,
        scenario,
        truth,
        capture,
        examination,
        sheet,
    };
    check_pattern(&situation)?;
    check_difficulty(&situation, plan.target, author.difficulty.within)?;
    Ok(situation)
}

/// The scenario of a draw, set up for the exercise's instrument, with little noise.
fn drawn(author: &Author, plan: &ItemPlan, number: usize) -> Result<Scenario, Refused> {
    let mut scenario = draw(plan.seed, number as u64, &plan.wishes(author))?;
    scenario.scope.samples = author.samples;
    scenario.scope.divisions = 8;
    scenario.channels.post.noise_v = NOISE_V.0;
    if let Some(battery) = &mut scenario.channels.battery {
        battery.noise_v = NOISE_V.0;
    }
    if let Some(channel) = &mut scenario.channels.sensor {
        channel.noise_v = channel.noise_v.min(0.008);
    }
    if scenario.engine_speed == EngineSpeed::Unknown {
        let mut random = Random::new(plan.seed, number as u64, Stream::Exercise);
        scenario.engine_speed = EngineSpeed::Known { error_ratio: 0.002 * random.normal() };
    }
    if scenario.condition != plan.condition() {
        // A fault alone leaves the condition to the draw's own mix.
        return refused(
            "unsuited",
            format!("the condition {:?} was drawn, {:?} is wished", scenario.condition, plan.condition()),
        );
    }
    let Some(sensor) = &mut scenario.sensor else { return refused("unsuited", "there is no sensor".into()) };
    if !matches!(sensor.element, Element::VariableReluctance { .. }) {
        return refused("unsuited", "the sensor is no coil".into());
    }
    if sensor.paths.iter().any(|p| !matches!(p, Path::GainDelay { .. })) {
        return refused("unsuited", "the path to the sensor is no plain gain".into());
    }
    sensor.conditioner = CONDITIONER;
    if plan.distractor == Some(Distractor::CoincidentWheelSpeed) {
        let (order, distance) = plan.coincidence;
        sensor.ring.tooth_hz = order * plan.electrical_hz * (1.0 + distance);
        sensor.ring.ramp = 0.0;
    }
    Ok(scenario)
}

/// The scenario with the noise that makes it as hard as wished, and with the range too small where that is wished.
fn with_noise(scenario: &Scenario, quiet: &Truth, plan: &ItemPlan) -> Result<Scenario, Refused> {
    let point = point_of(quiet, plan.distractor);
    let shape = contrast(&point.order_amplitudes_v, point.synchronous_rms_v);
    let undetermined = plan.distractor == Some(Distractor::ClippedRange);
    // Where the examination must not know the pattern, its entropy is 1 and adds a quarter.
    let target = plan.target - if undetermined { 0.25 } else { 0.0 };
    let distractors = u32::from(plan.distractor.is_some());
    let noise_v = wanted_ratio(target, shape, distractors).map(|rho| {
        let (_, step_v) = fuzz(scenario, quiet, plan);
        let fuzz_v = sought_ripple(point.synchronous_rms_v) / rho;
        (fuzz_v * fuzz_v - step_v * step_v / 12.0).max(0.0).sqrt()
    });
    // Out of reach at this contrast: as quiet or as noisy as the instrument goes; the band decides.
    let noise_v = noise_v.unwrap_or(if target < 0.2 { NOISE_V.0 } else { NOISE_V.1 });
    let mut out = scenario.clone();
    out.channels.post.noise_v = rounded(noise_v.clamp(NOISE_V.0, NOISE_V.1), 3);
    if let Some(battery) = &mut out.channels.battery {
        battery.noise_v = out.channels.post.noise_v;
    }
    if undetermined {
        let full_scale_v = rounded((0.3 * point.peak_to_peak_v).max(0.01), 2);
        let ac = out.channels.post.coupling == Coupling::Ac;
        out.channels.post.range =
            RangeChoice::Given { full_scale_v, offset_v: if ac { 0.0 } else { rounded(point.mean_v, 4) } };
    }
    Ok(out)
}

/// Refuses ripple beyond what a vehicle's supply is tested with.
fn check_size(quiet: &Truth, plan: &ItemPlan) -> Result<(), Refused> {
    let swing_v = point_of(quiet, plan.distractor).peak_to_peak_v;
    if swing_v <= LARGEST_RIPPLE_V {
        return Ok(());
    }
    refused("unsuited", format!("ripple of {swing_v:.1} V peak to peak is more than {LARGEST_RIPPLE_V} V"))
}

/// Refuses early what cannot come out as hard as wished, whatever the examination makes of it.
fn check_reach(scenario: &Scenario, quiet: &Truth, plan: &ItemPlan, within: f64) -> Result<(), Refused> {
    let point = point_of(quiet, plan.distractor);
    let (noise_v, step_v) = fuzz(scenario, quiet, plan);
    let ratio = ripple_to_noise(point.synchronous_rms_v, noise_v, step_v);
    let shape = contrast(&point.order_amplitudes_v, point.synchronous_rms_v);
    let least = difficulty(ratio, shape, 0.0, u32::from(plan.distractor.is_some())).value;
    if least - within <= plan.target && plan.target <= least + 0.25 + within {
        return Ok(());
    }
    refused("difficulty", format!("difficulty from {least:.2} to {:.2}, wished is {:.2}", least + 0.25, plan.target))
}

/// Noise and step of channel 1, volts.
fn fuzz(scenario: &Scenario, truth: &Truth, plan: &ItemPlan) -> (f64, f64) {
    let name = if plan.distractor == Some(Distractor::AtTheBattery) { "battery" } else { "post" };
    let step = truth.traces.iter().find(|t| t.name == name).map_or(0.0, |t| t.step);
    (scenario.channels.post.noise_v, step)
}

/// The capture as the learner gets it: two channels whose names say nothing.
fn presented(recorded: &Capture, plan: &ItemPlan) -> Result<Capture, Refused> {
    let supply = if plan.distractor == Some(Distractor::AtTheBattery) { Role::BatteryPost } else { Role::ChargingPost };
    let sensor = recorded.traces().iter().find(|(_, t)| t.role().is_sensor()).map(|(_, t)| t);
    let (Some((_, first)), Some(second)) = (recorded.by_role(supply), sensor) else {
        return refused("unsuited", "a channel is missing".into());
    };
    let bare = |t: &Trace| Trace::new(t.raw().clone(), t.sample_rate_hz(), t.coupling(), t.role());
    Ok(Capture::new(vec![("channel_1".into(), bare(first)?), ("channel_2".into(), bare(second)?)])?)
}

/// What the technician knows, in words and numbers.
fn sheet(plan: &ItemPlan, scenario: &Scenario, truth: &Truth) -> Result<ItemSheet, Refused> {
    let at_battery = plan.distractor == Some(Distractor::AtTheBattery);
    let role = if at_battery { Role::BatteryPost } else { Role::ChargingPost };
    let coupling = scenario.channels.post.coupling;
    let place = if at_battery {
        "at the battery's positive post, against its negative post"
    } else {
        "at the alternator's output terminal, against its case"
    };
    let EngineSpeed::Known { error_ratio } = scenario.engine_speed else {
        return refused("unsuited", "the engine speed is not known".into());
    };
    let given = |x: f64| plan.machine_given.then_some(x);
    let story = match truth.sensor.as_ref().and_then(|s| s.own_tooth_hz) {
        None => "The sprayer's tractor stands with its engine running; its rate controller is switched on.".to_owned(),
        Some(hz) => format!(
            "The sprayer's tractor rolls steadily; a satellite receiver shows {:.1} km/h.",
            3.6 * hz / plan.pulses_per_m
        ),
    };
    Ok(ItemSheet {
        id: plan.id.clone(),
        story,
        channels: vec![
            format!("Channel 1: {place}, {}-coupled.", coupling.as_str().to_uppercase()),
            "Channel 2: on the line of the wheel speed sensor (coil and toothed ring), DC-coupled.".into(),
        ],
        roles: vec![role.as_str().into(), Role::SpeedSensor.as_str().into()],
        couplings: vec![coupling.as_str().into(), Coupling::Dc.as_str().into()],
        engine_rpm: given((truth.engine_rpm * (1.0 + error_ratio) / 10.0).round() * 10.0),
        pulley_ratio: given((scenario.circuit.drive.belt_ratio * 100.0).round() / 100.0),
        pole_pairs: plan.machine_given.then_some(scenario.circuit.alternator.pole_pairs),
        pulses_per_m: plan.pulses_per_m,
    })
}

fn examined(capture: &Capture, sheet: &ItemSheet) -> Result<Examination, Refused> {
    let machine = Machine::new(sheet.pole_pairs, sheet.pulley_ratio, 6)?;
    let capture = match sheet.engine_rpm {
        Some(rpm) => capture.clone().with_engine_rpm(rpm)?,
        None => capture.clone(),
    };
    Ok(examine(&capture, &ExamineOptions { machine, electrical_hz: None })?)
}

/// The pattern must come out of the capture, or must not where it is marked as not determinable.
fn check_pattern(s: &Situation) -> Result<(), Refused> {
    let found = &s.examination.rectifier;
    if !s.determinable() {
        return match (s.examination.quality.usable, found.pattern) {
            (false, Pattern::Undetermined) => Ok(()),
            (_, pattern) => refused("pattern_recovered", format!("meant to be unreadable, but {pattern} was read")),
        };
    }
    let wanted = s.truth.pattern;
    let probability = found.probabilities.iter().find(|(p, _)| *p == wanted).map_or(0.0, |(_, x)| *x);
    if found.pattern == wanted && probability >= LEAST_PROBABILITY {
        return Ok(());
    }
    refused(
        "pattern_not_recovered",
        format!(
            "{} is true, {} was read (probability of the truth {:.0} %)",
            wanted,
            found.pattern,
            100.0 * probability
        ),
    )
}

fn check_difficulty(s: &Situation, target: f64, within: f64) -> Result<(), Refused> {
    let value = s.difficulty.value;
    if (value - target).abs() <= within {
        return Ok(());
    }
    refused("difficulty", format!("difficulty {value:.2} lies more than {within:.2} from {target:.2}"))
}
