//! Speed sensors, the ways ripple gets into their circuits, and the pulse conditioners behind them.
//!
//! Nothing here is shared with the analysis in the core: what a conditioner would count is worked out twice,
//! independently, so that a mistake made once cannot hide.

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};
use sixpulse::Role;

use crate::domain;
use crate::error::Result;
use crate::filter::{delayed, high_pass, low_pass};
use crate::rng::{Random, Stream};

/// A speed sensor with what disturbs it and what counts its pulses.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sensor {
    /// The sensing element.
    pub element: Element,
    /// The toothed ring.
    pub ring: Ring,
    /// Ways in which ripple reaches the sensor's line; they add. Empty: a clean circuit.
    pub paths: Vec<Path>,
    /// The input stage that counts.
    pub conditioner: Conditioner,
}

/// A toothed ring and how it turns.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ring {
    /// Places for teeth in one turn, 1 to 1000.
    pub teeth: u32,
    /// Adjacent places that are empty, fewer than `teeth`.
    pub missing_teeth: u32,
    /// Places per second at the middle of the record, hertz; 0 at standstill, to 20 kHz.
    pub tooth_hz: f64,
    /// Change of speed over the record, as a fraction of the speed in its middle (-1 to 1).
    pub ramp: f64,
    /// Position at the start of the record, in places.
    pub start: f64,
}

/// The sensing element.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Element {
    /// Coil and magnet: voltage proportional to tooth speed.
    VariableReluctance {
        /// Peak EMF for each hertz of tooth frequency, volts per hertz.
        volts_per_hz: f64,
        /// Modulation of the flux once a turn by run-out, as a fraction (0 to 0.9).
        run_out: f64,
        /// Standard deviation of the differences between teeth, as a fraction (0 to 0.3).
        tooth_variation: f64,
        /// Coil resistance, ohm.
        coil_ohm: f64,
        /// Coil inductance, henry.
        coil_h: f64,
        /// Load of the input stage, ohm.
        load_ohm: f64,
    },
    /// Switched output (Hall or magneto-resistive), pulled up to a supply that may ripple.
    Hall {
        /// Output when on, volts.
        low_v: f64,
        /// Output when off, volts.
        high_v: f64,
        /// Share of a tooth's period in which the output is high (0.05 to 0.95).
        duty: f64,
        /// Time constant of the edges, seconds.
        edge_s: f64,
        /// Part of the battery's ripple that stands on the high level, volts per volt.
        feed_through_v_per_v: f64,
    },
}

/// Where a path starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// Voltage at the charging post.
    Post,
    /// Voltage at the battery post.
    Battery,
}

/// A way for ripple into the sensor's line. Every path carries the alternating part alone (source minus its mean over
/// the record).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Path {
    /// `gain * source(t - delay)`: the transfer that an analysis can be held to exactly.
    GainDelay {
        /// Where it starts.
        source: Source,
        /// Volts per volt; negative reverses polarity.
        gain_v_per_v: f64,
        /// Delay, seconds, 0 to 0.1.
        delay_s: f64,
    },
    /// The charging current's drop along a return that sensor and alternator share: `resistance * cable current`.
    SharedGround {
        /// Resistance in common, ohm.
        resistance_ohm: f64,
    },
    /// Ripple of the battery voltage through a supply filter: gain times a first-order low-pass.
    SupplyFeedThrough {
        /// Volts per volt well below the corner.
        gain_v_per_v: f64,
        /// Corner of the filter, hertz.
        corner_hz: f64,
    },
    /// Stray capacitance from the charging cable into the line's resistance: gain times a first-order high-pass.
    Capacitive {
        /// Volts per volt well above the corner.
        gain_v_per_v: f64,
        /// Corner `1 / (2 pi R C)`, hertz.
        corner_hz: f64,
    },
    /// Mutual inductance with the charging cable: `M di/dt` behind a first-order low-pass.
    Inductive {
        /// Mutual inductance, henry.
        mutual_h: f64,
        /// Corner of the line, hertz.
        corner_hz: f64,
    },
}

