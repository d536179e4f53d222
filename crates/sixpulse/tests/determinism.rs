//! The same numbers from any number of threads, and from the transform's scalar and vector paths to a stated tolerance.
#![cfg(feature = "serde")]
#![allow(clippy::unwrap_used, reason = "tests state expectations by unwrapping")]

mod common;

use common::{Post, Random};
use rustfft::num_complex::Complex64;
use sixpulse::examine::{ExamineOptions, examine};
use sixpulse::spectrum::{Detrend, Welch, Window, auto_spectrum};
use sixpulse::{Capture, Coupling, Role, Trace, examine_many};
use std::num::NonZeroUsize;

fn capture(seed: u64) -> Capture {
    let mut random = Random::new(seed);
    let post = Post { open: seed.is_multiple_of(2), ..Post::default() }.record(9000, 0.1, &mut random);
    let sensor = post.iter().map(|v| 0.2 * (v - 14.2) + 0.002 * random.normal()).collect();
    let trace = |samples, role| Trace::from_f64(samples, 50_000.0, Coupling::Dc, role).unwrap();
    let traces = [("post", trace(post, Role::ChargingPost)), ("sensor", trace(sensor, Role::SpeedSensor))];
    Capture::new(traces.map(|(name, t)| (name.to_owned(), t)).to_vec()).unwrap()
}

fn examined(capture: &Capture) -> String {
    serde_json::to_string(&examine(capture, &ExamineOptions::default()).unwrap()).unwrap()
}

/// Transform plans are kept for each thread; no result may depend on which thread made them, or on what came before.
#[test]
fn eight_threads_give_what_one_gives_to_the_last_bit() {
    let captures: Vec<Capture> = (0..4).map(capture).collect();
    let serial: Vec<String> = captures.iter().map(examined).collect();
    std::thread::scope(|scope| {
        for thread in 0..8 {
            let (captures, serial) = (&captures, &serial);
            scope.spawn(move || {
                for i in 0..captures.len() {
                    let at = (i + thread) % captures.len();
                    assert_eq!(examined(&captures[at]), serial[at]);
                }
            });
        }
    });
}

#[test]
fn many_captures_on_many_threads_give_what_one_thread_gives() {
    let captures: Vec<Capture> = (0..5).map(capture).collect();
    let with = |threads| examine_many(&captures, &ExamineOptions::default(), NonZeroUsize::new(threads).unwrap());
    assert_eq!(with(1), with(4));
}

/// The planner takes the processor's widest vectors; its scalar planner computes the same sums in another order.
#[test]
fn the_transform_s_paths_agree() {
    for n in [64, 100, 1021, 4096, 6000] {
        let mut random = Random::new(n as u64);
        let samples: Vec<f64> = (0..n).map(|_| random.normal()).collect();
        let welch = Welch::new(n, 0, Window::Rectangular, Detrend::None).unwrap();
        let found = auto_spectrum(samples.as_slice(), 1.0, &welch).unwrap();
        let mut buffer: Vec<Complex64> = samples.iter().map(|&x| Complex64::new(x, 0.0)).collect();
        rustfft::FftPlannerScalar::new().plan_fft_forward(n).process(&mut buffer);
        // One-sided density of a rectangular window at unit rate; bin 0 (and the last of an even length) counts once.
        let expected = |k: usize| buffer[k].norm_sqr() / n as f64 * if k == 0 || 2 * k == n { 1.0 } else { 2.0 };
        let largest = found.density.iter().copied().fold(0.0, f64::max);
        for (k, density) in found.density.iter().enumerate() {
            // A transform of n values rounds to about 1e-16 log2(n) of the largest; a thousandfold leaves room for
            // the odd lengths' longer ways.
            assert!((density - expected(k)).abs() < 1e-12 * largest, "{n}, bin {k}: {density}, {}", expected(k));
        }
    }
}
