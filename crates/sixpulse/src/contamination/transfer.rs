//! The transfer from the supply to a circuit: one signed gain and one delay that must serve every frequency at which
//! the supply's ripple stands clear of its noise.
//!
//! Two periodic signals of equal frequency are coherent without any connection, so coherence proves nothing here.
//! What a connection does leave is *one* gain and *one* delay over several orders, over the side lines that wandering
//! speed gives each order, and over whatever else travels on the supply (switched loads). The fit is made on averaged
//! auto- and cross-spectra (Hann window), so it needs no phase tracking and no memory beyond a few spectra:
//! with supply `x`, circuit `y` and the model `M(f)`, the residual power in a bin is
//! `Syy - 2 Re(M* Sxy) + |M|^2 Sxx`, and the weighted sum of it is least at the maximum-likelihood gain and delay.
//! Weights are the inverse of the circuit's local noise, found again after each step, so that lines of the circuit's
//! own signal lose their say (iteratively reweighted least squares). The supply's noise and the distortion of a coarse
//! converter (`lsb^2/12`) count as noise of the regressor: bins that do not clear it are left out.
//!
//! Standard uncertainties follow from the curvature at the optimum (JCGM 100:2008, 5.1), widened by the scatter of
//! the orders about the common model where that is larger than the noise explains (Birge ratio).

use super::OrderTransfer;
use crate::trace::{Samples, Trace};
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Longest segment of the averaged spectra, samples.
const SEGMENT: usize = 131_072;
/// Delays searched, seconds: a wire does not lead its source by more than the skew of two channels, and no filter in a
/// sensor circuit that still lets ripple through lags by more than the upper end.
pub const DELAY_RANGE_S: (f64, f64) = (-100e-6, 500e-6);
/// Bins of the residual spectrum that share one noise estimate.
const NOISE_BLOCK: usize = 32;
/// Least noise of a supply bin against the supply's whole AC power: 12 bits over the ripple leave as much.
const SKIRT: f64 = 1e-9;
/// Power of a supply bin against the supply's noise from which it takes part.
const CLEAR: f64 = 10.0;

/// How the ripple travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Path {
    /// The same waveform, later: `g exp(-i w d)`.
    Delay,
    /// The same waveform, later, its values taken between two samples on a straight line, as channels are that were
    /// aligned after sampling: `g ((1 - a) + a exp(-i w T)) exp(-i w m T)`, `d = (m + a) T`, `T` the sample interval.
    InterpolatedDelay,
    /// Through a first-order low-pass: `g / (1 + i w d)`, `d` the time constant.
    FirstOrderLag,
}
crate::trace::words!(Path, "path", "delay" => Path::Delay, "interpolated_delay" => Path::InterpolatedDelay,
    "first_order_lag" => Path::FirstOrderLag);

impl Path {
    /// The path's response at angular frequency `w` (rad/s) for gain 1, and its derivative by the delay.
    fn response(self, w: f64, delay_s: f64, interval_s: f64) -> (Complex64, Complex64) {
        match self {
            Self::Delay => {
                let turn = Complex64::cis(-w * delay_s);
                (turn, Complex64::new(0.0, -w) * turn)
            }
            Self::InterpolatedDelay => {
                let whole = (delay_s / interval_s).floor();
                let part = delay_s / interval_s - whole;
                let (step, turn) = (Complex64::cis(-w * interval_s), Complex64::cis(-w * whole * interval_s));
                ((1.0 - part + part * step) * turn, (step - 1.0) / interval_s * turn)
            }
            Self::FirstOrderLag => {
                let turn = Complex64::new(1.0, w * delay_s).inv();
                (turn, Complex64::new(0.0, -w) * turn * turn)
            }
        }
    }
}

