//! Rows as fields, through fixed buffers: a hostile file cannot make them grow.

use super::{MAX_COLUMNS, MAX_ROW_BYTES};
use crate::error::{Error, Reason, Result};
use csv_core::{ReadRecordResult, Reader, ReaderBuilder, Terminator};
use std::io::BufRead;
use std::path::Path;

fn splitter(delimiter: char) -> Reader {
    // Sniffed delimiters are ASCII; a caller's is checked by `Hints`.
    let byte = u8::try_from(delimiter).unwrap_or(b',');
    ReaderBuilder::new().delimiter(byte).terminator(Terminator::Any(b'\n')).build()
}

/// Splits single lines of the head.
pub(super) struct LineSplitter {
    reader: Reader,
    blanks: bool,
    text: Vec<u8>,
    ends: Vec<usize>,
}

impl LineSplitter {
    pub(super) fn new(delimiter: char) -> Self {
        Self { reader: splitter(delimiter), blanks: delimiter == ' ', text: Vec::new(), ends: vec![0; MAX_COLUMNS] }
    }

    /// The fields of a line, trimmed; `None` when there are more than [`MAX_COLUMNS`].
    pub(super) fn split(&mut self, line: &str) -> Option<Vec<String>> {
        self.reader.reset();
        self.text.resize(line.len() + 1, 0);
        let (mut input, mut written, mut count) = (line.as_bytes(), 0, 0);
        loop {
            let (result, read, out, ends) =
                self.reader.read_record(input, &mut self.text[written..], &mut self.ends[count..]);
            input = &input[read..];
            written += out;
            count += ends;
            match result {
                ReadRecordResult::InputEmpty => {}
                ReadRecordResult::Record | ReadRecordResult::End => break,
                ReadRecordResult::OutputFull | ReadRecordResult::OutputEndsFull => return None,
            }
        }
        let mut start = 0;
        let fields = self.ends[..count].iter().map(|&end| {
            let field = String::from_utf8_lossy(&self.text[start..end]).trim().to_owned();
            start = end;
            field
        });
        Some(fields.filter(|field| !(self.blanks && field.is_empty())).collect())
    }
}

/// One row: its number and its fields.
pub(super) struct Row<'a> {
    pub(super) number: u64,
    text: &'a [u8],
    bounds: &'a [(usize, usize)],
}

impl<'a> Row<'a> {
    pub(super) fn len(&self) -> usize {
        self.bounds.len()
    }
    /// A field without the blanks around it.
    pub(super) fn field(&self, position: usize) -> Option<&'a [u8]> {
        self.bounds.get(position).map(|&(start, end)| self.text[start..end].trim_ascii())
    }
}

/// Streams the rows of a table, skipping blank lines.
pub(super) struct Rows<'p> {
    path: &'p Path,
    input: Box<dyn BufRead>,
    reader: Reader,
    blanks: bool,
    text: Vec<u8>,
    ends: Vec<usize>,
    bounds: Vec<(usize, usize)>,
    rows_before: u64,
}

impl<'p> Rows<'p> {
    /// Starts at a row, counting from 1; the lines before it are skipped unread.
    pub(super) fn start(path: &'p Path, mut input: Box<dyn BufRead>, delimiter: char, first_row: u64) -> Result<Self> {
        for row in 1..first_row {
            skip_line(path, &mut *input, row)?;
        }
        Ok(Self {
            path,
            input,
            reader: splitter(delimiter),
            blanks: delimiter == ' ',
            text: vec![0; MAX_ROW_BYTES],
            ends: vec![0; MAX_COLUMNS + 1],
            bounds: Vec::new(),
            rows_before: first_row.saturating_sub(1),
        })
    }

    /// The next row that is not blank.
    pub(super) fn next(&mut self) -> Result<Option<Row<'_>>> {
        loop {
            let start_row = self.rows_before + self.reader.line();
            let Some((count, ended)) = self.record(start_row)? else { return Ok(None) };
            let number = self.rows_before + self.reader.line() - u64::from(ended);
            self.bounds.clear();
            let mut start = 0;
            for &end in &self.ends[..count] {
                let blank = self.text[start..end].trim_ascii().is_empty();
                if !(self.blanks && blank) {
                    self.bounds.push((start, end));
                }
                start = end;
            }
            let all_blank = self.bounds.len() <= 1 && self.text[..start].trim_ascii().is_empty();
            if !all_blank {
                return Ok(Some(Row { number, text: &self.text[..start], bounds: &self.bounds }));
            }
        }
    }

    /// Fills the buffers with one record: number of fields, and whether a line end closed it.
    fn record(&mut self, start_row: u64) -> Result<Option<(usize, bool)>> {
        let (mut written, mut count) = (0, 0);
        loop {
            let input = self.input.fill_buf().map_err(|e| Error::io(self.path, "reading", &e).at_row(start_row))?;
            let at_end = input.is_empty();
            let (result, read, out, ends) =
                self.reader.read_record(input, &mut self.text[written..], &mut self.ends[count..]);
            let ended = read > 0 && input[read - 1] == b'\n';
            self.input.consume(read);
            written += out;
            count += ends;
            let limit = |detail: String| Error::new(self.path, Reason::LimitExceeded { detail }).at_row(start_row);
            match result {
                ReadRecordResult::InputEmpty => {}
                ReadRecordResult::Record => return Ok(Some((count, ended && !at_end))),
                ReadRecordResult::End => return Ok(None),
                ReadRecordResult::OutputFull => {
                    return Err(limit(format!("longer than {MAX_ROW_BYTES} bytes (a quote left open?)")));
                }
                ReadRecordResult::OutputEndsFull => return Err(limit(format!("more than {MAX_COLUMNS} columns"))),
            }
        }
    }
}

fn skip_line(path: &Path, input: &mut dyn BufRead, row: u64) -> Result<()> {
    let mut length = 0;
    loop {
        let buffer = input.fill_buf().map_err(|e| Error::io(path, "reading", &e).at_row(row))?;
        if buffer.is_empty() {
            return Ok(());
        }
        let end = buffer.iter().position(|&b| b == b'\n');
        let used = end.map_or(buffer.len(), |at| at + 1);
        input.consume(used);
        length += used;
        if end.is_some() {
            return Ok(());
        }
        if length > MAX_ROW_BYTES {
            let detail = format!("longer than {MAX_ROW_BYTES} bytes");
            return Err(Error::new(path, Reason::LimitExceeded { detail }).at_row(row));
        }
    }
}
