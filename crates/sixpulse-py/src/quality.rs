//! Quality and charging level for Python; the documentation is in `sixpulse/quality.py` and `sixpulse/level.py`.

use pyo3::prelude::*;
use sixpulse::quality::{CycleFacts, assess};
use sixpulse::{level, quality};

use crate::error::{float_argument, text_argument, to_py};
use crate::trace::PyCapture;

/// The four facts of the electrical cycle, in the order of [`CycleFacts`].
type Facts<'py> = (Bound<'py, PyAny>, Bound<'py, PyAny>, Bound<'py, PyAny>, Bound<'py, PyAny>);

#[pyfunction]
#[pyo3(signature = (capture, *, cycle=None))]
pub fn assess_quality<'py>(
    py: Python<'py>,
    capture: PyCapture,
    cycle: Option<Facts<'py>>,
) -> PyResult<Bound<'py, PyAny>> {
    let supply_trace;
    let facts = match &cycle {
        None => None,
        Some((name, electrical_hz, ripple_v, lowest_hz)) => {
            supply_trace = text_argument("supply_trace", name)?;
            let electrical_hz = float_argument("electrical_hz", electrical_hz)?;
            let ripple_v = float_argument("ripple_peak_to_peak_v", ripple_v)?;
            let lowest_hz = float_argument("lowest_order_hz", lowest_hz)?;
            Some(CycleFacts::new(&supply_trace, electrical_hz, ripple_v, lowest_hz).map_err(to_py)?)
        }
    };
    let quality = py.detach(|| assess(&capture.0, facts));
    Ok(pythonize::pythonize(py, &quality)?)
}

#[pyfunction]
pub fn supply_trace(capture: PyCapture) -> Option<String> {
    quality::supply_trace(&capture.0).map(str::to_owned)
}

#[pyfunction]
pub fn judge_level(py: Python<'_>, capture: PyCapture) -> PyResult<Bound<'_, PyAny>> {
    let level = py.detach(|| level::judge(&capture.0));
    Ok(pythonize::pythonize(py, &level)?)
}

#[pyfunction]
#[pyo3(signature = (*, temperature_c))]
pub fn level_window(temperature_c: &Bound<'_, PyAny>) -> PyResult<Option<(f64, f64)>> {
    Ok(level::window_v(float_argument("temperature_c", temperature_c)?))
}