/// The input stage that turns the sensor's signal into pulses.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Conditioner {
    /// Fixed thresholds: a pulse starts above the upper one and ends below the lower one.
    FixedHysteresis {
        /// Upper threshold, volts.
        upper_v: f64,
        /// Lower threshold, volts, below the upper one.
        lower_v: f64,
    },
    /// Adaptive: armed above a share of the previous peak, the pulse given at the falling zero crossing.
    AdaptivePeak {
        /// Share of the previous peak that arms (0.33 in the data sheet quoted in REFERENCE-VALUES E5).
        fraction: f64,
        /// Least threshold, volts (30 mV there, from memory).
        minimum_v: f64,
        /// Time constant with which the held peak decays, seconds.
        decay_s: f64,
        /// Time without a pulse after which the threshold falls to its minimum, seconds (85 ms there, from memory).
        watchdog_s: f64,
    },
}

/// What disturbs the sensor, on the solver's grid.
#[derive(Debug, Clone, Copy)]
pub struct Sources<'a> {
    /// Voltage at the charging post.
    pub post_v: &'a [f64],
    /// Voltage at the battery post.
    pub battery_v: &'a [f64],
    /// Current in the charging cable, amperes.
    pub cable_a: &'a [f64],
    /// Points per second.
    pub rate_hz: f64,
    /// Leading points taken to have come again and again before the record (see [`crate::scope::Fine`]).
    pub repeat: usize,
}

/// The sensor's line with and without what was coupled into it.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorSignal {
    /// Own signal and ripple together, volts.
    pub line_v: Vec<f64>,
    /// Own signal alone, volts.
    pub own_v: Vec<f64>,
}

/// Pulses that a conditioner gave.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Count {
    /// Number of pulses.
    pub pulses: usize,
    /// Time of the first, seconds.
    pub first_s: f64,
    /// Time of the last, seconds.
    pub last_s: f64,
}

impl Count {
    /// Pulses per second between the first and the last: `(pulses - 1) / (last - first)`; 0 below two pulses.
    #[must_use]
    #[allow(clippy::cast_precision_loss, reason = "pulse counts are small")]
    pub fn frequency_hz(&self) -> f64 {
        if self.pulses < 2 { 0.0 } else { (self.pulses - 1) as f64 / (self.last_s - self.first_s) }
    }

    fn add(&mut self, time_s: f64) {
        if self.pulses == 0 {
            self.first_s = time_s;
        }
        self.last_s = time_s;
        self.pulses += 1;
    }
}

impl Ring {
    /// Position in places at a time from the record's start, for a record `duration_s` long.
    #[must_use]
    pub fn position(&self, time_s: f64, duration_s: f64) -> f64 {
        let middle = 0.5 * duration_s;
        let slope = if duration_s > 0.0 { self.tooth_hz * self.ramp / duration_s } else { 0.0 };
        self.start + (self.tooth_hz - slope * middle) * time_s + 0.5 * slope * time_s * time_s
    }

    /// Places per second at that time.
    #[must_use]
    pub fn frequency_hz(&self, time_s: f64, duration_s: f64) -> f64 {
        let slope = if duration_s > 0.0 { self.tooth_hz * self.ramp / duration_s } else { 0.0 };
        self.tooth_hz + slope * (time_s - 0.5 * duration_s)
    }

    /// Frequency of the teeth that are there: `tooth_hz * (teeth - missing) / teeth`.
    #[must_use]
    pub fn present_hz(&self) -> f64 {
        self.tooth_hz * f64::from(self.teeth - self.missing_teeth) / f64::from(self.teeth)
    }

    fn check(&self) -> Result<()> {
        domain::count("sensor.ring.teeth", self.teeth as usize, 1, 1000)?;
        domain::count("sensor.ring.missing_teeth", self.missing_teeth as usize, 0, self.teeth as usize - 1)?;
        domain::between("sensor.ring.tooth_hz", self.tooth_hz, 0.0, 20_000.0, "Hz")?;
        domain::between("sensor.ring.ramp", self.ramp, -1.0, 1.0, "")?;
        domain::between("sensor.ring.start", self.start, 0.0, f64::from(self.teeth), "places")
    }
}

impl Sensor {
    /// The role of its trace.
    #[must_use]
    pub fn role(&self) -> Role {
        match self.element {
            Element::VariableReluctance { .. } => Role::SpeedSensor,
            Element::Hall { .. } => Role::EdgeSensor,
        }
    }

