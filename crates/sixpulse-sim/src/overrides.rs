//! Any parameter of a drawn scenario set by name.
//!
//! A key is a field of [`Scenario`], a path into it (`circuit.network.cable.resistance_ohm`, with `.` or `__` between
//! the parts, numbers for places in lists), or the bare name of a field that occurs in one place only (`pole_pairs`).
//! Nested objects are merged; a list, or an object of another `kind`, is replaced. Names that do not exist are errors.

use serde_json::{Map, Value};

use crate::draw::{Draw, draw};
use crate::error::{Error, Result};
use crate::scenario::{Scenario, document};

/// Names that steer the draw itself instead of being set afterwards (the fields of [`Draw`]).
pub const DRAW_NAMES: [&str; 9] = [
    "pattern",
    "electrical_hz",
    "system_v",
    "pulse_number",
    "sensor_mode",
    "sample_rate_hz",
    "cycles",
    "bits",
    "coupling",
];

/// Draws a member of a family with any parameter set by name: those of [`DRAW_NAMES`] steer the draw, the rest is set
/// on what was drawn.
///
/// ```
/// use serde_json::json;
/// use sixpulse_sim::overrides::draw_with;
/// let wishes = json!({"pattern": "open_diode", "electrical_hz": 180.0, "pole_pairs": 7, "cable": {"joint_ohm": 0.02}});
/// let scenario = draw_with(5, 0, wishes.as_object().unwrap())?;
/// assert_eq!(scenario.circuit.alternator.pole_pairs, 7);
/// assert_eq!(scenario.circuit.network.cable.joint_ohm, 0.02);
/// # Ok::<(), sixpulse_sim::Error>(())
/// ```
///
/// # Errors
/// As [`draw`] and [`set`].
pub fn draw_with(seed: u64, member: u64, wishes: &Map<String, Value>) -> Result<Scenario> {
    let (steering, rest): (Map<String, Value>, Map<String, Value>) =
        wishes.clone().into_iter().partition(|(name, _)| DRAW_NAMES.contains(&name.as_str()));
    let wanted: Draw = serde_json::from_value(Value::Object(steering)).map_err(document)?;
    let scenario = draw(seed, member, &wanted)?;
    if rest.is_empty() { Ok(scenario) } else { set(&scenario, &rest) }
}

/// The scenario with parameters set by name.
///
/// # Errors
/// `unknown_name` for a name that does not exist, [`Error::InvalidCombination`] for a bare name that occurs in several
/// places, [`Error::InvalidDocument`] for a value of the wrong type; as [`Scenario::check`].
pub fn set(scenario: &Scenario, values: &Map<String, Value>) -> Result<Scenario> {
    let mut tree = serde_json::to_value(scenario).map_err(document)?;
    for (name, value) in values {
        let path = resolve(&tree, name)?;
        let Some(place) = tree.pointer_mut(&path) else { return Err(unknown(name, "")) };
        merge(place, value, name)?;
    }
    read(tree)
}

/// A checked scenario from a tree whose every key must be known.
pub(crate) fn read(tree: Value) -> Result<Scenario> {
    let scenario: Scenario = serde_json::from_value(tree.clone()).map_err(document)?;
    refuse_unknown(&tree, &serde_json::to_value(&scenario).map_err(document)?, "scenario")?;
    scenario.check()?;
    Ok(scenario)
}

/// JSON pointer of a name.
fn resolve(tree: &Value, name: &str) -> Result<String> {
    let dotted = name.replace("__", ".");
    let direct = format!("/{}", dotted.replace('.', "/"));
    if tree.pointer(&direct).is_some() {
        return Ok(direct);
    }
    let (first, rest) = dotted.split_once('.').map_or((dotted.as_str(), None), |(a, b)| (a, Some(b)));
    let mut found = Vec::new();
    find(tree, first, "", &mut found);
    match found.as_slice() {
        [] => Err(unknown(name, &names(tree))),
        [place] => {
            let path = rest.map_or_else(|| place.clone(), |r| format!("{place}/{}", r.replace('.', "/")));
            if tree.pointer(&path).is_some() {
                Ok(path)
            } else {
                Err(unknown(name, &names(tree.pointer(place).unwrap_or(tree))))
            }
        }
        several => Err(Error::InvalidCombination {
            parameter: name.into(),
            reason: format!(
                "occurs in several places; say which: {}",
                several.join(", ").replace('/', ".").replace(", .", ", ")
            ),
        }),
    }
}

