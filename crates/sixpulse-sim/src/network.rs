//! From the charging post to the loads: suppression capacitor, cable, battery, ground path, loads, probe points.
//!
//! ```text
//!  stator terminals --bridge-- charging post --R,L cable-- battery post
//!                                 |   |                     |      |
//!                               C_sup loads (case)    battery L,R  loads
//!                                 |   |               R||C, EMF    |
//!                     case = engine ground ---R ground--- chassis = battery negative
//! ```
//! The alternator's case is the reference node (0 V). Cable current counts from the post to the battery post; battery
//! current counts as charging.

use serde::{Deserialize, Serialize};

/// Cable from the charging post to the battery post, joints included.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Cable {
    /// Resistance of the sound cable in ohm.
    pub resistance_ohm: f64,
    /// Inductance in henry, above 0.
    pub inductance_h: f64,
    /// Additional resistance of bad joints in ohm.
    pub joint_ohm: f64,
}

/// Capacitor from the charging post to the case.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SuppressionCapacitor {
    /// Farad, above 0.
    pub farad: f64,
    /// Equivalent series resistance in ohm; 0 is allowed.
    pub series_ohm: f64,
}

/// A resistance and a capacitance in parallel: slow part of the battery's impedance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RcPair {
    /// Ohm, above 0.
    pub ohm: f64,
    /// Farad, above 0.
    pub farad: f64,
}

/// Battery: EMF behind resistance, inductance and up to two R||C pairs in series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Battery {
    /// Open-circuit voltage in volts.
    pub emf_v: f64,
    /// Ohmic resistance in ohm.
    pub resistance_ohm: f64,
    /// Inductance in henry, above 0.
    pub inductance_h: f64,
    /// R||C pairs, none to two.
    pub pairs: Vec<RcPair>,
}

/// Where a load takes its current and where it returns it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LoadPlace {
    /// From the charging post, back to the case.
    ChargingPost,
    /// From the battery post, back to the chassis.
    Body,
    /// From the battery post, back to the engine (through its ground path only the battery's share returns).
    Engine,
}

/// What a load is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum LoadKind {
    /// A resistance, always on.
    Resistive {
        /// Ohm.
        ohm: f64,
    },
    /// A constant current, always on.
    Current {
        /// Amperes.
        ampere: f64,
    },
    /// A resistance switched periodically with hard edges (fan, pump, heater on pulse-width modulation).
    SwitchedResistive {
        /// Ohm while on.
        ohm: f64,
        /// Switching frequency in hertz.
        frequency_hz: f64,
        /// Share of the period it is on, above 0 and below 1.
        duty: f64,
        /// Where in its period it is at time 0, 0 to 1 (on first).
        phase: f64,
    },
    /// Trapezoidal current pulses (injector, ignition coil, pump motor).
    PulsedCurrent {
        /// Current at the top, in amperes.
        ampere: f64,
        /// Pulses per second.
        frequency_hz: f64,
        /// Share of the period between the start of the rise and the start of the fall, above 0 and below 1.
        duty: f64,
        /// Duration of the linear rise in seconds, above 0.
        rise_s: f64,
        /// Duration of the linear fall in seconds, above 0.
        fall_s: f64,
        /// Where in its period it is at time 0, 0 to 1 (rise first).
        phase: f64,
    },
}

/// A load.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Load {
    /// Where it is connected.
    pub place: LoadPlace,
    /// What it is.
    pub kind: LoadKind,
}

/// Everything between the bridge and the loads.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Network {
    /// Suppression capacitor at the post; `None`: absent (10 nF behind 10 ohm of windings and harness remain).
    pub capacitor: Option<SuppressionCapacitor>,
    /// Charging cable.
    pub cable: Cable,
    /// Battery; `None`: disconnected (a fault, or a resistive bench load).
    pub battery: Option<Battery>,
    /// Resistance from the engine (case) to the chassis (battery negative), in ohm; 0 is allowed.
    pub ground_ohm: f64,
    /// Loads, up to 32.
    pub loads: Vec<Load>,
}

/// What can be recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Probe {
    /// Charging post against the case, V.
    ChargingPost,
    /// Battery post against the battery's negative post, V.
    BatteryPost,
    /// Battery post against the case (engine ground), V.
    BatteryPostToCase,
    /// Chassis (battery negative) against the case, V; positive while the battery charges.
    ChassisGround,
    /// Stator terminal (diode side of the lead) of a phase against the case, V.
    StatorTerminal(usize),
    /// EMF of a coil, V.
    CoilEmf(usize),
    /// Current of a coil, A; positive towards the terminal (delta: towards terminal `k + 1`).
    CoilCurrent(usize),
    /// Current from the charging post to the battery post, A.
    CableCurrent,
    /// Current into the battery, A.
    BatteryCurrent,
    /// Current from the bridge into the post, A.
    BridgeCurrent,
    /// Field current, A; 0 with a fixed EMF.
    FieldCurrent,
}

impl Probe {
    /// Unit of the recorded values.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::CoilCurrent(_)
            | Self::CableCurrent
            | Self::BatteryCurrent
            | Self::BridgeCurrent
            | Self::FieldCurrent => "A",
            _ => "V",
        }
    }
}

/// Lead-acid battery's condition, for [`Battery::lead_acid`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BatteryState {
    /// Cells in series: 6 for 12 V, 12 for 24 V.
    pub cells: u32,
    /// State of charge, 0 to 1.
    pub state_of_charge: f64,
    /// Factor on every resistance through ageing and sulphation: 1 new, 3 poor, 8 at the end of its life.
    pub ageing: f64,
}

impl Battery {
    /// A lead-acid starter battery of 60-80 Ah.
    ///
    /// Open-circuit voltage 1.95 V a cell when empty and 2.12 V when full (common practice: 11.7 and 12.7 V). New and
    /// full, six cells: 5 mohm, 0.15 uH and 4 mohm || 2 F, inside the 3-12 mohm and 50-300 nH of REFERENCE-VALUES D2,
    /// and 80 mohm || 500 F for the slow polarisation that limits the charging current (assumed). Resistances rise with
    /// ageing and by half towards the empty state, the slow one towards the full; the fast capacitance falls with ageing.
    #[must_use]
    pub fn lead_acid(state: BatteryState) -> Self {
        let blocks = f64::from(state.cells) / 6.0;
        let rise = state.ageing * (1.5 - 0.5 * state.state_of_charge) * blocks;
        Self {
            emf_v: f64::from(state.cells) * (1.95 + 0.17 * state.state_of_charge),
            resistance_ohm: 5.0e-3 * rise,
            inductance_h: 0.15e-6 * blocks,
            pairs: vec![
                RcPair { ohm: 4.0e-3 * rise, farad: 2.0 / (state.ageing * blocks) },
                RcPair { ohm: 80.0e-3 * (0.2 + 0.8 * state.state_of_charge) * blocks, farad: 500.0 / blocks },
            ],
        }
    }
}
