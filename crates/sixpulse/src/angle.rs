//! The angle domain: electrical angle over time, cycles resampled to equal angles, order amplitudes cycle by cycle.
//!
//! Speed wanders, so orders are read against the angle, not against time. A cycle is cut into equal angles and the
//! trace is averaged over each of them (the exact integral of its piecewise-linear interpolant). That is one pass
//! over the samples, needs no anti-alias filter for white noise, and its response is known in closed form:
//! order `n` comes out multiplied by `sinc(n / P) * sinc(n f / fs)^2` (P points a cycle, `sinc(x) = sin(pi x)/(pi x)`),
//! which [`order_spectra`] divides out.

use crate::error::{Error, Result};
use crate::scratch::with_buffer;
use crate::trace::{BLOCK, Samples};
use crate::vectors::{Work, higher, widest};
use ndarray::Array2;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Electrical angle over a record: cycles at equally spaced knots, linear between them.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseTrack {
    step_s: f64,
    cycles: Vec<f64>,
}

impl PhaseTrack {
    /// A track from its knots: `cycles[i]` is the angle in cycles at `i * step_s`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a step that is not above 0 or an angle that does not grow from knot to knot by a finite
    /// frequency;
    /// [`Error::TooShort`] for fewer than two knots; [`Error::NonFinite`].
    pub fn new(step_s: f64, cycles: Vec<f64>) -> Result<Self> {
        crate::error::check_positive("step_s", step_s)?;
        crate::error::check_samples("cycles", &cycles)?;
        if cycles.len() < 2 {
            return Err(Error::TooShort { parameter: "cycles".into(), minimum: 2, actual: cycles.len() });
        }
        if !((cycles.len() - 1) as f64 * step_s).is_finite() {
            return Err(Error::out_of_range("step_s", "a step with which the track ends at a finite time", step_s));
        }
        // A growth that overflows is a frequency that no number holds.
        if !widest(Grows { cycles: &cycles, step_s }) {
            let growth = cycles.windows(2).find(|w| !grows(w[0], w[1], step_s)).map_or(f64::NAN, |w| w[1] - w[0]);
            return Err(Error::out_of_range("cycles", "an angle that grows from knot to knot", growth));
        }
        let track = Self { step_s, cycles };
        if !track.mean_hz().is_finite() {
            return Err(Error::out_of_range(
                "cycles",
                "an angle that grows by a finite number of cycles",
                track.last(),
            ));
        }
        Ok(track)
    }

    /// A constant frequency over a record of `duration_s`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless both are finite and above 0.
    pub fn constant(frequency_hz: f64, duration_s: f64) -> Result<Self> {
        crate::error::check_positive("frequency_hz", frequency_hz)?;
        Self::new(duration_s, vec![0.0, frequency_hz * duration_s])
    }

    /// Seconds between knots.
    #[must_use]
    pub fn step_s(&self) -> f64 {
        self.step_s
    }
    /// The angle at the knots, in cycles.
    #[must_use]
    pub fn knots(&self) -> &[f64] {
        &self.cycles
    }
    /// Time of the last knot, seconds.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        (self.cycles.len() - 1) as f64 * self.step_s
    }
    /// Mean frequency over the track, hertz.
    #[must_use]
    pub fn mean_hz(&self) -> f64 {
        (self.last() - self.cycles[0]) / self.duration_s()
    }
    fn last(&self) -> f64 {
        self.cycles[self.cycles.len() - 1]
    }

    /// Angle in cycles at a time; the end pieces go on in a straight line outside the track.
    #[must_use]
    pub fn cycles_at(&self, time_s: f64) -> f64 {
        let position = time_s / self.step_s;
        let i = self.segment(position);
        self.cycles[i] + (position - i as f64) * (self.cycles[i + 1] - self.cycles[i])
    }

    /// Frequency in hertz at a time.
    #[must_use]
    pub fn hz_at(&self, time_s: f64) -> f64 {
        let i = self.segment(time_s / self.step_s);
        (self.cycles[i + 1] - self.cycles[i]) / self.step_s
    }

    /// Time in seconds at which the angle is reached.
    #[must_use]
    pub fn time_at(&self, cycles: f64) -> f64 {
        let after = self.cycles.partition_point(|&c| c <= cycles);
        self.time_in_segment(after.saturating_sub(1).min(self.cycles.len() - 2), cycles)
    }

    fn time_in_segment(&self, i: usize, cycles: f64) -> f64 {
        let (a, b) = (self.cycles[i], self.cycles[i + 1]);
        (i as f64 + (cycles - a) / (b - a)) * self.step_s
    }

    fn segment(&self, position: f64) -> usize {
        position.clamp(0.0, (self.cycles.len() - 2) as f64) as usize
    }

    /// The same track with the angle multiplied by `factor` (1/6: from the ripple's line to the electrical cycle).
    ///
    /// # Errors
    /// [`Error::OutOfRange`] unless `factor` is finite and above 0.
    pub fn scaled(&self, factor: f64) -> Result<Self> {
        crate::error::check_positive("factor", factor)?;
        Self::new(self.step_s, self.cycles.iter().map(|c| c * factor).collect())
    }

    /// First whole cycle of the track and the number of whole cycles.
    #[must_use]
    pub fn whole_cycles(&self) -> (f64, usize) {
        // A cycle that ends on the last knot belongs to the record; rounding must not lose it.
        let first = (self.cycles[0] - 1e-9).ceil();
        let count = (self.last() + 1e-9).floor() - first;
        (first, if count > 0.0 { count as usize } else { 0 })
    }
}

