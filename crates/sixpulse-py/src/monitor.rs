//! `Monitor` for Python; the documentation and the result classes are in `sixpulse/monitor.py`.

use std::sync::{Mutex, MutexGuard, PoisonError};

use numpy::{PyArrayDescrMethods, PyUntypedArray, PyUntypedArrayMethods};
use pyo3::prelude::*;
use sixpulse::monitor::{Channel, Chunk, Monitor, MonitorSettings, SampleFormat};
use sixpulse::{Coupling, Error, Role};

use crate::error::{float_argument, optional_float, text_argument, to_py, wrong_type};
use crate::trace::{PyCapture, PyMachine, fits_i16, missing_scale, native, not_numbers, one_dimensional};

/// Samples of one channel, copied while the interpreter is attached.
enum Owned {
    F64(Vec<f64>),
    F32(Vec<f32>),
    I16(Vec<i16>),
}

impl Owned {
    fn new(channel: &Channel, samples: &Bound<'_, PyAny>) -> PyResult<Self> {
        let parameter = format!("chunks[\"{}\"]", channel.name());
        let array = one_dimensional(&parameter, samples)?;
        let kind = array.dtype().kind();
        match (kind, channel.format()) {
            (b'i' | b'u', SampleFormat::Counts { .. }) => Self::counts(&parameter, &array),
            (b'i' | b'u', _) => Err(missing_scale(&array)),
            (b'f', SampleFormat::F32) => Ok(Self::F32(native(&array)?)),
            (b'f', _) if array.dtype().itemsize() <= 4 => Ok(Self::F32(native(&array)?)),
            (b'f', _) => Ok(Self::F64(native(&array)?)),
            // An empty list has no kind of its own; NumPy makes floats of it.
            _ => Err(not_numbers(&parameter, &array)),
        }
    }

    fn counts(parameter: &str, array: &Bound<'_, PyUntypedArray>) -> PyResult<Self> {
        if array.len() == 0 || fits_i16(array)? {
            return Ok(Self::I16(native(array)?));
        }
        let expected = "counts of 16 bits, -32768 to 32767".to_owned();
        let actual = array.call_method0("max")?.extract::<f64>()?;
        Err(to_py(Error::OutOfRange { parameter: parameter.into(), expected, actual }))
    }

    fn chunk(&self) -> Chunk<'_> {
        match self {
            Self::F64(v) => Chunk::F64(v),
            Self::F32(v) => Chunk::F32(v),
            Self::I16(v) => Chunk::I16(v),
        }
    }
}

/// A channel from an object with its settings.
fn channel_argument(name: &str, settings: &Bound<'_, PyAny>) -> PyResult<Channel> {
    let parameter = format!("channels[\"{name}\"]");
    let get = |field: &str| settings.getattr(field).map_err(|_| wrong_type(&parameter, "a Channel", settings));
    let number = |field: &str| {
        let value = get(field)?;
        optional_float(field, (!value.is_none()).then_some(&value))
    };
    let role: Role = text_argument("role", &get("role")?)?.parse().map_err(to_py)?;
    let coupling: Coupling = text_argument("coupling", &get("coupling")?)?.parse().map_err(to_py)?;
    let format = match (number("scale")?, number("offset")?, text_argument("dtype", &get("dtype")?)?.as_str()) {
        (Some(scale), offset, "float64") => SampleFormat::Counts { scale, offset: offset.unwrap_or(0.0) },
        (None, None, "float64") => SampleFormat::F64,
        (None, None, "float32") => SampleFormat::F32,
        (None, None, other) => {
            let (expected, actual) = ("float64, float32".into(), other.into());
            return Err(to_py(Error::UnknownName { parameter: "dtype".into(), expected, actual }));
        }
        _ => {
            let reason = "scale, offset and dtype: counts have a scale (and an offset), values have a dtype".into();
            return Err(to_py(Error::InvalidCombination { parameter, reason }));
        }
    };
    let mut channel = Channel::new(name, role, coupling).with_format(format);
    if let Some(corner_hz) = number("coupling_corner_hz")? {
        channel = channel.with_coupling_corner_hz(corner_hz);
    }
    let range = get("range")?;
    if !range.is_none() {
        let (low, high) =
            range.extract().map_err(|_| wrong_type("range", "two numbers, lower and upper end", &range))?;
        channel = channel.with_range(low, high);
    }
    Ok(channel)
}

/// Rolling figures of a stream of samples. One thread at a time works on it; further calls wait.
#[pyclass(name = "Monitor", module = "sixpulse._core", frozen)]
pub struct PyMonitor {
    // Neither the channels nor their order ever change.
    channels: Vec<Channel>,
    inner: Mutex<Monitor>,
}

impl PyMonitor {
    fn lock(&self) -> MutexGuard<'_, Monitor> {
        // The core does not panic; a poisoned lock would still hold a usable monitor.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn changed(
        &self,
        py: Python<'_>,
        change: impl FnOnce(&mut Monitor) -> sixpulse::Result<()> + Send,
    ) -> PyResult<()> {
        py.detach(|| change(&mut self.lock())).map_err(to_py)
    }
}

