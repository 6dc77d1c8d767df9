//! A capture of MIDI bytes with their arrival, through the live reader.

use std::io::Write;

use base::{Direction, MonoTime, Span};
use serde_json::{Map, Value, json};
use timecode::midi::{
    ClockPosition, MachineCommand, MidiEvent, MidiReader, MidiReaderConfig, MtcFrom, MtcPosition, Place, TransportEvent,
};

use super::super::{InspectError, Outcome};

/// The file's time 0 on the reader's clock: a day on, so that times below zero have room.
const ZERO: MonoTime = MonoTime::from_nanos(86_400_000_000_000);
/// Stamps of arrival may go back by this much, in seconds, when two ports were merged; more is damage.
const SHUFFLED: f64 = 0.1;
/// Times are taken within these bounds, in seconds: a day before the file's zero, thirty years after it.
const BOUNDS: (f64, f64) = (-86_000.0, 1.0e9);

/// What has been read so far.
pub struct Capture<'a> {
    json: bool,
    out: &'a mut dyn Write,
    reader: MidiReader,
    events: Vec<MidiEvent>,
    lines: u64,
    /// The arrival at hand, as the file writes it.
    arrival: (MonoTime, f64),
}

impl<'a> Capture<'a> {
    /// Nothing yet.
    pub fn new(json: bool, out: &'a mut dyn Write) -> Capture<'a> {
        Capture {
            json,
            out,
            reader: MidiReader::new(MidiReaderConfig::default()),
            events: Vec::new(),
            lines: 0,
            arrival: (ZERO, 0.0),
        }
    }

    /// Reads every line and prints what each tells, by its time.
    ///
    /// # Errors
    /// When a line is no arrival.
    pub fn run(mut self, text: &str, wrong: &dyn Fn(String) -> InspectError) -> Result<Outcome, InspectError> {
        if !self.json {
            writeln!(self.out, "         t  what        where")?;
        }
        let mut last = f64::NEG_INFINITY;
        let mut bytes = Vec::new();
        for (number, line) in (1..).zip(text.lines()) {
            if line.trim().is_empty() {
                continue;
            }
            let t = arrival(line, &mut bytes).map_err(|what| wrong(format!("line {number}: {what}")))?;
            if t < last - SHUFFLED {
                return Err(wrong(format!(
                    "line {number}: t goes back from {last} to {t}; sort the lines by their arrival"
                )));
            }
            last = last.max(t);
            self.on_arrival(&bytes, last)?;
        }
        let events = &mut self.events;
        self.reader.finish(&mut |e| events.push(e));
        self.print()?;
        self.summary()
    }

    fn on_arrival(&mut self, bytes: &[u8], t: f64) -> Result<(), InspectError> {
        let at = ZERO + Span::from_secs_f64(t);
        self.arrival = (at, t);
        let events = &mut self.events;
        self.reader.on_bytes(bytes, at, &mut |e| events.push(e));
        self.print()
    }

    fn print(&mut self) -> Result<(), InspectError> {
        for event in std::mem::take(&mut self.events) {
            if self.json {
                if let Some(mut line) = as_json(&event) {
                    // The very figure of the capture, not the nearest nanosecond.
                    if line["t"] == json!(seconds(self.arrival.0)) {
                        line["t"] = json!(self.arrival.1);
                    }
                    writeln!(self.out, "{line}")?;
                    self.lines += 1;
                }
            } else if let Some((at, what, place)) = in_words(&event) {
                writeln!(self.out, "{:10.4}  {what:<10}  {place}", seconds(at))?;
                self.lines += 1;
            }
        }
        Ok(())
    }

    fn summary(self) -> Result<Outcome, InspectError> {
        let c = self.reader.counts();
        if self.json {
            let (messages, refused) = (c.messages, c.refused);
            let summary =
                json!({"messages": messages, "refused": refused, "mtc_positions": c.mtc_positions, "clocks": c.clocks});
            writeln!(self.out, "{}", json!({ "summary": summary }))?;
        } else {
            writeln!(
                self.out,
                "{} messages, {} refused; {} timecode positions, {} clocks",
                c.messages, c.refused, c.mtc_positions, c.clocks
            )?;
        }
        Ok(if self.lines > 0 { Outcome::Found } else { Outcome::Nothing })
    }
}

/// One line: its time, its bytes into `bytes`.
fn arrival(line: &str, bytes: &mut Vec<u8>) -> Result<f64, String> {
    const SHAPE: &str = "a line is {\"t\":seconds,\"hex\":\"f1 00\"}";
    let value: Value = serde_json::from_str(line).map_err(|e| format!("no JSON ({e}); {SHAPE}"))?;
    let t = value.get("t").and_then(Value::as_f64).ok_or_else(|| format!("\"t\" is missing or no number; {SHAPE}"))?;
    if !(BOUNDS.0..BOUNDS.1).contains(&t) {
        return Err(format!("\"t\" is {t} s; times are seconds from the start of the capture"));
    }
    let hex =
        value.get("hex").and_then(Value::as_str).ok_or_else(|| format!("\"hex\" is missing or no text; {SHAPE}"))?;
    bytes.clear();
    let mut high = None;
    for (place, c) in (1..).zip(hex.chars()) {
        match (c.to_digit(16), high) {
            (Some(digit), None) => high = Some(digit as u8),
            (Some(digit), Some(h)) => {
                bytes.push(h << 4 | digit as u8);
                high = None;
            }
            (None, None) if c.is_whitespace() || c == ',' => {}
            _ => return Err(format!("\"hex\", character {place}: {c:?} is no pair of hexadecimal digits")),
        }
    }
    match high {
        None => Ok(t),
        Some(_) => Err("\"hex\" ends with half a byte".into()),
    }
}

fn seconds(at: MonoTime) -> f64 {
    (at - ZERO).secs_f64()
}

fn as_json(event: &MidiEvent) -> Option<Value> {
    Some(match *event {
        MidiEvent::Mtc(MtcPosition { at, from, timecode, frames, direction, .. }) => json!({
            "t": seconds(at),
            "kind": "mtc",
            "from": match from { MtcFrom::QuarterFrame => "quarter-frame", MtcFrom::FullFrame => "full-frame" },
            "timecode": timecode.to_string(),
            "rate": timecode.rate().name(),
            "direction": direction_word(direction),
            "position_frames": frames,
        }),
        MidiEvent::Clock(c @ ClockPosition { at, clocks, tempo }) => json!({
            "t": seconds(at),
            "kind": "clock",
            "state": "rolling",
            "clocks": clocks,
            "beats": c.beats(),
            "bpm": tempo.map(|b| b.0),
        }),
        MidiEvent::Transport { at, event, place } => transport(at, transport_word(event), place),
        MidiEvent::Machine { at, command } => {
            let (word, place) = machine_words(command);
            transport(at, word, place)
        }
        MidiEvent::Patch { at, channel, bank_msb, bank_lsb, program } => json!({
            "t": seconds(at),
            "kind": "patch",
            "channel": channel,
            "bank_msb": bank_msb,
            "bank_lsb": bank_lsb,
            "program": program,
        }),
        _ => return None,
    })
}

fn transport(at: MonoTime, event: &str, place: Option<Place>) -> Value {
    let mut line = Map::new();
    line.insert("t".into(), json!(seconds(at)));
    line.insert("kind".into(), json!("transport"));
    line.insert("event".into(), json!(event));
    match place {
        Some(Place::Clocks(clocks)) => line.insert("clocks".into(), json!(clocks)),
        Some(Place::Timecode(t)) => line.insert("timecode".into(), json!(t.to_string())),
        None => line.insert("timecode".into(), Value::Null),
    };
    Value::Object(line)
}

fn in_words(event: &MidiEvent) -> Option<(MonoTime, String, String)> {
    let place_words = |place: Option<Place>| match place {
        Some(Place::Clocks(c)) => format!("clock {c}"),
        Some(Place::Timecode(t)) => t.to_string(),
        None => String::new(),
    };
    Some(match *event {
        MidiEvent::Mtc(p) => {
            let way = match p.from {
                MtcFrom::QuarterFrame => direction_word(p.direction),
                MtcFrom::FullFrame => "full frame",
            };
            let fraction = p.frames.fract();
            (p.at, "timecode".into(), format!("{} +{fraction:.2}  {} fps, {way}", p.timecode, p.timecode.rate().name()))
        }
        MidiEvent::Clock(c) => {
            let tempo = c.tempo.map_or(String::from("tempo not known yet"), |b| format!("{b:.2}"));
            (c.at, "clock".into(), format!("beat {:.3}  {tempo}", c.beats()))
        }
        MidiEvent::Transport { at, event, place } => (at, transport_word(event).into(), place_words(place)),
        MidiEvent::Machine { at, command } => {
            let (word, place) = machine_words(command);
            (at, word.into(), format!("{}  asked by machine control", place_words(place)).trim().into())
        }
        MidiEvent::Patch { at, channel, bank_msb, bank_lsb, program } => {
            let bank = |b: Option<u8>| b.map_or(String::from("-"), |b| b.to_string());
            let (msb, lsb) = (bank(bank_msb), bank(bank_lsb));
            (at, "patch".into(), format!("channel {channel}, bank {msb}/{lsb}, program {program}"))
        }
        MidiEvent::Refused { at, why } => (at, "refused".into(), format!("{why:?}").to_lowercase()),
        _ => return None,
    })
}

const fn direction_word(direction: Direction) -> &'static str {
    match direction {
        Direction::Forward => "forward",
        Direction::Reverse => "reverse",
        Direction::None => "none",
    }
}

