//! Level and ripple of the window from figures of its blocks.
//!
//! The ripple is measured after the zero-phase AC coupling at `examine::RIPPLE_CORNER_HZ`, as in [`crate::ripple`]. That
//! filter takes from the trace its slow part: the trace convolved with a two-sided exponential, `(a / 2) exp(-a |t|)`,
//! `a = 2 pi corner`, the record continued by reflection at its ends. The slow part hardly moves within a block of at
//! most 4 ms, so it is taken from the blocks' means; every window is computed from its own blocks, and no sum runs on.

use crate::examine::RIPPLE_CORNER_HZ;
use std::f64::consts::TAU;

/// Figures of one block.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Block {
    mean: f64,
    /// Sum of `(x - mean)^2`.
    squares: f64,
    minimum: f64,
    maximum: f64,
    clipped: usize,
}

/// Lanes summed side by side.
const LANES: usize = 8;

impl Block {
    pub(super) fn of(samples: &[f64], rails: (f64, f64)) -> Self {
        let n = samples.len() as f64;
        let pilot = samples.first().copied().unwrap_or_default();
        let mean = pilot + lanes(samples, |x| x - pilot) / n;
        let (low, high) = rails;
        let (mut minimum, mut maximum) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
        for chunk in samples.chunks(LANES) {
            for ((lo, hi), &x) in minimum.iter_mut().zip(&mut maximum).zip(chunk) {
                *lo = if x < *lo { x } else { *lo };
                *hi = if x > *hi { x } else { *hi };
            }
        }
        let minimum = minimum.iter().copied().fold(f64::INFINITY, f64::min);
        let maximum = maximum.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let at_rail = minimum <= low || maximum >= high;
        let clipped = if at_rail { samples.iter().filter(|&&x| x <= low || x >= high).count() } else { 0 };
        Self { mean, squares: lanes(samples, |x| (x - mean) * (x - mean)), minimum, maximum, clipped }
    }

    pub(super) fn clipped(&self) -> usize {
        self.clipped
    }
}

fn lanes(samples: &[f64], term: impl Fn(f64) -> f64) -> f64 {
    let mut sums = [0.0; LANES];
    let chunks = samples.chunks_exact(LANES);
    let rest = chunks.remainder().iter().map(|&x| term(x)).sum::<f64>();
    for chunk in chunks {
        for (sum, &x) in sums.iter_mut().zip(chunk) {
            *sum += term(x);
        }
    }
    sums.iter().sum::<f64>() + rest
}

/// Level and ripple of a stretch of blocks, in the channel's unit.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Figures {
    pub(super) mean: f64,
    pub(super) peak_to_peak: f64,
    pub(super) rms: f64,
    /// `max(|x|)` of the ripple `x`.
    pub(super) peak: f64,
    pub(super) clipped: usize,
}

/// The blocks of one channel that make the window, the oldest overwritten first.
#[derive(Debug, Clone)]
pub(super) struct Blocks {
    ring: Vec<Block>,
    /// Blocks since the last restart.
    count: usize,
    trend: Vec<f64>,
    /// What is left of the slow part one block further on.
    pole: f64,
    samples: usize,
}

impl Blocks {
    pub(super) fn new(window_blocks: usize, block_samples: usize, sample_rate_hz: f64) -> Self {
        let pole = (-TAU * RIPPLE_CORNER_HZ * block_samples as f64 / sample_rate_hz).exp();
        let (ring, trend) = (vec![Block::default(); window_blocks], vec![0.0; window_blocks]);
        Self { ring, count: 0, trend, pole, samples: block_samples }
    }

    pub(super) fn bytes(&self) -> usize {
        size_of_val(self.ring.as_slice()) + size_of_val(self.trend.as_slice())
    }

    pub(super) fn restart(&mut self) {
        self.count = 0;
    }

    pub(super) fn add(&mut self, block: Block) {
        let place = self.count % self.ring.len();
        self.ring[place] = block;
        self.count += 1;
        // The count has to tell a place and whether the ring is full; it does not run on.
        if self.count == 2 * self.ring.len() {
            self.count = self.ring.len();
        }
    }

    fn len(&self) -> usize {
        self.count.min(self.ring.len())
    }

    /// Figures of the window; `None` without a block.
    pub(super) fn figures(&mut self) -> Option<Figures> {
        let blocks = self.len();
        if blocks == 0 {
            return None;
        }
        self.find_trend();
        // A constant comes out as it went in.
        let pilot = self.ring[0].mean;
        let n = self.samples as f64;
        let mut out = Figures::default();
        let (mut squares, mut left) = (0.0, 0.0);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (block, trend) in in_order(&self.ring, self.count).zip(&self.trend) {
            let off = block.mean - trend;
            out.mean += block.mean - pilot;
            out.clipped += block.clipped;
            squares += block.squares + n * off * off;
            left += off;
            low = low.min(block.minimum - trend);
            high = high.max(block.maximum - trend);
        }
        out.mean = pilot + out.mean / blocks as f64;
        // What mean the filter left, as in `ripple`.
        let left = left / blocks as f64;
        out.rms = (squares / (n * blocks as f64) - left * left).max(0.0).sqrt();
        out.peak_to_peak = high - low;
        out.peak = (high - left).max(left - low);
        Some(out)
    }

