//! A circuit's record split into its own signal, the ripple it carries and the instrument's noise.
//!
//! A conditioner sees no instrument noise, but counts on a captured trace would: 25 mV of it cross zero thousands of
//! times a second. Ripple and own signal consist of lines, noise does not; so where noise could reach the conditioner's
//! threshold, or lift peaks that end below it, a bin of the record's spectrum is kept only if it stands [`CLEAR_OF_NOISE`]
//! times above the noise about it.
//!
//! The ripple is the supply through the fitted path, as a filter on the samples. Noise is taken out piece by piece, the
//! pieces overlapping by what the ends of one may spoil: cost grows with the length, and beside the two parts (see
//! [`part`]) no more than one piece is held.

use super::paired::Paired;
use super::part::{self, Part};
use super::subtract::Subtracted;
use super::transfer::{Floor, Model, floor_sum, floors};
use crate::pooled::Pooled;
use crate::scratch::with_buffer;
use crate::trace::{BLOCK, Samples, Trace, for_each_block};
use crate::transforms;
use crate::vectors::{self, LANES, Work};
use rustfft::num_complex::Complex32;

/// Power of a bin against the noise about it from which it is signal: noise alone reaches it with `exp(-8)`, and what
/// passes then holds 0.3 % of the noise's power.
const CLEAR_OF_NOISE: f64 = 8.0;
/// Peaks of noise that a conditioner's threshold must keep off before it is counted on as captured: noise exceeds 4.5
/// standard deviations once in 150 000 samples, and what rings as broadly as noise is not lost then.
const NOISE_PEAK: f64 = 4.5;
/// Noise of a bin against that of the band's upper half, at most.
const MOST_FLOOR: f64 = 4.0;
/// Least bins that share one noise estimate.
const BLOCK_BINS: usize = 64;
/// Samples of a piece, and samples beside it that are transformed with it and dropped.
const PIECE: usize = 131_072;
const MARGIN: usize = 8192;

/// The parts of a circuit's record without its mean, sample by sample, volts.
#[derive(Debug, Clone)]
pub(super) struct Split {
    /// The circuit's own signal.
    pub(super) own: Part,
    /// The ripple it carries; empty where none was found.
    pub(super) ripple: Part,
    /// Mean of the record, volts.
    pub(super) mean_v: f64,
    pub(super) sample_rate_hz: f64,
    /// What is left of the record, noise and all, once the ripple is taken out.
    pub(super) left: Left,
}

/// Extremes and sums of what is left of a circuit once the ripple is taken out.
#[derive(Debug, Clone, Copy)]
pub(super) struct Left {
    low: f64,
    high: f64,
    sum: f64,
    squares: f64,
    count: usize,
}

impl Default for Left {
    fn default() -> Self {
        Self { low: f64::INFINITY, high: f64::NEG_INFINITY, sum: 0.0, squares: 0.0, count: 0 }
    }
}

impl Left {
    /// What splitting would leave, block by block and without keeping it.
    pub(super) fn new(circuit: &Trace, supply: &Trace, model: Option<&Model>, gain_drift: f64) -> Self {
        let level = circuit.mean();
        let mut left = Self::default();
        let mut buffer = [0.0; BLOCK];
        let mut take = |block: &[f64]| {
            let values = &mut buffer[..block.len()];
            narrow(block, level, values);
            left = left.join(vectors::widest(Summed(values)));
        };
        match model {
            Some(m) => Subtracted::new(supply, circuit, m, gain_drift).for_each_block(|_, own, _| take(own)),
            None => for_each_block(circuit, |_, block| take(block)),
        }
        left
    }

    #[inline(always)]
    fn join(self, other: Self) -> Self {
        Self {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
            sum: self.sum + other.sum,
            squares: self.squares + other.squares,
            count: self.count + other.count,
        }
    }

    pub(super) fn peak_to_peak_v(&self) -> f64 {
        (self.high - self.low).max(0.0)
    }

    /// About their mean.
    pub(super) fn rms_v(&self) -> f64 {
        let n = self.count.max(1) as f64;
        (self.squares / n - (self.sum / n).powi(2)).max(0.0).sqrt()
    }
}

