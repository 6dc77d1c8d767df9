//! A desk over an invented rig: it moves, obeys acts in the way a rig would, and writes down who did what.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use base::{Dbfs, Millis, MonoTime, Reading, Samples, Span, WallTime};
use tokio::sync::watch;
use twinkeel_supervisor::check::{CheckRequest, CheckView};
use twinkeel_supervisor::page::{
    ActOutcome, BoxFuture, Desk, DeskAct, History, HistoryLine, HistoryPoint, HistoryWindow, Mark, MarkKind, Who,
};
use twinkeel_supervisor::snapshot::*;

use crate::checks;
use crate::scenes::{self, Scene};

/// The rig has been running for this long when the desk starts, so that the pictures have a past.
const PAST: Span = Span::from_secs(1800);
/// How long the invented switch takes to confirm.
const SWITCHING: Duration = Duration::from_millis(120);
const TICK: Duration = Duration::from_millis(100);

pub struct FakeDesk {
    world: Mutex<World>,
    snapshots: watch::Sender<Arc<Snapshot>>,
    started: Instant,
    epoch: u32,
}

struct World {
    scene: Scene,
    since: MonoTime,
    sequence: u64,
    next_id: u64,
    muted: bool,
    asked: Option<(Letter, Instant)>,
    acts: Vec<String>,
    changed: Option<(MonoTime, Letter)>,
    unchecked: bool,
    check: CheckView,
    shows: Option<PathBuf>,
}

impl FakeDesk {
    pub fn start(name: &str) -> Option<Arc<FakeDesk>> {
        let now = MonoTime::ZERO + PAST;
        let scene = scenes::scene(name, now, wall())?;
        let epoch = SystemTime::now().duration_since(UNIX_EPOCH).map_or(1, |d| d.subsec_nanos());
        let first = Arc::new(scene.snapshot.clone());
        let world = World {
            scene,
            since: now,
            sequence: 0,
            next_id: 1000,
            muted: false,
            asked: None,
            acts: vec![],
            changed: None,
            unchecked: false,
            check: checks::view("never"),
            shows: None,
        };
        let desk = Arc::new(FakeDesk {
            world: Mutex::new(world),
            snapshots: watch::Sender::new(first),
            started: Instant::now(),
            epoch,
        });
        desk.publish();
        let ticking = Arc::downgrade(&desk);
        tokio::spawn(async move {
            let mut tick = tokio::time::interval(TICK);
            loop {
                tick.tick().await;
                let Some(desk) = ticking.upgrade() else { return };
                desk.publish();
            }
        });
        Some(desk)
    }

    pub fn set_scene(&self, name: &str) -> bool {
        let Some(scene) = scenes::scene(name, self.now(), wall()) else { return false };
        let mut w = self.world();
        (w.scene, w.since, w.asked, w.changed) = (scene, self.now(), None, None);
        w.acts.clear();
        drop(w);
        self.publish();
        true
    }

    pub fn mute(&self, muted: bool) {
        self.world().muted = muted;
    }

    /// Shows this check; one that never was leaves `act` to a person's word.
    pub fn show_check(&self, name: &str) {
        let mut w = self.world();
        w.check = checks::view(name);
        w.unchecked = !w.check.valid;
    }

    /// Shows are kept in this folder.
    pub fn keep_shows(&self, dir: &Path) {
        self.world().shows = Some(dir.to_owned());
    }

    pub fn acts(&self) -> Vec<String> {
        self.world().acts.clone()
    }

