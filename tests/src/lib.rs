//! Helpers of the whole-rig tests.
