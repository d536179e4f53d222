//! Answers as people write them: numbers with either decimal sign, units, labels, confidence in per cent.

use serde::{Deserialize, Serialize};

use super::grade::Refusal;
use super::question::QuestionKind;

/// One answer as it was handed in; everything is text, nothing has been judged.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Response {
    /// Row in the file it came from, from 1; 0 where it came from elsewhere.
    pub row: usize,
    /// Who answered.
    pub learner: String,
    /// Which question.
    pub question: String,
    /// The answer: number (its unit may follow), labels, or `cannot`.
    pub answer: String,
    /// Unit, where it stands on its own.
    pub unit: String,
    /// Confidence: 0 to 1, or 1 to 100 with or without a per cent sign.
    pub confidence: String,
    /// Labels of the evidence.
    pub evidence: String,
}

/// What a numeric answer says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Quantity {
    /// A number in the question's unit.
    Value(f64),
    /// The learner says that the capture does not tell.
    Cannot,
    /// A number in a unit of another quantity.
    WrongUnit,
}

/// Units that are taken, with their factor to the question's unit.
const UNITS: [(QuestionKind, &[(&str, f64)]); 6] = [
    (QuestionKind::ReadLevel, &VOLTS),
    (QuestionKind::ReadRipple, &VOLTS),
    (QuestionKind::ReadPeakToPeak, &VOLTS),
    (QuestionKind::ReadElectricalHz, &[("Hz", 1.0), ("1/s", 1.0), ("kHz", 1e3)]),
    (QuestionKind::ContaminationGain, &[("V/V", 1.0), ("", 1.0), ("mV/V", 1e-3), ("%", 0.01)]),
    (QuestionKind::IndicatedSpeed, &[("km/h", 1.0), ("kmh", 1.0), ("kph", 1.0), ("m/s", 3.6), ("mph", 1.609_344)]),
];
const VOLTS: [(&str, f64); 9] = [
    ("V", 1.0),
    ("mV", 1e-3),
    ("uV", 1e-6),
    ("\u{b5}V", 1e-6),
    ("\u{3bc}V", 1e-6),
    ("Vpp", 1.0),
    ("mVpp", 1e-3),
    ("Vrms", 1.0),
    ("mVrms", 1e-3),
];

/// True for the ways of saying that the capture does not tell.
pub(super) fn says_cannot(text: &str) -> bool {
    let word = text.trim().to_lowercase();
    word.starts_with("cannot") || word.starts_with("can't") || word.starts_with("not determinable")
}

/// Reads a number with an optional unit for a question of this kind, in its unit.
///
/// Either decimal sign is taken; both together are read as groups of thousands and a decimal sign. A single comma
/// before exactly three digits (`1,234`) could be either and is refused rather than guessed.
///
/// ```
/// use sixpulse_sim::exercise::{QuestionKind, parse_quantity};
/// assert_eq!(parse_quantity("0,35 V", "", QuestionKind::ReadRipple)?, Some(0.35));
/// assert_eq!(parse_quantity("250", "mV", QuestionKind::ReadRipple)?, Some(0.25));
/// assert_eq!(parse_quantity("cannot be determined", "", QuestionKind::ReadLevel)?, None);
/// assert_eq!(parse_quantity("1,234", "", QuestionKind::ReadLevel).unwrap_err().code, "ambiguous_number");
/// # Ok::<(), sixpulse_sim::exercise::Refusal>(())
/// ```
///
/// # Errors
/// A [`Refusal`]: `not_a_number`, `ambiguous_number`, `not_finite`, `unknown_unit`, `wrong_unit`.
pub fn parse_quantity(answer: &str, unit: &str, kind: QuestionKind) -> Result<Option<f64>, Refusal> {
    match quantity(answer, unit, kind)? {
        Quantity::Value(value) => Ok(Some(value)),
        Quantity::Cannot => Ok(None),
        Quantity::WrongUnit => Err(Refusal::new("wrong_unit", format!("\"{answer} {unit}\" is another quantity"))),
    }
}