/// Averaged spectra of both traces: power in V^2 a bin (one-sided, summing to the variance).
pub(super) struct CrossSpectra {
    bin_hz: f64,
    sxx: Vec<f64>,
    syy: Vec<f64>,
    sxy: Vec<Complex64>,
    /// Independent looks at a bin, after the window's broadening.
    looks: f64,
}

/// Largest even number of the form 2^a 3^b 5^c not above `limit`: lengths a Fourier transform likes.
pub(super) fn smooth_length(limit: usize) -> usize {
    let mut best = 2;
    let mut fives = 1;
    while fives <= limit {
        let mut threes = fives;
        while threes <= limit {
            let mut n = threes * 2;
            while n <= limit {
                best = best.max(n);
                n *= 2;
            }
            threes *= 3;
        }
        fives *= 5;
    }
    best
}

/// Periodic Hann window.
pub(super) fn hann(length: usize) -> Vec<f64> {
    (0..length).map(|i| 0.5 - 0.5 * (2.0 * PI * i as f64 / length as f64).cos()).collect()
}

/// One trace's windowed transform, scratch kept between segments.
struct Transform {
    plan: std::sync::Arc<dyn realfft::RealToComplex<f64>>,
    window: Vec<f64>,
    input: Vec<f64>,
    scratch: Vec<Complex64>,
}

impl Transform {
    fn new(length: usize) -> Self {
        let plan = RealFftPlanner::<f64>::new().plan_fft_forward(length);
        let window = hann(length);
        let (input, scratch) = (plan.make_input_vec(), plan.make_scratch_vec());
        Self { plan, window, input, scratch }
    }

    fn run(&mut self, samples: &impl Samples, start: usize, out: &mut [Complex64]) {
        samples.read(start, &mut self.input);
        let mean = self.input.iter().sum::<f64>() / self.input.len() as f64;
        for (x, w) in self.input.iter_mut().zip(&self.window) {
            *x = (*x - mean) * w;
        }
        // The lengths are those the plan made, the only thing it can refuse.
        let _ = self.plan.process_with_scratch(&mut self.input, out, &mut self.scratch);
    }
}

impl CrossSpectra {
    /// Spectra of two records of one capture, the segments overlapping by half.
    pub(super) fn new(supply: &Trace, circuit: &Trace) -> Self {
        let samples = supply.len().min(circuit.len());
        let length = smooth_length(samples.clamp(2, SEGMENT));
        let mut transform = Transform::new(length);
        let bins = length / 2 + 1;
        let (mut x, mut y) = (vec![Complex64::default(); bins], vec![Complex64::default(); bins]);
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
            for k in 0..bins {
                all.sxx[k] += x[k].norm_sqr() * scale;
                all.syy[k] += y[k].norm_sqr() * scale;
                all.sxy[k] += x[k].conj() * y[k] * scale;
            }
        }
        all
    }

    /// Hertz from bin to bin.
    pub(super) fn bin_hz(&self) -> f64 {
        self.bin_hz
    }
    /// R.m.s. of the supply without its level, volts.
    pub(super) fn supply_rms_v(&self) -> f64 {
        self.sxx.iter().skip(1).sum::<f64>().sqrt()
    }
    /// Power of the circuit, V^2 a bin, up to 90 % of the Nyquist frequency.
    pub(super) fn circuit_power(&self) -> Vec<f64> {
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

/// Gain, delay and what belongs to them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Model {
    pub(super) path: Path,
    pub(super) gain: f64,
    pub(super) delay_s: f64,
    /// Corner in hertz by which the supply's AC coupling and the circuit's differ; negative: the circuit's is higher.
    pub(super) corner_hz: f64,
    interval_s: f64,
}

