//! Finds out how a text file is to be understood: where the numbers begin, what separates them, what the columns are.

use super::dialect::{ColumnKind, CsvColumn, CsvDialect, Encoding};
use super::head::{Head, read_head};
use super::metadata;
use super::rows::LineSplitter;
use crate::error::{Error, Reason, Result};
use crate::time::is_even;
use crate::unit::{Unit, split_name};
use std::path::Path;
use std::rc::Rc;

/// What the caller knows better than the sniffer; every `None` is found out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Hints {
    /// Character encoding.
    pub encoding: Option<Encoding>,
    /// Character between fields: one ASCII character; a blank stands for any run of blanks.
    pub delimiter: Option<char>,
    /// Decimal mark, `.` or `,`.
    pub decimal: Option<char>,
}

/// Lines of the head that are looked at.
const SNIFFED_LINES: usize = 2000;
/// Delimiters in the order of preference among equals.
const DELIMITERS: [char; 5] = [';', '\t', ',', '|', ' '];

/// Says how a text file is to be read.
///
/// # Errors
/// `file_not_found`, `is_directory`, `file_unreadable`, `empty_file`, `not_text`, `limit_exceeded`, `no_numbers`,
/// `ambiguous_dialect`; `out_of_range` or `unknown_name` for a hint that is none.
///
/// ```
/// # let path = std::env::temp_dir().join(format!("sixpulse-sniff-{}.csv", std::process::id()));
/// # std::fs::write(&path, "Sample rate: 50 kHz\nTime,CH1\ns,mV\n0.00000,14100\n0.00002,14110\n")?;
/// use sixpulse_io::csv::{Hints, sniff};
/// // Sample rate: 50 kHz
/// // Time,CH1
/// // s,mV
/// // 0.00000,14100
/// // 0.00002,14110
/// let dialect = sniff(&path, &Hints::default())?;
/// assert_eq!((dialect.header_row, dialect.units_row, dialect.first_data_row), (Some(2), Some(3), 4));
/// assert_eq!((dialect.columns[1].unit.as_deref(), dialect.columns[1].factor), (Some("V"), 0.001));
/// # std::fs::remove_file(&path)?;
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn sniff(path: impl AsRef<Path>, hints: &Hints) -> Result<CsvDialect> {
    let path = path.as_ref();
    check_hints(path, hints)?;
    let head = read_head(path, hints.encoding)?;
    let table = find_table(path, &head, hints)?;
    Ok(describe(&head, &table))
}

fn check_hints(path: &Path, hints: &Hints) -> Result<()> {
    let bad = |parameter: &str, expected: &str, actual: char| {
        Error::new(
            path,
            Reason::Core(sixpulse::Error::UnknownName {
                parameter: parameter.into(),
                expected: expected.into(),
                actual: actual.into(),
            }),
        )
    };
    match (hints.delimiter, hints.decimal) {
        (Some(d), _)
            if !d.is_ascii() || d.is_ascii_alphanumeric() || matches!(d, '"' | '\n' | '\r' | '.' | '-' | '+') =>
        {
            Err(bad("delimiter", "one ASCII mark such as ; , | or a tab", d))
        }
        (_, Some(d)) if d != '.' && d != ',' => Err(bad("decimal", "\".\" or \",\"", d)),
        _ => Ok(()),
    }
}

/// A reading of the head: where the table is under one delimiter and one decimal mark.
#[derive(Debug, Clone)]
struct Table {
    delimiter: char,
    decimal: char,
    /// Fields of every line looked at; `None` for a blank line.
    lines: Rc<[Option<Vec<String>>]>,
    /// Index of the first line of numbers.
    first: usize,
    /// Fields of a row as it stands.
    raw_width: usize,
    /// Columns: fields without the empty ones at the end.
    width: usize,
    /// Rows of numbers found.
    rows: usize,
    /// Lines from `first` on that are no rows of numbers.
    misfits: usize,
    /// True when the line above the numbers has as many fields as they.
    header_fits: bool,
}

