//! The thread: streams and places in; findings, chases and a picture out.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};
use std::time::Duration;

use base::{Machine, MonoTime, ShowPosition, Span};
use ports::os::mono_now;
use settings::devices::{Device, Follows};
use timecode::Timecode;
use timecode::midi::encode::full_frame;
use watch::patches::{Comparer, DeviceState, Finding, Heard, Limits, PatchEvent, What, chase};
use wire::PatchStream;

use super::sender::{SenderDesk, SentLine, Wanted};
use super::{MachineIs, PatchNews, Shown, Where};
use crate::scribe::{Facts, PatchSaid, ScribeDesk, ToScribe};
use crate::snapshot::{ChannelView, DeviceAlarm, DeviceView};

/// Machines farther apart than this in the show are not compared.
const TOGETHER: Span = Span::from_millis(250);
/// Findings of one device that are told one by one in each [`MANY_IN`]; more are counted.
const MANY: u32 = 12;
const MANY_IN: Span = Span::from_secs(10);
/// An alarm about a missed patch stands this long after the last.
const STANDS: Span = Span::from_secs(30);

struct One {
    device: Device,
    sender: Option<SenderDesk>,
    /// What it was sent, as far as we know.
    have: DeviceState,
    /// What each machine has sent for it.
    said: [DeviceState; base::ids::MAX_MACHINES],
    port_fails: Option<(String, MonoTime)>,
    missed: Option<(String, MonoTime)>,
    told: u32,
    telling_since: Option<MonoTime>,
    chased: Option<(Machine, MonoTime)>,
}

struct Patches {
    facts: Arc<Facts>,
    scribe: ScribeDesk,
    shown: Shown,
    devices: Vec<One>,
    comparers: Vec<Comparer>,
    here: Where,
    on_air: Option<Machine>,
    /// The number that each machine's next message should have, by input.
    next: std::collections::BTreeMap<(u8, u8), u64>,
    gap: [bool; base::ids::MAX_MACHINES],
}

