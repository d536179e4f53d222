//! Which of several circuits suffers most.

use super::{Contamination, ContaminationVerdict};

/// One circuit in the ranking.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Victim {
    /// Name of the trace.
    pub name: String,
    /// The verdict on it.
    pub verdict: ContaminationVerdict,
    /// True when the ripple makes its count false.
    pub false_count: bool,
    /// R.m.s. of the ripple in it, volts; `None` where none was found.
    pub ripple_rms_v: Option<f64>,
    /// Factor on the ripple at which its count becomes false; see [`super::Count::ripple_margin`].
    pub ripple_margin: Option<f64>,
}

/// The circuits in the order in which they deserve attention: contaminated ones with a false count (the least margin
/// first), contaminated ones that still count right (the least margin first, then the most ripple), undetermined ones,
/// clean ones; of equals in the order given.
///
/// ```
/// use sixpulse::contamination::rank;
/// assert!(rank(&[]).is_empty());
/// ```
#[must_use]
pub fn rank(found: &[(String, Contamination)]) -> Vec<Victim> {
    let mut victims: Vec<Victim> = found.iter().map(|(name, c)| victim(name, c)).collect();
    victims.sort_by(|a, b| {
        let margin = |v: &Victim| v.ripple_margin.unwrap_or(f64::INFINITY);
        let ripple = |v: &Victim| v.ripple_rms_v.unwrap_or(0.0);
        (class(a).cmp(&class(b))).then(margin(a).total_cmp(&margin(b))).then(ripple(b).total_cmp(&ripple(a)))
    });
    victims
}

fn victim(name: &str, c: &Contamination) -> Victim {
    Victim {
        name: name.to_owned(),
        verdict: c.verdict,
        false_count: c.verdict == ContaminationVerdict::Contaminated && c.ripple_margin.is_some_and(|m| m <= 1.0),
        ripple_rms_v: c.ripple_rms_v,
        ripple_margin: c.ripple_margin,
    }
}

fn class(v: &Victim) -> u8 {
    match v.verdict {
        ContaminationVerdict::Contaminated if v.false_count => 0,
        ContaminationVerdict::Contaminated => 1,
        ContaminationVerdict::Undetermined => 2,
        ContaminationVerdict::Clean => 3,
    }
}
