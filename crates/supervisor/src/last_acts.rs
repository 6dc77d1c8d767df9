//! The newest acts, noted by the watch thread itself: what was done must be known even if this process is ended (`kill -9`) before the
//! record has written it down. The record remains the truth; after a start what it lacks is written into it.
//!
//! A small file of lines of equal length, the boot's id first, used in turn. A line is one `write` of 64 bytes into the system's own memory, after
//! the command has left: nothing waits for a disk. (If the power goes, too, what the record has is all there is: it is
//! on the disk some milliseconds after the act.)

use std::fs::File;
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use base::{Machine, MonoTime, WallTime};
use rig::Rule;
use showlog::detail::{Changeover, Stage};
use wire::manifest::hex;

/// Bytes of a line, and how many lines there are besides the first.
const LINE: usize = 64;
const LINES: u64 = 63;

/// One step of a changeover.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Note {
    /// Which step.
    pub step: Step,
    /// To which machine.
    pub to: Machine,
    /// The rule's number, in an intent.
    pub rule: u16,
    /// A person overrode a refusal.
    pub forced: bool,
    /// When, on this boot's clock.
    pub at: MonoTime,
}

/// The steps that are noted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Step {
    /// The verdict fell.
    Intent,
    /// The command left.
    Sent,
    /// It could not.
    NotSent,
    /// The switch or a tap says that it happened.
    Confirmed,
}

impl Step {
    const ALL: [Step; 4] = [Step::Intent, Step::Sent, Step::NotSent, Step::Confirmed];
    /// As in the record's events.
    const fn word(self) -> &'static str {
        match self {
            Step::Intent => "intent",
            Step::Sent => "sent",
            Step::NotSent => "not-sent",
            Step::Confirmed => "confirmed",
        }
    }
    const fn stage(self) -> Stage {
        match self {
            Step::Intent => Stage::Intent,
            Step::Sent | Step::NotSent => Stage::Sent,
            Step::Confirmed => Stage::Confirmed,
        }
    }
}

/// The file, for the watch thread.
pub struct LastActs {
    file: Option<File>,
    number: u64,
}

impl LastActs {
    /// No file: nothing is noted.
    pub const NONE: LastActs = LastActs { file: None, number: 0 };

    /// Begins the file anew. Without one (the folder cannot be written) the show goes on.
    pub fn begin(dir: &Path) -> LastActs {
        let path = path(dir);
        let open = || -> std::io::Result<File> {
            let mut file = File::options().create(true).truncate(true).write(true).read(true).open(&path)?;
            let mut first = [b' '; LINE];
            put(&mut first, format_args!("boot {}", hex(&ports::os::boot_id())));
            file.write_all(&first)?;
            // Room for all of it, so that later lines need none.
            for _ in 0..LINES {
                let mut empty = [b' '; LINE];
                put(&mut empty, format_args!("-"));
                file.write_all(&empty)?;
            }
            Ok(file)
        };
        let file = open().inspect_err(|e| tracing::error!("{}: {e}", path.display())).ok();
        LastActs { file, number: 0 }
    }

    /// Notes a step. Allocates nothing and waits for no disk.
    pub fn note(&mut self, n: Note) {
        let Some(file) = &mut self.file else { return };
        let mut line = [b' '; LINE];
        put(
            &mut line,
            format_args!(
                "{} {} {} {} {} {}",
                self.number,
                n.step.word(),
                n.to,
                n.rule,
                u8::from(n.forced),
                n.at.nanos()
            ),
        );
        let place = (1 + self.number % LINES) * LINE as u64;
        self.number += 1;
        if file.seek(SeekFrom::Start(place)).and_then(|_| file.write_all(&line)).is_err() {
            self.file = None;
        }
    }
}

/// What the file of an earlier run says, in the order of the steps; nothing when it is of another boot, whose clock is not ours.
pub fn left(dir: &Path) -> Vec<Note> {
    let mut bytes = Vec::new();
    let most = (LINES + 1) * LINE as u64;
    let read = File::open(path(dir)).and_then(|f| f.take(most).read_to_end(&mut bytes));
    if read.is_err() {
        return Vec::new();
    }
    let mut lines = bytes.chunks_exact(LINE).filter_map(|l| std::str::from_utf8(l).ok()).map(str::trim_end);
    if lines.next().and_then(|l| l.strip_prefix("boot ")) != Some(hex(&ports::os::boot_id()).as_str()) {
        return Vec::new();
    }
    let mut notes: Vec<(u64, Note)> = lines.filter_map(parse).collect();
    notes.sort_by_key(|(number, _)| *number);
    notes.into_iter().map(|(_, n)| n).collect()
}

/// Writes into the record what an earlier run did and could not write; says how many steps that were.
pub fn complete(
    notes: &[Note],
    show: &Path,
    record: &showlog::RecordSender,
    wall: impl Fn(MonoTime) -> WallTime,
) -> usize {
    if notes.is_empty() {
        return 0;
    }
    let known = match showlog::ShowFile::read(show) {
        Ok(show) => show.events,
        Err(e) => {
            tracing::error!("{}: {e}: what was done last is written down again", show.display());
            Vec::new()
        }
    };
    let here = showlog::BootId::current();
    let mut added = 0;
    for n in notes {
        let is_it = |e: &showlog::Recorded| {
            e.event.kind == showlog::EventKind::Changeover
                && e.event.code == n.step.word()
                && e.event.at == n.at
                && (e.at.boot == here || !here.same_clock(here))
        };
        if known.iter().any(is_it) {
            continue;
        }
        added += 1;
        record.event(event_of(n, wall(n.at)));
    }
    added
}

