//! Time-domain solution of a charging circuit.

use crate::bridge::Bridge;
use crate::check;
use crate::engine::{self, Engine};
use crate::error::{Error, Result};
use crate::machine::{Alternator, Drive, Excitation};
use crate::model::Model;
use crate::network::{Network, Probe};
use crate::pilot;
use serde::{Deserialize, Serialize};

/// A charging circuit: what is solved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Circuit {
    /// The alternator.
    pub alternator: Alternator,
    /// Engine and belt.
    pub drive: Drive,
    /// The bridge.
    pub bridge: Bridge,
    /// Everything behind it.
    pub network: Network,
}

/// Least number of steps in an electrical cycle.
const STEPS_PER_CYCLE: u32 = 40;

/// How a run starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Start {
    /// Field current and battery polarisation as they are in the long run (found by short trial runs).
    Settled,
    /// No current flows, the capacitor is at the battery's open-circuit voltage, the battery is not polarised.
    AtRest,
}

/// What is asked of the solver.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SolveRequest {
    /// Length of the record in seconds, above 0.
    pub duration_s: f64,
    /// Time simulated before the record begins, in seconds, 0 or more.
    pub settle_s: f64,
    /// Samples per second of the waveforms.
    pub output_rate_hz: f64,
    /// What is recorded.
    pub probes: Vec<Probe>,
    /// How the run starts.
    pub start: Start,
    /// Longest internal step in seconds; the solver shortens it further where speed or tolerance demand.
    pub max_step_s: f64,
    /// Tolerance of the local error of the currents, in amperes.
    pub tolerance_a: f64,
}

impl SolveRequest {
    /// Longest internal step unless asked otherwise, in seconds.
    pub const MAX_STEP_S: f64 = 1.0e-5;
    /// Tolerance of the local error unless asked otherwise, in amperes.
    pub const TOLERANCE_A: f64 = 0.01;

    /// A record of `duration_s` at `output_rate_hz`, 20 ms after the start, with the ordinary step and tolerance.
    #[must_use]
    pub fn new(duration_s: f64, output_rate_hz: f64, probes: &[Probe]) -> Self {
        Self {
            duration_s,
            settle_s: 0.02,
            output_rate_hz,
            probes: probes.to_vec(),
            start: Start::Settled,
            max_step_s: Self::MAX_STEP_S,
            tolerance_a: Self::TOLERANCE_A,
        }
    }
}

/// Energies over the record, in joules.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct EnergyBalance {
    /// Delivered by the stator's EMF.
    pub emf_j: f64,
    /// Lost in stator copper, leads and turn shorts.
    pub stator_loss_j: f64,
    /// Lost in the diodes.
    pub diode_loss_j: f64,
    /// Lost in cable, capacitor and ground path.
    pub wiring_loss_j: f64,
    /// Lost inside the battery.
    pub battery_loss_j: f64,
    /// Stored chemically in the battery (EMF x charge; negative while it discharges).
    pub battery_delivered_j: f64,
    /// Taken by the loads and the field.
    pub load_j: f64,
    /// Increase of the energy in inductances and capacitances.
    pub stored_j: f64,
    /// What remains of `emf - losses - delivered - stored`.
    pub residual_j: f64,
}

/// How the solver worked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct StepStatistics {
    /// Steps accepted.
    pub accepted: u64,
    /// Steps rejected for an event or for accuracy.
    pub rejected: u64,
    /// Changes of the conduction pattern.
    pub events: u64,
    /// Distinct conduction patterns met.
    pub modes: u64,
}

/// The solution, sampled uniformly; sample `i` belongs to time `i / sample_rate_hz`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Waveforms {
    /// Samples per second.
    pub sample_rate_hz: f64,
    /// What was recorded, in the order asked for.
    pub probes: Vec<Probe>,
    /// One record a probe.
    pub samples: Vec<Vec<f64>>,
    /// Electrical angle in radians at each sample, not wrapped.
    pub electrical_angle_rad: Vec<f64>,
    /// Electrical frequency in hertz at each sample.
    pub electrical_hz: Vec<f64>,
    /// Energies over the record.
    pub energy: EnergyBalance,
    /// How the solver worked.
    pub statistics: StepStatistics,
}

