//! Files: which reader, how a text file is understood, and the step from columns to a capture.

use std::path::PathBuf;

use pyo3::prelude::*;
use pyo3::types::{PyDict, PyTuple};
use sixpulse::{Coupling, RawSamples, Role};
use sixpulse_io::csv::{ColumnKind, CsvDialect, Hints};
use sixpulse_io::{Channel, Column, ColumnKey, Error, Rate, Reason, Recording, Request, Scaling};

use crate::error::{raise, to_py};
use crate::trace::{PyCapture, raw_samples, values_1d};

/// The Python exception for an error of the readers, with file, row and column as attributes.
fn read_error(err: &Error) -> PyErr {
    Python::attach(|py| {
        let fields = PyDict::new(py);
        let filled = fields
            .set_item("path", err.path().display().to_string())
            .and_then(|()| fields.set_item("row", err.row()))
            .and_then(|()| fields.set_item("column", err.column()))
            .and_then(|()| add_figures(&fields, err.reason()));
        match filled {
            Ok(()) => raise(py, err.code(), err.reason().parameter(), &err.to_string(), &fields),
            Err(failure) => failure,
        }
    })
}

fn add_figures(fields: &Bound<'_, PyDict>, reason: &Reason) -> PyResult<()> {
    match reason {
        Reason::RateConflict { first_hz, second_hz, .. } => {
            fields.set_item("first_hz", first_hz)?;
            fields.set_item("second_hz", second_hz)
        }
        Reason::NonUniformTime { time_s, deviation_s, step_s } => {
            fields.set_item("time_s", time_s)?;
            fields.set_item("deviation_s", deviation_s)?;
            fields.set_item("step_s", step_s)
        }
        Reason::OverRange { cell } | Reason::MissingValue { cell } => fields.set_item("cell", cell),
        Reason::Unwritable { cause } => fields.set_item("reason", cause),
        Reason::Core(sixpulse::Error::NonFinite { index, .. }) => fields.set_item("index", index),
        Reason::Core(sixpulse::Error::OutOfRange { expected, actual, .. }) => {
            fields.set_item("expected", expected)?;
            fields.set_item("actual", actual)
        }
        Reason::Core(sixpulse::Error::UnknownName { expected, actual, .. }) => {
            fields.set_item("expected", expected)?;
            fields.set_item("actual", actual)
        }
        Reason::Core(sixpulse::Error::InvalidCombination { reason, .. }) => fields.set_item("reason", reason),
        _ => Ok(()),
    }
}

/// A column by position or by name.
#[derive(FromPyObject)]
pub enum Key {
    Position(usize),
    Name(String),
}

/// Column, role, name, coupling, scale, unit.
type ChannelArgument = (Key, String, Option<String>, Option<String>, Option<f64>, Option<String>);

/// What the caller says of the whole file: sample rate, engine speed, battery temperature.
type CaptureArguments = (Option<f64>, Option<f64>, Option<f64>);

fn request(channels: Vec<ChannelArgument>, whole: CaptureArguments) -> PyResult<Request> {
    let channels = channels.into_iter().map(|(key, role, name, coupling, scale, unit)| {
        let column = match key {
            Key::Position(position) => ColumnKey::Position(position),
            Key::Name(name) => ColumnKey::Name(name),
        };
        let role: Role = role.parse().map_err(to_py)?;
        let coupling: Option<Coupling> = coupling.map(|c| c.parse().map_err(to_py)).transpose()?;
        Ok(Channel { column, role, name, coupling, scale, unit })
    });
    Ok(Request {
        channels: channels.collect::<PyResult<_>>()?,
        sample_rate_hz: whole.0,
        engine_rpm: whole.1,
        battery_temperature_c: whole.2,
        ..Request::default()
    })
}

/// The request for a file that states its roles itself: one coupling, scale and unit for all.
fn stated_request(mut request: Request, all: (Option<String>, Option<f64>, Option<String>)) -> PyResult<Request> {
    request.coupling = all.0.map(|c| c.parse().map_err(to_py)).transpose()?;
    (request.scale, request.unit) = (all.1, all.2);
    Ok(request)
}

/// The kind of a file: "csv", "wav", "npy", "npz", "parquet" or "comtrade".
#[pyfunction]
pub fn detect_format(path: PathBuf) -> PyResult<&'static str> {
    sixpulse_io::detect(&path).map(sixpulse_io::Format::as_str).map_err(|e| read_error(&e))
}