pub(super) fn quantity(answer: &str, unit: &str, kind: QuestionKind) -> Result<Quantity, Refusal> {
    if says_cannot(answer) {
        return Ok(Quantity::Cannot);
    }
    let (number, attached) = split_unit(answer);
    let value = number_of(&number)?;
    let (attached, unit) = (attached.trim(), unit.trim());
    let word = match (attached, unit) {
        ("", other) | (other, "") => other,
        (a, b) if a == b => a,
        (a, b) => return Err(Refusal::new("unknown_unit", format!("two units, \"{a}\" and \"{b}\""))),
    };
    if word.is_empty() {
        return Ok(Quantity::Value(value));
    }
    match factor(word, kind) {
        Some(factor) => Ok(Quantity::Value(value * factor)),
        None if UNITS.iter().any(|(other, _)| factor_exact(word, *other).is_some()) => Ok(Quantity::WrongUnit),
        None => Err(Refusal::new("unknown_unit", format!("\"{word}\" is no unit that is known here"))),
    }
}

fn factor(word: &str, kind: QuestionKind) -> Option<f64> {
    factor_exact(word, kind).or_else(|| {
        // Upper and lower case are told apart only where it matters (mV against MV, which is not taken).
        let list = UNITS.iter().find(|(k, _)| *k == kind).map(|(_, list)| *list)?;
        list.iter().find(|(u, _)| u.eq_ignore_ascii_case(word) && !word.starts_with('M')).map(|(_, f)| *f)
    })
}

fn factor_exact(word: &str, kind: QuestionKind) -> Option<f64> {
    let list = UNITS.iter().find(|(k, _)| *k == kind).map(|(_, list)| *list)?;
    list.iter().find(|(u, _)| *u == word).map(|(_, f)| *f)
}

/// The number's characters (blanks taken out, true minus made plain) and what follows them.
fn split_unit(answer: &str) -> (String, String) {
    let plain: String = answer
        .trim()
        .trim_start_matches(['~', '\u{2248}', '='])
        .replace('\u{2212}', "-")
        .replace(['\u{a0}', '\u{202f}', '\u{2009}', '\'', '\u{2019}'], "");
    let mut end = 0;
    let chars: Vec<(usize, char)> = plain.char_indices().collect();
    for (i, (at, c)) in chars.iter().enumerate() {
        let next = chars.get(i + 1).map(|(_, c)| *c);
        let exponent = matches!(c, 'e' | 'E')
            && next.is_some_and(|n| n.is_ascii_digit() || n == '-' || n == '+')
            && plain[..*at].ends_with(|p: char| p.is_ascii_digit() || p == '.' || p == ',');
        let sign_ok = matches!(c, '+' | '-');
        if c.is_ascii_digit() || matches!(c, '.' | ',') || exponent || sign_ok || (*c == ' ' && end == 0) {
            end = at + c.len_utf8();
        } else {
            break;
        }
    }
    (plain[..end].trim().to_owned(), plain[end..].trim().to_owned())
}

fn number_of(text: &str) -> Result<f64, Refusal> {
    let commas = text.matches(',').count();
    let dots = text.matches('.').count();
    let plain = match (commas, dots) {
        (0, _) => text.to_owned(),
        (1, 0) => one_comma(text)?,
        _ => grouped(text).ok_or_else(|| not_a_number(text))?,
    };
    let value: f64 = plain.parse().map_err(|_| not_a_number(text))?;
    if value.is_finite() { Ok(value) } else { Err(Refusal::new("not_finite", format!("\"{text}\" is not finite"))) }
}

fn not_a_number(text: &str) -> Refusal {
    Refusal::new("not_a_number", format!("\"{text}\" is not a number"))
}

fn one_comma(text: &str) -> Result<String, Refusal> {
    let (left, right) = text.split_once(',').unwrap_or((text, ""));
    let whole = left.trim_start_matches(['+', '-']);
    let could_be_thousands =
        right.len() == 3 && right.bytes().all(|b| b.is_ascii_digit()) && !whole.starts_with('0') && !whole.is_empty();
    if could_be_thousands && whole.len() <= 3 {
        let reason = format!("\"{text}\" could be {left}.{right} or {left}{right}; write it without a comma");
        return Err(Refusal::new("ambiguous_number", reason));
    }
    Ok(format!("{left}.{right}"))
}

