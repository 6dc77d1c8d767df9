//! Simulated playback machines, network and faults, in virtual and in real time.
