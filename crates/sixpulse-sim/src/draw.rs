//! Scenarios drawn at random: the Monte-Carlo distributions.
//!
//! Letters: U uniform, L uniform in the logarithm, W weighted list. READ: the basis was read in the source named in the
//! project's list of reference values (D1, D2, E); READ-2ND: read as quoted by another; DERIVED: worked out; MEMORY:
//! recalled, not retrieved (hi, mid, lo: how sure). "chosen" is ours, wide enough to hold what is met.
//!
//! | quantity | distribution | basis |
//! |---|---|---|
//! | fault | W healthy 34, open diode 14, shorted diode 11, open phase 11, two open same rail 5, opposite rails 5, resistive joint 5, weak phase 5, leaking diode 5, not charging 5 | chosen |
//! | condition, healthy | W plain 40, poor battery, switched load, uneven engine, ramp 15 each | chosen |
//! | condition, faulty | W plain 60, the other four 10 each | chosen |
//! | system | W 12 V 88, 24 V 12 | chosen |
//! | stators | one (six pulses) unless 12 pulses are asked for | chosen |
//! | pole pairs | W 6: 60, 7: 15, 8: 25 | READ-2ND 6, 8; READ 7; weights MEMORY mid |
//! | belt ratio, slip | U 1.8-3.3; U 0-0.02 | READ 1.78-3.3; slip MEMORY lo |
//! | engine speed | L 450-3500 /min, kept where the electrical frequency is 90-750 Hz | DERIVED E3 |
//! | connection | W star 70, delta 30 | READ-2ND both |
//! | Ls (star equivalent) | L 55-250 uH; 24 V machines L 110-500 uH; in 30 % falling with field current to 0.6 | READ-2ND 57-120, saturation; upper end MEMORY lo |
//! | Rs (star equivalent, 20 C) | L 10-60 mohm; 24 V machines twice that; copper at U 20-110 C | READ-2ND 10, 37; MEMORY |
//! | EMF harmonics 3, 5, 7 | U 0-0.15, U -0.08-0.08, U -0.05-0.05 | MEMORY lo |
//! | imbalance of EMF amplitude; angle | U +-1 % a phase (spread to 2 %); U +-0.01 rad | DERIVED A3; angle chosen |
//! | diode | W exponential 60: N U 1.0-1.6, 0.62-0.82 V at 10 A, RS L 1-8 mohm; piecewise 40: U 0.65-0.95 V, L 2-10 mohm; 80 % break down at U 20-30 V (24 V: 36-50 V) | MEMORY mid |
//! | suppression capacitor | L 0.3-5 uF with L 1-100 mohm; absent in 4 % | MEMORY mid; series resistance, absence chosen |
//! | cable | L 2-20 mohm, L 0.4-5 uH; bad joint L 5-60 mohm in 8 %; at most 0.8 V across each at the expected current (24 V: 1.6 V) | limit 10 mohm READ; inductance DERIVED; drop chosen |
//! | battery | EMF U 12.9-14.0 V under charge, higher where more than 60 A would flow in at the set point (not charging: U 11.8-13.6), L 3-15 mohm, L 50-500 nH, R\|\|C U 1.5-10 mohm with L 1-10 F; 24 V: voltages and resistances twice | MEMORY mid |
//! | poor battery | L 25-120 mohm, L 0.1-3.5 uH, R\|\|C U 5-30 mohm with L 0.5-4 F | MEMORY mid ("to 40 mohm aged"), widened |
//! | ground path | L 0.3-5 mohm, at most 0.3 V at the expected current | chosen |
//! | loads | L 8-80 A (24 V: half) at the set point, at the body, 30 % of them split with the engine | chosen |
//! | switched load | W 50 switched current U 6-30 A (24 V: half), L 15-400 Hz, duty U 0.2-0.8, edges L 5-100 us; 25 resistive with hard edges, the same; 25 pulsed current at the firing frequency U 4-15 A, rise L 0.2-2 ms, fall L 20-200 us; edges slowed, hard edges reduced in current, until the post rings by 3 V at most | edges MEMORY mid (power switches slew for radio interference); rest chosen |
//! | set point | U 13.3-15.2 V (24 V: twice) | READ E2 |
//! | excitation | W 75 regulated (averaged over the regulator's switching; PWM L 60-400 Hz in 80 %, hysteretic in 20 % where the switching is asked for), 25 fixed field with the EMF that carries loads and battery at the set point x U 0.97-1.03, in 15 % for U 1.1-1.3 times that current; with a shorted diode U 1.2-1.5 times the EMF | chosen |
//! | EMF margin | greatest over needed flux linkage U 1.1-2.5 | READ-2ND curves (D1) |
//! | firing irregularity | 3, 4, 6 or 8 cylinders; U 0-1 %, uneven engine U 1.5-5 %; half of them with a half-order part | MEMORY mid (1-10 %) |
//! | drift of speed | U +-1.5 % over the record; ramp: U 10-40 % either way | chosen |
//! | open phase | half by the lead, half by both diodes | chosen |
//! | short; joint; leak | L 1-10 mohm; U 50-250 mohm in a diode or a lead; L 0.5-5 ohm | MEMORY mid |
//! | weak phase | EMF U 60-85 %, or (40 %) U 8-25 % of the turns shorted through L 1-20 mohm | chosen |
//! | not charging | EMF U 3-70 % of what begins to charge | chosen |
//! | sample rate | W 20, 25, 50, 100, 125, 200, 250, 500 kS/s, 1 MS/s: 6, 12, 20, 22, 8, 14, 8, 7, 3, at least 26 samples a cycle | chosen |
//! | record | L 8-200 electrical cycles, 600 000 samples at most | chosen |
//! | converter, screen | W 8 bits 30, 10: 15, 12: 40, 16: 15; W 2 divisions 30, 8: 40, 10: 20, 12: 10 | chosen |
//! | coupling | AC in 45 %, corner at the tip L 0.5-10 Hz | MEMORY mid (3.5-10 Hz, a tenth with a probe) |
//! | position | DC: shifted to the middle in 40 % | chosen |
//! | bandwidth; probe; noise | L 20 kHz-20 MHz; 10:1 in 25 %; L 1-25 mV a channel | chosen |
//! | sensor | absent in 6 %; still or turning, clean or contaminated 25 % each; Hall in 15 % | chosen |
//! | ring | L 120-1000 Hz; in 15 % within 3 % of a ripple order; teeth 44, 40, 60-2, 36-1, 8 | READ E4 (44, 60-2, 36-1); rest chosen |
//! | coil | L 1-8 mV/Hz, U 0.6-2.5 kohm, L 0.2-1.5 H, load L 5-50 kohm; run-out U 0-10 %, teeth 1 % | MEMORY mid |
//! | path | W plain gain L 0.1-0.8 (20 % of them reversed), delay U 0-80 us: 80; shared ground L 2-20 mohm, supply L 0.1-0.8 below L 0.3-10 kHz, capacitive L 0.2-1 above L 0.1-2 kHz, inductive L 0.05-1 uH: 5 each | chosen |
//! | conditioner | W adaptive 80 (1/3 of peak, 30 mV least, 85 ms watchdog, decay U 20-100 ms), fixed U 0.1-0.4 V: 20 | READ-2ND E5 1/3; MEMORY mid |
//! | engine speed known | in 50 %, reading error normal 0.2 % | chosen |

