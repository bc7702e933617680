//! The simulated plant: its physics against outside references, and its valves and faults against the real sequencer.
//! Nothing of the host program, so that `tests/mutations.sh` can build it with the simulator alone.

mod extremes;
mod faults;
mod lsoda;
mod physics;
mod two_sides;
