//! Names of what a scenario shows: the fault, the condition beside it, and the pattern that an analysis should report.

use serde::{Deserialize, Serialize};
use sixpulse::rectifier::Pattern;

use crate::bridge::{DiodeCondition, LeadCondition, Leg};
use crate::error::{Error, Result};
use crate::solve::Circuit;

/// What is wrong with the alternator.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// Nothing.
    Healthy,
    /// One diode conducts never.
    OpenDiode,
    /// One diode conducts both ways.
    ShortedDiode,
    /// One phase delivers nothing: its lead is broken or both of its diodes are open.
    OpenPhase,
    /// Two open diodes of different phases on one rail.
    TwoOpenSameRail,
    /// Two open diodes of different phases on opposite rails.
    TwoOpenOpposite,
    /// 50 to 250 milliohm in series with a diode or a stator lead.
    ResistiveJoint,
    /// One phase with 60 to 85 % of the EMF, or with shorted turns.
    WeakPhase,
    /// 0.5 to 5 ohm across a diode.
    LeakingDiode,
    /// The EMF stays below the battery (field circuit open or nearly so).
    NotCharging,
    /// Set by hand; the pattern is worked out from the circuit.
    Custom,
}

impl Fault {
    /// Every fault that is drawn, in the order of the documented mix.
    pub const DRAWN: [Self; 10] = [
        Self::Healthy,
        Self::OpenDiode,
        Self::ShortedDiode,
        Self::OpenPhase,
        Self::TwoOpenSameRail,
        Self::TwoOpenOpposite,
        Self::ResistiveJoint,
        Self::WeakPhase,
        Self::LeakingDiode,
        Self::NotCharging,
    ];

    /// The word for it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Healthy => "healthy",
            Self::OpenDiode => "open_diode",
            Self::ShortedDiode => "shorted_diode",
            Self::OpenPhase => "open_phase",
            Self::TwoOpenSameRail => "two_open_same_rail",
            Self::TwoOpenOpposite => "two_open_opposite",
            Self::ResistiveJoint => "resistive_joint",
            Self::WeakPhase => "weak_phase",
            Self::LeakingDiode => "leaking_diode",
            Self::NotCharging => "not_charging",
            Self::Custom => "custom",
        }
    }

    /// The pattern to which it belongs; `None` for [`Fault::Custom`].
    #[must_use]
    pub fn pattern(self) -> Option<Pattern> {
        match self {
            Self::Healthy => Some(Pattern::Healthy),
            Self::OpenDiode => Some(Pattern::OpenDiode),
            Self::ShortedDiode => Some(Pattern::ShortedDiode),
            Self::OpenPhase => Some(Pattern::OpenPhase),
            Self::TwoOpenSameRail | Self::TwoOpenOpposite => Some(Pattern::TwoOpenDiodes),
            Self::ResistiveJoint | Self::WeakPhase | Self::LeakingDiode => Some(Pattern::Imbalance),
            Self::NotCharging => Some(Pattern::NotCharging),
            Self::Custom => None,
        }
    }
}

/// What else makes the capture hard to read; none of it is a fault of the alternator.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Condition {
    /// Nothing.
    Plain,
    /// Battery impedance of an aged or small battery.
    PoorBattery,
    /// A load switched with hard edges, or pulsed.
    SwitchedLoad,
    /// Firing irregularity of 1.5 to 5 %.
    UnevenEngine,
    /// Speed changing by 10 to 40 % over the record.
    Ramp,
}

impl Condition {
    /// All of them.
    pub const ALL: [Self; 5] = [Self::Plain, Self::PoorBattery, Self::SwitchedLoad, Self::UnevenEngine, Self::Ramp];

    /// The word for it; empty for [`Condition::Plain`].
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Plain => "",
            Self::PoorBattery => "poor_battery",
            Self::SwitchedLoad => "switched_load",
            Self::UnevenEngine => "uneven_engine",
            Self::Ramp => "ramp",
        }
    }
}

/// Name of fault and condition together, such as `healthy_poor_battery` or `open_diode_ramp`.
#[must_use]
pub fn sub_kind(fault: Fault, condition: Condition) -> String {
    match condition {
        Condition::Plain => fault.as_str().into(),
        other => format!("{}_{}", fault.as_str(), other.as_str()),
    }
}

/// What a draw is asked for: any part left open is drawn from the documented mix.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Wanted {
    /// The pattern.
    pub pattern: Option<Pattern>,
    /// The fault.
    pub fault: Option<Fault>,
    /// The condition.
    pub condition: Option<Condition>,
}

impl std::str::FromStr for Wanted {
    type Err = Error;

    /// Reads a pattern (`two_open_diodes`), a fault (`two_open_opposite`) or a fault with a condition
    /// (`open_diode_ramp`). A fault alone leaves the condition open.
    fn from_str(word: &str) -> Result<Self> {
        if let Some(fault) = Fault::DRAWN.into_iter().find(|f| f.as_str() == word) {
            return Ok(Self { fault: Some(fault), ..Self::default() });
        }
        for fault in Fault::DRAWN {
            for condition in Condition::ALL {
                if sub_kind(fault, condition) == word {
                    return Ok(Self { fault: Some(fault), condition: Some(condition), ..Self::default() });
                }
            }
        }
        match word {
            "two_open_diodes" => Ok(Self { pattern: Some(Pattern::TwoOpenDiodes), ..Self::default() }),
            "imbalance" => Ok(Self { pattern: Some(Pattern::Imbalance), ..Self::default() }),
            _ => Err(unknown_kind(word)),
        }
    }
}

