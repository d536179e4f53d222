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
    failed: bool,
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
            failed: false,
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
        match self.transform.orders(at - self.began) {
            Ok(orders) => self.sums.add(&self.points, orders),
            Err(_) => self.failed = true,
        }
        self.known = 0;
        self.began = at;
    }

    fn averages(self) -> Option<Averages> {
        (!self.failed && self.sums.cycles > 0).then(|| self.sums.averages(self.mean_hz))
    }
}

/// Sums of the differences of every cycle from the first.
#[derive(Default)]
struct Sums {
    cycles: usize,
    first_points: Vec<f64>,
    points: Vec<f64>,
    squares: Vec<f64>,
    first_orders: Vec<Complex64>,
    orders: Vec<OrderSums>,
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
            self.first_orders = orders.to_vec();
            self.orders = vec![OrderSums::default(); orders.len()];
        }
        self.cycles += 1;
        for (((sum, squares), x), first) in
            self.points.iter_mut().zip(&mut self.squares).zip(points).zip(&self.first_points)
        {
            let d = x - first;
            *sum += d;
            *squares += d * d;
        }
        for ((sums, a), first) in self.orders.iter_mut().zip(orders).zip(&self.first_orders) {
            let d = a - first;
            let magnitude = a.norm_sqr().sqrt() - first.norm_sqr().sqrt();
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
            mean: self.first_orders.iter().zip(&self.orders).map(|(first, s)| first + s.sum / n).collect(),
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
