//! Charging-system simulator: captures with known truth.
pub mod bridge;
mod domain;
pub mod error;
mod filter;
pub mod machine;
pub mod network;
pub mod rng;
pub mod scope;
pub mod sensor;
pub mod solve;

pub use bridge::{Bridge, DiodeCondition, DiodeModel, LeadCondition, Leg};
pub use error::{Error, Result};
pub use machine::{Alternator, Drive, Excitation, SpeedProfile};
pub use network::{Battery, Cable, Load, LoadKind, LoadPlace, Network, Probe};
pub use solve::{Circuit, SolveRequest, Waveforms, settled_field_current, solve};
