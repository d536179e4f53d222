//! Switched circuits (Hall and other active sensors, digital lines): what ripple does to their edges.
//!
//! Ripple on a level does nothing until it reaches the input's threshold; what it does at once is move the edges, since
//! the sum of a rising edge and the ripple passes the threshold earlier or later. The edges of the trace as captured
//! are compared, one by one, with those of the trace without the ripple.

use super::levels::{Crossing, TwoLevels};

/// Half the hysteresis of the assumed input against the swing: common practice of switching inputs.
pub const HYSTERESIS: f64 = 0.15;
/// An edge belongs to the other's when it is no further off than this part of the usual gap.
const NEAR: f64 = 0.25;

/// What the ripple does to a switched circuit.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct EdgeDisturbance {
    /// Lower level, volts (median).
    pub low_v: f64,
    /// Upper level, volts (median).
    pub high_v: f64,
    /// Upper threshold of the assumed input, volts: the middle and 15 % of the swing above it.
    pub upper_threshold_v: f64,
    /// Lower threshold, volts: as much below the middle.
    pub lower_threshold_v: f64,
    /// Edges as captured, rising and falling.
    pub edges: usize,
    /// Edges once the ripple is taken out.
    pub edges_without_ripple: usize,
    /// R.m.s. shift of an edge by the ripple, seconds; `None` when no edge has a counterpart.
    pub moved_rms_s: Option<f64>,
    /// Largest shift, seconds.
    pub moved_most_s: Option<f64>,
    /// Largest excursion of the ripple, volts.
    pub ripple_peak_v: f64,
    /// Room left on the lower level, volts: upper threshold - level - ripple. Negative: false edges.
    pub margin_low_v: f64,
    /// Room left on the upper level, volts: level - ripple - lower threshold.
    pub margin_high_v: f64,
}

impl EdgeDisturbance {
    pub(super) fn new(levels: &TwoLevels, captured: &[f64], ripple: &[f32], sample_rate_hz: f64) -> Self {
        let clean: Vec<f64> = captured.iter().zip(ripple).map(|(y, r)| y - f64::from(*r)).collect();
        let (with, without) = (levels.crossings(captured).1, levels.crossings(&clean).1);
        let shifts = shifts(&with, &without);
        let ripple_peak_v = f64::from(ripple.iter().fold(0.0, |m: f32, r| m.max(r.abs())));
        let (upper, lower) =
            (levels.middle_v() + HYSTERESIS * levels.swing_v(), levels.middle_v() - HYSTERESIS * levels.swing_v());
        let rms = (shifts.iter().map(|s| s * s).sum::<f64>() / shifts.len().max(1) as f64).sqrt();
        let most = shifts.iter().fold(0.0, |m: f64, s| m.max(s.abs()));
        let seconds = |samples: f64| (!shifts.is_empty()).then_some(samples / sample_rate_hz);
        Self {
            low_v: levels.low_v,
            high_v: levels.high_v,
            upper_threshold_v: upper,
            lower_threshold_v: lower,
            edges: with.len(),
            edges_without_ripple: without.len(),
            moved_rms_s: seconds(rms),
            moved_most_s: seconds(most),
            ripple_peak_v,
            margin_low_v: upper - levels.low_v - ripple_peak_v,
            margin_high_v: levels.high_v - ripple_peak_v - lower,
        }
    }
}

/// Shift of every edge that has a counterpart, samples.
fn shifts(with: &[Crossing], without: &[Crossing]) -> Vec<f64> {
    let mut gaps: Vec<f64> = without.windows(2).map(|c| c[1].at - c[0].at).collect();
    gaps.sort_unstable_by(f64::total_cmp);
    let reach = gaps.get(gaps.len() / 2).map_or(f64::INFINITY, |g| NEAR * g);
    let nearest = |c: &Crossing| {
        let after = without.partition_point(|o| o.at < c.at);
        let around = &without[after.saturating_sub(2)..(after + 2).min(without.len())];
        let same = around.iter().filter(|o| o.rising == c.rising).map(|o| c.at - o.at);
        same.min_by(|a, b| a.abs().total_cmp(&b.abs())).filter(|s| s.abs() <= reach)
    };
    with.iter().filter_map(nearest).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn ripple_moves_edges_by_its_value_over_their_slope() {
        // Edges of 4.5 V in 10 samples (0.45 V a sample), 0.09 V of ripple: at most 0.2 samples, r.m.s. 0.2 / sqrt 2.
        let levels = TwoLevels { low_v: 0.5, high_v: 5.0 };
        let ripple: Vec<f32> = (0..50_000).map(|i| (0.09 * (TAU * 0.0137 * f64::from(i)).sin()) as f32).collect();
        let captured: Vec<f64> = (0..50_000)
            .map(|i| {
                let place = f64::from(i % 200);
                let ramp = if place < 100.0 { place - 45.0 } else { 155.0 - place };
                0.5 + 0.45 * ramp.clamp(0.0, 10.0) + f64::from(ripple[i as usize])
            })
            .collect();
        let found = EdgeDisturbance::new(&levels, &captured, &ripple, 1.0);
        assert_eq!((found.edges, found.edges_without_ripple), (500, 500));
        assert!((found.moved_most_s.unwrap() / 0.2 - 1.0).abs() < 0.02, "{found:?}");
        // 500 phases of the ripple: the mean square is known to about 3 %.
        assert!((found.moved_rms_s.unwrap() / (0.2 / 2.0f64.sqrt()) - 1.0).abs() < 0.05, "{found:?}");
        // Thresholds 2.75 +- 0.675 V.
        assert!((found.margin_low_v - (3.425 - 0.5 - 0.09)).abs() < 1e-4, "{found:?}");
        assert!((found.margin_high_v - (5.0 - 0.09 - 2.075)).abs() < 1e-4, "{found:?}");
    }

    #[test]
    fn large_ripple_adds_edges() {
        let levels = TwoLevels { low_v: 0.5, high_v: 5.0 };
        let ripple: Vec<f32> = (0..20_000).map(|i| (3.2 * (TAU * 0.05 * f64::from(i)).sin()) as f32).collect();
        let captured: Vec<f64> =
            (0..20_000).map(|i| f64::from(ripple[i as usize]) + if i % 500 < 250 { 5.0 } else { 0.5 }).collect();
        let found = EdgeDisturbance::new(&levels, &captured, &ripple, 1000.0);
        assert_eq!(found.edges_without_ripple, 79);
        assert!(found.edges > 500, "{found:?}");
        assert!(found.margin_low_v < 0.0 && found.margin_high_v < 0.0, "{found:?}");
    }
}
