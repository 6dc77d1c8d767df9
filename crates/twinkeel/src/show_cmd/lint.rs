//! `twinkeel show lint`: everything that is wrong with a show file, and what is worth a second look. Habits of the trade are common
//! practice and have no source.

use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

use base::{FrameRate, Span};
use serde::Serialize;
use settings::show::{ExpectedPatch, Song};
use settings::{Place, ShowFile};
use timecode::Timecode;

use super::midi::{self, MidiFacts};
use super::place::{Places, Step};
use crate::refuse;

/// A MIDI file may be longer or shorter than its song by this before that is worth a word.
const SAME_LENGTH: Span = Span::from_secs(2);
/// Players and those who chase them want this much code before a song's first frame.
const PRE_ROLL: Span = Span::from_secs(5);
/// Two patches are the same one when they lie no farther apart.
const SAME_TIME: Span = Span::from_millis(250);

/// How bad it is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// The show cannot go like this.
    Error,
    /// It will probably not do what is meant.
    Warning,
    /// Unusual.
    Note,
}

/// One thing that was found.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Finding {
    /// How bad.
    pub severity: Severity,
    /// Line, from 1.
    pub line: Option<usize>,
    /// Column, from 1.
    pub column: Option<usize>,
    /// A stable code.
    pub code: &'static str,
    /// What.
    pub what: String,
    /// What to do.
    pub mend: String,
}

/// Looks a file over and prints what was found.
pub fn run(file: &Path, as_json: bool) -> ExitCode {
    let text = match std::fs::read_to_string(file) {
        Ok(t) => t,
        Err(e) => return refuse(&format!("{}: {e}", file.display())),
    };
    let beside = file.parent().unwrap_or(Path::new("."));
    let name = file.display().to_string();
    let found = look(&name, &text, |p| midi::read(&beside.join(p)));
    let mut out = std::io::stdout().lock();
    // A reader that has seen enough closes the pipe.
    let _ = if as_json {
        writeln!(out, "{}", serde_json::to_string(&found).unwrap_or_default())
    } else {
        found.iter().try_for_each(|f| tell(&mut out, &name, f)).and_then(|()| sum_up(&mut out, &name, &found))
    };
    if found.iter().any(|f| f.severity != Severity::Note) { ExitCode::from(1) } else { ExitCode::SUCCESS }
}

fn tell(out: &mut impl Write, file: &str, f: &Finding) -> std::io::Result<()> {
    let place = match (f.line, f.column) {
        (Some(l), Some(c)) => format!("{file}:{l}:{c}"),
        _ => file.to_owned(),
    };
    let word = match f.severity {
        Severity::Error => "error",
        Severity::Warning => "warning",
        Severity::Note => "note",
    };
    let head = format!("{place}: {word}: ");
    if head.chars().count() + f.what.chars().count() <= 80 {
        writeln!(out, "{head}{}", f.what)?;
    } else {
        // A long place is no reason to squeeze the sentence.
        writeln!(out, "{}", head.trim_end())?;
        crate::devices::wrapped(out, "  ", &f.what)?;
    }
    crate::devices::wrapped(out, "  mend: ", &f.mend)
}

fn sum_up(out: &mut impl Write, file: &str, found: &[Finding]) -> std::io::Result<()> {
    let count = |s| found.iter().filter(|f| f.severity == s).count();
    let words = [(Severity::Error, "error"), (Severity::Warning, "warning"), (Severity::Note, "note")];
    let said: Vec<String> = words
        .iter()
        .map(|(s, w)| (count(*s), w))
        .filter(|(n, _)| *n > 0)
        .map(|(n, w)| format!("{n} {w}{}", if n == 1 { "" } else { "s" }))
        .collect();
    let said = if said.is_empty() { "nothing to say".into() } else { said.join(", ") };
    writeln!(out, "{file}: {said}")
}

