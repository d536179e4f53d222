//! The reasoned list that a person reads: what was found, how sure, what to test next, what not to replace yet.

use crate::compare::impedance::Impedance;
use crate::contamination::{Contamination, ContaminationVerdict};
use crate::examine::{COMPUTED_FREQUENCY_STD, Examination, GIVEN_FREQUENCY_STD, LevelVerdict};
use crate::meter::{self, Meter, MeterReading};
use crate::quality::QualityImpact;
use crate::rectifier::{DecidingTest, Pattern};
use crate::severity::{BatteryCondition, LimitBasis, RippleAmount, RippleSeverity};
use crate::trace::words;

/// How pressing a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Severity {
    /// For information.
    Info,
    /// Needs a look.
    Warning,
    /// A fault.
    Fault,
}
words!(Severity, "severity", "info" => Severity::Info, "warning" => Severity::Warning, "fault" => Severity::Fault);

/// One finding.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Finding {
    /// Stable code, such as `rectifier_open_diode`.
    pub code: String,
    /// How pressing it is.
    pub severity: Severity,
    /// What was found, in a sentence.
    pub statement: String,
    /// The figures it rests on, a sentence each.
    pub evidence: Vec<String>,
    /// The next test, where one follows.
    pub next_test: Option<String>,
}

/// Builds the list for an examination, the most pressing first.
#[must_use]
pub fn findings(examination: &Examination) -> Vec<Finding> {
    let mut list = vec![level(examination), rectifier(examination)];
    list.extend(told_frequency(examination));
    list.extend(examination.severity.as_ref().and_then(ripple_amount));
    list.extend(quality(examination));
    list.extend(
        examination.contamination.iter().map(|(name, c)| contamination(name, c, examination.rectifier.pattern)),
    );
    list.extend(points(examination));
    list.extend(meter_view(examination));
    list.extend(check_without_oscilloscope(examination));
    list.extend(keep_parts(examination));
    list.retain(|f| !f.statement.is_empty());
    list.sort_by_key(|f| match f.severity {
        Severity::Fault => 0,
        Severity::Warning => 1,
        Severity::Info => 2,
    });
    list
}

fn finding(
    code: &str,
    severity: Severity,
    statement: String,
    evidence: Vec<String>,
    next_test: Option<&str>,
) -> Finding {
    Finding { code: code.into(), severity, statement, evidence, next_test: next_test.map(Into::into) }
}

fn level(e: &Examination) -> Finding {
    let (code, severity, said, next) = match e.level.verdict {
        LevelVerdict::NotCharging => (
            "level_not_charging",
            Severity::Warning,
            "shows a battery at rest, not one being charged",
            Some(
                "With the engine running, read the voltage at the alternator's output terminal and check belt, fuse link, field supply and charge-lamp circuit.",
            ),
        ),
        LevelVerdict::Low => (
            "level_low",
            Severity::Warning,
            "lies below the usual charging window",
            Some(
                "Measure the voltage drop from the alternator's output terminal to the battery, and from case to negative post, under load.",
            ),
        ),
        LevelVerdict::Within => ("level_within", Severity::Info, "lies inside the usual charging window", None),
        LevelVerdict::High => (
            "level_high",
            Severity::Warning,
            "lies above the usual charging window",
            Some("Check the regulator's sense connection and the battery's temperature before judging the regulator."),
        ),
        LevelVerdict::Unknown => (
            "level_unknown",
            Severity::Info,
            "is not in this capture",
            Some("Take one DC-coupled capture at the same point to read the charging level."),
        ),
    };
    let evidence = match (e.level.mean_v, e.level.window_low_v, e.level.window_high_v) {
        (Some(mean), Some(low), Some(high)) => {
            vec![format!("mean {mean:.2} V, window {low:.1} to {high:.1} V at {:.0} degrees C", e.level.temperature_c)]
        }
        (Some(mean), _, _) => vec![format!("mean {mean:.2} V")],
        _ => Vec::new(),
    };
    finding(code, severity, format!("The charging level {said}."), evidence, next)
}

