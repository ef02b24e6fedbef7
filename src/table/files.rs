//! `files` of `results.json`: where the numbers come from.

use super::cell::Name;
use super::column::{integer, list, pattern, plain, text, truth};
use super::row::table;

table! {
    "files", FileRow, key ["file", "channel"],
    "Audio files of the session, in its order: how each was taken and what was read from it. A file that could not be read has no hash here and stands in `failures`.";
    file: Name = pattern("[^/\\\\].*").required(), "Path within the session.";
    state: Name = text().required(), "Name of the state that it belongs to.";
    position: Name = text().required(), "Name of the microphone position.";
    source: Name = text(), "Name of the loudspeaker place; null for the only or first one.";
    take: Name = text(), "Which repeat it is; null where the name says none.";
    used: bool = truth().required(), "Whether it went into the results.";
    note: Option<String> = text(), "The manifest's remark, or why it was left out.";
    sha256: Option<String> = pattern("[0-9a-f]{64}"), "SHA-256 of the whole file, in hexadecimal digits.", "FIPS 180-4";
    format: Option<String> = text(), "Container and coding.";
    rate_hz: Option<u32> = integer().positive(), "Sample rate in Hz.";
    bit_depth: Option<u32> = integer().positive(), "Bits per sample that carry signal; null for text.";
    channels: Option<u32> = integer().positive(), "Channels in the file.";
    channel: Option<u32> = integer().positive(), "Channel that was read, counted from 1; of text the column behind the time.";
    frames: Option<u64> = integer(), "Samples per channel that were read.";
    length_s: Option<f64> = plain("s").not_negative(), "Length: frames over sample rate.";
    emission_s: Option<f64> = plain("s").not_negative(), "Instant of the emission from sample 0, from the capture record beside the file; null without one, or where player and recorder started each by itself.";
    range_low_hz: Option<f64> = plain("Hz").positive(), "Lowest frequency at which the response stands over the noise, from the capture record.";
    range_high_hz: Option<f64> = plain("Hz").positive(), "Highest such frequency.";
    clock_ppm: Option<f64> = plain("ppm"), "By how much the recorder's clock ran fast against the player's, parts per million; already corrected in the response. Null where it could not be determined.";
    clock_sd_ppm: Option<f64> = plain("ppm").not_negative(), "Its standard deviation.";
    capture: Vec<String> = list(), "What `respond` found wrong with the recording, as sentences.";
    repairs: Vec<String> = list(), "What was mended while reading, in sentences.";
}
