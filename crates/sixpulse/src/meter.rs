//! What an AC voltmeter would have shown: for a shop without an oscilloscope, and for what such a reading misses.
//!
//! The meter is AC-coupled (first-order high-pass), of limited bandwidth (first-order low-pass), and responds either to
//! the r.m.s. value or to the mean magnitude, calibrated for a sine: `indicated = pi / (2 sqrt 2) * mean |y|`, which is the
//! r.m.s. value of a sine and of nothing else. Both filters are exact for straight lines between the samples, whatever
//! their corners. Both settle for five time constants before anything counts; where the record is shorter than four
//! times that, what its start leaves of the coupling's transient, `exp(-2 pi f_c t)`, is fitted and taken off instead.

use crate::cycle::Cycle;
use crate::error::{Error, Result, check_positive};
use crate::scratch::with_buffer;
use crate::trace::{Role, Samples, Trace, for_each_block, words};
use crate::vectors::{LANES, Work, higher, widest};
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, SQRT_2, TAU};

/// To what a meter responds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Response {
    /// The mean magnitude, times the form factor of a sine (1.1107).
    AverageResponding,
    /// The r.m.s. value.
    TrueRms,
}
words!(Response, "response", "average_responding" => Response::AverageResponding, "true_rms" => Response::TrueRms);

/// Form factor of a sine: r.m.s. / mean magnitude.
const SINE_FORM_FACTOR: f64 = PI / (2.0 * SQRT_2);

/// An AC voltmeter. Immutable; made by [`Meter::new`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Meter {
    response: Response,
    bandwidth_hz: f64,
    coupling_corner_hz: f64,
    resolution_v: f64,
}

impl Meter {
    /// A meter with the corner of its low-pass (`bandwidth_hz`), of its AC coupling, and the last digit of its display.
    ///
    /// # Errors
    /// [`Error::OutOfRange`] for anything not above 0, or a coupling corner not below the bandwidth.
    pub fn new(response: Response, bandwidth_hz: f64, coupling_corner_hz: f64, resolution_v: f64) -> Result<Self> {
        check_positive("bandwidth_hz", bandwidth_hz)?;
        check_positive("coupling_corner_hz", coupling_corner_hz)?;
        check_positive("resolution_v", resolution_v)?;
        if coupling_corner_hz >= bandwidth_hz {
            return Err(Error::out_of_range("coupling_corner_hz", "a corner below the bandwidth", coupling_corner_hz));
        }
        Ok(Self { response, bandwidth_hz, coupling_corner_hz, resolution_v })
    }

    /// A plain handheld meter: average-responding, 1 kHz, coupled at 10 Hz, 1 mV. Common practice from memory
    /// (REFERENCE-VALUES E1: "may roll off at 400 Hz to 1 kHz"); coupling and resolution are assumed.
    #[must_use]
    pub fn average_handheld() -> Self {
        Self { response: Response::AverageResponding, bandwidth_hz: 1e3, coupling_corner_hz: 10.0, resolution_v: 1e-3 }
    }

    /// A better handheld meter: true r.m.s., 20 kHz, coupled at 10 Hz, 1 mV. All of it assumed.
    #[must_use]
    pub fn true_rms_handheld() -> Self {
        Self { response: Response::TrueRms, bandwidth_hz: 20e3, coupling_corner_hz: 10.0, resolution_v: 1e-3 }
    }

    /// To what it responds.
    #[must_use]
    pub fn response(&self) -> Response {
        self.response
    }
    /// Corner of its low-pass, hertz.
    #[must_use]
    pub fn bandwidth_hz(&self) -> f64 {
        self.bandwidth_hz
    }
    /// Corner of its AC coupling, hertz.
    #[must_use]
    pub fn coupling_corner_hz(&self) -> f64 {
        self.coupling_corner_hz
    }
    /// Last digit of its display, volts.
    #[must_use]
    pub fn resolution_v(&self) -> f64 {
        self.resolution_v
    }

    /// A value as the display rounds it; as it is where the steps are finer than its own last digit.
    fn rounded(&self, volts: f64) -> f64 {
        let steps = volts / self.resolution_v;
        if steps.abs() < 1.0 / f64::EPSILON { steps.round() * self.resolution_v } else { volts }
    }
}

