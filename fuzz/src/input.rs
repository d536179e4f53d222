//! Bytes become numbers, records and captures: plain ones (so that the depths are reached) and nasty ones.
use arbitrary::Unstructured;
use sixpulse::{Capture, Coupling, Machine, RawSamples, Role, Trace};

pub type Found<T> = arbitrary::Result<T>;

/// A number from the whole range of doubles, or from a list of those that break things.
pub fn any_number(u: &mut Unstructured<'_>) -> Found<f64> {
    const ODD: [f64; 16] = [
        0.0,
        -0.0,
        1.0,
        -1.0,
        f64::NAN,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::MAX,
        f64::MIN_POSITIVE,
        5e-324,
        1e300,
        1e9,
        1e-9,
        0.5,
        4_294_967_296.0,
        9_007_199_254_740_993.0,
    ];
    Ok(match u.int_in_range(0..=3)? {
        0 => *u.choose(&ODD)?,
        1 => u.arbitrary()?,
        2 => f64::from(u.arbitrary::<i16>()?) * 10f64.powi(u.int_in_range(-12..=12)?),
        _ => f64::from(u.arbitrary::<u16>()?),
    })
}

/// A number that a caller would give: `low` to `high` by ratio; now and then any number.
pub fn likely(u: &mut Unstructured<'_>, low: f64, high: f64) -> Found<f64> {
    if u.ratio(1, 12)? {
        return any_number(u);
    }
    let share = f64::from(u.arbitrary::<u16>()?) / 65_535.0;
    Ok(low * (high / low).powf(share))
}

pub fn role(u: &mut Unstructured<'_>) -> Found<Role> {
    Ok(*u.choose(&[
        Role::ChargingPost,
        Role::BatteryPost,
        Role::SpeedSensor,
        Role::EdgeSensor,
        Role::ChargingCurrent,
        Role::BatteryCurrent,
        Role::Other,
    ])?)
}

pub fn coupling(u: &mut Unstructured<'_>) -> Found<Coupling> {
    Ok(if u.ratio(1, 4)? { Coupling::Ac } else { Coupling::Dc })
}

pub fn rate_hz(u: &mut Unstructured<'_>) -> Found<f64> {
    if u.ratio(1, 16)? { any_number(u) } else { likely(u, 10.0, 1e7) }
}

/// A record of `n` samples: a rectifier's ripple with faults and noise, or something that no probe should deliver.
pub fn record(u: &mut Unstructured<'_>, n: usize) -> Found<Vec<f64>> {
    let level = likely(u, 0.1, 100.0)?;
    Ok(match u.int_in_range(0..=9)? {
        0 => vec![level; n],
        1 => raw(u, n)?,
        2 => (0..n).map(|i| if i == n / 2 { level } else { 0.0 }).collect(),
        3 => (0..n).map(|i| if 2 * i < n { 0.0 } else { level }).collect(),
        4 => {
            let period = u.int_in_range(1..=200_usize)?;
            (0..n).map(|i| if (i / period) % 2 == 0 { level } else { -level }).collect()
        }
        _ => ripple(u, n, level)?,
    })
}

/// Values as the bytes say, round and round.
fn raw(u: &mut Unstructured<'_>, n: usize) -> Found<Vec<f64>> {
    let wanted = u.int_in_range(1..=64)?;
    let values = (0..wanted).map(|_| any_number(u)).collect::<Found<Vec<f64>>>()?;
    Ok(values.iter().cycle().take(n).copied().collect())
}

