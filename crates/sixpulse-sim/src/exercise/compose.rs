//! Questions with their answers, from the truth of a draw; each answer is held against what the library reads.

use sixpulse::Coupling;
use sixpulse::contamination::{Contamination, ContaminationVerdict};
use sixpulse::quality::QualityCode;
use sixpulse::rectifier::Pattern;

use super::author::{Author, Distractor};
use super::item::{Refused, Situation, refused};
use super::key::{Alias, Answer, KeyQuestion, StepRank};
use super::plan::{ItemPlan, shuffle};
use super::question::{Choice, Question, QuestionKind};
use super::rounded;
use super::safety::{BANK, SafetyQuestion};
use super::texts::{self, CANNOT, EVIDENCE, Option2};
use crate::rng::{Random, Stream};
use crate::truth::{Motion, Purity};

/// Points of a question.
const POINTS: f64 = 10.0;
/// What the eye may miss on a plot or with cursors, as a share of the value (chosen: two divisions' tenths of a trace
/// that fills most of the screen; rounding and one more reading for products).
const READING: [(QuestionKind, f64); 6] = [
    (QuestionKind::ReadLevel, 0.01),
    (QuestionKind::ReadRipple, 0.08),
    (QuestionKind::ReadPeakToPeak, 0.10),
    (QuestionKind::ReadElectricalHz, 0.03),
    (QuestionKind::ContaminationGain, 0.12),
    (QuestionKind::IndicatedSpeed, 0.06),
];

/// What is worked out for a question before it is written down.
struct Solved {
    answer: Answer,
    explanation: String,
    examined: Option<String>,
}

/// Composes the questions of one item; the first that the library cannot confirm refuses the draw.
pub(super) fn questions(plan: &ItemPlan, s: &Situation) -> Result<Vec<KeyQuestion>, Refused> {
    let mut random = Random::new(plan.shuffle_seed, 0, Stream::Exercise);
    plan.kinds
        .iter()
        .enumerate()
        .map(|(i, kind)| {
            let mut options = texts::options(*kind).to_vec();
            shuffle(&mut random, &mut options);
            let mut evidence = if *kind == QuestionKind::ChoosePattern { EVIDENCE.to_vec() } else { Vec::new() };
            shuffle(&mut random, &mut evidence);
            let solved = solve(*kind, s)?;
            let question = Question {
                id: format!("{}-{}", plan.id, i + 1),
                item: Some(plan.id.clone()),
                kind: *kind,
                form: kind.form(),
                text: texts::ask(*kind, plan.pulses_per_m),
                unit: kind.unit().map(Into::into),
                options: labelled(&options),
                evidence: labelled(&evidence),
                points: POINTS,
            };
            Ok(KeyQuestion {
                question,
                answer: solved.answer,
                explanation: solved.explanation,
                examined: solved.examined,
            })
        })
        .collect()
}

/// The safety questions of a set.
pub(super) fn safety(author: &Author) -> Vec<KeyQuestion> {
    let mut random = Random::new(author.seed, 1, Stream::Exercise);
    let mut bank = BANK.to_vec();
    shuffle(&mut random, &mut bank);
    bank.truncate(author.safety_questions);
    bank.iter().enumerate().map(|(i, q)| safety_question(&mut random, i, q)).collect()
}

fn safety_question(random: &mut Random, index: usize, q: &SafetyQuestion) -> KeyQuestion {
    let mut options: Vec<Option2> = q.options.iter().map(|(code, text, _)| (*code, *text)).collect();
    let right = q.options.first().map_or("", |o| o.0);
    let dangerous = q.options.iter().filter(|o| o.2).map(|o| o.0.to_owned()).collect();
    shuffle(random, &mut options);
    KeyQuestion {
        question: Question {
            id: format!("safety-{}", index + 1),
            item: None,
            kind: QuestionKind::Safety,
            form: QuestionKind::Safety.form(),
            text: q.text.into(),
            unit: None,
            options: labelled(&options),
            evidence: Vec::new(),
            points: POINTS,
        },
        answer: Answer::Choice { code: right.into(), evidence: Vec::new(), dangerous },
        explanation: q.explanation.into(),
        examined: None,
    }
}

