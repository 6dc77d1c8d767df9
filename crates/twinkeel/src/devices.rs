//! `twinkeel devices`: what can be named in agent.toml and rig.toml.

use std::io::Write;
use std::process::ExitCode;

use ports::PortDirection;

/// Arguments of `twinkeel devices`.
#[derive(clap::Args)]
#[command(after_help = "Example: twinkeel devices --json")]
pub struct DevicesArgs {
    /// As JSON.
    #[arg(long)]
    json: bool,
}

/// Lists what there is. Exit code 1 when there is nothing.
pub fn run(a: &DevicesArgs) -> ExitCode {
    let (midi, audio) = (ports::list_midi(), ports::list_audio());
    let mut out = std::io::stdout().lock();
    let told = if a.json { json(&mut out, &midi, &audio) } else { table(&mut out, &midi, &audio) };
    // A reader that has seen enough closes the pipe.
    let _ = told;
    if midi.found.is_empty() && audio.found.is_empty() { ExitCode::from(1) } else { ExitCode::SUCCESS }
}

type Midi = ports::Listing<ports::MidiPort>;
type Audio = ports::Listing<ports::AudioDevice>;

fn way(d: PortDirection) -> &'static str {
    match d {
        PortDirection::In => "in",
        PortDirection::Out => "out",
    }
}

fn json(out: &mut impl Write, midi: &Midi, audio: &Audio) -> std::io::Result<()> {
    let value = serde_json::json!({
        "midi": midi.found.iter().map(|p| serde_json::json!({
            "host": p.host, "name": p.name, "direction": way(p.direction),
        })).collect::<Vec<_>>(),
        "audio": audio.found.iter().map(|d| serde_json::json!({
            "host": d.host, "name": d.name, "inputs": d.inputs, "outputs": d.outputs,
            "sample_rate_hz": d.sample_rate.map(|r| r.0), "default": d.is_default,
        })).collect::<Vec<_>>(),
        "notes": midi.notes.iter().chain(&audio.notes).collect::<Vec<_>>(),
    });
    writeln!(out, "{value}")
}

fn table(out: &mut impl Write, midi: &Midi, audio: &Audio) -> std::io::Result<()> {
    writeln!(out, "MIDI ports{}", if midi.found.is_empty() { ": none" } else { "" })?;
    for p in &midi.found {
        writeln!(out, "  {:8} {:3}  {}", p.host, way(p.direction), p.name)?;
    }
    writeln!(out, "Audio devices{}", if audio.found.is_empty() { ": none" } else { "" })?;
    for d in &audio.found {
        let rate = d.sample_rate.map_or_else(String::new, |r| format!("{:.0} Hz", r.0));
        let mark = if d.is_default { "  (default)" } else { "" };
        writeln!(out, "  {:8} {:2} in {:2} out {:>9}  {}{mark}", d.host, d.inputs, d.outputs, rate, d.name)?;
    }
    for n in midi.notes.iter().chain(&audio.notes) {
        writeln!(out, "note: {n}")?;
    }
    Ok(())
}
