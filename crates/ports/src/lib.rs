//! MIDI ports and audio devices behind one small face.

pub mod local;
pub mod os;
