//! How scores become probabilities, and probabilities a verdict.

use super::super::made_up::cycle;
use super::*;

/// A reading at these frequencies; what the cycles look like plays no part.
fn reading(hz: &[f64], expected_hz: Option<(f64, f64)>) -> Reading {
    let hypotheses = hz.iter().map(|&f| cycle(f, &[(6, 0.1, 0.0)])).collect();
    Reading { hypotheses, facts: SupplyFacts { ac_rms_v: 0.1, expected_hz, ..SupplyFacts::default() } }
}

/// Probabilities: healthy, open diode and open phase at each frequency.
fn given(pairs: &[[f64; 3]], not_charging: f64, undetermined: f64) -> Scores {
    let pair = |&[healthy, open_diode, open_phase]: &[f64; 3]| [healthy, open_diode, 0.0, open_phase, 0.0, 0.0];
    Scores { pairs: pairs.iter().map(pair).collect(), not_charging, undetermined }
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-12
}

#[test]
fn odds_are_the_exponential_of_the_scores_difference() {
    for common in [0.0, 900.0, -900.0] {
        let scores = Scores {
            pairs: vec![[common, common + 1.0, common, common, common, common - 2.0]],
            not_charging: common + 0.5,
            undetermined: common,
        };
        let p = soft_max(&scores);
        let total = p.pairs[0].iter().sum::<f64>() + p.not_charging + p.undetermined;
        assert!(near(total, 1.0));
        assert!(near(p.pairs[0][1] / p.pairs[0][0], 1.0_f64.exp()));
        assert!(near(p.pairs[0][5] / p.undetermined, (-2.0_f64).exp()));
        assert!(near(p.not_charging / p.undetermined, 0.5_f64.exp()));
    }
}

#[test]
fn a_pattern_has_the_probability_of_all_frequencies_together() {
    let p = given(&[[0.1, 0.2, 0.0], [0.05, 0.0, 0.3]], 0.15, 0.2);
    let list = by_pattern(&p);
    assert_eq!(list.iter().map(|x| x.0).collect::<Vec<_>>(), Pattern::ALL);
    let of = |pattern: Pattern| list.iter().find(|x| x.0 == pattern).unwrap().1;
    assert!(near(of(Pattern::Healthy), 0.15) && near(of(Pattern::OpenDiode), 0.2) && near(of(Pattern::OpenPhase), 0.3));
    assert!(near(of(Pattern::NotCharging), 0.15) && near(of(Pattern::Undetermined), 0.2));
    assert_eq!(most_probable(&list), (Pattern::OpenPhase, 0.3));
    assert_eq!(chosen_hypothesis(&p, Pattern::Healthy), Some(0));
    assert_eq!(chosen_hypothesis(&p, Pattern::OpenPhase), Some(1));
    assert_eq!(chosen_hypothesis(&p, Pattern::NotCharging), None);
}

#[test]
fn an_expected_frequency_weighs_as_a_normal_density_with_a_floor() {
    let r = reading(&[200.0, 206.0, 100.0], Some((200.0, 0.03)));
    let mut scores = given(&[[0.0; 3], [0.0; 3], [0.0; 3]], 0.0, 0.0);
    expect_frequency(&mut scores, &r.hypotheses, &r.facts);
    let off = 1.03_f64.ln() / 0.03;
    let weight = |z: f64| (0.001 + 0.999 * (-0.5 * z * z).exp()).ln();
    assert!((scores.pairs[0][0]).abs() < 1e-6, "{}", scores.pairs[0][0]);
    assert!((scores.pairs[1][3] - weight(off)).abs() < 1e-6);
    assert!((scores.pairs[2][5] - 0.001_f64.ln()).abs() < 1e-6);
    assert!(near(scores.not_charging, 0.0) && near(scores.undetermined, 0.0));
    let mut untold = given(&[[0.0; 3]], 0.0, 0.0);
    expect_frequency(&mut untold, &r.hypotheses, &SupplyFacts::default());
    assert_eq!(untold.pairs[0], [0.0; 6]);
}

