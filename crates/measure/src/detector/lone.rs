//! What is still to be trusted while only one of several paths brings beats.
//!
//! Two paths that lose beats independently lose one together rarely, and the margin that is learnt from the beats of both is short.
//! It holds only while both bring beats: when one has fallen quiet (a burst of loss, a pulled plug), the news hangs on the other's luck
//! alone, and the margin must be what that path would need by itself. So each path learns a margin of its own beside the common one.
//!
//! A path is quiet once it has missed [`QUIET`] beats that another one brought. Until then the common margin stands: from two lost
//! beats nobody can tell a burst. A machine that dies while a path happens to be quiet is found that much later; with 5 % of
//! independent loss this is one death in four thousand.

use base::{MonoTime, Span};

use super::margin::{Margin, MarginConfig};

/// So many missed beats make a path quiet.
const QUIET: u64 = 3;
/// More paths than this are taken for the last one.
const MAX_PATHS: usize = 2;

/// The paths by themselves.
#[derive(Clone, Debug)]
pub(super) struct LonePaths([Lone; MAX_PATHS]);

#[derive(Clone, Debug)]
struct Lone {
    /// The newest beat that it brought, and when the one after is due.
    newest: Option<(u64, MonoTime)>,
    margin: Margin,
}

impl LonePaths {
    pub fn new(interval: Span, config: MarginConfig) -> LonePaths {
        LonePaths(std::array::from_fn(|_| Lone { newest: None, margin: Margin::new(interval, config) }))
    }

    /// A beat came on a path; the next is due at `next_due`. Of a new sender's first beat nothing is learnt.
    pub fn on_beat(
        &mut self,
        path: usize,
        seq: u64,
        arrived: MonoTime,
        next_due: MonoTime,
        excused: Span,
        learn: bool,
    ) {
        let lone = &mut self.0[path.min(MAX_PATHS - 1)];
        if lone.newest.is_some_and(|(newest, _)| seq <= newest) {
            return;
        }
        if let Some((newest, due)) = lone.newest
            && learn
        {
            lone.margin.on_arrival(seq - newest - 1, arrived - due - excused);
        }
        lone.newest = Some((seq, next_due));
    }

    /// The margin of the only path that is not quiet, if there are several and all others are.
    pub fn only(&self, newest: u64) -> Option<Span> {
        let mut seen = self.0.iter().filter_map(|l| l.newest.map(|(seq, _)| (newest.saturating_sub(seq) < QUIET, l)));
        let (mut only, mut quiet) = (None, false);
        for (alive, lone) in &mut seen {
            match (alive, only) {
                (false, _) => quiet = true,
                (true, None) => only = Some(lone.margin.now()),
                (true, Some(_)) => return None,
            }
        }
        only.filter(|_| quiet)
    }
}
