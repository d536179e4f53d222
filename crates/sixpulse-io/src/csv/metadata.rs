//! Preamble lines that state something: sample interval or rate, coupling, role.

use crate::unit::Unit;

/// A sample rate as a preamble line states it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct StatedRate {
    pub(super) hz: f64,
    /// The key as it stands in the file.
    pub(super) key: String,
}

/// Words for the time between two samples. Scales of the screen ("time base", seconds per division) are not among them.
const INTERVAL_KEYS: [&str; 19] = [
    "sample interval",
    "sampling interval",
    "sample period",
    "sampling period",
    "sample time",
    "time interval",
    "time increment",
    "time step",
    "timestep",
    "delta t",
    "dt",
    "x increment",
    "xincrement",
    "x incr",
    "xincr",
    "xinc",
    "increment",
    "interval",
    "horizontal interval",
];
/// Words for the number of samples in a second.
const RATE_KEYS: [&str; 10] = [
    "sample rate",
    "sampling rate",
    "samplerate",
    "sample frequency",
    "sampling frequency",
    "sample freq",
    "sampling freq",
    "fs",
    "samples per second",
    "acquisition rate",
];

#[derive(Clone, Copy, PartialEq)]
enum RateKey {
    Interval,
    Rate,
}

/// The key in lower case with single blanks, and the unit that stands in it (`sample_rate_hz`, `Interval (us)`).
fn normalise_key(key: &str) -> (String, Option<Unit>) {
    let key = key.trim().trim_start_matches(['#', '%', '/', '*', '!', ';']).trim();
    let (name, unit) = crate::unit::split_name(key);
    let words: Vec<&str> = name.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
    let last_unit = if words.len() > 1 { words.last().and_then(|w| Unit::parse(w)) } else { None };
    match (unit, last_unit) {
        (None, Some(unit)) if unit.base == "s" || unit.base == "Hz" => {
            (words[..words.len() - 1].join(" ").to_lowercase(), Some(unit))
        }
        (unit, _) => (words.join(" ").to_lowercase(), unit),
    }
}

fn rate_key(key: &str) -> Option<(RateKey, Option<Unit>)> {
    let (name, unit) = normalise_key(key);
    if INTERVAL_KEYS.contains(&name.as_str()) {
        Some((RateKey::Interval, unit))
    } else if RATE_KEYS.contains(&name.as_str()) {
        Some((RateKey::Rate, unit))
    } else {
        None
    }
}

/// Key and values of a preamble line: split at `:`, `=`, tab or the delimiter, whichever comes first.
fn key_and_values(line: &str, delimiter: char) -> Option<(String, Vec<String>)> {
    let separator = |c: char| matches!(c, ':' | '=' | '\t') || (c == delimiter && c != ' ');
    let at = line.find(separator)?;
    let rest = &line[at + line[at..].chars().next()?.len_utf8()..];
    let values = rest.split(|c| c == '\t' || (c == delimiter && c != ' '));
    let clean = |text: &str| text.trim().trim_matches('"').trim_start_matches([':', '=']).trim().to_owned();
    Some((clean(&line[..at]), values.map(clean).filter(|v| !v.is_empty()).collect()))
}

/// A number with the decimal mark of the table, or with a point, which preambles keep more often than tables.
pub(super) fn number(text: &str, decimal: char) -> Option<f64> {
    let text = text.trim();
    let plain = |t: &str| t.parse::<f64>().ok().filter(|x| x.is_finite());
    if decimal == ',' && text.contains(',') && !text.contains('.') {
        return plain(&text.replacen(',', ".", 1));
    }
    plain(text)
}

/// `"10 us"`, `"10us"`, `"1e-5"`: the number and the unit that follows it.
fn quantity(text: &str, decimal: char) -> Option<(f64, Option<Unit>)> {
    if let Some(value) = number(text, decimal) {
        return Some((value, None));
    }
    let cuts = text.char_indices().map(|(at, _)| at).filter(|&at| at > 0).collect::<Vec<_>>();
    cuts.into_iter().rev().find_map(|at| {
        let value = number(&text[..at], decimal)?;
        Some((value, Some(Unit::parse(&text[at..])?)))
    })
}

/// The sample rate that a line states, if it states one.
pub(super) fn stated_rate(line: &str, delimiter: char, decimal: char) -> Option<StatedRate> {
    let (key, values) = key_and_values(line, delimiter)?;
    rate_of(&key, &values, decimal)
}

/// The sample rate that a key and its values state, if they do.
pub(super) fn rate_of(key: &str, values: &[String], decimal: char) -> Option<StatedRate> {
    let (kind, key_unit) = rate_key(key)?;
    let (value, value_unit) = values.first().and_then(|v| quantity(v, decimal))?;
    let next_unit = values.get(1).and_then(|v| Unit::parse(v));
    let unit = value_unit.or(key_unit).or(next_unit);
    let expected = if kind == RateKey::Interval { "s" } else { "Hz" };
    let factor = match &unit {
        None => 1.0,
        Some(unit) if unit.base == expected => unit.factor,
        Some(_) => return None,
    };
    let value = value * factor;
    let hz = if kind == RateKey::Interval { crate::time::rate_of_step(value) } else { value };
    (hz.is_finite() && hz > 0.0).then(|| StatedRate { hz, key: key.to_owned() })
}

/// The words after a key such as `coupling` or `role`, one a column.
pub(super) fn words_after(line: &str, delimiter: char, keys: &[&str]) -> Option<Vec<String>> {
    let (key, values) = key_and_values(line, delimiter)?;
    let (key, _) = normalise_key(&key);
    keys.contains(&key.as_str()).then_some(values)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interval_and_rate_lines() {
        for (line, delimiter, decimal, hz) in [
            ("Sample Interval,1.00E-05", ',', '.', 1e5),
            ("Sample interval: 20 us", ',', '.', 5e4),
            ("\"Sampling Period\";\"0,00002\";\"s\"", ';', ',', 5e4),
            ("# sample_rate_hz = 50000", ',', '.', 5e4),
            ("Sampling Rate\t1 MSa/s", '\t', '.', 1e6),
            ("Sample Rate:,100,kS/s", ',', '.', 1e5),
            ("Interval (us);10", ';', '.', 1e5),
            ("fs 1 = 3", ',', '.', 0.0),
            ("Time Base,1e-3", ',', '.', 0.0),
            ("Sample Interval,none", ',', '.', 0.0),
            ("Sample Interval,0", ',', '.', 0.0),
        ] {
            let found = stated_rate(line, delimiter, decimal).map_or(0.0, |r| r.hz);
            assert!((found - hz).abs() <= 1e-9 * hz, "{line}: {found}");
        }
    }

    #[test]
    fn a_unit_of_the_wrong_kind_states_no_rate() {
        assert_eq!(stated_rate("Sample Rate,10,ms", ',', '.'), None);
    }
}
