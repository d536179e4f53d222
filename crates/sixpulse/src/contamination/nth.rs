//! The value at a rank, and values in order, by counting.

use crate::scratch::with_buffer;
use crate::vectors::{self, LANES, Work, higher, lower};

/// Fewer values than this are sorted about a pivot.
const FEW: usize = 64;
/// How far a guess is taken to be off, relatively: noise in two blocks of 400 bins scatters by as much.
const GUESS_OFF: f64 = 0.13;
/// Values from which the first limits are taken without a guess.
const SAMPLE: usize = 16;
/// Steps before that is done after all: equal values are not told apart by them.
const STEPS: usize = 32;

/// The value with `rank` others before it in order. `rank` lies below their number.
pub(super) fn nth(values: &[f64], rank: usize) -> f64 {
    nth_near(values, rank, None)
}

/// The same; `guess` is a value near which it may lie, where there is one.
pub(super) fn nth_near(values: &[f64], rank: usize, guess: Option<f64>) -> f64 {
    let found = if values.len() < FEW { None } else { vectors::widest(Counted { values, rank, guess }) };
    found.unwrap_or_else(|| *values.to_vec().select_nth_unstable_by(rank, f64::total_cmp).1)
}

/// Values of one sign: the interval in which the value sought must lie is narrowed by counting what lies below a limit in
/// it, until the value is its first or its last. Counting runs at the width of the vectors, ten times as fast as values are
/// moved about a pivot.
struct Counted<'a> {
    values: &'a [f64],
    rank: usize,
    guess: Option<f64>,
}

/// What is known of the place of the value sought: it is `low` or more and below `high`, so many values lie below either.
struct Interval {
    low: f64,
    high: f64,
    before: usize,
    after: usize,
}

impl Interval {
    /// Where a straight line between the ends' counts puts the value; every third time the middle in the order of the bits,
    /// which halves whatever the distribution is.
    #[inline(always)]
    fn limit(&self, step: usize, rank: usize) -> f64 {
        let part = (rank - self.before) as f64 + 0.5;
        let straight = self.low + (self.high - self.low) * part / (self.after - self.before) as f64;
        if step % 3 < 2 && straight.is_finite() {
            return straight;
        }
        let (low, high) = (self.low.to_bits(), self.high.to_bits());
        f64::from_bits(low + (high - low) / 2)
    }
}

impl Counted<'_> {
    #[inline(always)]
    fn below(&self, limit: f64) -> usize {
        self.values.iter().filter(|v| **v < limit).count()
    }

    /// Two values between which the one sought lies most often: about the guess, or neighbours of the rank in a small
    /// sample.
    #[inline(always)]
    fn about(&self) -> [f64; 2] {
        if let Some(guess) = self.guess {
            return [guess * (1.0 - GUESS_OFF), guess * (1.0 + GUESS_OFF)];
        }
        let mut sample: [f64; SAMPLE] = std::array::from_fn(|i| self.values[i * self.values.len() / SAMPLE]);
        sample.sort_unstable_by(f64::total_cmp);
        let place = self.rank * SAMPLE / self.values.len();
        [sample[place.saturating_sub(2)], sample[(place + 2).min(SAMPLE - 1)]]
    }

    /// The least value that is `limit` or more.
    #[inline(always)]
    fn least_from(&self, limit: f64) -> f64 {
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

    /// The greatest value below `limit`; none is below 0.
    #[inline(always)]
    fn most_below(&self, limit: f64) -> f64 {
        let higher = |a: f64, b: f64| if (a < limit) & (a > b) { a } else { b };
        let mut most = [0.0; LANES];
        let (sets, rest) = self.values.as_chunks::<LANES>();
        for set in sets {
            for lane in 0..LANES {
                most[lane] = higher(set[lane], most[lane]);
            }
        }
        most.iter().chain(rest).fold(0.0, |b, a| higher(*a, b))
    }

    /// Whether all values lie from 0 on and below infinity.
    #[inline(always)]
    fn all_plain(&self) -> bool {
        // Plain values have their bits below those of infinity; the sign's bit is the highest.
        let least = f64::INFINITY.to_bits();
        self.values.iter().filter(|v| v.to_bits() >= least).count() == 0
    }
}

