//! Which rectifier pattern the ripple shows.

pub mod classify;
mod coefficients;
mod coefficients_12;
mod deciding;
mod evidence;
pub mod ideal;
#[cfg(test)]
mod made_up;
pub mod model;
pub mod signature;

use crate::trace::words;
pub use deciding::DecidingTest;

/// What the ripple's shape says of the rectifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Pattern {
    /// Six (or twelve) equal pulses in each cycle.
    Healthy,
    /// One diode does not conduct.
    OpenDiode,
    /// One diode conducts both ways.
    ShortedDiode,
    /// One phase does not deliver: its lead or both of its diodes.
    OpenPhase,
    /// Two diodes of different phases do not conduct.
    TwoOpenDiodes,
    /// Unequal pulses short of a hard fault: a resistive joint, a weak phase, a leaking diode.
    Imbalance,
    /// No rectifier ripple: the alternator does not deliver.
    NotCharging,
    /// The capture does not tell.
    Undetermined,
}
words!(Pattern, "pattern",
    "healthy" => Pattern::Healthy, "open_diode" => Pattern::OpenDiode, "shorted_diode" => Pattern::ShortedDiode,
    "open_phase" => Pattern::OpenPhase, "two_open_diodes" => Pattern::TwoOpenDiodes,
    "imbalance" => Pattern::Imbalance, "not_charging" => Pattern::NotCharging,
    "undetermined" => Pattern::Undetermined,
);

impl Pattern {
    /// Every pattern, in the order of the probabilities.
    pub const ALL: [Self; 8] = [
        Self::Healthy,
        Self::OpenDiode,
        Self::ShortedDiode,
        Self::OpenPhase,
        Self::TwoOpenDiodes,
        Self::Imbalance,
        Self::NotCharging,
        Self::Undetermined,
    ];
    /// True for the four patterns of a failed diode or phase.
    #[must_use]
    pub fn is_hard_fault(self) -> bool {
        matches!(self, Self::OpenDiode | Self::ShortedDiode | Self::OpenPhase | Self::TwoOpenDiodes)
    }
}

/// One figure that moved the verdict.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Evidence {
    /// Stable name of the figure, such as `sub_six_ratio`.
    pub name: String,
    /// Its value.
    pub value: f64,
    /// Unit; empty for a ratio.
    pub unit: String,
    /// How far it moved the verdict: natural logarithm of the odds for the pattern; positive speaks for it.
    pub weight: f64,
    /// The figure in a sentence.
    pub statement: String,
}

/// Another reading that the same capture allows, with the test that would decide.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Ambiguity {
    /// The other pattern.
    pub pattern: Pattern,
    /// The electrical frequency it would need, hertz.
    pub electrical_hz: Option<f64>,
    /// Its probability.
    pub probability: f64,
    /// Kind of the test that would decide.
    pub test: DecidingTest,
    /// The test that would decide, in a sentence.
    pub next_test: String,
}

/// The verdict on the rectifier.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Rectifier {
    /// The pattern.
    pub pattern: Pattern,
    /// Probability of every pattern in the order of [`Pattern::ALL`]; sums to 1.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub probabilities: Vec<(Pattern, f64)>,
    /// Sub-kind that the shape suggests (same or opposite rail; resistive joint, weak phase or leak); never a phase or
    /// rail, which the DC side cannot tell.
    pub sub_kind: Option<String>,
    /// `sqrt(c1^2 + ... + c5^2) / c6`, the sub-six sum: below about 0.3 healthy, above about 6 a hard fault. `None` without a
    /// cycle, and of a machine with twelve pulses, whose order 6 is no measure: there `sub_twelve_ratio` stands in the
    /// evidence, `sqrt(c1^2 + ... + c11^2) / c12`, below about 0.5 healthy, from about 1.5 a hard fault.
    pub sub_six_ratio: Option<f64>,
    /// What moved the verdict, the strongest first.
    pub evidence: Vec<Evidence>,
    /// Other readings that the capture allows.
    pub ambiguous_with: Vec<Ambiguity>,
    /// Why the pattern is undetermined, where it is.
    pub reason: Option<String>,
    /// The test that would decide, where the pattern is undetermined for want of information.
    pub test: Option<DecidingTest>,
    /// Version of the model that judged.
    pub model_version: String,
}

impl Rectifier {
    /// Probability of the pattern that is named.
    pub(crate) fn probability(&self) -> f64 {
        self.probabilities.iter().find(|(p, _)| *p == self.pattern).map_or(0.0, |(_, p)| *p)
    }

    /// Nothing could be said, for the reason given.
    #[must_use]
    pub fn undetermined(reason: &str) -> Self {
        let certain = |p: Pattern| if p == Pattern::Undetermined { 1.0 } else { 0.0 };
        Self {
            pattern: Pattern::Undetermined,
            probabilities: Pattern::ALL.into_iter().map(|p| (p, certain(p))).collect(),
            sub_kind: None,
            sub_six_ratio: None,
            evidence: Vec::new(),
            ambiguous_with: Vec::new(),
            reason: Some(reason.into()),
            test: None,
            model_version: crate::VERSION.into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hard_faults_are_the_four_of_a_failed_diode_or_phase() {
        let hard: Vec<Pattern> = Pattern::ALL.into_iter().filter(|p| p.is_hard_fault()).collect();
        assert_eq!(hard, [Pattern::OpenDiode, Pattern::ShortedDiode, Pattern::OpenPhase, Pattern::TwoOpenDiodes]);
    }

    #[test]
    fn what_could_not_be_told_is_undetermined_for_certain() {
        let verdict = Rectifier::undetermined("too short");
        assert_eq!((verdict.pattern, verdict.reason.as_deref()), (Pattern::Undetermined, Some("too short")));
        assert_eq!(verdict.probabilities.len(), Pattern::ALL.len());
        for (pattern, p) in &verdict.probabilities {
            assert_eq!(*p, if *pattern == Pattern::Undetermined { 1.0 } else { 0.0 });
        }
        assert_eq!(verdict.probability(), 1.0);
        assert_eq!(Rectifier { pattern: Pattern::Healthy, ..verdict }.probability(), 0.0);
    }
}
