//! What an instrument can be set to.

use crate::error::{Error, Result};

/// Most sample rates or ranges that an instrument may list.
const MOST_SETTINGS: usize = 1000;
/// Longest that the memory may take to fill, seconds: far beyond use, and far below where a number of cycles overflows.
const LONGEST_S: f64 = 1e30;
/// Least and greatest number of hertz and volts that is taken: far beyond use, and no ratio or product of two overflows.
const BOUNDS: std::ops::RangeInclusive<f64> = 1e-30..=1e30;

/// An oscilloscope, as its data sheet describes it.
#[derive(Debug, Clone, PartialEq)]
pub struct Instrument {
    bits: u32,
    memory_samples: usize,
    sample_rates_hz: Vec<f64>,
    ranges_v: Vec<f64>,
    ac_corner_hz: Option<f64>,
    probe_attenuation: f64,
    channels: u32,
}

impl Instrument {
    /// `bits` of the converter, 4 to 24; `memory_samples` for each channel in use, 16 to 10^10; `sample_rates_hz` that can be
    /// set, up to 10^30 Hz and filling the memory within 10^30 s, in any order; `ranges_v` of the input, middle to edge,
    /// 10^-30 to 10^30 V; `ac_corner_hz` of the input's AC coupling without a probe, 10^-30 to 10^30 Hz, `None` where it has
    /// none; `probe_attenuation` 1 to 1000 (a 10:1 probe is 10; it also divides the corner by 10); `channels` 1 to 64.
    ///
    /// # Errors
    /// [`Error::OutOfRange`], [`Error::EmptyInput`] naming the parameter.
    pub fn new(
        bits: u32,
        memory_samples: usize,
        sample_rates_hz: &[f64],
        ranges_v: &[f64],
        ac_corner_hz: Option<f64>,
        probe_attenuation: f64,
        channels: u32,
    ) -> Result<Self> {
        if !(4..=24).contains(&bits) {
            return Err(Error::out_of_range("bits", "4 to 24", f64::from(bits)));
        }
        if !(16..=10_000_000_000).contains(&memory_samples) {
            return Err(Error::out_of_range("memory_samples", "16 to 10^10", memory_samples as f64));
        }
        if let Some(hz) = ac_corner_hz {
            check_bounded("ac_corner_hz", hz)?;
        }
        if !(1.0..=1000.0).contains(&probe_attenuation) {
            return Err(Error::out_of_range("probe_attenuation", "1 to 1000", probe_attenuation));
        }
        if !(1..=64).contains(&channels) {
            return Err(Error::out_of_range("channels", "1 to 64", f64::from(channels)));
        }
        let sample_rates_hz = sorted("sample_rates_hz", sample_rates_hz)?;
        if let Some(slowest) = sample_rates_hz.first().filter(|hz| memory_samples as f64 / **hz > LONGEST_S) {
            return Err(Error::out_of_range("sample_rates_hz", "rates that fill the memory within 10^30 s", *slowest));
        }
        let ranges_v = sorted("ranges_v", ranges_v)?;
        Ok(Self { bits, memory_samples, sample_rates_hz, ranges_v, ac_corner_hz, probe_attenuation, channels })
    }

    /// Samples for each channel in use.
    #[must_use]
    pub fn memory_samples(&self) -> usize {
        self.memory_samples
    }
    /// Sample rates, rising.
    #[must_use]
    pub fn sample_rates_hz(&self) -> &[f64] {
        &self.sample_rates_hz
    }
    /// Input ranges, middle to edge, rising.
    #[must_use]
    pub fn ranges_v(&self) -> &[f64] {
        &self.ranges_v
    }
    /// Corner of the input's AC coupling without a probe.
    #[must_use]
    pub fn ac_corner_hz(&self) -> Option<f64> {
        self.ac_corner_hz
    }
    /// The same as the probe's tip sees it.
    #[must_use]
    pub fn corner_at_tip_hz(&self) -> Option<f64> {
        self.ac_corner_hz.map(|hz| hz / self.probe_attenuation)
    }
    /// Attenuation of the probe.
    #[must_use]
    pub fn probe_attenuation(&self) -> f64 {
        self.probe_attenuation
    }
    /// Number of channels.
    #[must_use]
    pub fn channels(&self) -> u32 {
        self.channels
    }

    /// The smallest range (at the input) that holds an excursion at the tip.
    #[must_use]
    pub fn range_for(&self, excursion_v: f64) -> Option<f64> {
        self.ranges_v.iter().copied().find(|r| r * self.probe_attenuation >= excursion_v)
    }

    /// Step at the tip in a range of the input: `2 range x attenuation / 2^bits`.
    #[must_use]
    pub fn step_v(&self, range_v: f64) -> f64 {
        2.0 * range_v * self.probe_attenuation / f64::from(self.bits).exp2()
    }
}

fn check_bounded(parameter: &str, value: f64) -> Result<()> {
    if BOUNDS.contains(&value) { Ok(()) } else { Err(Error::out_of_range(parameter, "10^-30 to 10^30", value)) }
}

fn sorted(parameter: &str, values: &[f64]) -> Result<Vec<f64>> {
    if values.is_empty() {
        return Err(Error::EmptyInput { parameter: parameter.into() });
    }
    if values.len() > MOST_SETTINGS {
        return Err(Error::out_of_range(parameter, "at most 1000 settings", values.len() as f64));
    }
    for v in values {
        check_bounded(parameter, *v)?;
    }
    let mut list = values.to_vec();
    list.sort_by(f64::total_cmp);
    list.dedup();
    Ok(list)
}
