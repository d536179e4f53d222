//! What is written is read back unchanged; random dialects are recognised; random bytes never panic.
#![allow(clippy::unwrap_used, clippy::panic, reason = "tests state expectations by unwrapping")]

use proptest::prelude::*;
use sixpulse::{Capture, Coupling, RawSamples, Role, Trace};
use sixpulse_io::{Channel, Request, csv};
use std::fmt::Write;
use std::path::PathBuf;

fn path(name: &str) -> PathBuf {
    std::env::temp_dir().join(format!("sixpulse-{}-{name}", std::process::id()))
}

#[test]
fn a_capture_survives_csv() {
    let file = path("capture.csv");
    let counts = RawSamples::I16 { counts: vec![100, -101, 32_767], scale: 0.14, offset: -0.1 };
    let post = Trace::new(counts, 44_100.0, Coupling::Ac, Role::ChargingPost).unwrap();
    let post = post.with_coupling_corner_hz(1.5).unwrap();
    let values = vec![1.0 / 3.0, 1e-300, -7.25e8];
    let sensor = Trace::from_f64(values, 44_100.0, Coupling::Dc, Role::Other).unwrap().with_unit("psi").unwrap();
    let capture = Capture::new(vec![("post (mV), \"a\"".into(), post), ("sensor".into(), sensor)]).unwrap();
    let capture = capture.with_engine_rpm(820.0).unwrap().with_battery_temperature_c(-5.5).unwrap();
    csv::write(&file, &capture).unwrap();
    let back = sixpulse_io::read(&file, &Request::default());
    std::fs::remove_file(&file).unwrap();
    let back = back.unwrap();
    assert_eq!(back.sample_rate_hz(), 44_100.0);
    assert_eq!((back.engine_rpm(), back.battery_temperature_c()), (Some(820.0), Some(-5.5)));
    for ((name, trace), (name_back, trace_back)) in capture.traces().iter().zip(back.traces()) {
        assert_eq!(name, name_back);
        assert_eq!(trace.to_f64(), trace_back.to_f64());
        assert_eq!(
            (trace.role(), trace.coupling(), trace.unit()),
            (trace_back.role(), trace_back.coupling(), trace_back.unit())
        );
        assert_eq!(trace.coupling_corner_hz(), trace_back.coupling_corner_hz());
    }
}

/// Found by fuzzing: the reader took a trace of such a name for a running number, and knew no roles any more.
#[test]
fn a_trace_may_be_named_like_a_running_number_or_a_time() {
    for (first, second) in [("Index", "Post"), ("post", "n"), ("Sample", "No."), ("time", "x"), ("#", "t (s)")] {
        let file = path("names.csv");
        let trace =
            |x: f64, role| Trace::from_f64(vec![x, x + 1.0, x + 2.0, x + 3.0], 5e4, Coupling::Dc, role).unwrap();
        let traces = vec![
            (first.to_owned(), trace(0.0, Role::ChargingPost)),
            (second.to_owned(), trace(9.0, Role::SpeedSensor)),
        ];
        let capture = Capture::new(traces).unwrap();
        csv::write(&file, &capture).unwrap();
        let back = sixpulse_io::read(&file, &Request::default());
        std::fs::remove_file(&file).unwrap();
        assert_eq!(back.as_ref(), Ok(&capture), "{first}, {second}");
    }
}

#[test]
fn nothing_is_left_of_a_failed_write() {
    let trace = Trace::from_f64(vec![1.0], 1.0, Coupling::Dc, Role::Other).unwrap();
    let capture = Capture::new(vec![("a".into(), trace)]).unwrap();
    let error = csv::write("/nonexistent/folder/x.csv", &capture).unwrap_err();
    assert_eq!(error.code(), "unwritable_file");
    assert_eq!(csv::write(std::env::temp_dir(), &capture).unwrap_err().code(), "unwritable_file");
}

/// A text table and what it must read as.
#[derive(Debug)]
struct Case {
    text: String,
    columns: Vec<Vec<f64>>,
    bytes: Vec<u8>,
}

