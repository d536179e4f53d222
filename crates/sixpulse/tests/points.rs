//! Points of a circuit in closed form: an alternator's ripple current through a cable into a battery, voltages by Ohm's
//! law at each order. The impedances that made the record must come out of it.
#![allow(clippy::unwrap_used, reason = "a helper of tests may fail the test by panicking")]

mod common;

use common::Random;
use rustfft::num_complex::Complex64;
use sixpulse::compare::impedance::ClampDirection;
use sixpulse::compare::points::{AttenuationBasis, PointsCode};
use sixpulse::compare::{Points, PointsOptions, compare_points};
use sixpulse::{Capture, Coupling, Role, Trace};
use std::f64::consts::TAU;

const RATE_HZ: f64 = 100_000.0;
const ELECTRICAL_HZ: f64 = 210.0;
const SAMPLES: usize = 40_000;
/// Peak amplitudes of the current's orders 1 to 6 with an open diode, amperes.
const CURRENT_A: [f64; 6] = [9.0, 4.0, 2.5, 1.2, 0.8, 1.5];
const BATTERY: Element = Element { ohm: 9e-3, henry: 0.2e-6, farad: None };
const CABLE: Element = Element { ohm: 6e-3, henry: 1.4e-6, farad: None };
/// Probe noise of 0.3 mV, clamp noise of 20 mA, r.m.s.
const NOISE: [f64; 2] = [0.3e-3, 20e-3];

/// A resistance, an inductance and a capacitance in series.
#[derive(Clone, Copy)]
struct Element {
    ohm: f64,
    henry: f64,
    farad: Option<f64>,
}

impl Element {
    fn at(self, hz: f64) -> Complex64 {
        let w = TAU * hz;
        Complex64::new(self.ohm, w * self.henry - self.farad.map_or(0.0, |c| 1.0 / (w * c)))
    }
}

/// Sum of the current's orders, each through `response`, `delay_s` late, with noise about a level.
fn wave(response: impl Fn(f64) -> Complex64, delay_s: f64, level: f64, noise: f64, seed: u64) -> Vec<f64> {
    let mut random = Random::new(seed);
    let lines: Vec<(f64, Complex64)> = (1..)
        .zip(CURRENT_A)
        .map(|(n, a)| {
            let hz = f64::from(n) * ELECTRICAL_HZ;
            (hz, a * response(hz) * Complex64::cis(f64::from(n * n)))
        })
        .collect();
    (0..SAMPLES)
        .map(|i| {
            let t = i as f64 / RATE_HZ - delay_s;
            let ripple: f64 = lines.iter().map(|(hz, a)| (a * Complex64::cis(TAU * hz * t)).re).sum();
            level + ripple + noise * random.normal()
        })
        .collect()
}

fn volts(role: Role, level: f64, response: impl Fn(f64) -> Complex64) -> (String, Trace) {
    let samples = wave(response, 0.0, level, NOISE[0], role as u64 + 1);
    (role.as_str().into(), Trace::from_f64(samples, RATE_HZ, Coupling::Dc, role).unwrap())
}

fn amperes(role: Role, factor: f64, delay_s: f64) -> (String, Trace) {
    let samples = wave(|_| factor.into(), delay_s, 40.0, NOISE[1], role as u64 + 11);
    (role.as_str().into(), Trace::from_f64(samples, RATE_HZ, Coupling::Dc, role).unwrap())
}

fn post() -> (String, Trace) {
    volts(Role::ChargingPost, 14.3, |hz| BATTERY.at(hz) + CABLE.at(hz))
}

fn battery(element: Element) -> (String, Trace) {
    volts(Role::BatteryPost, 14.1, move |hz| element.at(hz))
}

fn compared(traces: Vec<(String, Trace)>, current_delay_s: f64) -> Points {
    let options = PointsOptions { electrical_hz: Some(ELECTRICAL_HZ), current_delay_s, ..PointsOptions::default() };
    compare_points(&Capture::new(traces).unwrap(), &options).unwrap()
}

fn has(points: &Points, code: PointsCode) -> bool {
    points.notes.iter().any(|n| n.code == code && n.statement.ends_with('.'))
}

