//! What every metric must satisfy, by being listed in `METRICS`: it uses the inputs that it declares and no other, refuses
//! records shorter than it declares, follows the units in its own field names, survives JSON and stays finite on records
//! that no probe should deliver.
//!
//! The scaling law of a number is read from its name: `_v` grows with the volts, `_s` with the time, `_hz` falls with it,
//! and what bears no unit does not change. A factor of two or a half is exact in binary floating point, so that the
//! tolerances below hold the order of summation alone.
#![cfg(feature = "serde")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "tests state expectations by unwrapping")]

mod common;

use common::{Post, Random};
use serde::{Serialize, de::DeserializeOwned};
use serde_json::{Value, json};
use sixpulse::angle::{self, PhaseTrack};
use sixpulse::compare::{InterventionOptions, PointsOptions, compare_interventions, compare_points};
use sixpulse::contamination::{self, speed::PulseConditioner};
use sixpulse::coupling::{AcView, CouplingMethod, ac_couple};
use sixpulse::examine::{ExamineOptions, examine};
use sixpulse::meter::{self, Meter};
use sixpulse::monitor::{Channel, Chunk, Monitor, MonitorSettings};
use sixpulse::spectrum::{self, Detrend, Welch, Window};
use sixpulse::{
    Capture, Coupling, Error, Machine, Result, Role, Trace, cycle, envelope, examine_many, level, quality, ripple, tone,
};

/// What a metric may be given; each metric takes from it what it declares.
#[derive(Clone)]
struct Task {
    post: Vec<f64>,
    battery: Vec<f64>,
    circuit: Vec<f64>,
    rate_hz: f64,
    frequency_hz: f64,
    corner_hz: f64,
    engine_rpm: f64,
    temperature_c: f64,
    pole_pairs: u32,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Input {
    Post,
    Battery,
    Circuit,
    Rate,
    Frequency,
    Corner,
    EngineRpm,
    Temperature,
    PolePairs,
}
use Input::{Battery, Circuit, Corner, EngineRpm, Frequency, PolePairs, Post as PostInput, Rate, Temperature};

const INPUTS: [Input; 9] = [PostInput, Battery, Circuit, Rate, Frequency, Corner, EngineRpm, Temperature, PolePairs];

const RATE_HZ: f64 = 50_000.0;

impl Task {
    /// One diode open at 187.3 Hz, a battery behind a cable, a circuit that carries a fifth of the ripple.
    fn usual() -> Self {
        let mut random = Random::new(11);
        let post = Post { open: true, ..Post::default() }.record(15_000, 0.3, &mut random);
        let battery = post.iter().map(|v| 13.9 + 0.6 * (v - 14.2) + 0.002 * random.normal()).collect();
        let circuit = post.iter().map(|v| 2.5 + 0.2 * (v - 14.2) + 0.002 * random.normal()).collect();
        Self {
            post,
            battery,
            circuit,
            rate_hz: RATE_HZ,
            frequency_hz: 187.3,
            corner_hz: 5.0,
            engine_rpm: 700.0,
            temperature_c: 20.0,
            pole_pairs: 6,
        }
    }

    /// The same record in every place.
    fn of(record: &[f64]) -> Self {
        Self { post: record.to_vec(), battery: record.to_vec(), circuit: record.to_vec(), ..Self::usual() }
    }

    fn cut(&self, samples: usize) -> Self {
        let cut = |v: &[f64]| v[..samples].to_vec();
        Self { post: cut(&self.post), battery: cut(&self.battery), circuit: cut(&self.circuit), ..self.clone() }
    }

    fn mapped(&self, change: impl Fn(f64) -> f64) -> Self {
        let map = |v: &[f64]| v.iter().map(|&x| change(x)).collect();
        Self { post: map(&self.post), battery: map(&self.battery), circuit: map(&self.circuit), ..self.clone() }
    }

    /// All times `factor` as long.
    fn stretched(&self, factor: f64) -> Self {
        Self {
            rate_hz: self.rate_hz / factor,
            frequency_hz: self.frequency_hz / factor,
            corner_hz: self.corner_hz / factor,
            ..self.clone()
        }
    }

