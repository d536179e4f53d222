//! The one error type of the simulator. Every variant names the parameter, what was expected and what came;
//! every variant has a stable code that outlives its wording. Codes shared with the core mean the same thing there.

/// Result of a simulator function.
pub type Result<T> = std::result::Result<T, Error>;

/// Why a circuit was refused or could not be solved.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A number outside its domain.
    #[error("{parameter}: expected {expected}, got {actual}")]
    OutOfRange {
        /// Name of the offending parameter.
        parameter: String,
        /// The domain in words, with its unit.
        expected: String,
        /// What came.
        actual: f64,
    },
    /// A list with the wrong number of entries.
    #[error("{parameter}: expected {expected} entries, got {actual}")]
    LengthMismatch {
        /// Name of the offending parameter.
        parameter: String,
        /// How many entries are needed.
        expected: usize,
        /// What came.
        actual: usize,
    },
    /// Something required was not given, or given where it has no meaning.
    #[error("{parameter}: {reason}")]
    InvalidCombination {
        /// Name of the offending parameter.
        parameter: String,
        /// What is wrong with the combination.
        reason: String,
    },
    /// The set point lies outside what the machine can deliver at this speed and load.
    #[error("{parameter}: no field current between 0 and {limit_a} A gives {wanted_v} V ({reached_v} V is reached)")]
    NotReachable {
        /// Name of the offending parameter.
        parameter: String,
        /// Greatest field current, in amperes.
        limit_a: f64,
        /// Mean output asked for, in volts.
        wanted_v: f64,
        /// Mean output at the limit, in volts.
        reached_v: f64,
    },
    /// An iteration that did not settle.
    #[error("{parameter}: no convergence after {iterations} iterations")]
    NoConvergence {
        /// What was being iterated.
        parameter: String,
        /// How many steps were taken.
        iterations: usize,
    },
    /// The state left every physical range: the waveform is not returned.
    #[error("the solution diverged at {time_s} s ({quantity} = {value})")]
    Diverged {
        /// Time in the record, in seconds.
        time_s: f64,
        /// Which quantity left its range.
        quantity: String,
        /// Its value.
        value: f64,
    },
    /// More switching events in one step than a physical circuit can have.
    #[error("more than {limit} switching events within one step at {time_s} s")]
    EventStorm {
        /// Time in the record, in seconds.
        time_s: f64,
        /// Greatest number of events allowed in one step.
        limit: usize,
    },
    /// Energy in and energy out differ by more than the limit: the waveform is not returned.
    #[error("energy balance: residual {residual_j} J is more than {limit} of the energy turned over ({turnover_j} J)")]
    EnergyImbalance {
        /// Energy in less energy dissipated, delivered and stored, in joules.
        residual_j: f64,
        /// Energy turned over, in joules.
        turnover_j: f64,
        /// Greatest relative residual allowed.
        limit: f64,
    },
    /// A text that is not the document it claims to be.
    #[error("{parameter}: {reason}")]
    InvalidDocument {
        /// What was being read.
        parameter: String,
        /// What is wrong with it.
        reason: String,
    },
    /// Nothing that was drawn within the limit could be used.
    #[error("{parameter}: none of {limit} draws can be used ({reason})")]
    NotRecoverable {
        /// What was being drawn.
        parameter: String,
        /// Most draws allowed.
        limit: usize,
        /// The commonest reason, with an example.
        reason: String,
    },
    /// An error of the core, met while a trace or capture was built.
    #[error(transparent)]
    Core(#[from] sixpulse::Error),
}

/// Every code of [`Error`] that is the simulator's own, in the order of its variants.
pub const CODES: [&str; 10] = [
    "out_of_range",
    "length_mismatch",
    "invalid_combination",
    "not_reachable",
    "no_convergence",
    "diverged",
    "event_storm",
    "energy_imbalance",
    "invalid_document",
    "not_recoverable",
];

impl Error {
    /// The stable code of this kind of error: one of [`CODES`], or a code of the core.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutOfRange { .. } => "out_of_range",
            Self::LengthMismatch { .. } => "length_mismatch",
            Self::InvalidCombination { .. } => "invalid_combination",
            Self::NotReachable { .. } => "not_reachable",
            Self::NoConvergence { .. } => "no_convergence",
            Self::Diverged { .. } => "diverged",
            Self::EventStorm { .. } => "event_storm",
            Self::EnergyImbalance { .. } => "energy_imbalance",
            Self::InvalidDocument { .. } => "invalid_document",
            Self::NotRecoverable { .. } => "not_recoverable",
            Self::Core(e) => e.code(),
        }
    }

    /// Name of the parameter or quantity at fault.
    #[must_use]
    pub fn parameter(&self) -> &str {
        match self {
            Self::OutOfRange { parameter, .. }
            | Self::LengthMismatch { parameter, .. }
            | Self::InvalidCombination { parameter, .. }
            | Self::NotReachable { parameter, .. }
            | Self::NoConvergence { parameter, .. }
            | Self::InvalidDocument { parameter, .. }
            | Self::NotRecoverable { parameter, .. } => parameter,
            Self::Diverged { quantity, .. } => quantity,
            Self::EventStorm { .. } => "events",
            Self::EnergyImbalance { .. } => "energy",
            Self::Core(e) => e.parameter(),
        }
    }
}

/// Refuses a number outside `low..=high` (and NaN).
pub(crate) fn check_within(parameter: &str, value: f64, low: f64, high: f64, unit: &str) -> Result<()> {
    if value >= low && value <= high {
        return Ok(());
    }
    let expected = format!("{low} to {high} {unit}").trim_end().to_owned();
    Err(Error::OutOfRange { parameter: parameter.into(), expected, actual: value })
}

/// Refuses a list that has not `expected` entries.
pub(crate) fn check_length(parameter: &str, expected: usize, actual: usize) -> Result<()> {
    if expected == actual {
        Ok(())
    } else {
        Err(Error::LengthMismatch { parameter: parameter.into(), expected, actual })
    }
}

/// Refuses a table whose abscissa does not rise strictly, or whose columns differ in length.
pub(crate) fn check_table(parameter: &str, abscissa: &[f64], ordinate: &[f64]) -> Result<()> {
    check_length(parameter, abscissa.len(), ordinate.len())?;
    if abscissa.len() < 2 {
        return Err(Error::LengthMismatch { parameter: parameter.into(), expected: 2, actual: abscissa.len() });
    }
    for pair in abscissa.windows(2) {
        if !(pair[0].is_finite() && pair[1].is_finite() && pair[1] > pair[0]) {
            return Err(Error::OutOfRange {
                parameter: parameter.into(),
                expected: format!("a finite abscissa above {}", pair[0]),
                actual: pair[1],
            });
        }
    }
    Ok(())
}
