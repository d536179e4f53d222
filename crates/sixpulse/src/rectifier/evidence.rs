//! Why the model judged as it did: figures taken away group by group, and what that does to the odds.
//!
//! A group's weight is the fall of the natural logarithm of the pattern's odds (against the other patterns on the same
//! cycle) when the group's figures are set to those of a usual healthy capture, or of an average capture when the
//! pattern is healthy itself. Weights of different groups do not add up: the network is not linear.

use super::classify::ON_A_CYCLE;
use super::model::Model;
use super::signature::{self, Signature, SupplyFacts};
use super::{Evidence, Pattern};
use crate::cycle::CycleHypothesis;
use std::sync::OnceLock;

/// Groups of figures: name, unit of the value, and the figures by the start of their names.
const GROUPS: [(&str, &str, &[&str]); 8] = [
    (
        "orders_1_to_5",
        "V",
        &["order_1_share", "order_2_", "order_3_", "order_4_", "order_5_", "sub_six_", "odd_", "even_", "orders_3_9_"],
    ),
    ("orders_6_and_12", "V", &["order_6_", "order_12_", "orders_6_12_"]),
    ("orders_7_to_24", "V", &["order_7_", "order_8_", "order_9_", "order_10_", "order_11_", "orders_13_"]),
    ("phase_relations", "rad", &["phase_"]),
    ("cycle_shape", "", &["skewness", "kurtosis", "crest_share"]),
    ("ripple_level", "V", &["ripple_to_level", "level", "battery_post", "ac_coupled"]),
    ("electrical_hz", "Hz", &["electrical_hz", "line_is_", "speed_", "searches_", "relative_power"]),
    ("signal_to_noise", "", &["signal_to_noise", "explained_share", "steps", "cycles"]),
];

/// Figures of the orders from 6 up that lie below those of twelve pulses.
const ORDERS_6_TO_11: &[&str] =
    &["order_6_", "orders_6_12_", "order_7_", "order_8_", "order_9_", "order_10_", "order_11_"];

/// Numbers of the figures of each group, and of all orders below those of twelve pulses.
struct Members {
    groups: [Vec<usize>; GROUPS.len()],
    below_twelve: Vec<usize>,
}

/// The members, found once: they are the same for all captures.
fn members() -> &'static Members {
    static MEMBERS: OnceLock<Members> = OnceLock::new();
    MEMBERS.get_or_init(|| {
        let names = signature::names();
        let of = |starts: &[&str]| {
            let in_group = |name: &String| starts.iter().any(|start| name.starts_with(start));
            names.iter().enumerate().filter(|(_, name)| in_group(name)).map(|(i, _)| i).collect()
        };
        let below_twelve = of(&[GROUPS[0].2, ORDERS_6_TO_11].concat());
        Members { groups: GROUPS.map(|(_, _, starts)| of(starts)), below_twelve }
    })
}

/// The evidence for `pattern` on the chosen hypothesis, the strongest first.
pub(super) fn evidence(
    pattern: Pattern,
    hypothesis: &CycleHypothesis,
    signature: &Signature,
    facts: &SupplyFacts,
    model: &Model,
) -> Vec<Evidence> {
    let Some(index) = ON_A_CYCLE.iter().position(|&p| p == pattern) else { return Vec::new() };
    let reference = if pattern == Pattern::Healthy { model.pair_mean } else { model.healthy };
    let figures = model.changeable(&signature.values);
    let odds_without = |group: &[usize]| log_odds(&figures.scores_with(group, reference), index);
    let odds = odds_without(&[]);
    let weights = members().groups.each_ref().map(|group| odds - odds_without(group));
    let mut list: Vec<Evidence> = GROUPS
        .iter()
        .zip(weights)
        .map(|((name, unit, _), weight)| {
            let (value, statement) = figure(name, hypothesis, facts);
            Evidence { name: (*name).into(), value, unit: (*unit).into(), weight, statement }
        })
        .collect();
    let below = if facts.pulse_number == 12 { odds - odds_without(&members().below_twelve) } else { weights[0] };
    list.extend(below_the_pulses(hypothesis, facts.pulse_number, below));
    list.sort_by(|a, b| b.weight.abs().total_cmp(&a.weight.abs()));
    list
}

/// Logarithm of one score's odds against the others.
fn log_odds(scores: &[f64; 6], index: usize) -> f64 {
    let others = scores.iter().enumerate().filter(|(i, _)| *i != index).map(|(_, s)| *s);
    let top = others.clone().fold(f64::NEG_INFINITY, f64::max);
    scores[index] - top - others.map(|s| (s - top).exp()).sum::<f64>().ln()
}

