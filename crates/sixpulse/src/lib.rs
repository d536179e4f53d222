//! sixpulse: reads voltage captures from vehicle charging systems.
//!
//! # Conventions
//! - SI units in memory; a name carries its unit (`_v`, `_hz`, `_s`) where the type does not.
//! - Order `n` is `n` times the electrical frequency; amplitudes of orders are peak values.
//! - Samples enter through [`Trace`], which validates them once; analysis never checks them again.
//! - Results are plain structs; what could not be determined is `None` with a reason, never a NaN.
//! - Nothing is clamped or guessed silently: a parameter outside its domain is an [`Error`] with a stable code.
//!
//! # From samples to a verdict
//! ```
//! use sixpulse::{Capture, Coupling, ExamineOptions, Role, Trace, examine};
//! # use std::f64::consts::TAU;
//! # let bridge = |angle: f64| {
//! #     let e = [0.0, TAU / 3.0, 2.0 * TAU / 3.0].map(|lag| (angle - lag).cos());
//! #     let highest = e[1].max(e[2]); // the first phase's upper diode does not conduct
//! #     highest - e[0].min(e[1]).min(e[2])
//! # };
//! # let volts: Vec<f64> = (0..10_000).map(|i| 13.5 + 0.3 * bridge(TAU * 200.0 * f64::from(i) / 50_000.0)).collect();
//! // `volts`: one diode of an ideal bridge is open, at 200 electrical cycles in a second
//! let post = Trace::from_f64(volts, 50_000.0, Coupling::Dc, Role::ChargingPost)?;
//! let found = examine(&Capture::new(vec![("post".into(), post)])?, &ExamineOptions::default())?;
//! assert!((found.cycle.electrical_hz.unwrap_or(0.0) - 200.0).abs() < 0.02);
//! // Orders 1, 2, 3 stand far above order 6: a diode has failed. An ideal bridge on a resistor is no vehicle's, so
//! // which fault it is may stay open.
//! assert!(found.rectifier.sub_six_ratio.is_some_and(|s| s > 6.0));
//! # Ok::<(), sixpulse::Error>(())
//! ```
//!
//! # Formulae
//! Each module's page has its own in full; these carry the job. "From memory" marks a source that was not at hand.
//!
//! | what | formula | source | computed in |
//! |---|---|---|---|
//! | electrical frequency | `f_e = engine_rpm / 60 * pulley_ratio * pole_pairs` | textbooks of electrical machines | [`cycle`] |
//! | orders | `v = mean + sum c_n cos(n theta + phase_n)`, `theta = 2 pi * integral of f_e dt` | Fourier | [`angle`], [`cycle`] |
//! | r.m.s. ripple factor | `rms(v - mean) / mean` | IEC 60050-161, from memory | [`ripple`] |
//! | peak-ripple factor | `(highest - lowest) / mean` | IEC 60050-161, from memory | [`ripple`] |
//! | synchronous r.m.s. | `sqrt(sum c_n^2 / 2)`; the residual is what it leaves of the mean square | Parseval | [`ripple`] |
//! | `p` ideal pulses | `c_n = 2 mean / (n^2 - 1)`, `n = p, 2p, 3p ...` | derived; agrees with handbook tables | [`rectifier::ideal`] |
//! | S, the sub-six ratio | `sqrt(c_1^2 + ... + c_5^2) / c_6`: below about 0.3 healthy, from about 6 a failed diode | simulated battery-fed machines | [`rectifier`] |
//! | S of twelve pulses (evidence `sub_twelve_ratio`) | `sqrt(c_1^2 + ... + c_11^2) / c_12`: below about 0.5 healthy, from about 1.5 a failed diode | simulated battery-fed machines | [`rectifier`] |
//! | transfer of an order | `H_n = circuit_n / supply_n`; one gain `g` and one delay `tau`: `H_n = g exp(-i 2 pi n f_e tau)` | linear systems | [`contamination`] |
//! | coherence | `abs(S_xy)^2 / (S_xx S_yy)`; without a relation, over `k` segments, above `1 - alpha^(1/(k-1))` with chance `alpha` | Carter, Knapp and Nuttall, IEEE Trans. Audio Electroacoust. AU-21(4), 1973 | [`spectrum`] |
//! | points | `Z_cable / Z_battery = post_n / battery_n - 1` | voltage divider | [`compare`] |
//! | AC coupling | amplitude `1 / sqrt(1 + (f_c / f)^2)`, lead `atan(f_c / f)`; 1 % is lost at seven corners | first-order high-pass | [`coupling`] |
//! | quantiser | a step `q` adds noise of `q / sqrt 12` | Widrow; textbooks | [`quality`], [`ripple`] |
//! | frequency of a line | standard uncertainty of a sine of amplitude `A` in noise `s` at least `rate / 2 pi * sqrt(24 s^2 / (A^2 m (m^2 - 1)))` over `m` samples | Rife and Boorstyn, IEEE Trans. Inf. Theory 20, 1974 | [`tone`], [`plan`] |
//!
//! The closed form of the ideal bridge, as an example (order 6 is 2/35 of the mean, the ripple factor 0.042):
//! ```
//! use sixpulse::rectifier::ideal::{IdealCircuit, waveform};
//! let healthy = waveform(IdealCircuit::SixPulse);
//! assert!((healthy.order_amplitudes[5] / healthy.mean - 2.0 / 35.0).abs() < 1e-12);
//! assert!((healthy.ripple_factor - 0.042).abs() < 5e-4);
//! ```
pub mod angle;
pub mod compare;
pub mod contamination;
pub mod coupling;
pub mod cycle;
pub mod envelope;
pub mod error;
pub mod examine;
pub mod findings;
pub mod level;
mod levelled;
pub mod many;
pub mod meter;
pub mod monitor;
mod normal;
#[cfg(feature = "serde")]
mod pairs;
pub mod plan;
mod pooled;
pub mod quality;
pub mod rectifier;
pub mod ripple;
mod scratch;
pub mod severity;
pub mod spectrum;
pub mod tone;
pub mod trace;
mod transforms;
mod vectors;

pub use error::{Error, Result};
pub use examine::{Examination, ExamineOptions, examine};
pub use many::examine_many;
pub use trace::{Capture, Coupling, Machine, RawSamples, Role, Samples, Trace};

/// Version of the library, as recorded in every result.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
