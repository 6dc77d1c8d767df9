//! Simulated playback machines, network and faults, in virtual and in real time.

pub mod demo;
pub mod engine;
pub mod feed_in;
pub mod feed_link;
mod filler;
pub mod house;
pub mod interface;
pub mod os;
pub mod player;
pub mod relay;
pub mod scenario;
pub mod score;
pub mod seed;
pub mod show;
pub mod switch;
pub mod synth;
pub mod virtual_rig;
pub mod weather;
