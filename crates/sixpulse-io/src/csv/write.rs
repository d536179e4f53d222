//! Writes a capture as text that [`super::read`] reads back without further statements.

use crate::error::{Error, Reason, Result};
use sixpulse::trace::BLOCK;
use sixpulse::{Capture, Samples, Trace};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Writes a capture as CSV: preamble lines (rate, coupling, roles, units), a header, a time column and the traces.
///
/// Numbers are printed with the digits that bring back the same `f64`. The file is whole or absent: it is written under
/// a temporary name in the same folder and renamed.
///
/// # Errors
/// `unwritable_file` with what the operating system said.
pub fn write(path: impl AsRef<Path>, capture: &Capture) -> Result<()> {
    let path = path.as_ref();
    let unwritable = |cause: String| Error::new(path, Reason::Unwritable { cause });
    if path.is_dir() {
        return Err(unwritable("this is a folder, not a file".into()));
    }
    let temporary = temporary_name(path);
    let written = write_whole(&temporary, capture).and_then(|()| std::fs::rename(&temporary, path));
    written.map_err(|cause| {
        // The temporary file is ours alone; that it may already be gone is no news.
        let _ = std::fs::remove_file(&temporary);
        unwritable(cause.to_string())
    })
}

fn temporary_name(path: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(format!(".{}.part", std::process::id()));
    path.with_file_name(name)
}

fn write_whole(path: &Path, capture: &Capture) -> std::io::Result<()> {
    let mut out = BufWriter::with_capacity(256 * 1024, std::fs::File::create_new(path)?);
    write_preamble(&mut out, capture)?;
    write_rows(&mut out, capture)?;
    out.flush()?;
    out.get_ref().sync_all()
}

fn write_preamble(out: &mut impl Write, capture: &Capture) -> std::io::Result<()> {
    writeln!(out, "sample_rate_hz,{:?}", capture.sample_rate_hz())?;
    if let Some(rpm) = capture.engine_rpm() {
        writeln!(out, "engine_rpm,{rpm:?}")?;
    }
    if let Some(celsius) = capture.battery_temperature_c() {
        writeln!(out, "battery_temperature_c,{celsius:?}")?;
    }
    let line = |word: &dyn Fn(&Trace) -> String| {
        capture.traces().iter().map(|(_, trace)| word(trace)).collect::<Vec<_>>().join(",")
    };
    writeln!(out, "coupling,{}", line(&|t| t.coupling().to_string()))?;
    if capture.traces().iter().any(|(_, t)| t.coupling_corner_hz().is_some()) {
        let corner = |t: &Trace| t.coupling_corner_hz().map_or("none".into(), |hz| format!("{hz:?}"));
        writeln!(out, "coupling_corner_hz,{}", line(&corner))?;
    }
    writeln!(out, "role,{}", line(&|t| t.role().to_string()))?;
    writeln!(out, "unit,{}", line(&|t| quoted(t.unit())))?;
    write!(out, "time (s)")?;
    for (name, _) in capture.traces() {
        write!(out, ",{}", quoted(name))?;
    }
    writeln!(out)
}

fn quoted(name: &str) -> String {
    let plain = |c: char| !matches!(c, ',' | '"' | '#' | '%') && !c.is_control();
    if !name.is_empty() && name.chars().all(plain) && name.trim() == name {
        return name.into();
    }
    let one_line: String = name.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    format!("\"{}\"", one_line.replace('"', "\"\""))
}

fn write_rows(out: &mut impl Write, capture: &Capture) -> std::io::Result<()> {
    let length = capture.traces().first().map_or(0, |(_, t)| t.len());
    let mut blocks = vec![[0.0; BLOCK]; capture.traces().len()];
    let mut start = 0;
    while start < length {
        let n = BLOCK.min(length - start);
        for (block, (_, trace)) in blocks.iter_mut().zip(capture.traces()) {
            trace.read(start, &mut block[..n]);
        }
        for i in 0..n {
            write!(out, "{:?}", (start + i) as f64 / capture.sample_rate_hz())?;
            for block in &blocks {
                write!(out, ",{:?}", block[i])?;
            }
            writeln!(out)?;
        }
        start += n;
    }
    Ok(())
}
