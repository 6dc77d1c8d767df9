//! Clock offset, position lines, drift and steps, failure detection, stability, levels.
//!
//! Everything here is arithmetic: no clock is read, nothing waits, and nothing is allocated on the live path. Each
//! estimator carries its derivation in prose above the code that does it, and says how far off it may be.

pub mod clock;
pub mod detector;
pub mod drift;
pub mod dropout;
pub mod hints;
pub mod levels;
pub mod line;
pub mod loudness;
pub mod offset;
pub mod pair;
pub mod segment;
pub mod stability;
pub mod suspend;

pub use clock::{ClockConfig, ClockEstimate, ClockEstimator, ClockStep, Exchange, ExchangeRefusal, ExchangeVerdict};
pub use levels::{ChannelMeter, Pilot, TruePeak};
pub use line::{LineConfig, LinePoint, PositionLine};
pub use offset::{Forecast, OffsetConfig, OffsetStep, OffsetTracker, OffsetView};
