//! The steps of following a line against closed forms, then whole tracks against angles that are known.

use super::*;
use crate::cycle::lines::Kept;
use std::f64::consts::TAU;

const RATE_HZ: f64 = 20_000.0;

fn track(seconds: f64, turns: impl Fn(f64) -> f64) -> PhaseTrack {
    let pieces = (4.0 * turns(seconds)) as usize;
    let step_s = seconds / pieces as f64;
    PhaseTrack::new(step_s, (0..=pieces).map(|k| turns(k as f64 * step_s)).collect()).unwrap()
}

#[test]
fn a_path_is_linear_between_its_frames_and_level_outside() {
    let path = LinePath { hop_s: 0.1, first_s: 0.05, frequency_hz: vec![100.0, 120.0, 90.0], power: 1.0 };
    for (t, hz) in [(0.0, 100.0), (0.05, 100.0), (0.1, 110.0), (0.15, 120.0), (0.225, 97.5), (0.25, 90.0), (9.0, 90.0)]
    {
        assert!((frequency_at(&path, t) - hz).abs() < 1e-9, "{t}");
    }
    let one = LinePath { frequency_hz: vec![70.0], ..path.clone() };
    assert_eq!(frequency_at(&one, 3.0), 70.0);
    // 105 Hz for 0.05 s and so on: knots lie four to a cycle of the mean, 103.3 Hz; the sum takes each piece's middle.
    let integrated = integrate(&path, 0.3).unwrap();
    assert_eq!(integrated.knots().len(), (0.3_f64 * 310.0 / 3.0 * 4.0).ceil() as usize + 1);
    let exact = 5.0 + 0.1 * (110.0 + 105.0) + 0.05 * 90.0;
    assert!((integrated.knots()[integrated.knots().len() - 1] - exact).abs() < 0.01);
    assert!((integrated.duration_s() - 0.3).abs() < 1e-12);
}

#[test]
fn phases_go_on_without_jumps_and_faint_values_have_none() {
    let times: Vec<f64> = (0..50).map(f64::from).collect();
    let phase = |i: usize| 0.37 * i as f64 - 0.2;
    let mut values: Vec<Complex64> = (0..50).map(|i| Complex64::from_polar(2.0, TAU * phase(i))).collect();
    values[7] = Complex64::new(0.49, 0.0);
    values[8] = Complex64::from_polar(0.51, TAU * phase(8));
    let (t, cycles) = unwrapped(&times, &values);
    assert_eq!(t.len(), 49);
    assert!(!t.contains(&7.0) && t.contains(&8.0), "a quarter of the strong ones is the limit");
    for (t, c) in t.iter().zip(&cycles) {
        // Over the gap the phase is taken as turned least: 0.74 there is -0.26.
        let turned = if *t > 7.0 { phase(*t as usize) - 1.0 } else { phase(*t as usize) };
        assert!((c - turned).abs() < 1e-9, "{t}: {c}");
    }
}

#[test]
fn a_correction_is_a_cubic_through_its_points_and_straight_outside() {
    let t = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
    // With equal steps the cubic of Catmull and Rom gives every parabola back, but for the outermost pieces.
    let parabola = |t: f64| 2.0 - 0.7 * t + 0.3 * t * t;
    let y = t.map(parabola);
    for at in [1.0, 1.3, 2.5, 4.9] {
        assert!((cubic(&t, &y, at as usize, at) - parabola(at)).abs() < 1e-12, "{at}");
    }
    for i in 0..6 {
        assert!((cubic(&t, &y, i, t[i]) - y[i]).abs() < 1e-12);
    }
    let (before, after) = ((y[4] - y[0]) / 4.0, (y[6] - y[2]) / 4.0);
    assert!((cubic(&t, &y, 0, -2.0) - (y[0] - 2.0 * before)).abs() < 1e-12);
    assert!((cubic(&t, &y, 6, 8.0) - (y[6] + 2.0 * after)).abs() < 1e-12);
    // Unequal steps: a straight line stays one.
    let t = [0.0, 0.4, 2.0, 2.1, 5.0];
    let y = t.map(|t| 1.0 - 0.2 * t);
    for (i, at) in [(0, -1.0), (0, 0.3), (1, 1.1), (2, 2.07), (3, 4.0), (4, 6.0)] {
        assert!((cubic(&t, &y, i, at) - (1.0 - 0.2 * at)).abs() < 1e-12, "{at}");
    }
    assert_eq!(cubic(&[0.0, 1.0], &[3.0, 4.0], 0, 0.5), 3.0, "two points make no curve");
}