impl Split {
    /// Splits the record; `model` is the transfer where the circuit carries ripple, `gain_drift` the relative change of
    /// its gain over the record.
    pub(super) fn new(circuit: &Trace, supply: &Trace, model: Option<&Model>, gain_drift: f64) -> Self {
        let n = circuit.len();
        let mut out = Self {
            own: Part::for_samples(n),
            ripple: Part::for_samples(if model.is_some() { n } else { 0 }),
            mean_v: circuit.mean(),
            sample_rate_hz: circuit.sample_rate_hz(),
            left: Left::default(),
        };
        let level = out.mean_v;
        let (mut left, mut ripple_sum) = (Left::default(), 0.0);
        let mut buffer = [0.0; BLOCK];
        let mut keep = |block: &[f64], to: &mut Part| {
            let values = &mut buffer[..block.len()];
            narrow(block, level, values);
            to.push(values);
            left = left.join(vectors::widest(Summed(values)));
        };
        match model {
            Some(m) => {
                let mut buffer = [0.0; BLOCK];
                Subtracted::new(supply, circuit, m, gain_drift).for_each_block(|_, own, ripple| {
                    keep(own, &mut out.own);
                    let values = &mut buffer[..ripple.len()];
                    narrow(ripple, 0.0, values);
                    out.ripple.push(values);
                    ripple_sum += vectors::widest(Total(values));
                });
                out.ripple.lower((ripple_sum / n.max(1) as f64) as f32);
            }
            None => for_each_block(circuit, |_, block| keep(block, &mut out.own)),
        }
        out.own.lower((left.sum / n.max(1) as f64) as f32);
        out.left = left;
        out
    }

    /// Takes the own signal from the trace as captured where another, flattened one was split.
    pub(super) fn take_own_from(&mut self, captured: &Trace) {
        self.mean_v = captured.mean();
        let level = self.mean_v;
        let (ripple, mut buffer) = (self.ripple.view(), Vec::new());
        self.own.edit_blocks(|start, own| {
            with_buffer(own.len(), |block| {
                captured.read(start, block);
                narrow(block, level, own);
            });
            let ripple = if ripple.is_empty() { &[][..] } else { ripple.slice(start..start + own.len(), &mut buffer) };
            own.iter_mut().zip(ripple).for_each(|(y, r)| *y -= r);
        });
    }

    /// Leaves noise of `noise_v` r.m.s. out of both parts where a conditioner that arms at `least_arming_v` would hear it, or
    /// where the highest peak passes the voltage `first_arming_v` above the mean by no more than noise may have lifted it.
    pub(super) fn take_noise_out(
        &mut self,
        noise_v: f64,
        least_arming_v: f64,
        first_arming_v: Option<f64>,
        electrical_hz: Option<f64>,
    ) {
        let reach = NOISE_PEAK * noise_v;
        let lifted = |arming_v: f64| (0.0..reach).contains(&(self.highest_v() - arming_v));
        if reach > least_arming_v || first_arming_v.is_some_and(lifted) {
            self.clean(electrical_hz);
        }
    }

    /// Highest value of both parts together, volts above the mean.
    fn highest_v(&self) -> f64 {
        part::highest(self.own.view(), self.ripple.view())
    }

    /// Leaves the noise out of both parts, piece by piece.
    fn clean(&mut self, electrical_hz: Option<f64>) {
        let n = self.own.len();
        let pieces = n.div_ceil(PIECE).max(1);
        let margin = if pieces > 1 { MARGIN } else { 0 };
        let longest = n.div_ceil(pieces) + 2 * margin;
        let mut piece = Piece::new(longest.min(n), self.sample_rate_hz, electrical_hz);
        // What a piece reads beside itself must not have been cleaned with the one before.
        let (mut before, mut next): ([Vec<f32>; 2], [Vec<f32>; 2]) = Default::default();
        let (mut own_buffer, mut ripple_buffer) = (Vec::new(), Vec::new());
        for i in 0..pieces {
            let (from, to) = (i * n / pieces, (i + 1) * n / pieces);
            for (next, part) in next.iter_mut().zip([&self.own, &self.ripple]) {
                next.resize(if i + 1 < pieces && !part.is_empty() { margin.min(to) } else { 0 }, 0.0);
                part.view().read(to - next.len(), next);
            }
            let (samples, count) = (from..(to + margin).min(n), to - from);
            self.own.edit(samples.clone(), count, &mut own_buffer, |own| {
                self.ripple.edit(samples, count, &mut ripple_buffer, |ripple| {
                    piece.clean((&before[0], own), (&before[1], ripple), count);
                });
            });
            std::mem::swap(&mut before, &mut next);
        }
    }

