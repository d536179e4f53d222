//! Cosines and sines of the orders at the samples of a record, and the sums over them that a fit needs.
//!
//! Time is counted in samples from the middle of the record: there cosines are even and sines odd, so that half of all
//! inner products vanish and the frequency is least entangled with the phases.

use crate::error::Result;
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

    /// The model with other turn, its linear unknowns moved by `share` of `step`.
    pub(super) fn moved(&self, step: &[f64], share: f64, turn: f64) -> Self {
        let mut moved = Self { turn, ..self.clone() };
        let unknowns = std::iter::once(&mut moved.offset)
            .chain(moved.cosine.iter_mut().zip(&mut moved.sine).flat_map(|(cosine, sine)| [cosine, sine]));
        unknowns.zip(step).for_each(|(unknown, step)| *unknown += share * step);
        moved
    }

    /// Inner product of the linear unknowns with values given for each.
    fn dot(&self, values: &[f64]) -> f64 {
        let pairs = self.cosine.iter().zip(&self.sine).flat_map(|(cosine, sine)| [*cosine, *sine]);
        std::iter::once(self.offset).chain(pairs).zip(values).map(|(a, b)| a * b).sum()
    }

    /// Size of the largest linear parameter.
    pub(super) fn size(&self) -> f64 {
        self.cosine.iter().chain(&self.sine).fold(self.offset.abs(), |m, x| m.max(x.abs()))
    }
}

/// What one walk over the record yields at a model: inner products of its residual with each linear column, and with the
/// first and the second derivative of each with respect to the turn.
pub(super) struct Walk {
    /// Sum of squared residuals.
    pub(super) cost: f64,
    pub(super) gradient: Vec<f64>,
    first: Vec<f64>,
    second: Vec<f64>,
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
        let half = length / 2;
        let (later, nearest) = (from + length - half, if length.is_multiple_of(2) { 0.5 } else { 1.0 });
        let mut run = Run::new(orders.iter().copied().max().unwrap_or(0));
        let mut pairs = Pairs { even: [0.0; RUN], odd: [0.0; RUN] };
        let mut products = Products::new(orders.len());
        for start in (0..half).step_by(RUN) {
            let count = RUN.min(half - start);
            let time = nearest + start as f64;
            run.fill(model.turn, time);
            samples.read(later + start, &mut pairs.even[..count]);
            samples.read(from + half - start - count, &mut pairs.odd[..count]);
            pairs.take_off(&run, orders, model, count);
            products.add(&run, orders, &pairs, time);
        }
        let mut middle = None;
        if later > from + half {
            let mut sample = [0.0];
            samples.read(from + half, &mut sample);
            middle = Some(sample[0] - model.offset - model.cosine.iter().sum::<f64>());
        }
        products.total(orders, middle)
    }
}

/// Residuals at times `t` and `-t`: their sum, which only cosines make, and their difference, which only sines make.
struct Pairs {
    even: [f64; RUN],
    odd: [f64; RUN],
}

impl Pairs {
    /// From the samples themselves, `count` at later times in `even`, as many at earlier ones in `odd`.
    #[inline(always)]
    fn take_off(&mut self, run: &Run, orders: &[usize], model: &Model, count: usize) {
        let Self { even, odd } = self;
        odd[..count].reverse();
        for i in 0..RUN {
            let (later, earlier) = (even[i] - model.offset, odd[i] - model.offset);
            (even[i], odd[i]) = (later + earlier, later - earlier);
        }
        for ((&k, &a), &b) in orders.iter().zip(&model.cosine).zip(&model.sine) {
            let (cosine, sine, double_a, double_b) = (&run.cosine[k - 1], &run.sine[k - 1], 2.0 * a, 2.0 * b);
            for i in 0..RUN {
                even[i] -= double_a * cosine[i];
            }
            for i in 0..RUN {
                odd[i] -= double_b * sine[i];
            }
        }
        even[count..].fill(0.0);
        odd[count..].fill(0.0);
    }
}

