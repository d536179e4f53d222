//! Circuits with two levels: switched sensors and digital lines.
//!
//! The own signal of such a circuit jumps between two levels and has lines everywhere in its spectrum, among which
//! ripple of a hundredth of the swing drowns. Between the edges the level is constant, though, and the ripple rides
//! on it openly: with the level taken off and the edges bridged, the rest of the analysis sees the ripple alone.

use crate::trace::{RawSamples, Samples, Trace};

/// Least distance of the levels in steps of the converter: a trace that toggles between a few codes has no levels.
const LEAST_STEPS: f64 = 8.0;
/// Distance from which that does not matter, volts: no converter's step is so wide, and a line recorded as two values
/// has no step to go by.
const LEAST_SWING_V: f64 = 1.0;
/// Most samples allowed between the levels (more than 20 % of the swing from both): a sine leaves 28 % there.
const MOST_BETWEEN: f64 = 0.22;
/// Most deviation about a level (median absolute) against the swing: a sine has 14 %.
const MOST_SPREAD: f64 = 0.1;
/// Part of the swing by which the signal must pass the middle to count as switched.
const HYSTERESIS: f64 = 0.15;
/// Longest time a switched output needs from 20 % to 80 % of the swing, seconds, beside one sample interval; ripple of
/// a broken bridge, which may have two levels as well, takes far longer.
const SLOWEST_EDGE_S: f64 = 50e-6;
/// An edge has settled when its mean is this close to the level, as a part of the swing.
const SETTLED: f64 = 0.005;
/// Time over which the ends of a bridge are averaged, seconds: short against the orders that tell (order 12 at 1 kHz has 83
/// us), long against ringing of 50 kHz and more.
const BRIDGE_END_S: f64 = 20e-6;
/// Longest stretch about an edge that is looked at, samples.
const LONGEST_EDGE: usize = 256;

/// The two levels of a switched signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TwoLevels {
    pub(super) low_v: f64,
    pub(super) high_v: f64,
}

/// A change of level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Crossing {
    /// Position in samples at which the straight line between two samples passes the middle.
    pub(super) at: f64,
    pub(super) rising: bool,
}

/// The levels of a trace, when it has two; `step_v` is the converter's step (0: not known).
pub(super) fn two_levels(trace: &Trace, step_v: f64) -> Option<TwoLevels> {
    let stride = trace.len().div_ceil(65_536).max(1);
    let mut values: Vec<f64> = thinned(trace, stride);
    if values.len() < 16 {
        return None;
    }
    values.sort_unstable_by(f64::total_cmp);
    let n = values.len();
    let middle = 0.5 * (values[n / 100] + values[n - 1 - n / 100]);
    let split = values.partition_point(|v| *v < middle);
    let least = (n / 20).max(1);
    if split < least || n - split < least {
        return None;
    }
    let (low_v, high_v) = (values[split / 2], values[split + (n - split) / 2]);
    let swing = high_v - low_v;
    let between =
        values.partition_point(|v| *v < high_v - 0.2 * swing) - values.partition_point(|v| *v < low_v + 0.2 * swing);
    let spread = |part: &[f64], level: f64| {
        let mut away: Vec<f64> = part.iter().map(|v| (v - level).abs()).collect();
        away.sort_unstable_by(f64::total_cmp);
        away[away.len() / 2]
    };
    let wide = spread(&values[..split], low_v).max(spread(&values[split..], high_v));
    let clear = swing > LEAST_STEPS * step_v || swing >= LEAST_SWING_V;
    let levels = TwoLevels { low_v, high_v };
    let still = (between as f64) < MOST_BETWEEN * n as f64 && wide < MOST_SPREAD * swing;
    (clear && still && levels.edge_s(trace, between as f64 / n as f64) < SLOWEST_EDGE_S).then_some(levels)
}

/// Every `stride`-th sample.
fn thinned(trace: &Trace, stride: usize) -> Vec<f64> {
    match trace.raw() {
        RawSamples::I16 { counts, scale, offset } => {
            counts.iter().step_by(stride).map(|c| f64::from(*c) * scale + offset).collect()
        }
        RawSamples::F32(v) => v.iter().step_by(stride).map(|x| f64::from(*x)).collect(),
        RawSamples::F64(v) => v.iter().step_by(stride).copied().collect(),
    }
}