    fn with_changed(&self, input: Input) -> Self {
        let mut task = self.clone();
        let bent =
            |v: &mut Vec<f64>| v.iter_mut().enumerate().for_each(|(i, x)| *x *= 1.02 + 0.01 * (i as f64 * 0.3).sin());
        match input {
            PostInput => bent(&mut task.post),
            Battery => bent(&mut task.battery),
            Circuit => bent(&mut task.circuit),
            Rate => task.rate_hz *= 1.01,
            Frequency => task.frequency_hz *= 1.01,
            Corner => task.corner_hz *= 1.5,
            EngineRpm => task.engine_rpm *= 1.1,
            Temperature => task.temperature_c += 10.0,
            PolePairs => task.pole_pairs += 1,
        }
        task
    }

    fn trace(&self, samples: &[f64], role: Role) -> Result<Trace> {
        Trace::from_f64(samples.to_vec(), self.rate_hz, Coupling::Dc, role)
    }
    fn post_trace(&self) -> Result<Trace> {
        self.trace(&self.post, Role::ChargingPost)
    }
    fn circuit_trace(&self) -> Result<Trace> {
        self.trace(&self.circuit, Role::SpeedSensor)
    }
    fn post_and_circuit(&self) -> Result<Capture> {
        Capture::new(vec![("post".into(), self.post_trace()?), ("sensor".into(), self.circuit_trace()?)])
    }
    fn post_and_battery(&self) -> Result<Capture> {
        let battery = self.trace(&self.battery, Role::BatteryPost)?;
        Capture::new(vec![("post".into(), self.post_trace()?), ("battery".into(), battery)])
    }
    fn post_alone(&self) -> Result<Capture> {
        Capture::new(vec![("post".into(), self.post_trace()?)])
    }
    fn track(&self) -> Result<PhaseTrack> {
        PhaseTrack::constant(self.frequency_hz, self.post.len() as f64 / self.rate_hz)
    }
}

/// A metric with what it declares of itself.
struct Metric {
    name: &'static str,
    /// The functions of the core that it stands for, as `module::function`.
    covers: &'static [&'static str],
    inputs: &'static [Input],
    /// Fewest samples that it takes.
    minimum: usize,
    /// The laws that it follows exactly.
    laws: &'static [Law],
    /// Names without a unit's suffix that bear one all the same: (name, power of volts, power of time).
    units: &'static [(&'static str, i32, i32)],
    /// Names that follow the laws to a hundredth only: uncertainties of extremes, which count the converter's step, and that
    /// is looked for among the record's own differences.
    loose: &'static [&'static str],
    evaluate: fn(&Task) -> Result<Value>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Law {
    /// Numbers in volts grow with the record.
    Volts,
    /// Numbers in seconds grow, in hertz fall as the record is stretched in time.
    Time,
    /// A level added to the record changes nothing.
    Offset,
}
use Law::{Offset, Time, Volts};

/// A result as its JSON, from which it must come back as it was: a NaN or an infinity does not.
fn outcome<T: Serialize + DeserializeOwned + PartialEq + std::fmt::Debug>(result: T) -> Result<Value> {
    let text = serde_json::to_string(&result).unwrap();
    let back: T = serde_json::from_str(&text).unwrap_or_else(|e| panic!("not read back ({e}): {text}"));
    assert!(back == result, "not the same after JSON: {text}");
    Ok(serde_json::from_str(&text).unwrap())
}

/// Plain numbers under a name that says their unit.
fn numbers(name: &str, values: impl IntoIterator<Item = f64>) -> Result<Value> {
    let values: Vec<f64> = values.into_iter().collect();
    assert!(values.iter().all(|v| v.is_finite()), "{name}: not finite");
    Ok(json!({ name: values }))
}

fn welch() -> Welch {
    Welch::new(64, 32, Window::Hann, Detrend::Constant).unwrap()
}

fn hypotheses(task: &Task) -> Result<Value> {
    let found = cycle::hypotheses(&task.post_trace()?)?;
    numbers("electrical_hz", found.iter().map(cycle::CycleHypothesis::electrical_hz))
}

fn ripple_of(task: &Task) -> Result<Value> {
    let trace = task.post_trace()?;
    let view = AcView::new(&trace, task.corner_hz)?;
    let none = cycle::Cycle::none("post", "not looked for", Vec::new());
    outcome(ripple::measure("post", &trace, &view, task.corner_hz, &none)?)
}

fn severity_of(task: &Task) -> Result<Value> {
    let mut found = examine(&task.post_alone()?, &ExamineOptions::default())?;
    outcome(found.severity.take())
}

