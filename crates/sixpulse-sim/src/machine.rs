//! The alternator and what drives it: stator, EMF, field winding, regulator, belt and engine speed.
//!
//! A stator coil is an EMF behind a resistance and an inductance; coils join in star (the star point floats) or delta.
//! EMF of coil `k` at electrical angle `theta`:
//! `E s_k [sin(theta - d_k) + sum_n a_n sin(n (theta - d_k) + p_n)]`, with `d_k = 2 pi k / 3 + error_k` and
//! `E = electrical angular frequency x flux linkage(field current)`.

use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Copper's temperature coefficient of resistance, 1/K at 20 degrees Celsius.
pub const COPPER_PER_KELVIN: f64 = 0.003_93;

/// How the three coils of a stator are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Winding {
    /// Star with floating star point.
    Star,
    /// Delta: coil `k` lies between terminals `k` and `k + 1`; third harmonics circulate in it.
    Delta,
}

/// How many three-phase stators feed the charging post.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StatorLayout {
    /// One stator, six pulses in an electrical cycle.
    Single,
    /// Two stators 30 electrical degrees apart, each with its own bridge, in parallel on the post: twelve pulses.
    DualThirtyDegrees,
}

impl StatorLayout {
    /// Number of stator phases: 3 or 6.
    #[must_use]
    pub fn phases(self) -> usize {
        match self {
            Self::Single => 3,
            Self::DualThirtyDegrees => 6,
        }
    }
}

/// One harmonic of a coil's EMF.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EmfHarmonic {
    /// Order, 2 to 13 (odd orders in a symmetric machine).
    pub order: u32,
    /// Amplitude relative to the fundamental, -0.5 to 0.5.
    pub ratio: f64,
    /// Phase in radians at the harmonic's own frequency.
    pub phase_rad: f64,
}

/// Wave shape of the EMF and how the phases differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EmfShape {
    /// Harmonics besides the fundamental.
    pub harmonics: Vec<EmfHarmonic>,
    /// Amplitude of each phase relative to nominal, 0 to 2; one entry a phase.
    pub phase_scale: Vec<f64>,
    /// Angle error of each phase in electrical radians, -0.5 to 0.5; one entry a phase.
    pub phase_error_rad: Vec<f64>,
}

impl EmfShape {
    /// Pure sine, all phases equal.
    #[must_use]
    pub fn sine(layout: StatorLayout) -> Self {
        let n = layout.phases();
        Self { harmonics: Vec::new(), phase_scale: vec![1.0; n], phase_error_rad: vec![0.0; n] }
    }
}

/// Inductance of a stator coil, as it falls with field current.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Inductance {
    /// Does not depend on the field current.
    Constant {
        /// Henry.
        henry: f64,
    },
    /// Linear interpolation between measured points, constant beyond the ends.
    Table {
        /// Field current in amperes, rising.
        field_a: Vec<f64>,
        /// Inductance in henry at each point.
        henry: Vec<f64>,
    },
    /// `L = saturated + (unsaturated - saturated) / (1 + (i_f / knee)^4)`.
    Law {
        /// Inductance at no field current, in henry.
        unsaturated_h: f64,
        /// Inductance far above the knee, in henry.
        saturated_h: f64,
        /// Field current at which half the fall has happened, in amperes.
        knee_a: f64,
    },
}

/// Peak flux linkage of a stator coil (EMF amplitude / electrical angular frequency) over field current.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum FluxCurve {
    /// Proportional to the field current.
    Linear {
        /// Weber (V s) per ampere.
        weber_per_a: f64,
    },
    /// Linear interpolation between measured points, constant beyond the ends.
    Table {
        /// Field current in amperes, rising.
        field_a: Vec<f64>,
        /// Peak flux linkage in weber at each point.
        weber: Vec<f64>,
    },
    /// Froelich's law `linkage = residual + saturated x i_f / (knee + i_f)`.
    Froelich {
        /// Linkage far above the knee, in weber.
        saturated_wb: f64,
        /// Field current at half of it, in amperes.
        knee_a: f64,
        /// Remanent linkage, in weber.
        residual_wb: f64,
    },
}

/// The field winding on the rotor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FieldWinding {
    /// Resistance at 20 degrees Celsius, in ohm.
    pub resistance_ohm: f64,
    /// Inductance in henry.
    pub inductance_h: f64,
    /// Flux linkage over field current.
    pub flux: FluxCurve,
}