fn rectifier(e: &Examination) -> Finding {
    let pattern = e.rectifier.pattern;
    let (severity, statement, next) = rectifier_words(pattern);
    let mut evidence: Vec<String> = e.rectifier.evidence.iter().map(|x| x.statement.clone()).collect();
    let probability = e.rectifier.probabilities.iter().find(|(p, _)| *p == pattern).map_or(0.0, |(_, p)| *p);
    evidence.extend(probability_words(pattern, probability));
    evidence.extend(e.rectifier.reason.clone());
    evidence.extend(e.rectifier.ambiguous_with.iter().map(|a| {
        format!(
            "the capture also allows {} ({:.0} %): {}",
            pattern_words(a.pattern),
            100.0 * a.probability,
            a.next_test
        )
    }));
    let next = e.rectifier.test.map_or(next, DecidingTest::statement);
    finding(&format!("rectifier_{pattern}"), severity, statement.into(), evidence, Some(next))
}

/// Standard uncertainties of what was told beyond which a reading does not fit it.
const APART: f64 = 3.0;

/// The frequency that was told, or that engine speed and machine make, against the one that was read.
fn told_frequency(e: &Examination) -> Option<Finding> {
    let read_hz = e.cycle.electrical_hz?;
    let given = |name: &str| e.parameters.iter().find(|(n, _)| n == name).map(|(_, value)| *value);
    let computed = || Some(given("engine_rpm")? / 60.0 * given("pulley_ratio")? * given("pole_pairs")?);
    let (told_hz, std, evidence) = match given("electrical_hz") {
        Some(hz) => (hz, GIVEN_FREQUENCY_STD, format!("given {hz:.1} Hz, read {read_hz:.1} Hz")),
        None => {
            let hz = computed().filter(|hz| *hz > 0.0)?;
            let from = "engine speed, pulley ratio and pole pairs";
            (hz, COMPUTED_FREQUENCY_STD, format!("{from} make {hz:.1} Hz, read {read_hz:.1} Hz"))
        }
    };
    if (read_hz / told_hz - 1.0).abs() <= APART * std {
        return None;
    }
    Some(finding(
        "told_frequency_differs",
        Severity::Warning,
        "The electrical frequency that was read is not the one that was told.".into(),
        vec![evidence],
        Some(
            "Check engine speed, pulley ratio and pole pairs. Where they are right, do not rely on the pattern: capture again at another engine speed and see which frequency follows it.",
        ),
    ))
}

/// How sure a pattern is; never certain, and nothing where no pattern was told.
fn probability_words(pattern: Pattern, probability: f64) -> Option<String> {
    match (pattern, 100.0 * probability) {
        (Pattern::Undetermined, _) => None,
        (_, percent) if percent > 99.0 => Some("probability of this pattern more than 99 %".into()),
        (_, percent) => Some(format!("probability of this pattern {percent:.0} %")),
    }
}

/// A pattern in words for a sentence.
fn pattern_words(pattern: Pattern) -> &'static str {
    match pattern {
        Pattern::Healthy => "a healthy rectifier",
        Pattern::OpenDiode => "one open diode",
        Pattern::ShortedDiode => "one shorted diode",
        Pattern::OpenPhase => "an open phase",
        Pattern::TwoOpenDiodes => "two open diodes",
        Pattern::Imbalance => "an imbalance short of a failed diode",
        Pattern::NotCharging => "an alternator that does not deliver",
        Pattern::Undetermined => "something else than a rectifier's ripple",
    }
}

