//! The pulses' line near the frequency that was told, where the search among the strongest lines missed it.
//!
//! A switched load makes a comb of lines, each as strong as the ripple of a sound bridge, and noise can hide a small ripple
//! from windows of a few cycles. Where the electrical frequency is known to a few per cent, the line of the pulses (order 6,
//! of twelve pulses order 12) can be looked for there alone, over the whole record at once: along every steady course of
//! the speed (mean and change), which tells lines apart by one turn over the record.

use super::{EXPECTED_WITHIN, steady};
use crate::angle::PhaseTrack;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Values of the line at rest for each cycle of the widest detuning: the mean over such a part leaves 97 % of it.
const PARTS_PER_CYCLE: f64 = 8.0;
/// Parts at most; a longer record is looked at in its widest part that this allows.
const MOST_PARTS: usize = 1 << 14;
/// Cycles by which the middle may be off against the ends, as a share of all cycles, and at most: a change of speed by
/// 4 % over the record is 0.5 % of its cycles.
const BEND_SHARE: f64 = 0.005;
/// See [`BEND_SHARE`].
const FARTHEST_BEND_CYCLES: f64 = 16.0;
/// Step of the bend, in cycles.
const BEND_STEP_CYCLES: f64 = 0.5;
/// Power over the mean power of the places looked at from which a line stands out: noise alone, distributed exponentially,
/// passes it once in e^20 = 5e8 places.
const STANDS_OUT: f64 = 20.0;
/// Lines returned at most, and how many turns over the record they are apart at least.
const MOST_LINES: usize = 3;
/// See [`MOST_LINES`].
const APART_TURNS: f64 = 2.0;

/// Turns over the record within which a line is a harmonic of another.
const COMB_TURNS: f64 = 1.0;
/// Knots of a track in a cycle of the line.
const KNOTS_PER_CYCLE: f64 = 4.0;

/// The lines that stand out near `line_hz` (relative standard uncertainty `relative_std`), the strongest first, each
/// weighed by how near it lies; with the mean square of each.
pub(super) fn lines(
    samples: &[f32],
    sample_rate_hz: f64,
    (line_hz, relative_std): (f64, f64),
) -> Vec<(PhaseTrack, f64)> {
    let Some(rest) = AtRest::new(samples, sample_rate_hz, line_hz, EXPECTED_WITHIN * relative_std) else {
        return Vec::new();
    };
    let places = rest.places(relative_std);
    let mut found: Vec<Place> = Vec::new();
    for place in places {
        if found.len() < MOST_LINES && found.iter().all(|f| (f.slope - place.slope).abs() > APART_TURNS) {
            found.push(place);
        }
    }
    found.iter().filter_map(|place| rest.track(place)).collect()
}

/// Tells whether a line is a higher harmonic of another: one of the comb that a switched load makes.
pub(super) fn is_harmonic(line_hz: f64, of_hz: f64, duration_s: f64) -> bool {
    let number = (line_hz / of_hz).round();
    number >= 2.0 && (line_hz - number * of_hz).abs() * duration_s < COMB_TURNS
}

/// A steady course on which a line stands out: turns more than expected over the record, and bend.
#[derive(Clone, Copy)]
struct Place {
    slope: f64,
    bend: f64,
    weighed: f64,
}

/// The record turned back at the told frequency: means of its parts, with their places in the record (-0.5 to 0.5).
struct AtRest {
    parts: Vec<(f64, Complex64)>,
    line_hz: f64,
    duration_s: f64,
    widest_turns: f64,
}

