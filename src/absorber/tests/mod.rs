mod bound;
mod dials;
mod rooms;
mod units;
mod walk;