/// Which voltage the regulator watches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SensePoint {
    /// Charging post against the alternator's case.
    ChargingPost,
    /// Battery post against the battery's negative post (sense lead).
    BatteryPost,
}

/// How the regulator switches the field.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum RegulatorAction {
    /// Fixed frequency; duty from a proportional-integral law on the filtered voltage.
    Pwm {
        /// Switching frequency in hertz.
        frequency_hz: f64,
        /// Duty per volt of error.
        proportional_per_v: f64,
        /// Duty per volt of error and second.
        integral_per_vs: f64,
    },
    /// On below the band, off above it.
    Hysteretic {
        /// Full width of the band in volts.
        band_v: f64,
    },
}

/// The voltage regulator.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Regulator {
    /// Set point at 25 degrees Celsius, in volts.
    pub set_point_v: f64,
    /// Change of the set point with temperature, in volts per kelvin (negative: falls when warm).
    pub temperature_v_per_k: f64,
    /// Temperature of the regulator in degrees Celsius.
    pub temperature_c: f64,
    /// Where the voltage is sensed.
    pub sense: SensePoint,
    /// Time constant of the sense filter in seconds.
    pub filter_s: f64,
    /// How the field is switched.
    pub action: RegulatorAction,
}

impl Regulator {
    /// Set point at the regulator's temperature: `set_point_v + temperature_v_per_k (temperature_c - 25)`.
    #[must_use]
    pub fn compensated_set_point_v(&self) -> f64 {
        self.set_point_v + self.temperature_v_per_k * (self.temperature_c - 25.0)
    }
}

/// What sets the EMF's amplitude.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Excitation {
    /// The amplitude is given and does not follow the speed (a source on a bench).
    FixedEmf {
        /// Peak EMF of a coil's fundamental, in volts.
        peak_v: f64,
    },
    /// The field current is given: EMF follows the speed.
    FixedField {
        /// Field current in amperes.
        field_a: f64,
        /// The field winding.
        winding: FieldWinding,
    },
    /// The regulator switches the field.
    Regulated {
        /// The field winding.
        winding: FieldWinding,
        /// The regulator.
        regulator: Regulator,
        /// Field current at the start; `None` finds the one that holds the set point (see
        /// [`crate::solve::settled_field_current`]).
        initial_field_a: Option<f64>,
    },
}

/// A turn-to-turn short in one phase.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TurnShort {
    /// Phase, 0 to 2 (0 to 5 with two stators).
    pub phase: usize,
    /// Share of the phase's turns inside the short, above 0 and below 1.
    pub fraction: f64,
    /// Contact resistance of the short in ohm, above 0.
    pub contact_ohm: f64,
    /// Magnetic coupling between the shorted and the remaining turns, 0 to 0.99.
    pub coupling: f64,
}

/// The alternator.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alternator {
    /// Pole pairs, 1 to 24.
    pub pole_pairs: u32,
    /// One stator or two.
    pub layout: StatorLayout,
    /// Star or delta.
    pub winding: Winding,
    /// Wave shape of the EMF.
    pub emf: EmfShape,
    /// Resistance of a coil at 20 degrees Celsius, in ohm.
    pub resistance_ohm: f64,
    /// Temperature of stator and field copper in degrees Celsius.
    pub temperature_c: f64,
    /// Inductance of a coil.
    pub inductance: Inductance,
    /// Mutual over self inductance between the coils of one stator, above -0.5 and below 1.
    pub mutual_ratio: f64,
    /// What sets the EMF.
    pub excitation: Excitation,
    /// A turn short, where there is one.
    pub turn_short: Option<TurnShort>,
}

/// Mean engine speed over time. Time 0 is the first sample of the record; before it the profile holds its first value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum SpeedProfile {
    /// Constant speed.
    Steady {
        /// 1/min.
        rpm: f64,
    },
    /// Straight line between two speeds.
    Ramp {
        /// Speed before the ramp, 1/min.
        from_rpm: f64,
        /// Speed after the ramp, 1/min.
        to_rpm: f64,
        /// When the ramp begins, in seconds.
        start_s: f64,
        /// How long it takes, in seconds.
        duration_s: f64,
    },
    /// Throttle snapped open and closed: exponential rise toward the peak, exponential fall back.
    Snap {
        /// Speed before and long after, 1/min.
        idle_rpm: f64,
        /// Speed the rise tends to, 1/min.
        peak_rpm: f64,
        /// When the throttle opens, in seconds.
        start_s: f64,
        /// Time constant of the rise, in seconds.
        rise_s: f64,
        /// How long the throttle stays open, in seconds.
        open_s: f64,
        /// Time constant of the fall, in seconds.
        fall_s: f64,
    },
    /// Straight lines between points, constant beyond the ends.
    Piecewise {
        /// Times in seconds, rising.
        time_s: Vec<f64>,
        /// Speeds in 1/min at those times.
        rpm: Vec<f64>,
    },
}

