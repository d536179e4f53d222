//! A scenario: circuit, sensor and instrument in full, from which a capture and its truth follow.
//!
//! Everything random has been drawn when a [`Scenario`] exists, except the noise, the differences between teeth and the
//! like, which follow from its `seed` and `member`: the same scenario gives the same capture, count for count.

use serde::{Deserialize, Serialize};
use sixpulse::rectifier::Pattern;
use sixpulse::{Capture, Role, Trace};

use crate::domain;
use crate::error::{Error, Result};
use crate::kind::{Condition, Fault, pattern_of, sub_kind};
use crate::machine::{Drive, Excitation, SpeedProfile, StatorLayout};
use crate::network::{Load, LoadKind, LoadPlace, Probe};
use crate::rng::{Random, STREAM_VERSION, Stream};
use crate::scope::{Channel, Fine, Scope, Undersampling, digitise};
use crate::sensor::{Sensor, SensorSignal, Sources};
use crate::solve::{Circuit, SolveRequest, Waveforms, settled_field_current, solve};
use crate::truth::{
    FaultPlace, Motion, OrderTransfer, PointTruth, Purity, SensorTruth, TRUTH_VERSION, TraceTruth, Truth, fault_places,
    mean, order_transfer, point_truth, rms_about, track, whole_cycles,
};

/// Version of the layout of [`Scenario`]; raised when a field changes its meaning or goes.
pub const SCENARIO_VERSION: u32 = 1;
/// Mean bridge current below which the alternator counts as not charging, amperes.
pub const CHARGING_LIMIT_A: f64 = 0.5;
/// Least rate of the grid on which circuit and front end are computed, points per second.
const GRID_HZ: f64 = 200_000.0;

/// Everything that a simulated capture depends on.
///
/// ```
/// use sixpulse_sim::scenario::{Scenario, simulate};
/// let scenario = Scenario::draw(7, "open_diode".parse()?)?;
/// let (capture, truth) = simulate(&scenario)?;
/// assert_eq!(truth.pattern.as_str(), "open_diode");
/// assert!(capture.trace("post").is_some());
/// assert_eq!(Scenario::from_json(&scenario.to_json()?)?, scenario);
/// # Ok::<(), sixpulse_sim::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Layout version, [`SCENARIO_VERSION`].
    pub schema_version: u32,
    /// Version of the random streams, [`STREAM_VERSION`].
    pub stream_version: u32,
    /// Seed of the family.
    pub seed: u64,
    /// Number within the family.
    pub member: u64,
    /// What is wrong; must agree with the circuit unless [`Fault::Custom`].
    pub fault: Fault,
    /// What else makes it hard to read.
    pub condition: Condition,
    /// Alternator, drive, bridge and network.
    pub circuit: Circuit,
    /// How a regulated field is computed.
    pub field_regulation: FieldRegulation,
    /// Speed sensor, where there is one.
    pub sensor: Option<Sensor>,
    /// Instrument.
    pub scope: Scope,
    /// Its channels.
    pub channels: Channels,
    /// Time simulated before the record, seconds, 0 to 60.
    pub settle_s: f64,
    /// What is known of the engine's speed.
    pub engine_speed: EngineSpeed,
    /// Battery temperature in degrees Celsius, where it was measured.
    pub battery_temperature_c: Option<f64>,
}

/// Channels of the instrument; `None`: not recorded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Channels {
    /// Charging post against the alternator's case: trace `post`.
    pub post: Channel,
    /// Battery post against the battery's negative post: trace `battery`.
    pub battery: Option<Channel>,
    /// Speed sensor: trace `sensor`.
    pub sensor: Option<Channel>,
    /// Current in the charging cable (volts stand for amperes): trace `charging_current`.
    pub charging_current: Option<Channel>,
    /// Current into the battery (volts stand for amperes): trace `battery_current`.
    pub battery_current: Option<Channel>,
}

/// How a regulated field is computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FieldRegulation {
    /// The field current that holds the set point at the speed in the middle of the record, constant over the record and drawn from the
    /// post: the field's time constant is far longer than a record, and regulators slow their edges.
    Averaged,
    /// Every switching of the regulator, with edges that take no time: they ring the post's inductance and capacitor
    /// harder than a vehicle's do.
    Switching,
}

/// What is known of the engine's speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum EngineSpeed {
    /// Nothing.
    Unknown,
    /// A reading stands in the capture: mean speed times `1 + error_ratio`.
    Known {
        /// Relative error of the reading, -0.2 to 0.2.
        error_ratio: f64,
    },
}

