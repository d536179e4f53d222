//! A circuit as an ngspice netlist. Written from the element list, independently of the solver's matrices.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of tests may fail the test by panicking")]

use sixpulse_sim::machine::Excitation;
use sixpulse_sim::*;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::Command;

/// Path of ngspice, where it is installed.
pub fn ngspice() -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path).map(|d| d.join("ngspice")).find(|p| p.is_file())
}

/// Netlist of a single-stator star circuit at constant speed with a fixed EMF; the run starts at rest.
pub fn netlist(c: &Circuit, stop_s: f64, step_s: f64, greatest_step_s: f64, data: &str) -> String {
    let mut n = String::from("charging circuit\n");
    sources(&mut n, c);
    bridge(&mut n, c);
    network(&mut n, c);
    // Gear 2 damps no physical ringing at this step, and does not ring by itself at commutation as trapezoid does.
    let _ = write!(
        n,
        ".options reltol=1e-4 abstol=1e-6 vntol=1e-6 method=gear maxord=2\n\
         .tran {step_s:e} {stop_s:e} 0 {greatest_step_s:e} uic\n\
         .control\nset wr_singlescale\nset numdgt=12\nrun\nlinearize v(post) v(batt) v(chas) i(Vcable)\n\
         wrdata {data} v(post) v(batt) v(chas) i(Vcable)\nquit\n.endc\n.end\n"
    );
    n
}

fn sources(n: &mut String, c: &Circuit) {
    let a = &c.alternator;
    let Excitation::FixedEmf { peak_v } = a.excitation else { panic!("the netlist needs a fixed EMF") };
    let SpeedProfile::Steady { rpm } = c.drive.engine else { panic!("the netlist needs a constant speed") };
    let f = rpm / 60.0 * c.drive.belt_ratio * f64::from(a.pole_pairs);
    let machine::Inductance::Constant { henry } = a.inductance else { panic!("constant inductance") };
    for k in 0..3 {
        let scale = a.emf.phase_scale[k] * peak_v;
        let delay = 120.0 * k as f64 + a.emf.phase_error_rad[k].to_degrees();
        let mut from = "star".to_string();
        let waves =
            std::iter::once((1, 1.0, 0.0)).chain(a.emf.harmonics.iter().map(|h| (h.order, h.ratio, h.phase_rad)));
        for (order, ratio, phase) in waves {
            let to = format!("e{k}_{order}");
            let degrees = phase.to_degrees() - f64::from(order) * delay;
            let _ = writeln!(n, "V{to} {to} {from} sin(0 {} {} 0 0 {degrees})", scale * ratio, f * f64::from(order));
            from = to;
        }
        let (ohm, end) = match c.bridge.legs[k].lead {
            LeadCondition::Resistive { ohm } => (ohm, format!("t{k}")),
            LeadCondition::Broken => (0.0, format!("loose{k}")),
            _ => (0.0, format!("t{k}")),
        };
        let _ = writeln!(n, "Rs{k} {from} r{k} {}\nLs{k} r{k} {end} {henry:e} ic=0", a.resistance_ohm + ohm);
        if let LeadCondition::ShortToCase { ohm } = c.bridge.legs[k].lead {
            let _ = writeln!(n, "Rcase{k} t{k} 0 {ohm}");
        }
        let _ = writeln!(n, "Rleak{k} {end} 0 1e5");
    }
}

fn bridge(n: &mut String, c: &Circuit) {
    let DiodeModel::Exponential { saturation_a, emission, series_ohm, breakdown_v } = c.bridge.diode else {
        panic!("the netlist needs exponential diodes")
    };
    let breakdown = breakdown_v.map_or(String::new(), |v| format!("BV={v}"));
    let _ = writeln!(n, ".model dio D(IS={saturation_a:e} N={emission} RS={series_ohm} {breakdown})");
    for (k, leg) in c.bridge.legs.iter().enumerate() {
        for (condition, name, anode, cathode) in
            [(leg.positive, "p", format!("t{k}"), "post".to_string()), (leg.negative, "n", "0".into(), format!("t{k}"))]
        {
            match condition {
                DiodeCondition::Sound => {
                    let _ = writeln!(n, "D{name}{k} {anode} {cathode} dio");
                }
                DiodeCondition::Open => {}
                DiodeCondition::Shorted { ohm } => {
                    let _ = writeln!(n, "Rsh{name}{k} {anode} {cathode} {ohm}");
                }
                DiodeCondition::Leaking { ohm } => {
                    let _ = writeln!(n, "D{name}{k} {anode} {cathode} dio\nRlk{name}{k} {anode} {cathode} {ohm}");
                }
                DiodeCondition::ResistiveJoint { ohm } => {
                    let _ = writeln!(n, "D{name}{k} {anode} j{name}{k} dio\nRj{name}{k} j{name}{k} {cathode} {ohm}");
                }
                DiodeCondition::Intermittent { .. } => panic!("no intermittent contact in the netlist"),
            }
        }
    }
}

