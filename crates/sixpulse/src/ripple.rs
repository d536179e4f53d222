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
//! - **noise** `s`, taken from third differences of the samples, `(x0 - 3 x1 + 3 x2 - x3)^2 / 20`, which take out any
//!   smooth ripple (median over stretches of eight, which passes over its corners), or from the residual r.m.s. where
//!   that is smaller;
//! - **extremes**: the largest of `M` noisy samples scatters by `s / sqrt(1 + 0.9 ln M)` (within 6 % of the exact value
//!   up to M = 10^4), `M` the samples within `2 s` of the extreme; the quantiser adds `q^2 / 12` to its variance;
//! - **mean square**: its scatter between up to 32 blocks of whole electrical cycles, which holds noise, wander and
//!   switched loads with whatever correlation they have; and the part of a cycle left at the end of the record;
//! - **synchronous part**: the uncertainties of the orders, `sqrt(sum (c_n u_n)^2) / (2 rms)`;
//! - **residual part**: noise counts every sample as independent, the quantiser every step crossed, orders above the last one measured are no chance at
//!   all, the rest of the residual counts every cycle as one.
//!
//! Ratios combine the relative uncertainties of their parts. A Monte-Carlo test holds each against the observed scatter
//! to a factor 1.5; that of the residual part may be overstated (up to fourfold) where orders above the 24th make most
//! of it.

use crate::cycle::Cycle;
use crate::error::{Error, Result};
use crate::trace::{BLOCK, Coupling, Samples, Trace, for_each_block};
use crate::vectors::{SumsAbout, Work, higher, lower, widest};

/// Most blocks between which the scatter of the mean square is taken.
const MOST_BATCHES: usize = 32;
/// Fewest blocks that show a scatter: the standard deviation of four is itself good to 40 %.
const LEAST_BATCHES: usize = 4;
/// Fewest samples that are measured: a third difference and a spread.
pub(crate) const LEAST_SAMPLES: usize = 4;

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
#[non_exhaustive]
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
    /// R.m.s. of the rest: `sqrt(rms^2 - synchronous_rms_v^2)`, with the `rms` of the whole cycles in the record (that of
    /// the record, `rms_v`, but for the part of a cycle at its end, which a small residual would drown in); `None`
    /// without a cycle. 0 where the orders account for the whole mean square.
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
        return Err(Error::TooShort { parameter: "trace".into(), minimum: LEAST_SAMPLES, actual: ac.len() });
    }
    let batches = Batches::new(trace, cycle);
    let cycles = cycle.electrical_hz.map_or(0.0, |f| f * trace.duration_s());
    let whole = whole_cycles(trace.len(), cycles);
    let record = Record::walk(ac, batches, cycles, whole);
    let split = Split::new(&record, cycle);
    let noise = Noise::new(&record, split.as_ref(), trace.quantiser().map(|q| q.step));
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

/// Samples in the whole cycles of a record of that many cycles; all of them where there is not one.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside the record")]
fn whole_cycles(samples: usize, cycles: f64) -> usize {
    if cycles < 1.0 { samples } else { (count(samples) * cycles.floor() / cycles).round() as usize }
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
                self.sums.get_mut(batch).unwrap_or(&mut self.rest).add(part, level);
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

/// Lowest and highest value of a block, before which stand the extremes so far.
struct Widened<'a> {
    block: &'a [f64],
    extremes: (f64, f64),
}

impl Work for Widened<'_> {
    type Output = (f64, f64);
    #[inline(always)]
    fn call(self) -> (f64, f64) {
        let (mut low, mut high) = ([self.extremes.0; LANES], [self.extremes.1; LANES]);
        let (chunks, rest) = self.block.as_chunks::<LANES>();
        for chunk in chunks {
            for lane in 0..LANES {
                low[lane] = lower(chunk[lane], low[lane]);
                high[lane] = higher(chunk[lane], high[lane]);
            }
        }
        let ends = rest.iter().fold(self.extremes, |e, &x| (lower(e.0, x), higher(e.1, x)));
        (low.into_iter().fold(ends.0, lower), high.into_iter().fold(ends.1, higher))
    }
}

/// How many values of a block lie at or below `low`, and at or above `high`.
struct Beyond<'a> {
    block: &'a [f64],
    low: f64,
    high: f64,
}

impl Work for Beyond<'_> {
    type Output = (u64, u64);
    #[inline(always)]
    fn call(self) -> (u64, u64) {
        let (mut below, mut above) = (0, 0);
        for &x in self.block {
            below += u64::from(x <= self.low);
            above += u64::from(x >= self.high);
        }
        (below, above)
    }
}

/// What one pass over the AC-coupled record gives.
struct Record {
    samples: usize,
    /// Electrical cycles in it; 0 where there are none.
    cycles: f64,
    /// Extremes less the mean.
    minimum: f64,
    maximum: f64,
    /// Mean that the coupling left.
    mean: f64,
    /// Variance of the noise by third differences.
    difference_variance: f64,
    batches: Batches,
    /// The samples after the last whole cycle.
    tail: Sums,
}

