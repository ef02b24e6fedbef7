//! The fit held against what is not the fit: difference quotients, numpy, a rational and a subspace fit.

pub(super) mod closed_form;
mod jacobian;
mod reference;
mod residual;
mod script;
mod witnesses;
