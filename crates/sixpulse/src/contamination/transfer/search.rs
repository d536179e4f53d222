//! Starting points of the fit, and the steps from there to the least weighted power.

use super::band::{Band, Say};
use super::path::{DELAY_RANGE_S, Model, Path};
use super::spectra::Bin;
use crate::trace::Trace;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Longest time constant of a first-order path, seconds: beyond it a high-pass is flat and a low-pass has no gain left.
const LONGEST_TIME_CONSTANT_S: f64 = 0.02;
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

/// Gain and delay at the best peaks of the match over the range of delays.
pub(super) fn starting_points(band: &Band, corner_hz: f64, say: Say) -> Vec<Model> {
    let zero = Model { path: Path::Delay, gain: 0.0, delay_s: DELAY_RANGE_S.0, corner_hz, interval_s: band.interval_s };
    let weights = band.says(&zero, say);
    let mut chosen: Vec<(&Bin, f64)> = band.used.iter().zip(weights).collect();
    chosen.sort_by(|a, b| (b.1 * b.0.sxx).total_cmp(&(a.1 * a.0.sxx)));
    chosen.truncate(START_BINS);
    let highest = 2.0 * PI * chosen.iter().map(|(b, _)| b.hz).fold(1.0, f64::max);
    let step = (PI / 8.0 / highest).max(1e-8);
    let count = ((DELAY_RANGE_S.1 - DELAY_RANGE_S.0) / step).ceil() as usize + 1;
    let mut lines: Vec<(Complex64, Complex64)> = Vec::with_capacity(chosen.len());
    let mut information = 0.0;
    for (b, w) in chosen {
        let unit = zero.unit(b.hz);
        lines.push((unit.conj() * b.sxy * w, Complex64::cis(2.0 * PI * b.hz * step)));
        information += w * unit.norm_sqr() * b.sxx;
    }
    let mut gains = Vec::with_capacity(count);
    for _ in 0..count {
        let mut sum = 0.0;
        for (z, turn) in &mut lines {
            sum += z.re;
            *z *= *turn;
        }
        gains.push(sum / information);
    }
    let strength = |i: usize| gains.get(i).map_or(0.0, |g| g.abs());
    let mut peaks: Vec<usize> =
        (0..count).filter(|&i| strength(i) >= strength(i.wrapping_sub(1)) && strength(i) >= strength(i + 1)).collect();
    peaks.sort_by(|&a, &b| strength(b).total_cmp(&strength(a)));
    peaks.truncate(5);
    peaks.iter().map(|&i| Model { gain: gains[i], delay_s: DELAY_RANGE_S.0 + i as f64 * step, ..zero }).collect()
}

/// Time constant and gain at which a first-order path matches best, on a grid of time constants.
pub(super) fn first_order_start(band: &Band, model: Model, say: Say) -> Model {
    let weights = band.says(&Model { gain: 0.0, ..model }, say);
    let trials = (0..40).map(|i| {
        let trial = Model { delay_s: 2e-6 * 2.0f64.powf(f64::from(i) / 3.0), ..model };
        let (mut matched, mut carried) = (0.0, 0.0);
        for (b, w) in band.used.iter().zip(&weights) {
            let unit = trial.unit(b.hz);
            matched += w * (unit.conj() * b.sxy).re;
            carried += w * unit.norm_sqr() * b.sxx;
        }
        (matched * matched / carried, Model { gain: matched / carried, ..trial })
    });
    trials.filter(|t| t.0.is_finite()).max_by(|a, b| a.0.total_cmp(&b.0)).map_or(model, |(_, start)| start)
}

/// Normal equations of the weighted residual power about a model.
pub(super) struct Normal {
    pub(super) matrix: [[f64; 3]; 3],
    gradient: [f64; 3],
}

impl Normal {
    pub(super) fn new(band: &Band, model: &Model, weights: &[f64], corner: &CornerPrior) -> Self {
        let slopes: Vec<[Complex64; 3]> = band.used.iter().map(|b| model.slopes(b.hz)).collect();
        Self::from_slopes(band, model, &slopes, weights, corner)
    }

