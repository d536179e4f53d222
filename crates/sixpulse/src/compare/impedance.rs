//! Impedances at the ripple's orders, from a voltage and a current of one capture.
//!
//! Order by order `Z = V / I`; over the orders a least-squares fit of `V = (R + jwL + 1/(jwC)) I`, which is linear in
//! `R`, `L` and `1/C`, with the frequency of each batch of cycles. Weights are the inverse of the noise plus 1 % of the
//! voltage, so that no single strong order decides; each cycle's current is paired with that of the cycles beside it, so
//! that its noise does not pull the impedance down. The
//! uncertainty has three parts: the scatter of the batches, the scatter of the orders about the model, and the distortion
//! of the converters, which no average removes.

use super::batches::Batches;
use super::points::{PointsCode, PointsNote};
use super::{effective_freedom, student_95_between};
use crate::angle::PhaseTrack;
use crate::trace::{Capture, Role, words};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Which way round the current clamp sat.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum ClampDirection {
    /// Charging counts positive.
    Forward,
    /// Charging counted negative; the sign was turned.
    Reversed,
}
words!(ClampDirection, "clamp", "forward" => ClampDirection::Forward, "reversed" => ClampDirection::Reversed);

/// An impedance at one order.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct ImpedanceOrder {
    /// The order.
    pub order: u32,
    /// Its mean frequency, hertz.
    pub frequency_hz: f64,
    /// Peak amplitude of the current, amperes.
    pub current_a: f64,
    /// Magnitude of `V / I`, ohm.
    pub magnitude_ohm: f64,
    /// Standard uncertainty of it.
    pub magnitude_ohm_std: f64,
    /// Angle of `V / I`, radians; positive: inductive.
    pub phase_rad: f64,
    /// Standard uncertainty of it.
    pub phase_rad_std: f64,
}

/// An impedance over the ripple's orders.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Impedance {
    /// Name of the trace with the current.
    pub current: String,
    /// Which way round the clamp sat.
    pub clamp: ClampDirection,
    /// Resistance, ohm.
    pub resistance_ohm: f64,
    /// Standard uncertainty of it.
    pub resistance_ohm_std: f64,
    /// Lower end of its 95 % interval.
    pub resistance_ohm_low: f64,
    /// Upper end of its 95 % interval.
    pub resistance_ohm_high: f64,
    /// Inductance, henry.
    pub inductance_h: f64,
    /// Standard uncertainty of it.
    pub inductance_h_std: f64,
    /// Lower end of its 95 % interval.
    pub inductance_h_low: f64,
    /// Upper end of its 95 % interval.
    pub inductance_h_high: f64,
    /// Series capacitance, farad, where it shows (the battery's charge transfer, at the lowest orders).
    pub capacitance_f: Option<f64>,
    /// The orders whose current stands clear of its noise.
    pub orders: Vec<ImpedanceOrder>,
}

/// A current of the capture, order by order.
pub(super) struct Clamp {
    name: String,
    current: Batches,
}

impl Clamp {
    pub(super) fn read(capture: &Capture, role: Role, track: &PhaseTrack, delay_s: f64) -> Option<Self> {
        let (name, trace) = capture.by_role(role)?;
        Some(Self { name: name.into(), current: Batches::read(trace, track).ok()?.advanced(delay_s) })
    }
}

/// Impedances of battery and cable with what to bear in mind.
#[derive(Default)]
pub(super) struct Found {
    pub(super) battery: Option<Impedance>,
    pub(super) cable: Option<Impedance>,
    pub(super) notes: Vec<PointsNote>,
}

