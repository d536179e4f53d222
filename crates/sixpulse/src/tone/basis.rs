//! Cosines and sines of the orders at the samples of a record, and the sums over them that a fit needs.
//!
//! Time is counted in samples from the middle of the record: there cosines are even and sines odd, so that half of all
//! inner products vanish and the frequency is least entangled with the phases.

use crate::normal::Gram;
use crate::trace::Samples;
use crate::vectors::{LANES, Work, cosine_and_sine, widest};
use std::f64::consts::TAU;

/// Samples worked on at once; a turn is exact at the first few and carried on from them by multiplication.
const RUN: usize = 64;

/// Harmonic model about the middle of the record:
/// `offset + sum over k of (a_k cos(k w t) + b_k sin(k w t))`, `w` in radians per sample.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Model {
    pub(super) offset: f64,
    pub(super) cosine: Vec<f64>,
    pub(super) sine: Vec<f64>,
    pub(super) turn: f64,
}

/// Number of linear unknowns.
pub(super) fn linear_unknowns(orders: &[usize]) -> usize {
    1 + 2 * orders.len()
}

impl Model {
    pub(super) fn zero(orders: &[usize], turn: f64) -> Self {
        Self { offset: 0.0, cosine: vec![0.0; orders.len()], sine: vec![0.0; orders.len()], turn }
    }

    /// The model moved by `share` of a step (offset, cosine and sine of each order, and the turn where it is free).
    pub(super) fn moved(&self, step: &[f64], share: f64) -> Self {
        let at = |i: usize| share * step[i];
        let linear = linear_unknowns_of(self);
        Self {
            offset: self.offset + at(0),
            cosine: self.cosine.iter().enumerate().map(|(k, a)| a + at(1 + 2 * k)).collect(),
            sine: self.sine.iter().enumerate().map(|(k, b)| b + at(2 + 2 * k)).collect(),
            turn: self.turn + step.get(linear).map_or(0.0, |s| share * s),
        }
    }

    /// Size of the largest linear parameter.
    pub(super) fn size(&self) -> f64 {
        self.cosine.iter().chain(&self.sine).fold(self.offset.abs(), |m, x| m.max(x.abs()))
    }
}

fn linear_unknowns_of(model: &Model) -> usize {
    1 + 2 * model.cosine.len()
}

/// What one walk over the record yields at a model.
pub(super) struct Walk {
    /// Sum of squared residuals.
    pub(super) cost: f64,
    /// Inner products of the residual with each unknown's column; the last one belongs to the turn.
    pub(super) gradient: Vec<f64>,
}

/// Cosines and sines of orders 1 to the highest at [`RUN`] consecutive times.
struct Run {
    cosine: Vec<[f64; RUN]>,
    sine: Vec<[f64; RUN]>,
}

impl Run {
    fn new(highest: usize) -> Self {
        Self { cosine: vec![[0.0; RUN]; highest], sine: vec![[0.0; RUN]; highest] }
    }

    /// Fills it from time `start` on: the first order by carrying the turn on, each next one by the product.
    #[inline(always)]
    fn fill(&mut self, turn: f64, start: f64) {
        let Some((first_cosine, cosines)) = self.cosine.split_first_mut() else { return };
        let Some((first_sine, sines)) = self.sine.split_first_mut() else { return };
        let (mut c, mut s) = ([0.0; LANES], [0.0; LANES]);
        for lane in 0..LANES {
            (c[lane], s[lane]) = cosine_and_sine(turn * (start + lane as f64) / TAU);
        }
        let (step_cosine, step_sine) = cosine_and_sine(turn * LANES as f64 / TAU);
        let sets = first_cosine.as_chunks_mut::<LANES>().0.iter_mut().zip(first_sine.as_chunks_mut::<LANES>().0);
        for (cosine, sine) in sets {
            (*cosine, *sine) = (c, s);
            for lane in 0..LANES {
                let turned = c[lane] * step_cosine - s[lane] * step_sine;
                s[lane] = s[lane] * step_cosine + c[lane] * step_sine;
                c[lane] = turned;
            }
        }
        let (mut last_cosine, mut last_sine) = (&*first_cosine, &*first_sine);
        for (cosine, sine) in cosines.iter_mut().zip(sines) {
            for i in 0..RUN {
                let (c, s) = (last_cosine[i], last_sine[i]);
                cosine[i] = c * first_cosine[i] - s * first_sine[i];
                sine[i] = s * first_cosine[i] + c * first_sine[i];
            }
            (last_cosine, last_sine) = (cosine, sine);
        }
    }
}

