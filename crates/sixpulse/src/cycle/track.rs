//! The phase of one line through the record: first by heterodyning along its path, then by matching every cycle
//! against the mean cycle with all of the line's orders together.

use super::lines::{LinePath, Pyramid};
use crate::angle::{self, Angles, OrderSpectra, PhaseTrack};
use crate::error::Result;
use crate::vectors::{Work, cosine_and_sine, widest};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Window of the heterodyne in cycles: a Hann window of four has its nulls where the neighbouring orders lie.
const WINDOW_CYCLES: f64 = 4.0;
/// Knots of a track per cycle of the line; linear between them, 5 % at 60 Hz leaves less than 1e-4 cycle.
const KNOTS_PER_CYCLE: f64 = 4.0;
/// Orders of the line used when cycles are matched.
const MATCH_ORDERS: usize = 12;
/// Longest smoothing of the matched phases, seconds: passes firing frequencies up to about 60 Hz.
const LONGEST_SMOOTHING_S: f64 = 0.008;
/// A line weaker than this against its strong stretches has no phase.
const FAINT_LINE: f64 = 0.25;
/// Scatter of the phase, in cycles of the line, below which nothing is smoothed.
const GOOD_PHASE_CYCLES: f64 = 0.004;

/// Correction, in cycles of the line, below which a track is matched no more: the next one would be a fraction of it.
const AT_REST_CYCLES: f64 = 2e-4;

/// Fewest samples in a cycle of the line: when it is followed by itself, and when its orders are matched.
const FOLLOWED_SAMPLES: f64 = 16.0;
const MATCHED_SAMPLES: f64 = 64.0;

/// Follows the line along its path, at a rate that suits the line. The record has its level removed.
pub(super) fn follow(record: &Pyramid<'_>, path: &LinePath) -> Result<PhaseTrack> {
    let mut track = integrate(path, record.last_s())?;
    let (sample_rate_hz, samples) = record.level_of(FOLLOWED_SAMPLES, track.mean_hz());
    for _ in 0..2 {
        track = AtRest::new(samples, sample_rate_hz, &track).corrected()?;
    }
    Ok(track)
}

/// Integrates the path's frequency to a phase.
fn integrate(path: &LinePath, duration_s: f64) -> Result<PhaseTrack> {
    let mean = path.frequency_hz.iter().sum::<f64>() / path.frequency_hz.len() as f64;
    let knots = ((duration_s * mean * KNOTS_PER_CYCLE).ceil() as usize).max(2);
    let step_s = duration_s / knots as f64;
    let mut cycles = Vec::with_capacity(knots + 1);
    let mut phase = 0.0;
    for k in 0..=knots {
        cycles.push(phase);
        phase += step_s * frequency_at(path, (k as f64 + 0.5) * step_s);
    }
    PhaseTrack::new(step_s, cycles)
}

fn frequency_at(path: &LinePath, time_s: f64) -> f64 {
    let f = &path.frequency_hz;
    let position = ((time_s - path.first_s) / path.hop_s).clamp(0.0, (f.len() - 1) as f64);
    let i = (position.floor() as usize).min(f.len().saturating_sub(2));
    let u = position - i as f64;
    if f.len() < 2 { f[0] } else { f[i] + u * (f[i + 1] - f[i]) }
}

/// Values from which windows are cut are made so many at a time, or a few more.
const TURNED_AT_ONCE: usize = 512;
/// Values before the window that are kept until so many have gathered.
const MOST_BEHIND: usize = 1 << 14;

/// The record turned back by a track, so that its line stands still: as much of it as a window needs.
struct AtRest<'a> {
    samples: &'a [f32],
    sample_rate_hz: f64,
    track: &'a PhaseTrack,
    /// Real and imaginary parts from sample `from` on.
    parts: [Vec<f64>; 2],
    from: usize,
    /// Pieces of the track that were turned back.
    pieces: usize,
    /// Angles of the samples that are next, in cycles.
    angles: Vec<f64>,
}

impl<'a> AtRest<'a> {
    fn new(samples: &'a [f32], sample_rate_hz: f64, track: &'a PhaseTrack) -> Self {
        let most = samples.len().min(MOST_BEHIND + 2 * TURNED_AT_ONCE);
        let parts = [0; 2].map(|_| Vec::with_capacity(most));
        Self { samples, sample_rate_hz, track, parts, from: 0, pieces: 0, angles: Vec::with_capacity(TURNED_AT_ONCE) }
    }