#[test]
fn a_correction_is_added_at_the_knots_and_cannot_turn_the_angle_back() {
    let right = PhaseTrack::new(0.1, (0..=20).map(f64::from).collect()).unwrap();
    let times: Vec<f64> = (0..8).map(|i| 0.25 * f64::from(i)).collect();
    let line: Vec<f64> = times.iter().map(|t| 0.5 - 0.3 * t).collect();
    let corrected = add_phase(&right, &times, &line).unwrap();
    for (k, c) in corrected.knots().iter().enumerate() {
        assert!((c - (k as f64 + 0.5 - 0.03 * k as f64)).abs() < 1e-12, "{k}");
    }
    let back: Vec<f64> = times.iter().map(|t| if *t > 0.9 { -7.0 } else { 0.0 }).collect();
    let held = add_phase(&right, &times, &back).unwrap();
    let steps: Vec<f64> = held.knots().windows(2).map(|w| w[1] - w[0]).collect();
    // A thousandth of the mean step, 1 cycle.
    assert!(steps.iter().all(|s| *s > 0.999e-3), "{steps:?}");
    assert!(steps.iter().any(|s| (s - 1e-3).abs() < 1e-9));
}

#[test]
fn a_local_parabola_is_the_least_squares_one() {
    let parabola = |i: usize| 1.0 + 0.2 * i as f64 - 0.03 * (i * i) as f64;
    let y: Vec<f64> = (0..20).map(parabola).collect();
    for i in 0..20 {
        assert!((local_parabola(&y, i, 4) - y[i]).abs() < 1e-9, "{i}");
    }
    // The middle of five by Savitzky and Golay: (-3, 12, 17, 12, -3) / 35.
    let y = [0.3, -1.0, 2.0, 0.7, 5.0, 1.1, -0.4];
    let expected = (-3.0 * y[1] + 12.0 * y[2] + 17.0 * y[3] + 12.0 * y[4] - 3.0 * y[5]) / 35.0;
    assert!((local_parabola(&y, 3, 2) - expected).abs() < 1e-12);
    // At the end three points are left, through which the parabola goes.
    assert!((local_parabola(&y, 6, 2) - y[6]).abs() < 1e-12);
    assert_eq!(local_parabola(&y[..2], 1, 2), y[1], "two points make no parabola");
}

#[test]
fn phases_are_smoothed_as_widely_as_their_scatter_asks_for_and_no_wider() {
    let alternating = |size: f64| (0..200).map(|i| if i % 2 == 0 { size } else { -size }).collect::<Vec<f64>>();
    // Second differences of alternating values are four times as large: a variance of 16 / 6 of their square.
    let good = alternating(GOOD_PHASE_CYCLES * (6.0_f64 / 16.0).sqrt() * 2.0);
    assert_eq!(smoothed(&good, 100), good, "four points would do: nothing is smoothed");
    let poor = alternating(10.0 * GOOD_PHASE_CYCLES * (6.0_f64 / 16.0).sqrt());
    let y = smoothed(&poor, 1000);
    // A hundred points are wanted, and half of the record is as many: 49 to either side, the largest weight 9 / (4 n).
    assert!((y[100] - local_parabola(&poor, 100, 49)).abs() < 1e-12);
    let y = smoothed(&poor, 21);
    assert!((y[100] - local_parabola(&poor, 100, 10)).abs() < 1e-12);
    assert_eq!(smoothed(&poor, 5), smoothed(&poor, 6));
    assert_eq!(smoothed(&poor, 4), poor);
    assert_eq!(smoothed(&poor[..4], 100), poor[..4]);
}