fn labelled(options: &[Option2]) -> Vec<Choice> {
    ('a'..='z')
        .zip(options)
        .map(|(label, (code, text))| Choice { label: label.into(), code: (*code).into(), text: (*text).into() })
        .collect()
}

fn solve(kind: QuestionKind, s: &Situation) -> Result<Solved, Refused> {
    match kind {
        QuestionKind::ReadLevel => level(s),
        QuestionKind::ReadRipple => ripple(s),
        QuestionKind::ReadPeakToPeak => peak_to_peak(s),
        QuestionKind::ReadElectricalHz => electrical_hz(s),
        QuestionKind::ChoosePattern => Ok(pattern(s)),
        QuestionKind::ChooseSetting => setting(s),
        QuestionKind::IsContaminated => contaminated(s),
        QuestionKind::ContaminationGain => gain(s),
        QuestionKind::IndicatedSpeed => speed(s),
        QuestionKind::OrderTests => order(s),
        QuestionKind::KeepParts => Ok(keep(s)),
        QuestionKind::NamePhase => Ok(phase(s)),
        QuestionKind::Safety => refused("unsuited", "safety questions belong to no capture".into()),
    }
}

/// A number with the tolerance `sqrt(reading^2 + (2 u)^2 + floor^2)`, `u` the examination's standard uncertainty;
/// refused unless the examination reads it within the tolerance.
struct Reading<'a> {
    kind: QuestionKind,
    value: f64,
    examined: Option<f64>,
    uncertainty: f64,
    floor: f64,
    aliases: Vec<(&'a str, f64)>,
    explanation: String,
}

impl Reading<'_> {
    fn solved(self) -> Result<Solved, Refused> {
        let share = READING.iter().find(|(k, _)| *k == self.kind).map_or(0.0, |(_, x)| *x);
        let wide = libm::hypot(libm::hypot(share * self.value, 2.0 * self.uncertainty), self.floor);
        // Two digits, as an uncertainty is stated (JCGM 100:2008, 7.2.6).
        let tolerance = rounded(wide, 2);
        let unit = self.kind.unit().unwrap_or_default();
        let Some(examined) = self.examined else {
            return refused("value_not_recovered", format!("{:?}: nothing was read", self.kind));
        };
        if (examined - self.value).abs() > tolerance {
            return refused(
                "value_not_recovered",
                format!(
                    "{:?}: {} {unit} is true, {} {unit} was read",
                    self.kind,
                    rounded(self.value, 4),
                    rounded(examined, 4)
                ),
            );
        }
        let aliases = self
            .aliases
            .into_iter()
            .map(|(code, value)| Alias { code: code.into(), value: rounded(value, 6) })
            .collect();
        Ok(Solved {
            answer: Answer::Number { value: rounded(self.value, 6), tolerance, aliases },
            explanation: self.explanation,
            examined: Some(format!("{} {unit}", rounded(examined, 4))),
        })
    }
}

fn cannot(explanation: &str, examined: &str) -> Solved {
    Solved { answer: Answer::CannotBeDetermined, explanation: explanation.into(), examined: Some(examined.into()) }
}

/// Marked as not determinable, and really refused by the examination.
fn cannot_if(refuses: bool, explanation: &str) -> Result<Solved, Refused> {
    if refuses {
        Ok(cannot(explanation, "not determined"))
    } else {
        refused("value_recovered", format!("marked as not determinable, but it was read: {explanation}"))
    }
}

const CLIPPED: &str = "Channel 1 is cut off by its range: level and height of what lies outside are lost.";

const BURIED: &str = "The noise of channel 1 is of the size of its ripple: how large the ripple is does not show; average over cycles or take a quieter range.";

