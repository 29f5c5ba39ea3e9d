//! What a board said: names, quantities, quality, samples and readings.
//!
//! Not how it said it (that is `decode`) and not where the board was (that
//! is the ledger in `trial`).

use std::fmt;

use crate::units::Instant;

/// A name: `[a-z0-9][a-z0-9-]{0,39}`. Boards, probes, places, lots, units.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Name(String);

/// A text that is no [`Name`].
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{}\" is not a name: use 1 to 40 of a–z, 0–9 and -, beginning with a \
     letter or digit",
    shown(text)
)]
pub struct NameError {
    /// What was given.
    pub text: String,
}

impl Name {
    /// Checks the text and keeps it.
    ///
    /// # Errors
    /// [`NameError`] when the text does not follow the rule above.
    pub fn new(text: impl Into<String>) -> Result<Self, NameError> {
        let text = text.into();
        let letter =
            |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
        let sound = (1..=40).contains(&text.len())
            && !text.starts_with('-')
            && text.bytes().all(letter);
        if sound { Ok(Self(text)) } else { Err(NameError { text }) }
    }

    /// The name as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl std::borrow::Borrow<str> for Name {
    fn borrow(&self) -> &str {
        &self.0
    }
}

impl std::str::FromStr for Name {
    type Err = NameError;
    fn from_str(text: &str) -> Result<Self, NameError> {
        Self::new(text)
    }
}

/// A text from outside, made safe to show: control characters are escaped
/// and anything after 80 characters is cut.
#[must_use]
pub fn shown(text: &str) -> String {
    let mut safe = String::new();
    for (i, c) in text.chars().enumerate() {
        if i == 80 {
            safe.push('…');
            break;
        }
        if c.is_control() {
            safe.extend(c.escape_default());
        } else {
            safe.push(c);
        }
    }
    safe
}

/// What can be measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Air (or medium) temperature, °C.
    Temperature,
    /// Relative humidity over liquid water, %.
    Humidity,
    /// Illuminance, lx.
    Light,
    /// Supply voltage of the board, V.
    Battery,
    /// Radio signal strength, dBm.
    Signal,
}

impl Quantity {
    /// All of them, in the order in which they are shown.
    pub const ALL: [Self; 5] = [
        Self::Temperature,
        Self::Humidity,
        Self::Light,
        Self::Battery,
        Self::Signal,
    ];

    /// The three that describe a place.
    pub const CLIMATE: [Self; 3] =
        [Self::Temperature, Self::Humidity, Self::Light];

