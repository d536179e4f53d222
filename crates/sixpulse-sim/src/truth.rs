//! What is true of a simulated capture: everything an analysis could be asked for.

use serde::{Deserialize, Serialize};
use sixpulse::Role;
use sixpulse::rectifier::Pattern;

use crate::bridge::{DiodeCondition, LeadCondition, Leg};
use crate::kind::{Condition, Fault};
use crate::solve::Circuit;

/// Version of the layout of [`Truth`]; raised when a field changes its meaning or goes.
pub const TRUTH_VERSION: u32 = 1;
/// Orders of the electrical frequency whose amplitudes are stated.
pub const ORDERS: usize = 24;
/// Most points of the frequency track.
pub const TRACK_POINTS: usize = 256;

/// The truth of one capture. "Clean" is the solver's voltage before the instrument.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Layout version, [`TRUTH_VERSION`].
    pub schema_version: u32,
    /// Version of the library that simulated.
    pub library_version: String,
    /// The pattern that an analysis should report.
    pub pattern: Pattern,
    /// Fault and condition in one word, such as `open_diode_ramp`.
    pub sub_kind: String,
    /// What is wrong.
    pub fault: Fault,
    /// What else makes it hard to read.
    pub condition: Condition,
    /// Where the faults sit; the DC side cannot tell.
    pub faults: Vec<FaultPlace>,
    /// Pulses in an electrical cycle: 6 or 12.
    pub pulse_number: u32,
    /// Mean electrical frequency over the record, hertz: angle turned / (2 pi duration).
    pub electrical_hz: f64,
    /// Electrical frequency over time.
    pub electrical_track: Track,
    /// Mean engine speed over the record, 1/min.
    pub engine_rpm: f64,
    /// Mean alternator speed over the record, 1/min.
    pub alternator_rpm: f64,
    /// Pole pairs.
    pub pole_pairs: u32,
    /// The charging post.
    pub post: PointTruth,
    /// The battery post.
    pub battery: PointTruth,
    /// `1 - rms at the battery / rms at the charging post`; `None` without ripple at the post.
    pub attenuation: Option<f64>,
    /// Mean current that the bridge delivers, amperes.
    pub bridge_current_a: f64,
    /// Mean current into the battery, amperes.
    pub battery_current_a: f64,
    /// The sensor, where there is one.
    pub sensor: Option<SensorTruth>,
    /// What the instrument did to each trace.
    pub traces: Vec<TraceTruth>,
}

/// Electrical frequency at times spread evenly over the record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Track {
    /// Seconds from the first sample.
    pub time_s: Vec<f64>,
    /// Hertz.
    pub electrical_hz: Vec<f64>,
}

/// A supply voltage, clean.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointTruth {
    /// Mean over the record, volts.
    pub mean_v: f64,
    /// `max - min` over the record, volts.
    pub peak_to_peak_v: f64,
    /// R.m.s. about the mean over the record, volts.
    pub rms_v: f64,
    /// R.m.s. of what repeats with the electrical cycle: `sqrt(sum c_n^2 / 2)` over orders 1 to 24.
    pub synchronous_rms_v: f64,
    /// Peak amplitudes c_1 ... c_24 over the whole cycles of the record, in the angle domain, volts.
    pub order_amplitudes_v: Vec<f64>,
}

/// What is wrong at one place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FaultPlace {
    /// `positive_diode`, `negative_diode`, `stator_lead` or `winding`.
    pub place: String,
    /// Phase, 0 to 2 (0 to 5 with two stators).
    pub phase: usize,
    /// `open`, `shorted`, `leaking`, `resistive`, `intermittent`, `broken`, `short_to_case`, `turn_short`, `weak`.
    pub what: String,
    /// Resistance in ohm, where one belongs to it.
    pub ohm: Option<f64>,
    /// EMF relative to nominal (`weak`) or share of turns (`turn_short`).
    pub fraction: Option<f64>,
}

/// Whether the toothed ring turns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Motion {
    /// The sensor should be silent.
    Still,
    /// The sensor gives a signal of its own.
    Turning,
}

/// Whether ripple reaches the sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Purity {
    /// No path carries ripple.
    Clean,
    /// At least one does.
    Contaminated,
}

