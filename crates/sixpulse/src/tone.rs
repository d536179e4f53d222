//! Sine and harmonic fits by least squares (IEEE Std 1057: three parameters at a known frequency, four with the
//! frequency), their standard uncertainties, and the Cramer-Rao bounds they are measured by.
//!
//! # Conventions
//! - A component of order `k` is `amplitude cos(2 pi k frequency_hz t + phase)`, `t` from the first sample; amplitudes
//!   are peak values, 0 or more; phases lie in -pi to pi.
//! - Standard uncertainties assume white noise of the residual's size with `samples - unknowns` degrees of freedom.
//!
//! The solution is that of the full least-squares problem to 1e-9 relative: normal equations, with steps taken from
//! residuals computed anew until they change nothing. Memory does not grow with the record. A fit of the frequency walks
//! over the record 40 times at most, over one with a signal about 10 times; each walk costs samples times highest order.

mod basis;

use std::f64::consts::{PI, TAU};

use realfft::RealFftPlanner;

use crate::error::{Error, Result, check_frequency, check_positive};
use crate::normal::Factor;
use crate::trace::Samples;
use basis::{Model, Projection, Sums, Unknowns, first_time, linear_unknowns, project, walk};

/// Walks over the whole record after which a fit that has not settled is given up.
const WALK_LIMIT: usize = 25;
/// The same for a stretch, of which no more than a start is wanted: with the limit above, what a fit costs at most.
const STRETCH_WALK_LIMIT: usize = 10;
/// A stretch has settled when a step moves its fit by less, relative: the next step would move it by the square.
const STRETCH_SETTLED: f64 = 1e-6;
/// How often a step is shortened.
const SHORTENED: usize = 8;
/// A fit has settled when a step moves it by less, relative.
const SETTLED: f64 = 1e-13;
/// Share of the columns' own curvature below which that with the residual's share is not trusted: steps would be too long.
const LEAST_CURVATURE: f64 = 0.1;
/// Samples in which the strongest line is looked for when no starting frequency is given.
const SEARCH_SAMPLES: usize = 1 << 16;
/// Cycles in the first stretch of a fit that starts from a given frequency.
const START_CYCLES: f64 = 4.0;
/// Each stretch is this many times longer than the one before.
const GROWTH: usize = 4;

/// A sine with an offset, fitted.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct SineFit {
    /// Frequency, hertz.
    pub frequency_hz: f64,
    /// Standard uncertainty of it; `None` where the frequency was given.
    pub frequency_hz_std: Option<f64>,
    /// Peak amplitude in the samples' unit, 0 or more.
    pub amplitude: f64,
    /// Standard uncertainty of it.
    pub amplitude_std: f64,
    /// Phase at the first sample, radians (-pi to pi).
    pub phase_rad: f64,
    /// Standard uncertainty of it, at most `pi / sqrt(3)`: that of a phase of which nothing is known.
    pub phase_rad_std: f64,
    /// Mean level beside the sine.
    pub offset: f64,
    /// Standard uncertainty of it.
    pub offset_std: f64,
    /// `sqrt(mean(residual^2))`.
    pub residual_rms: f64,
    /// Samples fitted.
    pub samples: usize,
}

/// A fundamental and its orders with an offset, fitted together.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct HarmonicFit {
    /// Frequency of order 1, hertz.
    pub frequency_hz: f64,
    /// Standard uncertainty of it; `None` where the frequency was given.
    pub frequency_hz_std: Option<f64>,
    /// The orders fitted, as they were given.
    pub orders: Vec<usize>,
    /// Peak amplitude of each order in the samples' unit, 0 or more.
    pub amplitudes: Vec<f64>,
    /// Standard uncertainty of each.
    pub amplitudes_std: Vec<f64>,
    /// Phase of each order at the first sample, radians (-pi to pi).
    pub phases_rad: Vec<f64>,
    /// Standard uncertainty of each, at most `pi / sqrt(3)`: that of a phase of which nothing is known.
    pub phases_rad_std: Vec<f64>,
    /// Mean level beside the orders.
    pub offset: f64,
    /// Standard uncertainty of it.
    pub offset_std: f64,
    /// `sqrt(mean(residual^2))`.
    pub residual_rms: f64,
    /// Samples fitted.
    pub samples: usize,
}

