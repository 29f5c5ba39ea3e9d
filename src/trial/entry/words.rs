//! What is said by one of a few words, such as the kind of a place, and the
//! tables of those words.
//!
//! Not names that a grower gives: those are [`Name`].

use serde::{Deserialize, Serialize};

use crate::observation::{Name, Quantity};

/// What kind of spot a place is.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize,
)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "each is the plain word it shows")]
pub enum PlaceKind {
    Fridge,
    Sill,
    Shelf,
    Cupboard,
    Tray,
    Outdoors,
    ColdFrame,
    Cellar,
}

impl PlaceKind {
    /// All kinds with their words.
    pub const WORDS: [(Self, &'static str); 8] = [
        (Self::Fridge, "fridge"),
        (Self::Sill, "sill"),
        (Self::Shelf, "shelf"),
        (Self::Cupboard, "cupboard"),
        (Self::Tray, "tray"),
        (Self::Outdoors, "outdoors"),
        (Self::ColdFrame, "cold-frame"),
        (Self::Cellar, "cellar"),
    ];
}

/// How a container is closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "each is the plain word it shows")]
pub enum Lid {
    Closed,
    Vented,
    Open,
}

impl Lid {
    /// All states with their words.
    pub const WORDS: [(Self, &'static str); 3] = [
        (Self::Closed, "closed"),
        (Self::Vented, "vented"),
        (Self::Open, "open"),
    ];
}

/// How a unit was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Look {
    /// The lid or bag was opened.
    Opened,
    /// Through the lid or bag.
    ThroughLid,
}

impl Look {
    /// Both with their words.
    pub const WORDS: [(Self, &'static str); 2] =
        [(Self::Opened, "opened"), (Self::ThroughLid, "through-lid")];
}

/// How much mould was seen.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize,
)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "each is the plain word it shows")]
pub enum Severity {
    None,
    Trace,
    Some,
    Heavy,
}

impl Severity {
    /// All degrees with their words.
    pub const WORDS: [(Self, &'static str); 4] = [
        (Self::None, "none"),
        (Self::Trace, "trace"),
        (Self::Some, "some"),
        (Self::Heavy, "heavy"),
    ];
}

/// How the readings of a watched quantity are judged.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Default,
    Serialize,
    Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// The mean leaves a range for a while.
    #[default]
    Range,
    /// The same for frost alone, with a shorter mean and wait of its own.
    Freezing,
    /// Minutes outside a range add up over 24 hours.
    DaySum,
    /// The mean of 24 hours moved away from that of the days before.
    Drift,
    /// It stays above what its own cycle usually reaches: a door left open.
    Door,
    /// The sensor repeats itself or lies at the end of its scale.
    Sensor,
}

impl Rule {
    /// All rules with their words.
    pub const WORDS: [(Self, &'static str); 6] = [
        (Self::Range, "range"),
        (Self::Freezing, "freezing"),
        (Self::DaySum, "day-sum"),
        (Self::Drift, "drift"),
        (Self::Door, "door"),
        (Self::Sensor, "sensor"),
    ];

    /// Whether it is the plain range, which the ledger does not spell out.
    #[must_use]
    pub fn is_range(&self) -> bool {
        *self == Self::Range
    }
}

/// What a board's cells are made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Chemistry {
    /// Alkaline: sinks steadily, and sags in the cold.
    Alkaline,
    /// Primary lithium: holds its voltage until shortly before its end.
    Lithium,
    /// Rechargeable nickel-metal hydride.
    Rechargeable,
}

impl Chemistry {
    /// All of them with their words.
    pub const WORDS: [(Self, &'static str); 3] = [
        (Self::Alkaline, "alkaline"),
        (Self::Lithium, "lithium"),
        (Self::Rechargeable, "rechargeable"),
    ];
}

/// The word of a value in a table of words such as [`Lid::WORDS`].
#[must_use]
pub fn word_of<T: PartialEq>(
    words: &[(T, &'static str)],
    value: &T,
) -> &'static str {
    words
        .iter()
        .find(|(known, _)| known == value)
        .map(|(_, word)| *word)
        .expect("every value has a word")
}

/// The value of a word in a table of words, or the words that would do.
///
/// # Errors
/// The known words joined by commas, when `word` is none of them.
pub fn from_word<T: Copy>(
    words: &[(T, &'static str)],
    word: &str,
) -> Result<T, String> {
    words.iter().find(|(_, known)| *known == word).map(|(v, _)| *v).ok_or_else(
        || words.iter().map(|(_, w)| *w).collect::<Vec<_>>().join(", "),
    )
}

/// A quantity that is written as its word.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize,
)]
#[serde(into = "String", try_from = "String")]
pub struct QuantityWord(pub Quantity);

impl From<QuantityWord> for String {
    fn from(word: QuantityWord) -> Self {
        word.0.word().to_owned()
    }
}

impl TryFrom<String> for QuantityWord {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        Quantity::from_word(&text)
            .map(Self)
            .ok_or_else(|| format!("no quantity is called {text:?}"))
    }
}

impl Serialize for Name {
    fn serialize<S: serde::Serializer>(
        &self,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.as_str())
    }
}

impl<'de> Deserialize<'de> for Name {
    fn deserialize<D: serde::Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Name::new(text).map_err(serde::de::Error::custom)
    }
}
