//! The figures against their definitions, on cycles whose orders are given.

use super::super::made_up::cycle;
use super::*;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// Orders 1 to 5 and 6 with integers as amplitudes.
const LADDER: [(usize, f64, f64); 6] =
    [(1, 1.0, 0.3), (2, 2.0, -0.7), (3, 3.0, 2.0), (4, 4.0, 1.1), (5, 5.0, 0.0), (6, 6.0, -2.5)];

fn figures(hypothesis: &CycleHypothesis, facts: &SupplyFacts) -> BTreeMap<String, f64> {
    names().into_iter().zip(signature(hypothesis, facts).values).collect()
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * (1.0 + b.abs())
}

#[test]
fn every_figure_has_one_name() {
    let names = names();
    assert_eq!(names.len(), signature(&cycle(200.0, &LADDER), &SupplyFacts::default()).values.len());
    assert_eq!(names.iter().collect::<std::collections::BTreeSet<_>>().len(), names.len());
}

#[test]
fn shares_are_of_the_power_in_orders_one_to_twelve() {
    let mut orders = LADDER.to_vec();
    orders.extend([(9, 7.0, 0.0), (12, 8.0, 0.0), (13, 9.0, 0.0), (24, 2.0, 0.0)]);
    let f = figures(&cycle(200.0, &orders), &SupplyFacts::default());
    let total = 91.0 + 49.0 + 64.0;
    let share = |power: f64| (power / total + 1e-6).ln();
    for (name, power) in [
        ("order_3_share", 9.0),
        ("order_7_share", 0.0),
        ("order_12_share", 64.0),
        ("orders_13_to_24_share", 85.0),
        ("orders_6_12_share", 36.0 + 64.0),
        ("odd_orders_share", 1.0 + 9.0 + 25.0 + 49.0),
        ("even_orders_share", 4.0 + 16.0),
        ("orders_3_9_share", 9.0 + 49.0),
    ] {
        assert!(near(f[name], share(power)), "{name}: {} and {}", f[name], share(power));
    }
    assert!(near(f["sub_six_ratio"], (55.0_f64.sqrt() / 6.0).ln()));
    assert!(near(f["order_12_to_6"], (8.0_f64 / 6.0).ln()));
}

#[test]
fn scatter_is_taken_off_the_amplitudes() {
    let mut h = cycle(100.0, &LADDER);
    // Mean's uncertainty of order 5: 30 / sqrt(100) = 3, so 5 V become 4 V; order 4 drowns.
    h.spectra.scatter[4] = 30.0;
    h.spectra.scatter[3] = 50.0;
    let f = figures(&h, &SupplyFacts::default());
    let total = 1.0 + 4.0 + 9.0 + 16.0 + 36.0;
    assert!(near(f["order_5_share"], (16.0 / total + 1e-6_f64).ln()));
    assert!(near(f["order_4_share"], 1e-6_f64.ln()));
    assert!(near(f["signal_to_noise"], (total.sqrt() / (9.0_f64 + 25.0).sqrt()).ln()));
    // More than 1200 cycles count as 1200.
    let scatter_of = |cycles: usize| {
        let mut h = cycle(100.0, &LADDER);
        h.spectra.scatter[4] = 30.0;
        h.spectra.cycle_count = cycles;
        figures(&h, &SupplyFacts::default())["order_5_share"]
    };
    assert!(near(scatter_of(1200), scatter_of(9000)) && !near(scatter_of(1200), scatter_of(900)));
}

#[test]
fn the_sub_six_sum_is_the_root_of_the_sum_of_squares_over_order_six() {
    let h = cycle(100.0, &LADDER);
    assert!(near(sub_six_ratio(&h).unwrap(), 55.0_f64.sqrt() / 6.0));
    // Below its own noise order 6 counts as that.
    let mut drowned = cycle(100.0, &LADDER[..5]);
    drowned.spectra.scatter[5] = 20.0;
    assert!(near(sub_six_ratio(&drowned).unwrap(), 55.0_f64.sqrt() / 2.0));
    let mut short = cycle(100.0, &LADDER);
    short.spectra.mean.truncate(5);
    assert_eq!(sub_six_ratio(&short), None);
}

