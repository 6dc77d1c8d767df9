//! A Standard MIDI File: what matters to a show, and what is in force at any time.

use std::io::Write;

use base::Span;
use serde_json::{Map, Value, json};
use timecode::chase::ChannelState;
use timecode::smf::{Smf, SmfEvent, SmfWhat};
use timecode::tempo_map::Division;

use super::super::{InspectError, Outcome};

/// Prints the file's contents, or with `at` what is in force then.
///
/// # Errors
/// When the bytes are no Standard MIDI File of format 0 or 1.
pub fn run(
    bytes: &[u8],
    at: Option<f64>,
    as_json: bool,
    out: &mut dyn Write,
    wrong: &dyn Fn(String) -> InspectError,
) -> Result<Outcome, InspectError> {
    let smf = Smf::parse(bytes).map_err(|e| wrong(e.to_string()))?;
    let mut lines = 0u64;
    if let Some(t) = at {
        if !t.is_finite() {
            return Err(wrong(format!("--at {t}: a time is a number of seconds")));
        }
        chase(&smf, t, as_json, out)?;
        lines += 1;
    } else {
        for event in smf.events() {
            let line = if as_json { line_json(event).map(|l| l.to_string()) } else { line_words(event) };
            if let Some(line) = line {
                writeln!(out, "{line}")?;
                lines += 1;
            }
        }
    }
    summary(&smf, as_json, out)?;
    Ok(if lines > 0 { Outcome::Found } else { Outcome::Nothing })
}

fn line_json(event: &SmfEvent) -> Option<Value> {
    let seconds = event.at.secs_f64();
    Some(match &event.what {
        SmfWhat::Tempo(micros) => {
            json!({"kind": "tempo", "tick": event.tick, "seconds": seconds, "bpm": bpm(*micros)})
        }
        SmfWhat::Meter(numerator, power) => {
            json!({"kind": "meter", "seconds": seconds, "numerator": numerator, "denominator": denominator(*power)})
        }
        SmfWhat::Marker(text) => json!({"kind": "marker", "seconds": seconds, "text": text}),
        SmfWhat::Cue(text) => json!({"kind": "cue", "seconds": seconds, "text": text}),
        SmfWhat::Patch { channel, bank_msb, bank_lsb, program } => json!({
            "kind": "patch",
            "seconds": seconds,
            "channel": channel,
            "bank_msb": bank_msb,
            "bank_lsb": bank_lsb,
            "program": program,
        }),
        SmfWhat::Control(..) | SmfWhat::Bend(..) => return None,
    })
}

fn line_words(event: &SmfEvent) -> Option<String> {
    let what = match &event.what {
        SmfWhat::Tempo(micros) => {
            bpm(*micros).map_or("tempo    stands still".into(), |b| format!("tempo    {b:.3} bpm"))
        }
        SmfWhat::Meter(numerator, power) => match denominator(*power) {
            Some(d) => format!("meter    {numerator}/{d}"),
            None => format!("meter    {numerator}/2^{power}"),
        },
        SmfWhat::Marker(text) => format!("marker   {}", printable(text)),
        SmfWhat::Cue(text) => format!("cue      {}", printable(text)),
        SmfWhat::Patch { channel, bank_msb, bank_lsb, program } => {
            let bank = |b: &Option<u8>| b.map_or(String::from("-"), |b| b.to_string());
            format!("patch    channel {channel}, bank {}/{}, program {program}", bank(bank_msb), bank(bank_lsb))
        }
        SmfWhat::Control(..) | SmfWhat::Bend(..) => return None,
    };
    Some(format!("{:10.4}  {what}", event.at.secs_f64()))
}

fn chase(smf: &Smf, t: f64, as_json: bool, out: &mut dyn Write) -> Result<(), InspectError> {
    let chase = smf.chase(Span::from_secs_f64(t));
    if as_json {
        let channels: Map<String, Value> = chase.touched().map(|(n, c)| (n.to_string(), channel_json(c))).collect();
        writeln!(out, "{}", json!({"kind": "chase", "t": t, "channels": channels}))?;
        return Ok(());
    }
    writeln!(out, "in force at {t} s:")?;
    for (n, c) in chase.touched() {
        let word = |v: Option<u8>| v.map_or(String::from("-"), |v| v.to_string());
        let (msb, lsb, program) = (word(c.bank_msb()), word(c.bank_lsb()), word(c.program()));
        write!(out, "channel {n:2}: bank {msb}/{lsb}, program {program}")?;
        for (controller, value) in c.controllers() {
            write!(out, ", controller {controller} = {value}")?;
        }
        if let Some(bend) = c.bend() {
            write!(out, ", bend {bend}")?;
        }
        writeln!(out)?;
    }
    Ok(())
}

fn channel_json(c: &ChannelState) -> Value {
    let controllers: Map<String, Value> = c.controllers().map(|(n, v)| (n.to_string(), json!(v))).collect();
    json!({
        "bank_msb": c.bank_msb(),
        "bank_lsb": c.bank_lsb(),
        "program": c.program(),
        "controllers": controllers,
        "bend": c.bend(),
    })
}

fn summary(smf: &Smf, as_json: bool, out: &mut dyn Write) -> Result<(), InspectError> {
    let (length, tracks) = (smf.length().secs_f64(), smf.tracks());
    let ticks_per_beat = match smf.tempo_map().division() {
        Division::Beat(n) => Some(n),
        Division::Frame(..) => None,
    };
    if as_json {
        let summary = json!({"length_s": length, "tracks": tracks, "ticks_per_beat": ticks_per_beat});
        writeln!(out, "{}", json!({ "summary": summary }))?;
        return Ok(());
    }
    let division = match smf.tempo_map().division() {
        Division::Beat(n) => format!("{n} ticks a beat"),
        Division::Frame(rate, n) => format!("{n} ticks a frame at {} frames a second", rate.name()),
    };
    writeln!(out, "{length:.3} s, {tracks} tracks, {division}")?;
    Ok(())
}

fn bpm(micros: u32) -> Option<f64> {
    (micros > 0).then(|| 60.0e6 / f64::from(micros))
}

/// Beyond 2^63 there is no number to write.
fn denominator(power: u8) -> Option<u64> {
    1u64.checked_shl(u32::from(power))
}

/// Text from a file does not steer the terminal.
fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}