/// The battery from the clamp at the battery, else from that in the cable; the cable the other way round.
pub(super) fn assess(
    in_cable: Option<&Clamp>,
    at_battery: Option<&Clamp>,
    battery: &Batches,
    drop: Option<&Batches>,
) -> Found {
    let mut found = Found::default();
    let note = |code, statement: &str| PointsNote { code, statement: statement.into() };
    if let Some(clamp) = at_battery.or(in_cable) {
        found.battery = fit(clamp, battery, Model::WithCapacitance);
    }
    if let Some((clamp, drop)) = in_cable.or(at_battery).zip(drop) {
        found.cable = fit(clamp, drop, Model::Series);
    }
    match (in_cable, at_battery) {
        (Some(_), None) if found.battery.is_some() => found.notes.push(note(
            PointsCode::LoadsInParallel,
            "The battery's impedance is that of the battery with the loads in parallel: the current was read in the charging cable.",
        )),
        (None, Some(_)) if found.cable.is_some() => found.notes.push(note(
            PointsCode::LoadsLeftOut,
            "The cable's impedance comes out high by what the loads take of the ripple current: the current was read at the battery.",
        )),
        _ => {}
    }
    let any = found.battery.as_ref().or(found.cable.as_ref());
    match any {
        None if in_cable.or(at_battery).is_some() => found
            .notes
            .push(note(PointsCode::CurrentUnclear, "No order of the current stands clear of its noise: no impedance.")),
        None => {}
        Some(z) => found.notes.push(PointsNote {
            code: PointsCode::ClampDelay,
            statement: format!(
                "A clamp that lags the voltage probes by 1 us more than stated raises the inductance by {:.0} nH.",
                z.resistance_ohm.abs() * 1e-6 * 1e9
            ),
        }),
    }
    let reversed = |z: &Option<Impedance>| z.as_ref().is_some_and(|z| z.clamp == ClampDirection::Reversed);
    if reversed(&found.battery) || reversed(&found.cable) {
        found.notes.push(note(
            PointsCode::ClampReversed,
            "The current clamp sat the other way round (the resistance came out negative); its sign was turned.",
        ));
    }
    found
}

/// What is fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Model {
    /// `R + jwL`.
    Series,
    /// `R + jwL + 1 / (jwC)`, the last where it shows.
    WithCapacitance,
}

/// Relative accuracy to which an order is believed beyond its noise.
const BELIEVED: f64 = 0.01;
/// The capacitive part shows from this many standard uncertainties.
const SHOWS: f64 = 3.0;
/// Most blocks of neighbouring orders that are left out in turn: neighbours share their misfit (a bandwidth, what folds
/// back), so that one of them alone says little.
const MOST_BLOCKS: usize = 6;
/// Fewest orders that tell a capacitance from an inductance.
const ORDERS_FOR_CAPACITANCE: usize = 3;

fn fit(clamp: &Clamp, voltage: &Batches, model: Model) -> Option<Impedance> {
    let used: Vec<usize> = clamp.current.clear_orders().into_iter().filter(|i| *i < voltage.orders()).collect();
    if used.is_empty() {
        return None;
    }
    let three = (model == Model::WithCapacitance && used.len() >= ORDERS_FOR_CAPACITANCE)
        .then(|| solve::<3>(&clamp.current, voltage, &used))
        .flatten()
        .filter(|found| found.x[2] > SHOWS * found.scatter[2]);
    let (x, std, freedom, elastance) = match three {
        Some(Solution { x: [r, l, s], std: [r_std, l_std, _], freedom: [r_free, l_free, _], .. }) => {
            ([r, l], [r_std, l_std], [r_free, l_free], Some(s))
        }
        None => {
            let Solution { x, std, freedom, .. } = solve::<2>(&clamp.current, voltage, &used)?;
            (x, std, freedom, None)
        }
    };
    let clamp_direction = if x[0] < 0.0 { ClampDirection::Reversed } else { ClampDirection::Forward };
    let sign = if x[0] < 0.0 { -1.0 } else { 1.0 };
    let end = |i: usize, way: f64| sign * x[i] + way * student_95_between(freedom[i]) * std[i];
    Some(Impedance {
        current: clamp.name.clone(),
        clamp: clamp_direction,
        resistance_ohm: sign * x[0],
        resistance_ohm_std: std[0],
        resistance_ohm_low: end(0, -1.0),
        resistance_ohm_high: end(0, 1.0),
        inductance_h: sign * x[1],
        inductance_h_std: std[1],
        inductance_h_low: end(1, -1.0),
        inductance_h_high: end(1, 1.0),
        capacitance_f: elastance.map(|s| 1.0 / s),
        orders: used.iter().filter_map(|&i| at_order(&clamp.current, voltage, i, sign)).collect(),
    })
}

fn at_order(current: &Batches, voltage: &Batches, i: usize, sign: f64) -> Option<ImpedanceOrder> {
    let (ratio, std) = current.ratio(voltage, i)?;
    let z = sign * ratio;
    Some(ImpedanceOrder {
        order: u32::try_from(i + 1).ok()?,
        frequency_hz: (i + 1) as f64 * current.mean_hz(),
        current_a: current.amplitude(i),
        magnitude_ohm: z.norm(),
        magnitude_ohm_std: std,
        phase_rad: z.arg(),
        phase_rad_std: if z.norm() > 0.0 { std / z.norm() } else { std::f64::consts::PI },
    })
}

