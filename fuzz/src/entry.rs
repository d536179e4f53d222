//! The entry points of the core.
use arbitrary::Unstructured;
use sixpulse::angle::PhaseTrack;
use sixpulse::compare::{InterventionOptions, PointsOptions, compare_interventions, compare_points};
use sixpulse::contamination::speed::{PulseConditioner, PulseConstant, Threshold};
use sixpulse::coupling::{CouplingMethod, ac_couple};
use sixpulse::examine::ExamineOptions;
use sixpulse::meter::{Meter, Response};
use sixpulse::monitor::{Channel, Chunk, Monitor, MonitorSettings, SampleFormat};
use sixpulse::plan::{Instrument, Task};
use sixpulse::rectifier::ideal;
use sixpulse::spectrum::{self, Detrend, Welch, Window};
use sixpulse::{Role, tone};

use crate::input::{
    self, Found, all_finite, any_number, capture, electrical_hz, length, likely, machine, rate_hz, record, role,
    survives_json, trace,
};

/// Turns a target that may run out of bytes into one that takes any.
macro_rules! targets {
    ($($name:ident => $work:ident),+ $(,)?) => {$(
        pub(crate) fn $name(data: &[u8]) {
            let _ = $work(&mut Unstructured::new(data));
        }
    )+};
}

targets!(
    angle => angle_of,
    compare => comparison,
    contamination => circuit_and_supply,
    coupling => ac_coupling,
    envelope => envelope_of,
    examine => examination,
    ideal => ideal_circuits,
    meter => meter_reading,
    monitor => monitoring,
    plan => planning,
    spectrum => spectra,
    tone => tones,
);

fn examination(u: &mut Unstructured<'_>) -> Found<()> {
    let options = ExamineOptions { machine: machine(u)?, electrical_hz: electrical_hz(u)? };
    let Some(capture) = capture(u)? else { return Ok(()) };
    if let Ok(found) = sixpulse::examine(&capture, &options) {
        survives_json(&found);
        let sum: f64 = found.rectifier.probabilities.iter().map(|(_, p)| p).sum();
        assert!((sum - 1.0).abs() < 1e-9, "probabilities sum to {sum}");
    }
    Ok(())
}

fn comparison(u: &mut Unstructured<'_>) -> Found<()> {
    let (machine, electrical_hz) = (machine(u)?, electrical_hz(u)?);
    let Some(before) = capture(u)? else { return Ok(()) };
    let points =
        PointsOptions { machine, electrical_hz, current_delay_s: if u.arbitrary()? { 0.0 } else { any_number(u)? } };
    if let Ok(found) = compare_points(&before, &points) {
        survives_json(&found);
    }
    let Some(during) = capture(u)? else { return Ok(()) };
    let after = if u.arbitrary()? { Some(before.clone()) } else { None };
    let options = InterventionOptions { machine, electrical_hz };
    if let Ok(found) = compare_interventions(&before, &[during], after.as_ref(), &options) {
        survives_json(&found);
    }
    Ok(())
}

