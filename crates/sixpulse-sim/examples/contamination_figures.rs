//! Measures the contamination part on simulated captures with known truth and prints the tables of
//! `docs/validation-contamination.md`.
//!
//! `cargo run --release -p sixpulse-sim --example contamination_figures -- SEED FIRST COUNT [causes | dump]`
//!
//! Lines: quantity, captures that meet it, captures tried, share, 95 % Wilson interval; then the distribution of the
//! errors. `causes` also says of every miss what stood behind it, by simulating the same vehicle again: with an instrument
//! without noise and with 16 bits, then at four times the sample rate as well, then over four times the record too. The
//! first step that meets the target names the cause; and it sets apart the captures in which the target can be had: gains
//! whose Cramer-Rao bound and whose rounding error are at most 1 %, counts that an instrument without noise sees at the
//! same sample rate and that stay when the coupling changes by 3 %, verdicts that the record allows (see `record.rs`).
//! `dump` prints the results capture by capture.

#[path = "contamination_figures/again.rs"]
mod again;
#[path = "contamination_figures/record.rs"]
mod record;
#[path = "contamination_figures/transfer.rs"]
mod transfer;

use again::{Again, Rung};
use record::Record;
use sixpulse::angle::PhaseTrack;
use sixpulse::contamination::speed::{InputReference, PulseConditioner, Threshold};
use sixpulse::contamination::{Contamination, ContaminationVerdict, assess, count};
use sixpulse::{Capture, Role, Samples, Trace};
use sixpulse_sim::draw::Draw;
use sixpulse_sim::scenario::{Scenario, simulate_member};
use sixpulse_sim::sensor::Conditioner;
use sixpulse_sim::truth::{Motion, Purity, SensorTruth, Truth};
use std::collections::BTreeMap;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// Accuracy of a gain, relative, and of a count.
const GAIN: f64 = 0.03;
const COUNT: f64 = 0.01;
/// Standard uncertainty of a gain that leaves the target three of them.
const BOUND: f64 = 0.01;
/// Error of the transfer over all orders, relative.
const TRANSFER: f64 = 0.05;

fn main() -> Outcome<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let numbers: Vec<u64> = arguments.iter().take(3).map(|a| a.parse()).collect::<Result<_, _>>()?;
    let [seed, first, count] = numbers[..] else { return Err("expected SEED FIRST COUNT".into()) };
    let (causes, dump) = (arguments.iter().any(|a| a == "causes"), arguments.iter().any(|a| a == "dump"));
    let mut table = Table::default();
    for member in first..first + count {
        let (scenario, capture, truth) = match simulate_member(seed, member, &Draw::default()) {
            Ok(made) => made,
            Err(error) => {
                eprintln!("member {member}: {error}");
                continue;
            }
        };
        let Some(case) = Case::new(&scenario, &capture, &truth)? else { continue };
        if dump {
            println!("{member} {:?} {}", case.found, case.counted_hz);
        }
        table.add(&case);
        if causes {
            table.causes(member, &case, &scenario)?;
        }
    }
    table.print();
    Ok(())
}

/// One capture's circuit with what is true of it and what was found.
struct Case {
    truth: SensorTruth,
    electrical_hz: f64,
    found: Contamination,
    circuit: Trace,
    supply: Trace,
    counted_hz: f64,
    expected_hz: f64,
    /// R.m.s. steps of the supply's converter that its ripple spans.
    supply_steps: f64,
    supply_rms_v: f64,
    interval_s: f64,
    bound: Bound,
    /// Relative, over all orders.
    transfer_error: Option<f64>,
}

/// What the record allows a gain to be known to, relative.
struct Bound {
    /// Cramer-Rao bound: `sqrt((s_y^2 + g^2 s_x^2) / (N r^2))` / g for noise `s` of both traces (the converters' twelfth
    /// of a squared step included), `N` samples and ripple of `r` volts r.m.s. at the supply; everything else known.
    noise: f64,
    /// What rounding leaves open: `0.085 q^-1.5` for ripple of `q` r.m.s. steps, of both traces, undithered; less where the
    /// circuit's own signal sweeps its converter.
    rounding: f64,
}

