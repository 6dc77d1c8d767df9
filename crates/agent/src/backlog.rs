//! What waits for the supervisor while it is away: so much and no more. The oldest go first, since what is newest is what is in force, and
//! what went is counted and told when the supervisor is back.

use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Duration;

use wire::Up;

/// Messages that wait at most; a frame of patches, up to 512 of them, is one. At 200 frames a second these are 20 s of the densest
/// stream, and hours of a show's.
const MOST: usize = 4_096;

/// See the module.
pub struct Backlog {
    news: Receiver<Up>,
    waiting: VecDeque<Up>,
    patches: u64,
    others: u64,
}

impl Backlog {
    /// What is told comes from here.
    pub fn new(news: Receiver<Up>) -> Backlog {
        Backlog { news, waiting: VecDeque::new(), patches: 0, others: 0 }
    }

    /// Nobody takes anything at the moment: what has come is kept, as far as there is room.
    pub fn keep(&mut self) {
        while let Ok(up) = self.news.try_recv() {
            if self.waiting.len() == MOST {
                match self.waiting.pop_front() {
                    Some(Up::Patches(p)) => self.patches += p.messages.len() as u64,
                    Some(Up::Exclusive(_)) => self.patches += 1,
                    Some(_) => self.others += 1,
                    None => {}
                }
            }
            self.waiting.push_back(up);
        }
    }

    /// The next to be told; first of all, what was let go.
    ///
    /// # Errors
    /// Nothing came in that time, or nothing will come any more.
    pub fn next(&mut self, patience: Duration) -> Result<Up, RecvTimeoutError> {
        if self.patches + self.others > 0 {
            let (patches, others) = (std::mem::take(&mut self.patches), std::mem::take(&mut self.others));
            return Ok(Up::LetGo { patches, others });
        }
        match self.waiting.pop_front() {
            Some(up) => Ok(up),
            None => self.news.recv_timeout(patience),
        }
    }

    /// It could not be told after all.
    pub fn back(&mut self, up: Up) {
        match up {
            Up::LetGo { patches, others } => {
                self.patches += patches;
                self.others += others;
            }
            up => self.waiting.push_front(up),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;
    use wire::message::{PatchMessage, PatchStream};

    #[test]
    fn the_newest_are_kept_and_what_went_is_told_first() {
        let (to, news) = std::sync::mpsc::channel();
        let mut b = Backlog::new(news);
        let stream =
            |first: u64| Up::Patches(PatchStream { input: 0, first, messages: vec![PatchMessage::default(); 3] });
        to.send(Up::PlayerGone { at: base::RemoteTime::of_sender(base::MonoTime::ZERO) }).unwrap();
        (0..MOST as u64 + 9).for_each(|n| to.send(stream(3 * n)).unwrap());
        b.keep();
        let told = b.next(Duration::ZERO).unwrap();
        assert_eq!(told, Up::LetGo { patches: 27, others: 1 });
        // It did not get through: it is told again, and once.
        b.back(told.clone());
        assert_eq!(b.next(Duration::ZERO).unwrap(), told);
        for n in 9..MOST as u64 + 9 {
            assert_eq!(b.next(Duration::ZERO).unwrap(), stream(3 * n));
        }
        assert_eq!(b.next(Duration::ZERO), Err(RecvTimeoutError::Timeout));
    }
}
