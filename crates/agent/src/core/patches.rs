//! What a player sends to outboard devices, kept for the urgent lane: every message once, numbered, so that a gap shows.

use wire::Up;
use wire::message::{Exclusive, ExclusivePart, PatchMessage, PatchStream};

use super::MAX_MIDI_INPUTS;

/// Messages that may wait for one beat of each input; DIN brings about 5 between two beats. Those beyond are lost, and numbered.
const WAITING: usize = 4_096;
/// Messages in one frame: at most 25 bytes each.
const A_FRAME: usize = 512;
/// System exclusive messages that may wait for one beat; those beyond are lost, and counted.
const EXCLUSIVES: usize = 32;

/// Each input's messages.
#[derive(Default)]
pub(super) struct PatchLogs {
    logs: [PatchLog; MAX_MIDI_INPUTS],
}

#[derive(Default)]
struct PatchLog {
    /// The number of the first that waits.
    first: u64,
    waiting: Vec<PatchMessage>,
    lost: u64,
    /// How many of those that wait came before it, and what it is.
    exclusives: Vec<(usize, Exclusive)>,
}

impl PatchLogs {
    pub(super) fn push(&mut self, input: usize, message: PatchMessage) {
        let Some(log) = self.logs.get_mut(input) else { return };
        if log.waiting.len() < WAITING && log.lost == 0 {
            log.waiting.push(message);
        } else {
            log.lost += 1;
        }
    }

    /// Something of a system exclusive message.
    pub(super) fn push_exclusive(&mut self, input: usize, exclusive: Exclusive) {
        let Some(log) = self.logs.get_mut(input) else { return };
        let full = log.exclusives.len() >= EXCLUSIVES;
        match log.exclusives.last_mut() {
            // What has begun and ended since the last beat is told once.
            Some((before, last)) if last.part == ExclusivePart::Begun => {
                (*before, *last) = (log.waiting.len(), exclusive);
            }
            Some((_, last)) if full => match &mut last.part {
                ExclusivePart::Lost(n) => *n = n.saturating_add(1),
                part => *part = ExclusivePart::Lost(2),
            },
            _ => log.exclusives.push((log.waiting.len(), exclusive)),
        }
    }

    /// All that waits, in order.
    pub(super) fn take(&mut self) -> Vec<Up> {
        let mut all = Vec::new();
        for (input, log) in (0u8..).zip(&mut self.logs) {
            let mut from = 0;
            let ends = log.exclusives.drain(..).map(|(before, e)| (before, Some(Up::Exclusive(e))));
            for (to, then) in ends.chain([(log.waiting.len(), None)]) {
                for part in log.waiting.get(from..to).unwrap_or_default().chunks(A_FRAME) {
                    all.push(Up::Patches(PatchStream { input, first: log.first, messages: part.to_vec() }));
                    log.first += part.len() as u64;
                }
                from = to;
                all.extend(then);
            }
            log.waiting.clear();
            log.first += std::mem::take(&mut log.lost);
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn streams(logs: &mut PatchLogs) -> Vec<PatchStream> {
        let stream = |up| if let Up::Patches(s) = up { Some(s) } else { None };
        logs.take().into_iter().filter_map(stream).collect()
    }

    #[test]
    fn every_message_is_told_once_and_a_gap_shows() {
        let mut logs = PatchLogs::default();
        let message = |n: usize| PatchMessage { bytes: [0xB0, (n % 100) as u8, 0], ..PatchMessage::default() };
        (0..1_000).for_each(|n| logs.push(0, message(n)));
        let all = streams(&mut logs);
        assert_eq!(all.iter().map(|s| (s.first, s.messages.len())).collect::<Vec<_>>(), [(0, 512), (512, 488)]);
        assert!(all.iter().flat_map(|s| &s.messages).enumerate().all(|(n, m)| *m == message(n)));
        (0..WAITING + 7).for_each(|n| logs.push(0, message(n)));
        let kept: usize = streams(&mut logs).iter().map(|s| s.messages.len()).sum();
        assert_eq!(kept, WAITING);
        logs.push(0, message(0));
        assert_eq!(streams(&mut logs)[0].first, 1_000 + WAITING as u64 + 7, "seven are missing, and it can be seen");
    }

    #[test]
    fn a_system_exclusive_message_keeps_its_place_between_the_others() {
        let mut logs = PatchLogs::default();
        let exclusive = |part| Exclusive { input: 0, at: Default::default(), place: None, part };
        let whole = |n| ExclusivePart::Whole(vec![0xF0, n, 0xF7]);
        logs.push(0, PatchMessage::default());
        logs.push_exclusive(0, exclusive(ExclusivePart::Begun));
        logs.push_exclusive(0, exclusive(whole(1)));
        logs.push(0, PatchMessage::default());
        let all = logs.take();
        let order: Vec<_> = all.iter().map(|u| if let Up::Patches(s) = u { Some(s.first) } else { None }).collect();
        assert_eq!(order, [Some(0), None, Some(1)]);
        assert_eq!(all[1], Up::Exclusive(exclusive(whole(1))), "its beginning is not told any more");
        (0..40).for_each(|n| logs.push_exclusive(0, exclusive(whole(n))));
        let all = logs.take();
        assert_eq!((all.len(), all.last()), (32, Some(&Up::Exclusive(exclusive(ExclusivePart::Lost(9))))));
    }
}
