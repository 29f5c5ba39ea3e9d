//! Times, numbers and free text as the page shows them.
//!
//! Times here are the house's; files carry UTC.

use chrono::{Datelike, Offset, TimeZone, Timelike};
use chrono_tz::Tz;

use crate::trial::when::When;
use crate::units::Instant;

/// Seconds east of UTC in a zone at an instant.
#[must_use]
pub fn offset_seconds(zone: Tz, at: Instant) -> i32 {
    zone.offset_from_utc_datetime(&at.utc().naive_utc()).fix().local_minus_utc()
}

/// `14 March 2026`.
#[must_use]
pub fn date(zone: Tz, at: Instant) -> String {
    let local = zone.from_utc_datetime(&at.utc().naive_utc());
    format!("{} {}", local.day(), local.format("%B %Y"))
}

/// `14 March 2026, 20:00`.
#[must_use]
pub fn moment(zone: Tz, at: Instant) -> String {
    let local = zone.from_utc_datetime(&at.utc().naive_utc());
    let (hour, minute) = (local.hour(), local.minute());
    format!("{}, {hour:02}:{minute:02}", date(zone, at))
}

/// As exactly as it was stated: a date alone stays a date.
#[must_use]
pub fn when(zone: Tz, when: When) -> String {
    match when.date() {
        Some(day) => format!("{} {}", day.day(), day.format("%B %Y")),
        None => moment(zone, when.at),
    }
}

/// `14 March to 9 May 2026`, or both years where they differ.
#[must_use]
pub fn dates(zone: Tz, from: Instant, to: Instant) -> String {
    let local = |at: Instant| zone.from_utc_datetime(&at.utc().naive_utc());
    let (first, last) = (local(from), local(to));
    if first.date_naive() == last.date_naive() {
        date(zone, to)
    } else if first.year() == last.year() {
        format!("{} {} to {}", first.day(), first.format("%B"), date(zone, to))
    } else {
        format!("{} to {}", date(zone, from), date(zone, to))
    }
}

/// A number with so many digits behind the point, thousands set apart by a
/// thin space, and a real minus sign.
#[must_use]
pub fn number(value: f64, digits: usize) -> String {
    let text = format!("{:.digits$}", value.abs());
    let (whole, rest) = text.split_once('.').map_or_else(
        || (text.as_str(), String::new()),
        |(whole, rest)| (whole, format!(".{rest}")),
    );
    let mut shown = String::new();
    for (i, digit) in whole.chars().enumerate() {
        if i > 0 && (whole.len() - i).is_multiple_of(3) && whole.len() > 4 {
            shown.push('\u{202f}');
        }
        shown.push(digit);
    }
    let nought = text.chars().all(|c| matches!(c, '0' | '.'));
    let sign = if value < 0.0 && !nought { "−" } else { "" };
    format!("{sign}{shown}{rest}")
}

/// A sum as shown: four digits that mean something, the rest noughts.
#[must_use]
pub fn about(value: f64) -> String {
    if value.abs() < f64::EPSILON {
        return "0".to_owned();
    }
    if value.abs() < 100.0 {
        let digits = if value.abs() < 1.0 { 2 } else { 1 };
        return number(value, digits);
    }
    let mut unit = 1.0;
    while value.abs() / unit >= 10_000.0 {
        unit *= 10.0;
    }
    number((value / unit).round() * unit, 0)
}

/// A count with its thousands set apart.
#[must_use]
pub fn count(n: usize) -> String {
    #[allow(
        clippy::cast_precision_loss,
        reason = "counts of readings are far below 2⁵³"
    )]
    number(n as f64, 0)
}

/// A share as a whole number of 100; never 0 or 100 where it is neither.
#[must_use]
pub fn of_hundred(share: f64) -> String {
    let hundred = 100.0 * share;
    if hundred > 0.0 && hundred < 0.5 {
        "under 1".to_owned()
    } else if (99.5..100.0).contains(&hundred) {
        "over 99".to_owned()
    } else {
        number(hundred, 0)
    }
}

/// Free text of the grower's or a board's, made safe to set in a sentence:
/// control characters and marks that turn the reading direction are shown
/// as their code.
#[must_use]
pub fn plain(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        let turns = matches!(c,
            '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}');
        if c.is_control() || turns {
            safe.extend(c.escape_default());
        } else {
            safe.push(c);
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Instant {
        chrono::DateTime::parse_from_rfc3339(text).unwrap().to_utc().into()
    }

    #[test]
    fn times_are_those_of_the_house() {
        let zone = chrono_tz::Europe::Dublin;
        let summer = at("2026-06-01T19:00:00Z");
        assert_eq!(moment(zone, summer), "1 June 2026, 20:00");
        assert_eq!(offset_seconds(zone, summer), 3600);
        assert_eq!(
            dates(zone, at("2026-03-14T20:00:00Z"), summer),
            "14 March to 1 June 2026"
        );
    }

    #[test]
    fn a_date_alone_gets_no_hour() {
        let day = chrono::NaiveDate::from_ymd_opt(2026, 3, 14).unwrap();
        let stated = When::on(day, at("2026-03-14T20:00:00Z"));
        assert_eq!(when(chrono_tz::Europe::Dublin, stated), "14 March 2026");
    }

    #[test]
    fn numbers_are_set_apart_and_never_minus_nought() {
        assert_eq!(number(34_120.4, 0), "34\u{202f}120");
        assert_eq!(number(4_120.0, 0), "4120");
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(number(-3.25, 1), "−3.2");
        assert_eq!(of_hundred(0.004), "under 1");
        assert_eq!(of_hundred(0.997), "over 99");
        assert_eq!(of_hundred(1.0), "100");
    }

    #[test]
    fn sums_show_no_digit_that_means_nothing() {
        assert_eq!(about(4_109_269.0), "4\u{202f}109\u{202f}000");
        assert_eq!(about(23_984.6), "23\u{202f}980");
        assert_eq!(about(9541.4), "9541");
        assert_eq!(about(12.34), "12.3");
        assert_eq!(about(0.084), "0.08");
        assert_eq!(about(0.0), "0");
    }

    #[test]
    fn control_and_turning_marks_are_shown_as_codes() {
        assert_eq!(plain("a\u{1b}[2J\u{202e}b"), "a\\u{1b}[2J\\u{202e}b");
    }
}
