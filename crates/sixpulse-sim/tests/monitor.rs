//! The core's monitor on simulated machines: its figures against `examine`, and a diode that opens while it watches.
#![allow(clippy::unwrap_used, clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "tests")]

use sixpulse::Capture;
use sixpulse::contamination::ContaminationVerdict;
use sixpulse::monitor::{Channel, Chunk, EventKind, Monitor, MonitorSettings};
use sixpulse::rectifier::Pattern;
use sixpulse_sim::bridge::DiodeCondition;
use sixpulse_sim::draw::{SensorMode, draw};
use sixpulse_sim::kind::{Condition, Fault};
use sixpulse_sim::{Draw, Scenario, simulate};

const WINDOW_S: f64 = 0.2;

fn scenario(member: u64) -> Scenario {
    let wanted = Draw {
        pattern: Some("healthy".into()),
        electrical_hz: Some(210.0),
        pulse_number: Some(6),
        sensor_mode: Some(SensorMode::ContaminatedStill),
        sample_rate_hz: Some(50_000.0),
        cycles: Some(100.0),
        bits: Some(12),
        coupling: Some(sixpulse::Coupling::Dc),
        ..Draw::default()
    };
    let drawn = draw(41, member, &wanted).unwrap();
    assert_eq!(drawn.fault, Fault::Healthy);
    drawn
}

/// The same machine with one diode open.
fn with_open_diode(sound: &Scenario) -> Scenario {
    let mut scenario = Scenario { fault: Fault::OpenDiode, ..sound.clone() };
    scenario.circuit.bridge.legs[1].positive = DiodeCondition::Open;
    scenario
}

fn channels(capture: &Capture) -> Vec<Channel> {
    capture.traces().iter().map(|(name, t)| Channel::new(name, t.role(), t.coupling())).collect()
}

fn push(monitor: &mut Monitor, capture: &Capture, chunk: usize, mut after: impl FnMut(&mut Monitor)) {
    let values: Vec<Vec<f64>> = capture.traces().iter().map(|(_, t)| t.to_f64()).collect();
    for from in (0..values[0].len()).step_by(chunk) {
        let to = (from + chunk).min(values[0].len());
        let chunks: Vec<Chunk<'_>> = values.iter().map(|v| Chunk::F64(&v[from..to])).collect();
        if monitor.push(&chunks).unwrap().updates > 0 {
            after(monitor);
        }
    }
}

/// Tolerances: docs/monitor.md.
#[test]
fn figures_agree_with_an_examination_of_the_same_samples() {
    for (member, open) in [(0, false), (1, true), (2, false), (3, true)] {
        let sound = scenario(member);
        let (capture, _) = simulate(&if open { with_open_diode(&sound) } else { sound }).unwrap();
        let settings = MonitorSettings::new(capture.sample_rate_hz(), WINDOW_S);
        let mut monitor = Monitor::new(channels(&capture), settings).unwrap();
        push(&mut monitor, &capture, 100, |m| {
            if m.judgement_due().is_some() {
                m.judge().unwrap();
            }
        });
        let found = monitor.judge().unwrap();
        let reading = monitor.reading();
        let close = |what: &str, a: f64, b: f64, tolerance: f64| {
            assert!((a - b).abs() <= tolerance, "{member} {what}: {a} against {b}");
        };
        let (ours, theirs) = (reading.ripple.unwrap(), found.ripple.unwrap());
        let level = found.level.mean_v.unwrap();
        close("level", reading.level.mean_v.unwrap(), level, 1e-9 * level);
        close("rms", ours.rms_v, theirs.rms_v, 0.005 * theirs.rms_v);
        close("peak to peak", ours.peak_to_peak_v, theirs.peak_to_peak_v, 0.02 * theirs.peak_to_peak_v);
        let hz = found.cycle.electrical_hz.unwrap();
        close("frequency", reading.cycle.electrical_hz.unwrap(), hz, 1e-3 * hz);
        let strongest = found.cycle.order_amplitudes_v.iter().copied().fold(0.0, f64::max);
        for (i, c) in found.cycle.order_amplitudes_v.iter().enumerate().take(12) {
            close(&format!("order {}", i + 1), reading.cycle.order_amplitudes_v[i], *c, 0.02 * strongest);
        }
        assert_eq!(found.rectifier.pattern, if open { Pattern::OpenDiode } else { Pattern::Healthy });
        let (name, circuit) = &reading.contamination[0];
        let (_, carried) = found.contamination.iter().find(|(n, _)| n == name).unwrap();
        assert_eq!((circuit.verdict, circuit.gain_v_per_v), (carried.verdict, carried.gain_v_per_v));
    }
}

