//! Judges the desk by what was true and what could be known of it. It shares no code with the judge and sees neither
//! evidence nor facts: only what the computers, the cables and the switch really did, and when.
//!
//! A changeover by itself is *false* if any of these holds:
//!
//! * a person had not chosen that the rig acts, or had taken that machine out of service;
//! * there was one before, or the switch was moved by hand, and no person has released the rig since;
//! * the desk had run for less than two seconds, or had overslept a moment before;
//! * nobody could have told for seconds what the switch carries, or the switch contradicted itself;
//! * right sound of the machine on air had reached an ear within the veto;
//! * nothing was wrong with the machine on air that condemns one: see [`Oracle::grounds`];
//! * the other machine could not take over: dead, unheard, silent where it should sound, in another song or more than a
//!   quarter of a second away; or it had not been well for two seconds.
//!
//! It is *missed* if a machine died that had been well beside a well standby for seconds, by a fault that takes its sound
//! and that can be known, while the standby sounded on; and half a second later nothing had been done.
//!
//! "Could be known" gives every truth the time that it needs to be told: a beat or a block of the tap (5 ms) and its way.

use std::collections::VecDeque;

use base::{Machine, MonoTime, Span};
use rig::{Action, LinkLoss, LoneStop, Mode, Rule};

use crate::computer::{Computer, Roll};
use crate::desk::Desk;
use crate::music::BEGIN;
use crate::plan::{Person, Rig};
use crate::world::{Outcome, Switch};

const fn ms(n: i64) -> Span {
    Span::from_millis(n)
}
/// A block of the tap or a beat, and its way.
const NEWS: Span = Span::from_micros(5_400);
/// On-air sound this recent vetoes.
const VETO: Span = Span::from_micros(9_900);
/// After a fault has ended it is remembered for so long.
const MEMORY: Span = ms(120);
/// Fitness must have held.
const HOLD: Span = ms(1_950);
/// Interruptions that need not begin it anew.
const BLIP: Span = ms(520);
/// Everything had been well for this long before a death that must be answered.
const WELL: Span = ms(3_700);
/// ... within this, of which the standby sounded all the time.
const ANSWER: Span = ms(500);

pub struct Truth<'a> {
    pub now: MonoTime,
    pub computers: &'a [Computer; 2],
    pub switch: &'a Switch,
    pub desk: &'a Desk,
}

/// Something that should not have been.
#[derive(Clone, Debug)]
pub struct Finding {
    pub at: f64,
    pub missed: bool,
    pub what: String,
}

/// What was true of one machine, and when last.
#[derive(Clone, Default)]
struct Life {
    /// Its right sound as it stood at recent instants.
    sound: VecDeque<(MonoTime, Option<MonoTime>)>,
    unreachable_since: Option<MonoTime>,
    reached: Option<MonoTime>,
    /// Grounds against it stood last, by kind, and stand since.
    last: [Option<MonoTime>; KINDS],
    /// ... and of them those whose harm has not been mended yet.
    taken: [bool; KINDS],
    /// Able to take over, last and since.
    able: Option<MonoTime>,
    able_since: Option<MonoTime>,
    well_since: Option<MonoTime>,
    sounding_since: Option<MonoTime>,
    /// Its line when it last rolled.
    line: Option<Roll>,
    /// ... and as anybody could know it.
    known_line: Option<Roll>,
    out: bool,
}

const SILENT: usize = 0;
const NO_PLAYER: usize = 1;
const FROZEN: usize = 2;
const NO_STREAM: usize = 3;
const MUTED: usize = 4;
const NOISE: usize = 5;
const STOPPED_ALONE: usize = 6;
const AGENT_ONLY: usize = 7;
const NO_POWER: usize = 8;
const KINDS: usize = 9;

