//! A pulse conditioner at work: sample by sample, and over a whole record of which only the stretches in which it may
//! arm or release are walked.
//!
//! A conditioner that is not armed does nothing until the signal passes its threshold, an armed one nothing but remember
//! the peak until the signal falls to the release level. So a stretch whose extremes show that neither can happen is
//! passed over at once. The extremes of `own + factor * ripple` are bounded by those of the two parts, which do not
//! depend on the factor: they are found once for all the factors that the margin tries.

use super::speed::{PulseConditioner, Threshold};

/// Samples in a stretch, and stretches in a group.
const STRETCH: usize = 32;
const GROUP: usize = 32;

/// Bounds of a signal over a stretch, volts.
#[derive(Debug, Clone, Copy)]
struct Extremes {
    low: f64,
    high: f64,
}

impl Extremes {
    const NONE: Self = Self { low: f64::INFINITY, high: f64::NEG_INFINITY };

    fn of(values: impl Iterator<Item = f64>) -> Self {
        const LANES: usize = 4;
        let (mut low, mut high) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
        for (i, v) in values.enumerate() {
            let lane = i % LANES;
            low[lane] = if v < low[lane] { v } else { low[lane] };
            high[lane] = if v > high[lane] { v } else { high[lane] };
        }
        let least = low.into_iter().fold(f64::INFINITY, f64::min);
        Self { low: least, high: high.into_iter().fold(f64::NEG_INFINITY, f64::max) }
    }

    /// The same of stored values: twice as many side by side, and nothing to widen.
    fn of_stored(values: &[f32]) -> Self {
        const LANES: usize = 8;
        let (mut low, mut high) = ([f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES]);
        let (sets, rest) = values.as_chunks::<LANES>();
        for set in sets {
            for ((low, high), v) in low.iter_mut().zip(&mut high).zip(set) {
                *low = if *v < *low { *v } else { *low };
                *high = if *v > *high { *v } else { *high };
            }
        }
        let least = low.iter().chain(rest).copied().fold(f32::INFINITY, f32::min);
        let most = high.iter().chain(rest).copied().fold(f32::NEG_INFINITY, f32::max);
        Self { low: f64::from(least), high: f64::from(most) }
    }

    fn join(self, other: Self) -> Self {
        Self { low: self.low.min(other.low), high: self.high.max(other.high) }
    }
}

/// How well a stretch's extremes are known.
#[derive(Debug, Clone, Copy)]
enum Known {
    /// The signal lies within them.
    Bounds(Extremes),
    /// It reaches both.
    Exactly(Extremes),
}

/// The conditioner's state from sample to sample.
pub(super) struct State<'a> {
    settings: &'a PulseConditioner,
    keep: f64,
    watchdog: f64,
    since_pulse: f64,
    peak: f64,
    rising_peak: f64,
    armed: bool,
    previous: f64,
}

impl<'a> State<'a> {
    pub(super) fn new(settings: &'a PulseConditioner, rate_hz: f64) -> Self {
        let keep = match settings.threshold() {
            Threshold::Adaptive { decay_s, .. } => (-1.0 / (decay_s * rate_hz)).exp(),
            Threshold::Fixed { .. } => 1.0,
        };
        let watchdog = settings.watchdog_s().map_or(f64::INFINITY, |t| t * rate_hz);
        Self {
            settings,
            keep,
            watchdog,
            since_pulse: 0.0,
            peak: 0.0,
            rising_peak: 0.0,
            armed: false,
            previous: f64::NEG_INFINITY,
        }
    }

    /// Arming threshold while a peak is remembered, volts.
    fn arming(&self, peak: f64) -> f64 {
        match self.settings.threshold() {
            Threshold::Adaptive { fraction, minimum_v, .. } => (fraction * peak).max(minimum_v),
            Threshold::Fixed { arming_v } => arming_v,
        }
    }

    /// Takes one sample; the part of a sample by which the pulse lies back when there is one.
    pub(super) fn step(&mut self, x: f64) -> Option<f64> {
        let release = self.settings.release_v();
        let arming = self.arming(self.peak);
        self.peak *= self.keep;
        self.since_pulse += 1.0;
        if self.since_pulse > self.watchdog {
            self.peak = 0.0;
        }
        let mut pulse = None;
        if self.armed {
            self.rising_peak = self.rising_peak.max(x);
            if x <= release {
                self.armed = false;
                self.peak = self.rising_peak;
                self.since_pulse = 0.0;
                pulse = Some(if self.previous > x { (release - x) / (self.previous - x) } else { 0.0 });
            }
        } else if x > arming {
            self.armed = true;
            self.rising_peak = x;
        }
        self.previous = x;
        pulse
    }

    /// Takes `count` samples at once where their extremes show that the conditioner neither arms nor releases, `kept`
    /// being what is left of a peak after them; false where it may, nothing taken.
    ///
    /// The last sample is not remembered: [`State::resume`] before the next step.
    fn pass(&mut self, count: usize, kept: f64, known: Known) -> bool {
        let (Known::Bounds(within) | Known::Exactly(within)) = known;
        let since_pulse = self.since_pulse + count as f64;
        let peak = if since_pulse > self.watchdog { 0.0 } else { self.peak * kept };
        if self.armed {
            let (above, settled) = (within.low > self.settings.release_v(), within.high <= self.rising_peak);
            if !above || !(settled || matches!(known, Known::Exactly(_))) {
                return false;
            }
            self.rising_peak = self.rising_peak.max(within.high);
        } else if within.high > self.arming(peak) {
            return false;
        }
        (self.peak, self.since_pulse) = (peak, since_pulse);
        true
    }

