//! Exact propagation of one conduction pattern over steps of `h`, `h/2`, ... `h/4096`.
//!
//! For inputs `u(s) = u0 + u1 s/tau + u2 (s/tau)^2` the step is
//! `x(tau) = Phi x + P0 u0 + P1 u1 + P2 u2` with `Phi = exp(A tau)` and
//! `Pj = integral_0^tau exp(A (tau - s)) (s/tau)^j ds B`. The shortest step comes from the Taylor series, the longer
//! ones by doubling, so that stiff and ringing parts are exact at any step.
#![allow(clippy::needless_range_loop, reason = "matrix code runs over rows of several arrays at once")]

use crate::device::Conduction;
use crate::mode::{Mode, NODES};
use crate::model::Model;

/// Halvings from the longest to the shortest step.
pub(crate) const LEVELS: usize = 12;
/// Shortest steps in the longest one.
pub(crate) const TICKS: u32 = 1 << LEVELS;
/// Most inputs a pattern can use at once: 7 EMFs, 12 rests, 3 loads, the constant.
pub(crate) const MOST_INPUTS: usize = 24;

/// Slack of the switching bounds against rounding, relative and in amperes.
const SLACK: f64 = 1.0e-9;
const SLACK_A: f64 = 1.0e-9;

type Column<const N: usize> = [f64; N];

/// Matrices of one step length, column by column.
#[derive(Debug, Clone)]
pub(crate) struct Rung<const N: usize> {
    pub(crate) phi: Vec<Column<N>>,
    pub(crate) p0: Vec<Column<N>>,
    pub(crate) p1: Vec<Column<N>>,
    pub(crate) p2: Vec<Column<N>>,
    /// Change of every device's quantity at the end of the step with each bent device's rest rising over the step.
    pub(crate) feed: Vec<Column<N>>,
    /// Greatest change of a coil current with a volt of each bent device's rest, in amperes.
    pub(crate) reach: Vec<f64>,
}

/// A conduction pattern ready for stepping.
#[derive(Debug, Clone)]
pub(crate) struct Stepper<const N: usize> {
    pub(crate) rungs: Vec<Rung<N>>,
    /// Input numbers in the order used by the columns: EMFs, bent rests, loads, the constant.
    pub(crate) inputs: Vec<usize>,
    pub(crate) coils: usize,
    /// Derivatives with the inputs.
    drive: Vec<Column<N>>,
    /// Devices by states and by inputs.
    pub(crate) device_x: Vec<Column<N>>,
    pub(crate) device_u: Vec<Column<N>>,
    pub(crate) node_x: Vec<[f64; NODES]>,
    pub(crate) node_u: Vec<[f64; NODES]>,
    /// A device whose quantity leaves these bounds changes its state.
    pub(crate) lower: Column<N>,
    pub(crate) upper: Column<N>,
    /// Two bent devices of a leg conduct in series: their rests must be solved for together.
    pub(crate) paired: bool,
    pub(crate) mode: Mode,
}

/// `exp(A s)` and its weighted integrals over `0..tau`.
#[derive(Clone)]
struct Flow {
    tau: f64,
    phi: Square,
    q0: Square,
    q1: Square,
    q2: Square,
}

/// Square matrix of the states, row-major.
#[derive(Clone)]
struct Square {
    n: usize,
    a: Vec<f64>,
}

impl Square {
    fn zeros(n: usize) -> Self {
        Self { n, a: vec![0.0; n * n] }
    }
    fn identity(n: usize) -> Self {
        let mut out = Self::zeros(n);
        (0..n).for_each(|k| out.a[k * n + k] = 1.0);
        out
    }
    fn scaled(&self, f: f64) -> Self {
        Self { n: self.n, a: self.a.iter().map(|v| v * f).collect() }
    }
    /// `self + f other`.
    fn plus(mut self, f: f64, other: &Self) -> Self {
        self.a.iter_mut().zip(&other.a).for_each(|(x, y)| *x += f * y);
        self
    }
    fn times(&self, other: &Self) -> Self {
        let n = self.n;
        let mut out = Self::zeros(n);
        for (row, target) in self.a.chunks_exact(n).zip(out.a.chunks_exact_mut(n)) {
            for (f, source) in row.iter().zip(other.a.chunks_exact(n)) {
                target.iter_mut().zip(source).for_each(|(t, s)| *t += f * s);
            }
        }
        out
    }
    /// `scale self b`.
    fn times_column<const N: usize>(&self, b: &Column<N>, scale: f64) -> Column<N> {
        let mut out = [0.0; N];
        for (o, row) in out.iter_mut().zip(self.a.chunks_exact(self.n)) {
            let mut sum = 0.0;
            for (x, y) in row.iter().zip(b) {
                sum += x * y;
            }
            *o = scale * sum;
        }
        out
    }
    fn norm(&self) -> f64 {
        self.a.chunks_exact(self.n).map(|r| r.iter().map(|v| v.abs()).sum()).fold(0.0, f64::max)
    }
}

