//! Small dense matrices for building conduction patterns; nothing here runs once a step.
#![allow(clippy::needless_range_loop, reason = "matrix code runs over rows of several arrays at once")]

/// Row-major matrix.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Dense {
    pub(crate) rows: usize,
    pub(crate) cols: usize,
    data: Vec<f64>,
}

impl Dense {
    pub(crate) fn zeros(rows: usize, cols: usize) -> Self {
        Self { rows, cols, data: vec![0.0; rows * cols] }
    }

    pub(crate) fn at(&self, r: usize, c: usize) -> f64 {
        self.data[r * self.cols + c]
    }

    pub(crate) fn add(&mut self, r: usize, c: usize, value: f64) {
        self.data[r * self.cols + c] += value;
    }

    pub(crate) fn row(&self, r: usize) -> &[f64] {
        &self.data[r * self.cols..(r + 1) * self.cols]
    }

    pub(crate) fn row_mut(&mut self, r: usize) -> &mut [f64] {
        &mut self.data[r * self.cols..(r + 1) * self.cols]
    }

    /// `self += factor x other`, row `r` of self from row `o` of other.
    pub(crate) fn add_row(&mut self, r: usize, factor: f64, other: &[f64]) {
        for (a, b) in self.row_mut(r).iter_mut().zip(other) {
            *a += factor * b;
        }
    }

    pub(crate) fn times(&self, other: &Self) -> Self {
        let mut out = Self::zeros(self.rows, other.cols);
        for r in 0..self.rows {
            for k in 0..self.cols {
                let f = self.at(r, k);
                if f != 0.0 {
                    out.add_row(r, f, other.row(k));
                }
            }
        }
        out
    }

    pub(crate) fn transposed(&self) -> Self {
        let mut out = Self::zeros(self.cols, self.rows);
        for r in 0..self.rows {
            for c in 0..self.cols {
                out.add(c, r, self.at(r, c));
            }
        }
        out
    }

    /// Solution of `self X = right` by elimination with partial pivoting; `None` when singular.
    pub(crate) fn solve(&self, right: &Self) -> Option<Self> {
        let (mut a, mut x) = (self.clone(), right.clone());
        let n = a.rows;
        for k in 0..n {
            let pivot = (k..n).max_by(|&i, &j| a.at(i, k).abs().total_cmp(&a.at(j, k).abs()))?;
            let scale = a.row(pivot).iter().fold(0.0, |m: f64, v| m.max(v.abs()));
            if a.at(pivot, k).abs() <= 1e-14 * scale || scale == 0.0 {
                return None;
            }
            a.swap_rows(k, pivot);
            x.swap_rows(k, pivot);
            for i in k + 1..n {
                let f = a.at(i, k) / a.at(k, k);
                if f != 0.0 {
                    a.subtract_row(i, k, f);
                    x.subtract_row(i, k, f);
                }
            }
        }
        for k in (0..n).rev() {
            for i in k + 1..n {
                let f = a.at(k, i);
                if f != 0.0 {
                    x.subtract_row(k, i, f);
                }
            }
            let inverse = 1.0 / a.at(k, k);
            x.row_mut(k).iter_mut().for_each(|v| *v *= inverse);
        }
        Some(x)
    }

    pub(crate) fn identity(n: usize) -> Self {
        let mut out = Self::zeros(n, n);
        for k in 0..n {
            out.add(k, k, 1.0);
        }
        out
    }

    fn swap_rows(&mut self, i: usize, j: usize) {
        if i != j {
            for c in 0..self.cols {
                self.data.swap(i * self.cols + c, j * self.cols + c);
            }
        }
    }

    fn subtract_row(&mut self, target: usize, source: usize, factor: f64) {
        for c in 0..self.cols {
            let v = self.at(source, c);
            self.add(target, c, -factor * v);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solves_a_system_that_needs_pivoting() {
        let mut a = Dense::zeros(3, 3);
        for (r, row) in [[0.0, 2.0, 1.0], [1.0, -2.0, -3.0], [-1.0, 1.0, 2.0]].iter().enumerate() {
            a.row_mut(r).copy_from_slice(row);
        }
        let mut b = Dense::zeros(3, 1);
        b.row_mut(0)[0] = -8.0;
        b.row_mut(2)[0] = 3.0;
        let x = a.solve(&b).unwrap();
        let back = a.times(&x);
        for r in 0..3 {
            assert!((back.at(r, 0) - b.at(r, 0)).abs() < 1e-12);
        }
        assert!(Dense::zeros(2, 2).solve(&Dense::identity(2)).is_none());
    }
}
