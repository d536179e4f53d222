//! Spectra by averaging windowed segments (Welch, IEEE Trans. Audio Electroacoust. AU-15(2), 1967, 70-73), and coherence.
//!
//! # Conventions
//! - Densities are one-sided: `unit^2/Hz`, summing over the bins times their width to the mean square.
//! - Windows are periodic (the sample after the last equals the first). A density is divided by
//!   `sample_rate * sum(w^2)`, so that noise reads the same through every window.
//! - A cross-spectrum is the mean of `conj(X) Y`: its phase is that of `y` against `x`, negative where `y` is late, and
//!   `cross / auto_x` is the transfer from `x` to `y`.
//!
//! All of it equals `scipy.signal.welch`, `csd` and `coherence` to 1e-9 of the largest value.

use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};
pub use rustfft::num_complex::Complex64;

use crate::error::{Error, Result, check_positive};
use crate::trace::{Samples, words};

/// Taper of a segment, periodic. Sums of cosines (Harris, Proc. IEEE 66(1), 1978, 51-83; the flat top's coefficients
/// are D'Antona and Ferrero's, Digital Signal Processing for Measurement Systems, 2006, as in SciPy).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum Window {
    /// No taper: the narrowest line, the highest leakage.
    Rectangular,
    /// `0.5 - 0.5 cos`: the usual one for noise and coherence.
    Hann,
    /// Four terms, side lobes below -92 dB.
    BlackmanHarris,
    /// Five terms: reads a line's amplitude to 0.1 % between bins.
    FlatTop,
}

words!(Window, "window",
    "rectangular" => Window::Rectangular,
    "hann" => Window::Hann,
    "blackman_harris" => Window::BlackmanHarris,
    "flat_top" => Window::FlatTop,
);

/// What a window does to a line and to noise.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct WindowFigures {
    /// Mean of the window: a line's amplitude in the transform, relative to no window (0 to 1).
    pub coherent_gain: f64,
    /// Equivalent noise bandwidth in bins: `n sum(w^2) / sum(w)^2` (1 or more).
    pub enbw_bins: f64,
    /// What a line half-way between two bins loses, in decibels (0 or more).
    pub scalloping_loss_db: f64,
}

impl Window {
    fn terms(self) -> &'static [f64] {
        match self {
            Self::Rectangular => &[1.0],
            Self::Hann => &[0.5, 0.5],
            Self::BlackmanHarris => &[0.35875, 0.48829, 0.14128, 0.01168],
            Self::FlatTop => &[0.215_578_95, 0.416_631_58, 0.277_263_158, 0.083_578_947, 0.006_947_368],
        }
    }

    /// The window's samples: `sum over k of (-1)^k a_k cos(2 pi k i / length)`; none for a length of 0.
    #[must_use]
    pub fn samples(self, length: usize) -> Vec<f64> {
        let at = |i: usize| {
            let angle = TAU * i as f64 / length as f64 - PI;
            self.terms().iter().enumerate().map(|(k, a)| a * (k as f64 * angle).cos()).sum()
        };
        if length == 1 { vec![1.0] } else { (0..length).map(at).collect() }
    }

    /// Sum of the window's products with itself `shift` samples on (`shift <= length`, `length >= 2`), without its samples:
    /// those of two cosines are cosines of the sum and the difference of their angles, added up as a geometric series.
    fn shared(self, length: usize, shift: usize) -> f64 {
        let (n, pairs) = (length as f64, (length - shift) as f64);
        let turn = TAU * shift as f64 / n;
        let series = |order: f64, lag: f64| {
            let half = order * PI / n;
            if half.sin().abs() < 1e-9 / n {
                pairs * lag.cos()
            } else {
                (pairs * half).sin() / half.sin() * ((pairs - 1.0) * half + lag).cos()
            }
        };
        let signed = |k: usize, a: f64| if k.is_multiple_of(2) { a } else { -a };
        let mut sum = 0.0;
        for (k, &a) in self.terms().iter().enumerate() {
            for (l, &b) in self.terms().iter().enumerate() {
                let lag = l as f64 * turn;
                let (apart, together) = (l as f64 - k as f64, (l + k) as f64);
                sum += 0.5 * signed(k, a) * signed(l, b) * (series(apart, lag) + series(together, lag));
            }
        }
        sum
    }

    /// Coherent gain, noise bandwidth and scalloping loss of the window at a length of 2 or more.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for a length below 2.
    ///
    /// ```
    /// let hann = sixpulse::spectrum::Window::Hann.figures(1024)?;
    /// assert!((hann.coherent_gain - 0.5).abs() < 1e-12 && (hann.enbw_bins - 1.5).abs() < 1e-12);
    /// assert!((hann.scalloping_loss_db - 1.42).abs() < 0.005);
    /// # Ok::<(), sixpulse::Error>(())
    /// ```
    pub fn figures(self, length: usize) -> Result<WindowFigures> {
        check_segment("length", length)?;
        let w = self.samples(length);
        let n = length as f64;
        let (sum, squares) = (w.iter().sum::<f64>(), w.iter().map(|w| w * w).sum::<f64>());
        let half_bin = w.iter().enumerate().map(|(i, &w)| Complex64::from_polar(w, -PI * i as f64 / n));
        let between = half_bin.sum::<Complex64>().norm();
        Ok(WindowFigures {
            coherent_gain: sum / n,
            enbw_bins: n * squares / (sum * sum),
            scalloping_loss_db: -20.0 * (between / sum).log10(),
        })
    }
}

