//! `assess_quality` for Python.

use pyo3::prelude::*;
use sixpulse::quality::{CycleFacts, assess};

use crate::trace::PyCapture;

/// What the assessment needs to know of the electrical cycle.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
struct Facts {
    supply_trace: String,
    electrical_hz: f64,
    ripple_peak_to_peak_v: f64,
    lowest_order_hz: f64,
}

/// Quality of a capture as a dictionary with the keys of the Rust result; `cycle` is a dictionary of its facts or None.
#[pyfunction]
#[pyo3(signature = (capture, cycle=None))]
pub fn assess_quality(py: Python<'_>, capture: PyCapture, cycle: Option<Facts>) -> PyResult<Bound<'_, PyAny>> {
    let quality = py.detach(|| {
        let facts = cycle.as_ref().map(|c| CycleFacts {
            supply_trace: &c.supply_trace,
            electrical_hz: c.electrical_hz,
            ripple_peak_to_peak_v: c.ripple_peak_to_peak_v,
            lowest_order_hz: c.lowest_order_hz,
        });
        assess(&capture.0, facts)
    });
    Ok(pythonize::pythonize(py, &quality)?)
}
