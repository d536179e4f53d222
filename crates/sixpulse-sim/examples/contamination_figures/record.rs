//! Whether a record allows a verdict at all, by what is physically in it and not by what the method makes of it.
//!
//! A gain is known to `s = (2 sum |X_k|^2 / S_k)^-1/2` at best (Cramer-Rao bound for a path known but for its gain): `X_k`
//! the supply's ripple in a bin of the spectrum, `S_k` what stands in its way there, that is the noise of both channels
//! and the sensor's own signal. A contaminated circuit must have a gain above six of them, a clean one must have six of them
//! below the gain that a clean verdict rules out: the same six that the method asks for. Besides, both converters must
//! move: ripple that stays within a step, with noise below 0.3 of one ahead of the converter and (a wheel of the circuit's
//! own left out) nothing else that moves it, is not in the record.

use sixpulse::spectrum::{Welch, auto_spectrum};
use sixpulse::{RawSamples, Role, Samples, Trace};
use sixpulse_sim::scenario::Scenario;

/// Standard uncertainties of the bound.
const SIX: f64 = 6.0;
/// Noise in steps from which a converter is linear on the mean: the error left of a small signal's gain is
/// `2 exp(-2 pi^2 0.3^2)`, a third.
const DITHER: f64 = 0.3;
/// Peak-to-peak value of a sine against its r.m.s. value.
const SINE: f64 = 2.83;
/// Power of a supply's bin against its noise from which it is ripple.
const CLEAR: f64 = 10.0;

/// `own` is the circuit's record without any coupling; `needed` the gain that must show.
pub(crate) fn allows(
    scenario: &Scenario,
    circuit: &Trace,
    supply: &Trace,
    own: Option<&Trace>,
    contaminated: bool,
    needed: f64,
) -> bool {
    let Some(own) = own else { return false };
    let noise = [scenario.channels.post.noise_v, scenario.channels.sensor.as_ref().map_or(0.0, |c| c.noise_v)];
    let steps = [step(supply), step(circuit)];
    let x = spectrum(supply);
    // A switched circuit is read between its edges, where it has its noise alone.
    let z = if circuit.role() == Role::EdgeSensor { vec![0.0; x.len()] } else { spectrum(own) };
    let floor = |i: usize| (noise[i].powi(2) + steps[i].powi(2) / 12.0) / x.len() as f64;
    let in_the_way = floor(1) + if contaminated { needed * needed * floor(0) } else { 0.0 };
    let last = x.len() * 9 / 10;
    let ripple: Vec<usize> = (3..last).filter(|&k| x[k] > CLEAR * floor(0)).collect();
    // A Hann window's bins hold two thirds of a look each.
    let each = |k: usize| (x[k] - floor(0)) / (z[k - 2..=k + 2].iter().sum::<f64>() / 5.0).max(in_the_way);
    let information = 2.0 / 1.5 * ripple.iter().map(|&k| each(k)).sum::<f64>();
    let ripple_v = ripple.iter().map(|&k| x[k] - floor(0)).sum::<f64>().sqrt();
    let own_v = z.iter().sum::<f64>().sqrt();
    let moves = |rms_v: f64, i: usize| SINE * rms_v > steps[i] || noise[i] > DITHER * steps[i];
    let swept = circuit.role() != Role::EdgeSensor && own_v > 2.0 * steps[1];
    let seen = moves(ripple_v, 0) && (swept || moves(needed * ripple_v, 1));
    seen && information > 0.0 && SIX / information.sqrt() < needed
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
