//! Whether another circuit carries the rectifier's ripple, and what false reading that makes.
//!
//! [`assess`] fits one gain and one delay to everything the supply's ripple consists of (see [`transfer`]), asks
//! whether at least two orders agree on it, takes the fitted ripple out and reads what is left as the circuit's own
//! signal, and counts what a pulse conditioner would make of the trace as captured (see [`speed`]).

mod coarse;
mod count;
mod drift;
pub mod edges;
mod judgement;
mod levels;
mod looks;
mod nth;
pub mod orders;
mod own;
mod paired;
mod part;
mod pulses;
mod rank;
pub mod speed;
mod split;
mod subject;
mod subtract;
pub mod transfer;
mod wheel;

pub use count::Count;
pub use edges::EdgeDisturbance;
pub use orders::OrderTransfer;
pub use rank::{Victim, rank};

use crate::angle::PhaseTrack;
use crate::error::{Error, Result};
use crate::trace::{Samples, Trace, words};
use drift::Drift;
use judgement::{detectable, supports};
use looks::concluded;
use split::{Left, Split};
use subject::{Subject, step_v};
use transfer::{CrossSpectra, Model, Path, Setting};

pub(crate) use subject::without_edges;

/// Whether a circuit carries the ripple.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum ContaminationVerdict {
    /// It carries the supply's ripple.
    Contaminated,
    /// It does not, down to the level stated.
    Clean,
    /// The capture does not tell.
    Undetermined,
}
words!(ContaminationVerdict, "verdict", "contaminated" => ContaminationVerdict::Contaminated,
    "clean" => ContaminationVerdict::Clean, "undetermined" => ContaminationVerdict::Undetermined);

/// What a circuit carries of the ripple.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Contamination {
    /// The verdict.
    pub verdict: ContaminationVerdict,
    /// Why, in a sentence with the numbers.
    pub reason: String,
    /// Ripple transfer supply to circuit, volts per volt, signed by polarity; `None` when clean or undetermined.
    pub gain_v_per_v: Option<f64>,
    /// Standard uncertainty of it.
    pub gain_v_per_v_std: Option<f64>,
    /// Delay of the circuit behind the supply, seconds.
    pub delay_s: Option<f64>,
    /// Standard uncertainty of it.
    pub delay_s_std: Option<f64>,
    /// How the ripple travels; `None` when clean or undetermined.
    pub path: Option<Path>,
    /// Corner in hertz by which the two traces' AC coupling differs, as fitted or given: positive where the supply's is
    /// higher, 0 for equal couplings; `None` when clean or undetermined.
    pub coupling_corner_hz: Option<f64>,
    /// Fraction of the circuit's AC power explained by the supply's ripple (0 to 1).
    pub explained_fraction: f64,
    /// Gain the test could have seen at the orders listed, volts per volt; a clean verdict holds down to here. Where noise
    /// sets it, of gains that large one half is seen, of gains a third larger nearly all. Of what the supply does
    /// between the orders and below 0.2 of the first it says nothing.
    pub detectable_gain_v_per_v: Option<f64>,
    /// The transfer order by order, where the supply's order stands clear of its noise.
    pub orders: Vec<OrderTransfer>,
    /// Frequency of the circuit's own signal after the ripple is taken out, hertz; `None` at standstill. A line that follows
    /// one of the supply's within twice the path's gain (1 V/V where the verdict is open) is none of the circuit's own.
    pub own_frequency_hz: Option<f64>,
    /// Peak-to-peak of the circuit's own signal, volts.
    pub own_peak_to_peak_v: f64,
    /// Frequency that a pulse conditioner would count on the trace as captured, hertz (0: it counts nothing). The
    /// instrument's broadband noise, which the conditioner does not see, is left out where it could reach the
    /// threshold; for a switched circuit a pulse is an edge.
    pub indicated_hz: Option<f64>,
    /// R.m.s. of the ripple in the circuit, volts; `None` when clean or undetermined.
    pub ripple_rms_v: Option<f64>,
    /// R.m.s. of what is left of the circuit once the ripple is taken out, volts: own signal and noise.
    pub residual_rms_v: f64,
    /// Change of the gain over the record, relative to the gain (0.1: it grows by a tenth); `None` where none can be
    /// told from the scatter. The subtraction follows it.
    pub gain_drift: Option<f64>,
    /// Peak amplitude that a steady tone of the circuit's own would need to be found, volts: what "at standstill" holds
    /// down to. A tone needs 30 times the noise's power in a bin and a fifth of the power left.
    pub own_detection_limit_v: f64,
    /// Frequency that the conditioner would count once the ripple is taken out, hertz.
    pub indicated_without_ripple_hz: Option<f64>,
    /// Factor on the ripple at which the count becomes false; see [`Count::ripple_margin`].
    pub ripple_margin: Option<f64>,
    /// What the ripple does to the edges; `None` unless the circuit is a switched one.
    pub edges: Option<EdgeDisturbance>,
    /// The shorter of the time constants of a path that has two, seconds, the longer being `delay_s`; `None` for others.
    pub second_time_constant_s: Option<f64>,
}