impl Waveforms {
    /// The record of a probe; `None` when it was not asked for.
    #[must_use]
    pub fn get(&self, probe: Probe) -> Option<&[f64]> {
        let k = self.probes.iter().position(|p| *p == probe)?;
        self.samples.get(k).map(Vec::as_slice)
    }
}

/// Solves a circuit.
///
/// # Errors
/// [`Error::OutOfRange`], [`Error::LengthMismatch`], [`Error::InvalidCombination`] for a circuit or request that is not
/// physical; [`Error::Diverged`], [`Error::EventStorm`], [`Error::EnergyImbalance`] rather than a wrong waveform.
pub fn solve(circuit: &Circuit, request: &SolveRequest) -> Result<Waveforms> {
    check::circuit(circuit)?;
    check::request(request, circuit)?;
    let start = operating_point(circuit, request)?;
    by_size(circuit, request, &start)
}

/// Field current in amperes that holds the regulator's set point at the speed of time 0.
///
/// # Errors
/// [`Error::InvalidCombination`] unless the excitation is regulated; [`Error::NotReachable`]; as [`solve`].
pub fn settled_field_current(circuit: &Circuit) -> Result<f64> {
    check::circuit(circuit)?;
    let found = pilot::settled_field(circuit)?;
    if found.reached_v < found.wanted_v - pilot::SETTLED_V {
        return Err(Error::NotReachable {
            parameter: "set_point_v".into(),
            limit_a: found.field_a,
            wanted_v: found.wanted_v,
            reached_v: found.reached_v,
        });
    }
    Ok(found.field_a)
}

/// Where a run starts.
#[derive(Debug, Clone)]
pub(crate) struct StartPoint {
    pub(crate) field_a: f64,
    pub(crate) pairs_v: Vec<f64>,
    pub(crate) balance: Balance,
}

/// Whether the energy balance of a run must hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Balance {
    /// It must: the waveforms leave the library.
    Required,
    /// A coarse trial run, of which only means are used.
    NotRequired,
}

/// Field current and battery polarisation to start from.
fn operating_point(circuit: &Circuit, request: &SolveRequest) -> Result<StartPoint> {
    let pairs = circuit.network.battery.as_ref().map_or(0, |b| b.pairs.len());
    let balance = Balance::Required;
    let fixed = engine::fixed_field_a(&circuit.alternator.excitation);
    let given = match &circuit.alternator.excitation {
        Excitation::Regulated { initial_field_a, .. } => *initial_field_a,
        _ => fixed,
    };
    match (request.start, given) {
        (Start::AtRest, Some(field_a)) => Ok(StartPoint { field_a, pairs_v: vec![0.0; pairs], balance }),
        (Start::AtRest, None) => {
            Ok(StartPoint { field_a: pilot::settled_field(circuit)?.field_a, pairs_v: vec![0.0; pairs], balance })
        }
        (Start::Settled, Some(field_a)) if pairs == 0 => Ok(StartPoint { field_a, pairs_v: Vec::new(), balance }),
        (Start::Settled, Some(field_a)) => {
            let mean = pilot::mean_output(circuit, field_a)?;
            Ok(StartPoint { field_a, pairs_v: mean.pairs_v, balance })
        }
        (Start::Settled, None) => {
            let found = pilot::settled_field(circuit)?;
            Ok(StartPoint { field_a: found.field_a, pairs_v: found.pairs_v, balance })
        }
    }
}

/// Chooses the smallest state size that holds the circuit.
pub(crate) fn by_size(circuit: &Circuit, request: &SolveRequest, start: &StartPoint) -> Result<Waveforms> {
    let model = Model::new(circuit);
    match model.states.count.max(2 * model.phases) {
        0..=8 => run::<8>(circuit, request, start),
        9..=12 => run::<12>(circuit, request, start),
        _ => run::<16>(circuit, request, start),
    }
}

