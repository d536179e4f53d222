//! What a cycle is put together from, against closed forms and sums written out.

use super::*;
use crate::trace::{Coupling, Role};
use std::f64::consts::{PI, SQRT_2, TAU};

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * (1.0 + b.abs())
}

/// A cycle of 200 Hz over the track, order 6 with 0.3 V and order 1 with 0.1 V.
fn hypothesis(track: PhaseTrack) -> CycleHypothesis {
    let mut mean = vec![Complex64::ZERO; ORDERS];
    (mean[0], mean[5]) = (Complex64::from_polar(0.1, 0.4), Complex64::from_polar(0.3, -1.0));
    // Orders that are not there scatter as well.
    let mut scatter = vec![1.0; ORDERS];
    (scatter[0], scatter[5]) = (0.06, 0.36);
    let points: Vec<f64> = (0..POINTS_PER_CYCLE).map(|k| 14.0 + 0.01 * k as f64).collect();
    CycleHypothesis {
        track,
        mean_points: points,
        points_std: vec![0.0; POINTS_PER_CYCLE],
        spectra: OrderMeans { mean, scatter, dispersion: vec![0.0; ORDERS], cycle_count: 200, mean_hz: 200.0 },
        restored: vec![Complex64::new(0.02, 0.0), Complex64::new(0.0, -0.01)],
        line_order: 6,
        rank: 0,
        relative_power: 1.0,
        unseen_ends_s: [0.0; 2],
    }
}

fn steady() -> CycleHypothesis {
    hypothesis(PhaseTrack::constant(200.0, 2.0).unwrap())
}

/// From 100 Hz to 300 Hz within a second.
fn ramp() -> PhaseTrack {
    let angle = |t: f64| 100.0 * t + 100.0 * t * t;
    PhaseTrack::new(1e-3, (0..=1000).map(|k| angle(f64::from(k) * 1e-3)).collect()).unwrap()
}

#[test]
fn the_frequency_is_known_to_the_phase_at_both_ends() {
    // The scatter turns order 1 by 0.6 rad, order 6 by 1.2 rad of its own, 0.2 of the cycle: that is the better one. Half of
    // it at either end, 1 / (20 pi) cycles, and 0.006.
    let one_end = (0.2 / (4.0 * PI)).hypot(0.006);
    assert!(near(mean_hz_std(&steady()), one_end * SQRT_2 / 2.0));
    // Of a ramp the lag is 0.06 for each of ln 3 e-folds, less half a cycle at either end.
    let h = hypothesis(ramp());
    let folds = (300.0_f64 / 100.0).ln();
    let expected = (one_end * SQRT_2).hypot(LAG_CYCLES_PER_E_FOLD_STD * folds);
    assert!((mean_hz_std(&h) / expected - 1.0).abs() < 0.02, "{} {expected}", mean_hz_std(&h));
}

#[test]
fn ends_that_no_ripple_shows_are_as_uncertain_as_the_acceleration_there() {
    let mut h = steady();
    h.unseen_ends_s = [0.3, 0.4];
    // A tenth of 200 Hz in a second: 10 s^2 cycles.
    let unseen = 0.9_f64.hypot(1.6);
    assert!(near(continued_cycles_std(&h), unseen));
    let seen = mean_hz_std(&steady());
    assert!(near(mean_hz_std(&h), seen.hypot(unseen / 2.0)));
    let mut h = hypothesis(ramp());
    h.unseen_ends_s = [0.1, 0.0];
    // Half of 200 Hz in a second, less what the first and the last millisecond do not show of it.
    assert!((continued_cycles_std(&h) - 0.5).abs() < 1e-3);
}

#[test]
fn the_track_is_given_as_the_mean_frequencies_of_equal_stretches() {
    let (time_s, hz) = speed_points(&ramp());
    assert_eq!(time_s.len(), 200, "200 cycles");
    for (t, f) in time_s.iter().zip(&hz) {
        assert!((f - (100.0 + 200.0 * t)).abs() < 1e-6, "{t}: {f}");
    }
    assert!(near(time_s[0], 0.0025) && near(time_s[199], 0.9975));
    let (time_s, hz) = speed_points(&PhaseTrack::constant(10.0, 0.35).unwrap());
    assert_eq!((time_s.len(), hz.len()), (3, 3), "no stretch is shorter than a cycle");
    let (time_s, hz) = speed_points(&PhaseTrack::constant(10.0, 0.05).unwrap());
    assert!(time_s.len() == 1 && near(time_s[0], 0.025) && near(hz[0], 10.0));
}

