//! Clock offset, line fits, drift and steps, failure detection, audio delay, levels.
