//! `twinkeel passphrase`: what rig.toml keeps of the operator's passphrase.

use std::io::BufRead;
use std::process::ExitCode;

use crate::refuse;

/// Fewer letters than this are guessed.
const SHORTEST: usize = 8;

/// Arguments of `twinkeel passphrase`.
#[derive(clap::Args)]
#[command(
    after_help = "Example: twinkeel passphrase\n\nIt reads one line and prints the one that belongs under [listen] of rig.toml. The\npassphrase itself is stored nowhere."
)]
pub struct PassphraseArgs {}

/// `twinkeel passphrase`.
pub fn run(_: &PassphraseArgs) -> ExitCode {
    let mut line = String::new();
    if let Err(e) = std::io::stdin().lock().read_line(&mut line) {
        return refuse(&e);
    }
    let passphrase = line.trim_end_matches(['\r', '\n']);
    if passphrase.chars().count() < SHORTEST {
        return refuse(&format!("a passphrase has {SHORTEST} letters at least: three words are easily said and typed"));
    }
    match supervisor::page::hash_passphrase(passphrase) {
        Ok(hash) => {
            println!("operator = \"{hash}\"");
            ExitCode::SUCCESS
        }
        Err(e) => refuse(&e),
    }
}