/// A limit that the trade goes by. None of them has a normative source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum PracticeLimit {
    /// 0.5 V AC at the alternator's output terminal against its case, 3000 1/min, lamps on: above is suspicious.
    HalfVolt,
    /// 0.3 V AC at the alternator's post: above, a diode is said to leak.
    ThirdVolt,
    /// 0.1 V r.m.s.: below is said to be good.
    TenthVolt,
}
words!(PracticeLimit, "limit", "half_volt" => PracticeLimit::HalfVolt, "third_volt" => PracticeLimit::ThirdVolt,
    "tenth_volt" => PracticeLimit::TenthVolt);

impl PracticeLimit {
    /// All of them, the highest first.
    pub const ALL: [Self; 3] = [Self::HalfVolt, Self::ThirdVolt, Self::TenthVolt];

    /// The limit, volts AC.
    #[must_use]
    pub fn limit_v(self) -> f64 {
        match self {
            Self::HalfVolt => 0.5,
            Self::ThirdVolt => 0.3,
            Self::TenthVolt => 0.1,
        }
    }

    /// Where it comes from (REFERENCE-VALUES E1).
    #[must_use]
    pub fn source(self) -> &'static str {
        match self {
            Self::HalfVolt => {
                "common practice: a trade magazine (automotivetechinfo.com, 2007/09), output terminal to case, 3000 1/min, lamps on"
            }
            Self::ThirdVolt => "common practice: a course's notes, weakly sourced, at the alternator's post",
            Self::TenthVolt => "common practice, recalled without a source; schools differ (50 to 100 mV r.m.s.)",
        }
    }
}

/// On which side of a limit a reading lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum LimitOutcome {
    /// Below it.
    Below,
    /// Within half a digit and two standard uncertainties of it.
    AtLimit,
    /// Above it.
    Above,
}
words!(LimitOutcome, "outcome", "below" => LimitOutcome::Below, "at_limit" => LimitOutcome::AtLimit,
    "above" => LimitOutcome::Above);

impl LimitOutcome {
    /// For a sentence.
    pub(crate) fn in_words(self) -> &'static str {
        match self {
            Self::Below => "below",
            Self::AtLimit => "at the limit",
            Self::Above => "above",
        }
    }
}

/// A reading beside a limit of the trade.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct LimitComparison {
    /// The limit.
    pub limit: PracticeLimit,
    /// The limit, volts AC.
    pub limit_v: f64,
    /// On which side of it the reading lies.
    pub outcome: LimitOutcome,
    /// Where the limit comes from.
    pub source: String,
}

/// What a meter would have shown.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct MeterReading {
    /// The number on the display, volts: rounded to the resolution.
    pub indicated_v: f64,
    /// The same before rounding.
    pub unrounded_v: f64,
    /// Standard uncertainty of it, from the scatter of 16 parts of the record; 0 where it rests on a mean cycle.
    pub unrounded_v_std: f64,
    /// R.m.s. value behind the AC coupling, the bandwidth not limited, volts: what the meter should have shown.
    pub rms_v: f64,
    /// `unrounded_v / rms_v`; `None` without any signal.
    pub shown_fraction: Option<f64>,
    /// Highest magnitude / r.m.s. value behind both filters; `None` without any signal.
    pub crest_factor: Option<f64>,
    /// R.m.s. value / mean magnitude behind both filters (1.1107 for a sine); `None` without any signal.
    pub form_factor: Option<f64>,
    /// The reading beside the limits of the trade; empty for a trace that is no supply voltage.
    pub limits: Vec<LimitComparison>,
    /// What such a reading misses, a sentence each.
    pub misses: Vec<String>,
}

/// Fewest samples that are read.
const LEAST_SAMPLES: usize = 16;
/// Parts of the record between which the scatter is taken.
const PARTS: usize = 16;
/// Time constants for which the low-pass settles.
const SETTLE: f64 = 5.0;
/// Points at which a mean cycle is evaluated.
const POINTS: usize = 2048;

