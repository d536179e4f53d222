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

/// What a pulse conditioner makes of a circuit.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
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
        let rate = split.sample_rate_hz;
        let record = Record::new(&split.own, &split.ripple, level, rate);
        let times = |factor: f64, enough: usize| -> Vec<f64> {
            record.pulses(conditioner, factor, enough).iter().map(|i| i / rate).collect()
        };
        let hertz = |times: &[f64]| frequency_hz(times, split.duration_s());
        let (with, without) = (times(1.0, usize::MAX), times(0.0, usize::MAX));
        let (indicated_hz, without_ripple_hz) = (hertz(&with), hertz(&without));
        let is_false = |hz: f64| (hz - without_ripple_hz).abs() > CHANGED * without_ripple_hz;
        // With so many pulses the count is false, however they lie.
        let enough = 2 + ((1.0 + CHANGED) * without_ripple_hz * split.duration_s()).ceil() as usize;
        let ripple_margin = if split.ripple.is_empty() {
            None
        } else {
            deciding_factor(is_false(indicated_hz), |factor| {
                let times = times(factor, enough);
                times.len() >= enough || is_false(hertz(&times))
            })
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

/// The factor at which a count becomes false, by halving in the logarithm.
fn deciding_factor(false_now: bool, is_false: impl Fn(f64) -> bool) -> Option<f64> {
    let (mut right, mut wrong) = if false_now {
        (1.0 / MOST_RIPPLE, 1.0)
    } else {
        // Doubling finds the first factor that changes the count; far above it ripple may drown it in another way.
        let first = (1..).map(|i| 2.0f64.powi(i)).take_while(|f| *f <= MOST_RIPPLE).find(|f| is_false(*f))?;
        (0.5 * first, first)
    };
    if false_now && is_false(right) {
        return Some(right);
    }
    while wrong / right > NARROW {
        let middle = (right * wrong).sqrt();
        if is_false(middle) { wrong = middle } else { right = middle }
    }
    Some((right * wrong).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::contamination::split::Left;
    use std::f64::consts::TAU;

    fn split(own_v: f64, ripple_v: f64) -> Split {
        let wave =
            |a: f64, hz: f64| (0..50_000).map(|i| (a * (TAU * hz * f64::from(i) / 50_000.0).sin()) as f32).collect();
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
        let none = Count::new(&Split { ripple: Vec::new(), ..split(1.0, 0.0) }, &fixed);
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
}