impl Scenario {
    /// Length of the record in seconds: samples / sample rate.
    #[must_use]
    #[allow(clippy::cast_precision_loss, reason = "at most 20 million samples")]
    pub fn duration_s(&self) -> f64 {
        self.scope.samples as f64 / self.scope.sample_rate_hz
    }

    /// Fault and condition in one word, such as `healthy_poor_battery`.
    #[must_use]
    pub fn sub_kind(&self) -> String {
        sub_kind(self.fault, self.condition)
    }

    /// Pulses in an electrical cycle: 6, or 12 with two stators.
    #[must_use]
    pub fn pulse_number(&self) -> u32 {
        match self.circuit.alternator.layout {
            StatorLayout::Single => 6,
            StatorLayout::DualThirtyDegrees => 12,
        }
    }

    /// The scenario as JSON.
    ///
    /// # Errors
    /// [`Error::InvalidDocument`] when a number in it is not finite.
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string(self).map_err(document)
    }

    /// Reads what [`Scenario::to_json`] wrote, and checks it.
    ///
    /// # Errors
    /// [`Error::InvalidDocument`] for text that is no scenario, `unknown_name` for a key that does not exist; as
    /// [`Scenario::check`].
    pub fn from_json(text: &str) -> Result<Self> {
        crate::overrides::read(serde_json::from_str(text).map_err(document)?)
    }

    /// Refuses what is not physical, not documented or contradicts itself.
    ///
    /// # Errors
    /// [`Error::OutOfRange`], [`Error::InvalidCombination`] naming the parameter.
    pub fn check(&self) -> Result<()> {
        self.check_versions()?;
        crate::check::circuit(&self.circuit)?;
        self.scope.check()?;
        domain::between("settle_s", self.settle_s, 0.0, 60.0, "s")?;
        if let EngineSpeed::Known { error_ratio } = self.engine_speed {
            domain::between("engine_speed.error_ratio", error_ratio, -0.2, 0.2, "")?;
        }
        if let Some(t) = self.battery_temperature_c {
            domain::between("battery_temperature_c", t, -60.0, 120.0, "degrees Celsius")?;
        }
        for (name, _, channel) in self.recorded() {
            channel.check(&format!("channels.{name}"))?;
        }
        match (&self.sensor, &self.channels.sensor) {
            (Some(sensor), _) => sensor.check()?,
            (None, Some(_)) => {
                return Err(contradiction("channels.sensor", "recorded, but the scenario has no sensor"));
            }
            (None, None) => {}
        }
        self.check_fault()
    }

    fn check_versions(&self) -> Result<()> {
        for (name, got, known) in [
            ("schema_version", self.schema_version, SCENARIO_VERSION),
            ("stream_version", self.stream_version, STREAM_VERSION),
        ] {
            if got != known {
                return Err(Error::OutOfRange {
                    parameter: name.into(),
                    expected: format!("{known}"),
                    actual: f64::from(got),
                });
            }
        }
        Ok(())
    }

    /// The label must say what the circuit shows.
    fn check_fault(&self) -> Result<()> {
        let Some(stated) = self.fault.pattern() else { return Ok(()) };
        let shown = pattern_of(&self.circuit);
        if stated == shown || stated == Pattern::NotCharging {
            return Ok(());
        }
        let reason =
            format!("is {}, but the circuit shows {shown}; use \"custom\" for faults set by hand", self.fault.as_str());
        Err(contradiction("fault", &reason))
    }

    /// Traces in their order: name, role, channel.
    fn recorded(&self) -> Vec<(&'static str, Role, &Channel)> {
        let c = &self.channels;
        let sensor_role = self.sensor.as_ref().map_or(Role::Other, Sensor::role);
        let mut all = vec![("post", Role::ChargingPost, &c.post)];
        all.extend(c.battery.as_ref().map(|x| ("battery", Role::BatteryPost, x)));
        all.extend(c.sensor.as_ref().map(|x| ("sensor", sensor_role, x)));
        all.extend(c.charging_current.as_ref().map(|x| ("charging_current", Role::ChargingCurrent, x)));
        all.extend(c.battery_current.as_ref().map(|x| ("battery_current", Role::BatteryCurrent, x)));
        all
    }
}

