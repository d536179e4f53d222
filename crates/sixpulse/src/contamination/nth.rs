//! The value at a rank, and values in order, by counting.

use crate::vectors::{self, Work};

/// Fewer values than this are sorted about a pivot.
const FEW: usize = 64;
/// Values from which the first limits are taken.
const SAMPLE: usize = 16;
/// Halvings before that is done after all: equal values are not told apart by them.
const HALVINGS: usize = 32;

/// The value with `rank` others before it in order; the values may be reordered. `rank` lies below their number.
pub(super) fn nth(values: &mut [f64], rank: usize) -> f64 {
    let found = if values.len() < FEW { None } else { vectors::widest(Counted { values, rank }) };
    found.unwrap_or_else(|| *values.select_nth_unstable_by(rank, f64::total_cmp).1)
}

/// Values of one sign lie in the order of their bits: the interval in which the value sought must lie is halved by
/// counting what lies below its middle, until it holds that one alone. Counting runs at the width of the vectors, ten
/// times as fast as values are moved about a pivot.
struct Counted<'a> {
    values: &'a [f64],
    rank: usize,
}

impl Counted<'_> {
    #[inline(always)]
    fn below(&self, limit: f64) -> usize {
        self.values.iter().filter(|v| **v < limit).count()
    }

    /// Two values between which the one sought lies most often: neighbours of the rank in a small sample.
    #[inline(always)]
    fn about(&self) -> [f64; 2] {
        let mut sample: [f64; SAMPLE] = std::array::from_fn(|i| self.values[i * self.values.len() / SAMPLE]);
        sample.sort_unstable_by(f64::total_cmp);
        let place = self.rank * SAMPLE / self.values.len();
        [sample[place.saturating_sub(2)], sample[(place + 2).min(SAMPLE - 1)]]
    }

    /// The least value that is `limit` or more.
    #[inline(always)]
    fn least_from(&self, limit: f64) -> f64 {
        const LANES: usize = 8;
        let lower = |a: f64, b: f64| if (a >= limit) & (a < b) { a } else { b };
        let mut least = [f64::INFINITY; LANES];
        let (sets, rest) = self.values.as_chunks::<LANES>();
        for set in sets {
            for lane in 0..LANES {
                least[lane] = lower(set[lane], least[lane]);
            }
        }
        least.iter().chain(rest).fold(f64::INFINITY, |b, a| lower(*a, b))
    }
}

impl Work for Counted<'_> {
    type Output = Option<f64>;

    #[inline(always)]
    fn call(self) -> Option<f64> {
        // From 0 to infinity; what is negative or no number leaves the count of the whole short.
        let (mut low, mut high) = (0.0_f64.to_bits(), f64::INFINITY.to_bits());
        let (mut before, mut after) = (self.below(0.0), self.below(f64::INFINITY));
        if before > 0 || after < self.values.len() {
            return None;
        }
        let mut limits = self.about().into_iter();
        for _ in 0..HALVINGS {
            let middle = match limits.next() {
                Some(limit) => limit.to_bits().clamp(low, high),
                None => low + (high - low) / 2,
            };
            let count = self.below(f64::from_bits(middle));
            if count <= self.rank {
                (low, before) = (middle, count);
            } else {
                (high, after) = (middle, count);
            }
            if after - before == 1 {
                return Some(self.least_from(f64::from_bits(low)));
            }
        }
        None
    }
}

/// Sorts values as [`f64::total_cmp`] has them, byte by byte of what stands for them: a digit that all share costs a look.
pub(super) fn sort(values: &mut [f64]) {
    const SIGN: u64 = 1 << 63;
    let place = |v: &f64| if v.is_sign_negative() { !v.to_bits() } else { v.to_bits() | SIGN };
    let mut keys: Vec<u64> = values.iter().map(place).collect();
    let mut sorted = vec![0; keys.len()];
    let digit = |key: u64, byte: usize| (key >> (8 * byte)) as usize & 0xff;
    let mut counts = [[0usize; 256]; 8];
    for key in &keys {
        counts.iter_mut().enumerate().for_each(|(byte, counts)| counts[digit(*key, byte)] += 1);
    }
    for (byte, counts) in counts.iter_mut().enumerate() {
        if counts.contains(&keys.len()) {
            continue;
        }
        let mut next = 0;
        for count in counts.iter_mut() {
            next += std::mem::replace(count, next);
        }
        for key in &keys {
            let at = &mut counts[digit(*key, byte)];
            sorted[*at] = *key;
            *at += 1;
        }
        std::mem::swap(&mut keys, &mut sorted);
    }
    let value = |key: u64| f64::from_bits(if key & SIGN == 0 { !key } else { key & !SIGN });
    values.iter_mut().zip(keys).for_each(|(v, key)| *v = value(key));
}

/// `q`-quantile of values, each with a weight; 0 for none.
pub(super) fn weighted_quantile(values: &[(f64, f64)], q: f64) -> f64 {
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { cases: 300, rng_seed: proptest::test_runner::RngSeed::Fixed(5), ..Default::default() })]
        #[test]
        fn both_are_what_sorting_gives(
            length in 1usize..2000, share in 0.0..1.0f64, kind in 0usize..4, decades in 0.1..30.0f64
        ) {
            let mut noise = crate::contamination::tests::noise(length as u64);
            let value = |v: f64| match kind {
                // As powers of noise with lines in it; on a grid; with zeros; of both signs.
                0 => (decades * v).exp(),
                1 => (20.0 * v).abs().round(),
                2 => v.max(0.0),
                _ => v,
            };
            let mut values: Vec<f64> = (0..length).map(|_| value(noise())).collect();
            let mut sorted = values.clone();
            sorted.sort_unstable_by(f64::total_cmp);
            let rank = ((length as f64 * share) as usize).min(length - 1);
            prop_assert_eq!(nth(&mut values, rank).to_bits(), sorted[rank].to_bits());
            sort(&mut values);
            prop_assert!(values.iter().zip(&sorted).all(|(a, b)| a.to_bits() == b.to_bits()));
        }
    }
}
