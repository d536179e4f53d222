//! The track at the two ends of the record, where no whole cycle is centred and the angle would only be continued.
//!
//! The mean cycle is laid over the first and the last samples, and the angle there is moved until they agree: least
//! squares for `c1 s + c2 s^2` (s from 0 to 1 towards the end) beside a level and its tilt. Without it a wandering
//! speed leaves 0.02 to 0.05 cycle at either end, which is most of the error of the mean frequency of a short record.

use crate::angle::{OrderMeans, PhaseTrack};
use crate::normal::Gram;
use crate::scratch::with_buffer;
use crate::trace::Samples;
use crate::vectors::{Work, cosine_and_sine, widest};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Stretch at either end that is laid against the mean cycle, in cycles.
const STRETCH_CYCLES: f64 = 1.25;
/// Points of a stretch at most; more samples are averaged.
const MOST_POINTS: usize = 600;
/// Independent readings in a cycle: what does not repeat (switched loads, noise through the probe) is not white.
const INDEPENDENT_PER_CYCLE: f64 = 24.0;
/// Standard deviation, in cycles, of what the straight continuation leaves: keeps noise from moving the ends.
const USUAL_CYCLES: f64 = 0.02;
/// Orders weaker than this many standard uncertainties are left out of the mean cycle.
const CLEAR: f64 = 3.0;
const PASSES: usize = 2;

/// One end of the record.
#[derive(Clone, Copy, PartialEq)]
enum End {
    First,
    Last,
}

/// The track with its ends laid against the mean cycle that `spectra` (of the same samples) give.
pub(super) fn fasten<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    track: PhaseTrack,
    spectra: &OrderMeans,
) -> PhaseTrack {
    let Some(cycle) = MeanCycle::new(spectra) else { return track };
    moved(samples, sample_rate_hz, track, &cycle)
}

/// The track with its ends laid against a mean cycle given by its orders: complex peak amplitudes from order 1 on.
pub(super) fn lay<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    track: PhaseTrack,
    orders: Vec<Complex64>,
) -> PhaseTrack {
    moved(samples, sample_rate_hz, track, &MeanCycle::of(&orders))
}

fn moved<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    mut track: PhaseTrack,
    cycle: &MeanCycle,
) -> PhaseTrack {
    for end in [End::First, End::Last] {
        let stretch = Stretch::read(samples, sample_rate_hz, &track, end);
        for _ in 0..PASSES {
            let Some(moved) = stretch.as_ref().and_then(|s| s.moved(&track, cycle)) else { break };
            track = moved;
        }
    }
    track
}

/// The samples at one end, averaged down to at most [`MOST_POINTS`].
struct Stretch {
    time_s: Vec<f64>,
    volts: Vec<f64>,
    /// Where the stretch begins to be moved, and the end of the record.
    from_s: f64,
    to_s: f64,
}

impl Stretch {
    fn read<S: Samples + ?Sized>(samples: &S, sample_rate_hz: f64, track: &PhaseTrack, end: End) -> Option<Self> {
        let last = samples.len().checked_sub(1)?;
        let last_s = last as f64 / sample_rate_hz;
        let (from_s, to_s) = match end {
            End::First => (track.time_at(track.cycles_at(0.0) + STRETCH_CYCLES), 0.0),
            End::Last => (track.time_at(track.cycles_at(last_s) - STRETCH_CYCLES), last_s),
        };
        let (low, high) = (from_s.min(to_s), from_s.max(to_s));
        let start = (low * sample_rate_hz).ceil().max(0.0) as usize;
        let stop = ((high * sample_rate_hz) as usize).min(last) + 1;
        let count = stop.checked_sub(start)?;
        let width = count.div_ceil(MOST_POINTS).max(1);
        let middle = 0.5 * (width - 1) as f64;
        let time = |k: usize| (start as f64 + (k * width) as f64 + middle) / sample_rate_hz;
        let volts: Vec<f64> = with_buffer(count, |raw| {
            samples.read(start, raw);
            raw.chunks_exact(width).map(|c| c.iter().sum::<f64>() / width as f64).collect()
        });
        Some(Self { time_s: (0..volts.len()).map(time).collect(), volts, from_s, to_s })
    }

    /// 0 where the stretch begins, 1 at the end of the record, negative outside.
    fn along(&self, time_s: f64) -> f64 {
        (time_s - self.from_s) / (self.to_s - self.from_s)
    }