impl Contamination {
    /// The transfer that it states; `None` where it states none.
    fn model(&self, sample_rate_hz: f64) -> Option<Model> {
        let (gain, delay_s, path) = (self.gain_v_per_v?, self.delay_s?, self.path?);
        let model = Model::new(path, gain, delay_s, self.coupling_corner_hz.unwrap_or(0.0), sample_rate_hz);
        Some(model.with_second_s(self.second_time_constant_s.unwrap_or(0.0)))
    }
}

/// Gain below which a transfer is not called contamination, volts per volt: two channels of one instrument leak as much.
pub const LEAST_GAIN_V_PER_V: f64 = 0.01;
/// A clean verdict needs a test that would have seen this gain, volts per volt.
pub const CLEAN_BELOW_V_PER_V: f64 = 0.1;

/// Tests whether `circuit` carries the ripple of `supply`, whose electrical cycle `track` follows.
///
/// The two traces must belong to one capture (same rate and start); their gain, offset and polarity do not matter.
#[must_use]
pub fn assess(circuit: &Trace, supply: &Trace, track: &PhaseTrack) -> Contamination {
    assess_at(circuit, supply, Some(track.mean_hz()))
}

/// As [`assess`], where no electrical cycle was found on the supply.
#[must_use]
pub fn assess_untracked(circuit: &Trace, supply: &Trace) -> Contamination {
    assess_at(circuit, supply, None)
}

/// The circuit's own signal, volts: its trace with the ripple that `found` states taken out; the trace as it is where
/// no ripple was found.
///
/// ```
/// use sixpulse::angle::PhaseTrack;
/// use sixpulse::contamination::{ContaminationVerdict, assess, own_signal};
/// use sixpulse::{Coupling, Role, Trace};
/// # fn main() -> sixpulse::Result<()> {
/// let ripple = |t: f64| [1.0, 2.0, 3.0, 6.0].iter().map(|n| 0.3 / n * (n * 1200.0 * t + n * n).cos()).sum::<f64>();
/// let at = |f: &dyn Fn(f64) -> f64| (0..20_000).map(|i| f(f64::from(i) / 50_000.0)).collect::<Vec<f64>>();
/// let supply = Trace::from_f64(at(&|t| 14.2 + ripple(t)), 50_000.0, Coupling::Dc, Role::ChargingPost)?;
/// let sensor = Trace::from_f64(at(&|t| 0.4 * ripple(t - 30e-6)), 50_000.0, Coupling::Dc, Role::SpeedSensor)?;
/// let found = assess(&sensor, &supply, &PhaseTrack::constant(1200.0 / std::f64::consts::TAU, 0.4)?);
/// assert_eq!(found.verdict, ContaminationVerdict::Contaminated);
/// let own = own_signal(&sensor, &supply, &found)?;
/// let most = own[100..19_900].iter().fold(0.0f64, |m, v| m.max(v.abs()));
/// assert!(most < 0.02, "{most} V of 0.25 V are left");
/// # Ok(())
/// # }
/// ```
///
/// # Errors
/// [`Error::LengthMismatch`], [`Error::RateMismatch`] when
/// the traces do not belong together.
pub fn own_signal(circuit: &Trace, supply: &Trace, found: &Contamination) -> Result<Vec<f64>> {
    check_pair(circuit, supply)?;
    let Some(model) = found.model(supply.sample_rate_hz()) else { return Ok(circuit.to_f64()) };
    let mut out = Vec::with_capacity(circuit.len());
    subtract::Subtracted::new(supply, circuit, &model, found.gain_drift.unwrap_or(0.0))
        .for_each_block(|_, own, _| out.extend_from_slice(own));
    Ok(out)
}

