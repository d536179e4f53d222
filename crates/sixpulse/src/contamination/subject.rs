//! What the test works on: a circuit's trace, or what a switched signal's levels leave of it; and its converter's step.

use super::edges::{self, EdgeDisturbance};
use super::levels::{self, TwoLevels};
use super::split::Split;
use super::{nth, speed};
use crate::scratch::with_buffer;
use crate::trace::{RawSamples, Samples, Trace};
use crate::vectors::{higher, lower};

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
        let bridges = &self.switched.as_ref()?.bridges;
        let mut values = supply.to_f64();
        levels::between_edges(&mut values, bridges, supply.sample_rate_hz());
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
        // Silent where there is none.
        let mut ripple = vec![0.0; circuit.len()];
        split.ripple.view().read(0, &mut ripple);
        Some(EdgeDisturbance::new(&switched.levels, &circuit.to_f64(), &ripple, circuit.sample_rate_hz()))
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
    let mut values = Vec::with_capacity(read);
    with_buffer(length, |run| {
        for i in 0..runs {
            trace.read(i * (trace.len() - length) / (runs - 1).max(1), run);
            values.extend_from_slice(run);
        }
    });
    let code_v = match trace.raw() {
        RawSamples::I16 { scale, .. } => Some(scale.abs()),
        _ => None,
    };
    if code_v.is_none() && mostly_apart(&values) {
        return 0.0;
    }
    nth::sort_distinct(&mut values);
    // Values printed with few digits differ by rounding where they mean the same.
    let (count, least) = match code_v {
        Some(code_v) => apart(&values, |_| 0.5 * code_v),
        None => apart(&values, same_v),
    };
    if 2 * count > read && code_v.is_none() {
        return 0.0;
    }
    if least.is_finite() { least } else { code_v.unwrap_or(0.0) }
}

/// Values closer than this mean the same.
fn same_v(value: f64) -> f64 {
    1e-6 * higher(value.abs(), 1e-3)
}

/// Whether more than half of the values are sure to count in [`apart`], without sorting them.
///
/// Whatever value is passed over there, one that counts lies at most [`same_v`] below it. So in every cell four times as
/// wide that holds a value in its upper three quarters one counts; cells that share a bit count as one.
fn mostly_apart(values: &[f64]) -> bool {
    /// Added to a number below 2^51, it leaves the nearest whole number in the last bits.
    const WHOLE: f64 = 6_755_399_441_055_744.0;
    const WORDS: usize = 1024;
    /// Values after which it is asked whether enough have counted.
    const AT_ONCE: usize = 256;
    let per_v = 0.25 / same_v(values.iter().fold(0.0, |most, v| higher(v.abs(), most)));
    let (mut seen, mut count) = ([0u64; WORDS], 0);
    values.chunks(AT_ONCE).any(|some| {
        for value in some {
            let place = value * per_v;
            let shifted = place + WHOLE;
            // The cell's middle is the whole number; some of it is left to rounding.
            if place - (shifted - WHOLE) > -0.249 {
                let cell = shifted.to_bits();
                let word = &mut seen[(cell >> 6) as usize % WORDS];
                count += usize::from(*word >> (cell & 63) & 1 == 0);
                *word |= 1 << (cell & 63);
            }
        }
        2 * count > values.len()
    })
}

/// How many values, which are in order, lie further from the one before than `same` says, and the least such step.
fn apart(values: &[f64], same: impl Fn(f64) -> f64) -> (usize, f64) {
    let Some((mut last, others)) = values.split_first() else { return (0, f64::INFINITY) };
    let (mut count, mut least) = (1, f64::INFINITY);
    for value in others {
        let step = value - last;
        if step > same(*value) {
            (last, count, least) = (value, count + 1, lower(step, least));
        }
    }
    (count, least)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_to_lie_apart_does() {
        let mut noise = crate::contamination::tests::noise(17);
        let mut said = 0;
        for (level, range, step) in
            [(14.0, 0.3, 0.0), (14.0, 0.06, 0.0), (14.0, 0.05, 0.0), (14.0, 0.04, 0.0), (0.0, 2.0, 0.0)]
                .into_iter()
                .chain([(14.0, 0.3, 2e-4), (0.0, 2.0, 1e-3), (-3.0, 1e-9, 0.0)])
        {
            let on_grid = |v: f64| if step > 0.0 { (v / step).round() * step } else { v };
            let mut values: Vec<f64> = (0..4096).map(|_| on_grid(level + range * noise())).collect();
            let surely = mostly_apart(&values);
            values.sort_unstable_by(f64::total_cmp);
            assert!(!surely || 2 * apart(&values, same_v).0 > values.len(), "{level} {range} {step}");
            said += usize::from(surely);
        }
        // The wide ranges, and none on a grid of 3000 or 4000 values.
        assert!((2..=6).contains(&said), "{said}");
    }
}
