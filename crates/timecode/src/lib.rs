//! Position codes: SMPTE timecode, MTC, LTC, MIDI clock, Standard MIDI Files, OSC position messages.
