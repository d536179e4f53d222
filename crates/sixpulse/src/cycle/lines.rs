//! Where the strong periodic lines of a record run over time, before anything is known of the electrical frequency.
//!
//! Speed wanders by several per cent at the firing frequency and ramps by tens of per cent in a record, so one
//! spectrum of the whole record smears. The search uses a constant-Q picture instead (windows of [`WINDOW_CYCLES`]
//! cycles of each frequency, a logarithmic frequency axis) and follows the strongest path through it.

use crate::pooled::Pooled;
use crate::vectors::{Work, cosine_and_sine, higher, widest};
use std::ops::Range;

/// Lowest and highest frequency searched, hertz: order 1 at a slow idle to order 6 at the highest speeds.
pub(super) const LOWEST_HZ: f64 = 40.0;
pub(super) const HIGHEST_HZ: f64 = 16_000.0;
const BINS_PER_OCTAVE: f64 = 16.0;
/// Length of a window in cycles of its frequency: order 1 and 2 stay apart, a 40 % ramp hardly smears.
const WINDOW_CYCLES: f64 = 8.0;
/// Time between frames; an engine firing at 60 Hz is followed with four frames a period.
const HOP_S: f64 = 0.004;
/// Windows that overlap at any time, at least, where not every frame has one of its own: a Hann window lets the power beat
/// at most four times in its length, and with the difference of two lines that it tells apart twice.
const WINDOWS_OVER_EACH: f64 = 8.0;
/// Frames wanted at least, so that short records are followed too.
const FEWEST_FRAMES: f64 = 16.0;

/// See [`weight`].
const RINGING_HZ: f64 = 4_000.0;
/// The level below which nine tenths to ninety-nine hundredths of white noise stay, in medians of its power.
const NOISE_TOP: f32 = 6.0;
/// Frames that are filled for all bins before the next ones: their samples stay in the cache.
const FRAMES_AT_ONCE: usize = 256;
/// Frames, spread over the record, from which the median of the noise is taken at most: those of 16 s.
const MOST_FLOOR_FRAMES: usize = 4096;
/// Cost of a step of a path by one bin (the most in a frame: 1/16 octave in 4 ms covers 5 % irregularity at 60 Hz),
/// against the mean power of the strongest bins: a path runs straight where nothing shows.
const TURN_COST: f32 = 0.02;
/// A frame whose line is weaker than this, in power against a strong frame, does not tell the frequency.
const FAINT_FRAME: f64 = 0.05;
/// Frames from which the frequency is carried on beyond the last strong one.
const TREND_FRAMES: usize = 24;

/// A path of one line through the record.
#[derive(Debug, Clone)]
pub(super) struct LinePath {
    /// Seconds between frames.
    pub(super) hop_s: f64,
    /// Time of the first frame, seconds.
    pub(super) first_s: f64,
    /// Frequency at each frame, hertz.
    pub(super) frequency_hz: Vec<f64>,
    /// Mean square of the line along the path, volts squared.
    pub(super) power: f64,
}

/// What one search of a record leaves to the next, which has the same bins and the same lengths: memory that is new costs
/// as much as what is written to it.
#[derive(Default)]
pub(super) struct Kept {
    kernels: Vec<Kernel>,
    halved: Vec<Pooled<f32>>,
    power: Pooled<f32>,
}

/// The record at falling sample rates, each half the one before.
pub(super) struct Pyramid<'a> {
    sample_rate_hz: f64,
    samples: &'a [f32],
    /// Half the rate, a quarter, and so on.
    halved: Vec<Pooled<f32>>,
}

impl<'a> Pyramid<'a> {
    pub(super) fn new(samples: &'a [f32], sample_rate_hz: f64, kept: &mut Kept) -> Self {
        let mut before = std::mem::take(&mut kept.halved).into_iter();
        let mut halved: Vec<Pooled<f32>> = Vec::new();
        let (mut rate, mut len) = (sample_rate_hz, samples.len());
        while rate / LOWEST_HZ > 16.0 && len > 4 * HALF_BAND.len() {
            let memory = before.next().unwrap_or_else(|| Pooled::of_length(len / 2));
            let next = halve(halved.last().map_or(samples, |x| x), memory);
            (rate, len) = (rate / 2.0, next.len());
            halved.push(next);
        }
        Self { sample_rate_hz, samples, halved }
    }

