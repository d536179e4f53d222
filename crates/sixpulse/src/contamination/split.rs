//! A circuit's record split into its own signal, the ripple it carries and the instrument's noise.
//!
//! A conditioner sees no instrument noise, but counts on a captured trace would: 25 mV of it cross zero thousands of
//! times a second. Ripple and own signal consist of lines, noise does not; so where noise could reach the conditioner's
//! threshold, a bin of the record's spectrum is kept only if it stands [`CLEAR_OF_NOISE`] times above the noise about it.
//!
//! The ripple is the supply through the fitted path, as a filter on the samples. Noise is taken out piece by piece, the
//! pieces overlapping by what the ends of one may spoil: cost grows with the length, and beside the two parts no more
//! than one piece is held.

use super::subtract::Subtracted;
use super::transfer::{Model, floors};
use crate::trace::{Samples, Trace, for_each_block};
use crate::transforms;
use realfft::{ComplexToReal, RealToComplex};
use rustfft::num_complex::Complex64;
use std::sync::Arc;

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

/// The parts of a circuit's record without its mean, sample by sample, volts. Single precision keeps 24 bits of a part,
/// more than any converter gave.
#[derive(Debug, Clone)]
pub(super) struct Split {
    /// The circuit's own signal.
    pub(super) own: Vec<f32>,
    /// The ripple it carries; empty where none was found.
    pub(super) ripple: Vec<f32>,
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
    /// Takes values that lie near 0.
    fn take(&mut self, values: &[f32]) {
        const LANES: usize = 4;
        let (mut low, mut high) = ([f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES]);
        let (mut sum, mut squares) = ([0.0; LANES], [0.0; LANES]);
        let (sets, rest) = values.as_chunks::<LANES>();
        for set in sets {
            for i in 0..LANES {
                let (v, wide) = (set[i], f64::from(set[i]));
                low[i] = if v < low[i] { v } else { low[i] };
                high[i] = if v > high[i] { v } else { high[i] };
                sum[i] += wide;
                squares[i] += wide * wide;
            }
        }
        let least = low.iter().chain(rest).copied().fold(f32::INFINITY, f32::min);
        let most = high.iter().chain(rest).copied().fold(f32::NEG_INFINITY, f32::max);
        self.low = self.low.min(f64::from(least));
        self.high = self.high.max(f64::from(most));
        self.sum += sum.iter().sum::<f64>() + rest.iter().map(|v| f64::from(*v)).sum::<f64>();
        self.squares += squares.iter().sum::<f64>() + rest.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
        self.count += values.len();
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
            own: Vec::with_capacity(n),
            ripple: Vec::with_capacity(if model.is_some() { n } else { 0 }),
            mean_v: mean(circuit),
            sample_rate_hz: circuit.sample_rate_hz(),
            left: Left::default(),
        };
        let narrow = |v: &f64| *v as f32;
        match model {
            Some(m) => {
                let subtracted = Subtracted::new(supply, circuit, m, gain_drift);
                subtracted.for_each_block(|_, own, ripple| {
                    out.own.extend(own.iter().map(|v| narrow(&(v - out.mean_v))));
                    out.ripple.extend(ripple.iter().map(narrow));
                });
                take_mean(&mut out.ripple);
                take_mean(&mut out.own);
            }
            None => for_each_block(circuit, |_, block| {
                out.own.extend(block.iter().map(|v| narrow(&(v - out.mean_v))));
            }),
        }
        out.left.take(&out.own);
        out
    }

    /// Takes the own signal from the trace as captured where another, flattened one was split.
    pub(super) fn take_own_from(&mut self, captured: &Trace) {
        self.mean_v = mean(captured);
        let level = self.mean_v;
        self.own.clear();
        for_each_block(captured, |_, block| self.own.extend(block.iter().map(|v| (v - level) as f32)));
        self.own.iter_mut().zip(&self.ripple).for_each(|(y, r)| *y -= r);
    }

    /// Leaves noise of `noise_v` r.m.s. out of both parts where a conditioner that arms at `least_arming_v` would hear it.
    pub(super) fn take_noise_out(&mut self, noise_v: f64, least_arming_v: f64, electrical_hz: Option<f64>) {
        if noise_v * NOISE_PEAK > least_arming_v {
            self.clean(electrical_hz);
        }
    }

    /// Leaves the noise out of both parts, piece by piece.
    fn clean(&mut self, electrical_hz: Option<f64>) {
        let n = self.own.len();
        let pieces = n.div_ceil(PIECE).max(1);
        let margin = if pieces > 1 { MARGIN } else { 0 };
        let longest = n.div_ceil(pieces) + 2 * margin;
        let mut piece = Piece::new(longest.min(n), self.sample_rate_hz, electrical_hz);
        // What a piece reads beside itself must not have been cleaned with the one before.
        let mut before: (Vec<f32>, Vec<f32>) = Default::default();
        for i in 0..pieces {
            let (from, to) = (i * n / pieces, (i + 1) * n / pieces);
            let end = (to + margin).min(n);
            let own = [&before.0, &self.own[from..end]].concat();
            let ripple = [&before.1, self.ripple.get(from..end).unwrap_or_default()].concat();
            let lead = before.0.len();
            let last = |part: &[f32]| part.get(to.saturating_sub(margin)..to).unwrap_or_default().to_vec();
            before = (last(&self.own), last(&self.ripple));
            let (own, ripple) = piece.cleaned(&own, &ripple);
            for (out, clean) in [(&mut self.own, own), (&mut self.ripple, ripple)] {
                let clean = clean.iter().skip(lead);
                out.iter_mut().skip(from).take(to - from).zip(clean).for_each(|(v, c)| *v = *c as f32);
            }
        }
    }

    pub(super) fn duration_s(&self) -> f64 {
        self.own.len() as f64 / self.sample_rate_hz
    }
}

