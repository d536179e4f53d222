//! The rectifier bridge: diodes, their faults, and the leads from the stator to them.

use serde::{Deserialize, Serialize};

/// Current-voltage law of a sound diode.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum DiodeModel {
    /// Shockley's law behind a series resistance, `i = IS (exp(v_j / (N V_T)) - 1)`, `v = v_j + RS i`, with an avalanche
    /// branch `i = -IBV exp(-(v_j + BV) / (N V_T))`: the large-signal diode of the common circuit simulators without its
    /// capacitances. `V_T = 25.865 mV` (27 degrees Celsius). Below 1 mA the law follows its tangent to no current.
    Exponential {
        /// Saturation current IS in amperes.
        saturation_a: f64,
        /// Emission coefficient N.
        emission: f64,
        /// Series resistance RS in ohm.
        series_ohm: f64,
        /// Breakdown voltage BV in volts; `None` never breaks down.
        breakdown_v: Option<f64>,
    },
    /// `v = forward_v + slope_ohm i` when conducting, nothing below.
    PiecewiseLinear {
        /// Forward voltage at no current, in volts.
        forward_v: f64,
        /// Slope resistance in ohm.
        slope_ohm: f64,
        /// Breakdown voltage in volts; `None` never breaks down.
        breakdown_v: Option<f64>,
        /// Slope resistance in breakdown, in ohm.
        breakdown_slope_ohm: f64,
    },
}

/// State of one diode.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum DiodeCondition {
    /// As the model says.
    Sound,
    /// Conducts never (lead or junction open).
    Open,
    /// A resistance in place of the diode, conducting both ways.
    Shorted {
        /// Ohm, 1e-4 to 1.
        ohm: f64,
    },
    /// A resistance across an otherwise sound diode.
    Leaking {
        /// Ohm, 0.1 to 1e6.
        ohm: f64,
    },
    /// A resistance in series with a sound diode.
    ResistiveJoint {
        /// Ohm, above 0 to 100.
        ohm: f64,
    },
    /// A sound diode whose joint opens and closes periodically.
    Intermittent {
        /// Openings per second, above 0.
        rate_hz: f64,
        /// Share of the time it is open, above 0 and below 1.
        open_fraction: f64,
        /// Where in its period it is at time 0, 0 to 1 (open first).
        phase: f64,
    },
}

/// State of the lead between a stator terminal and its two diodes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum LeadCondition {
    /// No resistance worth mentioning.
    Sound,
    /// Broken: the phase carries no current.
    Broken,
    /// A bad joint.
    Resistive {
        /// Ohm, above 0 to 100.
        ohm: f64,
    },
    /// Touches the alternator's case.
    ShortToCase {
        /// Contact resistance in ohm, 1e-4 to 1e6.
        ohm: f64,
    },
}

/// One phase of the bridge.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Leg {
    /// Diode from the terminal to the charging post.
    pub positive: DiodeCondition,
    /// Diode from the case to the terminal.
    pub negative: DiodeCondition,
    /// Lead between stator and diodes.
    pub lead: LeadCondition,
}

impl Leg {
    /// Both diodes and the lead sound.
    pub const SOUND: Self =
        Self { positive: DiodeCondition::Sound, negative: DiodeCondition::Sound, lead: LeadCondition::Sound };
}

/// The bridge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bridge {
    /// Law of every sound diode.
    pub diode: DiodeModel,
    /// One leg a phase: 3, or 6 with two stators (second stator: legs 3 to 5).
    pub legs: Vec<Leg>,
}

impl Bridge {
    /// A bridge of `phases` sound legs.
    #[must_use]
    pub fn sound(diode: DiodeModel, phases: usize) -> Self {
        Self { diode, legs: vec![Leg::SOUND; phases] }
    }
}
