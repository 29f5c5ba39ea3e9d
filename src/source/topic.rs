//! Which board a topic speaks of, and how its payload is read.
//!
//! Not a matcher of subscriptions: every message that arrives is looked at
//! here once, whichever MQTT door it came in by.

use crate::decode::{self, Mapping, Refusal};
use crate::observation::{Message, Name, shown};
use crate::units::Instant;

/// Where a message belongs.
#[derive(Debug, PartialEq)]
pub(crate) enum Route<'a> {
    /// `vernalog/<board>/readings`.
    Readings(Name),
    /// `vernalog/<board>/status`: a hint, never a reading.
    Status(Name),
    /// `vernalog/host/…`: what this program itself says.
    Ours,
    /// A topic of the settings' mappings.
    Mapped(&'a Mapping, Name),
    /// None of these, with the reason.
    Refused(String),
}

/// Finds out what a topic is.
pub(crate) fn route<'a>(topic: &str, mappings: &'a [Mapping]) -> Route<'a> {
    if let Some(own) = own_topic(topic) {
        return own;
    }
    for mapping in mappings {
        match mapping.topic().board(topic) {
            Ok(board) => return Route::Mapped(mapping, board),
            Err(Refusal::OtherTopic { .. }) => {}
            Err(refusal) => return Route::Refused(refusal.to_string()),
        }
    }
    Route::Refused(format!(
        "topic \"{}\" is neither vernalog/<board>/readings nor that of a \
         mapping",
        shown(topic)
    ))
}

/// A topic below `vernalog/`, if this is one of wire contract 1.
fn own_topic<'a>(topic: &str) -> Option<Route<'a>> {
    let rest = topic.strip_prefix("vernalog/")?;
    if rest.starts_with("host/") {
        return Some(Route::Ours);
    }
    let (board, last) = rest.split_once('/')?;
    let to: fn(Name) -> Route<'a> = match last {
        "readings" => Route::Readings,
        "status" => Route::Status,
        _ => return None,
    };
    Some(match Name::new(board) {
        Ok(board) => to(board),
        Err(error) => Route::Refused(error.to_string()),
    })
}

impl Route<'_> {
    /// The board that the topic names.
    pub(crate) fn board(&self) -> Option<&Name> {
        match self {
            Self::Readings(board)
            | Self::Status(board)
            | Self::Mapped(_, board) => Some(board),
            Self::Ours | Self::Refused(_) => None,
        }
    }

    /// Reads the payload in the way of this topic.
    pub(crate) fn decode(
        self,
        topic: &str,
        received: Instant,
        payload: &[u8],
    ) -> Result<Message, String> {
        match self {
            Self::Readings(board) => decode::payload(&board, payload, received)
                .map_err(|refusal| refusal.to_string()),
            Self::Mapped(mapping, _) => mapping
                .decode(topic, payload)
                .map_err(|refusal| refusal.to_string()),
            Self::Status(_) => {
                Err("a status message is not a reading".to_owned())
            }
            Self::Ours => Err("topics below vernalog/host are kept for this \
                               program's own messages"
                .to_owned()),
            Self::Refused(reason) => Err(reason),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode::Field;

    fn garden() -> [Mapping; 1] {
        let field = Field::new("temperature", "/t", "Cel", 1.0, 0.0).unwrap();
        [Mapping::new("garden/+/state", None, vec![field]).unwrap()]
    }

    fn board_of(topic: &str) -> Option<String> {
        match route(topic, &[]) {
            Route::Readings(board) => Some(board.to_string()),
            _ => None,
        }
    }

    #[test]
    fn the_topic_names_the_board() {
        assert_eq!(
            board_of("vernalog/fridge-drawer/readings").as_deref(),
            Some("fridge-drawer")
        );
    }

    #[test]
    fn other_topics_are_refused_with_the_topic_named() {
        for topic in [
            "vernalog/readings",
            "vernalog/a/b/readings",
            "vernalog/a/readings/",
            "vernalog//readings",
            "vernalog/Sill/readings",
            "Vernalog/a/readings",
            "/vernalog/a/readings",
            "garden/a/state",
        ] {
            let Route::Refused(reason) = route(topic, &[]) else {
                panic!("{topic} was taken");
            };
            assert!(!reason.is_empty());
        }
    }

    #[test]
    fn the_topic_of_a_mapping_names_its_board() {
        let mappings = garden();
        let topic = "garden/cold-frame/state";
        let route = route(topic, &mappings);
        assert_eq!(route.board().map(Name::as_str), Some("cold-frame"));
        let now = Instant::from_millis(0);
        let message = route.decode(topic, now, br#"{"t":4.5}"#).unwrap();
        assert_eq!(message.board.as_str(), "cold-frame");
        let other = super::route("garden/Cold Frame/state", &mappings);
        assert!(matches!(other, Route::Refused(_)), "{other:?}");
    }

    #[test]
    fn what_this_program_says_is_no_reading() {
        assert_eq!(route("vernalog/host/readings", &[]), Route::Ours);
        assert_eq!(route("vernalog/host/alerts/3", &[]), Route::Ours);
    }

    #[test]
    fn a_status_message_is_told_apart() {
        let route = route("vernalog/fridge-drawer/status", &[]);
        assert_eq!(route.board().map(Name::as_str), Some("fridge-drawer"));
        assert!(matches!(route, Route::Status(_)));
    }
}