impl Bound {
    fn new(scenario: &Scenario, supply: &Trace, circuit: &Trace, supply_rms_v: f64, truth: &SensorTruth) -> Self {
        let step = |t: &Trace| sixpulse::quality::step(t).unwrap_or(0.0);
        let (x, y) = (step(supply), step(circuit));
        let (noise_x, noise_y) =
            (scenario.channels.post.noise_v, scenario.channels.sensor.as_ref().map_or(0.0, |c| c.noise_v));
        let gain = truth.coupled_rms_v / supply_rms_v.max(f64::MIN_POSITIVE);
        let variance = noise_y.powi(2) + y * y / 12.0 + gain * gain * (noise_x.powi(2) + x * x / 12.0);
        let rounding = |rms_v: f64, own_v: f64, step: f64, noise: f64| {
            let dither = (-2.0 * (std::f64::consts::PI * noise / step).powi(2)).exp();
            if step > 0.0 { rounded(rms_v / step, own_v / step) * dither } else { 0.0 }
        };
        Self {
            noise: (variance / supply.len() as f64).sqrt() / truth.coupled_rms_v.max(f64::MIN_POSITIVE),
            rounding: rounding(supply_rms_v, 0.0, x, noise_x).hypot(rounding(
                truth.coupled_rms_v,
                truth.own_rms_v,
                y,
                noise_y,
            )),
        }
    }

    fn allows(&self) -> bool {
        self.noise <= BOUND && self.rounding <= BOUND
    }
}

/// R.m.s. error of a sine's fundamental at any level of a rounding converter, relative; another sine `beside` it that sweeps
/// the steps multiplies what they leave open by the envelope of `J0(2 pi B)`, `B` its amplitude. Both in r.m.s. steps.
fn rounded(sine: f64, beside: f64) -> f64 {
    let alone = 0.085 * sine.powf(-1.5);
    let swept = 2.0_f64.sqrt() * std::f64::consts::PI.powi(2) * beside;
    if beside > 0.5 { alone.min(2.0_f64.sqrt()) / swept.sqrt() } else { alone }
}

impl Case {
    /// `None` for a capture without a sensor or without ripple.
    fn new(scenario: &Scenario, capture: &Capture, truth: &Truth) -> Outcome<Option<Self>> {
        let circuit = capture.by_role(Role::SpeedSensor).or_else(|| capture.by_role(Role::EdgeSensor));
        let (Some((_, circuit)), Some((_, supply)), Some(sensor)) =
            (circuit, capture.by_role(Role::ChargingPost), &truth.sensor)
        else {
            return Ok(None);
        };
        if truth.pattern.as_str() == "not_charging" {
            return Ok(None);
        }
        let track = PhaseTrack::constant(truth.electrical_hz, supply.duration_s())?;
        let found = assess(circuit, supply, &track);
        let Some(drawn) = &scenario.sensor else { return Ok(None) };
        let counted_hz = count(circuit, supply, &found, &conditioner(&drawn.conditioner)?)?.indicated_hz;
        let supply_v = &truth.post.order_amplitudes_v;
        let interval_s = supply.sample_rate_hz().recip();
        let orders = &sensor.order_transfer;
        Ok(Some(Self {
            transfer_error: transfer::error(&found, orders, supply_v, truth.electrical_hz, interval_s),
            bound: Bound::new(scenario, supply, circuit, truth.post.rms_v, sensor),
            truth: sensor.clone(),
            electrical_hz: truth.electrical_hz,
            found,
            circuit: circuit.clone(),
            supply: supply.clone(),
            counted_hz,
            expected_hz: stated_hz(sensor.indicated_pulses, sensor.indicated_hz, supply.duration_s()),
            supply_steps: truth.post.rms_v / sixpulse::quality::step(supply).unwrap_or(f64::MIN_POSITIVE),
            supply_rms_v: truth.post.rms_v,
            interval_s,
        }))
    }

