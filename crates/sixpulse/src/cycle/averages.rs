//! The averages of several cycles that are multiples of one line, in one pass over the record.
//!
//! The points of all of them lie on one sequence of angles: a cycle of `q` turns cut into [`POINTS_PER_CYCLE`] points has
//! its borders at every `q`-th border of a turn cut into as many. So the record is integrated once, up to each border,
//! and each cycle takes the differences it needs. No cycle is kept: sums stand in for them, taken about the first cycle
//! so that they stay small.

use super::{ORDERS, POINTS_PER_CYCLE};
use crate::angle::{self, Angles, CycleTransform, OrderMeans, PhaseTrack};
use crate::error::Result;
use crate::trace::Samples;
use crate::vectors::{Work, widest};
use rustfft::num_complex::Complex64;

/// Averages over the cycles of one track.
pub(super) struct Averages {
    /// Mean over the cycles, point by point.
    pub(super) points: Vec<f64>,
    /// Standard deviation of the cycles about it.
    pub(super) points_std: Vec<f64>,
    pub(super) orders: OrderMeans,
}

/// Reads `turns[i]` turns of the line as one cycle, for every `i`; `None` where the record holds no such cycle, or not
/// even its order 1 can be read.
pub(super) fn read<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    line: &PhaseTrack,
    turns: &[u32],
) -> Vec<Option<Averages>> {
    let mut foldings: Vec<Option<Folding>> = turns
        .iter()
        .map(|&t| Folding::new(samples.len(), sample_rate_hz, &line.scaled(1.0 / f64::from(t)).ok()?, t).ok())
        .collect();
    // Borders as wide as the shortest cycle allows: those of a third of a line's cycles do not lie on those of a half.
    let mut waiting: Vec<&mut Folding> = foldings.iter_mut().flatten().collect();
    while let Some(finest) = waiting.iter().map(|f| f.turns).min() {
        let (mut here, rest): (Vec<_>, Vec<_>) = waiting.into_iter().partition(|f| f.turns.is_multiple_of(finest));
        waiting = rest;
        let Ok(track) = line.scaled(1.0 / finest as f64) else { continue };
        here.iter_mut().for_each(|f| f.every = f.turns / finest);
        fold(samples, sample_rate_hz, &track, &mut here);
    }
    foldings.into_iter().map(|f| f?.averages()).collect()
}

/// One pass over the record: `track` turns once in the shortest of the cycles.
fn fold<S: Samples + ?Sized>(samples: &S, sample_rate_hz: f64, track: &PhaseTrack, foldings: &mut [&mut Folding]) {
    let Some(begin) = foldings.iter().map(|f| f.first_border()).min() else { return };
    let end = foldings.iter().map(|f| f.first_border() + f.borders()).max().unwrap_or(begin);
    let angles = Angles {
        first: begin as f64 / POINTS_PER_CYCLE as f64,
        points_per_cycle: POINTS_PER_CYCLE,
        count: (end - begin) as usize,
    };
    let mut from = begin;
    angle::for_each_cut(samples, sample_rate_hz, track, angles, |positions, integrals| {
        foldings.iter_mut().for_each(|f| f.take(from, positions, integrals));
        from += positions.len() as i64;
    });
}

/// Means over the points between borders, of which every `every`-th counts.
struct Means<'a> {
    positions: &'a [f64],
    integrals: &'a [f64],
    every: usize,
    means: &'a mut [f64],
}

impl Work for Means<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { positions, integrals, every, means } = self;
        if every == 1 {
            let widths = positions.iter().zip(&positions[1..]);
            for ((mean, (p, q)), (a, b)) in means.iter_mut().zip(widths).zip(integrals.iter().zip(&integrals[1..])) {
                *mean = (b - a) / (q - p);
            }
        } else {
            for (i, mean) in means.iter_mut().enumerate() {
                let (from, to) = (i * every, (i + 1) * every);
                *mean = (integrals[to] - integrals[from]) / (positions[to] - positions[from]);
            }
        }
    }
}

