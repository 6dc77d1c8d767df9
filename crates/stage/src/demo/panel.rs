//! The demo with a person at it.

use super::{DemoConfig, DemoError};

/// Runs until it is told to end.
///
/// # Errors
/// What could not be started.
pub fn run_interactive(_c: &DemoConfig) -> Result<(), DemoError> {
    Err(DemoError::Part("not in yet".into()))
}