fn rectifier_words(pattern: Pattern) -> (Severity, &'static str, &'static str) {
    match pattern {
        Pattern::Healthy => (
            Severity::Info,
            "The ripple has equal pulses in each cycle: the rectifier works.",
            "Look for the trouble elsewhere: this capture gives no reason to open the alternator.",
        ),
        Pattern::OpenDiode => (
            Severity::Fault,
            "One pulse group is missing in each cycle: one diode does not conduct.",
            "Engine off, battery disconnected: test the rectifier's diodes in both directions, and the joint of each to its stator lead.",
        ),
        Pattern::ShortedDiode => (
            Severity::Fault,
            "The cycle is distorted as by a diode that conducts both ways.",
            "Engine off, battery disconnected: test the rectifier's diodes in both directions; check each stator lead for a short to the case, which looks the same.",
        ),
        Pattern::OpenPhase => (
            Severity::Fault,
            "Only even orders remain: one phase does not deliver.",
            "Engine off, battery disconnected: check the stator leads and joints for continuity, then both diodes of the silent phase.",
        ),
        Pattern::TwoOpenDiodes => (
            Severity::Fault,
            "Two pulse groups are missing in each cycle: two diodes do not conduct.",
            "Engine off, battery disconnected: test all rectifier diodes; look for the overload or reversed polarity that took two at once.",
        ),
        Pattern::Imbalance => (
            Severity::Warning,
            "The pulses are unequal, short of a failed diode: a resistive joint, a weak phase or a leaking diode.",
            "Capture again at the alternator's post under heavy electrical load and at a higher speed; then compare the stator leads.",
        ),
        Pattern::NotCharging => (
            Severity::Warning,
            "No rectifier ripple shows: the alternator does not deliver.",
            "Check belt, field supply, fuse link and charge-lamp circuit with the engine running, at the alternator's output terminal.",
        ),
        Pattern::Undetermined => (
            Severity::Info,
            "This capture does not tell the rectifier's state.",
            "Capture again at the alternator's output terminal, DC-coupled, at fast idle with lamps and blower on, and give the engine speed.",
        ),
    }
}

fn quality(e: &Examination) -> Option<Finding> {
    let worst = e.quality.issues.first()?;
    let severity = if worst.impact == QualityImpact::Note { Severity::Info } else { Severity::Warning };
    let evidence = e.quality.issues.iter().map(|i| i.statement.clone()).collect();
    let statement = if e.quality.usable {
        "The capture can be read, with reservations."
    } else {
        "The capture is not fit to be read for its rectifier pattern."
    };
    Some(finding("capture_quality", severity, statement.into(), evidence, Some(&worst.remedy)))
}

fn contamination(name: &str, c: &Contamination, pattern: Pattern) -> Finding {
    match c.verdict {
        ContaminationVerdict::Contaminated => {
            let next = if pattern.is_hard_fault() {
                "Prove it: stop the ripple (unplug the field connector or switch the alternator's field off as the vehicle maker allows) and see the disturbance go; repair the rectifier first."
            } else {
                "Prove it: switch the ripple's source off and see the disturbance go; then check the circuit's ground and screen."
            };
            let mut evidence = vec![c.reason.clone()];
            if let Some(hz) = c.indicated_hz.filter(|hz| *hz > 0.0) {
                evidence.push(match c.own_frequency_hz {
                    None => {
                        format!("a pulse conditioner would count {hz:.0} Hz on it although the circuit itself is still")
                    }
                    Some(own) => {
                        format!("a pulse conditioner would count {hz:.0} Hz on it; its own signal has {own:.0} Hz")
                    }
                });
            }
            finding(
                "circuit_contaminated",
                Severity::Warning,
                format!("The circuit \"{name}\" carries the supply's ripple."),
                evidence,
                Some(next),
            )
        }
        ContaminationVerdict::Clean => finding(
            "circuit_clean",
            Severity::Info,
            format!("The circuit \"{name}\" does not carry the supply's ripple."),
            vec![c.reason.clone()],
            None,
        ),
        ContaminationVerdict::Undetermined => finding(
            "circuit_undetermined",
            Severity::Info,
            format!("Whether the circuit \"{name}\" carries the ripple is not to be told from this capture."),
            vec![c.reason.clone()],
            Some(
                "Capture both channels with the vehicle standing and a heavy electrical load on, then again with the alternator's field off as the vehicle maker allows: what goes with the ripple was the ripple.",
            ),
        ),
    }
}

