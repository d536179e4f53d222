//! What an intervention proves of one circuit.

use super::effect::{DoseResponse, Effect};
use super::observe::{Signal, Transfer};
use crate::trace::words;

/// Whether the disturbance comes from the charging ripple.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum InterventionVerdict {
    /// It goes with the ripple.
    CausedByChargingRipple,
    /// It stays when the ripple goes: look elsewhere.
    NotSupported,
    /// The captures do not tell.
    Undetermined,
}
words!(InterventionVerdict, "verdict", "caused_by_charging_ripple" => InterventionVerdict::CausedByChargingRipple,
    "not_supported" => InterventionVerdict::NotSupported, "undetermined" => InterventionVerdict::Undetermined);

/// Why a verdict on an intervention is what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum InterventionCode {
    /// Caused: the circuit's signal goes with the ripple.
    FollowsRipple,
    /// Caused: it goes with the ripple and comes back with it.
    FollowsAndReturns,
    /// Not supported: it stays though the ripple went.
    CircuitStays,
    /// Undetermined: the first capture shows no ripple to take away.
    NoRippleBefore,
    /// Undetermined: the engine stood, and with it everything else that it drives.
    EngineStopped,
    /// Undetermined: the ripple did not change, so the intervention did not act.
    RippleUnchanged,
    /// Undetermined: the circuit shows nothing clear of its noise before the intervention.
    CircuitBelowNoise,
    /// Undetermined: the circuit's own signal changed or lies in the way (the sensor turned).
    SensorTurned,
    /// Undetermined: it changed less than the ripple did.
    ChangesLess,
    /// Undetermined: it changed more than the ripple did.
    ChangesMore,
    /// Undetermined: the ripple came back, the circuit's signal did not.
    DidNotReturn,
    /// Undetermined: over the steps, what the circuit shows does not grow from nothing with the ripple.
    DoseDisagrees,
}
words!(InterventionCode, "code", "follows_ripple" => InterventionCode::FollowsRipple,
    "follows_and_returns" => InterventionCode::FollowsAndReturns, "circuit_stays" => InterventionCode::CircuitStays,
    "no_ripple_before" => InterventionCode::NoRippleBefore, "engine_stopped" => InterventionCode::EngineStopped,
    "ripple_unchanged" => InterventionCode::RippleUnchanged, "circuit_below_noise" => InterventionCode::CircuitBelowNoise,
    "sensor_turned" => InterventionCode::SensorTurned, "changes_less" => InterventionCode::ChangesLess,
    "changes_more" => InterventionCode::ChangesMore, "did_not_return" => InterventionCode::DidNotReturn,
    "dose_disagrees" => InterventionCode::DoseDisagrees);

impl InterventionCode {
    /// The verdict to which it belongs.
    #[must_use]
    pub fn verdict(self) -> InterventionVerdict {
        match self {
            Self::FollowsRipple | Self::FollowsAndReturns => InterventionVerdict::CausedByChargingRipple,
            Self::CircuitStays => InterventionVerdict::NotSupported,
            _ => InterventionVerdict::Undetermined,
        }
    }

    /// The next test in a sentence.
    #[must_use]
    pub fn next_test(self) -> &'static str {
        match self {
            Self::FollowsAndReturns => {
                "Repair the source of the ripple first, then capture the circuit again before replacing anything in it."
            }
            Self::FollowsRipple => {
                "Restore the connection with the engine off, start, and capture once more: the disturbance must come back with the ripple."
            }
            Self::CircuitStays => {
                "Look elsewhere: test the circuit's own sensor, ground, screen and supply, and other sources near its harness."
            }
            Self::NoRippleBefore => {
                "Capture again at the alternator's output terminal with lamps and blower on, before the intervention."
            }
            Self::EngineStopped => {
                "Repeat with the engine running at the same speed: make the change with the engine off, then start it."
            }
            Self::RippleUnchanged => {
                "Make sure that the intervention acts: with the field off, the charging level falls to the battery's own voltage and the ripple goes."
            }
            Self::CircuitBelowNoise => {
                "Capture while the complaint is present, at the control module's end of the circuit, with a finer voltage range."
            }
            Self::SensorTurned => "Repeat all captures with the sensor at rest and the engine at one speed.",
            Self::ChangesLess | Self::ChangesMore | Self::DoseDisagrees => {
                "Repeat with the ripple taken away altogether, or in more steps, the sensor at rest and the engine at one speed."
            }
            Self::DidNotReturn => {
                "Repeat the intervention: unplugging may have cleared a poor contact in the circuit itself."
            }
        }
    }
}

