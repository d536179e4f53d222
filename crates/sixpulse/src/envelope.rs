//! Lowest and highest value of equal parts of a record: what a long record is drawn by, with no peak lost.
//!
//! Part `k` of `bins` holds the samples `floor(k n / bins)` to `floor((k + 1) n / bins) - 1` of `n`: every sample lies in
//! exactly one part, parts differ by one sample at most, none is empty. The extremes are the samples' own values: nothing
//! is averaged, rounded or left out, so a glitch of one sample shows however long the record.

use crate::error::{Error, Result, check_samples};
use crate::trace::{BLOCK, Samples, Trace};

/// Lowest and highest value of each part of a record.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Envelope {
    /// Index of the first sample of each part.
    pub first_sample: Vec<usize>,
    /// Lowest value of each part, in the trace's unit.
    pub minimum: Vec<f64>,
    /// Highest value of each part, in the trace's unit.
    pub maximum: Vec<f64>,
}

/// The envelope of a trace in `bins` parts, 1 to the number of samples.
///
/// # Errors
/// [`Error::OutOfRange`] for the number of parts.
///
/// ```
/// use sixpulse::{Coupling, Role, Trace, envelope};
/// let mut volts = vec![14.0; 10_000];
/// volts[7_321] = 19.5;
/// let post = Trace::from_f64(volts, 50_000.0, Coupling::Dc, Role::ChargingPost)?;
/// let found = envelope::of_trace(&post, 100)?;
/// assert_eq!(found.first_sample[73], 7_300);
/// assert_eq!((found.minimum[73], found.maximum[73]), (14.0, 19.5));
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn of_trace(trace: &Trace, bins: usize) -> Result<Envelope> {
    of_samples(trace, bins)
}

/// As [`of_trace`], of plain values.
///
/// # Errors
/// [`Error::EmptyInput`], [`Error::NonFinite`] for the values; [`Error::OutOfRange`] for the number of parts.
///
/// ```
/// let found = sixpulse::envelope::of_values(&[3.0, 1.0, 2.0, 5.0, 4.0], 2)?;
/// assert_eq!(found.first_sample, [0, 2]);
/// assert_eq!((found.minimum, found.maximum), (vec![1.0, 2.0], vec![3.0, 5.0]));
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn of_values(values: &[f64], bins: usize) -> Result<Envelope> {
    check_samples("samples", values)?;
    of_samples(values, bins)
}

fn of_samples<S: Samples + ?Sized>(samples: &S, bins: usize) -> Result<Envelope> {
    let n = samples.len();
    if !(1..=n).contains(&bins) {
        return Err(Error::out_of_range("bins", &format!("1 to the number of samples ({n})"), bins as f64));
    }
    let first_sample: Vec<usize> = (0..bins).map(|k| first(k, n, bins)).collect();
    let ends = first_sample.iter().skip(1).copied().chain([n]);
    let (minimum, maximum) = first_sample.iter().zip(ends).map(|(&start, end)| extremes(samples, start, end)).unzip();
    Ok(Envelope { first_sample, minimum, maximum })
}

/// `floor(k n / bins)`, without the overflow of `k n` where `usize` has 32 bits.
fn first(k: usize, n: usize, bins: usize) -> usize {
    (k as u128 * n as u128 / bins as u128) as usize
}

/// Extremes of the samples `start .. end`.
fn extremes<S: Samples + ?Sized>(samples: &S, start: usize, end: usize) -> (f64, f64) {
    let mut buffer = [0.0; BLOCK];
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for from in (start..end).step_by(BLOCK) {
        let block = &mut buffer[..BLOCK.min(end - from)];
        samples.read(from, block);
        let (l, h) = block_extremes(block);
        (low, high) = (lower(low, l), higher(high, h));
    }
    (low, high)
}

/// Independent comparisons that the processor can make side by side; the order does not matter to an extreme.
const LANES: usize = 16;

fn block_extremes(block: &[f64]) -> (f64, f64) {
    let (mut low, mut high) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let (whole, rest) = block.as_chunks::<LANES>();
    for chunk in whole {
        for ((l, h), &x) in low.iter_mut().zip(&mut high).zip(chunk) {
            (*l, *h) = (lower(*l, x), higher(*h, x));
        }
    }
    let all = |lanes: [f64; LANES], pick: fn(f64, f64) -> f64| lanes.iter().chain(rest).copied().reduce(pick);
    (all(low, lower).unwrap_or(f64::INFINITY), all(high, higher).unwrap_or(f64::NEG_INFINITY))
}

