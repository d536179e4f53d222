//! The one error type of the core. Every variant names the parameter, what was expected and what came;
//! every variant has a stable code that outlives its wording.

/// Result of a core function.
pub type Result<T> = std::result::Result<T, Error>;

/// Why an input was refused or a computation could not be completed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// Nothing where at least one is needed: no sample, no rate, no channel.
    #[error("{parameter}: expected at least one, got none")]
    EmptyInput {
        /// Name of the offending parameter.
        parameter: String,
    },
    /// A NaN or an infinity among the samples.
    #[error("{parameter}: expected finite samples, got a NaN or an infinity at index {index}")]
    NonFinite {
        /// Name of the offending parameter.
        parameter: String,
        /// Index of the first sample that is not finite.
        index: usize,
    },
    /// A number outside its domain.
    #[error("{parameter}: expected {expected}, got {}", plain(*.actual))]
    OutOfRange {
        /// Name of the offending parameter.
        parameter: String,
        /// The domain in words, with its unit.
        expected: String,
        /// What came.
        actual: f64,
    },
    /// Fewer samples than the method needs.
    #[error("{parameter}: expected at least {minimum} samples, got {actual}")]
    TooShort {
        /// Name of the offending parameter.
        parameter: String,
        /// The least number of samples that works.
        minimum: usize,
        /// What came.
        actual: usize,
    },
    /// Two records that must be equally long are not.
    #[error("{parameter}: expected {expected} samples, got {actual}")]
    LengthMismatch {
        /// Name of the offending parameter.
        parameter: String,
        /// Length of the record it must match.
        expected: usize,
        /// What came.
        actual: usize,
    },
    /// Two traces of one capture have different sample rates.
    #[error("{parameter}: expected a sample rate of {} Hz, got {} Hz", plain(*.expected_hz), plain(*.actual_hz))]
    RateMismatch {
        /// Name of the offending parameter.
        parameter: String,
        /// Sample rate of the first trace.
        expected_hz: f64,
        /// What came.
        actual_hz: f64,
    },
    /// A frequency at or above half the sample rate.
    #[error(
        "{parameter}: expected a frequency below the Nyquist frequency {} Hz, got {} Hz",
        plain(*.nyquist_hz),
        plain(*.frequency_hz)
    )]
    AboveNyquist {
        /// Name of the offending parameter.
        parameter: String,
        /// Half the sample rate.
        nyquist_hz: f64,
        /// What came.
        frequency_hz: f64,
    },
    /// A word that is not one of the known ones.
    #[error("{parameter}: expected one of {expected}, got \"{actual}\"")]
    UnknownName {
        /// Name of the offending parameter.
        parameter: String,
        /// The known words.
        expected: String,
        /// What came.
        actual: String,
    },
    /// Something required was not given, or given where it has no meaning.
    #[error("{parameter}: {reason}")]
    InvalidCombination {
        /// Name of the offending parameter.
        parameter: String,
        /// What is wrong with the combination.
        reason: String,
    },
    /// A fit whose unknowns the data do not determine.
    #[error("{parameter}: the data do not determine the fit ({reason})")]
    Undetermined {
        /// Name of the offending parameter.
        parameter: String,
        /// Why.
        reason: String,
    },
    /// An iteration that did not settle.
    #[error("{parameter}: no convergence after {iterations} iterations")]
    NoConvergence {
        /// What was being iterated.
        parameter: String,
        /// How many steps were taken.
        iterations: usize,
    },
}

/// Every code of [`Error`], in the order of its variants.
pub const CODES: [&str; 11] = [
    "empty_input",
    "non_finite",
    "out_of_range",
    "too_short",
    "length_mismatch",
    "rate_mismatch",
    "above_nyquist",
    "unknown_name",
    "invalid_combination",
    "undetermined_fit",
    "no_convergence",
];

impl Error {
    /// The stable code of this kind of error, one of [`CODES`].
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::EmptyInput { .. } => "empty_input",
            Self::NonFinite { .. } => "non_finite",
            Self::OutOfRange { .. } => "out_of_range",
            Self::TooShort { .. } => "too_short",
            Self::LengthMismatch { .. } => "length_mismatch",
            Self::RateMismatch { .. } => "rate_mismatch",
            Self::AboveNyquist { .. } => "above_nyquist",
            Self::UnknownName { .. } => "unknown_name",
            Self::InvalidCombination { .. } => "invalid_combination",
            Self::Undetermined { .. } => "undetermined_fit",
            Self::NoConvergence { .. } => "no_convergence",
        }
    }

    /// Name of the parameter at fault.
    #[must_use]
    pub fn parameter(&self) -> &str {
        match self {
            Self::EmptyInput { parameter }
            | Self::NonFinite { parameter, .. }
            | Self::OutOfRange { parameter, .. }
            | Self::TooShort { parameter, .. }
            | Self::LengthMismatch { parameter, .. }
            | Self::RateMismatch { parameter, .. }
            | Self::AboveNyquist { parameter, .. }
            | Self::UnknownName { parameter, .. }
            | Self::InvalidCombination { parameter, .. }
            | Self::Undetermined { parameter, .. }
            | Self::NoConvergence { parameter, .. } => parameter,
        }
    }

    /// Shorthand for [`Error::OutOfRange`].
    pub(crate) fn out_of_range(parameter: &str, expected: &str, actual: f64) -> Self {
        Self::OutOfRange { parameter: parameter.into(), expected: expected.into(), actual }
    }
}

/// A number as one reads it: with an exponent where it would else fill the line with zeros.
fn plain(value: f64) -> String {
    let readable = value == 0.0 || !value.is_finite() || (1e-5..1e16).contains(&value.abs());
    if readable { value.to_string() } else { format!("{value:e}") }
}

/// Refuses an empty record and the first sample that is not finite.
///
/// # Errors
/// [`Error::EmptyInput`], [`Error::NonFinite`].
pub(crate) fn check_samples(parameter: &str, samples: &[f64]) -> Result<()> {
    if samples.is_empty() {
        return Err(Error::EmptyInput { parameter: parameter.into() });
    }
    // Counted side by side; one after the other only to find the sample for the message.
    if samples.iter().filter(|x| x.is_finite()).count() == samples.len() {
        return Ok(());
    }
    match samples.iter().position(|x| !x.is_finite()) {
        Some(index) => Err(Error::NonFinite { parameter: parameter.into(), index }),
        None => Ok(()),
    }
}

/// Refuses anything that is not a finite number above zero.
///
/// # Errors
/// [`Error::OutOfRange`].
pub(crate) fn check_positive(parameter: &str, value: f64) -> Result<()> {
    if value.is_finite() && value > 0.0 {
        Ok(())
    } else {
        Err(Error::out_of_range(parameter, "a finite number above 0", value))
    }
}

/// Refuses a frequency that is not strictly between 0 and half the sample rate.
///
/// # Errors
/// [`Error::OutOfRange`], [`Error::AboveNyquist`].
pub(crate) fn check_frequency(parameter: &str, frequency_hz: f64, sample_rate_hz: f64) -> Result<()> {
    check_positive(parameter, frequency_hz)?;
    let nyquist_hz = 0.5 * sample_rate_hz;
    if frequency_hz < nyquist_hz {
        Ok(())
    } else {
        Err(Error::AboveNyquist { parameter: parameter.into(), nyquist_hz, frequency_hz })
    }
}