#[test]
fn the_sub_twelve_sum_takes_the_eleven_orders_below_the_twelfth() {
    let eleven: Vec<_> = (1..=11).map(|n| (n, f64::from(n as u32), 0.3)).collect();
    let h = cycle(100.0, &[&eleven[..], &[(12, 4.0, 1.0), (13, 9.0, 0.0)]].concat());
    // 1 + 4 + ... + 121 = 506.
    assert!(near(sub_twelve_ratio(&h).unwrap(), 506.0_f64.sqrt() / 4.0));
    let mut drowned = cycle(100.0, &eleven);
    drowned.spectra.scatter[11] = 20.0;
    assert!(near(sub_twelve_ratio(&drowned).unwrap(), 506.0_f64.sqrt() / 2.0));
    let mut short = h;
    short.spectra.mean.truncate(11);
    assert_eq!(sub_twelve_ratio(&short), None);
    assert!(sub_six_ratio(&short).is_some());
}

#[test]
fn nothing_depends_on_where_the_cycle_is_cut() {
    // Turned by 17 of the 192 points.
    let shift = 17.0 / 192.0 * TAU;
    let turned: Vec<_> = LADDER.iter().map(|&(n, c, phase)| (n, c, phase + n as f64 * shift)).collect();
    let facts = SupplyFacts { level_v: Some(14.0), ac_rms_v: 9.0, ..SupplyFacts::default() };
    let (a, b) = (figures(&cycle(200.0, &LADDER), &facts), figures(&cycle(200.0, &turned), &facts));
    for (name, value) in &a {
        assert!(near(*value, b[name]), "{name}: {value} and {}", b[name]);
    }
    assert!(a["phase_1_2_cos"].hypot(a["phase_1_2_sin"]) > 0.99);
    // phase 1 + phase 2 - phase 3
    assert!(
        (a["phase_1_2_sin"].atan2(a["phase_1_2_cos"]) - (0.3 - 0.7 - 2.0 + TAU).rem_euclid(TAU)).sin().abs() < 1e-9
    );
}

#[test]
fn gain_moves_levels_only() {
    let mut orders = LADDER.to_vec();
    orders.push((12, 3.0, 0.4));
    let louder: Vec<_> = orders.iter().map(|&(n, c, phase)| (n, 7.0 * c, phase)).collect();
    let facts = |gain: f64| SupplyFacts { level_v: Some(14.0), ac_rms_v: 9.0 * gain, ..SupplyFacts::default() };
    let (a, b) = (figures(&cycle(200.0, &orders), &facts(1.0)), figures(&cycle(200.0, &louder), &facts(7.0)));
    for (name, value) in &a {
        let expected = if name == "ripple_to_level" { value + 7.0_f64.ln() } else { *value };
        assert!(near(b[name], expected), "{name}: {value} and {}", b[name]);
    }
    let rms = (100.0_f64 / 2.0).sqrt();
    assert!(near(a["ripple_to_level"], (rms / 14.0).ln()));
    assert!(near(a["explained_share"], rms * rms / 81.0));
}

