//! The monitor: nothing allocated, nothing that depends on the cut, gaps, bad input, long streams.
#![allow(clippy::unwrap_used, clippy::float_cmp, clippy::cast_possible_truncation, reason = "tests")]

mod common;

use common::{Post, Random};
use proptest::prelude::*;
use sixpulse::examine::{ExamineOptions, examine};
use sixpulse::monitor::{
    Channel, Chunk, EventKind, JudgementDue, Monitor, MonitorEvent, MonitorReading, MonitorSettings, SampleFormat,
};
use sixpulse::{Capture, Coupling, Error, Role};

const RATE_HZ: f64 = 50_000.0;

fn channels(format: SampleFormat) -> Vec<Channel> {
    vec![
        Channel::new("post", Role::ChargingPost, Coupling::Dc).with_format(format),
        Channel::new("sensor", Role::SpeedSensor, Coupling::Dc).with_format(format),
    ]
}

fn monitor(window_s: f64) -> Monitor {
    Monitor::new(channels(SampleFormat::F64), MonitorSettings::new(RATE_HZ, window_s)).unwrap()
}

/// A post with one diode open, and a sensor that carries a fifth of its ripple.
fn stream(samples: usize) -> (Vec<f64>, Vec<f64>) {
    let mut random = Random::new(5);
    let post = Post { open: true, ..Post::default() }.record(samples, 0.3, &mut random);
    let sensor = post.iter().map(|v| 0.2 * (v - 14.2) + 0.002 * random.normal()).collect();
    (post, sensor)
}

/// Pushes in chunks of the lengths given (round and round), judging whenever one is due.
fn run(monitor: &mut Monitor, post: &[f64], sensor: &[f64], lengths: &[usize]) {
    let (mut at, mut lengths) = (0, lengths.iter().cycle());
    while at < post.len() {
        let end = (at + lengths.next().unwrap()).min(post.len());
        let pushed = monitor.push(&[Chunk::F64(&post[at..end]), Chunk::F64(&sensor[at..end])]).unwrap();
        assert_eq!(pushed.position, monitor.reading().position);
        if pushed.judgement_due.is_some() {
            monitor.judge().unwrap();
        }
        at = end;
    }
}

/// Events without their numbers: within a hop a judgement may come before or after what the stream does.
fn events(monitor: &Monitor) -> Vec<MonitorEvent> {
    let mut list: Vec<_> = monitor.events().cloned().collect();
    list.iter_mut().for_each(|e| e.sequence = 0);
    list.sort_by_key(|e| (e.at_sample, e.kind as u8));
    list
}

#[test]
fn pushing_allocates_nothing() {
    let (post, sensor) = stream(30_000);
    let single = |v: &[f64]| v.iter().map(|&x| x as f32).collect::<Vec<f32>>();
    let (post_single, sensor_single) = (single(&post), single(&sensor));
    let counts = |v: &[f64]| v.iter().map(|&x| (x / 0.001).round() as i16).collect::<Vec<i16>>();
    let (post_counts, sensor_counts) = (counts(&post), counts(&sensor));
    let settings = MonitorSettings::new(RATE_HZ, 0.1).with_electrical_hz(187.3);
    for format in [SampleFormat::F64, SampleFormat::F32, SampleFormat::Counts { scale: 0.001, offset: 0.0 }] {
        let mut monitor = Monitor::new(channels(format), settings).unwrap();
        let chunk = |from: usize| {
            let range = from..from + 300;
            match format {
                SampleFormat::F64 => [Chunk::F64(&post[range.clone()]), Chunk::F64(&sensor[range])],
                SampleFormat::F32 => [Chunk::F32(&post_single[range.clone()]), Chunk::F32(&sensor_single[range])],
                SampleFormat::Counts { .. } => {
                    [Chunk::I16(&post_counts[range.clone()]), Chunk::I16(&sensor_counts[range])]
                }
            }
        };
        let counted = allocation_counter::measure(|| {
            for from in (0..18_000).step_by(300) {
                monitor.push(&chunk(from)).unwrap();
                std::hint::black_box(monitor.reading());
            }
            monitor.gap(1000).unwrap();
            monitor.push_at(&chunk(18_000), 5.0).unwrap();
            monitor.push_at(&chunk(20_000), 5.1).unwrap();
            // The signal goes: the cycle is lost.
            let still = match format {
                SampleFormat::F64 => Chunk::F64(&[14.2; 300]),
                SampleFormat::F32 => Chunk::F32(&[14.2; 300]),
                SampleFormat::Counts { .. } => Chunk::I16(&[14_200; 300]),
            };
            for _ in 0..80 {
                monitor.push(&[still, still]).unwrap();
            }
        });
        assert_eq!(counted.count_total, 0, "{format:?}");
        // What was to be counted did happen.
        let kinds: Vec<_> = monitor.events().map(|e| e.kind).collect();
        assert!(kinds.contains(&EventKind::CycleLost) && kinds.contains(&EventKind::Gap), "{kinds:?}");
        assert!(monitor.reading().gap_count == 2 && monitor.reading().ripple.is_some());
    }
}

