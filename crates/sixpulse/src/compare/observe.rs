//! One stage of an intervention: the supply's ripple and each circuit's signal, at the ripple's orders and as a whole.
//!
//! Where the electrical cycle is found, amplitudes are read against its tracked angle, order by order. Where it is not
//! (the field is off), they are read from the spectrum in narrow bands about the frequencies at which the ripple stood
//! before, scaled with the engine's speed where both are known: what is left there counts, whatever its source.
//!
//! A circuit with a signal of its own (a wheel that turns) has 10 to 100 times the disturbance beside it, and some of it
//! on the ripple's orders. There the transfer of [`crate::contamination`] decides: it tells the ripple from the teeth by
//! one gain and one delay over many orders. Where the ripple is gone, the orders that it had are looked for together, at
//! one frequency for all of them: a tooth frequency may lie on one of them, not on two.

use super::batches::{Batches, Power};
use super::student_95;
use crate::angle::PhaseTrack;
use crate::contamination::{self, Contamination, ContaminationVerdict};
use crate::error::{Error, Result};
use crate::examine::COMPUTED_FREQUENCY_STD;
use crate::rectifier::Pattern;
use crate::rectifier::classify;
use crate::rectifier::signature::Reading;
use crate::spectrum::{AutoSpectrum, Welch, auto_spectrum};
use crate::trace::{Capture, Samples, Trace};

/// Longest segment of the spectrum, samples.
const SEGMENT: usize = 131_072;
/// Shortest record whose spectrum is taken, samples.
const LEAST_SAMPLES: usize = 64;
/// Half width of a band about a frequency expected, relative: an engine's idle wanders that much between captures.
const BAND: f64 = 0.03;
/// Lowest frequency of the whole signal, hertz: below it lie the level's swings.
const LOWEST_HZ: f64 = 20.0;
/// Its highest frequency against the electrical frequency: beyond order 12.
const HIGHEST: f64 = 12.5;
/// Relative uncertainty of the noise floor taken from the median of the bins.
const FLOOR_STD: f64 = 0.03;
/// Degrees of freedom of what is read from a spectrum or a transfer: many bins.
const FREEDOM: usize = 60;
/// Highest order of the pattern that is looked for.
const PATTERN_ORDERS: u32 = 24;
/// Least share of the pattern's power of an order that is looked for.
const PATTERN_SHARE: f64 = 0.003;
/// Frequencies at which the pattern is looked for, over twice [`BAND`].
const PATTERN_STEPS: usize = 121;
/// Relative half width about each order, besides the wander seen before: more than a step of the search.
const PATTERN_WIDTH: f64 = 0.003;
/// A pattern that may still be there to more than this share is read from the bands instead.
const PATTERN_GONE: f64 = 0.5;
/// The share of a pattern is found to this part of itself: window skirts, and the order that is taken of several.
const PATTERN_SHARE_STD: f64 = 0.05;

/// What a stage is read against.
pub(super) enum Cycle {
    /// The electrical cycle found in it.
    Tracked(PhaseTrack),
    /// No cycle: the electrical frequency at which the ripple would stand, hertz, and its orders (from 0).
    Expected(f64, Vec<usize>),
}

impl Cycle {
    pub(super) fn electrical_hz(&self) -> f64 {
        match self {
            Self::Tracked(track) => track.mean_hz(),
            Self::Expected(hz, _) => *hz,
        }
    }
    pub(super) fn is_tracked(&self) -> bool {
        matches!(self, Self::Tracked(_))
    }
}

