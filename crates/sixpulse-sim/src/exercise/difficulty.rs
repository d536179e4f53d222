//! How hard an item is: three measures, each monotone, and one number made of them.
//!
//! | measure | formula | harder when |
//! |---|---|---|
//! | ripple-to-noise | rho = synchronous r.m.s. at the probe / sqrt(noise^2 + step^2 / 12) | smaller |
//! | contrast | kappa = abs(ln(S / S0)), S the sub-six sum of the true orders, S0 = sqrt(0.3 x 6) | smaller |
//! | ambiguity | alpha = entropy of the examination's probabilities over the seven patterns / ln 7 | larger |
//! | distractor | delta = 1 with one, else 0 | present |
//!
//! `value = 0.35 / (1 + rho / 10) + 0.25 / (1 + kappa) + 0.25 alpha + 0.15 delta`, 0 to 1. S0 is the geometric middle
//! between the healthy ceiling 0.3 and the hard faults' floor 6 of the sub-six sum (simulated figures of this project).
//! Weights and midpoints are chosen; how well the number predicts a class is measured after every grading (rank
//! correlation with the observed difficulty, `sixpulse.exercises.statistics`).

use serde::{Deserialize, Serialize};
use sixpulse::rectifier::Pattern;

use super::rounded;

/// Middle between the healthy ceiling and the hard faults' floor of the sub-six sum.
const MIDDLE_S: f64 = 1.341_640_786_499_874;
/// Sub-six sums are taken as at least this: numerical noise of the simulation.
const LEAST_S: f64 = 1e-3;
/// Ripple r.m.s. taken for a machine that does not deliver: what is looked for and missed, volts (half of what a
/// healthy idling machine shows in this project's simulations).
const MISSED_RIPPLE_V: f64 = 0.01;
/// Ripple-to-noise ratio at which the noise counts half.
const MIDDLE_RHO: f64 = 10.0;

/// Difficulty of one item.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Difficulty {
    /// Ripple r.m.s. / noise r.m.s. at the probe.
    pub ripple_to_noise: f64,
    /// Distance of the sub-six sum from the middle between healthy and hard faults, natural logarithm; `None` where
    /// there is no ripple and so no shape.
    pub contrast: Option<f64>,
    /// Entropy of the examination's probabilities, 0 (certain) to 1 (nothing known).
    pub ambiguity: f64,
    /// Whether a distractor is present, 0 or 1.
    pub distractors: u32,
    /// The number made of them, 0 (easy) to 1 (hard).
    pub value: f64,
}

/// Ripple-to-noise ratio: clean synchronous ripple against noise and quantiser, all r.m.s. volts.
#[must_use]
pub fn ripple_to_noise(ripple_v: f64, noise_v: f64, step_v: f64) -> f64 {
    sought_ripple(ripple_v) / (noise_v * noise_v + step_v * step_v / 12.0).sqrt().max(1e-9)
}

/// The ripple that the noise can hide, volts: the one there is, or the one that is missed.
pub(super) fn sought_ripple(ripple_v: f64) -> f64 {
    ripple_v.max(MISSED_RIPPLE_V)
}

/// Contrast of true order amplitudes (index 0 is order 1); `None` without ripple.
#[must_use]
pub fn contrast(order_amplitudes_v: &[f64], ripple_v: f64) -> Option<f64> {
    if ripple_v < 1e-4 {
        return None;
    }
    let below: f64 = order_amplitudes_v.iter().take(5).map(|c| c * c).sum::<f64>().sqrt();
    let sixth = order_amplitudes_v.get(5).copied().unwrap_or(0.0);
    Some(libm::log((below / sixth.max(1e-9)).max(LEAST_S) / MIDDLE_S).abs())
}

/// Entropy of probabilities over the seven patterns, 0 to 1; what stands under `undetermined` is shared out evenly.
#[must_use]
pub fn entropy(probabilities: &[(Pattern, f64)]) -> f64 {
    let unknown: f64 = probabilities.iter().filter(|(p, _)| *p == Pattern::Undetermined).map(|(_, x)| x).sum();
    let sum: f64 = probabilities
        .iter()
        .filter(|(p, _)| *p != Pattern::Undetermined)
        .map(|(_, x)| x + unknown / 7.0)
        .filter(|x| *x > 0.0)
        .map(|x| -x * libm::log(x))
        .sum();
    (sum / libm::log(7.0)).clamp(0.0, 1.0)
}