const fn transport_word(event: TransportEvent) -> &'static str {
    match event {
        TransportEvent::Start => "start",
        TransportEvent::Stop => "stop",
        TransportEvent::Continue => "continue",
        TransportEvent::Locate => "locate",
        TransportEvent::Stall => "stall",
    }
}

const fn machine_words(command: MachineCommand) -> (&'static str, Option<Place>) {
    match command {
        MachineCommand::Stop | MachineCommand::Pause => ("stop", None),
        MachineCommand::Play => ("continue", None),
        MachineCommand::Locate(t) => ("locate", Some(Place::Timecode(t))),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    fn run(text: &str) -> Result<(Outcome, Vec<Value>), String> {
        let mut out = Vec::new();
        let outcome = Capture::new(true, &mut out).run(text, &InspectError).map_err(|e| e.0)?;
        let lines = String::from_utf8(out).unwrap();
        Ok((outcome, lines.lines().map(|l| serde_json::from_str(l).unwrap()).collect()))
    }

    #[test]
    fn a_full_frame_and_a_clock() {
        let (outcome, lines) =
            run("{\"t\":0.5,\"hex\":\"f07f 7f 0101 6102\"}\n\n{\"t\":0.6,\"hex\":\"0304f7 fa f8\"}\n").unwrap();
        assert_eq!(outcome, Outcome::Found);
        let full = lines.iter().find(|l| l["kind"] == "mtc").unwrap();
        assert_eq!(full["timecode"], "01:02:03:04");
        assert_eq!((full["t"].as_f64(), &full["direction"], &full["rate"]), (Some(0.6), &json!("none"), &json!("30")));
        assert_eq!(full["position_frames"], 30.0 * 3723.0 + 4.0);
        let clock = lines.iter().find(|l| l["kind"] == "clock").unwrap();
        assert_eq!((&clock["clocks"], &clock["bpm"]), (&json!(0), &Value::Null));
        let summary = &lines.last().unwrap()["summary"];
        assert_eq!(summary, &json!({"messages": 3, "refused": 0, "mtc_positions": 1, "clocks": 1}));
    }

    #[test]
    fn nothing_is_no_error_and_damage_names_its_place() {
        let (outcome, lines) = run("").unwrap();
        assert_eq!((outcome, lines.len()), (Outcome::Nothing, 1));
        for (text, place) in [
            ("{\"t\":0,\"hex\":\"\"}\nnonsense", "line 2: no JSON"),
            ("{\"hex\":\"f8\"}", "line 1: \"t\""),
            ("{\"t\":0}", "line 1: \"hex\""),
            ("{\"t\":0,\"hex\":\"f\"}", "half a byte"),
            ("{\"t\":0,\"hex\":\"f8 g0\"}", "character 4"),
            ("{\"t\":1e300,\"hex\":\"\"}", "seconds"),
            ("{\"t\":2,\"hex\":\"f8\"}\n{\"t\":1,\"hex\":\"f8\"}", "line 2: t goes back"),
        ] {
            let e = run(text).unwrap_err();
            assert!(e.contains(place), "{e}");
        }
    }
}