#[test]
fn impedances_come_out_as_they_were_put_in() {
    let points = compared(vec![post(), battery(BATTERY), amperes(Role::ChargingCurrent, 1.0, 0.0)], 0.0);
    for (found, truth) in [(points.battery_impedance.as_ref(), BATTERY), (points.cable_impedance.as_ref(), CABLE)] {
        let z = found.unwrap();
        assert_eq!((z.clamp, z.current.as_str()), (ClampDirection::Forward, "charging_current"));
        // Noise of 0.3 mV on 20 to 80 mV a line, averaged over 84 cycles of 476 samples: 0.1 % of the strongest orders; the
        // inductance rests on the weak higher ones, and the drop is the difference of two voltages.
        assert!((z.resistance_ohm / truth.ohm - 1.0).abs() < 5e-3, "{z:?}");
        assert!((z.inductance_h - truth.henry).abs() < 30e-9, "{z:?}");
        assert!(z.resistance_ohm_low < truth.ohm && truth.ohm < z.resistance_ohm_high, "{z:?}");
        assert!(z.inductance_h_low < truth.henry && truth.henry < z.inductance_h_high, "{z:?}");
        assert!(z.resistance_ohm_low < z.resistance_ohm && z.resistance_ohm_std > 0.0 && z.inductance_h_std > 0.0);
        for order in &z.orders {
            let expected = truth.at(order.frequency_hz);
            let miss = (Complex64::from_polar(order.magnitude_ohm, order.phase_rad) - expected).norm();
            assert!(miss < 5.0 * order.magnitude_ohm_std + 0.01 * expected.norm(), "{order:?} {expected}");
            assert!((order.frequency_hz / (f64::from(order.order) * ELECTRICAL_HZ) - 1.0).abs() < 1e-3);
            assert!((order.current_a / CURRENT_A[order.order as usize - 1] - 1.0).abs() < 0.02, "{order:?}");
        }
        assert_eq!(z.orders.len(), 6);
    }
    assert!(has(&points, PointsCode::LoadsInParallel) && has(&points, PointsCode::ClampDelay));
    assert!(!has(&points, PointsCode::ClampReversed) && !has(&points, PointsCode::MeasuredAtBattery));
}

#[test]
fn attenuation_is_the_impedances_ratio() {
    let points = compared(vec![post(), battery(BATTERY)], 0.0);
    let mean_square = |z: &dyn Fn(f64) -> Complex64| -> f64 {
        (1..).zip(CURRENT_A).map(|(n, a)| (a * z(f64::from(n) * ELECTRICAL_HZ)).norm_sqr()).sum()
    };
    let (at_battery, along) = (mean_square(&|hz| BATTERY.at(hz)), mean_square(&|hz| CABLE.at(hz)));
    let at_post = mean_square(&|hz| BATTERY.at(hz) + CABLE.at(hz));
    let expected = (at_battery / at_post).sqrt();
    assert_eq!(points.attenuation_basis, Some(AttenuationBasis::Orders));
    // Noise as above, on sums of six orders.
    assert!((points.attenuation.unwrap() / expected - 1.0).abs() < 3e-3, "{points:?}");
    assert!((points.impedance_ratio.unwrap() / (along / at_battery).sqrt() - 1.0).abs() < 1e-2, "{points:?}");
    assert!(points.attenuation_low.unwrap() <= expected && expected <= points.attenuation_high.unwrap());
    for order in &points.orders {
        let ratio = CABLE.at(order.frequency_hz) / BATTERY.at(order.frequency_hz);
        let gain = (ratio + 1.0).inv();
        assert!((order.gain - gain.norm()).abs() < 5.0 * order.gain_std + 2e-3, "{order:?} {gain}");
        assert!((order.phase_rad - gain.arg()).abs() < 5.0 * order.phase_rad_std + 4e-3, "{order:?} {gain}");
        assert!(
            (order.impedance_ratio.unwrap() - ratio.norm()).abs() < 5.0 * order.impedance_ratio_std.unwrap() + 1e-2
        );
        assert!((order.impedance_ratio_phase_rad.unwrap() - ratio.arg()).abs() < 0.05, "{order:?} {ratio}");
    }
    assert!(points.battery_impedance.is_none() && points.notes.is_empty(), "{:?}", points.notes);
}

#[test]
fn a_clamp_the_other_way_round_is_turned_and_said() {
    let points = compared(vec![post(), battery(BATTERY), amperes(Role::BatteryCurrent, -1.0, 0.0)], 0.0);
    let z = points.battery_impedance.as_ref().unwrap();
    assert_eq!(z.clamp, ClampDirection::Reversed);
    assert!((z.resistance_ohm / BATTERY.ohm - 1.0).abs() < 5e-3 && z.inductance_h > 0.0, "{z:?}");
    assert!(has(&points, PointsCode::ClampReversed) && has(&points, PointsCode::LoadsLeftOut));
    assert!(!has(&points, PointsCode::LoadsInParallel));
}

#[test]
fn a_stated_delay_of_the_clamp_is_taken_off() {
    let late = 8e-6;
    let traces = || vec![post(), battery(BATTERY), amperes(Role::ChargingCurrent, 1.0, late)];
    let stated = compared(traces(), late).cable_impedance.unwrap();
    let unstated = compared(traces(), 0.0).cable_impedance.unwrap();
    assert!((stated.inductance_h - CABLE.henry).abs() < 30e-9, "{stated:?}");
    // Z exp(j w d) = (R + j w L)(1 + j w d): the delay adds R d, 48 nH here, as the note says.
    let added = unstated.inductance_h - stated.inductance_h;
    assert!((added - CABLE.ohm * late).abs() < 10e-9, "{added}");
}