pub struct Oracle {
    rig: Rig,
    lives: [Life; 2],
    mode: Mode,
    latched: bool,
    moved_by_hand: Option<MonoTime>,
    started: MonoTime,
    woke: Option<MonoTime>,
    /// The desk was last disturbed: stopped, cut off, not running.
    disturbed: MonoTime,
    /// The switch could last say what it carries, and last did not contradict itself.
    told: MonoTime,
    conflict_since: Option<MonoTime>,
    switch_unwell: MonoTime,
    /// The switch last had no power: nothing came through.
    dark: Option<MonoTime>,
    on_air: Machine,
    on_air_since: MonoTime,
    /// The death that must be answered, and how long the standby has sounded since.
    death: Option<(MonoTime, bool)>,
    forced_at: Option<MonoTime>,
    answered_at: Option<MonoTime>,
    pub outcome: Outcome,
}

fn reachable(rig: &Rig, c: &Computer, desk: &Desk) -> bool {
    c.agent_works() && c.session.is_some() && !(c.cut[0] && (rig.paths < 2 || c.cut[1])) && !desk.cut
}

/// How far `a` is from `b` in the show, if both are in one song.
fn apart(a: &Roll, b: &Roll) -> Option<Span> {
    (a.song == b.song).then(|| (a.zero - b.zero).abs())
}

impl Oracle {
    pub fn new(rig: Rig, now: MonoTime) -> Oracle {
        Oracle {
            rig,
            lives: Default::default(),
            mode: rig.mode,
            latched: false,
            moved_by_hand: None,
            started: now,
            woke: None,
            disturbed: now,
            told: now,
            conflict_since: None,
            switch_unwell: now,
            dark: None,
            on_air: Machine::A,
            on_air_since: now,
            death: None,
            forced_at: None,
            answered_at: None,
            outcome: Outcome::default(),
        }
    }

    /// A death waits for its answer.
    pub fn waits(&self) -> bool {
        self.death.is_some_and(|d| !d.1)
    }

    // What happens besides.

    pub fn on_person(&mut self, person: Person, standby: Machine, now: MonoTime, desk_runs: bool) {
        if !desk_runs {
            return;
        }
        match person {
            Person::Release => {
                self.latched = false;
                self.moved_by_hand = None;
            }
            Person::StandbyOut => self.lives[standby.index()].out = true,
            Person::AllBack => self.lives.iter_mut().for_each(|l| l.out = false),
            // It is refused where a dead machine could not be told from a pulled cable and nobody chose between them.
            Person::Mode(Mode::Act) if self.rig.paths < 2 && !self.rig.tap && self.rig.on_link_loss.is_none() => {}
            Person::Mode(mode) => self.mode = mode,
            Person::Forced => self.forced_at = Some(now),
            // Asked for after a proposal, it goes by the proposal's rule.
            Person::Changeover | Person::Answer(true) => self.answered_at = Some(now),
            Person::Answer(false) => {}
        }
        self.disturbed = now;
    }
    pub fn woke(&mut self, now: MonoTime) {
        self.woke = Some(now);
    }
    pub fn started(&mut self, now: MonoTime) {
        self.started = now;
    }
    pub fn hand(&mut self, now: MonoTime) {
        self.moved_by_hand = Some(now);
    }
    /// Nobody looked in between; whatever was so is so.
    pub fn leapt(&mut self, now: MonoTime) {
        for l in &mut self.lives {
            l.sound.clear();
            if l.able == l.reached && l.unreachable_since.is_none() {
                l.able = l.able.map(|_| now);
            }
        }
    }

    // The truth of an instant.

