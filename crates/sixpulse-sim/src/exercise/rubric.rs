//! The published rubric: what every part of a question is worth and what every known slip keeps.

use serde::{Deserialize, Serialize};

/// Version of the rubric; raised when a credit changes.
pub const RUBRIC_VERSION: u32 = 1;

/// Share of a question's points that goes by the answer itself, where confidence is asked.
pub(super) const ANSWER_SHARE: f64 = 0.8;
/// Share of the answer's points that goes by the evidence, where evidence is asked.
pub(super) const EVIDENCE_SHARE: f64 = 0.4;

/// One rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RubricRule {
    /// Stable code, as in the losses.
    pub code: String,
    /// Share of the part's points that is kept, 0 to 1.
    pub kept: f64,
    /// When it applies.
    pub when: String,
}

/// The rubric as it is published with every set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rubric {
    /// Its version.
    pub version: u32,
    /// How a question's points are divided.
    pub parts: Vec<String>,
    /// What is kept after each slip.
    pub rules: Vec<RubricRule>,
}

/// Code, share kept, and when. The first rule that applies counts.
pub(super) const RULES: [(&str, f64, &str); 27] = [
    ("close", 0.7, "A number outside the tolerance, but within twice the tolerance."),
    ("unit_slip", 0.5, "A number that is right but for a factor of 1000: millivolts for volts, kilohertz for hertz."),
    ("wrong_speed_unit", 0.5, "A speed that is right in m/s or mph, written as km/h."),
    ("percent_slip", 0.5, "A ratio that is right but for a factor of 100: per cent for volts per volt."),
    ("peak_to_peak_for_rms", 0.5, "The peak-to-peak value where r.m.s. was asked."),
    ("rms_for_peak_to_peak", 0.5, "The r.m.s. value where peak to peak was asked."),
    ("factor_of_two", 0.5, "A value half or twice the right one: peak for peak to peak, or the other way round."),
    ("sine_rule", 0.5, "Peak to peak divided by 2 sqrt 2 for r.m.s. (or the reverse): true of a sine, not of ripple."),
    (
        "pulses_for_cycle",
        0.5,
        "The frequency of the pulses (six in a cycle), or another whole multiple, for the electrical frequency.",
    ),
    ("level_for_ripple", 0.0, "The charging level where ripple was asked."),
    ("two_slips", 0.25, "Two of these slips at once."),
    ("wrong_unit", 0.0, "A unit of another quantity."),
    ("outside_tolerance", 0.0, "A number that is none of these."),
    ("undetermined_claimed", 0.0, "\"Cannot be determined\" where the capture does tell."),
    ("determined_claimed", 0.0, "A definite answer where the capture does not tell."),
    ("near_miss", 0.3, "A pattern that belongs to the same group as the right one."),
    ("wrong_choice", 0.0, "Another option than the right one."),
    ("healthy_condemned", 0.0, "A sound rectifier called faulty: a good part would be replaced."),
    ("fault_missed", 0.0, "A faulty rectifier called sound."),
    ("dangerous_choice", 0.0, "An action that could hurt someone; it is marked in the class table whatever the total."),
    ("evidence_missing", 0.0, "No evidence where it was asked; the name is graded on its own."),
    (
        "wrong_evidence",
        0.0,
        "Evidence that does not speak for the right pattern; each wrong choice beside a right one takes half.",
    ),
    (
        "wrong_order",
        0.0,
        "Steps in the wrong order: kept is (pairs in order less pairs out of order) / pairs, not below 0.",
    ),
    (
        "wrong_set",
        0.0,
        "Options missing or too many: kept is (right ones chosen less wrong ones chosen) / right ones, not below 0.",
    ),
    ("confidence_missing", 0.0, "No confidence, or none between 0 and 100 %."),
    (
        "confidence_off",
        0.0,
        "Brier score: kept is 1 - (confidence - outcome)^2, the outcome 1 for a right answer and 0 for any other.",
    ),
    ("not_answered", 0.0, "No answer."),
];

/// The share that a rule keeps.
pub(super) fn kept(code: &str) -> f64 {
    RULES.iter().find(|(c, _, _)| *c == code).map_or(0.0, |(_, k, _)| *k)
}

/// The rubric by which [`super::grade()`] grades.
///
/// ```
/// let rubric = sixpulse_sim::exercise::rubric();
/// assert_eq!(rubric.rules.iter().find(|r| r.code == "unit_slip").unwrap().kept, 0.5);
/// ```
#[must_use]
pub fn rubric() -> Rubric {
    Rubric {
        version: RUBRIC_VERSION,
        parts: [
            "Every question brings 10 points. Where confidence is asked, 8 go by the answer and 2 by the confidence; otherwise all 10 by the answer.",
            "Where evidence is asked beside a name, the answer's points are divided: 60 % for the name, 40 % for the evidence. Right evidence with a wrong name keeps its 40 %.",
            "Confidence is the probability, 0 to 100 %, that the answer is right as it stands. The Brier score is a proper scoring rule: stating what one believes brings the most points on average. 50 % always brings three quarters of these points.",
            "A number without a unit is taken in the question's unit.",
        ]
        .map(String::from)
        .into(),
        rules: RULES
            .into_iter()
            .map(|(code, kept, when)| RubricRule { code: code.into(), kept, when: when.into() })
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_rule_stands_once_and_keeps_a_share() {
        let mut codes: Vec<&str> = RULES.iter().map(|(c, _, _)| *c).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), RULES.len());
        assert!(RULES.iter().all(|(_, k, _)| (0.0..1.0).contains(k)));
        assert!(kept("two_slips") < kept("unit_slip"));
    }
}
