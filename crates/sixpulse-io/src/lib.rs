//! Readers for what laboratory instruments export.
