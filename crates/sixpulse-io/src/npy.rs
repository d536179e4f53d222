//! NumPy array files (`.npy`, format versions 1.0 to 3.0), streamed column by column.
//!
//! The header is read by a parser of its own for the one dictionary the format allows: a general literal parser would
//! recurse as deep as a hostile header asks.

use crate::error::{Error, Reason, Result};
use crate::recording::{Column, Recording, Scaling};
use sixpulse::RawSamples;
use std::io::{BufReader, Read};
use std::path::Path;

const MAGIC: &[u8] = b"\x93NUMPY";
/// Longest header accepted; NumPy itself refuses more than 10 000 bytes.
const MAX_HEADER: usize = 10_000;
/// The most columns a two-dimensional array may have.
const MAX_COLUMNS: usize = 4096;

/// Reads an NPY file: a one-dimensional array is one column, a two-dimensional one has its traces in columns (second
/// axis). Columns are named `column_0`, `column_1` ... after their positions.
///
/// 8- and 16-bit integers stay counts, wider ones become `f64`; all integers need a `scale` in the request. `float32`
/// and `float64` are taken as values in the trace's unit. The file states no sample rate.
///
/// # Errors
/// `damaged_file`, `unsupported_format` (other types, more than two axes), `limit_exceeded`, `empty_file`, and what
/// opening a file can meet.
///
/// ```
/// # let path = std::env::temp_dir().join(format!("sixpulse-doc-{}.npy", std::process::id()));
/// # let mut bytes = b"\x93NUMPY\x01\x00\x46\x00{'descr': '<i2', 'fortran_order': False, 'shape': (3,), }            \n".to_vec();
/// # for x in [100_i16, 101, 99] { bytes.extend(x.to_le_bytes()); }
/// # std::fs::write(&path, bytes)?;
/// use sixpulse::{Coupling, Role};
/// use sixpulse_io::{Channel, Request, npy};
/// let mut request = Request::new(vec![Channel::new(0, Role::ChargingPost)]);
/// request.coupling = Some(Coupling::Dc);
/// request.sample_rate_hz = Some(50_000.0);
/// request.scale = Some(0.14); // volts per count
/// let capture = npy::read(&path)?.into_capture(&request)?;
/// assert_eq!(capture.traces()[0].1.to_f64()[0], 14.000000000000002);
/// # std::fs::remove_file(&path)?;
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn read(path: impl AsRef<Path>) -> Result<Recording> {
    let path = path.as_ref();
    let io = |e: &std::io::Error| match e.kind() {
        std::io::ErrorKind::UnexpectedEof => damaged(path, "it ends too early"),
        _ => Error::io(path, "reading", e),
    };
    let file = std::fs::File::open(path).map_err(|e| Error::io(path, "opening", &e))?;
    let length = file.metadata().map_err(|e| io(&e))?.len();
    let mut input = BufReader::with_capacity(256 * 1024, file);
    let (text, offset) = header_text(&mut input).map_err(|e| io(&e))?.map_err(|detail| damaged(path, detail))?;
    let header = Header::parse(&text).map_err(|detail| damaged(path, &detail))?;
    let (rows, width) = header.rows_and_columns(path)?;
    let kind = Kind::parse(path, &header.descr)?;
    check_length(path, length.saturating_sub(offset), rows, width, kind.size)?;
    let columns = read_columns(&mut input, kind, rows, width, header.fortran_order).map_err(|e| io(&e))?;
    let scaling = if kind.letter == b'f' { Scaling::Units } else { Scaling::Counts };
    let columns = columns.into_iter().enumerate();
    Ok(Recording {
        path: path.to_owned(),
        columns: columns.map(|(i, s)| Column::new(i, &format!("column_{i}"), s, scaling)).collect(),
        rates: Vec::new(),
        engine_rpm: None,
        battery_temperature_c: None,
    })
}

fn damaged(path: &Path, detail: &str) -> Error {
    Error::new(path, Reason::Damaged { format: "NPY".into(), detail: detail.into() })
}