    /// The track after one Gauss-Newton step; `None` where the samples do not tell or the angle would turn back.
    fn moved(&self, track: &PhaseTrack, cycle: &MeanCycle) -> Option<PhaseTrack> {
        let [c1, c2] = self.step(track, cycle)?;
        let mut knots = track.knots().to_vec();
        // The knots outside the stretch stay where they are.
        let begin = self.from_s / track.step_s();
        let reached = if self.to_s < self.from_s {
            0..(begin.ceil().max(0.0) as usize).min(knots.len())
        } else {
            (begin.max(0.0) as usize).min(knots.len())..knots.len()
        };
        for (k, knot) in knots.iter_mut().enumerate().take(reached.end).skip(reached.start) {
            let s = self.along(k as f64 * track.step_s()).max(0.0);
            *knot = (*knot + c1 * s) + c2 * s * s;
        }
        PhaseTrack::new(track.step_s(), knots).ok()
    }

    /// Least-squares coefficients of the angle's correction, in cycles.
    fn step(&self, track: &PhaseTrack, cycle: &MeanCycle) -> Option<[f64; 2]> {
        let turns: Vec<f64> = self.time_s.iter().map(|time| track.cycles_at(*time)).collect();
        let products = widest(Products { stretch: self, turns: &turns, cycle });
        let count = self.volts.len() as f64;
        // Ridge: residual variance over the expected variance of the correction, for as many readings as are independent.
        let level = products[4][2] / count;
        let variance = (products[4][4] / count - level * level).max(0.0);
        let ridge = variance * count / (INDEPENDENT_PER_CYCLE * STRETCH_CYCLES).min(count) / USUAL_CYCLES.powi(2);
        let mut gram = Gram::few(4);
        for (i, row) in products.iter().enumerate().take(4) {
            for (j, value) in row.iter().enumerate().take(i + 1) {
                gram.set(i, j, value + if i == j && i < 2 { ridge } else { 0.0 });
            }
        }
        let [c1, c2, ..] = gram.factor().ok()?.solved([products[4][0], products[4][1], products[4][2], products[4][3]]);
        Some([c1, c2])
    }
}

/// Sums of products of the regressors `slope s`, `slope s^2`, 1, `s` and of what the mean cycle leaves (lower triangle).
struct Products<'a> {
    stretch: &'a Stretch,
    /// Angle of each point, in cycles.
    turns: &'a [f64],
    cycle: &'a MeanCycle,
}

impl Work for Products<'_> {
    type Output = [[f64; 5]; 5];
    #[inline(always)]
    fn call(self) -> [[f64; 5]; 5] {
        let Self { stretch, turns, .. } = self;
        let mut sums = [[[0.0; LANES]; 5]; 5];
        let (times, times_left) = stretch.time_s.as_chunks::<LANES>();
        let (volts, volts_left) = stretch.volts.as_chunks::<LANES>();
        let (turns, turns_left) = turns.as_chunks::<LANES>();
        for ((times, volts), turns) in times.iter().zip(volts).zip(turns) {
            self.add([times, volts, turns, &[1.0; LANES]], &mut sums);
        }
        if !times_left.is_empty() {
            // Beyond the last point the rows are 0.
            let mut last = [[0.0; LANES]; 4];
            let left = [times_left, volts_left, turns_left, &[1.0; LANES][..times_left.len()]];
            for (set, left) in last.iter_mut().zip(left) {
                set[..left.len()].copy_from_slice(left);
            }
            self.add([&last[0], &last[1], &last[2], &last[3]], &mut sums);
        }
        sums.map(|row| row.map(|lanes| lanes.iter().sum()))
    }
}

impl Products<'_> {
    /// Adds points: their times, volts and angles, and 1, or 0 for a lane without a point.
    #[inline(always)]
    fn add(&self, [times, volts, turns, one]: [&[f64; LANES]; 4], sums: &mut [[[f64; LANES]; 5]; 5]) {
        let (from_s, per_s) = (self.stretch.from_s, 1.0 / (self.stretch.to_s - self.stretch.from_s));
        let (value, slope) = self.cycle.at(turns);
        let mut rows = [[0.0; LANES]; 5];
        for lane in 0..LANES {
            rows[3][lane] = one[lane] * ((times[lane] - from_s) * per_s);
            rows[0][lane] = slope[lane] * rows[3][lane];
            rows[1][lane] = rows[0][lane] * rows[3][lane];
            rows[2][lane] = one[lane];
            rows[4][lane] = one[lane] * (volts[lane] - value[lane]);
        }
        for i in 0..5 {
            for j in 0..=i {
                for lane in 0..LANES {
                    sums[i][j][lane] += rows[i][lane] * rows[j][lane];
                }
            }
        }
    }
}

/// Angles at which the mean cycle is taken together.
const LANES: usize = 4;

/// What a recurrence over the orders adds at one of them: real and imaginary part of the order, and of it times its number.
/// In every lane, so that none has to be spread over the lanes at every point.
type Terms = [[f64; LANES]; 4];