/// Reads a capture from a CSV, WAV or NPY file.
#[pyfunction]
#[pyo3(signature = (path, channels, whole, shared, dialect=None))]
pub fn read_file(
    py: Python<'_>,
    path: PathBuf,
    channels: Vec<ChannelArgument>,
    whole: CaptureArguments,
    shared: (Option<String>, Option<f64>, Option<String>),
    dialect: Option<PyRef<'_, PyCsvDialect>>,
) -> PyResult<PyCapture> {
    let request = stated_request(request(channels, whole)?, shared)?;
    let dialect = dialect.map(|d| d.0.clone());
    let capture = py.detach(|| match &dialect {
        Some(dialect) => sixpulse_io::csv::read(&path, &request, Some(dialect))?.into_capture(&request),
        None => sixpulse_io::read(&path, &request),
    });
    capture.map(PyCapture).map_err(|e| read_error(&e))
}

/// One column read in Python: position, heading, samples, units per count, offset, stated unit, coupling, corner and role.
#[derive(FromPyObject)]
pub struct ColumnArgument<'py> {
    position: usize,
    heading: String,
    samples: Bound<'py, PyAny>,
    scale: Option<f64>,
    offset: Option<f64>,
    unit: Option<String>,
    coupling: Option<String>,
    coupling_corner_hz: Option<f64>,
    role: Option<String>,
}

impl ColumnArgument<'_> {
    fn column(self) -> PyResult<Column> {
        let position = self.position;
        let kind: char = self.samples.getattr("dtype")?.getattr("kind")?.extract()?;
        let bare = kind != 'f' && self.scale.is_none();
        // Bare counts keep the scale 1 until the request gives theirs.
        let samples: RawSamples = raw_samples(&self.samples, self.scale.or(bare.then_some(1.0)), self.offset)?;
        let scaling = if bare { Scaling::Counts } else { Scaling::Units };
        let mut column = match &self.unit {
            Some(unit) => Column::new(position, &self.heading, samples, scaling).with_stated_unit(unit),
            None => Column::from_heading(position, &self.heading, samples, scaling),
        };
        column.coupling = self.coupling.map(|c| c.parse().map_err(to_py)).transpose()?;
        column.coupling_corner_hz = self.coupling_corner_hz;
        column.role = self.role.map(|r| r.parse().map_err(to_py)).transpose()?;
        Ok(column)
    }
}