impl Model {
    pub(super) fn new(path: Path, gain: f64, delay_s: f64, corner_hz: f64, sample_rate_hz: f64) -> Self {
        Self { path, gain, delay_s, corner_hz, interval_s: 1.0 / sample_rate_hz }
    }
    fn at(&self, frequency_hz: f64) -> Complex64 {
        self.gain * self.unit(frequency_hz)
    }
    fn unit(&self, frequency_hz: f64) -> Complex64 {
        self.slopes(frequency_hz)[0]
    }
    /// Derivatives of the response by gain, delay and corner.
    fn slopes(&self, frequency_hz: f64) -> [Complex64; 3] {
        let (path, by_delay) = self.path.response(2.0 * PI * frequency_hz, self.delay_s, self.interval_s);
        let coupling = Complex64::new(1.0, -self.corner_hz / frequency_hz);
        [path * coupling, self.gain * by_delay * coupling, self.gain * path * Complex64::new(0.0, -1.0 / frequency_hz)]
    }
}

/// The result of the fit.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub(super) model: Model,
    pub(super) gain_std: f64,
    pub(super) delay_std: f64,
    /// Power of the ripple in the circuit against the circuit's AC power.
    pub(super) explained_fraction: f64,
    /// Groups of bins with their own transfer.
    pub(super) groups: Vec<Group>,
    /// Power of the circuit after the ripple is taken out, bin by bin from 0 Hz.
    pub(super) residual: Vec<f64>,
    /// Power of the ripple that was taken out, bin by bin from 0 Hz.
    pub(super) removed: Vec<f64>,
}

/// The bins about one order (or one octave where no cycle is known).
#[derive(Debug, Clone)]
pub(super) struct Group {
    pub(super) order: OrderTransfer,
    /// Bins that take part.
    pub(super) bins: usize,
    /// How far the group's own transfer stands from the common model, volts per volt, along the model's phase.
    pub(super) departure: Complex64,
    /// Standard uncertainty of that, each of real and imaginary part.
    pub(super) departure_std: f64,
    /// What the group alone says of the gain along the model's phase, and its standard uncertainty.
    pub(super) gain: f64,
    pub(super) gain_std: f64,
}

/// The band of a [`CrossSpectra`] in which the fit works.
struct Band<'a> {
    spectra: &'a CrossSpectra,
    first: usize,
    last: usize,
    used: Vec<usize>,
    /// Noise and quantiser distortion of the supply, V^2 a bin.
    supply_noise: f64,
    interval_s: f64,
}

/// `q`-quantile of the values as an estimate of the mean of exponentially distributed ones.
pub(super) fn noise_level(values: &mut [f64], q: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let i = ((values.len() as f64 * q) as usize).min(values.len() - 1);
    let (_, v, _) = values.select_nth_unstable_by(i, f64::total_cmp);
    *v / -(1.0 - q).ln()
}

impl<'a> Band<'a> {
    fn new(spectra: &'a CrossSpectra, lowest_hz: f64, lsb_v: f64, interval_s: f64) -> Self {
        let first = ((lowest_hz / spectra.bin_hz).ceil() as usize).max(3);
        let last = (0.9 * spectra.sxx.len() as f64) as usize;
        let mut power: Vec<f64> = spectra.sxx.get(first..last).unwrap_or_default().to_vec();
        // Without noise the window's skirts would count as lines; what they hold of a delay is the record's ends.
        let floor = noise_level(&mut power, 0.3).max(SKIRT * spectra.sxx.iter().skip(1).sum::<f64>());
        let mut band = Self { spectra, first, last, used: Vec::new(), supply_noise: floor, interval_s };
        band.used = (first..last).filter(|&k| spectra.sxx[k] > CLEAR * floor).collect();
        // A coarse converter's distortion falls on the ripple's own lines: share it among them.
        band.supply_noise = floor + lsb_v * lsb_v / 12.0 / (band.used.len().max(16)) as f64;
        let clear = |&k: &usize| spectra.sxx[k] > CLEAR * band.supply_noise;
        // Ripple of about one step stands out of its own distortion nowhere: then all of it takes part.
        if band.used.iter().filter(|k| clear(k)).count() >= 3 {
            band.used = band.used.iter().copied().filter(clear).collect();
        }
        band
    }

