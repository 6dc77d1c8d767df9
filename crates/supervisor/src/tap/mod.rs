//! The tap: the switch's output as the supervisor hears it, at an audio input or over a local feed socket.

mod device;
mod ears;
mod feed;

use base::{Dbfs, Hertz, MonoTime};

use crate::house;
use crate::scribe::{ScribeDesk, ToScribe};
use crate::setup::TapSource;
use crate::tape::{Stretch, Wishes};
use crate::to_watch::{ToWatch, WatchDesk};
use ears::TapEars;

/// The level of its thread's real-time scheduling.
const URGENCY: u8 = 35;

/// What a tap is for.
pub struct Wanted {
    /// Channels whose sound counts as programme; none: all but timecode and pilot.
    pub programme: Vec<String>,
    /// The noise floor of an analogue input; none: only zeros are silence.
    pub floor: Option<Dbfs>,
    /// Each machine's pilot tone.
    pub pilots: Vec<Option<Hertz>>,
    /// The way to the watch.
    pub watch: WatchDesk,
    /// The way to the record.
    pub scribe: ScribeDesk,
    /// Changeovers to be measured.
    pub wishes: Wishes,
}

/// Starts listening.
///
/// # Errors
/// A socket or a thread that cannot be made.
pub fn start(source: TapSource, wanted: Wanted) -> std::io::Result<()> {
    match source {
        TapSource::Feed(socket) => feed::start(&socket, wanted),
        TapSource::Device(input) => device::start(input, wanted),
    }
}

/// The tap from its first opening on.
struct Listening {
    wanted: Wanted,
    opened: u32,
    ears: Option<TapEars>,
}

impl Listening {
    fn new(wanted: Wanted) -> Listening {
        Listening { wanted, opened: 0, ears: None }
    }

    fn on_open(&mut self, rate: Hertz, channels: &[String]) {
        self.opened = self.opened.wrapping_add(1);
        self.ears = Some(TapEars::new(rate, channels, self.opened, &self.wanted));
    }

    fn on_closed(&mut self) {
        self.ears = None;
    }

    fn on_block(&mut self, at: MonoTime, channels: usize, samples: impl Iterator<Item = f32>) {
        let Some(ears) = &mut self.ears else { return };
        let (report, stretch) = ears.on_block(at, channels, samples);
        self.wanted.watch.tell(ToWatch::Tap(report));
        if let Some(s) = stretch {
            measure(s, self.wanted.scribe.clone());
        }
    }
}

/// Measures a changeover on a thread of its own: the tap's own must not be late.
fn measure(s: Stretch, scribe: ScribeDesk) {
    let made = std::thread::Builder::new().name("house".into()).spawn(move || {
        let heard = house::measure(&s.frames, s.rate, s.around);
        scribe.tell(ToScribe::Heard { to: s.to, at: s.at, heard });
        scribe.tell(ToScribe::Sound(s.sound()));
    });
    if let Err(e) = made {
        tracing::error!("a changeover could not be measured: {e}");
    }
}
