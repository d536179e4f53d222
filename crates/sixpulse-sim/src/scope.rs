//! The instrument: what a bench oscilloscope makes of the voltages at its probes.
//!
//! In order: probe, analogue bandwidth (first order), input coupling, sampling without any further anti-alias filter
//! (a rate chosen badly aliases, as on the bench), noise, range, converter, lost samples. Filters run on the solver's
//! fine grid and are exact for straight lines between its points.

use serde::{Deserialize, Serialize};
use sixpulse::{Coupling, Role, Trace};

use crate::domain;
use crate::error::Result;
use crate::filter::{high_pass, low_pass};
use crate::rng::Random;

/// Settings common to the channels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scope {
    /// Samples per second, 100 to 1e8.
    pub sample_rate_hz: f64,
    /// Record length in samples, 16 to 20 million.
    pub samples: usize,
    /// Bits of the converter, 8 to 16.
    pub bits: u32,
    /// Vertical divisions over the whole screen, 2 to 12: full scale is half of them either way. 2 describes instruments
    /// whose ranges are named by their full scale.
    pub divisions: u32,
    /// Whether a sample rate too low for the ripple is refused or taken with its aliases.
    pub undersampling: Undersampling,
    /// A stretch of samples that was lost, on every channel alike.
    pub dropout: Option<Dropout>,
}

/// What happens at a sample rate below twice the pulse frequency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Undersampling {
    /// An error: the choice was not meant.
    Refuse,
    /// Aliases are wanted.
    Alias,
}

/// A stretch of lost samples.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Dropout {
    /// First sample lost.
    pub start: usize,
    /// Number of samples lost, 1 or more.
    pub length: usize,
    /// What stands in the record for them.
    pub filling: Filling,
}

/// What an instrument writes where samples were lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Filling {
    /// The last sample before the gap, repeated.
    Held,
    /// Count 0.
    Zero,
    /// Nothing: the record closes up and time jumps.
    Closed,
}

/// Settings of one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Channel {
    /// Input coupling.
    pub coupling: Coupling,
    /// Corner of the AC coupling at the input, hertz; a probe divides it by its factor. Unused with DC coupling.
    pub coupling_corner_hz: f64,
    /// Corner of the first-order low-pass of probe and front end together, hertz.
    pub bandwidth_hz: f64,
    /// Attenuation of the probe, 1 to 1000; full scale at the tip is that many times the input's.
    pub probe_factor: f64,
    /// Standard deviation of the noise, volts at the tip.
    pub noise_v: f64,
    /// Range and position.
    pub range: RangeChoice,
}

/// How the range was chosen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum RangeChoice {
    /// The smallest range of the 1-2-5 list that holds the record and four standard deviations of noise, zero in the middle.
    AutoZero,
    /// The same with the trace shifted to the middle of the screen (in whole divisions).
    AutoShifted,
    /// Set by hand; what does not fit is clipped.
    Given {
        /// Voltage from the middle to the edge of the screen, at the tip.
        full_scale_v: f64,
        /// Voltage in the middle of the screen, at the tip.
        offset_v: f64,
    },
}

/// Range in force: the converter's step and the voltage of count 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Volts per count.
    pub step_v: f64,
    /// Volts at count 0.
    pub offset_v: f64,
}

/// A signal on the solver's grid; its first point is the first sampling instant.
#[derive(Debug, Clone, Copy)]
pub struct Fine<'a> {
    /// Values.
    pub values: &'a [f64],
    /// Points per second.
    pub rate_hz: f64,
    /// Number of leading points (whole cycles) taken to have come again and again before the record, so that the
    /// input's filters start settled; 0: the first value was held.
    pub repeat: usize,
}

impl Scope {
    /// Number of sampling instants that the record spans, lost ones that closed up included.
    #[must_use]
    pub fn instants(&self) -> usize {
        match self.dropout {
            Some(Dropout { length, filling: Filling::Closed, .. }) => self.samples + length,
            _ => self.samples,
        }
    }

