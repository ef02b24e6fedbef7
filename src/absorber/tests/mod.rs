mod bound;
mod rooms;
