//! Time of one examination against the record's length: two channels, one diode open, the sensor carrying the ripple.
use std::time::Instant;

use sixpulse::examine::{ExamineOptions, examine};
use sixpulse::{Capture, Coupling, Role, Trace};

const RATE_HZ: f64 = 100_000.0;
const REPEATS: usize = 5;

/// Ripple of an open diode at a post that feeds a battery: 280 Hz, orders 1, 2, 3 and 6, and a little noise.
fn ripple_v(sample: usize) -> f64 {
    let turns = 280.0 * sample as f64 / RATE_HZ;
    let orders = [(1.0, 0.486), (2.0, 0.208), (3.0, 0.087), (6.0, 0.020)];
    let noise = (sample.wrapping_mul(2_654_435_761) % 1_000_003) as f64 / 1_000_003.0 - 0.5;
    orders.iter().map(|(n, peak)| peak * (n * turns * std::f64::consts::TAU).cos()).sum::<f64>() + 0.01 * noise
}

fn capture(samples: usize) -> sixpulse::Result<Capture> {
    let post = (0..samples).map(|i| 14.2 + ripple_v(i)).collect();
    let speed = (0..samples).map(|i| 0.13 * ripple_v(i)).collect();
    Capture::new(vec![
        ("post".into(), Trace::from_f64(post, RATE_HZ, Coupling::Dc, Role::ChargingPost)?),
        ("speed".into(), Trace::from_f64(speed, RATE_HZ, Coupling::Dc, Role::SpeedSensor)?),
    ])
}

fn main() -> sixpulse::Result<()> {
    for samples in [10_000, 100_000, 1_000_000] {
        let capture = capture(samples)?;
        let mut times_ms = Vec::with_capacity(REPEATS);
        for _ in 0..REPEATS {
            let begin = Instant::now();
            std::hint::black_box(examine(&capture, &ExamineOptions::default())?);
            times_ms.push(1e3 * begin.elapsed().as_secs_f64());
        }
        times_ms.sort_by(f64::total_cmp);
        println!("examine, two traces of {samples:>9} samples: {:9.2} ms (median of {REPEATS})", times_ms[REPEATS / 2]);
    }
    Ok(())
}
