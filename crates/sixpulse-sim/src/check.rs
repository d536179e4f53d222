//! The door: every parameter of a circuit and a request is checked once, here.

use crate::bridge::{Bridge, DiodeCondition, DiodeModel, LeadCondition};
use crate::error::{Error, Result, check_length, check_table, check_within};
use crate::machine::{
    Alternator, Drive, Excitation, FieldWinding, FluxCurve, Inductance, RegulatorAction, SpeedProfile,
};
use crate::network::{LoadKind, Network, Probe};
use crate::solve::{Circuit, SolveRequest};

/// Most loads of a network.
const MOST_LOADS: usize = 32;
/// Most samples of a record, all probes together.
const MOST_SAMPLES: f64 = 2.0e9;

pub(crate) fn circuit(c: &Circuit) -> Result<()> {
    alternator(&c.alternator)?;
    drive(&c.drive)?;
    bridge(&c.bridge, c.alternator.layout.phases())?;
    network(&c.network)
}

pub(crate) fn request(r: &SolveRequest, circuit: &Circuit) -> Result<()> {
    check_within("duration_s", r.duration_s, 1e-6, 3600.0, "s")?;
    check_within("settle_s", r.settle_s, 0.0, 600.0, "s")?;
    check_within("output_rate_hz", r.output_rate_hz, 100.0, 1e8, "Hz")?;
    check_within("max_step_s", r.max_step_s, 1e-9, 1e-4, "s")?;
    check_within("tolerance_a", r.tolerance_a, 1e-6, 10.0, "A")?;
    let samples = r.duration_s * r.output_rate_hz;
    check_within("duration_s x output_rate_hz", samples, 1.0, MOST_SAMPLES, "samples")?;
    let phases = circuit.alternator.layout.phases();
    for probe in &r.probes {
        if let Probe::StatorTerminal(k) | Probe::CoilEmf(k) | Probe::CoilCurrent(k) = probe {
            check_within("probes", *k as f64, 0.0, (phases - 1) as f64, "(phase)")?;
        }
    }
    Ok(())
}

fn alternator(a: &Alternator) -> Result<()> {
    let phases = a.layout.phases();
    check_within("pole_pairs", f64::from(a.pole_pairs), 1.0, 24.0, "")?;
    check_length("emf.phase_scale", phases, a.emf.phase_scale.len())?;
    check_length("emf.phase_error_rad", phases, a.emf.phase_error_rad.len())?;
    for s in &a.emf.phase_scale {
        check_within("emf.phase_scale", *s, 0.0, 2.0, "")?;
    }
    for p in &a.emf.phase_error_rad {
        check_within("emf.phase_error_rad", *p, -0.5, 0.5, "rad")?;
    }
    for h in &a.emf.harmonics {
        check_within("emf.harmonics.order", f64::from(h.order), 2.0, 13.0, "")?;
        check_within("emf.harmonics.ratio", h.ratio, -0.5, 0.5, "")?;
        check_within("emf.harmonics.phase_rad", h.phase_rad, -7.0, 7.0, "rad")?;
    }
    check_within("resistance_ohm", a.resistance_ohm, 0.0, 100.0, "ohm")?;
    check_within("temperature_c", a.temperature_c, -60.0, 300.0, "degrees Celsius")?;
    // Below -0.5 three coils would store negative energy; at 1 they would be one coil.
    check_within("mutual_ratio", a.mutual_ratio, -0.49, 0.95, "")?;
    inductance(&a.inductance)?;
    if let Some(s) = a.turn_short {
        check_within("turn_short.phase", s.phase as f64, 0.0, (phases - 1) as f64, "(phase)")?;
        check_within("turn_short.fraction", s.fraction, 0.001, 0.999, "")?;
        check_within("turn_short.contact_ohm", s.contact_ohm, 1e-6, 1e6, "ohm")?;
        check_within("turn_short.coupling", s.coupling, 0.0, 0.99, "")?;
    }
    excitation(a)
}

