//! What an examination holds besides the capture.
#![allow(clippy::expect_used, reason = "tests")]

use sixpulse::examine::{ExamineOptions, examine};
use sixpulse::{Capture, Coupling, RawSamples, Role, Trace};

#[path = "../benches/synthetic/mod.rs"]
mod synthetic;

/// Bytes held at most by the first examination in a thread of a capture of so many instants, and by the next.
fn most(samples: usize) -> [u64; 2] {
    let examined = move || {
        let [post, sensor] = synthetic::synthetic(samples);
        let trace =
            |x, role| Trace::new(RawSamples::F32(x), synthetic::RATE_HZ, Coupling::Dc, role).expect("a good trace");
        let traces = vec![
            ("post".to_owned(), trace(post, Role::ChargingPost)),
            ("sensor".to_owned(), trace(sensor, Role::SpeedSensor)),
        ];
        let capture = Capture::new(traces).expect("a good capture");
        [0; 2].map(|_| {
            let counted = allocation_counter::measure(|| {
                let found = examine(&capture, &ExamineOptions::default()).expect("an examination");
                assert!(found.contamination[0].1.gain_v_per_v.is_some());
            });
            counted.bytes_max
        })
    };
    std::thread::spawn(examined).join().expect("no panic")
}

/// Plans, windows and spectra cost the same for every long record; what grows with it must stay below the capture's own
/// size: two channels of 4 bytes.
#[test]
fn memory_grows_by_less_than_the_capture() {
    let (short, long) = (1_200_000, 2_400_000);
    let (of_short, of_long) = (most(short), most(long));
    for (a, b) in of_short.iter().zip(of_long) {
        let grown = b - a;
        assert!(grown < 8 * (long - short) as u64, "{grown} bytes for {} instants more", long - short);
    }
}
