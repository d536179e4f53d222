//! The main job on waveforms in closed form: invariances, known frequency, refused input.
#![allow(clippy::unwrap_used, reason = "a helper of tests may fail the test by panicking")]

use proptest::prelude::*;
use sixpulse::examine::{ExamineOptions, examine};
use sixpulse::rectifier::ideal::{IdealCircuit, value};
use sixpulse::{Capture, Coupling, Examination, Role, Trace};
use std::f64::consts::TAU;

const RATE_HZ: f64 = 50_000.0;

/// An ideal bridge's ripple, scaled to 0.3 V a phase peak, on a level, with a wandering speed and a little noise.
fn bridge(circuit: IdealCircuit, hz: f64, start: f64, gain: f64, level: f64) -> Vec<f64> {
    let mut state = 20_261_125_u64;
    (0..15_000)
        .map(|i| {
            let t = f64::from(i) / RATE_HZ;
            let cycles = hz * t + 0.002 * (TAU * 25.0 * t).sin();
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise = (state >> 40) as f64 / f64::from(1_u32 << 24) - 0.5;
            level + gain * (0.3 * value(circuit, TAU * cycles + start) + 0.004 * noise)
        })
        .collect()
}

fn run(volts: Vec<f64>, electrical_hz: Option<f64>) -> Examination {
    let post = Trace::from_f64(volts, RATE_HZ, Coupling::Dc, Role::ChargingPost).unwrap();
    let capture = Capture::new(vec![("post".into(), post)]).unwrap();
    examine(&capture, &ExamineOptions { electrical_hz, ..ExamineOptions::default() }).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    #[test]
    fn a_known_frequency_is_found_whatever_start_and_level(
        hz in 100.0..600.0_f64, start in 0.0..TAU, level in 12.0..15.0_f64,
        circuit in prop::sample::select(vec![IdealCircuit::SixPulse, IdealCircuit::OneDiodeOpen, IdealCircuit::OpenPhase]),
    ) {
        let e = run(bridge(circuit, hz, start, 1.0, level), Some(hz));
        let found = e.cycle.electrical_hz.unwrap();
        // 0.2 % is the library's target for the mean frequency of a record.
        prop_assert!((found / hz - 1.0).abs() < 2e-3, "{found} for {hz}");
        // Orders keep a textbook's amplitudes: order 6 is 0.0945 of the phase peak in a healthy bridge (A1, A2).
        if circuit == IdealCircuit::SixPulse {
            prop_assert!((e.cycle.order_amplitudes_v[5] / 0.3 - 0.094_513_5).abs() < 0.002);
        }
    }

    #[test]
    fn ripple_scales_with_the_gain_and_the_pattern_stays(gain in 0.5..2.0_f64, start in 0.0..TAU) {
        let one = run(bridge(IdealCircuit::SixPulse, 230.0, start, 1.0, 14.0), Some(230.0));
        let other = run(bridge(IdealCircuit::SixPulse, 230.0, start, gain, 14.0), Some(230.0));
        let (a, b) = (one.ripple.unwrap().rms_v, other.ripple.unwrap().rms_v);
        prop_assert!((b / a - gain).abs() < 1e-6 * gain);
        prop_assert_eq!(one.rectifier.pattern, other.rectifier.pattern);
    }
}

#[test]
fn pulses_among_the_lines_of_a_switched_load_are_found_where_the_frequency_is_told() {
    // A load of 23.7 Hz, a quarter of the time on, makes lines that stand above those of a sound bridge at 310 Hz.
    for (gain, load_v) in [(0.05, 0.05), (0.1, 0.05), (0.1, 0.2)] {
        let mut volts = bridge(IdealCircuit::SixPulse, 310.0, 0.4, gain, 14.0);
        for (i, v) in volts.iter_mut().enumerate() {
            *v += if (23.7 * i as f64 / RATE_HZ) % 1.0 < 0.25 { load_v } else { 0.0 };
        }
        assert_eq!(run(volts.clone(), None).rectifier.pattern.as_str(), "undetermined", "{gain} {load_v}");
        let told = run(volts, Some(310.0));
        assert_eq!(told.rectifier.pattern.as_str(), "healthy", "{gain} {load_v}");
        assert!((told.cycle.electrical_hz.unwrap() / 310.0 - 1.0).abs() < 2e-3);
    }
}