/// One component of the speed's irregularity at a multiple of the firing frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FiringHarmonic {
    /// Multiple of the firing frequency, above 0 (0.5 and the like for uneven cylinders).
    pub multiple: f64,
    /// Peak speed deviation relative to the mean speed, 0 to 0.3.
    pub ratio: f64,
    /// Phase in radians.
    pub phase_rad: f64,
}

/// Crankshaft irregularity of a four-stroke engine, a function of the crank's angle, so that it follows the speed:
/// `speed = mean speed x [1 + sum ratio cos(multiple x cylinders/2 x mean crank angle + phase)]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FiringIrregularity {
    /// Cylinders, 1 to 16; firing frequency = cylinders / 2 x crank frequency.
    pub cylinders: u32,
    /// Components; one for a sinusoidal irregularity.
    pub harmonics: Vec<FiringHarmonic>,
}

/// Engine, belt and pulleys.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Drive {
    /// Mean engine speed.
    pub engine: SpeedProfile,
    /// Crankshaft irregularity, where it matters.
    pub irregularity: Option<FiringIrregularity>,
    /// Alternator speed over engine speed without slip, 0.2 to 10.
    pub belt_ratio: f64,
    /// Belt slip, 0 to 0.5: alternator speed = engine speed x ratio x (1 - slip).
    pub slip: f64,
    /// Electrical angle at time 0, in radians.
    pub initial_angle_rad: f64,
}

/// Line-to-line r.m.s. voltage of the delta machine at 2000 1/min without load, over field current (V, A): digitised
/// from Sarafianos 2015, "Characterisation and Modelling of Automotive Lundell Alternators" (REFERENCE-VALUES D1).
pub const OPEN_CIRCUIT_2000_RPM: [(f64, f64); 10] = [
    (0.24, 3.2),
    (0.75, 7.5),
    (1.24, 11.6),
    (1.75, 15.2),
    (2.25, 18.0),
    (2.75, 19.7),
    (3.24, 20.8),
    (3.75, 21.5),
    (4.24, 21.9),
    (4.75, 22.3),
];

impl Regulator {
    /// Pulse-width regulator on the charging post: 200 Hz, set point given at 25 degrees Celsius falling 10 mV/K
    /// (Westerbeke 33A manual: -0.1 V per 10 degrees; REFERENCE-VALUES E2).
    #[must_use]
    pub fn pwm(set_point_v: f64) -> Self {
        Self {
            set_point_v,
            temperature_v_per_k: -0.010,
            temperature_c: 25.0,
            sense: SensePoint::ChargingPost,
            filter_s: 2e-3,
            action: RegulatorAction::Pwm { frequency_hz: 200.0, proportional_per_v: 2.0, integral_per_vs: 10.0 },
        }
    }

    /// The same with an on-off band of 60 mV.
    #[must_use]
    pub fn hysteretic(set_point_v: f64) -> Self {
        Self { action: RegulatorAction::Hysteretic { band_v: 0.06 }, ..Self::pwm(set_point_v) }
    }
}

impl Alternator {
    /// 130 A, star, 6 pole pairs, 37 mohm, 120 uH, 3.72 mWb/A: Rivas, Perreault, Keim 2004 (REFERENCE-VALUES D1). The
    /// field winding's 3.6 ohm and 0.36 H are not from there: chosen so that 3.6 A flow at 13 V with a time constant of
    /// 0.1 s.
    #[must_use]
    pub fn rivas_130_a(regulator: Regulator) -> Self {
        let winding = FieldWinding {
            resistance_ohm: 3.6,
            inductance_h: 0.36,
            flux: FluxCurve::Linear { weber_per_a: 10.716 * std::f64::consts::SQRT_2 / (TAU * 180.0) / 3.6 },
        };
        Self {
            pole_pairs: 6,
            layout: StatorLayout::Single,
            winding: Winding::Star,
            emf: EmfShape::sine(StatorLayout::Single),
            resistance_ohm: 0.037,
            temperature_c: 20.0,
            inductance: Inductance::Constant { henry: 120e-6 },
            mutual_ratio: 0.0,
            excitation: Excitation::Regulated { winding, regulator, initial_field_a: None },
            turn_short: None,
        }
    }