/// Impedances of 1 ohm, 1 henry and of 1 / (1 farad), the scale brought near that of milliohm.
fn basis<const N: usize>(w: f64) -> [Complex64; N] {
    std::array::from_fn(|i| match i {
        0 => Complex64::new(1.0, 0.0),
        1 => Complex64::new(0.0, w),
        _ => Complex64::new(0.0, -1.0 / w),
    })
}

/// Normal equations of the fit.
struct Normal<const N: usize> {
    matrix: [[f64; N]; N],
    vector: [f64; N],
}

/// The least-squares solution with its standard uncertainties and their effective degrees of freedom.
struct Solution<const N: usize> {
    x: [f64; N],
    std: [f64; N],
    freedom: [f64; N],
    /// Standard uncertainties from the scatter about the model alone: what shows at one order only (a capacitance at the
    /// lowest) is lost with that order.
    scatter: [f64; N],
}

/// `None` where the orders do not determine the solution.
fn solve<const N: usize>(current: &Batches, voltage: &Batches, used: &[usize]) -> Option<Solution<N>> {
    let weights: Vec<f64> = used
        .iter()
        .map(|&i| 1.0 / (voltage.noise(i) + (BELIEVED * voltage.amplitude(i)).powi(2)).max(f64::MIN_POSITIVE))
        .collect();
    let part = |batches: std::ops::Range<usize>, orders: std::ops::Range<usize>| {
        let mut own = Normal { matrix: [[0.0; N]; N], vector: [0.0; N] };
        for b in batches {
            for (&i, &weight) in used.iter().zip(&weights).take(orders.end).skip(orders.start) {
                own.add(current, voltage, (b, i), weight);
            }
        }
        own
    };
    let (batches, orders) = (current.count(), used.len());
    let all = part(0..batches, 0..orders);
    let x = all.solution()?;
    let score = |own: Normal<N>| -> [f64; N] {
        std::array::from_fn(|k| own.vector[k] - own.matrix[k].iter().zip(&x).map(|(a, x)| a * x).sum::<f64>())
    };
    let by_batch: Vec<[f64; N]> = (0..batches).map(|b| score(part(b..b + 1, 0..orders))).collect();
    let blocks = orders.min(MOST_BLOCKS);
    let by_block: Vec<Normal<N>> =
        (0..blocks).map(|j| part(0..batches, j * orders / blocks..(j + 1) * orders / blocks)).collect();
    let noise = all.uncertainties(&by_batch, batches as f64 - 1.0)?;
    let moved = all.jackknife(&by_block);
    let left: Vec<[f64; N]> = by_block.into_iter().map(score).collect();
    let about = all.uncertainties(&left, (2 * blocks - N.min(2 * blocks)) as f64 / 2.0)?;
    let misfit = moved.unwrap_or(about);
    let distortion = all.uncertainties(&distortions(current, voltage, used, &weights), 0.0)?;
    let variances = |k: usize| [noise[k], misfit[k], distortion[k]].map(|s| s * s);
    // Each part with its own degrees of freedom; the distortion follows from the step alone.
    let free = [batches as f64 - 1.0, (blocks as f64 - 1.0).max(1.0), f64::INFINITY];
    Some(Solution {
        x,
        std: std::array::from_fn(|k| variances(k).iter().sum::<f64>().sqrt()),
        freedom: std::array::from_fn(|k| effective_freedom(&variances(k), &free)),
        scatter: std::array::from_fn(|k| noise[k].hypot(about[k]).hypot(distortion[k])),
    })
}

/// Scores that the converters' distortion may give each order: in phase with the current, and across it.
fn distortions<const N: usize>(current: &Batches, voltage: &Batches, used: &[usize], weights: &[f64]) -> Vec<[f64; N]> {
    let mut scores = Vec::with_capacity(2 * used.len());
    for (&i, &weight) in used.iter().zip(weights) {
        let amplitude = current.amplitude(i);
        let share = if amplitude > 0.0 { voltage.amplitude(i) / amplitude } else { 0.0 };
        let part = (0.5 * (voltage.distortion() + share * share * current.distortion())).sqrt();
        let score = weight * current.count() as f64 * amplitude * part;
        let z = basis::<N>(TAU * (i + 1) as f64 * current.mean_hz());
        scores.push(z.map(|z| score * z.re));
        scores.push(z.map(|z| score * z.im));
    }
    scores
}

