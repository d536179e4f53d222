//! The transfer order by order: what supports the common path, and what contradicts it.

use super::band::Band;
use super::path::Model;
use crate::contamination::nth::weighted_quantile;
use rustfft::num_complex::Complex64;

/// What the bins about one order say by themselves.
#[derive(Debug, Clone)]
pub(in crate::contamination) struct Line {
    pub(in crate::contamination) order: u32,
    pub(in crate::contamination) frequency_hz: f64,
    /// Peak amplitudes, volts.
    pub(in crate::contamination) supply_v: f64,
    pub(in crate::contamination) circuit_v: f64,
    pub(in crate::contamination) transfer: Complex64,
    /// Standard uncertainty of the transfer, real and imaginary part together, volts per volt.
    pub(in crate::contamination) std: f64,
}

/// The bins about one order (or one octave where no cycle is known).
#[derive(Debug, Clone)]
pub(in crate::contamination) struct Group {
    pub(in crate::contamination) line: Line,
    /// How many bins share the supply's power here: `(sum s)^2 / sum s^2`; a steady line under a Hann window has two.
    pub(in crate::contamination) spread: f64,
    /// Share of the circuit's power here that one complex factor on the supply's lines explains (0 to 1): near 1 for
    /// whatever moves in step with the supply, through this path or another.
    pub(in crate::contamination) in_step: f64,
    /// How far the group's own transfer stands from the common model, volts per volt, along the model's phase.
    pub(in crate::contamination) departure: Complex64,
    /// Standard uncertainty of that, each of real and imaginary part.
    pub(in crate::contamination) departure_std: f64,
    /// The part of it that averages out.
    pub(in crate::contamination) noise_std: f64,
    /// Power that the model puts there against the noise about it.
    pub(in crate::contamination) clear: f64,
    /// Power left at the group's lines, without the noise about them, against the power the model puts there: the
    /// median over the bins, each weighed by the supply's power. Near 0 where the model explains the group; 1 and more
    /// where the circuit has as much of its own there.
    pub(in crate::contamination) unexplained: f64,
    /// What the group alone says of the gain along the model's phase.
    pub(in crate::contamination) gain: f64,
    /// Whether most of the supply's power here may be what folds back.
    pub(in crate::contamination) may_be_folded: bool,
    /// Whether it is the skirt of a stronger neighbour whose line the speed's wander spreads: the same line once more.
    pub(in crate::contamination) skirt: bool,
}

/// Part of an order off its place from which a group is the skirt of the stronger neighbour on that side.
const OFF_PLACE: f64 = 0.25;

/// Factor on a variance by what does not average out, for groups that count by their information times `say` of their
/// frequency.
pub(super) fn widening(groups: &[Group], say: impl Fn(f64) -> f64) -> f64 {
    let (mut all, mut noise) = (0.0, 0.0);
    for g in groups {
        let (information, say) = (g.noise_std.powi(-2), say(g.line.frequency_hz));
        noise += information * say;
        all += information * information * say * g.departure_std.powi(2);
    }
    if noise > 0.0 { all / noise } else { 1.0 }
}

/// Sums of one group of bins.
#[derive(Default, Clone)]
struct Sums {
    pub(super) bins: usize,
    pub(super) weight: f64,
    /// Weighted supply power as the model would carry it, and its match with the circuit.
    pub(super) carried: f64,
    pub(super) matched: Complex64,
    pub(super) cross: Complex64,
    pub(super) supply: f64,
    pub(super) circuit: f64,
    pub(super) frequency: f64,
    pub(super) aligned: Complex64,
    pub(super) squares: f64,
    put: f64,
    pub(super) noise: f64,
    pub(super) folded: f64,
    /// The supply's power in bins that may hold nothing but what folds back.
    pub(super) doubtful: f64,
    /// Unexplained power of each bin and its say.
    unexplained: Vec<(f64, f64)>,
}

