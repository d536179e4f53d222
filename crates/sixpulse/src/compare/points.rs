//! Charging post against battery post: how much of the ripple the battery lets through, and the impedances behind it.
//!
//! Cable (joints and the return to the alternator's case included) and battery divide the ripple. With `P`, `B` the
//! complex amplitudes of an order at the two posts: gain `H = B / P`, and the series impedances stand as
//! `Z_cable / Z_battery = (P - B) / B = 1 / H - 1`. A current channel makes them absolute: `Z_cable = (P - B) / I`,
//! `Z_battery = B / I`. Over the orders, the cable is fitted by `R + jwL`, the battery by `R + jwL + 1 / (jwC)` where its
//! capacitive part shows.

use super::batches::{Batches, mean_and_std, ratio_of_mean_squares};
use super::impedance::{self, Impedance};
use super::{effective_freedom, student_95, student_95_between};
use crate::angle::PhaseTrack;
use crate::coupling::AcView;
use crate::error::{Error, Result};
use crate::examine::{ExamineOptions, RIPPLE_CORNER_HZ, track_of};
use crate::level::SYSTEM_BORDER_V;
use crate::trace::{Capture, Coupling, Machine, Role, Samples, Trace, for_each_block, words};
use rustfft::num_complex::Complex64;

/// What an attenuation was formed from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum AttenuationBasis {
    /// The orders of the electrical cycle: the alternator's ripple alone.
    Orders,
    /// The whole record above 5 Hz, because no electrical cycle was found: noise and switched loads count.
    Record,
}
words!(AttenuationBasis, "basis", "orders" => AttenuationBasis::Orders, "record" => AttenuationBasis::Record);

/// Something to bear in mind with a comparison of points.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum PointsCode {
    /// The ripple was read at the battery alone.
    MeasuredAtBattery,
    /// The two voltages were not coupled alike, and the corner of the AC coupling is not known.
    CouplingDiffers,
    /// The current counts what the battery and the loads take together.
    LoadsInParallel,
    /// The current counts what the battery takes, without the loads that the cable feeds too.
    LoadsLeftOut,
    /// The fitted resistance is negative: the current clamp sat the other way round; its sign was turned.
    ClampReversed,
    /// A delay of the clamp behind the voltage probes shifts the inductances.
    ClampDelay,
    /// A current was captured, but no order of it stands clear of its noise.
    CurrentUnclear,
}
words!(PointsCode, "code", "measured_at_battery" => PointsCode::MeasuredAtBattery,
    "coupling_differs" => PointsCode::CouplingDiffers, "loads_in_parallel" => PointsCode::LoadsInParallel,
    "loads_left_out" => PointsCode::LoadsLeftOut, "clamp_reversed" => PointsCode::ClampReversed,
    "clamp_delay" => PointsCode::ClampDelay, "current_unclear" => PointsCode::CurrentUnclear);

/// One such thing, in a sentence.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct PointsNote {
    /// Stable code.
    pub code: PointsCode,
    /// What it means here, in a sentence with its numbers.
    pub statement: String,
}

/// One order at both posts.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct PointsOrder {
    /// The order.
    pub order: u32,
    /// Its mean frequency, hertz.
    pub frequency_hz: f64,
    /// Peak amplitude at the charging post, volts.
    pub post_v: f64,
    /// Peak amplitude at the battery, volts.
    pub battery_v: f64,
    /// Magnitude of the complex ratio battery / post.
    pub gain: f64,
    /// Standard uncertainty of it.
    pub gain_std: f64,
    /// Lower end of its 95 % interval; not below 0.
    pub gain_low: f64,
    /// Upper end of its 95 % interval.
    pub gain_high: f64,
    /// Phase of the battery against the post, radians; negative lags.
    pub phase_rad: f64,
    /// Standard uncertainty of it.
    pub phase_rad_std: f64,
    /// Magnitude of `Z_cable / Z_battery = 1 / H - 1`; `None` where the battery shows nothing clear of its noise.
    pub impedance_ratio: Option<f64>,
    /// Standard uncertainty of it.
    pub impedance_ratio_std: Option<f64>,
    /// Angle of `Z_cable / Z_battery`, radians.
    pub impedance_ratio_phase_rad: Option<f64>,
}

