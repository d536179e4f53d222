//! The example of the project's README is the first example of this crate; all of them run from the top of the source tree.
#![allow(clippy::unwrap_used, reason = "a helper of tests may fail the test by panicking")]
#![cfg(feature = "csv")]

use std::path::Path;
use std::process::Command;

const EXAMPLE: &str = include_str!("../examples/examine_file.rs");

#[test]
fn readme_shows_the_example() {
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let readme = std::fs::read_to_string(top.join("README.md")).unwrap();
    let shown = EXAMPLE.split_once('\n').unwrap().1;
    assert!(readme.contains(&format!("```rust\n{shown}```")), "README.md does not show {EXAMPLE}");
}

#[test]
fn example_runs_and_finds_the_open_diode() {
    let text = run("examine_file");
    assert!(text.starts_with("rectifier: open_diode\nspeed: contaminated, counted as Some(280) Hz\n"), "{text}");
}

/// What the demonstration's truth file says: 280 Hz, an open diode, a gain of 0.1287.
#[test]
fn the_stream_shows_figures_verdicts_and_events() {
    let text = run("live_monitor");
    let has = |line: &str| text.lines().any(|l| l.contains(line));
    for line in [
        "judged (first_window)",
        "judged (interval)",
        "rectifier: open_diode (probability 1.00)",
        "speed: contaminated, a counter would show 280 Hz",
        "280.0 Hz  speed 0.129 V/V",
        "the pattern is now open_diode",
        "next test: ",
    ] {
        assert!(has(line), "{line} is not in\n{text}");
    }
    // What is not there yet is a dash, not a word of the programming language.
    assert!(has("        -  speed -") && !text.contains("None") && !text.contains("Some"), "{text}");
}

#[test]
fn a_known_machine_says_what_to_expect_and_a_wrong_one_is_noticed() {
    let text = run("custom_machine");
    let part = |title: &str| text.split(title).nth(1).unwrap().lines().skip(1).take(3).collect::<Vec<_>>().join("\n");
    assert!(part("nothing known").contains("expected -, read 280.0 Hz"), "{text}");
    let told = part("the alternator that was told");
    assert!(told.contains("expected 280.0 Hz, read 280.0 Hz") && told.contains("open_diode"), "{text}");
    let wrong = part("half its pulley ratio");
    assert!(wrong.contains("expected 140.0 Hz, read 280.0 Hz") && wrong.contains("does not fit"), "{text}");
    assert!(!told.contains("does not fit"), "{text}");
}

fn run(name: &str) -> String {
    let output = example(name).current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The example as `cargo test` has built it beside the tests, or through Cargo where one test alone was asked for.
fn example(name: &str) -> Command {
    let built = std::env::current_exe().unwrap().parent().unwrap().join("../examples").join(name);
    let built = built.with_extension(std::env::consts::EXE_EXTENSION);
    if built.is_file() {
        return Command::new(built);
    }
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(["run", "--quiet", "--locked", "-p", "sixpulse-io", "--example", name]);
    cargo
}
