//! Cycles made up for tests: the orders are given, the rest follows from them.

use crate::angle::{OrderMeans, PhaseTrack};
use crate::cycle::{CycleHypothesis, ORDERS, POINTS_PER_CYCLE};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// A steady cycle of one second with these orders: number, peak amplitude in volts, phase in radians. Nothing scatters.
pub(super) fn cycle(hz: f64, orders: &[(usize, f64, f64)]) -> CycleHypothesis {
    let mut mean = vec![Complex64::ZERO; ORDERS];
    for &(n, amplitude, phase) in orders {
        mean[n - 1] = Complex64::from_polar(amplitude, phase);
    }
    let at = |i: usize| {
        let theta = TAU * i as f64 / POINTS_PER_CYCLE as f64;
        orders.iter().map(|&(n, c, phase)| c * (n as f64 * theta + phase).cos()).sum()
    };
    CycleHypothesis {
        track: PhaseTrack::constant(hz, 1.0).unwrap(),
        mean_points: (0..POINTS_PER_CYCLE).map(at).collect(),
        points_std: vec![0.0; POINTS_PER_CYCLE],
        spectra: OrderMeans {
            mean,
            scatter: vec![0.0; ORDERS],
            dispersion: vec![0.0; ORDERS],
            cycle_count: hz as usize,
            mean_hz: hz,
        },
        restored: vec![Complex64::ZERO; ORDERS],
        line_order: 6,
        rank: 0,
        relative_power: 1.0,
        unseen_ends_s: [0.0; 2],
    }
}
