//! The monitor as C calls it: figures equal the core's, pushing allocates nothing, every wrong call is told and changes
//! nothing.
#![allow(clippy::expect_used, clippy::undocumented_unsafe_blocks, reason = "a test; its pointers are its own")]

mod common;

use common::{RATE_HZ, c, last, records};
use sixpulse::monitor::{Channel, Chunk, Monitor, MonitorReading, MonitorSettings, SampleFormat};
use sixpulse::{Coupling, Role};
use sixpulse_ffi::*;
use std::ffi::CStr;
use std::ptr::{null, null_mut};

const WINDOW_S: f64 = 0.1;

fn refused(status: Status, code: &str) {
    assert_eq!((status, last().0.as_str()), (Status::Refused, code), "{}", last().1);
}

fn settings(format: SampleFormat) -> *mut MonitorSettingsHandle {
    let mut made = null_mut();
    assert_eq!(unsafe { sixpulse_monitor_settings_new(RATE_HZ, WINDOW_S, &raw mut made) }, Status::Ok);
    for (name, role) in [("post", "charging_post"), ("speed", "speed_sensor")] {
        let (name, dc, role) = (c(name), c("dc"), c(role));
        let (name, dc, role) = (name.as_ptr(), dc.as_ptr(), role.as_ptr());
        let added = unsafe {
            match format {
                SampleFormat::F64 => sixpulse_monitor_settings_add_f64(made, name, dc, role),
                SampleFormat::F32 => sixpulse_monitor_settings_add_f32(made, name, dc, role),
                SampleFormat::Counts { scale, offset } => {
                    sixpulse_monitor_settings_add_i16(made, name, scale, offset, dc, role)
                }
            }
        };
        assert_eq!(added, Status::Ok);
    }
    made
}

/// A monitor of both channels; the caller frees it.
fn monitor(format: SampleFormat, options: *const OptionsHandle) -> *mut MonitorHandle {
    let (settings, mut made) = (settings(format), null_mut());
    assert_eq!(unsafe { sixpulse_monitor_new(settings, options, &raw mut made) }, Status::Ok, "{:?}", last());
    unsafe { sixpulse_monitor_settings_free(settings) };
    made
}

fn core_monitor(format: SampleFormat) -> Monitor {
    let channel = |name, role| Channel::new(name, role, Coupling::Dc).with_format(format);
    let channels = vec![channel("post", Role::ChargingPost), channel("speed", Role::SpeedSensor)];
    Monitor::new(channels, MonitorSettings::new(RATE_HZ, WINDOW_S)).expect("a monitor")
}

const NONE: ChannelSamples = ChannelSamples { f64: null(), f32: null(), i16: null() };

fn values(samples: &[f64]) -> ChannelSamples {
    ChannelSamples { f64: samples.as_ptr(), ..NONE }
}

fn push(monitor: *mut MonitorHandle, post: &[f64], speed: &[f64]) -> (Status, PushResult) {
    let chunks = [values(post), values(speed)];
    let mut pushed = PushResult { position: 0, updates: 0, judgement_due: Due::Nothing };
    let status = unsafe { sixpulse_monitor_push(monitor, chunks.as_ptr(), 2, post.len(), &raw mut pushed) };
    (status, pushed)
}

fn json(monitor: *const MonitorHandle) -> String {
    let (mut reading, mut needed) = (null_mut(), 0);
    assert_eq!(unsafe { sixpulse_monitor_reading(monitor, &raw mut reading) }, Status::Ok);
    unsafe { sixpulse_reading_json(reading, null_mut(), 0, &raw mut needed) };
    let mut buffer = vec![0; needed];
    assert_eq!(unsafe { sixpulse_reading_json(reading, buffer.as_mut_ptr(), needed, null_mut()) }, Status::Ok);
    unsafe { sixpulse_reading_free(reading) };
    unsafe { CStr::from_ptr(buffer.as_ptr()) }.to_str().expect("UTF-8").to_owned()
}

fn as_core(monitor: *const MonitorHandle) -> MonitorReading {
    serde_json::from_str(&json(monitor)).expect("a reading of the core's layout")
}