impl AtRest {
    /// `None` where the record is too short, or the line too high for the rate.
    fn new(samples: &[f32], sample_rate_hz: f64, line_hz: f64, share: f64) -> Option<Self> {
        let last = samples.len().checked_sub(1)? as f64;
        let duration_s = last / sample_rate_hz;
        let widest_turns = share * line_hz * duration_s;
        if line_hz * (1.0 + share) > 0.5 * sample_rate_hz || widest_turns < 1.0 {
            return None;
        }
        let count = ((PARTS_PER_CYCLE * widest_turns) as usize).clamp(64, MOST_PARTS).min(samples.len());
        let width = samples.len() / count;
        let parts = samples.chunks_exact(width).enumerate().map(|(k, part)| {
            let step = Complex64::cis(-TAU * line_hz / sample_rate_hz);
            let mut turn = Complex64::cis(-TAU * line_hz * (k * width) as f64 / sample_rate_hz);
            let mut sum = Complex64::ZERO;
            for x in part {
                sum += turn * f64::from(*x);
                turn *= step;
            }
            let middle = (k * width) as f64 + 0.5 * (width - 1) as f64;
            (middle / last - 0.5, sum / width as f64)
        });
        Some(Self { parts: parts.collect(), line_hz, duration_s, widest_turns })
    }

    /// Places that stand out, the one of greatest power times nearness first.
    fn places(&self, relative_std: f64) -> Vec<Place> {
        let length = (2 * self.parts.len()).next_power_of_two();
        let transform = FftPlanner::new().plan_fft_forward(length);
        // Turns over the record for each bin: parts span it but for a rest shorter than one.
        let per_bin = self.parts.len() as f64 / length as f64;
        let farthest = (BEND_SHARE * self.line_hz * self.duration_s).min(FARTHEST_BEND_CYCLES);
        let bends = (farthest / BEND_STEP_CYCLES) as i32;
        let reach = (self.widest_turns / per_bin) as usize;
        let one_std = relative_std * self.line_hz * self.duration_s;
        let (mut places, mut total, mut looked_at) = (Vec::new(), 0.0, 0.0);
        for bend in (-bends..=bends).map(|b| f64::from(b) * BEND_STEP_CYCLES) {
            let mut values: Vec<Complex64> =
                self.parts.iter().map(|(u, z)| z * Complex64::cis(-TAU * bend * u * u)).collect();
            values.resize(length, Complex64::ZERO);
            transform.process(&mut values);
            let faster = (0..=reach).map(|k| (k, k as f64 * per_bin));
            let slower = (1..=reach).map(|k| (length - k, -(k as f64) * per_bin));
            for (bin, slope) in faster.chain(slower) {
                let power = values[bin % length].norm_sqr();
                total += power;
                looked_at += 1.0;
                places.push((power, Place { slope, bend, weighed: power * (-0.5 * (slope / one_std).powi(2)).exp() }));
            }
        }
        let least = STANDS_OUT * total / looked_at;
        let mut standing: Vec<Place> = places.into_iter().filter(|(p, _)| *p > least).map(|(_, place)| place).collect();
        standing.sort_by(|a, b| b.weighed.total_cmp(&a.weighed));
        standing
    }

