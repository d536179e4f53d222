//! `Trace`, `Capture` and `Machine` for Python.

use std::hash::{Hash, Hasher};

use numpy::{IntoPyArray, PyArray1, PyArrayDescrMethods, PyReadonlyArray1, PyUntypedArray, PyUntypedArrayMethods};
use pyo3::exceptions::PyTypeError;
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyList, PyTuple};
use sixpulse::{Capture, Coupling, Machine, RawSamples, Role, Samples, Trace};

use crate::error::{float_argument, optional_float, raise, text_argument, to_py, wrong_type, wrong_type_named};

/// One probe's record, validated once.
///
/// Parameters
/// ----------
/// samples : array_like, shape (n,)
///     Integers are converter counts and need `scale`; those that fit 16 bits are kept as counts, wider ones become
///     float64 values. float32 and float64 are kept as they are. Without `scale`, floats are values in `unit`.
///     Any byte order and stride; the samples are copied.
/// sample_rate_hz : float
///     Samples per second, above 0. There is no default.
/// coupling : {"dc", "ac"}
///     How the instrument's input was coupled.
/// role : {"charging_post", "battery_post", "speed_sensor", "edge_sensor", "charging_current", "battery_current", "other"}
///     Where the probe was.
/// unit : str, optional
///     "V", or "A" for the two current roles, when not given. Another unit is for the role "other" alone, as a label:
///     nothing is converted by it.
/// scale : float, optional
///     Units per count: value = sample * scale + offset. Not 0.
/// offset : float, optional
///     Value of count 0, in `unit`; 0 when not given.
/// coupling_corner_hz : float, optional
///     Corner of the instrument's AC coupling, where it is known (AC-coupled traces only).
///
/// Raises
/// ------
/// EmptyInputError, NonFiniteError, ShapeError, WrongTypeError, MissingScaleError, OutOfRangeError, UnknownNameError,
/// InvalidCombinationError, AboveNyquistError
#[pyclass(name = "Trace", module = "sixpulse", frozen, eq, hash, from_py_object)]
#[derive(Debug, Clone, PartialEq)]
pub struct PyTrace(pub Trace);

impl Hash for PyTrace {
    /// Looks at 64 samples at most: equal traces hash equal, long ones hash fast.
    fn hash<H: Hasher>(&self, state: &mut H) {
        let n = self.0.len();
        n.hash(state);
        self.0.sample_rate_hz().to_bits().hash(state);
        (self.0.role(), self.0.coupling()).hash(state);
        let mut one = [0.0];
        for i in (0..n).step_by((n / 64).max(1)) {
            self.0.read(i, &mut one);
            // Adding 0 makes -0 and 0, which compare equal, hash equal.
            (one[0] + 0.0).to_bits().hash(state);
        }
    }
}