    /// Leaves its memory to the next one.
    pub(super) fn leave_to(self, kept: &mut Kept) {
        kept.halved = self.halved;
    }

    /// Time of the last sample, seconds.
    pub(super) fn last_s(&self) -> f64 {
        (self.samples.len() - 1) as f64 / self.sample_rate_hz
    }

    /// The level at which a cycle of `frequency_hz` has 8 to 16 samples (fewer only at the top level), with its rate.
    fn level_for(&self, frequency_hz: f64) -> (f64, &[f32]) {
        self.level_of(8.0, frequency_hz)
    }

    /// The level at which a cycle of `frequency_hz` has at least so many samples, but fewer than twice as many where
    /// there is one, with its rate.
    pub(super) fn level_of(&self, samples_per_cycle: f64, frequency_hz: f64) -> (f64, &[f32]) {
        let halvings = (self.sample_rate_hz / frequency_hz / samples_per_cycle).log2().floor().max(0.0) as usize;
        let halvings = halvings.min(self.halved.len());
        let level = halvings.checked_sub(1).map_or(self.samples, |i| &self.halved[i]);
        (self.sample_rate_hz / (halvings as f64).exp2(), level)
    }
}

/// One side of a 23-tap half-band low-pass, every second tap being zero: (offset, weight), Hann-windowed sinc.
const HALF_BAND: [(usize, f32); 6] =
    [(1, 0.312_604_1), (3, -0.090_483_0), (5, 0.040_033_2), (7, -0.016_836_6), (9, 0.005_174_8), (11, -0.000_492_6)];

/// Low-passes and keeps every second sample, in the memory of `out`; the record is mirrored at its ends.
fn halve(x: &[f32], mut out: Pooled<f32>) -> Pooled<f32> {
    // Only odd offsets have weights: beside the sample itself, its neighbours among the odd samples.
    let reach = HALF_BAND.len();
    let count = x.len() / 2;
    let at = |k: isize| {
        let last = x.len() as isize - 1;
        let i = (2 * k + 1).abs();
        x[(if i > last { 2 * last - i } else { i }).clamp(0, last) as usize]
    };
    out.resize(count, 0.0);
    let mut odd: Vec<f32> = Vec::with_capacity(HALVED_AT_ONCE + 2 * reach);
    for (part, out) in out.chunks_mut(HALVED_AT_ONCE).enumerate() {
        let start = part * HALVED_AT_ONCE;
        let (first, last) = (start.saturating_sub(reach), count.min(start + out.len() + reach));
        odd.clear();
        odd.extend((start as isize - reach as isize..0).map(at));
        odd.extend(x[2 * first..2 * last].chunks_exact(2).map(|pair| pair[1]));
        odd.extend((last as isize..(start + out.len() + reach) as isize).map(at));
        widest(HalfBand { x: &x[2 * start..], odd: &odd, out });
    }
    out
}

/// Samples after halving that are made together.
const HALVED_AT_ONCE: usize = 2048;

/// Half of each even sample, and the weighted odd ones about it (six more than there are at either end).
struct HalfBand<'a> {
    x: &'a [f32],
    odd: &'a [f32],
    out: &'a mut [f32],
}

impl Work for HalfBand<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        const REACH: usize = HALF_BAND.len();
        let count = self.out.len();
        let odd = &self.odd[..count + 2 * REACH];
        for (y, pair) in self.out.iter_mut().zip(self.x.chunks_exact(2)) {
            *y = 0.5 * pair[0];
        }
        for (k, (_, w)) in HALF_BAND.into_iter().enumerate() {
            // Offsets 2 k + 1 to either side.
            let (before, after) = (&odd[REACH - 1 - k..], &odd[REACH + k..]);
            for ((y, a), b) in self.out.iter_mut().zip(before).zip(after) {
                *y += w * (a + b);
            }
        }
    }
}

/// Lanes in which a window is summed: two vectors of eight, so that the additions do not wait for each other.
const LANES: usize = 16;