#[test]
fn the_counter_counts() {
    let counted = allocation_counter::measure(|| drop(std::hint::black_box(vec![1.0; 10])));
    assert_eq!(counted.count_total, 1);
}

#[test]
fn a_judgement_frees_what_it_takes() {
    let (post, sensor) = stream(30_000);
    let mut monitor = monitor(0.4);
    run(&mut monitor, &post, &sensor, &[1000]);
    monitor.judge().unwrap();
    let counted = allocation_counter::measure(|| drop(monitor.judge().unwrap()));
    assert_eq!(counted.bytes_current, 0, "the reading keeps texts of the same length");
    // Stated: about 60 bytes a sample and channel, and what does not grow with the window.
    assert!(counted.bytes_max < 60 * 2 * 20_000 + 2_000_000, "{}", counted.bytes_max);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, failure_persistence: None, ..ProptestConfig::default() })]

    /// Bit for bit, whatever the cut, judgements included (chunks of at most a hop, 312 samples here).
    #[test]
    fn the_cut_does_not_matter(lengths in prop::collection::vec(0usize..312, 1..12).prop_filter("moves", |v| v.iter().sum::<usize>() > 0)) {
        let (post, sensor) = stream(12_345);
        let (mut whole, mut cut) = (monitor(0.1), monitor(0.1));
        run(&mut whole, &post, &sensor, &[1]);
        run(&mut cut, &post, &sensor, &lengths);
        prop_assert_eq!(whole.reading(), cut.reading());
        prop_assert_eq!(events(&whole), events(&cut));
        prop_assert!(whole.reading().cycle.cycle_count > 10);
    }

    /// Without judgements chunks may have any length.
    #[test]
    fn one_push_is_as_good_as_many(cuts in prop::collection::vec(0usize..20_000, 0..6)) {
        let (post, sensor) = stream(20_000);
        let settings = MonitorSettings::new(RATE_HZ, 0.15).with_electrical_hz(185.0);
        let new = || Monitor::new(channels(SampleFormat::F64), settings).unwrap();
        let (mut whole, mut cut) = (new(), new());
        whole.push(&[(&post[..]).into(), (&sensor[..]).into()]).unwrap();
        let mut borders = cuts;
        borders.extend([0, post.len()]);
        borders.sort_unstable();
        for pair in borders.windows(2) {
            cut.push(&[(&post[pair[0]..pair[1]]).into(), (&sensor[pair[0]..pair[1]]).into()]).unwrap();
        }
        prop_assert_eq!(whole.reading(), cut.reading());
    }
}

