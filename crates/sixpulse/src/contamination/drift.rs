//! Whether the transfer changes over the record: a joint that warms up, a harness that moves.
//!
//! The ripple that the common transfer predicts is compared with the circuit stretch by stretch:
//! `g_j = sum r y / sum r^2`, where `y` is the split's own signal and its ripple together. A straight line through the `g_j` gives the change over the record and, from the scatter
//! about it, its standard uncertainty; the circuit's own signal is part of that scatter.

use super::part::View;
use super::split::Split;
use crate::vectors::{self, LANES, Work};
use rustfft::num_complex::Complex64;
use std::ops::Range;

/// Least cycles in a stretch.
const CYCLES: f64 = 8.0;
/// Stretches: at least so many for a scatter, at most so many for cost.
const STRETCHES: (usize, usize) = (6, 24);
/// A change is taken for real from this many standard uncertainties, and from this size on.
const SIGNIFICANT: f64 = 5.0;
const LEAST: f64 = 0.03;

/// Change of the gain over the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Drift {
    /// Gain at the end less gain at the start, relative to the mean gain.
    pub(super) relative: f64,
    pub(super) std: f64,
}

impl Drift {
    /// `None` for a record too short for it.
    pub(super) fn new(split: &Split, electrical_hz: f64) -> Option<Self> {
        let n = split.ripple.len();
        let cycles = n as f64 / split.sample_rate_hz * electrical_hz;
        let count = ((cycles / CYCLES) as usize).min(STRETCHES.1);
        if count < STRETCHES.0 {
            return None;
        }
        let stretch = |j: usize| {
            let samples = j * n / count..(j + 1) * n / count;
            vectors::widest(Gain { own: split.own.view(), ripple: split.ripple.view(), samples })
        };
        let gains: Vec<f64> = (0..count).map(stretch).collect();
        line(&gains)
    }

    pub(super) fn is_real(&self) -> bool {
        self.relative.abs() > SIGNIFICANT * self.std && self.relative.abs() > LEAST
    }
}

/// The stretch's gain against the common one, weighed by a half sine so that its ends do not cut the circuit's signal.
struct Gain<'a> {
    own: View<'a>,
    ripple: View<'a>,
    samples: Range<usize>,
}

/// Samples between two sets of sines that are computed: the others are turned on from them.
const ANEW: usize = 128 * LANES;

impl Work for Gain<'_> {
    type Output = f64;
    #[inline(always)]
    fn call(self) -> f64 {
        let (mut cross, mut power) = ([0.0; LANES], [0.0; LANES]);
        let Self { own, ripple, samples } = self;
        let turn = std::f64::consts::PI / samples.len() as f64;
        let by = Complex64::cis(turn * LANES as f64);
        let (mut last_cross, mut last_power) = (0.0, 0.0);
        let (mut own_buffer, mut ripple_buffer) = (Vec::new(), Vec::new());
        for first in (0..samples.len()).step_by(ANEW) {
            let passage = samples.start + first..samples.end.min(samples.start + first + ANEW);
            let own = own.slice(passage.clone(), &mut own_buffer).as_chunks::<LANES>();
            let ripple = ripple.slice(passage, &mut ripple_buffer).as_chunks::<LANES>();
            let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
            for lane in 0..LANES {
                let at = Complex64::cis(turn * (first + lane) as f64);
                (re[lane], im[lane]) = (at.re, at.im);
            }
            for (own, ripple) in own.0.iter().zip(ripple.0) {
                for lane in 0..LANES {
                    let r = f64::from(ripple[lane]);
                    let weighed = im[lane] * r;
                    cross[lane] += weighed * f64::from(own[lane]);
                    power[lane] += weighed * r;
                    let turned = re[lane] * by.re - im[lane] * by.im;
                    im[lane] = re[lane] * by.im + im[lane] * by.re;
                    re[lane] = turned;
                }
            }
            for (i, (own, ripple)) in (first + own.0.len() * LANES..).zip(own.1.iter().zip(ripple.1)) {
                let r = f64::from(*ripple);
                let weighed = (turn * i as f64).sin() * r;
                last_cross += weighed * f64::from(*own);
                last_power += weighed * r;
            }
        }
        let (cross, power) = (cross.iter().sum::<f64>() + last_cross, power.iter().sum::<f64>() + last_power);
        1.0 + cross / power.max(f64::MIN_POSITIVE)
    }
}

/// Straight line through equally spaced values: change from end to end, relative to their mean.
fn line(values: &[f64]) -> Option<Drift> {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    // Positions at the middles of the stretches, from -1/2 to 1/2 over the record.
    let at = |j: usize| (j as f64 + 0.5) / n - 0.5;
    let spread: f64 = (0..values.len()).map(|j| at(j) * at(j)).sum();
    let slope = values.iter().enumerate().map(|(j, v)| at(j) * (v - mean)).sum::<f64>() / spread;
    let left: f64 = values.iter().enumerate().map(|(j, v)| (v - mean - slope * at(j)).powi(2)).sum();
    let std = (left / (n - 2.0) / spread).sqrt();
    (mean != 0.0 && slope.is_finite()).then(|| Drift { relative: slope / mean, std: (std / mean).abs() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::contamination::split::Left;
    use std::f64::consts::TAU;

    fn drift(change: f64, own_v: f64, hz: f64) -> Option<Drift> {
        let at = |i: u32| f64::from(i) / 20_000.0;
        let ripple: Vec<f32> = (0..20_000).map(|i| (0.2 * (TAU * 300.0 * at(i)).sin()) as f32).collect();
        // What the common gain leaves: the own signal and the change.
        let own = |i: u32| own_v * (TAU * 171.3 * at(i)).sin();
        let left = |i: u32| (own(i) + f64::from(ripple[i as usize]) * change * (at(i) - 0.5)) as f32;
        let own = (0..20_000).map(left).collect::<Vec<f32>>().into();
        let ripple = ripple.into();
        let split = Split { own, ripple, mean_v: 0.0, sample_rate_hz: 20_000.0, left: Left::default() };
        Drift::new(&split, hz)
    }

    #[test]
    fn a_change_is_read_and_a_wheel_is_none() {
        let found = drift(0.2, 0.0, 300.0).unwrap();
        // The stretches' half-sine weights are symmetrical, so a straight line comes out exactly.
        assert!((found.relative - 0.2).abs() < 1e-3 && found.is_real(), "{found:?}");
        let wheel = drift(0.0, 1.0, 300.0).unwrap();
        assert!(!wheel.is_real(), "{wheel:?}");
        let both = drift(0.3, 0.5, 300.0).unwrap();
        assert!((both.relative - 0.3).abs() < 4.0 * both.std.max(0.01), "{both:?}");
        assert_eq!(drift(0.2, 0.0, 20.0), None);
    }
}
