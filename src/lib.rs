//! Decay of a small room's low-frequency resonances, from impulse responses to a before/after verdict.

pub mod criterion;
pub mod decay;
pub mod demo;
pub mod estimate;
pub mod excitation;
pub mod filter;
pub mod flag;
pub mod modes;
pub mod output;
pub mod procedure;
pub mod recording;
pub mod recovery;
pub mod response;
pub mod room;
pub mod session;
pub mod table;