/// The header's text and the offset of the data; the inner error says what is wrong with it.
fn header_text(input: &mut impl Read) -> std::io::Result<std::result::Result<(String, u64), &'static str>> {
    let mut start = [0; 8];
    input.read_exact(&mut start)?;
    if !start.starts_with(MAGIC) {
        return Ok(Err("its first bytes are not those of this format"));
    }
    let (length, prefix) = match start[6] {
        1 => {
            let mut bytes = [0; 2];
            input.read_exact(&mut bytes)?;
            (usize::from(u16::from_le_bytes(bytes)), 10)
        }
        2 | 3 => {
            let mut bytes = [0; 4];
            input.read_exact(&mut bytes)?;
            (u32::from_le_bytes(bytes) as usize, 12)
        }
        _ => return Ok(Err("its format version is none of 1, 2, 3")),
    };
    if length > MAX_HEADER {
        return Ok(Err("its header is longer than 10000 bytes"));
    }
    let mut text = vec![0; length];
    input.read_exact(&mut text)?;
    Ok(match String::from_utf8(text) {
        Ok(text) => Ok((text, (prefix + length) as u64)),
        Err(_) => Err("its header is not text"),
    })
}

/// The three entries of the header's dictionary.
#[derive(Debug, Clone, PartialEq)]
struct Header {
    descr: String,
    fortran_order: bool,
    shape: Vec<u64>,
}

impl Header {
    fn parse(text: &str) -> std::result::Result<Self, String> {
        let value = |key: &str| {
            let quoted = [format!("'{key}':"), format!("\"{key}\":")];
            let at = quoted.iter().find_map(|q| text.find(q.as_str()).map(|at| at + q.len()));
            at.map(|at| text[at..].trim_start()).ok_or_else(|| format!("its header has no {key}"))
        };
        let descr = value("descr")?;
        let mark = descr.chars().next().filter(|c| matches!(c, '\'' | '"')).ok_or("a record type is not read")?;
        let descr = descr[1..].split(mark).next().unwrap_or_default().to_owned();
        let order = value("fortran_order")?;
        let fortran_order = match () {
            () if order.starts_with("True") => true,
            () if order.starts_with("False") => false,
            () => return Err("its fortran_order is neither True nor False".into()),
        };
        let shape = value("shape")?;
        let inner = shape.strip_prefix('(').and_then(|s| s.split_once(')')).ok_or("its shape is no tuple")?.0;
        let sizes = inner.split(',').map(|s| s.trim().trim_end_matches('L')).filter(|s| !s.is_empty());
        let shape = sizes.map(str::parse).collect::<std::result::Result<Vec<u64>, _>>();
        Ok(Self { descr, fortran_order, shape: shape.map_err(|_| "its shape is no tuple of sizes")? })
    }

    fn rows_and_columns(&self, path: &Path) -> Result<(usize, usize)> {
        let (rows, width) = match self.shape[..] {
            [rows] => (rows, 1),
            [rows, width] => (rows, width),
            _ => {
                let detail = format!("an array of {} axes; one or two are read", self.shape.len());
                return Err(Error::new(path, Reason::UnsupportedFormat { detail }));
            }
        };
        if rows == 0 || width == 0 {
            return Err(Error::new(path, Reason::EmptyFile));
        }
        if width > MAX_COLUMNS as u64 {
            let detail = format!("{width} columns, more than {MAX_COLUMNS}; traces stand in columns, samples in rows");
            return Err(Error::new(path, Reason::LimitExceeded { detail }));
        }
        let rows = usize::try_from(rows).map_err(|_| damaged(path, "its shape is larger than any file"))?;
        Ok((rows, usize::try_from(width).unwrap_or(MAX_COLUMNS)))
    }
}

/// The shape must account for every byte, before anything of that size is allocated.
fn check_length(path: &Path, actual: u64, rows: usize, width: usize, size: usize) -> Result<()> {
    let expected = rows.checked_mul(width).and_then(|n| n.checked_mul(size)).map(|n| n as u64);
    match expected {
        Some(expected) if expected == actual => Ok(()),
        Some(expected) => Err(damaged(path, &format!("{actual} bytes of data, its header promises {expected}"))),
        None => Err(damaged(path, "its shape is larger than any file")),
    }
}