fn contradiction(parameter: &str, reason: &str) -> Error {
    Error::InvalidCombination { parameter: parameter.into(), reason: reason.into() }
}

#[allow(clippy::needless_pass_by_value, reason = "used as a function in map_err")]
pub(crate) fn document(error: serde_json::Error) -> Error {
    Error::InvalidDocument { parameter: "scenario".into(), reason: error.to_string() }
}

/// What the solver gave, by name.
struct Solution {
    waves: Waveforms,
    post: Vec<f64>,
    battery: Vec<f64>,
    cable: Vec<f64>,
    battery_current: Vec<f64>,
    bridge: Vec<f64>,
    repeat: usize,
}

/// Solves the circuit and records it.
///
/// The time it takes goes with the time simulated, not with the samples: half a second or so of a processor for each second,
/// at rates up to some 200 kHz. Scenarios end at 3600 s and 20 million samples.
///
/// # Errors
/// As [`Scenario::check`] and [`solve`]; [`sixpulse::Error::AboveNyquist`] for a sample rate at or below twice the pulse
/// frequency unless the scope's `undersampling` asks for aliases; [`Error::InvalidCombination`] when the alternator
/// charges and the fault says it does not, or the other way round.
pub fn simulate(scenario: &Scenario) -> Result<(Capture, Truth)> {
    scenario.check()?;
    let solution = solve_scenario(scenario)?;
    check_rate(scenario, &solution.waves)?;
    let sources = Sources {
        post_v: &solution.post,
        battery_v: &solution.battery,
        cable_a: &solution.cable,
        rate_hz: solution.waves.sample_rate_hz,
        repeat: solution.repeat,
    };
    let duration_s = scenario.duration_s();
    let line = scenario.sensor.as_ref().map(|s| s.signal(sources, duration_s, scenario.seed, scenario.member));
    let (capture, traces) = record(scenario, &solution, line.as_ref())?;
    let mut truth = truth_of(scenario, &solution)?;
    truth.sensor = scenario
        .sensor
        .as_ref()
        .zip(line.as_ref())
        .map(|(s, l)| SensorTruth { order_transfer: coupled_orders(s, l, &solution), ..sensor_truth(s, l, sources) });
    truth.traces = traces;
    let capture = described(capture, scenario, truth.engine_rpm)?;
    Ok((capture, truth))
}

/// Member `member` of the family that `seed` names, drawn and simulated; for training sets.
///
/// # Errors
/// As [`Scenario::draw`] and [`simulate`].
pub fn simulate_member(seed: u64, member: u64, wanted: &crate::draw::Draw) -> Result<(Scenario, Capture, Truth)> {
    let scenario = crate::draw::draw(seed, member, wanted)?;
    let (capture, truth) = simulate(&scenario)?;
    Ok((scenario, capture, truth))
}

#[allow(clippy::cast_precision_loss, reason = "at most 20 million samples")]
fn solve_scenario(scenario: &Scenario) -> Result<Solution> {
    let scope = &scenario.scope;
    let rate = scope.sample_rate_hz * libm::ceil(GRID_HZ / scope.sample_rate_hz).max(1.0);
    let probes =
        [Probe::ChargingPost, Probe::BatteryPost, Probe::CableCurrent, Probe::BatteryCurrent, Probe::BridgeCurrent];
    let request = SolveRequest {
        settle_s: scenario.settle_s,
        ..SolveRequest::new(scope.instants() as f64 / scope.sample_rate_hz, rate, &probes)
    };
    let mut waves = match scenario.field_regulation {
        FieldRegulation::Averaged => solve(&averaged(&scenario.circuit, scenario.duration_s())?, &request)?,
        FieldRegulation::Switching => solve(&scenario.circuit, &request)?,
    };
    let mut samples = std::mem::take(&mut waves.samples).into_iter();
    let mut next = || samples.next().unwrap_or_default();
    let (post, battery, cable, battery_current, bridge) = (next(), next(), next(), next(), next());
    let repeat = whole_cycles(&waves.electrical_angle_rad);
    Ok(Solution { waves, post, battery, cable, battery_current, bridge, repeat })
}

