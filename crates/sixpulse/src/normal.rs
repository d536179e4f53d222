//! Small normal equations: Cholesky with columns scaled to length 1, and a rank check.

use crate::error::{Error, Result};

/// A pivot below this, columns scaled to length 1, means that the unknowns cannot be told apart: the condition of the
/// columns is then about 1e5 and noise is magnified as much. Refinement by residuals still converges well above it.
const LEAST_PIVOT: f64 = 1e-10;

/// A symmetric matrix of inner products, row by row; only the lower triangle is kept.
#[derive(Debug, Clone)]
pub(crate) struct Gram {
    order: usize,
    entries: Vec<f64>,
}

impl Gram {
    pub(crate) fn new(order: usize) -> Self {
        Self { order, entries: vec![0.0; order * order] }
    }

    /// Sets both entries of a pair.
    pub(crate) fn set(&mut self, row: usize, column: usize, value: f64) {
        self.entries[row.max(column) * self.order + row.min(column)] = value;
    }

    /// An entry on the diagonal.
    pub(crate) fn diagonal(&self, i: usize) -> f64 {
        self.entries[i * self.order + i]
    }

    /// Adds the products of a row of values with itself, `weight` times.
    pub(crate) fn add(&mut self, row: &[f64], weight: f64) {
        for (i, a) in row.iter().enumerate() {
            let (a, entries) = (weight * a, &mut self.entries[i * self.order..][..=i]);
            entries.iter_mut().zip(row).for_each(|(e, b)| *e += a * b);
        }
    }

    /// Least-squares coefficients with which the other columns make up the last one.
    ///
    /// # Errors
    /// As [`Self::factor`].
    pub(crate) fn explain_last(&self) -> Result<Vec<f64>> {
        let last = self.order - 1;
        Ok(self.factor_first(last)?.solve(&self.entries[last * self.order..][..last]))
    }

    /// Factors it.
    ///
    /// # Errors
    /// [`Error::Undetermined`] when a column is 0 or depends on the others.
    pub(crate) fn factor(&self) -> Result<Factor> {
        self.factor_first(self.order)
    }

    /// Factors the first `n` rows and columns.
    fn factor_first(&self, n: usize) -> Result<Factor> {
        let entry = |i: usize, j: usize| self.entries[i * self.order + j];
        let scale: Vec<f64> = (0..n).map(|i| entry(i, i).sqrt().recip()).collect();
        if let Some(column) = scale.iter().position(|s| !s.is_finite()) {
            return Err(undetermined(column, "it has no effect on the samples"));
        }
        let mut lower = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let known: f64 = (0..j).map(|k| lower[i * n + k] * lower[j * n + k]).sum();
                let rest = entry(i, j) * scale[i] * scale[j] - known;
                if i != j {
                    lower[i * n + j] = rest / lower[j * n + j];
                } else if rest > LEAST_PIVOT {
                    lower[i * n + i] = rest.sqrt();
                } else {
                    return Err(undetermined(i, "the samples cannot tell it from the others"));
                }
            }
        }
        Ok(Factor { order: n, scale, lower })
    }
}

fn undetermined(column: usize, why: &str) -> Error {
    Error::Undetermined { parameter: "samples".into(), reason: format!("unknown {}: {why}", column + 1) }
}

/// The factored matrix.
#[derive(Debug, Clone)]
pub(crate) struct Factor {
    order: usize,
    scale: Vec<f64>,
    lower: Vec<f64>,
}

impl Factor {
    /// Solves the system.
    pub(crate) fn solve(&self, right: &[f64]) -> Vec<f64> {
        let n = self.order;
        let mut x: Vec<f64> = right.iter().zip(&self.scale).map(|(r, s)| r * s).collect();
        for i in 0..n {
            let known: f64 = (0..i).map(|k| self.lower[i * n + k] * x[k]).sum();
            x[i] = (x[i] - known) / self.lower[i * n + i];
        }
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|k| self.lower[k * n + i] * x[k]).sum();
            x[i] = (x[i] - known) / self.lower[i * n + i];
        }
        x.iter().zip(&self.scale).map(|(x, s)| x * s).collect()
    }

    /// `row^T inverse row`: the variance, in units of the noise's, of the combination `row` of the unknowns.
    pub(crate) fn variance(&self, row: &[f64]) -> f64 {
        row.iter().zip(self.solve(row)).map(|(a, b)| a * b).sum::<f64>().max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solves_and_inverts_a_badly_scaled_system() {
        // [4 2e3 0; 2e3 2e6 1e-3; 0 1e-3 1e-6] times (1, 2, 3).
        let mut gram = Gram::new(3);
        for (row, column, value) in [(0, 0, 4.0), (0, 1, 2e3), (1, 1, 2e6), (1, 2, 1e-3), (2, 2, 1e-6)] {
            gram.set(row, column, value);
        }
        let factor = gram.factor().unwrap();
        let x = factor.solve(&[4004.0, 4_002_000.003, 0.002_003]);
        for (x, expected) in x.iter().zip([1.0, 2.0, 3.0]) {
            assert!((x - expected).abs() < 1e-9, "{x}");
        }
        // Inverse's first entry by cofactors: (2e6 1e-6 - 1e-6) / (4 (2e6 1e-6 - 1e-6) - 2e3^2 1e-6) = 1.999999 / 3.999996.
        assert!((factor.variance(&[1.0, 0.0, 0.0]) - 1.999_999 / 3.999_996).abs() < 1e-12);
    }

    /// The line through (1, 1), (2, 2), (3, 2) counted twice by hand: sums n = 4, x = 9, xx = 23, y = 7, xy = 17.
    #[test]
    fn rows_add_up_to_a_least_squares_line() {
        let mut gram = Gram::new(3);
        for (row, weight) in [([1.0, 1.0, 1.0], 1.0), ([1.0, 2.0, 2.0], 1.0), ([1.0, 3.0, 2.0], 2.0)] {
            gram.add(&row, weight);
        }
        let line = gram.explain_last().unwrap();
        // (23 7 - 9 17) / (4 23 - 81) and (4 17 - 9 7) / 11.
        assert!((line[0] - 8.0 / 11.0).abs() < 1e-12 && (line[1] - 5.0 / 11.0).abs() < 1e-12, "{line:?}");
    }

    #[test]
    fn refuses_what_is_not_determined() {
        let mut same = Gram::new(2);
        for (row, column) in [(0, 0), (0, 1), (1, 1)] {
            same.set(row, column, 3.0);
        }
        assert_eq!(same.factor().unwrap_err().code(), "undetermined_fit");
        assert_eq!(Gram::new(1).factor().unwrap_err().code(), "undetermined_fit");
    }
}
