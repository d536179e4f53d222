//! A checked circuit turned into numbers: coils, corners, devices, wiring. Nothing here changes during a run.
//!
//! States, in order: coil currents, cable current, battery current, capacitor voltage, R||C voltages.
//! Inputs, in order: coil EMFs, rests of the diodes' laws, load currents at post, body and engine, the constant 1.
#![allow(clippy::needless_range_loop, reason = "matrix code runs over rows of several arrays at once")]

use crate::bridge::{DiodeCondition, LeadCondition};
use crate::dense::Dense;
use crate::device::Device;
use crate::machine::{COPPER_PER_KELVIN, Excitation, Inductance, Winding};
use crate::network::{LoadKind, LoadPlace, RcPair};
use crate::solve::Circuit;
use std::f64::consts::{PI, TAU};

/// Conductance that stands for insulation and the quiescent draw of the vehicle between battery post and chassis, S.
pub(crate) const QUIESCENT_S: f64 = 1.0e-3;
/// What stands at a charging post without suppression capacitor, in farad and ohm: windings and harness. With 1 uH of
/// cable it is damped to a few microseconds.
pub(crate) const STRAY: (f64, f64) = (10.0e-9, 10.0);
/// Places where loads are connected: post, body, engine.
pub(crate) const PLACES: usize = 3;

/// Positions of the states.
#[derive(Debug, Clone, Default)]
pub(crate) struct States {
    pub(crate) coils: usize,
    pub(crate) cable: usize,
    pub(crate) battery: Option<usize>,
    pub(crate) capacitor: usize,
    pub(crate) pairs: Vec<usize>,
    pub(crate) count: usize,
}

/// A load that changes over time.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Switched {
    pub(crate) place: usize,
    pub(crate) siemens: f64,
    pub(crate) frequency: f64,
    pub(crate) duty: f64,
    pub(crate) phase: f64,
}

/// A trapezoidal current.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pulsed {
    pub(crate) place: usize,
    pub(crate) ampere: f64,
    pub(crate) frequency: f64,
    pub(crate) duty: f64,
    pub(crate) rise: f64,
    pub(crate) fall: f64,
    pub(crate) phase: f64,
}

/// Wave shape of one coil: `sum over the shape's orders of sin(n theta) c - cos(n theta) s`.
#[derive(Debug, Clone)]
pub(crate) struct CoilShape {
    pub(crate) terms: Vec<(f64, f64)>,
}

/// A contact that opens and closes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Contact {
    pub(crate) device: usize,
    pub(crate) rate: f64,
    pub(crate) open_fraction: f64,
    pub(crate) phase: f64,
}

/// The battery's numbers.
#[derive(Debug, Clone)]
pub(crate) struct BatteryModel {
    pub(crate) emf: f64,
    pub(crate) ohm: f64,
    pub(crate) henry: f64,
    pub(crate) pairs: Vec<RcPair>,
}

/// The whole circuit.
#[derive(Debug, Clone)]
pub(crate) struct Model {
    pub(crate) phases: usize,
    pub(crate) states: States,
    /// Current of coil c into corner k.
    pub(crate) corner: Dense,
    /// Current of coil c into star point s (one row a stator in star, none in delta).
    pub(crate) star: Dense,
    pub(crate) coil_ohm: Dense,
    /// Inductance matrix for a coil inductance of 1 H.
    pub(crate) coil_shape_h: Dense,
    pub(crate) orders: Vec<u32>,
    pub(crate) coils: Vec<CoilShape>,
    /// Positive diode of leg k at 2k, negative at 2k + 1.
    pub(crate) devices: Vec<Device>,
    pub(crate) always_open: Vec<bool>,
    pub(crate) contacts: Vec<Contact>,
    pub(crate) broken: Vec<bool>,
    pub(crate) case_siemens: Vec<f64>,
    pub(crate) cable_ohm: f64,
    pub(crate) cable_henry: f64,
    pub(crate) battery: Option<BatteryModel>,
    /// Farad and series resistance.
    pub(crate) capacitor: (f64, f64),
    pub(crate) ground_ohm: f64,
    /// Steady conductances at post, body, engine.
    pub(crate) siemens: [f64; PLACES],
    /// Steady currents at post, body, engine.
    pub(crate) ampere: [f64; PLACES],
    pub(crate) switched: Vec<Switched>,
    pub(crate) pulsed: Vec<Pulsed>,
}

