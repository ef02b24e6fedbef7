mod bands;
mod cases;
mod confusion;
mod jobs;
mod session;
mod stand_in;
mod tally;
mod truth;