/// Takes the mean off.
fn take_mean(values: &mut [f32]) {
    let mean = values.iter().map(|v| f64::from(*v)).sum::<f64>() / values.len().max(1) as f64;
    values.iter_mut().for_each(|v| *v -= mean as f32);
}

/// Mean of a trace; sums are taken about its first sample.
pub(super) fn mean(trace: &Trace) -> f64 {
    let mut first = [0.0];
    trace.read(0, &mut first);
    let mut sum = 0.0;
    for_each_block(trace, |_, block| sum += block.iter().map(|v| v - first[0]).sum::<f64>());
    first[0] + sum / trace.len() as f64
}

/// Standard deviation of a record's noise, volts, by the floor of its power, V^2 a bin.
pub(super) fn noise_v(power: &[f64], bin_hz: f64, electrical_hz: Option<f64>) -> f64 {
    noise_floor(power, bin_hz, electrical_hz).iter().sum::<f64>().sqrt()
}

/// Noise about each bin, nowhere beyond [`MOST_FLOOR`] times that of the band's upper half: an instrument's noise is about
/// as strong everywhere, while the dense lines of a ring with a missing tooth leave no floor to be seen between them.
fn noise_floor(power: &[f64], bin_hz: f64, electrical_hz: Option<f64>) -> Vec<f64> {
    let width = (2.0 * electrical_hz.unwrap_or(100.0) / bin_hz).ceil() as usize;
    let mut floor = floors(power, 0, power.len(), width.max(BLOCK_BINS));
    let mut upper = floor[floor.len() / 2..].to_vec();
    if upper.is_empty() {
        return floor;
    }
    let middle = upper.len() / 2;
    let most = MOST_FLOOR * *upper.select_nth_unstable_by(middle, f64::total_cmp).1;
    floor.iter_mut().for_each(|v| *v = v.min(most));
    floor
}

/// Plans and buffers for one piece of a record.
struct Piece {
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
    bin_hz: f64,
    electrical_hz: Option<f64>,
    scratch: Vec<Complex64>,
    samples: Vec<f64>,
}

impl Piece {
    fn new(longest: usize, sample_rate_hz: f64, electrical_hz: Option<f64>) -> Self {
        let length = transforms::smooth_length_from(longest);
        let (forward, inverse) = (transforms::forward(length), transforms::inverse(length));
        let scratch = vec![Complex64::default(); forward.get_scratch_len().max(inverse.get_scratch_len())];
        let bin_hz = sample_rate_hz / length as f64;
        Self { forward, inverse, bin_hz, electrical_hz, scratch, samples: vec![0.0; length] }
    }

    /// Both parts with the bins left out that do not stand clear of the noise: of the ripple those where the two together
    /// do not.
    fn cleaned(&mut self, own: &[f32], ripple: &[f32]) -> (Vec<f64>, Vec<f64>) {
        let (own_ends, mut left) = self.transform(own);
        let power: Vec<f64> = left.iter().map(Complex64::norm_sqr).collect();
        let floor = noise_floor(&power, self.bin_hz, self.electrical_hz);
        let heard = |v: Complex64, floor: f64| v.norm_sqr() > CLEAR_OF_NOISE * floor;
        let mut carried = Vec::new();
        if !ripple.is_empty() {
            let (ends, mut spectrum) = self.transform(ripple);
            for ((v, y), floor) in spectrum.iter_mut().zip(&left).zip(&floor) {
                if !heard(y + *v, *floor) {
                    *v = Complex64::default();
                }
            }
            carried = self.back(spectrum, ripple.len(), &ends);
        }
        for (v, floor) in left.iter_mut().zip(&floor) {
            if !heard(*v, *floor) {
                *v = Complex64::default();
            }
        }
        (self.back(left, own.len(), &own_ends), carried)
    }

    /// Spectrum of values without the straight line between their ends, zeros following.
    fn transform(&mut self, values: &[f32]) -> (Ends, Vec<Complex64>) {
        let ends = Ends::of(values);
        self.samples.clear();
        self.samples.extend(values.iter().enumerate().map(|(i, v)| f64::from(*v) - ends.at(i)));
        self.samples.resize(self.forward.len(), 0.0);
        let mut spectrum = self.forward.make_output_vec();
        let scratch = &mut self.scratch[..self.forward.get_scratch_len()];
        // The lengths are those the plan made, the only thing it can refuse.
        let _ = self.forward.process_with_scratch(&mut self.samples, &mut spectrum, scratch);
        (ends, spectrum)
    }

    fn back(&mut self, mut spectrum: Vec<Complex64>, count: usize, ends: &Ends) -> Vec<f64> {
        let mut out = self.inverse.make_output_vec();
        let scratch = &mut self.scratch[..self.inverse.get_scratch_len()];
        let _ = self.inverse.process_with_scratch(&mut spectrum, &mut out, scratch);
        let scale = 1.0 / out.len() as f64;
        out.truncate(count);
        out.iter_mut().enumerate().for_each(|(i, v)| *v = *v * scale + ends.at(i));
        out
    }
}

/// The straight line between a stretch's ends, which a transform would take for a jump.
struct Ends {
    first: f64,
    slope: f64,
}

impl Ends {
    fn of(values: &[f32]) -> Self {
        let first = values.first().map_or(0.0, |v| f64::from(*v));
        let last = values.last().map_or(0.0, |v| f64::from(*v));
        Self { first, slope: (last - first) / (values.len().max(2) - 1) as f64 }
    }

    fn at(&self, i: usize) -> f64 {
        self.first + self.slope * i as f64
    }
}
