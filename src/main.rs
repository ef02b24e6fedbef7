//! The command-line program; all work is done in the library.

fn main() {}
