//! The rule of a range: is the mean of a quantity at a place inside it?
//!
//! Not a judge of single readings: a door opened for a minute moves the mean
//! little and never lasts as long as the watch asks. Freezing is the same
//! rule with a lowest value alone and numbers of its own.

use std::collections::VecDeque;

use crate::alert::course::Judged;
use crate::alert::{minutes, window};
use crate::observation::Reading;
use crate::trial::entry::Watch;

/// What the mean needs, ms.
pub(super) fn span(watch: &Watch) -> i64 {
    minutes(watch.mean_minutes)
}

/// The time-weighted mean over `mean_minutes`, once that much was heard.
pub(super) fn judged(
    watch: &Watch,
    window: &VecDeque<Reading>,
) -> Option<Judged> {
    Some(Judged {
        value: window::mean(window, span(watch))?,
        low: watch.low,
        high: watch.high,
        margin: watch.margin,
        lasting: minutes(watch.for_minutes),
    })
}

#[cfg(test)]
mod tests {
    use crate::alert::Change::{Known, Raised};
    use crate::alert::preset::presets;
    use crate::alert::story::{Story, name};
    use crate::trial::entry::{PlaceKind, Rule};

    #[test]
    fn frost_is_told_sooner_than_the_rest_and_a_cold_moment_is_not() {
        let [freezing, plain] = [Rule::Freezing, Rule::Range].map(|rule| {
            let usual = presets(PlaceKind::Fridge);
            let preset = usual.iter().find(|p| p.rule == rule).unwrap();
            let mut story = Story::of(preset.at(&name("fridge-drawer")));
            story.holds(0, 60, 3.0);
            story.holds(61, 63, -2.0); // A defrost that blew cold air.
            story.holds(64, 120, 3.0);
            story.holds(121, 200, -2.0);
            story.told()
        });
        // The mean of 10 minutes is below 0 from 127 on (at 120 the ramp to
        // -2 begins: 3 - 5 (t - 120.5)/10), told 15 minutes later.
        assert_eq!(freezing, [(Known, 10), (Raised, 142)]);
        // The mean of 30 only from 139 on, told 45 minutes later.
        assert_eq!(plain, [(Known, 30), (Raised, 184)]);
    }
}
