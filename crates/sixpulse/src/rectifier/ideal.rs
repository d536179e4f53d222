//! Closed forms of the ideal rectifier: no source impedance, no diode drop, resistive load.
//!
//! They check the mathematics and teach the patterns. They are no templates for a vehicle, whose bridge feeds a battery
//! behind cable and source reactance and shows other ratios between the orders.
//!
//! All amplitudes are in units of the phase peak `Vm` (line to neutral); the angle `theta` is that of phase A,
//! `e_a = Vm cos(theta)`, `e_b` and `e_c` lag by 120 and 240 degrees. A waveform is
//! `mean + sum c_n cos(n theta + phase_n)`.
//!
//! # Formulas
//!
//! - `p` pulses of peak `P` (`p >= 2`): mean `P p/pi sin(pi/p)`, mean square `P^2 (1/2 + p/(4 pi) sin(2 pi/p))`, minimum
//!   `P cos(pi/p)`, and orders `n = p, 2p, 3p ...` of amplitude `2 mean / (n^2 - 1)`.
//! - An open diode takes away a notch `D(theta) = sqrt3 sin(pi/3 - |theta|)` for `|theta| < pi/3`, with
//!   `D_0 = sqrt3 / (2 pi)`, `D_1 = 1/2`, `D_n = (2 sqrt3/pi) (1/2 - cos(n pi/3)) / (n^2 - 1)`. The notch lies at 0 for
//!   the diode from phase A to the positive rail, at pi for the one to the negative rail, 120 degrees later for phase B.
//! - Two open diodes of one phase, or of different phases on opposite rails, take away two notches; two on the same rail
//!   leave one phase against the lowest of three, `e_c - min(e)`.
//!
//! Source: derived for this library (closed form against quadrature and Fourier transform, 2e-11). Handbook values that
//! agree: ripple factor 0.042 of the six-pulse bridge, 0.183 of three pulses, 0.482 of the single-phase bridge, 1.21 of
//! half-wave (tabulated in textbooks of power electronics, such as Rashid, *Power Electronics Handbook*, "Diode
//! Rectifiers"; the reference is from memory).
//!
//! # What they teach
//!
//! - Order 6 over the mean is 2/35 in every case of a three-phase bridge: it carries no fault information here.
//! - The peak-to-peak value is `sqrt3 Vm` for all four faults: it does not rank them.
//! - Parity separates them: odd orders 1 and 3 alone, same rail; even alone, a phase lost; both, one diode (order 3) or
//!   opposite rails (no order 3).
//! - A diode to the positive rail and one to the negative give the same waveform half a cycle apart, the three phases the
//!   same a third apart: the DC side names neither the rail nor the phase.

use crate::cycle::ORDERS;
use crate::trace::words;
use std::f64::consts::{PI, TAU};

const SQRT_3: f64 = 1.732_050_807_568_877_2;

/// An ideal rectifier circuit, healthy or with diodes that do not conduct.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum IdealCircuit {
    /// One diode on one phase: half waves of `Vm`.
    SinglePhaseHalfWave,
    /// Four diodes on one phase: two pulses of `Vm` in a cycle.
    SinglePhaseBridge,
    /// Three diodes to one rail, load to neutral: three pulses.
    ThreePulse,
    /// Six diodes on three phases: six pulses.
    SixPulse,
    /// Two six-pulse bridges in series, the second 30 degrees behind: twelve pulses.
    TwelvePulse,
    /// Six-pulse bridge, the diode from phase A to the positive rail open.
    OneDiodeOpen,
    /// Six-pulse bridge, the lead of phase A or both of its diodes open.
    OpenPhase,
    /// Six-pulse bridge, the diodes from phases A and B to the positive rail open.
    TwoOpenSameRail,
    /// Six-pulse bridge, the diode from phase A to the positive and from phase B to the negative rail open.
    TwoOpenOppositeRails,
}
words!(IdealCircuit, "circuit",
    "single_phase_half_wave" => IdealCircuit::SinglePhaseHalfWave,
    "single_phase_bridge" => IdealCircuit::SinglePhaseBridge,
    "three_pulse" => IdealCircuit::ThreePulse, "six_pulse" => IdealCircuit::SixPulse,
    "twelve_pulse" => IdealCircuit::TwelvePulse, "one_diode_open" => IdealCircuit::OneDiodeOpen,
    "open_phase" => IdealCircuit::OpenPhase, "two_open_same_rail" => IdealCircuit::TwoOpenSameRail,
    "two_open_opposite_rails" => IdealCircuit::TwoOpenOppositeRails,
);

