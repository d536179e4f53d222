//! The test that would decide between two readings of one capture.

use super::Pattern;
use super::signature::SupplyFacts;
use crate::trace::{Role, words};

/// Kind of test that would decide.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum DecidingTest {
    /// State engine speed, belt ratio and pole pairs (or the electrical frequency): the readings need different ones.
    GiveEngineSpeed,
    /// Capture again at the alternator's post: the battery cushions the ripple.
    MeasureAtAlternator,
    /// Capture again on a finer range (AC-coupled): the ripple is lost in the converter's steps.
    FinerRange,
    /// Capture again under a heavy electrical load and at a higher speed.
    RaiseLoad,
    /// Probe a stator terminal: its half-waves show which diode or phase is at fault.
    ProbeStatorTerminal,
    /// Test the diodes with the engine off and the battery disconnected.
    TestDiodes,
}
words!(DecidingTest, "test", "give_engine_speed" => DecidingTest::GiveEngineSpeed,
    "measure_at_alternator" => DecidingTest::MeasureAtAlternator, "finer_range" => DecidingTest::FinerRange,
    "raise_load" => DecidingTest::RaiseLoad, "probe_stator_terminal" => DecidingTest::ProbeStatorTerminal,
    "test_diodes" => DecidingTest::TestDiodes);

impl DecidingTest {
    /// The test in a sentence.
    #[must_use]
    pub fn statement(self) -> &'static str {
        match self {
            Self::GiveEngineSpeed => {
                "Give the engine speed, belt ratio and pole pairs: the readings differ in electrical frequency."
            }
            Self::MeasureAtAlternator => {
                "Capture again at the alternator's output terminal: the battery cushions what tells them apart."
            }
            Self::FinerRange => {
                "Capture again AC-coupled on a finer range: the ripple spans too few steps of the converter."
            }
            Self::RaiseLoad => {
                "Capture again at the alternator's output terminal at fast idle with a heavy electrical load on: an unequal phase grows with current."
            }
            Self::ProbeStatorTerminal => {
                "Probe a stator terminal against the case: a missing half-wave shows which diode or phase does not conduct."
            }
            Self::TestDiodes => {
                "With the engine off and the battery disconnected, test the diodes of the rectifier in both directions."
            }
        }
    }
}

/// Frequencies that differ by more than this, relatively, are told apart by the engine speed.
const SPEED_TELLS: f64 = 0.1;
/// Ripple of fewer r.m.s. steps of the converter than this is too coarse to be judged with confidence.
const COARSE_STEPS: f64 = 1.0;

/// A reading: pattern and the electrical frequency it needs.
pub(super) type Reading = (Pattern, Option<f64>);

/// The test that would decide between two readings.
pub(super) fn between(best: Reading, other: Reading, facts: &SupplyFacts) -> DecidingTest {
    use Pattern::{Healthy, Imbalance, NotCharging, ShortedDiode, Undetermined};
    let apart = match (best.1, other.1) {
        (Some(a), Some(b)) => (a / b).ln().abs() > SPEED_TELLS,
        _ => false,
    };
    if apart && facts.expected_hz.is_none() {
        return DecidingTest::GiveEngineSpeed;
    }
    if let Some(test) = better_capture(facts) {
        return test;
    }
    match (best.0, other.0) {
        (Undetermined | NotCharging, _) | (_, Undetermined | NotCharging) => DecidingTest::RaiseLoad,
        (Healthy | Imbalance, Healthy | Imbalance) => DecidingTest::RaiseLoad,
        (ShortedDiode, _) | (_, ShortedDiode) => DecidingTest::TestDiodes,
        _ => DecidingTest::ProbeStatorTerminal,
    }
}

/// The test that would decide a capture of which no pattern can be named.
pub(super) fn undetermined(facts: &SupplyFacts) -> DecidingTest {
    match better_capture(facts) {
        Some(test) => test,
        None if facts.expected_hz.is_none() => DecidingTest::GiveEngineSpeed,
        None => DecidingTest::RaiseLoad,
    }
}

/// What a better capture of the same state would take, where this one is poor.
fn better_capture(facts: &SupplyFacts) -> Option<DecidingTest> {
    if facts.role == Role::BatteryPost {
        return Some(DecidingTest::MeasureAtAlternator);
    }
    let coarse = facts.step_v.is_some_and(|step| facts.ac_rms_v < COARSE_STEPS * step);
    coarse.then_some(DecidingTest::FinerRange)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts() -> SupplyFacts {
        SupplyFacts { ac_rms_v: 0.2, step_v: Some(0.01), ..SupplyFacts::default() }
    }

    #[test]
    fn the_engine_speed_decides_between_readings_of_different_speed_unless_it_is_known() {
        let (open, healthy) = ((Pattern::OpenPhase, Some(300.0)), (Pattern::Healthy, Some(100.0)));
        assert_eq!(between(open, healthy, &facts()), DecidingTest::GiveEngineSpeed);
        let known = SupplyFacts { expected_hz: Some((300.0, 0.03)), ..facts() };
        assert_eq!(between(open, healthy, &known), DecidingTest::ProbeStatorTerminal);
    }

    #[test]
    fn a_poor_capture_is_taken_again_where_and_how_it_shows_more() {
        let (a, b) = ((Pattern::OpenDiode, Some(200.0)), (Pattern::ShortedDiode, Some(200.0)));
        assert_eq!(between(a, b, &facts()), DecidingTest::TestDiodes);
        let battery = SupplyFacts { role: Role::BatteryPost, ..facts() };
        assert_eq!(between(a, b, &battery), DecidingTest::MeasureAtAlternator);
        let coarse = SupplyFacts { step_v: Some(0.3), ..facts() };
        assert_eq!(between(a, b, &coarse), DecidingTest::FinerRange);
        assert_eq!(undetermined(&coarse), DecidingTest::FinerRange);
        assert_eq!(undetermined(&facts()), DecidingTest::GiveEngineSpeed);
    }

    #[test]
    fn a_soft_fault_shows_under_load() {
        let (a, b) = ((Pattern::Healthy, Some(200.0)), (Pattern::Imbalance, Some(200.0)));
        assert_eq!(between(a, b, &facts()), DecidingTest::RaiseLoad);
    }
}
