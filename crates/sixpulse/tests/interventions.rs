//! Interventions in closed form: a circuit that carries a stated share of a stated ripple, capture by capture.
#![allow(clippy::unwrap_used, reason = "a helper of tests may fail the test by panicking")]

mod common;

use common::{Random, bridge};
use sixpulse::compare::intervention::{InterventionNoteCode, cautions};
use sixpulse::compare::{
    InterventionCode as Code, InterventionOptions, InterventionVerdict as Verdict, Interventions, compare_interventions,
};
use sixpulse::{Capture, Coupling, Role, Trace};
use std::f64::consts::TAU;

const RATE_HZ: f64 = 50_000.0;
const HZ: f64 = 200.0;
const NOISE_V: f64 = 2e-3;
/// R.m.s. of `bridge(.., true)` about its mean, in phase peaks: worked out here, so that amounts read as volts r.m.s.
const POINTS: usize = 3600;

/// What one capture holds.
#[derive(Clone, Copy)]
struct Stage {
    /// Ripple at the supply, volts r.m.s.
    ripple_v: f64,
    /// Share of it that the circuit carries.
    gain: f64,
    /// The circuit's own tone: volts r.m.s., hertz.
    own: (f64, f64),
    engine_rpm: Option<f64>,
    supply: Role,
    seed: u64,
}

const AS_FOUND: Stage = Stage {
    ripple_v: 0.2,
    gain: 0.25,
    own: (0.0, 137.0),
    engine_rpm: Some(1500.0),
    supply: Role::ChargingPost,
    seed: 1,
};
const RESTORED: Stage = Stage { seed: 3, ..AS_FOUND };

fn unplugged() -> Stage {
    Stage { ripple_v: 0.0, seed: 2, ..AS_FOUND }
}

fn capture(stage: &Stage) -> Capture {
    let at = |i: usize| bridge(TAU * i as f64 / POINTS as f64, true);
    let mean = (0..POINTS).map(at).sum::<f64>() / POINTS as f64;
    let rms = ((0..POINTS).map(|i| (at(i) - mean).powi(2)).sum::<f64>() / POINTS as f64).sqrt();
    let mut random = Random::new(stage.seed);
    let mut trace = |level: f64, ripple_v: f64, own: (f64, f64), role| {
        let value = |i: usize| {
            let t = i as f64 / RATE_HZ;
            let ripple = ripple_v / rms * (bridge(TAU * HZ * t + 0.4, true) - mean);
            level + ripple + own.0 * 2f64.sqrt() * (TAU * own.1 * t).sin()
        };
        let samples = (0..30_000).map(|i| value(i) + NOISE_V * random.normal()).collect();
        Trace::from_f64(samples, RATE_HZ, Coupling::Dc, role).unwrap()
    };
    let supply = trace(14.0, stage.ripple_v, (0.0, 1.0), stage.supply);
    let sensor = trace(0.1, stage.gain * stage.ripple_v, stage.own, Role::SpeedSensor);
    let capture = Capture::new(vec![("supply".into(), supply), ("sensor".into(), sensor)]).unwrap();
    stage.engine_rpm.map_or(capture.clone(), |rpm| capture.with_engine_rpm(rpm).unwrap())
}

fn compared(before: &Stage, during: &[Stage], after: Option<&Stage>) -> Interventions {
    let during: Vec<Capture> = during.iter().map(capture).collect();
    let options = InterventionOptions { electrical_hz: Some(HZ), ..InterventionOptions::default() };
    let after = after.map(capture);
    compare_interventions(&capture(before), &during, after.as_ref(), &options).unwrap()
}

fn noted(found: &Interventions, code: InterventionNoteCode) -> bool {
    found.notes.iter().any(|n| n.code == code && n.statement.ends_with('.'))
}