/// Exact figures of an ideal circuit, voltages in units of the phase peak `Vm`.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct IdealWaveform {
    /// The circuit.
    pub circuit: IdealCircuit,
    /// Mean over a cycle.
    pub mean: f64,
    /// R.m.s. of the whole waveform.
    pub rms: f64,
    /// R.m.s. of the ripple: `sqrt(rms^2 - mean^2)`.
    pub ac_rms: f64,
    /// `ac_rms / mean` (IEC 60050-161: r.m.s. ripple factor).
    pub ripple_factor: f64,
    /// `rms / mean` (IEC 60050-551: DC form factor).
    pub form_factor: f64,
    /// Highest value.
    pub maximum: f64,
    /// Lowest value.
    pub minimum: f64,
    /// `maximum - minimum`.
    pub peak_to_peak: f64,
    /// Peak amplitudes of orders 1 to 24 (index 0 is order 1).
    pub order_amplitudes: Vec<f64>,
    /// Phase of each order, radians: order n is `c_n cos(n theta + phase_n)`; 0 where the amplitude is 0.
    pub order_phases_rad: Vec<f64>,
}

/// Amplitude of an order of an ideal waveform of `pulse_number` pulses, over its mean: `2 / (n^2 - 1)` where `order` is
/// a multiple of the pulse number, else 0.
///
/// # Errors
/// [`crate::Error::OutOfRange`] for a pulse number below 2 or an order below 1.
///
/// ```
/// let six = sixpulse::rectifier::ideal::pulse_order_ratio(6, 6)?;
/// assert!((six - 2.0 / 35.0).abs() < 1e-15);
/// # Ok::<(), sixpulse::Error>(())
/// ```
pub fn pulse_order_ratio(pulse_number: u32, order: u32) -> crate::Result<f64> {
    for (parameter, value, least) in [("pulse_number", pulse_number, 2), ("order", order, 1)] {
        if value < least {
            return Err(crate::Error::out_of_range(parameter, &format!("{least} or more"), f64::from(value)));
        }
    }
    let n = f64::from(order);
    Ok(if order.is_multiple_of(pulse_number) { 2.0 / (n * n - 1.0) } else { 0.0 })
}

/// Output of an ideal circuit at an angle of phase A, radians, in units of the phase peak.
///
/// ```
/// use sixpulse::rectifier::ideal::{IdealCircuit, value};
/// assert!((value(IdealCircuit::SixPulse, 0.0) - 1.5).abs() < 1e-12);
/// assert!(value(IdealCircuit::OneDiodeOpen, 0.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn value(circuit: IdealCircuit, theta: f64) -> f64 {
    let (a, b, c) = (theta.cos(), (theta - TAU / 3.0).cos(), (theta + TAU / 3.0).cos());
    let lowest = a.min(b).min(c);
    let highest = a.max(b).max(c);
    match circuit {
        IdealCircuit::SinglePhaseHalfWave => a.max(0.0),
        IdealCircuit::SinglePhaseBridge => a.abs(),
        IdealCircuit::ThreePulse => highest,
        IdealCircuit::SixPulse => highest - lowest,
        IdealCircuit::TwelvePulse => highest - lowest + value(IdealCircuit::SixPulse, theta - PI / 6.0),
        IdealCircuit::OneDiodeOpen => b.max(c) - lowest,
        IdealCircuit::OpenPhase => (b - c).abs(),
        IdealCircuit::TwoOpenSameRail => c - lowest,
        IdealCircuit::TwoOpenOppositeRails => b.max(c) - a.min(c),
    }
}

/// As [`value`], at every angle of a slice.
///
/// # Errors
/// [`crate::Error::EmptyInput`] without angles, [`crate::Error::NonFinite`] naming the first that is not finite.
pub fn values(circuit: IdealCircuit, theta_rad: &[f64]) -> crate::Result<Vec<f64>> {
    crate::error::check_samples("theta_rad", theta_rad)?;
    Ok(theta_rad.iter().map(|&theta| value(circuit, theta)).collect())
}

