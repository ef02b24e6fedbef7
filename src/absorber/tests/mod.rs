mod bound;
mod rooms;
mod walk;
