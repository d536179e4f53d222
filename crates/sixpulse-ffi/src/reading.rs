//! Readings of a monitor: copied once, read by the names of the published schema.

use crate::document::Document;
use crate::failure::{Failure, Status, guard};
use crate::pointers::{free, shared};
use std::ffi::c_char;

/// Figures or events of a monitor, as they were when they were asked for.
#[derive(Debug)]
pub struct ReadingHandle(Document);

impl ReadingHandle {
    pub(crate) fn new(told: &impl serde::Serialize) -> Result<Self, Failure> {
        Document::new(serde_json::to_value(told), serde_json::to_string(told)).map(Self)
    }
}

/// Reads a number, such as `/level/mean_v` or `/ripple/rms_v`.
///
/// # Safety
/// `reading` is a live handle; `pointer` ends with a zero; `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_reading_number(
    reading: *const ReadingHandle,
    pointer: *const c_char,
    out: *mut f64,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("reading", reading)?.0.number(pointer, out) })
}

/// Reads a list of numbers, such as `/cycle/order_amplitudes_v`, as `sixpulse_examination_numbers` does.
///
/// # Safety
/// As `sixpulse_reading_number`; `buffer` may be written for `capacity` values, or is null with a capacity of 0; `needed` is
/// null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_reading_numbers(
    reading: *const ReadingHandle,
    pointer: *const c_char,
    buffer: *mut f64,
    capacity: usize,
    needed: *mut usize,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("reading", reading)?.0.numbers(pointer, (buffer, capacity, needed)) })
}

/// Counts the entries of a list or an object, such as `/contamination`.
///
/// # Safety
/// As `sixpulse_reading_number`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_reading_count(
    reading: *const ReadingHandle,
    pointer: *const c_char,
    out: *mut usize,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("reading", reading)?.0.count(pointer, out) })
}

/// Reads a text, such as `/rectifier/pattern`, as `sixpulse_examination_text` does.
///
/// # Safety
/// As `sixpulse_reading_numbers`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_reading_text(
    reading: *const ReadingHandle,
    pointer: *const c_char,
    buffer: *mut c_char,
    capacity: usize,
    needed: *mut usize,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("reading", reading)?.0.text(pointer, (buffer, capacity, needed)) })
}

/// The whole reading as JSON of the published schema `monitor_reading-1`, as `sixpulse_examination_json` does.
///
/// # Safety
/// As `sixpulse_reading_numbers`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_reading_json(
    reading: *const ReadingHandle,
    buffer: *mut c_char,
    capacity: usize,
    needed: *mut usize,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("reading", reading)?.0.json((buffer, capacity, needed)) })
}

/// Frees a reading.
///
/// # Safety
/// `reading` is null or a live handle that nobody uses any more.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_reading_free(reading: *mut ReadingHandle) {
    // SAFETY: as promised by the caller.
    unsafe { free(reading) }
}