#[inline(always)]
fn add_products(sums: &mut [f32; LANES], x: &[f32; LANES], weights: &[f32; LANES]) {
    for lane in 0..LANES {
        sums[lane] += x[lane] * weights[lane];
    }
}

/// A windowed complex sinusoid; filled up with zeros to whole lanes.
struct Kernel {
    length: usize,
    /// Real parts of as many samples, then their imaginary parts.
    weights: Vec<[[f32; LANES]; 2]>,
}

impl Kernel {
    /// [`WINDOW_CYCLES`] cycles of a frequency given in cycles per sample, at most `longest` samples.
    fn new(frequency: f64, longest: usize) -> Self {
        let length = ((WINDOW_CYCLES / frequency).round() as usize).clamp(4, longest);
        Self { length, weights: widest(Weights { frequency, length }) }
    }

    /// Samples that a window reads: its own, and those that zeros are multiplied with.
    fn reach(&self) -> usize {
        self.weights.len() * LANES
    }

    /// Sums, lane by lane, of as many samples times both parts.
    #[inline(always)]
    fn sums(&self, x: &[f32], sums: &mut [[f32; LANES]; 2]) {
        let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
        for (x, [c, s]) in x.as_chunks::<LANES>().0.iter().zip(&self.weights) {
            add_products(&mut re, x, c);
            add_products(&mut im, x, s);
        }
        *sums = [re, im];
    }
}

/// See [`Kernel`]: a line of a frequency given in cycles per sample under a Hann window of some samples.
struct Weights {
    frequency: f64,
    length: usize,
}

/// Phasors in lanes.
#[derive(Clone, Copy)]
struct Phasors {
    re: [f64; LANES],
    im: [f64; LANES],
    /// What they turn by to the next set.
    by: (f64, f64),
}

impl Phasors {
    /// At angles that begin at `first` and are `step` apart, in cycles.
    #[inline(always)]
    fn new(first: f64, step: f64) -> Self {
        let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
        for lane in 0..LANES {
            (re[lane], im[lane]) = cosine_and_sine(first + step * lane as f64);
        }
        Self { re, im, by: cosine_and_sine(step * LANES as f64) }
    }

    #[inline(always)]
    fn turn(&mut self) {
        for lane in 0..LANES {
            let (re, im) = (self.re[lane], self.im[lane]);
            self.re[lane] = re * self.by.0 - im * self.by.1;
            self.im[lane] = re * self.by.1 + im * self.by.0;
        }
    }
}

impl Work for Weights {
    type Output = Vec<[[f32; LANES]; 2]>;
    #[inline(always)]
    fn call(self) -> Self::Output {
        let Self { frequency, length } = self;
        let each = 1.0 / length as f64;
        let (mut line, mut window) = (Phasors::new(0.0, frequency), Phasors::new(0.5 * each, each));
        let mut weights = Vec::with_capacity(length.div_ceil(LANES));
        for _ in 0..length.div_ceil(LANES) {
            let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
            for lane in 0..LANES {
                let w = (1.0 - window.re[lane]) * each;
                (re[lane], im[lane]) = ((w * line.re[lane]) as f32, (w * line.im[lane]) as f32);
            }
            weights.push([re, im]);
            line.turn();
            window.turn();
        }
        if let (Some([re, im]), rest @ 1..) = (weights.last_mut(), length % LANES) {
            re[rest..].fill(0.0);
            im[rest..].fill(0.0);
        }
        weights
    }
}

/// Windows whose lanes are summed up together: what is kept between them in memory, the compiler cannot tear into pairs.
const GROUP: usize = 8;