    /// The word used in the ledger, on screens and in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Temperature => "temperature",
            Self::Humidity => "humidity",
            Self::Light => "light",
            Self::Battery => "battery",
            Self::Signal => "signal",
        }
    }

    /// The member of the wire contract and the CSV column.
    #[must_use]
    pub fn column(self) -> &'static str {
        match self {
            Self::Temperature => "temperature_celsius",
            Self::Humidity => "humidity_percent",
            Self::Light => "light_lux",
            Self::Battery => "battery_volts",
            Self::Signal => "signal_dbm",
        }
    }

    /// The unit as shown behind a number.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::Temperature => "°C",
            Self::Humidity => "%",
            Self::Light => "lx",
            Self::Battery => "V",
            Self::Signal => "dBm",
        }
    }

    /// The quantity of this word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|quantity| quantity.word() == word)
    }

    /// Lowest and highest value that physics and home use allow.
    #[must_use]
    pub fn limits(self) -> (f64, f64) {
        match self {
            Self::Temperature => (-60.0, 85.0),
            Self::Humidity => (0.0, 105.0),
            Self::Light => (0.0, 200_000.0),
            Self::Battery => (0.0, 60.0),
            Self::Signal => (-150.0, 30.0),
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// Marks on a reading. A mark keeps the value; it says how to read it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Quality(u16);

impl Quality {
    /// Nothing to say against the value.
    pub const GOOD: Self = Self(0);
    /// The sensor is at the end of its scale (humidity above 100 %, say).
    pub const SATURATED: Self = Self(1);
    /// The true value is at least this.
    pub const AT_LEAST: Self = Self(1 << 1);
    /// The same value for so long that the sensor is not believed.
    pub const STUCK: Self = Self(1 << 2);
    /// A step no air makes.
    pub const JUMP: Self = Self(1 << 3);
    /// The sun was on the probe: its housing was measured, not the air.
    pub const SUN: Self = Self(1 << 4);
    /// The instant is not certain.
    pub const CLOCK_DOUBTFUL: Self = Self(1 << 5);
    /// It came long after it was taken.
    pub const BACKFILLED: Self = Self(1 << 6);
    /// A value that this kind of sensor gives when it cannot measure.
    pub const KNOWN_FALSE: Self = Self(1 << 7);

    const WORDS: [(Self, &'static str); 8] = [
        (Self::SATURATED, "saturated"),
        (Self::AT_LEAST, "at-least"),
        (Self::STUCK, "stuck"),
        (Self::JUMP, "jump"),
        (Self::SUN, "sun"),
        (Self::CLOCK_DOUBTFUL, "clock-doubtful"),
        (Self::BACKFILLED, "backfilled"),
        (Self::KNOWN_FALSE, "known-false"),
    ];

    /// As stored: one bit a mark.
    #[must_use]
    pub const fn bits(self) -> u16 {
        self.0
    }

    /// From what was stored; unknown bits are kept.
    #[must_use]
    pub const fn from_bits(bits: u16) -> Self {
        Self(bits)
    }

    /// Both sets of marks.
    #[must_use]
    pub const fn with(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// These marks without those of `other`.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Whether every mark of `other` is set.
    #[must_use]
    pub const fn has(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// Whether the value may enter a dose: not stuck, not a known false
    /// value, and at a certain instant.
    #[must_use]
    pub const fn counts(self) -> bool {
        self.0 & (Self::STUCK.0 | Self::CLOCK_DOUBTFUL.0 | Self::KNOWN_FALSE.0)
            == 0
    }

    /// The marks in words, in a fixed order.
    #[must_use]
    pub fn words(self) -> Vec<&'static str> {
        Self::WORDS
            .iter()
            .filter(|(mark, _)| self.has(*mark))
            .map(|(_, word)| *word)
            .collect()
    }

    /// Marks from words separated by spaces; `None` when one is unknown.
    #[must_use]
    pub fn from_words(words: &str) -> Option<Self> {
        words.split_whitespace().try_fold(Self::GOOD, |marks, word| {
            let (mark, _) =
                Self::WORDS.iter().find(|(_, known)| *known == word)?;
            Some(marks.with(*mark))
        })
    }
}

/// Where a stream of values comes from: board, probe, quantity.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Series {
    /// The device that sends.
    pub board: Name,
    /// The sensor of that board; `air` unless it says otherwise.
    pub probe: Name,
    /// What is measured.
    pub quantity: Quantity,
}

impl fmt::Display for Series {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}/{}", self.board, self.probe, self.quantity)
    }
}

/// One value with its instant and its marks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When it was taken.
    pub at: Instant,
    /// The raw value in the unit of its quantity.
    pub value: f64,
    /// Marks.
    pub quality: Quality,
}

/// A number that identifies one start of a board: 8 to 32 of `[0-9a-z]`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Boot(String);

impl Boot {
    /// Checks and keeps a boot identifier; `None` when it breaks the rule.
    #[must_use]
    pub fn new(text: &str) -> Option<Self> {
        let sound = (8..=32).contains(&text.len())
            && text
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit());
        sound.then(|| Self(text.to_owned()))
    }

    /// The identifier as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Boot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// How a sample is told apart from a repeat of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Count {
    /// The start of the board.
    pub boot: Boot,
    /// The number of the sample since that start.
    pub seq: u32,
    /// The board's uptime when the sample was taken, ms.
    pub up_ms: u64,
}

/// What a board measured at one moment, as it said it.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// The sensor; `air` unless the board says otherwise.
    pub probe: Name,
    /// Boot, number and uptime, from boards that count.
    pub count: Option<Count>,
    /// Wall-clock time claimed by the board, believed only where it agrees.
    pub claimed: Option<Instant>,
    /// The values, each quantity at most once.
    pub values: Vec<(Quantity, f64, Quality)>,
    /// Quantities the board could not measure, with its word for why.
    pub errors: Vec<(Quantity, String)>,
}

/// One packet or line, decoded: good samples and the reasons for bad ones.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// Who sent it.
    pub board: Name,
    /// Samples in the order of the message, oldest first.
    pub samples: Vec<Sample>,
    /// Index in the array (0 for a single object) and reason.
    pub refused: Vec<(usize, String)>,
    /// Members of objects that the wire contract does not know.
    pub unknown_members: usize,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_follow_the_rule() {
        assert!(Name::new("stair-landing").is_ok());
        for bad in ["", "-a", "Sill", "a b", &"x".repeat(41), "ä"] {
            assert!(Name::new(bad).is_err(), "{bad:?} was taken");
        }
    }

    #[test]
    fn control_characters_are_shown_escaped() {
        assert_eq!(shown("a\u{1b}[2Jb"), "a\\u{1b}[2Jb");
    }

    #[test]
    fn marks_survive_words_and_bits() {
        let marks = Quality::STUCK.with(Quality::BACKFILLED);
        assert_eq!(marks.words(), ["stuck", "backfilled"]);
        assert_eq!(Quality::from_words("stuck backfilled"), Some(marks));
        assert_eq!(Quality::from_bits(marks.bits()), marks);
        assert!(!marks.counts());
        assert_eq!(Quality::from_words("fine"), None);
    }
}
