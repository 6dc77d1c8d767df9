//! From files to what the brain is told.

use std::net::IpAddr;
use std::path::{Path, PathBuf};

use base::{Span, WallTime};
use ports::audio::AudioInput;
use settings::rig::{HeardBy, Listen, LoneStop, Mode, OnLinkLoss, Output, PageTls};
use settings::tap::TapInput;
use settings::{RigFile, ShowFile};
use timecode::songs::{SongEntry, SongMap};
use timecode::{Timecode, smf::Smf, tempo_map::TempoMap};
use watch::SongSpan;
use wire::{PublicKey, SecretKey};

use crate::StartError;
use crate::lanes::Known;
use crate::listeners::Listener;
use crate::page::tls::{self, Tls};
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
    /// By what the tap is heard.
    pub tap: Option<TapSource>,
    /// Whom our own inputs hear.
    pub listeners: Vec<Listener>,
    /// What the page is sealed with.
    pub tls: Option<Tls>,
}

/// By what the tap is heard.
pub enum TapSource {
    /// A feed socket, made here.
    Feed(PathBuf),
    /// An audio input.
    Device(AudioInput),
}

/// Reads `rig.toml` and what it names. Paths in it are relative to it.
///
/// # Errors
/// What is wrong, where, and the mend.
pub fn load(config: &Path, now: WallTime) -> Result<Loaded, StartError> {
    let beside = |p: &Path| config.parent().unwrap_or(Path::new(".")).join(p);
    let read = |p: &Path| std::fs::read_to_string(p).map_err(|e| StartError::File(p.into(), e));
    if let Some(why) = ports::local::writable_by_others(config) {
        let mend = "make it writable by its owner alone: chmod go-w";
        return Err(StartError::Trust { place: config.display().to_string(), why, mend });
    }
    let (file, text) = (config.display().to_string(), read(config)?);
    let mut rig = RigFile::parse(&file, &text)?;
    for (i, o) in rig.outputs.iter().enumerate() {
        if let Output::Command { program, .. } = o
            && let Some(why) = ports::local::writable_by_others(program)
        {
            let place = format!("{}: output[{i}].program: {}", config.display(), program.display());
            let mend = "it would run in the supervisor's name: make it writable by its owner alone: chmod go-w";
            return Err(StartError::Trust { place, why, mend });
        }
    }
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
    let mut listeners = Vec::new();
    for (machine, m) in base::Machine::first(rig.machines.len()).zip(&rig.machines) {
        if rig.heard_by == HeardBy::Supervisor {
            let keys =
                wire::KeyPair::generate().map_err(|e| StartError::System(std::io::Error::other(e.to_string())))?;
            known.push(Known { machine, id: m.id, key: keys.public });
            let dir = config.parent().unwrap_or(Path::new(".")).to_owned();
            let at =
                |s| settings::written_at(&file, &text, &format!("machine[{}].source[{s}].channels", machine.index()));
            let channels_at = (0..m.sources.len()).map(at).collect();
            listeners.push(Listener { channels_at, ..Listener::new(m, keys.secret, &me, &rig, dir)? });
            continue;
        }
        let key: PublicKey = m.key.parse().map_err(|e: wire::KeyError| StartError::Trust {
            place: format!("{}: machine[{}].key", config.display(), machine.index()),
            why: e.to_string(),
            mend: "copy the agent's public key as its set-up printed it",
        })?;
        known.push(Known { machine, id: m.id, key });
    }
    let (show, songs) = match rig.show.clone() {
        Some(p) => {
            let p = beside(&p);
            let (name, text) = (p.display().to_string(), read(&p)?);
            let show = ShowFile::parse(&name, &text)?;
            rig.limits = show.limits_over(&rig.limits, &name, &text)?;
            rig.policies = show.policies.over(&rig.policies);
            let songs = songs_of(&show, p.parent().unwrap_or(Path::new(".")))?;
            (Some(show), songs)
        }
        None => (None, SongMap::default()),
    };
    let shows = beside(&rig.shows);
    let tap = rig.tap.as_ref().and_then(|t| {
        Some(match t.input()? {
            TapInput::Feed(socket) => TapSource::Feed(beside(socket)),
            TapInput::Device(device) => {
                let (host, channels) = (t.host.clone(), t.channels.clone());
                let written = format!("{}: tap.channels", config.display());
                TapSource::Device(AudioInput { host, device: device.to_owned(), channels, written })
            }
        })
    });
    let tls = tls_of(&rig.listen, config, &beside(&rig.secret_key), now)?;
    Ok(Loaded { facts: Facts::new(rig, show, songs), me, known, shows, tap, listeners, tls })
}

