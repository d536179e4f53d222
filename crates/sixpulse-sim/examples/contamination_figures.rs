//! Measures the contamination part on simulated captures with known truth and prints the table of
//! `docs/validation-contamination.md`.
//!
//! `cargo run --release -p sixpulse-sim --example contamination_figures -- SEED FIRST COUNT`
//!
//! Lines: quantity, captures that meet it, captures tried, share, 95 % Wilson interval; then the distribution of the
//! errors. With a fourth argument the captures that miss something are listed as well.

use sixpulse::angle::PhaseTrack;
use sixpulse::contamination::speed::{InputReference, PulseConditioner, Threshold};
use sixpulse::contamination::{Contamination, ContaminationVerdict, assess, count};
use sixpulse::{Capture, Role, Trace};
use sixpulse_sim::draw::Draw;
use sixpulse_sim::scenario::{Scenario, simulate_member};
use sixpulse_sim::sensor::Conditioner;
use sixpulse_sim::truth::{Motion, Purity, SensorTruth, Truth};
use std::collections::BTreeMap;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let numbers: Vec<u64> = arguments.iter().take(3).map(|a| a.parse()).collect::<Result<_, _>>()?;
    let [seed, first, count] = numbers[..] else { return Err("expected SEED FIRST COUNT".into()) };
    let mut table = Table { verbose: arguments.len() > 3, ..Table::default() };
    for member in first..first + count {
        match simulate_member(seed, member, &Draw::default()) {
            Ok((scenario, capture, truth)) => table.add(member, &scenario, &capture, &truth)?,
            Err(error) => eprintln!("member {member}: {error}"),
        }
    }
    table.print();
    Ok(())
}

/// Counts of captures that meet a target, and the errors.
#[derive(Default)]
struct Table {
    counts: BTreeMap<String, (usize, usize)>,
    errors: BTreeMap<&'static str, Vec<f64>>,
    missed: Vec<String>,
    verbose: bool,
}

/// One capture's circuit with what is true of it.
struct Case<'a> {
    circuit: &'a Trace,
    supply: &'a Trace,
    truth: &'a SensorTruth,
    found: Contamination,
    /// R.m.s. steps of the supply's converter that its ripple spans.
    supply_steps: f64,
}

impl Table {
    fn add(
        &mut self,
        member: u64,
        scenario: &Scenario,
        capture: &Capture,
        truth: &Truth,
    ) -> Result<(), Box<dyn std::error::Error>> {
        let circuit = capture.by_role(Role::SpeedSensor).or_else(|| capture.by_role(Role::EdgeSensor));
        let (Some((_, circuit)), Some((_, supply)), Some(sensor)) =
            (circuit, capture.by_role(Role::ChargingPost), &truth.sensor)
        else {
            return Ok(());
        };
        if truth.pattern.as_str() == "not_charging" {
            return Ok(());
        }
        self.missed.clear();
        let track = PhaseTrack::constant(truth.electrical_hz, supply.duration_s())?;
        let found = assess(circuit, supply, &track);
        let supply_steps = truth.post.rms_v / sixpulse::quality::step(supply).unwrap_or(f64::MIN_POSITIVE);
        let case = Case { circuit, supply, truth: sensor, found, supply_steps };
        self.verdict(&case, truth.post.rms_v);
        self.transfer(&case);
        self.own(&case);
        self.conditioner(&case, scenario)?;
        if self.verbose && !self.missed.is_empty() {
            println!("member {member}: {} ({})", self.missed.join(", "), case.found.reason);
        }
        Ok(())
    }

    fn check(&mut self, what: &str, met: bool) {
        let entry = self.counts.entry(what.to_owned()).or_default();
        entry.1 += 1;
        if met {
            entry.0 += 1;
        } else {
            self.missed.push(what.to_owned());
        }
    }