#[pymethods]
impl PyTrace {
    #[new]
    #[pyo3(signature = (samples, *, sample_rate_hz, coupling, role, unit=None, scale=None, offset=None, coupling_corner_hz=None))]
    #[allow(clippy::too_many_arguments, reason = "keyword arguments of the Python constructor")]
    fn new(
        samples: &Bound<'_, PyAny>,
        sample_rate_hz: &Bound<'_, PyAny>,
        coupling: &Bound<'_, PyAny>,
        role: &Bound<'_, PyAny>,
        unit: Option<&Bound<'_, PyAny>>,
        scale: Option<&Bound<'_, PyAny>>,
        offset: Option<&Bound<'_, PyAny>>,
        coupling_corner_hz: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<Self> {
        let sample_rate_hz = float_argument("sample_rate_hz", sample_rate_hz)?;
        let coupling: Coupling = text_argument("coupling", coupling)?.parse().map_err(to_py)?;
        let role: Role = text_argument("role", role)?.parse().map_err(to_py)?;
        let raw = raw_samples(samples, optional_float("scale", scale)?, optional_float("offset", offset)?)?;
        let mut trace = Trace::new(raw, sample_rate_hz, coupling, role).map_err(to_py)?;
        if let Some(unit) = unit {
            trace = trace.with_unit(&text_argument("unit", unit)?).map_err(to_py)?;
        }
        if let Some(corner_hz) = optional_float("coupling_corner_hz", coupling_corner_hz)? {
            trace = trace.with_coupling_corner_hz(corner_hz).map_err(to_py)?;
        }
        Ok(Self(trace))
    }

    /// Samples per second.
    #[getter]
    fn sample_rate_hz(&self) -> f64 {
        self.0.sample_rate_hz()
    }
    /// How the input was coupled: "dc" or "ac".
    #[getter]
    fn coupling(&self) -> &'static str {
        self.0.coupling().as_str()
    }
    /// Where the probe was.
    #[getter]
    fn role(&self) -> &'static str {
        self.0.role().as_str()
    }
    /// Unit of the values.
    #[getter]
    fn unit(&self) -> &str {
        self.0.unit()
    }
    /// Units per count; None where the samples are kept as values.
    #[getter]
    fn scale(&self) -> Option<f64> {
        match self.0.raw() {
            RawSamples::I16 { scale, .. } => Some(*scale),
            _ => None,
        }
    }
    /// Value of count 0, in the trace's unit; None where the samples are kept as values.
    #[getter]
    fn offset(&self) -> Option<f64> {
        match self.0.raw() {
            RawSamples::I16 { offset, .. } => Some(*offset),
            _ => None,
        }
    }
    /// Corner of the instrument's AC coupling in hertz, where it is known.
    #[getter]
    fn coupling_corner_hz(&self) -> Option<f64> {
        self.0.coupling_corner_hz()
    }
    /// Length of the record in seconds: number of samples / sample rate.
    #[getter]
    fn duration_s(&self) -> f64 {
        self.0.duration_s()
    }

    /// All samples as values in the trace's unit: a new float64 array of shape (n,).
    fn values<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        py.detach(|| self.0.to_f64()).into_pyarray(py)
    }
    /// The samples as they are kept (int16 counts, float32 or float64 values): a new array of shape (n,).
    fn raw<'py>(&self, py: Python<'py>) -> Bound<'py, PyAny> {
        match self.0.raw() {
            RawSamples::I16 { counts, .. } => PyArray1::from_slice(py, counts).into_any(),
            RawSamples::F32(v) => PyArray1::from_slice(py, v).into_any(),
            RawSamples::F64(v) => PyArray1::from_slice(py, v).into_any(),
        }
    }

    fn __len__(&self) -> usize {
        self.0.len()
    }
    #[pyo3(signature = (dtype=None, *, copy=None))]
    fn __array__<'py>(
        &self,
        py: Python<'py>,
        dtype: Option<&Bound<'py, PyAny>>,
        copy: Option<bool>,
    ) -> PyResult<Bound<'py, PyAny>> {
        if copy == Some(false) {
            return Err(pyo3::exceptions::PyValueError::new_err(
                "a Trace has no float64 buffer to share; copy=False fails",
            ));
        }
        let values = self.values(py).into_any();
        dtype.map_or_else(|| Ok(values.clone()), |dtype| values.call_method1("astype", (dtype,)))
    }
    fn __getnewargs_ex__<'py>(&self, py: Python<'py>) -> PyResult<(Bound<'py, PyTuple>, Bound<'py, PyDict>)> {
        let kwargs = PyDict::new(py);
        kwargs.set_item("sample_rate_hz", self.sample_rate_hz())?;
        kwargs.set_item("coupling", self.coupling())?;
        kwargs.set_item("role", self.role())?;
        kwargs.set_item("unit", self.unit())?;
        kwargs.set_item("scale", self.scale())?;
        kwargs.set_item("offset", self.offset())?;
        kwargs.set_item("coupling_corner_hz", self.coupling_corner_hz())?;
        Ok((PyTuple::new(py, [self.raw(py)])?, kwargs))
    }
    fn __copy__(slf: Py<Self>) -> Py<Self> {
        slf
    }
    fn __deepcopy__(slf: Py<Self>, _memo: &Bound<'_, PyAny>) -> Py<Self> {
        slf
    }
    fn __repr__(&self) -> String {
        format!("Trace({})", self.facts().iter().map(|(k, v)| format!("{k}={v}")).collect::<Vec<_>>().join(", "))
    }
    fn _repr_html_(&self) -> String {
        html_table("Trace", &self.facts())
    }
}

