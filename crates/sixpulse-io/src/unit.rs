//! Units as instruments write them: `mV`, `(V)`, `[ms]`, `Volts`, `usec`, `kS/s`.

/// A unit without prefix and the factor that brings numbers to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    /// The unit without prefix: `V`, `A`, `s`, `Hz`, or a unit that is passed through as it stands.
    pub base: String,
    /// Value in the base unit = number * factor.
    pub factor: f64,
}

/// SI prefixes in the spellings that occur; the micro sign has two code points.
const PREFIXES: [(&str, f64); 9] = [
    ("", 1.0),
    ("p", 1e-12),
    ("n", 1e-9),
    ("u", 1e-6),
    ("\u{b5}", 1e-6),
    ("\u{3bc}", 1e-6),
    ("m", 1e-3),
    ("k", 1e3),
    ("M", 1e6),
];
const PREFIX_WORDS: [(&str, f64); 6] =
    [("", 1.0), ("nano", 1e-9), ("micro", 1e-6), ("milli", 1e-3), ("kilo", 1e3), ("mega", 1e6)];

/// Symbols that take a prefix, with the base unit they mean.
const SYMBOLS: [(&str, &str); 11] = [
    ("V", "V"),
    ("v", "V"),
    ("A", "A"),
    ("s", "s"),
    ("sec", "s"),
    ("Hz", "Hz"),
    ("hz", "Hz"),
    ("S/s", "Hz"),
    ("Sa/s", "Hz"),
    ("SPS", "Hz"),
    ("Ohm", "Ohm"),
];
/// Written-out units, compared in lower case; they take a written-out prefix.
const WORDS: [(&str, &str); 11] = [
    ("volt", "V"),
    ("volts", "V"),
    ("ampere", "A"),
    ("amperes", "A"),
    ("amp", "A"),
    ("amps", "A"),
    ("second", "s"),
    ("seconds", "s"),
    ("secs", "s"),
    ("hertz", "Hz"),
    ("samples/s", "Hz"),
];
/// Units that are known as such and never converted.
const PASSED_THROUGH: [&str; 12] =
    ["%", "\u{b0}C", "degC", "C", "K", "rpm", "1/min", "bar", "W", "km/h", "m/s", "counts"];

impl Unit {
    /// The unit a text names, with or without enclosing brackets; `None` when it names none that is known.
    ///
    /// ```
    /// use sixpulse_io::Unit;
    /// let unit = Unit::parse("[mV]").expect("a known unit");
    /// assert_eq!((unit.base.as_str(), unit.factor), ("V", 1e-3));
    /// assert!(Unit::parse("front").is_none());
    /// ```
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let text = strip_brackets(text.trim());
        let lower = text.to_lowercase();
        let prefixed = PREFIXES.iter().find_map(|&(prefix, factor)| {
            let rest = text.strip_prefix(prefix)?;
            SYMBOLS.iter().find(|(symbol, _)| *symbol == rest).map(|&(_, base)| (base, factor))
        });
        let worded = || {
            PREFIX_WORDS.iter().find_map(|&(prefix, factor)| {
                let rest = lower.strip_prefix(prefix)?;
                WORDS.iter().find(|(word, _)| *word == rest).map(|&(_, base)| (base, factor))
            })
        };
        if let Some((base, factor)) = prefixed.or_else(worded) {
            return Some(Self { base: base.into(), factor });
        }
        PASSED_THROUGH.iter().find(|unit| **unit == text).map(|unit| Self { base: (*unit).into(), factor: 1.0 })
    }
}

fn strip_brackets(text: &str) -> &str {
    for (open, close) in [('(', ')'), ('[', ']'), ('{', '}')] {
        if let Some(inner) = text.strip_prefix(open).and_then(|t| t.strip_suffix(close)) {
            return inner.trim();
        }
    }
    text
}

/// Splits `"CH1 (mV)"` into its name and unit; a bracket that holds no known unit belongs to the name.
pub(crate) fn split_name(cell: &str) -> (String, Option<Unit>) {
    let cell = cell.trim();
    for (open, close) in [('(', ')'), ('[', ']')] {
        if let Some(at) = cell.rfind(open)
            && cell.ends_with(close)
            && let Some(unit) = Unit::parse(&cell[at..])
        {
            return (cell[..at].trim().to_owned(), Some(unit));
        }
    }
    (cell.to_owned(), None)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_found_in_exports() {
        for (text, base, factor) in [
            ("V", "V", 1.0),
            ("(kV)", "V", 1e3),
            ("[\u{b5}V]", "V", 1e-6),
            ("\u{3bc}s", "s", 1e-6),
            ("usec", "s", 1e-6),
            ("Milliseconds", "s", 1e-3),
            ("Volt", "V", 1.0),
            ("mA", "A", 1e-3),
            ("MSa/s", "Hz", 1e6),
            ("degC", "degC", 1.0),
        ] {
            let unit = Unit::parse(text).unwrap_or_else(|| panic!("{text}"));
            assert_eq!((unit.base.as_str(), unit.factor), (base, factor), "{text}");
        }
        assert_eq!(Unit::parse(""), None);
        assert_eq!(Unit::parse("sensor"), None);
    }

    #[test]
    fn a_bracket_without_unit_stays_in_the_name() {
        assert_eq!(split_name("post (front)"), ("post (front)".into(), None));
        let (name, unit) = split_name(" CH1 [mV] ");
        assert_eq!(name, "CH1");
        assert_eq!(unit.map(|u| u.factor), Some(1e-3));
    }
}
