//! Metadata of the CSV files after W3C "Metadata Vocabulary for Tabular Data" (CSV on the Web,
//! Recommendation of 17 December 2015): names, types, units, definitions, keys.
//!
//! Under this file name a processor finds it by itself beside any of the tables ("Model for Tabular
//! Data and Metadata on the Web", 5.3). CSVW has no word for units; `schema:unitText` of schema.org,
//! a prefix that its context knows, holds them.

use serde_json::{Map, Value, json};

use super::column::{Column, Kind, Range, Table};
use super::schema::description;
use crate::flag::Flag;

/// File name of the metadata, beside the tables.
pub const FILE_NAME: &str = "csv-metadata.json";

/// The metadata of `tables`, as text that ends in a line end.
#[must_use]
pub fn text(tables: &[Table]) -> String {
    format!("{:#}\n", document(tables))
}

/// The metadata of gathered tables, each with the column `session` first, and of their catalogue.
#[must_use]
pub fn gathered(tables: &[Table], catalogue: &Table) -> String {
    let session = catalogue.columns.first();
    let with_session = |table: &Table| {
        let mut described = described(table);
        if let (Some(first), Some(schema)) = (session, described.get_mut("tableSchema")) {
            if let Some(Value::Array(columns)) = schema.get_mut("columns") {
                columns.insert(0, column(first));
            }
            if let Some(Value::Array(key)) = schema.get_mut("primaryKey") {
                key.insert(0, json!(first.name));
            }
        }
        described
    };
    let tables: Vec<Value> = tables.iter().map(with_session).chain([described(catalogue)]).collect();
    format!("{:#}\n", of_tables(tables))
}

fn document(tables: &[Table]) -> Value {
    of_tables(tables.iter().map(described).collect())
}

fn of_tables(tables: Vec<Value>) -> Value {
    json!({
        "@context": ["http://www.w3.org/ns/csvw", { "@language": "en" }],
        "dialect": {
            "encoding": "utf-8", "lineTerminators": ["\n"], "delimiter": ",", "quoteChar": "\"",
            "doubleQuote": true, "header": true, "headerRowCount": 1,
        },
        "tables": tables,
    })
}

fn described(table: &Table) -> Value {
    let mut schema = Map::new();
    schema.insert("columns".into(), table.columns.iter().map(column).collect());
    if !table.key.is_empty() {
        schema.insert("primaryKey".into(), json!(table.key));
    }
    json!({ "url": table.file_name(), "dc:description": table.about, "tableSchema": schema })
}

fn column(column: &Column) -> Value {
    let mut described = Map::new();
    described.insert("name".into(), json!(column.name));
    described.insert("titles".into(), json!(column.name));
    described.insert("dc:description".into(), json!(description(column)));
    described.insert("datatype".into(), datatype(column));
    if !column.shape.unit.is_empty() {
        described.insert("schema:unitText".into(), json!(column.shape.unit));
    }
    if column.shape.kind == Kind::Flags {
        described.insert("separator".into(), json!(";"));
    }
    if !column.shape.nullable {
        described.insert("required".into(), json!(true));
    }
    Value::Object(described)
}

/// Numbers are `decimal`, not `double`: they never stand in exponent form, and never as NaN or INF.
fn datatype(column: &Column) -> Value {
    match column.shape.kind {
        Kind::Integer => ranged("integer", column.shape.range),
        Kind::Number(_) => ranged("decimal", column.shape.range),
        Kind::Words(words) => one_of(words.iter().map(|(word, _)| *word)),
        Kind::Flags => one_of(Flag::ALL.iter().map(|flag| flag.word())),
        Kind::Pattern(form) => json!({ "base": "string", "format": form }),
        Kind::Truth => json!({ "base": "boolean", "format": "yes|no" }),
        Kind::Text | Kind::List | Kind::Dials => json!("string"),
    }
}

fn one_of<'a>(words: impl Iterator<Item = &'a str>) -> Value {
    json!({ "base": "string", "format": words.collect::<Vec<_>>().join("|") })
}

fn ranged(base: &str, range: Range) -> Value {
    match range {
        Range::Any => json!(base),
        Range::Positive => json!({ "base": base, "minExclusive": 0 }),
        Range::NotNegative => json!({ "base": base, "minimum": 0 }),
        Range::Unit => json!({ "base": base, "minimum": 0, "maximum": 1 }),
    }
}