/// Least factor by which the ripple must change to say anything.
pub(super) const LEAST_CHANGE: f64 = 1.5;
/// Factor by which the circuit may depart from proportion and still follow the ripple: the path's gain differs from
/// order to order, and load and speed shift the orders' shares.
const PROPORTION: f64 = 1.5;
/// Ripple left of which nothing more is asked: the circuit need not fall further than this either.
const GONE: f64 = 0.1;
/// A circuit that keeps at least this share of its signal while the ripple goes does not follow it.
const STAYS: f64 = 0.7;
/// A circuit that grew by this factor while the ripple went has taken in something else.
const GREW: f64 = 1.25;
/// What a circuit's own signal leaks into the ripple's orders: less than this share of it proves nothing there.
const LEAK: f64 = 0.05;
/// Share from which a signal counts beside another one.
const KEPT: f64 = 0.5;
/// A circuit's own signal changed when it grew or fell by this factor and is half as strong as the disturbance.
const OWN_CHANGE: f64 = 2.0;
/// Gain that must have been seen to say that a circuit carries none of the ripple, volts per volt.
const SEEN_GAIN: f64 = 0.1;
/// Relative difference of the gain before and after that the path's change with speed and load explains.
const SAME_GAIN: f64 = 0.3;
/// Stages from which the line over them is asked for its intercept.
const STAGES_FOR_DOSE: usize = 4;

/// One circuit over the stages.
pub(super) struct Case<'a> {
    pub(super) before: &'a Signal,
    /// The stage at which the ripple changed most.
    pub(super) during: &'a Signal,
    /// Whether that stage has a cycle of its own.
    pub(super) during_tracked: bool,
    pub(super) after: Option<&'a Signal>,
    /// Ripple r.m.s. before, volts.
    pub(super) ripple_before_v: f64,
    pub(super) ripple: &'a Effect,
    pub(super) ripple_return: Option<&'a Effect>,
    pub(super) dose: Option<&'a DoseResponse>,
}

/// True when the ripple changed enough, in either direction.
pub(super) fn acted(ripple: &Effect) -> bool {
    ripple.ratio_high < 1.0 / LEAST_CHANGE || ripple.ratio_low > LEAST_CHANGE
}

impl Case<'_> {
    pub(super) fn judge(&self) -> InterventionCode {
        if !self.before.at_ripple.is_clear() {
            return self.nothing_at_the_ripple();
        }
        let carries = matches!(&self.before.transfer, Transfer::Carries(_));
        if !carries && self.before.at_ripple.rms() < LEAK * self.before.own().rms() {
            return InterventionCode::CircuitBelowNoise;
        }
        let Some(circuit) = Effect::between(&self.before.at_ripple, &self.during.at_ripple) else {
            return InterventionCode::CircuitBelowNoise;
        };
        let code = follow(self.ripple, &circuit);
        match code {
            InterventionCode::FollowsRipple if self.own_changed() => InterventionCode::SensorTurned,
            InterventionCode::FollowsRipple => self.with_return_and_dose(),
            _ if self.own_changed() || self.own_in_the_way() => InterventionCode::SensorTurned,
            other => other,
        }
    }

    /// The circuit shows nothing at the ripple's orders before: either it shows nothing at all, or something else.
    fn nothing_at_the_ripple(&self) -> InterventionCode {
        let would_be_seen = self.before.at_ripple.interval().1 < SEEN_GAIN * self.ripple_before_v;
        if !self.before.whole.is_clear() || !would_be_seen {
            return InterventionCode::CircuitBelowNoise;
        }
        let fell = self.ripple.ratio_high < 1.0 / LEAST_CHANGE;
        match Effect::between(&self.before.whole, &self.during.whole) {
            Some(whole) if fell && whole.ratio_low > STAYS && whole.ratio < GREW => InterventionCode::CircuitStays,
            _ => InterventionCode::SensorTurned,
        }
    }

    /// The circuit's own signal, beside the ripple's orders, changed by an amount comparable with the disturbance.
    fn own_changed(&self) -> bool {
        let (before, during) = (self.before.own(), self.during.own());
        let (low, high) = if before.rms() < during.rms() { (before, during) } else { (during, before) };
        high.is_clear() && high.rms() > OWN_CHANGE * low.rms() && high.rms() > KEPT * self.before.at_ripple.rms()
    }

    /// Without a cycle the bands about the ripple's orders are wide enough for a tooth frequency to fall into one. What
    /// was the supply's ripple by its transfer does not stay without it: something else came in.
    fn own_in_the_way(&self) -> bool {
        if !self.during_tracked && matches!(self.before.transfer, Transfer::Carries(_)) {
            return true;
        }
        let own = self.before.own().rms().max(self.during.own().rms());
        !self.during_tracked && own > KEPT * self.during.at_ripple.rms()
    }

    fn with_return_and_dose(&self) -> InterventionCode {
        if let Some(dose) = self.dose.filter(|d| d.stages >= STAGES_FOR_DOSE)
            && dose.intercept_v_low > KEPT * self.before.at_ripple.rms()
        {
            return InterventionCode::DoseDisagrees;
        }
        let back = self.ripple_return.filter(|r| r.ratio > KEPT && r.ratio < 1.0 / KEPT);
        let (Some(ripple), Some(after)) = (back, self.after) else { return InterventionCode::FollowsRipple };
        if !same_transfer(&self.before.transfer, &after.transfer) {
            return InterventionCode::DidNotReturn;
        }
        let may_be_back = Effect::between(&self.before.at_ripple, &after.at_ripple)
            .is_some_and(|circuit| circuit.ratio_high > ripple.ratio_low * KEPT);
        if !may_be_back {
            InterventionCode::DidNotReturn
        } else if after.at_ripple.is_clear() {
            InterventionCode::FollowsAndReturns
        } else {
            // What would have come back may lie in the noise: the capture says nothing of the return.
            InterventionCode::FollowsRipple
        }
    }
}