/// Whether an angle grows to the next by a finite frequency; without a branch.
#[inline(always)]
fn grows(from: f64, to: f64, step_s: f64) -> bool {
    (to > from) & ((to - from) / step_s < f64::INFINITY)
}

/// Whether angles grow from knot to knot by finite frequencies.
struct Grows<'a> {
    cycles: &'a [f64],
    step_s: f64,
}

impl Work for Grows<'_> {
    type Output = bool;
    #[inline(always)]
    fn call(self) -> bool {
        // Nearly every track does throughout: counted side by side, not one after the other up to the first that does not.
        let pairs = self.cycles.iter().zip(&self.cycles[1..]);
        let grown = pairs.filter(|(a, b)| grows(**a, **b, self.step_s)).count();
        grown + 1 == self.cycles.len()
    }
}

/// Positions, in samples, of a growing sequence of angles; constant time each.
struct Positions<'a> {
    knots: &'a [f64],
    samples_per_knot: f64,
    segment: usize,
    /// Angle at the segment's beginning, and samples per cycle in it.
    from: f64,
    slope: f64,
}

impl<'a> Positions<'a> {
    fn new(track: &'a PhaseTrack, sample_rate_hz: f64) -> Self {
        let samples_per_knot = track.step_s * sample_rate_hz;
        let mut positions = Self { knots: &track.cycles, samples_per_knot, segment: 0, from: 0.0, slope: 0.0 };
        positions.enter(0);
        positions
    }

    fn enter(&mut self, segment: usize) {
        let (from, to) = (self.knots[segment], self.knots[segment + 1]);
        (self.segment, self.from, self.slope) = (segment, from, self.samples_per_knot / (to - from));
    }

    /// Goes on to the segment that holds the angle: the last one holds all beyond it.
    fn go_to(&mut self, cycles: f64) {
        while self.segment + 2 < self.knots.len() && self.knots[self.segment + 1] < cycles {
            self.enter(self.segment + 1);
        }
    }

    fn at(&mut self, cycles: f64) -> f64 {
        self.go_to(cycles);
        self.segment as f64 * self.samples_per_knot + (cycles - self.from) * self.slope
    }

    /// The greatest angle of the present segment that lies before a position.
    fn angle_before(&self, position: f64) -> f64 {
        let within = self.from + (position - self.segment as f64 * self.samples_per_knot) / self.slope;
        if self.segment + 2 < self.knots.len() { within.min(self.knots[self.segment + 1]) } else { within }
    }
}

/// A sequence of equally spaced angles: `first + k / points_per_cycle` for `k` from 0 to `count`, that one included.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Angles {
    /// First angle, in cycles.
    pub(crate) first: f64,
    /// Angles in a cycle.
    pub(crate) points_per_cycle: usize,
    /// Steps from the first to the last angle.
    pub(crate) count: usize,
}

/// Borders that are visited together, at most.
pub(crate) const TOGETHER: usize = 512;

