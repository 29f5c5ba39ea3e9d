//! The rule of a day: minutes outside the range add up over 24 hours, though
//! no excursion lasted.
//!
//! The last 24 hours, not a calendar day: on the two days on which clocks
//! change it is as long as ever. Time in which nothing was heard adds nothing.

use std::collections::VecDeque;

use crate::alert::course::Judged;
use crate::observation::Reading;
use crate::trial::entry::Watch;

/// The time over which is added up, ms.
pub(super) const SPAN: i64 = 24 * 3_600_000;

/// Minutes outside the range within the last 24 hours against the minutes
/// that are allowed; it is over when half of them are left.
pub(super) fn judged(
    watch: &Watch,
    window: &VecDeque<Reading>,
    longest_gap: i64,
) -> Option<Judged> {
    let edge = window.back()?.at.plus_millis(-SPAN);
    let out: f64 = window
        .iter()
        .zip(window.iter().skip(1))
        .filter(|(from, to)| {
            from.at >= edge && to.at.millis_since(from.at) <= longest_gap
        })
        .map(|(from, to)| {
            to.at.hours_since(from.at)
                * 60.0
                * share_outside(watch, from.value, to.value)
        })
        .sum();
    let allowed = f64::from(watch.for_minutes);
    Some(Judged {
        value: out,
        low: None,
        high: Some(allowed),
        margin: allowed / 2.0,
        lasting: 0,
    })
}

/// Which part of a straight line between two values lies outside.
fn share_outside(watch: &Watch, a: f64, b: f64) -> f64 {
    let (low, high) = (a.min(b), a.max(b));
    let above = watch.high.map_or(0.0, |limit| part(limit, low, high));
    // Below a limit is above it with the signs turned.
    let below = watch.low.map_or(0.0, |limit| part(-limit, -high, -low));
    above + below
}

/// Which part of [`low`, `high`] lies above a limit.
fn part(limit: f64, low: f64, high: f64) -> f64 {
    if high <= limit {
        0.0
    } else if low >= limit {
        1.0
    } else {
        (high - limit) / (high - low)
    }
}

#[cfg(test)]
mod tests {
    use chrono_tz::Europe::Dublin;

    use crate::alert::Change::{BecameUnknown, Cleared, Known, Raised};
    use crate::alert::preset::plain;
    use crate::alert::story::{Story, name};
    use crate::observation::Quantity;
    use crate::trial::entry::{Rule, Watch};

    /// At most 7 °C, 60 minutes out of it in a day are too many.
    fn fridge() -> Watch {
        let place = name("fridge-drawer");
        Watch {
            high: Some(7.0),
            for_minutes: 60,
            ..plain(&place, Quantity::Temperature, Rule::DaySum)
        }
    }

    #[test]
    fn many_short_excursions_are_one_alert_and_a_calm_day_ends_it() {
        let mut story = Story::of(fridge());
        for hour in 0..9 {
            // Eleven readings above 7 each hour: with the half ramps on both
            // sides (from 4 to 9, so 2/5 of a minute each) 10.8 minutes.
            story.holds(hour * 60, hour * 60 + 10, 9.0);
            story.holds(hour * 60 + 11, hour * 60 + 59, 4.0);
        }
        // Five hours give 10.4 (the first has no ramp up) + 43.2 = 53.6; the
        // sixth passes 60 in its seventh minute.
        assert_eq!(story.told(), [(Known, 0), (Raised, 307)]);
        let breach = story.state.high.open.unwrap();
        assert!((breach.limit - 60.0).abs() < 1e-9);

        story.holds(540, 1440 + 600, 4.0);
        // It ends when no more than 30 minutes are left of the last 24 hours:
        // hours 6 to 8 leave 32.4, and the seventh minute of hour 6 goes.
        let [(Cleared, at)] = story.told()[..] else { panic!("not ended") };
        assert!((1440 + 360..=1440 + 365).contains(&at), "{at}");
    }

    #[test]
    fn hours_of_which_nothing_is_known_add_nothing() {
        let mut story = Story::of(fridge());
        story.holds(0, 40, 9.0);
        story.holds(400, 410, 9.0); // 40 + 10 minutes are known.
        assert_eq!(
            story.told(),
            [(Known, 0), (BecameUnknown, 400), (Known, 400)]
        );
        story.holds(411, 421, 9.0);
        assert_eq!(story.told(), [(Raised, 421)]);
    }

    /// Clocks went forward on 29 March 2026 at 01:00 UTC and back on 25
    /// October (dates of the European Union's directive 2000/84/EC).
    #[test]
    fn the_days_on_which_clocks_change_are_as_long_as_ever() {
        let midnight = |text: &str| {
            let date: chrono::NaiveDate = text.parse().unwrap();
            date.and_hms_opt(0, 0, 0)
                .unwrap()
                .and_local_timezone(Dublin)
                .unwrap()
                .to_utc()
        };
        for (date, hours) in
            [("2026-03-29", 23), ("2026-10-25", 25), ("2026-06-01", 24)]
        {
            let (from, to) = (
                midnight(date),
                midnight(date) + chrono::TimeDelta::hours(hours),
            );
            assert_eq!(
                to.with_timezone(&Dublin).format("%H").to_string(),
                "00"
            );
            let noon = crate::alert::story::minute(0);
            let first = crate::units::Instant::from(from).millis_since(noon);
            let first = first / 60_000;
            let mut story = Story::of(fridge());
            // Out for 61 minutes early in that day: told at once, and over
            // 24 hours (less 30 minutes) later, whatever the clocks say.
            story.holds(first, first + 61, 9.0);
            story.holds(first + 62, first + 1600, 4.0);
            let told: Vec<_> = story
                .told()
                .into_iter()
                .map(|(change, at)| (change, at - first))
                .collect();
            let [(Known, 0), (Raised, 61), (Cleared, end)] = told[..] else {
                panic!("{told:?}")
            };
            assert!((1440 + 30..1440 + 34).contains(&end), "{date}: {end}");
        }
    }
}