/// The circuit with a regulated field replaced by the constant current that holds the set point (or the greatest one,
/// where the machine cannot hold it), which the post supplies.
fn averaged(circuit: &Circuit, duration_s: f64) -> Result<Circuit> {
    let Excitation::Regulated { winding, initial_field_a, .. } = &circuit.alternator.excitation else {
        return Ok(circuit.clone());
    };
    let mut middle = circuit.clone();
    let rpm = 60.0 / std::f64::consts::TAU * circuit.drive.engine.rotation(0.5 * duration_s).omega;
    middle.drive.engine = SpeedProfile::Steady { rpm };
    let field_a = match (initial_field_a, settled_field_current(&middle)) {
        (Some(given), _) => *given,
        (None, Ok(found)) => found,
        (None, Err(Error::NotReachable { limit_a, .. })) => limit_a,
        (None, Err(other)) => return Err(other),
    };
    let mut steady = circuit.clone();
    steady.alternator.excitation = Excitation::FixedField { field_a, winding: winding.clone() };
    steady.network.loads.push(Load { place: LoadPlace::ChargingPost, kind: LoadKind::Current { ampere: field_a } });
    Ok(steady)
}

/// Refuses a sample rate that cannot hold the pulses, unless aliases are wanted.
fn check_rate(scenario: &Scenario, waves: &Waveforms) -> Result<()> {
    let fastest = waves.electrical_hz.iter().copied().fold(0.0, f64::max) * f64::from(scenario.pulse_number());
    let nyquist_hz = 0.5 * scenario.scope.sample_rate_hz;
    if fastest < nyquist_hz || scenario.scope.undersampling == Undersampling::Alias {
        return Ok(());
    }
    Err(sixpulse::Error::AboveNyquist { parameter: "scope.sample_rate_hz".into(), nyquist_hz, frequency_hz: fastest }
        .into())
}

fn record(scenario: &Scenario, solution: &Solution, line: Option<&SensorSignal>) -> Result<(Capture, Vec<TraceTruth>)> {
    let mut traces = Vec::new();
    let mut facts = Vec::new();
    for (number, (name, role, channel)) in (0_u32..).zip(scenario.recorded()) {
        let values: &[f64] = match role {
            Role::ChargingPost => &solution.post,
            Role::BatteryPost => &solution.battery,
            Role::ChargingCurrent => &solution.cable,
            Role::BatteryCurrent => &solution.battery_current,
            _ => line.map_or(&[], |l| &l.line_v),
        };
        let fine = Fine { values, rate_hz: solution.waves.sample_rate_hz, repeat: solution.repeat };
        let mut random = Random::new(scenario.seed, scenario.member, Stream::Channel(number));
        let trace = digitise(fine, channel, &scenario.scope, role, &mut random)?;
        facts.push(trace_truth(name, &trace, channel, scenario.scope.bits));
        traces.push((name.to_owned(), trace));
    }
    Ok((Capture::new(traces)?, facts))
}

fn trace_truth(name: &str, trace: &Trace, channel: &Channel, bits: u32) -> TraceTruth {
    let top = 1_i32 << (bits - 1);
    let (step, offset, clipped) = match trace.raw() {
        sixpulse::RawSamples::I16 { counts, scale, offset } => {
            let at_end = |c: &&i16| i32::from(**c) == -top || i32::from(**c) == top - 1;
            (*scale, *offset, counts.iter().filter(at_end).count())
        }
        _ => (0.0, 0.0, 0),
    };
    TraceTruth { name: name.into(), step, offset, clipped, noise: channel.noise_v }
}

fn described(mut capture: Capture, scenario: &Scenario, engine_rpm: f64) -> Result<Capture> {
    if let EngineSpeed::Known { error_ratio } = scenario.engine_speed {
        capture = capture.with_engine_rpm(engine_rpm * (1.0 + error_ratio))?;
    }
    if let Some(t) = scenario.battery_temperature_c {
        capture = capture.with_battery_temperature_c(t)?;
    }
    Ok(capture)
}

/// Mean electrical frequency over the record, hertz.
fn mean_frequency(waves: &Waveforms) -> f64 {
    let angle = &waves.electrical_angle_rad;
    let (Some(first), Some(last)) = (angle.first(), angle.last()) else { return 0.0 };
    #[allow(clippy::cast_precision_loss, reason = "at most 20 million samples")]
    let time_s = (angle.len().max(2) - 1) as f64 / waves.sample_rate_hz;
    (last - first) / (std::f64::consts::TAU * time_s)
}

