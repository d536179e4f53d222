//! The mean cycle of a record whose converter has coarse steps.
//!
//! Where the ripple spans a few steps and the noise less than one, rounding is not noise: it turns with the angle, and
//! averaging over cycles does not take it out. But a sample says more than its value: at that angle the voltage lay
//! between two edges of the code, and the angles at which the code changes are known to a fraction of a sample. So the
//! orders are fitted by maximum likelihood to the codes themselves: at angle `theta` the code is `q` with probability
//! `F((upper_q - m(theta)) / s) - F((lower_q - m(theta)) / s)`, with `m` a level and the [`FITTED`] orders, `F` the
//! logistic distribution and its scale `s` fitted with them (noise, wander of the level, and what differs from cycle to
//! cycle). This is an ordered logit regression (McCullagh, J. R. Stat. Soc. B 42(2), 1980, from memory), solved by
//! Fisher scoring. A weak prior (each order within the ripple's size over its number) decides where no edge is crossed.

use crate::angle::PhaseTrack;
use crate::normal::Gram;
use crate::trace::{Trace, for_each_block};
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// Orders fitted: those that tell patterns apart, and the multiples of six that a healthy bridge has besides.
const FITTED: [usize; 14] = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 18, 24];
/// Angles at which the codes are counted.
const ANGLES: usize = 192;
/// Fisher steps at most.
const MOST_STEPS: usize = 40;
/// The fit rests when the log-likelihood grows by less than this.
const AT_REST: f64 = 1e-3;
/// Scale of the noise in steps: where the fit begins, and its bounds.
const FIRST_SCALE: f64 = 0.15;
const LEAST_SCALE: f64 = 0.01;
const MOST_SCALE: f64 = 1.0;
/// Probability of a code below which it counts as this likely: a single outlier must not decide.
const LEAST_PROBABILITY: f64 = 1e-9;
/// Parameters: level, cosines, sines, logarithm of the scale.
const UNKNOWNS: usize = 2 * FITTED.len() + 2;

/// Codes of a record counted by angle.
struct Counts {
    /// Per angle: code and how often it came.
    by_angle: Vec<Vec<(i32, f64)>>,
    mean_code: f64,
    /// R.m.s. of the codes about their mean.
    spread: f64,
}

impl Counts {
    fn new(trace: &Trace, track: &PhaseTrack, step_v: f64) -> Self {
        let mut by_angle: Vec<Vec<(i32, f64)>> = vec![Vec::new(); ANGLES];
        let mut origin_v = 0.0;
        let (mut sum, mut squares) = (0.0, 0.0);
        for_each_block(trace, |start, block| {
            if start == 0 {
                origin_v = block.first().copied().unwrap_or(0.0);
            }
            for (offset, x) in block.iter().enumerate() {
                let time_s = (start + offset) as f64 / trace.sample_rate_hz();
                let angle = (track.cycles_at(time_s).rem_euclid(1.0) * ANGLES as f64) as usize;
                let code = ((x - origin_v) / step_v).round();
                sum += code;
                squares += code * code;
                let list = &mut by_angle[angle.min(ANGLES - 1)];
                match list.iter_mut().find(|(c, _)| *c == code as i32) {
                    Some(entry) => entry.1 += 1.0,
                    None => list.push((code as i32, 1.0)),
                }
            }
        });
        let n = crate::trace::Samples::len(trace) as f64;
        let mean_code = sum / n;
        Self { by_angle, mean_code, spread: (squares / n - mean_code * mean_code).max(0.0).sqrt() }
    }
}

/// Logistic distribution between two places, and what it changes by when both move up by one.
///
/// Returns the probability, its derivative by the mean, and by the logarithm of the scale.
fn between(lower: f64, upper: f64, scale: f64) -> (f64, f64, f64) {
    let (zl, zu) = (lower / scale, upper / scale);
    let f = |z: f64| 1.0 / (1.0 + (-z).exp());
    // In the upper tail the difference is taken from the other side, where it does not cancel.
    let p = if zl > 0.0 { f(-zl) - f(-zu) } else { f(zu) - f(zl) };
    let density = |z: f64| f(z) * f(-z);
    let (dl, du) = (density(zl), density(zu));
    (p.max(LEAST_PROBABILITY), (dl - du) / scale, zl * dl - zu * du)
}

/// The parameters in steps: level, (cosine, sine) of each order, logarithm of the scale.
#[derive(Clone)]
struct Fit {
    values: [f64; UNKNOWNS],
}