/// Inner product of two runs, lane by lane.
#[inline(always)]
fn dot(a: &[f64; RUN], b: &[f64; RUN]) -> f64 {
    let mut sums = [0.0; LANES];
    for (a, b) in a.as_chunks::<LANES>().0.iter().zip(b.as_chunks::<LANES>().0) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    sums.iter().sum()
}

/// Time of the first sample, in samples from the middle.
pub(super) fn first_time(samples: usize) -> f64 {
    -0.5 * (samples as f64 - 1.0)
}

/// Walks samples `from .. from + length`, whose middle is time 0, at a model.
pub(super) fn walk<S: Samples + ?Sized>(
    samples: &S,
    from: usize,
    length: usize,
    orders: &[usize],
    model: &Model,
) -> Walk {
    widest(Walking { samples, from, length, orders, model })
}

/// See [`walk`].
struct Walking<'a, S: Samples + ?Sized> {
    samples: &'a S,
    from: usize,
    length: usize,
    orders: &'a [usize],
    model: &'a Model,
}

impl<S: Samples + ?Sized> Work for Walking<'_, S> {
    type Output = Walk;
    #[inline(always)]
    fn call(self) -> Walk {
        let Self { samples, from, length, orders, model } = self;
        let mut run = Run::new(orders.iter().copied().max().unwrap_or(0));
        let mut total = Walk { cost: 0.0, gradient: vec![0.0; linear_unknowns(orders) + 1] };
        let (mut residual, mut slope) = ([0.0; RUN], [0.0; RUN]);
        for start in (0..length).step_by(RUN) {
            let count = RUN.min(length - start);
            let time = first_time(length) + start as f64;
            run.fill(model.turn, time);
            samples.read(from + start, &mut residual[..count]);
            subtract_model(&run, orders, model, time, &mut residual, &mut slope);
            residual[count..].fill(0.0);
            total.cost += dot(&residual, &residual);
            total.gradient[0] += dot(&residual, &[1.0; RUN]);
            for (i, &k) in orders.iter().enumerate() {
                total.gradient[1 + 2 * i] += dot(&residual, &run.cosine[k - 1]);
                total.gradient[2 + 2 * i] += dot(&residual, &run.sine[k - 1]);
            }
            total.gradient[1 + 2 * orders.len()] += dot(&residual, &slope);
        }
        total
    }
}

/// Takes the model off the samples, and writes its derivative with respect to the turn.
#[inline(always)]
fn subtract_model(
    run: &Run,
    orders: &[usize],
    model: &Model,
    time: f64,
    residual: &mut [f64; RUN],
    slope: &mut [f64; RUN],
) {
    *slope = [0.0; RUN];
    for x in residual.iter_mut() {
        *x -= model.offset;
    }
    for ((&k, &a), &b) in orders.iter().zip(&model.cosine).zip(&model.sine) {
        let (cosine, sine) = (&run.cosine[k - 1], &run.sine[k - 1]);
        let (ka, kb) = (k as f64 * a, k as f64 * b);
        for i in 0..RUN {
            residual[i] -= a * cosine[i] + b * sine[i];
            slope[i] += kb * cosine[i] - ka * sine[i];
        }
    }
    for (i, slope) in (0i32..).zip(slope) {
        *slope *= time + f64::from(i);
    }
}

/// Sums over the record that make up every inner product of two columns; index q stands for `cos(q w t)` and so on.
pub(super) struct Sums {
    cosine: Vec<f64>,
    time_sine: Vec<f64>,
    time2_cosine: Vec<f64>,
}

