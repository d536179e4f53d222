//! The same seed gives the same captures, and the same author's file the same set, on every platform: SHA-256 of what
//! they consist of is held against values stored here.
//!
//! To try another platform, run this test there, such as with `cargo test --target aarch64-unknown-linux-gnu`, or its
//! binary under a processor that lacks the vector instructions of this one (`qemu-x86_64 -cpu Nehalem`).

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may fail")]

use serde::Serialize;
use sha2::{Digest, Sha256};
use sixpulse::{Capture, RawSamples};
use sixpulse_sim::draw::draw;
use sixpulse_sim::exercise::{Answer, Author, Exercise, Key, build};
use sixpulse_sim::kind::{Condition, Fault, sub_kind};
use sixpulse_sim::{Draw, simulate};

/// A set with one item of each kind of answer, none of them near the limit of what can be read.
const AUTHOR: &str = r#"{"title": "Four captures", "seed": 20261128, "count": 4, "questions_per_item": 12,
    "safety_questions": 2, "goals": ["tell_patterns", "read_level", "measure_ripple", "electrical_cycle",
    "settings_and_points", "contamination", "indicated_speed", "next_tests", "keep_parts", "limits_of_the_capture",
    "safety"], "patterns": ["healthy", "open_diode", "open_phase", "not_charging"], "distractors": ["wrong_coupling"],
    "distractor_share": 0.3, "samples": 5000, "difficulty": {"from": 0.2, "to": 0.4, "within": 0.25}}"#;

/// Captures, question set and answers of that set, and drawn scenarios of every kind with their captures and truths.
///
/// What the simulator draws stays for a seed ([`sixpulse_sim::rng::STREAM_VERSION`]). The sealed key also says what the
/// library reads, so that an analysis with other digits makes another key: it is left out of what is stored and held
/// against itself, with the C library's paths and without.
const STORED: [(&str, &str); 4] = [
    ("captures", "cba0c94b2ba9cd6ddbde5d6af4765c5fe9521e97eee24f6e97793034ee6b96b2"),
    ("questions", "218a8de4bcd76beb4b6af141678916951812568a880eaa00552a22761e3c66bc"),
    ("answers", "19f32843d10b5ab2486ac5b91ef7436adb2c36b1f53dcd9393a926c3f8e3c8af"),
    ("drawn scenarios", "f2241466a7fdd9e9efc55878baef21ed7e79784defa214f8451669128e813bc2"),
];

fn hexadecimal(hash: Sha256) -> String {
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// JSON without the library's version, which every release changes.
fn document<T: Serialize>(value: &T) -> String {
    let version = format!("\"library_version\":\"{}\"", sixpulse::VERSION);
    serde_json::to_string(value).unwrap().replace(&version, "\"library_version\":\"\"")
}

fn hash_capture(hash: &mut Sha256, capture: &Capture) {
    for (name, trace) in capture.traces() {
        let RawSamples::I16 { counts, scale, offset } = trace.raw() else { panic!("counts are kept") };
        hash.update(name);
        for figure in [trace.sample_rate_hz(), *scale, *offset] {
            hash.update(figure.to_bits().to_le_bytes());
        }
        for count in counts {
            hash.update(count.to_le_bytes());
        }
    }
}

/// The key without what the library reads: answers, scenarios, truths, which draws were taken.
fn answers(key: &Key) -> Key {
    let mut key = key.clone();
    for item in &mut key.items {
        (item.difficulty.ambiguity, item.difficulty.value) = (0.0, 0.0);
    }
    for question in &mut key.questions {
        question.examined = None;
        question.explanation.clear();
        if let Answer::Number { tolerance, .. } = &mut question.answer {
            *tolerance = 0.0;
        }
    }
    key.rejections.iter_mut().for_each(|rejection| rejection.reason.clear());
    key
}

fn of_set(exercise: &Exercise) -> [String; 3] {
    let mut captures = Sha256::new();
    exercise.captures.iter().for_each(|capture| hash_capture(&mut captures, capture));
    [
        hexadecimal(captures),
        hexadecimal(Sha256::new_with_prefix(document(&exercise.questions))),
        hexadecimal(Sha256::new_with_prefix(document(&answers(&exercise.key)))),
    ]
}

/// One scenario of every fault in every condition; records are short.
fn of_draws() -> String {
    let mut hash = Sha256::new();
    for (member, fault) in (0..).zip(Fault::DRAWN) {
        for condition in Condition::ALL {
            let wanted = Draw { pattern: Some(sub_kind(fault, condition)), ..Draw::default() };
            let mut scenario = draw(5, member, &wanted).unwrap();
            scenario.scope.samples = 2000;
            let (capture, truth) = simulate(&scenario).unwrap();
            hash.update(document(&scenario));
            hash.update(document(&truth));
            hash_capture(&mut hash, &capture);
        }
    }
    hexadecimal(hash)
}

#[test]
fn hashes_are_the_stored_ones() {
    let exercise = build(&Author::from_json(AUTHOR).unwrap()).unwrap();
    println!("sealed key: {}", hexadecimal(Sha256::new_with_prefix(document(&exercise.key))));
    let [captures, questions, answers] = of_set(&exercise);
    let found =
        [("captures", captures), ("questions", questions), ("answers", answers), ("drawn scenarios", of_draws())];
    let found = found.each_ref().map(|(name, hash)| (*name, hash.as_str()));
    assert_eq!(found, STORED);
}

/// Where glibc runs, its own vector and fused paths can be switched off for a child process. The hashes must stay, and
/// the standard library's functions must not: else the switch did nothing and the test says nothing.
#[cfg(all(target_os = "linux", target_env = "gnu", target_arch = "x86_64"))]
mod with_another_mathematics_library {
    use std::process::{Command, Output};

    const WITHOUT: &str = "glibc.cpu.hwcaps=-AVX2_Usable,-AVX2,-FMA_Usable,-FMA,-FMA4_Usable,-FMA4,-AVX512F";

    fn again(test: &str, tunables: &str) -> Output {
        let child = std::env::current_exe().unwrap();
        Command::new(child)
            .args(["--exact", test, "--nocapture", "--include-ignored"])
            .env("GLIBC_TUNABLES", tunables)
            .output()
            .unwrap()
    }

    #[test]
    #[ignore = "prints what the parent reads"]
    fn print_bits_of_the_standard_library() {
        let bits = (1..20_000_u32).map(f64::from).fold(0_u64, |sum, i| {
            let x = i * 0.013_7;
            [x.sin(), x.cos(), (-x).exp(), x.ln(), x.powf(1.7)].iter().fold(sum, |s, y| s.rotate_left(1) ^ y.to_bits())
        });
        println!("bits: {bits:016x}");
    }

    fn line(output: Output, with: &str) -> String {
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success(), "{text}");
        text.lines().find(|line| line.contains(with)).unwrap().to_owned()
    }

    #[test]
    fn hashes_stay() {
        let keys = ["", WITHOUT].map(|tunables| line(again("hashes_are_the_stored_ones", tunables), "sealed key: "));
        assert_eq!(keys[0], keys[1]);
        let print = "with_another_mathematics_library::print_bits_of_the_standard_library";
        let bits = ["", WITHOUT].map(|tunables| line(again(print, tunables), "bits: "));
        if is_x86_feature_detected!("fma") && is_x86_feature_detected!("avx2") {
            assert_ne!(bits[0], bits[1], "the switch had no effect");
        }
    }
}
