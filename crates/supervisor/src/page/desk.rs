//! What the page asks of the supervisor. The page decides nothing: it shows snapshots and hands over a person's acts.

use std::future::Future;
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;

use base::{Millis, MonoTime, Span};
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize};
use tokio::sync::watch;

use crate::check::{CheckRequest, CheckView};
use crate::parity::Parity;
use crate::snapshot::{CauseHint, ClockView, Drift, Letter, Mode, RuleRow, Snapshot, SwitchStatus};

/// A boxed future, so that [`Desk`] can be a trait object.
pub type BoxFuture<T> = Pin<Box<dyn Future<Output = T> + Send + 'static>>;

/// The supervisor, as the page sees it.
pub trait Desk: Send + Sync + 'static {
    /// The newest snapshot, some ten a second and at once on a change that matters. Also sent when nothing changed:
    /// the page calls the supervisor lost when none comes for 0.7 s.
    fn snapshots(&self) -> watch::Receiver<Arc<Snapshot>>;

    /// A person's act. Answers as soon as the judgement has accepted or refused it; what really happened shows in the
    /// snapshots that follow.
    fn act(&self, act: DeskAct, who: Who) -> BoxFuture<ActOutcome>;

    /// The offset over this window, at most some 3000 points a line.
    fn history(&self, window: HistoryWindow) -> History;

    /// How the session folders compare, with the trees of what differs.
    fn parity(&self) -> Parity {
        Parity::default()
    }

    /// How the check before the show stands.
    fn check(&self) -> CheckView {
        CheckView::default()
    }

    /// Begins a check. Called on a tokio runtime.
    fn begin_check(self: Arc<Self>, _request: CheckRequest, _who: Who) -> ActOutcome {
        let text = "This desk has no check.".to_owned();
        ActOutcome::Refused { rule: "no-check".into(), text, can_force: false }
    }

    /// Stops it; it brings the switch back first. False: none runs.
    fn stop_check(&self) -> bool {
        false
    }

    /// The record of tonight, if there is one.
    fn record(&self) -> Option<PathBuf> {
        None
    }

    /// The folder of recorded shows, if there is one.
    fn shows(&self) -> Option<PathBuf> {
        None
    }

    /// The rule table and the figures behind it. Made from the newest snapshot, unless there is more to tell.
    fn why(&self) -> Why {
        Why::of(&self.snapshots().borrow())
    }
}

/// What a person can ask for.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "act", rename_all = "kebab-case", deny_unknown_fields)]
pub enum DeskAct {
    /// Another mode.
    SetMode {
        /// Which.
        mode: Mode,
    },
    /// Mode `act` by a person's word, though no check before the show stands. It is recorded as such.
    ActUnchecked,
    /// Another machine on air.
    Changeover {
        /// Which. Absolute, never a toggle.
        to: Letter,
        /// Whether it overrides a refusal.
        #[serde(default)]
        forced: bool,
    },
    /// Release of the latch.
    Release,
    /// Devices are sent what should be in force on them.
    Chase {
        /// Which; none: all.
        #[serde(default)]
        device: Option<String>,
    },
    /// Answer to a proposal.
    AnswerProposal {
        /// The proposal's id.
        #[serde(deserialize_with = "whole")]
        id: u64,
        /// Yes or no.
        yes: bool,
    },
    /// "Seen."
    Acknowledge {
        /// The alarm's id.
        #[serde(deserialize_with = "whole")]
        alarm: u64,
    },
    /// Put an alarm aside for a time.
    Shelve {
        /// The alarm's id.
        #[serde(deserialize_with = "whole")]
        alarm: u64,
        /// For how long: 1 to 720 minutes.
        #[serde(deserialize_with = "whole")]
        minutes: u16,
    },
    /// Take a machine out.
    OutOfService {
        /// Which.
        machine: Letter,
    },
    /// Take it in again.
    BackInService {
        /// Which.
        machine: Letter,
    },
    /// An entry of tonight's set goes to another place. Places count from 1.
    SetMove {
        /// Where it is.
        #[serde(deserialize_with = "whole")]
        from: u16,
        /// Where it goes.
        #[serde(deserialize_with = "whole")]
        to: u16,
        /// The song's number that is meant, so that two people who move at once do not move another.
        #[serde(deserialize_with = "whole")]
        song: u16,
    },
    /// An entry of tonight's set is skipped, or not.
    SetSkip {
        /// Its place.
        #[serde(deserialize_with = "whole")]
        place: u16,
        /// Whether.
        skip: bool,
        /// The song's number that is meant.
        #[serde(deserialize_with = "whole")]
        song: u16,
    },
    /// A song is played once more, or one that was not to be played: at the end.
    SetAdd {
        /// Its number in the show file, from 1.
        #[serde(deserialize_with = "whole")]
        song: u16,
    },
    /// The set is as the show file has it.
    SetRestore,
    /// A machine's player has its session as it lies on its disk now.
    SessionLoaded {
        /// Which.
        machine: Letter,
    },
    /// The alarms' tone sounds once on its output, so that a person hears where it comes out and how loud.
    TestAlarmSound,
    /// The supervisor starts anew with the rig's files as they are now. What is on air stays.
    StartAnew,
    /// Look at all session folders now.
    LookAgain {
        /// Read every file again, whatever its times say.
        #[serde(default)]
        everything: bool,
    },
}