/// What the charging post would show, from a reading at the battery.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct PostEstimate {
    /// Least ripple r.m.s. at the post, volts.
    pub rms_low_v: f64,
    /// Greatest ripple r.m.s. at the post, volts.
    pub rms_high_v: f64,
    /// Ripple r.m.s. with every impedance at the (geometric) middle of its range, volts.
    pub rms_middle_v: f64,
    /// Least attenuation (battery / post) of that range.
    pub attenuation_low: f64,
    /// Greatest attenuation (battery / post) of that range.
    pub attenuation_high: f64,
    /// What the range rests on, in a sentence.
    pub basis: String,
}

/// Charging post against battery post.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Points {
    /// Name of the charging-post trace; `None` when the ripple was read at the battery alone.
    pub post: Option<String>,
    /// Name of the battery-post trace.
    pub battery: String,
    /// Ripple r.m.s. at the charging post, volts, level removed.
    pub post_rms_v: Option<f64>,
    /// Ripple r.m.s. at the battery, volts, level removed.
    pub battery_rms_v: f64,
    /// How much of the ripple the battery lets through: ripple r.m.s. at the battery / at the charging post, of the
    /// orders of the electrical cycle, or of the whole record (see `attenuation_basis`); `None` with a `reason`.
    pub attenuation: Option<f64>,
    /// Standard uncertainty of it.
    pub attenuation_std: Option<f64>,
    /// Lower end of its 95 % interval; not below 0.
    pub attenuation_low: Option<f64>,
    /// Upper end of its 95 % interval.
    pub attenuation_high: Option<f64>,
    /// What it was formed from.
    pub attenuation_basis: Option<AttenuationBasis>,
    /// Ripple r.m.s. along the cable (post - battery, order by order) / at the battery: the series impedance of cable
    /// and return against the battery's, weighted by the ripple; `None` without orders at both posts.
    pub impedance_ratio: Option<f64>,
    /// Standard uncertainty of it.
    pub impedance_ratio_std: Option<f64>,
    /// Why the attenuation is missing, or rests on the record alone.
    pub reason: Option<String>,
    /// The orders that stand clear of the noise at the charging post.
    pub orders: Vec<PointsOrder>,
    /// Impedance of the battery, where a current was captured.
    pub battery_impedance: Option<Impedance>,
    /// Impedance of the cable with its joints and the return, where a current and both voltages were captured.
    pub cable_impedance: Option<Impedance>,
    /// What the post would show, where the ripple was read at the battery alone.
    pub post_estimate: Option<PostEstimate>,
    /// What to bear in mind.
    pub notes: Vec<PointsNote>,
}

/// What is known besides the capture.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PointsOptions {
    /// What is known of the alternator.
    pub machine: Machine,
    /// Electrical frequency in hertz, where known.
    pub electrical_hz: Option<f64>,
    /// Delay of the current clamp behind the voltage probes, seconds (0 when not known); its phase is taken off.
    pub current_delay_s: f64,
}

/// Longest delay of a clamp that is believed, seconds.
const LONGEST_DELAY_S: f64 = 1e-3;

