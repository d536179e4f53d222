//! The track without what repeats in every cycle of it.
//!
//! A line below the pulses' own (orders 1 to 3) is matched one line cycle after the other, so neighbouring orders turn its
//! phase to and fro within each electrical cycle: with a shorted diode, followed by order 3, by 0.06 cycle. Inside the
//! record that is no error of the speed, for it comes again with every cycle; at the ends it is cut off somewhere, and
//! the straight continuation goes on in whatever direction it had. A rotor does not do that. The mean of the times
//! over one whole cycle holds none of it; the first and the last half cycle go on as straight as the cycles beside them.

use crate::angle::PhaseTrack;

/// Points of the evened track in a cycle.
const POINTS_PER_CYCLE: f64 = 8.0;
/// Points at either end, one cycle and a half of them, whose straight line goes on to the end of the record.
const END_POINTS: usize = 12;

/// The track averaged over one cycle; `None` where it holds too few cycles for both ends.
pub(super) fn over_a_cycle(track: &PhaseTrack) -> Option<PhaseTrack> {
    let knots = track.knots();
    let (first, last) = (knots[0] + 0.5, knots[knots.len() - 1] - 0.5);
    let pieces = ((last - first) * POINTS_PER_CYCLE).ceil();
    if pieces < 2.0 * END_POINTS as f64 {
        return None;
    }
    let times = Times::new(track);
    let cycles: Vec<f64> = (0..=pieces as usize).map(|i| first + (last - first) * i as f64 / pieces).collect();
    let (mut ahead, mut behind) = (0, 0);
    let mut over_a_cycle = |c: &f64| times.up_to(c + 0.5, &mut ahead) - times.up_to(c - 0.5, &mut behind);
    let time_s: Vec<f64> = cycles.iter().map(&mut over_a_cycle).collect();
    let end = cycles.len() - 1;
    let before = slope(&time_s[..=END_POINTS], &cycles[..=END_POINTS]);
    let after = slope(&time_s[end - END_POINTS..], &cycles[end - END_POINTS..]);
    let mut i = 0;
    let evened = (0..knots.len()).map(|k| {
        let t = k as f64 * track.step_s();
        while i + 2 < time_s.len() && time_s[i + 1] <= t {
            i += 1;
        }
        if t < time_s[0] {
            cycles[0] + before * (t - time_s[0])
        } else if t > time_s[end] {
            cycles[end] + after * (t - time_s[end])
        } else {
            cycles[i] + (t - time_s[i]) * (cycles[i + 1] - cycles[i]) / (time_s[i + 1] - time_s[i])
        }
    });
    PhaseTrack::new(track.step_s(), evened.collect()).ok()
}

/// The integral of the time over the angle.
struct Times<'a> {
    track: &'a PhaseTrack,
    at_knots: Vec<f64>,
}

impl<'a> Times<'a> {
    fn new(track: &'a PhaseTrack) -> Self {
        let mut sum = 0.0;
        let mut at_knots = vec![0.0];
        for (k, pair) in track.knots().windows(2).enumerate() {
            sum += (pair[1] - pair[0]) * (k as f64 + 0.5) * track.step_s();
            at_knots.push(sum);
        }
        Self { track, at_knots }
    }

    /// From the first knot to an angle; `piece` is that of an angle before it (0 for the first), and becomes that of this one.
    fn up_to(&self, cycles: f64, piece: &mut usize) -> f64 {
        let knots = self.track.knots();
        while *piece + 2 < knots.len() && knots[*piece + 1] <= cycles {
            *piece += 1;
        }
        let i = *piece;
        let along = cycles - knots[i];
        let per_cycle = self.track.step_s() / (knots[i + 1] - knots[i]);
        self.at_knots[i] + along * (i as f64 * self.track.step_s() + 0.5 * per_cycle * along)
    }
}