/// What the meter would have shown for a trace.
///
/// ```
/// use sixpulse::meter::{Meter, Response, read};
/// use sixpulse::{Coupling, Role, Trace};
/// // A square wave of 1 V: an average-responding meter shows 1.11 V, a true-r.m.s. one 1.00 V.
/// let square = (0..100_000).map(|i| if i % 1000 < 500 { 13.0 } else { 15.0 }).collect();
/// let trace = Trace::from_f64(square, 200_000.0, Coupling::Dc, Role::ChargingPost)?;
/// let average = read(&trace, &Meter::new(Response::AverageResponding, 1e6, 0.01, 0.01)?)?;
/// let true_rms = read(&trace, &Meter::new(Response::TrueRms, 1e6, 0.01, 0.01)?)?;
/// assert!((average.indicated_v - 1.11).abs() < 1e-9 && (true_rms.indicated_v - 1.0).abs() < 1e-9);
/// # Ok::<(), sixpulse::Error>(())
/// ```
///
/// # Errors
/// [`Error::TooShort`] below 16 samples.
pub fn read(trace: &Trace, meter: &Meter) -> Result<MeterReading> {
    let n = trace.len();
    if n < LEAST_SAMPLES {
        return Err(Error::TooShort { parameter: "trace".into(), minimum: LEAST_SAMPLES, actual: n });
    }
    // Less the first sample, so that a steady trace has exactly its level.
    let mut first = [0.0];
    trace.read(0, &mut first);
    let mut sum = 0.0;
    for_each_block(trace, |_, block| sum += block.iter().map(|x| x - first[0]).sum::<f64>());
    let chain = Chain::new(trace, meter, first[0] + sum / n as f64);
    let (behind_coupling, behind_both) = chain.transients(trace);
    let moments = chain.moments(trace, behind_coupling, behind_both);
    Ok(moments.reading(meter, trace.role()))
}

/// What the meter would have shown of the ripple alone: the mean electrical cycle, without noise and switched loads.
/// `None` without a cycle. `role` says where the cycle was read.
#[must_use]
pub fn of_cycle(cycle: &Cycle, role: Role, meter: &Meter) -> Option<MeterReading> {
    let hz = cycle.electrical_hz?;
    let orders = cycle.order_amplitudes_v.iter().zip(&cycle.order_phases_rad).zip(1..);
    let (coupled, limited): (Vec<Complex64>, Vec<Complex64>) = orders
        .map(|((amplitude, phase), n)| {
            let f = f64::from(n) * hz;
            let coupled =
                Complex64::from_polar(*amplitude, *phase) / Complex64::new(1.0, -meter.coupling_corner_hz / f);
            (coupled, coupled / Complex64::new(1.0, f / meter.bandwidth_hz))
        })
        .unzip();
    let moments = with_buffer(POINTS, |points| {
        cycle_at(&limited, points)?;
        let mut moments = Moments::default();
        let (part, peak) = widest(Magnitudes(points));
        (moments.parts[0], moments.peak) = (part, peak);
        // By Parseval's theorem: the points of a cycle tell as many orders apart.
        let squares: f64 = coupled.iter().take(POINTS / 2 - 1).map(|a| a.norm_sqr()).sum();
        moments.unlimited_square = 0.5 * squares * POINTS as f64;
        Some(moments)
    })?;
    Some(moments.reading(meter, role))
}

/// A cycle's points from its orders (complex peak amplitudes, order 1 first).
fn cycle_at(orders: &[Complex64], points: &mut [f64]) -> Option<()> {
    let plan = crate::transforms::inverse(points.len());
    let mut spectrum = plan.make_input_vec();
    // Each order stands once more at its negative frequency; nothing stands at the highest, where the two are one.
    let below = points.len() / 2;
    spectrum.get_mut(1..below)?.iter_mut().zip(orders).for_each(|(x, a)| *x = 0.5 * a);
    plan.process(&mut spectrum, points).ok()
}

/// What points have for magnitudes, and the highest of them.
struct Magnitudes<'a>(&'a [f64]);

impl Work for Magnitudes<'_> {
    type Output = (Part, f64);
    #[inline(always)]
    fn call(self) -> (Part, f64) {
        let (mut magnitude, mut square, mut peak) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
        let (sets, rest) = self.0.as_chunks::<LANES>();
        for set in sets {
            for lane in 0..LANES {
                magnitude[lane] += set[lane].abs();
            }
            for lane in 0..LANES {
                square[lane] += set[lane] * set[lane];
            }
            for lane in 0..LANES {
                peak[lane] = higher(set[lane].abs(), peak[lane]);
            }
        }
        let part = Part {
            count: self.0.len() as f64,
            magnitude: magnitude.iter().sum::<f64>() + rest.iter().map(|x| x.abs()).sum::<f64>(),
            square: square.iter().sum::<f64>() + rest.iter().map(|x| x * x).sum::<f64>(),
        };
        (part, rest.iter().map(|x| x.abs()).chain(peak).fold(0.0, |most, x| higher(x, most)))
    }
}