    fn world(&self) -> MutexGuard<'_, World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn now(&self) -> MonoTime {
        MonoTime::ZERO + PAST + Span::from_nanos(self.started.elapsed().as_nanos() as i64)
    }

    fn publish(&self) {
        let now = self.now();
        let mut w = self.world();
        if w.muted {
            return;
        }
        if let Some((to, at)) = w.asked
            && at.elapsed() >= SWITCHING
            && w.scene.switch_obeys
        {
            w.asked = None;
            w.changed = Some((now, to));
            w.scene.changed_over(to, now);
        }
        w.sequence += 1;
        let mut s = w.scene.snapshot.clone();
        (s.epoch, s.sequence, s.now, s.wall) = (self.epoch, w.sequence, now, wall());
        s.switch.asked = w.asked.map(|(to, _)| to);
        s.switch.confirmed_at = s.switch.confirmed_at.map(|_| now);
        move_figures(&mut s, &w.scene, now, w.since);
        drop(w);
        self.snapshots.send_replace(Arc::new(s));
    }

    fn obey(&self, act: &DeskAct, who: &Who) -> ActOutcome {
        let now = self.now();
        let mut guard = self.world();
        let w = &mut *guard;
        w.acts.push(format!("{act:?} by {}", who.name));
        let refused = |text: &str, can_force| ActOutcome::Refused { rule: "fake".into(), text: text.into(), can_force };
        let (text, asked) = match *act {
            DeskAct::SetMode { mode: Mode::Act } if w.unchecked => {
                return refused("No check of this rig has been passed. To act all the same, give your word.", true);
            }
            DeskAct::SetMode { mode } => {
                w.scene.snapshot.mode = mode;
                (format!("The mode is {mode:?} now.").to_lowercase().replace("the mode", "The mode"), false)
            }
            DeskAct::ActUnchecked => {
                w.scene.snapshot.mode = Mode::Act;
                ("The mode is act now, by your word.".into(), false)
            }
            DeskAct::Changeover { to, forced } => {
                let Some(t) = w.scene.snapshot.takeovers.iter().find(|t| t.to == to) else {
                    return refused("that machine is on air already", false);
                };
                if !t.possible && !forced {
                    return refused(&t.text, true);
                }
                w.asked = Some((to, Instant::now()));
                (format!("{to} was asked of the switch{}.", if forced { ", forced" } else { "" }), true)
            }
            DeskAct::Chase { .. } => ("The devices are sent what should be in force.".into(), false),
            DeskAct::Release => {
                if w.scene.snapshot.latched.take().is_none() {
                    return refused("nothing is latched", false);
                }
                ("The latch is released.".into(), false)
            }
            DeskAct::AnswerProposal { id, yes } => match w.scene.snapshot.proposal.take() {
                Some(p) if p.id == id => {
                    if yes {
                        w.asked = Some((p.to, Instant::now()));
                        (format!("{} was asked of the switch.", p.to), true)
                    } else {
                        ("The proposal was declined.".into(), false)
                    }
                }
                other => {
                    w.scene.snapshot.proposal = other;
                    return refused("that proposal is gone", false);
                }
            },
            DeskAct::Acknowledge { alarm } => {
                let Some(a) = w.scene.snapshot.alarms.iter_mut().find(|a| a.id == alarm) else {
                    return refused("that alarm is gone", false);
                };
                a.state = AlarmState::Acknowledged;
                a.acknowledged_by = Some(who.name.clone());
                (format!("Seen: {}", a.text), false)
            }
            DeskAct::Shelve { alarm, minutes } => {
                let Some(a) = w.scene.snapshot.alarms.iter_mut().find(|a| a.id == alarm) else {
                    return refused("that alarm is gone", false);
                };
                a.state = AlarmState::Shelved;
                a.shelved_until = Some(now + Span::from_secs(60 * i64::from(minutes)));
                (format!("Shelved for {minutes} min: {}", a.text), false)
            }
            DeskAct::OutOfService { machine } | DeskAct::BackInService { machine } => {
                let out = matches!(act, DeskAct::OutOfService { .. });
                for m in w.scene.snapshot.machines.iter_mut().filter(|m| m.letter == machine) {
                    m.role = if out { Role::OutOfService } else { Role::Standby };
                    m.out_of_service = out.then(|| format!("by {}", who.name));
                }
                w.scene.rejudge();
                (format!("{machine} is {} service.", if out { "out of" } else { "back in" }), false)
            }
            DeskAct::SetMove { from, to, .. } => {
                let set = &mut w.scene.snapshot.set;
                let (from, to) = (usize::from(from).wrapping_sub(1), usize::from(to).wrapping_sub(1));
                if from >= set.len() || to >= set.len() {
                    return refused("there is no such place", false);
                }
                let entry = set.remove(from);
                let text = format!("{} moved to place {} of the set", entry.name, to + 1);
                set.insert(to, entry);
                (1..).zip(set).for_each(|(place, e)| e.place = place);
                (text, false)
            }
            DeskAct::SetSkip { place, skip, .. } => {
                let Some(e) = w.scene.snapshot.set.iter_mut().find(|e| e.place == place) else {
                    return refused("there is no such place", false);
                };
                e.state = if skip { SetState::Skipped } else { SetState::ToCome };
                (format!("{} {}", e.name, if skip { "skipped tonight" } else { "played after all" }), false)
            }
            DeskAct::SetAdd { song } => {
                let s = &mut w.scene.snapshot;
                let Some(name) = s.songs.get(usize::from(song).wrapping_sub(1)).cloned() else {
                    return refused("the show file has no such song", false);
                };
                let place = s.set.len() as u16 + 1;
                let (start, state) = (format!("{song:02}:00:00:00"), SetState::ToCome);
                s.set.push(SetEntry { place, number: song, name: name.clone(), start, state, added: true });
                (format!("{name} added at the end of the set"), false)
            }
            DeskAct::SetRestore => ("the set is as the show file has it".into(), false),
            DeskAct::TestAlarmSound => match &w.scene.snapshot.alarm_sound {
                Some(v) if v.ready => (format!("The tone sounds once. {}", v.text), false),
                _ => return refused("Alarms make no sound here.", false),
            },
            DeskAct::StartAnew => return refused("this desk has no files", false),
            DeskAct::SessionLoaded { .. } | DeskAct::LookAgain { .. } => {
                return refused("there are no session folders here", false);
            }
        };
        w.next_id += 1;
        let id = w.next_id;
        w.scene.snapshot.events.insert(0, scenes::event(id, now, wall(), Tone::Neutral, &text, Some(&who.name)));
        if asked { ActOutcome::Asked { text } } else { ActOutcome::Done { text } }
    }
}

