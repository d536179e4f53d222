//! The zero-phase high-pass of the examination's own readers: the trace less its slow part, taken on means.
//!
//! A first-order high-pass and low-pass of one corner, each run forward and backward, add up to 1 exactly (their squared
//! amplitudes do). The low-pass passes nothing quick, so it is taken on the means of short parts of the record, and a
//! straight line joins its values from part to part. Then the high-pass costs a subtraction a sample where the recurrence
//! of [`AcView`] waits for every sample before; what the two differ by is below [`MOST_TURN`] squared of the ripple.

use crate::coupling::{AcView, zero_phase_pole};
use crate::error::Result;
use crate::trace::{BLOCK, Samples, Trace, for_each_block};
use crate::vectors::{Work, widest};
use std::f64::consts::TAU;

/// Most that the corner turns, in radians, in one part of the record. Means, sampling of the low-pass and straight lines
/// each change what it passes of a quick component by a fraction of this squared; most of the sum is put right.
const MOST_TURN: f64 = 0.03;
/// Fewest parts; a shorter record is read exactly.
const FEWEST_PARTS: usize = 16;
/// Least that the corner turns over the whole record, in radians. Below it the sums over all reflections are quotients of
/// vanishing numbers; a record that short against the corner is read exactly.
const LEAST_TURN: f64 = 1e-3;
/// Lanes in which a part is summed.
const LANES: usize = 4;

/// A trace seen through the zero-phase high-pass at a corner, level removed.
#[derive(Debug, Clone)]
pub(crate) struct Levelled<'a> {
    trace: &'a Trace,
    corner_hz: f64,
    slow: Slow<'a>,
}

/// How the slow part is known.
#[derive(Debug, Clone)]
enum Slow<'a> {
    Means(Means),
    /// The corner lies too near the sample rate, or the record is short in samples or against the corner.
    Exact(AcView<'a>),
}

impl<'a> Levelled<'a> {
    /// Walks the trace once. `corner_hz` lies above 0 and below half the sample rate.
    ///
    /// # Errors
    /// [`crate::Error::OutOfRange`], [`crate::Error::AboveNyquist`] for the corner; [`crate::Error::TooShort`] for a single
    /// sample.
    pub(crate) fn new(trace: &'a Trace, corner_hz: f64) -> Result<Self> {
        let pole = zero_phase_pole(trace.sample_rate_hz(), corner_hz)?;
        let longest = MOST_TURN * trace.sample_rate_hz() / (TAU * corner_hz);
        let longest = (longest as usize).min(trace.len() / FEWEST_PARTS).min(BLOCK);
        let turns = TAU * corner_hz * trace.duration_s() >= LEAST_TURN;
        let slow = match longest.checked_ilog2() {
            Some(log) if log > 0 && turns => Slow::Means(Means::new(trace, pole, 1 << log)),
            _ => Slow::Exact(AcView::new(trace, corner_hz)?),
        };
        Ok(Self { trace, corner_hz, slow })
    }

    /// The trace behind it.
    pub(crate) fn trace(&self) -> &'a Trace {
        self.trace
    }
    /// Corner of the high-pass, in hertz.
    pub(crate) fn corner_hz(&self) -> f64 {
        self.corner_hz
    }
    /// Samples per second.
    pub(crate) fn sample_rate_hz(&self) -> f64 {
        self.trace.sample_rate_hz()
    }
}

impl Samples for Levelled<'_> {
    fn len(&self) -> usize {
        self.trace.len()
    }
    fn read(&self, start: usize, out: &mut [f64]) {
        match &self.slow {
            Slow::Exact(view) => view.read(start, out),
            Slow::Means(means) => {
                self.trace.read(start, out);
                widest(Subtraction { means, start, out });
            }
        }
    }
    fn check(&self, _parameter: &str) -> Result<()> {
        Ok(())
    }
}

/// The low-pass at the middle of every part.
#[derive(Debug, Clone)]
struct Means {
    /// Samples in a part: a power of two, 2 or more.
    width: usize,
    /// Values in order, before them the first one once more; behind them the point through which the last line goes, a
    /// part after the last whole one.
    values: Vec<f64>,
    /// Places within a part, from its middle to beyond the next one's: `(i + 0.5) / width`.
    places: Vec<f64>,
}

impl Means {
    fn new(trace: &Trace, pole: f64, width: usize) -> Self {
        let (mut first, mut last) = ([0.0], [0.0]);
        trace.read(0, &mut first);
        trace.read(trace.len() - 1, &mut last);
        let level = first[0];
        let mut means = Vec::with_capacity(trace.len() / width + 3);
        // Parts never straddle blocks: both lengths are powers of two.
        for_each_block(trace, |_, block| widest(Parts { block, width, level, means: &mut means }));
        let rest = trace.len() % width;
        let record = Record { pole, width, rest: if rest == 0 { width } else { rest } };
        let mut values = record.low_passed(&means, last[0] - level);
        values.iter_mut().for_each(|v| *v += level);
        // The last line goes through the middles of the last whole part and of what follows it.
        let end = values.len() - 1;
        let beyond = if rest == 0 {
            values[end]
        } else {
            let last = values.pop().unwrap_or_default();
            let before = values[end - 1];
            before + (last - before) * 2.0 * width as f64 / (width + rest) as f64
        };
        values.push(beyond);
        values.insert(0, values[0]);
        let places = (0..2 * width).map(|i| (i as f64 + 0.5) / width as f64).collect();
        Self { width, values, places }
    }
}

