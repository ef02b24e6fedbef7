//! Single cases and laws.
