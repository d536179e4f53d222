//! Why a file could not be read: which file, where in it, and one reason with a stable code.

use std::fmt;
use std::path::{Path, PathBuf};

/// Result of a reader or writer.
pub type Result<T> = std::result::Result<T, Error>;

/// A file that could not be read (or written): the file, the place in it where that is known, and the reason.
///
/// Displayed as one line: `capture.csv, row 15, column "CH1": "***" is an over-range mark, not a number`.
/// Rows count from 1, as a text editor or a spreadsheet shows them.
#[derive(Debug, Clone, PartialEq)]
pub struct Error {
    path: PathBuf,
    row: Option<u64>,
    column: Option<String>,
    reason: Box<Reason>,
}

/// The reason of an [`Error`]; every variant has a stable code.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Reason {
    /// There is no such file.
    #[error("no such file")]
    FileNotFound,
    /// The path is a folder.
    #[error("this is a folder, not a file")]
    IsDirectory,
    /// The operating system refused to read or write.
    #[error("{action} failed: {cause}")]
    Unreadable {
        /// What was being done.
        action: String,
        /// The operating system's words.
        cause: String,
    },
    /// The operating system refused to write; nothing is left behind.
    #[error("cannot be written: {cause}")]
    Unwritable {
        /// The operating system's words.
        cause: String,
    },
    /// A file of 0 bytes, or an array without elements.
    #[error("the file is empty")]
    EmptyFile,
    /// Bytes that are not text, in a file read as text.
    #[error("not a text file ({detail})")]
    NotText {
        /// What gave it away.
        detail: String,
    },
    /// Text without a table of numbers in it.
    #[error("no table of numbers found in this text")]
    NoNumbers,
    /// A row that does not fit the table.
    #[error("{detail}")]
    BadRow {
        /// What is wrong with it.
        detail: String,
    },
    /// A mark the instrument writes instead of a number when the input left its range.
    #[error("\"{cell}\" is an over-range mark, not a number; capture again in a range that fits")]
    OverRange {
        /// The cell as it stands.
        cell: String,
    },
    /// A blank cell, or a mark for "no value".
    #[error("\"{cell}\" holds no value")]
    MissingValue {
        /// The cell as it stands.
        cell: String,
    },
    /// A file, row or header beyond the reader's limits.
    #[error("{detail}")]
    LimitExceeded {
        /// Which limit, and by what.
        detail: String,
    },
    /// No column of that name or position.
    #[error("no column {key}; the file has {available}")]
    UnknownColumn {
        /// The name or position asked for.
        key: String,
        /// What the file has.
        available: String,
    },
    /// Several columns of that name.
    #[error("{count} columns are called {key}; name the one you mean by its position, counting from 0")]
    AmbiguousColumn {
        /// The name asked for.
        key: String,
        /// How many columns have it.
        count: usize,
    },
    /// The time column was asked for as a trace.
    #[error("this is the time column; it cannot be a trace (positions count from 0)")]
    TimeColumn,
    /// No column was given a role.
    #[error(
        "no roles given: say which column is which, such as {{column: \"charging_post\"}}; the file has {available}"
    )]
    RolesUnknown {
        /// What the file has.
        available: String,
    },
    /// The text can be read in two ways and nothing in it decides.
    #[error("the text can be read in two ways: {readings}; state the delimiter or the decimal mark")]
    AmbiguousDialect {
        /// The readings.
        readings: String,
    },
    /// The file does not have the layout that the given dialect describes.
    #[error("the file does not match the dialect: {detail}")]
    DialectMismatch {
        /// Where they differ.
        detail: String,
    },
    /// A kind of file, or of data in it, that is not read.
    #[error("unsupported format: {detail}")]
    UnsupportedFormat {
        /// What it is, and what would be read.
        detail: String,
    },
    /// A file that breaks the rules of its own format, or ends too early.
    #[error("damaged {format} file: {detail}")]
    Damaged {
        /// The format.
        format: String,
        /// What is wrong.
        detail: String,
    },
    /// Neither the file nor the caller states the sample rate.
    #[error("sample rate unknown: {detail}")]
    RateUnknown {
        /// What to give.
        detail: String,
    },
    /// Two statements of the sample rate differ by more than 0.1 %.
    #[error("two sample rates: {first_hz} Hz ({first_source}) and {second_hz} Hz ({second_source})")]
    RateConflict {
        /// One rate.
        first_hz: f64,
        /// Where it is stated.
        first_source: String,
        /// The other rate.
        second_hz: f64,
        /// Where it is stated.
        second_source: String,
    },
    /// A time column whose steps are not equal.
    #[error(
        "time is not evenly spaced: {time_s} s stands {deviation_s:.3e} s off the even grid of {step_s:.9e} s steps"
    )]
    NonUniformTime {
        /// Time of the worst row, in seconds.
        time_s: f64,
        /// How far it is off, in seconds.
        deviation_s: f64,
        /// The mean step, in seconds.
        step_s: f64,
    },
    /// Neither the file nor the caller states the coupling.
    #[error("coupling unknown: give coupling = \"dc\" or \"ac\", as the instrument's input was set")]
    CouplingUnknown,
    /// Counts or full-scale fractions without the factor that makes volts of them.
    #[error("scale unknown: {detail}")]
    ScaleUnknown {
        /// What the numbers are and which factor is needed.
        detail: String,
    },
    /// The unit of the file's column does not suit the role, or the given unit is none to compute in.
    #[error("unit conflict: {detail}")]
    UnitConflict {
        /// What is wrong and what to give.
        detail: String,
    },
    /// What the file holds is refused by the core's own checks.
    #[error("{0}")]
    Core(sixpulse::Error),
}

