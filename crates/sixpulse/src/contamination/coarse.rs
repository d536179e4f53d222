//! Gain and delay where the supply's converter is coarse: ripple of a few steps.
//!
//! A converter with steps as large as the ripple distorts every order of it, and a gain read order by order is off by
//! tens of percent. What the coarse record does tell exactly is *when* the supply crossed one of the converter's
//! thresholds, whose spacing is known. The circuit, if it carries the ripple, shows the ripple's shape finely; so the
//! shape is taken from the circuit and scaled until its crossings are those of the codes. That is regression on
//! grouped data with known thresholds: code `k` has probability `F(u) - F(v)`, `u, v = ((k +- 1/2) - z) / s`, with
//! `z = a m(t + d) + slow level` and `F` the logistic distribution (the ordered model of McCullagh, J. R. Stat. Soc. B
//! 42:109, 1980, from memory; concave in the parameters divided by `s`). The gain is `1 / a`.
//!
//! Two codes alone fix where the ripple crosses but not how far it goes on: the gain then stays open and the standard
//! uncertainty says so.

use super::transfer::{DELAY_RANGE_S, noise_level};
use crate::trace::{Samples, Trace};
use crate::transforms::{self, smooth_length};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Longest stretch of the record used, samples.
const STRETCH: usize = 131_072;
/// Samples at which the codes are compared.
const POINTS: usize = 6000;
/// Parts of the template below this value of the window are not used: dividing by it would lift the noise.
const WINDOW_LEAST: f64 = 0.25;
/// No passive path into a circuit amplifies; a line of the circuit that would need this gain is its own.
const LARGEST_GAIN: f64 = 2.0;
/// Parameters: ripple, slow part, level and two slow waves, all divided by the spread, and 1 / spread.
const K: usize = 6;

/// Standard deviation of a logistic distribution in units of its scale: pi / sqrt 3.
const LOGISTIC_STD: f64 = 1.813_799_364_234_217_8;

type Vector = [f64; K];

/// What the codes say.
#[derive(Debug, Clone, Copy)]
pub(super) struct CoarseGain {
    pub(super) gain: f64,
    pub(super) gain_std: f64,
    pub(super) delay_s: f64,
    /// How many standard uncertainties the ripple's coefficient stands off zero.
    pub(super) significance: f64,
    /// Part of the variance ahead of the converter that the circuit's shape explains, level and slow waves left out.
    pub(super) explained: f64,
    /// Codes that hold at least a hundredth of the record.
    pub(super) codes: usize,
}

/// Gain and delay by the crossings of the supply's codes; `None` when the record is too short or has one code only.
pub(super) fn gain_from_codes(
    supply: &Trace,
    circuit: &Trace,
    step_v: f64,
    electrical_hz: Option<f64>,
) -> Option<CoarseGain> {
    let length = smooth_length(supply.len().min(circuit.len()).min(STRETCH));
    if length < 256 || step_v <= 0.0 {
        return None;
    }
    let mut template = Template::new(supply, circuit, length, electrical_hz.map_or(20.0, |f| 0.2 * f));
    let mut problem = Problem::new(supply, &mut template, step_v)?;
    let codes = problem.codes_in_use();
    let mut fit_at = |delay_s: f64| problem.at(&mut template, delay_s);
    let low = DELAY_RANGE_S.0.max(-60e-6);
    let coarse: Vec<(f64, Scored)> = (0..12)
        .filter_map(|i| {
            let d = low + 20e-6 * f64::from(i);
            Some((d, fit_at(d)?))
        })
        .collect();
    let (start, _) = coarse.iter().max_by(|a, b| a.1.likelihood.total_cmp(&b.1.likelihood))?;
    let (delay_s, scored) = golden(start - 20e-6, start + 20e-6, &mut fit_at)?;
    Some(CoarseGain {
        gain: scored.gain,
        gain_std: scored.gain_std,
        delay_s,
        significance: scored.significance,
        explained: scored.explained,
        codes,
    })
}