    /// Remembers the sample before the next.
    fn resume(&mut self, previous: f64) {
        self.previous = previous;
    }
}

/// A record `own + factor * ripple` with the extremes of its parts, stretch by stretch.
pub(super) struct Record<'a> {
    own: &'a [f32],
    /// Empty where there is none.
    ripple: &'a [f32],
    /// Added to every sample, volts.
    level_v: f64,
    sample_rate_hz: f64,
    stretches: Vec<(Extremes, Extremes)>,
    groups: Vec<(Extremes, Extremes)>,
}

impl<'a> Record<'a> {
    pub(super) fn new(own: &'a [f32], ripple: &'a [f32], level_v: f64, sample_rate_hz: f64) -> Self {
        let mut of_ripple = ripple.chunks(STRETCH).map(Extremes::of_stored);
        let silent = Extremes { low: 0.0, high: 0.0 };
        let stretches: Vec<(Extremes, Extremes)> =
            own.chunks(STRETCH).map(|own| (Extremes::of_stored(own), of_ripple.next().unwrap_or(silent))).collect();
        let none = (Extremes::NONE, Extremes::NONE);
        let joined = |group: &[(Extremes, Extremes)]| group.iter().fold(none, |a, b| (a.0.join(b.0), a.1.join(b.1)));
        let groups = stretches.chunks(GROUP).map(joined).collect();
        Self { own, ripple, level_v, sample_rate_hz, stretches, groups }
    }

    fn value(&self, i: usize, factor: f64) -> f64 {
        let ripple = self.ripple.get(i).map_or(0.0, |r| factor * f64::from(*r));
        self.own.get(i).map_or(f64::NEG_INFINITY, |own| f64::from(*own) + ripple + self.level_v)
    }

    fn bounds(&self, parts: &(Extremes, Extremes), factor: f64) -> Known {
        let (own, ripple) = parts;
        Known::Bounds(Extremes {
            low: own.low + factor * ripple.low + self.level_v,
            high: own.high + factor * ripple.high + self.level_v,
        })
    }

    fn exactly(&self, range: std::ops::Range<usize>, factor: f64) -> Known {
        let own = self.own[range.clone()].iter().map(|o| f64::from(*o));
        let within = match self.ripple.get(range) {
            Some(ripple) => Extremes::of(own.zip(ripple).map(|(o, r)| o + factor * f64::from(*r))),
            None => Extremes::of(own),
        };
        Known::Exactly(Extremes { low: within.low + self.level_v, high: within.high + self.level_v })
    }

    /// Positions of the pulses, in samples, with the ripple multiplied by `factor` (0 or more); as soon as there are
    /// `enough` no further ones are looked for.
    pub(super) fn pulses(&self, conditioner: &PulseConditioner, factor: f64, enough: usize) -> Vec<f64> {
        let mut state = State::new(conditioner, self.sample_rate_hz);
        let kept = state.keep.powi(STRETCH as i32);
        let kept_by_group = kept.powi(GROUP as i32);
        let mut found = Vec::new();
        for (g, group) in self.groups.iter().enumerate() {
            let first = g * GROUP;
            let whole = (first + GROUP) * STRETCH <= self.own.len();
            if whole && state.pass(GROUP * STRETCH, kept_by_group, self.bounds(group, factor)) {
                continue;
            }
            for (s, parts) in self.stretches.iter().enumerate().skip(first).take(GROUP) {
                let range = s * STRETCH..((s + 1) * STRETCH).min(self.own.len());
                if range.len() == STRETCH
                    && (state.pass(STRETCH, kept, self.bounds(parts, factor))
                        || state.pass(STRETCH, kept, self.exactly(range.clone(), factor)))
                {
                    continue;
                }
                if let Some(before) = range.start.checked_sub(1) {
                    state.resume(self.value(before, factor));
                }
                for i in range {
                    found.extend(state.step(self.value(i, factor)).map(|back| i as f64 - back));
                }
                if found.len() >= enough {
                    return found;
                }
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::contamination::speed::InputReference;
    use proptest::prelude::*;
    use std::f64::consts::TAU;

    proptest! {
        #![proptest_config(ProptestConfig { cases: 200, rng_seed: proptest::test_runner::RngSeed::Fixed(3), ..Default::default() })]
        #[test]
        fn passing_over_stretches_changes_no_pulse(
            own_v in 0.0..2.0f64, ripple_v in 0.0..1.0f64, noise_v in 0.0..0.05f64, factor in 0.0..4.0f64,
            turn in 0.001..0.05f64, length in 1usize..5000, kind in 0usize..3, level in -0.2..0.2f64
        ) {
            let mut noise = crate::contamination::tests::noise(9);
            let wave = |i: usize, turn: f64| (TAU * turn * i as f64).sin();
            let own: Vec<f32> = (0..length).map(|i| (own_v * wave(i, turn) + noise_v * noise()) as f32).collect();
            let ripple: Vec<f32> =
                (0..length).map(|i| (ripple_v * wave(i, 0.0073) * wave(i, 0.0001)) as f32).collect();
            let conditioner = match kind {
                0 => PulseConditioner::default(),
                1 => PulseConditioner::zero_crossing(),
                _ => PulseConditioner::fixed(0.3).unwrap().with_reference(InputReference::Ground),
            };
            let mut state = State::new(&conditioner, 10_000.0);
            let plain: Vec<f64> = own.iter().zip(&ripple).enumerate()
                .filter_map(|(i, (o, r))| Some(i as f64 - state.step(f64::from(*o) + factor * f64::from(*r) + level)?)).collect();
            let found = Record::new(&own, &ripple, level, 10_000.0).pulses(&conditioner, factor, usize::MAX);
            prop_assert_eq!(plain, found);
        }
    }
}
