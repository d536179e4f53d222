//! Linear dynamics of one conduction pattern: `dx/dt = A x + B u`, node voltages and branch quantities as rows over
//! states and inputs. Resistive nodes are eliminated; nodes reached through inductances only (a star point, a corner
//! whose diodes all block) become constraints on the coil currents.
#![allow(clippy::needless_range_loop, reason = "matrix code runs over rows of several arrays at once")]

use crate::dense::Dense;
use crate::device::{Conduction, Device};
use crate::model::{Model, PLACES};

/// Rows over `[states, inputs]` of one conduction pattern.
#[derive(Debug, Clone)]
pub(crate) struct Mode {
    /// States' derivatives.
    pub(crate) derivative: Dense,
    /// Per device: branch current where it conducts, branch voltage where it blocks.
    pub(crate) device: Dense,
    /// Charging post, battery post, chassis against the case; current into the capacitor.
    pub(crate) node: Dense,
    /// Corners against the case.
    pub(crate) corner: Dense,
    /// Takes coil currents to the nearest ones that satisfy the constraints; `None` without constraints.
    pub(crate) projection: Option<Dense>,
    pub(crate) conduction: Vec<Conduction>,
    /// Devices whose law bends in this pattern.
    pub(crate) bent: Vec<usize>,
    /// Total conductance at post, body, engine.
    pub(crate) siemens: [f64; PLACES],
}

/// Rows of `Mode::node`.
pub(crate) const POST: usize = 0;
pub(crate) const BATTERY_POST: usize = 1;
pub(crate) const CHASSIS: usize = 2;
pub(crate) const CAPACITOR_CURRENT: usize = 3;
pub(crate) const NODES: usize = 4;

/// Conductance of a branch in a state; none when interrupted.
pub(crate) fn conductance(device: &Device, state: Conduction) -> f64 {
    match state {
        Conduction::Open => 0.0,
        Conduction::Off => device.leak,
        Conduction::On | Conduction::Avalanche => 1.0 / device.line(state).1,
    }
}

struct Builder<'a> {
    model: &'a Model,
    conduction: &'a [Conduction],
    siemens: [f64; PLACES],
    n: usize,
    width: usize,
}

/// Builds the dynamics; `None` when a matrix is singular, which a checked circuit does not produce.
pub(crate) fn build(model: &Model, conduction: &[Conduction], on_loads: u64, inductance_h: f64) -> Option<Mode> {
    let mut siemens = model.siemens;
    for (k, load) in model.switched.iter().enumerate() {
        if on_loads >> k & 1 == 1 {
            siemens[load.place] += load.siemens;
        }
    }
    let n = model.states.count;
    let b = Builder { model, conduction, siemens, n, width: n + model.inputs() };
    let fixed = b.fixed_corners();
    let (corner, node) = b.resistive_nodes(&fixed)?;
    let (coils, corner, projection) = b.coil_equations(&fixed, corner, node.row(POST), inductance_h)?;
    let device = b.device_rows(&corner, &node);
    let node = b.with_capacitor_current(node, &device);
    let derivative = b.derivative(&coils, &node);
    let bent = (0..model.devices.len()).filter(|&d| model.devices[d].bends(conduction[d])).collect();
    Some(Mode { derivative, device, node, corner, projection, conduction: conduction.to_vec(), bent, siemens })
}