#[test]
fn a_disturbance_that_goes_and_comes_with_the_ripple_is_caused_by_it() {
    let found = compared(&AS_FOUND, &[unplugged()], Some(&RESTORED));
    assert_eq!((found.verdict, found.code), (Verdict::CausedByChargingRipple, Code::FollowsAndReturns), "{found:?}");
    assert_eq!((found.circuit.as_str(), found.step, found.supply_role), ("sensor", 1, Role::ChargingPost));
    let [before, during, after] = &found.stages[..] else { panic!("{:?}", found.stages) };
    for stage in [before, after] {
        // 2 mV of noise, averaged over 120 cycles of 250 samples, is far below 1 % of 0.2 V.
        assert!((stage.ripple_rms_v / 0.2 - 1.0).abs() < 0.01, "{stage:?}");
        assert!(stage.ripple_rms_v_low <= stage.ripple_rms_v && stage.ripple_rms_v <= stage.ripple_rms_v_high);
        assert!((stage.electrical_hz.unwrap() - HZ).abs() < 0.2);
    }
    // Noise may account for all of what is left.
    assert!(during.ripple_rms_v_low == 0.0 && during.electrical_hz.is_none(), "{during:?}");
    let circuit = &found.circuits[0].1;
    assert!((circuit.stages[0].at_ripple_rms_v / 0.05 - 1.0).abs() < 0.02, "{:?}", circuit.stages[0]);
    assert!(circuit.effect.as_ref().unwrap().ratio_high < 0.1);
    let back = circuit.effect_of_return.as_ref().unwrap();
    assert!(back.ratio_low < 1.02 && back.ratio_high > 0.98, "{back:?}");
    assert!(found.notes.is_empty(), "{:?}", found.notes);
    assert_eq!(found.cautions, cautions());
}

#[test]
fn without_a_return_the_verdict_says_what_is_left_open() {
    let found = compared(&AS_FOUND, &[unplugged()], None);
    assert_eq!(found.code, Code::FollowsRipple);
    assert!(noted(&found, InterventionNoteCode::NoReturnCapture));
    let half = compared(&AS_FOUND, &[unplugged()], Some(&Stage { ripple_v: 0.05, ..RESTORED }));
    assert_eq!(half.code, Code::FollowsRipple, "{half:?}");
    assert!(noted(&half, InterventionNoteCode::RippleNotRestored));
}

#[test]
fn each_way_of_not_being_caused_has_its_code() {
    let still = Stage { gain: 0.0, ..AS_FOUND };
    let other = (0.05, 137.0);
    for (what, before, during, after, code) in [
        // The circuit's tone is another source's; it has no share of the ripple.
        ("stays", Stage { own: other, ..still }, Stage { own: other, ..unplugged() }, None, Code::CircuitStays),
        ("no ripple", Stage { ripple_v: 0.0, ..AS_FOUND }, unplugged(), None, Code::NoRippleBefore),
        ("engine stood", AS_FOUND, Stage { engine_rpm: Some(0.0), ..unplugged() }, None, Code::EngineStopped),
        ("no action", AS_FOUND, Stage { seed: 2, ..AS_FOUND }, None, Code::RippleUnchanged),
        ("nothing there", still, unplugged(), None, Code::CircuitBelowNoise),
        ("the wheel", AS_FOUND, Stage { own: (0.2, 137.0), ..unplugged() }, None, Code::SensorTurned),
        // The ripple falls to a quarter, the circuit to six tenths of it.
        ("less", AS_FOUND, Stage { ripple_v: 0.05, gain: 0.6, seed: 2, ..AS_FOUND }, None, Code::ChangesLess),
        ("more", AS_FOUND, Stage { ripple_v: 0.1, gain: 0.05, seed: 2, ..AS_FOUND }, None, Code::ChangesMore),
        ("one way", AS_FOUND, unplugged(), Some(Stage { gain: 0.0, ..RESTORED }), Code::DidNotReturn),
    ] {
        let found = compared(&before, &[during], after.as_ref());
        assert_eq!(found.code, code, "{what}: {found:?}");
        assert_eq!(found.verdict, code.verdict(), "{what}");
        let circuit = &found.circuits[0].1;
        assert_eq!(circuit.next_test, code.next_test(), "{what}");
        assert!(!circuit.reason.is_empty() && circuit.verdict != Verdict::CausedByChargingRipple, "{what}");
    }
}

