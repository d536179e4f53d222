//! AC coupling for Python; the documentation is in `sixpulse/coupling.py`.

use std::sync::{Mutex, PoisonError};

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;
use sixpulse::coupling::{self, CouplingMethod};

use crate::error::{float_argument, text_argument, to_py};
use crate::trace::values_1d;

#[pyfunction]
#[pyo3(signature = (samples, *, sample_rate_hz, corner_hz, method))]
pub fn ac_couple<'py>(
    py: Python<'py>,
    samples: &Bound<'py, PyAny>,
    sample_rate_hz: &Bound<'py, PyAny>,
    corner_hz: &Bound<'py, PyAny>,
    method: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyArray1<f64>>> {
    let samples = values_1d("samples", samples)?;
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    let corner = float_argument("corner_hz", corner_hz)?;
    let method: CouplingMethod = text_argument("method", method)?.parse().map_err(to_py)?;
    let out = py.detach(|| coupling::ac_couple(&samples, rate, corner, method)).map_err(to_py)?;
    Ok(out.into_pyarray(py))
}

#[pyfunction]
#[pyo3(signature = (*, frequency_hz, corner_hz))]
pub fn attenuation(frequency_hz: &Bound<'_, PyAny>, corner_hz: &Bound<'_, PyAny>) -> PyResult<f64> {
    let frequency = float_argument("frequency_hz", frequency_hz)?;
    coupling::attenuation(frequency, float_argument("corner_hz", corner_hz)?).map_err(to_py)
}

#[pyfunction]
#[pyo3(signature = (*, frequency_hz, corner_hz))]
pub fn phase_lead_rad(frequency_hz: &Bound<'_, PyAny>, corner_hz: &Bound<'_, PyAny>) -> PyResult<f64> {
    let frequency = float_argument("frequency_hz", frequency_hz)?;
    coupling::phase_lead_rad(frequency, float_argument("corner_hz", corner_hz)?).map_err(to_py)
}

#[pyfunction]
#[pyo3(signature = (*, frequency_hz, corner_hz))]
pub fn half_period_droop(frequency_hz: &Bound<'_, PyAny>, corner_hz: &Bound<'_, PyAny>) -> PyResult<f64> {
    let frequency = float_argument("frequency_hz", frequency_hz)?;
    coupling::half_period_droop(frequency, float_argument("corner_hz", corner_hz)?).map_err(to_py)
}

#[pyfunction]
#[pyo3(signature = (*, corner_hz, remaining))]
pub fn settling_s(corner_hz: &Bound<'_, PyAny>, remaining: &Bound<'_, PyAny>) -> PyResult<f64> {
    let corner = float_argument("corner_hz", corner_hz)?;
    coupling::settling_s(corner, float_argument("remaining", remaining)?).map_err(to_py)
}

/// The causal high-pass for samples that arrive in blocks.
///
/// It starts at rest (as if its input had been 0 for ever); call `settle` with the first level to start settled.
/// One thread at a time runs a block through it; further calls wait.
///
/// Parameters
/// ----------
/// sample_rate_hz : float
///     Samples per second, above 0.
/// corner_hz : float
///     Corner frequency, above 0 and below half the sample rate.
///
/// Raises
/// ------
/// OutOfRangeError, AboveNyquistError, WrongTypeError
#[pyclass(name = "HighPass", module = "sixpulse.coupling", frozen)]
pub struct PyHighPass {
    filter: Mutex<coupling::HighPass>,
    #[pyo3(get)]
    sample_rate_hz: f64,
    #[pyo3(get)]
    corner_hz: f64,
}

#[pymethods]
impl PyHighPass {
    #[new]
    #[pyo3(signature = (*, sample_rate_hz, corner_hz))]
    fn new(sample_rate_hz: &Bound<'_, PyAny>, corner_hz: &Bound<'_, PyAny>) -> PyResult<Self> {
        let sample_rate_hz = float_argument("sample_rate_hz", sample_rate_hz)?;
        let corner_hz = float_argument("corner_hz", corner_hz)?;
        let filter = coupling::HighPass::new(sample_rate_hz, corner_hz).map_err(to_py)?;
        Ok(Self { filter: Mutex::new(filter), sample_rate_hz, corner_hz })
    }

    /// Settle it as if its input had been at `level` for ever, whatever came before.
    fn settle(&self, py: Python<'_>, level: &Bound<'_, PyAny>) -> PyResult<()> {
        let level = float_argument("level", level)?;
        py.detach(|| self.filter.lock().unwrap_or_else(PoisonError::into_inner).settle(level)).map_err(to_py)
    }

    /// The next samples, high-passed: a new float64 array of the same length, which may be 0.
    ///
    /// A block with a NaN or an infinity is refused (`NonFiniteError`) and leaves the filter as it was.
    fn process<'py>(&self, py: Python<'py>, block: &Bound<'py, PyAny>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        let mut block = values_1d("block", block)?;
        py.detach(|| self.filter.lock().unwrap_or_else(PoisonError::into_inner).process(&mut block)).map_err(to_py)?;
        Ok(block.into_pyarray(py))
    }

    fn __repr__(&self) -> String {
        format!("HighPass(sample_rate_hz={}, corner_hz={})", self.sample_rate_hz, self.corner_hz)
    }
}