pub(super) fn groups(band: &Band, model: &Model, weights: &[f64], electrical_hz: Option<f64>) -> Vec<Group> {
    let index = |f: f64| match electrical_hz {
        Some(hz) => (f / hz).round() as usize,
        None => f.max(1.0).log2().floor() as usize,
    };
    let mut sums: Vec<Sums> = Vec::new();
    let (left, noise) = band.residual(model);
    for ((b, w), (l, noise)) in band.used.iter().zip(weights).zip(left.iter().zip(&noise)) {
        let n = index(b.hz);
        if sums.len() <= n {
            sums.resize(n + 1, Sums::default());
        }
        let (m, s) = (model.unit(b.hz), &mut sums[n]);
        s.bins += 1;
        s.weight += w * b.sxx;
        s.carried += w * m.norm_sqr() * b.sxx;
        s.matched += w * m.conj() * b.sxy;
        s.cross += w * b.sxy;
        s.supply += b.sxx;
        s.circuit += b.syy;
        s.frequency += b.sxx * b.hz;
        s.aligned += m.conj() * b.sxy / m.norm();
        s.squares += b.sxx * b.sxx;
        let put = (model.gain * model.gain * m.norm_sqr() * b.sxx).max(f64::MIN_POSITIVE);
        let noise = noise + model.gain * model.gain * m.norm_sqr() * b.supply_noise;
        s.put += put;
        s.noise += noise;
        s.folded += b.folded;
        s.doubtful += if b.may_be_folded { b.sxx } else { 0.0 };
        s.unexplained.push(((l - noise).max(0.0) / put, b.sxx));
    }
    let used = sums.iter().enumerate().filter(|(_, s)| s.bins > 0);
    let mut groups: Vec<Group> = used.map(|(n, s)| group(n, s, model, band.spectra.looks)).collect();
    if electrical_hz.is_some() {
        mark_skirts(&mut groups);
    }
    groups
}

/// Marks the skirts among groups by order; the strongest of them tells where orders lie.
fn mark_skirts(groups: &mut [Group]) {
    let strongest = groups.iter().max_by(|a, b| a.line.supply_v.total_cmp(&b.line.supply_v));
    let Some(hz) = strongest.map(|g| g.line.frequency_hz / f64::from(g.line.order.max(1))) else { return };
    for i in 0..groups.len() {
        let line = &groups[i].line;
        let off = line.frequency_hz / hz - f64::from(line.order);
        let neighbour = if off < 0.0 { i.checked_sub(1) } else { Some(i + 1) };
        let stronger = neighbour
            .and_then(|k| groups.get(k))
            .is_some_and(|g| g.line.order.abs_diff(line.order) == 1 && g.line.supply_v > line.supply_v);
        groups[i].skirt = stronger && off.abs() > OFF_PLACE;
    }
}

fn group(order: usize, s: &Sums, model: &Model, looks: f64) -> Group {
    let noise_std = (2.0 * looks * s.carried).sqrt().recip();
    // A line that folds back stands still beside the one it falls on: no average makes it less.
    let folded_std = model.gain.abs() * (s.folded / s.supply).sqrt();
    let std = noise_std.hypot(folded_std);
    Group {
        line: Line {
            order: order as u32,
            frequency_hz: s.frequency / s.supply,
            supply_v: (2.0 * s.supply).sqrt(),
            circuit_v: (2.0 * s.circuit).sqrt(),
            transfer: s.cross / s.weight,
            std: (looks * s.weight).sqrt().recip(),
        },
        spread: s.supply * s.supply / s.squares,
        in_step: (s.aligned.norm_sqr() / (s.supply * s.circuit).max(f64::MIN_POSITIVE)).min(1.0),
        departure: s.matched / s.carried - model.gain,
        departure_std: std,
        noise_std,
        clear: s.put / s.noise.max(f64::MIN_POSITIVE),
        unexplained: weighted_quantile(&s.unexplained, 0.5),
        gain: s.matched.re / s.carried,
        may_be_folded: s.doubtful > 0.5 * s.supply,
        skirt: false,
    }
}

#[cfg(test)]
impl Group {
    /// A group that a path of 0.8 V/V would have put there, a third of a turn off its phase.
    pub(in crate::contamination) fn example(order: u32, frequency_hz: f64, supply_v: f64) -> Self {
        let transfer = Complex64::from_polar(0.8, 2.3);
        Self {
            line: Line { order, frequency_hz, supply_v, circuit_v: 0.8 * supply_v, transfer, std: 0.01 },
            spread: 2.0,
            in_step: 0.99,
            departure: transfer - 0.8,
            departure_std: 0.01,
            noise_std: 0.01,
            clear: 100.0,
            unexplained: 3.4,
            gain: transfer.re,
            may_be_folded: false,
            skirt: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_speed_s_wander_spreads_is_one_line() {
        // An ngspice capture behind an uneven engine, 590 Hz: of order 12 parts lie at 11.4 and 12.5.
        let mut groups = [(6, 3541.0, 0.14), (11, 6741.0, 0.018), (12, 7100.0, 0.056), (13, 7392.0, 0.014)]
            .map(|(order, hz, supply_v)| Group::example(order, hz, supply_v));
        mark_skirts(&mut groups);
        assert_eq!(groups.map(|g| g.skirt), [false, true, false, true]);
        // In their places, or stronger than the neighbour, they are orders of their own.
        let mut groups = [(6, 3541.0, 0.14), (11, 6490.0, 0.018), (12, 7100.0, 0.013), (13, 7392.0, 0.014)]
            .map(|(order, hz, supply_v)| Group::example(order, hz, supply_v));
        mark_skirts(&mut groups);
        assert_eq!(groups.map(|g| g.skirt), [false; 4]);
    }
}
