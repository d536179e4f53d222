//! Whether a record allows a verdict at all, by what is physically in it and not by what the method makes of it.
//!
//! A gain is known to `s = (2 sum |X_k|^2 / S_k)^-1/2` at best (Cramer-Rao bound for a path known but for its gain): `X_k`
//! the supply's ripple in a bin of the spectrum, `S_k` what stands in its way there, that is the noise of both channels
//! and the sensor's own signal. A contaminated circuit must have a gain above six of them, a clean one must have six of them
//! below the gain that a clean verdict rules out: the same six that the method asks for. Besides, both converters must
//! move: ripple that stays within a step, with noise below 0.3 of one ahead of the converter and (a wheel of the circuit's
//! own left out) nothing else that moves it, is not in the record.
//!
//! A connection is proved against a machine in step if its orders agree better than that machine's would by chance. With
//! each order's transfer known to the same bound, the chance has a least value, by the document's rule for what a machine in
//! step may do (`docs/validation-contamination.md`): above the limit of 0.1 no method that keeps to the rule can say
//! `contaminated`. A single order proves only if the speed spreads it over enough bins.

use sixpulse::contamination::transfer::DELAY_RANGE_S;
use sixpulse::spectrum::{Welch, auto_spectrum};
use sixpulse::{RawSamples, Role, Samples, Trace};
use sixpulse_sim::scenario::Scenario;
use sixpulse_sim::truth::SensorTruth;
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// Standard uncertainties of the bound.
const SIX: f64 = 6.0;
/// Noise in steps from which a converter is linear on the mean: the error left of a small signal's gain is
/// `2 exp(-2 pi^2 0.3^2)`, a third.
const DITHER: f64 = 0.3;
/// Peak-to-peak value of a sine against its r.m.s. value.
const SINE: f64 = 2.83;
/// The least that any shape has (Popoviciu's inequality on variances): a clean verdict excludes all of them.
const ANY_SHAPE: f64 = 2.0;
/// Power of a supply's bin against its noise from which it is ripple.
const CLEAR: f64 = 10.0;
/// Standard uncertainties of an order's transfer from which it can agree with others.
const TESTABLE: f64 = 3.0;
/// Probability of an agreement by chance from which it proves nothing.
const MOST_CHANCE: f64 = 0.1;
/// Bins that a single order must be spread over by the speed's wander, those of the window's own line included.
const SPREAD_BINS: usize = 9;

/// What is in a record of one circuit and its supply.
pub(crate) struct Record<'a> {
    circuit: &'a Trace,
    noise: [f64; 2],
    steps: [f64; 2],
    supply_power: Vec<f64>,
    own_power: Vec<f64>,
    bin_hz: f64,
}

impl<'a> Record<'a> {
    /// `own` is the circuit's record without any coupling.
    pub(crate) fn new(scenario: &Scenario, circuit: &'a Trace, supply: &Trace, own: &Trace) -> Self {
        let supply_power = spectrum(supply);
        // A switched circuit is read between its edges, where it has its noise alone.
        let edges = circuit.role() == Role::EdgeSensor;
        let own_power = if edges { vec![0.0; supply_power.len()] } else { spectrum(own) };
        Self {
            circuit,
            noise: [scenario.channels.post.noise_v, scenario.channels.sensor.as_ref().map_or(0.0, |c| c.noise_v)],
            steps: [step(supply), step(circuit)],
            supply_power,
            own_power,
            bin_hz: supply.sample_rate_hz() / supply.len() as f64,
        }
    }

    /// Whether a gain of `needed` shows, or its absence does.
    pub(crate) fn allows(&self, contaminated: bool, needed: f64) -> bool {
        let passed_on = if contaminated { needed } else { 0.0 };
        let information: f64 = self.ripple().map(|k| self.each(k, passed_on)).sum();
        let ripple_v = self.ripple().map(|k| self.supply_power[k] - self.floor(0)).sum::<f64>().sqrt();
        let own_v = self.own_power.iter().sum::<f64>().sqrt();
        let swept = self.circuit.role() != Role::EdgeSensor && own_v > 2.0 * self.steps[1];
        let shape = if contaminated { SINE } else { ANY_SHAPE };
        let seen = self.moves(SINE * ripple_v, 0) && (swept || self.moves(shape * needed * ripple_v, 1));
        seen && information > 0.0 && SIX / information.sqrt() < needed
    }

