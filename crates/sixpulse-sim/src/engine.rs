//! The time loop: exact linear steps, events bracketed by halving, regulator and contacts between the steps.
#![allow(clippy::needless_range_loop, reason = "matrix code runs over rows of several arrays at once")]

mod account;

use crate::device::Conduction;
use crate::error::{Error, Result};
use crate::ladder::{LEVELS, MOST_INPUTS, Rung, Stepper, TICKS, accumulate, apply, newton};
use crate::machine::Excitation;
use crate::mode::{self, BATTERY_POST, CAPACITOR_CURRENT, CHASSIS, NODES, POST};
use crate::model::{Model, PLACES};
use crate::regulator::Field;
use crate::solve::{Circuit, StepStatistics};
use std::collections::BTreeMap;

/// Most changes of the conduction pattern in one step.
const MOST_EVENTS: usize = 400;
/// Passes in which a consistent conduction pattern must be found.
const MOST_PASSES: usize = 24;
/// Greatest current or voltage a solution may reach.
const GREATEST: f64 = 1.0e7;
/// Most Newton steps for the bent parts of the diodes' laws; two suffice while nothing switches.
const NEWTON_STEPS: usize = 20;
/// Amplitude of the post's ringing above which the steps follow it, in volts.
const RINGING_V: f64 = 3.0;
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

/// The circuit at one instant.
#[derive(Debug, Clone, Copy)]
struct Moment<const N: usize> {
    x: [f64; N],
    /// Rests of the devices' laws, by device.
    rest: [f64; N],
    /// Inputs in the order of the pattern.
    inputs: [f64; MOST_INPUTS],
    nodes: [f64; NODES],
    powers: Powers,
}

/// Powers in watts: EMF, stator, diodes, wiring, battery loss, battery EMF, loads.
type Powers = [f64; 7];

