//! Streams a file through a monitor in small chunks, as an instrument would deliver it.
//!
//! `cargo run --release -p sixpulse-io --example live_monitor -- [FILE]`; columns `post` and `speed`, the bundled capture
//! when no file is given.
use sixpulse::monitor::{Channel, Chunk, Monitor, MonitorSettings};
use sixpulse::{Role, Samples};

const CHUNK: usize = 256;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let file = std::env::args().nth(1).unwrap_or_else(|| "python/sixpulse/demo/parked.csv".into());
    let columns = [("post", Role::ChargingPost), ("speed", Role::SpeedSensor)];
    let request = sixpulse_io::Request::new(columns.map(|(n, r)| sixpulse_io::Channel::new(n, r)).to_vec());
    let capture = sixpulse_io::read(file, &request)?;

    let channels = capture.traces().iter().map(|(n, t)| Channel::new(n, t.role(), t.coupling())).collect();
    let mut monitor = Monitor::new(channels, MonitorSettings::new(capture.sample_rate_hz(), 0.1))?;
    // Everything that pushing needs has been allocated by now.
    let samples: Vec<Vec<f64>> = capture.traces().iter().map(|(_, t)| t.to_f64()).collect();
    let mut chunks = vec![Chunk::F64(&[]); samples.len()];
    let length = capture.traces().first().map_or(0, |(_, t)| t.len());
    for from in (0..length).step_by(CHUNK) {
        let to = (from + CHUNK).min(length);
        for (chunk, all) in chunks.iter_mut().zip(&samples) {
            *chunk = Chunk::F64(&all[from..to]);
        }
        let pushed = monitor.push(&chunks)?;
        if let Some(why) = pushed.judgement_due {
            let pattern = monitor.judge()?.rectifier.pattern;
            println!("{:.3} s: judged ({why}): {pattern}", monitor.reading().time_s);
        } else if pushed.updates > 0 {
            show(&monitor);
        }
    }
    for event in monitor.events() {
        println!("event {} at sample {}: {}", event.sequence, event.at_sample, event.kind);
    }
    Ok(())
}

fn show(monitor: &Monitor) {
    let reading = monitor.reading();
    let ripple_v = reading.ripple.map_or(0.0, |r| r.peak_to_peak_v);
    let hz = reading.cycle.electrical_hz.map_or("-".to_owned(), |f| format!("{f:.1}"));
    println!("{:.3} s: {:.2?} V, ripple {ripple_v:.3} V, cycle {hz} Hz", reading.time_s, reading.level.mean_v);
    for (name, circuit) in &reading.contamination {
        println!("         {name}: {}, {:.3?} V/V in step", circuit.verdict, circuit.synchronous_gain_v_per_v);
    }
}
