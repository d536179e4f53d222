//! Evidence: the groups cover the figures once, weights are what taking a group away does, values are the orders'.

use super::super::made_up::cycle;
use super::super::model::model;
use super::*;
use std::f64::consts::{FRAC_PI_2, PI};

const ORDERS: [(usize, f64, f64); 8] = [
    (1, 0.3, 0.2),
    (2, 0.4, 0.2),
    (3, 1.2, 0.2),
    (6, 0.5, 0.0),
    (7, 0.2, 0.0),
    (12, 1.2, 0.0),
    (23, 0.2, 0.0),
    (24, 0.1, 0.0),
];

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

#[test]
fn every_figure_belongs_to_one_group() {
    for name in signature::names() {
        let groups = GROUPS.iter().filter(|(_, _, starts)| starts.iter().any(|s| name.starts_with(s)));
        let groups: Vec<_> = groups.map(|g| g.0).collect();
        assert_eq!(groups.len(), 1, "{name}: {groups:?}");
    }
}

#[test]
fn odds_are_of_one_score_against_all_others() {
    let scores = [0.2, -1.0, 3.0, 0.0, 0.5, -4.0_f64];
    let total: f64 = scores.iter().map(|s| s.exp()).sum();
    for (i, s) in scores.iter().enumerate() {
        let p = s.exp() / total;
        assert!(near(log_odds(&scores, i), (p / (1.0 - p)).ln()));
    }
}

#[test]
fn a_group_weighs_what_taking_it_away_does_to_the_odds() {
    let six = model(6);
    let (h, facts) = (cycle(200.0, &ORDERS), SupplyFacts::default());
    for (pattern, reference) in [(Pattern::OpenDiode, six.healthy), (Pattern::Healthy, six.pair_mean)] {
        let index = ON_A_CYCLE.iter().position(|&p| p == pattern).unwrap();
        let usual = Signature { values: reference.to_vec() };
        assert!(evidence(pattern, &h, &usual, &facts, six).iter().all(|e| e.weight == 0.0));
        // Only the figures of the shape differ from the usual ones.
        let mut other = usual.clone();
        for (name, value) in signature::names().iter().zip(&mut other.values) {
            if ["skewness", "kurtosis", "crest_share"].contains(&name.as_str()) {
                *value += 0.7;
            }
        }
        let expected =
            log_odds(&six.pair_scores(&other.values), index) - log_odds(&six.pair_scores(&usual.values), index);
        assert!(expected.abs() > 1e-3);
        let list = evidence(pattern, &h, &other, &facts, six);
        assert_eq!(list[0].name, "cycle_shape", "the strongest comes first");
        assert!(near(list[0].weight, expected));
        assert!(list[1..].iter().all(|e| e.weight == 0.0));
        assert_eq!(list.len(), GROUPS.len() + 1);
    }
    let usual = Signature { values: six.healthy.to_vec() };
    assert!(evidence(Pattern::NotCharging, &h, &usual, &facts, six).is_empty());
}

#[test]
fn values_are_those_of_the_cycle() {
    let h = cycle(200.0, &ORDERS);
    let facts = SupplyFacts { level_v: Some(13.9), ..SupplyFacts::default() };
    let value = |name: &str| figure(name, &h, &facts);
    let (v, statement) = value("orders_1_to_5");
    assert!(near(v, 1.3), "0.3, 0.4 and 1.2 V make 1.3 V");
    assert_eq!(statement, "orders 1 to 5 have 300.0, 400.0, 1200.0, 0.0, 0.0 mV, order 6 has 500.0 mV");
    let (v, statement) = value("orders_6_and_12");
    assert!(near(v, 1.3));
    assert_eq!(statement, "orders 6 and 12 have 500.0, 1200.0 mV");
    let (v, statement) = value("orders_7_to_24");
    assert!(near(v, (0.04_f64 + 1.44 + 0.04 + 0.01).sqrt()));
    assert_eq!(statement, "orders 7 to 11 have 200.0, 0.0, 0.0, 0.0, 0.0 mV");
    let (v, statement) = value("phase_relations");
    assert!(near(v, 0.2) && statement.ends_with("order 3 0.40 rad from three times"), "{statement}");
    let (v, statement) = value("ripple_level");
    let rms = ((1.69 + 0.25 + 0.04 + 1.44 + 0.04 + 0.01_f64) / 2.0).sqrt();
    assert!(near(v, rms));
    assert_eq!(statement, format!("the ripple has {:.1} mV r.m.s. on 13.90 V", 1e3 * rms));
    assert_eq!(value("electrical_hz"), (200.0, "the electrical frequency is 200.0 Hz".into()));
    let mut scattered = cycle(100.0, &[(6, 3.0, 0.0)]);
    scattered.spectra.scatter[0] = 2.0;
    let (v, statement) = figure("signal_to_noise", &scattered, &facts);
    assert!(near(v, 15.0), "3 V over 2 / sqrt(100) V");
    assert_eq!(statement, "the orders stand 15 times above their scatter over 100 cycles");
}

