//! Orders by their place, and what rings beyond half the sample rate and folds back among them.
#![allow(clippy::needless_range_loop, reason = "lanes run over several arrays at once")]

use super::spectra::{Bin, CrossSpectra, NOISE_BLOCK};
use crate::contamination::nth::weighted_quantile;
use crate::vectors::{self, LANES, Work};

/// What rings beyond half the sample rate comes back as a thicket of faint lines with another transfer, which must not
/// outvote the few strong ones. Their power a bin is this many times what is left at the band's end.
const FOLDS: f64 = 2.0;
/// Bins to either side that a steady line takes under the window.
const LINE_BINS: f64 = 2.5;
/// Relative error of the cycle's frequency that a line is allowed.
const CYCLE_ERROR: f64 = 1e-3;
/// Part of a line's power by which its spread with the speed's wander is told, and the multiple of that within which an
/// order is looked for: a line that folds back beside it holds less than the rest.
const INSIDE: f64 = 0.8;
const WANDER: f64 = 2.0;
/// Half the sample rate is folded at so often before nothing is left of a ringing.
const ZONES: u32 = 3;
/// Power of a line against those that fold back from which it counts where they cannot be told apart.
const APART: f64 = 4.0;

/// Where the orders' lines lie, and where lines beyond half the sample rate come back.
///
/// Order `m` folded at `k` times the sample rate lies at `k fs - m f` or `m f - k fs`: off the orders by the same part of
/// an order for all `m`, `k fs / f` to either side. So lines that fold back can mostly be told from the orders by their
/// place.
pub(super) struct Comb {
    /// The cycle's frequency, hertz.
    pub(super) hz: f64,
    /// Sample rate in cycles.
    pub(super) rate: f64,
    /// Half the width of a steady line, in orders.
    pub(super) line: f64,
    /// Growth of that from order to order, by the speed's wander.
    wander: f64,
}

/// Place at which half of the power lies below, and the distance within which [`INSIDE`] of it lies.
pub(super) fn spread(power: Vec<(f64, f64)>) -> (f64, f64) {
    let place = weighted_quantile(&power, 0.5);
    let apart: Vec<(f64, f64)> = power.iter().map(|(at, s)| ((at - place).abs(), *s)).collect();
    (place, weighted_quantile(&apart, INSIDE))
}

impl Comb {
    pub(super) fn new(spectra: &CrossSpectra, electrical_hz: f64, interval_s: f64) -> Self {
        let bin = electrical_hz / spectra.bin_hz;
        let power = |n: usize| -> f64 { spectra.about(n as f64 * bin, 0.5 * bin).map(|(_, s)| s).sum() };
        let orders = (0.45 * spectra.sxx.len() as f64 / bin) as usize;
        let powers = (1..=orders.max(1)).map(|n| (n, power(n)));
        let strongest = powers.max_by(|a, b| a.1.total_cmp(&b.1)).map_or(1, |(n, _)| n);
        let place = strongest as f64 * bin;
        let (mean, half_width) = spread(spectra.about(place, 0.5 * bin).map(|(k, s)| (k as f64 - place, s)).collect());
        // The window itself spreads a line by a bin.
        let wander = (half_width - 1.0).max(0.0) / place;
        let near = (mean / place).abs() < CYCLE_ERROR;
        let hz = if near { electrical_hz * (1.0 + mean / place) } else { electrical_hz };
        let error = if near { 0.0 } else { CYCLE_ERROR };
        Self { hz, rate: 1.0 / (interval_s * hz), line: LINE_BINS / bin, wander: WANDER * wander + error + 0.3 / place }
    }

    #[inline(always)]
    pub(super) fn reach(&self, hz: f64) -> f64 {
        self.line + self.wander * hz / self.hz
    }

    /// Whether a frequency lies on an order above 0.
    pub(super) fn holds(&self, hz: f64) -> bool {
        let order = hz / self.hz;
        order > 0.5 && (order - order.round()).abs() <= self.reach(hz)
    }

    /// Parts of an order by which lines that fold back lie off the orders.
    fn folds(&self) -> [f64; ZONES as usize] {
        std::array::from_fn(|i| {
            let turn = (i + 1) as f64 * self.rate;
            (turn - turn.round_ties_even()).abs()
        })
    }

