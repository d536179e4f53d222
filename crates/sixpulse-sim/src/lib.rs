//! Charging-system simulator: captures with known truth.
pub mod bridge;
mod check;
mod dense;
mod device;
mod domain;
mod engine;
pub mod error;
mod filter;
mod ladder;
pub mod machine;
mod mode;
mod model;
pub mod network;
mod pilot;
mod regulator;
pub mod rng;
pub mod scope;
pub mod sensor;
pub mod solve;
mod speed;

pub use bridge::{Bridge, DiodeCondition, DiodeModel, LeadCondition, Leg};
pub use error::{Error, Result};
pub use machine::{Alternator, Drive, Excitation, SpeedProfile};
pub use network::{Battery, Cable, Load, LoadKind, LoadPlace, Network, Probe};
pub use solve::{Circuit, SolveRequest, Start, Waveforms, settled_field_current, solve};