fn monitored(task: &Task) -> Result<Value> {
    let mut settings =
        MonitorSettings::new(task.rate_hz, 0.1875 * RATE_HZ / task.rate_hz).with_electrical_hz(task.frequency_hz);
    settings = settings.with_engine_rpm(task.engine_rpm);
    let channels = vec![
        Channel::new("post", Role::ChargingPost, Coupling::Dc),
        Channel::new("sensor", Role::SpeedSensor, Coupling::Dc),
    ];
    let mut monitor = Monitor::new(channels, settings)?;
    monitor.push(&[Chunk::F64(&task.post), Chunk::F64(&task.circuit)])?;
    outcome(monitor.reading().clone())
}

fn whole(task: &Task) -> Result<Value> {
    let capture = task.post_and_circuit()?.with_engine_rpm(task.engine_rpm)?;
    let capture = capture.with_battery_temperature_c(task.temperature_c)?;
    let machine = Machine::new(Some(task.pole_pairs), Some(2.6), 6)?;
    // `examine` by way of `examine_many`, which calls it: both are held by one metric.
    let options = ExamineOptions { machine, electrical_hz: None };
    outcome(examine_many(std::slice::from_ref(&capture), &options, std::num::NonZeroUsize::MIN).remove(0)?)
}

fn spectra_by_order(task: &Task) -> Result<Value> {
    let found = angle::order_spectra(task.post.as_slice(), task.rate_hz, &task.track()?, 12)?;
    numbers("amplitudes_v", found.mean.iter().map(|c| c.norm()).chain(found.scatter))
}

/// Fits take any record, not volts alone, so that their amplitudes bear no unit.
const FIT_UNITS: &[(&str, i32, i32)] =
    &[("amplitude", 1, 0), ("amplitudes", 1, 0), ("offset", 1, 0), ("residual_rms", 1, 0)];