prop_compose! {
    fn case()(
        columns in (1_usize..5, 2_usize..40).prop_flat_map(|(w, n)| prop::collection::vec(prop::collection::vec(-1e4_f64..1e4, n), w)),
        delimiter in prop::sample::select(vec![';', '\t', ',', '|']),
        comma in any::<bool>(),
        preamble in prop::collection::vec("[A-Za-z]{2,8}: [a-z ]{1,12}", 0..4),
        blank_line in any::<bool>(),
        trailing in any::<bool>(),
        line_end in prop::sample::select(vec!["\n", "\r\n", "\r"]),
        encoding in 0_u8..4,
    ) -> Case {
        let comma = comma && delimiter != ',';
        let mut text = String::new();
        for line in preamble {
            writeln!(text, "{line}").unwrap();
        }
        if blank_line {
            text.push('\n');
        }
        let mut line = |cells: Vec<String>| {
            text.push_str(&cells.join(&delimiter.to_string()));
            if trailing { text.push(delimiter); }
            text.push('\n');
        };
        line((0..columns.len()).map(|i| format!("chan {i} (V)")).collect());
        for row in 0..columns[0].len() {
            // The decimal mark is always there, so that no table is all whole numbers.
            let cell = |x: f64| format!("{x:?}").replace('.', if comma { "," } else { "." });
            line(columns.iter().map(|c| cell(c[row])).collect());
        }
        let text = text.replace('\n', line_end);
        let bytes = match encoding {
            0 => text.as_bytes().to_vec(),
            1 => [b"\xef\xbb\xbf", text.as_bytes()].concat(),
            2 => text.encode_utf16().flat_map(u16::to_le_bytes).collect(),
            _ => b"\xfe\xff".iter().copied().chain(text.encode_utf16().flat_map(u16::to_be_bytes)).collect(),
        };
        Case { text, columns, bytes }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn any_dialect_reads_back(case in case()) {
        let file = path("dialect.csv");
        std::fs::write(&file, &case.bytes).unwrap();
        let channels = (0..case.columns.len()).map(|i| Channel::new(format!("chan {i}").as_str(), Role::Other)).collect();
        let request = Request { coupling: Some(Coupling::Dc), sample_rate_hz: Some(1e4), ..Request::new(channels) };
        let capture = sixpulse_io::read(&file, &request);
        let capture = capture.unwrap_or_else(|e| panic!("{e}\n{}", case.text));
        for (column, (_, trace)) in case.columns.iter().zip(capture.traces()) {
            prop_assert_eq!(column, &trace.to_f64());
        }
    }

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..600), start in 0_usize..4) {
        survive(&bytes, start);
    }

    #[test]
    fn nearly_tables_never_panic(text in "([0-9,;.\t \"\r\n#()eE+-]|inf|NaN|Time|ms|Sample rate: |\u{b5}s){0,120}") {
        survive(text.as_bytes(), 0);
    }

    #[test]
    fn nearly_npy_never_panics(
        descr in "[<>|=]?[iufcSO][0-9]{0,2}",
        shape in "[0-9]{0,3},?[0-9]{0,20}",
        order in "True|False|1",
        data in prop::collection::vec(any::<u8>(), 0..64),
    ) {
        let header = format!("{{'descr': '{descr}', 'fortran_order': {order}, 'shape': ({shape}), }}\n");
        let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
        bytes.extend(u16::try_from(header.len()).unwrap().to_le_bytes());
        bytes.extend(header.as_bytes());
        bytes.extend(data);
        survive(&bytes, 0);
    }
}

/// Every reader takes the bytes, behind a signature of each format, and answers with a capture or one line.
fn survive(bytes: &[u8], start: usize) {
    let signature: &[u8] =
        [&b""[..], b"RIFF\x40\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00", b"\x93NUMPY\x01\x00", b"\xff\xfe"][start];
    let file = path("junk");
    std::fs::write(&file, [signature, bytes].concat()).unwrap();
    let request = Request {
        coupling: Some(Coupling::Dc),
        sample_rate_hz: Some(1e4),
        scale: Some(1.0),
        ..Request::new(vec![Channel::new(0, Role::Other)])
    };
    if let Err(error) = sixpulse_io::read(&file, &request) {
        assert!(!error.code().is_empty());
    }
}