/// The orders of the mean cycle that stand clear of their uncertainty.
struct MeanCycle {
    /// Complex peak amplitudes from order 1 on, two and two; 0 for the others.
    orders: Vec<[Terms; 2]>,
}

impl MeanCycle {
    fn new(spectra: &OrderMeans) -> Option<Self> {
        let is_clear = |i: usize, a: &Complex64| a.norm() > CLEAR * spectra.mean_std(i);
        let last = spectra.mean.iter().enumerate().rposition(|(i, a)| is_clear(i, a))?;
        let orders = spectra.mean.iter().enumerate().take(last + 1);
        let clear: Vec<_> = orders.map(|(i, a)| if is_clear(i, a) { *a } else { Complex64::ZERO }).collect();
        Some(Self::of(&clear))
    }

    fn of(orders: &[Complex64]) -> Self {
        let terms = |i: usize| {
            let (a, n) = (orders.get(i).copied().unwrap_or_default(), (i + 1) as f64);
            [a.re, a.im, n * a.re, n * a.im].map(|term| [term; LANES])
        };
        Self { orders: (0..orders.len()).step_by(2).map(|i| [terms(i), terms(i + 1)]).collect() }
    }

    /// Values and slopes (volts per cycle) at angles in cycles.
    #[inline(always)]
    fn at(&self, turns: &[f64; LANES]) -> ([f64; LANES], [f64; LANES]) {
        // Not by `map`, which is no loop to the compiler and stays outside the wide vectors.
        let mut z = [(0.0, 0.0); LANES];
        for lane in 0..LANES {
            z[lane] = cosine_and_sine(turns[lane]);
        }
        let mut twice_cos = [0.0; LANES];
        for lane in 0..LANES {
            twice_cos[lane] = 2.0 * z[lane].0;
        }
        // Clenshaw's sums, from the highest order down: `b_n = a_n + 2 cos b_(n+1) - b_(n+2)`, at last `b_1 z - b_2`.
        let (mut one, mut two) = ([[0.0; LANES]; 4], [[0.0; LANES]; 4]);
        for [lower, upper] in self.orders.iter().rev() {
            for i in 0..upper.len() {
                step(&upper[i], &twice_cos, &one[i], &mut two[i]);
            }
            for i in 0..lower.len() {
                step(&lower[i], &twice_cos, &two[i], &mut one[i]);
            }
        }
        let (mut value, mut slope) = ([0.0; LANES], [0.0; LANES]);
        // One after the other: of both in one loop the compiler makes pairs, not lanes.
        for lane in 0..LANES {
            let (cos, sin) = z[lane];
            value[lane] = one[0][lane] * cos - one[1][lane] * sin - two[0][lane];
        }
        for lane in 0..LANES {
            let (cos, sin) = z[lane];
            slope[lane] = -TAU * (one[2][lane] * sin + one[3][lane] * cos - two[3][lane]);
        }
        (value, slope)
    }
}

