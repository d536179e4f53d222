//! The figures of one cycle hypothesis from which the rectifier is judged.
//!
//! All are invariant to gain (but for the two ripple levels), to the start of the record and to where the cycle is
//! cut: amplitudes as shares of the ripple, and phases only in sums that cancel a shift (`phase_i + phase_j -
//! phase_(i+j)`).

use crate::angle::{OrderMeans, PhaseTrack};
use crate::cycle::{self, CycleHypothesis};
use crate::error::Result;
use crate::levelled::Levelled;
use crate::trace::{Coupling, Role, Trace};
use rustfft::num_complex::Complex64;
use std::fmt::Display;

/// A supply trace read for its rectifier: every hypothesis on the cycle, and what is known besides.
#[derive(Debug, Clone)]
pub struct Reading {
    /// The hypotheses; empty when nothing repeats.
    pub hypotheses: Vec<CycleHypothesis>,
    /// What is known besides.
    pub facts: SupplyFacts,
}

impl Reading {
    /// Reads a supply trace for a machine of `pulse_number` 6 or 12. `expected_hz` is the electrical frequency to
    /// expect with its relative standard uncertainty.
    ///
    /// # Errors
    /// [`crate::Error::AboveNyquist`] for a sample rate below twice the corner of the search.
    pub fn new(trace: &Trace, pulse_number: u32, expected_hz: Option<(f64, f64)>) -> Result<Self> {
        let view = Levelled::new(trace, cycle::SEARCH_CORNER_HZ)?;
        let skimmed = cycle::Skimmed::new(&view);
        let (ac_rms_v, noise_rms_v) = (skimmed.ac_rms_v, skimmed.noise_rms_v);
        let step_v = crate::quality::step(trace);
        let facts = SupplyFacts {
            level_v: (trace.coupling() == Coupling::Dc).then(|| trace.mean()),
            ac_rms_v,
            noise_rms_v,
            step_v,
            coupling: trace.coupling(),
            role: trace.role(),
            pulse_number,
            expected_hz,
        };
        let coarse_step_v = skimmed.coarse(step_v);
        Ok(Self { hypotheses: cycle::hypotheses_in(&view, skimmed, coarse_step_v, pulse_number), facts })
    }

    /// Adds hypotheses at the pulses' lines near the expected frequency; tells whether there were any.
    ///
    /// # Errors
    /// As [`Reading::new`].
    pub(super) fn look_at_expected(&mut self, trace: &Trace) -> Result<bool> {
        let Some(expected) = self.facts.expected_hz else { return Ok(false) };
        let view = Levelled::new(trace, cycle::SEARCH_CORNER_HZ)?;
        let coarse_step_v = cycle::coarse(self.facts.step_v, self.facts.ac_rms_v, self.facts.noise_rms_v);
        let pulses = self.facts.pulse_number;
        let more = cycle::expected_in(&view, &self.hypotheses, coarse_step_v, pulses, expected);
        let any = !more.is_empty();
        self.hypotheses.extend(more);
        Ok(any)
    }

    /// The figures of every hypothesis, in the order of the hypotheses.
    #[must_use]
    pub fn signatures(&self) -> Vec<Signature> {
        self.hypotheses.iter().map(|h| signature(h, &self.facts)).collect()
    }

    /// The figures of the record as a whole, from which "no ripple" and "not a rectifier's ripple" are judged.
    #[must_use]
    pub fn record_figures(&self) -> Signature {
        let mut values = Vec::with_capacity(16);
        put_record(&mut values, self);
        Signature { values }
    }
}

/// Names of the figures of a hypothesis, in their order.
#[must_use]
pub fn names() -> Vec<String> {
    collect_names(|names| put_all(names, None, &SupplyFacts::default()))
}

/// Names of the figures of a record, in their order.
#[must_use]
pub fn record_names() -> Vec<String> {
    collect_names(|names| put_record(names, &Reading { hypotheses: Vec::new(), facts: SupplyFacts::default() }))
}

fn collect_names(put: impl Fn(&mut Vec<String>)) -> Vec<String> {
    let mut names = Vec::with_capacity(80);
    put(&mut names);
    names
}

