//! Whether something turns in the circuit, and how fast: its own frequency once the ripple is taken out.

use super::ContaminationVerdict;
use super::split::Split;
use super::subtract;
use super::transfer::{CrossSpectra, Fit, LINE_REACH, Setting};
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
/// Bins off an order within which what a converter's rounding leaves of it lies.
const ON_ORDER: f64 = 1.0;
/// Lines that may prove to be the supply's before the search for one of the circuit's own ends.
const MOST_LINES: usize = 8;

/// Frequency of a circuit's own signal, hertz, by what the fit leaves of its spectrum (`power`) and, of a few periods, in
/// time; `None` at standstill.
///
/// A line that follows a line of the supply is no sign of a wheel, unless the verdict says that nothing comes through; nor is
/// one on an order that is no stronger than what the supply's converter rounds, as it comes through the path.
pub(super) fn frequency_hz(
    spectra: &CrossSpectra,
    setting: &Setting,
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
        let place = (rough / spectra.bin_hz()).round() as usize;
        let line = place.saturating_sub(LINE_REACH)..place + LINE_REACH + 1;
        let follows = spectra.followed(rough).is_some_and(|gain| gain < most(rough));
        let rounded = || {
            let left = line.clone().filter_map(|k| power.get(k)).sum();
            carried.is_some_and(|fit| is_rounding(left, fit.model.at(rough).norm(), setting))
                && on_an_order(rough, setting, spectra.bin_hz())
        };
        if !follows && !rounded() {
            return Some(refined(split, rough));
        }
        let removed = removed.to_mut();
        removed.resize(power.len(), 0.0);
        removed.iter_mut().skip(line.start).take(line.len()).for_each(|r| *r = f64::INFINITY);
    }
    None
}

/// Whether a line of so much power may be what the supply's converter rounds, behind a path of such a gain.
fn is_rounding(power: f64, gain: f64, setting: &Setting) -> bool {
    power < (gain * setting.supply_lsb_v).powi(2) / 12.0
}

/// Whether a frequency lies on an order of the cycle.
fn on_an_order(hz: f64, setting: &Setting, bin_hz: f64) -> bool {
    setting.electrical_hz.is_some_and(|cycle_hz| {
        let order = (hz / cycle_hz).round();
        order >= 1.0 && (hz - order * cycle_hz).abs() <= ON_ORDER * bin_hz
    })
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_converter_rounds_on_an_order_is_no_wheel() {
        // An ngspice capture: steps of 49 mV behind 0.48 V/V, a line of 0.6 mV at order 8 of 786.19 Hz, bins of 8.6 Hz.
        let setting = Setting::new(Some(786.186), 0.048_828, 4.9e-4);
        assert!(is_rounding(0.5 * 0.6e-3f64.powi(2), 0.479, &setting) && on_an_order(6288.9, &setting, 8.59));
        // More than the rounding's whole power, beside the order, or where no cycle is known it is the circuit's own.
        assert!(!is_rounding(0.5 * 10e-3f64.powi(2), 0.479, &setting));
        assert!(!on_an_order(6270.0, &setting, 8.59) && !on_an_order(4.0, &setting, 8.59));
        assert!(!on_an_order(6288.9, &Setting::new(None, 0.048_828, 4.9e-4), 8.59));
        assert!(!is_rounding(1e-12, 0.479, &Setting::new(Some(786.186), 0.0, 4.9e-4)));
    }
}
