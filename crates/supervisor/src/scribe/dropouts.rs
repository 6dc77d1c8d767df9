//! Dropouts: beats count them, the agent's urgent lane tells of each. Whatever way is cut, each stands in the record once.

use std::collections::VecDeque;

use base::{Machine, MonoTime, Span};
use showlog::{EventKind, detail};
use watch::WatchView;
use wire::message::Lost;

use super::{Scribe, event};
use crate::page::MarkKind;
use crate::snapshot::Tone;

/// For this long what a beat counted waits for the agent's words.
const WAITS: Span = Span::from_secs(2);

/// What is known of one machine's dropouts.
#[derive(Default)]
pub struct DropoutBook {
    /// The beats' count as it was seen last.
    counted: Option<u16>,
    /// Dropouts that were counted and not told of: when, and how many.
    untold: VecDeque<(MonoTime, u16)>,
    /// Dropouts that were told of before a beat counted them.
    early: u16,
}

impl DropoutBook {
    fn on_count(&mut self, count: u16, now: MonoTime) {
        let more = self.counted.replace(count).map_or(0, |c| count.wrapping_sub(c));
        // A count that went back, or far ahead, is another agent's.
        if more >= 1_000 {
            self.early = 0;
            return;
        }
        let known = more.min(self.early);
        self.early -= known;
        if more > known {
            self.untold.push_back((now, more - known));
        }
    }

    fn on_told(&mut self) {
        match self.untold.front_mut() {
            Some((_, 1)) => _ = self.untold.pop_front(),
            Some((_, n)) => *n -= 1,
            None => self.early = self.early.saturating_add(1),
        }
    }

    /// Those that nobody told of in time.
    fn overdue(&mut self, now: MonoTime) -> Option<(MonoTime, u16)> {
        self.untold.pop_front_if(|(at, _)| now - *at > WAITS)
    }
}

impl Scribe {
    /// What beats counted and nobody told of.
    pub(super) fn look_for_dropouts(&mut self, view: &WatchView) {
        for (m, f) in Machine::first(view.machines.len()).zip(&view.machines) {
            let Some(book) = self.state.dropouts.get_mut(m.index()) else { continue };
            if let Some(beat) = &f.beat {
                book.on_count(beat.dropouts, view.now);
            }
            while let Some((at, n)) = self.state.dropouts[m.index()].overdue(view.now) {
                let text = format!("{m} lost sound: {n} {}.", if n == 1 { "dropout" } else { "dropouts" });
                self.lost(m, at, Span::ZERO, Vec::new(), text);
            }
        }
    }

    /// An agent tells of one.
    pub(super) fn on_dropout(&mut self, m: Machine, at: MonoTime, length: Span, what: Lost, channels: u64) {
        let Some(book) = self.state.dropouts.get_mut(m.index()) else { return };
        book.on_told();
        let numbers: Vec<u16> = (0..64).filter(|c| channels >> c & 1 == 1).map(|c| c + 1).collect();
        let names = self.state.channels.get(&m.into()).map_or(&[][..], Vec::as_slice);
        let text = say(m, length, what, &numbers, names);
        self.lost(m, at, length, numbers, text);
    }

    fn lost(&mut self, m: Machine, at: MonoTime, length: Span, channels: Vec<u16>, text: String) {
        let d = detail::Dropout { length, channels };
        self.write(event(at, EventKind::Dropout, "dropout", text.clone()).about(m).with(&d), Tone::Neutral, None);
        self.mark(at, MarkKind::Dropout, Some(m), text);
    }
}

fn say(m: Machine, length: Span, what: Lost, channels: &[u16], names: &[String]) -> String {
    let name = |c: &u16| match names.get(usize::from(*c - 1)).filter(|n| !n.is_empty()) {
        Some(n) => format!("`{n}`"),
        None => format!("channel {c}"),
    };
    let all: Vec<String> = channels.iter().map(name).collect();
    let on = match all.as_slice() {
        [] => "all channels".into(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    };
    let long = format!("{:.1} ms", length.millis_f64());
    match what {
        Lost::Zeros => format!("{m} lost sound: {long} of zeros on {on}."),
        Lost::Repeat => format!("{m} lost sound: a block of {long} played again on {on}."),
        Lost::Jump if length == Span::ZERO => format!("{m} lost sound: something is missing on {on}."),
        Lost::Jump => format!("{m} lost sound: {long} of something else on {on}."),
        Lost::Gap => format!("{m} lost sound: nothing came for {long} on {on}."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn t(ms: i64) -> MonoTime {
        MonoTime::from_nanos(1_000_000_000) + Span::from_millis(ms)
    }

    #[test]
    fn each_dropout_is_told_once_whichever_way_comes_first() {
        let mut book = DropoutBook::default();
        book.on_count(7, t(0));
        assert_eq!(book.overdue(t(9_000)), None, "what was before we came");
        // Counted, then told.
        book.on_count(9, t(10));
        book.on_told();
        book.on_told();
        assert_eq!(book.overdue(t(9_000)), None);
        // Told, then counted.
        book.on_told();
        book.on_count(10, t(20));
        assert_eq!(book.overdue(t(9_000)), None);
        // Counted, and one of two never told.
        book.on_count(12, t(30));
        book.on_told();
        assert_eq!(book.overdue(t(1_000)), None);
        assert_eq!(book.overdue(t(2_100)), Some((t(30), 1)));
        // Another agent counts from the start.
        book.on_count(0, t(40));
        assert_eq!(book.overdue(t(9_000)), None);
    }

    #[test]
    fn what_is_lost_is_said_with_its_channels() {
        let names = ["keys".to_owned(), "bass".to_owned(), String::new()];
        let said = |what, ms, channels: &[u16]| say(Machine::A, Span::from_millis(ms), what, channels, &names);
        assert_eq!(said(Lost::Zeros, 5, &[1, 2]), "A lost sound: 5.0 ms of zeros on `keys` and `bass`.");
        assert_eq!(said(Lost::Repeat, 3, &[3]), "A lost sound: a block of 3.0 ms played again on channel 3.");
        assert_eq!(said(Lost::Gap, 11, &[]), "A lost sound: nothing came for 11.0 ms on all channels.");
        assert_eq!(said(Lost::Jump, 0, &[1]), "A lost sound: something is missing on `keys`.");
    }
}