    /// Refuses values outside the documented domains.
    ///
    /// # Errors
    /// [`crate::Error::OutOfRange`] naming the value.
    pub fn check(&self) -> Result<()> {
        self.ring.check()?;
        self.element.check()?;
        self.paths.iter().try_for_each(Path::check)?;
        self.conditioner.check()
    }

    /// The voltage on the sensor's line over the sources' grid; `seed` and `member` fix the teeth.
    #[must_use]
    pub fn signal(&self, sources: Sources<'_>, duration_s: f64, seed: u64, member: u64) -> SensorSignal {
        let own_v = match &self.element {
            Element::VariableReluctance { .. } => self.coil_voltage(sources, duration_s, seed, member),
            Element::Hall { .. } => self.switched_voltage(sources, duration_s),
        };
        let mut line_v = own_v.clone();
        if let Element::Hall { feed_through_v_per_v, .. } = self.element
            && feed_through_v_per_v != 0.0
        {
            self.add_feed_through(&mut line_v, sources, feed_through_v_per_v);
        }
        for path in &self.paths {
            line_v.iter_mut().zip(path.transfer(sources)).for_each(|(y, x)| *y += x);
        }
        SensorSignal { line_v, own_v }
    }

    /// True when some path, or the supply of a Hall sensor, carries ripple.
    #[must_use]
    pub fn contaminated(&self) -> bool {
        let supply = matches!(self.element, Element::Hall { feed_through_v_per_v, .. } if feed_through_v_per_v != 0.0);
        supply || self.paths.iter().any(|p| !p.silent())
    }

    /// Gain (V/V) and delay (s) from the charging post, where the whole transfer is no more than that; gain 0 and no
    /// delay for a clean circuit.
    #[must_use]
    pub fn plain_transfer(&self) -> (Option<f64>, Option<f64>) {
        match self.paths.as_slice() {
            _ if !self.contaminated() => (Some(0.0), None),
            [Path::GainDelay { source: Source::Post, gain_v_per_v, delay_s }] => match self.element {
                Element::Hall { feed_through_v_per_v, .. } if feed_through_v_per_v != 0.0 => (None, None),
                _ => (Some(*gain_v_per_v), Some(*delay_s)),
            },
            _ => (None, None),
        }
    }

    fn coil_voltage(&self, sources: Sources<'_>, duration_s: f64, seed: u64, member: u64) -> Vec<f64> {
        let Element::VariableReluctance { volts_per_hz, run_out, tooth_variation, coil_ohm, coil_h, load_ohm } =
            self.element
        else {
            return Vec::new();
        };
        let mut random = Random::new(seed, member, Stream::Teeth);
        let teeth: Vec<f64> = (0..self.ring.teeth)
            .map(|i| {
                let size = 1.0 + tooth_variation * random.normal();
                if i < self.ring.teeth - self.ring.missing_teeth { size } else { 0.0 }
            })
            .collect();
        let mut emf: Vec<f64> =
            grid_times(sources).map(|t| volts_per_hz * self.flux_slope(&teeth, run_out, t, duration_s)).collect();
        let corner_hz = (coil_ohm + load_ohm) / (TAU * coil_h);
        // The ring does not repeat with the ripple; the start dies out within a few L/R, under a millisecond.
        low_pass(&mut emf, corner_hz, sources.rate_hz, 0);
        let divider = load_ohm / (coil_ohm + load_ohm);
        emf.iter_mut().for_each(|v| *v *= divider);
        emf
    }

    /// d/dt of `(1 + r cos(turn)) (-1 + size (1 - cos(place)))`, over 2 pi: the flux stands still in a valley and where
    /// a tooth is missing, and a tooth's pulse grows in proportion to its speed.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a remainder within the ring")]
    fn flux_slope(&self, teeth: &[f64], run_out: f64, time_s: f64, duration_s: f64) -> f64 {
        let frequency = self.ring.frequency_hz(time_s, duration_s);
        if frequency == 0.0 {
            return 0.0;
        }
        let count = teeth.len() as f64;
        let position = self.ring.position(time_s, duration_s);
        let within = position - count * libm::floor(position / count);
        let size = teeth[(within as usize).min(teeth.len() - 1)];
        let (sin, cos) = libm::sincos(TAU * (position - libm::floor(position)));
        if run_out == 0.0 {
            return frequency * size * sin;
        }
        let (turn_sin, turn_cos) = libm::sincos(TAU * position / count);
        frequency * ((1.0 + run_out * turn_cos) * size * sin - run_out / count * turn_sin * (size * (1.0 - cos) - 1.0))
    }

