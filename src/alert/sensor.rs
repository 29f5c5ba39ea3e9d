//! The rule of the sensor itself: does it still measure?
//!
//! By the marks that `decode` gave its readings: one number for hours, a
//! value that this kind gives when it cannot measure, the end of the scale.
//! And a thermometer is held against itself: one that never stood still for
//! long at this place and then shows one number for half a day is told. That
//! is no mark: it may be right, and its hours stay in every sum.
//!
//! Readings in a calibration window are not handed in, so salt boxes and ice
//! water raise nothing.

use std::collections::VecDeque;

use crate::alert::course::{Breach, Judged};
use crate::alert::minutes;
use crate::observation::{Quality, Quantity, Reading};
use crate::trial::entry::Watch;

const HOUR: i64 = 3_600_000;
/// A thermometer is held against so much of its own past, ms.
const SPAN: i64 = 36 * HOUR;
/// One number for so long is remarkable, ms ...
const STILL: i64 = 12 * HOUR;
/// ... in so many readings ...
const STILL_READINGS: usize = 24;
/// ... when for so long before it ...
const BEFORE: i64 = 20 * HOUR;
/// ... in so many readings ...
const BEFORE_READINGS: usize = 40;
/// ... no number lasted longer than this, ms. A coarse thermometer in a
/// cellar is slower than that by itself, and is never told.
const LONGEST_BEFORE: i64 = 3 * HOUR;

/// How far back the rule looks, ms.
pub(super) fn span(watch: &Watch) -> i64 {
    match watch.quantity.0 {
        Quantity::Temperature => SPAN,
        _ => 0,
    }
}

/// 1 for a reading that measures nothing, 0 for one that does, against ½.
pub(super) fn judged(
    watch: &Watch,
    reading: Reading,
    window: &VecDeque<Reading>,
    open: Option<Breach>,
) -> Option<Judged> {
    let marks = reading.quality;
    let full = marks.has(Quality::SATURATED) && !watch.wet_is_normal;
    let blind = full
        || marks.has(Quality::STUCK)
        || marks.has(Quality::KNOWN_FALSE)
        || (watch.quantity.0 == Quantity::Temperature
            && stands_still(window, reading, open));
    Some(Judged {
        value: if blind { 1.0 } else { 0.0 },
        low: None,
        high: Some(0.5),
        margin: 0.0,
        lasting: minutes(watch.for_minutes),
    })
}

/// Whether it stands still, which it did not before.
fn stands_still(
    window: &VecDeque<Reading>,
    newest: Reading,
    open: Option<Breach>,
) -> bool {
    let row = window
        .iter()
        .rev()
        .take_while(|reading| same(reading.value, newest.value))
        .count();
    let before = window.len() - row;
    let Some(first) = window.get(before) else { return false };
    let lasted = newest.at.millis_since(first.at);
    // What was told is over when the number changes, not when the time
    // before it is forgotten.
    let as_told =
        |open: Breach| lasted > 0 && (before == 0 || first.at <= open.raised);
    if open.is_some_and(as_told) {
        return true;
    }
    lasted >= STILL && row >= STILL_READINGS && moved(window, before)
}

/// Whether the first `n` readings of a window tell a thermometer that moves.
fn moved(window: &VecDeque<Reading>, n: usize) -> bool {
    let mut before = window.iter().take(n);
    let Some(oldest) = before.next() else { return false };
    let (mut since, mut last, mut longest) = (oldest, oldest, 0);
    for reading in before {
        if !same(reading.value, since.value) {
            since = reading;
        }
        longest = longest.max(reading.at.millis_since(since.at));
        last = reading;
    }
    n >= BEFORE_READINGS
        && last.at.millis_since(oldest.at) >= BEFORE
        && longest <= LONGEST_BEFORE
}

