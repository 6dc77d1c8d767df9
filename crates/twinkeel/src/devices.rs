//! `twinkeel devices`.

use std::process::ExitCode;

/// Arguments of `twinkeel devices`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel devices --json")]
pub struct DevicesArgs {
    /// As JSON.
    #[arg(long)]
    json: bool,
}

/// Lists what there is.
pub fn run(a: &DevicesArgs) -> ExitCode {
    let _ = a.json;
    crate::refuse(&"not in yet")
}
