//! Scenarios from the outside: reproducible, serialisable, and true to their labels.
#![allow(clippy::unwrap_used, reason = "tests state expectations by unwrapping")]

use serde_json::{Value, json};
use sixpulse::{RawSamples, Trace};
use sixpulse_sim::draw::draw;
use sixpulse_sim::kind::Fault;
use sixpulse_sim::{Draw, Scenario, Truth, overrides, simulate};

/// FNV-1a over 64 bits (Fowler, Noll, Vo), written out so that no hasher's version matters.
fn digest(bytes: impl IntoIterator<Item = u8>) -> u64 {
    bytes.into_iter().fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3))
}

fn short(pattern: &str) -> Draw {
    Draw { pattern: Some(pattern.into()), cycles: Some(10.0), sample_rate_hz: Some(50_000.0), ..Draw::default() }
}

fn counts(trace: &Trace) -> Vec<i16> {
    match trace.raw() {
        RawSamples::I16 { counts, .. } => counts.clone(),
        _ => Vec::new(),
    }
}

#[test]
fn drawn_parameters_stay_bit_for_bit() {
    // A change here is a change of the stream: raise STREAM_VERSION with it.
    let got: Vec<u64> =
        (1..=3).map(|s| digest(draw(s, 0, &Draw::default()).unwrap().to_json().unwrap().bytes())).collect();
    assert_eq!(got, GOLDEN_DRAWS, "{got:#x?}");
}
const GOLDEN_DRAWS: [u64; 3] = [0xe14c_dd95_3eb7_f873, 0x7649_9bd7_781d_8128, 0x55c6_8b94_6fd7_624e];

#[test]
fn captures_stay_count_for_count() {
    for (seed, golden) in (3..=5).zip(GOLDEN_COUNTS) {
        let (capture, _) = simulate(&draw(seed, 0, &short("healthy")).unwrap()).unwrap();
        let got: Vec<i16> = counts(capture.trace("post").unwrap()).iter().step_by(97).take(8).copied().collect();
        // One count of slack: a better solver may move a voltage that lies next to a threshold of the converter.
        assert!(got.iter().zip(golden).all(|(a, b)| (a - b).abs() <= 1), "seed {seed}: {got:?}");
    }
}
const GOLDEN_COUNTS: [[i16; 8]; 3] = [
    [-53, 37, 42, -207, -15, 94, 48, -205],
    [-322, 190, 142, 160, 170, 139, 150, 147],
    [141, 161, 122, 189, -250, -74, -190, -86],
];

#[test]
fn every_fault_simulates_and_is_labelled_right() {
    for fault in Fault::DRAWN {
        for member in 0..3 {
            let scenario = draw(17, member, &short(fault.as_str())).unwrap();
            let (capture, truth) = simulate(&scenario).unwrap();
            assert_eq!(Some(truth.pattern), fault.pattern(), "{} {member}", fault.as_str());
            assert_eq!(capture.sample_rate_hz(), 50_000.0);
            assert_eq!(Scenario::from_json(&scenario.to_json().unwrap()).unwrap(), scenario);
            let text = serde_json::to_string(&truth).unwrap();
            assert_eq!(serde_json::from_str::<Truth>(&text).unwrap(), truth);
        }
    }
}

#[test]
fn levels_of_a_family_are_those_of_charging_systems() {
    let mut levels = Vec::new();
    for member in 0..40 {
        let scenario = draw(23, member, &Draw { cycles: Some(8.0), ..Draw::default() }).unwrap();
        let (_, truth) = simulate(&scenario).unwrap();
        let nominal = if truth.battery.mean_v > 19.0 { 2.0 } else { 1.0 };
        levels.push(truth.battery.mean_v / nominal);
        assert!(truth.electrical_hz > 85.0 && truth.electrical_hz < 770.0, "{}", truth.electrical_hz);
    }
    levels.sort_by(f64::total_cmp);
    let middle = levels[levels.len() / 2];
    // None of a sound size falls below a flat battery; none rises above the set point by more than the drops allowed.
    assert!(levels[0] > 11.0 && levels[levels.len() - 1] < 16.5 && middle > 13.0 && middle < 15.2, "{levels:?}");
}

