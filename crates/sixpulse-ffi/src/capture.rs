//! Captures: traces taken at the same time.

use crate::failure::{Failure, Status, guard};
use crate::pointers::{copied, exclusive, free, text, write};
use sixpulse::{Capture, RawSamples, Trace};
use std::ffi::c_char;

/// Traces of one capture.
#[derive(Debug)]
pub struct CaptureHandle {
    sample_rate_hz: f64,
    traces: Vec<(String, Trace)>,
    engine_rpm: Option<f64>,
    battery_temperature_c: Option<f64>,
}

impl From<Capture> for CaptureHandle {
    fn from(capture: Capture) -> Self {
        Self {
            sample_rate_hz: capture.sample_rate_hz(),
            engine_rpm: capture.engine_rpm(),
            battery_temperature_c: capture.battery_temperature_c(),
            traces: capture.traces().to_vec(),
        }
    }
}

impl CaptureHandle {
    /// The capture as the core takes it; samples are shared, not copied.
    pub(crate) fn built(&self) -> Result<Capture, Failure> {
        let mut capture = Capture::new(self.traces.clone())?;
        if let Some(rpm) = self.engine_rpm {
            capture = capture.with_engine_rpm(rpm)?;
        }
        if let Some(temperature_c) = self.battery_temperature_c {
            capture = capture.with_battery_temperature_c(temperature_c)?;
        }
        Ok(capture)
    }

    /// Takes a trace on if the capture is still one with it.
    fn add(&mut self, name: &str, samples: RawSamples, (coupling, role): (&str, &str)) -> Result<(), Failure> {
        let trace = Trace::new(samples, self.sample_rate_hz, coupling.parse()?, role.parse()?)?;
        self.traces.push((name.to_owned(), trace));
        Capture::new(self.traces.clone()).map(|_| ()).map_err(|error| {
            self.traces.pop();
            error.into()
        })
    }
}

/// Makes an empty capture.
///
/// `sample_rate_hz`: samples per second of every trace, above 0 (checked with the first trace).
///
/// # Safety
/// `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_capture_new(sample_rate_hz: f64, out: *mut *mut CaptureHandle) -> Status {
    guard(|| {
        let made = CaptureHandle { sample_rate_hz, traces: Vec::new(), engine_rpm: None, battery_temperature_c: None };
        let made = Box::into_raw(Box::new(made));
        // SAFETY: as promised by the caller; `made` is freed where it cannot be handed over.
        unsafe { write("out", out, made).inspect_err(|_| free(made)) }
    })
}

/// Adds a trace of `count` values in volts (amperes for a current role). The samples are copied.
///
/// `coupling`: `dc` or `ac`. `role`: `charging_post`, `battery_post`, `speed_sensor`, `edge_sensor`,
/// `charging_current`, `battery_current` or `other`. All traces of a capture have the same length and different names;
/// a trace that is refused leaves the capture as it was.
///
/// # Safety
/// `capture` is a live handle that nobody else uses meanwhile; the texts end with a zero; `samples` points to `count`
/// values.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_capture_add_f64(
    capture: *mut CaptureHandle,
    name: *const c_char,
    samples: *const f64,
    count: usize,
    coupling: *const c_char,
    role: *const c_char,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe {
        add(capture, name, (coupling, role), || Ok(RawSamples::F64(copied("samples", samples, count)?)))
    })
}

/// As `sixpulse_capture_add_f64`, for single precision.
///
/// # Safety
/// As `sixpulse_capture_add_f64`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_capture_add_f32(
    capture: *mut CaptureHandle,
    name: *const c_char,
    samples: *const f32,
    count: usize,
    coupling: *const c_char,
    role: *const c_char,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe {
        add(capture, name, (coupling, role), || Ok(RawSamples::F32(copied("samples", samples, count)?)))
    })
}

/// As `sixpulse_capture_add_f64`, for converter counts: value = count * `scale` + `offset`; `scale` is not 0.
///
/// # Safety
/// As `sixpulse_capture_add_f64`.
#[unsafe(no_mangle)]
#[allow(clippy::too_many_arguments, reason = "C has neither slices nor named arguments")]
pub unsafe extern "C" fn sixpulse_capture_add_i16(
    capture: *mut CaptureHandle,
    name: *const c_char,
    counts: *const i16,
    count: usize,
    scale: f64,
    offset: f64,
    coupling: *const c_char,
    role: *const c_char,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe {
        add(capture, name, (coupling, role), || {
            Ok(RawSamples::I16 { counts: copied("counts", counts, count)?, scale, offset })
        })
    })
}

/// # Safety
/// As `sixpulse_capture_add_f64`.
unsafe fn add(
    capture: *mut CaptureHandle,
    name: *const c_char,
    (coupling, role): (*const c_char, *const c_char),
    samples: impl FnOnce() -> Result<RawSamples, Failure>,
) -> Result<(), Failure> {
    // SAFETY: as promised by the caller.
    let (capture, name, words) = unsafe {
        (exclusive("capture", capture)?, text("name", name)?, (text("coupling", coupling)?, text("role", role)?))
    };
    capture.add(name, samples()?, words)
}

/// Tells the engine's speed, 1/min (0 or more; checked when the capture is examined).
///
/// # Safety
/// `capture` is a live handle that nobody else uses meanwhile.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_capture_set_engine_rpm(capture: *mut CaptureHandle, engine_rpm: f64) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        unsafe { exclusive("capture", capture)? }.engine_rpm = Some(engine_rpm);
        Ok(())
    })
}

/// Tells the battery's temperature, degrees Celsius (checked when the capture is examined).
///
/// # Safety
/// As `sixpulse_capture_set_engine_rpm`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_capture_set_battery_temperature_c(
    capture: *mut CaptureHandle,
    temperature_c: f64,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        unsafe { exclusive("capture", capture)? }.battery_temperature_c = Some(temperature_c);
        Ok(())
    })
}

/// Frees a capture.
///
/// # Safety
/// `capture` is null or a live handle that nobody uses any more.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_capture_free(capture: *mut CaptureHandle) {
    // SAFETY: as promised by the caller.
    unsafe { free(capture) }
}