use std::f64::consts::{PI, TAU};

use serde::{Deserialize, Serialize};
use sixpulse::Coupling;
use sixpulse::rectifier::Pattern;

use crate::bridge::{Bridge, DiodeCondition, DiodeModel, LeadCondition};
use crate::domain;
use crate::error::{Error, Result};
use crate::kind::{Condition, Fault, Wanted};
use crate::machine::{
    Alternator, Drive, EmfHarmonic, EmfShape, Excitation, FieldWinding, FiringHarmonic, FiringIrregularity, FluxCurve,
    Inductance, Regulator, RegulatorAction, SensePoint, SpeedProfile, StatorLayout, TurnShort, Winding,
};
use crate::network::{Battery, Cable, Load, LoadKind, LoadPlace, Network, RcPair, SuppressionCapacitor};
use crate::rng::{Random, STREAM_VERSION, Stream};
use crate::scenario::{Channels, EngineSpeed, FieldRegulation, SCENARIO_VERSION, Scenario};
use crate::scope::{Channel, RangeChoice, Scope, Undersampling};
use crate::sensor::{Conditioner, Element, Path, Ring, Sensor, Source};
use crate::solve::Circuit;

/// What a draw is held to; what is `None` is drawn.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Draw {
    /// Pattern, fault, or fault with condition (see [`Wanted`]).
    pub pattern: Option<String>,
    /// Electrical frequency in the middle of the record, hertz, 20 to 3000.
    pub electrical_hz: Option<f64>,
    /// Nominal voltage, 12 or 24.
    pub system_v: Option<u32>,
    /// Pulses in an electrical cycle, 6 or 12.
    pub pulse_number: Option<u32>,
    /// The sensor's circuit.
    pub sensor_mode: Option<SensorMode>,
    /// Samples per second, 1000 to 1e7.
    pub sample_rate_hz: Option<f64>,
    /// Length of the record in electrical cycles, 1 to 10 000.
    pub cycles: Option<f64>,
    /// Bits of the converter, 8 to 16.
    pub bits: Option<u32>,
    /// Coupling of the two supply channels.
    pub coupling: Option<Coupling>,
}

/// The sensor's circuit, as a draw is asked for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SensorMode {
    /// No sensor.
    Absent,
    /// Clean, standing.
    CleanStill,
    /// Clean, turning.
    CleanTurning,
    /// Contaminated, standing.
    ContaminatedStill,
    /// Contaminated, turning.
    ContaminatedTurning,
}

impl SensorMode {
    fn turning(self) -> bool {
        matches!(self, Self::CleanTurning | Self::ContaminatedTurning)
    }
    fn contaminated(self) -> bool {
        matches!(self, Self::ContaminatedStill | Self::ContaminatedTurning)
    }
}

/// Sample rates with their weights.
const SAMPLE_RATES: [(f64, f64); 9] = [
    (20e3, 6.0),
    (25e3, 12.0),
    (50e3, 20.0),
    (100e3, 22.0),
    (125e3, 8.0),
    (200e3, 14.0),
    (250e3, 8.0),
    (500e3, 7.0),
    (1e6, 3.0),
];
/// Least samples in the shortest electrical cycle: order 12 stays below half the sample rate.
const LEAST_PER_CYCLE: f64 = 26.0;
/// Most amperes into a 12 V battery at the set point.
const MOST_CHARGING_A: f64 = 60.0;
/// Most volts across the sound cable, and across its bad joint, at the expected current of a 12 V system.
const CABLE_DROP_V: f64 = 0.8;
/// The same for the ground path.
const GROUND_DROP_V: f64 = 0.3;
/// Amplitude to which a switched load may ring the charging post of a 12 V system, in volts: what rings harder has a
/// filter of its own or slower edges.
const RINGING_V: f64 = 3.0;
/// Most samples drawn.
const MOST_SAMPLES: f64 = 600_000.0;

