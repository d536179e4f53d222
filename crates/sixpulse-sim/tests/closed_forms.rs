//! The solver against closed forms and published numbers (REFERENCE-VALUES A1, A2, A4, D1).
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of tests may fail the test by panicking")]
#[path = "common/mod.rs"]
mod common;

use common::measure::{mean, order_amplitude, ripple_rms};
use sixpulse_sim::machine::{
    EmfHarmonic, EmfShape, Inductance, OPEN_CIRCUIT_2000_RPM, Regulator, StatorLayout, Winding,
};
use sixpulse_sim::network::SuppressionCapacitor;
use sixpulse_sim::*;

/// Bridge into 10 ohm with next to no source impedance and no diode drop; phase peak 1 kV, 100 Hz.
fn resistive(layout: StatorLayout) -> Circuit {
    let mut c = common::circuit(100.0, 1000.0, 10.0);
    let phases = layout.phases();
    c.alternator.layout = layout;
    c.alternator.emf = EmfShape::sine(layout);
    c.alternator.resistance_ohm = 0.0;
    c.alternator.inductance = Inductance::Constant { henry: 1e-7 };
    let diode =
        DiodeModel::PiecewiseLinear { forward_v: 0.0, slope_ohm: 1e-3, breakdown_v: None, breakdown_slope_ohm: 1.0 };
    c.bridge = Bridge::sound(diode, phases);
    c.network.battery = None;
    // A small damped capacitor keeps the post a node of its own; its 1 us is nothing at 100 Hz.
    c.network.capacitor = Some(SuppressionCapacitor { farad: 1e-7, series_ohm: 10.0 });
    c.network.cable = Cable { resistance_ohm: 0.0, inductance_h: 1e-7, joint_ohm: 0.0 };
    c.network.ground_ohm = 0.0;
    c
}

/// Two cycles at 7200 points each, in units of the phase peak.
fn post(c: &Circuit) -> Vec<f64> {
    let r = SolveRequest {
        settle_s: 2e-3,
        start: Start::AtRest,
        ..SolveRequest::new(0.02, 720_000.0, &[Probe::ChargingPost])
    };
    solve(c, &r).unwrap().samples[0].iter().map(|v| v / 1000.0).collect()
}

/// Mean and orders 1..6, 8, 9, 10, 12 of A2 in units of the phase peak.
fn assert_orders(x: &[f64], expected_mean: f64, orders: &[(usize, f64)]) {
    // 1e-3 of the mean: the residual source inductance and diode slope leave 2e-4.
    assert!((mean(x) - expected_mean).abs() < 1e-3 * expected_mean, "mean {} {expected_mean}", mean(x));
    for &(n, c) in orders {
        let got = order_amplitude(x, 2, n);
        assert!((got - c).abs() < 1e-3 * expected_mean, "order {n}: {got}, closed form {c}");
    }
}

#[test]
fn healthy_six_pulse_in_the_resistive_limit() {
    let x = post(&resistive(StatorLayout::Single));
    assert_orders(&x, 1.65399, &[(1, 0.0), (2, 0.0), (3, 0.0), (4, 0.0), (5, 0.0), (6, 0.0945), (12, 0.0231)]);
    assert!((ripple_rms(&x) / mean(&x) - 0.04197).abs() < 1e-3 * 0.04197 + 1e-5);
}

#[test]
fn missing_diodes_in_the_resistive_limit() {
    let open = DiodeCondition::Open;
    let mut one = resistive(StatorLayout::Single);
    one.bridge.legs[0].positive = open;
    let odd = [(1, 0.5), (2, 0.3676), (3, 0.2067), (4, 0.0735), (5, 0.0), (6, 0.0788), (8, 0.0175), (9, 0.0207)];
    assert_orders(&post(&one), 1.37832, &odd);
    let mut phase = resistive(StatorLayout::Single);
    phase.bridge.legs[1].lead = LeadCondition::Broken;
    assert_orders(&post(&phase), 1.10266, &[(1, 0.0), (2, 0.7351), (3, 0.0), (4, 0.1470), (6, 0.0630), (8, 0.0350)]);
    let mut same = resistive(StatorLayout::Single);
    (same.bridge.legs[0].negative, same.bridge.legs[1].negative) = (open, open);
    assert_orders(&post(&same), 0.82699, &[(1, 1.0), (2, 0.0), (3, 0.2067), (4, 0.0), (6, 0.0473), (9, 0.0207)]);
    let mut opposite = resistive(StatorLayout::Single);
    (opposite.bridge.legs[0].positive, opposite.bridge.legs[1].negative) = (open, open);
    assert_orders(&post(&opposite), 1.10266, &[(1, 0.8660), (2, 0.3676), (3, 0.0), (4, 0.0735), (6, 0.0630)]);
}

