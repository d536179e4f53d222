//! Figures of one trace: extremes, quantiser step, pile-up at the extremes, held or lost samples.
//!
//! One fused pass over short chunks gives the extremes, the windows in which the signal stands still and the runs of
//! equal samples; a second pass, over the parts of the record that come near its extremes, counts how the samples lie next
//! to them.

use super::TraceQuality;
use crate::trace::{BLOCK, Coupling, Quantiser, RawSamples, Role, Samples, Trace, for_each_block};
use crate::vectors::{Work, higher, lower, widest};

/// Samples in the shortest window looked at.
const CHUNK: usize = 8;
/// Samples whose extremes are kept for the second pass.
const PART: usize = 32 * CHUNK;
/// Windows of `CHUNK * 2^k` samples, k below this: up to 2^22 samples.
const SCALES: usize = 20;
/// Of these, scales whose windows lie within one block.
const SCALES_OF_BLOCK: usize = (BLOCK / CHUNK).ilog2() as usize;
/// A window that moves by fewer steps than this may stand still for want of resolution.
const STILL_STEPS: f64 = 3.0;
/// A run of equal samples is unexplained when at most this share of the windows a quarter as long stands still.
const STILL_SHARE: f64 = 0.05;
/// Runs kept for judging, for each doubling of their length; a record with more is past counting.
const MOST_RUNS: usize = 256;
/// Levels next to the extreme against which its pile-up is held.
const NEIGHBOURS: usize = 4;
/// Flat tops need this many steps between the extremes: on fewer, a healthy ripple fills the outermost level too.
const LEAST_STEPS_FOR_FLAT_TOP: f64 = 16.0;
/// A flat top holds more than this many times the samples of any level next to it.
const PILE_UP: usize = 3;
/// Fewest samples that make a flat top.
const LEAST_FLAT: usize = 8;
/// Samples at a full-scale code that make a rail, not a chance.
const LEAST_AT_RAIL: usize = 3;

/// A run of equal samples.
#[derive(Debug, Clone, Copy)]
struct Run {
    start: usize,
    len: usize,
    value: f64,
}

/// What the first pass finds.
struct Scan {
    minimum: f64,
    maximum: f64,
    /// Lowest and highest value of every [`PART`] samples.
    parts: Vec<(f64, f64)>,
    /// Windows seen and windows standing still, by scale.
    windows: [(usize, usize); SCALES],
    runs: Vec<Run>,
}

/// Collects windows and runs block by block.
struct Scanner {
    still_below: f64,
    scan: Scan,
    /// Extremes of the half-filled window of each scale.
    pending: [Option<(f64, f64)>; SCALES],
    open: Option<Run>,
    kept: [usize; SCALES],
}

impl Scanner {
    fn new(step: Option<f64>, samples: usize) -> Self {
        // Half a step of slack keeps "3 steps" clear of rounding; without a step only an exact standstill counts.
        let still_below = step.map_or(f64::MIN_POSITIVE, |q| (STILL_STEPS - 0.5) * q);
        let scan = Scan {
            minimum: f64::INFINITY,
            maximum: f64::NEG_INFINITY,
            parts: Vec::with_capacity(samples.div_ceil(PART)),
            windows: [(0, 0); SCALES],
            runs: Vec::new(),
        };
        Self { still_below, scan, pending: [None; SCALES], open: None, kept: [0; SCALES] }
    }

    /// Takes the chunks of a block: all are [`CHUNK`] long but the last one, of `last` samples.
    fn block(&mut self, start: usize, last: usize, chunks: &mut Extremes) {
        let count = chunks.low.len();
        for (low, high) in chunks.low.chunks(PART / CHUNK).zip(chunks.high.chunks(PART / CHUNK)) {
            let low = low.iter().copied().fold(f64::INFINITY, lower);
            let high = high.iter().copied().fold(f64::NEG_INFINITY, higher);
            self.scan.parts.push((low, high));
            self.scan.minimum = self.scan.minimum.min(low);
            self.scan.maximum = self.scan.maximum.max(high);
        }
        if self.open.is_some() || widest(AnyHeld(chunks)) {
            for (i, (low, high)) in chunks.low.iter().zip(&chunks.high).enumerate() {
                self.run(start + i * CHUNK, if i + 1 < count { CHUNK } else { last }, *low, *high);
            }
        }
        chunks.truncate(if last < CHUNK { count - 1 } else { count });
        self.windows(chunks);
    }