impl Flow {
    /// Taylor series; `|A| tau` is below 1/4, so fourteen terms leave less than 1e-18.
    fn taylor(a: &Square, tau: f64) -> Self {
        let n = a.n;
        let at = a.scaled(tau);
        let mut power = Square::identity(n);
        let mut out =
            Self { tau, phi: Square::zeros(n), q0: Square::zeros(n), q1: Square::zeros(n), q2: Square::zeros(n) };
        let mut factorial = 1.0;
        for k in 0..14 {
            let k = f64::from(k);
            if k > 0.0 {
                power = power.times(&at);
                factorial *= k;
            }
            let (f1, f2, f3) = (factorial * (k + 1.0), k + 2.0, k + 3.0);
            out.phi = out.phi.plus(1.0 / factorial, &power);
            out.q0 = out.q0.plus(tau / f1, &power);
            out.q1 = out.q1.plus(tau * tau / (f1 * f2), &power);
            out.q2 = out.q2.plus(2.0 * tau * tau * tau / (f1 * f2 * f3), &power);
        }
        out
    }

    /// The same over twice the time.
    fn doubled(&self) -> Self {
        let t = self.tau;
        Self {
            tau: 2.0 * t,
            phi: self.phi.times(&self.phi),
            q0: self.phi.times(&self.q0).plus(1.0, &self.q0),
            q1: self.phi.times(&self.q1).plus(1.0, &self.q1).plus(t, &self.q0),
            q2: self.phi.times(&self.q2).plus(1.0, &self.q2).plus(2.0 * t, &self.q1).plus(t * t, &self.q0),
        }
    }
}

impl<const N: usize> Stepper<N> {
    /// Prepares a pattern for steps of `h` seconds and its halvings.
    pub(crate) fn new(model: &Model, mode: Mode, h: f64) -> Self {
        let n = model.states.count;
        let inputs = used_inputs(model, &mode);
        let mut a = Square::zeros(n);
        for r in 0..n {
            a.a[r * n..(r + 1) * n].copy_from_slice(&mode.derivative.row(r)[..n]);
        }
        let columns = |source: &crate::dense::Dense, of: usize| {
            let mut out = [0.0; N];
            (0..source.rows).for_each(|r| out[r] = source.at(r, of));
            out
        };
        let nodes = |of: usize| std::array::from_fn(|r| mode.node.at(r, of));
        let mut out = Self {
            rungs: Vec::with_capacity(LEVELS + 1),
            device_x: (0..n).map(|c| columns(&mode.device, c)).collect(),
            device_u: inputs.iter().map(|&u| columns(&mode.device, n + u)).collect(),
            node_x: (0..n).map(nodes).collect(),
            node_u: inputs.iter().map(|&u| nodes(n + u)).collect(),
            drive: inputs.iter().map(|&u| std::array::from_fn(|r| driven(&mode, n, r, u))).collect(),
            inputs,
            coils: model.states.coils,
            lower: [f64::NEG_INFINITY; N],
            upper: [f64::INFINITY; N],
            paired: mode.bent.windows(2).any(|d| d[0] % 2 == 0 && d[1] == d[0] + 1),
            mode,
        };
        out.set_bounds(model);
        let shortest = h / f64::from(TICKS);
        let halvings = libm::ceil(libm::log2((a.norm() * shortest * 4.0).max(1.0))) as i32;
        let mut flow = Flow::taylor(&a, libm::ldexp(shortest, -halvings));
        (0..halvings).for_each(|_| flow = flow.doubled());
        for level in 0..=LEVELS {
            if level > 0 {
                flow = flow.doubled();
            }
            let rung = out.rung(&flow);
            out.rungs.push(rung);
        }
        out.rungs.reverse();
        out
    }

