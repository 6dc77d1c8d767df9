//! Differences in words: a tree that can be read at 80 columns.

use super::{Behind, Difference, DifferenceKind, Differences, What};

const WIDTH: usize = 80;

/// Bytes as pairs of hexadecimal digits without blanks: a digest's or an identity's usual face.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// A name as it may be shown: what is no character of UTF-8, no graphic one or a backslash is written as `\xff`, so that a name can neither
/// be lost nor move the reader's cursor.
pub fn printable(name: &[u8]) -> String {
    let mut out = String::with_capacity(name.len());
    for chunk in name.utf8_chunks() {
        for c in chunk.valid().chars() {
            if c.is_control() || c == '\\' || is_unseen(c) {
                c.encode_utf8(&mut [0; 4]).bytes().for_each(|b| out.push_str(&format!("\\x{b:02x}")));
            } else {
                out.push(c);
            }
        }
        chunk.invalid().iter().for_each(|b| out.push_str(&format!("\\x{b:02x}")));
    }
    out
}

/// Characters that turn the direction of writing or take no room (Unicode 16, general category Cf, as far as names could hide behind them).
fn is_unseen(c: char) -> bool {
    matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{ad}')
}

/// Bytes with a unit of thousands.
pub fn size(bytes: u64) -> String {
    const UNITS: [(u64, &str); 4] =
        [(1_000_000_000_000, "TB"), (1_000_000_000, "GB"), (1_000_000, "MB"), (1_000, "kB")];
    match UNITS.iter().find(|(u, _)| bytes >= *u) {
        Some((u, name)) => format!("{:.1} {name}", bytes as f64 / *u as f64),
        None => format!("{bytes} B"),
    }
}

/// The minute of a wall clock, in UTC as the record has it: `16:42 UTC`, with its date where it is another day than `now_ns`'s.
pub fn of_wall(ns: i64, now_ns: i64) -> String {
    let (day, today) = (ns.div_euclid(86_400_000_000_000), now_ns.div_euclid(86_400_000_000_000));
    let minute = ns.rem_euclid(86_400_000_000_000) / 60_000_000_000;
    let clock = format!("{:02}:{:02} UTC", minute / 60, minute % 60);
    if day == today {
        return clock;
    }
    let (y, m, d) = civil(day);
    format!("{y:04}-{m:02}-{d:02} {clock}")
}

/// The date of a day counted from 1970-01-01 in the Gregorian calendar. Years are counted from March, so that the leap day is a year's
/// last: then month m (0: March) begins at day (153 m + 2) / 5, and 400 years are 146,097 days.
fn civil(day: i64) -> (i64, i64, i64) {
    let z = day + 719_468; // from 0000-03-01
    let (era, in_era) = (z.div_euclid(146_097), z.rem_euclid(146_097));
    let year = (in_era - in_era / 1_460 + in_era / 36_524 - in_era / 146_096) / 365;
    let in_year = in_era - (365 * year + year / 4 - year / 100);
    let month = (5 * in_year + 2) / 153;
    let d = in_year - (153 * month + 2) / 5 + 1;
    let m = if month < 10 { month + 3 } else { month - 9 };
    (year + 400 * era + i64::from(m <= 2), m, d)
}

/// One line for each difference and for each folder that leads to it, at most 80 columns wide where names allow; `names` are what the two
/// trees are called.
pub fn tell(found: &Differences, names: [&str; 2], now_ns: i64) -> Vec<String> {
    let mut sorted: Vec<&Difference> = found.found.iter().collect();
    sorted.sort_by(|a, b| a.path.split(|c| *c == b'/').cmp(b.path.split(|c| *c == b'/')));
    let mut lines = Vec::new();
    let mut open: Vec<&[u8]> = Vec::new();
    for d in sorted {
        let mut parts: Vec<&[u8]> = d.path.split(|c| *c == b'/').collect();
        let name = parts.pop().unwrap_or_default();
        let shared = open.iter().zip(&parts).take_while(|(a, b)| a == b).count();
        open.truncate(shared);
        for part in &parts[shared..] {
            lines.push(format!("{}{}/", "  ".repeat(open.len()), printable(part)));
            open.push(part);
        }
        lines.extend(line(d, name, open.len(), names, now_ns));
    }
    if found.not_kept > 0 {
        lines.push(format!("... and {} more that are not listed", found.not_kept));
    }
    lines
}

fn line(d: &Difference, name: &[u8], depth: usize, names: [&str; 2], now_ns: i64) -> Vec<String> {
    let (mark, what) = say(d, names, now_ns);
    let folder = d.a.as_ref().or(d.b.as_ref()).is_some_and(|e| e.what.is_folder());
    let head = format!("{}{mark} {}{}", "  ".repeat(depth), printable(name), if folder { "/" } else { "" });
    if head.chars().count() + 2 + what.chars().count() <= WIDTH {
        return vec![format!("{head}  {what}")];
    }
    vec![head, format!("{}    {what}", "  ".repeat(depth))]
}

