//! The most memory that one examination holds besides the capture, by the capture's length.
//!
//! ```text
//! cargo run --release -p sixpulse --example memory -- 1000000 10000000
//! ```
//! The capture is that of `stages`: two channels in single precision, 8 bytes an instant. Plans and buffers that a thread
//! keeps from one examination to the next count, for each length is examined by a thread of its own.
use sixpulse::examine::{ExamineOptions, examine};
use sixpulse::{Capture, Coupling, RawSamples, Result, Role, Trace};

#[path = "../benches/synthetic/mod.rs"]
mod synthetic;
use synthetic::{RATE_HZ, synthetic};

fn capture(samples: usize) -> Result<Capture> {
    let [post, sensor] = synthetic(samples);
    let trace = |x, role| Trace::new(RawSamples::F32(x), RATE_HZ, Coupling::Dc, role);
    Capture::new(vec![
        ("post".into(), trace(post, Role::ChargingPost)?),
        ("sensor".into(), trace(sensor, Role::SpeedSensor)?),
    ])
}

/// Bytes held at most by two examinations of a capture, the one after the other.
fn most(samples: usize) -> Result<[u64; 2]> {
    let capture = capture(samples)?;
    let mut most = [0; 2];
    for most in &mut most {
        let mut examined = Ok(());
        let counted = allocation_counter::measure(|| {
            examined = examine(&capture, &ExamineOptions::default()).map(|_| ());
        });
        examined?;
        *most = counted.bytes_max;
    }
    Ok(most)
}

fn main() -> Result<()> {
    let lengths: Vec<usize> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    println!("{:>10} {:>10} {:>12} {:>12}   MB (1e6 bytes)", "samples", "capture", "first", "second");
    for samples in lengths {
        let [first, second] = match std::thread::spawn(move || most(samples)).join() {
            Ok(most) => most?,
            Err(panic) => std::panic::resume_unwind(panic),
        };
        let megabytes = |bytes: u64| bytes as f64 / 1e6;
        println!(
            "{samples:>10} {:>10.1} {:>12.1} {:>12.1}",
            megabytes(8 * samples as u64),
            megabytes(first),
            megabytes(second)
        );
    }
    Ok(())
}
