//! Starting points of the fit, and the steps from there to the least weighted power.
#![allow(clippy::needless_range_loop, reason = "lanes run over several arrays at once")]

use super::band::Band;
use super::columns::{Answer, Columns, Lanes, Sums, Unknown, unknowns};
use super::path::{DELAY_RANGE_S, Model, Path};
use super::spectra::Bin;
use crate::normal::{FEW, Few, Gram};
use crate::trace::Trace;
use crate::vectors::{self, LANES, Work};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Longest time constant of a first-order path, seconds: beyond it a high-pass is flat and a low-pass has no gain left.
const LONGEST_TIME_CONSTANT_S: f64 = 0.02;
/// Shortest of two, seconds: far above any band, and no gain is divided by nothing.
const LEAST_OF_TWO_S: f64 = 1e-9;
/// Bins on which the delay is searched.
const START_BINS: usize = 192;

/// What is known of the difference between the two couplings.
pub(super) struct CornerPrior {
    pub(super) start_hz: f64,
    pub(super) free: bool,
}

impl CornerPrior {
    /// Standard deviation of an unknown corner, hertz: bench instruments lie at 0.5 to 10 Hz.
    const STD_HZ: f64 = 5.0;

    pub(super) fn new(supply: &Trace, circuit: &Trace) -> Self {
        use crate::Coupling::{Ac, Dc};
        let known = supply.coupling_corner_hz().unwrap_or(0.0) - circuit.coupling_corner_hz().unwrap_or(0.0);
        let unknown = |t: &Trace| t.coupling() == Ac && t.coupling_corner_hz().is_none();
        let both_alike = supply.coupling() == circuit.coupling() || (supply.coupling(), circuit.coupling()) == (Dc, Dc);
        Self { start_hz: known, free: (unknown(supply) || unknown(circuit)) && !both_alike }
    }
}

/// Gain and delay at the best peaks of the match over the range of delays; `weights` say what each bin in use counts.
pub(super) fn starting_points(band: &Band, corner_hz: f64, weights: &[f64]) -> Vec<Model> {
    let zero = Model {
        path: Path::Delay,
        gain: 0.0,
        delay_s: DELAY_RANGE_S.0,
        second_s: 0.0,
        corner_hz,
        interval_s: band.interval_s,
    };
    let mut chosen: Vec<(&Bin, f64)> = band.used.iter().zip(weights.iter().copied()).collect();
    if chosen.len() > START_BINS {
        chosen.select_nth_unstable_by(START_BINS, |a, b| (b.1 * b.0.sxx).total_cmp(&(a.1 * a.0.sxx)));
        chosen.truncate(START_BINS);
    }
    let highest = 2.0 * PI * chosen.iter().map(|(b, _)| b.hz).fold(1.0, f64::max);
    let step = (PI / 8.0 / highest).max(1e-8);
    let count = ((DELAY_RANGE_S.1 - DELAY_RANGE_S.0) / step).ceil() as usize + 1;
    let mut lines = vec![Turning::default(); chosen.len().div_ceil(LANES)];
    let mut information = 0.0;
    for (i, (b, w)) in chosen.into_iter().enumerate() {
        let unit = zero.unit(b.hz);
        lines[i / LANES].set(i % LANES, unit.conj() * b.sxy * w, Complex64::cis(2.0 * PI * b.hz * step));
        information += w * unit.norm_sqr() * b.sxx;
    }
    let mut gains = vectors::widest(Matched { lines, count });
    gains.iter_mut().for_each(|gain| *gain /= information);
    let strength = |i: usize| gains.get(i).map_or(0.0, |g| g.abs());
    let mut peaks: Vec<usize> =
        (0..count).filter(|&i| strength(i) >= strength(i.wrapping_sub(1)) && strength(i) >= strength(i + 1)).collect();
    peaks.sort_by(|&a, &b| strength(b).total_cmp(&strength(a)));
    peaks.truncate(5);
    peaks.iter().map(|&i| Model { gain: gains[i], delay_s: DELAY_RANGE_S.0 + i as f64 * step, ..zero }).collect()
}

/// Lines that turn on by as much at every step of the delay.
#[derive(Clone, Default)]
struct Turning {
    re: Lanes,
    im: Lanes,
    by_re: Lanes,
    by_im: Lanes,
}

impl Turning {
    fn set(&mut self, lane: usize, line: Complex64, by: Complex64) {
        (self.re[lane], self.im[lane]) = (line.re, line.im);
        (self.by_re[lane], self.by_im[lane]) = (by.re, by.im);
    }
}

/// Sum of the lines' real parts, step after step.
struct Matched {
    lines: Vec<Turning>,
    count: usize,
}

impl Work for Matched {
    type Output = Vec<f64>;
    #[inline(always)]
    fn call(mut self) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.count);
        for _ in 0..self.count {
            let mut sum = [0.0; LANES];
            for line in &mut self.lines {
                for lane in 0..LANES {
                    sum[lane] += line.re[lane];
                    let turned = line.re[lane] * line.by_re[lane] - line.im[lane] * line.by_im[lane];
                    line.im[lane] = line.re[lane] * line.by_im[lane] + line.im[lane] * line.by_re[lane];
                    line.re[lane] = turned;
                }
            }
            out.push(sum.iter().sum());
        }
        out
    }
}