/// A whole number. JSON knows one kind of number: 7.0 is 7 (RFC 8259, section 6; JSON Schema, "integer").
#[derive(Clone, Copy, Serialize)]
pub(crate) struct Whole<T>(pub T);

impl<'de, T: TryFrom<u64>> Deserialize<'de> for Whole<T> {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Whole<T>, D::Error> {
        whole(d).map(Whole)
    }
}

fn whole<'de, T: TryFrom<u64>, D: Deserializer<'de>>(d: D) -> Result<T, D::Error> {
    /// 2^64: the first number that does not fit.
    const TOO_BIG: f64 = 18_446_744_073_709_551_616.0;
    let number = serde_json::Number::deserialize(d)?;
    let fits = |f: &f64| (0.0..TOO_BIG).contains(f) && f.fract() == 0.0;
    let whole = number.as_u64().or_else(|| number.as_f64().filter(fits).map(|f| f as u64));
    whole
        .and_then(|n| T::try_from(n).ok())
        .ok_or_else(|| D::Error::custom(format!("{number} is no whole number in range")))
}

/// The person behind an act.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Who {
    /// The name that the device gave itself ("Mara", "FOH tablet"): 1 to 32 printable characters, for the record and not for trust.
    pub name: String,
    /// Where the request came from.
    pub address: std::net::SocketAddr,
}

/// What became of an act.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "kebab-case")]
pub enum ActOutcome {
    /// It has happened (an acknowledgement, a mode).
    Done {
        /// In words.
        text: String,
    },
    /// It was asked of the switch; the snapshots say whether it was confirmed.
    Asked {
        /// In words.
        text: String,
    },
    /// No.
    Refused {
        /// The rule or check that said no.
        rule: String,
        /// Why, in one sentence.
        text: String,
        /// Whether `forced` would be obeyed.
        can_force: bool,
    },
}

/// How far back.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub enum HistoryWindow {
    /// The last ten seconds.
    #[serde(rename = "10s")]
    TenSeconds,
    /// The last five minutes.
    #[default]
    #[serde(rename = "5min")]
    FiveMinutes,
    /// Since the song began.
    #[serde(rename = "song")]
    Song,
}

/// The offsets of a window.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct History {
    /// The supervisor's clock when this was made.
    #[serde(rename = "now_ns")]
    pub now: MonoTime,
    /// Where the window starts.
    #[serde(rename = "from_ns")]
    pub from: MonoTime,
    /// One line for each machine but the reference.
    pub lines: Vec<HistoryLine>,
    /// Steps, dropouts, changeovers and song starts in the window.
    pub marks: Vec<Mark>,
}

