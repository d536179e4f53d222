//! What a conditioner counts on a circuit with its ripple and without, and how much ripple decides it.

use super::pulses::Record;
use super::speed::{InputReference, PulseConditioner, frequency_hz};
use super::split::Split;

/// The count changes with the ripple when it differs from that without by this part.
const CHANGED: f64 = 0.01;
/// Largest factor on the ripple that is tried.
const MOST_RIPPLE: f64 = 64.0;
/// Width of the interval in which the deciding factor is known to lie, as a ratio: its middle is then good to 0.8 %.
const NARROW: f64 = 1.016;
/// Pulses without ripple that a part of a record must hold, where there are any, before it is asked for the factor.
const GUESS_PULSES: usize = 10;

/// Steps from a guess to the first factor tried beside it: on drawn records the guess was off by two to nine in most cases.
const FIRST_STRIDE: i32 = 4;

/// What a pulse conditioner makes of a circuit.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Count {
    /// Frequency it indicates with the ripple as captured, hertz (0: it counts nothing).
    pub indicated_hz: f64,
    /// Frequency it indicates once the ripple is taken out, hertz.
    pub without_ripple_hz: f64,
    /// Pulses with the ripple.
    pub pulses: usize,
    /// Pulses without.
    pub pulses_without_ripple: usize,
    /// Factor on the ripple at which the count begins to be false (to differ by 1 %). Above 1: the count is right, and
    /// stays so until the ripple grows that many times. Below 1: it is false, and would be right again if the ripple
    /// fell to that part. `None` where no ripple was found, or none up to 64 times as large changes the count.
    pub ripple_margin: Option<f64>,
}

impl Count {
    /// Counts on a record split into own signal and ripple.
    pub(super) fn new(split: &Split, conditioner: &PulseConditioner) -> Self {
        let level = match conditioner.reference() {
            InputReference::Mean => 0.0,
            InputReference::Ground => split.mean_v,
        };
        let record = Record::new(split.own.view(), split.ripple.view(), level, split.sample_rate_hz);
        let without = record.pulse_times_s(conditioner, 0.0, usize::MAX);
        let with = record.pulse_times_s(conditioner, 1.0, usize::MAX);
        let hertz = |times_s: &[f64]| frequency_hz(times_s, record.duration_s());
        let (indicated_hz, without_ripple_hz) = (hertz(&with), hertz(&without));
        let trial = Trial { record: &record, conditioner, without_hz: without_ripple_hz };
        let ripple_margin = if split.ripple.is_empty() {
            None
        } else {
            let false_now = trial.changes(indicated_hz);
            deciding_factor(false_now, trial.guess(without.len()), |factor| trial.is_false(factor))
        };
        Self {
            indicated_hz,
            without_ripple_hz,
            pulses: with.len(),
            pulses_without_ripple: without.len(),
            ripple_margin,
        }
    }
}

/// What counts on a record with its ripple multiplied by factors, held against its count without any.
struct Trial<'a> {
    record: &'a Record<'a>,
    conditioner: &'a PulseConditioner,
    without_hz: f64,
}

impl Trial<'_> {
    fn changes(&self, hz: f64) -> bool {
        (hz - self.without_hz).abs() > CHANGED * self.without_hz
    }

    /// Whether so many times the ripple make the count false.
    fn is_false(&self, factor: f64) -> bool {
        let duration_s = self.record.duration_s();
        // With so many pulses it is, however they lie.
        let enough = 2 + ((1.0 + CHANGED) * self.without_hz * duration_s).ceil() as usize;
        let times_s = self.record.pulse_times_s(self.conditioner, factor, enough);
        times_s.len() >= enough || self.changes(frequency_hz(&times_s, duration_s))
    }

    /// The factor that decides in the middle of a long record; `pulses` is what the whole of it counts without ripple.
    fn guess(&self, pulses: usize) -> Option<f64> {
        let middle = self.record.middle()?;
        let times_s = middle.pulse_times_s(self.conditioner, 0.0, usize::MAX);
        if pulses > 0 && times_s.len() < GUESS_PULSES {
            return None;
        }
        let without_hz = frequency_hz(&times_s, middle.duration_s());
        let part = Trial { record: &middle, conditioner: self.conditioner, without_hz };
        deciding_factor(part.is_false(1.0), None, |factor| part.is_false(factor))
    }
}

/// The factor at which a count becomes false, by halving in the logarithm; near a guess of it, where there is one, by the
/// steps at which halving ends.
fn deciding_factor(false_now: bool, guess: Option<f64>, is_false: impl Fn(f64) -> bool) -> Option<f64> {
    let guessed = guess.filter(|guess| (*guess < 1.0) == false_now);
    let near = guessed.and_then(|guess| {
        let steps = Steps::about(guess);
        // A part of the record may miss where the count begins to be false below the guess's octave.
        let begins = steps.right <= 1.0 || !is_false(steps.right);
        if begins { steps.decided(guess, &is_false) } else { None }
    });
    if near.is_some() {
        return near;
    }
    let (right, wrong) = if false_now {
        (1.0 / MOST_RIPPLE, 1.0)
    } else {
        // Doubling finds the first factor that changes the count; far above it ripple may drown it in another way.
        let first = (1..).map(|i| 2.0f64.powi(i)).take_while(|f| *f <= MOST_RIPPLE).find(|f| is_false(*f))?;
        (0.5 * first, first)
    };
    if false_now && is_false(right) {
        return Some(right);
    }
    let steps = Steps::new(right, wrong);
    Some(steps.halved(0, steps.count, &is_false))
}

