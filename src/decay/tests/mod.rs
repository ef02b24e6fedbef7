//! Evidence that the decay evaluation is right.
//!
//! Order of trust: closed forms ([`closed_forms`]), computed tables ([`tables`], [`steps`], [`ringing`]), laws
//! ([`laws`]), statistics of noise decays ([`noise`], [`scatter`], [`ideal_band`]), and an independent numpy/scipy
//! script ([`reference`]).

mod closed_forms;
mod ideal_band;
mod laws;
mod noise;
mod reference;
mod ringing;
mod scatter;
mod signals;
mod steps;
mod tables;
