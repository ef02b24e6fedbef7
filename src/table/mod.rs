//! What is found becomes tables: CSV, `results.json`, their schema and metadata.
//!
//! One file a table declares its columns (name, unit, kind, definition, source) and the row struct
//! that fills them, by one macro, so that neither can get out of step with the other. Everything
//! else here is made from these declarations: [`csv_text`], [`json`], [`schema`], [`csv_metadata`]; a test makes the
//! reference page of them.
//!
//! Decibels ([`decibel`]) and rounding ([`number`]) occur here and nowhere before. A field that is
//! a [`Reading`](crate::estimate::Reading) fills two columns, the value and its standard deviation;
//! if it holds a reason instead, both cells stay empty and the reason joins the row's `flags`.
//!
//! ```
//! use stillroom::table::number;
//!
//! assert_eq!(number::sd(0.01234).as_deref(), Some("0.0123"));
//! assert_eq!(number::beside_sd(1.702_36, 0.01234).as_deref(), Some("1.7024"));
//! assert_eq!(number::plain(f64::NAN), None, "the cell stays empty");
//! ```

pub mod absorbers;
pub mod band_changes;
pub mod bands;
pub mod captures;
pub mod catalogue;
pub mod cell;
pub mod changes;
pub mod checks;
pub mod column;
pub mod csv_metadata;
pub mod csv_text;
pub mod decibel;
pub mod failures;
pub mod files;
pub mod fits;
pub mod gather;
mod gather_captures;
pub mod gather_changes;
pub mod json;
pub mod mode_levels;
pub mod modes;
pub mod number;
#[cfg(feature = "parquet")]
pub mod parquet;
pub mod position_changes;
pub mod results;
pub mod room_fits;
pub mod row;
pub mod schema;
pub mod sessions;
pub mod settings;
pub mod targets;
pub mod words;
pub mod written;

pub use absorbers::AbsorberRow;
pub use band_changes::BandChangeRow;
pub use bands::BandRow;
pub use captures::{CaptureBandRow, CaptureRow, HarmonicRow, HumRow};
pub use catalogue::CatalogueRow;
pub use cell::{Cell, Interval, Name, Value};
pub use changes::ChangeRow;
pub use checks::CheckRow;
pub use column::{Column, Table};
pub use failures::FailureRow;
pub use files::FileRow;
pub use fits::FitRow;
pub use gather_captures::Captures;
pub use mode_levels::ModeLevelRow;
pub use modes::{ModeRow, Treatment, treatments};
pub use position_changes::PositionChangeRow;
pub use results::{Comparison, Results, Rows};
pub use room_fits::RoomFitRow;
pub use row::Row;
pub use sessions::SessionRow;
pub use settings::SettingsRow;
pub use targets::TargetRow;
pub use written::TableRow;