#[test]
fn two_stators_give_twelve_pulses() {
    // Two bridges in parallel: the greater line voltage conducts, mean of 12 pulses p/pi sin(pi/p) sqrt3 Vm.
    let x = post(&resistive(StatorLayout::DualThirtyDegrees));
    let m = 12.0 / std::f64::consts::PI * (std::f64::consts::PI / 12.0).sin() * 3.0_f64.sqrt();
    let c12 = 2.0 / 143.0 * m;
    assert_orders(&x, m, &[(1, 0.0), (2, 0.0), (6, 0.0), (12, c12)]);
}

#[test]
fn constant_voltage_load_formula() {
    // Caliskan, Perreault, Jahns, Kassakian 2003: Idc = (3/pi) sqrt(Vs^2 - (2 Vo'/pi)^2) / (w Ls), resistance neglected.
    let mut c = common::circuit(600.0, 40.0, 1e6);
    c.alternator.emf = EmfShape::sine(StatorLayout::Single);
    c.alternator.resistance_ohm = 0.0;
    c.bridge.diode =
        DiodeModel::PiecewiseLinear { forward_v: 0.8, slope_ohm: 1e-4, breakdown_v: None, breakdown_slope_ohm: 1.0 };
    c.network.cable.resistance_ohm = 0.0;
    c.network.ground_ohm = 0.0;
    c.network.battery = Some(Battery { emf_v: 14.0, resistance_ohm: 1e-4, inductance_h: 1e-8, pairs: vec![] });
    let r = SolveRequest { settle_s: 0.1, ..SolveRequest::new(0.01, 100e3, &[Probe::CableCurrent]) };
    let got = mean(&solve(&c, &r).unwrap().samples[0]);
    let vo = 14.0 + 2.0 * 0.8;
    let omega = std::f64::consts::TAU * 600.0;
    let back = 2.0 * vo / std::f64::consts::PI;
    let formula = 3.0 / std::f64::consts::PI * (40.0_f64.powi(2) - back * back).sqrt() / (omega * 120e-6);
    // The formula keeps only the fundamental of the six-step voltage; the rest is worth up to 2 %.
    assert!((got / formula - 1.0).abs() < 0.02, "{got} A, formula {formula} A");
}

#[test]
fn open_circuit_voltage_of_the_published_delta_machine() {
    let mut alternator = Alternator::sarafianos_180_a(Regulator::pwm(13.5));
    let Excitation::Regulated { winding, .. } = alternator.excitation.clone() else { panic!() };
    for (field_a, line_v) in OPEN_CIRCUIT_2000_RPM {
        alternator.excitation = Excitation::FixedField { field_a, winding: winding.clone() };
        let mut c = common::circuit(1.0, 1.0, 1.0);
        c.alternator = alternator.clone();
        c.drive.engine = SpeedProfile::Steady { rpm: 2000.0 / c.drive.belt_ratio };
        for leg in &mut c.bridge.legs {
            (leg.positive, leg.negative) = (DiodeCondition::Open, DiodeCondition::Open);
        }
        let probes = [Probe::StatorTerminal(0), Probe::StatorTerminal(1)];
        // Three cycles of 266.67 Hz.
        let w = solve(&c, &SolveRequest::new(3.0 / (800.0 / 3.0), 80_000.0, &probes)).unwrap();
        let line: Vec<f64> = w.samples[0].iter().zip(&w.samples[1]).map(|(a, b)| b - a).collect();
        let rms = common::measure::rms(&line);
        assert!((rms / line_v - 1.0).abs() < 1e-3, "{field_a} A: {rms} V, published {line_v} V");
    }
}

