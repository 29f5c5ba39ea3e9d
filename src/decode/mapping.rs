//! Mappings: how a board with a JSON payload of its own is understood.
//!
//! Each field of the settings says where in the document a quantity stands
//! and in which unit. Nothing else of such a payload is read: no count and no
//! time, so these boards are dated by receipt.

use serde_json::Value;

use crate::decode::payload::{air, read};
use crate::decode::pointer::{Pointer, PointerError};
use crate::decode::topic::{FilterError, TopicFilter};
use crate::decode::value::{Values, judged, mark_half_scale};
use crate::decode::{Refusal, Unit, json};
use crate::observation::{Message, Name, Quantity, Sample, shown};

/// Why a mapping of the settings makes no sense.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MappingError {
    /// The topic is no filter.
    #[error(transparent)]
    Filter(#[from] FilterError),
    /// The pointer is no JSON Pointer.
    #[error(transparent)]
    Pointer(#[from] PointerError),
    /// Nothing in the topic says which board speaks.
    #[error("topic \"{}\" has no + to give the board's name", shown(topic))]
    NoBoard {
        /// The topic.
        topic: String,
    },
    /// No field at all.
    #[error("the mapping has no fields")]
    NoFields,
    /// A field is named after no quantity.
    #[error(
        "field \"{}\" is none of temperature, humidity, light, battery, \
         signal",
        shown(field)
    )]
    UnknownField {
        /// Its name.
        field: String,
    },
    /// The unit is not known.
    #[error(
        "unit \"{}\" of {field} is none of Cel, degF, K, %RH, lx, klx, V, \
         mV, dBm, dBW",
        shown(unit)
    )]
    UnknownUnit {
        /// The field.
        field: Quantity,
        /// The unit.
        unit: String,
    },
    /// The unit belongs to another quantity.
    #[error("unit \"{unit}\" measures {measures}, not {field}")]
    OtherUnit {
        /// The field.
        field: Quantity,
        /// The unit.
        unit: String,
        /// What the unit measures.
        measures: Quantity,
    },
    /// Scale or offset is not a finite number, or scale is zero.
    #[error("scale {scale} and offset {offset} of {field} lose the value")]
    Scale {
        /// The field.
        field: Quantity,
        /// The factor.
        scale: f64,
        /// The summand.
        offset: f64,
    },
}

/// Where one quantity stands in a foreign document.
#[derive(Debug, Clone, PartialEq)]
pub struct Field {
    quantity: Quantity,
    pointer: Pointer,
    unit: Unit,
    scale: f64,
    offset: f64,
}

impl Field {
    /// A field as the settings state it: the number at `pointer` times
    /// `scale` plus `offset` is a value in `unit`.
    ///
    /// # Errors
    /// [`MappingError`] when one of them makes no sense.
    pub fn new(
        field: &str,
        pointer: &str,
        unit: &str,
        scale: f64,
        offset: f64,
    ) -> Result<Self, MappingError> {
        let quantity = Quantity::from_word(field).ok_or_else(|| {
            MappingError::UnknownField { field: field.to_owned() }
        })?;
        let known = Unit::from_code(unit).ok_or_else(|| {
            MappingError::UnknownUnit { field: quantity, unit: unit.to_owned() }
        })?;
        if known.quantity() != quantity {
            return Err(MappingError::OtherUnit {
                field: quantity,
                unit: unit.to_owned(),
                measures: known.quantity(),
            });
        }
        if !scale.is_normal() || !offset.is_finite() {
            return Err(MappingError::Scale { field: quantity, scale, offset });
        }
        let pointer = Pointer::new(pointer)?;
        Ok(Self { quantity, pointer, unit: known, scale, offset })
    }
}

/// A topic and the fields of its payload.
#[derive(Debug, Clone, PartialEq)]
pub struct Mapping {
    topic: TopicFilter,
    probe: Name,
    fields: Vec<Field>,
}

impl Mapping {
    /// A mapping as the settings state it; `probe` is `air` unless named.
    ///
    /// # Errors
    /// [`MappingError`] when the topic is no filter or has no `+`, or there
    /// are no fields.
    pub fn new(
        topic: &str,
        probe: Option<Name>,
        fields: Vec<Field>,
    ) -> Result<Self, MappingError> {
        let filter = TopicFilter::new(topic)?;
        if !filter.names_board() {
            return Err(MappingError::NoBoard { topic: topic.to_owned() });
        }
        if fields.is_empty() {
            return Err(MappingError::NoFields);
        }
        Ok(Self { topic: filter, probe: probe.unwrap_or_else(air), fields })
    }

    /// The topics it is for.
    #[must_use]
    pub fn topic(&self) -> &TopicFilter {
        &self.topic
    }

