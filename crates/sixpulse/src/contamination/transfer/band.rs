//! The bins of the spectra that take part in the fit, the noise about them, and what each counts.

use super::columns::Columns;
use super::folded::{Comb, Folded};
use super::path::{Model, Path};
use super::spectra::{Bin, CrossSpectra, NOISE_QUANTILE};
use crate::contamination::nth::nth_near;
use crate::vectors::{self, LANES, Work};
use std::f64::consts::PI;

/// Least bins of the supply's spectrum that share one estimate of its floor.
const FLOOR_BLOCK: usize = 64;
/// Fewer bins than this tell no transfer.
pub(super) const LEAST_BINS: usize = 3;
/// Most bins that take part, those that tell most; what they leave out adds little and costs time.
const MOST_BINS: usize = 768;
/// Least noise of a supply bin against the supply's whole AC power: 12 bits over the ripple leave as much.
const SKIRT: f64 = 1e-9;
/// Power of a supply bin against the supply's noise from which it takes part.
const CLEAR: f64 = 10.0;
/// Power of a supply bin against the strongest from which it takes part.
const STRONG: f64 = 1e-4;
/// Power of what no model explains (bandwidths, aliases) against the strongest bin's.
const MODEL_ERROR: f64 = 1e-6;

/// The band of a [`CrossSpectra`] in which the fit works.
pub(super) struct Band<'a> {
    pub(super) spectra: &'a CrossSpectra,
    pub(super) first: usize,
    pub(super) used: Vec<Bin>,
    /// Relative standard uncertainty of a gain from the converters' rounding.
    pub(super) quantisation: f64,
    pub(super) interval_s: f64,
    electrical_hz: Option<f64>,
    pub(super) columns: Columns,
}

/// `q`-quantile of the values as an estimate of the mean of exponentially distributed ones.
pub(in crate::contamination) fn noise_level(values: &[f64], q: f64) -> f64 {
    if values.is_empty() { 0.0 } else { quantile(values, q, None) / -(1.0 - q).ln() }
}

/// `q`-quantile of values, of which there is one at least; near a guess, where there is one, it is found sooner.
fn quantile(values: &[f64], q: f64, guess: Option<f64>) -> f64 {
    nth_near(values, ((values.len() as f64 * q) as usize).min(values.len() - 1), guess)
}

/// What bins that follow one another share as their floor, V^2.
#[derive(Debug, Clone, Copy)]
pub(in crate::contamination) struct Floor {
    pub(in crate::contamination) level: f64,
    pub(in crate::contamination) bins: usize,
}

/// Floor of a spectrum about the bins from `first` to `last`: a low quantile over blocks, which lines do not lift.
pub(in crate::contamination) fn floors(power: &[f64], first: usize, last: usize, block: usize) -> Vec<Floor> {
    // A track far above the sample rate makes blocks wider than any spectrum.
    let block = block.min(last.saturating_sub(first));
    let part = -(1.0 - NOISE_QUANTILE).ln();
    let (mut out, mut before) = (Vec::new(), None);
    let mut at = first;
    while at < last {
        // What remains after the last whole block goes with it.
        let end = if at + 2 * block > last { last } else { at + block };
        // Noise is mostly as strong as beside it.
        let low = quantile(&power[at..end], NOISE_QUANTILE, before);
        out.push(Floor { level: low / part, bins: end - at });
        (at, before) = (end, Some(low));
    }
    out
}

/// The highest of values; 0 where none is above it.
struct Strongest<'a>(&'a [f64]);

impl Work for Strongest<'_> {
    type Output = f64;
    #[inline(always)]
    fn call(self) -> f64 {
        vectors::highest(self.0).max(0.0)
    }
}

/// Sum of the floor over all bins.
pub(in crate::contamination) fn floor_sum(floors: &[Floor]) -> f64 {
    floors.iter().map(|floor| floor.level * floor.bins as f64).sum()
}