/// Slope of the least-squares line.
fn slope(x: &[f64], y: &[f64]) -> f64 {
    let n = x.len() as f64;
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let sxy: f64 = x.iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum();
    sxy / x.iter().map(|x| (x - mx) * (x - mx)).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Angles at equal times of a machine whose speed changes by `ramp` over 30 cycles of 200 Hz.
    fn turns(ramp: f64) -> (f64, Vec<f64>) {
        let (step_s, seconds) = (1.0 / 2400.0, 0.15);
        let angle = |t: f64| 200.0 * t * (1.0 + ramp * (t / seconds - 1.0) / 2.0);
        (step_s, (0..=360).map(|k| angle(f64::from(k) * step_s)).collect())
    }

    #[test]
    fn what_repeats_in_every_cycle_is_gone_and_the_speed_stays() {
        for ramp in [0.0, 0.2] {
            let (step_s, right) = turns(ramp);
            // To and fro once and twice in a cycle; ends inside a swing.
            let swing = |c: f64| 0.05 * (TAU * c + 0.3).sin() + 0.02 * (2.0 * TAU * c).cos();
            let track = PhaseTrack::new(step_s, right.iter().map(|c| c + swing(*c)).collect()).unwrap();
            let evened = over_a_cycle(&track).unwrap();
            let lag = evened.knots()[180] - right[180];
            let worst = evened.knots().iter().zip(&right).map(|(a, b)| (a - b - lag).abs()).fold(0.0, f64::max);
            // A ramp's own curvature, half a cycle beyond the last mean: 0.2 / 30 cycles * (1.25^2 - 0.75^2) / 2 = 0.003.
            assert!(worst < if ramp > 0.0 { 0.005 } else { 0.002 }, "{ramp}: {worst}");
        }
    }

    #[test]
    fn a_track_of_two_cycles_is_left_alone() {
        assert!(over_a_cycle(&PhaseTrack::constant(100.0, 0.02).unwrap()).is_none());
    }

    #[test]
    fn a_steady_track_stays_as_it_is() {
        // 12.7 cycles from 0.4 on; knots do not lie on cycles.
        let right: Vec<f64> = (0..=100).map(|k| 0.4 + 0.127 * f64::from(k)).collect();
        let evened = over_a_cycle(&PhaseTrack::new(1e-3, right.clone()).unwrap()).unwrap();
        let worst = evened.knots().iter().zip(&right).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(worst < 1e-9, "{worst}");
    }

    #[test]
    fn the_two_ends_need_a_cycle_and_a_half_each_inside_the_first_and_the_last_half() {
        // 24 points of eight a cycle: the 23rd is begun beyond 2.75 cycles, the 24th beyond 2.875.
        assert!(over_a_cycle(&PhaseTrack::constant(100.0, 0.0387).unwrap()).is_none());
        assert!(over_a_cycle(&PhaseTrack::constant(100.0, 0.0389).unwrap()).is_some());
    }

    #[test]
    fn the_time_is_integrated_exactly_over_straight_pieces() {
        // 100 Hz for 0.02 s, then 200 Hz for as long, from 0.5 cycles on.
        let track = PhaseTrack::new(0.02, vec![0.5, 2.5, 6.5]).unwrap();
        let times = Times::new(&track);
        // Beyond the knots the pieces go on: 0.5 * 0.01 s * 1 cycle below the first one, counted backwards.
        for (cycles, expected) in
            [(0.5, 0.0), (1.5, 0.005), (2.5, 0.02), (4.5, 0.02 + 2.0 * 0.025), (6.5, 0.02 + 4.0 * 0.03), (-0.5, 0.005)]
        {
            let found = times.up_to(cycles, &mut 0);
            assert!((found - expected).abs() < 1e-12, "{cycles}: {found}");
        }
    }

    #[test]
    fn the_slope_is_that_of_the_least_squares_line() {
        assert!((slope(&[1.0, 2.0, 3.0, 4.0], &[5.0, 3.0, 1.0, -1.0]) + 2.0).abs() < 1e-12);
        // Deviations (-1, 0, 1) and (0, 3, 6) - 3: 6 / 2; with (0, 6, 3): 3 / 2.
        assert!((slope(&[4.0, 5.0, 6.0], &[0.0, 6.0, 3.0]) - 1.5).abs() < 1e-12);
    }
}
