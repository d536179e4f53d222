//! The head of a text file as lines of characters, and the encoding it is in.

use super::{Encoding, HEAD_BYTES, LineEnd};
use crate::error::{Error, Reason, Result};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

/// The head of a file, decoded and split into lines.
pub(super) struct Head {
    pub(super) encoding: Encoding,
    pub(super) line_end: LineEnd,
    pub(super) lines: Vec<String>,
    pub(super) has_bom: bool,
}

/// Reads and decodes the head; an encoding given by the caller is not questioned.
pub(super) fn read_head(path: &Path, given: Option<Encoding>) -> Result<Head> {
    let bytes = read_bytes(path)?;
    if bytes.is_empty() {
        return Err(Error::new(path, Reason::EmptyFile));
    }
    let truncated = bytes.len() == HEAD_BYTES;
    let bom = bom(&bytes);
    let encoding = match given.or(bom.map(|(encoding, _)| encoding)) {
        Some(encoding) => encoding,
        None => guess_encoding(&bytes, truncated),
    };
    let skip = bom.map_or(0, |(_, length)| length);
    let text = decode(&bytes[skip..], encoding);
    check_text(path, &text)?;
    let line_end = if text.contains('\n') || !text.contains('\r') { LineEnd::Lf } else { LineEnd::Cr };
    let lines = split_lines(path, &text, line_end, truncated)?;
    Ok(Head { encoding, line_end, lines, has_bom: bom.is_some() })
}

fn read_bytes(path: &Path) -> Result<Vec<u8>> {
    let metadata = std::fs::metadata(path).map_err(|e| Error::io(path, "reading", &e))?;
    if metadata.is_dir() {
        return Err(Error::new(path, Reason::IsDirectory));
    }
    let file = std::fs::File::open(path).map_err(|e| Error::io(path, "opening", &e))?;
    let mut bytes = Vec::new();
    file.take(HEAD_BYTES as u64).read_to_end(&mut bytes).map_err(|e| Error::io(path, "reading", &e))?;
    Ok(bytes)
}

/// Byte-order mark: the encoding it states and its length.
fn bom(bytes: &[u8]) -> Option<(Encoding, usize)> {
    [
        (&b"\xef\xbb\xbf"[..], Encoding::Utf8),
        (&b"\xff\xfe"[..], Encoding::Utf16Le),
        (&b"\xfe\xff"[..], Encoding::Utf16Be),
    ]
    .into_iter()
    .find(|(mark, _)| bytes.starts_with(mark))
    .map(|(mark, encoding)| (encoding, mark.len()))
}

/// UTF-16 without mark shows zero bytes on one side of nearly every character; what is no valid UTF-8 is Windows-1252.
fn guess_encoding(bytes: &[u8], truncated: bool) -> Encoding {
    let zeros = |offset: usize| bytes.iter().skip(offset).step_by(2).filter(|&&b| b == 0).count();
    let (even, odd, half) = (zeros(0), zeros(1), bytes.len() / 2);
    if half > 1 && odd * 10 > half * 8 && even * 10 < half {
        return Encoding::Utf16Le;
    }
    if half > 1 && even * 10 > half * 8 && odd * 10 < half {
        return Encoding::Utf16Be;
    }
    match std::str::from_utf8(bytes) {
        Ok(_) => Encoding::Utf8,
        // The cut at the end of the head may fall inside a character.
        Err(e) if truncated && e.error_len().is_none() => Encoding::Utf8,
        Err(_) => Encoding::Windows1252,
    }
}

fn codec(encoding: Encoding) -> &'static encoding_rs::Encoding {
    match encoding {
        Encoding::Utf8 => encoding_rs::UTF_8,
        Encoding::Utf16Le => encoding_rs::UTF_16LE,
        Encoding::Utf16Be => encoding_rs::UTF_16BE,
        Encoding::Windows1252 => encoding_rs::WINDOWS_1252,
    }
}

fn decode(bytes: &[u8], encoding: Encoding) -> String {
    codec(encoding).decode_without_bom_handling(bytes).0.into_owned()
}

/// Control characters other than blanks and line ends do not occur in exports of numbers.
fn check_text(path: &Path, text: &str) -> Result<()> {
    let control = |c: char| c.is_control() && !matches!(c, '\t' | '\n' | '\r' | '\x0c' | '\u{80}'..='\u{9f}');
    match text.chars().enumerate().find(|&(_, c)| control(c)) {
        Some((at, c)) => {
            let detail = format!("control character U+{:04X} at character {at}", u32::from(c));
            Err(Error::new(path, Reason::NotText { detail }))
        }
        None => Ok(()),
    }
}

fn split_lines(path: &Path, text: &str, line_end: LineEnd, truncated: bool) -> Result<Vec<String>> {
    let mark = match line_end {
        LineEnd::Lf => '\n',
        LineEnd::Cr => '\r',
    };
    let mut lines: Vec<String> = text.split(mark).map(|line| line.trim_end_matches('\r').to_owned()).collect();
    // What follows the last line end is an empty rest, or a line the head cuts through.
    let rest = lines.pop().unwrap_or_default();
    if !truncated && !rest.is_empty() {
        lines.push(rest);
    }
    if lines.is_empty() {
        let detail = format!("no line end within the first {HEAD_BYTES} bytes");
        return Err(Error::new(path, Reason::LimitExceeded { detail }));
    }
    Ok(lines)
}

/// The text as a stream of bytes in an ASCII-compatible encoding, lines ended by line feeds, without byte-order mark.
pub(super) fn open(path: &Path, encoding: Encoding, line_end: LineEnd) -> Result<Box<dyn BufRead>> {
    const BUFFER: usize = 256 * 1024;
    let file = std::fs::File::open(path).map_err(|e| Error::io(path, "opening", &e))?;
    let bytes: Box<dyn Read> = match encoding {
        Encoding::Utf16Le | Encoding::Utf16Be => Box::new(
            encoding_rs_io::DecodeReaderBytesBuilder::new().encoding(Some(codec(encoding))).strip_bom(true).build(file),
        ),
        Encoding::Utf8 | Encoding::Windows1252 => Box::new(file),
    };
    let bytes: Box<dyn Read> = match line_end {
        LineEnd::Lf => bytes,
        LineEnd::Cr => Box::new(CrToLf(bytes)),
    };
    let mut reader: Box<dyn BufRead> = Box::new(BufReader::with_capacity(BUFFER, bytes));
    let start = reader.fill_buf().map_err(|e| Error::io(path, "reading", &e))?;
    if start.starts_with(b"\xef\xbb\xbf") {
        reader.consume(3);
    }
    Ok(reader)
}

/// Makes line feeds of carriage returns, for files whose lines end in those alone.
struct CrToLf(Box<dyn Read>);

impl Read for CrToLf {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.0.read(buffer)?;
        buffer[..n].iter_mut().filter(|b| **b == b'\r').for_each(|b| *b = b'\n');
        Ok(n)
    }
}