/// The examination, too, finds much beside the ripple.
fn is_noisy(s: &Situation) -> bool {
    s.examination.ripple.as_ref().is_some_and(|r| match (r.residual_rms_v, r.synchronous_rms_v) {
        (Some(residual), Some(synchronous)) => residual > 0.25 * synchronous,
        _ => true,
    })
}

fn clipped(s: &Situation) -> bool {
    s.distractor == Some(Distractor::ClippedRange)
}

fn level(s: &Situation) -> Result<Solved, Refused> {
    let found = s.examination.level.mean_v;
    if s.scenario.channels.post.coupling == Coupling::Ac {
        return cannot_if(found.is_none(), "Channel 1 is AC-coupled: the level does not reach the converter.");
    }
    if clipped(s) {
        return cannot_if(!s.examination.quality.usable, CLIPPED);
    }
    let value = s.point().mean_v;
    Reading {
        kind: QuestionKind::ReadLevel,
        value,
        examined: found,
        uncertainty: s.fuzz_v / 10.0,
        floor: 0.05,
        aliases: Vec::new(),
        explanation: format!("The mean of channel 1 is {value:.2} V; ripple does not change it."),
    }
    .solved()
}

fn ripple(s: &Situation) -> Result<Solved, Refused> {
    if clipped(s) {
        return cannot_if(!s.examination.quality.usable, CLIPPED);
    }
    let found = s.examination.ripple.as_ref();
    if s.buried() {
        return cannot_if(is_noisy(s), BURIED);
    }
    let point = s.point();
    let value = libm::hypot(point.rms_v, s.fuzz_v);
    let p_p = point.peak_to_peak_v;
    Reading {
        kind: QuestionKind::ReadRipple,
        value,
        examined: found.map(|r| r.rms_v),
        uncertainty: found.map_or(0.0, |r| r.rms_v_std),
        floor: 0.002,
        aliases: vec![
            ("peak_to_peak_for_rms", p_p),
            ("sine_rule", p_p / 8.0_f64.sqrt()),
            ("factor_of_two", p_p / 2.0),
            ("factor_of_two", 2.0 * value),
            ("level_for_ripple", point.mean_v),
        ],
        explanation: format!(
            "R.m.s. about the mean is {value:.3} V; peak to peak it is {p_p:.3} V. Ripple is no sine, so neither follows from the other by 2.83."
        ),
    }
    .solved()
}

fn peak_to_peak(s: &Situation) -> Result<Solved, Refused> {
    if clipped(s) {
        return cannot_if(!s.examination.quality.usable, CLIPPED);
    }
    let found = s.examination.ripple.as_ref();
    if s.buried() {
        return cannot_if(is_noisy(s), BURIED);
    }
    let point = s.point();
    let value = point.peak_to_peak_v;
    Reading {
        kind: QuestionKind::ReadPeakToPeak,
        value,
        // The fuzz at both ends is left aside, as the question asks: three standard deviations each.
        examined: found.map(|r| (r.peak_to_peak_v - 6.0 * s.fuzz_v).max(0.0)),
        uncertainty: found.map_or(0.0, |r| r.peak_to_peak_v_std),
        floor: (3.0 * s.fuzz_v).max(0.005),
        aliases: vec![
            ("rms_for_peak_to_peak", point.rms_v),
            ("factor_of_two", value / 2.0),
            ("factor_of_two", 2.0 * value),
            ("sine_rule", point.rms_v * 8.0_f64.sqrt()),
            ("level_for_ripple", point.mean_v),
        ],
        explanation: format!(
            "From the lowest to the highest point of the ripple it is {value:.3} V; the r.m.s. value is {:.3} V, half the swing {:.3} V.",
            point.rms_v,
            value / 2.0
        ),
    }
    .solved()
}