/// The orders below the pulses' over the pulses', under the name of the machine's number of pulses; it weighs what those
/// orders weigh. The limits of twelve pulses are those of 360 simulated circuits (`docs/validation-rectifier.md`).
fn below_the_pulses(hypothesis: &CycleHypothesis, pulse_number: u32, weight: f64) -> Option<Evidence> {
    let (name, value, statement) = if pulse_number == 12 {
        let value = signature::sub_twelve_ratio(hypothesis)?;
        let limits = "healthy below about 0.5, a failed diode from about 1.5";
        ("sub_twelve_ratio", value, format!("sub-twelve sum S = {value:.2} ({limits})"))
    } else {
        let value = signature::sub_six_ratio(hypothesis)?;
        let limits = "healthy below about 0.3, a failed diode from about 6";
        ("sub_six_ratio", value, format!("sub-six sum S = {value:.2} ({limits})"))
    };
    Some(Evidence { name: name.into(), value, unit: String::new(), weight, statement })
}

fn c(hypothesis: &CycleHypothesis, n: usize) -> f64 {
    hypothesis.spectra.mean.get(n - 1).map_or(0.0, |a| a.norm())
}

fn root_sum(hypothesis: &CycleHypothesis, orders: impl Iterator<Item = usize>) -> f64 {
    orders.map(|n| c(hypothesis, n).powi(2)).sum::<f64>().sqrt()
}

fn millivolts(hypothesis: &CycleHypothesis, orders: impl Iterator<Item = usize>) -> String {
    orders.map(|n| format!("{:.1}", 1e3 * c(hypothesis, n))).collect::<Vec<_>>().join(", ")
}

/// The value of a group and the figure in a sentence.
fn figure(name: &str, h: &CycleHypothesis, facts: &SupplyFacts) -> (f64, String) {
    match name {
        "orders_1_to_5" => (
            root_sum(h, 1..=5),
            format!("orders 1 to 5 have {} mV, order 6 has {:.1} mV", millivolts(h, 1..=5), 1e3 * c(h, 6)),
        ),
        "orders_6_and_12" => (
            root_sum(h, [6, 12].into_iter()),
            format!("orders 6 and 12 have {} mV", millivolts(h, [6, 12].into_iter())),
        ),
        "orders_7_to_24" => (root_sum(h, 7..=24), format!("orders 7 to 11 have {} mV", millivolts(h, 7..=11))),
        "phase_relations" => {
            let at = |n: usize| h.spectra.mean.get(n - 1).map_or(0.0, |a| a.arg());
            let relation = angle(2.0 * at(1) - at(2));
            (
                relation,
                format!(
                    "order 2 lies {relation:.2} rad from twice order 1, order 3 {:.2} rad from three times",
                    angle(3.0 * at(1) - at(3))
                ),
            )
        }
        "cycle_shape" => {
            let (up, down) = peaks(h);
            (
                up / down.max(1e-12),
                format!("the mean cycle rises {:.0} mV above and falls {:.0} mV below its mean", 1e3 * up, 1e3 * down),
            )
        }
        "ripple_level" => {
            let rms = root_sum(h, 1..=24) / std::f64::consts::SQRT_2;
            let level = facts.level_v.map_or_else(String::new, |v| format!(" on {v:.2} V"));
            (rms, format!("the ripple has {:.1} mV r.m.s.{level}", 1e3 * rms))
        }
        "electrical_hz" => (h.electrical_hz(), format!("the electrical frequency is {:.1} Hz", h.electrical_hz())),
        _ => {
            let noise = (0..h.spectra.mean.len()).map(|i| h.spectra.mean_std(i).powi(2)).sum::<f64>().sqrt();
            let ratio = root_sum(h, 1..=24) / noise.max(1e-12);
            (
                ratio,
                format!("the orders stand {ratio:.0} times above their scatter over {} cycles", h.spectra.cycle_count),
            )
        }
    }
}

/// To -pi .. pi.
fn angle(radians: f64) -> f64 {
    use std::f64::consts::{PI, TAU};
    (radians + PI).rem_euclid(TAU) - PI
}

/// How far the mean cycle goes above and below its mean, volts.
fn peaks(h: &CycleHypothesis) -> (f64, f64) {
    let mean = &h.mean_points;
    let level = mean.iter().sum::<f64>() / mean.len() as f64;
    let (low, high) = mean.iter().fold((f64::MAX, f64::MIN), |(l, h), &x| (l.min(x), h.max(x)));
    (high - level, level - low)
}

/// The sub-kind that the orders suggest; `None` where they do not tell one.
///
/// By simulation of battery-fed bridges: a weak phase or a resistance in a stator lead leaves even
/// orders alone, a leaking diode raises order 3 against order 1, a resistive diode raises order 1 most. Two open
/// diodes on the same and on opposite rails are not told apart from the DC side.
pub(super) fn sub_kind(pattern: Pattern, h: &CycleHypothesis) -> Option<String> {
    match pattern {
        Pattern::Imbalance => {
            let (c1, c2, c3) = (c(h, 1), c(h, 2), c(h, 3));
            let word = if c2 > 3.0 * c1.max(c3) {
                "weak_phase_or_stator_lead"
            } else if c3 > 0.42 * c1 && c2 < c3 {
                "leaking_diode"
            } else if c1 > c2.max(c3) {
                "resistive_diode_joint"
            } else {
                return None;
            };
            Some(word.into())
        }
        Pattern::TwoOpenDiodes => Some("same_or_opposite_rail".into()),
        _ => None,
    }
}

#[cfg(test)]
mod tests;