/// Time constants tried at the start of a first-order path.
const TIME_CONSTANTS: usize = 40;
/// Time constants of a second low-pass tried with them, seconds.
const SECONDS_S: [f64; 7] = [5e-6, 12e-6, 30e-6, 75e-6, 190e-6, 470e-6, 1.2e-3];

/// Time constant and gain at which a low-pass and a high-pass of the first order match best, on a grid of time constants,
/// for each of two says of the bins.
pub(super) fn first_order_starts(band: &Band, near: Model, says: &[Vec<f64>; 2]) -> [Model; 4] {
    let best = best_first_orders(band, near, says);
    std::array::from_fn(|i| best[i].map_or(Model { path: FIRST_ORDER[i], ..near }, |(_, start)| start))
}

/// The same with a second low-pass behind it, its time constant on a grid of its own.
pub(super) fn second_order_starts(band: &Band, near: Model, says: &[Vec<f64>; 2]) -> Vec<Model> {
    let found = SECONDS_S.map(|second_s| best_first_orders(band, Model { second_s, ..near }, says));
    let strongest = |i: usize| found.iter().filter_map(|best| best[i]).max_by(|a, b| a.0.total_cmp(&b.0));
    let with_second = |(_, model): (f64, Model)| {
        let model = Model { path: model.path.and_second()?, ..model };
        Some(Model { gain: model.gain / model.scale(), ..model })
    };
    (0..FIRST_ORDER.len()).filter_map(strongest).filter_map(with_second).collect()
}

/// Strength and model of the best of each of [`FIRST_ORDER`]; `None` where nothing matches.
fn best_first_orders(band: &Band, near: Model, says: &[Vec<f64>; 2]) -> [Option<(f64, Model)>; 4] {
    let mut best: [Option<(f64, Model)>; 4] = [None; 4];
    let trials = vectors::widest(FirstOrders { columns: &band.columns, near: &near, says });
    for (i, trial) in trials.iter().enumerate() {
        for (best, (path, sums)) in best.iter_mut().zip(FIRST_ORDER.iter().zip(trial)) {
            let strength = sums.matched * sums.matched / sums.carried;
            if strength.is_finite() && best.is_none_or(|(most, _)| strength >= most) {
                let gain = sums.matched / sums.carried;
                *best = Some((strength, Model { path: *path, gain, delay_s: time_constant_s(i), ..near }));
            }
        }
    }
    best
}

/// The paths of [`first_order_starts`]: each for both says.
const FIRST_ORDER: [Path; 4] =
    [Path::FirstOrderLag, Path::FirstOrderLag, Path::FirstOrderHighPass, Path::FirstOrderHighPass];

fn time_constant_s(trial: usize) -> f64 {
    2e-6 * 2.0f64.powf(trial as f64 / 3.0)
}

/// Match of a path of gain 1 with the circuit, and power that it carries.
#[derive(Clone, Copy, Default)]
struct Match {
    matched: f64,
    carried: f64,
}

/// The matches at each time constant, in the order of [`FIRST_ORDER`].
struct FirstOrders<'a> {
    columns: &'a Columns,
    near: &'a Model,
    says: &'a [Vec<f64>; 2],
}

impl Work for FirstOrders<'_> {
    type Output = [[Match; 4]; TIME_CONSTANTS];
    #[inline(always)]
    fn call(self) -> Self::Output {
        let lines = self.lines();
        let mut out = [[Match::default(); 4]; TIME_CONSTANTS];
        for (i, out) in out.iter_mut().enumerate() {
            let time_constant_s = time_constant_s(i);
            let mut sums = [[0.0; LANES]; 8];
            for line in &lines {
                for lane in 0..LANES {
                    let x = line.angular[lane] * time_constant_s;
                    let pole = 1.0 / (1.0 + x * x);
                    // What the low-pass and the high-pass let through, `1 / (1 + i x)` and `i x / (1 + i x)`.
                    let low = pole * (line.re[lane] - x * line.im[lane]);
                    let high = pole * x * (x * line.re[lane] + line.im[lane]);
                    let power = pole * line.power[lane];
                    let through = x * x * power;
                    for (k, value) in [low, power, high, through].into_iter().enumerate() {
                        sums[2 * k][lane] += line.says[0][lane] * value;
                        sums[2 * k + 1][lane] += line.says[1][lane] * value;
                    }
                }
            }
            let sum = |k: usize| sums[k].iter().sum::<f64>();
            for (k, of) in out.iter_mut().enumerate() {
                let first = 4 * (k / 2) + k % 2;
                *of = Match { matched: sum(first), carried: sum(first + 2) };
            }
        }
        out
    }
}

/// A set of bins with what couplings and a second low-pass make of them.
struct CoupledLines {
    angular: Lanes,
    re: Lanes,
    im: Lanes,
    power: Lanes,
    says: [Lanes; 2],
}

