//! The demo: a whole rig of real processes on this computer, with the real decoders in the path, and everything that can break
//! in it.
//!
//! `layout` makes keys and configuration, `network` is what lies between the parts, `children` holds the processes, `rig` puts them together and breaks them, `headless`
//! plays a scenario and measures what came of it, `panel` lets a person do it.

mod children;
mod conductor;
mod headless;
mod layout;
mod network;
mod outboard;
mod outcome;
mod panel;
mod rig;
mod tail;

use std::path::PathBuf;

pub use headless::{run_headless, run_headless_over};
pub use network::{Loopback, Network};
pub use outcome::Summary;
pub use panel::run_interactive;
pub use rig::DemoRig;

use crate::scenario::Scenario;

/// What is to be played, and where it is written.
#[derive(Clone, Debug)]
pub struct DemoConfig {
    /// The program itself: it is started again for each part.
    pub program: PathBuf,
    /// Everything is written below this folder.
    pub out: PathBuf,
    /// The seed of the show and of all jitter.
    pub seed: u64,
    /// The rig, and what happens.
    pub scenario: Scenario,
    /// The page's port; none: any that is free.
    pub page_port: Option<u16>,
}

/// Why the demo could not be played.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// A file, socket or process.
    #[error("{0}: {1}")]
    System(String, std::io::Error),
    /// A part did not come up.
    #[error("{0}")]
    Part(String),
}

impl DemoError {
    /// An error about something.
    fn of(what: impl std::fmt::Display) -> impl FnOnce(std::io::Error) -> DemoError {
        let what = what.to_string();
        move |e| DemoError::System(what, e)
    }
}
