//! From the hypotheses on the cycle to the verdict on the rectifier.
//!
//! Frequency and pattern are judged together: an open phase looks much like a healthy bridge at a third of the
//! speed, so every (frequency, pattern) pair gets a score, two further scores stand for "no ripple" and "not a
//! rectifier's ripple", and one soft-max over all of them gives the probabilities. A known frequency enters as soft
//! evidence on its side of the pairs.

use super::signature::{self, Reading, SupplyFacts};
use super::{Ambiguity, Evidence, Pattern, Rectifier};
use crate::cycle::{CycleHypothesis, FrequencyCandidate};

/// The six patterns that show on a cycle, in the order of the scores.
const ON_A_CYCLE: [Pattern; 6] = [
    Pattern::Healthy,
    Pattern::OpenDiode,
    Pattern::ShortedDiode,
    Pattern::OpenPhase,
    Pattern::TwoOpenDiodes,
    Pattern::Imbalance,
];
/// Probability below which the best pattern is not named.
const LEAST_PROBABILITY: f64 = 0.5;
/// Probability from which another reading is mentioned.
const MENTIONED: f64 = 0.05;
/// Weight of a frequency that contradicts the expected one: a wrong engine speed or ratio is that likely.
const EXPECTATION_WRONG: f64 = 0.01;

/// The verdict with the cycle it rests on.
#[derive(Debug, Clone)]
pub struct Judgement {
    /// The verdict.
    pub rectifier: Rectifier,
    /// Index of the hypothesis it rests on; `None` when no cycle was accepted.
    pub chosen: Option<usize>,
    /// Every frequency considered, the most probable first.
    pub candidates: Vec<FrequencyCandidate>,
}

/// Scores (natural logarithms, up to a common constant) of everything the capture may be.
struct Scores {
    pairs: Vec<[f64; 6]>,
    not_charging: f64,
    undetermined: f64,
}

/// Judges the hypotheses together.
#[must_use]
pub fn judge(reading: &Reading) -> Judgement {
    let Reading { hypotheses, facts } = reading;
    let mut scores = score(hypotheses, facts);
    expect_frequency(&mut scores, hypotheses, facts);
    let probabilities = soft_max(&scores);
    let pattern_probabilities = by_pattern(&probabilities);
    let (best, probability) = most_probable(&pattern_probabilities);
    let pattern = if probability >= LEAST_PROBABILITY { best } else { Pattern::Undetermined };
    let chosen = chosen_hypothesis(&probabilities, best);
    let candidates = candidates(hypotheses, &probabilities);
    let rectifier = Rectifier {
        pattern,
        probabilities: pattern_probabilities,
        sub_kind: None,
        sub_six_ratio: chosen.and_then(|i| signature::sub_six_ratio(&hypotheses[i])),
        evidence: chosen.map_or_else(Vec::new, |i| evidence(&hypotheses[i])),
        ambiguous_with: ambiguities(hypotheses, &probabilities, best),
        reason: (pattern == Pattern::Undetermined).then(|| reason(best, probability)),
        model_version: "rules-1".into(),
    };
    Judgement { rectifier, chosen, candidates }
}

/// Plain rules on the orders' shares; see the module of the fitted model for what replaces them.
fn score(hypotheses: &[CycleHypothesis], facts: &SupplyFacts) -> Scores {
    let pairs = hypotheses.iter().map(|h| score_one(h, facts)).collect::<Vec<_>>();
    let quiet = facts.ac_rms_v < 0.03;
    let low = facts.level_v.is_none_or(|v| v < 13.2 || (v > 20.0 && v < 26.4));
    Scores { pairs, not_charging: if quiet && low { 0.0 } else { -12.0 }, undetermined: -3.0 }
}

fn score_one(h: &CycleHypothesis, facts: &SupplyFacts) -> [f64; 6] {
    let c = |n: usize| h.spectra.mean.get(n - 1).map_or(0.0, |a| a.norm());
    let std: f64 = (0..h.spectra.mean.len()).map(|i| h.spectra.mean_std(i).powi(2)).sum::<f64>().sqrt();
    let size = (1..=12).map(|n| c(n) * c(n)).sum::<f64>().sqrt();
    let explained = 0.5 * size * size / facts.ac_rms_v.powi(2).max(1e-18);
    let base = 2.0 * explained.min(1.0)
        - h.rank as f64
        - if size < 6.0 * std { 8.0 } else { 0.0 }
        - if h.track.mean_hz() < 80.0 { 3.0 } else { 0.0 };
    let s = signature::sub_six_ratio(h).unwrap_or(9.0);
    let even = (c(2).powi(2) + c(4).powi(2)) / (1..=5).map(|n| c(n).powi(2)).sum::<f64>().max(1e-18);
    let near = |x: f64, centre: f64, width: f64| -0.5 * ((x - centre) / width).powi(2).min(40.0);
    let hard = near(s.max(1e-3).ln().min(3.0), 3.0, 0.7);
    let (r2, r3) = (c(2) / c(1).max(1e-9), c(3) / c(1).max(1e-9));
    let odd = if even > 0.95 { -8.0 } else { 0.0 };
    let comb = if h.line_order == 6 { 1.0 } else { 0.0 };
    [
        base + comb + near(s.max(0.02).ln(), -3.0, 1.0),
        base + hard + odd + near(r2, 0.45, 0.12) + near(r3, 0.2, 0.08),
        base + hard + odd + near(r3.min(1.5), 0.9, 0.25),
        base + hard + if even > 0.95 { 0.0 } else { -10.0 },
        base + hard + odd + near(r2, 0.2, 0.08) + near(r3, 0.1, 0.06),
        base - 1.0 + near(s.max(1e-3).ln(), 0.3, 0.5),
    ]
}

