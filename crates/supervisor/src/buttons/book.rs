//! What the page shows of buttons: whether each can be heard, and when it was pressed last. A footswitch is tried before the show with a
//! short tread, which does nothing but is seen.

use std::sync::{Arc, Mutex, PoisonError};

use base::MonoTime;
use settings::buttons::Button;

use crate::snapshot::ButtonView;

/// Shared by the threads that hear buttons and the scribe.
#[derive(Clone, Default)]
pub struct Book(Arc<Mutex<Vec<ButtonView>>>);

impl Book {
    /// Of these buttons, none of which is heard yet.
    pub fn of(buttons: &[Button]) -> Book {
        let view = |b: &Button| ButtonView {
            name: b.name().to_owned(),
            does: b.does(),
            place: place(b),
            heard: false,
            pressed: None,
        };
        Book(Arc::new(Mutex::new(buttons.iter().map(view).collect())))
    }

    /// All buttons, in the file's order.
    pub fn shown(&self) -> Vec<ButtonView> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The buttons of this place can be heard, or not any more.
    pub(super) fn heard(&self, place: &str, heard: bool) {
        self.each(|b| {
            if b.place == place {
                b.heard = heard
            }
        });
    }

    /// The button of this name was pressed, let go or tapped.
    pub(super) fn pressed(&self, name: &str, at: MonoTime) {
        self.each(|b| {
            if b.name == name {
                b.pressed = Some(at)
            }
        });
    }

    fn each(&self, change: impl FnMut(&mut ButtonView)) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).iter_mut().for_each(change);
    }
}

/// Where a button is heard, as the page says it.
pub(super) fn place(b: &Button) -> String {
    match b {
        Button::Midi { port, .. } => port.clone(),
        Button::Osc { listen, .. } => listen.to_string(),
    }
}