impl Model {
    pub(crate) fn new(circuit: &Circuit) -> Self {
        let phases = circuit.alternator.layout.phases();
        let coils = phases + usize::from(circuit.alternator.turn_short.is_some());
        let (corner, star) = incidence(circuit, coils);
        let mut model = Self {
            phases,
            states: states(circuit, coils),
            corner,
            star,
            coil_ohm: Dense::zeros(coils, coils),
            coil_shape_h: Dense::zeros(coils, coils),
            orders: Vec::new(),
            coils: Vec::new(),
            devices: Vec::new(),
            always_open: Vec::new(),
            contacts: Vec::new(),
            broken: circuit.bridge.legs.iter().map(|l| l.lead == LeadCondition::Broken).collect(),
            case_siemens: vec![0.0; phases],
            cable_ohm: circuit.network.cable.resistance_ohm + circuit.network.cable.joint_ohm,
            cable_henry: circuit.network.cable.inductance_h,
            battery: circuit.network.battery.as_ref().map(|b| BatteryModel {
                emf: b.emf_v,
                ohm: b.resistance_ohm,
                henry: b.inductance_h,
                pairs: b.pairs.clone(),
            }),
            capacitor: circuit.network.capacitor.map_or(STRAY, |c| (c.farad, c.series_ohm)),
            ground_ohm: circuit.network.ground_ohm,
            siemens: [0.0, QUIESCENT_S, 0.0],
            ampere: [0.0; PLACES],
            switched: Vec::new(),
            pulsed: Vec::new(),
        };
        model.place_windings(circuit);
        model.place_emf(circuit);
        model.place_bridge(circuit);
        model.place_loads(circuit);
        model
    }

    /// Number of inputs.
    pub(crate) fn inputs(&self) -> usize {
        self.states.coils + 2 * self.phases + PLACES + 1
    }
    pub(crate) fn input_rest(&self, device: usize) -> usize {
        self.states.coils + device
    }
    pub(crate) fn input_load(&self, place: usize) -> usize {
        self.states.coils + 2 * self.phases + place
    }
    pub(crate) fn input_one(&self) -> usize {
        self.states.coils + 2 * self.phases + PLACES
    }

    /// Resistances and the shape of the inductance matrix.
    fn place_windings(&mut self, circuit: &Circuit) {
        let alternator = &circuit.alternator;
        let ohm = alternator.resistance_ohm * copper_factor(alternator.temperature_c);
        for a in 0..self.phases {
            self.coil_ohm.add(a, a, ohm);
            for b in 0..self.phases {
                if a == b {
                    self.coil_shape_h.add(a, a, 1.0);
                } else if a / 3 == b / 3 {
                    self.coil_shape_h.add(a, b, alternator.mutual_ratio);
                }
            }
        }
        if let Some(short) = alternator.turn_short {
            self.place_turn_short(short.phase, short.fraction, short.coupling, ohm, short.contact_ohm);
        }
        for (k, leg) in circuit.bridge.legs.iter().enumerate() {
            if let LeadCondition::Resistive { ohm } = leg.lead {
                let row = self.corner.row(k).to_vec();
                for (a, &ia) in row.iter().enumerate() {
                    self.coil_ohm.add_row(a, ohm * ia, &row);
                }
            }
        }
    }