/// Both signs, or several of one: the last kind that occurs once is the decimal sign, the other one groups thousands.
fn grouped(text: &str) -> Option<String> {
    let last = text.rfind([',', '.'])?;
    let decimal = text[last..].chars().next()?;
    let group = if decimal == ',' { '.' } else { ',' };
    if text.matches(decimal).count() > 1 {
        return None;
    }
    let (whole, fraction) = text.split_at(last);
    let parts: Vec<&str> = whole.trim_start_matches(['+', '-']).split(group).collect();
    let well_formed =
        parts.iter().skip(1).all(|p| p.len() == 3) && parts.first().is_some_and(|p| (1..=3).contains(&p.len()));
    well_formed.then(|| format!("{}.{}", whole.replace(group, ""), &fraction[1..]))
}

/// Reads a confidence: 0 to 1, or above 1 to 100 as per cent, with or without the sign; `None` for an empty text.
///
/// # Errors
/// A [`Refusal`] with code `confidence_malformed`.
pub fn parse_confidence(text: &str) -> Result<Option<f64>, Refusal> {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        return Ok(None);
    }
    let malformed = || {
        Refusal::new("confidence_malformed", format!("\"{trimmed}\" is no confidence between 0 and 1 or 0 and 100 %"))
    };
    let percent = trimmed.strip_suffix('%').map(str::trim);
    let value = number_of(percent.unwrap_or(trimmed)).map_err(|_| malformed())?;
    let share = if percent.is_some() || value > 1.0 { value / 100.0 } else { value };
    if (0.0..=1.0).contains(&share) { Ok(Some(share)) } else { Err(malformed()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_are_read_as_people_write_them() {
        let read = |text: &str| parse_quantity(text, "", QuestionKind::ReadRipple).map(Option::unwrap);
        for (text, want) in [
            ("1.5", 1.5),
            ("1,5", 1.5),
            (" 0,350 V", 0.35),
            ("350mV", 0.35),
            ("350 mv", 0.35),
            ("1.234,5 mV", 1.2345),
            ("1,234.5 mV", 1.2345),
            ("3.5e-1", 0.35),
            ("3,5E-1 V", 0.35),
            ("\u{2212}0.2", -0.2),
            ("~ 0.2 V", 0.2),
            (".5", 0.5),
            ("1\u{a0}200 mV", 1.2),
            ("0.3 Vrms", 0.3),
            ("1234,5 mV", 1.2345),
            ("0,125", 0.125),
        ] {
            assert!((read(text).unwrap() - want).abs() < 1e-12, "{text}");
        }
        for (text, code) in [
            ("1,234", "ambiguous_number"),
            ("", "not_a_number"),
            ("about half", "not_a_number"),
            ("1.2.3", "not_a_number"),
            ("1,2,3", "not_a_number"),
            ("1e999", "not_finite"),
            ("0.3 furlong", "unknown_unit"),
            ("0.3 Hz", "wrong_unit"),
            ("5 MV", "unknown_unit"),
            ("--5", "not_a_number"),
        ] {
            assert_eq!(read(text).unwrap_err().code, code, "{text}");
        }
    }

    #[test]
    fn confidence_is_a_share_or_per_cent() {
        for (text, want) in
            [("0.8", 0.8), ("80", 0.8), ("80 %", 0.8), ("0,8", 0.8), ("1", 1.0), ("100%", 1.0), ("0.5 %", 0.005)]
        {
            assert!((parse_confidence(text).unwrap().unwrap() - want).abs() < 1e-12, "{text}");
        }
        assert_eq!(parse_confidence("  "), Ok(None));
        for text in ["sure", "120", "-1", "NaN", "inf"] {
            assert_eq!(parse_confidence(text).unwrap_err().code, "confidence_malformed", "{text}");
        }
    }

    proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,24}", unit in "\\PC{0,6}") {
            for kind in QuestionKind::OF_A_CAPTURE {
                let _ = parse_quantity(&text, &unit, kind);
            }
            let _ = parse_confidence(&text);
        }
    }
}
