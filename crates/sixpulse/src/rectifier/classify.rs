//! From the hypotheses on the cycle to the verdict on the rectifier.
//!
//! Frequency and pattern are judged together: an open phase looks much like a healthy bridge at a third of the
//! speed, so every (frequency, pattern) pair gets a score, two further scores stand for "no ripple" and "not a
//! rectifier's ripple", and one soft-max over all of them gives the probabilities. A known frequency enters as soft
//! evidence on its side of the pairs.

use super::deciding;
use super::evidence;
use super::model::{Model, model};
use super::signature::{self, Reading, Signature, SupplyFacts};
use super::{Ambiguity, Pattern, Rectifier};
use crate::cycle::{CycleHypothesis, EXPECTED_WITHIN, FrequencyCandidate};
use crate::error::Result;
use crate::trace::Trace;

/// The six patterns that show on a cycle, in the order of the scores.
pub(super) const ON_A_CYCLE: [Pattern; 6] = [
    Pattern::Healthy,
    Pattern::OpenDiode,
    Pattern::ShortedDiode,
    Pattern::OpenPhase,
    Pattern::TwoOpenDiodes,
    Pattern::Imbalance,
];
/// Probability below which the best pattern is not named.
const LEAST_PROBABILITY: f64 = 0.5;
/// Probability of the frequencies near the expected one above which it is not looked for again: something is there, if not
/// clear enough to be named.
const STANDS_AT_EXPECTED: f64 = 1.0 / 3.0;
/// Probability that a pattern needs on a line found by a second look: a line of a switched load may pass for one of a sound
/// bridge. Over 290 simulated captures of which no pattern had been named (85 machines that do not charge among them, each
/// at both posts; frequency given right and 2 % off) nothing above it was wrong.
const NAMED_AT_SECOND_LOOK: f64 = 0.8;
/// Probability from which another reading is mentioned.
const MENTIONED: f64 = 0.05;
/// Weight of a frequency that contradicts the expected one: a wrong engine speed or ratio is that likely. (With 0.01 a lost
/// phase could be read at twice the frequency that was given, as two open diodes.)
const EXPECTATION_WRONG: f64 = 0.001;

/// Probability from which a reading of another electrical frequency is mentioned: a wrong frequency makes every figure that
/// rests on it wrong, so it is warned of sooner.
const MENTIONED_AT_ANOTHER_HZ: f64 = 0.03;
/// The same where one frequency is 2, 3 or 6 times the other, for both make the same lines: only the pulses' sizes tell them
/// apart. At 0.003 one right frequency in eight that was not told has such a reading beside it (1,729 simulated captures).
const MENTIONED_AT_A_MULTIPLE: f64 = 0.003;
/// Frequencies further apart than this, relatively, are different ones.
const ANOTHER_HZ: f64 = 0.01;
/// Weight of a frequency at which no single fault would make the cycle: as good as none.
const REPEATS_IN_ITSELF: f64 = 1e-6;

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

/// Reads a supply trace and judges it. Where the frequency is known and yet no pattern at it can be named, the pulses'
/// line is looked for once more at that frequency alone, and all is judged again.
///
/// # Errors
/// As [`Reading::new`].
pub(crate) fn read_and_judge(
    trace: &Trace,
    pulse_number: u32,
    expected_hz: Option<(f64, f64)>,
) -> Result<(Reading, Judgement)> {
    let mut reading = Reading::new(trace, pulse_number, expected_hz)?;
    let judgement = judge(&reading);
    let named = |j: &Judgement| !matches!(j.rectifier.pattern, Pattern::Undetermined | Pattern::NotCharging);
    if named(&judgement) || near_expected(&judgement, &reading) > STANDS_AT_EXPECTED {
        return Ok((reading, judgement));
    }
    let known = reading.hypotheses.len();
    if reading.look_at_expected(trace)? {
        let second = judge(&reading);
        let on_new = second.chosen.is_some_and(|i| i >= known);
        if on_new && named(&second) && second.rectifier.probability() >= NAMED_AT_SECOND_LOOK {
            return Ok((reading, second));
        }
        reading.hypotheses.truncate(known);
    }
    Ok((reading, judgement))
}