impl Desk for FakeDesk {
    fn snapshots(&self) -> watch::Receiver<Arc<Snapshot>> {
        self.snapshots.subscribe()
    }

    fn act(&self, act: DeskAct, who: Who) -> BoxFuture<ActOutcome> {
        let outcome = self.obey(&act, &who);
        self.publish();
        Box::pin(async move { outcome })
    }

    fn record(&self) -> Option<PathBuf> {
        let all = showlog::Shelf::new(&self.shows()?).list().ok()?;
        all.into_iter().find(|e| e.error.is_none()).map(|e| e.path)
    }

    fn shows(&self) -> Option<PathBuf> {
        self.world().shows.clone()
    }

    fn check(&self) -> CheckView {
        self.world().check.clone()
    }

    fn begin_check(self: Arc<Self>, request: CheckRequest, who: Who) -> ActOutcome {
        let lacks = request.word.lacks(request.depth);
        let mut w = self.world();
        w.acts.push(format!("{:?} check with {:?} by {}", request.depth, request.word, who.name));
        if !lacks.is_empty() {
            let text = format!("Still to be said: {}.", lacks.join("; "));
            return ActOutcome::Refused { rule: "check-word".into(), text, can_force: false };
        }
        w.check.running = checks::view("waiting").running;
        ActOutcome::Done { text: "A check begins.".into() }
    }

    fn stop_check(&self) -> bool {
        self.world().check.running.take().is_some()
    }

