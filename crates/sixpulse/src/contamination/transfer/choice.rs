//! The choice among paths that fit, and what it leaves open.

use super::band::Band;
use super::path::{Model, Path};
use super::spectra::{Bin, in_step};
use rustfft::num_complex::Complex64;

/// Delay that makes a path rarer by a factor of e, seconds.
const USUAL_DELAY_S: f64 = 60e-6;

/// Models with their losses on one common scale.
pub(super) struct Candidates {
    models: Vec<Model>,
    /// Negative log-likelihood of each, lines of the circuit's own signal having little say.
    losses: Vec<f64>,
    /// Power that the supply's noise and what folds back leave of any, V^2.
    pub(super) unknown: f64,
    /// Power left of each, V^2, a line of the circuit alone counting no more than the supply's could.
    pub(super) powers: Vec<f64>,
    /// What of that lies at each order of which the circuit has much that does not move with the supply.
    own: Vec<Vec<f64>>,
    /// The loss where nothing is carried.
    pub(super) silent: f64,
}

/// Log-likelihood by which a model must beat a plain one: filters are rarer and fit the noise more easily, and long delays
/// are rarer than short ones. Orders that are all multiples of six leave the delay open by whole periods of the sixth.
fn handicap(model: &Model) -> f64 {
    match model.path {
        Path::Delay | Path::InterpolatedDelay => model.delay_s.abs() / USUAL_DELAY_S,
        Path::FirstOrderLag => 3.0,
        Path::FirstOrderHighPass => 10.0,
        Path::SecondOrderLag => 8.0,
        Path::BandPass => 15.0,
    }
}

/// A model that leaves this many times the power of another is none, however many faint lines speak for it.
const POWER_RATIO: f64 = 1.5;
/// Log-likelihood by which a model must beat the one of least power to be spared an order of the circuit's own.
const SPARED: f64 = 8.0;

/// The bins in use order by order at which the circuit has a line of its own, a wheel's that falls beside the order: no
/// one factor on the supply's lines explains it.
fn own_orders(band: &Band) -> Vec<std::ops::Range<usize>> {
    let mut out = Vec::new();
    let mut from = 0;
    for bins in band.used.chunk_by(|a, b| band.order(a) == band.order(b)) {
        let (mut cross, mut supply, mut circuit) = (Complex64::default(), 0.0, 0.0);
        for b in bins {
            cross += b.sxy;
            supply += b.sxx;
            circuit += b.syy;
        }
        if !in_step(cross, supply, circuit) {
            out.push(from..from + bins.len());
        }
        from += bins.len();
    }
    out
}

impl Candidates {
    pub(super) fn new(band: &Band, models: Vec<Model>) -> Option<Self> {
        let residuals: Vec<(Vec<f64>, Vec<f64>)> = models.iter().map(|m| band.residual(m)).collect();
        let noise = residuals.iter().map(|r| r.1.clone()).reduce(|mut a, b| {
            a.iter_mut().zip(b).for_each(|(x, y)| *x = x.min(y));
            a
        })?;
        let looks = band.spectra.looks;
        // One common gain for the distortion: else a larger gain would buy itself a smaller loss.
        let gain = models.iter().map(|m| m.gain.abs()).fold(0.0, f64::max).min(2.0);
        let loss = |left: &[f64]| -> f64 {
            let each = band.used.iter().zip(left.iter().zip(&noise));
            let through = |b: &Bin| (gain * gain).min(b.syy / b.sxx) * b.supply_noise;
            each.map(|(b, (l, n))| looks * (l / (n + through(b))).ln_1p()).sum()
        };
        let losses: Vec<f64> = residuals.iter().map(|r| loss(&r.0)).collect();
        let likeliest = models.iter().zip(&losses).min_by(|a, b| a.1.total_cmp(b.1))?.0;
        let most: Vec<f64> = band.used.iter().map(|b| 4.0 * likeliest.at(b.hz).norm_sqr() * b.sxx.max(0.0)).collect();
        let power = |left: &[f64]| -> f64 { left.iter().zip(&most).map(|(l, most)| l.min(*most)).sum() };
        let powers = residuals.iter().map(|r| power(&r.0)).collect();
        let orders = own_orders(band);
        let own_power = |left: &[f64]| -> Vec<f64> {
            let at = |bins: &std::ops::Range<usize>| {
                let each = left[bins.clone()].iter().zip(&most[bins.clone()]);
                each.map(|(l, most)| l.min(*most)).sum()
            };
            orders.iter().map(at).collect()
        };
        let own = residuals.iter().map(|r| own_power(&r.0)).collect();
        let unknown = band.used.iter().map(|b| (gain * gain).min(b.syy / b.sxx) * b.supply_noise).sum();
        let silent = loss(&band.used.iter().map(|b| b.syy).collect::<Vec<f64>>());
        Some(Self { models, losses, unknown, powers, own, silent })
    }

