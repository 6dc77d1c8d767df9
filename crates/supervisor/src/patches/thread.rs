//! The thread: streams and places in; findings, chases and a picture out.

mod exclusive;

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};
use std::time::Duration;

use base::{Machine, MonoTime, Span};
use ports::os::mono_now;
use rig::AlarmCode;
use settings::devices::{Follows, Gate};
use timecode::Timecode;
use timecode::midi::encode::full_frame;
use watch::patches::{Comparer, Exclusives, Finding, Heard, Item, Leak, Limits, PatchEvent, Sent};
use wire::PatchStream;

use super::one::{Input, One};
use super::sender::{SenderDesk, SentLine, SongClock, Wanted};
use super::{MachineIs, PatchNews, Shown, Where, ear, words};
use crate::scribe::{Facts, PatchSaid, ScribeDesk, ToScribe};
use crate::to_watch::{ToWatch, WatchDesk};

/// Machines farther apart than this in the show are not compared.
const TOGETHER: Span = Span::from_millis(250);
/// Findings of one device that are told one by one in each [`MANY_IN`]; more are counted.
const MANY: u32 = 12;
const MANY_IN: Span = Span::from_secs(10);
/// A song begins within this of its start; later, somebody went into its middle.
const SONG_BEGINS: Span = Span::from_secs(3);

/// Where the thread's words go.
pub struct Desks {
    pub facts: Arc<Facts>,
    pub scribe: ScribeDesk,
    pub watch: WatchDesk,
    pub shown: Shown,
}

struct Patches {
    desks: Desks,
    devices: Vec<One>,
    comparers: Vec<Comparer>,
    here: Where,
    on_air: Option<Machine>,
    /// The song on air.
    song: u16,
    /// The number that each machine's next message should have, by input.
    next: std::collections::BTreeMap<(u8, u8), u64>,
    gap: [bool; base::ids::MAX_MACHINES],
    exclusives: Exclusives,
}

