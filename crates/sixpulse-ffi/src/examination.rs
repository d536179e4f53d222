//! Examinations: made once, read by the names of the published schema.

use crate::capture::CaptureHandle;
use crate::failure::{Failure, Status, guard};
use crate::options::OptionsHandle;
use crate::pointers::{fill, free, shared, text, write};
use serde_json::Value;
use sixpulse::{ExamineOptions, examine};
use std::ffi::c_char;

/// What a capture says.
#[derive(Debug)]
pub struct ExaminationHandle {
    entries: Value,
    json: String,
}

impl ExaminationHandle {
    /// The entry at a JSON Pointer, of the kind that `as_kind` takes.
    fn entry<'a, T>(
        &'a self,
        pointer: &str,
        kind: &str,
        as_kind: impl FnOnce(&'a Value) -> Option<T>,
    ) -> Result<T, Failure> {
        let entry = self.entries.pointer(pointer).ok_or_else(|| {
            Failure::new(Status::UnknownName, format!("pointer: the examination has no entry \"{pointer}\""))
        })?;
        if entry.is_null() {
            let message = format!("{pointer}: the capture does not tell");
            return Err(Failure::new(Status::NotDetermined, message));
        }
        as_kind(entry).ok_or_else(|| Failure::new(Status::WrongType, format!("{pointer}: not {kind}")))
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
        let examination = examine(&capture.built()?, &options)?;
        let unwritable = |e: serde_json::Error| Failure::new(Status::Internal, e.to_string());
        let entries = serde_json::to_value(&examination).map_err(unwritable)?;
        let json = serde_json::to_string(&examination).map_err(unwritable)?;
        let made = Box::into_raw(Box::new(ExaminationHandle { entries, json }));
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
    guard(|| {
        // SAFETY: as promised by the caller.
        let (examination, pointer) = unsafe { (shared("examination", examination)?, text("pointer", pointer)?) };
        let logical = |entry: &Value| entry.as_bool().map(|b| f64::from(u8::from(b)));
        let value = examination.entry(pointer, "a number", |entry| entry.as_f64().or_else(|| logical(entry)))?;
        // SAFETY: as promised by the caller.
        unsafe { write("out", out, value) }
    })
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
    guard(|| {
        // SAFETY: as promised by the caller.
        let (examination, pointer) = unsafe { (shared("examination", examination)?, text("pointer", pointer)?) };
        let all = |entry: &Value| entry.as_array()?.iter().map(Value::as_f64).collect::<Option<Vec<f64>>>();
        let values = examination.entry(pointer, "a list of numbers", all)?;
        // SAFETY: as promised by the caller.
        unsafe { fill(&values, (buffer, capacity), needed) }
    })
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
    guard(|| {
        // SAFETY: as promised by the caller.
        let (examination, pointer) = unsafe { (shared("examination", examination)?, text("pointer", pointer)?) };
        let size = |entry: &Value| entry.as_array().map(Vec::len).or_else(|| entry.as_object().map(|o| o.len()));
        let count = examination.entry(pointer, "a list", size)?;
        // SAFETY: as promised by the caller.
        unsafe { write("out", out, count) }
    })
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
    guard(|| {
        // SAFETY: as promised by the caller.
        let (examination, pointer) = unsafe { (shared("examination", examination)?, text("pointer", pointer)?) };
        let value = examination.entry(pointer, "a text", Value::as_str)?;
        // SAFETY: as promised by the caller.
        unsafe { fill(&zero_ended(value), (buffer, capacity), needed) }
    })
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
    guard(|| {
        // SAFETY: as promised by the caller.
        let examination = unsafe { shared("examination", examination)? };
        // SAFETY: as promised by the caller.
        unsafe { fill(&zero_ended(&examination.json), (buffer, capacity), needed) }
    })
}

fn zero_ended(text: &str) -> Vec<c_char> {
    text.bytes().chain([0]).map(u8::cast_signed).map(|b| b as c_char).collect()
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