    fn high(&self, duty: f64, time_s: f64, duration_s: f64) -> bool {
        let position = self.ring.position(time_s, duration_s);
        let teeth = f64::from(self.ring.teeth);
        let place = position - teeth * libm::floor(position / teeth);
        place < teeth - f64::from(self.ring.missing_teeth) && position - libm::floor(position) < duty
    }

    fn switched_voltage(&self, sources: Sources<'_>, duration_s: f64) -> Vec<f64> {
        let Element::Hall { low_v, high_v, duty, edge_s, .. } = self.element else { return Vec::new() };
        let mut v: Vec<f64> =
            grid_times(sources).map(|t| if self.high(duty, t, duration_s) { high_v } else { low_v }).collect();
        low_pass(&mut v, 1.0 / (TAU * edge_s), sources.rate_hz, 0);
        v
    }

    /// Battery ripple on the high level, in proportion to how far the output has risen.
    fn add_feed_through(&self, line_v: &mut [f64], sources: Sources<'_>, gain: f64) {
        let Element::Hall { low_v, high_v, .. } = self.element else { return };
        let level = mean(sources.battery_v);
        for (y, b) in line_v.iter_mut().zip(sources.battery_v) {
            *y += gain * (b - level) * (*y - low_v) / (high_v - low_v);
        }
    }
}

impl Element {
    fn check(&self) -> Result<()> {
        match *self {
            Self::VariableReluctance { volts_per_hz, run_out, tooth_variation, coil_ohm, coil_h, load_ohm } => {
                domain::between("sensor.element.volts_per_hz", volts_per_hz, 0.0, 1.0, "V/Hz")?;
                domain::between("sensor.element.run_out", run_out, 0.0, 0.9, "")?;
                domain::between("sensor.element.tooth_variation", tooth_variation, 0.0, 0.3, "")?;
                domain::between("sensor.element.coil_ohm", coil_ohm, 1.0, 1e5, "ohm")?;
                domain::between("sensor.element.coil_h", coil_h, 1e-6, 100.0, "H")?;
                domain::between("sensor.element.load_ohm", load_ohm, 1.0, 1e9, "ohm")
            }
            Self::Hall { low_v, high_v, duty, edge_s, feed_through_v_per_v } => {
                domain::between("sensor.element.low_v", low_v, -1.0, 48.0, "V")?;
                domain::between("sensor.element.high_v", high_v, low_v + 0.01, 48.0, "V")?;
                domain::between("sensor.element.duty", duty, 0.05, 0.95, "")?;
                domain::between("sensor.element.edge_s", edge_s, 1e-9, 0.01, "s")?;
                domain::between("sensor.element.feed_through_v_per_v", feed_through_v_per_v, -2.0, 2.0, "V/V")
            }
        }
    }
}

impl Path {
    fn check(&self) -> Result<()> {
        match *self {
            Self::GainDelay { gain_v_per_v, delay_s, .. } => {
                domain::between("sensor.paths.gain_v_per_v", gain_v_per_v, -100.0, 100.0, "V/V")?;
                domain::between("sensor.paths.delay_s", delay_s, 0.0, 0.1, "s")
            }
            Self::SharedGround { resistance_ohm } => {
                domain::between("sensor.paths.resistance_ohm", resistance_ohm, 0.0, 10.0, "ohm")
            }
            Self::SupplyFeedThrough { gain_v_per_v, corner_hz } | Self::Capacitive { gain_v_per_v, corner_hz } => {
                domain::between("sensor.paths.gain_v_per_v", gain_v_per_v, -100.0, 100.0, "V/V")?;
                domain::between("sensor.paths.corner_hz", corner_hz, 0.1, 1e7, "Hz")
            }
            Self::Inductive { mutual_h, corner_hz } => {
                domain::between("sensor.paths.mutual_h", mutual_h, -1e-3, 1e-3, "H")?;
                domain::between("sensor.paths.corner_hz", corner_hz, 0.1, 1e7, "Hz")
            }
        }
    }