impl Record {
    /// `whole`: samples in the whole cycles.
    fn walk<S: Samples + ?Sized>(ac: &S, mut batches: Batches, cycles: f64, whole: usize) -> Self {
        // The first sample stands in for the level until the mean is known: sums stay small whatever the offset.
        let mut first = [0.0];
        ac.read(0, &mut first);
        let pilot = first[0];
        let mut extremes = (f64::INFINITY, f64::NEG_INFINITY);
        let mut differences = ThirdDifferences::new();
        let mut tail = Sums::default();
        for_each_block(ac, |start, block| {
            extremes = widest(Widened { block, extremes });
            differences.add(block);
            batches.add(start, block, pilot);
            tail.add(block.get(whole.saturating_sub(start)..).unwrap_or_default(), pilot);
        });
        let total = batches.total();
        let mean = pilot + total.sum / count(total.samples);
        Self {
            samples: total.samples,
            cycles,
            minimum: extremes.0 - mean,
            maximum: extremes.1 - mean,
            mean,
            difference_variance: differences.variance(),
            batches: batches.about(mean - pilot),
            tail: tail.about(mean - pilot),
        }
    }

    /// Mean square over the whole cycles, about their own mean.
    fn whole_cycles_mean_square(&self) -> f64 {
        let total = self.batches.total();
        let n = count(total.samples - self.tail.samples);
        let mean = (total.sum - self.tail.sum) / n;
        ((total.sum_of_squares - self.tail.sum_of_squares) / n - mean * mean).max(0.0)
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
    fn add(&mut self, part: &[f64], level: f64) {
        let (sum, sum_of_squares) = widest(SumsAbout { samples: part, level });
        self.samples += part.len();
        self.sum += sum;
        self.sum_of_squares += sum_of_squares;
    }

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

/// Third differences in stretches of [`LANES`]; those across a block's border are left out.
///
/// The median over the stretches is taken, not the mean: the ripple's corners, which no difference takes out, lie in the
/// minority of them. Stretches are sorted into bins an eighth of an octave wide.
struct ThirdDifferences {
    bins: [u32; BINS],
}

/// 2^-80 to 2^48 times the trace's unit squared, in eighths of an octave.
const BINS: usize = 128 * 8;
const LOWEST_OCTAVE: i64 = -80;
/// Median of the mean square of 8 successive third differences of white noise, over its expectation; by simulation (10^6
/// stretches of normal deviates, good to 0.3 %).
const MEDIAN_OVER_MEAN: f64 = 0.818;

/// Sums of the squared third differences in stretches of [`LANES`].
struct Stretches<'a> {
    block: &'a [f64],
    sums: &'a mut [f64],
}

impl Work for Stretches<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let from = |k: usize| self.block.get(k..).unwrap_or_default().as_chunks::<LANES>().0;
        let (x0, x1, x2, x3) = (from(0), from(1), from(2), from(3));
        for ((((sum, x0), x1), x2), x3) in self.sums.iter_mut().zip(x0).zip(x1).zip(x2).zip(x3) {
            let mut squares = [0.0; LANES];
            for lane in 0..LANES {
                let difference = (x3[lane] - x0[lane]) + 3.0 * (x1[lane] - x2[lane]);
                squares[lane] = difference * difference;
            }
            *sum = (squares[0] + squares[4] + squares[2] + squares[6])
                + (squares[1] + squares[5] + squares[3] + squares[7]);
        }
    }
}

impl ThirdDifferences {
    fn new() -> Self {
        Self { bins: [0; BINS] }
    }

    fn add(&mut self, block: &[f64]) {
        let mut sums = [0.0; BLOCK / LANES];
        for part in block.chunks(BLOCK) {
            // What a stretch's last difference reaches beyond it must lie in the block, too.
            let whole = &mut sums[..part.len().saturating_sub(3) / LANES];
            widest(Stretches { block: part, sums: whole });
            for sum in whole {
                if let Some(bin) = self.bins.get_mut(Self::bin(*sum)) {
                    *bin += 1;
                }
            }
        }
    }

    /// The exponent and the three leading bits of the fraction number the eighths of an octave.
    #[allow(clippy::cast_possible_wrap, clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped")]
    fn bin(sum: f64) -> usize {
        let eighths = (sum.to_bits() >> 49) as i64 - 8 * (1023 + LOWEST_OCTAVE);
        eighths.clamp(0, BINS as i64 - 1) as usize
    }