/// What `conditioner` counts on the circuit with the ripple that `found` states and without it, and the margin.
///
/// ```
/// use sixpulse::angle::PhaseTrack;
/// use sixpulse::contamination::{assess, count, speed::PulseConditioner};
/// use sixpulse::{Coupling, Role, Trace};
/// # fn main() -> sixpulse::Result<()> {
/// let ripple = |t: f64| [1.0, 2.0, 3.0, 6.0].iter().map(|n| 0.3 / n * (n * 1200.0 * t + n * n).cos()).sum::<f64>();
/// let at = |f: &dyn Fn(f64) -> f64| (0..20_000).map(|i| f(f64::from(i) / 50_000.0)).collect::<Vec<f64>>();
/// let supply = Trace::from_f64(at(&|t| 14.2 + ripple(t)), 50_000.0, Coupling::Dc, Role::ChargingPost)?;
/// let sensor = Trace::from_f64(at(&|t| 0.4 * ripple(t - 30e-6)), 50_000.0, Coupling::Dc, Role::SpeedSensor)?;
/// let found = assess(&sensor, &supply, &PhaseTrack::constant(1200.0 / std::f64::consts::TAU, 0.4)?);
/// let counted = count(&sensor, &supply, &found, &PulseConditioner::fixed(0.05)?)?;
/// assert!((counted.indicated_hz - 191.0).abs() < 1.0);
/// assert_eq!(counted.without_ripple_hz, 0.0);
/// assert!(counted.ripple_margin.is_some_and(|m| m < 1.0));
/// # Ok(())
/// # }
/// ```
///
/// # Errors
/// [`Error::LengthMismatch`], [`Error::RateMismatch`] when the traces do not belong together.
pub fn count(
    circuit: &Trace,
    supply: &Trace,
    found: &Contamination,
    conditioner: &speed::PulseConditioner,
) -> Result<Count> {
    check_pair(circuit, supply)?;
    let model = found.model(supply.sample_rate_hz());
    let electrical_hz = found.orders.first().map(|o| o.frequency_hz / f64::from(o.order));
    let gain_drift = found.gain_drift.unwrap_or(0.0);
    let subject = Subject::new(circuit);
    let spectra = CrossSpectra::new(supply, &subject.trace);
    let left = model.as_ref().map(|m| spectra.left(m).0);
    let power = left.as_ref().map_or_else(|| spectra.circuit_power(), |power| power.as_slice());
    let noise_v = split::noise_v(power, spectra.bin_hz(), electrical_hz);
    let split = Split::new(&subject.trace, supply, model.as_ref(), gain_drift);
    let heard = subject.heard(split, circuit, noise_v, conditioner, electrical_hz);
    Ok(Count::new(&heard, conditioner))
}

/// Refuses two traces that differ in rate or length.
///
/// # Errors
/// [`Error::LengthMismatch`], [`Error::RateMismatch`] naming the circuit.
#[allow(clippy::float_cmp, reason = "rates of one capture come from one setting and are equal exactly")]
pub fn check_pair(circuit: &Trace, supply: &Trace) -> Result<()> {
    if circuit.sample_rate_hz() != supply.sample_rate_hz() {
        return Err(Error::RateMismatch {
            parameter: "circuit".into(),
            expected_hz: supply.sample_rate_hz(),
            actual_hz: circuit.sample_rate_hz(),
        });
    }
    if circuit.len() != supply.len() {
        return Err(Error::LengthMismatch {
            parameter: "circuit".into(),
            expected: supply.len(),
            actual: circuit.len(),
        });
    }
    Ok(())
}

