//! Whether something turns in the circuit, and how fast: its own frequency once the ripple is taken out.

use super::ContaminationVerdict;
use super::split::Split;
use super::subtract;
use super::transfer::{CrossSpectra, Fit, LINE_REACH};
use crate::tone::sine_frequency_hz;
use std::borrow::Cow;

/// Below this many periods in the record the own frequency is fitted in time.
const FEW_PERIODS: f64 = 60.0;
/// Means a period on which it is fitted: they hold 99.6 % of the fundamental.
const PER_PERIOD: f64 = 20.0;
/// Relative step at which that fit ends: noise leaves the frequency of a few periods far less certain.
const FITTED: f64 = 1e-8;
/// Part by which the fit in time may leave the line that it starts from.
const LEAVES_LINE: f64 = 0.15;
/// Multiple of the path's gain up to which a line that follows the supply's is ripple: a converter's rounding and what
/// folds back come through otherwise than the orders, by up to about as much again.
const MOST_OF_PATH: f64 = 2.0;
/// The same where no path is known, volts per volt: ripple does not grow on its way.
const MOST_UNKNOWN: f64 = 1.0;
/// Lines that may prove to be the supply's before the search for one of the circuit's own ends.
const MOST_LINES: usize = 8;

/// Frequency of a circuit's own signal, hertz, by what the fit leaves of its spectrum (`power`) and, of a few periods, in
/// time; `None` at standstill.
///
/// A line that follows a line of the supply is no sign of a wheel, unless the verdict says that nothing comes through.
pub(super) fn frequency_hz(
    spectra: &CrossSpectra,
    power: &[f64],
    verdict: ContaminationVerdict,
    carried: Option<&Fit>,
    split: &Split,
) -> Option<f64> {
    let mut removed = Cow::Borrowed(carried.map_or(&[][..], |fit| &fit.removed));
    let most = |hz: f64| match verdict {
        ContaminationVerdict::Clean => 0.0,
        _ => carried.map_or(MOST_UNKNOWN, |fit| MOST_OF_PATH * fit.model.at(hz).norm()),
    };
    for _ in 0..MOST_LINES {
        let rough = subtract::own_frequency_hz(power, &removed, spectra.bin_hz())?;
        if spectra.followed(rough).is_none_or(|gain| gain >= most(rough)) {
            return Some(refined(split, rough));
        }
        let place = (rough / spectra.bin_hz()).round() as usize;
        let removed = removed.to_mut();
        removed.resize(power.len(), 0.0);
        let line = removed.iter_mut().skip(place.saturating_sub(LINE_REACH)).take(2 * LINE_REACH + 1);
        line.for_each(|r| *r = f64::INFINITY);
    }
    None
}

/// A few periods: the window's main lobe is wide and its image at negative frequencies near.
fn refined(split: &Split, rough: f64) -> f64 {
    let few = rough * split.duration_s() < FEW_PERIODS;
    let fitted = few.then(|| fitted_hz(split, rough)).flatten();
    fitted.filter(|hz| (hz / rough - 1.0).abs() < LEAVES_LINE).unwrap_or(rough)
}

/// Frequency of the own signal by least squares, hertz, from means of so many samples as leave [`PER_PERIOD`] a period.
fn fitted_hz(split: &Split, rough_hz: f64) -> Option<f64> {
    let each = ((split.sample_rate_hz / (PER_PERIOD * rough_hz)) as usize).max(1);
    let (own, mut buffer) = (split.own.view(), Vec::new());
    let mean = |k: usize| {
        let part = own.slice(k * each..(k + 1) * each, &mut buffer);
        part.iter().map(|v| f64::from(*v)).sum::<f64>() / each as f64
    };
    let means: Vec<f64> = (0..own.len() / each).map(mean).collect();
    sine_frequency_hz(&means, split.sample_rate_hz / each as f64, rough_hz, FITTED).ok()
}
