//! What a pulse conditioner would count on a sensor's trace, and the speed an instrument would show for it.
//!
//! A variable-reluctance sensor's signal grows with speed, so its conditioner arms at a fraction of the last peak and
//! puts out an edge at the next zero crossing. With the wheel at rest the threshold decays to a few tens of millivolts:
//! that is when ripple counts most easily. While the wheel turns, ripple must reach the fraction of the signal's own
//! peak before it adds edges.
//!
//! The values of [`PulseConditioner::default`] are common practice of general-purpose conditioner circuits, not of any
//! one part, and a vehicle's module may differ: state them when you quote the result.

use crate::error::{Error, Result, check_positive};
use crate::trace::{Samples, Trace, for_each_block};

/// When a pulse conditioner arms.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Threshold {
    /// At a fraction of the previous peak, decaying to a minimum.
    Adaptive {
        /// Arming threshold / previous positive peak (above 0, below 1).
        fraction: f64,
        /// Least arming threshold, volts (above 0).
        minimum_v: f64,
        /// Time constant with which the remembered peak decays, seconds (above 0).
        decay_s: f64,
    },
    /// At a fixed voltage.
    Fixed {
        /// Arming threshold, volts (above 0).
        arming_v: f64,
    },
}

/// A pulse conditioner: it arms when the signal rises over the threshold and puts out one pulse when the signal then
/// falls through `release_v`.
///
/// The input is taken against its own mean, as a differential or AC-coupled input stage does.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct PulseConditioner {
    threshold: Threshold,
    release_v: f64,
}

impl Default for PulseConditioner {
    /// Arms at 1/3 of the previous peak, never below 30 mV; the peak is forgotten with 85 ms; pulses at the zero
    /// crossing. Common practice for general-purpose conditioners of variable-reluctance sensors.
    fn default() -> Self {
        Self { threshold: Threshold::Adaptive { fraction: 1.0 / 3.0, minimum_v: 0.03, decay_s: 0.085 }, release_v: 0.0 }
    }
}

impl PulseConditioner {
    /// Validates the thresholds; `release_v` must lie below every arming threshold (0: the zero crossing; the negative
    /// of a fixed threshold: symmetrical hysteresis).
    ///
    /// # Errors
    /// [`Error::OutOfRange`] naming the parameter.
    pub fn new(threshold: Threshold, release_v: f64) -> Result<Self> {
        let least = match threshold {
            Threshold::Adaptive { fraction, minimum_v, decay_s } => {
                if !(fraction > 0.0 && fraction < 1.0) {
                    return Err(Error::out_of_range("fraction", "a fraction above 0 and below 1", fraction));
                }
                check_positive("minimum_v", minimum_v)?;
                check_positive("decay_s", decay_s)?;
                minimum_v
            }
            Threshold::Fixed { arming_v } => {
                check_positive("arming_v", arming_v)?;
                arming_v
            }
        };
        if !(release_v.is_finite() && release_v < least) {
            return Err(Error::out_of_range("release_v", "a voltage below the arming threshold", release_v));
        }
        Ok(Self { threshold, release_v })
    }

    /// When it arms.
    #[must_use]
    pub fn threshold(&self) -> Threshold {
        self.threshold
    }
    /// The voltage at which an armed conditioner puts out its pulse, volts.
    #[must_use]
    pub fn release_v(&self) -> f64 {
        self.release_v
    }

    /// Times of the pulses in seconds from the start of the trace, the crossing placed on the straight line between
    /// two samples.
    ///
    /// ```
    /// use sixpulse::contamination::speed::PulseConditioner;
    /// use sixpulse::{Coupling, Role, Trace};
    /// let sine = (0..10_000).map(|i| (i as f64 * 0.01 * std::f64::consts::TAU).sin()).collect();
    /// let sensor = Trace::from_f64(sine, 10_000.0, Coupling::Dc, Role::SpeedSensor)?;
    /// let pulses = PulseConditioner::default().pulse_times_s(&sensor);
    /// assert_eq!(pulses.len(), 100); // 100 Hz for one second
    /// # Ok::<(), sixpulse::Error>(())
    /// ```
    #[must_use]
    pub fn pulse_times_s(&self, circuit: &Trace) -> Vec<f64> {
        let mut sum = 0.0;
        for_each_block(circuit, |_, block| sum += block.iter().sum::<f64>());
        let mean = sum / circuit.len() as f64;
        let mut state = State::new(self, circuit.sample_rate_hz());
        let mut times = Vec::new();
        for_each_block(circuit, |start, block| {
            for (i, x) in block.iter().enumerate() {
                if let Some(back) = state.step(x - mean) {
                    times.push(((start + i) as f64 - back) / circuit.sample_rate_hz());
                }
            }
        });
        times
    }