/// Draws member `member` of the family that `seed` names.
///
/// # Errors
/// [`Error::OutOfRange`] for a wish outside its domain, `unknown_name` for a pattern that does not exist,
/// [`Error::InvalidCombination`] for wishes that exclude each other.
pub fn draw(seed: u64, member: u64, wanted: &Draw) -> Result<Scenario> {
    check(wanted)?;
    let kind: Wanted = wanted.pattern.as_deref().map_or(Ok(Wanted::default()), str::parse)?;
    let mut r = Random::new(seed, member, Stream::Draw);
    let basis = Basis::draw(&mut r, kind, wanted);
    let network = draw_network(&mut r, &basis);
    let mut alternator = draw_alternator(&mut r, &basis, &network);
    let mut bridge = draw_bridge(&mut r, &basis);
    break_it(&mut r, &basis, &mut alternator, &mut bridge);
    let (scope, channels) = draw_instrument(&mut r, &basis, wanted);
    let sensor = draw_sensor(&mut r, &basis, wanted);
    let record_s = scope.samples as f64 / scope.sample_rate_hz;
    let drive = basis.drive(&mut r, record_s);
    let error_ratio = 0.002 * r.normal();
    let engine_speed = if r.chance(0.5) { EngineSpeed::Known { error_ratio } } else { EngineSpeed::Unknown };
    let scenario = Scenario {
        schema_version: SCENARIO_VERSION,
        stream_version: STREAM_VERSION,
        seed,
        member,
        fault: basis.fault,
        condition: basis.condition,
        circuit: Circuit { alternator, drive, bridge, network },
        field_regulation: FieldRegulation::Averaged,
        channels: Channels { sensor: sensor.as_ref().and(channels.sensor.clone()), ..channels },
        sensor,
        scope,
        settle_s: (8.0 / basis.electrical_hz).max(0.02),
        engine_speed,
        battery_temperature_c: None,
    };
    scenario.check()?;
    Ok(scenario)
}

impl Scenario {
    /// The scenario of a seed: [`draw`] for member 0, the pattern as wanted.
    ///
    /// # Errors
    /// As [`draw`].
    pub fn draw(seed: u64, wanted: Wanted) -> Result<Self> {
        let pattern = match (wanted.fault, wanted.condition, wanted.pattern) {
            (Some(fault), condition, _) => Some(crate::kind::sub_kind(fault, condition.unwrap_or(Condition::Plain))),
            (None, _, pattern) => pattern.map(|p| p.as_str().to_owned()),
        };
        draw(seed, 0, &Draw { pattern, ..Draw::default() })
    }
}

fn check(wanted: &Draw) -> Result<()> {
    let range = |name: &str, value: Option<f64>, low: f64, high: f64, unit: &str| match value {
        Some(v) => domain::between(name, v, low, high, unit),
        None => Ok(()),
    };
    range("electrical_hz", wanted.electrical_hz, 20.0, 3000.0, "Hz")?;
    range("sample_rate_hz", wanted.sample_rate_hz, 1000.0, 1e7, "Hz")?;
    range("cycles", wanted.cycles, 1.0, 10_000.0, "cycles")?;
    range("bits", wanted.bits.map(f64::from), 8.0, 16.0, "")?;
    one_of("system_v", wanted.system_v, [12, 24])?;
    one_of("pulse_number", wanted.pulse_number, [6, 12])
}

fn one_of(name: &str, value: Option<u32>, known: [u32; 2]) -> Result<()> {
    match value {
        Some(v) if !known.contains(&v) => Err(Error::OutOfRange {
            parameter: name.into(),
            expected: format!("{} or {}", known[0], known[1]),
            actual: f64::from(v),
        }),
        _ => Ok(()),
    }
}

/// What several parts of a scenario share.
#[derive(Debug, Clone)]
struct Basis {
    fault: Fault,
    condition: Condition,
    /// 1 for 12 V, 2 for 24 V.
    voltage: f64,
    layout: StatorLayout,
    pole_pairs: u32,
    belt_ratio: f64,
    slip: f64,
    /// In the middle of the record.
    electrical_hz: f64,
    /// Relative change over the record.
    drift: f64,
    set_point_v: f64,
    load_a: f64,
    cylinders: u32,
}

impl Basis {
    fn draw(r: &mut Random, kind: Wanted, wanted: &Draw) -> Self {
        let fault = draw_fault(r, kind);
        let condition = draw_condition(r, fault, kind);
        let voltage = match (wanted.system_v, r.chance(0.12)) {
            (Some(24), _) | (None, true) => 2.0,
            _ => 1.0,
        };
        let layout = match wanted.pulse_number {
            Some(12) => StatorLayout::DualThirtyDegrees,
            _ => StatorLayout::Single,
        };
        let (pole_pairs, belt_ratio, slip, electrical_hz) = draw_speed(r, wanted.electrical_hz);
        let drift = match condition {
            Condition::Ramp => r.uniform(0.1, 0.4) * if r.chance(0.5) { 1.0 } else { -1.0 },
            _ => r.uniform(-0.015, 0.015),
        };
        Self {
            fault,
            condition,
            voltage,
            layout,
            pole_pairs,
            belt_ratio,
            slip,
            electrical_hz,
            drift,
            set_point_v: voltage * r.uniform(13.3, 15.2),
            load_a: r.log_uniform(8.0, 80.0) / voltage,
            cylinders: r.weighted(&[(3, 10.0), (4, 50.0), (6, 30.0), (8, 10.0)], 4),
        }
    }

    fn engine_rpm(&self) -> f64 {
        60.0 * self.electrical_hz / (f64::from(self.pole_pairs) * self.belt_ratio * (1.0 - self.slip))
    }

