//! What happened, in words: the judge's actions, agents' messages and people's acts become events.

use std::io::Write;

use base::{Machine, MonoTime, Span, TransportState};
use rig::{Action, AlarmChange, Transition};
use showlog::{Event, EventKind, detail};
use watch::WatchView;
use wire::Up;

use super::changeovers;
use super::names::RigNames;
use super::picture::{alarm_id, whose};
use super::{Scribe, ToScribe, event};
use crate::page::{DeskAct, Mark, MarkKind};
use crate::snapshot::Tone;

/// One line of `events.jsonl`: what a script needs to follow a show.
pub fn write_line(file: &mut std::fs::File, e: &Event) {
    let line = serde_json::json!({
        "mono_ns": e.at.nanos(),
        "wall_ns": e.wall.0,
        "kind": e.kind.word(),
        "code": e.code,
        "machine": e.machine.map(|m| m.to_string()),
        "text": e.text,
        "detail": e.detail,
    });
    if let Err(why) = writeln!(file, "{line}") {
        tracing::error!("events.jsonl: {why}");
    }
}

impl Scribe {
    pub(super) fn on_action(&mut self, at: MonoTime, action: Action) {
        let names = RigNames(&self.facts.clone());
        match action {
            Action::Changeover { to, rule, reason, forced, cost, term } => {
                self.state.changeovers += 1;
                if let Some(record) = &self.record {
                    self.state.sounds.on_changeover(at, |s| record.sound(s));
                }
                let d = self.changeover_detail(detail::Stage::Intent, to, rule.code());
                let evidence =
                    self.state.view.as_ref().map(|v| changeovers::evidence(v, d.from, to)).unwrap_or_default();
                let d = detail::Changeover { forced, jump: cost.jump, level: cost.level, evidence, ..d };
                let text = format!("Changeover to {to}: {} The audience hears {}.", reason.say(&names), cost.say());
                let mut e = event(at, EventKind::Changeover, "intent", text).about(to).with(&d);
                if let Some(o) = e.detail.as_object_mut() {
                    o.insert("term".into(), term.into());
                    o.insert("reason".into(), reason.reason.code().into());
                }
                self.write(e, Tone::Danger, None);
            }
            Action::NextOutput { to, tried, .. } => {
                let text = format!(
                    "Not confirmed: the command to go to {to} is sent again by the next output (try {}).",
                    tried + 1
                );
                self.write(event(at, EventKind::Switch, "next-output", text).about(to), Tone::Abnormal, None);
            }
            Action::Confirmed { to, after } => {
                if let Ok(mut n) = self.check.notebook.lock() {
                    n.on_confirmed(to, after);
                }
                self.state.last_confirmed = Some(at);
                self.state.outputs_failed.clear();
                let d = self.changeover_detail(detail::Stage::Confirmed, to, "");
                let text = format!("Confirmed: {to} is on air, {:.1} ms after the command.", after.millis_f64());
                self.write(event(at, EventKind::Changeover, "confirmed", text).about(to).with(&d), Tone::Neutral, None);
                self.mark(at, MarkKind::Changeover, Some(to), format!("{to} on air"));
            }
            Action::Propose { to, rule, reason, gate } => {
                let id = at.nanos();
                self.state.proposal = Some((id, at));
                let text = format!("Proposed: change over to {to}? {}", reason.say(&names));
                let d = serde_json::json!({ "to": to.to_string(), "rule": rule.code(), "gate": gate.code() });
                self.write(event(at, EventKind::Proposal, "proposed", text).about(to).with(&d), Tone::Action, None);
            }
            Action::Withdraw => {
                self.state.proposal = None;
                self.write(event(at, EventKind::Proposal, "withdrawn", "The proposal is moot."), Tone::Neutral, None);
            }
            Action::WouldHave { to, rule, reason } => {
                let text = format!("Observing: a changeover to {to} would have been made now. {}", reason.say(&names));
                let d = detail::Refusal { rule: rule.code().into(), to: Some(to), evidence: Vec::new() };
                self.write(event(at, EventKind::Refusal, "would-have", text).about(to).with(&d), Tone::Action, None);
            }
            Action::Refused { rule, gate, cause, reason } => {
                let text = format!("{} No changeover: {}", cause.say(&names), reason.say(&names));
                let d = detail::Refusal { rule: gate.code().into(), to: None, evidence: Vec::new() };
                self.write(event(at, EventKind::Refusal, rule.code(), text).with(&d), Tone::Abnormal, None);
            }
            Action::Adopted { to, moved } => {
                self.patches.tell(crate::patches::PatchNews::Moved(to, at, false));
                let (code, text) = if moved {
                    ("moved", format!("The switch went to {to} without us: adopted."))
                } else {
                    ("adopted", format!("The switch has {to} on air."))
                };
                let tone = if moved { Tone::Abnormal } else { Tone::Neutral };
                self.write(event(at, EventKind::Switch, code, text).about(to), tone, None);
                self.mark(at, MarkKind::Changeover, Some(to), format!("{to} on air"));
            }
            Action::Latched(latch) => {
                self.state.latched_at = Some(at);
                self.state.latched_text =
                    format!("Unprotected since the switch went to {}: release it when all is well.", latch.to);
                let text = format!(
                    "Latched: nothing more moves by itself until a person releases it ({} is on air).",
                    latch.to
                );
                self.write(event(at, EventKind::Switch, "latched", text).about(latch.to), Tone::Action, None);
            }
            Action::Released => {
                self.state.latched_at = None;
                self.write(
                    event(at, EventKind::Switch, "released", "The latch is released: the rig is protected again."),
                    Tone::Good,
                    None,
                );
            }
            Action::Fitness { machine, fitness, reasons } => {
                let words: Vec<String> = reasons.iter().map(|r| r.say(&names)).collect();
                let text = match words.first() {
                    Some(w) => format!("{machine} is {}: {w}", word(fitness)),
                    None => format!("{machine} is {}.", word(fitness)),
                };
                let d = detail::Fitness { fitness: record_fitness(fitness), reasons: words };
                let tone = if fitness == rig::Fitness::Fit { Tone::Good } else { Tone::Abnormal };
                self.write(event(at, EventKind::Fitness, word(fitness), text).about(machine).with(&d), tone, None);
            }
            Action::Alarm(change) => self.on_alarm(at, &change),
            Action::Persist(memory) => self.keep(memory),
        }
    }

