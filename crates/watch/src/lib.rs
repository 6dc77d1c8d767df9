//! The brain of the watch: `wire`, `measure` and `rig` made one. The supervisor runs it on real sockets, the stage on
//! simulated ones in virtual time; neither can tell.

pub mod apart;
pub mod brain;
pub mod carried;
pub mod channels;
pub mod heard_levels;
mod last_minute;
pub mod likeness;
pub mod machine;
pub mod pair;
pub mod patches;
pub mod paths;
pub mod setup;
pub mod tap;
pub mod view;

pub use brain::{Brain, LikenessReport};
pub use setup::{PREFERENCE, Setup, SongSpan};
pub use tap::TapReport;
pub use view::{MachineFigures, PathFigures, WatchView};
