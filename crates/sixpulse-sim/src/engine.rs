//! The time loop: exact linear steps, events bracketed by halving, regulator and contacts between the steps.

use crate::device::Conduction;
use crate::error::{Error, Result};
use crate::ladder::{LEVELS, MOST_INPUTS, Rung, Stepper, TICKS, accumulate, apply, newton};
use crate::machine::Excitation;
use crate::mode::{self, BATTERY_POST, CAPACITOR_CURRENT, CHASSIS, NODES, POST};
use crate::model::{Model, PLACES};
use crate::regulator::Field;
use crate::solve::{Circuit, EnergyBalance, StepStatistics};
use std::collections::BTreeMap;

/// Most changes of the conduction pattern in one step.
const MOST_EVENTS: usize = 400;
/// Passes in which a consistent conduction pattern must be found.
const MOST_PASSES: usize = 24;
/// Greatest current or voltage a solution may reach.
const GREATEST: f64 = 1.0e7;
/// Most Newton steps for the bent parts of the diodes' laws; two suffice while nothing switches.
const NEWTON_STEPS: usize = 20;
/// A corner current above this cannot vanish by itself when its last path opens, in amperes.
const FORCED_A: f64 = 0.05;
/// Inductances are taken from a geometric grid with this ratio.
const INDUCTANCE_RATIO: f64 = 1.005;

/// Polynomials of the coil EMFs over a step: `e0 + e1 s + e2 s^2`, `s` from 0 to 1.
#[derive(Debug, Clone, Default)]
struct Emf {
    e0: Vec<f64>,
    e1: Vec<f64>,
    e2: Vec<f64>,
    end: Vec<f64>,
    middle: Vec<f64>,
}

/// Inputs over a substep in the order of the pattern: value at the start, linear and quadratic part.
struct Inputs {
    u0: [f64; MOST_INPUTS],
    u1: [f64; MOST_INPUTS],
    u2: [f64; 8],
}

impl Inputs {
    /// Values at the end of the substep.
    fn end(&self, count: usize) -> [f64; MOST_INPUTS] {
        let mut end = [0.0; MOST_INPUTS];
        for k in 0..count {
            end[k] = self.u0[k] + self.u1[k] + self.u2.get(k).copied().unwrap_or(0.0);
        }
        end
    }
}

/// What a substep would lead to.
struct Trial<const N: usize> {
    x: [f64; N],
    end: [f64; MOST_INPUTS],
    device: [f64; N],
    rest: [f64; N],
    error_a: f64,
    event: bool,
}

/// From this many steps a cycle on the trapezoid rule keeps the energy account within 3e-4.
const FINE_STEPS: f64 = 200.0;

/// How the powers are integrated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Account {
    /// Trapezoid over the ends of each substep.
    Ends,
    /// Simpson's rule with the middle of each substep: for steps that are long against the electrical cycle.
    Middle,
}

/// Powers in watts: EMF, stator, diodes, wiring, battery loss, battery EMF, loads.
type Powers = [f64; 7];

pub(crate) struct Engine<'a, const N: usize> {
    circuit: &'a Circuit,
    pub(crate) model: Model,
    h: f64,
    tolerance_a: f64,
    account: Account,
    steppers: Vec<Stepper<N>>,
    known: BTreeMap<(u64, i32), usize>,
    current: usize,
    conduction: Vec<Conduction>,
    loads_on: u64,
    inductance_step: i32,
    inductance_base: f64,
    x: [f64; N],
    rest: [f64; N],
    emf: Emf,
    pub(crate) field: Field,
    /// Number of the present step; its start is at `step x h`.
    step: i64,
    /// Substep position within the step, in ticks.
    position: u32,
    next_edge: i64,
    inputs_now: [f64; MOST_INPUTS],
    nodes: [f64; NODES],
    powers: Powers,
    energies: Powers,
    arc_j: f64,
    pumped_j: f64,
    stored_start_j: f64,
    pub(crate) statistics: StepStatistics,
}