/// The same stream in the same chunks, in each form that samples come in.
#[test]
fn figures_equal_the_core_s_in_every_form_of_samples() {
    let (post, speed) = records(20_000);
    let single = |v: &[f64]| v.iter().map(|&x| x as f32).collect::<Vec<f32>>();
    let counts = |v: &[f64]| v.iter().map(|&x| (x / 1e-3).round() as i16).collect::<Vec<i16>>();
    let (post_f32, speed_f32, post_i16, speed_i16) = (single(&post), single(&speed), counts(&post), counts(&speed));
    for format in [SampleFormat::F64, SampleFormat::F32, SampleFormat::Counts { scale: 1e-3, offset: 0.0 }] {
        let (ours, mut core) = (monitor(format, null()), core_monitor(format));
        for from in (0..20_000).step_by(250) {
            let range = from..from + 250;
            let (chunks, theirs) = match format {
                SampleFormat::F64 => (
                    [values(&post[range.clone()]), values(&speed[range.clone()])],
                    [Chunk::F64(&post[range.clone()]), Chunk::F64(&speed[range])],
                ),
                SampleFormat::F32 => (
                    [&post_f32, &speed_f32].map(|v| ChannelSamples { f32: v[range.clone()].as_ptr(), ..NONE }),
                    [Chunk::F32(&post_f32[range.clone()]), Chunk::F32(&speed_f32[range])],
                ),
                SampleFormat::Counts { .. } => (
                    [&post_i16, &speed_i16].map(|v| ChannelSamples { i16: v[range.clone()].as_ptr(), ..NONE }),
                    [Chunk::I16(&post_i16[range.clone()]), Chunk::I16(&speed_i16[range])],
                ),
            };
            let mut pushed = PushResult { position: 0, updates: 0, judgement_due: Due::Nothing };
            assert_eq!(
                unsafe { sixpulse_monitor_push(ours, chunks.as_ptr(), 2, 250, &raw mut pushed) },
                Status::Ok,
                "{:?}",
                last()
            );
            assert_eq!(pushed, core.push(&theirs).expect("pushed").into());
            if pushed.judgement_due != Due::Nothing {
                assert_eq!(unsafe { sixpulse_monitor_judge(ours, null_mut()) }, Status::Ok);
                core.judge().expect("judged");
            }
        }
        assert_eq!(&as_core(ours), core.reading());
        assert_eq!(json(ours), serde_json::to_string(core.reading()).expect("JSON"));
        assert!(core.reading().rectifier.end_sample.is_some() && core.reading().cycle.cycle_count > 10);
        unsafe { sixpulse_monitor_free(ours) };
    }
}

#[test]
fn pushing_allocates_nothing() {
    let (post, speed) = records(20_000);
    let mut options = null_mut();
    unsafe { sixpulse_options_new(&raw mut options) };
    assert_eq!(unsafe { sixpulse_options_set_electrical_hz(options, 200.0) }, Status::Ok);
    let monitor = monitor(SampleFormat::F64, options);
    unsafe { sixpulse_options_free(options) };
    let mut bytes = [0_usize; 2];
    unsafe { sixpulse_monitor_buffer_bytes(monitor, &raw mut bytes[0]) };
    let counted = allocation_counter::measure(|| {
        for from in (0..18_000).step_by(300) {
            assert_eq!(push(monitor, &post[from..from + 300], &speed[from..from + 300]).0, Status::Ok);
        }
        assert_eq!(unsafe { sixpulse_monitor_gap(monitor, 1000) }, Status::Ok);
        let chunks = [values(&post[18_000..]), values(&speed[18_000..])];
        for start_s in [5.0, 5.1] {
            let done = unsafe { sixpulse_monitor_push_at(monitor, chunks.as_ptr(), 2, 2000, start_s, null_mut()) };
            assert_eq!(done, Status::Ok);
        }
    });
    assert_eq!(counted.count_total, 0);
    unsafe { sixpulse_monitor_buffer_bytes(monitor, &raw mut bytes[1]) };
    assert!(bytes[0] > 0 && bytes[0] == bytes[1]);
    // What was to be counted did happen.
    let reading = as_core(monitor);
    assert_eq!((reading.gap_count, reading.lost_samples), (2, 1000 + 3000));
    assert!(reading.cycle.cycle_count > 3 && reading.ripple.is_some());
    unsafe { sixpulse_monitor_free(monitor) };
    let counted = allocation_counter::measure(|| drop(std::hint::black_box(vec![1.0; 10])));
    assert_eq!(counted.count_total, 1, "the counter counts");
}

