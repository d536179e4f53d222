//! AC coupling: the first-order high-pass of an instrument's input, causal as the front end does it and zero-phase.
//!
//! The filter is the first-order Butterworth high-pass under the bilinear transform with its corner kept in place:
//! with `c = tan(pi corner / rate)`, `H(z) = (1 - z^-1) / ((1 + c) - (1 - c) z^-1)`. At frequency `f` its amplitude is
//! `1 / sqrt(1 + (c / tan(pi f / rate))^2)`, which is [`attenuation`] for frequencies far below half the sample rate.
//! Zero-phase means once forward and once backward: no delay, and the amplitude ratio squared.

use crate::error::{Error, Result, check_frequency, check_positive, check_samples};
use crate::trace::{Samples, Trace, words};
use crate::vectors::{Work, widest};
use std::f64::consts::{PI, TAU};

/// How a record is AC-coupled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum CouplingMethod {
    /// Once forward, as a front end does it: it delays and distorts what lies near the corner.
    Causal,
    /// Forward and backward: no delay; the amplitude ratio of the causal filter squared.
    ZeroPhase,
}

words!(CouplingMethod, "method", "causal" => CouplingMethod::Causal, "zero_phase" => CouplingMethod::ZeroPhase);

/// Amplitude ratio (0 to 1) of a first-order high-pass: `1 / sqrt(1 + (corner_hz / frequency_hz)^2)`.
///
/// The zero-phase method applies it twice.
///
/// # Errors
/// [`Error::OutOfRange`] unless both are finite and above 0.
///
/// ```
/// // A component at seven corners loses one per cent.
/// let a = sixpulse::coupling::attenuation(70.0, 10.0)?;
/// assert!((1.0 - a - 0.010).abs() < 5e-4);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn attenuation(frequency_hz: f64, corner_hz: f64) -> Result<f64> {
    check_positive("frequency_hz", frequency_hz)?;
    check_positive("corner_hz", corner_hz)?;
    Ok(1.0 / 1.0_f64.hypot(corner_hz / frequency_hz))
}

/// Phase lead (0 to pi/2 rad) of a first-order high-pass: `atan(corner_hz / frequency_hz)`.
///
/// # Errors
/// [`Error::OutOfRange`] unless both are finite and above 0.
///
/// ```
/// let lead = sixpulse::coupling::phase_lead_rad(10.0, 10.0)?;
/// assert!((lead - std::f64::consts::FRAC_PI_4).abs() < 1e-15);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn phase_lead_rad(frequency_hz: f64, corner_hz: f64) -> Result<f64> {
    check_positive("frequency_hz", frequency_hz)?;
    check_positive("corner_hz", corner_hz)?;
    Ok((corner_hz / frequency_hz).atan())
}

/// Part (0 to 1) of a flat top that is lost by the end of half a period: `1 - exp(-pi corner_hz / frequency_hz)`.
///
/// # Errors
/// [`Error::OutOfRange`] unless both are finite and above 0.
///
/// ```
/// // Even a hundred corners up, a square wave sags by three per cent.
/// let droop = sixpulse::coupling::half_period_droop(1000.0, 10.0)?;
/// assert!((droop - 0.031).abs() < 5e-4);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn half_period_droop(frequency_hz: f64, corner_hz: f64) -> Result<f64> {
    check_positive("frequency_hz", frequency_hz)?;
    check_positive("corner_hz", corner_hz)?;
    Ok(-(-PI * corner_hz / frequency_hz).exp_m1())
}

/// Seconds until `remaining` (above 0, below 1) of a step is left: `-ln(remaining) / (2 pi corner_hz)`.
///
/// # Errors
/// [`Error::OutOfRange`] naming the parameter.
///
/// ```
/// let to_one_percent = sixpulse::coupling::settling_s(1.0, 0.01)?;
/// assert!((to_one_percent - 0.733).abs() < 5e-4);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn settling_s(corner_hz: f64, remaining: f64) -> Result<f64> {
    check_positive("corner_hz", corner_hz)?;
    if !(remaining > 0.0 && remaining < 1.0) {
        return Err(Error::out_of_range("remaining", "a number above 0 and below 1", remaining));
    }
    Ok(-remaining.ln() / (TAU * corner_hz))
}