/// Sums over the cycles of one track.
struct Folding {
    /// Turns of the line in one cycle, and borders of the shared sequence in one point.
    turns: usize,
    every: usize,
    first_cycle: i64,
    cycles: usize,
    mean_hz: f64,
    transform: CycleTransform,
    /// Points of the present cycle, how many of them are known, and borders seen.
    points: [f64; POINTS_PER_CYCLE],
    known: usize,
    seen: usize,
    last: (f64, f64),
    began: f64,
    sums: Sums,
}

impl Folding {
    fn new(samples: usize, sample_rate_hz: f64, track: &PhaseTrack, turns: u32) -> Result<Self> {
        let inside = angle::cycles_inside(samples, sample_rate_hz, track)?;
        let (orders, mean_hz) = angle::readable_orders(sample_rate_hz, track, inside, ORDERS)?;
        Ok(Self {
            turns: turns as usize,
            every: 1,
            first_cycle: inside.0 as i64,
            cycles: inside.1,
            mean_hz,
            transform: CycleTransform::new(POINTS_PER_CYCLE, orders),
            points: [0.0; POINTS_PER_CYCLE],
            known: 0,
            seen: 0,
            last: (0.0, 0.0),
            began: 0.0,
            sums: Sums::default(),
        })
    }

    /// Number of the first border in the shared sequence, and borders from it to the last.
    fn first_border(&self) -> i64 {
        self.first_cycle * (POINTS_PER_CYCLE * self.every) as i64
    }
    fn borders(&self) -> i64 {
        (self.cycles * POINTS_PER_CYCLE * self.every) as i64
    }

    /// Takes its own out of borders of which the first has the number `from`.
    fn take(&mut self, from: i64, positions: &[f64], integrals: &[f64]) {
        let next = self.first_border() + (self.seen * self.every) as i64;
        let Ok(mut here) = usize::try_from(next - from) else { return };
        while here < positions.len() && self.seen <= self.cycles * POINTS_PER_CYCLE {
            let border = (positions[here], integrals[here]);
            if self.seen == 0 {
                self.began = border.0;
                (self.seen, self.last) = (1, border);
                here += self.every;
                continue;
            }
            // The first point begins in the borders before these, the others here; up to the cycle's end.
            let count = (POINTS_PER_CYCLE - self.known).min((positions.len() - here).div_ceil(self.every));
            let points = &mut self.points[self.known..self.known + count];
            points[0] = (border.1 - self.last.1) / (border.0 - self.last.0);
            let end = here + (count - 1) * self.every;
            let (positions, integrals) = (&positions[here..=end], &integrals[here..=end]);
            widest(Means { positions, integrals, every: self.every, means: &mut points[1..] });
            self.last = (positions[positions.len() - 1], integrals[integrals.len() - 1]);
            (self.seen, self.known) = (self.seen + count, self.known + count);
            here = end + self.every;
            if self.known == POINTS_PER_CYCLE {
                self.end_cycle(self.last.0);
            }
        }
    }

    fn end_cycle(&mut self, at: f64) {
        self.transform.input.copy_from_slice(&self.points);
        self.sums.add(&self.points, self.transform.orders(at - self.began));
        self.known = 0;
        self.began = at;
    }

    fn averages(self) -> Option<Averages> {
        (self.sums.cycles > 0).then(|| self.sums.averages(self.mean_hz))
    }
}

/// Sums of the differences of every cycle from the first.
#[derive(Default)]
struct Sums {
    cycles: usize,
    first_points: Vec<f64>,
    points: Vec<f64>,
    squares: Vec<f64>,
    /// With their magnitudes.
    first_orders: Vec<(Complex64, f64)>,
    orders: Vec<OrderSums>,
}

/// Adds the differences of a cycle from the first, and their squares, to their sums.
struct FromFirst<'a> {
    points: &'a [f64],
    first: &'a [f64],
    sums: &'a mut [f64],
    squares: &'a mut [f64],
}

impl Work for FromFirst<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { points, first, sums, squares } = self;
        for (((sum, squares), x), first) in sums.iter_mut().zip(squares).zip(points).zip(first) {
            let d = x - first;
            *sum += d;
            *squares += d * d;
        }
    }
}