/// Everything that is to be said of a show file. `midi` reads a MIDI file by its path in it.
pub fn look(file: &str, text: &str, midi: impl Fn(&Path) -> Result<MidiFacts, String>) -> Vec<Finding> {
    let (show, wrong) = match ShowFile::read(file, text) {
        Ok(r) => r,
        Err(e) => return vec![refused(e)],
    };
    let mut found: Vec<Finding> = wrong.into_iter().map(refused).collect();
    let mut l = Lint { places: Places::of(text), found: Vec::new() };
    l.names(&show);
    l.times(&show);
    for (i, s) in show.songs.iter().enumerate() {
        l.sections(i, s);
        l.patches(i, s);
        if let Some(path) = &s.midi {
            match midi(path) {
                Ok(facts) => l.midi(i, s, &facts),
                Err(why) => l.say(
                    Severity::Error,
                    "midi-missing",
                    &[Step::Key("song"), Step::Entry(i), Step::Key("midi")],
                    format!("{}: {why}", path.display()),
                    "put the file beside the show file, correct its name, or leave `midi` out",
                ),
            }
        }
    }
    if show.songs.is_empty() {
        l.say(
            Severity::Note,
            "no-songs",
            &[],
            "there are no songs: the machines are compared with each other, without alarm".into(),
            "nothing; or list songs to know what comes next",
        );
    }
    found.append(&mut l.found);
    found.sort_by_key(|f| (f.line.unwrap_or(0), f.column.unwrap_or(0), f.severity));
    found
}

fn refused(e: settings::SettingsError) -> Finding {
    Finding {
        severity: Severity::Error,
        line: e.place.map(|p| p.line),
        column: e.place.map(|p| p.column),
        code: "refused",
        what: e.what,
        mend: e.mend,
    }
}

struct Lint<'a> {
    places: Places<'a>,
    found: Vec<Finding>,
}

/// Where a song's code lies: frames since midnight, and how many.
fn lies(s: &Song, rate: FrameRate) -> Option<(i64, i64)> {
    let [h, m, sec, f] = s.start_fields()?;
    let start = Timecode::new(rate, h, m, sec, f).ok()?;
    // A frame that is begun is taken; what lies over by less than a nanosecond's rounding is none.
    Some((i64::from(start.frames()), (rate.frames_in(s.length.0) - 1e-6).ceil() as i64))
}

