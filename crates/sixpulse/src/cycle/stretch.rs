//! The track's mean speed against the whole record.
//!
//! Cycles are matched one by one and the ends apart; what is left is a small error of the mean speed that no single
//! cycle shows, above all on ramps (smoothing leans on the middle of the record). So at the end the whole track is
//! stretched: least squares for one coefficient `c` (cycles between both ends) beside level, tilt and orders 1 to
//! [`ORDERS`], all unknown. Over 259 simulated captures (60 ramps) a prototype took the 90th percentile of the error
//! between both ends from 0.019 to 0.017 cycle, on ramps from 0.056 to 0.045. Before that a track that was followed by a
//! line below the pulses' is freed of what repeats in every cycle ([`evened`]), and its ends are laid against the mean
//! cycle anew.

use super::ends;
use super::evened;
use crate::angle::{self, PhaseTrack};
use crate::normal::{Factor, Gram};
use crate::trace::{BLOCK, Samples, Trace};
use crate::vectors::{Work, cosine_and_sine, lower, widest};
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
/// A part of the record that varies by less than this share of the stronger ones shows no ripple.
const FAINT_PART: f64 = 0.25;
/// Ripple below this share of the level is rounding.
const ROUNDING: f64 = 1e-9;

/// Cells taken together.
const LANES: usize = 4;

/// The ripple laid out over parts of the record and parts of the cycle: what the fit needs of the samples.
struct Cells {
    /// The last group is filled up with cells without points.
    groups: Vec<Group>,
    /// Mean of the points, off which the cells' volts are counted: it is far above the ripple.
    level_v: f64,
    /// Of the points that were sorted into them, hertz.
    rate_hz: f64,
    duration_s: f64,
    /// R.m.s. of each part's volts about their mean: ripple, and noise as far as the means leave it.
    part_rms_v: Vec<f64>,
}

/// What lies in one part of the record and one part of the cycle: sums while it is read.
#[derive(Clone, Copy, Default)]
struct Cell {
    points: f64,
    /// Place in the record, from -0.5 to 0.5.
    place: f64,
    /// Angle in cycles, as the track had it.
    angle: f64,
    volts: f64,
}

/// Some cells, their sums turned into means.
#[derive(Clone, Copy, Default)]
struct Group {
    points: [f64; LANES],
    place: [f64; LANES],
    angle: [f64; LANES],
    volts: [f64; LANES],
}

impl Cells {
    fn read(trace: &Trace, track: &PhaseTrack) -> Self {
        let rate = trace.sample_rate_hz();
        let width = ((rate / (track.mean_hz() * POINTS_PER_CYCLE)) as usize).max(1);
        let parts = (track.mean_hz() * trace.duration_s()).ceil().clamp(1.0, MOST_PARTS);
        let mut cells = vec![Cell::default(); parts as usize * ANGLES as usize];
        let mut buffer = vec![0.0; width * (BLOCK / width).max(1)];
        let count = trace.len() / width;
        let mut first = 0;
        while first < count {
            let points = (buffer.len() / width).min(count - first);
            let samples = &mut buffer[..points * width];
            trace.read(first * width, samples);
            widest(Sorting { cells: &mut cells, parts, samples, width, first, rate, track });
            first += points;
        }
        let part_rms_v = cells.chunks(ANGLES as usize).map(rms_about_mean).collect();
        cells.retain(|c| c.points > 0.0);
        let (volts, points) = cells.iter().fold((0.0, 0.0), |(v, n), c| (v + c.volts, n + c.points));
        let level_v = if points > 0.0 { volts / points } else { 0.0 };
        let groups = cells.chunks(LANES).map(|cells| Group::of(cells, level_v)).collect();
        Self { groups, level_v, rate_hz: rate / width as f64, duration_s: track.duration_s(), part_rms_v }
    }

    /// Seconds at either end of the record in which no ripple shows.
    fn unseen_ends_s(&self) -> [f64; 2] {
        let mut sorted = self.part_rms_v.clone();
        let high = sorted.len() * 4 / 5;
        let (_, strong, _) = sorted.select_nth_unstable_by(high, f64::total_cmp);
        let faint = |rms: &&f64| **rms < FAINT_PART * *strong;
        let seconds = |parts: usize| parts as f64 * self.duration_s / self.part_rms_v.len() as f64;
        let before = self.part_rms_v.iter().take_while(faint).count();
        let after = self.part_rms_v.iter().rev().take_while(faint).count();
        [seconds(before), seconds(after)]
    }