    /// Frequency a counter behind the conditioner would show, hertz; 0 when it counts fewer than two pulses.
    ///
    /// Pulses that span most of the record give `(pulses - 1) / (last - first)`; scattered ones `pulses / duration`.
    #[must_use]
    pub fn indicated_hz(&self, circuit: &Trace) -> f64 {
        let times = self.pulse_times_s(circuit);
        let (Some(first), Some(last)) = (times.first(), times.last()) else { return 0.0 };
        let span = last - first;
        if times.len() < 2 || span <= 0.0 {
            return 0.0;
        }
        if span > 0.8 * circuit.duration_s() {
            (times.len() - 1) as f64 / span
        } else {
            times.len() as f64 / circuit.duration_s()
        }
    }
}

/// The conditioner's state from sample to sample.
struct State<'a> {
    settings: &'a PulseConditioner,
    keep: f64,
    peak: f64,
    rising_peak: f64,
    armed: bool,
    previous: f64,
}

impl<'a> State<'a> {
    fn new(settings: &'a PulseConditioner, rate_hz: f64) -> Self {
        let keep = match settings.threshold {
            Threshold::Adaptive { decay_s, .. } => (-1.0 / (decay_s * rate_hz)).exp(),
            Threshold::Fixed { .. } => 1.0,
        };
        Self { settings, keep, peak: 0.0, rising_peak: 0.0, armed: false, previous: f64::NEG_INFINITY }
    }

    /// Takes one sample; the part of a sample by which the pulse lies back when there is one.
    fn step(&mut self, x: f64) -> Option<f64> {
        let release = self.settings.release_v;
        let arming = match self.settings.threshold {
            Threshold::Adaptive { fraction, minimum_v, .. } => (fraction * self.peak).max(minimum_v),
            Threshold::Fixed { arming_v } => arming_v,
        };
        self.peak *= self.keep;
        let mut pulse = None;
        if self.armed {
            self.rising_peak = self.rising_peak.max(x);
            if x <= release {
                self.armed = false;
                self.peak = self.rising_peak;
                pulse = Some(if self.previous > x { (release - x) / (self.previous - x) } else { 0.0 });
            }
        } else if x > arming {
            self.armed = true;
            self.rising_peak = x;
        }
        self.previous = x;
        pulse
    }
}