fn circuit_and_supply(u: &mut Unstructured<'_>) -> Found<()> {
    use sixpulse::contamination::{assess, assess_untracked, count, own_signal};
    let (n, rate_hz) = (length(u)?, rate_hz(u)?);
    let role = role(u)?;
    let (Some(circuit), Some(supply)) = (trace(u, n, rate_hz, role)?, trace(u, n, rate_hz, Role::ChargingPost)?) else {
        return Ok(());
    };
    let frequency_hz = likely(u, 10.0, 3000.0)?;
    let duration_s = if u.ratio(1, 6)? { any_number(u)? } else { n as f64 / rate_hz };
    // A track beyond reason is the caller's memory, not a find.
    let track =
        if duration_s < 1e4 && frequency_hz < 1e5 { PhaseTrack::constant(frequency_hz, duration_s).ok() } else { None };
    let found = match &track {
        Some(track) => assess(&circuit, &supply, track),
        None => assess_untracked(&circuit, &supply),
    };
    survives_json(&found);
    if let Ok(own) = own_signal(&circuit, &supply, &found) {
        all_finite(&own);
    }
    let threshold = if u.arbitrary()? {
        Threshold::Fixed { arming_v: likely(u, 1e-3, 10.0)? }
    } else {
        Threshold::Adaptive {
            fraction: likely(u, 0.01, 0.99)?,
            minimum_v: likely(u, 1e-3, 10.0)?,
            decay_s: likely(u, 1e-4, 10.0)?,
        }
    };
    let Ok(conditioner) = PulseConditioner::new(threshold, any_number(u)?) else { return Ok(()) };
    let watchdog_s = if u.arbitrary()? { Some(likely(u, 1e-3, 1.0)?) } else { None };
    let conditioner = conditioner.with_watchdog_s(watchdog_s).unwrap_or(conditioner);
    all_finite(&conditioner.pulse_times_s(&circuit));
    if let Ok(counted) = count(&circuit, &supply, &found, &conditioner) {
        survives_json(&counted);
    }
    if let Ok(constant) = PulseConstant::from_gearing(any_number(u)?, any_number(u)?, any_number(u)?) {
        all_finite(&[constant.pulses_per_km(), constant.pulses_per_mile()]);
    }
    Ok(())
}

fn angle_of(u: &mut Unstructured<'_>) -> Found<()> {
    let knots = (0..u.int_in_range(0..=40)?).map(|_| any_number(u)).collect::<Found<Vec<f64>>>()?;
    let (n, rate_hz) = (length(u)?, rate_hz(u)?);
    let track = if u.arbitrary()? {
        let frequency_hz = likely(u, 1.0, 3000.0)?;
        PhaseTrack::constant(frequency_hz, n as f64 / rate_hz)
    } else {
        PhaseTrack::new(any_number(u)?, knots)
    };
    let Ok(track) = track else { return Ok(()) };
    all_finite(&[track.mean_hz(), track.duration_s(), track.cycles_at(0.0), track.hz_at(0.5 * track.duration_s())]);
    let _ = (track.whole_cycles(), track.time_at(any_number(u)?), track.scaled(any_number(u)?));
    let values = record(u, n)?;
    let points = u.int_in_range(0..=256)?;
    let _ = sixpulse::angle::cycles(values.as_slice(), rate_hz, &track, points);
    Ok(())
}

fn ac_coupling(u: &mut Unstructured<'_>) -> Found<()> {
    let n = length(u)?;
    let (values, rate_hz, corner_hz) = (record(u, n)?, rate_hz(u)?, likely(u, 0.01, 1e5)?);
    for method in [CouplingMethod::Causal, CouplingMethod::ZeroPhase] {
        if let Ok(out) = ac_couple(&values, rate_hz, corner_hz, method) {
            assert_eq!(out.len(), values.len());
            all_finite(&out);
        }
    }
    Ok(())
}

fn spectra(u: &mut Unstructured<'_>) -> Found<()> {
    let (n, rate_hz) = (length(u)?, rate_hz(u)?);
    let (x, y) = (record(u, n)?, record(u, n)?);
    let window = *u.choose(&[Window::Rectangular, Window::Hann, Window::BlackmanHarris, Window::FlatTop])?;
    let detrend = *u.choose(&[Detrend::None, Detrend::Constant])?;
    let segment = if u.ratio(1, 8)? { u.arbitrary()? } else { u.int_in_range(0..=4096)? };
    let Ok(welch) = Welch::new(segment, u.int_in_range(0..=4096)?, window, detrend) else { return Ok(()) };
    if let Ok(found) = spectrum::auto_spectrum(x.as_slice(), rate_hz, &welch)
        && (1e-6..1e12).contains(&rate_hz)
    {
        survives_json(&found);
    }
    let _ = spectrum::cross_spectrum(x.as_slice(), y.as_slice(), rate_hz, &welch);
    if let Ok(found) = spectrum::coherence(x.as_slice(), y.as_slice(), rate_hz, &welch)
        && (1e-6..1e12).contains(&rate_hz)
    {
        survives_json(&found);
    }
    let _ = spectrum::coherence_significance(any_number(u)?, any_number(u)?);
    Ok(())
}