#[derive(Default, Clone, Copy)]
struct OrderSums {
    sum: Complex64,
    squares: f64,
    magnitude: f64,
    magnitude_squares: f64,
}

impl Sums {
    fn add(&mut self, points: &[f64], orders: &[Complex64]) {
        if self.cycles == 0 {
            self.first_points = points.to_vec();
            self.points = vec![0.0; points.len()];
            self.squares = vec![0.0; points.len()];
            self.first_orders = orders.iter().map(|a| (*a, a.norm_sqr().sqrt())).collect();
            self.orders = vec![OrderSums::default(); orders.len()];
        }
        self.cycles += 1;
        let (sums, squares) = (&mut self.points, &mut self.squares);
        widest(FromFirst { points, first: &self.first_points, sums, squares });
        for ((sums, a), (first, first_magnitude)) in self.orders.iter_mut().zip(orders).zip(&self.first_orders) {
            let d = a - first;
            let magnitude = a.norm_sqr().sqrt() - first_magnitude;
            sums.sum += d;
            sums.squares += d.norm_sqr();
            sums.magnitude += magnitude;
            sums.magnitude_squares += magnitude * magnitude;
        }
    }

    fn averages(&self, mean_hz: f64) -> Averages {
        let n = self.cycles as f64;
        let std =
            |squares: f64, square_of_sum: f64| ((squares - square_of_sum / n).max(0.0) / (n - 1.0).max(1.0)).sqrt();
        let orders = OrderMeans {
            mean: self.first_orders.iter().zip(&self.orders).map(|((first, _), s)| first + s.sum / n).collect(),
            scatter: self.orders.iter().map(|s| std(s.squares, s.sum.norm_sqr())).collect(),
            dispersion: self.orders.iter().map(|s| std(s.magnitude_squares, s.magnitude * s.magnitude)).collect(),
            cycle_count: self.cycles,
            mean_hz,
        };
        Averages {
            points: self.first_points.iter().zip(&self.points).map(|(first, s)| first + s / n).collect(),
            points_std: self.points.iter().zip(&self.squares).map(|(s, squares)| std(*squares, s * s)).collect(),
            orders,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The same from its definition: every cycle cut out and transformed by itself.
    fn one_by_one(samples: &[f64], rate_hz: f64, track: &PhaseTrack) -> Averages {
        let cycles = angle::cycles(samples, rate_hz, track, POINTS_PER_CYCLE).unwrap();
        let inside = angle::cycles_inside(samples.len(), rate_hz, track).unwrap();
        let (count, mean_hz) = angle::readable_orders(rate_hz, track, inside, ORDERS).unwrap();
        let mut transform = CycleTransform::new(POINTS_PER_CYCLE, count);
        let border = |j: usize| track.time_at(inside.0 + j as f64) * rate_hz;
        let mut orders: Vec<Vec<Complex64>> = Vec::new();
        for (j, row) in cycles.rows().into_iter().enumerate() {
            row.iter().zip(&mut transform.input).for_each(|(x, y)| *y = *x);
            orders.push(transform.orders(border(j + 1) - border(j)).to_vec());
        }
        let n = inside.1 as f64;
        let spread = |squares: f64| (squares / (n - 1.0)).sqrt();
        let mean: Vec<Complex64> = (0..count).map(|i| orders.iter().map(|a| a[i]).sum::<Complex64>() / n).collect();
        let size: Vec<f64> = (0..count).map(|i| orders.iter().map(|a| a[i].norm()).sum::<f64>() / n).collect();
        let scatter = (0..count).map(|i| spread(orders.iter().map(|a| (a[i] - mean[i]).norm_sqr()).sum())).collect();
        let dispersion =
            (0..count).map(|i| spread(orders.iter().map(|a| (a[i].norm() - size[i]).powi(2)).sum())).collect();
        let points: Vec<f64> = cycles.columns().into_iter().map(|c| c.sum() / n).collect();
        let about = |(c, m): (ndarray::ArrayView1<'_, f64>, &f64)| c.iter().map(|x| (x - m).powi(2)).sum::<f64>();
        let points_std = cycles.columns().into_iter().zip(&points).map(|pair| spread(about(pair))).collect();
        let orders = OrderMeans { mean, scatter, dispersion, cycle_count: inside.1, mean_hz };
        Averages { points, points_std, orders }
    }

    /// Ripple that a third of a line's turns carry, on a level of 14 V, its size and speed changing; nothing is a multiple
    /// of anything else. The track begins inside a turn.
    fn record() -> (Vec<f64>, f64, PhaseTrack) {
        let (rate_hz, seconds) = (20_000.0, 0.4);
        let turns = |t: f64| 0.7 + 400.0 * t + 150.0 * t * t;
        let volts = |t: f64| {
            let angle = std::f64::consts::TAU * turns(t);
            14.0 + (0.3 + 0.1 * (37.0 * t).sin()) * angle.cos()
                + 0.2 * (angle / 3.0 + 0.4).cos()
                + 0.05 * (991.0 * t).sin()
        };
        let step_s = seconds / 400.0;
        let track = PhaseTrack::new(step_s, (0..=400).map(|k| turns(f64::from(k) * step_s)).collect()).unwrap();
        ((0..8_000).map(|i| volts(f64::from(i) / rate_hz)).collect(), rate_hz, track)
    }

    #[test]
    fn the_averages_of_all_cycles_read_in_one_pass_are_those_of_each_by_itself() {
        let (samples, rate_hz, line) = record();
        // Without order 1 the cycles share no borders: two and twelve turns are read together, then three.
        let sets: [&[u32]; 3] = [&[1, 2, 3, 6, 12], &[3, 2, 12], &[6]];
        for (read, turns) in
            sets.into_iter().flat_map(|set| read(&samples[..], rate_hz, &line, set).into_iter().zip(set))
        {
            let turns = *turns;
            let read = read.unwrap();
            let expected = one_by_one(&samples, rate_hz, &line.scaled(1.0 / f64::from(turns)).unwrap());
            assert_eq!(read.orders.cycle_count, expected.orders.cycle_count);
            assert!((read.orders.mean_hz / expected.orders.mean_hz - 1.0).abs() < 1e-12);
            // 14 V summed up over 8,000 samples, the differences of the sums taken: 1e-11 of that.
            let near = |a: &[f64], b: &[f64]| a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-9);
            assert!(near(&read.points, &expected.points), "{turns}");
            assert!(near(&read.points_std, &expected.points_std), "{turns}");
            assert!(near(&read.orders.scatter, &expected.orders.scatter), "{turns}");
            assert!(near(&read.orders.dispersion, &expected.orders.dispersion), "{turns}");
            assert_eq!(read.orders.mean.len(), expected.orders.mean.len());
            let apart = read.orders.mean.iter().zip(&expected.orders.mean).map(|(a, b)| (a - b).norm());
            assert!(apart.fold(0.0, f64::max) < 1e-9, "{turns}");
        }
    }

    #[test]
    fn a_record_that_holds_no_such_cycle_gives_none_and_the_others_all_the_same() {
        let (samples, rate_hz, line) = record();
        // 8.7 turns from 0.7 on: the cycle of six turns ends at 6, the one of twelve not at all.
        let read = read(&samples[..380], rate_hz, &line, &[12, 6, 1]);
        let counts: Vec<_> = read.iter().map(|a| a.as_ref().map(|a| a.orders.cycle_count)).collect();
        assert_eq!(counts, [None, None, Some(7)]);
    }

    #[test]
    fn one_cycle_has_no_scatter() {
        let track = PhaseTrack::constant(100.0, 0.01).unwrap();
        let samples: Vec<f64> = (0..=200).map(|i| f64::from(i % 7)).collect();
        let read = read(&samples[..], 20_000.0, &track, &[1]).remove(0).unwrap();
        assert_eq!(read.orders.cycle_count, 1);
        assert!(read.points_std.iter().chain(&read.orders.scatter).chain(&read.orders.dispersion).all(|s| *s == 0.0));
    }
}