#[test]
fn a_cycle_that_repeats_in_itself_is_excluded_for_six_pulses_alone() {
    let three_pulses = [cycle(200.0, &[(3, 1.0, 0.0), (6, 0.5, 0.0)]), cycle(400.0, &[(6, 1.0, 0.0)])];
    for (pulse_number, expected) in [(6, 1e-6_f64.ln()), (12, 0.0)] {
        let mut scores = given(&[[0.0; 3], [0.0; 3]], 0.0, 0.0);
        exclude_multiples(&mut scores, &three_pulses, &SupplyFacts { pulse_number, ..SupplyFacts::default() });
        assert!(scores.pairs[0].iter().all(|&s| near(s, expected)));
        assert_eq!(scores.pairs[1], [0.0; 6]);
    }
}

#[test]
fn without_a_pattern_the_cycle_reported_is_the_expected_one_or_one_with_some_probability() {
    let unknown = reading(&[100.0, 200.0, 300.0], None);
    let told = reading(&[100.0, 200.0, 300.0], Some((110.0, 0.04)));
    let p = given(&[[0.01, 0.02, 0.0], [0.1, 0.0, 0.1], [0.0, 0.12, 0.0]], 0.2, 0.45);
    assert_eq!(likeliest(&p, &unknown.hypotheses, &unknown.facts), Some(1));
    // 100 Hz lies 9.1 % from what is expected, within three standard uncertainties of 4 %.
    assert_eq!(likeliest(&p, &told.hypotheses, &told.facts), Some(0));
    let far = reading(&[100.0, 200.0, 300.0], Some((130.0, 0.04)));
    assert_eq!(likeliest(&p, &far.hypotheses, &far.facts), Some(1));
    let weak = given(&[[0.01, 0.02, 0.0], [0.04, 0.0, 0.0], [0.0, 0.0, 0.0]], 0.2, 0.73);
    assert_eq!(likeliest(&weak, &unknown.hypotheses, &unknown.facts), None);
    assert_eq!(likeliest(&weak, &told.hypotheses, &told.facts), Some(0));
    let silent = given(&[[0.1, 0.0, 0.0], [0.2, 0.0, 0.0], [0.0, 0.0, 0.0]], 0.4, 0.3);
    assert_eq!(likeliest(&silent, &told.hypotheses, &told.facts), None, "without ripple there is no cycle to report");
}

#[test]
fn candidates_are_listed_by_probability_each_with_its_likeliest_pattern() {
    let r = reading(&[100.0, 200.0, 300.0], None);
    let p = given(&[[0.1, 0.05, 0.0], [0.1, 0.0, 0.4], [0.0, 0.25, 0.0]], 0.05, 0.05);
    let list = candidates(&r.hypotheses, &p);
    let told: Vec<_> = list.iter().map(|c| (c.electrical_hz, c.pattern)).collect();
    assert_eq!(told, [(200.0, Pattern::OpenPhase), (300.0, Pattern::OpenDiode), (100.0, Pattern::Healthy)]);
    assert!(near(list[0].probability, 0.5) && near(list[1].probability, 0.25) && near(list[2].probability, 0.15));
}

#[test]
fn another_reading_is_mentioned_from_five_per_cent_and_from_three_at_another_frequency() {
    let r = reading(&[100.0, 100.5, 250.0], None);
    let told = |p: &Scores| -> Vec<(Pattern, Option<f64>)> {
        ambiguities(&r, p, &by_pattern(p), (Pattern::Healthy, Some(0)))
            .iter()
            .map(|a| (a.pattern, a.electrical_hz))
            .collect()
    };
    // At the same frequency, or one within a hundredth of it.
    assert_eq!(told(&given(&[[0.8, 0.045, 0.0], [0.0, 0.0, 0.045], [0.0; 3]], 0.0, 0.11)), []);
    assert_eq!(
        told(&given(&[[0.8, 0.06, 0.0], [0.0, 0.0, 0.07], [0.0; 3]], 0.0, 0.07)),
        [(Pattern::OpenPhase, Some(100.5)), (Pattern::OpenDiode, Some(100.0))],
    );
    // At another one. What is not charging has none and counts from five per cent; "undetermined" is no reading.
    assert_eq!(
        told(&given(&[[0.8, 0.0, 0.0], [0.0; 3], [0.0, 0.025, 0.035]], 0.04, 0.1)),
        [(Pattern::OpenPhase, Some(250.0))]
    );
    assert_eq!(told(&given(&[[0.8, 0.0, 0.0], [0.0; 3], [0.0; 3]], 0.06, 0.14)), [(Pattern::NotCharging, None)]);
    // Named is not mentioned again, whatever it has at another frequency.
    assert_eq!(told(&given(&[[0.5, 0.0, 0.0], [0.0; 3], [0.4, 0.0, 0.0]], 0.0, 0.1)), []);
}

