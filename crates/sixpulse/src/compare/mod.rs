//! Comparisons: two measuring points of one capture, and captures before, during and after an intervention.
//!
//! Both work on the orders of the electrical cycle, averaged over up to 16 batches of successive cycles: the scatter
//! of the batches gives the uncertainty (slow changes within the record included), and what noise adds to the power of
//! an average is taken off with the differences of successive cycles, which drift does not lift.
//!
//! Intervals are two-sided 95 % intervals, `value ± t * std` with Student's t for one degree of freedom fewer than
//! there are batches (JCGM 100:2008, G.3). They say what the record's noise and scatter allow; the gain errors of the
//! instrument's channels come on top.

mod batches;
pub mod effect;
pub mod impedance;
pub mod intervention;
mod observe;
pub mod points;
pub mod verdict;

pub use intervention::{InterventionOptions, Interventions, compare_interventions};
pub use points::{Points, PointsOptions, compare_points};
pub use verdict::{InterventionCode, InterventionVerdict};

/// Two-sided 95 % quantile of Student's t, for 1 to 30 degrees of freedom (handbook table; 1, 2 and 4 are checked
/// against their closed forms).
const STUDENT_95: [f64; 30] = [
    12.706_205, 4.302_653, 3.182_446, 2.776_445, 2.570_582, 2.446_912, 2.364_624, 2.306_004, 2.262_157, 2.228_139,
    2.200_985, 2.178_813, 2.160_369, 2.144_787, 2.131_450, 2.119_905, 2.109_816, 2.100_922, 2.093_024, 2.085_963,
    2.079_614, 2.073_873, 2.068_658, 2.063_899, 2.059_539, 2.055_529, 2.051_831, 2.048_407, 2.045_230, 2.042_272,
];

/// Factor from a standard uncertainty with `freedom` degrees of freedom to half a 95 % interval.
///
/// ```
/// use sixpulse::compare::student_95;
/// assert!((student_95(4) - 2.776).abs() < 1e-3);
/// assert!((student_95(100_000) - 1.960).abs() < 1e-3);
/// ```
#[must_use]
pub fn student_95(freedom: usize) -> f64 {
    match STUDENT_95.get(freedom.max(1) - 1) {
        Some(t) => *t,
        // First terms of the expansion in 1 / freedom (Abramowitz and Stegun 26.7.5), good to 2e-6 from 31 on.
        None => {
            let (z, n) = (1.959_964_f64, freedom as f64);
            let third = 3.0 * z.powi(7) + 19.0 * z.powi(5) + 17.0 * z.powi(3) - 15.0 * z;
            z + (z.powi(3) + z) / (4.0 * n)
                + (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / (96.0 * n * n)
                + third / (384.0 * n.powi(3))
        }
    }
}

/// The same for degrees of freedom that are no whole number: on the chord over `1 / freedom`, which lies above the curve,
/// so that an interval neither jumps nor comes out too narrow.
fn student_95_between(freedom: f64) -> f64 {
    let below = freedom.max(1.0).floor();
    let (low, high) = (student_95(below as usize), student_95(below as usize + 1));
    let part = (1.0 / below - 1.0 / freedom.max(1.0)) * below * (below + 1.0);
    low + part * (high - low)
}

/// Degrees of freedom of a sum of independent variances, each known with its own (Welch-Satterthwaite, JCGM 100:2008,
/// G.4.1); at least 1.
fn effective_freedom(variances: &[f64], freedom: &[f64]) -> f64 {
    /// Beyond it Student's factor is the normal one to a ten-thousandth.
    const MANY: f64 = 1e4;
    let total: f64 = variances.iter().sum();
    let uncertain: f64 = variances.iter().zip(freedom).map(|(v, n)| v * v / n).sum();
    if uncertain > 0.0 { (total * total / uncertain).clamp(1.0, MANY) } else { MANY }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn freedom_of_a_sum_lies_between_that_of_its_parts() {
        // Equal parts of equal freedom add up; one that dominates counts alone; what is known exactly does not count.
        let is = |variances: &[f64], freedom: &[f64], wanted: f64| {
            let found = effective_freedom(variances, freedom);
            assert!((found / wanted - 1.0).abs() < 1e-6, "{found}, not {wanted}");
        };
        is(&[2.0, 2.0], &[5.0, 5.0], 10.0);
        is(&[1.0, 1e-9], &[5.0, 1.0], 5.0);
        is(&[1.0, 1.0], &[5.0, f64::INFINITY], 20.0);
        is(&[0.0], &[5.0], 10_000.0);
    }

    #[test]
    fn student_goes_on_between_whole_numbers() {
        for n in [1_usize, 2, 7, 30, 31, 9999] {
            let freedom = n as f64;
            assert!((student_95_between(freedom) - student_95(n)).abs() < 1e-9, "{n}");
            let just_below = student_95_between((freedom + 1.0) * (1.0 - 1e-9));
            assert!((just_below - student_95(n + 1)).abs() < 1e-6, "{n}");
        }
        // SciPy 1.17.1, stats.t.ppf(0.975, df): the chord lies above by less than 20 %, from 3 degrees of freedom on by 0.5 %.
        for (freedom, exact, most) in [
            (1.5, 6.016_663_10, 0.2),
            (2.5, 3.574_654_84, 0.02),
            (3.5, 2.940_088_64, 0.005),
            (10.5, 2.213_840_29, 0.005),
            (40.5, 2.020_298_43, 0.005),
        ] {
            let found = student_95_between(freedom);
            // The expansion beyond 30 is good to 2e-6.
            assert!(found > exact - 2e-6 && found < exact * (1.0 + most), "{freedom}: {found}, {exact}");
        }
    }

    #[test]
    fn student_agrees_with_its_closed_forms() {
        // Quantiles p = 0.975 of one and two degrees of freedom: tan(pi (p - 1/2)); (2p - 1) sqrt(2 / (4 p (1 - p))).
        let (p, tolerance) = (0.975_f64, 1e-6);
        assert!((student_95(1) - (PI * (p - 0.5)).tan()).abs() < tolerance);
        assert!((student_95(2) - (2.0 * p - 1.0) * (2.0 / (4.0 * p * (1.0 - p))).sqrt()).abs() < tolerance);
        // Four: with a = 4 p (1 - p), q = cos(acos(sqrt a) / 3) / sqrt a: 2 sqrt(q - 1).
        let a = 4.0 * p * (1.0 - p);
        let q = (a.sqrt().acos() / 3.0).cos() / a.sqrt();
        assert!((student_95(4) - 2.0 * (q - 1.0).sqrt()).abs() < tolerance);
        // The expansion goes on where the table ends; 60 and 120 stand in every handbook.
        assert!((student_95(60) - 2.000_298).abs() < 2e-6 && (student_95(120) - 1.979_930).abs() < 2e-6);
        assert!(student_95(30) > student_95(31) && student_95(0) == student_95(1));
    }
}
