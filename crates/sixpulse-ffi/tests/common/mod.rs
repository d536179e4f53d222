//! What both tests of the interface take in: a record, words for C, and the last error.
#![allow(unreachable_pub, reason = "every test file is a crate of its own")]

use sixpulse_ffi::{sixpulse_last_error_code, sixpulse_last_error_message};
use std::ffi::{CStr, CString};

pub const RATE_HZ: f64 = 50_000.0;

/// An ideal bridge's post, 200 Hz, and a sensor that carries a tenth of it.
pub fn records(samples: u32) -> (Vec<f64>, Vec<f64>) {
    let post: Vec<f64> = (0..samples)
        .map(|i| {
            let theta = std::f64::consts::TAU * 200.0 * f64::from(i) / RATE_HZ;
            let phase = |k: f64| (theta - k * std::f64::consts::TAU / 3.0).cos();
            let (a, b, c) = (phase(0.0), phase(1.0), phase(2.0));
            14.0 + a.max(b).max(c) - a.min(b).min(c)
        })
        .collect();
    let speed = post.iter().map(|v| 2.5 + 0.1 * (v - 14.0)).collect();
    (post, speed)
}

pub fn c(text: &str) -> CString {
    CString::new(text).expect("no zero inside")
}

pub fn last() -> (String, String) {
    let owned = |p| unsafe { CStr::from_ptr(p) }.to_str().expect("UTF-8").to_owned();
    (owned(sixpulse_last_error_code()), owned(sixpulse_last_error_message()))
}