    pub fn look(&mut self, t: &Truth) {
        let now = t.now;
        let both_rest = t.computers.iter().all(|c| c.roll.is_none() || !c.player_works());
        for i in 0..2 {
            let c = &t.computers[i];
            let reached = reachable(&self.rig, c, t.desk);
            let l = &mut self.lives[i];
            while l.sound.len() > 1 && now - l.sound[1].0 > ms(12) {
                l.sound.pop_front();
            }
            l.sound.push_back((now, c.last_sound));
            if reached {
                l.reached = Some(now);
                l.unreachable_since = None;
            } else {
                l.unreachable_since.get_or_insert(now);
            }
            if c.player_works() {
                // One that stood when it died is apart from nobody.
                l.line = c.line(now);
                if reached {
                    l.known_line = l.line;
                }
            }
            let agent_only = !c.agent && c.powered && !c.cut[0];
            let stands = [
                !reached && !agent_only,
                c.powered && !c.window,
                c.player_frozen && c.powered,
                c.powered && (!c.callbacks || !c.engine),
                c.muted,
                c.noise && c.player_works(),
                c.player_works() && c.roll.is_none() && !both_rest,
                agent_only,
                !c.powered,
            ];
            let sounds = c.plays() && c.song_time(now).is_some_and(|(song, at)| c.music.sounds(song, at));
            for (kind, so) in stands.into_iter().enumerate() {
                // What took its sound has taken it until it sounds again: a player that was started anew may only stand there.
                let takes = [NO_PLAYER, FROZEN, NO_STREAM, MUTED, NO_POWER].contains(&kind);
                l.taken[kind] = takes && (so || l.taken[kind] && !sounds && !both_rest);
                if so || l.taken[kind] {
                    l.last[kind] = Some(now);
                }
            }
            // A player that stands looks the same when it freezes.
            let works = match c.roll {
                None => both_rest && c.powered && c.engine,
                Some(_) => c.player_works() && c.callbacks && !c.muted,
            };
            let able = reached && works && c.window && !c.noise;
            if able {
                if l.able.is_none_or(|last| now - last > BLIP) {
                    l.able_since = Some(now);
                }
                l.able = Some(now);
            }
            let well = able
                && c.roll.is_some()
                && c.code
                && !c.stem
                && !c.cut[0]
                && (self.rig.paths < 2 || !c.cut[1])
                && c.host == wire::HostFlags::NONE
                && c.sources == wire::SourceFlags::NONE
                && c.drift_ppm == 0
                && !l.out;
            keep(&mut l.well_since, well, now);
            keep(&mut l.sounding_since, sounds, now);
        }
        self.look_at_the_desk(t);
        self.look_for_deaths(t);
    }

    fn look_at_the_desk(&mut self, t: &Truth) {
        let now = t.now;
        if !t.desk.runs() || t.desk.cut {
            self.disturbed = now;
        }
        let s = t.switch;
        if s.on_air != self.on_air {
            self.on_air = s.on_air;
            self.on_air_since = now;
        }
        let tap_tells = self.rig.tap && self.rig.pilot && s.powered && {
            let c = &t.computers[s.on_air.index()];
            c.player_works() && c.callbacks && !c.muted
        };
        if s.powered && !s.deaf || tap_tells {
            self.told = now;
        }
        keep(&mut self.conflict_since, s.half && s.powered && !s.deaf, now);
        if !s.powered {
            self.dark = Some(now);
        }
        if s.deaf || s.half || !s.powered || s.loses_commands {
            self.switch_unwell = now;
        }
        if let Some(at) = self.forced_at
            && now - at > ms(50)
            && t.desk.runs()
        {
            self.forced_at = None;
            self.note(now, true, "a person forced a changeover, and nothing moved".into());
        }
    }

