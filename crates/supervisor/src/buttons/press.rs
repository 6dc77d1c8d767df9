//! When a press counts: a pure machine of edges and time.
//!
//! Contacts bounce for some milliseconds (common practice, no source: up to 50), so letting go counts only when it has lasted.
//! A button acts once for each time it is pressed: one that is stuck, or that repeats its message while held, does nothing more.
//! Where something has to be deliberate the button must be held; one that cannot tell when it is let go must be pressed exactly
//! twice, which neither a stuck contact nor a message that repeats can imitate.

use base::{MonoTime, Span};

/// Shorter gaps are bounces.
pub const BOUNCE: Span = Span::from_millis(50);
/// Two taps closer than this belong together, and nothing may follow them for as long.
pub const TOGETHER: Span = Span::from_millis(500);
/// A tap that acts alone follows a pause of this length.
pub const PAUSE: Span = Span::from_secs(1);

/// How deliberate a press must be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Demand {
    /// A press acts at once.
    Once,
    /// Held for so long, or tapped exactly twice.
    Deliberate(Span),
}

/// What came from the button.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Edge {
    /// It was pressed.
    Down,
    /// It was let go.
    Up,
    /// It was pressed, and will not tell when it is let go.
    Tap,
}

/// One button's state.
#[derive(Clone, Debug)]
pub struct Press {
    demand: Demand,
    /// Pressed since.
    down: Option<MonoTime>,
    /// Let go then, unless that was a bounce.
    up: Option<MonoTime>,
    /// This press has acted.
    acted: bool,
    last_tap: Option<MonoTime>,
    taps: u8,
}

impl Press {
    /// A button that is not pressed.
    pub fn new(demand: Demand) -> Press {
        Press { demand, down: None, up: None, acted: false, last_tap: None, taps: 0 }
    }

    /// Something came from it; times must not go back. True: now it acts.
    pub fn on_edge(&mut self, edge: Edge, now: MonoTime) -> bool {
        let acts = self.on_time(now);
        acts | match edge {
            Edge::Down => self.on_down(now),
            Edge::Up => {
                if self.down.is_some() {
                    self.up.get_or_insert(now);
                }
                false
            }
            Edge::Tap => self.on_tap(now),
        }
    }

    fn on_down(&mut self, now: MonoTime) -> bool {
        self.up = None;
        if self.down.is_some() {
            return false;
        }
        self.down = Some(now);
        self.acted = self.demand == Demand::Once;
        self.acted
    }

    fn on_tap(&mut self, now: MonoTime) -> bool {
        let since = self.last_tap.replace(now).map(|t| now - t);
        match self.demand {
            Demand::Once => since.is_none_or(|s| s >= PAUSE),
            Demand::Deliberate(_) => {
                self.taps = match since {
                    Some(s) if s < BOUNCE => self.taps,
                    Some(s) if s < TOGETHER => self.taps.saturating_add(1),
                    _ => 1,
                };
                false
            }
        }
    }

    /// Time passed. True: now it acts.
    pub fn on_time(&mut self, now: MonoTime) -> bool {
        let mut acts = false;
        if let (Demand::Deliberate(hold), Some(down)) = (self.demand, self.down) {
            // What looks like letting go may be a bounce: until it is known the press neither counts nor is over.
            let known = self.up.is_none_or(|up| now - up >= BOUNCE);
            if known && !self.acted && self.up.unwrap_or(now) - down >= hold {
                self.acted = true;
                acts = true;
            }
        }
        if self.up.is_some_and(|up| now - up >= BOUNCE) {
            (self.down, self.up) = (None, None);
        }
        if self.taps > 0 && self.last_tap.is_some_and(|t| now - t >= TOGETHER) {
            acts |= self.taps == 2;
            self.taps = 0;
        }
        acts
    }

    /// When [`on_time`](Self::on_time) is wanted next.
    pub fn next_deadline(&self) -> Option<MonoTime> {
        let held = match (self.demand, self.down, self.up) {
            (_, Some(_), Some(up)) => Some(up + BOUNCE),
            (Demand::Deliberate(hold), Some(down), None) if !self.acted => Some(down + hold),
            _ => None,
        };
        let tapped = self.last_tap.filter(|_| self.taps > 0).map(|t| t + TOGETHER);
        [held, tapped].into_iter().flatten().min()
    }

