//! Streams a file through a monitor in small chunks, as an instrument would deliver it.
//!
//! `cargo run --release -p sixpulse-io --example live_monitor -- [FILE]`; columns `post` and `speed`, the bundled capture
//! when no file is given.
use sixpulse::monitor::{Channel, Chunk, EventKind, Monitor, MonitorEvent, MonitorReading, MonitorSettings};
use sixpulse::{Examination, Role, Samples};

/// Samples that come together: 5 ms at 50 kS/s.
const CHUNK: usize = 256;
/// A line for every so many updates; there are sixteen to a window.
const SHOWN: u64 = 4;

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
    let mut updates = 0;
    println!("   time     level    ripple     cycle  in step with the ripple");
    for from in (0..length).step_by(CHUNK) {
        let to = (from + CHUNK).min(length);
        for (chunk, all) in chunks.iter_mut().zip(&samples) {
            *chunk = Chunk::F64(&all[from..to]);
        }
        let pushed = monitor.push(&chunks)?;
        updates += pushed.updates;
        if pushed.updates > 0 && updates % SHOWN == 0 {
            println!("{}", line(monitor.reading()));
        }
        if let Some(why) = pushed.judgement_due {
            // An instrument with a deadline does this beside its acquisition; it takes the time of one examination.
            let examination = monitor.judge()?;
            println!("{:7.3} s judged ({why})", monitor.reading().time_s);
            tell(&examination);
        }
    }
    println!("what happened:");
    for event in monitor.events() {
        println!("{:7.3} s {}", event.at_sample as f64 / capture.sample_rate_hz(), happened(event));
    }
    Ok(())
}

/// A figure with its unit in a column of its own, a dash where there is none.
fn cell(value: Option<f64>, digits: usize, unit: &str) -> String {
    value.map_or_else(|| format!("{:>9}", "-"), |v| format!("{:>9}", format!("{v:.digits$} {unit}")))
}

fn line(reading: &MonitorReading) -> String {
    let mut line = format!(
        "{:7.3} s {} {} {}",
        reading.time_s,
        cell(reading.level.mean_v, 2, "V"),
        cell(reading.ripple.map(|r| r.peak_to_peak_v), 3, "V"),
        cell(reading.cycle.electrical_hz, 1, "Hz")
    );
    for (name, circuit) in &reading.contamination {
        line += &format!("  {name} {}", cell(circuit.synchronous_gain_v_per_v, 3, "V/V").trim_start());
    }
    line
}

fn tell(examination: &Examination) {
    let rectifier = &examination.rectifier;
    let probability = rectifier.probabilities.iter().find(|(p, _)| *p == rectifier.pattern).map_or(0.0, |(_, p)| *p);
    println!("          rectifier: {} (probability {probability:.2})", rectifier.pattern);
    if let Some(reason) = &rectifier.reason {
        println!("                     {reason}");
    }
    for (name, circuit) in &examination.contamination {
        let counted = circuit.indicated_hz.map_or(String::new(), |hz| format!(", a counter would show {hz:.0} Hz"));
        println!("          {name}: {}{counted}", circuit.verdict);
    }
    if let Some(test) = examination.findings.iter().find_map(|f| f.next_test.as_deref()) {
        println!("          next test: {test}");
    }
}

fn happened(event: &MonitorEvent) -> String {
    match (event.kind, event.pattern, event.frequency_hz, event.lost_samples) {
        (EventKind::PatternChanged, Some(pattern), ..) => format!("the pattern is now {pattern}"),
        (EventKind::CycleFound, _, Some(hz), _) => format!("a cycle of {hz:.1} Hz is followed"),
        (EventKind::CycleLost, ..) => "the cycle is lost".into(),
        (EventKind::Gap, .., Some(lost)) => format!("{lost} samples are missing"),
        (EventKind::RateChange, _, Some(hz), _) => format!("the sample rate is now {hz} Hz"),
        (kind, ..) => kind.to_string(),
    }
}