#[test]
fn a_reading_at_a_multiple_or_a_part_of_the_frequency_is_mentioned_sooner() {
    for (hz, mentioned) in [(200.0, true), (600.0, true), (50.0, true), (33.1, true), (400.0, false), (206.0, false)] {
        let r = reading(&[100.0, hz], None);
        for probability in [0.0025, 0.004] {
            let p = given(&[[1.0 - probability, 0.0, 0.0], [0.0, 0.0, probability]], 0.0, 0.0);
            let list = ambiguities(&r, &p, &by_pattern(&p), (Pattern::Healthy, Some(0)));
            assert_eq!(!list.is_empty(), mentioned && probability > 0.003, "{hz} {probability}");
        }
    }
}

#[test]
fn every_other_reading_comes_with_the_test_that_decides() {
    let r = reading(&[100.0, 300.0], None);
    let p = given(&[[0.7, 0.0, 0.0], [0.0, 0.0, 0.3]], 0.0, 0.0);
    let list = ambiguities(&r, &p, &by_pattern(&p), (Pattern::Healthy, Some(0)));
    assert_eq!(list.len(), 1);
    assert_eq!(list[0].test, deciding::DecidingTest::GiveEngineSpeed);
    assert_eq!(list[0].next_test, list[0].test.statement());
    assert!(near(list[0].probability, 0.3));
}

#[test]
fn a_record_in_which_nothing_repeats_has_a_verdict_and_no_cycle() {
    let judgement = judge(&reading(&[], None));
    assert_eq!(judgement.chosen, None);
    assert!(judgement.candidates.is_empty() && judgement.rectifier.evidence.is_empty());
    let r = &judgement.rectifier;
    assert!(matches!(r.pattern, Pattern::NotCharging | Pattern::Undetermined), "{}", r.pattern);
    assert_eq!(r.reason.is_some(), r.pattern == Pattern::Undetermined);
    assert_eq!(r.test.is_some(), r.pattern == Pattern::Undetermined);
    assert!(near(r.probabilities.iter().map(|p| p.1).sum(), 1.0));
}

#[test]
fn the_verdict_is_the_most_probable_pattern_if_it_reaches_a_half() {
    use crate::rectifier::ideal::{IdealCircuit, value};
    use std::f64::consts::TAU;
    // Textbook waveforms of 200 Hz, a volt to the phase's peak, on 14 V, at 50 kHz.
    let judged = |circuit: IdealCircuit, expected_hz: Option<(f64, f64)>| {
        let volts = (0..10_000).map(|i| 14.0 + value(circuit, TAU * 200.0 * f64::from(i) / 5e4)).collect();
        let trace = crate::Trace::from_f64(volts, 5e4, crate::Coupling::Dc, crate::Role::ChargingPost).unwrap();
        judge(&Reading::new(&trace, 6, expected_hz).unwrap())
    };
    for circuit in [IdealCircuit::SixPulse, IdealCircuit::OneDiodeOpen, IdealCircuit::OpenPhase] {
        for expected_hz in [None, Some((200.0, 0.03)), Some((61.0, 0.03))] {
            let Judgement { rectifier: r, chosen, candidates } = judged(circuit, expected_hz);
            let (best, p) = most_probable(&r.probabilities);
            assert_eq!(r.pattern, if p >= 0.5 { best } else { Pattern::Undetermined });
            let named = r.probabilities.iter().find(|(pattern, _)| *pattern == r.pattern).unwrap().1;
            assert!(near(r.probability(), named) && named < 1.0);
            assert_eq!(r.reason.is_some(), r.pattern == Pattern::Undetermined);
            assert!(chosen.is_none_or(|i| i < candidates.len()));
            assert!(r.ambiguous_with.iter().all(|a| a.pattern != r.pattern));
        }
        // An expectation raises the frequency expected and lowers another.
        let of = |expected_hz| -> f64 {
            let near = |c: &&FrequencyCandidate| (c.electrical_hz / 200.0 - 1.0).abs() < 0.01;
            judged(circuit, expected_hz).candidates.iter().filter(near).map(|c| c.probability).sum()
        };
        let (right, none, wrong) = (of(Some((200.0, 0.03))), of(None), of(Some((61.0, 0.03))));
        assert!(right >= none && none > wrong, "{right} {none} {wrong}");
    }
}