    /// Reads one packet: one sample, dated by receipt.
    ///
    /// A field that is missing is not measured; `null` is an error of the
    /// sensor; a number may also come as a text.
    ///
    /// # Errors
    /// [`Refusal`] when the topic is another's or nothing can be kept.
    pub fn decode(
        &self,
        topic: &str,
        bytes: &[u8],
    ) -> Result<Message, Refusal> {
        let board = self.topic.board(topic)?;
        let document = read(bytes)?;
        let (mut values, mut errors) = (Values::new(), Vec::new());
        let mut refused = Vec::new();
        for field in &self.fields {
            match field.pointer.value(&document) {
                None => {}
                Some(Value::Null) => {
                    errors.push((field.quantity, "not told".to_owned()));
                }
                Some(value) => match field.read(value) {
                    Ok(measured) => values.push(measured),
                    Err(refusal) => refused.push(refusal),
                },
            }
        }
        if values.is_empty() && errors.is_empty() {
            let first = refused.into_iter().next();
            return Err(first.unwrap_or(Refusal::NothingMeasured));
        }
        mark_half_scale(&mut values);
        let sample = Sample {
            probe: self.probe.clone(),
            count: None,
            claimed: None,
            values,
            errors,
        };
        Ok(Message {
            board,
            samples: vec![sample],
            refused: refused.iter().map(|r| (0, r.to_string())).collect(),
            unknown_members: 0,
        })
    }
}

impl Field {
    fn read(
        &self,
        value: &Value,
    ) -> Result<(Quantity, f64, crate::observation::Quality), Refusal> {
        let number = match value {
            Value::Number(number) => number.as_f64(),
            Value::String(text) => text.trim().parse().ok(),
            _ => None,
        };
        let number = number.ok_or_else(|| Refusal::WrongSort {
            member: self.quantity.word().to_owned(),
            found: json::seen(value),
            wanted: "a number",
        })?;
        let stated = number * self.scale + self.offset;
        judged(self.quantity, self.unit.kept(stated))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::Quality;

    fn mapping() -> Mapping {
        let fields = vec![
            Field::new("temperature", "/t", "degF", 1.0, 0.0).unwrap(),
            Field::new("light", "/sky/0/l", "lx", 10.0, -5.0).unwrap(),
            Field::new("humidity", "/h", "%RH", 1.0, 0.0).unwrap(),
        ];
        Mapping::new("garden/+/state", None, fields).unwrap()
    }

    fn decoded(text: &str) -> Result<Message, Refusal> {
        mapping().decode("garden/cold-frame/state", text.as_bytes())
    }

    #[test]
    fn a_foreign_payload_is_read_by_its_pointers() {
        let text = r#"{"t":41,"sky":[{"l":"12"}],"h":null,"x":1}"#;
        let message = decoded(text).unwrap();
        assert_eq!(message.board.as_str(), "cold-frame");
        let sample = &message.samples[0];
        assert_eq!(sample.probe.as_str(), "air");
        assert_eq!(sample.values[0].0, Quantity::Temperature);
        assert!((sample.values[0].1 - 5.0).abs() < 1e-12);
        assert_eq!(sample.values[1], (Quantity::Light, 115.0, Quality::GOOD));
        let error = (Quantity::Humidity, "not told".to_owned());
        assert_eq!(sample.errors, [error]);
    }

    #[track_caller]
    fn check_refused(text: &str, reason: &str) {
        assert_eq!(decoded(text).unwrap_err().to_string(), reason);
    }

    #[test]
    fn refusals_say_what_was_wrong() {
        check_refused(
            r#"{"z":1}"#,
            "nothing was measured: no known quantity and no error",
        );
        check_refused(
            r#"{"t":"warm"}"#,
            "temperature is \"warm\", not a number",
        );
        check_refused(
            r#"{"h":true}"#,
            "humidity is true or false, not a number",
        );
        check_refused(r#"{"h":"nan"}"#, "humidity NaN % is outside 0 to 105 %");
        check_refused(r#"{"h":1e4}"#, "humidity 10000 % is outside 0 to 105 %");
        let other = mapping().decode("garden/cold-frame", b"{}").unwrap_err();
        assert_eq!(
            other.to_string(),
            "topic \"garden/cold-frame\" does not match \"garden/+/state\""
        );
    }

    #[test]
    fn one_bad_field_does_not_cost_the_others() {
        let message = decoded(r#"{"t":41,"h":600}"#).unwrap();
        assert_eq!(message.samples[0].values.len(), 1);
        let reason = "humidity 600 % is outside 0 to 105 %".to_owned();
        assert_eq!(message.refused, [(0, reason)]);
    }

    #[test]
    fn settings_that_make_no_sense_say_why() {
        let field = |name, pointer, unit, scale| {
            Field::new(name, pointer, unit, scale, 0.0).unwrap_err().to_string()
        };
        assert_eq!(
            field("warmth", "/t", "Cel", 1.0),
            "field \"warmth\" is none of temperature, humidity, light, \
             battery, signal"
        );
        assert_eq!(
            field("temperature", "/t", "C", 1.0),
            "unit \"C\" of temperature is none of Cel, degF, K, %RH, lx, \
             klx, V, mV, dBm, dBW"
        );
        assert_eq!(
            field("temperature", "/t", "lx", 1.0),
            "unit \"lx\" measures light, not temperature"
        );
        assert_eq!(
            field("light", "/l", "lx", 0.0),
            "scale 0 and offset 0 of light lose the value"
        );
        assert_eq!(
            field("light", "l", "lx", 1.0),
            "pointer \"l\" must be empty or begin with /"
        );
        let topic = |topic, fields| {
            Mapping::new(topic, None, fields).unwrap_err().to_string()
        };
        assert_eq!(
            topic("garden/state", vec![]),
            "topic \"garden/state\" has no + to give the board's name"
        );
        assert_eq!(topic("garden/+", vec![]), "the mapping has no fields");
        assert_eq!(
            topic("garden/+x", vec![]),
            "in topic filter \"garden/+x\" a + must fill a level, and a # \
             the last one"
        );
    }
}
