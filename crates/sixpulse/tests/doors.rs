//! The doors: what comes in is refused with a typed error that names the parameter, or is kept as it came.
#![allow(clippy::unwrap_used, clippy::float_cmp, reason = "tests; what is kept is kept to the bit")]

mod common;

use common::{Post, Random};
use sixpulse::meter::Response;
use sixpulse::monitor::{Channel, Chunk, Monitor, MonitorSettings, SampleFormat};
use sixpulse::quality::CycleFacts;
use sixpulse::rectifier::ideal::{IdealCircuit, value, values};
use sixpulse::trace::LARGEST_VALUE;
use sixpulse::{Capture, Coupling, Error, Machine, RawSamples, Role, Samples, Trace};

fn refused<T: std::fmt::Debug>(result: Result<T, Error>) -> (&'static str, String) {
    let error = result.unwrap_err();
    assert!(error.to_string().starts_with(error.parameter()), "{error}");
    (error.code(), error.parameter().to_owned())
}

fn of(samples: RawSamples) -> Result<Trace, Error> {
    Trace::new(samples, 1e4, Coupling::Dc, Role::ChargingPost)
}

#[test]
fn samples_that_no_probe_gives_are_refused() {
    let counts = |scale, offset| of(RawSamples::I16 { counts: vec![1, 2], scale, offset });
    assert_eq!(refused(of(RawSamples::F32(vec![]))), ("empty_input", "samples".into()));
    assert_eq!(refused(of(RawSamples::F64(vec![1.0, f64::INFINITY]))), ("non_finite", "samples".into()));
    assert!(matches!(of(RawSamples::F32(vec![0.0, 0.0, f32::NAN])), Err(Error::NonFinite { index: 2, .. })));
    assert_eq!(refused(of(RawSamples::F64(vec![1.001 * LARGEST_VALUE]))), ("out_of_range", "samples".into()));
    assert!(of(RawSamples::F64(vec![LARGEST_VALUE])).is_ok());
    for (scale, offset, parameter) in
        [(0.0, 0.0, "scale"), (f64::NAN, 0.0, "scale"), (1.0, f64::INFINITY, "offset"), (1e5, 0.0, "scale")]
    {
        assert_eq!(refused(counts(scale, offset)), ("out_of_range", parameter.into()), "{scale} {offset}");
    }
    for rate in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let trace = Trace::from_f64(vec![0.0], rate, Coupling::Dc, Role::Other);
        assert_eq!(refused(trace), ("out_of_range", "sample_rate_hz".into()));
    }
}

#[test]
fn refused_numbers_are_shown_as_one_reads_them() {
    let rate = |hz: f64| Trace::from_f64(vec![0.0; 2], hz, Coupling::Dc, Role::Other).unwrap_err().to_string();
    assert!(rate(-0.5).ends_with("got -0.5"), "{}", rate(-0.5));
    assert!(rate(-0.0).ends_with("got -0"), "{}", rate(-0.0));
    assert!(rate(-2e-310).ends_with("got -2e-310"), "{}", rate(-2e-310));
    assert!(rate(-1e300).ends_with("got -1e300"), "{}", rate(-1e300));
    assert!(rate(f64::NAN).ends_with("got NaN"), "{}", rate(f64::NAN));
}

#[test]
fn samples_are_kept_as_they_came() {
    let trace = of(RawSamples::I16 { counts: vec![-3, 0, 7], scale: 0.5, offset: 2.0 }).unwrap();
    assert_eq!(trace.to_f64(), [0.5, 2.0, 5.5]);
    assert_eq!(*trace.raw(), RawSamples::I16 { counts: vec![-3, 0, 7], scale: 0.5, offset: 2.0 });
    let mut part = [0.0; 2];
    trace.read(1, &mut part);
    assert_eq!(part, [2.0, 5.5]);
    let current = Trace::from_f64(vec![1.0], 1e4, Coupling::Ac, Role::BatteryCurrent).unwrap();
    assert_eq!((current.unit(), trace.unit()), ("A", "V"));
    assert_eq!(current.clone().with_unit("A").unwrap().unit(), "A");
    assert_eq!(refused(current.clone().with_unit("kA")), ("invalid_combination", "unit".into()));
    assert_eq!(refused(trace.clone().with_unit("mV")), ("invalid_combination", "unit".into()));
    let pressure = Trace::from_f64(vec![1.0], 1e4, Coupling::Dc, Role::Other).unwrap();
    assert_eq!(pressure.with_unit("bar").unwrap().unit(), "bar");
    assert_eq!(current.with_coupling_corner_hz(10.0).unwrap().coupling_corner_hz(), Some(10.0));
    assert_eq!(refused(trace.with_coupling_corner_hz(10.0)), ("invalid_combination", "coupling_corner_hz".into()));
}