/// Internal step and how many make a sample interval.
pub(crate) fn step_length(circuit: &Circuit, request: &SolveRequest) -> (f64, i64) {
    let interval = 1.0 / request.output_rate_hz;
    let fastest = circuit.drive.greatest_electrical_hz(circuit.alternator.pole_pairs);
    let orders = circuit.alternator.emf.harmonics.iter().map(|h| h.order).max().unwrap_or(1);
    // A quadratic through the EMF is good to 5e-4 of a harmonic at a seventh of its period, 3e-5 at a fortieth.
    let per_cycle = f64::from(STEPS_PER_CYCLE.max(6 * orders));
    let longest = if fastest > 0.0 { request.max_step_s.min(1.0 / (fastest * per_cycle)) } else { request.max_step_s };
    let per_sample = libm::ceil(interval / longest - 1e-9).max(1.0);
    (interval / per_sample, per_sample as i64)
}

fn run<const N: usize>(circuit: &Circuit, request: &SolveRequest, start: &StartPoint) -> Result<Waveforms> {
    let (h, per_sample) = step_length(circuit, request);
    let samples = libm::floor(request.duration_s * request.output_rate_hz + 1e-9) as usize;
    let before = libm::ceil(request.settle_s / h) as i64;
    let mut engine = Engine::<N>::new(circuit, h, request.tolerance_a, -before, &start.pairs_v, start.field_a)?;
    for _ in 0..before {
        engine.advance()?;
    }
    if start.balance == Balance::Required {
        engine.start_account();
    }
    let mut out = Waveforms {
        sample_rate_hz: request.output_rate_hz,
        probes: request.probes.clone(),
        samples: vec![Vec::with_capacity(samples); request.probes.len()],
        electrical_angle_rad: Vec::with_capacity(samples),
        electrical_hz: Vec::with_capacity(samples),
        energy: EnergyBalance::default(),
        statistics: StepStatistics::default(),
    };
    for i in 0..samples {
        let rotation = circuit.drive.electrical(circuit.alternator.pole_pairs, i as f64 / request.output_rate_hz);
        out.electrical_angle_rad.push(rotation.angle);
        out.electrical_hz.push(rotation.omega / std::f64::consts::TAU);
        for (record, probe) in out.samples.iter_mut().zip(&request.probes) {
            record.push(observe(&engine, *probe));
        }
        for _ in 0..per_sample {
            engine.advance()?;
        }
    }
    out.statistics = engine.statistics;
    if start.balance == Balance::Required {
        out.energy = engine.account();
        out.energy.check()?;
    }
    Ok(out)
}

impl EnergyBalance {
    /// Greatest residual relative to the energy turned over.
    pub const LIMIT: f64 = 1.0e-3;

    /// Energy turned over: the sum of what came in and what went out, halved.
    #[must_use]
    pub fn turnover_j(&self) -> f64 {
        let terms = [
            self.emf_j,
            self.stator_loss_j,
            self.diode_loss_j,
            self.wiring_loss_j,
            self.battery_loss_j,
            self.battery_delivered_j,
            self.load_j,
            self.stored_j,
        ];
        0.5 * terms.iter().map(|v| v.abs()).sum::<f64>()
    }

    fn check(&self) -> Result<()> {
        let turnover_j = self.turnover_j();
        // A nanojoule: what rounding leaves of a circuit at rest.
        if self.residual_j.abs() <= Self::LIMIT * turnover_j + 1e-9 {
            return Ok(());
        }
        Err(Error::EnergyImbalance { residual_j: self.residual_j, turnover_j, limit: Self::LIMIT })
    }
}

/// Value of a probe at the present instant.
fn observe<const N: usize>(engine: &Engine<'_, N>, probe: Probe) -> f64 {
    let [post, battery, chassis] = engine.node_voltages();
    match probe {
        Probe::ChargingPost => post,
        Probe::BatteryPost => battery - chassis,
        Probe::BatteryPostToCase => battery,
        Probe::ChassisGround => chassis,
        Probe::StatorTerminal(k) => engine.corner_v(k),
        Probe::CoilEmf(k) => engine.emf_v(k),
        Probe::CoilCurrent(k) => engine.state(k),
        Probe::CableCurrent => engine.state(engine.model.states.cable),
        Probe::BatteryCurrent => engine.model.states.battery.map_or(0.0, |k| engine.state(k)),
        Probe::BridgeCurrent => engine.bridge_current(),
        Probe::FieldCurrent => engine.field.current_a,
    }
}