/// The offset of the reference machine against one other.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct HistoryLine {
    /// Against this machine.
    pub against: Letter,
    /// Oldest first.
    pub points: Vec<HistoryPoint>,
}

/// One point.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct HistoryPoint {
    /// When.
    #[serde(rename = "at_ns")]
    pub at: MonoTime,
    /// The offset then; `None`: not known, the line has a hole.
    #[serde(rename = "value_ms")]
    pub value: Option<Millis>,
    /// Plus or minus.
    #[serde(rename = "bound_ms")]
    pub bound: Option<Millis>,
}

/// Something worth a mark on the picture.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Mark {
    /// When.
    #[serde(rename = "at_ns")]
    pub at: MonoTime,
    /// What.
    pub kind: MarkKind,
    /// About which machine.
    pub machine: Option<Letter>,
    /// In words.
    pub text: String,
}

/// What kind of mark.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MarkKind {
    /// A sudden change of offset.
    Step,
    /// Missing or zeroed audio.
    Dropout,
    /// The other machine went on air.
    Changeover,
    /// A song began.
    SongStart,
}

/// The rule table and the figures behind it: what the watch page keeps one click away.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Why {
    /// The supervisor's clock when this was made.
    #[serde(rename = "now_ns")]
    pub now: MonoTime,
    /// The rows, in the table's order.
    pub rules: Vec<RuleRow>,
    /// Drift against each other machine.
    pub drifts: Vec<WhyDrift>,
    /// How well each machine's clock is known.
    pub clocks: Vec<WhyClock>,
    /// The switch and its outputs.
    pub switch: SwitchStatus,
}

/// Drift of the reference machine against one other.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct WhyDrift {
    /// Against this machine.
    pub against: Letter,
    /// The rate, when known.
    pub drift: Option<Drift>,
    /// What offset, drift or steps probably come from.
    #[serde(default)]
    pub hints: Vec<CauseHint>,
}

/// One machine's clock, link and age.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct WhyClock {
    /// Which machine.
    pub machine: Letter,
    /// Its clock.
    pub clock: ClockView,
    /// Beats that never came.
    pub beats_lost: u64,
}

impl Why {
    /// What a snapshot can tell.
    pub fn of(s: &Snapshot) -> Why {
        Why {
            now: s.now,
            rules: s.rules.clone(),
            drifts: s
                .offsets
                .iter()
                .map(|o| WhyDrift { against: o.against, drift: o.drift, hints: o.hints.clone() })
                .collect(),
            clocks: s
                .machines
                .iter()
                .map(|m| WhyClock { machine: m.letter, clock: m.clock.clone(), beats_lost: m.link.beats_lost })
                .collect(),
            switch: s.switch.clone(),
        }
    }
}

impl HistoryWindow {
    /// Its length, where it is fixed.
    pub const fn length(self) -> Option<Span> {
        match self {
            Self::TenSeconds => Some(Span::from_secs(10)),
            Self::FiveMinutes => Some(Span::from_secs(300)),
            Self::Song => None,
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn whole_numbers_may_be_written_as_json_likes() {
        let act = |minutes: &str| {
            serde_json::from_str::<DeskAct>(&format!(r#"{{"act":"shelve","alarm":3.0,"minutes":{minutes}}}"#))
        };
        assert_eq!(act("15").unwrap(), DeskAct::Shelve { alarm: 3, minutes: 15 });
        assert_eq!(act("1.5e1").unwrap(), DeskAct::Shelve { alarm: 3, minutes: 15 });
        for wrong in ["1.5", "-1", "65536", "1e99", "\"15\"", "null"] {
            assert!(act(wrong).is_err(), "{wrong}");
        }
    }
}