pub(crate) struct Engine<'a, const N: usize> {
    circuit: &'a Circuit,
    pub(crate) model: Model,
    h: f64,
    tolerance_a: f64,
    /// Characteristic resistance and period of capacitor and cable.
    resonance: (f64, f64),
    steppers: Vec<Stepper<N>>,
    known: BTreeMap<(u64, i32), usize>,
    current: usize,
    conduction: Vec<Conduction>,
    loads_on: u64,
    inductance_step: i32,
    inductance_base: f64,
    now: Moment<N>,
    emf: Emf,
    pub(crate) field: Field,
    /// Number of the present step; its start is at `step x h`.
    step: i64,
    /// Substep position within the step, in ticks.
    position: u32,
    next_edge: i64,
    /// Whether the energy account has been started.
    counting: bool,
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
        if let Some(b) = &model.battery {
            x[model.states.capacitor] = b.emf;
        }
        for (&k, &v) in model.states.pairs.iter().zip(pairs_v) {
            x[k] = v;
        }
        let henry = model.cable_henry + model.battery.as_ref().map_or(0.0, |b| b.henry);
        let farad = model.capacitor.0;
        let resonance = ((henry / farad).sqrt(), std::f64::consts::TAU * (henry * farad).sqrt());
        let coils = model.states.coils;
        let zero = || vec![0.0; coils];
        let mut engine = Self {
            circuit,
            model,
            h,
            tolerance_a,
            resonance,
            steppers: Vec::new(),
            known: BTreeMap::new(),
            current: 0,
            conduction,
            loads_on: 0,
            inductance_step: 0,
            inductance_base,
            now: Moment { x, rest: [0.0; N], inputs: [0.0; MOST_INPUTS], nodes: [0.0; NODES], powers: [0.0; 7] },
            emf: Emf { e0: zero(), e1: zero(), e2: zero(), end: zero(), middle: zero() },
            field,
            step,
            position: 0,
            next_edge: i64::MIN,
            counting: false,
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

    /// Inputs over a substep of `ticks` from `position`; the rests are constant in it at first.
    fn inputs(&self, position: u32, ticks: u32, rest: &[f64; N]) -> Inputs {
        let stepper = self.stepper();
        let coils = stepper.coils;
        let mut out = Inputs { u0: [0.0; MOST_INPUTS], u1: [0.0; MOST_INPUTS], u2: [0.0; 8] };
        let (s, w) = (f64::from(position) / f64::from(TICKS), f64::from(ticks) / f64::from(TICKS));
        for c in 0..coils {
            out.u0[c] = self.emf.e0[c] + s * (self.emf.e1[c] + s * self.emf.e2[c]);
            out.u1[c] = w * (self.emf.e1[c] + 2.0 * s * self.emf.e2[c]);
            out.u2[c] = w * w * self.emf.e2[c];
        }
        for (j, &d) in stepper.mode.bent.iter().enumerate() {
            out.u0[coils + j] = rest[d];
        }
        let loads = coils + stepper.mode.bent.len();
        let tick = self.step * i64::from(TICKS) + i64::from(position);
        let start = self.load_currents(tick);
        out.u0[loads..loads + PLACES].copy_from_slice(&start);
        if !self.model.pulsed.is_empty() && ticks > 0 {
            let end = self.load_currents(tick + i64::from(ticks));
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
        let mut u = self.inputs(self.position, TICKS >> level, &self.now.rest);
        let mut x = [0.0; N];
        apply(&mut x, &rung.phi, &self.now.x);
        apply(&mut x, &rung.p0, &u.u0);
        apply(&mut x, &rung.p1, &u.u1);
        apply(&mut x, &rung.p2, &u.u2);
        let end = u.end(stepper.inputs.len());
        let mut device = [0.0; N];
        apply(&mut device, &stepper.device_x, &x);
        apply(&mut device, &stepper.device_u, &end);
        let mut trial = Trial { x, end, device, rest: self.now.rest, error_a: 0.0, event: false };
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
                (residual[j], slopes[j]) = (self.now.rest[d] + rise[j] - rest, slope);
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
            trial.end[coils + j] = self.now.rest[d] + rise[j];
            trial.rest[d] = trial.end[coils + j];
            accumulate(&mut trial.x, rise[j], &rung.p1[coils + j]);
            accumulate(&mut trial.device, rise[j], &rung.feed[j]);
            // Trapezoid rule on a logarithm: error of the mean about (change)^2 / (12 n V_T).
            trial.error_a += rung.reach[j] * rise[j] * rise[j] / (12.0 * 0.03);
        }
    }

    /// One whole step.
    pub(crate) fn advance(&mut self) -> Result<()> {
        self.load_emf();
        self.position = 0;
        let events = self.statistics.events;
        let mut least = 0;
        while self.position < TICKS {
            if self.statistics.events - events > MOST_EVENTS as u64 {
                return Err(Error::EventStorm { time_s: self.time(), limit: MOST_EVENTS });
            }
            let level = self.level(least.max(self.ringing_level()));
            let trial = self.attempt(level);
            if level < LEVELS && (trial.event || trial.error_a > self.tolerance_a) {
                self.statistics.rejected += 1;
                least = level + 1;
                continue;
            }
            // While an event is being bracketed every substep is half the last one.
            least = if least > 0 && level < LEVELS && !trial.event { level + 1 } else { 0 };
            let event = trial.event;
            self.accept(level, &trial);
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

    /// Least level while the post rings hard after an interrupted current: substeps of a 24th of its period, so that no
    /// diode conducts unseen between their ends.
    fn ringing_level(&self) -> usize {
        let (ohm, period_s) = self.resonance;
        let across = self.now.nodes[POST] - self.now.nodes[BATTERY_POST];
        let through = ohm * self.now.nodes[CAPACITOR_CURRENT];
        if across * across + through * through < RINGING_V * RINGING_V {
            return 0;
        }
        let mut level = 0;
        while level < LEVELS && self.h > period_s / 24.0 * f64::from(1 << level) {
            level += 1;
        }
        level
    }

    /// Greatest substep (least level) that is aligned and ends before the next edge of a load.
    fn level(&self, least: usize) -> usize {
        let limit = self.next_edge.saturating_sub(self.step * i64::from(TICKS)).min(i64::from(TICKS));
        let mut level = least;
        while level < LEVELS {
            let size = TICKS >> level;
            if self.position.is_multiple_of(size) && i64::from(self.position + size) <= limit {
                break;
            }
            level += 1;
        }
        level
    }

    fn accept(&mut self, level: usize, trial: &Trial<N>) {
        let end = self.moment(trial.x, trial.rest, &trial.end, &trial.device);
        if self.counting {
            let gained = self.energy(level, self.position, &self.now, &end);
            self.energies.iter_mut().zip(&gained).for_each(|(e, g)| *e += g);
        }
        self.now = end;
        self.position += TICKS >> level;
        self.statistics.accepted += 1;
    }

    fn check_range(&self) -> Result<()> {
        match self.now.x.iter().position(|v| v.is_nan() || v.abs() >= GREATEST) {
            None => Ok(()),
            Some(k) => {
                Err(Error::Diverged { time_s: self.time(), quantity: format!("state {k}"), value: self.now.x[k] })
            }
        }
    }

    // ---- conduction patterns ----------------------------------------------------------------------------------

    /// Opens and closes intermittent contacts as they are from this tick on.
    fn set_contacts(&mut self) {
        let t = (self.tick() as f64 + 0.5) * self.h / f64::from(TICKS);
        for c in &self.model.contacts {
            let cycle = t * c.rate + c.phase;
            let open = cycle - libm::floor(cycle) < c.open_fraction;
            let is_open = self.conduction[c.device] == Conduction::Open;
            if open != is_open {
                self.conduction[c.device] = if open { Conduction::Open } else { Conduction::Off };
                self.statistics.events += 1;
            }
        }
    }

    /// Notes which switched loads and contacts are on and when the next edge of any comes.
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
        for c in &self.model.contacts {
            consider(c.rate, c.phase, 0.0);
            consider(c.rate, c.phase, c.open_fraction);
        }
        for (k, s) in self.model.switched.iter().enumerate() {
            let cycle = (now as f64 + 0.5) * tick_s * s.frequency + s.phase;
            if cycle - libm::floor(cycle) < s.duty {
                self.loads_on |= 1 << k;
            }
        }
        self.set_contacts();
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
            let old = self.now.x;
            for r in 0..p.rows {
                self.now.x[r] = p.row(r).iter().zip(&old).map(|(a, b)| a * b).sum();
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
            let current: f64 = self.model.corner.row(k).iter().zip(&self.now.x).map(|(a, b)| a * b).sum();
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
            let u = self.inputs(self.position, 0, &self.now.rest);
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
                self.now = self.moment(self.now.x, self.now.rest, &u.u0, &device);
                return Ok(());
            }
            self.statistics.events += 1;
            self.enter()?;
        }
        // No consistent pattern at this very instant: go on with the last one; the next substep decides.
        self.refresh_rests();
        let u = self.inputs(self.position, 0, &self.now.rest);
        let device = self.device_quantities(&u.u0);
        self.now = self.moment(self.now.x, self.now.rest, &u.u0, &device);
        Ok(())
    }

    fn device_quantities(&self, u: &[f64; MOST_INPUTS]) -> [f64; N] {
        let stepper = self.stepper();
        let mut device = [0.0; N];
        apply(&mut device, &stepper.device_x, &self.now.x);
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
            let u = self.inputs(self.position, 0, &self.now.rest);
            let device = self.device_quantities(&u.u0);
            let stepper = &self.steppers[self.current];
            let (mut residual, mut slopes) = ([0.0; N], [0.0; N]);
            for (j, &d) in stepper.mode.bent.iter().enumerate() {
                let (rest, slope) = self.rest_at(stepper, d, device[d]);
                (residual[j], slopes[j]) = (self.now.rest[d] - rest, slope);
            }
            let step = newton(stepper, &residual, &slopes, &stepper.device_u[stepper.coils..]);
            let mut change = 0.0_f64;
            for (j, &d) in stepper.mode.bent.iter().enumerate() {
                self.now.rest[d] -= step[j];
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
        let sensed = [self.now.nodes[POST], self.now.nodes[BATTERY_POST] - self.now.nodes[CHASSIS]];
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
        let u = self.inputs(self.position, 0, &self.now.rest);
        let device = self.device_quantities(&u.u0);
        self.now = self.moment(self.now.x, self.now.rest, &u.u0, &device);
        Ok(())
    }

    // ---- observation ------------------------------------------------------------------------------------------

    /// Voltage of a corner at the present instant.
    pub(crate) fn corner_v(&self, k: usize) -> f64 {
        self.corner_at(k, &self.now.x, &self.now.inputs)
    }

    fn corner_at(&self, k: usize, x: &[f64; N], inputs: &[f64; MOST_INPUTS]) -> f64 {
        let stepper = self.stepper();
        let row = stepper.mode.corner.row(k);
        let n = self.model.states.count;
        let by_inputs: f64 = stepper.inputs.iter().zip(inputs).map(|(&i, u)| row[n + i] * u).sum();
        dot(&row[..n], x) + by_inputs
    }

    /// Charging post, battery post and chassis against the case.
    pub(crate) fn node_voltages(&self) -> [f64; 3] {
        [self.now.nodes[POST], self.now.nodes[BATTERY_POST], self.now.nodes[CHASSIS]]
    }

    pub(crate) fn state(&self, k: usize) -> f64 {
        self.now.x[k]
    }

    pub(crate) fn emf_v(&self, coil: usize) -> f64 {
        self.emf.end[coil]
    }

    /// Current from the bridge into the post.
    pub(crate) fn bridge_current(&self) -> f64 {
        let stepper = self.stepper();
        let loads = stepper.coils + stepper.mode.bent.len();
        let taken = stepper.mode.siemens[0] * self.now.nodes[POST] + self.now.inputs[loads];
        self.now.x[self.model.states.cable] + taken + self.now.nodes[CAPACITOR_CURRENT]
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
