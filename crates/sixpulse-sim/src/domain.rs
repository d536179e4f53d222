//! Refusal of whole numbers outside their domain; that of real ones is in `error.rs`.

use crate::error::{Error, Result};

/// Refuses a whole number outside `[low, high]`.
#[allow(clippy::cast_precision_loss, reason = "only shown")]
pub(crate) fn count(parameter: &str, value: usize, low: usize, high: usize) -> Result<()> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(Error::OutOfRange { parameter: parameter.into(), expected: format!("{low} to {high}"), actual: value as f64 })
}

pub(crate) use crate::error::check_within as between;
