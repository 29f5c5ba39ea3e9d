//! When an alert is told, and told again: quiet hours, repeats, what was
//! answered to it, the daily message.
//!
//! Not whether there is an alert at all. Hours are always those on the
//! wall of the house *now*: no local time is ever turned into an instant, so
//! that an hour that does not exist, or comes twice, needs no rule.

use chrono::{NaiveDateTime, NaiveTime, Timelike};

use crate::alert::Severity;
use crate::observation::Quantity;
use crate::units::Instant;

/// How late the daily message may still be told, when the daemon did not run
/// at its hour.
const DAILY_WITHIN_SECS: u32 = 4 * 3_600;
/// An alert has become worse when it is so many times as far out as when
/// somebody last answered (a convention of this program).
const WORSE_BY: f64 = 1.5;

/// Hours in which only the urgent is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct QuietHours {
    /// The first minute that is quiet.
    pub from: NaiveTime,
    /// The first minute that is not; may lie on the next day.
    pub until: NaiveTime,
}

impl QuietHours {
    /// Whether the wall clock says that it is quiet.
    ///
    /// # Example
    /// ```
    /// use chrono::NaiveTime;
    /// use vernalog::alert::telling::QuietHours;
    /// let at = |h, m| NaiveTime::from_hms_opt(h, m, 0).unwrap();
    /// let night = QuietHours { from: at(22, 30), until: at(7, 0) };
    /// assert!(night.hold_at(at(23, 0)) && night.hold_at(at(6, 59)));
    /// assert!(!night.hold_at(at(7, 0)) && !night.hold_at(at(22, 29)));
    /// ```
    #[must_use]
    pub fn hold_at(&self, wall: NaiveTime) -> bool {
        if self.from <= self.until {
            (self.from..self.until).contains(&wall)
        } else {
            wall >= self.from || wall < self.until
        }
    }
}

/// What somebody answered to an alert.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// Somebody knows, and sees to it.
    Seen,
    /// Not now: tell it again when it still lasts then.
    Snoozed {
        /// Until when.
        until: Instant,
    },
}

/// The last answer to an alert.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answered {
    /// What was answered.
    pub answer: Answer,
    /// When.
    pub at: Instant,
    /// The value furthest out by then, if it is about one.
    pub worst: Option<f64>,
}

/// An alert that lasts, as far as telling it again is concerned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lasting {
    /// How soon somebody is needed.
    pub severity: Severity,
    /// When it was last told: its beginning, or a repeat.
    pub last_told: Instant,
    /// The last answer.
    pub answered: Option<Answered>,
    /// Of what, if about a quantity.
    pub quantity: Option<Quantity>,
    /// The limit it passed.
    pub limit: Option<f64>,
    /// The value furthest out by now.
    pub worst: Option<f64>,
}

/// Why an alert is told once more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Again {
    /// It is urgent and nobody has answered.
    Repeat,
    /// The time somebody asked for is over.
    SnoozeOver,
    /// It has become worse since somebody answered.
    Worse,
}

/// Whether an alert that lasts is to be told once more, and why.
///
/// An answer holds until the alert is told again: then it counts as not
/// answered.
///
/// # Arguments
/// - `lasting`: the alert.
/// - `now`: the present.
/// - `repeat_every`: how often the urgent is repeated, ms; none for never.
#[must_use]
pub fn again(
    lasting: &Lasting,
    now: Instant,
    repeat_every: Option<i64>,
) -> Option<Again> {
    let since_told = now.millis_since(lasting.last_told);
    let holding = lasting.answered.filter(|a| a.at >= lasting.last_told);
    let Some(answered) = holding else {
        let due = lasting.severity == Severity::Urgent
            && repeat_every.is_some_and(|every| since_told >= every);
        return due.then_some(Again::Repeat);
    };
    if has_become_worse(lasting, &answered) {
        return Some(Again::Worse);
    }
    match answered.answer {
        Answer::Snoozed { until } if now >= until => Some(Again::SnoozeOver),
        Answer::Snoozed { .. } | Answer::Seen => None,
    }
}