/// What is known of the supply trace besides its cycle.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyFacts {
    /// Mean voltage; `None` when AC coupling hides it.
    pub level_v: Option<f64>,
    /// R.m.s. of the trace after the level is taken out, volts.
    pub ac_rms_v: f64,
    /// R.m.s. of white noise that the sample-to-sample differences would need, volts.
    pub noise_rms_v: f64,
    /// Step of the converter, volts; `None` where none shows.
    pub step_v: Option<f64>,
    /// Input coupling.
    pub coupling: Coupling,
    /// Charging post or battery post.
    pub role: Role,
    /// 6 or 12.
    pub pulse_number: u32,
    /// Expected electrical frequency in hertz and its relative standard uncertainty.
    pub expected_hz: Option<(f64, f64)>,
}

impl Default for SupplyFacts {
    /// A silent DC-coupled charging post of unknown level.
    fn default() -> Self {
        Self {
            level_v: None,
            ac_rms_v: 0.0,
            noise_rms_v: 0.0,
            step_v: None,
            coupling: Coupling::Dc,
            role: Role::ChargingPost,
            pulse_number: 6,
            expected_hz: None,
        }
    }
}

/// Orders whose shares are figures by themselves.
const SHARE_ORDERS: usize = 12;
/// Share below which an amplitude says nothing.
const SHARE_FLOOR: f64 = 1e-6;
/// Triples of orders (i, j, i + j) whose phases are compared.
const TRIPLES: [(usize, usize); 12] =
    [(1, 1), (1, 2), (2, 2), (1, 3), (3, 3), (2, 4), (1, 5), (6, 6), (2, 3), (4, 4), (1, 4), (6, 12)];
/// Amplitude, against the r.m.s. of the ripple, at which a phase counts half.
const PHASE_FLOOR: f64 = 0.02;

/// The figures with their names, in a fixed order.
#[derive(Debug, Clone, PartialEq)]
pub struct Signature {
    /// Values in the order of [`names`].
    pub values: Vec<f64>,
}

/// Collects values or names in one order, so that the two cannot drift apart.
trait Sink {
    fn put(&mut self, name: impl Display, value: f64);
}
impl Sink for Vec<f64> {
    fn put(&mut self, _: impl Display, value: f64) {
        self.push(value);
    }
}
impl Sink for Vec<String> {
    fn put(&mut self, name: impl Display, _: f64) {
        self.push(name.to_string());
    }
}

/// A longer record tells no more of the pattern, and the model was fitted on none: more cycles count as this many.
const MOST_CYCLES: f64 = 1200.0;

/// Standard uncertainty of an order's mean amplitude over at most [`MOST_CYCLES`] cycles.
fn judged_std(spectra: &OrderMeans, i: usize) -> f64 {
    spectra.scatter[i] / (spectra.cycle_count as f64).min(MOST_CYCLES).sqrt()
}

/// The amplitudes of one hypothesis, noise taken off.
struct Orders {
    amplitude: Vec<f64>,
    complex: Vec<Complex64>,
    noise: f64,
    /// `sqrt(sum c_n^2)` over the share orders.
    size: f64,
}

impl Orders {
    fn new(hypothesis: Option<&CycleHypothesis>) -> Self {
        let spectra = hypothesis.map(|h| &h.spectra);
        let at = |n: usize| spectra.and_then(|s| s.mean.get(n - 1)).copied().unwrap_or(Complex64::ZERO);
        let std = |n: usize| spectra.filter(|s| n <= s.mean.len()).map_or(0.0, |s| judged_std(s, n - 1));
        let complex: Vec<Complex64> = (1..=crate::cycle::ORDERS).map(at).collect();
        let amplitude: Vec<f64> =
            (1..=crate::cycle::ORDERS).map(|n| (at(n).norm_sqr() - std(n) * std(n)).max(0.0).sqrt()).collect();
        let noise = (1..=SHARE_ORDERS).map(|n| std(n) * std(n)).sum::<f64>().sqrt();
        let size = amplitude[..SHARE_ORDERS].iter().map(|c| c * c).sum::<f64>().sqrt().max(1e-12);
        Self { amplitude, complex, noise, size }
    }
    fn c(&self, n: usize) -> f64 {
        self.amplitude[n - 1]
    }
    /// R.m.s. of all orders together.
    fn rms(&self) -> f64 {
        self.amplitude.iter().map(|c| 0.5 * c * c).sum::<f64>().sqrt()
    }
    fn share(&self, n: usize) -> f64 {
        (self.c(n) / self.size).powi(2)
    }
    fn share_of(&self, chosen: impl Fn(usize) -> bool) -> f64 {
        (1..=SHARE_ORDERS).filter(|&n| chosen(n)).map(|n| self.share(n)).sum()
    }
}

