//! The reasoned list that a person reads: what was found, how sure, what to test next, what not to replace yet.

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