    /// Lowest electrical frequency of the record.
    fn slowest_hz(&self) -> f64 {
        self.electrical_hz * (1.0 - 0.5 * self.drift.abs())
    }

    fn drive(&self, r: &mut Random, record_s: f64) -> Drive {
        let rpm = self.engine_rpm();
        let ratio = match self.condition {
            Condition::UnevenEngine => r.uniform(0.015, 0.05),
            _ => r.uniform(0.0, 0.01),
        };
        let mut harmonics = vec![FiringHarmonic { multiple: 1.0, ratio, phase_rad: r.uniform(-PI, PI) }];
        if r.chance(0.5) {
            let half = ratio * r.uniform(0.05, 0.4);
            harmonics.push(FiringHarmonic { multiple: 0.5, ratio: half, phase_rad: r.uniform(-PI, PI) });
        }
        Drive {
            engine: SpeedProfile::Ramp {
                from_rpm: rpm * (1.0 - 0.5 * self.drift),
                to_rpm: rpm * (1.0 + 0.5 * self.drift),
                start_s: 0.0,
                duration_s: record_s,
            },
            irregularity: Some(FiringIrregularity { cylinders: self.cylinders, harmonics }),
            belt_ratio: self.belt_ratio,
            slip: self.slip,
            initial_angle_rad: r.uniform(-PI, PI),
        }
    }
}

fn draw_fault(r: &mut Random, kind: Wanted) -> Fault {
    const MIX: [(Fault, f64); 10] = [
        (Fault::Healthy, 34.0),
        (Fault::OpenDiode, 14.0),
        (Fault::ShortedDiode, 11.0),
        (Fault::OpenPhase, 11.0),
        (Fault::TwoOpenSameRail, 5.0),
        (Fault::TwoOpenOpposite, 5.0),
        (Fault::ResistiveJoint, 5.0),
        (Fault::WeakPhase, 5.0),
        (Fault::LeakingDiode, 5.0),
        (Fault::NotCharging, 5.0),
    ];
    let allowed: Vec<(Fault, f64)> = MIX
        .into_iter()
        .filter(|(f, _)| kind.fault.is_none_or(|k| k == *f) && kind.pattern.is_none_or(|p| f.pattern() == Some(p)))
        .collect();
    r.weighted(&allowed, Fault::Healthy)
}

fn draw_condition(r: &mut Random, fault: Fault, kind: Wanted) -> Condition {
    let (plain, other) = if fault.pattern() == Some(Pattern::Healthy) { (40.0, 15.0) } else { (60.0, 10.0) };
    let drawn = r.weighted(
        &[
            (Condition::Plain, plain),
            (Condition::PoorBattery, other),
            (Condition::SwitchedLoad, other),
            (Condition::UnevenEngine, other),
            (Condition::Ramp, other),
        ],
        Condition::Plain,
    );
    kind.condition.unwrap_or(drawn)
}

/// Pole pairs, belt ratio, slip and electrical frequency that go together at an engine speed of 450 to 3500 /min.
fn draw_speed(r: &mut Random, wanted_hz: Option<f64>) -> (u32, f64, f64, f64) {
    loop {
        let pole_pairs = r.weighted(&[(6, 60.0), (7, 15.0), (8, 25.0)], 6);
        let belt_ratio = r.uniform(1.8, 3.3);
        let slip = r.uniform(0.0, 0.02);
        let per_rpm = f64::from(pole_pairs) * belt_ratio * (1.0 - slip) / 60.0;
        let electrical_hz = per_rpm * r.log_uniform(450.0, 3500.0);
        match wanted_hz {
            Some(hz) => return (pole_pairs, belt_ratio, slip, hz),
            None if (90.0..=750.0).contains(&electrical_hz) => return (pole_pairs, belt_ratio, slip, electrical_hz),
            None => {}
        }
    }
}

fn draw_network(r: &mut Random, b: &Basis) -> Network {
    let capacitor = SuppressionCapacitor { farad: r.log_uniform(0.3e-6, 5e-6), series_ohm: r.log_uniform(1e-3, 0.1) };
    let capacitor = (!r.chance(0.04)).then_some(capacitor);
    let battery = draw_battery(r, b);
    let ampere = b.load_a + charging_a(b, &battery);
    let at_most = |volts: f64, ohm: f64| ohm.min(b.voltage * volts / ampere);
    let cable = Cable {
        resistance_ohm: at_most(CABLE_DROP_V, r.log_uniform(2e-3, 0.02)),
        inductance_h: r.log_uniform(0.4e-6, 5e-6),
        joint_ohm: at_most(CABLE_DROP_V, r.log_uniform(5e-3, 0.06)) * f64::from(u8::from(r.chance(0.08))),
    };
    let ground_ohm = at_most(GROUND_DROP_V, r.log_uniform(0.3e-3, 5e-3));
    let mut network = Network { capacitor, cable, battery: Some(battery), ground_ohm, loads: draw_loads(r, b) };
    if b.condition == Condition::SwitchedLoad {
        let load = draw_switched_load(r, b, &network);
        network.loads.push(load);
    }
    network
}

/// Mean charging current at the set point, in amperes: the least is 1 A.
fn charging_a(b: &Basis, battery: &Battery) -> f64 {
    ((b.set_point_v - battery.emf_v) / impedance_ohm(battery)).max(1.0)
}

fn impedance_ohm(battery: &Battery) -> f64 {
    battery.resistance_ohm + battery.pairs.iter().map(|p| p.ohm).sum::<f64>()
}