/// Compares the charging post with the battery post.
///
/// ```
/// use sixpulse::compare::{PointsOptions, compare_points};
/// use sixpulse::{Capture, Coupling, Role, Trace};
/// // An open diode's ripple, of which the battery lets 60 % through.
/// let volts = |gain: f64| {
///     (0..20_000).map(move |i| {
///         let theta = 2.0 * std::f64::consts::PI * 200.0 * f64::from(i) / 50_000.0;
///         let phase = |k: f64| (theta - k * 2.0 * std::f64::consts::PI / 3.0).cos();
///         let (a, b, c) = (phase(0.0), phase(1.0), phase(2.0));
///         14.0 + gain * (b.max(c) - a.min(b).min(c))
///     })
/// };
/// let trace = |gain, role| Trace::from_f64(volts(gain).collect(), 50_000.0, Coupling::Dc, role);
/// let post = trace(0.3, Role::ChargingPost)?;
/// let battery = trace(0.18, Role::BatteryPost)?;
/// let capture = Capture::new(vec![("post".into(), post), ("battery".into(), battery)])?;
/// let points = compare_points(&capture, &PointsOptions::default())?;
/// assert!((points.attenuation.unwrap_or(0.0) - 0.6).abs() < 1e-6);
/// assert!((points.impedance_ratio.unwrap_or(0.0) - 2.0 / 3.0).abs() < 1e-6);
/// # Ok::<(), sixpulse::Error>(())
/// ```
///
/// # Errors
/// [`Error::InvalidCombination`] for a capture without a battery-post trace; [`Error::OutOfRange`] for a delay outside
/// 0 to 1 ms; as [`crate::examine()`].
pub fn compare_points(capture: &Capture, options: &PointsOptions) -> Result<Points> {
    let delay_s = options.current_delay_s;
    if !(0.0..=LONGEST_DELAY_S).contains(&delay_s) {
        return Err(Error::out_of_range("current_delay_s", "0 to 0.001 s", delay_s));
    }
    let known = ExamineOptions { machine: options.machine, electrical_hz: options.electrical_hz };
    let track = track_of(capture, &known)?;
    assess(capture, track.as_ref(), delay_s)?.ok_or_else(|| Error::InvalidCombination {
        parameter: "capture".into(),
        reason: "there is no voltage trace from the battery's post to compare".into(),
    })
}

/// Compares the points of a capture whose electrical cycle `track` follows; `None` without a battery-post trace.
///
/// # Errors
/// As [`AcView::new`].
pub fn assess(capture: &Capture, track: Option<&PhaseTrack>, current_delay_s: f64) -> Result<Option<Points>> {
    let Some((battery, battery_trace)) = capture.by_role(Role::BatteryPost) else { return Ok(None) };
    let post = capture.by_role(Role::ChargingPost);
    let at_battery = Reading::new(battery_trace, track)?;
    let at_post = post.map(|(_, trace)| Reading::new(trace, track)).transpose()?;
    let mut points = Points {
        post: post.map(|(name, _)| name.into()),
        battery: battery.into(),
        post_rms_v: at_post.as_ref().map(Reading::rms_v),
        battery_rms_v: at_battery.rms_v(),
        attenuation: None,
        attenuation_std: None,
        attenuation_low: None,
        attenuation_high: None,
        attenuation_basis: None,
        impedance_ratio: None,
        impedance_ratio_std: None,
        reason: None,
        orders: Vec::new(),
        battery_impedance: None,
        cable_impedance: None,
        post_estimate: None,
        notes: Vec::new(),
    };
    if let (Some((_, post_trace)), Some(at_post)) = (post, &at_post) {
        points.attenuate(at_post, &at_battery);
        points.notes.extend(coupling_note(post_trace, battery_trace));
    }
    let drop = at_post.as_ref().and_then(|p| Some(p.orders.as_ref()?.minus(at_battery.orders.as_ref()?)));
    points.impedances(capture, track, current_delay_s, at_battery.orders.as_ref(), drop.as_ref());
    if at_post.is_none() {
        points.estimate_post(battery_trace, &at_battery);
    }
    Ok(Some(points))
}

/// One voltage: its mean squares over blocks of the record, and its orders where there is a cycle.
struct Reading {
    mean_squares: Vec<f64>,
    orders: Option<Batches>,
}