fn truth_of(scenario: &Scenario, solution: &Solution) -> Result<Truth> {
    let waves = &solution.waves;
    let bridge_current_a = mean(&solution.bridge);
    let pattern = judged(scenario, bridge_current_a)?;
    let electrical_hz = mean_frequency(waves);
    let pole_pairs = scenario.circuit.alternator.pole_pairs;
    let alternator_rpm = 60.0 * electrical_hz / f64::from(pole_pairs);
    let Drive { belt_ratio, slip, .. } = scenario.circuit.drive;
    let post = point_truth(&solution.post, &waves.electrical_angle_rad);
    let battery = point_truth(&solution.battery, &waves.electrical_angle_rad);
    Ok(Truth {
        schema_version: TRUTH_VERSION,
        library_version: sixpulse::VERSION.into(),
        pattern,
        sub_kind: scenario.sub_kind(),
        fault: scenario.fault,
        condition: scenario.condition,
        faults: places(scenario),
        pulse_number: scenario.pulse_number(),
        electrical_hz,
        electrical_track: track(&waves.electrical_hz, waves.sample_rate_hz),
        engine_rpm: alternator_rpm / (belt_ratio * (1.0 - slip)),
        alternator_rpm,
        pole_pairs,
        attenuation: attenuation(&post, &battery),
        post,
        battery,
        bridge_current_a,
        battery_current_a: mean(&solution.battery_current),
        sensor: None,
        traces: Vec::new(),
    })
}

fn places(scenario: &Scenario) -> Vec<FaultPlace> {
    fault_places(&scenario.circuit)
}

/// Ripple below this is numerical, volts.
const NO_RIPPLE_V: f64 = 1e-6;

fn attenuation(post: &PointTruth, battery: &PointTruth) -> Option<f64> {
    (post.rms_v > NO_RIPPLE_V).then(|| 1.0 - battery.rms_v / post.rms_v)
}

/// The pattern shown, with the charging state seen in the solution.
fn judged(scenario: &Scenario, bridge_current_a: f64) -> Result<Pattern> {
    let charges = bridge_current_a >= CHARGING_LIMIT_A;
    match scenario.fault {
        Fault::NotCharging if charges => {
            Err(contradiction("fault", &format!("is not_charging, but the bridge delivers {bridge_current_a} A")))
        }
        Fault::NotCharging => Ok(Pattern::NotCharging),
        Fault::Custom if !charges => Ok(Pattern::NotCharging),
        fault if !charges => {
            let reason = format!("is {}, but the bridge delivers {bridge_current_a} A", fault.as_str());
            Err(contradiction("fault", &reason))
        }
        _ => Ok(pattern_of(&scenario.circuit)),
    }
}

/// Transfer of the coupled ripple order by order; nothing for a clean circuit.
fn coupled_orders(sensor: &Sensor, line: &SensorSignal, solution: &Solution) -> Vec<OrderTransfer> {
    if !sensor.contaminated() {
        return Vec::new();
    }
    let coupled: Vec<f64> = line.line_v.iter().zip(&line.own_v).map(|(y, x)| y - x).collect();
    order_transfer(&solution.post, &coupled, &solution.waves.electrical_angle_rad)
}

fn sensor_truth(sensor: &Sensor, line: &SensorSignal, sources: Sources<'_>) -> SensorTruth {
    let coupled: Vec<f64> = line.line_v.iter().zip(&line.own_v).map(|(y, x)| y - x).collect();
    let turning = sensor.ring.tooth_hz > 0.0;
    let (gain_v_per_v, delay_s) = sensor.plain_transfer();
    let counted = sensor.conditioner.count(&line.line_v, sources.rate_hz);
    let low = line.own_v.iter().copied().fold(f64::INFINITY, f64::min);
    let high = line.own_v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    SensorTruth {
        role: sensor.role(),
        motion: if turning { Motion::Turning } else { Motion::Still },
        purity: if sensor.contaminated() { Purity::Contaminated } else { Purity::Clean },
        gain_v_per_v,
        delay_s,
        order_transfer: Vec::new(),
        own_frequency_hz: turning.then_some(sensor.ring.tooth_hz),
        own_tooth_hz: turning.then(|| sensor.ring.present_hz()),
        own_peak_to_peak_v: high - low,
        own_rms_v: rms_about(&line.own_v, mean(&line.own_v)),
        coupled_rms_v: rms_about(&coupled, mean(&coupled)),
        clean_indicated_hz: sensor.conditioner.count(&line.own_v, sources.rate_hz).frequency_hz(),
        indicated_hz: counted.frequency_hz(),
        indicated_pulses: counted.pulses,
    }
}
