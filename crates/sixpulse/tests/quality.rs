//! Quality: faults of a capture are caught, sound captures are left alone, and gain and offset change nothing.

#![allow(clippy::unwrap_used, reason = "tests state expectations by unwrapping")]

mod common;

use common::{Post, Random, quantise};
use proptest::prelude::*;
use sixpulse::quality::{CycleFacts, Quality, QualityCode, QualityImpact, assess};
use sixpulse::{Capture, Coupling, Role, Trace};

const RATE_HZ: f64 = 50_000.0;

fn capture(trace: Trace) -> Capture {
    Capture::new(vec![("post".into(), trace)]).unwrap()
}

fn floats(volts: Vec<f64>, coupling: Coupling, role: Role) -> Quality {
    assess(&capture(Trace::from_f64(volts, RATE_HZ, coupling, role).unwrap()), None)
}

fn post(volts: Vec<f64>) -> Quality {
    floats(volts, Coupling::Dc, Role::ChargingPost)
}

fn counts(counts: Vec<i16>, step_v: f64) -> Quality {
    assess(&capture(Trace::from_counts(counts, step_v, 0.0, RATE_HZ, Coupling::Dc, Role::ChargingPost).unwrap()), None)
}

fn has(quality: &Quality, code: QualityCode) -> Option<QualityImpact> {
    quality.issues.iter().find(|i| i.code == code).map(|i| i.impact)
}

fn healthy(samples: usize) -> Vec<f64> {
    Post::default().record(samples, 0.3, &mut Random::new(1))
}

#[test]
fn sound_captures_have_no_issue() {
    for (step, open) in [(0.001, false), (0.01, false), (0.04, false), (0.01, true), (0.04, true), (0.1, true)] {
        let volts = Post { open, ..Post::default() }.record(20_000, 0.3, &mut Random::new(2));
        let q = counts(quantise(&volts, step), step);
        assert!(q.issues.is_empty(), "step {step}, open {open}: {:?}", q.issues);
        assert!(q.usable);
        assert!((q.traces[0].1.step.unwrap() - step).abs() < 1e-12);
    }
    assert!(post(healthy(20_000)).issues.is_empty());
}

/// Ripple over 4 to 6 steps of an 8-bit converter, with hardly any noise: the outermost levels fill by themselves.
#[test]
fn a_coarse_ripple_is_neither_clipped_nor_broken() {
    for noise_v in [0.0, 0.002, 0.02] {
        for shift in 0..8 {
            let source = Post { noise_v, level_v: 14.2 + 0.15 * f64::from(shift) / 8.0, ..Post::default() };
            let volts = source.record(30_000, 0.0, &mut Random::new(3));
            let q = counts(quantise(&volts, 0.15), 0.15);
            assert!(has(&q, QualityCode::Clipped).is_none(), "{:?}", q.issues);
            assert!(has(&q, QualityCode::Dropout).is_none(), "{:?}", q.issues);
            assert!(q.usable);
        }
    }
}

#[test]
fn a_clipped_ripple_is_caught() {
    let clip = |volts: Vec<f64>, top: f64| volts.into_iter().map(|v| v.min(top)).collect::<Vec<_>>();
    let open = Post { open: true, noise_v: 0.002, ..Post::default() };
    for top in [14.25, 14.28, 14.30] {
        let volts = clip(open.record(20_000, 0.1, &mut Random::new(4)), top);
        let true_share = volts.iter().filter(|&&v| v >= top).count() as f64 / 20_000.0;
        for q in [post(volts.clone()), counts(quantise(&volts, 0.01), 0.01)] {
            assert_eq!(has(&q, QualityCode::Clipped), Some(QualityImpact::Prevents), "{top} {:?}", q.traces);
            assert!(q.traces[0].1.clipped_fraction >= true_share);
            assert!(!q.usable);
        }
    }
}

#[test]
fn the_end_of_the_sixteen_bit_range_counts_by_itself() {
    let mut c: Vec<i16> = (0..5000).map(|i| (f64::from(i) * 0.07).sin().mul_add(20_000.0, 0.0) as i16).collect();
    assert!(has(&counts(c.clone(), 1e-4), QualityCode::Clipped).is_none());
    for i in [70, 900, 1800] {
        c[i] = i16::MAX;
    }
    assert!(has(&counts(c, 1e-4), QualityCode::Clipped).is_some());
}