impl Work for Counted<'_> {
    type Output = Option<f64>;

    #[inline(always)]
    fn call(self) -> Option<f64> {
        if !self.all_plain() {
            return None;
        }
        let mut at = Interval { low: 0.0, high: f64::INFINITY, before: 0, after: self.values.len() };
        let mut limits = self.about().into_iter();
        for step in 0..STEPS {
            if at.before == self.rank {
                return Some(self.least_from(at.low));
            }
            if at.after == self.rank + 1 {
                return Some(self.most_below(at.high));
            }
            let limit = limits.next().unwrap_or_else(|| at.limit(step + 1, self.rank));
            let inside = |limit: f64| limit > at.low && limit < at.high;
            let limit = if inside(limit) { limit } else { at.limit(2, self.rank) };
            if !inside(limit) {
                return None;
            }
            let count = self.below(limit);
            if count <= self.rank {
                (at.low, at.before) = (limit, count);
            } else {
                (at.high, at.after) = (limit, count);
            }
        }
        None
    }
}

/// The values that occur, each once, in order (no zero among them is negative); all of them in order where most are
/// different. Values on a converter's grid occur many times, and are told apart quicker than they are sorted.
pub(super) fn sort_distinct(values: &mut Vec<f64>) {
    if let Some(distinct) = distinct(values) {
        *values = distinct;
    }
    sort(values);
}

/// The values that occur, each once; `None` where about half of them or more are different.
fn distinct(values: &[f64]) -> Option<Vec<f64>> {
    /// What no finite value is stored as.
    const EMPTY: u64 = u64::MAX;
    /// Odd, 2^64 by the golden ratio: products with it scatter what differs in few bits over the highest.
    const SCATTER: u64 = 0x9E37_79B9_7F4A_7C15;
    /// Of the first so many values more different ones than this lie on no coarse grid: most likely all are different.
    const FIRST: usize = 256;
    const DIFFERENT: usize = 224;
    let mut first = values.get(..FIRST).unwrap_or(values).to_vec();
    sort(&mut first);
    first.dedup();
    if first.len() > DIFFERENT {
        return None;
    }
    let most = values.len() / 2;
    let length = (2 * values.len()).next_power_of_two().max(2);
    let mut places = vec![EMPTY; length];
    let mut distinct = Vec::with_capacity(most);
    for value in values {
        if distinct.len() == most {
            return None;
        }
        // A zero loses its sign.
        let bits = (value + 0.0).to_bits();
        let mut at = (bits.wrapping_mul(SCATTER) >> (u64::BITS - length.trailing_zeros())) as usize;
        while places[at] != bits && places[at] != EMPTY {
            at = (at + 1) & (length - 1);
        }
        if places[at] == EMPTY {
            places[at] = bits;
            distinct.push(value + 0.0);
        }
    }
    Some(distinct)
}

/// Sorts values; no zero among them is negative afterwards.
pub(super) fn sort(values: &mut [f64]) {
    if !sort_by_place(values) {
        sort_by_digits(values);
    }
}