    /// The track with the phase added that is left.
    fn corrected(mut self) -> Result<PhaseTrack> {
        let track = self.track;
        let (first, last) = (track.knots()[0], track.knots()[track.knots().len() - 1]);
        let hops = (last - first).floor().max(1.0) as usize;
        let (mut times, mut values) = (Vec::with_capacity(hops), Vec::with_capacity(hops));
        for k in 0..hops {
            let time_s = track.time_at(first + k as f64 + 0.5);
            let half = 0.5 * WINDOW_CYCLES * self.sample_rate_hz / track.hz_at(time_s);
            times.push(time_s);
            values.push(self.windowed_mean(time_s * self.sample_rate_hz, half));
        }
        let (times, cycles) = unwrapped(&times, &values);
        if times.is_empty() {
            return Ok(track.clone());
        }
        add_phase(track, &times, &cycles)
    }

    /// Number of the first sample that is not turned back yet.
    fn end(&self) -> usize {
        self.from + self.parts[0].len()
    }

    /// Turns the record back up to a sample at least, where it is that long.
    fn turn_to(&mut self, sample: usize) {
        let begin = self.end();
        if sample < begin {
            return;
        }
        self.angles.clear();
        let enough = sample.max(begin + TURNED_AT_ONCE);
        while begin + self.angles.len() <= enough && self.pieces + 1 < self.track.knots().len() {
            self.place_piece(begin + self.angles.len());
        }
        let Some(samples) = self.samples.get(begin..begin + self.angles.len()) else { return };
        let behind = self.parts[0].len();
        self.parts.iter_mut().for_each(|part| part.resize(behind + samples.len(), 0.0));
        let [re, im] = self.parts.each_mut().map(|part| &mut part[behind..]);
        widest(Turning { samples, angles: &self.angles, re, im });
    }

    /// Angles of the samples from `from` on in the next piece of the track; the last one goes on to the end of the record.
    fn place_piece(&mut self, from: usize) {
        let knots = self.track.knots();
        let per_knot = self.track.step_s() * self.sample_rate_hz;
        let k = self.pieces;
        self.pieces += 1;
        let end = if k + 2 == knots.len() { self.samples.len() } else { ((k + 1) as f64 * per_knot).ceil() as usize };
        let per_sample = (knots[k + 1] - knots[k]) / per_knot;
        let first = k as f64 * per_knot;
        self.angles.extend((from..end.min(self.samples.len())).map(|i| knots[k] + (i as f64 - first) * per_sample));
    }

    /// Hann-weighted mean of the values within `half` of `centre` (both in samples); centres grow from call to call.
    fn windowed_mean(&mut self, centre: f64, half: f64) -> Complex64 {
        let from = (centre - half).ceil().max(0.0) as usize;
        let to = ((centre + half).floor().max(0.0) as usize).min(self.samples.len() - 1);
        self.turn_to(to);
        let range = from.checked_sub(self.from).zip(to.checked_sub(self.from));
        let held = range.filter(|(first, last)| first <= last && *last < self.parts[0].len());
        let held = held.map_or(0..0, |(first, last)| first..last + 1);
        let values = self.parts.each_ref().map(|part| &part[held.clone()]);
        let mean = widest(Windowed { values, first: from as f64 - centre, half });
        self.forget_before(from);
        mean
    }

    /// Forgets most of what lies before the window; not all, for where the speed falls the next window may begin earlier.
    fn forget_before(&mut self, from: usize) {
        let behind = from.saturating_sub(self.from);
        if behind > MOST_BEHIND {
            let gone = behind - MOST_BEHIND / 2;
            self.parts.iter_mut().for_each(|part| drop(part.drain(..gone)));
            self.from += gone;
        }
    }
}

/// Samples turned back by angles in cycles.
struct Turning<'a> {
    samples: &'a [f32],
    angles: &'a [f64],
    re: &'a mut [f64],
    im: &'a mut [f64],
}

impl Work for Turning<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { samples, angles, re, im } = self;
        for ((re, im), (x, cycles)) in re.iter_mut().zip(im).zip(samples.iter().zip(angles)) {
            let (cos, sin) = cosine_and_sine(*cycles);
            (*re, *im) = (f64::from(*x) * cos, -f64::from(*x) * sin);
        }
    }
}

/// Mean of values under a Hann window: the first of them lies `first` samples from its middle, and it reaches `half` to
/// either side.
struct Windowed<'a> {
    /// Real and imaginary parts.
    values: [&'a [f64]; 2],
    first: f64,
    half: f64,
}