impl TwoLevels {
    pub(super) fn swing_v(&self) -> f64 {
        self.high_v - self.low_v
    }
    /// Mean time between the levels of one edge beyond a sample interval, seconds, from the share of time spent there.
    fn edge_s(&self, trace: &Trace, share: f64) -> f64 {
        let crossings = self.crossings(&trace.to_f64()).1.len().max(1);
        share * trace.duration_s() / crossings as f64 - trace.sample_rate_hz().recip()
    }
    pub(super) fn middle_v(&self) -> f64 {
        0.5 * (self.low_v + self.high_v)
    }
    fn level_v(&self, high: bool) -> f64 {
        if high { self.high_v } else { self.low_v }
    }

    /// All changes of level, and whether the signal starts high.
    pub(super) fn crossings(&self, values: &[f64]) -> (bool, Vec<Crossing>) {
        let (middle, margin) = (self.middle_v(), HYSTERESIS * self.swing_v());
        let mut high = values.first().is_some_and(|v| *v > middle);
        let starts_high = high;
        let (mut crossings, mut passed) = (Vec::new(), 0.0);
        for (i, pair) in values.windows(2).enumerate() {
            if (pair[0] > middle) != (pair[1] > middle) {
                passed = i as f64 + (middle - pair[0]) / (pair[1] - pair[0]);
            }
            let next = if high { pair[1] > middle - margin } else { pair[1] > middle + margin };
            if next != high {
                high = next;
                crossings.push(Crossing { at: passed, rising: high });
            }
        }
        (starts_high, crossings)
    }

    /// The values with the level of the moment taken off; straight lines bridge the edges until they have settled.
    pub(super) fn flattened(
        &self,
        values: &[f64],
        starts_high: bool,
        crossings: &[Crossing],
        sample_rate_hz: f64,
    ) -> Flat {
        let mut out = Vec::with_capacity(values.len());
        let (mut high, mut next) = (starts_high, 0);
        for (i, v) in values.iter().enumerate() {
            while crossings.get(next).is_some_and(|c| c.at <= i as f64) {
                high = crossings[next].rising;
                next += 1;
            }
            out.push(v - self.level_v(high));
        }
        let (before, after) = self.edge_reach(&out, crossings);
        let reach = |c: &Crossing| ((c.at.floor() as usize).saturating_sub(before), c.at.ceil() as usize + after);
        let bridges: Vec<(usize, usize)> = crossings.iter().map(reach).collect();
        between_edges(&mut out, &bridges, sample_rate_hz);
        Flat { values: out, bridges }
    }

    /// Samples before and after a crossing until the mean edge has settled.
    fn edge_reach(&self, flat: &[f64], crossings: &[Crossing]) -> (usize, usize) {
        let gaps = crossings.windows(2).map(|c| c[1].at - c[0].at);
        let most = (0.4 * gaps.fold(2.0 * LONGEST_EDGE as f64, f64::min)) as usize;
        let mean_at = |offset: isize| {
            let (mut sum, mut count) = (0.0, 0.0);
            for c in crossings {
                let i = if offset < 0 { c.at.floor() as isize + offset } else { c.at.ceil() as isize + offset };
                if let Some(v) = usize::try_from(i).ok().and_then(|i| flat.get(i)) {
                    sum += if c.rising { *v } else { -*v };
                    count += 1.0;
                }
            }
            if count > 0.0 { f64::abs(sum / count) } else { 0.0 }
        };
        let limit = SETTLED * self.swing_v();
        let after = (0..most as isize).rev().find(|&m| mean_at(m) > limit).map_or(0, |m| m as usize + 1);
        let before = (1..most as isize).rev().find(|&m| mean_at(-m) > limit).map_or(0, |m| m as usize);
        (before, after)
    }
}

/// A switched signal between its edges.
pub(super) struct Flat {
    pub(super) values: Vec<f64>,
    /// The stretches that are bridged, first sample and end.
    pub(super) bridges: Vec<(usize, usize)>,
}