fn find_table(path: &Path, head: &Head, hints: &Hints) -> Result<Table> {
    let mut readings = Vec::new();
    for delimiter in DELIMITERS.into_iter().chain(hints.delimiter.filter(|d| !DELIMITERS.contains(d))) {
        if hints.delimiter.is_some_and(|d| d != delimiter) {
            continue;
        }
        let mut splitter = LineSplitter::new(delimiter);
        let lines: Rc<[Option<Vec<String>>]> =
            head.lines.iter().take(SNIFFED_LINES).map(|line| fields_of(&mut splitter, line)).collect();
        for decimal in ['.', ','] {
            if hints.decimal.is_none_or(|d| d == decimal) {
                readings.extend(read_as(&lines, delimiter, decimal));
            }
        }
    }
    let most = readings.iter().map(|t| t.rows).max().unwrap_or(0);
    readings.retain(|t| t.rows == most && t.rows > 0 && t.misfits <= t.rows);
    // A header that fits decides first, then the reading that makes more columns of the text.
    readings.sort_by_key(|t| (std::cmp::Reverse(t.header_fits), std::cmp::Reverse(t.width)));
    let mut readings = readings.into_iter();
    let Some(best) = readings.next() else {
        return Err(Error::new(path, Reason::NoNumbers));
    };
    let rival = |t: &Table| t.width == 1 && t.decimal == ',' && has_comma(t);
    if best.delimiter == ',' && best.width == 2 && !best.header_fits && readings.any(|t| rival(&t)) {
        let readings = "two columns of whole numbers, or one column with a decimal comma".into();
        return Err(Error::new(path, Reason::AmbiguousDialect { readings }));
    }
    Ok(best)
}

fn has_comma(table: &Table) -> bool {
    table.lines[table.first].iter().flatten().any(|field| field.contains(','))
}

fn fields_of(splitter: &mut LineSplitter, line: &str) -> Option<Vec<String>> {
    splitter.split(line).filter(|fields| fields.iter().any(|f| !f.is_empty()))
}

/// Number of fields without the empty ones at the end.
fn trimmed_width(fields: &[String]) -> usize {
    fields.iter().rposition(|f| !f.is_empty()).map_or(0, |at| at + 1)
}

/// True for a line in which every field is a number, a mark for none, or blank, and at least one is a number.
fn is_data(fields: &[String], decimal: char) -> bool {
    let mut numbers = 0;
    for field in fields {
        if table_number(field, decimal).is_some() {
            numbers += 1;
        } else if !field.is_empty() && !super::read::is_mark(field) {
            return false;
        }
    }
    numbers > 0
}

/// A number of the table itself: with a decimal comma, a point is no number.
fn table_number(field: &str, decimal: char) -> Option<f64> {
    if decimal == ',' && field.contains('.') {
        return None;
    }
    metadata::number(field, decimal)
}

fn read_as(lines: &Rc<[Option<Vec<String>>]>, delimiter: char, decimal: char) -> Option<Table> {
    let data: Vec<Option<&Vec<String>>> =
        lines.iter().map(|line| line.as_ref().filter(|f| is_data(f, decimal))).collect();
    let raw_width = most_common(data.iter().flatten().map(|f| f.len()))?;
    let fits = |line: &Option<&Vec<String>>| line.is_some_and(|f| f.len() == raw_width);
    let width = most_common(data.iter().filter(|l| fits(l)).flatten().map(|f| trimmed_width(f)))?;
    // A comma can be both only where quotes tell the one from the other.
    if delimiter == decimal && !data.iter().flatten().any(|f| f.iter().any(|cell| cell.contains(decimal))) {
        return None;
    }
    // A lone numeric line of the same width may belong to the preamble; two in a row are the table.
    let starts: Vec<usize> = (0..data.len()).filter(|&i| fits(&data[i])).collect();
    let follows =
        |i: usize| data[i + 1..].iter().zip(&lines[i + 1..]).find(|(_, line)| line.is_some()).map(|(d, _)| fits(d));
    let first = starts.iter().copied().find(|&i| follows(i) != Some(false)).or_else(|| starts.first().copied())?;
    let first = with_marks_above(lines, first, raw_width);
    let rows = data[first..].iter().filter(|l| fits(l)).count();
    let misfits = lines[first..].iter().flatten().count() - rows;
    let header_fits = lines[..first].iter().rev().flatten().next().is_some_and(|f| trimmed_width(f) == width);
    Some(Table { delimiter, decimal, lines: Rc::clone(lines), first, raw_width, width, rows, misfits, header_fits })
}

