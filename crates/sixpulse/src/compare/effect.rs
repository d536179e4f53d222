//! How much an amplitude changed between two captures, and how a response follows a dose.

use super::batches::Power;
use super::{effective_freedom, student_95, student_95_between};

/// A change of an amplitude between two stages.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Effect {
    /// Amplitude later / amplitude before (r.m.s. values).
    pub ratio: f64,
    /// Lower end of its 95 % interval; 0 where the later amplitude does not clear its noise.
    pub ratio_low: f64,
    /// Upper end of its 95 % interval.
    pub ratio_high: f64,
    /// `ln(later / before)`; `None` where the later amplitude does not clear its noise.
    pub log_ratio: Option<f64>,
    /// Standard uncertainty of it: `sqrt((u_later / later)^2 + (u_before / before)^2)`.
    pub log_ratio_std: Option<f64>,
}

impl Effect {
    /// The change from `before` to `later`; `None` where `before` does not clear its noise.
    pub(super) fn between(before: &Power, later: &Power) -> Option<Self> {
        if !before.is_clear() {
            return None;
        }
        let ratio = later.rms() / before.rms();
        if !later.is_clear() {
            let ratio_high = later.interval().1 / before.interval().0;
            return Some(Self { ratio, ratio_low: 0.0, ratio_high, log_ratio: None, log_ratio_std: None });
        }
        let parts = [before, later].map(|p| (0.5 * p.std / p.mean_square, p.freedom));
        let variance: f64 = parts.iter().map(|(u, _)| u * u).sum();
        let std = variance.sqrt();
        let reach = student_95_between(effective_freedom(&parts.map(|p| p.0 * p.0), &parts.map(|p| p.1 as f64))) * std;
        Some(Self {
            ratio,
            ratio_low: ratio * (-reach).exp(),
            ratio_high: ratio * reach.exp(),
            log_ratio: Some(ratio.ln()),
            log_ratio_std: Some(std),
        })
    }
}

/// A straight line of the circuit's amplitude over the ripple's, fitted to all stages.
///
/// Weights are the inverse squares of the circuit's uncertainty and of the slope times the ripple's; uncertainties are
/// widened where the stages scatter more than theirs explain (Birge ratio).
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct DoseResponse {
    /// Stages fitted.
    pub stages: usize,
    /// Slope of the line through the origin, volts per volt: the circuit follows the ripple and nothing else.
    pub slope_v_per_v: f64,
    /// Standard uncertainty of it.
    pub slope_v_per_v_std: f64,
    /// Lower end of its 95 % interval.
    pub slope_v_per_v_low: f64,
    /// Upper end of its 95 % interval.
    pub slope_v_per_v_high: f64,
    /// Slope of the line with an intercept, volts per volt.
    pub free_slope_v_per_v: f64,
    /// Standard uncertainty of it.
    pub free_slope_v_per_v_std: f64,
    /// Circuit's amplitude (r.m.s.) without any ripple, by that line, volts.
    pub intercept_v: f64,
    /// Standard uncertainty of it.
    pub intercept_v_std: f64,
    /// Lower end of its 95 % interval.
    pub intercept_v_low: f64,
    /// Upper end of its 95 % interval.
    pub intercept_v_high: f64,
    /// True when that interval contains 0: the line may go through the origin.
    pub through_origin: bool,
}

/// Fewest stages through which a line with an intercept is laid.
const FEWEST_STAGES: usize = 3;
/// The ripple must span at least this factor over the stages.
const LEAST_SPAN: f64 = 1.5;
/// Repetitions by which weights and slope settle.
const REPETITIONS: usize = 8;

/// Sums of a weighted straight-line fit.
struct Line {
    slope: f64,
    slope_std: f64,
    intercept: f64,
    intercept_std: f64,
}

impl DoseResponse {
    /// Fits circuit amplitudes over ripple amplitudes; `None` for fewer than three stages or a ripple that hardly varies.
    pub(super) fn fit(stages: &[(Power, Power)]) -> Option<Self> {
        let doses = stages.iter().map(|(ripple, _)| ripple.rms());
        let (low, high) = doses.fold((f64::INFINITY, 0.0_f64), |(l, h), r| (l.min(r), h.max(r)));
        if stages.len() < FEWEST_STAGES || high <= LEAST_SPAN * low {
            return None;
        }
        let through = line(stages, true)?;
        let free = line(stages, false)?;
        let (one, two) = (student_95(stages.len() - 1), student_95(stages.len() - 2));
        let ends = (free.intercept - two * free.intercept_std, free.intercept + two * free.intercept_std);
        Some(Self {
            stages: stages.len(),
            slope_v_per_v: through.slope,
            slope_v_per_v_std: through.slope_std,
            slope_v_per_v_low: through.slope - one * through.slope_std,
            slope_v_per_v_high: through.slope + one * through.slope_std,
            free_slope_v_per_v: free.slope,
            free_slope_v_per_v_std: free.slope_std,
            intercept_v: free.intercept,
            intercept_v_std: free.intercept_std,
            intercept_v_low: ends.0,
            intercept_v_high: ends.1,
            through_origin: ends.0 <= 0.0 && 0.0 <= ends.1,
        })
    }
}