impl<'a, const N: usize> Engine<'a, N> {
    /// An engine at the start of step `step`, at rest: no current flows, the capacitor is at the battery's voltage.
    pub(crate) fn new(
        circuit: &'a Circuit,
        h: f64,
        tolerance_a: f64,
        step: i64,
        pairs_v: &[f64],
        field_a: f64,
    ) -> Result<Self> {
        let model = Model::new(circuit);
        let conduction = initial_conduction(&model);
        let field = Field::new(&circuit.alternator, field_a, h);
        let inductance_base = circuit.alternator.inductance.at(field_a);
        let mut x = [0.0; N];
        if let (Some(k), Some(b)) = (model.states.capacitor, &model.battery) {
            x[k] = b.emf;
        }
        for (&k, &v) in model.states.pairs.iter().zip(pairs_v) {
            x[k] = v;
        }
        let coils = model.states.coils;
        let fastest = circuit.drive.greatest_electrical_hz(circuit.alternator.pole_pairs);
        let steps_per_cycle = 1.0 / (h * fastest.max(1.0));
        let zero = || vec![0.0; coils];
        let mut engine = Self {
            circuit,
            model,
            h,
            tolerance_a,
            account: if steps_per_cycle < FINE_STEPS { Account::Middle } else { Account::Ends },
            steppers: Vec::new(),
            known: BTreeMap::new(),
            current: 0,
            conduction,
            loads_on: 0,
            inductance_step: 0,
            inductance_base,
            x,
            rest: [0.0; N],
            emf: Emf { e0: zero(), e1: zero(), e2: zero(), end: zero(), middle: zero() },
            field,
            step,
            position: 0,
            next_edge: i64::MIN,
            inputs_now: [0.0; MOST_INPUTS],
            nodes: [0.0; NODES],
            powers: [0.0; 7],
            energies: [0.0; 7],
            arc_j: 0.0,
            pumped_j: 0.0,
            stored_start_j: 0.0,
            statistics: StepStatistics::default(),
        };
        let mut end = zero();
        engine.coil_emf(engine.time(), &mut end);
        engine.emf.end.copy_from_slice(&end);
        engine.emf.e0.copy_from_slice(&end);
        engine.pass_edge();
        engine.set_contacts()?;
        engine.enter()?;
        engine.settle_pattern()?;
        Ok(engine)
    }

    fn time(&self) -> f64 {
        (self.step as f64 + f64::from(self.position) / f64::from(TICKS)) * self.h
    }

    /// Present tick, counted from time 0.
    fn tick(&self) -> i64 {
        self.step * i64::from(TICKS) + i64::from(self.position)
    }

    fn stepper(&self) -> &Stepper<N> {
        &self.steppers[self.current]
    }

    // ---- sources ----------------------------------------------------------------------------------------------

    /// EMF of every coil at time `t`.
    fn coil_emf(&self, t: f64, out: &mut [f64]) {
        let rotation = self.circuit.drive.electrical(self.circuit.alternator.pole_pairs, t);
        let peak = self.circuit.alternator.excitation.peak_v(rotation.omega, self.field.current_a);
        let (sin, cos) = libm::sincos(rotation.angle);
        let mut waves = [(0.0, 0.0); 14];
        let (mut s, mut c) = (sin, cos);
        let highest = self.model.orders.iter().copied().max().unwrap_or(1) as usize;
        for wave in waves.iter_mut().take(highest + 1).skip(1) {
            *wave = (s, c);
            (s, c) = (s * cos + c * sin, c * cos - s * sin);
        }
        for (e, coil) in out.iter_mut().zip(&self.model.coils) {
            let terms = coil.terms.iter().zip(&self.model.orders);
            *e = peak * terms.map(|((tc, ts), &n)| waves[n as usize].0 * tc - waves[n as usize].1 * ts).sum::<f64>();
        }
    }

    /// Quadratic through the EMFs at start, middle and end of the step.
    fn load_emf(&mut self) {
        let mut emf = std::mem::take(&mut self.emf);
        let t = self.time();
        emf.e0.copy_from_slice(&emf.end);
        self.coil_emf(t + 0.5 * self.h, &mut emf.middle);
        self.coil_emf(t + self.h, &mut emf.end);
        for c in 0..emf.e0.len() {
            let (a, m, b) = (emf.e0[c], emf.middle[c], emf.end[c]);
            emf.e1[c] = 4.0 * m - 3.0 * a - b;
            emf.e2[c] = 2.0 * (a + b) - 4.0 * m;
        }
        self.emf = emf;
    }