    /// Counts whole chunks as windows and merges pairs of windows into the next longer scale.
    fn windows(&mut self, chunks: &mut Extremes) {
        for (seen, still) in self.scan.windows.iter_mut().take(SCALES_OF_BLOCK) {
            *seen += chunks.low.len();
            *still += widest(Standing { chunks, below: self.still_below });
            chunks.merge_pairs();
        }
        // What is left of a whole block is one window.
        if let (Some(low), Some(high)) = (chunks.low.first(), chunks.high.first()) {
            self.window(*low, *high);
        }
    }

    /// Counts a window longer than a block's scales and merges it with the one before.
    fn window(&mut self, mut low: f64, mut high: f64) {
        for (pending, (seen, still)) in self.pending.iter_mut().zip(&mut self.scan.windows).skip(SCALES_OF_BLOCK) {
            *seen += 1;
            *still += usize::from(high - low < self.still_below);
            match pending.take() {
                None => {
                    *pending = Some((low, high));
                    return;
                }
                Some((l, h)) => (low, high) = (low.min(l), high.max(h)),
            }
        }
    }

    #[allow(clippy::float_cmp, reason = "a held sample repeats exactly")]
    fn run(&mut self, start: usize, len: usize, low: f64, high: f64) {
        if low != high {
            self.close();
            return;
        }
        match &mut self.open {
            Some(run) if run.value == low => run.len += len,
            _ => {
                self.close();
                self.open = Some(Run { start, len, value: low });
            }
        }
    }

    fn close(&mut self) {
        let Some(run) = self.open.take() else { return };
        let kept = &mut self.kept[scale_of(run.len / CHUNK)];
        if *kept < MOST_RUNS {
            *kept += 1;
            self.scan.runs.push(run);
        }
    }
}

/// Scale of windows that many chunks long, rounded down.
fn scale_of(chunks: usize) -> usize {
    (chunks.max(1).ilog2() as usize).min(SCALES - 1)
}

/// Lowest and highest values of windows in a row.
#[derive(Default)]
struct Extremes {
    low: Vec<f64>,
    high: Vec<f64>,
}

impl Extremes {
    /// Those of the chunks of a block; the last chunk may be shorter.
    fn read(&mut self, block: &[f64]) {
        let count = block.len().div_ceil(CHUNK);
        self.low.resize(count, 0.0);
        self.high.resize(count, 0.0);
        widest(ChunkExtremes { block, found: self });
    }

    fn truncate(&mut self, count: usize) {
        self.low.truncate(count);
        self.high.truncate(count);
    }

    /// Makes one window of every two; a last one without a neighbour is dropped.
    fn merge_pairs(&mut self) {
        let count = self.low.len() / 2;
        for i in 0..count {
            self.low[i] = lower(self.low[2 * i], self.low[2 * i + 1]);
            self.high[i] = higher(self.high[2 * i], self.high[2 * i + 1]);
        }
        self.truncate(count);
    }
}

/// See [`Extremes::read`].
struct ChunkExtremes<'a> {
    block: &'a [f64],
    found: &'a mut Extremes,
}

impl Work for ChunkExtremes<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let (chunks, rest) = self.block.as_chunks::<CHUNK>();
        for (x, (found_low, found_high)) in chunks.iter().zip(self.found.low.iter_mut().zip(&mut self.found.high)) {
            let (mut low, mut high) = ([0.0; CHUNK / 2], [0.0; CHUNK / 2]);
            for i in 0..CHUNK / 2 {
                low[i] = lower(x[i], x[i + CHUNK / 2]);
                high[i] = higher(x[i], x[i + CHUNK / 2]);
            }
            *found_low = lower(lower(low[0], low[2]), lower(low[1], low[3]));
            *found_high = higher(higher(high[0], high[2]), higher(high[1], high[3]));
        }
        if let (false, Some(low), Some(high)) = (rest.is_empty(), self.found.low.last_mut(), self.found.high.last_mut())
        {
            *low = rest.iter().copied().fold(f64::INFINITY, lower);
            *high = rest.iter().copied().fold(f64::NEG_INFINITY, higher);
        }
    }
}

/// Whether the samples of some window are all equal.
struct AnyHeld<'a>(&'a Extremes);

