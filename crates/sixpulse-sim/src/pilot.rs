//! Short trial runs that find the operating point, so that a record starts settled.
//!
//! In a trial the field current is fixed and the battery's R||C pairs are plain resistances: the means are those of the
//! long run at once.

use crate::error::{Error, Result};
use crate::machine::{Excitation, SensePoint, SpeedProfile};
use crate::model::copper_factor;
use crate::network::Probe;
use crate::solve::{self, Balance, Circuit, SolveRequest, Start, StartPoint};

/// The set point counts as held within this, in volts.
pub(crate) const SETTLED_V: f64 = 0.01;
/// Most trials.
const MOST_TRIALS: usize = 40;

/// Means of a trial.
#[derive(Debug, Clone)]
pub(crate) struct MeanOutput {
    pub(crate) post_v: f64,
    pub(crate) battery_v: f64,
    pub(crate) pairs_v: Vec<f64>,
}

/// The operating point under the regulator.
#[derive(Debug, Clone)]
pub(crate) struct Settled {
    pub(crate) field_a: f64,
    pub(crate) wanted_v: f64,
    pub(crate) reached_v: f64,
    pub(crate) pairs_v: Vec<f64>,
}

/// Means at a fixed field current and the speed of time 0.
pub(crate) fn mean_output(circuit: &Circuit, field_a: f64) -> Result<MeanOutput> {
    let mut trial = circuit.clone();
    if let Excitation::Regulated { winding, .. } = &circuit.alternator.excitation {
        trial.alternator.excitation = Excitation::FixedField { field_a, winding: winding.clone() };
    }
    let rpm = circuit.drive.engine.rotation(0.0).omega * 60.0 / std::f64::consts::TAU;
    trial.drive.engine = SpeedProfile::Steady { rpm };
    trial.drive.irregularity = None;
    let pairs = trial.network.battery.as_mut().map_or_else(Vec::new, |b| {
        b.resistance_ohm += b.pairs.iter().map(|p| p.ohm).sum::<f64>();
        std::mem::take(&mut b.pairs)
    });
    let electrical_hz = trial.drive.electrical(trial.alternator.pole_pairs, 0.0).omega / std::f64::consts::TAU;
    // Whole electrical cycles, at least 5 ms of them; 8 ms before for the stator's time constant.
    let cycles = libm::ceil(5e-3 * electrical_hz).max(1.0);
    let duration_s = if electrical_hz > 1.0 { cycles / electrical_hz } else { 5e-3 };
    let samples = libm::ceil(duration_s / 2e-5);
    let request = SolveRequest {
        settle_s: 8e-3,
        start: Start::AtRest,
        max_step_s: 2e-5,
        ..SolveRequest::new(
            duration_s,
            samples / duration_s,
            &[Probe::ChargingPost, Probe::BatteryPost, Probe::BatteryCurrent],
        )
    };
    let waves =
        solve::by_size(&trial, &request, &StartPoint { field_a, pairs_v: Vec::new(), balance: Balance::NotRequired })?;
    let mean = |probe: Probe| {
        let x = waves.get(probe).unwrap_or_default();
        x.iter().sum::<f64>() / x.len().max(1) as f64
    };
    let current = mean(Probe::BatteryCurrent);
    Ok(MeanOutput {
        post_v: mean(Probe::ChargingPost),
        battery_v: mean(Probe::BatteryPost),
        pairs_v: pairs.iter().map(|p| p.ohm * current).collect(),
    })
}

/// Field current that holds the set point, or the greatest one where none does.
pub(crate) fn settled_field(circuit: &Circuit) -> Result<Settled> {
    let Excitation::Regulated { winding, regulator, .. } = &circuit.alternator.excitation else {
        let reason = "only a regulated machine has a set point to hold";
        return Err(Error::InvalidCombination { parameter: "excitation".into(), reason: reason.into() });
    };
    let wanted_v = regulator.compensated_set_point_v();
    let sensed = |m: &MeanOutput| match regulator.sense {
        SensePoint::ChargingPost => m.post_v,
        SensePoint::BatteryPost => m.battery_v,
    };
    let settled =
        |field_a: f64, m: MeanOutput| Settled { field_a, wanted_v, reached_v: sensed(&m), pairs_v: m.pairs_v };
    let (mut low, mut high) =
        (0.0, wanted_v / (winding.resistance_ohm * copper_factor(circuit.alternator.temperature_c)));
    let at_high = mean_output(circuit, high)?;
    let mut high_error = sensed(&at_high) - wanted_v;
    if high_error <= 0.0 {
        return Ok(settled(high, at_high));
    }
    let at_low = mean_output(circuit, low)?;
    let mut low_error = sensed(&at_low) - wanted_v;
    if low_error >= 0.0 {
        return Ok(settled(low, at_low));
    }
    // False position with the Illinois rule.
    let mut last_side = 0;
    for _ in 0..MOST_TRIALS {
        let field_a = (low * high_error - high * low_error) / (high_error - low_error);
        let here = mean_output(circuit, field_a)?;
        let error = sensed(&here) - wanted_v;
        if error.abs() < 0.5 * SETTLED_V || high - low < 1e-6 {
            return Ok(settled(field_a, here));
        }
        if error > 0.0 {
            (high, high_error) = (field_a, error);
            if last_side == 1 {
                low_error *= 0.5;
            }
            last_side = 1;
        } else {
            (low, low_error) = (field_a, error);
            if last_side == -1 {
                high_error *= 0.5;
            }
            last_side = -1;
        }
    }
    Err(Error::NoConvergence { parameter: "settled field current".into(), iterations: MOST_TRIALS })
}