/// Takes a row of nothing but words for "no value" (such as NaN) directly above the numbers as a row of the table: as names
/// of columns they would hide that values are missing. Dashes and blanks may be a line of units.
fn with_marks_above(lines: &[Option<Vec<String>>], first: usize, width: usize) -> usize {
    let word = |cell: &String| super::read::is_mark(cell) && cell.chars().any(char::is_alphabetic);
    let marks = |fields: &Vec<String>| fields.len() == width && fields.iter().all(word);
    let above = (0..first).rev().filter(|&i| lines[i].is_some());
    above.take_while(|&i| lines[i].as_ref().is_some_and(marks)).last().unwrap_or(first)
}

fn most_common(values: impl Iterator<Item = usize>) -> Option<usize> {
    let mut counts = std::collections::BTreeMap::new();
    values.for_each(|v| *counts.entry(v).or_insert(0_usize) += 1);
    counts.into_iter().max_by_key(|&(value, count)| (count, value)).map(|(value, _)| value)
}

/// Row number, counting from 1, of a line of the head.
fn row(line: usize) -> u64 {
    line as u64 + 1
}

fn describe(head: &Head, table: &Table) -> CsvDialect {
    let mut notes = Vec::new();
    if head.has_bom {
        notes.push(format!("a byte-order mark states {}", head.encoding));
    }
    notes.push(format!("{} rows of {} columns looked at", table.rows, table.width));
    let (header, units) = find_header(table);
    let mut columns = name_columns(table, header, units);
    classify_time(table, &mut columns, &mut notes);
    let preamble_end = header.or(units).unwrap_or(table.first);
    let preamble = &head.lines[..preamble_end];
    let rate_row = find_rate_row(head, table, preamble_end, header, &mut notes);
    take_traces_for_values(preamble, table, &mut columns, &mut notes);
    state_units(preamble, table, &mut columns, &mut notes);
    CsvDialect {
        encoding: head.encoding,
        line_end: head.line_end,
        delimiter: table.delimiter,
        decimal: table.decimal,
        header_row: header.map(row),
        units_row: units.map(row),
        first_data_row: row(table.first),
        rate_row,
        trailing_fields: table.raw_width - table.width,
        columns,
        notes,
    }
}

/// Lines of the column names and of the units, directly above the numbers.
fn find_header(table: &Table) -> (Option<usize>, Option<usize>) {
    let above: Vec<usize> = (0..table.first).rev().filter(|&i| table.lines[i].is_some()).take(2).collect();
    let fields = |i: usize| table.lines[i].as_deref().unwrap_or_default();
    let fits =
        |i: usize| header_cells(fields(i), table.delimiter).len() >= table.width && !is_data(fields(i), table.decimal);
    let units = |i: usize| {
        let cells = header_cells(fields(i), table.delimiter);
        let known =
            |c: &&String| Unit::parse(c).is_some() || is_index_name(c) || metadata::number(c, table.decimal).is_some();
        cells.iter().filter(|c| !c.is_empty()).all(|c| known(&c)) && cells.iter().any(|c| Unit::parse(c).is_some())
    };
    match above[..] {
        [near, far] if units(near) && fits(near) && fits(far) && !units(far) => (Some(far), Some(near)),
        [near, ..] if units(near) && fits(near) => (None, Some(near)),
        [near, ..] if fits(near) => (Some(near), None),
        _ => (None, None),
    }
}

