//! The rule of the sensor itself: does it still measure?
//!
//! By the marks that `decode` gave its readings: one number for hours, a
//! value that this kind gives when it cannot measure, the end of the scale.
//! Readings in a calibration window are not handed in, so salt boxes and ice
//! water raise nothing.

use crate::alert::course::Judged;
use crate::alert::minutes;
use crate::observation::{Quality, Reading};
use crate::trial::entry::Watch;

/// 1 for a reading that measures nothing, 0 for one that does, against ½.
pub(super) fn judged(watch: &Watch, reading: Reading) -> Option<Judged> {
    let marks = reading.quality;
    let full = marks.has(Quality::SATURATED) && !watch.wet_is_normal;
    let blind =
        full || marks.has(Quality::STUCK) || marks.has(Quality::KNOWN_FALSE);
    Some(Judged {
        value: if blind { 1.0 } else { 0.0 },
        low: None,
        high: Some(0.5),
        margin: 0.0,
        lasting: minutes(watch.for_minutes),
    })
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
