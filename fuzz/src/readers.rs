//! Files from strangers: bytes are written to a file, since that is what the readers take.
use arbitrary::Unstructured;
use sixpulse::{Capture, Coupling, Role, Samples};
use sixpulse_io::csv::Hints;
use sixpulse_io::{Channel, Request, csv};
use std::path::{Path, PathBuf};

/// A file of this process, in memory where the system has such a place.
fn with_file(ending: &str, bytes: &[u8], work: impl FnOnce(&Path)) {
    let folder = Path::new("/dev/shm");
    let folder = if folder.is_dir() { folder.to_owned() } else { std::env::temp_dir() };
    let path: PathBuf = folder.join(format!("sixpulse-fuzz-{}.{ending}", std::process::id()));
    std::fs::write(&path, bytes).expect("a place for temporary files");
    work(&path);
    let _ = std::fs::remove_file(&path);
}

/// Requests that ask little and much of a file.
fn requests() -> [Request; 3] {
    let mut stated = Request::new(vec![Channel::new(0, Role::ChargingPost), Channel::new(1, Role::SpeedSensor)]);
    stated.sample_rate_hz = Some(50_000.0);
    stated.coupling = Some(Coupling::Dc);
    stated.scale = Some(1e-3);
    let mut named = Request::new(vec![Channel::new("post", Role::ChargingPost)]);
    named.coupling = Some(Coupling::Ac);
    [Request::default(), stated, named]
}

/// What was read is a valid capture, and survives being written and read again.
fn check(capture: &Capture) {
    for (_, trace) in capture.traces() {
        assert!(!trace.is_empty() && trace.to_f64().iter().all(|v| v.is_finite()));
    }
    if capture.traces().iter().map(|(_, t)| t.len()).sum::<usize>() > 4000 {
        return;
    }
    with_file("again.csv", b"", |path| {
        if csv::write(path, capture).is_ok() {
            let back = sixpulse_io::read(path, &Request::default()).expect("what was written is read");
            for ((_, trace), (_, again)) in capture.traces().iter().zip(back.traces()) {
                assert_eq!(trace.to_f64(), again.to_f64());
                assert_eq!((trace.role(), trace.coupling()), (again.role(), again.coupling()));
            }
        }
    });
}

/// Delimited text, or whatever the bytes say they are.
pub fn read_csv(data: &[u8]) {
    // One request a file: a reading costs a megabyte of fresh memory, and executions are what counts here.
    let request = &requests()[data.len() % 3];
    with_file("csv", data, |path| {
        if let Ok(capture) = csv::read(path, request, None).and_then(|r| r.into_capture(request)) {
            check(&capture);
            let _ = sixpulse_io::read(path, request);
        }
    });
}

/// Delimited text with hints of the caller's, or with a dialect that was saved.
pub fn read_csv_with_hints(data: &[u8]) {
    let mut u = Unstructured::new(data);
    let Ok((encoding, delimiter, decimal, edited)) = u.arbitrary::<(u8, Option<char>, Option<char>, bool)>() else {
        return;
    };
    let words = ["utf-8", "utf-16le", "utf-16be", "windows-1252"];
    let encoding = words.get(usize::from(encoding) % 6).and_then(|word| word.parse().ok());
    let hints = Hints { encoding, delimiter, decimal };
    let numbers: [u8; 3] = u.arbitrary().unwrap_or_default();
    with_file("csv", u.take_rest(), |path| {
        let Ok(mut dialect) = csv::sniff(path, &hints) else { return };
        crate::input::survives_json(&dialect);
        if edited {
            // A saved dialect may have been edited, or belong to another file.
            dialect.first_data_row = u64::from(numbers[0]);
            dialect.header_row = Some(u64::from(numbers[1]));
            dialect.units_row = Some(u64::from(numbers[2]));
        }
        for request in requests() {
            if let Ok(capture) = csv::read(path, &request, Some(&dialect)).and_then(|r| r.into_capture(&request)) {
                check(&capture);
            }
        }
    });
}

/// RIFF/WAVE.
pub fn read_wav(data: &[u8]) {
    with_file("wav", data, |path| {
        for request in requests() {
            if let Ok(capture) = sixpulse_io::wav::read(path).and_then(|r| r.into_capture(&request)) {
                check(&capture);
            }
        }
    });
}

/// NumPy arrays.
pub fn read_npy(data: &[u8]) {
    with_file("npy", data, |path| {
        for request in requests() {
            if let Ok(capture) = sixpulse_io::npy::read(path).and_then(|r| r.into_capture(&request)) {
                check(&capture);
            }
        }
    });
}
