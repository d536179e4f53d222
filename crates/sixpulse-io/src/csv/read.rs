//! Streams a text file under its dialect and keeps the requested columns.

use super::dialect::{ColumnKind, CsvDialect};
use super::head::{open, read_head};
use super::metadata;
use super::rows::{LineSplitter, Row, Rows};
use super::sniff::{Hints, header_cells, rate_below, sniff};
use crate::error::{Error, Reason, Result};
use crate::recording::{Column, Rate, Recording, Scaling, list_headings};
use crate::request::Request;
use crate::time::TimeColumn;
use sixpulse::{Coupling, RawSamples, Role};
use std::path::Path;

/// Reads the requested columns of a text file, under a dialect from [`sniff`] or one found out here.
///
/// Only the requested columns and the time column are read as numbers; 8 bytes a sample and column are kept.
///
/// # Errors
/// As [`sniff`] without a dialect; `dialect_mismatch` with one that does not fit; `unknown_column`, `ambiguous_column`,
/// `time_column`, `roles_unknown` for the request; `bad_row`, `over_range`, `missing_value`, `limit_exceeded` with the
/// row; `non_uniform_time`, `rate_unknown` for the time column.
pub fn read(path: impl AsRef<Path>, request: &Request, dialect: Option<&CsvDialect>) -> Result<Recording> {
    let path = path.as_ref();
    let sniffed;
    let (dialect, given) = match dialect {
        Some(dialect) => (dialect, true),
        None => {
            sniffed = sniff(path, &Hints::default())?;
            (&sniffed, false)
        }
    };
    let head = read_head(path, Some(dialect.encoding))?;
    let preamble = Preamble::read(path, dialect, &head.lines)?;
    if given {
        check_header(path, dialect, &head.lines)?;
    }
    let wanted = wanted(path, request, dialect, &preamble)?;
    let table = read_table(path, dialect, &wanted, request)?;
    let mut rates: Vec<Rate> = preamble.rate.into_iter().collect();
    rates.extend(table.rate);
    let columns = wanted.iter().zip(table.values).map(|(&position, values)| {
        let source = &dialect.columns[position];
        Column {
            label: source.header.clone(),
            unit: source.unit.clone(),
            coupling: preamble.coupling.get(position).copied().flatten(),
            coupling_corner_hz: preamble.coupling_corner_hz.get(position).copied().flatten(),
            role: preamble.role.get(position).copied().flatten(),
            ..Column::new(position, &source.name, RawSamples::F64(values), Scaling::Units)
        }
    });
    Ok(Recording {
        path: path.to_owned(),
        columns: columns.collect(),
        rates,
        engine_rpm: preamble.engine_rpm,
        battery_temperature_c: preamble.battery_temperature_c,
    })
}

/// What the lines above the table state.
#[derive(Default)]
struct Preamble {
    rate: Option<Rate>,
    /// One entry a column of the table; empty where nothing is stated.
    coupling: Vec<Option<Coupling>>,
    coupling_corner_hz: Vec<Option<f64>>,
    role: Vec<Option<Role>>,
    engine_rpm: Option<f64>,
    battery_temperature_c: Option<f64>,
}

impl Preamble {
    fn read(path: &Path, dialect: &CsvDialect, lines: &[String]) -> Result<Self> {
        let line = |row: u64| usize::try_from(row).ok().and_then(|r| lines.get(r.checked_sub(1)?));
        let mut found = Self::default();
        let mismatch = |detail: String| Error::new(path, Reason::DialectMismatch { detail });
        if line(dialect.first_data_row).is_none() {
            return Err(mismatch(format!(
                "numbers are to begin in row {}, the file is shorter",
                dialect.first_data_row
            )));
        }
        if let Some(row) = dialect.rate_row {
            let (delimiter, decimal) = (dialect.delimiter, dialect.decimal);
            let text = line(row).ok_or_else(|| mismatch(format!("row {row} is missing")))?;
            let stated = metadata::stated_rate(text, delimiter, decimal)
                .or_else(|| rate_below(line(row.checked_sub(1)?)?, text, delimiter, decimal))
                .ok_or_else(|| mismatch(format!("row {row} states no sample rate")))?;
            let source = format!("row {row}, \"{}\"", stated.key);
            found.rate = Some(Rate { hz: stated.hz, source, uncertainty_hz: 0.0 });
        }
        let end = dialect.header_row.or(dialect.units_row).unwrap_or(dialect.first_data_row);
        for row in 1..end {
            if let Some(text) = line(row) {
                found.read_line(dialect, text);
            }
        }
        Ok(found)
    }