impl PyTrace {
    /// What both representations show.
    fn facts(&self) -> Vec<(&'static str, String)> {
        let form = match self.0.raw() {
            RawSamples::I16 { scale, offset, .. } => format!("int16 x {scale} + {offset}"),
            RawSamples::F32(_) => "float32".into(),
            RawSamples::F64(_) => "float64".into(),
        };
        let mut facts = vec![
            ("role", format!("'{}'", self.role())),
            ("coupling", format!("'{}'", self.coupling())),
            ("sample_rate_hz", self.sample_rate_hz().to_string()),
            ("samples", self.0.len().to_string()),
            ("duration_s", format!("{:.6}", self.0.duration_s())),
            ("unit", format!("'{}'", self.unit())),
            ("form", format!("'{form}'")),
        ];
        if let Some(corner_hz) = self.0.coupling_corner_hz() {
            facts.push(("coupling_corner_hz", corner_hz.to_string()));
        }
        facts
    }
}

/// Traces taken together: same sample rate, same start, same length, each under a name of the user's.
///
/// Behaves as a read-only mapping from name to `Trace`, in the order given.
///
/// Parameters
/// ----------
/// traces : mapping of str to Trace
///     At least one.
/// engine_rpm : float, optional
///     Engine speed in revolutions per minute, 0 or more, where it is known.
/// battery_temperature_c : float, optional
///     Battery temperature in degrees Celsius, -60 to 120, where it is known.
///
/// Raises
/// ------
/// EmptyInputError, RateMismatchError, LengthMismatchError, OutOfRangeError, WrongTypeError
#[pyclass(name = "Capture", module = "sixpulse", frozen, eq, hash, mapping, from_py_object)]
#[derive(Debug, Clone, PartialEq)]
pub struct PyCapture(pub Capture);

impl Hash for PyCapture {
    fn hash<H: Hasher>(&self, state: &mut H) {
        for (name, trace) in self.0.traces() {
            name.hash(state);
            PyTrace(trace.clone()).hash(state);
        }
    }
}