/// Sums of products over the pairs, lane by lane.
struct Products {
    squares: [f64; LANES],
    level: [f64; LANES],
    /// Of each order: residual by 1, `t` and `t^2`, the even part with its cosine or the odd one with its sine, which at
    /// `t` change places.
    with_cosine: Vec<[[f64; LANES]; 3]>,
    with_sine: Vec<[[f64; LANES]; 3]>,
}

impl Products {
    fn new(orders: usize) -> Self {
        let none = [0.0; LANES];
        let each = vec![[none; 3]; orders];
        Self { squares: none, level: none, with_cosine: each.clone(), with_sine: each }
    }

    /// Adds the pairs at `time` and later.
    #[inline(always)]
    fn add(&mut self, run: &Run, orders: &[usize], pairs: &Pairs, time: f64) {
        let Pairs { even, odd } = pairs;
        let (mut first_even, mut first_odd, mut second_even, mut second_odd) =
            ([0.0; RUN], [0.0; RUN], [0.0; RUN], [0.0; RUN]);
        for i in 0..RUN {
            let t = time + i as f64;
            (first_even[i], first_odd[i]) = (t * even[i], t * odd[i]);
            (second_even[i], second_odd[i]) = (t * first_even[i], t * first_odd[i]);
        }
        for at in (0..RUN).step_by(LANES) {
            for lane in 0..LANES {
                let i = at + lane;
                self.level[lane] += even[i];
                self.squares[lane] += 0.5 * (even[i] * even[i] + odd[i] * odd[i]);
            }
        }
        for (&k, sums) in orders.iter().zip(&mut self.with_cosine) {
            add_products(sums, &run.cosine[k - 1], [even, &first_odd, &second_even]);
        }
        for (&k, sums) in orders.iter().zip(&mut self.with_sine) {
            add_products(sums, &run.sine[k - 1], [odd, &first_even, &second_odd]);
        }
    }

    /// All of it, with the residual of the middle sample where the record has one.
    fn total(&self, orders: &[usize], middle: Option<f64>) -> Walk {
        let sum = |lanes: &[f64; LANES]| lanes.iter().sum::<f64>();
        let middle = middle.unwrap_or(0.0);
        let mut walk = Walk {
            cost: sum(&self.squares) + middle * middle,
            gradient: vec![sum(&self.level) + middle],
            first: vec![0.0],
            second: vec![0.0],
        };
        for ((&k, cosine), sine) in orders.iter().zip(&self.with_cosine).zip(&self.with_sine) {
            let k = k as f64;
            walk.gradient.extend([sum(&cosine[0]) + middle, sum(&sine[0])]);
            walk.first.extend([-k * sum(&sine[1]), k * sum(&cosine[1])]);
            walk.second.extend([-k * k * sum(&cosine[2]), -k * k * sum(&sine[2])]);
        }
        walk
    }
}

/// Adds the products of three runs with one: a loop for each sum, of which the compiler makes lanes.
#[inline(always)]
fn add_products(sums: &mut [[f64; LANES]; 3], wave: &[f64; RUN], by: [&[f64; RUN]; 3]) {
    let [mut first, mut second, mut third] = *sums;
    let [x, y, z] = by.map(|run| run.as_chunks::<LANES>().0);
    for (((wave, x), y), z) in wave.as_chunks::<LANES>().0.iter().zip(x).zip(y).zip(z) {
        for lane in 0..LANES {
            first[lane] += x[lane] * wave[lane];
        }
        for lane in 0..LANES {
            second[lane] += y[lane] * wave[lane];
        }
        for lane in 0..LANES {
            third[lane] += z[lane] * wave[lane];
        }
    }
    *sums = [first, second, third];
}

/// Sums over the record that make up every inner product of two columns; index q stands for `cos(q w t)` and so on.
pub(super) struct Sums {
    cosine: Vec<f64>,
    time_sine: Vec<f64>,
    time2_cosine: Vec<f64>,
}