    pub(super) fn duration_s(&self) -> f64 {
        self.own.len() as f64 / self.sample_rate_hz
    }
}

/// Writes values less a level in single precision.
fn narrow(values: &[f64], level: f64, out: &mut [f32]) {
    vectors::widest(Narrowed { values, level, out });
}

struct Narrowed<'a> {
    values: &'a [f64],
    level: f64,
    out: &'a mut [f32],
}

impl Work for Narrowed<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        for (v, out) in self.values.iter().zip(self.out) {
            *out = (v - self.level) as f32;
        }
    }
}

/// Sum of values, lane by lane.
struct Total<'a>(&'a [f32]);

impl Work for Total<'_> {
    type Output = f64;
    #[inline(always)]
    fn call(self) -> f64 {
        let mut sum = [0.0; LANES];
        let (sets, rest) = self.0.as_chunks::<LANES>();
        for set in sets {
            for lane in 0..LANES {
                sum[lane] += f64::from(set[lane]);
            }
        }
        sum.iter().sum::<f64>() + rest.iter().map(|v| f64::from(*v)).sum::<f64>()
    }
}

/// Extremes and sums of a block.
struct Summed<'a>(&'a [f32]);

impl Work for Summed<'_> {
    type Output = Left;
    #[inline(always)]
    fn call(self) -> Left {
        // Loop after loop over what the nearest memory holds: of all in one the compiler makes pairs, not lanes.
        let sum = Total(self.0).call();
        let mut squares = [0.0; LANES];
        let (sets, rest) = self.0.as_chunks::<LANES>();
        for set in sets {
            for lane in 0..LANES {
                squares[lane] += f64::from(set[lane]) * f64::from(set[lane]);
            }
        }
        let (low, high) = vectors::extremes(self.0);
        Left {
            low: f64::from(low),
            high: f64::from(high),
            sum,
            squares: squares.iter().sum::<f64>() + rest.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>(),
            count: self.0.len(),
        }
    }
}

/// Standard deviation of a record's noise, volts, by the floor of its power, V^2 a bin.
pub(super) fn noise_v(power: &[f64], bin_hz: f64, electrical_hz: Option<f64>) -> f64 {
    floor_sum(&noise_floors(power, bin_hz, electrical_hz)).sqrt()
}

/// Noise about the bins block by block, nowhere beyond [`MOST_FLOOR`] times that of the band's upper half: an instrument's
/// noise is about as strong everywhere, while the dense lines of a ring with a missing tooth leave no floor to be seen
/// between them.
fn noise_floors(power: &[f64], bin_hz: f64, electrical_hz: Option<f64>) -> Vec<Floor> {
    let width = (2.0 * electrical_hz.unwrap_or(100.0) / bin_hz).ceil() as usize;
    let mut floors = floors(power, 0, power.len(), width.max(BLOCK_BINS));
    let half = power.len() / 2;
    let mut end = 0;
    let mut upper: Vec<(f64, usize)> = Vec::with_capacity(floors.len());
    for floor in &floors {
        end += floor.bins;
        upper.push((floor.level, end.saturating_sub(half).min(floor.bins)));
    }
    upper.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut below = 0;
    let median = upper.iter().find(|(_, bins)| {
        below += bins;
        below > (power.len() - half) / 2
    });
    if let Some((median, _)) = median {
        let most = MOST_FLOOR * median;
        floors.iter_mut().for_each(|floor| floor.level = floor.level.min(most));
    }
    floors
}

/// One piece of a record, its own signal and its ripple transformed together. Single precision: its rounding lies 140 dB
/// below the strongest line, the noise of 16 bits 98 dB.
struct Piece {
    pair: Paired<f32>,
    bin_hz: f64,
    electrical_hz: Option<f64>,
    power: Pooled<f64>,
    /// What a bin's power must be above.
    clear: Pooled<f64>,
}

/// A stretch of one of the parts with what lies before it.
type Passage<'a> = (&'a [f32], &'a mut [f32]);

