//! The sample rate from a time column, and whether its steps are equal.

use crate::error::{Error, Reason, Result};
use crate::recording::Rate;
use std::path::Path;

/// The sample rate of times in seconds, after the check that they are evenly spaced.
///
/// # Errors
/// `non_uniform_time`; `rate_unknown` for a single time or times that do not rise; `non_finite`.
///
/// ```
/// let rate = sixpulse_io::even_rate("x.parquet".as_ref(), "time", &[0.0, 1e-3, 2e-3])?;
/// assert_eq!(rate.hz, 1000.0);
/// # Ok::<(), sixpulse_io::Error>(())
/// ```
pub fn even_rate(path: &Path, name: &str, seconds: &[f64]) -> Result<Rate> {
    if let Some(index) = seconds.iter().position(|t| !t.is_finite()) {
        let reason = Reason::Core(sixpulse::Error::NonFinite { parameter: name.into(), index });
        return Err(Error::new(path, reason).in_column(name));
    }
    let times = TimeColumn { seconds: seconds.to_vec(), ..TimeColumn::new(1.0) };
    times.rate(path, name)
}

/// Largest departure from the even grid, in steps, that is still called even (beside the printed resolution).
///
/// Ours: one sample lost from a record departs by at least half a step, a logger's honest jitter by far less.
const EVEN_WITHIN_STEPS: f64 = 0.25;

/// Steps longer than half as much again that rounding must show before it is believed; ours: fewer cannot be regular.
const ROUNDED_STEPS: usize = 3;

/// The mean step of values that rise evenly; `None` when they do not.
pub(crate) fn is_even(values: &[f64]) -> Option<f64> {
    let (first, last) = (*values.first()?, *values.last()?);
    let step = (last - first) / (values.len().checked_sub(1)? as f64);
    let even = |(i, &x): (usize, &f64)| (x - first - i as f64 * step).abs() <= EVEN_WITHIN_STEPS * step;
    (step.is_finite() && step > 0.0 && values.iter().enumerate().all(even)).then_some(step)
}

/// Decades of a time value that are told apart: 1e-15 s to 1e15 s.
const DECADES: usize = 32;

/// A time column as it streams in.
pub(crate) struct TimeColumn {
    seconds: Vec<f64>,
    factor: f64,
    /// Finest step of the last printed digit, by decade of the value; infinite where no value fell.
    quanta: [f64; DECADES],
    rows: (u64, u64),
}

impl TimeColumn {
    /// `factor` brings the file's unit to seconds.
    pub(crate) fn new(factor: f64) -> Self {
        Self { seconds: Vec::new(), factor, quanta: [f64::INFINITY; DECADES], rows: (0, 0) }
    }

    pub(crate) fn push(&mut self, row: u64, cell: &[u8], number: f64) {
        if self.seconds.is_empty() {
            self.rows.0 = row;
        }
        self.rows.1 = row;
        self.seconds.push(number * self.factor);
        let quantum = printed_quantum(cell) * self.factor;
        if let Some(finest) = self.quanta.get_mut(decade(number)) {
            *finest = finest.min(quantum);
        }
    }

    /// What the printing resolves, in seconds: formats that keep a number of significant digits resolve worst at the
    /// largest times, and a single cell may end in dropped zeros, so the worst decade's finest cell decides.
    fn resolution_s(&self) -> f64 {
        self.quanta.iter().copied().filter(|q| q.is_finite()).fold(0.0, f64::max)
    }

    /// Row of a sample, where no blank line makes the count uncertain.
    fn row(&self, index: usize) -> Option<u64> {
        let even = self.rows.1.checked_sub(self.rows.0)? + 1 == self.seconds.len() as u64;
        even.then(|| self.rows.0 + index as u64)
    }

    /// The rate (N - 1) / (last - first), after the check that every row stands on the even grid.
    ///
    /// # Errors
    /// `non_uniform_time`; `rate_unknown` for a single row or times that do not rise.
    pub(crate) fn rate(&self, path: &Path, name: &str) -> Result<Rate> {
        let unknown = |detail: &str| Error::new(path, Reason::RateUnknown { detail: detail.into() }).in_column(name);
        let (Some(&first), Some(&last)) = (self.seconds.first(), self.seconds.last()) else {
            return Err(unknown("the time column is empty"));
        };
        if self.seconds.len() < 2 {
            return Err(unknown("one row has no time step; give sample_rate_hz"));
        }
        let step = (last - first) / (self.seconds.len() - 1) as f64;
        if !(step.is_finite() && step > 0.0) {
            return Err(unknown("the time column does not rise"));
        }
        let resolution_s = self.resolution_s();
        let departure = self.check_even(path, name, step, resolution_s)?;
        // Times that all stand on the grid exactly are taken as exact; otherwise both ends may be off by half a digit.
        let exact = departure <= 1e-3 * resolution_s;
        let hz = rate_of_step(step);
        let uncertainty_hz = if exact { 0.0 } else { hz * resolution_s / (last - first) };
        Ok(Rate { hz, source: format!("time column \"{name}\""), uncertainty_hz })
    }