#[test]
fn the_level_is_told_against_the_system_and_only_where_it_is_known() {
    let level = |volts: Option<f64>| {
        let f = figures(&cycle(200.0, &LADDER), &SupplyFacts { level_v: volts, ..SupplyFacts::default() });
        (f["level_known"], f["level"], f["ripple_to_level"])
    };
    let rms = (91.0_f64 / 2.0).sqrt();
    let (known, value, ripple) = level(Some(7.0));
    assert!(near(known, 1.0) && near(value, -0.5) && near(ripple, (rms / 7.0).ln()));
    let (_, value, ripple) = level(Some(28.0));
    assert!(near(value, 0.0) && near(ripple, (rms / 28.0).ln()));
    let (known, value, ripple) = level(None);
    assert!(near(known, 0.0) && near(value, 0.0) && near(ripple, (rms / 14.0).ln()));
    let facts =
        SupplyFacts { role: Role::BatteryPost, coupling: Coupling::Ac, step_v: Some(rms), ..SupplyFacts::default() };
    let f = figures(&cycle(200.0, &LADDER), &facts);
    assert!(near(f["battery_post"], 1.0) && near(f["ac_coupled"], 1.0) && near(f["steps"], 0.0));
}

#[test]
fn the_shape_is_that_of_the_mean_cycle() {
    // A cosine: no skewness, kurtosis 3/2, its mean half way up.
    let f = figures(&cycle(200.0, &[(1, 0.4, 0.0)]), &SupplyFacts::default());
    assert!(near(f["skewness"], 0.0) && near(f["kurtosis"], 1.5) && near(f["crest_share"], 0.5));
    // With a second order in phase: mean cube 3/4 a^2 b, power (a^2 + b^2) / 2; peaks a + b and -(a^2 / 8b + b) for a < 4b.
    let (a, b) = (1.0_f64, 0.5);
    let f = figures(&cycle(200.0, &[(1, a, 0.0), (2, b, 0.0)]), &SupplyFacts::default());
    assert!(near(f["skewness"], 0.75 * a * a * b / (0.5 * (a * a + b * b)).powf(1.5)));
    let low = a * a / (8.0 * b) + b;
    // 192 points meet the lowest value at 120 degrees exactly.
    assert!(near(f["crest_share"], (a + b) / (a + b + low)));
}

#[test]
fn speed_is_told_by_its_ramp_and_by_what_wanders_about_it() {
    let track = |hz: &dyn Fn(f64) -> f64| {
        let step_s = 1e-3;
        let mut cycles = vec![0.0];
        for i in 0..1000 {
            cycles.push(cycles[i] + hz((i as f64 + 0.5) * step_s) * step_s);
        }
        PhaseTrack::new(step_s, cycles).unwrap()
    };
    let (wander, ramp) = speed_figures(&track(&|_| 200.0));
    assert!(wander < 1e-9 && ramp.abs() < 1e-9);
    let (wander, ramp) = speed_figures(&track(&|t| 200.0 * (0.9 + 0.2 * t)));
    assert!(wander < 1e-4 && (ramp - 0.2).abs() < 1e-3, "{wander} {ramp}");
    let (_, ramp) = speed_figures(&track(&|t| 200.0 * (1.1 - 0.2 * t)));
    assert!((ramp + 0.2).abs() < 1e-3);
    // A tenth of peak wander has 0.1 / sqrt(2); ten turns in the record leave no trend to speak of.
    let (wander, ramp) = speed_figures(&track(&|t| 200.0 * (1.0 + 0.1 * (TAU * 10.0 * t).cos())));
    assert!((wander - 0.1 / 2.0_f64.sqrt()).abs() < 1e-3 && ramp.abs() < 5e-3, "{wander} {ramp}");
}

#[test]
fn a_cycle_of_three_equal_pulses_repeats_in_itself() {
    let repeats = |orders: &[(usize, f64)]| {
        repeats_in_itself(&cycle(200.0, &orders.iter().map(|&(n, c)| (n, c, 0.0)).collect::<Vec<_>>()))
    };
    assert!(repeats(&[(3, 1.0), (6, 0.5)]));
    assert!(repeats(&[(3, 1.0), (6, 0.5), (1, 0.3), (5, 0.3)]));
    assert!(!repeats(&[(3, 1.0), (6, 0.5), (1, 0.4), (5, 0.4)]), "an open diode has orders 1 and 2 as well");
    assert!(!repeats(&[(3, 1.0), (2, 0.4), (4, 0.4)]));
    assert!(
        repeats(&[(3, 1.0), (6, 3.2)]) && !repeats(&[(3, 1.0), (6, 3.4)]),
        "a sound bridge's order 6 is too strong"
    );
    let mut noisy = cycle(100.0, &[(3, 1.0, 0.0), (6, 0.5, 0.0)]);
    noisy.spectra.scatter[2] = 2.4;
    assert!(repeats_in_itself(&noisy));
    noisy.spectra.scatter[2] = 2.6;
    assert!(!repeats_in_itself(&noisy), "order 3 must stand four standard uncertainties clear");
    noisy.spectra.mean.truncate(5);
    noisy.spectra.scatter[2] = 0.0;
    assert!(!repeats_in_itself(&noisy));
}