/// Sorts values by where they lie between the lowest and the highest, and by neighbours from there; false, and nothing is
/// moved, where too many lie in one place for that.
fn sort_by_place(values: &mut [f64]) -> bool {
    /// Added to a number below 2^32, it leaves the nearest whole number in the last bits.
    const WHOLE: f64 = (1_u64 << 52) as f64;
    /// Values in the same place, on average over the values, at most.
    const CROWDED: usize = 8;
    let (low, high) = values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |e, v| (lower(*v, e.0), higher(*v, e.1)));
    let per_v = values.len() as f64 / (high - low);
    if values.len() < FEW || values.len() > u32::MAX as usize || !(per_v.is_finite() && per_v > 0.0) {
        return false;
    }
    let place = |v: f64| ((v - low) * per_v + WHOLE).to_bits() as u32 as usize;
    let mut begins = vec![0u32; values.len() + 2];
    for v in &*values {
        let Some(count) = begins.get_mut(place(*v)) else { return false };
        *count += 1;
    }
    let (mut next, mut together) = (0u32, 0);
    for begin in &mut begins {
        let count = std::mem::replace(begin, next);
        together += count as usize * count as usize;
        next += count;
    }
    if together > CROWDED * values.len() {
        return false;
    }
    with_buffer(values.len(), |placed| {
        for v in &*values {
            let at = &mut begins[place(*v)];
            placed[*at as usize] = *v + 0.0;
            *at += 1;
        }
        let mut highest = f64::NEG_INFINITY;
        for (i, value) in placed.iter().enumerate() {
            values[i] = *value;
            if *value >= highest {
                highest = *value;
                continue;
            }
            let mut at = i;
            while at > 0 && values[at - 1] > *value {
                values[at] = values[at - 1];
                at -= 1;
            }
            values[at] = *value;
        }
    });
    true
}

/// Sorts values digit by digit of what stands for them: only the bits in which they differ are looked at.
fn sort_by_digits(values: &mut [f64]) {
    /// Longest digit, in bits: as many places as it has values are counted.
    const LONGEST: u32 = 11;
    let mut keys: Vec<u64> = values.iter().map(|v| key(*v)).collect();
    let Some(least) = keys.iter().copied().min() else { return };
    keys.iter_mut().for_each(|key| *key -= least);
    let bits = keys.iter().fold(0, |all, key| all | key);
    let mut shift = bits.trailing_zeros().min(u64::BITS - 1);
    let width = (u64::BITS - bits.leading_zeros()).saturating_sub(shift).max(1);
    let length = width.div_ceil(width.div_ceil(LONGEST));
    let mut sorted = keys.clone();
    let mut places = [0u32; 1 << LONGEST];
    while shift < u64::BITS && bits >> shift != 0 {
        let places = &mut places[..1 << length];
        let digit = |key: u64| (key >> shift) as usize & ((1 << length) - 1);
        places.fill(0);
        keys.iter().for_each(|key| places[digit(*key)] += 1);
        let mut next = 0;
        for place in places.iter_mut() {
            next += std::mem::replace(place, next);
        }
        for key in &keys {
            let at = &mut places[digit(*key)];
            sorted[*at as usize] = *key;
            *at += 1;
        }
        std::mem::swap(&mut keys, &mut sorted);
        shift += length;
    }
    values.iter_mut().zip(keys).for_each(|(v, k)| *v = value(k + least));
}

const SIGN: u64 = 1 << 63;

/// What stands for a value: in the order of these numbers. Zeros at the end stay zeros; the zero itself has no sign then.
fn key(value: f64) -> u64 {
    if value.is_sign_negative() { value.to_bits().wrapping_neg() } else { value.to_bits() | SIGN }
}

fn value(key: u64) -> f64 {
    f64::from_bits(if key & SIGN == 0 { key.wrapping_neg() } else { key & !SIGN })
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
            prop_assert_eq!(nth(&values, rank).to_bits(), sorted[rank].to_bits());
            for guess in [0.9 * sorted[rank], 1.3 * sorted[rank], noise(), f64::NAN, f64::INFINITY] {
                prop_assert_eq!(nth_near(&values, rank, Some(guess)).to_bits(), sorted[rank].to_bits());
            }
            sort(&mut values);
            prop_assert!(values.iter().zip(&sorted).all(|(a, b)| a.to_bits() == b.to_bits()));
            let mut some = values.iter().rev().copied().collect();
            sort_distinct(&mut some);
            sorted.dedup();
            some.dedup();
            prop_assert_eq!(some, sorted);
        }
    }
}