/// Mean squares of the line in the windows of a group, from the lanes of both parts.
#[inline(always)]
fn powers(sums: &[[[f32; LANES]; 2]; GROUP]) -> [f32; GROUP] {
    let mut halves = [[[0.0; LANES / 2]; 2]; GROUP];
    for (half, all) in halves.as_flattened_mut().iter_mut().zip(sums.as_flattened()) {
        for lane in 0..LANES / 2 {
            half[lane] = all[lane] + all[lane + LANES / 2];
        }
    }
    let mut quarters = [[[0.0; LANES / 4]; 2]; GROUP];
    for (quarter, half) in quarters.as_flattened_mut().iter_mut().zip(halves.as_flattened()) {
        // Not by a loop: the compiler would make single values of it.
        let [a, b, c, d, e, f, g, h] = *half;
        *quarter = [a + e, b + f, c + g, d + h];
    }
    let mut powers = [0.0; GROUP];
    for (power, [re, im]) in powers.iter_mut().zip(&quarters) {
        let (re, im) = ((re[0] + re[2]) + (re[1] + re[3]), (im[0] + im[2]) + (im[1] + im[3]));
        // Peak amplitude is twice the windowed mean, mean square half its square.
        *power = 2.0 * (re * re + im * im);
    }
    powers
}

/// Bits behind the point of a place in the record: a million frames leave less than a tenth of a sample.
const FRACTION: u32 = 24;

/// The powers of one bin: a window for every frame, moved into the record where it would reach beyond.
struct Column<'a> {
    x: &'a [f32],
    /// The last samples, and zeros behind them, for the windows that read beyond the end.
    end: &'a [f32],
    kernel: &'a Kernel,
    /// Where the first window begins, rounded when its fraction is left out, and samples from frame to frame; in units of
    /// 2^-[`FRACTION`].
    begin: i64,
    hop: i64,
    /// Frames from one window to the next; between them the power follows a straight line.
    every: usize,
    /// From the bin's place in the first frame on; frames are `bins` apart.
    power: &'a mut [f32],
    bins: usize,
}

impl Column<'_> {
    /// The samples of the window of a frame.
    #[inline(always)]
    fn window(&self, frame: usize) -> &[f32] {
        let Self { x, end, kernel, .. } = *self;
        let begin = (self.begin + frame as i64 * self.hop) >> FRACTION;
        let start = (begin.max(0) as usize).min(x.len() - kernel.length);
        match x.get(start..start + kernel.reach()) {
            Some(window) => window,
            None => &end[start + end.len() - x.len() - LANES..],
        }
    }

    /// Fills in a frame's power, and those between it and the one before, which had a window of its own, too.
    #[inline(always)]
    fn put(&mut self, (from, before): (usize, f32), (to, here): (usize, f32)) {
        if to > from + 1 {
            let rise = (here - before) / (to - from) as f32;
            for between in from + 1..to {
                self.power[between * self.bins] = here - (to - between) as f32 * rise;
            }
        }
        self.power[to * self.bins] = here;
    }
}

impl Work for Column<'_> {
    type Output = ();
    #[inline(always)]
    fn call(mut self) {
        let last = self.power.len().div_ceil(self.bins) - 1;
        let mut sums = [[[0.0; LANES]; 2]; GROUP];
        let mut before = (0, 0.0);
        let mut next = Some(0);
        while next.is_some() {
            let mut frames = [last; GROUP];
            let mut count = 0;
            for (sums, at) in sums.iter_mut().zip(&mut frames) {
                let Some(frame) = next else { break };
                self.kernel.sums(self.window(frame), sums);
                *at = frame;
                count += 1;
                next = (frame < last).then_some(last.min(frame + self.every));
            }
            let powers = powers(&sums);
            for (&frame, &here) in frames[..count].iter().zip(&powers) {
                self.put(before, (frame, here));
                before = (frame, here);
            }
        }
    }
}

/// Constant-Q power: row = frame, column = bin.
pub(super) struct Picture {
    bins_hz: Vec<f64>,
    hop_s: f64,
    first_s: f64,
    frames: usize,
    power: Pooled<f32>,
}

impl Picture {
    /// The strongest path through a record, which has its level removed.
    pub(super) fn path_through(pyramid: &Pyramid<'_>, kept: &mut Kept) -> LinePath {
        let picture = Self::new(pyramid, kept);
        let path = picture.strongest_path();
        kept.power = picture.power;
        path
    }

