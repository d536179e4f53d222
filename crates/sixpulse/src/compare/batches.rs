//! Orders of a trace, averaged over batches of successive electrical cycles.

use super::student_95;
use crate::angle::{self, PhaseTrack};
use crate::cycle::{ORDERS, SEARCH_CORNER_HZ, passed};
use crate::error::{Error, Result};
use crate::levelled::Levelled;
use crate::trace::Trace;
use ndarray::{Array2, Axis, Slice};
use rustfft::num_complex::Complex64;

/// Most batches of cycles.
const MOST_BATCHES: usize = 16;
/// Fewest cycles that are compared.
pub(super) const FEWEST_CYCLES: usize = 4;
/// Stretches of a tapered reading.
const STRETCHES: usize = 7;
/// Fewest cycles in one of them.
const FEWEST_IN_STRETCH: usize = 6;
/// Relative standard uncertainty of an order's share in the ripple's power: chosen on drawn captures of other seeds than
/// those tabled, where 5 % left 84 % of the truths within the 95 % intervals of the attenuation and 12 % left 92 %.
const WEIGHT_STD: f64 = 0.12;
/// An order stands clear from this many standard uncertainties of its mean.
const CLEAR: f64 = 5.0;

/// Complex peak amplitudes of the orders of one trace, batch by batch.
#[derive(Debug, Clone)]
pub(super) struct Batches {
    /// Row = batch, column `n - 1` = order `n`.
    pub(super) means: Array2<Complex64>,
    /// The same cycle by cycle.
    cycles: Array2<Complex64>,
    /// Expected squared magnitude of the noise in one batch's mean, by order.
    noise: Vec<f64>,
    /// Expected squared magnitude of the converter's distortion in an order: it repeats with the cycle, so that no
    /// average removes it.
    distortion: f64,
    /// Mean frequency of order 1 in each batch, hertz.
    pub(super) hz: Vec<f64>,
}

/// A mean square with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Power {
    /// Noise taken off, so that it may come out below 0 where there is nothing.
    pub(super) mean_square: f64,
    pub(super) std: f64,
    /// Degrees of freedom of `std`.
    pub(super) freedom: usize,
}

impl Power {
    /// Half the 95 % interval of the mean square.
    fn reach(&self) -> f64 {
        student_95(self.freedom) * self.std
    }

    /// Square root of the mean square; 0 where noise accounts for all of it.
    pub(super) fn rms(&self) -> f64 {
        self.mean_square.max(0.0).sqrt()
    }

    /// Standard uncertainty of [`Power::rms`]: `std / (2 rms)`, at most what brings a mean square of 0 up.
    pub(super) fn rms_std(&self) -> f64 {
        let near_zero = self.std.sqrt();
        if self.rms() > 0.0 { (0.5 * self.std / self.rms()).min(near_zero) } else { near_zero }
    }

    /// 95 % interval of the r.m.s. value; from 0 where the record does not exclude it.
    pub(super) fn interval(&self) -> (f64, f64) {
        // A mean square is not negative: one estimated below 0 leaves the whole reach open upwards.
        let highest = self.mean_square.max(0.0) + self.reach();
        ((self.mean_square - self.reach()).max(0.0).sqrt(), highest.sqrt())
    }

    /// True when the 95 % interval excludes 0.
    pub(super) fn is_clear(&self) -> bool {
        self.mean_square > self.reach()
    }
}

/// Mean of independent values and its standard uncertainty.
pub(super) fn mean_and_std(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let spread = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    (mean, (spread / n).sqrt())
}

/// The orders of a trace's cycles, the high-pass and the coupling divided out.
fn cycles_of(trace: &Trace, track: &PhaseTrack) -> Result<Array2<Complex64>> {
    let view = Levelled::new(trace, SEARCH_CORNER_HZ)?;
    let spectra = angle::order_spectra(&view, trace.sample_rate_hz(), track, ORDERS)?;
    Ok(spectra.divided_by(|hz| passed(&view, hz)).cycles)
}

impl Batches {
    /// Reads a trace against the track of its capture's electrical cycle. The high-pass through which it is read, and
    /// the instrument's coupling where its corner is known, are divided out.
    ///
    /// # Errors
    /// [`Error::TooShort`] for fewer than four whole cycles; as [`angle::order_spectra`].
    pub(super) fn read(trace: &Trace, track: &PhaseTrack) -> Result<Self> {
        Self::of(trace, track, &cycles_of(trace, track)?)
    }

    /// From the trace's cycles as [`cycles_of`] reads them.
    fn of(trace: &Trace, track: &PhaseTrack, cycles: &Array2<Complex64>) -> Result<Self> {
        if cycles.nrows() < FEWEST_CYCLES {
            let minimum = (FEWEST_CYCLES as f64 * trace.sample_rate_hz() / track.mean_hz()).ceil() as usize;
            let actual = crate::Samples::len(trace);
            return Err(Error::TooShort { parameter: "trace".into(), minimum, actual });
        }
        let mut read = Self::of_cycles(cycles, track);
        read.distortion = read.converter_distortion(trace, cycles.nrows());
        Ok(read)
    }