#[test]
fn traces_that_do_not_belong_together_are_refused() {
    let trace = |samples: usize, rate| {
        ("sensor".to_owned(), Trace::from_f64(vec![0.0; samples], rate, Coupling::Dc, Role::SpeedSensor).unwrap())
    };
    let post = || ("post".to_owned(), trace(10, 1e4).1);
    assert_eq!(refused(Capture::new(vec![])), ("empty_input", "traces".into()));
    assert_eq!(refused(Capture::new(vec![post(), trace(10, 2e4)])), ("rate_mismatch", "traces[\"sensor\"]".into()));
    assert_eq!(refused(Capture::new(vec![post(), trace(9, 1e4)])), ("length_mismatch", "traces[\"sensor\"]".into()));
    assert_eq!(refused(Capture::new(vec![post(), post()])), ("invalid_combination", "traces".into()));
    let capture = Capture::new(vec![post(), trace(10, 1e4)]).unwrap();
    assert_eq!(refused(capture.clone().with_engine_rpm(-1.0)), ("out_of_range", "engine_rpm".into()));
    assert_eq!(refused(capture.clone().with_battery_temperature_c(121.0)).1, "battery_temperature_c");
    assert_eq!(capture.with_engine_rpm(900.0).unwrap().engine_rpm(), Some(900.0));
}

#[test]
fn machines_outside_what_is_built_are_refused() {
    for (pairs, ratio, pulses, parameter) in [
        (Some(0), None, 6, "pole_pairs"),
        (Some(25), None, 6, "pole_pairs"),
        (None, Some(0.19), 6, "pulley_ratio"),
        (None, Some(f64::NAN), 6, "pulley_ratio"),
        (None, None, 7, "pulse_number"),
    ] {
        assert_eq!(refused(Machine::new(pairs, ratio, pulses)), ("out_of_range", parameter.into()));
    }
    let machine = Machine::new(Some(6), Some(2.5), 12).unwrap();
    // Six pole pairs at 2.5 times 1200 revolutions a minute, 20 a second: 300 Hz.
    assert!((machine.electrical_hz(1200.0).unwrap() - 300.0).abs() < 1e-9);
    assert_eq!(Machine::default().electrical_hz(1200.0), None);
}

#[test]
fn facts_and_angles_are_checked() {
    for (hz, ripple, lowest, parameter) in [
        (0.0, 0.1, 100.0, "electrical_hz"),
        (100.0, -0.1, 100.0, "ripple_peak_to_peak_v"),
        (100.0, f64::NAN, 100.0, "ripple_peak_to_peak_v"),
        (100.0, 0.1, f64::INFINITY, "lowest_order_hz"),
    ] {
        assert_eq!(refused(CycleFacts::new("post", hz, ripple, lowest)), ("out_of_range", parameter.into()));
    }
    assert_eq!(CycleFacts::new("post", 100.0, 0.0, 50.0).unwrap().lowest_order_hz, 50.0);
    let circuit = IdealCircuit::OneDiodeOpen;
    assert_eq!(values(circuit, &[0.0, 1.0]).unwrap(), [value(circuit, 0.0), value(circuit, 1.0)]);
    assert_eq!(refused(values(circuit, &[])), ("empty_input", "theta_rad".into()));
    assert_eq!(refused("peak".parse::<Response>()).0, "unknown_name");
}

