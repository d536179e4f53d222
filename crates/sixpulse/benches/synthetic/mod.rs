//! A capture with known content, made without random numbers from outside.

/// Samples per second.
pub(crate) const RATE_HZ: f64 = 100_000.0;
/// Mean electrical frequency, hertz; it wanders by 1.5 %.
const ELECTRICAL_HZ: f64 = 200.0;
/// Points of the ideal bridge's cycle, and orders taken from it.
const POINTS: usize = 96;
const ORDERS: usize = 24;

use std::f64::consts::TAU;

/// Complex peak amplitudes of a bridge with one open diode, 0.6 V line to line.
fn orders() -> [(f64, f64); ORDERS] {
    let phase = |theta: f64, k: f64| (theta - k * TAU / 3.0).cos();
    let cycle: Vec<f64> = (0..POINTS)
        .map(|i| {
            let theta = TAU * i as f64 / POINTS as f64;
            let (a, b, c) = (phase(theta, 0.0), phase(theta, 1.0), phase(theta, 2.0));
            (b.max(c) - a.min(b).min(c)) / 3.0_f64.sqrt()
        })
        .collect();
    std::array::from_fn(|i| {
        let n = (i + 1) as f64;
        let part = |f: fn(f64) -> f64| {
            let sum: f64 = cycle.iter().enumerate().map(|(k, x)| x * f(TAU * n * k as f64 / POINTS as f64)).sum();
            0.6 * 2.0 / POINTS as f64 * sum
        };
        (part(f64::cos) + 0.003, -part(f64::sin) + 0.002)
    })
}

/// Normal deviates: twelve uniform ones of a 64-bit linear congruential generator (Knuth's constants), less six.
struct Normal(u64);
impl Normal {
    fn next(&mut self) -> f64 {
        let mut uniform = || {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / 9_007_199_254_740_992.0
        };
        (0..12).map(|_| uniform()).sum::<f64>() - 6.0
    }
}

/// Post and sensor, as `tools/speed.py` makes them but for the noise.
pub(crate) fn synthetic(samples: usize) -> [Vec<f32>; 2] {
    let orders = orders();
    let mut noise = Normal(1);
    let (mut post, mut sensor) = (Vec::with_capacity(samples), Vec::with_capacity(samples));
    for i in 0..samples {
        let t = i as f64 / RATE_HZ;
        let slow = |depth: f64, period: f64| depth * period / TAU * (TAU * t / period).cos();
        let turns = ELECTRICAL_HZ * (t - slow(0.012, 2.9) - slow(0.003, 0.37));
        let (mut p, mut q) = (0.0, 0.0);
        for (k, (re, im)) in orders.iter().enumerate() {
            let n = (k + 1) as f64;
            let (sin, cos) = (TAU * n * turns).sin_cos();
            let (late_sin, late_cos) = (TAU * n * (turns - ELECTRICAL_HZ * 120e-6)).sin_cos();
            p += re * cos - im * sin;
            q += 0.35 * (re * late_cos - im * late_sin);
        }
        let level = 14.0 + 0.15 * (TAU * 0.4 * t).sin() + 0.02 * (TAU * 1.3 * t).sin();
        let wheel = (TAU * 4.449 * turns + 0.3).sin();
        post.push((level + p + 0.02 * noise.next()) as f32);
        sensor.push((2.5 + 2.0 * (4.0 * wheel).tanh() + q + 0.02 * noise.next()) as f32);
    }
    [post, sensor]
}