    fn on_alarm(&mut self, at: MonoTime, change: &AlarmChange) {
        let facts = self.facts.clone();
        let whose = whose(change.machine, change.device);
        let id = alarm_id(change.code, whose);
        if matches!(change.transition, Transition::Raised | Transition::Unsuppressed) {
            let particulars = match change.device {
                Some(d) => self.patches.words(change.code, d),
                None => super::particulars::particulars(&self.state, change.code, change.machine, at),
            };
            match particulars {
                Some(p) => self.state.particulars.insert(id, p),
                None => self.state.particulars.remove(&id),
            };
        }
        let text = super::particulars::with(change.say(&RigNames(&facts)), self.state.particulars.get(&id));
        let transition = match change.transition {
            Transition::Raised | Transition::Unshelved | Transition::Unsuppressed => detail::Transition::Raised,
            Transition::Acknowledged => detail::Transition::Acknowledged,
            Transition::Shelved => detail::Transition::Shelved,
            _ => detail::Transition::Cleared,
        };
        let priority = match change.priority {
            rig::Priority::Low => detail::Priority::Low,
            rig::Priority::Medium => detail::Priority::Medium,
            rig::Priority::High => detail::Priority::High,
        };
        let advice = super::advice::advice(change.code);
        let mend = (!advice.is_empty()).then(|| advice.to_owned());
        let figures =
            self.state.view.as_ref().zip(change.machine).and_then(|(v, m)| Some((v.machines.get(m.index())?, m)));
        let cause = figures.and_then(|(f, m)| super::causes::of_alarm(change.code, m, f.hints.iter()));
        let device = change.device.map(|d| rig::Names::device(&RigNames(&facts), d));
        let d = detail::Alarm { priority, transition, cause, mend, by: None, device };
        let tone = match (transition, change.priority) {
            (detail::Transition::Raised, rig::Priority::High) => Tone::Danger,
            (detail::Transition::Raised, _) => Tone::Abnormal,
            _ => Tone::Neutral,
        };
        let mut e = event(at, EventKind::Alarm, change.code.code(), text).with(&d);
        e.machine = change.machine;
        if transition == detail::Transition::Cleared {
            e.text = format!("Over: {}", e.text);
        }
        self.write(e, tone, None);
    }

