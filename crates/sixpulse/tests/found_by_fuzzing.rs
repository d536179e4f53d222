//! What fuzzing found (`fuzz/`), each kept as the least case that showed it.
#![allow(clippy::unwrap_used, reason = "tests state expectations by unwrapping")]

use sixpulse::angle::PhaseTrack;
use sixpulse::contamination::{ContaminationVerdict, assess, assess_untracked};
use sixpulse::coupling::{CouplingMethod, ac_couple};
use sixpulse::meter::{self, Meter, Response};
use sixpulse::plan::{Instrument, Task, plan};
use sixpulse::{Coupling, Machine, Role, Trace};

fn trace(samples: &[f64], rate_hz: f64, role: Role) -> Trace {
    Trace::from_f64(samples.to_vec(), rate_hz, Coupling::Dc, role).unwrap()
}

/// The blocks of the noise floor were as wide as two cycles of the track in bins: more than memory holds.
#[test]
fn a_track_far_above_the_sample_rate_convicts_nobody() {
    let samples: Vec<f64> = (0..3000).map(|i| 14.0 + 0.1 * (f64::from(i) * 0.3).sin()).collect();
    let (supply, circuit) = (trace(&samples, 10.0, Role::ChargingPost), trace(&samples, 10.0, Role::SpeedSensor));
    for frequency_hz in [1e3, 1e9, 1e15, 1e18] {
        let track = PhaseTrack::constant(frequency_hz, 300.0).unwrap();
        assert_eq!(assess(&circuit, &supply, &track).verdict, ContaminationVerdict::Undetermined, "{frequency_hz}");
    }
}

/// Knots whose growth overflows gave a track with an infinite frequency.
#[test]
fn a_track_without_a_finite_frequency_is_refused() {
    let refused = PhaseTrack::new(5.9e-11, vec![0.0, f64::MAX]);
    assert_eq!(refused.unwrap_err().code(), "out_of_range");
}

/// Sums of values near the largest double gave NaN.
#[test]
fn coupling_refuses_what_no_trace_may_hold() {
    let samples: Vec<f64> = (0..13).map(|i| if i % 2 == 0 { 1e300 } else { -1e300 }).collect();
    for method in [CouplingMethod::Causal, CouplingMethod::ZeroPhase] {
        let refused = ac_couple(&samples, 1e3, 1e-5, method);
        assert_eq!(refused.unwrap_err().code(), "out_of_range");
    }
}

/// The ratio of corner and rate vanished, and the filter's weights were 0 / 0.
#[test]
fn a_meter_with_a_corner_of_next_to_nothing_reads_a_number() {
    let samples: Vec<f64> = (0..200).map(|i| 14.0 + f64::from(i % 7)).collect();
    let supply = trace(&samples, 1e7, Role::ChargingPost);
    let meter = Meter::new(Response::TrueRms, 20e3, 5e-324, 1e-3).unwrap();
    let reading = meter::read(&supply, &meter).unwrap();
    assert!(reading.rms_v.is_finite() && reading.unrounded_v.is_finite() && reading.unrounded_v_std.is_finite());
}

/// At the smallest of doubles as sample rate the record lasted for ever: an infinity in the result.
#[test]
fn a_rate_at_which_a_record_lasts_for_ever_is_refused() {
    let record = |rate_hz| Trace::from_f64(vec![14.0; 1000], rate_hz, Coupling::Dc, Role::Other);
    for rate_hz in [5e-324, 1e-306] {
        let refused = record(rate_hz).unwrap_err();
        assert_eq!((refused.code(), refused.parameter()), ("out_of_range", "sample_rate_hz"));
    }
    assert!(record(1e-300).unwrap().duration_s().is_finite());
}

/// A twentieth of 16 to 19 samples is none: a switched sensor's record without any change of level was taken for two levels.
#[test]
fn a_short_still_record_of_a_switched_sensor_convicts_nobody() {
    for n in [16, 19, 20] {
        let supply: Vec<f64> = (0..n).map(|i| 14.0 + 0.1 * f64::from(i % 3)).collect();
        let still = vec![5.0; supply.len()];
        let (supply, circuit) = (trace(&supply, 5e4, Role::ChargingPost), trace(&still, 5e4, Role::EdgeSensor));
        assert_ne!(assess_untracked(&circuit, &supply).verdict, ContaminationVerdict::Contaminated, "{n}");
    }
}