pub fn start(from: Receiver<PatchNews>, to: Sender<PatchNews>, desks: Desks) -> std::io::Result<()> {
    let mut devices = Vec::new();
    for (i, d) in desks.facts.show.iter().flat_map(|s| &s.devices).enumerate() {
        let sends = d.port.is_some();
        let sender = if sends { Some(SenderDesk::start(i, d.clone(), to.clone())?) } else { None };
        ear::start(i, d, to.clone())?;
        devices.push(One::new(d.clone(), sender));
    }
    let others = desks.facts.rig.machines.len().saturating_sub(1);
    let comparers = (0..others).map(|_| Comparer::new(Limits::default())).collect();
    let here = Where { now: mono_now(), on_air: None, machines: Vec::new() };
    let mut p = Patches {
        desks,
        devices,
        comparers,
        here,
        on_air: None,
        song: 0,
        next: Default::default(),
        gap: Default::default(),
        exclusives: Exclusives::default(),
    };
    std::thread::Builder::new().name("patches".into()).spawn(move || {
        loop {
            match from.recv_timeout(Duration::from_millis(100)) {
                Ok(news) => p.on_news(news),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            p.on_time(mono_now());
        }
    })?;
    Ok(())
}

impl Patches {
    fn on_news(&mut self, news: PatchNews) {
        match news {
            PatchNews::Stream(m, s) => self.on_stream(m, &s),
            PatchNews::Exclusive(m, e) => self.on_exclusive(m, &e),
            PatchNews::LetGo(m) => self.on_exclusives_lost(m),
            PatchNews::View(v) => self.on_view(*v),
            PatchNews::Moved(to, at, failed) => self.on_moved(to, at, failed),
            PatchNews::Chase(name) => self.on_asked(name.as_deref()),
            PatchNews::Port(i, why) => self.on_port(i, why),
            PatchNews::Took(i, item, at) => {
                if let Some(d) = self.devices.get_mut(i) {
                    item.events.iter().for_each(|e| {
                        d.have.on_event(*e, at);
                        d.leaks.on_sent(None, *e, at);
                    });
                    if let Some(e) = &item.exclusive {
                        d.have.exclusives.on_message(e, at);
                    }
                }
            }
            PatchNews::Dropped(i, n) => self.on_dropped(i, n),
            PatchNews::Reached(i, event, at) => {
                if let Some(d) = self.devices.get_mut(i).filter(|d| d.device.channels.contains(&event.channel)) {
                    d.have.on_event(event, at);
                    d.leaks.on_heard(event, at);
                }
            }
            PatchNews::Tap(i, why) => self.on_tap(i, why),
            PatchNews::Done(i, lines) => self.on_done(i, &lines),
        }
    }

    fn said(&self, code: &'static str, text: String) {
        self.desks.scribe.tell(ToScribe::Said { code, text });
    }

    fn on_asked(&mut self, name: Option<&str>) {
        let Some(on_air) = self.on_air else { return };
        for i in 0..self.devices.len() {
            let d = &self.devices[i].device;
            // A player with a pedal may have stepped elsewhere: only who names his device means it.
            let meant = name.map_or(d.chase || !d.pedal, |n| *n == d.name);
            if meant {
                self.chase(i, on_air, false, mono_now(), "as a person asked");
            }
        }
    }

    fn on_stream(&mut self, m: Machine, s: &PatchStream) {
        let next = self.next.entry((m.into(), s.input)).or_insert(s.first);
        let missed = s.first.saturating_sub(*next);
        // An agent that began anew counts from 0.
        let broken = *next != s.first;
        *next = s.first.saturating_add(s.messages.len() as u64);
        if broken {
            self.gap[m.index()] = true;
            self.comparers.iter_mut().for_each(|c| c.on_break(self.here.now));
            self.devices.iter_mut().for_each(|d| d.leaks.on_break(mono_now()));
        }
        if missed > 0 {
            self.said("patch-gap", format!("{m}: {missed} MIDI messages to devices did not reach us."));
        }
        let is = self.here.machines.get(m.index()).copied().unwrap_or_default();
        for message in &s.messages {
            let Some(event) = PatchEvent::from_message(&message.bytes) else { continue };
            let at = is.clock.map_or_else(mono_now, |c| message.at.to_local(c));
            let mut concerns = false;
            for i in 0..self.devices.len() {
                let d = &mut self.devices[i];
                if !d.device.channels.contains(&event.channel) {
                    continue;
                }
                match d.of_input(m, s.input) {
                    Input::Its => {}
                    Input::Apart => continue,
                    Input::ApartFirst => {
                        self.on_two_inputs(i, m, s.input);
                        continue;
                    }
                }
                concerns = true;
                d.on_sent(m, self.on_air, event, at);
                if let (Gate::Supervisor, true, Some(sender)) = (d.device.gate, self.on_air == Some(m), &d.sender) {
                    let length = if message.bytes[0] & 0xE0 == 0xC0 { 2 } else { 3 };
                    sender.play_on(message.bytes[..length].to_vec());
                    d.leaks.on_sent(None, event, mono_now());
                }
            }
            if let Some(place) = message.place.filter(|_| concerns) {
                self.compare(m, Heard { at, place, event });
            }
        }
    }

    fn on_two_inputs(&self, i: usize, m: Machine, input: u8) {
        let d = &self.devices[i];
        let text = format!(
            "{}: {m}'s MIDI inputs {} and {} both bring something on its channels. They are two cables: the second is kept apart. Write input = {} in its [[device]] to say which it is.",
            d.device.name,
            d.input_of(m),
            u16::from(input) + 1,
            d.input_of(m),
        );
        self.said("patch-two-inputs", text);
    }

    fn compare(&mut self, m: Machine, heard: Heard) {
        let mut found = Vec::new();
        for (k, c) in self.comparers.iter_mut().enumerate() {
            match m.index() {
                0 => c.on_event(0, heard, &mut |f| found.push((k, f))),
                i if i == k + 1 => c.on_event(1, heard, &mut |f| found.push((k, f))),
                _ => {}
            }
        }
        found.into_iter().for_each(|(k, f)| self.on_finding(k, &f));
    }

    fn on_view(&mut self, v: Where) {
        let reference = v.machines.first().copied().unwrap_or_default();
        for (k, c) in self.comparers.iter_mut().enumerate() {
            let Some(other) = v.machines.get(k + 1) else { continue };
            let apart = reference.place.zip(other.place).map(|(a, b)| (a - b).abs());
            let together = reference.alive
                && other.alive
                && reference.rolls
                && other.rolls
                && apart.is_some_and(|a| a <= TOGETHER);
            c.on_together(together, v.now);
            let jumped =
                |i: usize| self.here.machines.get(i).zip(v.machines.get(i)).is_some_and(|(a, b)| a.jumps != b.jumps);
            if jumped(0) || jumped(k + 1) {
                c.on_break(v.now);
            }
        }
        self.forget_exclusives(&v);
        if self.on_air.is_none() {
            self.on_air = v.on_air;
        }
        self.here = v;
        self.look_for_song();
        self.show();
    }

    /// A song began on air: devices that want it are sent what should be in force.
    fn look_for_song(&mut self) {
        let Some(on_air) = self.on_air else { return };
        let is = self.is(on_air);
        if !is.rolls || is.song == self.song {
            return;
        }
        self.song = is.song;
        let (began, now) = (is.song > 0 && is.in_song < SONG_BEGINS, mono_now());
        for i in (0..self.devices.len()).filter(|_| began) {
            let d = &self.devices[i];
            // A changeover at the border of two songs has sent all already.
            let just_now = d.chased.is_some_and(|(_, at)| now - at < SONG_BEGINS);
            if d.device.chase_at_song_start && !just_now {
                self.chase(i, on_air, false, now, "as a song begins");
            }
        }
    }

    fn on_moved(&mut self, to: Machine, at: MonoTime, failed: bool) {
        let left = self.on_air.replace(to);
        // The command, the switch's answer and its adoption all tell of one changeover.
        let Some(left) = left.filter(|l| *l != to) else { return };
        // A machine that failed may have sent more than reached us, or less than it told.
        let sure = !failed && self.is(left).alive && !self.gap[left.index()];
        for i in 0..self.devices.len() {
            self.devices[i].leaks.on_break(mono_now());
            self.devices[i].on_left(left, sure);
            if self.devices[i].device.chase {
                self.chase(i, to, sure, at, &format!("after the changeover to {to}"));
                continue;
            }
            self.follow(i, to, VecDeque::new(), at);
            let d = &mut self.devices[i];
            if d.device.pedal {
                let name = &d.device.name;
                let text = format!(
                    "{name}: nothing is sent after the changeover to {to}: its player has a pedal and may have stepped elsewhere. `twinkeel patches chase \"{name}\"` sends it."
                );
                self.said("patch-left-alone", text);
                continue;
            }
            self.find_unchased(i, to);
        }
        self.gap[left.index()] = false;
    }

    /// A device that is not chased may be elsewhere than the machine now on air thinks.
    fn find_unchased(&mut self, i: usize, to: Machine) {
        let want = self.devices[i].wanted(to, self.is(to), &self.desks.facts, self.here.now);
        let d = &mut self.devices[i];
        let wrong = d.chase(&want, true);
        d.evidence.unchased = (!wrong.is_empty()).then_some(to);
        if wrong.is_empty() {
            return;
        }
        let why =
            if d.sender.is_some() { "it is not chased (chase = true)" } else { "there is no port to it (port = ...)" };
        let told: Vec<String> = wrong.iter().flat_map(Item::words).take(3).collect();
        let text =
            format!("It should have {}{}; {why}.", told.join(", "), if wrong.len() > 3 { " and more" } else { "" });
        let name = d.device.name.clone();
        self.stands_behind(AlarmCode::NotChased, i, &text);
        self.said("patch-not-chased", format!("{name}: {text}"));
    }

    fn is(&self, m: Machine) -> MachineIs {
        self.here.machines.get(m.index()).copied().unwrap_or_default()
    }

    fn chase(&mut self, i: usize, to: Machine, sure: bool, at: MonoTime, why: &str) {
        let want = self.devices[i].wanted(to, self.is(to), &self.desks.facts, self.here.now);
        let d = &mut self.devices[i];
        if d.sender.is_none() {
            return;
        }
        let all: VecDeque<Wanted> = d.chase(&want, sure).into_iter().map(Wanted::Item).collect();
        d.chased = Some((to, at));
        let count = all.len();
        d.chasing = count > 0;
        d.evidence.unchased = (count > 0).then_some(to);
        let text = match count {
            0 => format!("{}: nothing to send {why}, it is right already.", d.device.name),
            n => format!("{}: {n} settings are sent {why}.", d.device.name),
        };
        self.desks.scribe.tell(ToScribe::Patch(PatchSaid {
            code: "patch-chase",
            machine: Some(to),
            device: d.device.name.clone(),
            missed: false,
            text,
            lines: Vec::new(),
        }));
        self.stands_behind(AlarmCode::NotChased, i, &format!("{count} settings wait to be sent."));
        self.follow(i, to, all, at);
    }

    /// Sends what waits; a full frame first where the device follows MIDI timecode, and the song position last where it follows a clock.
    fn follow(&mut self, i: usize, to: Machine, mut all: VecDeque<Wanted>, at: MonoTime) {
        let cut_off = std::mem::take(&mut self.devices[i].cut_off);
        let d = &self.devices[i];
        if d.device.follows == Some(Follows::Mtc)
            && let Some(show) = &self.desks.facts.show
            && let Some(place) = self.here.machines.get(to.index()).filter(|m| m.rolls).and_then(|m| m.place)
        {
            let now = place + (mono_now() - self.here.now);
            let code = Timecode::at(show.frame_rate, now).0;
            all.push_front(Wanted::Raw(full_frame(code).to_vec(), "full frame: where the machine now on air is"));
        }
        if cut_off {
            all.push_front(Wanted::Raw(vec![0xF7], "end of a system exclusive message that may have been cut off"));
        }
        if d.device.follows == Some(Follows::Clock) {
            all.extend(self.song_clock(to).map(Wanted::Place));
        }
        if let Some(sender) = d.sender.as_ref().filter(|_| !all.is_empty()) {
            sender.send(all, at);
        }
    }

    /// The song that a machine plays, for followers of its clock.
    fn song_clock(&self, m: Machine) -> Option<SongClock> {
        let is = self.here.machines.get(m.index()).filter(|is| is.rolls)?;
        let song = self.desks.facts.songs.songs().get(usize::from(is.song.checked_sub(1)?))?;
        Some(SongClock { began: self.here.now - is.in_song, tempo: song.tempo.clone()? })
    }

    fn on_done(&mut self, i: usize, lines: &[SentLine]) {
        let Some(d) = self.devices.get_mut(i) else { return };
        if std::mem::take(&mut d.chasing) {
            d.evidence.unchased = None;
        }
        let since = d.chased.map_or(lines[0].at, |c| c.1);
        let last = lines.last().map_or(since, |l| l.at);
        let bytes: usize = lines.iter().map(|l| l.bytes.len()).sum();
        let text = format!(
            "{}: {bytes} bytes sent; it is as it should be {:.1} ms after the command.",
            d.device.name,
            (last - since).millis_f64()
        );
        let told = |l: &SentLine| (l.at, l.bytes.clone(), l.reason);
        self.desks.scribe.tell(ToScribe::Patch(PatchSaid {
            code: "patch-sent",
            machine: d.chased.map(|c| c.0),
            device: d.device.name.clone(),
            missed: false,
            text,
            lines: lines.iter().map(told).collect(),
        }));
    }

    fn on_dropped(&mut self, i: usize, n: u64) {
        let Some(d) = self.devices.get_mut(i) else { return };
        d.chasing = false;
        let text = format!("{}: {n} messages were not sent: its port failed for too long.", d.device.name);
        self.stands_behind(AlarmCode::NotChased, i, "It was not sent in time: its port failed.");
        self.said("patch-dropped", text);
    }

    fn on_port(&mut self, i: usize, why: Option<String>) {
        let Some(d) = self.devices.get_mut(i) else { return };
        let name = d.device.name.clone();
        d.evidence.port = Some(why.is_none());
        // What it missed meanwhile is sent now, if that was wanted.
        let again = d.evidence.unchased.filter(|_| why.is_none() && d.device.chase && !d.chasing);
        match &why {
            Some(why) => {
                self.stands_behind(AlarmCode::DevicePort, i, &format!("The system says: {why}."));
                self.said("patch-port-gone", format!("{name}: its MIDI port cannot be used: {why}. It is tried on."));
            }
            None => self.said("patch-port-open", format!("{name}: its MIDI port is open.")),
        }
        if let Some(to) = again.filter(|to| Some(*to) == self.on_air) {
            self.chase(i, to, false, mono_now(), "since its port is open again");
        }
    }

    fn on_tap(&mut self, i: usize, why: Option<String>) {
        let Some(d) = self.devices.get_mut(i) else { return };
        d.tapped = why.is_none();
        d.leaks.on_break(mono_now());
        let name = &d.device.name;
        let (code, text) = match why {
            Some(why) => ("patch-tap-gone", format!("{name}: what reaches it is not heard: {why}. It is tried on.")),
            None => ("patch-tap-open", format!("{name}: what reaches it is heard.")),
        };
        self.said(code, text);
    }

    fn on_time(&mut self, now: MonoTime) {
        let mut found = Vec::new();
        for (k, c) in self.comparers.iter_mut().enumerate() {
            c.on_time(now, &mut |f| found.push((k, f)));
        }
        found.into_iter().for_each(|(k, f)| self.on_finding(k, &f));
        let on_air = self.on_air;
        let is = on_air.map(|m| self.is(m)).unwrap_or_default();
        let (facts, at) = (self.desks.facts.clone(), self.here.now);
        for i in 0..self.devices.len() {
            let mut leaked = Vec::new();
            let d = &mut self.devices[i];
            match d.device.gate {
                // Both machines reach it by design.
                Gate::Merger => {}
                Gate::Switch if on_air.is_none() => {}
                Gate::Switch => d.leaks.on_time(now, on_air, &mut |l| leaked.push(l)),
                Gate::Supervisor => d.leaks.on_time(now, None, &mut |l| leaked.push(l)),
            }
            d.look_again(|d| Some(d.wanted(on_air?, is, &facts, at)), now);
            leaked.iter().for_each(|l| self.on_leak(i, l));
            if let (Ok(n), Some(news)) = (u8::try_from(i), self.devices[i].news()) {
                self.desks.watch.tell(ToWatch::Device(n, news));
            }
        }
    }

    fn on_leak(&mut self, i: usize, leak: &Leak) {
        let d = &mut self.devices[i];
        d.on_leaked(leak.from, mono_now());
        let (name, who) = (d.device.name.clone(), leak.from);
        let text = format!("{who}'s {} reached it.", leak.event);
        self.stands_behind(AlarmCode::MidiLeak, i, &text);
        if self.may_tell(i) {
            self.desks.scribe.tell(ToScribe::Patch(PatchSaid {
                code: "midi-leak",
                machine: Some(who),
                device: name.clone(),
                missed: false,
                text: format!("{name}: {text}"),
                lines: Vec::new(),
            }));
        }
    }

    fn on_finding(&mut self, pair: usize, f: &Finding) {
        let machines = [Machine::A, Machine::new(pair + 1).unwrap_or(Machine::B)];
        let m = machines[f.side.min(1)];
        let place = words::place_in_words(&self.desks.facts, f.heard.place);
        for i in 0..self.devices.len() {
            let d = &mut self.devices[i];
            let for_it = match f.heard.event.sent {
                Sent::Exclusive(_) => d.device.sysex,
                _ => d.device.channels.contains(&f.heard.event.channel),
            };
            if !for_it {
                continue;
            }
            d.on_differed(m, mono_now());
            let text = words::sentence(m, f, &place, &d.device);
            let device = d.device.name.clone();
            self.stands_behind(AlarmCode::PatchDiffers, i, &text);
            if self.may_tell(i) {
                let (code, machine, lines) = (words::code(f.what), Some(m), Vec::new());
                self.desks.scribe.tell(ToScribe::Patch(PatchSaid { code, machine, device, missed: true, text, lines }));
            }
        }
    }

    /// Whether one more finding of a device is told by itself.
    fn may_tell(&mut self, i: usize) -> bool {
        let now = mono_now();
        let d = &mut self.devices[i];
        if d.telling_since.is_none_or(|t| now - t > MANY_IN) {
            (d.telling_since, d.told) = (Some(now), 0);
        }
        d.told += 1;
        if d.told == MANY {
            let text = format!("{}: more differences follow; they are not told one by one.", d.device.name);
            self.said("patches-many", text);
        }
        self.devices[i].told < MANY
    }

    /// The newest sentence behind an alarm; told before the judge hears of it.
    fn stands_behind(&self, code: AlarmCode, i: usize, text: &str) {
        if let (Ok(mut shown), Ok(n)) = (self.desks.shown.lock(), u8::try_from(i)) {
            shown.words.insert((code, n), text.into());
        }
    }

    fn show(&mut self) {
        let is = self.on_air.map(|m| self.is(m)).unwrap_or_default();
        let all: Vec<_> = self.devices.iter().map(|d| words::view(d, is, &self.desks.facts)).collect();
        if let Ok(mut shown) = self.desks.shown.lock() {
            shown.views = all;
        }
    }
}
