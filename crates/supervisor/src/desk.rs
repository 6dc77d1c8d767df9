//! The page's desk: acts go to the watch thread with a ticket, and its answer comes back.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use base::Span;
use rig::{Act, ActAnswer};
use tokio::sync::watch;

use crate::check::{CheckDesk, CheckRequest, CheckView};
use crate::page::{ActOutcome, BoxFuture, Desk, DeskAct, History, HistoryWindow, Who};
use crate::parity::{Parity, ParityDesk, ToParity};
use crate::scribe::{Answers, Facts, HistoryBook, RigNames, ScribeDesk, ToScribe, alarm_of};
use crate::setlist::{Change, SetList};
use crate::snapshot::{Mode, Snapshot};
use crate::to_watch::{ToWatch, WatchDesk};

/// The watch answers within microseconds; a held-up one must not hold a person up for ever.
const PATIENCE: Duration = Duration::from_secs(2);
/// For the answer to reach who asked for a new start.
const ANSWERED: Duration = Duration::from_millis(150);

/// See the module.
pub struct SupervisorDesk {
    /// Snapshots.
    pub snapshots: watch::Receiver<Arc<Snapshot>>,
    /// The way to the watch thread.
    pub watch: WatchDesk,
    /// The way to the record.
    pub scribe: ScribeDesk,
    /// Waiting acts.
    pub answers: Answers,
    /// Tickets given.
    pub tickets: AtomicU64,
    /// Offsets of the last minutes.
    pub history: Arc<Mutex<HistoryBook>>,
    /// Names.
    pub facts: Arc<Facts>,
    /// Session folders.
    pub parity: ParityDesk,
    /// Tonight's set.
    pub set: Arc<Mutex<SetList>>,
    /// Where patches are followed.
    pub patches: crate::patches::PatchDesk,
    /// Where alarms sound.
    pub alarm_sound: crate::alarm_sound::AlarmDesk,
    /// The check before the show.
    pub check: CheckDesk,
    /// The record, for trying it.
    pub record: Option<showlog::RecordSender>,
    /// Its file.
    pub record_at: Option<std::path::PathBuf>,
    /// The folder of records.
    pub shows: std::path::PathBuf,
    /// The rig's file.
    pub config: std::path::PathBuf,
    /// Somebody asked for a new start.
    pub again: Arc<tokio::sync::Notify>,
}

/// Who does an act.
enum Asked {
    /// The judge, on the watch thread.
    Judge(Act),
    /// Somebody here, who has done it or refused.
    Here(ActOutcome),
}