/// Blocks over which the record's mean square is taken where no cycle was found.
const BLOCKS: usize = 16;

impl Reading {
    fn new(trace: &Trace, track: Option<&PhaseTrack>) -> Result<Self> {
        let view = AcView::new(trace, RIPPLE_CORNER_HZ)?;
        let n = view.len();
        let blocks = BLOCKS.min(n);
        let mut sums = vec![(0.0, 0_usize); blocks];
        for_each_block(&view, |start, block| {
            for (offset, x) in block.iter().enumerate() {
                if let Some((sum, count)) = sums.get_mut((start + offset) * blocks / n) {
                    *sum += x * x;
                    *count += 1;
                }
            }
        });
        let mean_squares = sums.iter().map(|(sum, count)| sum / (*count).max(1) as f64).collect();
        Ok(Self { mean_squares, orders: track.and_then(|t| Batches::read(trace, t).ok()) })
    }

    fn rms_v(&self) -> f64 {
        mean_and_std(&self.mean_squares).0.sqrt()
    }
}

impl Points {
    fn attenuate(&mut self, post: &Reading, battery: &Reading) {
        let orders = post.orders.as_ref().zip(battery.orders.as_ref());
        let clear = post.orders.as_ref().map(Batches::clear_orders).unwrap_or_default();
        match orders.filter(|_| !clear.is_empty()) {
            Some((p, b)) => {
                let (at_post, at_battery) = (p.mean_squares(&clear), b.mean_squares(&clear));
                self.set_attenuation(AttenuationBasis::Orders, &at_battery, &at_post, p.left_open(b, &clear));
                let drop = p.minus(b).mean_squares(&clear);
                if let Some((ratio, std)) = ratio_of_mean_squares(&drop, &at_battery).filter(|r| r.0 > 0.0) {
                    self.impedance_ratio = Some(ratio.sqrt());
                    self.impedance_ratio_std = Some(0.5 * std / ratio.sqrt());
                }
                self.orders = clear.iter().filter_map(|&i| order_at_both(p, b, i)).collect();
            }
            None => {
                self.reason = Some("no electrical cycle was found: noise and switched loads count as ripple".into());
                self.set_attenuation(AttenuationBasis::Record, &battery.mean_squares, &post.mean_squares, 0.0);
            }
        }
        if self.attenuation.is_none() {
            self.reason = Some("the charging post shows no ripple".into());
        }
    }

    /// `left_open` is the variance of the ratio of mean squares that the scatter of the batches does not show.
    fn set_attenuation(&mut self, basis: AttenuationBasis, battery: &[f64], post: &[f64], left_open: f64) {
        let Some((ratio, scatter)) = ratio_of_mean_squares(battery, post) else { return };
        let value = ratio.max(0.0).sqrt();
        let variances = [scatter * scatter, left_open];
        let std = variances.iter().sum::<f64>().sqrt();
        let freedom = effective_freedom(&variances, &[battery.len() as f64 - 1.0, f64::INFINITY]);
        let reach = student_95_between(freedom) * std;
        self.attenuation = Some(value);
        self.attenuation_std = Some(if value > 0.0 { (0.5 * std / value).min(std.sqrt()) } else { std.sqrt() });
        self.attenuation_low = Some((ratio - reach).max(0.0).sqrt());
        self.attenuation_high = Some((ratio + reach).max(0.0).sqrt());
        self.attenuation_basis = Some(basis);
    }

    fn impedances(
        &mut self,
        capture: &Capture,
        track: Option<&PhaseTrack>,
        delay_s: f64,
        battery: Option<&Batches>,
        drop: Option<&Batches>,
    ) {
        let (Some(track), Some(battery)) = (track, battery) else { return };
        let cable_clamp = impedance::Clamp::read(capture, Role::ChargingCurrent, track, delay_s);
        let battery_clamp = impedance::Clamp::read(capture, Role::BatteryCurrent, track, delay_s);
        let found = impedance::assess(cable_clamp.as_ref(), battery_clamp.as_ref(), battery, drop);
        self.battery_impedance = found.battery;
        self.cable_impedance = found.cable;
        self.notes.extend(found.notes);
    }