fn ripple(u: &mut Unstructured<'_>, n: usize, level: f64) -> Found<Vec<f64>> {
    let cycles_per_sample = likely(u, 1e-4, 0.45)?;
    let amplitude = level * likely(u, 1e-6, 1.0)?;
    let ramp = f64::from(u.arbitrary::<i8>()?) / 256.0;
    let noise = amplitude * likely(u, 1e-6, 3.0)?;
    let step = if u.arbitrary()? { likely(u, 1e-4, 1.0)? } else { 0.0 };
    let missing = u.int_in_range(0..=6)?;
    let mut state = u.arbitrary::<u64>()? | 1;
    Ok((0..n)
        .map(|i| {
            let at = i as f64 / n as f64;
            let turns = cycles_per_sample * i as f64 * (1.0 + 0.5 * ramp * at);
            let pulse = (6.0 * turns.rem_euclid(1.0)) as u32;
            let height = if pulse == missing { 0.2 } else { 1.0 };
            let shape = height * (std::f64::consts::PI * (6.0 * turns).rem_euclid(1.0)).sin();
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let random = (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
            let v = level + amplitude * shape + noise * random;
            if step > 0.0 { (v / step).round() * step } else { v }
        })
        .collect())
}

pub fn length(u: &mut Unstructured<'_>) -> Found<usize> {
    Ok(match u.int_in_range(0..=7)? {
        0 => u.int_in_range(0..=20)?,
        1 => u.int_in_range(1..=600)?,
        7 => u.int_in_range(1..=30_000)?,
        _ => u.int_in_range(1000..=8000)?,
    })
}

/// One trace, in one of the three forms samples come in; `None` where the core refuses it.
pub fn trace(u: &mut Unstructured<'_>, n: usize, rate_hz: f64, role: Role) -> Found<Option<Trace>> {
    let values = record(u, n)?;
    let samples = match u.int_in_range(0..=3)? {
        0 => RawSamples::F32(values.iter().map(|&v| v as f32).collect()),
        1 => {
            let (scale, offset) = (likely(u, 1e-4, 1e-1)?, if u.arbitrary()? { 0.0 } else { any_number(u)? });
            RawSamples::I16 { counts: values.iter().map(|&v| (v / scale) as i16).collect(), scale, offset }
        }
        _ => RawSamples::F64(values),
    };
    let coupling = coupling(u)?;
    let Ok(trace) = Trace::new(samples, rate_hz, coupling, role) else { return Ok(None) };
    Ok(Some(if coupling == Coupling::Ac && u.arbitrary()? {
        let corner_hz = likely(u, 0.1, 100.0)?;
        trace.clone().with_coupling_corner_hz(corner_hz).unwrap_or(trace)
    } else {
        trace
    }))
}

/// A capture of one to four traces; `None` where the core refuses it.
pub fn capture(u: &mut Unstructured<'_>) -> Found<Option<Capture>> {
    let (n, rate_hz) = (length(u)?, rate_hz(u)?);
    let mut traces = Vec::new();
    for i in 0..u.int_in_range(1..=4)? {
        let role = if i == 0 && !u.ratio(1, 8)? { Role::ChargingPost } else { role(u)? };
        let Some(made) = trace(u, n, rate_hz, role)? else { return Ok(None) };
        traces.push((format!("{i}"), made));
    }
    if traces.len() > 1 && u.arbitrary()? {
        // A circuit that carries the first trace's ripple.
        let gain = likely(u, 1e-3, 2.0)?;
        let values = traces[0].1.to_f64().iter().map(|v| gain * v).collect();
        if let Ok(carried) = Trace::from_f64(values, rate_hz, Coupling::Dc, Role::SpeedSensor) {
            traces[1].1 = carried;
        }
    }
    let Ok(mut capture) = Capture::new(traces) else { return Ok(None) };
    if u.arbitrary()? {
        let rpm = likely(u, 300.0, 6000.0)?;
        capture = capture.clone().with_engine_rpm(rpm).unwrap_or(capture);
    }
    if u.arbitrary()? {
        let celsius = any_number(u)?;
        capture = capture.clone().with_battery_temperature_c(celsius).unwrap_or(capture);
    }
    Ok(Some(capture))
}

pub fn machine(u: &mut Unstructured<'_>) -> Found<Machine> {
    let pole_pairs = if u.arbitrary()? { Some(u.int_in_range(0..=20)?) } else { None };
    let pulley_ratio = if u.arbitrary()? { Some(likely(u, 0.5, 5.0)?) } else { None };
    let pulse_number = if u.ratio(1, 10)? { u.arbitrary()? } else { *u.choose(&[6, 12])? };
    Ok(Machine::new(pole_pairs, pulley_ratio, pulse_number).unwrap_or_default())
}

pub fn electrical_hz(u: &mut Unstructured<'_>) -> Found<Option<f64>> {
    Ok(if u.ratio(1, 3)? { Some(likely(u, 10.0, 3000.0)?) } else { None })
}

/// A result equals what its own JSON says; `NaN` and infinities do not.
pub fn survives_json<T>(value: &T)
where
    T: serde::Serialize + serde::de::DeserializeOwned + PartialEq + std::fmt::Debug,
{
    let text = serde_json::to_string(value).expect("a result is JSON");
    match serde_json::from_str::<T>(&text) {
        Ok(back) => assert!(back == *value, "not the same after JSON: {value:?}\n{text}"),
        Err(error) => panic!("not read back ({error}): {value:?}\n{text}"),
    }
}

pub fn all_finite(values: &[f64]) {
    assert!(values.iter().all(|v| v.is_finite()), "not finite: {values:?}");
}