    fn state(&self) -> &'static str {
        match (self.truth.purity, self.truth.motion) {
            (Purity::Clean, Motion::Still) => "clean, still",
            (Purity::Clean, Motion::Turning) => "clean, turning",
            (Purity::Contaminated, Motion::Still) => "contaminated, still",
            (Purity::Contaminated, Motion::Turning) => "contaminated, turning",
        }
    }

    /// Every target that applies to it, and whether it is met.
    fn checks(&self) -> Vec<(String, bool)> {
        let mut out = self.verdict();
        let mut check = |what: &str, met: bool| out.push((what.to_owned(), met));
        if let Some(error) = self.gain_error() {
            let steps = if self.supply_steps < 1.0 { "below one step" } else { "one step and more" };
            check(&format!("gain within 3 %: supply ripple {steps} r.m.s."), error.0 < GAIN);
            check("gain within 3 standard uncertainties", error.1 < 3.0);
            if self.bound.allows() {
                check("gain within 3 % where noise and rounding leave at most 1 %", error.0 < GAIN);
            }
        }
        if let Some(error) = self.transfer_error {
            let path = if self.truth.delay_s.is_some() { "gain and delay" } else { "any other" };
            check(&format!("transfer within 5 % over the orders: {path}"), error < TRANSFER);
        }
        if let Some(error) = self.delay_error() {
            check("delay within 2 us or 0.2 samples", error.0 < (0.2 * self.interval_s).max(2e-6));
            check("delay within 3 standard uncertainties", error.1 < 3.0);
        }
        check(
            "turning or still right",
            self.found.own_frequency_hz.is_some() == (self.truth.motion == Motion::Turning),
        );
        if let Some(error) = self.own_error() {
            check("own frequency within 0.2 %", error < 0.002);
        }
        check(&format!("indicated frequency within 1 %: {}", self.state()), same(self.counted_hz, self.expected_hz));
        out
    }

    /// Gain that must show for the verdict: the one there is, or for a clean circuit the one that a clean verdict rules out.
    fn needed_gain(&self) -> f64 {
        match self.truth.purity {
            Purity::Contaminated => self.truth.coupled_rms_v / self.supply_rms_v.max(f64::MIN_POSITIVE),
            Purity::Clean => sixpulse::contamination::CLEAN_BELOW_V_PER_V,
        }
    }

    fn verdict(&self) -> Vec<(String, bool)> {
        let contaminated = self.truth.purity == Purity::Contaminated;
        // Coupling below the least gain that is called contamination is in nobody's way.
        if contaminated && self.truth.coupled_rms_v < 0.01 * self.supply_rms_v {
            return Vec::new();
        }
        let (right, wrong) = match contaminated {
            true => (ContaminationVerdict::Contaminated, ContaminationVerdict::Clean),
            false => (ContaminationVerdict::Clean, ContaminationVerdict::Contaminated),
        };
        let kind = if contaminated { "contaminated" } else { "clean" };
        // A clean verdict holds down to the gain stated beside it.
        let below = contaminated && self.found.detectable_gain_v_per_v.is_some_and(|g| self.needed_gain() < g);
        vec![
            (format!("verdict right: {}", self.state()), self.found.verdict == right),
            (format!("verdict not wrong: {kind}"), self.found.verdict != wrong || below),
        ]
    }

    /// Relative, and in standard uncertainties.
    fn gain_error(&self) -> Option<(f64, f64)> {
        let truth = self.truth.gain_v_per_v.filter(|g| *g != 0.0)?;
        let (gain, std) = (self.found.gain_v_per_v?, self.found.gain_v_per_v_std?);
        Some(((gain / truth - 1.0).abs(), (gain - truth).abs() / std))
    }

    /// Seconds, and in standard uncertainties.
    fn delay_error(&self) -> Option<(f64, f64)> {
        self.gain_error()?;
        let error = (self.found.delay_s? - self.truth.delay_s?).abs();
        Some((error, error / self.found.delay_s_std?))
    }

    fn own_error(&self) -> Option<f64> {
        Some((self.found.own_frequency_hz? / self.truth.own_frequency_hz? - 1.0).abs())
    }
}