/// `sqrt(c1^2 + ... + c5^2) / c6`, both above their noise; `None` when order 6 is beyond the sample rate.
#[must_use]
pub fn sub_six_ratio(hypothesis: &CycleHypothesis) -> Option<f64> {
    below_over(hypothesis, 6)
}

/// `sqrt(c1^2 + ... + c11^2) / c12`, which tells of twelve pulses what [`sub_six_ratio`] tells of six; `None` when order 12
/// is beyond the sample rate.
#[must_use]
pub fn sub_twelve_ratio(hypothesis: &CycleHypothesis) -> Option<f64> {
    below_over(hypothesis, 12)
}

/// The orders below the pulses' together over the pulses', both above their noise.
fn below_over(hypothesis: &CycleHypothesis, pulses: usize) -> Option<f64> {
    let orders = Orders::new(Some(hypothesis));
    if hypothesis.spectra.mean.len() < pulses {
        return None;
    }
    let below = (1..pulses).map(|n| orders.c(n).powi(2)).sum::<f64>().sqrt();
    Some(below / orders.c(pulses).max(hypothesis.spectra.mean_std(pulses - 1)).max(1e-12))
}

/// Order 3 against orders 1, 2, 4 and 5 together, and against order 6, from which a cycle counts as three equal pulses.
const THREE_OVER_REST: f64 = 2.0;
/// See [`THREE_OVER_REST`].
const THREE_OVER_SIX: f64 = 0.3;
/// Orders 1, 3 and 5 together against 2 and 4, below which a cycle counts as two equal halves, and order 4 against 2 and 6
/// from which each half holds more than one pulse.
const ODD_OVER_EVEN: f64 = 0.25;
/// See [`ODD_OVER_EVEN`].
const FOUR_OVER_TWO: f64 = 0.85;
/// See [`ODD_OVER_EVEN`].
const FOUR_OVER_SIX: f64 = 0.4;
/// Standard uncertainties by which an order must stand clear of nothing before a cycle is ruled out by it.
const CLEAR: f64 = 4.0;

/// Tells whether a cycle repeats in itself as no single fault of a six-pulse bridge makes it: it is a sound bridge's, read at
/// a multiple of its frequency.
///
/// * Three equal pulses (twice the frequency): order 3 comes with orders 1 and 2 where one diode fails; alone it would need a
///   whole rail unlike the other. Over 1,279 simulated circuits of all patterns, at either post, order 3 reached 1.3 times
///   the orders beside it where it was a tenth of order 6 or more.
/// * Two equal halves of several pulses (three times the frequency): a weak or lost phase makes even orders that fall off from
///   order 2. Over the 542 of those circuits that show even orders alone, order 4 reached 0.75 of order 2 where it was 0.4 of
///   order 6 or more.
pub(super) fn repeats_in_itself(hypothesis: &CycleHypothesis) -> bool {
    if hypothesis.spectra.mean.len() < 6 {
        return false;
    }
    let orders = Orders::new(Some(hypothesis));
    let c = |n: usize| orders.c(n);
    let clear = |n: usize| c(n) > CLEAR * hypothesis.spectra.mean_std(n - 1);
    let beside_three = c(1).hypot(c(2)).hypot(c(4).hypot(c(5)));
    let thrice = c(3) > THREE_OVER_REST * beside_three && c(3) > THREE_OVER_SIX * c(6) && clear(3);
    let odd = c(1).hypot(c(3)).hypot(c(5));
    let halves = odd < ODD_OVER_EVEN * c(2).hypot(c(4));
    let twice = halves && c(4) > FOUR_OVER_TWO * c(2) && c(4) > FOUR_OVER_SIX * c(6) && clear(4);
    thrice || twice
}

