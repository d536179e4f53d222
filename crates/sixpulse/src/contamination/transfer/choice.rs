//! The choice among paths that fit, and what it leaves open.

use super::band::Band;
use super::path::{Model, Path};
use super::spectra::{Bin, in_step};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Delay that makes a path rarer by a factor of e, seconds.
const USUAL_DELAY_S: f64 = 60e-6;
/// The same of a lead: no connection is ahead of its supply, only one channel of an instrument may be of another.
const USUAL_LEAD_S: f64 = 15e-6;

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
    /// The supply's strongest bin, hertz.
    strongest_hz: f64,
}

/// Log-likelihood by which a model must beat a plain one: filters are rarer and fit the noise more easily, and long delays
/// are rarer than short ones. Orders that are all multiples of six leave the delay open by whole periods of the sixth.
fn handicap(model: &Model) -> f64 {
    match model.path {
        Path::Delay | Path::InterpolatedDelay if model.delay_s < 0.0 => -model.delay_s / USUAL_LEAD_S,
        Path::Delay | Path::InterpolatedDelay => model.delay_s / USUAL_DELAY_S,
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
        let strongest = band.used.iter().max_by(|a, b| a.sxx.total_cmp(&b.sxx));
        let strongest_hz = strongest.map_or(f64::NAN, |b| b.hz);
        Some(Self { models, losses, unknown, powers, own, silent, strongest_hz })
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
            let (own_gain, own_delay_s) = self.as_seen_beside(chosen, m);
            gain += weight * (own_gain - chosen.gain).powi(2);
            delay += weight * (own_delay_s - chosen.delay_s).powi(2);
        }
        if total > 0.0 { (gain / total, delay / total) } else { (0.0, 0.0) }
    }

    /// Gain and delay of a model as another's are meant. Beside a delay, a time constant counts by what it does to the
    /// strongest line: of one far longer than the cycle only the ratio to its gain is known, and either may be anything.
    fn as_seen_beside(&self, chosen: &Model, model: &Model) -> (f64, f64) {
        if chosen.path.has_time_constant() || !model.path.has_time_constant() {
            return (model.gain, model.delay_s);
        }
        let (angular, unit) = (2.0 * PI * self.strongest_hz, model.unit(self.strongest_hz));
        (model.gain * unit.norm(), model.lag_rad(self.strongest_hz) / angular)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn model(path: Path, gain: f64, delay_s: f64) -> Model {
        Model::new(path, gain, delay_s, 0.0, 50_000.0)
    }

    #[test]
    fn a_long_time_constant_widens_a_delay_by_what_it_does_to_the_ripple() {
        // A low-pass of 16 ms lets 0.3 of 1200 Hz through, a quarter of a period late, whatever it does at 0 Hz.
        let hz = 1200.0;
        let lag = model(Path::FirstOrderLag, 1.0, 16e-3).unit(hz);
        let models = vec![model(Path::Delay, 0.3, 200e-6), model(Path::FirstOrderLag, 0.3 / lag.norm(), 16e-3)];
        let chosen = models[0];
        let (own, powers) = (vec![Vec::new(); 2], vec![0.0; 2]);
        let candidates =
            Candidates { models, losses: vec![0.0; 2], unknown: 0.0, powers, own, silent: 9.0, strongest_hz: hz };
        let (gain, delay) = candidates.spread(&chosen);
        assert!(gain < 1e-12, "{gain}");
        // Half of the likelihood lies 200 us less `atan(w 16 ms) / w` = 207.2 us off.
        assert!((delay.sqrt() - 7.23e-6 / 2.0_f64.sqrt()).abs() < 1e-8, "{}", delay.sqrt());
    }

    #[test]
    fn a_lead_is_rarer_than_a_delay() {
        let [lead, late] = [-36e-6, 72e-6].map(|delay_s| handicap(&model(Path::Delay, 0.3, delay_s)));
        assert!((late - 1.2).abs() < 1e-12 && (lead - 2.4).abs() < 1e-12);
    }
}