#[test]
fn switched_loads_ring_within_bounds() {
    for member in 0..40 {
        let wanted = Draw { cycles: Some(8.0), ..Draw::default() };
        let scenario = draw(29, member, &Draw { pattern: Some("healthy_switched_load".into()), ..wanted }).unwrap();
        let (_, truth) = simulate(&scenario).unwrap();
        let nominal = if truth.battery.mean_v > 19.0 { 2.0 } else { 1.0 };
        // Twice 3 V, upwards and downwards, beside the ripple of the bridge.
        assert!(truth.post.peak_to_peak_v / nominal < 9.0, "{member}: {} V", truth.post.peak_to_peak_v);
    }
}

#[test]
fn one_failed_diode_in_twelve_shows_below_order_twelve() {
    let wanted = |pattern: &str| Draw {
        pattern: Some(pattern.into()),
        pulse_number: Some(12),
        electrical_hz: Some(250.0),
        cycles: Some(20.0),
        ..Draw::default()
    };
    let mut stators = [0; 2];
    for member in 0..6 {
        let scenario = draw(37, member, &wanted("open_diode")).unwrap();
        let legs = &scenario.circuit.bridge.legs;
        let open = |d: sixpulse_sim::DiodeCondition| d == sixpulse_sim::DiodeCondition::Open;
        let failed: Vec<usize> = (0..6).filter(|&k| open(legs[k].positive) || open(legs[k].negative)).collect();
        assert_eq!(failed.len(), 1);
        stators[failed[0] / 3] += 1;
        let (_, truth) = simulate(&scenario).unwrap();
        assert_eq!((truth.pulse_number, truth.faults.len()), (12, 1));
        let c = &truth.post.order_amplitudes_v;
        // One diode in six or in twelve: its missing pulse comes once a cycle and carries orders 1 to 3.
        assert!(c[0].max(c[1]) > 2.0 * c[11].min(c[5]), "{member}: {c:?}");
    }
    assert!(stators[0] > 0 && stators[1] > 0, "{stators:?}");
}