/// Factors from one that leaves a count right to one that makes it false, in so many equal steps of the logarithm.
struct Steps {
    right: f64,
    wrong: f64,
    count: i32,
}

impl Steps {
    fn new(right: f64, wrong: f64) -> Self {
        let mut count = 1;
        while (wrong / right).powf(1.0 / f64::from(count)) > NARROW {
            count *= 2;
        }
        Self { right, wrong, count }
    }

    /// The steps among which halving would look for a factor.
    fn about(factor: f64) -> Self {
        if factor < 1.0 {
            return Self::new(1.0 / MOST_RIPPLE, 1.0);
        }
        let wrong = factor.log2().floor().exp2() * 2.0;
        Self::new(0.5 * wrong, wrong)
    }

    fn factor(&self, step: i32) -> f64 {
        self.right * (self.wrong / self.right).powf(f64::from(step) / f64::from(self.count))
    }

    /// The middle of the step at which the count changes, known to lie after step `right` and up to step `wrong`.
    fn halved(&self, mut right: i32, mut wrong: i32, is_false: impl Fn(f64) -> bool) -> f64 {
        while wrong - right > 1 {
            let middle = (right + wrong) / 2;
            if is_false(self.factor(middle)) { wrong = middle } else { right = middle }
        }
        (self.factor(right) * self.factor(wrong)).sqrt()
    }

    /// The same from a guess on, in strides that double; `None` where they lead beyond the ends.
    fn decided(&self, guess: f64, is_false: impl Fn(f64) -> bool) -> Option<f64> {
        let part = (guess / self.right).ln() / (self.wrong / self.right).ln();
        let mut step = (part * f64::from(self.count)).ceil() as i32;
        let upwards = !is_false(self.factor(step));
        for stride in (0..).map(|i| FIRST_STRIDE << i) {
            let next = if upwards { step + stride } else { step - stride };
            if next < 0 || next > self.count {
                return None;
            }
            if is_false(self.factor(next)) == upwards {
                return Some(self.halved(step.min(next), step.max(next), is_false));
            }
            step = next;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::contamination::part::Part;
    use crate::contamination::split::Left;
    use std::f64::consts::TAU;

    fn split(own_v: f64, ripple_v: f64) -> Split {
        let wave = |a: f64, hz: f64| {
            let at = |i: u32| (a * (TAU * hz * f64::from(i) / 50_000.0).sin()) as f32;
            Part::from((0..50_000).map(at).collect::<Vec<f32>>())
        };
        Split {
            own: wave(own_v, 97.0),
            ripple: wave(ripple_v, 630.0),
            mean_v: 0.0,
            sample_rate_hz: 50_000.0,
            left: Left::default(),
        }
    }

    #[test]
    fn a_still_sensor_counts_from_the_minimum_threshold_on() {
        // 60 mV of ripple against a least threshold of 30 mV: half of it would count nothing.
        let count = Count::new(&split(0.0, 0.06), &PulseConditioner::default());
        assert!((count.indicated_hz - 630.0).abs() < 0.5, "{count:?}");
        assert_eq!((count.without_ripple_hz, count.pulses_without_ripple), (0.0, 0));
        // Halving down to a ratio of 1.016 leaves 0.8 %.
        assert!((count.ripple_margin.unwrap() / 0.5 - 1.0).abs() < 0.01, "{count:?}");
        // 12 mV: two and a half times as much would count.
        let quiet = Count::new(&split(0.0, 0.012), &PulseConditioner::default());
        assert_eq!(quiet.indicated_hz, 0.0);
        assert!((quiet.ripple_margin.unwrap() / 2.5 - 1.0).abs() < 0.01, "{quiet:?}");
    }

    #[test]
    fn a_fixed_threshold_protects_until_the_ripple_crosses_it() {
        let fixed = PulseConditioner::fixed(0.3).unwrap();
        let count = Count::new(&split(0.0, 0.1), &fixed);
        assert_eq!(count.indicated_hz, 0.0);
        assert!((count.ripple_margin.unwrap() / 3.0 - 1.0).abs() < 0.01, "{count:?}");
        let none = Count::new(&Split { ripple: Part::default(), ..split(1.0, 0.0) }, &fixed);
        assert!((none.indicated_hz - 97.0).abs() < 0.1);
        assert_eq!((none.ripple_margin, none.pulses), (None, none.pulses_without_ripple));
    }

    #[test]
    fn a_turning_wheel_is_safe_while_its_signal_is_large() {
        // The zero crossings multiply when the ripple's slope exceeds the signal's: 630 a > 97 b near the crossing.
        let count = Count::new(&split(2.0, 0.05), &PulseConditioner::default());
        assert!((count.indicated_hz - 97.0).abs() < 0.2, "{count:?}");
        assert!(count.ripple_margin.unwrap() > 3.0, "{count:?}");
    }

    #[test]
    fn a_guess_leads_to_the_step_that_halving_finds() {
        for deciding in [0.02, 0.3, 0.995, 1.7, 2.0, 2.01, 40.0, 63.9] {
            let is_false = |factor: f64| factor >= deciding;
            let halved = deciding_factor(is_false(1.0), None, is_false).unwrap();
            assert!((halved / deciding - 1.0).abs() < 0.009, "{deciding} {halved}");
            for off in [0.2, 0.97, 1.0, 1.004, 1.06, 3.0] {
                let near = deciding_factor(is_false(1.0), Some(deciding * off), is_false).unwrap();
                // The same step: powers of the ratio, rounded otherwise.
                assert!((near / halved - 1.0).abs() < 1e-12, "{deciding} {off} {near} {halved}");
            }
        }
        assert_eq!(deciding_factor(false, Some(2.0), |_| false), None);
    }
}