    fn silent(&self) -> bool {
        match *self {
            Self::GainDelay { gain_v_per_v, .. }
            | Self::SupplyFeedThrough { gain_v_per_v, .. }
            | Self::Capacitive { gain_v_per_v, .. } => gain_v_per_v == 0.0,
            Self::SharedGround { resistance_ohm } => resistance_ohm == 0.0,
            Self::Inductive { mutual_h, .. } => mutual_h == 0.0,
        }
    }

    /// What this path adds to the line.
    pub(crate) fn transfer(&self, sources: Sources<'_>) -> Vec<f64> {
        let Sources { rate_hz, repeat, .. } = sources;
        match *self {
            Self::GainDelay { source, gain_v_per_v, delay_s } => {
                let x = match source {
                    Source::Post => sources.post_v,
                    Source::Battery => sources.battery_v,
                };
                scaled_about(delayed(x, delay_s * rate_hz, repeat), mean(x), gain_v_per_v)
            }
            Self::SharedGround { resistance_ohm } => {
                scaled_about(sources.cable_a.to_vec(), mean(sources.cable_a), resistance_ohm)
            }
            Self::SupplyFeedThrough { gain_v_per_v, corner_hz } => {
                let mut x = sources.battery_v.to_vec();
                low_pass(&mut x, corner_hz, rate_hz, repeat);
                scaled_about(x, mean(sources.battery_v), gain_v_per_v)
            }
            Self::Capacitive { gain_v_per_v, corner_hz } => {
                let mut x = sources.post_v.to_vec();
                high_pass(&mut x, corner_hz, rate_hz, repeat);
                scaled_about(x, 0.0, gain_v_per_v)
            }
            Self::Inductive { mutual_h, corner_hz } => {
                // M di/dt behind a low-pass is the high-pass of the current times M 2 pi f_c: exact, no differencing.
                let mut x = sources.cable_a.to_vec();
                high_pass(&mut x, corner_hz, rate_hz, repeat);
                scaled_about(x, 0.0, mutual_h * TAU * corner_hz)
            }
        }
    }
}

/// Seconds from the record's start of every point of the grid.
#[allow(clippy::cast_precision_loss, reason = "grids are far shorter than 2^53 points")]
fn grid_times(sources: Sources<'_>) -> impl Iterator<Item = f64> {
    let rate_hz = sources.rate_hz;
    (0..sources.post_v.len()).map(move |i| i as f64 / rate_hz)
}

#[allow(clippy::cast_precision_loss, reason = "grids are far shorter than 2^53 points")]
fn mean(x: &[f64]) -> f64 {
    x.iter().sum::<f64>() / x.len().max(1) as f64
}

fn scaled_about(mut x: Vec<f64>, level: f64, gain: f64) -> Vec<f64> {
    x.iter_mut().for_each(|v| *v = gain * (*v - level));
    x
}

impl Conditioner {
    fn check(&self) -> Result<()> {
        match *self {
            Self::FixedHysteresis { upper_v, lower_v } => {
                domain::between("sensor.conditioner.upper_v", upper_v, -100.0, 100.0, "V")?;
                domain::between("sensor.conditioner.lower_v", lower_v, -100.0, upper_v, "V")
            }
            Self::AdaptivePeak { fraction, minimum_v, decay_s, watchdog_s } => {
                domain::between("sensor.conditioner.fraction", fraction, 0.0, 1.0, "")?;
                domain::between("sensor.conditioner.minimum_v", minimum_v, 1e-4, 100.0, "V")?;
                domain::between("sensor.conditioner.decay_s", decay_s, 1e-4, 100.0, "s")?;
                domain::between("sensor.conditioner.watchdog_s", watchdog_s, 1e-3, 100.0, "s")
            }
        }
    }

    /// The pulses it gives for a signal sampled at `rate_hz`.
    ///
    /// ```
    /// use sixpulse_sim::sensor::Conditioner;
    /// let wave: Vec<f64> = (0..20_000).map(|i| (std::f64::consts::TAU * 0.01 * f64::from(i)).sin()).collect();
    /// let fixed = Conditioner::FixedHysteresis { upper_v: 0.5, lower_v: -0.5 };
    /// assert!((fixed.count(&wave, 10_000.0).frequency_hz() - 100.0).abs() < 1e-6);
    /// ```
    #[must_use]
    pub fn count(&self, x: &[f64], rate_hz: f64) -> Count {
        match *self {
            Self::FixedHysteresis { upper_v, lower_v } => count_fixed(x, rate_hz, upper_v, lower_v),
            Self::AdaptivePeak { fraction, minimum_v, decay_s, watchdog_s } => {
                let decay = libm::exp(-1.0 / (decay_s * rate_hz));
                count_adaptive(x, rate_hz, fraction, minimum_v, decay, watchdog_s * rate_hz)
            }
        }
    }
}

