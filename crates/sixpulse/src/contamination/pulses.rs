//! A pulse conditioner at work: sample by sample, and over a whole record of which only the stretches in which it may
//! arm or release are walked.
//!
//! A conditioner that is not armed does nothing until the signal passes its threshold, an armed one nothing but remember
//! the peak until the signal falls to the release level. So a stretch whose extremes show that neither can happen is
//! passed over at once. The extremes of `own + factor * ripple` are bounded by those of the two parts, which do not
//! depend on the factor: they are found once for all the factors that the margin tries.

use super::part::{self, Bounds, STRETCH, View};
use super::speed::{PulseConditioner, Threshold};
use crate::vectors::{self, Work, highest};

/// Stretches in a group.
const GROUP: usize = 32;
/// A record is long from so many groups on; so many of them, at most, lie in the middle part that stands for it.
const LONG: usize = 16;
const MOST_MIDDLE: usize = 64;

/// Pulses for which there is room at first.
const FIRST_PULSES: usize = 256;

/// What is left of a peak after so many samples.
type Kept = [f64; STRETCH + 1];
type Stretch = [f64; STRETCH];
/// Samples taken side by side: values in double precision that the processor compares at once.
const LANES: usize = 4;

/// Bounds of a signal over a stretch, volts.
#[derive(Debug, Clone, Copy)]
struct Extremes {
    low: f64,
    high: f64,
}

/// The conditioner's state from sample to sample.
pub(super) struct State {
    release_v: f64,
    /// It arms at this part of the remembered peak (0: of none), at this voltage at least.
    fraction: f64,
    minimum_v: f64,
    /// Part of the peak that is left a sample later.
    keep: f64,
    watchdog: f64,
    since_pulse: f64,
    peak: f64,
    rising_peak: f64,
    armed: bool,
    previous: f64,
}

impl State {
    pub(super) fn new(settings: &PulseConditioner, rate_hz: f64) -> Self {
        let (fraction, minimum_v, keep) = match settings.threshold() {
            Threshold::Adaptive { fraction, minimum_v, decay_s } => {
                (fraction, minimum_v, (-1.0 / (decay_s * rate_hz)).exp())
            }
            Threshold::Fixed { arming_v } => (0.0, arming_v, 1.0),
        };
        Self {
            release_v: settings.release_v(),
            fraction,
            minimum_v,
            keep,
            watchdog: settings.watchdog_s().map_or(f64::INFINITY, |t| t * rate_hz),
            since_pulse: 0.0,
            peak: 0.0,
            rising_peak: 0.0,
            armed: false,
            previous: f64::NEG_INFINITY,
        }
    }

    /// Arming threshold while a peak is remembered, volts.
    #[inline(always)]
    fn arming(&self, peak: f64) -> f64 {
        let part = self.fraction * peak;
        if part > self.minimum_v { part } else { self.minimum_v }
    }

