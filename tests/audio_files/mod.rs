//! Audio files as recorders and programs leave them: each reads as the exact samples that were written,
//! or is refused with file, place, finding, what is allowed and what to do.
//!
//! `wave` makes the bytes; `sound` are files to be read (right or mended), `refused` those that can't be,
//! `other_formats` FLAC and AIFF, `arrays` NumPy and text, `sofa` SOFA, `mutated` random damage, `measured` responses that others published.

mod arrays;
mod measured;
mod mutated;
mod other_formats;
mod refused;
#[cfg(feature = "sofa")]
mod sofa;
mod sound;
mod wave;

use std::io::Cursor;
use std::path::Path;

use stillroom::recording::{AudioError, Recording, Wanted, read_take, read_whole_from};

fn read(bytes: Vec<u8>, channel: usize) -> Result<Recording, AudioError> {
    read_whole_from(Cursor::new(bytes), "treated/seat.wav", channel)
}

fn read_file(path: &Path, shown_as: &str, channel: usize) -> Result<Recording, AudioError> {
    read_take(path, shown_as, Wanted { channel, rate_hz: None })
}
