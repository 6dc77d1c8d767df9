//! From files to what the brain is told.

use std::path::{Path, PathBuf};

use base::Span;
use settings::rig::{LoneStop, Mode, OnLinkLoss};
use settings::{RigFile, ShowFile};
use watch::SongSpan;
use wire::{PublicKey, SecretKey};

use crate::StartError;
use crate::lanes::Known;
use crate::scribe::Facts;

/// A rig's files, read and checked.
pub struct Loaded {
    /// Names and numbers.
    pub facts: Facts,
    /// Our key.
    pub me: SecretKey,
    /// The machines' keys.
    pub known: Vec<Known>,
    /// Where shows are kept.
    pub shows: PathBuf,
    /// Where the tap's socket is made.
    pub tap: Option<PathBuf>,
}

/// Reads `rig.toml` and what it names. Paths in it are relative to it.
///
/// # Errors
/// What is wrong, where, and the mend.
pub fn load(config: &Path) -> Result<Loaded, StartError> {
    let beside = |p: &Path| config.parent().unwrap_or(Path::new(".")).join(p);
    let read = |p: &Path| std::fs::read_to_string(p).map_err(|e| StartError::File(p.into(), e));
    if let Some(why) = ports::local::writable_by_others(config) {
        let mend = "make it writable by its owner alone: chmod go-w";
        return Err(StartError::Trust { place: config.display().to_string(), why, mend });
    }
    let rig = RigFile::parse(&config.display().to_string(), &read(config)?)?;
    let key = beside(&rig.secret_key);
    if let Some(why) = ports::local::readable_by_others(&key) {
        let mend = "make it readable by its owner alone: chmod 600";
        return Err(StartError::Trust { place: key.display().to_string(), why, mend });
    }
    let me: SecretKey = read(&key)?.trim().parse().map_err(|e: wire::KeyError| StartError::Trust {
        place: key.display().to_string(),
        why: e.to_string(),
        mend: "make a new key with `twinkeel init`, and pair the agents again",
    })?;
    let mut known = Vec::new();
    for (machine, m) in base::Machine::first(rig.machines.len()).zip(&rig.machines) {
        let key: PublicKey = m.key.parse().map_err(|e: wire::KeyError| StartError::Trust {
            place: format!("{}: machine[{}].key", config.display(), machine.index()),
            why: e.to_string(),
            mend: "copy the agent's public key as its set-up printed it",
        })?;
        known.push(Known { machine, id: m.id, key });
    }
    let show = match &rig.show {
        Some(p) => {
            let p = beside(p);
            Some(ShowFile::parse(&p.display().to_string(), &read(&p)?)?)
        }
        None => None,
    };
    let (shows, tap) = (beside(&rig.shows), rig.tap.as_ref().map(|t| beside(&t.feed)));
    Ok(Loaded { facts: Facts::new(rig, show), me, known, shows, tap })
}

/// What the brain is told.
pub fn brain_setup(facts: &Facts) -> watch::Setup {
    let rig = &facts.rig;
    let songs =
        facts.show.iter().flat_map(|s| &s.songs).zip(&facts.starts).enumerate().map(|(i, (s, start))| SongSpan {
            number: u16::try_from(i + 1).unwrap_or(u16::MAX),
            start: *start,
            length: s.length.0,
            sections: s.sections.iter().map(|x| x.at.0).collect(),
        });
    watch::Setup {
        beat_intervals: rig.machines.iter().map(|_| Span::from_millis(5)).collect(),
        paths: rig.listen.paths.len(),
        songs: songs.collect(),
        prefer: preference(&rig.prefer),
        has_tap: rig.tap.is_some(),
        rig: rig_setup(rig, facts),
    }
}

/// The sources as a person ordered them, then the others.
fn preference(first: &[base::SourceKind]) -> [base::SourceKind; 4] {
    let mut all = watch::PREFERENCE;
    all.sort_by_key(|s| first.iter().position(|f| f == s).unwrap_or(first.len()));
    all
}

fn rig_setup(rig: &RigFile, facts: &Facts) -> rig::Setup {
    let l = &rig.limits;
    let mut setup = rig::Setup::new(rig.machines.len());
    setup.sample_rate = facts.sample_rate();
    setup.limits.in_step = l.near_offset.0;
    setup.limits.dead_air = l.far_offset.0;
    setup.limits.warning = l.warn_offset.0;
    setup.limits.audio_loss = l.silence_confirmed.0;
    setup.limits.hold = l.fit_hold.0;
    setup.policies.on_link_loss = rig.policies.on_link_loss.map(|p| match p {
        OnLinkLoss::Hold => rig::LinkLoss::Hold,
        OnLinkLoss::Changeover => rig::LinkLoss::Changeover,
    });
    setup.policies.lone_stop = match rig.policies.lone_stop {
        LoneStop::Propose => rig::LoneStop::Propose,
        LoneStop::Changeover => rig::LoneStop::Changeover,
    };
    setup
}

/// The mode of a rig that remembers none.
pub fn first_mode(rig: &RigFile) -> rig::Mode {
    match rig.mode {
        Mode::Observe => rig::Mode::Observe,
        Mode::Propose => rig::Mode::Propose,
        Mode::Act => rig::Mode::Act,
    }
}

/// What the record's first page says of the show.
pub fn show_meta(facts: &Facts, kept: &crate::memory::Kept) -> showlog::ShowMeta {
    let rig = &facts.rig;
    let l = &rig.limits;
    let songs = facts.show.iter().flat_map(|s| &s.songs).zip(&facts.starts).enumerate();
    showlog::ShowMeta {
        show: kept.show,
        rig: rig.rig_id,
        title: kept.title.clone(),
        rig_name: rig.name.clone(),
        machines: rig.machines.iter().map(|m| showlog::MachineMeta { id: m.id, name: m.name.clone() }).collect(),
        songs: songs
            .map(|(i, (s, start))| showlog::SongMeta {
                number: u16::try_from(i + 1).unwrap_or(u16::MAX),
                name: s.name.clone(),
                starts_at: Some(*start),
                length: Some(s.length.0),
            })
            .collect(),
        limits: showlog::Limits {
            warning: l.warn_offset.0,
            candidate: l.near_offset.0,
            dead_air: l.far_offset.0,
            baseline: None,
        },
        written_by: env!("CARGO_PKG_VERSION").into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use base::SourceKind::{Ltc, MidiClock, Mtc, Osc};

    #[test]
    fn a_stated_preference_comes_first_and_the_rest_in_the_usual_order() {
        assert_eq!(preference(&[]), [Ltc, Mtc, Osc, MidiClock]);
        assert_eq!(preference(&[Osc, Mtc]), [Osc, Mtc, Ltc, MidiClock]);
    }
}
