//! Orders by their place, and what rings beyond half the sample rate and folds back among them.

use super::spectra::{Bin, CrossSpectra, NOISE_BLOCK};
use crate::contamination::nth::weighted_quantile;

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
        let strongest = (1..=orders.max(1)).max_by(|a, b| power(*a).total_cmp(&power(*b))).unwrap_or(1);
        let place = strongest as f64 * bin;
        let (mean, half_width) = spread(spectra.about(place, 0.5 * bin).map(|(k, s)| (k as f64 - place, s)).collect());
        // The window itself spreads a line by a bin.
        let wander = (half_width - 1.0).max(0.0) / place;
        let near = (mean / place).abs() < CYCLE_ERROR;
        let hz = if near { electrical_hz * (1.0 + mean / place) } else { electrical_hz };
        let error = if near { 0.0 } else { CYCLE_ERROR };
        Self { hz, rate: 1.0 / (interval_s * hz), line: LINE_BINS / bin, wander: WANDER * wander + error + 0.3 / place }
    }

    pub(super) fn reach(&self, hz: f64) -> f64 {
        self.line + self.wander * hz / self.hz
    }

    /// Whether a frequency lies on an order above 0.
    pub(super) fn holds(&self, hz: f64) -> bool {
        let order = hz / self.hz;
        order > 0.5 && (order - order.round()).abs() <= self.reach(hz)
    }

    /// Whether lines that fold back may lie at a frequency.
    fn folds_to(&self, hz: f64) -> bool {
        let (order, reach) = (hz / self.hz, self.reach(hz));
        let near = |place: f64| (place - place.round()).abs() <= reach;
        (1..=ZONES).map(|k| f64::from(k) * self.rate).any(|turn| near(order - turn) || near(order + turn))
    }

    /// Whether lines that fold back may fall on the orders' lines there.
    fn folds_onto(&self, hz: f64) -> bool {
        let reach = self.reach(hz);
        (1..=ZONES).map(|k| f64::from(k) * self.rate).any(|place| (place - place.round()).abs() <= reach)
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
}

impl Folded {
    pub(super) fn new(spectra: &CrossSpectra, first: usize, last: usize, comb: Option<Comb>) -> Self {
        let upper: Vec<(f64, f64)> =
            (first.max(3 * last / 4)..last).map(|k| (k as f64 * spectra.bin_hz, spectra.sxx[k])).collect();
        let sum: f64 = upper.iter().map(|(_, s)| s).sum();
        let mean = sum / upper.len().max(1) as f64;
        let line = upper.iter().map(|(_, s)| s * s).sum::<f64>() / sum.max(f64::MIN_POSITIVE);
        let between = comb.as_ref().and_then(|c| {
            let free = upper.iter().filter(|(hz, _)| !c.holds(*hz) && !c.folds_to(*hz)).map(|(_, s)| *s);
            let free: Vec<f64> = free.collect();
            (free.len() >= NOISE_BLOCK / 2).then(|| free.iter().sum::<f64>() / free.len() as f64)
        });
        let spread = FOLDS * between.unwrap_or(mean);
        Self { line: line.max(FOLDS * mean), spread, comb }
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

    /// Orders among bins that are.
    pub(super) fn orders_alone<'a>(&self, bins: impl Iterator<Item = &'a Bin>) -> usize {
        let Some(comb) = &self.comb else { return 0 };
        let mut orders: Vec<u64> = bins.filter(|b| self.is_alone(b)).map(|b| (b.hz / comb.hz).round() as u64).collect();
        orders.dedup();
        orders.len()
    }
}