/// A judgement is that of `examine` on the window, whichever way the ring lies.
#[test]
fn a_judgement_is_an_examination_of_the_window() {
    let (post, sensor) = stream(23_456);
    let mut monitor = monitor(0.2);
    run(&mut monitor, &post, &sensor, &[777]);
    let end = monitor.reading().end_sample as usize;
    let len = (monitor.reading().window_s * RATE_HZ).round() as usize;
    let trace =
        |x: &[f64], role| sixpulse::Trace::from_f64(x[end - len..end].to_vec(), RATE_HZ, Coupling::Dc, role).unwrap();
    let traces = vec![
        ("post".to_owned(), trace(&post, Role::ChargingPost)),
        ("sensor".to_owned(), trace(&sensor, Role::SpeedSensor)),
    ];
    let capture = Capture::new(traces).unwrap();
    assert_eq!(monitor.window().unwrap(), capture);
    assert_eq!(monitor.judge().unwrap(), examine(&capture, &ExamineOptions::default()).unwrap());
}

/// The same figures from the stream as from `examine`, on the same samples.
#[test]
fn figures_agree_with_an_examination() {
    let (post, sensor) = stream(60_000);
    let mut monitor = monitor(0.4);
    run(&mut monitor, &post, &sensor, &[500]);
    let found = monitor.judge().unwrap();
    let reading = monitor.reading();
    let close = |a: f64, b: f64, relative: f64| assert!((a / b - 1.0).abs() < relative, "{a} {b}");
    let (ours, theirs) = (reading.ripple.unwrap(), found.ripple.unwrap());
    close(reading.level.mean_v.unwrap(), found.level.mean_v.unwrap(), 1e-12);
    // The slow part is held for a block; see `MonitorRipple`.
    close(ours.rms_v, theirs.rms_v, 5e-3);
    close(ours.peak_to_peak_v, theirs.peak_to_peak_v, 0.02);
    close(ours.synchronous_rms_v.unwrap(), theirs.synchronous_rms_v.unwrap(), 5e-3);
    close(ours.rms_ripple_factor.unwrap(), theirs.rms_ripple_factor.unwrap(), 5e-3);
    close(ours.crest_factor, theirs.crest_factor, 0.02);
    // The loop's phase noise at the ends against that of the examination's track, over 75 cycles.
    close(reading.cycle.electrical_hz.unwrap(), found.cycle.electrical_hz.unwrap(), 3e-4);
    for (n, (a, b)) in reading.cycle.order_amplitudes_v.iter().zip(&found.cycle.order_amplitudes_v).enumerate() {
        // Noise of 3 mV over 75 cycles of 267 samples leaves 30 uV; the loop's phase noise 1 % at the highest orders.
        assert!((a - b).abs() < 1e-4 + 0.01 * b, "order {}: {a} {b}", n + 1);
    }
    let (_, sensor) = &reading.contamination[0];
    close(sensor.synchronous_gain_v_per_v.unwrap(), 0.2, 0.01);
    assert_eq!(sensor.gain_v_per_v, found.contamination[0].1.gain_v_per_v);
    assert!(sensor.synchronous_rms_v.unwrap() > 0.0);
}

/// Blanks what tells where in the stream the reading stands.
fn figures(reading: &MonitorReading) -> MonitorReading {
    let mut figures = reading.clone();
    (figures.position, figures.time_s, figures.end_sample) = (0, 0.0, 0);
    (figures.event_count, figures.gap_count, figures.lost_samples) = (0, 0, 0);
    figures
}

#[test]
fn figures_do_not_depend_on_how_long_it_has_run() {
    let (post, sensor) = stream(20_000);
    let settings = MonitorSettings::new(RATE_HZ, 0.1).with_electrical_hz(187.3);
    let new = || Monitor::new(channels(SampleFormat::F64), settings).unwrap();
    let (mut fresh, mut old) = (new(), new());
    old.gap(10_000_000_000).unwrap();
    for monitor in [&mut fresh, &mut old] {
        monitor.push(&[(&post[..]).into(), (&sensor[..]).into()]).unwrap();
    }
    assert_eq!(old.reading().position, 10_000_020_000);
    assert_eq!(figures(old.reading()), figures(fresh.reading()));
}

