//! The bins in use column by column: what the fit asks of all of them at every step runs over them in lanes.
#![allow(clippy::needless_range_loop, reason = "lanes run over several arrays at once")]

use super::path::{Model, Path};
use super::spectra::{Bin, NOISE_BLOCK, NOISE_QUANTILE};
use crate::vectors::{self, LANES, Work, cosine_and_sine};
use std::f64::consts::PI;

pub(super) type Lanes = [f64; LANES];

/// Complex values in lanes.
#[derive(Clone, Copy)]
struct Complexes {
    re: Lanes,
    im: Lanes,
}

/// How many of a block's bins may take part in telling its noise: those up to its quantile.
const LOWEST: usize = (NOISE_BLOCK as f64 * NOISE_QUANTILE) as usize + 1;

/// The bins in use, filled up to whole sets of lanes with bins that count nothing.
pub(super) struct Columns {
    pub(super) hz: Vec<Lanes>,
    pub(super) sxx: Vec<Lanes>,
    pub(super) syy: Vec<Lanes>,
    pub(super) sxy_re: Vec<Lanes>,
    pub(super) sxy_im: Vec<Lanes>,
    supply_noise: Vec<Lanes>,
    /// `exp(-i w T)`, `T` the sample interval.
    interval: Vec<Complexes>,
    interval_s: f64,
    /// Bins in use.
    count: usize,
    blocks: Vec<Block>,
    /// Least noise, V^2.
    least: f64,
}

/// The bins in use of one block of the circuit's spectrum, which share a noise estimate.
struct Block {
    /// First and end among the bins in use.
    from: usize,
    to: usize,
    /// How many of the block's bins lie below its quantile.
    rank: usize,
    /// The lowest of the block's bins that are not in use, in order; infinite where there are no more.
    others: [f64; LOWEST],
}

impl Block {
    /// The quantile while the bins in use hold `left`.
    fn quantile(&self, left: &[f64]) -> f64 {
        let mut lowest = self.others;
        for &value in left {
            let mut i = self.rank;
            if value >= lowest[i] {
                continue;
            }
            while i > 0 && lowest[i - 1] > value {
                lowest[i] = lowest[i - 1];
                i -= 1;
            }
            lowest[i] = value;
        }
        lowest[self.rank]
    }
}

/// The blocks of a spectrum, counted from bin `first` and ending at `last`, that hold bins in use.
fn blocks(used: &[Bin], power: &[f64], first: usize, last: usize) -> Vec<Block> {
    let mut out = Vec::new();
    let mut from = 0;
    while let Some(bin) = used.get(from) {
        let start = bin.k - (bin.k - first) % NOISE_BLOCK;
        let end = (start + NOISE_BLOCK).min(last);
        let to = from + used[from..].partition_point(|b| b.k < end);
        let mut mine = used[from..to].iter().map(|b| b.k).peekable();
        let mut free: Vec<f64> = (start..end).filter(|k| mine.next_if_eq(k).is_none()).map(|k| power[k]).collect();
        free.sort_unstable_by(f64::total_cmp);
        let mut others = [f64::INFINITY; LOWEST];
        others.iter_mut().zip(free).for_each(|(other, value)| *other = value);
        let bins = end - start;
        out.push(Block { from, to, rank: ((bins as f64 * NOISE_QUANTILE) as usize).min(bins - 1), others });
        from = to;
    }
    out
}

/// What a model makes of the bins in use; kept from step to step.
#[derive(Default)]
pub(super) struct Answer {
    /// The response for gain 1, and the derivatives of the whole response by delay, corner and second time constant; empty
    /// where the fit has no use for one.
    response: Vec<Complexes>,
    by_delay: Vec<Complexes>,
    by_corner: Vec<Complexes>,
    by_second: Vec<Complexes>,
    /// Power left, V^2, and the noise about it.
    left: Vec<Lanes>,
    noise: Vec<Lanes>,
    weights: Vec<Lanes>,
}

/// Unknowns of the fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unknown {
    Gain,
    Delay,
    Corner,
    Second,
}

/// Most of them.
pub(super) const UNKNOWNS: usize = 4;