fn points(e: &Examination) -> Option<Finding> {
    let Some(p) = &e.points else { return None };
    let notes = p.notes.iter().map(|n| n.statement.clone());
    let (Some(post), Some(post_rms_v)) = (&p.post, p.post_rms_v) else {
        return Some(finding(
            "measured_at_battery",
            Severity::Warning,
            "The ripple was read at the battery, which cushions it.".into(),
            notes.collect(),
            Some("Capture at the alternator's output terminal before a verdict on the rectifier."),
        ));
    };
    let attenuation = p.attenuation?;
    let statement = format!(
        "The battery lets {:.0} % of the ripple through: judge the rectifier at \"{post}\", not at \"{}\".",
        100.0 * attenuation,
        p.battery
    );
    let mut evidence = vec![format!(
        "{:.0} mV r.m.s. at the charging post, {:.0} mV at the battery",
        1e3 * post_rms_v,
        1e3 * p.battery_rms_v
    )];
    if let (Some(low), Some(high)) = (p.attenuation_low, p.attenuation_high) {
        evidence.push(format!("95 % interval {:.0} to {:.0} %", 100.0 * low, 100.0 * high));
    }
    if let Some(ratio) = p.impedance_ratio {
        evidence.push(format!("cable and return have {ratio:.2} times the battery's impedance at the ripple's orders"));
    }
    let impedances = [("battery", &p.battery_impedance), ("cable and return", &p.cable_impedance)];
    evidence.extend(impedances.into_iter().filter_map(|(what, z)| z.as_ref().map(|z| impedance_words(what, z))));
    evidence.extend(p.reason.clone());
    evidence.extend(notes);
    Some(finding("points_compared", Severity::Info, statement, evidence, None))
}

fn impedance_words(what: &str, z: &Impedance) -> String {
    format!(
        "{what}: {:.1} mohm ± {:.1} mohm, {:.2} uH ± {:.2} uH",
        1e3 * z.resistance_ohm,
        1e3 * z.resistance_ohm_std,
        1e6 * z.inductance_h,
        1e6 * z.inductance_h_std
    )
}

/// How much ripple there is; never a reason to name a part.
fn ripple_amount(s: &RippleSeverity) -> Option<Finding> {
    let said = match s.amount? {
        RippleAmount::BelowHealthy => "is less than sound machines of this speed usually make",
        RippleAmount::Usual => "is what sound machines of this speed make",
        RippleAmount::AsWithPoorBattery => "is more than usual, as sound machines with a poor battery make",
        RippleAmount::AboveHealthy => "is more than sound machines make, even with a poor battery",
    };
    let over_standard = s.limits.iter().any(|l| l.exceeded && l.basis == LimitBasis::Standard);
    let severity = if over_standard { Severity::Warning } else { Severity::Info };
    let mut evidence: Vec<String> = s
        .healthy_ranges
        .iter()
        .map(|r| {
            format!(
                "sound machines with {} battery: {:.0} to {:.0} mV r.m.s. (simulated)",
                if r.battery == BatteryCondition::Poor { "a poor" } else { "an ordinary" },
                1e3 * r.low_v,
                1e3 * r.high_v
            )
        })
        .collect();
    evidence.extend(s.limits.iter().filter(|l| l.applies).map(|l| {
        let side = if l.exceeded { "above" } else { "below" };
        format!("{} V is {side} the limit of {} V ({})", apart(l.value_v, l.limit_v), l.limit_v, l.source)
    }));
    let statement = format!("The amount of ripple {said}; the amount alone convicts no part.");
    Some(finding("ripple_amount", severity, statement, evidence, None))
}

/// A value in millivolts' steps, or in steps fine enough to tell it from the limit that it is held against.
fn apart(value: f64, limit: f64) -> String {
    let fine_enough = |text: &String| value == limit || text.parse() != Ok(limit);
    (3..17).map(|places| format!("{value:.places$}")).find(fine_enough).unwrap_or_else(|| value.to_string())
}

/// What two usual voltmeters would show of this ripple.
fn meter_view(e: &Examination) -> Option<Finding> {
    let role = e.supply_role?;
    let plain = meter::of_cycle(&e.cycle, role, &Meter::average_handheld())?;
    let better = meter::of_cycle(&e.cycle, role, &Meter::true_rms_handheld())?;
    let statement = format!(
        "An AC voltmeter would show {:.0} mV of this ripple (average-responding, 1 kHz) or {:.0} mV (true r.m.s., 20 kHz).",
        1e3 * plain.indicated_v,
        1e3 * better.indicated_v
    );
    let side = |r: &MeterReading| r.limits.first().map_or("", |l| l.outcome.in_words());
    let mut evidence = vec![format!(
        "the trade's limit of 0.5 V AC (common practice, no standard): {} with the first, {} with the second",
        side(&plain),
        side(&better)
    )];
    evidence.extend(plain.misses);
    Some(finding("meter_view", Severity::Info, statement, evidence, None))
}