impl SupervisorDesk {
    /// The act in the judge's words, or why it cannot be.
    fn translate(&self, act: &DeskAct) -> Result<Asked, ActOutcome> {
        let no =
            |rule: &str, text: &str| ActOutcome::Refused { rule: rule.into(), text: text.into(), can_force: false };
        let alarm = |id: u64| alarm_of(id).ok_or_else(|| no("no-such-alarm", "There is no such alarm."));
        Ok(Asked::Judge(match act {
            DeskAct::SetMove { from, to, song } => {
                let change = Change::Move { from: usize::from(*from), to: usize::from(*to) };
                return Ok(Asked::Here(self.change_set(act, change, Some((*from, *song)))));
            }
            DeskAct::SetSkip { place, skip, song } => {
                let change = Change::Skip { place: usize::from(*place), skip: *skip };
                return Ok(Asked::Here(self.change_set(act, change, Some((*place, *song)))));
            }
            DeskAct::SetAdd { song } => {
                return Ok(Asked::Here(self.change_set(act, Change::Add { song: *song }, None)));
            }
            DeskAct::SetRestore => return Ok(Asked::Here(self.change_set(act, Change::Restore, None))),
            DeskAct::Chase { device } => {
                let known =
                    |n: &String| self.facts.show.as_ref().is_some_and(|s| s.devices.iter().any(|d| d.name == *n));
                if !self.patches.serves() || device.as_ref().is_some_and(|n| !known(n)) {
                    return Err(no("no-such-device", "The show file has no such device."));
                }
                if self.snapshots.borrow().on_air.is_none() {
                    return Err(no(
                        "on-air-unknown",
                        "Nobody says what is on air: what should be in force is not known.",
                    ));
                }
                let devices = self.facts.show.iter().flat_map(|s| &s.devices);
                if devices.clone().any(|d| Some(&d.name) == device.as_ref() && d.port.is_none()) {
                    return Err(no("no-port", "The supervisor has no port to that device (port = ...)."));
                }
                self.patches.tell(crate::patches::PatchNews::Chase(device.clone()));
                // A player's pedal outweighs "all": who means his device names it.
                let left: Vec<_> =
                    devices.filter(|d| device.is_none() && d.pedal && !d.chase).map(|d| &*d.name).collect();
                let mut text = words(act);
                if !left.is_empty() {
                    text += &format!(
                        "; not {}, whose player has a pedal and may have stepped elsewhere: name it to send it",
                        left.join(", ")
                    );
                }
                return Ok(Asked::Here(ActOutcome::Done { text }));
            }
            DeskAct::SessionLoaded { machine } => {
                return Ok(Asked::Here(self.tell_parity(act, ToParity::Loaded(machine.0))));
            }
            DeskAct::LookAgain { everything } => {
                return Ok(Asked::Here(self.tell_parity(act, ToParity::Again(*everything))));
            }
            DeskAct::TestAlarmSound => {
                let text = self.alarm_sound.test().map_err(|why| no("no-sound", &why))?;
                return Ok(Asked::Here(ActOutcome::Done { text }));
            }
            DeskAct::StartAnew => {
                // What cannot be read must not end a supervisor that runs.
                let loaded = crate::setup::load(&self.config, self.snapshots.borrow().wall);
                loaded.map_err(|e| no("rig-file", &format!("The rig's files are not right: {e}")))?;
                let again = self.again.clone();
                tokio::spawn(async move {
                    tokio::time::sleep(ANSWERED).await;
                    again.notify_one();
                });
                return Ok(Asked::Here(ActOutcome::Done { text: words(act) }));
            }
            DeskAct::SetMode { mode: Mode::Act } => {
                self.check_stands().map_err(|why| {
                    let text = format!("{why} To act all the same, give your word.");
                    ActOutcome::Refused { rule: "no-check".into(), text, can_force: true }
                })?;
                Act::SetMode(rig::Mode::Act)
            }
            DeskAct::ActUnchecked => Act::SetMode(rig::Mode::Act),
            DeskAct::SetMode { mode } => Act::SetMode(match mode {
                Mode::Observe => rig::Mode::Observe,
                Mode::Propose => rig::Mode::Propose,
                Mode::Act => rig::Mode::Act,
            }),
            DeskAct::Changeover { to, forced } => Act::Changeover { to: to.0, forced: *forced },
            DeskAct::Release => Act::Release,
            DeskAct::AnswerProposal { id, yes } => {
                let stands = self.snapshots.borrow().proposal.as_ref().is_some_and(|p| p.id == *id);
                if !stands {
                    return Err(no("no-proposal", "That proposal no longer stands."));
                }
                Act::Answer { yes: *yes }
            }
            DeskAct::Acknowledge { alarm: id } => {
                let (code, whose) = alarm(*id)?;
                Act::Acknowledge { code, whose }
            }
            DeskAct::Shelve { alarm: id, minutes } => {
                let (code, whose) = alarm(*id)?;
                Act::Shelve { code, whose, lasting: Span::from_secs(i64::from(*minutes) * 60) }
            }
            DeskAct::OutOfService { machine } => Act::OutOfService(machine.0),
            DeskAct::BackInService { machine } => Act::BackInService(machine.0),
        }))
    }

    /// A change of tonight's set. `meant`: a place, and the song that the person saw there.
    fn change_set(&self, act: &DeskAct, change: Change, meant: Option<(u16, u16)>) -> ActOutcome {
        let no = |text: String| ActOutcome::Refused { rule: "set-list".into(), text, can_force: false };
        let Ok(mut set) = self.set.lock() else { return no("The set is held up.".into()) };
        let there = |place: u16| set.entries().get(usize::from(place).wrapping_sub(1)).map(|e| e.song);
        if let Some((place, song)) = meant
            && there(place).is_some_and(|s| s != song)
        {
            return no(format!("Another song stands at place {place} now: look again."));
        }
        match set.change(change, &self.facts.spare()) {
            Ok(()) => {
                self.scribe.tell(ToScribe::SetChanged(set.entries().to_vec()));
                ActOutcome::Done { text: self.words(act) }
            }
            Err(why) => no(format!("{why}.")),
        }
    }

    /// The act in words, songs by their names.
    fn words(&self, act: &DeskAct) -> String {
        let name = |song: u16| self.facts.song(song).map_or_else(|| format!("song {song}"), |s| s.name.clone());
        match act {
            DeskAct::SetMove { to, song, .. } => format!("{} moved to place {to} of the set", name(*song)),
            DeskAct::SetSkip { skip: true, song, .. } => format!("{} skipped tonight", name(*song)),
            DeskAct::SetSkip { skip: false, song, .. } => format!("{} played after all", name(*song)),
            DeskAct::SetAdd { song } => format!("{} added at the end of the set", name(*song)),
            DeskAct::SetRestore => "the set is as the show file has it".into(),
            other => words(other),
        }
    }

    fn tell_parity(&self, act: &DeskAct, news: ToParity) -> ActOutcome {
        if self.parity.tell(news) {
            return ActOutcome::Done { text: words(act) };
        }
        let text = "The comparison of folders is held up.".to_string();
        ActOutcome::Refused { rule: "held-up".into(), text, can_force: false }
    }
}

