//! Evidence that the decay evaluation is right.
//!
//! Order of trust: closed forms ([`closed_forms`]), computed tables ([`tables`]), laws ([`laws`]),
//! statistics of noise decays ([`noise`]), and an independent numpy/scipy script ([`reference`]).

mod closed_forms;
mod laws;
mod noise;
mod reference;
mod scatter;
mod signals;
mod tables;
