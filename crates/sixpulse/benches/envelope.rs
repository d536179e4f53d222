//! Time of the envelope of a long record, in each form that samples are kept in.
use std::time::Instant;

use sixpulse::{Coupling, RawSamples, Role, Trace, envelope};

const SAMPLES: usize = 10_000_000;
const BINS: usize = 1_500;
const REPEATS: usize = 7;

fn main() -> sixpulse::Result<()> {
    let counts: Vec<i16> = (0..SAMPLES).map(|i| (i.wrapping_mul(2_654_435_761) % 4_001) as i16 - 2_000).collect();
    let forms = [
        ("i16 counts", RawSamples::I16 { counts: counts.clone(), scale: 0.01, offset: 14.0 }),
        ("f32", RawSamples::F32(counts.iter().map(|&c| f32::from(c) * 0.01).collect())),
        ("f64", RawSamples::F64(counts.iter().map(|&c| f64::from(c) * 0.01).collect())),
    ];
    for (name, raw) in forms {
        let trace = Trace::new(raw, 1e6, Coupling::Dc, Role::ChargingPost)?;
        let mut times_ms = Vec::with_capacity(REPEATS);
        for _ in 0..REPEATS {
            let begin = Instant::now();
            std::hint::black_box(envelope::of_trace(&trace, BINS)?);
            times_ms.push(1e3 * begin.elapsed().as_secs_f64());
        }
        times_ms.sort_by(f64::total_cmp);
        println!("envelope, {SAMPLES} samples ({name}): {:6.2} ms (median of {REPEATS})", times_ms[REPEATS / 2]);
    }
    Ok(())
}