/// 8-bit codes at their own end, left- and right-justified, on a ripple of only a dozen steps.
#[test]
fn the_ends_of_shorter_ranges_count_with_a_pile_up() {
    let volts = Post { open: true, noise_v: 0.0, ..Post::default() }.record(20_000, 0.1, &mut Random::new(5));
    let codes: Vec<i16> = volts.iter().map(|v| ((v - 14.2) / 0.05 + 127.0).round().min(127.0) as i16).collect();
    assert!(has(&counts(codes.clone(), 0.05), QualityCode::Clipped).is_some());
    let left: Vec<i16> = codes.iter().map(|c| c << 8).collect();
    assert!(has(&counts(left, 0.05 / 256.0), QualityCode::Clipped).is_some());
}

/// A sensor that switches is flat at both ends, with or without noise, slow or fast edges.
#[test]
fn a_square_sensor_signal_is_neither_clipped_nor_broken() {
    let mut random = Random::new(6);
    for (noise_v, period) in [(0.0, 4000), (0.004, 4000), (0.02, 300), (0.0, 300)] {
        for edge in [1.0, 20.0] {
            let mut y = 0.0;
            let volts: Vec<f64> = (0..20_000)
                .map(|i| {
                    let target = if i % period < period / 2 { 5.0 } else { 0.0 };
                    y += (target - y) / edge;
                    y + noise_v * random.normal()
                })
                .collect();
            for role in [Role::SpeedSensor, Role::EdgeSensor, Role::Other] {
                for step in [0.04, 0.003] {
                    let trace =
                        Trace::from_counts(quantise(&volts, step), step, 0.0, RATE_HZ, Coupling::Dc, role).unwrap();
                    let q = assess(&capture(trace), None);
                    assert!(has(&q, QualityCode::Clipped).is_none(), "{role} {noise_v} {edge} {step}: {:?}", q.issues);
                    assert!(has(&q, QualityCode::Dropout).is_none(), "{role} {noise_v} {edge} {step}: {:?}", q.issues);
                }
            }
        }
    }
}

#[test]
fn held_buffers_are_caught_with_their_lengths() {
    for step in [0.01, 0.04] {
        let mut c = quantise(&healthy(40_000), step);
        for (start, len) in [(5003, 300), (20_001, 517)] {
            // A level that the ripple crosses, so that the run has clear ends.
            let held = c[start];
            c[start..start + len].fill(held);
        }
        let q = counts(c, step);
        let f = &q.traces[0].1;
        assert_eq!(has(&q, QualityCode::Dropout), Some(QualityImpact::Limits), "{f:?}");
        assert_eq!(f.dropout_count, 2);
        assert!((517..540).contains(&f.longest_repeat), "{f:?}");
        assert!(q.usable);
    }
}

#[test]
fn zeroed_buffers_are_caught_and_are_not_called_clipped() {
    let mut volts = healthy(40_000);
    volts[9_000..9_064].fill(0.0);
    volts[30_000..33_000].fill(0.0);
    for q in [post(volts.clone()), counts(quantise(&volts, 0.01), 0.01)] {
        assert_eq!(has(&q, QualityCode::Dropout), Some(QualityImpact::Prevents), "{:?}", q.traces);
        assert_eq!(q.traces[0].1.dropout_count, 2);
        assert_eq!(q.traces[0].1.longest_repeat, 3000);
        assert!(has(&q, QualityCode::Clipped).is_none(), "{:?}", q.issues);
    }
}

/// Engine off: two levels toggled by noise, or a slow drift through a level, stand still for long and rightly so.
#[test]
fn a_quiet_battery_is_not_broken() {
    let mut random = Random::new(7);
    for (noise_v, drift_v) in [(0.002, 0.05), (0.008, 0.02), (0.0005, 0.15)] {
        let volts: Vec<f64> =
            (0..40_000).map(|i| 12.6 + drift_v * f64::from(i) / 40_000.0 + noise_v * random.normal()).collect();
        let q = counts(quantise(&volts, 0.04), 0.04);
        assert!(has(&q, QualityCode::Dropout).is_none(), "{:?}", q.issues);
        assert!(has(&q, QualityCode::Clipped).is_none(), "{:?}", q.issues);
    }
}

#[test]
fn too_few_steps_limit_and_far_too_few_prevent() {
    let volts = Post { noise_v: 0.0, ..Post::default() }.record(20_000, 0.0, &mut Random::new(8));
    let q = counts(quantise(&volts, 0.3), 0.3);
    assert_eq!(has(&q, QualityCode::TooCoarse), Some(QualityImpact::Limits), "{:?}", q.traces);
    let q = counts(quantise(&volts, 0.8), 0.8);
    assert_eq!(has(&q, QualityCode::TooCoarse), Some(QualityImpact::Prevents), "{:?}", q.traces);
}

