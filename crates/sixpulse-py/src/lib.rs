//! The Python binding: convert, copy, detach, call, wrap.
use pyo3::prelude::*;

/// Compiled part of `sixpulse`.
#[pymodule(gil_used = false)]
mod _core {
    #[pymodule_export]
    const VERSION: &str = sixpulse::VERSION;
}