#[test]
fn the_machine_turns_as_the_ripple_and_what_that_falls_behind() {
    assert!(near(steady().electrical_hz(), 200.0));
    let ahead = hypothesis(ramp()).electrical_hz() - 200.0;
    assert!((ahead - 0.11 * 3.0_f64.ln()).abs() < 2e-3, "{ahead}");
}

#[test]
fn a_cycle_repeats_what_its_hypothesis_holds() {
    let mut h = hypothesis(ramp());
    h.spectra.dispersion[5] = 0.02;
    let cycle = Cycle::of("post", &h, Vec::new());
    assert!(near(cycle.order_amplitudes_v[5], 0.3) && near(cycle.order_phases_rad[5], -1.0));
    assert!(near(cycle.order_amplitudes_v_std[5], 0.36 / 200.0_f64.sqrt()));
    assert!(near(cycle.order_dispersion_v[5], 0.02) && cycle.cycle_count == 200);
    assert!(near(cycle.electrical_hz.unwrap(), h.electrical_hz()));
    // The first and the last of 200 stretches: 100.5 and 299.5 Hz.
    assert!((cycle.speed_change.unwrap() - 199.0 / h.electrical_hz()).abs() < 1e-6);
}

#[test]
fn the_mean_cycle_has_no_level_and_what_the_high_pass_took_is_put_back() {
    let h = steady();
    let mean = mean_cycle(&h);
    for (k, v) in mean.iter().enumerate() {
        let theta = TAU * (k as f64 + 0.5) / 192.0;
        // 0.02 cos theta + 0.01 sin 2 theta, on a ramp about its middle.
        let expected = 0.01 * (k as f64 - 95.5) + 0.02 * theta.cos() + 0.01 * (2.0 * theta).sin();
        assert!(near(*v, expected), "{k}");
    }
}

#[test]
fn better_orders_take_the_place_of_the_averaged_ones() {
    let mut h = steady();
    let before = h.clone();
    let new = [Complex64::from_polar(0.1, 0.4), Complex64::new(0.05, 0.02)];
    replace_orders(&mut h.mean_points, &mut h.spectra, &new);
    for (k, (x, y)) in h.mean_points.iter().zip(&before.mean_points).enumerate() {
        let theta = 2.0 * TAU * (k as f64 + 0.5) / 192.0;
        assert!(near(x - y, 0.05 * theta.cos() - 0.02 * theta.sin()), "{k}");
    }
    assert!((h.spectra.mean[1] - new[1]).norm() < 1e-12);
    assert_eq!(h.spectra.mean[2..], before.spectra.mean[2..]);
    assert_eq!(h.spectra.scatter, before.spectra.scatter);
}

#[test]
fn the_power_of_a_line_is_half_its_amplitude_squared() {
    let mut h = steady();
    assert!(near(line_power(&h), 0.045));
    h.line_order = 1;
    assert!(near(line_power(&h), 0.005));
    h.line_order = 30;
    assert_eq!(line_power(&h), 0.0);
}

#[test]
fn what_high_pass_and_coupling_let_through_is_known_in_closed_form() {
    let trace = |coupling| Trace::from_f64(vec![0.0; 4000], 20_000.0, coupling, Role::ChargingPost).unwrap();
    let dc = trace(Coupling::Dc);
    let view = Levelled::new(&dc, 20.0).unwrap();
    assert!(near(seen(&view, 20.0), 0.5) && near(seen(&view, 60.0), 0.9));
    assert!((passed(&view, 60.0) - Complex64::new(0.9, 0.0)).norm() < 1e-12);
    let ac = trace(Coupling::Ac).with_coupling_corner_hz(30.0).unwrap();
    let view = Levelled::new(&ac, 20.0).unwrap();
    // j f / (fc + j f) at twice the corner: (4 + 2 j) / 5.
    assert!((passed(&view, 60.0) - 0.9 * Complex64::new(0.8, 0.4)).norm() < 1e-12);
}