    fn verdict(&mut self, case: &Case, supply_rms_v: f64) {
        let contaminated = case.truth.purity == Purity::Contaminated;
        let motion = if case.truth.motion == Motion::Still { "still" } else { "turning" };
        // Coupling below the least gain that is called contamination is in nobody's way.
        if contaminated && case.truth.coupled_rms_v < 0.01 * supply_rms_v {
            return;
        }
        let right = if contaminated { ContaminationVerdict::Contaminated } else { ContaminationVerdict::Clean };
        let state = if contaminated { "contaminated" } else { "clean" };
        self.check(&format!("verdict right: {state}, {motion}"), case.found.verdict == right);
        let wrong = if contaminated { ContaminationVerdict::Clean } else { ContaminationVerdict::Contaminated };
        self.check(&format!("verdict not wrong: {state}"), case.found.verdict != wrong);
    }

    fn transfer(&mut self, case: &Case) {
        let (Some(gain), Some(std), Some(true_gain)) =
            (case.found.gain_v_per_v, case.found.gain_v_per_v_std, case.truth.gain_v_per_v)
        else {
            return;
        };
        if true_gain == 0.0 {
            return;
        }
        let error = (gain / true_gain - 1.0).abs();
        self.errors.entry("gain, relative").or_default().push(error);
        let steps = if case.supply_steps < 1.0 { "below one step" } else { "one step and more" };
        self.check(&format!("gain within 3 %: supply ripple {steps} r.m.s."), error < 0.03);
        self.check("gain within 3 standard uncertainties", (gain - true_gain).abs() < 3.0 * std);
        let (Some(delay), Some(std), Some(true_delay)) =
            (case.found.delay_s, case.found.delay_s_std, case.truth.delay_s)
        else {
            return;
        };
        let error = (delay - true_delay).abs();
        self.errors.entry("delay, us").or_default().push(1e6 * error);
        self.check("delay within 2 us or 0.2 samples", error < (0.2 / case.supply.sample_rate_hz()).max(2e-6));
        self.check("delay within 3 standard uncertainties", error < 3.0 * std);
    }

    fn own(&mut self, case: &Case) {
        let turning = case.truth.motion == Motion::Turning;
        self.check("turning or still right", case.found.own_frequency_hz.is_some() == turning);
        if let (Some(hz), Some(places)) = (case.found.own_frequency_hz, case.truth.own_frequency_hz) {
            let error = (hz / places - 1.0).abs();
            self.errors.entry("own frequency, relative").or_default().push(error);
            self.check("own frequency within 0.2 %", error < 0.002);
        }
    }

    fn conditioner(&mut self, case: &Case, scenario: &Scenario) -> Result<(), Box<dyn std::error::Error>> {
        let Some(sensor) = &scenario.sensor else { return Ok(()) };
        let conditioner = match sensor.conditioner {
            Conditioner::AdaptivePeak { fraction, minimum_v, decay_s, watchdog_s } => {
                PulseConditioner::new(Threshold::Adaptive { fraction, minimum_v, decay_s }, 0.0)?
                    .with_watchdog_s(Some(watchdog_s))?
            }
            Conditioner::FixedHysteresis { upper_v, lower_v } => {
                PulseConditioner::new(Threshold::Fixed { arming_v: upper_v }, lower_v)?
                    .with_reference(InputReference::Ground)
            }
        };
        let counted = count(case.circuit, case.supply, &case.found, &conditioner)?.indicated_hz;
        let expected = case.truth.indicated_hz;
        let met = if expected == 0.0 { counted == 0.0 } else { (counted / expected - 1.0).abs() < 0.01 };
        let state = match (case.truth.purity, case.truth.motion) {
            (Purity::Clean, _) => "clean",
            (_, Motion::Still) => "contaminated, still",
            (_, Motion::Turning) => "contaminated, turning",
        };
        self.check(&format!("indicated frequency within 1 %: {state}"), met);
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
            let at = |q: f64| errors[((errors.len() as f64 * q) as usize).min(errors.len() - 1)];
            println!("| error of {what} | median {:.4} | 90 % {:.4} | 99 % {:.4} |", at(0.5), at(0.9), at(0.99));
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