    fn frequency(&self, k: usize) -> f64 {
        k as f64 * self.spectra.bin_hz
    }

    /// Power left in a bin once the model's ripple is taken out.
    fn left(&self, model: &Model, k: usize) -> f64 {
        let (s, m) = (self.spectra, model.at(self.frequency(k)));
        // Rounding may leave a tiny negative power where the fit is perfect.
        (s.syy[k] - 2.0 * (m.conj() * s.sxy[k]).re + m.norm_sqr() * s.sxx[k]).max(1e-15 * s.syy[k])
    }

    /// Power left in each bin in use, and the noise about it: a low quantile over blocks, which lines do not lift.
    fn residual(&self, model: &Model) -> (Vec<f64>, Vec<f64>) {
        let left: Vec<f64> = self.used.iter().map(|&k| self.left(model, k)).collect();
        let mut noise = Vec::with_capacity(left.len());
        let mut from = 0;
        while let Some(&k) = self.used.get(from) {
            let start = k - (k - self.first) % NOISE_BLOCK;
            let end = (start + NOISE_BLOCK).min(self.last);
            let mut block = self.spectra.syy[start..end].to_vec();
            let to = from + self.used[from..].partition_point(|&k| k < end);
            for (k, power) in self.used[from..to].iter().zip(&left[from..to]) {
                block[k - start] = *power;
            }
            let level = noise_level(&mut block, 0.3).max(f64::MIN_POSITIVE);
            noise.extend(std::iter::repeat_n(level, to - from));
            from = to;
        }
        (left, noise)
    }

    /// Inverse noise of each bin in use; a bin far above its surroundings counts by its own power.
    fn weights(&self, model: &Model) -> Vec<f64> {
        let (left, noise) = self.residual(model);
        let distortion = model.gain * model.gain * self.supply_noise;
        left.iter().zip(&noise).map(|(l, n)| 1.0 / (n.max(l / 3.0) + distortion)).collect()
    }
}

/// Fits the transfer on averaged spectra; `None` when the supply has no line clear of its noise.
pub(super) fn fit(spectra: &CrossSpectra, supply: &Trace, circuit: &Trace, setting: &Setting) -> Option<Fit> {
    let lowest = setting.electrical_hz.map_or(20.0, |f| 0.2 * f);
    let band = Band::new(spectra, lowest, setting.supply_lsb_v, 1.0 / supply.sample_rate_hz());
    if band.used.len() < 3 {
        return None;
    }
    let corner = CornerPrior::new(supply, circuit);
    let starts = starting_points(&band, corner.start_hz);
    let rough: Vec<Model> = starts.iter().map(|&start| refine(&band, start, &corner, 4)).collect();
    let near = best(&band, &rough)?;
    let paths = [Path::Delay, Path::InterpolatedDelay, Path::FirstOrderLag];
    let fits = paths.map(|path| refine(&band, Model { path, ..near }, &corner, 12));
    let model = best(&band, &fits)?;
    Some(summarise(&band, model, &corner, setting.electrical_hz))
}

/// What the fit is told besides the spectra.
pub(super) struct Setting {
    pub(super) electrical_hz: Option<f64>,
    /// Step of the supply's converter, volts; 0 where it cannot be told.
    pub(super) supply_lsb_v: f64,
}

/// What is known of the difference between the two couplings.
struct CornerPrior {
    start_hz: f64,
    free: bool,
}

impl CornerPrior {
    /// Standard deviation of an unknown corner, hertz: bench instruments lie at 0.5 to 10 Hz.
    const STD_HZ: f64 = 5.0;