    /// Refuses settings outside the documented domains.
    ///
    /// # Errors
    /// [`crate::Error::OutOfRange`] naming the setting.
    pub fn check(&self) -> Result<()> {
        domain::between("scope.sample_rate_hz", self.sample_rate_hz, 100.0, 1e8, "Hz")?;
        domain::count("scope.samples", self.samples, 16, 20_000_000)?;
        domain::count("scope.bits", self.bits as usize, 8, 16)?;
        domain::count("scope.divisions", self.divisions as usize, 2, 12)?;
        if let Some(d) = self.dropout {
            domain::count("scope.dropout.length", d.length, 1, self.samples)?;
            let last = self.samples.saturating_sub(if d.filling == Filling::Closed { 1 } else { d.length });
            domain::count("scope.dropout.start", d.start, 0, last)?;
        }
        Ok(())
    }
}

impl Channel {
    /// Refuses settings outside the documented domains; `name` is the channel's.
    ///
    /// # Errors
    /// [`crate::Error::OutOfRange`] naming the setting.
    pub fn check(&self, name: &str) -> Result<()> {
        domain::between(&format!("{name}.bandwidth_hz"), self.bandwidth_hz, 10.0, 1e10, "Hz")?;
        domain::between(&format!("{name}.probe_factor"), self.probe_factor, 1.0, 1000.0, "")?;
        domain::between(&format!("{name}.noise_v"), self.noise_v, 0.0, 100.0, "V")?;
        domain::between(&format!("{name}.coupling_corner_hz"), self.coupling_corner_hz, 1e-3, 1e4, "Hz")?;
        if let RangeChoice::Given { full_scale_v, offset_v } = self.range {
            domain::between(&format!("{name}.range.full_scale_v"), full_scale_v, 1e-4, 1e5, "V")?;
            domain::between(&format!("{name}.range.offset_v"), offset_v, -1e5, 1e5, "V")?;
        }
        Ok(())
    }

    /// Corner of the AC coupling as the probe's tip sees it, hertz.
    #[must_use]
    pub fn corner_at_tip_hz(&self) -> f64 {
        self.coupling_corner_hz / self.probe_factor
    }

    /// The signal behind bandwidth and coupling, still on the fine grid.
    #[must_use]
    pub fn front_end(&self, fine: Fine<'_>) -> Vec<f64> {
        let mut x = fine.values.to_vec();
        low_pass(&mut x, self.bandwidth_hz, fine.rate_hz, fine.repeat);
        if self.coupling == Coupling::Ac {
            high_pass(&mut x, self.corner_at_tip_hz(), fine.rate_hz, fine.repeat);
        }
        x
    }
}

/// Values at the sampling instants, `step` points of the grid apart, by straight lines between points.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "grid positions"
)]
fn sample(x: &[f64], step: f64, count: usize) -> Vec<f64> {
    let last = x.len() - 1;
    (0..count)
        .map(|k| {
            let position = k as f64 * step;
            let whole = position as usize;
            let fraction = position - whole as f64;
            let left = x[whole.min(last)];
            left + fraction * (x[(whole + 1).min(last)] - left)
        })
        .collect()
}

/// Smallest step of the list 1, 2, 5, 10, 20 ... (times a power of ten) that is not below `least`.
///
/// ```
/// assert_eq!(sixpulse_sim::scope::one_two_five(0.031), 0.05);
/// assert_eq!(sixpulse_sim::scope::one_two_five(2.0), 2.0);
/// ```
#[must_use]
pub fn one_two_five(least: f64) -> f64 {
    // 1 mV to 10 kV a division; powers of ten are written out because repeated multiplication is not exact.
    const STEPS: [f64; 22] = [
        1e-3, 2e-3, 5e-3, 1e-2, 2e-2, 5e-2, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3,
        2e3, 5e3, 1e4,
    ];
    STEPS.into_iter().find(|s| *s >= least).unwrap_or(1e4)
}

/// The scale that a channel's range choice gives for these samples.
#[must_use]
pub fn choose_scale(x: &[f64], channel: &Channel, scope: &Scope) -> Scale {
    let half = f64::from(scope.divisions) / 2.0;
    let codes = f64::from(1_u32 << scope.bits);
    let low = x.iter().copied().fold(f64::INFINITY, f64::min) - 4.0 * channel.noise_v;
    let high = x.iter().copied().fold(f64::NEG_INFINITY, f64::max) + 4.0 * channel.noise_v;
    let (full, offset_v) = match channel.range {
        RangeChoice::Given { full_scale_v, offset_v } => (full_scale_v, offset_v),
        RangeChoice::AutoZero => (half * division(low.abs().max(high.abs()) / half, channel), 0.0),
        RangeChoice::AutoShifted => shifted(low, high, half, channel),
    };
    Scale { step_v: 2.0 * full / codes, offset_v }
}