    /// Load currents at a tick, field included.
    fn load_currents(&self, tick: i64) -> [f64; PLACES] {
        let mut out = self.model.ampere;
        out[0] += self.field.drawn_a();
        let t = tick as f64 * self.h / f64::from(TICKS);
        for p in &self.model.pulsed {
            let cycle = t * p.frequency + p.phase;
            out[p.place] +=
                p.ampere * trapezoid(cycle - libm::floor(cycle), p.duty, p.rise * p.frequency, p.fall * p.frequency);
        }
        out
    }

    /// Inputs over a substep of `ticks` from the present position; the rests are constant in it at first.
    fn inputs(&self, ticks: u32) -> Inputs {
        let stepper = self.stepper();
        let coils = stepper.coils;
        let mut out = Inputs { u0: [0.0; MOST_INPUTS], u1: [0.0; MOST_INPUTS], u2: [0.0; 8] };
        let (s, w) = (f64::from(self.position) / f64::from(TICKS), f64::from(ticks) / f64::from(TICKS));
        for c in 0..coils {
            out.u0[c] = self.emf.e0[c] + s * (self.emf.e1[c] + s * self.emf.e2[c]);
            out.u1[c] = w * (self.emf.e1[c] + 2.0 * s * self.emf.e2[c]);
            out.u2[c] = w * w * self.emf.e2[c];
        }
        for (j, &d) in stepper.mode.bent.iter().enumerate() {
            out.u0[coils + j] = self.rest[d];
        }
        let loads = coils + stepper.mode.bent.len();
        let start = self.load_currents(self.tick());
        out.u0[loads..loads + PLACES].copy_from_slice(&start);
        if !self.model.pulsed.is_empty() && ticks > 0 {
            let end = self.load_currents(self.tick() + i64::from(ticks));
            for p in 0..PLACES {
                out.u1[loads + p] = end[p] - start[p];
            }
        }
        out.u0[loads + PLACES] = 1.0;
        out
    }

    // ---- steps ------------------------------------------------------------------------------------------------

    /// Tries a substep of `TICKS >> level` ticks.
    fn attempt(&self, level: usize) -> Trial<N> {
        let stepper = self.stepper();
        let rung = &stepper.rungs[level];
        let mut u = self.inputs(TICKS >> level);
        let mut x = [0.0; N];
        apply(&mut x, &rung.phi, &self.x);
        apply(&mut x, &rung.p0, &u.u0);
        apply(&mut x, &rung.p1, &u.u1);
        apply(&mut x, &rung.p2, &u.u2);
        let end = u.end(stepper.inputs.len());
        let mut device = [0.0; N];
        apply(&mut device, &stepper.device_x, &x);
        apply(&mut device, &stepper.device_u, &end);
        let mut trial = Trial { x, end, device, rest: self.rest, error_a: 0.0, event: false };
        self.bend(stepper, rung, &mut u, &mut trial);
        trial.event = (0..N).any(|d| trial.device[d] < stepper.lower[d] || trial.device[d] > stepper.upper[d]);
        trial
    }

    /// Lets the rests of the bent devices end the substep on their laws.
    fn bend(&self, stepper: &Stepper<N>, rung: &Rung<N>, u: &mut Inputs, trial: &mut Trial<N>) {
        let bent = &stepper.mode.bent;
        let mut rise = [0.0; N];
        for _ in 0..NEWTON_STEPS {
            let (mut residual, mut slopes) = ([0.0; N], [0.0; N]);
            for (j, &d) in bent.iter().enumerate() {
                let mut i = trial.device[d];
                for (feed, r) in rung.feed.iter().zip(&rise) {
                    i += feed[d] * r;
                }
                let (rest, slope) = self.rest_at(stepper, d, i);
                (residual[j], slopes[j]) = (self.rest[d] + rise[j] - rest, slope);
            }
            let step = newton(stepper, &residual, &slopes, &rung.feed);
            let mut change = 0.0_f64;
            for (r, s) in rise.iter_mut().zip(&step) {
                *r -= s;
                change = change.max(s.abs());
            }
            if change < 1e-7 {
                break;
            }
        }
        let coils = stepper.coils;
        for (j, &d) in bent.iter().enumerate() {
            u.u1[coils + j] = rise[j];
            trial.end[coils + j] = self.rest[d] + rise[j];
            trial.rest[d] = trial.end[coils + j];
            accumulate(&mut trial.x, rise[j], &rung.p1[coils + j]);
            accumulate(&mut trial.device, rise[j], &rung.feed[j]);
            // Trapezoid rule on a logarithm: error of the mean about (change)^2 / (12 n V_T).
            trial.error_a += rung.reach[j] * rise[j] * rise[j] / (12.0 * 0.03);
        }
    }

