//! Range watches in stories with stepped time.
//!
//! The rules checked here are this program's own (see [`super::range`]); the
//! expected instants are worked out by hand in each story.

use chrono_tz::Europe::Dublin;

use crate::alert::course::{Standing, withdraw};
use crate::alert::preset::presets;
use crate::alert::story::{Story, minute, name, reading};
use crate::alert::wording::watch_alert;
use crate::alert::{Change, Input, Severity, Side};
use crate::observation::{Quality, Quantity, Reading};
use crate::trial::entry::{PlaceKind, QuantityWord, Rule, Watch};
use crate::trial::house::Place;

/// A fridge drawer watched by its preset: 0–7 °C, mean 30, for 45, margin ½.
fn fridge() -> Watch {
    presets(PlaceKind::Fridge)[0].at(&name("fridge-drawer"))
}

/// A watch that judges each reading: 0–8 °C for ten minutes, margin ½.
fn plain() -> Watch {
    Watch {
        place: name("stair-landing"),
        quantity: QuantityWord(Quantity::Temperature),
        rule: Rule::Range,
        low: Some(0.0),
        high: Some(8.0),
        mean_minutes: 0,
        for_minutes: 10,
        margin: 0.5,
        urgent: false,
        wet_is_normal: false,
    }
}

fn drawer() -> Place {
    Place {
        name: name("fridge-drawer"),
        kind: PlaceKind::Fridge,
        light_source: String::new(),
        title: "Bottom drawer".to_owned(),
    }
}

use Change::{BecameUnknown, Cleared, Known, Raised};

#[test]
fn an_alert_begins_after_the_duration_and_not_before() {
    let mut story = Story::of(plain());
    story.holds(0, 5, 5.0);
    story.holds(6, 15, 9.0);
    assert_eq!(story.told(), [(Known, 0)]);
    assert_eq!(story.state.standing, Standing::In);
    assert_eq!(story.state.high.turning, Some(minute(6)));

    story.hears(16, 9.5);

    let raised = story.events[0];
    assert_eq!(story.told(), [(Raised, 16)]);
    assert_eq!((raised.since, raised.value), (minute(6), Some(9.5)));
    assert_eq!(
        raised.limit.map(|l| (l.side, l.value)),
        Some((Side::High, 8.0))
    );
    assert_eq!(story.state.standing, Standing::Out);
    assert_eq!(story.state.since, minute(16));
}

#[test]
fn a_door_opened_for_two_minutes_raises_nothing() {
    let mut story = Story::of(fridge());
    story.holds(0, 60, 4.0);
    story.holds(61, 62, 16.0);
    story.holds(63, 180, 4.0);
    // The mean rises by at most 2.5 min × 12 °C / 30 min = 1.0 °C.
    assert_eq!(story.told(), [(Known, 30)]);
}

#[test]
fn a_knocked_dial_is_told_once_with_how_far_out_it_is() {
    let mut story = Story::of(fridge());
    story.holds(0, 60, 4.0);
    story.holds(61, 200, 10.0);
    // The mean crosses 7 °C when half of the window is at 10 °C: the step is
    // a ramp from minute 60 to 61, so it is 7 at 75.5 and above at 76; the
    // alert comes 45 minutes later.
    assert_eq!(story.told(), [(Known, 30), (Raised, 121)]);
    let (side, breach) = story.state.open().next().unwrap();
    assert_eq!((side, breach.since), (Side::High, minute(76)));
    assert!((breach.furthest - 10.0).abs() < 1e-9);
}

#[test]
fn flapping_at_the_limit_is_one_alert() {
    let mut story = Story::of(plain());
    story.holds(0, 20, 8.2);
    for at in 21..400 {
        story.hears(at, if at % 25 < 12 { 7.8 } else { 8.2 });
    }
    assert_eq!(story.told(), [(Known, 0), (Raised, 10)]);
}

#[test]
fn an_alert_ends_only_inside_by_the_margin_and_for_the_duration() {
    let mut story = Story::of(plain());
    story.holds(0, 20, 9.0);
    story.holds(21, 60, 7.6); // Inside, but not by the margin.
    story.holds(61, 69, 7.5); // By the margin, for 8 minutes.
    story.hears(70, 7.6);
    story.holds(71, 80, 7.4);
    assert_eq!(story.told(), [(Known, 0), (Raised, 10)]);

    story.hears(81, 7.4);

    assert_eq!(story.told(), [(Cleared, 81)]);
    assert_eq!(story.state.standing, Standing::In);
}