/// The abscissa of a table over the field current.
fn field_current(parameter: &str, field_a: &[f64]) -> Result<()> {
    field_a.iter().try_for_each(|i| check_within(parameter, *i, 0.0, 1e3, "A"))
}

fn inductance(l: &Inductance) -> Result<()> {
    let within = |v: f64| check_within("inductance", v, 1e-10, 1.0, "H");
    match l {
        Inductance::Constant { henry } => within(*henry),
        Inductance::Table { field_a, henry } => {
            check_table("inductance.field_a", field_a, henry)?;
            field_current("inductance.field_a", field_a)?;
            henry.iter().try_for_each(|v| within(*v))
        }
        Inductance::Law { unsaturated_h, saturated_h, knee_a } => {
            within(*unsaturated_h)?;
            within(*saturated_h)?;
            check_within("inductance.knee_a", *knee_a, 1e-3, 1e3, "A")
        }
    }
}

fn excitation(a: &Alternator) -> Result<()> {
    match &a.excitation {
        Excitation::FixedEmf { peak_v } => {
            check_within("excitation.peak_v", *peak_v, 0.0, 1e4, "V")?;
            if matches!(a.inductance, Inductance::Constant { .. }) {
                return Ok(());
            }
            let reason = "an inductance that follows the field current needs an excitation with a field current";
            Err(Error::InvalidCombination { parameter: "inductance".into(), reason: reason.into() })
        }
        Excitation::FixedField { field_a, winding } => {
            check_within("excitation.field_a", *field_a, 0.0, 100.0, "A")?;
            field_winding(winding)
        }
        Excitation::Regulated { winding, regulator, initial_field_a } => {
            field_winding(winding)?;
            check_within("regulator.set_point_v", regulator.set_point_v, 1.0, 100.0, "V")?;
            check_within("regulator.temperature_v_per_k", regulator.temperature_v_per_k, -0.2, 0.2, "V/K")?;
            check_within("regulator.temperature_c", regulator.temperature_c, -60.0, 200.0, "degrees Celsius")?;
            check_within("regulator.filter_s", regulator.filter_s, 1e-6, 10.0, "s")?;
            if let Some(i) = initial_field_a {
                check_within("excitation.initial_field_a", *i, 0.0, 100.0, "A")?;
            }
            match regulator.action {
                RegulatorAction::Hysteretic { band_v } => check_within("regulator.band_v", band_v, 1e-3, 10.0, "V"),
                RegulatorAction::Pwm { frequency_hz, proportional_per_v, integral_per_vs } => {
                    check_within("regulator.frequency_hz", frequency_hz, 1.0, 2e4, "Hz")?;
                    check_within("regulator.proportional_per_v", proportional_per_v, 0.0, 1e3, "1/V")?;
                    check_within("regulator.integral_per_vs", integral_per_vs, 0.0, 1e5, "1/(V s)")
                }
            }
        }
    }
}

fn field_winding(w: &FieldWinding) -> Result<()> {
    check_within("winding.resistance_ohm", w.resistance_ohm, 1e-2, 1e3, "ohm")?;
    check_within("winding.inductance_h", w.inductance_h, 1e-4, 1e2, "H")?;
    match &w.flux {
        FluxCurve::Linear { weber_per_a } => check_within("flux.weber_per_a", *weber_per_a, 0.0, 10.0, "Wb/A"),
        FluxCurve::Table { field_a, weber } => {
            check_table("flux.field_a", field_a, weber)?;
            field_current("flux.field_a", field_a)?;
            weber.iter().try_for_each(|v| check_within("flux.weber", *v, 0.0, 10.0, "Wb"))
        }
        FluxCurve::Froelich { saturated_wb, knee_a, residual_wb } => {
            check_within("flux.saturated_wb", *saturated_wb, 0.0, 10.0, "Wb")?;
            check_within("flux.knee_a", *knee_a, 1e-3, 1e3, "A")?;
            check_within("flux.residual_wb", *residual_wb, 0.0, 1.0, "Wb")
        }
    }
}

