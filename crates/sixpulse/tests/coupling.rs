//! Invariances of AC coupling that hold whatever the record.

use proptest::prelude::*;
use sixpulse::coupling::{AcView, CouplingMethod, ac_couple, attenuation};
use sixpulse::{Coupling, Role, Samples, Trace};

const RATE_HZ: f64 = 10_000.0;

fn method() -> impl Strategy<Value = CouplingMethod> {
    prop_oneof![Just(CouplingMethod::Causal), Just(CouplingMethod::ZeroPhase)]
}

fn samples() -> impl Strategy<Value = Vec<f64>> {
    proptest::collection::vec(-20.0..20.0_f64, 2..1200)
}

fn config() -> ProptestConfig {
    ProptestConfig { cases: 48, rng_seed: proptest::test_runner::RngSeed::Fixed(20_260), ..ProptestConfig::default() }
}

/// 1e-11 of a sample of size 20: a few hundred roundings of the running state, each 1e-16 of it.
fn close(a: &[f64], b: &[f64]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() < 2e-10)
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn a_constant_makes_no_difference(x in samples(), level in -50.0..50.0_f64, corner in 0.5..4900.0_f64, m in method()) {
        let shifted: Vec<f64> = x.iter().map(|x| x + level).collect();
        let (a, b) = (ac_couple(&x, RATE_HZ, corner, m).unwrap(), ac_couple(&shifted, RATE_HZ, corner, m).unwrap());
        prop_assert!(close(&a, &b));
    }

    #[test]
    fn gain_and_polarity_pass_through(x in samples(), gain in -4.0..4.0_f64, corner in 0.5..4900.0_f64, m in method()) {
        let scaled: Vec<f64> = x.iter().map(|x| x * gain).collect();
        let expected: Vec<f64> = ac_couple(&x, RATE_HZ, corner, m).unwrap().iter().map(|y| y * gain).collect();
        prop_assert!(close(&ac_couple(&scaled, RATE_HZ, corner, m).unwrap(), &expected));
    }

    #[test]
    fn zero_phase_knows_no_direction(x in samples(), corner in 0.5..4900.0_f64) {
        let mut reversed = x.clone();
        reversed.reverse();
        let mut y = ac_couple(&reversed, RATE_HZ, corner, CouplingMethod::ZeroPhase).unwrap();
        y.reverse();
        prop_assert!(close(&ac_couple(&x, RATE_HZ, corner, CouplingMethod::ZeroPhase).unwrap(), &y));
    }

    #[test]
    fn a_view_equals_the_coupled_record(x in samples(), corner in 0.5..4900.0_f64, at in 0.0..1.0_f64, part in 0.0..1.0_f64) {
        let whole = ac_couple(&x, RATE_HZ, corner, CouplingMethod::ZeroPhase).unwrap();
        let trace = Trace::from_f64(x, RATE_HZ, Coupling::Ac, Role::Other).unwrap();
        let view = AcView::new(&trace, corner).unwrap();
        let start = (at * view.len() as f64) as usize;
        let mut piece = vec![0.0; (part * (view.len() - start) as f64) as usize];
        view.read(start, &mut piece);
        prop_assert!(close(&piece, &whole[start..start + piece.len()]));
    }

    #[test]
    fn attenuation_rises_with_frequency(f in 0.1..1e5_f64, factor in 1.001..10.0_f64, corner in 0.1..1e3_f64) {
        let (low, high) = (attenuation(f, corner).unwrap(), attenuation(f * factor, corner).unwrap());
        prop_assert!(low < high && low > 0.0 && high <= 1.0);
    }
}

#[test]
fn counts_and_values_give_the_same_view() {
    let counts: Vec<i16> = (0..3000_i16).map(|i| (i % 37) * 5 + 3000).collect();
    let values = counts.iter().map(|&c| f64::from(c) * 0.004 + 0.5).collect();
    let a = Trace::from_counts(counts, 0.004, 0.5, RATE_HZ, Coupling::Dc, Role::BatteryPost).unwrap();
    let b = Trace::from_f64(values, RATE_HZ, Coupling::Dc, Role::BatteryPost).unwrap();
    let (a, b) = (AcView::new(&a, 5.0).unwrap(), AcView::new(&b, 5.0).unwrap());
    let (mut from_counts, mut from_values) = (vec![0.0; 3000], vec![0.0; 3000]);
    a.read(0, &mut from_counts);
    b.read(0, &mut from_values);
    assert_eq!(from_counts, from_values);
    assert_eq!((a.corner_hz(), a.sample_rate_hz(), a.duration_s(), a.trace().len()), (5.0, RATE_HZ, 0.3, 3000));
}
