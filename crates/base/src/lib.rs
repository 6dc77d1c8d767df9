//! Time, units, ids, readings and positions: the words that every other crate speaks in.
//!
//! Nothing here reads a clock, does I/O or decides anything. Units and clocks live in types, so that a
//! sample count is never added to a millisecond and a remote clock is never compared with our own.

pub mod evidence;
pub mod ids;
pub mod position;
pub mod rate;
pub mod reading;
pub mod time;
pub mod units;

pub use evidence::{AudioState, ClockState, Heard, PlayerState, SwitchView, TransportState};
pub use ids::{EventId, Machine, MachineId, RigId, ShowId};
pub use position::{CLOCKS_PER_SECOND, Direction, PositionReport, ShowPosition, SourceKind};
pub use rate::FrameRate;
pub use reading::Reading;
pub use time::{MonoTime, RemoteTime, Span, WallTime};
pub use units::{Bpm, Db, Dbfs, Hertz, Millis, Ppm, Samples};