impl<const N: usize> Normal<N> {
    fn add(&mut self, current: &Batches, voltage: &Batches, (b, i): (usize, usize), weight: f64) {
        let (power, cross) = (current.product(current, (b, i)), current.product(voltage, (b, i)));
        let w = TAU * (i + 1) as f64 * current.hz.get(b).copied().unwrap_or(current.mean_hz());
        let z = basis::<N>(w);
        for k in 0..N {
            self.vector[k] += weight * (z[k].conj() * cross).re;
            for m in 0..N {
                self.matrix[k][m] += weight * (z[k].conj() * z[m] * power).re;
            }
        }
    }

    /// Inverse of the matrix, scaled to a unit diagonal first: ohm and henry lie six decades apart.
    fn inverse(&self) -> Option<[[f64; N]; N]> {
        let scale: [f64; N] = std::array::from_fn(|k| self.matrix[k][k].abs().sqrt().recip());
        if scale.iter().any(|s| !s.is_finite()) {
            return None;
        }
        let mut a = self.matrix;
        let mut inverse: [[f64; N]; N] = std::array::from_fn(|k| std::array::from_fn(|m| f64::from(u8::from(k == m))));
        for k in 0..N {
            for m in 0..N {
                a[k][m] *= scale[k] * scale[m];
            }
        }
        for k in 0..N {
            // A pivot this small means that the orders do not tell two of the elements apart.
            if a[k][k] < 1e-9 {
                return None;
            }
            let pivot = a[k][k].recip();
            for m in 0..N {
                a[k][m] *= pivot;
                inverse[k][m] *= pivot;
            }
            for row in (0..N).filter(|row| *row != k) {
                let factor = a[row][k];
                for m in 0..N {
                    a[row][m] -= factor * a[k][m];
                    inverse[row][m] -= factor * inverse[k][m];
                }
            }
        }
        Some(std::array::from_fn(|k| std::array::from_fn(|m| inverse[k][m] * scale[k] * scale[m])))
    }

    fn solution(&self) -> Option<[f64; N]> {
        let inverse = self.inverse()?;
        Some(std::array::from_fn(|k| inverse[k].iter().zip(&self.vector).map(|(a, b)| a * b).sum()))
    }

    /// Standard uncertainties by leaving out one block of orders at a time (Efron 1979): an order that draws the fit to
    /// itself leaves no residual, but the fit without it moves. A capacitance is held: it shows in the lowest block
    /// alone. `None` where the rest does not determine the solution.
    fn jackknife(&self, blocks: &[Self]) -> Option<[f64; N]> {
        let whole = self.solution()?;
        let without = |own: &Self| {
            let held = |k: usize| (2..N).map(|m| (self.matrix[k][m] - own.matrix[k][m]) * whole[m]).sum::<f64>();
            let rest = Normal::<2> {
                matrix: std::array::from_fn(|k| std::array::from_fn(|m| self.matrix[k][m] - own.matrix[k][m])),
                vector: std::array::from_fn(|k| self.vector[k] - own.vector[k] - held(k)),
            };
            let moved = rest.solution()?;
            Some(std::array::from_fn(|k| moved.get(k).copied().unwrap_or(whole[k])))
        };
        let left_out: Vec<[f64; N]> = blocks.iter().map(without).collect::<Option<_>>()?;
        let n = left_out.len() as f64;
        let spread = |k: usize| {
            let mean = left_out.iter().map(|x| x[k]).sum::<f64>() / n;
            left_out.iter().map(|x| (x[k] - mean).powi(2)).sum::<f64>() * (n - 1.0) / n
        };
        (left_out.len() > 2).then(|| std::array::from_fn(|k| spread(k).sqrt()))
    }

    /// Standard uncertainties from the scatter of independent groups' scores about 0, `freedom` of them free.
    fn uncertainties(&self, scores: &[[f64; N]], freedom: f64) -> Option<[f64; N]> {
        let inverse = self.inverse()?;
        // Without a free group the scores are 0 but for rounding.
        let widened = if freedom > 0.0 { scores.len() as f64 / freedom } else { 1.0 };
        let variance = |k: usize| {
            let along = |score: &[f64; N]| inverse[k].iter().zip(score).map(|(a, s)| a * s).sum::<f64>().powi(2);
            scores.iter().map(along).sum::<f64>() * widened
        };
        Some(std::array::from_fn(|k| variance(k).sqrt()))
    }
}
