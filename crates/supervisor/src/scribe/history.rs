//! The offsets of the last minutes, for the picture on the page.

use std::collections::VecDeque;

use base::{Machine, Millis, MonoTime, Span};
use watch::WatchView;

use crate::page::{History, HistoryLine, HistoryPoint, HistoryWindow, Mark, MarkKind};

/// Ten minutes at ten a second.
const LONG: usize = 6_000;
/// Twelve seconds at fifty a second.
const SHORT: usize = 600;

/// One point of every line.
#[derive(Clone, Copy)]
struct Row {
    at: MonoTime,
    offsets: [Option<(Span, Span)>; base::ids::MAX_MACHINES],
}

/// See the module.
#[derive(Default)]
pub struct HistoryBook {
    machines: usize,
    short: VecDeque<Row>,
    long: VecDeque<Row>,
    marks: VecDeque<Mark>,
    song_began: Option<MonoTime>,
}

impl HistoryBook {
    /// Takes in the newest figures.
    pub fn on_view(&mut self, view: &WatchView) {
        if self.short.back().is_some_and(|r| view.now - r.at < Span::from_millis(18)) {
            return;
        }
        self.machines = view.machines.len();
        let mut row = Row { at: view.now, offsets: Default::default() };
        for (i, m) in view.machines.iter().enumerate() {
            row.offsets[i] = m.offset.filter(|o| view.now - o.2 < Span::from_millis(500)).map(|o| {
                let value = m.offset_fit.map_or(o.0, |f| f.offset);
                (value, o.1)
            });
        }
        push(&mut self.short, row, SHORT);
        if self.long.back().is_none_or(|r| view.now - r.at >= Span::from_millis(95)) {
            push(&mut self.long, row, LONG);
        }
    }

    /// A mark on the picture. A song's start begins the window "song".
    pub fn mark(&mut self, mark: Mark) {
        if mark.kind == MarkKind::SongStart {
            self.song_began = Some(mark.at);
        }
        push(&mut self.marks, mark, 500);
    }

    /// The lines of a window.
    pub fn lines(&self, window: HistoryWindow, now: MonoTime) -> History {
        let from = match window.length() {
            Some(l) => now - l,
            None => self.song_began.unwrap_or(now - Span::from_secs(300)),
        };
        let rows = if window == HistoryWindow::TenSeconds { &self.short } else { &self.long };
        let line = |m: Machine| HistoryLine {
            against: m.into(),
            points: rows
                .iter()
                .filter(|r| r.at >= from)
                .map(|r| {
                    let o = r.offsets[m.index()];
                    HistoryPoint { at: r.at, value: o.map(|o| Millis::from(o.0)), bound: o.map(|o| Millis::from(o.1)) }
                })
                .collect(),
        };
        History {
            now,
            from,
            lines: Machine::first(self.machines).skip(1).map(line).collect(),
            marks: self.marks.iter().filter(|m| m.at >= from).cloned().collect(),
        }
    }
}

fn push<T>(list: &mut VecDeque<T>, item: T, most: usize) {
    if list.len() == most {
        list.pop_front();
    }
    list.push_back(item);
}