/// Visits the angles in order, some at a time: their positions in samples, and the integral there, from the first sample
/// on, of the piecewise-linear interpolant in units of sample intervals. One pass, whatever the number of angles.
pub(crate) fn for_each_cut<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    track: &PhaseTrack,
    angles: Angles,
    mut visit: impl FnMut(&[f64], &[f64]),
) {
    with_buffer(2 * (BLOCK + 1) + 2 * TOGETHER, |buffer| {
        let Some((x, rest)) = buffer.split_first_chunk_mut() else { return };
        let Some((integral, rest)) = rest.split_first_chunk_mut() else { return };
        let Some((at, rest)) = rest.split_first_chunk_mut() else { return };
        let Some(integrals) = rest.first_chunk_mut() else { return };
        let borders = Borders { positions: Positions::new(track, sample_rate_hz), angles, next: 0 };
        let buffers = CutBuffers { x, integral, at, integrals };
        visit_cuts(samples, borders, buffers, &mut visit);
    });
}

/// What a walk over the borders works with.
struct CutBuffers<'a> {
    /// Element 0 is the last sample of the block before.
    x: &'a mut [f64; BLOCK + 1],
    integral: &'a mut [f64; BLOCK + 1],
    at: &'a mut [f64; TOGETHER],
    integrals: &'a mut [f64; TOGETHER],
}

fn visit_cuts<S: Samples + ?Sized>(
    samples: &S,
    mut borders: Borders<'_>,
    buffers: CutBuffers<'_>,
    visit: &mut impl FnMut(&[f64], &[f64]),
) {
    let CutBuffers { x, integral, at, integrals } = buffers;
    let angles = borders.angles;
    (x[0], integral[0]) = (0.0, 0.0);
    let (mut start, mut carried, mut last_at) = (0, 0, 0.0);
    while start < samples.len() && borders.next <= angles.count {
        let n = BLOCK.min(samples.len() - start);
        samples.read(start, &mut x[carried..carried + n]);
        let (base, last) = ((start - carried) as f64, carried + n - 1);
        widest(Integration { x: &x[..=last], integral });
        loop {
            let found = borders.before(base + last as f64, at);
            let Some(&end) = at[..found].last() else { break };
            widest(Interpolation { x, integral, base, at: &at[..found], out: integrals });
            visit(&at[..found], &integrals[..found]);
            last_at = end;
        }
        (x[0], integral[0]) = (x[last], integral[last]);
        carried = 1;
        start += n;
    }
    // An angle on the very last sample can round past it; its stretch then ends at the last sample.
    for k in borders.next..=angles.count {
        let at = borders.positions.at(angles.at(k)).min((samples.len() - 1) as f64);
        last_at = at.max(last_at + 1e-9);
        visit(&[last_at], &[integral[0]]);
    }
}

impl Angles {
    fn at(&self, k: usize) -> f64 {
        self.first + k as f64 / self.points_per_cycle as f64
    }
}

/// Borders at equally spaced angles, from one segment of the track to the next.
struct Borders<'a> {
    positions: Positions<'a>,
    angles: Angles,
    /// The next border's number.
    next: usize,
}

impl Borders<'_> {
    /// Fills in the positions of the next borders, as far as they lie before `limit`, and tells how many there are.
    fn before(&mut self, limit: f64, out: &mut [f64; TOGETHER]) -> usize {
        let mut found = 0;
        while found < TOGETHER && self.next <= self.angles.count {
            self.positions.go_to(self.angles.at(self.next));
            // Those up to the segment's end, and one at least: the conversions round by less than that.
            let here = (self.positions.angle_before(limit) - self.angles.first) * self.angles.points_per_cycle as f64;
            let upto = (here.max(0.0) as usize).clamp(self.next, self.angles.count);
            let out = &mut out[found..];
            let count = (upto + 1 - self.next).min(out.len());
            widest(Along { borders: self, out: &mut out[..count] });
            let before = out[..count].iter().rposition(|at| *at < limit).map_or(0, |i| i + 1);
            (self.next, found) = (self.next + before, found + before);
            if before < count {
                break;
            }
        }
        found
    }
}

/// Positions of the next borders, all on the present segment.
struct Along<'a, 'b> {
    borders: &'a Borders<'b>,
    out: &'a mut [f64],
}