    /// The track of a place, brought to the best of its peak, and the line's mean square on it.
    fn track(&self, place: &Place) -> Option<(PhaseTrack, f64)> {
        let [slope, bend] = steady::refined(&self.parts, [place.slope, place.bend])?;
        let turned = |(u, z): &(f64, Complex64)| z * Complex64::cis(-TAU * u * (slope + u * bend));
        let mean = self.parts.iter().map(turned).sum::<Complex64>() / self.parts.len() as f64;
        let turns = self.line_hz * self.duration_s + slope;
        let knots = ((KNOTS_PER_CYCLE * turns) as usize).max(2);
        let cycles = |k: usize| {
            let u = k as f64 / knots as f64 - 0.5;
            u * (turns + u * bend)
        };
        let track = PhaseTrack::new(self.duration_s / knots as f64, (0..=knots).map(cycles).collect()).ok()?;
        Some((track, 2.0 * mean.norm_sqr()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 20_000.0;
    const SECONDS: f64 = 0.8;

    /// Six pulses of 200 Hz told with 3 %: a line of 1,215 Hz that rises by 1 % over the record, 1 in size.
    fn line(t: f64) -> f64 {
        (TAU * 1215.0 * t * (1.0 + 0.005 * (t / SECONDS - 1.0))).cos()
    }

    fn record(value: impl FnMut(f64) -> f64) -> Vec<f32> {
        let count = (RATE_HZ * SECONDS) as usize + 1;
        (0..count).map(|i| i as f64 / RATE_HZ).map(value).map(|x| x as f32).collect()
    }

    #[test]
    fn a_line_among_those_of_a_switched_load_is_found_at_its_own_frequency() {
        // Pulses of 31 Hz, a quarter of the time on: lines 31 Hz apart. Those of 200 are the stronger ones near the line.
        let found =
            lines(&record(|t| line(t) + if (31.0 * t) % 1.0 < 0.25 { 200.0 } else { 0.0 }), RATE_HZ, (1200.0, 0.03));
        let comb = |track: &PhaseTrack| is_harmonic(track.mean_hz(), 31.0, SECONDS);
        assert!(found.iter().any(|(track, _)| comb(track)));
        let found =
            lines(&record(|t| line(t) + if (31.0 * t) % 1.0 < 0.25 { 3.0 } else { 0.0 }), RATE_HZ, (1200.0, 0.03));
        let (track, power) = found.iter().find(|(track, _)| !comb(track)).unwrap();
        assert!((track.mean_hz() - 1215.0).abs() * SECONDS < 0.05, "{}", track.mean_hz());
        assert!((power - 0.5).abs() < 0.05, "{power}");
    }

    #[test]
    fn a_line_far_below_the_noise_of_its_samples_is_found_and_noise_alone_is_none() {
        let mut state = 1u32;
        let mut noise = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state >> 8) / f64::from(1 << 24) - 0.5
        };
        assert!(lines(&record(|_| 20.0 * noise()), RATE_HZ, (1200.0, 0.03)).is_empty());
        // 5.8 r.m.s. of noise: the line has a 67th of its power, and 120 times the noise's in a band of one turn.
        let found = lines(&record(|t| line(t) + 20.0 * noise()), RATE_HZ, (1200.0, 0.03));
        assert!((found[0].0.mean_hz() - 1215.0).abs() * SECONDS < 0.1, "{}", found[0].0.mean_hz());
    }

    #[test]
    fn a_record_too_short_or_a_line_too_high_gives_none() {
        assert!(lines(&record(line)[..40], RATE_HZ, (1200.0, 0.03)).is_empty());
        assert!(lines(&record(line), RATE_HZ, (9500.0, 0.03)).is_empty());
        assert!(lines(&[], RATE_HZ, (1200.0, 0.03)).is_empty());
    }

    /// Two steady lines, at rest against the told one of 1,200 Hz by so many turns over the record and so much bend.
    fn at_rest(lines: &[(f64, f64, f64)]) -> AtRest {
        in_parts(256, lines)
    }

    fn in_parts(count: usize, lines: &[(f64, f64, f64)]) -> AtRest {
        let value = |u: f64| {
            lines.iter().map(move |(size, slope, bend)| Complex64::from_polar(*size, TAU * u * (slope + u * bend)))
        };
        let parts: Vec<_> =
            (0..count).map(|k| (k as f64 + 0.5) / count as f64 - 0.5).map(|u| (u, value(u).sum())).collect();
        AtRest { parts, line_hz: 1200.0, duration_s: SECONDS, widest_turns: 96.0 }
    }

    #[test]
    fn a_place_is_found_at_its_turns_and_its_bend_to_either_side() {
        // Half a turn a bin; of 960 cycles the bend may take 4.8, in steps of a half.
        for (slope, bend) in
            [(0.0, 0.0), (37.0, 0.0), (-37.5, 0.0), (12.0, 4.5), (-12.5, -4.5), (96.0, 0.5), (-96.0, -0.5)]
        {
            let places = at_rest(&[(0.1, slope, bend)]).places(0.03);
            assert_eq!((places[0].slope, places[0].bend), (slope, bend));
            // 256 parts of 0.1 add up; three times 28.8 turns is one standard uncertainty, which weighs it.
            let expected = 25.6_f64.powi(2) * (-0.5 * (slope / 28.8).powi(2)).exp();
            assert!((places[0].weighed / expected - 1.0).abs() < 1e-9, "{slope}");
        }
        for (slope, bend) in [(99.0, 0.0), (-99.0, 0.0), (0.0, 6.5)] {
            let places = at_rest(&[(0.1, slope, bend)]).places(0.03);
            assert!(
                places.iter().all(|p| (p.slope - slope).abs() > 1.0 || (p.bend - bend).abs() > 1.0),
                "{slope} {bend}"
            );
        }
    }

    #[test]
    fn bins_are_so_near_each_other_that_no_line_falls_between_them() {
        // 300 parts in 1,024 bins: 0.29 turns a bin. From a quarter of a turn off a tenth of the size is lost.
        for slope in [0.29, -0.29, 0.44, 7.9, -31.3] {
            let places = in_parts(300, &[(0.1, slope, 0.0)]).places(0.03);
            let nearest =
                places.iter().filter(|p| p.bend == 0.0).map(|p| (p.slope - slope).abs()).fold(f64::MAX, f64::min);
            assert!(nearest < 0.15, "{slope}: {nearest}");
        }
    }

    #[test]
    fn the_record_is_turned_back_in_parts_that_know_their_middles() {
        let samples = record(line);
        // 3 * 0.03 of 960 cycles are 86.4 turns, eight parts each: 23 samples a part.
        let rest = AtRest::new(&samples, RATE_HZ, 1200.0, 0.09).unwrap();
        assert!((rest.widest_turns - 86.4).abs() < 1e-9 && (rest.duration_s - SECONDS).abs() < 1e-12);
        assert_eq!(rest.parts.len(), samples.len() / 23);
        for (k, (place, mean)) in rest.parts.iter().enumerate() {
            assert!((place - ((23 * k + 11) as f64 / 16_000.0 - 0.5)).abs() < 1e-12, "{k}");
            let turned = |i: usize| f64::from(samples[i]) * Complex64::cis(-TAU * 1200.0 * i as f64 / RATE_HZ);
            let expected = (23 * k..23 * (k + 1)).map(turned).sum::<Complex64>() / 23.0;
            assert!((mean - expected).norm() < 1e-9, "{k}");
        }
        // 108 Hz in 10 ms are a turn; 9,174 Hz and 9 % of it are half the rate.
        assert!(AtRest::new(&samples[..180], RATE_HZ, 1200.0, 0.09).is_none());
        assert!(AtRest::new(&samples[..200], RATE_HZ, 1200.0, 0.09).is_some());
        assert!(AtRest::new(&samples, RATE_HZ, 9200.0, 0.09).is_none());
        assert!(AtRest::new(&samples, RATE_HZ, 9100.0, 0.09).is_some());
    }

    #[test]
    fn the_track_of_a_place_bends_as_the_line_does() {
        let rest = at_rest(&[(0.1, 12.2, 4.4)]);
        let place = rest.places(0.03)[0];
        let (track, power) = rest.track(&place).unwrap();
        // A line of 0.2 V leaves 0.1 at rest: a mean square of 0.02.
        assert!((power / 0.02 - 1.0).abs() < 1e-6, "{power}");
        // Four knots to each of 972.2 cycles.
        assert_eq!(track.knots().len(), 3889);
        assert!((track.duration_s() - SECONDS).abs() < 1e-9);
        for u in [-0.5, -0.2, 0.1, 0.5] {
            let off = track.cycles_at((u + 0.5) * SECONDS) - u * (972.2 + u * 4.4);
            // Straight lines between the knots, and what eight steps leave.
            assert!(off.abs() < 1e-3, "{u}: {off}");
        }
    }

    #[test]
    fn nearness_decides_between_lines_of_one_size_and_size_between_lines_of_one_nearness() {
        let first = |lines: &[(f64, f64, f64)]| at_rest(lines).places(0.03)[0].slope;
        assert_eq!(first(&[(0.1, 10.0, 0.0), (0.1, -40.0, 0.0)]), 10.0);
        assert_eq!(first(&[(0.1, 40.0, 0.0), (0.1, -10.0, 0.0)]), -10.0);
        assert_eq!(first(&[(0.11, 20.0, 0.0), (0.1, -20.0, 0.0)]), 20.0);
        // e^(-(40^2 - 10^2) / (2 * 28.8^2)) = 0.405 of the power, 0.636 of the size.
        assert_eq!(first(&[(0.062, 10.0, 0.0), (0.1, -40.0, 0.0)]), -40.0);
        assert_eq!(first(&[(0.065, 10.0, 0.0), (0.1, -40.0, 0.0)]), 10.0);
    }

    #[test]
    fn only_places_of_twenty_times_the_mean_power_stand_out() {
        // A line, and noise of which every place has as much: 256 parts of random phase.
        let mut state = 1u32;
        let mut random = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            Complex64::cis(TAU * f64::from(state >> 8) / f64::from(1 << 24))
        };
        let noise: Vec<Complex64> = (0..256).map(|_| random()).collect();
        let standing = |size: f64| {
            let mut rest = at_rest(&[(size, 20.0, 0.0)]);
            rest.parts.iter_mut().zip(&noise).for_each(|((_, z), n)| *z += n);
            !rest.places(0.03).is_empty()
        };
        // 256 of noise on average in a place, 256^2 of the line: twenty times at a size of 0.28.
        assert!(!standing(0.0) && !standing(0.15) && standing(0.45));
    }

