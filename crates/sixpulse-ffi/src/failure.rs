//! What can go wrong, told apart by a status and kept in words for the thread that met it.

use std::cell::RefCell;
use std::ffi::{CString, c_char};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// How a call ended.
#[repr(C)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// It did what was asked.
    Ok = 0,
    /// The library refused an input; `sixpulse_last_error_code` gives its stable code, such as `out_of_range`.
    Refused = 1,
    /// A pointer is null, or not aligned for what it points to.
    InvalidPointer = 2,
    /// A text is not UTF-8.
    InvalidText = 3,
    /// The result has no such entry.
    UnknownName = 4,
    /// The entry is there, but it is no number, text or list, as asked for.
    WrongType = 5,
    /// What was captured does not tell: the entry is empty, and its neighbour `reason`, where there is one, says why.
    NotDetermined = 6,
    /// The caller's memory is too small; the size needed has been written.
    BufferTooSmall = 7,
    /// A defect of the library.
    Internal = 8,
}

/// A failure on its way out.
#[derive(Debug)]
pub(crate) struct Failure {
    pub(crate) status: Status,
    code: &'static str,
    message: String,
}

impl Failure {
    pub(crate) fn new(status: Status, message: impl Into<String>) -> Self {
        let code = match status {
            Status::Ok => "ok",
            Status::Refused => "refused",
            Status::InvalidPointer => "invalid_pointer",
            Status::InvalidText => "invalid_text",
            Status::UnknownName => "unknown_name",
            Status::WrongType => "wrong_type",
            Status::NotDetermined => "not_determined",
            Status::BufferTooSmall => "buffer_too_small",
            Status::Internal => "internal",
        };
        Self { status, code, message: message.into() }
    }
}

impl From<sixpulse::Error> for Failure {
    fn from(error: sixpulse::Error) -> Self {
        Self { status: Status::Refused, code: error.code(), message: error.to_string() }
    }
}

struct LastError {
    code: CString,
    message: CString,
}

thread_local! {
    static LAST: RefCell<LastError> = RefCell::new(LastError { code: CString::default(), message: CString::default() });
}

/// Runs the body of a call: keeps the words of a failure, and lets no panic out.
pub(crate) fn guard(body: impl FnOnce() -> Result<(), Failure>) -> Status {
    let failure = match catch_unwind(AssertUnwindSafe(body)) {
        Ok(Ok(())) => return Status::Ok,
        Ok(Err(failure)) => failure,
        Err(_) => Failure::new(Status::Internal, "a defect of the library; please report what led to it"),
    };
    let status = failure.status;
    LAST.with_borrow_mut(|last| *last = LastError { code: c_text(failure.code), message: c_text(&failure.message) });
    status
}

/// A text for C; a zero inside, which a message quoting its input can hold, ends nothing early.
fn c_text(text: &str) -> CString {
    CString::new(text.replace('\0', "\u{fffd}")).unwrap_or_default()
}

/// Stable code of this thread's last failure, empty before the first; valid until the next failure on this thread.
#[unsafe(no_mangle)]
pub extern "C" fn sixpulse_last_error_code() -> *const c_char {
    LAST.with_borrow(|last| last.code.as_ptr())
}

/// The same failure in words, naming the parameter and the range; valid as long.
#[unsafe(no_mangle)]
pub extern "C" fn sixpulse_last_error_message() -> *const c_char {
    LAST.with_borrow(|last| last.message.as_ptr())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[allow(clippy::panic, reason = "the panic is what is tested")]
    fn a_panic_becomes_a_status_and_a_message() {
        assert_eq!(guard(|| panic!("inside")), Status::Internal);
        LAST.with_borrow(|last| assert_eq!(last.code.to_bytes(), b"internal"));
    }

    #[test]
    fn a_failure_stays_until_the_next_one_and_a_success_does_not_wipe_it() {
        let refused = || Err(sixpulse::Error::EmptyInput { parameter: "a\0b".into() }.into());
        assert_eq!(guard(refused), Status::Refused);
        assert_eq!(guard(|| Ok(())), Status::Ok);
        LAST.with_borrow(|last| {
            assert_eq!(last.code.to_bytes(), b"empty_input");
            assert!(last.message.to_str().is_ok_and(|m| m.contains("a\u{fffd}b")), "{:?}", last.message);
        });
    }
}