#[test]
fn a_cycle_of_two_equal_halves_with_several_pulses_repeats_in_itself() {
    let repeats = |orders: &[(usize, f64)]| {
        repeats_in_itself(&cycle(200.0, &orders.iter().map(|&(n, c)| (n, c, 0.0)).collect::<Vec<_>>()))
    };
    assert!(repeats(&[(2, 1.0), (4, 0.9), (6, 1.0)]));
    assert!(!repeats(&[(2, 1.0), (4, 0.8), (6, 1.0)]), "the even orders of a weak phase fall off");
    assert!(!repeats(&[(2, 1.0), (4, 0.9), (6, 2.5)]));
    assert!(
        repeats(&[(2, 0.5), (4, 0.45), (6, 0.5)]) && !repeats(&[(2, 0.5), (4, 0.4), (6, 0.5)]),
        "whatever its size"
    );
    assert!(repeats(&[(2, 1.0), (4, 0.9), (6, 1.0), (1, 0.2), (5, 0.2)]));
    assert!(!repeats(&[(2, 1.0), (4, 0.9), (6, 1.0), (1, 0.3), (5, 0.3)]));
    let mut noisy = cycle(100.0, &[(2, 1.0, 0.0), (4, 1.0, 0.0)]);
    noisy.spectra.scatter[3] = 2.6;
    assert!(!repeats_in_itself(&noisy));
}

#[test]
fn a_record_is_told_by_its_noise_its_steps_and_its_best_hypothesis() {
    let facts = SupplyFacts { ac_rms_v: 0.5, noise_rms_v: 0.02, step_v: Some(0.05), ..SupplyFacts::default() };
    let mut loud = cycle(100.0, &[(6, 0.4, 0.0)]);
    // 0.3 V over 100 cycles: 0.03 V.
    loud.spectra.scatter[0] = 0.3;
    let quiet = cycle(200.0, &[(6, 0.1, 0.0)]);
    let reading = |hypotheses: Vec<CycleHypothesis>| -> BTreeMap<String, f64> {
        record_names().into_iter().zip(Reading { hypotheses, facts: facts.clone() }.record_figures().values).collect()
    };
    let f = reading(vec![quiet.clone(), loud.clone()]);
    assert!(near(f["ac_rms"], 0.50001_f64.ln()) && near(f["noise_share"], (0.020001_f64 / 0.500001).ln()));
    assert!(near(f["record_steps"], (0.500001_f64 / 0.05).ln()) && near(f["hypotheses"], 3.0_f64.ln()));
    assert!(near(f["best_explained_share"], 0.08 / 0.25) && near(f["best_ripple"], (0.08_f64.sqrt() + 1e-5).ln()));
    assert!(near(f["best_signal_to_noise"], 8.0), "nothing scatters in the weaker one: the most that is told");
    let f = reading(vec![loud]);
    assert!((f["best_signal_to_noise"] - (0.4_f64 / 0.03).ln()).abs() < 1e-6);
    let f = reading(Vec::new());
    assert!(
        near(f["hypotheses"], 0.0) && near(f["best_ripple"], 1e-5_f64.ln()) && near(f["best_explained_share"], 0.0)
    );
}