/// The section's numbers. With `u` the low-pass before the sample: `y = scale (x - u)`, then `u <- pole u + step x`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Section {
    pole: f64,
    step: f64,
    scale: f64,
}

impl Section {
    fn new(sample_rate_hz: f64, corner_hz: f64) -> Result<Self> {
        check_positive("sample_rate_hz", sample_rate_hz)?;
        check_frequency("corner_hz", corner_hz, sample_rate_hz)?;
        let c = (PI * corner_hz / sample_rate_hz).tan();
        // Beyond the range of doubles the pole is 1 to the last digit, or no number.
        if !(c >= f64::MIN_POSITIVE && c.is_finite()) {
            return Err(Error::out_of_range(
                "corner_hz",
                "a corner that the sample rate is not 1e307 times as high as",
                corner_hz,
            ));
        }
        Ok(Self { pole: (1.0 - c) / (1.0 + c), step: 2.0 * c / (1.0 + c), scale: 1.0 / (1.0 + c) })
    }

    /// `ln |pole|`, accurate for poles near 1.
    fn ln_pole(self) -> f64 {
        if self.pole > 0.0 { (-self.step).ln_1p() } else { self.pole.abs().ln() }
    }
}

/// The pole of the zero-phase low-pass that the high-pass leaves: its weights fall as the pole to the power of the distance.
pub(crate) fn zero_phase_pole(sample_rate_hz: f64, corner_hz: f64) -> Result<f64> {
    Ok(Section::new(sample_rate_hz, corner_hz)?.pole)
}

/// The causal high-pass for samples that arrive in blocks. It allocates nothing.
///
/// ```
/// let mut high_pass = sixpulse::coupling::HighPass::new(1000.0, 5.0)?;
/// high_pass.settle(14.2)?;
/// let mut block = [14.2, 14.2, 15.2];
/// high_pass.process(&mut block)?;
/// assert_eq!(block[..2], [0.0, 0.0]);
/// assert!((block[2] - 0.9845).abs() < 1e-4);
/// # Ok::<(), sixpulse::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct HighPass {
    section: Section,
    last_in: f64,
    last_out: f64,
}

impl HighPass {
    /// A high-pass at rest: its input has been 0 for ever. `corner_hz` lies below half of `sample_rate_hz`.
    ///
    /// # Errors
    /// [`Error::OutOfRange`], [`Error::AboveNyquist`] naming the parameter.
    pub fn new(sample_rate_hz: f64, corner_hz: f64) -> Result<Self> {
        Ok(Self { section: Section::new(sample_rate_hz, corner_hz)?, last_in: 0.0, last_out: 0.0 })
    }

    /// Settles it as if its input had been at `level` for ever, whatever came before.
    ///
    /// # Errors
    /// [`Error::NonFinite`].
    pub fn settle(&mut self, level: f64) -> Result<()> {
        check_samples("level", &[level])?;
        self.last_in = level;
        self.last_out = 0.0;
        Ok(())
    }

    /// Replaces the next samples by their high-passed values. An empty block is no error.
    ///
    /// # Errors
    /// [`Error::NonFinite`]; then neither the block nor the filter has changed.
    pub fn process(&mut self, block: &mut [f64]) -> Result<()> {
        if let Some(index) = block.iter().position(|x| !x.is_finite()) {
            return Err(Error::NonFinite { parameter: "block".into(), index });
        }
        let Section { pole, scale, .. } = self.section;
        for x in block {
            let input = *x;
            self.last_out = pole * self.last_out + scale * (input - self.last_in);
            self.last_in = input;
            *x = self.last_out;
        }
        Ok(())
    }
}

