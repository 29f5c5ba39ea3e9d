//! A watch on a board: has it been heard lately?
//!
//! Not a judge of what it says, and not of status messages either: a board
//! lives when a reading of it was accepted, whatever a broker claims.

use std::time::Duration;

use crate::alert::{Change, Event, Input, Recent, millis};
use crate::observation::Quality;
use crate::units::Instant;

/// When a board counts as silent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SilenceRule {
    /// The board's limit, see [`crate::alert::silent_after`].
    pub silent_after: Duration,
    /// Since when the daemon could have heard it: its start, the return of
    /// the broker or port, a step of the clock. A board gets its whole limit
    /// from here on before it is called silent.
    pub listening_since: Instant,
}

/// The state of one board's watch: plain data, to be kept over a restart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SilenceState {
    /// Its newest reading, of whatever quality.
    pub last: Option<Instant>,
    /// The alert while there is one: silent since, and when it was raised.
    pub open: Option<Silence>,
}

/// An open alert about a silent board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Silence {
    /// The last reading before, or since when the daemon has listened.
    pub since: Instant,
    /// When the alert was raised.
    pub raised: Instant,
}

/// Takes one input and says what became different.
///
/// A reading only notes that the board was heard; both the beginning and the
/// end of a silence are told at a [`Input::Clock`], so a backlog that arrives
/// oldest first ends nothing before its newest reading is recent.
#[must_use]
pub fn step(
    rule: &SilenceRule,
    mut state: SilenceState,
    input: Input,
) -> (SilenceState, Vec<Event>) {
    match input {
        Input::Reading(reading) | Input::Past(reading) => {
            state.last = state.last.max(Some(reading.at));
            (state, Vec::new())
        }
        Input::Clock(now) => {
            let event = look(rule, &mut state, now);
            (state, event.into_iter().collect())
        }
    }
}

/// Ends what is open because the board is no longer expected.
#[must_use]
pub fn withdraw(
    mut state: SilenceState,
    now: Instant,
) -> (SilenceState, Vec<Event>) {
    let events = state
        .open
        .take()
        .map(|open| event(Change::Cleared, now, open.since, open.raised))
        .into_iter()
        .collect();
    (state, events)
}

fn look(
    rule: &SilenceRule,
    state: &mut SilenceState,
    now: Instant,
) -> Option<Event> {
    let limit = millis(rule.silent_after);
    // A reading from the future (the clock was set back) proves nothing.
    state.last = state.last.filter(|last| last.millis_since(now) <= limit);
    let recent = |instant: Instant| now.millis_since(instant) <= limit;
    match state.open {
        Some(Silence { since, raised }) if state.last.is_some_and(recent) => {
            state.open = None;
            Some(event(Change::Cleared, now, since, raised))
        }
        None if !recent(rule.listening_since)
            && !state.last.is_some_and(recent) =>
        {
            let since = state.last.unwrap_or(rule.listening_since);
            state.open = Some(Silence { since, raised: now });
            Some(event(Change::Raised, now, since, now))
        }
        _ => None,
    }
}

/// An event of a silence, for its message.
pub(crate) fn event(
    change: Change,
    at: Instant,
    since: Instant,
    raised: Instant,
) -> Event {
    Event {
        change,
        at,
        since,
        raised: Some(raised),
        value: None,
        limit: None,
        furthest: None,
        marks: Quality::GOOD,
        recent: Recent::default(),
    }
}

#[cfg(test)]
mod tests {
    use chrono_tz::Europe::Dublin;

    use super::*;
    use crate::alert::Severity;
    use crate::alert::wording::silence_alert;
    use crate::observation::{Name, Reading};
    use crate::trial::entry::PlaceKind;
    use crate::trial::house::Place;
    use Change::{Cleared, Raised};

    const SILENT_AFTER: Duration = Duration::from_mins(15);

    /// Minutes after 2026-03-14T12:00:00Z.
    fn minute(minute: i64) -> Instant {
        Instant::from_millis(1_773_489_600_000 + minute * 60_000)
    }

    fn silence_of(
        inputs: &[Input],
        listening_since: i64,
    ) -> Vec<(Change, i64)> {
        let rule = SilenceRule {
            silent_after: SILENT_AFTER,
            listening_since: minute(listening_since),
        };
        let mut state = SilenceState::default();
        let mut told = Vec::new();
        for input in inputs {
            let (next, events) = step(&rule, state, *input);
            state = next;
            told.extend(events.iter().map(|event| {
                (event.change, event.at.millis_since(minute(0)) / 60_000)
            }));
        }
        told
    }

    fn heard(at: i64) -> Input {
        Input::Reading(Reading {
            at: minute(at),
            value: 5.0,
            quality: Quality::GOOD,
        })
    }

    fn clock(at: i64) -> Input {
        Input::Clock(minute(at))
    }

    #[test]
    fn a_silent_board_is_told_once_and_so_is_its_return() {
        let mut inputs = vec![heard(0), clock(15), clock(16)];
        inputs.extend((17..100).map(clock));
        inputs.extend([heard(100), clock(101), heard(102), clock(102)]);
        assert_eq!(silence_of(&inputs, -60), [(Raised, 16), (Cleared, 101)]);
    }

    #[test]
    fn a_backlog_does_not_end_a_silence_before_its_newest_reading() {
        let mut inputs = vec![heard(0), clock(16)];
        for old in 1..185 {
            inputs.extend([heard(old), clock(200)]);
        }
        inputs.extend([heard(185), clock(200)]);
        assert_eq!(silence_of(&inputs, -60), [(Raised, 16), (Cleared, 200)]);
    }

    #[test]
    fn a_board_gets_its_whole_limit_after_the_daemon_starts() {
        let mut inputs = vec![heard(0)];
        inputs.extend((500..=516).map(clock));
        assert_eq!(silence_of(&inputs, 500), [(Raised, 516)]);
        // A board that was never heard at all is told as well.
        assert_eq!(silence_of(&[clock(15), clock(16)], 0), [(Raised, 16)]);
    }

    #[test]
    fn a_reading_from_the_future_proves_no_life() {
        let inputs = [heard(10_000), clock(0), clock(16)];
        assert_eq!(silence_of(&inputs, 0), [(Raised, 16)]);
    }

    #[test]
    fn a_silent_board_says_who_is_unwatched_meanwhile() {
        let rule = SilenceRule {
            silent_after: SILENT_AFTER,
            listening_since: minute(-60),
        };
        let state = SilenceState { last: Some(minute(0)), open: None };
        let (_, events) = step(&rule, state, clock(75));
        let drawer = Place {
            name: Name::new("fridge-drawer").unwrap(),
            kind: PlaceKind::Fridge,
            light_source: String::new(),
            title: "Bottom drawer".to_owned(),
        };
        let alert = silence_alert(
            &Name::new("box-1").unwrap(),
            Some(&drawer),
            Severity::Urgent,
            &events[0],
            Dublin,
        )
        .unwrap();
        assert_eq!(alert.id.as_str(), "box-1-silent-20260314T131500.000Z");
        assert_eq!(
            alert.text,
            "Board box-1 at Bottom drawer (fridge-drawer): silent since Sat 14 \
             March 12:00 (75 minutes). Until it speaks, nobody watches this \
             place. Often: an empty cell, out of reach, or a router or plug \
             switched off. Safe to do: read the place's own thermometer, then \
             switch the board off and on, then put in a fresh cell."
        );
    }
}
