//! The documented JSON of an alert, `vernalog-alert/1`.
//!
//! Every channel that carries JSON carries this one, as does `alerts --json`.
//! Not the stored form: the store keeps its own columns.

use serde::{Deserialize, Serialize};

use crate::alert::{Alert, Change, Severity};
use crate::trial::entry::{from_word, word_of};
use crate::units::Instant;

/// The name and version of this form.
pub const FORMAT: &str = "vernalog-alert/1";

/// The word for an alert that is told again.
pub const LASTS: &str = "lasts";

/// What is told and is no alert.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Notice {
    /// What happened during quiet hours.
    Summary,
    /// How each place is, once a day.
    Daily,
    /// Messages that could not be delivered.
    Dropped,
}

impl Notice {
    /// All with their words.
    pub const WORDS: [(Self, &'static str); 3] = [
        (Self::Summary, "summary"),
        (Self::Daily, "daily"),
        (Self::Dropped, "dropped"),
    ];
}

/// An alert as it is sent. What does not apply is `null`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AlertJson {
    /// [`FORMAT`].
    pub format: String,
    /// The same in every message about one alert.
    pub id: String,
    /// The same in every try to tell one thing, and in nothing else: a
    /// message seen before is a repeat.
    pub message: String,
    /// The watch, as in `fridge-drawer-temperature`.
    pub watch: String,
    /// Where; `null` when it is about no place.
    pub place: Option<String>,
    /// `temperature`, `humidity`, `light`, `battery`, `signal`; `null` when
    /// it is about none.
    pub quantity: Option<String>,
    /// `raised` or `cleared`; `lasts` when it is told again; `summary`,
    /// `daily` or `dropped` when it is about no single alert.
    pub state: String,
    /// Since when it lasted, UTC.
    pub since: String,
    /// The value that was judged, in the quantity's unit.
    pub value: Option<f64>,
    /// The limit that was passed, in the same unit.
    pub limit: Option<f64>,
    /// `normal` or `urgent`.
    pub severity: String,
    /// For a person.
    pub text: String,
    /// 1 for the first try; higher when it may have arrived before.
    pub attempt: u32,
}

impl AlertJson {
    /// The JSON of one try to tell an alert.
    #[must_use]
    pub fn new(alert: &Alert, attempt: u32) -> Self {
        let state = word_of(&Change::WORDS, &alert.state);
        Self {
            format: FORMAT.to_owned(),
            id: alert.id.to_string(),
            message: format!("{}-{state}", alert.id),
            watch: alert.watch.clone(),
            place: alert.place.as_ref().map(ToString::to_string),
            quantity: alert.quantity.map(|q| q.word().to_owned()),
            state: state.to_owned(),
            since: alert.since.to_string(),
            value: alert.value.map(to_thousandths),
            limit: alert.limit,
            severity: word_of(&Severity::WORDS, &alert.severity).to_owned(),
            text: alert.text.clone(),
            attempt,
        }
    }

    /// A message about no single alert.
    #[must_use]
    pub fn notice(
        notice: Notice,
        about: &str,
        at: Instant,
        text: &str,
    ) -> Self {
        let word = word_of(&Notice::WORDS, &notice);
        let id = format!("{word}-{about}");
        Self {
            format: FORMAT.to_owned(),
            message: id.clone(),
            id,
            watch: word.to_owned(),
            place: None,
            quantity: None,
            state: word.to_owned(),
            since: at.to_string(),
            value: None,
            limit: None,
            severity: word_of(&Severity::WORDS, &Severity::Normal).to_owned(),
            text: text.to_owned(),
            attempt: 1,
        }
    }

    /// The same alert told once more at `at`, with another text.
    #[must_use]
    pub fn again(self, at: Instant, text: String) -> Self {
        let stamp = at.utc().format("%Y%m%dT%H%M%SZ");
        let message = format!("{}-{LASTS}-{stamp}", self.id);
        Self { message, state: LASTS.to_owned(), text, attempt: 1, ..self }
    }

    /// What kind of notice it is; none when it is about an alert.
    #[must_use]
    pub fn kind(&self) -> Option<Notice> {
        from_word(&Notice::WORDS, &self.state).ok()
    }

    /// Whether it is about one watch, and not a [`Notice`].
    fn is_of_a_watch(&self) -> bool {
        self.kind().is_none()
    }

    /// The message that began what this one is about.
    #[must_use]
    pub fn first_message(&self) -> String {
        if self.is_of_a_watch() {
            let raised = word_of(&Change::WORDS, &Change::Raised);
            format!("{}-{raised}", self.id)
        } else {
            self.message.clone()
        }
    }

    /// One line of JSON with its newline.
    #[must_use]
    pub fn to_line(&self) -> String {
        let mut line =
            serde_json::to_string(self).expect("texts and numbers are JSON");
        line.push('\n');
        line
    }
}

/// A mean has no more digits than its sensor; three leave room.
fn to_thousandths(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::alert::{AlertId, AlertKind};
    use crate::observation::{Name, Quantity};

    /// A fridge that is too warm at 2026-03-14T12:00:00Z.
    pub(crate) fn warm_fridge() -> Alert {
        let at = Instant::from_millis(1_773_489_600_000);
        Alert {
            id: AlertId::new("fridge-drawer-temperature", at),
            kind: AlertKind::Range,
            watch: "fridge-drawer-temperature".to_owned(),
            place: Some(Name::new("fridge-drawer").unwrap()),
            quantity: Some(Quantity::Temperature),
            state: Change::Raised,
            since: at.plus_millis(-2_700_000),
            at,
            value: Some(9.966_666_666),
            limit: Some(7.0),
            severity: Severity::Urgent,
            text: "fridge-drawer: too warm. \"Look.\"".to_owned(),
        }
    }

    /// Source: the members and their order as documented for
    /// `vernalog-alert/1`.
    #[test]
    fn the_json_has_exactly_the_documented_members() {
        assert_eq!(
            AlertJson::new(&warm_fridge(), 2).to_line(),
            "{\"format\":\"vernalog-alert/1\",\
             \"id\":\"fridge-drawer-temperature-20260314T120000.000Z\",\
             \"message\":\"fridge-drawer-temperature-20260314T120000.000Z\
             -raised\",\
             \"watch\":\"fridge-drawer-temperature\",\
             \"place\":\"fridge-drawer\",\"quantity\":\"temperature\",\
             \"state\":\"raised\",\"since\":\"2026-03-14T11:15:00Z\",\
             \"value\":9.967,\"limit\":7.0,\"severity\":\"urgent\",\
             \"text\":\"fridge-drawer: too warm. \\\"Look.\\\"\",\
             \"attempt\":2}\n"
        );
    }

    #[test]
    fn what_does_not_apply_is_null() {
        let silent = Alert {
            kind: AlertKind::SilentBoard,
            place: None,
            quantity: None,
            value: None,
            limit: None,
            state: Change::Cleared,
            severity: Severity::Normal,
            ..warm_fridge()
        };
        let json = serde_json::to_value(AlertJson::new(&silent, 1)).unwrap();
        for member in ["place", "quantity", "value", "limit"] {
            assert!(json[member].is_null(), "{member}");
        }
        assert_eq!(json["state"], "cleared");
    }
}