#[test]
fn a_judgement_is_handed_out_and_the_window_is_a_capture() {
    let (post, speed) = records(6000);
    let monitor = monitor(SampleFormat::F64, null());
    let (mut judged, mut window, mut again) = (null_mut(), null_mut(), null_mut());
    refused(unsafe { sixpulse_monitor_judge(monitor, &raw mut judged) }, "too_short");
    refused(unsafe { sixpulse_monitor_window(monitor, &raw mut window) }, "too_short");
    assert!(judged.is_null() && window.is_null(), "written on success only");
    let (rpm, celsius) = (900.0, 30.0);
    unsafe { sixpulse_monitor_set_engine_rpm(monitor, &raw const rpm) };
    assert_eq!(unsafe { sixpulse_monitor_set_battery_temperature_c(monitor, &raw const celsius) }, Status::Ok);
    let (status, pushed) = push(monitor, &post, &speed);
    assert_eq!((status, pushed.position, pushed.judgement_due), (Status::Ok, 6000, Due::FirstWindow));
    assert_eq!(unsafe { sixpulse_monitor_window(monitor, &raw mut window) }, Status::Ok);
    assert_eq!(unsafe { sixpulse_monitor_judge(monitor, &raw mut judged) }, Status::Ok);
    assert_eq!(unsafe { sixpulse_examine(window, null(), &raw mut again) }, Status::Ok);
    for pointer in
        ["/ripple/rms_v", "/cycle/electrical_hz", "/parameters/engine_rpm", "/contamination/speed/gain_v_per_v"]
    {
        let (pointer, mut found) = (c(pointer), [0.0, 1.0]);
        for (examination, found) in [judged, again].into_iter().zip(&mut found) {
            let status = unsafe { sixpulse_examination_number(examination, pointer.as_ptr(), found) };
            assert_eq!(status, Status::Ok, "{pointer:?}");
        }
        assert_eq!(found[0].to_bits(), found[1].to_bits(), "{pointer:?}");
    }
    refused(unsafe { sixpulse_monitor_set_engine_rpm(monitor, &f64::NAN) }, "out_of_range");
    assert_eq!(unsafe { sixpulse_monitor_set_engine_rpm(monitor, null()) }, Status::Ok, "no longer known");
    unsafe {
        sixpulse_examination_free(judged);
        sixpulse_examination_free(again);
        sixpulse_capture_free(window);
        sixpulse_monitor_free(monitor);
    }
}

fn event_kinds(monitor: *const MonitorHandle) -> Vec<String> {
    let (mut events, mut count) = (null_mut(), 0);
    assert_eq!(unsafe { sixpulse_monitor_events(monitor, &raw mut events) }, Status::Ok);
    assert_eq!(unsafe { sixpulse_reading_count(events, c("").as_ptr(), &raw mut count) }, Status::Ok);
    let kinds = (0..count).map(|i| {
        let mut buffer = [0; 32];
        let pointer = c(&format!("/{i}/kind"));
        let status =
            unsafe { sixpulse_reading_text(events, pointer.as_ptr(), buffer.as_mut_ptr(), buffer.len(), null_mut()) };
        assert_eq!(status, Status::Ok);
        unsafe { CStr::from_ptr(buffer.as_ptr()) }.to_str().expect("UTF-8").to_owned()
    });
    let kinds = kinds.collect();
    unsafe { sixpulse_reading_free(events) };
    kinds
}

#[test]
fn gaps_rates_and_resets() {
    let (post, speed) = records(6000);
    let monitor = monitor(SampleFormat::F64, null());
    assert_eq!(push(monitor, &post, &speed).0, Status::Ok);
    assert_eq!(unsafe { sixpulse_monitor_gap(monitor, 0) }, Status::Ok);
    assert_eq!(event_kinds(monitor), Vec::<String>::new());
    assert_eq!(unsafe { sixpulse_monitor_gap(monitor, 77) }, Status::Ok);
    refused(unsafe { sixpulse_monitor_gap(monitor, u64::MAX) }, "out_of_range");
    refused(unsafe { sixpulse_monitor_change_rate(monitor, -1.0) }, "out_of_range");
    assert_eq!(unsafe { sixpulse_monitor_change_rate(monitor, 25_000.0) }, Status::Ok);
    assert_eq!(event_kinds(monitor), ["gap", "rate_change"]);
    let reading = as_core(monitor);
    assert_eq!((reading.position, reading.gap_count, reading.level.mean_v), (6077, 1, None));
    let (mut snapshot, mut value) = (null_mut(), 0.0);
    assert_eq!(unsafe { sixpulse_monitor_reading(monitor, &raw mut snapshot) }, Status::Ok);
    let level = unsafe { sixpulse_reading_number(snapshot, c("/level/mean_v").as_ptr(), &raw mut value) };
    assert_eq!(level, Status::NotDetermined);
    let unknown = unsafe { sixpulse_reading_number(snapshot, c("/level/watts").as_ptr(), &raw mut value) };
    assert_eq!(unknown, Status::UnknownName);
    // The snapshot stays while the stream goes on.
    assert_eq!(push(monitor, &post, &speed).0, Status::Ok);
    assert_eq!(unsafe { sixpulse_reading_number(snapshot, c("/position").as_ptr(), &raw mut value) }, Status::Ok);
    assert!((value - 6077.0).abs() < 0.5);
    unsafe { sixpulse_reading_free(snapshot) };
    assert_eq!(unsafe { sixpulse_monitor_reset(monitor) }, Status::Ok);
    let mut fresh = core_monitor(SampleFormat::F64);
    fresh.change_rate(25_000.0).expect("another rate");
    fresh.reset().expect("anew");
    assert_eq!(&as_core(monitor), fresh.reading());
    assert_eq!(event_kinds(monitor), Vec::<String>::new());
    unsafe { sixpulse_monitor_free(monitor) };
}