const METRICS: &[Metric] = &[
    Metric {
        name: "level",
        covers: &["level::judge"],
        inputs: &[PostInput, Temperature],
        minimum: 1,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: |t| outcome(level::judge(&t.post_alone()?.with_battery_temperature_c(t.temperature_c)?)),
    },
    Metric {
        name: "fitness",
        covers: &["quality::assess", "quality::supply_trace", "quality::step"],
        inputs: &[PostInput, Circuit, Rate],
        minimum: 1,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: |t| outcome(quality::assess(&t.post_and_circuit()?, None)),
    },
    Metric {
        name: "ripple",
        covers: &["ripple::measure"],
        inputs: &[PostInput, Rate, Corner],
        minimum: 4,
        laws: &[Volts, Time],
        units: &[],
        loose: &["crest_factor_std", "peak_ripple_factor_std", "peak_to_peak_v_std"],
        evaluate: ripple_of,
    },
    Metric {
        name: "severity",
        covers: &["severity::judge"],
        inputs: &[PostInput, Rate],
        minimum: 4,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: severity_of,
    },
    Metric {
        name: "AC coupling, causal",
        covers: &["coupling::ac_couple"],
        inputs: &[PostInput, Rate, Corner],
        minimum: 2,
        laws: &[Volts, Time],
        units: &[],
        loose: &[],
        evaluate: |t| numbers("out_v", ac_couple(&t.post, t.rate_hz, t.corner_hz, CouplingMethod::Causal)?),
    },
    Metric {
        name: "AC coupling, zero-phase",
        covers: &["coupling::ac_couple"],
        inputs: &[PostInput, Rate, Corner],
        minimum: 2,
        laws: &[Volts, Time],
        units: &[],
        loose: &[],
        evaluate: |t| numbers("out_v", ac_couple(&t.post, t.rate_hz, t.corner_hz, CouplingMethod::ZeroPhase)?),
    },
    Metric {
        name: "power spectrum",
        covers: &["spectrum::auto_spectrum"],
        inputs: &[PostInput, Rate],
        minimum: 64,
        laws: &[Volts, Time, Offset],
        units: &[("density", 2, 1)],
        loose: &[],
        evaluate: |t| outcome(spectrum::auto_spectrum(t.post.as_slice(), t.rate_hz, &welch())?),
    },
    Metric {
        name: "cross spectrum",
        covers: &["spectrum::cross_spectrum"],
        inputs: &[PostInput, Circuit, Rate],
        minimum: 64,
        laws: &[Volts, Time, Offset],
        units: &[("density", 2, 1)],
        loose: &[],
        evaluate: |t| {
            let found = spectrum::cross_spectrum(t.post.as_slice(), t.circuit.as_slice(), t.rate_hz, &welch())?;
            let frequencies = numbers("frequencies_hz", found.frequencies_hz)?;
            let density = found.density.iter().flat_map(|c| [c.re, c.im]).chain(found.density_x).chain(found.density_y);
            Ok(json!([frequencies, numbers("density", density)?]))
        },
    },
    Metric {
        name: "coherence",
        covers: &["spectrum::coherence"],
        inputs: &[PostInput, Circuit, Rate],
        minimum: 96,
        laws: &[Volts, Time, Offset],
        units: &[],
        loose: &[],
        evaluate: |t| outcome(spectrum::coherence(t.post.as_slice(), t.circuit.as_slice(), t.rate_hz, &welch())?),
    },
    Metric {
        name: "sine fit, frequency known",
        covers: &["tone::sine_fit_known"],
        inputs: &[PostInput, Rate, Frequency],
        minimum: 4,
        laws: &[Volts, Time],
        units: FIT_UNITS,
        loose: &[],
        evaluate: |t| outcome(tone::sine_fit_known(t.post.as_slice(), t.rate_hz, t.frequency_hz)?),
    },
    Metric {
        name: "sine fit",
        covers: &["tone::sine_fit"],
        inputs: &[PostInput, Rate],
        minimum: 5,
        laws: &[Volts, Time],
        units: FIT_UNITS,
        loose: &[],
        evaluate: |t| outcome(tone::sine_fit(t.post.as_slice(), t.rate_hz, None)?),
    },
    Metric {
        name: "harmonic fit, frequency known",
        covers: &["tone::harmonic_fit_known"],
        inputs: &[PostInput, Rate, Frequency],
        minimum: 6,
        laws: &[Volts, Time],
        units: FIT_UNITS,
        loose: &[],
        evaluate: |t| outcome(tone::harmonic_fit_known(t.post.as_slice(), t.rate_hz, t.frequency_hz, &[1, 2])?),
    },
    Metric {
        name: "harmonic fit",
        covers: &["tone::harmonic_fit"],
        inputs: &[PostInput, Rate, Frequency],
        minimum: 7,
        laws: &[Volts, Time],
        units: FIT_UNITS,
        loose: &[],
        evaluate: |t| outcome(tone::harmonic_fit(t.post.as_slice(), t.rate_hz, t.frequency_hz, &[1, 2])?),
    },
    Metric {
        name: "envelope",
        covers: &["envelope::of_trace", "envelope::of_values"],
        inputs: &[PostInput],
        minimum: 1,
        laws: &[Volts, Time],
        units: &[("minimum", 1, 0), ("maximum", 1, 0)],
        loose: &[],
        evaluate: |t| {
            let of_trace = envelope::of_trace(&t.post_trace()?, 1)?;
            assert_eq!(of_trace, envelope::of_values(&t.post, 1)?);
            outcome(of_trace)
        },
    },
    Metric {
        name: "AC voltmeter",
        covers: &["meter::read"],
        inputs: &[PostInput, Rate],
        minimum: 16,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: |t| outcome(meter::read(&t.post_trace()?, &Meter::true_rms_handheld())?),
    },
    Metric {
        name: "cycle",
        covers: &["cycle::hypotheses"],
        inputs: &[PostInput, Rate],
        minimum: 2,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: hypotheses,
    },
    Metric {
        name: "cycles over angle",
        covers: &["angle::cycles"],
        inputs: &[PostInput, Rate, Frequency],
        minimum: 268,
        laws: &[Volts, Time],
        units: &[],
        loose: &[],
        evaluate: |t| numbers("cycles_v", angle::cycles(t.post.as_slice(), t.rate_hz, &t.track()?, 64)?),
    },
    Metric {
        name: "orders",
        covers: &["angle::order_spectra"],
        inputs: &[PostInput, Rate, Frequency],
        minimum: 268,
        laws: &[Volts, Time],
        units: &[],
        loose: &[],
        evaluate: spectra_by_order,
    },
    Metric {
        name: "contamination",
        covers: &["contamination::assess", "contamination::check_pair"],
        inputs: &[PostInput, Circuit, Rate, Frequency],
        minimum: 1,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: |t| outcome(contamination::assess(&t.circuit_trace()?, &t.post_trace()?, &t.track()?)),
    },
    Metric {
        name: "contamination without a cycle",
        covers: &["contamination::assess_untracked"],
        inputs: &[PostInput, Circuit, Rate],
        minimum: 1,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: |t| outcome(contamination::assess_untracked(&t.circuit_trace()?, &t.post_trace()?)),
    },
    Metric {
        name: "what is left of a circuit, and its count",
        covers: &["contamination::own_signal", "contamination::count"],
        inputs: &[PostInput, Circuit, Rate, Frequency],
        minimum: 1,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: |t| {
            let (circuit, supply) = (t.circuit_trace()?, t.post_trace()?);
            let found = contamination::assess(&circuit, &supply, &t.track()?);
            let own = contamination::own_signal(&circuit, &supply, &found)?;
            let counted = contamination::count(&circuit, &supply, &found, &PulseConditioner::fixed(0.01)?)?;
            Ok(json!([numbers("own_v", own)?, outcome(counted)?]))
        },
    },
    Metric {
        name: "points",
        covers: &["points::compare_points", "points::assess"],
        inputs: &[PostInput, Battery, Rate],
        minimum: 2,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: |t| outcome(compare_points(&t.post_and_battery()?, &PointsOptions::default())?),
    },
    Metric {
        name: "interventions",
        covers: &["intervention::compare_interventions"],
        inputs: &[PostInput, Circuit, Rate],
        minimum: 2,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: |t| {
            let quiet = Task { post: vec![12.6; t.post.len()], circuit: vec![2.5; t.post.len()], ..t.clone() };
            let (before, during) = (t.post_and_circuit()?, quiet.post_and_circuit()?);
            outcome(compare_interventions(&before, &[during], None, &InterventionOptions::default())?)
        },
    },
    Metric {
        name: "examination",
        covers: &["examine::examine", "many::examine_many"],
        inputs: &[PostInput, Circuit, Rate, EngineRpm, Temperature, PolePairs],
        minimum: 4,
        laws: &[],
        units: &[],
        loose: &[],
        evaluate: whole,
    },
    Metric {
        name: "monitor",
        covers: &[],
        inputs: &[PostInput, Circuit, Rate, Frequency],
        minimum: 0,
        laws: &[Volts],
        units: &[("mean", 1, 0), ("rms", 1, 0), ("peak_to_peak", 1, 0)],
        loose: &[],
        evaluate: monitored,
    },
];

