//! Every step of the search for lines against its definition, then the search on lines that are known.

use super::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Noise between -0.5 and 0.5, the same every time.
fn noise(count: usize) -> Vec<f32> {
    let mut state = 1u32;
    let next = |_| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (f64::from(state >> 8) / f64::from(1 << 24) - 0.5) as f32
    };
    (0..count).map(next).collect()
}

#[test]
fn the_median_by_counting_is_that_of_the_sorted_values() {
    let mut values: Vec<f32> = (0..1001u32).map(|i| (i * 7919 % 1009) as f32 * 1e-3).collect();
    let median = |power: &[f32]| widest(Median { power, per_hz: &[1.0], every: 1 });
    for count in [1, 2, 7, 1000, 1001] {
        let found = median(&values[..count]);
        let mut sorted = values[..count].to_vec();
        sorted.sort_unstable_by(f32::total_cmp);
        assert_eq!(found, sorted[count / 2], "{count}");
    }
    values.fill(0.0);
    assert_eq!(median(&values), 0.0);
    assert_eq!(median(&[]), 0.0);
}

#[test]
fn halving_is_the_half_band_filter_on_a_record_mirrored_at_its_ends() {
    // Shorter than a part of the work, just beyond one, and over several; even and odd.
    for count in [25, 26, 2 * HALVED_AT_ONCE - 1, 2 * HALVED_AT_ONCE + 3, 5 * HALVED_AT_ONCE + 8] {
        let x = noise(count);
        let at = |i: isize| {
            let last = count as isize - 1;
            f64::from(x[if i.abs() > last { 2 * last - i } else { i.abs() } as usize])
        };
        let halved = halve(&x, Pooled::default());
        assert_eq!(halved.len(), count / 2);
        for (k, y) in halved.iter().enumerate() {
            let beside = |(d, w): (usize, f32)| {
                f64::from(w) * (at(2 * k as isize - d as isize) + at(2 * k as isize + d as isize))
            };
            let expected = 0.5 * at(2 * k as isize) + HALF_BAND.into_iter().map(beside).sum::<f64>();
            // Thirteen products of single precision.
            assert!((f64::from(*y) - expected).abs() < 1e-6, "{count} {k}");
        }
    }
}

#[test]
fn halving_keeps_what_is_slow_and_takes_out_what_would_fold() {
    assert!(halve(&[1.0; 200], Pooled::default()).iter().all(|y| (y - 1.0).abs() < 1e-5));
    let line = |cycles: f64| (0..2000).map(|i| (TAU * cycles * f64::from(i)).cos() as f32).collect::<Vec<f32>>();
    let inside = |x: &[f32]| halve(x, Pooled::default())[20..980].to_vec();
    for (y, i) in inside(&line(0.1)).iter().zip(20..) {
        assert!((f64::from(*y) - (TAU * 0.2 * f64::from(i)).cos()).abs() < 0.002);
    }
    assert!(inside(&line(0.4)).iter().all(|y| y.abs() < 0.002));
}

#[test]
fn a_level_of_the_pyramid_has_the_samples_per_cycle_that_are_asked_for() {
    let x = noise(40_000);
    let pyramid = Pyramid::new(&x, 40_000.0, &mut Kept::default());
    assert!((pyramid.last_s() - 39_999.0 / 40_000.0).abs() < 1e-12);
    for hz in [40.0, 77.0, 312.5, 1249.0, 1250.0, 4000.0] {
        let (rate, level) = pyramid.level_of(16.0, hz);
        let per_cycle = rate / hz;
        // Nothing is halved below 16 samples a cycle of the lowest line, and the record itself cannot be doubled.
        assert!((16.0..32.0).contains(&per_cycle) || rate == 40_000.0, "{hz}: {per_cycle}");
        assert_eq!(level.len(), (40_000.0 * rate / 40_000.0) as usize);
    }
    assert_eq!(pyramid.level_of(16.0, 20_000.0).0, 40_000.0, "fewer samples than asked for only at the top");
    assert_eq!(pyramid.level_for(156.25).0, 1250.0);
}

