//! The several ripple numbers, each under its own name, with standard uncertainties.
//!
//! `x` is the trace after the zero-phase AC coupling at `corner_hz`, less what mean the coupling left; `U` is the mean
//! of the trace before it. "Ripple" is used in the trade for at least six different numbers; every field of [`Ripple`]
//! gives its own formula.
//!
//! # Uncertainties
//!
//! One standard uncertainty (JCGM 100:2008, the GUM) of what the same operating state would give in another record of
//! the same length; errors of probe and front-end gain are not in it. Sources:
//!
//! - **quantiser**: a step `q` (found in the samples) leaves an error of `q / sqrt 12`;
//! - **noise** `s`, taken from third differences of the samples, `mean((x0 - 3 x1 + 3 x2 - x3)^2) / 20`, which take out
//!   any smooth ripple, or from the residual r.m.s. where that is smaller;
//! - **extremes**: the largest of `M` noisy samples scatters by `s / sqrt(1 + 0.9 ln M)` (within 6 % of the exact value
//!   up to M = 10^4), `M` the samples within `2 s` of the extreme; the quantiser adds `q^2 / 12` to its variance;
//! - **mean square**: its scatter between up to 32 blocks of whole electrical cycles, which holds noise, wander and
//!   switched loads with whatever correlation they have; and the part of a cycle left at the end of the record;
//! - **synchronous part**: the uncertainties of the orders, `sqrt(sum (c_n u_n)^2) / (2 rms)`;
//! - **residual part**: noise counts every sample as independent, the rest of the residual every cycle as one.
//!
//! Ratios combine the relative uncertainties of their parts. A Monte-Carlo test holds each against the observed scatter
//! to a factor 1.5.

use crate::cycle::Cycle;
use crate::error::{Error, Result};
use crate::quality::quantiser_step;
use crate::trace::{Coupling, Samples, Trace, for_each_block};

/// Most blocks between which the scatter of the mean square is taken.
const MOST_BATCHES: usize = 32;
/// Fewest blocks that show a scatter: the standard deviation of four is itself good to 40 %.
const LEAST_BATCHES: usize = 4;
/// Fewest samples that are measured: a third difference and a spread.
const LEAST_SAMPLES: usize = 4;

/// Ripple of one supply trace.
///
/// All in volts, or the trace's unit where that differs; factors have none. A factor is `None` when the trace is
/// AC-coupled (or its mean is 0), for then `U` is not known.
///
/// Sources of the terms: IEC 60050-161 (r.m.s. ripple factor, peak-ripple factor), IEC 60050-551 (DC ripple factor, DC
/// form factor), IEC 60050-103 (pulsation factor), quoted from memory; MIL-STD-704F 3.9 calls `rms_v` the DC distortion
/// and 3.10 calls `rms_ripple_factor` the DC distortion factor.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Ripple {
    /// Name of the trace.
    pub trace: String,
    /// Corner of the AC coupling applied before measuring, in hertz.
    pub corner_hz: f64,
    /// `max(x) - min(x)` over the record, volts: peak to valley, noise included.
    pub peak_to_peak_v: f64,
    /// Standard uncertainty of it: quantiser step and noise at the two extremes.
    pub peak_to_peak_v_std: f64,
    /// `sqrt(mean(x^2))` over the record, volts.
    pub rms_v: f64,
    /// Standard uncertainty of it.
    pub rms_v_std: f64,
    /// R.m.s. of the part that repeats with the electrical cycle: `sqrt(sum c_n^2 / 2)` over the orders of the cycle
    /// (1 to 24, below the Nyquist frequency); `None` without a cycle.
    pub synchronous_rms_v: Option<f64>,
    /// Standard uncertainty of it.
    pub synchronous_rms_v_std: Option<f64>,
    /// R.m.s. of the rest: `sqrt(rms_v^2 - synchronous_rms_v^2)`; `None` without a cycle. 0 where the orders account for
    /// all of the mean square, which then differs from theirs by no more than the uncertainty stated.
    pub residual_rms_v: Option<f64>,
    /// Standard uncertainty of it.
    pub residual_rms_v_std: Option<f64>,
    /// `max - min` of the mean electrical cycle, volts: free of noise and of what does not repeat with the cycle.
    pub synchronous_peak_to_peak_v: Option<f64>,
    /// `rms_v / |U|` (IEC 60050-161: r.m.s. ripple factor); `None` when AC coupling hides `U`.
    pub rms_ripple_factor: Option<f64>,
    /// Standard uncertainty of it.
    pub rms_ripple_factor_std: Option<f64>,
    /// `peak_to_peak_v / |U|` (IEC 60050-161: peak-ripple factor); `None` when AC coupling hides `U`.
    pub peak_ripple_factor: Option<f64>,
    /// Standard uncertainty of it.
    pub peak_ripple_factor_std: Option<f64>,
    /// `peak_to_peak_v / (2 |U|)` (IEC 60050-551: DC ripple factor); half the peak-ripple factor.
    pub dc_ripple_factor: Option<f64>,
    /// `rms_v / sqrt(U^2 + rms_v^2)` (IEC 60050-103: pulsation factor, 0 to 1).
    pub pulsation_factor: Option<f64>,
    /// `sqrt(U^2 + rms_v^2) / |U|` (IEC 60050-551: DC form factor, 1 or more).
    pub form_factor: Option<f64>,
    /// `max(|x|) / rms_v`; 0 for a trace without any ripple.
    pub crest_factor: f64,
    /// Standard uncertainty of it.
    pub crest_factor_std: f64,
}