/// Probability of all frequencies near the expected one, all patterns on a cycle taken together.
fn near_expected(judgement: &Judgement, reading: &Reading) -> f64 {
    let Some((hz, relative_std)) = reading.facts.expected_hz else { return 1.0 };
    let near = |c: &&FrequencyCandidate| (c.electrical_hz / hz - 1.0).abs() < EXPECTED_WITHIN * relative_std;
    judgement.candidates.iter().filter(near).map(|c| c.probability).sum()
}

/// Judges the hypotheses together.
#[must_use]
pub fn judge(reading: &Reading) -> Judgement {
    let Reading { hypotheses, facts } = reading;
    let model = model(facts.pulse_number);
    let signatures = reading.signatures();
    let mut scores = score(reading, &signatures, model);
    exclude_multiples(&mut scores, hypotheses, facts);
    expect_frequency(&mut scores, hypotheses, facts);
    let probabilities = soft_max(&scores);
    let by_pattern = by_pattern(&probabilities);
    let (best, probability) = most_probable(&by_pattern);
    let pattern = if probability >= LEAST_PROBABILITY { best } else { Pattern::Undetermined };
    let chosen = chosen_hypothesis(&probabilities, best).or_else(|| likeliest(&probabilities, hypotheses, facts));
    let evidence = chosen
        .map_or_else(Vec::new, |i| evidence::evidence(best, &hypotheses[i], &signatures[i], &reading.facts, model));
    let rectifier = Rectifier {
        pattern,
        sub_kind: chosen.and_then(|i| evidence::sub_kind(pattern, &hypotheses[i])),
        sub_six_ratio: chosen
            .filter(|_| facts.pulse_number == 6)
            .and_then(|i| signature::sub_six_ratio(&hypotheses[i])),
        evidence,
        ambiguous_with: ambiguities(reading, &probabilities, &by_pattern, (pattern, chosen)),
        reason: (pattern == Pattern::Undetermined).then(|| reason(best, probability)),
        test: (pattern == Pattern::Undetermined).then(|| deciding::undetermined(facts)),
        probabilities: by_pattern,
        model_version: model.version.into(),
    };
    Judgement { rectifier, chosen, candidates: candidates(hypotheses, &probabilities) }
}

fn score(reading: &Reading, signatures: &[Signature], model: &Model) -> Scores {
    let [not_charging, undetermined] = model.record_scores(&reading.record_figures().values);
    Scores { pairs: signatures.iter().map(|s| model.pair_scores(&s.values)).collect(), not_charging, undetermined }
}

/// Takes out the frequencies at which the cycle would repeat in itself (see [`signature::repeats_in_itself`]).
fn exclude_multiples(scores: &mut Scores, hypotheses: &[CycleHypothesis], facts: &SupplyFacts) {
    // Twelve pulses have other multiples.
    if facts.pulse_number != 6 {
        return;
    }
    for (pair, _) in scores.pairs.iter_mut().zip(hypotheses).filter(|(_, h)| signature::repeats_in_itself(h)) {
        pair.iter_mut().for_each(|s| *s += REPEATS_IN_ITSELF.ln());
    }
}

