//! What stories about watches are told with: stepped minutes, one reading
//! after another, and what happened.
//!
//! For tests only.

use std::time::Duration;

use crate::alert::course::{WatchState, step};
use crate::alert::{Change, Event, Input};
use crate::observation::{Name, Quality, Reading};
use crate::trial::entry::Watch;
use crate::units::Instant;

const SILENT_AFTER: Duration = Duration::from_mins(15);

/// 2026-03-14T12:00:00Z: a Saturday, Dublin on winter time.
const NOON: i64 = 1_773_489_600_000;

pub(super) fn minute(minute: i64) -> Instant {
    Instant::from_millis(NOON + minute * 60_000)
}

pub(super) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

pub(super) fn reading(at: i64, value: f64) -> Reading {
    Reading { at: minute(at), value, quality: Quality::GOOD }
}

/// A watch with everything that happened to it.
pub(super) struct Story {
    pub(super) watch: Watch,
    pub(super) state: WatchState,
    pub(super) events: Vec<Event>,
}

impl Story {
    pub(super) fn of(watch: Watch) -> Self {
        let state = WatchState::new(minute(-1));
        Self { watch, state, events: Vec::new() }
    }

    pub(super) fn step(&mut self, input: Input) {
        let (state, events) =
            step(&self.watch, self.state.clone(), input, SILENT_AFTER);
        self.state = state;
        self.events.extend(events);
    }

    pub(super) fn hears(&mut self, at: i64, value: f64) {
        self.step(Input::Reading(reading(at, value)));
    }

    /// One reading a minute, `from` to `to` inclusive.
    pub(super) fn holds(&mut self, from: i64, to: i64, value: f64) {
        for at in from..=to {
            self.hears(at, value);
        }
    }

    pub(super) fn clock(&mut self, at: i64) {
        self.step(Input::Clock(minute(at)));
    }

    /// What happened since the last call, with the minute of each.
    pub(super) fn told(&mut self) -> Vec<(Change, i64)> {
        self.events
            .drain(..)
            .map(|event| {
                (event.change, event.at.millis_since(minute(0)) / 60_000)
            })
            .collect()
    }
}
