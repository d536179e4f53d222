//! Averaged auto- and cross-spectra of supply and circuit, and what a path leaves of them.

use super::band::noise_level;
use super::path::{Model, RESPONSES, Responses};
use crate::contamination::paired::{Block, Paired, Powers, Sums};
use crate::pooled::Pooled;
use crate::scratch::with_buffer;
use crate::trace::{BLOCK, Samples, Trace};
use crate::transforms::{self, smooth_length};
use crate::vectors::{self, SumsAbout, Work};
use rustfft::num_complex::{Complex32, Complex64};

/// Longest segment of the averaged spectra, samples.
const SEGMENT: usize = 131_072;
/// Bins of the residual spectrum that share one noise estimate.
pub(super) const NOISE_BLOCK: usize = 32;

/// Part of the bins about a place that lies below the noise, and from which it is told.
pub(super) const NOISE_QUANTILE: f64 = 0.3;
/// Bins to either side that a line of the circuit takes.
pub(in crate::contamination) const LINE_REACH: usize = 3;
/// Power of the supply's bins there against its noise from which it has a line.
const LINE_CLEAR: f64 = 5.0;
/// Share of the circuit's power at a line that one complex factor on the supply's explains where the two move in step.
pub(in crate::contamination) const IN_STEP: f64 = 0.9;

/// Whether one complex factor on the supply's bins explains the circuit's: their cross power and both powers summed up.
pub(super) fn in_step(cross: Complex64, supply: f64, circuit: f64) -> bool {
    cross.norm_sqr() >= IN_STEP * supply * circuit
}

/// Averaged spectra of both traces: power in V^2 a bin (one-sided, summing to the variance).
pub(in crate::contamination) struct CrossSpectra {
    pub(super) bin_hz: f64,
    pub(super) sxx: Pooled<f64>,
    pub(super) syy: Pooled<f64>,
    pub(super) sxy: Pooled<Complex64>,
    /// Independent looks at a bin, after the window's broadening.
    pub(super) looks: f64,
    /// Power of supply and circuit without their levels, V^2.
    powers: [f64; 2],
}

/// A pair of windowed segments. Single precision: its rounding lies 140 dB below the alternating part, that of 16 bits 98 dB.
struct Segments {
    pair: Paired<f32>,
    window: std::rc::Rc<[f64]>,
}

impl Segments {
    fn new(length: usize) -> Self {
        Self { pair: Paired::new(length), window: transforms::hann(length) }
    }

    /// Transforms the samples from `start` on, each trace's without its mean and brought to about 1 r.m.s. by a power of
    /// two, so that the rounding of one does not reach the other; the factors, infinite for a constant, which has no power.
    fn transform(&mut self, traces: [&Trace; 2], start: usize) -> [f64; 2] {
        let moments = traces.map(|trace| self.moments(trace, start));
        let factors = moments.map(|(_, power)| if power > 0.0 { (-0.5 * power.log2()).round().exp2() } else { 1.0 });
        with_buffer(2 * BLOCK, |buffer| {
            let (x, y) = buffer.split_at_mut(BLOCK);
            for at in (0..self.window.len()).step_by(BLOCK) {
                let count = BLOCK.min(self.window.len() - at);
                traces[0].read(start + at, &mut x[..count]);
                traces[1].read(start + at, &mut y[..count]);
                vectors::widest(Windowed {
                    blocks: [&x[..count], &y[..count]],
                    means: moments.map(|(mean, _)| mean),
                    factors,
                    window: &self.window[at..],
                    out: &mut self.pair.samples[at..],
                });
            }
        });
        self.pair.transform();
        std::array::from_fn(|i| if moments[i].1 > 0.0 { factors[i] } else { f64::INFINITY })
    }

    /// Mean and variance of a segment.
    fn moments(&self, trace: &Trace, start: usize) -> (f64, f64) {
        if self.window.len() == trace.len() {
            return trace.moments();
        }
        let mut buffer = [0.0; BLOCK];
        trace.read(start, &mut buffer[..1]);
        let level = buffer[0];
        let (mut sum, mut squares) = (0.0, 0.0);
        for at in (0..self.window.len()).step_by(BLOCK) {
            let block = &mut buffer[..BLOCK.min(self.window.len() - at)];
            trace.read(start + at, block);
            let sums = vectors::widest(SumsAbout { samples: block, level });
            sum += sums.0;
            squares += sums.1;
        }
        let n = self.window.len() as f64;
        (level + sum / n, squares / n - (sum / n).powi(2))
    }
}

