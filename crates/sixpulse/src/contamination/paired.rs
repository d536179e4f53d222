//! Two real records of one capture transformed together, as the real and the imaginary part of one complex record.
//!
//! The transform of real values repeats itself in its upper half, `X(n - k) = X*(k)`; so with `Z` the transform of
//! `x + i y` the parts come out as `2 X(k) = Z(k) + Z*(n - k)` and `2 i Y(k) = Z(k) - Z*(n - k)`.

use crate::pooled::{Poolable, Pooled};
use crate::transforms;
use crate::vectors::{LANES, Work};
use rustfft::num_complex::{Complex, Complex64};
use rustfft::{Fft, FftNum};
use std::sync::Arc;

/// A pair of records, and their transform.
pub(super) struct Paired<T: Planned>
where
    Complex<T>: Poolable,
{
    forward: Arc<dyn Fft<T>>,
    /// The records sample by sample.
    pub(super) samples: Pooled<Complex<T>>,
    /// Their transform.
    pub(super) lines: Pooled<Complex<T>>,
    scratch: Pooled<Complex<T>>,
}

/// Numbers whose transforms a thread keeps plans of.
pub(super) trait Planned: FftNum + Into<f64> {
    fn forward(length: usize) -> Arc<dyn Fft<Self>>;
}

impl Planned for f32 {
    fn forward(length: usize) -> Arc<dyn Fft<Self>> {
        transforms::complex_single(length)
    }
}

impl Planned for f64 {
    fn forward(length: usize) -> Arc<dyn Fft<Self>> {
        transforms::complex(length)
    }
}

impl<T: Planned> Paired<T>
where
    Complex<T>: Poolable,
{
    pub(super) fn new(length: usize) -> Self {
        let forward = T::forward(length);
        let scratch = Pooled::of_length(forward.get_outofplace_scratch_len());
        Self { samples: Pooled::of_length(length), lines: Pooled::of_length(length), scratch, forward }
    }

    /// Transforms the samples, which are lost.
    pub(super) fn transform(&mut self) {
        self.forward.process_outofplace_with_scratch(&mut self.samples, &mut self.lines, &mut self.scratch);
    }

    /// Transforms lines whose real and imaginary parts have changed places, which are lost: to the samples times their
    /// number, their parts exchanged as well.
    pub(super) fn back(&mut self) {
        self.forward.process_outofplace_with_scratch(&mut self.lines, &mut self.samples, &mut self.scratch);
    }
}

/// Sums of powers and cross powers, bin by bin from 0 on; empty before the first are added.
#[derive(Debug, Clone, Default)]
pub(super) struct Sums {
    pub(super) sxx: Pooled<f64>,
    pub(super) syy: Pooled<f64>,
    pub(super) sxy: Pooled<Complex64>,
}

/// Powers and cross powers of the two records, scaled, added to sums.
pub(super) struct Powers<'a, T> {
    pub(super) lines: &'a [Complex<T>],
    /// How many bins, from 0 on.
    pub(super) bins: usize,
    /// Factors on the powers of either and on what they have in common.
    pub(super) scales: [f64; 3],
    pub(super) sums: &'a mut Sums,
    /// Where they lie before they are added: one for all segments, for it costs time to make.
    pub(super) block: &'a mut Block,
}

/// `2 X` and `2 Y` of a line and the one that mirrors it.
#[inline(always)]
fn parts<T: Copy + Into<f64>>(line: Complex<T>, mirror: Complex<T>) -> [f64; 4] {
    let (a, b, c, d): (f64, f64, f64, f64) = (line.re.into(), line.im.into(), mirror.re.into(), mirror.im.into());
    [a + c, b - d, b + d, c - a]
}

/// Bins whose powers are found together.
const BLOCK: usize = 128;

/// Powers of a block of bins.
pub(super) struct Block {
    xx: [f64; BLOCK],
    yy: [f64; BLOCK],
    xy: [Complex64; BLOCK],
}

impl Default for Block {
    fn default() -> Self {
        Self { xx: [0.0; BLOCK], yy: [0.0; BLOCK], xy: [Complex64::ZERO; BLOCK] }
    }
}