/// Scenarios that between them hold every alternative of every part.
#[allow(clippy::too_many_lines, reason = "a list of alternatives")]
fn varied() -> Vec<Scenario> {
    let diode = json!({"kind": "piecewise_linear", "forward_v": 0.7, "slope_ohm": 4e-3, "breakdown_v": 25.0,
        "breakdown_slope_ohm": 0.01});
    let junction = json!({"kind": "exponential", "saturation_a": 1e-9, "emission": 1.2, "series_ohm": 2e-3,
        "breakdown_v": 25.0});
    let regulator = json!({"set_point_v": 14.2, "temperature_v_per_k": 0.0, "temperature_c": 25.0,
        "sense": "battery_post", "filter_s": 2e-3, "action": {"kind": "hysteretic", "band_v": 0.1}});
    let winding = |flux: Value| json!({"resistance_ohm": 3.0, "inductance_h": 0.2, "flux": flux});
    let table = json!({"kind": "table", "field_a": [0.0, 2.0, 4.0], "weber": [0.0, 0.01, 0.012]});
    let path = |kind: &str, one: &str, other: &str| json!({"kind": kind, one: 0.1, other: 500.0});
    let coil = json!({"kind": "variable_reluctance", "volts_per_hz": 0.003, "run_out": 0.05, "tooth_variation": 0.01,
        "coil_ohm": 1000.0, "coil_h": 0.5, "load_ohm": 1e4});
    let hall = json!({"kind": "hall", "low_v": 0.3, "high_v": 5.0, "duty": 0.5, "edge_s": 1e-6,
        "feed_through_v_per_v": 0.1});
    let first = json!({
        "circuit.drive.engine": {"kind": "snap", "idle_rpm": 800.0, "peak_rpm": 2500.0, "start_s": 0.0, "rise_s": 0.2,
            "open_s": 0.1, "fall_s": 0.3},
        "circuit.bridge.diode": diode,
        "circuit.bridge.legs.0.positive": {"kind": "intermittent", "rate_hz": 20.0, "open_fraction": 0.3, "phase": 0.1},
        "circuit.bridge.legs.0.negative": {"kind": "leaking", "ohm": 2.0},
        "circuit.bridge.legs.1.positive": {"kind": "shorted", "ohm": 5e-3},
        "circuit.bridge.legs.1.lead": {"kind": "resistive", "ohm": 0.1},
        "circuit.bridge.legs.2.lead": {"kind": "short_to_case", "ohm": 0.1},
        "circuit.alternator.inductance": {"kind": "table", "field_a": [0.0, 2.0, 4.0], "henry": [2e-4, 1.8e-4, 1e-4]},
        "circuit.alternator.excitation": {"kind": "regulated", "winding": winding(table), "regulator": regulator,
            "initial_field_a": 2.0},
        "circuit.alternator.turn_short": {"phase": 0, "fraction": 0.1, "contact_ohm": 0.01, "coupling": 0.8},
        "circuit.network.loads": [
            {"place": "body", "kind": {"kind": "switched_resistive", "ohm": 1.0, "frequency_hz": 100.0, "duty": 0.5,
                "phase": 0.0}},
            {"place": "engine", "kind": {"kind": "current", "ampere": 5.0}},
            {"place": "charging_post", "kind": {"kind": "pulsed_current", "ampere": 5.0, "frequency_hz": 50.0,
                "duty": 0.2, "rise_s": 1e-4, "fall_s": 1e-4, "phase": 0.0}},
        ],
        "sensor.element": hall,
        "sensor.conditioner": {"kind": "fixed_hysteresis", "upper_v": 2.6, "lower_v": 2.4},
        "channels.post.range": {"kind": "given", "full_scale_v": 20.0, "offset_v": 0.0},
        "scope.dropout": {"start": 10, "length": 5, "filling": "zero"},
        "battery_temperature_c": 30.0,
        "engine_speed": {"kind": "known", "error_ratio": 0.001},
    });
    let second = json!({
        "circuit.drive.engine": {"kind": "piecewise", "time_s": [0.0, 0.1], "rpm": [800.0, 900.0]},
        "circuit.bridge.diode": junction,
        "circuit.bridge.legs.0.positive": {"kind": "resistive_joint", "ohm": 0.1},
        "circuit.alternator.inductance": {"kind": "law", "unsaturated_h": 2e-4, "saturated_h": 1e-4, "knee_a": 3.0},
        "circuit.alternator.excitation": {"kind": "fixed_field", "field_a": 2.0,
            "winding": winding(json!({"kind": "linear", "weber_per_a": 0.004}))},
        "sensor.element": coil,
        "sensor.paths": [
            {"kind": "gain_delay", "source": "battery", "gain_v_per_v": 0.3, "delay_s": 1e-5},
            {"kind": "shared_ground", "resistance_ohm": 0.01},
            path("supply_feed_through", "gain_v_per_v", "corner_hz"),
            path("capacitive", "gain_v_per_v", "corner_hz"),
            {"kind": "inductive", "mutual_h": 1e-7, "corner_hz": 1e4},
        ],
        "sensor.conditioner": {"kind": "adaptive_peak", "fraction": 0.33, "minimum_v": 0.03, "decay_s": 0.05,
            "watchdog_s": 0.085},
    });
    let third = json!({
        "circuit.drive.engine": {"kind": "steady", "rpm": 900.0},
        "circuit.alternator.inductance": {"kind": "constant", "henry": 1e-4},
        "circuit.alternator.excitation": {"kind": "fixed_emf", "peak_v": 15.0},
    });
    let wanted = Draw { sensor_mode: Some(sixpulse_sim::draw::SensorMode::ContaminatedTurning), ..short("healthy") };
    let base = draw(3, 0, &Draw { coupling: Some(sixpulse::Coupling::Ac), ..wanted }).unwrap();
    let mut all = vec![base.clone()];
    for mut changes in [first, second, third] {
        changes.as_object_mut().unwrap().insert("fault".into(), "custom".into());
        all.push(overrides::set(&base, changes.as_object().unwrap()).unwrap());
    }
    all
}

