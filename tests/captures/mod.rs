//! Recordings of a test signal in a closed-form room: the response comes back, its range is stated, and what
//! is wrong with a take is named.

#[cfg(feature = "cli")]
mod claims;
mod clocks;
#[cfg(feature = "cli")]
mod faults;
#[cfg(all(unix, feature = "cli"))]
mod growing;
#[cfg(feature = "cli")]
mod intervals;
#[cfg(feature = "cli")]
mod options;
mod periods;
mod reference;
#[cfg(feature = "cli")]
mod several;
#[cfg(feature = "cli")]
mod silent;
mod simulator;
#[cfg(feature = "cli")]
mod site;
#[cfg(feature = "cli")]
mod subwoofer;
mod sweeps;
#[cfg(feature = "cli")]
mod told;
#[cfg(feature = "cli")]
mod unnamed;