impl Work for AnyHeld<'_> {
    type Output = bool;
    #[inline(always)]
    #[allow(clippy::float_cmp, reason = "a held sample repeats exactly")]
    fn call(self) -> bool {
        self.0.low.iter().zip(&self.0.high).fold(false, |any, (low, high)| any | (low == high))
    }
}

/// How many windows move by less than a limit.
struct Standing<'a> {
    chunks: &'a Extremes,
    below: f64,
}

impl Work for Standing<'_> {
    type Output = usize;
    #[inline(always)]
    fn call(self) -> usize {
        let Extremes { low, high } = self.chunks;
        low.iter().zip(high).map(|(low, high)| usize::from(high - low < self.below)).sum()
    }
}

fn scan(trace: &Trace, step: Option<f64>) -> Scan {
    let mut scanner = Scanner::new(step, trace.len());
    let mut extremes = Extremes::default();
    for_each_block(trace, |start, block| {
        extremes.read(block);
        let last = block.len() - (extremes.low.len() - 1) * CHUNK;
        scanner.block(start, last, &mut extremes);
    });
    scanner.close();
    let mut scan = scanner.scan;
    for run in &mut scan.runs {
        extend(trace, run);
    }
    scan
}

/// Chunks are aligned, runs are not: adds the equal samples before and after.
#[allow(clippy::float_cmp, reason = "a held sample repeats exactly")]
fn extend(trace: &Trace, run: &mut Run) {
    let mut buffer = [0.0; CHUNK];
    let before = CHUNK.min(run.start);
    trace.read(run.start - before, &mut buffer[..before]);
    let grown = buffer[..before].iter().rev().take_while(|&&x| x == run.value).count();
    run.start -= grown;
    run.len += grown;
    let end = run.start + run.len;
    let after = CHUNK.min(trace.len() - end);
    trace.read(end, &mut buffer[..after]);
    run.len += buffer[..after].iter().take_while(|&&x| x == run.value).count();
}

/// Held and lost samples.
#[derive(Default)]
struct Dropouts {
    count: usize,
    samples: usize,
    longest: usize,
    /// Samples of dropouts that lie at the lowest and at the highest value: they are no flat tops.
    at_minimum: usize,
    at_maximum: usize,
}

fn dropouts(trace: &Trace, scan: &Scan, step: Option<f64>) -> Dropouts {
    let mut found = Dropouts::default();
    // An output that switches stands still between its edges: that is its signal.
    let held_counts = trace.role() != Role::EdgeSensor;
    let tolerance = 0.5 * step.unwrap_or(0.0);
    for run in &scan.runs {
        let at_minimum = run.value - scan.minimum <= tolerance;
        let at_maximum = scan.maximum - run.value <= tolerance;
        let held = held_counts && !at_minimum && !at_maximum && is_unexplained(run, scan, step);
        if held || is_zeroed(trace, run, scan, step) {
            found.count += 1;
            found.samples += run.len;
            found.longest = found.longest.max(run.len);
            found.at_minimum += if at_minimum { run.len } else { 0 };
            found.at_maximum += if at_maximum { run.len } else { 0 };
        }
    }
    found
}

/// True when windows a quarter as long as the run hardly ever stand still elsewhere. Elsewhere is outside this run and
/// outside others about as long that hold another level: plateaus of the signal's own come back to their level.
#[allow(clippy::cast_precision_loss, reason = "records are far shorter than 2^53 samples")]
fn is_unexplained(run: &Run, scan: &Scan, step: Option<f64>) -> bool {
    let least = if step.is_some() { 4 * CHUNK } else { 2 * CHUNK };
    if run.len < least {
        return false;
    }
    let scale = scale_of(run.len / (4 * CHUNK));
    let (seen, still) = scan.windows[scale];
    let apart = STILL_STEPS * step.unwrap_or(0.0);
    let excluded = |other: &&Run| {
        other.start == run.start || (2 * other.len >= run.len && (other.value - run.value).abs() > apart)
    };
    let window = CHUNK << scale;
    // Windows are aligned, runs are not: up to one window fewer lies inside.
    let inside: usize = scan.runs.iter().filter(excluded).map(|other| (other.len / window).saturating_sub(1)).sum();
    still.saturating_sub(inside) as f64 <= STILL_SHARE * seen.saturating_sub(inside) as f64 + 1.0
}