impl Work for Along<'_, '_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Borders { positions, angles, next } = self.borders;
        let (from, slope) = (angles.first - positions.from, positions.slope);
        let (begin, spacing) =
            (positions.segment as f64 * positions.samples_per_knot, 1.0 / angles.points_per_cycle as f64);
        let next = *next as f64;
        for (i, at) in (0u32..).zip(self.out) {
            *at = begin + (from + (next + f64::from(i)) * spacing) * slope;
        }
    }
}

/// The integral at positions between the samples of a block.
struct Interpolation<'a> {
    x: &'a [f64; BLOCK + 1],
    integral: &'a [f64; BLOCK + 1],
    base: f64,
    at: &'a [f64],
    out: &'a mut [f64; TOGETHER],
}

impl Work for Interpolation<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { x, integral, base, at, out } = self;
        let (sets, rest) = at.as_chunks::<LANES>();
        let (out, out_rest) = out.split_at_mut(LANES * sets.len());
        for (y, at) in out.as_chunks_mut::<LANES>().0.iter_mut().zip(sets) {
            *y = between(x, integral, base, at);
        }
        if let [first, ..] = rest {
            // Filled up with the first of those that are left.
            let mut at = [*first; LANES];
            at[..rest.len()].copy_from_slice(rest);
            out_rest[..rest.len()].copy_from_slice(&between(x, integral, base, &at)[..rest.len()]);
        }
    }
}

/// Borders between which is interpolated side by side.
const LANES: usize = 4;

/// See [`Interpolation`].
#[inline(always)]
fn between(x: &[f64; BLOCK + 1], integral: &[f64; BLOCK + 1], base: f64, at: &[f64; LANES]) -> [f64; LANES] {
    /// Added to a number below 2^52, it leaves the nearest whole number in the last bits.
    const WHOLE: f64 = (1_u64 << 52) as f64;
    let (mut part, mut number) = ([0.0; LANES], [0.0; LANES]);
    for lane in 0..LANES {
        let offset = at[lane] - base;
        // A border that rounds to just before the block lies in its first part.
        let whole = higher(offset.floor(), 0.0);
        (part[lane], number[lane]) = (offset - whole, whole + WHOLE);
    }
    let (mut sum, mut here, mut next) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
    for lane in 0..LANES {
        // Below the block's length, which the remainder tells the compiler.
        let i = number[lane].to_bits() as usize % BLOCK;
        (sum[lane], here[lane], next[lane]) = (integral[i], x[i], x[i + 1]);
    }
    let mut out = [0.0; LANES];
    for lane in 0..LANES {
        let u = part[lane];
        out[lane] = sum[lane] + u * (here[lane] + 0.5 * u * (next[lane] - here[lane]));
    }
    out
}

/// Mean between each border and the one before, which for the first of them is `before`.
pub(crate) fn means_between(before: (f64, f64), positions: &[f64], integrals: &[f64], out: &mut [f64]) {
    let (Some(first), Some(at), Some(integral)) = (out.first_mut(), positions.first(), integrals.first()) else {
        return;
    };
    *first = (integral - before.1) / (at - before.0);
    widest(MeansBetween { positions, integrals, out: &mut out[1..] });
}

struct MeansBetween<'a> {
    positions: &'a [f64],
    integrals: &'a [f64],
    out: &'a mut [f64],
}

impl Work for MeansBetween<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { positions, integrals, out } = self;
        let widths = positions.iter().zip(&positions[1..]);
        for ((mean, (p, q)), (a, b)) in out.iter_mut().zip(widths).zip(integrals.iter().zip(&integrals[1..])) {
            *mean = (b - a) / (q - p);
        }
    }
}

/// Running integral by trapezoids, from `integral[0]` on.
struct Integration<'a> {
    x: &'a [f64],
    integral: &'a mut [f64],
}

impl Work for Integration<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { x, integral } = self;
        let mut sum = integral[0];
        let (parts, rest) = integral[1..x.len()].as_chunks_mut::<4>();
        let done = 4 * parts.len();
        for (y, x) in parts.iter_mut().zip(x.windows(5).step_by(4)) {
            // Four at a time, so that each sum waits only once for the one before.
            let [a, b, c, d] = [x[0] + x[1], x[1] + x[2], x[2] + x[3], x[3] + x[4]].map(|twice| 0.5 * twice);
            let (ab, cd) = (a + b, c + d);
            *y = [sum + a, sum + ab, sum + (ab + c), sum + (ab + cd)];
            sum = y[3];
        }
        for (y, pair) in rest.iter_mut().zip(x[done..].windows(2)) {
            sum += 0.5 * (pair[0] + pair[1]);
            *y = sum;
        }
    }
}

