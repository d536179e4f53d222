//! `examples/examine.c` and `examples/monitor.c` compiled, linked with both libraries, run, and run under valgrind.
//!
//! Skipped, with the reason printed, where no C compiler or no valgrind is installed.
#![allow(clippy::expect_used, clippy::print_stderr, reason = "a test")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The folder in which cargo put the libraries that belong to this test.
fn built() -> PathBuf {
    let program = std::env::current_exe().expect("this program's path");
    program.parent().expect("its folder").to_owned()
}

fn installed(program: &str) -> bool {
    let found = Command::new(program).arg("--version").output().is_ok_and(|o| o.status.success());
    if !found {
        eprintln!("skipped: {program} is not installed");
    }
    found
}

fn run(command: &mut Command) -> Output {
    command.output().expect("a program that starts")
}

fn succeeded(command: &mut Command) -> String {
    let output = run(command);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}\n{said}\n{}", String::from_utf8_lossy(&output.stdout));
    String::from_utf8(output.stdout).expect("UTF-8")
}

fn compiled(example: &str, kind: &str, library: &[&str]) -> PathBuf {
    let program = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("{example}_{kind}"));
    let mut compile = Command::new("cc");
    compile.args(["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-g"]).arg("-I").arg(here("include"));
    compile
        .arg(here("examples").join(example).with_extension("c"))
        .arg("-o")
        .arg(&program)
        .arg("-L")
        .arg(built())
        .args(library);
    succeeded(&mut compile);
    program
}

fn demo() -> PathBuf {
    here("../../python/sixpulse/demo/parked.csv")
}

/// What the demonstration's truth file says, as `tests/test_demo.py` asserts it closer.
fn assert_demo(said: &str) {
    for line in ["/rectifier/pattern = open_diode", "/contamination/speed/verdict = contaminated"] {
        assert!(said.lines().any(|l| l == line), "{line} is not in\n{said}");
    }
    assert!(said.contains("/contamination/speed/own_frequency_hz: not_determined"), "{said}");
    assert!(said.contains("/findings/0/statement = "), "{said}");
}

/// The stream of the same file, and the spoilt and late chunks that the program pushes on purpose.
fn assert_stream(said: &str) {
    let lines = |wanted: &str| said.lines().filter(|l| l.contains(wanted)).count();
    assert!(lines("judged (first_window): open_diode") == 1 && lines("judged (interval): open_diode") >= 1, "{said}");
    assert!(lines("speed: contaminated") > 0, "{said}");
    assert_eq!(lines("refused: non_finite: chunks[\"speed\"]"), 1, "{said}");
    for event in [": cycle_found", ": pattern_changed", ": gap, 5000 samples lost"] {
        assert!(lines(event) == 1, "{event}: {said}");
    }
    assert!(said.contains("after the gap: no level yet") && said.ends_with("reset: position 0\n"), "{said}");
}

#[test]
fn c_programs_examine_and_watch_the_demonstration() {
    if !installed("cc") {
        return;
    }
    type Check = fn(&str);
    for (example, check) in [("examine", assert_demo as Check), ("monitor", assert_stream as Check)] {
        let shared = compiled(example, "shared", &["-lsixpulse_ffi"]);
        check(&succeeded(Command::new(&shared).arg(demo()).env("LD_LIBRARY_PATH", built())));
        let missing = run(Command::new(&shared).arg("no_such_file.csv").env("LD_LIBRARY_PATH", built()));
        assert_eq!(missing.status.code(), Some(2));
    }
}

#[test]
#[cfg(target_os = "linux")]
fn under_valgrind_examining_makes_no_error_and_leaves_nothing_behind() {
    watched("examine", assert_demo);
}

#[test]
#[cfg(target_os = "linux")]
fn under_valgrind_a_stream_makes_no_error_and_leaves_nothing_behind() {
    watched("monitor", assert_stream);
}

#[cfg(target_os = "linux")]
fn watched(example: &str, check: fn(&str)) {
    if !installed("cc") || !installed("valgrind") {
        return;
    }
    let library = ["-l:libsixpulse_ffi.a", "-lm", "-lpthread", "-ldl"];
    let program = compiled(example, "static", &library);
    let mut watched = Command::new("valgrind");
    watched.args([
        "--error-exitcode=9",
        "--leak-check=full",
        "--errors-for-leak-kinds=definite,indirect,possible",
        "-q",
    ]);
    check(&succeeded(watched.arg(program).arg(demo())));
}

#[test]
fn the_header_is_cpp_too() {
    if !installed("c++") {
        return;
    }
    let source = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("version.cpp");
    std::fs::write(&source, "#include \"sixpulse.h\"\nint main() { return sixpulse_version() == nullptr; }\n")
        .expect("a source file");
    let mut compile = Command::new("c++");
    compile.args(["-std=c++17", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-fsyntax-only", "-I"]);
    succeeded(compile.arg(here("include")).arg(source));
}