/// The figures of a hypothesis.
#[must_use]
pub fn signature(hypothesis: &CycleHypothesis, facts: &SupplyFacts) -> Signature {
    let mut values = Vec::with_capacity(64);
    put_all(&mut values, Some(hypothesis), facts);
    Signature { values }
}

/// Puts the figures of a hypothesis; without one, of a cycle without any ripple (for the names).
fn put_all(out: &mut impl Sink, hypothesis: Option<&CycleHypothesis>, facts: &SupplyFacts) {
    let orders = Orders::new(hypothesis);
    put_shares(out, &orders);
    put_phases(out, &orders);
    put_shape(out, hypothesis);
    put_levels(out, hypothesis, &orders, facts);
    put_track(out, hypothesis);
}

fn put_shares(out: &mut impl Sink, orders: &Orders) {
    for n in 1..=SHARE_ORDERS {
        out.put(format_args!("order_{n}_share"), (orders.share(n) + SHARE_FLOOR).ln());
    }
    let high = orders.amplitude[SHARE_ORDERS..].iter().map(|c| (c / orders.size).powi(2)).sum::<f64>();
    out.put("orders_13_to_24_share", (high + SHARE_FLOOR).ln());
    let log_share = |chosen: fn(usize) -> bool| (orders.share_of(chosen) + SHARE_FLOOR).ln();
    out.put("orders_6_12_share", log_share(|n| n % 6 == 0));
    out.put("odd_orders_share", log_share(|n| n % 2 == 1));
    out.put("even_orders_share", log_share(|n| n % 2 == 0 && n % 6 != 0));
    out.put("orders_3_9_share", log_share(|n| n % 6 == 3));
    let sub = (1..=5).map(|n| orders.c(n).powi(2)).sum::<f64>().sqrt();
    let noise = orders.noise + 1e-12;
    out.put("sub_six_ratio", ((sub + noise) / (orders.c(6) + noise)).ln());
    out.put("order_12_to_6", ((orders.c(12) + noise) / (orders.c(6) + noise)).ln());
}

fn put_phases(out: &mut impl Sink, orders: &Orders) {
    let floor = (PHASE_FLOOR * orders.size).powi(3);
    for (i, j) in TRIPLES {
        let product = orders.complex[i - 1] * orders.complex[j - 1] * orders.complex[i + j - 1].conj();
        let relation = product / (product.norm() + floor);
        out.put(format_args!("phase_{i}_{j}_cos"), relation.re);
        out.put(format_args!("phase_{i}_{j}_sin"), relation.im);
    }
}

fn put_shape(out: &mut impl Sink, hypothesis: Option<&CycleHypothesis>) {
    let mean = hypothesis.map_or_else(|| vec![0.0; 2], |h| h.mean_points.clone());
    let n = mean.len() as f64;
    let level = mean.iter().sum::<f64>() / n;
    let moment = |p: i32| mean.iter().map(|x| (x - level).powi(p)).sum::<f64>() / n;
    let variance = moment(2).max(1e-24);
    let (low, high) = mean.iter().fold((f64::MAX, f64::MIN), |(l, h), &x| (l.min(x), h.max(x)));
    out.put("skewness", moment(3) / variance.powf(1.5));
    out.put("kurtosis", moment(4) / (variance * variance));
    out.put("crest_share", (high - level) / (high - low).max(1e-12));
}

fn put_levels(out: &mut impl Sink, hypothesis: Option<&CycleHypothesis>, orders: &Orders, facts: &SupplyFacts) {
    let rms = orders.rms().max(1e-9);
    out.put("ripple_to_level", (rms / assumed_level(facts)).ln());
    put_level(out, facts);
    out.put("signal_to_noise", ((orders.size + 1e-12) / (orders.noise + 1e-12)).ln().min(8.0));
    out.put("explained_share", (rms / facts.ac_rms_v.max(1e-9)).powi(2).min(1.5));
    out.put("steps", facts.step_v.map_or(4.0, |s| (rms / s).ln().min(4.0)));
    out.put("electrical_hz", hypothesis.map_or(0.0, |h| h.track.mean_hz().ln()));
    out.put("cycles", hypothesis.map_or(0.0, |h| (h.spectra.cycle_count as f64).min(MOST_CYCLES).ln()));
}