/// Adds what the expected frequency says: a normal density in the logarithm, with a floor for a wrong expectation.
fn expect_frequency(scores: &mut Scores, hypotheses: &[CycleHypothesis], facts: &SupplyFacts) {
    let Some((hz, relative_std)) = facts.expected_hz else { return };
    for (pair, h) in scores.pairs.iter_mut().zip(hypotheses) {
        let off = (h.electrical_hz() / hz).ln() / relative_std;
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

/// The most probable hypothesis for the pattern; `None` for a pattern that shows on no cycle.
fn chosen_hypothesis(p: &Scores, pattern: Pattern) -> Option<usize> {
    let i = ON_A_CYCLE.iter().position(|&q| q == pattern)?;
    (0..p.pairs.len()).max_by(|&a, &b| p.pairs[a][i].total_cmp(&p.pairs[b][i]))
}

/// The cycle to report where no pattern on a cycle won: the most probable hypothesis where the frequency is expected, else
/// the most probable of all if it has some probability.
fn likeliest(p: &Scores, hypotheses: &[CycleHypothesis], facts: &SupplyFacts) -> Option<usize> {
    if p.not_charging > p.undetermined {
        return None;
    }
    let total = |i: usize| p.pairs[i].iter().sum::<f64>();
    let expected = |i: usize| {
        facts.expected_hz.is_some_and(|(hz, relative_std)| {
            (hypotheses[i].electrical_hz() / hz - 1.0).abs() < EXPECTED_WITHIN * relative_std
        })
    };
    let best = |among: &dyn Fn(usize) -> bool| {
        (0..p.pairs.len()).filter(|&i| among(i)).max_by(|&a, &b| total(a).total_cmp(&total(b)))
    };
    best(&expected).or_else(|| best(&|_| true).filter(|&i| total(i) >= MENTIONED))
}

fn candidates(hypotheses: &[CycleHypothesis], p: &Scores) -> Vec<FrequencyCandidate> {
    let mut list: Vec<FrequencyCandidate> = hypotheses
        .iter()
        .zip(&p.pairs)
        .map(|(h, pair)| {
            let (i, _) = pair.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap_or((0, &0.0));
            FrequencyCandidate {
                electrical_hz: h.electrical_hz(),
                probability: pair.iter().sum(),
                pattern: ON_A_CYCLE[i],
            }
        })
        .collect();
    list.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    list
}

/// The other readings worth a mention, each with the test that would decide.
fn ambiguities(
    reading: &Reading,
    p: &Scores,
    by_pattern: &[(Pattern, f64)],
    (named, chosen): (Pattern, Option<usize>),
) -> Vec<Ambiguity> {
    let hz = |i: usize| reading.hypotheses[i].electrical_hz();
    let best = (named, chosen.map(hz));
    let mentioned_from = |electrical_hz: Option<f64>| match (best.1, electrical_hz) {
        (Some(a), Some(b)) if is_multiple(a, b) || is_multiple(b, a) => MENTIONED_AT_A_MULTIPLE,
        (Some(a), Some(b)) if (b / a - 1.0).abs() > ANOTHER_HZ => MENTIONED_AT_ANOTHER_HZ,
        _ => MENTIONED,
    };
    let mut list: Vec<Ambiguity> = by_pattern
        .iter()
        .filter(|(pattern, _)| *pattern != named && *pattern != Pattern::Undetermined)
        .map(|&(pattern, probability)| (pattern, probability, chosen_hypothesis(p, pattern).map(hz)))
        .filter(|&(_, probability, electrical_hz)| probability >= mentioned_from(electrical_hz))
        .map(|(pattern, probability, electrical_hz)| {
            let test = deciding::between(best, (pattern, electrical_hz), &reading.facts);
            Ambiguity { pattern, electrical_hz, probability, test, next_test: test.statement().into() }
        })
        .collect();
    list.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    list
}

/// Tells whether a frequency is 2, 3 or 6 times another.
fn is_multiple(hz: f64, of_hz: f64) -> bool {
    [2.0, 3.0, 6.0].into_iter().any(|times| (hz / (times * of_hz) - 1.0).abs() < ANOTHER_HZ)
}

fn reason(best: Pattern, probability: f64) -> String {
    if best == Pattern::Undetermined {
        "nothing in the capture repeats as a rectifier's ripple does".into()
    } else {
        format!("the most probable pattern, {best}, reaches only {:.0} %", 100.0 * probability)
    }
}

#[cfg(test)]
mod tests;