/// Measures the ripple of a supply trace.
///
/// `trace` is the trace as captured (its level, coupling and quantiser count), `ac` the same record after the zero-phase
/// AC coupling at `corner_hz`, `cycle` the electrical cycle found in it (one without a frequency leaves the synchronous
/// numbers `None`). Reads the record in blocks; nothing the size of the record is allocated.
///
/// # Errors
/// [`Error::TooShort`] below 4 samples; [`Error::LengthMismatch`] when `ac` is not as long as `trace`;
/// [`Error::OutOfRange`] for a corner that is not above 0; [`Error::AboveNyquist`].
pub fn measure(
    name: &str,
    trace: &Trace,
    ac: &(impl Samples + ?Sized),
    corner_hz: f64,
    cycle: &Cycle,
) -> Result<Ripple> {
    crate::error::check_frequency("corner_hz", corner_hz, trace.sample_rate_hz())?;
    if ac.len() != trace.len() {
        return Err(Error::LengthMismatch { parameter: "ac".into(), expected: trace.len(), actual: ac.len() });
    }
    if ac.len() < LEAST_SAMPLES {
        return Err(Error::TooShort { parameter: "ac".into(), minimum: LEAST_SAMPLES, actual: ac.len() });
    }
    let batches = Batches::new(trace, cycle);
    let record = Record::walk(ac, batches);
    let split = Split::new(&record, cycle);
    let noise = Noise::new(&record, split.as_ref(), quantiser_step(trace));
    let extremes = Extremes::count(ac, &record, &noise);
    let mean_square_var = mean_square_variance(&record, &noise, cycle);
    let level = (trace.coupling() == Coupling::Dc).then(|| Value::level(trace)).filter(|u| u.value > 0.0);
    let parts = Parts {
        peak_to_peak: Value { value: record.maximum - record.minimum, std: extremes.peak_to_peak_std() },
        rms: Value { value: record.rms(), std: rms_std(record.mean_square(), mean_square_var) },
        peak: extremes.peak(&record),
        level,
    };
    let mut ripple = parts.ripple(name, corner_hz);
    if let Some(split) = &split {
        split.fill(&mut ripple, &record, &noise, cycle);
    }
    Ok(ripple)
}

