//! Names and order of the columns are what other programs rely on: pinned here, word for word.

use stillroom::flag::Flag;
use stillroom::table::Row as _;
use stillroom::table::column::{Kind, Part};
use stillroom::table::results::{CSV_TABLES, JSON_OBJECTS, JSON_TABLES};

const HEADERS: [(&str, &str); 8] = [
    (
        "bands",
        "state,position,source,file,band_hz,edt_s,t20_s,t20_sd_s,t30_s,t30_sd_s,c50_db,c80_db,d50,ts_ms,level_db,\
         peak_to_noise_db,decay_range_db,nonlinearity_t20_permille,nonlinearity_t30_permille,curvature_percent,\
         bt_product,flags",
    ),
    (
        "modes",
        "state,mode,kind,frequency_hz,frequency_sd_hz,t60_s,t60_sd_s,q,level_db,positions,axes,predicted_hz,\
         shape_match,filter_t20_s,threshold_t60_s,threshold_music_t60_s,priority,evidence,flags",
    ),
    (
        "mode_levels",
        "state,mode,frequency_hz,position,source,level_db,level_sd_db,phase_deg,flags,level_spl_db",
    ),
    (
        "changes",
        "before_state,after_state,mode,after_mode,before_hz,after_hz,before_t60_s,before_t60_sd_s,after_t60_s,\
         after_t60_sd_s,t60_change_percent,t60_change_low_percent,t60_change_high_percent,before_ring_s,after_ring_s,\
         ring_change_percent,ring_change_low_percent,ring_change_high_percent,level_change_db,level_change_low_db,\
         level_change_high_db,shape_match,verdict,reason,flags",
    ),
    (
        "position_changes",
        "before_state,after_state,mode,position,source,role,before_level_db,after_level_db,level_change_db,\
         level_change_low_db,level_change_high_db,before_ring_s,after_ring_s,flags",
    ),
    (
        "band_changes",
        "before_state,after_state,position,source,band_hz,before_t20_s,after_t20_s,t20_change_percent,\
         t20_change_low_percent,t20_change_high_percent,level_change_db,verdict,reason,flags",
    ),
    ("targets", "state,position,band_hz,mode,value_s,low_s,high_s,limit_s,met,flags"),
    ("checks", "state,standard,clause,requirement,found,limit,met,affects"),
];

const ABSORBER: &str = "state,unit,mode_frequency_hz,loaded_frequency_hz,loaded_frequency_sd_hz,loaded_decay_per_s,\
    coupling_per_s,best_frequency_hz,best_decay_per_s,best_t60_s,consistency,advice,next_frequency_change_hz,\
    next_damping_factor,next_dials,reason";

#[test]
fn names_and_order_are_pinned() {
    for (table, (name, header)) in CSV_TABLES.iter().zip(HEADERS) {
        let names: Vec<&str> = table.columns.iter().map(|column| column.name).collect();
        assert_eq!((table.name, names.join(",").as_str()), (name, header));
    }
    let absorber = JSON_TABLES.iter().find(|table| table.name == "absorber").unwrap();
    let names: Vec<&str> = absorber.columns.iter().map(|column| column.name).collect();
    assert_eq!(names.join(","), ABSORBER);
}

/// A definition that lacks its unit, or a key that names no column, would mislead a reader.
#[test]
fn every_column_explains_itself() {
    let catalogue = stillroom::table::CatalogueRow::TABLE;
    for table in CSV_TABLES.into_iter().chain(JSON_OBJECTS).chain(JSON_TABLES).chain([catalogue]) {
        let names: Vec<&str> = table.columns.iter().map(|column| column.name).collect();
        assert!(table.key.iter().all(|key| names.contains(key)), "{}", table.name);
        for (i, column) in table.columns.iter().enumerate() {
            let place = format!("{}.{}", table.name, column.name);
            assert!(column.definition.ends_with('.') && !column.definition.contains('\n'), "{place}");
            assert_eq!(names.iter().filter(|name| **name == column.name).count(), 1, "{place}");
            assert_eq!(unit_by_name(column.name), column.shape.unit, "{place}");
            if column.shape.part == Part::Sd {
                let value = &table.columns[i - 1];
                assert_eq!(
                    value.name,
                    column.name.replace("_sd", ""),
                    "{place}: no value before its deviation"
                );
            }
            // The row collects the reasons of its empty cells from left to right.
            let last = table.always().columns.len();
            assert!(column.shape.kind != Kind::Flags || i + 1 == last, "{place}: flags come last");
        }
    }
}

/// The unit that a column's name promises.
fn unit_by_name(name: &str) -> &'static str {
    let endings = [
        ("_m_per_s", "m/s"),
        ("_per_s", "1/s"),
        ("_s", "s"),
        ("_ms", "ms"),
        ("_hz", "Hz"),
        ("_db", "dB"),
        ("_percent", "%"),
        ("_permille", "‰"),
        ("_deg", "°"),
        ("_ppm", "ppm"),
        ("_m3", "m³"),
        ("_m", "m"),
        ("_c", "°C"),
    ];
    let whole_number = ["rate_hz"]; // of the file; a whole number carries no unit column
    endings
        .into_iter()
        .find(|(ending, _)| name.ends_with(ending) && !whole_number.contains(&name))
        .map_or("", |(_, unit)| unit)
}

#[test]
fn every_flag_explains_itself() {
    for flag in Flag::ALL {
        assert!(flag.sentence().ends_with('.'), "{flag}");
        assert!(flag.advice().is_empty() || flag.advice().ends_with('.'), "{flag}");
    }
}
