//! The instant an entry speaks of, with the precision it was stated in.
//!
//! Not a parser of the grower's local time: that needs a time zone and lives
//! with the settings.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::units::Instant;

/// How exactly an instant was stated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stated {
    /// A date alone; the instant is the settings' `evening` of that day.
    Day(NaiveDateText),
    /// Date, hour and minute.
    Minute,
    /// To the second or better.
    Second,
}

/// A calendar date that is written as `2026-03-14`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct NaiveDateText(pub NaiveDate);

impl From<NaiveDateText> for String {
    fn from(date: NaiveDateText) -> Self {
        date.0.to_string()
    }
}

impl TryFrom<String> for NaiveDateText {
    type Error = chrono::ParseError;
    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse().map(Self)
    }
}

/// An instant and how exactly it was stated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct When {
    /// The instant used in every computation.
    pub at: Instant,
    /// The precision, and for a date the date itself.
    pub stated: Stated,
}

impl When {
    /// An instant known to the second or better.
    #[must_use]
    pub const fn exactly(at: Instant) -> Self {
        Self { at, stated: Stated::Second }
    }

    /// An instant known to the minute.
    #[must_use]
    pub const fn to_the_minute(at: Instant) -> Self {
        Self { at, stated: Stated::Minute }
    }

    /// A date alone, with the instant that stands for it.
    #[must_use]
    pub const fn on(date: NaiveDate, at: Instant) -> Self {
        Self { at, stated: Stated::Day(NaiveDateText(date)) }
    }

    /// What [`When::text`] wrote, with the instant that it stands for.
    #[must_use]
    pub fn from_text(text: &str, at: Instant) -> Self {
        if let Ok(date) = text.parse() {
            return Self::on(date, at);
        }
        let to_the_minute = Self::to_the_minute(at);
        if to_the_minute.text() == text {
            to_the_minute
        } else {
            Self::exactly(at)
        }
    }

    /// The date, when a date alone was stated.
    #[must_use]
    pub const fn date(&self) -> Option<NaiveDate> {
        match self.stated {
            Stated::Day(date) => Some(date.0),
            Stated::Minute | Stated::Second => None,
        }
    }

    /// As written into files: the date alone, or RFC 3339 in UTC.
    #[must_use]
    pub fn text(&self) -> String {
        match self.stated {
            Stated::Day(date) => date.0.to_string(),
            Stated::Minute => {
                self.at.utc().format("%Y-%m-%dT%H:%MZ").to_string()
            }
            Stated::Second => self.at.to_string(),
        }
    }
}

impl Serialize for Instant {
    fn serialize<S: serde::Serializer>(
        &self,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Instant {
    fn deserialize<D: serde::Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        chrono::DateTime::parse_from_rfc3339(&text)
            .map(|time| time.with_timezone(&chrono::Utc).into())
            .map_err(serde::de::Error::custom)
    }
}