/// Resident set, where the system tells: the high-water mark would not show what was given back.
fn resident_kib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    status.lines().find_map(|l| l.strip_prefix("VmRSS:"))?.trim().trim_end_matches("kB").trim().parse().ok()
}

/// Pushes a signal that repeats every block, and holds the figures against those of the first windows.
fn long_stream(samples: usize) -> Option<u64> {
    // 250 Hz in 200 samples, a block of 200 samples, a hop of 1000.
    let period: Vec<f64> = (0..200)
        .map(|i| {
            let theta = std::f64::consts::TAU * f64::from(i) / 200.0;
            14.2 + 0.3 * theta.cos() + 0.1 * (2.0 * theta + 1.0).cos() + 0.03 * (6.0 * theta).cos()
        })
        .collect();
    let chunk: Vec<f64> = period.iter().copied().cycle().take(10_000).collect();
    let post = vec![Channel::new("post", Role::ChargingPost, Coupling::Dc)];
    let settings = MonitorSettings::new(RATE_HZ, 0.32).with_electrical_hz(250.0);
    let mut monitor = Monitor::new(post, settings).unwrap();
    for _ in 0..6 {
        monitor.push(&[(&chunk[..]).into()]).unwrap();
    }
    let first = monitor.reading().clone();
    assert_eq!((first.end_sample, first.cycle.cycle_count), (60_000, 80));
    let mut push_until = |end: usize| {
        while monitor.reading().position < end as u64 {
            monitor.push(&[(&chunk[..]).into()]).unwrap();
        }
    };
    // Pages that are touched for the first time are no growth, those of the measurement included.
    push_until(samples / 100);
    resident_kib();
    let (begin, before) = (std::time::Instant::now(), resident_kib());
    let counted = allocation_counter::measure(|| push_until(samples));
    let ns = begin.elapsed().as_secs_f64() * 1e9 / (samples - samples / 100) as f64;
    assert_eq!(counted.count_total, 0);
    let grown_kib = before.zip(resident_kib()).map(|(before, after)| after.saturating_sub(before));
    let last = monitor.reading();
    assert_eq!((&first.level, &first.channels), (&last.level, &last.channels));
    let (a, b) = (first.ripple.unwrap(), last.ripple.unwrap());
    assert_eq!((a.rms_v, a.peak_to_peak_v, a.crest_factor), (b.rms_v, b.peak_to_peak_v, b.crest_factor));
    // Rounding of the boundaries' places, 1e-13 of a block, cannot add up: the loop brings it back.
    assert!((last.cycle.electrical_hz.unwrap() / 250.0 - 1.0).abs() < 1e-9);
    for (a, b) in first.cycle.order_amplitudes_v.iter().zip(&last.cycle.order_amplitudes_v) {
        assert!((a - b).abs() < 1e-9, "{a} {b}");
    }
    println!("{samples} samples: {ns:.2} ns each, {grown_kib:?} KiB more resident");
    grown_kib
}

#[test]
fn ten_million_samples_lose_nothing() {
    long_stream(10_000_000);
}

#[test]
#[ignore = "seconds with --release, minutes without: by hand before a release"]
fn a_hundred_million_samples_lose_nothing() {
    // Alone in the process. A byte for every thousand samples would be 97 KiB.
    let grown_kib = long_stream(100_000_000).unwrap_or(0);
    assert!(grown_kib <= 64, "{grown_kib}");
}