fn electrical_hz(s: &Situation) -> Result<Solved, Refused> {
    let cycle = &s.examination.cycle;
    if s.truth.pattern == Pattern::NotCharging {
        return cannot_if(
            cycle.electrical_hz.is_none(),
            "The alternator does not deliver: nothing in the trace repeats with its cycle.",
        );
    }
    let value = s.truth.electrical_hz;
    Reading {
        kind: QuestionKind::ReadElectricalHz,
        value,
        examined: cycle.electrical_hz,
        uncertainty: cycle.electrical_hz_std.unwrap_or(0.0),
        floor: 0.0,
        aliases: vec![
            ("pulses_for_cycle", 6.0 * value),
            ("pulses_for_cycle", 2.0 * value),
            ("pulses_for_cycle", 3.0 * value),
            ("pulses_for_cycle", 12.0 * value),
        ],
        explanation: format!(
            "One electrical cycle holds six pulses: the pulses come at {:.0} Hz, the cycle at {value:.1} Hz.",
            6.0 * value
        ),
    }
    .solved()
}

/// Codes of the evidence that speaks for a pattern.
fn evidence_for(pattern: Pattern) -> &'static str {
    match pattern {
        Pattern::Healthy => "only_multiples_of_six",
        Pattern::OpenDiode | Pattern::ShortedDiode | Pattern::TwoOpenDiodes => "strong_low_orders_with_odd",
        Pattern::OpenPhase => "even_orders_only",
        Pattern::Imbalance => "weak_low_orders",
        Pattern::NotCharging => "no_ripple",
        Pattern::Undetermined => "not_readable",
    }
}

fn pattern(s: &Situation) -> Solved {
    let right = s.pattern();
    let code = if right == Pattern::Undetermined { CANNOT.0 } else { right.as_str() };
    let evidence = evidence_for(right);
    let sum = s.examination.rectifier.sub_six_ratio;
    let figure = sum.filter(|_| s.determinable()).map_or(String::new(), |x| {
        format!(" The sum of orders 1 to 5 is {x:.2} of order 6 (below about 0.3 sound, above about 6 a failed diode or phase).")
    });
    Solved {
        answer: Answer::Choice { code: code.into(), evidence: vec![evidence.into()], dangerous: Vec::new() },
        explanation: format!("{} {}{figure}", texts::text_of(code), texts::text_of(evidence)),
        examined: Some(s.examination.rectifier.pattern.as_str().into()),
    }
}

fn setting(s: &Situation) -> Result<Solved, Refused> {
    let (code, why) = match s.distractor {
        Some(Distractor::ClippedRange) => ("larger_range", CLIPPED),
        Some(Distractor::WrongCoupling) => {
            ("dc_coupling", "AC coupling takes the level away; the pattern can still be read.")
        }
        Some(Distractor::AtTheBattery) => (
            "charging_post",
            "The battery cushions the ripple: the rectifier is judged at the alternator's output terminal.",
        ),
        _ => ("nothing", "Point, coupling, range and rate suit level and pattern."),
    };
    let has = |wanted: QualityCode| s.examination.quality.issues.iter().any(|i| i.code == wanted);
    let seen = match code {
        "larger_range" => has(QualityCode::Clipped),
        "dc_coupling" => has(QualityCode::AcCoupledLevelUnknown),
        "charging_post" => s.examination.findings.iter().any(|f| f.code == "measured_at_battery"),
        _ => ![
            QualityCode::Clipped,
            QualityCode::AcCoupledLevelUnknown,
            QualityCode::TooCoarse,
            QualityCode::Undersampled,
        ]
        .into_iter()
        .any(has),
    };
    if !seen {
        let codes: Vec<&str> = s.examination.quality.issues.iter().map(|i| i.code.as_str()).collect();
        return refused("setting_not_recovered", format!("{code} is right, the examination noted {codes:?}"));
    }
    Ok(choice(code, why, code))
}