#[test]
fn output_current_of_the_published_delta_machine() {
    // Sarafianos 2015: 120, 170, 180 A at 2000, 4000, 6000 1/min into 13.5 V with the greatest field current. The model
    // has no iron losses and no armature reaction beyond L; it comes within 4 %.
    let mut alternator = Alternator::sarafianos_180_a(Regulator::pwm(13.5));
    let Excitation::Regulated { winding, .. } = alternator.excitation.clone() else { panic!() };
    alternator.excitation = Excitation::FixedField { field_a: 4.75, winding };
    // Winding at working temperature, diode 0.8 V + 10 mohm as in the digitised source's repository.
    alternator.temperature_c = 100.0;
    for (rpm, published_a) in [(2000.0, 120.0), (4000.0, 170.0), (6000.0, 180.0)] {
        let mut c = common::circuit(1.0, 1.0, 1e6);
        c.alternator = alternator.clone();
        c.drive.engine = SpeedProfile::Steady { rpm: rpm / c.drive.belt_ratio };
        c.bridge.diode = DiodeModel::PiecewiseLinear {
            forward_v: 0.8,
            slope_ohm: 1e-2,
            breakdown_v: None,
            breakdown_slope_ohm: 1.0,
        };
        c.network.cable.resistance_ohm = 0.0;
        c.network.ground_ohm = 0.0;
        c.network.battery = Some(Battery { emf_v: 13.5, resistance_ohm: 1e-4, inductance_h: 1e-8, pairs: vec![] });
        let r = SolveRequest { settle_s: 0.05, ..SolveRequest::new(0.015, 100e3, &[Probe::CableCurrent]) };
        let got = mean(&solve(&c, &r).unwrap().samples[0]);
        println!("{rpm} 1/min: {got:.1} A, published {published_a} A");
        assert!((got / published_a - 1.0).abs() < 0.06, "{rpm} 1/min: {got} A, published {published_a} A");
    }
}

/// Rivas, Perreault, Keim 2004 (REFERENCE-VALUES D1): 10.716 V r.m.s. a phase at 1800 1/min and 3.6 A of field current;
/// a 130 A machine.
#[test]
fn voltage_and_current_of_the_published_star_machine() {
    let mut c = common::circuit(1.0, 1.0, 1e6);
    c.alternator = Alternator::rivas_130_a(Regulator::pwm(14.0));
    let Excitation::Regulated { winding, .. } = c.alternator.excitation.clone() else { panic!() };
    c.alternator.excitation = Excitation::FixedField { field_a: 3.6, winding };
    c.drive.engine = SpeedProfile::Steady { rpm: 1800.0 / c.drive.belt_ratio };
    let idle = solve(&c, &SolveRequest::new(1.0 / 60.0, 72_000.0, &[Probe::CoilEmf(0)])).unwrap();
    let emf_v = common::measure::rms(&idle.samples[0]);
    // Three cycles of 180 Hz: rounding alone.
    assert!((emf_v / 10.716 - 1.0).abs() < 1e-6, "{emf_v} V");
    c.drive.engine = SpeedProfile::Steady { rpm: 6000.0 / c.drive.belt_ratio };
    c.bridge.diode =
        DiodeModel::PiecewiseLinear { forward_v: 0.8, slope_ohm: 1e-2, breakdown_v: None, breakdown_slope_ohm: 1.0 };
    c.network.cable.resistance_ohm = 0.0;
    c.network.ground_ohm = 0.0;
    c.network.battery = Some(Battery { emf_v: 14.0, resistance_ohm: 1e-4, inductance_h: 1e-8, pairs: vec![] });
    let r = SolveRequest { settle_s: 0.05, ..SolveRequest::new(0.01, 100e3, &[Probe::CableCurrent]) };
    let ampere = mean(&solve(&c, &r).unwrap().samples[0]);
    println!("6000 1/min: {ampere:.1} A, rated 130 A");
    // The rating names no speed, and a constant inductance limits the current to (3 / pi) linkage / L = 107 A: the size.
    assert!((ampere / 130.0 - 1.0).abs() < 0.25, "{ampere} A, rated 130 A");
}

#[test]
fn delta_equals_its_star() {
    let mut delta = common::circuit(250.0, 35.0, 0.4);
    delta.alternator.winding = Winding::Delta;
    delta.alternator.resistance_ohm = 0.1;
    delta.alternator.inductance = Inductance::Constant { henry: 300e-6 };
    delta.alternator.emf.harmonics = vec![
        EmfHarmonic { order: 5, ratio: 0.04, phase_rad: 0.3 },
        EmfHarmonic { order: 7, ratio: 0.02, phase_rad: -0.5 },
    ];
    let mut star = delta.clone();
    star.alternator = delta.alternator.star_equivalent();
    star.drive.initial_angle_rad = 150.0_f64.to_radians();
    let probes = [Probe::ChargingPost, Probe::StatorTerminal(1)];
    let r = SolveRequest { start: Start::AtRest, ..SolveRequest::new(0.01, 100e3, &probes) };
    let (a, b) = (solve(&delta, &r).unwrap(), solve(&star, &r).unwrap());
    for k in 0..2 {
        // Same circuit seen from the terminals: only rounding and the event grid (2.4 ns) differ.
        let error = common::measure::difference_rms(&a.samples[k], &b.samples[k]);
        assert!(error < 1e-3 * ripple_rms(&b.samples[k]), "{k}: {error} {}", ripple_rms(&b.samples[k]));
    }
    // A third harmonic drives a circulating current in the delta and no line voltage.
    delta.alternator.emf.harmonics.push(EmfHarmonic { order: 3, ratio: 0.05, phase_rad: 0.0 });
    let probes = [Probe::CoilCurrent(0), Probe::CoilCurrent(1), Probe::CoilCurrent(2)];
    let w = solve(&delta, &SolveRequest::new(0.02, 50e3, &probes)).unwrap();
    let circulating: Vec<f64> = (0..1000).map(|i| w.samples.iter().map(|s| s[i]).sum::<f64>() / 3.0).collect();
    let z = 0.1_f64.hypot(std::f64::consts::TAU * 750.0 * 300e-6);
    let expected = 0.05 * 35.0 / z;
    let got = order_amplitude(&circulating, 5, 3);
    assert!((got / expected - 1.0).abs() < 5e-3, "{got} A, 3rd harmonic EMF over its impedance {expected} A");
}