    /// 180 A, delta, 8 pole pairs, saturating: Sarafianos 2015 (REFERENCE-VALUES D1).
    #[must_use]
    pub fn sarafianos_180_a(regulator: Regulator) -> Self {
        let omega = TAU * 8.0 * 2000.0 / 60.0;
        let linkage = OPEN_CIRCUIT_2000_RPM.iter().map(|p| p.1 * std::f64::consts::SQRT_2 / omega);
        let flux = FluxCurve::Table {
            field_a: std::iter::once(0.0).chain(OPEN_CIRCUIT_2000_RPM.iter().map(|p| p.0)).collect(),
            // Remanence at no field current: the line through the first two points.
            weber: std::iter::once(1.2 * std::f64::consts::SQRT_2 / omega).chain(linkage).collect(),
        };
        Self {
            pole_pairs: 8,
            winding: Winding::Delta,
            resistance_ohm: 0.030,
            inductance: Inductance::Table {
                field_a: vec![0.25, 1.25, 2.25, 3.25, 4.25, 4.75],
                henry: vec![299e-6, 293e-6, 265e-6, 218e-6, 182e-6, 170e-6],
            },
            excitation: Excitation::Regulated {
                winding: FieldWinding { resistance_ohm: 1.90, inductance_h: 0.2, flux },
                regulator,
                initial_field_a: None,
            },
            ..Self::rivas_130_a(regulator)
        }
    }

    /// The star machine with the same terminal behaviour as a delta machine with equal phases: resistance and inductance
    /// a third, linkage (EMF) divided by the square root of 3, third harmonics dropped (they drive only the circulating
    /// current of the delta, which the delta model keeps). The star's electrical angle leads the delta's by 150 degrees.
    #[must_use]
    pub fn star_equivalent(&self) -> Self {
        if self.winding == Winding::Star {
            return self.clone();
        }
        let root = 3.0_f64.sqrt();
        let mut out = Self { winding: Winding::Star, resistance_ohm: self.resistance_ohm / 3.0, ..self.clone() };
        out.inductance = match &self.inductance {
            Inductance::Constant { henry } => Inductance::Constant { henry: henry / 3.0 },
            Inductance::Table { field_a, henry } => {
                Inductance::Table { field_a: field_a.clone(), henry: henry.iter().map(|h| h / 3.0).collect() }
            }
            Inductance::Law { unsaturated_h, saturated_h, knee_a } => {
                Inductance::Law { unsaturated_h: unsaturated_h / 3.0, saturated_h: saturated_h / 3.0, knee_a: *knee_a }
            }
        };
        match &mut out.excitation {
            Excitation::FixedEmf { peak_v } => *peak_v /= root,
            Excitation::FixedField { winding, .. } | Excitation::Regulated { winding, .. } => {
                winding.flux = winding.flux.scaled(1.0 / root);
            }
        }
        out.emf.harmonics.retain(|h| h.order % 3 != 0);
        for h in &mut out.emf.harmonics {
            // A line voltage is the difference of two phases: factor exp(-j n 120 deg) - 1 against the same for order 1.
            let n = f64::from(h.order);
            let (sin, cos) = libm::sincos(-n * TAU / 3.0);
            let turn = n * TAU * 150.0 / 360.0 + libm::atan2(sin, cos - 1.0);
            h.phase_rad = libm::remainder(h.phase_rad - turn, TAU);
        }
        out
    }
}

impl FluxCurve {
    /// The same curve with every linkage multiplied.
    fn scaled(&self, factor: f64) -> Self {
        match self {
            Self::Linear { weber_per_a } => Self::Linear { weber_per_a: factor * weber_per_a },
            Self::Table { field_a, weber } => {
                Self::Table { field_a: field_a.clone(), weber: weber.iter().map(|w| factor * w).collect() }
            }
            Self::Froelich { saturated_wb, knee_a, residual_wb } => Self::Froelich {
                saturated_wb: factor * saturated_wb,
                knee_a: *knee_a,
                residual_wb: factor * residual_wb,
            },
        }
    }
}