/// Samples less their mean, each times its weight and its trace's factor.
struct Windowed<'a> {
    blocks: [&'a [f64]; 2],
    means: [f64; 2],
    factors: [f64; 2],
    window: &'a [f64],
    out: &'a mut [Complex32],
}

impl Work for Windowed<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { blocks: [x, y], means, factors, window, out } = self;
        for (((z, w), x), y) in out.iter_mut().zip(window).zip(x).zip(y) {
            let value = |v: f64, i: usize| ((v - means[i]) * (w * factors[i])) as f32;
            *z = Complex32::new(value(*x, 0), value(*y, 1));
        }
    }
}

impl CrossSpectra {
    /// Spectra of two records of one capture, the segments overlapping by half.
    pub(in crate::contamination) fn new(supply: &Trace, circuit: &Trace) -> Self {
        let samples = supply.len().min(circuit.len());
        let length = smooth_length(samples.clamp(2, SEGMENT));
        let (mut sums, mut block) = (Sums::default(), Block::default());
        if samples >= 2 {
            let mut segments = Segments::new(length);
            let starts = segment_starts(samples, length);
            // Sum of the squares of a periodic Hann window, `n / 4 + n / 8`; of two samples one is 1, the other 0.
            let power = if length > 2 { 0.375 * length as f64 } else { 1.0 };
            let scale = 2.0 / (length as f64 * power * starts.len() as f64);
            for start in starts {
                let [x, y] = segments.transform([supply, circuit], start);
                let scales = [x * x, y * y, x * y].map(|factor| scale / factor);
                let lines = &segments.pair.lines;
                let bins = length / 2 + 1;
                vectors::widest(Powers { lines, bins, scales, sums: &mut sums, block: &mut block });
            }
        }
        let Sums { mut sxx, mut syy, mut sxy } = sums;
        let bins = length / 2 + 1;
        sxx.resize(bins, 0.0);
        syy.resize(bins, 0.0);
        sxy.resize(bins, Complex64::default());
        let looks = (0.9 * samples as f64 / length as f64).max(1.0 / 1.5);
        let powers = [&sxx, &syy].map(|power| vectors::widest(SumsAbout { samples: &power[1..], level: 0.0 }).0);
        Self { bin_hz: supply.sample_rate_hz() / length as f64, sxx, syy, sxy, looks, powers }
    }

