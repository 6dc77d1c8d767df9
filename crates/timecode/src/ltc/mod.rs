//! Linear timecode: SMPTE timecode carried as an audio signal (SMPTE ST 12-1).