#[test]
fn what_is_not_named_says_how_far_the_best_came() {
    assert_eq!(reason(Pattern::OpenDiode, 0.4321), "the most probable pattern, open_diode, reaches only 43 %");
    assert!(reason(Pattern::Undetermined, 0.9).starts_with("nothing in the capture repeats"));
}

#[test]
fn near_the_expected_frequency_all_within_three_standard_uncertainties_count() {
    // 3 % of 200 Hz: 182 to 218 Hz are near.
    let p = given(&[[0.2, 0.0, 0.0], [0.1, 0.0, 0.0], [0.0, 0.05, 0.0], [0.4, 0.0, 0.0]], 0.15, 0.1);
    for (hz, expected) in [([200.0, 217.0, 183.0, 100.0], 0.35), ([219.0, 181.0, 400.0, 600.0], 0.0)] {
        let told = reading(&hz, Some((200.0, 0.03)));
        let judgement = Judgement { candidates: candidates(&told.hypotheses, &p), ..judge(&told) };
        assert!(near(near_expected(&judgement, &told), expected));
        // Where nothing is expected there is nothing to look for.
        assert!(near(near_expected(&judgement, &reading(&hz, None)), 1.0));
    }
}

#[test]
fn a_second_look_is_taken_where_nothing_stands_at_what_was_told() {
    // The pulses of 310 Hz under the lines of a load that switches at 23.3 Hz, a quarter of the time on.
    use crate::rectifier::ideal::{IdealCircuit, value};
    let under_load = |circuit: IdealCircuit, mean_v: f64| {
        let volts = (0..50_000).map(|i| {
            let t = f64::from(i) / 5e4;
            let load = if (23.3 * t) % 1.0 < 0.25 { 0.05 } else { 0.0 };
            14.0 + load + mean_v * value(circuit, std::f64::consts::TAU * 310.0 * t)
        });
        crate::Trace::from_f64(volts.collect(), 5e4, crate::Coupling::Dc, crate::Role::ChargingPost).unwrap()
    };
    let (six, twelve) = (under_load(IdealCircuit::SixPulse, 0.05), under_load(IdealCircuit::TwelvePulse, 0.1));
    let told = Some((310.0, 0.03));
    for (trace, pulse_number, expected_hz) in
        [(&six, 6, told), (&twelve, 12, told), (&six, 6, None), (&twelve, 12, None)]
    {
        let first = judge(&Reading::new(trace, pulse_number, expected_hz).unwrap());
        let (reading, judgement) = read_and_judge(trace, pulse_number, expected_hz).unwrap();
        let case = format!("{pulse_number} {expected_hz:?}");
        let looked = expected_hz.is_some();
        assert_eq!(judgement.rectifier != first.rectifier, looked, "{case}");
        assert_eq!(reading.hypotheses.len() > first.candidates.len(), looked, "{case}");
        if looked {
            let named = &reading.hypotheses[judgement.chosen.unwrap()];
            assert_eq!(judgement.rectifier.pattern, Pattern::Healthy);
            assert!((named.electrical_hz() / 310.0 - 1.0).abs() < 2e-3);
        }
    }
}