    /// Hertz from bin to bin.
    pub(in crate::contamination) fn bin_hz(&self) -> f64 {
        self.bin_hz
    }
    /// R.m.s. of the supply without its level, volts.
    pub(in crate::contamination) fn supply_rms_v(&self) -> f64 {
        self.powers[0].sqrt()
    }
    /// Power of the supply without its level, V^2.
    pub(super) fn supply_sum(&self) -> f64 {
        self.powers[0]
    }
    pub(super) fn bin(&self, k: usize, floor: f64) -> Bin {
        Bin {
            k,
            hz: k as f64 * self.bin_hz,
            sxx: self.sxx[k] - floor,
            sxy: self.sxy[k],
            syy: self.syy[k],
            supply_noise: floor,
            folded: 0.0,
            may_be_folded: false,
        }
    }
    /// Gain by which a line of the circuit follows a line of the supply, volts per volt: one complex factor on the supply's
    /// bins explains it. `None` where the supply has no line clear of its noise there, or the two do not move in step.
    pub(in crate::contamination) fn followed(&self, hz: f64) -> Option<f64> {
        let place = (hz / self.bin_hz).round() as usize;
        let about = |reach: usize| place.saturating_sub(reach).max(1)..(place + reach + 1).min(self.sxx.len());
        let (line, around) = (about(LINE_REACH), about(NOISE_BLOCK));
        let (mut cross, mut supply, mut circuit) = (Complex64::default(), 0.0, 0.0);
        for k in line.clone() {
            cross += self.sxy[k];
            supply += self.sxx[k];
            circuit += self.syy[k];
        }
        let noise = noise_level(self.sxx.get(around)?, NOISE_QUANTILE) * line.len() as f64;
        (supply > LINE_CLEAR * noise && in_step(cross, supply, circuit)).then(|| cross.norm() / supply)
    }
    /// Power of the circuit once the model's ripple is taken out, and that of the ripple, V^2 a bin up to 90 % of the
    /// Nyquist frequency. Below the band the model holds too: what the supply does slowly must not pass for the circuit's
    /// own signal.
    pub(in crate::contamination) fn left(&self, model: &Model) -> (Pooled<f64>, Pooled<f64>) {
        let last = (0.9 * self.sxx.len() as f64) as usize;
        let (mut left, mut removed) = (Pooled::of_length(last), Pooled::of_length(last));
        let mut response = Responses::NONE;
        let blocks = left.chunks_mut(RESPONSES).zip(removed.chunks_mut(RESPONSES));
        for (first, (left, removed)) in (0..last).step_by(RESPONSES).zip(blocks) {
            vectors::widest(Left { spectra: self, model, first, response: &mut response, left, removed });
        }
        for k in 0..last.min(3) {
            (left[k], removed[k]) = (self.syy[k], 0.0);
        }
        (left, removed)
    }
    /// The supply's bins about a place, both in bins.
    pub(super) fn about(&self, place: f64, reach: f64) -> impl Iterator<Item = (usize, f64)> + '_ {
        let (from, to) = ((place - reach).max(1.0).ceil() as usize, (place + reach).max(0.0) as usize);
        self.sxx.iter().copied().enumerate().take(to.saturating_add(1)).skip(from)
    }
    pub(super) fn circuit_rms_v(&self) -> f64 {
        self.powers[1].sqrt()
    }
    /// Power of the supply, V^2 a bin, up to 90 % of the Nyquist frequency.
    pub(in crate::contamination) fn supply_power(&self) -> &[f64] {
        &self.sxx[..(0.9 * self.sxx.len() as f64) as usize]
    }
    /// Power of the circuit, V^2 a bin, up to 90 % of the Nyquist frequency.
    pub(in crate::contamination) fn circuit_power(&self) -> &[f64] {
        &self.syy[..(0.9 * self.syy.len() as f64) as usize]
    }
}

fn segment_starts(samples: usize, length: usize) -> Vec<usize> {
    let spare = samples - length;
    if 4 * spare < length {
        return vec![spare / 2];
    }
    let hops = (2 * spare).div_ceil(length);
    (0..=hops).map(|i| i * spare / hops).collect()
}

/// Power left and power taken out at successive bins, at most [`RESPONSES`].
struct Left<'a> {
    spectra: &'a CrossSpectra,
    model: &'a Model,
    /// Number of the first.
    first: usize,
    response: &'a mut Responses,
    left: &'a mut [f64],
    removed: &'a mut [f64],
}

impl Work for Left<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { spectra, model, first, response, left, removed } = self;
        let bins = first..first + left.len();
        model.along(spectra.bin_hz, first, response);
        let powers = spectra.sxx[bins.clone()].iter().zip(&spectra.syy[bins.clone()]).zip(&spectra.sxy[bins]);
        let responses = response.re.iter().zip(&response.im);
        let out = left.iter_mut().zip(removed);
        for ((left, removed), (((sxx, syy), sxy), (re, im))) in out.zip(powers.zip(responses)) {
            let carried = (re * re + im * im) * sxx;
            let rest = syy - 2.0 * (re * sxy.re + im * sxy.im) + carried;
            let least = 1e-15 * syy;
            *left = if rest > least { rest } else { least };
            *removed = carried;
        }
    }
}

/// One bin that takes part.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bin {
    pub(super) k: usize,
    pub(super) hz: f64,
    /// The supply's power without its floor, V^2: a regressor's noise would pull the gain towards zero.
    pub(super) sxx: f64,
    pub(super) sxy: Complex64,
    pub(super) syy: f64,
    /// The supply's floor, distortion and what folds back, V^2.
    pub(super) supply_noise: f64,
    /// What folds back, V^2.
    pub(super) folded: f64,
    /// Whether all of it may be what folds back.
    pub(super) may_be_folded: bool,
}
