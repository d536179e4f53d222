//! The fitted model: two small networks with tanh layers, averaged over an ensemble.
//!
//! One scores every hypothesis on the cycle for the six patterns that show on a cycle, the other scores the record for
//! "no ripple" and "not a rectifier's ripple". The coefficients come from `notebooks/train_rectifier.py`, fitted on
//! simulated captures only; [`TRAINING_RECORD`] says on how many, with which scores on captures held out.

use super::coefficients::MODEL;
use super::coefficients_12::MODEL as MODEL_12;
use crate::vectors::{Work, widest};

/// How the six-pulse model was trained and what it scored on captures it was not fitted on (JSON).
pub const TRAINING_RECORD: &str = include_str!("training_record.json");
/// The same of the model for machines with twelve pulses.
pub const TRAINING_RECORD_12: &str = include_str!("training_record_12.json");

/// Scaled figures beyond this are held there: the networks saw none.
const FARTHEST: f64 = 6.0;

/// Coefficients of one model.
pub(super) struct Model {
    /// Digest of the coefficients.
    pub(super) version: &'static str,
    /// Divides the scores; fitted for calibration.
    pub(super) temperature: f64,
    /// Networks in the ensemble.
    pub(super) members: usize,
    /// Widths of the pair network's layers.
    pub(super) pair_widths: &'static [usize],
    /// Widths of the record network's layers.
    pub(super) record_widths: &'static [usize],
    /// Mean of each figure of a hypothesis.
    pub(super) pair_mean: &'static [f64],
    /// Standard deviation of each figure of a hypothesis.
    pub(super) pair_scale: &'static [f64],
    /// Mean of each figure of a record.
    pub(super) record_mean: &'static [f64],
    /// Standard deviation of each figure of a record.
    pub(super) record_scale: &'static [f64],
    /// Median figures of healthy captures.
    pub(super) healthy: &'static [f64],
    /// Member by member, layer by layer: weights (input by output), then biases.
    pub(super) pair_weights: &'static [f64],
    /// The same of the record network.
    pub(super) record_weights: &'static [f64],
}

/// The model for a machine of six or twelve pulses.
pub(super) fn model(pulse_number: u32) -> &'static Model {
    if pulse_number == 12 { &MODEL_12 } else { &MODEL }
}

impl Model {
    /// Scores of a hypothesis for the six patterns on a cycle.
    pub(super) fn pair_scores(&self, figures: &[f64]) -> [f64; 6] {
        let input = scaled(figures, self.pair_mean, self.pair_scale);
        self.averaged(&input, self.pair_widths, self.pair_weights)
    }

    /// Scores of a record: not charging, undetermined.
    pub(super) fn record_scores(&self, figures: &[f64]) -> [f64; 2] {
        let input = scaled(figures, self.record_mean, self.record_scale);
        self.averaged(&input, self.record_widths, self.record_weights)
    }

    /// A hypothesis of which some figures are to be changed at a time.
    pub(super) fn changeable(&self, figures: &[f64]) -> Changeable<'_> {
        let input = scaled(figures, self.pair_mean, self.pair_scale);
        let sums =
            self.members(self.pair_weights).map(|weights| first_sums(&input, self.pair_widths, weights)).collect();
        Changeable { model: self, input, sums }
    }

    /// The weights of each network of an ensemble.
    fn members<'a>(&self, weights: &'a [f64]) -> impl Iterator<Item = &'a [f64]> + use<'a> {
        weights.chunks_exact(weights.len() / self.members)
    }

    fn averaged<const N: usize>(&self, input: &[f64], widths: &[usize], weights: &[f64]) -> [f64; N] {
        self.mean(self.members(weights).map(|member| forward(input, widths, member)))
    }

    /// Mean of the members' scores, by the temperature.
    fn mean<const N: usize>(&self, scores: impl Iterator<Item = Vec<f64>>) -> [f64; N] {
        let mut total = [0.0; N];
        for scores in scores {
            for (t, s) in total.iter_mut().zip(scores) {
                *t += s / (self.members as f64 * self.temperature);
            }
        }
        total
    }
}

/// See [`Model::changeable`]: what the first layer sums up is known, so only what a change adds to it is summed up anew.
pub(super) struct Changeable<'a> {
    model: &'a Model,
    input: Vec<f64>,
    /// Of each member.
    sums: Vec<Vec<f64>>,
}