    fn new(pyramid: &Pyramid<'_>, kept: &mut Kept) -> Self {
        let sample_rate_hz = pyramid.sample_rate_hz;
        let duration_s = pyramid.samples.len() as f64 / sample_rate_hz;
        // A window must fit into the record.
        let lowest = LOWEST_HZ.max(WINDOW_CYCLES / duration_s);
        let highest = HIGHEST_HZ.min(0.42 * sample_rate_hz);
        let octaves = (highest / lowest).log2().max(0.0);
        let bins_hz: Vec<f64> =
            (0..=(octaves * BINS_PER_OCTAVE) as usize).map(|b| lowest * (b as f64 / BINS_PER_OCTAVE).exp2()).collect();
        let hop_s = HOP_S.min(duration_s / FEWEST_FRAMES);
        let frames = (duration_s / hop_s).floor().max(1.0) as usize;
        let first_s = 0.5 * (duration_s - (frames - 1) as f64 * hop_s);
        let Kept { kernels, power, .. } = kept;
        let mut power = std::mem::take(power);
        if power.len() != frames * bins_hz.len() {
            power = Pooled::of_length(frames * bins_hz.len());
        }
        let mut picture = Self { power, bins_hz, hop_s, first_s, frames };
        // Made before the frames are: a bin's kernel, and the last samples of its level with zeros behind them.
        let mut ends = Vec::with_capacity(picture.bins_hz.len());
        for (b, hz) in picture.bins_hz.iter().enumerate() {
            let (rate, x) = pyramid.level_for(*hz);
            if kernels.len() == b {
                kernels.push(Kernel::new(hz / rate, x.len()));
            }
            let mut end = Vec::with_capacity(kernels[b].reach() + LANES);
            end.extend_from_slice(&x[x.len() - kernels[b].reach().min(x.len())..]);
            end.resize(end.len() + LANES, 0.0);
            ends.push(end);
        }
        for from in (0..frames).step_by(FRAMES_AT_ONCE) {
            let range = from..frames.min(from + FRAMES_AT_ONCE);
            for (b, (kernel, end)) in kernels.iter().zip(&ends).enumerate() {
                picture.fill(b, range.clone(), pyramid, kernel, end);
            }
        }
        picture.remove_floor();
        picture
    }

    /// Fills some frames of a bin.
    fn fill(&mut self, b: usize, frames: Range<usize>, pyramid: &Pyramid<'_>, kernel: &Kernel, end: &[f32]) {
        let (rate, x) = pyramid.level_for(self.bins_hz[b]);
        let bins = self.bins_hz.len();
        let fixed = |samples: f64| (samples * f64::from(1 << FRACTION)).round() as i64;
        let hop = fixed(self.hop_s * rate);
        let begin = fixed(self.first_s * rate - 0.5 * kernel.length as f64 + 0.5) + frames.start as i64 * hop;
        // A window's power cannot change faster than within a fraction of the window.
        let every = ((WINDOW_CYCLES / self.bins_hz[b] / self.hop_s / WINDOWS_OVER_EACH) as usize).max(1);
        let power = &mut self.power[frames.start * bins + b..frames.end * bins];
        widest(Column { x, end, kernel, begin, hop, every, power, bins });
    }

    /// Takes white noise out: its power grows with the bin's bandwidth, which is proportional to frequency. A path may
    /// choose among bins, so not the mean but about the top per cent of the noise is taken off: with powers distributed
    /// exponentially that is [`NOISE_TOP`] medians.
    fn remove_floor(&mut self) {
        let per_hz: Vec<f32> = self.bins_hz.iter().map(|hz| 1.0 / *hz as f32).collect();
        // The median of as many frames is known well enough.
        let every = self.frames.div_ceil(MOST_FLOOR_FRAMES);
        let median = widest(Median { power: &self.power, per_hz: &per_hz, every });
        let floor: Vec<f32> = self.bins_hz.iter().map(|hz| NOISE_TOP * median * *hz as f32).collect();
        widest(AboveFloor { power: &mut self.power, floor: &floor });
    }

    /// The path of greatest weighted power, by dynamic programming.
    fn strongest_path(&self) -> LinePath {
        let bins = self.bins_hz.len();
        let (score, back) = widest(BestSteps(self));
        let score = &score[1..=bins];
        let mut b = (0..bins).max_by(|&i, &j| score[i].total_cmp(&score[j])).unwrap_or(0);
        let mut frequency_hz = vec![0.0; self.frames];
        let mut strength = vec![0.0; self.frames];
        for frame in (0..self.frames).rev() {
            frequency_hz[frame] = self.peak_near(frame, b);
            strength[frame] = f64::from(self.power[frame * bins + b]);
            b = (b as isize + isize::from(back[frame * bins + b])) as usize;
        }
        let power = strength.iter().sum::<f64>() / self.frames as f64;
        bridge_faint(&mut frequency_hz, &strength);
        LinePath { hop_s: self.hop_s, first_s: self.first_s, frequency_hz, power }
    }