#[pymethods]
impl PyCapture {
    #[new]
    #[pyo3(signature = (traces, *, engine_rpm=None, battery_temperature_c=None))]
    fn new(
        traces: &Bound<'_, PyAny>,
        engine_rpm: Option<&Bound<'_, PyAny>>,
        battery_temperature_c: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<Self> {
        let mut capture = Capture::new(named_traces(traces)?).map_err(to_py)?;
        if let Some(rpm) = optional_float("engine_rpm", engine_rpm)? {
            capture = capture.with_engine_rpm(rpm).map_err(to_py)?;
        }
        if let Some(t) = optional_float("battery_temperature_c", battery_temperature_c)? {
            capture = capture.with_battery_temperature_c(t).map_err(to_py)?;
        }
        Ok(Self(capture))
    }

    /// Samples per second of every trace.
    #[getter]
    fn sample_rate_hz(&self) -> f64 {
        self.0.sample_rate_hz()
    }
    /// Number of samples of every trace.
    #[getter]
    fn sample_count(&self) -> usize {
        self.0.traces().first().map_or(0, |(_, t)| t.len())
    }
    /// Length of the record in seconds.
    #[getter]
    fn duration_s(&self) -> f64 {
        self.0.traces().first().map_or(0.0, |(_, t)| t.duration_s())
    }
    /// Engine speed in revolutions per minute, where it is known.
    #[getter]
    fn engine_rpm(&self) -> Option<f64> {
        self.0.engine_rpm()
    }
    /// Battery temperature in degrees Celsius, where it is known.
    #[getter]
    fn battery_temperature_c(&self) -> Option<f64> {
        self.0.battery_temperature_c()
    }
    /// Names of the traces, in the order given.
    #[getter]
    fn names(&self) -> Vec<String> {
        self.0.traces().iter().map(|(name, _)| name.clone()).collect()
    }

    /// Names of the traces, in the order given.
    fn keys(&self) -> Vec<String> {
        self.names()
    }
    /// The traces, in the order given.
    fn values(&self) -> Vec<PyTrace> {
        self.0.traces().iter().map(|(_, trace)| PyTrace(trace.clone())).collect()
    }
    /// Pairs of name and trace, in the order given.
    fn items(&self) -> Vec<(String, PyTrace)> {
        self.0.traces().iter().map(|(name, trace)| (name.clone(), PyTrace(trace.clone()))).collect()
    }
    /// The trace of that name, or `default`.
    #[pyo3(signature = (name, default=None))]
    fn get<'py>(
        &self,
        py: Python<'py>,
        name: &str,
        default: Option<Bound<'py, PyAny>>,
    ) -> PyResult<Option<Bound<'py, PyAny>>> {
        match self.0.trace(name) {
            Some(trace) => Ok(Some(Bound::new(py, PyTrace(trace.clone()))?.into_any())),
            None => Ok(default),
        }
    }

    fn __getitem__(&self, py: Python<'_>, name: &Bound<'_, PyAny>) -> PyResult<PyTrace> {
        let name = text_argument("name", name)?;
        self.0.trace(&name).map(|t| PyTrace(t.clone())).ok_or_else(|| self.unknown_trace(py, &name))
    }
    fn __contains__(&self, name: &Bound<'_, PyAny>) -> bool {
        name.extract::<String>().is_ok_and(|name| self.0.trace(&name).is_some())
    }
    fn __len__(&self) -> usize {
        self.0.traces().len()
    }
    fn __iter__<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        PyList::new(py, self.names())?.call_method0("__iter__")
    }
    fn __getnewargs_ex__<'py>(&self, py: Python<'py>) -> PyResult<(Bound<'py, PyTuple>, Bound<'py, PyDict>)> {
        let traces = PyDict::new(py);
        for (name, trace) in self.items() {
            traces.set_item(name, Bound::new(py, trace)?)?;
        }
        let kwargs = PyDict::new(py);
        kwargs.set_item("engine_rpm", self.engine_rpm())?;
        kwargs.set_item("battery_temperature_c", self.battery_temperature_c())?;
        Ok((PyTuple::new(py, [traces])?, kwargs))
    }
    fn __copy__(slf: Py<Self>) -> Py<Self> {
        slf
    }
    fn __deepcopy__(slf: Py<Self>, _memo: &Bound<'_, PyAny>) -> Py<Self> {
        slf
    }
    fn __repr__(&self) -> String {
        format!("Capture({})", self.facts().iter().map(|(k, v)| format!("{k}={v}")).collect::<Vec<_>>().join(", "))
    }
    fn _repr_html_(&self) -> String {
        html_table("Capture", &self.facts())
    }
}

impl PyCapture {
    fn unknown_trace(&self, py: Python<'_>, name: &str) -> PyErr {
        let fields = PyDict::new(py);
        let message = format!("name: expected one of {}, got \"{name}\"", self.names().join(", "));
        let known = PyTuple::new(py, self.names());
        match known.and_then(|k| fields.set_item("known", k)).and_then(|()| fields.set_item("actual", name)) {
            Ok(()) => raise(py, "unknown_trace", "name", &message, &fields),
            Err(failure) => failure,
        }
    }