#[test]
fn bad_chunks_are_told_and_change_nothing() {
    let (post, speed) = records(6000);
    let monitor = monitor(SampleFormat::F64, null());
    assert_eq!(push(monitor, &post, &speed).0, Status::Ok);
    let before = json(monitor);
    let mut spoilt = speed[..50].to_vec();
    spoilt[17] = f64::NAN;
    refused(push(monitor, &post[..50], &spoilt).0, "non_finite");
    assert!(last().1.contains("chunks[\"speed\"]") && last().1.contains("17"), "{}", last().1);
    let raw = |chunks: &[ChannelSamples], count, samples| unsafe {
        sixpulse_monitor_push(monitor, chunks.as_ptr(), count, samples, null_mut())
    };
    let (good, single, counts) = (values(&post), [14.0_f32; 5], [1_i16; 5]);
    refused(raw(&[good], 1, 5), "length_mismatch");
    refused(raw(&[good, good, good], 3, 5), "length_mismatch");
    assert_eq!(raw(&[good, NONE], 2, 5), Status::InvalidPointer);
    assert_eq!(raw(&[good, ChannelSamples { f32: single.as_ptr(), ..good }], 2, 5), Status::InvalidPointer);
    refused(raw(&[good, ChannelSamples { i16: counts.as_ptr(), ..NONE }], 2, 5), "invalid_combination");
    assert_eq!(raw(&[good, good], 2, usize::MAX), Status::InvalidPointer);
    assert_eq!(unsafe { sixpulse_monitor_push(monitor, null(), 2, 5, null_mut()) }, Status::InvalidPointer);
    let crooked = (&raw mut spoilt[0]).cast::<u8>().wrapping_add(1).cast::<PushResult>();
    let unaligned = unsafe { sixpulse_monitor_push(monitor, [good, good].as_ptr(), 2, 5, crooked) };
    assert_eq!(unaligned, Status::InvalidPointer);
    let nan = unsafe { sixpulse_monitor_push_at(monitor, [good, good].as_ptr(), 2, 5, f64::NAN, null_mut()) };
    refused(nan, "out_of_range");
    assert_eq!(json(monitor), before);
    // Neither is single precision in a channel of doubles, nor an empty chunk, an error.
    let narrow = ChannelSamples { f32: single.as_ptr(), ..NONE };
    assert_eq!(raw(&[narrow, narrow], 2, 5), Status::Ok);
    assert_eq!(raw(&[good, good], 2, 0), Status::Ok);
    assert_eq!(as_core(monitor).position, 6005);
    unsafe { sixpulse_monitor_free(monitor) };
}