/// Time at which a straight line from point `i - 1` to point `i` passes `level`.
#[allow(clippy::cast_precision_loss, reason = "grids are far shorter than 2^53 points")]
fn crossing(x: &[f64], i: usize, level: f64, rate_hz: f64) -> f64 {
    let (a, b) = (x[i - 1], x[i]);
    let fraction = if a == b { 1.0 } else { (level - a) / (b - a) };
    (i as f64 - 1.0 + fraction) / rate_hz
}

fn count_fixed(x: &[f64], rate_hz: f64, upper_v: f64, lower_v: f64) -> Count {
    let mut count = Count::default();
    let mut high = x.first().is_some_and(|v| *v > upper_v);
    for i in 1..x.len() {
        if high && x[i] < lower_v {
            high = false;
        } else if !high && x[i] > upper_v {
            high = true;
            count.add(crossing(x, i, upper_v.max(x[i - 1]), rate_hz));
        }
    }
    count
}

#[allow(clippy::cast_precision_loss, reason = "grids are far shorter than 2^53 points")]
fn count_adaptive(x: &[f64], rate_hz: f64, fraction: f64, minimum_v: f64, decay: f64, watchdog: f64) -> Count {
    let mut count = Count::default();
    let (mut held, mut peak, mut armed, mut last) = (0.0_f64, 0.0_f64, false, 0_usize);
    for i in 1..x.len() {
        held = if (i - last) as f64 > watchdog { 0.0 } else { held * decay };
        peak = peak.max(x[i]);
        armed |= x[i] > minimum_v.max(fraction * held);
        if x[i - 1] > 0.0 && x[i] <= 0.0 {
            if armed {
                count.add(crossing(x, i, 0.0, rate_hz));
                held = peak;
                last = i;
            }
            (armed, peak) = (false, 0.0);
        }
    }
    count
}

#[cfg(test)]
mod tests {
    use super::*;

    const ADAPTIVE: Conditioner =
        Conditioner::AdaptivePeak { fraction: 0.33, minimum_v: 0.03, decay_s: 0.05, watchdog_s: 0.085 };

    fn coil(tooth_hz: f64) -> Sensor {
        Sensor {
            element: Element::VariableReluctance {
                volts_per_hz: 0.002,
                run_out: 0.0,
                tooth_variation: 0.0,
                coil_ohm: 1000.0,
                coil_h: 0.5,
                load_ohm: 10_000.0,
            },
            ring: Ring { teeth: 44, missing_teeth: 0, tooth_hz, ramp: 0.0, start: 0.0 },
            paths: Vec::new(),
            conditioner: ADAPTIVE,
        }
    }

    fn flat(n: usize) -> Vec<f64> {
        vec![14.0; n]
    }

    fn run(sensor: &Sensor, post: &[f64]) -> SensorSignal {
        let sources = Sources { post_v: post, battery_v: post, cable_a: post, rate_hz: 100_000.0, repeat: 0 };
        sensor.signal(sources, post.len() as f64 / 100_000.0, 1, 0)
    }

    fn peak(x: &[f64]) -> f64 {
        x[x.len() / 2..].iter().fold(0.0_f64, |a, v| a.max(v.abs()))
    }

    #[test]
    fn coil_amplitude_is_proportional_to_speed_behind_its_low_pass() {
        let corner = 11_000.0 / (TAU * 0.5);
        for tooth_hz in [50.0, 400.0, 2000.0] {
            let got = peak(&run(&coil(tooth_hz), &flat(20_000)).line_v);
            let law = 0.002 * tooth_hz * (10.0 / 11.0) / (1.0 + (tooth_hz / corner).powi(2)).sqrt();
            // 50 points a cycle at 2 kHz: straight lines and the nearest sample to the peak cost up to (pi/50)^2 / 2.
            assert!((got / law - 1.0).abs() < 2.5e-3, "{tooth_hz}: {got} {law}");
        }
    }

