//! The watch thread: drain, judge, act, sleep. It allocates nothing on its way from a beat to a command, takes no lock, and waits
//! for neither disk nor page nor tokio.

use base::{Machine, MonoTime, Span, SwitchView};
use measure::suspend::SleepWatch;
use ports::os::{Gate, Urgency, make_urgent, mono_now, slept};
use rig::{Action, Actions};
use watch::Brain;
use watch::machine::MAX_PATHS;

use crate::from_watch::FromWatch;
use crate::last_acts::{LastActs, Note, Step};
use crate::outputs::Outputs;
use crate::to_watch::ToWatch;

/// Real-time priority: above the agents' and taps', since verdicts are made here.
const PRIORITY: u8 = 45;
/// All figures are told this often: as often as beats come, so that the record of an incident shows each of them.
const VIEW_EVERY: Span = Span::from_millis(5);
/// The switch is asked this often.
const ASK_EVERY: Span = Span::from_millis(500);

/// All that the thread owns.
pub struct WatchThread {
    /// Its mind.
    pub brain: Box<Brain>,
    /// Beat sockets first, then one for each OSC output.
    pub gate: Gate,
    /// How many of them are beat paths.
    pub paths: usize,
    /// What commands the switch.
    pub outputs: Outputs,
    /// News.
    pub to: rtrb::Consumer<ToWatch>,
    /// What is told.
    pub from: rtrb::Producer<FromWatch>,
    /// Whom to wake when something was told.
    pub scribe: std::thread::Thread,
    /// What the switch last said.
    pub said: Option<SwitchView>,
    /// The newest replies on each path.
    pub replies: Replies,
    /// Whether this machine slept.
    pub sleep: SleepWatch,
    /// The newest command.
    pub commanded: Option<Machine>,
    /// It could not be sent.
    pub failed: bool,
    /// What was done, for the record of a supervisor that is killed.
    pub acts: LastActs,
}

/// Which reply each of the newest datagrams was: by path and the datagram's number there, to whom and the reply's own number.
#[derive(Default)]
pub struct Replies([[Option<(u32, Machine, u32)>; 16]; MAX_PATHS]);

impl Replies {
    fn on_sent(&mut self, path: usize, number: u32, to: Machine, reply: u32) {
        if let Some(of_path) = self.0.get_mut(path) {
            of_path[number as usize % of_path.len()] = Some((number, to, reply));
        }
    }
    fn find(&self, path: usize, number: u32) -> Option<(Machine, u32)> {
        let of_path = self.0.get(path)?;
        of_path[number as usize % of_path.len()].filter(|(n, ..)| *n == number).map(|(_, m, reply)| (m, reply))
    }
}

impl WatchThread {
    /// Watches until told to end.
    pub fn run(mut self, say: impl FnOnce(&Urgency)) {
        say(&make_urgent(PRIORITY));
        (0..self.paths).for_each(|path| _ = self.gate.stamp_sends(path));
        let mut buffer = [0u8; 2048];
        let mut actions = Actions::new();
        let (mut next_view, mut next_ask) = (mono_now(), mono_now());
        let mut deadline = mono_now();
        loop {
            let wake_at = deadline.min(next_view).min(next_ask);
            self.gate.wait(Some(wake_at));
            let woke = mono_now();
            let lateness = if woke > wake_at { woke - wake_at } else { Span::ZERO };
            if let Some(so_far) = slept()
                && self.sleep.on_clocks(woke, woke + so_far).is_some()
            {
                self.brain.on_own_sleep(woke);
            }
            self.drain_sockets(&mut buffer);
            if !self.take_news(&mut actions) {
                return;
            }
            let mut now = mono_now();
            self.brain.settle(now, lateness, &mut actions);
            self.carry_out(now, &mut actions);
            // An output that failed at once is no reason to wait for the next round: the judge says which is next.
            for _ in 0..self.outputs.count() {
                if !std::mem::take(&mut self.failed) {
                    break;
                }
                now = mono_now();
                self.brain.settle(now, Span::ZERO, &mut actions);
                self.carry_out(now, &mut actions);
            }
            if now >= next_ask {
                next_ask = now + ASK_EVERY;
                self.outputs.ask(&self.gate);
            }
            if now >= next_view {
                next_view = now + VIEW_EVERY;
                let view = self.brain.view(now);
                self.tell(FromWatch::View(view));
            }
            deadline = self.brain.next_deadline();
        }
    }

    fn drain_sockets(&mut self, buffer: &mut [u8; 2048]) {
        let mut out = [0u8; wire::MAX_BEAT];
        for path in 0..self.paths {
            // The stamp of a reply must be known before the beat that echoes it is.
            while let Some(left) = self.gate.departure(path) {
                if let Some((m, reply)) = self.replies.find(path, left.number) {
                    self.brain.on_reply_left(m, path, reply, left.at);
                }
            }
            while let Some(got) = self.gate.receive(path, buffer) {
                let Some(m) = self.brain.on_datagram(path, got.from, &buffer[..got.len], got.at) else { continue };
                if let Some((to, len)) = self.brain.reply_due(m, path, mono_now(), &mut out) {
                    let number = self.gate.send_stamped(path, &out[..len], to);
                    if let Some((number, reply)) = number.zip(self.brain.newest_reply(m, path)) {
                        self.replies.on_sent(path, number, m, reply);
                    }
                }
            }
        }
        if let Some((view, at)) = self.outputs.hear(&self.gate, buffer) {
            self.on_switch(view, at);
        }
    }

