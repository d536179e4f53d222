//! How much ripple there is, apart from what makes it.
//!
//! Severity is not identity: a poor battery or a long cable raises the ripple of a sound bridge, and a failed diode can
//! stay below the trade's limits. So the amount is set against three kinds of yardstick, each named with its source,
//! and no pattern is concluded from it.
//!
//! - **common practice**: limits for an AC voltmeter at the alternator's post;
//! - **standards**: the superimposed alternating voltage that equipment must bear (ISO 16750-2:2023, 4.4);
//! - **the healthy range**: what simulated sound machines of the same speed and current make.
//!
//! # The healthy range
//! Regression over 700 simulated healthy 6-pulse machines (`Draw` with pattern `healthy`, seed 31, members 0 to 699; 593
//! with an ordinary battery, 107 with a poor one): `rms = r (f / 300 Hz)^a (I / 40 A)^b s`, `f` the electrical frequency,
//! `I` the mean current of the bridge, `s` 1 at 12 V. Where no current was captured, `b = 0` and the range is wider. The
//! range holds 90 % of the simulated machines (5 to 95 %). Machines with 12 pulses have no range.

use crate::cycle::Cycle;
use crate::level::SYSTEM_BORDER_V;
use crate::ripple::Ripple;
use crate::trace::{Capture, Coupling, Role, words};

/// What a limit rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum LimitBasis {
    /// A published standard.
    Standard,
    /// Workshop practice; no standard stands behind it.
    CommonPractice,
}
words!(LimitBasis, "basis", "standard" => LimitBasis::Standard, "common_practice" => LimitBasis::CommonPractice);

/// The ripple against one limit.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct LimitComparison {
    /// Stable name of the limit.
    pub code: String,
    /// What it rests on.
    pub basis: LimitBasis,
    /// Where it is from, and how sure that is.
    pub source: String,
    /// The field of [`Ripple`] that is compared: `rms_v` or `peak_to_peak_v`.
    pub quantity: String,
    /// Its value, volts.
    pub value_v: f64,
    /// The limit, volts.
    pub limit_v: f64,
    /// Value / limit.
    pub ratio: f64,
    /// True above the limit.
    pub exceeded: bool,
    /// False where the limit is meant for another measuring point: a limit for the alternator's post says nothing at the battery.
    pub applies: bool,
}

/// Condition of the battery that a healthy range is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum BatteryCondition {
    /// As most are.
    Ordinary,
    /// Aged: several times the resistance.
    Poor,
}
words!(BatteryCondition, "battery", "ordinary" => BatteryCondition::Ordinary, "poor" => BatteryCondition::Poor);

/// The ripple that a sound machine makes.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct HealthyRange {
    /// The battery's condition that the range is for.
    pub battery: BatteryCondition,
    /// Lower end (5 % of simulated machines lie below), volts r.m.s.
    pub low_v: f64,
    /// Middle, volts r.m.s.
    pub middle_v: f64,
    /// Upper end (5 % lie above), volts r.m.s.
    pub high_v: f64,
}

/// Where the amount lies against the healthy ranges.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum RippleAmount {
    /// Less than sound machines with an ordinary battery make.
    BelowHealthy,
    /// As sound machines with an ordinary battery make.
    Usual,
    /// More than those, but as sound machines with a poor battery make.
    AsWithPoorBattery,
    /// More than either.
    AboveHealthy,
}
words!(RippleAmount, "amount", "below_healthy" => RippleAmount::BelowHealthy, "usual" => RippleAmount::Usual,
    "as_with_poor_battery" => RippleAmount::AsWithPoorBattery, "above_healthy" => RippleAmount::AboveHealthy);

/// How much ripple there is.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct RippleSeverity {
    /// Nominal voltage of the system, 12 or 24.
    pub system_v: f64,
    /// False where AC coupling hides the level: 12 V is then an assumption.
    pub system_v_known: bool,
    /// Mean current of the bridge, amperes, where a DC-coupled current was captured.
    pub charging_current_a: Option<f64>,
    /// The ripple against every limit.
    pub limits: Vec<LimitComparison>,
    /// What sound machines make at this speed (and current, where known); empty without a cycle.
    pub healthy_ranges: Vec<HealthyRange>,
    /// Where the ripple lies against them; `None` without a range.
    pub amount: Option<RippleAmount>,
}

/// A limit with what it is for.
struct Limit {
    code: &'static str,
    basis: LimitBasis,
    source: &'static str,
    peak_to_peak: bool,
    /// Volts in a 12 V system, and in a 24 V system where one is known.
    limit_v: (f64, Option<f64>),
    at_the_alternator: bool,
}