    #[test]
    fn standstill_is_silent() {
        assert_eq!(peak(&run(&coil(0.0), &flat(1000)).line_v), 0.0);
    }

    #[test]
    fn run_out_modulates_once_a_turn() {
        let mut sensor = coil(440.0);
        if let Element::VariableReluctance { run_out, .. } = &mut sensor.element {
            *run_out = 0.2;
        }
        let own = run(&sensor, &flat(20_000)).own_v;
        let turn: Vec<f64> = own[9_000..].chunks_exact(228).map(|c| c.iter().copied().fold(0.0, f64::max)).collect();
        let (low, high) = turn.iter().fold((f64::MAX, 0.0_f64), |(l, h), v| (l.min(*v), h.max(*v)));
        // (1.2 - 0.8) / 2 = 0.2; one turn is 44 teeth, so the extremes are met to about 1 %.
        assert!(((high - low) / (high + low) - 0.2).abs() < 0.01, "{low} {high}");
    }

    #[test]
    fn missing_teeth_leave_the_count_short() {
        let mut sensor = coil(600.0);
        sensor.ring = Ring { teeth: 60, missing_teeth: 2, ..sensor.ring };
        let own = run(&sensor, &flat(100_000)).own_v;
        // 10 turns of 58 teeth a second.
        assert_eq!(ADAPTIVE.count(&own, 100_000.0).pulses, 580);
    }

    #[test]
    fn a_gain_and_delay_path_is_exact() {
        let post: Vec<f64> = (0..10_000).map(|i| 14.0 + (TAU * 0.002 * f64::from(i)).sin()).collect();
        let mut sensor = coil(0.0);
        sensor.paths = vec![Path::GainDelay { source: Source::Post, gain_v_per_v: 0.4, delay_s: 30e-6 }];
        let line = run(&sensor, &post).line_v;
        for (i, got) in line.iter().enumerate().skip(100) {
            let law = 0.4 * (TAU * 0.002 * (i as f64 - 3.0)).sin();
            assert!((got - law).abs() < 1e-12);
        }
    }

    #[test]
    fn inductive_path_is_the_derivative_far_below_its_corner() {
        let current: Vec<f64> = (0..20_000).map(|i| 50.0 + 5.0 * (TAU * 0.002 * f64::from(i)).sin()).collect();
        let mut sensor = coil(0.0);
        sensor.paths = vec![Path::Inductive { mutual_h: 1e-6, corner_hz: 20_000.0 }];
        let law = 1e-6 * 5.0 * TAU * 200.0;
        assert!((peak(&run(&sensor, &current).line_v) / law - 1.0).abs() < 1e-3);
    }

    #[test]
    fn adaptive_threshold_ignores_ripple_below_a_third_of_the_peak_and_counts_it_at_rest() {
        let rate = 100_000.0;
        let wave = |own: f64, ripple: f64| -> Vec<f64> {
            (0..100_000)
                .map(|i| {
                    let t = f64::from(i) / rate;
                    own * (TAU * 200.0 * t).sin() + ripple * (TAU * 1134.0 * t).sin()
                })
                .collect()
        };
        let alone = ADAPTIVE.count(&wave(0.0, 0.1), rate);
        assert!((alone.frequency_hz() - 1134.0).abs() < 0.01);
        assert_eq!(ADAPTIVE.count(&wave(0.0, 0.029), rate).pulses, 0);
        assert!((ADAPTIVE.count(&wave(1.0, 0.1), rate).frequency_hz() - 200.0).abs() < 0.5);
        assert!(ADAPTIVE.count(&wave(1.0, 0.8), rate).frequency_hz() > 210.0);
    }

    #[test]
    fn bad_values_are_named() {
        let mut sensor = coil(100.0);
        sensor.ring.missing_teeth = 44;
        let error = sensor.check().unwrap_err();
        assert_eq!((error.code(), error.parameter()), ("out_of_range", "sensor.ring.missing_teeth"));
        sensor = coil(100.0);
        sensor.conditioner = Conditioner::FixedHysteresis { upper_v: 0.1, lower_v: 0.2 };
        assert_eq!(sensor.check().unwrap_err().parameter(), "sensor.conditioner.lower_v");
    }
}
