//! Invariances of spectra and coherence that hold whatever the record.

use proptest::prelude::*;
use sixpulse::spectrum::{Detrend, Welch, Window, auto_spectrum, coherence, cross_spectrum};
use sixpulse::{Coupling, Role, Trace};

fn window() -> impl Strategy<Value = Window> {
    prop_oneof![Just(Window::Rectangular), Just(Window::Hann), Just(Window::BlackmanHarris), Just(Window::FlatTop)]
}

fn samples() -> impl Strategy<Value = Vec<f64>> {
    proptest::collection::vec(-1.0..1.0_f64, 200)
}

fn config() -> ProptestConfig {
    ProptestConfig { cases: 48, rng_seed: proptest::test_runner::RngSeed::Fixed(20_261), ..ProptestConfig::default() }
}

/// 1e-10 of a density of the order 1e-3: rounding of the transforms, grown by a level fifty times the noise.
fn close(a: &[f64], b: &[f64]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-13)
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn a_constant_makes_no_difference(x in samples(), level in -50.0..50.0_f64, w in window(), segment in 2..200_usize) {
        let welch = Welch::new(segment, segment / 3, w, Detrend::Constant).unwrap();
        let shifted: Vec<f64> = x.iter().map(|x| x + level).collect();
        let a = auto_spectrum(x.as_slice(), 1e3, &welch).unwrap();
        prop_assert!(close(&a.density, &auto_spectrum(shifted.as_slice(), 1e3, &welch).unwrap().density));
    }

    #[test]
    fn gain_enters_squared_and_polarity_not_at_all(x in samples(), gain in -4.0..4.0_f64, w in window()) {
        let welch = Welch::new(50, 25, w, Detrend::Constant).unwrap();
        let scaled: Vec<f64> = x.iter().map(|x| x * gain).collect();
        let a: Vec<f64> =
            auto_spectrum(x.as_slice(), 1e3, &welch).unwrap().density.iter().map(|d| d * gain * gain).collect();
        prop_assert!(close(&a, &auto_spectrum(scaled.as_slice(), 1e3, &welch).unwrap().density));
    }

    #[test]
    fn densities_sum_to_the_power(x in samples(), segment in 2..200_usize) {
        // Parseval's theorem, exact for the rectangular window without overlap.
        let welch = Welch::new(segment, 0, Window::Rectangular, Detrend::None).unwrap();
        let spectrum = auto_spectrum(x.as_slice(), 1e3, &welch).unwrap();
        let used = spectrum.segments * segment;
        let power: f64 = x[..used].iter().map(|x| x * x).sum::<f64>() / used as f64;
        let sum: f64 = spectrum.density.iter().sum::<f64>() * 1e3 / segment as f64;
        prop_assert!((sum - power).abs() < 1e-12);
    }

    #[test]
    fn coherence_is_symmetric_bounded_and_free_of_scale(
        x in samples(), y in samples(), gain in 0.1..10.0_f64, w in window()
    ) {
        let welch = Welch::new(40, 20, w, Detrend::Constant).unwrap();
        let a = coherence(x.as_slice(), y.as_slice(), 1e3, &welch).unwrap();
        let scaled: Vec<f64> = y.iter().map(|y| 3.0 - gain * y).collect();
        let b = coherence(scaled.as_slice(), x.as_slice(), 1e3, &welch).unwrap();
        for (a, b) in a.coherence.iter().zip(&b.coherence) {
            prop_assert!((0.0..=1.0).contains(a) && (a - b).abs() < 1e-9, "{a} {b}");
        }
    }

    #[test]
    fn a_circular_shift_turns_the_phase(x in samples(), shift in 0..200_usize) {
        let welch = Welch::new(200, 0, Window::Rectangular, Detrend::None).unwrap();
        let late: Vec<f64> = (0..200).map(|i| x[(i + 200 - shift) % 200]).collect();
        let cross = cross_spectrum(x.as_slice(), late.as_slice(), 200.0, &welch).unwrap();
        for (f, (d, xx)) in cross.frequencies_hz.iter().zip(cross.density.iter().zip(&cross.density_x)) {
            let angle = -std::f64::consts::TAU * f * shift as f64 / 200.0;
            prop_assert!((d.re - xx * angle.cos()).abs() < 1e-12 && (d.im - xx * angle.sin()).abs() < 1e-12);
        }
    }

    #[test]
    fn a_trace_reads_as_its_values(x in samples()) {
        let welch = Welch::hann(32).unwrap();
        let expected = auto_spectrum(x.as_slice(), 1e3, &welch).unwrap();
        let trace = Trace::from_f64(x, 1e3, Coupling::Dc, Role::Other).unwrap();
        prop_assert_eq!(auto_spectrum(&trace, trace.sample_rate_hz(), &welch).unwrap(), expected);
    }
}