/// Three-parameter fit: amplitude, phase and offset at a known frequency (above 0, below half the sample rate).
///
/// # Errors
/// [`Error::EmptyInput`], [`Error::TooShort`] (fewer than 4), [`Error::NonFinite`] for the samples;
/// [`Error::OutOfRange`], [`Error::AboveNyquist`] for the frequencies; [`Error::Undetermined`] when the record covers
/// too little of a period.
///
/// ```
/// use sixpulse::tone::sine_fit_known;
/// let x: Vec<f64> = (0..100).map(|i| 14.0 + 0.5 * (std::f64::consts::TAU * 0.013 * i as f64 + 1.0).cos()).collect();
/// let fit = sine_fit_known(x.as_slice(), 1000.0, 13.0)?;
/// assert!((fit.amplitude - 0.5).abs() < 1e-9 && (fit.phase_rad - 1.0).abs() < 1e-9);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn sine_fit_known<S: Samples + ?Sized>(samples: &S, sample_rate_hz: f64, frequency_hz: f64) -> Result<SineFit> {
    single(harmonic_fit_known(samples, sample_rate_hz, frequency_hz, &[1])?)
}

/// Four-parameter fit: amplitude, phase, offset and frequency.
///
/// `start_hz` is where the search starts; it should lie within 12 % of the truth. With `None` the fit starts from the
/// strongest line of the middle 65,536 samples. Either way the frequency is first fitted to a short stretch about the
/// middle, then to longer ones.
///
/// # Errors
/// As [`sine_fit_known`] (5 samples are needed); [`Error::Undetermined`] also for a record without any line;
/// [`Error::NoConvergence`].
///
/// ```
/// use sixpulse::tone::sine_fit;
/// let x: Vec<f64> = (0..500).map(|i| 14.0 + 0.5 * (std::f64::consts::TAU * 0.0131 * i as f64 + 1.0).cos()).collect();
/// let fit = sine_fit(x.as_slice(), 1000.0, None)?;
/// assert!((fit.frequency_hz - 13.1).abs() < 1e-8);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn sine_fit<S: Samples + ?Sized>(samples: &S, sample_rate_hz: f64, start_hz: Option<f64>) -> Result<SineFit> {
    let task = Task::new(samples, sample_rate_hz, &[1], Unknowns::LinearAndTurn)?;
    let fit = match start_hz {
        Some(start) => {
            check_frequency("start_hz", start, sample_rate_hz)?;
            task.fit_growing(start, task.first_stretch(start))?
        }
        None => task.fit_growing(strongest_line_hz(samples, sample_rate_hz)?, SEARCH_SAMPLES)?,
    };
    single(fit)
}

/// Frequency of a sine and offset from a start within 12 % of it, as [`sine_fit`] finds it, given up to steps of `settled`
/// of its value: each of them costs a walk over the record.
pub(crate) fn sine_frequency_hz(samples: &[f64], sample_rate_hz: f64, start_hz: f64, settled: f64) -> Result<f64> {
    check_frequency("start_hz", start_hz, sample_rate_hz)?;
    let task = Task { settled, ..Task::new(samples, sample_rate_hz, &[1], Unknowns::LinearAndTurn)? };
    Ok(task.fit_growing(start_hz, task.first_stretch(start_hz))?.frequency_hz)
}

/// Fit of the given orders (each 1 to 100, none twice, at least one) of a known frequency; every order lies below half
/// the sample rate.
///
/// # Errors
/// As [`sine_fit_known`], naming `orders` for the list; `2 x orders + 2` samples are needed.
///
/// ```
/// use sixpulse::tone::harmonic_fit_known;
/// let turn = std::f64::consts::TAU * 0.02;
/// let x: Vec<f64> = (0..400).map(|i| (turn * i as f64).cos() + 0.2 * (3.0 * turn * i as f64 - 0.5).cos()).collect();
/// let fit = harmonic_fit_known(x.as_slice(), 1000.0, 20.0, &[1, 3])?;
/// assert!((fit.amplitudes[1] - 0.2).abs() < 1e-9 && (fit.phases_rad[1] + 0.5).abs() < 1e-9);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn harmonic_fit_known<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    frequency_hz: f64,
    orders: &[usize],
) -> Result<HarmonicFit> {
    let task = Task::new(samples, sample_rate_hz, orders, Unknowns::Linear)?;
    task.check_orders_below_nyquist("frequency_hz", frequency_hz)?;
    task.fit(frequency_hz)
}