/// Maximum of the likelihood by golden-section search.
fn golden(mut a: f64, mut b: f64, at: &mut impl FnMut(f64) -> Option<Scored>) -> Option<(f64, Scored)> {
    const PART: f64 = 0.618_033_988_75;
    let (mut x, mut y) = (b - PART * (b - a), a + PART * (b - a));
    let (mut fx, mut fy) = (at(x)?, at(y)?);
    for _ in 0..8 {
        if fx.likelihood > fy.likelihood {
            (b, y, fy) = (y, x, fx);
            x = b - PART * (b - a);
            fx = at(x)?;
        } else {
            (a, x, fx) = (x, y, fy);
            y = a + PART * (b - a);
            fy = at(y)?;
        }
    }
    Some(if fx.likelihood > fy.likelihood { (x, fx) } else { (y, fy) })
}

/// The circuit's content that may be ripple: its own lines and its noise taken out, in the frequency domain.
struct Template {
    ripple: Vec<Complex64>,
    slow: Vec<Complex64>,
    bin_hz: f64,
    window: std::rc::Rc<[f64]>,
    inverse: std::sync::Arc<dyn realfft::ComplexToReal<f64>>,
}

impl Template {
    fn new(supply: &Trace, circuit: &Trace, length: usize, lowest_hz: f64) -> Self {
        let (forward, window) = (transforms::forward(length), transforms::hann(length));
        let transform = |trace: &Trace| {
            let (mut v, mut out) = (vec![0.0; length], forward.make_output_vec());
            trace.read(0, &mut v);
            let mean = v.iter().sum::<f64>() / length as f64;
            v.iter_mut().zip(window.iter()).for_each(|(x, w)| *x = (*x - mean) * w);
            // The lengths are those the plan made, the only thing it can refuse.
            let _ = forward.process(&mut v, &mut out);
            out
        };
        let (x, y) = (transform(supply), transform(circuit));
        let bin_hz = supply.sample_rate_hz() / length as f64;
        let first = ((lowest_hz / bin_hz).ceil() as usize).max(3);
        let kept = kept_part(&x, &y, first);
        let part = |from: usize, to: usize| {
            let inside = |k: usize| if (from..to).contains(&k) { kept[k] } else { 0.0 };
            y.iter().enumerate().map(|(k, v)| v * inside(k)).collect()
        };
        Self {
            ripple: part(first, y.len() - 1),
            slow: part(1, first),
            bin_hz,
            window,
            inverse: transforms::inverse(length),
        }
    }

    /// The ripple's shape `delay_s` later (that is, undelayed when the circuit lags by it), at the indices given.
    fn shifted(&self, part: &[Complex64], delay_s: f64, at: &[usize]) -> Vec<f64> {
        let turn = 2.0 * PI * self.bin_hz * delay_s;
        let mut spectrum: Vec<Complex64> = part
            .iter()
            .enumerate()
            .map(|(k, v)| if v.norm_sqr() > 0.0 { v * Complex64::cis(turn * k as f64) } else { *v })
            .collect();
        let mut out = self.inverse.make_output_vec();
        let _ = self.inverse.process(&mut spectrum, &mut out);
        let scale = 1.0 / self.window.len() as f64;
        at.iter().map(|&i| out[i] * scale / self.window[i]).collect()
    }
}

/// Factor on each bin of the circuit's spectrum: 0 for its own lines (with three bins to each side) and for noise, the
/// Wiener gain `1 - noise / power` elsewhere, so that regression on the template needs no correction for its noise.
fn kept_part(x: &[Complex64], y: &[Complex64], first: usize) -> Vec<f64> {
    let power = |v: &[Complex64]| -> Vec<f64> { v.iter().map(Complex64::norm_sqr).collect() };
    let (sxx, syy) = (power(x), power(y));
    let last = (0.9 * sxx.len() as f64) as usize;
    let floor = |s: &[f64]| noise_level(s.get(first..last).unwrap_or_default(), 0.3);
    let (nx, ny) = (floor(&sxx), floor(&syy));
    let own: Vec<bool> =
        sxx.iter().zip(&syy).map(|(a, b)| *b > LARGEST_GAIN * LARGEST_GAIN * a.max(10.0 * nx) + 30.0 * ny).collect();
    (0..syy.len())
        .map(|k| {
            let (low, high) = (k.saturating_sub(3), (k + 4).min(own.len()));
            let smooth = 0.5 * syy[k] + 0.25 * (syy[k.saturating_sub(1)] + syy.get(k + 1).copied().unwrap_or(0.0));
            if k >= last || own[low..high].contains(&true) || smooth < 4.0 * ny { 0.0 } else { 1.0 - ny / smooth }
        })
        .collect()
}

