//! The check before the show: a person starts it, it looks, asks, changes over and back, and leaves a sheet.
//!
//! `notebook` is what the scribe writes down for it as news come; `look` makes of that what the rules of [`rig::check`] judge;
//! `run` goes through the stages; `store` keeps the last sheets and whether a pass still stands.

mod changeovers;
mod look;
mod notebook;
mod passage;
mod run;
mod store;

use std::sync::{Arc, Mutex};

use rig::check::{Depth, Sheet, Word};
use serde::{Deserialize, Serialize};

pub use notebook::Notebook;
pub use store::Store;

/// What is asked for.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CheckRequest {
    /// Who asks.
    #[serde(default)]
    pub by: Option<String>,
    /// How deep.
    pub depth: Depth,
    /// What they say beforehand.
    #[serde(default)]
    pub word: Word,
}

/// A check that runs.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Progress {
    /// How deep it goes.
    pub depth: Depth,
    /// What it does now, in words.
    pub stage: String,
    /// What a person has to do now, if anything.
    pub ask: Option<String>,
    /// How much of it is done, 0 to 1.
    pub done: f64,
    /// Who asked for it.
    pub by: String,
}

/// How checks stand: what `GET /api/v1/check` says.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct CheckView {
    /// The one that runs.
    pub running: Option<Progress>,
    /// The last sheet.
    pub last: Option<Sheet>,
    /// A pass stands.
    pub valid: bool,
    /// How it stands, in a sentence.
    pub text: String,
}

/// What the check shares between its run, the scribe and the page.
#[derive(Clone, Default)]
pub struct CheckDesk {
    /// What the scribe noted.
    pub notebook: Arc<Mutex<Notebook>>,
    /// Sheets and the pass.
    pub store: Arc<Mutex<Store>>,
    /// The run.
    running: Arc<Mutex<Running>>,
}

#[derive(Default)]
struct Running {
    progress: Option<Progress>,
    stop: bool,
}

impl CheckDesk {
    /// With what is stored in this folder.
    pub fn open(dir: &std::path::Path) -> CheckDesk {
        CheckDesk { store: Arc::new(Mutex::new(Store::open(dir))), ..CheckDesk::default() }
    }

    /// How checks stand now. `ids`: the rig's machines as its file names them.
    pub fn view(&self, ids: &[base::MachineId]) -> CheckView {
        let running = self.running.lock().ok().and_then(|r| r.progress.clone());
        let is = self.notebook.lock().map(|n| n.identity(ids)).unwrap_or_default();
        let Ok(store) = self.store.lock() else { return CheckView { running, ..CheckView::default() } };
        let stands = store.standing(ports::os::wall_now(), &is);
        let text = match &stands {
            Ok(()) => "The last check stands.".to_owned(),
            Err(why) => why.say(),
        };
        CheckView { running, last: store.last().cloned(), valid: stands.is_ok(), text }
    }

    /// Takes the run for itself; false: there is one already.
    fn begin(&self, progress: Progress) -> bool {
        let Ok(mut r) = self.running.lock() else { return false };
        if r.progress.is_some() {
            return false;
        }
        *r = Running { progress: Some(progress), stop: false };
        true
    }

    fn stage(&self, done: f64, stage: impl Into<String>, ask: Option<&str>) {
        if let Ok(mut r) = self.running.lock()
            && let Some(p) = &mut r.progress
        {
            (p.done, p.stage, p.ask) = (done, stage.into(), ask.map(str::to_owned));
        }
    }

    /// Somebody stopped it.
    fn is_stopped(&self) -> bool {
        self.running.lock().is_ok_and(|r| r.stop)
    }

    /// Asks the run to end. It brings the switch back first. False: none runs.
    pub fn stop(&self) -> bool {
        self.running.lock().is_ok_and(|mut r| {
            r.stop = true;
            r.progress.is_some()
        })
    }

    fn end(&self) {
        if let Ok(mut r) = self.running.lock() {
            *r = Running::default();
        }
        if let Ok(mut n) = self.notebook.lock() {
            n.close();
        }
    }
}