/// The unknowns of a model, in the order of [`Sums`].
pub(super) fn unknowns(model: &Model, free_corner: bool) -> &'static [Unknown] {
    use Unknown::{Corner, Delay, Gain, Second};
    match (free_corner, model.path.has_second()) {
        (false, false) => &[Gain, Delay],
        (true, false) => &[Gain, Delay, Corner],
        (false, true) => &[Gain, Delay, Second],
        (true, true) => &[Gain, Delay, Corner, Second],
    }
}

/// Sums of the normal equations: products of the derivatives by the unknowns, and their match with what the model misses.
#[derive(Clone, Copy, Default)]
pub(super) struct Sums {
    pub(super) products: [[f64; UNKNOWNS]; UNKNOWNS],
    pub(super) misses: [f64; UNKNOWNS],
}

impl Columns {
    /// `power` is the circuit's spectrum; blocks of it are counted from bin `within.0` and end at `within.1`.
    pub(super) fn new(used: &[Bin], power: &[f64], within: (usize, usize), least: f64, interval_s: f64) -> Self {
        let column = |of: &dyn Fn(&Bin) -> f64, beyond: f64| -> Vec<Lanes> {
            let set = |bins: &[Bin]| {
                let mut lanes = [beyond; LANES];
                lanes.iter_mut().zip(bins).for_each(|(lane, bin)| *lane = of(bin));
                lanes
            };
            used.chunks(LANES).map(set).collect()
        };
        let hz = column(&|b| b.hz, 1.0);
        Self {
            interval: vectors::widest(Turned { hz: &hz, seconds: interval_s }),
            hz,
            sxx: column(&|b| b.sxx, 0.0),
            syy: column(&|b| b.syy, 0.0),
            sxy_re: column(&|b| b.sxy.re, 0.0),
            sxy_im: column(&|b| b.sxy.im, 0.0),
            supply_noise: column(&|b| b.supply_noise, 0.0),
            interval_s,
            count: used.len(),
            blocks: blocks(used, power, within.0, within.1),
            least,
        }
    }

    /// Power left in each bin, and the noise about it: a low quantile over blocks, which lines do not lift.
    pub(super) fn residual(&self, model: &Model) -> (Vec<f64>, Vec<f64>) {
        let mut answer = Answer::default();
        self.answer(model, false, &mut answer);
        (self.plain(&answer.left), self.plain(&answer.noise))
    }

    /// Inverse noise of each bin; a bin far above its surroundings counts by its own power, and the supply's noise comes
    /// through the model.
    pub(super) fn weights(&self, model: &Model) -> Vec<f64> {
        let mut answer = Answer::default();
        self.answer(model, false, &mut answer);
        vectors::widest(Weighed { columns: self, gain: model.gain, answer: &mut answer });
        self.plain(&answer.weights)
    }

    /// The normal equations about a model for weights given.
    pub(super) fn sums(&self, model: &Model, weights: &[f64], free_corner: bool) -> Sums {
        let mut answer = Answer::default();
        self.answer(model, free_corner, &mut answer);
        let set = |weights: &[f64]| {
            let mut lanes = [0.0; LANES];
            lanes.iter_mut().zip(weights).for_each(|(lane, weight)| *lane = *weight);
            lanes
        };
        answer.weights.extend(weights.chunks(LANES).map(set));
        vectors::widest(Summed {
            columns: self,
            gain: model.gain,
            unknowns: unknowns(model, free_corner),
            answer: &answer,
        })
    }

    /// The same for the weights that the model itself gives.
    pub(super) fn weighted_sums(&self, model: &Model, free_corner: bool, answer: &mut Answer) -> Sums {
        self.answer(model, free_corner, answer);
        vectors::widest(Weighed { columns: self, gain: model.gain, answer });
        vectors::widest(Summed { columns: self, gain: model.gain, unknowns: unknowns(model, free_corner), answer })
    }

