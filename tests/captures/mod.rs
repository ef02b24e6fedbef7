//! Recordings of a test signal in a closed-form room: the response comes back, its range is stated, and what
//! is wrong with a take is named.

mod clocks;
#[cfg(feature = "cli")]
mod faults;
mod periods;
mod simulator;
mod sweeps;