/// Half as far out again as when it was answered, and by enough to matter.
fn has_become_worse(lasting: &Lasting, answered: &Answered) -> bool {
    let (Some(limit), Some(then), Some(now), Some(quantity)) =
        (lasting.limit, answered.worst, lasting.worst, lasting.quantity)
    else {
        return false;
    };
    let (then, now) = ((then - limit).abs(), (now - limit).abs());
    now >= WORSE_BY * then && now - then >= least_worsening(quantity)
}

/// What matters, in the unit of the quantity (conventions of this program).
fn least_worsening(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Temperature => 1.0,
        Quantity::Humidity => 5.0,
        Quantity::Light => 1_000.0,
        Quantity::Battery => 0.1,
        Quantity::Signal => 10.0,
    }
}

/// Whether the daily message is to be written: its hour has come today, not
/// long ago, and it was not written today. `wall` is the local time now.
#[must_use]
pub fn daily_is_due(
    at: NaiveTime,
    wall: NaiveDateTime,
    written_today: bool,
) -> bool {
    let late = wall
        .time()
        .num_seconds_from_midnight()
        .checked_sub(at.num_seconds_from_midnight());
    !written_today && late.is_some_and(|late| late < DAILY_WITHIN_SECS)
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;
    use chrono_tz::Europe::Dublin;

    use super::*;

    const HOUR: i64 = 3_600_000;

    fn at(hour: i64) -> Instant {
        Instant::from_millis(hour * HOUR)
    }

    fn clock(text: &str) -> NaiveTime {
        NaiveTime::parse_from_str(text, "%H:%M").unwrap()
    }

    fn lasting(last_told: i64, answered: Option<Answered>) -> Lasting {
        Lasting {
            severity: Severity::Urgent,
            last_told: at(last_told),
            answered,
            quantity: Some(Quantity::Temperature),
            limit: Some(7.0),
            worst: Some(9.0),
        }
    }

    fn answered(hour: i64, answer: Answer) -> Option<Answered> {
        Some(Answered { answer, at: at(hour), worst: Some(9.0) })
    }

    const EVERY: Option<i64> = Some(4 * HOUR);

    #[test]
    fn the_urgent_is_repeated_until_somebody_answers() {
        let told = lasting(0, None);
        assert_eq!(again(&told, at(3), EVERY), None);
        assert_eq!(again(&told, at(4), EVERY), Some(Again::Repeat));
        assert_eq!(again(&told, at(4), None), None);
        let normal = Lasting { severity: Severity::Normal, ..told };
        assert_eq!(again(&normal, at(400), EVERY), None);
        let seen = lasting(0, answered(1, Answer::Seen));
        assert_eq!(again(&seen, at(400), EVERY), None);
    }

    #[test]
    fn a_snooze_ends_and_is_then_used_up() {
        let snoozed = answered(1, Answer::Snoozed { until: at(7) });
        let quiet = lasting(0, snoozed);
        assert_eq!(again(&quiet, at(6), EVERY), None);
        assert_eq!(again(&quiet, at(7), EVERY), Some(Again::SnoozeOver));
        let normal = Lasting { severity: Severity::Normal, ..quiet };
        assert_eq!(again(&normal, at(7), EVERY), Some(Again::SnoozeOver));
        // Told again at 7: what was answered at 1 holds no longer.
        let told = lasting(7, snoozed);
        assert_eq!(again(&told, at(8), EVERY), None);
        assert_eq!(again(&told, at(11), EVERY), Some(Again::Repeat));
    }

    #[test]
    fn what_becomes_worse_is_told_whatever_was_answered() {
        for answer in [Answer::Seen, Answer::Snoozed { until: at(90) }] {
            let mut alert = lasting(0, answered(1, answer));
            for (worst, expected) in [
                (9.9, None),
                (10.0, Some(Again::Worse)),
                (4.0, Some(Again::Worse)),
            ] {
                alert.worst = Some(worst);
                assert_eq!(again(&alert, at(2), EVERY), expected, "{worst}");
            }
        }
        // Half as far again, and no degree: a tremble.
        let mut near = lasting(0, answered(1, Answer::Seen));
        near.answered =
            near.answered.map(|a| Answered { worst: Some(7.2), ..a });
        near.worst = Some(7.9);
        assert_eq!(again(&near, at(2), EVERY), None);
    }

    /// Instants a quarter of an hour apart, with the wall clock of Dublin.
    fn quarters(day: NaiveDate) -> impl Iterator<Item = (i64, NaiveDateTime)> {
        let noon_before =
            day.pred_opt().unwrap().and_hms_opt(12, 0, 0).unwrap().and_utc();
        (0..48 * 4).map(move |quarter| {
            let at = noon_before + chrono::Duration::minutes(15 * quarter);
            (quarter, at.with_timezone(&Dublin).naive_local())
        })
    }

    /// Source: the clocks of Ireland go forward at 01:00 UTC on the last
    /// Sunday of March and back at 01:00 UTC on that of October (S.I. No.
    /// 506/2001); the night of 22:30 to 07:00 is then 7.5 and 9.5 hours long.
    #[test]
    fn the_night_is_as_long_as_the_wall_clock_says_on_both_clock_days() {
        let night = QuietHours { from: clock("22:30"), until: clock("07:00") };
        for (year, month, day, n_quarters) in
            [(2026, 3, 29, 30), (2026, 10, 25, 38), (2026, 6, 14, 34)]
        {
            let day = NaiveDate::from_ymd_opt(year, month, day).unwrap();
            let held: Vec<i64> = quarters(day)
                .filter(|(_, wall)| night.hold_at(wall.time()))
                .take_while(|(quarter, _)| *quarter < 96)
                .map(|(quarter, _)| quarter)
                .collect();
            assert_eq!(held.len(), n_quarters, "{day}");
            let without_hole = held.windows(2).all(|two| two[1] == two[0] + 1);
            assert!(without_hole, "{day}");
        }
        // An hour that does not exist that day ends quiet hours as well.
        let odd = QuietHours { from: clock("00:00"), until: clock("01:30") };
        let day = NaiveDate::from_ymd_opt(2026, 3, 29).unwrap();
        let last = quarters(day)
            .filter(|(_, wall)| wall.date() == day)
            .filter(|(_, wall)| odd.hold_at(wall.time()))
            .last()
            .unwrap();
        assert_eq!(last.1.to_string(), "2026-03-29 00:45:00");
    }

    #[test]
    fn the_daily_message_comes_once_on_every_day_whatever_its_hour() {
        for hour in ["01:30", "08:00", "23:30"] {
            for (year, month, day) in
                [(2026, 3, 29), (2026, 10, 25), (2026, 6, 14)]
            {
                let day = NaiveDate::from_ymd_opt(year, month, day).unwrap();
                let mut written = Vec::new();
                for (_, wall) in quarters(day) {
                    let today = written.contains(&wall.date());
                    if daily_is_due(clock(hour), wall, today) {
                        written.push(wall.date());
                    }
                }
                let times = written.iter().filter(|date| **date == day).count();
                assert_eq!(times, 1, "{hour} {day}");
            }
        }
    }

    #[test]
    fn a_daily_message_that_is_hours_late_waits_for_tomorrow() {
        let day = NaiveDate::from_ymd_opt(2026, 6, 14).unwrap();
        let due = |wall: &str| {
            daily_is_due(clock("08:00"), day.and_time(clock(wall)), false)
        };
        assert!(!due("07:59") && due("08:00") && due("11:59"));
        assert!(!due("12:00") && !due("23:00"));
    }
}