#[test]
fn cycles_are_matched_by_their_phase_against_the_mean() {
    // 19 cycles of two orders, turned by known parts of a cycle about 0; the third order only scatters.
    let shift = |j: usize| 0.01 * (j as f64 - 9.0) / 9.0;
    let orders = [Complex64::from_polar(0.2, 0.3), Complex64::from_polar(0.1, -2.0)];
    let turned = |(j, i): (usize, usize)| match orders.get(i) {
        Some(a) => a * Complex64::cis(TAU * (i + 1) as f64 * shift(j)),
        None => Complex64::new(if j % 2 == 0 { 1.0 } else { -1.0 }, 0.0),
    };
    let cycles = ndarray::Array2::from_shape_fn((19, 3), turned);
    let mean: Vec<Complex64> = cycles.columns().into_iter().map(|c| c.sum() / 19.0).collect();
    let about = |(c, m): (ndarray::ArrayView1<'_, Complex64>, &Complex64)| {
        (c.iter().map(|a| (a - m).norm_sqr()).sum::<f64>() / 18.0).sqrt()
    };
    let scatter = cycles.columns().into_iter().zip(&mean).map(about).collect();
    let spectra = OrderSpectra { cycles, mean, scatter, mean_hz: 100.0 };
    let found = matched_phases(&spectra).unwrap();
    for (j, s) in found.iter().enumerate() {
        // The sine of a hundredth of two turns is 0.3 % less than its angle; the mean is as much smaller.
        assert!((s - shift(j)).abs() < 1e-4, "{j}: {s}");
    }
    let far = OrderSpectra { cycles: spectra.cycles.mapv(|a| a * Complex64::cis(0.2 * TAU) * 2.0), ..spectra.clone() };
    assert!(matched_phases(&far).unwrap().iter().all(|s| *s == 0.125), "an eighth of a cycle is the most");
    let unclear = OrderSpectra { scatter: vec![5.0; 3], ..spectra };
    assert!(matched_phases(&unclear).is_none());
}

/// 4 s of a line of 600 to 640 Hz, its firing at 9 Hz, with twice and three times its frequency.
fn wandering(t: f64) -> f64 {
    0.3 + 600.0 * t + 5.0 * t * t + 0.2 * (TAU * 9.0 * t).sin()
}

fn record(seconds: f64, turns: impl Fn(f64) -> f64) -> Vec<f32> {
    let value =
        |turns: f64| (TAU * turns).cos() + 0.3 * (2.0 * TAU * turns + 0.7).cos() + 0.2 * (3.0 * TAU * turns).sin();
    (0..=(RATE_HZ * seconds) as usize).map(|i| value(turns(i as f64 / RATE_HZ)) as f32).collect()
}

/// Farthest that a track is from an angle, once their difference in the middle is taken off, at and beyond `inside` seconds
/// from the ends.
fn farthest(found: &PhaseTrack, turns: impl Fn(f64) -> f64, inside: f64) -> f64 {
    let seconds = found.duration_s();
    let off = |t: f64| found.cycles_at(t) - turns(t);
    let middle = off(0.5 * seconds);
    let times = (0..=1000).map(|i| inside + (seconds - 2.0 * inside) * f64::from(i) / 1000.0);
    times.map(|t| (off(t) - middle).abs()).fold(0.0, f64::max)
}

#[test]
fn a_line_is_followed_through_a_long_record_from_a_path_that_is_a_little_off() {
    let seconds = 4.0;
    let samples = record(seconds, wandering);
    let pyramid = Pyramid::new(&samples, RATE_HZ, &mut Kept::default());
    let hz = |t: f64| 1.002 * (600.0 + 10.0 * t);
    let frequency_hz = (0..1000).map(|i| hz(0.002 + 0.004 * f64::from(i))).collect();
    let path = LinePath { hop_s: 0.004, first_s: 0.002, frequency_hz, power: 0.5 };
    let followed = follow(&pyramid, &path).unwrap();
    assert!((followed.duration_s() - pyramid.last_s()).abs() < 1e-9);
    let off = farthest(&followed, wandering, 0.0);
    assert!(off < 0.02, "{off}");
    // The phase is the line's own: its cosine is at its highest at whole cycles.
    let phase = followed.cycles_at(2.0) - wandering(2.0);
    assert!((phase - phase.round()).abs() < 0.005, "{phase}");
    let refined = refine(&pyramid, followed, 3).unwrap();
    let off = farthest(&refined, wandering, 0.01);
    assert!(off < 0.002, "{off}");
}

#[test]
fn every_cycle_is_matched_where_the_track_is_off_by_a_part_of_one() {
    let seconds = 0.5;
    let samples = record(seconds, wandering);
    let pyramid = Pyramid::new(&samples, RATE_HZ, &mut Kept::default());
    let off = track(seconds, |t| wandering(t) + 0.05 * (TAU * 12.0 * t).sin());
    let found = refine(&pyramid, off, 3).unwrap();
    let left = farthest(&found, wandering, 0.01);
    assert!(left < 0.002, "{left}");
}