    fn estimate_post(&mut self, trace: &Trace, at_battery: &Reading) {
        self.reason = Some("the ripple was read at the battery alone".into());
        let mut statement = "The ripple was read at the battery, which cushions it".to_owned();
        let orders = at_battery.orders.as_ref().filter(|b| !b.clear_orders().is_empty());
        match orders {
            Some(orders) => {
                let estimate = estimate(orders, battery_scale(trace), self.battery_impedance.as_ref());
                statement += &format!(
                    ": the charging post would show {:.0} to {:.0} mV r.m.s. ({}).",
                    1e3 * estimate.rms_low_v,
                    1e3 * estimate.rms_high_v,
                    estimate.basis
                );
                self.post_estimate = Some(estimate);
            }
            None => statement += "; without an electrical cycle nothing can be said of the post.",
        }
        self.notes.insert(0, PointsNote { code: PointsCode::MeasuredAtBattery, statement });
    }
}

fn order_at_both(post: &Batches, battery: &Batches, i: usize) -> Option<PointsOrder> {
    let (ratio, std) = post.ratio(battery, i)?;
    let gain = ratio.norm();
    let t = student_95(post.count() - 1);
    // What the battery does not show clear of its noise has no impedance ratio: its uncertainty has no upper end.
    let implied = (gain > 3.0 * std && gain > 0.0).then(|| ratio.inv() - 1.0);
    Some(PointsOrder {
        order: u32::try_from(i + 1).ok()?,
        frequency_hz: (i + 1) as f64 * post.mean_hz(),
        post_v: post.amplitude(i),
        battery_v: battery.amplitude(i),
        gain,
        gain_std: std,
        gain_low: (gain - t * std).max(0.0),
        gain_high: gain + t * std,
        phase_rad: ratio.arg(),
        phase_rad_std: if gain > 0.0 { std / gain } else { std::f64::consts::PI },
        impedance_ratio: implied.map(Complex64::norm),
        impedance_ratio_std: implied.map(|_| std / (gain * gain)),
        impedance_ratio_phase_rad: implied.map(Complex64::arg),
    })
}

/// Corner up to which an instrument's AC coupling is expected, hertz (typical inputs: 3.5 to 10 Hz, from memory).
const LIKELY_CORNER_HZ: f64 = 10.0;

fn coupling_note(post: &Trace, battery: &Trace) -> Option<PointsNote> {
    let unknown = |t: &Trace| t.coupling() == Coupling::Ac && t.coupling_corner_hz().is_none();
    let differs = post.coupling() != battery.coupling() && (unknown(post) || unknown(battery));
    differs.then(|| PointsNote {
        code: PointsCode::CouplingDiffers,
        statement: format!(
            "One post was AC-coupled, the other not, at a corner that is not known: if it is {LIKELY_CORNER_HZ:.0} Hz, \
             the phase at a frequency f is off by atan({LIKELY_CORNER_HZ:.0} Hz / f), the gain by half its square."
        ),
    })
}

/// A range of values, both ends above 0.
#[derive(Debug, Clone, Copy)]
struct Range(f64, f64);

impl Range {
    /// Both ends and the geometric middle.
    fn values(self) -> [f64; 3] {
        [self.0, (self.0 * self.1).sqrt(), self.1]
    }
}