impl Builder<'_> {
    fn input(&self, k: usize) -> usize {
        self.n + k
    }

    /// Corners that are tied to something by a resistance.
    fn fixed_corners(&self) -> Vec<bool> {
        let m = self.model;
        (0..m.phases)
            .map(|k| {
                let branch = |d: usize| conductance(&m.devices[d], self.conduction[d]);
                branch(2 * k) + branch(2 * k + 1) > 0.0 || (m.case_siemens[k] > 0.0 && !m.broken[k])
            })
            .collect()
    }

    /// Adds the current `g (v_anode - v_cathode - offset)` of a branch: the part that does not depend on nodes.
    fn add_offset_current(&self, row: &mut [f64], device: usize, factor: f64) {
        let state = self.conduction[device];
        let d = &self.model.devices[device];
        let g = conductance(d, state);
        if matches!(state, Conduction::On | Conduction::Avalanche) {
            let sign = if state == Conduction::On { 1.0 } else { -1.0 };
            row[self.input(self.model.input_one())] -= factor * g * d.line(state).0;
            row[self.input(self.model.input_rest(device))] -= factor * g * sign;
        }
    }

    /// Voltages of corners (0 for those not fixed) and of post, battery post and chassis.
    fn resistive_nodes(&self, fixed: &[bool]) -> Option<(Dense, Dense)> {
        let m = self.model;
        let (post, battery, chassis, count) = (m.phases, m.phases + 1, m.phases + 2, m.phases + 3);
        let mut g = Dense::zeros(count, count);
        let mut right = Dense::zeros(count, self.width);
        for k in 0..m.phases {
            if !fixed[k] {
                g.add(k, k, 1.0);
                continue;
            }
            for c in 0..m.states.coils {
                right.add(k, c, m.corner.at(k, c));
            }
            let (gp, gn) = (self.branch(2 * k), self.branch(2 * k + 1));
            g.add(k, k, gp + gn + if m.broken[k] { 0.0 } else { m.case_siemens[k] });
            g.add(k, post, -gp);
            g.add(post, post, gp);
            g.add(post, k, -gp);
            self.add_offset_current(right.row_mut(k), 2 * k, -1.0);
            self.add_offset_current(right.row_mut(k), 2 * k + 1, 1.0);
            self.add_offset_current(right.row_mut(post), 2 * k, 1.0);
        }
        self.post_row(&mut g, &mut right, post);
        self.battery_rows(&mut g, &mut right, battery, chassis);
        let v = g.solve(&right)?;
        let mut corner = Dense::zeros(m.phases, self.width);
        let mut node = Dense::zeros(NODES, self.width);
        for k in 0..m.phases {
            corner.add_row(k, 1.0, v.row(k));
        }
        for (to, from) in [(POST, post), (BATTERY_POST, battery), (CHASSIS, chassis)] {
            node.add_row(to, 1.0, v.row(from));
        }
        Some((corner, node))
    }

    fn branch(&self, device: usize) -> f64 {
        conductance(&self.model.devices[device], self.conduction[device])
    }

    /// Current balance of the post, or its voltage where a capacitor without resistance holds it.
    fn post_row(&self, g: &mut Dense, right: &mut Dense, post: usize) {
        let m = self.model;
        let (state, ohm) = (m.states.capacitor, m.capacitor.1);
        if ohm == 0.0 {
            g.row_mut(post).fill(0.0);
            right.row_mut(post).fill(0.0);
            g.add(post, post, 1.0);
            right.add(post, state, 1.0);
            return;
        }
        g.add(post, post, 1.0 / ohm);
        right.add(post, state, 1.0 / ohm);
        g.add(post, post, self.siemens[0]);
        right.add(post, m.states.cable, -1.0);
        right.add(post, self.input(m.input_load(0)), -1.0);
    }

    /// Current balance of the battery post, and the chassis lifted by the current through the ground path.
    fn battery_rows(&self, g: &mut Dense, right: &mut Dense, battery: usize, chassis: usize) {
        let m = self.model;
        let (body, engine, ohm) = (self.siemens[1], self.siemens[2], m.ground_ohm);
        g.add(battery, battery, body + engine);
        g.add(battery, chassis, -body);
        right.add(battery, m.states.cable, 1.0);
        right.add(battery, self.input(m.input_load(1)), -1.0);
        right.add(battery, self.input(m.input_load(2)), -1.0);
        g.add(chassis, chassis, 1.0 + ohm * body);
        g.add(chassis, battery, -ohm * body);
        right.add(chassis, self.input(m.input_load(1)), ohm);
        if let Some(state) = m.states.battery {
            right.add(battery, state, -1.0);
            right.add(chassis, state, ohm);
        }
    }

    /// Derivatives of the coil currents, corner voltages completed, and the projection onto the constraints.
    fn coil_equations(&self, fixed: &[bool], mut corner: Dense, post: &[f64], henry: f64) -> Option<CoilPart> {
        let m = self.model;
        let coils = m.states.coils;
        let mut inductance = Dense::zeros(coils, coils);
        for r in 0..coils {
            inductance.add_row(r, henry, m.coil_shape_h.row(r));
        }
        let inverse = inductance.solve(&Dense::identity(coils))?;
        let free = self.free_nodes(fixed);
        let mut drive = Dense::zeros(coils, self.width);
        for c in 0..coils {
            drive.add(c, self.input(c), 1.0);
            for j in 0..coils {
                drive.add(c, j, -m.coil_ohm.at(c, j));
            }
        }
        for &k in &free.pinned_corners {
            corner.add_row(k, 0.5, post);
        }
        for k in (0..m.phases).filter(|k| fixed[*k] || free.pinned_corners.contains(k)) {
            for c in 0..coils {
                drive.add_row(c, -m.corner.at(k, c), corner.row(k));
            }
        }
        for &s in &free.pinned_stars {
            for c in 0..coils {
                drive.add_row(c, -0.5 * m.star.at(s, c), post);
            }
        }
        constrain(&free, &inverse, drive, corner)
    }

    /// Nodes reached through inductances only. A stator without any fixed corner floats as a whole: one of its nodes
    /// is put at half the post's voltage, where equal leaks of blocking diodes would hold it.
    fn free_nodes(&self, fixed: &[bool]) -> FreeNodes {
        let m = self.model;
        let mut free = FreeNodes::default();
        for stator in 0..m.phases / 3 {
            let floats = (3 * stator..3 * stator + 3).all(|k| !fixed[k]);
            for k in (3 * stator..3 * stator + 3).filter(|k| !fixed[*k]) {
                if floats && m.star.rows == 0 && k == 3 * stator {
                    free.pinned_corners.push(k);
                } else {
                    free.rows.push(m.corner.row(k).to_vec());
                    free.corners.push(k);
                }
            }
            if stator < m.star.rows {
                if floats {
                    free.pinned_stars.push(stator);
                } else {
                    free.star_rows.push(m.star.row(stator).to_vec());
                }
            }
        }
        free.rows.append(&mut free.star_rows);
        free
    }

    /// Current of each conducting branch, voltage across each blocking one.
    fn device_rows(&self, corner: &Dense, node: &Dense) -> Dense {
        let m = self.model;
        let mut rows = Dense::zeros(2 * m.phases, self.width);
        for d in 0..2 * m.phases {
            if d % 2 == 0 {
                rows.add_row(d, 1.0, corner.row(d / 2));
                rows.add_row(d, -1.0, node.row(POST));
            } else {
                rows.add_row(d, -1.0, corner.row(d / 2));
            }
            if matches!(self.conduction[d], Conduction::On | Conduction::Avalanche) {
                let g = self.branch(d);
                rows.row_mut(d).iter_mut().for_each(|v| *v *= g);
                self.add_offset_current(rows.row_mut(d), d, 1.0);
            }
        }
        rows
    }

    /// Fills the row of the capacitor's current: what the bridge brings less what leaves the post.
    fn with_capacitor_current(&self, mut node: Dense, device: &Dense) -> Dense {
        let m = self.model;
        let mut row = vec![0.0; self.width];
        for k in 0..m.phases {
            let factor = match self.conduction[2 * k] {
                Conduction::On | Conduction::Avalanche => 1.0,
                Conduction::Off => m.devices[2 * k].leak,
                Conduction::Open => 0.0,
            };
            row.iter_mut().zip(device.row(2 * k)).for_each(|(a, b)| *a += factor * b);
        }
        row.iter_mut().zip(node.row(POST)).for_each(|(a, b)| *a -= self.siemens[0] * b);
        row[m.states.cable] -= 1.0;
        row[self.input(m.input_load(0))] -= 1.0;
        node.add_row(CAPACITOR_CURRENT, 1.0, &row);
        node
    }

    /// Derivatives of all states.
    fn derivative(&self, coils: &Dense, node: &Dense) -> Dense {
        let m = self.model;
        let mut out = Dense::zeros(self.n, self.width);
        for c in 0..m.states.coils {
            out.add_row(c, 1.0, coils.row(c));
        }
        let cable = m.states.cable;
        out.add_row(cable, 1.0 / m.cable_henry, node.row(POST));
        out.add_row(cable, -1.0 / m.cable_henry, node.row(BATTERY_POST));
        out.add(cable, cable, -m.cable_ohm / m.cable_henry);
        out.add_row(m.states.capacitor, 1.0 / m.capacitor.0, node.row(CAPACITOR_CURRENT));
        if let (Some(state), Some(battery)) = (m.states.battery, &m.battery) {
            out.add_row(state, 1.0 / battery.henry, node.row(BATTERY_POST));
            out.add_row(state, -1.0 / battery.henry, node.row(CHASSIS));
            out.add(state, state, -battery.ohm / battery.henry);
            out.add(state, self.input(m.input_one()), -battery.emf / battery.henry);
            for (&p, pair) in m.states.pairs.iter().zip(&battery.pairs) {
                out.add(state, p, -1.0 / battery.henry);
                out.add(p, state, 1.0 / pair.farad);
                out.add(p, p, -1.0 / (pair.ohm * pair.farad));
            }
        }
        out
    }
}