#[test]
fn sums_of_squares_and_of_steps_are_those_written_out() {
    let x: Vec<f64> = (0..40).map(|i| f64::from(i * 7919 % 31) - 11.5).collect();
    for count in 0..40 {
        let (squares, steps) = widest(SquaresAndSteps(&x[..count]));
        assert!(near(squares, x[..count].iter().map(|x| x * x).sum()), "{count}");
        let expected: f64 = x[..count].windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
        assert!(near(steps, expected), "{count}");
    }
}

#[test]
fn a_record_is_skimmed_to_means_and_two_levels_of_noise() {
    // 130 kHz: three samples a mean; two blocks and a part.
    let (rate_hz, count) = (130_000.0, 5000);
    let x: Vec<f64> =
        (0..count).map(|i| 14.0 + 0.3 * (0.07 * f64::from(i)).sin() + f64::from(i * 7919 % 31) * 1e-3).collect();
    let trace = Trace::from_f64(x, rate_hz, Coupling::Dc, Role::ChargingPost).unwrap();
    let view = Levelled::new(&trace, SEARCH_CORNER_HZ).unwrap();
    let mut levelled = vec![0.0; 5000];
    view.read(0, &mut levelled);
    let skimmed = Skimmed::new(&view);
    assert!(near(skimmed.search_rate_hz, rate_hz / 3.0));
    let means: Vec<f32> = levelled.chunks_exact(3).map(|c| (c.iter().sum::<f64>() / 3.0) as f32).collect();
    assert_eq!(*skimmed.search, means);
    let n = f64::from(count);
    assert!(near(skimmed.ac_rms_v, (levelled.iter().map(|x| x * x).sum::<f64>() / n).sqrt()));
    let steps: f64 = levelled.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
    assert!(near(skimmed.noise_rms_v, (0.5 * steps / n).sqrt()));
    // A rate below the search's own stays.
    let slow = Trace::from_f64(vec![1.0; 500], 10_000.0, Coupling::Dc, Role::ChargingPost).unwrap();
    let skimmed = Skimmed::new(&Levelled::new(&slow, SEARCH_CORNER_HZ).unwrap());
    assert!(skimmed.search.len() == 500 && skimmed.search_rate_hz == 10_000.0);
}

#[test]
fn a_converter_is_coarse_below_so_many_steps_of_ripple_and_without_noise() {
    assert_eq!(coarse(Some(0.1), 0.119, 0.099), Some(0.1));
    assert_eq!(coarse(Some(0.1), 0.121, 0.099), None);
    assert_eq!(coarse(Some(0.1), 0.119, 0.101), None);
    assert_eq!(coarse(None, 0.0, 0.0), None);
}

/// Six pulses of unequal height at 150 Hz, beside them a line of 95 Hz, twice as strong, that has nothing to do with them, and
/// a little noise.
fn two_sources(seconds: f64) -> Trace {
    let rate_hz = 25_000.0;
    let mut state = 1u32;
    let mut noise = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        0.02 * (f64::from(state >> 8) / f64::from(1 << 24) - 0.5)
    };
    let mut value = |t: f64| {
        let turns = TAU * 150.0 * t;
        14.0 + 0.1 * (6.0 * turns).cos() + 0.02 * (turns + 0.5).cos() + 0.2 * (TAU * 95.0 * t + 1.0).cos() + noise()
    };
    let samples = (0..(seconds * rate_hz) as usize).map(|i| value(i as f64 / rate_hz)).collect();
    Trace::from_f64(samples, rate_hz, Coupling::Dc, Role::ChargingPost).unwrap()
}

#[test]
fn weaker_lines_are_found_once_the_stronger_ones_are_taken_out() {
    let found = hypotheses(&two_sources(0.4)).unwrap();
    let at = |hz: f64| found.iter().find(|h| (h.track.mean_hz() / hz - 1.0).abs() < 1e-3);
    let first = at(95.0).unwrap();
    assert_eq!((first.rank, first.line_order, first.relative_power), (0, 1, 1.0));
    let pulses = at(150.0).unwrap();
    assert_eq!((pulses.rank, pulses.line_order), (1, 6));
    // A quarter of the power, and the high-pass takes its share of the line of 95 Hz before.
    let expected = 0.25 * (1.0 + (20.0_f64 / 95.0).powi(2)).powi(2);
    assert!((pulses.relative_power - expected).abs() < 0.02, "{}", pulses.relative_power);
    assert!((pulses.spectra.mean[5].norm() - 0.1).abs() < 1e-3 && (pulses.spectra.mean[0].norm() - 0.02).abs() < 1e-3);
    // 900 Hz as order 1, 2, 3, 6 and 12; 95 Hz as order 1, 2 and 3 only: a sixth of it is below 30 Hz.
    for hz in [900.0, 450.0, 300.0, 75.0, 47.5] {
        assert!(at(hz).is_some(), "{hz}");
    }
    assert!(at(95.0 / 6.0).is_none());
    for (i, a) in found.iter().enumerate() {
        for b in &found[..i] {
            assert!((a.track.mean_hz() / b.track.mean_hz() - 1.0).abs() >= SAME_HZ);
        }
    }
}