    fn answer(&self, model: &Model, free_corner: bool, answer: &mut Answer) {
        vectors::widest(Answered { columns: self, model, free_corner, answer });
        let left = answer.left.as_flattened();
        answer.noise.clear();
        answer.noise.resize(self.hz.len(), [1.0; LANES]);
        let noise = answer.noise.as_flattened_mut();
        let mean = -(1.0 - NOISE_QUANTILE).ln();
        for block in &self.blocks {
            let level = block.quantile(&left[block.from..block.to]) / mean;
            noise[block.from..block.to].fill(level.max(self.least).max(f64::MIN_POSITIVE));
        }
    }

    fn plain(&self, lanes: &[Lanes]) -> Vec<f64> {
        lanes.as_flattened()[..self.count].to_vec()
    }
}

/// `exp(-i w t)` at every bin.
struct Turned<'a> {
    hz: &'a [Lanes],
    seconds: f64,
}

impl Work for Turned<'_> {
    type Output = Vec<Complexes>;
    #[inline(always)]
    fn call(self) -> Vec<Complexes> {
        let mut out = Vec::with_capacity(self.hz.len());
        for hz in self.hz {
            out.push(turned(hz, self.seconds));
        }
        out
    }
}

#[inline(always)]
fn turned(hz: &Lanes, seconds: f64) -> Complexes {
    let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
    for lane in 0..LANES {
        let (cos, sin) = cosine_and_sine(hz[lane] * seconds);
        (re[lane], im[lane]) = (cos, -sin);
    }
    Complexes { re, im }
}

#[inline(always)]
fn times(a: &Complexes, b: &Complexes) -> Complexes {
    let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
    for lane in 0..LANES {
        re[lane] = a.re[lane] * b.re[lane] - a.im[lane] * b.im[lane];
        im[lane] = a.re[lane] * b.im[lane] + a.im[lane] * b.re[lane];
    }
    Complexes { re, im }
}

#[inline(always)]
fn plus(a: &Complexes, b: &Complexes) -> Complexes {
    let mut out = *a;
    for lane in 0..LANES {
        out.re[lane] += b.re[lane];
        out.im[lane] += b.im[lane];
    }
    out
}

#[inline(always)]
fn scaled(a: &Complexes, by: f64) -> Complexes {
    let mut out = *a;
    for lane in 0..LANES {
        out.re[lane] *= by;
        out.im[lane] *= by;
    }
    out
}

/// `-i f a` for a factor in each lane.
#[inline(always)]
fn lagging(a: &Complexes, factor: &Lanes) -> Complexes {
    let mut out = *a;
    for lane in 0..LANES {
        (out.re[lane], out.im[lane]) = (factor[lane] * a.im[lane], -factor[lane] * a.re[lane]);
    }
    out
}

/// `1 / (1 + i x)`.
#[inline(always)]
fn pole(x: &Lanes) -> Complexes {
    let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
    for lane in 0..LANES {
        re[lane] = 1.0 / (1.0 + x[lane] * x[lane]);
        im[lane] = -x[lane] * re[lane];
    }
    Complexes { re, im }
}

#[inline(always)]
fn each(a: &Lanes, of: impl Fn(f64) -> f64) -> Lanes {
    let mut out = *a;
    for lane in 0..LANES {
        out[lane] = of(a[lane]);
    }
    out
}

/// Response for gain 1 of a path of two sections with its derivatives by both time constants.
#[inline(always)]
fn two_sections(model: &Model, hz: &Lanes) -> (Complexes, Complexes, Option<Complexes>) {
    let angular = each(hz, |hz| 2.0 * PI * hz);
    let turns = [model.delay_s, model.second_s].map(|time_s| each(&angular, |w| w * time_s));
    let [first, second] = [pole(&turns[0]), pole(&turns[1])];
    let both = times(&first, &second);
    if model.path == Path::SecondOrderLag {
        let slope = lagging(&both, &angular);
        return (both, times(&slope, &first), Some(times(&slope, &second)));
    }
    // `i w (d + e)` times both poles; its derivatives are `i w` times both, one of them once more, and `1 - i w` times the
    // other's time constant.
    let rising = lagging(&both, &each(&angular, |w| -w));
    let slope = |own: &Complexes, other: &Lanes| times(own, &plus(&rising, &lagging(&rising, other)));
    let response = scaled(&rising, model.delay_s + model.second_s);
    (response, slope(&first, &turns[1]), Some(slope(&second, &turns[0])))
}