    /// Frequency of the peak through three neighbouring bins of a frame.
    fn peak_near(&self, frame: usize, b: usize) -> f64 {
        let bins = self.bins_hz.len();
        if b == 0 || b + 1 >= bins {
            return self.bins_hz[b];
        }
        let at = |i: usize| f64::from(self.power[frame * bins + i]);
        let (a, m, c) = (at(b - 1), at(b), at(b + 1));
        let curvature = a - 2.0 * m + c;
        let shift = if curvature < 0.0 { (0.5 * (a - c) / curvature).clamp(-1.0, 1.0) } else { 0.0 };
        self.bins_hz[b] * (shift / BINS_PER_OCTAVE).exp2()
    }
}

/// Powers, frame by frame, less what lies below a floor; no power is below 0.
struct AboveFloor<'a> {
    power: &'a mut [f32],
    floor: &'a [f32],
}

impl Work for AboveFloor<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        for frame in self.power.chunks_exact_mut(self.floor.len()) {
            for (p, floor) in frame.iter_mut().zip(self.floor) {
                *p = higher(*p - floor, 0.0);
            }
        }
    }
}

/// The upper median of every so manyth frame's powers per hertz, all 0 or above, by counting: values of one sign lie in the
/// order of their bits.
struct Median<'a> {
    power: &'a [f32],
    per_hz: &'a [f32],
    every: usize,
}

/// Values among which those near the median are looked for together.
const SOUGHT: usize = 16;

/// The exponent and the three leading bits of the fraction.
#[inline(always)]
fn part(value: f32) -> usize {
    const SHIFT: u32 = 20;
    (value.to_bits() >> SHIFT) as usize & 0x7ff
}

impl Median<'_> {
    /// Visits the values frame by frame, in lanes made ahead.
    #[inline(always)]
    fn for_each_frame(&self, frame_of: &mut [f32], mut visit: impl FnMut(&[f32])) {
        for frame in self.power.chunks_exact(self.per_hz.len()).step_by(self.every) {
            for ((value, p), w) in frame_of.iter_mut().zip(frame).zip(self.per_hz) {
                *value = p * w;
            }
            visit(frame_of);
        }
    }
}

impl Work for Median<'_> {
    type Output = f32;
    #[inline(always)]
    fn call(self) -> f32 {
        let mut values = vec![0.0; self.per_hz.len()];
        let mut counts = [0u32; 0x800];
        self.for_each_frame(&mut values, |frame| {
            for value in frame {
                counts[part(*value)] += 1;
            }
        });
        let mut before = counts.iter().sum::<u32>() / 2;
        let Some(middle) = counts.iter().position(|count| {
            let here = before < *count;
            before -= if here { 0 } else { *count };
            here
        }) else {
            return 0.0;
        };
        let mut same = Vec::with_capacity(counts[middle] as usize);
        self.for_each_frame(&mut values, |frame| {
            for some in frame.chunks(SOUGHT) {
                // Hardly any are: asked of all of them first.
                if some.iter().fold(false, |any, value| any | (part(*value) == middle)) {
                    same.extend(some.iter().filter(|value| part(**value) == middle));
                }
            }
        });
        *same.select_nth_unstable_by(before as usize, f32::total_cmp).1
    }
}

/// Score of the best path to each bin of the last frame (between two borders that no path reaches), and from which bin
/// the best path to each bin of each frame comes: -1, 0 or 1 beside it.
struct BestSteps<'a>(&'a Picture);