fn unknown_kind(word: &str) -> Error {
    let mut words: Vec<&str> = Fault::DRAWN.iter().map(|f| f.as_str()).collect();
    words.extend(["two_open_diodes", "imbalance"]);
    let conditions: Vec<&str> = Condition::ALL.iter().skip(1).map(|c| c.as_str()).collect();
    sixpulse::Error::UnknownName {
        parameter: "pattern".into(),
        expected: format!("{} (a fault may be followed by _{})", words.join(", "), conditions.join(", _")),
        actual: word.into(),
    }
    .into()
}

/// Joints from here on count as a fault, ohm: ten times a sound diode's resistance.
pub const JOINT_LIMIT_OHM: f64 = 0.03;
/// Leaks up to here count as a fault, ohm: above, no more than an ampere or so flows back.
pub const LEAK_LIMIT_OHM: f64 = 10.0;
/// Spread of the phases' EMF from here on counts as a fault; healthy machines stay within 2 %.
pub const SPREAD_LIMIT: f64 = 0.1;
/// Resistance to the case up to which a stator lead counts as shorted, ohm.
pub const SHORT_LIMIT_OHM: f64 = 0.1;

/// The pattern that a circuit shows, from its faults alone (whether it charges is seen in the solution).
/// Faults of different sorts together, three open diodes, and intermittent joints have no pattern of their own:
/// [`Pattern::Undetermined`].
#[must_use]
pub fn pattern_of(circuit: &Circuit) -> Pattern {
    let legs = &circuit.bridge.legs;
    let shorted = legs.iter().map(shorts).sum::<usize>();
    let dead = legs.iter().filter(|l| opens(l) == 2).count();
    let open = legs.iter().filter(|l| opens(l) == 1).count();
    if legs.iter().any(intermittent) {
        return Pattern::Undetermined;
    }
    match (shorted, dead, open) {
        (0, 0, 0) if soft_fault(circuit) => Pattern::Imbalance,
        (0, 0, 0) => Pattern::Healthy,
        (1, 0, 0) => Pattern::ShortedDiode,
        (0, 1, 0) => Pattern::OpenPhase,
        (0, 0, 1) => Pattern::OpenDiode,
        (0, 0, 2) => Pattern::TwoOpenDiodes,
        _ => Pattern::Undetermined,
    }
}

fn opens(leg: &Leg) -> usize {
    if leg.lead == LeadCondition::Broken {
        return 2;
    }
    [leg.positive, leg.negative].into_iter().filter(|d| *d == DiodeCondition::Open).count()
}

fn shorts(leg: &Leg) -> usize {
    let case = matches!(leg.lead, LeadCondition::ShortToCase { ohm } if ohm <= SHORT_LIMIT_OHM);
    let diodes =
        [leg.positive, leg.negative].into_iter().filter(|d| matches!(d, DiodeCondition::Shorted { .. })).count();
    diodes + usize::from(case)
}

fn intermittent(leg: &Leg) -> bool {
    [leg.positive, leg.negative].into_iter().any(|d| matches!(d, DiodeCondition::Intermittent { .. }))
}

fn soft_fault(circuit: &Circuit) -> bool {
    let soft = |d: DiodeCondition| match d {
        DiodeCondition::ResistiveJoint { ohm } => ohm >= JOINT_LIMIT_OHM,
        DiodeCondition::Leaking { ohm } => ohm <= LEAK_LIMIT_OHM,
        _ => false,
    };
    let lead = |l: LeadCondition| match l {
        LeadCondition::Resistive { ohm } => ohm >= JOINT_LIMIT_OHM,
        LeadCondition::ShortToCase { ohm } => ohm <= LEAK_LIMIT_OHM,
        _ => false,
    };
    let scale = &circuit.alternator.emf.phase_scale;
    let low = scale.iter().copied().fold(f64::INFINITY, f64::min);
    let high = scale.iter().copied().fold(0.0, f64::max);
    circuit.alternator.turn_short.is_some()
        || high - low >= SPREAD_LIMIT
        || circuit.bridge.legs.iter().any(|l| soft(l.positive) || soft(l.negative) || lead(l.lead))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_name_faults_conditions_and_patterns() {
        let wanted: Wanted = "healthy_poor_battery".parse().unwrap();
        assert_eq!((wanted.fault, wanted.condition), (Some(Fault::Healthy), Some(Condition::PoorBattery)));
        let wanted: Wanted = "imbalance".parse().unwrap();
        assert_eq!((wanted.pattern, wanted.fault), (Some(Pattern::Imbalance), None));
        let error = "sick".parse::<Wanted>().unwrap_err();
        assert_eq!((error.code(), error.parameter()), ("unknown_name", "pattern"));
    }

    #[test]
    fn every_drawn_fault_has_a_pattern_and_a_word_of_its_own() {
        let mut words: Vec<&str> = Fault::DRAWN.iter().map(|f| f.as_str()).collect();
        assert!(Fault::DRAWN.iter().all(|f| f.pattern().is_some()));
        words.sort_unstable();
        words.dedup();
        assert_eq!(words.len(), Fault::DRAWN.len());
    }
}
