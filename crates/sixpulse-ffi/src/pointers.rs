//! Raw pointers become references, slices and text here, and nowhere else.

use crate::failure::{Failure, Status};
use std::ffi::{CStr, c_char};

pub(crate) fn invalid(name: &str) -> Failure {
    Failure::new(Status::InvalidPointer, format!("{name}: a null or misaligned pointer"))
}

/// What a handle points to.
///
/// # Safety
/// `handle` is null or was made by this library and has not been freed; nothing changes it meanwhile.
pub(crate) unsafe fn shared<'a, T>(name: &str, handle: *const T) -> Result<&'a T, Failure> {
    // SAFETY: the caller's promise; null is handled.
    if handle.is_aligned() { unsafe { handle.as_ref() } } else { None }.ok_or_else(|| invalid(name))
}

/// As [`shared`], to be changed.
///
/// # Safety
/// As [`shared`], and nobody else uses it meanwhile.
pub(crate) unsafe fn exclusive<'a, T>(name: &str, handle: *mut T) -> Result<&'a mut T, Failure> {
    // SAFETY: the caller's promise; null is handled.
    if handle.is_aligned() { unsafe { handle.as_mut() } } else { None }.ok_or_else(|| invalid(name))
}

/// The caller's list; a length of 0 asks for no pointer.
///
/// # Safety
/// `list` is null or points to `count` values that nobody changes while the result is used.
pub(crate) unsafe fn slice<'a, T>(name: &str, list: *const T, count: usize) -> Result<&'a [T], Failure> {
    if count == 0 {
        return Ok(&[]);
    }
    if list.is_null() || !list.is_aligned() || count > isize::MAX as usize / size_of::<T>() {
        return Err(invalid(name));
    }
    // SAFETY: not null, aligned, of a size that an object can have, and `count` values long by the caller's promise.
    Ok(unsafe { std::slice::from_raw_parts(list, count) })
}

/// A copy of the caller's samples.
///
/// # Safety
/// As [`slice`].
pub(crate) unsafe fn copied<T: Copy>(name: &str, samples: *const T, count: usize) -> Result<Vec<T>, Failure> {
    // SAFETY: as promised by the caller.
    Ok(unsafe { slice(name, samples, count) }?.to_vec())
}

/// The caller's text.
///
/// # Safety
/// `text` is null or points to a text that ends with a zero and stays unchanged meanwhile.
pub(crate) unsafe fn text<'a>(name: &str, text: *const c_char) -> Result<&'a str, Failure> {
    if text.is_null() {
        return Err(invalid(name));
    }
    // SAFETY: not null, and ends with a zero by the caller's promise.
    let bytes = unsafe { CStr::from_ptr(text) };
    bytes.to_str().map_err(|_| Failure::new(Status::InvalidText, format!("{name}: not UTF-8")))
}

/// Writes a result.
///
/// # Safety
/// `out` is null or may be written.
pub(crate) unsafe fn write<T>(name: &str, out: *mut T, value: T) -> Result<(), Failure> {
    if out.is_null() || !out.is_aligned() {
        return Err(invalid(name));
    }
    // SAFETY: not null, aligned, and writable by the caller's promise.
    unsafe { out.write(value) };
    Ok(())
}

/// As [`write`], where a null pointer says that nobody wants the result.
///
/// # Safety
/// As [`write`].
pub(crate) unsafe fn write_wanted<T>(name: &str, out: *mut T, value: T) -> Result<(), Failure> {
    // SAFETY: as promised by the caller.
    if out.is_null() { Ok(()) } else { unsafe { write(name, out, value) } }
}

/// Writes a list into the caller's memory of `capacity` values, and its full length to `needed`.
///
/// # Safety
/// `buffer` is null or may be written for `capacity` values; `needed` is null or may be written.
pub(crate) unsafe fn fill<T: Copy>(
    values: &[T],
    (buffer, capacity): (*mut T, usize),
    needed: *mut usize,
) -> Result<(), Failure> {
    if !needed.is_null() {
        // SAFETY: the caller's promise.
        unsafe { write("needed", needed, values.len()) }?;
    }
    if values.len() > capacity {
        let message = format!("buffer: holds {capacity}, needs {}", values.len());
        return Err(Failure::new(Status::BufferTooSmall, message));
    }
    if values.is_empty() {
        return Ok(());
    }
    if buffer.is_null() || !buffer.is_aligned() {
        return Err(invalid("buffer"));
    }
    // SAFETY: not null, aligned, long enough by the caller's promise, and not memory of this library.
    unsafe { std::ptr::copy_nonoverlapping(values.as_ptr(), buffer, values.len()) };
    Ok(())
}

/// Frees what [`Box::into_raw`] gave.
///
/// # Safety
/// `handle` is null or came from `Box::into_raw` and has not been freed.
pub(crate) unsafe fn free<T>(handle: *mut T) {
    if !handle.is_null() {
        // SAFETY: the caller's promise.
        drop(unsafe { Box::from_raw(handle) });
    }
}
