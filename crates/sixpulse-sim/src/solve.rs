//! Time-domain solution of a charging circuit.

use crate::bridge::Bridge;
use crate::error::{Error, Result};
use crate::machine::{Alternator, Drive};
use crate::network::{Network, Probe};
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
    let _ = (circuit, request);
    Err(Error::NoConvergence { parameter: "solve".into(), iterations: 0 })
}

/// Field current in amperes that holds the regulator's set point at the speed of time 0, with the mean output reached.
///
/// # Errors
/// [`Error::InvalidCombination`] unless the excitation is regulated; [`Error::NotReachable`]; as [`solve`].
pub fn settled_field_current(circuit: &Circuit) -> Result<f64> {
    let _ = circuit;
    Err(Error::NoConvergence { parameter: "settled_field_current".into(), iterations: 0 })
}
