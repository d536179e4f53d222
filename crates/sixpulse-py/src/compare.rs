//! Comparisons for Python; the documentation is in `sixpulse/compare.py`.

use pyo3::prelude::*;
use sixpulse::compare::{InterventionOptions, PointsOptions};
use sixpulse::{Capture, Machine};

use crate::error::{float_argument, optional_float, to_py, wrong_type};
use crate::trace::{PyCapture, PyMachine};

fn machine_argument(machine: Option<&Bound<'_, PyAny>>) -> PyResult<Machine> {
    match machine {
        Some(given) => Ok(given.cast::<PyMachine>().map_err(|_| wrong_type("machine", "a Machine", given))?.get().0),
        None => Ok(Machine::default()),
    }
}

/// Charging post against battery post; the result as plain dicts, lists, numbers, strings and None.
#[pyfunction]
#[pyo3(signature = (capture, *, machine=None, electrical_hz=None, current_delay_s))]
pub fn compare_points<'py>(
    py: Python<'py>,
    capture: &Bound<'py, PyAny>,
    machine: Option<&Bound<'py, PyAny>>,
    electrical_hz: Option<&Bound<'py, PyAny>>,
    current_delay_s: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let capture = capture.cast::<PyCapture>().map_err(|_| wrong_type("capture", "a Capture", capture))?.get();
    let options = PointsOptions {
        machine: machine_argument(machine)?,
        electrical_hz: optional_float("electrical_hz", electrical_hz)?,
        current_delay_s: float_argument("current_delay_s", current_delay_s)?,
    };
    let result = py.detach(|| sixpulse::compare::compare_points(&capture.0, &options)).map_err(to_py)?;
    Ok(pythonize::pythonize(py, &result)?)
}

fn capture_argument(parameter: &str, capture: &Bound<'_, PyAny>) -> PyResult<Capture> {
    let given = capture.cast::<PyCapture>().map_err(|_| wrong_type(parameter, "a Capture", capture))?;
    Ok(given.get().0.clone())
}

/// Captures before, during (a list) and after an intervention; the result as plain data.
#[pyfunction]
#[pyo3(signature = (before, during, after=None, *, machine=None, electrical_hz=None))]
pub fn compare_interventions<'py>(
    py: Python<'py>,
    before: &Bound<'py, PyAny>,
    during: Vec<Bound<'py, PyAny>>,
    after: Option<&Bound<'py, PyAny>>,
    machine: Option<&Bound<'py, PyAny>>,
    electrical_hz: Option<&Bound<'py, PyAny>>,
) -> PyResult<Bound<'py, PyAny>> {
    let before = capture_argument("before", before)?;
    let during = during.iter().map(|c| capture_argument("during", c)).collect::<PyResult<Vec<_>>>()?;
    let after = after.map(|c| capture_argument("after", c)).transpose()?;
    let options = InterventionOptions {
        machine: machine_argument(machine)?,
        electrical_hz: optional_float("electrical_hz", electrical_hz)?,
    };
    let found = py
        .detach(|| sixpulse::compare::compare_interventions(&before, &during, after.as_ref(), &options))
        .map_err(to_py)?;
    Ok(pythonize::pythonize(py, &found)?)
}