    /// The same over seven stretches of a quarter of the record that overlap by half, each with a Hann weight over its
    /// cycles: a line beside the orders (the circuit's own signal) leaks a hundred times less into them than into batches.
    /// For [`Batches::power`]; short records stay as they are.
    ///
    /// # Errors
    /// As [`Batches::read`].
    pub(super) fn tapered(trace: &Trace, track: &PhaseTrack) -> Result<Self> {
        let cycles = cycles_of(trace, track)?;
        let mut read = Self::of(trace, track, &cycles)?;
        let length = cycles.nrows() / 4;
        if length < FEWEST_IN_STRETCH {
            return Ok(read);
        }
        let weights: Vec<f64> =
            (0..length).map(|j| (std::f64::consts::PI * (j as f64 + 0.5) / length as f64).sin().powi(2)).collect();
        let total: f64 = weights.iter().sum();
        let mut means = Array2::zeros((STRETCHES, cycles.ncols()));
        for (b, mut row) in means.axis_iter_mut(Axis(0)).enumerate() {
            let start = b * (cycles.nrows() - length) / (STRETCHES - 1);
            for (cycle, weight) in cycles.axis_iter(Axis(0)).skip(start).zip(&weights) {
                row.iter_mut().zip(cycle).for_each(|(sum, x): (&mut Complex64, _)| *sum += x * (weight / total));
            }
        }
        read.means = means;
        Ok(read)
    }

    /// A converter's distortion has the power `step^2 / 12`, spread over the orders up to the rate at which the ripple
    /// crosses the steps (or half the sample rate); noise of a good part of a step turns it into noise, by the factor
    /// `exp(-4 pi^2 sigma^2 / step^2)` (Widrow's condition, from memory).
    fn converter_distortion(&self, trace: &Trace, cycles: usize) -> f64 {
        let Some(step) = crate::quality::step(trace).filter(|s| *s > 0.0) else { return 0.0 };
        let samples_in_cycle = trace.sample_rate_hz() / self.mean_hz();
        let swing: f64 = (0..self.orders()).map(|i| 2.0 * self.amplitude(i)).sum();
        let spread = (std::f64::consts::PI * swing / step).clamp(6.0, (0.5 * samples_in_cycle).max(6.0));
        let quietest = self.noise.iter().copied().fold(f64::INFINITY, f64::min);
        let variance = quietest * cycles as f64 / self.count() as f64 * samples_in_cycle / 4.0;
        let undithered = (-4.0 * std::f64::consts::PI.powi(2) * variance / (step * step)).exp();
        2.0 * step * step / 12.0 / spread * undithered
    }

    fn of_cycles(cycles: &Array2<Complex64>, track: &PhaseTrack) -> Self {
        let (count, orders) = cycles.dim();
        let batches = count.min(MOST_BATCHES);
        let start = |b: usize| b * count / batches;
        let first = track.whole_cycles().0;
        let time = |b: usize| track.time_at(first + start(b) as f64);
        let mut means = Array2::zeros((batches, orders));
        for (b, mut row) in means.axis_iter_mut(Axis(0)).enumerate() {
            let part = cycles.slice_axis(Axis(0), Slice::from(start(b)..start(b + 1)));
            row.assign(&(part.sum_axis(Axis(0)) / part.nrows() as f64));
        }
        let in_each = count as f64 / batches as f64;
        let noise = cycles.axis_iter(Axis(1)).map(|c| successive_variance(c.iter().copied()) / in_each).collect();
        let hz = (0..batches).map(|b| (start(b + 1) - start(b)) as f64 / (time(b + 1) - time(b))).collect();
        Self { means, cycles: cycles.clone(), noise, distortion: 0.0, hz }
    }

    /// The cycles of a batch.
    fn cycles_of(&self, b: usize) -> std::ops::Range<usize> {
        let start = |b: usize| b * self.cycles.nrows() / self.hz.len();
        start(b)..start(b + 1)
    }

    pub(super) fn count(&self) -> usize {
        self.means.nrows()
    }

    pub(super) fn orders(&self) -> usize {
        self.means.ncols()
    }

    /// Mean frequency of order 1 over the record, hertz.
    pub(super) fn mean_hz(&self) -> f64 {
        self.hz.iter().sum::<f64>() / self.hz.len() as f64
    }