fn tones(u: &mut Unstructured<'_>) -> Found<()> {
    let (n, rate_hz) = (length(u)?, rate_hz(u)?);
    let values = record(u, n)?;
    let frequency_hz = likely(u, 1e-3, 1e5)?;
    let orders = (0..u.int_in_range(0..=6)?).map(|_| u.int_in_range(0..=14)).collect::<Found<Vec<usize>>>()?;
    // Reciprocals of rates that no converter has leave the range of doubles.
    let reasonable = (1e-6..1e12).contains(&rate_hz);
    let fits = [
        tone::sine_fit_known(values.as_slice(), rate_hz, frequency_hz),
        tone::sine_fit(values.as_slice(), rate_hz, None),
    ];
    for fit in fits.into_iter().flatten().filter(|_| reasonable) {
        survives_json(&fit);
    }
    let fits = [
        tone::harmonic_fit_known(values.as_slice(), rate_hz, frequency_hz, &orders),
        tone::harmonic_fit(values.as_slice(), rate_hz, frequency_hz, &orders),
    ];
    for fit in fits.into_iter().flatten().filter(|_| reasonable) {
        survives_json(&fit);
    }
    let _ = tone::sine_frequency_bound_hz(any_number(u)?, any_number(u)?, n, rate_hz);
    Ok(())
}

fn meter_reading(u: &mut Unstructured<'_>) -> Found<()> {
    let response = *u.choose(&[Response::AverageResponding, Response::TrueRms])?;
    let meter = match Meter::new(response, likely(u, 10.0, 1e6)?, likely(u, 0.01, 100.0)?, likely(u, 1e-6, 0.1)?) {
        Ok(meter) => meter,
        Err(_) => Meter::true_rms_handheld(),
    };
    let (n, rate_hz) = (length(u)?, rate_hz(u)?);
    let role = role(u)?;
    let Some(trace) = trace(u, n, rate_hz, role)? else { return Ok(()) };
    if let Ok(reading) = sixpulse::meter::read(&trace, &meter) {
        survives_json(&reading);
    }
    Ok(())
}

fn envelope_of(u: &mut Unstructured<'_>) -> Found<()> {
    let n = length(u)?;
    let values = record(u, n)?;
    let bins = if u.ratio(1, 8)? { u.arbitrary()? } else { u.int_in_range(0..=5000)? };
    if let Ok(found) = sixpulse::envelope::of_values(&values, bins) {
        survives_json(&found);
        let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(l, h), &v| (l.min(v), h.max(v)));
        let widest = found.minimum.iter().copied().fold(f64::MAX, f64::min)
            ..=found.maximum.iter().copied().fold(f64::MIN, f64::max);
        assert!(*widest.start() == low && *widest.end() == high);
    }
    Ok(())
}

fn ideal_circuits(u: &mut Unstructured<'_>) -> Found<()> {
    let _ = ideal::pulse_order_ratio(u.arbitrary()?, u.arbitrary()?);
    let angles = (0..u.int_in_range(0..=50)?).map(|_| any_number(u)).collect::<Found<Vec<f64>>>()?;
    let Ok(circuit) = serde_json::from_value(serde_json::Value::from(u.arbitrary::<&str>()?)) else { return Ok(()) };
    if let Ok(values) = ideal::values(circuit, &angles) {
        all_finite(&values);
    }
    Ok(())
}