#[test]
fn over_several_steps_the_circuit_is_a_line_over_the_ripple() {
    let steps: Vec<Stage> =
        [0.15, 0.1, 0.05].into_iter().zip(2..).map(|(v, seed)| Stage { ripple_v: v, seed, ..AS_FOUND }).collect();
    let found = compared(&AS_FOUND, &steps, Some(&Stage { seed: 9, ..AS_FOUND }));
    assert_eq!((found.code, found.step), (Code::FollowsAndReturns, 3), "{found:?}");
    let dose = found.circuits[0].1.dose_response.as_ref().unwrap();
    assert_eq!(dose.stages, 5);
    // 2 mV of noise averaged over 120 cycles: well below 1 % of the slope.
    assert!((dose.slope_v_per_v / 0.25 - 1.0).abs() < 0.01 && dose.through_origin, "{dose:?}");
    assert!(dose.slope_v_per_v_low < 0.25 && 0.25 < dose.slope_v_per_v_high, "{dose:?}");

    // A second source at the ripple's own frequency, in step with it: the line has an intercept. Its shape is the bridge's,
    // as a share that does not shrink with the ripple.
    let share = |v: f64| 0.25 * (0.16 + 0.2 * v) / v;
    let with_rest: Vec<Stage> = steps.iter().map(|s| Stage { gain: share(s.ripple_v), ..*s }).collect();
    let found = compared(&Stage { gain: share(0.2), ..AS_FOUND }, &with_rest, None);
    let dose = found.circuits[0].1.dose_response.as_ref().unwrap();
    assert!((dose.intercept_v / 0.04 - 1.0).abs() < 0.05 && !dose.through_origin, "{dose:?}");
    assert_ne!(found.verdict, Verdict::CausedByChargingRipple, "{found:?}");
}

#[test]
fn notes_say_what_to_bear_in_mind() {
    let at_battery = |s: Stage| Stage { supply: Role::BatteryPost, ..s };
    let found = compared(&at_battery(AS_FOUND), &[at_battery(unplugged())], Some(&at_battery(RESTORED)));
    assert!(noted(&found, InterventionNoteCode::MeasuredAtBattery) && found.supply_role == Role::BatteryPost);
    let unstated = |s: Stage| Stage { engine_rpm: None, ..s };
    let found = compared(&unstated(AS_FOUND), &[unstated(unplugged())], None);
    assert!(noted(&found, InterventionNoteCode::EngineSpeedUnknown), "{:?}", found.notes);
    let faster = Stage { engine_rpm: Some(1900.0), ..unplugged() };
    let found = compared(&AS_FOUND, &[faster], None);
    assert!(noted(&found, InterventionNoteCode::EngineSpeedChanged), "{:?}", found.notes);
    let own = |s: Stage| Stage { own: (0.3, 137.0), ..s };
    let found = compared(&own(AS_FOUND), &[own(unplugged())], Some(&own(RESTORED)));
    assert_eq!(found.verdict, Verdict::CausedByChargingRipple, "{found:?}");
    assert!(noted(&found, InterventionNoteCode::OwnSignalStays), "{:?}", found.notes);
}

#[test]
fn speeds_beyond_comparison_are_refused_equal_ones_never() {
    let at = |rpm| capture(&Stage { engine_rpm: Some(rpm), ..AS_FOUND });
    let options = InterventionOptions { electrical_hz: Some(HZ), ..InterventionOptions::default() };
    for rpm in [1e308, 1e-308] {
        let found = compare_interventions(&at(rpm), &[at(rpm)], None, &options).unwrap();
        assert!(!noted(&found, InterventionNoteCode::EngineSpeedChanged), "{:?}", found.notes);
    }
    for (from, to) in [(1e-3, 1e308), (1e308, 1e-3)] {
        let refused = compare_interventions(&at(from), &[at(to)], None, &options).unwrap_err();
        assert_eq!((refused.code(), refused.parameter()), ("out_of_range", "engine_rpm"));
    }
}

#[test]
fn what_does_not_belong_together_is_refused() {
    let before = capture(&AS_FOUND);
    let options = InterventionOptions::default();
    let refused = |during: &[Capture], before: &Capture| {
        let error = compare_interventions(before, during, None, &options).unwrap_err();
        (error.code(), error.parameter().to_owned())
    };
    assert_eq!(refused(&[], &before), ("empty_input", "during".into()));
    let elsewhere = capture(&Stage { supply: Role::BatteryPost, ..unplugged() });
    assert_eq!(refused(&[elsewhere], &before), ("invalid_combination", "captures".into()));
    let only = |capture: &Capture, name: &str, new: &str| {
        let trace = capture.trace(name).unwrap().clone();
        Capture::new(vec![(new.into(), trace)]).unwrap()
    };
    let supply_alone = only(&before, "supply", "supply");
    assert_eq!(refused(&[capture(&unplugged())], &supply_alone), ("invalid_combination", "before".into()));
    assert_eq!(refused(&[supply_alone], &before), ("invalid_combination", "during".into()));
}