    /// The trace with another one taken off.
    pub(super) fn minus(&self, other: &Self) -> Self {
        let noise = self.noise.iter().zip(&other.noise).map(|(a, b)| a + b).collect();
        Self {
            means: &self.means - &other.means,
            cycles: &self.cycles - &other.cycles,
            noise,
            distortion: self.distortion + other.distortion,
            hz: self.hz.clone(),
        }
    }

    /// The trace as it would be without a delay of `delay_s` on its channel.
    pub(super) fn advanced(mut self, delay_s: f64) -> Self {
        let hz = self.hz.clone();
        for (b, hz) in hz.iter().enumerate() {
            let turn = |i: usize| Complex64::cis(std::f64::consts::TAU * (i + 1) as f64 * hz * delay_s);
            let cycles = self.cycles_of(b);
            self.means.row_mut(b).indexed_iter_mut().for_each(|(i, a)| *a *= turn(i));
            let mut own = self.cycles.slice_axis_mut(Axis(0), Slice::from(cycles));
            own.indexed_iter_mut().for_each(|((_, i), a)| *a *= turn(i));
        }
        self
    }

    /// Mean product of an order (index from 0) of `other` in each cycle of a batch with this trace's in the two cycles
    /// beside it: their noise is independent, so that it neither adds to a power nor pulls a ratio down (an instrumental
    /// variable; Reiersol, Econometrica 1941, from memory), and a real change from cycle to cycle does not pass for noise.
    pub(super) fn product(&self, other: &Self, (b, i): (usize, usize)) -> Complex64 {
        let (own, theirs, count) = (self.cycles.column(i), other.cycles.column(i), self.cycles.nrows());
        let at = |c: usize| own.get(c).copied().unwrap_or_default();
        let cycles = self.cycles_of(b);
        let of_each = cycles.len().max(1) as f64;
        let products = cycles.map(|c| {
            let beside = match c {
                0 => at(1),
                _ if c + 1 == count => at(c - 1),
                _ => 0.5 * (at(c - 1) + at(c + 1)),
            };
            beside.conj() * theirs.get(c).copied().unwrap_or_default()
        });
        products.sum::<Complex64>() / of_each
    }