impl Changeable<'_> {
    /// Scores with the figures of some numbers taken from `others`, which gives all of them.
    pub(super) fn scores_with(&self, figures: &[usize], others: &[f64]) -> [f64; 6] {
        let Self { model, input, sums } = self;
        let others = scaled(others, model.pair_mean, model.pair_scale);
        let changes: Vec<(usize, f64)> = figures.iter().map(|&i| (i, others[i] - input[i])).collect();
        let widths = model.pair_widths;
        model.mean(model.members(model.pair_weights).zip(sums).map(|(weights, sums)| {
            let (first, rest) = weights.split_at((widths[0] + 1) * widths[1]);
            let mut sums = sums.clone();
            widest(Changed { changes: &changes, matrix: first, y: &mut sums });
            from_sums(sums, &widths[1..], rest)
        }))
    }
}

fn scaled(figures: &[f64], mean: &[f64], scale: &[f64]) -> Vec<f64> {
    figures.iter().zip(mean).zip(scale).map(|((x, m), s)| ((x - m) / s).clamp(-FARTHEST, FARTHEST)).collect()
}

/// Adds the weighted inputs to each output of a layer, which begins as its bias.
struct Layer<'a> {
    x: &'a [f64],
    matrix: &'a [f64],
    y: &'a mut [f64],
}

impl Work for Layer<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { x, matrix, y } = self;
        let width = y.len();
        // Four inputs in one go over the outputs, each output's terms in their order.
        let (sets, rest) = x.as_chunks::<4>();
        for (values, rows) in sets.iter().zip(matrix.chunks_exact(4 * width)) {
            let (first, others) = rows.split_at(2 * width);
            let ((a, b), (c, d)) = (first.split_at(width), others.split_at(width));
            for ((((y, a), b), c), d) in y.iter_mut().zip(a).zip(b).zip(c).zip(d) {
                *y = (((*y + values[0] * a) + values[1] * b) + values[2] * c) + values[3] * d;
            }
        }
        for (value, row) in rest.iter().zip(matrix[4 * sets.len() * width..].chunks_exact(width)) {
            for (y, w) in y.iter_mut().zip(row) {
                *y += value * w;
            }
        }
    }
}

/// Adds what changes of some inputs, given by their numbers, add to each output of a layer.
struct Changed<'a> {
    changes: &'a [(usize, f64)],
    matrix: &'a [f64],
    y: &'a mut [f64],
}

impl Work for Changed<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        let Self { changes, matrix, y } = self;
        let width = y.len();
        for (input, change) in changes {
            for (y, w) in y.iter_mut().zip(&matrix[input * width..(input + 1) * width]) {
                *y += change * w;
            }
        }
    }
}

/// The tangents of a layer's sums.
struct Tangents<'a>(&'a mut [f64]);

impl Work for Tangents<'_> {
    type Output = ();
    #[inline(always)]
    fn call(self) {
        self.0.iter_mut().for_each(|v| *v = tanh(*v));
    }
}

/// The hyperbolic tangent as `1 - 2 / (e^2x + 1)`, to 4e-16: in a loop it runs in lanes, where the library's would be called
/// for each value.
#[inline(always)]
fn tanh(x: f64) -> f64 {
    // Beyond it the tangent is 1 to the last bit.
    const FARTHEST: f64 = 20.0;
    /// Adding it to a number below 2^51 leaves the nearest whole number in the last bits.
    const WHOLE: f64 = 6_755_399_441_055_744.0;
    /// ln 2 in two parts, of which the first has 33 bits: its products with small whole numbers are exact.
    const LN_2: [f64; 2] = [f64::from_bits(0x3fe6_2e42_fee0_0000), 1.908_214_929_270_587_7e-10];
    /// `1 / n!` from the highest power down: at half of ln 2 the first term left out is 5e-18.
    const TERMS: [f64; 14] = reciprocals_of_factorials();
    let twice = 2.0 * if x > FARTHEST { FARTHEST } else { x };
    let twice = if twice < -2.0 * FARTHEST { -2.0 * FARTHEST } else { twice };
    let shifted = twice * std::f64::consts::LOG2_E + WHOLE;
    let whole = shifted - WHOLE;
    let rest = (twice - whole * LN_2[0]) - whole * LN_2[1];
    let power = TERMS.iter().fold(0.0, |sum, term| sum * rest + term);
    // The whole number goes into the exponent.
    let exponential = f64::from_bits(power.to_bits().wrapping_add(shifted.to_bits() << 52));
    1.0 - 2.0 / (exponential + 1.0)
}