/// An instrument so slow that a recording is a single sample was told an infinite uncertainty of the frequency.
#[test]
fn a_plan_for_a_single_sample_tells_no_uncertainty_of_the_frequency() {
    let task = Task::new(Machine::default(), (1400.0, 5800.0), 12, None).unwrap();
    let planned = |rate_hz| plan(&task, &Instrument::new(12, 16, &[rate_hz], &[5.0], Some(1.0), 1.0, 2).unwrap());
    for (rate_hz, told) in [(1e-9, false), (1e5, true)] {
        for recording in planned(rate_hz).recordings {
            assert_eq!(recording.samples == 1, !told);
            let hz = recording.expected.electrical_hz_std;
            assert!(hz.is_some() == told && hz.is_none_or(f64::is_finite), "{recording:?}");
        }
    }
}

/// At a rate of the smallest double a recording lasted for ever, and so did its cycles.
#[test]
fn an_instrument_whose_memory_never_fills_is_refused() {
    let instrument = |rate_hz: f64| Instrument::new(12, 16, &[1e5, rate_hz], &[5.0], Some(1.0), 1.0, 2);
    for rate_hz in [5e-324, f64::MIN_POSITIVE, 1e-305, 1e-29] {
        let refused = instrument(rate_hz).unwrap_err();
        assert_eq!((refused.code(), refused.parameter()), ("out_of_range", "sample_rates_hz"));
    }
    let task = Task::new(Machine::default(), (1400.0, 5800.0), 12, None).unwrap();
    for recording in plan(&task, &instrument(1e-28).unwrap()).recordings {
        assert!(recording.duration_s.is_finite() && recording.cycles.is_finite());
    }
}

/// Order 1 was infinitely many corners up; ten times the largest double were the span at the probe's tip.
#[test]
fn an_instrument_beyond_all_bounds_is_refused() {
    let instrument =
        |rate_hz, range_v, corner_hz| Instrument::new(12, 16, &[rate_hz], &[range_v], Some(corner_hz), 10.0, 2);
    let cases = [
        ("ac_corner_hz", instrument(1e5, 5.0, 5e-324)),
        ("ac_corner_hz", instrument(1e5, 5.0, f64::MAX)),
        ("ranges_v", instrument(1e5, f64::MAX, 1.0)),
        ("ranges_v", instrument(1e5, 1e-308, 1.0)),
        ("sample_rates_hz", instrument(1e300, 5.0, 1.0)),
    ];
    for (parameter, refused) in cases {
        let error = refused.unwrap_err();
        assert_eq!((error.code(), error.parameter()), ("out_of_range", parameter));
    }
    let task = Task::new(Machine::default(), (1400.0, 5800.0), 12, None).unwrap();
    for (rate_hz, range_v, corner_hz) in [(1e30, 1e30, 1e-30), (1e-28, 1e-30, 1e30)] {
        let planned = plan(&task, &instrument(rate_hz, range_v, corner_hz).unwrap());
        assert!(planned.requirements.iter().all(|r| r.value.is_finite() && r.needed.is_finite()));
        assert!(planned.recordings.iter().all(|r| r.full_scale_v.is_none_or(f64::is_finite) && r.cycles.is_finite()));
    }
}

/// From knot to knot the angle grew by a number, over the whole track by none.
#[test]
fn a_track_of_more_cycles_than_a_number_holds_is_refused() {
    let knots = vec![-1.7e308, -0.5e308, 0.5e308, 1.7e308];
    let refused = PhaseTrack::new(1.0, knots).unwrap_err();
    assert_eq!((refused.code(), refused.parameter()), ("out_of_range", "cycles"));
    let track = PhaseTrack::new(1.0, vec![-0.8e308, 0.0, 0.8e308]).unwrap();
    assert!(track.mean_hz().is_finite() && track.cycles_at(0.0).is_finite() && track.hz_at(1.0).is_finite());
}

/// The pole was 1 to the last digit, its logarithm 0, and the start of the zero-phase pass 0 / 0.
#[test]
fn a_corner_that_vanishes_beside_the_rate_is_refused() {
    for (rate_hz, corner_hz) in [(1e4, 5e-324), (1e9, 1e-300), (f64::MAX, 8e307)] {
        for method in [CouplingMethod::Causal, CouplingMethod::ZeroPhase] {
            let refused = ac_couple(&[1.0, 2.0, 4.0], rate_hz, corner_hz, method).unwrap_err();
            assert_eq!((refused.code(), refused.parameter()), ("out_of_range", "corner_hz"));
        }
    }
    // Nearly nothing is still a corner: the mean of the reflected record goes.
    let coupled = ac_couple(&[1.0, 2.0, 4.0], 1e4, 1e-290, CouplingMethod::ZeroPhase).unwrap();
    assert!(coupled.iter().zip([-1.25, -0.25, 1.75]).all(|(a, b)| (a - b).abs() < 1e-9), "{coupled:?}");
}