/// Takes the mean off each of the two states that take turns between the bridges, and bridges them. A level known worse
/// than its mean leaves a square wave at the wheel's frequency; what the mean takes of the ripple it takes of another trace
/// as well, when that is treated alike.
pub(super) fn between_edges(values: &mut [f64], bridges: &[(usize, usize)], sample_rate_hz: f64) {
    let length = values.len();
    let ends = bridges.iter().map(|b| b.1);
    let starts = bridges.iter().map(|b| b.0).chain([length]);
    let stretch = |(from, to): (usize, usize)| from.min(length)..to.min(length).max(from.min(length));
    let stretches: Vec<_> = [0].into_iter().chain(ends).zip(starts).map(stretch).collect();
    for state in 0..2 {
        let of_state = || stretches.iter().skip(state).step_by(2);
        let count: usize = of_state().map(std::ops::Range::len).sum();
        let sum: f64 = of_state().map(|s| values[s.clone()].iter().sum::<f64>()).sum();
        let mean = sum / count.max(1) as f64;
        of_state().for_each(|s| values[s.clone()].iter_mut().for_each(|v| *v -= mean));
    }
    bridge_all(values, bridges, sample_rate_hz);
}

/// Bridges all stretches of `(first, end)`, in order of time. A bridge ends on means of up to [`BRIDGE_END_S`]: ended on a
/// single sample it would spread that sample's noise and ringing over its whole length.
pub(super) fn bridge_all(values: &mut [f64], bridges: &[(usize, usize)], sample_rate_hz: f64) {
    let most = ((BRIDGE_END_S * sample_rate_hz) as usize).max(1);
    let mut free_from = 0;
    for (i, &(first, end)) in bridges.iter().enumerate() {
        let free_to = bridges.get(i + 1).map_or(values.len(), |next| next.0).min(values.len());
        let before = first.saturating_sub(free_from).clamp(1, most);
        let after = free_to.saturating_sub(end).clamp(1, most);
        bridge(values, [first, end], [before, after]);
        free_from = end;
    }
}

/// Replaces the values from `first` to `end` (exclusive) by the straight line between the means of so many values before and
/// after.
fn bridge(values: &mut [f64], [first, end]: [usize; 2], [before, after]: [usize; 2]) {
    let end = end.min(values.len());
    if first >= end {
        return;
    }
    let mean = |part: &[f64]| (!part.is_empty()).then(|| part.iter().sum::<f64>() / part.len() as f64);
    let left = &values[first.saturating_sub(before)..first];
    let right = &values[end..(end + after).min(values.len())];
    let from = first as f64 - 0.5 * (left.len() as f64 + 1.0);
    let to = end as f64 + 0.5 * (right.len() as f64 - 1.0);
    let (left, right) = (mean(left), mean(right));
    let (a, b) = (left.or(right).unwrap_or(0.0), right.or(left).unwrap_or(0.0));
    for (i, v) in values[first..end].iter_mut().enumerate() {
        *v = a + (b - a) * ((first + i) as f64 - from) / (to - from);
    }
}

