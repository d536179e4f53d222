//! The newest samples of one channel, in the form in which they came.

use super::settings::{Channel, SampleFormat};
use crate::error::{Error, Result};
use crate::trace::{LARGEST_VALUE, RawSamples};

/// Samples that arrive together on one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Chunk<'a> {
    /// Values in the channel's unit.
    F64(&'a [f64]),
    /// Values in the channel's unit.
    F32(&'a [f32]),
    /// Counts; the channel's format says what one count is.
    I16(&'a [i16]),
}

impl<'a> From<&'a [f64]> for Chunk<'a> {
    fn from(samples: &'a [f64]) -> Self {
        Self::F64(samples)
    }
}
impl<'a> From<&'a [f32]> for Chunk<'a> {
    fn from(samples: &'a [f32]) -> Self {
        Self::F32(samples)
    }
}
impl<'a> From<&'a [i16]> for Chunk<'a> {
    fn from(samples: &'a [i16]) -> Self {
        Self::I16(samples)
    }
}

impl Chunk<'_> {
    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> usize {
        match self {
            Self::F64(v) => v.len(),
            Self::F32(v) => v.len(),
            Self::I16(v) => v.len(),
        }
    }
    /// True when there is no sample.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Refuses what a channel of that format does not take, and the first sample that is no number or beyond any probe.
    pub(super) fn check(&self, channel: &Channel) -> Result<()> {
        let fits = match (self, channel.format) {
            (Self::F64(v), SampleFormat::F64) => return check_values(channel, v, |&x| x),
            (Self::F32(v), SampleFormat::F64 | SampleFormat::F32) => {
                return check_values(channel, v, |&x| f64::from(x));
            }
            (Self::I16(_), SampleFormat::Counts { .. }) => return Ok(()),
            (_, SampleFormat::F64) => "values (f64 or f32)",
            (_, SampleFormat::F32) => "values (f32)",
            (_, SampleFormat::Counts { .. }) => "counts (i16)",
        };
        let reason = format!("the channel was set up for {fits}");
        Err(Error::InvalidCombination { parameter: parameter(channel), reason })
    }
}

fn parameter(channel: &Channel) -> String {
    format!("chunks[\"{}\"]", channel.name)
}

fn check_values<T>(channel: &Channel, values: &[T], value: impl Fn(&T) -> f64) -> Result<()> {
    // A NaN compares false as well. Without a branch, so that the pass runs in vectors.
    let good = |x: &T| value(x).abs() <= LARGEST_VALUE;
    if values.iter().fold(true, |all, x| all & good(x)) {
        return Ok(());
    }
    match values.iter().enumerate().find(|(_, x)| !good(x)) {
        Some((_, x)) if value(x).is_finite() => {
            Err(Error::out_of_range(&parameter(channel), "values within 1e9 in magnitude", value(x)))
        }
        Some((index, _)) => Err(Error::NonFinite { parameter: parameter(channel), index }),
        None => Ok(()),
    }
}

/// A ring of whole blocks; a block never wraps round its end.
#[derive(Debug, Clone)]
pub(super) enum Ring {
    F64(Vec<f64>),
    F32(Vec<f32>),
    Counts { counts: Vec<i16>, scale: f64, offset: f64 },
}

impl Ring {
    pub(super) fn new(format: SampleFormat, len: usize) -> Self {
        match format {
            SampleFormat::F64 => Self::F64(vec![0.0; len]),
            SampleFormat::F32 => Self::F32(vec![0.0; len]),
            SampleFormat::Counts { scale, offset } => Self::Counts { counts: vec![0; len], scale, offset },
        }
    }

    /// Bytes that the samples take.
    pub(super) fn bytes(&self) -> usize {
        match self {
            Self::F64(v) => size_of_val(v.as_slice()),
            Self::F32(v) => size_of_val(v.as_slice()),
            Self::Counts { counts, .. } => size_of_val(counts.as_slice()),
        }
    }

    /// Copies samples `from .. from + n` of a checked chunk to place `at`.
    pub(super) fn write(&mut self, at: usize, chunk: &Chunk<'_>, from: usize, n: usize) {
        match (self, chunk) {
            (Self::F64(ring), Chunk::F64(v)) => ring[at..at + n].copy_from_slice(&v[from..from + n]),
            (Self::F32(ring), Chunk::F32(v)) => ring[at..at + n].copy_from_slice(&v[from..from + n]),
            (Self::Counts { counts, .. }, Chunk::I16(v)) => counts[at..at + n].copy_from_slice(&v[from..from + n]),
            (Self::F64(ring), Chunk::F32(v)) => {
                for (y, &x) in ring[at..at + n].iter_mut().zip(&v[from..from + n]) {
                    *y = f64::from(x);
                }
            }
            // Refused by `Chunk::check`.
            _ => {}
        }
    }

    /// Values from place `at` on.
    pub(super) fn read(&self, at: usize, out: &mut [f64]) {
        let range = at..at + out.len();
        match self {
            Self::F64(ring) => out.copy_from_slice(&ring[range]),
            Self::F32(ring) => {
                for (y, &x) in out.iter_mut().zip(&ring[range]) {
                    *y = f64::from(x);
                }
            }
            Self::Counts { counts, scale, offset } => {
                for (y, &c) in out.iter_mut().zip(&counts[range]) {
                    *y = f64::from(c) * scale + offset;
                }
            }
        }
    }

    /// A copy of `len` samples that begin at place `at` and may run round the end.
    pub(super) fn copy(&self, at: usize, len: usize) -> RawSamples {
        match self {
            Self::F64(ring) => RawSamples::F64(unrolled(ring, at, len)),
            Self::F32(ring) => RawSamples::F32(unrolled(ring, at, len)),
            Self::Counts { counts, scale, offset } => {
                RawSamples::I16 { counts: unrolled(counts, at, len), scale: *scale, offset: *offset }
            }
        }
    }

    /// Values at which the converter of a channel without a known range is at its end.
    pub(super) fn rails(&self) -> Option<(f64, f64)> {
        let Self::Counts { scale, offset, .. } = self else { return None };
        let end = |count: i16| f64::from(count) * scale + offset;
        let (a, b) = (end(i16::MIN), end(i16::MAX));
        Some((a.min(b), a.max(b)))
    }
}

fn unrolled<T: Copy>(ring: &[T], at: usize, len: usize) -> Vec<T> {
    let first = len.min(ring.len() - at);
    let mut out = Vec::with_capacity(len);
    out.extend_from_slice(&ring[at..at + first]);
    out.extend_from_slice(&ring[..len - first]);
    out
}
