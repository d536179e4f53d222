//! The simulator for Python. Scenarios, settings and truth cross the border as JSON text: one layout, one validation,
//! and the same document in files, in Rust and in Python.

use numpy::{IntoPyArray, PyArray1, PyReadonlyArray1};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sixpulse::Role;
use sixpulse_sim::rng::{Random, Stream};
use sixpulse_sim::scope::{Channel, Fine, Scope, digitise};
use sixpulse_sim::sensor::{Conditioner, Sensor, Sources};
use sixpulse_sim::{Error, Scenario, overrides, simulate};

use crate::error::{raise, to_py};
use crate::trace::{PyCapture, PyTrace};

/// The Python exception for an error of the simulator.
pub fn sim_to_py(err: Error) -> PyErr {
    let err = match err {
        Error::Core(inner) => return to_py(inner),
        other => other,
    };
    Python::attach(|py| match fields(py, &err) {
        Ok(fields) => raise(py, err.code(), err.parameter(), &err.to_string(), &fields),
        Err(failure) => failure,
    })
}

fn fields<'py>(py: Python<'py>, err: &Error) -> PyResult<Bound<'py, PyDict>> {
    let fields = PyDict::new(py);
    match err {
        Error::OutOfRange { expected, actual, .. } => {
            fields.set_item("expected", expected)?;
            fields.set_item("actual", actual)?;
        }
        Error::LengthMismatch { expected, actual, .. } => {
            fields.set_item("expected", expected)?;
            fields.set_item("actual", actual)?;
        }
        Error::InvalidCombination { reason, .. } | Error::InvalidDocument { reason, .. } => {
            fields.set_item("reason", reason)?;
        }
        Error::NotReachable { limit_a, wanted_v, reached_v, .. } => {
            fields.set_item("limit_a", limit_a)?;
            fields.set_item("wanted_v", wanted_v)?;
            fields.set_item("reached_v", reached_v)?;
        }
        Error::NoConvergence { iterations, .. } => fields.set_item("iterations", iterations)?,
        Error::Diverged { time_s, value, .. } => {
            fields.set_item("time_s", time_s)?;
            fields.set_item("value", value)?;
        }
        Error::EventStorm { time_s, limit } => {
            fields.set_item("time_s", time_s)?;
            fields.set_item("limit", limit)?;
        }
        Error::EnergyImbalance { residual_j, turnover_j, limit } => {
            fields.set_item("residual_j", residual_j)?;
            fields.set_item("turnover_j", turnover_j)?;
            fields.set_item("limit", limit)?;
        }
        Error::NotRecoverable { limit, reason, .. } => {
            fields.set_item("limit", limit)?;
            fields.set_item("reason", reason)?;
        }
        // A variant added later still raises under its code.
        _ => {}
    }
    Ok(fields)
}

fn parsed<T: DeserializeOwned>(parameter: &str, text: &str) -> PyResult<T> {
    serde_json::from_str(text).map_err(|e| document(parameter, &e))
}

fn text<T: Serialize>(parameter: &str, value: &T) -> PyResult<String> {
    serde_json::to_string(value).map_err(|e| document(parameter, &e))
}

fn document(parameter: &str, error: &serde_json::Error) -> PyErr {
    sim_to_py(Error::InvalidDocument { parameter: parameter.into(), reason: error.to_string() })
}

/// JSON of member `member` of the family that `seed` names, the JSON object `wishes` steering the draw.
/// Two arrays of equal length.
type TwoArrays<'py> = (Bound<'py, PyArray1<f64>>, Bound<'py, PyArray1<f64>>);

#[pyfunction]
pub fn scenario_draw(seed: u64, member: u64, wishes: &str) -> PyResult<String> {
    let wishes = parsed("wishes", wishes)?;
    text("scenario", &overrides::draw_with(seed, member, &wishes).map_err(sim_to_py)?)
}

/// JSON of a scenario with the parameters of the JSON object `values` set by name.
#[pyfunction]
pub fn scenario_set(scenario: &str, values: &str) -> PyResult<String> {
    let scenario = Scenario::from_json(scenario).map_err(sim_to_py)?;
    text("scenario", &overrides::set(&scenario, &parsed("values", values)?).map_err(sim_to_py)?)
}

/// The scenario's JSON in the library's own form, once checked.
#[pyfunction]
pub fn scenario_checked(scenario: &str) -> PyResult<String> {
    text("scenario", &Scenario::from_json(scenario).map_err(sim_to_py)?)
}

/// The capture of a scenario and the JSON of its truth.
#[pyfunction]
pub fn scenario_simulate(py: Python<'_>, scenario: &str) -> PyResult<(PyCapture, String)> {
    let scenario = Scenario::from_json(scenario).map_err(sim_to_py)?;
    let (capture, truth) = py.detach(|| simulate(&scenario)).map_err(sim_to_py)?;
    Ok((PyCapture(capture), text("truth", &truth)?))
}