/// The check for a shop that has no oscilloscope.
fn check_without_oscilloscope(e: &Examination) -> Option<Finding> {
    let counts = |c: &Contamination| {
        c.verdict == ContaminationVerdict::Contaminated && c.indicated_hz.is_some_and(|hz| hz > 0.0)
    };
    let (name, _) = e.contamination.iter().find(|(_, c)| counts(c))?;
    Some(finding(
        "check_without_oscilloscope",
        Severity::Info,
        format!("What the ripple adds to the reading of \"{name}\" can be checked without an oscilloscope."),
        vec![
            "an indicated speed that falls to zero with the alternator's field unplugged was made by its ripple".into(),
            "never disconnect the battery or the alternator's output cable while the engine runs".into(),
        ],
        Some(
            "Without an oscilloscope: vehicle standing, note the indicated speed; engine and ignition off, unplug the alternator's field connector, start and look again for a short time only; engine off before it is plugged in. Never disconnect the battery or the output cable with the engine running.",
        ),
    ))
}

/// What not to replace yet.
fn keep_parts(e: &Examination) -> Option<Finding> {
    let carried: Vec<&str> = e
        .contamination
        .iter()
        .filter(|(_, c)| c.verdict == ContaminationVerdict::Contaminated)
        .map(|(n, _)| n.as_str())
        .collect();
    if carried.is_empty() {
        return None;
    }
    Some(finding(
        "do_not_replace_yet",
        Severity::Warning,
        format!("Do not replace the sensor, its harness or its control module yet ({}).", carried.join(", ")),
        vec!["its signal carries the supply's ripple; a new part would carry it too".into()],
        Some("Remove the ripple at its source, then test the circuit again before replacing anything in it."),
    ))
}

/// The usual cautions for the next tests, those that matter most first.
///
/// They restate common service practice and name no vehicle's procedure; the vehicle maker's procedure, local rules
/// and licensed practice come first.
#[must_use]
pub fn cautions(examination: &Examination) -> Vec<String> {
    let mut list = usual_cautions();
    if examination.level.mean_v.is_some_and(|v| v > 18.0) {
        list.push(CAUTION_24_V.into());
    }
    list
}

/// What is added for 24 V systems.
pub(crate) const CAUTION_24_V: &str = "24 V systems: load dumps of an unsuppressed system can reach 200 V.";

/// The cautions that apply to every capture.
pub(crate) fn usual_cautions() -> Vec<String> {
    [
        "The vehicle maker's procedure, local rules and licensed practice come before anything said here.",
        "Never disconnect the battery, the alternator or a test lead of the charging circuit while the engine runs: the load dump can reach 100 V.",
        "The alternator's output terminal is live with the engine off, usually without a fuse: a slipped probe shorts the battery. Use a fused or differential probe; an earthed oscilloscope ground clip on it is a dead short.",
        "Keep hair, clothing and leads clear of belt and fan; take off watches, rings and chains.",
        "Run the engine only with ventilation or extraction; park brake set, in neutral or park.",
        "Lead-acid batteries give off hydrogen: no sparks at the posts, eyes protected.",
        "On hybrid and electric vehicles stay off the orange cables; many have no 12 V alternator and so no rectifier ripple.",
    ]
    .map(String::from)
    .into()
}

#[cfg(test)]
mod tests {
    use super::apart;

    #[test]
    fn a_value_beside_its_limit_is_written_apart_from_it() {
        assert_eq!(apart(0.384, 0.5), "0.384");
        assert_eq!(apart(0.500_04, 0.5), "0.50004");
        assert_eq!(apart(0.499_999_7, 0.5), "0.4999997");
        assert_eq!(apart(0.5, 0.5), "0.500");
        let next = f64::from_bits(0.5_f64.to_bits() + 1);
        assert!(apart(next, 0.5).parse::<f64>().is_ok_and(|written| written > 0.5));
    }
}
