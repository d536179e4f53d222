//! A steady track in the place of one that lost pulses.
//!
//! Where the ripple spans less than a step of the converter its line is gone for a while, and a track that follows it
//! cycle by cycle comes out of the gap a pulse or more late or early. An engine that runs steadily has a track of two
//! numbers: mean speed and how it changes. So beside the track that was followed the best steady one near it is looked
//! for over the whole record. Where it differs by a pulse and yet makes the line stronger, it takes the other's place: a
//! track that is free to follow anything is weaker than a steady one where it has gone astray.

use crate::angle::PhaseTrack;
use crate::normal::Gram;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Parts of the record over which the line is averaged.
const PARTS: usize = 256;
/// Cycles of the line by which the track's two ends, and its middle against them, are looked for to either side.
const FARTHEST_CYCLES: f64 = 8.0;
const FARTHEST_BEND_CYCLES: f64 = 16.0;
/// Steps of the search in cycles: a quarter turn between the ends takes a tenth of the line's strength.
const STEP_CYCLES: f64 = 0.25;
const BEND_STEP_CYCLES: f64 = 0.5;
/// Gauss-Newton steps after the search, and their size: shorter than whole ones, so that they cannot swing.
const PASSES: usize = 8;
const PACE: f64 = 0.7;
/// Difference of the turns, in cycles of the line, from which a track has lost or gained a pulse.
const LOST_CYCLES: f64 = 0.75;

/// The track, or the steady one where that has another number of pulses and a stronger line.
pub(super) fn instead(samples: &[f32], sample_rate_hz: f64, line: PhaseTrack) -> PhaseTrack {
    let Some(steady) = nearest(samples, sample_rate_hz, &line) else { return line };
    let turns = |track: &PhaseTrack| track.mean_hz() * track.duration_s();
    if (turns(&steady) - turns(&line)).abs() < LOST_CYCLES {
        return line;
    }
    let power = |track: &PhaseTrack| line_power(samples, sample_rate_hz, track);
    if power(&steady) > power(&line) { steady } else { line }
}

/// Power of the line and of its double on a track.
fn line_power(samples: &[f32], sample_rate_hz: f64, track: &PhaseTrack) -> f64 {
    let (mut once, mut twice) = (Complex64::ZERO, Complex64::ZERO);
    for (i, x) in samples.iter().enumerate() {
        let turn = Complex64::cis(-TAU * track.cycles_at(i as f64 / sample_rate_hz));
        once += turn * f64::from(*x);
        twice += turn * turn * f64::from(*x);
    }
    once.norm_sqr() + twice.norm_sqr()
}

/// Angle over the place in the record (-0.5 to 0.5): constant, slope, curvature. A third power would fit a little better
/// where the line shows and go astray where it does not.
type Coefficients = [f64; 3];

fn angle(c: &Coefficients, u: f64) -> f64 {
    c[0] + u * (c[1] + u * c[2])
}

/// The steady track near `line` on which the line is strongest.
fn nearest(samples: &[f32], sample_rate_hz: f64, line: &PhaseTrack) -> Option<PhaseTrack> {
    let width = samples.len() / PARTS;
    if width == 0 {
        return None;
    }
    let start = parabola(line)?;
    let last = (samples.len() - 1) as f64;
    let place = |i: f64| i / last - 0.5;
    let parts: Vec<(f64, Complex64)> = samples
        .chunks_exact(width)
        .enumerate()
        .map(|(k, part)| {
            let turned = |(i, x): (usize, &f32)| {
                Complex64::from_polar(f64::from(*x), -TAU * angle(&start, place((k * width + i) as f64)))
            };
            let middle = (k * width) as f64 + 0.5 * (width - 1) as f64;
            (place(middle), part.iter().enumerate().map(turned).sum())
        })
        .collect();
    let change = refined(&parts, searched(&parts))?;
    let found = [start[0], start[1] + change[0], start[2] + change[1]];
    let duration_s = last / sample_rate_hz;
    let knots = (0..line.knots().len()).map(|k| angle(&found, k as f64 * line.step_s() / duration_s - 0.5)).collect();
    PhaseTrack::new(line.step_s(), knots).ok()
}