fn drive(d: &Drive) -> Result<()> {
    check_within("belt_ratio", d.belt_ratio, 0.2, 10.0, "")?;
    check_within("slip", d.slip, 0.0, 0.5, "")?;
    check_within("initial_angle_rad", d.initial_angle_rad, -1e3, 1e3, "rad")?;
    let rpm = |v: f64| check_within("engine.rpm", v, 0.0, 3e4, "1/min");
    let time = |name: &str, v: f64, low: f64| check_within(name, v, low, 3600.0, "s");
    match &d.engine {
        SpeedProfile::Steady { rpm: v } => rpm(*v)?,
        SpeedProfile::Ramp { from_rpm, to_rpm, start_s, duration_s } => {
            rpm(*from_rpm)?;
            rpm(*to_rpm)?;
            time("engine.start_s", *start_s, -3600.0)?;
            time("engine.duration_s", *duration_s, 1e-6)?;
        }
        SpeedProfile::Snap { idle_rpm, peak_rpm, start_s, rise_s, open_s, fall_s } => {
            rpm(*idle_rpm)?;
            rpm(*peak_rpm)?;
            time("engine.start_s", *start_s, -3600.0)?;
            time("engine.rise_s", *rise_s, 1e-3)?;
            time("engine.open_s", *open_s, 0.0)?;
            time("engine.fall_s", *fall_s, 1e-3)?;
        }
        SpeedProfile::Piecewise { time_s, rpm: v } => {
            check_table("engine.time_s", time_s, v)?;
            time_s.iter().try_for_each(|t| time("engine.time_s", *t, -3600.0))?;
            v.iter().try_for_each(|v| rpm(*v))?;
        }
    }
    let Some(i) = &d.irregularity else { return Ok(()) };
    check_within("irregularity.cylinders", f64::from(i.cylinders), 1.0, 16.0, "")?;
    for h in &i.harmonics {
        check_within("irregularity.multiple", h.multiple, 0.01, 20.0, "")?;
        check_within("irregularity.ratio", h.ratio, 0.0, 0.3, "")?;
        check_within("irregularity.phase_rad", h.phase_rad, -7.0, 7.0, "rad")?;
    }
    Ok(())
}

fn bridge(b: &Bridge, phases: usize) -> Result<()> {
    check_length("bridge.legs", phases, b.legs.len())?;
    let breakdown = match b.diode {
        DiodeModel::Exponential { saturation_a, emission, series_ohm, breakdown_v } => {
            check_within("diode.saturation_a", saturation_a, 1e-18, 1e-4, "A")?;
            check_within("diode.emission", emission, 0.5, 4.0, "")?;
            check_within("diode.series_ohm", series_ohm, 0.0, 100.0, "ohm")?;
            breakdown_v
        }
        DiodeModel::PiecewiseLinear { forward_v, slope_ohm, breakdown_v, breakdown_slope_ohm } => {
            check_within("diode.forward_v", forward_v, 0.0, 5.0, "V")?;
            check_within("diode.slope_ohm", slope_ohm, 1e-6, 100.0, "ohm")?;
            check_within("diode.breakdown_slope_ohm", breakdown_slope_ohm, 1e-6, 100.0, "ohm")?;
            breakdown_v
        }
    };
    if let Some(v) = breakdown {
        check_within("diode.breakdown_v", v, 5.0, 2000.0, "V")?;
    }
    for leg in &b.legs {
        diode(&leg.positive)?;
        diode(&leg.negative)?;
        match leg.lead {
            LeadCondition::Sound | LeadCondition::Broken => {}
            LeadCondition::Resistive { ohm } => check_within("lead.ohm", ohm, 1e-6, 100.0, "ohm")?,
            LeadCondition::ShortToCase { ohm } => check_within("lead.ohm", ohm, 1e-4, 1e6, "ohm")?,
        }
    }
    Ok(())
}