/// The line through the origin or the free one, its weights settled.
fn line(stages: &[(Power, Power)], origin: bool) -> Option<Line> {
    let mut found: Option<Line> = None;
    for _ in 0..REPETITIONS {
        let slope = found.as_ref().map_or(0.0, |l| l.slope);
        found = Some(weighted_line(stages, slope, origin)?);
    }
    found
}

fn weighted_line(stages: &[(Power, Power)], slope: f64, origin: bool) -> Option<Line> {
    let least = stages.iter().map(|(_, y)| y.rms()).fold(0.0, f64::max) * 1e-6;
    let points = || {
        stages.iter().map(|(x, y)| {
            let variance = y.rms_std().powi(2) + (slope * x.rms_std()).powi(2) + least * least;
            (x.rms(), y.rms(), 1.0 / variance.max(f64::MIN_POSITIVE))
        })
    };
    let sum = |of: &dyn Fn((f64, f64, f64)) -> f64| points().map(of).sum::<f64>();
    let (w, wx, wy) = (sum(&|p| p.2), sum(&|p| p.2 * p.0), sum(&|p| p.2 * p.1));
    let (wxx, wxy) = (sum(&|p| p.2 * p.0 * p.0), sum(&|p| p.2 * p.0 * p.1));
    let determinant = w * wxx - wx * wx;
    if wxx <= 0.0 || (!origin && determinant <= 1e-12 * w * wxx) {
        return None;
    }
    let (slope, intercept, free) = if origin {
        (wxy / wxx, 0.0, 1)
    } else {
        ((w * wxy - wx * wy) / determinant, (wxx * wy - wx * wxy) / determinant, 2)
    };
    let left = sum(&|p| p.2 * (p.1 - intercept - slope * p.0).powi(2));
    let birge = (left / (stages.len() - free) as f64).sqrt().max(1.0);
    let stds = if origin { (wxx.recip(), 0.0) } else { (w / determinant, wxx / determinant) };
    Some(Line { slope, slope_std: birge * stds.0.sqrt(), intercept, intercept_std: birge * stds.1.sqrt() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn amplitude(rms: f64, relative: f64) -> Power {
        Power { mean_square: rms * rms, std: 2.0 * rms * rms * relative, freedom: 15 }
    }

    #[test]
    fn a_halved_amplitude_has_its_interval() {
        let effect = Effect::between(&amplitude(2.0, 0.03), &amplitude(1.0, 0.04)).unwrap();
        // sqrt(0.03^2 + 0.04^2) = 0.05; Welch-Satterthwaite: 0.05^4 / ((0.03^4 + 0.04^4) / 15) = 27.82, for which SciPy 1.17.1
        // (stats.t.ppf) gives 2.04901; the chord between 27 and 28 lies 1e-6 above.
        assert!((effect.log_ratio.unwrap() - 0.5_f64.ln()).abs() < 1e-12);
        assert!((effect.log_ratio_std.unwrap() - 0.05).abs() < 1e-12);
        assert!((effect.ratio_high / 0.5 - (2.049_008_f64 * 0.05).exp()).abs() < 1e-5);
    }

    #[test]
    fn an_amplitude_in_the_noise_has_an_upper_end_alone() {
        let gone = Power { mean_square: -1e-6, std: 1e-4, freedom: 15 };
        let effect = Effect::between(&amplitude(1.0, 0.01), &gone).unwrap();
        assert_eq!((effect.ratio, effect.ratio_low, effect.log_ratio), (0.0, 0.0, None));
        assert!(effect.ratio_high > 0.01 && effect.ratio_high < 0.02);
        assert!(Effect::between(&gone, &amplitude(1.0, 0.01)).is_none());
    }

    #[test]
    fn a_line_through_the_origin_is_found() {
        let stages: Vec<(Power, Power)> =
            [0.05, 0.1, 0.2, 0.4].iter().map(|r| (amplitude(*r, 1e-3), amplitude(0.3 * r, 0.01))).collect();
        let dose = DoseResponse::fit(&stages).unwrap();
        assert!((dose.slope_v_per_v - 0.3).abs() < 1e-9 && dose.through_origin && dose.intercept_v.abs() < 1e-9);
        // Four points of 1 % each, proportional: 0.3 * 0.01 / sqrt(4), the ripple's 0.1 % being a hundredth of it.
        assert!((dose.slope_v_per_v_std - 0.0015).abs() < 2e-5, "{}", dose.slope_v_per_v_std);
    }

    #[test]
    fn an_intercept_is_told_from_the_origin() {
        let stages: Vec<(Power, Power)> =
            [0.05, 0.1, 0.2, 0.4].iter().map(|r| (amplitude(*r, 1e-3), amplitude(0.1 + 0.3 * r, 0.01))).collect();
        let dose = DoseResponse::fit(&stages).unwrap();
        assert!((dose.free_slope_v_per_v - 0.3).abs() < 1e-6 && (dose.intercept_v - 0.1).abs() < 1e-6);
        assert!(!dose.through_origin);
        assert!(DoseResponse::fit(&stages[..2]).is_none());
        assert!(DoseResponse::fit(&[stages[0], stages[0], stages[0]]).is_none());
    }
}