/// Volts a division at the tip.
fn division(least: f64, channel: &Channel) -> f64 {
    one_two_five(least / channel.probe_factor) * channel.probe_factor
}

/// Range and position with the trace in the middle, moved by whole divisions as a knob's detents do.
fn shifted(low: f64, high: f64, half: f64, channel: &Channel) -> (f64, f64) {
    let middle = 0.5 * (low + high);
    // Half a division is kept for the position's own step.
    let per_division = division(0.5 * (high - low) / (half - 0.5), channel);
    (half * per_division, per_division * libm::round(middle / per_division))
}

/// Counts of a converter that rounds to the nearest step and saturates at its ends.
#[must_use]
#[allow(clippy::cast_possible_truncation, reason = "clamped to the converter's codes, 16 bits at most")]
pub fn quantise(x: f64, scale: Scale, bits: u32) -> i16 {
    let top = f64::from(1_u32 << (bits - 1));
    libm::floor((x - scale.offset_v) / scale.step_v + 0.5).clamp(-top, top - 1.0) as i16
}

/// What the channel records of a signal.
///
/// # Errors
/// [`crate::Error::OutOfRange`] for a setting outside its domain, `too_short` for a signal shorter than the record.
pub fn digitise(fine: Fine<'_>, channel: &Channel, scope: &Scope, role: Role, random: &mut Random) -> Result<Trace> {
    scope.check()?;
    channel.check(role.as_str())?;
    let step = fine.rate_hz / scope.sample_rate_hz;
    let count = scope.instants();
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "grid length"
    )]
    let needed = libm::floor((count - 1) as f64 * step) as usize + 1;
    if fine.values.len() < needed {
        return Err(
            sixpulse::Error::TooShort { parameter: "fine".into(), minimum: needed, actual: fine.values.len() }.into()
        );
    }
    let mut x = sample(&channel.front_end(fine), step, count);
    let scale = choose_scale(&x, channel, scope);
    if channel.noise_v > 0.0 {
        x.iter_mut().for_each(|v| *v += channel.noise_v * random.normal());
    }
    let mut counts: Vec<i16> = x.iter().map(|v| quantise(*v, scale, scope.bits)).collect();
    lose_samples(&mut counts, scope);
    let trace = Trace::from_counts(counts, scale.step_v, scale.offset_v, scope.sample_rate_hz, channel.coupling, role)?;
    match channel.coupling {
        Coupling::Dc => Ok(trace),
        Coupling::Ac => Ok(trace.with_coupling_corner_hz(channel.corner_at_tip_hz())?),
    }
}