/// The bins of a block that stand clear of what lies below a limit.
struct Above<'a> {
    power: &'a [f64],
    limit: f64,
    /// Number of the first.
    first: usize,
    out: &'a mut Vec<usize>,
}

impl Work for Above<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        for (i, set) in self.power.chunks(LANES).enumerate() {
            let above = set.iter().fold(false, |any, power| any | (*power > self.limit));
            if above {
                let first = self.first + i * LANES;
                self.out.extend((first..).zip(set).filter(|(_, power)| **power > self.limit).map(|(k, _)| k));
            }
        }
    }
}

/// What the circuit's converter has to carry, r.m.s. volts.
#[derive(Clone, Copy)]
struct Carried {
    /// At the supply's lines.
    ripple_v: f64,
    /// Everything else: a wheel, mostly.
    own_v: f64,
}

impl Carried {
    /// `used` holds the bins of the supply's lines.
    fn new(spectra: &CrossSpectra, used: &[Bin]) -> Self {
        let all = spectra.circuit_rms_v().powi(2);
        let ripple = used.iter().map(|b| b.syy).sum::<f64>().min(all);
        Self { ripple_v: ripple.sqrt(), own_v: (all - ripple).sqrt() }
    }

    /// The ripple's part of the power; all of it where there is no power.
    fn part(&self) -> f64 {
        let all = self.ripple_v.powi(2) + self.own_v.powi(2);
        if all > 0.0 { self.ripple_v.powi(2) / all } else { 1.0 }
    }
}

/// What rounding to the converters' steps leaves open of a gain, relative, of both traces.
///
/// A sine of amplitude `A` steps comes out of a rounding converter with its fundamental multiplied by
/// `1 + 2 sum_m (-1)^m J1(2 pi m A) cos(2 pi m c) / (pi m A)` for a level of `c` steps (Blachman, IEEE Trans. Inf. Theory
/// 31:417, 1985, from memory): with the envelope of `J1` and a level anywhere an r.m.s. error of `0.0852 r^-1.5` for `r`
/// r.m.s. steps. Noise of `s` steps ahead of the converter reduces it by `exp(-2 pi^2 s^2)`. Another sine of amplitude `B`
/// steps on the same converter, not in step, multiplies each term of the sum by `J0(2 pi m B)` (the mean of
/// `cos(2 pi m (c + B sin))`): a small sine that rides on a large one is passed with a slope that the steps leave open.
fn quantisation_std(spectra: &CrossSpectra, setting: &Setting, supply_floor: f64, circuit: Carried) -> f64 {
    let one = |rms_v: f64, own_v: f64, lsb_v: f64, noise_power: f64| {
        if lsb_v <= 0.0 || rms_v <= 0.0 {
            return 0.0;
        }
        // A floor up to a twelfth of a squared step is the converter's own.
        let dither = (noise_power / (lsb_v * lsb_v) - 1.0 / 12.0).max(0.0);
        let alone = 0.0852 * (rms_v / lsb_v).powf(-1.5) * (-2.0 * PI * PI * dither).exp();
        // A circuit's own signal sweeps the steps from about one of them on. The envelope of `J0(x)` is `sqrt(2 / (pi x))`;
        // the slope for a sine far below a step is off by `2 cos`, `sqrt(2)` r.m.s.
        let swept = 2.0_f64.sqrt() * PI * PI * own_v / lsb_v;
        if own_v > 0.5 * lsb_v { alone.min(2.0_f64.sqrt()) / swept.sqrt() } else { alone }
    };
    let supply = one(spectra.supply_rms_v(), 0.0, setting.supply_lsb_v, supply_floor);
    supply.hypot(one(circuit.ripple_v, circuit.own_v, setting.circuit_lsb_v, 0.0))
}

