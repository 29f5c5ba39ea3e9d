//! Local time in, local time out: what a date or an hour means in the
//! grower's zone, also on the two days when the clocks change.
//!
//! Not a clock: the present is always given.

use chrono::{
    DateTime, Datelike, Duration, NaiveDate, NaiveDateTime, NaiveTime,
    TimeZone, Timelike,
};
use chrono_tz::Tz;

use crate::observation::shown;
use crate::trial::when::When;
use crate::units::Instant;

/// Years that a notebook can speak of; others are slips of the pen.
const YEARS: std::ops::RangeInclusive<i32> = 1900..=2199;

/// The grower's time zone, and the hour meant by a date alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ZoneRule {
    /// The time zone of the house.
    pub zone: Tz,
    /// The hour that a date alone stands for.
    pub evening: NaiveTime,
}

/// A time as understood, and what the grower should know about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Understood {
    /// The time.
    pub when: When,
    /// Said when a local time occurred twice.
    pub remark: Option<String>,
}

impl ZoneRule {
    /// Reads RFC 3339, `2026-03-14`, or `2026-03-14 21:30` in this zone.
    ///
    /// A date alone means the evening hour of that day. A local time that
    /// occurs twice (autumn) means the earlier one, and that is said.
    ///
    /// # Errors
    /// A sentence that says what to write, or that the local time does not
    /// exist (spring).
    pub fn read(&self, text: &str) -> Result<Understood, String> {
        let text = text.trim();
        let wrong = || {
            format!(
                "\"{}\" is not a time: write 2026-03-14, 2026-03-14 21:30 or \
                 2026-03-14T21:30:00Z",
                shown(text)
            )
        };
        let (date, rest) = split_date(text).ok_or_else(wrong)?;
        if !YEARS.contains(&date.year()) {
            return Err(format!(
                "the year {} is outside {}–{}",
                date.year(),
                YEARS.start(),
                YEARS.end()
            ));
        }
        if rest.is_empty() {
            let at = self.first_from(date.and_time(self.evening));
            return Ok(plain(When::on(date, at)));
        }
        let rest = rest
            .strip_prefix(['T', 't', ' '])
            .map(str::trim_start)
            .ok_or_else(wrong)?;
        let (clock, offset) = split_offset(rest);
        let (time, to_the_minute) = clock_time(clock).ok_or_else(wrong)?;
        let stated = |at| {
            if to_the_minute {
                When::to_the_minute(at)
            } else {
                When::exactly(at)
            }
        };
        let local = date.and_time(time);
        if let Some(offset) = offset {
            let minutes = offset_minutes(offset).ok_or_else(wrong)?;
            let utc = local - Duration::minutes(minutes);
            return Ok(plain(stated(utc.and_utc().into())));
        }
        match self.zone.from_local_datetime(&local) {
            chrono::LocalResult::Single(at) => Ok(plain(stated(instant(&at)))),
            chrono::LocalResult::Ambiguous(earlier, _) => Ok(Understood {
                when: stated(instant(&earlier)),
                remark: Some(format!(
                    "{} occurs twice in {} that day; the earlier is meant \
                     ({})",
                    local.format("%Y-%m-%d %H:%M"),
                    self.zone,
                    instant(&earlier)
                )),
            }),
            chrono::LocalResult::None => Err(format!(
                "{} does not exist in {}: the clocks went forward over it",
                local.format("%Y-%m-%d %H:%M"),
                self.zone
            )),
        }
    }

    /// As [`ZoneRule::read`], without the remark.
    ///
    /// # Errors
    /// As [`ZoneRule::read`].
    pub fn parse_when(&self, text: &str) -> Result<When, String> {
        self.read(text).map(|understood| understood.when)
    }

    /// An instant for people: `2026-03-14 21:30` in this zone.
    #[must_use]
    pub fn local(&self, at: Instant) -> String {
        let local = at.utc().with_timezone(&self.zone);
        local.format("%Y-%m-%d %H:%M").to_string()
    }

    /// A stated time for people: the date alone, or as [`ZoneRule::local`].
    #[must_use]
    pub fn shown(&self, when: &When) -> String {
        when.date().map_or_else(|| self.local(when.at), |date| date.to_string())
    }