fn lose_samples(counts: &mut Vec<i16>, scope: &Scope) {
    let Some(d) = scope.dropout else { return };
    let gap = d.start..d.start + d.length;
    match d.filling {
        Filling::Held => {
            let held = counts[d.start.saturating_sub(1)];
            counts[gap].fill(held);
        }
        Filling::Zero => counts[gap].fill(0),
        Filling::Closed => {
            counts.drain(gap);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use sixpulse::RawSamples;

    use super::*;
    use crate::rng::Stream;

    fn scope(samples: usize) -> Scope {
        Scope {
            sample_rate_hz: 50_000.0,
            samples,
            bits: 12,
            divisions: 10,
            undersampling: Undersampling::Refuse,
            dropout: None,
        }
    }

    fn channel() -> Channel {
        Channel {
            coupling: Coupling::Dc,
            coupling_corner_hz: 5.0,
            bandwidth_hz: 20e6,
            probe_factor: 1.0,
            noise_v: 0.0,
            range: RangeChoice::AutoZero,
        }
    }

    fn counts(trace: &Trace) -> (Vec<i16>, f64, f64) {
        match trace.raw() {
            RawSamples::I16 { counts, scale, offset } => (counts.clone(), *scale, *offset),
            _ => panic!("a scope records counts"),
        }
    }

    fn record(wave: impl Fn(f64) -> f64, channel: &Channel, scope: &Scope) -> Trace {
        let values: Vec<f64> = (0..scope.instants() * 10).map(|i| wave(i as f64 / 500_000.0)).collect();
        let fine = Fine { values: &values, rate_hz: 500_000.0, repeat: 0 };
        digitise(fine, channel, scope, Role::ChargingPost, &mut Random::new(1, 0, Stream::Channel(0))).unwrap()
    }

    #[test]
    fn range_is_the_smallest_that_holds_the_record() {
        let (_, step, offset) = counts(&record(|_| 14.2, &channel(), &scope(100)));
        // 14.2 V over 5 divisions: 5 V a division, +-25 V over 4096 codes.
        assert_eq!((step, offset), (50.0 / 4096.0, 0.0));
        let shifted = Channel { range: RangeChoice::AutoShifted, ..channel() };
        let (c, step, offset) = counts(&record(|t| 14.2 + 0.3 * (TAU * 500.0 * t).sin(), &shifted, &scope(1000)));
        // 0.3 V over 4.5 divisions: 0.1 V a division, +-0.5 V; 14.2 V is 142 whole divisions.
        assert!((step - 1.0 / 4096.0).abs() < 1e-15 && (offset - 14.2).abs() < 1e-12);
        assert_eq!(c.iter().max().zip(c.iter().min()), Some((&1229, &-1229)));
    }

    #[test]
    fn a_range_too_small_clips_at_the_last_codes() {
        let narrow = Channel { range: RangeChoice::Given { full_scale_v: 0.5, offset_v: 0.0 }, ..channel() };
        let (c, ..) = counts(&record(|t| (TAU * 500.0 * t).sin(), &narrow, &scope(1000)));
        assert_eq!(c.iter().max().zip(c.iter().min()), Some((&2047, &-2048)));
    }

    #[test]
    fn a_rate_chosen_badly_aliases() {
        // 49 kHz at 50 kS/s looks like 1 kHz, reversed in sign.
        let fast = record(|t| (TAU * 49_000.0 * t).sin(), &channel(), &scope(500)).to_f64();
        for (k, v) in fast.iter().enumerate() {
            let alias = -(TAU * 1000.0 * k as f64 / 50_000.0).sin();
            // Half a step of +-1 V over 4096 codes, and 49 kHz / 20 MHz = 2.5e-3 of phase in the front end.
            assert!((v - alias).abs() < 4e-3, "{k}: {v} {alias}");
        }
    }

    #[test]
    fn probe_divides_the_coupling_corner() {
        let ac = Channel { coupling: Coupling::Ac, probe_factor: 10.0, ..channel() };
        let trace = record(|t| 14.0 + (TAU * 500.0 * t).sin(), &ac, &scope(1000));
        assert_eq!(trace.coupling_corner_hz(), Some(0.5));
    }

    #[test]
    fn lost_samples_are_held_zero_or_closed_up() {
        let wave = |t: f64| 1.0 + 100.0 * t;
        let whole = counts(&record(wave, &channel(), &scope(100))).0;
        let lost = |filling| {
            let dropout = Some(Dropout { start: 40, length: 10, filling });
            counts(&record(wave, &channel(), &Scope { dropout, ..scope(100) })).0
        };
        assert!(lost(Filling::Held)[40..50].iter().all(|c| *c == whole[39]));
        assert!(lost(Filling::Zero)[40..50].iter().all(|c| *c == 0));
        let closed = lost(Filling::Closed);
        assert_eq!((closed.len(), closed[39], closed[40]), (100, whole[39], whole[50]));
    }

    #[test]
    fn noise_has_the_stated_deviation() {
        let noisy = Channel { noise_v: 0.02, ..channel() };
        let x = record(|_| 2.0, &noisy, &scope(20_000)).to_f64();
        let sd = (x.iter().map(|v| (v - 2.0).powi(2)).sum::<f64>() / 20_000.0).sqrt();
        // Four standard errors of a deviation, sd / sqrt(2 n), and the quantiser's step^2 / 12.
        let law = (0.02_f64.powi(2) + (5.0_f64 / 4096.0).powi(2) / 12.0).sqrt();
        assert!((sd / law - 1.0).abs() < 0.02, "{sd}");
    }

    #[test]
    fn bad_settings_are_named() {
        let error = Scope { bits: 24, ..scope(100) }.check().unwrap_err();
        assert_eq!((error.code(), error.parameter()), ("out_of_range", "scope.bits"));
        let error = Channel { noise_v: -1.0, ..channel() }.check("channels.post").unwrap_err();
        assert_eq!(error.parameter(), "channels.post.noise_v");
    }
}
