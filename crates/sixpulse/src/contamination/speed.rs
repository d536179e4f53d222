//! What a pulse conditioner would count on a sensor's trace, and the speed an instrument would show for it.
//!
//! A variable-reluctance sensor's signal grows with speed, so its conditioner arms at a fraction of the last peak and
//! puts out an edge at the next zero crossing. With the wheel at rest the threshold decays to a few tens of millivolts:
//! that is when ripple counts most easily. While the wheel turns, ripple must reach the fraction of the signal's own
//! peak before it adds edges.
//!
//! Three kinds are built in, general-purpose circuits and no one part's data; a vehicle's module may differ, so state
//! the settings when you quote a result:
//!
//! | constructor | settings | basis |
//! |---|---|---|
//! | [`PulseConditioner::default`] | arms at 1/3 of the last peak, 30 mV least; the peak decays with 85 ms and is forgotten 85 ms after the last pulse; pulses at the falling zero crossing | 1/3: a public repository quoting a data sheet; 30 mV, 85 ms: from memory; the decay is ours |
//! | [`PulseConditioner::zero_crossing`] | arms at +10 mV, pulses at -6.5 mV | a public repository quoting a data sheet |
//! | [`PulseConditioner::fixed`] | symmetrical hysteresis; 300 mV is one circuit's fixed mode (200 to 450 mV, from memory) | the caller's |

use super::pulses::State;
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
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct PulseConditioner {
    threshold: Threshold,
    release_v: f64,
    watchdog_s: Option<f64>,
    reference: InputReference,
}

/// What a conditioner's thresholds are measured against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum InputReference {
    /// The signal's own mean over the record, as a differential or AC-coupled input stage does.
    #[default]
    Mean,
    /// 0 V, as the input of a switched sensor does.
    Ground,
}
crate::trace::words!(InputReference, "reference", "mean" => InputReference::Mean, "ground" => InputReference::Ground);

impl Threshold {
    /// The least voltage at which it arms, volts.
    fn least_v(self) -> f64 {
        match self {
            Self::Adaptive { minimum_v, .. } => minimum_v,
            Self::Fixed { arming_v } => arming_v,
        }
    }
}

impl Default for PulseConditioner {
    /// Arms at 1/3 of the previous peak, never below 30 mV; the peak decays with 85 ms and is forgotten 85 ms after the
    /// last pulse; pulses at the zero crossing. Common practice for general-purpose conditioners of variable-reluctance
    /// sensors (see the module).
    fn default() -> Self {
        Self {
            threshold: Threshold::Adaptive { fraction: 1.0 / 3.0, minimum_v: 0.03, decay_s: 0.085 },
            release_v: 0.0,
            watchdog_s: Some(0.085),
            reference: InputReference::Mean,
        }
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
        Ok(Self { threshold, release_v, watchdog_s: None, reference: InputReference::Mean })
    }

    /// A fixed threshold with symmetrical hysteresis: arms at `+half_width_v`, pulses at `-half_width_v`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless `half_width_v` is finite and above 0.
    pub fn fixed(half_width_v: f64) -> Result<Self> {
        Self::new(Threshold::Fixed { arming_v: half_width_v }, -half_width_v)
    }

    /// A zero-crossing detector: arms at +10 mV, pulses at -6.5 mV.
    #[must_use]
    pub fn zero_crossing() -> Self {
        Self { threshold: Threshold::Fixed { arming_v: 0.01 }, release_v: -0.0065, watchdog_s: None, ..Self::default() }
    }

    /// The same with the time without a pulse after which the remembered peak is forgotten; `None`: it decays alone.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless the time is finite and above 0.
    pub fn with_watchdog_s(mut self, watchdog_s: Option<f64>) -> Result<Self> {
        watchdog_s.map_or(Ok(()), |t| check_positive("watchdog_s", t))?;
        self.watchdog_s = watchdog_s;
        Ok(self)
    }

    /// The same with its thresholds measured against something else.
    #[must_use]
    pub fn with_reference(mut self, reference: InputReference) -> Self {
        self.reference = reference;
        self
    }

