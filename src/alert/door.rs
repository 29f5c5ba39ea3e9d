//! The rule of a door left open: the air stays above what the fridge's own
//! cycle usually reaches.
//!
//! Not a fixed limit: a fridge that swings by 3 °C and one that swings by 1
//! are each held against themselves.

use std::collections::VecDeque;

use crate::alert::course::{Breach, Judged};
use crate::alert::minutes;
use crate::observation::Reading;
use crate::trial::entry::Watch;
use crate::units::Instant;

const HOUR: i64 = 3_600_000;
/// Its own cycle is looked at over this time, ms.
pub(super) const SPAN: i64 = 24 * HOUR;
/// The last of it may be the door itself.
const LEFT_OUT: i64 = HOUR;
/// So many readings of the cycle are needed, over half of the time.
const ENOUGH: usize = 24;
/// One reading in so many is higher than the usual top of the cycle.
const TOP: usize = 20;

/// The newest reading against the usual top of the cycle and `high` above it.
///
/// While an alert is open its limit stays as it was, for a day: the warm
/// hours themselves must not become the usual.
pub(super) fn judged(
    watch: &Watch,
    window: &VecDeque<Reading>,
    open: Option<Breach>,
) -> Option<Judged> {
    let newest = window.back()?;
    let kept = open
        .filter(|open| newest.at.millis_since(open.raised) < SPAN)
        .map(|open| open.limit);
    let limit = match kept {
        Some(limit) => limit,
        None => usual_top(window, newest.at)? + watch.high?,
    };
    Some(Judged {
        value: newest.value,
        low: None,
        high: Some(limit),
        margin: watch.margin,
        lasting: minutes(watch.for_minutes),
    })
}

/// What one reading in twenty of the day before exceeds.
fn usual_top(window: &VecDeque<Reading>, now: Instant) -> Option<f64> {
    let (from, to) = (now.plus_millis(-SPAN), now.plus_millis(-LEFT_OUT));
    let cycle = || window.iter().filter(|r| r.at >= from && r.at <= to);
    let oldest = cycle().next()?.at;
    let mut values: Vec<f64> = cycle().map(|reading| reading.value).collect();
    if values.len() < ENOUGH || now.millis_since(oldest) < SPAN / 2 {
        return None;
    }
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() - 1 - values.len() / TOP).copied()
}

#[cfg(test)]
mod tests {
    use crate::alert::Change::{Cleared, Known, Raised};
    use crate::alert::preset::plain;
    use crate::alert::story::{Story, name};
    use crate::observation::Quantity;
    use crate::trial::entry::Rule;

    fn fridge() -> Story {
        let place = name("fridge-drawer");
        Story::of(plain(&place, Quantity::Temperature, Rule::Door))
    }

    /// A reading each five minutes, swinging between 3 and 5 °C, plus more.
    fn cycles(
        story: &mut Story,
        from: i64,
        to: i64,
        more: impl Fn(i64) -> f64,
    ) {
        for at in (from..to).step_by(5) {
            let phase = std::f64::consts::TAU * at as f64 / 45.0;
            story.hears(at, 4.0 + phase.sin() + more(at));
        }
    }

    #[test]
    fn a_door_left_ajar_is_told_in_minutes_and_its_end_once() {
        let mut story = fridge();
        cycles(&mut story, 0, 1440, |_| 0.0);
        // Ajar at minute 1440: it warms by 6 °C in the first hour, then stays
        // warm for five more, and is shut.
        cycles(&mut story, 1440, 1800, |at| {
            6.0_f64.min((at - 1440) as f64 / 10.0)
        });
        cycles(&mut story, 1800, 2400, |at| {
            6.0 * (-((at - 1800) as f64) / 40.0).exp()
        });
        let told = story.told();
        let [(Known, _), (Raised, raised), (Cleared, cleared)] = told[..]
        else {
            panic!("{told:?}")
        };
        // Its top is 5 °C; above 7 for good after some 30 to 40 minutes.
        assert!((1470..1500).contains(&raised), "{raised}");
        assert!((1830..1900).contains(&cleared), "{cleared}");
    }

    #[test]
    fn opening_the_door_for_dinner_is_no_alert() {
        let mut story = fridge();
        cycles(&mut story, 0, 1440, |_| 0.0);
        // Two degrees each quarter of an hour, fading away in ten minutes.
        cycles(
            &mut story,
            1440,
            1500,
            |at| if at % 15 == 0 { 3.5 } else { 0.5 },
        );
        cycles(&mut story, 1500, 1600, |_| 0.0);
        let told = story.told();
        assert!(matches!(told[..], [(Known, _)]), "{told:?}");
    }

    #[test]
    fn a_dial_set_warmer_for_good_is_told_once_and_is_usual_a_day_later() {
        let mut story = fridge();
        cycles(&mut story, 0, 1440, |_| 0.0);
        cycles(&mut story, 1440, 5000, |_| 4.5);
        let told = story.told();
        let [(Known, _), (Raised, raised), (Cleared, cleared)] = told[..]
        else {
            panic!("{told:?}")
        };
        assert!(cleared - raised >= 1440, "{told:?}");
        assert!(cleared - raised < 1500, "{told:?}");
    }
}