fn find(tree: &Value, name: &str, at: &str, found: &mut Vec<String>) {
    match tree {
        Value::Object(map) => {
            for (key, value) in map {
                let path = format!("{at}/{key}");
                if key == name {
                    found.push(path.clone());
                }
                find(value, name, &path, found);
            }
        }
        Value::Array(list) => list.iter().enumerate().for_each(|(i, v)| find(v, name, &format!("{at}/{i}"), found)),
        _ => {}
    }
}

fn merge(place: &mut Value, value: &Value, name: &str) -> Result<()> {
    let same_kind = match (place.get("kind"), value.get("kind")) {
        (Some(old), Some(new)) => old == new,
        _ => true,
    };
    let (Value::Object(old), Value::Object(new), true) = (&mut *place, value, same_kind) else {
        *place = value.clone();
        return Ok(());
    };
    for (key, value) in new {
        let known = old.keys().cloned().collect::<Vec<_>>().join(", ");
        let inner = format!("{name}.{key}");
        let Some(place) = old.get_mut(key) else { return Err(unknown(&inner, &known)) };
        merge(place, value, &inner)?;
    }
    Ok(())
}

fn refuse_unknown(given: &Value, known: &Value, at: &str) -> Result<()> {
    match (given, known) {
        (Value::Object(given), Value::Object(known)) => given.iter().try_for_each(|(key, value)| {
            let inner = format!("{at}.{key}");
            match known.get(key) {
                Some(other) => refuse_unknown(value, other, &inner),
                None => Err(unknown(&inner, &known.keys().cloned().collect::<Vec<_>>().join(", "))),
            }
        }),
        (Value::Array(given), Value::Array(known)) => {
            given.iter().zip(known).enumerate().try_for_each(|(i, (g, k))| refuse_unknown(g, k, &format!("{at}.{i}")))
        }
        _ => Ok(()),
    }
}

fn names(tree: &Value) -> String {
    let keys: Vec<&str> = tree.as_object().map(|m| m.keys().map(String::as_str).collect()).unwrap_or_default();
    keys.join(", ")
}

fn unknown(name: &str, known: &str) -> Error {
    sixpulse::Error::UnknownName { parameter: name.into(), expected: known.into(), actual: name.into() }.into()
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn with(wishes: &Value) -> Result<Scenario> {
        draw_with(3, 0, wishes.as_object().unwrap())
    }

    #[test]
    fn paths_bare_names_and_objects_set_parameters() {
        let s = with(&json!({
            "circuit.network.cable.resistance_ohm": 0.011,
            "circuit__alternator__temperature_c": 60.0,
            "belt_ratio": 2.5,
            "battery": {"emf_v": 13.1},
            "scope": {"bits": 16},
        }));
        // "battery" names a channel and a part of the network: said so.
        assert_eq!(s.unwrap_err().code(), "invalid_combination");
        let s = with(&json!({
            "circuit.network.cable.resistance_ohm": 0.011,
            "circuit__alternator__temperature_c": 60.0,
            "belt_ratio": 2.5,
            "network": {"battery": {"emf_v": 13.1}},
            "scope": {"bits": 16},
            "sensor": null,
            "channels.sensor": null,
        }))
        .unwrap();
        assert_eq!(s.circuit.network.cable.resistance_ohm, 0.011);
        assert_eq!(s.circuit.drive.belt_ratio, 2.5);
        assert_eq!((s.scope.bits, s.sensor), (16, None));
    }

    #[test]
    fn names_that_do_not_exist_are_refused() {
        for wishes in [json!({"colour": 1}), json!({"cable": {"ohms": 1.0}}), json!({"cable.ohms": 1.0})] {
            assert_eq!(with(&wishes).unwrap_err().code(), "unknown_name", "{wishes}");
        }
        assert_eq!(with(&json!({"scope": {"bits": "many"}})).unwrap_err().code(), "invalid_document");
        assert_eq!(with(&json!({"pattern": 3})).unwrap_err().code(), "invalid_document");
        assert_eq!(with(&json!({"bits": 99})).unwrap_err().code(), "out_of_range");
    }

    #[test]
    fn a_label_that_contradicts_the_circuit_is_refused() {
        let legs = json!({"pattern": "healthy", "legs.0.positive": {"kind": "open"}});
        assert_eq!(with(&legs).unwrap_err().parameter(), "fault");
        let custom = json!({"pattern": "healthy", "legs.0.positive": {"kind": "open"}, "fault": "custom"});
        assert_eq!(crate::kind::pattern_of(&with(&custom).unwrap().circuit).as_str(), "open_diode");
    }
}