/// Joint fit of the fundamental's frequency and of the given orders.
///
/// `start_hz` is where the frequency starts; it should lie within 0.12 / (highest strong order) of the truth, relative.
/// The frequency is first fitted to 4 cycles about the middle, then to stretches four times as long each.
///
/// # Errors
/// As [`harmonic_fit_known`] (one more sample is needed); [`Error::Undetermined`] when no order is present;
/// [`Error::NoConvergence`].
///
/// ```
/// use sixpulse::tone::harmonic_fit;
/// let turn = std::f64::consts::TAU * 0.0203;
/// let x: Vec<f64> = (0..4000).map(|i| (turn * i as f64).cos() + 0.2 * (3.0 * turn * i as f64 - 0.5).cos()).collect();
/// let fit = harmonic_fit(x.as_slice(), 1000.0, 20.0, &[1, 3])?;
/// assert!((fit.frequency_hz - 20.3).abs() < 1e-8 && (fit.amplitudes[1] - 0.2).abs() < 1e-9);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn harmonic_fit<S: Samples + ?Sized>(
    samples: &S,
    sample_rate_hz: f64,
    start_hz: f64,
    orders: &[usize],
) -> Result<HarmonicFit> {
    let task = Task::new(samples, sample_rate_hz, orders, Unknowns::LinearAndTurn)?;
    task.check_orders_below_nyquist("start_hz", start_hz)?;
    task.fit_growing(start_hz, task.first_stretch(start_hz))
}

/// Cramer-Rao bound on the standard deviation of a sine's frequency, hertz:
/// `rate / 2 pi * sqrt(24 noise_rms^2 / (amplitude^2 n (n^2 - 1)))` for `samples` = n of 2 or more.
///
/// Source: Rife and Boorstyn, IEEE Trans. Inf. Theory IT-20(5), 1974, 591-598, for a real tone well away from 0 and from
/// half the sample rate.
///
/// # Errors
/// [`Error::OutOfRange`] naming the parameter.
///
/// ```
/// let bound = sixpulse::tone::sine_frequency_bound_hz(1.0, 0.1, 1000, 1000.0)?;
/// assert!((bound - 2.466e-3).abs() < 1e-6);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn sine_frequency_bound_hz(amplitude: f64, noise_rms: f64, samples: usize, sample_rate_hz: f64) -> Result<f64> {
    check_positive("amplitude", amplitude)?;
    harmonic_frequency_bound_hz(&[1], &[amplitude], noise_rms, samples, sample_rate_hz)
}

/// Cramer-Rao bound on the standard deviation of a fundamental's frequency when all its orders are used, hertz:
/// `rate / 2 pi * sqrt(24 noise_rms^2 / (n (n^2 - 1) sum of (order amplitude)^2))`.
///
/// Source: Nehorai and Porat, IEEE Trans. Acoust. Speech Signal Process. ASSP-34(5), 1986, 1124-1138.
///
/// # Errors
/// [`Error::OutOfRange`], [`Error::EmptyInput`], [`Error::LengthMismatch`] naming the parameter.
///
/// ```
/// use sixpulse::tone::{harmonic_frequency_bound_hz, sine_frequency_bound_hz};
/// let joint = harmonic_frequency_bound_hz(&[1, 2], &[1.0, 1.0], 0.1, 1000, 1000.0)?;
/// assert!((sine_frequency_bound_hz(1.0, 0.1, 1000, 1000.0)? / joint - 5.0_f64.sqrt()).abs() < 1e-12);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn harmonic_frequency_bound_hz(
    orders: &[usize],
    amplitudes: &[f64],
    noise_rms: f64,
    samples: usize,
    sample_rate_hz: f64,
) -> Result<f64> {
    check_orders(orders)?;
    if amplitudes.len() != orders.len() {
        return Err(Error::LengthMismatch {
            parameter: "amplitudes".into(),
            expected: orders.len(),
            actual: amplitudes.len(),
        });
    }
    for &amplitude in amplitudes {
        if !(amplitude.is_finite() && amplitude >= 0.0) {
            return Err(Error::out_of_range("amplitudes", "finite numbers of 0 or more", amplitude));
        }
    }
    let slope: f64 = orders.iter().zip(amplitudes).map(|(&k, a)| (k as f64 * a).powi(2)).sum();
    check_positive("amplitudes", slope)?;
    check_noise(noise_rms)?;
    check_positive("sample_rate_hz", sample_rate_hz)?;
    let n = bound_samples(samples)?;
    Ok(sample_rate_hz / TAU * noise_rms * (24.0 / (n * (n * n - 1.0) * slope)).sqrt())
}

/// Cramer-Rao bound on the standard deviation of an amplitude: `noise_rms sqrt(2 / samples)`, `samples` 2 or more; the
/// same for a sine and for each order of a harmonic signal.
///
/// # Errors
/// [`Error::OutOfRange`] naming the parameter.
///
/// ```
/// assert!((sixpulse::tone::amplitude_bound(0.1, 200)? - 0.01).abs() < 1e-15);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn amplitude_bound(noise_rms: f64, samples: usize) -> Result<f64> {
    check_noise(noise_rms)?;
    Ok(noise_rms * (2.0 / bound_samples(samples)?).sqrt())
}