    /// The local date of an instant.
    #[must_use]
    pub fn date(&self, at: Instant) -> NaiveDate {
        at.utc().with_timezone(&self.zone).date_naive()
    }

    /// The first instant of a local day.
    #[must_use]
    pub fn day_start(&self, date: NaiveDate) -> Instant {
        self.first_from(date.and_time(NaiveTime::MIN))
    }

    /// The first instant of the day after.
    #[must_use]
    pub fn day_end(&self, date: NaiveDate) -> Instant {
        self.day_start(date.succ_opt().unwrap_or(date))
    }

    /// A local time, or the next one that exists; the earlier of two.
    pub(crate) fn first_from(&self, mut local: NaiveDateTime) -> Instant {
        loop {
            let found = self.zone.from_local_datetime(&local).earliest();
            if let Some(found) = found {
                return instant(&found);
            }
            // Zones shift by whole minutes, mostly by an hour.
            local += Duration::minutes(1);
        }
    }
}

/// A length of time, ms: a number and `ms`, `s`, `min`, `h` or `d`, such as
/// `500 ms`, `90s` or `7d`. `None` when it is not written so.
#[must_use]
pub fn length_millis(text: &str) -> Option<i64> {
    let text = text.trim();
    let end = text.find(|c: char| !c.is_ascii_digit())?;
    let number: i64 = text[..end].parse().ok()?;
    let millis = match text[end..].trim_start() {
        "ms" => 1,
        "s" => 1_000,
        "min" => 60_000,
        "h" => 3_600_000,
        "d" => 86_400_000,
        _ => return None,
    };
    number.checked_mul(millis)
}

fn plain(when: When) -> Understood {
    Understood { when, remark: None }
}

fn instant(local: &DateTime<Tz>) -> Instant {
    local.with_timezone(&chrono::Utc).into()
}

/// `2026-03-14` and what follows it.
fn split_date(text: &str) -> Option<(NaiveDate, &str)> {
    let (date, rest) = text.split_at_checked(10)?;
    let well_formed = date.bytes().enumerate().all(|(i, b)| match i {
        4 | 7 => b == b'-',
        _ => b.is_ascii_digit(),
    });
    if !well_formed {
        return None;
    }
    date.parse().ok().map(|date| (date, rest))
}

/// `21:30:00` and, if there is one, `Z` or `+01:00`.
fn split_offset(text: &str) -> (&str, Option<&str>) {
    match text.find(['Z', 'z', '+', '-']) {
        Some(start) => (text[..start].trim_end(), Some(&text[start..])),
        None => (text, None),
    }
}

/// A time of day, and whether it was stated to the minute only.
fn clock_time(text: &str) -> Option<(NaiveTime, bool)> {
    let well_formed = text.bytes().enumerate().all(|(i, b)| match i {
        2 | 5 => b == b':',
        8 => b == b'.',
        _ => b.is_ascii_digit(),
    });
    if !well_formed {
        return None;
    }
    if text.len() == 5 {
        let time = NaiveTime::parse_from_str(text, "%H:%M").ok()?;
        return Some((time, true));
    }
    let time = NaiveTime::parse_from_str(text, "%H:%M:%S%.f").ok()?;
    // A leap second has no instant of its own here.
    (time.nanosecond() < 1_000_000_000).then_some((time, false))
}

