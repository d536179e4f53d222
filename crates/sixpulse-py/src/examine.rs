//! `examine` and `examine_many` for Python; the frozen classes they become are in `sixpulse/results.py`.

use std::num::NonZeroUsize;
use std::sync::OnceLock;

use pyo3::exceptions::PyException;
use pyo3::prelude::*;
use sixpulse::examine::ExamineOptions;
use sixpulse::many;

use crate::error::{optional_float, to_py, wrong_type};
use crate::trace::{PyCapture, PyMachine};

/// Examines a capture; the result as plain dicts, lists, numbers, strings and None.
#[pyfunction]
#[pyo3(signature = (capture, machine=None, electrical_hz=None))]
pub fn examine<'py>(
    py: Python<'py>,
    capture: &Bound<'py, PyAny>,
    machine: Option<&Bound<'py, PyAny>>,
    electrical_hz: Option<&Bound<'py, PyAny>>,
) -> PyResult<Bound<'py, PyAny>> {
    let job = Job::of(capture, machine, electrical_hz)?;
    let result = py.detach(|| job.examined()).map_err(to_py)?;
    Ok(pythonize::pythonize(py, &result)?)
}

/// Examines captures on several threads. `make(i)` gives capture, machine and electrical frequency of row `i`; `wrap`
/// takes its result as [`examine`] gives it. Returns what `wrap` returned, or the exception that the row met.
///
/// The interpreter is attached while a row is made or wrapped, and detached while it is examined.
#[pyfunction]
pub fn examine_many(
    py: Python<'_>,
    count: usize,
    make: Py<PyAny>,
    wrap: Py<PyAny>,
    threads: NonZeroUsize,
) -> PyResult<Vec<Py<PyAny>>> {
    let stopped = OnceLock::new();
    let rows = py.detach(|| {
        many::each(count, threads, |i| {
            if stopped.get().is_some() {
                return None;
            }
            row(i, &make, &wrap).map_err(|error| stopped.set(error)).ok()
        })
    });
    match stopped.into_inner() {
        Some(error) => Err(error),
        None => Ok(rows.into_iter().flatten().collect()),
    }
}

/// One row; an error is what stops them all, such as an interrupt.
fn row(index: usize, make: &Py<PyAny>, wrap: &Py<PyAny>) -> PyResult<Py<PyAny>> {
    let job = Python::attach(|py| {
        py.check_signals()?;
        let made = make.call1(py, (index,))?;
        let (capture, machine, electrical_hz) = made.extract::<(Bound<'_, _>, Option<Bound<'_, _>>, Option<_>)>(py)?;
        Job::of(&capture, machine.as_ref(), electrical_hz.as_ref())
    });
    let result = job.and_then(|job| job.examined().map_err(to_py));
    Python::attach(|py| {
        let wrapped = result.and_then(|found| wrap.call1(py, (pythonize::pythonize(py, &found)?,)));
        wrapped.or_else(|error| kept(py, error))
    })
}

/// The exception of a row as a value, without the frames it came through; an interrupt is none.
fn kept(py: Python<'_>, error: PyErr) -> PyResult<Py<PyAny>> {
    if !error.is_instance_of::<PyException>(py) {
        return Err(error);
    }
    let value = error.into_value(py).into_any();
    value.setattr(py, "__traceback__", py.None())?;
    Ok(value)
}

/// One examination to be made; usable while the interpreter is detached.
struct Job {
    capture: Py<PyCapture>,
    options: ExamineOptions,
}

impl Job {
    fn of(
        capture: &Bound<'_, PyAny>,
        machine: Option<&Bound<'_, PyAny>>,
        electrical_hz: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<Self> {
        let capture = capture.cast::<PyCapture>().map_err(|_| wrong_type("capture", "a Capture", capture))?;
        let machine = match machine {
            Some(given) => given.cast::<PyMachine>().map_err(|_| wrong_type("machine", "a Machine", given))?.get().0,
            None => sixpulse::Machine::default(),
        };
        let options = ExamineOptions { machine, electrical_hz: optional_float("electrical_hz", electrical_hz)? };
        Ok(Self { capture: capture.clone().unbind(), options })
    }

    fn examined(&self) -> sixpulse::Result<sixpulse::Examination> {
        sixpulse::examine(&self.capture.get().0, &self.options)
    }
}