impl Fit {
    fn scale(&self) -> f64 {
        self.values[UNKNOWNS - 1].exp().clamp(LEAST_SCALE, MOST_SCALE)
    }
    fn mean_at(&self, row: &[f64; UNKNOWNS]) -> f64 {
        self.values.iter().zip(row).map(|(v, r)| v * r).sum()
    }
}

/// Values of the level and the orders at the middle of an angle; the scale's place stays 0.
fn regressors(angle: usize) -> [f64; UNKNOWNS] {
    let theta = TAU * (angle as f64 + 0.5) / ANGLES as f64;
    let mut row = [0.0; UNKNOWNS];
    row[0] = 1.0;
    for (i, n) in FITTED.into_iter().enumerate() {
        let (sin, cos) = (n as f64 * theta).sin_cos();
        row[2 * i + 1] = cos;
        row[2 * i + 2] = sin;
    }
    row
}

/// Logarithm of the posterior, its gradient and the information matrix (lower triangle).
struct Curvature {
    log_posterior: f64,
    gradient: [f64; UNKNOWNS],
    information: [[f64; UNKNOWNS]; UNKNOWNS],
}

fn curvature(counts: &Counts, rows: &[[f64; UNKNOWNS]], fit: &Fit) -> Curvature {
    let mut c = Curvature { log_posterior: 0.0, gradient: [0.0; UNKNOWNS], information: [[0.0; UNKNOWNS]; UNKNOWNS] };
    let scale = fit.scale();
    for (row, codes) in rows.iter().zip(&counts.by_angle).filter(|(_, codes)| !codes.is_empty()) {
        let mean = fit.mean_at(row);
        let (mut by_mean, mut by_scale) = (0.0, 0.0);
        let (mut mm, mut ms, mut ss) = (0.0, 0.0, 0.0);
        for (code, n) in codes {
            let lower = f64::from(*code) - 0.5 - mean;
            let (p, dm, ds) = between(lower, lower + 1.0, scale);
            c.log_posterior += n * p.ln();
            let (gm, gs) = (dm / p, ds / p);
            by_mean += n * gm;
            by_scale += n * gs;
            // Outer products of the scores: their expectation is the Fisher information.
            mm += n * gm * gm;
            ms += n * gm * gs;
            ss += n * gs * gs;
        }
        add(&mut c, row, [by_mean, by_scale], [mm, ms, ss]);
    }
    add_prior(&mut c, fit, counts.spread);
    c
}

fn add(c: &mut Curvature, row: &[f64; UNKNOWNS], gradient: [f64; 2], information: [f64; 3]) {
    const SCALE: usize = UNKNOWNS - 1;
    for i in 0..SCALE {
        c.gradient[i] += gradient[0] * row[i];
        let weighted = information[0] * row[i];
        for (entry, r) in c.information[i].iter_mut().zip(row).take(i + 1) {
            *entry += weighted * r;
        }
        c.information[SCALE][i] += information[1] * row[i];
    }
    c.gradient[SCALE] += gradient[1];
    c.information[SCALE][SCALE] += information[2];
}

/// Normal prior on each order: standard deviation (ripple's r.m.s. + a tenth of a step) / order.
fn add_prior(c: &mut Curvature, fit: &Fit, spread: f64) {
    for (k, n) in FITTED.into_iter().enumerate() {
        let weight = (n as f64 / (spread + 0.1)).powi(2);
        for i in [2 * k + 1, 2 * k + 2] {
            c.log_posterior -= 0.5 * weight * fit.values[i].powi(2);
            c.gradient[i] -= weight * fit.values[i];
            c.information[i][i] += weight;
        }
    }
}

/// One Fisher step with a damping factor on the diagonal; `None` where the matrix cannot be factored.
fn step(c: &Curvature, fit: &Fit, damping: f64) -> Option<Fit> {
    let mut gram = Gram::new(UNKNOWNS);
    for i in 0..UNKNOWNS {
        for j in 0..i {
            gram.set(i, j, c.information[i][j]);
        }
        gram.set(i, i, (c.information[i][i] * (1.0 + damping)).max(1e-9));
    }
    let change = gram.factor().ok()?.solve(&c.gradient);
    let mut next = fit.clone();
    for (v, d) in next.values.iter_mut().zip(&change) {
        // Half a step of the converter at a time: beyond it the likelihood is flat.
        *v += d.clamp(-0.5, 0.5);
    }
    let last = UNKNOWNS - 1;
    next.values[last] = next.values[last].clamp(LEAST_SCALE.ln(), MOST_SCALE.ln());
    Some(next)
}

