//! The transfer order by order, and the coherence at each order.

use super::transfer::{Fit, Group};
use crate::spectrum::{Coherence, Welch, coherence, coherence_significance};
use crate::trace::{Samples, Trace};
use crate::transforms::smooth_length;
use std::f64::consts::PI;

/// Cycles in a segment of the coherence estimate: order lines lie four bins apart.
const CYCLES: f64 = 4.0;
/// Least segments: with fewer, unrelated noise reaches a coherence near 1.
const SEGMENTS: usize = 5;
/// Standard deviation of a phase that may be anything, radians: pi / sqrt 3.
const UNKNOWN_PHASE_STD: f64 = 1.813_799_364_234_217_8;
/// Largest relative uncertainty stated.
const MOST_RELATIVE_STD: f64 = 1000.0;
/// Probability with which unrelated noise exceeds the threshold stated.
pub const COHERENCE_ALPHA: f64 = 0.01;

/// Transfer from the supply to the circuit at one order.
///
/// A path that only delays shows one gain and one delay at all orders; stray capacitance and mutual inductance show a
/// gain that rises with frequency, a shared return or a filter one that falls. The 95 % interval of a value is 1.96
/// standard uncertainties to either side.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct OrderTransfer {
    /// The order.
    pub order: u32,
    /// Its mean frequency, hertz.
    pub frequency_hz: f64,
    /// Peak amplitude in the supply trace, volts.
    pub supply_v: f64,
    /// Peak amplitude in the circuit's trace, volts.
    pub circuit_v: f64,
    /// Gain, circuit / supply.
    pub gain: f64,
    /// Standard uncertainty of it, volts per volt.
    pub gain_std: f64,
    /// Phase of the circuit against the supply, radians; negative lags.
    pub phase_rad: f64,
    /// Delay that the phase means, seconds, of all that differ by whole periods the one nearest to the common delay:
    /// `-(phase - polarity) / (2 pi f)`.
    pub delay_s: f64,
    /// Standard uncertainty of it, seconds; at most that of a phase of which nothing is known.
    pub delay_s_std: f64,
    /// Standard uncertainty of the complex transfer, relative to the gain; at most 1000.
    pub relative_std: f64,
    /// Whether the order by itself shows the common transfer.
    pub agrees: bool,
    /// Magnitude-squared coherence of the two traces at it (0 to 1); `None` for a record too short for it.
    pub coherence: Option<f64>,
    /// Coherence that unrelated noise exceeds with 1 % probability at the averages at hand.
    pub coherence_threshold: Option<f64>,
}

/// The orders of a fit with their coherence; `agrees` says which of its groups show the common transfer.
pub(super) fn orders(
    fit: &Fit,
    supply: &Trace,
    circuit: &Trace,
    electrical_hz: f64,
    agrees: impl Fn(&Group) -> bool,
) -> Vec<OrderTransfer> {
    let shared = order_coherence(supply, circuit, electrical_hz);
    let groups = fit.groups.iter().filter(|g| g.line.order > 0);
    groups.map(|g| order(g, fit, shared.as_ref(), agrees(g))).collect()
}

fn order(group: &Group, fit: &Fit, shared: Option<&Coherence>, agrees: bool) -> OrderTransfer {
    let line = &group.line;
    let angular = 2.0 * PI * line.frequency_hz;
    let phase_rad = line.transfer.arg();
    let upright = if fit.model.gain < 0.0 { (-line.transfer).arg() } else { phase_rad };
    let common = fit.model.delay_s;
    let turns = ((common * angular + upright) / (2.0 * PI)).round();
    let gain = line.transfer.norm();
    let each = line.std / std::f64::consts::SQRT_2;
    let coherence = shared.map(|c| at_frequency(c, line.frequency_hz));
    OrderTransfer {
        order: line.order,
        frequency_hz: line.frequency_hz,
        supply_v: line.supply_v,
        circuit_v: line.circuit_v,
        gain,
        gain_std: each,
        phase_rad,
        delay_s: (2.0 * PI * turns - upright) / angular,
        delay_s_std: (each / gain.max(f64::MIN_POSITIVE)).min(UNKNOWN_PHASE_STD) / angular,
        relative_std: (line.std / gain.max(f64::MIN_POSITIVE)).min(MOST_RELATIVE_STD),
        agrees,
        coherence,
        coherence_threshold: shared.and_then(|c| coherence_significance(c.effective_averages, COHERENCE_ALPHA).ok()),
    }
}

/// Welch's coherence with segments of a few cycles (Hann, half overlapping); `None` for fewer than [`SEGMENTS`].
fn order_coherence(supply: &Trace, circuit: &Trace, electrical_hz: f64) -> Option<Coherence> {
    let rate = supply.sample_rate_hz();
    let length = smooth_length((CYCLES * rate / electrical_hz).ceil() as usize);
    let welch = Welch::hann(length).ok()?;
    if welch.segments(supply.len()) < SEGMENTS {
        return None;
    }
    coherence(supply, circuit, rate, &welch).ok()
}

/// The coherence at the bin nearest to a frequency.
fn at_frequency(shared: &Coherence, frequency_hz: f64) -> f64 {
    let step = shared.frequencies_hz.get(1).copied().unwrap_or(1.0);
    shared.coherence.get((frequency_hz / step).round() as usize).copied().unwrap_or(0.0)
}