impl Work for Windowed<'_> {
    type Output = Complex64;
    #[inline(always)]
    fn call(self) -> Complex64 {
        let Self { values: [re, im], first, half } = self;
        // The cosine follows by recurrence, from eight samples to the next eight.
        let cycles = 0.5 / half;
        let mut turn = [[0.0; LANES]; 2];
        let [cos, sin] = &mut turn;
        for (lane, (cos, sin)) in (0u32..).zip(cos.iter_mut().zip(sin)) {
            (*cos, *sin) = cosine_and_sine((first + f64::from(lane)) * cycles);
        }
        let step = cosine_and_sine(LANES as f64 * cycles);
        let mut sums = [[0.0; LANES]; 3];
        let ((re, re_left), (im, im_left)) = (re.as_chunks::<LANES>(), im.as_chunks::<LANES>());
        for (re, im) in re.iter().zip(im) {
            add_windowed([re, im, &[1.0; LANES]], &mut turn, step, &mut sums);
        }
        let mut last = [[0.0; LANES]; 3];
        last[0][..re_left.len()].copy_from_slice(re_left);
        last[1][..im_left.len()].copy_from_slice(im_left);
        last[2][..re_left.len()].fill(1.0);
        add_windowed([&last[0], &last[1], &last[2]], &mut turn, step, &mut sums);
        let [re, im, weight] = sums.map(|lanes| lanes.iter().sum::<f64>());
        if weight > 0.0 { Complex64::new(re, im) / weight } else { Complex64::ZERO }
    }
}

/// Values taken side by side under a window.
const LANES: usize = 8;

/// Adds values (parts, and 1 for each or 0 where there is none) by their weights, and turns the window's phase on.
#[inline(always)]
fn add_windowed(
    values: [&[f64; LANES]; 3],
    turn: &mut [[f64; LANES]; 2],
    (cos, sin): (f64, f64),
    sums: &mut [[f64; LANES]; 3],
) {
    for lane in 0..LANES {
        let (x, y) = (turn[0][lane], turn[1][lane]);
        let weight = 1.0 + x;
        sums[0][lane] += weight * values[0][lane];
        sums[1][lane] += weight * values[1][lane];
        sums[2][lane] += weight * values[2][lane];
        turn[0][lane] = x * cos - y * sin;
        turn[1][lane] = x * sin + y * cos;
    }
}

/// Times and phases in cycles without jumps, of the points at which the line is strong enough to have a phase.
fn unwrapped(times_s: &[f64], values: &[Complex64]) -> (Vec<f64>, Vec<f64>) {
    let mut sizes: Vec<f64> = values.iter().map(|v| v.norm()).collect();
    let high = sizes.len() * 4 / 5;
    let (_, strong, _) = sizes.select_nth_unstable_by(high, f64::total_cmp);
    let faint = FAINT_LINE * *strong;
    let mut out = (Vec::with_capacity(values.len()), Vec::with_capacity(values.len()));
    for (t, v) in times_s.iter().zip(values).filter(|(_, v)| v.norm() > faint) {
        let phase = v.arg() / (2.0 * PI);
        let last = out.1.last().copied().unwrap_or(phase);
        out.0.push(*t);
        out.1.push(phase + (last - phase).round());
    }
    out
}

/// Adds a correction given at growing times (cycles; cubic between the times, straight outside) to a track.
fn add_phase(track: &PhaseTrack, times_s: &[f64], cycles: &[f64]) -> Result<PhaseTrack> {
    let mut i = 0;
    let mut knots: Vec<f64> = Vec::with_capacity(track.knots().len());
    for (k, c) in track.knots().iter().enumerate() {
        let t = k as f64 * track.step_s();
        while i + 1 < times_s.len() && times_s[i + 1] <= t {
            i += 1;
        }
        knots.push(c + cubic(times_s, cycles, i, t));
    }
    // A correction may not turn the angle back; where noise does, the track holds its smallest step.
    let least = 1e-3 * track.step_s() * track.mean_hz();
    for k in 1..knots.len() {
        if knots[k] <= knots[k - 1] {
            knots[k] = knots[k - 1] + least;
        }
    }
    PhaseTrack::new(track.step_s(), knots)
}

/// Points at either end from which the straight continuation beyond it is taken.
const END_POINTS: usize = 4;