/// What is taken off each segment before it is windowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Detrend {
    /// Nothing.
    None,
    /// The segment's mean.
    Constant,
}

words!(Detrend, "detrend", "none" => Detrend::None, "constant" => Detrend::Constant);

/// How a record is cut into segments. Immutable; the same one serves any number of records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Welch {
    segment_samples: usize,
    overlap_samples: usize,
    window: Window,
    detrend: Detrend,
}

impl Welch {
    /// Segments of `segment_samples` (2 or more) that share `overlap_samples` with the next one: fewer than a segment, and so
    /// few that the next one begins a 512th of a segment later or more. Samples at the end that do not fill a segment are
    /// left out.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] naming the parameter.
    pub fn new(segment_samples: usize, overlap_samples: usize, window: Window, detrend: Detrend) -> Result<Self> {
        check_segment("segment_samples", segment_samples)?;
        if overlap_samples >= segment_samples {
            let expected = "fewer samples than a segment";
            return Err(Error::out_of_range("overlap_samples", expected, overlap_samples as f64));
        }
        if (segment_samples - overlap_samples).saturating_mul(MOST_SEGMENTS_AT_ONCE) < segment_samples {
            let expected = "segments that begin a 512th of their length apart or more";
            return Err(Error::out_of_range("overlap_samples", expected, overlap_samples as f64));
        }
        Ok(Self { segment_samples, overlap_samples, window, detrend })
    }

    /// Hann windows with half a segment of overlap, each segment's mean taken off.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for fewer than 2 samples.
    pub fn hann(segment_samples: usize) -> Result<Self> {
        Self::new(segment_samples, segment_samples / 2, Window::Hann, Detrend::Constant)
    }

    /// Samples in a segment.
    #[must_use]
    pub fn segment_samples(&self) -> usize {
        self.segment_samples
    }
    /// Samples shared by neighbouring segments.
    #[must_use]
    pub fn overlap_samples(&self) -> usize {
        self.overlap_samples
    }
    /// The window.
    #[must_use]
    pub fn window(&self) -> Window {
        self.window
    }
    /// What is taken off each segment.
    #[must_use]
    pub fn detrend(&self) -> Detrend {
        self.detrend
    }

    /// Whole segments in a record of `samples`.
    #[must_use]
    pub fn segments(&self, samples: usize) -> usize {
        samples.checked_sub(self.segment_samples).map_or(0, |rest| 1 + rest / self.step())
    }