/// One step of Clenshaw's recurrence: the sum two orders up becomes that of this order.
#[inline(always)]
fn step(term: &[f64; LANES], twice_cos: &[f64; LANES], one_up: &[f64; LANES], two_up: &mut [f64; LANES]) {
    for lane in 0..LANES {
        two_up[lane] = term[lane] + twice_cos[lane] * one_up[lane] - two_up[lane];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mean_cycle_is_the_sum_of_its_orders() {
        let orders: Vec<Complex64> =
            (1..=24).map(|n| Complex64::from_polar(1.0 / f64::from(n), 0.7 * f64::from(n))).collect();
        let cycle = MeanCycle::of(&orders);
        for i in 0..100 {
            // Close to whole and half cycles, where the recurrence is at its worst, and elsewhere.
            let turns = [f64::from(i) * 1e-6, f64::from(i) * 0.0137, 0.5 + f64::from(i) * 1e-7, -f64::from(i) * 0.31];
            let (value, slope) = cycle.at(&turns);
            for lane in 0..LANES {
                let term = |n: usize, a: &Complex64| a * Complex64::cis(TAU * n as f64 * turns[lane]);
                let expected: Complex64 = orders.iter().enumerate().map(|(i, a)| term(i + 1, a)).sum();
                let rise: Complex64 = orders.iter().enumerate().map(|(i, a)| (i + 1) as f64 * term(i + 1, a)).sum();
                // Two units in the last place for each of 24 orders, times their number where the recurrence is worst.
                assert!((value[lane] - expected.re).abs() < 1e-11, "{turns:?}");
                assert!((slope[lane] + TAU * rise.im).abs() < 1e-9, "{turns:?}");
            }
        }
    }

    /// 150 Hz with orders 1, 2 and 6 on a level, and its track.
    fn bridge(rate_hz: f64, seconds: f64) -> (Vec<f64>, Vec<Complex64>) {
        let mut orders = vec![Complex64::ZERO; 6];
        orders[0] = Complex64::from_polar(0.1, 0.4);
        orders[1] = Complex64::from_polar(0.05, -0.3);
        orders[5] = Complex64::from_polar(0.3, -1.0);
        let value = |turns: f64| {
            let term = |(i, a): (usize, &Complex64)| (a * Complex64::cis(TAU * (i + 1) as f64 * turns)).re;
            14.0 + orders.iter().enumerate().map(term).sum::<f64>()
        };
        let samples = (0..=(rate_hz * seconds) as usize).map(|i| value(150.0 * i as f64 / rate_hz)).collect();
        (samples, orders)
    }

    /// 150 Hz for a tenth of a second, off towards both ends over the stretch of 1.25 cycles; knots 0.1 ms apart.
    fn off_at_both_ends(first: f64, last: f64) -> PhaseTrack {
        let angle = |k: i32| {
            let t = f64::from(k) * 1e-4;
            let (before, after) = (1.0 - t * 120.0, 1.0 - (0.1 - t) * 120.0);
            150.0 * t + first * before.max(0.0) + last * after.max(0.0).powi(2)
        };
        PhaseTrack::new(1e-4, (0..=1000).map(angle).collect()).unwrap()
    }

    #[test]
    fn ends_that_run_off_are_brought_back_and_the_rest_stays() {
        // At 200 kHz a stretch has 1,667 samples: three are averaged.
        for rate_hz in [20_000.0, 200_000.0] {
            let (samples, orders) = bridge(rate_hz, 0.1);
            for (first, last) in [(0.03, -0.02), (-0.02, 0.03)] {
                let wrong = off_at_both_ends(first, last);
                let laid = lay(&samples[..], rate_hz, wrong.clone(), orders.clone());
                let off = |k: usize| laid.knots()[k] - 150.0 * k as f64 * 1e-4;
                let worst = (0..=1000).map(|k| off(k).abs()).fold(0.0, f64::max);
                // The prior's share, and that the stretch begins where the wrong track has it.
                assert!(worst < 0.002, "{rate_hz} {first}: {worst}");
                assert_eq!(laid.knots()[90..=910], wrong.knots()[90..=910]);
            }
        }
    }

    #[test]
    fn orders_that_do_not_stand_clear_move_nothing() {
        let (samples, orders) = bridge(20_000.0, 0.1);
        let spectra = |scatter: f64| OrderMeans {
            mean: orders.clone(),
            scatter: vec![scatter; 6],
            dispersion: vec![0.0; 6],
            cycle_count: 16,
            mean_hz: 150.0,
        };
        let wrong = off_at_both_ends(0.03, -0.02);
        // A standard uncertainty of a quarter of the scatter: three of them are 0.3 V here and just less there.
        assert_eq!(fasten(&samples[..], 20_000.0, wrong.clone(), &spectra(0.401)), wrong);
        let order_6 = MeanCycle::new(&spectra(0.399)).unwrap();
        assert!(order_6.at(&[0.0; LANES]).0[0] - orders[5].re < 1e-12);
        let moved = fasten(&samples[..], 20_000.0, wrong.clone(), &spectra(0.01));
        assert!(moved.knots()[0].abs() < 0.002 && (moved.knots()[1000] - 15.0).abs() < 0.002);
    }

    #[test]
    fn products_are_the_sums_written_out() {
        let (samples, orders) = bridge(20_000.0, 0.1);
        let track = off_at_both_ends(0.0, 0.01);
        let cycle = MeanCycle::of(&orders);
        let stretch = Stretch::read(&samples[..], 20_000.0, &track, End::Last).unwrap();
        let turns: Vec<f64> = stretch.time_s.iter().map(|t| track.cycles_at(*t)).collect();
        let products = widest(Products { stretch: &stretch, turns: &turns, cycle: &cycle });
        let mut expected = [[0.0; 5]; 5];
        for (i, turns) in turns.iter().enumerate() {
            let term = |n: usize| orders[n - 1] * Complex64::cis(TAU * n as f64 * turns);
            let value: f64 = (1..=6).map(|n| term(n).re).sum();
            let slope: f64 = (1..=6).map(|n| -TAU * n as f64 * term(n).im).sum();
            let s = stretch.along(stretch.time_s[i]);
            let row = [slope * s, slope * s * s, 1.0, s, stretch.volts[i] - value];
            for j in 0..5 {
                for k in 0..=j {
                    expected[j][k] += row[j] * row[k];
                }
            }
        }
        for j in 0..5 {
            for k in 0..=j {
                assert!((products[j][k] - expected[j][k]).abs() < 1e-8 * (1.0 + expected[j][k].abs()), "{j} {k}");
            }
        }
    }
}