    /// The least that the signal must rise above the release level or, where that is less, above the reference, volts.
    pub(super) fn least_arming_v(&self) -> f64 {
        let arming = self.threshold.least_v();
        arming.min(arming - self.release_v)
    }

    /// The least voltage above the mean of a trace of `mean_v` at which it arms, volts.
    pub(super) fn first_arming_v(&self, mean_v: f64) -> f64 {
        let arming = self.threshold.least_v();
        match self.reference {
            InputReference::Mean => arming,
            InputReference::Ground => arming - mean_v,
        }
    }

    /// Time without a pulse after which the remembered peak is forgotten, seconds.
    #[must_use]
    pub fn watchdog_s(&self) -> Option<f64> {
        self.watchdog_s
    }
    /// What the thresholds are measured against.
    #[must_use]
    pub fn reference(&self) -> InputReference {
        self.reference
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
        let rate_hz = circuit.sample_rate_hz();
        let level = match self.reference {
            InputReference::Ground => 0.0,
            InputReference::Mean => {
                let mut sum = 0.0;
                for_each_block(circuit, |_, block| sum += block.iter().sum::<f64>());
                sum / circuit.len() as f64
            }
        };
        let mut state = State::new(self, rate_hz);
        let mut times = Vec::new();
        for_each_block(circuit, |start, block| {
            for (i, x) in block.iter().enumerate() {
                if let Some(back) = state.step(x - level) {
                    times.push(((start + i) as f64 - back) / rate_hz);
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
        frequency_hz(&self.pulse_times_s(circuit), circuit.duration_s())
    }
}

/// Frequency of pulses at `times_s` in a record of `duration_s` (see [`PulseConditioner::indicated_hz`]).
pub(super) fn frequency_hz(times_s: &[f64], duration_s: f64) -> f64 {
    let (Some(first), Some(last)) = (times_s.first(), times_s.last()) else { return 0.0 };
    let span = last - first;
    if times_s.len() < 2 || span <= 0.0 {
        return 0.0;
    }
    if span > 0.8 * duration_s { (times_s.len() - 1) as f64 / span } else { times_s.len() as f64 / duration_s }
}

/// Metres in an international mile (exact).
const METRES_PER_MILE: f64 = 1609.344;

/// How many pulses an instrument takes for a distance.
///
/// ```
/// use sixpulse::contamination::speed::PulseConstant;
/// // Order 1 of an alternator at 189 Hz on an instrument of 8000 pulses a mile.
/// let instrument = PulseConstant::per_mile(8000.0)?;
/// assert!((instrument.speed_mph(189.0)? - 85.05).abs() < 1e-9);
/// # Ok::<(), sixpulse::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct PulseConstant {
    pulses_per_km: f64,
}

impl PulseConstant {
    /// From pulses a kilometre.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless finite and above 0.
    pub fn per_km(pulses_per_km: f64) -> Result<Self> {
        check_positive("pulses_per_km", pulses_per_km)?;
        Ok(Self { pulses_per_km })
    }

    /// From pulses a mile; 8000 and 4000 are common constants.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless finite and above 0.
    pub fn per_mile(pulses_per_mile: f64) -> Result<Self> {
        check_positive("pulses_per_mile", pulses_per_mile)?;
        Ok(Self { pulses_per_km: pulses_per_mile / METRES_PER_MILE * 1000.0 })
    }

    /// From the pulses in one turn of the shaft the sensor looks at, the turns of that shaft for one of the wheel
    /// (final-drive ratio; 1 at the wheel itself), and the wheel's rolling circumference in metres:
    /// `pulses_per_revolution * gear_ratio * 1000 / circumference`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] naming the first that is not finite and above 0.
    pub fn from_gearing(pulses_per_revolution: f64, gear_ratio: f64, rolling_circumference_m: f64) -> Result<Self> {
        check_positive("pulses_per_revolution", pulses_per_revolution)?;
        check_positive("gear_ratio", gear_ratio)?;
        check_positive("rolling_circumference_m", rolling_circumference_m)?;
        Self::per_km(pulses_per_revolution * gear_ratio * 1000.0 / rolling_circumference_m)
    }

    /// Pulses a kilometre.
    #[must_use]
    pub fn pulses_per_km(&self) -> f64 {
        self.pulses_per_km
    }
    /// Pulses a mile.
    #[must_use]
    pub fn pulses_per_mile(&self) -> f64 {
        self.pulses_per_km * METRES_PER_MILE / 1000.0
    }

    /// Speed shown for a pulse frequency, km/h: `3600 f / pulses_per_km`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless the frequency is finite and not negative.
    pub fn speed_km_h(&self, indicated_hz: f64) -> Result<f64> {
        indicated_speed_km_h(indicated_hz, self.pulses_per_km)
    }

    /// Speed shown for a pulse frequency, miles an hour: `3600 f / pulses_per_mile`.
    ///
    /// # Errors
    /// As [`PulseConstant::speed_km_h`].
    pub fn speed_mph(&self, indicated_hz: f64) -> Result<f64> {
        Ok(self.speed_km_h(indicated_hz)? / METRES_PER_MILE * 1000.0)
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
        let times = PulseConditioner::default().with_watchdog_s(None).unwrap().pulse_times_s(&sensor(1.5, wave));
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
    fn the_watchdog_forgets_the_peak() {
        // As in `the_threshold_comes_down_after_the_wheel_stops`, but forgotten 85 ms after the last pulse.
        let wave = |t: f64| if t < 0.5 { 5.0 * (TAU * 300.0 * t).sin() } else { 0.06 * (TAU * 200.0 * t).sin() };
        let times = PulseConditioner::default().pulse_times_s(&sensor(1.5, wave));
        let first = times.iter().find(|&&t| t > 0.51).unwrap();
        // The next crossing after 0.5 s + 85 ms lies at most one period of 5 ms on.
        assert!((0.584..0.591).contains(first), "{first}");
    }

    #[test]
    fn the_kinds_arm_where_they_say() {
        let hz = |c: PulseConditioner, amplitude: f64, level: f64| {
            c.indicated_hz(&sensor(1.0, move |t| level + amplitude * (TAU * 50.0 * t).sin()))
        };
        assert!((hz(PulseConditioner::zero_crossing(), 0.011, 2.0) - 50.0).abs() < 0.1);
        assert_eq!(hz(PulseConditioner::zero_crossing(), 0.009, 2.0), 0.0);
        assert_eq!(hz(PulseConditioner::fixed(0.3).unwrap(), 0.29, 0.0), 0.0);
        // Against ground a signal that stays above the release level makes no pulse.
        let ground = PulseConditioner::fixed(0.3).unwrap().with_reference(InputReference::Ground);
        assert_eq!(hz(ground, 1.0, 2.0), 0.0);
        assert!((hz(ground, 1.0, 0.1) - 50.0).abs() < 0.1);
        assert!(PulseConditioner::fixed(-0.1).is_err());
        assert!(PulseConditioner::default().with_watchdog_s(Some(0.0)).is_err());
    }

    #[test]
    fn pulse_constants_by_mile_kilometre_and_gearing() {
        // 8000 a mile are 4971 a km, 4000 are 2485 (the common constants, rounded); 2.222 Hz a mile/h, 1.381 Hz a km/h.
        let eight = PulseConstant::per_mile(8000.0).unwrap();
        assert!((eight.pulses_per_km() - 4971.0).abs() < 0.5);
        assert!((PulseConstant::per_mile(4000.0).unwrap().pulses_per_km() - 2485.0).abs() < 0.5);
        assert!((eight.speed_mph(8000.0 / 3600.0).unwrap() - 1.0).abs() < 1e-12);
        assert!((eight.speed_km_h(1.381).unwrap() - 1.0).abs() < 1e-3);
        assert!((PulseConstant::per_mile(4000.0).unwrap().speed_mph(189.0).unwrap() - 170.1).abs() < 0.01);
        // Pulses a mile = teeth x final drive x tyre turns a mile: 40 teeth, 3.73, a tyre of 2.0 m rolling.
        let geared = PulseConstant::from_gearing(40.0, 3.73, 2.0).unwrap();
        assert!((geared.pulses_per_mile() - 40.0 * 3.73 * 1609.344 / 2.0).abs() < 1e-6);
        assert!(PulseConstant::from_gearing(40.0, 0.0, 2.0).is_err());
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