    /// What both representations show.
    fn facts(&self) -> Vec<(&'static str, String)> {
        let traces: Vec<String> =
            self.0.traces().iter().map(|(n, t)| format!("'{n}': {} ({})", t.role(), t.coupling())).collect();
        let mut facts = vec![
            ("traces", format!("{{{}}}", traces.join(", "))),
            ("sample_rate_hz", self.sample_rate_hz().to_string()),
            ("samples", self.sample_count().to_string()),
            ("duration_s", format!("{:.6}", self.duration_s())),
        ];
        if let Some(rpm) = self.engine_rpm() {
            facts.push(("engine_rpm", rpm.to_string()));
        }
        if let Some(t) = self.battery_temperature_c() {
            facts.push(("battery_temperature_c", t.to_string()));
        }
        facts
    }
}

/// What is known of the alternator; None = not known.
///
/// Parameters
/// ----------
/// pole_pairs : int, optional
///     1 to 24.
/// pulley_ratio : float, optional
///     Alternator speed / engine speed, 0.2 to 10.
/// pulse_number : {6, 12}
///     Pulses in each electrical cycle: 6, or 12 for two stators 30 degrees apart.
///
/// Raises
/// ------
/// OutOfRangeError, WrongTypeError
#[pyclass(name = "Machine", module = "sixpulse", frozen, eq, hash, from_py_object)]
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PyMachine(pub Machine);

impl Hash for PyMachine {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.0.pole_pairs().hash(state);
        self.0.pulley_ratio().map(f64::to_bits).hash(state);
        self.0.pulse_number().hash(state);
    }
}

#[pymethods]
impl PyMachine {
    #[new]
    #[pyo3(
        signature = (*, pole_pairs=None, pulley_ratio=None, pulse_number=None),
        text_signature = "(*, pole_pairs=None, pulley_ratio=None, pulse_number=6)"
    )]
    fn new(
        pole_pairs: Option<&Bound<'_, PyAny>>,
        pulley_ratio: Option<&Bound<'_, PyAny>>,
        pulse_number: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<Self> {
        let pole_pairs = pole_pairs.map(|v| whole_number("pole_pairs", "1 to 24", v)).transpose()?;
        let pulley_ratio = optional_float("pulley_ratio", pulley_ratio)?;
        let pulse_number = pulse_number.map_or(Ok(6), |v| whole_number("pulse_number", "6 or 12", v))?;
        Machine::new(pole_pairs, pulley_ratio, pulse_number).map(Self).map_err(to_py)
    }

    /// Pole pairs, where known.
    #[getter]
    fn pole_pairs(&self) -> Option<u32> {
        self.0.pole_pairs()
    }
    /// Alternator speed / engine speed, where known.
    #[getter]
    fn pulley_ratio(&self) -> Option<f64> {
        self.0.pulley_ratio()
    }
    /// Pulses in each electrical cycle.
    #[getter]
    fn pulse_number(&self) -> u32 {
        self.0.pulse_number()
    }
    /// Electrical frequency in hertz at an engine speed: engine_rpm / 60 * pulley_ratio * pole_pairs; None when the
    /// ratio or the pole pairs are not known, or the engine stands.
    fn electrical_hz(&self, engine_rpm: &Bound<'_, PyAny>) -> PyResult<Option<f64>> {
        Ok(self.0.electrical_hz(float_argument("engine_rpm", engine_rpm)?))
    }

    fn __getnewargs_ex__<'py>(&self, py: Python<'py>) -> PyResult<(Bound<'py, PyTuple>, Bound<'py, PyDict>)> {
        let kwargs = PyDict::new(py);
        kwargs.set_item("pole_pairs", self.pole_pairs())?;
        kwargs.set_item("pulley_ratio", self.pulley_ratio())?;
        kwargs.set_item("pulse_number", self.pulse_number())?;
        Ok((PyTuple::empty(py), kwargs))
    }
    fn __repr__(&self) -> String {
        let word = |v: Option<String>| v.unwrap_or_else(|| "None".into());
        format!(
            "Machine(pole_pairs={}, pulley_ratio={}, pulse_number={})",
            word(self.pole_pairs().map(|v| v.to_string())),
            word(self.pulley_ratio().map(|v| v.to_string())),
            self.pulse_number()
        )
    }
}