const LIMITS: [Limit; 4] = [
    Limit {
        code: "meter_at_alternator_0_5_v",
        basis: LimitBasis::CommonPractice,
        source: "trade press: AC volts at the alternator's output, 3000 rpm, low beam on, above 0.5 V suspicious",
        peak_to_peak: false,
        limit_v: (0.5, None),
        at_the_alternator: true,
    },
    Limit {
        code: "meter_at_alternator_0_3_v",
        basis: LimitBasis::CommonPractice,
        source: "training notes (weak source): above 0.3 V AC at the alternator's output a diode leaks",
        peak_to_peak: false,
        limit_v: (0.3, None),
        at_the_alternator: true,
    },
    Limit {
        code: "peak_to_peak_0_5_v",
        basis: LimitBasis::CommonPractice,
        source: "from memory, varies from school to school: below 0.5 V peak-to-peak is good",
        peak_to_peak: true,
        limit_v: (0.5, None),
        at_the_alternator: true,
    },
    Limit {
        code: "iso_16750_2_superimposed_alternating_voltage",
        basis: LimitBasis::Standard,
        source: "ISO 16750-2:2023, 4.4, severity 2 (alternator): what equipment must bear; as quoted in test catalogues",
        peak_to_peak: true,
        limit_v: (3.0, Some(3.0)),
        at_the_alternator: false,
    },
];

/// `ln rms` at 300 Hz (and 40 A), exponents of frequency and current, what 24 V adds, and the 5 and 95 % residuals.
struct HealthyLaw {
    middle: f64,
    by_hz: f64,
    by_ampere: f64,
    at_24_v: f64,
    low: f64,
    high: f64,
}

/// By (battery post?, battery, current known?).
const fn healthy_law(at_battery: bool, battery: BatteryCondition, current_known: bool) -> HealthyLaw {
    use BatteryCondition::{Ordinary, Poor};
    let (middle, by_hz, by_ampere, at_24_v, low, high) = match (at_battery, battery, current_known) {
        (false, Ordinary, true) => (-2.973, 0.54, 0.89, 0.36, -0.81, 0.85),
        (false, Ordinary, false) => (-2.796, 0.538, 0.0, -0.112, -1.20, 1.20),
        (false, Poor, true) => (-2.117, 0.18, 0.65, 0.54, -0.63, 0.59),
        (false, Poor, false) => (-2.314, 0.035, 0.0, 0.264, -0.99, 0.75),
        (true, Ordinary, true) => (-4.310, 0.12, 0.89, 0.81, -0.76, 0.75),
        (true, Ordinary, false) => (-4.133, 0.117, 0.0, 0.339, -1.23, 1.04),
        (true, Poor, true) => (-2.457, 0.03, 0.61, 0.70, -0.70, 0.60),
        (true, Poor, false) => (-2.646, -0.114, 0.0, 0.43, -0.96, 0.77),
    };
    HealthyLaw { middle, by_hz, by_ampere, at_24_v, low, high }
}

/// The range of a sound six-pulse machine.
///
/// `electrical_hz` and `current_a` (where known) are above 0; `at_battery` for the battery post.
///
/// ```
/// use sixpulse::severity::{BatteryCondition, healthy_range};
/// let post = healthy_range(300.0, Some(40.0), 12.0, false, BatteryCondition::Ordinary);
/// let battery = healthy_range(300.0, Some(40.0), 12.0, true, BatteryCondition::Ordinary);
/// assert!((post.middle_v - 0.0512).abs() < 1e-3);
/// assert!(battery.high_v < post.middle_v, "the battery cushions the ripple");
/// ```
#[must_use]
pub fn healthy_range(
    electrical_hz: f64,
    current_a: Option<f64>,
    system_v: f64,
    at_battery: bool,
    battery: BatteryCondition,
) -> HealthyRange {
    let law = healthy_law(at_battery, battery, current_a.is_some());
    let middle = law.middle
        + law.by_hz * (electrical_hz / 300.0).ln()
        + law.by_ampere * current_a.map_or(0.0, |a| (a / 40.0).ln())
        + if system_v > SYSTEM_BORDER_V { law.at_24_v } else { 0.0 };
    HealthyRange { battery, low_v: (middle + law.low).exp(), middle_v: middle.exp(), high_v: (middle + law.high).exp() }
}

