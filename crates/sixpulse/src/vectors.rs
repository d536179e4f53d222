//! Work compiled once more for the vectors that the processor at hand has, chosen while running.
//!
//! A default build may assume no more than the oldest processor of its architecture. Loops that are handed to [`widest`]
//! exist a second time with wider vectors, and the processor is asked which to take. No sum is reordered and no
//! multiplication joined to an addition by it: the values are the same to the last bit on every path.

/// Work that can be done so: what it needs, and `call`, which like all that it calls is marked `#[inline(always)]`, for
/// what is not inlined stays as narrow as the build. (A closure or a function's name would not be inlined for certain.)
pub(crate) use pulp::NullaryFnOnce as Work;
use std::f64::consts::FRAC_PI_2;

/// Does the work with the widest vectors at hand.
#[inline]
pub(crate) fn widest<W: Work>(work: W) -> W::Output {
    pulp::Arch::new().dispatch(work)
}

/// Values taken side by side in sums and extremes, so that one operation does not wait for another.
pub(crate) const LANES: usize = 8;

/// Sum and sum of squares of `x - level`.
pub(crate) struct SumsAbout<'a> {
    pub(crate) samples: &'a [f64],
    pub(crate) level: f64,
}

impl Work for SumsAbout<'_> {
    type Output = (f64, f64);
    #[inline(always)]
    fn call(self) -> (f64, f64) {
        let Self { samples, level } = self;
        let (mut sum, mut squares) = ([0.0; LANES], [0.0; LANES]);
        let (chunks, rest) = samples.as_chunks::<LANES>();
        // One after the other: of both in one loop the compiler makes pairs, not lanes.
        for chunk in chunks {
            for lane in 0..LANES {
                sum[lane] += chunk[lane] - level;
            }
        }
        for chunk in chunks {
            for lane in 0..LANES {
                let d = chunk[lane] - level;
                squares[lane] += d * d;
            }
        }
        let (mut last, mut last_squares) = (0.0, 0.0);
        for &x in rest {
            let d = x - level;
            last += d;
            last_squares += d * d;
        }
        (sum.iter().sum::<f64>() + last, squares.iter().sum::<f64>() + last_squares)
    }
}

/// The lower of two; the second where the first is no number. One instruction, unlike `min`. A part of a [`Work`].
#[inline(always)]
pub(crate) fn lower<T: PartialOrd>(a: T, b: T) -> T {
    if a < b { a } else { b }
}

/// The higher of two, likewise.
#[inline(always)]
pub(crate) fn higher<T: PartialOrd>(a: T, b: T) -> T {
    if a > b { a } else { b }
}

/// The highest of the values; minus infinity of none. A part of a [`Work`].
#[inline(always)]
pub(crate) fn highest(values: &[f64]) -> f64 {
    let mut high = [f64::NEG_INFINITY; LANES];
    let (sets, rest) = values.as_chunks::<LANES>();
    for set in sets {
        for lane in 0..LANES {
            high[lane] = higher(set[lane], high[lane]);
        }
    }
    high.iter().chain(rest).fold(f64::NEG_INFINITY, |most, v| higher(*v, most))
}

/// Lowest and highest value, lane by lane and then in pairs; infinite where there is none. A part of a [`Work`].
#[inline(always)]
pub(crate) fn extremes(values: &[f32]) -> (f32, f32) {
    let (mut low, mut high) = ([f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES]);
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            low[lane] = lower(chunk[lane], low[lane]);
        }
        for lane in 0..LANES {
            high[lane] = higher(chunk[lane], high[lane]);
        }
    }
    for half in [4, 2, 1] {
        for lane in 0..half {
            low[lane] = lower(low[lane + half], low[lane]);
            high[lane] = higher(high[lane + half], high[lane]);
        }
    }
    rest.iter().fold((low[0], high[0]), |e, v| (lower(*v, e.0), higher(*v, e.1)))
}

/// Cosine and sine of an angle in cycles, by their series about the nearest quarter (to 2e-16). A part of a [`Work`].
#[inline(always)]
pub(crate) fn cosine_and_sine(cycles: f64) -> (f64, f64) {
    const SIN: [f64; 8] = series(1.0);
    const COS: [f64; 9] = series(0.0);
    let quarters = (4.0 * cycles).round_ties_even();
    let x = FRAC_PI_2 * (4.0 * cycles - quarters);
    let y = x * x;
    let sum = |terms: &[f64]| terms.iter().rev().fold(0.0, |sum, term| sum * y + term);
    let (sin, cos) = (x * sum(&SIN), sum(&COS));
    // A whole quarter turns (cos, sin) into (-sin, cos).
    let quarter = quarters - 4.0 * (0.25 * quarters).floor();
    let odd = quarter == 1.0 || quarter == 3.0;
    let (c, s) = if odd { (sin, cos) } else { (cos, sin) };
    let negative_cos = quarter == 1.0 || quarter == 2.0;
    (if negative_cos { -c } else { c }, if quarter >= 2.0 { -s } else { s })
}

/// `1`, `-1 / ((p + 1) (p + 2))` and so on: the series in `x^2` of the cosine for `p` = 0, of the sine by `x` for `p` = 1.
const fn series<const N: usize>(power: f64) -> [f64; N] {
    let mut terms = [1.0; N];
    let (mut i, mut p) = (1, power);
    while i < N {
        terms[i] = -terms[i - 1] / ((p + 1.0) * (p + 2.0));
        p += 2.0;
        i += 1;
    }
    terms
}

#[cfg(test)]
mod tests {
    use super::{Work, cosine_and_sine, widest};

    #[test]
    fn cosine_and_sine_are_those_of_the_mathematics_library() {
        for i in -4000..4000 {
            let cycles = f64::from(i) * 0.003_087;
            let (cos, sin) = cosine_and_sine(cycles);
            let (expected_sin, expected_cos) = (std::f64::consts::TAU * cycles).sin_cos();
            // The library's argument in radians is itself rounded, as 2 pi is: by 1.1e-16 and 0.4e-16 of it at most.
            let rounded = 4e-16 + 2e-16 * std::f64::consts::TAU * cycles.abs();
            assert!((cos - expected_cos).abs() < rounded && (sin - expected_sin).abs() < rounded, "{cycles}");
        }
    }

    struct Sums<'a>(&'a [f32]);
    impl Work for Sums<'_> {
        type Output = [f32; 16];
        #[inline(always)]
        fn call(self) -> [f32; 16] {
            let mut lanes = [0.0f32; 16];
            for chunk in self.0.chunks_exact(16) {
                lanes.iter_mut().zip(chunk).for_each(|(sum, x)| *sum += x * x + 0.1);
            }
            lanes
        }
    }

    #[test]
    fn the_values_are_the_same_to_the_last_bit() {
        let x: Vec<f32> = (0..1000).map(|i| (f64::from(i) * 0.37).sin() as f32).collect();
        assert_eq!(widest(Sums(&x)).map(f32::to_bits), Sums(&x).call().map(f32::to_bits));
    }
}
