//! `twinkeel inspect beats`: the failure detector over a record of beats.
//!
//! Only one-way stamps stand in such a record, so the clocks' difference is the least delay seen lately, found causally as
//! the live path would: the network's own least delay cannot be told from it and is taken as none. All times printed are on
//! the sender's clock, from the first beat on.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};

use base::{MonoTime, Span};
use measure::detector::{BeatDetector, BeatVerdict, DetectorConfig};
use serde_json::json;

use super::{InspectError, Outcome};

/// Judge a record of beats: when was the sender heard, when silent
#[derive(clap::Args, Debug)]
#[command(after_help = "Example: twinkeel inspect beats beats.csv --crash-at 60 --json

Columns, by the names in the first line: seq, send_us, recv_us in microseconds, send_us on the sender's monotonic clock, \
recv_us on the receiver's. An empty recv_us is a lost beat; a beat that came on two paths has two lines; other columns \
are ignored. The clocks' difference is taken from the least delay.")]
pub struct BeatsArgs {
    /// The record: CSV with the columns seq,send_us,recv_us
    #[arg(value_name = "FILE.csv")]
    pub file: PathBuf,
    /// Time between two beats; found from the record if not given
    #[arg(long, value_name = "MS")]
    pub interval: Option<f64>,
    /// The sender crashed at this time of the record: only what was sent before it counts
    #[arg(long, value_name = "SECONDS")]
    pub crash_at: Option<f64>,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

/// Reads the file and prints each change of verdict.
///
/// # Errors
/// When the file cannot be read, a line of it is not a beat, or an option makes no sense.
pub fn run(args: &BeatsArgs, out: &mut dyn Write) -> Result<Outcome, InspectError> {
    let mut beats = read(&args.file)?;
    let start = beats.first().map_or(0, |b| b.sent);
    let crash = args.crash_at.map(|s| option("--crash-at", s, 1e9)).transpose()?;
    if let Some(crash) = crash {
        beats.retain(|b| b.sent - start < crash);
    }
    let interval = match args.interval {
        Some(ms) => Span::from_nanos(option("--interval", ms, 1e6)?),
        None => usual_interval(&beats),
    };
    if interval < Span::from_micros(100) {
        return Err(InspectError("--interval: beats come at least 0.1 ms apart".into()));
    }
    let mut play = Play::new(interval, start, crash, args.json);
    if !args.json {
        writeln!(out, "{:>14}  {:<7} {:>12}", "t s", "verdict", "waited ms")?;
    }
    play.all(&beats, out)?;
    play.summary(&beats, out)?;
    Ok(if beats.iter().any(|b| b.arrived.is_some()) { Outcome::Found } else { Outcome::Nothing })
}

/// An option's figure in units of `scale` nanoseconds.
fn option(name: &str, value: f64, scale: f64) -> Result<i64, InspectError> {
    if value.is_finite() && value > 0.0 && value < 1e9 {
        Ok((value * scale).round() as i64)
    } else {
        Err(InspectError(format!("{name}: {value} makes no sense here; give a positive number")))
    }
}

/// One line of the record, in nanoseconds.
struct Beat {
    seq: u64,
    sent: i64,
    arrived: Option<i64>,
}

fn read(path: &Path) -> Result<Vec<Beat>, InspectError> {
    let shown = path.display();
    let wrong = |what: String| InspectError(format!("{shown}: {what}"));
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        .from_path(path)
        .map_err(|e| wrong(format!("cannot be read: {e}")))?;
    let header = reader.headers().map_err(|e| wrong(format!("line 1: {e}")))?.clone();
    let column = |name: &str| {
        let at = header.iter().position(|h| h.trim_start_matches('\u{feff}') == name);
        at.ok_or_else(|| wrong(format!("line 1: no column is called {name}; seq,send_us,recv_us are needed")))
    };
    let (seq, send, recv) = (column("seq")?, column("send_us")?, column("recv_us")?);
    let mut beats = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|e| wrong(e.to_string()))?;
        let line = record.position().map_or(0, csv::Position::line);
        let bad = |name: &str, text: &str, mend: &str| wrong(format!("line {line}: {name}: \"{text}\" {mend}"));
        let text = |at: usize| record.get(at).unwrap_or("");
        let number = text(seq).parse().map_err(|_| bad("seq", text(seq), "is no whole number from 0"))?;
        let sent = nanos(text(send)).ok_or_else(|| bad("send_us", text(send), "is no time in microseconds"))?;
        let arrived =
            match text(recv) {
                "" => None,
                some => Some(nanos(some).ok_or_else(|| {
                    bad("recv_us", some, "is no time in microseconds (leave it empty for a lost beat)")
                })?),
            };
        beats.push(Beat { seq: number, sent, arrived });
    }
    Ok(beats)
}

