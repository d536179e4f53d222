//! Sine and harmonic fits for Python; the documentation is in `sixpulse/tone.py`.

use pyo3::prelude::*;
use sixpulse::tone;

use crate::error::{float_argument, optional_float, to_py, wrong_type};
use crate::trace::{values_1d, whole_number};

fn order_list(orders: &Bound<'_, PyAny>) -> PyResult<Vec<usize>> {
    let items = orders.try_iter().map_err(|_| wrong_type("orders", "a sequence of whole numbers", orders))?;
    let order = |item: &Bound<'_, PyAny>| whole_number("orders", "whole numbers of 1 to 100, none twice", item);
    items.map(|item| Ok(order(&item?)? as usize)).collect()
}

fn dict<'py>(py: Python<'py>, fit: &impl serde::Serialize) -> PyResult<Bound<'py, PyAny>> {
    Ok(pythonize::pythonize(py, fit)?)
}

#[pyfunction]
#[pyo3(signature = (samples, *, sample_rate_hz, frequency_hz))]
pub fn sine_fit_known<'py>(
    py: Python<'py>,
    samples: &Bound<'py, PyAny>,
    sample_rate_hz: &Bound<'py, PyAny>,
    frequency_hz: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let samples = values_1d("samples", samples)?;
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    let frequency = float_argument("frequency_hz", frequency_hz)?;
    let fit = py.detach(|| tone::sine_fit_known(samples.as_slice(), rate, frequency)).map_err(to_py)?;
    dict(py, &fit)
}

#[pyfunction]
#[pyo3(signature = (samples, *, sample_rate_hz, start_hz))]
pub fn sine_fit<'py>(
    py: Python<'py>,
    samples: &Bound<'py, PyAny>,
    sample_rate_hz: &Bound<'py, PyAny>,
    start_hz: Option<&Bound<'py, PyAny>>,
) -> PyResult<Bound<'py, PyAny>> {
    let samples = values_1d("samples", samples)?;
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    let start = optional_float("start_hz", start_hz)?;
    let fit = py.detach(|| tone::sine_fit(samples.as_slice(), rate, start)).map_err(to_py)?;
    dict(py, &fit)
}

#[pyfunction]
#[pyo3(signature = (samples, *, sample_rate_hz, frequency_hz, orders))]
pub fn harmonic_fit_known<'py>(
    py: Python<'py>,
    samples: &Bound<'py, PyAny>,
    sample_rate_hz: &Bound<'py, PyAny>,
    frequency_hz: &Bound<'py, PyAny>,
    orders: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let samples = values_1d("samples", samples)?;
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    let frequency = float_argument("frequency_hz", frequency_hz)?;
    let orders = order_list(orders)?;
    let fit = py.detach(|| tone::harmonic_fit_known(samples.as_slice(), rate, frequency, &orders)).map_err(to_py)?;
    dict(py, &fit)
}

#[pyfunction]
#[pyo3(signature = (samples, *, sample_rate_hz, start_hz, orders))]
pub fn harmonic_fit<'py>(
    py: Python<'py>,
    samples: &Bound<'py, PyAny>,
    sample_rate_hz: &Bound<'py, PyAny>,
    start_hz: &Bound<'py, PyAny>,
    orders: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    let samples = values_1d("samples", samples)?;
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    let start = float_argument("start_hz", start_hz)?;
    let orders = order_list(orders)?;
    let fit = py.detach(|| tone::harmonic_fit(samples.as_slice(), rate, start, &orders)).map_err(to_py)?;
    dict(py, &fit)
}

#[pyfunction]
#[pyo3(signature = (*, amplitude, noise_rms, samples, sample_rate_hz))]
pub fn sine_frequency_bound_hz(
    amplitude: &Bound<'_, PyAny>,
    noise_rms: &Bound<'_, PyAny>,
    samples: &Bound<'_, PyAny>,
    sample_rate_hz: &Bound<'_, PyAny>,
) -> PyResult<f64> {
    let amplitude = float_argument("amplitude", amplitude)?;
    let noise = float_argument("noise_rms", noise_rms)?;
    let samples = whole_number("samples", "2 or more", samples)? as usize;
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    tone::sine_frequency_bound_hz(amplitude, noise, samples, rate).map_err(to_py)
}

#[pyfunction]
#[pyo3(signature = (*, orders, amplitudes, noise_rms, samples, sample_rate_hz))]
pub fn harmonic_frequency_bound_hz(
    orders: &Bound<'_, PyAny>,
    amplitudes: &Bound<'_, PyAny>,
    noise_rms: &Bound<'_, PyAny>,
    samples: &Bound<'_, PyAny>,
    sample_rate_hz: &Bound<'_, PyAny>,
) -> PyResult<f64> {
    let orders = order_list(orders)?;
    let amplitudes = values_1d("amplitudes", amplitudes)?;
    let noise = float_argument("noise_rms", noise_rms)?;
    let samples = whole_number("samples", "2 or more", samples)? as usize;
    let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
    tone::harmonic_frequency_bound_hz(&orders, &amplitudes, noise, samples, rate).map_err(to_py)
}

#[pyfunction]
#[pyo3(signature = (*, noise_rms, samples))]
pub fn amplitude_bound(noise_rms: &Bound<'_, PyAny>, samples: &Bound<'_, PyAny>) -> PyResult<f64> {
    let noise = float_argument("noise_rms", noise_rms)?;
    tone::amplitude_bound(noise, whole_number("samples", "2 or more", samples)? as usize).map_err(to_py)
}