fn network(n: &mut String, c: &Circuit) {
    let net = &c.network;
    let start = net.battery.as_ref().map_or(0.0, |b| b.emf_v);
    if let Some(cap) = net.capacitor {
        let esr = cap.series_ohm;
        if esr > 0.0 {
            let _ = writeln!(n, "Rsup post csup {esr}\nCsup csup 0 {:e} ic={start}", cap.farad);
        } else {
            let _ = writeln!(n, "Csup post 0 {:e} ic={start}", cap.farad);
        }
    }
    let cable = net.cable;
    let _ = writeln!(
        n,
        "Vcable post cab0 0\nRcable cab0 cab1 {}\nLcable cab1 batt {:e} ic=0",
        cable.resistance_ohm + cable.joint_ohm,
        cable.inductance_h
    );
    let _ = writeln!(n, "Rground chas 0 {}\nRquiet batt chas 1e3", net.ground_ohm.max(1e-9));
    if let Some(b) = &net.battery {
        let _ = writeln!(n, "Lbat batt b0 {:e} ic=0\nRbat b0 b1 {}", b.inductance_h, b.resistance_ohm);
        for (k, p) in b.pairs.iter().enumerate() {
            let (a, z) = (k + 1, k + 2);
            let _ = writeln!(n, "Rrc{k} b{a} b{z} {}\nCrc{k} b{a} b{z} {:e} ic=0", p.ohm, p.farad);
        }
        let _ = writeln!(n, "Vbat b{} chas {}", b.pairs.len() + 1, b.emf_v);
    }
    for (k, l) in net.loads.iter().enumerate() {
        let (from, to) = match l.place {
            LoadPlace::ChargingPost => ("post", "0"),
            LoadPlace::Body => ("batt", "chas"),
            LoadPlace::Engine => ("batt", "0"),
        };
        match l.kind {
            LoadKind::Resistive { ohm } => {
                let _ = writeln!(n, "Rload{k} {from} {to} {ohm}");
            }
            LoadKind::Current { ampere } => {
                let _ = writeln!(n, "Iload{k} {from} {to} {ampere}");
            }
            LoadKind::PulsedCurrent { ampere, frequency_hz, duty, rise_s, fall_s, phase } => {
                assert!(phase == 0.0, "the netlist's pulses start at time 0");
                let period = 1.0 / frequency_hz;
                let width = duty * period - rise_s;
                let _ =
                    writeln!(n, "Iload{k} {from} {to} pulse(0 {ampere} 0 {rise_s:e} {fall_s:e} {width:e} {period:e})");
            }
            LoadKind::SwitchedResistive { ohm, frequency_hz, duty, phase } => {
                assert!(phase == 0.0, "the netlist's switches start at time 0");
                let period = 1.0 / frequency_hz;
                let _ = writeln!(
                    n,
                    "Vsw{k} sw{k} 0 pulse(0 1 0 1e-8 1e-8 {:e} {period:e})\n\
                     Sload{k} {from} swr{k} sw{k} 0 swm\nRload{k} swr{k} {to} {ohm}",
                    duty * period
                );
                let _ = writeln!(n, ".model swm SW(VT=0.5 VH=0 RON=1e-6 ROFF=1e9)");
            }
        }
    }
}

/// Waveforms of a netlist: time, post, battery post against chassis, cable current.
pub struct Reference {
    pub time_s: Vec<f64>,
    pub post_v: Vec<f64>,
    pub battery_v: Vec<f64>,
    pub cable_a: Vec<f64>,
    pub elapsed_s: f64,
}

/// Runs ngspice on a circuit, with a shorter step where its iteration fails; `None` where it is not installed.
pub fn run(c: &Circuit, name: &str, stop_s: f64, step_s: f64, greatest_step_s: f64) -> Option<Reference> {
    for shorter in [1.0, 0.7, 0.5, 0.3] {
        let out = run_once(c, name, stop_s, step_s, shorter * greatest_step_s)?;
        // An aborted run leaves zeros at the end.
        if out.post_v.last().is_some_and(|v| *v != 0.0) {
            return Some(out);
        }
    }
    panic!("ngspice does not finish {name}")
}

fn run_once(c: &Circuit, name: &str, stop_s: f64, step_s: f64, greatest_step_s: f64) -> Option<Reference> {
    let program = ngspice()?;
    let folder = std::env::temp_dir().join(format!("sixpulse-netlist-{}-{name}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let data = "out.txt";
    std::fs::write(folder.join("circuit.cir"), netlist(c, stop_s, step_s, greatest_step_s, data)).unwrap();
    let begin = std::time::Instant::now();
    let result = Command::new(program).args(["-b", "circuit.cir"]).current_dir(&folder).output().unwrap();
    let elapsed_s = begin.elapsed().as_secs_f64();
    let text = std::fs::read_to_string(folder.join(data)).unwrap_or_else(|_| {
        panic!("ngspice wrote nothing: {}", String::from_utf8_lossy(&result.stderr));
    });
    let mut out = Reference { time_s: vec![], post_v: vec![], battery_v: vec![], cable_a: vec![], elapsed_s };
    for line in text.lines() {
        let v: Vec<f64> = line.split_whitespace().map(|w| w.parse().unwrap()).collect();
        out.time_s.push(v[0]);
        out.post_v.push(v[1]);
        out.battery_v.push(v[2] - v[3]);
        out.cable_a.push(v[4]);
    }
    std::fs::remove_dir_all(&folder).unwrap();
    Some(out)
}
