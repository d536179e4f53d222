//! The envelope of a record for Python; the documentation is in `sixpulse/envelope.py`.

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;
use sixpulse::envelope::{of_trace, of_values};

use crate::error::to_py;
use crate::trace::{PyTrace, values_1d, whole_number};

type Arrays<'py> = (Bound<'py, PyArray1<u64>>, Bound<'py, PyArray1<f64>>, Bound<'py, PyArray1<f64>>);

#[pyfunction]
#[pyo3(signature = (samples, *, bins))]
pub fn envelope<'py>(py: Python<'py>, samples: &Bound<'py, PyAny>, bins: &Bound<'py, PyAny>) -> PyResult<Arrays<'py>> {
    let bins = whole_number("bins", "1 to the number of samples", bins)? as usize;
    let found = match samples.cast::<PyTrace>() {
        Ok(trace) => {
            let trace = &trace.get().0;
            py.detach(|| of_trace(trace, bins))
        }
        Err(_) => {
            let values = values_1d("samples", samples)?;
            py.detach(|| of_values(&values, bins))
        }
    }
    .map_err(to_py)?;
    let first: Vec<u64> = found.first_sample.iter().map(|&i| i as u64).collect();
    Ok((first.into_pyarray(py), found.minimum.into_pyarray(py), found.maximum.into_pyarray(py)))
}
