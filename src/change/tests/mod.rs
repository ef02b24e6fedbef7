mod cases;
mod confusion;
mod session;
mod stand_in;
