//! Ripple numbers for Python; the documentation is in `sixpulse/ripple.py`.

use pyo3::prelude::*;
use sixpulse::coupling::AcView;
use sixpulse::cycle::Cycle;
use sixpulse::{Coupling, Error, Role, Trace, ripple};

use crate::error::{float_argument, text_argument, to_py};
use crate::trace::{PyTrace, values_1d};

/// `parameter`: what the caller gave the record as.
fn measure<'py>(
    py: Python<'py>,
    (parameter, name): (&str, &str),
    trace: &Trace,
    corner_hz: f64,
    cycle: &Cycle,
) -> PyResult<Bound<'py, PyAny>> {
    let work = || ripple::measure(name, trace, &AcView::new(trace, corner_hz)?, corner_hz, cycle);
    let ripple = py.detach(work).map_err(|error| match error {
        Error::TooShort { minimum, actual, .. } => {
            to_py(Error::TooShort { parameter: parameter.into(), minimum, actual })
        }
        other => to_py(other),
    })?;
    Ok(pythonize::pythonize(py, &ripple)?)
}

#[pyfunction]
#[pyo3(signature = (trace, *, corner_hz, cycle, name))]
pub fn measure_ripple<'py>(
    py: Python<'py>,
    trace: PyTrace,
    corner_hz: &Bound<'py, PyAny>,
    cycle: &Bound<'py, PyAny>,
    name: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let corner_hz = float_argument("corner_hz", corner_hz)?;
    let cycle: Cycle = pythonize::depythonize(cycle)?;
    measure(py, ("trace", &text_argument("name", name)?), &trace.0, corner_hz, &cycle)
}

#[pyfunction]
#[pyo3(signature = (samples, *, sample_rate_hz, corner_hz, cycle))]
pub fn ripple_numbers<'py>(
    py: Python<'py>,
    samples: &Bound<'py, PyAny>,
    sample_rate_hz: &Bound<'py, PyAny>,
    corner_hz: &Bound<'py, PyAny>,
    cycle: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let rate_hz = float_argument("sample_rate_hz", sample_rate_hz)?;
    let corner_hz = float_argument("corner_hz", corner_hz)?;
    let samples = values_1d("samples", samples)?;
    let cycle: Cycle = pythonize::depythonize(cycle)?;
    let trace = py.detach(|| Trace::from_f64(samples, rate_hz, Coupling::Dc, Role::Other)).map_err(to_py)?;
    measure(py, ("samples", ""), &trace, corner_hz, &cycle)
}
