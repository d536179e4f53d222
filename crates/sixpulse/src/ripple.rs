//! The several ripple numbers, each under its own name, with standard uncertainties.

/// Ripple of one supply trace.
///
/// `x` is the trace after the zero-phase AC coupling at `corner_hz`, `U` the mean of the trace before it.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Ripple {
    /// Name of the trace.
    pub trace: String,
    /// Corner of the AC coupling applied before measuring, in hertz.
    pub corner_hz: f64,
    /// `max(x) - min(x)` over the record, volts.
    pub peak_to_peak_v: f64,
    /// Standard uncertainty of it: quantiser step and noise at the two extremes.
    pub peak_to_peak_v_std: f64,
    /// `sqrt(mean(x^2))`, volts.
    pub rms_v: f64,
    /// Standard uncertainty of it.
    pub rms_v_std: f64,
    /// R.m.s. of the part that repeats with the electrical cycle: `sqrt(sum c_n^2 / 2)`; `None` without a cycle.
    pub synchronous_rms_v: Option<f64>,
    /// Standard uncertainty of it.
    pub synchronous_rms_v_std: Option<f64>,
    /// R.m.s. of the rest: `sqrt(rms_v^2 - synchronous_rms_v^2)`; `None` without a cycle.
    pub residual_rms_v: Option<f64>,
    /// Standard uncertainty of it.
    pub residual_rms_v_std: Option<f64>,
    /// `max - min` of the mean electrical cycle, volts: free of noise and of what does not repeat with the cycle.
    pub synchronous_peak_to_peak_v: Option<f64>,
    /// `rms_v / |U|` (IEC 60050-161: r.m.s. ripple factor); `None` when AC coupling hides `U`.
    pub rms_ripple_factor: Option<f64>,
    /// Standard uncertainty of it.
    pub rms_ripple_factor_std: Option<f64>,
    /// `peak_to_peak_v / |U|` (IEC 60050-161: peak-ripple factor); `None` when AC coupling hides `U`.
    pub peak_ripple_factor: Option<f64>,
    /// Standard uncertainty of it.
    pub peak_ripple_factor_std: Option<f64>,
    /// `peak_to_peak_v / (2 |U|)` (IEC 60050-551: DC ripple factor); half the peak-ripple factor.
    pub dc_ripple_factor: Option<f64>,
    /// `rms_v / sqrt(U^2 + rms_v^2)` (IEC 60050-103: pulsation factor).
    pub pulsation_factor: Option<f64>,
    /// `sqrt(U^2 + rms_v^2) / |U|` (IEC 60050-551: DC form factor).
    pub form_factor: Option<f64>,
    /// `max(|x|) / rms_v`.
    pub crest_factor: f64,
    /// Standard uncertainty of it.
    pub crest_factor_std: f64,
}