    /// A death that must be answered.
    fn look_for_deaths(&mut self, t: &Truth) {
        let now = t.now;
        let o = self.on_air.index();
        let (c, b) = (&t.computers[o], &t.computers[1 - o]);
        let calm = self.mode == Mode::Act
            && !self.latched
            && self.moved_by_hand.is_none()
            && now - self.disturbed > WELL
            && now - self.started > WELL
            && now - self.switch_unwell > WELL
            && now - self.on_air_since > WELL;
        let lasted = |since: Option<MonoTime>, until: MonoTime| since.is_some_and(|s| until - s > WELL);
        let near = match (self.lives[o].line, b.line(now)) {
            (Some(a), Some(b)) => apart(&a, &b).is_some_and(|d| d <= ms(15)),
            _ => false,
        };
        let other_well = near && self.lives[1 - o].well_since.is_some();
        // What takes its sound, and nothing else with it.
        let gone = !c.powered || c.player_frozen && c.agent_frozen;
        let host_known = self.rig.tap || self.rig.paths >= 2 || self.rig.on_link_loss == Some(LinkLoss::Changeover);
        let muted_known = self.rig.tap || self.rig.pilot;
        let whole = c.agent_works() && !c.cut[0] && (self.rig.paths < 2 || !c.cut[1]) && c.code && !t.desk.cut;
        let by_agent = [
            !c.engine && !c.window,
            c.engine && c.window && c.player_frozen,
            c.engine && c.window && !c.player_frozen && c.roll.is_some() && !c.callbacks && !c.muted && !c.noise,
            c.engine
                && c.window
                && !c.player_frozen
                && c.roll.is_some()
                && c.callbacks
                && c.muted
                && !c.noise
                && muted_known,
            c.engine && c.window && !c.player_frozen && c.roll.is_some() && c.callbacks && !c.muted && c.noise,
        ];
        let dead = gone && host_known || whole && by_agent.iter().any(|d| *d);
        if !(calm && dead && other_well) {
            self.death = None;
            return;
        }
        if self.death.is_none() {
            let l = &self.lives;
            // Well until a moment ago, and the standby long before and still.
            let was_well = l[o].able_since.is_some_and(|s| now - s > WELL)
                && l[o].able.is_some_and(|a| now - a <= ms(30))
                && lasted(l[1 - o].well_since, now)
                && !l[o].last.iter().flatten().any(|at| now - *at < WELL && now - *at > ms(30));
            if !was_well {
                return;
            }
            self.death = Some((now, false));
        }
        if let Some((since, answered)) = &mut self.death
            && !*answered
        {
            let begun = self.lives[1 - o].sounding_since.map_or(now, |s| s.max(*since));
            // Muted in a long rest: by its end nobody can say any more that all channels fell silent at once.
            if c.muted && c.last_sound.is_none_or(|s| begun - s > ms(1_900)) {
                self.death = None;
                return;
            }
            if now - begun > ANSWER {
                *answered = true;
                let what =
                    format!("{} is dead since {:.3}; {}", self.on_air, (*since - BEGIN).secs_f64(), t.desk.why());
                self.note(now, true, what);
            }
        }
    }

    // What the desk does.

    pub fn on_action(&mut self, t: &Truth, action: &Action) {
        let Action::Changeover { to, rule, forced, .. } = action else { return };
        let now = t.now;
        if *forced {
            self.forced_at = None;
        }
        self.disturbed = now;
        let by_itself = !forced && *rule != Rule::Person && self.answered_at != Some(now);
        if by_itself {
            self.outcome.changeovers += 1;
            self.outcome.rules.push(rule.code());
            self.outcome.due += u64::from(self.death.take().is_some_and(|d| !d.1));
            if let Some(why) = self.why_false(t, *to) {
                self.note(now, false, format!("to {to} by {}: {why}; {}", rule.code(), t.desk.why()));
            }
        } else {
            self.outcome.by_person += 1;
        }
        self.latched = true;
    }

    fn note(&mut self, now: MonoTime, missed: bool, what: String) {
        self.outcome.findings.push(Finding { at: (now - BEGIN).secs_f64(), missed, what });
    }

    fn why_false(&self, t: &Truth, to: Machine) -> Option<String> {
        let now = t.now;
        let (from, l) = (1 - to.index(), &self.lives[to.index()]);
        if self.mode != Mode::Act {
            return Some(format!("nobody chose that it acts, but {:?}", self.mode));
        }
        if l.out {
            return Some("it is out of service".into());
        }
        if self.latched {
            return Some("nobody has released the latch".into());
        }
        if self
            .moved_by_hand
            .is_some_and(|at| now - at > ms(700) && self.told > at + ms(600) && self.conflict_since.is_none())
            && self.on_air_since + ms(700) < now
        {
            return Some("the switch was moved by hand, and nobody has released the latch".into());
        }
        if now - self.started < HOLD {
            return Some(format!("the desk runs for {} ms", (now - self.started).millis_f64()));
        }
        if self.woke.is_some_and(|at| now - at < ms(90)) {
            return Some("it has just overslept".into());
        }
        if now - self.told > ms(3_100) {
            return Some("for seconds nothing could tell what the switch carries".into());
        }
        if self.conflict_since.is_some_and(|s| now - s > ms(650)) {
            return Some("the switch contradicts itself".into());
        }
        if self.on_air == to && now - self.on_air_since > ms(650) {
            return Some("it is on air".into());
        }
        self.veto(now, from).or_else(|| self.grounds(t, from)).or_else(|| self.unable(t, to))
    }