#[test]
fn a_line_is_taken_as_no_cycle_of_which_the_record_holds_fewer_than_four() {
    // 0.05 s hold 7.5 cycles of 150 Hz and 3.75 of 75 Hz.
    let found = hypotheses(&two_sources(0.05)).unwrap();
    assert!(!found.is_empty());
    for h in &found {
        assert!(h.spectra.cycle_count >= FEWEST_CYCLES && h.track.whole_cycles().1 >= FEWEST_CYCLES);
        assert!((LOWEST_ELECTRICAL_HZ..=HIGHEST_ELECTRICAL_HZ).contains(&h.track.mean_hz()));
    }
}

#[test]
fn pulses_at_the_told_frequency_are_looked_for_beside_what_was_found() {
    let trace = two_sources(0.4);
    let view = Levelled::new(&trace, SEARCH_CORNER_HZ).unwrap();
    let found = hypotheses(&trace).unwrap();
    let lines_at_95: Vec<CycleHypothesis> = found.iter().filter(|h| h.rank == 0).cloned().collect();
    let new = expected_in(&view, &lines_at_95, None, 6, (151.0, 0.02));
    assert_eq!(new.len(), 1);
    assert!((new[0].track.mean_hz() - 150.0).abs() < 0.02, "{}", new[0].track.mean_hz());
    assert_eq!((new[0].line_order, new[0].rank), (6, SEARCHES - 1));
    // Mean squares 0.005 and 0.02: what the high-pass takes is put back.
    assert!((new[0].relative_power - 0.25).abs() < 0.02, "{}", new[0].relative_power);
    assert!(expected_in(&view, &found, None, 6, (151.0, 0.02)).is_empty(), "it is known already");
    let alone = expected_in(&view, &[], None, 6, (151.0, 0.02));
    assert!(alone.len() == 1 && alone[0].relative_power == 1.0);
}

/// 60 cycles of 183 Hz of which the ripple spans 2.6 steps of the converter.
#[test]
fn orders_of_a_coarse_converter_come_from_its_codes_as_the_high_pass_lets_them_through() {
    const STEP_V: f64 = 0.16;
    let truth = [(1, 0.03, 0.4), (2, 0.02, -1.0), (6, 0.17, 0.7), (12, 0.02, 2.0)];
    let (rate_hz, hz) = (50_000.0, 183.0);
    let wave = |t: f64| 14.05 + truth.iter().map(|(n, c, p)| c * (TAU * f64::from(*n) * hz * t + p).cos()).sum::<f64>();
    let counts =
        (0..(60.0 / hz * rate_hz) as usize).map(|i| (wave(i as f64 / rate_hz) / STEP_V).round() as i16).collect();
    let trace = Trace::from_counts(counts, STEP_V, 0.0, rate_hz, Coupling::Dc, Role::ChargingPost).unwrap();
    let found = hypotheses(&trace).unwrap();
    let h = found.iter().find(|h| (h.track.mean_hz() / hz - 1.0).abs() < 1e-3).unwrap();
    // The track begins at an angle of its own: amplitudes are compared. What the codes leave is below a twelfth of a step.
    for (n, amplitude, _) in truth {
        let found = h.spectra.mean[n as usize - 1].norm();
        assert!((found - amplitude).abs() < 0.013, "{n}: {found}");
    }
    let mean = mean_cycle(h);
    let rms = (mean.iter().map(|v| v * v).sum::<f64>() / mean.len() as f64).sqrt();
    let expected = (truth.iter().map(|(_, c, _)| 0.5 * c * c).sum::<f64>()).sqrt();
    assert!((rms / expected - 1.0).abs() < 0.1, "{rms} {expected}");
}