/// Speed an instrument shows for a pulse frequency: `v = 3600 f / pulses_per_km` in km/h.
///
/// ```
/// use sixpulse::contamination::speed::indicated_speed_km_h;
/// // 2485 pulses a kilometre (4000 a mile): order 1 of an alternator at 189 Hz reads as 274 km/h.
/// assert!((indicated_speed_km_h(189.0, 2485.0)? - 273.8).abs() < 0.1);
/// # Ok::<(), sixpulse::Error>(())
/// ```
///
/// # Errors
/// [`Error::OutOfRange`] unless `indicated_hz` is finite and not negative and `pulses_per_km` finite and above 0.
pub fn indicated_speed_km_h(indicated_hz: f64, pulses_per_km: f64) -> Result<f64> {
    if !(indicated_hz.is_finite() && indicated_hz >= 0.0) {
        return Err(Error::out_of_range("indicated_hz", "a finite frequency of 0 or more, Hz", indicated_hz));
    }
    check_positive("pulses_per_km", pulses_per_km)?;
    Ok(3600.0 * indicated_hz / pulses_per_km)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Coupling, Role};
    use std::f64::consts::TAU;

    const RATE: f64 = 20_000.0;

    fn sensor(seconds: f64, wave: impl Fn(f64) -> f64) -> Trace {
        let v = (0..(seconds * RATE) as usize).map(|i| wave(i as f64 / RATE)).collect();
        Trace::from_f64(v, RATE, Coupling::Dc, Role::SpeedSensor).unwrap()
    }

    #[test]
    fn ripple_counts_at_standstill_and_not_while_turning() {
        let ripple = |t: f64| 0.1 * (TAU * 189.0 * t).sin();
        let conditioner = PulseConditioner::default();
        assert!((conditioner.indicated_hz(&sensor(1.0, ripple)) - 189.0).abs() < 0.5);
        // Turning: 2 V of signal at 97 Hz; a third of it is far above the ripple.
        let turning = sensor(1.0, |t| 2.0 * (TAU * 97.0 * t).sin() + ripple(t));
        assert!((conditioner.indicated_hz(&turning) - 97.0).abs() < 0.5);
        // Below the minimum threshold nothing is counted.
        let faint = sensor(1.0, |t| 0.02 * (TAU * 189.0 * t).sin());
        assert!(conditioner.indicated_hz(&faint).abs() < f64::EPSILON);
    }

    #[test]
    fn pulses_lie_on_the_falling_zero_crossings() {
        let times = PulseConditioner::default().pulse_times_s(&sensor(0.5, |t| (TAU * 40.0 * t).sin()));
        for (i, t) in times.iter().enumerate() {
            // Linear interpolation of a sine at 500 samples a period errs by less than a thousandth of a sample.
            assert!((t - (i as f64 + 0.5) / 40.0).abs() < 1e-3 / RATE, "{i}: {t}");
        }
        assert_eq!(times.len(), 20);
    }

    #[test]
    fn the_threshold_comes_down_after_the_wheel_stops() {
        // 5 V at 300 Hz for half a second, then 60 mV of ripple at 200 Hz: a third of 5 V needs
        // 85 ms * ln(1.667 V / 0.06 V) = 283 ms to come down to the ripple.
        let wave = |t: f64| if t < 0.5 { 5.0 * (TAU * 300.0 * t).sin() } else { 0.06 * (TAU * 200.0 * t).sin() };
        let times = PulseConditioner::default().pulse_times_s(&sensor(1.5, wave));
        let first = times.iter().find(|&&t| t > 0.51).unwrap();
        assert!((first - 0.783).abs() < 0.01, "{first}");
    }

    #[test]
    fn fixed_hysteresis_ignores_what_stays_inside_it() {
        let fixed = PulseConditioner::new(Threshold::Fixed { arming_v: 0.3 }, -0.3).unwrap();
        let small = sensor(1.0, |t| 0.25 * (TAU * 50.0 * t).sin());
        let large = sensor(1.0, |t| 0.35 * (TAU * 50.0 * t).sin());
        assert!(fixed.indicated_hz(&small).abs() < f64::EPSILON);
        assert!((fixed.indicated_hz(&large) - 50.0).abs() < 0.1);
    }

    #[test]
    fn speeds_of_the_common_pulse_constants() {
        // 8000 pulses a mile (4971 a km): 2.222 Hz a mile/h; 4000 a mile: half. Worked out from v = 3600 f / pulses.
        let mph = |hz: f64, per_mile: f64| indicated_speed_km_h(hz, per_mile / 1.609_344).unwrap() / 1.609_344;
        assert!((mph(2.2222, 8000.0) - 1.0).abs() < 1e-4);
        assert!((mph(189.0, 8000.0) - 85.05).abs() < 0.01);
        assert!((mph(1134.0, 4000.0) - 1020.6).abs() < 0.1);
        // 1.381 Hz a km/h at 8000 a mile.
        assert!((indicated_speed_km_h(1.381, 8000.0 / 1.609_344).unwrap() - 1.0).abs() < 1e-3);
    }

    #[test]
    fn bad_settings_are_refused() {
        let adaptive = |fraction, minimum_v, decay_s| Threshold::Adaptive { fraction, minimum_v, decay_s };
        for threshold in [
            adaptive(0.0, 0.03, 0.1),
            adaptive(1.0, 0.03, 0.1),
            adaptive(0.3, 0.0, 0.1),
            adaptive(0.3, 0.03, f64::NAN),
            Threshold::Fixed { arming_v: -1.0 },
        ] {
            assert_eq!(PulseConditioner::new(threshold, -10.0).unwrap_err().code(), "out_of_range");
        }
        assert!(PulseConditioner::new(Threshold::Fixed { arming_v: 0.3 }, 0.3).is_err());
        assert!(indicated_speed_km_h(-1.0, 4000.0).is_err());
        assert!(indicated_speed_km_h(1.0, 0.0).is_err());
    }
}