impl Sums {
    /// Sums of `cos(q w t)`, `t sin(q w t)` and `t^2 cos(q w t)` for `q` up to twice the highest order, all of which lie
    /// below one turn per sample.
    pub(super) fn new(samples: usize, highest: usize, turn: f64) -> Self {
        let all: Vec<_> = (0..=2 * highest).map(|q| sums_at(samples, q as f64 * (turn / TAU))).collect();
        let part = |at: usize| all.iter().map(|sums| sums[at]).collect();
        Self { cosine: part(0), time_sine: part(1), time2_cosine: part(2) }
    }

    /// Inner products of the linear columns: offset, then cosine and sine of each order.
    pub(super) fn gram(&self, orders: &[usize]) -> Gram {
        let mut gram = Gram::new(linear_unknowns(orders));
        self.linear_columns(orders, &mut gram);
        gram
    }

    /// These, and those of the model's derivative with respect to the turn.
    pub(super) fn gram_with_turn(&self, orders: &[usize], model: &Model) -> Gram {
        let last = linear_unknowns(orders);
        let mut gram = Gram::new(last + 1);
        self.linear_columns(orders, &mut gram);
        let (beside, itself) = self.turn_column(orders, model);
        beside.iter().enumerate().for_each(|(i, product)| gram.set(i, last, *product));
        gram.set(last, last, itself);
        gram
    }

    fn linear_columns(&self, orders: &[usize], gram: &mut Gram) {
        gram.set(0, 0, self.cosine[0]);
        for (i, &k) in orders.iter().enumerate() {
            gram.set(1 + 2 * i, 0, self.cosine[k]);
            for (j, &m) in orders[..=i].iter().enumerate() {
                let (less, more) = (self.cosine[k.abs_diff(m)], self.cosine[k + m]);
                gram.set(1 + 2 * i, 1 + 2 * j, 0.5 * (less + more));
                gram.set(2 + 2 * i, 2 + 2 * j, 0.5 * (less - more));
            }
        }
    }

    /// Sum of `t sin(k w t) cos(m w t)`, which for m = 0 is that of `t sin(k w t)`.
    fn mixed(&self, k: usize, m: usize) -> f64 {
        let less = self.time_sine[k.abs_diff(m)];
        0.5 * (self.time_sine[k + m] + if k < m { -less } else { less })
    }

    /// Inner products of the model's derivative with respect to the turn: with each linear column, and with itself.
    fn turn_column(&self, orders: &[usize], model: &Model) -> (Vec<f64>, f64) {
        let (mut beside, mut itself) = (vec![0.0; linear_unknowns(orders)], 0.0);
        for (i, &k) in orders.iter().enumerate() {
            let (ka, kb) = (k as f64 * model.cosine[i], k as f64 * model.sine[i]);
            beside[0] -= ka * self.mixed(k, 0);
            for (j, &m) in orders.iter().enumerate() {
                let (ma, mb) = (m as f64 * model.cosine[j], m as f64 * model.sine[j]);
                beside[1 + 2 * i] -= ma * self.mixed(m, k);
                beside[2 + 2 * i] += mb * self.mixed(k, m);
                let (less, more) = (self.time2_cosine[k.abs_diff(m)], self.time2_cosine[k + m]);
                itself += 0.5 * (ka * ma * (less - more) + kb * mb * (less + more));
            }
        }
        (beside, itself)
    }

