//! The folder of records.