pub fn start(
    from: Receiver<PatchNews>,
    to: Sender<PatchNews>,
    facts: Arc<Facts>,
    scribe: ScribeDesk,
    shown: Shown,
) -> std::io::Result<()> {
    let mut devices = Vec::new();
    for (i, d) in facts.show.iter().flat_map(|s| &s.devices).enumerate() {
        let sends = d.port.is_some();
        let sender = if sends { Some(SenderDesk::start(i, d.clone(), to.clone())?) } else { None };
        devices.push(One {
            device: d.clone(),
            sender,
            have: DeviceState::new(),
            said: core::array::from_fn(|_| DeviceState::new()),
            port_fails: None,
            missed: None,
            told: 0,
            telling_since: None,
            chased: None,
        });
    }
    let others = facts.rig.machines.len().saturating_sub(1);
    let comparers = (0..others).map(|_| Comparer::new(Limits::default())).collect();
    let here = Where { now: mono_now(), on_air: None, machines: Vec::new() };
    let mut p = Patches {
        facts,
        scribe,
        shown,
        devices,
        comparers,
        here,
        on_air: None,
        next: Default::default(),
        gap: Default::default(),
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
            PatchNews::View(v) => self.on_view(*v),
            PatchNews::Moved(to, at, failed) => self.on_moved(to, at, failed),
            PatchNews::Chase(name) => {
                let Some(on_air) = self.on_air else { return };
                for i in 0..self.devices.len() {
                    if name.as_ref().is_none_or(|n| *n == self.devices[i].device.name) {
                        self.chase(i, on_air, false, mono_now(), "as a person asked");
                    }
                }
            }
            PatchNews::Port(i, why) => self.on_port(i, why),
            PatchNews::Took(i, item, at) => {
                if let Some(d) = self.devices.get_mut(i) {
                    item.events.iter().for_each(|e| d.have.on_event(*e, at));
                }
            }
            PatchNews::Done(i, lines) => self.on_done(i, &lines),
        }
    }

    fn on_stream(&mut self, m: Machine, s: &PatchStream) {
        let next = self.next.entry((m.into(), s.input)).or_insert(s.first);
        // An agent that began anew counts from 0.
        if *next != s.first {
            self.gap[m.index()] = true;
            self.comparers.iter_mut().for_each(|c| c.on_break(self.here.now));
            if s.first > *next {
                let text = format!("{m}: {} MIDI messages to devices did not reach us.", s.first - *next);
                self.scribe.tell(ToScribe::Said { code: "patch-gap", text });
            }
        }
        *next = s.first + s.messages.len() as u64;
        let is = self.here.machines.get(m.index()).copied().unwrap_or_default();
        for message in &s.messages {
            let Some(event) = PatchEvent::from_message(&message.bytes) else { continue };
            let at = is.clock.map_or_else(mono_now, |c| message.at.to_local(c));
            let mut concerns = false;
            for d in self.devices.iter_mut().filter(|d| d.device.channels.contains(&event.channel)) {
                concerns = true;
                d.said[m.index()].on_event(event, at);
                if self.on_air == Some(m) {
                    d.have.on_event(event, at);
                    if let Some(sender) = &d.sender {
                        sender.yield_to(event);
                    }
                }
            }
            if let Some(place) = message.place.filter(|_| concerns) {
                self.compare(m, Heard { at, place, event });
            }
        }
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
        if self.on_air.is_none() {
            self.on_air = v.on_air;
        }
        self.here = v;
        self.show();
    }

    fn on_moved(&mut self, to: Machine, at: MonoTime, failed: bool) {
        let left = self.on_air.replace(to);
        // The command, the switch's answer and its adoption all tell of one changeover.
        let Some(left) = left.filter(|l| *l != to) else { return };
        // A machine that failed may have sent more than reached us, or less than it told.
        let sure = !failed && self.here.machines.get(left.index()).is_some_and(|m| m.alive) && !self.gap[left.index()];
        for i in 0..self.devices.len() {
            if self.devices[i].device.chase {
                self.chase(i, to, sure, at, &format!("after the changeover to {to}"));
            } else {
                self.follow(i, to, VecDeque::new(), at);
                let d = &mut self.devices[i];
                d.have = d.have.with(&d.said[to.index()]);
            }
        }
        self.gap[left.index()] = false;
    }

    fn chase(&mut self, i: usize, to: Machine, sure: bool, at: MonoTime, why: &str) {
        let d = &mut self.devices[i];
        if d.sender.is_none() {
            return;
        }
        let mut all = VecDeque::new();
        chase(&d.have, &d.said[to.index()], sure, &mut |item| all.push_back(Wanted::Item(item)));
        d.chased = Some((to, at));
        let count = all.len();
        let text = match count {
            0 => format!("{}: nothing to send {why}, it is right already.", d.device.name),
            n => format!("{}: {n} settings are sent {why}.", d.device.name),
        };
        self.scribe.tell(ToScribe::Patch(PatchSaid {
            code: "patch-chase",
            machine: Some(to),
            device: d.device.name.clone(),
            missed: false,
            text,
            lines: Vec::new(),
        }));
        self.follow(i, to, all, at);
    }

    /// Sends what waits, and a full frame first where the device follows MIDI timecode.
    fn follow(&mut self, i: usize, to: Machine, mut all: VecDeque<Wanted>, at: MonoTime) {
        let d = &self.devices[i];
        if d.device.follows == Some(Follows::Mtc)
            && let Some(show) = &self.facts.show
            && let Some(place) = self.here.machines.get(to.index()).filter(|m| m.rolls).and_then(|m| m.place)
        {
            let now = place + (mono_now() - self.here.now);
            let code = Timecode::at(show.frame_rate, now).0;
            all.push_front(Wanted::Raw(full_frame(code).to_vec(), "full frame: where the machine now on air is"));
        }
        if let Some(sender) = d.sender.as_ref().filter(|_| !all.is_empty()) {
            sender.send(all, at);
        }
    }

    fn on_done(&mut self, i: usize, lines: &[SentLine]) {
        let Some(d) = self.devices.get(i) else { return };
        let since = d.chased.map_or(lines[0].at, |c| c.1);
        let last = lines.last().map_or(since, |l| l.at);
        let bytes: usize = lines.iter().map(|l| l.bytes.len()).sum();
        let text = format!(
            "{}: {bytes} bytes sent; it is as it should be {:.1} ms after the command.",
            d.device.name,
            (last - since).millis_f64()
        );
        let told = |l: &SentLine| (l.at, l.bytes.clone(), l.reason);
        self.scribe.tell(ToScribe::Patch(PatchSaid {
            code: "patch-sent",
            machine: d.chased.map(|c| c.0),
            device: d.device.name.clone(),
            missed: false,
            text,
            lines: lines.iter().map(told).collect(),
        }));
    }

    fn on_port(&mut self, i: usize, why: Option<String>) {
        let Some(d) = self.devices.get_mut(i) else { return };
        let name = d.device.name.clone();
        let (code, text) = match &why {
            Some(why) => ("patch-port-gone", format!("{name}: its MIDI port cannot be used: {why}. It is tried on.")),
            None => ("patch-port-open", format!("{name}: its MIDI port is open.")),
        };
        d.port_fails = why.map(|w| (w, mono_now()));
        self.scribe.tell(ToScribe::Said { code, text });
    }

    fn on_time(&mut self, now: MonoTime) {
        let mut found = Vec::new();
        for (k, c) in self.comparers.iter_mut().enumerate() {
            c.on_time(now, &mut |f| found.push((k, f)));
        }
        found.into_iter().for_each(|(k, f)| self.on_finding(k, &f));
    }

    fn on_finding(&mut self, pair: usize, f: &Finding) {
        let machines = [Machine::A, Machine::new(pair + 1).unwrap_or(Machine::B)];
        let m = machines[f.side.min(1)];
        let place = place_in_words(&self.facts, f.heard.place);
        for d in self.devices.iter_mut().filter(|d| d.device.channels.contains(&f.heard.event.channel)) {
            let now = mono_now();
            if d.telling_since.is_none_or(|t| now - t > MANY_IN) {
                (d.telling_since, d.told) = (Some(now), 0);
            }
            d.told += 1;
            let text = sentence(m, f, &place, &d.device);
            d.missed = Some((text.clone(), now));
            if d.told == MANY {
                let text = format!("{}: more differences follow; they are not told one by one.", d.device.name);
                self.scribe.tell(ToScribe::Said { code: "patches-many", text });
            }
            if d.told >= MANY {
                continue;
            }
            let code = match f.what {
                What::Missing => "patch-missing",
                What::Late(_) => "patch-late",
                What::Different(_) => "patch-different",
                What::Doubled => "patch-doubled",
                What::Extra => "patch-extra",
            };
            let device = d.device.name.clone();
            self.scribe.tell(ToScribe::Patch(PatchSaid {
                code,
                machine: Some(m),
                device,
                missed: true,
                text,
                lines: Vec::new(),
            }));
        }
    }

    fn show(&mut self) {
        let now = self.here.now;
        let is = self.on_air.and_then(|m| self.here.machines.get(m.index())).copied().unwrap_or_default();
        let facts = self.facts.clone();
        let all = self.devices.iter_mut().map(|d| {
            d.missed = d.missed.take().filter(|(_, at)| now - *at < STANDS);
            view(d, is, &facts)
        });
        let all = all.collect();
        if let Ok(mut shown) = self.shown.lock() {
            *shown = all;
        }
    }
}