/// Nodes without a resistive path, as rows of coil currents that must vanish.
#[derive(Debug, Default)]
struct FreeNodes {
    rows: Vec<Vec<f64>>,
    star_rows: Vec<Vec<f64>>,
    /// Corners to which the first rows belong.
    corners: Vec<usize>,
    pinned_corners: Vec<usize>,
    pinned_stars: Vec<usize>,
}

/// Derivatives of the coil currents, corner voltages, projection.
type CoilPart = (Dense, Dense, Option<Dense>);

/// `di/dt = K (drive - F' v)` with the free nodes' voltages `v` such that `F di/dt = 0`.
fn constrain(free: &FreeNodes, inverse: &Dense, drive: Dense, mut corner: Dense) -> Option<CoilPart> {
    let coils = inverse.rows;
    if free.rows.is_empty() {
        return Some((inverse.times(&drive), corner, None));
    }
    let mut f = Dense::zeros(free.rows.len(), coils);
    for (r, row) in free.rows.iter().enumerate() {
        f.add_row(r, 1.0, row);
    }
    let fk = f.times(inverse);
    let transposed = f.transposed();
    let schur = fk.times(&transposed);
    let voltage = schur.solve(&fk.times(&drive))?;
    for (row, &k) in free.corners.iter().enumerate() {
        corner.add_row(k, 1.0, voltage.row(row));
    }
    let mut rest = drive;
    for c in 0..coils {
        for r in 0..f.rows {
            rest.add_row(c, -transposed.at(c, r), voltage.row(r));
        }
    }
    let pulled = inverse.times(&transposed).times(&schur.solve(&f)?);
    let mut projection = Dense::identity(coils);
    for c in 0..coils {
        projection.add_row(c, -1.0, pulled.row(c));
    }
    Some((inverse.times(&rest), corner, Some(projection)))
}
