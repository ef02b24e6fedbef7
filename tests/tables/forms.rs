//! CSV and JSON of the sample run: the cells by hand, then one form against the other.

use serde_json::Value;
use stillroom::table::{Row, Rows, csv_text, json};

use super::sample;

fn csv_of<R: Row>(rows: &[R]) -> String {
    let mut bytes = Vec::new();
    csv_text::write(Rows::of(rows), &mut bytes).unwrap();
    String::from_utf8(bytes).unwrap()
}

fn json_text() -> String {
    let mut bytes = Vec::new();
    json::write(&sample::results(), &mut bytes).unwrap();
    String::from_utf8(bytes).unwrap()
}

/// Cells worked out by hand from the digits rule; `-0.001` dB reads `0.00`, NaN leaves its cell empty.
#[test]
fn bands_by_hand() {
    let text = csv_of(&sample::results().bands);
    let lines: Vec<&str> = text.split_terminator('\n').skip(1).collect();
    assert_eq!(
        lines,
        [
            "empty,seat,left,empty/seat@left#1.wav;empty/seat@left#2.wav,63.10,0.41234,0.457,0.123,0.5000,0.0999,4.74,\
         0.00,0.74880,36.190,-31.46,52.30,48.00,4.2000,3.9000,9.46,6.6510,",
            "empty,'=seat,,empty/seat@left#1.wav;empty/seat@left#2.wav,63.10,,,,,,,,,,-31.46,,,,,,,\
         normalised;above-rate;not-finite",
        ]
    );
    assert!(text.ends_with('\n') && !text.contains('\r'));
}

#[test]
fn modes_by_hand() {
    let text = csv_of(&sample::results().modes);
    let lines: Vec<&str> = text.split_terminator('\n').skip(1).collect();
    assert_eq!(
        lines,
        [
            "empty,1,mode,40.3762,0.0123,1.2346,0.0456,22.670,12.35,6,0 1 0,40.376,0.98765,1.2500,0.61900,,1,\
         \"opposite walls alike in level, opposite in sign\",above-rate",
            "empty,2,unsure,61.500,,,,8.0000,12.35,6,,,,1.2500,0.61900,,,,no-time-base;above-rate",
        ]
    );
}

/// Levels in dB SPL need a calibration: without one in the session neither form has the column; with one it comes last.
#[test]
fn the_column_of_sound_pressure_comes_with_a_calibration() {
    const HEAD: &str = "state,mode,frequency_hz,position,source,level_db,level_sd_db,phase_deg,flags";
    let calibrated = sample::results();
    assert_eq!(
        csv_of(&calibrated.mode_levels),
        format!("{HEAD},level_spl_db\nempty,1,40.376,seat,left,12.35,0.12,,no-time-base,98.44\n")
    );
    let mut plain = sample::results();
    plain.mode_levels[0].level_spl_db = None;
    assert_eq!(
        csv_of(&plain.mode_levels),
        format!("{HEAD}\nempty,1,40.376,seat,left,12.35,0.12,,no-time-base\n")
    );
    assert_eq!(csv_of(&plain.mode_levels[..0]), format!("{HEAD}\n"));
    for (results, present) in [(calibrated, true), (plain, false)] {
        let mut bytes = Vec::new();
        json::write(&results, &mut bytes).unwrap();
        let document: Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(document["mode_levels"][0].get("level_spl_db").is_some(), present);
    }
}

#[test]
fn a_table_without_rows_is_its_header() {
    assert_eq!(csv_of(&[] as &[stillroom::table::CheckRow]).lines().count(), 1);
}

/// Every cell of every CSV table stands in `results.json` too: the same number, the same text (there
/// without the guard against formulas), null where the cell is empty.
#[test]
fn both_forms_hold_the_same_cells() {
    let results = sample::results();
    let document: Value = serde_json::from_str(&json_text()).unwrap();
    let mut compared = 0;
    for rows in results.csv_tables() {
        let (name, mut bytes) = (rows.table.name, Vec::new());
        csv_text::write(rows, &mut bytes).unwrap();
        let mut reader = csv::Reader::from_reader(bytes.as_slice());
        let header = reader.headers().unwrap().clone();
        for (i, record) in reader.records().enumerate() {
            let record = record.unwrap();
            for (column, cell) in header.iter().zip(&record) {
                match &document[name][i][column] {
                    Value::Null => assert_eq!(cell, "", "{name}.{column}"),
                    Value::String(text) => assert_eq!(cell.trim_start_matches('\''), text, "{name}.{column}"),
                    Value::Number(number) => {
                        assert_eq!(cell.parse::<f64>().ok(), number.as_f64(), "{name}.{column}");
                    }
                    other => panic!("{name}.{column}: {other}"),
                }
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 188, "all cells of all rows");
}

#[test]
fn json_keeps_names_as_they_are_and_says_whose_it_is() {
    let document: Value = serde_json::from_str(&json_text()).unwrap();
    assert_eq!(document["schema"], json::SCHEMA);
    assert_eq!(document["bands"][1]["position"], "=seat");
    assert_eq!(document["absorber"][0]["next_dials"]["depth"], 0.65);
    assert!(document["absorber"][1]["next_dials"].is_null());
    assert_eq!(document["settings"]["modes_to_hz"], 200.0);
}

#[test]
fn without_a_comparison_its_tables_are_absent_rather_than_empty() {
    let mut results = sample::results();
    results.comparison = None;
    let mut bytes = Vec::new();
    json::write(&results, &mut bytes).unwrap();
    let document: Value = serde_json::from_slice(&bytes).unwrap();
    assert!(document.get("changes").is_none() && document.get("bands").is_some());
}

#[test]
fn tune_prints_the_absorber_alone() {
    let mut bytes = Vec::new();
    json::write_absorber(&sample::results().absorber, &mut bytes).unwrap();
    let document: Value = serde_json::from_slice(&bytes).unwrap();
    assert_eq!(document.as_object().unwrap().len(), 2);
    assert_eq!(document["absorber"][0]["loaded_frequency_hz"], 39.8123);
    assert_eq!(document["schema"], json::SCHEMA);
}
