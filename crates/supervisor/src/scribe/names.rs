//! What the rig is called, for sentences.

use base::{Hertz, Machine, Span};
use settings::{RigFile, ShowFile};
use timecode::songs::SongMap;

/// Names and numbers that do not change while the supervisor runs.
pub struct Facts {
    /// The rig file.
    pub rig: RigFile,
    /// The show file, if there is one.
    pub show: Option<ShowFile>,
    /// Each song's start, in the show file's order.
    pub starts: Vec<Span>,
    /// The songs as timecode knows them, with their tempo maps.
    pub songs: SongMap,
}

impl Facts {
    /// From the files.
    pub fn new(rig: RigFile, show: Option<ShowFile>, songs: SongMap) -> Facts {
        let starts = songs.songs().iter().map(|s| s.start.since_midnight()).collect();
        Facts { rig, show, starts, songs }
    }

    /// The show's title, or the rig's name.
    pub fn title(&self) -> String {
        self.show.as_ref().map_or_else(|| self.rig.name.clone(), |s| s.title.clone())
    }

    /// A machine's name.
    pub fn machine(&self, m: Machine) -> String {
        self.rig.machines.get(m.index()).map_or_else(|| m.to_string(), |e| e.name.clone())
    }

    /// The song with this number, from 1.
    pub fn song(&self, number: u16) -> Option<&settings::show::Song> {
        self.show.as_ref()?.songs.get(usize::from(number).checked_sub(1)?)
    }

    /// Of each song, whether it is listed and not played unless it is added.
    pub fn spare(&self) -> Vec<bool> {
        self.show.iter().flat_map(|s| &s.songs).map(|s| s.spare).collect()
    }

    /// The rate that samples are told in.
    pub fn sample_rate(&self) -> Hertz {
        Hertz(48_000.0)
    }
}

/// Names for the judge's sentences.
pub struct RigNames<'a>(pub &'a Facts);

impl rig::Names for RigNames<'_> {
    fn song(&self, number: u16) -> String {
        self.0.song(number).map_or_else(|| "no listed song".into(), |s| s.name.clone())
    }
    fn section(&self, song: u16, section: u16) -> String {
        let named = self.0.song(song).and_then(|s| s.sections.get(usize::from(section).checked_sub(1)?));
        named.map_or_else(|| "no named section".into(), |s| s.name.clone())
    }
    fn device(&self, number: u8) -> String {
        let named = self.0.show.as_ref().and_then(|s| s.devices.get(usize::from(number)));
        named.map_or_else(|| "a device".into(), |d| d.name.clone())
    }
}