    /// How many independent segments the averaging is worth (Welch 1967): `K / (1 + 2 sum over j of (1 - j/K) r_j)`,
    /// `r_j` being the squared correlation of the window with itself `j` steps on. Without overlap it is `K`; Hann with
    /// half a segment of overlap gives 0.947 `K` for large `K`.
    #[must_use]
    pub fn effective_averages(&self, segments: usize) -> f64 {
        let (length, count) = (self.segment_samples, segments as f64);
        let energy = self.window.shared(length, 0);
        let overlapping = (length - 1) / self.step();
        let excess = (1..segments.min(overlapping + 1)).map(|j| {
            let shared = self.window.shared(length, j * self.step());
            (1.0 - j as f64 / count) * (shared / energy).powi(2)
        });
        count / (1.0 + 2.0 * excess.sum::<f64>())
    }

    fn step(&self) -> usize {
        self.segment_samples - self.overlap_samples
    }
}

/// Segments that may hold one sample: more tell hardly more and cost as much more.
const MOST_SEGMENTS_AT_ONCE: usize = 512;

fn check_segment(parameter: &str, samples: usize) -> Result<()> {
    if samples < 2 {
        return Err(Error::out_of_range(parameter, "2 samples or more", samples as f64));
    }
    Ok(())
}

/// One-sided power spectral density of one record.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct AutoSpectrum {
    /// Frequency of each bin, hertz: 0 to half the sample rate.
    pub frequencies_hz: Vec<f64>,
    /// Density of each bin, unit squared per hertz.
    pub density: Vec<f64>,
    /// Segments averaged.
    pub segments: usize,
    /// Equivalent noise bandwidth of a bin, hertz: a line of amplitude `A` reads `A^2 / 2 / enbw_hz` at its bin.
    pub enbw_hz: f64,
}

/// One-sided cross-spectral density of two records, with both auto-spectra from the same segments.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossSpectrum {
    /// Frequency of each bin, hertz: 0 to half the sample rate.
    pub frequencies_hz: Vec<f64>,
    /// Mean of `conj(X) Y`, scaled as the densities: unit of x times unit of y per hertz.
    pub density: Vec<Complex64>,
    /// Density of `x`, unit squared per hertz.
    pub density_x: Vec<f64>,
    /// Density of `y`, unit squared per hertz.
    pub density_y: Vec<f64>,
    /// Segments averaged.
    pub segments: usize,
    /// Equivalent noise bandwidth of a bin, hertz.
    pub enbw_hz: f64,
}

/// Magnitude-squared coherence of two records.
///
/// Two periodic signals that have nothing to do with each other are coherent wherever they share a frequency and keep
/// their phase: coherence above the significance level excludes independent noise, and nothing else.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Coherence {
    /// Frequency of each bin, hertz: 0 to half the sample rate.
    pub frequencies_hz: Vec<f64>,
    /// `|Sxy|^2 / (Sxx Syy)` of each bin, 0 to 1; 0 where either record has no power beyond rounding, that is no more
    /// than 1e-24 of its strongest bin.
    pub coherence: Vec<f64>,
    /// Segments averaged.
    pub segments: usize,
    /// Independent segments the averaging is worth; see [`Welch::effective_averages`].
    pub effective_averages: f64,
}

impl Coherence {
    /// The level that independent noise exceeds in a share `alpha` (above 0, below 1) of bins.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for `alpha`.
    pub fn significance_level(&self, alpha: f64) -> Result<f64> {
        coherence_significance(self.effective_averages, alpha)
    }
}

/// The coherence that independent Gaussian noise exceeds with probability `alpha` (above 0, below 1) when `averages`
/// (above 1) independent segments are averaged: `1 - alpha^(1 / (averages - 1))`.
///
/// Source: Carter, Knapp and Nuttall, IEEE Trans. Audio Electroacoust. AU-21(4), 1973, 337-344.
///
/// # Errors
/// [`Error::OutOfRange`] naming the parameter.
///
/// ```
/// let c95 = sixpulse::spectrum::coherence_significance(16.0, 0.05)?;
/// assert!((c95 - 0.181).abs() < 5e-4);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn coherence_significance(averages: f64, alpha: f64) -> Result<f64> {
    if !(averages.is_finite() && averages > 1.0) {
        return Err(Error::out_of_range("averages", "a finite number above 1", averages));
    }
    if !(alpha > 0.0 && alpha < 1.0) {
        return Err(Error::out_of_range("alpha", "a number above 0 and below 1", alpha));
    }
    Ok(-(alpha.ln() / (averages - 1.0)).exp_m1())
}