fn draw_battery(r: &mut Random, b: &Basis) -> Battery {
    let idle_v = r.uniform(11.8, 13.6);
    let charged_v = r.uniform(12.9, 14.0);
    let poor = b.condition == Condition::PoorBattery;
    let (ohm, henry, slow_ohm, farad) = if poor {
        (r.log_uniform(0.025, 0.12), r.log_uniform(0.1e-6, 3.5e-6), r.uniform(5e-3, 0.03), r.log_uniform(0.5, 4.0))
    } else {
        (r.log_uniform(3e-3, 0.015), r.log_uniform(50e-9, 500e-9), r.uniform(1.5e-3, 0.01), r.log_uniform(1.0, 10.0))
    };
    // A battery under charge: its slow polarisation lifts the open-circuit voltage until the current is no greater.
    let least_v = b.set_point_v / b.voltage - MOST_CHARGING_A / b.voltage * (ohm + slow_ohm);
    let emf_v = match b.fault {
        Fault::NotCharging => idle_v,
        _ => charged_v.max(least_v).min(b.set_point_v / b.voltage - 0.1),
    };
    Battery {
        emf_v: b.voltage * emf_v,
        resistance_ohm: b.voltage * ohm,
        inductance_h: b.voltage * henry,
        pairs: vec![RcPair { ohm: b.voltage * slow_ohm, farad: farad / b.voltage }],
    }
}

fn draw_loads(r: &mut Random, b: &Basis) -> Vec<Load> {
    let ohm = b.set_point_v / b.load_a;
    let share = r.uniform(0.1, 0.6);
    if r.chance(0.3) {
        vec![
            Load { place: LoadPlace::Body, kind: LoadKind::Resistive { ohm: ohm / (1.0 - share) } },
            Load { place: LoadPlace::Engine, kind: LoadKind::Resistive { ohm: ohm / share } },
        ]
    } else {
        vec![Load { place: LoadPlace::Body, kind: LoadKind::Resistive { ohm } }]
    }
}

/// Three loads in four are switched, a third of them with edges that take no time; the rest are pulsed at the firing
/// frequency.
fn draw_switched_load(r: &mut Random, b: &Basis, network: &Network) -> Load {
    let phase = r.unit();
    let (switched_a, pulsed_a) = (r.uniform(6.0, 30.0) / b.voltage, r.uniform(4.0, 15.0) / b.voltage);
    let (frequency_hz, duty) = (r.log_uniform(15.0, 400.0), r.uniform(0.2, 0.8));
    let edge_s = r.log_uniform(5e-6, 100e-6);
    let battery_h = network.battery.as_ref().map_or(0.0, |x| x.inductance_h);
    let slowed = |edge_s: f64, ampere: f64| edge_s.max(2.0 * ampere * battery_h / (b.voltage * RINGING_V));
    if r.chance(0.25) {
        // Firing frequency of a four-stroke engine.
        let frequency_hz = b.engine_rpm() / 120.0 * f64::from(b.cylinders);
        let duty = r.uniform(0.05, 0.3);
        let rise_s = slowed(r.log_uniform(0.2e-3, 2e-3), pulsed_a).min(0.8 * duty / frequency_hz);
        let fall_s = slowed(r.log_uniform(20e-6, 200e-6), pulsed_a).min(0.5 * (1.0 - duty) / frequency_hz);
        let kind = LoadKind::PulsedCurrent { ampere: pulsed_a, frequency_hz, duty, rise_s, fall_s, phase };
        return Load { place: LoadPlace::Engine, kind };
    }
    if r.chance(1.0 / 3.0) {
        let ohm = b.set_point_v / switched_a.min(hard_edge_limit_a(b, network));
        return Load { place: LoadPlace::Body, kind: LoadKind::SwitchedResistive { ohm, frequency_hz, duty, phase } };
    }
    let rise_s = slowed(edge_s, switched_a);
    let kind = LoadKind::PulsedCurrent { ampere: switched_a, frequency_hz, duty, rise_s, fall_s: rise_s, phase };
    Load { place: LoadPlace::Body, kind }
}

/// Current whose sudden interruption at the battery post rings the charging post by [`RINGING_V`]: cable and battery
/// share the step in inverse proportion to their inductances, and the cable's part runs into the capacitor.
fn hard_edge_limit_a(b: &Basis, network: &Network) -> f64 {
    let battery_h = network.battery.as_ref().map_or(0.0, |x| x.inductance_h);
    let henry = network.cable.inductance_h + battery_h;
    let farad = network.capacitor.map_or(crate::model::STRAY.0, |c| c.farad);
    b.voltage * RINGING_V * henry / battery_h / libm::sqrt(henry / farad)
}

/// Stator of the star-equivalent values.
struct Stator {
    henry: f64,
    ohm: f64,
    copper: f64,
}

/// Line-to-neutral peak EMF that drives `dc_a` into `dc_v` behind Ls and Rs: the constant-voltage-load formula
/// `I = sqrt(E^2 - (2 V / pi)^2) / |Z|`, `dc = (3 / pi) I` (Caliskan et al., IEEE Trans. Circuits Syst. I 50(9), 2003,
/// from memory), with Rs in phase with the voltage.
fn needed_emf(stator: &Stator, electrical_hz: f64, dc_v: f64, dc_a: f64) -> f64 {
    let current = dc_a * PI / 3.0;
    let along = 2.0 * dc_v / PI + stator.ohm * stator.copper * current;
    let across = TAU * electrical_hz * stator.henry * current;
    libm::sqrt(along * along + across * across)
}