/// First whole cycle of the track and the number of whole cycles that end inside the record.
///
/// # Errors
/// [`Error::TooShort`] where there is none; [`Error::AboveNyquist`] for more of them than two samples each can tell.
pub(crate) fn cycles_inside(samples: usize, sample_rate_hz: f64, track: &PhaseTrack) -> Result<(f64, usize)> {
    let last_s = samples.saturating_sub(1) as f64 / sample_rate_hz;
    let (first, whole) = track.whole_cycles();
    // Rounding aside: the track may go on far beyond the record.
    let inside = (track.cycles_at(last_s) - first).max(0.0) as usize;
    let mut count = whole.min(inside.saturating_add(2));
    while count > 0 && track.time_at(first + count as f64) > last_s + 1e-12 {
        count -= 1;
    }
    if count == 0 {
        return Err(Error::TooShort {
            parameter: "samples".into(),
            minimum: ((sample_rate_hz / track.mean_hz()).ceil() as usize).saturating_add(1),
            actual: samples,
        });
    }
    if count > samples / 2 {
        return Err(Error::AboveNyquist {
            parameter: "track".into(),
            nyquist_hz: 0.5 * sample_rate_hz,
            frequency_hz: track.mean_hz(),
        });
    }
    Ok((first, count))
}

/// Resamples whole cycles to `points_per_cycle` equal angles: row = cycle, column `k` = mean over the angle from
/// `k` to `k + 1` points.
///
/// # Errors
/// [`Error::OutOfRange`] for fewer than 2 points a cycle or a rate that is not above 0; [`Error::TooShort`] when the
/// track holds no whole cycle inside the record; [`Error::AboveNyquist`] where its cycles are shorter than two samples.
pub fn cycles<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    track: &PhaseTrack,
    points_per_cycle: usize,
) -> Result<Array2<f64>> {
    crate::error::check_positive("sample_rate_hz", sample_rate_hz)?;
    if points_per_cycle < 2 {
        return Err(Error::out_of_range("points_per_cycle", "2 or more", points_per_cycle as f64));
    }
    samples.check("samples")?;
    let (first, count) = cycles_inside(samples.len(), sample_rate_hz, track)?;
    let angles = Angles { first, points_per_cycle, count: count * points_per_cycle };
    // The first border ends nothing.
    let mut means = vec![0.0; angles.count + 1];
    let (mut known, mut last) = (0, (0.0, 0.0));
    for_each_cut(samples, sample_rate_hz, track, angles, |at, integrals| {
        means_between(last, at, integrals, &mut means[known..known + at.len()]);
        known += at.len();
        last = (at[at.len() - 1], integrals[at.len() - 1]);
    });
    means.remove(0);
    Array2::from_shape_vec((count, points_per_cycle), means)
        .map_err(|e| Error::Undetermined { parameter: "samples".into(), reason: e.to_string() })
}

/// `sin(pi x) / (pi x)`.
fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Order amplitudes of every cycle: order `n` of a cycle is `Re(a exp(i n theta))`, `a` the complex peak amplitude.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderSpectra {
    /// Row = cycle, column `n - 1` = order `n`.
    pub cycles: Array2<Complex64>,
    /// Mean over the cycles, order by order.
    pub mean: Vec<Complex64>,
    /// Standard deviation of one cycle's complex amplitude about the mean (both parts together).
    pub scatter: Vec<f64>,
    /// Mean frequency of order 1 over the cycles used, hertz.
    pub mean_hz: f64,
}

impl OrderSpectra {
    /// Standard uncertainty of the mean's complex amplitude at order index `i`: `scatter / sqrt(cycles)`.
    #[must_use]
    pub fn mean_std(&self, i: usize) -> f64 {
        self.scatter[i] / (self.cycles.nrows() as f64).sqrt()
    }

    /// The same spectra with a known response, by frequency in hertz, divided out of every order.
    #[must_use]
    pub fn divided_by(&self, response: impl Fn(f64) -> Complex64) -> Self {
        let mut out = self.clone();
        for i in 0..out.mean.len() {
            let factor = response((i + 1) as f64 * self.mean_hz).inv();
            out.mean[i] *= factor;
            out.scatter[i] *= factor.norm();
            out.cycles.column_mut(i).mapv_inplace(|a| a * factor);
        }
        out
    }
}

