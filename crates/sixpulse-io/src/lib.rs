//! Readers for what instruments export: delimited text, WAV, NPY. Files come from strangers: every reader returns a typed
//! [`Error`] naming the file, the row and the reason, never panics, and keeps its memory bounded by the record it returns.
//!
//! # Conventions
//! - Nothing is guessed silently: the coupling is always stated (by the file or the caller), so is the sample rate, and
//!   counts need a scale.
//! - Columns are named by name or by position, counting from 0 over all columns of the file, the time column included.
//! - Rows in messages count from 1, as a text editor shows them.
//! - Prefixes are resolved on reading (mV to V, ms to s); a caller's `scale` acts after that.
//!
//! ```
//! use sixpulse::{Coupling, Role};
//! use sixpulse_io::{Channel, Request};
//! # let path = std::env::temp_dir().join(format!("sixpulse-doc-{}.csv", std::process::id()));
//! # std::fs::write(&path, "Sample interval;0,00002 s\n\nTime (ms);Post (V)\n0,00;14,1\n0,02;14,3\n0,04;14,2\n")?;
//! // Sample interval;0,00002 s
//! //
//! // Time (ms);Post (V)
//! // 0,00;14,1
//! // 0,02;14,3
//! // 0,04;14,2
//! let mut request = Request::new(vec![Channel::new("Post", Role::ChargingPost)]);
//! request.coupling = Some(Coupling::Dc);
//! let capture = sixpulse_io::read(&path, &request)?;
//! assert_eq!(capture.sample_rate_hz(), 50_000.0);
//! assert_eq!(capture.traces()[0].1.to_f64(), [14.1, 14.3, 14.2]);
//! # std::fs::remove_file(&path)?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
#![cfg_attr(
    not(feature = "csv"),
    allow(dead_code, unused_variables, reason = "shared parts serve the readers switched on")
)]
#[cfg(feature = "csv")]
pub mod csv;
pub mod error;
mod format;
#[cfg(feature = "npy")]
pub mod npy;
pub mod recording;
pub mod request;
mod time;
pub mod unit;
#[cfg(feature = "wav")]
pub mod wav;

pub use error::{Error, Reason, Result};
pub use format::{Format, detect, read};
pub use recording::{Column, Rate, Recording, Scaling};
pub use request::{Channel, ColumnKey, Request};
pub use time::even_rate;
pub use unit::Unit;
