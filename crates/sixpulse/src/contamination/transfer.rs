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

use super::nth::nth;
use crate::trace::{BLOCK, Samples, Trace};
use crate::transforms::{self, smooth_length};
use crate::vectors::{self, SumsAbout, Work};
use rustfft::num_complex::{Complex32, Complex64};
use std::f64::consts::PI;

/// Longest segment of the averaged spectra, samples.
const SEGMENT: usize = 131_072;
/// Delays searched, seconds: a wire does not lead its source by more than the skew of two channels, and no filter in a
/// sensor circuit that still lets ripple through lags by more than the upper end.
pub const DELAY_RANGE_S: (f64, f64) = (-100e-6, 500e-6);
/// Bins of the residual spectrum that share one noise estimate.
const NOISE_BLOCK: usize = 32;
/// Least bins of the supply's spectrum that share one estimate of its floor.
const FLOOR_BLOCK: usize = 64;
/// Delay that makes a path rarer by a factor of e, seconds.
const USUAL_DELAY_S: f64 = 60e-6;
/// Longest time constant of a first-order path, seconds: beyond it a high-pass is flat and a low-pass has no gain left.
const LONGEST_TIME_CONSTANT_S: f64 = 0.02;
/// Log-likelihood by which carrying something must beat carrying nothing before a path is chosen.
const NOTICED: f64 = 8.0;
/// Bins on which the delay is searched.
const START_BINS: usize = 192;
/// Starts of the fit closer than this are one, seconds: every step that follows reaches further.
const SAME_START_S: f64 = 1e-6;
/// Fewer bins than this tell no transfer.
const LEAST_BINS: usize = 3;
/// Most bins that take part, those that tell most; what they leave out adds little and costs time.
const MOST_BINS: usize = 768;
/// Least noise of a supply bin against the supply's whole AC power: 12 bits over the ripple leave as much.
const SKIRT: f64 = 1e-9;
/// Power of a supply bin against the supply's noise from which it takes part.
const CLEAR: f64 = 10.0;
/// Power of a supply bin against the strongest from which it takes part.
const STRONG: f64 = 1e-4;
/// What rings beyond half the sample rate comes back as a thicket of faint lines with another transfer, which must not
/// outvote the few strong ones. Their power a bin is this many times what is left at the band's end.
const FOLDS: f64 = 2.0;
/// Bins to either side that a steady line takes under the window.
const LINE_BINS: f64 = 2.5;
/// Relative error of the cycle's frequency that a line is allowed.
const CYCLE_ERROR: f64 = 1e-3;
/// Part of a line's power by which its spread with the speed's wander is told, and the multiple of that within which an
/// order is looked for: a line that folds back beside it holds less than the rest.
const INSIDE: f64 = 0.8;
const WANDER: f64 = 2.0;
/// Half the sample rate is folded at so often before nothing is left of a ringing.
const ZONES: u32 = 3;
/// Power of a line against those that fold back from which it counts where they cannot be told apart.
const APART: f64 = 4.0;
/// Degrees of freedom that the estimate of what folds back is worth beside the orders' scatter.
const PRIOR: f64 = 2.0;
/// Power of what no model explains (bandwidths, aliases) against the strongest bin's.
const MODEL_ERROR: f64 = 1e-6;

