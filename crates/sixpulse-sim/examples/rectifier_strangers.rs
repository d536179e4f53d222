//! Writes the rectifier figures of signals that are no rectifier's, for the training of the model
//! (`notebooks/train_rectifier.py`): tones and chords, mains hum, square and triangle waves, noise of several colours,
//! switched loads without an alternator, pulse trains, swept tones.
//!
//! `cargo run --release -p sixpulse-sim --example rectifier_strangers -- SEED COUNT PULSE_NUMBER > strangers.csv`

use sixpulse::rectifier::Pattern;
use sixpulse::rectifier::ideal::{IdealCircuit, value};
use sixpulse::rectifier::signature::{Reading, names, record_names};
use sixpulse::{Coupling, RawSamples, Role, Trace};
use sixpulse_sim::rng::{Random, Stream};
use std::f64::consts::TAU;
use std::io::{BufWriter, Write};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<u64> = std::env::args().skip(1).map(|a| a.parse()).collect::<Result<_, _>>()?;
    let [seed, count, pulse_number] = arguments[..] else { return Err("expected SEED COUNT PULSE_NUMBER".into()) };
    let mut out = BufWriter::new(std::io::stdout().lock());
    writeln!(out, "names,{}", names().join(","))?;
    writeln!(out, "record_names,{}", record_names().join(","))?;
    for member in 0..count {
        let mut r = Random::new(seed, member, Stream::Draw);
        let (kind, pattern, hz, trace) = if member % 8 == 0 { ideal_bridge(&mut r)? } else { stranger(&mut r)? };
        let reading = Reading::new(&trace, u32::try_from(pulse_number)?, None)?;
        writeln!(
            out,
            "record,{member},{pattern},{kind},{hz},{},16,{},{},100,{},{}",
            trace.role(),
            trace.sample_rate_hz(),
            trace.coupling(),
            if pattern == Pattern::Healthy { 0.0 } else { 9.0 },
            joined(&reading.record_figures().values)
        )?;
        for (h, s) in reading.hypotheses.iter().zip(reading.signatures()) {
            writeln!(out, "hypothesis,{},{}", h.electrical_hz(), joined(&s.values))?;
        }
    }
    Ok(out.flush()?)
}

fn joined(values: &[f64]) -> String {
    values.iter().map(|v| format!("{v:.6}")).collect::<Vec<_>>().join(",")
}

/// Makes that many samples at that rate, about 1 in size.
type Maker = fn(&mut Random, usize, f64) -> Vec<f64>;

/// Sample rates drawn from.
const RATES: [f64; 6] = [20e3, 25e3, 44.1e3, 50e3, 100e3, 200e3];

