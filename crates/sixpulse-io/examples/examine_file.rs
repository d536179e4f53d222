//! Reads a capture and says what it shows.
use sixpulse::Role;
use sixpulse::examine::{ExamineOptions, examine};
use sixpulse_io::{Channel, Request, read};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let request =
        Request::new(vec![Channel::new("post", Role::ChargingPost), Channel::new("speed", Role::SpeedSensor)]);
    let capture = read("python/sixpulse/demo/parked.csv", &request)?;
    let examination = examine(&capture, &ExamineOptions::default())?;

    println!("rectifier: {}", examination.rectifier.pattern);
    for (circuit, carried) in &examination.contamination {
        println!("{circuit}: {}, counted as {:.0?} Hz", carried.verdict, carried.indicated_hz);
    }
    for finding in &examination.findings {
        println!("- {} {}", finding.statement, finding.next_test.as_deref().unwrap_or_default());
    }
    Ok(())
}