fn view(d: &One, is: MachineIs, facts: &Facts) -> DeviceView {
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
    let importance = d.device.importance;
    let alarm = |code: &str, text: String, since: MonoTime| DeviceAlarm { code: code.into(), text, since };
    let port = d
        .port_fails
        .as_ref()
        .map(|(w, at)| alarm("patch-port", format!("{}: its MIDI port cannot be used: {w}.", d.device.name), *at));
    let missed = d.missed.as_ref().map(|(t, at)| alarm("patch-missed", t.clone(), *at));
    DeviceView {
        name: d.device.name.clone(),
        channels: d.device.channels.iter().filter_map(channel).collect(),
        gate: d.device.gate,
        importance,
        chase: d.device.chase,
        chased: d.chased.map(|c| c.1),
        alarms: port.into_iter().chain(missed).collect(),
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

fn sentence(m: Machine, f: &Finding, place: &str, device: &Device) -> String {
    let e = f.heard.event;
    let named = match e.sent {
        watch::patches::Sent::Program(p) => device.patch_name(p).map_or_else(String::new, |n| format!(" ({n})")),
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

/// ` at bar 9 of Harbour Lights`.
fn place_in_words(facts: &Facts, at: Span) -> String {
    let Some(show) = &facts.show else { return String::new() };
    let place = facts.songs.place(ShowPosition::Timecode { rate: show.frame_rate, at }, None);
    match place.and_then(|p| Some((facts.song(p.song)?.name.clone(), p.bar_beat))) {
        Some((song, Some(b))) => format!(" at bar {} of {song}", b.bar),
        Some((song, None)) => format!(" in {song}"),
        None => format!(" at {}", Timecode::at(show.frame_rate, at).0),
    }
}