    /// Puts the angles of another track in the place of those of the track they were read on: exactly where a cell holds
    /// one cycle (up to [`MOST_PARTS`] in the record), else as at the cell's mean time.
    fn turn(&mut self, from: &PhaseTrack, to: &PhaseTrack) {
        for group in &mut self.groups {
            for (angle, place) in group.angle.iter_mut().zip(&group.place) {
                let time_s = (place + 0.5) * self.duration_s;
                *angle += to.cycles_at(time_s) - from.cycles_at(time_s);
            }
        }
    }
}

/// R.m.s. of the means of cells about their mean.
fn rms_about_mean(cells: &[Cell]) -> f64 {
    let filled = || cells.iter().filter(|c| c.points > 0.0);
    let count = filled().count().max(1) as f64;
    let first = filled().next().map_or(0.0, |c| c.volts / c.points);
    let (sum, squares) = filled().map(|c| c.volts / c.points - first).fold((0.0, 0.0), |(s, q), v| (s + v, q + v * v));
    (squares / count - (sum / count) * (sum / count)).max(0.0).sqrt()
}

impl Group {
    fn of(cells: &[Cell], level_v: f64) -> Self {
        let mut group = Self::default();
        for (lane, cell) in cells.iter().enumerate() {
            let one = 1.0 / cell.points;
            group.points[lane] = cell.points;
            group.place[lane] = cell.place * one;
            group.angle[lane] = cell.angle * one;
            group.volts[lane] = cell.volts * one - level_v;
        }
        group
    }
}

/// Sorts points of `width` samples each into their cells; the first of them is point `first` of the record.
struct Sorting<'a> {
    cells: &'a mut [Cell],
    parts: f64,
    samples: &'a [f64],
    width: usize,
    first: usize,
    rate: f64,
    track: &'a PhaseTrack,
}

impl Work for Sorting<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { cells, samples, width, .. } = self;
        let count = samples.len() / width;
        for from in (0..count).step_by(LANES) {
            let points = Points::new(self.track, self.first + from, width, self.rate, self.parts);
            let lanes = LANES.min(count - from);
            for (lane, point) in samples[from * width..].chunks_exact(width).take(lanes).enumerate() {
                let Some(cell) = cells.get_mut(points.cell[lane]) else { continue };
                cell.points += 1.0;
                cell.place += points.place[lane];
                cell.angle += points.angle[lane];
                cell.volts += point.iter().sum::<f64>() / width as f64;
            }
        }
    }
}

/// Where some points lie: in the record, in their cycle, and among the cells.
struct Points {
    place: [f64; LANES],
    angle: [f64; LANES],
    cell: [usize; LANES],
}

impl Points {
    /// Of the points of `width` samples from point `first` of the record on.
    #[inline(always)]
    fn new(track: &PhaseTrack, first: usize, width: usize, rate: f64, parts: f64) -> Self {
        /// Added to a number below 2^52, it leaves the nearest whole number in the last bits.
        const WHOLE: f64 = (1_u64 << 52) as f64;
        let knots = track.knots();
        let (step_s, duration_s, last) = (track.step_s(), track.duration_s(), (knots.len() - 2) as f64);
        let (begin, middle) = ((first * width) as f64, 0.5 * (width - 1) as f64);
        let [mut place, mut angle, mut beyond, mut knot, mut number] = [[0.0; LANES]; 5];
        for lane in 0..LANES {
            let time_s = (begin + (lane * width) as f64 + middle) / rate;
            place[lane] = time_s / duration_s - 0.5;
            // As the track gives the angle, but for the call that the widened loop cannot take in.
            let position = time_s / step_s;
            let whole = lower(position.floor(), last);
            (beyond[lane], knot[lane]) = (position - whole, whole + WHOLE);
        }
        let (mut here, mut next) = ([0.0; LANES], [0.0; LANES]);
        for lane in 0..LANES {
            let i = knot[lane].to_bits() as u32 as usize;
            let Some([from, to]) = knots.get(i..i + 2) else { continue };
            (here[lane], next[lane]) = (*from, *to);
        }
        for lane in 0..LANES {
            let cycles = here[lane] + beyond[lane] * (next[lane] - here[lane]);
            angle[lane] = cycles - cycles.floor();
            let part = lower((place[lane] + 0.5) * parts, parts - 1.0);
            number[lane] = part.floor() * ANGLES + lower(angle[lane] * ANGLES, ANGLES - 1.0).floor() + WHOLE;
        }
        Self { place, angle, cell: number.map(|n| n.to_bits() as u32 as usize) }
    }
}

