//! Charging-system simulator: captures with known truth.