/// Every code of [`Reason`] that is not the core's, in the order of its variants.
pub const CODES: [&str; 25] = [
    "file_not_found",
    "is_directory",
    "file_unreadable",
    "unwritable_file",
    "empty_file",
    "not_text",
    "no_numbers",
    "bad_row",
    "over_range",
    "missing_value",
    "limit_exceeded",
    "unknown_column",
    "ambiguous_column",
    "time_column",
    "roles_unknown",
    "ambiguous_dialect",
    "dialect_mismatch",
    "unsupported_format",
    "damaged_file",
    "rate_unknown",
    "rate_conflict",
    "non_uniform_time",
    "coupling_unknown",
    "scale_unknown",
    "unit_conflict",
];

impl Reason {
    /// The stable code of this reason: one of [`CODES`], or the core's.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::FileNotFound => "file_not_found",
            Self::IsDirectory => "is_directory",
            Self::Unreadable { .. } => "file_unreadable",
            Self::Unwritable { .. } => "unwritable_file",
            Self::EmptyFile => "empty_file",
            Self::NotText { .. } => "not_text",
            Self::NoNumbers => "no_numbers",
            Self::BadRow { .. } => "bad_row",
            Self::OverRange { .. } => "over_range",
            Self::MissingValue { .. } => "missing_value",
            Self::LimitExceeded { .. } => "limit_exceeded",
            Self::UnknownColumn { .. } => "unknown_column",
            Self::AmbiguousColumn { .. } => "ambiguous_column",
            Self::TimeColumn => "time_column",
            Self::RolesUnknown { .. } => "roles_unknown",
            Self::AmbiguousDialect { .. } => "ambiguous_dialect",
            Self::DialectMismatch { .. } => "dialect_mismatch",
            Self::UnsupportedFormat { .. } => "unsupported_format",
            Self::Damaged { .. } => "damaged_file",
            Self::RateUnknown { .. } => "rate_unknown",
            Self::RateConflict { .. } => "rate_conflict",
            Self::NonUniformTime { .. } => "non_uniform_time",
            Self::CouplingUnknown => "coupling_unknown",
            Self::ScaleUnknown { .. } => "scale_unknown",
            Self::UnitConflict { .. } => "unit_conflict",
            Self::Core(e) => e.code(),
        }
    }
}

impl Reason {
    /// The parameter a caller would change: `path` where it is the file itself.
    #[must_use]
    pub fn parameter(&self) -> &str {
        match self {
            Self::UnknownColumn { .. }
            | Self::AmbiguousColumn { .. }
            | Self::TimeColumn
            | Self::RolesUnknown { .. } => "roles",
            Self::AmbiguousDialect { .. } | Self::DialectMismatch { .. } => "dialect",
            Self::RateUnknown { .. } | Self::RateConflict { .. } => "sample_rate_hz",
            Self::CouplingUnknown => "coupling",
            Self::ScaleUnknown { .. } => "scale",
            Self::UnitConflict { .. } => "unit",
            Self::Core(e) => e.parameter(),
            _ => "path",
        }
    }
}

impl Error {
    /// An error of a whole file.
    #[must_use]
    pub fn new(path: &Path, reason: Reason) -> Self {
        Self { path: path.to_owned(), row: None, column: None, reason: Box::new(reason) }
    }

    /// The same error at a row, counting from 1.
    #[must_use]
    pub fn at_row(mut self, row: u64) -> Self {
        self.row = Some(row);
        self
    }

    /// The same error in a column.
    #[must_use]
    pub fn in_column(mut self, column: &str) -> Self {
        self.column = Some(column.into());
        self
    }

    /// What the operating system said, sorted into the reasons a caller can act on.
    pub(crate) fn io(path: &Path, action: &str, cause: &std::io::Error) -> Self {
        let reason = match cause.kind() {
            std::io::ErrorKind::NotFound => Reason::FileNotFound,
            std::io::ErrorKind::IsADirectory => Reason::IsDirectory,
            _ => Reason::Unreadable { action: action.into(), cause: cause.to_string() },
        };
        Self::new(path, reason)
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
    /// The row, counting from 1, where there is one.
    #[must_use]
    pub fn row(&self) -> Option<u64> {
        self.row
    }
    /// The column's name, where there is one.
    #[must_use]
    pub fn column(&self) -> Option<&str> {
        self.column.as_deref()
    }
    /// The reason.
    #[must_use]
    pub fn reason(&self) -> &Reason {
        &self.reason
    }
    /// The stable code of the reason.
    #[must_use]
    pub fn code(&self) -> &'static str {
        self.reason.code()
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.path.display())?;
        if let Some(row) = self.row {
            write!(f, ", row {row}")?;
        }
        if let Some(column) = &self.column {
            write!(f, ", column \"{column}\"")?;
        }
        write!(f, ": {}", self.reason)
    }
}

impl std::error::Error for Error {}