    /// Takes one sample; the part of a sample by which the pulse lies back when there is one.
    pub(super) fn step(&mut self, x: f64) -> Option<f64> {
        let release = self.release_v;
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

    /// Takes `count` samples at once where bounds of theirs show that the conditioner neither arms nor releases, `kept`
    /// being what is left of a peak after them; false where it may, nothing taken.
    ///
    /// The last sample is not remembered: what comes next is told it.
    #[inline(always)]
    fn pass(&mut self, count: usize, kept: f64, within: Extremes) -> bool {
        if self.armed {
            if within.low <= self.release_v || within.high > self.rising_peak {
                return false;
            }
        } else if within.high > self.arming(self.peak_after(count, kept)) {
            return false;
        }
        self.rest(count, kept);
        true
    }

    /// What is remembered of the peak `count` samples on, `kept` being what is left of one by then.
    #[inline(always)]
    fn peak_after(&self, count: usize, kept: f64) -> f64 {
        if self.since_pulse + count as f64 > self.watchdog { 0.0 } else { self.peak * kept }
    }

    #[inline(always)]
    fn rest(&mut self, count: usize, kept: f64) {
        self.peak = self.peak_after(count, kept);
        self.since_pulse += count as f64;
    }

    /// Takes a stretch from event to event: what [`State::step`] does with its samples, which lie within bounds and of which
    /// `before` is the one ahead of the first; `found` is called with the sample at which a pulse is out and the part by
    /// which it lies back. What the bounds rule out is not looked for.
    #[inline(always)]
    fn walk(
        &mut self,
        (values, within): (&Stretch, Extremes),
        before: f64,
        kept: &Kept,
        mut found: impl FnMut(usize, f64),
    ) {
        let release = self.release_v;
        let mut from = 0;
        while from < STRETCH {
            let armed = self.armed;
            let to = match armed {
                true if within.low > release => STRETCH,
                true => first(values, from, |v| v <= release),
                false => self.reached((values, within), from, kept),
            };
            if armed && within.high > self.rising_peak {
                self.remember(highest(&values[from..to]));
            }
            if to == STRETCH {
                self.rest(STRETCH - from, kept[STRETCH - from]);
                break;
            }
            let x = values[to];
            if armed {
                let previous = if to == 0 { before } else { values[to - 1] };
                let back = if previous > x { (release - x) / (previous - x) } else { 0.0 };
                found(to, back);
                (self.peak, self.since_pulse) = (self.rising_peak, 0.0);
            } else {
                self.rising_peak = x;
                self.rest(to + 1 - from, kept[to + 1 - from]);
            }
            self.armed = !armed;
            from = to + 1;
        }
    }

    /// Whether samples within such bounds can do no more than raise the peak of a conditioner that is armed.
    #[inline(always)]
    fn only_remembers(&self, within: Extremes) -> bool {
        self.armed && within.low > self.release_v
    }

    #[inline(always)]
    fn remember(&mut self, peak: f64) {
        self.rising_peak = if peak > self.rising_peak { peak } else { self.rising_peak };
    }

    /// The place from `from` on at which a conditioner that is not armed arms; [`STRETCH`] where it does not.
    #[inline(always)]
    fn reached(&self, (values, within): (&Stretch, Extremes), from: usize, kept: &Kept) -> usize {
        let rest = STRETCH - 1 - from;
        let least = self.arming(self.peak_after(rest, kept[rest]));
        if within.high <= least {
            return STRETCH;
        }
        let mut at = first(values, from, |v| v > least);
        // The threshold comes down from sample to sample: of those above its end the first above its own.
        while at < STRETCH && values[at] <= self.arming(self.peak_after(at - from, kept[at - from])) {
            at = first(values, at + 1, |v| v > least);
        }
        at
    }
}

/// The first place from `from` on at which values meet a condition; [`STRETCH`] where none does.
#[inline(always)]
fn first(values: &Stretch, from: usize, meets: impl Fn(f64) -> bool) -> usize {
    let mut beyond = !0 << (from % LANES);
    for (k, few) in values.as_chunks::<LANES>().0.iter().enumerate().skip(from / LANES) {
        let bit = |i: usize| u32::from(meets(few[i])) << i;
        let bits = (bit(0) | bit(1) | bit(2) | bit(3)) & beyond;
        if bits != 0 {
            return LANES * k + bits.trailing_zeros() as usize;
        }
        beyond = !0;
    }
    STRETCH
}

/// A record `own + factor * ripple` with the extremes of its parts, stretch by stretch.
pub(super) struct Record<'a> {
    own: View<'a>,
    /// Empty where there is none.
    ripple: View<'a>,
    /// Added to every sample, volts.
    level_v: f64,
    sample_rate_hz: f64,
    stretches: Vec<Bounds>,
    groups: Vec<Bounds>,
}

impl<'a> Record<'a> {
    pub(super) fn new(own: View<'a>, ripple: View<'a>, level_v: f64, sample_rate_hz: f64) -> Self {
        let stretches = part::bounds(own, ripple);
        let groups = stretches.chunks(GROUP).map(joined).collect();
        Self { own, ripple, level_v, sample_rate_hz, stretches, groups }
    }

    pub(super) fn duration_s(&self) -> f64 {
        self.own.len() as f64 / self.sample_rate_hz
    }

    /// The middle eighth of a long record; `None` of a short one.
    pub(super) fn middle(&self) -> Option<Self> {
        let whole = self.own.len() / (GROUP * STRETCH);
        let count = (whole / 8).min(MOST_MIDDLE);
        let groups = (whole - count) / 2..(whole - count) / 2 + count;
        let stretches = groups.start * GROUP..groups.end * GROUP;
        (whole >= LONG).then(|| Self {
            own: self.own.stretches(stretches.clone()),
            ripple: self.ripple.stretches(stretches.clone()),
            level_v: self.level_v,
            sample_rate_hz: self.sample_rate_hz,
            stretches: self.stretches[stretches].to_vec(),
            groups: self.groups[groups].to_vec(),
        })
    }

    /// Times of the pulses, seconds, as [`Record::pulses`] finds them.
    pub(super) fn pulse_times_s(&self, conditioner: &PulseConditioner, factor: f64, enough: usize) -> Vec<f64> {
        let mut times = self.pulses(conditioner, factor, enough);
        times.iter_mut().for_each(|at| *at /= self.sample_rate_hz);
        times
    }

    /// Positions of the pulses, in samples, with the ripple multiplied by `factor` (0 or more); as soon as there are
    /// `enough` no further ones are looked for.
    fn pulses(&self, conditioner: &PulseConditioner, factor: f64, enough: usize) -> Vec<f64> {
        vectors::widest(Pulses { record: self, conditioner, factor, enough })
    }
}

