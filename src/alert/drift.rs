//! The rule of drift: the mean of the last 24 hours against that of the days
//! before.
//!
//! It finds a knocked dial while the range is still kept. After a week at the
//! new level that level is the usual one, and the alert is over.

use std::collections::VecDeque;

use crate::alert::course::Judged;
use crate::alert::minutes;
use crate::observation::Reading;
use crate::trial::entry::Watch;
use crate::units::Instant;

const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;
/// The last day and the week before it, ms.
pub(super) const SPAN: i64 = 8 * DAY;
/// So many hours of the last day must be known.
const LAST_KNOWN: f64 = 20.0;
/// So many hours of the time before it.
const BEFORE_KNOWN: f64 = 36.0;

/// By how much the mean moved, once enough is known of both times.
pub(super) fn judged(
    watch: &Watch,
    window: &VecDeque<Reading>,
    longest_gap: i64,
) -> Option<Judged> {
    let by = watch.high?;
    let end = window.back()?.at;
    let edge = end.plus_millis(-DAY);
    // Readings are kept ten minutes apart, so a gap is at least that long.
    let gap = longest_gap.max(HOUR / 2);
    let (last, last_known) = mean(window, edge, end, gap)?;
    let start = end.plus_millis(-SPAN);
    let (before, before_known) = mean(window, start, edge, gap)?;
    (last_known >= LAST_KNOWN && before_known >= BEFORE_KNOWN).then_some(
        Judged {
            value: last - before,
            low: Some(-by),
            high: Some(by),
            margin: watch.margin,
            lasting: minutes(watch.for_minutes),
        },
    )
}

/// The time-weighted mean of what is known in [`from`, `to`], and of how many
/// hours.
fn mean(
    window: &VecDeque<Reading>,
    from: Instant,
    to: Instant,
    longest_gap: i64,
) -> Option<(f64, f64)> {
    let (area, hours) = window
        .iter()
        .zip(window.iter().skip(1))
        .filter(|(a, b)| {
            a.at >= from && b.at <= to && b.at.millis_since(a.at) <= longest_gap
        })
        .fold((0.0, 0.0), |(area, hours), (a, b)| {
            let step = b.at.hours_since(a.at);
            (area + step * (a.value + b.value) / 2.0, hours + step)
        });
    (hours > 0.0).then(|| (area / hours, hours))
}

#[cfg(test)]
mod tests {
    use crate::alert::Change::{BecameUnknown, Cleared, Known, Raised};
    use crate::alert::preset::plain;
    use crate::alert::story::{Story, name};
    use crate::observation::Quantity;
    use crate::trial::entry::Rule;

    const HOURS: i64 = 60;

    fn fridge() -> Story {
        let place = name("fridge-drawer");
        Story::of(plain(&place, Quantity::Temperature, Rule::Drift))
    }

    /// Readings each ten minutes that swing by 1 °C in a cycle of 50.
    fn swings(story: &mut Story, from: i64, to: i64, mean: f64) {
        for at in (from..to).step_by(10) {
            let phase = std::f64::consts::TAU * at as f64 / 50.0;
            story.hears(at, mean + phase.sin());
        }
    }

    #[test]
    fn a_knocked_dial_is_told_within_a_day_though_the_range_is_kept() {
        let mut story = fridge();
        swings(&mut story, 0, 200 * HOURS, 3.8);
        swings(&mut story, 200 * HOURS, 400 * HOURS, 6.2);
        // The mean of 24 h has moved by 2.4 h/24 after h hours: more than
        // 1.5 after 15. It is over when the days before have come near: after
        // the first day their mean moves by 2.4/168 an hour, and 1.4 of the
        // 2.4 must be gone: 24 + 98 = 122 hours.
        let told = story.told();
        let [(Known, first), (Raised, at), (Cleared, end)] = told[..] else {
            panic!("{told:?}")
        };
        assert!((60 * HOURS..61 * HOURS).contains(&first), "{first}");
        assert!((215 * HOURS..216 * HOURS).contains(&at), "{at}");
        assert!((318 * HOURS..326 * HOURS).contains(&end), "{end}");
    }

    #[test]
    fn a_fridge_that_only_swings_moves_nothing() {
        let mut story = fridge();
        swings(&mut story, 0, 500 * HOURS, 3.8);
        let told = story.told();
        assert!(matches!(told[..], [(Known, _)]), "{told:?}");
    }

    #[test]
    fn after_three_weeks_without_data_two_and_a_half_days_are_waited_for() {
        let mut story = fridge();
        swings(&mut story, 0, 200 * HOURS, 3.8);
        let back = 200 * HOURS + 21 * 24 * HOURS;
        swings(&mut story, back, back + 100 * HOURS, 6.9);
        let told = story.told();
        let [(Known, _), (BecameUnknown, gap), (Known, again)] = told[..]
        else {
            panic!("{told:?}")
        };
        assert_eq!(gap, back);
        let waited = again - back;
        assert!((60 * HOURS..61 * HOURS).contains(&waited), "{waited}");
        assert!(story.state.window.len() < 700);
    }
}
