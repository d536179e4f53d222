//! The rectifier's figures and the record of the model's training; the documentation is in `sixpulse/rectifier.py`.

use numpy::ndarray::Array2;
use numpy::{IntoPyArray, PyArray1, PyArray2};
use pyo3::prelude::*;
use sixpulse::quality::supply_trace;
use sixpulse::rectifier::model;
use sixpulse::rectifier::signature::{self, Reading};

use crate::error::{to_py, wrong_type};
use crate::trace::{PyCapture, PyMachine, whole_number};

/// Electrical frequency and line order of each hypothesis, its figures, and the figures of the record.
type Figures<'py> =
    (Bound<'py, PyArray1<f64>>, Bound<'py, PyArray1<u32>>, Bound<'py, PyArray2<f64>>, Bound<'py, PyArray1<f64>>);

#[pyfunction]
#[pyo3(signature = (capture, machine=None))]
pub fn rectifier_figures<'py>(
    py: Python<'py>,
    capture: &Bound<'py, PyAny>,
    machine: Option<&Bound<'py, PyAny>>,
) -> PyResult<Figures<'py>> {
    let capture = capture.cast::<PyCapture>().map_err(|_| wrong_type("capture", "a Capture", capture))?.get();
    let machine = match machine {
        Some(given) => given.cast::<PyMachine>().map_err(|_| wrong_type("machine", "a Machine", given))?.get().0,
        None => sixpulse::Machine::default(),
    };
    let Some(trace) = supply_trace(&capture.0).and_then(|name| capture.0.trace(name)) else {
        return Err(to_py(sixpulse::Error::InvalidCombination {
            parameter: "capture".into(),
            reason: "there is no voltage trace from the charging post or the battery".into(),
        }));
    };
    let reading = py.detach(|| Reading::new(trace, machine.pulse_number(), None)).map_err(to_py)?;
    let signatures = reading.signatures();
    let width = signature::names().len();
    let flat: Vec<f64> = signatures.iter().flat_map(|s| s.values.iter().copied()).collect();
    let mut figures = Array2::zeros((signatures.len(), width));
    figures.iter_mut().zip(flat).for_each(|(to, from)| *to = from);
    let hz: Vec<f64> = reading.hypotheses.iter().map(|h| h.electrical_hz()).collect();
    let orders: Vec<u32> = reading.hypotheses.iter().map(|h| h.line_order).collect();
    Ok((
        hz.into_pyarray(py),
        orders.into_pyarray(py),
        figures.into_pyarray(py),
        reading.record_figures().values.into_pyarray(py),
    ))
}

/// Names of the figures of a hypothesis.
#[pyfunction]
pub fn rectifier_figure_names() -> Vec<String> {
    signature::names()
}

/// Names of the figures of a record.
#[pyfunction]
pub fn rectifier_record_names() -> Vec<String> {
    signature::record_names()
}

/// The training record of the model for six or twelve pulses, as JSON.
#[pyfunction]
#[pyo3(signature = (pulse_number))]
pub fn rectifier_training_record(pulse_number: &Bound<'_, PyAny>) -> PyResult<&'static str> {
    let pulse_number = whole_number("pulse_number", "6 or 12", pulse_number)?;
    match pulse_number {
        6 => Ok(model::TRAINING_RECORD),
        12 => Ok(model::TRAINING_RECORD_12),
        _ => Err(to_py(sixpulse::Error::OutOfRange {
            parameter: "pulse_number".into(),
            expected: "6 or 12".into(),
            actual: f64::from(pulse_number),
        })),
    }
}