/// The path's response for gain 1 and its derivatives by the delay and, where it has one, by the second time constant.
#[inline(always)]
fn path(model: &Model, hz: &Lanes, interval: &Complexes, interval_s: f64) -> (Complexes, Complexes, Option<Complexes>) {
    let angular = each(hz, |hz| 2.0 * PI * hz);
    match model.path {
        Path::Delay => {
            let turn = turned(hz, model.delay_s);
            (turn, lagging(&turn, &angular), None)
        }
        Path::InterpolatedDelay => {
            let whole = (model.delay_s / interval_s).floor();
            let part = model.delay_s / interval_s - whole;
            let turn = turned(hz, whole * interval_s);
            let mixed =
                Complexes { re: each(&interval.re, |x| 1.0 - part + part * x), im: each(&interval.im, |x| part * x) };
            let change = Complexes {
                re: each(&interval.re, |x| (x - 1.0) / interval_s),
                im: each(&interval.im, |x| x / interval_s),
            };
            (times(&mixed, &turn), times(&change, &turn), None)
        }
        Path::SecondOrderLag | Path::BandPass => two_sections(model, hz),
        Path::FirstOrderLag | Path::FirstOrderHighPass => {
            let x = each(&angular, |w| w * model.delay_s);
            let turn = pole(&x);
            let slope = lagging(&times(&turn, &turn), &angular);
            if model.path == Path::FirstOrderLag {
                return (turn, slope, None);
            }
            let mut passed = turn;
            for lane in 0..LANES {
                (passed.re[lane], passed.im[lane]) = (-x[lane] * turn.im[lane], x[lane] * turn.re[lane]);
            }
            (passed, scaled(&slope, -1.0), None)
        }
    }
}

/// What the couplings differ by and its derivative by the corner, as [`Model::coupling`] has them.
#[inline(always)]
fn coupling(corner_hz: f64, hz: &Lanes) -> (Complexes, Complexes) {
    let one = Complexes { re: [1.0; LANES], im: [0.0; LANES] };
    let inverse = each(hz, |hz| 1.0 / hz);
    if corner_hz >= 0.0 {
        let coupling = Complexes { im: each(hz, |hz| if corner_hz == 0.0 { 0.0 } else { -corner_hz / hz }), ..one };
        return (coupling, lagging(&one, &inverse));
    }
    let taken = pole(&each(hz, |hz| corner_hz / hz));
    (taken, lagging(&times(&taken, &taken), &inverse))
}

/// The model's response at every bin, its derivatives, and the power left.
struct Answered<'a> {
    columns: &'a Columns,
    model: &'a Model,
    free_corner: bool,
    answer: &'a mut Answer,
}

impl Work for Answered<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { columns, model, free_corner, answer } = self;
        answer.response.clear();
        answer.by_delay.clear();
        answer.by_corner.clear();
        answer.by_second.clear();
        answer.left.clear();
        for (i, hz) in columns.hz.iter().enumerate() {
            let (mut response, mut slope, mut by_second) = path(model, hz, &columns.interval[i], columns.interval_s);
            if free_corner || model.corner_hz != 0.0 {
                let (coupling, by_corner) = coupling(model.corner_hz, hz);
                answer.by_corner.push(scaled(&times(&response, &by_corner), model.gain));
                (response, slope) = (times(&response, &coupling), times(&slope, &coupling));
                by_second = by_second.map(|by_second| times(&by_second, &coupling));
            }
            answer.by_second.extend(by_second.map(|by_second| scaled(&by_second, model.gain)));
            answer.response.push(response);
            answer.by_delay.push(scaled(&slope, model.gain));
            answer.left.push(columns.left(i, &scaled(&response, model.gain)));
        }
    }
}