    /// Right sound that somebody must have heard of.
    fn veto(&self, now: MonoTime, from: usize) -> Option<String> {
        let l = &self.lives[from];
        let tapped = self.rig.tap
            && self.on_air.index() == from
            && now - self.on_air_since > ms(30)
            && self.dark.is_none_or(|at| now - at > ms(30));
        let told = self.rig.loss == 0.0
            && self.rig.jitter < ms(1)
            && l.unreachable_since.is_none()
            && l.last[SILENT].is_none_or(|at| now - at > ms(400))
            && l.last[AGENT_ONLY].is_none_or(|at| now - at > ms(400));
        let noise = l.last[NOISE].is_some_and(|at| now - at <= ms(12));
        let known = l.sound.iter().rev().find(|(at, _)| now - *at >= NEWS).and_then(|(_, sound)| *sound);
        match known {
            Some(s) if (tapped || told) && !noise && now - s <= VETO => {
                Some(format!("its sound was heard {:.1} ms before", (now - s).millis_f64()))
            }
            _ => None,
        }
    }

    /// What condemns a machine:
    ///
    /// * it is unheard on every path (not: its agent alone ended, which its host shows); where no ear can tell whether it
    ///   plays on, two paths must have fallen silent, or a person must have chosen to take one for enough;
    /// * its player is gone, stands still, gives no samples, or nothing but silence or noise;
    /// * it stopped alone, and a person chose to take that for a failure.
    fn grounds(&self, t: &Truth, from: usize) -> Option<String> {
        let now = t.now;
        let l = &self.lives[from];
        let stood = |kind: usize| l.last[kind].is_some_and(|at| now - at <= MEMORY);
        if [NO_PLAYER, FROZEN, NO_STREAM, MUTED, NOISE].into_iter().any(stood) {
            return None;
        }
        if stood(STOPPED_ALONE) && self.rig.lone_stop == LoneStop::Changeover {
            return None;
        }
        if stood(SILENT) {
            let decisive = self.rig.paths >= 2 || self.rig.on_link_loss == Some(LinkLoss::Changeover);
            if decisive || self.rig.tap && stood(NO_POWER) {
                return None;
            }
            return Some("a single silent path, and nobody chose to take it for a death".into());
        }
        Some("nothing condemns the machine on air".into())
    }

    /// Why the other machine could not take over.
    fn unable(&self, t: &Truth, to: Machine) -> Option<String> {
        let now = t.now;
        let l = &self.lives[to.index()];
        match l.able.filter(|at| now - *at <= ms(45)) {
            None if !self.looks_like_a_rest(t, to) => return Some("the other machine could not take over".into()),
            Some(able) if l.able_since.is_none_or(|since| able - since < HOLD) => {
                return Some("the other machine has not been well for long enough".into());
            }
            _ => {}
        }
        let (a, b) = (self.lives[1 - to.index()].known_line, t.computers[to.index()].line(now));
        match (a, b) {
            (Some(a), Some(b)) => match apart(&a, &b) {
                None => Some("it is in another song".into()),
                Some(d) if d > ms(256) => Some(format!("it is {:.1} ms away", d.millis_f64())),
                Some(_) => None,
            },
            _ => None,
        }
    }
}

impl Oracle {
    /// Where no pilot tells, a standby that was muted just when the sound on air ended, or soon after, cannot be told from one that
    /// rests with the music.
    fn looks_like_a_rest(&self, t: &Truth, to: Machine) -> bool {
        let (c, from) = (&t.computers[to.index()], &t.computers[1 - to.index()]);
        let only_muted = c.muted && !c.noise && c.window && c.player_works() && reachable(&self.rig, c, t.desk);
        let ended = c.last_sound.zip(from.last_sound).map(|(own, other)| own - other);
        !self.rig.pilot && only_muted && ended.is_some_and(|d| d >= Span::ZERO - ms(80) && d <= ms(290))
    }
}

fn keep(since: &mut Option<MonoTime>, so: bool, now: MonoTime) {
    if so {
        since.get_or_insert(now);
    } else {
        *since = None;
    }
}