fn choice(code: &str, explanation: &str, examined: &str) -> Solved {
    Solved {
        answer: Answer::Choice { code: code.into(), evidence: Vec::new(), dangerous: Vec::new() },
        explanation: explanation.into(),
        examined: Some(examined.into()),
    }
}

/// Half and twice a value; nothing for 0.
fn doubled(value: f64) -> Vec<(&'static str, f64)> {
    if value == 0.0 { Vec::new() } else { vec![("factor_of_two", value / 2.0), ("factor_of_two", 2.0 * value)] }
}

fn circuit(s: &Situation) -> Option<&Contamination> {
    s.examination.contamination.first().map(|(_, c)| c)
}

fn contaminated(s: &Situation) -> Result<Solved, Refused> {
    let found = circuit(s).map(|c| c.verdict);
    let ripple = s.truth.pattern != Pattern::NotCharging;
    let (verdict, code, why) = match (ripple, s.sensor.purity) {
        (false, _) => (
            ContaminationVerdict::Undetermined,
            CANNOT.0,
            "The supply has no ripple in this capture: whether there is a path for it cannot be seen.",
        ),
        (true, Purity::Contaminated) => (
            ContaminationVerdict::Contaminated,
            "contaminated",
            "The line follows the supply's ripple with one gain and one delay over several orders.",
        ),
        (true, Purity::Clean) => (
            ContaminationVerdict::Clean,
            "clean",
            "The line does not follow the ripple: a frequency near one of its orders alone proves nothing.",
        ),
    };
    if found != Some(verdict) {
        return refused("verdict_not_recovered", format!("{verdict} is true, {found:?} was read"));
    }
    Ok(choice(code, why, verdict.as_str()))
}

fn gain(s: &Situation) -> Result<Solved, Refused> {
    let found = circuit(s);
    if s.distractor == Some(Distractor::AtTheBattery) {
        // The gain that can be read here is against another point than the one asked about.
        return Ok(cannot(
            "No channel was at the alternator's output terminal: the ratio asked for is not in this capture.",
            "no trace at the charging post",
        ));
    }
    if s.truth.pattern == Pattern::NotCharging {
        let none = found.is_none_or(|c| c.gain_v_per_v.is_none());
        return cannot_if(none, "The supply has no ripple in this capture: there is nothing to take a ratio of.");
    }
    if clipped(s) {
        return cannot_if(!s.examination.quality.usable, CLIPPED);
    }
    let value = match s.sensor.purity {
        Purity::Clean => 0.0,
        Purity::Contaminated => s.sensor.gain_v_per_v.unwrap_or(0.0).abs(),
    };
    let examined = found.and_then(|c| match c.verdict {
        ContaminationVerdict::Clean => Some(0.0),
        _ => c.gain_v_per_v.map(f64::abs),
    });
    Reading {
        kind: QuestionKind::ContaminationGain,
        value,
        examined,
        uncertainty: found.and_then(|c| c.gain_v_per_v_std).unwrap_or(0.0),
        floor: 0.01,
        aliases: doubled(value),
        explanation: format!("Channel 2 carries {value:.3} V for each volt of ripple at the output terminal."),
    }
    .solved()
}

fn speed(s: &Situation) -> Result<Solved, Refused> {
    let km_h = |hz: f64| 3.6 * hz / s.sheet.pulses_per_m;
    let duration_s = s.scenario.duration_s();
    let hz = s.sensor.indicated_hz;
    let (own, standing) = (s.sensor.own_tooth_hz.unwrap_or(0.0), s.sensor.motion == Motion::Still);
    let value = km_h(hz);
    let explanation = match (standing, hz > 0.0) {
        (true, true) => format!(
            "The wheel stands, yet the line's ripple gives {hz:.0} pulses in a second: the display shows {value:.1} km/h."
        ),
        (true, false) => "Nothing on the line rises over 30 mV: the display shows standstill.".into(),
        (false, _) => format!(
            "The line gives {hz:.0} pulses in a second, {value:.1} km/h; the teeth alone make {own:.0} Hz, {:.1} km/h.",
            km_h(own)
        ),
    };
    Reading {
        kind: QuestionKind::IndicatedSpeed,
        value,
        examined: circuit(s).and_then(|c| c.indicated_hz).map(km_h),
        uncertainty: 0.0,
        // One pulse more or less in the record.
        floor: km_h(1.0 / duration_s),
        aliases: doubled(value),
        explanation,
    }
    .solved()
}