    /// Splits a coil into the turns outside the short and, as the last coil, those inside; both share the contact.
    fn place_turn_short(&mut self, phase: usize, inside: f64, coupling: f64, ohm: f64, contact: f64) {
        let (outside, last) = (1.0 - inside, self.phases);
        for c in 0..self.phases {
            if c != phase {
                let mutual = self.coil_shape_h.at(phase, c);
                for (row, factor) in [(phase, outside - 1.0), (last, inside * coupling)] {
                    self.coil_shape_h.add(row, c, factor * mutual);
                    self.coil_shape_h.add(c, row, factor * mutual);
                }
            }
        }
        self.coil_shape_h.add(phase, phase, outside * outside - 1.0);
        self.coil_shape_h.add(last, last, inside * inside);
        self.coil_shape_h.add(phase, last, coupling * inside * outside);
        self.coil_shape_h.add(last, phase, coupling * inside * outside);
        self.coil_ohm.add(phase, phase, outside * ohm - ohm + contact);
        self.coil_ohm.add(last, last, inside * ohm + contact);
        self.coil_ohm.add(phase, last, -contact);
        self.coil_ohm.add(last, phase, -contact);
    }

    fn place_emf(&mut self, circuit: &Circuit) {
        let emf = &circuit.alternator.emf;
        self.orders = std::iter::once(1).chain(emf.harmonics.iter().map(|h| h.order)).collect();
        for k in 0..self.phases {
            // The second stator lags by 30 degrees.
            let delay = TAU * (k % 3) as f64 / 3.0 + (k / 3) as f64 * PI / 6.0 + emf.phase_error_rad[k];
            let term = |order: f64, ratio: f64, phase: f64| {
                let (sin, cos) = libm::sincos(order * delay - phase);
                let amplitude = ratio * emf.phase_scale[k];
                (amplitude * cos, amplitude * sin)
            };
            let mut terms = vec![term(1.0, 1.0, 0.0)];
            terms.extend(emf.harmonics.iter().map(|h| term(f64::from(h.order), h.ratio, h.phase_rad)));
            self.coils.push(CoilShape { terms });
        }
        if let Some(short) = circuit.alternator.turn_short {
            let mut inside = self.coils[short.phase].clone();
            inside.terms.iter_mut().for_each(|(c, s)| (*c, *s) = (*c * short.fraction, *s * short.fraction));
            let rest = 1.0 - short.fraction;
            self.coils[short.phase].terms.iter_mut().for_each(|(c, s)| (*c, *s) = (*c * rest, *s * rest));
            self.coils.push(inside);
        }
    }

    fn place_bridge(&mut self, circuit: &Circuit) {
        for (k, leg) in circuit.bridge.legs.iter().enumerate() {
            if let LeadCondition::ShortToCase { ohm } = leg.lead {
                self.case_siemens[k] = 1.0 / ohm;
            }
            for condition in [&leg.positive, &leg.negative] {
                let device = self.devices.len();
                self.devices.push(Device::new(&circuit.bridge.diode, condition));
                self.always_open.push(*condition == DiodeCondition::Open || self.broken[k]);
                if let DiodeCondition::Intermittent { rate_hz, open_fraction, phase } = *condition
                    && !self.broken[k]
                {
                    self.contacts.push(Contact { device, rate: rate_hz, open_fraction, phase });
                }
            }
        }
    }

    fn place_loads(&mut self, circuit: &Circuit) {
        for load in &circuit.network.loads {
            let place = match load.place {
                LoadPlace::ChargingPost => 0,
                LoadPlace::Body => 1,
                LoadPlace::Engine => 2,
            };
            match load.kind {
                LoadKind::Resistive { ohm } => self.siemens[place] += 1.0 / ohm,
                LoadKind::Current { ampere } => self.ampere[place] += ampere,
                LoadKind::SwitchedResistive { ohm, frequency_hz, duty, phase } => {
                    self.switched.push(Switched { place, siemens: 1.0 / ohm, frequency: frequency_hz, duty, phase })
                }
                LoadKind::PulsedCurrent { ampere, frequency_hz, duty, rise_s, fall_s, phase } => {
                    self.pulsed.push(Pulsed {
                        place,
                        ampere,
                        frequency: frequency_hz,
                        duty,
                        rise: rise_s,
                        fall: fall_s,
                        phase,
                    });
                }
            }
        }
    }
}