    pub(super) fn on_other(&mut self, news: ToScribe) {
        let now = ports::os::mono_now();
        match news {
            ToScribe::Up(m, up) => self.on_up(m, up, now),
            ToScribe::Stranger { from, why } => {
                let text = format!("Somebody at {from} is no machine of this rig: {why}");
                self.write(event(now, EventKind::Supervisor, "stranger", text), Tone::Abnormal, None);
            }
            ToScribe::Acted { who, through, act, text, done } => {
                if done {
                    self.note_act(&who, &act);
                }
                let d = detail::Operator { who: who.clone(), through: through.into() };
                let e = event(now, EventKind::Operator, if done { "done" } else { "refused" }, text).with(&d);
                self.write(e, Tone::Neutral, Some(who));
            }
            ToScribe::Patch(said) => self.on_patch(now, said),
            ToScribe::Compared(c) => self.on_compared(&c),
            ToScribe::Sound(sound) => {
                if let Some(record) = &self.record {
                    self.state.sounds.on_sound(sound, |s| record.sound(s));
                }
            }
            ToScribe::Heard { to, at, heard } => self.on_heard(to, at, &heard),
            ToScribe::SetChanged(entries) => {
                self.kept.set = Some(entries);
                self.keep(self.kept.memory);
                self.state.wake = true;
            }
            ToScribe::Parity(lines, sessions) => {
                self.note_sessions(sessions);
                self.state.parity = lines;
                self.state.wake = true;
            }
            ToScribe::Checked(sheet) => self.on_checked(&sheet),
            ToScribe::Said { code, text } => {
                let tone = match code {
                    "patch-port-gone" | "patch-gap" | "patches-many" | "output-gone" | "output-failed"
                    | "acts-unchecked" | "button-gone" | "button-refused" | "session-differs" | "session-stale"
                    | "session-rules" => Tone::Abnormal,
                    _ => Tone::Neutral,
                };
                self.write(event(now, EventKind::Supervisor, code, text), tone, None);
            }
        }
    }

    fn on_patch(&mut self, now: MonoTime, said: super::PatchSaid) {
        let hex = |b: &[u8]| b.iter().map(|b| format!("{b:02x}")).collect::<Vec<_>>().join(" ");
        let line = |(at, bytes, why): &(MonoTime, Vec<u8>, &str)| serde_json::json!({ "mono_ns": at.nanos(), "bytes": hex(bytes), "why": why });
        let mut e = event(now, EventKind::Patch, said.code, said.text)
            .with(&detail::Patch { device: said.device, missed: said.missed });
        if let Some(o) = e.detail.as_object_mut().filter(|_| !said.lines.is_empty()) {
            o.insert("sent".into(), said.lines.iter().map(line).collect());
        }
        e.machine = said.machine;
        self.write(e, if said.missed { Tone::Abnormal } else { Tone::Neutral }, None);
    }

    fn on_compared(&mut self, c: &watch::likeness::Compared) {
        if let Ok(mut n) = self.check.notebook.lock() {
            n.on_compared(c);
        }
        self.note_compared(c);
        let Some(now_so) = &c.changed else { return };
        self.state.likeness.insert((c.channel.clone(), c.machine), now_so.clone());
        let text = now_so.say(c.machine, Machine::A, &c.channel);
        let tone = if now_so.is_trouble() { Tone::Abnormal } else { Tone::Neutral };
        let d = serde_json::json!({ "channel": c.channel, "confidence": c.confidence, "lag_ms": c.lag.map(Span::millis_f64) });
        self.write(event(c.at, EventKind::Health, "sound-compared", text).about(c.machine).with(&d), tone, None);
    }

    fn note_act(&mut self, who: &str, act: &DeskAct) {
        match act {
            DeskAct::Acknowledge { alarm } => {
                self.state.acknowledged.insert(*alarm, who.into());
            }
            DeskAct::OutOfService { machine } => {
                self.state.out_of_service.insert(machine.0.into(), format!("by {who}"));
            }
            DeskAct::BackInService { machine } => {
                self.state.out_of_service.remove(&machine.0.into());
            }
            _ => {}
        }
    }

