//! The last sheet, the last good one and the pass that stands, in one small file that is replaced whole. The record of the show has every
//! sheet besides.

use std::path::{Path, PathBuf};

use base::WallTime;
use rig::check::{Depth, Identity, Outcome, Pass, SessionIs, Sheet, Void, changed_session, standing};
use serde::{Deserialize, Serialize};

/// See the module.
#[derive(Default)]
pub struct Store {
    dir: Option<PathBuf>,
    kept: KeptChecks,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct KeptChecks {
    last: Option<Sheet>,
    good: Option<Sheet>,
    pass: Option<Pass>,
}

impl Store {
    /// What lies in this folder; a damaged file is as good as none.
    pub fn open(dir: &Path) -> Store {
        let kept = std::fs::read_to_string(path(dir)).ok().and_then(|text| {
            serde_json::from_str(&text)
                .inspect_err(|e| tracing::error!("check.json is damaged ({e}): no check counts as passed"))
                .ok()
        });
        Store { dir: Some(dir.to_owned()), kept: kept.unwrap_or_default() }
    }

    /// The last sheet.
    pub fn last(&self) -> Option<&Sheet> {
        self.kept.last.as_ref()
    }

    /// The last good one, of any depth that proves a changeover.
    pub fn good(&self) -> Option<&Sheet> {
        self.kept.good.as_ref()
    }

    /// Whether a pass stands.
    ///
    /// # Errors
    /// Why none does.
    pub fn standing(&self, now: WallTime, is: &Identity) -> Result<(), Void> {
        standing(self.kept.pass.as_ref(), now, is)
    }

    /// A check ended. A failed one ends an older pass; a quick one proves no changeover, and so gives none.
    pub fn on_sheet(&mut self, sheet: &Sheet, of: Identity) {
        self.kept.last = Some(sheet.clone());
        match sheet.outcome {
            Outcome::Passed if sheet.depth >= Depth::Fast => {
                self.kept.good = Some(sheet.clone());
                self.kept.pass = Some(Pass { at: sheet.at, of, void: None });
            }
            Outcome::Failed => self.void("A check failed since the last pass."),
            Outcome::Passed | Outcome::Incomplete => {}
        }
        self.save();
    }

    /// Something happened that ends the pass; the first reason is kept.
    pub fn void(&mut self, why: &str) {
        if let Some(pass) = self.kept.pass.as_mut().filter(|p| p.void.is_none()) {
            pass.void = Some(why.to_owned());
            self.save();
        }
    }

    /// What lies in the session folders now. Another session ends the pass for good: nobody knows what a player opened meanwhile.
    pub fn on_sessions(&mut self, is: &[SessionIs]) {
        let changed = self.kept.pass.as_ref().and_then(|p| changed_session(p, is));
        if let Some((m, folder)) = changed {
            self.void(&format!("Files in {m}'s `{folder}` changed since the last pass."));
        }
    }

    fn save(&self) {
        let Some(dir) = &self.dir else { return };
        if let Err(e) = self.write(dir) {
            tracing::error!("{}: the check could not be stored: {e}", path(dir).display());
        }
    }

    fn write(&self, dir: &Path) -> std::io::Result<()> {
        ports::local::replace(&path(dir), &serde_json::to_string_pretty(&self.kept)?)
    }
}

fn path(dir: &Path) -> PathBuf {
    dir.join("check.json")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use rig::check::{CAUTION, Word};

    fn sheet(depth: Depth, outcome: Outcome) -> Sheet {
        Sheet {
            depth,
            at: WallTime(1_000),
            took: base::Span::from_secs(60),
            title: "Tides".into(),
            rig: "twins".into(),
            machines: vec!["left".into(), "right".into()],
            by: "Mara".into(),
            word: Word::default(),
            outcome,
            text: "Passed.".into(),
            rows: Vec::new(),
            facts: Vec::new(),
            new: Vec::new(),
            good: None,
            caution: CAUTION.into(),
        }
    }

    #[test]
    fn a_pass_outlives_a_restart_and_ends_with_a_failed_check_or_a_word() {
        let dir = tempfile::tempdir().unwrap();
        let is = Identity::default();
        let mut store = Store::open(dir.path());
        let stands = |s: &Store| s.standing(WallTime(2_000), &is);
        assert_eq!(stands(&store), Err(Void::Never));
        store.on_sheet(&sheet(Depth::Quick, Outcome::Passed), is.clone());
        assert_eq!(stands(&store), Err(Void::Never), "a quick check proves no changeover");
        store.on_sheet(&sheet(Depth::Fast, Outcome::Passed), is.clone());
        assert_eq!(stands(&store), Ok(()));
        assert_eq!(stands(&Store::open(dir.path())), Ok(()));
        store.on_sheet(&sheet(Depth::Full, Outcome::Incomplete), is.clone());
        assert_eq!(stands(&store), Ok(()), "what could not be tested takes nothing back");
        assert_eq!(store.good().unwrap().depth, Depth::Fast);
        store.on_sheet(&sheet(Depth::Quick, Outcome::Failed), is.clone());
        assert!(matches!(stands(&Store::open(dir.path())), Err(Void::Said(_))));
        store.on_sheet(&sheet(Depth::Full, Outcome::Passed), is.clone());
        store.void("B's device was gone.");
        store.void("and something else");
        assert_eq!(stands(&Store::open(dir.path())), Err(Void::Said("B's device was gone.".into())));
    }

    #[test]
    fn another_session_ends_a_pass_and_one_that_is_not_known_does_not() {
        let dir = tempfile::tempdir().unwrap();
        let holds = |content: &str| {
            let side = |machine, content: &str| SessionIs { machine, folder: "takes".into(), content: content.into() };
            vec![side(base::Machine::A, "0a"), side(base::Machine::B, content)]
        };
        let is = Identity { sessions: holds("0a"), ..Identity::default() };
        let mut store = Store::open(dir.path());
        store.on_sheet(&sheet(Depth::Full, Outcome::Passed), is.clone());
        let stands = |s: &Store| s.standing(WallTime(2_000), &is);
        for same in [holds("0a"), Vec::new()] {
            store.on_sessions(&same);
            assert_eq!(stands(&store), Ok(()));
        }
        store.on_sessions(&holds("0b"));
        let void = Err(Void::Said("Files in B's `takes` changed since the last pass.".into()));
        assert_eq!(stands(&store), void);
        store.on_sessions(&holds("0a"));
        assert_eq!(stands(&Store::open(dir.path())), void, "it was another meanwhile");
    }

    #[test]
    fn a_damaged_file_is_no_pass() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(path(dir.path()), "{").unwrap();
        assert!(Store::open(dir.path()).last().is_none());
    }
}