fn draw_alternator(r: &mut Random, b: &Basis, network: &Network) -> Alternator {
    let temperature_c = r.uniform(20.0, 110.0);
    let henry = b.voltage * r.log_uniform(55e-6, 250e-6);
    let ohm = b.voltage * r.log_uniform(0.01, 0.06);
    let copper = 1.0 + crate::machine::COPPER_PER_KELVIN * (temperature_c - 20.0);
    let winding = if r.chance(0.3) { Winding::Delta } else { Winding::Star };
    // A delta coil has three times the impedance of its star equivalent and sqrt 3 times the EMF.
    let (impedance, emf) = if winding == Winding::Delta { (3.0, libm::sqrt(3.0)) } else { (1.0, 1.0) };
    let excitation = draw_excitation(r, b, &Stator { henry, ohm, copper }, network, emf);
    Alternator {
        pole_pairs: b.pole_pairs,
        layout: b.layout,
        winding,
        emf: draw_emf(r, b),
        resistance_ohm: impedance * ohm,
        temperature_c,
        inductance: draw_inductance(r, impedance * henry),
        mutual_ratio: r.uniform(-0.1, 0.0),
        excitation,
        turn_short: None,
    }
}

fn draw_emf(r: &mut Random, b: &Basis) -> EmfShape {
    let phases = b.layout.phases();
    let harmonics = [(3, r.uniform(0.0, 0.15)), (5, r.uniform(-0.08, 0.08)), (7, r.uniform(-0.05, 0.05))]
        .into_iter()
        .map(|(order, ratio)| EmfHarmonic { order, ratio, phase_rad: 0.0 })
        .collect();
    let scale = r.unit();
    EmfShape {
        harmonics,
        phase_scale: (0..phases).map(|_| 1.0 + 0.01 * scale * r.uniform(-1.0, 1.0)).collect(),
        phase_error_rad: (0..phases).map(|_| 0.01 * scale * r.uniform(-1.0, 1.0)).collect(),
    }
}

fn draw_inductance(r: &mut Random, henry: f64) -> Inductance {
    let knee_a = r.uniform(1.5, 4.0);
    if r.chance(0.7) {
        return Inductance::Constant { henry };
    }
    // The drawn value stands halfway down the fall.
    Inductance::Law { unsaturated_h: 1.25 * henry, saturated_h: 0.75 * henry, knee_a }
}

fn draw_excitation(r: &mut Random, b: &Basis, stator: &Stator, network: &Network, coil: f64) -> Excitation {
    let battery_a = network.battery.as_ref().map_or(0.0, |x| charging_a(b, x));
    let stators = if b.layout == StatorLayout::DualThirtyDegrees { 2.0 } else { 1.0 };
    // On a ramp the slowest speed carries the loads alone: the current rises with the EMF from there.
    let battery_a = if b.condition == Condition::Ramp { 1.0 } else { battery_a };
    let overdriven = if r.chance(0.15) { r.uniform(1.1, 1.3) } else { 1.0 };
    // A shorted diode takes a part of the machine's current round and round: without more EMF it would not charge.
    let burdened = if b.fault == Fault::ShortedDiode { r.uniform(1.2, 1.5) } else { 1.0 };
    let dc_a = overdriven * (b.load_a + battery_a) / stators;
    // Two diodes in series, and the cable's drop.
    let dc_v = b.set_point_v + 1.8 + network.cable.resistance_ohm * dc_a;
    let peak_v = coil * burdened * r.uniform(0.97, 1.03) * needed_emf(stator, b.slowest_hz(), dc_v, dc_a);
    let (winding, field_a) = draw_field(r, b, peak_v);
    let regulated = draw_regulator(r, b);
    if b.fault == Fault::NotCharging {
        return dead_field(r, b, coil);
    }
    if r.chance(0.75) {
        return Excitation::Regulated { winding, regulator: regulated, initial_field_a: None };
    }
    Excitation::FixedField { field_a, winding }
}

/// A field winding whose linkage at some current gives `peak_v` at the lowest speed; that current with it.
fn draw_field(r: &mut Random, b: &Basis, peak_v: f64) -> (FieldWinding, f64) {
    let margin = r.uniform(1.1, 2.5);
    let knee_a = r.uniform(2.0, 8.0);
    let resistance_ohm = b.voltage * b.voltage * r.uniform(1.8, 3.5);
    let needed_wb = peak_v / (TAU * b.slowest_hz());
    let most_a = b.set_point_v / resistance_ohm;
    let saturated_wb = margin * needed_wb * (knee_a + most_a) / most_a;
    let field_a = knee_a * needed_wb / (saturated_wb - needed_wb);
    let flux = FluxCurve::Froelich { saturated_wb, knee_a, residual_wb: 0.0 };
    (FieldWinding { resistance_ohm, inductance_h: b.voltage * b.voltage * r.uniform(0.1, 0.3), flux }, field_a)
}

fn draw_regulator(r: &mut Random, b: &Basis) -> Regulator {
    let pwm = RegulatorAction::Pwm {
        frequency_hz: r.log_uniform(60.0, 400.0),
        proportional_per_v: r.uniform(0.5, 3.0) / b.voltage,
        integral_per_vs: r.uniform(1.0, 10.0) / b.voltage,
    };
    let hysteretic = RegulatorAction::Hysteretic { band_v: b.voltage * r.uniform(0.05, 0.3) };
    Regulator {
        set_point_v: b.set_point_v,
        temperature_v_per_k: 0.0,
        temperature_c: 25.0,
        sense: if r.chance(0.7) { SensePoint::ChargingPost } else { SensePoint::BatteryPost },
        filter_s: r.log_uniform(1e-3, 10e-3),
        action: if r.chance(0.8) { pwm } else { hysteretic },
    }
}