/// Numbers of a result with the name that each bears.
fn leaves(name: &str, path: &str, value: &Value, out: &mut Vec<(String, String, f64)>) {
    match value {
        Value::Number(n) => out.push((name.into(), path.into(), n.as_f64().unwrap())),
        Value::Array(list) => list.iter().enumerate().for_each(|(i, v)| leaves(name, &format!("{path}/{i}"), v, out)),
        Value::Object(map) => map.iter().for_each(|(key, v)| leaves(key, &format!("{path}/{key}"), v, out)),
        _ => {}
    }
}

/// Powers of volts and of time in the unit that a name ends with.
fn powers(metric: &Metric, name: &str) -> (i32, i32) {
    let name = name.strip_suffix("_std").unwrap_or(name);
    if let Some(&(_, volts, time)) = metric.units.iter().find(|(known, ..)| *known == name) {
        return (volts, time);
    }
    let units: [(&str, i32, i32); 8] = [
        ("_v_per_v", 0, 0),
        ("_v2_per_hz", 2, 1),
        ("_v_per_s", 1, -1),
        ("_v2", 2, 0),
        ("_hz", 0, -1),
        ("_rad", 0, 0),
        ("_v", 1, 0),
        ("_s", 0, 1),
    ];
    units.iter().find(|(suffix, ..)| name.ends_with(suffix)).map_or((0, 0), |&(_, volts, time)| (volts, time))
}

