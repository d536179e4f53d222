//! Delimited text in the shapes that instruments export, and the files that must be refused.
#![allow(clippy::unwrap_used, clippy::panic, reason = "tests state expectations by unwrapping")]

use sixpulse::{Capture, Coupling, Role};
use sixpulse_io::csv::{self, CsvDialect, Hints};
use sixpulse_io::{Channel, ColumnKey, Error, Request};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};

static FILES: AtomicU32 = AtomicU32::new(0);

/// A file of its own for every call, removed at the end.
struct Temporary(PathBuf);

impl Temporary {
    fn new(bytes: impl AsRef<[u8]>) -> Self {
        let number = FILES.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("sixpulse-io-{}-{number}.csv", std::process::id()));
        std::fs::write(&path, bytes).unwrap();
        Self(path)
    }
}

impl Drop for Temporary {
    fn drop(&mut self) {
        std::fs::remove_file(&self.0).ok();
    }
}

fn request(columns: &[ColumnKey]) -> Request {
    let channels = columns.iter().map(|key| Channel::new(key.clone(), Role::ChargingPost)).collect();
    Request { coupling: Some(Coupling::Dc), ..Request::new(channels) }
}

fn read(text: impl AsRef<[u8]>, columns: &[&str], rate: Option<f64>) -> Result<Capture, Error> {
    let file = Temporary::new(text);
    let keys: Vec<ColumnKey> = columns.iter().map(|&name| name.into()).collect();
    let request = Request { sample_rate_hz: rate, ..request(&keys) };
    sixpulse_io::read(&file.0, &request)
}

fn dialect(text: impl AsRef<[u8]>) -> CsvDialect {
    let file = Temporary::new(text);
    csv::sniff(&file.0, &Hints::default()).unwrap()
}

fn values(capture: &Capture) -> Vec<Vec<f64>> {
    capture.traces().iter().map(|(_, trace)| trace.to_f64()).collect()
}

/// (code, row, column) of the refusal.
fn refusal(text: impl AsRef<[u8]>, columns: &[&str], rate: Option<f64>) -> (&'static str, Option<u64>, Option<String>) {
    let error = read(text, columns, rate).unwrap_err();
    assert!(!error.to_string().contains('\n'), "{error}");
    (error.code(), error.row(), error.column().map(str::to_owned))
}

#[test]
fn plain_table_with_time() {
    let capture = read("Time,CH1,CH2\n0.0,14.1,1\n0.001,14.2,2\n0.002,14.3,3\n", &["CH1", "CH2"], None).unwrap();
    assert_eq!(capture.sample_rate_hz(), 1000.0);
    assert_eq!(values(&capture), [[14.1, 14.2, 14.3], [1.0, 2.0, 3.0]]);
}

#[test]
fn preamble_semicolons_decimal_comma_and_units_row() {
    let text = "Instrument;bench scope\r\nSample interval;2,0E-05;s\r\nCoupling;DC\r\n\r\nTime;Post;Sensor\r\nms;V;mV\r\n0,00;14,1;250,0\r\n0,02;14,2;-250,0\r\n";
    let capture = read(text, &["Post", "Sensor"], None).unwrap();
    assert_eq!(capture.sample_rate_hz(), 50_000.0);
    assert_eq!(values(&capture), [[14.1, 14.2], [0.25, -0.25]]);
    let dialect = dialect(text);
    assert_eq!((dialect.header_row, dialect.units_row, dialect.first_data_row), (Some(5), Some(6), 7));
    assert_eq!((dialect.delimiter, dialect.decimal, dialect.rate_row), (';', ',', Some(2)));
}

#[test]
fn units_in_the_header_with_prefixes() {
    let capture = read("t [us]\tpost (kV)\n0\t0.0141\n10\t0.0142\n20\t0.0143\n", &["post"], None).unwrap();
    assert!((capture.sample_rate_hz() - 1e5).abs() < 1e-6);
    for (value, expected) in values(&capture)[0].iter().zip([14.1, 14.2, 14.3]) {
        // One multiplication by the prefix: one rounding.
        assert!((value - expected).abs() <= 4.0 * f64::EPSILON * expected);
    }
}