/// Means, less the level, of the parts of a block; the last may be shorter.
struct Parts<'a> {
    block: &'a [f64],
    width: usize,
    level: f64,
    means: &'a mut Vec<f64>,
}

impl Work for Parts<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        for part in self.block.chunks(self.width) {
            let mut sums = [0.0; LANES];
            let (sets, rest) = part.as_chunks::<LANES>();
            for set in sets {
                for lane in 0..LANES {
                    sums[lane] += set[lane] - self.level;
                }
            }
            let sum = (sums[0] + sums[2]) + (sums[1] + sums[3]) + rest.iter().map(|x| x - self.level).sum::<f64>();
            self.means.push(sum / part.len() as f64);
        }
    }
}

/// The record as parts: all are `width` long but the last, of `rest` samples.
struct Record {
    pole: f64,
    width: usize,
    rest: usize,
}

impl Record {
    /// The low-pass at the middle of every part: means weighted by `pole` to the power of their distance in samples, the
    /// record being continued for ever by reflection about its first sample (which is 0) and its last.
    fn low_passed(&self, means: &[f64], last_sample: f64) -> Vec<f64> {
        let (width, rest) = (self.width as f64, self.rest as f64);
        let power = |samples: f64| self.pole.powf(samples);
        let (keep, keep_last) = (power(width), power(0.5 * (width + rest)));
        let end = means.len() - 1;
        let last_mean = means[end] * rest / width;
        // Sums to the left of the last part and to the right of the first one, without what lies beyond the ends.
        let to_left = keep_last * means[..end].iter().fold(0.0, |sum, m| keep * sum + m) + last_mean;
        let to_right = means[..end].iter().rev().fold(keep_last / keep * last_mean, |sum, m| keep * sum + m);
        // Beyond each end the sum is that of the mirror image, which holds the sample at the end only once.
        let across = power(width * (end - 1) as f64) * keep_last;
        let (at_first, at_last) = (power(width - 1.0), power(rest - 1.0));
        let once = power(0.5 * (rest - 1.0)) * last_sample / width;
        let from_first =
            (to_right + across * (at_last * to_left - once)) / (1.0 - across * across * at_first * at_last);
        let mut left = at_first * from_first / keep;
        let mut values: Vec<f64> = means[..end]
            .iter()
            .map(|m| {
                left = keep * left + m;
                left
            })
            .collect();
        values.push(keep_last * left + last_mean);
        let mut right = at_last * values[end] - once;
        let scale = (1.0 - keep) / (1.0 + keep);
        values[end] = scale * (values[end] + right);
        right = keep_last * (right + last_mean);
        for (value, mean) in values[..end].iter_mut().zip(&means[..end]).rev() {
            *value = scale * (*value + right);
            right = keep * (right + mean);
        }
        sharpened(&mut values);
        values
    }
}

/// Puts right to the second order what means (`1 - x^2 / 6`), straight lines (`1 - x^2 / 3`) and sampling of the low-pass
/// (`1 + x^2 / 3`) make of a component that turns by `x` in half a part.
fn sharpened(values: &mut [f64]) {
    let mut before = values[0];
    for i in 0..values.len() {
        let (here, after) = (values[i], values[(i + 1).min(values.len() - 1)]);
        values[i] -= (before - 2.0 * here + after) / 24.0;
        before = here;
    }
}

/// Takes the slow part off samples from `start` on.
struct Subtraction<'a> {
    means: &'a Means,
    start: usize,
    out: &'a mut [f64],
}

impl Work for Subtraction<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Means { width, values, places } = self.means;
        let (last, half) = (values.len() - 2, width / 2);
        // Piece k goes from the middle of part k - 1 to that of part k.
        let mut piece = ((self.start + half) / width).min(last);
        let mut skipped = self.start + half - piece * width;
        let mut out = self.out;
        while !out.is_empty() {
            // Whole pieces first, where there is a loop for their length.
            if skipped == 0 && piece < last {
                let whole = (out.len() / width).min(last - piece) * width;
                let done = subtract_pieces(&mut out[..whole], *width, &values[piece..], places);
                piece += done / width;
                out = out.split_at_mut(done).1;
            }
            let length = if piece == last { out.len() } else { out.len().min(width - skipped) };
            if length == 0 {
                return;
            }
            let (here, rest) = out.split_at_mut(length);
            let (from, rise) = (values[piece], values[piece + 1] - values[piece]);
            for (x, place) in here.iter_mut().zip(&places[skipped..]) {
                *x -= from + rise * place;
            }
            (out, piece, skipped) = (rest, piece + 1, 0);
        }
    }
}

