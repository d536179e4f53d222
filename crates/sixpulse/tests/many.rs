//! Many captures: the results of single calls, in order, whatever the number of threads.

#![allow(clippy::unwrap_used, reason = "a test may fail")]

use std::num::NonZeroUsize;

use sixpulse::{Capture, Coupling, Error, ExamineOptions, Role, Trace, examine, examine_many};

/// Bridge of three phases at `hz`, one of them missing where `open`; a sensor that carries a third of it.
fn capture(hz: f64, open: bool, samples: u32) -> Capture {
    let volts = |i: u32| {
        let theta = std::f64::consts::TAU * hz * f64::from(i) / 5e4;
        let phase = |k: f64| (theta - k * std::f64::consts::TAU / 3.0).cos();
        let (a, b, c) = (phase(0.0), phase(1.0), phase(2.0));
        14.0 + if open { a.max(b) } else { a.max(b).max(c) } - a.min(b).min(c)
    };
    let post: Vec<f64> = (0..samples).map(volts).collect();
    let sensor = post.iter().map(|v| 2.5 + 0.3 * (v - 14.0)).collect();
    let trace = |values, role| Trace::from_f64(values, 5e4, Coupling::Dc, role).unwrap();
    let traces =
        vec![("post".into(), trace(post, Role::ChargingPost)), ("sensor".into(), trace(sensor, Role::SpeedSensor))];
    Capture::new(traces).unwrap()
}

#[test]
fn results_are_those_of_single_calls() {
    let mut captures: Vec<Capture> =
        (0..9_u32).map(|k| capture(150.0 + 20.0 * f64::from(k), k % 3 == 0, 10_000 + 1000 * k)).collect();
    captures.insert(4, capture(200.0, false, 2));
    let options = ExamineOptions::default();
    let single: Vec<_> = captures.iter().map(|c| examine(c, &options)).collect();
    assert!(matches!(single[4], Err(Error::TooShort { .. })));
    assert_eq!(single.iter().filter(|r| r.is_ok()).count(), 9);
    for threads in [1, 2, 4, 64] {
        assert_eq!(examine_many(&captures, &options, NonZeroUsize::new(threads).unwrap()), single);
    }
    assert!(examine_many(&[], &options, NonZeroUsize::MIN).is_empty());
}