/// First-order low-pass, exact for straight lines between its samples: `y <- a y + b1 x_before + b0 x`.
#[derive(Debug, Clone, Copy)]
struct LowPass {
    a: f64,
    b0: f64,
    b1: f64,
    last: f64,
    state: f64,
}

impl LowPass {
    fn new(corner_hz: f64, sample_rate_hz: f64) -> Self {
        let wt = TAU * corner_hz / sample_rate_hz;
        let a = (-wt).exp();
        // A corner so far below the rate that their ratio vanishes follows nothing at all.
        let mean = if wt > 0.0 { -(-wt).exp_m1() / wt } else { 1.0 };
        Self { a, b0: 1.0 - mean, b1: mean - a, last: 0.0, state: 0.0 }
    }

    /// The filter settled on a steady input.
    fn settled(mut self, value: f64) -> Self {
        (self.last, self.state) = (value, value);
        self
    }

    fn step(&mut self, x: f64) -> f64 {
        self.state = self.a * self.state + self.b1 * self.last + self.b0 * x;
        self.last = x;
        self.state
    }
}

/// The meter's filters on a trace.
struct Chain {
    coupling: LowPass,
    bandwidth: LowPass,
    level: f64,
    first: usize,
    /// The coupling has settled before `first`.
    settled: bool,
}

impl Chain {
    fn new(trace: &Trace, meter: &Meter, level: f64) -> Self {
        let rate = trace.sample_rate_hz();
        let constants = |corner_hz: f64| (SETTLE * rate / (TAU * corner_hz)).ceil() as usize;
        let settled = constants(meter.coupling_corner_hz) <= trace.len() / 4;
        let settle = constants(if settled { meter.coupling_corner_hz } else { meter.bandwidth_hz });
        let mut start = [0.0];
        trace.read(0, &mut start);
        let coupling = LowPass { last: start[0] - level, ..LowPass::new(meter.coupling_corner_hz, rate) };
        let bandwidth = LowPass::new(meter.bandwidth_hz, rate).settled(start[0] - level);
        Self { coupling, bandwidth, level, first: settle.min(trace.len() / 2), settled }
    }

    /// Calls `visit(sample, behind the coupling, behind both filters)` for every sample that counts.
    fn walk(&self, trace: &Trace, mut visit: impl FnMut(usize, f64, f64)) {
        let (mut coupling, mut bandwidth) = (self.coupling, self.bandwidth);
        for_each_block(trace, |start, block| {
            for (offset, x) in block.iter().enumerate() {
                let u = x - self.level;
                let coupled = u - coupling.step(u);
                let y = bandwidth.step(coupled);
                if start + offset >= self.first {
                    visit(start + offset, coupled, y);
                }
            }
        });
    }

    /// Amplitudes of the decaying start `p^n` in both outputs, by least squares.
    fn transients(&self, trace: &Trace) -> (f64, f64) {
        if self.settled {
            return (0.0, 0.0);
        }
        let (mut power, mut total) = (1.0, 0.0);
        let mut found = (0.0, 0.0);
        self.walk(trace, |_, coupled, y| {
            total += power * power;
            found = (found.0 + power * coupled, found.1 + power * y);
            power *= self.coupling.a;
        });
        (found.0 / total, found.1 / total)
    }

    fn moments(&self, trace: &Trace, behind_coupling: f64, behind_both: f64) -> Moments {
        let mut moments = Moments::default();
        let counted = trace.len() - self.first;
        let mut power = 1.0;
        self.walk(trace, |i, coupled, y| {
            let part = (i - self.first) * PARTS / counted;
            moments.add(part, coupled - behind_coupling * power, y - behind_both * power);
            power *= self.coupling.a;
        });
        moments
    }
}

/// Sums over one part of the record.
#[derive(Debug, Clone, Copy, Default)]
struct Part {
    count: f64,
    magnitude: f64,
    square: f64,
}

/// Sums over the record.
#[derive(Debug, Clone, Default)]
struct Moments {
    parts: [Part; PARTS],
    unlimited_square: f64,
    peak: f64,
}

impl Moments {
    fn add(&mut self, part: usize, unlimited: f64, limited: f64) {
        if let Some(p) = self.parts.get_mut(part) {
            p.count += 1.0;
            p.magnitude += limited.abs();
            p.square += limited * limited;
        }
        self.unlimited_square += unlimited * unlimited;
        self.peak = self.peak.max(limited.abs());
    }

