//! What the test works on: a circuit's trace, or what a switched signal's levels leave of it; and its converter's step.

use super::edges::{self, EdgeDisturbance};
use super::levels::{self, TwoLevels};
use super::split::Split;
use super::{nth, speed};
use crate::trace::{RawSamples, Samples, Trace};

/// Runs of samples in which a converter's step is looked for, and the length of one: twice as many samples as 12 bits
/// have codes, so that values on such a grid occur twice on average.
const STEP_RUNS: usize = 8;
const STEP_RUN: usize = 1024;

/// What the test works on: the circuit's trace, or what a switched signal's levels leave of it.
pub(super) struct Subject {
    pub(super) trace: Trace,
    pub(super) switched: Option<Switched>,
}

/// A switched circuit's levels and rising edges.
pub(super) struct Switched {
    levels: TwoLevels,
    /// Seconds.
    pub(super) rising_s: Vec<f64>,
    /// Samples that hold no signal but a straight line across an edge.
    bridges: Vec<(usize, usize)>,
}

impl Subject {
    pub(super) fn new(circuit: &Trace) -> Self {
        let switched = if circuit.role() == crate::Role::EdgeSensor { Self::switched(circuit) } else { None };
        switched.unwrap_or_else(|| Self { trace: circuit.clone(), switched: None })
    }

    fn switched(circuit: &Trace) -> Option<Self> {
        let levels = levels::two_levels(circuit, step_v(circuit))?;
        let values = circuit.to_f64();
        let (starts_high, crossings) = levels.crossings(&values);
        let rate = circuit.sample_rate_hz();
        let rising_s: Vec<f64> = crossings.iter().filter(|c| c.rising).map(|c| c.at / rate).collect();
        let flat = levels.flattened(&values, starts_high, &crossings, rate);
        let trace = Trace::from_f64(flat.values, rate, circuit.coupling(), circuit.role()).ok()?;
        Some(Self { trace, switched: Some(Switched { levels, rising_s, bridges: flat.bridges }) })
    }

    /// The supply with the same means taken off and the same stretches bridged as the circuit: what these take from one they
    /// take from the other, and the gain stays.
    pub(super) fn alike(&self, supply: &Trace) -> Option<Trace> {
        let mut values = supply.to_f64();
        levels::between_edges(&mut values, &self.switched.as_ref()?.bridges, supply.sample_rate_hz());
        let trace = Trace::from_f64(values, supply.sample_rate_hz(), supply.coupling(), supply.role()).ok()?;
        match supply.coupling_corner_hz() {
            Some(corner_hz) => trace.with_coupling_corner_hz(corner_hz).ok(),
            None => Some(trace),
        }
    }

    /// The parts as a conditioner hears them: without noise of `noise_v` where that matters to it; a switched signal's
    /// edges are left as they are.
    pub(super) fn heard(
        &self,
        mut split: Split,
        circuit: &Trace,
        noise_v: f64,
        conditioner: &speed::PulseConditioner,
        electrical_hz: Option<f64>,
    ) -> Split {
        // A switched signal's edges pass any threshold by more than noise lifts it.
        let first_arming_v = self.switched.is_none().then(|| conditioner.first_arming_v(split.mean_v));
        split.take_noise_out(noise_v, conditioner.least_arming_v(), first_arming_v, electrical_hz);
        if self.switched.is_some() {
            split.take_own_from(circuit);
        }
        split
    }

    /// The conditioner that a finding quotes: for a switched circuit thresholds about its middle.
    pub(super) fn conditioner(&self) -> speed::PulseConditioner {
        let about_middle = |s: &Switched| {
            let half = edges::HYSTERESIS * s.levels.swing_v();
            let arming_v = s.levels.middle_v() + half;
            speed::PulseConditioner::new(speed::Threshold::Fixed { arming_v }, arming_v - 2.0 * half).ok()
        };
        let switched = self.switched.as_ref().and_then(about_middle);
        switched.map(|c| c.with_reference(speed::InputReference::Ground)).unwrap_or_default()
    }

    pub(super) fn disturbance(&self, circuit: &Trace, split: &Split) -> Option<EdgeDisturbance> {
        let switched = self.switched.as_ref()?;
        let silent = vec![0.0; if split.ripple.is_empty() { circuit.len() } else { 0 }];
        let ripple = if split.ripple.is_empty() { &silent } else { &split.ripple };
        Some(EdgeDisturbance::new(&switched.levels, &circuit.to_f64(), ripple, circuit.sample_rate_hz()))
    }
}

/// The circuit as the transfer is read from it: a switched signal's levels taken off and its edges bridged.
pub(crate) fn without_edges(circuit: &Trace) -> Trace {
    Subject::new(circuit).trace
}

/// Step of the converter behind a trace, volts: the least difference between two values that occur in runs of samples
/// spread over the record; 0 for a trace whose values do not lie on a grid.
pub(super) fn step_v(trace: &Trace) -> f64 {
    let runs = trace.len().div_ceil(STEP_RUN).min(STEP_RUNS);
    let length = (trace.len() / runs).min(STEP_RUN);
    let read = runs * length;
    let mut values = vec![0.0; read];
    for (i, run) in values.chunks_mut(length).enumerate() {
        trace.read(i * (trace.len() - length) / (runs - 1).max(1), run);
    }
    nth::sort_distinct(&mut values);
    let code_v = match trace.raw() {
        RawSamples::I16 { scale, .. } => Some(scale.abs()),
        _ => None,
    };
    // Values printed with few digits differ by rounding where they mean the same.
    values.dedup_by(|a, b| (*a - *b).abs() <= code_v.map_or(1e-6 * a.abs().max(1e-3), |v| 0.5 * v));
    if 2 * values.len() > read && code_v.is_none() {
        return 0.0;
    }
    let least = values.windows(2).map(|w| w[1] - w[0]).fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { code_v.unwrap_or(0.0) }
}