/// Removes the level and what lies below `corner_hz` (above 0, below half of `sample_rate_hz`), in the samples' unit.
///
/// - Causal: starts settled on the first sample, as `scipy.signal.lfilter` with `zi = lfilter_zi * x[0]`.
/// - Zero-phase: the record is taken as continued for ever by reflection about its first and last sample, which is
///   `scipy.signal.sosfiltfilt` with `padtype="even"` and any `padlen` long enough to settle: 4 `sample_rate_hz /
///   corner_hz` samples leave 1e-11 of a step (corners up to a quarter of the rate). A record shorter than that is
///   reflected again and again.
///
/// Both agree with SciPy to 1e-9 of the largest output.
///
/// # Errors
/// [`Error::EmptyInput`], [`Error::NonFinite`], [`Error::TooShort`] (one sample) for the samples;
/// [`Error::OutOfRange`] for a sample beyond [`crate::trace::LARGEST_VALUE`]; the same and [`Error::AboveNyquist`] for the
/// frequencies.
///
/// ```
/// use sixpulse::coupling::{CouplingMethod, ac_couple};
/// let steady = vec![14.2; 500];
/// let coupled = ac_couple(&steady, 50_000.0, 5.0, CouplingMethod::ZeroPhase)?;
/// assert!(coupled.iter().all(|y| y.abs() < 1e-12));
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn ac_couple(samples: &[f64], sample_rate_hz: f64, corner_hz: f64, method: CouplingMethod) -> Result<Vec<f64>> {
    check_samples("samples", samples)?;
    samples.check("samples")?;
    match method {
        CouplingMethod::Causal => {
            let mut high_pass = HighPass::new(sample_rate_hz, corner_hz)?;
            check_two(samples.len())?;
            let mut out = samples.to_vec();
            high_pass.settle(out[0])?;
            high_pass.process(&mut out)?;
            Ok(out)
        }
        CouplingMethod::ZeroPhase => {
            let states = States::new(samples, Section::new(sample_rate_hz, corner_hz)?)?;
            let mut out = vec![0.0; samples.len()];
            states.read(samples, 0, &mut out);
            Ok(out)
        }
    }
}

/// One sample has a level and nothing else.
fn check_two(len: usize) -> Result<()> {
    if len < 2 {
        return Err(Error::TooShort { parameter: "samples".into(), minimum: 2, actual: len });
    }
    Ok(())
}

/// A trace seen through the zero-phase high-pass: the values of [`ac_couple`], computed where they are read.
///
/// The record is neither copied nor widened: the filter's two states are kept every 256 samples (0.0625 bytes a
/// sample), and a read runs the filter from the nearest ones. The values do not depend on how they are read, and equal
/// those of [`ac_couple`], ends included. A trace that was AC-coupled in the instrument is treated the same way; its
/// components then pass through both filters.
///
/// ```
/// use sixpulse::coupling::AcView;
/// use sixpulse::{Coupling, Role, Samples, Trace};
/// let post = Trace::from_f64(vec![14.2; 1000], 50_000.0, Coupling::Dc, Role::ChargingPost)?;
/// let view = AcView::new(&post, 5.0)?;
/// let mut volts = [1.0; 3];
/// view.read(500, &mut volts);
/// assert!(volts.iter().all(|y| y.abs() < 1e-12));
/// # Ok::<(), sixpulse::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct AcView<'a> {
    trace: &'a Trace,
    corner_hz: f64,
    states: States,
}

impl<'a> AcView<'a> {
    /// Walks the trace once. `corner_hz` lies above 0 and below half the sample rate.
    ///
    /// # Errors
    /// [`Error::OutOfRange`], [`Error::AboveNyquist`] for the corner; [`Error::TooShort`] for a single sample.
    pub fn new(trace: &'a Trace, corner_hz: f64) -> Result<Self> {
        let states = States::new(trace, Section::new(trace.sample_rate_hz(), corner_hz)?)?;
        Ok(Self { trace, corner_hz, states })
    }

