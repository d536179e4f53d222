//! Fuzz targets, one for each reader and each entry point. `make fuzz` runs all of them for a while; the variable
//! `FUZZ_TARGET` says which one this process runs (one programme, since linking nineteen takes minutes).
//!
//! A target fails by a panic, by a result that is not what its own JSON says (a NaN or an infinity does not survive
//! JSON, so that it is found as well), by taking longer than a minute or by taking more than 2 GiB.
#![no_main]
mod entry;
mod input;
mod interface;
mod readers;
mod simulator;

use entry::{angle, compare, contamination, coupling, envelope, examine, ideal, meter, monitor, plan, spectrum, tone};
use readers::{read_csv, read_csv_with_hints, read_npy, read_wav};
use simulator::{exercise, scenario};

use interface::c_interface;

/// Every target by its name.
const TARGETS: [(&str, fn(&[u8])); 19] = [
    ("angle", angle),
    ("c_interface", c_interface),
    ("compare", compare),
    ("contamination", contamination),
    ("coupling", coupling),
    ("envelope", envelope),
    ("examine", examine),
    ("exercise", exercise),
    ("ideal", ideal),
    ("meter", meter),
    ("monitor", monitor),
    ("plan", plan),
    ("read_csv", read_csv),
    ("read_csv_with_hints", read_csv_with_hints),
    ("read_npy", read_npy),
    ("read_wav", read_wav),
    ("scenario", scenario),
    ("spectrum", spectrum),
    ("tone", tone),
];

fn wanted() -> fn(&[u8]) {
    let name = std::env::var("FUZZ_TARGET").unwrap_or_default();
    let found = TARGETS.iter().find(|(known, _)| *known == name);
    found.unwrap_or_else(|| panic!("FUZZ_TARGET is \"{name}\"; known: {:?}", TARGETS.map(|(known, _)| known))).1
}

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    static WANTED: std::sync::LazyLock<fn(&[u8])> = std::sync::LazyLock::new(wanted);
    WANTED(data);
});