/// One-sided power spectral density of a record at least one segment long.
///
/// # Errors
/// [`Error::EmptyInput`], [`Error::TooShort`], [`Error::NonFinite`] for the samples; [`Error::OutOfRange`] for a sample
/// beyond [`crate::trace::LARGEST_VALUE`] or the rate.
///
/// ```
/// use sixpulse::spectrum::{Welch, auto_spectrum};
/// // A sine of amplitude 2 V on bin 8 of 64.
/// let x: Vec<f64> = (0..640).map(|i| 2.0 * (std::f64::consts::TAU * i as f64 / 8.0).sin()).collect();
/// let spectrum = auto_spectrum(x.as_slice(), 6400.0, &Welch::hann(64)?)?;
/// assert!((spectrum.density[8] * spectrum.enbw_hz - 2.0).abs() < 1e-9);
/// assert_eq!(spectrum.frequencies_hz[8], 800.0);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn auto_spectrum<S: Samples + ?Sized>(samples: &S, sample_rate_hz: f64, welch: &Welch) -> Result<AutoSpectrum> {
    check_positive("sample_rate_hz", sample_rate_hz)?;
    let mut segments = Segments::new("samples", samples, welch)?;
    let mut density = vec![0.0; segments.bins()];
    for k in 0..segments.count {
        for (sum, x) in density.iter_mut().zip(segments.transform(k)?) {
            *sum += x.norm_sqr();
        }
    }
    let scale = Scale::new(welch, &segments, sample_rate_hz);
    scale.apply(&mut density);
    let (count, enbw_hz) = (segments.count, scale.enbw_hz);
    Ok(AutoSpectrum { frequencies_hz: scale.frequencies_hz(), density, segments: count, enbw_hz })
}

/// One-sided cross-spectral density of two records of equal length, at least one segment long.
///
/// # Errors
/// [`Error::EmptyInput`], [`Error::TooShort`], [`Error::NonFinite`] naming `x` or `y`; [`Error::LengthMismatch`];
/// [`Error::OutOfRange`] for the rate.
///
/// ```
/// use sixpulse::spectrum::{Welch, cross_spectrum};
/// let ripple = |i: usize| (std::f64::consts::TAU * i as f64 / 16.0).sin();
/// let post: Vec<f64> = (0..640).map(ripple).collect();
/// // Half the ripple, two samples (an eighth of a cycle) late.
/// let sensor: Vec<f64> = (0..640).map(|i| 0.5 * ripple(i + 14)).collect();
/// let cross = cross_spectrum(post.as_slice(), sensor.as_slice(), 6400.0, &Welch::hann(64)?)?;
/// let transfer = cross.density[4] / cross.density_x[4];
/// assert!((transfer.norm() - 0.5).abs() < 1e-9 && (transfer.arg() + std::f64::consts::FRAC_PI_4).abs() < 1e-9);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn cross_spectrum<X: Samples + ?Sized, Y: Samples + ?Sized>(
    x: &X,
    y: &Y,
    sample_rate_hz: f64,
    welch: &Welch,
) -> Result<CrossSpectrum> {
    check_positive("sample_rate_hz", sample_rate_hz)?;
    let (mut from_x, mut from_y) = (Segments::new("x", x, welch)?, Segments::new("y", y, welch)?);
    if y.len() != x.len() {
        return Err(Error::LengthMismatch { parameter: "y".into(), expected: x.len(), actual: y.len() });
    }
    let bins = from_x.bins();
    let mut density = vec![Complex64::default(); bins];
    let (mut density_x, mut density_y) = (vec![0.0; bins], vec![0.0; bins]);
    for k in 0..from_x.count {
        let (x, y) = (from_x.transform(k)?, from_y.transform(k)?);
        for (i, (x, y)) in x.iter().zip(y).enumerate() {
            density[i] += x.conj() * y;
            density_x[i] += x.norm_sqr();
            density_y[i] += y.norm_sqr();
        }
    }
    let scale = Scale::new(welch, &from_x, sample_rate_hz);
    scale.apply(&mut density);
    scale.apply(&mut density_x);
    scale.apply(&mut density_y);
    let frequencies_hz = scale.frequencies_hz();
    Ok(CrossSpectrum { frequencies_hz, density, density_x, density_y, segments: from_x.count, enbw_hz: scale.enbw_hz })
}

