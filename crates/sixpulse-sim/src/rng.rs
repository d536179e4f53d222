//! Random numbers that are the same on every platform and in every version of this library.
//!
//! The generator is PCG64DXSM (`rand_pcg::Pcg64Dxsm`, the generator that NumPy calls `PCG64DXSM`); the conversions to
//! uniform and normal numbers are written out here on `libm`, so that neither a platform's mathematics library nor a
//! change of a distributions crate can move a drawn scenario. [`STREAM_VERSION`] counts changes of these rules.

use rand_core::Rng as _;
use rand_pcg::Pcg64Dxsm;

/// Version of the rules that turn a seed into numbers; recorded in every scenario.
pub const STREAM_VERSION: u32 = 1;

/// 2^-53: the spacing of the 53-bit uniform numbers.
const ULP53: f64 = 1.0 / 9_007_199_254_740_992.0;

/// Independent streams of one seed, one for each purpose, so that a longer record does not shift another draw.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stream {
    /// Parameters of a scenario.
    Draw,
    /// Irregularity of the engine's speed.
    Engine,
    /// Noise of the instrument's channel of that number.
    Channel(u32),
    /// Differences between the teeth of a speed sensor's ring.
    Teeth,
    /// Times at which an intermittent fault switches.
    Fault,
    /// What a set of exercises is made of.
    Exercise,
}

impl Stream {
    fn number(self) -> u128 {
        match self {
            Self::Draw => 1,
            Self::Engine => 2,
            Self::Teeth => 3,
            Self::Fault => 4,
            Self::Exercise => 5,
            Self::Channel(n) => 0x1000 + u128::from(n),
        }
    }
}

/// The state that a seed and a member number start from: two rounds of SplitMix64, which sets neighbouring seeds apart.
#[must_use]
pub fn initial_state(seed: u64, member: u64) -> u128 {
    (u128::from(split_mix(seed)) << 64) | u128::from(split_mix(member ^ 0x6a09_e667_f3bc_c909))
}

/// One output of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014) from the given state.
fn split_mix(state: u64) -> u64 {
    let mut z = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Uniform and normal numbers from one stream of a seed.
///
/// ```
/// use sixpulse_sim::rng::{Random, Stream};
/// let mut a = Random::new(7, 0, Stream::Draw);
/// let mut b = Random::new(7, 0, Stream::Draw);
/// assert_eq!(a.uniform(2.0, 3.0), b.uniform(2.0, 3.0));
/// assert_ne!(Random::new(7, 0, Stream::Teeth).next_u64(), Random::new(8, 0, Stream::Teeth).next_u64());
/// ```
#[derive(Debug, Clone)]
pub struct Random {
    generator: Pcg64Dxsm,
    spare: Option<f64>,
}

impl Random {
    /// Numbers of one purpose for member `member` of the family of scenarios that `seed` names.
    #[must_use]
    pub fn new(seed: u64, member: u64, stream: Stream) -> Self {
        Self { generator: Pcg64Dxsm::new(initial_state(seed, member), stream.number()), spare: None }
    }

    /// The next 64 raw bits.
    pub fn next_u64(&mut self) -> u64 {
        self.generator.next_u64()
    }

    /// A number in [0, 1): the upper 53 bits of the raw number times 2^-53.
    #[allow(clippy::cast_precision_loss, reason = "53 bits fit in an f64 exactly")]
    pub fn unit(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 * ULP53
    }

    /// Uniform between the bounds.
    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Uniform in the logarithm between the bounds, both above 0.
    pub fn log_uniform(&mut self, low: f64, high: f64) -> f64 {
        low * libm::exp(self.unit() * libm::log(high / low))
    }

    /// Normal with mean 0 and standard deviation 1 (Box and Muller, Ann. Math. Stat. 29(2):610-611, 1958).
    pub fn normal(&mut self) -> f64 {
        if let Some(x) = self.spare.take() {
            return x;
        }
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.unit()));
        let angle = std::f64::consts::TAU * self.unit();
        self.spare = Some(radius * libm::sin(angle));
        radius * libm::cos(angle)
    }

    /// True with the given probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// A whole number from 0 to `count - 1`; 0 when `count` is 0.
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "small counts"
    )]
    pub fn below(&mut self, count: usize) -> usize {
        (self.unit() * count as f64) as usize
    }

    /// One of the values, each as likely as its weight; the last one where rounding leaves none.
    pub fn weighted<T: Copy>(&mut self, table: &[(T, f64)], otherwise: T) -> T {
        let total: f64 = table.iter().map(|(_, w)| w).sum();
        let mut left = self.unit() * total;
        for &(value, weight) in table {
            left -= weight;
            if left < 0.0 {
                return value;
            }
        }
        otherwise
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NumPy 2.4.6: `g = PCG64DXSM(); g.state = {state: (s + inc) * M + inc, inc: 3}; g.random_raw(3)` with
    /// `s = initial_state(0, 0)`; the Python test repeats this for more seeds against the installed NumPy.
    #[test]
    fn the_first_raw_numbers_stay() {
        let mut random = Random::new(0, 0, Stream::Draw);
        let got: Vec<u64> = (0..3).map(|_| random.next_u64()).collect();
        assert_eq!(got, GOLDEN);
    }
    const GOLDEN: [u64; 3] = [4_248_411_865_274_731_940, 7_117_527_754_012_638_471, 15_681_799_301_601_873_197];

    #[test]
    fn split_mix_matches_its_published_sequence() {
        // First output for seed 1234567, as in the reference implementation (S. Vigna, splitmix64.c, public domain).
        assert_eq!(split_mix(1_234_567), 6_457_827_717_110_365_317);
    }

    #[test]
    fn moments_are_those_of_the_distributions() {
        let mut random = Random::new(3, 0, Stream::Draw);
        let n = 100_000;
        let x: Vec<f64> = (0..n).map(|_| random.normal()).collect();
        let mean = x.iter().sum::<f64>() / f64::from(n);
        let var = x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / f64::from(n);
        let kurtosis = x.iter().map(|v| (v - mean).powi(4)).sum::<f64>() / f64::from(n) / var.powi(2);
        // Four standard errors: sqrt(1/n), sqrt(2/n), sqrt(24/n).
        assert!(
            mean.abs() < 0.0127 && (var - 1.0).abs() < 0.018 && (kurtosis - 3.0).abs() < 0.062,
            "{mean} {var} {kurtosis}"
        );
        let u: f64 = (0..n).map(|_| random.log_uniform(1.0, 100.0).ln()).sum::<f64>() / f64::from(n);
        assert!((u - 100.0_f64.ln() / 2.0).abs() < 4.0 * 100.0_f64.ln() / (12.0 * f64::from(n)).sqrt());
    }

    #[test]
    fn weights_are_kept() {
        let mut random = Random::new(5, 1, Stream::Draw);
        let hits = (0..10_000).filter(|_| random.weighted(&[('a', 1.0), ('b', 3.0)], 'b') == 'b').count();
        assert!((7_326..=7_674).contains(&hits), "{hits}");
        assert!((0..1000).all(|_| random.below(3) < 3));
    }
}