impl Sums {
    /// Sums of `cos(q w t)`, `t sin(q w t)` and `t^2 cos(q w t)` for `q` up to twice the highest order. All are even in
    /// time: the later half of the record is summed and doubled.
    pub(super) fn new(samples: usize, highest: usize, turn: f64) -> Self {
        let mut sums = Self {
            cosine: vec![0.0; 2 * highest + 1],
            time_sine: vec![0.0; 2 * highest + 1],
            time2_cosine: vec![0.0; 2 * highest + 1],
        };
        let n = samples as f64;
        sums.cosine[0] = n;
        sums.time2_cosine[0] = n * (n * n - 1.0) / 12.0;
        let mut run = Run::new(2 * highest);
        widest(Summing { sums: &mut sums, run: &mut run, samples, turn });
        sums
    }

    #[inline(always)]
    fn add(&mut self, run: &Run, time: f64, count: usize) {
        // Every sample has a twin; the middle one of an odd record, which is its own mirror image, comes first.
        let mut weight = [2.0; RUN];
        weight[count..].fill(0.0);
        if time == 0.0 {
            weight[0] = 1.0;
        }
        let (mut first, mut second) = ([0.0; RUN], [0.0; RUN]);
        for (i, (first, weight)) in (0i32..).zip(first.iter_mut().zip(&weight)) {
            *first = weight * (time + f64::from(i));
        }
        for (i, (second, first)) in (0i32..).zip(second.iter_mut().zip(&first)) {
            *second = first * (time + f64::from(i));
        }
        for (q, (cosine, sine)) in run.cosine.iter().zip(&run.sine).enumerate() {
            self.cosine[q + 1] += dot(&weight, cosine);
            self.time_sine[q + 1] += dot(&first, sine);
            self.time2_cosine[q + 1] += dot(&second, cosine);
        }
    }

    /// Inner products of the linear columns (offset, then cosine and sine of each order) and, when `with_turn`, of the
    /// derivative with respect to the turn.
    pub(super) fn gram(&self, orders: &[usize], model: &Model, unknowns: Unknowns) -> Gram {
        let linear = linear_unknowns(orders);
        let mut gram = Gram::new(if unknowns == Unknowns::LinearAndTurn { linear + 1 } else { linear });
        gram.set(0, 0, self.cosine[0]);
        for (i, &k) in orders.iter().enumerate() {
            gram.set(1 + 2 * i, 0, self.cosine[k]);
            for (j, &m) in orders[..=i].iter().enumerate() {
                let (less, more) = (self.cosine[k.abs_diff(m)], self.cosine[k + m]);
                gram.set(1 + 2 * i, 1 + 2 * j, 0.5 * (less + more));
                gram.set(2 + 2 * i, 2 + 2 * j, 0.5 * (less - more));
            }
        }
        if unknowns == Unknowns::LinearAndTurn {
            self.turn_column(orders, model, &mut gram);
        }
        gram
    }

    fn turn_column(&self, orders: &[usize], model: &Model, gram: &mut Gram) {
        let last = linear_unknowns(orders);
        // sum of t sin(k w t) cos(m w t), which for m = 0 is sum of t sin(k w t)
        let mixed = |k: usize, m: usize| {
            let less = self.time_sine[k.abs_diff(m)];
            0.5 * (self.time_sine[k + m] + if k < m { -less } else { less })
        };
        let (mut with_offset, mut with_itself) = (0.0, 0.0);
        for (i, &k) in orders.iter().enumerate() {
            let (mut with_cosine, mut with_sine) = (0.0, 0.0);
            for (j, &m) in orders.iter().enumerate() {
                let (ma, mb) = (m as f64 * model.cosine[j], m as f64 * model.sine[j]);
                with_cosine -= ma * mixed(m, k);
                with_sine += mb * mixed(k, m);
                let (less, more) = (self.time2_cosine[k.abs_diff(m)], self.time2_cosine[k + m]);
                let (ka, kb) = (k as f64 * model.cosine[i], k as f64 * model.sine[i]);
                with_itself += 0.5 * (ka * ma * (less - more) + kb * mb * (less + more));
            }
            gram.set(1 + 2 * i, last, with_cosine);
            gram.set(2 + 2 * i, last, with_sine);
            with_offset -= k as f64 * model.cosine[i] * mixed(k, 0);
        }
        gram.set(0, last, with_offset);
        gram.set(last, last, with_itself);
    }
}