    /// One whole step.
    pub(crate) fn advance(&mut self) -> Result<()> {
        self.set_contacts()?;
        self.load_emf();
        self.position = 0;
        let events = self.statistics.events;
        let mut least = 0;
        while self.position < TICKS {
            if self.statistics.events - events > MOST_EVENTS as u64 {
                return Err(Error::EventStorm { time_s: self.time(), limit: MOST_EVENTS });
            }
            let level = self.level(least);
            let trial = self.attempt(level);
            if level < LEVELS && (trial.event || trial.error_a > self.tolerance_a) {
                self.statistics.rejected += 1;
                least = level + 1;
                continue;
            }
            // While an event is being bracketed every substep is half the last one.
            least = if least > 0 && level < LEVELS && !trial.event { level + 1 } else { 0 };
            let event = trial.event;
            self.accept(level, trial);
            let edge = self.tick() >= self.next_edge;
            if edge {
                self.pass_edge();
            }
            if event || edge {
                self.enter()?;
                self.settle_pattern()?;
            }
        }
        self.step += 1;
        self.position = 0;
        self.emf.e0.copy_from_slice(&self.emf.end);
        self.emf.e1.fill(0.0);
        self.emf.e2.fill(0.0);
        self.check_range()?;
        self.update_field()
    }

    /// Greatest substep (least level) that is aligned and ends before the next edge of a load.
    fn level(&self, least: usize) -> usize {
        let limit = self.next_edge.saturating_sub(self.step * i64::from(TICKS)).min(i64::from(TICKS));
        let mut level = least;
        while level < LEVELS {
            let size = TICKS >> level;
            if self.position % size == 0 && i64::from(self.position + size) <= limit {
                break;
            }
            level += 1;
        }
        level
    }

    fn accept(&mut self, level: usize, trial: Trial<N>) {
        let ticks = TICKS >> level;
        let middle = self.middle_powers(level, &trial);
        self.x = trial.x;
        self.rest = trial.rest;
        self.position += ticks;
        self.statistics.accepted += 1;
        let before = self.powers;
        self.observe(&trial.end, &trial.device);
        let duration = self.h * f64::from(ticks) / f64::from(TICKS);
        for (k, energy) in self.energies.iter_mut().enumerate() {
            let ends = 0.5 * (before[k] + self.powers[k]);
            *energy += duration * middle.map_or(ends, |m| (ends + 2.0 * m[k]) / 3.0);
        }
    }

    /// Powers in the middle of the substep about to be accepted; the rests are taken half way.
    fn middle_powers(&mut self, level: usize, trial: &Trial<N>) -> Option<Powers> {
        if self.account == Account::Ends || level == LEVELS {
            return None;
        }
        let stepper = self.stepper();
        let rung = &stepper.rungs[level + 1];
        let mut u = self.inputs(TICKS >> (level + 1));
        for (j, &d) in stepper.mode.bent.iter().enumerate() {
            u.u1[stepper.coils + j] = 0.5 * (trial.rest[d] - self.rest[d]);
        }
        let mut x = [0.0; N];
        apply(&mut x, &rung.phi, &self.x);
        apply(&mut x, &rung.p0, &u.u0);
        apply(&mut x, &rung.p1, &u.u1);
        apply(&mut x, &rung.p2, &u.u2);
        let end = u.end(stepper.inputs.len());
        let saved = (self.x, self.rest, self.nodes, self.powers, self.inputs_now);
        self.x = x;
        for d in 0..self.model.devices.len() {
            self.rest[d] = 0.5 * (saved.1[d] + trial.rest[d]);
        }
        let device = self.device_quantities(&end);
        self.observe(&end, &device);
        let middle = self.powers;
        (self.x, self.rest, self.nodes, self.powers, self.inputs_now) = saved;
        Some(middle)
    }