    /// Whether lines that fold back may fall on the orders' lines there.
    fn folds_onto(&self, hz: f64) -> bool {
        let reach = self.reach(hz);
        self.folds().into_iter().any(|off| off <= reach)
    }

    /// The same with all that the speed's wander may do: an order that folds back wanders as far as its own number says, the
    /// one that it falls on as far as that one's, and both together as far as an order at the multiple of the sample rate.
    fn may_fold_onto(&self) -> bool {
        let multiples_hz = (1..).map(|k| f64::from(k) * self.rate * self.hz);
        self.folds().into_iter().zip(multiples_hz).any(|(off, hz)| off <= self.reach(hz))
    }
}

/// What rings beyond half the sample rate and folds back, V^2 a bin of the supply: the spectrum goes on as it ends, and
/// folds more than once.
pub(super) struct Folded {
    pub(super) comb: Option<Comb>,
    /// Mean of the band's upper quarter, of all of it or of what lies between the orders and the lines that fold back.
    pub(super) spread: f64,
    /// What a bin of the upper quarter holds that holds a line.
    pub(super) line: f64,
    /// Whether the speed's wander may bring lines that fold back onto an order's.
    wanders_on: bool,
}

impl Folded {
    pub(super) fn new(spectra: &CrossSpectra, first: usize, last: usize, comb: Option<Comb>) -> Self {
        let start = first.max(3 * last / 4);
        let upper = spectra.sxx.get(start..last).unwrap_or_default();
        let UpperSums { sum, squares, free_sum, free } =
            vectors::widest(Upper { power: upper, first: start, bin_hz: spectra.bin_hz, comb: comb.as_ref() });
        let mean = sum / upper.len().max(1) as f64;
        let line = squares / sum.max(f64::MIN_POSITIVE);
        let between = (comb.is_some() && free >= NOISE_BLOCK / 2).then(|| free_sum / free as f64);
        let spread = FOLDS * between.unwrap_or(mean);
        let wanders_on = comb.as_ref().is_some_and(Comb::may_fold_onto);
        Self { line: line.max(FOLDS * mean), spread, wanders_on, comb }
    }

    fn falls_on(&self, bin: &Bin) -> bool {
        self.comb.as_ref().is_some_and(|c| c.folds_onto(bin.hz))
    }

    pub(super) fn power(&self, bin: &Bin) -> f64 {
        if self.falls_on(bin) { self.line } else { self.spread }
    }

    /// Whether a bin's line is its order's, or strong enough for what may fall on it.
    pub(super) fn is_alone(&self, bin: &Bin) -> bool {
        !self.falls_on(bin) || bin.sxx > APART * self.line
    }

    /// Whether what is at a bin may be what folds back, by the speed's wander at the furthest: an order of such bins says
    /// nothing against a path.
    pub(super) fn may_be(&self, bin: &Bin) -> bool {
        self.wanders_on && bin.sxx <= APART * self.line
    }

    /// Orders among bins that are alone.
    pub(super) fn orders_alone<'a>(&self, bins: impl Iterator<Item = &'a Bin>) -> usize {
        let Some(comb) = &self.comb else { return 0 };
        let mut orders: Vec<u64> = bins.filter(|b| self.is_alone(b)).map(|b| (b.hz / comb.hz).round() as u64).collect();
        orders.dedup();
        orders.len()
    }
}

/// The upper part of a band.
struct Upper<'a> {
    power: &'a [f64],
    /// Its first bin.
    first: usize,
    bin_hz: f64,
    comb: Option<&'a Comb>,
}

/// Sums of the power and of its squares, and of the power between orders and lines that fold back, with the bins there.
struct UpperSums {
    sum: f64,
    squares: f64,
    free_sum: f64,
    free: usize,
}