#[test]
fn a_gap_makes_it_unknown_and_ends_no_alert() {
    let mut story = Story::of(plain());
    story.holds(0, 20, 9.0);
    story.clock(35);
    assert_eq!(story.told(), [(Known, 0), (Raised, 10)]);

    story.clock(36);
    let unknown = story.events[0];
    assert_eq!(story.told(), [(BecameUnknown, 36)]);
    assert_eq!(unknown.since, minute(20));
    assert_eq!(story.state.standing, Standing::Unknown);
    assert!(story.state.high.open.is_some());

    // Heard again, still out: known, but neither ended nor raised anew.
    story.holds(300, 330, 9.0);
    assert_eq!(story.told(), [(Known, 300)]);
    assert_eq!(story.state.standing, Standing::Out);
    // Good again after a second gap: it ends after the duration.
    story.holds(400, 420, 5.0);
    assert_eq!(
        story.told(),
        [(BecameUnknown, 400), (Known, 400), (Cleared, 410)]
    );
}

#[test]
fn a_gap_starts_the_duration_and_the_mean_anew() {
    let mut story = Story::of(fridge());
    story.holds(0, 60, 10.0); // Judged from 30 on: 30 of 45 minutes.
    story.holds(100, 174, 10.0); // Judged from 130 on: 44 of 45 minutes.
    assert_eq!(story.told(), [(Known, 30), (BecameUnknown, 100), (Known, 130)]);
    story.hears(175, 10.0);
    assert_eq!(story.told(), [(Raised, 175)]);
}

#[test]
fn back_filled_stuck_late_and_doubtful_readings_raise_nothing() {
    let mut story = Story::of(plain());
    story.holds(0, 5, 5.0);
    assert_eq!(story.told(), [(Known, 0)]);
    let before = story.state.clone();
    for mark in [
        Quality::BACKFILLED,
        Quality::STUCK,
        Quality::KNOWN_FALSE,
        Quality::CLOCK_DOUBTFUL,
    ] {
        for at in 6..60 {
            let reading = Reading { quality: mark, ..reading(at, 30.0) };
            story.step(Input::Reading(reading));
        }
    }
    for at in -100..=5 {
        story.hears(at, 30.0);
    }
    story.hears(6, f64::NAN);
    assert_eq!(story.state, before);
    assert_eq!(story.told(), []);
}

#[test]
fn a_stuck_sensor_is_not_taken_for_a_kept_range() {
    let mut story = Story::of(plain());
    story.holds(0, 5, 5.0);
    for at in 6..=21 {
        let stuck = Reading { quality: Quality::STUCK, ..reading(at, 5.0) };
        story.step(Input::Reading(stuck));
        story.clock(at);
    }
    assert_eq!(story.told(), [(Known, 0), (BecameUnknown, 21)]);
}

#[test]
fn a_fridge_that_goes_from_warm_to_frost_is_two_alerts() {
    let mut story = Story::of(plain());
    story.holds(0, 20, 9.0);
    story.holds(21, 40, -2.0);
    assert_eq!(
        story.told(),
        [(Known, 0), (Raised, 10), (Raised, 31), (Cleared, 31)]
    );
    let open: Vec<_> = story.state.open().map(|(side, _)| side).collect();
    assert_eq!(open, [Side::Low]);
}

#[test]
fn a_restart_in_any_state_tells_nothing_twice() {
    // Unknown, in, turning, out, turning back, unknown while out, known.
    let mut inputs = Vec::new();
    let mut say = |from: i64, to: i64, value: f64| {
        for at in from..=to {
            inputs.push(Input::Reading(reading(at, value)));
            inputs.push(Input::Clock(minute(at)));
        }
    };
    say(0, 40, 4.0);
    say(41, 140, 9.0);
    say(141, 200, 4.0);
    say(201, 300, 9.0);
    say(340, 400, 9.0);
    say(401, 500, 4.0);
    let told = |restart_at: Option<usize>| {
        let mut story = Story::of(fridge());
        for (i, input) in inputs.iter().enumerate() {
            if restart_at == Some(i) {
                // Everything since an hour ago is heard again.
                for again in inputs[i.saturating_sub(120)..i].iter() {
                    if matches!(again, Input::Reading(_)) {
                        story.step(*again);
                    }
                }
            }
            story.step(*input);
        }
        story.told()
    };
    let expected = told(None);
    let count = |change| expected.iter().filter(|e| e.0 == change).count();
    assert_eq!((count(Raised), count(Cleared)), (2, 2), "{expected:?}");
    for i in 0..inputs.len() {
        assert_eq!(told(Some(i)), expected, "restart before input {i}");
    }
}

