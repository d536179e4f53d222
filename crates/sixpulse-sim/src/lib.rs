//! Charging-system simulator: captures with known truth.
//!
//! A scenario gives the same capture, count for count, on every platform whose `f64` is IEEE 754 binary64 (32-bit x86
//! without SSE2 is not one): random numbers are [`rng`]'s own, every function that is not exact by that standard is
//! `libm`'s (`clippy.toml` forbids the standard library's), and no sum's order depends on the processor.
#![cfg_attr(not(test), deny(clippy::disallowed_methods, clippy::disallowed_types))]
pub mod bridge;
mod check;
mod dense;
mod device;
mod domain;
pub mod draw;
mod engine;
pub mod error;
pub mod exercise;
mod filter;
pub mod kind;
mod ladder;
pub mod machine;
mod mode;
mod model;
pub mod network;
pub mod overrides;
mod pilot;
mod regulator;
pub mod rng;
pub mod scenario;
pub mod scope;
pub mod sensor;
pub mod solve;
mod speed;
pub mod truth;

pub use bridge::{Bridge, DiodeCondition, DiodeModel, LeadCondition, Leg};
pub use draw::Draw;
pub use error::{Error, Result};
pub use machine::{Alternator, Drive, Excitation, SpeedProfile};
pub use network::{Battery, Cable, Load, LoadKind, LoadPlace, Network, Probe};
pub use scenario::{Scenario, simulate, simulate_member};
pub use solve::{Circuit, SolveRequest, Start, Waveforms, settled_field_current, solve};
pub use truth::Truth;