/// The cycle of a later stage; `expected_hz` is where it would stand, `soft` whether that was computed from two speeds.
pub(super) fn later_cycle(
    supply: &Trace,
    pulse_number: u32,
    expected_hz: f64,
    speeds_known: bool,
    orders: &[usize],
) -> Result<Cycle> {
    let expectation = speeds_known.then_some((expected_hz, COMPUTED_FREQUENCY_STD));
    let reading = Reading::new(supply, pulse_number, expectation)?;
    let judgement = classify::judge(&reading);
    let charges = !matches!(judgement.rectifier.pattern, Pattern::NotCharging | Pattern::Undetermined);
    let chosen = judgement.chosen.filter(|_| charges).and_then(|i| reading.hypotheses.get(i));
    Ok(match chosen {
        Some(h) => Cycle::Tracked(h.track.clone()),
        None => Cycle::Expected(expected_hz, orders.to_vec()),
    })
}

/// What the transfer from the supply says of a circuit.
#[derive(Debug, Clone)]
pub(super) enum Transfer {
    /// It carries the ripple.
    Carries(Carried),
    /// It carries none that would matter.
    Clean,
    /// There is no cycle, or the capture does not tell.
    Unknown,
}

/// The ripple that a circuit carries.
#[derive(Debug, Clone)]
pub(super) struct Carried {
    /// Volts per volt, signed.
    pub(super) gain: f64,
    pub(super) gain_std: f64,
    /// Its orders and their mean squares.
    pub(super) pattern: Vec<(u32, f64)>,
    /// Half the range of the electrical frequency over the record, relative.
    pub(super) wander: f64,
}

/// A trace's signal in one stage.
#[derive(Debug, Clone)]
pub(super) struct Signal {
    /// At the ripple's orders.
    pub(super) at_ripple: Power,
    /// From 20 Hz to beyond order 12.
    pub(super) whole: Power,
    /// How it got there.
    pub(super) transfer: Transfer,
}

impl Signal {
    /// What is not at the ripple's orders.
    pub(super) fn own(&self) -> Power {
        Power {
            mean_square: self.whole.mean_square - self.at_ripple.mean_square,
            std: self.whole.std.hypot(self.at_ripple.std),
            freedom: self.whole.freedom.min(self.at_ripple.freedom),
        }
    }
}

/// The orders (from 0) at which a supply trace shows ripple; empty where its cycle cannot be read.
pub(super) fn ripple_orders(supply: &Trace, track: &PhaseTrack) -> Vec<usize> {
    Batches::read(supply, track).map(|b| b.clear_orders()).unwrap_or_default()
}

/// Reads the supply of a stage at `orders` (from 0).
///
/// # Errors
/// As [`auto_spectrum`] and [`Batches::read`].
pub(super) fn read_supply(trace: &Trace, cycle: &Cycle, orders: &[usize]) -> Result<Power> {
    at_orders(trace, &Spectrum::new(trace, averaged(trace))?, cycle, orders)
}

/// Reads a circuit of a stage at `orders` (from 0) of the supply's ripple; `before` is the circuit in the first stage.
///
/// # Errors
/// As [`auto_spectrum`] and [`Batches::read`].
pub(super) fn read_circuit(
    trace: &Trace,
    supply: &Trace,
    cycle: &Cycle,
    orders: &[usize],
    before: Option<&Signal>,
) -> Result<Signal> {
    let spectrum = Spectrum::new(trace, averaged(trace))?;
    let whole = spectrum.power(|f| (LOWEST_HZ..=HIGHEST * cycle.electrical_hz()).contains(&f));
    let found = match cycle {
        Cycle::Tracked(track) => transferred(trace, supply, track),
        Cycle::Expected(hz, _) => gone(trace, *hz, before)?,
    };
    let (transfer, at_ripple) = match found {
        Some((transfer, at_ripple)) => (transfer, at_ripple),
        None => (Transfer::Unknown, at_orders(trace, &spectrum, cycle, orders)?),
    };
    Ok(Signal { at_ripple, whole, transfer })
}