impl<'a> Band<'a> {
    pub(super) fn new(spectra: &'a CrossSpectra, setting: &Setting, interval_s: f64) -> Self {
        let electrical_hz = setting.electrical_hz;
        let lowest_hz = electrical_hz.map_or(20.0, |f| 0.2 * f);
        let last = (0.9 * spectra.sxx.len() as f64) as usize;
        let first = ((lowest_hz / spectra.bin_hz).ceil() as usize).max(3).min(last);
        // A block reaches over two orders, so that a line spread by wandering speed does not pass for floor.
        let width = (2.0 * electrical_hz.unwrap_or(100.0) / spectra.bin_hz).ceil() as usize;
        // Without noise the window's skirts would count as lines; what they hold of a delay is the record's ends.
        let least = SKIRT * spectra.supply_sum();
        let supply_floor = floors(&spectra.sxx, first, last, width.max(FLOOR_BLOCK));
        let circuit_floor = floors(&spectra.syy, first, last, width.max(FLOOR_BLOCK));
        let strongest = vectors::widest(Strongest(&spectra.sxx[first..last]));
        let used = clear_bins(spectra, first, &supply_floor, least, STRONG * strongest);
        let comb = electrical_hz.map(|hz| Comb::new(spectra, hz, interval_s));
        let mut used = on_orders(used, comb.as_ref());
        let as_found = matches!(setting.doubt, Doubt::AsFound);
        let folded = Folded::new(spectra, first, last, comb);
        // A coarse converter's distortion falls on the ripple's own lines: share it among them.
        let share = |power: f64| power / used.len().max(16) as f64;
        let on_lines = |lsb_v: f64, floor: &[Floor]| share((lsb_v * lsb_v / 12.0 - floor_sum(floor)).max(0.0));
        let between = if as_found { &supply_floor[..] } else { &[] };
        let distortion = on_lines(setting.supply_lsb_v, between) + MODEL_ERROR * strongest;
        let carried = Carried::new(spectra, &used);
        // A wheel's lines take as much of the rounding as they have of the circuit's power; of all bins it is spread least.
        let evenly = setting.circuit_lsb_v.powi(2) / 12.0 / spectra.sxx.len() as f64;
        let circuit_noise = evenly.max(carried.part() * on_lines(setting.circuit_lsb_v, &circuit_floor));
        let feared = |b: &Bin| if as_found { 0.0 } else { folded.power(b) };
        let clear = |b: &Bin| b.sxx > CLEAR * (b.supply_noise + distortion) && b.sxx > feared(b);
        if folded.orders_alone(used.iter().filter(|b| clear(b))) >= 2 {
            used.retain(|b| folded.is_alone(b));
        }
        // Ripple of about one step stands out of its own distortion nowhere: then all of it takes part.
        if used.iter().filter(|b| clear(b)).count() >= LEAST_BINS {
            used.retain(clear);
        }
        used.iter_mut().for_each(|b| {
            b.folded = feared(b);
            b.may_be_folded = !as_found && folded.may_be(b);
            b.supply_noise += distortion + b.folded;
        });
        let quantisation = quantisation_std(spectra, setting, floor_sum(&supply_floor), carried);
        keep_best(&mut used, first, &circuit_floor);
        let columns = Columns::new(&used, &spectra.syy, (first, last), circuit_noise, interval_s);
        Self { spectra, first, used, quantisation, interval_s, electrical_hz, columns }
    }

    /// The order that a bin belongs to; 0 where no cycle is known.
    pub(super) fn order(&self, bin: &Bin) -> usize {
        self.electrical_hz.map_or(0, |hz| (bin.hz / hz).round() as usize)
    }

    /// Power left in each bin in use, and the noise about it.
    pub(super) fn residual(&self, model: &Model) -> (Vec<f64>, Vec<f64>) {
        self.columns.residual(model)
    }

    /// What each bin in use counts in the search.
    pub(super) fn says(&self, say: Say) -> Vec<f64> {
        match say {
            Say::Equal => self.weights(&Model::new(Path::Delay, 0.0, 0.0, 0.0, self.interval_s.recip())),
            // A line of the circuit alone would have the loudest voice without this.
            Say::ByPower => self.used.iter().map(|b| b.sxx.min(b.syy) / b.syy.max(f64::MIN_POSITIVE)).collect(),
        }
    }