impl Columns {
    /// Power left of a set of bins once the ripple is taken out; never below a rounding's worth.
    #[inline(always)]
    fn left(&self, set: usize, response: &Complexes) -> Lanes {
        let (sxx, syy, re, im) = (&self.sxx[set], &self.syy[set], &self.sxy_re[set], &self.sxy_im[set]);
        let mut left = [0.0; LANES];
        for lane in 0..LANES {
            let (a, b) = (response.re[lane], response.im[lane]);
            let rest = syy[lane] - 2.0 * (a * re[lane] + b * im[lane]) + (a * a + b * b) * sxx[lane];
            let least = 1e-15 * syy[lane];
            left[lane] = if rest > least { rest } else { least };
        }
        left
    }
}

/// The weights that the noise and the model give.
struct Weighed<'a> {
    columns: &'a Columns,
    gain: f64,
    answer: &'a mut Answer,
}

impl Work for Weighed<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { columns, gain, answer } = self;
        let Answer { response, left, noise, weights, .. } = answer;
        weights.clear();
        for (set, supply) in columns.supply_noise.iter().enumerate() {
            let (r, left, noise) = (&response[set], &left[set], &noise[set]);
            let mut out = [0.0; LANES];
            for lane in 0..LANES {
                let third = left[lane] / 3.0;
                let heard = if noise[lane] > third { noise[lane] } else { third };
                let through = gain * gain * (r.re[lane] * r.re[lane] + r.im[lane] * r.im[lane]);
                out[lane] = 1.0 / (heard + through * supply[lane]);
            }
            weights.push(out);
        }
    }
}

/// The sums of the normal equations.
struct Summed<'a> {
    columns: &'a Columns,
    gain: f64,
    unknowns: &'static [Unknown],
    answer: &'a Answer,
}

impl Answer {
    fn by(&self, unknown: Unknown) -> &[Complexes] {
        match unknown {
            Unknown::Gain => &self.response,
            Unknown::Delay => &self.by_delay,
            Unknown::Corner => &self.by_corner,
            Unknown::Second => &self.by_second,
        }
    }
}

impl Summed<'_> {
    /// Products of derivatives and their match with what is missed, for `N` unknowns.
    #[inline(always)]
    fn sums<const N: usize>(&self) -> Sums {
        let (columns, answer) = (self.columns, self.answer);
        let by: [&[Complexes]; N] = std::array::from_fn(|i| answer.by(self.unknowns[i]));
        let (mut products, mut misses) = ([[[0.0; LANES]; N]; N], [[0.0; LANES]; N]);
        for (set, weight) in answer.weights.iter().enumerate() {
            let response = &answer.response[set];
            let slopes: [&Complexes; N] = std::array::from_fn(|i| &by[i][set]);
            let mut miss = Complexes { re: columns.sxy_re[set], im: columns.sxy_im[set] };
            let mut power = columns.sxx[set];
            for lane in 0..LANES {
                miss.re[lane] = weight[lane] * (miss.re[lane] - self.gain * response.re[lane] * power[lane]);
                miss.im[lane] = weight[lane] * (miss.im[lane] - self.gain * response.im[lane] * power[lane]);
                power[lane] *= weight[lane];
            }
            for i in 0..N {
                let a = slopes[i];
                for lane in 0..LANES {
                    misses[i][lane] += a.re[lane] * miss.re[lane] + a.im[lane] * miss.im[lane];
                }
                for j in 0..=i {
                    let b = slopes[j];
                    for lane in 0..LANES {
                        products[i][j][lane] += power[lane] * (a.re[lane] * b.re[lane] + a.im[lane] * b.im[lane]);
                    }
                }
            }
        }
        let mut out = Sums::default();
        for i in 0..N {
            out.misses[i] = misses[i].iter().sum();
            for j in 0..=i {
                out.products[i][j] = products[i][j].iter().sum();
                out.products[j][i] = out.products[i][j];
            }
        }
        out
    }
}

impl Work for Summed<'_> {
    type Output = Sums;
    #[inline(always)]
    fn call(self) -> Sums {
        match self.unknowns.len() {
            2 => self.sums::<2>(),
            3 => self.sums::<3>(),
            _ => self.sums::<UNKNOWNS>(),
        }
    }
}