    /// Its port is gone: whatever was begun is forgotten.
    pub fn on_lost(&mut self) {
        *self = Press::new(self.demand);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    const HOLD: Span = Span::from_millis(1_500);
    fn at(ms: i64) -> MonoTime {
        MonoTime::from_nanos(1_000_000_000) + Span::from_millis(ms)
    }

    /// Plays edges, with every deadline kept, until long after the last: when it acted.
    fn play(demand: Demand, edges: &[(i64, Edge)]) -> Vec<i64> {
        let mut press = Press::new(demand);
        let mut acted = Vec::new();
        let ms = |t: MonoTime| (t - at(0)).nanos() / 1_000_000;
        let end = edges.last().map_or(0, |e| e.0) + 10_000;
        let mut run = |press: &mut Press, until: i64| {
            while let Some(d) = press.next_deadline().filter(|d| ms(*d) <= until) {
                if press.on_time(d) {
                    acted.push(ms(d));
                }
            }
        };
        let mut hits = Vec::new();
        for (t, e) in edges {
            run(&mut press, *t);
            if press.on_edge(*e, at(*t)) {
                hits.push(*t);
            }
        }
        run(&mut press, end);
        acted.extend(hits);
        acted.sort_unstable();
        acted
    }

    /// A second reckoning of "held long enough": the whole list at once, gaps below a bounce closed.
    fn held(edges: &[(i64, Edge)]) -> usize {
        let mut spans: Vec<(i64, Option<i64>)> = Vec::new();
        for (t, e) in edges {
            match (e, spans.last_mut()) {
                (Edge::Down, Some((_, up))) if up.is_none_or(|u| t - u < 50) => *up = None,
                (Edge::Down, _) => spans.push((*t, None)),
                (Edge::Up, Some((_, up))) => _ = up.get_or_insert(*t),
                _ => {}
            }
        }
        spans.iter().filter(|(d, u)| u.is_none_or(|u| u - d >= 1_500)).count()
    }

    /// Likewise for taps: bounces left out, split at long pauses, groups of exactly two.
    fn doubles(times: &[i64]) -> usize {
        let mut groups: Vec<usize> = Vec::new();
        for (i, t) in times.iter().enumerate() {
            match i.checked_sub(1).map(|p| t - times[p]) {
                Some(gap) if gap < 50 => {}
                Some(gap) if gap < 500 => *groups.last_mut().unwrap() += 1,
                _ => groups.push(1),
            }
        }
        groups.iter().filter(|n| **n == 2).count()
    }

    fn times(gaps: Vec<(i64, bool)>) -> Vec<(i64, Edge)> {
        let mut t = 0;
        let edge = |(gap, down)| {
            t += gap;
            (t, if down { Edge::Down } else { Edge::Up })
        };
        gaps.into_iter().map(edge).collect()
    }

    proptest! {
        #[test]
        fn a_hold_acts_once_and_only_when_held(gaps in prop::collection::vec((prop_oneof![1i64..60, 1i64..3_000], any::<bool>()), 0..40)) {
            let edges = times(gaps);
            prop_assert_eq!(play(Demand::Deliberate(HOLD), &edges).len(), held(&edges), "{:?}", edges);
        }

        #[test]
        fn exactly_two_taps_act(gaps in prop::collection::vec(prop_oneof![1i64..60, 1i64..1_200], 0..40)) {
            let mut t = 0;
            let taps: Vec<i64> = gaps.into_iter().map(|g| { t += g; t }).collect();
            let edges: Vec<_> = taps.iter().map(|t| (*t, Edge::Tap)).collect();
            prop_assert_eq!(play(Demand::Deliberate(HOLD), &edges).len(), doubles(&taps), "{:?}", taps);
        }

        /// A message that repeats for ever, at any pace a device repeats at, never forces anything.
        #[test]
        fn what_repeats_by_itself_forces_nothing(period in 1i64..490, n in 3usize..200) {
            let edges: Vec<_> = (0..n as i64).map(|i| (i * period, Edge::Tap)).collect();
            let counted = period >= 50;
            prop_assert!(!counted || play(Demand::Deliberate(HOLD), &edges).is_empty());
            prop_assert_eq!(play(Demand::Once, &edges).len(), 1);
        }

        #[test]
        fn a_stuck_button_acts_once(gaps in prop::collection::vec(1i64..5_000, 1..50)) {
            let edges = times(gaps.into_iter().map(|g| (g, true)).collect());
            prop_assert_eq!(play(Demand::Deliberate(HOLD), &edges).len(), 1);
            prop_assert_eq!(play(Demand::Once, &edges).len(), 1);
        }
    }

    #[test]
    fn a_hold_acts_when_its_time_is_up_and_a_bounce_does_not_begin_it_anew() {
        let edges = [
            (0, Edge::Down),
            (3, Edge::Up),
            (6, Edge::Down),
            (1_700, Edge::Up),
            (1_702, Edge::Down),
            (1_705, Edge::Up),
        ];
        assert_eq!(play(Demand::Deliberate(HOLD), &edges), [1_500]);
        assert_eq!(play(Demand::Once, &edges), [0]);
        assert_eq!(play(Demand::Deliberate(HOLD), &[(0, Edge::Down), (1_400, Edge::Up)]), [] as [i64; 0]);
        assert_eq!(play(Demand::Deliberate(HOLD), &[(0, Edge::Tap), (200, Edge::Tap)]), [700]);
    }

    #[test]
    fn what_was_begun_before_a_port_went_is_forgotten() {
        let mut p = Press::new(Demand::Deliberate(HOLD));
        assert!(!p.on_edge(Edge::Down, at(0)));
        p.on_lost();
        assert_eq!(p.next_deadline(), None);
        assert!(!p.on_time(at(5_000)));
    }
}
