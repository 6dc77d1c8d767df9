//! `twinkeel devices`: what can be named in agent.toml and rig.toml.

use std::io::Write;
use std::process::ExitCode;

use ports::PortDirection;

/// The table's width in columns.
const WIDTH: usize = 80;

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
        wrapped(out, &format!("  {:10} {:3}  ", p.host, way(p.direction)), &p.name)?;
    }
    writeln!(out, "Audio devices{}", if audio.found.is_empty() { ": none" } else { "" })?;
    for d in &audio.found {
        let rate = d.sample_rate.map_or_else(String::new, |r| format!("{:.0} Hz", r.0));
        let mark = if d.is_default { "  (default)" } else { "" };
        let head = format!("  {:10} {:2} in {:2} out {rate:>9}  ", d.host, d.inputs, d.outputs);
        wrapped(out, &head, &format!("{}{mark}", d.name))?;
    }
    // Two hosts' listings may fail for one cause.
    let mut said = Vec::new();
    for n in midi.notes.iter().chain(&audio.notes) {
        if !said.contains(&n) {
            said.push(n);
            wrapped(out, "note: ", n)?;
        }
    }
    Ok(())
}

/// Writes a text behind its head, and what does not fit on lines below it: a name is to be copied whole.
pub(crate) fn wrapped(out: &mut impl Write, head: &str, text: &str) -> std::io::Result<()> {
    let indent = head.chars().count();
    // A head that leaves no place (a host with a very long name) still leaves some.
    let room = WIDTH.saturating_sub(indent).max(20);
    let mut line = head.to_owned();
    let mut rest: Vec<char> = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    while rest.len() > room {
        let cut = rest[..=room].iter().rposition(|c| *c == ' ').filter(|i| *i > 0).unwrap_or(room);
        line.extend(rest.drain(..cut));
        writeln!(out, "{}", line.trim_end())?;
        line = " ".repeat(indent);
        if rest.first() == Some(&' ') {
            rest.remove(0);
        }
    }
    line.extend(rest);
    writeln!(out, "{}", line.trim_end())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use base::Hertz;

    fn listings(name: &str) -> (Midi, Audio) {
        let port = ports::MidiPort { host: "default".into(), name: name.into(), direction: PortDirection::In };
        let device = ports::AudioDevice {
            host: "pulseaudio".into(),
            name: name.into(),
            inputs: 64,
            outputs: 64,
            sample_rate: Some(Hertz(192_000.0)),
            is_default: true,
        };
        let note = "jack: no JACK server is running".to_string();
        let midi = ports::Listing { found: vec![port], notes: vec![note.clone()] };
        (midi, ports::Listing { found: vec![device], notes: vec![note] })
    }

    #[test]
    fn the_table_keeps_to_80_columns_and_loses_nothing() {
        let words = "A stage box of many channels, ninth of its kind, on the second network (USB, left of the desk)";
        for name in
            [words, &"nospacesatall".repeat(20), "kurz", "Bühne links, Gerät für Töne, mit vielen Kanälen, überall", ""]
        {
            let (midi, audio) = listings(name);
            let mut out = Vec::new();
            table(&mut out, &midi, &audio).unwrap();
            let text = String::from_utf8(out).unwrap();
            assert!(text.lines().all(|l| l.chars().count() <= WIDTH), "{text}");
            let bare = |t: &str| t.chars().filter(|c| !c.is_whitespace()).collect::<String>();
            assert_eq!(bare(&text).matches(&bare(name)).count().min(2), 2, "{text}");
            assert_eq!(text.matches("no JACK server").count(), 1, "{text}");
        }
    }

    #[test]
    fn json_has_names_whole_and_every_note() {
        let name = "a name with a \" in it, and longer than eighty columns would have it, which matters to nobody here";
        let (midi, audio) = listings(name);
        let mut out = Vec::new();
        json(&mut out, &midi, &audio).unwrap();
        let v: serde_json::Value = serde_json::from_slice(&out).unwrap();
        assert_eq!((&v["midi"][0]["name"], &v["audio"][0]["name"]), (&name.into(), &name.into()));
        assert_eq!(v["audio"][0]["sample_rate_hz"], 192_000.0);
        assert_eq!(v["notes"].as_array().map(Vec::len), Some(2));
    }
}