/// What the order amplitudes of the cycles come to, without the cycles themselves.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderMeans {
    /// Mean over the cycles, order by order (order 1 first).
    pub mean: Vec<Complex64>,
    /// Standard deviation of one cycle's complex amplitude about the mean (both parts together).
    pub scatter: Vec<f64>,
    /// Standard deviation of one cycle's amplitude (its magnitude).
    pub dispersion: Vec<f64>,
    /// Number of cycles.
    pub cycle_count: usize,
    /// Mean frequency of order 1 over the cycles, hertz.
    pub mean_hz: f64,
}

impl OrderMeans {
    /// Standard uncertainty of the mean's complex amplitude at order index `i`: `scatter / sqrt(cycles)`.
    #[must_use]
    pub fn mean_std(&self, i: usize) -> f64 {
        self.scatter[i] / (self.cycle_count as f64).sqrt()
    }

    /// The same with a known response, by frequency in hertz, divided out of every order.
    #[must_use]
    pub fn divided_by(&self, response: impl Fn(f64) -> Complex64) -> Self {
        let mut out = self.clone();
        for i in 0..out.mean.len() {
            let factor = response((i + 1) as f64 * self.mean_hz).inv();
            out.mean[i] *= factor;
            out.scatter[i] *= factor.norm();
            out.dispersion[i] *= factor.norm();
        }
        out
    }
}

/// Highest order whose frequency stays below 90 % of the Nyquist frequency, at most `limit`.
#[must_use]
pub fn highest_order(sample_rate_hz: f64, electrical_hz: f64, limit: usize) -> usize {
    ((0.45 * sample_rate_hz / electrical_hz).floor() as usize).min(limit)
}

/// Order amplitudes 1 to `orders` of every whole cycle of the track.
///
/// Orders above 90 % of the Nyquist frequency at the fastest cycle are left out.
///
/// # Errors
/// As [`cycles`]; [`Error::OutOfRange`] when not even order 1 lies below the limit.
pub fn order_spectra<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    track: &PhaseTrack,
    orders: usize,
) -> Result<OrderSpectra> {
    crate::error::check_positive("sample_rate_hz", sample_rate_hz)?;
    samples.check("samples")?;
    checked_order_spectra(samples, sample_rate_hz, track, orders)
}

/// As [`order_spectra`], of samples that are finite at a rate above 0.
pub(crate) fn checked_order_spectra<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    track: &PhaseTrack,
    orders: usize,
) -> Result<OrderSpectra> {
    let points_per_cycle = (4 * orders).max(32);
    let (first, count) = cycles_inside(samples.len(), sample_rate_hz, track)?;
    let (orders, mean_hz) = readable_orders(sample_rate_hz, track, (first, count), orders)?;
    let mut amplitudes = Array2::zeros((count, orders));
    let mut transform = CycleTransform::new(points_per_cycle, orders);
    let angles = Angles { first, points_per_cycle, count: count * points_per_cycle };
    let (mut fill, mut cycle) = (CycleFill::default(), 0);
    for_each_cut(samples, sample_rate_hz, track, angles, |at, integrals| {
        fill.take(at, integrals, &mut transform, |read| {
            amplitudes.row_mut(cycle).iter_mut().zip(read).for_each(|(y, x)| *y = *x);
            cycle += 1;
        });
    });
    Ok(summarise(amplitudes, mean_hz))
}

/// How many of the first `orders` lie below the limit in every cycle, and the mean frequency over the cycles.
///
/// # Errors
/// [`Error::AboveNyquist`] when not even order 1 does.
pub(crate) fn readable_orders(
    sample_rate_hz: f64,
    track: &PhaseTrack,
    (first, count): (f64, usize),
    orders: usize,
) -> Result<(usize, f64)> {
    let mut positions = Positions::new(track, 1.0);
    let begin = positions.at(first);
    let (mut last, mut shortest) = (begin, f64::INFINITY);
    for j in 1..=count {
        let end = positions.at(first + j as f64);
        shortest = shortest.min(end - last);
        last = end;
    }
    match highest_order(sample_rate_hz, 1.0 / shortest, orders) {
        0 => Err(Error::AboveNyquist {
            parameter: "track".into(),
            nyquist_hz: 0.5 * sample_rate_hz,
            frequency_hz: 1.0 / shortest,
        }),
        orders => Ok((orders, count as f64 / (last - begin))),
    }
}