const fn reciprocals_of_factorials<const N: usize>() -> [f64; N] {
    let mut terms = [1.0; N];
    let (mut i, mut factorial) = (1, 1.0);
    while i < N {
        factorial *= i as f64;
        terms[N - 1 - i] = 1.0 / factorial;
        i += 1;
    }
    terms
}

/// Runs a network: tanh layers, the last one linear.
fn forward(input: &[f64], widths: &[usize], weights: &[f64]) -> Vec<f64> {
    from_sums(first_sums(input, widths, weights), &widths[1..], &weights[(widths[0] + 1) * widths[1]..])
}

/// What the first layer sums up.
fn first_sums(input: &[f64], widths: &[usize], weights: &[f64]) -> Vec<f64> {
    sums(input, &weights[..(widths[0] + 1) * widths[1]], widths[1])
}

/// What a layer that much wide sums up; its weights end with the biases.
fn sums(x: &[f64], weights: &[f64], width: usize) -> Vec<f64> {
    let (matrix, bias) = weights.split_at(x.len() * width);
    let mut y = bias.to_vec();
    widest(Layer { x, matrix, y: &mut y });
    y
}

/// Runs a network on from what a layer sums up; `widths` begins with its own, `weights` with the next one's.
fn from_sums(mut x: Vec<f64>, widths: &[usize], mut weights: &[f64]) -> Vec<f64> {
    for pair in widths.windows(2) {
        widest(Tangents(&mut x));
        let (layer, rest) = weights.split_at((pair[0] + 1) * pair[1]);
        weights = rest;
        x = sums(&x, layer, pair[1]);
    }
    x
}

#[cfg(test)]
mod tests {
    use super::super::signature::{names, record_names};
    use super::*;

    #[test]
    fn a_network_is_what_its_definition_says() {
        // 2 -> 1 (tanh) -> 2, by hand.
        let weights = [0.5, -1.0, 0.25, 2.0, -3.0, 0.1, 0.2];
        let h = (0.3 * 0.5 - 0.7 + 0.25_f64).tanh();
        let out = forward(&[0.3, 0.7], &[2, 1, 2], &weights);
        assert!((out[0] - (2.0 * h + 0.1)).abs() < 1e-15 && (out[1] - (-3.0 * h + 0.2)).abs() < 1e-15);
    }

    #[test]
    fn figures_changed_score_as_if_they_had_been_so_from_the_first() {
        for model in [&MODEL, &MODEL_12] {
            let figures: Vec<f64> = model.pair_mean.iter().zip(model.pair_scale).map(|(m, s)| m + 0.7 * s).collect();
            let changeable = model.changeable(&figures);
            for changed in [&[][..], &[3], &[0, 17, 40, 63]] {
                let mut others = figures.clone();
                changed.iter().for_each(|&i| others[i] = model.healthy[i]);
                let (found, expected) = (changeable.scores_with(changed, model.healthy), model.pair_scores(&others));
                // Scores of about 10 from sums that are rounded in another order.
                assert!(found.iter().zip(&expected).all(|(a, b)| (a - b).abs() < 1e-12), "{found:?} {expected:?}");
            }
        }
    }

    #[test]
    fn the_tangent_is_that_of_the_mathematics_library() {
        for i in -50_000..50_000 {
            let x = f64::from(i) * 7.3e-4 + 1e-9;
            // Two roundings of numbers up to 1, and one of their quotient.
            assert!((tanh(x) - x.tanh()).abs() < 4e-16, "{x}: {} {}", tanh(x), x.tanh());
        }
        for x in [0.0, -0.0, 1e-300, 19.9, 20.1, -25.0, 1e5, -1e300, f64::INFINITY, f64::NEG_INFINITY] {
            assert!((tanh(x) - x.tanh()).abs() < 4e-16, "{x}");
        }
        assert!(tanh(f64::NAN).is_nan());
    }

    #[test]
    fn the_coefficients_fit_the_figures() {
        for m in [&MODEL, &MODEL_12] {
            assert_eq!(m.pair_widths[0], names().len());
            assert_eq!(m.record_widths[0], record_names().len());
            assert_eq!(m.pair_mean.len(), names().len());
            assert_eq!(m.healthy.len(), names().len());
            let size = |w: &[usize]| w.windows(2).map(|p| (p[0] + 1) * p[1]).sum::<usize>();
            assert_eq!(m.pair_weights.len(), m.members * size(m.pair_widths));
            assert_eq!(m.record_weights.len(), m.members * size(m.record_widths));
        }
    }
}