/// See [`Sums::new`].
struct Summing<'a> {
    sums: &'a mut Sums,
    run: &'a mut Run,
    samples: usize,
    turn: f64,
}

impl Work for Summing<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { sums, run, samples, turn } = self;
        for start in (samples / 2..samples).step_by(RUN) {
            let time = first_time(samples) + start as f64;
            run.fill(turn, time);
            sums.add(run, time, RUN.min(samples - start));
        }
    }
}

/// Which unknowns a fit has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unknowns {
    /// Offset, cosines and sines.
    Linear,
    /// These and the frequency.
    LinearAndTurn,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The columns themselves, sample by sample.
    fn columns(n: usize, orders: &[usize], model: &Model) -> Vec<Vec<f64>> {
        let times: Vec<f64> = (0..n).map(|i| first_time(n) + i as f64).collect();
        let mut all = vec![vec![1.0; n]];
        for &k in orders {
            all.push(times.iter().map(|t| (k as f64 * model.turn * t).cos()).collect());
            all.push(times.iter().map(|t| (k as f64 * model.turn * t).sin()).collect());
        }
        let slope = |t: f64| -> f64 {
            let part = |(i, &k): (usize, &usize)| {
                let (s, c) = (k as f64 * model.turn * t).sin_cos();
                k as f64 * t * (model.sine[i] * c - model.cosine[i] * s)
            };
            orders.iter().enumerate().map(part).sum()
        };
        all.push(times.iter().map(|&t| slope(t)).collect());
        all
    }

    #[test]
    fn sums_and_walk_equal_the_columns() {
        let orders = [1, 3, 4];
        let model = Model { offset: 0.3, cosine: vec![1.0, -0.5, 0.2], sine: vec![0.4, 0.7, -0.1], turn: 0.21 };
        for n in [40_usize, 64, 65, 200, 201] {
            let columns = columns(n, &orders, &model);
            let x: Vec<f64> = (0..n).map(|i| (0.9 * i as f64).sin() + 14.0).collect();
            let walk = walk(x.as_slice(), 0, n, &orders, &model);
            let residual = |i: usize| -> f64 {
                let linear = [0.3, 1.0, 0.4, -0.5, 0.7, 0.2, -0.1];
                x[i] - linear.iter().zip(&columns).map(|(p, c)| p * c[i]).sum::<f64>()
            };
            let scale = (n as f64).powi(3);
            for (j, column) in columns.iter().enumerate() {
                let product: f64 = column.iter().enumerate().map(|(i, c)| c * residual(i)).sum();
                assert!((walk.gradient[j] - product).abs() < 1e-12 * scale, "gradient {j} at {n}");
            }
            let gram = Sums::new(n, 4, model.turn).gram(&orders, &model, Unknowns::LinearAndTurn);
            let mut expected = Gram::new(columns.len());
            for (i, a) in columns.iter().enumerate() {
                for (j, b) in columns.iter().enumerate() {
                    expected.set(i, j, a.iter().zip(b).map(|(a, b)| a * b).sum());
                }
            }
            let (mine, theirs) = (gram.factor().unwrap(), expected.factor().unwrap());
            for i in 0..columns.len() {
                let mut unit = vec![0.0; columns.len()];
                unit[i] = 1.0;
                // Rounding of the sums (1e-14) times the condition of the system (1e4 at 40 samples).
                let ratio = mine.variance(&unit) / theirs.variance(&unit);
                assert!((ratio - 1.0).abs() < 1e-9, "unknown {i} of {n} samples: {ratio}");
            }
        }
    }
}