// `f64::min` treats NaN apart, which costs the vector instructions; samples are finite.
fn lower(a: f64, b: f64) -> f64 {
    if b < a { b } else { a }
}
fn higher(a: f64, b: f64) -> f64 {
    if b > a { b } else { a }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "tests state expectations by unwrapping")]
    use super::*;
    use crate::{Coupling, RawSamples, Role};
    use proptest::prelude::*;

    /// The definition, sample by sample.
    fn by_definition(values: &[f64], bins: usize) -> Vec<(usize, f64, f64)> {
        let mut parts: Vec<(usize, f64, f64)> = Vec::new();
        for k in 0..bins {
            let inside = |i: &usize| (k * values.len()..(k + 1) * values.len()).contains(&(i * bins + bins - 1));
            let indices: Vec<usize> = (0..values.len()).filter(inside).collect();
            let own = || indices.iter().map(|&i| values[i]);
            parts.push((indices[0], own().fold(f64::INFINITY, f64::min), own().fold(f64::NEG_INFINITY, f64::max)));
        }
        parts
    }

    fn parts(found: &Envelope) -> Vec<(usize, f64, f64)> {
        let pairs = found.minimum.iter().zip(&found.maximum);
        found.first_sample.iter().zip(pairs).map(|(&i, (&low, &high))| (i, low, high)).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig {
            cases: 60, rng_seed: proptest::test_runner::RngSeed::Fixed(8), ..ProptestConfig::default()
        })]

        #[test]
        fn equals_the_definition(values in prop::collection::vec(-30.0..30.0_f64, 1..400), share in 0.0..1.0_f64) {
            let bins = 1 + (share * (values.len() - 1) as f64) as usize;
            prop_assert_eq!(parts(&of_values(&values, bins).unwrap()), by_definition(&values, bins));
        }

        /// One sample beyond all others shows in its own part, at its own value, wherever it lies.
        #[test]
        fn no_extreme_is_lost(n in 1_usize..30_000, bins in 1_usize..3_000, at in 0.0..1.0_f64, size in 5.0..9.0_f64) {
            let bins = bins.min(n);
            let index = (at * (n - 1) as f64) as usize;
            for peak in [size, -size] {
                let mut values: Vec<f64> = (0..n).map(|i| (i as f64 * 0.7).sin()).collect();
                values[index] = peak;
                let found = of_values(&values, bins).unwrap();
                let part = found.first_sample.partition_point(|&first| first <= index) - 1;
                let side = if peak > 0.0 { &found.maximum } else { &found.minimum };
                prop_assert_eq!(side[part], peak);
                prop_assert_eq!(side.iter().filter(|v| v.abs() >= 5.0).count(), 1);
            }
        }

        /// Counts with a scale of either sign, and `f32`: the extremes are those of the values.
        #[test]
        fn every_form_of_samples(counts in prop::collection::vec(any::<i16>(), 1..5_000), scale in prop_oneof![
            -0.01..-0.0001_f64, 0.0001..0.01_f64
        ]) {
            let floats = counts.iter().map(|&c| f32::from(c) * 0.001).collect();
            let bins = counts.len().div_ceil(7);
            for raw in [RawSamples::I16 { counts, scale, offset: 2.0 }, RawSamples::F32(floats)] {
                let trace = Trace::new(raw, 1e4, Coupling::Dc, Role::Other).unwrap();
                let found = of_trace(&trace, bins).unwrap();
                prop_assert_eq!(parts(&found), by_definition(&trace.to_f64(), bins));
            }
        }
    }

    #[test]
    fn refusals() {
        assert_eq!(of_values(&[], 1).unwrap_err().code(), "empty_input");
        assert_eq!(of_values(&[0.0, f64::NAN], 1).unwrap_err().code(), "non_finite");
        for bins in [0, 4] {
            assert_eq!(of_values(&[0.0; 3], bins).unwrap_err().code(), "out_of_range");
        }
    }
}
