//! Whom the supervisor's own inputs hear, where no agent runs on the machines: one listener a machine, in this process, which talks with
//! us as an agent does, so that there is one way of measuring.

use std::net::SocketAddr;
use std::path::PathBuf;

use base::{MachineId, RigId, Span};
use settings::RigFile;
use settings::agent::{Source, Trigger};
use settings::rig::MachineEntry;
use wire::{PublicKey, SecretKey};

use crate::StartError;

/// What a listener is told. Its keys live as long as this process.
pub struct Listener {
    /// The machine that it hears.
    pub id: MachineId,
    /// What people call that.
    pub name: String,
    /// The rig.
    pub rig: RigId,
    /// Its own key.
    pub secret: SecretKey,
    /// Ours.
    pub supervisor: PublicKey,
    /// Where its beats go.
    pub path: SocketAddr,
    /// Where its lanes connect.
    pub lanes: SocketAddr,
    /// Time between two beats.
    pub beat: Span,
    /// By what it hears the machine.
    pub sources: Vec<Source>,
    /// Where each one's channels are named.
    pub channels_at: Vec<String>,
    /// What commands the players.
    pub triggers: Vec<Trigger>,
    /// Paths in the sources are relative to this folder.
    pub dir: PathBuf,
}

impl Listener {
    /// The listener to one machine of a rig.
    pub(crate) fn new(
        m: &MachineEntry,
        secret: SecretKey,
        me: &SecretKey,
        rig: &RigFile,
        dir: PathBuf,
    ) -> Result<Listener, StartError> {
        let supervisor = me.public().ok_or_else(|| StartError::Listen("the supervisor's key is no key".into()))?;
        let path = *rig.listen.paths.first().unwrap_or(&rig.listen.lanes);
        let mut sources = m.sources.clone();
        for pilot in sources.iter_mut().filter_map(Source::pilot_mut) {
            *pilot = pilot.or(m.pilot);
        }
        Ok(Listener {
            id: m.id,
            name: m.name.clone(),
            rig: rig.rig_id,
            secret,
            supervisor,
            path,
            lanes: rig.listen.lanes,
            beat: Span::from_millis(5),
            sources,
            channels_at: Vec::new(),
            triggers: m.triggers.clone(),
            dir,
        })
    }
}
