//! All integration tests as one program: linked once, and what several of them need is made once.
//!
//! A new file under `tests` gets its line here; `structure` fails on one that has none. To run one
//! module: `cargo test --test all tables::`.

#![allow(clippy::print_stdout, reason = "tests say when they skip")]

mod absorber;
mod accuracy;
#[cfg(feature = "cli")]
mod archives;
mod audio_files;
#[cfg(feature = "cli")]
mod averages;
mod captures;
#[cfg(feature = "cli")]
mod commands;
mod controls;
#[cfg(feature = "cli")]
mod demo_run;
#[cfg(feature = "cli")]
mod design_loop;
#[cfg(feature = "cli")]
mod faults;
mod jobs;
mod measured;
mod modes;
#[cfg(feature = "cli")]
mod one_number;
mod pair;
mod perturbed;
#[cfg(feature = "cli")]
mod plan_room;
#[cfg(feature = "cli")]
mod program;
mod real_rooms;
#[cfg(feature = "cli")]
mod report_language;
#[cfg(feature = "cli")]
mod safety;
#[path = "synthetic/score.rs"]
mod score;
mod seat_advice;
mod structure;
#[cfg(feature = "cli")]
mod surface;
mod synthetic;
#[path = "synthetic/table.rs"]
mod table;
mod tables;
#[cfg(feature = "cli")]
mod treatment;
#[cfg(feature = "cli")]
mod watch;
