//! Cause hints.
