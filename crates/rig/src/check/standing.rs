//! How long a pass stands: twelve hours at most, and not past a reboot, a replugged device or a changed session.

use base::{Machine, MachineId, Span, WallTime};
use serde::{Deserialize, Serialize};

/// A pass stands this long: from soundcheck to curtain (common practice, no source).
pub const LASTS: Span = Span::from_secs(12 * 3600);

/// What a pass was given to; when it changes the pass is void.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Identity {
    /// The machines: which computer, and which start of it.
    pub machines: Vec<(MachineId, Option<[u8; 16]>)>,
    /// Which start of the supervisor's own host.
    pub supervisor: [u8; 16],
    /// What lay in the session folders, as far as it was known.
    #[serde(default)]
    pub sessions: Vec<SessionIs>,
}

/// What lies in a session folder.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct SessionIs {
    /// The machine.
    pub machine: Machine,
    /// The folder's name.
    pub folder: String,
    /// A digest of names and contents, in hexadecimal digits.
    pub content: String,
}

/// The folder that changed since a pass: its machine and name. One that was not known then, or is not now, is not taken for changed.
pub fn changed_session<'a>(pass: &Pass, is: &'a [SessionIs]) -> Option<(Machine, &'a str)> {
    let was = |n: &SessionIs| pass.of.sessions.iter().find(|o| o.machine == n.machine && o.folder == n.folder);
    let changed = is.iter().find(|n| was(n).is_some_and(|o| o.content != n.content))?;
    Some((changed.machine, &changed.folder))
}

/// A check that was passed.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Pass {
    /// When.
    pub at: WallTime,
    /// Of what.
    pub of: Identity,
    /// Something happened since that voids it, in words.
    pub void: Option<String>,
}

/// Why a pass stands no more.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Void {
    /// There is none.
    Never,
    /// It is older than [`LASTS`], or the wall clock says that it is from tomorrow.
    Old,
    /// The supervisor's host was started anew.
    SupervisorRestarted,
    /// A machine's host was started anew.
    Restarted(Machine),
    /// Another computer stands in a machine's place.
    Replaced(Machine),
    /// Something else, in words.
    Said(String),
}

impl Void {
    /// In words, a sentence.
    pub fn say(&self) -> String {
        match self {
            Void::Never => "No check of this rig has been passed.".into(),
            Void::Old => "The last pass is more than 12 hours old.".into(),
            Void::SupervisorRestarted => "The supervisor's computer was started anew since the last pass.".into(),
            Void::Restarted(m) => format!("{m} was started anew since the last pass."),
            Void::Replaced(m) => format!("Another computer stands in {m}'s place since the last pass."),
            Void::Said(why) => why.clone(),
        }
    }
}

/// Whether a pass stands now. A machine that is not heard now leaves it standing: of that the watch speaks.
pub fn standing(pass: Option<&Pass>, now: WallTime, is: &Identity) -> Result<(), Void> {
    let Some(pass) = pass else { return Err(Void::Never) };
    if let Some(why) = &pass.void {
        return Err(Void::Said(why.clone()));
    }
    // Half a minute of a clock that was set back is no reason.
    let age = Span::from_nanos(now.0.saturating_sub(pass.at.0));
    if age >= LASTS || age < -Span::from_secs(30) {
        return Err(Void::Old);
    }
    if pass.of.supervisor != is.supervisor {
        return Err(Void::SupervisorRestarted);
    }
    for (i, (id, boot)) in is.machines.iter().enumerate() {
        let Some(m) = Machine::new(i) else { continue };
        let Some((passed_id, passed_boot)) = pass.of.machines.get(i) else { return Err(Void::Replaced(m)) };
        if passed_id != id {
            return Err(Void::Replaced(m));
        }
        if let (Some(now), Some(then)) = (boot, passed_boot)
            && now != then
        {
            return Err(Void::Restarted(m));
        }
    }
    Ok(())
}