/// Sums over the cells of `points place^i e^(j n angle)` and of the same times the volts, by `n` from 0: products of any two
/// columns of the fit follow from them, for a product of two orders is half their sum and half their difference.
struct Sums {
    turns: [[Complex64; 3]; 2 * ORDERS + 1],
    volts: [[Complex64; 2]; ORDERS + 1],
}

/// A column of the fit, or a part of it: the real part of `factor place^power e^(j order angle)`.
#[derive(Clone, Copy)]
struct Column {
    power: usize,
    order: usize,
    factor: Complex64,
}

impl Sums {
    /// On a track that is `so_far` cycles longer.
    fn new(cells: &Cells, so_far: f64, orders: usize) -> Self {
        widest(Summing { groups: &cells.groups, so_far, orders })
    }

    fn product(&self, a: Column, b: Column) -> f64 {
        let (a, b) = if a.order < b.order { (b, a) } else { (a, b) };
        let power = a.power + b.power;
        let (sum, difference) = (self.turns[a.order + b.order][power], self.turns[a.order - b.order][power]);
        0.5 * (a.factor * (b.factor * sum + b.factor.conj() * difference)).re
    }

    fn with_volts(&self, a: Column) -> f64 {
        (a.factor * self.volts[a.order][a.power]).re
    }
}

/// See [`Sums`].
struct Summing<'a> {
    groups: &'a [Group],
    so_far: f64,
    orders: usize,
}

impl Work for Summing<'_> {
    type Output = Sums;
    #[inline(always)]
    fn call(self) -> Sums {
        let Self { groups, so_far, orders } = self;
        let mut turns = [[[[0.0; LANES]; 2]; 3]; 2 * ORDERS + 1];
        let mut volts = [[[[0.0; LANES]; 2]; 2]; ORDERS + 1];
        for Group { points, place, angle, volts: v } in groups {
            let (mut cos, mut sin) = ([0.0; LANES], [0.0; LANES]);
            let (mut weights, mut weighted_volts) = ([*points; 3], [[0.0; LANES]; 2]);
            for lane in 0..LANES {
                (cos[lane], sin[lane]) = cosine_and_sine(angle[lane] + so_far * place[lane]);
                weights[1][lane] = points[lane] * place[lane];
                weights[2][lane] = weights[1][lane] * place[lane];
                weighted_volts[0][lane] = points[lane] * v[lane];
                weighted_volts[1][lane] = weights[1][lane] * v[lane];
            }
            let (mut re, mut im) = ([1.0; LANES], [0.0; LANES]);
            for n in 0..=2 * orders {
                for (sums, weights) in turns[n].iter_mut().zip(&weights) {
                    add(sums, weights, &re, &im);
                }
                if n <= orders {
                    for (sums, weights) in volts[n].iter_mut().zip(&weighted_volts) {
                        add(sums, weights, &re, &im);
                    }
                }
                for lane in 0..LANES {
                    let (x, y) = (re[lane], im[lane]);
                    re[lane] = x * cos[lane] - y * sin[lane];
                    im[lane] = x * sin[lane] + y * cos[lane];
                }
            }
        }
        let sum = |[re, im]: [[f64; LANES]; 2]| Complex64::new(re.iter().sum(), im.iter().sum());
        Sums { turns: turns.map(|s| s.map(sum)), volts: volts.map(|s| s.map(sum)) }
    }
}

/// Adds phasors times their weights.
#[inline(always)]
fn add(sums: &mut [[f64; LANES]; 2], weights: &[f64; LANES], re: &[f64; LANES], im: &[f64; LANES]) {
    for lane in 0..LANES {
        sums[0][lane] += weights[lane] * re[lane];
    }
    for lane in 0..LANES {
        sums[1][lane] += weights[lane] * im[lane];
    }
}

/// The track laid against the trace as a whole, as it was where the samples do not tell; and the seconds at either end in
/// which no ripple shows. `line_order` is the order of the cycle by which the track was followed.
pub(crate) fn fit(trace: &Trace, track: &PhaseTrack, line_order: u32) -> (PhaseTrack, [f64; 2]) {
    let evened = if line_order <= HIGHEST_UNEVEN { evened::over_a_cycle(track) } else { None };
    let cells = Cells::read(trace, evened.as_ref().unwrap_or(track));
    let unseen_ends_s = cells.unseen_ends_s();
    (laid(trace, track, evened, cells), unseen_ends_s)
}

