//! Which reader a file needs: told by its first bytes, and by its extension where those say nothing.

use crate::error::{Error, Reason, Result};
use crate::request::Request;
use sixpulse::Capture;
use std::io::Read;
use std::path::Path;

/// A kind of file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Format {
    /// Delimited text.
    Csv,
    /// RIFF/WAVE.
    Wav,
    /// One NumPy array.
    Npy,
    /// A ZIP container of NumPy arrays.
    Npz,
    /// Apache Parquet.
    Parquet,
    /// IEEE C37.111 (COMTRADE) configuration, data or combined file.
    Comtrade,
}

impl Format {
    /// The word used for it in messages and in Python.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Wav => "wav",
            Self::Npy => "npy",
            Self::Npz => "npz",
            Self::Parquet => "parquet",
            Self::Comtrade => "comtrade",
        }
    }
}

/// The kind of a file.
///
/// The first bytes decide where a format has a signature (`RIFF`, `\x93NUMPY`, `PK`, `PAR1`); a COMTRADE file is known
/// by its extension (`.cfg`, `.dat` beside a `.cfg`, `.cff`); everything else is taken as text, which its reader checks.
///
/// # Errors
/// `file_not_found`, `is_directory`, `file_unreadable`, `empty_file`; `unsupported_format` for a ZIP container that is
/// not NPZ by name.
pub fn detect(path: &Path) -> Result<Format> {
    let metadata = std::fs::metadata(path).map_err(|e| Error::io(path, "reading", &e))?;
    if metadata.is_dir() {
        return Err(Error::new(path, Reason::IsDirectory));
    }
    let mut head = Vec::with_capacity(8);
    let file = std::fs::File::open(path).map_err(|e| Error::io(path, "opening", &e))?;
    file.take(8).read_to_end(&mut head).map_err(|e| Error::io(path, "reading", &e))?;
    if head.is_empty() {
        return Err(Error::new(path, Reason::EmptyFile));
    }
    let extension = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    let by_signature = [(&b"RIFF"[..], Format::Wav), (&b"\x93NUMPY"[..], Format::Npy), (&b"PAR1"[..], Format::Parquet)];
    if let Some((_, format)) = by_signature.iter().find(|(signature, _)| head.starts_with(signature)) {
        return Ok(*format);
    }
    if head.starts_with(b"PK\x03\x04") || head.starts_with(b"PK\x05\x06") {
        return match extension.as_str() {
            "npz" => Ok(Format::Npz),
            _ => Err(Error::new(
                path,
                Reason::UnsupportedFormat { detail: "a ZIP container (a workbook?); export as CSV".into() },
            )),
        };
    }
    match extension.as_str() {
        "cfg" | "cff" => Ok(Format::Comtrade),
        "dat" if ["cfg", "CFG", "Cfg"].iter().any(|e| path.with_extension(e).is_file()) => Ok(Format::Comtrade),
        "wav" | "npy" | "npz" | "parquet" => Err(Error::new(
            path,
            Reason::Damaged {
                format: extension.clone(),
                detail: "its first bytes are not those of this format".into(),
            },
        )),
        _ => Ok(Format::Csv),
    }
}

/// Reads a capture from a CSV, WAV or NPY file.
///
/// # Errors
/// As [`detect`], the format's own reader and [`crate::Recording::into_capture`]; `unsupported_format` for the formats
/// that the Python package reads and this crate does not (NPZ, Parquet, COMTRADE).
pub fn read(path: impl AsRef<Path>, request: &Request) -> Result<Capture> {
    let path = path.as_ref();
    match detect(path)? {
        #[cfg(feature = "csv")]
        Format::Csv => crate::csv::read(path, request, None)?.into_capture(request),
        #[cfg(feature = "wav")]
        Format::Wav => crate::wav::read(path)?.into_capture(request),
        #[cfg(feature = "npy")]
        Format::Npy => crate::npy::read(path)?.into_capture(request),
        other => {
            let detail = format!("{} is not read by this build of the crate", other.as_str());
            Err(Error::new(path, Reason::UnsupportedFormat { detail }))
        }
    }
}