/// The act in words.
fn words(act: &DeskAct) -> String {
    match act {
        DeskAct::SetMode { mode } => format!("mode {}", format!("{mode:?}").to_lowercase()),
        DeskAct::ActUnchecked => "mode act by word, without a check that stands".into(),
        DeskAct::Changeover { to, forced: false } => format!("changeover to {to}"),
        DeskAct::Changeover { to, forced: true } => format!("forced changeover to {to}"),
        DeskAct::Release => "release of the latch".into(),
        DeskAct::Chase { device: Some(d) } => format!("{d} is sent what should be in force"),
        DeskAct::Chase { device: None } => "devices are sent what should be in force".into(),
        DeskAct::AnswerProposal { yes: true, .. } => "yes to the proposal".into(),
        DeskAct::AnswerProposal { yes: false, .. } => "no to the proposal".into(),
        DeskAct::Acknowledge { .. } => "alarm acknowledged".into(),
        DeskAct::Shelve { minutes, .. } => format!("alarm shelved for {minutes} min"),
        DeskAct::OutOfService { machine } => format!("{machine} out of service"),
        DeskAct::BackInService { machine } => format!("{machine} back in service"),
        DeskAct::SetMove { .. } | DeskAct::SetSkip { .. } | DeskAct::SetAdd { .. } | DeskAct::SetRestore => {
            "the set changed".into()
        }
        DeskAct::StartAnew => "the supervisor starts anew".into(),
        DeskAct::TestAlarmSound => "the alarms' sound is tried".into(),
        DeskAct::SessionLoaded { machine } => format!("{machine}'s player has the session as it lies on its disk"),
        DeskAct::LookAgain { everything: false } => "session folders looked at again".into(),
        DeskAct::LookAgain { everything: true } => "session folders read again from end to end".into(),
    }
}

impl Desk for SupervisorDesk {
    fn snapshots(&self) -> watch::Receiver<Arc<Snapshot>> {
        self.snapshots.clone()
    }

    fn act(&self, act: DeskAct, who: Who) -> BoxFuture<ActOutcome> {
        self.act_by(act, who.name, "page")
    }

    fn parity(&self) -> Parity {
        self.parity.found()
    }

    fn record(&self) -> Option<std::path::PathBuf> {
        self.record_at.clone()
    }

    fn shows(&self) -> Option<std::path::PathBuf> {
        Some(self.shows.clone())
    }

    fn check(&self) -> CheckView {
        let ids: Vec<_> = self.facts.rig.machines.iter().map(|m| m.id).collect();
        self.check.view(&ids)
    }

    fn begin_check(self: Arc<Self>, request: CheckRequest, who: Who) -> ActOutcome {
        SupervisorDesk::begin_check(&self, request, who.name)
    }

    fn stop_check(&self) -> bool {
        self.check.stop()
    }

    fn history(&self, window: HistoryWindow) -> History {
        let now = ports::os::mono_now();
        self.history.lock().map(|h| h.lines(window, now)).unwrap_or_default()
    }
}

impl SupervisorDesk {
    /// An act of somebody, by way of the page or of a button. The answer is waited for on a tokio runtime.
    pub fn act_by(&self, act: DeskAct, who: String, through: &'static str) -> BoxFuture<ActOutcome> {
        let said = self.words(&act);
        let asked = self.translate(&act);
        let (scribe, answers, facts) = (self.scribe.clone(), self.answers.clone(), self.facts.clone());
        let ticket = self.tickets.fetch_add(1, Ordering::Relaxed);
        let waiting = match asked {
            Ok(Asked::Judge(a)) => {
                let (to, from) = tokio::sync::oneshot::channel();
                if let Ok(mut w) = answers.lock() {
                    w.insert(ticket, to);
                }
                self.watch.tell(ToWatch::Act(a, ticket));
                Ok(from)
            }
            Ok(Asked::Here(outcome)) | Err(outcome) => Err(outcome),
        };
        Box::pin(async move {
            let outcome = match waiting {
                Err(known) => known,
                Ok(from) => match tokio::time::timeout(PATIENCE, from).await {
                    Ok(Ok(answer)) => outcome(&act, answer, &facts),
                    _ => {
                        if let Ok(mut w) = answers.lock() {
                            w.remove(&ticket);
                        }
                        let text = "The watch did not answer within two seconds.".to_string();
                        ActOutcome::Refused { rule: "no-answer".into(), text, can_force: false }
                    }
                },
            };
            let (done, came_of_it) = match &outcome {
                ActOutcome::Refused { text, .. } => (false, format!("refused: {text}")),
                ActOutcome::Done { .. } => (true, "done".into()),
                ActOutcome::Asked { .. } => (true, "asked of the switch".into()),
            };
            scribe.tell(ToScribe::Acted {
                who: who.clone(),
                through,
                act,
                text: format!("{who}: {said}: {came_of_it}"),
                done,
            });
            outcome
        })
    }
}

fn outcome(act: &DeskAct, answer: ActAnswer, facts: &Facts) -> ActOutcome {
    let asks_switch = matches!(act, DeskAct::Changeover { .. } | DeskAct::AnswerProposal { yes: true, .. });
    match answer {
        ActAnswer::Done if asks_switch => ActOutcome::Asked { text: "The switch was told.".into() },
        ActAnswer::Done => ActOutcome::Done { text: words(act) },
        ActAnswer::Refused(why) => ActOutcome::Refused {
            rule: why.reason.code().into(),
            text: why.say(&RigNames(facts)),
            can_force: matches!(act, DeskAct::Changeover { forced: false, .. }),
        },
    }
}