/// The averaged `orders` (order 1 first, complex peak amplitudes, volts) with the fitted ones in their place; `None` where
/// the codes do not determine them.
pub(super) fn fitted_orders(
    trace: &Trace,
    track: &PhaseTrack,
    step_v: f64,
    orders: &[Complex64],
) -> Option<Vec<Complex64>> {
    let counts = Counts::new(trace, track, step_v);
    let rows: Vec<[f64; UNKNOWNS]> = (0..ANGLES).map(regressors).collect();
    let mut fit = Fit { values: [0.0; UNKNOWNS] };
    fit.values[0] = counts.mean_code;
    fit.values[UNKNOWNS - 1] = FIRST_SCALE.ln();
    for (i, a) in FITTED.into_iter().enumerate().filter_map(|(i, n)| Some((i, orders.get(n - 1)?))) {
        fit.values[2 * i + 1] = a.re / step_v;
        fit.values[2 * i + 2] = -a.im / step_v;
    }
    let mut here = curvature(&counts, &rows, &fit);
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let next = step(&here, &fit, damping)?;
        let there = curvature(&counts, &rows, &next);
        let gain = there.log_posterior - here.log_posterior;
        if gain < 0.0 {
            damping *= 10.0;
            if damping > 1e6 {
                break;
            }
            continue;
        }
        (fit, here, damping) = (next, there, (damping * 0.2).max(1e-6));
        if gain < AT_REST {
            break;
        }
    }
    let mut out = orders.to_vec();
    for (i, n) in FITTED.into_iter().enumerate() {
        // Codes are counted over an angle, not at a point.
        let width = PI * n as f64 / ANGLES as f64;
        if let Some(order) = out.get_mut(n - 1) {
            *order = Complex64::new(fit.values[2 * i + 1], -fit.values[2 * i + 2]) * (step_v * width / width.sin());
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::{Coupling, Role};

    /// Six pulses of 2.6 steps peak to peak, unequal, on a level between two codes, 60 cycles of 183 Hz.
    #[test]
    fn orders_below_a_step_come_out_of_the_codes() {
        const STEP_V: f64 = 0.16;
        let truth = [(1, 0.03, 0.4), (2, 0.02, -1.0), (6, 0.17, 0.7), (12, 0.02, 2.0)];
        let (rate, hz) = (50_000.0, 183.0);
        let wave = |t: f64| -> f64 {
            truth.iter().map(|(n, c, p)| c * (TAU * f64::from(*n) * hz * t + p).cos()).sum::<f64>() + 14.05
        };
        let count = (60.0 / hz * rate) as usize;
        let counts: Vec<i16> = (0..count).map(|i| (wave(i as f64 / rate) / STEP_V).round() as i16).collect();
        let trace = Trace::from_counts(counts, STEP_V, 0.0, rate, Coupling::Dc, Role::ChargingPost).unwrap();
        let track = PhaseTrack::constant(hz, (count - 1) as f64 / rate).unwrap();
        let averaged = crate::angle::order_spectra(&trace, rate, &track, 24).unwrap().mean;
        let fitted = fitted_orders(&trace, &track, STEP_V, &averaged).unwrap();
        let error = |orders: &[Complex64]| {
            (1..=12)
                .map(|n| {
                    let known = truth.iter().find(|(m, ..)| *m == n as i32);
                    let expected = known.map_or(Complex64::ZERO, |(_, c, p)| Complex64::from_polar(*c, *p));
                    (orders[n - 1] - expected).norm_sqr()
                })
                .sum::<f64>()
                .sqrt()
        };
        // 24 edges a cycle for 28 orders' parts: the prior's share leaves a twelfth of a step, averages leave an eighth.
        assert!(error(&fitted) < 0.015, "{}", error(&fitted));
        assert!(error(&averaged) > 1.5 * error(&fitted), "{} {}", error(&averaged), error(&fitted));
    }

    #[test]
    fn the_probability_of_a_code_and_its_derivatives_belong_together() {
        for (lower, scale) in [(-0.7, 0.2), (0.1, 0.05), (3.0, 0.4), (-3.0, 0.4)] {
            let h = 1e-6;
            let p = |shift: f64, s: f64| between(lower - shift, lower + 1.0 - shift, s).0;
            let (_, by_mean, by_log_scale) = between(lower, lower + 1.0, scale);
            let numeric = (p(h, scale) - p(-h, scale)) / (2.0 * h);
            assert!((by_mean - numeric).abs() < 1e-6, "{by_mean} {numeric}");
            let numeric = (p(0.0, scale * h.exp()) - p(0.0, scale * (-h).exp())) / (2.0 * h);
            assert!((by_log_scale - numeric).abs() < 1e-6, "{by_log_scale} {numeric}");
        }
    }

    #[test]
    fn codes_are_counted_by_angle_off_the_first_of_them() {
        // Four codes a cycle of 100 Hz, 5 cycles, 40 samples each: 10 samples of every code.
        let counts: Vec<i16> = (0..200).map(|i| [7, 9, 4, 8][i / 10 % 4]).collect();
        let trace = Trace::from_counts(counts, 0.02, 3.0, 4000.0, Coupling::Dc, Role::ChargingPost).unwrap();
        // Off by a little, so that no sample lies on a border between two angles.
        let track = PhaseTrack::new(0.05, vec![0.002, 5.002]).unwrap();
        let found = Counts::new(&trace, &track, 0.02);
        for (angle, list) in found.by_angle.iter().enumerate() {
            // Samples at every 4.8 angles: codes 0, 2, -3 and 1 off the first.
            for (code, times) in list {
                assert_eq!((*code, *times), ([0, 2, -3, 1][angle * 4 / ANGLES], 5.0), "{angle}");
            }
        }
        assert_eq!(found.by_angle.iter().flatten().map(|(_, n)| n).sum::<f64>(), 200.0);
        assert!(found.mean_code.abs() < 1e-12 && (found.spread - 3.5_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn gradient_and_information_belong_to_the_posterior() {
        let mut by_angle = vec![Vec::new(); ANGLES];
        for angle in (0..ANGLES).step_by(5) {
            by_angle[angle] = vec![(0, 3.0), (1, (angle % 4) as f64 + 1.0), (-1, 2.0)];
        }
        let counts = Counts { by_angle, mean_code: 0.0, spread: 0.8 };
        let rows: Vec<_> = (0..ANGLES).map(regressors).collect();
        let mut fit = Fit { values: std::array::from_fn(|i| 0.05 * (i as f64).sin()) };
        fit.values[UNKNOWNS - 1] = 0.3_f64.ln();
        let c = curvature(&counts, &rows, &fit);
        let posterior = |i: usize, by: f64| {
            let mut moved = fit.clone();
            moved.values[i] += by;
            curvature(&counts, &rows, &moved).log_posterior
        };
        for i in 0..UNKNOWNS {
            let numeric = (posterior(i, 1e-5) - posterior(i, -1e-5)) / 2e-5;
            assert!((c.gradient[i] - numeric).abs() < 1e-5 * (1.0 + numeric.abs()), "{i}: {} {numeric}", c.gradient[i]);
        }
        // Scores of every single code, multiplied with each other; the prior lies on the diagonal.
        let mut expected = [[0.0; UNKNOWNS]; UNKNOWNS];
        for (row, codes) in rows.iter().zip(&counts.by_angle) {
            for (code, n) in codes {
                let lower = f64::from(*code) - 0.5 - fit.mean_at(row);
                let (p, by_mean, by_scale) = between(lower, lower + 1.0, 0.3);
                let mut score = row.map(|r| r * by_mean / p);
                score[UNKNOWNS - 1] = by_scale / p;
                for i in 0..UNKNOWNS {
                    for j in 0..=i {
                        expected[i][j] += n * score[i] * score[j];
                    }
                }
            }
        }
        for (k, n) in FITTED.into_iter().enumerate() {
            expected[2 * k + 1][2 * k + 1] += (n as f64 / 0.9).powi(2);
            expected[2 * k + 2][2 * k + 2] += (n as f64 / 0.9).powi(2);
        }
        for i in 0..UNKNOWNS {
            for j in 0..=i {
                let (found, expected) = (c.information[i][j], expected[i][j]);
                assert!((found - expected).abs() < 1e-9 * (1.0 + expected.abs()), "{i} {j}: {found} {expected}");
            }
        }
    }

    #[test]
    fn regressors_are_taken_at_the_middle_of_an_angle() {
        let row = regressors(16);
        // 16.5 of 192 angles.
        let theta = TAU * 16.5 / 192.0;
        assert!(row[0] == 1.0 && row[UNKNOWNS - 1] == 0.0);
        assert!((row[5] - (3.0 * theta).cos()).abs() < 1e-12 && (row[6] - (3.0 * theta).sin()).abs() < 1e-12);
        assert!((row[27] - (24.0 * theta).cos()).abs() < 1e-12 && (row[28] - (24.0 * theta).sin()).abs() < 1e-12);
    }
}