impl Lint<'_> {
    fn say(&mut self, severity: Severity, code: &'static str, at: &[Step<'_>], what: String, mend: &str) {
        let place: Option<Place> = self.places.find(at);
        self.found.push(Finding {
            severity,
            line: place.map(|p| p.line),
            column: place.map(|p| p.column),
            code,
            what,
            mend: mend.into(),
        });
    }

    fn song(&mut self, severity: Severity, code: &'static str, i: usize, key: &str, what: String, mend: &str) {
        self.say(severity, code, &[Step::Key("song"), Step::Entry(i), Step::Key(key)], what, mend);
    }

    fn names(&mut self, show: &ShowFile) {
        if show.title.trim().is_empty() {
            let mend = "write title = \"Lanterns on the Quay\": records and reports are told apart by it";
            self.say(Severity::Warning, "no-title", &[Step::Key("title")], "the show has no title".into(), mend);
        }
        let plain = |s: &Song| s.name.trim().to_lowercase();
        for (i, s) in show.songs.iter().enumerate() {
            if let Some(j) = show.songs[..i].iter().position(|o| plain(o) == plain(s)) {
                let what = format!("\"{}\" is the name of song {} too", s.name, j + 1);
                self.song(Severity::Warning, "same-name", i, "name", what, "give each song a name of its own");
            }
        }
    }

    fn times(&mut self, show: &ShowFile) {
        let rate = show.frame_rate;
        let day = i64::from(Timecode::frames_per_day(rate));
        let all: Vec<Option<(i64, i64)>> = show.songs.iter().map(|s| lies(s, rate)).collect();
        let pre_roll = PRE_ROLL.nanos() / rate.frames(1).nanos().max(1);
        let label = |f: i64| Timecode::from_frames(rate, f.rem_euclid(day)).to_string();
        let hours = show.songs.iter().filter_map(Song::start_fields).filter(|f| f[1..] == [0, 0, 0]).count();
        for (i, s) in show.songs.iter().enumerate() {
            let Some((start, length)) = all[i] else { continue };
            for (j, o) in show.songs[..i].iter().enumerate() {
                let Some((other, lasts)) = all[j] else { continue };
                // How far one begins behind the other's beginning, around midnight.
                let (behind, before) = ((start - other).rem_euclid(day), (other - start).rem_euclid(day));
                if behind < lasts || before < length {
                    let what = format!(
                        "its timecode overlaps with song {} (\"{}\", {} to {})",
                        j + 1,
                        o.name,
                        label(other),
                        label(other + lasts)
                    );
                    let mend = "move one start, or correct the length: nobody can tell which of two songs a code means";
                    self.song(Severity::Error, "overlap", i, "start", what, mend);
                } else if behind - lasts < pre_roll || before - length < pre_roll {
                    let gap = (behind - lasts).min(before - length) as f64 * rate.frames(1).secs_f64();
                    let what = format!(
                        "only {gap:.1} s of timecode lie between it and song {} (\"{}\"): a pre-roll of {} s falls into the other",
                        j + 1,
                        o.name,
                        PRE_ROLL.nanos() / 1_000_000_000
                    );
                    let mend = "leave more room: an hour of its own for each song is the habit";
                    self.song(Severity::Warning, "close", i, "start", what, mend);
                }
            }
            if start + length > day {
                let what = format!("it runs past midnight, to {}", label(start + length));
                let mend = "start it earlier: many devices stop or jump at 24:00:00:00";
                self.song(Severity::Warning, "midnight", i, "start", what, mend);
            }
            if start < pre_roll {
                let what = "it starts at the day's first seconds: a pre-roll lies before midnight".to_owned();
                let mend = "start songs at 01:00:00:00 or later (common practice)";
                self.song(Severity::Warning, "zero-hour", i, "start", what, mend);
            }
            let on_hour = s.start_fields().is_some_and(|f| f[1..] == [0, 0, 0]);
            if !on_hour && hours * 2 > show.songs.len() && show.songs.len() > 2 {
                let what = format!("it starts at {}, where most songs start on the hour", s.start);
                let mend = "nothing, if that is meant";
                self.song(Severity::Note, "off-hour", i, "start", what, mend);
            }
            let before = all[..i].iter().flatten().map(|a| a.0).next_back();
            if before.is_some_and(|b| b > start) && !s.spare {
                let what = format!("it starts at {}, before the song that stands above it", s.start);
                let mend = "nothing, if that is meant: the order of the list is the order of the show";
                self.song(Severity::Note, "order", i, "start", what, mend);
            }
        }
    }

    fn sections(&mut self, i: usize, s: &Song) {
        for (k, x) in s.sections.iter().enumerate() {
            let place = [Step::Key("song"), Step::Entry(i), Step::Key("section"), Step::Entry(k), Step::Key("at")];
            if x.at.0 >= s.length.0 {
                let what = format!("section \"{}\" of \"{}\" lies behind the song's end", x.name, s.name);
                self.say(Severity::Error, "section-outside", &place, what, "correct `at`, or the song's length");
            }
            if k > 0 && x.at <= s.sections[k - 1].at {
                let what = format!("section \"{}\" of \"{}\" does not lie behind the one above it", x.name, s.name);
                self.say(Severity::Error, "section-order", &place, what, "write sections in the order of their times");
            }
        }
    }

    fn patches(&mut self, i: usize, s: &Song) {
        for (k, p) in s.patches.iter().enumerate() {
            let place = [Step::Key("song"), Step::Entry(i), Step::Key("patch"), Step::Entry(k)];
            if p.at.0 >= s.length.0 {
                let what = format!("a patch of \"{}\" lies behind the song's end", s.name);
                self.say(Severity::Error, "patch-outside", &place, what, "correct `at`, or the song's length");
            }
            if s.patches[..k].iter().any(|o| (o.at, o.channel) == (p.at, p.channel)) {
                let what = format!("two patches of \"{}\" for channel {} at one time", s.name, p.channel);
                self.say(Severity::Warning, "patch-twice", &place, what, "keep one of them");
            }
        }
    }

    fn midi(&mut self, i: usize, s: &Song, facts: &MidiFacts) {
        let apart = (facts.length - s.length.0).abs();
        if apart > SAME_LENGTH {
            let longer = if facts.length > s.length.0 { "longer" } else { "shorter" };
            let what = format!(
                "its MIDI file is {:.1} s {longer} than the song ({} and {})",
                apart.secs_f64(),
                minutes(facts.length),
                minutes(s.length.0)
            );
            let mend = "correct the length, or export the MIDI file again: it may be of another version of the song";
            self.song(Severity::Warning, "midi-length", i, "length", what, mend);
        }
        if s.patches.is_empty() {
            return;
        }
        let same = |a: &ExpectedPatch, b: &ExpectedPatch| {
            (a.channel, a.bank, a.program) == (b.channel, b.bank, b.program) && (a.at.0 - b.at.0).abs() <= SAME_TIME
        };
        for (k, p) in s.patches.iter().enumerate() {
            if !facts.patches.iter().any(|f| same(p, f)) {
                let place = [Step::Key("song"), Step::Entry(i), Step::Key("patch"), Step::Entry(k)];
                let what = format!(
                    "program {} on channel {} at {} is not in its MIDI file",
                    p.program,
                    p.channel,
                    minutes(p.at.0)
                );
                self.say(Severity::Warning, "patch-not-in-midi", &place, what, "correct one of the two");
            }
        }
        if let Some(f) = facts.patches.iter().find(|f| !s.patches.iter().any(|p| same(p, f))) {
            let what = format!(
                "its MIDI file sends program {} on channel {} at {}, which is not expected here",
                f.program,
                f.channel,
                minutes(f.at.0)
            );
            let mend = "take the patches in with `twinkeel show import`";
            self.song(Severity::Warning, "patch-not-expected", i, "midi", what, mend);
        }
    }
}

