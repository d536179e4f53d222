//! Whether the transfer changes over the record: a joint that warms up, a harness that moves.
//!
//! The ripple that the common transfer predicts is compared with the circuit stretch by stretch:
//! `g_j = sum r y / sum r^2`. A straight line through the `g_j` gives the change over the record and, from the scatter
//! about it, its standard uncertainty; the circuit's own signal is part of that scatter.

use super::split::{self, Split};
use crate::trace::{BLOCK, Samples, Trace};
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
    pub(super) fn new(split: &Split, circuit: &Trace, electrical_hz: f64) -> Option<Self> {
        let n = split.ripple.len().min(circuit.len());
        let cycles = n as f64 / split.sample_rate_hz * electrical_hz;
        let count = ((cycles / CYCLES) as usize).min(STRETCHES.1);
        if count < STRETCHES.0 {
            return None;
        }
        let mean_v = split::mean(circuit);
        let gains: Vec<f64> =
            (0..count).map(|j| gain(&split.ripple, circuit, mean_v, j * n / count..(j + 1) * n / count)).collect();
        line(&gains)
    }

    pub(super) fn is_real(&self) -> bool {
        self.relative.abs() > SIGNIFICANT * self.std && self.relative.abs() > LEAST
    }
}

/// The stretch's gain against the common one, weighed by a half sine so that its ends do not cut the circuit's signal.
fn gain(ripple: &[f32], circuit: &Trace, mean_v: f64, range: Range<usize>) -> f64 {
    let (mut cross, mut power) = (0.0, 0.0);
    let turn = std::f64::consts::PI / range.len() as f64;
    let mut buffer = [0.0; BLOCK];
    for start in range.clone().step_by(BLOCK) {
        let block = &mut buffer[..BLOCK.min(range.end - start)];
        circuit.read(start, block);
        // The sine is turned on from sample to sample and computed anew in every block.
        let (mut at, by) = (Complex64::cis(turn * (start - range.start) as f64), Complex64::cis(turn));
        for (r, y) in ripple[start..].iter().zip(block.iter()) {
            let weighed = at.im * f64::from(*r);
            cross += weighed * (y - mean_v);
            power += weighed * f64::from(*r);
            at *= by;
        }
    }
    cross / power.max(f64::MIN_POSITIVE)
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
    use crate::{Coupling, Role};
    use std::f64::consts::TAU;

    fn drift(change: f64, own_v: f64, hz: f64) -> Option<Drift> {
        let at = |i: u32| f64::from(i) / 20_000.0;
        let ripple: Vec<f32> = (0..20_000).map(|i| (0.2 * (TAU * 300.0 * at(i)).sin()) as f32).collect();
        let own = |i: u32| own_v * (TAU * 171.3 * at(i)).sin();
        let circuit: Vec<f64> =
            (0..20_000).map(|i| own(i) + f64::from(ripple[i as usize]) * (1.0 + change * (at(i) - 0.5))).collect();
        let own = vec![0.0; ripple.len()];
        let split = Split { own, ripple, mean_v: 0.0, sample_rate_hz: 20_000.0, left: Left::default() };
        let circuit = Trace::from_f64(circuit, 20_000.0, Coupling::Dc, Role::SpeedSensor).ok()?;
        Drift::new(&split, &circuit, hz)
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