    /// The trace behind it.
    #[must_use]
    pub fn trace(&self) -> &'a Trace {
        self.trace
    }
    /// Corner of the high-pass, in hertz.
    #[must_use]
    pub fn corner_hz(&self) -> f64 {
        self.corner_hz
    }
    /// Samples per second.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.trace.sample_rate_hz()
    }
    /// Length of the record in seconds: number of samples / sample rate.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        self.trace.duration_s()
    }
}

impl Samples for AcView<'_> {
    fn len(&self) -> usize {
        self.trace.len()
    }
    fn read(&self, start: usize, out: &mut [f64]) {
        self.states.read(self.trace, start, out);
    }
    fn check(&self, _parameter: &str) -> Result<()> {
        Ok(())
    }
}

/// Samples between two kept states.
const SPAN: usize = 256;
/// Spans filtered side by side: eight independent recurrences hide the latency of each, and fill a block.
const LANES: usize = 8;
/// Powers of the pole below this add nothing to a sum of finite samples in `f64`.
const NEGLIGIBLE: f64 = 1e-18;

/// States of the forward and of the backward pass at every span's ends, for samples less the first one.
///
/// The level is taken off first so that rounding scales with the ripple and a steady record gives exact zeros.
#[derive(Debug, Clone)]
struct States {
    section: Section,
    level: f64,
    /// Forward low-pass before the first sample of each span.
    forward: Vec<f64>,
    /// Backward low-pass (of the forward output) after the last sample of each span.
    backward: Vec<f64>,
}

impl States {
    fn new<S: Samples + ?Sized>(samples: &S, section: Section) -> Result<Self> {
        check_two(samples.len())?;
        let mut level = [0.0];
        samples.read(0, &mut level);
        let mut states = Self { section, level: level[0], forward: Vec::new(), backward: Vec::new() };
        let weights = SpanWeights::new(section);
        let end = states.walk_forward(samples, &weights);
        states.walk_backward(samples, end, &weights);
        Ok(states)
    }

    /// Fills `forward`, and `backward` with what each whole span adds to the backward state; returns the last state.
    fn walk_forward<S: Samples + ?Sized>(&mut self, samples: &S, weights: &SpanWeights) -> f64 {
        let n = samples.len();
        let mut low = self.before_first(samples, weights);
        let mut block = [0.0; SPAN];
        for start in (0..n).step_by(SPAN) {
            self.forward.push(low);
            let whole = n - start >= SPAN;
            let x = &mut block[..SPAN.min(n - start)];
            self.fetch(samples, start, x);
            if whole {
                let (forward, backward) = widest(Weighted { weights, x: &block });
                self.backward.push(backward - weights.backward_low * low);
                low = weights.decay * low + forward;
            } else {
                low = self.forward_pass(low, x);
            }
        }
        low
    }

    /// Turns `backward` into the state after each span, from the last span to the first.
    fn walk_backward<S: Samples + ?Sized>(&mut self, samples: &S, end: f64, weights: &SpanWeights) {
        let mut low = self.after_last(samples, end, weights);
        let spans = self.backward.len();
        if let Some(&before) = self.forward.get(spans) {
            let mut tail = vec![0.0; samples.len() - spans * SPAN];
            self.fetch(samples, spans * SPAN, &mut tail);
            self.forward_pass(before, &mut tail);
            self.backward.push(low);
            low = self.backward_pass(low, &mut tail);
        }
        let decay = self.section.pole.powi(SPAN as i32);
        for state in self.backward[..spans].iter_mut().rev() {
            let added = std::mem::replace(state, low);
            low = decay * low + added;
        }
    }

    /// Reads samples less the level.
    fn fetch<S: Samples + ?Sized>(&self, samples: &S, start: usize, out: &mut [f64]) {
        samples.read(start, out);
        for x in out {
            *x -= self.level;
        }
    }