/// The codes at the points used and the columns that do not move with the delay.
struct Problem {
    at: Vec<usize>,
    codes: Vec<f64>,
    rows: Vec<[f64; K - 1]>,
    step_v: f64,
    start: Option<Vector>,
}

/// One fit at a fixed delay.
#[derive(Debug, Clone, Copy)]
struct Scored {
    likelihood: f64,
    gain: f64,
    gain_std: f64,
    significance: f64,
    explained: f64,
}

impl Problem {
    fn new(supply: &Trace, template: &mut Template, step_v: f64) -> Option<Self> {
        let inside: Vec<usize> = (0..template.window.len()).filter(|&i| template.window[i] > WINDOW_LEAST).collect();
        let stride = inside.len().div_ceil(POINTS).max(1);
        let at: Vec<usize> = inside.into_iter().step_by(stride).collect();
        let mut values = vec![0.0; template.window.len()];
        supply.read(0, &mut values);
        let reference = values[*at.first()?];
        let codes: Vec<f64> = at.iter().map(|&i| ((values[i] - reference) / step_v).round()).collect();
        if codes.iter().all(|c| *c == codes[0]) {
            return None;
        }
        let slow = unit_rms(template.shifted(&template.slow, 0.0, &at)).0;
        let rows = at
            .iter()
            .zip(&slow)
            .map(|(&i, &s)| {
                let t = PI * i as f64 / template.window.len() as f64;
                [0.0, s, 1.0, t.cos(), (2.0 * t).cos()]
            })
            .collect();
        Some(Self { at, codes, rows, step_v, start: None })
    }

    fn codes_in_use(&self) -> usize {
        let mut sorted = self.codes.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        let least = sorted.len().div_ceil(100);
        sorted.chunk_by(|a, b| a == b).filter(|c| c.len() >= least).count()
    }

    fn at(&mut self, template: &mut Template, delay_s: f64) -> Option<Scored> {
        let (shape, rms) = unit_rms(template.shifted(&template.ripple, delay_s, &self.at));
        if rms <= 0.0 {
            return None;
        }
        for (row, m) in self.rows.iter_mut().zip(&shape) {
            row[0] = *m;
        }
        let start = self.start.unwrap_or_else(|| self.first_guess());
        let (theta, likelihood, covariance) = self.maximise(start)?;
        self.start = Some(theta);
        let (a, q) = (theta[0], theta[K - 1]);
        // gain = 1 / (a / q) in the template's unit a step: carry the variances of both parameters over.
        let (by_a, by_q) = (-q / (a * a), 1.0 / a);
        let c = &covariance;
        let variance = by_a * by_a * c[0][0] + 2.0 * by_a * by_q * c[0][K - 1] + by_q * by_q * c[K - 1][K - 1];
        let unit = rms / self.step_v;
        Some(Scored {
            likelihood,
            gain: q / a * unit,
            gain_std: variance.max(0.0).sqrt() * unit,
            significance: a.abs() / c[0][0].sqrt(),
            explained: a * a / (a * a + LOGISTIC_STD * LOGISTIC_STD),
        })
    }

    /// Level and spread of the codes, no ripple.
    fn first_guess(&self) -> Vector {
        let n = self.codes.len() as f64;
        let mean = self.codes.iter().sum::<f64>() / n;
        let spread = (self.codes.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / n).sqrt();
        let q = LOGISTIC_STD / spread.max(0.2);
        [0.0, 0.0, mean * q, 0.0, 0.0, q]
    }

    fn likelihood(&self, theta: &Vector) -> f64 {
        let q = theta[K - 1];
        if q <= 0.0 {
            return f64::NEG_INFINITY;
        }
        let width = (-(-q).exp_m1()).ln();
        self.rows
            .iter()
            .zip(&self.codes)
            .map(|(row, code)| {
                let z: f64 = row.iter().zip(theta).map(|(r, t)| r * t).sum();
                let (u, v) = ((code + 0.5) * q - z, (code - 0.5) * q - z);
                u + width - softplus(u) - softplus(v)
            })
            .sum()
    }

