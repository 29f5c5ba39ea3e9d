//! What needs somebody: rule + state + input → state + events, and the text
//! that a tired person reads.
//!
//! Not how an alert leaves the machine (that is `notify`), not where its
//! state is kept (that is `store`), and no clock: the daemon hands in every
//! reading and, now and then, the instant.
//!
//! An alert is told **once**: [`Change::Raised`] when it begins and
//! [`Change::Cleared`] when it ends, with the same [`AlertId`]. Not knowing
//! is a state of its own: it never raises and never ends an alert.

use std::fmt;
use std::time::Duration;

use crate::observation::{Name, Quality, Quantity, Reading};
use crate::trial::entry::{Rule, word_of};
use crate::units::Instant;

mod advice;
pub mod blind;
pub mod cells;
pub mod course;
mod day_sum;
mod door;
mod drift;
pub mod faults;
pub mod keeping;
#[cfg(test)]
mod model;
pub mod notice;
pub mod preset;
pub mod quiet;
mod range;
pub mod replay;
mod sensor;
pub mod silence;
#[cfg(test)]
mod stories;
#[cfg(test)]
mod story;
pub mod tasks;
pub mod telling;
mod window;
pub mod wording;

/// What a watch is stepped with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Input {
    /// A reading, corrected for calibration; excluded ones are not handed in.
    Reading(Reading),
    /// A reading that was judged before, or is too old to be judged: it is
    /// remembered, but raises and ends nothing.
    Past(Reading),
    /// What time it is; once a minute is enough.
    Clock(Instant),
}

/// What became different.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// An alert began.
    Raised,
    /// The alert ended.
    Cleared,
    /// Nothing believable was heard for too long. Ends nothing.
    BecameUnknown,
    /// It can be judged again.
    Known,
}

impl Change {
    /// All changes with their words.
    pub const WORDS: [(Self, &'static str); 4] = [
        (Self::Raised, "raised"),
        (Self::Cleared, "cleared"),
        (Self::BecameUnknown, "unknown"),
        (Self::Known, "known"),
    ];
}

/// Which end of the range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The lowest wanted value.
    Low,
    /// The highest wanted value.
    High,
}

/// One end of a range with its value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// Which end.
    pub side: Side,
    /// In the unit of the watched quantity.
    pub value: f64,
}

/// A change of state, for the history and for the message.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Event {
    /// What became different.
    pub change: Change,
    /// The instant it is told for: of the reading, or of the clock.
    pub at: Instant,
    /// Since when it lasted: for an alert the first judgement outside the
    /// range; for the unknown the last reading that was believed.
    pub since: Instant,
    /// When the alert was raised; only with `Raised` and `Cleared`.
    pub raised: Option<Instant>,
    /// The mean that was judged; the last known one with `BecameUnknown`.
    pub value: Option<f64>,
    /// The limit that was passed.
    pub limit: Option<Limit>,
    /// The value furthest outside while the alert lasted.
    pub furthest: Option<f64>,
    /// Marks of any reading in the mean.
    pub marks: Quality,
    /// The last readings.
    pub recent: Recent,
}

/// The last three readings, oldest first.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Recent([Option<Reading>; 3]);

impl Recent {
    /// Adds a reading and forgets the oldest of three.
    pub(crate) fn push(&mut self, reading: Reading) {
        let [_, second, third] = self.0;
        self.0 = [second, third, Some(reading)];
    }

    /// The readings, oldest first.
    pub fn iter(&self) -> impl Iterator<Item = Reading> {
        self.0.into_iter().flatten()
    }

    /// Marks of any of them.
    fn marks(&self) -> Quality {
        self.iter().fold(Quality::GOOD, |marks, r| marks.with(r.quality))
    }
}

/// What kind of thing needs somebody.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlertKind {
    /// A quantity at a place left its range.
    Range,
    /// A place freezes.
    Freezing,
    /// A quantity was out of its range for too many minutes of a day.
    DaySum,
    /// The daily mean of a quantity moved.
    Drift,
    /// A door was left open.
    Door,
    /// A sensor measures nothing any more.
    Sensor,
    /// The cells of a board are near their end.
    Battery,
    /// Units were not looked at for long.
    Unlooked,
    /// Batches are to be looked at for the first time.
    FirstLook,
    /// Batches are due.
    Due,
    /// Batches are overdue.
    Overdue,
    /// A broker, a port or the inlet is not there.
    Source,
    /// The clock of this machine was set.
    Clock,
    /// Nothing can be stored.
    Database,
    /// Messages do not reach anybody.
    Undelivered,
    /// So much happened in an hour that not all of it is told.
    Storm,
    /// A board has not been heard.
    SilentBoard,
    /// The disk of the data file is nearly full.
    Disk,
    /// A nightly backup could not be made.
    Backup,
}