/// Sets the ripple against limits and healthy ranges. `system_v` is 12 or 24; `None` where the level is hidden.
#[must_use]
pub fn judge(
    capture: &Capture,
    role: Role,
    system_v: Option<f64>,
    ripple: &Ripple,
    cycle: &Cycle,
    pulse_number: u32,
) -> RippleSeverity {
    let assumed_v = system_v.unwrap_or(12.0);
    let at_battery = role == Role::BatteryPost;
    let charging_current_a = charging_current(capture);
    let healthy_ranges: Vec<HealthyRange> = cycle
        .electrical_hz
        .filter(|_| pulse_number == 6)
        .map(|hz| {
            [BatteryCondition::Ordinary, BatteryCondition::Poor]
                .map(|battery| healthy_range(hz, charging_current_a, assumed_v, at_battery, battery))
                .into()
        })
        .unwrap_or_default();
    RippleSeverity {
        system_v: assumed_v,
        system_v_known: system_v.is_some(),
        charging_current_a,
        limits: limits(ripple.rms_v, ripple.peak_to_peak_v, assumed_v, at_battery),
        amount: amount(ripple, &healthy_ranges),
        healthy_ranges,
    }
}

fn limits(rms_v: f64, peak_to_peak_v: f64, system_v: f64, at_battery: bool) -> Vec<LimitComparison> {
    LIMITS
        .iter()
        .filter_map(|l| {
            let limit_v = if system_v > SYSTEM_BORDER_V { l.limit_v.1? } else { l.limit_v.0 };
            let (quantity, value_v) =
                if l.peak_to_peak { ("peak_to_peak_v", peak_to_peak_v) } else { ("rms_v", rms_v) };
            Some(LimitComparison {
                code: l.code.into(),
                basis: l.basis,
                source: l.source.into(),
                quantity: quantity.into(),
                value_v,
                limit_v,
                ratio: value_v / limit_v,
                exceeded: value_v > limit_v,
                applies: !(at_battery && l.at_the_alternator),
            })
        })
        .collect()
}

/// Compared is what repeats with the cycle: noise and switched loads are not the machine's.
fn amount(ripple: &Ripple, ranges: &[HealthyRange]) -> Option<RippleAmount> {
    let rms_v = ripple.synchronous_rms_v?;
    let [ordinary, poor] = ranges else { return None };
    Some(if rms_v < ordinary.low_v {
        RippleAmount::BelowHealthy
    } else if rms_v <= ordinary.high_v {
        RippleAmount::Usual
    } else if rms_v <= poor.high_v {
        RippleAmount::AsWithPoorBattery
    } else {
        RippleAmount::AboveHealthy
    })
}

/// Mean of a DC-coupled charging current, where it flows towards the battery.
fn charging_current(capture: &Capture) -> Option<f64> {
    let (_, trace) = capture.by_role(Role::ChargingCurrent)?;
    (trace.coupling() == Coupling::Dc).then(|| trace.mean().abs()).filter(|a| *a > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_grow_with_current_and_are_narrower_where_it_is_known() {
        let narrow = healthy_range(300.0, Some(40.0), 12.0, false, BatteryCondition::Ordinary);
        let wide = healthy_range(300.0, None, 12.0, false, BatteryCondition::Ordinary);
        assert!(wide.high_v / wide.low_v > 1.5 * narrow.high_v / narrow.low_v);
        let more = healthy_range(300.0, Some(80.0), 12.0, false, BatteryCondition::Ordinary);
        // Exponent 0.89: twice the current makes 1.85 times the ripple.
        assert!((more.middle_v / narrow.middle_v - 2f64.powf(0.89)).abs() < 1e-9);
        let poor = healthy_range(300.0, Some(40.0), 12.0, false, BatteryCondition::Poor);
        assert!(poor.middle_v > 2.0 * narrow.middle_v && poor.middle_v < narrow.high_v * 2.0);
    }

    #[test]
    fn a_limit_for_the_alternator_does_not_apply_at_the_battery_and_one_for_12_v_not_to_24() {
        let at_post = limits(0.6, 2.0, 12.0, false);
        assert_eq!(at_post.len(), 4);
        assert!(at_post.iter().all(|l| l.applies && (l.ratio - l.value_v / l.limit_v).abs() < 1e-15));
        assert_eq!(at_post.iter().filter(|l| l.exceeded).count(), 3);
        assert_eq!(limits(0.6, 2.0, 12.0, true).iter().filter(|l| l.applies).count(), 1);
        assert_eq!(limits(0.6, 2.0, 24.0, false).len(), 1);
    }
}