fn check_noise(noise_rms: f64) -> Result<()> {
    if noise_rms.is_finite() && noise_rms >= 0.0 {
        return Ok(());
    }
    Err(Error::out_of_range("noise_rms", "a finite number of 0 or more", noise_rms))
}

fn bound_samples(samples: usize) -> Result<f64> {
    if samples < 2 {
        return Err(Error::out_of_range("samples", "2 or more", samples as f64));
    }
    Ok(samples as f64)
}

/// Highest order of a fit: each sample costs as much as the highest order, so that a fit without this limit might not end.
const HIGHEST_ORDER: usize = 100;

/// Refuses no order, orders beyond 1 to 100 and an order given twice.
fn check_orders(orders: &[usize]) -> Result<()> {
    if orders.is_empty() {
        return Err(Error::EmptyInput { parameter: "orders".into() });
    }
    for (i, &order) in orders.iter().enumerate() {
        if !(1..=HIGHEST_ORDER).contains(&order) || orders[..i].contains(&order) {
            return Err(Error::out_of_range("orders", "whole numbers of 1 to 100, none twice", order as f64));
        }
    }
    Ok(())
}

/// The fit of order 1 as that of a sine.
fn single(fit: HarmonicFit) -> Result<SineFit> {
    let first =
        |values: &[f64]| values.first().copied().ok_or_else(|| Error::EmptyInput { parameter: "orders".into() });
    Ok(SineFit {
        frequency_hz: fit.frequency_hz,
        frequency_hz_std: fit.frequency_hz_std,
        amplitude: first(&fit.amplitudes)?,
        amplitude_std: first(&fit.amplitudes_std)?,
        phase_rad: first(&fit.phases_rad)?,
        phase_rad_std: first(&fit.phases_rad_std)?,
        offset: fit.offset,
        offset_std: fit.offset_std,
        residual_rms: fit.residual_rms,
        samples: fit.samples,
    })
}

/// Frequency of the strongest line of the middle of a record, Hann-windowed and padded to twice its length; the peak is
/// taken from a parabola through the logarithms of three bins.
fn strongest_line_hz<S: Samples + ?Sized>(samples: &S, sample_rate_hz: f64) -> Result<f64> {
    let n = samples.len().min(SEARCH_SAMPLES);
    let mut x = vec![0.0; n];
    samples.read((samples.len() - n) / 2, &mut x);
    let mean = x.iter().sum::<f64>() / n as f64;
    for (i, x) in x.iter_mut().enumerate() {
        *x = (*x - mean) * (PI * (i as f64 + 0.5) / n as f64).sin().powi(2);
    }
    let size = (2 * n).next_power_of_two();
    x.resize(size, 0.0);
    let fft = RealFftPlanner::new().plan_fft_forward(size);
    let mut lines = fft.make_output_vec();
    let none = || Error::Undetermined { parameter: "samples".into(), reason: "no line above 0 Hz".into() };
    fft.process(&mut x, &mut lines).map_err(|_| none())?;
    let power: Vec<f64> = lines.iter().map(|z| z.norm_sqr()).collect();
    // Below one cycle in the record lies what is left of the level.
    let lowest = (size / n).max(1);
    let peak = (lowest..power.len()).max_by(|&a, &b| power[a].total_cmp(&power[b])).ok_or_else(none)?;
    if power[peak] <= (1e-15 * mean * n as f64).powi(2) {
        return Err(none());
    }
    let shift = match (power.get(peak - 1), power.get(peak + 1)) {
        (Some(&below), Some(&above)) if below > 0.0 && above > 0.0 => {
            let (l, c, r) = (below.ln(), power[peak].ln(), above.ln());
            if l - 2.0 * c + r < 0.0 { 0.5 * (l - r) / (l - 2.0 * c + r) } else { 0.0 }
        }
        _ => 0.0,
    };
    let line = (peak as f64 + shift.clamp(-0.5, 0.5)).min(size as f64 * 0.5 - 0.25);
    Ok(line * sample_rate_hz / size as f64)
}

/// One record, one list of orders.
struct Task<'a, S: Samples + ?Sized> {
    samples: &'a S,
    sample_rate_hz: f64,
    orders: &'a [usize],
    highest: usize,
    unknowns: Unknowns,
    /// Relative step below which it has settled.
    settled: f64,
}

/// What a fit may still cost, and when it is good enough.
struct Effort {
    walks: usize,
    settled: f64,
}

