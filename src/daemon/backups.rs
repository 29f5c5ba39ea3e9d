//! When a nightly backup is due, and where it goes: the section `[backup]`.
//!
//! The copy itself is `store::backup`.

use std::path::PathBuf;

use chrono::{Days, NaiveTime};
use serde::{Deserialize, Deserializer};

use crate::exchange::times::ZoneRule;
use crate::units::Instant;

/// The hour when the house sleeps and no clock change is likely.
const NIGHT: NaiveTime =
    NaiveTime::from_hms_opt(3, 30, 0).expect("03:30 is a time");
/// A week of backups, unless the settings say otherwise.
const WEEK: u16 = 7;
/// More are a mistake.
const MOST: u16 = 1_000;

/// The section `[backup]`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// The folder, best on another medium.
    pub folder: PathBuf,
    /// The local hour of the nightly one.
    #[serde(default = "night", deserialize_with = "hour")]
    pub at: NaiveTime,
    /// How many are kept.
    #[serde(default = "week", deserialize_with = "count")]
    pub keep: u16,
}

fn night() -> NaiveTime {
    NIGHT
}

fn week() -> u16 {
    WEEK
}

fn hour<'de, D: Deserializer<'de>>(from: D) -> Result<NaiveTime, D::Error> {
    let text = String::deserialize(from)?;
    NaiveTime::parse_from_str(&text, "%H:%M").map_err(|_| {
        serde::de::Error::custom(format!(
            "{text:?} is not an hour such as \"03:30\""
        ))
    })
}

fn count<'de, D: Deserializer<'de>>(from: D) -> Result<u16, D::Error> {
    let n = i64::deserialize(from)?;
    u16::try_from(n).ok().filter(|n| (1..=MOST).contains(n)).ok_or_else(|| {
        serde::de::Error::custom(format!("{n} is outside 1 to {MOST}"))
    })
}

impl Settings {
    /// Whether a backup is due: the hour has passed since the last one. One
    /// from the future was named by a wrong clock and counts for nothing.
    #[must_use]
    pub fn is_due(
        &self,
        zone: &ZoneRule,
        now: Instant,
        last: Option<Instant>,
    ) -> bool {
        let today = zone.date(now);
        let hour =
            |date: chrono::NaiveDate| zone.first_from(date.and_time(self.at));
        let mut planned = hour(today);
        if planned > now {
            planned =
                hour(today.checked_sub_days(Days::new(1)).unwrap_or(today));
        }
        last.is_none_or(|last| last < planned || last > now)
    }
}

#[cfg(test)]
mod tests {
    use chrono_tz::Europe::Dublin;

    use super::*;

    fn zone() -> ZoneRule {
        ZoneRule { zone: Dublin, evening: NIGHT }
    }

    fn at(text: &str) -> Instant {
        zone().parse_when(text).unwrap().at
    }

    fn due(hour: &str, now: &str, last: Option<&str>) -> bool {
        let at_hour = NaiveTime::parse_from_str(hour, "%H:%M").unwrap();
        let settings =
            Settings { folder: PathBuf::new(), at: at_hour, keep: WEEK };
        settings.is_due(&zone(), at(now), last.map(at))
    }

    #[test]
    fn one_is_due_once_a_day_after_the_hour() {
        let last = Some("2026-02-10 03:30");
        assert!(due("03:30", "2026-02-10 12:00", None));
        assert!(!due("03:30", "2026-02-10 12:00", last));
        assert!(!due("03:30", "2026-02-11 03:29", last));
        assert!(due("03:30", "2026-02-11 03:30", last));
        // One made by hand in the evening does not stand for the night's.
        assert!(due("03:30", "2026-02-11 03:30", Some("2026-02-10 22:00")));
        // After days without power, one is made up.
        assert!(due("03:30", "2026-02-14 01:00", last));
    }

    /// Clocks in Ireland go forward at 01:00 on 29 March 2026 and back at
    /// 02:00 on 25 October 2026 (the time zone database).
    #[test]
    fn an_hour_that_the_clock_change_skips_or_repeats_comes_once() {
        let last = Some("2026-03-28 01:30");
        assert!(!due("01:30", "2026-03-29 00:59", last));
        assert!(due("01:30", "2026-03-29 02:00", last));
        assert!(!due("01:30", "2026-03-29 12:00", Some("2026-03-29 02:00")));
        let first = "2026-10-25T01:30+01:00";
        assert!(due("01:30", first, Some("2026-10-24 01:30")));
        assert!(!due("01:30", "2026-10-25T01:30+00:00", Some(first)));
    }

    #[test]
    fn a_backup_from_the_future_keeps_none_from_being_made() {
        let future = Some("2031-01-01 00:00");
        assert!(due("03:30", "2026-02-10 12:00", future));
    }
}
