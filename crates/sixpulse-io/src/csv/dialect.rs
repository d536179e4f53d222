//! How a text file is understood: every decision visible, so that it can be checked, saved, changed and reused.

use crate::request::ColumnKey;
use std::fmt;

macro_rules! word_enum {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        #[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
        pub enum $name { $($(#[$vdoc])* #[cfg_attr(feature = "serde", serde(rename = $word))] $variant),+ }
        impl $name {
            /// The word used for it in saved dialects and in Python.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }
        }
        impl std::str::FromStr for $name {
            type Err = sixpulse::Error;
            fn from_str(word: &str) -> sixpulse::Result<Self> {
                match word {
                    $($word => Ok(Self::$variant),)+
                    _ => Err(sixpulse::Error::UnknownName {
                        parameter: stringify!($name).to_lowercase(),
                        expected: [$($word),+].join(", "),
                        actual: word.into(),
                    }),
                }
            }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.as_str())
            }
        }
    };
}

word_enum!(
    /// Character encoding of the text.
    Encoding {
        /// UTF-8, of which ASCII is a part.
        Utf8 = "utf-8",
        /// UTF-16, low byte first.
        Utf16Le = "utf-16-le",
        /// UTF-16, high byte first.
        Utf16Be = "utf-16-be",
        /// Windows-1252, of which the printable part of Latin-1 is a part.
        Windows1252 = "windows-1252",
    }
);
word_enum!(
    /// What ends a line.
    LineEnd {
        /// Line feed, alone or after a carriage return.
        Lf = "lf",
        /// Carriage return alone.
        Cr = "cr",
    }
);
word_enum!(
    /// What a column is for.
    ColumnKind {
        /// Measured values.
        Value = "value",
        /// Time, from which the sample rate follows.
        Time = "time",
        /// A running number, from which nothing follows.
        Index = "index",
    }
);

/// One column of the table.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct CsvColumn {
    /// Name without unit; `column_N` (counting from 0) where the file has no header.
    pub name: String,
    /// The whole header cell; empty where the file has no header.
    pub header: String,
    /// What the column is for.
    pub kind: ColumnKind,
    /// Unit without prefix, where the file states one.
    pub unit: Option<String>,
    /// Value in `unit` = number in the file * `factor` (mV: 0.001).
    pub factor: f64,
}

/// How a text file is understood.
///
/// Displayed, it says in words how the file is read. Rows count from 1, columns from 0.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(deny_unknown_fields))]
pub struct CsvDialect {
    /// Character encoding.
    pub encoding: Encoding,
    /// What ends a line.
    pub line_end: LineEnd,
    /// Character between fields; a blank stands for any run of blanks.
    pub delimiter: char,
    /// Decimal mark, `.` or `,`.
    pub decimal: char,
    /// Row of the column names, where there is one.
    pub header_row: Option<u64>,
    /// Row of the units, where they have a row of their own.
    pub units_row: Option<u64>,
    /// First row of numbers.
    pub first_data_row: u64,
    /// Row that states the sample interval or the sample rate, where there is one; its figure is read from each file anew.
    pub rate_row: Option<u64>,
    /// Empty fields after the last column of every row (a trailing delimiter makes one).
    pub trailing_fields: usize,
    /// The columns.
    pub columns: Vec<CsvColumn>,
    /// Why the file is understood so, one statement a line.
    pub notes: Vec<String>,
}

impl CsvDialect {
    /// Position of the time column, where there is one.
    #[must_use]
    pub fn time_column(&self) -> Option<usize> {
        self.columns.iter().position(|c| c.kind == ColumnKind::Time)
    }

    /// The same dialect with another kind for one column, where the sniffer took it for something it is not.
    ///
    /// ```
    /// # let path = std::env::temp_dir().join(format!("sixpulse-kind-{}.csv", std::process::id()));
    /// # std::fs::write(&path, "t,U\n0,12.1\n1,12.2\n2,12.3\n")?;
    /// use sixpulse_io::csv::{ColumnKind, Hints, sniff};
    /// let dialect = sniff(&path, &Hints::default())?;
    /// assert_eq!(dialect.time_column(), Some(0));
    /// assert_eq!(dialect.with_kind(0, ColumnKind::Index).time_column(), None);
    /// # std::fs::remove_file(&path)?;
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    #[must_use]
    pub fn with_kind(mut self, position: usize, kind: ColumnKind) -> Self {
        if let Some(column) = self.columns.get_mut(position) {
            column.kind = kind;
            self.notes.push(format!("column {position} is {kind} because the caller says so"));
        }
        self
    }

    pub(crate) fn headings(&self) -> Vec<crate::recording::Heading<'_>> {
        self.columns
            .iter()
            .enumerate()
            .map(|(position, c)| crate::recording::Heading { position, name: &c.name, label: &c.header })
            .collect()
    }

    /// Position of the column a key means.
    ///
    /// # Errors
    /// `unknown_column`, `ambiguous_column`.
    pub fn position(&self, path: &std::path::Path, key: &ColumnKey) -> crate::Result<usize> {
        crate::recording::resolve(path, key, &self.headings())
    }
}

impl fmt::Display for CsvDialect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let delimiter = match self.delimiter {
            '\t' => "tab".into(),
            ' ' => "blanks".into(),
            other => format!("\"{other}\""),
        };
        writeln!(f, "{} text, fields separated by {delimiter}, decimal mark \"{}\"", self.encoding, self.decimal)?;
        if let Some(row) = self.header_row {
            writeln!(f, "column names in row {row}")?;
        }
        if let Some(row) = self.units_row {
            writeln!(f, "units in row {row}")?;
        }
        writeln!(f, "numbers from row {}", self.first_data_row)?;
        if let Some(row) = self.rate_row {
            writeln!(f, "sample rate stated in row {row}")?;
        }
        for (i, column) in self.columns.iter().enumerate() {
            write!(f, "column {i}: \"{}\", {}", column.name, column.kind)?;
            match &column.unit {
                #[allow(clippy::float_cmp, reason = "the factor of an unprefixed unit is exactly 1")]
                Some(unit) if column.factor != 1.0 => writeln!(f, ", numbers * {} = {unit}", column.factor)?,
                Some(unit) => writeln!(f, ", {unit}")?,
                None => writeln!(f, ", unit not stated")?,
            }
        }
        for note in &self.notes {
            writeln!(f, "- {note}")?;
        }
        Ok(())
    }
}