    fn set_bounds(&mut self, model: &Model) {
        for (d, (device, state)) in model.devices.iter().zip(&self.mode.conduction).enumerate() {
            if device.resistor {
                continue;
            }
            match state {
                Conduction::Open => {}
                Conduction::On => self.lower[d] = device.off_below_a * (1.0 - SLACK) - SLACK_A,
                Conduction::Avalanche => {
                    self.upper[d] = -device.leak * device.avalanche_above_v * (1.0 - SLACK) + SLACK_A;
                }
                Conduction::Off => {
                    self.upper[d] = device.on_above_v * (1.0 + SLACK);
                    self.lower[d] = -device.avalanche_above_v * (1.0 + SLACK);
                }
            }
        }
    }

    fn rung(&self, flow: &Flow) -> Rung<N> {
        let n = flow.phi.n;
        let column = |of: &dyn Fn(usize) -> f64| {
            let mut out = [0.0; N];
            (0..n).for_each(|r| out[r] = of(r));
            out
        };
        let weighted = |q: &Square, scale: f64, count: usize| -> Vec<Column<N>> {
            self.drive.iter().take(count).map(|b| q.times_column(b, scale)).collect()
        };
        let all = self.inputs.len();
        let mut rung = Rung {
            phi: (0..n).map(|c| column(&|r| flow.phi.a[r * n + c])).collect(),
            p0: weighted(&flow.q0, 1.0, all),
            p1: weighted(&flow.q1, 1.0 / flow.tau, all - 1),
            p2: weighted(&flow.q2, 1.0 / (flow.tau * flow.tau), self.coils),
            feed: Vec::new(),
            reach: Vec::new(),
        };
        for j in self.coils..self.coils + self.mode.bent.len() {
            let mut feed = self.device_u[j];
            (0..n).for_each(|s| accumulate(&mut feed, rung.p1[j][s], &self.device_x[s]));
            rung.feed.push(feed);
            rung.reach.push(rung.p0[j][..self.coils].iter().fold(0.0, |m: f64, v| m.max(v.abs())));
        }
        rung
    }
}

/// Derivative of state `r` with input `u`; 0 beyond the states.
fn driven(mode: &Mode, states: usize, r: usize, u: usize) -> f64 {
    if r < states { mode.derivative.at(r, states + u) } else { 0.0 }
}

/// EMFs, rests of the bent devices, loads that exist, the constant.
fn used_inputs(model: &Model, mode: &Mode) -> Vec<usize> {
    let mut out: Vec<usize> = (0..model.states.coils).collect();
    out.extend(mode.bent.iter().map(|&d| model.input_rest(d)));
    out.extend((0..crate::model::PLACES).map(|p| model.input_load(p)));
    out.push(model.input_one());
    out
}

/// Newton step for `residual_j = 0` with the Jacobian `1 - slope_j feed[l][device_j]`: by the diagonal where the devices
/// hardly see each other, by elimination where two conduct in series.
pub(crate) fn newton<const N: usize>(
    stepper: &Stepper<N>,
    residual: &[f64; N],
    slope: &[f64; N],
    feed: &[Column<N>],
) -> [f64; N] {
    let bent = &stepper.mode.bent;
    let mut step = *residual;
    if !stepper.paired {
        for (j, &d) in bent.iter().enumerate() {
            step[j] /= 1.0 - slope[j] * feed[j][d];
        }
        return step;
    }
    let count = bent.len();
    let mut a = [[0.0; N]; N];
    for (j, &d) in bent.iter().enumerate() {
        for l in 0..count {
            a[j][l] = f64::from(u8::from(j == l)) - slope[j] * feed[l][d];
        }
    }
    // Slopes are positive and feeds dissipative: the pivots stay at or above 1.
    for k in 0..count {
        for i in k + 1..count {
            let f = a[i][k] / a[k][k];
            for l in k..count {
                a[i][l] -= f * a[k][l];
            }
            step[i] -= f * step[k];
        }
    }
    for k in (0..count).rev() {
        for l in k + 1..count {
            step[k] -= a[k][l] * step[l];
        }
        step[k] /= a[k][k];
    }
    step
}

/// `target += f column`.
#[inline(always)]
pub(crate) fn accumulate<const R: usize>(target: &mut [f64; R], f: f64, column: &[f64; R]) {
    for r in 0..R {
        target[r] += f * column[r];
    }
}

/// `target += columns factors`, over as many columns as there are.
#[inline(always)]
pub(crate) fn apply<const R: usize>(target: &mut [f64; R], columns: &[[f64; R]], factors: &[f64]) {
    let mut sum = *target;
    for (column, &f) in columns.iter().zip(factors) {
        accumulate(&mut sum, f, column);
    }
    *target = sum;
}
