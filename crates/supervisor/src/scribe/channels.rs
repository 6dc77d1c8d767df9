//! What is known of each machine's channels beyond their levels: what the slower meters read, how each sounds against the reference
//! machine's, and when either was heard last. A finding outlives the excerpts that it rests on: it is shown as old, and never as mended.

use std::collections::BTreeMap;

use base::{Db, Dbfs, Machine, Millis, MonoTime, Reading, Span, WallTime};
use showlog::{EventKind, detail};
use watch::likeness::{Compared, Likeness};
use wire::Meters;

use super::{Scribe, event};
use crate::snapshot::{AgainstView, HeardChannel, MetersView, Tone};

/// Slower meters are read each second: three readings may be lost.
const METERS_WORTH: Span = Span::from_secs(4);
/// Clips that go on are told together, this far apart at least.
const CLIPS_APART: Span = Span::from_secs(10);
/// Two channels are compared each second, in their turn. A channel whose turn has come so many times without a finding, and this much
/// longer, is not compared any more.
const TURNS_MISSED: i64 = 3;
const ALLOWED: Span = Span::from_secs(5);

/// The channels of all machines.
#[derive(Default)]
pub struct Channels {
    meters: BTreeMap<u8, MeterBook>,
    compared: BTreeMap<(String, Machine), Last>,
}

/// The newest comparison of a channel that found something.
struct Last {
    at: MonoTime,
    /// What is so since then or before; none: one turn alone shows it.
    standing: Option<Likeness>,
    lag: Option<Span>,
    gain: Option<Db>,
}

/// What the slower meters of one machine read last, its clock's difference to ours, and which clips were told.
struct MeterBook {
    read: Meters,
    clock: Span,
    told: Vec<Clips>,
}

/// Clips of one channel.
#[derive(Clone, Copy, Default)]
struct Clips {
    /// So many samples are in the record ...
    told: u32,
    /// ... and so many had come at the reading before this.
    before: u32,
    /// When the newest were told.
    at: Option<MonoTime>,
}

impl Clips {
    /// A reading's count. Gives how many are to be told now: when a burst is over, or has gone on for long.
    fn on_count(&mut self, count: u32, now: MonoTime) -> Option<u32> {
        let grew = count > self.before;
        self.before = count;
        let rested = self.at.is_none_or(|t| now - t >= CLIPS_APART);
        if count <= self.told || grew && !rested {
            return None;
        }
        self.at = Some(now);
        Some(count - std::mem::replace(&mut self.told, count))
    }
}

impl Channels {
    /// A reading of a machine's slower meters. Gives each channel's clips that are to be told: its place and how many.
    fn on_meters(&mut self, m: Machine, read: Meters, clock: Span, now: MonoTime) -> Vec<(usize, u32)> {
        let known = self.meters.remove(&m.into()).filter(|b| b.read.since == read.since);
        // Ears that were open before we came have counted what we did not see.
        let fresh = read.at.to_local(Span::ZERO) - read.since.to_local(Span::ZERO) <= read.over.times(2);
        let seen = |clipped| if fresh { Clips::default() } else { Clips { told: clipped, before: clipped, at: None } };
        let mut told = known.map_or_else(Vec::new, |b| b.told);
        told.extend(read.channels.iter().skip(told.len()).map(|c| seen(c.clipped)));
        let counted = told.iter_mut().zip(&read.channels).enumerate();
        let new = counted.filter_map(|(i, (clips, c))| Some((i, clips.on_count(c.clipped, now)?))).collect();
        self.meters.insert(m.into(), MeterBook { read, clock, told });
        new
    }

    fn on_compared(&mut self, c: &Compared) {
        let Some(found) = &c.found else { return };
        let key = (c.channel.clone(), c.machine);
        let before = self.compared.remove(&key).and_then(|l| l.standing);
        // That both sound alike is believed at once; a difference waits until a second turn shows it.
        let standing = c.changed.clone().or(before).or((*found == Likeness::Same).then(|| found.clone()));
        self.compared.insert(key, Last { at: c.at, standing, lag: c.lag, gain: c.gain });
    }