/// False where two stages tell the transfer and it differs: in sign, or by more than [`SAME_GAIN`] and three standard
/// uncertainties.
fn same_transfer(before: &Transfer, after: &Transfer) -> bool {
    match (before, after) {
        (Transfer::Carries(a), Transfer::Carries(b)) => {
            let allowed = SAME_GAIN * a.gain.abs() + 3.0 * a.gain_std.hypot(b.gain_std);
            (a.gain - b.gain).abs() <= allowed && a.gain * b.gain > 0.0
        }
        (Transfer::Carries(_), Transfer::Clean) => false,
        _ => true,
    }
}

/// The circuit's change beside the ripple's, both seen as a fall.
fn follow(ripple: &Effect, circuit: &Effect) -> InterventionCode {
    let fall = |e: &Effect| {
        if ripple.ratio > 1.0 { (1.0 / e.ratio_high, 1.0 / e.ratio_low.max(1e-9)) } else { (e.ratio_low, e.ratio_high) }
    };
    let (ripple_low, ripple_high) = fall(ripple);
    let (low, high) = fall(circuit);
    // Halfway, in the logarithm, between following and staying; what is gone need not go further.
    let halfway = ripple_high.max(GONE).sqrt();
    if low > GREW {
        // It grew while the ripple went: something else came in, most likely the wheel.
        return InterventionCode::SensorTurned;
    }
    if low > halfway.max(STAYS) {
        return InterventionCode::CircuitStays;
    }
    if low > PROPORTION * ripple_high.max(GONE) || high > halfway.max(1.0 - 2.0 * GONE) {
        return InterventionCode::ChangesLess;
    }
    if high < ripple_low.max(GONE) / PROPORTION && ripple_low > GONE {
        return InterventionCode::ChangesMore;
    }
    InterventionCode::FollowsRipple
}

#[cfg(test)]
mod tests {
    use super::*;

    fn effect(low: f64, high: f64) -> Effect {
        Effect { ratio: (low * high).sqrt(), ratio_low: low, ratio_high: high, log_ratio: None, log_ratio_std: None }
    }