impl Work for BestSteps<'_> {
    type Output = (Vec<f32>, Pooled<i8>);
    #[inline(always)]
    fn call(self) -> (Vec<f32>, Pooled<i8>) {
        let Picture { bins_hz, frames, power, .. } = self.0;
        let bins = bins_hz.len();
        let weights: Vec<f32> = bins_hz.iter().map(|&hz| weight(hz)).collect();
        let highest =
            |frame: &[f32]| frame.iter().zip(&weights).fold(0.0f32, |h, (p, w)| if p * w > h { p * w } else { h });
        let turn = TURN_COST * power.chunks_exact(bins).map(highest).sum::<f32>() / *frames as f32;
        let mut score = vec![0.0f32; bins + 2];
        (score[0], score[bins + 1]) = (f32::NEG_INFINITY, f32::NEG_INFINITY);
        let mut next = score.clone();
        let mut back = Pooled::of_length(frames * bins);
        for (frame, back) in power.chunks_exact(bins).zip(back.chunks_exact_mut(bins)) {
            let (below, same, above) = (&score[..bins], &score[1..=bins], &score[2..]);
            let here = &mut next[1..=bins];
            for b in 0..bins {
                let (low, high) = (below[b] - turn, above[b] - turn);
                let (best, step) = if low > same[b] { (low, -1) } else { (same[b], 0) };
                let (best, step) = if high > best { (high, 1) } else { (best, step) };
                here[b] = best + frame[b] * weights[b];
                back[b] = step;
            }
            std::mem::swap(&mut score, &mut next);
        }
        (score, back)
    }
}

/// Weight of a frequency in the choice of the path: cable and capacitor ring at 10 kHz and above, more strongly than
/// the ripple at times; the ripple's strongest order lies below [`RINGING_HZ`] up to fast idle.
fn weight(frequency_hz: f64) -> f32 {
    (1.0 / (1.0 + (frequency_hz / RINGING_HZ).powi(4))) as f32
}

/// Replaces the frequency of faint frames: between strong frames by a straight line, beyond them by their trend.
///
/// A converter with coarse steps can swallow the ripple for a while, and a slowing alternator stops delivering.
fn bridge_faint(frequency_hz: &mut [f64], strength: &[f64]) {
    let mut sorted = strength.to_vec();
    let high = sorted.len() * 4 / 5;
    let (_, strong, _) = sorted.select_nth_unstable_by(high, f64::total_cmp);
    let limit = FAINT_FRAME * *strong;
    let good: Vec<usize> = (0..strength.len()).filter(|&i| strength[i] >= limit).collect();
    let (Some(&first), Some(&last)) = (good.first(), good.last()) else { return };
    for pair in good.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let slope = (frequency_hz[b] - frequency_hz[a]) / (b - a) as f64;
        for i in a + 1..b {
            frequency_hz[i] = frequency_hz[a] + slope * (i - a) as f64;
        }
    }
    let count = good.len();
    let (head, tail) = (&good[..count.min(TREND_FRAMES)], &good[count.saturating_sub(TREND_FRAMES)..]);
    let (before, after) = (trend(head, frequency_hz), trend(tail, frequency_hz));
    let range = 0.7 * frequency_hz[first]..=1.4 * frequency_hz[first];
    for (i, f) in frequency_hz.iter_mut().enumerate().take(first) {
        *f = (before.0 + before.1 * i as f64).clamp(*range.start(), *range.end());
    }
    let range = 0.7 * frequency_hz[last]..=1.4 * frequency_hz[last];
    for (i, f) in frequency_hz.iter_mut().enumerate().skip(last + 1) {
        *f = (after.0 + after.1 * i as f64).clamp(*range.start(), *range.end());
    }
}

/// Least-squares line through the frequencies of some frames: value at frame 0 and slope per frame.
fn trend(frames: &[usize], frequency_hz: &[f64]) -> (f64, f64) {
    let n = frames.len() as f64;
    let mx = frames.iter().map(|&i| i as f64).sum::<f64>() / n;
    let my = frames.iter().map(|&i| frequency_hz[i]).sum::<f64>() / n;
    let sxx: f64 = frames.iter().map(|&i| (i as f64 - mx).powi(2)).sum();
    let sxy: f64 = frames.iter().map(|&i| (i as f64 - mx) * (frequency_hz[i] - my)).sum();
    let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
    (my - slope * mx, slope)
}

#[cfg(test)]
mod tests;