#[test]
fn the_shape_is_told_by_its_peaks() {
    // cos + cos 2 / 2: 1.5 up, 0.75 down (at 120 degrees, one of the 192 points).
    let (v, statement) = figure("cycle_shape", &cycle(200.0, &[(1, 1.0, 0.0), (2, 0.5, 0.0)]), &SupplyFacts::default());
    assert!(near(v, 2.0));
    assert_eq!(statement, "the mean cycle rises 1500 mV above and falls 750 mV below its mean");
    // About its mean, wherever that lies.
    let mut lifted = cycle(200.0, &[(1, 1.0, 0.0), (2, 0.5, 0.0)]);
    lifted.mean_points.iter_mut().for_each(|v| *v += 0.3);
    let (up, down) = peaks(&lifted);
    assert!(near(up, 1.5) && near(down, 0.75));
}

#[test]
fn angles_lie_within_half_a_turn() {
    for (given, expected) in [(0.1, 0.1), (3.5 * PI, -FRAC_PI_2), (-3.5 * PI, FRAC_PI_2), (-0.1, -0.1), (2.0 * PI, 0.0)]
    {
        assert!(near(angle(given), expected), "{given}");
    }
}

#[test]
fn the_orders_below_the_pulses_are_summed_for_six_pulses_and_for_twelve() {
    let h = cycle(200.0, &ORDERS);
    let six = below_the_pulses(&h, 6, 9.0).unwrap();
    assert!(near(six.value, 1.3 / 0.5) && near(six.weight, 9.0));
    let limits = "(healthy below about 0.3, a failed diode from about 6)";
    assert_eq!((six.name.as_str(), six.statement), ("sub_six_ratio", format!("sub-six sum S = 2.60 {limits}")));
    let twelve = below_the_pulses(&h, 12, 9.0).unwrap();
    // 0.3, 0.4, 1.2, 0.5 and 0.2 V over 1.2 V.
    assert!(near(twelve.value, 1.98_f64.sqrt() / 1.2));
    let limits = "(healthy below about 0.5, a failed diode from about 1.5)";
    assert_eq!(
        (twelve.name.as_str(), twelve.statement),
        ("sub_twelve_ratio", format!("sub-twelve sum S = 1.17 {limits}"))
    );
}

#[test]
fn the_sub_twelve_sum_weighs_what_taking_all_orders_below_the_twelfth_away_does() {
    let twelve = model(12);
    let (h, facts) = (cycle(200.0, &ORDERS), SupplyFacts { pulse_number: 12, ..SupplyFacts::default() });
    let index = ON_A_CYCLE.iter().position(|&p| p == Pattern::OpenDiode).unwrap();
    let usual = Signature { values: twelve.healthy.to_vec() };
    let weigh = |changed: &[&str]| {
        let mut other = usual.clone();
        for (name, value) in signature::names().iter().zip(&mut other.values) {
            *value += if changed.contains(&name.as_str()) { 0.7 } else { 0.0 };
        }
        let expected =
            log_odds(&twelve.pair_scores(&other.values), index) - log_odds(&twelve.pair_scores(&usual.values), index);
        let list = evidence(Pattern::OpenDiode, &h, &other, &facts, twelve);
        let e = list.iter().find(|e| e.name == "sub_twelve_ratio").unwrap();
        assert!(list.iter().all(|e| e.name != "sub_six_ratio"));
        (e.weight, expected)
    };
    for below in [["order_1_share", "order_6_share"], ["order_11_share", "odd_orders_share"]] {
        let (weight, expected) = weigh(&below);
        assert!(expected.abs() > 1e-3 && near(weight, expected), "{below:?}: {weight} {expected}");
    }
    let (weight, expected) = weigh(&["order_12_share", "order_12_to_6"]);
    assert!(expected.abs() > 1e-3 && near(weight, 0.0), "order 12 is the pulses' own");
}

#[test]
fn the_orders_suggest_a_sub_kind() {
    let kind = |pattern: Pattern, c: [f64; 3]| {
        let orders: Vec<_> = c.iter().enumerate().map(|(i, &c)| (i + 1, c, 0.0)).collect();
        sub_kind(pattern, &cycle(200.0, &orders))
    };
    let soft = |c: [f64; 3]| kind(Pattern::Imbalance, c);
    assert_eq!(soft([0.1, 1.0, 0.1]).as_deref(), Some("weak_phase_or_stator_lead"));
    assert_eq!(soft([1.0, 0.2, 0.5]).as_deref(), Some("leaking_diode"));
    assert_eq!(soft([0.5, 0.1, 0.25]).as_deref(), Some("leaking_diode"), "whatever its size");
    assert_eq!(soft([1.0, 0.2, 0.4]).as_deref(), Some("resistive_diode_joint"));
    assert_eq!(soft([1.0, 0.6, 0.5]).as_deref(), Some("resistive_diode_joint"));
    assert_eq!(soft([0.5, 1.0, 0.2]), None, "order 2 leads, but not by three times");
    assert_eq!(kind(Pattern::TwoOpenDiodes, [1.0, 1.0, 1.0]).as_deref(), Some("same_or_opposite_rail"));
    assert_eq!(kind(Pattern::OpenDiode, [1.0, 1.0, 1.0]), None);
}