    #[test]
    fn a_line_and_all_near_it_count_once_and_three_at_most_are_given() {
        let tones = [(1.0, 1205.0), (0.9, 1180.0), (0.8, 1222.0), (0.7, 1240.0)];
        let samples = record(|t| tones.iter().map(|(size, hz)| size * (TAU * hz * t).cos()).sum());
        let found = lines(&samples, RATE_HZ, (1200.0, 0.03));
        let hz: Vec<f64> = found.iter().map(|(track, _)| track.mean_hz()).collect();
        assert_eq!(hz.len(), 3);
        for (found, (size, hz)) in found.iter().zip(tones) {
            assert!((found.0.mean_hz() - hz).abs() * SECONDS < 0.1, "{hz}");
            // The others, some ten turns away, leave a few per cent.
            assert!((found.1 / (0.5 * size * size) - 1.0).abs() < 0.1, "{hz}: {}", found.1);
        }
    }

    #[test]
    fn lines_are_looked_for_within_three_standard_uncertainties() {
        let mut state = 1u32;
        let mut noise = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            4.0 * (f64::from(state >> 8) / f64::from(1 << 24) - 0.5)
        };
        // 108 Hz to either side.
        for (hz, within) in [(1290.0, true), (1110.0, true), (1320.0, false), (1080.0, false)] {
            let found = lines(&record(|t| (TAU * hz * t).cos() + noise()), RATE_HZ, (1200.0, 0.03));
            assert_eq!(!found.is_empty(), within, "{hz}");
        }
    }

    #[test]
    fn harmonics_are_told_to_a_turn_over_the_record() {
        assert!(is_harmonic(300.0, 100.0, 1.0) && is_harmonic(200.9, 100.0, 1.0) && is_harmonic(199.1, 100.0, 1.0));
        assert!(!is_harmonic(201.1, 100.0, 1.0) && !is_harmonic(198.9, 100.0, 1.0) && !is_harmonic(200.9, 100.0, 1.2));
        assert!(!is_harmonic(100.0, 100.0, 1.0), "a line is not its own harmonic");
        assert!(!is_harmonic(50.0, 100.0, 1.0));
    }
}
