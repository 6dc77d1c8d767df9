//! Simulated playback machines, network and faults, in virtual and in real time.

pub mod os;
pub mod relay;
pub mod seed;
pub mod show;
pub mod weather;