/// What the page is sealed with; a certificate of our own making lies beside our key.
fn tls_of(listen: &Listen, config: &Path, secret: &Path, now: WallTime) -> Result<Option<Tls>, StartError> {
    let beside = |p: &Path| config.parent().unwrap_or(Path::new(".")).join(p);
    let (certificate, key) = match (listen.tls, &listen.certificate, &listen.certificate_key) {
        (PageTls::Off, ..) => return Ok(None),
        (PageTls::Own, Some(certificate), Some(key)) => (beside(certificate), beside(key)),
        _ => {
            let mut addresses: Vec<IpAddr> = ports::os::links().into_iter().filter_map(|l| l.address).collect();
            addresses.extend([IpAddr::from([127, 0, 0, 1]), IpAddr::from([0, 0, 0, 0, 0, 0, 0, 1])]);
            addresses.push(listen.page.ip());
            addresses.retain(|a| !a.is_unspecified());
            addresses.sort();
            addresses.dedup();
            tls::make_once(secret.parent().unwrap_or(Path::new(".")), &listen.names, &addresses, now)?
        }
    };
    Ok(Some(Tls::load(&certificate, &key, now)?))
}

/// The songs of a show file with their tempo maps; MIDI files lie in `beside`.
fn songs_of(show: &ShowFile, beside: &Path) -> Result<SongMap, StartError> {
    let mut songs = Vec::new();
    for s in &show.songs {
        // The show file was checked when it was read: its starts are labels of its rate.
        let label = s.start_fields().and_then(|[h, m, s, f]| Timecode::new(show.frame_rate, h, m, s, f).ok());
        let start = label.unwrap_or_else(|| Timecode::from_frames(show.frame_rate, 0));
        let tempo = match &s.midi {
            Some(p) => {
                let path = beside.join(p);
                let bytes = std::fs::read(&path).map_err(|e| StartError::File(path.clone(), e))?;
                let smf = Smf::parse(&bytes).map_err(|e| StartError::Trust {
                    place: format!("{} (the MIDI file of \"{}\")", path.display(), s.name),
                    why: e.to_string(),
                    mend: "export it again as a Standard MIDI File of format 0 or 1, or leave `midi` out",
                })?;
                Some(smf.tempo_map().clone())
            }
            None => s.tempo.map(|t| TempoMap::steady(base::Bpm(t))),
        };
        songs.push(SongEntry { start, length: s.length.0, tempo });
    }
    Ok(SongMap::new(songs, Span::from_secs(1)))
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
    setup.outside = [rig.heard_by == HeardBy::Supervisor; base::ids::MAX_MACHINES];
    setup.limits.in_step = l.near_offset.0;
    setup.limits.dead_air = l.far_offset.0;
    setup.limits.warning = l.warn_offset.0;
    setup.limits.audio_loss = l.silence_confirmed.0;
    setup.limits.hold = l.fit_hold.0;
    // Every output has its turn before a command counts as unconfirmed.
    let outputs = u8::try_from(rig.outputs.len()).unwrap_or(u8::MAX);
    setup.limits.output_tries = setup.limits.output_tries.max(outputs);
    setup.limits.louder = base::Db(l.louder_db);
    setup.limits.ears_louder = base::Db(l.ears_louder_db);
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
        earlier: kept.earlier.clone(),
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
    #![allow(clippy::unwrap_used)]
    use super::*;
    use base::ShowPosition;
    use base::SourceKind::{Ltc, MidiClock, Mtc, Osc};

    /// Standard MIDI File 1.0: format 0, 96 ticks a quarter note, 3/4, 100 quarter notes a minute (600,000 us), one bar long.
    const WALTZ: &[u8] = b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk\0\0\0\x14\
        \0\xff\x58\x04\x03\x02\x18\x08\0\xff\x51\x03\x09\x27\xc0\x82\x20\xff\x2f\0";

    fn show() -> ShowFile {
        let text = "title = \"t\"\nframe_rate = \"25\"\nhour_per_song = true\n[[song]]\nname = \"waltz\"\nlength = \"3:00\"\nmidi = \"w.mid\"\n";
        ShowFile::parse("show.toml", text).unwrap()
    }

    #[test]
    fn a_song_has_the_bars_of_its_midi_file() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("w.mid"), WALTZ).unwrap();
        let songs = songs_of(&show(), dir.path()).unwrap();
        // Bars last 1.8 s: 4 s are beat 6.67 of the song, the first beat of its third bar.
        let place =
            songs.place(ShowPosition::Timecode { rate: base::FrameRate::F25, at: Span::from_secs(3_604) }, None);
        let bar = place.unwrap().bar_beat.unwrap();
        assert_eq!((bar.bar, bar.beat), (3, 1));
    }

    #[test]
    fn a_midi_file_that_is_none_or_is_missing_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let why = songs_of(&show(), dir.path()).unwrap_err().to_string();
        assert!(why.contains("w.mid"), "{why}");
        std::fs::write(dir.path().join("w.mid"), b"RIFF").unwrap();
        let why = songs_of(&show(), dir.path()).unwrap_err().to_string();
        assert!(why.contains("w.mid") && why.contains("waltz") && why.contains("mend: "), "{why}");
    }

    #[test]
    fn a_stated_preference_comes_first_and_the_rest_in_the_usual_order() {
        assert_eq!(preference(&[]), [Ltc, Mtc, Osc, MidiClock]);
        assert_eq!(preference(&[Osc, Mtc]), [Osc, Mtc, Ltc, MidiClock]);
    }
}