/// Part of a record's strongest bin below which a bin holds rounding: what is left of a mean that was taken off.
const ROUNDING: f64 = 1e-24;

/// Magnitude-squared coherence of two records of equal length that hold at least two segments.
///
/// # Errors
/// As [`cross_spectrum`]; [`Error::TooShort`] for a single segment, with which every coherence would be 1.
///
/// ```
/// use sixpulse::spectrum::{Welch, coherence};
/// let ripple = |i: usize| (std::f64::consts::TAU * i as f64 / 16.0).sin();
/// let post: Vec<f64> = (0..640).map(ripple).collect();
/// let sensor: Vec<f64> = (0..640).map(|i| 0.5 * ripple(i + 14)).collect();
/// let shared = coherence(post.as_slice(), sensor.as_slice(), 6400.0, &Welch::hann(64)?)?;
/// assert!(shared.coherence[4] > shared.significance_level(0.01)?);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn coherence<X: Samples + ?Sized, Y: Samples + ?Sized>(
    x: &X,
    y: &Y,
    sample_rate_hz: f64,
    welch: &Welch,
) -> Result<Coherence> {
    let least = welch.segment_samples.saturating_add(welch.step());
    for (parameter, len) in [("x", x.len()), ("y", y.len())] {
        if (1..least).contains(&len) {
            return Err(Error::TooShort { parameter: parameter.into(), minimum: least, actual: len });
        }
    }
    let cross = cross_spectrum(x, y, sample_rate_hz, welch)?;
    let strongest = |density: &[f64]| density.iter().fold(0.0_f64, |m, &d| m.max(d));
    let (floor_x, floor_y) = (ROUNDING * strongest(&cross.density_x), ROUNDING * strongest(&cross.density_y));
    let autos = cross.density_x.iter().zip(&cross.density_y);
    let ratio = |(xy, (&xx, &yy)): (&Complex64, (&f64, &f64))| {
        if xx > floor_x && yy > floor_y { squared_ratio(xy, xx, yy) } else { 0.0 }
    };
    let coherence = cross.density.iter().zip(autos).map(ratio).collect();
    let (segments, effective_averages) = (cross.segments, welch.effective_averages(cross.segments));
    Ok(Coherence { frequencies_hz: cross.frequencies_hz, coherence, segments, effective_averages })
}

/// `|xy|^2 / (xx yy)`; rounding may carry a perfect coherence past 1 by its last digit, which is taken back.
fn squared_ratio(xy: &Complex64, xx: f64, yy: f64) -> f64 {
    (xy.norm() / (xx.sqrt() * yy.sqrt())).powi(2).min(1.0)
}

/// Walks a record segment by segment; holds one segment, whatever the record's length.
struct Segments<'a, S: Samples + ?Sized> {
    parameter: &'static str,
    samples: &'a S,
    count: usize,
    step: usize,
    detrend: Detrend,
    window: Vec<f64>,
    fft: Arc<dyn RealToComplex<f64>>,
    raw: Vec<f64>,
    tapered: Vec<f64>,
    spectrum: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

