//! Ideal rectifier circuits for Python; the documentation is in `sixpulse/ideal.py`.

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;
use sixpulse::rectifier::ideal::{self, IdealCircuit};

use crate::error::{text_argument, to_py};
use crate::trace::{values_1d, whole_number};

fn circuit_argument(circuit: &Bound<'_, PyAny>) -> PyResult<IdealCircuit> {
    text_argument("circuit", circuit)?.parse().map_err(to_py)
}

#[pyfunction]
pub fn ideal_waveform<'py>(py: Python<'py>, circuit: &Bound<'py, PyAny>) -> PyResult<Bound<'py, PyAny>> {
    Ok(pythonize::pythonize(py, &ideal::waveform(circuit_argument(circuit)?))?)
}

#[pyfunction]
#[pyo3(signature = (circuit, *, theta_rad))]
pub fn ideal_values<'py>(
    py: Python<'py>,
    circuit: &Bound<'py, PyAny>,
    theta_rad: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyArray1<f64>>> {
    let circuit = circuit_argument(circuit)?;
    let theta_rad = values_1d("theta_rad", theta_rad)?;
    let values = py.detach(|| ideal::values(circuit, &theta_rad)).map_err(to_py)?;
    Ok(values.into_pyarray(py))
}

#[pyfunction]
#[pyo3(signature = (*, pulse_number, order))]
pub fn pulse_order_ratio(pulse_number: &Bound<'_, PyAny>, order: &Bound<'_, PyAny>) -> PyResult<f64> {
    let pulse_number = whole_number("pulse_number", "2 or more", pulse_number)?;
    let order = whole_number("order", "1 or more", order)?;
    ideal::pulse_order_ratio(pulse_number, order).map_err(to_py)
}
