//! Signals for the integration tests: an ideal bridge's ripple, noise from a fixed seed, a quantiser.
#![allow(dead_code, unreachable_pub, reason = "every test file uses a part of it")]

use std::f64::consts::{PI, TAU};

/// SplitMix64, and normal deviates by Box and Muller.
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    /// Uniform in (0, 1).
    pub fn uniform(&mut self) -> f64 {
        ((self.bits() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (TAU * self.uniform()).cos()
    }
}

/// Bridge output at an angle, in phase peaks: healthy, or with the top diode of phase A open.
pub fn bridge(theta: f64, open: bool) -> f64 {
    let phases = [theta.cos(), (theta - TAU / 3.0).cos(), (theta + TAU / 3.0).cos()];
    let top = phases.iter().skip(usize::from(open)).copied().fold(f64::NEG_INFINITY, f64::max);
    top - phases.iter().copied().fold(f64::INFINITY, f64::min)
}

/// A charging post: level, ripple of `peak_to_peak_v`, noise.
pub struct Post {
    pub level_v: f64,
    pub peak_to_peak_v: f64,
    pub electrical_hz: f64,
    pub sample_rate_hz: f64,
    pub noise_v: f64,
    pub open: bool,
}

impl Default for Post {
    fn default() -> Self {
        Self {
            level_v: 14.2,
            peak_to_peak_v: 0.6,
            electrical_hz: 187.3,
            sample_rate_hz: 50_000.0,
            noise_v: 0.003,
            open: false,
        }
    }
}

impl Post {
    pub fn record(&self, samples: usize, phase: f64, random: &mut Random) -> Vec<f64> {
        let (range, mean) = if self.open {
            (3f64.sqrt(), 5.0 / 6.0 * 3.0 * 3f64.sqrt() / PI)
        } else {
            (3f64.sqrt() - 1.5, 3.0 * 3f64.sqrt() / PI)
        };
        (0..samples)
            .map(|i| {
                let theta = phase + TAU * self.electrical_hz * i as f64 / self.sample_rate_hz;
                self.level_v
                    + self.peak_to_peak_v / range * (bridge(theta, self.open) - mean)
                    + self.noise_v * random.normal()
            })
            .collect()
    }
}

/// Counts of a converter with that step.
pub fn quantise(volts: &[f64], step_v: f64) -> Vec<i16> {
    volts.iter().map(|v| (v / step_v).round().clamp(-32768.0, 32767.0) as i16).collect()
}
