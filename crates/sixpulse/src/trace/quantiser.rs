//! The converter's step, found in the samples.

use super::{BLOCK, RawSamples, Samples};

/// Blocks read to find the step: 64 x 2048 samples spread over the record show every level that occurs often.
const STEP_BLOCKS: usize = 64;
/// More levels than this and the trace does not look quantised (a 12-bit converter has 4096).
const MOST_LEVELS: usize = 4096;

/// The levels that occur in a trace that looks quantised.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Quantiser {
    /// Smallest difference between two of them, in the trace's unit.
    pub(crate) step: f64,
    /// Number of levels that occur.
    pub(crate) levels: usize,
}

impl Quantiser {
    /// Counts: the step is the greatest common divisor of the counts' differences times the scale. Values: the smallest
    /// spacing of the values that occur, when they are at most 4096 and on average occur twice; decimal rounding in a
    /// text file leaves it. `None` where the samples do not look quantised, or do not move.
    pub(super) fn of(samples: &RawSamples) -> Option<Self> {
        match samples {
            RawSamples::I16 { counts, scale, .. } => Self::of_counts(counts, scale.abs()),
            RawSamples::F32(values) => Self::of_values(&values[..]),
            RawSamples::F64(values) => Self::of_values(&values[..]),
        }
    }

    fn of_counts(counts: &[i16], scale: f64) -> Option<Self> {
        // One bit for each of the 65536 counts.
        let mut occurs = [0u64; 1024];
        for &c in counts {
            let code = c.cast_unsigned();
            if let Some(word) = occurs.get_mut(usize::from(code >> 6)) {
                *word |= 1 << (code & 63);
            }
        }
        // Differences of neighbours in this order are those of the counts, but for a wrap that 2^16 divides anyway.
        let (mut divisor, mut levels, mut previous) = (0, 0, None);
        for (word, first) in occurs.iter().zip((0u32..).step_by(64)) {
            let mut rest = *word;
            while rest != 0 {
                let code = first + rest.trailing_zeros();
                rest &= rest - 1;
                levels += 1;
                divisor = gcd(divisor, previous.map_or(0, |p| i32_of(code).abs_diff(i32_of(p))));
                previous = Some(code);
            }
        }
        (divisor > 0).then(|| Self { step: f64::from(divisor) * scale, levels })
    }

    fn of_values<S: Samples + ?Sized>(samples: &S) -> Option<Self> {
        let levels = levels_of(samples)?;
        let mut sorted = levels.iter();
        let mut previous = *sorted.next()?;
        let mut step = f64::INFINITY;
        for &x in sorted {
            // Two spellings of one level differ by rounding: single precision keeps 24 bits.
            let rounding = 4.0 * f64::from(f32::EPSILON) * x.abs().max(previous.abs());
            if x - previous > rounding {
                step = step.min(x - previous);
            }
            previous = x;
        }
        step.is_finite().then_some(Self { step, levels: levels.len() })
    }
}

/// The count that a bit pattern stands for.
fn i32_of(code: u32) -> i32 {
    let code = code.cast_signed();
    if code < 0x8000 { code } else { code - 0x1_0000 }
}

fn gcd(mut a: u32, mut b: u32) -> u32 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// The values that occur in up to 64 blocks spread over the record, in order; `None` where they are too many for a
/// quantiser.
fn levels_of<S: Samples + ?Sized>(samples: &S) -> Option<Vec<f64>> {
    let blocks = samples.len().div_ceil(BLOCK);
    let mut levels = Levels::new();
    let mut buffer = [0.0; BLOCK];
    let mut seen = 0;
    for block in (0..blocks).step_by(blocks.div_ceil(STEP_BLOCKS)) {
        let start = block * BLOCK;
        let n = BLOCK.min(samples.len() - start);
        samples.read(start, &mut buffer[..n]);
        seen += n;
        let mut last = f64::NAN;
        for &x in &buffer[..n] {
            #[allow(clippy::float_cmp, reason = "levels of a quantiser are equal exactly")]
            if x != last {
                levels.insert(x);
                last = x;
            }
        }
        if levels.count > MOST_LEVELS {
            return None;
        }
    }
    (levels.count * 2 <= seen).then(|| levels.sorted())
}

/// A set of finite values, as bits; both zeros are one.
struct Levels {
    slots: Vec<u64>,
    count: usize,
}

impl Levels {
    /// Logarithm of the number of slots: room for [`MOST_LEVELS`] and a block's besides, with as many to spare.
    const BITS: u32 = 14;
    /// The bits of no finite value.
    const EMPTY: u64 = u64::MAX;

    fn new() -> Self {
        Self { slots: vec![Self::EMPTY; 1 << Self::BITS], count: 0 }
    }

    fn insert(&mut self, value: f64) {
        let bits = (value + 0.0).to_bits();
        // Multiplication by 2^64 over the golden ratio spreads values that differ in few bits (Knuth, vol. 3, 6.4).
        let mut at = (bits.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> (64 - Self::BITS)) as usize;
        while let Some(slot) = self.slots.get_mut(at) {
            if *slot == bits {
                return;
            }
            if *slot == Self::EMPTY {
                *slot = bits;
                self.count += 1;
                return;
            }
            at = (at + 1) & ((1 << Self::BITS) - 1);
        }
    }

    fn sorted(&self) -> Vec<f64> {
        let occurring = self.slots.iter().filter(|&&bits| bits != Self::EMPTY);
        let mut values: Vec<f64> = occurring.map(|&bits| f64::from_bits(bits)).collect();
        values.sort_unstable_by(f64::total_cmp);
        values
    }
}