/// The sensor's circuit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorTruth {
    /// Kind of sensor.
    pub role: Role,
    /// Turning or not.
    pub motion: Motion,
    /// Contaminated or not.
    pub purity: Purity,
    /// Volts per volt of the charging post's ripple, signed; `None` where the transfer is no plain gain from the post.
    pub gain_v_per_v: Option<f64>,
    /// Delay behind the charging post, seconds; `None` likewise.
    pub delay_s: Option<f64>,
    /// Transfer from the charging post at each order of the electrical frequency that the post carries with at least
    /// [`TRANSFER_SHARE`] of its greatest order, in whatever way the ripple comes; empty for a clean circuit.
    #[serde(default)]
    pub order_transfer: Vec<OrderTransfer>,
    /// Mean frequency of the ring's places (teeth and gaps alike), hertz; `None` at standstill.
    pub own_frequency_hz: Option<f64>,
    /// Mean frequency of the teeth that are there, hertz; `None` at standstill.
    pub own_tooth_hz: Option<f64>,
    /// Peak-to-peak of the sensor's own signal, volts.
    pub own_peak_to_peak_v: f64,
    /// R.m.s. about the mean of the sensor's own signal, volts.
    pub own_rms_v: f64,
    /// R.m.s. of what was coupled in, volts.
    pub coupled_rms_v: f64,
    /// Frequency that the conditioner counts without the ripple, hertz (0: nothing).
    pub clean_indicated_hz: f64,
    /// Frequency that it counts with the ripple, hertz (0: nothing).
    pub indicated_hz: f64,
    /// Pulses that it counts with the ripple.
    pub indicated_pulses: usize,
}

/// Least amplitude of an order, relative to the greatest one at the charging post, for which a transfer is stated.
pub const TRANSFER_SHARE: f64 = 0.02;
/// Orders to which a transfer is stated.
pub const TRANSFER_ORDERS: usize = 12;

/// Transfer at one order: what was coupled into the sensor's line over the ripple of the charging post, both in the angle
/// domain over the record's whole cycles (on a ramp a mean over the speeds).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OrderTransfer {
    /// Order of the electrical frequency, from 1.
    pub order: usize,
    /// Amplitude coupled in over the amplitude at the charging post, V/V, 0 or more.
    pub gain_v_per_v: f64,
    /// Angle by which it lags the charging post at that order, radians, above -pi to pi: `2 pi order f delay` for a
    /// plain delay, half a turn more for a reversed one.
    pub lag_rad: f64,
}

/// What the instrument did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TraceTruth {
    /// Name of the trace.
    pub name: String,
    /// Units per count.
    pub step: f64,
    /// Value of count 0.
    pub offset: f64,
    /// Samples at either end of the converter.
    pub clipped: usize,
    /// Standard deviation of the noise added, in the trace's unit.
    pub noise: f64,
}

/// Where the faults of a circuit sit.
#[must_use]
pub fn fault_places(circuit: &Circuit) -> Vec<FaultPlace> {
    let mut places = Vec::new();
    for (phase, leg) in circuit.bridge.legs.iter().enumerate() {
        leg_faults(phase, leg, &mut places);
    }
    for (phase, scale) in circuit.alternator.emf.phase_scale.iter().enumerate() {
        if *scale <= 1.0 - crate::kind::SPREAD_LIMIT {
            places.push(place("winding", phase, "weak", None, Some(*scale)));
        }
    }
    if let Some(short) = circuit.alternator.turn_short {
        places.push(place("winding", short.phase, "turn_short", Some(short.contact_ohm), Some(short.fraction)));
    }
    places
}

fn place(place: &str, phase: usize, what: &str, ohm: Option<f64>, fraction: Option<f64>) -> FaultPlace {
    FaultPlace { place: place.into(), phase, what: what.into(), ohm, fraction }
}

fn leg_faults(phase: usize, leg: &Leg, places: &mut Vec<FaultPlace>) {
    for (name, diode) in [("positive_diode", leg.positive), ("negative_diode", leg.negative)] {
        let (what, ohm) = match diode {
            DiodeCondition::Sound => continue,
            DiodeCondition::Open => ("open", None),
            DiodeCondition::Shorted { ohm } => ("shorted", Some(ohm)),
            DiodeCondition::Leaking { ohm } => ("leaking", Some(ohm)),
            DiodeCondition::ResistiveJoint { ohm } => ("resistive", Some(ohm)),
            DiodeCondition::Intermittent { .. } => ("intermittent", None),
        };
        places.push(place(name, phase, what, ohm, None));
    }
    let (what, ohm) = match leg.lead {
        LeadCondition::Sound => return,
        LeadCondition::Broken => ("broken", None),
        LeadCondition::Resistive { ohm } => ("resistive", Some(ohm)),
        LeadCondition::ShortToCase { ohm } => ("short_to_case", Some(ohm)),
    };
    places.push(place("stator_lead", phase, what, ohm, None));
}