    /// `slopes` are the model's at the bins in use.
    fn from_slopes(
        band: &Band,
        model: &Model,
        slopes: &[[Complex64; 3]],
        weights: &[f64],
        corner: &CornerPrior,
    ) -> Self {
        let mut out = Self { matrix: [[0.0; 3]; 3], gradient: [0.0; 3] };
        let count = if corner.free { 3 } else { 2 };
        for ((b, w), slope) in band.used.iter().zip(weights).zip(slopes) {
            let miss = b.sxy - model.gain * slope[0] * b.sxx;
            let weight = w * 2.0 * band.spectra.looks;
            for i in 0..count {
                out.gradient[i] += weight * (slope[i].conj() * miss).re;
                for j in 0..=i {
                    out.matrix[i][j] += weight * (slope[i].conj() * slope[j]).re * b.sxx;
                }
            }
        }
        for i in 0..3 {
            for j in i + 1..3 {
                out.matrix[i][j] = out.matrix[j][i];
            }
        }
        let prior = CornerPrior::STD_HZ.powi(-2);
        out.matrix[2][2] += prior;
        if corner.free {
            out.gradient[2] -= prior * (model.corner_hz - corner.start_hz);
        }
        out
    }

    /// Inverse of the (symmetric, positive) matrix by cofactors; `None` when it is singular.
    pub(super) fn inverse(&self) -> Option<[[f64; 3]; 3]> {
        // Scaled to a unit diagonal first: the parameters differ by nine decades.
        let d: Vec<f64> = (0..3).map(|i| self.matrix[i][i].sqrt()).collect();
        if d.iter().any(|&x| !(x.is_finite() && x > 0.0)) {
            return None;
        }
        let m = |i: usize, j: usize| self.matrix[i % 3][j % 3] / (d[i % 3] * d[j % 3]);
        let cofactor = |i: usize, j: usize| m(i + 1, j + 1) * m(i + 2, j + 2) - m(i + 1, j + 2) * m(i + 2, j + 1);
        let determinant: f64 = (0..3).map(|j| m(0, j) * cofactor(0, j)).sum();
        if !(determinant.is_finite() && determinant > 1e-12) {
            return None;
        }
        let mut out = [[0.0; 3]; 3];
        for (i, row) in out.iter_mut().enumerate() {
            for (j, value) in row.iter_mut().enumerate() {
                *value = cofactor(j, i) / determinant / (d[i] * d[j]);
            }
        }
        Some(out)
    }
}

/// Reweighted Gauss-Newton steps from a starting point.
pub(super) fn refine(band: &Band, start: Model, corner: &CornerPrior, rounds: usize) -> Model {
    let mut model = start;
    for round in 0..rounds {
        let slopes: Vec<[Complex64; 3]> = band.used.iter().map(|b| model.slopes(b.hz)).collect();
        let weights = band.weights_of(&slopes.iter().map(|s| model.gain * s[0]).collect::<Vec<Complex64>>());
        let normal = Normal::from_slopes(band, &model, &slopes, &weights, corner);
        let Some(inverse) = normal.inverse() else { break };
        let step: Vec<f64> =
            inverse.iter().map(|row| row.iter().zip(&normal.gradient).map(|(a, b)| a * b).sum::<f64>()).collect();
        model.gain += step[0];
        model.delay_s = next_delay(&model, step[1], band.interval_s);
        model.corner_hz += step[2].clamp(-5.0, 5.0);
        let settled = step[0].abs() < 1e-5 * model.gain.abs() && step[1].abs() < 1e-10;
        if settled && round > 0 {
            break;
        }
    }
    model
}

/// The delay after a step, held to where the response is nearly straight and to the path's range.
fn next_delay(model: &Model, step: f64, interval_s: f64) -> f64 {
    if model.path.is_first_order() {
        let limit = 0.5 * model.delay_s.max(1e-6);
        return (model.delay_s + step.clamp(-limit, limit)).clamp(0.0, LONGEST_TIME_CONSTANT_S);
    }
    // Half a sample or 20 us is far beyond where the delay's response is straight.
    let limit = interval_s.clamp(2e-6, 20e-6);
    (model.delay_s + step.clamp(-limit, limit)).clamp(DELAY_RANGE_S.0, DELAY_RANGE_S.1)
}