    fn new(supply: &Trace, circuit: &Trace) -> Self {
        use crate::Coupling::{Ac, Dc};
        let known = supply.coupling_corner_hz().unwrap_or(0.0) - circuit.coupling_corner_hz().unwrap_or(0.0);
        let unknown = |t: &Trace| t.coupling() == Ac && t.coupling_corner_hz().is_none();
        let both_alike = supply.coupling() == circuit.coupling() || (supply.coupling(), circuit.coupling()) == (Dc, Dc);
        Self { start_hz: known, free: (unknown(supply) || unknown(circuit)) && !both_alike }
    }
}

/// Gain and delay at the best peaks of the match over the range of delays.
fn starting_points(band: &Band, corner_hz: f64) -> Vec<Model> {
    let zero = Model { path: Path::Delay, gain: 0.0, delay_s: DELAY_RANGE_S.0, corner_hz, interval_s: band.interval_s };
    let weights = band.weights(&zero);
    let highest = 2.0 * PI * band.frequency(band.used.last().copied().unwrap_or(1));
    let step = (PI / 8.0 / highest).max(1e-8);
    let count = ((DELAY_RANGE_S.1 - DELAY_RANGE_S.0) / step).ceil() as usize + 1;
    let mut lines: Vec<(Complex64, Complex64)> = Vec::with_capacity(band.used.len());
    let mut information = 0.0;
    for (&k, w) in band.used.iter().zip(&weights) {
        let unit = zero.unit(band.frequency(k));
        lines.push((unit.conj() * band.spectra.sxy[k] * w, Complex64::cis(2.0 * PI * band.frequency(k) * step)));
        information += w * unit.norm_sqr() * band.spectra.sxx[k];
    }
    let mut gains = Vec::with_capacity(count);
    for _ in 0..count {
        gains.push(lines.iter().map(|(z, _)| z.re).sum::<f64>() / information);
        for (z, turn) in &mut lines {
            *z *= *turn;
        }
    }
    let strength = |i: usize| gains.get(i).map_or(0.0, |g| g.abs());
    let mut peaks: Vec<usize> =
        (0..count).filter(|&i| strength(i) >= strength(i.wrapping_sub(1)) && strength(i) >= strength(i + 1)).collect();
    peaks.sort_by(|&a, &b| strength(b).total_cmp(&strength(a)));
    peaks.truncate(5);
    peaks.iter().map(|&i| Model { gain: gains[i], delay_s: DELAY_RANGE_S.0 + i as f64 * step, ..zero }).collect()
}

/// Normal equations of the weighted residual power about a model.
struct Normal {
    matrix: [[f64; 3]; 3],
    gradient: [f64; 3],
}

impl Normal {
    fn new(band: &Band, model: &Model, weights: &[f64], corner: &CornerPrior) -> Self {
        let mut out = Self { matrix: [[0.0; 3]; 3], gradient: [0.0; 3] };
        let count = if corner.free { 3 } else { 2 };
        for (&k, w) in band.used.iter().zip(weights) {
            let f = band.frequency(k);
            let slope = model.slopes(f);
            let miss = band.spectra.sxy[k] - model.gain * slope[0] * band.spectra.sxx[k];
            for i in 0..count {
                out.gradient[i] += w * 2.0 * band.spectra.looks * (slope[i].conj() * miss).re;
                for j in 0..count {
                    out.matrix[i][j] +=
                        w * 2.0 * band.spectra.looks * (slope[i].conj() * slope[j]).re * band.spectra.sxx[k];
                }
            }
        }
        let prior = CornerPrior::STD_HZ.powi(-2);
        out.matrix[2][2] += prior;
        if corner.free {
            out.gradient[2] -= prior * (model.corner_hz - corner.start_hz);
        }
        out
    }