/// JSON pointers of every number in a tree.
fn numbers(tree: &Value, at: &str, found: &mut Vec<String>) {
    match tree {
        Value::Number(_) => found.push(at.into()),
        Value::Object(map) => map.iter().for_each(|(k, v)| numbers(v, &format!("{at}/{k}"), found)),
        Value::Array(list) => list.iter().enumerate().for_each(|(i, v)| numbers(v, &format!("{at}/{i}"), found)),
        _ => {}
    }
}

#[test]
fn every_number_of_a_scenario_has_a_domain_and_is_refused_by_name() {
    let mut seen = std::collections::BTreeSet::new();
    for scenario in varied() {
        let tree: Value = serde_json::from_str(&scenario.to_json().unwrap()).unwrap();
        let mut places = Vec::new();
        numbers(&tree, "", &mut places);
        // Any seed and any member name a family.
        for place in places.iter().filter(|p| !["/seed", "/member"].contains(&p.as_str())) {
            let whole = tree.pointer(place).unwrap().is_u64();
            let wrong: &[Value] = if whole { &[json!(u32::MAX)] } else { &[json!(1e300), json!(-1e300)] };
            for value in wrong {
                let mut spoiled = tree.clone();
                *spoiled.pointer_mut(place).unwrap() = value.clone();
                let Err(error) = Scenario::from_json(&spoiled.to_string()) else {
                    panic!("{place} = {value} was taken");
                };
                assert_eq!(error.code(), "out_of_range", "{place} = {value}: {error}");
                let named = place.rsplit('/').take(3).any(|word| error.parameter().contains(word));
                assert!(named, "{place} = {value}: {error}");
                assert!(error.to_string().contains("expected"), "{error}");
            }
            seen.insert(place.rsplit('/').find(|w| w.parse::<usize>().is_err()).unwrap().to_owned());
        }
    }
    println!("{} parameters", seen.len());
    assert!(seen.len() > 95, "{} {seen:?}", seen.len());
}

#[test]
fn transfers_are_known_for_every_path() {
    let corner_hz = 900.0_f64;
    let path = json!({"kind": "supply_feed_through", "gain_v_per_v": 0.5, "corner_hz": corner_hz});
    let changes = json!({"sensor.paths": [path], "sensor.ring.tooth_hz": 0.0, "circuit.drive.irregularity": null});
    let wanted = Draw { sensor_mode: Some(sixpulse_sim::draw::SensorMode::ContaminatedStill), ..short("open_diode") };
    let base = draw(41, 0, &Draw { electrical_hz: Some(200.0), cycles: Some(40.0), ..wanted }).unwrap();
    let (_, truth) = simulate(&overrides::set(&base, changes.as_object().unwrap()).unwrap()).unwrap();
    let sensor = truth.sensor.unwrap();
    assert_eq!((sensor.gain_v_per_v, sensor.delay_s), (None, None));
    assert!(sensor.order_transfer.len() >= 3);
    for t in &sensor.order_transfer {
        // Attenuation to the battery, measured, times the low-pass, in closed form.
        let hz = truth.electrical_hz * t.order as f64;
        let share = truth.battery.order_amplitudes_v[t.order - 1] / truth.post.order_amplitudes_v[t.order - 1];
        let law = 0.5 * share / (1.0 + (hz / corner_hz).powi(2)).sqrt();
        assert!((t.gain_v_per_v / law - 1.0).abs() < 0.01, "{t:?} {law}");
    }
}