/// An EMF whose line peak, two diodes deducted, stays below the battery.
fn dead_field(r: &mut Random, b: &Basis, coil: f64) -> Excitation {
    let line_peak = libm::sqrt(3.0) * coil;
    let begins = b.voltage * 11.8 / line_peak;
    let peak_v = begins * r.uniform(0.03, 0.7);
    let fastest = b.electrical_hz * (1.0 + 0.5 * b.drift.abs());
    let weber_per_a = peak_v / (TAU * fastest);
    let winding = FieldWinding { resistance_ohm: 3.0, inductance_h: 0.2, flux: FluxCurve::Linear { weber_per_a } };
    Excitation::FixedField { field_a: 1.0, winding }
}

fn draw_bridge(r: &mut Random, b: &Basis) -> Bridge {
    let clamp_v = if b.voltage > 1.0 { r.uniform(36.0, 50.0) } else { r.uniform(20.0, 30.0) };
    let breakdown_v = r.chance(0.8).then_some(clamp_v);
    let emission = r.uniform(1.0, 1.6);
    let at_ten_amperes = r.uniform(0.62, 0.82);
    let exponential = DiodeModel::Exponential {
        saturation_a: 10.0 * libm::exp(-at_ten_amperes / (emission * 0.025_864)),
        emission,
        series_ohm: r.log_uniform(1e-3, 8e-3),
        breakdown_v,
    };
    let piecewise = DiodeModel::PiecewiseLinear {
        forward_v: r.uniform(0.65, 0.95),
        slope_ohm: r.log_uniform(2e-3, 0.01),
        breakdown_v,
        breakdown_slope_ohm: r.log_uniform(5e-3, 0.05),
    };
    Bridge::sound(if r.chance(0.6) { exponential } else { piecewise }, b.layout.phases())
}

/// Puts the fault in.
fn break_it(r: &mut Random, b: &Basis, alternator: &mut Alternator, bridge: &mut Bridge) {
    // Both phases of a pair belong to one stator: two halves of a twelve-pulse machine hardly see each other's faults.
    let phase = r.below(b.layout.phases());
    let first = phase - phase % 3;
    let other = first + (phase % 3 + 1 + r.below(2)) % 3;
    let positive = r.chance(0.5);
    let mut set = |leg: usize, positive: bool, condition: DiodeCondition| {
        let Some(leg) = bridge.legs.get_mut(leg) else { return };
        *(if positive { &mut leg.positive } else { &mut leg.negative }) = condition;
    };
    match b.fault {
        Fault::OpenDiode => set(phase, positive, DiodeCondition::Open),
        Fault::ShortedDiode => set(phase, positive, DiodeCondition::Shorted { ohm: r.log_uniform(1e-3, 0.01) }),
        Fault::LeakingDiode => set(phase, positive, DiodeCondition::Leaking { ohm: r.log_uniform(0.5, 5.0) }),
        Fault::TwoOpenSameRail => {
            set(phase, positive, DiodeCondition::Open);
            set(other, positive, DiodeCondition::Open);
        }
        Fault::TwoOpenOpposite => {
            set(phase, positive, DiodeCondition::Open);
            set(other, !positive, DiodeCondition::Open);
        }
        Fault::OpenPhase if r.chance(0.5) => {
            set(phase, true, DiodeCondition::Open);
            set(phase, false, DiodeCondition::Open);
        }
        Fault::OpenPhase => bridge.legs[phase].lead = LeadCondition::Broken,
        Fault::ResistiveJoint => {
            let ohm = r.uniform(0.05, 0.25);
            if r.chance(0.5) {
                set(phase, positive, DiodeCondition::ResistiveJoint { ohm });
            } else {
                bridge.legs[phase].lead = LeadCondition::Resistive { ohm };
            }
        }
        Fault::WeakPhase => weaken(r, phase, alternator),
        Fault::Healthy | Fault::NotCharging | Fault::Custom => {}
    }
}