    /// Inverse of the (symmetric, positive) matrix by cofactors; `None` when it is singular.
    fn inverse(&self) -> Option<[[f64; 3]; 3]> {
        // Scaled to a unit diagonal first: the parameters differ by nine decades.
        let d: Vec<f64> = (0..3).map(|i| self.matrix[i][i].sqrt()).collect();
        if d.iter().any(|&x| !(x.is_finite() && x > 0.0)) {
            return None;
        }
        let m = |i: usize, j: usize| self.matrix[i % 3][j % 3] / (d[i % 3] * d[j % 3]);
        let cofactor = |i: usize, j: usize| m(i + 1, j + 1) * m(i + 2, j + 2) - m(i + 1, j + 2) * m(i + 2, j + 1);
        let determinant: f64 = (0..3).map(|j| m(0, j) * cofactor(0, j)).sum();
        if !(determinant.is_finite() && determinant > 1e-12) {
            return None;
        }
        let mut out = [[0.0; 3]; 3];
        for (i, row) in out.iter_mut().enumerate() {
            for (j, value) in row.iter_mut().enumerate() {
                *value = cofactor(j, i) / determinant / (d[i] * d[j]);
            }
        }
        Some(out)
    }
}

/// Reweighted Gauss-Newton steps from a starting point.
fn refine(band: &Band, start: Model, corner: &CornerPrior, rounds: usize) -> Model {
    let mut model = start;
    for round in 0..rounds {
        let weights = band.weights(&model);
        let normal = Normal::new(band, &model, &weights, corner);
        let Some(inverse) = normal.inverse() else { break };
        let step: Vec<f64> =
            inverse.iter().map(|row| row.iter().zip(&normal.gradient).map(|(a, b)| a * b).sum::<f64>()).collect();
        // Half a sample or 20 us is far beyond where the delay's response is straight.
        let limit = band.interval_s.clamp(2e-6, 20e-6);
        model.gain += step[0];
        model.delay_s = (model.delay_s + step[1].clamp(-limit, limit)).clamp(DELAY_RANGE_S.0, DELAY_RANGE_S.1);
        if model.path == Path::FirstOrderLag {
            model.delay_s = model.delay_s.max(0.0);
        }
        model.corner_hz += step[2].clamp(-5.0, 5.0);
        let settled = step[0].abs() < 1e-6 * model.gain.abs() && step[1].abs() < 1e-10;
        if settled && round > 3 {
            break;
        }
    }
    model
}

/// The model of least residual, lines of the circuit's own signal having little say; of equals the least delay.
fn best(band: &Band, models: &[Model]) -> Option<Model> {
    let residuals: Vec<(Vec<f64>, Vec<f64>)> = models.iter().map(|m| band.residual(m)).collect();
    let noise = residuals.iter().map(|r| r.1.clone()).reduce(|mut a, b| {
        a.iter_mut().zip(b).for_each(|(x, y)| *x = x.min(y));
        a
    })?;
    let looks = band.spectra.looks;
    let loss = |left: &[f64], gain: f64| -> f64 {
        let distortion = gain * gain * band.supply_noise;
        left.iter().zip(&noise).map(|(l, n)| looks * (l / (n + distortion)).ln_1p()).sum()
    };
    // One common gain for the distortion: else a larger gain would buy itself a smaller loss.
    let gain = models.iter().map(|m| m.gain.abs()).fold(0.0, f64::max).min(2.0);
    let losses: Vec<f64> = residuals.iter().map(|r| loss(&r.0, gain)).collect();
    let least = losses.iter().copied().fold(f64::INFINITY, f64::min);
    let rank = |p: Path| match p {
        Path::Delay => 0,
        Path::InterpolatedDelay => 1,
        Path::FirstOrderLag => 2,
    };
    models
        .iter()
        .zip(&losses)
        .filter(|&(m, &l)| l.is_finite() && m.gain.is_finite() && l <= least + 2.0)
        .map(|(m, _)| *m)
        .min_by(|a, b| {
            let near = |m: &Model| (m.delay_s.abs() / 20e-6).floor() as i64;
            (near(a), rank(a.path)).cmp(&(near(b), rank(b.path))).then(a.delay_s.abs().total_cmp(&b.delay_s.abs()))
        })
}

