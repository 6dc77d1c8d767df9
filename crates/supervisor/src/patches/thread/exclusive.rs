//! System exclusive messages: kept, compared, and played on like the others. They have no channel: the input tells whose they are.

use base::{Machine, Span};
use ports::os::mono_now;
use settings::devices::Gate;
use watch::patches::{Exclusive, Heard};
use wire::message::ExclusivePart;

use super::{Patches, Where};

/// What sets up a song may be sent so long before its start. Common practice, no source.
const BEFORE: Span = Span::from_secs(2);

impl Patches {
    pub(super) fn on_exclusive(&mut self, m: Machine, e: &wire::Exclusive) {
        if !self.devices.iter().any(|d| d.takes_exclusive(m, e.input)) {
            return;
        }
        let begun = e.part == ExclusivePart::Begun;
        let its = |d: &&mut super::One| d.takes_exclusive(m, e.input);
        self.devices.iter_mut().filter(its).for_each(|d| d.inside[m.index()] = begun);
        match &e.part {
            ExclusivePart::Begun => {}
            ExclusivePart::Whole(bytes) => self.on_whole(m, e, bytes),
            ExclusivePart::TooLong(n) => self.said(
                "patch-sysex-long",
                format!("{m} sent a system exclusive message of {n} bytes: more than 4,096 are not kept, so that it is neither compared nor sent again."),
            ),
            ExclusivePart::Cut => self.said(
                "patch-sysex-cut",
                format!("{m} began a system exclusive message and did not end it."),
            ),
            ExclusivePart::Lost(n) => {
                self.on_exclusives_lost(m);
                self.said("patch-gap", format!("{m}: {n} system exclusive messages came too fast and did not reach us."));
            }
        }
    }

    fn on_whole(&mut self, m: Machine, e: &wire::Exclusive, bytes: &[u8]) {
        let Some(message) = Exclusive::new(bytes) else { return };
        let at = self.is(m).clock.map_or_else(mono_now, |c| e.at.to_local(c));
        for d in self.devices.iter_mut().filter(|d| d.takes_exclusive(m, e.input)) {
            d.on_exclusive(m, self.on_air, &message, at);
            if let (Gate::Supervisor, true, Some(sender)) = (d.device.gate, self.on_air == Some(m), &d.sender) {
                sender.play_on(bytes.to_vec());
            }
        }
        let event = self.exclusives.event(&message);
        if let Some(place) = e.place {
            self.compare(m, Heard { at, place, event });
        }
    }

    /// Some of a machine's did not reach us: nothing is sure, and what waits for its twin is not judged.
    pub(super) fn on_exclusives_lost(&mut self, m: Machine) {
        self.gap[m.index()] = true;
        self.comparers.iter_mut().for_each(|c| c.on_break(self.here.now));
    }

    /// A machine that began another song: what it sent before is not in force any more.
    pub(super) fn forget_exclusives(&mut self, v: &Where) {
        for (i, (was, is)) in self.here.machines.iter().zip(&v.machines).enumerate() {
            if is.song == 0 || was.song == is.song {
                continue;
            }
            let began = v.now - is.in_song - BEFORE;
            self.devices.iter_mut().for_each(|d| d.said[i].exclusives.forget_before(began));
        }
    }
}