/// True for a run of exact zeros into which the signal falls and out of which it rises in one sample, from more than
/// half its largest magnitude: lost buffers are often filled so, and no supply voltage does that by itself.
fn is_zeroed(trace: &Trace, run: &Run, scan: &Scan, step: Option<f64>) -> bool {
    let zero = match trace.raw() {
        RawSamples::I16 { offset, .. } => *offset,
        RawSamples::F32(_) | RawSamples::F64(_) => 0.0,
    };
    #[allow(clippy::float_cmp, reason = "a lost buffer is filled with one exact value")]
    if run.value != zero || trace.coupling() == Coupling::Ac || !trace.role().is_supply_voltage() {
        return false;
    }
    let reach = (scan.maximum - zero).abs().max((zero - scan.minimum).abs());
    let jump = (0.5 * reach).max(STILL_STEPS * step.unwrap_or(0.0));
    let mut neighbour = [0.0];
    let mut jumps = |index: Option<usize>| match index.filter(|&i| i < trace.len()) {
        Some(i) => {
            trace.read(i, &mut neighbour);
            (neighbour[0] - zero).abs() >= jump
        }
        None => true,
    };
    reach > 0.0 && run.len < trace.len() && jumps(run.start.checked_sub(1)) && jumps(run.start.checked_add(run.len))
}

/// How the samples lie at one extreme.
#[derive(Default, Clone, Copy)]
struct Edge {
    at: usize,
    in_runs: usize,
    run: usize,
    near: [usize; NEIGHBOURS],
}

impl Edge {
    /// `depth`: distance from the extreme in steps.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "depth is between 0 and NEIGHBOURS here"
    )]
    fn add(&mut self, depth: f64) {
        if depth < 0.5 {
            self.at += 1;
            self.run += 1;
            return;
        }
        self.end_run();
        if depth < NEIGHBOURS as f64 + 0.5 {
            self.near[(depth - 0.5) as usize] += 1;
        }
    }

    fn end_run(&mut self) {
        if self.run >= 3 {
            self.in_runs += self.run;
        }
        self.run = 0;
    }

    /// A pile-up at the extreme that the slope does not explain.
    ///
    /// A smooth maximum leaves at most 2.41 times as many samples in its outermost level as in the next (level widths of
    /// a parabola: 1 against sqrt(2) - 1); noise leaves fewer. Samples that repeat with the period of a noise-free signal
    /// could do so too, but then every level that occurs holds as many: a flat top holds more than its share, or lies
    /// in runs.
    #[allow(clippy::cast_precision_loss, reason = "records are far shorter than 2^53 samples")]
    fn is_flat_top(&self, held: usize, samples_a_level: f64) -> bool {
        let at = self.at.saturating_sub(held);
        let next = self.near.iter().copied().max().unwrap_or(0);
        let in_runs = 2 * self.in_runs.saturating_sub(held) >= at;
        at >= LEAST_FLAT && at > PILE_UP * next && (in_runs || at as f64 > PILE_UP as f64 * samples_a_level)
    }
}

fn edges(trace: &Trace, scan: &Scan, step: Option<f64>) -> (Edge, Edge) {
    let range = scan.maximum - scan.minimum;
    // Without a step the values are as fine as single precision: levels that wide stand in for it.
    let magnitude = scan.maximum.abs().max(scan.minimum.abs());
    let width = step.unwrap_or(4.0 * f64::from(f32::EPSILON) * magnitude).max(f64::MIN_POSITIVE);
    let reach = (NEIGHBOURS as f64 + 0.5) * width;
    let (mut bottom, mut top) = (Edge::default(), Edge::default());
    let near = |low: f64, high: f64| (low - scan.minimum < reach, scan.maximum - high < reach);
    let (mut part, mut extremes) = ([0.0; PART], Extremes::default());
    for (k, (low, high)) in scan.parts.iter().enumerate().filter(|_| range > 0.0) {
        if near(*low, *high) == (false, false) {
            bottom.end_run();
            top.end_run();
            continue;
        }
        let part = &mut part[..PART.min(trace.len() - k * PART)];
        trace.read(k * PART, part);
        extremes.read(part);
        for (chunk, (low, high)) in part.chunks(CHUNK).zip(extremes.low.iter().zip(&extremes.high)) {
            let (at_bottom, at_top) = near(*low, *high);
            edge_chunk(&mut bottom, chunk, at_bottom, |x| (x - scan.minimum) / width);
            edge_chunk(&mut top, chunk, at_top, |x| (scan.maximum - x) / width);
        }
    }
    bottom.end_run();
    top.end_run();
    (bottom, top)
}

