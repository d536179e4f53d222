//! Delimited text in the shapes instruments export.
//!
//! [`sniff`] reads the head of a file and says how it understands it ([`CsvDialect`]); [`read`] streams the rows under
//! that dialect and keeps only the requested columns. The dialect can be shown, saved, changed and reused.
//!
//! Understood: preamble lines of key and value, a header anywhere above the numbers, units in the header or in a row of
//! their own, `,` `;` tab `|` or blanks between fields, decimal point or comma, quoted fields, a trailing delimiter,
//! UTF-8, UTF-16 and Windows-1252 (Latin-1), line ends of all three kinds, a time column, an interval or rate line.
mod dialect;
mod head;
mod metadata;
mod read;
mod rows;
mod sniff;
mod write;

pub use dialect::{ColumnKind, CsvColumn, CsvDialect, Encoding, LineEnd};
pub use read::read;
pub use sniff::{Hints, sniff};
pub use write::write;

/// The head of a file that [`sniff`] looks at, in bytes of the file; also the longest line it accepts there.
pub const HEAD_BYTES: usize = 256 * 1024;
/// The longest row [`read`] accepts, in bytes.
pub const MAX_ROW_BYTES: usize = 1024 * 1024;
/// The most columns a table may have.
pub const MAX_COLUMNS: usize = 4096;
