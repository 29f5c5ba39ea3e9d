//! MQTT topics and filters (section 4.7 of MQTT 3.1.1), and the board's
//! name in a topic.
//!
//! Not a session: nobody subscribes here.

use crate::decode::Refusal;
use crate::observation::{Name, shown};

/// The name under which the host itself publishes.
const KEPT: &str = "host";

/// Why a text is no topic filter.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FilterError {
    /// Empty, or longer than MQTT can carry.
    #[error("a topic filter has 1 to 65535 bytes, not {bytes}")]
    Length {
        /// Its length.
        bytes: usize,
    },
    /// `+` or `#` beside other characters, or `#` before the end.
    #[error(
        "in topic filter \"{}\" a + must fill a level, and a # the last one",
        shown(filter)
    )]
    Wildcard {
        /// The text.
        filter: String,
    },
}

/// A checked topic filter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TopicFilter(String);

impl TopicFilter {
    /// Checks a filter and keeps it.
    ///
    /// # Errors
    /// [`FilterError`] when it breaks MQTT 3.1.1, section 4.7.1.
    pub fn new(filter: &str) -> Result<Self, FilterError> {
        let bytes = filter.len();
        if bytes == 0 || bytes > usize::from(u16::MAX) {
            return Err(FilterError::Length { bytes });
        }
        let levels: Vec<&str> = filter.split('/').collect();
        let last = levels.len() - 1;
        let sound = levels.iter().enumerate().all(|(at, level)| {
            let wild = level.contains(['+', '#', '\0']);
            !wild || *level == "+" || (*level == "#" && at == last)
        });
        if sound {
            Ok(Self(filter.to_owned()))
        } else {
            Err(FilterError::Wildcard { filter: filter.to_owned() })
        }
    }

    /// The filter as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether it covers a topic.
    #[must_use]
    pub fn matches(&self, topic: &str) -> bool {
        topic_matches(&self.0, topic)
    }

    /// Whether it has a `+`, and so can give a board's name.
    #[must_use]
    pub fn names_board(&self) -> bool {
        self.0.split('/').any(|level| level == "+")
    }

    /// The board's name: the level of the topic at the first `+`.
    ///
    /// # Errors
    /// [`Refusal::OtherTopic`] when the filter does not cover the topic or
    /// has no `+`, [`Refusal::NotAName`] or [`Refusal::NameKept`] when the
    /// level is no board's name.
    pub fn board(&self, topic: &str) -> Result<Name, Refusal> {
        let mut levels = self.0.split('/').zip(topic.split('/'));
        let level = levels.find(|(level, _)| *level == "+");
        match level {
            Some((_, name)) if self.matches(topic) => {
                let name = Name::new(name).map_err(|error| {
                    Refusal::NotAName { member: "board", error }
                })?;
                not_kept(name)
            }
            _ => Err(Refusal::OtherTopic {
                topic: topic.to_owned(),
                filter: self.0.clone(),
            }),
        }
    }
}

/// A board's name that is not the host's own.
pub(crate) fn not_kept(name: Name) -> Result<Name, Refusal> {
    if name.as_str() == KEPT {
        return Err(Refusal::NameKept { name: name.to_string() });
    }
    Ok(name)
}

/// Whether a filter covers a topic.
///
/// `+` stands for one level, `#` for the rest and its parent; neither
/// covers a first level that begins with `$`. Both must be sound; see
/// [`TopicFilter::new`].
///
/// # Source
/// OASIS MQTT 3.1.1, section 4.7; see test `filters_cover_what_mqtt_says`.
#[must_use]
pub fn topic_matches(filter: &str, topic: &str) -> bool {
    if topic.is_empty() || topic.contains(['+', '#']) {
        return false;
    }
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut levels = topic.split('/');
    for pattern in filter.split('/') {
        match (pattern, levels.next()) {
            ("#", _) => return true,
            ("+", Some(_)) => {}
            (pattern, Some(level)) if pattern == level => {}
            _ => return false,
        }
    }
    levels.next().is_none()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// MQTT 4.7; status: see `tests/reference/messages/README.md`.
    const CASES: &str = include_str!(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/reference/messages/mqtt_filters.json"
    ));

    #[test]
    fn filters_cover_what_mqtt_says() {
        let cases: serde_json::Value = serde_json::from_str(CASES).unwrap();
        let pairs = cases["valid"].as_array().unwrap();
        assert_eq!(pairs.len(), 20);
        for pair in pairs {
            let filter = pair["filter"].as_str().unwrap();
            let topic = pair["topic"].as_str().unwrap();
            let covers = TopicFilter::new(filter).unwrap().matches(topic);
            assert_eq!(Some(covers), pair["match"].as_bool(), "{pair}");
        }
        let texts = |member: &str| {
            let texts = cases[member].as_array().unwrap().clone();
            assert!(!texts.is_empty());
            texts.into_iter().map(|t| t.as_str().unwrap().to_owned())
        };
        for filter in texts("valid_filters") {
            assert!(TopicFilter::new(&filter).is_ok(), "{filter}");
        }
        for filter in texts("invalid_filters") {
            assert!(TopicFilter::new(&filter).is_err(), "{filter}");
        }
        for topic in texts("invalid_topics") {
            assert!(!topic_matches("#", &topic), "{topic}");
        }
    }

    #[test]
    fn bad_filters_are_refused_with_their_rule() {
        let reason = |text| TopicFilter::new(text).unwrap_err().to_string();
        assert_eq!(
            reason("garden/#/state"),
            "in topic filter \"garden/#/state\" a + must fill a level, and \
             a # the last one"
        );
        assert_eq!(reason(""), "a topic filter has 1 to 65535 bytes, not 0");
    }

    #[test]
    fn the_plus_gives_the_boards_name() {
        let filter = TopicFilter::new("vernalog/+/readings").unwrap();
        let board = |topic| {
            filter
                .board(topic)
                .map(|name| name.to_string())
                .map_err(|refusal| refusal.to_string())
        };
        assert_eq!(board("vernalog/shed/readings"), Ok("shed".to_owned()));
        assert_eq!(
            board("vernalog/Shed 1/readings"),
            Err("board \"Shed 1\" is not a name: use 1 to 40 of a–z, 0–9 \
                 and -, beginning with a letter or digit"
                .to_owned())
        );
        assert_eq!(
            board("vernalog/host/readings"),
            Err("\"host\" is kept for the host and is no board's name"
                .to_owned())
        );
        assert_eq!(
            board("vernalog/shed/status"),
            Err("topic \"vernalog/shed/status\" does not match \
                 \"vernalog/+/readings\""
                .to_owned())
        );
    }
}
