//! Averaged auto- and cross-spectra of supply and circuit, and what a path leaves of them.

use super::path::{Model, RESPONSES, Responses};
use crate::trace::{BLOCK, Samples, Trace};
use crate::transforms::{self, smooth_length};
use crate::vectors::{self, SumsAbout, Work};
use rustfft::num_complex::{Complex32, Complex64};

/// Longest segment of the averaged spectra, samples.
const SEGMENT: usize = 131_072;
/// Bins of the residual spectrum that share one noise estimate.
pub(super) const NOISE_BLOCK: usize = 32;

/// Averaged spectra of both traces: power in V^2 a bin (one-sided, summing to the variance).
pub(in crate::contamination) struct CrossSpectra {
    pub(super) bin_hz: f64,
    pub(super) sxx: Vec<f64>,
    pub(super) syy: Vec<f64>,
    pub(super) sxy: Vec<Complex64>,
    /// Independent looks at a bin, after the window's broadening.
    pub(super) looks: f64,
}

/// One trace's windowed transform, scratch kept between segments. Single precision: its rounding lies 140 dB below the
/// alternating part, that of 16 bits 98 dB.
struct Transform {
    plan: std::sync::Arc<dyn realfft::RealToComplex<f32>>,
    pub(super) window: std::rc::Rc<[f64]>,
    input: Vec<f32>,
    pub(super) scratch: Vec<Complex32>,
}

impl Transform {
    pub(super) fn new(length: usize) -> Self {
        let (plan, window) = (transforms::forward_single(length), transforms::hann(length));
        let (input, scratch) = (plan.make_input_vec(), plan.make_scratch_vec());
        Self { plan, window, input, scratch }
    }

    fn run(&mut self, samples: &impl Samples, start: usize, out: &mut [Complex32]) {
        let mut buffer = [0.0; BLOCK];
        let mut blocks = |visit: &mut dyn FnMut(usize, &[f64])| {
            for at in (0..self.window.len()).step_by(BLOCK) {
                let block = &mut buffer[..BLOCK.min(self.window.len() - at)];
                samples.read(start + at, block);
                visit(at, block);
            }
        };
        let mut sum = 0.0;
        blocks(&mut |_, block| sum += vectors::widest(SumsAbout { samples: block, level: 0.0 }).0);
        let mean = sum / self.window.len() as f64;
        blocks(&mut |at, block| {
            vectors::widest(Windowed { block, mean, window: &self.window[at..], out: &mut self.input[at..] });
        });
        // The lengths are those the plan made, the only thing it can refuse.
        let _ = self.plan.process_with_scratch(&mut self.input, out, &mut self.scratch);
    }
}

/// Samples less their mean, each times its weight.
struct Windowed<'a> {
    pub(super) block: &'a [f64],
    pub(super) mean: f64,
    pub(super) window: &'a [f64],
    pub(super) out: &'a mut [f32],
}

impl Work for Windowed<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { block, mean, window, out } = self;
        for ((y, w), x) in out.iter_mut().zip(window).zip(block) {
            *y = ((x - mean) * w) as f32;
        }
    }
}

/// One segment's transforms taken into the sums.
struct Taken<'a> {
    pub(super) x: &'a [Complex32],
    pub(super) y: &'a [Complex32],
    pub(super) scale: f64,
    pub(super) into: &'a mut CrossSpectra,
}

impl Work for Taken<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { x, y, scale, into } = self;
        let sums = into.sxx.iter_mut().zip(&mut into.syy).zip(&mut into.sxy);
        for (((sxx, syy), sxy), (x, y)) in sums.zip(x.iter().zip(y)) {
            let (xr, xi) = (f64::from(x.re), f64::from(x.im));
            let (yr, yi) = (f64::from(y.re), f64::from(y.im));
            *sxx += (xr * xr + xi * xi) * scale;
            *syy += (yr * yr + yi * yi) * scale;
            sxy.re += (xr * yr + xi * yi) * scale;
            sxy.im += (xr * yi - xi * yr) * scale;
        }
    }
}

