//! By which figures the check judges. Where no source is named a default is common practice without a source.

use base::{Db, Ppm, Span};

/// See the module. Limits of the show (`in_step`) come from the rig's settings.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Limits {
    /// A machine's clock must be known to this (1 ms: a twentieth of what a changeover may jump).
    pub clock_bound: Span,
    /// Two machines this close may change over: the rig's own limit (20 ms).
    pub in_step: Span,
    /// An offset or start skew worth a word: free-running rigs start 5 to 15 ms apart.
    pub skew_warn: Span,
    /// A drift worth a word: two crystals of ±25 ppm.
    pub drift_warn: Ppm,
    /// A song is this long where the show file lists none.
    pub longest_song: Span,
    /// Levels of a channel may differ by this.
    pub level: Db,
    /// The sound may lag behind the code by this.
    pub lag: Span,
    /// Less free space fails; the agent's own limit (2 GiB) ...
    pub disk_fail: u64,
    /// ... and less than this is worth a word (10 GB: a show with its excerpts and a system update).
    pub disk_warn: u64,
    /// Less free memory fails (256 MiB) ...
    pub memory_fail: u64,
    /// ... and less than this is worth a word (1 GiB).
    pub memory_warn: u64,
    /// A processor busier than this leaves little headroom, in thousandths.
    pub cpu_warn: u16,
    /// Hotter than this, in tenths of a degree Celsius: processors slow down soon.
    pub hot_tenths: i16,
    /// The switch must confirm within this: the rig's own limit (100 ms).
    pub confirm: Span,
    /// A hole at the changeover that is worth a word ...
    pub gap_warn: Span,
    /// ... and one that is too long.
    pub gap_fail: Span,
    /// The trigger may reach the machines this far apart.
    pub trigger: Span,
    /// More dropouts than this in the passage fail; any is worth a word.
    pub dropouts: u32,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            clock_bound: Span::from_millis(1),
            in_step: Span::from_millis(20),
            skew_warn: Span::from_millis(15),
            drift_warn: Ppm(50.0),
            longest_song: Span::from_secs(300),
            level: Db(3.0),
            lag: Span::from_millis(5),
            disk_fail: 2 << 30,
            disk_warn: 10_000_000_000,
            memory_fail: 256 << 20,
            memory_warn: 1 << 30,
            cpu_warn: 800,
            hot_tenths: 900,
            confirm: Span::from_millis(100),
            gap_warn: Span::from_millis(10),
            gap_fail: Span::from_millis(50),
            trigger: Span::from_millis(10),
            dropouts: 5,
        }
    }
}