/// The figures of a supply voltage `x`, with the electrical angle at each of its points.
#[must_use]
pub fn point_truth(x: &[f64], angle_rad: &[f64]) -> PointTruth {
    let mean_v = mean(x);
    let low = x.iter().copied().fold(f64::INFINITY, f64::min);
    let high = x.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let order_amplitudes_v = order_amplitudes(x, mean_v, angle_rad);
    PointTruth {
        mean_v,
        peak_to_peak_v: high - low,
        rms_v: rms_about(x, mean_v),
        synchronous_rms_v: libm::sqrt(order_amplitudes_v.iter().map(|c| c * c / 2.0).sum()),
        order_amplitudes_v,
    }
}

/// Mean of a record.
#[allow(clippy::cast_precision_loss, reason = "records are far shorter than 2^53 samples")]
pub(crate) fn mean(x: &[f64]) -> f64 {
    x.iter().sum::<f64>() / x.len().max(1) as f64
}

/// R.m.s. of a record about a level.
#[allow(clippy::cast_precision_loss, reason = "records are far shorter than 2^53 samples")]
pub(crate) fn rms_about(x: &[f64], level: f64) -> f64 {
    libm::sqrt(x.iter().map(|v| (v - level) * (v - level)).sum::<f64>() / x.len().max(1) as f64)
}

/// Number of leading points that hold whole electrical cycles; 0 when not even one fits.
#[must_use]
pub fn whole_cycles(angle_rad: &[f64]) -> usize {
    let (Some(first), Some(last)) = (angle_rad.first(), angle_rad.last()) else { return 0 };
    let cycles = libm::floor((last - first) / std::f64::consts::TAU + 1e-9);
    let end = first + cycles * std::f64::consts::TAU;
    if cycles < 1.0 { 0 } else { angle_rad.partition_point(|a| *a < end - 1e-9) }
}

/// `c_n = |2 / Theta int x exp(-j n theta) dtheta|`.
fn order_amplitudes(x: &[f64], level: f64, angle_rad: &[f64]) -> Vec<f64> {
    order_phasors(x, level, angle_rad).iter().map(|(re, im)| libm::sqrt(re * re + im * im)).collect()
}

/// The transfer from `post` to what was `coupled` in, order by order.
#[must_use]
pub fn order_transfer(post: &[f64], coupled: &[f64], angle_rad: &[f64]) -> Vec<OrderTransfer> {
    let from = order_phasors(post, mean(post), angle_rad);
    let to = order_phasors(coupled, mean(coupled), angle_rad);
    let size = |c: &(f64, f64)| libm::sqrt(c.0 * c.0 + c.1 * c.1);
    let greatest = from.iter().map(size).fold(0.0, f64::max);
    let orders = (1..=TRANSFER_ORDERS).zip(from.iter().zip(&to));
    let carried = orders.filter(|(_, (p, _))| greatest > 0.0 && size(p) >= TRANSFER_SHARE * greatest);
    carried
        .map(|(order, (p, c))| {
            // p conj(c): its angle is that of the post less that of the coupled ripple.
            let (re, im) = (p.0 * c.0 + p.1 * c.1, p.1 * c.0 - p.0 * c.1);
            OrderTransfer { order, gain_v_per_v: size(c) / size(p), lag_rad: libm::atan2(im, re) }
        })
        .collect()
}

/// Points of a record that are turned side by side.
const LANES: usize = 8;

/// `2 / Theta int x exp(-j n theta) dtheta` over the whole cycles Theta of the record (trapezoids in the angle).
fn order_phasors(x: &[f64], level: f64, angle_rad: &[f64]) -> Vec<(f64, f64)> {
    let count = whole_cycles(angle_rad).min(x.len());
    let mut sums = [(0.0_f64, 0.0_f64); ORDERS];
    for start in (0..count).step_by(LANES) {
        // Points turn side by side, for one turn waits for the turn before; they are added one after the other. Lanes
        // beyond the last point have no weight, and a sum that a zero is added to stays what it is.
        let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
        let (mut sin, mut cos) = ([0.0; LANES], [0.0; LANES]);
        for (lane, i) in (start..count.min(start + LANES)).enumerate() {
            let before = angle_rad[i.saturating_sub(1)];
            let after = angle_rad[(i + 1).min(count - 1)];
            re[lane] = 0.5 * (after - before) * (x[i] - level);
            (sin[lane], cos[lane]) = libm::sincos(angle_rad[i]);
        }
        for sum in &mut sums {
            for lane in 0..LANES {
                let (r, i) = (re[lane], im[lane]);
                re[lane] = r * cos[lane] + i * sin[lane];
                im[lane] = i * cos[lane] - r * sin[lane];
            }
            re.iter().for_each(|r| sum.0 += r);
            im.iter().for_each(|i| sum.1 += i);
        }
    }
    let total = if count > 0 { angle_rad[count - 1] - angle_rad[0] } else { 0.0 };
    let scale = if total > 0.0 { 2.0 / total } else { 0.0 };
    sums.iter().map(|(re, im)| (scale * re, scale * im)).collect()
}