/// The battery-fed bridge of REFERENCE-VALUES A4 against `cv_load_orders.csv`: an independent simulation, amplitudes
/// stated good to 0.5 % of order 6; there the load is 14 V / I ohm and the battery holds its mean (slow polarisation).
#[test]
fn battery_fed_order_table() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data/cv_load_orders.csv");
    let Ok(text) = std::fs::read_to_string(path) else {
        println!("skipped: the reference table is not here");
        return;
    };
    let rows: Vec<Vec<&str>> = text.lines().skip(1).map(|l| l.split(',').collect()).collect();
    let mut compared = 0;
    for row in rows.iter().filter(|r| r[4] == "B+") {
        let Some(mut c) = table_circuit(row, &rows) else { continue };
        let cycles = 6;
        let number = |k: usize| row[k].parse::<f64>().unwrap();
        c.network.capacitor = Some(SuppressionCapacitor { farad: 2.2e-6, series_ohm: 0.0 });
        let r = SolveRequest {
            settle_s: 0.06,
            ..SolveRequest::new(cycles as f64 / number(1), 1200.0 * number(1), &[Probe::ChargingPost])
        };
        let w = solve(&c, &r).unwrap();
        let x = &w.samples[0];
        let got: Vec<f64> = (1..=6).map(|n| order_amplitude(x, cycles, n)).collect();
        let expected: Vec<f64> = (1..=6).map(|n| number(10 + n)).collect();
        let greatest = expected.iter().fold(0.0_f64, |a, b| a.max(*b));
        for (g, e) in got.iter().zip(&expected) {
            // 0.5 %: the step error stated for the table. Its r.m.s. is not compared: its method damps the ringing of
            // capacitor and cable near 100 kHz, this one does not.
            assert!((g - e).abs() < 5e-3 * greatest, "{} {}: {got:.5?} {expected:.5?}", row[0], row[3]);
        }
        compared += 1;
    }
    assert!(compared >= 9, "{compared} rows compared");
}

/// Circuit of a row of the table; `None` for faults not compared here.
fn table_circuit(row: &[&str], rows: &[Vec<&str>]) -> Option<Circuit> {
    let number = |k: usize| row[k].parse::<f64>().unwrap();
    let mut c = common::circuit(number(1), number(5), 14.0 / number(2));
    c.alternator.emf = EmfShape::sine(StatorLayout::Single);
    c.bridge.diode =
        DiodeModel::PiecewiseLinear { forward_v: 0.75, slope_ohm: 4e-3, breakdown_v: None, breakdown_slope_ohm: 1.0 };
    match row[3] {
        "healthy" => {}
        "open_top_A" => c.bridge.legs[0].positive = DiodeCondition::Open,
        "open_phase_lead_A" => c.bridge.legs[0].lead = LeadCondition::Broken,
        "two_open_same_rail" => {
            (c.bridge.legs[0].positive, c.bridge.legs[1].positive) = (DiodeCondition::Open, DiodeCondition::Open);
        }
        _ => return None,
    }
    let battery = rows.iter().find(|r| r[0] == row[0] && r[3] == row[3] && r[4] == "battery")?;
    let emf_v = battery[7].parse::<f64>().unwrap() - 8e-3 * number(10);
    c.network.ground_ohm = 0.0;
    c.network.battery = Some(Battery { emf_v, resistance_ohm: 8e-3, inductance_h: 0.15e-6, pairs: vec![] });
    Some(c)
}
