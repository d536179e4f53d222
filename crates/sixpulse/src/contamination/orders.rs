//! The transfer order by order, and the coherence at each order.

use super::paired::{Block, Paired, Powers, Sums};
use super::transfer::{Fit, Group, Line};
use crate::spectrum::{Welch, coherence, coherence_significance};
use crate::trace::{Samples, Trace};
use crate::transforms::{self, smooth_length, smooth_length_from};
use crate::vectors::{self, Work};
use rustfft::num_complex::Complex64;
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
#[non_exhaustive]
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
    /// Delay that the phase means, seconds, of all that differ by whole periods the one nearest to what the common path
    /// delays at this frequency (a first-order path of time constant `d` by `atan(2 pi f d) / (2 pi f)`):
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
    let highest = fit.groups.last().map_or(1, |g| g.line.order);
    let shared = Shared::new(supply, circuit, electrical_hz, highest);
    let groups = fit.groups.iter().filter(|g| g.line.order > 0);
    groups.map(|g| order(g, fit, shared.as_ref(), agrees(g))).collect()
}

fn order(group: &Group, fit: &Fit, shared: Option<&Shared>, agrees: bool) -> OrderTransfer {
    let line = &group.line;
    let angular = 2.0 * PI * line.frequency_hz;
    let phase_rad = line.transfer.arg();
    let upright = if fit.model.gain < 0.0 { (-line.transfer).arg() } else { phase_rad };
    let turns = ((fit.model.lag_rad(line.frequency_hz) + upright) / (2.0 * PI)).round();
    let gain = line.transfer.norm();
    let each = line.std / std::f64::consts::SQRT_2;
    let coherence = shared.map(|c| c.at(line));
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

/// Coherence of the two traces at the orders.
struct Shared {
    coherence: Vec<f64>,
    /// Hertz from one value to the next.
    step_hz: f64,
    /// Whether the values are those of the orders, from order 0 on, and not of every bin.
    by_order: bool,
    effective_averages: f64,
}

/// Part of a bin by which an order may miss the bin that stands for it.
const NEAR_BIN: f64 = 0.5;

impl Shared {
    /// Welch's coherence with segments of a few cycles (Hann, half overlapping); `None` for fewer than [`SEGMENTS`].
    fn new(supply: &Trace, circuit: &Trace, electrical_hz: f64, highest: u32) -> Option<Self> {
        let rate = supply.sample_rate_hz();
        let in_cycle = rate / electrical_hz;
        let misses = |cycle: usize| CYCLES * f64::from(highest) * (cycle as f64 / in_cycle - 1.0).abs();
        let nearest = in_cycle.round().max(2.0) as usize;
        // A length that transforms quickly, where one is near enough.
        let quick = [smooth_length(nearest), smooth_length_from(nearest)].into_iter().find(|c| misses(*c) <= NEAR_BIN);
        let cycle = quick.unwrap_or(nearest);
        if misses(cycle) <= NEAR_BIN {
            return Self::folded(supply, circuit, cycle, highest);
        }
        let welch = Welch::hann(smooth_length((CYCLES * in_cycle).ceil() as usize)).ok()?;
        if welch.segments(supply.len()) < SEGMENTS {
            return None;
        }
        let all = coherence(supply, circuit, rate, &welch).ok()?;
        let step_hz = all.frequencies_hz.get(1).copied().unwrap_or(1.0);
        Some(Self { coherence: all.coherence, step_hz, by_order: false, effective_averages: all.effective_averages })
    }

    /// The same estimate at every [`CYCLES`]-th bin alone, up to the highest order asked for: that is where the orders lie
    /// for segments of whole cycles of `cycle` samples, and the windowed segment's cycles laid on one another have these
    /// bins for their transform. A constant has no part in them (a Hann window's transform ends at its first bin).
    fn folded(supply: &Trace, circuit: &Trace, cycle: usize, highest: u32) -> Option<Self> {
        let length = CYCLES as usize * cycle;
        let welch = Welch::hann(length).ok()?;
        let count = welch.segments(supply.len().min(circuit.len()));
        if count < SEGMENTS {
            return None;
        }
        let mut folded = Folded::new([supply, circuit], cycle);
        let (mut sums, mut block) = (Sums::default(), Block::default());
        for start in (0..count).map(|k| k * (length - length / 2)) {
            let lines = folded.transform(start);
            let bins = (highest as usize + 1).min(cycle / 2 + 1);
            vectors::widest(Powers { lines, bins, scales: [1.0; 3], sums: &mut sums, block: &mut block });
        }
        let Sums { sxx, syy, sxy } = sums;
        // The rounding of either reaches the other, since they are transformed together. A line that holds all of a
        // trace's variance `v` comes to `2 v cycle^2` in each segment.
        let variance = supply.moments().1.max(circuit.moments().1);
        let strongest = 2.0 * variance * (cycle * cycle) as f64 * count as f64;
        let of = |((xx, yy), xy): ((&f64, &f64), &Complex64)| {
            let clear = *xx > ROUNDING * strongest && *yy > ROUNDING * strongest;
            if clear { (xy.norm_sqr() / (xx * yy)).min(1.0) } else { 0.0 }
        };
        Some(Self {
            coherence: sxx.iter().zip(syy.iter()).zip(sxy.iter()).map(of).collect(),
            step_hz: 0.0,
            by_order: true,
            effective_averages: effective_averages(count),
        })
    }

    /// At the bin nearest to an order.
    fn at(&self, line: &Line) -> f64 {
        let bin = if self.by_order { line.order as usize } else { (line.frequency_hz / self.step_hz).round() as usize };
        self.coherence.get(bin).copied().unwrap_or(0.0)
    }
}

/// What [`Welch::effective_averages`] finds for a Hann window and half a segment of overlap: the window's correlation with
/// itself half a segment on is 1/6.
fn effective_averages(segments: usize) -> f64 {
    let count = segments as f64;
    count / (1.0 + 2.0 * (1.0 - 1.0 / count) / 36.0)
}

/// Part of the strongest line that a trace could hold below which an order holds rounding.
const ROUNDING: f64 = 1e-24;

/// Two traces' windowed segments with their cycles laid on one another.
struct Folded<'a> {
    traces: [&'a Trace; 2],
    levels_v: [f64; 2],
    window: std::rc::Rc<[f64]>,
    values: Vec<f64>,
    cycles: [Vec<f64>; 2],
    pair: Paired<f64>,
}

impl<'a> Folded<'a> {
    fn new(traces: [&'a Trace; 2], cycle: usize) -> Self {
        let first = |trace: &Trace| {
            let mut first = [0.0];
            trace.read(0, &mut first);
            first[0]
        };
        let length = CYCLES as usize * cycle;
        Self {
            traces,
            levels_v: traces.map(first),
            window: transforms::hann(length),
            values: vec![0.0; length],
            cycles: [vec![0.0; cycle], vec![0.0; cycle]],
            pair: Paired::new(cycle),
        }
    }

    /// The segment's transform, the first trace in its real part.
    fn transform(&mut self, start: usize) -> &[Complex64] {
        for ((trace, cycle), level) in self.traces.iter().zip(&mut self.cycles).zip(self.levels_v) {
            trace.read(start, &mut self.values);
            vectors::widest(LaidOver { values: &self.values, window: &self.window, level, cycle });
        }
        let [x, y] = &self.cycles;
        self.pair.samples.iter_mut().zip(x.iter().zip(y)).for_each(|(z, (x, y))| *z = Complex64::new(*x, *y));
        self.pair.transform();
        &self.pair.lines
    }
}

/// A segment's windowed cycles added up, sample by sample of a cycle.
struct LaidOver<'a> {
    values: &'a [f64],
    window: &'a [f64],
    level: f64,
    cycle: &'a mut [f64],
}

impl<'a> Work for LaidOver<'a> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { values, window, level, cycle } = self;
        let length = cycle.len();
        let part = |of: &'a [f64], c: usize| of.get(c * length..(c + 1) * length).unwrap_or_default();
        for c in 0..CYCLES as usize {
            for ((sum, x), w) in cycle.iter_mut().zip(part(values, c)).zip(part(window, c)) {
                let before = if c == 0 { 0.0 } else { *sum };
                *sum = before + (x - level) * w;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn averages_are_those_of_the_window() {
        for (cycle, segments) in [(24, 5), (125, 12), (1000, 99)] {
            let welch = Welch::hann(CYCLES as usize * cycle).unwrap();
            // Sums over the window's samples: rounding of a few hundred times 1e-16.
            assert!((effective_averages(segments) / welch.effective_averages(segments) - 1.0).abs() < 1e-12);
        }
    }
}