/// A number with its standard uncertainty.
#[derive(Debug, Clone, Copy)]
struct Value {
    value: f64,
    std: f64,
}

impl Value {
    /// `self / by`, both above 0 or `self` 0.
    fn over(self, by: Self) -> Self {
        let value = self.value / by.value;
        Self { value, std: (self.std / by.value).hypot(value * by.std / by.value) }
    }

    /// Magnitude of the mean of the trace as captured; its uncertainty is the scatter between blocks.
    fn level(trace: &Trace) -> Self {
        let mut batches = Batches::equal(trace.len());
        for_each_block(trace, |start, block| batches.add(start, block, 0.0));
        let n = count(trace.len());
        let mean = batches.sums.iter().map(|b| b.sum).sum::<f64>() / n;
        let means = batches.sums.iter().filter(|b| b.samples > 0).map(|b| b.sum / count(b.samples));
        Self { value: mean.abs(), std: variance_of_mean(means).sqrt() }
    }
}

#[allow(clippy::cast_precision_loss, reason = "records are far shorter than 2^53 samples")]
fn count(n: usize) -> f64 {
    n as f64
}

/// Variance of the mean of values taken as independent; 0 for fewer than [`LEAST_BATCHES`].
fn variance_of_mean(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let n = values.clone().count();
    if n < LEAST_BATCHES {
        return 0.0;
    }
    let mean = values.clone().sum::<f64>() / count(n);
    values.map(|v| (v - mean).powi(2)).sum::<f64>() / (count(n) * (count(n) - 1.0))
}

/// Sums over one block of the record.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    samples: usize,
    sum: f64,
    sum_of_squares: f64,
}

/// The record cut into up to 32 blocks, of whole electrical cycles where there are cycles.
struct Batches {
    /// Samples in one block, fractional so that whole cycles do not drift.
    length: f64,
    sums: [Sums; MOST_BATCHES],
    /// Samples after the last whole block.
    rest: Sums,
}

impl Batches {
    fn new(trace: &Trace, cycle: &Cycle) -> Self {
        let equal = Self::equal(trace.len());
        let Some(electrical_hz) = cycle.electrical_hz.filter(|&f| f > 0.0) else { return equal };
        let period = trace.sample_rate_hz() / electrical_hz;
        let cycles_in_each = (equal.length / period).ceil();
        Self { length: (cycles_in_each * period).min(count(trace.len())), ..equal }
    }

    fn equal(samples: usize) -> Self {
        let length = (count(samples) / count(MOST_BATCHES)).max(1.0);
        Self { length, sums: [Sums::default(); MOST_BATCHES], rest: Sums::default() }
    }

    /// First sample of a block.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside the record")]
    fn start(&self, batch: usize) -> usize {
        (count(batch) * self.length).round() as usize
    }

    /// Adds samples `start ..`, less `level`.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside the record")]
    fn add(&mut self, start: usize, mut block: &[f64], level: f64) {
        let mut at = start;
        let mut batch = (count(start) / self.length) as usize;
        // Rounded borders may lie one sample off the fractional ones.
        batch = batch.saturating_sub(1);
        while !block.is_empty() {
            let end = self.start(batch + 1);
            if end > at || batch >= MOST_BATCHES {
                let n = if batch >= MOST_BATCHES { block.len() } else { block.len().min(end - at) };
                let (part, rest) = block.split_at(n);
                let (sum, sum_of_squares) = sums(part, level);
                let into = self.sums.get_mut(batch).unwrap_or(&mut self.rest);
                into.samples += n;
                into.sum += sum;
                into.sum_of_squares += sum_of_squares;
                (at, block) = (at + n, rest);
            } else {
                batch += 1;
            }
        }
    }

    /// Blocks that were filled to their end.
    fn whole(&self, samples: usize) -> impl Iterator<Item = &Sums> + Clone {
        let whole = (0..MOST_BATCHES).take_while(|&b| self.start(b + 1) <= samples).count();
        self.sums.iter().take(whole)
    }