fn facts(electrical_hz: f64, lowest_order_hz: f64) -> CycleFacts<'static> {
    CycleFacts { supply_trace: "post", electrical_hz, ripple_peak_to_peak_v: 0.6, lowest_order_hz }
}

#[test]
fn sample_rate_and_length_are_held_against_the_cycle() {
    let trace = |n: usize, rate_hz: f64| {
        capture(Trace::from_f64(healthy(n), rate_hz, Coupling::Dc, Role::ChargingPost).unwrap())
    };
    let judge = |n, rate_hz, electrical_hz| assess(&trace(n, rate_hz), Some(facts(electrical_hz, electrical_hz)));
    // 50 kS/s: order 6 fits up to 3333 Hz, order 12 up to 1667 Hz.
    assert!(judge(20_000, 50_000.0, 1600.0).issues.is_empty());
    assert_eq!(has(&judge(20_000, 50_000.0, 1700.0), QualityCode::Undersampled), Some(QualityImpact::Limits));
    assert_eq!(has(&judge(20_000, 50_000.0, 3400.0), QualityCode::Undersampled), Some(QualityImpact::Prevents));
    // 200 Hz, 50 kS/s: 250 samples a cycle.
    assert!(judge(2100, 50_000.0, 200.0).issues.is_empty());
    let short = judge(1900, 50_000.0, 200.0);
    assert_eq!(has(&short, QualityCode::TooShort), Some(QualityImpact::Limits));
    assert!((short.electrical_cycles.unwrap() - 7.6).abs() < 1e-9);
    assert_eq!(has(&judge(700, 50_000.0, 200.0), QualityCode::TooShort), Some(QualityImpact::Prevents));
    // The Nyquist frequency itself is out of reach: 25 kHz is order 125 of 200 Hz.
    assert_eq!(short.highest_order, Some(124));
    // Without a cycle: a rate at which no idle's order 6 fits; too few samples for anything.
    assert_eq!(has(&assess(&trace(2000, 1500.0), None), QualityCode::Undersampled), Some(QualityImpact::Prevents));
    assert_eq!(has(&assess(&trace(63, 50_000.0), None), QualityCode::TooShort), Some(QualityImpact::Prevents));
    assert!(assess(&trace(64, 50_000.0), None).usable);
}

#[test]
fn the_second_assessment_equals_a_fresh_one() {
    let capture = capture(Trace::from_f64(healthy(2000), RATE_HZ, Coupling::Ac, Role::ChargingPost).unwrap());
    let facts = facts(187.3, 187.3 * 6.0);
    assert_eq!(assess(&capture, None).with_cycle(&capture, facts), assess(&capture, Some(facts)));
}

#[test]
fn ac_coupling_hides_the_level_and_droops() {
    let make = |corner_hz: Option<f64>| {
        let trace = Trace::from_f64(healthy(20_000), RATE_HZ, Coupling::Ac, Role::ChargingPost).unwrap();
        capture(match corner_hz {
            Some(hz) => trace.with_coupling_corner_hz(hz).unwrap(),
            None => trace,
        })
    };
    let q = assess(&make(Some(10.0)), Some(facts(69.0, 69.0)));
    assert_eq!(has(&q, QualityCode::AcCoupledLevelUnknown), Some(QualityImpact::Limits));
    assert_eq!(has(&q, QualityCode::LowOrderDroop), Some(QualityImpact::Limits));
    assert!(q.usable);
    // 7.02 corners take 1 % (REFERENCE-VALUES A5, derived).
    assert_eq!(has(&assess(&make(Some(10.0)), Some(facts(71.0, 71.0))), QualityCode::LowOrderDroop), None);
    assert_eq!(
        has(&assess(&make(None), Some(facts(69.0, 69.0))), QualityCode::LowOrderDroop),
        Some(QualityImpact::Note)
    );
    assert_eq!(has(&assess(&make(Some(3.5)), Some(facts(69.0, 69.0))), QualityCode::LowOrderDroop), None);
}