impl Piece {
    fn new(longest: usize, sample_rate_hz: f64, electrical_hz: Option<f64>) -> Self {
        let length = transforms::smooth_length_from(longest);
        Self {
            pair: Paired::new(length),
            bin_hz: sample_rate_hz / length as f64,
            electrical_hz,
            power: Pooled::with_capacity(length / 2 + 1),
            clear: Pooled::with_capacity(length / 2 + 1),
        }
    }

    /// Leaves of the first `count` samples of both parts the bins out that do not stand clear of the noise: of the ripple
    /// those where the two together do not. The ripple may be empty.
    fn clean(&mut self, own: Passage, ripple: Passage, count: usize) {
        let ends = [Ends::of(own.0, own.1), Ends::of(ripple.0, ripple.1)];
        for (before, values, from) in [(own.0, ripple.0, 0), (&*own.1, &*ripple.1, own.0.len())] {
            let out = &mut self.pair.samples[from..from + before.len()];
            vectors::widest(Joined { lines: ends.map(|e| e.from(from)), own: before, ripple: values, out });
        }
        self.pair.samples[own.0.len() + own.1.len()..].fill(Complex32::default());
        self.pair.transform();
        vectors::widest(OwnPower { lines: &self.pair.lines, power: &mut self.power });
        self.clear.clear();
        for floor in noise_floors(&self.power, self.bin_hz, self.electrical_hz) {
            self.clear.extend(std::iter::repeat_n(CLEAR_OF_NOISE * floor.level, floor.bins));
        }
        vectors::widest(Cleared { clear: &self.clear, power: &self.power, lines: &mut self.pair.lines });
        self.pair.back();
        let from = own.0.len();
        let ripple = ripple.1.get_mut(..count).unwrap_or_default();
        vectors::widest(Parted {
            samples: &self.pair.samples[from..],
            lines: ends.map(|e| e.from(from)),
            scale: (self.pair.samples.len() as f32).recip(),
            own: &mut own.1[..count],
            ripple,
        });
    }
}

/// Two parts less the straight lines between their ends, joined. Where there is no ripple it is 0.
struct Joined<'a> {
    lines: [Line; 2],
    own: &'a [f32],
    ripple: &'a [f32],
    out: &'a mut [Complex32],
}

impl Work for Joined<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { lines: [own_line, ripple_line], own, ripple, out } = self;
        if ripple.is_empty() {
            for (i, (z, own)) in (0i32..).zip(out.iter_mut().zip(own)) {
                *z = Complex32::new(own - own_line.at(i), 0.0);
            }
            return;
        }
        for (i, (z, (own, ripple))) in (0i32..).zip(out.iter_mut().zip(own.iter().zip(ripple))) {
            *z = Complex32::new(own - own_line.at(i), ripple - ripple_line.at(i));
        }
    }
}

/// The own signal's power in each bin.
struct OwnPower<'a> {
    lines: &'a [Complex32],
    power: &'a mut Vec<f64>,
}

impl OwnPower<'_> {
    #[inline(always)]
    fn of<const N: usize>(lines: &[Complex32; N], mirrors: &[Complex32; N]) -> [f64; N] {
        let mut power = [0.0; N];
        for lane in 0..N {
            let (own, _) = parts(lines[lane], mirrors[N - 1 - lane]);
            power[lane] = f64::from(own.re * own.re + own.im * own.im);
        }
        power
    }
}

impl Work for OwnPower<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { lines, power } = self;
        let (n, bins) = (lines.len(), lines.len() / 2 + 1);
        power.clear();
        power.extend_from_slice(&Self::of(&[lines[0]], &[lines[0]]));
        let mut k = 1;
        while k + LANES <= bins {
            let (Some(set), Some(mirrors)) = (lines[k..].first_chunk(), lines[..n + 1 - k].last_chunk()) else {
                return;
            };
            power.extend_from_slice(&Self::of::<LANES>(set, mirrors));
            k += LANES;
        }
        for k in k..bins {
            power.extend_from_slice(&Self::of(&[lines[k]], &[lines[n - k]]));
        }
    }
}

/// The own signal's line and the ripple's.
#[inline(always)]
fn parts(line: Complex32, mirror: Complex32) -> (Complex32, Complex32) {
    let half = |re: f32, im: f32| Complex32::new(0.5 * re, 0.5 * im);
    (half(line.re + mirror.re, line.im - mirror.im), half(line.im + mirror.im, mirror.re - line.re))
}