    fn total(&self) -> Sums {
        self.sums.iter().fold(self.rest, |t, b| Sums {
            samples: t.samples + b.samples,
            sum: t.sum + b.sum,
            sum_of_squares: t.sum_of_squares + b.sum_of_squares,
        })
    }
}

/// Lanes summed side by side, so that the additions do not wait for each other.
const LANES: usize = 8;

/// Sum and sum of squares of `x - level`.
fn sums(samples: &[f64], level: f64) -> (f64, f64) {
    let (mut sum, mut squares) = ([0.0; LANES], [0.0; LANES]);
    let chunks = samples.chunks_exact(LANES);
    let rest = chunks.remainder();
    for chunk in chunks {
        for ((s, q), &x) in sum.iter_mut().zip(&mut squares).zip(chunk) {
            let d = x - level;
            *s += d;
            *q += d * d;
        }
    }
    for ((s, q), &x) in sum.iter_mut().zip(&mut squares).zip(rest) {
        let d = x - level;
        *s += d;
        *q += d * d;
    }
    (sum.iter().sum(), squares.iter().sum())
}

/// What one pass over the AC-coupled record gives.
struct Record {
    samples: usize,
    /// Extremes less the mean.
    minimum: f64,
    maximum: f64,
    /// Mean that the coupling left.
    mean: f64,
    /// Mean of the squared third differences / 20.
    difference_variance: f64,
    batches: Batches,
}

impl Record {
    fn walk<S: Samples + ?Sized>(ac: &S, mut batches: Batches) -> Self {
        // The first sample stands in for the level until the mean is known: sums stay small whatever the offset.
        let mut first = [0.0];
        ac.read(0, &mut first);
        let pilot = first[0];
        let (mut minimum, mut maximum) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
        let mut differences = ThirdDifferences::default();
        for_each_block(ac, |start, block| {
            for chunk in block.chunks(LANES) {
                for ((lo, hi), &x) in minimum.iter_mut().zip(&mut maximum).zip(chunk) {
                    *lo = lo.min(x);
                    *hi = hi.max(x);
                }
            }
            differences.add(block);
            batches.add(start, block, pilot);
        });
        let total = batches.total();
        let mean = pilot + total.sum / count(total.samples);
        Self {
            samples: total.samples,
            minimum: minimum.iter().copied().fold(f64::INFINITY, f64::min) - mean,
            maximum: maximum.iter().copied().fold(f64::NEG_INFINITY, f64::max) - mean,
            mean,
            difference_variance: differences.variance(),
            batches: batches.about(mean - pilot),
        }
    }

    fn mean_square(&self) -> f64 {
        let total = self.batches.total();
        (total.sum_of_squares / count(total.samples)).max(0.0)
    }

    fn rms(&self) -> f64 {
        self.mean_square().sqrt()
    }
}

impl Sums {
    /// The same sums about a level that lies `shift` higher.
    fn about(self, shift: f64) -> Self {
        let n = count(self.samples);
        Self {
            samples: self.samples,
            sum: self.sum - n * shift,
            sum_of_squares: self.sum_of_squares - shift * (2.0 * self.sum - n * shift),
        }
    }
}

impl Batches {
    fn about(mut self, shift: f64) -> Self {
        for sums in &mut self.sums {
            *sums = sums.about(shift);
        }
        self.rest = self.rest.about(shift);
        self
    }
}

/// Sum of squared third differences, block by block; differences across a block's border are left out.
#[derive(Default)]
struct ThirdDifferences {
    sum: f64,
    terms: usize,
}

impl ThirdDifferences {
    fn add(&mut self, block: &[f64]) {
        let mut lanes = [0.0; LANES];
        let n = block.len().saturating_sub(3);
        let (Some(b), Some(c), Some(d)) = (block.get(1..), block.get(2..), block.get(3..)) else { return };
        for (i, (((x0, x1), x2), x3)) in block.iter().zip(b).zip(c).zip(d).enumerate() {
            let t = (x3 - x0) + 3.0 * (x1 - x2);
            lanes[i % LANES] += t * t;
        }
        self.sum += lanes.iter().sum::<f64>();
        self.terms += n;
    }