#[test]
fn a_bin_has_a_window_for_every_so_many_frames_and_straight_lines_between() {
    let x = noise(3000);
    let kernel = Kernel::new(0.021, x.len());
    assert_eq!(kernel.length, 381);
    let mut end = x[x.len() - kernel.reach()..].to_vec();
    end.resize(end.len() + LANES, 0.0);
    let (bins, frames, every) = (3, 51, 7);
    let (begin, hop) = (-150.25, 62.5);
    let fixed = |samples: f64| (samples * f64::from(1 << FRACTION)) as i64;
    let mut power = vec![0.0; bins * frames - 2];
    widest(Column {
        x: &x,
        end: &end,
        kernel: &kernel,
        begin: fixed(begin),
        hop: fixed(hop),
        every,
        power: &mut power,
        bins,
    });
    let windowed = |frame: usize| {
        let start = ((begin + hop * frame as f64).floor().max(0.0) as usize).min(x.len() - kernel.length);
        let sum = (0..kernel.length).map(|i| {
            let weight = 1.0 - (TAU * (i as f64 + 0.5) / kernel.length as f64).cos();
            Complex64::from_polar(weight * f64::from(x[start + i]), TAU * 0.021 * i as f64)
        });
        2.0 * (sum.sum::<Complex64>() / kernel.length as f64).norm_sqr()
    };
    for frame in 0..frames {
        // 51 frames: windows at 0, 7 and so on to 49, and at the last one, 50.
        let (from, to) = (frame / every * every, (frame / every * every + every).min(frames - 1));
        let along = if frame == from { 0.0 } else { (frame - from) as f64 / (to - from) as f64 };
        let expected = windowed(from) + along * (windowed(to) - windowed(from));
        assert!((f64::from(power[frame * bins]) - expected).abs() < 1e-6, "{frame}");
    }
    assert!((0..frames - 1).all(|frame| power[frame * bins + 1] == 0.0), "other bins stay as they were");
}

fn picture(bins_hz: Vec<f64>, power: Vec<f32>) -> Picture {
    let frames = power.len() / bins_hz.len();
    Picture { bins_hz, hop_s: HOP_S, first_s: 0.0, frames, power: power.into() }
}

#[test]
fn the_floor_is_six_medians_of_the_power_for_each_hertz() {
    let bins_hz = vec![100.0, 200.0, 400.0];
    let mut white = picture(bins_hz.clone(), bins_hz.iter().cycle().take(30).map(|hz| 0.01 * *hz as f32).collect());
    white.power[3 * 4 + 1] = 40.0;
    white.remove_floor();
    for (i, p) in white.power.iter().enumerate() {
        // 200 Hz times 0.01 and 6.
        let expected = if i == 13 { 40.0 - 12.0 } else { 0.0 };
        assert!((p - expected).abs() < 1e-4, "{i}: {p}");
    }
}

#[test]
fn a_peak_lies_at_the_vertex_of_the_parabola_through_three_bins() {
    let bins_hz: Vec<f64> = (0..3).map(|b| 100.0 * (f64::from(b) / BINS_PER_OCTAVE).exp2()).collect();
    let peak =
        |powers: [f32; 3], b: usize| (picture(bins_hz.clone(), powers.to_vec()).peak_near(0, b) / bins_hz[b]).log2();
    // 4 - (x - 1/4)^2 at -1, 0 and 1.
    assert!((peak([2.4375, 3.9375, 3.4375], 1) * BINS_PER_OCTAVE - 0.25).abs() < 1e-6);
    assert_eq!(peak([1.0, 1.0, 1.0], 1), 0.0, "no curvature, no peak");
    assert_eq!(peak([3.0, 1.0, 2.0], 1), 0.0, "nor in a hollow");
    assert!((peak([0.0, 2.0, 3.9], 1) * BINS_PER_OCTAVE - 1.0).abs() < 1e-6, "not beyond the next bin");
    assert_eq!(peak([2.4375, 3.9375, 3.4375], 0), 0.0);
    assert_eq!(peak([2.4375, 3.9375, 3.4375], 2), 0.0);
}

#[test]
fn the_best_path_is_the_best_of_all_paths() {
    let (bins, frames) = (4, 6);
    let bins_hz: Vec<f64> = vec![1000.0, 2000.0, 4000.0, 8000.0];
    for seed in 0..20 {
        let power =
            noise((seed + 1) * bins * frames)[seed * bins * frames..].iter().map(|x| (x + 0.5) * (x + 0.5)).collect();
        let picture = picture(bins_hz.clone(), power);
        let (score, back) = widest(BestSteps(&picture));
        let highest =
            |frame: usize| (0..bins).map(|b| picture.power[frame * bins + b] * weight(bins_hz[b])).fold(0.0, f32::max);
        let turn = TURN_COST * (0..frames).map(highest).sum::<f32>() / frames as f32;
        // A path is a first bin and steps of -1, 0 and 1.
        let mut best = [f32::NEG_INFINITY; 4];
        for code in 0..bins * 3usize.pow(frames as u32 - 1) {
            let (mut b, mut rest) = ((code % bins) as isize, code / bins);
            let mut sum = picture.power[b as usize] * weight(bins_hz[b as usize]);
            for frame in 1..frames {
                let step = rest as isize % 3 - 1;
                (b, rest) = (b + step, rest / 3);
                if !(0..bins as isize).contains(&b) {
                    sum = f32::NEG_INFINITY;
                    break;
                }
                sum +=
                    picture.power[frame * bins + b as usize] * weight(bins_hz[b as usize]) - turn * step.abs() as f32;
            }
            if sum > f32::NEG_INFINITY {
                best[b as usize] = best[b as usize].max(sum);
            }
        }
        for b in 0..bins {
            assert!((score[1 + b] - best[b]).abs() < 1e-5, "{seed} {b}: {} {}", score[1 + b], best[b]);
            // The steps back give the same score.
            let (mut at, mut sum) = (b as isize, 0.0);
            for frame in (0..frames).rev() {
                sum += picture.power[frame * bins + at as usize] * weight(bins_hz[at as usize]);
                let step = isize::from(back[frame * bins + at as usize]);
                if frame > 0 {
                    (at, sum) = (at + step, sum - turn * step.abs() as f32);
                }
            }
            assert!((sum - best[b]).abs() < 1e-5, "{seed} {b}");
        }
    }
}

