//! Node voltages, powers and the energy account.
#![allow(clippy::needless_range_loop, reason = "matrix code runs over rows of several arrays at once")]

use super::{Engine, Moment, Powers, dot};
use crate::device::Conduction;
use crate::ladder::{LEVELS, MOST_INPUTS, TICKS, apply};
use crate::mode::NODES;
use crate::solve::EnergyBalance;

/// Simpson's rule is taken where it differs from the trapezoid rule by less than this share: its own error is then
/// below a tenth of that.
const AGREEMENT: f64 = 5e-3;

impl<const N: usize> Engine<'_, N> {
    /// Node voltages and powers at an instant.
    pub(super) fn moment(
        &self,
        x: [f64; N],
        rest: [f64; N],
        inputs: &[f64; MOST_INPUTS],
        device: &[f64; N],
    ) -> Moment<N> {
        let stepper = self.stepper();
        let mut nodes = [0.0; NODES];
        apply(&mut nodes, &stepper.node_x, &x);
        apply(&mut nodes, &stepper.node_u, inputs);
        let mut out = Moment { x, rest, inputs: *inputs, nodes, powers: [0.0; 7] };
        out.powers = self.power(&out, device);
        out
    }

    /// Energies between two instants `TICKS >> level` ticks apart, joined by the present pattern: Simpson's rule, finer
    /// where voltages ring or jump.
    pub(super) fn energy(&self, level: usize, position: u32, from: &Moment<N>, to: &Moment<N>) -> Powers {
        let duration = self.h * f64::from(TICKS >> level) / f64::from(TICKS);
        let ends: Powers = std::array::from_fn(|k| 0.5 * duration * (from.powers[k] + to.powers[k]));
        if level == LEVELS {
            return ends;
        }
        let middle = self.middle(level, position, from, to);
        let simpson: Powers = std::array::from_fn(|k| (ends[k] + 2.0 * duration * middle.powers[k]) / 3.0);
        let difference: f64 = simpson.iter().zip(&ends).map(|(s, e)| (s - e).abs()).sum();
        let size: f64 = simpson.iter().map(|s| s.abs()).sum();
        if difference <= AGREEMENT * size {
            return simpson;
        }
        let first = self.energy(level + 1, position, from, &middle);
        let second = self.energy(level + 1, position + (TICKS >> (level + 1)), &middle, to);
        std::array::from_fn(|k| first[k] + second[k])
    }

    /// The instant half way; the rests are taken half way between the ends.
    fn middle(&self, level: usize, position: u32, from: &Moment<N>, to: &Moment<N>) -> Moment<N> {
        let stepper = self.stepper();
        let rung = &stepper.rungs[level + 1];
        let mut u = self.inputs(position, TICKS >> (level + 1), &from.rest);
        for (j, &d) in stepper.mode.bent.iter().enumerate() {
            u.u1[stepper.coils + j] = 0.5 * (to.rest[d] - from.rest[d]);
        }
        let mut x = [0.0; N];
        apply(&mut x, &rung.phi, &from.x);
        apply(&mut x, &rung.p0, &u.u0);
        apply(&mut x, &rung.p1, &u.u1);
        apply(&mut x, &rung.p2, &u.u2);
        let end = u.end(stepper.inputs.len());
        let mut device = [0.0; N];
        apply(&mut device, &stepper.device_x, &x);
        apply(&mut device, &stepper.device_u, &end);
        let rest = std::array::from_fn(|d| 0.5 * (from.rest[d] + to.rest[d]));
        self.moment(x, rest, &end, &device)
    }

    fn power(&self, at: &Moment<N>, device: &[f64; N]) -> Powers {
        let (m, stepper, x, u) = (&self.model, self.stepper(), &at.x, &at.inputs);
        let coils = stepper.coils;
        let emf = u.iter().zip(x).take(coils).map(|(e, i)| e * i).sum();
        let stator: f64 = (0..coils).map(|c| x[c] * dot(m.coil_ohm.row(c), x)).sum();
        let [post, battery_post, chassis, capacitor] = at.nodes;
        let case = (0..m.phases).filter(|k| m.case_siemens[*k] > 0.0).map(|k| {
            let v = self.corner_at(k, x, u);
            v * v * m.case_siemens[k]
        });
        let case: f64 = case.sum();
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
        let capacitor_ohm = m.capacitor.1;
        let wiring = m.cable_ohm * cable * cable + capacitor_ohm * capacitor * capacitor + chassis * returned;
        let load = (gp * post + jp) * post + body * body_v + (ge * battery_post + je) * battery_post;
        [emf, stator + case, self.diode_power(&at.rest, device), wiring, battery_loss, delivered, load]
    }

    fn diode_power(&self, rest: &[f64; N], device: &[f64; N]) -> f64 {
        let states = &self.stepper().mode.conduction;
        let power = self.model.devices.iter().zip(states).enumerate().map(|(d, (law, state))| match state {
            Conduction::Open => 0.0,
            Conduction::Off => law.leak * device[d] * device[d],
            Conduction::On | Conduction::Avalanche => {
                let sign = if *state == Conduction::On { 1.0 } else { -1.0 };
                let (offset, slope) = law.line(*state);
                (offset + sign * rest[d] + slope * device[d]) * device[d]
            }
        });
        power.sum()
    }

    pub(super) fn coil_energy(&self) -> f64 {
        let l = self.inductance_h();
        (0..self.model.states.coils)
            .map(|c| 0.5 * l * self.now.x[c] * dot(self.model.coil_shape_h.row(c), &self.now.x))
            .sum()
    }

    fn stored_j(&self) -> f64 {
        let (m, x) = (&self.model, &self.now.x);
        let half_square = |k: usize, f: f64| 0.5 * f * x[k] * x[k];
        let mut out = self.coil_energy() + half_square(m.states.cable, m.cable_henry);
        out += half_square(m.states.capacitor, m.capacitor.0);
        if let (Some(k), Some(b)) = (m.states.battery, &m.battery) {
            out += half_square(k, b.henry);
            out += m.states.pairs.iter().zip(&b.pairs).map(|(&p, pair)| half_square(p, pair.farad)).sum::<f64>();
        }
        out
    }

    /// Starts the energy account anew.
    pub(crate) fn start_account(&mut self) {
        self.counting = true;
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