/// Sets the lines of the own signal to 0 whose power is not above `clear`, and those of the ripple where both together are
/// not; real and imaginary part change places for the way back.
struct Cleared<'a> {
    clear: &'a [f64],
    power: &'a [f64],
    lines: &'a mut [Complex32],
}

impl Cleared<'_> {
    #[inline(always)]
    fn of<const N: usize>(clear: &[f64], power: &[f64], lines: &mut [Complex32; N], mirrors: &mut [Complex32; N]) {
        for lane in 0..N {
            let (mut own, mut ripple) = parts(lines[lane], mirrors[N - 1 - lane]);
            let both = f64::from((own + ripple).norm_sqr());
            if power[lane] <= clear[lane] {
                own = Complex32::default();
            }
            if both <= clear[lane] {
                ripple = Complex32::default();
            }
            lines[lane] = Complex32::new(own.im + ripple.re, own.re - ripple.im);
            mirrors[N - 1 - lane] = Complex32::new(ripple.re - own.im, own.re + ripple.im);
        }
    }
}

impl Work for Cleared<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { clear, power, lines } = self;
        let n = lines.len();
        let one = |k: usize, lines: &mut [Complex32]| {
            let (mut line, mut mirror) = ([lines[k]], [lines[(n - k) % n]]);
            Self::of(&clear[k..=k], &power[k..=k], &mut line, &mut mirror);
            (lines[k], lines[(n - k) % n]) = (line[0], mirror[0]);
        };
        one(0, lines);
        // A line that is its own mirror comes last, alone.
        let pairs = (n - 1) / 2;
        let (ahead, behind) = lines.split_at_mut(n - pairs);
        let (sets, rest) = ahead[1..=pairs].as_chunks_mut::<LANES>();
        let (others, mirrors) = behind.as_rchunks_mut::<LANES>();
        let mut k = 1;
        for (set, mirrors) in sets.iter_mut().zip(mirrors.iter_mut().rev()) {
            Self::of(&clear[k..k + LANES], &power[k..k + LANES], set, mirrors);
            k += LANES;
        }
        for (line, mirror) in rest.iter_mut().zip(others.iter_mut().rev()) {
            let (mut a, mut b) = ([*line], [*mirror]);
            Self::of(&clear[k..=k], &power[k..=k], &mut a, &mut b);
            (*line, *mirror) = (a[0], b[0]);
            k += 1;
        }
        if n % 2 == 0 {
            one(n / 2, lines);
        }
    }
}

/// Samples that came back taken apart and scaled, the straight lines added to them again.
struct Parted<'a> {
    samples: &'a [Complex32],
    lines: [Line; 2],
    scale: f32,
    own: &'a mut [f32],
    /// May be empty.
    ripple: &'a mut [f32],
}

impl Work for Parted<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { samples, lines: [own_line, ripple_line], scale, own, ripple } = self;
        for (i, (own, z)) in (0i32..).zip(own.iter_mut().zip(samples)) {
            *own = z.im * scale + own_line.at(i);
        }
        for (i, (ripple, z)) in (0i32..).zip(ripple.iter_mut().zip(samples)) {
            *ripple = z.re * scale + ripple_line.at(i);
        }
    }
}

/// A straight line from sample to sample.
#[derive(Clone, Copy)]
struct Line {
    first: f64,
    slope: f64,
}

impl Line {
    #[inline(always)]
    fn at(self, i: i32) -> f32 {
        (self.first + self.slope * f64::from(i)) as f32
    }

    fn further(self, samples: usize) -> Self {
        Self { first: self.first + self.slope * samples as f64, ..self }
    }
}

/// The straight line between a stretch's ends, which a transform would take for a jump.
#[derive(Clone, Copy)]
struct Ends(Line);

impl Ends {
    fn of(before: &[f32], values: &[f32]) -> Self {
        let first = before.first().or(values.first()).map_or(0.0, |v| f64::from(*v));
        let last = values.last().map_or(first, |v| f64::from(*v));
        Self(Line { first, slope: (last - first) / ((before.len() + values.len()).max(2) - 1) as f64 })
    }

    fn from(&self, sample: usize) -> Line {
        self.0.further(sample)
    }
}
