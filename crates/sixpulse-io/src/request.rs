//! What the caller says about a file: which column is which, and what the file does not state itself.

use sixpulse::{Coupling, Role};
use std::fmt;

/// A column by its name or by its position.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ColumnKey {
    /// The column's name, or its whole header cell. A name of digits only that no column bears is a position.
    Name(String),
    /// The position, counting from 0 over all columns of the file, the time column included.
    Position(usize),
}

impl From<&str> for ColumnKey {
    fn from(name: &str) -> Self {
        Self::Name(name.into())
    }
}

impl From<usize> for ColumnKey {
    fn from(position: usize) -> Self {
        Self::Position(position)
    }
}

impl fmt::Display for ColumnKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Name(name) => write!(f, "\"{name}\""),
            Self::Position(position) => write!(f, "at position {position} (counting from 0)"),
        }
    }
}

/// One column that becomes a trace.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Which column.
    pub column: ColumnKey,
    /// Where the probe was.
    pub role: Role,
    /// The trace's name in the capture; the column's own name when `None`.
    pub name: Option<String>,
    /// How this input was coupled; the request's coupling, or the file's, when `None`.
    pub coupling: Option<Coupling>,
    /// Factor on this column's values (probe 10:1 is 10, a clamp of 100 mV/A is 10); the request's when `None`.
    pub scale: Option<f64>,
    /// Unit of the values after `scale`, without prefix; the file's, or the role's, when `None`.
    pub unit: Option<String>,
}

impl Channel {
    /// A column in a role, nothing else stated.
    #[must_use]
    pub fn new(column: impl Into<ColumnKey>, role: Role) -> Self {
        Self { column: column.into(), role, name: None, coupling: None, scale: None, unit: None }
    }
}

/// What the caller says about a file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Request {
    /// The columns that become traces; empty where the file states the roles itself.
    pub channels: Vec<Channel>,
    /// Samples per second; `None` where the file states it.
    pub sample_rate_hz: Option<f64>,
    /// How the inputs were coupled; `None` where the file or the channels state it.
    pub coupling: Option<Coupling>,
    /// Factor on the values of every column that has none of its own.
    pub scale: Option<f64>,
    /// Unit of every column that has none of its own.
    pub unit: Option<String>,
    /// Engine speed in 1/min, where known.
    pub engine_rpm: Option<f64>,
    /// Battery temperature in degrees Celsius, where known.
    pub battery_temperature_c: Option<f64>,
}

impl Request {
    /// A request for these channels, nothing else stated.
    #[must_use]
    pub fn new(channels: Vec<Channel>) -> Self {
        Self { channels, ..Self::default() }
    }
}
