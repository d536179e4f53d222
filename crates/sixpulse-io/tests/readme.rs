//! The example of the project's README is the example of this crate, and it runs from the top of the source tree.
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
    let output = example().current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.starts_with("rectifier: open_diode\nspeed: contaminated, counted as Some(280) Hz\n"), "{text}");
}

/// The example as `cargo test` has built it beside the tests, or through Cargo where one test alone was asked for.
fn example() -> Command {
    let built = std::env::current_exe().unwrap().parent().unwrap().join("../examples/examine_file");
    let built = built.with_extension(std::env::consts::EXE_EXTENSION);
    if built.is_file() {
        return Command::new(built);
    }
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(["run", "--quiet", "--locked", "-p", "sixpulse-io", "--example", "examine_file"]);
    cargo
}
