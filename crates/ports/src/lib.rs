//! MIDI ports and audio devices behind one small face.

pub mod os;