/// Two channels of one form, and the stream in it.
fn stream(format: SampleFormat, volts: &[f64]) -> (Monitor, Vec<i16>, Vec<f32>) {
    let channel = Channel::new("post", Role::ChargingPost, Coupling::Dc).with_format(format);
    let settings = MonitorSettings::new(50_000.0, 0.2).with_electrical_hz(187.3).with_engine_rpm(900.0);
    let monitor = Monitor::new(vec![channel], settings).unwrap();
    let counts = volts.iter().map(|v| (v / 0.001).round() as i16).collect();
    (monitor, counts, volts.iter().map(|v| *v as f32).collect())
}

#[test]
fn a_monitor_reads_every_form_alike_and_keeps_its_window() {
    let volts = Post { open: true, ..Post::default() }.record(20_000, 0.3, &mut Random::new(5));
    let read = |format| {
        let (mut monitor, counts, single) = stream(format, &volts);
        let chunk = match format {
            SampleFormat::F64 => Chunk::F64(&volts),
            SampleFormat::F32 => Chunk::from(&single[..]),
            SampleFormat::Counts { .. } => Chunk::from(&counts[..]),
        };
        assert!(!chunk.is_empty());
        monitor.push(&[chunk]).unwrap();
        let kept = monitor.window().unwrap().trace("post").unwrap().clone();
        (monitor.reading().clone(), kept, monitor.buffer_bytes())
    };
    let counts = SampleFormat::Counts { scale: 0.001, offset: 0.0 };
    let (double, single, coarse) = (read(SampleFormat::F64), read(SampleFormat::F32), read(counts));
    let rms = |r: &(sixpulse::monitor::MonitorReading, Trace, usize)| r.0.ripple.unwrap().rms_v;
    // Single precision keeps 24 bits of 14 V, 1 uV; a step of 1 mV adds 0.3 mV r.m.s. to 0.1 V and more of ripple.
    assert!((rms(&single) / rms(&double) - 1.0).abs() < 1e-6);
    assert!((rms(&coarse) / rms(&double) - 1.0).abs() < 1e-4, "{} {}", rms(&coarse), rms(&double));
    assert!(matches!(double.1.raw(), RawSamples::F64(v) if volts.windows(v.len()).any(|part| part == v)));
    assert!(matches!((single.1.raw(), coarse.1.raw()), (RawSamples::F32(_), RawSamples::I16 { .. })));
    assert!(coarse.2 < single.2 && single.2 < double.2, "{} {} {}", coarse.2, single.2, double.2);
    // A window in double precision takes single values too.
    let (mut monitor, _, values) = stream(SampleFormat::F64, &volts);
    monitor.push(&[Chunk::F32(&values)]).unwrap();
    assert!((monitor.reading().ripple.unwrap().rms_v / rms(&double) - 1.0).abs() < 1e-6);
}

#[test]
fn a_monitor_refuses_another_form_and_what_no_probe_gives() {
    let parameter = "chunks[\"post\"]".to_owned();
    let counts = SampleFormat::Counts { scale: 0.001, offset: 0.0 };
    for (format, chunk) in
        [(SampleFormat::F32, Chunk::F64(&[1.0])), (SampleFormat::F64, Chunk::I16(&[1])), (counts, Chunk::F32(&[1.0]))]
    {
        let (mut monitor, ..) = stream(format, &[]);
        assert_eq!(refused(monitor.push(&[chunk])), ("invalid_combination", parameter.clone()));
    }
    let (mut monitor, ..) = stream(SampleFormat::F64, &[]);
    assert_eq!(refused(monitor.push(&[Chunk::F64(&[0.0, f64::NAN])])), ("non_finite", parameter.clone()));
    assert_eq!(refused(monitor.push(&[Chunk::F64(&[2e9])])), ("out_of_range", parameter));
    monitor.set_engine_rpm(Some(1500.0)).unwrap();
    assert_eq!(monitor.settings().engine_rpm(), Some(1500.0));
    assert_eq!(refused(monitor.set_engine_rpm(Some(-1.0))), ("out_of_range", "engine_rpm".into()));
    assert_eq!(refused(monitor.set_battery_temperature_c(Some(f64::NAN))).1, "battery_temperature_c");
    // What was refused changed nothing.
    assert_eq!((monitor.settings().engine_rpm(), monitor.settings().battery_temperature_c()), (Some(1500.0), None));
}