#[test]
fn a_second_look_that_names_nothing_moves_no_frequency() {
    // No pattern is named on these; a faint line within three standard uncertainties of what was told was once reported.
    for (hz, level, start) in [(478.4, 12.0, 5.818), (425.3, 12.1, 1.0), (494.2, 12.7, 3.0)] {
        let e = run(bridge(IdealCircuit::OpenPhase, hz, start, 1.0, level), Some(hz));
        assert!((e.cycle.electrical_hz.unwrap() / hz - 1.0).abs() < 2e-3, "{:?} for {hz}", e.cycle.electrical_hz);
    }
}

#[test]
fn probabilities_add_up_and_frequencies_are_listed() {
    let e = run(bridge(IdealCircuit::OneDiodeOpen, 300.0, 0.4, 1.0, 14.0), None);
    let total: f64 = e.rectifier.probabilities.iter().map(|p| p.1).sum();
    assert!((total - 1.0).abs() < 1e-12);
    assert!(e.cycle.candidates.iter().any(|c| (c.electrical_hz / 300.0 - 1.0).abs() < 2e-3));
    assert!(e.cycle.candidates.windows(2).all(|w| w[0].probability >= w[1].probability));
}

#[test]
fn an_electrical_frequency_outside_its_domain_is_refused() {
    let post = Trace::from_f64(vec![14.0; 100], 1000.0, Coupling::Dc, Role::ChargingPost).unwrap();
    let capture = Capture::new(vec![("post".into(), post)]).unwrap();
    for (hz, code) in [(0.0, "out_of_range"), (f64::NAN, "out_of_range"), (500.0, "above_nyquist")] {
        let options = ExamineOptions { electrical_hz: Some(hz), ..ExamineOptions::default() };
        assert_eq!(examine(&capture, &options).unwrap_err().code(), code);
    }
}

#[test]
fn a_record_too_slow_for_any_ripple_is_refused_by_its_rate() {
    for rate in [1e-3, 1.0, 40.0] {
        let samples = (0..2_000).map(|i| 14.0 + 0.1 * f64::from(i % 7)).collect();
        let post = Trace::from_f64(samples, rate, Coupling::Dc, Role::ChargingPost).unwrap();
        let slow = Capture::new(vec![("post".into(), post)]).unwrap();
        let error = examine(&slow, &ExamineOptions::default()).unwrap_err();
        assert_eq!((error.code(), error.parameter()), ("out_of_range", "sample_rate_hz"), "{error}");
    }
}

#[test]
fn a_capture_without_supply_has_no_pattern_but_a_result() {
    let sensor = Trace::from_f64(vec![0.1; 2000], 1000.0, Coupling::Dc, Role::SpeedSensor).unwrap();
    let e = examine(&Capture::new(vec![("sensor".into(), sensor)]).unwrap(), &ExamineOptions::default()).unwrap();
    assert_eq!(e.rectifier.pattern.as_str(), "undetermined");
    assert!(e.cycle.electrical_hz.is_none() && e.cycle.reason.is_some());
    assert!(e.contamination.is_empty() && e.points.is_none());
}

#[test]
fn a_record_too_short_for_ripple_is_named_as_the_caller_knows_it() {
    for n in 1..4 {
        let post = Trace::from_f64(vec![14.0; n], RATE_HZ, Coupling::Dc, Role::ChargingPost).unwrap();
        let capture = Capture::new(vec![("post".into(), post)]).unwrap();
        let error = examine(&capture, &ExamineOptions::default()).unwrap_err();
        let (parameter, minimum) = ("traces[\"post\"]".to_owned(), 4);
        assert_eq!(error, sixpulse::Error::TooShort { parameter, minimum, actual: n });
    }
}
