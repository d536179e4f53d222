//! What a person tells of the machine against what the bundled capture says: an alternator of 6 pole pairs, turned 2.8 times
//! as fast as an engine at 1000 1/min, 280 Hz (`python/sixpulse/demo/truth.json`).

use sixpulse::examine::{ExamineOptions, examine};
use sixpulse::{Examination, Machine, Role};
use sixpulse_io::{Channel, Request, read};

fn examined(pulley_ratio: Option<f64>, electrical_hz: Option<f64>) -> Result<Examination, Box<dyn std::error::Error>> {
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../../python/sixpulse/demo/parked.csv");
    let capture = read(file, &Request::new(vec![Channel::new("post", Role::ChargingPost)]))?.with_engine_rpm(1000.0)?;
    let machine = Machine::new(Some(6), pulley_ratio, 6)?;
    Ok(examine(&capture, &ExamineOptions { machine, electrical_hz })?)
}

fn differs(e: &Examination) -> Option<&str> {
    let found = e.findings.iter().find(|f| f.code == "told_frequency_differs")?;
    found.evidence.first().map(String::as_str)
}

#[test]
fn what_fits_is_no_finding() -> Result<(), Box<dyn std::error::Error>> {
    // Within three standard uncertainties: 12 % of what is computed, 9 % of what is given. A given frequency counts alone.
    for (ratio, hz) in
        [(None, None), (Some(2.8), None), (Some(2.6), None), (None, Some(270.0)), (Some(1.4), Some(280.0))]
    {
        assert_eq!(differs(&examined(ratio, hz)?), None, "{ratio:?} {hz:?}");
    }
    Ok(())
}

#[test]
fn what_does_not_fit_is_one_and_does_not_bend_the_reading() -> Result<(), Box<dyn std::error::Error>> {
    let e = examined(Some(1.4), None)?;
    assert!(e.cycle.electrical_hz.is_some_and(|hz| (hz / 280.0 - 1.0).abs() < 2e-3), "{:?}", e.cycle.electrical_hz);
    let made = differs(&e).unwrap_or_default();
    assert!(made.starts_with("engine speed, pulley ratio and pole pairs make 140.0 Hz, read 28"), "{made}");
    let e = examined(None, Some(140.0))?;
    let given = differs(&e).unwrap_or_default();
    assert!(given.starts_with("given 140.0 Hz, read 28"), "{given}");
    Ok(())
}
