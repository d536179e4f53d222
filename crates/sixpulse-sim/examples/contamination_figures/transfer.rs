//! How far the transfer found lies from the one simulated, over all orders of the supply and for every kind of path.
//!
//! The responses are written out once more here, from their definitions: a mistake in the library's cannot hide.

use rustfft::num_complex::Complex64;
use sixpulse::contamination::Contamination;
use sixpulse::contamination::transfer::Path;
use sixpulse_sim::truth::OrderTransfer;
use std::f64::consts::TAU;

/// R.m.s. of transfer found less transfer simulated over that of the latter, each order weighed by the supply's amplitude
/// `supply_v` (order 1 first); `None` where none was found or none is stated.
pub(crate) fn error(
    found: &Contamination,
    simulated: &[OrderTransfer],
    supply_v: &[f64],
    electrical_hz: f64,
    interval_s: f64,
) -> Option<f64> {
    let (mut apart, mut all) = (0.0, 0.0);
    for order in simulated {
        let hz = order.order as f64 * electrical_hz;
        let truth = Complex64::from_polar(order.gain_v_per_v, -order.lag_rad);
        let power = supply_v.get(order.order - 1)?.powi(2);
        apart += power * (response(found, hz, interval_s)? - truth).norm_sqr();
        all += power * truth.norm_sqr();
    }
    (all > 0.0).then(|| (apart / all).sqrt())
}

fn response(found: &Contamination, hz: f64, interval_s: f64) -> Option<Complex64> {
    let (gain, time_s, path) = (found.gain_v_per_v?, found.delay_s?, found.path?);
    let low = |time_s: f64| 1.0 / Complex64::new(1.0, TAU * hz * time_s);
    let turn = |time_s: f64| Complex64::cis(-TAU * hz * time_s);
    let second = low(found.second_time_constant_s.unwrap_or(0.0));
    let shape = match path {
        Path::Delay => turn(time_s),
        Path::InterpolatedDelay => {
            let whole = (time_s / interval_s).floor();
            let part = time_s / interval_s - whole;
            (1.0 - part) * turn(whole * interval_s) + part * turn((whole + 1.0) * interval_s)
        }
        Path::FirstOrderLag | Path::SecondOrderLag => low(time_s) * second,
        Path::FirstOrderHighPass => 1.0 - low(time_s),
        // Stated by its largest gain.
        Path::BandPass => {
            let second_s = found.second_time_constant_s?;
            Complex64::new(0.0, TAU * hz * (time_s + second_s)) * low(time_s) * second
        }
        _ => return None,
    };
    Some(gain * shape)
}
