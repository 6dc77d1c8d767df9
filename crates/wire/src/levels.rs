//! Levels as a beat carries them: hundredths of a decibel in sixteen bits.

use base::Dbfs;
use serde::{Deserialize, Serialize};

/// A level in hundredths of a decibel relative to full scale. The lowest value stands for digital silence.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct CentiDbfs(pub i16);

impl CentiDbfs {
    /// Nothing but digital zeros.
    pub const SILENCE: CentiDbfs = CentiDbfs(i16::MIN);
}

impl Default for CentiDbfs {
    fn default() -> CentiDbfs {
        CentiDbfs::SILENCE
    }
}

impl From<Dbfs> for CentiDbfs {
    /// Rounds to the nearest hundredth; clamps to the range; not-a-number becomes the loudest value, since it must not
    /// pass for silence.
    fn from(level: Dbfs) -> CentiDbfs {
        if level.0.is_nan() {
            return CentiDbfs(i16::MAX);
        }
        if level.0 == f64::NEG_INFINITY {
            return CentiDbfs::SILENCE;
        }
        let lowest = f64::from(i16::MIN + 1);
        CentiDbfs((level.0 * 100.0).round().clamp(lowest, f64::from(i16::MAX)) as i16)
    }
}

impl From<CentiDbfs> for Dbfs {
    fn from(level: CentiDbfs) -> Dbfs {
        if level == CentiDbfs::SILENCE { Dbfs::SILENCE } else { Dbfs(f64::from(level.0) / 100.0) }
    }
}

/// What is known of the steady tone that proves that a player's audio engine runs.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub enum Pilot {
    /// No tone is expected on this channel.
    #[default]
    NotExpected,
    /// It is expected and there.
    Present,
    /// It is expected and not there.
    Absent,
}

/// One audio channel since the last beat.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub struct ChannelLevel {
    /// Highest sample.
    pub peak: CentiDbfs,
    /// Root of the mean square (a full-scale sine reads -3.01 dBFS).
    pub rms: CentiDbfs,
    /// The pilot tone.
    pub pilot: Pilot,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_survive_the_trip_and_nan_never_reads_as_silence() {
        for db in [0.0, -0.01, -3.01, -96.33, 12.0] {
            assert!((Dbfs::from(CentiDbfs::from(Dbfs(db))).0 - db).abs() < 0.005_001, "{db}");
        }
        assert_eq!(Dbfs::from(CentiDbfs::from(Dbfs::SILENCE)), Dbfs::SILENCE);
        assert_eq!(CentiDbfs::from(Dbfs(-5_000.0)), CentiDbfs(i16::MIN + 1));
        assert_eq!(CentiDbfs::from(Dbfs(f64::NAN)), CentiDbfs(i16::MAX));
    }
}