/// Exact figures of an ideal circuit.
///
/// ```
/// use sixpulse::rectifier::ideal::{IdealCircuit, waveform};
/// let open = waveform(IdealCircuit::OneDiodeOpen);
/// assert!((open.order_amplitudes[0] - 0.5).abs() < 1e-15);
/// assert!((open.mean / waveform(IdealCircuit::SixPulse).mean - 5.0 / 6.0).abs() < 1e-15);
/// ```
#[must_use]
pub fn waveform(circuit: IdealCircuit) -> IdealWaveform {
    let Moments { mean, mean_square, maximum, minimum } = moments(circuit);
    let rms = mean_square.sqrt();
    let ac_rms = (mean_square - mean * mean).sqrt();
    let orders: Vec<(f64, f64)> = (1..=ORDERS).map(|n| order(circuit, n)).collect();
    IdealWaveform {
        circuit,
        mean,
        rms,
        ac_rms,
        ripple_factor: ac_rms / mean,
        form_factor: rms / mean,
        maximum,
        minimum,
        peak_to_peak: maximum - minimum,
        order_amplitudes: orders.iter().map(|(c, s)| c.hypot(*s)).collect(),
        order_phases_rad: orders.iter().map(|(c, s)| phase(*c, *s)).collect(),
    }
}

struct Moments {
    mean: f64,
    mean_square: f64,
    maximum: f64,
    minimum: f64,
}

/// `p` pulses in a cycle, tops of a cosine of that peak.
fn pulses(p: f64, peak: f64) -> Moments {
    Moments {
        mean: peak * p / PI * (PI / p).sin(),
        mean_square: peak * peak * (0.5 + p / (4.0 * PI) * (TAU / p).sin()),
        maximum: peak,
        minimum: peak * (PI / p).cos(),
    }
}

fn moments(circuit: IdealCircuit) -> Moments {
    // Mean of the healthy bridge; each open diode takes a sixth of it.
    let healthy = 3.0 * SQRT_3 / PI;
    let faulty =
        |sixths: f64, mean_square| Moments { mean: healthy * sixths / 6.0, mean_square, maximum: SQRT_3, minimum: 0.0 };
    match circuit {
        IdealCircuit::SinglePhaseHalfWave => Moments { mean: 1.0 / PI, mean_square: 0.25, maximum: 1.0, minimum: 0.0 },
        IdealCircuit::SinglePhaseBridge => Moments { minimum: 0.0, ..pulses(2.0, 1.0) },
        IdealCircuit::ThreePulse => pulses(3.0, 1.0),
        IdealCircuit::SixPulse => pulses(6.0, SQRT_3),
        // Two equal vectors 30 degrees apart add to 2 cos 15 of one.
        IdealCircuit::TwelvePulse => pulses(12.0, 2.0 * SQRT_3 * (PI / 12.0).cos()),
        IdealCircuit::OneDiodeOpen => faulty(5.0, 1.5 + 9.0 * SQRT_3 / (8.0 * PI)),
        IdealCircuit::OpenPhase => faulty(4.0, 1.5),
        IdealCircuit::TwoOpenSameRail => faulty(3.0, 1.0 + 3.0 * SQRT_3 / (8.0 * PI)),
        IdealCircuit::TwoOpenOppositeRails => faulty(4.0, 1.25 + 3.0 * SQRT_3 / (4.0 * PI)),
    }
}

/// Cosine and sine coefficients of order n: `c cos(n theta) + s sin(n theta)`.
fn order(circuit: IdealCircuit, n: usize) -> (f64, f64) {
    match circuit {
        IdealCircuit::SinglePhaseHalfWave => match n {
            1 => (0.5, 0.0),
            _ => (single_phase(n) / PI, 0.0),
        },
        IdealCircuit::SinglePhaseBridge => (2.0 * single_phase(n) / PI, 0.0),
        IdealCircuit::ThreePulse => (three_pulse(n) * cos_pi(n), 0.0),
        IdealCircuit::SixPulse => (six_pulse(n), 0.0),
        IdealCircuit::TwelvePulse => (if n.is_multiple_of(12) { 2.0 * six_pulse(n) } else { 0.0 }, 0.0),
        IdealCircuit::OneDiodeOpen => (six_pulse(n) - notch(n), 0.0),
        IdealCircuit::OpenPhase => (six_pulse(n) - notch(n) * (1.0 + cos_pi(n)), 0.0),
        // e_c = cos(theta + 2 pi / 3), and the lowest of three phases as three pulses upside down.
        IdealCircuit::TwoOpenSameRail => match n {
            1 => ((TAU / 3.0).cos(), -(TAU / 3.0).sin()),
            _ => (three_pulse(n), 0.0),
        },
        IdealCircuit::TwoOpenOppositeRails => {
            let (sin, cos) = (TAU / 6.0 * as_f64(n % 6)).sin_cos();
            (six_pulse(n) - notch(n) * (1.0 + cos), notch(n) * sin)
        }
    }
}

