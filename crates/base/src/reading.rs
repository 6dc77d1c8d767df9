//! A value that knows when it was true, when it stops being worth anything, and how far off it may be.

use serde::{Deserialize, Serialize};

use crate::time::MonoTime;

/// Something measured. A reading past its expiry is *missing*: never fine, never zero.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Reading<T> {
    /// What was measured.
    pub value: T,
    /// When it was true.
    pub as_of: MonoTime,
    /// From this instant on it says nothing any more.
    pub expires: MonoTime,
}

impl<T: Copy> Reading<T> {
    /// The value, unless it has expired.
    pub fn fresh(&self, now: MonoTime) -> Option<T> {
        (now < self.expires).then_some(self.value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Span;

    #[test]
    fn an_expired_reading_is_missing() {
        let t = MonoTime::from_nanos(10);
        let r = Reading { value: 3, as_of: t, expires: t + Span::from_nanos(5) };
        assert_eq!(r.fresh(t), Some(3));
        assert_eq!(r.fresh(t + Span::from_nanos(5)), None);
    }
}