fn assess_at(circuit: &Trace, supply: &Trace, electrical_hz: Option<f64>) -> Contamination {
    // A cycle longer than the record has no order in it that could be told from the next, and orders without end.
    let electrical_hz = electrical_hz.filter(|hz| hz * supply.duration_s() >= 1.0);
    let subject = Subject::new(circuit);
    let alike = subject.alike(supply);
    let spectra = CrossSpectra::new(alike.as_ref().unwrap_or(supply), &subject.trace);
    let setting = Setting::new(electrical_hz, step_v(supply), step_v(circuit));
    let (fit, judgement) = concluded(&subject, supply, &spectra, &setting);
    let carried = fit.as_ref().filter(|_| judgement.verdict == ContaminationVerdict::Contaminated);
    let model = carried.map(|f| f.model);
    let split = Split::new(&subject.trace, supply, model.as_ref(), 0.0);
    let drift = electrical_hz.filter(|_| model.is_some()).and_then(|hz| Drift::new(&split, hz)).filter(Drift::is_real);
    let left = match drift {
        None if subject.switched.is_none() => split.left,
        _ => Left::new(circuit, supply, model.as_ref(), drift.map_or(0.0, |d| d.relative)),
    };
    let power = carried.map_or_else(|| spectra.circuit_power(), |f| &f.residual);
    let own_frequency_hz = match &subject.switched {
        Some(s) => levels::place_frequency(&s.rising_s),
        None => own::frequency_hz(&spectra, &setting, power, judgement.verdict, carried, &split),
    };
    let noise_v = split::noise_v(power, spectra.bin_hz(), electrical_hz);
    let split = subject.heard(split, circuit, noise_v, &subject.conditioner(), electrical_hz);
    let counted = Count::new(&split, &subject.conditioner());
    let list = fit
        .as_ref()
        .zip(electrical_hz)
        .map(|(f, hz)| orders::orders(f, supply, &subject.trace, hz, |g| supports(g, f.model.gain)));
    Contamination {
        verdict: judgement.verdict,
        reason: judgement.reason,
        gain_v_per_v: carried.map(|f| f.model.gain),
        gain_v_per_v_std: carried.map(|f| f.gain_std).filter(|s| s.is_finite()),
        delay_s: carried.map(|f| f.model.delay_s),
        delay_s_std: carried.map(|f| f.delay_std).filter(|s| s.is_finite()),
        path: carried.map(|f| f.model.path),
        second_time_constant_s: carried.filter(|f| f.model.path.has_second()).map(|f| f.model.second_s),
        coupling_corner_hz: carried.map(|f| f.model.corner_hz),
        explained_fraction: carried.map_or(0.0, |f| (f.carried_power / variance(circuit)).min(1.0)),
        detectable_gain_v_per_v: fit.as_ref().map(detectable).filter(|g| g.is_finite()),
        orders: list.unwrap_or_default(),
        own_frequency_hz,
        own_peak_to_peak_v: left.peak_to_peak_v(),
        indicated_hz: Some(counted.indicated_hz),
        ripple_rms_v: carried.map(|f| f.carried_power.sqrt()),
        residual_rms_v: left.rms_v(),
        gain_drift: drift.map(|d| d.relative),
        own_detection_limit_v: subtract::detection_limit_v(power),
        indicated_without_ripple_hz: Some(counted.without_ripple_hz),
        ripple_margin: counted.ripple_margin,
        edges: subject.disturbance(circuit, &split),
    }
}

/// Mean square of a trace about its mean, V^2; the least positive number for a constant.
fn variance(trace: &Trace) -> f64 {
    trace.moments().1.max(f64::MIN_POSITIVE)
}

#[cfg(test)]
mod tests {
    use super::judgement::{ReadBy, chance, judge};
    use super::looks::refine_coarse;
    use super::transfer::Group;
    use super::*;
    use crate::{Coupling, Role};
    use proptest::prelude::*;
    use std::f64::consts::TAU;

    const RATE: f64 = 50_000.0;
    const HZ: f64 = 200.0;