#[test]
fn a_diode_that_opens_is_reported_within_the_stated_time() {
    let sound = (0..).map(scenario).find(|s| s.condition == Condition::Plain).unwrap();
    let (before, _) = simulate(&sound).unwrap();
    let (after, _) = simulate(&with_open_diode(&sound)).unwrap();
    let settings = MonitorSettings::new(before.sample_rate_hz(), WINDOW_S).with_judge_every_s(WINDOW_S / 4.0);
    let mut monitor = Monitor::new(channels(&before), settings).unwrap();
    let mut verdicts = Vec::new();
    let mut judge_when_due = |m: &mut Monitor| {
        if m.judgement_due().is_some() {
            let found = m.judge().unwrap();
            verdicts.push((m.reading().position, found.rectifier.pattern));
        }
    };
    push(&mut monitor, &before, 64, &mut judge_when_due);
    let change = monitor.reading().position;
    push(&mut monitor, &after, 64, &mut judge_when_due);
    // Stated: one window, one hop, and one interval between judgements; and the chunk that was on its way.
    let interval_s = WINDOW_S / 4.0;
    let latency_s = WINDOW_S + monitor.reading().update_interval_s + interval_s;
    let latest = change + (latency_s * settings.sample_rate_hz()) as u64 + 64;
    assert!(verdicts.iter().filter(|v| v.0 <= change).all(|v| v.1 == Pattern::Healthy), "{verdicts:?}");
    let late: Vec<_> = verdicts.iter().filter(|v| v.0 >= latest).collect();
    assert!(!late.is_empty() && late.iter().all(|v| v.1 == Pattern::OpenDiode), "{change}: {verdicts:?}");
    let first = verdicts.iter().find(|v| v.1 == Pattern::OpenDiode).unwrap();
    assert!(first.0 <= latest, "{change}: {verdicts:?}");
    let reading = monitor.reading();
    assert_eq!(reading.rectifier.pattern, Pattern::OpenDiode);
    assert_eq!(reading.contamination[0].1.verdict, ContaminationVerdict::Contaminated);
    let changed = |e: &&sixpulse::monitor::MonitorEvent| {
        e.kind == EventKind::PatternChanged && e.pattern == Some(Pattern::OpenDiode)
    };
    assert!(monitor.events().filter(changed).count() >= 1);
    // The orders that tell a diode have grown without waiting for a judgement.
    let c = &reading.cycle.order_amplitudes_v;
    assert!(c[0].hypot(c[1]).hypot(c[2]) > 3.0 * c[5], "{c:?}");
}

/// Whatever a draw holds (here a ramp, uneven engines, switched loads, poor batteries, 8 bits): tolerances of
/// docs/monitor.md for a family.
#[test]
fn the_cycle_is_followed_through_what_a_vehicle_does() {
    let mut errors = Vec::new();
    for member in 0..9 {
        let wanted = Draw { cycles: Some(100.0), ..Draw::default() };
        let (scenario, capture, truth) = sixpulse_sim::simulate_member(77, member, &wanted).unwrap();
        let window_s = (scenario.duration_s() / 2.5).max(0.1);
        let settings = MonitorSettings::new(capture.sample_rate_hz(), window_s).with_judge_every_s(window_s);
        let mut monitor = Monitor::new(channels(&capture), settings).unwrap();
        push(&mut monitor, &capture, 100, |m| {
            if m.judgement_due().is_some() {
                m.judge().unwrap();
            }
        });
        let found = monitor.judge().unwrap();
        let reading = monitor.reading();
        let (ours, theirs) = (reading.ripple.unwrap(), found.ripple.unwrap());
        assert!((ours.rms_v / theirs.rms_v - 1.0).abs() < 0.005, "{}: {} {}", truth.sub_kind, ours.rms_v, theirs.rms_v);
        let hz = reading.cycle.electrical_hz.unwrap() / found.cycle.electrical_hz.unwrap();
        assert!((hz - 1.0).abs() < 0.01, "{member} {}: {hz}", truth.sub_kind);
        let orders = &found.cycle.order_amplitudes_v;
        let strongest = orders.iter().copied().fold(0.0, f64::max);
        let off = orders.iter().zip(&reading.cycle.order_amplitudes_v).take(12).map(|(a, b)| (a - b).abs());
        errors.push(off.fold(0.0, f64::max) / strongest);
    }
    errors.sort_by(f64::total_cmp);
    assert!(errors[errors.len() / 2] < 0.02 && errors[errors.len() - 1] < 0.15, "{errors:?}");
}
