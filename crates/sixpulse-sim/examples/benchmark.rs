//! Times the solver and ngspice on the same circuit in one run: `cargo run --release -p sixpulse-sim --example benchmark`.
//!
//! Prints the best of several runs of 0.2 s at 100 kS/s (plus 20 ms settling) and the ratio to one run of ngspice over the
//! same time with its step limited to 1 us (it needs a tenth of that to follow the ringing at the post to 1 %).
#[path = "../tests/common/mod.rs"]
mod common;

use sixpulse_sim::machine::Regulator;
use sixpulse_sim::network::SuppressionCapacitor;
use sixpulse_sim::*;
use std::time::Instant;

/// Best of `runs`, in milliseconds.
fn best_ms(circuit: &Circuit, request: &SolveRequest, runs: usize) -> Result<f64> {
    let mut best = f64::INFINITY;
    for _ in 0..runs {
        let begin = Instant::now();
        solve(circuit, request)?;
        best = best.min(begin.elapsed().as_secs_f64() * 1e3);
    }
    Ok(best)
}

fn main() -> Result<()> {
    let probes = [Probe::ChargingPost, Probe::BatteryPost];
    let mut circuit = common::circuit(400.0, 24.0, 0.4);
    circuit.network.capacitor = Some(SuppressionCapacitor { farad: 2.2e-6, series_ohm: 0.05 });
    let request = SolveRequest { start: Start::AtRest, ..SolveRequest::new(0.2, 100e3, &probes) };
    let ours = best_ms(&circuit, &request, 15)?;
    println!("fixed EMF, healthy        {ours:8.2} ms");
    let mut open = circuit.clone();
    open.bridge.legs[0].positive = DiodeCondition::Open;
    println!("fixed EMF, open diode     {:8.2} ms", best_ms(&open, &request, 15)?);
    let mut regulated = circuit.clone();
    regulated.alternator = Alternator::rivas_130_a(Regulator::pwm(14.2));
    let settled = SolveRequest::new(0.2, 100e3, &probes);
    println!("regulated, from set point {:8.2} ms", best_ms(&regulated, &settled, 15)?);
    match common::netlist::run(&circuit, "benchmark", 0.22, 1e-5, 1e-6) {
        Some(reference) => {
            let theirs = reference.elapsed_s * 1e3;
            println!("ngspice, the first        {theirs:8.2} ms\nratio                     {:8.1}", theirs / ours);
        }
        None => println!("ngspice is not installed: no ratio"),
    }
    Ok(())
}