    /// A small deterministic noise source, uniform over -1 to 1.
    pub(super) fn noise(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        }
    }

    /// Electrical angle in cycles at a time; speed wanders by 1 % at 3 Hz.
    fn angle(t: f64) -> f64 {
        HZ * t + 0.01 * HZ / (3.0 * TAU) * (3.0 * TAU * t).sin()
    }

    /// Ripple of a bridge with one open diode into a battery (order ratios of that pattern), volts.
    fn ripple(t: f64, orders: &[(f64, f64)]) -> f64 {
        orders.iter().map(|(n, a)| a * (n * TAU * angle(t) + n * n).cos()).sum()
    }

    const ONE_OPEN: [(f64, f64); 5] = [(1.0, 0.3), (2.0, 0.13), (3.0, 0.06), (6.0, 0.02), (12.0, 0.005)];

    fn supply_of(orders: &[(f64, f64)], seconds: f64) -> Trace {
        let mut n = noise(1);
        let v = (0..(seconds * RATE) as usize).map(|i| 14.2 + ripple(i as f64 / RATE, orders) + 0.01 * n()).collect();
        Trace::from_f64(v, RATE, Coupling::Dc, Role::ChargingPost).unwrap()
    }

    fn circuit_of(orders: &[(f64, f64)], gain: f64, delay_s: f64, own: impl Fn(f64) -> f64, seconds: f64) -> Trace {
        let mut n = noise(2);
        let at = |t: f64| gain * ripple(t - delay_s, orders) + own(t);
        let v = (0..(seconds * RATE) as usize).map(|i| at(i as f64 / RATE) + 0.01 * n()).collect();
        Trace::from_f64(v, RATE, Coupling::Dc, Role::SpeedSensor).unwrap()
    }

    fn track() -> PhaseTrack {
        PhaseTrack::constant(HZ, 0.3).unwrap()
    }

    #[test]
    fn finds_gain_delay_and_standstill() {
        let r = assess(&circuit_of(&ONE_OPEN, 0.4, 35e-6, |_| 0.0, 0.3), &supply_of(&ONE_OPEN, 0.3), &track());
        assert_eq!(r.verdict, ContaminationVerdict::Contaminated, "{}", r.reason);
        // Noise of 6 mV r.m.s. on 0.24 V r.m.s. over 15 000 samples leaves 0.03 %; 0.5 % allows for the estimate's spread.
        assert!((r.gain_v_per_v.unwrap() / 0.4 - 1.0).abs() < 0.005);
        assert!((r.delay_s.unwrap() - 35e-6).abs() < 2e-6);
        assert!(r.explained_fraction > 0.95);
        assert_eq!(r.own_frequency_hz, None);
        // What is left is the noise (20 mV peak to peak) and the edges of the delay filter.
        assert!(r.own_peak_to_peak_v < 0.06, "{}", r.own_peak_to_peak_v);
        // Order 1 is what the conditioner counts.
        assert!((r.indicated_hz.unwrap() - HZ).abs() < 0.02 * HZ);
    }

    /// A pair at a steady 30 Hz whose circuit is the supply through `transfer`.
    fn through(transfer: impl Fn(f64) -> rustfft::num_complex::Complex64) -> [Trace; 2] {
        let wave = |through: bool, seed| {
            let mut n = noise(seed);
            let lines = ONE_OPEN.map(|(order, a)| {
                let response = if through { transfer(30.0 * order) } else { 1.0.into() };
                (order, a * response.norm(), order * order + response.arg())
            });
            let at = |t: f64| lines.iter().map(|(o, a, p)| a * (o * TAU * 30.0 * t + p).cos()).sum::<f64>();
            (0..100_000).map(|i| at(f64::from(i) / RATE) + 1e-3 * n()).collect::<Vec<f64>>()
        };
        let trace = |v, coupling, role| Trace::from_f64(v, RATE, coupling, role).unwrap();
        let circuit = trace(wave(true, 2), Coupling::Ac, Role::SpeedSensor);
        [circuit, trace(wave(false, 1), Coupling::Dc, Role::ChargingPost)]
    }

    #[test]
    fn a_corner_of_the_circuits_coupling_is_taken_out() {
        use rustfft::num_complex::Complex64;
        // A first-order high-pass at 8 Hz: 4 % and 15 degrees at order 1.
        let [circuit, supply] = through(|hz| 0.4 / Complex64::new(1.0, -8.0 / hz));
        let circuit = circuit.with_coupling_corner_hz(8.0).unwrap();
        let found = assess(&circuit, &supply, &PhaseTrack::constant(30.0, 2.0).unwrap());
        assert!((found.coupling_corner_hz.unwrap() + 8.0).abs() < 1e-9, "{found:?}");
        // Noise of 0.6 mV on 95 mV over 100 000 samples leaves far less.
        assert!((found.gain_v_per_v.unwrap() / 0.4 - 1.0).abs() < 2e-3, "{found:?}");
        assert!(found.delay_s.unwrap().abs() < 2e-6, "{found:?}");
        // The filter in time follows the response (after the high-pass has settled): the noise is left.
        let own = own_signal(&circuit, &supply, &found).unwrap();
        let left = (own[20_000..80_000].iter().map(|v| v * v).sum::<f64>() / 60_000.0).sqrt();
        assert!(left < 2e-3, "{left}");
    }

    #[test]
    fn a_first_order_path_delays_its_high_orders_by_less_than_its_time_constant() {
        use rustfft::num_complex::Complex64;
        // 8 ms: at order 12 (360 Hz, a period of 2.8 ms) the lag is a quarter of a turn, 0.7 ms, not 8 ms.
        let [circuit, supply] = through(|hz| 2.0 / Complex64::new(1.0, TAU * hz * 8e-3));
        let found = assess(&circuit, &supply, &PhaseTrack::constant(30.0, 2.0).unwrap());
        assert_eq!(found.path, Some(Path::FirstOrderLag), "{found:?}");
        assert!(found.orders.len() >= 3, "{found:?}");
        for order in &found.orders {
            let turn = TAU * order.frequency_hz;
            let expected = (turn * 8e-3).atan() / turn;
            assert!((order.delay_s - expected).abs() < 5.0 * order.delay_s_std + 1e-5, "{order:?}");
        }
    }

    #[test]
    fn a_second_low_pass_is_found_and_followed() {
        use rustfft::num_complex::Complex64;
        let low = |hz: f64, s: f64| Complex64::new(1.0, TAU * hz * s).inv();
        let high = |hz: f64, s: f64| Complex64::new(0.0, TAU * hz * s) * low(hz, s);
        let lag = through(|hz| 2.0 * low(hz, 2e-3) * low(hz, 5e-4));
        let band = through(|hz| 2.0 * high(hz, 1e-3) * low(hz, 3e-4));
        // A band-pass is stated by its largest gain.
        let largest = 2.0 * 1e-3 / 1.3e-3;
        for ([circuit, supply], path, times, gain) in
            [(lag, Path::SecondOrderLag, [2e-3, 5e-4], 2.0), (band, Path::BandPass, [1e-3, 3e-4], largest)]
        {
            let found = assess(&circuit, &supply, &PhaseTrack::constant(30.0, 2.0).unwrap());
            assert_eq!((found.verdict, found.path), (ContaminationVerdict::Contaminated, Some(path)), "{found:?}");
            let got = [found.delay_s.unwrap(), found.second_time_constant_s.unwrap()];
            // Noise of 0.6 mV on orders of 10 to 300 mV over 100 000 samples leaves less than 1 %.
            for (got, made) in got.iter().zip(times) {
                assert!((got / made - 1.0).abs() < 0.03, "{found:?}");
            }
            // The two exchanged are no other path, which would leave the time open by their difference.
            assert!(found.delay_s_std.unwrap() < 0.05 * times[0], "{found:?}");
            assert!((found.gain_v_per_v.unwrap() / gain - 1.0).abs() < 0.01, "{found:?}");
            let own = own_signal(&circuit, &supply, &found).unwrap();
            let left = (own[20_000..80_000].iter().map(|v| v * v).sum::<f64>() / 60_000.0).sqrt();
            assert!(left < 2e-3, "{left}");
        }
    }

    #[test]
    fn two_orders_that_a_second_low_pass_bends_to_prove_nothing() {
        let (supply, circuit) = (supply_of(&ONE_OPEN, 0.3), circuit_of(&ONE_OPEN, 0.4, 35e-6, |_| 0.0, 0.3));
        let setting = Setting::new(Some(HZ), 0.0, 0.0);
        let fit = transfer::fit(&CrossSpectra::new(&supply, &circuit), &supply, &circuit, &setting).unwrap();
        let groups: Vec<&Group> = fit.groups.iter().take(3).collect();
        let mut bent = fit.model;
        bent.path = Path::SecondOrderLag;
        assert!(chance(&groups[..2], 3, &fit.model) < 0.01);
        assert!((chance(&groups[..2], 3, &bent) - 1.0).abs() < 1e-12);
        // The third has neither polarity nor periods to choose from.
        assert!(chance(&groups, 3, &bent) < 0.01);
    }

    #[test]
    fn separates_a_turning_sensor_from_the_ripple() {
        let own = |t: f64| 2.0 * (TAU * 317.0 * t).sin();
        let r = assess(&circuit_of(&ONE_OPEN, -0.25, 20e-6, own, 0.3), &supply_of(&ONE_OPEN, 0.3), &track());
        assert_eq!(r.verdict, ContaminationVerdict::Contaminated, "{}", r.reason);
        assert!((r.gain_v_per_v.unwrap() / -0.25 - 1.0).abs() < 0.02);
        assert!((r.own_frequency_hz.unwrap() / 317.0 - 1.0).abs() < 0.002);
        assert!((r.own_peak_to_peak_v / 4.0 - 1.0).abs() < 0.03);
    }

    #[test]
    fn a_signal_at_the_frequency_of_an_order_is_not_contamination() {
        // The sensor turns at exactly the electrical frequency, in step with the wander, but carries order 1 alone.
        let own = |t: f64| 0.5 * (TAU * angle(t)).sin();
        let r = assess(&circuit_of(&ONE_OPEN, 0.0, 0.0, own, 0.3), &supply_of(&ONE_OPEN, 0.3), &track());
        assert_ne!(r.verdict, ContaminationVerdict::Contaminated, "{}", r.reason);
    }

    #[test]
    fn a_record_without_noise_is_read_as_well() {
        let ripple = |t: f64| ripple(t, &ONE_OPEN);
        for (gain, delay_s, own) in [(0.4, 30e-6, 0.0), (0.4, 30e-6, 1.0), (-0.4, 0.0, 0.0)] {
            let trace = |role, f: &dyn Fn(f64) -> f64| {
                let v = (0..20_000).map(|i| f(f64::from(i) / RATE)).collect();
                Trace::from_f64(v, RATE, Coupling::Dc, role).unwrap()
            };
            let supply = trace(Role::ChargingPost, &|t| 14.2 + ripple(t));
            let at = |t: f64| gain * ripple(t - delay_s) + own * (TAU * 333.0 * t).sin();
            let r = assess(&trace(Role::SpeedSensor, &at), &supply, &track());
            assert_eq!(r.verdict, ContaminationVerdict::Contaminated, "{}", r.reason);
            assert!((r.gain_v_per_v.unwrap() / gain - 1.0).abs() < 0.005, "{r:?}");
            assert!((r.delay_s.unwrap() - delay_s).abs() < 2e-6, "{r:?}");
        }
    }

    /// A circuit with a single steady line, 0.1 V at order 6, on a supply that carries order 6 with `supply_v`.
    fn at_order_six(supply_v: f64) -> Contamination {
        let trace = |volts: f64, role| {
            let mut n = noise(role as u64 + 3);
            let at = |t: f64| volts * (6.0 * HZ * TAU * t + 0.4).cos() + 1e-3 * n();
            Trace::from_f64((0..15_000).map(|i| f64::from(i) / RATE).map(at).collect(), RATE, Coupling::Ac, role)
                .unwrap()
        };
        assess(&trace(0.1, Role::SpeedSensor), &trace(supply_v, Role::ChargingPost), &track())
    }

    #[test]
    fn a_line_that_may_be_the_supplys_is_no_turning_wheel() {
        // One steady order proves no connection, and so no wheel either; a gain of 0.5 V/V would explain it.
        let open = at_order_six(0.2);
        assert_eq!((open.verdict, open.own_frequency_hz), (ContaminationVerdict::Undetermined, None), "{open:?}");
        // Ripple does not come out ten times as large as it went in.
        let wheel = at_order_six(0.01);
        assert!((wheel.own_frequency_hz.unwrap() / (6.0 * HZ) - 1.0).abs() < 1e-3, "{wheel:?}");
    }

    #[test]
    fn noise_that_lifts_peaks_over_the_threshold_is_not_counted() {
        // Ripple whose peaks end at 28 mV under noise of 3 mV r.m.s. (uniform, 5.2 mV at most): 4.5 standard deviations stay
        // below 30 mV, where the conditioner arms, but every cycle's peak is lifted over it now and then.
        let wave = |t: f64| [1.0, 2.0, 3.0, 6.0].iter().map(|n| (n * TAU * HZ * t).cos() / n).sum::<f64>() / 2.0;
        let mut n = noise(5);
        let at = |i: i32| 0.028 * wave(f64::from(i) / RATE) + 5.2e-3 * n();
        let circuit: Vec<f64> = (0..15_000).map(at).collect();
        assert!(circuit.iter().filter(|v| **v > 0.03).count() > 50);
        let supply = (0..15_000).map(|i| 0.28 * wave(f64::from(i) / RATE)).collect();
        let circuit = Trace::from_f64(circuit, RATE, Coupling::Ac, Role::SpeedSensor).unwrap();
        let supply = Trace::from_f64(supply, RATE, Coupling::Ac, Role::ChargingPost).unwrap();
        let found = assess(&circuit, &supply, &track());
        assert_eq!((found.verdict, found.indicated_hz), (ContaminationVerdict::Contaminated, Some(0.0)), "{found:?}");
        // 30 / 28; what noise there is in the bins of the orders moves it by less than 2 %.
        assert!((found.ripple_margin.unwrap() * 28.0 / 30.0 - 1.0).abs() < 0.02, "{found:?}");
        // A threshold of 20 mV lies well below the peaks: the fundamental is counted.
        let lower = speed::PulseConditioner::new(speed::Threshold::Fixed { arming_v: 0.02 }, 0.0).unwrap();
        let counted = count(&circuit, &supply, &found, &lower).unwrap();
        assert!((counted.indicated_hz / HZ - 1.0).abs() < 0.02, "{counted:?}");
    }

    #[test]
    fn a_clean_turning_sensor_is_clean() {
        let own = |t: f64| 1.5 * (TAU * 423.0 * t).sin();
        let r = assess(&circuit_of(&ONE_OPEN, 0.0, 0.0, own, 0.3), &supply_of(&ONE_OPEN, 0.3), &track());
        assert_eq!(r.verdict, ContaminationVerdict::Clean, "{}", r.reason);
        assert!(r.detectable_gain_v_per_v.unwrap() < 0.05);
        assert!((r.own_frequency_hz.unwrap() / 423.0 - 1.0).abs() < 0.002);
        assert_eq!(r.gain_v_per_v, None);
    }

    #[test]
    fn a_missing_tooth_is_not_counted() {
        // Place 36 of 36 is empty: lines 17.5 Hz apart, which leave no floor between them in a record of a third of a
        // second. 2 V at 630 places a second, 5 mV of noise.
        let own = |t: f64| {
            let place = 630.0 * t + 0.25;
            if place as usize % 36 == 35 { 0.0 } else { 2.0 * (TAU * place).sin() }
        };
        let r = assess(&circuit_of(&ONE_OPEN, 0.0, 0.0, own, 1.0 / 3.0), &supply_of(&ONE_OPEN, 1.0 / 3.0), &track());
        // 210 places of which 5 are empty; a pulse more or less at the ends.
        assert!((r.indicated_hz.unwrap() - 615.0).abs() < 4.0, "{r:?}");
    }

    #[test]
    fn without_ripple_nothing_is_claimed() {
        let still = circuit_of(&[], 0.0, 0.0, |_| 0.0, 0.3);
        let r = assess_untracked(&still, &supply_of(&[], 0.3));
        assert_eq!(r.verdict, ContaminationVerdict::Undetermined);
        assert!(!r.reason.is_empty());
    }

    /// The trace as a converter with steps of `lsb` would deliver it.
    fn quantised(trace: &Trace, lsb: f64) -> Trace {
        let counts = trace.to_f64().iter().map(|x| (x / lsb).round() as i16).collect();
        Trace::from_counts(counts, lsb, 0.0, RATE, Coupling::Dc, trace.role()).unwrap()
    }

    #[test]
    fn reads_the_gain_through_a_coarse_converter() {
        // 8 bits over 40 V: steps of 156 mV under ripple of 0.45 V peak to peak, which crosses three thresholds.
        let weak: Vec<(f64, f64)> = ONE_OPEN.iter().map(|(n, a)| (*n, 0.4 * a)).collect();
        let own = |t: f64| 2.0 * (TAU * 317.0 * t).sin();
        let supply = quantised(&supply_of(&weak, 0.3), 40.0 / 256.0);
        let circuit = quantised(&circuit_of(&weak, 0.4, 35e-6, own, 0.3), 10.0 / 256.0);
        let r = assess(&circuit, &supply, &track());
        assert_eq!(r.verdict, ContaminationVerdict::Contaminated, "{}", r.reason);
        // 3 % is the accuracy stated for contamination; an unweighted look at order 1 would be off by more.
        assert!((r.gain_v_per_v.unwrap() / 0.4 - 1.0).abs() < 0.03, "{:?}", r.gain_v_per_v);
        assert!((r.delay_s.unwrap() - 35e-6).abs() < 20e-6);
    }

    #[test]
    fn codes_that_move_with_the_circuit_take_a_clean_verdict_back() {
        let (supply, circuit) = (supply_of(&ONE_OPEN, 0.3), circuit_of(&ONE_OPEN, 0.0, 0.0, |_| 0.0, 0.3));
        let setting = Setting::new(Some(HZ), 1.0, 0.0);
        let spectra = CrossSpectra::new(&supply, &circuit);
        // Six standard uncertainties are significant, ten prove: between them nothing is said.
        for (significance, verdict) in [(5.0, ContaminationVerdict::Clean), (8.0, ContaminationVerdict::Undetermined)] {
            let mut fit = transfer::fit(&spectra, &supply, &circuit, &setting).unwrap();
            let judgement = judge(Some(&fit), ReadBy::Lines);
            assert_eq!(judgement.verdict, ContaminationVerdict::Clean, "{}", judgement.reason);
            let (gain, gain_std, delay_s) = (-0.27, 50.0, 0.0);
            let found = coarse::CoarseGain { gain, gain_std, delay_s, significance, explained: 0.96, codes: 2 };
            assert_eq!(refine_coarse(&mut fit, judgement, &found).verdict, verdict);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 12, rng_seed: proptest::test_runner::RngSeed::Fixed(7), ..Default::default() })]
        #[test]
        fn scale_offset_and_polarity_of_either_trace_carry_over(
            a in 0.05..20.0f64, b in 0.05..20.0f64, flip in any::<bool>(), level in -20.0..20.0f64
        ) {
            let supply = supply_of(&ONE_OPEN, 0.2);
            let circuit = circuit_of(&ONE_OPEN, 0.3, 25e-6, |t| (TAU * 333.0 * t).sin(), 0.2);
            let scaled = |t: &Trace, k: f64| {
                let v = t.to_f64().iter().map(|x| k * x + level).collect();
                Trace::from_f64(v, RATE, Coupling::Dc, t.role()).unwrap()
            };
            let b = if flip { -b } else { b };
            let plain = assess(&circuit, &supply, &track());
            // Keeps the gain above the least that is called contamination.
            prop_assume!((0.3 * b / a).abs() > 0.05);
            let other = assess(&scaled(&circuit, b), &scaled(&supply, a), &track());
            prop_assert_eq!(plain.verdict, other.verdict);
            let expected = plain.gain_v_per_v.unwrap() * b / a;
            // The same numbers in another scale: only rounding differs.
            prop_assert!((other.gain_v_per_v.unwrap() / expected - 1.0).abs() < 1e-6);
            prop_assert!((other.delay_s.unwrap() - plain.delay_s.unwrap()).abs() < 1e-9);
        }
    }
}