/// Scenario (JSON), capture and truth (JSON) of a member of a family: the batch generator's step.
#[pyfunction]
pub fn scenario_member(py: Python<'_>, seed: u64, member: u64, wishes: &str) -> PyResult<(String, PyCapture, String)> {
    let wishes = parsed("wishes", wishes)?;
    let made = py.detach(|| {
        let scenario = overrides::draw_with(seed, member, &wishes)?;
        simulate(&scenario).map(|(capture, truth)| (scenario, capture, truth))
    });
    let (scenario, capture, truth) = made.map_err(sim_to_py)?;
    Ok((text("scenario", &scenario)?, PyCapture(capture), text("truth", &truth)?))
}

/// The first `count` raw 64-bit numbers of the stream of drawn parameters.
#[pyfunction]
pub fn random_raw<'py>(py: Python<'py>, seed: u64, member: u64, count: usize) -> Bound<'py, PyArray1<u64>> {
    let mut random = Random::new(seed, member, Stream::Draw);
    (0..count).map(|_| random.next_u64()).collect::<Vec<_>>().into_pyarray(py)
}

/// The first `count` normal numbers of the stream of drawn parameters.
#[pyfunction]
pub fn random_normal<'py>(py: Python<'py>, seed: u64, member: u64, count: usize) -> Bound<'py, PyArray1<f64>> {
    let mut random = Random::new(seed, member, Stream::Draw);
    (0..count).map(|_| random.normal()).collect::<Vec<_>>().into_pyarray(py)
}

/// What a channel records of `values`, `rate_hz` points per second; `role` and the JSON settings as in a scenario.
#[pyfunction]
#[allow(clippy::too_many_arguments, reason = "keyword arguments of the Python function")]
#[pyo3(signature = (values, *, rate_hz, repeat, channel, scope, role, seed))]
pub fn instrument_record(
    py: Python<'_>,
    values: PyReadonlyArray1<'_, f64>,
    rate_hz: f64,
    repeat: usize,
    channel: &str,
    scope: &str,
    role: &str,
    seed: u64,
) -> PyResult<PyTrace> {
    let values = values.as_array().to_vec();
    let (channel, scope): (Channel, Scope) = (parsed("channel", channel)?, parsed("scope", scope)?);
    let role: Role = role.parse().map_err(to_py)?;
    let mut random = Random::new(seed, 0, Stream::Channel(0));
    let made = py.detach(|| digitise(Fine { values: &values, rate_hz, repeat }, &channel, &scope, role, &mut random));
    Ok(PyTrace(made.map_err(sim_to_py)?))
}

/// Own and disturbed voltage of a sensor (JSON as in a scenario) on the grid of the supply's voltages.
#[pyfunction]
#[pyo3(signature = (sensor, *, post_v, battery_v, cable_a, rate_hz, seed))]
pub fn sensor_signal<'py>(
    py: Python<'py>,
    sensor: &str,
    post_v: PyReadonlyArray1<'py, f64>,
    battery_v: PyReadonlyArray1<'py, f64>,
    cable_a: PyReadonlyArray1<'py, f64>,
    rate_hz: f64,
    seed: u64,
) -> PyResult<TwoArrays<'py>> {
    let sensor: Sensor = parsed("sensor", sensor)?;
    sensor.check().map_err(sim_to_py)?;
    let (post_v, battery_v, cable_a) =
        (post_v.as_array().to_vec(), battery_v.as_array().to_vec(), cable_a.as_array().to_vec());
    let signal = py.detach(|| {
        let sources = Sources { post_v: &post_v, battery_v: &battery_v, cable_a: &cable_a, rate_hz, repeat: 0 };
        sensor.signal(sources, post_v.len() as f64 / rate_hz, seed, 0)
    });
    Ok((signal.own_v.into_pyarray(py), signal.line_v.into_pyarray(py)))
}

/// Pulses that a conditioner (JSON as in a scenario) gives: number and frequency in hertz.
#[pyfunction]
#[pyo3(signature = (conditioner, values, *, rate_hz))]
pub fn conditioner_count(
    py: Python<'_>,
    conditioner: &str,
    values: PyReadonlyArray1<'_, f64>,
    rate_hz: f64,
) -> PyResult<(usize, f64)> {
    let conditioner: Conditioner = parsed("conditioner", conditioner)?;
    let values = values.as_array().to_vec();
    let count = py.detach(|| conditioner.count(&values, rate_hz));
    Ok((count.pulses, count.frequency_hz()))
}

/// Functions behind `sixpulse.simulate`.
#[pymodule(gil_used = false)]
pub mod _sim {
    /// Stable codes of the simulator's errors.
    #[pymodule_export]
    const ERROR_CODES: [&str; sixpulse_sim::error::CODES.len()] = sixpulse_sim::error::CODES;
    /// Version of the rules that turn a seed into numbers.
    #[pymodule_export]
    const STREAM_VERSION: u32 = sixpulse_sim::rng::STREAM_VERSION;
    #[pymodule_export]
    use super::{
        conditioner_count, instrument_record, random_normal, random_raw, scenario_checked, scenario_draw,
        scenario_member, scenario_set, scenario_simulate, sensor_signal,
    };
}