/// Bounds that hold for some stretches together.
fn joined(stretches: &[Bounds]) -> Bounds {
    let mut joined = [[f32::INFINITY, f32::NEG_INFINITY]; 2];
    for parts in stretches {
        for (joined, [low, high]) in joined.iter_mut().zip(parts) {
            *joined = [vectors::lower(*low, joined[0]), vectors::higher(*high, joined[1])];
        }
    }
    joined
}

/// The search for pulses.
struct Pulses<'a> {
    record: &'a Record<'a>,
    conditioner: &'a PulseConditioner,
    factor: f64,
    enough: usize,
}

impl Pulses<'_> {
    #[inline(always)]
    fn at(&self, i: usize) -> f64 {
        let ripple = self.record.ripple.at(i).unwrap_or(0.0);
        self.record.own.at(i).map_or(f64::NEG_INFINITY, |own| self.sum(own, ripple))
    }

    #[inline(always)]
    fn sum(&self, own: f32, ripple: f32) -> f64 {
        f64::from(own) + self.factor * f64::from(ripple) + self.record.level_v
    }

    #[inline(always)]
    fn bounds(&self, [own, ripple]: &Bounds) -> Extremes {
        Extremes { low: self.sum(own[0], ripple[0]), high: self.sum(own[1], ripple[1]) }
    }

    /// Reads the samples of a whole stretch.
    #[inline(always)]
    fn read(&self, stretch: usize, values: &mut Stretch, [own, ripple]: &mut [[f32; STRETCH]; 2]) {
        let (factor, level) = (self.factor, self.record.level_v);
        let Some(own) = self.record.own.stretch(stretch, own) else { return };
        match self.record.ripple.stretch(stretch, ripple) {
            Some(ripple) => {
                for i in 0..STRETCH {
                    values[i] = f64::from(own[i]) + factor * f64::from(ripple[i]) + level;
                }
            }
            None => {
                for i in 0..STRETCH {
                    values[i] = f64::from(own[i]) + level;
                }
            }
        }
    }
}

impl Work for Pulses<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn call(self) -> Vec<f64> {
        let mut state = State::new(self.conditioner, self.record.sample_rate_hz);
        let mut kept: Kept = [1.0; STRETCH + 1];
        (1..=STRETCH).for_each(|i| kept[i] = kept[i - 1] * state.keep);
        let by_stretch = kept[STRETCH];
        let by_group = by_stretch.powi(GROUP as i32);
        let samples = self.record.own.len();
        let mut found = Vec::with_capacity(self.enough.min(FIRST_PULSES));
        let (mut values, mut decoded) = ([0.0; STRETCH], [[0.0; STRETCH]; 2]);
        for (g, group) in self.record.groups.iter().enumerate() {
            let first = g * GROUP;
            let whole = (first + GROUP) * STRETCH <= samples;
            if whole && state.pass(GROUP * STRETCH, by_group, self.bounds(group)) {
                continue;
            }
            for (s, parts) in self.record.stretches.iter().enumerate().skip(first).take(GROUP) {
                let start = s * STRETCH;
                let (whole, bounds) = (start + STRETCH <= samples, self.bounds(parts));
                if whole && state.pass(STRETCH, by_stretch, bounds) {
                    continue;
                }
                if whole {
                    self.read(s, &mut values, &mut decoded);
                    if state.only_remembers(bounds) {
                        state.remember(highest(&values));
                        state.rest(STRETCH, by_stretch);
                        continue;
                    }
                    let before = start.checked_sub(1).map_or(f64::NEG_INFINITY, |i| self.at(i));
                    state.walk((&values, bounds), before, &kept, |i, back| found.push((start + i) as f64 - back));
                } else {
                    state.previous = start.checked_sub(1).map_or(f64::NEG_INFINITY, |i| self.at(i));
                    found.extend((start..samples).filter_map(|i| Some(i as f64 - state.step(self.at(i))?)));
                }
                if found.len() >= self.enough {
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
    use crate::contamination::part::Part;
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
            for parts in [[own.clone(), ripple.clone()].map(Part::from), [&own, &ripple].map(|part| Part::coded(part))] {
                let [own, ripple] = parts.each_ref().map(Part::view);
                let record = Record::new(own, ripple, level, 10_000.0);
                let mut state = State::new(&conditioner, 10_000.0);
                let sum = |i: usize| f64::from(own.at(i).unwrap()) + factor * f64::from(ripple.at(i).unwrap()) + level;
                let plain: Vec<f64> = (0..length).filter_map(|i| Some(i as f64 - state.step(sum(i))?)).collect();
                prop_assert_eq!(plain, record.pulses(&conditioner, factor, usize::MAX));
            }
        }
    }
}