    /// When a channel of a machine was compared last, so that something was found.
    pub fn compared_at(&self, channel: &str, m: Machine) -> Option<MonoTime> {
        self.compared.get(&(channel.to_owned(), m)).map(|l| l.at)
    }

    /// A machine's channels, by their names in their order.
    pub fn shown(&self, m: Machine, names: &[String], now: MonoTime, wall: WallTime) -> Vec<HeardChannel> {
        let worth = worth_of_comparison(names);
        let one = |(i, name): (usize, &String)| HeardChannel {
            name: if name.is_empty() { format!("channel {}", i + 1) } else { name.clone() },
            meters: self.meters.get(&m.into()).and_then(|b| b.shown(i, now, wall)),
            against: (m != Machine::A && is_compared(name)).then(|| self.against(m, name, worth, now, wall)),
        };
        names.iter().enumerate().map(one).collect()
    }

    fn against(&self, m: Machine, name: &str, worth: Span, now: MonoTime, wall: WallTime) -> AgainstView {
        let last = self.compared.get(&(name.to_owned(), m));
        let Some((last, standing)) = last.and_then(|l| Some((l, l.standing.as_ref()?))) else {
            let text = format!("{m}'s `{name}` was not compared with {}'s yet.", Machine::A);
            return AgainstView { code: "not-compared".into(), text, expires: now, ..AgainstView::default() };
        };
        let expires = last.at + worth;
        let tone = match standing {
            l if l.is_trouble() => Tone::Abnormal,
            Likeness::Same if now < expires => Tone::Good,
            _ => Tone::Neutral,
        };
        AgainstView {
            code: code(standing).into(),
            tone,
            text: standing.say(m, Machine::A, name),
            lag: last.lag.map(Millis::from),
            level: last.gain,
            compared: Some(last.at),
            compared_wall: Some(wall_at(last.at, now, wall)),
            expires,
        }
    }
}

impl MeterBook {
    fn shown(&self, channel: usize, now: MonoTime, wall: WallTime) -> Option<Reading<MetersView>> {
        let c = self.read.channels.get(channel)?;
        let here = |t: base::RemoteTime| wall_at(t.to_local(self.clock), now, wall);
        let at = self.read.at.to_local(self.clock).min(now);
        let value = MetersView {
            true_peak: Dbfs::from(c.true_peak),
            highest: Dbfs::from(c.highest),
            clipped: c.clipped,
            since_wall: here(self.read.since),
            last_clip_wall: c.last_clip.map(here),
            dc: f64::from(c.dc) * 1e-6,
        };
        Some(Reading { value, as_of: at, expires: at + METERS_WORTH })
    }
}

/// How long a comparison is worth something where these channels take turns.
pub fn worth_of_comparison(names: &[String]) -> Span {
    let compared = names.iter().filter(|n| is_compared(n)).count() as i64;
    Span::from_secs((compared + 1) / 2).times(TURNS_MISSED) + ALLOWED
}

/// Channels that people hear are compared; code and pilot have judges of their own.
fn is_compared(name: &str) -> bool {
    !matches!(name, "" | "pilot" | "timecode")
}

fn wall_at(at: MonoTime, now: MonoTime, wall: WallTime) -> WallTime {
    wall - (now - at)
}

const fn code(l: &Likeness) -> &'static str {
    match l {
        Likeness::Same => "same",
        Likeness::Inverted => "inverted",
        Likeness::Level(_) => "level",
        Likeness::Silent => "silent",
        Likeness::Alone => "alone",
        Likeness::Other => "other",
        Likeness::Another(_) => "another",
        Likeness::NeverAlike => "never-alike",
    }
}