/// The level, or the usual one where AC coupling hides it.
fn assumed_level(facts: &SupplyFacts) -> f64 {
    facts.level_v.map_or(14.0, f64::abs).max(1.0)
}

fn flag(condition: bool) -> f64 {
    f64::from(u8::from(condition))
}

fn put_level(out: &mut impl Sink, facts: &SupplyFacts) {
    let level = assumed_level(facts);
    let system = if level > 18.0 { 28.0 } else { 14.0 };
    out.put("level_known", flag(facts.level_v.is_some()));
    out.put("level", if facts.level_v.is_some() { (level / system - 1.0).max(-1.0) } else { 0.0 });
    out.put("battery_post", flag(facts.role == Role::BatteryPost));
    out.put("ac_coupled", flag(facts.coupling == Coupling::Ac));
}

/// Puts the figures of the record as a whole.
fn put_record(out: &mut impl Sink, reading: &Reading) {
    let facts = &reading.facts;
    put_level(out, facts);
    out.put("ac_rms", (facts.ac_rms_v + 1e-5).ln());
    out.put("noise_share", ((facts.noise_rms_v + 1e-6) / (facts.ac_rms_v + 1e-6)).ln());
    out.put("record_steps", facts.step_v.map_or(4.0, |s| ((facts.ac_rms_v + 1e-6) / s).ln().min(4.0)));
    out.put("hypotheses", (1.0 + reading.hypotheses.len() as f64).ln());
    let best = |figure: fn(&Orders, &SupplyFacts) -> f64| {
        reading.hypotheses.iter().map(|h| figure(&Orders::new(Some(h)), facts)).fold(0.0, f64::max)
    };
    out.put("best_explained_share", best(|o, f| (o.rms() / f.ac_rms_v.max(1e-9)).powi(2).min(1.5)));
    out.put("best_signal_to_noise", best(|o, _| (o.size / (o.noise + 1e-12)).ln().clamp(0.0, 8.0)));
    out.put("best_ripple", (best(|o, _| o.rms()) + 1e-5).ln());
}

fn put_track(out: &mut impl Sink, hypothesis: Option<&CycleHypothesis>) {
    for m in [2, 3, 6, 12] {
        out.put(format_args!("line_is_order_{m}"), flag(hypothesis.is_some_and(|h| h.line_order == m)));
    }
    out.put("searches_before", hypothesis.map_or(0.0, |h| h.rank as f64));
    out.put("relative_power", hypothesis.map_or(0.0, |h| h.relative_power.max(1e-6).ln()));
    let (wander, ramp) = hypothesis.map_or((0.0, 0.0), |h| speed_figures(&h.track));
    out.put("speed_wander", (wander + 1e-4).ln());
    out.put("speed_ramp", ramp.abs());
}

/// Relative standard deviation of the speed about its straight trend, and the trend's change over the record.
fn speed_figures(track: &PhaseTrack) -> (f64, f64) {
    let count = (track.whole_cycles().1 * 2).clamp(8, 4096);
    let step = track.duration_s() / count as f64;
    let hz: Vec<f64> = (0..count)
        .map(|i| (track.cycles_at((i + 1) as f64 * step) - track.cycles_at(i as f64 * step)) / step)
        .collect();
    let n = count as f64;
    let mean = hz.iter().sum::<f64>() / n;
    let middle = 0.5 * (n - 1.0);
    let sxx: f64 = (0..count).map(|i| (i as f64 - middle).powi(2)).sum();
    let slope = hz.iter().enumerate().map(|(i, f)| (i as f64 - middle) * f).sum::<f64>() / sxx;
    let rest = hz.iter().enumerate().map(|(i, f)| (f - mean - slope * (i as f64 - middle)).powi(2)).sum::<f64>() / n;
    (rest.sqrt() / mean, slope * n / mean)
}

#[cfg(test)]
mod tests;