fn same(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alert::Change::{BecameUnknown, Cleared, Known, Raised};
    use crate::alert::Input;
    use crate::alert::preset::plain;
    use crate::alert::story::{Story, name, reading};
    use crate::observation::Quantity;
    use crate::trial::entry::Rule;

    fn says(story: &mut Story, from: i64, to: i64, value: f64, mark: Quality) {
        for at in from..=to {
            let reading = Reading { quality: mark, ..reading(at, value) };
            story.step(Input::Reading(reading));
        }
    }

    fn of(wet_is_normal: bool) -> Story {
        let plain = plain(&name("box"), Quantity::Humidity, Rule::Sensor);
        Story::of(Watch { wet_is_normal, ..plain })
    }

    #[test]
    fn a_stuck_sensor_is_told_after_half_an_hour_and_its_return() {
        let mut story = of(false);
        says(&mut story, 0, 10, 71.3, Quality::GOOD);
        says(&mut story, 11, 60, 71.3, Quality::STUCK);
        says(&mut story, 61, 120, 70.8, Quality::GOOD);
        assert_eq!(story.told(), [(Known, 0), (Raised, 41), (Cleared, 91)]);
    }

    #[test]
    fn a_closed_wet_box_at_99_per_cent_is_normal_when_that_is_said() {
        let mut unsaid = of(false);
        says(&mut unsaid, 0, 60, 99.4, Quality::SATURATED);
        assert_eq!(unsaid.told(), [(Known, 0), (Raised, 30)]);
        let mut said = of(true);
        says(&mut said, 0, 600, 99.4, Quality::SATURATED);
        assert_eq!(said.told(), [(Known, 0)]);
        // Being stuck at another value is not.
        says(&mut said, 601, 640, 54.0, Quality::STUCK);
        assert_eq!(said.told(), [(Raised, 631)]);
    }

    /// A reading each ten minutes, from hour to hour.
    fn each_ten(
        story: &mut Story,
        (from, to): (i64, i64),
        value: impl Fn(i64) -> f64,
    ) {
        for at in (from * 60..to * 60).step_by(10) {
            story.hears(at, value(at));
        }
    }

    fn thermometer() -> Story {
        Story::of(plain(&name("shelf"), Quantity::Temperature, Rule::Sensor))
    }

    #[test]
    fn a_coarse_thermometer_that_stood_never_still_is_told_after_half_a_day() {
        let mut story = thermometer();
        each_ten(&mut story, (0, 24), |at| 19.0 + (at / 40 % 5) as f64 / 10.0);
        each_ten(&mut story, (24, 96), |_| 19.2);
        assert_eq!(story.told(), [(Known, 0), (Raised, 36 * 60 + 30)]);
        // The time before it is forgotten by now, and it is not over.
        each_ten(&mut story, (96, 97), |at| 19.0 + (at % 3) as f64 / 10.0);
        assert_eq!(story.told(), [(Cleared, 96 * 60 + 30)]);
    }

    #[test]
    fn a_coarse_thermometer_in_a_steady_cellar_is_never_told() {
        let mut story = thermometer();
        // A tenth each four hours, then two still days.
        each_ten(&mut story, (0, 36), |at| 11.0 + (at / 240 % 3) as f64 / 10.0);
        each_ten(&mut story, (36, 84), |_| 11.1);
        assert_eq!(story.told(), [(Known, 0)]);
        // Nor one that was brought there from a warm room the day before.
        let mut story = thermometer();
        each_ten(&mut story, (0, 10), |at| 19.0 + (at % 7) as f64 / 10.0);
        each_ten(&mut story, (10, 84), |_| 11.1);
        assert_eq!(story.told(), [(Known, 0)]);
    }

    #[test]
    fn a_calibration_window_suspends_it() {
        let mut story = of(false);
        says(&mut story, 0, 10, 71.3, Quality::GOOD);
        // Two days in a salt box: excluded, so nothing is handed in.
        for at in (11..2900).step_by(10) {
            story.clock(at);
        }
        says(&mut story, 2900, 2920, 71.0, Quality::GOOD);
        assert_eq!(
            story.told(),
            [(Known, 0), (BecameUnknown, 31), (Known, 2900)]
        );
    }
}
