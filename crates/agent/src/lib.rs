//! The agent on a playback machine: sources and host health into sealed beats.