impl<'a, S: Samples + ?Sized> Segments<'a, S> {
    fn new(parameter: &'static str, samples: &'a S, welch: &Welch) -> Result<Self> {
        let (minimum, actual) = (welch.segment_samples, samples.len());
        if actual == 0 {
            return Err(Error::EmptyInput { parameter: parameter.into() });
        }
        if actual < minimum {
            return Err(Error::TooShort { parameter: parameter.into(), minimum, actual });
        }
        samples.check(parameter)?;
        let fft = RealFftPlanner::new().plan_fft_forward(minimum);
        Ok(Self {
            parameter,
            samples,
            count: welch.segments(actual),
            step: welch.step(),
            detrend: welch.detrend,
            window: welch.window.samples(minimum),
            raw: vec![0.0; minimum],
            tapered: fft.make_input_vec(),
            spectrum: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            fft,
        })
    }

    fn bins(&self) -> usize {
        self.spectrum.len()
    }

    /// Transform of the windowed segment `k`; segments are asked for in order, so that shared samples are read once.
    fn transform(&mut self, k: usize) -> Result<&[Complex64]> {
        let (n, start) = (self.raw.len(), k * self.step);
        let shared = if k == 0 { 0 } else { n - self.step };
        self.raw.copy_within(n - shared.., 0);
        self.samples.read(start + shared, &mut self.raw[shared..]);
        let level = match self.detrend {
            Detrend::None => 0.0,
            Detrend::Constant => self.raw.iter().sum::<f64>() / n as f64,
        };
        for ((y, x), w) in self.tapered.iter_mut().zip(&self.raw).zip(&self.window) {
            *y = (x - level) * w;
        }
        let done = self.fft.process_with_scratch(&mut self.tapered, &mut self.spectrum, &mut self.scratch);
        done.map_err(|_| Error::LengthMismatch {
            parameter: self.parameter.into(),
            expected: n,
            actual: self.tapered.len(),
        })?;
        Ok(&self.spectrum)
    }
}

/// Factors from sums of squares to one-sided densities.
struct Scale {
    bin_hz: f64,
    bins: usize,
    even: bool,
    factor: f64,
    enbw_hz: f64,
}

impl Scale {
    fn new<S: Samples + ?Sized>(welch: &Welch, segments: &Segments<'_, S>, sample_rate_hz: f64) -> Self {
        let (sum, energy) = segments.window.iter().fold((0.0, 0.0), |(s, e), w| (s + w, e + w * w));
        Self {
            bin_hz: sample_rate_hz / welch.segment_samples as f64,
            bins: segments.bins(),
            even: welch.segment_samples.is_multiple_of(2),
            factor: 1.0 / (sample_rate_hz * energy * segments.count as f64),
            enbw_hz: sample_rate_hz * energy / (sum * sum),
        }
    }

    fn frequencies_hz(&self) -> Vec<f64> {
        (0..self.bins).map(|k| k as f64 * self.bin_hz).collect()
    }

