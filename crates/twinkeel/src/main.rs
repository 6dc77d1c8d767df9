//! The command line. It decides nothing: each command reads its arguments and calls the crate that does the work.
//!
//! Exit codes: 0 fine, 1 the answer is no, 2 usage or configuration, 3 could not reach.

mod channels_said;
mod check_cmd;
mod client;
mod devices;
mod init;
mod inspect;
mod parity_cmd;
mod passphrase_cmd;
mod patches_cmd;
mod replace_cmd;
mod report_cmd;
mod run;
mod show_cmd;
mod shows_cmd;

use std::io::Write;
use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};

use inspect::{InspectError, Outcome};

/// The watch over a redundant playback rig.
///
/// Twinkeel is not a safety system: it must never be the only thing between a timecode and something that can hurt.
#[derive(Parser)]
#[command(name = "twinkeel", version, max_term_width = 80, arg_required_else_help = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Runs a whole simulated rig on this computer and opens its page.
    Demo(run::DemoArgs),
    /// Makes the files and keys of a new rig.
    Init(init::InitArgs),
    /// Runs the agent of a playback machine.
    Agent(run::AgentArgs),
    /// Runs the supervisor of a rig.
    Supervisor(run::SupervisorArgs),
    /// Says what is on air and whether the other machine could take over.
    Status(client::StatusArgs),
    /// Checks the rig before the show, and prints the sheet.
    Check(check_cmd::CheckArgs),
    /// Puts a machine on air.
    Changeover(client::ChangeoverArgs),
    /// Releases the latch after a changeover.
    Release(client::ReleaseArgs),
    /// Sounds the alarms' tone once on the output that the rig's file names.
    AlarmTest(client::AlarmTestArgs),
    /// Puts a spare computer in a machine's place, and says what still differs.
    Replace(replace_cmd::ReplaceArgs),
    /// Compares session folders: those of the rig's machines, or two of this computer.
    Parity(parity_cmd::ParityArgs),
    /// What is in force on the devices that take their patches by MIDI, and the chase on demand.
    Patches(patches_cmd::PatchesArgs),
    /// Makes what rig.toml keeps of the operator's passphrase, for a page that others can reach.
    Passphrase(passphrase_cmd::PassphraseArgs),
    /// Makes the report of a show.
    Report(report_cmd::ReportArgs),
    /// The show file and tonight's set: looked over, imported, reordered.
    #[command(subcommand)]
    Show(show_cmd::ShowCommand),
    /// Lists, labels, exports and prunes the records of shows.
    Shows(shows_cmd::ShowsArgs),
    /// Lists the MIDI ports and audio devices of this computer.
    Devices(devices::DevicesArgs),
    /// Examines a recording with the live path's own code.
    #[command(subcommand)]
    Inspect(Inspect),
    /// Prints shell completions or man pages, made from these very definitions.
    #[command(hide = true)]
    Generate(GenerateArgs),
    /// One process of the demo.
    #[command(hide = true)]
    DemoPart(run::DemoPartArgs),
}

#[derive(Subcommand)]
enum Inspect {
    /// The failure detector over a record of beats.
    Beats(inspect::beats::BeatsArgs),
    /// Another machine's clock against ours, from a record of exchanges.
    Clock(inspect::clock::ClockArgs),
    /// Drift, steps and stability of a record of offsets.
    Drift(inspect::drift::DriftArgs),
    /// Levels, loudness and dropouts of a WAV file.
    Level(inspect::level::LevelArgs),
    /// Linear timecode in a WAV file.
    Ltc(inspect::ltc::LtcArgs),
    /// Captured MIDI bytes, or a Standard MIDI File.
    Midi(inspect::midi::MidiArgs),
    /// Two recordings against each other.
    Pair(inspect::pair::PairArgs),
}

#[derive(clap::Args)]
struct GenerateArgs {
    /// Completions for this shell; without one, the man page.
    #[arg(long)]
    shell: Option<clap_complete::Shell>,
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    match cli.command {
        Command::Demo(a) => run::demo(&a),
        Command::Init(a) => init::run(&a),
        Command::Agent(a) => run::agent(&a),
        Command::Supervisor(a) => run::supervisor(&a),
        Command::Status(a) => client::status(&a),
        Command::Check(a) => check_cmd::run(&a),
        Command::Replace(a) => replace_cmd::run(&a),
        Command::Changeover(a) => client::changeover(&a),
        Command::Release(a) => client::release(&a),
        Command::AlarmTest(a) => client::alarm_test(&a),
        Command::Parity(a) => parity_cmd::run(&a),
        Command::Patches(a) => patches_cmd::run(&a),
        Command::Passphrase(a) => passphrase_cmd::run(&a),
        Command::Report(a) => report_cmd::run(&a),
        Command::Show(c) => show_cmd::run(&c),
        Command::Shows(a) => shows_cmd::run(&a),
        Command::Devices(a) => devices::run(&a),
        Command::Inspect(i) => inspected(i),
        Command::Generate(a) => generate(&a),
        Command::DemoPart(a) => run::demo_part(&a),
    }
}

fn inspected(i: Inspect) -> ExitCode {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let result: Result<Outcome, InspectError> = match i {
        Inspect::Beats(a) => inspect::beats::run(&a, &mut out),
        Inspect::Clock(a) => inspect::clock::run(&a, &mut out),
        Inspect::Drift(a) => inspect::drift::run(&a, &mut out),
        Inspect::Level(a) => inspect::level::run(&a, &mut out),
        Inspect::Ltc(a) => inspect::ltc::run(&a, &mut out),
        Inspect::Midi(a) => inspect::midi::run(&a, &mut out),
        Inspect::Pair(a) => inspect::pair::run(&a, &mut out),
    };
    let flushed = out.flush();
    match result {
        // A reader that has seen enough (`| head`) closes the pipe: that is its right, and no error.
        Ok(_) | Err(_) if flushed.as_ref().is_err_and(|e| e.kind() == std::io::ErrorKind::BrokenPipe) => {
            ExitCode::SUCCESS
        }
        Ok(Outcome::Found) => ExitCode::SUCCESS,
        Ok(Outcome::Nothing) => ExitCode::from(1),
        Err(e) => refuse(&e),
    }
}

fn generate(a: &GenerateArgs) -> ExitCode {
    let mut command = Cli::command();
    let mut out = std::io::stdout().lock();
    match a.shell {
        Some(shell) => clap_complete::generate(shell, &mut command, "twinkeel", &mut out),
        None => {
            if let Err(e) = clap_mangen::Man::new(command).render(&mut out) {
                return refuse(&e);
            }
        }
    }
    ExitCode::SUCCESS
}

/// Says what is wrong with usage or configuration.
pub(crate) fn refuse(why: &dyn std::fmt::Display) -> ExitCode {
    eprintln!("twinkeel: {why}");
    ExitCode::from(2)
}

/// Says that something could not be reached.
pub(crate) fn unreached(why: &dyn std::fmt::Display) -> ExitCode {
    eprintln!("twinkeel: {why}");
    ExitCode::from(3)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every command's arguments go together: else the command ends in a panic when it is called.
    #[test]
    fn commands_are_put_together_rightly() {
        Cli::command().debug_assert();
    }
}
