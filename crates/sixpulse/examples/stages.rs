//! Where the time of an examination goes: nanoseconds per sample (one instant of both channels) by stage.
//!
//! ```text
//! cargo run --release -p sixpulse --example stages -- 100000 7        # table, median of 7 runs
//! valgrind --tool=callgrind target/release/examples/stages 100000 1   # instructions, free of noise
//! ```
//! The capture is that of `tools/speed.py`: an open diode at 200 Hz whose speed wanders, 20 mV of noise on 14 V, and a
//! speed sensor at 890 Hz that carries a third of the ripple; 100 kS/s, single precision.
use std::hint::black_box;
use std::time::Instant;

use sixpulse::coupling::AcView;
use sixpulse::cycle::Cycle;
use sixpulse::examine::{ExamineOptions, RIPPLE_CORNER_HZ, examine};
use sixpulse::rectifier::{classify, signature::Reading};
use sixpulse::{Capture, Coupling, RawSamples, Result, Role, Trace, contamination, level, quality, ripple};

#[path = "../benches/synthetic/mod.rs"]
mod synthetic;
use synthetic::{RATE_HZ, synthetic};

/// Stages in the order of the job; the last is the whole job in one call.
const STAGES: [&str; 8] =
    ["validate", "quality", "level", "reading", "judgement", "ripple", "contamination", "whole examination"];

/// Seconds of each stage in one run.
fn run(post: &[f32], sensor: &[f32]) -> Result<[f64; STAGES.len()]> {
    let mut seconds = [0.0; STAGES.len()];
    let mut begin = Instant::now();
    let mut lap = |stage: usize| {
        seconds[stage] = begin.elapsed().as_secs_f64();
        begin = Instant::now();
    };
    let post = Trace::new(RawSamples::F32(post.to_vec()), RATE_HZ, Coupling::Dc, Role::ChargingPost)?;
    let sensor = Trace::new(RawSamples::F32(sensor.to_vec()), RATE_HZ, Coupling::Dc, Role::SpeedSensor)?;
    let capture = Capture::new(vec![("post".into(), post.clone()), ("sensor".into(), sensor.clone())])?;
    lap(0);
    black_box(quality::assess(&capture, None));
    lap(1);
    black_box(level::judge(&capture));
    lap(2);
    let reading = Reading::new(&post, 6, None)?;
    lap(3);
    let judgement = classify::judge(&reading);
    lap(4);
    let chosen = judgement.chosen.map(|i| &reading.hypotheses[i]);
    let cycle = chosen.map_or_else(|| Cycle::none("post", "none", Vec::new()), |h| Cycle::of("post", h, Vec::new()));
    black_box(ripple::measure("post", &post, &AcView::new(&post, RIPPLE_CORNER_HZ)?, RIPPLE_CORNER_HZ, &cycle)?);
    lap(5);
    if let Some(h) = chosen {
        black_box(contamination::assess(&sensor, &post, &h.track));
    }
    lap(6);
    black_box(examine(&capture, &ExamineOptions::default())?);
    lap(7);
    Ok(seconds)
}

fn main() -> Result<()> {
    let argument = |i: usize, default: usize| std::env::args().nth(i).and_then(|a| a.parse().ok()).unwrap_or(default);
    let (samples, repeats) = (argument(1, 100_000), argument(2, 7).max(1));
    let [post, sensor] = synthetic(samples);
    let runs = (0..repeats).map(|_| run(&post, &sensor)).collect::<Result<Vec<_>>>()?;
    println!("{samples} samples of two channels, median of {repeats}");
    println!("{:<20} {:>9} {:>10} {:>7}", "stage", "ms", "ns/sample", "share");
    let median = |stage: usize| {
        let mut times: Vec<f64> = runs.iter().map(|r| r[stage]).collect();
        times.sort_by(f64::total_cmp);
        times[times.len() / 2]
    };
    let whole = median(0) + median(STAGES.len() - 1);
    for (stage, name) in STAGES.into_iter().enumerate() {
        let s = median(stage);
        println!("{name:<20} {:>9.3} {:>10.2} {:>6.1}%", 1e3 * s, 1e9 * s / samples as f64, 100.0 * s / whole);
    }
    println!("share is of validation and the whole examination together");
    Ok(())
}