/// Compares a result with that of a changed task, number by number.
fn follows(metric: &Metric, law: Law, task: &Task, changed: &Task, factor: impl Fn(i32, i32) -> f64) -> Vec<String> {
    let (mut was, mut is) = (Vec::new(), Vec::new());
    leaves("", "", &(metric.evaluate)(task).unwrap(), &mut was);
    leaves("", "", &(metric.evaluate)(changed).unwrap(), &mut is);
    if was.len() != is.len() {
        return vec![format!("{}: another form under {law:?}", metric.name)];
    }
    let mut failed = Vec::new();
    // Numbers of one name share a scale: a bin without power is as exact as the largest bin beside it.
    let largest = |name: &str| was.iter().filter(|(n, ..)| n == name).map(|(.., v)| v.abs()).fold(0.0, f64::max);
    for ((name, path, before), (.., after)) in was.iter().zip(&is) {
        let (volts, time) = powers(metric, name);
        let expected = before * factor(volts, time);
        // 1e-9: sums of 15000 terms of size 14 round to 1e-12, and what is squared to half the digits of that.
        let share = if metric.loose.contains(&name.as_str()) { 1e-2 } else { 1e-9 };
        let tolerance = share * largest(name) * factor(volts, time);
        if (after - expected).abs() > tolerance {
            failed.push(format!("{} {path} under {law:?}: {before} became {after}, not {expected}", metric.name));
        }
    }
    failed
}

/// Functions that take samples and are no metrics: why.
const NO_METRICS: [&str; 1] = ["trace::for_each_block"]; // hands samples out, computes nothing

/// `module::function` of every public free function whose parameters hold samples, from the sources.
fn functions_of_samples(folder: &std::path::Path, found: &mut Vec<String>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            functions_of_samples(&path, found);
            continue;
        }
        let stem = path.file_stem().unwrap().to_str().unwrap();
        let module = if stem == "mod" { folder.file_name().unwrap().to_str().unwrap() } else { stem };
        let source = std::fs::read_to_string(&path).unwrap();
        for declared in source.split("\npub fn ").skip(1) {
            let head = declared.split('{').next().unwrap_or(declared);
            let head = head.rsplit_once("->").map_or(head, |(parameters, _)| parameters);
            let holds_samples =
                ["Trace", "Capture", "Samples", "samples: &[f64]", "values: &[f64]"].iter().any(|t| head.contains(t));
            if holds_samples {
                found.push(format!("{module}::{}", head.split(['(', '<']).next().unwrap()));
            }
        }
    }
}

#[test]
fn every_function_of_samples_is_listed() {
    let mut found = Vec::new();
    functions_of_samples(&std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut found);
    assert!(found.len() > 20, "the sources were not understood: {found:?}");
    let listed: Vec<&str> = METRICS.iter().flat_map(|m| m.covers).copied().chain(NO_METRICS).collect();
    let missing: Vec<&String> = found.iter().filter(|f| !listed.contains(&f.as_str())).collect();
    assert!(missing.is_empty(), "a metric not listed in METRICS: {missing:?}");
    let gone: Vec<&&str> = listed.iter().filter(|l| !found.iter().any(|f| f == **l)).collect();
    assert!(gone.is_empty(), "listed, but not there: {gone:?}");
}

