//! A result as the names of its published schema give it; examinations and readings are read through it.

use crate::failure::{Failure, Status};
use crate::pointers::{fill, text, write};
use serde_json::Value;
use std::ffi::c_char;

/// What the caller gave as memory: where, for how many, and where to write how many are needed.
pub(crate) type Room<T> = (*mut T, usize, *mut usize);

/// A result by its entries, and as text.
#[derive(Debug)]
pub(crate) struct Document {
    entries: Value,
    json: String,
}

impl Document {
    pub(crate) fn new(entries: serde_json::Result<Value>, json: serde_json::Result<String>) -> Result<Self, Failure> {
        let unwritable = |e: serde_json::Error| Failure::new(Status::Internal, e.to_string());
        Ok(Self { entries: entries.map_err(unwritable)?, json: json.map_err(unwritable)? })
    }

    /// The entry at a JSON Pointer, of the kind that `as_kind` takes.
    fn entry<'a, T>(
        &'a self,
        pointer: &str,
        kind: &str,
        as_kind: impl FnOnce(&'a Value) -> Option<T>,
    ) -> Result<T, Failure> {
        let entry = self.entries.pointer(pointer).ok_or_else(|| {
            Failure::new(Status::UnknownName, format!("pointer: the result has no entry \"{pointer}\""))
        })?;
        if entry.is_null() {
            let message = format!("{pointer}: what was captured does not tell");
            return Err(Failure::new(Status::NotDetermined, message));
        }
        as_kind(entry).ok_or_else(|| Failure::new(Status::WrongType, format!("{pointer}: not {kind}")))
    }

    /// # Safety
    /// `pointer` ends with a zero; `out` is null or may be written.
    pub(crate) unsafe fn number(&self, pointer: *const c_char, out: *mut f64) -> Result<(), Failure> {
        // SAFETY: as promised by the caller.
        let pointer = unsafe { text("pointer", pointer)? };
        let logical = |entry: &Value| entry.as_bool().map(|b| f64::from(u8::from(b)));
        let value = self.entry(pointer, "a number", |entry| entry.as_f64().or_else(|| logical(entry)))?;
        // SAFETY: as promised by the caller.
        unsafe { write("out", out, value) }
    }

    /// # Safety
    /// As [`Document::number`]; the memory may be written for its capacity, or is null with a capacity of 0.
    pub(crate) unsafe fn numbers(&self, pointer: *const c_char, room: Room<f64>) -> Result<(), Failure> {
        // SAFETY: as promised by the caller.
        let pointer = unsafe { text("pointer", pointer)? };
        let all = |entry: &Value| entry.as_array()?.iter().map(Value::as_f64).collect::<Option<Vec<f64>>>();
        let values = self.entry(pointer, "a list of numbers", all)?;
        // SAFETY: as promised by the caller.
        unsafe { fill(&values, (room.0, room.1), room.2) }
    }

    /// # Safety
    /// As [`Document::number`].
    pub(crate) unsafe fn count(&self, pointer: *const c_char, out: *mut usize) -> Result<(), Failure> {
        // SAFETY: as promised by the caller.
        let pointer = unsafe { text("pointer", pointer)? };
        let size = |entry: &Value| entry.as_array().map(Vec::len).or_else(|| entry.as_object().map(|o| o.len()));
        let count = self.entry(pointer, "a list", size)?;
        // SAFETY: as promised by the caller.
        unsafe { write("out", out, count) }
    }

    /// # Safety
    /// As [`Document::numbers`].
    pub(crate) unsafe fn text(&self, pointer: *const c_char, room: Room<c_char>) -> Result<(), Failure> {
        // SAFETY: as promised by the caller.
        let pointer = unsafe { text("pointer", pointer)? };
        let value = self.entry(pointer, "a text", Value::as_str)?;
        // SAFETY: as promised by the caller.
        unsafe { fill(&zero_ended(value), (room.0, room.1), room.2) }
    }

    /// # Safety
    /// As [`Document::numbers`].
    pub(crate) unsafe fn json(&self, room: Room<c_char>) -> Result<(), Failure> {
        // SAFETY: as promised by the caller.
        unsafe { fill(&zero_ended(&self.json), (room.0, room.1), room.2) }
    }
}

fn zero_ended(text: &str) -> Vec<c_char> {
    text.bytes().chain([0]).map(u8::cast_signed).map(|b| b as c_char).collect()
}
