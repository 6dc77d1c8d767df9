//! What a player sends to outboard devices, kept for the urgent lane: every message once, numbered, so that a gap shows.

use wire::message::{PatchMessage, PatchStream};

use super::MAX_MIDI_INPUTS;

/// Messages that may wait for one beat of each input; DIN brings about 5 between two beats. Those beyond are lost, and numbered.
const WAITING: usize = 4_096;
/// Messages in one frame: at most 25 bytes each.
const A_FRAME: usize = 512;

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

    pub(super) fn take(&mut self) -> Vec<PatchStream> {
        let mut all = Vec::new();
        for (input, log) in (0u8..).zip(&mut self.logs) {
            for part in log.waiting.chunks(A_FRAME) {
                all.push(PatchStream { input, first: log.first, messages: part.to_vec() });
                log.first += part.len() as u64;
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

    #[test]
    fn every_message_is_told_once_and_a_gap_shows() {
        let mut logs = PatchLogs::default();
        let message = |n: usize| PatchMessage { bytes: [0xB0, (n % 100) as u8, 0], ..PatchMessage::default() };
        (0..1_000).for_each(|n| logs.push(0, message(n)));
        let all = logs.take();
        assert_eq!(all.iter().map(|s| (s.first, s.messages.len())).collect::<Vec<_>>(), [(0, 512), (512, 488)]);
        assert!(all.iter().flat_map(|s| &s.messages).enumerate().all(|(n, m)| *m == message(n)));
        (0..WAITING + 7).for_each(|n| logs.push(0, message(n)));
        let kept: usize = logs.take().iter().map(|s| s.messages.len()).sum();
        assert_eq!(kept, WAITING);
        logs.push(0, message(0));
        assert_eq!(logs.take()[0].first, 1_000 + WAITING as u64 + 7, "seven are missing, and it can be seen");
    }
}
