//! What an AC voltmeter would have shown, for Python; the documentation is in `sixpulse/meter.py`.

use pyo3::prelude::*;
use sixpulse::Role;
use sixpulse::cycle::Cycle;
use sixpulse::meter::{self, Meter};

use crate::error::{float_argument, text_argument, to_py, wrong_type};
use crate::trace::PyTrace;

/// A meter from an object with its settings.
fn meter_argument(settings: &Bound<'_, PyAny>) -> PyResult<Meter> {
    let get = |name: &str| settings.getattr(name).map_err(|_| wrong_type("meter", "a Meter", settings));
    let number = |name: &str| float_argument(name, &get(name)?);
    let response = text_argument("response", &get("response")?)?.parse().map_err(to_py)?;
    Meter::new(response, number("bandwidth_hz")?, number("coupling_corner_hz")?, number("resolution_v")?).map_err(to_py)
}

/// Refuses settings that make no meter.
#[pyfunction]
#[pyo3(signature = (settings, /))]
pub fn check_meter(settings: &Bound<'_, PyAny>) -> PyResult<()> {
    meter_argument(settings).map(|_| ())
}

/// Response, bandwidth, coupling corner and resolution of the two usual handheld meters: plain, then true r.m.s.
#[pyfunction]
pub fn handheld_meters() -> [(&'static str, f64, f64, f64); 2] {
    [Meter::average_handheld(), Meter::true_rms_handheld()]
        .map(|m| (m.response().as_str(), m.bandwidth_hz(), m.coupling_corner_hz(), m.resolution_v()))
}

/// What the meter would have shown for a trace, as plain data.
#[pyfunction]
#[pyo3(signature = (trace, *, meter))]
pub fn meter_reading<'py>(py: Python<'py>, trace: PyTrace, meter: &Bound<'py, PyAny>) -> PyResult<Bound<'py, PyAny>> {
    let settings = meter_argument(meter)?;
    let found = py.detach(|| meter::read(&trace.0, &settings)).map_err(to_py)?;
    Ok(pythonize::pythonize(py, &found)?)
}

/// What the meter would have shown of a mean cycle, as plain data; None without a cycle.
#[pyfunction]
#[pyo3(signature = (cycle, *, role, meter))]
pub fn meter_of_cycle<'py>(
    py: Python<'py>,
    cycle: &Bound<'py, PyAny>,
    role: &Bound<'py, PyAny>,
    meter: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let cycle: Cycle = pythonize::depythonize(cycle)?;
    let role: Role = text_argument("role", role)?.parse().map_err(to_py)?;
    let settings = meter_argument(meter)?;
    Ok(pythonize::pythonize(py, &meter::of_cycle(&cycle, role, &settings))?)
}