/// Catmull-Rom through points `i` and `i + 1`; straight before the first and after the last point.
fn cubic(t: &[f64], y: &[f64], i: usize, at: f64) -> f64 {
    let last = t.len() - 1;
    if last < 2 {
        return y[0];
    }
    if at <= t[0] {
        let k = END_POINTS.min(last);
        return y[0] + (at - t[0]) * (y[k] - y[0]) / (t[k] - t[0]);
    }
    if i >= last {
        let k = last - END_POINTS.min(last);
        return y[last] + (at - t[last]) * (y[last] - y[k]) / (t[last] - t[k]);
    }
    let h = t[i + 1] - t[i];
    let slope = |k: usize| {
        let (a, b) = (k.saturating_sub(1), (k + 1).min(t.len() - 1));
        (y[b] - y[a]) / (t[b] - t[a])
    };
    let u = (at - t[i]) / h;
    let (m0, m1) = (slope(i) * h, slope(i + 1) * h);
    let (u2, u3) = (u * u, u * u * u);
    (2.0 * u3 - 3.0 * u2 + 1.0) * y[i] + (u3 - 2.0 * u2 + u) * m0 + (3.0 * u2 - 2.0 * u3) * y[i + 1] + (u3 - u2) * m1
}

/// Matches every cycle of the line against the mean cycle, `passes` times.
pub(super) fn refine(record: &Pyramid<'_>, mut track: PhaseTrack, passes: usize) -> Result<PhaseTrack> {
    let (sample_rate_hz, samples) = record.level_of(MATCHED_SAMPLES, track.mean_hz());
    for _ in 0..passes {
        let spectra = angle::checked_order_spectra(samples, sample_rate_hz, &track, MATCH_ORDERS)?;
        let first = track.whole_cycles().0;
        let times: Vec<f64> = (0..spectra.cycles.nrows()).map(|j| track.time_at(first + j as f64 + 0.5)).collect();
        let Some(shift) = matched_phases(&spectra) else { return Ok(track) };
        let longest = (LONGEST_SMOOTHING_S * spectra.mean_hz) as usize;
        let shift = smoothed(&shift, longest);
        track = add_phase(&track, &times, &shift)?;
        if shift.iter().all(|s| s.abs() < AT_REST_CYCLES) {
            break;
        }
    }
    Ok(track)
}

/// Phase of each cycle against the mean cycle, in cycles; least squares over the orders that stand clear of scatter.
fn matched_phases(spectra: &OrderSpectra) -> Option<Vec<f64>> {
    let weights: Vec<f64> = spectra
        .mean
        .iter()
        .enumerate()
        .map(|(i, m)| if m.norm() > 3.0 * spectra.mean_std(i) { (i + 1) as f64 } else { 0.0 })
        .collect();
    let total: f64 = weights.iter().zip(&spectra.mean).map(|(w, m)| w * w * m.norm_sqr()).sum();
    if total <= 0.0 {
        return None;
    }
    let row_phase = |row: ndarray::ArrayView1<'_, Complex64>| {
        let s: f64 = row.iter().zip(&weights).zip(&spectra.mean).map(|((x, w), m)| w * (x * m.conj()).im).sum();
        // A Gauss-Newton step beyond an eighth of a cycle is outside its linear range.
        (s / (2.0 * PI * total)).clamp(-0.125, 0.125)
    };
    Some(spectra.cycles.rows().into_iter().map(row_phase).collect())
}

/// Smooths by a local parabola just wide enough to bring the scatter below [`GOOD_PHASE_CYCLES`], at most `longest`.
fn smoothed(y: &[f64], longest: usize) -> Vec<f64> {
    if y.len() < 5 {
        return y.to_vec();
    }
    let variance = y.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).powi(2)).sum::<f64>() / (6.0 * (y.len() - 2) as f64);
    let wanted = (variance / (GOOD_PHASE_CYCLES * GOOD_PHASE_CYCLES)).ceil() as usize;
    let half = (wanted.min(longest).min(y.len() / 2).saturating_sub(1)) / 2;
    if half < 2 { y.to_vec() } else { (0..y.len()).map(|i| local_parabola(y, i, half)).collect() }
}

/// Value at `i` of the least-squares parabola through the points within `half` of it.
fn local_parabola(y: &[f64], i: usize, half: usize) -> f64 {
    let (from, to) = (i.saturating_sub(half), (i + half).min(y.len() - 1));
    let mut s = [0.0; 5];
    let mut r = [0.0; 3];
    for (k, value) in y.iter().enumerate().take(to + 1).skip(from) {
        let d = k as f64 - i as f64;
        let powers = [1.0, d, d * d, d * d * d, d * d * d * d];
        for (s, p) in s.iter_mut().zip(powers) {
            *s += p;
        }
        for (r, p) in r.iter_mut().zip(powers) {
            *r += p * value;
        }
    }
    // Cramer's rule for the constant term of the 3 x 3 normal equations.
    let minor = |a: f64, b: f64, c: f64, d: f64| a * d - b * c;
    let m = [minor(s[2], s[3], s[3], s[4]), minor(s[1], s[3], s[2], s[4]), minor(s[1], s[2], s[2], s[3])];
    let det = s[0] * m[0] - s[1] * m[1] + s[2] * m[2];
    let top = r[0] * m[0] - s[1] * minor(r[1], s[3], r[2], s[4]) + s[2] * minor(r[1], s[2], r[2], s[3]);
    if det.abs() > 0.0 { top / det } else { y[i] }
}

