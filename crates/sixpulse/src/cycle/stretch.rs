//! The track's mean speed against the whole record.
//!
//! Cycles are matched one by one and the ends apart; what is left is a small error of the mean speed that no single
//! cycle shows, above all on ramps (smoothing leans on the middle of the record). So at the end the whole track is
//! stretched: least squares for one coefficient `c` (cycles between both ends) beside level, tilt and orders 1 to
//! [`ORDERS`], all unknown. Over 259 simulated captures (60 ramps) a prototype took the 90th percentile of the error
//! between both ends from 0.019 to 0.017 cycle, on ramps from 0.056 to 0.045. Before that a track that was followed by a
//! line below the pulses' is freed of what repeats in every cycle ([`evened`]), and its ends are laid against the mean
//! cycle anew.

use super::{ends, evened};
use crate::angle::{self, PhaseTrack};
use crate::normal::Gram;
use crate::trace::{Trace, for_each_block};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Orders fitted beside the stretch.
const ORDERS: usize = 12;
/// Points of a cycle at least, where the sample rate gives as many; more samples are averaged.
const POINTS_PER_CYCLE: f64 = 64.0;
/// Parts of the record at most, and of the cycle: the fit costs the same for records of any length beyond so many cycles.
const MOST_PARTS: f64 = 16.0;
const ANGLES: f64 = 128.0;
/// Gauss-Newton steps: the second one changes the coefficient by less than 1e-4 cycle.
const PASSES: usize = 2;
/// A stretch beyond this many cycles is outside the linear range of the orders: the track is left alone.
const FARTHEST_CYCLES: f64 = 0.15;

/// A track followed by this order of the cycle or a lower one is evened: order 3 turns to and fro within the cycle (0.009
/// cycle r.m.s. in the median of 26 captures), orders 1 and 2 tell one angle or two a cycle. Orders 6 and 12 take each
/// pulse's place, to half a pulse from either end, from the record itself; evening would take that from them. Over 810
/// simulated captures followed by orders 1 to 3 a prototype took the error between both ends from 0.0119 to 0.0099 cycle
/// (90th percentile) and from 0.0448 to 0.0267 (99th).
const HIGHEST_UNEVEN: u32 = 3;
/// Ripple below this share of the level is rounding.
const ROUNDING: f64 = 1e-9;

/// The ripple laid out over parts of the record and parts of the cycle: what the fit needs of the samples.
struct Cells {
    filled: Vec<Cell>,
    /// Of the points that were sorted into them, hertz.
    rate_hz: f64,
    duration_s: f64,
}

/// What lies in one part of the record and one part of the cycle.
#[derive(Clone, Copy, Default)]
struct Cell {
    points: f64,
    /// Mean place in the record, from -0.5 to 0.5.
    place: f64,
    /// Mean angle in cycles, as the track had it.
    angle: f64,
    volts: f64,
}

impl Cells {
    fn read(trace: &Trace, track: &PhaseTrack) -> Self {
        let rate = trace.sample_rate_hz();
        let width = ((rate / (track.mean_hz() * POINTS_PER_CYCLE)) as usize).max(1);
        let middle = 0.5 * (width - 1) as f64;
        let parts = (track.mean_hz() * trace.duration_s()).ceil().clamp(1.0, MOST_PARTS);
        let mut cells = vec![Cell::default(); parts as usize * ANGLES as usize];
        let (mut sum, mut held, mut first) = (0.0, 0, 0);
        for_each_block(trace, |_, block| {
            for x in block {
                sum += x;
                held += 1;
                if held == width {
                    let time_s = (first as f64 + middle) / rate;
                    let place = time_s / track.duration_s() - 0.5;
                    let angle = track.cycles_at(time_s).rem_euclid(1.0);
                    let part = ((place + 0.5) * parts).clamp(0.0, parts - 1.0);
                    let cell = part as usize * ANGLES as usize + (angle * ANGLES).min(ANGLES - 1.0) as usize;
                    cells[cell].add(place, angle, sum / width as f64);
                    first += width;
                    (sum, held) = (0.0, 0);
                }
            }
        });
        let filled = cells.into_iter().filter(|c| c.points > 0.0).map(Cell::means).collect();
        Self { filled, rate_hz: rate / width as f64, duration_s: track.duration_s() }
    }

    /// Puts the angles of another track in the place of those of the track they were read on: exactly where a cell holds
    /// one cycle (up to [`MOST_PARTS`] in the record), else as at the cell's mean time.
    fn turn(&mut self, from: &PhaseTrack, to: &PhaseTrack) {
        for cell in &mut self.filled {
            let time_s = (cell.place + 0.5) * self.duration_s;
            cell.angle += to.cycles_at(time_s) - from.cycles_at(time_s);
        }
    }
}

impl Cell {
    fn add(&mut self, place: f64, angle: f64, volts: f64) {
        self.points += 1.0;
        self.place += place;
        self.angle += angle;
        self.volts += volts;
    }

    fn means(self) -> Self {
        let Self { points, place, angle, volts } = self;
        Self { points, place: place / points, angle: angle / points, volts: volts / points }
    }
}