#[test]
fn declared_inputs_are_used_and_no_other() {
    let task = Task::usual();
    let mut failed = Vec::new();
    for metric in METRICS {
        let before = (metric.evaluate)(&task).unwrap();
        for input in INPUTS {
            let after = (metric.evaluate)(&task.with_changed(input)).unwrap();
            let declared = metric.inputs.contains(&input);
            if (before != after) != declared {
                failed.push(format!("{}: {input:?} declared {declared}", metric.name));
            }
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn shorter_records_than_declared_are_refused() {
    let task = Task::usual();
    let mut failed = Vec::new();
    for metric in METRICS {
        for samples in (0..metric.minimum).rev().take(3) {
            let refused = (metric.evaluate)(&task.cut(samples)).map(|_| "taken");
            if !matches!(refused, Err(Error::TooShort { .. } | Error::EmptyInput { .. })) {
                failed.push(format!("{} with {samples} samples: {refused:?}", metric.name));
            }
        }
        // A fit's unknowns may be as many as the samples and still not be told apart by them.
        if let Err(error) = (metric.evaluate)(&task.cut(metric.minimum))
            && error.code() != "undetermined_fit"
        {
            failed.push(format!("{} with {} samples: {error}", metric.name, metric.minimum));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn numbers_follow_the_units_in_their_names() {
    let task = Task::usual();
    let mut failed = Vec::new();
    for metric in METRICS {
        for factor in [0.5, 2.0, 1.7] {
            if metric.laws.contains(&Volts) {
                failed
                    .extend(follows(metric, Volts, &task, &task.mapped(|v| v * factor), |volts, _| factor.powi(volts)));
            }
            if metric.laws.contains(&Time) {
                failed.extend(follows(metric, Time, &task, &task.stretched(factor), |_, time| factor.powi(time)));
            }
        }
        if metric.laws.contains(&Offset) {
            failed.extend(follows(metric, Offset, &task, &task.mapped(|v| v + 8.0), |_, _| 1.0));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

/// Records that no probe should deliver.
fn nasty() -> Vec<(&'static str, Vec<f64>)> {
    let n = 9000;
    let filled = |f: &dyn Fn(usize) -> f64| (0..n).map(f).collect::<Vec<f64>>();
    let mut list = vec![
        ("zeros", vec![0.0; n]),
        ("a constant", vec![14.2; n]),
        ("negative zeros", vec![-0.0; n]),
        ("denormals", filled(&|i| 5e-324 * (i % 7) as f64)),
        ("small", filled(&|i| 1e-300 * ((i * i) % 11) as f64)),
        ("large", filled(&|i| if i % 2 == 0 { 1e300 } else { -1e300 })),
        ("the largest that a trace takes", filled(&|i| 1e9 * (i as f64 * 0.02).sin())),
        ("one large value", filled(&|i| if i == 4000 { 1e300 } else { 14.0 })),
        ("a step", filled(&|i| if i < n / 2 { 0.0 } else { 14.0 })),
        ("an impulse", filled(&|i| f64::from(u8::from(i == n / 2)))),
        ("a square wave", filled(&|i| if (i / 45) % 2 == 0 { 14.0 } else { 13.0 })),
        ("every sample the other way", filled(&|i| if i % 2 == 0 { 14.0 } else { 13.0 })),
        ("a ramp", filled(&|i| i as f64 * 1e-3)),
        ("a ramp that hardly is one", filled(&|i| 14.0 + i as f64 * 1e-15)),
        ("a growing oscillation", filled(&|i| (i as f64 * 1e-3).exp() * (i as f64 * 0.1).sin())),
        ("one step of the smallest kind", filled(&|i| if i < 100 { 14.0 } else { 14.0f64.next_up() })),
    ];
    let usual = Task::usual().post;
    list.extend([2, 3, 5, 17, 64, 129, 300, 1025].map(|k| ("a short record", usual[..k].to_vec())));
    list
}

#[test]
fn results_stay_finite_on_what_no_probe_should_deliver() {
    let mut failed = Vec::new();
    for (name, record) in nasty() {
        for metric in METRICS {
            // `outcome` and `numbers` hold the result; a refusal is a typed error and as good.
            let done = std::panic::catch_unwind(|| drop((metric.evaluate)(&Task::of(&record))));
            if done.is_err() {
                failed.push(format!("{} on {name} ({} samples)", metric.name, record.len()));
            }
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn a_value_that_is_no_number_is_refused() {
    for bad in [f64::NAN, f64::INFINITY] {
        let mut record = Task::usual().post;
        record[7000] = bad;
        for metric in METRICS {
            let refused = (metric.evaluate)(&Task::of(&record)).map(|_| "taken");
            assert!(matches!(refused, Err(Error::NonFinite { .. })), "{}: {refused:?}", metric.name);
        }
    }
}

#[test]
fn a_million_samples_are_examined() {
    let mut random = Random::new(3);
    let post = Post { open: true, ..Post::default() }.record(1_000_000, 0.0, &mut random);
    let found = whole(&Task::of(&post)).unwrap();
    assert_eq!(found["rectifier"]["pattern"], "open_diode");
}

/// By hand: `cargo test --release -p sixpulse --all-features --test conformance -- --ignored`.
#[test]
#[ignore = "takes minutes"]
fn ten_million_samples_are_taken_by_every_metric() {
    let mut random = Random::new(3);
    let task = Task::of(&Post { open: true, ..Post::default() }.record(10_000_000, 0.0, &mut random));
    for metric in METRICS {
        let begin = std::time::Instant::now();
        let done = (metric.evaluate)(&task);
        println!(
            "{}: {:.1} s, {}",
            metric.name,
            begin.elapsed().as_secs_f64(),
            done.map_or_else(|e| e.to_string(), |_| "done".into())
        );
    }
}