    /// Inner products of a change of the linear unknowns, as the samples show it, with the first and second derivative of
    /// each linear column with respect to the turn: what [`Walk`] has of the residual.
    fn derivatives(&self, orders: &[usize], change: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let (mut first, mut second) = (vec![0.0; change.len()], vec![0.0; change.len()]);
        for (i, &k) in orders.iter().enumerate() {
            let (mut by_sine, mut by_cosine) = (change[0] * self.mixed(k, 0), 0.0);
            let (mut square_cosine, mut square_sine) = (change[0] * self.time2_cosine[k], 0.0);
            for (j, &m) in orders.iter().enumerate() {
                let (cosine, sine) = (change[1 + 2 * j], change[2 + 2 * j]);
                by_sine += cosine * self.mixed(k, m);
                by_cosine += sine * self.mixed(m, k);
                let (less, more) = (self.time2_cosine[k.abs_diff(m)], self.time2_cosine[k + m]);
                square_cosine += 0.5 * cosine * (less + more);
                square_sine += 0.5 * sine * (less - more);
            }
            let k = k as f64;
            (first[1 + 2 * i], first[2 + 2 * i]) = (-k * by_sine, k * by_cosine);
            (second[1 + 2 * i], second[2 + 2 * i]) = (-k * k * square_cosine, -k * k * square_sine);
        }
        (first, second)
    }
}

/// A model whose linear unknowns are the best at its turn, and how the sum of squares lies there.
pub(super) struct Projection {
    pub(super) model: Model,
    /// Least sum of squared residuals at this turn.
    pub(super) cost: f64,
    /// What it is uncertain by: rounding of the walk's own sum of squares.
    pub(super) rounding: f64,
    /// Half its derivative with respect to the turn, reversed: positive where a higher turn is better.
    pub(super) slope: f64,
    /// How the best linear unknowns change with the turn, reversed.
    pub(super) follow: Vec<f64>,
    /// Half its second derivative with respect to the turn.
    pub(super) curvature: f64,
    /// That without the residual's share, which is never negative; `None` where rounding is all of it.
    pub(super) plain_curvature: Option<f64>,
}

/// The best linear unknowns at a model's turn, from a walk at that model.
///
/// # Errors
/// [`crate::Error::Undetermined`] where the columns depend on each other.
pub(super) fn project(sums: &Sums, orders: &[usize], model: &Model, walk: &Walk) -> Result<Projection> {
    let factor = sums.gram(orders).factor()?;
    let change = factor.solve(&walk.gradient);
    let gain: f64 = change.iter().zip(&walk.gradient).map(|(a, b)| a * b).sum();
    let model = model.moved(&change, 1.0, model.turn);
    let (mut first, mut second) = sums.derivatives(orders, &change);
    first.iter_mut().zip(&walk.first).for_each(|(part, whole)| *part = whole - *part);
    second.iter_mut().zip(&walk.second).for_each(|(part, whole)| *part = whole - *part);
    let (beside, itself) = sums.turn_column(orders, &model);
    let slope = model.dot(&first);
    let mixed: Vec<f64> = beside.iter().zip(&first).map(|(a, b)| a - b).collect();
    let follow = factor.solve(&mixed);
    let followed: f64 = follow.iter().zip(&mixed).map(|(a, b)| a * b).sum();
    Ok(Projection {
        cost: (walk.cost - gain).max(0.0),
        rounding: 1e-13 * walk.cost,
        slope,
        curvature: itself - model.dot(&second) - followed,
        plain_curvature: factor.divided_by_rest(itself, &beside, 1.0).map(f64::recip),
        follow,
        model,
    })
}

/// Sums of `cos(z t)`, `t sin(z t)` and `t^2 cos(z t)` over times 1 apart about 0, `z` of 0 to 1 in cycles: the first is
/// `D = sin(n z / 2) / sin(z / 2)`, the others its derivatives `-D'` and `-D''` (`z` in radians).
fn sums_at(samples: usize, cycles: f64) -> [f64; 3] {
    let n = samples as f64;
    // One turn less between samples is the mirror image; of an even number, whose times are halves, with the other sign.
    let beyond = cycles > 0.5;
    let half = 0.5 * if beyond { 1.0 - cycles } else { cycles };
    let ((cos, sin), (cos_n, sin_n)) = (cosine_and_sine(half), cosine_and_sine(n * half));
    let d = if sin > 0.0 { sin_n / sin } else { n };
    // First and second derivative with respect to z / 2.
    let (angle, angle_n) = (TAU * half, TAU * (n * half));
    let (first, second) = if angle_n < NEAR {
        // Of ln D, whose terms 1 / z cancel.
        let ((c, slope), (c_n, slope_n)) = (cotangent_beyond_pole(angle), cotangent_beyond_pole(angle_n));
        let (first, second) = (n * c_n - c, n * n * slope_n - slope);
        (d * first, d * (first * first + second))
    } else {
        let first = (n * cos_n - d * cos) / sin;
        (first, d * (1.0 - n * n) - 2.0 * first * cos / sin)
    };
    let sign = if beyond && samples.is_multiple_of(2) { -1.0 } else { 1.0 };
    let mirrored = if beyond { -sign } else { sign };
    [sign * d, -0.5 * mirrored * first, -0.25 * sign * second]
}