    fn on_switch(&mut self, view: SwitchView, at: MonoTime) {
        self.brain.on_switch(view, at);
        if self.said != Some(view) {
            self.said = Some(view);
            self.tell(FromWatch::Switch(at, view));
        }
    }

    /// Takes in what the other threads told. False: the end.
    fn take_news(&mut self, actions: &mut Actions) -> bool {
        while let Ok(news) = self.to.pop() {
            match news {
                ToWatch::Session(m, session) => {
                    if let Some(old) = self.brain.on_session(m, *session) {
                        self.tell(FromWatch::Old(Box::new(old)));
                    }
                }
                ToWatch::Channels(m, roles) => self.brain.on_channels(m, roles),
                ToWatch::LaneClosed(m, at) => self.brain.on_lane_closed(m, at),
                ToWatch::Goodbye(m) => self.brain.on_goodbye(m),
                ToWatch::Trigger(m, what, at) => self.brain.on_trigger(m, what, at, mono_now()),
                ToWatch::Tap(report) => self.brain.on_tap(report),
                ToWatch::Likeness(m, report) => self.brain.on_likeness(m, report),
                ToWatch::Folders(m, trouble) => self.brain.on_folders(m, trouble),
                ToWatch::Device(n, device) => self.brain.on_device(n, device),
                ToWatch::Switch(view, at) => self.on_switch(view, at),
                ToWatch::OwnLink(down) => self.brain.on_own_link(down),
                ToWatch::OutputFailed(number) => {
                    if number == self.outputs.newest()
                        && let Some(to) = self.commanded
                    {
                        let now = mono_now();
                        self.brain.on_commanded(to, now, false);
                        let output = self.outputs.in_use();
                        let fault = self.brain.fault_seen();
                        let (verdict, sent, went_out) = (now, now, false);
                        self.tell(FromWatch::Commanded { to, verdict, sent, fault, output, went_out });
                    }
                }
                ToWatch::Act(act, ticket) => {
                    let now = mono_now();
                    let answer = self.brain.on_act(act, now, actions);
                    self.tell(FromWatch::Answer(ticket, answer));
                    self.carry_out(now, actions);
                }
                ToWatch::End => return false,
            }
        }
        true
    }

    /// Carries the judge's actions out, commands before words.
    fn carry_out(&mut self, verdict: MonoTime, actions: &mut Actions) {
        for action in actions.iter() {
            match action {
                Action::Changeover { to, .. } => self.command(*to, verdict),
                Action::NextOutput { to, .. } => {
                    self.outputs.next();
                    self.command(*to, verdict);
                }
                _ => {}
            }
        }
        if actions.iter().any(|a| matches!(a, Action::Changeover { .. })) {
            // What the verdict rests on, for the record.
            let view = self.brain.view(verdict);
            tell(&mut self.from, FromWatch::View(view));
        }
        for action in actions.drain(..) {
            self.note(verdict, &action);
            tell(&mut self.from, FromWatch::Action(verdict, action));
        }
        self.scribe.unpark();
    }

    /// After the commands have left: see [`LastActs`].
    fn note(&mut self, at: MonoTime, action: &Action) {
        match *action {
            Action::Changeover { to, rule, forced, .. } => {
                self.acts.note(Note { step: Step::Intent, to, rule: rule.number(), forced, at });
            }
            Action::Confirmed { to, .. } => {
                self.acts.note(Note { step: Step::Confirmed, to, rule: 0, forced: false, at });
            }
            _ => {}
        }
    }

    fn command(&mut self, to: base::Machine, verdict: MonoTime) {
        let went_out = self.outputs.select(to, &self.gate);
        let sent = mono_now();
        let step = if went_out { Step::Sent } else { Step::NotSent };
        self.acts.note(Note { step, to, rule: 0, forced: false, at: sent });
        self.commanded = Some(to);
        self.failed |= !went_out;
        self.brain.on_commanded(to, sent, went_out);
        let fault = self.brain.fault_seen();
        let output = self.outputs.in_use();
        self.tell(FromWatch::Commanded { to, verdict, sent, fault, output, went_out });
        // Its answer to the question confirms what its answer to the command may have lost.
        self.outputs.ask(&self.gate);
    }

    fn tell(&mut self, news: FromWatch) {
        tell(&mut self.from, news);
        self.scribe.unpark();
    }
}

/// A full ring means that the scribe is held up by a disk: figures may be lost then, never the watch.
fn tell(ring: &mut rtrb::Producer<FromWatch>, news: FromWatch) {
    let _ = ring.push(news);
}