/// What stands at the orders, whatever its source.
fn at_orders(trace: &Trace, spectrum: &Spectrum, cycle: &Cycle, orders: &[usize]) -> Result<Power> {
    match cycle {
        Cycle::Tracked(track) => Ok(Batches::tapered(trace, track)?.power(orders)),
        Cycle::Expected(hz, _) => {
            let reach = 2.0 * spectrum.bin_hz;
            Ok(spectrum.power(|f| {
                orders.iter().any(|i| {
                    let centre = (i + 1) as f64 * hz;
                    (f - centre).abs() <= BAND * centre + reach
                })
            }))
        }
    }
}

/// What the transfer from the supply says; `None` where it does not tell.
fn transferred(circuit: &Trace, supply: &Trace, track: &PhaseTrack) -> Option<(Transfer, Power)> {
    contamination::check_pair(circuit, supply).ok()?;
    let found = contamination::assess(circuit, supply, track);
    match found.verdict {
        ContaminationVerdict::Contaminated => {
            let (gain, rms_v) = found.gain_v_per_v.zip(found.ripple_rms_v)?;
            // An uncertainty that could not be stated leaves all of the gain open.
            let gain_std = found.gain_v_per_v_std.unwrap_or(gain.abs());
            let mean_square = rms_v * rms_v;
            let std = 2.0 * mean_square * gain_std / gain.abs();
            let carried = Carried { gain, gain_std, pattern: pattern(&found), wander: wander(track) };
            Some((Transfer::Carries(carried), Power { mean_square, std, freedom: FREEDOM }))
        }
        ContaminationVerdict::Clean => {
            let gain = found.detectable_gain_v_per_v?.max(contamination::LEAST_GAIN_V_PER_V);
            let supply_rms_v = found.orders.iter().map(|o| 0.5 * o.supply_v.powi(2)).sum::<f64>().sqrt();
            Some((Transfer::Clean, at_most(gain * supply_rms_v)))
        }
        ContaminationVerdict::Undetermined => None,
    }
}

/// Nothing seen, and at most this r.m.s. value (95 %).
fn at_most(rms_v: f64) -> Power {
    Power { mean_square: 0.0, std: rms_v * rms_v / student_95(FREEDOM), freedom: FREEDOM }
}

/// Mean squares of the orders that show the common transfer by themselves.
fn pattern(found: &Contamination) -> Vec<(u32, f64)> {
    let own = |o: &&contamination::OrderTransfer| o.agrees && o.order <= PATTERN_ORDERS;
    found.orders.iter().filter(own).map(|o| (o.order, 0.5 * (o.gain * o.supply_v).powi(2))).collect()
}

/// Half the range of the frequency over a track, relative.
fn wander(track: &PhaseTrack) -> f64 {
    let hz = (0..=16).map(|i| track.hz_at(f64::from(i) / 16.0 * track.duration_s()));
    let (low, high) = hz.fold((f64::INFINITY, 0.0_f64), |(l, h), f| (l.min(f), h.max(f)));
    0.5 * (high - low) / track.mean_hz()
}

/// How much of the ripple that the circuit carried before may still be there; `None` where it carried none, or where
/// too much of it may.
fn gone(circuit: &Trace, expected_hz: f64, before: Option<&Signal>) -> Result<Option<(Transfer, Power)>> {
    let Some(Signal { at_ripple, transfer: Transfer::Carries(carried), .. }) = before else { return Ok(None) };
    let flat = contamination::without_edges(circuit);
    let share = Spectrum::new(&flat, SEGMENT.min(flat.len()))?.share_of(carried, expected_hz);
    Ok(share
        .filter(|s| *s < PATTERN_GONE)
        .map(|s| (Transfer::Unknown, at_most(s * (1.0 + PATTERN_SHARE_STD) * at_ripple.rms()))))
}

/// Segment of an averaged spectrum, samples.
fn averaged(trace: &Trace) -> usize {
    SEGMENT.min(1 << trace.len().max(1).ilog2())
}

