//! Simulates members of a seeded family and prints one line each: `cargo run --release --example family -- SEED FIRST COUNT [PATTERN]`.

use std::time::Instant;

use sixpulse_sim::{Draw, draw::draw, simulate};

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let number = |i: usize, otherwise: u64| args.get(i).and_then(|a| a.parse().ok()).unwrap_or(otherwise);
    let (seed, first, count) = (number(1, 1), number(2, 0), number(3, 10));
    let wanted = Draw { pattern: args.get(4).cloned(), ..Draw::default() };
    println!(
        "member,sub_kind,electrical_hz,duration_s,rate_hz,mean_v,post_pp_v,post_rms_v,battery_rms_v,bridge_a,sub6,ms"
    );
    for member in first..first + count {
        let started = Instant::now();
        let scenario = match draw(seed, member, &wanted) {
            Ok(scenario) => scenario,
            Err(error) => {
                println!("{member},draw failed: {error}");
                continue;
            }
        };
        match simulate(&scenario) {
            Ok((capture, truth)) => {
                let c = &truth.post.order_amplitudes_v;
                let sub6 = c[..5].iter().map(|x| x * x).sum::<f64>().sqrt() / c[5];
                println!(
                    "{member},{},{:.1},{:.3},{},{:.2},{:.3},{:.4},{:.4},{:.1},{sub6:.2},{}",
                    truth.sub_kind,
                    truth.electrical_hz,
                    scenario.duration_s(),
                    capture.sample_rate_hz(),
                    truth.post.mean_v,
                    truth.post.peak_to_peak_v,
                    truth.post.rms_v,
                    truth.battery.rms_v,
                    truth.bridge_current_a,
                    started.elapsed().as_millis(),
                );
            }
            Err(error) => println!("{member},{},{} failed: {error}", scenario.sub_kind(), error.code()),
        }
    }
}