    /// Newton's method with step halving; the log-likelihood is concave.
    fn maximise(&self, start: Vector) -> Option<(Vector, f64, [Vector; K])> {
        let mut theta = start;
        let mut value = self.likelihood(&theta);
        for _ in 0..40 {
            let (gradient, hessian) = self.derivatives(&theta);
            let step = solve(&hessian, &gradient)?;
            let mut part = 1.0;
            let (next, gained) = loop {
                let next: Vector = std::array::from_fn(|i| theta[i] + part * step[i]);
                let gained = self.likelihood(&next) - value;
                if gained >= -1e-9 || part < 1e-6 {
                    break (next, gained);
                }
                part *= 0.5;
            };
            theta = next;
            value += gained;
            if gained < 1e-4 {
                break;
            }
        }
        let (_, hessian) = self.derivatives(&theta);
        let mut covariance = [[0.0; K]; K];
        for (i, row) in covariance.iter_mut().enumerate() {
            *row = solve(&hessian, &std::array::from_fn(|j| if i == j { 1.0 } else { 0.0 }))?;
        }
        theta.iter().all(|t| t.is_finite()).then_some((theta, value, covariance))
    }

    /// Gradient and negative Hessian (lower triangle) of the log-likelihood.
    fn derivatives(&self, theta: &Vector) -> (Vector, [Vector; K]) {
        let q = theta[K - 1];
        let e = 1.0 / q.exp_m1();
        let (mut gradient, mut hessian) = ([0.0; K], [[0.0; K]; K]);
        for (row, code) in self.rows.iter().zip(&self.codes) {
            let z: f64 = row.iter().zip(theta).map(|(r, t)| r * t).sum();
            let (high, low) = (code + 0.5, code - 0.5);
            let (fu, fv) = (logistic(high * q - z), logistic(low * q - z));
            let (wu, wv) = (fu * (1.0 - fu), fv * (1.0 - fv));
            let slope = fv - (1.0 - fu);
            let (zz, zq) = (wu + wv, -(high * wu + low * wv));
            for i in 0..K - 1 {
                gradient[i] += slope * row[i];
                for j in 0..=i {
                    hessian[i][j] += zz * row[i] * row[j];
                }
                hessian[K - 1][i] += zq * row[i];
            }
            gradient[K - 1] += high * (1.0 - fu) - low * fv + e;
            hessian[K - 1][K - 1] += high * high * wu + low * low * wv + e * (1.0 + e);
        }
        (gradient, hessian)
    }
}

fn softplus(x: f64) -> f64 {
    x.max(0.0) + (-x.abs()).exp().ln_1p()
}

fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

/// The values divided by their r.m.s., and the r.m.s.; zeros stay zeros.
fn unit_rms(mut values: Vec<f64>) -> (Vec<f64>, f64) {
    let rms = (values.iter().map(|x| x * x).sum::<f64>() / values.len().max(1) as f64).sqrt();
    if rms > 0.0 {
        values.iter_mut().for_each(|x| *x /= rms);
    }
    (values, rms)
}

/// Solves a symmetric, nearly positive system (lower triangle read) by Cholesky's method, a ridge of 1e-10 of the diagonal keeping a column
/// of zeros (no slow part) harmless.
fn solve(matrix: &[Vector; K], right: &Vector) -> Option<Vector> {
    let ridge = 1e-10 * (0..K).map(|i| matrix[i][i]).sum::<f64>() / K as f64;
    let mut l = [[0.0; K]; K];
    for i in 0..K {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
            let rest = matrix[i][j] - sum + if i == j { ridge } else { 0.0 };
            l[i][j] = if i == j { if rest > 0.0 { rest.sqrt() } else { return None } } else { rest / l[j][j] };
        }
    }
    let mut y = [0.0; K];
    for i in 0..K {
        y[i] = (right[i] - (0..i).map(|k| l[i][k] * y[k]).sum::<f64>()) / l[i][i];
    }
    let mut x = [0.0; K];
    for i in (0..K).rev() {
        x[i] = (y[i] - (i + 1..K).map(|k| l[k][i] * x[k]).sum::<f64>()) / l[i][i];
    }
    Some(x)
}
