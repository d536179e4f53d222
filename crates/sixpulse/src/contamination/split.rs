//! A circuit's record split into its own signal, the ripple it carries and the instrument's noise.
//!
//! A conditioner sees no instrument noise, but counts on a captured trace would: 25 mV of it cross zero thousands of
//! times a second. Ripple and own signal consist of lines, noise does not; so where noise could reach the conditioner's
//! threshold, a bin of the record's spectrum is kept only if it stands [`CLEAR_OF_NOISE`] times above the noise about it.

use super::transfer::{Model, floors};
use crate::trace::Trace;
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;

/// Power of a bin against the noise about it from which it is signal: noise alone reaches it with `exp(-8)`, and what
/// passes then holds 0.3 % of the noise's power.
const CLEAR_OF_NOISE: f64 = 8.0;
/// Peaks of noise that a conditioner's threshold must keep off before it is counted on as captured: noise exceeds 4.5
/// standard deviations once in 150 000 samples, and what rings as broadly as noise is not lost then.
const NOISE_PEAK: f64 = 4.5;
/// Least bins that share one noise estimate.
const BLOCK_BINS: usize = 64;

/// The parts of a circuit's record without its mean, sample by sample, volts.
#[derive(Debug, Clone)]
pub(super) struct Split {
    /// The circuit's own signal.
    pub(super) own: Vec<f64>,
    /// The ripple it carries; empty where none was found.
    pub(super) ripple: Vec<f64>,
    /// Mean of the record, volts.
    pub(super) mean_v: f64,
    pub(super) sample_rate_hz: f64,
}

/// What is known of the capture besides its samples.
#[derive(Debug, Clone, Copy)]
pub(super) struct Known {
    pub(super) electrical_hz: Option<f64>,
    /// Relative change of the gain over the record.
    pub(super) gain_drift: f64,
    /// Least threshold of the conditioner that will count, volts.
    pub(super) least_arming_v: f64,
}

impl Split {
    /// Splits the record; `model` is the transfer where the circuit carries ripple.
    pub(super) fn new(circuit: &Trace, supply: &Trace, model: Option<&Model>, known: &Known) -> Self {
        let mut y = circuit.to_f64();
        let mean_v = take_mean(&mut y);
        let n = y.len();
        let sample_rate_hz = circuit.sample_rate_hz();
        let mut planner = RealFftPlanner::<f64>::new();
        let (forward, inverse) = (planner.plan_fft_forward(n), planner.plan_fft_inverse(n));
        let ends = flatten_ends(&mut y);
        let mut spectrum = forward.make_output_vec();
        // The lengths are those the plans made, the only thing they can refuse.
        let _ = forward.process(&mut y, &mut spectrum);
        let bin_hz = sample_rate_hz / n as f64;
        let mut carried = model.map(|m| {
            let mut x = supply.to_f64();
            take_mean(&mut x);
            flatten_ends(&mut x);
            let mut carried = forward.make_output_vec();
            let _ = forward.process(&mut x, &mut carried);
            for (k, v) in carried.iter_mut().enumerate() {
                *v = if k > 0 { *v * m.at(k as f64 * bin_hz) } else { Complex64::default() };
            }
            carried
        });
        let mut left = spectrum.clone();
        if let Some(carried) = &carried {
            left.iter_mut().zip(carried).for_each(|(y, x)| *y -= x);
        }
        let floor = noise_floor(&left, bin_hz, known.electrical_hz);
        let noise_v = (2.0 * floor.iter().sum::<f64>()).sqrt() / n as f64;
        if noise_v * NOISE_PEAK > known.least_arming_v {
            let heard = |v: &Complex64, floor: f64| v.norm_sqr() > CLEAR_OF_NOISE * floor;
            for (k, floor) in floor.iter().enumerate() {
                if let Some(carried) = carried.as_mut().filter(|_| !heard(&spectrum[k], *floor)) {
                    carried[k] = Complex64::default();
                }
                if !heard(&left[k], *floor) {
                    left[k] = Complex64::default();
                }
            }
        }
        let back = |mut spectrum: Vec<Complex64>| {
            real_ends(&mut spectrum, n);
            let mut out = inverse.make_output_vec();
            let _ = inverse.process(&mut spectrum, &mut out);
            out.iter_mut().for_each(|v| *v /= n as f64);
            out
        };
        let mut own = back(left);
        ends.restore(&mut own);
        let mut ripple = carried.map(back).unwrap_or_default();
        let drift = known.gain_drift;
        if drift != 0.0 {
            for (i, (r, o)) in ripple.iter_mut().zip(&mut own).enumerate() {
                let more = *r * drift * (i as f64 / n as f64 - 0.5);
                *r += more;
                *o -= more;
            }
        }
        Self { own, ripple, mean_v, sample_rate_hz }
    }

    /// Takes the own signal from a trace that was flattened for the analysis.
    pub(super) fn take_own_from(&mut self, mut captured: Vec<f64>) {
        self.mean_v = take_mean(&mut captured);
        captured.iter_mut().zip(&self.ripple).for_each(|(y, r)| *y -= r);
        self.own = captured;
    }

    pub(super) fn duration_s(&self) -> f64 {
        self.own.len() as f64 / self.sample_rate_hz
    }
}

fn take_mean(values: &mut [f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    values.iter_mut().for_each(|v| *v -= mean);
    mean
}

/// The straight line between the record's ends, which a transform would take for a jump.
struct Ends {
    first: f64,
    slope: f64,
}

/// Takes the line between the ends off.
fn flatten_ends(values: &mut [f64]) -> Ends {
    let n = values.len();
    let (first, last) = (values.first().copied().unwrap_or(0.0), values.last().copied().unwrap_or(0.0));
    let slope = if n > 1 { (last - first) / (n - 1) as f64 } else { 0.0 };
    values.iter_mut().enumerate().for_each(|(i, v)| *v -= first + slope * i as f64);
    Ends { first, slope }
}

impl Ends {
    fn restore(&self, values: &mut [f64]) {
        values.iter_mut().enumerate().for_each(|(i, v)| *v += self.first + self.slope * i as f64);
    }
}

/// Noise about each bin of a spectrum, V^2.
fn noise_floor(spectrum: &[Complex64], bin_hz: f64, electrical_hz: Option<f64>) -> Vec<f64> {
    let power: Vec<f64> = spectrum.iter().map(Complex64::norm_sqr).collect();
    let width = (2.0 * electrical_hz.unwrap_or(100.0) / bin_hz).ceil() as usize;
    floors(&power, 0, power.len(), width.max(BLOCK_BINS))
}

/// The first bin, and the last of an even length, hold real numbers.
fn real_ends(spectrum: &mut [Complex64], n: usize) {
    if let Some(first) = spectrum.first_mut() {
        first.im = 0.0;
    }
    if n.is_multiple_of(2)
        && let Some(last) = spectrum.last_mut()
    {
        last.im = 0.0;
    }
}
