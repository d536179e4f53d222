//! Whether another circuit carries the rectifier's ripple, and what false reading that makes.

use crate::trace::words;

/// Whether a circuit carries the ripple.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum ContaminationVerdict {
    /// It carries the supply's ripple.
    Contaminated,
    /// It does not, down to the level stated.
    Clean,
    /// The capture does not tell.
    Undetermined,
}
words!(ContaminationVerdict, "verdict", "contaminated" => ContaminationVerdict::Contaminated,
    "clean" => ContaminationVerdict::Clean, "undetermined" => ContaminationVerdict::Undetermined);

/// Transfer from the supply to the circuit at one order.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct OrderTransfer {
    /// The order.
    pub order: u32,
    /// Its mean frequency, hertz.
    pub frequency_hz: f64,
    /// Peak amplitude in the supply trace, volts.
    pub supply_v: f64,
    /// Peak amplitude in the circuit's trace, volts.
    pub circuit_v: f64,
    /// Gain, circuit / supply.
    pub gain: f64,
    /// Phase of the circuit against the supply, radians; negative lags.
    pub phase_rad: f64,
    /// Standard uncertainty of the complex transfer, relative to the gain.
    pub relative_std: f64,
}

/// What a circuit carries of the ripple.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Contamination {
    /// The verdict.
    pub verdict: ContaminationVerdict,
    /// Why, in a sentence with the numbers.
    pub reason: String,
    /// Ripple transfer supply to circuit, volts per volt, signed by polarity; `None` when clean or undetermined.
    pub gain_v_per_v: Option<f64>,
    /// Standard uncertainty of it.
    pub gain_v_per_v_std: Option<f64>,
    /// Delay of the circuit behind the supply, seconds.
    pub delay_s: Option<f64>,
    /// Standard uncertainty of it.
    pub delay_s_std: Option<f64>,
    /// Fraction of the circuit's AC power explained by the supply's ripple (0 to 1).
    pub explained_fraction: f64,
    /// Gain the test could have seen, volts per volt; a clean verdict holds down to here.
    pub detectable_gain_v_per_v: Option<f64>,
    /// The transfer order by order, where the supply's order stands clear of its noise.
    pub orders: Vec<OrderTransfer>,
    /// Frequency of the circuit's own signal after the ripple is taken out, hertz; `None` at standstill.
    pub own_frequency_hz: Option<f64>,
    /// Peak-to-peak of the circuit's own signal, volts.
    pub own_peak_to_peak_v: f64,
    /// Frequency that a pulse conditioner would count on the trace as captured, hertz (0: it counts nothing).
    pub indicated_hz: Option<f64>,
}
