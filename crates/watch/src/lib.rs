//! The brain of the watch: wire, measure and rig made one.