/// Adds what the expected frequency says: a normal density in the logarithm, with a floor for a wrong expectation.
fn expect_frequency(scores: &mut Scores, hypotheses: &[CycleHypothesis], facts: &SupplyFacts) {
    let Some((hz, relative_std)) = facts.expected_hz else { return };
    for (pair, h) in scores.pairs.iter_mut().zip(hypotheses) {
        let off = (h.track.mean_hz() / hz).ln() / relative_std;
        let weight = EXPECTATION_WRONG + (1.0 - EXPECTATION_WRONG) * (-0.5 * off * off).exp();
        pair.iter_mut().for_each(|s| *s += weight.ln());
    }
}

fn soft_max(scores: &Scores) -> Scores {
    let all = scores.pairs.iter().flatten().chain([&scores.not_charging, &scores.undetermined]);
    let top = all.clone().copied().fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = all.map(|s| (s - top).exp()).sum();
    let p = |s: f64| (s - top).exp() / total;
    Scores {
        pairs: scores.pairs.iter().map(|pair| pair.map(p)).collect(),
        not_charging: p(scores.not_charging),
        undetermined: p(scores.undetermined),
    }
}

fn by_pattern(p: &Scores) -> Vec<(Pattern, f64)> {
    Pattern::ALL
        .into_iter()
        .map(|pattern| {
            let probability = match pattern {
                Pattern::NotCharging => p.not_charging,
                Pattern::Undetermined => p.undetermined,
                _ => ON_A_CYCLE
                    .iter()
                    .position(|&q| q == pattern)
                    .map_or(0.0, |i| p.pairs.iter().map(|pair| pair[i]).sum()),
            };
            (pattern, probability)
        })
        .collect()
}

fn most_probable(probabilities: &[(Pattern, f64)]) -> (Pattern, f64) {
    probabilities.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((Pattern::Undetermined, 1.0))
}

/// The most probable hypothesis for the pattern; any, when the pattern shows on no cycle but one stands out.
fn chosen_hypothesis(p: &Scores, pattern: Pattern) -> Option<usize> {
    let i = ON_A_CYCLE.iter().position(|&q| q == pattern)?;
    (0..p.pairs.len()).max_by(|&a, &b| p.pairs[a][i].total_cmp(&p.pairs[b][i]))
}

fn candidates(hypotheses: &[CycleHypothesis], p: &Scores) -> Vec<FrequencyCandidate> {
    let mut list: Vec<FrequencyCandidate> = hypotheses
        .iter()
        .zip(&p.pairs)
        .map(|(h, pair)| {
            let (i, _) = pair.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap_or((0, &0.0));
            FrequencyCandidate {
                electrical_hz: h.track.mean_hz(),
                probability: pair.iter().sum(),
                pattern: ON_A_CYCLE[i],
            }
        })
        .collect();
    list.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    list
}

fn ambiguities(hypotheses: &[CycleHypothesis], p: &Scores, best: Pattern) -> Vec<Ambiguity> {
    let mut list = Vec::new();
    for (i, &pattern) in ON_A_CYCLE.iter().enumerate().filter(|(_, q)| **q != best) {
        let top = (0..p.pairs.len()).max_by(|&a, &b| p.pairs[a][i].total_cmp(&p.pairs[b][i]));
        let probability: f64 = p.pairs.iter().map(|pair| pair[i]).sum();
        if let Some(top) = top.filter(|_| probability >= MENTIONED) {
            list.push(Ambiguity {
                pattern,
                electrical_hz: Some(hypotheses[top].track.mean_hz()),
                probability,
                next_test: deciding_test(best, pattern).into(),
            });
        }
    }
    list.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    list
}

/// The test that tells two patterns apart.
fn deciding_test(best: Pattern, other: Pattern) -> &'static str {
    use Pattern::{Healthy, Imbalance, OpenPhase, ShortedDiode};
    match (best, other) {
        (Healthy, OpenPhase) | (OpenPhase, Healthy) => {
            "Give the engine speed, pulley ratio and pole pairs: the two readings differ threefold in electrical frequency."
        }
        (Healthy, Imbalance) | (Imbalance, Healthy) => {
            "Capture again at the alternator's post with a heavy electrical load on: an unequal phase grows with current."
        }
        (ShortedDiode, _) | (_, ShortedDiode) => {
            "With the engine off and the battery disconnected, test the diodes of the rectifier in both directions."
        }
        _ => {
            "Probe a stator terminal against the case: a missing half-wave shows which diode or phase does not conduct."
        }
    }
}

fn reason(best: Pattern, probability: f64) -> String {
    if best == Pattern::Undetermined {
        "nothing in the capture repeats as a rectifier's ripple does".into()
    } else {
        format!("the most probable pattern, {best}, reaches only {:.0} %", 100.0 * probability)
    }
}

fn evidence(h: &CycleHypothesis) -> Vec<Evidence> {
    let c = |n: usize| h.spectra.mean.get(n - 1).map_or(0.0, |a| a.norm());
    let mut list = Vec::new();
    if let Some(s) = signature::sub_six_ratio(h) {
        list.push(Evidence {
            name: "sub_six_ratio".into(),
            value: s,
            unit: String::new(),
            weight: 0.0,
            statement: format!("orders 1 to 5 together are {s:.2} times order 6"),
        });
    }
    for n in [1, 2, 3, 6] {
        list.push(Evidence {
            name: format!("order_{n}"),
            value: c(n),
            unit: "V".into(),
            weight: 0.0,
            statement: format!("order {n} has {:.1} mV", 1e3 * c(n)),
        });
    }
    list
}
