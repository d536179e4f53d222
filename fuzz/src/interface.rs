//! The C interface in any order of calls with any arguments that its safety rules allow.
use arbitrary::Unstructured;
use sixpulse_ffi::*;
use std::ffi::{CStr, CString, c_char};
use std::ptr::null_mut;

use crate::input::{Found, any_number, length, likely, rate_hz, record};

struct Handles {
    capture: *mut CaptureHandle,
    options: *mut OptionsHandle,
    examination: *mut ExaminationHandle,
}

impl Drop for Handles {
    fn drop(&mut self) {
        unsafe {
            sixpulse_capture_free(self.capture);
            sixpulse_options_free(self.options);
            sixpulse_examination_free(self.examination);
        }
    }
}

pub fn c_interface(data: &[u8]) {
    let mut u = Unstructured::new(data);
    let mut handles = Handles { capture: null_mut(), options: null_mut(), examination: null_mut() };
    for _ in 0..12 {
        if step(&mut u, &mut handles).is_err() {
            break;
        }
        let (code, message) =
            unsafe { (CStr::from_ptr(sixpulse_last_error_code()), CStr::from_ptr(sixpulse_last_error_message())) };
        assert!(code.to_str().is_ok() && message.to_str().is_ok());
        assert_ne!(code.to_str(), Ok("internal"), "{message:?}");
    }
}

fn word(u: &mut Unstructured<'_>, usual: &[&str]) -> Found<CString> {
    let text = if u.ratio(1, 8)? { u.arbitrary::<&str>()? } else { *u.choose(usual)? };
    Ok(CString::new(text.replace('\0', "")).expect("no zero inside"))
}

fn step(u: &mut Unstructured<'_>, h: &mut Handles) -> Found<()> {
    let status = match u.int_in_range(0..=9)? {
        0 if h.capture.is_null() => unsafe { sixpulse_capture_new(rate_hz(u)?, &raw mut h.capture) },
        0 | 1 => add(u, h)?,
        2 if h.options.is_null() => unsafe { sixpulse_options_new(&raw mut h.options) },
        2 => unsafe { sixpulse_options_set_electrical_hz(h.options, likely(u, 10.0, 3000.0)?) },
        3 => {
            let (pole_pairs, pulley_ratio) = (u.int_in_range(0..=9_u32)?, any_number(u)?);
            let pole_pairs = if u.arbitrary()? { &raw const pole_pairs } else { std::ptr::null() };
            unsafe {
                sixpulse_options_set_machine(h.options, pole_pairs, &raw const pulley_ratio, *u.choose(&[0, 6, 12, 7])?)
            }
        }
        4 => unsafe { sixpulse_capture_set_engine_rpm(h.capture, any_number(u)?) },
        5 => unsafe { sixpulse_capture_set_battery_temperature_c(h.capture, any_number(u)?) },
        6 | 7 => {
            unsafe { sixpulse_examination_free(h.examination) };
            h.examination = null_mut();
            unsafe { sixpulse_examine(h.capture, h.options, &raw mut h.examination) }
        }
        _ => ask(u, h.examination)?,
    };
    assert_ne!(status, Status::Internal);
    Ok(())
}

fn add(u: &mut Unstructured<'_>, h: &mut Handles) -> Found<Status> {
    let n = length(u)?;
    let values = record(u, n)?;
    let name = word(u, &["post", "sensor", "battery"])?;
    let coupling = word(u, &["dc", "ac"])?;
    let role = word(u, &["charging_post", "battery_post", "speed_sensor", "other", "charging_current"])?;
    Ok(unsafe {
        sixpulse_capture_add_f64(
            h.capture,
            name.as_ptr(),
            values.as_ptr(),
            values.len(),
            coupling.as_ptr(),
            role.as_ptr(),
        )
    })
}

fn ask(u: &mut Unstructured<'_>, examination: *mut ExaminationHandle) -> Found<Status> {
    let pointer = word(
        u,
        &["/rectifier/pattern", "/ripple/rms_v", "/cycle/order_amplitudes_v", "/findings", "/findings/0/statement", ""],
    )?;
    let room = u.int_in_range(0..=300_usize)?;
    let (mut number, mut needed) = (0.0, 0);
    let (mut numbers, mut text) = (vec![0.0_f64; room], vec![0 as c_char; room]);
    Ok(unsafe {
        match u.int_in_range(0..=4)? {
            0 => sixpulse_examination_number(examination, pointer.as_ptr(), &raw mut number),
            1 => {
                sixpulse_examination_numbers(examination, pointer.as_ptr(), numbers.as_mut_ptr(), room, &raw mut needed)
            }
            2 => sixpulse_examination_text(examination, pointer.as_ptr(), text.as_mut_ptr(), room, &raw mut needed),
            3 => sixpulse_examination_count(examination, pointer.as_ptr(), &raw mut needed),
            _ => sixpulse_examination_json(examination, text.as_mut_ptr(), room, &raw mut needed),
        }
    })
}
