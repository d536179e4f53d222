//! Documents that people write by hand, or that a programme changed: scenarios, exercises, answers.
use arbitrary::Unstructured;
use serde_json::Value;
use sixpulse_sim::exercise::{self, Author, Key, Response};
use sixpulse_sim::{Scenario, simulate};

use crate::input::{Found, any_number, survives_json};

/// Samples on the solver's grid up to which a scenario is computed here.
const MOST_SAMPLES: u64 = 3000;

/// Puts something else in one place of a document.
fn change(u: &mut Unstructured<'_>, value: &mut Value) -> Found<()> {
    match value {
        Value::Object(map) if !map.is_empty() && !u.ratio(1, 16)? => {
            let i = u.choose_index(map.len())?;
            let key = map.keys().nth(i).cloned().unwrap_or_default();
            if u.ratio(1, 24)? {
                map.remove(&key);
                return Ok(());
            }
            map.get_mut(&key).map_or(Ok(()), |inner| change(u, inner))
        }
        Value::Array(list) if !list.is_empty() && !u.ratio(1, 16)? => {
            let i = u.choose_index(list.len())?;
            change(u, &mut list[i])
        }
        _ => {
            *value = match u.int_in_range(0..=7)? {
                0 => Value::Null,
                1 => Value::Bool(u.arbitrary()?),
                2 => Value::from(u.arbitrary::<i64>()?),
                3 => Value::from(u.arbitrary::<&str>()?),
                4 => Value::from(u.int_in_range(0..=10)?),
                5 => value
                    .as_f64()
                    .map_or(Value::Null, |v| Value::from(v * 2f64.powi(u.int_in_range(-8..=8).unwrap_or(0)))),
                _ => serde_json::Number::from_f64(any_number(u)?).map_or(Value::Null, Value::Number),
            };
            Ok(())
        }
    }
}

/// The bytes as a document; else a drawn scenario of which some places are changed.
pub fn scenario(data: &[u8]) {
    if let Ok(text) = std::str::from_utf8(data) {
        let _ = Scenario::from_json(text);
    }
    let _ = changed_scenario(&mut Unstructured::new(data));
}

fn changed_scenario(u: &mut Unstructured<'_>) -> Found<()> {
    let Ok(drawn) = Scenario::draw(u.int_in_range(0..=50)?, sixpulse_sim::kind::Wanted::default()) else {
        return Ok(());
    };
    let mut document = serde_json::to_value(&drawn).expect("a scenario is JSON");
    document["scope"]["samples"] = Value::from(u.int_in_range(1..=MOST_SAMPLES)?);
    document["settle_s"] = Value::from(0.01);
    for _ in 0..u.int_in_range(1..=5)? {
        change(u, &mut document)?;
    }
    let Ok(scenario) = Scenario::from_json(&document.to_string()) else { return Ok(()) };
    survives_json(&scenario);
    // What takes long by what it asks for is no find.
    let samples = document["scope"]["samples"].as_u64().unwrap_or(0);
    if samples > MOST_SAMPLES || scenario.duration_s() + scenario.settle_s > 0.5 {
        return Ok(());
    }
    if let Ok((capture, truth)) = simulate(&scenario) {
        for (_, trace) in capture.traces() {
            crate::input::all_finite(&trace.to_f64());
        }
        survives_json(&truth);
    }
    Ok(())
}

/// An author's file, a key with answers, and quantities as people write them.
pub fn exercise(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let _ = Author::from_json(text);
    let mut parts = text.splitn(3, '\u{1}');
    let (first, second, third) = (parts.next().unwrap_or(""), parts.next().unwrap_or(""), parts.next().unwrap_or(""));
    if let (Ok(key), Ok(responses)) =
        (serde_json::from_str::<Key>(first), serde_json::from_str::<Vec<Response>>(second))
    {
        let roster: Vec<String> = third.split(',').map(str::to_owned).collect();
        survives_json(&exercise::grade(&key, &responses, &roster));
    }
    for kind in ["read_level", "read_electrical_hz", "contamination_gain", "indicated_speed", "choose_pattern"] {
        let Ok(kind) = serde_json::from_value(Value::from(kind)) else { continue };
        if let Ok(Some(quantity)) = exercise::parse_quantity(first, second, kind) {
            assert!(quantity.is_finite(), "{first:?} {second:?}");
        }
    }
    if let Ok(Some(confidence)) = exercise::parse_confidence(first) {
        assert!((0.0..=1.0).contains(&confidence), "{first:?}");
    }
}