    /// Forward high-pass in place, from the low-pass state before `x`; returns the state after it.
    fn forward_pass(&self, mut low: f64, x: &mut [f64]) -> f64 {
        let Section { pole, step, scale } = self.section;
        for x in x {
            let input = *x;
            *x = scale * (input - low);
            low = pole * low + step * input;
        }
        low
    }

    /// Backward high-pass in place, from the low-pass state after `y`; returns the state before it.
    fn backward_pass(&self, mut low: f64, y: &mut [f64]) -> f64 {
        let Section { pole, step, scale } = self.section;
        for y in y.iter_mut().rev() {
            let input = *y;
            *y = scale * (input - low);
            low = pole * low + step * input;
        }
        low
    }

    /// Samples of the reflected record that matter before its first sample, and `1 - pole^period` by which a sum over
    /// one period of the reflection grows to the sum over all.
    fn reach(&self, n: usize) -> (usize, f64) {
        let period = 2 * n - 2;
        let settled = NEGLIGIBLE.ln() / self.section.ln_pole();
        if (period as f64) <= settled {
            return (period, -(period as f64 * self.section.ln_pole()).exp_m1());
        }
        // Fewer than `period`, so the conversion is exact enough and in range; an exact 0 of the pole gives 0 here.
        ((settled.ceil() as usize).saturating_add(1).min(period), 1.0)
    }

    /// Forward state before the first sample: the low-pass of the reflection, from far to near.
    fn before_first<S: Samples + ?Sized>(&self, samples: &S, weights: &SpanWeights) -> f64 {
        let n = samples.len();
        let (reach, growth) = self.reach(n);
        let Section { pole, step, .. } = self.section;
        let mut low = 0.0;
        let mut add = |x: &[f64]| match x.try_into() {
            Ok(x) => low = weights.decay * low + widest(Weighted { weights, x }).0,
            Err(_) => x.iter().for_each(|x| low = pole * low + step * x),
        };
        if reach > n - 1 {
            self.ascend(samples, 2 * n - 2 - reach, n - 1, &mut add);
        }
        self.descend(samples, 1, reach.min(n - 1) + 1, &mut add);
        low / growth
    }

    /// Backward state after the last sample: the low-pass, from near to far, of the forward output on the reflection.
    fn after_last<S: Samples + ?Sized>(&self, samples: &S, end: f64, weights: &SpanWeights) -> f64 {
        let n = samples.len();
        let (reach, growth) = self.reach(n);
        let Section { pole, step, scale } = self.section;
        let (mut forward, mut weight, mut low) = (end, 1.0, 0.0);
        let mut add = |x: &[f64]| match x.try_into() {
            Ok(x) => {
                let (on_forward, on_backward) = widest(Weighted { weights, x });
                low += weight * (on_backward - weights.backward_low * forward);
                forward = weights.decay * forward + on_forward;
                weight *= weights.decay;
            }
            Err(_) => x.iter().for_each(|x| {
                low += weight * step * scale * (x - forward);
                forward = pole * forward + step * x;
                weight *= pole;
            }),
        };
        let near = reach.min(n - 1);
        self.descend(samples, n - 1 - near, n - 1, &mut add);
        if reach > n - 1 {
            self.ascend(samples, 1, reach - (n - 1) + 1, &mut add);
        }
        low / growth
    }

    /// Visits samples `from .. to`, less the level, in order, a span at a time; the last may be shorter.
    fn ascend<S: Samples + ?Sized>(&self, samples: &S, from: usize, to: usize, visit: &mut impl FnMut(&[f64])) {
        let mut block = [0.0; SPAN];
        for start in (from..to).step_by(SPAN) {
            let x = &mut block[..SPAN.min(to - start)];
            self.fetch(samples, start, x);
            visit(x);
        }
    }

    /// Visits samples `from .. to`, less the level, in reverse order, a span at a time; the last may be shorter.
    fn descend<S: Samples + ?Sized>(&self, samples: &S, from: usize, to: usize, visit: &mut impl FnMut(&[f64])) {
        let mut block = [0.0; SPAN];
        let mut end = to;
        while end > from {
            let start = end.saturating_sub(SPAN).max(from);
            let x = &mut block[..end - start];
            self.fetch(samples, start, x);
            x.reverse();
            visit(x);
            end = start;
        }
    }

