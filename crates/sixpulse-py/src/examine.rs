//! `examine` for Python; the frozen classes it becomes are in `sixpulse/results.py`.

use pyo3::prelude::*;
use sixpulse::examine::ExamineOptions;

use crate::error::{optional_float, to_py, wrong_type};
use crate::trace::{PyCapture, PyMachine};

/// Examines a capture; the result as plain dicts, lists, numbers, strings and None.
#[pyfunction]
#[pyo3(signature = (capture, machine=None, electrical_hz=None))]
pub fn examine<'py>(
    py: Python<'py>,
    capture: &Bound<'py, PyAny>,
    machine: Option<&Bound<'py, PyAny>>,
    electrical_hz: Option<&Bound<'py, PyAny>>,
) -> PyResult<Bound<'py, PyAny>> {
    let capture = capture.cast::<PyCapture>().map_err(|_| wrong_type("capture", "a Capture", capture))?.get();
    let machine = match machine {
        Some(given) => given.cast::<PyMachine>().map_err(|_| wrong_type("machine", "a Machine", given))?.get().0,
        None => sixpulse::Machine::default(),
    };
    let options = ExamineOptions { machine, electrical_hz: optional_float("electrical_hz", electrical_hz)? };
    let result = py.detach(|| sixpulse::examine::examine(&capture.0, &options)).map_err(to_py)?;
    Ok(pythonize::pythonize(py, &result)?)
}