    fn check_range(&self) -> Result<()> {
        match self.x.iter().position(|v| !(v.abs() < GREATEST)) {
            None => Ok(()),
            Some(k) => Err(Error::Diverged { time_s: self.time(), quantity: format!("state {k}"), value: self.x[k] }),
        }
    }

    // ---- conduction patterns ----------------------------------------------------------------------------------

    /// Opens and closes intermittent contacts (between steps).
    fn set_contacts(&mut self) -> Result<()> {
        let t = self.time();
        let mut changed = false;
        for k in 0..self.model.contacts.len() {
            let c = self.model.contacts[k];
            let cycle = t * c.rate + c.phase;
            let open = cycle - libm::floor(cycle) < c.open_fraction;
            let is_open = self.conduction[c.device] == Conduction::Open;
            if open != is_open {
                self.conduction[c.device] = if open { Conduction::Open } else { Conduction::Off };
                changed = true;
            }
        }
        if changed && !self.steppers.is_empty() {
            self.statistics.events += 1;
            self.enter()?;
            self.settle_pattern()?;
        }
        Ok(())
    }

    /// Notes which switched loads are on and when the next edge of any load comes.
    fn pass_edge(&mut self) {
        let now = self.tick();
        let tick_s = self.h / f64::from(TICKS);
        self.next_edge = i64::MAX;
        self.loads_on = 0;
        let mut consider = |frequency: f64, phase: f64, offset: f64| {
            let mut cycle = libm::floor(now as f64 * tick_s * frequency + phase - offset);
            loop {
                let edge = libm::round((cycle + offset - phase) / frequency / tick_s) as i64;
                if edge > now {
                    self.next_edge = self.next_edge.min(edge);
                    return;
                }
                cycle += 1.0;
            }
        };
        for s in &self.model.switched {
            consider(s.frequency, s.phase, 0.0);
            consider(s.frequency, s.phase, s.duty);
        }
        for p in &self.model.pulsed {
            for offset in [0.0, p.rise * p.frequency, p.duty, p.duty + p.fall * p.frequency] {
                consider(p.frequency, p.phase, offset);
            }
        }
        for (k, s) in self.model.switched.iter().enumerate() {
            let cycle = (now as f64 + 0.5) * tick_s * s.frequency + s.phase;
            if cycle - libm::floor(cycle) < s.duty {
                self.loads_on |= 1 << k;
            }
        }
    }

    /// Makes the present conduction pattern current and takes the coil currents onto its constraints.
    fn enter(&mut self) -> Result<()> {
        self.give_forced_currents_a_path();
        let mut key = self.loads_on << 24;
        for (d, state) in self.conduction.iter().enumerate() {
            key |= (*state as u64) << (2 * d);
        }
        let key = (key, self.inductance_step);
        self.current = match self.known.get(&key) {
            Some(&k) => k,
            None => {
                let mode = mode::build(&self.model, &self.conduction, self.loads_on, self.inductance_h())
                    .ok_or_else(|| Error::Diverged { time_s: self.time(), quantity: "pattern".into(), value: 0.0 })?;
                self.steppers.push(Stepper::new(&self.model, mode, self.h));
                self.known.insert(key, self.steppers.len() - 1);
                self.statistics.modes += 1;
                self.steppers.len() - 1
            }
        };
        if let Some(p) = &self.steppers[self.current].mode.projection {
            let before = self.coil_energy();
            let old = self.x;
            for r in 0..p.rows {
                self.x[r] = p.row(r).iter().zip(&old).map(|(a, b)| a * b).sum();
            }
            self.arc_j += before - self.coil_energy();
        }
        Ok(())
    }

    fn inductance_h(&self) -> f64 {
        self.inductance_base * libm::pow(INDUCTANCE_RATIO, f64::from(self.inductance_step))
    }