    /// Writes outputs `start .. start + out.len()`.
    fn read<S: Samples + ?Sized>(&self, samples: &S, start: usize, out: &mut [f64]) {
        let n = samples.len();
        let end = start + out.len();
        let mut at = start;
        let mut scratch = [0.0; SPAN];
        while at < end {
            let span = at / SPAN;
            let first = span * SPAN;
            let rest = &mut out[at - start..];
            if at == first && rest.len() >= LANES * SPAN {
                let lanes = &mut rest[..LANES * SPAN];
                self.fetch(samples, first, lanes);
                self.filter_lanes(span, lanes);
                at += LANES * SPAN;
                continue;
            }
            let x = &mut scratch[..SPAN.min(n - first)];
            self.fetch(samples, first, x);
            self.forward_pass(self.forward[span], x);
            self.backward_pass(self.backward[span], x);
            let stop = end.min(first + x.len());
            rest[..stop - at].copy_from_slice(&x[at - first..stop - first]);
            at = stop;
        }
    }

    /// Filters [`LANES`] whole spans in place, side by side.
    fn filter_lanes(&self, span: usize, x: &mut [f64]) {
        let Section { pole, step, scale } = self.section;
        let mut low: [f64; LANES] = std::array::from_fn(|lane| self.forward[span + lane]);
        for i in 0..SPAN {
            for (lane, low) in low.iter_mut().enumerate() {
                let x = &mut x[lane * SPAN + i];
                let input = *x;
                *x = scale * (input - *low);
                *low = pole * *low + step * input;
            }
        }
        low = std::array::from_fn(|lane| self.backward[span + lane]);
        for i in (0..SPAN).rev() {
            for (lane, low) in low.iter_mut().enumerate() {
                let x = &mut x[lane * SPAN + i];
                let input = *x;
                *x = scale * (input - *low);
                *low = pole * *low + step * input;
            }
        }
    }
}

/// What one whole span adds to the states, as sums over its samples: no recurrence, so a walk runs at memory speed.
struct SpanWeights {
    /// Of the forward state: `step pole^(SPAN - 1 - j)`.
    forward: [f64; SPAN],
    /// Of the backward state: the forward output's weights `step pole^i`, summed over the path from sample j.
    backward: [f64; SPAN],
    /// How much the forward state before the span takes off the backward one.
    backward_low: f64,
    /// `pole^SPAN`.
    decay: f64,
}

impl SpanWeights {
    fn new(section: Section) -> Self {
        let Section { pole, step, scale } = section;
        // By squares and what was there before: the same products as `powi`, to the last bit.
        let mut powers = [1.0; 2 * SPAN + 1];
        let (mut square, mut top) = (pole, 1);
        while top < powers.len() {
            for n in top..powers.len().min(2 * top) {
                powers[n] = powers[n - top] * square;
            }
            (square, top) = (square * square, 2 * top);
        }
        let power = |n: usize| powers[n];
        // sum over i > j of step pole^(i) pole^(i - 1 - j) = pole^(j + 1) (1 - pole^(2 (SPAN - 1 - j))) / (1 + pole)
        let path = |j: usize| power(j + 1) * (1.0 - power(2 * (SPAN - 1 - j))) / (1.0 + pole);
        Self {
            forward: std::array::from_fn(|j| step * power(SPAN - 1 - j)),
            backward: std::array::from_fn(|j| scale * step * (power(j) - path(j))),
            backward_low: scale * (1.0 - power(2 * SPAN)) / (1.0 + pole),
            decay: power(SPAN),
        }
    }
}

/// Inner products of a span with both of its weights: of the forward and of the backward state.
struct Weighted<'a> {
    weights: &'a SpanWeights,
    x: &'a [f64; SPAN],
}