/// The cells of a header line: without comment mark, and with a bracketed unit joined to its name where blanks separate.
pub(super) fn header_cells(fields: &[String], delimiter: char) -> Vec<String> {
    let mut cells: Vec<String> = Vec::new();
    for field in fields {
        match cells.last_mut() {
            Some(last) if delimiter == ' ' && field.starts_with(['(', '[']) => {
                last.push(' ');
                last.push_str(field);
            }
            _ => cells.push(field.clone()),
        }
    }
    if let Some(first) = cells.first_mut() {
        let bare = first.trim_start_matches(['#', '%']).trim().to_owned();
        *first = bare;
    }
    if delimiter == ' ' && cells.first().is_some_and(String::is_empty) {
        cells.remove(0);
    }
    cells
}

fn name_columns(table: &Table, header: Option<usize>, units: Option<usize>) -> Vec<CsvColumn> {
    let cells = |line: Option<usize>| {
        line.and_then(|i| table.lines[i].as_ref()).map(|f| header_cells(f, table.delimiter)).unwrap_or_default()
    };
    let (names, units) = (cells(header), cells(units));
    (0..table.width)
        .map(|i| {
            let cell = names.get(i).cloned().unwrap_or_default();
            let (name, named_unit) = split_name(&cell);
            let unit = units.get(i).and_then(|u| Unit::parse(u)).or(named_unit);
            CsvColumn {
                name: if name.is_empty() { format!("column_{i}") } else { name },
                header: cell,
                kind: if units.get(i).is_some_and(|u| is_index_name(u)) {
                    ColumnKind::Index
                } else {
                    ColumnKind::Value
                },
                factor: unit.as_ref().map_or(1.0, |u| u.factor),
                unit: unit.map(|u| u.base),
            }
        })
        .collect()
}

/// Names of a time column and of a running number, in lower case.
const TIME_NAMES: [&str; 13] = [
    "time",
    "t",
    "x",
    "x-axis",
    "x axis",
    "timestamp",
    "elapsed",
    "elapsed time",
    "rel. time",
    "relative time",
    "seconds",
    "zeit",
    "temps",
];
const INDEX_NAMES: [&str; 9] = ["index", "sequence", "sample", "samples", "point", "no", "no.", "n", "#"];

fn is_index_name(name: &str) -> bool {
    INDEX_NAMES.contains(&name.to_lowercase().as_str())
}

/// Finds the time column: by its unit, by its name, or, without a header, by even steps.
fn classify_time(table: &Table, columns: &mut [CsvColumn], notes: &mut Vec<String>) {
    let lower = |c: &CsvColumn| c.name.to_lowercase();
    let by_unit = columns.iter().position(|c| c.unit.as_deref() == Some("s"));
    let open = |c: &CsvColumn| c.unit.is_none() && c.kind == ColumnKind::Value;
    let by_name = columns.iter().position(|c| TIME_NAMES.contains(&lower(c).as_str()) && open(c));
    let running = columns.iter().position(|c| is_index_name(&c.name) && open(c));
    if let Some(i) = running {
        columns[i].kind = ColumnKind::Index;
        notes.push(format!("column {i} is a running number by its name"));
    }
    let steps = first_column_step(table);
    if let Some(i) = by_unit {
        columns[i].kind = ColumnKind::Time;
        notes.push(format!("column {i} is time by its unit"));
    } else if let Some(i) = by_name {
        columns[i].kind = ColumnKind::Time;
        columns[i].unit = Some("s".into());
        notes.push(format!("column {i} is time by its name; no unit stated, taken as seconds"));
    } else if let (Some(step), true) = (steps, columns[0].header.is_empty() && columns.len() > 1) {
        #[allow(clippy::float_cmp, reason = "a running number counts in steps of exactly 1")]
        let is_count = step == 1.0;
        columns[0].kind = if is_count { ColumnKind::Index } else { ColumnKind::Time };
        if !is_count {
            columns[0].unit = Some("s".into());
        }
        let what = if is_count { "a running number" } else { "time in seconds" };
        notes.push(format!("column 0 is {what} by its even steps; the file has no header"));
    }
}