#[test]
fn bad_settings_are_told() {
    let made = settings(SampleFormat::F64);
    let (post, dc, role) = (c("post"), c("dc"), c("wheel"));
    let wheel = unsafe { sixpulse_monitor_settings_add_f64(made, post.as_ptr(), dc.as_ptr(), role.as_ptr()) };
    refused(wheel, "unknown_name");
    refused(unsafe { sixpulse_monitor_settings_set_range(made, c("none").as_ptr(), 0.0, 1.0) }, "unknown_name");
    assert!(last().1.contains("post, speed"), "{}", last().1);
    let refuses = |made: *mut MonitorSettingsHandle, code: &str| {
        let mut monitor = null_mut();
        refused(unsafe { sixpulse_monitor_new(made, null(), &raw mut monitor) }, code);
        assert!(monitor.is_null(), "written on success only");
    };
    // Checked when the monitor is made.
    assert_eq!(unsafe { sixpulse_monitor_settings_set_range(made, post.as_ptr(), 1.0, 0.0) }, Status::Ok);
    refuses(made, "out_of_range");
    assert_eq!(unsafe { sixpulse_monitor_settings_set_range(made, post.as_ptr(), 0.0, 40.0) }, Status::Ok);
    assert_eq!(unsafe { sixpulse_monitor_settings_set_judge_every_s(made, 0.0) }, Status::Ok);
    refuses(made, "out_of_range");
    assert_eq!(unsafe { sixpulse_monitor_settings_set_judge_every_s(made, 0.2) }, Status::Ok);
    assert_eq!(unsafe { sixpulse_monitor_settings_set_time_tolerance_s(made, -1.0) }, Status::Ok);
    refuses(made, "out_of_range");
    assert_eq!(unsafe { sixpulse_monitor_settings_set_time_tolerance_s(made, 1e-3) }, Status::Ok);
    let mut monitor = null_mut();
    assert_eq!(unsafe { sixpulse_monitor_new(made, null(), &raw mut monitor) }, Status::Ok);
    unsafe { sixpulse_monitor_free(monitor) };
    assert_eq!(unsafe { sixpulse_monitor_settings_set_coupling_corner_hz(made, post.as_ptr(), 1.0) }, Status::Ok);
    refuses(made, "invalid_combination");
    unsafe { sixpulse_monitor_settings_free(made) };
    let mut empty = null_mut();
    unsafe { sixpulse_monitor_settings_new(RATE_HZ, WINDOW_S, &raw mut empty) };
    refuses(empty, "empty_input");
    unsafe { sixpulse_monitor_settings_free(empty) };
}

#[test]
fn wrong_pointers_are_told() {
    let mut count = 0;
    unsafe {
        assert_eq!(sixpulse_monitor_settings_new(RATE_HZ, WINDOW_S, null_mut()), Status::InvalidPointer);
        assert_eq!(sixpulse_monitor_new(null(), null(), null_mut()), Status::InvalidPointer);
        assert_eq!(sixpulse_monitor_push(null_mut(), null(), 0, 0, null_mut()), Status::InvalidPointer);
        assert_eq!(sixpulse_monitor_gap(null_mut(), 1), Status::InvalidPointer);
        assert_eq!(sixpulse_monitor_reset(null_mut()), Status::InvalidPointer);
        assert_eq!(sixpulse_monitor_judge(null_mut(), null_mut()), Status::InvalidPointer);
        assert_eq!(sixpulse_monitor_reading(null(), null_mut()), Status::InvalidPointer);
        assert_eq!(sixpulse_monitor_events(null(), null_mut()), Status::InvalidPointer);
        assert_eq!(sixpulse_monitor_window(null(), null_mut()), Status::InvalidPointer);
        assert_eq!(sixpulse_monitor_buffer_bytes(null(), &raw mut count), Status::InvalidPointer);
        assert_eq!(sixpulse_reading_count(null(), c("").as_ptr(), &raw mut count), Status::InvalidPointer);
        let monitor = monitor(SampleFormat::F32, null());
        assert_eq!(sixpulse_monitor_reading(monitor, null_mut()), Status::InvalidPointer);
        sixpulse_monitor_free(monitor);
        sixpulse_monitor_free(null_mut());
        sixpulse_monitor_settings_free(null_mut());
        sixpulse_reading_free(null_mut());
    }
}

#[test]
fn a_monitor_moves_from_thread_to_thread_and_others_know_nothing_of_it() {
    struct Moved(*mut MonitorHandle);
    // SAFETY: one thread at a time uses it, which is what the interface asks for.
    unsafe impl Send for Moved {}
    impl Moved {
        fn run(self, post: &[f64], speed: &[f64]) -> Self {
            assert_eq!(push(self.0, post, speed).0, Status::Ok);
            self
        }
    }
    let (post, speed) = records(12_000);
    let readings: Vec<String> = std::thread::scope(|scope| {
        let watch = |_| {
            scope.spawn(|| {
                let moved = Moved(monitor(SampleFormat::F64, null())).run(&post[..7000], &speed[..7000]);
                let moved = std::thread::scope(|inner| {
                    let next = inner.spawn(|| moved.run(&post[7000..], &speed[7000..]));
                    next.join().expect("no panic")
                });
                let told = json(moved.0);
                unsafe { sixpulse_monitor_free(moved.0) };
                told
            })
        };
        let threads: Vec<_> = (0..4).map(watch).collect();
        threads.into_iter().map(|t| t.join().expect("no panic")).collect()
    });
    assert!(readings.iter().all(|r| r == &readings[0]) && readings[0].contains("\"position\":12000"));
}
