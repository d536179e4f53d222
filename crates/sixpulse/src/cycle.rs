//! The electrical cycle: its frequency with candidates, tracked phase, mean cycle and orders.

use crate::rectifier::Pattern;

/// Orders reported: 1 to 24.
pub const ORDERS: usize = 24;
/// Points of the mean cycle.
pub const POINTS_PER_CYCLE: usize = 192;

/// One electrical frequency that fits the capture.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct FrequencyCandidate {
    /// Mean electrical frequency over the record, hertz.
    pub electrical_hz: f64,
    /// Probability of this frequency, all patterns taken together (0 to 1).
    pub probability: f64,
    /// The pattern the capture would show at this frequency.
    pub pattern: Pattern,
}

/// The electrical cycle found in the supply trace.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Cycle {
    /// Name of the trace it was read on; empty when there is no supply trace.
    pub trace: String,
    /// Mean electrical frequency over the record, hertz; `None` with a `reason` when no cycle was found.
    pub electrical_hz: Option<f64>,
    /// Standard uncertainty of it.
    pub electrical_hz_std: Option<f64>,
    /// Why no cycle was found.
    pub reason: Option<String>,
    /// Whole cycles averaged.
    pub cycle_count: usize,
    /// Peak amplitudes of orders 1 to 24 (index 0 is order 1), volts; empty without a cycle. Orders above the Nyquist
    /// frequency are left out, so the list may be shorter.
    pub order_amplitudes_v: Vec<f64>,
    /// Standard uncertainty of each amplitude, from the scatter over the cycles.
    pub order_amplitudes_v_std: Vec<f64>,
    /// Phase of each order at the start of the mean cycle, radians (-pi to pi): order n is `c_n cos(n theta + phase_n)`.
    pub order_phases_rad: Vec<f64>,
    /// Standard deviation of each order's amplitude from cycle to cycle, volts.
    pub order_dispersion_v: Vec<f64>,
    /// Mean electrical cycle, 192 points of equal angle, volts, level removed; empty without a cycle.
    pub mean_cycle_v: Vec<f64>,
    /// Standard deviation of the cycles about it, point by point.
    pub cycle_std_v: Vec<f64>,
    /// Times at which the track is given, seconds from the start of the record.
    pub track_time_s: Vec<f64>,
    /// Electrical frequency at those times, hertz.
    pub track_electrical_hz: Vec<f64>,
    /// (highest - lowest) / mean of the track.
    pub speed_change: Option<f64>,
    /// What else fits, the most probable first; the first is the one reported.
    pub candidates: Vec<FrequencyCandidate>,
}