impl<'a> Work for Weighted<'a> {
    type Output = (f64, f64);
    #[inline(always)]
    fn call(self) -> (f64, f64) {
        let chunks = |of: &'a [f64; SPAN]| of.as_chunks::<8>().0;
        let (mut forward, mut backward) = ([0.0; 8], [0.0; 8]);
        let weights = chunks(&self.weights.forward).iter().zip(chunks(&self.weights.backward));
        for (x, (f, b)) in chunks(self.x).iter().zip(weights) {
            for lane in 0..8 {
                forward[lane] += f[lane] * x[lane];
                backward[lane] += b[lane] * x[lane];
            }
        }
        (forward.iter().sum(), backward.iter().sum())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Coupling, Role};

    /// Deterministic numbers in -1..1 (Lehmer generator), enough to exercise a filter.
    fn noise(n: usize) -> Vec<f64> {
        let mut state = 12_345_u64;
        (0..n)
            .map(|_| {
                state = state * 48_271 % 2_147_483_647;
                state as f64 / 1_073_741_823.5 - 1.0
            })
            .collect()
    }

    /// The definition: reflect until everything has settled, filter forward, filter backward.
    fn naive(x: &[f64], rate: f64, corner: f64) -> Vec<f64> {
        let pad = (7.0 * rate / corner).ceil() as usize + 700;
        let period = 2 * x.len() - 2;
        let mut y: Vec<f64> = (0..2 * pad + x.len())
            .map(|i| {
                let at = (i + period * (pad / period + 1) - pad) % period;
                x[at.min(period - at)]
            })
            .collect();
        for _ in 0..2 {
            let mut high_pass = HighPass::new(rate, corner).unwrap();
            high_pass.settle(y[0]).unwrap();
            high_pass.process(&mut y).unwrap();
            y.reverse();
        }
        y[pad..pad + x.len()].to_vec()
    }

    #[test]
    fn zero_phase_equals_its_definition() {
        // 1e-12 of the largest sample: both sides accumulate rounding over one settling time only.
        for (n, corner) in [
            (2, 1.0),
            (3, 300.0),
            (7, 20.0),
            (100, 1.0),
            (255, 5.0),
            (256, 5.0),
            (257, 5.0),
            (3000, 2.0),
            (3000, 490.0),
        ] {
            let x: Vec<f64> = noise(n).iter().map(|x| 14.2 + x).collect();
            let y = ac_couple(&x, 1000.0, corner, CouplingMethod::ZeroPhase).unwrap();
            for (i, (y, z)) in y.iter().zip(naive(&x, 1000.0, corner)).enumerate() {
                assert!((y - z).abs() < 1e-12, "n {n}, corner {corner}, sample {i}: {y} against {z}");
            }
        }
    }

    #[test]
    fn a_quarter_of_the_rate_has_its_pole_at_zero() {
        let x = noise(40);
        let y = ac_couple(&x, 1000.0, 250.0, CouplingMethod::ZeroPhase).unwrap();
        for (y, z) in y.iter().zip(naive(&x, 1000.0, 250.0)) {
            assert!((y - z).abs() < 1e-12);
        }
    }

    #[test]
    fn a_view_reads_the_same_values_in_any_pieces() {
        let x: Vec<f64> = noise(5000).iter().map(|x| 14.2 + x).collect();
        let whole = ac_couple(&x, 20_000.0, 5.0, CouplingMethod::ZeroPhase).unwrap();
        let trace = Trace::from_f64(x, 20_000.0, Coupling::Dc, Role::ChargingPost).unwrap();
        let view = AcView::new(&trace, 5.0).unwrap();
        assert_eq!(
            (view.corner_hz(), view.sample_rate_hz(), view.duration_s(), view.len()),
            (5.0, 20_000.0, 0.25, 5000)
        );
        for (start, len) in [(0, 5000), (0, 1), (255, 2), (256, 1024), (100, 3000), (4999, 1), (1024, 2048)] {
            let mut piece = vec![0.0; len];
            view.read(start, &mut piece);
            assert_eq!(piece, whole[start..start + len], "from {start}, {len} samples");
        }
    }