/// Takes out of the samples what repeats with the track, leaving the rest for the next search.
pub(super) fn remove_synchronous(samples: &mut [f32], sample_rate_hz: f64, track: &PhaseTrack) -> Result<()> {
    let points = ((sample_rate_hz / track.mean_hz()) as usize).clamp(16, 1024);
    let (first, count) = angle::cycles_inside(samples.len(), sample_rate_hz, track)?;
    let angles = Angles { first, points_per_cycle: points, count: count * points };
    let mut mean = vec![0.0; points];
    let (mut point, mut last) = (None, (0.0, 0.0));
    let mut means = [0.0; angle::TOGETHER];
    angle::for_each_cut(&*samples, sample_rate_hz, track, angles, |at, integrals| {
        angle::means_between(last, at, integrals, &mut means[..at.len()]);
        last = (at[at.len() - 1], integrals[at.len() - 1]);
        // The very first border ends no point.
        let mut known = &means[usize::from(point.is_none())..at.len()];
        let mut next = point.unwrap_or(0);
        while !known.is_empty() {
            let here = known.len().min(points - next);
            mean[next..next + here].iter_mut().zip(known).for_each(|(sum, x)| *sum += x);
            (known, next) = (&known[here..], if next + here < points { next + here } else { 0 });
        }
        point = Some(next);
    });
    let level = mean.iter().sum::<f64>() / points as f64;
    mean.iter_mut().for_each(|m| *m = (*m - level) / count as f64);
    subtract(samples, sample_rate_hz, track, &mean);
    Ok(())
}

/// Subtracts a cycle given at the middles of its points, straight lines between them.
fn subtract(samples: &mut [f32], sample_rate_hz: f64, track: &PhaseTrack, cycle: &[f64]) {
    let points = cycle.len();
    // Value and rise to the next point, from the last point on: a cycle begins half a point before its first middle, and
    // its last half point lies before the next one's.
    let line = |k: usize| {
        let (from, to) = (cycle[(k + points - 1) % points], cycle[k % points]);
        [from as f32, (to - from) as f32]
    };
    let lines: Vec<[f32; 2]> = (0..=points).map(line).collect();
    let per_knot = track.step_s() * sample_rate_hz;
    widest(Subtraction { samples, knots: track.knots(), per_knot, lines: &lines });
}

/// Samples whose places in their cycle are found together.
const PLACED: usize = 8;
/// Adding it to a number below 2^22 in single precision leaves the nearest whole number in the last 22 bits.
const WHOLE: f32 = 12_582_912.0;

/// See [`subtract`].
struct Subtraction<'a> {
    samples: &'a mut [f32],
    knots: &'a [f64],
    per_knot: f64,
    /// One more than there are points.
    lines: &'a [[f32; 2]],
}

impl Work for Subtraction<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { samples, knots, per_knot, lines } = self;
        let (points, last) = ((lines.len() - 1) as f64, lines.len() as i32 - 1);
        let (mut nearest, mut beyond) = ([0; PLACED], [0.0; PLACED]);
        let mut from = 0;
        for (piece, pair) in knots.windows(2).enumerate() {
            let to =
                if piece + 2 == knots.len() { samples.len() } else { ((piece + 1) as f64 * per_knot).ceil() as usize };
            let Some(here) = samples.get_mut(from..to.min(samples.len())) else { break };
            let per_sample = (pair[1] - pair[0]) / per_knot;
            let mut first = pair[0] + (from as f64 - piece as f64 * per_knot) * per_sample;
            for part in here.chunks_mut(PLACED) {
                for i in 0..PLACED {
                    let cycles = first + f64::from(i as u32) * per_sample;
                    let at = ((cycles - cycles.floor()) * points) as f32;
                    nearest[i] = (((at + WHOLE).to_bits() & 0x3f_ffff) as i32).min(last);
                    beyond[i] = at + 0.5 - nearest[i] as f32;
                }
                for (x, (line, along)) in part.iter_mut().zip(nearest.iter().zip(&beyond)) {
                    let [value, rise] = lines[*line as usize];
                    *x -= value + along * rise;
                }
                first += PLACED as f64 * per_sample;
            }
            from = to;
        }
    }
}

#[cfg(test)]
mod tests;