/// Resistance of copper relative to 20 degrees Celsius.
pub(crate) fn copper_factor(temperature_c: f64) -> f64 {
    1.0 + COPPER_PER_KELVIN * (temperature_c - 20.0)
}

impl Inductance {
    /// Inductance at a field current, in henry.
    #[must_use]
    pub fn at(&self, field_a: f64) -> f64 {
        match self {
            Self::Constant { henry } => *henry,
            Self::Table { field_a: x, henry } => interpolate(x, henry, field_a),
            Self::Law { unsaturated_h, saturated_h, knee_a } => {
                let r = field_a / knee_a;
                saturated_h + (unsaturated_h - saturated_h) / (1.0 + r * r * r * r)
            }
        }
    }
}

/// Linear interpolation, constant beyond the ends; the table was checked before.
pub(crate) fn interpolate(x: &[f64], y: &[f64], at: f64) -> f64 {
    let upper = x.partition_point(|v| *v < at);
    if upper == 0 {
        return y[0];
    }
    if upper == x.len() {
        return y[upper - 1];
    }
    let part = (at - x[upper - 1]) / (x[upper] - x[upper - 1]);
    y[upper - 1] + part * (y[upper] - y[upper - 1])
}

impl Excitation {
    /// Peak EMF of a coil at an electrical angular frequency and field current.
    pub(crate) fn peak_v(&self, omega: f64, field_a: f64) -> f64 {
        match self {
            Self::FixedEmf { peak_v } => *peak_v,
            Self::FixedField { winding, .. } | Self::Regulated { winding, .. } => omega * winding.flux.at(field_a),
        }
    }
}

fn states(circuit: &Circuit, coils: usize) -> States {
    let mut s = States { coils, cable: coils, count: coils + 1, ..States::default() };
    let mut next = || {
        s.count += 1;
        s.count - 1
    };
    let pairs = circuit.network.battery.as_ref().map_or(0, |b| b.pairs.len());
    let battery = circuit.network.battery.is_some().then(&mut next);
    let capacitor = next();
    let pairs = (0..pairs).map(|_| next()).collect();
    States { battery, capacitor, pairs, ..s }
}

/// Which coil feeds which corner and which star point.
fn incidence(circuit: &Circuit, coils: usize) -> (Dense, Dense) {
    let phases = circuit.alternator.layout.phases();
    let mut corner = Dense::zeros(phases, coils);
    match circuit.alternator.winding {
        Winding::Star => {
            let mut star = Dense::zeros(phases / 3, coils);
            for c in 0..phases {
                corner.add(c, c, 1.0);
                star.add(c / 3, c, -1.0);
            }
            (corner, star)
        }
        Winding::Delta => {
            for c in 0..phases {
                corner.add(c, c, -1.0);
                corner.add(c / 3 * 3 + (c + 1) % 3, c, 1.0);
            }
            (corner, Dense::zeros(0, coils))
        }
    }
}

impl crate::machine::FluxCurve {
    /// Peak flux linkage of a coil at a field current, in weber.
    #[must_use]
    pub fn at(&self, field_a: f64) -> f64 {
        match self {
            Self::Linear { weber_per_a } => weber_per_a * field_a,
            Self::Table { field_a: x, weber } => interpolate(x, weber, field_a),
            Self::Froelich { saturated_wb, knee_a, residual_wb } => {
                residual_wb + saturated_wb * field_a / (knee_a + field_a)
            }
        }
    }
}