/// At most [`TRACK_POINTS`] points of the frequency, spread evenly.
#[must_use]
#[allow(clippy::cast_precision_loss, reason = "records are far shorter than 2^53 samples")]
pub fn track(electrical_hz: &[f64], rate_hz: f64) -> Track {
    let points = TRACK_POINTS.min(electrical_hz.len());
    let last = electrical_hz.len().saturating_sub(1);
    let at = |k: usize| if points < 2 { 0 } else { k * last / (points - 1) };
    Track {
        time_s: (0..points).map(|k| at(k) as f64 / rate_hz).collect(),
        electrical_hz: (0..points).map(|k| electrical_hz[at(k)]).collect(),
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    #[test]
    fn orders_of_a_known_wave_on_a_ramp() {
        // Angle of a 20 % ramp: 200 Hz to 240 Hz over 0.25 s.
        let rate = 200_000.0;
        let angle: Vec<f64> =
            (0..50_000).map(|i| f64::from(i) / rate).map(|t| TAU * (200.0 * t + 80.0 * t * t) + 0.3).collect();
        let x: Vec<f64> =
            angle.iter().map(|a| 14.0 + 0.2 * a.cos() + 0.1 * (2.0 * a).sin() + 0.05 * (6.0 * a + 1.0).cos()).collect();
        let truth = point_truth(&x, &angle);
        for (order, want) in [(1, 0.2), (2, 0.1), (3, 0.0), (6, 0.05), (12, 0.0)] {
            // The mean over time is not quite the mean over angle on a ramp; trapezoids: (6 pi / 400)^2.
            assert!(
                (truth.order_amplitudes_v[order - 1] - want).abs() < 2e-4,
                "{order} {:?}",
                truth.order_amplitudes_v
            );
        }
        let law = ((0.2_f64.powi(2) + 0.1_f64.powi(2) + 0.05_f64.powi(2)) / 2.0).sqrt();
        assert!((truth.synchronous_rms_v - law).abs() < 1e-4);
    }

    #[test]
    fn transfers_of_a_plain_delay_and_of_a_reversed_one() {
        let (rate, hz, delay_s) = (200_000.0, 250.0, 40e-6);
        let wave = |t: f64| 0.3 * (TAU * hz * t).cos() + 0.1 * (TAU * 6.0 * hz * t + 0.4).cos();
        let time: Vec<f64> = (0..20_000).map(|i| f64::from(i) / rate).collect();
        let angle: Vec<f64> = time.iter().map(|t| TAU * hz * t).collect();
        let post: Vec<f64> = time.iter().map(|t| 14.0 + wave(*t)).collect();
        for (gain, turn) in [(0.4, 0.0), (-0.4, std::f64::consts::PI)] {
            let coupled: Vec<f64> = time.iter().map(|t| gain * wave(t - delay_s)).collect();
            let got = order_transfer(&post, &coupled, &angle);
            assert_eq!(got.iter().map(|t| t.order).collect::<Vec<_>>(), [1, 6]);
            for t in got {
                let lag = TAU * t.order as f64 * hz * delay_s + turn;
                let apart = (t.lag_rad - lag).rem_euclid(TAU);
                assert!((t.gain_v_per_v - 0.4).abs() < 1e-3 && apart.min(TAU - apart) < 2e-3, "{t:?} {lag}");
            }
        }
    }

    #[test]
    fn the_track_spans_the_record() {
        let hz: Vec<f64> = (0..1000).map(f64::from).collect();
        let track = track(&hz, 1000.0);
        assert_eq!((track.time_s.len(), track.time_s[255], track.electrical_hz[255]), (256, 0.999, 999.0));
    }
}
