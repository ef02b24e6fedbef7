//! JSON Schema (draft 2020-12) of `results.json`, made from the column definitions. It is closed:
//! no object may hold a key that is not described here.

use serde_json::{Map, Value, json};

use super::column::{Column, Kind, Range, Table};
use super::json::{PROGRAM, SCHEMA};
use super::results::{COMPARISON_TABLES, CSV_TABLES, JSON_OBJECTS, JSON_TABLES};
use crate::flag::Flag;

/// Name under which the schema describes the flags once for all tables.
const FLAGS: &str = "flags";

/// File name of the schema, beside the results.
pub const FILE_NAME: &str = "results.schema.json";

/// The schema, as text that ends in a line end.
#[must_use]
pub fn text() -> String {
    format!("{:#}\n", document())
}

/// The schema.
#[must_use]
pub fn document() -> Value {
    let mut properties = heads();
    let mut definitions = Map::new();
    definitions.insert(
        FLAGS.into(),
        json!({
            "type": ["string", "null"],
            "pattern": flags_pattern(),
            "description": "Words separated by `;`, each explained on the reference page.",
        }),
    );
    for table in JSON_OBJECTS {
        properties.insert(table.name.into(), reference(table));
        definitions.insert(table.name.into(), object(table));
    }
    for table in JSON_TABLES.into_iter().chain(CSV_TABLES) {
        properties.insert(
            table.name.into(),
            json!({ "type": "array", "items": reference(table), "description": table.about }),
        );
        definitions.insert(table.name.into(), object(table));
    }
    let optional: Vec<&str> = COMPARISON_TABLES.iter().map(|table| table.name).collect();
    let required: Vec<&String> = properties.keys().filter(|key| !optional.contains(&key.as_str())).collect();
    // Tables of a comparison come together or not at all.
    let together: Map<String, Value> =
        optional.iter().map(|&name| (name.to_owned(), json!(optional))).collect();
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": format!("urn:{PROGRAM}:results:{SCHEMA}"),
        "title": format!("Results of {PROGRAM}"),
        "description": "Decay of a room's low-frequency resonances and bands. A value that can't be determined is null; where there are flags they hold the reason. Units stand in the keys' names.",
        "type": "object",
        "additionalProperties": false,
        "required": required,
        "dependentRequired": together,
        "properties": properties,
        "$defs": definitions,
    })
}

/// What stands in the file beside its tables.
fn heads() -> Map<String, Value> {
    let mut properties = Map::new();
    properties.insert("schema".into(), json!({
        "const": SCHEMA,
        "description": "Layout of this file; raised when a key goes or changes its meaning, not when one is added.",
    }));
    properties.insert(
        "program".into(),
        json!({ "const": PROGRAM, "description": "Program that wrote this file." }),
    );
    properties.insert(
        "version".into(),
        json!({
            "type": "string",
            "pattern": r"^[0-9]+\.[0-9]+\.[0-9]+",
            "description": "Version of the program.",
        }),
    );
    properties.insert(
        "warnings".into(),
        json!({
            "type": "array", "items": { "type": "string", "minLength": 1 },
            "description": "What the reader should know, in sentences.",
        }),
    );
    properties
}

fn reference(table: &Table) -> Value {
    json!({ "$ref": format!("#/$defs/{}", table.name) })
}

fn object(table: &Table) -> Value {
    let names: Vec<&str> = table.always().columns.iter().map(|column| column.name).collect();
    let properties: Map<String, Value> =
        table.columns.iter().map(|column| (column.name.to_owned(), property(column))).collect();
    json!({
        "description": table.about,
        "type": "object",
        "additionalProperties": false,
        "required": names,
        "properties": properties,
    })
}

fn property(column: &Column) -> Value {
    let mut property = value(column);
    property.insert("description".into(), json!(description(column)));
    if column.shape.nullable {
        // `enum` has null among its words; the other keywords bind only values of their own type.
        if let Some(kind) = property.get_mut("type") {
            *kind = json!([kind.clone(), "null"]);
        }
        if let Some(Value::Array(words)) = property.get_mut("enum") {
            words.push(Value::Null);
        }
    }
    Value::Object(property)
}

fn value(column: &Column) -> Map<String, Value> {
    let keywords = match column.shape.kind {
        Kind::Text => json!({ "type": "string", "minLength": 1 }),
        Kind::Pattern(form) => json!({ "type": "string", "pattern": format!("^{form}$") }),
        Kind::Words(words) => json!({ "enum": words.iter().map(|(word, _)| *word).collect::<Vec<_>>() }),
        Kind::Flags => json!({ "$ref": format!("#/$defs/{FLAGS}") }),
        Kind::Integer => ranged("integer", column.shape.range),
        Kind::Number(_) => ranged("number", column.shape.range),
        Kind::Truth => json!({ "type": "boolean" }),
        Kind::List => json!({ "type": "array", "items": { "type": "string", "minLength": 1 } }),
        Kind::Dials => {
            json!({ "type": "object", "minProperties": 1, "additionalProperties": { "type": "number" } })
        }
    };
    match keywords {
        Value::Object(map) => map,
        _ => Map::new(), // json!({ .. }) is always an object
    }
}

fn ranged(kind: &str, range: Range) -> Value {
    match range {
        Range::Any => json!({ "type": kind }),
        Range::Positive => json!({ "type": kind, "exclusiveMinimum": 0 }),
        Range::NotNegative => json!({ "type": kind, "minimum": 0 }),
        Range::Unit => json!({ "type": kind, "minimum": 0, "maximum": 1 }),
    }
}

fn flags_pattern() -> String {
    let words: Vec<&str> = Flag::ALL.iter().map(|flag| flag.word()).collect();
    let any = words.join("|");
    format!("^(?:{any})(?:;(?:{any}))*$")
}

/// Definition, unit and source in one line.
pub(super) fn description(column: &Column) -> String {
    let mut text = column.definition.to_owned();
    if !column.shape.unit.is_empty() {
        text.push_str(&format!(" Unit: {}.", column.shape.unit));
    }
    if !column.source.is_empty() {
        text.push_str(&format!(" Source: {}.", column.source));
    }
    text
}
