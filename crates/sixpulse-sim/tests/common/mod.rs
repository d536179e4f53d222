//! Circuits shared by tests and benchmark, and the same circuits as netlists for ngspice.
#![allow(dead_code, missing_docs, unreachable_pub, reason = "each test uses a part of this module")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot be set up fails")]

pub mod measure;
pub mod netlist;

use sixpulse_sim::machine::{EmfHarmonic, EmfShape, Inductance, StatorLayout, Winding};
use sixpulse_sim::network::{RcPair, SuppressionCapacitor};
use sixpulse_sim::*;

/// The diode of the reference captures: IS 1 nA, N 1.2, RS 1.8 mohm, BV 26 V.
pub const DIODE: DiodeModel =
    DiodeModel::Exponential { saturation_a: 1e-9, emission: 1.2, series_ohm: 1.8e-3, breakdown_v: Some(26.0) };

/// A machine as in REFERENCE-VALUES A4 (Ls 120 uH, Rs 37 mohm, 6 pole pairs), EMF in proportion to the frequency.
pub fn circuit(electrical_hz: f64, emf_peak_v: f64, load_ohm: f64) -> Circuit {
    let mut emf = EmfShape::sine(StatorLayout::Single);
    emf.harmonics = vec![
        EmfHarmonic { order: 3, ratio: 0.05, phase_rad: 0.0 },
        EmfHarmonic { order: 5, ratio: -0.03, phase_rad: 0.0 },
    ];
    Circuit {
        alternator: Alternator {
            pole_pairs: 6,
            layout: StatorLayout::Single,
            winding: Winding::Star,
            emf,
            resistance_ohm: 0.037,
            temperature_c: 20.0,
            inductance: Inductance::Constant { henry: 120e-6 },
            mutual_ratio: 0.0,
            excitation: Excitation::FixedEmf { peak_v: emf_peak_v },
            turn_short: None,
        },
        drive: Drive {
            engine: SpeedProfile::Steady { rpm: electrical_hz * 60.0 / 6.0 / 2.7 },
            irregularity: None,
            belt_ratio: 2.7,
            slip: 0.0,
            initial_angle_rad: 0.0,
        },
        bridge: Bridge::sound(DIODE, 3),
        network: Network {
            capacitor: Some(SuppressionCapacitor { farad: 2.2e-6, series_ohm: 0.0 }),
            cable: Cable { resistance_ohm: 4e-3, inductance_h: 1e-6, joint_ohm: 0.0 },
            battery: Some(Battery {
                emf_v: 12.8,
                resistance_ohm: 8e-3,
                inductance_h: 0.15e-6,
                pairs: vec![RcPair { ohm: 5e-3, farad: 2.0 }],
            }),
            ground_ohm: 2e-3,
            loads: vec![Load { place: LoadPlace::Body, kind: LoadKind::Resistive { ohm: load_ohm } }],
        },
    }
}