    /// Bins other than 0 and the Nyquist frequency carry their negative frequency's power too.
    fn apply<T: std::ops::MulAssign<f64>>(&self, sums: &mut [T]) {
        for (k, sum) in sums.iter_mut().enumerate() {
            let alone = k == 0 || (self.even && k == self.bins - 1);
            *sum *= if alone { self.factor } else { 2.0 * self.factor };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WINDOWS: [Window; 4] = [Window::Rectangular, Window::Hann, Window::BlackmanHarris, Window::FlatTop];

    /// Deterministic numbers in -1..1 (Lehmer generator).
    fn noise(n: usize, mut state: u64) -> Vec<f64> {
        (0..n)
            .map(|_| {
                state = state * 48_271 % 2_147_483_647;
                state as f64 / 1_073_741_823.5 - 1.0
            })
            .collect()
    }

    /// The definition, by a sum over samples for each bin.
    fn naive_cross(x: &[f64], y: &[f64], rate: f64, welch: &Welch) -> Vec<Complex64> {
        let n = welch.segment_samples();
        let w = welch.window().samples(n);
        let line = |x: &[f64], k: usize| -> Complex64 {
            let mean = if welch.detrend() == Detrend::None { 0.0 } else { x.iter().sum::<f64>() / n as f64 };
            let turn = |i: usize| Complex64::from_polar(1.0, -TAU * ((i * k) % n) as f64 / n as f64);
            (0..n).map(|i| turn(i) * (x[i] - mean) * w[i]).sum()
        };
        let energy: f64 = w.iter().map(|w| w * w).sum();
        let starts: Vec<usize> = (0..welch.segments(x.len())).map(|k| k * (n - welch.overlap_samples())).collect();
        (0..=n / 2)
            .map(|k| {
                let sides = if k == 0 || 2 * k == n { 1.0 } else { 2.0 };
                let sum: Complex64 = starts.iter().map(|&s| line(&x[s..s + n], k).conj() * line(&y[s..s + n], k)).sum();
                sum * sides / (rate * energy * starts.len() as f64)
            })
            .collect()
    }

    #[test]
    fn spectra_equal_their_definition() {
        let (x, y) = (noise(333, 1), noise(333, 2));
        for window in WINDOWS {
            for (segment, overlap) in [(2, 0), (32, 16), (33, 10), (64, 63), (333, 0), (25, 5)] {
                for detrend in [Detrend::None, Detrend::Constant] {
                    let welch = Welch::new(segment, overlap, window, detrend).unwrap();
                    let cross = cross_spectrum(x.as_slice(), y.as_slice(), 1e3, &welch).unwrap();
                    let auto = auto_spectrum(x.as_slice(), 1e3, &welch).unwrap();
                    // 1e-13 of a density that is of the order 1e-3: rounding of the transforms.
                    for (a, b) in cross.density.iter().zip(naive_cross(&x, &y, 1e3, &welch)) {
                        assert!((a - b).norm() < 1e-13, "{window} {segment} {overlap} {detrend}");
                    }
                    for (a, b) in auto.density.iter().zip(naive_cross(&x, &x, 1e3, &welch)) {
                        assert!((a - b.re).abs() < 1e-13);
                    }
                    assert_eq!(auto.density, cross.density_x);
                }
            }
        }
    }

    #[test]
    fn windows_have_their_tabulated_figures() {
        // REFERENCE-VALUES C, from Harris 1978; tolerances are half a unit of the last digit given.
        for (window, gain, enbw, loss) in [
            (Window::Rectangular, 1.0, 1.0, 3.92),
            (Window::Hann, 0.5, 1.500, 1.42),
            (Window::BlackmanHarris, 0.35875, 2.004, 0.83),
            (Window::FlatTop, 0.215_578_95, 3.770, 0.01),
        ] {
            let figures = window.figures(1000).unwrap();
            assert!((figures.coherent_gain - gain).abs() < 1e-12, "{window}");
            assert!((figures.enbw_bins - enbw).abs() < 5e-4, "{window}: {}", figures.enbw_bins);
            assert!((figures.scalloping_loss_db - loss).abs() < 5e-3, "{window}: {}", figures.scalloping_loss_db);
        }
    }

    #[test]
    fn effective_averages_follow_the_overlap() {
        let apart = Welch::new(256, 0, Window::Hann, Detrend::Constant).unwrap();
        assert_eq!(apart.effective_averages(10), 10.0);
        let halves = Welch::hann(256).unwrap();
        // Hann's correlation half a segment on is 1/6: K / (1 + 2 (1 - 1/K) / 36), the next one is 0.
        for count in [2_usize, 8, 64] {
            let k = count as f64;
            assert!((halves.effective_averages(count) - k / (1.0 + (1.0 - 1.0 / k) / 18.0)).abs() < 1e-9);
        }
        assert_eq!(halves.effective_averages(1), 1.0);
    }

    #[test]
    fn the_windows_correlation_with_itself_is_that_of_its_samples() {
        for window in [Window::Rectangular, Window::Hann, Window::BlackmanHarris, Window::FlatTop] {
            for length in [2, 3, 5, 8, 64, 1001] {
                let w = window.samples(length);
                for shift in 0..=length {
                    let direct: f64 = w.iter().zip(&w[shift..]).map(|(a, b)| a * b).sum();
                    // Rounding of as many products below 1 each.
                    assert!((window.shared(length, shift) - direct).abs() < 1e-11, "{window} {length} {shift}");
                }
            }
        }
    }

    #[test]
    fn segments_of_any_length_need_no_memory_to_be_rated() {
        let longest = Welch::new(1 << 50, (1 << 50) - (1 << 41), Window::FlatTop, Detrend::None).unwrap();
        let shorter = Welch::new(1 << 16, (1 << 16) - (1 << 7), Window::FlatTop, Detrend::None).unwrap();
        assert!((longest.effective_averages(600) / shorter.effective_averages(600) - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_record_without_power_is_coherent_with_nothing() {
        let (zeros, x) = ([0.0; 100], noise(100, 3));
        let shared = coherence(zeros.as_slice(), x.as_slice(), 1e3, &Welch::hann(20).unwrap()).unwrap();
        assert!(shared.coherence.iter().all(|&c| c == 0.0));
        let itself = coherence(x.as_slice(), x.as_slice(), 1e3, &Welch::hann(20).unwrap()).unwrap();
        assert!(itself.coherence.iter().all(|&c| (c - 1.0).abs() < 1e-12 && c <= 1.0));
    }

    #[test]
    fn bad_input_is_refused_by_name() {
        let welch = Welch::hann(8).unwrap();
        let auto = |x: &[f64], rate: f64| auto_spectrum(x, rate, &welch).unwrap_err();
        assert_eq!(auto(&[], 1.0).code(), "empty_input");
        assert_eq!(auto(&[1.0], 1.0).code(), "too_short");
        assert_eq!(auto(&[1.0; 7], 1.0), Error::TooShort { parameter: "samples".into(), minimum: 8, actual: 7 });
        for rate in [0.0, -1.0, f64::NAN] {
            assert_eq!(auto(&[1.0; 8], rate).parameter(), "sample_rate_hz");
        }
        for at in [0, 9, 17] {
            // Sample 17 of 18 lies in no segment and is refused all the same.
            let mut x = [1.0; 18];
            x[at] = f64::NAN;
            assert_eq!(auto(&x, 1.0), Error::NonFinite { parameter: "samples".into(), index: at });
        }
        let pair = |x: &[f64], y: &[f64]| coherence(x, y, 1.0, &welch).unwrap_err();
        assert_eq!(pair(&[1.0; 20], &[1.0; 19]).code(), "length_mismatch");
        assert_eq!(pair(&[1.0; 8], &[1.0; 8]).code(), "too_short");
        let longest = Welch::hann(usize::MAX).unwrap();
        assert_eq!(coherence(&[1.0; 8][..], &[1.0; 8][..], 1.0, &longest).unwrap_err().code(), "too_short");
        assert_eq!(pair(&[], &[]).code(), "empty_input");
        assert_eq!(Welch::hann(1).unwrap_err().parameter(), "segment_samples");
        let overlap = Welch::new(8, 8, Window::Hann, Detrend::None);
        assert_eq!(overlap.unwrap_err().parameter(), "overlap_samples");
        let overlap = |shared| Welch::new(1_000_000, shared, Window::Hann, Detrend::None);
        assert_eq!(overlap(999_999).unwrap_err().parameter(), "overlap_samples");
        assert_eq!(overlap(998_047).unwrap_err().code(), "out_of_range");
        assert!(overlap(998_046).is_ok() && Welch::new(512, 511, Window::Hann, Detrend::None).is_ok());
        assert_eq!(Window::Hann.figures(1).unwrap_err().parameter(), "length");
        assert_eq!(coherence_significance(1.0, 0.05).unwrap_err().parameter(), "averages");
        assert_eq!(coherence_significance(8.0, 1.0).unwrap_err().parameter(), "alpha");
        assert_eq!("kaiser".parse::<Window>().unwrap_err().code(), "unknown_name");
        assert_eq!("linear".parse::<Detrend>().unwrap_err().code(), "unknown_name");
    }
}