    fn read_line(&mut self, dialect: &CsvDialect, text: &str) {
        let words = |keys: &[&str]| metadata::words_after(text, dialect.delimiter, keys);
        if let Some(words) = words(&["coupling", "input coupling", "channel coupling"]) {
            // One word speaks for all inputs.
            let words = if words.len() == 1 { vec![words[0].clone(); value_columns(dialect)] } else { words };
            self.coupling = spread(dialect, &words, |w| w.to_lowercase().parse().ok());
        } else if let Some(words) = words(&["role", "roles"]) {
            self.role = spread(dialect, &words, |w| w.to_lowercase().parse().ok());
        } else if let Some(words) = words(&["coupling corner"]) {
            self.coupling_corner_hz = spread(dialect, &words, |w| w.parse().ok());
        } else if let Some(words) = words(&["engine rpm"]) {
            self.engine_rpm = words.first().and_then(|w| metadata::number(w, dialect.decimal));
        } else if let Some(words) = words(&["battery temperature c"]) {
            self.battery_temperature_c = words.first().and_then(|w| metadata::number(w, dialect.decimal));
        }
    }
}

fn value_columns(dialect: &CsvDialect) -> usize {
    dialect.columns.iter().filter(|c| c.kind == ColumnKind::Value).count()
}

/// Words that stand for the value columns in their order, as one entry for every column; nothing when their number differs.
fn spread<T>(dialect: &CsvDialect, words: &[String], parse: impl Fn(&str) -> Option<T>) -> Vec<Option<T>> {
    if words.len() != value_columns(dialect) {
        return Vec::new();
    }
    let mut words = words.iter();
    let kinds = dialect.columns.iter().map(|c| c.kind);
    kinds.map(|kind| if kind == ColumnKind::Value { words.next().and_then(|w| parse(w)) } else { None }).collect()
}

/// A reused dialect must find the header it knows.
fn check_header(path: &Path, dialect: &CsvDialect, lines: &[String]) -> Result<()> {
    let Some(row) = dialect.header_row else { return Ok(()) };
    let line = usize::try_from(row).ok().and_then(|r| lines.get(r.checked_sub(1)?)).map_or("", String::as_str);
    let fields = LineSplitter::new(dialect.delimiter).split(line).unwrap_or_default();
    let cells = header_cells(&fields, dialect.delimiter);
    for (i, column) in dialect.columns.iter().enumerate() {
        let cell = cells.get(i).map_or("", String::as_str);
        if cell != column.header {
            let detail = format!("column {i} is to be \"{}\", the header says \"{cell}\"", column.header);
            return Err(Error::new(path, Reason::DialectMismatch { detail }).at_row(row));
        }
    }
    Ok(())
}

/// Positions of the columns asked for, or of those whose role the file states.
fn wanted(path: &Path, request: &Request, dialect: &CsvDialect, preamble: &Preamble) -> Result<Vec<usize>> {
    let mut positions = Vec::new();
    for channel in &request.channels {
        let position = dialect.position(path, &channel.column)?;
        let column = &dialect.columns[position];
        if column.kind == ColumnKind::Time {
            return Err(Error::new(path, Reason::TimeColumn).in_column(&column.name));
        }
        if !positions.contains(&position) {
            positions.push(position);
        }
    }
    if request.channels.is_empty() {
        positions.extend((0..preamble.role.len()).filter(|&i| preamble.role[i].is_some()));
    }
    if positions.is_empty() {
        let available = list_headings(&dialect.headings());
        return Err(Error::new(path, Reason::RolesUnknown { available }));
    }
    Ok(positions)
}

struct Table {
    values: Vec<Vec<f64>>,
    rate: Option<Rate>,
}