impl Effort {
    fn of_stretch(settled: f64) -> Self {
        Self { walks: STRETCH_WALK_LIMIT, settled: settled.max(STRETCH_SETTLED) }
    }
}

impl<'a, S: Samples + ?Sized> Task<'a, S> {
    fn new(samples: &'a S, sample_rate_hz: f64, orders: &'a [usize], unknowns: Unknowns) -> Result<Self> {
        check_positive("sample_rate_hz", sample_rate_hz)?;
        check_orders(orders)?;
        if samples.is_empty() {
            return Err(Error::EmptyInput { parameter: "samples".into() });
        }
        let highest = orders.iter().copied().max().unwrap_or(1);
        let task = Self { samples, sample_rate_hz, orders, highest, unknowns, settled: SETTLED };
        let (minimum, actual) = (task.unknown_count() + 1, samples.len());
        if actual < minimum {
            return Err(Error::TooShort { parameter: "samples".into(), minimum, actual });
        }
        samples.check("samples")?;
        Ok(task)
    }

    fn unknown_count(&self) -> usize {
        linear_unknowns(self.orders) + usize::from(self.unknowns == Unknowns::LinearAndTurn)
    }

    fn check_orders_below_nyquist(&self, parameter: &str, frequency_hz: f64) -> Result<()> {
        check_frequency(parameter, frequency_hz, self.sample_rate_hz)?;
        check_frequency("orders", frequency_hz * self.highest as f64, self.sample_rate_hz)
    }

    /// Samples in the first stretch of a fit that starts at `start_hz`.
    fn first_stretch(&self, start_hz: f64) -> usize {
        // Saturating: a stretch longer than any record is the whole record.
        let cycles = (START_CYCLES * self.sample_rate_hz / start_hz).ceil() as usize;
        cycles.max(4 * self.unknown_count())
    }

    /// Fits stretches about the middle, each [`GROWTH`] times the one before, up to the whole record.
    ///
    /// A short stretch that yields nothing (too noisy, or silent) leaves the frequency as it was.
    fn fit_growing(&self, start_hz: f64, stretch: usize) -> Result<HarmonicFit> {
        let n = self.samples.len();
        let (mut frequency_hz, mut length) = (start_hz, stretch);
        while length < n {
            let bin_hz = self.sample_rate_hz / length as f64;
            if let Ok(settled) = self.settle(frequency_hz, length, &mut Effort::of_stretch(self.settled)) {
                let found_hz = settled.model.turn * self.sample_rate_hz / TAU;
                if (found_hz - frequency_hz).abs() < bin_hz {
                    frequency_hz = found_hz;
                }
            }
            length = length.saturating_mul(GROWTH);
        }
        self.fit(frequency_hz)
    }

    fn fit(&self, frequency_hz: f64) -> Result<HarmonicFit> {
        let n = self.samples.len();
        let settled = self.settle(frequency_hz, n, &mut Effort { walks: WALK_LIMIT, settled: self.settled })?;
        let sums = Sums::new(n, self.highest, settled.model.turn);
        let gram = match self.unknowns {
            Unknowns::Linear => sums.gram(self.orders),
            Unknowns::LinearAndTurn => sums.gram_with_turn(self.orders, &settled.model),
        };
        Ok(self.report(&settled, &gram.factor()?, frequency_hz))
    }

    /// Least squares over `length` samples about the middle, from `start_hz`: at every turn that is tried the linear unknowns
    /// are the best ones, so that the turn alone is searched for.
    fn settle(&self, start_hz: f64, length: usize, effort: &mut Effort) -> Result<Projection> {
        let start = Model::zero(self.orders, TAU * start_hz / self.sample_rate_hz);
        let mut here = self.project(length, &start, effort)?;
        let mut before = f64::INFINITY;
        loop {
            let next = match self.unknowns {
                Unknowns::Linear => Some(self.project(length, &here.model, effort)?),
                Unknowns::LinearAndTurn => self.advance(length, &here, effort)?,
            };
            // Rounding alone stops the descent.
            let Some(next) = next else { return Ok(here) };
            let moved = moved(&here.model, &next.model, (next.cost / length as f64).sqrt());
            here = next;
            // Settled, or so near that rounding alone moves it.
            if moved < effort.settled || (moved < 1e-10 && moved > 0.5 * before) {
                return Ok(here);
            }
            before = moved;
        }
    }

    /// The best linear unknowns at a model's turn, from one walk more.
    fn project(&self, length: usize, model: &Model, effort: &mut Effort) -> Result<Projection> {
        effort.walks = effort
            .walks
            .checked_sub(1)
            .ok_or_else(|| Error::NoConvergence { parameter: "samples".into(), iterations: WALK_LIMIT })?;
        let walk = walk(self.samples, (self.samples.len() - length) / 2, length, self.orders, model);
        project(&Sums::new(length, self.highest, model.turn), self.orders, model, &walk)
    }