#[test]
fn bad_chunks_change_nothing() {
    let (post, sensor) = stream(20_000);
    let mut monitor = monitor(0.1);
    run(&mut monitor, &post, &sensor, &[1000]);
    let before = (monitor.reading().clone(), monitor.window().unwrap());
    let mut bad = post[..50].to_vec();
    bad[17] = f64::NAN;
    let error = monitor.push(&[(&post[..50]).into(), (&bad[..]).into()]).unwrap_err();
    assert_eq!(error, Error::NonFinite { parameter: "chunks[\"sensor\"]".into(), index: 17 });
    bad[17] = f64::INFINITY;
    assert_eq!(monitor.push(&[(&bad[..]).into(), (&post[..50]).into()]).unwrap_err().code(), "non_finite");
    bad[17] = 1e10;
    assert_eq!(monitor.push(&[(&bad[..]).into(), (&post[..50]).into()]).unwrap_err().code(), "out_of_range");
    let error = monitor.push(&[(&post[..50]).into(), (&post[..49]).into()]).unwrap_err();
    assert_eq!(error, Error::LengthMismatch { parameter: "chunks[\"sensor\"]".into(), expected: 50, actual: 49 });
    assert_eq!(monitor.push(&[(&post[..50]).into()]).unwrap_err().code(), "length_mismatch");
    let error = monitor.push(&[Chunk::I16(&[1]), Chunk::F64(&[1.0])]).unwrap_err();
    assert_eq!((error.code(), error.parameter()), ("invalid_combination", "chunks[\"post\"]"));
    assert_eq!(
        monitor.push_at(&[(&post[..5]).into(), (&post[..5]).into()], f64::NAN).unwrap_err().code(),
        "out_of_range"
    );
    assert_eq!(monitor.gap(u64::MAX).unwrap_err().code(), "out_of_range");
    assert_eq!((monitor.reading(), &monitor.window().unwrap()), (&before.0, &before.1));
    // An empty chunk is none of these.
    assert_eq!(monitor.push(&[Chunk::F64(&[]), Chunk::F64(&[])]).unwrap().updates, 0);
    assert_eq!(monitor.reading(), &before.0);
}

#[test]
fn bad_settings_name_themselves() {
    let post = || Channel::new("post", Role::ChargingPost, Coupling::Dc);
    let good = MonitorSettings::new(RATE_HZ, 0.5);
    let refused = |channels: Vec<Channel>, settings| {
        let error = Monitor::new(channels, settings).unwrap_err();
        (error.code(), error.parameter().to_owned())
    };
    for (settings, code, parameter) in [
        (MonitorSettings::new(0.0, 0.5), "out_of_range", "sample_rate_hz"),
        (MonitorSettings::new(f64::NAN, 0.5), "out_of_range", "sample_rate_hz"),
        (MonitorSettings::new(RATE_HZ, 0.01), "out_of_range", "window_s"),
        (MonitorSettings::new(1e6, 60.0), "out_of_range", "window_s"),
        (MonitorSettings::new(1000.0, 0.1), "out_of_range", "window_s"),
        (good.with_judge_every_s(0.0), "out_of_range", "judge_every_s"),
        (good.with_time_tolerance_s(-1.0), "out_of_range", "time_tolerance_s"),
        (good.with_electrical_hz(30_000.0), "above_nyquist", "electrical_hz"),
        (good.with_engine_rpm(-1.0), "out_of_range", "engine_rpm"),
        (good.with_battery_temperature_c(400.0), "out_of_range", "battery_temperature_c"),
    ] {
        assert_eq!(refused(vec![post()], settings), (code, parameter.to_owned()));
    }
    let scale = |scale| SampleFormat::Counts { scale, offset: 0.0 };
    for (channels, code) in [
        (vec![], "empty_input"),
        (vec![post(), post()], "invalid_combination"),
        (vec![Channel::new("sensor", Role::SpeedSensor, Coupling::Dc)], "invalid_combination"),
        (vec![post().with_format(scale(0.0))], "out_of_range"),
        (vec![post().with_range(1.0, 1.0)], "out_of_range"),
        (vec![post().with_coupling_corner_hz(5.0)], "invalid_combination"),
    ] {
        assert_eq!(refused(channels, good).0, code);
    }
}

