//! Invariances of sine and harmonic fits that hold whatever the record.
#![allow(clippy::unwrap_used, reason = "a helper of a test states its expectation by unwrapping")]

use proptest::prelude::*;
use sixpulse::tone::{HarmonicFit, harmonic_fit, harmonic_fit_known, sine_fit};
use sixpulse::{Coupling, Role, Trace};
use std::f64::consts::{PI, TAU};

const RATE_HZ: f64 = 10_000.0;
const ORDERS: [usize; 3] = [1, 2, 6];

fn config() -> ProptestConfig {
    ProptestConfig { cases: 32, rng_seed: proptest::test_runner::RngSeed::Fixed(20_262), ..ProptestConfig::default() }
}

/// Ripple of orders 1, 2 and 6 with a deterministic disturbance that no order explains.
fn ripple(frequency_hz: f64, phase: f64, first: usize, count: usize) -> Vec<f64> {
    (first..first + count)
        .map(|i| {
            let turn = TAU * frequency_hz * i as f64 / RATE_HZ;
            let disturbance = 0.02 * (0.37 * (i * i % 1013) as f64).sin();
            0.3 * (turn + phase).cos() + 0.1 * (2.0 * turn).cos() + 0.2 * (6.0 * turn - 1.0).cos() + disturbance
        })
        .collect()
}

fn fit(x: &[f64], start_hz: f64) -> HarmonicFit {
    harmonic_fit(x, RATE_HZ, start_hz, &ORDERS).unwrap()
}

fn angle(a: f64, b: f64) -> f64 {
    let d = a - b;
    (d - TAU * (d / TAU).round()).abs()
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn an_offset_moves_the_offset_alone(f in 60.0..400.0_f64, p in -PI..PI, level in -50.0..50.0_f64) {
        let x = ripple(f, p, 0, 3000);
        let shifted: Vec<f64> = x.iter().map(|x| x + level).collect();
        let (a, b) = (fit(&x, f), fit(&shifted, f));
        // Rounding of a level up to 500 times the ripple.
        prop_assert!((a.frequency_hz / b.frequency_hz - 1.0).abs() < 1e-11);
        prop_assert!((b.offset - a.offset - level).abs() < 1e-10);
        for i in 0..3 {
            prop_assert!((a.amplitudes[i] - b.amplitudes[i]).abs() < 1e-10);
            prop_assert!(angle(a.phases_rad[i], b.phases_rad[i]) < 1e-8);
        }
    }

    #[test]
    fn gain_scales_amplitudes_and_polarity_turns_phases(f in 60.0..400.0_f64, p in -PI..PI, gain in 0.01..100.0_f64) {
        let x = ripple(f, p, 0, 3000);
        let scaled: Vec<f64> = x.iter().map(|x| -gain * x).collect();
        let (a, b) = (fit(&x, f), fit(&scaled, f));
        prop_assert!((a.frequency_hz / b.frequency_hz - 1.0).abs() < 1e-11);
        prop_assert!((a.frequency_hz_std.unwrap() / b.frequency_hz_std.unwrap() - 1.0).abs() < 1e-8);
        prop_assert!((a.residual_rms * gain / b.residual_rms - 1.0).abs() < 1e-9);
        for i in 0..3 {
            prop_assert!((a.amplitudes[i] * gain / b.amplitudes[i] - 1.0).abs() < 1e-9);
            prop_assert!(angle(a.phases_rad[i] + PI, b.phases_rad[i]) < 1e-8);
        }
    }

    #[test]
    fn a_later_start_turns_the_phases_by_the_time_passed(f in 60.0..400.0_f64, p in -PI..PI, later in 1..3000_usize) {
        let clean = |first: usize| -> Vec<f64> {
            let turn = |i: usize| TAU * f * i as f64 / RATE_HZ;
            (first..first + 3000).map(|i| 14.0 + 0.3 * (turn(i) + p).cos() + 0.2 * (6.0 * turn(i)).cos()).collect()
        };
        let (a, b) = (fit(&clean(0), f), fit(&clean(later), f));
        for (i, order) in ORDERS.iter().enumerate().filter(|(i, _)| *i != 1) {
            let passed = *order as f64 * TAU * f * later as f64 / RATE_HZ;
            prop_assert!(angle(a.phases_rad[i] + passed, b.phases_rad[i]) < 1e-7);
            prop_assert!((a.amplitudes[i] - b.amplitudes[i]).abs() < 1e-10);
        }
    }

    #[test]
    fn the_order_of_the_orders_makes_no_difference(f in 60.0..400.0_f64, p in -PI..PI) {
        let x = ripple(f, p, 0, 1000);
        let a = harmonic_fit_known(x.as_slice(), RATE_HZ, f, &[1, 2, 6]).unwrap();
        let b = harmonic_fit_known(x.as_slice(), RATE_HZ, f, &[6, 1, 2]).unwrap();
        for (i, j) in [(0, 1), (1, 2), (2, 0)] {
            prop_assert!((a.amplitudes[i] - b.amplitudes[j]).abs() < 1e-12);
            prop_assert!((a.amplitudes_std[i] / b.amplitudes_std[j] - 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn the_start_makes_no_difference(f in 60.0..400.0_f64, p in -PI..PI, off in -0.1..0.1_f64) {
        let x: Vec<f64> = (0..3000).map(|i| (TAU * f * i as f64 / RATE_HZ + p).cos()).collect();
        let given = sine_fit(x.as_slice(), RATE_HZ, Some(f * (1.0 + off))).unwrap();
        let found = sine_fit(x.as_slice(), RATE_HZ, None).unwrap();
        prop_assert!((given.frequency_hz / f - 1.0).abs() < 1e-11 && (found.frequency_hz / f - 1.0).abs() < 1e-11);
    }

    #[test]
    fn a_trace_fits_as_its_values(f in 60.0..400.0_f64, p in -PI..PI) {
        let x = ripple(f, p, 0, 2000);
        let expected = fit(&x, f);
        let trace = Trace::from_f64(x, RATE_HZ, Coupling::Ac, Role::BatteryPost).unwrap();
        prop_assert_eq!(harmonic_fit(&trace, RATE_HZ, f, &ORDERS).unwrap(), expected);
    }
}
