//! The functions as C calls them: results equal the core's, every wrong call is a status with its words.
#![allow(clippy::expect_used, clippy::undocumented_unsafe_blocks, reason = "a test; its pointers are its own")]

mod common;

use common::{RATE_HZ, c, last, records};
use sixpulse::{Capture, Coupling, ExamineOptions, Role, Trace, examine};
use sixpulse_ffi::*;
use std::ffi::{CStr, CString};
use std::ptr::{null, null_mut};

fn add_f64(capture: *mut CaptureHandle, name: &str, samples: &[f64], role: &str) -> Status {
    let (name, coupling, role) = (c(name), c("dc"), c(role));
    unsafe {
        sixpulse_capture_add_f64(
            capture,
            name.as_ptr(),
            samples.as_ptr(),
            samples.len(),
            coupling.as_ptr(),
            role.as_ptr(),
        )
    }
}

/// A capture of both records; the caller frees it.
fn captured() -> *mut CaptureHandle {
    let (post, speed) = records(20_000);
    let mut capture = null_mut();
    assert_eq!(unsafe { sixpulse_capture_new(RATE_HZ, &raw mut capture) }, Status::Ok);
    assert_eq!(add_f64(capture, "post", &post, "charging_post"), Status::Ok);
    assert_eq!(add_f64(capture, "speed", &speed, "speed_sensor"), Status::Ok);
    capture
}

fn examined(options: *const OptionsHandle) -> *mut ExaminationHandle {
    let capture = captured();
    let mut examination = null_mut();
    assert_eq!(unsafe { sixpulse_examine(capture, options, &raw mut examination) }, Status::Ok, "{:?}", last());
    unsafe { sixpulse_capture_free(capture) };
    examination
}

fn number(examination: *const ExaminationHandle, pointer: &str) -> Result<f64, Status> {
    let mut value = f64::NAN;
    match unsafe { sixpulse_examination_number(examination, c(pointer).as_ptr(), &raw mut value) } {
        Status::Ok => Ok(value),
        status => Err(status),
    }
}

/// As C does it: asks for the size, then for the text.
fn text(examination: *const ExaminationHandle, pointer: &str) -> Result<String, Status> {
    let pointer = c(pointer);
    let mut needed = 0;
    let asked = unsafe { sixpulse_examination_text(examination, pointer.as_ptr(), null_mut(), 0, &raw mut needed) };
    if asked != Status::BufferTooSmall {
        return Err(asked);
    }
    let mut buffer = vec![0; needed];
    let got =
        unsafe { sixpulse_examination_text(examination, pointer.as_ptr(), buffer.as_mut_ptr(), needed, null_mut()) };
    assert_eq!(got, Status::Ok);
    Ok(unsafe { CStr::from_ptr(buffer.as_ptr()) }.to_str().expect("UTF-8").to_owned())
}

#[test]
fn results_equal_the_core_s() {
    let (post, speed) = records(20_000);
    let trace = |samples, role| Trace::from_f64(samples, RATE_HZ, Coupling::Dc, role).expect("a trace");
    let capture = Capture::new(vec![
        ("post".into(), trace(post, Role::ChargingPost)),
        ("speed".into(), trace(speed, Role::SpeedSensor)),
    ])
    .expect("a capture");
    let core = examine(&capture, &ExamineOptions::default()).expect("an examination");

    let e = examined(null());
    assert_eq!(text(e, "/rectifier/pattern").as_deref(), Ok(core.rectifier.pattern.as_str()));
    assert_eq!(number(e, "/ripple/rms_v").ok(), core.ripple.as_ref().map(|r| r.rms_v));
    assert_eq!(number(e, "/contamination/speed/gain_v_per_v").ok(), core.contamination[0].1.gain_v_per_v);
    assert_eq!(number(e, "/quality/usable"), Ok(f64::from(u8::from(core.quality.usable))));
    let mut orders = [0.0; 24];
    let mut needed = 0;
    let pointer = c("/cycle/order_amplitudes_v");
    let status = unsafe { sixpulse_examination_numbers(e, pointer.as_ptr(), orders.as_mut_ptr(), 24, &raw mut needed) };
    assert_eq!((status, &orders[..needed]), (Status::Ok, core.cycle.order_amplitudes_v.as_slice()));
    let mut findings = 0;
    assert_eq!(unsafe { sixpulse_examination_count(e, c("/findings").as_ptr(), &raw mut findings) }, Status::Ok);
    assert_eq!(findings, core.findings.len());
    assert_eq!(text(e, "/findings/0/statement").as_deref(), Ok(core.findings[0].statement.as_str()));

    let mut bytes = 0;
    unsafe { sixpulse_examination_json(e, null_mut(), 0, &raw mut bytes) };
    let mut buffer = vec![0; bytes];
    assert_eq!(unsafe { sixpulse_examination_json(e, buffer.as_mut_ptr(), bytes, null_mut()) }, Status::Ok);
    let json = unsafe { CStr::from_ptr(buffer.as_ptr()) }.to_str().expect("UTF-8");
    assert_eq!(json, serde_json::to_string(&core).expect("JSON"));
    unsafe { sixpulse_examination_free(e) };
}