    fn history(&self, window: HistoryWindow) -> History {
        let now = self.now();
        let w = self.world();
        let length = window.length().unwrap_or(Span::from_secs(83));
        let step = Span::from_nanos(length.nanos() / 1500).max(Span::from_millis(100));
        let from = now - length;
        let count = length.nanos() / step.nanos();
        let lines = w.scene.snapshot.offsets.iter().map(|o| HistoryLine {
            against: o.against,
            points: (0..count)
                .map(|i| {
                    let at = from + step.times(i);
                    let hidden =
                        w.scene.offset_hidden || w.scene.hole.is_some_and(|(a, b)| (now - at) < a && (now - at) > b);
                    HistoryPoint {
                        at,
                        value: (!hidden).then(|| offset_at(&w.scene, at, w.since)),
                        bound: (!hidden).then(|| bound_at(at)),
                    }
                })
                .collect(),
        });
        let lines = lines.collect();
        let mut marks: Vec<Mark> = w
            .scene
            .marks
            .iter()
            .map(|(ago, kind, machine, text)| Mark {
                at: w.since - *ago,
                kind: *kind,
                machine: *machine,
                text: (*text).into(),
            })
            .collect();
        if let Some((at, to)) = w.changed {
            marks.push(Mark { at, kind: MarkKind::Changeover, machine: Some(to), text: format!("{to} on air") });
        }
        marks.retain(|m| m.at >= from);
        History { now, from, lines, marks }
    }
}

/// What moves from snapshot to snapshot.
fn move_figures(s: &mut Snapshot, scene: &Scene, now: MonoTime, since: MonoTime) {
    let fresh = if scene.stale { now - Span::from_secs(4) } else { now + Span::from_millis(400) };
    let offset = offset_at(scene, now, since);
    for o in &mut s.offsets {
        o.now = (!scene.offset_hidden).then_some(Reading {
            value: OffsetNow { value: offset, bound: bound_at(now) },
            as_of: now,
            expires: fresh,
        });
    }
    for t in &mut s.takeovers {
        t.expires = fresh;
        if t.jump.is_some() && scene.jump_is_offset {
            t.jump = Some(Millis(-offset.0));
            t.jump_samples = Some(Samples(-offset.0 * 48.0));
        }
    }
    let passed = now - since;
    if let Some(song) = &mut s.song {
        if song.value.rolling {
            song.value.at += passed;
            song.value.left = song.value.left.map(|l| (l - passed).max(Span::ZERO));
        }
        let at = song.value.at + Span::from_secs(3600 * i64::from(song.value.number));
        let (secs, frames) = (at.nanos() / 1_000_000_000, at.nanos() % 1_000_000_000 / 40_000_000);
        song.value.timecode = Some(format!("{:02}:{:02}:{:02}:{:02}", secs / 3600, secs / 60 % 60, secs % 60, frames));
        let beat = (song.value.at.nanos() / 500_000_000).max(0);
        song.value.bar = Some(format!("bar {}, beat {}", beat / 4 + 1, beat % 4 + 1));
        (song.as_of, song.expires) = (now, fresh);
    }
    for (i, m) in s.machines.iter_mut().enumerate() {
        m.channels.iter_mut().for_each(|c| crate::channels::keep_fresh(c, now, fresh));
        if let Some(levels) = &mut m.levels {
            (levels.as_of, levels.expires) = (now, fresh);
            for (k, l) in levels.value.iter_mut().enumerate().filter(|(_, l)| l.peak.0.is_finite()) {
                let wobble = (now.nanos() as f64 / 1e9 * (2.1 + k as f64 * 0.7) + i as f64).sin();
                *l = LevelView {
                    name: l.name.clone(),
                    peak: Dbfs(l.peak.0 + 4.0 * wobble),
                    rms: Dbfs(l.rms.0 + 3.0 * wobble),
                };
            }
        }
    }
}

/// A line that wanders as two players do.
fn offset_at(scene: &Scene, at: MonoTime, since: MonoTime) -> Millis {
    let t = at.since(since).secs_f64();
    let wander = 0.25 * (t / 17.0).sin() + 0.12 * (t / 3.1).sin() + 0.05 * (t * 9.7).sin();
    let step = scene.step.filter(|(ago, _)| t > -ago.secs_f64()).map_or(0.0, |(_, by)| by.0);
    Millis(scene.offset.0 + wander + scene.slope * t / 1000.0 + step)
}

fn bound_at(at: MonoTime) -> Millis {
    Millis(0.35 + 0.15 * (at.nanos() as f64 / 1e9 / 11.0).sin())
}

fn wall() -> WallTime {
    WallTime(SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_nanos() as i64))
}
