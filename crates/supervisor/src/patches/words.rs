//! Devices and what is wrong with them, in words and as the page has them.

use base::{Machine, ShowPosition, Span};
use settings::devices::Device;
use timecode::Timecode;
use watch::patches::{Finding, Sent, What};

use super::MachineIs;
use super::one::One;
use crate::scribe::Facts;
use crate::snapshot::{ChannelView, DeviceView};

/// A device as the page has it, but for its alarms.
pub fn view(d: &One, is: MachineIs, facts: &Facts) -> DeviceView {
    let channel = |n: &u8| {
        let c = d.have.channel(*n)?;
        let expected = facts
            .song(is.song)
            .filter(|_| is.place.is_some())
            .and_then(|s| s.patches.iter().filter(|p| p.channel == *n && p.at.0 <= is.in_song).max_by_key(|p| p.at.0));
        Some(ChannelView {
            channel: *n,
            bank_msb: c.bank[0],
            bank_lsb: c.bank[1],
            program: c.program,
            name: c.program.and_then(|p| d.device.patch_name(p)).map(Into::into),
            since: d.have.since(*n),
            expected: expected.map(|p| p.program),
            notes_held: c.held.count_ones(),
            text: in_force(d, *n, expected.map(|p| p.program)),
        })
    };
    DeviceView {
        name: d.device.name.clone(),
        channels: d.device.channels.iter().filter_map(channel).collect(),
        gate: d.device.gate,
        importance: d.device.importance,
        chase: d.device.chase,
        chased: d.chased.map(|c| c.1),
        alarms: Vec::new(),
    }
}

/// `channel 3: program 12 (warm strings) in bank 0/2`.
fn in_force(d: &One, n: u8, expected: Option<u8>) -> String {
    let Some(c) = d.have.channel(n) else { return String::new() };
    let named =
        |p: u8| d.device.patch_name(p).map_or_else(|| format!("program {p}"), |name| format!("program {p} ({name})"));
    let mut text = match c.program {
        Some(p) => format!("channel {n}: {}", named(p)),
        None => format!("channel {n}: no program was sent yet"),
    };
    if c.bank != [None; 2] {
        let part = |b: Option<u8>| b.map_or_else(|| "-".into(), |b| b.to_string());
        text += &format!(" in bank {}/{}", part(c.bank[0]), part(c.bank[1]));
    }
    match expected {
        Some(e) if c.program != Some(e) => text += &format!("; the show says {}", named(e)),
        _ => {}
    }
    text
}

/// A finding's sentence.
pub fn sentence(m: Machine, f: &Finding, place: &str, device: &Device) -> String {
    let e = f.heard.event;
    let named = match e.sent {
        Sent::Program(p) => device.patch_name(p).map_or_else(String::new, |n| format!(" ({n})")),
        _ => String::new(),
    };
    match f.what {
        What::Missing => format!("{m} did not send {e}{named}{place}."),
        What::Late(by) => format!("{m} sent {e}{named} {:.0} ms late{place}.", by.millis_f64()),
        What::Different(w) => format!("{m} sent {w} instead of {e}{named}{place}."),
        What::Doubled => format!("{m} sent {e}{named} twice{place}."),
        What::Extra => format!("{m} sent {e}{named}{place}, and the other machine did not."),
    }
}

/// A finding's code in the record.
pub const fn code(what: What) -> &'static str {
    match what {
        What::Missing => "patch-missing",
        What::Late(_) => "patch-late",
        What::Different(_) => "patch-different",
        What::Doubled => "patch-doubled",
        What::Extra => "patch-extra",
    }
}

/// ` at bar 9 of Harbour Lights`.
pub fn place_in_words(facts: &Facts, at: Span) -> String {
    let Some(show) = &facts.show else { return String::new() };
    let place = facts.songs.place(ShowPosition::Timecode { rate: show.frame_rate, at }, None);
    match place.and_then(|p| Some((facts.song(p.song)?.name.clone(), p.bar_beat))) {
        Some((song, Some(b))) => format!(" at bar {} of {song}", b.bar),
        Some((song, None)) => format!(" in {song}"),
        None => format!(" at {}", Timecode::at(show.frame_rate, at).0),
    }
}
