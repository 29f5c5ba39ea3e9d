//! A sample as the board would send it: wire contract 1.

use serde_json::{Map, Value, json};

use crate::season::boards::WireSample;

/// The JSON object of a sample; `board` is named on a serial line only.
pub(crate) fn object(sample: &WireSample, names_board: bool) -> String {
    let mut object = Map::new();
    if names_board {
        object.insert("board".to_owned(), json!(sample.board.as_str()));
    }
    object.insert("boot".to_owned(), json!(sample.boot.as_str()));
    object.insert("seq".to_owned(), json!(sample.seq));
    object.insert("up_ms".to_owned(), json!(sample.up_ms));
    if sample.probe.as_str() != "air" {
        object.insert("probe".to_owned(), json!(sample.probe.as_str()));
    }
    for (quantity, value) in &sample.values {
        object.insert(quantity.column().to_owned(), json!(value));
    }
    if let Some(limit) = sample.light_limit_lux {
        object.insert("light_limit_lux".to_owned(), json!(limit));
    }
    Value::Object(object).to_string()
}