#[test]
fn ringing_weighs_half_at_its_corner_and_little_an_octave_above() {
    assert!((weight(RINGING_HZ) - 0.5).abs() < 1e-6);
    assert!((weight(2.0 * RINGING_HZ) - 1.0 / 17.0).abs() < 1e-6);
    assert!(weight(0.1 * RINGING_HZ) > 0.9998);
}

#[test]
fn a_trend_is_the_least_squares_line() {
    let hz: Vec<f64> = (0..10).map(|i| 300.0 - 7.0 * f64::from(i) + if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
    // Frames 2, 4, 6, 8 all lie 1 above the line.
    let (at_zero, slope) = trend(&[2, 4, 6, 8], &hz);
    assert!((at_zero - 301.0).abs() < 1e-9 && (slope + 7.0).abs() < 1e-9);
    // 0 and 3: through both, 301 and 278.
    let (at_zero, slope) = trend(&[0, 3], &hz);
    assert!((at_zero - 301.0).abs() < 1e-9 && (slope + 23.0 / 3.0).abs() < 1e-9);
    assert_eq!(trend(&[4], &hz), (hz[4], 0.0));
}

#[test]
fn faint_frames_follow_their_neighbours_and_beyond_them_the_trend_of_the_nearest() {
    let count = 100;
    let line = |i: usize| 400.0 + 2.0 * i as f64;
    // Faint before 10, from 40 to 49 and from 90 on; elsewhere 21 times as strong as the limit, which is at 0.05.
    let is_faint = |i: usize| i < 10 || (40..50).contains(&i) || i >= 90;
    let strength: Vec<f64> = (0..count).map(|i| if is_faint(i) { 0.049 } else { 1.0 }).collect();
    let mut hz: Vec<f64> = (0..count).map(|i| if is_faint(i) { 9000.0 } else { line(i) }).collect();
    bridge_faint(&mut hz, &strength);
    for (i, f) in hz.iter().enumerate() {
        assert!((f - line(i)).abs() < 1e-9, "{i}: {f}");
    }
    // Just strong enough: they stay.
    let strength: Vec<f64> = (0..count).map(|i| if is_faint(i) { 0.051 } else { 1.0 }).collect();
    let mut hz: Vec<f64> = (0..count).map(|i| if is_faint(i) { 9000.0 } else { line(i) }).collect();
    bridge_faint(&mut hz, &strength);
    assert!((0..count).filter(|&i| is_faint(i)).all(|i| hz[i] == 9000.0));
}

#[test]
fn a_trend_ends_at_seven_tenths_and_at_seven_fifths_of_the_last_strong_frame() {
    let strong = |i: usize| (40..80).contains(&i);
    let strength: Vec<f64> = (0..200).map(|i| f64::from(u8::from(strong(i)))).collect();
    // 10 a frame: rising to 1000 at 79 it would reach 1400 at 119; back from 600 at 39 + 1 it would reach 427 at 22.
    let line = |i: usize| 210.0 + 10.0 * i as f64;
    let mut hz: Vec<f64> = (0..200).map(|i| if strong(i) { line(i) } else { 5.0 }).collect();
    bridge_faint(&mut hz, &strength);
    for (i, f) in hz.iter().enumerate() {
        let expected =
            line(i).clamp(if i < 40 { 0.7 * line(40) } else { 0.0 }, if i > 79 { 1.4 * line(79) } else { f64::MAX });
        assert!((f - expected).abs() < 1e-6, "{i}: {f} {expected}");
    }
}

#[test]
fn a_trend_that_falls_ends_there_as_well() {
    let strong = |i: usize| (40..80).contains(&i);
    let strength: Vec<f64> = (0..200).map(|i| f64::from(u8::from(strong(i)))).collect();
    let line = |i: usize| 1400.0 - 10.0 * i as f64;
    let mut hz: Vec<f64> = (0..200).map(|i| if strong(i) { line(i) } else { 5.0 }).collect();
    bridge_faint(&mut hz, &strength);
    for (i, f) in hz.iter().enumerate() {
        let expected = if i < 40 { line(i).min(1.4 * line(40)) } else { line(i).max(0.7 * line(79)) };
        assert!((f - expected).abs() < 1e-6, "{i}: {f} {expected}");
    }
}

#[test]
fn a_line_that_sweeps_is_followed_with_its_mean_square() {
    let (rate_hz, seconds) = (40_000.0, 1.3);
    let hz = |t: f64| 700.0 + 200.0 * t;
    let samples: Vec<f32> = (0..(rate_hz * seconds) as usize)
        .map(|i| i as f64 / rate_hz)
        .map(|t| (0.3 * (TAU * (700.0 * t + 100.0 * t * t)).cos()) as f32)
        .zip(noise(52_000))
        .map(|(x, n)| x + 0.1 * n)
        .collect();
    let path =
        Picture::new(&Pyramid::new(&samples, rate_hz, &mut Kept::default()), &mut Kept::default()).strongest_path();
    // More frames than are filled at once.
    assert_eq!(path.frequency_hz.len(), 325);
    assert!((path.first_s - 0.002).abs() < 1e-9 && path.hop_s == HOP_S);
    for (i, f) in path.frequency_hz.iter().enumerate() {
        let t = path.first_s + i as f64 * path.hop_s;
        // The window of eight cycles, moved into the record at both ends, sees the sweep half a window later there.
        assert!((f / hz(t) - 1.0).abs() < 0.005, "{t}: {f}");
    }
    // Between two bins the window takes 2 %.
    assert!((path.power / 0.045 - 1.0).abs() < 0.05, "{}", path.power);
}

#[test]
fn bins_reach_from_the_lowest_line_that_fits_the_record_to_the_highest_that_the_rate_tells() {
    let range = |rate_hz: f64, count: usize| {
        let samples = noise(count);
        let picture = Picture::new(&Pyramid::new(&samples, rate_hz, &mut Kept::default()), &mut Kept::default());
        assert_eq!(picture.power.len(), picture.frames * picture.bins_hz.len());
        (picture.bins_hz[0], picture.bins_hz[picture.bins_hz.len() - 1], picture.frames)
    };
    // The last bin lies within a sixteenth of an octave below the highest frequency.
    let just_below = |hz: f64, highest: f64| hz <= highest && hz * (1.0 / 16.0_f64).exp2() > highest;
    let (low, high, frames) = range(40_000.0, 20_000);
    assert!(low == LOWEST_HZ && just_below(high, HIGHEST_HZ) && frames == 125);
    // A tenth of a second holds eight cycles of 80 Hz, and 25 frames; 10 kHz tells up to 4,200 Hz.
    let (low, high, frames) = range(10_000.0, 1000);
    assert!((low - 80.0).abs() < 1e-9 && just_below(high, 4200.0) && frames == 25);
    // Sixteen frames at least.
    assert_eq!(range(40_000.0, 1200).2, 16);
}

#[test]
fn of_two_lines_the_stronger_is_taken_and_ringing_is_passed_over() {
    let rate_hz = 40_000.0;
    let strongest = |lines: [(f64, f64); 2]| {
        let value = |t: f64| lines.iter().map(|(hz, size)| size * (TAU * hz * t).cos()).sum::<f64>();
        let samples: Vec<f32> = (0..8_000).map(|i| value(f64::from(i) / rate_hz) as f32).collect();
        let path =
            Picture::new(&Pyramid::new(&samples, rate_hz, &mut Kept::default()), &mut Kept::default()).strongest_path();
        path.frequency_hz[25]
    };
    assert!((strongest([(200.0, 1.0), (1200.0, 0.9)]) / 200.0 - 1.0).abs() < 0.005);
    assert!((strongest([(200.0, 0.9), (1200.0, 1.0)]) / 1200.0 - 1.0).abs() < 0.005);
    // At 12 kHz a line weighs 1 / 82: it needs nine times the size.
    assert!((strongest([(1200.0, 0.15), (12_000.0, 1.0)]) / 1200.0 - 1.0).abs() < 0.005);
    assert!((strongest([(1200.0, 0.08), (12_000.0, 1.0)]) / 12_000.0 - 1.0).abs() < 0.005);
}
