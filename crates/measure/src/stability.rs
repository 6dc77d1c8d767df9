//! Stability of clocks.