fn summarise(band: &Band, model: Model, corner: &CornerPrior, electrical_hz: Option<f64>) -> Fit {
    let weights = band.weights(&model);
    let covariance = Normal::new(band, &model, &weights, corner).inverse();
    let groups = groups(band, &model, &weights, electrical_hz);
    let spread: f64 = groups.iter().map(|g| g.departure.norm_sqr() / (g.departure_std * g.departure_std)).sum();
    let freedom = 2.0 * groups.len() as f64 - 2.0;
    let birge = if freedom > 0.0 { (spread / freedom).max(1.0).sqrt() } else { 1.0 };
    let std = |i: usize| covariance.map_or(f64::INFINITY, |c| c[i][i].max(0.0).sqrt() * birge);
    let s = band.spectra;
    let ripple: f64 = (band.first..band.last).map(|k| model.at(band.frequency(k)).norm_sqr() * s.sxx[k]).sum();
    let total: f64 = s.syy.iter().skip(1).sum();
    let mut residual = s.syy.clone();
    residual.truncate(band.last);
    let removed = (0..band.last)
        .map(|k| if k < band.first { 0.0 } else { model.at(band.frequency(k)).norm_sqr() * s.sxx[k] })
        .collect();
    for (k, left) in residual.iter_mut().enumerate().skip(band.first) {
        *left = band.left(&model, k);
    }
    Fit {
        model,
        gain_std: std(0),
        delay_std: std(1),
        explained_fraction: if total > 0.0 { (ripple / total).min(1.0) } else { 0.0 },
        groups,
        residual,
        removed,
    }
}

/// Sums of one group of bins.
#[derive(Default, Clone)]
struct Sums {
    bins: usize,
    weight: f64,
    /// Weighted supply power as the model would carry it, and its match with the circuit.
    carried: f64,
    matched: Complex64,
    cross: Complex64,
    supply: f64,
    circuit: f64,
    frequency: f64,
}

fn groups(band: &Band, model: &Model, weights: &[f64], electrical_hz: Option<f64>) -> Vec<Group> {
    let index = |f: f64| match electrical_hz {
        Some(hz) => (f / hz).round() as usize,
        None => f.max(1.0).log2().floor() as usize,
    };
    let mut sums: Vec<Sums> = Vec::new();
    for (&k, w) in band.used.iter().zip(weights) {
        let f = band.frequency(k);
        let n = index(f);
        if sums.len() <= n {
            sums.resize(n + 1, Sums::default());
        }
        let (m, s) = (model.unit(f), &mut sums[n]);
        let (sxx, sxy) = (band.spectra.sxx[k], band.spectra.sxy[k]);
        s.bins += 1;
        s.weight += w * sxx;
        s.carried += w * m.norm_sqr() * sxx;
        s.matched += w * m.conj() * sxy;
        s.cross += w * sxy;
        s.supply += sxx;
        s.circuit += band.spectra.syy[k];
        s.frequency += sxx * f;
    }
    sums.iter().enumerate().filter(|(_, s)| s.bins > 0).map(|(n, s)| group(n, s, model, band.spectra.looks)).collect()
}

fn group(order: usize, s: &Sums, model: &Model, looks: f64) -> Group {
    let std = (2.0 * looks * s.carried).sqrt().recip();
    let transfer = s.cross / s.weight;
    let gain = transfer.norm();
    Group {
        order: OrderTransfer {
            order: order as u32,
            frequency_hz: s.frequency / s.supply,
            supply_v: (2.0 * s.supply).sqrt(),
            circuit_v: (2.0 * s.circuit).sqrt(),
            gain,
            phase_rad: transfer.arg(),
            relative_std: (looks * s.weight).sqrt().recip() / gain.max(f64::MIN_POSITIVE),
        },
        bins: s.bins,
        departure: s.matched / s.carried - model.gain,
        departure_std: std,
        gain: s.matched.re / s.carried,
        gain_std: std,
    }
}