#[test]
fn header_cell_and_position_name_the_same_column() {
    let text = "t (s),CH1 (V)\n0,1\n0.5,2\n1,3\n";
    let by_cell = read(text, &["CH1 (V)"], None).unwrap();
    let by_digits = read(text, &["1"], None).unwrap();
    assert_eq!(values(&by_cell), values(&by_digits));
    assert_eq!(by_digits.traces()[0].0, "CH1");
}

#[test]
fn interval_in_columns_of_its_own() {
    let text =
        "X,CH1,CH2,Start,Increment\nSequence,Volt,Volt,-5.0e-3,1.0e-5\n0,14.1,1.0,,\n1,14.2,2.0,,\n2,14.3,3.0,,\n";
    let capture = read(text, &["CH2"], None).unwrap();
    assert!((capture.sample_rate_hz() - 1e5).abs() < 1e-6);
    assert_eq!(values(&capture), [[1.0, 2.0, 3.0]]);
}

#[test]
fn encodings_and_line_ends() {
    let text = "Zeit (\u{b5}s);Post (V)\n0;14,1\n10;14,2\n20;14,3\n";
    let utf16 = |bytes: fn(u16) -> [u8; 2]| -> Vec<u8> { text.encode_utf16().flat_map(bytes).collect() };
    let with = |mark: &[u8], body: &[u8]| [mark, body].concat();
    let latin1: Vec<u8> = text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
    let variants = [
        text.as_bytes().to_vec(),
        with(b"\xef\xbb\xbf", text.as_bytes()),
        with(b"\xff\xfe", &utf16(u16::to_le_bytes)),
        with(b"\xfe\xff", &utf16(u16::to_be_bytes)),
        utf16(u16::to_le_bytes),
        utf16(u16::to_be_bytes),
        latin1,
        text.replace('\n', "\r\n").into_bytes(),
        text.replace('\n', "\r").into_bytes(),
        text.trim_end().as_bytes().to_vec(),
    ];
    for (i, bytes) in variants.into_iter().enumerate() {
        let capture = read(bytes, &["Post"], None).unwrap_or_else(|e| panic!("variant {i}: {e}"));
        assert!((capture.sample_rate_hz() - 1e5).abs() < 1e-6, "variant {i}");
        assert_eq!(values(&capture), [[14.1, 14.2, 14.3]], "variant {i}");
    }
}

#[test]
fn quoted_fields_trailing_delimiters_and_blanks() {
    let quoted = read("\"t\",\"U, post\"\n\"0\",\"1,5\"\n\"1\",\"2,5\"\n", &["U, post"], Some(1.0)).unwrap();
    assert_eq!(values(&quoted), [[1.5, 2.5]]);
    let trailing = read("t,U,\n0,1.5,\n1,2.5,\n", &["U"], None).unwrap();
    assert_eq!(values(&trailing), [[1.5, 2.5]]);
    let blanks =
        read("  time (s)   post (V)\n   0.0   1.5\n   0.1  -2.5\n\n   0.2   3.5  \n", &["post"], None).unwrap();
    assert_eq!(values(&blanks), [[1.5, -2.5, 3.5]]);
    assert!((blanks.sample_rate_hz() - 10.0).abs() < 1e-9);
}

#[test]
fn no_header() {
    let capture = read("0.0,14.1\n0.1,14.2\n0.2,14.3\n0.3,14.4\n", &["1"], None).unwrap();
    assert!((capture.sample_rate_hz() - 10.0).abs() < 1e-9);
    assert_eq!(capture.traces()[0].0, "column_1");
    // A running number is no time.
    assert_eq!(refusal("0,14.1\n1,14.2\n2,14.3\n3,14.4\n", &["1"], None).0, "rate_unknown");
}

#[test]
fn one_column() {
    let capture = read("U (mV)\n14100\n14200\n", &["U"], Some(1e4)).unwrap();
    assert_eq!(values(&capture)[0], [14.1, 14.200000000000001]);
    let comma = read("U\n14,1\n14,2\n", &["U"], Some(1e4)).unwrap();
    assert_eq!(values(&comma), [[14.1, 14.2]]);
}