/// A whole number; a negative or too large one is out of range, anything else a wrong type.
pub fn whole_number(parameter: &str, expected: &str, value: &Bound<'_, PyAny>) -> PyResult<u32> {
    if let Ok(number) = value.extract::<u32>() {
        return Ok(number);
    }
    let index = value.call_method0("__index__").map_err(|_| wrong_type(parameter, "a whole number", value))?;
    let actual = index.extract::<f64>().unwrap_or(f64::INFINITY);
    Err(to_py(sixpulse::Error::OutOfRange { parameter: parameter.into(), expected: expected.into(), actual }))
}

fn named_traces(traces: &Bound<'_, PyAny>) -> PyResult<Vec<(String, Trace)>> {
    let expected = "a mapping of name to Trace";
    let items = traces.call_method0("items").map_err(|_| wrong_type("traces", expected, traces))?;
    items
        .try_iter()?
        .map(|item| {
            let (name, trace): (Bound<'_, PyAny>, Bound<'_, PyAny>) = item?.extract()?;
            let name = name.extract::<String>().map_err(|_| wrong_type("traces", "names that are strings", &name))?;
            let parameter = format!("traces[\"{name}\"]");
            let trace = trace.cast::<PyTrace>().map_err(|_| wrong_type(&parameter, "a Trace", &trace))?;
            Ok((name, trace.get().0.clone()))
        })
        .collect()
}

/// One-dimensional samples in the form the core keeps.
pub(crate) fn raw_samples(samples: &Bound<'_, PyAny>, scale: Option<f64>, offset: Option<f64>) -> PyResult<RawSamples> {
    let array = one_dimensional("samples", samples)?;
    let kind = array.dtype().kind();
    match (kind, scale) {
        (b'i' | b'u', None) => Err(missing_scale(&array)),
        (b'i' | b'u', Some(scale)) => integer_samples(&array, scale, offset.unwrap_or(0.0)),
        (b'f', None) if offset.is_none() => float_samples(&array),
        (b'f', _) => scaled_floats(&array, scale.unwrap_or(1.0), offset.unwrap_or(0.0)),
        _ => Err(not_numbers("samples", &array)),
    }
}

/// A float64 copy of a one-dimensional array of real numbers, for functions that take plain values.
pub fn values_1d(parameter: &str, samples: &Bound<'_, PyAny>) -> PyResult<Vec<f64>> {
    let array = one_dimensional(parameter, samples)?;
    match array.dtype().kind() {
        b'i' | b'u' | b'f' => native(&array),
        _ => Err(not_numbers(parameter, &array)),
    }
}

/// Any one-dimensional array-like as a NumPy array; another number of dimensions is a `wrong_shape`.
pub(crate) fn one_dimensional<'py>(
    parameter: &str,
    samples: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyUntypedArray>> {
    let py = samples.py();
    let numpy = py.import("numpy")?;
    // Loading `numpy.ma` takes longer than an examination; where nobody has, nothing can be masked.
    let masked = py.import("sys")?.getattr("modules")?.call_method1("get", ("numpy.ma",))?;
    if !masked.is_none() && samples.is_instance(&masked.getattr("MaskedArray")?)? {
        return Err(wrong_type(parameter, "samples without a mask", samples));
    }
    let array = numpy
        .call_method1("asarray", (samples,))
        .map_err(|_| wrong_type_named(py, parameter, "a one-dimensional array of numbers", "an irregular sequence"))?;
    let array = array.cast_into::<PyUntypedArray>().map_err(PyErr::from)?;
    if array.ndim() == 1 {
        return Ok(array);
    }
    let fields = PyDict::new(py);
    fields.set_item("expected", "one dimension")?;
    fields.set_item("actual", PyTuple::new(py, array.shape())?)?;
    let message = format!("{parameter}: expected one dimension, got shape {:?}", array.shape());
    Err(raise(py, "wrong_shape", parameter, &message, &fields))
}

