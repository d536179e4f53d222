//! Writes the rectifier figures of a family of simulated captures as CSV, for the training of the model
//! (`notebooks/train_rectifier.py`).
//!
//! `cargo run --release -p sixpulse-sim --example rectifier_figures -- SEED FIRST COUNT PULSE_NUMBER [BITS COUPLING] > figures.csv`
//!
//! Lines: `names`, then for each capture one `record` line (truth and figures of the record) followed by one
//! `hypothesis` line for each hypothesis on its cycle. Every fourth capture is read at the battery post.

use sixpulse::rectifier::signature::{Reading, names, record_names};
use sixpulse::{Capture, Role, Trace};
use sixpulse_sim::draw::{Draw, SensorMode};
use sixpulse_sim::scenario::{Scenario, simulate_member};
use sixpulse_sim::truth::Truth;
use std::io::{BufWriter, Write};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [seed, first, count, pulse_number, instrument @ ..] = &arguments[..] else {
        return Err("expected SEED FIRST COUNT PULSE_NUMBER [BITS COUPLING]".into());
    };
    let (seed, first, count): (u64, u64, u64) = (seed.parse()?, first.parse()?, count.parse()?);
    let wanted = Draw {
        pulse_number: Some(pulse_number.parse()?),
        sensor_mode: Some(SensorMode::Absent),
        bits: instrument.first().map(|b| b.parse()).transpose()?,
        coupling: instrument.get(1).map(|c| c.parse()).transpose()?,
        ..Draw::default()
    };
    let mut out = BufWriter::new(std::io::stdout().lock());
    writeln!(out, "names,{}", names().join(","))?;
    writeln!(out, "record_names,{}", record_names().join(","))?;
    for member in first..first + count {
        match simulate_member(seed, member, &wanted) {
            Ok((scenario, capture, truth)) => write_capture(&mut out, member, &scenario, &capture, &truth)?,
            Err(error) => writeln!(out, "failed,{member},{error}")?,
        }
    }
    Ok(out.flush()?)
}

fn write_capture(
    out: &mut impl Write,
    member: u64,
    scenario: &Scenario,
    capture: &Capture,
    truth: &Truth,
) -> Result<(), Box<dyn std::error::Error>> {
    let role = if member % 4 == 3 { Role::BatteryPost } else { Role::ChargingPost };
    let Some((_, trace)) = capture.by_role(role) else { return Err("the capture has no such post".into()) };
    let reading = Reading::new(trace, truth.pulse_number, None)?;
    writeln!(
        out,
        "record,{member},{},{},{},{role},{},{},{},{},{},{}",
        truth.pattern,
        truth.sub_kind,
        truth.electrical_hz,
        bits(scenario),
        trace.sample_rate_hz(),
        trace.coupling(),
        point(truth, role).rms_v / step(trace),
        sub_six_ratio(&point(truth, role).order_amplitudes_v),
        joined(&reading.record_figures().values),
    )?;
    for (hypothesis, signature) in reading.hypotheses.iter().zip(reading.signatures()) {
        writeln!(out, "hypothesis,{},{}", hypothesis.electrical_hz(), joined(&signature.values))?;
    }
    Ok(())
}

fn point(truth: &Truth, role: Role) -> &sixpulse_sim::truth::PointTruth {
    if role == Role::BatteryPost { &truth.battery } else { &truth.post }
}

/// The true sub-six sum at the post.
fn sub_six_ratio(orders: &[f64]) -> f64 {
    orders[..5].iter().map(|c| c * c).sum::<f64>().sqrt() / orders[5].max(1e-9)
}

fn step(trace: &Trace) -> f64 {
    sixpulse::quality::step(trace).unwrap_or(1e-4)
}

fn bits(scenario: &Scenario) -> u32 {
    scenario.scope.bits
}

fn joined(values: &[f64]) -> String {
    values.iter().map(|v| format!("{v:.6}")).collect::<Vec<_>>().join(",")
}
