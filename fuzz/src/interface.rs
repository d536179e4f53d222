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
    settings: *mut MonitorSettingsHandle,
    monitor: *mut MonitorHandle,
    reading: *mut ReadingHandle,
}

impl Drop for Handles {
    fn drop(&mut self) {
        unsafe {
            sixpulse_capture_free(self.capture);
            sixpulse_options_free(self.options);
            sixpulse_examination_free(self.examination);
            sixpulse_monitor_settings_free(self.settings);
            sixpulse_monitor_free(self.monitor);
            sixpulse_reading_free(self.reading);
        }
    }
}

pub fn c_interface(data: &[u8]) {
    let mut u = Unstructured::new(data);
    let mut handles = Handles {
        capture: null_mut(),
        options: null_mut(),
        examination: null_mut(),
        settings: null_mut(),
        monitor: null_mut(),
        reading: null_mut(),
    };
    for _ in 0..16 {
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
    let status = match u.int_in_range(0..=19)? {
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
        8 | 9 => ask(u, h)?,
        _ => watch(u, h)?,
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

fn watch(u: &mut Unstructured<'_>, h: &mut Handles) -> Found<Status> {
    Ok(match u.int_in_range(0..=13)? {
        0 if h.settings.is_null() => {
            let (rate_hz, samples) = (likely(u, 100.0, 1e6)?, likely(u, 200.0, 5000.0)?);
            unsafe { sixpulse_monitor_settings_new(rate_hz, samples / rate_hz, &raw mut h.settings) }
        }
        0..=2 => add_channel(u, h.settings)?,
        3 if h.monitor.is_null() => unsafe { sixpulse_monitor_new(h.settings, h.options, &raw mut h.monitor) },
        3 => unsafe { sixpulse_monitor_gap(h.monitor, u.arbitrary()?) },
        4 => unsafe { sixpulse_monitor_judge(h.monitor, null_mut()) },
        5 => {
            unsafe { sixpulse_examination_free(h.examination) };
            h.examination = null_mut();
            unsafe { sixpulse_monitor_judge(h.monitor, &raw mut h.examination) }
        }
        6 => {
            unsafe { sixpulse_reading_free(h.reading) };
            h.reading = null_mut();
            if u.arbitrary()? {
                unsafe { sixpulse_monitor_reading(h.monitor, &raw mut h.reading) }
            } else {
                unsafe { sixpulse_monitor_events(h.monitor, &raw mut h.reading) }
            }
        }
        7 if u.ratio(1, 4)? => unsafe { sixpulse_monitor_change_rate(h.monitor, likely(u, 100.0, 1e6)?) },
        7 => unsafe { sixpulse_monitor_reset(h.monitor) },
        8 => {
            unsafe { sixpulse_capture_free(h.capture) };
            h.capture = null_mut();
            unsafe { sixpulse_monitor_window(h.monitor, &raw mut h.capture) }
        }
        _ => push(u, h.monitor)?,
    })
}

fn add_channel(u: &mut Unstructured<'_>, settings: *mut MonitorSettingsHandle) -> Found<Status> {
    let name = word(u, &["post", "sensor", "battery"])?;
    let coupling = word(u, &["dc", "ac"])?;
    let role = word(u, &["charging_post", "battery_post", "speed_sensor", "other", "charging_current"])?;
    let (name, coupling, role) = (name.as_ptr(), coupling.as_ptr(), role.as_ptr());
    Ok(unsafe {
        match u.int_in_range(0..=7)? {
            0 => sixpulse_monitor_settings_set_range(settings, name, any_number(u)?, any_number(u)?),
            1 => sixpulse_monitor_settings_set_coupling_corner_hz(settings, name, any_number(u)?),
            2 => sixpulse_monitor_settings_set_judge_every_s(settings, any_number(u)?),
            3 => sixpulse_monitor_settings_set_time_tolerance_s(settings, any_number(u)?),
            4 => sixpulse_monitor_settings_add_f32(settings, name, coupling, role),
            5 => {
                let (scale, offset) = (any_number(u)?, any_number(u)?);
                sixpulse_monitor_settings_add_i16(settings, name, scale, offset, coupling, role)
            }
            _ => sixpulse_monitor_settings_add_f64(settings, name, coupling, role),
        }
    })
}

fn push(u: &mut Unstructured<'_>, monitor: *mut MonitorHandle) -> Found<Status> {
    let n = length(u)?;
    let values = record(u, n)?;
    let single: Vec<f32> = values.iter().map(|&v| v as f32).collect();
    let counts: Vec<i16> = values.iter().map(|&v| (1000.0 * v) as i16).collect();
    let none = ChannelSamples { f64: std::ptr::null(), f32: std::ptr::null(), i16: std::ptr::null() };
    let chunks = (0..u.int_in_range(0..=3)?)
        .map(|_| {
            Ok(match u.int_in_range(0..=7)? {
                0 => none,
                1 => ChannelSamples { f32: single.as_ptr(), ..none },
                2 => ChannelSamples { i16: counts.as_ptr(), ..none },
                _ => ChannelSamples { f64: values.as_ptr(), ..none },
            })
        })
        .collect::<Found<Vec<ChannelSamples>>>()?;
    let mut pushed = PushResult { position: 0, updates: 0, judgement_due: Due::Nothing };
    Ok(unsafe {
        if u.ratio(1, 4)? {
            sixpulse_monitor_push_at(monitor, chunks.as_ptr(), chunks.len(), n, any_number(u)?, &raw mut pushed)
        } else {
            sixpulse_monitor_push(monitor, chunks.as_ptr(), chunks.len(), n, &raw mut pushed)
        }
    })
}

fn ask(u: &mut Unstructured<'_>, h: &Handles) -> Found<Status> {
    let (examination, reading) = (h.examination, h.reading);
    let pointer = word(
        u,
        &[
            "/rectifier/pattern",
            "/ripple/rms_v",
            "/cycle/order_amplitudes_v",
            "/findings",
            "/findings/0/statement",
            "/0/kind",
            "/time_s",
            "",
        ],
    )?;
    let room = u.int_in_range(0..=300_usize)?;
    let (mut number, mut needed) = (0.0, 0);
    let (mut numbers, mut text) = (vec![0.0_f64; room], vec![0 as c_char; room]);
    let (at, number, needed) = (pointer.as_ptr(), &raw mut number, &raw mut needed);
    let (list, words) = (numbers.as_mut_ptr(), text.as_mut_ptr());
    Ok(unsafe {
        match u.int_in_range(0..=9)? {
            0 => sixpulse_examination_number(examination, at, number),
            1 => sixpulse_examination_numbers(examination, at, list, room, needed),
            2 => sixpulse_examination_text(examination, at, words, room, needed),
            3 => sixpulse_examination_count(examination, at, needed),
            4 => sixpulse_examination_json(examination, words, room, needed),
            5 => sixpulse_reading_number(reading, at, number),
            6 => sixpulse_reading_numbers(reading, at, list, room, needed),
            7 => sixpulse_reading_text(reading, at, words, room, needed),
            8 => sixpulse_reading_count(reading, at, needed),
            _ => sixpulse_reading_json(reading, words, room, needed),
        }
    })
}