/// A capture from columns that Python read; `rates` are pairs of hertz and source, `times` a heading and its seconds.
#[pyfunction]
#[pyo3(signature = (path, columns, channels, whole, shared, *, rates, stated, times=None))]
#[allow(clippy::too_many_arguments, reason = "one call from the package's own readers")]
pub fn assemble(
    py: Python<'_>,
    path: PathBuf,
    columns: Vec<ColumnArgument<'_>>,
    channels: Vec<ChannelArgument>,
    whole: CaptureArguments,
    shared: (Option<String>, Option<f64>, Option<String>),
    rates: Vec<(f64, String)>,
    stated: (Option<f64>, Option<f64>),
    times: Option<(String, Bound<'_, PyAny>)>,
) -> PyResult<PyCapture> {
    let request = stated_request(request(channels, whole)?, shared)?;
    let columns = columns.into_iter().map(ColumnArgument::column).collect::<PyResult<Vec<_>>>()?;
    let times = times.map(|(name, seconds)| Ok::<_, PyErr>((name, values_1d("times", &seconds)?))).transpose()?;
    let rates = rates.into_iter().map(|(hz, source)| Rate { hz, source, uncertainty_hz: 0.0 }).collect();
    let (engine_rpm, battery_temperature_c) = stated;
    let mut recording = Recording { path, columns, rates, engine_rpm, battery_temperature_c };
    let capture = py.detach(|| {
        if let Some((name, seconds)) = times {
            recording.rates.push(sixpulse_io::even_rate(&recording.path, &name, &seconds)?);
        }
        recording.into_capture(&request)
    });
    capture.map(PyCapture).map_err(|e| read_error(&e))
}

/// Writes a capture as CSV, whole or not at all.
#[pyfunction]
pub fn write_csv(py: Python<'_>, path: PathBuf, capture: PyRef<'_, PyCapture>) -> PyResult<()> {
    let capture = &capture.0;
    py.detach(|| sixpulse_io::csv::write(&path, capture)).map_err(|e| read_error(&e))
}

/// Says how a text file is to be read.
#[pyfunction]
#[pyo3(signature = (path, *, encoding=None, delimiter=None, decimal=None))]
pub fn sniff(
    py: Python<'_>,
    path: PathBuf,
    encoding: Option<&str>,
    delimiter: Option<char>,
    decimal: Option<char>,
) -> PyResult<PyCsvDialect> {
    let encoding = encoding.map(|e| e.parse().map_err(to_py)).transpose()?;
    let hints = Hints { encoding, delimiter, decimal };
    py.detach(|| sixpulse_io::csv::sniff(&path, &hints)).map(PyCsvDialect).map_err(|e| read_error(&e))
}

/// How a text file is understood; made by `sniff`, shown by `str`, saved by `to_dict` and restored by `from_dict`.
#[pyclass(name = "CsvDialect", module = "sixpulse", frozen, eq, from_py_object)]
#[derive(Debug, Clone, PartialEq)]
pub struct PyCsvDialect(CsvDialect);

#[pymethods]
impl PyCsvDialect {
    /// The dialect that `to_dict` made a dict of.
    #[staticmethod]
    fn from_dict(document: &Bound<'_, PyAny>) -> PyResult<Self> {
        pythonize::depythonize(document).map(Self).map_err(|cause| {
            let py = document.py();
            let fields = PyDict::new(py);
            match fields.set_item("reason", cause.to_string()) {
                Ok(()) => raise(py, "invalid_document", "document", &format!("document: {cause}"), &fields),
                Err(failure) => failure,
            }
        })
    }
    /// Everything the dialect says, as plain Python values.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        Ok(pythonize::pythonize(py, &self.0)?)
    }
    /// Character encoding.
    #[getter]
    fn encoding(&self) -> &'static str {
        self.0.encoding.as_str()
    }
    /// Character between fields; a blank stands for any run of blanks.
    #[getter]
    fn delimiter(&self) -> char {
        self.0.delimiter
    }
    /// Decimal mark.
    #[getter]
    fn decimal(&self) -> char {
        self.0.decimal
    }
    /// Row of the column names, counting from 1; None without header.
    #[getter]
    fn header_row(&self) -> Option<u64> {
        self.0.header_row
    }
    /// Row of the units, counting from 1; None where they have no row of their own.
    #[getter]
    fn units_row(&self) -> Option<u64> {
        self.0.units_row
    }
    /// First row of numbers, counting from 1.
    #[getter]
    fn first_data_row(&self) -> u64 {
        self.0.first_data_row
    }
    /// Row that states the sample interval or rate, counting from 1; None where none does.
    #[getter]
    fn rate_row(&self) -> Option<u64> {
        self.0.rate_row
    }
    /// Names of the columns, in order.
    #[getter]
    fn column_names<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyTuple>> {
        PyTuple::new(py, self.0.columns.iter().map(|c| c.name.as_str()))
    }
    /// Position of the time column, counting from 0; None where there is none.
    #[getter]
    fn time_column(&self) -> Option<usize> {
        self.0.time_column()
    }
    /// Why the file is understood so, one statement each.
    #[getter]
    fn notes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyTuple>> {
        PyTuple::new(py, &self.0.notes)
    }
    /// The same dialect with another kind ("value", "time", "index") for the column at a position.
    fn with_kind(&self, position: usize, kind: &str) -> PyResult<Self> {
        let kind: ColumnKind = kind.parse().map_err(to_py)?;
        Ok(Self(self.0.clone().with_kind(position, kind)))
    }
    fn __reduce__<'py>(slf: &Bound<'py, Self>) -> PyResult<(Bound<'py, PyAny>, Bound<'py, PyTuple>)> {
        let document = slf.get().to_dict(slf.py())?;
        Ok((slf.get_type().getattr("from_dict")?, PyTuple::new(slf.py(), [document])?))
    }
    fn __str__(&self) -> String {
        self.0.to_string()
    }
    fn __repr__(&self) -> String {
        format!("<CsvDialect: {}>", self.0.to_string().trim_end().replace('\n', "; "))
    }
}