impl Scribe {
    /// An agent tells what its slower meters read.
    pub(super) fn on_meters(&mut self, m: Machine, read: Meters, now: MonoTime) {
        // Before its clock is known its instants mean nothing; the next reading says it again.
        let Some(clock) = self.state.view.as_ref().and_then(|v| crate::ears::lies_of(v)[m.index()].clock) else {
            return;
        };
        let names = self.state.channels.get(&m.into()).cloned().unwrap_or_default();
        let channels = read.channels.clone();
        for (i, clipped) in self.state.heard.on_meters(m, read, clock, now) {
            let Some(c) = channels.get(i) else { continue };
            let name = names
                .get(i)
                .filter(|n| !n.is_empty())
                .map_or_else(|| format!("channel {}", i + 1), |n| format!("`{n}`"));
            let at = c.last_clip.map_or(now, |t| t.to_local(clock).min(now));
            let many = if clipped == 1 { "sample" } else { "samples" };
            let text = format!(
                "{m} clipped: {clipped} {many} at full scale on {name}, true peak up to {:.1} dBTP.",
                Dbfs::from(c.highest).0
            );
            let (channel, highest) = (u16::try_from(i + 1).unwrap_or(u16::MAX), Dbfs::from(c.highest));
            let d = detail::Clipped { channel, name: names.get(i).cloned(), clipped, highest };
            self.write(event(at, EventKind::Health, "clipped", text).about(m).with(&d), Tone::Neutral, None);
        }
    }