/// The difficulty made of its measures.
///
/// ```
/// use sixpulse_sim::exercise::difficulty;
/// let easy = difficulty(100.0, Some(3.0), 0.0, 0);
/// let noisy = difficulty(5.0, Some(3.0), 0.0, 0);
/// assert!(easy.value < noisy.value);
/// assert!((easy.value - (0.35 / 11.0 + 0.25 / 4.0)).abs() < 1e-4);
/// ```
#[must_use]
pub fn difficulty(ripple_to_noise: f64, contrast: Option<f64>, ambiguity: f64, distractors: u32) -> Difficulty {
    let value = without_noise(contrast, ambiguity, distractors) + 0.35 / (1.0 + ripple_to_noise / MIDDLE_RHO);
    Difficulty {
        ripple_to_noise: rounded(ripple_to_noise, 4),
        contrast: contrast.map(|c| rounded(c, 4)),
        ambiguity: (ambiguity * 1e3).round() / 1e3,
        distractors,
        value: (value * 1e4).round() / 1e4,
    }
}

fn without_noise(contrast: Option<f64>, ambiguity: f64, distractors: u32) -> f64 {
    0.25 * contrast.map_or(0.0, |c| 1.0 / (1.0 + c)) + 0.25 * ambiguity + 0.15 * f64::from(distractors.min(1))
}

/// The ripple-to-noise ratio that gives a difficulty where the examination is certain; `None` where none does.
pub(super) fn wanted_ratio(target: f64, contrast: Option<f64>, distractors: u32) -> Option<f64> {
    let share = (target - without_noise(contrast, 0.0, distractors)) / 0.35;
    (share > 0.0 && share < 1.0).then(|| MIDDLE_RHO * (1.0 / share - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_wanted_ratio_gives_the_target() {
        let rho = wanted_ratio(0.31, Some(2.0), 1).unwrap();
        assert!((difficulty(rho, Some(2.0), 0.0, 1).value - 0.31).abs() < 1e-4);
        assert_eq!(wanted_ratio(0.05, Some(0.0), 1), None);
    }

    #[test]
    fn entropy_has_its_ends() {
        let certain = [(Pattern::Healthy, 1.0), (Pattern::OpenDiode, 0.0)];
        assert!(entropy(&certain).abs() < 1e-12);
        let nothing: Vec<(Pattern, f64)> =
            Pattern::ALL.into_iter().map(|p| (p, if p == Pattern::Undetermined { 1.0 } else { 0.0 })).collect();
        assert!((entropy(&nothing) - 1.0).abs() < 1e-12);
        // Two equal patterns: ln 2 / ln 7.
        let two = [(Pattern::Healthy, 0.5), (Pattern::OpenPhase, 0.5)];
        assert!((entropy(&two) - 2.0_f64.ln() / 7.0_f64.ln()).abs() < 1e-12);
    }

    #[test]
    fn contrast_is_least_in_the_middle() {
        let at = |s: f64| contrast(&[s, 0.0, 0.0, 0.0, 0.0, 1.0], 0.1).unwrap();
        assert!(at(MIDDLE_S).abs() < 1e-12 && at(0.3) > 1.4 && at(6.0) > 1.4);
        assert_eq!(contrast(&[0.0; 6], 0.0), None);
    }

    proptest! {
        #[test]
        fn it_is_monotone_in_every_measure(rho in 0.1..1e3_f64, kappa in 0.0..6.0_f64, alpha in 0.0..0.9_f64) {
            let base = difficulty(rho, Some(kappa), alpha, 0).value;
            // The value is kept to 1e-4; steps here move it by more.
            prop_assert!(difficulty(rho * 0.5, Some(kappa), alpha, 0).value > base - 1e-9);
            prop_assert!(difficulty(rho, Some(kappa * 0.5), alpha, 0).value > base - 1e-9);
            prop_assert!(difficulty(rho, Some(kappa), alpha + 0.1, 0).value > base);
            prop_assert!(difficulty(rho, Some(kappa), alpha, 1).value > base);
            prop_assert!((0.0..=1.0).contains(&base));
        }
    }
}