#[test]
fn what_can_be_read_in_two_ways_is_refused_until_decided() {
    let file = Temporary::new("14,1\n14,2\n14,3\n");
    assert_eq!(csv::sniff(&file.0, &Hints::default()).unwrap_err().code(), "ambiguous_dialect");
    let comma = csv::sniff(&file.0, &Hints { decimal: Some(','), ..Hints::default() }).unwrap();
    assert_eq!(comma.columns.len(), 1);
    let point = csv::sniff(&file.0, &Hints { delimiter: Some(','), decimal: Some('.'), ..Hints::default() }).unwrap();
    assert_eq!(point.columns.len(), 2);
}

#[test]
fn refusals_name_the_place() {
    let head = "t,CH1,CH2\n0,1,1\n1,2,2\n2,3,3\n";
    let ch1 = || Some("CH1".to_owned());
    for (line, code, row, column) in [
        ("3,***,4", "over_range", Some(5), ch1()),
        ("3,-inf,4", "over_range", Some(5), ch1()),
        ("3,OL,4", "over_range", Some(5), ch1()),
        ("3,1e999,4", "over_range", Some(5), ch1()),
        ("3,---,4", "missing_value", Some(5), ch1()),
        ("3,NaN,4", "missing_value", Some(5), ch1()),
        ("3,,4", "missing_value", Some(5), ch1()),
        ("3,abc,4", "bad_row", Some(5), ch1()),
        ("3,4", "bad_row", Some(5), None),
        ("3,4,4,4", "bad_row", Some(5), None),
        ("\n\n3,x,4", "bad_row", Some(7), ch1()),
    ] {
        let text = format!("{head}{line}\n4,5,5\n5,6,6\n");
        assert_eq!(refusal(&text, &["CH1"], None), (code, row, column.clone()), "{line}");
        let crlf = text.replace('\n', "\r\n");
        assert_eq!(refusal(&crlf, &["CH1"], None), (code, row, column), "{line} with CRLF");
    }
    // What was not asked for is not judged.
    assert!(read(format!("{head}3,4,abc\n4,5,5\n"), &["CH1"], None).is_ok());
}

#[test]
fn refusals_of_whole_files() {
    assert_eq!(refusal("", &["a"], None).0, "empty_file");
    assert_eq!(refusal("\n\n", &["a"], None).0, "no_numbers");
    assert_eq!(refusal("words and\nmore words, many\n", &["a"], None).0, "no_numbers");
    assert_eq!(refusal(b"\x00\x01\x02\xff\xfejunk\x00\x07", &["a"], None).0, "not_text");
    assert_eq!(refusal("a,b\n1,2\n", &["c"], Some(1.0)).0, "unknown_column");
    assert_eq!(refusal("a,a\n1,2\n", &["a"], Some(1.0)).0, "ambiguous_column");
    assert_eq!(refusal("a,b\n1,2\n", &[], Some(1.0)).0, "roles_unknown");
    assert_eq!(refusal("t,b\n1,2\n2,3\n", &["t"], None).0, "time_column");
    assert_eq!(refusal("t,b\n1,2\n", &["b"], None).0, "rate_unknown");
    assert_eq!(refusal("a,b\n1,2\n1,3\n", &["b"], None).0, "rate_unknown");
    assert_eq!(refusal("t,b\n0,2\n1,3\n2,3\n4,3\n5,3\n", &["b"], None).0, "non_uniform_time");
    assert_eq!(refusal("t,b\n0,2\n1,3\n2,3\n", &["b"], Some(1.002)).0, "rate_conflict");
    assert_eq!(refusal("Sample rate: 5 Hz\nt,b\n0,2\n1,3\n2,3\n", &["b"], None).0, "rate_conflict");
    // A row without any value is a row, not the names of the columns; a row of dashes may be the units.
    for mark in ["NaN", "nan", "N/A", "OL"] {
        let code = if mark == "OL" { "over_range" } else { "missing_value" };
        let (found, row, column) = refusal(format!("post\n{mark}\n14.1\n14.2\n14.3\n"), &["post"], Some(1e3));
        assert_eq!((found, row, column.as_deref()), (code, Some(2), Some("post")), "{mark}");
        let two = format!("post,speed\n{mark},{mark}\n14.1,0.1\n14.2,0.2\n");
        assert_eq!(refusal(&two, &["speed"], Some(1e3)).0, code, "{mark}");
    }
    assert!(read("post\n---\n14.1\n14.2\n", &["---"], Some(1e3)).is_ok());
    // A quote left open in the header keeps to its line.
    assert_eq!(refusal("\"open,1\n1,2\n", &["b"], None).0, "unknown_column");
    let missing = sixpulse_io::read("/nonexistent/x.csv", &request(&["a".into()])).unwrap_err();
    assert_eq!(missing.code(), "file_not_found");
    let folder = sixpulse_io::read(std::env::temp_dir(), &request(&["a".into()])).unwrap_err();
    assert_eq!(folder.code(), "is_directory");
}

