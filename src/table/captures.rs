//! `captures`, `capture_bands`, `hum` and `harmonics` of `results.json`: what the capture records beside the files say.

use super::cell::Name;
use super::column::{decibels, integer, list, pattern, plain, text, truth};
use super::row::table;

table! {
    "captures", CaptureRow, key ["file", "channel"],
    "How the responses were recorded: one object for each file with a capture record. Emission, range, clocks and findings stand in `files`.";
    file: Name = pattern("[^/\\\\].*").required(), "Path of the response within the session.";
    channel: Option<u32> = integer().positive(), "Channel of the file, counted from 1.";
    signal: String = text().required(), "What was played: `sweep` or `noise`.";
    recording: String = text(), "Name of the recording that the response was made of.";
    recording_sha256: Option<String> = pattern("[0-9a-f]{64}"), "SHA-256 of that recording, in hexadecimal digits.", "FIPS 180-4";
    again: bool = truth().required(), "Whether the take was to be repeated; then it was not analysed.";
    advice: String = text(), "What to do better, by the first of the findings; null where there is none.";
    arrival_s: f64 = plain("s").not_negative(), "Arrival of the first sound from sample 0.";
    start_offset_s: f64 = plain("s"), "How much later than in the reference the sound stands in the recording.";
    repeats: u32 = integer(), "Repeats or periods of the signal that were averaged.";
    repeat_difference_db: Option<f64> = decibels(), "Largest difference of a repeat from their mean, against its energy; null for a single one.";
    coherence: Option<f64> = plain("").not_negative(), "Coherence of reference and microphone between 20 and 200 Hz, median, freed of its bias (1 − γ²)²/n; noise only.", "Bendat & Piersol, Random Data, ch. 9";
    magnitude_interval_db: Option<f64> = decibels().not_negative(), "Half the 95 % interval of the level of a line between 20 and 200 Hz, median, by Student's t from the scatter of the periods; noise only.", "Bendat & Piersol, Random Data, ch. 4 and 9";
    bracket_db: Option<f64> = decibels(), "H2 over H1, median between 20 and 200 Hz: the truth lies between both; noise only.", "Bendat & Piersol, Random Data, ch. 6";
    clock_limit_ppm: Option<f64> = plain("ppm").not_negative(), "How far the clocks may differ where nothing tells exactly, but the bands of a single sweep drift by more than is usual.";
    temperature_c: Option<f64> = plain("°C"), "Air temperature during the take, as it was stated.";
    note: Option<String> = text(), "Remark on the take.";
    corrections: Vec<String> = list(), "Files by which microphone and reference were corrected.";
    full_scale_spl_db: Option<f64> = decibels(), "Sound pressure level of a sine that reaches full scale at the microphone's input: by a calibrator's tone, or as it was stated.";
    zero_spl_db: Option<f64> = decibels(), "Sound pressure level that a steady tone of the test signal's rms makes where the response reads 0 dB.";
    quieter_lower_db: Option<f64> = decibels(), "By how much a second run was lower; null without one.";
    quieter_change_db: Option<f64> = decibels(), "Largest change of the response in a third octave against that run: 0 for a linear chain.";
    quieter_band_hz: Option<f64> = plain("Hz").positive(), "Middle of that third octave.";
}

table! {
    "capture_bands", CaptureBandRow, key ["file", "channel", "band_hz"],
    "Peak-to-noise of the recordings and their background, one object for each file and octave that the capture record holds.";
    file: Name = pattern("[^/\\\\].*").required(), "Path of the response within the session.";
    channel: Option<u32> = integer().positive(), "Channel of the file, counted from 1.";
    band_hz: f64 = plain("Hz").positive(), "Middle of the octave; 1 kHz is one.";
    peak_to_noise_db: Option<f64> = decibels(), "Largest power of the response in the octave's weakest third over its mean noise; null outside its range, and above digital silence.";
    noise_fs_db: Option<f64> = decibels(), "Noise at the microphone before the signal, against a sine at full scale; null where the silence is too short for it.";
    noise_spl_db: Option<f64> = decibels(), "The same as a sound pressure level; null where neither a calibrator nor the level of full scale is known.";
}

table! {
    "hum", HumRow, key ["file", "channel", "frequency_hz"],
    "Lines of mains hum at the microphone before the signal, by the capture records.";
    file: Name = pattern("[^/\\\\].*").required(), "Path of the response within the session.";
    channel: Option<u32> = integer().positive(), "Channel of the file, counted from 1.";
    frequency_hz: f64 = plain("Hz").positive(), "Frequency of the line.";
    over_noise_db: f64 = decibels(), "By how much it stands over the noise beside it.";
}

table! {
    "harmonics", HarmonicRow, key ["file", "channel", "order"],
    "Harmonics of the loudspeaker, by order, by the capture records; one that stays in the noise has none.";
    file: Name = pattern("[^/\\\\].*").required(), "Path of the response within the session.";
    channel: Option<u32> = integer().positive(), "Channel of the file, counted from 1.";
    order: u32 = integer().required().positive(), "Order: 2 is an octave above.";
    level_db: f64 = decibels(), "Level against the response in the third octave where it is highest.", "Farina, AES preprint 5093 (2000)";
    band_hz: f64 = plain("Hz").positive(), "Middle of that third octave.";
}