    fn on_up(&mut self, m: Machine, up: Up, now: MonoTime) {
        self.note_for_check(m, &up);
        let (kind, code, text, tone) = match up {
            Up::Hello(_) if self.facts.rig.heard_by == settings::rig::HeardBy::Supervisor => {
                let text =
                    format!("The supervisor's own inputs listen to {m}; of its host and player nothing is known.");
                (EventKind::Supervisor, "listener-here", text, Tone::Neutral)
            }
            Up::Hello(h) => {
                let text = format!("{m}'s agent is here: {} on {}, version {}.", h.name, h.system, h.software);
                (EventKind::Supervisor, "agent-here", text, Tone::Neutral)
            }
            Up::Inventory(i) => {
                self.state.channels.insert(m.into(), i.channels.clone());
                return;
            }
            Up::Patch { channel, bank_msb, bank_lsb, program, .. } => {
                let bank = match (bank_msb, bank_lsb) {
                    (None, None) => String::new(),
                    (msb, lsb) => format!(" in bank {}/{}", number(msb), number(lsb)),
                };
                let text = format!("{m} sent program {program}{bank} on channel {channel}.");
                // Where it stands in its song, for who learns the show's patches from a run.
                let place = self.state.view.as_ref().and_then(|v| v.machines.get(m.index())?.place);
                let place = place.map(|p| p.value).filter(|p| p.song > 0);
                let mut e = event(now, EventKind::Patch, "patch", text).about(m);
                e.detail = serde_json::json!({
                    "channel": channel, "bank": [bank_msb, bank_lsb], "program": program,
                    "song": place.map(|p| p.song), "at_ns": place.map(|p| p.at.nanos()),
                });
                self.write(e, Tone::Neutral, None);
                return;
            }
            Up::LetGo { patches, others } => {
                let text = format!(
                    "{m} had more to tell than it could keep while we were away: {patches} MIDI messages to devices and {others} other news were let go."
                );
                (EventKind::Supervisor, "let-go", text, Tone::Abnormal)
            }
            Up::Dropout { at, length, what, channels } => {
                let clock = self.state.view.as_ref().and_then(|v| crate::ears::lies_of(v)[m.index()].clock);
                let at = clock.map_or(now, |offset| at.to_local(offset).min(now));
                self.on_dropout(m, at, length, what, channels);
                return;
            }
            Up::Trigger { what, .. } => {
                (EventKind::Note, "trigger", format!("{m} heard the trigger: {what:?}."), Tone::Neutral)
            }
            Up::PlayerGone { .. } => {
                (EventKind::Health, "player-gone", format!("{m}'s agent says that its player is gone."), Tone::Abnormal)
            }
            Up::Goodbye { why } => {
                (EventKind::Supervisor, "goodbye", format!("{m}'s agent says goodbye: {why:?}."), Tone::Abnormal)
            }
            Up::Meters(read) => {
                self.on_meters(m, read, now);
                return;
            }
            Up::Health(h) => {
                self.state.health.insert(m.into(), h);
                return;
            }
            // They come by the bulk lane, to the ears and to the comparison of folders; the kit goes to the check, and patches to their own thread.
            Up::Excerpt(_) | Up::Manifest(_) | Up::Listing(_) | Up::Kit(_) | Up::Patches(_) | Up::Exclusive(_) => {
                return;
            }
            Up::Source { name, state, why, .. } => {
                let state = match state {
                    wire::message::SourceState::Opening => "being opened",
                    wire::message::SourceState::Open => "open",
                    wire::message::SourceState::Gone => "gone",
                };
                let why = if why.is_empty() { String::new() } else { format!(": {}", why.trim_end_matches('.')) };
                (EventKind::Health, "source", format!("{m}'s source {name} is {state}{why}."), Tone::Neutral)
            }
        };
        self.write(event(now, kind, code, text).about(m), tone, None);
    }

    /// A song began when the machine on air rolls in another one than before.
    pub(super) fn look_for_song(&mut self, view: &WatchView) {
        let Some(on_air) = on_air(view) else { return };
        let Some(f) = view.machines.get(on_air.index()) else { return };
        let rolling = f.position.is_some_and(|(_, r)| r.state == TransportState::Rolling);
        let Some(place) = f.place.map(|p| p.value).filter(|_| rolling) else { return };
        if self.state.song == Some(place.song) {
            return;
        }
        if let Some(old) = self.state.song.filter(|s| *s > 0) {
            self.song_event(view.now, old, false);
        }
        self.state.song = Some(place.song);
        if place.song > 0 {
            if let Ok(mut set) = self.set.lock() {
                set.on_song(place.song);
            }
            self.song_event(view.now, place.song, true);
        }
    }

    fn song_event(&mut self, at: MonoTime, number: u16, started: bool) {
        let name = self.facts.song(number).map_or_else(|| number.to_string(), |s| s.name.clone());
        let text = format!("{name} {}.", if started { "began" } else { "ended" });
        let d = detail::Song { number, started };
        self.write(
            event(at, EventKind::Song, if started { "began" } else { "ended" }, text).with(&d),
            Tone::Neutral,
            None,
        );
        if started {
            self.mark(at, MarkKind::SongStart, None, name);
        }
    }