/// Microseconds as text to nanoseconds; what would not fit in thirty years is refused.
fn nanos(text: &str) -> Option<i64> {
    let us: f64 = text.parse().ok()?;
    (us.is_finite() && us.abs() < 1e15).then(|| {
        // Whole microseconds stay exact however long the clock has run.
        text.parse::<i64>().map_or((us * 1e3).round() as i64, |us| us * 1_000)
    })
}

/// The median time between two beats, by the sender's stamps.
fn usual_interval(beats: &[Beat]) -> Span {
    let step = |w: &[Beat]| {
        let ahead = i64::try_from(w[1].seq.checked_sub(w[0].seq)?).ok().filter(|n| *n > 0)?;
        Some((w[1].sent - w[0].sent) / ahead).filter(|ns| *ns > 0)
    };
    let mut steps: Vec<i64> = beats.windows(2).filter_map(step).collect();
    let middle = steps.len() / 2;
    if steps.is_empty() {
        return DetectorConfig::default().interval;
    }
    Span::from_nanos(*steps.select_nth_unstable(middle).1)
}

/// So many arrivals make a block; the least delay is looked for in the present block and the one before.
const BLOCK: u32 = 100;

/// Receiver's clock minus sender's, and the least delay, as far as one-way stamps can tell.
struct LeastDelay {
    before: i64,
    now: i64,
    left: u32,
}

impl LeastDelay {
    const NEW: LeastDelay = LeastDelay { before: i64::MAX, now: i64::MAX, left: BLOCK };

    fn on_arrival(&mut self, delay: i64) -> i64 {
        if self.left == 0 {
            *self = LeastDelay { before: self.now, ..LeastDelay::NEW };
        }
        self.left -= 1;
        self.now = self.now.min(delay);
        self.now.min(self.before)
    }
}

/// Room below the record's first instant, so that none is less than zero.
const ROOM: i64 = 1 << 60;

struct Play {
    detector: BeatDetector,
    interval: Span,
    json: bool,
    start: i64,
    crash: Option<i64>,
    delay: LeastDelay,
    /// What to take off the receiver's clock to read the sender's.
    offset: i64,
    mistakes: u64,
    detected: Option<i64>,
}

impl Play {
    fn new(interval: Span, start: i64, crash: Option<i64>, json: bool) -> Play {
        let detector = BeatDetector::new(DetectorConfig::every(interval));
        let delay = LeastDelay::NEW;
        Play { detector, interval, json, start, crash, delay, offset: 0, mistakes: 0, detected: None }
    }

    fn all(&mut self, beats: &[Beat], out: &mut dyn Write) -> Result<(), InspectError> {
        let mut order: Vec<(i64, &Beat)> = beats.iter().filter_map(|b| Some((b.arrived?, b))).collect();
        order.sort_by_key(|(at, _)| *at);
        let Some(origin) = order.first().map(|(at, _)| *at) else { return Ok(()) };
        // Instants of the receiver, counted from its first one.
        let instant = |at: i64| MonoTime::from_nanos((ROOM + (at - origin)).max(0).unsigned_abs());
        let since = |at: MonoTime| at.nanos() as i64 - ROOM + origin;
        for (at, beat) in order {
            self.deadlines(instant(at), &since, out)?;
            self.offset = self.delay.on_arrival(at - beat.sent);
            let verdict = self.detector.on_beat(0, beat.seq, Some(instant(beat.sent + self.offset)), instant(at));
            if let Some(BeatVerdict::Heard { waited }) = verdict {
                self.detected = None;
                self.line("heard", at, waited, out)?;
            }
        }
        // Without a crash the record goes on as long as something was sent; what came later nobody knows.
        let until = match self.crash {
            Some(_) => MonoTime::FAR,
            None => instant(beats.iter().map(|b| b.sent).max().unwrap_or(0).saturating_add(self.offset)),
        };
        self.deadlines(until, &since, out)
    }

    fn deadlines(
        &mut self,
        until: MonoTime,
        since: &impl Fn(MonoTime) -> i64,
        out: &mut dyn Write,
    ) -> Result<(), InspectError> {
        while let Some(deadline) = self.detector.next_deadline().filter(|d| *d < until) {
            let Some(BeatVerdict::Silent { waited, .. }) = self.detector.on_time(deadline, Span::ZERO) else { break };
            let at = since(deadline);
            let lived = self.crash.is_none_or(|crash| at - self.offset - self.start < crash);
            self.mistakes += u64::from(lived);
            self.detected = Some(at - self.offset - self.start);
            self.line("silent", at, Some(waited), out)?;
        }
        Ok(())
    }

    fn line(&self, verdict: &str, at: i64, waited: Option<Span>, out: &mut dyn Write) -> Result<(), InspectError> {
        let t = (at - self.offset - self.start) as f64 / 1e9;
        let waited = waited.map(Span::millis_f64);
        if self.json {
            writeln!(out, "{}", json!({"t": t, "verdict": verdict, "waited_ms": waited}))?;
        } else {
            let waited = waited.map_or("-".into(), |w| format!("{w:.3}"));
            writeln!(out, "{t:>14.6}  {verdict:<7} {waited:>12}")?;
        }
        Ok(())
    }