impl AlertKind {
    /// All kinds with their words.
    pub const WORDS: [(Self, &'static str); 19] = [
        (Self::Range, "range"),
        (Self::Freezing, "freezing"),
        (Self::DaySum, "day-sum"),
        (Self::Drift, "drift"),
        (Self::Door, "door"),
        (Self::Sensor, "sensor"),
        (Self::Battery, "battery"),
        (Self::Unlooked, "unlooked"),
        (Self::FirstLook, "first-look"),
        (Self::Due, "due"),
        (Self::Overdue, "overdue"),
        (Self::Source, "source"),
        (Self::Clock, "clock"),
        (Self::Database, "database"),
        (Self::Undelivered, "undelivered"),
        (Self::Storm, "storm"),
        (Self::SilentBoard, "silent-board"),
        (Self::Disk, "disk"),
        (Self::Backup, "backup"),
    ];

    /// Its word.
    #[must_use]
    pub fn word(self) -> &'static str {
        word_of(&Self::WORDS, &self)
    }

    /// Of a watch with this rule.
    #[must_use]
    pub fn of(rule: Rule) -> Self {
        match rule {
            Rule::Range => Self::Range,
            Rule::Freezing => Self::Freezing,
            Rule::DaySum => Self::DaySum,
            Rule::Drift => Self::Drift,
            Rule::Door => Self::Door,
            Rule::Sensor => Self::Sensor,
        }
    }
}

/// How soon somebody is needed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Can wait for the morning.
    Normal,
    /// Passes quiet hours.
    Urgent,
}

impl Severity {
    /// Both with their words.
    pub const WORDS: [(Self, &'static str); 2] =
        [(Self::Normal, "normal"), (Self::Urgent, "urgent")];

    /// Of a watch that says whether it is urgent.
    #[must_use]
    pub fn of(urgent: bool) -> Self {
        if urgent { Self::Urgent } else { Self::Normal }
    }
}

/// What an alert is known by for ever: its watch and when it was raised.
///
/// `Raised` and `Cleared` of one alert, and every repeat of a message, carry
/// the same id, so a receiver can tell a repeat from a new alert.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AlertId(String);

impl AlertId {
    /// `<watch>-<raised instant>`, as in
    /// `fridge-drawer-temperature-20260314T120500.000Z`.
    #[must_use]
    pub fn new(watch: &str, raised: Instant) -> Self {
        let stamp = raised.utc().format("%Y%m%dT%H%M%S%.3fZ");
        Self(format!("{watch}-{stamp}"))
    }

    /// The id as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for AlertId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// Everything a message says, whichever way it goes.
#[derive(Debug, Clone, PartialEq)]
pub struct Alert {
    /// What it is known by.
    pub id: AlertId,
    /// What kind of alert.
    pub kind: AlertKind,
    /// The watch, as in `fridge-drawer-temperature` or `box-1-silent`.
    pub watch: String,
    /// Where, if it is about a place.
    pub place: Option<Name>,
    /// What, if it is about a quantity.
    pub quantity: Option<Quantity>,
    /// Whether it began or ended: [`Change::Raised`] or [`Change::Cleared`].
    pub state: Change,
    /// Since when it lasted.
    pub since: Instant,
    /// When that state began.
    pub at: Instant,
    /// The value that was judged.
    pub value: Option<f64>,
    /// The limit that was passed.
    pub limit: Option<f64>,
    /// How soon somebody is needed.
    pub severity: Severity,
    /// For a person.
    pub text: String,
}

/// Silence shorter than this is never remarkable.
const SHORTEST_SILENCE: Duration = Duration::from_mins(15);

/// After how long without a reading nothing is known: three intervals of the
/// board, and at least 15 minutes (a convention of this program).
///
/// # Example
/// ```
/// use std::time::Duration;
/// use vernalog::alert::silent_after;
/// assert_eq!(silent_after(Duration::from_mins(1)), Duration::from_mins(15));
/// assert_eq!(silent_after(Duration::from_mins(10)), Duration::from_mins(30));
/// ```
#[must_use]
pub fn silent_after(interval: Duration) -> Duration {
    interval.saturating_mul(3).max(SHORTEST_SILENCE)
}

pub(crate) fn millis(duration: Duration) -> i64 {
    i64::try_from(duration.as_millis()).unwrap_or(i64::MAX)
}

fn minutes(count: u32) -> i64 {
    i64::from(count) * 60_000
}