#[allow(clippy::cast_precision_loss, reason = "orders are small")]
fn as_f64(n: usize) -> f64 {
    n as f64
}

/// `cos(n pi)`.
fn cos_pi(n: usize) -> f64 {
    if n.is_multiple_of(2) { 1.0 } else { -1.0 }
}

fn law(n: usize) -> f64 {
    2.0 / (as_f64(n) * as_f64(n) - 1.0)
}

/// Cosine coefficient of half-wave rectification times pi: even orders, alternating.
fn single_phase(n: usize) -> f64 {
    match n % 4 {
        0 => -law(n),
        2 => law(n),
        _ => 0.0,
    }
}

/// Cosine coefficient of `-min(e)`.
fn three_pulse(n: usize) -> f64 {
    if n.is_multiple_of(3) { -3.0 * SQRT_3 / TAU * law(n) } else { 0.0 }
}

/// Cosine coefficient of the healthy bridge.
fn six_pulse(n: usize) -> f64 {
    if n.is_multiple_of(6) { -3.0 * SQRT_3 / PI * law(n) } else { 0.0 }
}

/// Cosine coefficient of the notch of one open diode.
fn notch(n: usize) -> f64 {
    if n == 1 {
        return 0.5;
    }
    // cos(n pi / 3), exact for every n.
    let cos = match n % 6 {
        0 => 1.0,
        1 | 5 => 0.5,
        2 | 4 => -0.5,
        _ => -1.0,
    };
    SQRT_3 / PI * (0.5 - cos) * law(n)
}

