//! Whether a capture is fit to be read, with coded reasons.

use crate::trace::words;

/// How much a quality issue matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum QualityImpact {
    /// Worth knowing; every result stands.
    Note,
    /// Some results are missing or less certain.
    Limits,
    /// The capture must not be read for its rectifier pattern.
    Prevents,
}
words!(QualityImpact, "impact", "note" => QualityImpact::Note, "limits" => QualityImpact::Limits,
    "prevents" => QualityImpact::Prevents);

/// The stable code of a quality issue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum QualityCode {
    /// Samples sit at the rails of the quantiser or range.
    Clipped,
    /// The ripple spans too few steps of the quantiser.
    TooCoarse,
    /// The sample rate is too low for the orders needed.
    Undersampled,
    /// Too few electrical cycles (or too few samples) in the record.
    TooShort,
    /// Runs of repeated samples, as a dropped buffer leaves them.
    Dropout,
    /// AC coupling hides the charging level.
    AcCoupledLevelUnknown,
    /// AC coupling attenuates the lowest order present by more than 1 %.
    LowOrderDroop,
    /// No voltage trace from the charging post or the battery.
    NoSupplyTrace,
    /// The trace does not move at all.
    Flat,
}
words!(QualityCode, "code",
    "clipped" => QualityCode::Clipped, "too_coarse" => QualityCode::TooCoarse,
    "undersampled" => QualityCode::Undersampled, "too_short" => QualityCode::TooShort,
    "dropout" => QualityCode::Dropout, "ac_coupled_level_unknown" => QualityCode::AcCoupledLevelUnknown,
    "low_order_droop" => QualityCode::LowOrderDroop, "no_supply_trace" => QualityCode::NoSupplyTrace,
    "flat" => QualityCode::Flat,
);

/// One coded reason why a capture is less than fit, with the figure and the limit it missed.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct QualityIssue {
    /// Stable code.
    pub code: QualityCode,
    /// How much it matters.
    pub impact: QualityImpact,
    /// Name of the trace; empty when it concerns the capture.
    pub trace: String,
    /// What was found, in one sentence with its numbers.
    pub statement: String,
    /// What to change before the next capture.
    pub remedy: String,
    /// The figure found.
    pub value: f64,
    /// The limit it is held against, in the same unit.
    pub limit: f64,
}

/// Figures of one trace.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct TraceQuality {
    /// Number of samples.
    pub sample_count: usize,
    /// Length in seconds.
    pub duration_s: f64,
    /// Samples per second.
    pub sample_rate_hz: f64,
    /// Smallest value, in the trace's unit.
    pub minimum: f64,
    /// Largest value.
    pub maximum: f64,
    /// Smallest difference between two values that occur, where the trace looks quantised.
    pub step: Option<f64>,
    /// log2 of (peak-to-peak / step): bits of the converter that the signal spans; `None` where no step shows.
    pub effective_bits: Option<f64>,
    /// Fraction of samples at the highest or lowest value when that looks like clipping, else 0.
    pub clipped_fraction: f64,
    /// Longest run of equal samples beyond what the step explains.
    pub longest_repeat: usize,
    /// Number of such runs.
    pub dropout_count: usize,
}

/// Fitness of a capture.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Quality {
    /// False when an issue prevents reading the rectifier pattern.
    pub usable: bool,
    /// Coded reasons, the worst first.
    pub issues: Vec<QualityIssue>,
    /// Figures by trace name, in the order of the capture.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub traces: Vec<(String, TraceQuality)>,
    /// Electrical cycles in the record, once the electrical frequency is known.
    pub electrical_cycles: Option<f64>,
    /// Highest order below the Nyquist frequency, once the electrical frequency is known.
    pub highest_order: Option<u32>,
}