impl FirstOrders<'_> {
    fn lines(&self) -> Vec<CoupledLines> {
        let Self { columns, near, says } = self;
        let set = |i: usize| {
            let hz = &columns.hz[i];
            let (mut re, mut im, mut power) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
            for lane in 0..LANES {
                let around = near.around(hz[lane]);
                let cross = around.conj() * Complex64::new(columns.sxy_re[i][lane], columns.sxy_im[i][lane]);
                (re[lane], im[lane]) = (cross.re, cross.im);
                power[lane] = around.norm_sqr() * columns.sxx[i][lane];
            }
            let say = |of: &Vec<f64>| std::array::from_fn(|lane| of.get(i * LANES + lane).copied().unwrap_or(0.0));
            CoupledLines { angular: hz.map(|hz| 2.0 * PI * hz), re, im, power, says: [say(&says[0]), say(&says[1])] }
        };
        (0..columns.hz.len()).map(set).collect()
    }
}

/// Normal equations of the weighted residual power about a model.
pub(super) struct Normal {
    unknowns: &'static [Unknown],
    matrix: Gram<Few>,
    gradient: [f64; FEW],
}

impl Normal {
    pub(super) fn new(band: &Band, model: &Model, weights: &[f64], corner: &CornerPrior) -> Self {
        Self::from_sums(band, model, &band.columns.sums(model, weights, corner.free), corner)
    }

    fn from_sums(band: &Band, model: &Model, sums: &Sums, corner: &CornerPrior) -> Self {
        let looks = 2.0 * band.spectra.looks;
        let unknowns = unknowns(model, corner.free);
        let mut matrix = Gram::few(unknowns.len());
        let mut gradient = sums.misses.map(|v| looks * v);
        for (i, unknown) in unknowns.iter().enumerate() {
            for j in 0..=i {
                matrix.set(i, j, looks * sums.products[i][j]);
            }
            if *unknown == Unknown::Corner {
                let prior = CornerPrior::STD_HZ.powi(-2);
                matrix.set(i, i, looks * sums.products[i][i] + prior);
                gradient[i] -= prior * (model.corner_hz - corner.start_hz);
            }
        }
        Self { unknowns, matrix, gradient }
    }

    /// The step that the equations ask for, one unknown after another; `None` where they cannot be told apart.
    fn step(&self) -> Option<[f64; FEW]> {
        let step = self.matrix.factor().ok()?.solved(self.gradient);
        step.iter().take(self.unknowns.len()).all(|s| s.is_finite()).then_some(step)
    }

    /// Standard uncertainty of an unknown with the others free; `None` where they cannot be told apart.
    pub(super) fn std(&self, unknown: Unknown) -> Option<f64> {
        let row: Vec<f64> = self.unknowns.iter().map(|u| f64::from(u8::from(*u == unknown))).collect();
        Some(self.matrix.factor().ok()?.variance(&row).sqrt())
    }

    /// The same of the gain where everything else is known.
    pub(super) fn std_of_gain_alone(&self) -> f64 {
        self.matrix.diagonal(0).sqrt().recip()
    }
}

/// Reweighted Gauss-Newton steps from a starting point.
pub(super) fn refine(band: &Band, start: Model, corner: &CornerPrior, rounds: usize) -> Model {
    let mut model = start;
    let mut answer = Answer::default();
    for round in 0..rounds {
        let sums = band.columns.weighted_sums(&model, corner.free, &mut answer);
        let normal = Normal::from_sums(band, &model, &sums, corner);
        let Some(steps) = normal.step() else { break };
        for (unknown, step) in normal.unknowns.iter().zip(&steps) {
            match unknown {
                Unknown::Gain => model.gain += step,
                Unknown::Delay => model.delay_s = next_delay(&model, *step, band.interval_s),
                Unknown::Corner => model.corner_hz += step.clamp(-5.0, 5.0),
                Unknown::Second => model.second_s = next_time_constant(model.second_s, *step, LEAST_OF_TWO_S),
            }
        }
        let settled = steps[0].abs() < 1e-5 * model.gain.abs() && steps[1].abs() < 1e-10;
        if settled && round > 0 {
            break;
        }
    }
    model
}

/// The delay after a step, held to where the response is nearly straight and to the path's range.
fn next_delay(model: &Model, step: f64, interval_s: f64) -> f64 {
    if model.path.has_time_constant() {
        let least = if model.path.has_second() { LEAST_OF_TWO_S } else { 0.0 };
        return next_time_constant(model.delay_s, step, least);
    }
    // Half a sample or 20 us is far beyond where the delay's response is straight.
    let limit = interval_s.clamp(2e-6, 20e-6);
    (model.delay_s + step.clamp(-limit, limit)).clamp(DELAY_RANGE_S.0, DELAY_RANGE_S.1)
}

/// A time constant after a step: at most half as long again or half as long, and `least_s` at the least.
fn next_time_constant(now_s: f64, step: f64, least_s: f64) -> f64 {
    let limit = 0.5 * now_s.max(1e-6);
    (now_s + step.clamp(-limit, limit)).clamp(least_s, LONGEST_TIME_CONSTANT_S)
}
