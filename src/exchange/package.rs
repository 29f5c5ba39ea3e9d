//! The descriptor of an exported folder: a Data Package, so that any reader
//! of that open standard knows files, columns, types and units.
//!
//! Only describes; the tables are written in `folder_out` and `readings_out`.

use serde_json::{Value, json};

use crate::exchange::columns::{Cell, Column, Table};
use crate::exchange::times::ZoneRule;
use crate::observation::Quantity;
use crate::trial::book::Trial;
use crate::units::Instant;

/// The descriptor's file.
pub(crate) const FILE: &str = "datapackage.json";
/// How a folder of ours is recognised.
pub(crate) const FORMAT: &str = "vernalog-folder/1";

/// A file that was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Written {
    /// The file, inside the folder.
    pub file: String,
    /// Rows without the line of headings.
    pub rows: u64,
    fields: Vec<Value>,
    text: String,
}

impl Written {
    /// A table of the folder, with the factor columns it was given.
    pub(crate) fn table(table: &Table, factors: &[String], rows: u64) -> Self {
        let mut fields: Vec<Value> =
            table.columns.iter().map(field_of).collect();
        fields.extend(factors.iter().map(|factor| {
            json!({
                "name": factor,
                "type": "string",
                "description": "level of this factor; empty: not stated here",
            })
        }));
        Self {
            file: table.file.to_owned(),
            rows,
            fields,
            text: table.text.to_owned(),
        }
    }

    /// A file of readings.
    pub(crate) fn readings(file: String, rows: u64) -> Self {
        let mut fields = vec![
            json!({"name": "board", "type": "string",
                   "description": "the device"}),
            json!({"name": "probe", "type": "string",
                   "description": "its sensor"}),
            json!({"name": "time", "type": "datetime", "format": "any",
                   "description": "when it was measured, UTC"}),
        ];
        fields.extend(Quantity::ALL.map(|quantity| {
            json!({
                "name": quantity.column(),
                "type": "number",
                "description":
                    format!("raw {quantity}, {}", quantity.unit()),
            })
        }));
        fields.push(json!({
            "name": "quality", "type": "string",
            "description": "marks, separated by spaces; empty: none",
        }));
        let text = "raw readings, uncorrected".to_owned();
        Self { file, rows, fields, text }
    }
}

fn field_of(column: &Column) -> Value {
    let (kind, format, mut constraints) = match column.cell {
        Cell::Name => {
            ("string", "default", json!({"pattern": "[a-z0-9][a-z0-9-]{0,39}"}))
        }
        Cell::Text | Cell::When | Cell::Label => {
            ("string", "default", json!({}))
        }
        Cell::Json => ("object", "default", json!({})),
        Cell::Count => ("integer", "default", json!({"minimum": 0})),
        Cell::Word(words) => ("string", "default", json!({"enum": words()})),
        Cell::YesNo => ("boolean", "default", json!({})),
    };
    constraints["required"] = json!(column.needed);
    let text = match column.cell {
        Cell::When => format!("{}; a date, or RFC 3339", column.text),
        Cell::Count => format!("{}; seeds", column.text),
        _ => column.text.to_owned(),
    };
    let mut field = json!({
        "name": column.name,
        "type": kind,
        "format": format,
        "description": text,
        "constraints": constraints,
    });
    if matches!(column.cell, Cell::YesNo) {
        field["trueValues"] = json!(["yes"]);
        field["falseValues"] = json!(["no"]);
    }
    field
}

/// The descriptor of a folder.
pub(crate) fn descriptor(
    trial: &Trial,
    files: &[Written],
    zone: &ZoneRule,
    now: Instant,
) -> Value {
    let resources: Vec<Value> = files
        .iter()
        .map(|written| {
            let name = written.file.trim_end_matches(".csv");
            json!({
                "name": name,
                "path": written.file,
                "profile": "tabular-data-resource",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "description": written.text,
                "schema": {
                    "fields": written.fields,
                    "missingValues": [""],
                },
            })
        })
        .collect();
    json!({
        "profile": "tabular-data-package",
        "name": trial.name.as_str(),
        "title": trial.question,
        "created": now,
        "description": "A germination trial: what was sown, where it stayed, \
                        what was counted. Dates without an hour mean the \
                        evening hour below in the time zone below.",
        "format": FORMAT,
        "time_zone": zone.zone.name(),
        "evening": zone.evening.format("%H:%M").to_string(),
        "resources": resources,
    })
}