fn order(s: &Situation) -> Result<Solved, Refused> {
    let carries = s.sensor.purity == Purity::Contaminated;
    let must_recapture = matches!(s.distractor, Some(Distractor::ClippedRange | Distractor::AtTheBattery));
    let ranks: [u32; 5] = match (must_recapture, s.truth.pattern, carries) {
        // In the order of `STEPS`: recapture, supply side, bench, intervene, sensor.
        (true, ..) => [1, 2, 2, 2, 2],
        (_, Pattern::NotCharging, _) => [2, 1, 3, 3, 3],
        (_, Pattern::Imbalance, true) => [1, 3, 3, 2, 4],
        (_, Pattern::Imbalance, false) => [1, 2, 2, 3, 3],
        (_, Pattern::Healthy, true) => [2, 3, 3, 1, 2],
        (_, Pattern::Healthy, false) => [2, 2, 3, 3, 1],
        (_, _, true) => [3, 3, 2, 1, 3],
        (_, _, false) => [2, 2, 1, 3, 3],
    };
    let why = match (must_recapture, s.truth.pattern, carries) {
        (true, ..) => "This capture does not bear a verdict on the rectifier: capture again before anything is opened.",
        (_, Pattern::NotCharging, _) => "Without output the simple things come first: belt, fuse link, field supply.",
        (_, Pattern::Imbalance, _) => {
            "Unequal pulses are close to a sound bridge: confirm them under load before anything is opened."
        }
        (_, Pattern::Healthy, true) => {
            "The bridge is sound, but its ripple reaches the sensor: prove the path first; nothing speaks for opening the alternator."
        }
        (_, Pattern::Healthy, false) => {
            "The bridge is sound and the line clean: the sensor comes first, the bench last."
        }
        (_, _, true) => {
            "Prove by the intervention that the ripple makes the reading, then repair its source; the sensor comes last."
        }
        (_, _, false) => "The pattern convicts the bridge: bench first; the line is clean.",
    };
    if !must_recapture && s.truth.pattern != Pattern::NotCharging {
        // The order rests on the verdict about the line, so that must be readable too.
        contaminated(s)?;
    }
    let steps =
        texts::STEPS.into_iter().zip(ranks).map(|((code, _), rank)| StepRank { code: code.into(), rank }).collect();
    Ok(Solved { answer: Answer::Order { steps }, explanation: why.into(), examined: None })
}

fn keep(s: &Situation) -> Solved {
    let convicted = s.determinable() && s.truth.pattern.is_hard_fault();
    let mut codes = vec!["speed_sensor".to_owned(), "rate_controller".into(), "battery".into()];
    if !convicted {
        codes.push("alternator".into());
    }
    let why = if convicted {
        "The pattern convicts the rectifier, to be confirmed on the bench; it says nothing against sensor, controller or battery, and a new sensor would carry the same ripple."
    } else {
        "No part is convicted by this capture: not one of them is replaced yet."
    };
    Solved { answer: Answer::Set { codes }, explanation: why.into(), examined: None }
}

fn phase(s: &Situation) -> Solved {
    let sound = s.determinable() && s.truth.pattern == Pattern::Healthy;
    if sound {
        return choice("no_phase", "The six pulses are equal: no phase is in trouble.", "healthy");
    }
    choice(
        CANNOT.0,
        "Seen from the DC side the phases differ only by a shift in time, and a diode of the positive rail from one of the negative rail by half a cycle: neither phase nor rail can be named.",
        "not determined",
    )
}