pub(crate) fn not_numbers(parameter: &str, array: &Bound<'_, PyUntypedArray>) -> PyErr {
    let actual = format!("data type {}", array.dtype());
    wrong_type_named(array.py(), parameter, "real numbers", &actual)
}

pub(crate) fn missing_scale(array: &Bound<'_, PyUntypedArray>) -> PyErr {
    let py = array.py();
    let dtype = array.dtype().to_string();
    let message = format!("scale: integer samples ({dtype}) are counts and need the units per count");
    let fields = PyDict::new(py);
    match fields.set_item("dtype", dtype) {
        Ok(()) => raise(py, "missing_scale", "scale", &message, &fields),
        Err(failure) => failure,
    }
}

/// A contiguous copy in native byte order.
pub(crate) fn native<T: numpy::Element + Copy>(array: &Bound<'_, PyUntypedArray>) -> PyResult<Vec<T>> {
    let numpy = array.py().import("numpy")?;
    let converted = numpy.call_method1("ascontiguousarray", (array, numpy::dtype::<T>(array.py())))?;
    let readonly: PyReadonlyArray1<'_, T> = converted.extract().map_err(|_| PyTypeError::new_err("not an array"))?;
    Ok(readonly.as_slice().map_err(|e| PyTypeError::new_err(e.to_string()))?.to_vec())
}

fn integer_samples(array: &Bound<'_, PyUntypedArray>, scale: f64, offset: f64) -> PyResult<RawSamples> {
    if array.len() == 0 || fits_i16(array)? {
        return Ok(RawSamples::I16 { counts: native(array)?, scale, offset });
    }
    scaled_floats(array, scale, offset)
}

pub(crate) fn fits_i16(array: &Bound<'_, PyUntypedArray>) -> PyResult<bool> {
    if array.dtype().itemsize() == 1 || (array.dtype().kind() == b'i' && array.dtype().itemsize() == 2) {
        return Ok(true);
    }
    let low: i128 = array.call_method0("min")?.call_method0("__int__")?.extract()?;
    let high: i128 = array.call_method0("max")?.call_method0("__int__")?.extract()?;
    Ok(low >= i128::from(i16::MIN) && high <= i128::from(i16::MAX))
}

fn float_samples(array: &Bound<'_, PyUntypedArray>) -> PyResult<RawSamples> {
    // float16 widens to float32 without loss; anything wider than float64 is rounded to it.
    if array.dtype().itemsize() <= 4 {
        Ok(RawSamples::F32(native(array)?))
    } else {
        Ok(RawSamples::F64(native(array)?))
    }
}

fn scaled_floats(array: &Bound<'_, PyUntypedArray>, scale: f64, offset: f64) -> PyResult<RawSamples> {
    let bad = |parameter: &str, expected: &str, actual: f64| {
        to_py(sixpulse::Error::OutOfRange { parameter: parameter.into(), expected: expected.into(), actual })
    };
    if !scale.is_finite() || scale == 0.0 {
        return Err(bad("scale", "a finite number other than 0", scale));
    }
    if !offset.is_finite() {
        return Err(bad("offset", "a finite number", offset));
    }
    let mut values: Vec<f64> = native(array)?;
    for value in &mut values {
        *value = *value * scale + offset;
    }
    Ok(RawSamples::F64(values))
}

/// A two-column table of facts, every text escaped.
fn html_table(caption: &str, facts: &[(&str, String)]) -> String {
    let rows: String = facts
        .iter()
        .map(|(name, value)| format!("<tr><th scope=\"row\">{}</th><td>{}</td></tr>", escape(name), escape(value)))
        .collect();
    format!("<table><caption>{}</caption><tbody>{rows}</tbody></table>", escape(caption))
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;").replace('\'', "&#x27;")
}