#[test]
fn the_kinds_of_samples_say_the_same() {
    // Single precision holds 14 V to 1e-6 V, counts of 0.5 mV to 0.15 mV r.m.s.: the ripple agrees to that.
    let (post, _) = records(20_000);
    let single: Vec<f32> = post.iter().map(|v| *v as f32).collect();
    let counts: Vec<i16> = post.iter().map(|v| ((v - 14.0) / 5e-4).round() as i16).collect();
    let (name, dc, role) = (c("post"), c("dc"), c("charging_post"));
    let ripple = |add: &dyn Fn(*mut CaptureHandle) -> Status| {
        let (mut capture, mut examination) = (null_mut(), null_mut());
        unsafe { sixpulse_capture_new(RATE_HZ, &raw mut capture) };
        assert_eq!(add(capture), Status::Ok);
        assert_eq!(unsafe { sixpulse_examine(capture, null(), &raw mut examination) }, Status::Ok);
        let rms_v = number(examination, "/ripple/rms_v").expect("a ripple");
        unsafe { sixpulse_examination_free(examination) };
        unsafe { sixpulse_capture_free(capture) };
        rms_v
    };
    let double = ripple(&|k| add_f64(k, "post", &post, "charging_post"));
    let from_single = ripple(&|k| unsafe {
        sixpulse_capture_add_f32(k, name.as_ptr(), single.as_ptr(), single.len(), dc.as_ptr(), role.as_ptr())
    });
    let from_counts = ripple(&|k| unsafe {
        let (data, count) = (counts.as_ptr(), counts.len());
        sixpulse_capture_add_i16(k, name.as_ptr(), data, count, 5e-4, 14.0, dc.as_ptr(), role.as_ptr())
    });
    assert!((from_single - double).abs() < 1e-6, "{from_single} {double}");
    assert!((from_counts - double).abs() < 1.5e-4, "{from_counts} {double}");
}

#[test]
fn what_is_known_besides_reaches_the_examination() {
    let mut options = null_mut();
    assert_eq!(unsafe { sixpulse_options_new(&raw mut options) }, Status::Ok);
    assert_eq!(unsafe { sixpulse_options_set_electrical_hz(options, 201.0) }, Status::Ok);
    let (pairs, ratio) = (6, 2.5);
    assert_eq!(unsafe { sixpulse_options_set_machine(options, &raw const pairs, &raw const ratio, 6) }, Status::Ok);
    let e = examined(options);
    assert_eq!(number(e, "/parameters/electrical_hz"), Ok(201.0));
    assert_eq!(number(e, "/parameters/pole_pairs"), Ok(6.0));
    unsafe { sixpulse_examination_free(e) };

    let too_many = 99;
    let refused = unsafe { sixpulse_options_set_machine(options, &raw const too_many, null(), 6) };
    assert_eq!((refused, last().0.as_str()), (Status::Refused, "out_of_range"));
    assert!(last().1.contains("pole_pairs"), "{}", last().1);
    assert_eq!(unsafe { sixpulse_options_set_machine(options, null(), null(), 5) }, Status::Refused);
    assert_eq!(unsafe { sixpulse_options_set_electrical_hz(options, -1.0) }, Status::Ok, "checked with the capture");
    let capture = captured();
    let mut none = null_mut();
    assert_eq!(unsafe { sixpulse_examine(capture, options, &raw mut none) }, Status::Refused);
    assert!(none.is_null(), "written on success only");
    unsafe { sixpulse_capture_free(capture) };
    unsafe { sixpulse_options_free(options) };
}