    /// Steps of the offset, as the figures count them.
    pub(super) fn look_for_steps(&mut self, view: &WatchView) {
        for (i, f) in view.machines.iter().enumerate() {
            let Some(m) = Machine::new(i) else { continue };
            if let Some(fit) = &f.offset_fit {
                let seen = self.state.steps_seen[i];
                self.state.steps_seen[i] = fit.steps;
                if let Some(step) = fit.last_step.filter(|_| fit.steps > seen) {
                    let text = format!("The offset against {m} moved by {:.1} ms at once.", step.size.millis_f64());
                    let d = detail::Step { by: step.size };
                    self.write(
                        event(step.at, EventKind::Step, "step", text.clone()).about(m).with(&d),
                        Tone::Neutral,
                        None,
                    );
                    self.mark(step.at, MarkKind::Step, Some(m), text);
                }
            }
        }
    }

    pub(super) fn mark(&self, at: MonoTime, kind: MarkKind, machine: Option<Machine>, text: String) {
        if let Ok(mut h) = self.history.lock() {
            h.mark(Mark { at, kind, machine: machine.map(Into::into), text });
        }
    }

    /// The figures into the record.
    pub(super) fn sample(&self, view: &WatchView) {
        let Some(record) = &self.record else { return };
        let place = on_air(view).and_then(|m| view.machines.get(m.index())).and_then(|f| f.place).map(|p| p.value);
        let machines =
            view.machines.iter().zip(&view.rig.machines).map(|(f, r)| machine_sample(view.now, f, r)).collect();
        record.sample(showlog::Sample {
            at: view.now,
            on_air: view.rig.on_air,
            mode: match view.rig.mode {
                rig::Mode::Observe => showlog::Mode::Observe,
                rig::Mode::Propose => showlog::Mode::Propose,
                rig::Mode::Act => showlog::Mode::Act,
            },
            latched: view.rig.latched.is_some(),
            song: place.map(|p| p.song),
            song_at: place.map(|p| p.at),
            takeover: showlog::Takeover {
                to: view.rig.standby,
                jump: view.rig.takeover.jump,
                level: view.rig.takeover.level,
            },
            machines,
        });
    }
}

fn machine_sample(now: MonoTime, f: &watch::MachineFigures, r: &rig::MachineView) -> showlog::MachineSample {
    let offset = f.offset.filter(|o| now - o.2 < Span::from_millis(500));
    let e = &f.evidence;
    showlog::MachineSample {
        fitness: if r.out_of_service { showlog::Fitness::OutOfService } else { record_fitness(r.fitness) },
        heard: f.heard,
        player: e.player.and_then(|p| p.fresh(now)).unwrap_or_default(),
        transport: e.transport.and_then(|t| t.fresh(now)).unwrap_or_default(),
        audio: e.audio.and_then(|a| a.fresh(now)).unwrap_or_default(),
        clock: f.clock.state,
        paths_alive: e.paths_alive,
        song: f.place.and_then(|p| p.fresh(now)).map(|p| p.song),
        offset: offset.map(|o| f.offset_fit.map_or(o.0, |fit| fit.offset)),
        bound: offset.map(|o| o.1),
        drift: f.offset_fit.and_then(|v| v.drift).map(|d| d.0),
        peak: f.levels.peak(),
        rms: f.level,
        beats_lost: Some(u32::try_from(f.beats_lost).unwrap_or(u32::MAX)),
        lateness: f.beat.as_ref().map(|b| b.lateness),
        host: [
            (e.host.on_battery, showlog::MachineSample::ON_BATTERY),
            (e.host.hot, showlog::MachineSample::HOT),
            (e.host.disk_low, showlog::MachineSample::DISK_LOW),
        ]
        .iter()
        .filter(|(on, _)| *on)
        .fold(0, |a, (_, bit)| a | bit),
    }
}

/// The machine on air, if it is known.
pub fn on_air(view: &WatchView) -> Option<Machine> {
    match view.rig.on_air {
        base::SwitchView::On(m) => Some(m),
        _ => None,
    }
}

/// The word for a fitness.
pub const fn word(f: rig::Fitness) -> &'static str {
    match f {
        rig::Fitness::Fit => "fit",
        rig::Fitness::Degraded => "degraded",
        rig::Fitness::Unfit => "unfit",
        rig::Fitness::Unknown => "unknown",
    }
}

fn record_fitness(f: rig::Fitness) -> showlog::Fitness {
    match f {
        rig::Fitness::Fit => showlog::Fitness::Fit,
        rig::Fitness::Degraded => showlog::Fitness::Degraded,
        rig::Fitness::Unfit => showlog::Fitness::Unfit,
        rig::Fitness::Unknown => showlog::Fitness::Unknown,
    }
}

fn number(n: Option<u8>) -> String {
    n.map_or_else(|| "-".into(), |n| n.to_string())
}