    /// A corner that loses its last path while it carries current is driven up (down) until a diode takes it: the
    /// positive (negative) one forward, else the other one in avalanche.
    fn give_forced_currents_a_path(&mut self) {
        for k in 0..self.model.phases {
            let (p, n) = (2 * k, 2 * k + 1);
            let tied = |d: usize, c: &[Conduction]| mode::conductance(&self.model.devices[d], c[d]) > 0.0;
            if tied(p, &self.conduction) || tied(n, &self.conduction) || self.model.case_siemens[k] > 0.0 {
                continue;
            }
            let current: f64 = self.model.corner.row(k).iter().zip(&self.x).map(|(a, b)| a * b).sum();
            if current.abs() <= FORCED_A {
                continue;
            }
            let (forward, backward) = if current > 0.0 { (p, n) } else { (n, p) };
            if self.conduction[forward] == Conduction::Off {
                self.conduction[forward] = Conduction::On;
            } else if self.conduction[backward] == Conduction::Off
                && self.model.devices[backward].avalanche_above_v.is_finite()
            {
                self.conduction[backward] = Conduction::Avalanche;
            }
        }
    }

    /// Changes states of devices until all are consistent at this instant.
    fn settle_pattern(&mut self) -> Result<()> {
        for pass in 0..MOST_PASSES {
            self.refresh_rests();
            let u = self.inputs(0);
            let device = self.device_quantities(&u.u0);
            let stepper = &self.steppers[self.current];
            let mut changed = false;
            for d in 0..self.model.devices.len() {
                let next = if device[d] < stepper.lower[d] {
                    if self.conduction[d] == Conduction::Off { Conduction::Avalanche } else { Conduction::Off }
                } else if device[d] > stepper.upper[d] {
                    if self.conduction[d] == Conduction::Off { Conduction::On } else { Conduction::Off }
                } else {
                    continue;
                };
                self.conduction[d] = next;
                changed = true;
                if pass > MOST_PASSES / 2 {
                    break;
                }
            }
            if !changed {
                self.observe(&u.u0, &device);
                return Ok(());
            }
            self.statistics.events += 1;
            self.enter()?;
        }
        // No consistent pattern at this very instant: go on with the last one; the next substep decides.
        self.refresh_rests();
        let u = self.inputs(0);
        let device = self.device_quantities(&u.u0);
        self.observe(&u.u0, &device);
        Ok(())
    }

    fn device_quantities(&self, u: &[f64; MOST_INPUTS]) -> [f64; N] {
        let stepper = self.stepper();
        let mut device = [0.0; N];
        apply(&mut device, &stepper.device_x, &self.x);
        apply(&mut device, &stepper.device_u, u);
        device
    }

    /// Rest of a conducting device at branch current `i`, and its derivative with `i`.
    fn rest_at(&self, stepper: &Stepper<N>, device: usize, i: f64) -> (f64, f64) {
        let state = stepper.mode.conduction[device];
        let sign = if state == Conduction::Avalanche { -1.0 } else { 1.0 };
        let (rest, slope) = self.model.devices[device].rest(state, sign * i);
        (rest, sign * slope)
    }

    /// Puts the rests of the conducting devices onto their laws at the present currents.
    fn refresh_rests(&mut self) {
        for _ in 0..NEWTON_STEPS {
            let u = self.inputs(0);
            let device = self.device_quantities(&u.u0);
            let stepper = &self.steppers[self.current];
            let (mut residual, mut slopes) = ([0.0; N], [0.0; N]);
            for (j, &d) in stepper.mode.bent.iter().enumerate() {
                let (rest, slope) = self.rest_at(stepper, d, device[d]);
                (residual[j], slopes[j]) = (self.rest[d] - rest, slope);
            }
            let step = newton(stepper, &residual, &slopes, &stepper.device_u[stepper.coils..]);
            let mut change = 0.0_f64;
            for (j, &d) in stepper.mode.bent.iter().enumerate() {
                self.rest[d] -= step[j];
                change = change.max(step[j].abs());
            }
            if change < 1e-9 {
                break;
            }
        }
    }

    // ---- field ------------------------------------------------------------------------------------------------