    fn summary(&self, beats: &[Beat], out: &mut dyn Write) -> Result<(), InspectError> {
        let sent: BTreeSet<u64> = beats.iter().map(|b| b.seq).collect();
        let came: BTreeSet<u64> = beats.iter().filter(|b| b.arrived.is_some()).map(|b| b.seq).collect();
        let lost = sent.len() - came.len();
        let deadline = (self.interval + self.detector.margin()).millis_f64();
        // Suspected when it crashed, and not heard since: no time passed.
        let detected = self.crash.zip(self.detected).map(|(crash, at)| (at - crash).max(0) as f64 / 1e6);
        if self.json {
            let summary = json!({
                "beats": sent.len(), "lost": lost, "mistakes": self.mistakes, "deadline_ms": deadline,
                "interval_ms": self.interval.millis_f64(), "detected_after_ms": detected,
            });
            writeln!(out, "{}", json!({"summary": summary}))?;
        } else {
            let (beats, mistakes, every) = (sent.len(), self.mistakes, self.interval.millis_f64());
            writeln!(
                out,
                "{beats} beats every {every:.3} ms, {lost} lost, {mistakes} mistakes; a beat is waited for {deadline:.1} ms."
            )?;
            if let Some(after) = detected {
                writeln!(out, "The crash was detected after {after:.3} ms.")?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;

    fn inspect(csv: &str, crash_at: Option<f64>) -> Result<(Outcome, Vec<serde_json::Value>), InspectError> {
        let dir = std::env::temp_dir().join(format!("twinkeel-beats-{}-{:p}", std::process::id(), csv));
        std::fs::write(&dir, csv).unwrap();
        let mut out = Vec::new();
        let args = BeatsArgs { file: dir.clone(), interval: None, crash_at, json: true };
        let outcome = run(&args, &mut out);
        std::fs::remove_file(&dir).unwrap();
        let lines = String::from_utf8(out).unwrap();
        Ok((outcome?, lines.lines().map(|l| serde_json::from_str(l).unwrap()).collect()))
    }

    /// 5 ms beats, 0.1 ms on the way, clocks 7 s apart.
    fn record(beats: u64, lost: impl Fn(u64) -> bool) -> String {
        let mut csv = String::from("path,seq,send_us,recv_us\n");
        for seq in 0..beats {
            let sent = 1_000_000 + seq * 5_000;
            let received = if lost(seq) { String::new() } else { (sent + 7_000_100).to_string() };
            csv += &format!("1,{seq},{sent},{received}\n");
        }
        csv
    }

    #[test]
    fn a_crash_is_found_in_two_beats() {
        let (outcome, lines) = inspect(&record(2_000, |_| false), Some(4.0021)).unwrap();
        assert_eq!(outcome, Outcome::Found);
        let verdicts: Vec<&str> = lines.iter().filter_map(|l| l["verdict"].as_str()).collect();
        assert_eq!(verdicts, ["heard", "silent"]);
        assert!(lines[0]["waited_ms"].is_null());
        let summary = &lines[2]["summary"];
        assert_eq!((summary["beats"].as_u64(), summary["mistakes"].as_u64()), (Some(801), Some(0)));
        let after = summary["detected_after_ms"].as_f64().unwrap();
        // The last beat left 2.1 ms before the crash; the next was due 2.9 ms after it.
        assert!((after - (2.9 + 6.125)).abs() < 0.1, "{after}");
        assert!((lines[1]["t"].as_f64().unwrap() - 4.0021 - after / 1e3).abs() < 1e-6);
    }

    #[test]
    fn a_gap_in_a_living_sender_is_a_mistake() {
        let (_, lines) = inspect(&record(2_000, |seq| (500..508).contains(&seq)), None).unwrap();
        let summary = &lines.last().unwrap()["summary"];
        assert_eq!((summary["lost"].as_u64(), summary["mistakes"].as_u64()), (Some(8), Some(1)));
        assert!(summary["detected_after_ms"].is_null());
        assert_eq!(lines.len(), 4);
    }

    #[test]
    fn nothing_that_came_is_no_error_and_bad_lines_are_named() {
        let (outcome, lines) = inspect(&record(10, |_| true), None).unwrap();
        assert_eq!((outcome, lines.len()), (Outcome::Nothing, 1));
        let error = inspect("seq,send_us,recv_us\n1,2,3\n2,soon,4\n", None).unwrap_err().to_string();
        assert!(error.ends_with("line 3: send_us: \"soon\" is no time in microseconds"), "{error}");
        let error = inspect("seq,sent,recv_us\n", None).unwrap_err().to_string();
        assert!(error.contains("no column is called send_us"), "{error}");
    }
}
