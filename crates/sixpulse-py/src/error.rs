//! The one place where errors become Python exceptions; the classes are in `sixpulse/errors.py`.

use pyo3::exceptions::PyRuntimeError;
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyString};
use sixpulse::Error;

/// The Python exception for an error of the core.
pub fn to_py(err: Error) -> PyErr {
    Python::attach(|py| match core_fields(py, &err) {
        Ok(fields) => raise(py, err.code(), err.parameter(), &err.to_string(), &fields),
        Err(failure) => failure,
    })
}

/// The Python exception of a code, with its figures; for errors that arise in the binding itself or in a crate other
/// than the core.
pub fn raise(py: Python<'_>, code: &str, parameter: &str, message: &str, fields: &Bound<'_, PyDict>) -> PyErr {
    let built = py
        .import("sixpulse.errors")
        .and_then(|module| module.getattr("from_core"))
        .and_then(|build| build.call1((code, parameter, message, fields)));
    match built {
        Ok(instance) => PyErr::from_value(instance),
        Err(failure) => {
            let fallback = PyRuntimeError::new_err(format!("{code}: {message}"));
            fallback.set_cause(py, Some(failure));
            fallback
        }
    }
}

/// `wrong_type`: a value of the wrong Python type.
pub fn wrong_type(parameter: &str, expected: &str, value: &Bound<'_, PyAny>) -> PyErr {
    let actual = value.get_type().name().map_or_else(|_| "an unnamed type".to_owned(), |n| n.to_string());
    wrong_type_named(value.py(), parameter, expected, &actual)
}

/// `wrong_type` with the type's name in words, such as an array's data type.
pub fn wrong_type_named(py: Python<'_>, parameter: &str, expected: &str, actual: &str) -> PyErr {
    let fields = PyDict::new(py);
    let message = format!("{parameter}: expected {expected}, got {actual}");
    match fields.set_item("expected", expected).and_then(|()| fields.set_item("actual", actual)) {
        Ok(()) => raise(py, "wrong_type", parameter, &message, &fields),
        Err(failure) => failure,
    }
}

/// A float argument; anything that is not a real number is a `wrong_type`.
pub fn float_argument(parameter: &str, value: &Bound<'_, PyAny>) -> PyResult<f64> {
    value.extract().map_err(|_| wrong_type(parameter, "a number", value))
}

/// As [`float_argument`], `None` passing through.
pub fn optional_float(parameter: &str, value: Option<&Bound<'_, PyAny>>) -> PyResult<Option<f64>> {
    value.map(|v| float_argument(parameter, v)).transpose()
}

/// A text argument; anything else is a `wrong_type`, also half a surrogate pair, which no encoding can write.
pub fn text_argument(parameter: &str, value: &Bound<'_, PyAny>) -> PyResult<String> {
    value.extract().map_err(|_| {
        if value.is_instance_of::<PyString>() {
            wrong_type_named(value.py(), parameter, "a string", "one that is no Unicode text")
        } else {
            wrong_type(parameter, "a string", value)
        }
    })
}

fn core_fields<'py>(py: Python<'py>, err: &Error) -> PyResult<Bound<'py, PyDict>> {
    let fields = PyDict::new(py);
    match err {
        Error::NonFinite { index, .. } => fields.set_item("index", index)?,
        Error::OutOfRange { expected, actual, .. } => {
            fields.set_item("expected", expected)?;
            fields.set_item("actual", actual)?;
        }
        Error::TooShort { minimum, actual, .. } => {
            fields.set_item("minimum", minimum)?;
            fields.set_item("actual", actual)?;
        }
        Error::LengthMismatch { expected, actual, .. } => {
            fields.set_item("expected", expected)?;
            fields.set_item("actual", actual)?;
        }
        Error::RateMismatch { expected_hz, actual_hz, .. } => {
            fields.set_item("expected_hz", expected_hz)?;
            fields.set_item("actual_hz", actual_hz)?;
        }
        Error::AboveNyquist { nyquist_hz, frequency_hz, .. } => {
            fields.set_item("nyquist_hz", nyquist_hz)?;
            fields.set_item("frequency_hz", frequency_hz)?;
        }
        Error::UnknownName { expected, actual, .. } => {
            fields.set_item("expected", expected)?;
            fields.set_item("actual", actual)?;
        }
        Error::InvalidCombination { reason, .. } | Error::Undetermined { reason, .. } => {
            fields.set_item("reason", reason)?;
        }
        Error::NoConvergence { iterations, .. } => fields.set_item("iterations", iterations)?,
        // `EmptyInput` has no figures; a variant added later still raises under its code.
        _ => {}
    }
    Ok(fields)
}