/// Only chunks that come near the extreme are looked at sample by sample. `depth` counts steps.
fn edge_chunk(edge: &mut Edge, chunk: &[f64], is_near: bool, depth: impl Fn(f64) -> f64) {
    if is_near {
        chunk.iter().for_each(|&x| edge.add(depth(x)));
    } else {
        edge.end_run();
    }
}

/// Samples at a clipped extreme.
#[allow(clippy::cast_precision_loss, reason = "records are far shorter than 2^53 samples")]
fn clipped_samples(trace: &Trace, scan: &Scan, quantiser: Option<Quantiser>, lost: &Dropouts) -> usize {
    let (bottom, top) = edges(trace, scan, quantiser.map(|q| q.step));
    let steps = quantiser.map_or(f64::INFINITY, |q| (scan.maximum - scan.minimum) / q.step);
    let samples_a_level = quantiser.map_or(f64::INFINITY, |q| trace.len() as f64 / q.levels as f64);
    // A sensor that switches between two levels spends its time at both: its form, not a rail.
    let two_level = !trace.role().is_supply_voltage() && 5 * (bottom.at + top.at) >= 3 * trace.len();
    let judged = steps >= LEAST_STEPS_FOR_FLAT_TOP && !two_level;
    let (low, high) = full_scale(trace);
    [(bottom, lost.at_minimum, low), (top, lost.at_maximum, high)]
        .into_iter()
        .filter(|(edge, held, rail)| match rail {
            Rail::Certain => edge.at >= LEAST_AT_RAIL,
            Rail::Likely => edge.is_flat_top(*held, samples_a_level),
            Rail::None => judged && edge.is_flat_top(*held, samples_a_level),
        })
        .map(|(edge, held, _)| edge.at.saturating_sub(held))
        .sum()
}

/// Whether an extreme lies at the full scale of a converter.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Rail {
    /// The end of the 16-bit range.
    Certain,
    /// The end of an 8- to 14-bit range.
    Likely,
    /// Neither, or not known.
    None,
}

/// Rails at the lowest and at the highest value.
fn full_scale(trace: &Trace) -> (Rail, Rail) {
    let RawSamples::I16 { counts, scale, .. } = trace.raw() else { return (Rail::None, Rail::None) };
    let (Some(&low), Some(&high)) = (counts.iter().min(), counts.iter().max()) else { return (Rail::None, Rail::None) };
    let rail = |c: i16| {
        // Left-justified codes of an n-bit converter end at 2^15 - 2^(16 - n); right-justified ones at 2^(n-1) - 1.
        let value = i32::from(c);
        let ends = (8..15).any(|n| {
            let (half, left) = (1 << (n - 1), 1 << (16 - n));
            [half - 1, -half, 2 * half - 1, 32768 - left].contains(&value)
        });
        match value {
            32767 | -32768 => Rail::Certain,
            _ if ends => Rail::Likely,
            _ => Rail::None,
        }
    };
    if *scale < 0.0 { (rail(high), rail(low)) } else { (rail(low), rail(high)) }
}

/// Figures of one trace.
#[must_use]
#[allow(clippy::cast_precision_loss, reason = "records are far shorter than 2^53 samples")]
pub(super) fn figures(trace: &Trace) -> TraceQuality {
    let quantiser = trace.quantiser();
    let step = quantiser.map(|q| q.step);
    let scan = scan(trace, step);
    let lost = dropouts(trace, &scan, step);
    let clipped = clipped_samples(trace, &scan, quantiser, &lost);
    let samples = trace.len() as f64;
    TraceQuality {
        sample_count: trace.len(),
        duration_s: trace.duration_s(),
        sample_rate_hz: trace.sample_rate_hz(),
        minimum: scan.minimum,
        maximum: scan.maximum,
        step,
        // A step near the least number that exists overflows the ratio; it is no converter's.
        effective_bits: step.map(|q| ((scan.maximum - scan.minimum) / q).log2()).filter(|bits| bits.is_finite()),
        clipped_fraction: clipped as f64 / samples,
        longest_repeat: lost.longest,
        dropout_count: lost.count,
        dropout_fraction: lost.samples as f64 / samples,
    }
}