    /// Newton's step towards the least sum of squares, that of Gauss and Newton where the curvature is not of a minimum,
    /// shortened until it does not raise the sum of squares; `None` when no share of it does, which is where rounding stops
    /// the descent.
    fn advance(&self, length: usize, here: &Projection, effort: &mut Effort) -> Result<Option<Projection>> {
        check_waves(&here.model)?;
        let plain = here.plain_curvature.ok_or_else(|| Error::Undetermined {
            parameter: "samples".into(),
            reason: "the samples cannot tell the frequency from the other unknowns".into(),
        })?;
        let trusted = here.curvature > LEAST_CURVATURE * plain;
        let mut step = here.slope / if trusted { here.curvature } else { plain };
        for _ in 0..SHORTENED {
            let turn = here.model.turn + step;
            let mut shorter = 0.5;
            if turn > 0.0 && turn * (self.highest as f64) < PI {
                let next = self.project(length, &here.model.moved(&here.follow, -step, turn), effort)?;
                if next.cost <= here.cost * (1.0 + 1e-12) + next.rounding {
                    return Ok(Some(next));
                }
                // Least of the parabola through both sums of squares and the slope here.
                let gain = 2.0 * step * here.slope;
                shorter = (0.5 * gain / (gain + next.cost - here.cost)).clamp(0.05, 0.5);
            }
            step *= shorter;
        }
        Ok(None)
    }

    /// Amplitudes and phases at the first sample, with their uncertainties.
    fn report(&self, settled: &Projection, factor: &Factor, given_hz: f64) -> HarmonicFit {
        let (n, count) = (self.samples.len(), self.unknown_count());
        let model = &settled.model;
        let noise = (settled.cost / (n - count) as f64).sqrt();
        let unit = |at: usize| (0..count).map(|i| f64::from(i == at)).collect::<Vec<_>>();
        let std = |row: &[f64]| noise * factor.variance(row).sqrt();
        let free = self.unknowns == Unknowns::LinearAndTurn;
        let to_hz = self.sample_rate_hz / TAU;
        let mut fit = HarmonicFit {
            frequency_hz: if free { model.turn * to_hz } else { given_hz },
            frequency_hz_std: free.then(|| std(&unit(count - 1)) * to_hz),
            orders: self.orders.to_vec(),
            amplitudes: Vec::new(),
            amplitudes_std: Vec::new(),
            phases_rad: Vec::new(),
            phases_rad_std: Vec::new(),
            offset: model.offset,
            offset_std: std(&unit(0)),
            residual_rms: (settled.cost / n as f64).sqrt(),
            samples: n,
        };
        for (i, &order) in self.orders.iter().enumerate() {
            let (a, b) = (model.cosine[i], model.sine[i]);
            let amplitude = a.hypot(b);
            let advance = order as f64 * first_time(n);
            fit.amplitudes.push(amplitude);
            fit.phases_rad.push(wrap((-b).atan2(a) + advance * model.turn));
            // Directions of growing amplitude and phase; without an amplitude any direction will do.
            let (ca, sa) = if amplitude > 0.0 { (a / amplitude, b / amplitude) } else { (1.0, 0.0) };
            let (mut radial, mut around) = (vec![0.0; count], vec![0.0; count]);
            (radial[1 + 2 * i], radial[2 + 2 * i]) = (ca, sa);
            (around[1 + 2 * i], around[2 + 2 * i]) = (sa, -ca);
            if free {
                around[count - 1] = amplitude * advance;
            }
            fit.amplitudes_std.push(std(&radial));
            let nothing_known = PI / 3.0_f64.sqrt();
            let spread = if amplitude > 0.0 { std(&around) / amplitude } else { nothing_known };
            fit.phases_rad_std.push(spread.min(nothing_known));
        }
        fit
    }
}

/// Largest change between two models: of the turn by itself, of the linear unknowns by the largest of them or by the
/// residual's root mean square, for what is a 1e13th of the noise is rounding however small the waves.
fn moved(from: &Model, to: &Model, residual_rms: f64) -> f64 {
    let size = to.size().max(residual_rms).max(f64::MIN_POSITIVE);
    let pairs = from.cosine.iter().zip(&to.cosine).chain(from.sine.iter().zip(&to.sine));
    let linear = pairs.fold((from.offset - to.offset).abs(), |m, (a, b)| m.max((a - b).abs()));
    (linear / size).max((from.turn - to.turn).abs() / to.turn)
}