    /// Variance of the noise; 0 where more than half of the stretches do not move at all.
    fn variance(&self) -> f64 {
        let total: u64 = self.bins.iter().map(|&b| u64::from(b)).sum();
        let mut below = 0.0;
        for (&bin, k) in self.bins.iter().zip(0i32..) {
            let here = f64::from(bin);
            let wanted = total as f64 / 2.0 - below;
            if here > 0.0 && wanted <= here {
                if k == 0 {
                    return 0.0;
                }
                let octave = i32::try_from(LOWEST_OCTAVE).unwrap_or(0) + k / 8;
                let sum = (1.0 + (f64::from(k % 8) + wanted / here) / 8.0) * 2f64.powi(octave);
                return sum / (count(LANES) * 20.0 * MEDIAN_OVER_MEAN);
            }
            below += here;
        }
        0.0
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
            let (below, above) = widest(Beyond { block, low, high });
            (at_low, at_high) = (at_low + below, at_high + above);
        });
        let std = |m: u64| {
            let of_largest = noise.analogue_std() / (1.0 + 0.9 * (m.max(1) as f64).ln()).sqrt();
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
    between.max(white) + left_over_variance(cycle, record.cycles)
}

/// Variance of the mean square through the part of a cycle at the end of the record, whose phase is a matter of chance:
/// the record's mean differs from a whole cycle's by `(g(theta + part) - g(theta)) / cycles`, with the running excess
/// `g(theta) = integral (x^2 - mean) d theta / (2 pi)`.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index into the mean cycle")]
fn left_over_variance(cycle: &Cycle, cycles: f64) -> f64 {
    let points = cycle.mean_cycle_v.len();
    if cycles < 1.0 || points == 0 {
        return 0.0;
    }
    let mean = cycle.mean_cycle_v.iter().map(|x| x * x).sum::<f64>() / count(points);
    let excess = |x: &f64| (x * x - mean) / count(points);
    let part = (cycles.fract() * count(points)) as usize;
    let ahead = cycle.mean_cycle_v.iter().cycle().skip(part);
    // g(theta + part) - g(theta), carried along from the first point on.
    let mut difference: f64 = cycle.mean_cycle_v.iter().take(part).map(excess).sum();
    let (mut sum, mut squares) = (0.0, 0.0);
    for (leaving, entering) in cycle.mean_cycle_v.iter().zip(ahead) {
        sum += difference;
        squares += difference * difference;
        difference += excess(entering) - excess(leaving);
    }
    let variance = (squares / count(points) - (sum / count(points)).powi(2)).max(0.0);
    variance / (cycles * cycles)
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
        let residual_mean_square = record.whole_cycles_mean_square() - synchronous_mean_square;
        Some(Self { synchronous_mean_square, residual_mean_square })
    }

    fn fill(&self, ripple: &mut Ripple, record: &Record, noise: &Noise, cycle: &Cycle) {
        let synchronous_variance: f64 =
            cycle.order_amplitudes_v.iter().zip(&cycle.order_amplitudes_v_std).map(|(c, u)| (c * u).powi(2)).sum();
        let white = (noise.std * noise.std).min(self.residual_mean_square.max(0.0));
        let rest = (self.residual_mean_square - white - above_orders(cycle)).max(0.0);
        let independent = count(cycle.cycle_count.max(1));
        let quantiser = noise.quantiser_variance;
        // The quantiser's error is a new one with every step that the ripple crosses, not with every sample.
        let crossed = 2.0 * (record.maximum - record.minimum) / (12.0 * quantiser).sqrt().max(f64::MIN_POSITIVE);
        let coarse = 2.0 * quantiser * quantiser / (independent * crossed.max(1.0));
        let residual_variance = coarse + 2.0 * white * white / count(record.samples) + 2.0 * rest * rest / independent;
        ripple.synchronous_rms_v = Some(self.synchronous_mean_square.sqrt());
        ripple.synchronous_rms_v_std = Some(rms_std(self.synchronous_mean_square, synchronous_variance));
        ripple.residual_rms_v = Some(self.residual_mean_square.max(0.0).sqrt());
        ripple.residual_rms_v_std = Some(rms_std(self.residual_mean_square.max(0.0), residual_variance));
        let (low, high) =
            cycle.mean_cycle_v.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &x| (l.min(x), h.max(x)));
        ripple.synchronous_peak_to_peak_v = (high >= low).then_some(high - low);
    }
}

/// Mean square of what repeats with the cycle above its last order: residual by definition, but no chance in it. Taken
/// from the mean cycle less its own orders, so that what attenuation the averaging has does not count.
fn above_orders(cycle: &Cycle) -> f64 {
    let points = cycle.mean_cycle_v.len();
    if points == 0 {
        return 0.0;
    }
    let mean = cycle.mean_cycle_v.iter().sum::<f64>() / count(points);
    let mean_square = cycle.mean_cycle_v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / count(points);
    let measured: f64 = (1..=cycle.order_amplitudes_v.len().min(points / 2))
        .map(|order| {
            let (sin, cos) = (std::f64::consts::TAU * count(order) / count(points)).sin_cos();
            // Horner's rule at the order's root of unity: its magnitude is that of the Fourier sum.
            let (re, im) = cycle
                .mean_cycle_v
                .iter()
                .fold((0.0, 0.0), |(re, im), x| (re * cos - im * sin + (x - mean), re * sin + im * cos));
            2.0 * (re * re + im * im) / (count(points) * count(points))
        })
        .sum();
    (mean_square - measured).max(0.0)
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