fn read_table(path: &Path, dialect: &CsvDialect, wanted: &[usize], request: &Request) -> Result<Table> {
    let input = open(path, dialect.encoding, dialect.line_end)?;
    let mut rows = Rows::start(path, input, dialect.delimiter, dialect.first_data_row)?;
    let mut values: Vec<Vec<f64>> = vec![Vec::new(); wanted.len()];
    let time_position = dialect.time_column();
    let mut time = time_position.map(|at| TimeColumn::new(dialect.columns[at].factor));
    let cell = |row: &Row, position: usize| {
        let field = row.field(position).unwrap_or_default();
        parse_cell(field, dialect.decimal)
            .map(|number| (field.to_owned(), number))
            .map_err(|reason| Error::new(path, reason).at_row(row.number).in_column(&dialect.columns[position].name))
    };
    while let Some(row) = rows.next()? {
        check_width(path, dialect, &row)?;
        for (column, &position) in values.iter_mut().zip(wanted) {
            column.push(cell(&row, position)?.1 * dialect.columns[position].factor);
        }
        if let (Some(time), Some(position)) = (&mut time, time_position) {
            let (field, number) = cell(&row, position)?;
            time.push(row.number, &field, number);
        }
    }
    if values.iter().any(Vec::is_empty) {
        return Err(Error::new(path, Reason::NoNumbers));
    }
    let rate = match (&time, time_position) {
        // A single row has no step; a rate stated elsewhere is enough.
        (Some(_), _) if values[0].len() == 1 && (request.sample_rate_hz.is_some() || dialect.rate_row.is_some()) => {
            None
        }
        (Some(time), Some(position)) => Some(time.rate(path, &dialect.columns[position].name)?),
        _ => None,
    };
    Ok(Table { values, rate })
}

/// A row has the table's fields, and nothing but blanks after them.
fn check_width(path: &Path, dialect: &CsvDialect, row: &Row) -> Result<()> {
    let width = dialect.columns.len();
    let surplus = (width..row.len()).any(|i| row.field(i).is_some_and(|f| !f.is_empty()));
    if row.len() >= width && row.len() <= width + dialect.trailing_fields && !surplus {
        return Ok(());
    }
    let detail = format!("{} fields, where the table has {width} columns", row.len());
    Err(Error::new(path, Reason::BadRow { detail }).at_row(row.number))
}

/// Longest cell that can be a number; longer ones are none.
const MAX_CELL: usize = 64;

fn parse_cell(field: &[u8], decimal: char) -> std::result::Result<f64, Reason> {
    let number = if decimal == ',' { parse_with_comma(field) } else { parse_number(field) };
    match number {
        Some(x) if x.is_finite() => Ok(x),
        _ => Err(refusal(&String::from_utf8_lossy(field))),
    }
}

fn parse_number(field: &[u8]) -> Option<f64> {
    std::str::from_utf8(field).ok()?.parse().ok()
}

fn parse_with_comma(field: &[u8]) -> Option<f64> {
    if field.contains(&b'.') || field.len() > MAX_CELL {
        return None;
    }
    let mut buffer = [0; MAX_CELL];
    let cell = &mut buffer[..field.len()];
    cell.copy_from_slice(field);
    if let Some(at) = cell.iter().position(|&b| b == b',') {
        cell[at] = b'.';
    }
    parse_number(cell)
}

fn refusal(cell: &str) -> Reason {
    if is_over_range(cell) {
        Reason::OverRange { cell: cell.into() }
    } else if is_missing(cell) {
        Reason::MissingValue { cell: cell.into() }
    } else {
        let shown: String = cell.chars().take(MAX_CELL).collect();
        Reason::BadRow { detail: format!("\"{shown}\" is not a number") }
    }
}

/// Marks for a value beyond the input's range.
fn is_over_range(cell: &str) -> bool {
    let bare = cell.trim_start_matches(['+', '-']).to_lowercase();
    let filled = |mark: char| cell.len() > 1 && cell.chars().all(|c| c == mark);
    let words =
        ["inf", "infinity", "1.#inf", "\u{221e}", "ol", "o.l", "over", "ovl", "overload", "overrange", "over range"];
    words.contains(&bare.as_str()) || filled('*') || filled('#') || (bare.parse::<f64>().is_ok_and(f64::is_infinite))
}

/// Marks for no value.
fn is_missing(cell: &str) -> bool {
    let bare = cell.trim_start_matches(['+', '-']).to_lowercase();
    cell.is_empty()
        || cell.chars().all(|c| c == '-')
        || ["nan", "n/a", "na", "null", "1.#qnan"].contains(&bare.as_str())
}

/// True for a cell that stands where a number could not be given.
pub(super) fn is_mark(cell: &str) -> bool {
    is_over_range(cell) || is_missing(cell)
}