fn diode(d: &DiodeCondition) -> Result<()> {
    match *d {
        DiodeCondition::Sound | DiodeCondition::Open => Ok(()),
        DiodeCondition::Shorted { ohm } => check_within("diode.shorted.ohm", ohm, 1e-4, 1.0, "ohm"),
        DiodeCondition::Leaking { ohm } => check_within("diode.leaking.ohm", ohm, 0.1, 1e6, "ohm"),
        DiodeCondition::ResistiveJoint { ohm } => check_within("diode.joint.ohm", ohm, 1e-6, 100.0, "ohm"),
        DiodeCondition::Intermittent { rate_hz, open_fraction, phase } => {
            check_within("diode.intermittent.rate_hz", rate_hz, 1e-2, 1e4, "Hz")?;
            check_within("diode.intermittent.open_fraction", open_fraction, 1e-3, 0.999, "")?;
            check_within("diode.intermittent.phase", phase, 0.0, 1.0, "")
        }
    }
}

fn network(n: &Network) -> Result<()> {
    if let Some(c) = n.capacitor {
        check_within("capacitor.farad", c.farad, 1e-9, 1.0, "F")?;
        check_within("capacitor.series_ohm", c.series_ohm, 0.0, 10.0, "ohm")?;
    }
    check_within("cable.resistance_ohm", n.cable.resistance_ohm, 0.0, 100.0, "ohm")?;
    check_within("cable.inductance_h", n.cable.inductance_h, 1e-10, 1e-2, "H")?;
    check_within("cable.joint_ohm", n.cable.joint_ohm, 0.0, 100.0, "ohm")?;
    check_within("ground_ohm", n.ground_ohm, 0.0, 100.0, "ohm")?;
    if let Some(b) = &n.battery {
        check_within("battery.emf_v", b.emf_v, 0.0, 200.0, "V")?;
        check_within("battery.resistance_ohm", b.resistance_ohm, 0.0, 100.0, "ohm")?;
        check_within("battery.inductance_h", b.inductance_h, 1e-10, 1e-3, "H")?;
        check_within("battery.pairs", b.pairs.len() as f64, 0.0, 2.0, "pairs")?;
        for p in &b.pairs {
            check_within("battery.pairs.ohm", p.ohm, 1e-6, 100.0, "ohm")?;
            check_within("battery.pairs.farad", p.farad, 1e-6, 1e6, "F")?;
        }
    }
    check_within("loads", n.loads.len() as f64, 0.0, MOST_LOADS as f64, "loads")?;
    n.loads.iter().try_for_each(|l| load(&l.kind))
}

fn load(kind: &LoadKind) -> Result<()> {
    let ohm = |v: f64| check_within("load.ohm", v, 1e-3, 1e9, "ohm");
    let cycle = |frequency: f64, duty: f64, phase: f64| -> Result<()> {
        check_within("load.frequency_hz", frequency, 1e-3, 1e5, "Hz")?;
        check_within("load.duty", duty, 1e-4, 0.9999, "")?;
        check_within("load.phase", phase, 0.0, 1.0, "")
    };
    match *kind {
        LoadKind::Resistive { ohm: v } => ohm(v),
        LoadKind::Current { ampere } => check_within("load.ampere", ampere, -1e4, 1e4, "A"),
        LoadKind::SwitchedResistive { ohm: v, frequency_hz, duty, phase } => {
            ohm(v)?;
            cycle(frequency_hz, duty, phase)
        }
        LoadKind::PulsedCurrent { ampere, frequency_hz, duty, rise_s, fall_s, phase } => {
            check_within("load.ampere", ampere, -1e4, 1e4, "A")?;
            cycle(frequency_hz, duty, phase)?;
            check_within("load.rise_s", rise_s, 1e-8, duty / frequency_hz, "s")?;
            check_within("load.fall_s", fall_s, 1e-8, (1.0 - duty) / frequency_hz, "s")
        }
    }
}
