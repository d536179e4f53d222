//! The committed header is what the code says. After a change: `SIXPULSE_WRITE_HEADER=1 cargo test -p sixpulse-ffi`.
#![allow(clippy::expect_used, reason = "a test")]

use std::path::Path;

#[test]
fn header_is_up_to_date() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let config = cbindgen::Config::from_file(folder.join("cbindgen.toml")).expect("configuration");
    let mut generated = Vec::new();
    cbindgen::Builder::new().with_crate(folder).with_config(config).generate().expect("bindings").write(&mut generated);
    let generated = String::from_utf8(generated).expect("UTF-8");
    let path = folder.join("include/sixpulse.h");
    if std::env::var_os("SIXPULSE_WRITE_HEADER").is_some() {
        std::fs::write(&path, &generated).expect("header written");
    }
    let committed = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(committed == generated, "include/sixpulse.h is not what the code says; write it anew");
}