impl Block {
    /// The powers of `N` bins, the first of them at `at`.
    #[inline(always)]
    fn set<T: Copy + Into<f64>, const N: usize>(
        &mut self,
        at: usize,
        scales: [f64; 3],
        lines: &[Complex<T>; N],
        mirrors: &[Complex<T>; N],
    ) {
        let (mut xx, mut yy, mut xy) = ([0.0; N], [0.0; N], [Complex64::ZERO; N]);
        for lane in 0..N {
            let [xr, xi, yr, yi] = parts(lines[lane], mirrors[N - 1 - lane]);
            xx[lane] = (xr * xr + xi * xi) * scales[0];
            yy[lane] = (yr * yr + yi * yi) * scales[1];
            xy[lane] = Complex64::new((xr * yr + xi * yi) * scales[2], (xr * yi - xi * yr) * scales[2]);
        }
        self.xx[at..at + N].copy_from_slice(&xx);
        self.yy[at..at + N].copy_from_slice(&yy);
        self.xy[at..at + N].copy_from_slice(&xy);
    }
}

impl Sums {
    /// Adds the powers of `count` bins from `first` on.
    #[inline(always)]
    fn add(&mut self, first: usize, block: &Block, count: usize) {
        let (xx, yy, xy) = (&block.xx[..count], &block.yy[..count], &block.xy[..count]);
        if self.sxx.len() == first {
            self.sxx.extend_from_slice(xx);
            self.syy.extend_from_slice(yy);
            self.sxy.extend_from_slice(xy);
            return;
        }
        let bins = first..first + count;
        let (sxx, syy, sxy) = (&mut self.sxx[bins.clone()], &mut self.syy[bins.clone()], &mut self.sxy[bins]);
        for i in 0..count {
            sxx[i] += xx[i];
        }
        for i in 0..count {
            syy[i] += yy[i];
        }
        for i in 0..count {
            sxy[i].re += xy[i].re;
            sxy[i].im += xy[i].im;
        }
    }
}

impl<T: Copy + Into<f64>> Work for Powers<'_, T> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { lines, bins, scales: [xx, yy, xy], sums, block } = self;
        let n = lines.len();
        let scales = [0.25 * xx, 0.25 * yy, 0.25 * xy];
        if sums.sxx.is_empty() {
            (sums.sxx, sums.syy) = (Pooled::with_capacity(bins), Pooled::with_capacity(bins));
            sums.sxy = Pooled::with_capacity(bins);
        }
        // The line at 0 is its own mirror.
        block.set(0, scales, &[lines[0]], &[lines[0]]);
        sums.add(0, block, 1);
        let mut first = 1;
        while first < bins {
            let count = BLOCK.min(bins - first);
            let mut at = 0;
            while at + LANES <= count {
                let k = first + at;
                let (Some(set), Some(mirrors)) = (lines[k..].first_chunk(), lines[..n + 1 - k].last_chunk()) else {
                    return;
                };
                block.set::<T, LANES>(at, scales, set, mirrors);
                at += LANES;
            }
            for at in at..count {
                block.set(at, scales, &[lines[first + at]], &[lines[n - first - at]]);
            }
            sums.add(first, block, count);
            first += count;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::vectors;

    #[test]
    fn powers_are_those_of_the_records_alone() {
        for length in [2, 6, 50, 96] {
            let wave = |turn: f64| (0..length).map(|i| (turn * (i * i) as f64).sin()).collect::<Vec<f64>>();
            let (x, y) = (wave(0.37), wave(0.51));
            let mut pair = Paired::<f64>::new(length);
            pair.samples.iter_mut().zip(x.iter().zip(&y)).for_each(|(z, (x, y))| *z = Complex64::new(*x, 1e3 * y));
            pair.transform();
            let (mut sums, mut block, scales) = (Sums::default(), Block::default(), [1.0, 1e-6, 1e-3]);
            for _ in 0..2 {
                let (lines, bins) = (&pair.lines, length / 2 + 1);
                vectors::widest(Powers { lines, bins, scales, sums: &mut sums, block: &mut block });
            }
            assert_eq!(sums.sxx.len(), length / 2 + 1);
            for (k, ((sxx, syy), sxy)) in sums.sxx.iter().zip(sums.syy.iter()).zip(sums.sxy.iter()).enumerate() {
                // The definition of the discrete Fourier transform.
                let line = |x: &[f64]| -> Complex64 {
                    let turn = -std::f64::consts::TAU * k as f64 / length as f64;
                    x.iter().enumerate().map(|(i, x)| x * Complex64::cis(turn * i as f64)).sum()
                };
                let (a, b) = (line(&x), line(&y));
                // Rounding of the stronger record, 1e3 times the other: 1e-16 of a few hundred lines' 1e3, on lines of 20.
                let near = |found: f64, expected: f64| (found - expected).abs() < 1e-9;
                assert!(near(*sxx, 2.0 * a.norm_sqr()) && near(*syy, 2.0 * b.norm_sqr()), "{length} {k}");
                assert!((sxy - 2.0 * a.conj() * b).norm() < 1e-9, "{length} {k}");
            }
        }
    }
}