/// Whether two counts agree to 1 %.
fn same(counted_hz: f64, expected_hz: f64) -> bool {
    if expected_hz == 0.0 { counted_hz == 0.0 } else { (counted_hz / expected_hz - 1.0).abs() < COUNT }
}

/// The frequency of the simulator's pulses as the library states it: the simulator's lies between the first pulse and the
/// last, the library's over the record where they span less than 0.8 of it.
fn stated_hz(pulses: usize, between_hz: f64, duration_s: f64) -> f64 {
    match pulses {
        0 | 1 => 0.0,
        n if n as f64 - 1.0 > 0.8 * duration_s * between_hz => between_hz,
        n => n as f64 / duration_s,
    }
}

fn conditioner(drawn: &Conditioner) -> sixpulse::Result<PulseConditioner> {
    match *drawn {
        Conditioner::AdaptivePeak { fraction, minimum_v, decay_s, watchdog_s } => {
            PulseConditioner::new(Threshold::Adaptive { fraction, minimum_v, decay_s }, 0.0)?
                .with_watchdog_s(Some(watchdog_s))
        }
        Conditioner::FixedHysteresis { upper_v, lower_v } => {
            Ok(PulseConditioner::new(Threshold::Fixed { arming_v: upper_v }, lower_v)?
                .with_reference(InputReference::Ground))
        }
    }
}

/// Counts of captures that meet a target, the errors, and what stood behind the misses.
#[derive(Default)]
struct Table {
    counts: BTreeMap<String, (usize, usize)>,
    errors: BTreeMap<&'static str, Vec<f64>>,
    causes: BTreeMap<(String, String), usize>,
}

impl Table {
    fn add(&mut self, case: &Case) {
        for (what, met) in case.checks() {
            self.check(what, met);
        }
        let delay_us = case.delay_error().map(|e| 1e6 * e.0);
        let errors = [
            ("gain, relative", case.gain_error().map(|e| e.0)),
            ("transfer over the orders, relative", case.transfer_error),
            ("delay, us", delay_us),
            ("own frequency, relative", case.own_error()),
        ];
        for (what, error) in errors {
            self.errors.entry(what).or_default().extend(error);
        }
    }

    fn check(&mut self, what: String, met: bool) {
        let entry = self.counts.entry(what).or_default();
        entry.0 += usize::from(met);
        entry.1 += 1;
    }