/// Refuses to look for the frequency of waves that are no more than the level's rounding.
fn check_waves(model: &Model) -> Result<()> {
    let largest = model.cosine.iter().chain(&model.sine).fold(0.0_f64, |m, x| m.max(x.abs()));
    if largest > 1e-13 * model.offset.abs() {
        return Ok(());
    }
    let reason = "nothing at the starting frequency and the orders given";
    Err(Error::Undetermined { parameter: "samples".into(), reason: reason.into() })
}

/// The angle between -pi and pi.
fn wrap(angle: f64) -> f64 {
    angle - TAU * (angle / TAU).round()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gaussian numbers (Lehmer generator, Box and Muller).
    fn gaussian(n: usize, mut state: u64) -> Vec<f64> {
        let mut uniform = || {
            state = state * 48_271 % 2_147_483_647;
            state as f64 / 2_147_483_647.0
        };
        (0..n).map(|_| (-2.0 * uniform().ln()).sqrt() * (TAU * uniform()).cos()).collect()
    }

    fn harmonic(n: usize, turn: f64, parts: &[(usize, f64, f64)]) -> Vec<f64> {
        let at = |i: usize| parts.iter().map(|&(k, a, p)| a * (k as f64 * turn * i as f64 + p).cos()).sum::<f64>();
        (0..n).map(|i| 14.0 + at(i)).collect()
    }

    #[test]
    fn estimators_come_close_to_the_bound() {
        // Mean square errors within 1.5 times the Cramer-Rao bound at 20 to 60 dB; the unbiased ratio scatters by
        // sqrt(2 / 400) = 7 % at 400 draws, so 1.5 leaves seven standard deviations.
        for snr_db in [20.0, 40.0, 60.0] {
            let noise = (0.5_f64 / 10.0_f64.powf(snr_db / 10.0)).sqrt();
            let (n, draws, truth) = (400, 400, 81.3);
            let (mut frequency, mut amplitude) = (0.0, 0.0);
            for draw in 0..draws {
                let clean = harmonic(n, TAU * truth / 1000.0, &[(1, 1.0, 0.01 * draw as f64)]);
                let x: Vec<f64> = clean.iter().zip(gaussian(n, 1000 + 77 * draw)).map(|(x, e)| x + noise * e).collect();
                let fit = sine_fit(x.as_slice(), 1000.0, None).unwrap();
                frequency += (fit.frequency_hz - truth).powi(2) / draws as f64;
                amplitude += (fit.amplitude - 1.0).powi(2) / draws as f64;
            }
            let frequency_bound = sine_frequency_bound_hz(1.0, noise, n, 1000.0).unwrap().powi(2);
            let amplitude_bound = amplitude_bound(noise, n).unwrap().powi(2);
            for (name, ratio) in
                [("frequency", frequency / frequency_bound), ("amplitude", amplitude / amplitude_bound)]
            {
                assert!((0.6..1.5).contains(&ratio), "{name} at {snr_db} dB: {ratio} of the bound");
            }
        }
    }

    #[test]
    fn stated_uncertainties_are_the_scatter() {
        let parts = [(1, 0.2, 0.3), (2, 0.1, -1.0), (6, 0.3, 2.0)];
        let (n, draws, truth) = (1500, 300, 41.7);
        let (mut squares, mut stated) = ([0.0; 3], [0.0; 3]);
        for draw in 0..draws {
            let clean = harmonic(n, TAU * truth / 1000.0, &parts);
            let x: Vec<f64> = clean.iter().zip(gaussian(n, 5 + 91 * draw)).map(|(x, e)| x + 0.05 * e).collect();
            let fit = harmonic_fit(x.as_slice(), 1000.0, 41.0, &[1, 2, 6]).unwrap();
            let errors = [fit.frequency_hz - truth, fit.amplitudes[1] - 0.1, wrap(fit.phases_rad[2] - 2.0)];
            let stds = [fit.frequency_hz_std.unwrap(), fit.amplitudes_std[1], fit.phases_rad_std[2]];
            for i in 0..3 {
                squares[i] += errors[i].powi(2) / draws as f64;
                stated[i] += stds[i].powi(2) / draws as f64;
            }
        }
        // Scatter of a variance ratio over 300 draws: 8 %.
        for (square, stated) in squares.iter().zip(stated) {
            assert!((0.7..1.4).contains(&(square / stated)), "{}", square / stated);
        }
    }

    #[test]
    fn exact_signals_are_recovered_from_afar() {
        // Ten thousand samples, start 1 % off: forty lines of the whole record away.
        let parts = [(1, 0.05, 0.3), (6, 0.3, 2.0), (12, 0.08, -3.0)];
        let x = harmonic(10_000, TAU * 203.1 / 50_000.0, &parts);
        let fit = harmonic_fit(x.as_slice(), 50_000.0, 205.0, &[1, 6, 12]).unwrap();
        assert!((fit.frequency_hz - 203.1).abs() < 1e-9, "{}", fit.frequency_hz);
        for (i, (_, amplitude, phase)) in parts.iter().enumerate() {
            assert!((fit.amplitudes[i] - amplitude).abs() < 1e-11);
            assert!((fit.phases_rad[i] - phase).abs() < 1e-9);
        }
        assert!(fit.residual_rms < 1e-11 && (fit.offset - 14.0).abs() < 1e-11);
    }

    #[test]
    fn a_vanished_order_has_no_phase() {
        let x = harmonic(500, TAU * 0.02, &[(1, 0.0, 0.0)]);
        let fit = harmonic_fit_known(x.as_slice(), 1000.0, 20.0, &[1]).unwrap();
        assert!(fit.amplitudes[0] < 1e-12 && fit.phases_rad_std[0] <= PI / 3.0_f64.sqrt());
        assert_eq!(sine_fit(x.as_slice(), 1000.0, None).unwrap_err().code(), "undetermined_fit");
        for level in [0.0, 1.0, 14.2] {
            assert_eq!(sine_fit([level; 64].as_slice(), 1000.0, Some(20.0)).unwrap_err().code(), "undetermined_fit");
        }
    }

    #[test]
    fn bad_input_is_refused_by_name() {
        let known = |x: &[f64], rate: f64, f: f64| sine_fit_known(x, rate, f).unwrap_err();
        assert_eq!(known(&[], 1e3, 20.0).code(), "empty_input");
        assert_eq!(known(&[1.0; 3], 1e3, 20.0), Error::TooShort { parameter: "samples".into(), minimum: 4, actual: 3 });
        assert_eq!(known(&[0.0, 1.0, 0.0, f64::NAN, 0.0], 1e3, 20.0).code(), "non_finite");
        for rate in [0.0, -1.0, f64::NAN] {
            assert_eq!(known(&[1.0; 9], rate, 20.0).parameter(), "sample_rate_hz");
        }
        assert_eq!(known(&[1.0; 9], 1e3, 0.0).code(), "out_of_range");
        assert_eq!(known(&[1.0; 9], 1e3, 500.0).code(), "above_nyquist");
        // A ten-thousandth of a period.
        let ramp: Vec<f64> = (0..100).map(f64::from).collect();
        assert_eq!(known(&ramp, 1e3, 0.001).code(), "undetermined_fit");
        let orders = |orders: &[usize], f: f64| harmonic_fit_known(ramp.as_slice(), 1e3, f, orders).unwrap_err();
        assert_eq!(orders(&[], 20.0).code(), "empty_input");
        assert_eq!((orders(&[0], 20.0).parameter(), orders(&[2, 2], 20.0).parameter()), ("orders", "orders"));
        assert_eq!((orders(&[1, 101], 0.2).code(), orders(&[1, 101], 0.2).parameter()), ("out_of_range", "orders"));
        assert!(harmonic_fit_known(ramp.as_slice(), 1e3, 4.9, &[1, 100]).is_ok());
        assert_eq!((orders(&[1, 25], 20.0).code(), orders(&[1, 25], 20.0).parameter()), ("above_nyquist", "orders"));
        assert_eq!(sine_fit(ramp.as_slice(), 1e3, Some(600.0)).unwrap_err().parameter(), "start_hz");
        assert_eq!(sine_fit([1.0, 2.0, 1.0, 0.0].as_slice(), 1e3, None).unwrap_err().code(), "too_short");
        for (bound, parameter) in [
            (sine_frequency_bound_hz(0.0, 1.0, 10, 1e3), "amplitude"),
            (sine_frequency_bound_hz(1.0, -1.0, 10, 1e3), "noise_rms"),
            (sine_frequency_bound_hz(1.0, 1.0, 1, 1e3), "samples"),
            (sine_frequency_bound_hz(1.0, 1.0, 10, 0.0), "sample_rate_hz"),
            (harmonic_frequency_bound_hz(&[1], &[], 1.0, 10, 1e3), "amplitudes"),
            (harmonic_frequency_bound_hz(&[1], &[-1.0], 1.0, 10, 1e3), "amplitudes"),
            (amplitude_bound(f64::NAN, 10), "noise_rms"),
        ] {
            assert_eq!(bound.unwrap_err().parameter(), parameter);
        }
    }
}