/// An element type: `i`, `u` or `f`, its size in bytes, and the byte order.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Kind {
    letter: u8,
    size: usize,
    big_endian: bool,
}

impl Kind {
    fn parse(path: &Path, descr: &str) -> Result<Self> {
        let known = |letter: u8, size: usize| match letter {
            b'i' | b'u' => matches!(size, 1 | 2 | 4 | 8),
            b'f' => matches!(size, 4 | 8),
            _ => false,
        };
        if let [order @ (b'<' | b'>' | b'|' | b'='), letter, digit @ b'1'..=b'8'] = *descr.as_bytes()
            && known(letter, usize::from(digit - b'0'))
        {
            return Ok(Self { letter, size: usize::from(digit - b'0'), big_endian: order == b'>' });
        }
        let detail = format!("elements of type \"{descr}\"; integers, float32 and float64 are read");
        Err(Error::new(path, Reason::UnsupportedFormat { detail }))
    }

    /// The bytes of one element, low byte first, widened to eight.
    fn ordered(self, element: &[u8]) -> [u8; 8] {
        let mut bytes = [0; 8];
        bytes.iter_mut().zip(element).for_each(|(to, &from)| *to = from);
        if self.big_endian {
            bytes[..element.len().min(8)].reverse();
        }
        bytes
    }

    fn integer(self, element: &[u8]) -> f64 {
        let raw = u64::from_le_bytes(self.ordered(element));
        let unused = 64 - 8 * self.size as u32;
        if self.letter == b'i' { (((raw << unused) as i64) >> unused) as f64 } else { raw as f64 }
    }
}

/// Count of an unsigned 16-bit zero, so that the whole range fits a signed one.
const U16_OFFSET: f64 = 32_768.0;

fn read_columns(
    input: &mut impl Read,
    kind: Kind,
    rows: usize,
    width: usize,
    fortran: bool,
) -> std::io::Result<Vec<RawSamples>> {
    let Kind { letter, size, .. } = kind;
    let counts = |offset: f64| move |counts| RawSamples::I16 { counts, scale: 1.0, offset };
    let columns = match (letter, size) {
        (b'f', 4) => {
            let value = |e: &[u8]| f32::from_bits(u64::from_le_bytes(kind.ordered(e)) as u32);
            split(input, size, rows, width, fortran, value)?.into_iter().map(RawSamples::F32).collect()
        }
        (b'f', _) => {
            let value = |e: &[u8]| f64::from_le_bytes(kind.ordered(e));
            split(input, size, rows, width, fortran, value)?.into_iter().map(RawSamples::F64).collect()
        }
        (b'u', 2) => {
            let value = |e: &[u8]| (kind.integer(e) - U16_OFFSET) as i16;
            split(input, size, rows, width, fortran, value)?.into_iter().map(counts(U16_OFFSET)).collect()
        }
        (_, 1 | 2) => {
            let value = |e: &[u8]| kind.integer(e) as i16;
            split(input, size, rows, width, fortran, value)?.into_iter().map(counts(0.0)).collect()
        }
        _ => {
            let value = |e: &[u8]| kind.integer(e);
            split(input, size, rows, width, fortran, value)?.into_iter().map(RawSamples::F64).collect()
        }
    };
    Ok(columns)
}

/// Elements by column, from either memory order.
fn split<T>(
    input: &mut impl Read,
    size: usize,
    rows: usize,
    width: usize,
    fortran: bool,
    value: impl Fn(&[u8]) -> T,
) -> std::io::Result<Vec<Vec<T>>> {
    let mut columns: Vec<Vec<T>> = (0..width).map(|_| Vec::with_capacity(rows)).collect();
    let mut row = vec![0; if fortran { size } else { size * width }];
    if fortran {
        for column in &mut columns {
            for _ in 0..rows {
                input.read_exact(&mut row)?;
                column.push(value(&row));
            }
        }
    } else {
        for _ in 0..rows {
            input.read_exact(&mut row)?;
            columns.iter_mut().zip(row.chunks_exact(size)).for_each(|(column, element)| column.push(value(element)));
        }
    }
    Ok(columns)
}