fn planning(u: &mut Unstructured<'_>) -> Found<()> {
    let machine = machine(u)?;
    let low = likely(u, 300.0, 3000.0)?;
    let highest = if u.arbitrary()? { Some(u.int_in_range(0..=50)?) } else { None };
    let Ok(task) = Task::new(machine, (low, low * likely(u, 1.0, 8.0)?), *u.choose(&[12, 24, 48])?, highest) else {
        return Ok(());
    };
    let mut list = |low: f64, high: f64| -> Found<Vec<f64>> {
        (0..u.int_in_range(0..=8)?).map(|_| likely(u, low, high)).collect()
    };
    let (rates, ranges) = (list(100.0, 1e8)?, list(0.01, 200.0)?);
    let memory = if u.ratio(1, 8)? { u.arbitrary()? } else { u.int_in_range(16..=10_000_000)? };
    let corner = if u.arbitrary()? { Some(likely(u, 0.1, 100.0)?) } else { None };
    let (bits, channels) = (u.int_in_range(0..=30)?, u.int_in_range(0..=8)?);
    let attenuation = likely(u, 1.0, 100.0)?;
    if let Ok(instrument) = Instrument::new(bits, memory, &rates, &ranges, corner, attenuation, channels) {
        survives_json(&sixpulse::plan::plan(&task, &instrument));
    }
    Ok(())
}

fn monitoring(u: &mut Unstructured<'_>) -> Found<()> {
    let rate_hz = if u.ratio(1, 16)? { any_number(u)? } else { likely(u, 100.0, 1e6)? };
    let window_s = if rate_hz.is_finite() && rate_hz > 0.0 { likely(u, 200.0, 5000.0)? / rate_hz } else { 0.1 };
    let mut settings = MonitorSettings::new(rate_hz, window_s).with_machine(machine(u)?);
    if let Some(hz) = electrical_hz(u)? {
        settings = settings.with_electrical_hz(hz);
    }
    if u.arbitrary()? {
        settings = settings.with_judge_every_s(likely(u, 0.001, 10.0)?);
    }
    let mut channels = Vec::new();
    for i in 0..u.int_in_range(0..=3)? {
        let role = if i == 0 { Role::ChargingPost } else { role(u)? };
        let mut channel = Channel::new(&format!("{i}"), role, input::coupling(u)?);
        if u.ratio(1, 4)? {
            channel = channel.with_format(SampleFormat::F32);
        }
        if u.ratio(1, 4)? {
            channel = channel.with_range(any_number(u)?, any_number(u)?);
        }
        channels.push(channel);
    }
    let count = channels.len();
    let Ok(mut monitor) = Monitor::new(channels, settings) else { return Ok(()) };
    for _ in 0..u.int_in_range(1..=8)? {
        act(u, &mut monitor, count)?;
        survives_json(monitor.reading());
    }
    let _ = monitor.events().count();
    Ok(())
}

fn act(u: &mut Unstructured<'_>, monitor: &mut Monitor, channels: usize) -> Found<()> {
    match u.int_in_range(0..=9)? {
        0 => drop(monitor.gap(u.arbitrary()?)),
        1 => drop(monitor.set_engine_rpm(Some(any_number(u)?))),
        2 if u.ratio(1, 8)? => drop(monitor.change_rate(likely(u, 100.0, 1e6)?)),
        3 | 4 => {
            if let Ok(found) = monitor.judge() {
                survives_json(&found);
            }
        }
        _ => {
            let n = length(u)?;
            let records = (0..channels).map(|_| record(u, n)).collect::<Found<Vec<_>>>()?;
            let single: Vec<Vec<f32>> = records.iter().map(|r| r.iter().map(|&v| v as f32).collect()).collect();
            let narrow = u.arbitrary()?;
            let chunks: Vec<Chunk<'_>> =
                records.iter().zip(&single).map(|(r, s)| if narrow { Chunk::F32(s) } else { Chunk::F64(r) }).collect();
            let size = u.int_in_range(1..=n.max(1))?;
            if u.ratio(1, 6)? {
                let _ = monitor.push_at(&chunks, any_number(u)?);
            } else if n > 0 && size < n && !narrow {
                for from in (0..n).step_by(size) {
                    let to = (from + size).min(n);
                    let parts: Vec<Chunk<'_>> = records.iter().map(|r| Chunk::F64(&r[from..to])).collect();
                    let _ = monitor.push(&parts);
                }
            } else {
                let _ = monitor.push(&chunks);
            }
        }
    }
    Ok(())
}