/// A spectrum with its noise floor.
struct Spectrum {
    spectrum: AutoSpectrum,
    bin_hz: f64,
    highest_hz: f64,
    floor: f64,
    averages: f64,
}

impl Spectrum {
    fn new(trace: &Trace, length: usize) -> Result<Self> {
        if trace.len() < LEAST_SAMPLES {
            let (minimum, actual) = (LEAST_SAMPLES, trace.len());
            return Err(crate::Error::TooShort { parameter: "trace".into(), minimum, actual });
        }
        let welch = Welch::hann(length)?;
        let rate = trace.sample_rate_hz();
        let spectrum = auto_spectrum(trace, rate, &welch)?;
        let averages = welch.effective_averages(spectrum.segments);
        let highest_hz = 0.45 * rate;
        let in_band = |f: f64| f >= LOWEST_HZ && f <= highest_hz;
        let mut levels: Vec<f64> = pairs(&spectrum).filter(|(f, _)| in_band(*f)).map(|(_, s)| s).collect();
        let floor = median(&mut levels) / median_over_mean(averages);
        Ok(Self { spectrum, bin_hz: rate / length as f64, highest_hz, floor, averages })
    }

    /// Mean square in the bins wanted, noise floor taken off. A bin is worth `1 / 1.5` of an independent one behind the
    /// Hann window.
    fn power(&self, wanted: impl Fn(f64) -> bool) -> Power {
        let mut sum = 0.0;
        let mut squares = 0.0;
        let mut count = 0.0;
        for (_, density) in pairs(&self.spectrum).filter(|(f, _)| *f <= self.highest_hz && wanted(*f)) {
            sum += density - self.floor;
            // A line's power wavers with the noise in its bin; a bin of noise alone by its own mean.
            squares += self.floor * (2.0 * density).max(self.floor);
            count += 1.0;
        }
        let scatter = (1.5 * squares / self.averages).sqrt();
        let std = scatter.hypot(FLOOR_STD * count * self.floor) * self.bin_hz;
        Power { mean_square: sum * self.bin_hz, std, freedom: FREEDOM }
    }

    /// Largest share (of the amplitude) of a pattern of orders that may stand here at one frequency near the one
    /// expected, noise and all else that lies there counted in; `None` without a pattern.
    ///
    /// At each frequency the share is that of the order that shows second least: whatever else the circuit has may lift
    /// an order, but nothing takes a line away from two of them.
    fn share_of(&self, carried: &Carried, expected_hz: f64) -> Option<f64> {
        let least = PATTERN_SHARE * carried.pattern.iter().map(|p| p.1).sum::<f64>();
        let strong: Vec<(f64, f64)> =
            carried.pattern.iter().filter(|p| p.1 > least).map(|(n, p)| (f64::from(*n), *p)).collect();
        let mut sums = vec![0.0];
        for density in &self.spectrum.density {
            sums.push(sums.last().copied().unwrap_or(0.0) + density * self.bin_hz);
        }
        let width = carried.wander + PATTERN_WIDTH;
        let between = |low_hz: f64, high_hz: f64| {
            let low = ((low_hz / self.bin_hz).floor().max(0.0) as usize).min(sums.len() - 1);
            let high = ((high_hz / self.bin_hz).ceil().max(0.0) as usize).saturating_add(1).min(sums.len() - 1);
            sums[high] - sums[low]
        };
        let reach = 2.0 * self.bin_hz;
        let at = |step: usize| -> Option<f64> {
            let hz = expected_hz * (1.0 + BAND * (2.0 * step as f64 / (PATTERN_STEPS - 1) as f64 - 1.0));
            let share = |(n, p): &(f64, f64)| {
                let (centre, half) = (n * hz, n * hz * width + reach);
                between(centre - half, centre + half) / p
            };
            let mut shares: Vec<f64> = strong.iter().map(share).collect();
            shares.sort_unstable_by(f64::total_cmp);
            shares.get(1).or(shares.first()).copied()
        };
        (0..PATTERN_STEPS).filter_map(at).reduce(f64::max).map(|power| power.max(0.0).sqrt())
    }
}

