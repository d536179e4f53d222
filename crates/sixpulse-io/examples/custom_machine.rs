//! What an examination gains when the alternator is known, and what it says when the one told is not the one measured.
//!
//! `cargo run --release -p sixpulse-io --example custom_machine -- [FILE [POLE_PAIRS PULLEY_RATIO PULSES ENGINE_RPM]]`;
//! column `post`; the bundled capture, an alternator of 6 pole pairs turned 2.8 times as fast as an engine at 1000 1/min,
//! when nothing is given.
use sixpulse::examine::{COMPUTED_FREQUENCY_STD, ExamineOptions, examine};
use sixpulse::{Capture, Machine, Role};
use sixpulse_io::{Channel, Request, read};

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<(), Failure> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let file = words.first().map_or("python/sixpulse/demo/parked.csv", String::as_str);
    let (known, engine_rpm) = match &words[..] {
        [] | [_] => (Machine::new(Some(6), Some(2.8), 6)?, 1000.0),
        [_, pole_pairs, ratio, pulses, rpm] => {
            (Machine::new(Some(pole_pairs.parse()?), Some(ratio.parse()?), pulses.parse()?)?, rpm.parse()?)
        }
        _ => return Err("usage: custom_machine [FILE [POLE_PAIRS PULLEY_RATIO PULSES ENGINE_RPM]]".into()),
    };
    let capture = read(file, &Request::new(vec![Channel::new("post", Role::ChargingPost)]))?;
    let at_speed = capture.clone().with_engine_rpm(engine_rpm)?;

    show("nothing known", &capture, Machine::default())?;
    show("the alternator that was told", &at_speed, known)?;
    // As if a pulley of twice the size were on the papers: the reading is not bent to what was told.
    let ratio = known.pulley_ratio().map(|ratio| 0.5 * ratio);
    show("half its pulley ratio", &at_speed, Machine::new(known.pole_pairs(), ratio, known.pulse_number())?)
}

fn show(what: &str, capture: &Capture, machine: Machine) -> Result<(), Failure> {
    let examination = examine(capture, &ExamineOptions { machine, electrical_hz: None })?;
    let expected = capture.engine_rpm().and_then(|rpm| machine.electrical_hz(rpm));
    let hz = |value: Option<f64>| value.map_or("-".to_owned(), |v| format!("{v:.1} Hz"));
    println!("{what}");
    println!("  electrical frequency: expected {}, read {}", hz(expected), hz(examination.cycle.electrical_hz));
    if let (Some(expected), Some(read)) = (expected, examination.cycle.electrical_hz)
        && (read / expected - 1.0).abs() > 3.0 * COMPUTED_FREQUENCY_STD
    {
        println!("  what was told does not fit: pole pairs, pulley ratio or engine speed are others");
    }
    let rectifier = &examination.rectifier;
    let probability = rectifier.probabilities.iter().find(|(p, _)| *p == rectifier.pattern).map_or(0.0, |(_, p)| *p);
    println!("  rectifier: {} (probability {probability:.2})", rectifier.pattern);
    for other in &rectifier.ambiguous_with {
        println!("  the capture also allows {}: {}", other.pattern, other.next_test);
    }
    if let Some(reason) = &rectifier.reason {
        println!("  {reason}");
    }
    Ok(())
}