/// The least-squares parabola through a track.
fn parabola(line: &PhaseTrack) -> Option<Coefficients> {
    let knots = line.knots();
    let last = (knots.len() - 1) as f64;
    let mut sums = Gram::new(4);
    for (k, cycles) in knots.iter().enumerate() {
        let u = k as f64 / last - 0.5;
        sums.add(&[1.0, u, u * u, *cycles], 1.0);
    }
    let c = sums.explain_last().ok()?;
    Some([*c.first()?, *c.get(1)?, *c.get(2)?])
}

/// Slope and curvature, of a grid, that bring the parts together best.
fn searched(parts: &[(f64, Complex64)]) -> [f64; 2] {
    let grid = |farthest: f64, step: f64| {
        let count = (farthest / step) as i32;
        (-count..=count).map(move |i| f64::from(i) * step)
    };
    let mut best = (0.0, [0.0; 2]);
    for slope in grid(FARTHEST_CYCLES, STEP_CYCLES) {
        // From one curvature to the next every part turns on by the same angle.
        let mut turning: Vec<(Complex64, Complex64)> = parts
            .iter()
            .map(|(u, z)| {
                let first = slope * u - FARTHEST_BEND_CYCLES * u * u;
                (z * Complex64::cis(-TAU * first), Complex64::cis(-TAU * BEND_STEP_CYCLES * u * u))
            })
            .collect();
        for bend in grid(FARTHEST_BEND_CYCLES, BEND_STEP_CYCLES) {
            let mut sum = Complex64::ZERO;
            for (z, on) in &mut turning {
                sum += *z;
                *z *= *on;
            }
            if sum.norm_sqr() > best.0 {
                best = (sum.norm_sqr(), [slope, bend]);
            }
        }
    }
    best.1
}