/// Fills the points of one cycle after the other from borders in pieces of any length.
#[derive(Default)]
struct CycleFill {
    begun: bool,
    /// Points of the present cycle that are known, the last border, and where the cycle began.
    known: usize,
    last: (f64, f64),
    began: f64,
}

impl CycleFill {
    /// Takes the next borders; `visit` is handed the orders of every cycle that ends among them.
    fn take(
        &mut self,
        mut at: &[f64],
        mut integrals: &[f64],
        transform: &mut CycleTransform,
        mut visit: impl FnMut(&[Complex64]),
    ) {
        if let (false, Some(first), Some(integral)) = (self.begun, at.first(), integrals.first()) {
            (self.begun, self.last, self.began) = (true, (*first, *integral), *first);
            (at, integrals) = (&at[1..], &integrals[1..]);
        }
        while !at.is_empty() {
            let points = &mut transform.input[self.known..];
            let count = points.len().min(at.len());
            means_between(self.last, &at[..count], &integrals[..count], &mut points[..count]);
            self.last = (at[count - 1], integrals[count - 1]);
            self.known += count;
            if self.known == transform.input.len() {
                visit(transform.orders(self.last.0 - self.began));
                (self.known, self.began) = (0, self.last.0);
            }
            (at, integrals) = (&at[count..], &integrals[count..]);
        }
    }
}

fn summarise(amplitudes: Array2<Complex64>, mean_hz: f64) -> OrderSpectra {
    let count = amplitudes.nrows() as f64;
    // Cycle by cycle, as they lie in memory.
    let mut mean = vec![Complex64::ZERO; amplitudes.ncols()];
    for cycle in amplitudes.rows() {
        mean.iter_mut().zip(cycle).for_each(|(mean, a)| *mean += a);
    }
    mean.iter_mut().for_each(|mean| *mean /= count);
    let mut scatter = vec![0.0; mean.len()];
    for cycle in amplitudes.rows() {
        scatter.iter_mut().zip(cycle.iter().zip(&mean)).for_each(|(sum, (a, mean))| *sum += (a - mean).norm_sqr());
    }
    scatter.iter_mut().for_each(|sum| *sum = (*sum / (count - 1.0).max(1.0)).sqrt());
    OrderSpectra { cycles: amplitudes, mean, scatter, mean_hz }
}

/// Plan and scratch for the transform of one cycle, of an even number of points.
///
/// The points of even and of odd number are transformed as real and imaginary parts of half as many; of that transform `Z`
/// order `n` is `(E + e^(-j 2 pi n / points) O) / 2` with `E = Z(n) + Z*(-n)` and `O = -j (Z(n) - Z*(-n))`, which is done
/// for the orders asked for alone.
pub(crate) struct CycleTransform {
    plan: std::sync::Arc<dyn rustfft::Fft<f64>>,
    /// The points of the cycle.
    pub(crate) input: Vec<f64>,
    halves: Vec<Complex64>,
    lines: Vec<Complex64>,
    scratch: Vec<Complex64>,
    /// Per order: what turns the odd points' part; and scale to peak amplitude, turn to the middle of the points, undo the
    /// averaging over a point.
    factors: Vec<[Complex64; 2]>,
    output: Vec<Complex64>,
}

impl CycleTransform {
    /// `orders` lies below half of `points`.
    pub(crate) fn new(points: usize, orders: usize) -> Self {
        let plan = crate::transforms::complex(points / 2);
        let factors = (1..=orders)
            .map(|n| {
                let part = n as f64 / points as f64;
                let scale = 2.0 / (points as f64 * sinc(part));
                [Complex64::from_polar(1.0, -2.0 * PI * part), Complex64::from_polar(0.5 * scale, -PI * part)]
            })
            .collect();
        let zeros = |count: usize| vec![Complex64::ZERO; count];
        Self {
            input: vec![0.0; points],
            halves: zeros(points / 2),
            lines: zeros(points / 2),
            scratch: zeros(plan.get_outofplace_scratch_len()),
            factors,
            output: zeros(orders),
            plan,
        }
    }