/// Half a record's angle below which the series is taken: beyond it the closed form loses less than 1e-13 by cancelling.
const NEAR: f64 = 0.3;

/// `cot(x) - 1 / x` and its derivative, by its series to 1e-15, for `x` of 0 to [`NEAR`].
fn cotangent_beyond_pole(x: f64) -> (f64, f64) {
    const TERMS: [f64; 7] =
        [1.0 / 3.0, 1.0 / 45.0, 2.0 / 945.0, 1.0 / 4725.0, 2.0 / 93_555.0, 1382.0 / 638_512_875.0, 4.0 / 18_243_225.0];
    let y = x * x;
    let value = TERMS.iter().rev().fold(0.0, |sum, term| sum * y + term);
    let slope = TERMS.iter().enumerate().rev().fold(0.0, |sum, (i, term)| sum * y + (2 * i + 1) as f64 * term);
    (-x * value, -slope)
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

    /// First and second derivatives of the linear columns with respect to the turn.
    fn derivatives(n: usize, orders: &[usize], turn: f64) -> [Vec<Vec<f64>>; 2] {
        let each = |f: &dyn Fn(f64) -> f64| (0..n).map(|i| f(first_time(n) + i as f64)).collect::<Vec<f64>>();
        let (mut first, mut second) = (vec![vec![0.0; n]], vec![vec![0.0; n]]);
        for k in orders.iter().map(|&k| k as f64) {
            first.push(each(&|t| -k * t * (k * turn * t).sin()));
            first.push(each(&|t| k * t * (k * turn * t).cos()));
            second.push(each(&|t| -(k * t).powi(2) * (k * turn * t).cos()));
            second.push(each(&|t| -(k * t).powi(2) * (k * turn * t).sin()));
        }
        [first, second]
    }

    /// The least sum of squares, its slope and its curvature over the turn, against differences of itself.
    #[test]
    fn a_projection_knows_how_the_sum_of_squares_lies() {
        let (n, orders) = (301, [1, 3, 4]);
        let x: Vec<f64> = (0..n).map(|i| (0.9 * i as f64).sin() + (0.207 * i as f64).cos() + 14.0).collect();
        let at = |turn: f64, from: &Model| {
            let model = Model { turn, ..from.clone() };
            let walk = walk(x.as_slice(), 0, n, &orders, &model);
            project(&Sums::new(n, 4, turn), &orders, &model, &walk).unwrap()
        };
        for turn in [0.21, 0.208, 0.5, 0.02] {
            // From afar and from the best unknowns themselves.
            let far = Model { offset: 9.0, cosine: vec![1.0, -0.5, 0.2], sine: vec![0.4, 0.7, -0.1], turn };
            let (far, near) = (at(turn, &far), at(turn, &at(turn, &far).model));
            assert!((far.cost / near.cost - 1.0).abs() < 1e-10 && (far.slope / near.slope - 1.0).abs() < 1e-8);
            assert!((far.curvature / near.curvature - 1.0).abs() < 1e-8);
            let step = 1e-6;
            let (below, above) = (at(turn - step, &near.model), at(turn + step, &near.model));
            let slope = (below.cost - above.cost) / (4.0 * step);
            assert!((slope / near.slope - 1.0).abs() < 1e-5, "{turn}: {slope}, {}", near.slope);
            let curvature = (below.slope - above.slope) / (2.0 * step);
            assert!((curvature / near.curvature - 1.0).abs() < 1e-6, "{turn}: {curvature}, {}", near.curvature);
            let follow = (below.model.cosine[0] - above.model.cosine[0]) / (2.0 * step);
            assert!((follow / near.follow[1] - 1.0).abs() < 1e-6, "{turn}: {follow}, {}", near.follow[1]);
            assert!(near.plain_curvature.is_some_and(|plain| plain > 0.0));
        }
    }

    /// Against the sums themselves, over the series, the closed form, either side of their border and the mirrored half.
    #[test]
    fn sums_in_closed_form_are_the_sums() {
        for n in [4_usize, 5, 40, 201, 5000, 10_001] {
            let edge = NEAR / (TAU * 0.5 * n as f64);
            let all = [0.0, 1e-12, 0.01 * edge, 0.99 * edge, 1.01 * edge, 5.0 * edge, 0.1, 0.3, 0.499, 0.5, 0.501];
            for cycles in all.into_iter().chain([0.7, 1.0 - 5.0 * edge, 1.0 - 0.5 * edge, 1.0 - 1e-9]) {
                let mut sums = [0.0; 3];
                for t in (0..n).map(|i| first_time(n) + i as f64) {
                    let (cosine, sine) = cosine_and_sine(cycles * t);
                    sums.iter_mut().zip([cosine, t * sine, t * t * cosine]).for_each(|(sum, x)| *sum += x);
                }
                for (power, (found, sum)) in (1..).zip(sums_at(n, cycles).into_iter().zip(sums)) {
                    // Rounding of the sums compared with: half a unit of each term, of which n^power / power is all.
                    let error = (found - sum).abs() / (n as f64).powi(power);
                    assert!(error < 1e-13, "{n} samples, {cycles} cycles, t^{}: {error}", power - 1);
                }
            }
            // Below the border even the small ones are right relative to themselves: -D' is n (n^2 - 1) z / 12 there.
            let (n, z) = (n as f64, 1e-9 * edge * TAU);
            assert!((sums_at(n as usize, 1e-9 * edge)[1] / (n * (n * n - 1.0) * z / 12.0) - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn sums_and_walk_equal_the_columns() {
        let orders = [1, 3, 4];
        let model = Model { offset: 0.3, cosine: vec![1.0, -0.5, 0.2], sine: vec![0.4, 0.7, -0.1], turn: 0.21 };
        for n in [40_usize, 64, 65, 127, 128, 129, 200, 201] {
            let columns = columns(n, &orders, &model);
            let x: Vec<f64> = (0..n).map(|i| (0.9 * i as f64).sin() + 14.0).collect();
            let walk = walk(x.as_slice(), 0, n, &orders, &model);
            let residual = |i: usize| -> f64 {
                let linear = [0.3, 1.0, 0.4, -0.5, 0.7, 0.2, -0.1];
                x[i] - linear.iter().zip(&columns).map(|(p, c)| p * c[i]).sum::<f64>()
            };
            let scale = (n as f64).powi(3);
            let products = |columns: &[Vec<f64>]| -> Vec<f64> {
                columns.iter().map(|c| c.iter().enumerate().map(|(i, c)| c * residual(i)).sum()).collect()
            };
            let [first, second] = derivatives(n, &orders, model.turn);
            for (name, found, columns) in [
                ("gradient", &walk.gradient, &columns[..7]),
                ("first", &walk.first, &first),
                ("second", &walk.second, &second),
            ] {
                for (j, (found, expected)) in found.iter().zip(products(columns)).enumerate() {
                    assert!((found - expected).abs() < 1e-12 * scale, "{name} {j} at {n}: {found}, {expected}");
                }
            }
            let squares: f64 = (0..n).map(|i| residual(i).powi(2)).sum();
            assert!((walk.cost / squares - 1.0).abs() < 1e-12, "cost at {n}");
            let gram = Sums::new(n, 4, model.turn).gram_with_turn(&orders, &model);
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
