//! Small normal equations: Cholesky with columns scaled to length 1, and a rank check.

use crate::error::{Error, Result};

/// A pivot below this, columns scaled to length 1, means that the unknowns cannot be told apart: the condition of the
/// columns is then about 1e5 and noise is magnified as much. Refinement by residuals still converges well above it.
const LEAST_PIVOT: f64 = 1e-10;

/// A symmetric matrix of inner products, row by row; only the lower triangle is kept. `S` is where the numbers lie.
#[derive(Debug, Clone)]
pub(crate) struct Gram<S = Vec<f64>> {
    order: usize,
    /// Room for one row more than there are: factoring puts the columns' scales there.
    entries: S,
}

/// A matrix of few unknowns, which needs no memory of its own.
pub(crate) const FEW: usize = 4;
pub(crate) type Few = [f64; FEW * (FEW + 1)];

impl Gram {
    pub(crate) fn new(order: usize) -> Self {
        Self { order, entries: vec![0.0; order * (order + 1)] }
    }
}

impl Gram<Few> {
    /// Of up to [`FEW`] unknowns.
    pub(crate) fn few(order: usize) -> Self {
        Self { order: order.min(FEW), entries: [0.0; FEW * (FEW + 1)] }
    }
}

impl<S: AsRef<[f64]> + AsMut<[f64]> + Clone> Gram<S> {
    /// Sets both entries of a pair.
    pub(crate) fn set(&mut self, row: usize, column: usize, value: f64) {
        self.entries.as_mut()[row.max(column) * self.order + row.min(column)] = value;
    }

    /// An entry on the diagonal.
    pub(crate) fn diagonal(&self, i: usize) -> f64 {
        self.entries.as_ref()[i * self.order + i]
    }

    /// Adds the products of a row of values with itself, `weight` times.
    pub(crate) fn add(&mut self, row: &[f64], weight: f64) {
        for (i, a) in row.iter().enumerate() {
            let (a, entries) = (weight * a, &mut self.entries.as_mut()[i * self.order..][..=i]);
            entries.iter_mut().zip(row).for_each(|(e, b)| *e += a * b);
        }
    }

    /// Least-squares coefficients with which the other columns make up the last one.
    ///
    /// # Errors
    /// As [`Self::factor`].
    pub(crate) fn explain_last(&self) -> Result<Vec<f64>> {
        let last = self.order - 1;
        Ok(self.factor_first(last)?.solve(&self.entries.as_ref()[last * self.order..][..last]))
    }

    /// Factors it.
    ///
    /// # Errors
    /// [`Error::Undetermined`] when a column is 0 or depends on the others.
    pub(crate) fn factor(&self) -> Result<Factor<S>> {
        self.factor_first(self.order)
    }

    /// Factors the first `n` rows and columns.
    fn factor_first(&self, n: usize) -> Result<Factor<S>> {
        let mut factor = Factor { order: n, stride: self.order, lower: self.entries.clone() };
        let (lower, scale) = factor.lower.as_mut().split_at_mut(self.order * self.order);
        for (i, scale) in scale.iter_mut().enumerate().take(n) {
            *scale = lower[i * self.order + i].sqrt().recip();
            if !scale.is_finite() {
                return Err(undetermined(i, "it has no effect on the samples"));
            }
        }
        for i in 0..n {
            let (above, here) = lower.split_at_mut(i * self.order);
            let here = &mut here[..=i];
            for j in 0..=i {
                let scaled = here[j] * scale[i] * scale[j];
                if i != j {
                    let other = &above[j * self.order..][..=j];
                    let known: f64 = here[..j].iter().zip(other).map(|(a, b)| a * b).sum();
                    here[j] = (scaled - known) / other[j];
                    continue;
                }
                let rest = scaled - here[..i].iter().map(|a| a * a).sum::<f64>();
                if rest <= LEAST_PIVOT || rest.is_nan() {
                    return Err(undetermined(i, "the samples cannot tell it from the others"));
                }
                here[i] = rest.sqrt();
            }
        }
        Ok(factor)
    }
}

fn undetermined(column: usize, why: &str) -> Error {
    Error::Undetermined { parameter: "samples".into(), reason: format!("unknown {}: {why}", column + 1) }
}

/// The factored matrix.
#[derive(Debug, Clone)]
pub(crate) struct Factor<S = Vec<f64>> {
    order: usize,
    /// From row to row.
    stride: usize,
    /// Rows of the lower triangle; behind them the columns' scales.
    lower: S,
}

impl<S: AsRef<[f64]>> Factor<S> {
    /// Puts the system's solution in the place of its right side.
    fn solve_in_place(&self, x: &mut [f64]) {
        let (n, stride) = (self.order, self.stride);
        let (lower, scale) = self.lower.as_ref().split_at(stride * stride);
        x.iter_mut().zip(scale).for_each(|(x, s)| *x *= s);
        for i in 0..n {
            let row = &lower[i * stride..][..=i];
            let known: f64 = row[..i].iter().zip(&*x).map(|(a, x)| a * x).sum();
            x[i] = (x[i] - known) / row[i];
        }
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|k| lower[k * stride + i] * x[k]).sum();
            x[i] = (x[i] - known) / lower[i * stride + i];
        }
        x.iter_mut().zip(scale).for_each(|(x, s)| *x *= s);
    }

    /// Solves the system.
    pub(crate) fn solve(&self, right: &[f64]) -> Vec<f64> {
        let mut x = right[..self.order].to_vec();
        self.solve_in_place(&mut x);
        x
    }

    /// `value` over what the columns leave of one more, of which the product with itself and those with them are given;
    /// `None` where they leave nothing that could be told from rounding.
    pub(crate) fn divided_by_rest(&self, product: f64, beside: &[f64], value: f64) -> Option<f64> {
        let rest = product - self.variance(beside);
        (rest > LEAST_PIVOT * product).then(|| value / rest)
    }

    /// `row^T inverse row`: the variance, in units of the noise's, of the combination `row` of the unknowns.
    pub(crate) fn variance(&self, row: &[f64]) -> f64 {
        row.iter().zip(self.solve(row)).map(|(a, b)| a * b).sum::<f64>().max(0.0)
    }
}

impl Factor<Few> {
    /// Solves the system; what stands beyond its unknowns means nothing.
    pub(crate) fn solved(&self, mut right: [f64; FEW]) -> [f64; FEW] {
        self.solve_in_place(&mut right);
        right
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

    /// (4 2; 2 3) has the inverse (3 -2; -2 4) / 8, of which the entries add up to 3 / 8.
    #[test]
    fn few_unknowns_are_solved_alike_and_one_more_is_told_by_what_the_others_leave() {
        let (mut few, mut many) = (Gram::few(2), Gram::new(2));
        for (row, column, value) in [(0, 0, 4.0), (0, 1, 2.0), (1, 1, 3.0)] {
            few.set(row, column, value);
            many.set(row, column, value);
        }
        let (few, many) = (few.factor().unwrap(), many.factor().unwrap());
        assert_eq!(few.solved([1.0, 1.0, 7.0, 7.0])[..2], many.solve(&[1.0, 1.0]));
        let found = many.divided_by_rest(5.0, &[1.0, 1.0], 2.0).unwrap();
        assert!((found - 2.0 / (5.0 - 3.0 / 8.0)).abs() < 1e-12, "{found}");
        assert_eq!(many.divided_by_rest(3.0 / 8.0, &[1.0, 1.0], 2.0), None);
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
