//! JSON as a careful reader takes it: one document, no member twice, no
//! deep nesting.
//!
//! Not a parser of its own: serde_json reads, this watches what it reads.

use std::cell::RefCell;
use std::fmt;

use serde::de::{DeserializeSeed, Error, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

use crate::decode::Refusal;
use crate::observation::shown;

/// Levels of nesting that are taken: the wire contract needs three, boards
/// with a payload of their own have been seen with six.
pub(crate) const DEEPEST: usize = 16;

/// Reads one JSON document.
pub(crate) fn document(bytes: &[u8]) -> Result<Value, Refusal> {
    let text = std::str::from_utf8(bytes)
        .map_err(|error| Refusal::NotText { at: error.valid_up_to() })?;
    let refusal = RefCell::new(None);
    let mut reader = serde_json::Deserializer::from_str(text);
    let read = Careful { left: DEEPEST, refusal: &refusal }
        .deserialize(&mut reader)
        .and_then(|value| reader.end().map(|()| value));
    read.map_err(|error| {
        refusal.take().unwrap_or_else(|| Refusal::NotJson {
            detail: shown(&error.to_string()),
        })
    })
}

/// What a value is, in words for a refusal.
pub(crate) fn sort_of(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "true or false",
        Value::Number(_) => "a number",
        Value::String(_) => "a text",
        Value::Array(_) => "an array",
        Value::Object(_) => "an object",
    }
}

/// A value as a refusal shows it: short values themselves, others by sort.
pub(crate) fn seen(value: &Value) -> String {
    match value {
        Value::Number(number) => number.to_string(),
        Value::String(text) => format!("\"{}\"", shown(text)),
        other => sort_of(other).to_owned(),
    }
}

#[derive(Clone, Copy)]
struct Careful<'a> {
    left: usize,
    refusal: &'a RefCell<Option<Refusal>>,
}

impl Careful<'_> {
    fn refuse<E: Error>(&self, refusal: Refusal) -> E {
        let error = E::custom(&refusal);
        self.refusal.replace(Some(refusal));
        error
    }

    fn deeper<E: Error>(self) -> Result<Self, E> {
        match self.left.checked_sub(1) {
            Some(left) => Ok(Self { left, ..self }),
            None => Err(self.refuse(Refusal::TooDeep { limit: DEEPEST })),
        }
    }
}

impl<'de> DeserializeSeed<'de> for Careful<'_> {
    type Value = Value;
    fn deserialize<D: serde::Deserializer<'de>>(
        self,
        reader: D,
    ) -> Result<Value, D::Error> {
        reader.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Careful<'_> {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(Value::Number(value.into()))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(Value::Number(value.into()))
    }

    fn visit_f64<E: Error>(self, value: f64) -> Result<Value, E> {
        Number::from_f64(value)
            .map(Value::Number)
            .ok_or_else(|| E::custom("number out of range"))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(Value::String(value.to_owned()))
    }

    fn visit_seq<A: SeqAccess<'de>>(
        self,
        mut elements: A,
    ) -> Result<Value, A::Error> {
        let inside = self.deeper()?;
        let mut array = Vec::new();
        while let Some(element) = elements.next_element_seed(inside)? {
            array.push(element);
        }
        Ok(Value::Array(array))
    }

    fn visit_map<A: MapAccess<'de>>(
        self,
        mut members: A,
    ) -> Result<Value, A::Error> {
        let inside = self.deeper()?;
        let mut object = Map::new();
        while let Some(member) = members.next_key::<String>()? {
            if object.contains_key(&member) {
                return Err(self.refuse(Refusal::MemberTwice { member }));
            }
            let value = members.next_value_seed(inside)?;
            object.insert(member, value);
        }
        Ok(Value::Object(object))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_refused(bytes: &[u8], reason: &str) {
        assert_eq!(document(bytes).unwrap_err().to_string(), reason);
    }

    #[test]
    fn a_document_is_read_as_it_stands() {
        let text = r#"{"a":[1,-2,2.5,null,true,"x"],"b":{"c":{}}}"#;
        let plain: Value = serde_json::from_str(text).unwrap();
        assert_eq!(document(text.as_bytes()).unwrap(), plain);
    }

    #[test]
    fn a_member_twice_is_refused_wherever_it_stands() {
        let reason = "member \"a\" appears twice in one object";
        check_refused(br#"{"a":1,"b":2,"a":3}"#, reason);
        check_refused(br#"[{"x":{"a":1,"\u0061":1}}]"#, reason);
    }

    #[test]
    fn nesting_is_limited_before_it_can_hurt() {
        let fine = format!("{}{}", "[".repeat(16), "]".repeat(16));
        assert!(document(fine.as_bytes()).is_ok());
        let reason = "nested deeper than 16 levels";
        check_refused("[".repeat(17).as_bytes(), reason);
        check_refused("[".repeat(60_000).as_bytes(), reason);
        check_refused(r#"{"a":"#.repeat(10_000).as_bytes(), reason);
    }

    /// Source: RFC 8259, section 6 (numbers) and 8.1 (UTF-8), from memory.
    #[test]
    fn what_json_does_not_know_is_refused() {
        check_refused(
            br#"{"a":NaN}"#,
            "not JSON: expected value at line 1 column 6",
        );
        check_refused(
            br#"{"a":1e999}"#,
            "not JSON: number out of range at line 1 column 10",
        );
        check_refused(
            br#"{"a":1} x"#,
            "not JSON: trailing characters at line 1 column 9",
        );
        check_refused(
            b"",
            "not JSON: EOF while parsing a value at line 1 column 0",
        );
        check_refused(b"{\"a\":\"\xff\"}", "byte 6 is not UTF-8 text");
    }
}