#[test]
fn limits_hold() {
    let wide = vec!["1"; csv::MAX_COLUMNS + 2].join(";");
    assert!(["no_numbers", "limit_exceeded"].contains(&refusal(&wide, &["0"], Some(1.0)).0));
    let long = "1".repeat(csv::HEAD_BYTES + 10);
    assert_eq!(refusal(&long, &["0"], Some(1.0)).0, "limit_exceeded");
    let late = format!("a;b\n{}1;\"{}", "1;2\n".repeat(csv::HEAD_BYTES / 4 + 1), "x".repeat(csv::MAX_ROW_BYTES + 1));
    let (code, row, _) = refusal(late, &["a"], Some(1.0));
    assert_eq!((code, row), ("limit_exceeded", Some(csv::HEAD_BYTES as u64 / 4 + 3)));
}

#[test]
fn units_and_roles_must_suit() {
    let file = Temporary::new("t (s),I (V)\n0,0.1\n1,0.2\n");
    let mut request = request(&["I".into()]);
    request.channels[0].role = Role::ChargingCurrent;
    assert_eq!(sixpulse_io::read(&file.0, &request).unwrap_err().code(), "unit_conflict");
    // A clamp of 100 mV/A: 10 A per volt.
    request.channels[0].scale = Some(10.0);
    let capture = sixpulse_io::read(&file.0, &request).unwrap();
    assert_eq!(capture.traces()[0].1.unit(), "A");
    assert_eq!(values(&capture), [[1.0, 2.0]]);
    request.channels[0].unit = Some("mA".into());
    assert_eq!(sixpulse_io::read(&file.0, &request).unwrap_err().code(), "unit_conflict");
    request.coupling = None;
    assert_eq!(sixpulse_io::read(&file.0, &request).unwrap_err().code(), "coupling_unknown");
}

#[test]
fn a_dialect_is_reused_and_checked() {
    let first = Temporary::new("Sample rate: 100 Hz\nCH1,CH2\n1.5,2\n3.5,4\n");
    let second = Temporary::new("Sample rate: 200 Hz\nCH1,CH2\n5.5,6\n7.5,8\n");
    let other = Temporary::new("Sample rate: 200 Hz\nCH1,CH3\n5.5,6\n7.5,8\n");
    let short = Temporary::new("Sample rate: 200 Hz\n");
    let dialect = csv::sniff(&first.0, &Hints::default()).unwrap();
    let request = request(&["CH1".into()]);
    let read = |file: &Temporary| csv::read(&file.0, &request, Some(&dialect)).and_then(|r| r.into_capture(&request));
    // The rate is the file's own, not the one of the file the dialect comes from.
    assert_eq!(read(&second).unwrap().sample_rate_hz(), 200.0);
    assert_eq!(read(&other).unwrap_err().code(), "dialect_mismatch");
    assert_eq!(read(&short).unwrap_err().code(), "dialect_mismatch");
    assert!(dialect.to_string().contains("column names in row 2"), "{dialect}");
}