#[test]
fn a_gap_begins_the_window_anew() {
    let (post, sensor) = stream(30_000);
    let mut monitor = monitor(0.1);
    run(&mut monitor, &post[..20_000], &sensor[..20_000], &[250]);
    let judged = monitor.reading().rectifier.clone();
    monitor.gap(5_000).unwrap();
    let reading = monitor.reading();
    assert_eq!((reading.position, reading.gap_count, reading.lost_samples), (25_000, 1, 5_000));
    assert_eq!((reading.level.mean_v, reading.ripple, reading.covered_s), (None, None, 0.0));
    assert!(reading.level.reason.is_some() && reading.cycle.reason.is_some() && reading.cycle.electrical_hz.is_none());
    // The verdict stays, and grows old.
    assert_eq!(reading.rectifier.pattern, judged.pattern);
    assert!((reading.rectifier.age_s.unwrap() - (25_000.0 - judged.end_sample.unwrap() as f64) / RATE_HZ).abs() < 1e-9);
    assert_eq!(monitor.window().unwrap_err().code(), "too_short");
    let event = monitor.events().last().unwrap();
    assert_eq!((event.kind, event.at_sample, event.lost_samples), (EventKind::Gap, 20_000, Some(5_000)));
    // The cycle is taken up again where it was, without a judgement.
    let part = (&post[20_000..26_000], &sensor[20_000..26_000]);
    let due = monitor.push(&[part.0.into(), part.1.into()]).unwrap().judgement_due;
    assert_eq!(due, Some(JudgementDue::FirstWindow));
    assert!((monitor.reading().cycle.electrical_hz.unwrap() / 187.3 - 1.0).abs() < 1e-3);
}

#[test]
fn a_time_stamp_that_jumps_is_a_gap() {
    let (post, sensor) = stream(10_000);
    let mut monitor = monitor(0.1);
    let chunk = [Chunk::F64(&post[..1000]), Chunk::F64(&sensor[..1000])];
    monitor.push_at(&chunk, 1e6).unwrap();
    // 20 ms of samples, 30 us late (jitter of one and a half samples), then on time again.
    monitor.push_at(&chunk, 1e6 + 0.020_03).unwrap();
    monitor.push_at(&chunk, 1e6 + 0.040).unwrap();
    assert_eq!(monitor.reading().gap_count, 0);
    monitor.push(&chunk).unwrap();
    monitor.push_at(&chunk, 1e6 + 0.080).unwrap();
    assert_eq!(monitor.reading().gap_count, 0);
    monitor.push_at(&chunk, 1e6 + 0.150).unwrap();
    assert_eq!((monitor.reading().gap_count, monitor.reading().lost_samples), (1, 2500));
    let before = monitor.reading().clone();
    let error = monitor.push_at(&chunk, 1e6).unwrap_err();
    assert_eq!((error.code(), error.parameter()), ("out_of_range", "start_s"));
    assert_eq!(monitor.reading(), &before);
}

#[test]
fn another_rate_is_refused_or_begins_everything_anew() {
    let (post, sensor) = stream(20_000);
    let mut monitor = monitor(0.1);
    run(&mut monitor, &post, &sensor, &[500]);
    assert_eq!(monitor.check_rate(RATE_HZ), Ok(()));
    assert_eq!(monitor.check_rate(25_000.0).unwrap_err().code(), "rate_mismatch");
    let before = monitor.reading().clone();
    assert_eq!(monitor.change_rate(-1.0).unwrap_err().code(), "out_of_range");
    assert_eq!(monitor.reading(), &before);
    monitor.change_rate(25_000.0).unwrap();
    let reading = monitor.reading();
    assert_eq!((reading.position, reading.ripple, reading.age_s), (20_000, None, 0.0));
    assert_eq!(reading.rectifier.pattern, before.rectifier.pattern);
    let event = *monitor.events().last().unwrap();
    assert_eq!(
        (event.kind, event.frequency_hz, event.sequence + 1),
        (EventKind::RateChange, Some(25_000.0), reading.event_count)
    );
    let half: Vec<f64> = post.iter().step_by(2).copied().collect();
    monitor.push(&[(&half[..]).into(), (&half[..]).into()]).unwrap();
    assert!((monitor.reading().time_s - 0.8).abs() < 1e-12);
    monitor.judge().unwrap();
    assert!((monitor.reading().rectifier.electrical_hz.unwrap() / 187.3 - 1.0).abs() < 2e-3);
}