    /// Whether its orders can prove a connection against a machine in step. `needed` is the gain of orders for which the
    /// simulator states none.
    pub(crate) fn proves(&self, electrical_hz: f64, sensor: &SensorTruth, needed: f64) -> bool {
        let order_of = |k: usize| (k as f64 * self.bin_hz / electrical_hz).round() as u32;
        let mut orders: BTreeMap<u32, (f64, usize)> = BTreeMap::new();
        for k in self.ripple().filter(|&k| order_of(k) > 0) {
            let entry = orders.entry(order_of(k)).or_default();
            entry.0 += self.each(k, needed);
            entry.1 += 1;
        }
        let gain_of = |order: u32| {
            let stated = sensor.order_transfer.iter().find(|t| t.order as u32 == order);
            stated.map_or(needed, |t| t.gain_v_per_v)
        };
        // Relative standard uncertainty of each order's transfer, the least first.
        let mut known: Vec<(f64, u32, usize)> =
            orders.iter().map(|(n, (sum, bins))| (1.0 / (gain_of(*n) * sum.sqrt()), *n, *bins)).collect();
        known.retain(|(u, _, _)| TESTABLE * u < 1.0);
        known.sort_by(|a, b| a.0.total_cmp(&b.0));
        match known[..] {
            [] => false,
            [(_, _, bins)] => bins >= SPREAD_BINS,
            _ => chance(&known, electrical_hz) < MOST_CHANCE,
        }
    }

    fn floor(&self, i: usize) -> f64 {
        (self.noise[i].powi(2) + self.steps[i].powi(2) / 12.0) / self.supply_power.len() as f64
    }

    /// Bins that hold ripple of the supply.
    fn ripple(&self) -> impl Iterator<Item = usize> + '_ {
        let least = CLEAR * self.floor(0);
        (3..self.supply_power.len() * 9 / 10).filter(move |&k| self.supply_power[k] > least)
    }

    /// Information of a bin on the gain; a Hann window's bins hold two thirds of a look each.
    fn each(&self, k: usize, passed_on: f64) -> f64 {
        let in_the_way = self.floor(1) + passed_on * passed_on * self.floor(0);
        let own = self.own_power[k - 2..=k + 2].iter().sum::<f64>() / 5.0;
        2.0 / 1.5 * (self.supply_power[k] - self.floor(0)) / own.max(in_the_way)
    }

    fn moves(&self, peak_to_peak_v: f64, i: usize) -> bool {
        peak_to_peak_v > self.steps[i] || self.noise[i] > DITHER * self.steps[i]
    }
}

/// The least chance with which the orders of a machine in step agree as well: relative standard uncertainty and order of
/// each, the best known first.
fn chance(known: &[(f64, u32, usize)], electrical_hz: f64) -> f64 {
    let first = known[0].1;
    let mut chance = 1.0;
    let mut least: f64 = 1.0;
    for (i, (u, order, _)) in known[1..].iter().enumerate() {
        let open = if i == 0 { 2.0 * periods_open(first, *order, electrical_hz) } else { 1.0 };
        chance *= u * (open * u / PI).min(1.0) * (known.len() - 1 - i) as f64 / (i + 1) as f64;
        least = least.min(chance);
    }
    least
}

/// Delays that one order's phase leaves open at another: as many as the first has periods in the range of delays, but no
/// more than the denominator of the two orders' ratio.
fn periods_open(first: u32, other: u32, electrical_hz: f64) -> f64 {
    let most = 1.0 + (DELAY_RANGE_S.1 - DELAY_RANGE_S.0) * f64::from(first) * electrical_hz;
    let part = (1..=first).find(|q| (q * other).is_multiple_of(first)).unwrap_or(first);
    f64::from(part).min(most)
}

/// Step of the converter; that of its numbers where the trace never moved.
fn step(trace: &Trace) -> f64 {
    let scale = if let RawSamples::I16 { scale, .. } = trace.raw() { scale.abs() } else { 0.0 };
    sixpulse::quality::step(trace).unwrap_or(scale)
}

/// Power, V^2 a bin, summing to the variance (Hann window over the whole record).
fn spectrum(trace: &Trace) -> Vec<f64> {
    let density = Welch::hann(trace.len()).and_then(|w| auto_spectrum(trace, trace.sample_rate_hz(), &w));
    let bin_hz = trace.sample_rate_hz() / trace.len() as f64;
    density.map_or_else(|_| vec![0.0; trace.len() / 2 + 1], |d| d.density.iter().map(|s| s * bin_hz).collect())
}