    /// Regulator and field winding over the step that has ended; the stator's inductance follows the field.
    fn update_field(&mut self) -> Result<()> {
        if !self.field.varies() {
            return Ok(());
        }
        let sensed = [self.nodes[POST], self.nodes[BATTERY_POST] - self.nodes[CHASSIS]];
        self.field.advance(self.step as f64 * self.h, sensed);
        let target = self.circuit.alternator.inductance.at(self.field.current_a) / self.inductance_h();
        let distance = libm::log(target) / libm::log(INDUCTANCE_RATIO);
        if distance.abs() > 0.75 {
            let before = self.coil_energy();
            self.inductance_step += libm::round(distance) as i32;
            self.pumped_j += self.coil_energy() - before;
            self.enter()?;
        }
        let mut end = std::mem::take(&mut self.emf.end);
        self.coil_emf(self.time(), &mut end);
        self.emf.e0.copy_from_slice(&end);
        self.emf.end = end;
        let u = self.inputs(0);
        let device = self.device_quantities(&u.u0);
        self.observe(&u.u0, &device);
        Ok(())
    }

    // ---- observation ------------------------------------------------------------------------------------------

    /// Node voltages and powers of the present instant.
    fn observe(&mut self, u: &[f64; MOST_INPUTS], device: &[f64; N]) {
        let stepper = &self.steppers[self.current];
        let mut nodes = [0.0; NODES];
        apply(&mut nodes, &stepper.node_x, &self.x);
        apply(&mut nodes, &stepper.node_u, u);
        self.nodes = nodes;
        self.inputs_now = *u;
        self.powers = self.power(u, device);
    }

    fn power(&self, u: &[f64; MOST_INPUTS], device: &[f64; N]) -> Powers {
        let (m, stepper, x) = (&self.model, self.stepper(), &self.x);
        let coils = stepper.coils;
        let emf = u.iter().zip(x).take(coils).map(|(e, i)| e * i).sum();
        let stator: f64 = (0..coils).map(|c| x[c] * dot(m.coil_ohm.row(c), x)).sum();
        let [post, battery_post, chassis, capacitor] = self.nodes;
        let case: f64 = (0..m.phases)
            .filter(|k| m.case_siemens[*k] > 0.0)
            .map(|k| {
                let v = self.corner_v(k);
                v * v * m.case_siemens[k]
            })
            .sum();
        let diodes = m.devices.iter().zip(&stepper.mode.conduction).enumerate().map(|(d, (law, state))| match state {
            Conduction::Open => 0.0,
            Conduction::Off => law.leak * device[d] * device[d],
            Conduction::On | Conduction::Avalanche => {
                let sign = if *state == Conduction::On { 1.0 } else { -1.0 };
                let (offset, slope) = law.line(*state);
                (offset + sign * self.rest[d] + slope * device[d]) * device[d]
            }
        });
        let diodes = diodes.sum();
        let loads = coils + stepper.mode.bent.len();
        let (jp, jb, je) = (u[loads], u[loads + 1], u[loads + 2]);
        let [gp, gb, ge] = stepper.mode.siemens;
        let body_v = battery_post - chassis;
        let body = gb * body_v + jb;
        let (mut battery_loss, mut delivered, mut returned) = (0.0, 0.0, body);
        if let (Some(k), Some(b)) = (m.states.battery, &m.battery) {
            let i = x[k];
            returned += i;
            battery_loss = b.ohm * i * i;
            battery_loss += m.states.pairs.iter().zip(&b.pairs).map(|(&p, pair)| x[p] * x[p] / pair.ohm).sum::<f64>();
            delivered = b.emf * i;
        }
        let cable = x[m.states.cable];
        let capacitor_ohm = m.capacitor.map_or(0.0, |c| c.1);
        let wiring = m.cable_ohm * cable * cable + capacitor_ohm * capacitor * capacitor + chassis * returned;
        let load = (gp * post + jp) * post + body * body_v + (ge * battery_post + je) * battery_post;
        [emf, stator + case, diodes, wiring, battery_loss, delivered, load]
    }