    #[test]
    fn a_circuit_that_follows_stays_or_neither() {
        use InterventionCode::{ChangesLess, ChangesMore, CircuitStays, FollowsRipple, SensorTurned};
        for (ripple, circuit, wanted) in [
            ((0.0, 0.02), (0.0, 0.1), FollowsRipple),
            ((0.0, 0.02), (0.9, 1.1), CircuitStays),
            ((0.0, 0.02), (0.3, 0.35), ChangesLess),
            ((0.0, 0.02), (0.0, 0.95), ChangesLess),
            ((0.0, 0.02), (0.6, 0.65), ChangesLess),
            ((0.0, 0.02), (70.0, 74.0), SensorTurned),
            ((0.48, 0.52), (0.4, 0.6), FollowsRipple),
            ((0.48, 0.52), (0.95, 1.05), CircuitStays),
            ((0.48, 0.52), (0.01, 0.05), ChangesMore),
            ((1.9, 2.1), (1.8, 2.3), FollowsRipple),
            ((1.9, 2.1), (0.95, 1.05), CircuitStays),
        ] {
            let code = follow(&effect(ripple.0, ripple.1), &effect(circuit.0, circuit.1));
            assert_eq!(code, wanted, "ripple {ripple:?}, circuit {circuit:?}");
        }
    }

    #[test]
    fn what_the_transfer_proved_needs_no_share_of_the_wheels_signal() {
        use crate::compare::batches::Power;
        use crate::compare::observe::Carried;
        let power = |rms: f64, relative: f64| Power { mean_square: rms * rms, std: relative * rms * rms, freedom: 60 };
        // 41 mV of ripple beside a wheel's 3.3 V; without it at most 0.7 mV are left of it.
        let whole = power(3.28, 0.01);
        let during = Signal { at_ripple: power(1e-4, 50.0), whole, transfer: Transfer::Unknown };
        let judged = |transfer| {
            let before = Signal { at_ripple: power(0.041, 0.01), whole, transfer };
            let case = Case {
                before: &before,
                during: &during,
                during_tracked: false,
                after: None,
                ripple_before_v: 0.49,
                ripple: &effect(0.0, 0.02),
                ripple_return: None,
                dose: None,
            };
            case.judge()
        };
        let carried = Carried { gain: 0.084, gain_std: 0.001, pattern: vec![(1, 8e-4), (2, 8e-4)], wander: 0.0 };
        assert_eq!(judged(Transfer::Carries(carried)), InterventionCode::FollowsRipple);
        // Without it the wheel may have leaked as much into the ripple's orders.
        assert_eq!(judged(Transfer::Unknown), InterventionCode::CircuitBelowNoise);
    }

    #[test]
    fn a_restored_capture_that_says_nothing_does_not_contradict() {
        use crate::compare::batches::Power;
        let power = |rms: f64, relative: f64| Power { mean_square: rms * rms, std: relative * rms * rms, freedom: 15 };
        let signal = |at_ripple: Power| Signal { at_ripple, whole: at_ripple, transfer: Transfer::Unknown };
        let (before, during) = (signal(power(0.1, 0.02)), signal(power(1e-4, 3.0)));
        let (ripple, back) = (effect(0.0, 0.02), effect(0.95, 1.05));
        // Noise of up to 126 mV hides what should have come back; one of 10 mV would not; and it may have come back.
        for (after, wanted) in [
            (power(0.05, 2.5), InterventionCode::FollowsRipple),
            (power(0.004, 2.5), InterventionCode::DidNotReturn),
            (power(0.1, 0.02), InterventionCode::FollowsAndReturns),
        ] {
            let after = signal(after);
            let case = Case {
                before: &before,
                during: &during,
                during_tracked: true,
                after: Some(&after),
                ripple_before_v: 0.3,
                ripple: &ripple,
                ripple_return: Some(&back),
                dose: None,
            };
            assert_eq!(case.judge(), wanted);
        }
    }

    #[test]
    fn only_a_change_beyond_its_interval_counts_as_one() {
        assert!(acted(&effect(0.0, 0.6)) && acted(&effect(1.6, 3.0)));
        assert!(!acted(&effect(0.5, 0.7)) && !acted(&effect(0.9, 1.1)) && !acted(&effect(1.4, 3.0)));
    }

    #[test]
    fn every_code_has_a_word_and_a_next_test() {
        for word in ["follows_ripple", "circuit_stays", "engine_stopped", "dose_disagrees"] {
            let code: InterventionCode = word.parse().unwrap();
            assert_eq!(code.as_str(), word);
            assert!(code.next_test().ends_with('.'));
        }
        assert_eq!("gone".parse::<InterventionCode>().unwrap_err().code(), "unknown_name");
    }
}