    fn variance(&self) -> f64 {
        if self.terms == 0 { 0.0 } else { self.sum / (20.0 * count(self.terms)) }
    }
}

/// Noise of the samples.
struct Noise {
    /// Standard deviation, the quantiser's part included.
    std: f64,
    /// Variance of the quantiser alone.
    quantiser_variance: f64,
}

impl Noise {
    fn new(record: &Record, split: Option<&Split>, step: Option<f64>) -> Self {
        let residual = split.map_or(record.mean_square(), |s| s.residual_mean_square.max(0.0));
        let quantiser_variance = step.map_or(0.0, |q| q * q / 12.0);
        Self { std: record.difference_variance.min(residual).sqrt(), quantiser_variance }
    }

    /// Standard deviation without the quantiser's part.
    fn analogue_std(&self) -> f64 {
        (self.std * self.std - self.quantiser_variance).max(0.0).sqrt()
    }
}

/// Uncertainty of the extremes.
struct Extremes {
    low_std: f64,
    high_std: f64,
}

impl Extremes {
    fn count<S: Samples + ?Sized>(ac: &S, record: &Record, noise: &Noise) -> Self {
        let reach = 2.0 * noise.std;
        let (low, high) = (record.mean + record.minimum + reach, record.mean + record.maximum - reach);
        let (mut at_low, mut at_high) = (0, 0);
        for_each_block(ac, |_, block| {
            at_low += block.iter().filter(|&&x| x <= low).count();
            at_high += block.iter().filter(|&&x| x >= high).count();
        });
        let std = |m: usize| {
            let of_largest = noise.analogue_std() / (1.0 + 0.9 * count(m.max(1)).ln()).sqrt();
            of_largest.hypot(noise.quantiser_variance.sqrt())
        };
        Self { low_std: std(at_low), high_std: std(at_high) }
    }

    fn peak_to_peak_std(&self) -> f64 {
        self.low_std.hypot(self.high_std)
    }

    fn peak(&self, record: &Record) -> Value {
        if record.maximum >= -record.minimum {
            Value { value: record.maximum, std: self.high_std }
        } else {
            Value { value: -record.minimum, std: self.low_std }
        }
    }
}

/// Variance of the record's mean square.
fn mean_square_variance(record: &Record, noise: &Noise, cycle: &Cycle) -> f64 {
    let n = count(record.samples);
    let whole = record.batches.whole(record.samples);
    let between = variance_of_mean(whole.map(|b| b.sum_of_squares / count(b.samples.max(1))));
    // White noise alone, for records of too few cycles to show a scatter.
    let noise_variance = noise.std * noise.std;
    let white = (4.0 * noise_variance * record.mean_square() + 2.0 * noise_variance * noise_variance) / n;
    between.max(white) + left_over_variance(cycle)
}