impl Upper<'_> {
    /// 1 at bins that lie off the orders and off where lines may fold back, 0 at others; `at` is the first.
    #[inline(always)]
    fn between(&self, comb: &Comb, folds: &[f64; ZONES as usize], at: f64) -> [f64; LANES] {
        let mut out = [0.0; LANES];
        for lane in 0..LANES {
            let hz = (at + lane as f64) * self.bin_hz;
            let order = hz / comb.hz;
            let off = (order - order.round_ties_even()).abs();
            let mut least = if order > 0.5 { off } else { 1.0 };
            for fold in folds {
                // They lie so far to either side of every order: neither place is more than half an order off.
                let apart = (off - fold).abs();
                least = if apart < least { apart } else { least };
            }
            out[lane] = if least > comb.reach(hz) { 1.0 } else { 0.0 };
        }
        out
    }
}

impl Work for Upper<'_> {
    type Output = UpperSums;
    #[inline(always)]
    fn call(self) -> UpperSums {
        let (mut sum, mut squares) = ([0.0; LANES], [0.0; LANES]);
        let (mut free_sum, mut free) = ([0.0; LANES], [0.0; LANES]);
        let folds = self.comb.map_or([0.0; ZONES as usize], Comb::folds);
        for (i, set) in self.power.chunks(LANES).enumerate() {
            // Beyond the end lies no power, nor a bin that counts.
            let (mut power, mut counts) = ([0.0; LANES], [0.0; LANES]);
            match set.first_chunk() {
                Some(whole) => (power, counts) = (*whole, [1.0; LANES]),
                None => {
                    power[..set.len()].copy_from_slice(set);
                    counts[..set.len()].fill(1.0);
                }
            }
            for lane in 0..LANES {
                sum[lane] += power[lane];
                squares[lane] += power[lane] * power[lane];
            }
            if let Some(comb) = self.comb {
                let between = self.between(comb, &folds, (self.first + i * LANES) as f64);
                for lane in 0..LANES {
                    let part = between[lane] * counts[lane];
                    free_sum[lane] += part * power[lane];
                    free[lane] += part;
                }
            }
        }
        UpperSums {
            sum: sum.iter().sum(),
            squares: squares.iter().sum(),
            free_sum: free_sum.iter().sum(),
            free: free.iter().sum::<f64>() as usize,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_speed_s_wander_brings_orders_that_fold_back_onto_others() {
        // An ngspice capture at 25 kHz: orders come back 0.065 of an order beside the others, too far for what a steady
        // line takes up and order 37 wanders, but not for what order 109 does.
        let comb = |wander: f64| Comb { hz: 229.22, rate: 109.065, line: 0.0296, wander };
        assert!(!comb(5.9e-4).folds_onto(37.0 * 229.22) && comb(5.9e-4).may_fold_onto());
        assert!(!comb(1e-4).may_fold_onto());
    }

    #[test]
    fn power_between_orders_and_lines_that_fold_back_is_summed_up() {
        let comb = Comb { hz: 95.3, rate: 1049.3, line: 0.02, wander: 0.000_03 };
        for (first, bins) in [(33_750, 1500), (3, 205)] {
            let power: Vec<f64> = (0..bins).map(|i| 1.0 + f64::from(i).sin()).collect();
            let found = vectors::widest(Upper { power: &power, first, bin_hz: 1.0, comb: Some(&comb) });
            // Order m lies at m f; folded at k times the sample rate at k fs - m f or m f - k fs.
            let between = |k: usize| {
                let order = k as f64 / comb.hz;
                let off = |line: f64| (order - line).abs() > comb.reach(k as f64);
                (0..4000).map(f64::from).all(|m| {
                    let folds = (1..=ZONES).map(|k| (f64::from(k) * comb.rate - m).abs());
                    (m == 0.0 || off(m)) && folds.into_iter().all(off)
                })
            };
            let free: Vec<f64> =
                power.iter().enumerate().filter(|(i, _)| between(first + i)).map(|(_, p)| *p).collect();
            assert!(!free.is_empty() && free.len() < power.len());
            assert_eq!(found.free, free.len());
            // Sums in another order: rounding of some thousand times 1e-16.
            let near = |a: f64, b: f64| (a - b).abs() <= 1e-12 * b;
            assert!(near(found.free_sum, free.iter().sum()) && near(found.sum, power.iter().sum()));
            assert!(near(found.squares, power.iter().map(|p| p * p).sum()));
        }
    }
}