/// Slope and curvature by Gauss-Newton steps on the phases that the parts have left.
pub(super) fn refined(parts: &[(f64, Complex64)], mut c: [f64; 2]) -> Option<[f64; 2]> {
    for _ in 0..PASSES {
        let turned: Vec<Complex64> =
            parts.iter().map(|(u, z)| z * Complex64::cis(-TAU * u * (c[0] + u * c[1]))).collect();
        let mean = turned.iter().sum::<Complex64>() / turned.len() as f64;
        if mean.norm_sqr() <= 0.0 {
            return None;
        }
        let mut sums = Gram::new(4);
        for ((u, _), z) in parts.iter().zip(&turned) {
            let left = (z * mean.conj()).im / (mean.norm_sqr() * TAU);
            sums.add(&[1.0, *u, u * u, left], 1.0);
        }
        let step = sums.explain_last().ok()?;
        c.iter_mut().zip(step.iter().skip(1)).for_each(|(c, s)| *c += PACE * s.clamp(-0.5, 0.5));
    }
    Some(c)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 20_000.0;
    const SECONDS: f64 = 0.8;

    /// A line of 700 Hz whose speed rises by 2 %, with a slow wander of so many cycles at 15 Hz.
    fn turns(t: f64, wander: f64) -> f64 {
        700.0 * t * (1.0 + 0.0125 * t) + wander * (TAU * 15.0 * t).sin()
    }

    fn track(turns: impl Fn(f64) -> f64) -> PhaseTrack {
        let step_s = SECONDS / 2000.0;
        PhaseTrack::new(step_s, (0..=2000).map(|k| turns(f64::from(k) * step_s)).collect()).unwrap()
    }

    fn record(wander: f64) -> Vec<f32> {
        let count = (RATE_HZ * SECONDS) as usize + 1;
        (0..count).map(|i| (TAU * turns(i as f64 / RATE_HZ, wander)).cos() as f32).collect()
    }

    #[test]
    fn pulses_lost_in_a_gap_are_found_again() {
        // Three pulses lost between 0.3 and 0.5 s.
        let lost = track(|t| turns(t, 0.0) - 3.0 * ((t - 0.3) / 0.2).clamp(0.0, 1.0));
        let found = instead(&record(0.0), RATE_HZ, lost);
        let off = (found.mean_hz() - track(|t| turns(t, 0.0)).mean_hz()) * SECONDS;
        assert!(off.abs() < 0.01, "{off}");
    }

    #[test]
    fn a_gap_off_the_middle_bends_the_lost_track_and_not_the_found_one() {
        let lost = track(|t| turns(t, 0.0) - 3.0 * ((t - 0.55) / 0.2).clamp(0.0, 1.0));
        let found = instead(&record(0.0), RATE_HZ, lost);
        let off = |k: usize| found.knots()[k] - turns(k as f64 * found.step_s(), 0.0);
        let worst = (0..=2000).map(|k| (off(k) - off(1000)).abs()).fold(0.0, f64::max);
        assert!(worst < 0.02, "{worst}");
    }

    #[test]
    fn a_track_that_follows_a_wandering_speed_stays() {
        let followed = track(|t| turns(t, 0.4));
        assert_eq!(instead(&record(0.4), RATE_HZ, followed.clone()), followed);
    }

    #[test]
    fn a_small_difference_is_left_to_the_track() {
        let followed = track(|t| turns(t, 0.0) + 0.3 * t / SECONDS);
        assert_eq!(instead(&record(0.0), RATE_HZ, followed.clone()), followed);
    }

    #[test]
    fn the_parabola_through_a_parabola_is_itself() {
        let step_s = SECONDS / 100.0;
        // Angle 300 + 560 u + 9 u^2, u from -0.5 to 0.5.
        let angle = |k: i32| angle(&[300.0, 560.0, 9.0], f64::from(k) / 100.0 - 0.5);
        let c = parabola(&PhaseTrack::new(step_s, (0..=100).map(angle).collect()).unwrap()).unwrap();
        assert!((c[0] - 300.0).abs() < 1e-9 && (c[1] - 560.0).abs() < 1e-9 && (c[2] - 9.0).abs() < 1e-9, "{c:?}");
    }

    #[test]
    fn slope_and_curvature_are_searched_on_the_grid_and_refined_between() {
        let parts = |slope: f64, bend: f64| -> Vec<(f64, Complex64)> {
            let places = (0..PARTS).map(|k| (k as f64 + 0.5) / PARTS as f64 - 0.5);
            places.map(|u| (u, Complex64::from_polar(0.3, 1.0 + TAU * u * (slope + u * bend)))).collect()
        };
        for (slope, bend) in [(0.0, 0.0), (3.25, -4.5), (-8.0, 16.0), (8.0, -16.0), (-0.25, 15.5)] {
            assert_eq!(searched(&parts(slope, bend)), [slope, bend]);
        }
        let parts = parts(3.35, -4.3);
        let begin = searched(&parts);
        assert_eq!(begin[0], 3.25);
        let [slope, bend] = refined(&parts, begin).unwrap();
        // Eight steps, each of which leaves 0.3 of what was left.
        assert!((slope - 3.35).abs() < 1e-4 && (bend + 4.3).abs() < 1e-3, "{slope} {bend}");
        assert!(refined(&[(0.1, Complex64::ZERO); 5], [0.0; 2]).is_none());
    }

    #[test]
    fn the_power_on_a_track_is_that_of_the_line_and_of_its_double() {
        // Whole cycles: half of each amplitude squared, times the number of samples.
        let constant = PhaseTrack::constant(700.0, 0.1).unwrap();
        let wave = |i: i32| {
            let angle = TAU * 700.0 * f64::from(i) / RATE_HZ;
            (0.4 * angle.cos() + 0.2 * (2.0 * angle).sin() + 0.7 * (3.0 * angle).cos()) as f32
        };
        let samples: Vec<f32> = (0..2000).map(wave).collect();
        let expected = (1000.0 * 0.4_f64).powi(2) + (1000.0 * 0.2_f64).powi(2);
        assert!((line_power(&samples, RATE_HZ, &constant) / expected - 1.0).abs() < 1e-6);
    }

    #[test]
    fn a_steady_track_of_another_number_of_pulses_must_make_the_line_stronger() {
        // The record wanders so that the followed track is right, three pulses more than the steady one that fits its end.
        let right = |t: f64| turns(t, 0.0) + 3.0 * ((t - 0.5) / 0.1).clamp(0.0, 1.0);
        let count = (RATE_HZ * SECONDS) as usize + 1;
        let samples: Vec<f32> = (0..count).map(|i| (TAU * right(i as f64 / RATE_HZ)).cos() as f32).collect();
        let followed = track(right);
        assert_eq!(instead(&samples, RATE_HZ, followed.clone()), followed);
        // Of fewer samples than parts nothing is looked for.
        let short = track(|t| turns(t, 0.0));
        assert_eq!(instead(&samples[..PARTS - 1], RATE_HZ, short.clone()), short);
    }
}