    /// Inverse noise of each bin in use.
    pub(super) fn weights(&self, model: &Model) -> Vec<f64> {
        self.columns.weights(model)
    }
}

/// The bins from `first` on that stand clear of the supply's floor (`least` at least) and of what is `strong` enough.
fn clear_bins(spectra: &CrossSpectra, first: usize, floors: &[Floor], least: f64, strong: f64) -> Vec<Bin> {
    let (mut used, mut above, mut at) = (Vec::new(), Vec::new(), first);
    for floor in floors {
        let level = floor.level.max(least);
        let power = &spectra.sxx[at..at + floor.bins];
        above.clear();
        vectors::widest(Above { power, limit: (CLEAR * level).max(strong), first: at, out: &mut above });
        used.extend(above.iter().map(|&k| spectra.bin(k, level)));
        at += floor.bins;
    }
    used
}

/// The bins that lie on orders, where a cycle is known and enough of them do; else all.
fn on_orders(mut bins: Vec<Bin>, comb: Option<&Comb>) -> Vec<Bin> {
    if let Some(comb) = comb {
        let holds = |b: &Bin| comb.holds(b.hz);
        if bins.iter().filter(|b| holds(b)).count() >= LEAST_BINS {
            bins.retain(holds);
        }
    }
    bins
}

/// Keeps the [`MOST_BINS`] bins that stand highest above the circuit's floor, which begins at bin `first`, in their order.
fn keep_best(bins: &mut Vec<Bin>, first: usize, floors: &[Floor]) {
    if bins.len() <= MOST_BINS {
        return;
    }
    let (mut floors, mut end, mut level) = (floors.iter(), first, 0.0);
    let scores: Vec<f64> = bins
        .iter()
        .map(|bin| {
            while bin.k >= end {
                let Some(floor) = floors.next() else { break };
                (end, level) = (end + floor.bins, floor.level);
            }
            bin.sxx / f64::max(level, f64::MIN_POSITIVE)
        })
        .collect();
    let mut sorted = scores.clone();
    let least = *sorted.select_nth_unstable_by(MOST_BINS, |a, b| b.total_cmp(a)).1;
    let mut scores = scores.into_iter();
    bins.retain(|_| scores.next().is_some_and(|score| score > least));
}

/// What the fit is told besides the spectra.
pub(in crate::contamination) struct Setting {
    pub(in crate::contamination) electrical_hz: Option<f64>,
    /// Step of the supply's converter, volts; 0 where it cannot be told.
    pub(in crate::contamination) supply_lsb_v: f64,
    /// The same of the circuit's.
    pub(in crate::contamination) circuit_lsb_v: f64,
    pub(in crate::contamination) doubt: Doubt,
}

impl Setting {
    /// With the most doubt about the supply's lines.
    pub(in crate::contamination) fn new(electrical_hz: Option<f64>, supply_lsb_v: f64, circuit_lsb_v: f64) -> Self {
        Self { electrical_hz, supply_lsb_v, circuit_lsb_v, doubt: Doubt::AtMost }
    }
}

/// How much of the supply's lines is taken for something else than its ripple.
#[derive(Clone, Copy)]
pub(in crate::contamination) enum Doubt {
    /// The most that may be: all of its converter's rounding, and as much folded back as at the band's end.
    AtMost,
    /// Only the rounding that is not found between the lines. What folds back is part of what a path leaves, and an order that
    /// departs contradicts, though it be for what folds back upon it.
    AsFound,
}

/// What a line counts for in the search of the delay.
#[derive(Clone, Copy)]
pub(super) enum Say {
    /// Its phase alone counts: many faint lines find the delay sharply.
    Equal,
    /// Its power counts: the strong lines are not outvoted by lines that fold back or are the circuit's own.
    ByPower,
}
