//! The `[[mapping]]` part of the settings: payloads of the boards' own
//! making.
//!
//! Not the reading of such a payload: that is [`crate::decode::Mapping`].

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::decode::{Field, Mapping, MappingError};
use crate::observation::Name;

/// One topic and the fields of its payload.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Topic filter; the level at its first `+` is the board's name.
    pub topic: String,
    /// The probe that is read; `air` by default.
    pub probe: Option<String>,
    /// Quantity → where it stands.
    pub fields: BTreeMap<String, FieldSettings>,
}

/// Where one quantity stands in the payload.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldSettings {
    /// JSON Pointer (RFC 6901).
    pub pointer: String,
    /// Unit of the number after scale and offset.
    pub unit: String,
    /// Factor.
    #[serde(default = "one")]
    pub scale: f64,
    /// Summand, after the factor.
    #[serde(default)]
    pub offset: f64,
}

fn one() -> f64 {
    1.0
}

/// Why a `[[mapping]]` cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("the mapping of topic \"{topic}\": {reason}")]
pub struct BadMapping {
    /// The topic filter of the settings.
    pub topic: String,
    /// What is wrong.
    pub reason: String,
}

impl Settings {
    /// The mapping that the settings describe.
    ///
    /// # Errors
    /// [`BadMapping`] when topic, probe, pointer or unit make no sense.
    pub fn mapping(&self) -> Result<Mapping, BadMapping> {
        let bad =
            |reason: String| BadMapping { topic: self.topic.clone(), reason };
        let probe = match &self.probe {
            Some(probe) => {
                Some(Name::new(probe).map_err(|error| bad(error.to_string()))?)
            }
            None => None,
        };
        let fields: Result<Vec<Field>, MappingError> = self
            .fields
            .iter()
            .map(|(quantity, f)| {
                Field::new(quantity, &f.pointer, &f.unit, f.scale, f.offset)
            })
            .collect();
        fields
            .and_then(|fields| Mapping::new(&self.topic, probe, fields))
            .map_err(|error| bad(error.to_string()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mapping_is_read_as_the_settings_write_it() {
        let settings: Settings = toml::from_str(
            r#"
            topic = "garden/+/state"
            [fields]
            temperature = { pointer = "/t", unit = "Cel" }
            light = { pointer = "/l", unit = "lx", scale = 10 }
            "#,
        )
        .unwrap();
        let mapping = settings.mapping().unwrap();
        let payload = br#"{"t":4.5,"l":120}"#;
        let message =
            mapping.decode("garden/cold-frame/state", payload).unwrap();
        let values: Vec<f64> =
            message.samples[0].values.iter().map(|(_, v, _)| *v).collect();
        assert!(values.contains(&4.5) && values.contains(&1200.0));
    }

    #[test]
    fn a_wrong_unit_is_named_with_its_topic() {
        let settings: Settings = toml::from_str(
            r#"
            topic = "garden/+/state"
            fields = { temperature = { pointer = "/t", unit = "lx" } }
            "#,
        )
        .unwrap();
        let error = settings.mapping().unwrap_err().to_string();
        assert!(error.contains("garden/+/state"), "{error}");
        assert!(error.contains("lx"), "{error}");
    }
}