/// How the ripple travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Path {
    /// The same waveform, later: `g exp(-i w d)`.
    Delay,
    /// The same waveform, later, its values taken between two samples on a straight line, as channels are that were
    /// aligned after sampling: `g ((1 - a) + a exp(-i w T)) exp(-i w m T)`, `d = (m + a) T`, `T` the sample interval.
    InterpolatedDelay,
    /// Through a first-order low-pass: `g / (1 + i w d)`, `d` the time constant. A return that the circuit shares with
    /// the charging current, or a supply filter.
    FirstOrderLag,
    /// Through a first-order high-pass: `g i w d / (1 + i w d)`, `d` the time constant, `g` the gain well above the
    /// corner. Stray capacitance, or mutual inductance with the charging cable: both rise with frequency.
    FirstOrderHighPass,
}
crate::trace::words!(Path, "path", "delay" => Path::Delay, "interpolated_delay" => Path::InterpolatedDelay,
    "first_order_lag" => Path::FirstOrderLag, "first_order_high_pass" => Path::FirstOrderHighPass);

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
            Self::FirstOrderHighPass => {
                let turn = Complex64::new(1.0, w * delay_s).inv();
                (Complex64::new(0.0, w * delay_s) * turn, Complex64::new(0.0, w) * turn * turn)
            }
        }
    }

    /// True where the second parameter is a time constant, which is not below 0 and has no upper bound in practice.
    fn is_first_order(self) -> bool {
        matches!(self, Self::FirstOrderLag | Self::FirstOrderHighPass)
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

/// One trace's windowed transform, scratch kept between segments. Single precision: its rounding lies 140 dB below the
/// alternating part, that of 16 bits 98 dB.
struct Transform {
    plan: std::sync::Arc<dyn realfft::RealToComplex<f32>>,
    window: std::rc::Rc<[f64]>,
    input: Vec<f32>,
    scratch: Vec<Complex32>,
}

impl Transform {
    fn new(length: usize) -> Self {
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
    block: &'a [f64],
    mean: f64,
    window: &'a [f64],
    out: &'a mut [f32],
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
    x: &'a [Complex32],
    y: &'a [Complex32],
    scale: f64,
    into: &'a mut CrossSpectra,
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
    pub(super) fn new(supply: &Trace, circuit: &Trace) -> Self {
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
    pub(super) fn bin_hz(&self) -> f64 {
        self.bin_hz
    }
    /// R.m.s. of the supply without its level, volts.
    pub(super) fn supply_rms_v(&self) -> f64 {
        self.sxx.iter().skip(1).sum::<f64>().sqrt()
    }
    fn bin(&self, k: usize, floor: f64) -> Bin {
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
    pub(super) fn left(&self, model: &Model) -> (Vec<f64>, Vec<f64>) {
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
    fn about(&self, place: f64, reach: f64) -> impl Iterator<Item = (usize, f64)> + '_ {
        let (from, to) = ((place - reach).max(1.0).ceil() as usize, (place + reach).max(0.0) as usize);
        self.sxx.iter().copied().enumerate().take(to.saturating_add(1)).skip(from)
    }
    fn circuit_rms_v(&self) -> f64 {
        self.syy.iter().skip(1).sum::<f64>().sqrt()
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
    pub(super) fn at(&self, frequency_hz: f64) -> Complex64 {
        self.gain * self.unit(frequency_hz)
    }
    fn unit(&self, frequency_hz: f64) -> Complex64 {
        self.slopes(frequency_hz)[0]
    }
    /// The response at `first`, `first + 1` ... times `step_hz`.
    #[inline(always)]
    fn along(&self, step_hz: f64, first: usize, out: &mut Responses) {
        let turn = |seconds: f64, out: &mut Responses| turned(2.0 * PI * step_hz * seconds, first, out);
        let hz = |i: usize| (first + i) as f64 * step_hz;
        match self.path {
            Path::Delay => turn(self.delay_s, out),
            Path::InterpolatedDelay => {
                let whole = (self.delay_s / self.interval_s).floor();
                let part = self.delay_s / self.interval_s - whole;
                let mut interval = Responses::NONE;
                turn(self.interval_s, &mut interval);
                turn(whole * self.interval_s, out);
                for i in 0..RESPONSES {
                    let (re, im) = (1.0 - part + part * interval.re[i], part * interval.im[i]);
                    (out.re[i], out.im[i]) = (re * out.re[i] - im * out.im[i], re * out.im[i] + im * out.re[i]);
                }
            }
            Path::FirstOrderLag | Path::FirstOrderHighPass => {
                for i in 0..RESPONSES {
                    let response = self.path.response(2.0 * PI * hz(i), self.delay_s, self.interval_s).0;
                    (out.re[i], out.im[i]) = (response.re, response.im);
                }
            }
        }
        for i in 0..RESPONSES {
            let mut response = self.gain * Complex64::new(out.re[i], out.im[i]);
            if self.corner_hz != 0.0 {
                response *= self.coupling(hz(i));
            }
            (out.re[i], out.im[i]) = (response.re, response.im);
        }
    }
    /// What the two couplings differ by: `1 - i c / f` gives back what the supply's took, `1 / (1 - i |c| / f)` takes what
    /// the circuit's does.
    fn coupling(&self, frequency_hz: f64) -> Complex64 {
        self.coupling_and_slope(frequency_hz).0
    }
    /// The same with its derivative by the corner; the two halves meet smoothly at 0.
    fn coupling_and_slope(&self, frequency_hz: f64) -> (Complex64, Complex64) {
        let slope = Complex64::new(0.0, -1.0 / frequency_hz);
        if self.corner_hz >= 0.0 {
            return (
                Complex64::new(1.0, if self.corner_hz == 0.0 { 0.0 } else { -self.corner_hz / frequency_hz }),
                slope,
            );
        }
        let taken = Complex64::new(1.0, self.corner_hz / frequency_hz).inv();
        (taken, slope * taken * taken)
    }
    /// Phase by which the path lags at a frequency, radians, its coupling and polarity left out: not folded into a turn.
    pub(super) fn lag_rad(&self, frequency_hz: f64) -> f64 {
        let turn = 2.0 * PI * frequency_hz * self.delay_s;
        match self.path {
            Path::Delay | Path::InterpolatedDelay => turn,
            Path::FirstOrderLag => turn.atan(),
            Path::FirstOrderHighPass => turn.atan() - 0.5 * PI,
        }
    }
    /// Derivatives of the response by gain, delay and corner.
    fn slopes(&self, frequency_hz: f64) -> [Complex64; 3] {
        let (path, by_delay) = self.path.response(2.0 * PI * frequency_hz, self.delay_s, self.interval_s);
        let (coupling, by_corner) = self.coupling_and_slope(frequency_hz);
        [path * coupling, self.gain * by_delay * coupling, self.gain * path * by_corner]
    }
}

/// Bins whose response is found together.
const RESPONSES: usize = 512;

/// Responses at successive bins.
struct Responses {
    re: [f64; RESPONSES],
    im: [f64; RESPONSES],
}

impl Responses {
    const NONE: Self = Self { re: [0.0; RESPONSES], im: [0.0; RESPONSES] };
}

/// `exp(-i k step)` for k = `first`, `first + 1` ...: a few are computed and turned on from set to set; rounding stays below
/// 64 units of the last digit.
#[inline(always)]
fn turned(step: f64, first: usize, out: &mut Responses) {
    const LANES: usize = 8;
    let at: [Complex64; LANES] = std::array::from_fn(|lane| Complex64::cis(-step * (first + lane) as f64));
    let (mut re, mut im) = (at.map(|z| z.re), at.map(|z| z.im));
    let by = Complex64::cis(-step * LANES as f64);
    let sets = out.re.as_chunks_mut::<LANES>().0.iter_mut().zip(out.im.as_chunks_mut::<LANES>().0);
    for (out_re, out_im) in sets {
        (*out_re, *out_im) = (re, im);
        for lane in 0..LANES {
            let turned = re[lane] * by.re - im[lane] * by.im;
            im[lane] = re[lane] * by.im + im[lane] * by.re;
            re[lane] = turned;
        }
    }
}

/// Power left and power taken out at the bins from `first` on.
struct Left<'a> {
    spectra: &'a CrossSpectra,
    model: &'a Model,
    first: usize,
    left: &'a mut [f64],
    removed: &'a mut [f64],
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

/// The result of the fit.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub(super) model: Model,
    pub(super) gain_std: f64,
    pub(super) delay_std: f64,
    /// Standard uncertainty of the gain of a plain delay: what the test could see.
    pub(super) detection_std: f64,
    /// Power of the ripple in the circuit, V^2.
    pub(super) carried_power: f64,
    /// Groups of bins with their own transfer.
    pub(super) groups: Vec<Group>,
    /// Power of the circuit after the ripple is taken out, bin by bin from 0 Hz.
    pub(super) residual: Vec<f64>,
    /// Power of the ripple that was taken out, bin by bin from 0 Hz.
    pub(super) removed: Vec<f64>,
}

/// What the bins about one order say by themselves.
#[derive(Debug, Clone)]
pub(super) struct Line {
    pub(super) order: u32,
    pub(super) frequency_hz: f64,
    /// Peak amplitudes, volts.
    pub(super) supply_v: f64,
    pub(super) circuit_v: f64,
    pub(super) transfer: Complex64,
    /// Standard uncertainty of the transfer, real and imaginary part together, volts per volt.
    pub(super) std: f64,
}

/// The bins about one order (or one octave where no cycle is known).
#[derive(Debug, Clone)]
pub(super) struct Group {
    pub(super) line: Line,
    /// How many bins share the supply's power here: `(sum s)^2 / sum s^2`; a steady line under a Hann window has two.
    pub(super) spread: f64,
    /// Share of the circuit's power here that one complex factor on the supply's lines explains (0 to 1): near 1 for
    /// whatever moves in step with the supply, through this path or another.
    pub(super) in_step: f64,
    /// How far the group's own transfer stands from the common model, volts per volt, along the model's phase.
    pub(super) departure: Complex64,
    /// Standard uncertainty of that, each of real and imaginary part.
    pub(super) departure_std: f64,
    /// The part of it that averages out.
    pub(super) noise_std: f64,
    /// Power that the model puts there against the noise about it.
    pub(super) clear: f64,
    /// Power left at the group's lines, without the noise about them, against the power the model puts there: the
    /// median over the bins, each weighed by the supply's power. Near 0 where the model explains the group; 1 and more
    /// where the circuit has as much of its own there.
    pub(super) unexplained: f64,
    /// What the group alone says of the gain along the model's phase.
    pub(super) gain: f64,
}

/// The band of a [`CrossSpectra`] in which the fit works.
struct Band<'a> {
    spectra: &'a CrossSpectra,
    first: usize,
    last: usize,
    used: Vec<Bin>,
    /// Least noise of the circuit, that of its converter, V^2 a bin.
    circuit_noise: f64,
    /// Relative standard uncertainty of a gain from the converters' rounding.
    quantisation: f64,
    interval_s: f64,
    /// Scratch of the noise estimate.
    block: std::cell::RefCell<Vec<f64>>,
}

/// One bin that takes part.
#[derive(Debug, Clone, Copy)]
struct Bin {
    k: usize,
    hz: f64,
    /// The supply's power without its floor, V^2: a regressor's noise would pull the gain towards zero.
    sxx: f64,
    sxy: Complex64,
    syy: f64,
    /// The supply's floor, distortion and what folds back, V^2.
    supply_noise: f64,
    /// What folds back, V^2.
    folded: f64,
}

/// Where the orders' lines lie, and where lines beyond half the sample rate come back.
///
/// Order `m` folded at `k` times the sample rate lies at `k fs - m f` or `m f - k fs`: off the orders by the same part of
/// an order for all `m`, `k fs / f` to either side. So lines that fold back can mostly be told from the orders by their
/// place.
struct Comb {
    /// The cycle's frequency, hertz.
    hz: f64,
    /// Sample rate in cycles.
    rate: f64,
    /// Half the width of a steady line, in orders.
    line: f64,
    /// Growth of that from order to order, by the speed's wander.
    wander: f64,
}

/// Place at which half of the power lies below, and the distance within which [`INSIDE`] of it lies.
fn spread(power: Vec<(f64, f64)>) -> (f64, f64) {
    let place = weighted_quantile(&power, 0.5);
    let apart: Vec<(f64, f64)> = power.iter().map(|(at, s)| ((at - place).abs(), *s)).collect();
    (place, weighted_quantile(&apart, INSIDE))
}

impl Comb {
    fn new(spectra: &CrossSpectra, electrical_hz: f64, interval_s: f64) -> Self {
        let bin = electrical_hz / spectra.bin_hz;
        let power = |n: usize| -> f64 { spectra.about(n as f64 * bin, 0.5 * bin).map(|(_, s)| s).sum() };
        let orders = (0.45 * spectra.sxx.len() as f64 / bin) as usize;
        let strongest = (1..=orders.max(1)).max_by(|a, b| power(*a).total_cmp(&power(*b))).unwrap_or(1);
        let place = strongest as f64 * bin;
        let (mean, half_width) = spread(spectra.about(place, 0.5 * bin).map(|(k, s)| (k as f64 - place, s)).collect());
        // The window itself spreads a line by a bin.
        let wander = (half_width - 1.0).max(0.0) / place;
        let near = (mean / place).abs() < CYCLE_ERROR;
        let hz = if near { electrical_hz * (1.0 + mean / place) } else { electrical_hz };
        let error = if near { 0.0 } else { CYCLE_ERROR };
        Self { hz, rate: 1.0 / (interval_s * hz), line: LINE_BINS / bin, wander: WANDER * wander + error + 0.3 / place }
    }

    fn reach(&self, hz: f64) -> f64 {
        self.line + self.wander * hz / self.hz
    }

    /// Whether a frequency lies on an order above 0.
    fn holds(&self, hz: f64) -> bool {
        let order = hz / self.hz;
        order > 0.5 && (order - order.round()).abs() <= self.reach(hz)
    }

    /// Whether lines that fold back may lie at a frequency.
    fn folds_to(&self, hz: f64) -> bool {
        let (order, reach) = (hz / self.hz, self.reach(hz));
        let near = |place: f64| (place - place.round()).abs() <= reach;
        (1..=ZONES).map(|k| f64::from(k) * self.rate).any(|turn| near(order - turn) || near(order + turn))
    }

    /// Whether lines that fold back may fall on the orders' lines there.
    fn folds_onto(&self, hz: f64) -> bool {
        let reach = self.reach(hz);
        (1..=ZONES).map(|k| f64::from(k) * self.rate).any(|place| (place - place.round()).abs() <= reach)
    }
}

/// What rings beyond half the sample rate and folds back, V^2 a bin of the supply: the spectrum goes on as it ends, and
/// folds more than once.
struct Folded {
    comb: Option<Comb>,
    /// Mean of the band's upper quarter, of all of it or of what lies between the orders and the lines that fold back.
    spread: f64,
    /// What a bin of the upper quarter holds that holds a line.
    line: f64,
}

impl Folded {
    fn new(spectra: &CrossSpectra, first: usize, last: usize, comb: Option<Comb>) -> Self {
        let upper: Vec<(f64, f64)> =
            (first.max(3 * last / 4)..last).map(|k| (k as f64 * spectra.bin_hz, spectra.sxx[k])).collect();
        let sum: f64 = upper.iter().map(|(_, s)| s).sum();
        let mean = sum / upper.len().max(1) as f64;
        let line = upper.iter().map(|(_, s)| s * s).sum::<f64>() / sum.max(f64::MIN_POSITIVE);
        let between = comb.as_ref().and_then(|c| {
            let free = upper.iter().filter(|(hz, _)| !c.holds(*hz) && !c.folds_to(*hz)).map(|(_, s)| *s);
            let free: Vec<f64> = free.collect();
            (free.len() >= NOISE_BLOCK / 2).then(|| free.iter().sum::<f64>() / free.len() as f64)
        });
        let spread = FOLDS * between.unwrap_or(mean);
        Self { line: line.max(FOLDS * mean), spread, comb }
    }

    fn falls_on(&self, bin: &Bin) -> bool {
        self.comb.as_ref().is_some_and(|c| c.folds_onto(bin.hz))
    }

    fn power(&self, bin: &Bin) -> f64 {
        if self.falls_on(bin) { self.line } else { self.spread }
    }

    /// Whether a bin's line is its order's, or strong enough for what may fall on it.
    fn is_alone(&self, bin: &Bin) -> bool {
        !self.falls_on(bin) || bin.sxx > APART * self.line
    }

    /// Orders among bins that are.
    fn orders_alone<'a>(&self, bins: impl Iterator<Item = &'a Bin>) -> usize {
        let Some(comb) = &self.comb else { return 0 };
        let mut orders: Vec<u64> = bins.filter(|b| self.is_alone(b)).map(|b| (b.hz / comb.hz).round() as u64).collect();
        orders.dedup();
        orders.len()
    }
}

/// `q`-quantile of the values as an estimate of the mean of exponentially distributed ones.
pub(super) fn noise_level(values: &mut [f64], q: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let i = ((values.len() as f64 * q) as usize).min(values.len() - 1);
    nth(values, i) / -(1.0 - q).ln()
}

/// Floor of a spectrum about each bin from `first` to `last`: a low quantile over blocks, which lines do not lift.
pub(super) fn floors(power: &[f64], first: usize, last: usize, block: usize) -> Vec<f64> {
    let bins = last.saturating_sub(first);
    // A track far above the sample rate makes blocks wider than any spectrum.
    let block = block.min(bins);
    let mut out = Vec::with_capacity(bins);
    let mut scratch = Vec::with_capacity(2 * block);
    let mut at = first;
    while at < last {
        // What remains after the last whole block goes with it.
        let end = if at + 2 * block > last { last } else { at + block };
        scratch.clear();
        scratch.extend_from_slice(&power[at..end]);
        let level = noise_level(&mut scratch, 0.3);
        out.extend(std::iter::repeat_n(level, end - at));
        at = end;
    }
    out
}

/// What rounding to the converters' steps leaves open of a gain, relative, of both traces.
///
/// A sine of amplitude `A` steps comes out of a rounding converter with its fundamental multiplied by
/// `1 + 2 sum_m (-1)^m J1(2 pi m A) cos(2 pi m c) / (pi m A)` for a level of `c` steps (Blachman, IEEE Trans. Inf. Theory
/// 31:417, 1985, from memory): with the envelope of `J1` and a level anywhere an r.m.s. error of `0.0852 r^-1.5` for `r`
/// r.m.s. steps. Noise of `s` steps ahead of the converter reduces it by `exp(-2 pi^2 s^2)`.
fn quantisation_std(spectra: &CrossSpectra, setting: &Setting, supply_floor: f64) -> f64 {
    let one = |rms_v: f64, lsb_v: f64, noise_power: f64| {
        if lsb_v <= 0.0 || rms_v <= 0.0 {
            return 0.0;
        }
        // A floor up to a twelfth of a squared step is the converter's own.
        let dither = (noise_power / (lsb_v * lsb_v) - 1.0 / 12.0).max(0.0);
        0.0852 * (rms_v / lsb_v).powf(-1.5) * (-2.0 * PI * PI * dither).exp()
    };
    let supply = one(spectra.supply_rms_v(), setting.supply_lsb_v, supply_floor);
    supply.hypot(one(spectra.circuit_rms_v(), setting.circuit_lsb_v, 0.0))
}

impl<'a> Band<'a> {
    fn new(spectra: &'a CrossSpectra, setting: &Setting, interval_s: f64) -> Self {
        let electrical_hz = setting.electrical_hz;
        let lowest_hz = electrical_hz.map_or(20.0, |f| 0.2 * f);
        let last = (0.9 * spectra.sxx.len() as f64) as usize;
        let first = ((lowest_hz / spectra.bin_hz).ceil() as usize).max(3).min(last);
        // A block reaches over two orders, so that a line spread by wandering speed does not pass for floor.
        let width = (2.0 * electrical_hz.unwrap_or(100.0) / spectra.bin_hz).ceil() as usize;
        // Without noise the window's skirts would count as lines; what they hold of a delay is the record's ends.
        let least = SKIRT * spectra.sxx.iter().skip(1).sum::<f64>();
        let supply_floor = floors(&spectra.sxx, first, last, width.max(FLOOR_BLOCK));
        let circuit_floor = floors(&spectra.syy, first, last, width.max(FLOOR_BLOCK));
        let strongest = spectra.sxx[first..last].iter().copied().fold(0.0, f64::max);
        let mut used: Vec<Bin> = (first..last)
            .zip(&supply_floor)
            .map(|(k, floor)| (k, floor.max(least)))
            .filter(|&(k, floor)| spectra.sxx[k] > (CLEAR * floor).max(STRONG * strongest))
            .map(|(k, floor)| spectra.bin(k, floor))
            .collect();
        let comb = electrical_hz.map(|hz| Comb::new(spectra, hz, interval_s));
        if let Some(comb) = &comb {
            let on_order = |b: &Bin| comb.holds(b.hz);
            if used.iter().filter(|b| on_order(b)).count() >= LEAST_BINS {
                used.retain(on_order);
            }
        }
        let folded = Folded::new(spectra, first, last, comb);
        // A coarse converter's distortion falls on the ripple's own lines: share it among them.
        let share = |power: f64| power / used.len().max(16) as f64;
        let distortion = share(setting.supply_lsb_v * setting.supply_lsb_v / 12.0) + MODEL_ERROR * strongest;
        let rounding = setting.circuit_lsb_v.powi(2) / 12.0;
        // What rounding must leave and is not found between the lines lies on them.
        let on_lines = share((rounding - circuit_floor.iter().sum::<f64>()).max(0.0));
        let circuit_noise = on_lines.max(rounding / spectra.sxx.len() as f64);
        let clear = |b: &Bin| b.sxx > CLEAR * (b.supply_noise + distortion) && b.sxx > folded.power(b);
        if folded.orders_alone(used.iter().filter(|b| clear(b))) >= 2 {
            used.retain(|b| folded.is_alone(b));
        }
        // Ripple of about one step stands out of its own distortion nowhere: then all of it takes part.
        if used.iter().filter(|b| clear(b)).count() >= LEAST_BINS {
            used.retain(clear);
        }
        used.iter_mut().for_each(|b| {
            b.folded = folded.power(b);
            b.supply_noise += distortion + b.folded;
        });
        let quantisation = quantisation_std(spectra, setting, supply_floor.iter().sum());
        keep_best(&mut used, |b| b.sxx / circuit_floor[b.k - first].max(f64::MIN_POSITIVE));
        Self {
            spectra,
            first,
            last,
            used,
            circuit_noise,
            quantisation,
            interval_s,
            block: std::cell::RefCell::default(),
        }
    }

    /// Power left in each bin in use, and the noise about it: a low quantile over blocks, which lines do not lift.
    fn residual(&self, model: &Model) -> (Vec<f64>, Vec<f64>) {
        let left: Vec<f64> = self.used.iter().map(|b| b.left(model.at(b.hz))).collect();
        let noise = self.noise(&left);
        (left, noise)
    }

    /// The noise about each bin in use, for what is left in them.
    fn noise(&self, left: &[f64]) -> Vec<f64> {
        let mut noise = Vec::with_capacity(left.len());
        let mut block = self.block.borrow_mut();
        let mut from = 0;
        while let Some(bin) = self.used.get(from) {
            let start = bin.k - (bin.k - self.first) % NOISE_BLOCK;
            let end = (start + NOISE_BLOCK).min(self.last);
            block.clear();
            block.extend_from_slice(&self.spectra.syy[start..end]);
            let to = from + self.used[from..].partition_point(|b| b.k < end);
            for (b, power) in self.used[from..to].iter().zip(&left[from..to]) {
                block[b.k - start] = *power;
            }
            let level = noise_level(&mut block, 0.3).max(self.circuit_noise).max(f64::MIN_POSITIVE);
            noise.extend(std::iter::repeat_n(level, to - from));
            from = to;
        }
        noise
    }

    /// What each bin in use counts in the search.
    fn says(&self, model: &Model, say: Say) -> Vec<f64> {
        match say {
            Say::Equal => self.weights(model),
            // A line of the circuit alone would have the loudest voice without this.
            Say::ByPower => self.used.iter().map(|b| b.sxx.min(b.syy) / b.syy.max(f64::MIN_POSITIVE)).collect(),
        }
    }

    /// Inverse noise of each bin in use; a bin far above its surroundings counts by its own power.
    fn weights(&self, model: &Model) -> Vec<f64> {
        self.weights_of(&self.used.iter().map(|b| model.at(b.hz)).collect::<Vec<Complex64>>())
    }

    /// The same for a response in each bin in use: the supply's noise comes through it.
    fn weights_of(&self, responses: &[Complex64]) -> Vec<f64> {
        let left: Vec<f64> = self.used.iter().zip(responses).map(|(b, m)| b.left(*m)).collect();
        let noise = self.noise(&left);
        let each = self.used.iter().zip(responses).zip(left.iter().zip(&noise));
        each.map(|((b, m), (l, n))| 1.0 / (n.max(l / 3.0) + m.norm_sqr() * b.supply_noise)).collect()
    }
}

impl Bin {
    /// Power left once the ripple is taken out through a response; never below a rounding's worth.
    fn left(&self, response: Complex64) -> f64 {
        (self.syy - 2.0 * (response.conj() * self.sxy).re + response.norm_sqr() * self.sxx).max(1e-15 * self.syy)
    }
}

/// Keeps the [`MOST_BINS`] bins that score highest, in their order.
fn keep_best(bins: &mut Vec<Bin>, score: impl Fn(&Bin) -> f64) {
    if bins.len() <= MOST_BINS {
        return;
    }
    let mut scores: Vec<f64> = bins.iter().map(&score).collect();
    let (_, least, _) = scores.select_nth_unstable_by(MOST_BINS, |a, b| b.total_cmp(a));
    let least = *least;
    bins.retain(|b| score(b) > least);
}

/// Fits the transfer on averaged spectra; `None` when the supply has no line clear of its noise.
pub(super) fn fit(spectra: &CrossSpectra, supply: &Trace, circuit: &Trace, setting: &Setting) -> Option<Fit> {
    let band = Band::new(spectra, setting, 1.0 / supply.sample_rate_hz());
    if band.used.len() < LEAST_BINS {
        return None;
    }
    let corner = CornerPrior::new(supply, circuit);
    let mut starts: Vec<Model> = Vec::new();
    for start in [Say::Equal, Say::ByPower].iter().flat_map(|&say| starting_points(&band, corner.start_hz, say)) {
        // Both searches mostly find the same peaks.
        if starts.iter().all(|s| (s.delay_s - start.delay_s).abs() > SAME_START_S) {
            starts.push(start);
        }
    }
    let rough = starts.into_iter().map(|start| refine(&band, start, &corner, 4)).collect();
    let rough = Candidates::new(&band, rough)?;
    let near = rough.best()?;
    let plain = refine(&band, near, &corner, 12);
    let detection_std = std_of_gain(&band, &plain, &corner);
    let mut fits = vec![plain, refine(&band, Model { path: Path::InterpolatedDelay, ..near }, &corner, 12)];
    for path in [Path::FirstOrderLag, Path::FirstOrderHighPass] {
        for say in [Say::Equal, Say::ByPower] {
            let start = first_order_start(&band, Model { path, ..near }, say);
            fits.extend([start, refine(&band, start, &corner, 16)]);
        }
    }
    let candidates = Candidates::new(&band, fits)?;
    // Where nothing is carried the choice among paths would only fit the noise.
    let model = if candidates.least() < candidates.silent - NOTICED { candidates.best()? } else { plain };
    let mut fit = summarise(&band, &candidates, model, &corner, setting.electrical_hz);
    fit.detection_std = detection_std;
    Some(fit)
}

/// Standard uncertainty of the gain from the curvature alone, by what is not the supply's: where nothing is carried, what
/// folds back upon the supply's lines does not come through either.
fn std_of_gain(band: &Band, model: &Model, corner: &CornerPrior) -> f64 {
    let (left, noise) = band.residual(model);
    let weights: Vec<f64> = left.iter().zip(&noise).map(|(l, n)| 1.0 / n.max(l / 3.0)).collect();
    let normal = Normal::new(band, model, &weights, corner);
    let inverse = normal.inverse();
    // Without any gain the delay has no say and the matrix no inverse.
    inverse.map_or(normal.matrix[0][0].sqrt().recip(), |c| c[0][0].max(0.0).sqrt())
}

/// What the fit is told besides the spectra.
pub(super) struct Setting {
    pub(super) electrical_hz: Option<f64>,
    /// Step of the supply's converter, volts; 0 where it cannot be told.
    pub(super) supply_lsb_v: f64,
    /// The same of the circuit's.
    pub(super) circuit_lsb_v: f64,
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

/// What a line counts for in the search of the delay.
#[derive(Clone, Copy)]
enum Say {
    /// Its phase alone counts: many faint lines find the delay sharply.
    Equal,
    /// Its power counts: the strong lines are not outvoted by lines that fold back or are the circuit's own.
    ByPower,
}

/// Gain and delay at the best peaks of the match over the range of delays.
fn starting_points(band: &Band, corner_hz: f64, say: Say) -> Vec<Model> {
    let zero = Model { path: Path::Delay, gain: 0.0, delay_s: DELAY_RANGE_S.0, corner_hz, interval_s: band.interval_s };
    let weights = band.says(&zero, say);
    let mut chosen: Vec<(&Bin, f64)> = band.used.iter().zip(weights).collect();
    chosen.sort_by(|a, b| (b.1 * b.0.sxx).total_cmp(&(a.1 * a.0.sxx)));
    chosen.truncate(START_BINS);
    let highest = 2.0 * PI * chosen.iter().map(|(b, _)| b.hz).fold(1.0, f64::max);
    let step = (PI / 8.0 / highest).max(1e-8);
    let count = ((DELAY_RANGE_S.1 - DELAY_RANGE_S.0) / step).ceil() as usize + 1;
    let mut lines: Vec<(Complex64, Complex64)> = Vec::with_capacity(chosen.len());
    let mut information = 0.0;
    for (b, w) in chosen {
        let unit = zero.unit(b.hz);
        lines.push((unit.conj() * b.sxy * w, Complex64::cis(2.0 * PI * b.hz * step)));
        information += w * unit.norm_sqr() * b.sxx;
    }
    let mut gains = Vec::with_capacity(count);
    for _ in 0..count {
        let mut sum = 0.0;
        for (z, turn) in &mut lines {
            sum += z.re;
            *z *= *turn;
        }
        gains.push(sum / information);
    }
    let strength = |i: usize| gains.get(i).map_or(0.0, |g| g.abs());
    let mut peaks: Vec<usize> =
        (0..count).filter(|&i| strength(i) >= strength(i.wrapping_sub(1)) && strength(i) >= strength(i + 1)).collect();
    peaks.sort_by(|&a, &b| strength(b).total_cmp(&strength(a)));
    peaks.truncate(5);
    peaks.iter().map(|&i| Model { gain: gains[i], delay_s: DELAY_RANGE_S.0 + i as f64 * step, ..zero }).collect()
}

/// Time constant and gain at which a first-order path matches best, on a grid of time constants.
fn first_order_start(band: &Band, model: Model, say: Say) -> Model {
    let weights = band.says(&Model { gain: 0.0, ..model }, say);
    let trials = (0..40).map(|i| {
        let trial = Model { delay_s: 2e-6 * 2.0f64.powf(f64::from(i) / 3.0), ..model };
        let (mut matched, mut carried) = (0.0, 0.0);
        for (b, w) in band.used.iter().zip(&weights) {
            let unit = trial.unit(b.hz);
            matched += w * (unit.conj() * b.sxy).re;
            carried += w * unit.norm_sqr() * b.sxx;
        }
        (matched * matched / carried, Model { gain: matched / carried, ..trial })
    });
    trials.filter(|t| t.0.is_finite()).max_by(|a, b| a.0.total_cmp(&b.0)).map_or(model, |(_, start)| start)
}

/// Normal equations of the weighted residual power about a model.
struct Normal {
    matrix: [[f64; 3]; 3],
    gradient: [f64; 3],
}

impl Normal {
    fn new(band: &Band, model: &Model, weights: &[f64], corner: &CornerPrior) -> Self {
        let slopes: Vec<[Complex64; 3]> = band.used.iter().map(|b| model.slopes(b.hz)).collect();
        Self::from_slopes(band, model, &slopes, weights, corner)
    }

    /// `slopes` are the model's at the bins in use.
    fn from_slopes(
        band: &Band,
        model: &Model,
        slopes: &[[Complex64; 3]],
        weights: &[f64],
        corner: &CornerPrior,
    ) -> Self {
        let mut out = Self { matrix: [[0.0; 3]; 3], gradient: [0.0; 3] };
        let count = if corner.free { 3 } else { 2 };
        for ((b, w), slope) in band.used.iter().zip(weights).zip(slopes) {
            let miss = b.sxy - model.gain * slope[0] * b.sxx;
            let weight = w * 2.0 * band.spectra.looks;
            for i in 0..count {
                out.gradient[i] += weight * (slope[i].conj() * miss).re;
                for j in 0..=i {
                    out.matrix[i][j] += weight * (slope[i].conj() * slope[j]).re * b.sxx;
                }
            }
        }
        for i in 0..3 {
            for j in i + 1..3 {
                out.matrix[i][j] = out.matrix[j][i];
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
        let slopes: Vec<[Complex64; 3]> = band.used.iter().map(|b| model.slopes(b.hz)).collect();
        let weights = band.weights_of(&slopes.iter().map(|s| model.gain * s[0]).collect::<Vec<Complex64>>());
        let normal = Normal::from_slopes(band, &model, &slopes, &weights, corner);
        let Some(inverse) = normal.inverse() else { break };
        let step: Vec<f64> =
            inverse.iter().map(|row| row.iter().zip(&normal.gradient).map(|(a, b)| a * b).sum::<f64>()).collect();
        model.gain += step[0];
        model.delay_s = next_delay(&model, step[1], band.interval_s);
        model.corner_hz += step[2].clamp(-5.0, 5.0);
        let settled = step[0].abs() < 1e-5 * model.gain.abs() && step[1].abs() < 1e-10;
        if settled && round > 0 {
            break;
        }
    }
    model
}

/// The delay after a step, held to where the response is nearly straight and to the path's range.
fn next_delay(model: &Model, step: f64, interval_s: f64) -> f64 {
    if model.path.is_first_order() {
        let limit = 0.5 * model.delay_s.max(1e-6);
        return (model.delay_s + step.clamp(-limit, limit)).clamp(0.0, LONGEST_TIME_CONSTANT_S);
    }
    // Half a sample or 20 us is far beyond where the delay's response is straight.
    let limit = interval_s.clamp(2e-6, 20e-6);
    (model.delay_s + step.clamp(-limit, limit)).clamp(DELAY_RANGE_S.0, DELAY_RANGE_S.1)
}

/// Models with their losses on one common scale.
struct Candidates {
    models: Vec<Model>,
    /// Negative log-likelihood of each, lines of the circuit's own signal having little say.
    losses: Vec<f64>,
    /// Power that the supply's noise and what folds back leave of any, V^2.
    unknown: f64,
    /// Power left of each, V^2, a line of the circuit alone counting no more than the supply's could.
    powers: Vec<f64>,
    /// The loss where nothing is carried.
    silent: f64,
}

/// Log-likelihood by which a model must beat a plain one: filters are rarer and fit the noise more easily, and long delays
/// are rarer than short ones. Orders that are all multiples of six leave the delay open by whole periods of the sixth.
fn handicap(model: &Model) -> f64 {
    match model.path {
        Path::Delay | Path::InterpolatedDelay => model.delay_s.abs() / USUAL_DELAY_S,
        Path::FirstOrderLag => 3.0,
        Path::FirstOrderHighPass => 10.0,
    }
}

/// A model that leaves this many times the power of another is none, however many faint lines speak for it.
const POWER_RATIO: f64 = 1.5;

impl Candidates {
    fn new(band: &Band, models: Vec<Model>) -> Option<Self> {
        let residuals: Vec<(Vec<f64>, Vec<f64>)> = models.iter().map(|m| band.residual(m)).collect();
        let noise = residuals.iter().map(|r| r.1.clone()).reduce(|mut a, b| {
            a.iter_mut().zip(b).for_each(|(x, y)| *x = x.min(y));
            a
        })?;
        let looks = band.spectra.looks;
        // One common gain for the distortion: else a larger gain would buy itself a smaller loss.
        let gain = models.iter().map(|m| m.gain.abs()).fold(0.0, f64::max).min(2.0);
        let loss = |left: &[f64]| -> f64 {
            let each = band.used.iter().zip(left.iter().zip(&noise));
            let through = |b: &Bin| (gain * gain).min(b.syy / b.sxx) * b.supply_noise;
            each.map(|(b, (l, n))| looks * (l / (n + through(b))).ln_1p()).sum()
        };
        let losses: Vec<f64> = residuals.iter().map(|r| loss(&r.0)).collect();
        let likeliest = models.iter().zip(&losses).min_by(|a, b| a.1.total_cmp(b.1))?.0;
        let most: Vec<f64> = band.used.iter().map(|b| 4.0 * likeliest.at(b.hz).norm_sqr() * b.sxx.max(0.0)).collect();
        let power = |left: &[f64]| -> f64 { left.iter().zip(&most).map(|(l, most)| l.min(*most)).sum() };
        let powers = residuals.iter().map(|r| power(&r.0)).collect();
        let unknown = band.used.iter().map(|b| (gain * gain).min(b.syy / b.sxx) * b.supply_noise).sum();
        let silent = loss(&band.used.iter().map(|b| b.syy).collect::<Vec<f64>>());
        Some(Self { models, losses, unknown, powers, silent })
    }

    fn least(&self) -> f64 {
        self.losses.iter().copied().fold(f64::INFINITY, f64::min)
    }

    /// The model of least loss; of equals the plainest and least delayed.
    fn best(&self) -> Option<Model> {
        let rank = |p: Path| match p {
            Path::Delay => 0,
            Path::InterpolatedDelay => 1,
            Path::FirstOrderLag => 2,
            Path::FirstOrderHighPass => 3,
        };
        let allowed = POWER_RATIO * (self.powers.iter().copied().fold(f64::INFINITY, f64::min) + self.unknown);
        let losses: Vec<f64> = self.models.iter().zip(&self.losses).map(|(m, l)| l + handicap(m)).collect();
        let fit = || (0..self.models.len()).filter(|&i| self.powers[i] <= allowed && losses[i].is_finite());
        let least = fit().map(|i| losses[i]).fold(f64::INFINITY, f64::min);
        let key = |m: &Model| ((m.delay_s.abs() / 20e-6).floor() as i64, rank(m.path));
        fit()
            .filter(|&i| losses[i] <= least + 2.0)
            .map(|i| self.models[i])
            .min_by(|a, b| key(a).cmp(&key(b)).then(a.delay_s.abs().total_cmp(&b.delay_s.abs())))
    }

    /// Variance of gain and delay among the models, each weighed by its likelihood: what the choice of one leaves open.
    fn spread(&self, chosen: &Model) -> (f64, f64) {
        let own = self.models.iter().position(|m| m == chosen);
        let least = own.map_or_else(|| self.least(), |i| self.losses[i]);
        let (mut total, mut gain, mut delay) = (0.0, 0.0, 0.0);
        for (m, l) in self.models.iter().zip(&self.losses) {
            if !l.is_finite() || (m.path == Path::FirstOrderHighPass) != (chosen.path == Path::FirstOrderHighPass) {
                continue;
            }
            let weight = (least - l).min(0.0).exp();
            total += weight;
            gain += weight * (m.gain - chosen.gain).powi(2);
            delay += weight * (m.delay_s - chosen.delay_s).powi(2);
        }
        if total > 0.0 { (gain / total, delay / total) } else { (0.0, 0.0) }
    }
}

fn summarise(
    band: &Band,
    candidates: &Candidates,
    model: Model,
    corner: &CornerPrior,
    electrical_hz: Option<f64>,
) -> Fit {
    let weights = band.weights(&model);
    let covariance = Normal::new(band, &model, &weights, corner).inverse();
    let mut groups = groups(band, &model, &weights, electrical_hz);
    let scatter: f64 = groups.iter().map(|g| g.departure.norm_sqr() / (g.departure_std * g.departure_std)).sum();
    let freedom = 2.0 * groups.len() as f64 - 2.0;
    let birge = if freedom > 0.0 { (scatter / freedom).max(1.0).sqrt() } else { 1.0 };
    // Less may fold back than the spectrum's end lets fear: the orders' own scatter says so, with a prior's weight.
    let less = ((scatter + PRIOR) / (freedom + PRIOR)).min(1.0).sqrt();
    groups.iter_mut().for_each(|g| g.departure_std = g.noise_std.max(less * g.departure_std));
    let (gain_spread, delay_spread) = candidates.spread(&model);
    let wider = [widening(&groups, |_| 1.0), widening(&groups, |hz| hz * hz)];
    let std = |i: usize, spread: f64| {
        covariance.map_or(f64::INFINITY, |c| (c[i][i].max(0.0) * wider[i] * birge * birge + spread).sqrt())
    };
    let (residual, removed) = band.spectra.left(&model);
    Fit {
        model,
        gain_std: std(0, gain_spread + (model.gain * band.quantisation).powi(2)),
        delay_std: std(1, delay_spread),
        detection_std: f64::NAN,
        carried_power: removed.iter().skip(band.first).sum(),
        groups,
        residual,
        removed,
    }
}

/// Factor on a variance by what does not average out, for groups that count by their information times `say` of their
/// frequency.
fn widening(groups: &[Group], say: impl Fn(f64) -> f64) -> f64 {
    let (mut all, mut noise) = (0.0, 0.0);
    for g in groups {
        let (information, say) = (g.noise_std.powi(-2), say(g.line.frequency_hz));
        noise += information * say;
        all += information * information * say * g.departure_std.powi(2);
    }
    if noise > 0.0 { all / noise } else { 1.0 }
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
    aligned: Complex64,
    squares: f64,
    put: f64,
    noise: f64,
    folded: f64,
    /// Unexplained power of each bin and its say.
    unexplained: Vec<(f64, f64)>,
}

fn groups(band: &Band, model: &Model, weights: &[f64], electrical_hz: Option<f64>) -> Vec<Group> {
    let index = |f: f64| match electrical_hz {
        Some(hz) => (f / hz).round() as usize,
        None => f.max(1.0).log2().floor() as usize,
    };
    let mut sums: Vec<Sums> = Vec::new();
    let (left, noise) = band.residual(model);
    for ((b, w), (l, noise)) in band.used.iter().zip(weights).zip(left.iter().zip(&noise)) {
        let n = index(b.hz);
        if sums.len() <= n {
            sums.resize(n + 1, Sums::default());
        }
        let (m, s) = (model.unit(b.hz), &mut sums[n]);
        s.bins += 1;
        s.weight += w * b.sxx;
        s.carried += w * m.norm_sqr() * b.sxx;
        s.matched += w * m.conj() * b.sxy;
        s.cross += w * b.sxy;
        s.supply += b.sxx;
        s.circuit += b.syy;
        s.frequency += b.sxx * b.hz;
        s.aligned += m.conj() * b.sxy / m.norm();
        s.squares += b.sxx * b.sxx;
        let put = (model.gain * model.gain * m.norm_sqr() * b.sxx).max(f64::MIN_POSITIVE);
        let noise = noise + model.gain * model.gain * m.norm_sqr() * b.supply_noise;
        s.put += put;
        s.noise += noise;
        s.folded += b.folded;
        s.unexplained.push(((l - noise).max(0.0) / put, b.sxx));
    }
    sums.iter().enumerate().filter(|(_, s)| s.bins > 0).map(|(n, s)| group(n, s, model, band.spectra.looks)).collect()
}

/// `q`-quantile of values, each with a weight; 0 for none.
fn weighted_quantile(values: &[(f64, f64)], q: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let part = q * sorted.iter().map(|v| v.1).sum::<f64>();
    let mut sum = 0.0;
    for (value, weight) in sorted {
        sum += weight;
        if sum >= part {
            return value;
        }
    }
    0.0
}

fn group(order: usize, s: &Sums, model: &Model, looks: f64) -> Group {
    let noise_std = (2.0 * looks * s.carried).sqrt().recip();
    // A line that folds back stands still beside the one it falls on: no average makes it less.
    let folded_std = model.gain.abs() * (s.folded / s.supply).sqrt();
    let std = noise_std.hypot(folded_std);
    Group {
        line: Line {
            order: order as u32,
            frequency_hz: s.frequency / s.supply,
            supply_v: (2.0 * s.supply).sqrt(),
            circuit_v: (2.0 * s.circuit).sqrt(),
            transfer: s.cross / s.weight,
            std: (looks * s.weight).sqrt().recip(),
        },
        spread: s.supply * s.supply / s.squares,
        in_step: (s.aligned.norm_sqr() / (s.supply * s.circuit).max(f64::MIN_POSITIVE)).min(1.0),
        departure: s.matched / s.carried - model.gain,
        departure_std: std,
        noise_std,
        clear: s.put / s.noise.max(f64::MIN_POSITIVE),
        unexplained: weighted_quantile(&s.unexplained, 0.5),
        gain: s.matched.re / s.carried,
    }
}
