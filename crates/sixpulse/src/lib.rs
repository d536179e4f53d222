//! sixpulse: reads voltage captures from vehicle charging systems.
//!
//! # Conventions
//! - SI units in memory; a name carries its unit (`_v`, `_hz`, `_s`) where the type does not.
//! - Order `n` is `n` times the electrical frequency; amplitudes of orders are peak values.
//! - Samples enter through [`Trace`], which validates them once; analysis never checks them again.
//! - Results are plain structs; what could not be determined is `None` with a reason, never a NaN.
//! - Nothing is clamped or guessed silently: a parameter outside its domain is an [`Error`] with a stable code.
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
pub mod meter;
pub mod monitor;
mod normal;
#[cfg(feature = "serde")]
mod pairs;
pub mod plan;
pub mod quality;
pub mod rectifier;
pub mod ripple;
pub mod severity;
pub mod spectrum;
pub mod tone;
pub mod trace;
mod transforms;
mod vectors;

pub use error::{Error, Result};
pub use examine::{Examination, ExamineOptions, examine};
pub use trace::{Capture, Coupling, Machine, RawSamples, Role, Samples, Trace};

/// Version of the library, as recorded in every result.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