#[test]
fn three_hours_without_the_daemon_do_not_raise_by_what_was_missed() {
    let mut story = Story::of(plain());
    story.holds(0, 5, 9.0);
    // The broker hands over what waited: back-filled, far too warm.
    for at in 6..180 {
        let late =
            Reading { quality: Quality::BACKFILLED, ..reading(at, 30.0) };
        story.step(Input::Reading(late));
    }
    story.clock(180);
    story.holds(180, 185, 5.0);
    assert_eq!(story.told(), [(Known, 0), (BecameUnknown, 180), (Known, 180)]);
}

#[test]
fn a_clock_set_back_does_not_blind_the_watch() {
    let mut story = Story::of(plain());
    story.holds(10_000, 10_020, 5.0); // A week ahead, by mistake.
    story.clock(0);
    assert_eq!(story.told(), [(Known, 10_000), (BecameUnknown, 0)]);
    story.holds(1, 11, 9.0);
    assert_eq!(story.told(), [(Known, 1), (Raised, 11)]);
}

#[test]
fn a_changed_watch_ends_its_alert_by_the_new_limits() {
    let mut story = Story::of(plain());
    story.holds(0, 20, 9.0);
    story.watch.high = Some(10.0);
    story.holds(21, 31, 9.0);
    assert_eq!(story.told(), [(Known, 0), (Raised, 10), (Cleared, 31)]);

    story.watch.high = Some(8.0);
    story.holds(32, 42, 9.0);
    assert_eq!(story.told(), [(Raised, 42)]);
    story.watch.high = None;
    story.hears(43, 9.0);
    assert_eq!(story.told(), [(Cleared, 43)]);
}

#[test]
fn a_withdrawn_watch_ends_its_alert() {
    let mut story = Story::of(plain());
    story.holds(0, 20, 9.0);
    let (state, events) = withdraw(story.state, minute(25));
    assert_eq!(events.len(), 1);
    assert_eq!((events[0].change, events[0].at), (Cleared, minute(25)));
    assert_eq!(state.open().count(), 0);
    let place = Place { name: name("stair-landing"), ..drawer() };
    let told = watch_alert(&plain(), &place, &events[0], Dublin).unwrap();
    assert!(told.text.contains("changed or withdrawn"), "{}", told.text);
}

#[test]
fn both_messages_of_one_alert_carry_one_id() {
    let mut story = Story::of(fridge());
    story.holds(0, 60, 4.0);
    story.holds(61, 130, 10.0);
    story.holds(131, 260, 3.9);
    let alerts: Vec<_> = story
        .events
        .iter()
        .filter_map(|e| watch_alert(&story.watch, &drawer(), e, Dublin))
        .collect();
    let [raised, cleared] = alerts.as_slice() else {
        panic!("{alerts:?}");
    };
    assert_eq!(
        raised.id.as_str(),
        "fridge-drawer-temperature-20260314T140100.000Z"
    );
    assert_eq!(raised.id, cleared.id);
    assert_eq!((raised.state, cleared.state), (Raised, Cleared));
    assert_eq!(raised.severity, Severity::Urgent);
    assert_eq!(
        raised.text,
        "Bottom drawer (fridge-drawer): too warm. 10.0 °C on average over \
         30 minutes, 3.0 °C above the highest wanted, 7.0 °C. Since Sat 14 \
         March 13:16 (45 minutes). Last readings: 10.0 °C at 13:59, 10.0 °C \
         at 14:00, 10.0 °C at 14:01. Often: a door not quite shut, the dial \
         knocked, or much warm food put in at once. Safe to do: shut the \
         door, look at the dial, and give it an hour before you turn \
         anything. Look after the food first."
    );
    // The mean is 10 − 6.1 (t − 130.5)/30, so at or below 6.5 °C from 148 on;
    // the alert ends 45 minutes later, 117 minutes after it was first out.
    assert_eq!(
        cleared.text,
        "Bottom drawer (fridge-drawer): temperature back in range. Now \
         3.9 °C on average over 30 minutes. It was too warm from Sat 14 \
         March 13:16 for 117 minutes, at worst 10.0 °C."
    );
}

#[test]
fn a_probe_in_the_sun_gets_its_caveat_and_the_unknown_no_message() {
    let mut story = Story::of(plain());
    for at in 0..=10 {
        let sunny = Reading { quality: Quality::SUN, ..reading(at, 40.0) };
        story.step(Input::Reading(sunny));
    }
    let messages: Vec<_> = story
        .events
        .iter()
        .map(|e| watch_alert(&story.watch, &drawer(), e, Dublin))
        .collect();
    assert_eq!(messages.len(), 2);
    assert!(messages[0].is_none(), "becoming known is no message");
    let text = &messages[1].as_ref().unwrap().text;
    assert!(text.contains("The sun was on the probe"), "{text}");
}