    #[test]
    fn a_steady_record_gives_exact_zeros() {
        for method in [CouplingMethod::Causal, CouplingMethod::ZeroPhase] {
            let y = ac_couple(&[14.2; 700], 1e6, 1.0, method).unwrap();
            assert!(y.iter().all(|&y| y == 0.0));
        }
    }

    #[test]
    fn front_end_figures_of_a_first_order_high_pass() {
        // Closed forms, tabulated in REFERENCE-VALUES A5; the tolerances are half a unit of the last digit given there.
        let near = |a: f64, b: f64, tolerance: f64| assert!((a - b).abs() < tolerance, "{a} against {b}");
        near(1.0 - attenuation(7.0, 1.0).unwrap(), 0.010, 5e-4);
        near(1.0 - attenuation(22.3, 1.0).unwrap(), 0.001, 5e-5);
        near(phase_lead_rad(11.4, 1.0).unwrap().to_degrees(), 5.0, 0.05);
        near(phase_lead_rad(57.3, 1.0).unwrap().to_degrees(), 1.0, 0.005);
        near(half_period_droop(10.0, 1.0).unwrap(), 0.27, 5e-3);
        near(half_period_droop(30.0, 1.0).unwrap(), 0.099, 5e-4);
        near(half_period_droop(100.0, 1.0).unwrap(), 0.031, 5e-4);
        near(settling_s(1.0, 0.01).unwrap(), 0.73, 5e-3);
        near(settling_s(1.0, 0.001).unwrap(), 1.10, 5e-3);
    }

    #[test]
    fn bad_input_is_refused_by_name() {
        let code = |r: Result<Vec<f64>>| r.unwrap_err();
        for method in [CouplingMethod::Causal, CouplingMethod::ZeroPhase] {
            let try_it = |x: &[f64], rate: f64, corner: f64| code(ac_couple(x, rate, corner, method));
            assert_eq!(try_it(&[], 1e3, 1.0).code(), "empty_input");
            assert_eq!(try_it(&[1.0], 1e3, 1.0).code(), "too_short");
            assert_eq!(try_it(&[1.0, f64::NAN], 1e3, 1.0).code(), "non_finite");
            for rate in [0.0, -1.0, f64::NAN, f64::INFINITY] {
                assert_eq!(try_it(&[1.0, 2.0], rate, 1.0).parameter(), "sample_rate_hz");
            }
            for corner in [0.0, -1.0, f64::NAN] {
                assert_eq!(try_it(&[1.0, 2.0], 1e3, corner).code(), "out_of_range");
            }
            assert_eq!(try_it(&[1.0, 2.0], 1e3, 500.0).code(), "above_nyquist");
        }
        assert_eq!(attenuation(0.0, 1.0).unwrap_err().parameter(), "frequency_hz");
        assert_eq!(phase_lead_rad(1.0, -1.0).unwrap_err().parameter(), "corner_hz");
        assert_eq!(half_period_droop(f64::NAN, 1.0).unwrap_err().parameter(), "frequency_hz");
        for remaining in [0.0, 1.0, f64::NAN] {
            assert_eq!(settling_s(1.0, remaining).unwrap_err().parameter(), "remaining");
        }
        assert_eq!("both".parse::<CouplingMethod>().unwrap_err().code(), "unknown_name");
    }

    #[test]
    fn a_refused_block_leaves_the_stream_unchanged() {
        let mut high_pass = HighPass::new(1e3, 5.0).unwrap();
        high_pass.settle(1.0).unwrap();
        let before = high_pass.clone();
        let mut block = [2.0, f64::INFINITY];
        assert_eq!(high_pass.process(&mut block).unwrap_err().code(), "non_finite");
        assert_eq!((high_pass, block[0]), (before, 2.0));
    }
}