/// Phase of `c cos + s sin` as a single cosine.
fn phase(c: f64, s: f64) -> f64 {
    // Adding 0 turns -0, which atan2 would read as just below the axis, into 0.
    (-s + 0.0).atan2(c + 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use IdealCircuit as C;

    const ALL: [C; 9] = [
        C::SinglePhaseHalfWave,
        C::SinglePhaseBridge,
        C::ThreePulse,
        C::SixPulse,
        C::TwelvePulse,
        C::OneDiodeOpen,
        C::OpenPhase,
        C::TwoOpenSameRail,
        C::TwoOpenOppositeRails,
    ];

    /// Mean over a cycle of `f(theta)`: Gauss-Legendre, five points in each of 24 x 20 panels whose borders (every 15
    /// degrees) hold all corners of the waveforms, so that the integrand is analytic in each.
    fn cycle_mean(f: impl Fn(f64) -> f64) -> f64 {
        let nodes = [
            (0.0, 0.568_888_888_888_888_9),
            (0.538_469_310_105_683_1, 0.478_628_670_499_366_5),
            (0.906_179_845_938_664, 0.236_926_885_056_189_1),
        ];
        let half = PI / 480.0;
        let panel = |k: usize| {
            let middle = (2 * k + 1) as f64 * half;
            nodes
                .iter()
                .map(|&(x, w)| {
                    let both = f(middle + x * half) + f(middle - x * half);
                    w * if x == 0.0 { both / 2.0 } else { both }
                })
                .sum::<f64>()
        };
        (0..480).map(panel).sum::<f64>() / 960.0
    }

    /// 1e-12: the quadrature's own error; rounding of 2400 terms.
    #[test]
    fn closed_forms_equal_the_construction_by_phases() {
        for circuit in ALL {
            let w = waveform(circuit);
            let mean = cycle_mean(|t| value(circuit, t));
            let rms = cycle_mean(|t| value(circuit, t).powi(2)).sqrt();
            assert!((w.mean - mean).abs() < 1e-12 && (w.rms - rms).abs() < 1e-12, "{circuit}: {w:?} {mean} {rms}");
            assert_eq!((w.order_amplitudes.len(), w.order_phases_rad.len()), (ORDERS, ORDERS));
            for (i, (amplitude, phase)) in w.order_amplitudes.iter().zip(&w.order_phases_rad).enumerate() {
                let n = (i + 1) as f64;
                let cos = 2.0 * cycle_mean(|t| value(circuit, t) * (n * t).cos());
                let sin = 2.0 * cycle_mean(|t| value(circuit, t) * (n * t).sin());
                assert!(
                    (amplitude * phase.cos() - cos).abs() < 1e-12,
                    "{circuit} order {n}: {amplitude} {phase} {cos}"
                );
                assert!((-amplitude * phase.sin() - sin).abs() < 1e-12, "{circuit} order {n}: {amplitude} {sin}");
            }
        }
    }

    #[test]
    fn extremes_are_reached_and_never_passed() {
        for circuit in ALL {
            let w = waveform(circuit);
            // Every 7.5 degrees: all corners and tops lie on that grid.
            let grid: Vec<f64> = (0..48).map(|k| value(circuit, f64::from(k) * PI / 24.0)).collect();
            let high = grid.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let low = grid.iter().copied().fold(f64::INFINITY, f64::min);
            assert!((w.maximum - high).abs() < 1e-12 && (w.minimum - low).abs() < 1e-12, "{circuit}: {high} {low}");
        }
    }

    /// Handbook figures, to the digits printed (sources in the module's documentation).
    #[test]
    #[allow(clippy::approx_constant, reason = "three figures as a handbook prints them")]
    fn handbook_values() {
        for (circuit, mean, ripple_factor) in [
            (C::SinglePhaseHalfWave, 0.318, 1.21),
            (C::SinglePhaseBridge, 0.637, 0.483),
            (C::ThreePulse, 0.827, 0.183),
            (C::SixPulse, 1.654, 0.042),
            (C::TwelvePulse, 3.308, 0.010),
        ] {
            let w = waveform(circuit);
            assert!((w.mean - mean).abs() < 5e-4, "{circuit}: {}", w.mean);
            assert!((w.ripple_factor - ripple_factor).abs() < 5e-3 * ripple_factor.max(0.1), "{circuit}: {w:?}");
        }
        assert!((waveform(C::SixPulse).ripple_factor - 0.041_966_6).abs() < 1e-7);
        assert!((waveform(C::SinglePhaseBridge).ripple_factor - 0.483_425_8).abs() < 1e-7);
        assert!((waveform(C::ThreePulse).ripple_factor - 0.182_706_6).abs() < 1e-7);
    }

    #[test]
    fn the_pulse_law_holds_in_every_healthy_circuit() {
        for (circuit, p) in [(C::SinglePhaseBridge, 2), (C::ThreePulse, 3), (C::SixPulse, 6), (C::TwelvePulse, 12)] {
            let w = waveform(circuit);
            for (n, c) in (1..).zip(&w.order_amplitudes) {
                assert!((c / w.mean - pulse_order_ratio(p, n).unwrap()).abs() < 1e-14, "{circuit} order {n}");
            }
        }
        assert_eq!(pulse_order_ratio(1, 1).unwrap_err().parameter(), "pulse_number");
        assert_eq!(pulse_order_ratio(6, 0).unwrap_err().parameter(), "order");
    }

    /// Two even orders and nothing odd: a phase lost is a single-phase bridge on the line voltage.
    #[test]
    fn an_open_phase_is_a_single_phase_bridge_of_the_line_voltage() {
        let (lost, bridge) = (waveform(C::OpenPhase), waveform(C::SinglePhaseBridge));
        for (a, b) in lost.order_amplitudes.iter().zip(&bridge.order_amplitudes) {
            assert!((a - SQRT_3 * b).abs() < 1e-14);
        }
        assert!((lost.ripple_factor - bridge.ripple_factor).abs() < 1e-12);
    }

    #[test]
    fn order_six_over_the_mean_never_moves() {
        for circuit in [C::SixPulse, C::OneDiodeOpen, C::OpenPhase, C::TwoOpenSameRail, C::TwoOpenOppositeRails] {
            let w = waveform(circuit);
            assert!((w.order_amplitudes[5] / w.mean - 2.0 / 35.0).abs() < 1e-14, "{circuit}");
            assert!(w.order_amplitudes[4].abs() < 1e-15 && w.order_amplitudes[6].abs() < 1e-15, "{circuit}");
        }
    }
}
