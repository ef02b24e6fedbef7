mod bound;
mod dials;
mod near_best;
mod rooms;
mod units;
mod walk;