    /// What stood behind each target that a capture misses; and whether its count can be had.
    fn causes(&mut self, member: u64, case: &Case, scenario: &Scenario) -> Outcome<()> {
        let mut again = Again::new(scenario);
        let count = format!("indicated frequency within 1 %: {}", case.state());
        let own = again.without_coupling();
        let (contaminated, needed) = (case.truth.purity == Purity::Contaminated, case.needed_gain());
        let record = own.as_ref().map(|own| Record::new(scenario, &case.circuit, &case.supply, own));
        let known = record.as_ref().is_some_and(|r| r.allows(contaminated, needed));
        let proved =
            known && (!contaminated || record.is_some_and(|r| r.proves(case.electrical_hz, &case.truth, needed)));
        for (what, met) in case.verdict().into_iter().filter(|(what, _)| known && what.starts_with("verdict right")) {
            if proved {
                self.check(format!("{what}, where the record can prove it"), met);
                self.check("verdict right: all, where the record can prove it".to_owned(), met);
            }
            self.check(format!("{what}, where the record allows it"), met);
        }
        let allowed = again.count_can_be_had(case.expected_hz);
        if allowed {
            self.check(format!("{count}, where it can be had"), same(case.counted_hz, case.expected_hz));
        }
        let missed = case.checks().into_iter().filter(|(_, met)| !met);
        for (what, _) in missed {
            let of_transfer = what.starts_with("gain") || what.starts_with("delay");
            let cause = match again.first_met(&what)? {
                _ if what.starts_with("verdict right") && !known => "the record does not allow it".to_owned(),
                _ if what.starts_with("verdict right") && !proved => "the record cannot prove it".to_owned(),
                _ if what == count && !allowed => "not to be had at this rate and threshold".to_owned(),
                Some(Rung::Quiet) if of_transfer && case.bound.noise > BOUND => {
                    "noise: the bound exceeds 1 %".to_owned()
                }
                Some(Rung::Quiet) if of_transfer && case.bound.rounding > BOUND => {
                    "rounding of a coarse converter".to_owned()
                }
                Some(rung) => rung.cause().to_owned(),
                None => "stays without noise, at four times the rate, over four times the record".to_owned(),
            };
            println!("member {member}: {what}: {cause}; {:?}", Summary::new(case));
            *self.causes.entry((what, cause)).or_default() += 1;
        }
        Ok(())
    }

    fn print(&mut self) {
        for (what, (met, tried)) in &self.counts {
            let (low, high) = wilson(*met, *tried);
            let share = 100.0 * *met as f64 / *tried as f64;
            println!("| {what} | {met} of {tried} | {share:.1} % | {:.1} to {:.1} % |", 100.0 * low, 100.0 * high);
        }
        for (what, errors) in &mut self.errors {
            errors.sort_by(f64::total_cmp);
            let at = |q: f64| errors.get(((errors.len() as f64 * q) as usize).min(errors.len().saturating_sub(1)));
            let [median, most, nearly_all] = [0.5, 0.9, 0.99].map(|q| at(q).copied().unwrap_or(f64::NAN));
            println!("| error of {what} | median {median:.4} | 90 % {most:.4} | 99 % {nearly_all:.4} |");
        }
        for ((what, cause), number) in &self.causes {
            println!("| {what} | {cause} | {number} |");
        }
    }
}

/// What a line about a miss shows.
#[derive(Debug)]
#[allow(dead_code, reason = "read by its Debug form")]
struct Summary<'a> {
    gain: (Option<f64>, Option<f64>, Option<f64>),
    delay_s: (Option<f64>, Option<f64>, Option<f64>),
    path: Option<sixpulse::contamination::transfer::Path>,
    count_hz: (f64, f64),
    bound: (f64, f64),
    reason: &'a str,
}

impl<'a> Summary<'a> {
    fn new(case: &'a Case) -> Self {
        let (found, truth) = (&case.found, &case.truth);
        Self {
            gain: (truth.gain_v_per_v, found.gain_v_per_v, found.gain_v_per_v_std),
            delay_s: (truth.delay_s, found.delay_s, found.delay_s_std),
            path: found.path,
            count_hz: (case.expected_hz, case.counted_hz),
            bound: (case.bound.noise, case.bound.rounding),
            reason: &found.reason,
        }
    }
}

/// 95 % interval of a share (Wilson, J. Am. Stat. Assoc. 22:209, 1927).
fn wilson(met: usize, tried: usize) -> (f64, f64) {
    const Z: f64 = 1.96;
    let (share, n) = (met as f64 / tried as f64, tried as f64);
    let middle = (share + Z * Z / (2.0 * n)) / (1.0 + Z * Z / n);
    let half = Z / (1.0 + Z * Z / n) * (share * (1.0 - share) / n + Z * Z / (4.0 * n * n)).sqrt();
    ((middle - half).max(0.0), (middle + half).min(1.0))
}
