//! Spectra and coherence for Python; the documentation is in `sixpulse/spectrum.py`.

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use sixpulse::spectrum::{self, Complex64, Detrend, Welch, Window};

use crate::error::{float_argument, text_argument, to_py};
use crate::trace::{values_1d, whole_number};

fn window_argument(word: &Bound<'_, PyAny>) -> PyResult<Window> {
    text_argument("window", word)?.parse().map_err(to_py)
}

fn count(parameter: &str, value: &Bound<'_, PyAny>) -> PyResult<usize> {
    whole_number(parameter, "a whole number of samples", value).map(|n| n as usize)
}

fn welch_argument(
    segment_samples: &Bound<'_, PyAny>,
    overlap_samples: Option<&Bound<'_, PyAny>>,
    window: &Bound<'_, PyAny>,
    detrend: &Bound<'_, PyAny>,
) -> PyResult<Welch> {
    let segment = count("segment_samples", segment_samples)?;
    let overlap = overlap_samples.map_or(Ok(segment / 2), |v| count("overlap_samples", v))?;
    let detrend: Detrend = text_argument("detrend", detrend)?.parse().map_err(to_py)?;
    Welch::new(segment, overlap, window_argument(window)?, detrend).map_err(to_py)
}

#[pyfunction]
#[pyo3(signature = (samples, *, sample_rate_hz, segment_samples, overlap_samples, window, detrend))]
pub fn auto_spectrum<'py>(
    py: Python<'py>,
    samples: &Bound<'py, PyAny>,
    sample_rate_hz: &Bound<'py, PyAny>,
    segment_samples: &Bound<'py, PyAny>,
    overlap_samples: Option<&Bound<'py, PyAny>>,
    window: &Bound<'py, PyAny>,
    detrend: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyDict>> {
    let samples = values_1d("samples", samples)?;
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    let welch = welch_argument(segment_samples, overlap_samples, window, detrend)?;
    let found = py.detach(|| spectrum::auto_spectrum(samples.as_slice(), rate, &welch)).map_err(to_py)?;
    let fields = PyDict::new(py);
    fields.set_item("frequencies_hz", found.frequencies_hz.into_pyarray(py))?;
    fields.set_item("density", found.density.into_pyarray(py))?;
    fields.set_item("segments", found.segments)?;
    fields.set_item("enbw_hz", found.enbw_hz)?;
    Ok(fields)
}

#[pyfunction]
#[pyo3(signature = (x, y, *, sample_rate_hz, segment_samples, overlap_samples, window, detrend))]
#[allow(clippy::too_many_arguments, reason = "keyword arguments of the Python function")]
pub fn cross_spectrum<'py>(
    py: Python<'py>,
    x: &Bound<'py, PyAny>,
    y: &Bound<'py, PyAny>,
    sample_rate_hz: &Bound<'py, PyAny>,
    segment_samples: &Bound<'py, PyAny>,
    overlap_samples: Option<&Bound<'py, PyAny>>,
    window: &Bound<'py, PyAny>,
    detrend: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyDict>> {
    let (x, y) = (values_1d("x", x)?, values_1d("y", y)?);
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    let welch = welch_argument(segment_samples, overlap_samples, window, detrend)?;
    let found = py.detach(|| spectrum::cross_spectrum(x.as_slice(), y.as_slice(), rate, &welch)).map_err(to_py)?;
    let (real, imaginary): (Vec<f64>, Vec<f64>) = found.density.iter().map(|z: &Complex64| (z.re, z.im)).unzip();
    let fields = PyDict::new(py);
    fields.set_item("frequencies_hz", found.frequencies_hz.into_pyarray(py))?;
    fields.set_item("density_real", real.into_pyarray(py))?;
    fields.set_item("density_imaginary", imaginary.into_pyarray(py))?;
    fields.set_item("density_x", found.density_x.into_pyarray(py))?;
    fields.set_item("density_y", found.density_y.into_pyarray(py))?;
    fields.set_item("segments", found.segments)?;
    fields.set_item("enbw_hz", found.enbw_hz)?;
    Ok(fields)
}

#[pyfunction]
#[pyo3(signature = (x, y, *, sample_rate_hz, segment_samples, overlap_samples, window, detrend))]
#[allow(clippy::too_many_arguments, reason = "keyword arguments of the Python function")]
pub fn coherence<'py>(
    py: Python<'py>,
    x: &Bound<'py, PyAny>,
    y: &Bound<'py, PyAny>,
    sample_rate_hz: &Bound<'py, PyAny>,
    segment_samples: &Bound<'py, PyAny>,
    overlap_samples: Option<&Bound<'py, PyAny>>,
    window: &Bound<'py, PyAny>,
    detrend: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyDict>> {
    let (x, y) = (values_1d("x", x)?, values_1d("y", y)?);
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    let welch = welch_argument(segment_samples, overlap_samples, window, detrend)?;
    let found = py.detach(|| spectrum::coherence(x.as_slice(), y.as_slice(), rate, &welch)).map_err(to_py)?;
    let fields = PyDict::new(py);
    fields.set_item("frequencies_hz", found.frequencies_hz.into_pyarray(py))?;
    fields.set_item("coherence", found.coherence.into_pyarray(py))?;
    fields.set_item("segments", found.segments)?;
    fields.set_item("effective_averages", found.effective_averages)?;
    Ok(fields)
}

#[pyfunction]
#[pyo3(signature = (*, averages, alpha))]
pub fn coherence_significance(averages: &Bound<'_, PyAny>, alpha: &Bound<'_, PyAny>) -> PyResult<f64> {
    let averages = float_argument("averages", averages)?;
    spectrum::coherence_significance(averages, float_argument("alpha", alpha)?).map_err(to_py)
}

#[pyfunction]
#[pyo3(signature = (*, segments, segment_samples, overlap_samples, window))]
pub fn effective_averages(
    segments: &Bound<'_, PyAny>,
    segment_samples: &Bound<'_, PyAny>,
    overlap_samples: Option<&Bound<'_, PyAny>>,
    window: &Bound<'_, PyAny>,
) -> PyResult<f64> {
    let segment = count("segment_samples", segment_samples)?;
    let overlap = overlap_samples.map_or(Ok(segment / 2), |v| count("overlap_samples", v))?;
    let welch = Welch::new(segment, overlap, window_argument(window)?, Detrend::Constant).map_err(to_py)?;
    Ok(welch.effective_averages(whole_number("segments", "a whole number of 1 or more", segments)? as usize))
}

#[pyfunction]
#[pyo3(signature = (*, window, length))]
pub fn window_samples<'py>(
    py: Python<'py>,
    window: &Bound<'py, PyAny>,
    length: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyArray1<f64>>> {
    Ok(window_argument(window)?.samples(count("length", length)?).into_pyarray(py))
}

#[pyfunction]
#[pyo3(signature = (*, window, length))]
pub fn window_figures<'py>(
    py: Python<'py>,
    window: &Bound<'py, PyAny>,
    length: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyDict>> {
    let figures = window_argument(window)?.figures(count("length", length)?).map_err(to_py)?;
    let fields = PyDict::new(py);
    fields.set_item("coherent_gain", figures.coherent_gain)?;
    fields.set_item("enbw_bins", figures.enbw_bins)?;
    fields.set_item("scalloping_loss_db", figures.scalloping_loss_db)?;
    Ok(fields)
}