/// Kind, pattern to report, electrical frequency and trace.
type Labelled = (&'static str, Pattern, f64, Trace);

/// One signal on a random level through a random instrument.
fn stranger(r: &mut Random) -> Result<Labelled, sixpulse::Error> {
    let rate = RATES[r.below(RATES.len())];
    let n = (r.log_uniform(0.05, 0.8) * rate) as usize;
    let kinds: [(&str, Maker); 11] = [
        ("lone_sine", lone_sine),
        ("hum", hum),
        ("square", square),
        ("triangle", triangle),
        ("noise", noise),
        ("chord", chord),
        ("melody", melody),
        ("switched_load", switched_load),
        ("pulse_train", pulse_train),
        ("sweep", sweep),
        ("clipped_sine", clipped_sine),
    ];
    let (kind, make) = kinds[r.below(kinds.len())];
    let mut x = make(r, n, rate);
    let size = if kind == "noise" { r.log_uniform(0.06, 3.0) } else { r.log_uniform(0.02, 3.0) };
    let floor = size * r.log_uniform(1e-4, 0.1);
    let level = if r.chance(0.3) { 0.0 } else { r.uniform(11.5, 15.0) };
    let coupling = if r.chance(0.4) { Coupling::Ac } else { Coupling::Dc };
    let offset = if coupling == Coupling::Ac { 0.0 } else { level };
    for v in &mut x {
        *v = offset + size * *v + floor * r.normal();
    }
    let role = if r.chance(0.25) { Role::BatteryPost } else { Role::ChargingPost };
    Ok((kind, Pattern::Undetermined, 1e9, Trace::new(quantised(r, &x), rate, coupling, role)?))
}

/// A bridge without source impedance on a resistor: the textbook's waveforms, which a vehicle comes near to when its
/// battery is disconnected. A steady speed with a little wander, behind a low-pass and with noise.
fn ideal_bridge(r: &mut Random) -> Result<Labelled, sixpulse::Error> {
    let circuits = [
        ("ideal_healthy", Pattern::Healthy, IdealCircuit::SixPulse),
        ("ideal_open_diode", Pattern::OpenDiode, IdealCircuit::OneDiodeOpen),
        ("ideal_open_phase", Pattern::OpenPhase, IdealCircuit::OpenPhase),
        ("ideal_two_open_same_rail", Pattern::TwoOpenDiodes, IdealCircuit::TwoOpenSameRail),
        ("ideal_two_open_opposite", Pattern::TwoOpenDiodes, IdealCircuit::TwoOpenOppositeRails),
    ];
    let (kind, pattern, circuit) = circuits[r.below(circuits.len())];
    let hz = r.log_uniform(90.0, 700.0);
    let rate = *RATES.iter().find(|rate| **rate > 40.0 * hz).unwrap_or(&200e3);
    let n = (r.log_uniform(10.0, 150.0) * rate / hz) as usize;
    let (wander, period, start) = (r.log_uniform(1e-4, 0.01), r.uniform(0.02, 0.3), r.uniform(0.0, TAU));
    let peak = r.uniform(8.0, 9.0);
    let noise = r.log_uniform(1e-3, 0.05);
    let k = 1.0 - (-TAU * r.log_uniform(20.0 * hz, 100.0 * hz) / rate).exp();
    let mut y = 14.0;
    let x: Vec<f64> = (0..n)
        .map(|i| {
            let t = i as f64 / rate;
            let cycles = hz * (t + wander * period / TAU * (1.0 - (TAU * t / period).cos()));
            y += k.min(1.0) * (peak * value(circuit, TAU * cycles + start) - y);
            y + noise * r.normal()
        })
        .collect();
    let true_hz =
        hz * (1.0 + wander * period / TAU / (n as f64 / rate) * (1.0 - (TAU * n as f64 / rate / period).cos()));
    let coupling = if r.chance(0.3) { Coupling::Ac } else { Coupling::Dc };
    let level = x.iter().sum::<f64>() / n as f64;
    let x: Vec<f64> = x.iter().map(|v| if coupling == Coupling::Ac { v - level } else { *v }).collect();
    Ok((kind, pattern, true_hz, Trace::new(quantised(r, &x), rate, coupling, Role::ChargingPost)?))
}

/// Counts of an 8 to 16 bit converter whose range fits, or the values as they are.
fn quantised(r: &mut Random, x: &[f64]) -> RawSamples {
    if r.chance(0.3) {
        return RawSamples::F64(x.to_vec());
    }
    let bits = [8, 10, 12, 16][r.below(4)];
    let top = x.iter().fold(0.0_f64, |a, v| a.max(v.abs())) * r.uniform(1.02, 2.0);
    let scale = 2.0 * top / f64::from(1_u32 << bits);
    RawSamples::I16 { counts: x.iter().map(|v| (v / scale).round() as i16).collect(), scale, offset: 0.0 }
}

fn samples(n: usize, rate: f64, f: impl Fn(f64) -> f64) -> Vec<f64> {
    (0..n).map(|i| f(i as f64 / rate)).collect()
}

fn lone_sine(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let (f, p) = (r.log_uniform(45.0, 4000.0), r.uniform(0.0, TAU));
    samples(n, rate, |t| (TAU * f * t + p).sin())
}

/// Mains hum: 50 or 60 Hz with odd harmonics, or with a little of the even ones.
fn hum(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let f = if r.chance(0.5) { 50.0 } else { 60.0 };
    let parts: Vec<(f64, f64, f64)> = (1..=15)
        .map(|k| {
            let size = if k == 1 { 1.0 } else { r.log_uniform(0.003, 0.3) * if k % 2 == 0 { 0.2 } else { 1.0 } };
            (f64::from(k), size / f64::from(k).sqrt(), r.uniform(0.0, TAU))
        })
        .collect();
    samples(n, rate, |t| parts.iter().map(|(k, a, p)| a * (TAU * k * f * t + p).sin()).sum())
}

fn square(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let (f, p, duty) = (r.log_uniform(45.0, 3000.0), r.unit(), if r.chance(0.5) { 0.5 } else { r.uniform(0.1, 0.9) });
    samples(n, rate, |t| if (f * t + p).fract() < duty { 1.0 } else { -1.0 })
}

fn triangle(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let (f, p, knee) = (r.log_uniform(45.0, 3000.0), r.unit(), r.uniform(0.02, 0.98));
    samples(n, rate, |t| {
        let u = (f * t + p).fract();
        2.0 * if u < knee { u / knee } else { (1.0 - u) / (1.0 - knee) } - 1.0
    })
}

/// White, pink-like or brown-like noise, or noise through a resonance.
fn noise(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let colour = r.below(4);
    let corner = r.log_uniform(20.0, 0.2 * rate);
    let (f, q) = (r.log_uniform(60.0, 0.2 * rate), r.log_uniform(1.0, 20.0));
    let (mut low, mut a, mut b) = (0.0, 0.0, 0.0);
    let k = 1.0 - (-TAU * corner / rate).exp();
    let (c, d) = (2.0 * (-0.5 * TAU * f / rate / q).exp() * (TAU * f / rate).cos(), -(-TAU * f / rate / q).exp());
    let mut x: Vec<f64> = (0..n)
        .map(|_| {
            let white = r.normal();
            low += k * (white - low);
            (a, b) = (white + c * a + d * b, a);
            [white, low, low + 0.1 * white, a][colour]
        })
        .collect();
    let rms = (x.iter().map(|v| v * v).sum::<f64>() / n as f64).sqrt().max(1e-12);
    x.iter_mut().for_each(|v| *v /= rms);
    x
}

/// Two to five tones that share no fundamental.
fn chord(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let parts: Vec<(f64, f64, f64)> = (0..2 + r.below(4))
        .map(|_| (r.log_uniform(60.0, 3000.0), r.log_uniform(0.1, 1.0), r.uniform(0.0, TAU)))
        .collect();
    samples(n, rate, |t| parts.iter().map(|(f, a, p)| a * (TAU * f * t + p).sin()).sum())
}

/// Decaying notes with harmonics, one after the other, as music has them.
fn melody(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let mut x = vec![0.0; n];
    let mut start = 0;
    while start < n {
        let f = 110.0 * (r.below(37) as f64 / 12.0).exp2();
        let (decay, bright) = (r.log_uniform(0.05, 0.6), r.uniform(0.2, 0.8));
        for (i, v) in x.iter_mut().enumerate().skip(start) {
            let t = (i - start) as f64 / rate;
            let note: f64 = (1..=8).map(|k| bright.powi(k) * (TAU * f * f64::from(k) * t).sin()).sum();
            *v += note * (-t / decay).exp();
        }
        start += (r.uniform(0.05, 0.25) * rate) as usize;
    }
    x
}

/// A switched load on a resting battery: square steps rounded by the supply.
fn switched_load(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let steps = square(r, n, rate);
    let k = 1.0 - (-TAU * r.log_uniform(100.0, 0.3 * rate) / rate).exp();
    let mut y = 0.0;
    let droop = 1.0 - (-TAU * r.log_uniform(1.0, 60.0) / rate).exp();
    let mut slow = 0.0;
    steps
        .into_iter()
        .map(|v| {
            y += k * (v - y);
            slow += droop * (y - slow);
            y - 0.7 * slow
        })
        .collect()
}

/// Short pulses at an even or uneven rate, as ignition and injectors make them.
fn pulse_train(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let (f, width, jitter) = (r.log_uniform(20.0, 600.0), r.log_uniform(1e-4, 2e-3), r.uniform(0.0, 0.1));
    let mut x = vec![0.0; n];
    let mut at = 0.0;
    while at < n as f64 / rate {
        let size = r.uniform(0.7, 1.0);
        let start = (at * rate) as usize;
        for (i, v) in x.iter_mut().enumerate().skip(start).take((8.0 * width * rate) as usize) {
            *v += size * (-((i - start) as f64 / rate) / width).exp();
        }
        at += (1.0 + jitter * r.normal()).max(0.2) / f;
    }
    x
}

fn sweep(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let (f, octaves) = (r.log_uniform(60.0, 2000.0), r.uniform(0.6, 3.0));
    let duration = n as f64 / rate;
    samples(n, rate, |t| (TAU * f * duration / octaves * ((octaves * t / duration).exp2() - 1.0)).sin())
}

fn clipped_sine(r: &mut Random, n: usize, rate: f64) -> Vec<f64> {
    let (f, top, bottom) = (r.log_uniform(45.0, 3000.0), r.uniform(0.2, 1.0), r.uniform(-1.0, -0.2));
    samples(n, rate, |t| (TAU * f * t).sin().clamp(bottom, top))
}