#[test]
fn what_repeats_with_the_track_is_taken_out_and_nothing_else() {
    let seconds = 0.5;
    let turns = |t: f64| 0.4 + 300.0 * t + 40.0 * t * t;
    let other = |t: f64| 0.5 * (TAU * 47.3 * t).cos() + 0.2;
    let ripple = record(seconds, turns);
    let mut samples: Vec<f32> = (0u32..).zip(&ripple).map(|(i, x)| x + other(f64::from(i) / RATE_HZ) as f32).collect();
    remove_synchronous(&mut samples, RATE_HZ, &track(seconds, turns)).unwrap();
    let rest = (0u32..).zip(&samples).map(|(i, x)| f64::from(*x) - other(f64::from(i) / RATE_HZ)).collect::<Vec<f64>>();
    let rms = |x: &[f64]| (x.iter().map(|x| x * x).sum::<f64>() / x.len() as f64).sqrt();
    let whole = rms(&ripple.iter().map(|x| f64::from(*x)).collect::<Vec<f64>>());
    // 66 points of a cycle, straight between: (pi / 66)^2 / 3 of it and 9 times that of order 3; the other line leaves its
    // mean over 155 cycles at every point.
    assert!(rms(&rest) < 0.01 * whole, "{}", rms(&rest) / whole);
    // The level stays.
    assert!(rest.iter().sum::<f64>().abs() / (rest.len() as f64) < 1e-3);
}

#[test]
fn a_cycle_is_subtracted_at_the_middles_of_its_points_and_straight_between_them() {
    let cycle = [1.0, -2.0, 4.0, 0.5];
    let turns = PhaseTrack::new(0.5, vec![0.25, 1.5, 3.5]).unwrap();
    let mut samples = vec![0.0f32; 41];
    subtract(&mut samples, 40.0, &turns, &cycle);
    for (i, x) in samples.iter().enumerate() {
        let at = 4.0 * turns.cycles_at(i as f64 / 40.0) - 0.5;
        let (k, along) = (at.floor(), at - at.floor());
        let value = |k: f64| cycle[k.rem_euclid(4.0) as usize];
        let expected = -(value(k) + along * (value(k + 1.0) - value(k)));
        assert!((f64::from(*x) - expected).abs() < 1e-5, "{i}: {x} {expected}");
    }
}

#[test]
fn windows_at_both_ends_of_the_record_take_what_there_is() {
    let turns = |t: f64| 500.0 * t;
    let track = track(0.1, turns);
    let samples: Vec<f32> = (0..=2000).map(|i| (TAU * turns(f64::from(i) / RATE_HZ) + 0.6).cos() as f32).collect();
    let mut rest = AtRest::new(&samples, RATE_HZ, &track);
    // Half a cycle from either end, and in the middle; a window is 80 samples to either side.
    for centre in [20.0, 1000.0, 1980.0] {
        let mean = rest.windowed_mean(centre, 80.0);
        // Half the amplitude; the double frequency leaves a little where the window is cut.
        assert!((mean - Complex64::from_polar(0.5, 0.6)).norm() < 0.06, "{centre}: {mean}");
    }
}

#[test]
fn phases_that_noise_scatters_are_smoothed_over_eight_milliseconds() {
    // 2 kHz and as much noise as line: a cycle of 25 samples tells its phase to 0.02 cycle, 15 of them to 0.01.
    let (rate_hz, turns) = (50_000.0, |t: f64| 2000.0 * t);
    let mut state = 1u32;
    let mut noise = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        2.0 * (f64::from(state >> 8) / f64::from(1 << 24) - 0.5)
    };
    let samples: Vec<f32> =
        (0..=20_000).map(|i| ((TAU * turns(f64::from(i) / rate_hz)).cos() + noise()) as f32).collect();
    let found = refine(&Pyramid::new(&samples, rate_hz, &mut Kept::default()), track(0.4, turns), 3).unwrap();
    let off: Vec<f64> = (100..3100).map(|k| found.knots()[k] - turns(k as f64 * found.step_s())).collect();
    let mean = off.iter().sum::<f64>() / off.len() as f64;
    let rms = (off.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / off.len() as f64).sqrt();
    assert!(rms < 0.016, "{rms}");
}