/// A range of the smallest double fell short by an infinite factor. Such ranges are refused now; the least that is taken
/// falls short by a finite one.
#[test]
fn a_plan_with_a_range_of_next_to_nothing_tells_a_finite_factor() {
    let task = Task::new(Machine::default(), (1400.0, 5800.0), 12, None).unwrap();
    let instrument = |range_v| Instrument::new(12, 100_000, &[1e5], &[range_v], None, 1.0, 2);
    for range_v in [f64::MIN_POSITIVE, 5e-324] {
        assert_eq!(instrument(range_v).unwrap_err().parameter(), "ranges_v");
    }
    for range_v in [1e-30, 0.1] {
        let planned = plan(&task, &instrument(range_v).unwrap());
        let short: Vec<_> = planned.requirements.iter().filter(|r| r.unit == "V").map(|r| r.short_by).collect();
        assert!(!short.is_empty() && short.iter().all(|by| by.is_some_and(f64::is_finite)), "{short:?}");
    }
}

/// Where the filter forgets within one sample of the reflected record's period, the start was summed beyond its end.
#[test]
fn a_corner_that_forgets_within_just_a_period_of_the_reflection() {
    let samples: Vec<f64> = (0..100).map(|i| 14.0 + (0.7 * f64::from(i)).sin() + f64::from(i % 7)).collect();
    let (n, rate_hz) = (samples.len(), 1e4);
    for settled in [2 * n - 4, 2 * n - 3, 2 * n - 2, 2 * n - 1] {
        // The pole's power of `settled`, less half a sample, is the 1e-18 from which on nothing counts.
        let c = (0.5 * 1e-18_f64.ln() / (0.5 - settled as f64)).tanh();
        let corner_hz = c.atan() * rate_hz / std::f64::consts::PI;
        let found = ac_couple(&samples, rate_hz, corner_hz, CouplingMethod::ZeroPhase).unwrap();
        let expected = reflected(&samples, c);
        // Rounding of some thousand steps on values of 20.
        assert!(found.iter().zip(&expected).all(|(a, b)| (a - b).abs() < 1e-11), "{settled}");
    }
}

/// The zero-phase high-pass as it is defined: forward and back over the record reflected again and again.
fn reflected(samples: &[f64], c: f64) -> Vec<f64> {
    let (pole, gain) = ((1.0 - c) / (1.0 + c), 1.0 / (1.0 + c));
    let (last, period) = (samples.len() - 1, 2 * (samples.len() - 1));
    let at = |i: usize| samples[if i % period > last { period - i % period } else { i % period }];
    let mut values: Vec<f64> = (0..12 * period).map(at).collect();
    for _ in 0..2 {
        let (mut before, mut out) = (values[0], 0.0);
        for x in &mut values {
            out = pole * out + gain * (*x - before);
            before = std::mem::replace(x, out);
        }
        values.reverse();
    }
    values[6 * period..6 * period + samples.len()].to_vec()
}

/// Beside a sample rate of 1e15 Hz a cycle of 100 Hz has more orders in a bin than can be gone through.
#[test]
fn a_cycle_far_longer_than_the_record_does_not_hang() {
    let wave = |gain: f64, level: f64| -> Vec<f64> {
        let mut state = 7_u64;
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / f64::from(1_u32 << 24) - 0.5
        };
        (0..4000).map(|i| level + gain * ((0.05 * f64::from(i)).sin() + random())).collect()
    };
    let rate_hz = 1e15;
    let supply = trace(&wave(0.3, 14.0), rate_hz, Role::ChargingPost);
    for role in [Role::SpeedSensor, Role::Other] {
        let circuit = trace(&wave(0.1, 2.0), rate_hz, role);
        let started = std::time::Instant::now();
        let track = PhaseTrack::constant(100.0, 1.0).unwrap();
        assert_ne!(assess(&circuit, &supply, &track).verdict, ContaminationVerdict::Clean);
        assert!(started.elapsed().as_secs() < 10);
    }
}

/// A row for each of as many cycles as a track may claim was more than the memory holds.
#[test]
fn cycles_shorter_than_two_samples_are_refused() {
    let cycles = |hz: f64| sixpulse::angle::cycles(&[14.0; 100][..], 1e3, &PhaseTrack::constant(hz, 0.1).unwrap(), 256);
    for hz in [600.0, 1e9, 1e15] {
        assert_eq!(cycles(hz).unwrap_err().code(), "above_nyquist");
    }
    assert_eq!(cycles(400.0).unwrap().dim(), (39, 256));
}