    /// Order amplitudes of the points in `input`, which were taken from a cycle `samples` long.
    pub(crate) fn orders(&mut self, samples: f64) -> &[Complex64] {
        for (half, points) in self.halves.iter_mut().zip(self.input.as_chunks::<2>().0) {
            *half = Complex64::new(points[0], points[1]);
        }
        self.plan.process_outofplace_with_scratch(&mut self.halves, &mut self.lines, &mut self.scratch);
        // The linear interpolant passes order n by sinc(n / samples)^2; the sines follow by recurrence.
        let step = PI / samples;
        let (mut sin, twice_cos) = (step.sin(), 2.0 * step.cos());
        let (mut before, mut n_step) = (0.0, step);
        let mirrored = self.lines.iter().skip(1).zip(self.lines.iter().rev());
        for ((a, [turn, scale]), (line, mirror)) in self.output.iter_mut().zip(&self.factors).zip(mirrored) {
            let even = line + mirror.conj();
            let odd = line - mirror.conj();
            let odd = turn * Complex64::new(odd.im, -odd.re);
            let undone = n_step / sin;
            *a = (even + odd) * (scale * (undone * undone));
            (before, sin) = (sin, twice_cos * sin - before);
            n_step += step;
        }
        &self.output
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 40 % ramp with firing irregularity; orders 1, 6 and 24 of known amplitude and phase.
    fn ramp() -> (Vec<f64>, f64, PhaseTrack) {
        let fs = 50_000.0;
        let cycles = |t: f64| 180.0 * t + 100.0 * t * t + 0.05 * (2.0 * PI * 30.0 * t).sin();
        let x = (0..15_000)
            .map(|i| {
                let th = 2.0 * PI * cycles(f64::from(i) / fs);
                0.5 * (th + 0.3).cos() + 0.1 * (6.0 * th - 1.0).cos() + 0.02 * (24.0 * th + 2.0).cos()
            })
            .collect();
        let step = 1e-4;
        let track = PhaseTrack::new(step, (0..=3000).map(|i| cycles(f64::from(i) * step)).collect()).unwrap();
        (x, fs, track)
    }

    #[test]
    fn orders_of_a_ramp_come_out_as_put_in() {
        let (x, fs, track) = ramp();
        let s = order_spectra(&x[..], fs, &track, 24).unwrap();
        let expect = [(1, 0.5, 0.3), (6, 0.1, -1.0), (24, 0.02, 2.0), (2, 0.0, 0.0), (12, 0.0, 0.0)];
        for (n, amplitude, phase) in expect {
            let got = s.mean[n - 1];
            // Images of the linear interpolant beat through a cycle; averaged over 63 cycles they leave 2e-4.
            assert!((got - Complex64::from_polar(amplitude, phase)).norm() < 4e-4, "order {n}: {got}");
        }
    }

    #[test]
    fn time_and_angle_are_inverse() {
        let (_, _, track) = ramp();
        for c in [0.0, 0.37, 11.0, 50.5] {
            assert!((track.cycles_at(track.time_at(c)) - c).abs() < 1e-9);
        }
    }

    #[test]
    fn a_track_must_grow() {
        assert_eq!(PhaseTrack::new(1.0, vec![0.0, 0.0]).unwrap_err().code(), "out_of_range");
        assert_eq!(PhaseTrack::new(1.0, vec![0.0]).unwrap_err().code(), "too_short");
        let endless = PhaseTrack::new(1e308, vec![0.0, 1.0, 2.0]).unwrap_err();
        assert_eq!((endless.code(), endless.parameter()), ("out_of_range", "step_s"));
        assert_eq!(PhaseTrack::new(0.0, vec![0.0, 1.0]).unwrap_err().code(), "out_of_range");
    }

    #[test]
    fn a_record_shorter_than_a_cycle_is_too_short() {
        let track = PhaseTrack::constant(10.0, 0.05).unwrap();
        assert_eq!(cycles(&[0.0; 50][..], 1000.0, &track, 16).unwrap_err().code(), "too_short");
        // A cycle of more samples than a place can count.
        let slow = PhaseTrack::constant(1e-300, 1.0).unwrap();
        assert_eq!(cycles(&[0.0; 50][..], 1e9, &slow, 16).unwrap_err().code(), "too_short");
    }
}