    /// Two machines' excerpts were compared.
    pub(super) fn note_compared(&mut self, c: &Compared) {
        self.state.heard.on_compared(c);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use base::RemoteTime;
    use wire::{CentiDbfs, ChannelMeters};

    fn t(s: i64) -> MonoTime {
        MonoTime::from_nanos(1_000_000_000_000) + Span::from_secs(s)
    }

    const WALL: WallTime = WallTime(1_700_000_000_000_000_000);

    fn reading(s: u64, clipped: u32) -> Meters {
        let channel = ChannelMeters {
            true_peak: CentiDbfs(-300),
            highest: CentiDbfs(50),
            clipped,
            last_clip: (clipped > 0).then(|| RemoteTime::from_nanos(s * 1_000_000_000)),
            dc: -1_500,
        };
        Meters {
            at: RemoteTime::from_nanos(s * 1_000_000_000),
            since: RemoteTime::from_nanos(100_000_000_000),
            over: Span::from_secs(1),
            channels: vec![channel],
        }
    }

    /// The machine's clock shows 100 s at our 1000 s.
    const CLOCK: Span = Span::from_secs(-900);

    #[test]
    fn clips_are_told_once_a_burst_together_and_those_before_us_never() {
        let mut book = Channels::default();
        let mut told = Vec::new();
        // Ears that opened a second ago: a clip at once, then a burst of 30 s.
        for s in 1..60u64 {
            let clipped = match s {
                1 => 2,
                2..5 => 2,
                5..35 => 2 + (s as u32 - 4) * 10,
                _ => 302,
            };
            let new = book.on_meters(Machine::B, reading(100 + s, clipped), CLOCK, t(s as i64));
            told.extend(new.into_iter().map(|(i, n)| (s, i, n)));
        }
        assert_eq!(told.iter().map(|x| x.2).sum::<u32>(), 302);
        assert_eq!(told[0], (1, 0, 2));
        assert!((3..=5).contains(&told.len()) && told.last().is_some_and(|x| x.0 <= 36), "{told:?}");
        assert!(told.windows(2).skip(1).all(|w| w[1].0 - w[0].0 >= 2), "{told:?}");
        // A supervisor that comes later has seen none of those.
        let mut book = Channels::default();
        assert_eq!(book.on_meters(Machine::B, reading(200, 302), CLOCK, t(100)), []);
        assert_eq!(book.on_meters(Machine::B, reading(201, 303), CLOCK, t(101)), [(0, 1)]);
        // New ears count anew.
        let anew = Meters { since: RemoteTime::from_nanos(300_000_000_000), ..reading(301, 5) };
        assert_eq!(book.on_meters(Machine::B, anew, CLOCK, t(201)), [(0, 5)]);
    }

    #[test]
    fn meters_are_shown_on_our_clock_and_expire() {
        let mut book = Channels::default();
        book.on_meters(Machine::B, reading(110, 7), CLOCK, t(10));
        let names = ["keys".to_owned(), String::new()];
        let shown = book.shown(Machine::B, &names, t(12), WALL);
        let keys = shown[0].meters.clone().unwrap();
        assert_eq!((keys.as_of, keys.expires, keys.value.clipped), (t(10), t(14), 7));
        assert_eq!((keys.value.true_peak, keys.value.highest, keys.value.dc), (Dbfs(-3.0), Dbfs(0.5), -0.0015));
        assert_eq!(keys.value.since_wall, WallTime(WALL.0 - 12_000_000_000));
        assert_eq!(keys.value.last_clip_wall, Some(WallTime(WALL.0 - 2_000_000_000)));
        assert_eq!((shown[1].name.as_str(), &shown[1].meters, &shown[1].against), ("channel 2", &None, &None));
    }

    fn compared(s: i64, found: Option<Likeness>, changed: Option<Likeness>) -> Compared {
        Compared {
            machine: Machine::B,
            channel: "keys".into(),
            at: t(s),
            found,
            lag: Some(Span::from_millis(3)),
            gain: Some(Db(-0.5)),
            confidence: 0.9,
            changed,
        }
    }

    #[test]
    fn a_finding_stands_and_is_shown_as_old_when_excerpts_cease() {
        let mut book = Channels::default();
        let names: Vec<String> = ["keys", "bass", "click", "timecode"].map(String::from).to_vec();
        let keys = |book: &Channels, s| book.shown(Machine::B, &names, t(s), WALL)[0].against.clone().unwrap();
        assert_eq!(keys(&book, 0).code, "not-compared");
        book.on_compared(&compared(10, Some(Likeness::Same), None));
        let alike = keys(&book, 11);
        assert_eq!(
            (alike.code.as_str(), alike.tone, alike.lag, alike.level),
            ("same", Tone::Good, Some(Millis(3.0)), Some(Db(-0.5)))
        );
        // One turn alone is no finding yet; the second is.
        book.on_compared(&compared(12, Some(Likeness::Silent), None));
        assert_eq!(keys(&book, 12).code, "same");
        book.on_compared(&compared(14, Some(Likeness::Silent), Some(Likeness::Silent)));
        // What could not be told is no comparison.
        book.on_compared(&compared(16, None, None));
        let found = keys(&book, 20);
        assert_eq!((found.code.as_str(), found.text.as_str()), ("silent", "B's `keys` is silent where A's is not."));
        // Three channels take turns in two seconds: three turns and five seconds more.
        assert_eq!((found.compared, found.expires), (Some(t(14)), t(14) + Span::from_secs(11)));
        // An hour without excerpts mends nothing, and is told.
        let later = keys(&book, 3_614);
        assert_eq!((later.code.as_str(), later.tone, later.compared), ("silent", Tone::Abnormal, Some(t(14))));
        assert_eq!(later.compared_wall, Some(WallTime(WALL.0 - 3_600_000_000_000)));
        assert!(later.expires < t(3_614));
        // What was alike is not called good any more.
        book.on_compared(&compared(3_620, Some(Likeness::Same), Some(Likeness::Same)));
        assert_eq!((keys(&book, 3_621).tone, keys(&book, 7_000).tone), (Tone::Good, Tone::Neutral));
        // The reference has nothing to be held against, and code is not compared.
        assert!(book.shown(Machine::A, &names, t(20), WALL).iter().all(|c| c.against.is_none()));
        assert_eq!(book.shown(Machine::B, &names, t(20), WALL)[3].against, None);
    }
}