/// The step of the first column over the rows looked at, when it rises evenly.
fn first_column_step(table: &Table) -> Option<f64> {
    const ENOUGH_ROWS: usize = 3;
    let rows = table.lines[table.first..].iter().flatten();
    let values: Option<Vec<f64>> = rows.map(|f| table_number(f.first()?, table.decimal)).collect();
    let values = values.filter(|v| v.len() >= ENOUGH_ROWS)?;
    is_even(&values)
}

/// The row that states the sample interval or rate: a preamble line, or header and units row read as key and value.
fn find_rate_row(
    head: &Head,
    table: &Table,
    preamble_end: usize,
    header: Option<usize>,
    notes: &mut Vec<String>,
) -> Option<u64> {
    for (i, line) in head.lines[..preamble_end].iter().enumerate() {
        if let Some(rate) = metadata::stated_rate(line, table.delimiter, table.decimal) {
            notes.push(format!("row {} states the sample rate (\"{}\")", row(i), rate.key));
            return Some(row(i));
        }
    }
    let header = header?;
    let below = head.lines.get(header + 1)?;
    let rate = rate_below(&head.lines[header], below, table.delimiter, table.decimal)?;
    notes.push(format!("row {} states the sample rate (below \"{}\")", row(header) + 1, rate.key));
    Some(row(header) + 1)
}

/// A rate stated in a column of its own: the key in the header, the figure in the row below it.
pub(super) fn rate_below(header: &str, below: &str, delimiter: char, decimal: char) -> Option<metadata::StatedRate> {
    let mut splitter = LineSplitter::new(delimiter);
    let (keys, values) = (splitter.split(header)?, splitter.split(below)?);
    keys.iter().zip(values).find_map(|(key, value)| metadata::rate_of(key, &[value], decimal))
}

/// A column that is named like a running number is a trace all the same where a line states roles for it and all others.
fn take_traces_for_values(preamble: &[String], table: &Table, columns: &mut [CsvColumn], notes: &mut Vec<String>) {
    let traces = columns.iter().filter(|c| c.kind != ColumnKind::Time).count();
    let roles =
        |line: &String| metadata::words_after(line, table.delimiter, &["role", "roles"]).map(|words| words.len());
    if !preamble.iter().any(|line| roles(line) == Some(traces)) {
        return;
    }
    for (i, column) in columns.iter_mut().enumerate().filter(|(_, c)| c.kind == ColumnKind::Index) {
        column.kind = ColumnKind::Value;
        notes.push(format!("column {i} is a trace: the file states its role"));
    }
}

/// Units in a preamble line of their own, one for each value column; the header cells are then names throughout.
fn state_units(preamble: &[String], table: &Table, columns: &mut [CsvColumn], notes: &mut Vec<String>) {
    for (i, line) in preamble.iter().enumerate() {
        let words = metadata::words_after(line, table.delimiter, &["unit", "units"]).unwrap_or_default();
        let values = columns.iter_mut().filter(|c| c.kind == ColumnKind::Value);
        let values: Vec<&mut CsvColumn> = values.collect();
        if words.is_empty() || words.len() != values.len() {
            continue;
        }
        for (column, word) in values.into_iter().zip(&words) {
            let unit = Unit::parse(word).unwrap_or(Unit { base: word.clone(), factor: 1.0 });
            column.unit = Some(unit.base);
            column.factor = unit.factor;
            if !column.header.is_empty() {
                column.name.clone_from(&column.header);
            }
        }
        notes.push(format!("row {} states the units", row(i)));
    }
}
