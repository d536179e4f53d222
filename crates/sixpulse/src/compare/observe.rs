//! One stage of an intervention: the supply's ripple and each circuit's signal, at the ripple's orders and as a whole.
//!
//! Where the electrical cycle is found, amplitudes are read against its tracked angle, order by order. Where it is not
//! (the field is off), they are read from the spectrum in narrow bands about the frequencies at which the ripple stood
//! before, scaled with the engine's speed where both are known: what is left there counts, whatever its source.

use super::batches::{Batches, Power};
use crate::angle::PhaseTrack;
use crate::error::Result;
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

/// A trace's signal in one stage.
#[derive(Debug, Clone, Copy)]
pub(super) struct Signal {
    /// At the ripple's orders.
    pub(super) at_ripple: Power,
    /// From 20 Hz to beyond order 12.
    pub(super) whole: Power,
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

/// Reads a trace of a stage at `orders` (from 0).
///
/// # Errors
/// As [`auto_spectrum`] and [`Batches::read`].
pub(super) fn read(trace: &Trace, cycle: &Cycle, orders: &[usize]) -> Result<Signal> {
    let spectrum = Spectrum::new(trace)?;
    let hz = cycle.electrical_hz();
    let whole = spectrum.power(|f| (LOWEST_HZ..=HIGHEST * hz).contains(&f));
    let at_ripple = match cycle {
        Cycle::Tracked(track) => Batches::tapered(trace, track)?.power(orders),
        Cycle::Expected(hz, _) => {
            let reach = 2.0 * spectrum.bin_hz;
            spectrum.power(|f| {
                orders.iter().any(|i| {
                    let centre = (i + 1) as f64 * hz;
                    (f - centre).abs() <= BAND * centre + reach
                })
            })
        }
    };
    Ok(Signal { at_ripple, whole })
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
    fn new(trace: &Trace) -> Result<Self> {
        if trace.len() < LEAST_SAMPLES {
            let (minimum, actual) = (LEAST_SAMPLES, trace.len());
            return Err(crate::Error::TooShort { parameter: "trace".into(), minimum, actual });
        }
        let length = SEGMENT.min(1 << trace.len().ilog2());
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
        Power { mean_square: sum * self.bin_hz, std, freedom: 60 }
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
pub(super) fn expected_hz(before: &Capture, before_hz: f64, later: &Capture) -> (f64, bool) {
    match (before.engine_rpm().filter(|r| *r > 0.0), later.engine_rpm().filter(|r| *r > 0.0)) {
        (Some(from), Some(to)) => (before_hz * to / from, true),
        _ => (before_hz, false),
    }
}