/// Cable with joints, ohm: REFERENCE-VALUES D2 (2 to 15 milliohm; service limit 0.3 V at 30 A).
const CABLE_OHM: Range = Range(2e-3, 15e-3);
/// Cable, henry: REFERENCE-VALUES D2 (0.5 to 1.3 uH/m, 0.5 to 3 uH in all).
const CABLE_H: Range = Range(0.5e-6, 3e-6);
/// 12 V battery between 100 Hz and 10 kHz, ohm: REFERENCE-VALUES D2 (3 to 12 milliohm new, to 40 aged; from memory).
const BATTERY_OHM: Range = Range(3e-3, 40e-3);
/// 12 V battery, henry: REFERENCE-VALUES D2 (50 to 300 nH; from memory).
const BATTERY_H: Range = Range(50e-9, 300e-9);

/// Batteries in series: a 24 V system has two.
fn battery_scale(trace: &Trace) -> f64 {
    let mut sum = 0.0;
    for_each_block(trace, |_, block| sum += block.iter().sum::<f64>());
    let level_v = sum / trace.len() as f64;
    if trace.coupling() == Coupling::Dc && level_v > SYSTEM_BORDER_V { 2.0 } else { 1.0 }
}

/// What the post would show: the battery's orders times `|1 + Z_cable / Z_battery|`, over every combination of ends and
/// middle of the ranges; with a measured battery impedance only the cable's are open.
fn estimate(orders: &Batches, scale: f64, measured: Option<&Impedance>) -> PostEstimate {
    let used: Vec<usize> = orders.clear_orders();
    let mut at_post = Vec::with_capacity(81);
    let mut middle = 0.0;
    let batteries = match measured {
        Some(z) => vec![(z.resistance_ohm, z.inductance_h)],
        None => pairs(BATTERY_OHM.values().map(|r| scale * r), BATTERY_H.values().map(|l| scale * l)),
    };
    let cables = pairs(CABLE_OHM.values(), CABLE_H.values());
    for (i, &(battery_ohm, battery_h)) in batteries.iter().enumerate() {
        for (k, &(cable_ohm, cable_h)) in cables.iter().enumerate() {
            let rms_v = post_rms_v(orders, &used, (battery_ohm, battery_h), (cable_ohm, cable_h));
            at_post.push(rms_v);
            // Ends, middle, ends: the middle of each list of three by three stands in its middle.
            if 2 * i + 1 == batteries.len() && 2 * k + 1 == cables.len() {
                middle = rms_v;
            }
        }
    }
    let battery_v = orders.power(&used).rms();
    let low = at_post.iter().copied().fold(f64::INFINITY, f64::min);
    let high = at_post.iter().copied().fold(0.0, f64::max);
    let battery_words = match measured {
        Some(_) => "the battery's impedance as measured".to_owned(),
        None => format!("a battery of {:.0} to {:.0} mohm", 1e3 * scale * BATTERY_OHM.0, 1e3 * scale * BATTERY_OHM.1),
    };
    PostEstimate {
        rms_low_v: low,
        rms_high_v: high,
        rms_middle_v: middle,
        attenuation_low: battery_v / high,
        attenuation_high: battery_v / low,
        basis: format!("{battery_words}, a cable of 2 to 15 mohm and 0.5 to 3 uH: usual ranges, not this vehicle's"),
    }
}

fn pairs(first: [f64; 3], second: [f64; 3]) -> Vec<(f64, f64)> {
    first.into_iter().flat_map(|a| second.map(|b| (a, b))).collect()
}

/// Ripple r.m.s. at the post for a battery and a cable given as (ohm, henry).
fn post_rms_v(orders: &Batches, used: &[usize], battery: (f64, f64), cable: (f64, f64)) -> f64 {
    let at = |&i: &usize| {
        let w = std::f64::consts::TAU * (i + 1) as f64 * orders.mean_hz();
        let z = |(ohm, henry): (f64, f64)| Complex64::new(ohm, w * henry);
        let share = (1.0 + z(cable) / z(battery)).norm();
        0.5 * (share * orders.amplitude(i)).powi(2)
    };
    used.iter().map(at).sum::<f64>().sqrt()
}