fn say(d: &Difference, [a, b]: [&str; 2], now_ns: i64) -> (char, String) {
    let holds = |w: &What| match w {
        What::Folder(f) if f.files == 0 => "empty".into(),
        What::Folder(f) => format!("{}, {}", files(f.files), size(f.bytes)),
        What::File { size: n, .. } | What::Unsteady { size: n } => size(*n),
        What::Link { target, .. } => format!("a link to {}", printable(target)),
        What::Other => "a pipe, socket or device".into(),
        What::Unreadable { .. } => "unreadable".into(),
    };
    let why = |who: &str, w: &What| match w {
        What::Unreadable { why, .. } => Some(format!("cannot be read on {who}: {why}")),
        What::Unsteady { .. } => Some(format!("changed while it was read on {who}")),
        _ => None,
    };
    match (d.kind, &d.a, &d.b) {
        (DifferenceKind::Missing, Some(x), _) => ('-', format!("missing on {b} ({})", holds(&x.what))),
        (DifferenceKind::Extra, _, Some(y)) => ('+', format!("only on {b} ({})", holds(&y.what))),
        (DifferenceKind::Differs, Some(x), Some(y)) => {
            let (n, m) = (holds(&x.what), holds(&y.what));
            let sizes = if n == m { n } else { format!("{n} on {a}, {m} on {b}") };
            let newer = match x.modified_ns.cmp(&y.modified_ns) {
                _ if matches!(x.what, What::Link { .. }) => String::new(),
                core::cmp::Ordering::Equal => ", of the same time".into(),
                o => {
                    let (who, at) = if o.is_gt() { (a, x.modified_ns) } else { (b, y.modified_ns) };
                    format!("; {who}'s is newer, {}", of_wall(at, now_ns))
                }
            };
            ('!', format!("differs: {sizes}{newer}"))
        }
        (DifferenceKind::Unread, x, y) => {
            let of = |who, e: &Option<super::Entry>| e.as_ref().and_then(|e| why(who, &e.what));
            ('?', [of(a, x), of(b, y)].into_iter().flatten().collect::<Vec<_>>().join("; "))
        }
        (DifferenceKind::Times, Some(x), _) if matches!(x.what, What::Folder(_)) => {
            ('~', "only times differ in it".into())
        }
        _ => ('~', "only times differ".into()),
    }
}

fn files(n: u64) -> String {
    if n == 1 { "1 file".into() } else { format!("{n} files") }
}

impl Behind {
    /// "14 files behind since 16:42 UTC"; none when it is not behind.
    pub fn say(&self, now_ns: i64) -> Option<String> {
        let n = (self.files > 0).then(|| files(self.files))?;
        Some(match self.since_ns {
            Some(at) => format!("{n} behind since {}", of_wall(at, now_ns)),
            None => format!("{n} behind"),
        })
    }
}

impl Differences {
    /// All of it in one sentence, the second tree against the first: "B: 14 files behind since 16:42 UTC (2 missing, 12 differ)."
    pub fn say(&self, names: [&str; 2], now_ns: i64) -> String {
        let c = &self.counts;
        if c.same_content() {
            return match c.times {
                0 => "The same.".into(),
                n => format!("The same content; only times differ ({}).", files(n)),
            };
        }
        let parts = [
            (c.missing, format!("missing on {}", names[1])),
            (c.extra, format!("only on {}", names[1])),
            (c.differs, if c.differs == 1 { "differs".into() } else { "differ".into() }),
            (c.unread, "not to be read".into()),
        ];
        let counts: Vec<String> = parts.iter().filter(|(n, _)| *n > 0).map(|(n, w)| format!("{n} {w}")).collect();
        let counts = counts.join(", ");
        let behind = [(names[1], &self.b_behind), (names[0], &self.a_behind)];
        let behind: Vec<String> =
            behind.iter().filter_map(|(who, b)| Some(format!("{who}: {}", b.say(now_ns)?))).collect();
        if behind.is_empty() { format!("{counts}.") } else { format!("{} ({counts}).", behind.join("; ")) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_shown_whole_and_harmless() {
        assert_eq!(printable("Bühne 3.wav".as_bytes()), "Bühne 3.wav");
        assert_eq!(printable(b"caf\xe9\x1b[2J\\"), r"caf\xe9\x1b[2J\x5c");
        assert_eq!(printable("a\u{202e}b".as_bytes()), r"a\xe2\x80\xaeb");
    }

    /// `date -u -d @N`, GNU coreutils 9.1.
    #[test]
    fn dates_are_those_of_the_calendar() {
        let s = |s: i64| s * 1_000_000_000;
        assert_eq!(of_wall(s(1_709_210_520), 0), "2024-02-29 12:42 UTC");
        assert_eq!(of_wall(s(951_782_400), 0), "2000-02-29 00:00 UTC");
        assert_eq!(of_wall(s(-1), s(1)), "1969-12-31 23:59 UTC");
        assert_eq!(of_wall(s(4_107_542_399), 0), "2100-02-28 23:59 UTC");
        assert_eq!(of_wall(s(4_107_542_400), 0), "2100-03-01 00:00 UTC");
        assert_eq!(of_wall(s(1_709_210_520), s(1_709_210_521)), "12:42 UTC");
    }
}
