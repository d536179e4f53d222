//! C interface of sixpulse; the header is `include/sixpulse.h`.
//!
//! # Rules
//! - Captures, options, examinations, monitors, their settings and readings are opaque handles: what made one frees it, once, with the function of its name;
//!   freeing a null handle does nothing.
//! - Every function that can fail returns a [`Status`]; what it makes comes through a pointer that is written on success
//!   only. Code and message of a thread's last failure: [`sixpulse_last_error_code`], [`sixpulse_last_error_message`].
//! - Results are read by the names of the published JSON schemas, as JSON Pointers (RFC 6901): `/rectifier/pattern`,
//!   `/contamination/speed/gain_v_per_v`, `/findings/0/statement`.
//! - Pushing samples into a monitor allocates nothing; making, resetting and judging one do, and so do readings.
//! - No panic crosses the boundary: it becomes [`Status::Internal`]. Memory that cannot be had ends the process, as
//!   everywhere in Rust.
//! - Text is UTF-8 and ends with a zero. Samples are copied: the caller's memory is not needed after the call.
//!
//! # Threads
//! The last error belongs to its thread. An examination does not change: any number of threads may read one. A capture
//! or options may be examined by several threads at once, as long as none changes or frees them meanwhile. A monitor is
//! used by one thread at a time: pushing, judging and everything else that changes it must not run beside any other call on
//! the same monitor; it may move from thread to thread, and different monitors know nothing of each other. A reading does
//! not change; nor does the window as a capture, which another thread may examine while the stream goes on.
mod capture;
mod document;
mod examination;
mod failure;
mod monitor;
mod monitor_settings;
mod options;
mod pointers;
mod reading;

pub use capture::{
    CaptureHandle, sixpulse_capture_add_f32, sixpulse_capture_add_f64, sixpulse_capture_add_i16, sixpulse_capture_free,
    sixpulse_capture_new, sixpulse_capture_set_battery_temperature_c, sixpulse_capture_set_engine_rpm,
};
pub use examination::{
    ExaminationHandle, sixpulse_examination_count, sixpulse_examination_free, sixpulse_examination_json,
    sixpulse_examination_number, sixpulse_examination_numbers, sixpulse_examination_text, sixpulse_examine,
};
pub use failure::{Status, sixpulse_last_error_code, sixpulse_last_error_message};
pub use monitor::{
    ChannelSamples, Due, MonitorHandle, PushResult, sixpulse_monitor_buffer_bytes, sixpulse_monitor_change_rate,
    sixpulse_monitor_events, sixpulse_monitor_free, sixpulse_monitor_gap, sixpulse_monitor_judge, sixpulse_monitor_new,
    sixpulse_monitor_push, sixpulse_monitor_push_at, sixpulse_monitor_reading, sixpulse_monitor_reset,
    sixpulse_monitor_set_battery_temperature_c, sixpulse_monitor_set_engine_rpm, sixpulse_monitor_window,
};
pub use monitor_settings::{
    MonitorSettingsHandle, sixpulse_monitor_settings_add_f32, sixpulse_monitor_settings_add_f64,
    sixpulse_monitor_settings_add_i16, sixpulse_monitor_settings_free, sixpulse_monitor_settings_new,
    sixpulse_monitor_settings_set_coupling_corner_hz, sixpulse_monitor_settings_set_judge_every_s,
    sixpulse_monitor_settings_set_range, sixpulse_monitor_settings_set_time_tolerance_s,
};
pub use options::{
    OptionsHandle, sixpulse_options_free, sixpulse_options_new, sixpulse_options_set_electrical_hz,
    sixpulse_options_set_machine,
};
pub use reading::{
    ReadingHandle, sixpulse_reading_count, sixpulse_reading_free, sixpulse_reading_json, sixpulse_reading_number,
    sixpulse_reading_numbers, sixpulse_reading_text,
};

use std::ffi::c_char;

/// Version of the library, such as `0.1.0`; valid for the life of the process.
#[unsafe(no_mangle)]
pub extern "C" fn sixpulse_version() -> *const c_char {
    static VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), "\0");
    VERSION.as_ptr().cast()
}