fn event_of(n: &Note, wall: WallTime) -> showlog::Event {
    let rule = Rule::ALL.iter().find(|r| r.number() == n.rule).map_or("", |r| r.code());
    let text = match n.step {
        Step::Intent if n.forced => format!("Changeover to {}, forced by a person.", n.to),
        Step::Intent => format!("Changeover to {} by the rule {rule}.", n.to),
        Step::Sent => format!("The command to go to {} left.", n.to),
        Step::NotSent => format!("The command to go to {} could not be sent.", n.to),
        Step::Confirmed => format!("Confirmed: {} is on air.", n.to),
    };
    let text = format!("{text} (The supervisor ended before this was recorded; written down after its start.)");
    let detail = Changeover { rule: rule.to_owned(), forced: n.forced, ..Changeover::at_stage(n.step.stage(), n.to) };
    showlog::Event::new(n.at, wall, showlog::EventKind::Changeover, n.step.word(), text).about(n.to).with(&detail)
}

fn parse(line: &str) -> Option<(u64, Note)> {
    let mut words = line.split_ascii_whitespace();
    let number = words.next()?.parse().ok()?;
    let word = words.next()?;
    let step = Step::ALL.into_iter().find(|s| s.word() == word)?;
    let to = words.next()?;
    let to = Machine::first(base::ids::MAX_MACHINES).find(|m| m.to_string() == to)?;
    let rule = words.next()?.parse().ok()?;
    let forced = words.next()? == "1";
    let at = MonoTime::from_nanos(words.next()?.parse().ok()?);
    words.next().is_none().then_some((number, Note { step, to, rule, forced, at }))
}

/// Fills a line; what does not fit is cut off. It ends with a line feed.
fn put(line: &mut [u8; LINE], words: std::fmt::Arguments) {
    let mut room = &mut line[..LINE - 1];
    let _ = room.write_fmt(words);
    line[LINE - 1] = b'\n';
}

fn path(dir: &Path) -> PathBuf {
    dir.join("last-acts.txt")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn at(ms: u64) -> MonoTime {
        MonoTime::from_nanos(5_000_000_000 + ms * 1_000_000)
    }
    fn note(step: Step, ms: u64) -> Note {
        Note { step, to: Machine::B, rule: Rule::PlayerGone.number(), forced: false, at: at(ms) }
    }

    #[test]
    fn what_was_noted_is_read_back_in_order_and_the_newest_stay() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(left(dir.path()), []);
        let mut acts = LastActs::begin(dir.path());
        assert_eq!(left(dir.path()), []);
        let all: Vec<Note> = (0..100).map(|i| note(if i % 2 == 0 { Step::Intent } else { Step::Sent }, i)).collect();
        all.iter().for_each(|n| acts.note(*n));
        // Nothing was closed or flushed: this is how a killed process leaves it.
        assert_eq!(left(dir.path()), all[37..]);
        // Another boot's clock is not ours; a line cut short by whatever it was is left out.
        let mut text = std::fs::read(path(dir.path())).unwrap();
        text.truncate(text.len() - 30);
        std::fs::write(path(dir.path()), &text).unwrap();
        assert_eq!(left(dir.path()).len(), 62);
        text[5] ^= 1;
        std::fs::write(path(dir.path()), &text).unwrap();
        assert_eq!(left(dir.path()), []);
    }

    #[test]
    fn the_record_is_completed_once_with_what_it_lacks() {
        let dir = tempfile::tempdir().unwrap();
        let meta = showlog::ShowMeta::default();
        let wall = |m: MonoTime| WallTime(m.nanos() as i64);
        let recorder = showlog::Recorder::open(dir.path(), &meta, at(0), wall(at(0))).unwrap();
        let path = recorder.path().to_owned();
        // The intent had been recorded, the rest had not.
        recorder.handle().event(event_of(&note(Step::Intent, 10), wall(at(10))));
        recorder.close();
        let mut acts = LastActs::begin(dir.path());
        for (step, ms) in [(Step::Intent, 10), (Step::Sent, 11), (Step::Confirmed, 15)] {
            acts.note(note(step, ms));
        }
        for (again, expected) in [2, 0].into_iter().enumerate() {
            let now = at(1_000 * (again as u64 + 1));
            let recorder = showlog::Recorder::open(dir.path(), &meta, now, wall(now)).unwrap();
            assert_eq!(complete(&left(dir.path()), &path, &recorder.handle(), wall), expected);
            recorder.flush(Duration::from_secs(20)).unwrap();
            recorder.close();
        }
        let show = showlog::ShowFile::read(&path).unwrap();
        let codes: Vec<_> = show.events.iter().map(|e| (e.event.code.as_str(), e.event.at)).collect();
        assert_eq!(codes, [("intent", at(10)), ("sent", at(11)), ("confirmed", at(15))]);
    }
}