#[test]
fn a_level_known_from_the_other_post_makes_coupling_a_note() {
    let trace = |coupling, role| Trace::from_f64(healthy(20_000), RATE_HZ, coupling, role).unwrap();
    let both = Capture::new(vec![
        ("post".into(), trace(Coupling::Ac, Role::ChargingPost)),
        ("battery".into(), trace(Coupling::Dc, Role::BatteryPost)),
    ])
    .unwrap();
    assert_eq!(has(&assess(&both, None), QualityCode::AcCoupledLevelUnknown), Some(QualityImpact::Note));
}

#[test]
fn no_supply_and_flat_traces() {
    let q = floats(healthy(2000), Coupling::Dc, Role::SpeedSensor);
    assert_eq!(has(&q, QualityCode::NoSupplyTrace), Some(QualityImpact::Prevents));
    let q = post(vec![14.2; 2000]);
    assert_eq!(has(&q, QualityCode::Flat), Some(QualityImpact::Prevents));
    assert_eq!(q.traces[0].1.step, None);
    assert_eq!(has(&q, QualityCode::Dropout), None);
    assert_eq!(has(&q, QualityCode::Clipped), None);
    let q = post(vec![0.0; 2000]);
    assert_eq!(has(&q, QualityCode::Dropout), None, "{:?}", q.issues);
}

/// Whatever is wrong with a sensor trace, the supply stays readable.
#[test]
fn a_sensor_never_makes_the_supply_unusable() {
    let mut broken: Vec<f64> = healthy(20_000).iter().map(|v| (v - 14.2).clamp(-0.25, 0.25)).collect();
    for start in (0..20_000).step_by(2000) {
        let held = broken[start];
        broken[start..start + 400].fill(held);
    }
    for sensor in [broken, vec![0.0; 20_000]] {
        let q = assess(
            &Capture::new(vec![
                ("sensor".into(), Trace::from_f64(sensor, RATE_HZ, Coupling::Dc, Role::SpeedSensor).unwrap()),
                ("post".into(), Trace::from_f64(healthy(20_000), RATE_HZ, Coupling::Dc, Role::ChargingPost).unwrap()),
            ])
            .unwrap(),
            None,
        );
        assert!(!q.issues.is_empty());
        assert!(q.usable && q.issues.iter().all(|i| i.trace == "sensor"), "{:?}", q.issues);
    }
}

fn verdicts(q: &Quality) -> Vec<(QualityCode, QualityImpact)> {
    q.issues.iter().map(|i| (i.code, i.impact)).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: proptest::test_runner::RngSeed::Fixed(20), cases: 40, ..ProptestConfig::default() })]

    /// Gain (of either sign) and offset of the values change no verdict; counts and their scale even less.
    #[test]
    fn gain_and_offset_change_no_verdict(
        gain in prop_oneof![0.01f64..100.0, -100.0f64..-0.01],
        offset in -50.0f64..50.0,
        fault in 0usize..4,
        seed in 0u64..1000,
    ) {
        let mut c = quantise(&Post { open: seed % 2 == 0, ..Post::default() }.record(8000, 0.1, &mut Random::new(seed)), 0.01);
        match fault {
            1 => c.iter_mut().for_each(|c| *c = (*c).min(1425)),
            2 => { let held = c[2000]; c[2000..2250].fill(held) }
            _ => {}
        }
        let trace = |scale: f64, offset: f64| capture(Trace::from_counts(c.clone(), scale, offset, RATE_HZ, Coupling::Dc, Role::SpeedSensor).unwrap());
        let plain = assess(&trace(0.01, 0.0), None);
        let other = assess(&trace(0.01 * gain, offset), None);
        prop_assert_eq!(verdicts(&plain), verdicts(&other));
        let (a, b) = (&plain.traces[0].1, &other.traces[0].1);
        prop_assert_eq!((a.clipped_fraction, a.dropout_count, a.longest_repeat), (b.clipped_fraction, b.dropout_count, b.longest_repeat));
        // The same capture as values: the step is found from their spacing.
        let values: Vec<f64> = c.iter().map(|&c| f64::from(c) * 0.01 * gain + offset).collect();
        let as_values = assess(&capture(Trace::from_f64(values, RATE_HZ, Coupling::Dc, Role::SpeedSensor).unwrap()), None);
        prop_assert_eq!(verdicts(&plain), verdicts(&as_values));
        let step = as_values.traces[0].1.step.unwrap();
        // Spacing of rounded values: good to the rounding of the values over the step.
        prop_assert!((step - 0.01 * gain.abs()).abs() <= 1e-9 * (1.0 + 1500.0 * gain.abs() * 0.01 + offset.abs()), "{step}");
    }
}