impl CrossSpectra {
    /// Spectra of two records of one capture, the segments overlapping by half.
    pub(in crate::contamination) fn new(supply: &Trace, circuit: &Trace) -> Self {
        let samples = supply.len().min(circuit.len());
        let length = smooth_length(samples.clamp(2, SEGMENT));
        let mut transform = Transform::new(length);
        let bins = length / 2 + 1;
        let (mut x, mut y) = (vec![Complex32::default(); bins], vec![Complex32::default(); bins]);
        let mut all = Self {
            bin_hz: supply.sample_rate_hz() / length as f64,
            sxx: vec![0.0; bins],
            syy: vec![0.0; bins],
            sxy: vec![Complex64::default(); bins],
            looks: (0.9 * samples as f64 / length as f64).max(1.0 / 1.5),
        };
        if samples < 2 {
            return all;
        }
        let starts = segment_starts(samples, length);
        let power: f64 = transform.window.iter().map(|w| w * w).sum();
        let scale = 2.0 / (length as f64 * power * starts.len() as f64);
        for start in starts {
            transform.run(supply, start, &mut x);
            transform.run(circuit, start, &mut y);
            vectors::widest(Taken { x: &x, y: &y, scale, into: &mut all });
        }
        all
    }

    /// Hertz from bin to bin.
    pub(in crate::contamination) fn bin_hz(&self) -> f64 {
        self.bin_hz
    }
    /// R.m.s. of the supply without its level, volts.
    pub(in crate::contamination) fn supply_rms_v(&self) -> f64 {
        self.sxx.iter().skip(1).sum::<f64>().sqrt()
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
        }
    }
    /// Power of the circuit once the model's ripple is taken out, and that of the ripple, V^2 a bin up to 90 % of the
    /// Nyquist frequency. Below the band the model holds too: what the supply does slowly must not pass for the circuit's
    /// own signal.
    pub(in crate::contamination) fn left(&self, model: &Model) -> (Vec<f64>, Vec<f64>) {
        let last = (0.9 * self.sxx.len() as f64) as usize;
        let (mut left, mut removed) = (vec![0.0; last], vec![0.0; last]);
        let blocks = left.chunks_mut(RESPONSES).zip(removed.chunks_mut(RESPONSES));
        for (i, (left, removed)) in blocks.enumerate() {
            vectors::widest(Left { spectra: self, model, first: i * RESPONSES, left, removed });
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
        self.syy.iter().skip(1).sum::<f64>().sqrt()
    }
    /// Power of the supply, V^2 a bin, up to 90 % of the Nyquist frequency.
    pub(in crate::contamination) fn supply_power(&self) -> &[f64] {
        &self.sxx[..(0.9 * self.sxx.len() as f64) as usize]
    }
    /// Power of the circuit, V^2 a bin, up to 90 % of the Nyquist frequency.
    pub(in crate::contamination) fn circuit_power(&self) -> Vec<f64> {
        self.syy[..(0.9 * self.syy.len() as f64) as usize].to_vec()
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

/// Power left and power taken out at the bins from `first` on.
struct Left<'a> {
    pub(super) spectra: &'a CrossSpectra,
    pub(super) model: &'a Model,
    pub(super) first: usize,
    pub(super) left: &'a mut [f64],
    pub(super) removed: &'a mut [f64],
}

impl Work for Left<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { spectra, model, first, left, removed } = self;
        let mut response = Responses::NONE;
        model.along(spectra.bin_hz, first, &mut response);
        let powers = spectra.sxx[first..].iter().zip(&spectra.syy[first..]).zip(&spectra.sxy[first..]);
        let responses = response.re.iter().zip(&response.im);
        for ((left, removed), (((sxx, syy), sxy), (re, im))) in left.iter_mut().zip(removed).zip(powers.zip(responses))
        {
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
}

impl Bin {
    /// Power left once the ripple is taken out through a response; never below a rounding's worth.
    pub(super) fn left(&self, response: Complex64) -> f64 {
        (self.syy - 2.0 * (response.conj() * self.sxy).re + response.norm_sqr() * self.sxx).max(1e-15 * self.syy)
    }
}
