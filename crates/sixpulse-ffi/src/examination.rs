//! Examinations: made once, read by the names of the published schema.

use crate::capture::CaptureHandle;
use crate::document::Document;
use crate::failure::{Failure, Status, guard};
use crate::options::OptionsHandle;
use crate::pointers::{free, shared, write};
use sixpulse::{Examination, ExamineOptions, examine};
use std::ffi::c_char;

/// What a capture says.
#[derive(Debug)]
pub struct ExaminationHandle(Document);

impl ExaminationHandle {
    pub(crate) fn new(found: &Examination) -> Result<Self, Failure> {
        Document::new(serde_json::to_value(found), serde_json::to_string(found)).map(Self)
    }
}

/// Examines a capture: fitness, level, ripple, electrical cycle, rectifier pattern, contamination, findings.
///
/// `options`: null where nothing else is known.
///
/// # Safety
/// `capture` is a live handle and `options` null or one, which nobody changes meanwhile; `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_examine(
    capture: *const CaptureHandle,
    options: *const OptionsHandle,
    out: *mut *mut ExaminationHandle,
) -> Status {
    guard(|| {
        // SAFETY: as promised by the caller.
        let (capture, options) = unsafe { (shared("capture", capture)?, options.as_ref()) };
        let options = options.map_or_else(ExamineOptions::default, |o| o.0);
        let found = ExaminationHandle::new(&examine(&capture.built()?, &options)?)?;
        let made = Box::into_raw(Box::new(found));
        // SAFETY: as promised by the caller; `made` is freed where it cannot be handed over.
        unsafe { write("out", out, made).inspect_err(|_| free(made)) }
    })
}

/// Reads a number, such as `/ripple/rms_v`. A logical entry, such as `/quality/usable`, is read as 0 or 1.
///
/// # Safety
/// `examination` is a live handle; `pointer` ends with a zero; `out` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_examination_number(
    examination: *const ExaminationHandle,
    pointer: *const c_char,
    out: *mut f64,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("examination", examination)?.0.number(pointer, out) })
}

/// Reads a list of numbers, such as `/cycle/order_amplitudes_v`, into memory for `capacity` of them.
///
/// `needed`: the list's length, written even where the memory is too small; may be null.
///
/// # Safety
/// As `sixpulse_examination_number`; `buffer` may be written for `capacity` values, or is null with a capacity of 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_examination_numbers(
    examination: *const ExaminationHandle,
    pointer: *const c_char,
    buffer: *mut f64,
    capacity: usize,
    needed: *mut usize,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("examination", examination)?.0.numbers(pointer, (buffer, capacity, needed)) })
}

/// Counts the entries of a list or an object, such as `/findings`.
///
/// # Safety
/// As `sixpulse_examination_number`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_examination_count(
    examination: *const ExaminationHandle,
    pointer: *const c_char,
    out: *mut usize,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("examination", examination)?.0.count(pointer, out) })
}

/// Reads a text, such as `/rectifier/pattern`, with a closing zero into memory for `capacity` bytes.
///
/// `needed`: bytes with the zero, written even where the memory is too small; may be null.
///
/// # Safety
/// As `sixpulse_examination_numbers`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_examination_text(
    examination: *const ExaminationHandle,
    pointer: *const c_char,
    buffer: *mut c_char,
    capacity: usize,
    needed: *mut usize,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("examination", examination)?.0.text(pointer, (buffer, capacity, needed)) })
}

/// The whole examination as JSON of the published schema, written as by `sixpulse_examination_text`.
///
/// # Safety
/// As `sixpulse_examination_numbers`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_examination_json(
    examination: *const ExaminationHandle,
    buffer: *mut c_char,
    capacity: usize,
    needed: *mut usize,
) -> Status {
    // SAFETY: as promised by the caller.
    guard(|| unsafe { shared("examination", examination)?.0.json((buffer, capacity, needed)) })
}

/// Frees an examination.
///
/// # Safety
/// `examination` is null or a live handle that nobody uses any more.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sixpulse_examination_free(examination: *mut ExaminationHandle) {
    // SAFETY: as promised by the caller.
    unsafe { free(examination) }
}