fn offset_minutes(text: &str) -> Option<i64> {
    if matches!(text, "Z" | "z") {
        return Some(0);
    }
    let sign = if text.starts_with('-') { -1 } else { 1 };
    let (hours, minutes) = text.get(1..)?.split_once(':')?;
    if hours.len() != 2 || minutes.len() != 2 {
        return None;
    }
    let (hours, minutes): (i64, i64) =
        (hours.parse().ok()?, minutes.parse().ok()?);
    (hours < 24 && minutes < 60).then_some(sign * (hours * 60 + minutes))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::when::Stated;

    fn dublin() -> ZoneRule {
        ZoneRule {
            zone: chrono_tz::Europe::Dublin,
            evening: NaiveTime::from_hms_opt(20, 0, 0).unwrap(),
        }
    }

    fn reads(text: &str) -> String {
        dublin().parse_when(text).unwrap().at.to_string()
    }

    #[test]
    fn a_time_is_read_in_the_zone_of_the_house() {
        assert_eq!(reads("2026-06-14 21:30"), "2026-06-14T20:30:00Z");
        assert_eq!(reads("2026-01-14 21:30"), "2026-01-14T21:30:00Z");
        assert_eq!(reads("2026-06-14T21:30:15"), "2026-06-14T20:30:15Z");
        assert_eq!(reads(" 2026-06-14 "), "2026-06-14T19:00:00Z");
    }

    /// Source: RFC 3339, section 5.8, the first two examples (from memory).
    #[test]
    fn rfc_3339_is_read_as_it_says() {
        assert_eq!(
            reads("1985-04-12T23:20:50.52Z"),
            "1985-04-12T23:20:50.520Z"
        );
        assert_eq!(reads("1996-12-19T16:39:57-08:00"), "1996-12-20T00:39:57Z");
    }

    #[test]
    fn the_stated_precision_is_kept_through_text_and_back() {
        for text in ["2026-03-14", "2026-03-14T21:30Z", "2026-03-14T21:30:05Z"]
        {
            let when = dublin().parse_when(text).unwrap();
            assert_eq!(when.text(), text);
            assert_eq!(dublin().parse_when(&when.text()), Ok(when));
        }
        let minute = dublin().parse_when("2026-03-14 21:30").unwrap();
        assert_eq!(minute.stated, Stated::Minute);
    }

    /// Source: IANA time zone data 2025b for Europe/Dublin: clocks forward at
    /// 2026-03-29T01:00Z (computed with another program).
    #[test]
    fn an_hour_that_the_spring_leaves_out_is_refused() {
        let error = dublin().parse_when("2026-03-29 01:30").unwrap_err();
        assert_eq!(
            error,
            "2026-03-29 01:30 does not exist in Europe/Dublin: the clocks \
             went forward over it"
        );
        let night = ZoneRule {
            evening: NaiveTime::from_hms_opt(1, 30, 0).unwrap(),
            ..dublin()
        };
        let at = night.parse_when("2026-03-29").unwrap().at;
        assert_eq!(at.to_string(), "2026-03-29T01:00:00Z");
    }

    /// Source: as above; 01:30 is 00:30Z and 01:30Z on 2026-10-25.
    #[test]
    fn an_hour_that_the_autumn_repeats_is_the_earlier_and_that_is_said() {
        let understood = dublin().read("2026-10-25 01:30").unwrap();
        assert_eq!(understood.when.at.to_string(), "2026-10-25T00:30:00Z");
        assert!(understood.remark.unwrap().contains("occurs twice"));
    }

    /// Source: as above; local days of 23 h and 25 h.
    #[test]
    fn days_are_as_long_as_the_clocks_make_them() {
        for (date, hours) in
            [("2026-03-29", 23.0), ("2026-10-25", 25.0), ("2026-06-01", 24.0)]
        {
            let date: NaiveDate = date.parse().unwrap();
            let rule = dublin();
            let length = rule.day_end(date).hours_since(rule.day_start(date));
            assert!((length - hours).abs() < 1e-9, "{date} has {length} h");
        }
    }

    #[test]
    fn lengths_of_time_are_read_with_their_unit() {
        assert_eq!(length_millis("500 ms"), Some(500));
        assert_eq!(length_millis("7d"), Some(604_800_000));
        for bad in ["7", "d", "-1h", "1.5h", "1 week", ""] {
            assert_eq!(length_millis(bad), None, "{bad}");
        }
    }

    #[test]
    fn what_is_no_time_is_refused_with_what_to_write() {
        for bad in [
            "",
            "tomorrow",
            "14.03.2026",
            "2026-3-14",
            "2026-02-30",
            "2026-03-14 25:00",
            "2026-03-14 9:30",
            "2026-03-14T21:30+1",
            "2026-03-14T21",
            "2026-03-14x",
            "+026-03-14",
            "2026-03-14 21:30 UTC",
            "2026-03-14T23:59:60Z",
            "0026-03-14",
        ] {
            let answer = dublin().parse_when(bad);
            assert!(answer.is_err(), "{bad:?} was read as {answer:?}");
        }
    }
}