    /// Largest departure from the even grid, in seconds.
    fn check_even(&self, path: &Path, name: &str, step: f64, resolution_s: f64) -> Result<f64> {
        let first = self.seconds.first().copied().unwrap_or_default();
        let off_grid = |(i, &t): (usize, &f64)| (i, (t - first - i as f64 * step).abs());
        let off_step = |(i, w): (usize, &[f64])| (i + 1, (w[1] - w[0] - step).abs());
        let larger = |a: (usize, f64), b: (usize, f64)| if b.1 > a.1 { b } else { a };
        let grid = self.seconds.iter().enumerate().map(off_grid).fold((0, 0.0), larger);
        let steps = self.seconds.windows(2).enumerate().map(off_step).fold((0, 0.0), larger);
        // Rounding moves a time by half a digit, so a step, or a time against the two ends, by up to one.
        let allowed = (EVEN_WITHIN_STEPS * step).max(resolution_s) * (1.0 + 1e-6);
        // Where the printing is coarser than half a step, a lost row looks like rounding; but rounding comes regularly.
        let long = self.seconds.windows(2).filter(|w| w[1] - w[0] - step > 0.5 * step).count();
        if grid.1 <= allowed && steps.1 <= allowed && !(1..ROUNDED_STEPS).contains(&long) {
            return Ok(grid.1);
        }
        // A jump is named where it happens; a slow drift where it is largest.
        let (index, deviation_s) = if steps.1 > allowed || long > 0 { steps } else { grid };
        let reason = Reason::NonUniformTime {
            time_s: self.seconds.get(index).copied().unwrap_or(first),
            deviation_s,
            step_s: step,
        };
        let error = Error::new(path, reason).in_column(name);
        Err(match self.row(index) {
            Some(row) => error.at_row(row),
            None => error,
        })
    }
}

/// The reciprocal of a step, freed from the rounding of decimal times: the rate with 9 significant digits, where the two
/// differ by no more than sixteen-digit arithmetic on times can produce (1e-12 of the rate; ours).
pub(crate) fn rate_of_step(step_s: f64) -> f64 {
    let hz = 1.0 / step_s;
    let short: f64 = format!("{hz:.8e}").parse().unwrap_or(hz);
    if ((short - hz) / hz).abs() <= 1e-12 { short } else { hz }
}

fn decade(number: f64) -> usize {
    if number == 0.0 {
        return 0;
    }
    // Floor of the logarithm, shifted to be an index; far decades share the outermost ones.
    (number.abs().log10().floor() + 16.0).clamp(0.0, (DECADES - 1) as f64) as usize
}

/// Step of the last printed digit: `"1.25e-3"` gives 1e-5.
fn printed_quantum(cell: &[u8]) -> f64 {
    let (mantissa, exponent) = match cell.iter().position(|b| matches!(b, b'e' | b'E')) {
        Some(at) => {
            (&cell[..at], std::str::from_utf8(&cell[at + 1..]).ok().and_then(|t| t.parse::<i32>().ok()).unwrap_or(0))
        }
        None => (cell, 0),
    };
    let decimals = mantissa.iter().rposition(|b| matches!(b, b'.' | b',')).map_or(0, |at| mantissa.len() - at - 1);
    10_f64.powi(exponent.saturating_sub(i32::try_from(decimals).unwrap_or(i32::MAX)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate(cells: &[String]) -> Result<Rate> {
        let mut column = TimeColumn::new(1.0);
        for (i, cell) in cells.iter().enumerate() {
            column.push(i as u64 + 2, cell.as_bytes(), cell.parse().unwrap());
        }
        column.rate(Path::new("x.csv"), "t")
    }

    #[test]
    fn quantum_of_a_printed_number() {
        assert!((printed_quantum(b"0.00125") / 1e-5 - 1.0).abs() < 1e-12);
        assert!((printed_quantum(b"1.25e-3") / 1e-5 - 1.0).abs() < 1e-12);
        assert!((printed_quantum(b"-12,5E+03") / 1e2 - 1.0).abs() < 1e-12);
        assert!((printed_quantum(b"7") - 1.0).abs() < 1e-12);
    }

    #[test]
    fn decimal_steps_give_the_decimal_rate() {
        let cells: Vec<String> = (0..1000).map(|i| format!("{:.5}", f64::from(i) * 2e-5)).collect();
        let found = rate(&cells).unwrap();
        assert_eq!((found.hz, found.uncertainty_hz), (50_000.0, 0.0));
    }

    #[test]
    fn coarse_digits_are_no_jitter_but_cost_certainty() {
        // 0.8 us steps printed to 1 us: consecutive times differ by 0 or 1 us.
        let cells: Vec<String> = (0..20_000).map(|i| format!("{:.6}", f64::from(i) * 0.8e-6)).collect();
        let found = rate(&cells).unwrap();
        assert!((found.hz / 1.25e6 - 1.0).abs() <= found.uncertainty_hz / found.hz, "{found:?}");
        assert!(found.uncertainty_hz > 0.0);
    }

    #[test]
    fn six_significant_digits_over_several_decades() {
        let cells: Vec<String> = (0..30_000).map(|i| format!("{:.5e}", f64::from(i) * 1e-4 + 1e-5)).collect();
        let found = rate(&cells).unwrap();
        assert!((found.hz - 1e4).abs() <= found.uncertainty_hz + 1e-6, "{found:?}");
    }

    #[test]
    fn a_lost_row_is_named() {
        let cells: Vec<String> =
            (0..1000).filter(|&i| i != 500).map(|i| format!("{:.5}", f64::from(i) * 2e-5)).collect();
        let error = rate(&cells).unwrap_err();
        assert_eq!((error.code(), error.row()), ("non_uniform_time", Some(502)));
    }

    #[test]
    fn falling_and_single_times_give_no_rate() {
        assert_eq!(rate(&["1".into(), "0".into()]).unwrap_err().code(), "rate_unknown");
        assert_eq!(rate(&["1".into()]).unwrap_err().code(), "rate_unknown");
    }
}