fn pairs(spectrum: &AutoSpectrum) -> impl Iterator<Item = (f64, f64)> + '_ {
    spectrum.frequencies_hz.iter().copied().zip(spectrum.density.iter().copied())
}

fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Median over mean of an average of `n` exponentially distributed values: `ln 2` for one, else by Wilson and Hilferty.
fn median_over_mean(n: f64) -> f64 {
    if n < 1.5 { std::f64::consts::LN_2 } else { (1.0 - 1.0 / (9.0 * n)).powi(3) }
}

/// The frequency at which a later stage's cycle would stand, and whether both engine speeds are known.
///
/// # Errors
/// [`Error::OutOfRange`] for speeds whose quotient no number holds.
pub(super) fn expected_hz(before: &Capture, before_hz: f64, later: &Capture) -> Result<(f64, bool)> {
    match (before.engine_rpm().filter(|r| *r > 0.0), later.engine_rpm().filter(|r| *r > 0.0)) {
        (Some(from), Some(to)) => {
            let hz = before_hz * (to / from);
            let expected = "a speed that can be compared with the first capture's (1/min)";
            if hz.is_normal() { Ok((hz, true)) } else { Err(Error::out_of_range("engine_rpm", expected, to)) }
        }
        _ => Ok((before_hz, false)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Coupling, Role};
    use std::f64::consts::TAU;

    /// Lines of (hertz, volts peak) over 0.3 s, with 1 mV of noise (xorshift, uniform).
    fn circuit(lines: &[(f64, f64)]) -> Trace {
        let mut state = 0x2545_F491_4F6C_DD1D_u64;
        let mut noise = || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        };
        let at = |t: f64| lines.iter().map(|(hz, v)| v * (TAU * hz * t + hz).sin()).sum::<f64>();
        let volts = (0..15_000).map(|i| at(f64::from(i) / 50_000.0) + 1e-3 * noise()).collect();
        Trace::from_f64(volts, 50_000.0, Coupling::Dc, Role::SpeedSensor).unwrap()
    }

    fn share(lines: &[(f64, f64)]) -> f64 {
        let pattern = vec![(1, 0.5 * 0.1 * 0.1), (2, 0.5 * 0.04 * 0.04), (3, 0.5 * 0.02 * 0.02)];
        let carried = Carried { gain: 0.3, gain_std: 0.001, pattern, wander: 0.0 };
        let trace = circuit(lines);
        Spectrum::new(&trace, trace.len()).unwrap().share_of(&carried, 200.0).unwrap()
    }

    #[test]
    fn a_pattern_that_is_still_there_is_found_at_a_speed_near_by() {
        for speed in [1.0, 0.98, 1.02] {
            let found = share(&[(200.0 * speed, 0.1), (400.0 * speed, 0.04), (600.0 * speed, 0.02)]);
            // The window's skirts beyond two bins hold less than 1 %; noise of 0.6 mV lies 30 dB below.
            assert!((found - 1.0).abs() < 0.05, "{speed}: {found}");
            // At half the size it is found to be half.
            let half = share(&[(200.0 * speed, 0.05), (400.0 * speed, 0.02), (600.0 * speed, 0.01)]);
            assert!((half - 0.5).abs() < 0.03, "{speed}: {half}");
        }
    }

    #[test]
    fn a_wheel_on_one_order_does_not_pass_for_the_pattern() {
        assert!(share(&[]) < 0.05);
        assert!(share(&[(400.0, 2.0)]) < 0.05);
        assert!(share(&[(317.0, 2.0), (634.0, 0.3)]) < 0.05);
        // One on two orders at once hides it: nothing is claimed then.
        assert!(share(&[(200.0, 2.0), (400.0, 0.3)]) > 1.0);
    }
}