#[test]
fn a_refused_trace_leaves_the_capture_as_it_was() {
    let (post, speed) = records(20_000);
    let capture = captured();
    let mut spoilt = speed.clone();
    spoilt[7] = f64::NAN;
    for (name, samples, role, code) in [
        ("second", spoilt.as_slice(), "speed_sensor", "non_finite"),
        ("second", &speed[1..], "speed_sensor", "length_mismatch"),
        ("second", &[], "speed_sensor", "empty_input"),
        ("second", speed.as_slice(), "wheel", "unknown_name"),
        ("post", post.as_slice(), "speed_sensor", "invalid_combination"),
    ] {
        assert_eq!(add_f64(capture, name, samples, role), Status::Refused, "{code}");
        assert_eq!(last().0, code, "{}", last().1);
    }
    assert_eq!(add_f64(capture, "second", &speed, "other"), Status::Ok);
    let mut examination = null_mut();
    assert_eq!(unsafe { sixpulse_examine(capture, null(), &raw mut examination) }, Status::Ok);
    let mut circuits = 0;
    unsafe { sixpulse_examination_count(examination, c("/contamination").as_ptr(), &raw mut circuits) };
    assert_eq!(circuits, 2);
    unsafe { sixpulse_examination_free(examination) };
    unsafe { sixpulse_capture_free(capture) };
}

#[test]
fn wrong_pointers_and_texts_are_told() {
    let (post, _) = records(20_000);
    assert_eq!(unsafe { sixpulse_capture_new(RATE_HZ, null_mut()) }, Status::InvalidPointer);
    assert_eq!(unsafe { sixpulse_examine(null(), null(), null_mut()) }, Status::InvalidPointer);
    assert_eq!(add_f64(null_mut(), "post", &post, "charging_post"), Status::InvalidPointer);
    let capture = captured();
    let (name, dc, role) = (c("more"), c("dc"), c("other"));
    let no_samples = unsafe { sixpulse_capture_add_f64(capture, name.as_ptr(), null(), 9, dc.as_ptr(), role.as_ptr()) };
    assert_eq!(no_samples, Status::InvalidPointer);
    let endless = unsafe {
        sixpulse_capture_add_f64(capture, name.as_ptr(), post.as_ptr(), usize::MAX, dc.as_ptr(), role.as_ptr())
    };
    assert_eq!(endless, Status::InvalidPointer);
    let not_text = CString::new([0xff]).expect("no zero inside");
    let status =
        unsafe { sixpulse_capture_add_f64(capture, not_text.as_ptr(), post.as_ptr(), 9, dc.as_ptr(), role.as_ptr()) };
    assert_eq!(status, Status::InvalidText);
    assert_eq!(unsafe { sixpulse_examine(capture, null(), null_mut()) }, Status::InvalidPointer);
    unsafe { sixpulse_capture_free(capture) };
    unsafe { sixpulse_capture_free(null_mut()) };
    unsafe { sixpulse_options_free(null_mut()) };
    unsafe { sixpulse_examination_free(null_mut()) };
}

#[test]
fn entries_that_are_not_there_or_of_another_kind_are_told() {
    let e = examined(null());
    assert_eq!(number(e, "/ripple/watts"), Err(Status::UnknownName));
    assert_eq!(number(e, "ripple"), Err(Status::UnknownName), "a JSON Pointer begins with a stroke");
    assert_eq!(number(e, "/rectifier/pattern"), Err(Status::WrongType));
    assert_eq!(text(e, "/ripple/rms_v"), Err(Status::WrongType));
    assert_eq!(number(e, "/contamination/speed/own_frequency_hz"), Err(Status::NotDetermined));
    let mut needed = 0;
    let mut one = [0.0];
    let pointer = c("/cycle/order_amplitudes_v");
    let status = unsafe { sixpulse_examination_numbers(e, pointer.as_ptr(), one.as_mut_ptr(), 1, &raw mut needed) };
    assert_eq!((status, needed, one[0]), (Status::BufferTooSmall, 24, 0.0), "{:?}", last());
    unsafe { sixpulse_examination_free(e) };
}

#[test]
fn many_threads_may_read_one_examination_and_each_has_its_own_error() {
    struct Shared(*const ExaminationHandle);
    // SAFETY: reading from several threads is what the interface promises, and what this test tries.
    unsafe impl Sync for Shared {}
    impl Shared {
        fn handle(&self) -> *const ExaminationHandle {
            self.0
        }
    }
    let e = examined(null());
    let (shared, expected) = (Shared(e), number(e, "/ripple/rms_v"));
    std::thread::scope(|scope| {
        for k in 0..8 {
            let shared = &shared;
            scope.spawn(move || {
                assert_eq!(last().0, "", "a new thread has met no failure");
                for _ in 0..100 {
                    assert_eq!(number(shared.handle(), "/ripple/rms_v"), expected);
                    assert_eq!(number(shared.handle(), &format!("/none/{k}")), Err(Status::UnknownName));
                    assert!(last().1.contains(&format!("/none/{k}")));
                }
            });
        }
    });
    unsafe { sixpulse_examination_free(e) };
}