/// Variance of the mean square through the part of a cycle at the end of the record, whose phase is a matter of chance:
/// the record's mean differs from a whole cycle's by the difference of two values of the running excess
/// `g(theta) = integral (x^2 - mean) / (2 pi)`, over the number of cycles.
fn left_over_variance(cycle: &Cycle) -> f64 {
    let points = count(cycle.mean_cycle_v.len());
    if cycle.cycle_count == 0 || cycle.mean_cycle_v.is_empty() {
        return 0.0;
    }
    let mean = cycle.mean_cycle_v.iter().map(|x| x * x).sum::<f64>() / points;
    let (mut running, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for x in &cycle.mean_cycle_v {
        running += (x * x - mean) / points;
        sum += running;
        squares += running * running;
    }
    let variance = (squares / points - (sum / points).powi(2)).max(0.0);
    2.0 * variance / count(cycle.cycle_count).powi(2)
}

/// Uncertainty of a root from the variance of its square; the root of the deviation where the square is 0.
fn rms_std(square: f64, variance: f64) -> f64 {
    if square > 0.0 {
        (variance.sqrt() / (2.0 * square.sqrt())).min(variance.sqrt().sqrt())
    } else {
        variance.sqrt().sqrt()
    }
}

/// Synchronous against residual part.
struct Split {
    synchronous_mean_square: f64,
    /// May be below 0 by rounding or by the scatter of the orders.
    residual_mean_square: f64,
}

impl Split {
    fn new(record: &Record, cycle: &Cycle) -> Option<Self> {
        cycle.electrical_hz?;
        let synchronous_mean_square = cycle.order_amplitudes_v.iter().map(|c| c * c / 2.0).sum();
        let residual_mean_square = record.mean_square() - synchronous_mean_square;
        Some(Self { synchronous_mean_square, residual_mean_square })
    }

    fn fill(&self, ripple: &mut Ripple, record: &Record, noise: &Noise, cycle: &Cycle) {
        let synchronous_variance: f64 =
            cycle.order_amplitudes_v.iter().zip(&cycle.order_amplitudes_v_std).map(|(c, u)| (c * u).powi(2)).sum();
        let white = (noise.std * noise.std).min(self.residual_mean_square.max(0.0));
        let rest = (self.residual_mean_square - white).max(0.0);
        let independent = count(cycle.cycle_count.max(1));
        let residual_variance =
            2.0 * white * white / count(record.samples) + 2.0 * rest * rest / independent + left_over_variance(cycle);
        ripple.synchronous_rms_v = Some(self.synchronous_mean_square.sqrt());
        ripple.synchronous_rms_v_std = Some(rms_std(self.synchronous_mean_square, synchronous_variance));
        ripple.residual_rms_v = Some(self.residual_mean_square.max(0.0).sqrt());
        ripple.residual_rms_v_std = Some(rms_std(self.residual_mean_square.max(0.0), residual_variance));
        let (low, high) =
            cycle.mean_cycle_v.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &x| (l.min(x), h.max(x)));
        ripple.synchronous_peak_to_peak_v = (high >= low).then_some(high - low);
    }
}

/// The measured parts, from which the ratios follow.
struct Parts {
    peak_to_peak: Value,
    rms: Value,
    peak: Value,
    level: Option<Value>,
}

impl Parts {
    fn ripple(&self, name: &str, corner_hz: f64) -> Ripple {
        let rms_factor = self.level.map(|u| self.rms.over(u));
        let peak_factor = self.level.map(|u| self.peak_to_peak.over(u));
        let whole = |u: Value| u.value.hypot(self.rms.value);
        let crest = if self.rms.value > 0.0 { self.peak.over(self.rms) } else { Value { value: 0.0, std: 0.0 } };
        Ripple {
            trace: name.into(),
            corner_hz,
            peak_to_peak_v: self.peak_to_peak.value,
            peak_to_peak_v_std: self.peak_to_peak.std,
            rms_v: self.rms.value,
            rms_v_std: self.rms.std,
            synchronous_rms_v: None,
            synchronous_rms_v_std: None,
            residual_rms_v: None,
            residual_rms_v_std: None,
            synchronous_peak_to_peak_v: None,
            rms_ripple_factor: rms_factor.map(|f| f.value),
            rms_ripple_factor_std: rms_factor.map(|f| f.std),
            peak_ripple_factor: peak_factor.map(|f| f.value),
            peak_ripple_factor_std: peak_factor.map(|f| f.std),
            dc_ripple_factor: peak_factor.map(|f| f.value / 2.0),
            pulsation_factor: self.level.map(|u| self.rms.value / whole(u)),
            form_factor: self.level.map(|u| whole(u) / u.value),
            crest_factor: crest.value,
            crest_factor_std: crest.std,
        }
    }
}