/// The track laid against the trace as a whole; as it was where the samples do not tell. `line_order` is the order of the
/// cycle by which the track was followed.
pub(crate) fn fit(trace: &Trace, track: &PhaseTrack, line_order: u32) -> PhaseTrack {
    let evened = if line_order <= HIGHEST_UNEVEN { evened::over_a_cycle(track) } else { None };
    let mut cells = Cells::read(trace, evened.as_ref().unwrap_or(track));
    let orders = angle::highest_order(cells.rate_hz, track.mean_hz(), ORDERS);
    let track = match evened {
        None => track.clone(),
        Some(evened) => {
            let Some(amplitudes) = amplitudes(&cells, 0.0, orders) else { return track.clone() };
            let cycle: Vec<Complex64> = amplitudes[2..].chunks_exact(2).map(|a| Complex64::new(a[0], -a[1])).collect();
            let laid = ends::lay(trace, trace.sample_rate_hz(), evened.clone(), cycle);
            cells.turn(&evened, &laid);
            laid
        }
    };
    let mut total = 0.0;
    for _ in 0..PASSES {
        let Some(change) = step(&cells, total, orders) else { return track };
        total += change;
    }
    if total.abs() > FARTHEST_CYCLES {
        return track;
    }
    stretched(&track, total).unwrap_or(track)
}

/// The track with `cycles` more between its ends, its middle unmoved; `None` where it would turn back.
fn stretched(track: &PhaseTrack, cycles: f64) -> Option<PhaseTrack> {
    let knots = track.knots();
    let last = (knots.len() - 1) as f64;
    let moved = knots.iter().enumerate().map(|(k, c)| c + cycles * (k as f64 / last - 0.5)).collect();
    PhaseTrack::new(track.step_s(), moved).ok()
}

/// Level, tilt, then cosine and sine of each order by least squares, on a track that is `so_far` cycles longer; `None` where
/// they cannot be told apart or no ripple shows.
fn amplitudes(cells: &Cells, so_far: f64, orders: usize) -> Option<Vec<f64>> {
    let linear = 2 + 2 * orders;
    let mut products = Gram::new(linear + 1);
    let mut row = vec![0.0; linear + 1];
    for cell in &cells.filled {
        linear_row(&mut row, cell, so_far, orders);
        row[linear] = cell.volts;
        products.add(&row, cell.points);
    }
    let amplitudes = products.explain_last().ok()?;
    let (level, ripple) = amplitudes.split_at(2);
    let is_ripple = ripple.iter().map(|a| a * a).sum::<f64>() > (ROUNDING * level[0]).powi(2);
    is_ripple.then_some(amplitudes)
}

/// One Gauss-Newton step from a track that is `so_far` cycles longer: all unknowns against what the orders leave.
fn step(cells: &Cells, so_far: f64, orders: usize) -> Option<f64> {
    let linear = 2 + 2 * orders;
    let amplitudes = amplitudes(cells, so_far, orders)?;
    let mut products = Gram::new(linear + 2);
    let mut row = vec![0.0; linear + 2];
    for cell in &cells.filled {
        linear_row(&mut row, cell, so_far, orders);
        let value: f64 = amplitudes.iter().zip(&row).map(|(a, r)| a * r).sum();
        let slope: f64 = (1..=orders)
            .map(|n| TAU * n as f64 * (amplitudes[2 * n + 1] * row[2 * n] - amplitudes[2 * n] * row[2 * n + 1]))
            .sum();
        row[linear] = slope * row[1];
        row[linear + 1] = cell.volts - value;
        products.add(&row, cell.points);
    }
    products.explain_last().ok()?.last().copied()
}

/// Level, tilt, then cosine and sine of each order in a cell.
fn linear_row(row: &mut [f64], cell: &Cell, so_far: f64, orders: usize) {
    let first = Complex64::cis(TAU * (cell.angle + so_far * cell.place));
    row[0] = 1.0;
    row[1] = cell.place;
    let mut turn = first;
    for n in 1..=orders {
        (row[2 * n], row[2 * n + 1]) = (turn.re, turn.im);
        turn *= first;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::{Coupling, RawSamples, Role};

    /// Unequal pulses on a falling level, the track 0.03 cycle too long over 12 cycles: what was added comes off again.
    #[test]
    fn an_error_of_the_mean_speed_is_taken_off_and_a_right_track_stays() {
        let (rate, hz, seconds) = (20_000.0, 150.0, 0.08);
        let wave = |t: f64| {
            let turns = TAU * hz * t;
            14.0 - 2.0 * t + 0.1 * (turns + 0.4).cos() + 0.3 * (6.0 * turns - 1.0).cos()
        };
        let samples: Vec<f64> = (0..(seconds * rate) as usize).map(|i| wave(i as f64 / rate)).collect();
        let trace = Trace::new(RawSamples::F64(samples), rate, Coupling::Dc, Role::ChargingPost).unwrap();
        let right = PhaseTrack::constant(hz, seconds).unwrap();
        // Group means and the second Gauss-Newton step leave less than 1e-5 cycle.
        for (wrong_by, order) in [(0.0, 6), (0.03, 6), (-0.05, 6), (0.0, 3), (0.03, 1)] {
            let found = fit(&trace, &stretched(&right, wrong_by).unwrap(), order);
            let left = (found.mean_hz() - hz) * seconds;
            assert!(left.abs() < 1e-5, "{wrong_by} {left}");
        }
    }

    #[test]
    fn a_record_without_ripple_leaves_the_track_as_it_was() {
        let trace = Trace::new(RawSamples::F64(vec![14.0; 2000]), 20_000.0, Coupling::Dc, Role::ChargingPost).unwrap();
        let track = PhaseTrack::constant(150.0, 0.1).unwrap();
        assert_eq!(fit(&trace, &track, 6).knots(), track.knots());
        assert_eq!(fit(&trace, &track, 1).knots(), track.knots());
    }
}