#[test]
fn a_reset_monitor_is_a_new_one() {
    let (post, sensor) = stream(12_000);
    let (mut used, mut fresh) = (monitor(0.1), monitor(0.1));
    run(&mut used, &post, &sensor, &[500]);
    used.gap(77).unwrap();
    used.set_engine_rpm(Some(900.0)).unwrap();
    used.reset().unwrap();
    assert_eq!(used.reading(), fresh.reading());
    assert_eq!((used.events().count(), used.judgement_due()), (0, None));
    assert_eq!(used.settings().engine_rpm(), Some(900.0), "settings stay");
    used.set_engine_rpm(None).unwrap();
    // The time stamps of the stream before are forgotten.
    let head = [Chunk::F64(&post[..500]), Chunk::F64(&sensor[..500])];
    for monitor in [&mut used, &mut fresh] {
        monitor.push_at(&head, -3.0).unwrap();
        run(monitor, &post[500..], &sensor[500..], &[500]);
    }
    assert_eq!(used.reading(), fresh.reading());
    assert_eq!(events(&used), events(&fresh));
    assert!(used.reading().cycle.cycle_count > 10);
}

#[test]
fn clipped_samples_are_counted() {
    let settings = MonitorSettings::new(RATE_HZ, 0.1);
    let mut monitor = Monitor::new(
        vec![
            Channel::new("post", Role::ChargingPost, Coupling::Ac)
                .with_format(SampleFormat::Counts { scale: 1e-3, offset: 0.0 }),
            Channel::new("sensor", Role::SpeedSensor, Coupling::Dc).with_range(-1.0, 1.0),
            Channel::new("free", Role::Other, Coupling::Dc),
        ],
        settings,
    )
    .unwrap();
    let counts: Vec<i16> = (0..10_000).map(|i| if i % 100 == 0 { i16::MAX } else { (i % 7) as i16 }).collect();
    let volts: Vec<f64> = (0..10_000).map(|i| if i % 50 == 0 { -1.0 } else { 0.5 }).collect();
    monitor.push(&[(&counts[..]).into(), (&volts[..]).into(), (&volts[..]).into()]).unwrap();
    let clipped = |i: usize| {
        let c = monitor.reading().channels[i].1;
        (c.clipped_samples / 10, c.clipped_samples_total / 10)
    };
    // The window holds 4992 samples, the whole blocks 9984.
    assert_eq!((clipped(0), clipped(1), clipped(2)), ((5, 10), (10, 20), (0, 0)));
    // An AC-coupled channel carries no level.
    assert_eq!((monitor.reading().channels[0].1.mean, monitor.reading().level.mean_v), (None, None));
    assert_eq!(monitor.reading().ripple.unwrap().rms_ripple_factor, None);
}

/// A channel that says nothing: no cycle, no panic, and a judgement that says so.
#[test]
fn silence_is_reported_as_such() {
    let mut monitor = monitor(0.1);
    let silent = vec![12.6; 12_000];
    run(&mut monitor, &silent, &silent, &[100]);
    let reading = monitor.reading();
    assert_eq!((reading.level.mean_v, reading.ripple.unwrap().rms_v), (Some(12.6), 0.0));
    assert_eq!((reading.cycle.electrical_hz, reading.cycle.order_amplitudes_v.len()), (None, 0));
    assert!(reading.cycle.reason.is_some());
    // Judged at the interval, not at every hop: 12 000 samples are 38 hops.
    assert!(reading.event_count <= 2, "{}", reading.event_count);
}