#[pymethods]
impl PyMonitor {
    #[new]
    #[pyo3(signature = (channels, *, sample_rate_hz, window_s, machine, electrical_hz, engine_rpm, battery_temperature_c, judge_every_s, time_tolerance_s))]
    #[allow(clippy::too_many_arguments, reason = "keyword arguments of the Python constructor")]
    fn new(
        py: Python<'_>,
        channels: Vec<(String, Bound<'_, PyAny>)>,
        sample_rate_hz: &Bound<'_, PyAny>,
        window_s: &Bound<'_, PyAny>,
        machine: Option<&Bound<'_, PyAny>>,
        electrical_hz: Option<&Bound<'_, PyAny>>,
        engine_rpm: Option<&Bound<'_, PyAny>>,
        battery_temperature_c: Option<&Bound<'_, PyAny>>,
        judge_every_s: Option<&Bound<'_, PyAny>>,
        time_tolerance_s: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<Self> {
        let rate = float_argument("sample_rate_hz", sample_rate_hz)?;
        let mut settings = MonitorSettings::new(rate, float_argument("window_s", window_s)?);
        if let Some(given) = machine {
            let machine = given.cast::<PyMachine>().map_err(|_| wrong_type("machine", "a Machine", given))?;
            settings = settings.with_machine(machine.get().0);
        }
        type Set = fn(MonitorSettings, f64) -> MonitorSettings;
        let numbers: [(&str, Option<&Bound<'_, PyAny>>, Set); 5] = [
            ("electrical_hz", electrical_hz, MonitorSettings::with_electrical_hz),
            ("engine_rpm", engine_rpm, MonitorSettings::with_engine_rpm),
            ("battery_temperature_c", battery_temperature_c, MonitorSettings::with_battery_temperature_c),
            ("judge_every_s", judge_every_s, MonitorSettings::with_judge_every_s),
            ("time_tolerance_s", time_tolerance_s, MonitorSettings::with_time_tolerance_s),
        ];
        for (name, value, set) in numbers {
            if let Some(value) = optional_float(name, value)? {
                settings = set(settings, value);
            }
        }
        let channels: Vec<Channel> =
            channels.iter().map(|(name, channel)| channel_argument(name, channel)).collect::<PyResult<_>>()?;
        let built = channels.clone();
        let inner = py.detach(|| Monitor::new(built, settings)).map_err(to_py)?;
        Ok(Self { channels, inner: Mutex::new(inner) })
    }

    /// Takes the next samples of every channel, in the order of the channels.
    #[pyo3(signature = (chunks, *, start_s, sample_rate_hz))]
    fn push(
        &self,
        py: Python<'_>,
        chunks: Vec<Bound<'_, PyAny>>,
        start_s: Option<&Bound<'_, PyAny>>,
        sample_rate_hz: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<(u64, u64, Option<&'static str>)> {
        let start_s = optional_float("start_s", start_s)?;
        let sample_rate_hz = optional_float("sample_rate_hz", sample_rate_hz)?;
        let owned: Vec<Owned> =
            self.channels.iter().zip(&chunks).map(|(c, x)| Owned::new(c, x)).collect::<PyResult<_>>()?;
        let pushed = py.detach(|| {
            let views: Vec<Chunk<'_>> = owned.iter().map(Owned::chunk).collect();
            let mut monitor = self.lock();
            if let Some(hz) = sample_rate_hz {
                monitor.check_rate(hz)?;
            }
            match start_s {
                Some(start_s) => monitor.push_at(&views, start_s),
                None => monitor.push(&views),
            }
        });
        let pushed = pushed.map_err(to_py)?;
        Ok((pushed.position, pushed.updates, pushed.judgement_due.map(|due| due.as_str())))
    }

    fn gap(&self, py: Python<'_>, lost_samples: u64) -> PyResult<()> {
        self.changed(py, |monitor| monitor.gap(lost_samples))
    }

    fn change_rate(&self, py: Python<'_>, sample_rate_hz: &Bound<'_, PyAny>) -> PyResult<()> {
        let hz = float_argument("sample_rate_hz", sample_rate_hz)?;
        self.changed(py, |monitor| monitor.change_rate(hz))
    }

    fn reset(&self, py: Python<'_>) -> PyResult<()> {
        self.changed(py, Monitor::reset)
    }

    #[pyo3(signature = (engine_rpm, /))]
    fn set_engine_rpm(&self, py: Python<'_>, engine_rpm: Option<&Bound<'_, PyAny>>) -> PyResult<()> {
        let rpm = optional_float("engine_rpm", engine_rpm)?;
        self.changed(py, |monitor| monitor.set_engine_rpm(rpm))
    }

    #[pyo3(signature = (battery_temperature_c, /))]
    fn set_battery_temperature_c(
        &self,
        py: Python<'_>,
        battery_temperature_c: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<()> {
        let temperature_c = optional_float("battery_temperature_c", battery_temperature_c)?;
        self.changed(py, |monitor| monitor.set_battery_temperature_c(temperature_c))
    }

    /// The newest figures, as plain data.
    fn reading<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        let reading = py.detach(|| self.lock().reading().clone());
        Ok(pythonize::pythonize(py, &reading)?)
    }

    /// The newest events, as plain data.
    fn events<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        let events: Vec<_> = py.detach(|| self.lock().events().copied().collect());
        Ok(pythonize::pythonize(py, &events)?)
    }

    /// Examines the window, as plain data.
    fn judge<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        let found = py.detach(|| self.lock().judge()).map_err(to_py)?;
        Ok(pythonize::pythonize(py, &found)?)
    }

    fn judgement_due(&self, py: Python<'_>) -> Option<&'static str> {
        py.detach(|| self.lock().judgement_due()).map(|due| due.as_str())
    }

    fn window(&self, py: Python<'_>) -> PyResult<PyCapture> {
        py.detach(|| self.lock().window()).map(PyCapture).map_err(to_py)
    }

    fn sample_rate_hz(&self, py: Python<'_>) -> f64 {
        py.detach(|| self.lock().settings().sample_rate_hz())
    }

    fn buffer_bytes(&self, py: Python<'_>) -> usize {
        py.detach(|| self.lock().buffer_bytes())
    }
}