fn weaken(r: &mut Random, phase: usize, alternator: &mut Alternator) {
    if r.chance(0.4) {
        let (fraction, contact_ohm) = (r.uniform(0.08, 0.25), r.log_uniform(1e-3, 0.02));
        alternator.turn_short = Some(TurnShort { phase, fraction, contact_ohm, coupling: r.uniform(0.5, 0.9) });
        return;
    }
    let scale = r.uniform(0.6, 0.85);
    if let Some(s) = alternator.emf.phase_scale.get_mut(phase) {
        *s *= scale;
    }
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 16 and 20 million")]
fn draw_instrument(r: &mut Random, b: &Basis, wanted: &Draw) -> (Scope, Channels) {
    let fastest = b.electrical_hz
        * (1.0 + 0.5 * b.drift.abs())
        * if b.condition == Condition::UnevenEngine { 1.07 } else { 1.02 };
    let pulses = if b.layout == StatorLayout::DualThirtyDegrees { 2.0 } else { 1.0 };
    let rates: Vec<(f64, f64)> =
        SAMPLE_RATES.into_iter().filter(|(rate, _)| *rate >= LEAST_PER_CYCLE * pulses * fastest).collect();
    let drawn_rate = r.weighted(&rates, 1e6);
    let sample_rate_hz = wanted.sample_rate_hz.unwrap_or(drawn_rate);
    let drawn_cycles = r.log_uniform(8.0, 200.0).min(MOST_SAMPLES * b.electrical_hz / sample_rate_hz);
    let cycles = wanted.cycles.unwrap_or(drawn_cycles);
    let drawn_bits = r.weighted(&[(8, 30.0), (10, 15.0), (12, 40.0), (16, 15.0)], 12);
    let scope = Scope {
        sample_rate_hz,
        samples: libm::ceil(cycles / b.electrical_hz * sample_rate_hz).clamp(16.0, 2e7) as usize,
        bits: wanted.bits.unwrap_or(drawn_bits),
        divisions: r.weighted(&[(2, 30.0), (8, 40.0), (10, 20.0), (12, 10.0)], 8),
        undersampling: Undersampling::Refuse,
        dropout: None,
    };
    let ac = r.chance(0.45);
    let coupling = wanted.coupling.unwrap_or(if ac { Coupling::Ac } else { Coupling::Dc });
    let probe_factor = if r.chance(0.25) { 10.0 } else { 1.0 };
    let supply = Channel {
        coupling,
        coupling_corner_hz: probe_factor * r.log_uniform(0.5, 10.0),
        bandwidth_hz: r.log_uniform(20e3, 20e6),
        probe_factor,
        noise_v: r.log_uniform(1e-3, 0.025),
        range: if r.chance(0.4) && coupling == Coupling::Dc { RangeChoice::AutoShifted } else { RangeChoice::AutoZero },
    };
    let battery = Channel { noise_v: r.log_uniform(1e-3, 0.025), ..supply.clone() };
    let sensor = Channel {
        coupling: Coupling::Dc,
        noise_v: r.log_uniform(1e-3, 0.025),
        range: RangeChoice::AutoZero,
        ..supply.clone()
    };
    let channels = Channels {
        post: supply,
        battery: Some(battery),
        sensor: Some(sensor),
        charging_current: None,
        battery_current: None,
    };
    (scope, channels)
}

fn draw_sensor(r: &mut Random, b: &Basis, wanted: &Draw) -> Option<Sensor> {
    let drawn = r.weighted(
        &[
            (SensorMode::Absent, 6.0),
            (SensorMode::CleanStill, 23.5),
            (SensorMode::CleanTurning, 23.5),
            (SensorMode::ContaminatedStill, 23.5),
            (SensorMode::ContaminatedTurning, 23.5),
        ],
        SensorMode::CleanStill,
    );
    let mode = wanted.sensor_mode.unwrap_or(drawn);
    let ring = draw_ring(r, b, mode);
    let hall = r.chance(0.15);
    let element = if hall { draw_hall(r) } else { draw_coil(r) };
    let path = draw_path(r);
    let conditioner = draw_conditioner(r, hall);
    if mode == SensorMode::Absent {
        return None;
    }
    Some(Sensor { element, ring, paths: if mode.contaminated() { vec![path] } else { Vec::new() }, conditioner })
}

fn draw_ring(r: &mut Random, b: &Basis, mode: SensorMode) -> Ring {
    let (teeth, missing_teeth) =
        r.weighted(&[((44, 0), 30.0), ((40, 0), 20.0), ((60, 2), 15.0), ((36, 1), 15.0), ((8, 0), 20.0)], (44, 0));
    let free = r.log_uniform(120.0, 1000.0);
    let order = [1.0, 2.0, 3.0, 6.0][r.below(4)];
    let near = order * b.electrical_hz * r.uniform(0.97, 1.03);
    let tooth_hz = if r.chance(0.15) && near <= 1500.0 { near } else { free };
    Ring {
        teeth,
        missing_teeth,
        tooth_hz: if mode.turning() { tooth_hz } else { 0.0 },
        ramp: r.uniform(-0.03, 0.03),
        start: r.uniform(0.0, f64::from(teeth)),
    }
}

fn draw_coil(r: &mut Random) -> Element {
    Element::VariableReluctance {
        volts_per_hz: r.log_uniform(1e-3, 8e-3),
        run_out: r.uniform(0.0, 0.1),
        tooth_variation: 0.01,
        coil_ohm: r.uniform(600.0, 2500.0),
        coil_h: r.log_uniform(0.2, 1.5),
        load_ohm: r.log_uniform(5e3, 50e3),
    }
}

fn draw_hall(r: &mut Random) -> Element {
    Element::Hall {
        low_v: r.uniform(0.1, 0.8),
        high_v: r.uniform(4.5, 12.0),
        duty: r.uniform(0.35, 0.65),
        edge_s: r.log_uniform(1e-6, 20e-6),
        feed_through_v_per_v: 0.0,
    }
}

fn draw_path(r: &mut Random) -> Path {
    let sign = if r.chance(0.2) { -1.0 } else { 1.0 };
    let plain = Path::GainDelay {
        source: Source::Post,
        gain_v_per_v: sign * r.log_uniform(0.1, 0.8),
        delay_s: r.uniform(0.0, 80e-6),
    };
    let ground = Path::SharedGround { resistance_ohm: r.log_uniform(2e-3, 0.02) };
    let supply =
        Path::SupplyFeedThrough { gain_v_per_v: r.log_uniform(0.1, 0.8), corner_hz: r.log_uniform(300.0, 1e4) };
    let stray = Path::Capacitive { gain_v_per_v: r.log_uniform(0.2, 1.0), corner_hz: r.log_uniform(100.0, 2000.0) };
    let mutual = Path::Inductive { mutual_h: r.log_uniform(0.05e-6, 1e-6), corner_hz: r.log_uniform(5e3, 1e5) };
    r.weighted(&[(plain, 80.0), (ground, 5.0), (supply, 5.0), (stray, 5.0), (mutual, 5.0)], plain)
}

fn draw_conditioner(r: &mut Random, hall: bool) -> Conditioner {
    let adaptive = Conditioner::AdaptivePeak {
        fraction: 1.0 / 3.0,
        minimum_v: 0.03,
        decay_s: r.uniform(0.02, 0.1),
        watchdog_s: 0.085,
    };
    let half = r.uniform(0.1, 0.4);
    let fixed = Conditioner::FixedHysteresis { upper_v: half, lower_v: -half };
    let drawn = if r.chance(0.8) { adaptive } else { fixed };
    if hall { Conditioner::FixedHysteresis { upper_v: 2.5 + half, lower_v: 2.5 - half } } else { drawn }
}