    /// Squared amplitude of an order (index from 0) in each batch, noise taken off.
    fn squares(&self, i: usize) -> impl Iterator<Item = f64> + '_ {
        (0..self.hz.len()).map(move |b| self.product(self, (b, i)).re)
    }

    /// Peak amplitude of an order (index from 0) over the record, noise taken off.
    pub(super) fn amplitude(&self, i: usize) -> f64 {
        (self.squares(i).sum::<f64>() / self.hz.len() as f64).max(0.0).sqrt()
    }

    /// Orders (indices from 0) that stand clear of the noise.
    pub(super) fn clear_orders(&self) -> Vec<usize> {
        let clear = |i: &usize| {
            let noise = self.noise[*i] / self.count() as f64;
            let strongest = (0..self.orders()).map(|k| self.amplitude(k)).fold(0.0, f64::max);
            // Rounding leaves 1e-12 of the strongest order in a record without noise.
            self.amplitude(*i) > CLEAR * noise.sqrt() && self.amplitude(*i) > 1e-9 * strongest
        };
        (0..self.orders()).filter(clear).collect()
    }

    /// Mean square of the orders given, batch by batch: `sum c_n^2 / 2`, noise taken off.
    pub(super) fn mean_squares(&self, orders: &[usize]) -> Vec<f64> {
        let mut out = vec![0.0; self.hz.len()];
        for &i in orders.iter().filter(|i| **i < self.orders()) {
            out.iter_mut().zip(self.squares(i)).for_each(|(sum, square)| *sum += 0.5 * square);
        }
        out
    }

    /// Mean square of the orders given over the record, `sum c_n^2 / 2` with `c_n^2` the mean of `Re(conj(x_b) x_b')` over
    /// all pairs of different batches: what does not keep its phase from batch to batch (noise, a line beside the orders)
    /// cancels. The uncertainty is the jackknife's (Efron 1979), one batch left out at a time.
    pub(super) fn power(&self, orders: &[usize]) -> Power {
        let count = self.count();
        let left_out: Vec<f64> = (0..count).map(|b| self.pairwise(orders, Some(b))).collect();
        let mean = left_out.iter().sum::<f64>() / count as f64;
        let spread: f64 = left_out.iter().map(|v| (v - mean).powi(2)).sum();
        let std = (spread * (count - 1) as f64 / count as f64).sqrt();
        Power { mean_square: self.pairwise(orders, None), std, freedom: count - 1 }
    }

    fn pairwise(&self, orders: &[usize], without: Option<usize>) -> f64 {
        let one = |i: usize| {
            let kept = self.means.column(i).into_iter().enumerate().filter(|(b, _)| Some(*b) != without);
            let (sum, squares, n) =
                kept.fold((Complex64::default(), 0.0, 0.0), |(s, q, n), (_, x)| (s + x, q + x.norm_sqr(), n + 1.0));
            0.5 * (sum.norm_sqr() - squares) / (n * (n - 1.0))
        };
        orders.iter().filter(|i| **i < self.orders()).map(|i| one(*i)).sum()
    }

    /// Complex ratio `response / self` at an order (index from 0) with the standard uncertainty of each of its parts;
    /// `None` where `self` shows nothing.
    ///
    /// By [`Batches::product`] over the batches; the uncertainty from their scatter about it.
    pub(super) fn ratio(&self, response: &Self, i: usize) -> Option<(Complex64, f64)> {
        let power: f64 = self.squares(i).sum();
        if power <= 0.0 || i >= response.orders() {
            return None;
        }
        let pairs = || self.means.column(i).into_iter().zip(response.means.column(i));
        let ratio = (0..self.count()).map(|b| self.product(response, (b, i))).sum::<Complex64>() / power;
        let left: f64 = pairs().map(|(x, y)| (y - ratio * x).norm_sqr()).sum();
        let distortion = (response.distortion + ratio.norm_sqr() * self.distortion) * self.count() as f64 / power;
        let variance = left / (self.count() as f64 - 1.0).max(1.0) / power + distortion;
        Some((ratio, (0.5 * variance).sqrt()))
    }

    /// Variance of the ratio of two mean squares over the orders given (`response` / this one) that the scatter of the
    /// batches does not show: the converters' distortion, which repeats with the cycle; what the choice between the ratio
    /// of powers and that of the mean cycles leaves open where the cycle's shape changes over the record (on a ramp the
    /// high orders of the mean cycle lose their phase), the two being ends of a range of uniform density; and the weight
    /// of each order in the ratio, which the channels' bandwidth and what folds back change (see [`WEIGHT_STD`]).
    pub(super) fn left_open(&self, response: &Self, orders: &[usize]) -> f64 {
        let sum = |of: &dyn Fn(usize) -> f64| orders.iter().map(|i| of(*i)).sum::<f64>();
        let of_powers = |trace: &Self| sum(&|i| 0.5 * trace.amplitude(i).powi(2));
        let of_mean = |trace: &Self| sum(&|i| 0.5 * trace.mean_cycle_square(i)).max(0.0);
        let (below, above) = (of_powers(self), of_powers(response));
        if below <= 0.0 {
            return 0.0;
        }
        let ratio = above / below;
        // An order `c` distorted by `d` changes its half square by `Re(conj(c) d)`: variance `|c|^2 E|d|^2 / 2`.
        let distortion = (above * response.distortion + ratio * ratio * below * self.distortion) / (below * below);
        let mean_cycle = of_mean(self);
        let between = if mean_cycle > 0.0 { of_mean(response) / mean_cycle - ratio } else { 0.0 };
        let weight = |i: usize| {
            let (own, theirs) = (0.5 * self.amplitude(i).powi(2), 0.5 * response.amplitude(i).powi(2));
            (WEIGHT_STD * (theirs - ratio * own) / below).powi(2)
        };
        distortion + between * between / 3.0 + sum(&weight)
    }

    /// Squared amplitude of an order (index from 0) in the mean cycle of the record, noise taken off.
    fn mean_cycle_square(&self, i: usize) -> f64 {
        let cycles = self.cycles.column(i);
        let count = cycles.len() as f64;
        let mean = cycles.sum() / count;
        mean.norm_sqr() - successive_variance(cycles.iter().copied()) / count
    }

    /// Expected squared magnitude of the converter's distortion in an order.
    pub(super) fn distortion(&self) -> f64 {
        self.distortion
    }

    /// Expected squared magnitude of the noise in one batch's mean of an order (index from 0).
    pub(super) fn noise(&self, i: usize) -> f64 {
        self.noise[i]
    }
}

/// Variance of one value from the differences of successive ones, which a drift does not lift.
fn successive_variance(values: impl Iterator<Item = Complex64> + Clone) -> f64 {
    let differences = values.clone().skip(1).zip(values).map(|(b, a)| (b - a).norm_sqr());
    let count = differences.clone().count().max(1) as f64;
    differences.sum::<f64>() / (2.0 * count)
}

/// The ratio of two mean squares estimated batch by batch, and the standard uncertainty of it; `None` where the
/// denominator shows nothing.
pub(super) fn ratio_of_mean_squares(numerator: &[f64], denominator: &[f64]) -> Option<(f64, f64)> {
    let (above, _) = mean_and_std(numerator);
    let (below, _) = mean_and_std(denominator);
    if below <= 0.0 {
        return None;
    }
    let ratio = above / below;
    let left: Vec<f64> = numerator.iter().zip(denominator).map(|(a, b)| (a - ratio * b) / below).collect();
    Some((ratio, mean_and_std(&left).1))
}