#[test]
fn a_battery_with_charge_transfer_shows_its_capacitance() {
    // 0.5 F: 1.5 milliohm at order 1, a quarter of a milliohm at order 6 (round figures, no particular battery's).
    let element = Element { farad: Some(0.5), ..BATTERY };
    let at_post = volts(Role::ChargingPost, 14.3, move |hz| element.at(hz) + CABLE.at(hz));
    let points = compared(vec![at_post, battery(element), amperes(Role::BatteryCurrent, 1.0, 0.0)], 0.0);
    let z = points.battery_impedance.unwrap();
    assert!((z.capacitance_f.unwrap() / 0.5 - 1.0).abs() < 0.05, "{z:?}");
    assert!((z.resistance_ohm / BATTERY.ohm - 1.0).abs() < 1e-2, "{z:?}");
    // The cable has none, so none is found in it.
    assert_eq!(points.cable_impedance.unwrap().capacitance_f, None);
}

#[test]
fn at_the_battery_alone_the_post_is_estimated() {
    let truth_v = {
        let square = |n: i32, a: f64| {
            let hz = f64::from(n) * ELECTRICAL_HZ;
            0.5 * (a * (BATTERY.at(hz) + CABLE.at(hz)).norm()).powi(2)
        };
        (1..).zip(CURRENT_A).map(|(n, a)| square(n, a)).sum::<f64>().sqrt()
    };
    let alone = compared(vec![battery(BATTERY)], 0.0);
    let with_clamp = compared(vec![battery(BATTERY), amperes(Role::BatteryCurrent, 1.0, 0.0)], 0.0);
    for points in [&alone, &with_clamp] {
        assert!(has(points, PointsCode::MeasuredAtBattery) && points.attenuation.is_none() && points.reason.is_some());
        let post = points.post_estimate.as_ref().unwrap();
        // Both elements lie inside the usual ranges, so the range must hold the truth.
        assert!(post.rms_low_v < truth_v && truth_v < post.rms_high_v, "{post:?} {truth_v}");
        assert!(post.rms_low_v < post.rms_middle_v && post.rms_middle_v < post.rms_high_v, "{post:?}");
        assert!((post.attenuation_low * post.rms_high_v / points.battery_rms_v - 1.0).abs() < 0.01, "{post:?}");
    }
    let width = |p: &Points| p.post_estimate.as_ref().map(|e| e.rms_high_v / e.rms_low_v).unwrap();
    assert!(width(&with_clamp) < width(&alone), "a measured battery leaves less open");
    // Two batteries in series have twice the impedance: the same cable takes a smaller share.
    let of_24_v = compared(vec![volts(Role::BatteryPost, 28.2, |hz| BATTERY.at(hz))], 0.0);
    let [low, doubled] = [&alone, &of_24_v].map(|p| p.post_estimate.as_ref().unwrap().rms_high_v);
    assert!(doubled < low, "{doubled} {low}");
}

#[test]
fn what_cannot_be_told_is_said() {
    // A direct current: its orders hold noise alone.
    let quiet = (0..SAMPLES).scan(Random::new(5), |r, _| Some(40.0 + 0.02 * r.normal())).collect();
    let current = Trace::from_f64(quiet, RATE_HZ, Coupling::Dc, Role::ChargingCurrent).unwrap();
    let points = compared(vec![post(), battery(BATTERY), ("current".into(), current)], 0.0);
    assert!(points.battery_impedance.is_none() && points.cable_impedance.is_none());
    assert!(has(&points, PointsCode::CurrentUnclear));

    // Noise at both posts: no cycle, so the whole record is compared.
    let noise = |role: Role, rms: f64| {
        let v = (0..SAMPLES).scan(Random::new(role as u64), |r, _| Some(12.6 + rms * r.normal())).collect();
        (role.as_str().to_owned(), Trace::from_f64(v, RATE_HZ, Coupling::Dc, role).unwrap())
    };
    let capture = Capture::new(vec![noise(Role::ChargingPost, 0.02), noise(Role::BatteryPost, 0.01)]).unwrap();
    let points = compare_points(&capture, &PointsOptions::default()).unwrap();
    assert_eq!(points.attenuation_basis, Some(AttenuationBasis::Record));
    assert!((points.attenuation.unwrap() - 0.5).abs() < 0.02 && points.reason.is_some(), "{points:?}");

    // One post AC-coupled at a corner that nobody stated.
    let (name, trace) = battery(BATTERY);
    let coupled = Trace::from_f64(trace.to_f64(), RATE_HZ, Coupling::Ac, Role::BatteryPost).unwrap();
    let points = compared(vec![post(), (name, coupled)], 0.0);
    assert!(has(&points, PointsCode::CouplingDiffers));
}

#[test]
fn a_capture_that_has_no_second_point_is_refused() {
    let capture = Capture::new(vec![post()]).unwrap();
    let refused = compare_points(&capture, &PointsOptions::default()).unwrap_err();
    assert_eq!((refused.code(), refused.parameter()), ("invalid_combination", "capture"));
    for delay in [-1e-9, 1.1e-3, f64::NAN] {
        let options = PointsOptions { current_delay_s: delay, ..PointsOptions::default() };
        let refused = compare_points(&capture, &options).unwrap_err();
        assert_eq!((refused.code(), refused.parameter()), ("out_of_range", "current_delay_s"));
    }
}
