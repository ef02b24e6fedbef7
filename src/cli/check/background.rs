//! The background noise that capture records hold: how loud the room was before each signal.

use super::super::screen;
use stillroom::analysis::File;
use stillroom::capture::CaptureRecord;
use stillroom::filter::octave_name;

/// One line a take, in dB SPL where all records know their full scale, else in dB of it; hum behind.
pub fn show(files: &[File]) {
    let records: Vec<(&str, &CaptureRecord)> = files
        .iter()
        .filter_map(|file| Some((file.take.file.as_str(), file.capture.as_ref()?)))
        .filter(|(_, record)| !record.background.is_empty())
        .collect();
    if records.is_empty() {
        return;
    }
    let absolute = records.iter().all(|(_, record)| record.full_scale_db_spl.is_some());
    let unit = if absolute { "dB SPL" } else { "dB of full scale" };
    let mut octaves: Vec<f64> =
        records.iter().flat_map(|(_, record)| &record.background).map(|octave| octave.band_hz).collect();
    octaves.sort_by(f64::total_cmp);
    octaves.dedup();
    let names: Vec<String> = octaves.iter().map(|hz| octave_name(*hz)).collect();
    let mut head = vec!["file"];
    head.extend(names.iter().map(String::as_str));
    head.push("hum, Hz");
    let rows: Vec<Vec<String>> =
        records.iter().map(|(file, record)| line(file, record, (&octaves, absolute))).collect();
    screen::heading(&format!("Noise before the signal by octave (Hz), {unit}"));
    screen::table(&head, &rows);
}

fn line(file: &str, record: &CaptureRecord, (octaves, absolute): (&[f64], bool)) -> Vec<String> {
    let level = |hz: &f64| {
        let db = record.background.iter().find(|octave| octave.band_hz == *hz).and_then(|octave| octave.db);
        let db = if absolute { record.background_db_spl(db) } else { db };
        db.map_or(String::new(), |db| format!("{db:.0}"))
    };
    let hum: Vec<String> = record.hum.iter().map(|line| format!("{:.0}", line.hz)).collect();
    let mut cells = vec![screen::shortened(file, super::FILE_WIDTH)];
    cells.extend(octaves.iter().map(level));
    cells.push(if hum.is_empty() { "–".to_owned() } else { hum.join(" ") });
    cells
}