    fn reading(&self, meter: &Meter, role: Role) -> MeterReading {
        let total = |of: fn(&Part) -> f64| self.parts.iter().map(of).sum::<f64>();
        let count = total(|p| p.count);
        let (magnitude, square) = (total(|p| p.magnitude) / count, total(|p| p.square) / count);
        let rms_v = (self.unlimited_square / count).sqrt();
        let limited_v = square.sqrt();
        let unrounded_v = match meter.response {
            Response::AverageResponding => SINE_FORM_FACTOR * magnitude,
            Response::TrueRms => limited_v,
        };
        let unrounded_v_std = self.std(meter.response, unrounded_v);
        let some = |value: f64, by: f64| (by > 0.0).then(|| value / by);
        let mut reading = MeterReading {
            indicated_v: meter.rounded(unrounded_v),
            unrounded_v,
            unrounded_v_std,
            rms_v,
            shown_fraction: some(unrounded_v, rms_v),
            crest_factor: some(self.peak, limited_v),
            form_factor: some(limited_v, magnitude),
            limits: Vec::new(),
            misses: Vec::new(),
        };
        if role.is_supply_voltage() {
            reading.limits = PracticeLimit::ALL.map(|limit| compare(&reading, meter, limit)).into();
            reading.misses = misses(&reading, meter, role);
        }
        reading
    }