    /// Voltage of a corner at the present instant.
    pub(crate) fn corner_v(&self, k: usize) -> f64 {
        let stepper = self.stepper();
        let row = stepper.mode.corner.row(k);
        let n = self.model.states.count;
        let by_inputs: f64 = stepper.inputs.iter().zip(&self.inputs_now).map(|(&i, u)| row[n + i] * u).sum();
        dot(&row[..n], &self.x) + by_inputs
    }

    /// Charging post, battery post and chassis against the case.
    pub(crate) fn node_voltages(&self) -> [f64; 3] {
        [self.nodes[POST], self.nodes[BATTERY_POST], self.nodes[CHASSIS]]
    }

    pub(crate) fn state(&self, k: usize) -> f64 {
        self.x[k]
    }

    pub(crate) fn emf_v(&self, coil: usize) -> f64 {
        self.emf.end[coil]
    }

    /// Current from the bridge into the post.
    pub(crate) fn bridge_current(&self) -> f64 {
        let stepper = self.stepper();
        let loads = stepper.coils + stepper.mode.bent.len();
        let taken = stepper.mode.siemens[0] * self.nodes[POST] + self.inputs_now[loads];
        self.x[self.model.states.cable] + taken + self.nodes[CAPACITOR_CURRENT]
    }

    fn coil_energy(&self) -> f64 {
        let l = self.inductance_h();
        (0..self.model.states.coils).map(|c| 0.5 * l * self.x[c] * dot(self.model.coil_shape_h.row(c), &self.x)).sum()
    }

    fn stored_j(&self) -> f64 {
        let (m, x) = (&self.model, &self.x);
        let half_square = |k: usize, f: f64| 0.5 * f * x[k] * x[k];
        let mut out = self.coil_energy() + half_square(m.states.cable, m.cable_henry);
        if let (Some(k), Some((farad, _))) = (m.states.capacitor, m.capacitor) {
            out += half_square(k, farad);
        }
        if let (Some(k), Some(b)) = (m.states.battery, &m.battery) {
            out += half_square(k, b.henry);
            out += m.states.pairs.iter().zip(&b.pairs).map(|(&p, pair)| half_square(p, pair.farad)).sum::<f64>();
        }
        out
    }

    /// Starts the energy account anew.
    pub(crate) fn start_account(&mut self) {
        self.energies = [0.0; 7];
        self.arc_j = 0.0;
        self.pumped_j = 0.0;
        self.stored_start_j = self.stored_j();
    }

    /// The energy account since its start.
    pub(crate) fn account(&self) -> EnergyBalance {
        let [emf, stator, diode, wiring, battery, delivered, load] = self.energies;
        let emf = emf + self.pumped_j;
        let diode = diode + self.arc_j;
        let stored = self.stored_j() - self.stored_start_j;
        EnergyBalance {
            emf_j: emf,
            stator_loss_j: stator,
            diode_loss_j: diode,
            wiring_loss_j: wiring,
            battery_loss_j: battery,
            battery_delivered_j: delivered,
            load_j: load,
            stored_j: stored,
            residual_j: emf - stator - diode - wiring - battery - delivered - load - stored,
        }
    }
}

fn dot(row: &[f64], x: &[f64]) -> f64 {
    row.iter().zip(x).map(|(a, b)| a * b).sum()
}

/// Trapezoid over one cycle: rise, top, fall, nothing; arguments as shares of the cycle.
fn trapezoid(at: f64, duty: f64, rise: f64, fall: f64) -> f64 {
    if at < rise {
        at / rise
    } else if at < duty {
        1.0
    } else if at < duty + fall {
        1.0 - (at - duty) / fall
    } else {
        0.0
    }
}

/// Resistors on, interrupted ones open, all else blocking.
fn initial_conduction(model: &Model) -> Vec<Conduction> {
    let start = model.devices.iter().zip(&model.always_open).map(|(device, open)| match (open, device.resistor) {
        (true, _) => Conduction::Open,
        (_, true) => Conduction::On,
        _ => Conduction::Off,
    });
    start.collect()
}

/// The excitation's field current where it is fixed.
pub(crate) fn fixed_field_a(excitation: &Excitation) -> Option<f64> {
    match excitation {
        Excitation::FixedEmf { .. } => Some(0.0),
        Excitation::FixedField { field_a, .. } => Some(*field_a),
        Excitation::Regulated { .. } => None,
    }
}