    pub(super) fn least(&self) -> f64 {
        self.losses.iter().copied().fold(f64::INFINITY, f64::min)
    }

    /// Whether a model leaves little enough power to be one. One order of which the circuit has much of its own does not
    /// decide where the others speak clearly: a path bent to explain a wheel's line beside an order leaves less.
    fn leaves_little(&self, i: usize) -> bool {
        let each = self.powers.iter().enumerate();
        let Some((least, power)) = each.min_by(|a, b| a.1.total_cmp(b.1)) else { return false };
        let little = |left: f64, of: f64| left <= POWER_RATIO * (of + self.unknown);
        if little(self.powers[i], *power) {
            return true;
        }
        let likelier = self.losses[i] + SPARED < self.losses[least];
        let orders = || self.own[i].iter().zip(&self.own[least]);
        likelier && orders().any(|(own, other)| little(self.powers[i] - own, power - other))
    }

    /// The model of least loss; of equals the plainest and least delayed.
    pub(super) fn best(&self) -> Option<Model> {
        let rank = |p: Path| match p {
            Path::Delay => 0,
            Path::InterpolatedDelay => 1,
            Path::FirstOrderLag => 2,
            Path::FirstOrderHighPass => 3,
            Path::SecondOrderLag => 4,
            Path::BandPass => 5,
        };
        let losses: Vec<f64> = self.models.iter().zip(&self.losses).map(|(m, l)| l + handicap(m)).collect();
        let fit = || (0..self.models.len()).filter(|&i| self.leaves_little(i) && losses[i].is_finite());
        let least = fit().map(|i| losses[i]).fold(f64::INFINITY, f64::min);
        let key = |m: &Model| ((m.delay_s.abs() / 20e-6).floor() as i64, rank(m.path));
        fit()
            .filter(|&i| losses[i] <= least + 2.0)
            .map(|i| self.models[i])
            .min_by(|a, b| key(a).cmp(&key(b)).then(a.delay_s.abs().total_cmp(&b.delay_s.abs())))
    }

    /// Variance of gain and delay among the models, each weighed by its likelihood: what the choice of one leaves open.
    pub(super) fn spread(&self, chosen: &Model) -> (f64, f64) {
        let own = self.models.iter().position(|m| m == chosen);
        let least = own.map_or_else(|| self.least(), |i| self.losses[i]);
        let (mut total, mut gain, mut delay) = (0.0, 0.0, 0.0);
        for (m, l) in self.models.iter().zip(&self.losses) {
            if !l.is_finite() || m.path.is_high_pass() != chosen.path.is_high_pass() {
                continue;
            }
            let weight = (least - l).min(0.0).exp();
            total += weight;
            gain += weight * (m.gain - chosen.gain).powi(2);
            delay += weight * (m.delay_s - chosen.delay_s).powi(2);
        }
        if total > 0.0 { (gain / total, delay / total) } else { (0.0, 0.0) }
    }
}