    /// The slow part at every block: `c sum p^|k| m`, as a forward and a backward sum; `c = (1 - p) / (1 + p)`.
    fn find_trend(&mut self) {
        let (p, n) = (self.pole, self.len());
        let means = in_order(&self.ring, self.count).map(|b| b.mean);
        let trend = &mut self.trend[..n];
        // Means are taken from the newest one, so that the sums stay small whatever the level.
        let Some(pilot) = means.clone().next_back() else { return };
        // Reflection: what lies beyond an end is the sum that comes back from inside. Two rounds settle both ends.
        let (mut before, mut after) = (0.0, 0.0);
        for _ in 0..2 {
            before = means.clone().rev().fold(after, |sum, m| p * sum + (m - pilot));
            after = means.clone().fold(before, |sum, m| p * sum + (m - pilot));
        }
        let mut sum = before;
        for (t, m) in trend.iter_mut().zip(means.clone()) {
            sum = p * sum + (m - pilot);
            *t = sum;
        }
        let (c, mut sum) = ((1.0 - p) / (1.0 + p), after);
        for (t, m) in trend.iter_mut().rev().zip(means.rev()) {
            // The block's own mean is in both sums.
            *t = pilot + c * (*t + p * sum);
            sum = p * sum + (m - pilot);
        }
    }
}

/// Blocks in the window, the oldest first.
fn in_order(ring: &[Block], count: usize) -> impl DoubleEndedIterator<Item = &Block> + Clone {
    let (newer, older) = ring.split_at(count % ring.len());
    let older = if count >= ring.len() { older } else { &[] };
    older.iter().chain(newer)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coupling::{CouplingMethod, ac_couple};

    fn swinging(n: usize, rate: f64) -> Vec<f64> {
        (0..n)
            .map(|i| {
                let t = i as f64 / rate;
                let level = 14.2 + 0.4 * (TAU * 3.0 * t).sin() + if t > 0.31 { 0.5 } else { 0.0 };
                level + 0.15 * (TAU * 191.0 * t).cos() + 0.08 * (TAU * 1146.0 * t + 1.0).cos()
            })
            .collect()
    }

    /// Against the exact zero-phase filter (held against SciPy in the tests of `coupling`): a level that swings and steps.
    #[test]
    fn ripple_is_that_behind_the_zero_phase_coupling() {
        let (rate, block) = (50_000.0, 195);
        for blocks in [32usize, 33, 256] {
            let x = swinging(block * (blocks + 40), rate);
            let mut kept = Blocks::new(blocks, block, rate);
            for part in x.chunks_exact(block) {
                kept.add(Block::of(part, (f64::NEG_INFINITY, f64::INFINITY)));
            }
            let got = kept.figures().unwrap();
            let tail = &x[x.len() - blocks * block..];
            let ac = ac_couple(tail, rate, RIPPLE_CORNER_HZ, CouplingMethod::ZeroPhase).unwrap();
            let n = ac.len() as f64;
            let left = ac.iter().sum::<f64>() / n;
            let rms = (ac.iter().map(|y| (y - left).powi(2)).sum::<f64>() / n).sqrt();
            let (low, high) = ac.iter().fold((f64::MAX, f64::MIN), |(l, h), &y| (l.min(y), h.max(y)));
            assert!((got.mean - tail.iter().sum::<f64>() / n).abs() < 1e-11);
            // The slow part is held for a block: 0.5 V of step and 7.5 V/s of swing over 2 ms.
            assert!((got.rms / rms - 1.0).abs() < 5e-3, "{blocks}: {} {rms}", got.rms);
            assert!((got.peak_to_peak / (high - low) - 1.0).abs() < 0.02, "{} {}", got.peak_to_peak, high - low);
        }
    }

    #[test]
    fn a_constant_has_no_ripple_and_rails_are_counted() {
        let mut kept = Blocks::new(4, 10, 1000.0);
        assert_eq!(kept.figures(), None);
        for _ in 0..11 {
            kept.add(Block::of(&[5.0; 10], (-5.0, 5.0)));
        }
        let got = kept.figures().unwrap();
        assert_eq!((got.mean, got.rms, got.peak_to_peak, got.clipped), (5.0, 0.0, 0.0, 40));
    }
}