fn laid(trace: &Trace, track: &PhaseTrack, evened: Option<PhaseTrack>, mut cells: Cells) -> PhaseTrack {
    let orders = angle::highest_order(cells.rate_hz, track.mean_hz(), ORDERS);
    let track = match evened {
        None => track.clone(),
        Some(evened) => {
            let sums = Sums::new(&cells, 0.0, orders);
            let columns = linear_columns(orders);
            let Some((amplitudes, _)) = amplitudes(&cells, &sums, &columns) else { return track.clone() };
            let laid = ends::lay(trace, trace.sample_rate_hz(), evened.clone(), complex_orders(&amplitudes));
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

/// Level, tilt, then cosine and sine of each order.
fn linear_columns(orders: usize) -> Vec<Column> {
    let column = |power, order, factor| Column { power, order, factor };
    let flat = [column(0, 0, Complex64::ONE), column(1, 0, Complex64::ONE)];
    let waves = (1..=orders).flat_map(|n| [column(0, n, Complex64::ONE), column(0, n, -Complex64::I)]);
    flat.into_iter().chain(waves).collect()
}

/// Inner products of the columns.
fn linear_products(sums: &Sums, columns: &[Column]) -> Gram {
    let mut products = Gram::new(columns.len());
    for (i, a) in columns.iter().enumerate() {
        for (j, b) in columns.iter().enumerate().take(i + 1) {
            products.set(i, j, sums.product(*a, *b));
        }
    }
    products
}

/// What the columns make up of the volts by least squares, the level off [`Cells::level_v`]; `None` where they cannot be
/// told apart or no ripple shows. With them the columns' products, factored.
fn amplitudes(cells: &Cells, sums: &Sums, columns: &[Column]) -> Option<(Vec<f64>, Factor)> {
    let factor = linear_products(sums, columns).factor().ok()?;
    let volts: Vec<f64> = columns.iter().map(|column| sums.with_volts(*column)).collect();
    let amplitudes = factor.solve(&volts);
    let (level, ripple) = amplitudes.split_at(2);
    let level = cells.level_v + level[0];
    let is_ripple = ripple.iter().map(|a| a * a).sum::<f64>() > (ROUNDING * level).powi(2);
    is_ripple.then_some((amplitudes, factor))
}

/// Complex peak amplitudes from order 1 on.
fn complex_orders(amplitudes: &[f64]) -> Vec<Complex64> {
    amplitudes[2..].chunks_exact(2).map(|a| Complex64::new(a[0], -a[1])).collect()
}

/// One Gauss-Newton step from a track that is `so_far` cycles longer: all unknowns against what the orders leave.
fn step(cells: &Cells, so_far: f64, orders: usize) -> Option<f64> {
    let columns = linear_columns(orders);
    let sums = Sums::new(cells, so_far, orders);
    let (amplitudes, factor) = amplitudes(cells, &sums, &columns)?;
    // Volts per cycle of the stretch: the slope of the orders times the place.
    let slopes = complex_orders(&amplitudes).into_iter().zip(1..);
    let slope: Vec<Column> =
        slopes.map(|(a, n)| Column { power: 1, order: n, factor: a * Complex64::I * (TAU * n as f64) }).collect();
    let with_slope = |b: Column| slope.iter().map(|a| sums.product(*a, b)).sum::<f64>();
    let beside: Vec<f64> = columns.iter().map(|column| with_slope(*column)).collect();
    let explained: f64 = amplitudes.iter().zip(&beside).map(|(amplitude, product)| amplitude * product).sum();
    // What the orders leave is at right angles to all columns but the slope's, so of the slope only what those do not
    // explain of it has a say.
    let left = slope.iter().map(|a| sums.with_volts(*a)).sum::<f64>() - explained;
    factor.divided_by_rest(slope.iter().map(|a| with_slope(*a)).sum(), &beside, left)
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
            let (found, unseen) = fit(&trace, &stretched(&right, wrong_by).unwrap(), order);
            assert_eq!(unseen, [0.0; 2]);
            let left = (found.mean_hz() - hz) * seconds;
            assert!(left.abs() < 1e-5, "{wrong_by} {left}");
        }
    }

    #[test]
    fn a_record_without_ripple_leaves_the_track_as_it_was() {
        let trace = Trace::new(RawSamples::F64(vec![14.0; 2000]), 20_000.0, Coupling::Dc, Role::ChargingPost).unwrap();
        let track = PhaseTrack::constant(150.0, 0.1).unwrap();
        assert_eq!(fit(&trace, &track, 6).0.knots(), track.knots());
        assert_eq!(fit(&trace, &track, 1).0.knots(), track.knots());
    }
    /// The ripple stops at three quarters of the record: the last four of sixteen parts are without it.
    #[test]
    fn an_end_without_ripple_is_noticed() {
        let (rate, hz, seconds) = (20_000.0, 150.0, 0.2);
        let wave = |t: f64| 14.0 + if t < 0.75 * seconds { 0.3 * (6.0 * TAU * hz * t).cos() } else { 0.0 };
        let samples: Vec<f64> = (0..(seconds * rate) as usize).map(|i| wave(i as f64 / rate)).collect();
        let trace = Trace::new(RawSamples::F64(samples), rate, Coupling::Dc, Role::ChargingPost).unwrap();
        let (_, unseen) = fit(&trace, &PhaseTrack::constant(hz, seconds).unwrap(), 6);
        assert!(unseen[0] == 0.0 && (unseen[1] - 0.25 * seconds).abs() < 1e-12, "{unseen:?}");
    }

    /// More cycles than parts, 20 samples a point, some of the record outside any whole buffer.
    #[test]
    fn a_long_record_tells_its_mean_speed_as_well() {
        let (rate, hz, seconds) = (200_000.0, 150.0, 0.4137);
        let wave = |t: f64| 14.0 + 0.1 * (TAU * hz * t + 0.4).cos() + 0.3 * (6.0 * TAU * hz * t - 1.0).cos();
        let samples: Vec<f64> = (0..(seconds * rate) as usize).map(|i| wave(i as f64 / rate)).collect();
        let trace = Trace::new(RawSamples::F64(samples), rate, Coupling::Dc, Role::ChargingPost).unwrap();
        let right = PhaseTrack::constant(hz, seconds).unwrap();
        for (wrong_by, order) in [(0.0, 6), (0.03, 6), (-0.05, 6), (0.03, 1)] {
            let found = fit(&trace, &stretched(&right, wrong_by).unwrap(), order).0;
            let left = (found.mean_hz() - hz) * seconds;
            // Points of 1/66 cycle, each at its middle.
            assert!(left.abs() < 1e-4, "{wrong_by} {left}");
            // The ends stay in line with the middle, where they were laid against the mean cycle too.
            let off = |k: usize| found.knots()[k] - hz * k as f64 * found.step_s();
            let last = found.knots().len() - 1;
            assert!(off(0).abs() < 1e-3 && off(last).abs() < 1e-3, "{} {}", off(0), off(last));
        }
    }

    #[test]
    fn a_track_that_is_farther_off_than_the_orders_follow_is_left_alone() {
        let (rate, hz, seconds) = (20_000.0, 150.0, 0.08);
        let samples = (0..(seconds * rate) as usize).map(|i| 14.0 + 0.3 * (TAU * hz * i as f64 / rate).cos()).collect();
        let trace = Trace::new(RawSamples::F64(samples), rate, Coupling::Dc, Role::ChargingPost).unwrap();
        let right = PhaseTrack::constant(hz, seconds).unwrap();
        for far in [0.3, -0.3] {
            let far = stretched(&right, far).unwrap();
            assert_eq!(fit(&trace, &far, 6).0.knots(), far.knots());
        }
    }

    #[test]
    fn a_stretch_moves_the_ends_apart_and_the_middle_nowhere() {
        let track = PhaseTrack::new(0.1, vec![1.0, 2.5, 3.0, 4.0, 6.0]).unwrap();
        let moved = stretched(&track, 0.4).unwrap();
        for (k, c) in [0.8, 2.4, 3.0, 4.1, 6.2].iter().enumerate() {
            assert!((moved.knots()[k] - c).abs() < 1e-12);
        }
        assert!(stretched(&track, -2.1).is_none(), "the half cycle between two knots would turn back");
    }

    #[test]
    fn the_ripple_of_a_part_is_that_of_the_means_of_its_cells() {
        let cell = |points: f64, mean: f64| Cell { points, volts: points * mean, ..Cell::default() };
        let cells = [cell(0.0, 0.0), cell(3.0, 14.1), cell(1.0, 13.8), cell(0.0, 0.0), cell(7.0, 14.1)];
        // 0.1, -0.2 and 0.1 about 14.
        assert!((rms_about_mean(&cells) - 0.02_f64.sqrt()).abs() < 1e-9);
        assert_eq!(rms_about_mean(&cells[..1]), 0.0);
        let rms = |part_rms_v: Vec<f64>| {
            Cells { groups: Vec::new(), level_v: 0.0, rate_hz: 1.0, duration_s: 2.0, part_rms_v }.unseen_ends_s()
        };
        // A quarter of the strong ones is the limit; only what joins an end counts.
        assert_eq!(rms(vec![0.24, 0.24, 0.26, 1.0, 1.0, 0.1, 1.0, 1.0, 1.0, 0.24]), [0.4, 0.2]);
        assert_eq!(rms(vec![0.26, 0.1, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.26]), [0.0, 0.0]);
    }

    #[test]
    fn products_of_columns_are_the_sums_over_the_points_written_out() {
        let cells: Vec<Cell> = (0..9)
            .map(f64::from)
            .map(|k| Cell { points: 1.0 + k % 3.0, place: 0.1 * k - 0.4, angle: 0.37 * k, volts: 14.0 + k * k % 5.0 })
            .collect();
        // As sums: means times points.
        let summed: Vec<Cell> = cells
            .iter()
            .map(|c| Cell {
                points: c.points,
                place: c.place * c.points,
                angle: c.angle * c.points,
                volts: c.volts * c.points,
            })
            .collect();
        let groups = summed.chunks(LANES).map(|cells| Group::of(cells, 13.0)).collect();
        let cells_read = Cells { groups, level_v: 13.0, rate_hz: 1.0, duration_s: 1.0, part_rms_v: Vec::new() };
        let sums = Sums::new(&cells_read, 0.3, 5);
        let columns = linear_columns(5);
        let slope = Column { power: 1, order: 4, factor: Complex64::new(0.3, -0.8) };
        let value = |c: &Column, cell: &Cell| {
            cell.place.powi(c.power as i32)
                * (c.factor * Complex64::cis(TAU * c.order as f64 * (cell.angle + 0.3 * cell.place))).re
        };
        for a in columns.iter().chain([&slope]) {
            for b in columns.iter().chain([&slope]) {
                let expected: f64 = cells.iter().map(|c| c.points * value(a, c) * value(b, c)).sum();
                assert!((sums.product(*a, *b) - expected).abs() < 1e-9, "{} {}", a.order, b.order);
            }
            let expected: f64 = cells.iter().map(|c| c.points * value(a, c) * (c.volts - 13.0)).sum();
            assert!((sums.with_volts(*a) - expected).abs() < 1e-9, "{}", a.order);
        }
    }

    /// Four cycles: cut into more than four parts, the one at a crest would pass for one without ripple.
    #[test]
    fn a_part_holds_a_cycle_at_least() {
        let (rate, hz, seconds) = (20_000.0, 150.0, 4.0 / 150.0);
        let wave = |t: f64| 14.0 + 0.3 * (TAU * (hz * t - 0.125)).cos();
        let samples: Vec<f64> = (0..=(seconds * rate) as usize).map(|i| wave(i as f64 / rate)).collect();
        let trace = Trace::new(RawSamples::F64(samples), rate, Coupling::Dc, Role::ChargingPost).unwrap();
        let (_, unseen) = fit(&trace, &PhaseTrack::constant(hz, seconds).unwrap(), 1);
        assert_eq!(unseen, [0.0; 2]);
    }

    /// A track that swings to and fro in every cycle: followed by order 1 it is freed of that, by order 6 it is believed.
    #[test]
    fn a_track_is_evened_that_was_followed_by_a_line_below_the_pulses() {
        let (rate, hz, seconds) = (20_000.0, 150.0, 0.2);
        let wave = |t: f64| 14.0 + 0.1 * (TAU * hz * t + 0.4).cos() + 0.3 * (6.0 * TAU * hz * t - 1.0).cos();
        let samples: Vec<f64> = (0..=(seconds * rate) as usize).map(|i| wave(i as f64 / rate)).collect();
        let trace = Trace::new(RawSamples::F64(samples), rate, Coupling::Dc, Role::ChargingPost).unwrap();
        let swing = |c: f64| c + 0.02 * (TAU * c).sin();
        let track = PhaseTrack::new(2e-4, (0..=1000).map(|k| swing(0.03 * f64::from(k))).collect()).unwrap();
        let off = |order: u32| {
            let found = fit(&trace, &track, order).0;
            (200..800).map(|k| (found.knots()[k] - 0.03 * k as f64).abs()).fold(0.0, f64::max)
        };
        assert!(off(1) < 0.002 && off(3) < 0.002, "{} {}", off(1), off(3));
        assert!(off(6) > 0.015, "{}", off(6));
    }
}