/// Minutes and seconds.
pub fn minutes(s: Span) -> String {
    let tenths = s.nanos() / 100_000_000;
    let (whole, tenth) = (tenths / 10, tenths % 10);
    let rest = if tenth == 0 { String::new() } else { format!(".{tenth}") };
    format!("{}:{:02}{rest}", whole / 60, whole % 60)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use settings::duration::Duration;

    const HEAD: &str = "title = \"Lanterns\"\nframe_rate = \"25\"\n";

    fn song(name: &str, start: &str, length: &str) -> String {
        format!("[[song]]\nname = \"{name}\"\nstart = \"{start}\"\nlength = \"{length}\"\n")
    }

    fn codes(text: &str) -> Vec<(&'static str, Option<usize>, Option<usize>)> {
        let none = |_: &Path| Err("no such file".to_owned());
        look("show.toml", text, none).iter().map(|f| (f.code, f.line, f.column)).collect()
    }

    #[test]
    fn a_right_show_is_left_alone() {
        let text = HEAD.to_owned() + &song("one", "01:00:00:00", "3:00") + &song("two", "02:00:00:00", "59:00");
        assert_eq!(codes(&text), []);
        assert_eq!(codes(HEAD), [("no-songs", None, None)]);
    }

    #[test]
    fn each_wrong_thing_is_named_at_its_place_and_nothing_else() {
        let one = HEAD.to_owned() + &song("one", "01:00:00:00", "3:00");
        let sections =
            "[[song.section]]\nname = \"verse\"\nat = \"10s\"\n[[song.section]]\nname = \"chorus\"\nat = \"10s\"\n";
        let at = |code, line, column| vec![(code, Some(line), Some(column))];
        for (text, wanted) in [
            (one.clone() + &song("two", "01:02:59:24", "1:00"), at("overlap", 9, 1)),
            (
                one.clone() + &song("two", "00:59:00:00", "1:01"),
                vec![("overlap", Some(9), Some(1)), ("order", Some(9), Some(1))],
            ),
            (one.clone() + &song("two", "01:03:02:00", "1:00"), at("close", 9, 1)),
            (one.clone() + &song(" One", "02:00:00:00", "1:00"), at("same-name", 8, 1)),
            (one.clone() + &song("two", "23:59:30:00", "1:00"), at("midnight", 9, 1)),
            (HEAD.to_owned() + &song("two", "00:00:00:00", "1:00"), at("zero-hour", 5, 1)),
            (
                one.clone() + &song("two", "02:00:00:00", "1:00") + &song("three", "03:10:00:00", "1:00"),
                at("off-hour", 13, 1),
            ),
            (
                HEAD.to_owned() + &song("two", "02:00:00:00", "1:00") + &song("one", "01:00:00:00", "1:00"),
                at("order", 9, 1),
            ),
            (one.clone() + "  midi = \"one.mid\"\n", at("midi-missing", 7, 3)),
            (one.clone() + sections, at("section-order", 12, 1)),
            (one.clone() + "[[song.section]]\nname = \"coda\"\nat = \"3:00\"\n", at("section-outside", 9, 1)),
            (one.clone() + "[[song.patch]]\nat = \"3:01\"\nchannel = 1\nprogram = 1\n", at("patch-outside", 7, 1)),
            (one.clone() + &"[[song.patch]]\nchannel = 1\nprogram = 1\n".repeat(2), at("patch-twice", 10, 1)),
            (one.clone().replace("Lanterns", " "), at("no-title", 1, 1)),
            (one.clone().replace("\"25\"", "\"26\""), at("refused", 2, 14)),
            (one.clone() + "colour = \"red\"\n", at("refused", 7, 1)),
            (one.replace("01:00:00:00", "01:00:00:25"), at("refused", 5, 1)),
        ] {
            assert_eq!(codes(&text), wanted, "{text}");
        }
    }

    #[test]
    fn a_song_is_held_against_its_midi_file() {
        let text = HEAD.to_owned()
            + &song("one", "01:00:00:00", "3:00")
            + "midi = \"one.mid\"\n[[song.patch]]\nat = \"10s\"\nchannel = 1\nprogram = 5\n";
        let patch = |at, program| ExpectedPatch { at: Duration::millis(at), channel: 1, bank: None, program };
        let with = |length, patches: Vec<ExpectedPatch>| {
            let read = |_: &Path| {
                Ok(MidiFacts { length: Span::from_secs(length), sections: Vec::new(), patches: patches.clone() })
            };
            look("show.toml", &text, read).iter().map(|f| (f.code, f.line)).collect::<Vec<_>>()
        };
        assert_eq!(with(181, vec![patch(10_200, 5)]), []);
        assert_eq!(with(190, vec![patch(10_000, 5)]), [("midi-length", Some(6))]);
        assert_eq!(
            with(180, vec![patch(10_000, 6)]),
            [("patch-not-expected", Some(7)), ("patch-not-in-midi", Some(8))]
        );
    }

    /// SMPTE ST 12-1: in drop-frame an hour has 107,892 frames, so a song of an hour at 01:00:00;00 ends at 02:00:00;00 less 0.0036 s.
    #[test]
    fn drop_frame_songs_are_measured_in_frames() {
        let head = HEAD.replace("\"25\"", "\"29.97df\"");
        let fits = head.clone() + &song("one", "01:00:00;00", "59:54") + &song("two", "02:00:00;00", "1:00");
        assert_eq!(codes(&fits), []);
        let not = head + &song("one", "01:00:00;00", "1:00:00") + &song("two", "02:00:00;00", "1:00");
        assert_eq!(codes(&not).iter().map(|c| c.0).collect::<Vec<_>>(), ["overlap"]);
    }
}