/// Mean frequency of the places on a toothed ring from the times of equal edges, in hertz for times in seconds: a gap of
/// several places (missing teeth) counts as so many; `None` for fewer than four edges.
pub(super) fn place_frequency(times: &[f64]) -> Option<f64> {
    let (first, last) = (times.first()?, times.last()?);
    if times.len() < 4 || last <= first {
        return None;
    }
    let mut gaps: Vec<f64> = times.windows(2).map(|t| t[1] - t[0]).collect();
    gaps.sort_unstable_by(f64::total_cmp);
    let usual = gaps[gaps.len() / 2];
    let places: f64 = gaps.iter().map(|g| (g / usual).round().max(1.0)).sum();
    Some(places / (last - first))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Coupling, Role};

    const RATE: f64 = 100_000.0;

    /// A 0.5 V / 5 V square at 300 Hz (a tooth missing of ten) with 0.2 V of ripple at 1 kHz on it.
    fn switched() -> (Trace, Vec<f64>) {
        let ripple: Vec<f64> =
            (0..20_000).map(|i| 0.2 * (std::f64::consts::TAU * 1000.0 * f64::from(i) / RATE).sin()).collect();
        let v = ripple
            .iter()
            .enumerate()
            .map(|(i, r)| {
                let place = 300.0 * i as f64 / RATE;
                let on = place.fract() < 0.5 && place as usize % 10 != 9;
                r + if on { 5.0 } else { 0.5 }
            })
            .collect();
        (Trace::from_f64(v, RATE, Coupling::Dc, Role::EdgeSensor).unwrap(), ripple)
    }

    #[test]
    fn the_ripple_is_what_remains_of_a_switched_signal() {
        let (trace, ripple) = switched();
        let levels = two_levels(&trace, 0.0).unwrap();
        // The medians over whole periods of the ripple: off by no more than the ripple's flat top allows.
        assert!((levels.low_v - 0.5).abs() < 0.02 && (levels.high_v - 5.0).abs() < 0.02, "{levels:?}");
        let values = trace.to_f64();
        let (high, crossings) = levels.crossings(&values);
        let flat = levels.flattened(&values, high, &crossings, RATE).values;
        let worst = flat.iter().zip(&ripple).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        // Edges of one sample: bridged by a line over two samples, the levels known to 20 mV.
        assert!(worst < 0.03, "{worst}");
        let rising: Vec<f64> = crossings.iter().filter(|c| c.rising).map(|c| c.at / RATE).collect();
        // 54 edges within 0.2 s; an edge is placed to a sample.
        assert!((place_frequency(&rising).unwrap() / 300.0 - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_bridge_does_not_spread_what_rings_at_its_ends() {
        // 100 kHz at 500 kS/s: five samples a period, and ten at either end of a bridge, whose mean over whole periods is 0.
        let ringing = |i: usize| (std::f64::consts::TAU * 0.2 * i as f64 + 0.4).sin();
        let mut values: Vec<f64> = (0..300).map(|i| 3.0 + 0.01 * i as f64 + ringing(i)).collect();
        bridge_all(&mut values, &[(100, 150), (200, 240)], 500e3);
        for i in (100..150).chain(200..240) {
            assert!((values[i] - 3.0 - 0.01 * i as f64).abs() < 1e-12, "{i}: {}", values[i]);
        }
        // Ends that have less room, or none: the record's edges, and a bridge beside another.
        let mut short = vec![9.0, 1.0, 9.0, 9.0, 4.0, 9.0];
        bridge_all(&mut short, &[(0, 1), (2, 3), (3, 4), (5, 6)], 500e3);
        assert_eq!(short, [1.0, 1.0, 5.0, 4.5, 4.0, 4.0]);
    }

    #[test]
    fn what_the_levels_take_is_the_mean_of_each_state() {
        // Two states of two stretches each, off by 0.5 and -0.25 V; the bridges between them go through 0.
        let offsets = [0.5, -0.25, 0.5, -0.25];
        let mut values: Vec<f64> =
            offsets.iter().flat_map(|o| (0..20).map(move |i| o + f64::from(i % 2) - 0.5)).collect();
        between_edges(&mut values, &[(18, 22), (38, 42), (58, 62)], 50e3);
        for (i, v) in values.iter().enumerate() {
            let bridged = [18..22, 38..42, 58..62].iter().any(|b| b.contains(&i));
            let expected = (i % 2) as f64 - 0.5;
            // A stretch of an even number of samples has the mean of its offset.
            assert!(bridged || (v - expected).abs() < 1e-12, "{i}: {v}");
        }
    }

    #[test]
    fn a_sine_or_a_toggling_converter_has_no_levels() {
        let trace = |f: &dyn Fn(f64) -> f64| {
            let v = (0..20_000).map(|i| f(f64::from(i) / RATE)).collect();
            Trace::from_f64(v, RATE, Coupling::Dc, Role::SpeedSensor).unwrap()
        };
        let sine = |t: f64| (std::f64::consts::TAU * 150.0 * t).sin();
        assert_eq!(two_levels(&trace(&sine), 0.0), None);
        assert_eq!(two_levels(&trace(&|t| 0.2 * (0.6 * sine(t)).round()), 0.2), None);
        assert_eq!(two_levels(&trace(&|_| 5.0), 0.0), None);
        // A digital line recorded as 0 and 5 V has, though its least difference looks like a step of 5 V.
        assert!(two_levels(&trace(&|t| if sine(t) > 0.0 { 5.0 } else { 0.0 }), 5.0).is_some());
    }
}