    /// Standard uncertainty from the scatter of the parts; 0 for a single one.
    fn std(&self, response: Response, unrounded_v: f64) -> f64 {
        let values: Vec<f64> = self
            .parts
            .iter()
            .filter(|p| p.count > 0.0)
            .map(|p| match response {
                Response::AverageResponding => SINE_FORM_FACTOR * p.magnitude / p.count,
                Response::TrueRms => (p.square / p.count).sqrt(),
            })
            .collect();
        let n = values.len() as f64;
        if n < 2.0 {
            return 0.0;
        }
        (values.iter().map(|v| (v - unrounded_v).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt()
    }
}

fn compare(reading: &MeterReading, meter: &Meter, limit: PracticeLimit) -> LimitComparison {
    let apart = reading.indicated_v - limit.limit_v();
    let margin = 0.5 * meter.resolution_v + 2.0 * reading.unrounded_v_std;
    let outcome = if apart.abs() <= margin {
        LimitOutcome::AtLimit
    } else if apart < 0.0 {
        LimitOutcome::Below
    } else {
        LimitOutcome::Above
    };
    LimitComparison { limit, limit_v: limit.limit_v(), outcome, source: limit.source().into() }
}

/// Departure from the r.m.s. value that is worth a word.
const WORTH_A_WORD: f64 = 0.05;

fn misses(reading: &MeterReading, meter: &Meter, role: Role) -> Vec<String> {
    let mut list = vec![
        "An amplitude convicts nobody: a failed diode often stays below 0.5 V AC, and a poor battery, a long cable or a switched load lifts the ripple of a healthy rectifier; the pattern decides."
            .to_owned(),
    ];
    if let Some(shown) = reading.shown_fraction.filter(|s| (s - 1.0).abs() > WORTH_A_WORD) {
        list.push(format!(
            "This meter shows {:.0} % of the r.m.s. value ({:.0} of {:.0} mV): its bandwidth of {:.0} Hz or its response to \
             the mean magnitude is to blame; the pulses of an idling alternator lie at 0.65 to 2.3 kHz.",
            100.0 * shown,
            1e3 * reading.unrounded_v,
            1e3 * reading.rms_v,
            meter.bandwidth_hz
        ));
    }
    if role == Role::BatteryPost {
        list.push("The battery cushions the ripple: the limits are meant for the alternator's post.".into());
    }
    list
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::Coupling;

    const RATE: f64 = 200_000.0;

    /// One second of a wave of 50 Hz.
    fn trace(wave: impl Fn(f64) -> f64) -> Trace {
        let samples = (0..200_000).map(|i| 14.0 + wave(TAU * 50.0 * f64::from(i) / RATE)).collect();
        Trace::from_f64(samples, RATE, Coupling::Dc, Role::ChargingPost).unwrap()
    }

    fn show(trace: &Trace, response: Response, bandwidth_hz: f64, corner_hz: f64) -> MeterReading {
        read(trace, &Meter::new(response, bandwidth_hz, corner_hz, 1e-9).unwrap()).unwrap()
    }

    #[test]
    fn closed_forms_of_sine_rectified_sine_and_square() {
        // Wide open. 1e-4: the corner of 10 mHz and the bandwidth of 1 MHz take 1e-7; the samples of |sin| about the
        // fold and of the square about its edges 5e-5.
        let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-4, "{a} against {b}");
        let both =
            |t: &Trace| [Response::AverageResponding, Response::TrueRms].map(|r| show(t, r, 1e6, 0.01).unrounded_v);
        let [average, rms] = both(&trace(f64::sin));
        near(average, SQRT_2.recip());
        near(rms, SQRT_2.recip());
        // |sin| less its mean 2 / pi: r.m.s. sqrt(1/2 - 4/pi^2); mean magnitude (4/pi) (sqrt(1 - m^2) - m acos m), m = 2/pi
        // (twice the area above the mean).
        let m = 2.0 / PI;
        let [average, rms] = both(&trace(|a| a.sin().abs()));
        near(rms, (0.5 - m * m).sqrt());
        near(average, SINE_FORM_FACTOR * 4.0 / PI * ((1.0 - m * m).sqrt() - m * m.acos()));
        let [average, rms] = both(&trace(|a| if a.rem_euclid(TAU) < PI { 1.0 } else { -1.0 }));
        near(rms, 1.0);
        // The crest-factor error of the average-responding meter: a square wave reads 11 % high.
        near(average, 1.1107);
    }

    #[test]
    fn filters_are_of_first_order() {
        let sine = trace(f64::sin);
        // At its corner 3 dB down: 1/2 r.m.s.; one corner on each side: 1/2 again of that power.
        for (bandwidth, corner, wanted) in [(50.0, 0.01, 0.5), (1e6, 50.0, 0.5), (50.000_1, 50.0, 0.5 / SQRT_2)] {
            let shown = show(&sine, Response::TrueRms, bandwidth, corner).unrounded_v;
            // 2e-3: settling leaves 49.2 periods, and a fifth of one weighs up to 1 / (4 pi 49).
            assert!((shown / wanted - 1.0).abs() < 2e-3, "{bandwidth} Hz, {corner} Hz: {shown}");
        }
    }

    #[test]
    fn steps_finer_than_a_number_leave_it_as_it_is() {
        let sine = trace(f64::sin);
        for resolution_v in [1e-17, 1e-300, f64::MIN_POSITIVE] {
            let shown = read(&sine, &Meter::new(Response::TrueRms, 20e3, 10.0, resolution_v).unwrap()).unwrap();
            assert!(shown.indicated_v == shown.unrounded_v && shown.unrounded_v > 0.5, "{shown:?}");
        }
    }

    #[test]
    fn resolution_and_limits() {
        let reading = read(&trace(|a| 0.42 * SQRT_2 * a.sin()), &Meter::true_rms_handheld()).unwrap();
        assert!((reading.indicated_v - reading.unrounded_v).abs() <= 0.5e-3 + 1e-12);
        let outcomes: Vec<LimitOutcome> = reading.limits.iter().map(|l| l.outcome).collect();
        assert_eq!(outcomes, [LimitOutcome::Below, LimitOutcome::Above, LimitOutcome::Above]);
        let at = read(&trace(|a| 0.5 * SQRT_2 * a.sin()), &Meter::new(Response::TrueRms, 1e6, 0.01, 0.01).unwrap());
        assert_eq!(at.unwrap().limits[0].outcome, LimitOutcome::AtLimit);
    }

    #[test]
    fn a_flat_trace_and_bad_settings() {
        let flat = Trace::from_f64(vec![12.6; 100], RATE, Coupling::Dc, Role::SpeedSensor).unwrap();
        let reading = read(&flat, &Meter::average_handheld()).unwrap();
        assert_eq!((reading.indicated_v, reading.crest_factor, reading.shown_fraction), (0.0, None, None));
        assert!(reading.limits.is_empty() && reading.misses.is_empty());
        let short = Trace::from_f64(vec![12.6; 15], RATE, Coupling::Dc, Role::ChargingPost).unwrap();
        assert_eq!(read(&short, &Meter::average_handheld()).unwrap_err().code(), "too_short");
        for (bandwidth, corner, resolution) in
            [(0.0, 1.0, 1.0), (1.0, 1.0, 1.0), (9.0, f64::NAN, 1.0), (9.0, 1.0, -1.0)]
        {
            assert_eq!(
                Meter::new(Response::TrueRms, bandwidth, corner, resolution).unwrap_err().code(),
                "out_of_range"
            );
        }
    }
}
