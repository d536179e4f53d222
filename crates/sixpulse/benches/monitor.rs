//! Time of a monitor for each sample of two channels, by chunk length and sample form; and of a judgement of its window.
use std::hint::black_box;
use std::time::Instant;

use sixpulse::monitor::{Channel, Chunk, Monitor, MonitorSettings, SampleFormat};
use sixpulse::{Coupling, Role};

const RATE_HZ: f64 = 50_000.0;
/// A second at 200 Hz: the stream repeats it without a jump.
const SAMPLES: usize = 50_000;
/// Rounds of the stream's second in one measurement.
const ROUNDS: usize = 20;
const REPEATS: usize = 7;

/// Ripple of an open diode at a post that feeds a battery, and a little noise.
fn ripple_v(sample: usize) -> f64 {
    let turns = 200.0 * sample as f64 / RATE_HZ;
    let orders = [(1.0, 0.486), (2.0, 0.208), (3.0, 0.087), (6.0, 0.020)];
    let noise = (sample.wrapping_mul(2_654_435_761) % 1_000_003) as f64 / 1_000_003.0 - 0.5;
    orders.iter().map(|(n, peak)| peak * (n * turns * std::f64::consts::TAU).cos()).sum::<f64>() + 0.01 * noise
}

fn monitor(format: SampleFormat) -> sixpulse::Result<Monitor> {
    let channels = vec![
        Channel::new("post", Role::ChargingPost, Coupling::Dc).with_format(format),
        Channel::new("sensor", Role::SpeedSensor, Coupling::Dc).with_format(format),
    ];
    Monitor::new(channels, MonitorSettings::new(RATE_HZ, 1.0).with_electrical_hz(200.0))
}

/// Median and least, seconds: the least is what a quiet machine would take.
fn times_s(mut run: impl FnMut() -> sixpulse::Result<()>) -> sixpulse::Result<(f64, f64)> {
    let mut times = Vec::with_capacity(REPEATS);
    for _ in 0..REPEATS {
        let begin = Instant::now();
        run()?;
        times.push(begin.elapsed().as_secs_f64());
    }
    times.sort_by(f64::total_cmp);
    Ok((times[REPEATS / 2], times[0]))
}

/// Time for each sample of both channels together.
fn pushing<'a, T>(format: SampleFormat, post: &'a [T], sensor: &'a [T], chunk: usize) -> sixpulse::Result<String>
where
    Chunk<'a>: From<&'a [T]>,
{
    let mut monitor = monitor(format)?;
    let (median, least) = times_s(|| {
        for _ in 0..ROUNDS {
            for (p, s) in post.chunks(chunk).zip(sensor.chunks(chunk)) {
                black_box(monitor.push(&[p.into(), s.into()])?);
            }
        }
        Ok(())
    })?;
    let ns = |seconds: f64| 1e9 * seconds / (ROUNDS * SAMPLES) as f64;
    Ok(format!("{:6.1} ns a sample (median of {REPEATS}; least {:.1})", ns(median), ns(least)))
}

fn main() -> sixpulse::Result<()> {
    let post: Vec<f64> = (0..SAMPLES).map(|i| 14.2 + ripple_v(i)).collect();
    let sensor: Vec<f64> = (0..SAMPLES).map(|i| 0.13 * ripple_v(i)).collect();
    for chunk in [1, 64, 4096] {
        let ns = pushing(SampleFormat::F64, &post, &sensor, chunk)?;
        println!("monitor, two channels of f64 in chunks of {chunk:>4}: {ns}");
    }
    let counts = |v: &[f64]| v.iter().map(|x| (x / 0.001).round() as i16).collect::<Vec<i16>>();
    let ns = pushing(SampleFormat::Counts { scale: 0.001, offset: 0.0 }, &counts(&post), &counts(&sensor), 4096)?;
    println!("monitor, two channels of i16 in chunks of 4096: {ns}");
    let mut monitor = monitor(SampleFormat::F64)?;
    monitor.push(&[(&post[..]).into(), (&sensor[..]).into()])?;
    println!("monitor, window and ring of a second: {} bytes of buffers", monitor.buffer_bytes());
    let (median, least) = times_s(|| monitor.judge().map(|found| drop(black_box(found))))?;
    println!(
        "monitor, judgement of a window of a second: {:6.2} ms (median of {REPEATS}; least {:.2})",
        1e3 * median,
        1e3 * least
    );
    Ok(())
}