/// Takes the lines through values off as many whole pieces of `width` samples, and tells how many samples they are: 0 of a width
/// for which there is no loop of its own. Pieces are short: of a length that the compiler knows it need not look for the best
/// way into the loop at every one of them.
#[inline(always)]
fn subtract_pieces(samples: &mut [f64], width: usize, values: &[f64], places: &[f64]) -> usize {
    match width {
        8 => subtract_lines::<8>(samples, values, places),
        16 => subtract_lines::<16>(samples, values, places),
        32 => subtract_lines::<32>(samples, values, places),
        _ => 0,
    }
}

/// See [`subtract_pieces`].
#[inline(always)]
fn subtract_lines<const WIDTH: usize>(samples: &mut [f64], values: &[f64], places: &[f64]) -> usize {
    let Some(places) = places.first_chunk::<WIDTH>() else { return 0 };
    for (piece, line) in samples.as_chunks_mut::<WIDTH>().0.iter_mut().zip(values.windows(2)) {
        let (from, rise) = (line[0], line[1] - line[0]);
        // By way of values of their own: of those in place the compiler would have to ask whether they overlap.
        let mut levelled = *piece;
        for i in 0..WIDTH {
            levelled[i] -= from + rise * places[i];
        }
        *piece = levelled;
    }
    samples.len()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Coupling, Role};

    const RATE_HZ: f64 = 50_000.0;

    /// A rising level, a slow swing, and ripple of 1 V with corners at 200 Hz and its sixth order.
    fn volts(i: usize) -> f64 {
        let t = i as f64 / RATE_HZ;
        let ripple = (TAU * 200.0 * t).sin().max(0.0) + 0.3 * (TAU * 1200.0 * t + 0.4).sin().abs();
        14.0 + 0.8 * t + 0.3 * (TAU * 3.0 * t).sin() + ripple
    }

    fn largest_difference(samples: usize, corner_hz: f64) -> f64 {
        largest_difference_at(RATE_HZ, samples, corner_hz)
    }

    /// The same samples, said to have been taken at another rate.
    fn largest_difference_at(rate_hz: f64, samples: usize, corner_hz: f64) -> f64 {
        let trace =
            Trace::from_f64((0..samples).map(volts).collect(), rate_hz, Coupling::Dc, Role::ChargingPost).unwrap();
        let (mut a, mut b) = (vec![0.0; samples], vec![0.0; samples]);
        AcView::new(&trace, corner_hz).unwrap().read(0, &mut a);
        Levelled::new(&trace, corner_hz).unwrap().read(0, &mut b);
        a.iter().zip(&b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
    }

    #[test]
    fn it_is_the_exact_high_pass_but_for_a_small_part_of_the_ripple() {
        // A corner of the ripple within a part moves the part's mean against its straight line; the reflection at the ends
        // is that of a middle, which for half a part is a straight line. Both are orders of MOST_TURN^2 = 9e-4 of 1 V.
        for samples in [300, 1000, 4096, 4099, 20_001, 50_000] {
            for corner_hz in [5.0, 20.0, 150.0] {
                let off = largest_difference(samples, corner_hz);
                assert!(off < 2e-4, "{samples} samples, {corner_hz} Hz: {off}");
            }
        }
    }

    #[test]
    fn what_is_short_or_near_the_corner_is_read_exactly() {
        assert!(largest_difference(20, 5.0) == 0.0);
        assert!(largest_difference(5000, 5000.0) == 0.0);
    }

    #[test]
    fn a_record_short_against_the_corner_is_as_good() {
        // The corner turns 1e-1 to 2e-3 radians over the record, then less than is read on means.
        for turn in [1e-1, 1e-2, 2e-3] {
            let off = largest_difference_at(TAU * 5.0 * 5000.0 / turn, 5000, 5.0);
            assert!(off < 2e-4, "{turn}: {off}");
        }
        for rate_hz in [TAU * 5.0 * 5000.0 / 5e-4, 1e18, 1e300] {
            assert!(largest_difference_at(rate_hz, 5000, 5.0) == 0.0, "{rate_hz}");
        }
    }

    #[test]
    fn it_reads_the_same_values_in_any_pieces() {
        let trace = Trace::from_f64((0..5003).map(volts).collect(), RATE_HZ, Coupling::Dc, Role::ChargingPost).unwrap();
        let view = Levelled::new(&trace, 20.0).unwrap();
        let mut whole = vec![0.0; 5003];
        view.read(0, &mut whole);
        for (start, len) in [(0, 1), (3, 2000), (4990, 13), (5002, 1), (1024, 16)] {
            let mut piece = vec![0.0; len];
            view.read(start, &mut piece);
            assert_eq!(piece, whole[start..start + len], "from {start}, {len} samples");
        }
    }

    #[test]
    fn a_steady_record_gives_exact_zeros() {
        let trace = Trace::from_f64(vec![14.2; 3000], RATE_HZ, Coupling::Dc, Role::ChargingPost).unwrap();
        let mut out = vec![1.0; 3000];
        Levelled::new(&trace, 20.0).unwrap().read(0, &mut out);
        assert!(out.iter().all(|y| *y == 0.0));
    }
}
