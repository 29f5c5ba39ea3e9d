//! A watch on a range: is the mean of a quantity at a place inside it?
//!
//! Not a judge of single readings: a door opened for a minute moves the mean
//! little and never lasts as long as the watch asks.
//!
//! - Judged is the time-weighted mean over the watch's `mean_minutes`, at the
//!   instant of each believed reading.
//! - A limit is passed when the mean was outside at every judgement for
//!   `for_minutes`; it is kept again when the mean was inside by the margin
//!   at every judgement for as long. Each limit stands for itself, so a
//!   fridge that goes from too warm to freezing is two alerts.
//! - A silence longer than the board's limit makes the state unknown, empties
//!   the mean and starts every duration anew. It ends no alert.
//! - Readings do **not** count here, and fill no mean, when they are at or
//!   before the newest one judged, back-filled, stuck, known to be false or
//!   of a doubtful instant: an alert for a past long gone helps nobody. They
//!   are in the history all the same. A value marked "at least" is taken as
//!   it stands.

use std::collections::VecDeque;
use std::time::Duration;

use crate::alert::{
    Change, Event, Input, Limit, Side, millis, minutes, window,
};
use crate::observation::{Quality, Reading};
use crate::trial::entry::Watch;
use crate::units::Instant;

/// What can be said of a watch now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// No alert: inside the range, or outside for less than the duration.
    In,
    /// An alert.
    Out,
    /// Nothing believable was heard for too long; an alert may be open.
    Unknown,
}

impl Standing {
    /// All three with their words.
    pub const WORDS: [(Self, &'static str); 3] =
        [(Self::In, "in"), (Self::Out, "out"), (Self::Unknown, "unknown")];
}

/// An alert that is open at one limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Breach {
    /// The first judgement outside.
    pub since: Instant,
    /// When the alert was raised.
    pub raised: Instant,
    /// The limit as it was then.
    pub limit: f64,
    /// The mean furthest outside so far.
    pub furthest: f64,
}

/// How one end of the range stands.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LimitState {
    /// The alert, while there is one.
    pub open: Option<Breach>,
    /// Since when the judgement has spoken for the other state: outside
    /// while there is no alert, inside by the margin while there is one.
    pub turning: Option<Instant>,
}

/// The state of one watch: plain data, to be kept over a restart.
///
/// The window may be kept with the rest or drawn again from the stored
/// readings up to `newest`; without it the watch is judged again one
/// `mean_minutes` later, and nothing else differs.
#[derive(Debug, Clone, PartialEq)]
pub struct WatchState {
    /// In, out or unknown.
    pub standing: Standing,
    /// Since when it has stood so.
    pub since: Instant,
    /// The newest reading that was believed.
    pub newest: Option<Instant>,
    /// The latest mean.
    pub mean: Option<f64>,
    /// Readings the next mean needs, oldest first, without a hole.
    pub window: VecDeque<Reading>,
    /// The lowest wanted value.
    pub low: LimitState,
    /// The highest wanted value.
    pub high: LimitState,
}

impl WatchState {
    /// A watch of which nothing is known yet.
    #[must_use]
    pub fn new(now: Instant) -> Self {
        Self {
            standing: Standing::Unknown,
            since: now,
            newest: None,
            mean: None,
            window: VecDeque::new(),
            low: LimitState::default(),
            high: LimitState::default(),
        }
    }

    /// The open alerts, at most one a limit.
    pub fn open(&self) -> impl Iterator<Item = (Side, Breach)> {
        let low = self.low.open.map(|breach| (Side::Low, breach));
        let high = self.high.open.map(|breach| (Side::High, breach));
        low.into_iter().chain(high)
    }

    fn limit(&mut self, side: Side) -> &mut LimitState {
        match side {
            Side::Low => &mut self.low,
            Side::High => &mut self.high,
        }
    }
}

/// Takes one input and says what became different.
///
/// Given the same state, readings it has judged already change nothing, so a
/// restart that hears them again raises nothing twice.
///
/// # Arguments
/// - `watch`: the range; may differ from the step before (the grower changed
///   it): an open alert then ends by the new limits.
/// - `silent_after`: the board's limit, see [`crate::alert::silent_after`].
#[must_use]
pub fn step(
    watch: &Watch,
    mut state: WatchState,
    input: Input,
    silent_after: Duration,
) -> (WatchState, Vec<Event>) {
    let mut events = Vec::new();
    match input {
        Input::Clock(now) => {
            look_at_clock(&mut state, now, silent_after, &mut events);
        }
        Input::Reading(reading) if believed(&state, reading) => {
            note_hole(&mut state, reading.at, silent_after, &mut events);
            take(watch, &mut state, reading, &mut events);
        }
        Input::Reading(_) => {}
    }
    (state, events)
}

/// Ends what is open because the watch is no longer wanted.
#[must_use]
pub fn withdraw(
    mut state: WatchState,
    now: Instant,
) -> (WatchState, Vec<Event>) {
    let mut events = Vec::new();
    for side in [Side::Low, Side::High] {
        if let Some(breach) = state.limit(side).open {
            events.push(cleared(&state, side, breach, now));
        }
    }
    state = WatchState { newest: state.newest, ..WatchState::new(now) };
    (state, events)
}

fn believed(state: &WatchState, reading: Reading) -> bool {
    reading.quality.counts()
        && !reading.quality.has(Quality::BACKFILLED)
        && reading.value.is_finite()
        && state.newest.is_none_or(|newest| reading.at > newest)
}

fn look_at_clock(
    state: &mut WatchState,
    now: Instant,
    silent_after: Duration,
    events: &mut Vec<Event>,
) {
    let Some(newest) = state.newest else { return };
    // The clock was set back: the newest reading lies in the future, and
    // waiting for it would leave the watch blind until then.
    if newest.millis_since(now) > millis(silent_after) {
        become_unknown(state, now, now, events);
        state.newest = None;
        return;
    }
    note_hole(state, now, silent_after, events);
}

/// The state is unknown once `at` is too long after the newest reading.
fn note_hole(
    state: &mut WatchState,
    at: Instant,
    silent_after: Duration,
    events: &mut Vec<Event>,
) {
    let Some(newest) = state.newest else { return };
    if at.millis_since(newest) > millis(silent_after) {
        become_unknown(state, at, newest, events);
    }
}

fn become_unknown(
    state: &mut WatchState,
    at: Instant,
    since: Instant,
    events: &mut Vec<Event>,
) {
    state.window.clear();
    state.low.turning = None;
    state.high.turning = None;
    if state.standing != Standing::Unknown {
        events.push(plain(state, Change::BecameUnknown, at, since));
        state.standing = Standing::Unknown;
        state.since = since;
    }
}

fn take(
    watch: &Watch,
    state: &mut WatchState,
    reading: Reading,
    events: &mut Vec<Event>,
) {
    let span = minutes(watch.mean_minutes);
    state.newest = Some(reading.at);
    window::push(&mut state.window, reading, span);
    let Some(mean) = window::mean(&state.window, span) else { return };
    state.mean = Some(mean);
    if state.standing == Standing::Unknown {
        events.push(plain(state, Change::Known, reading.at, state.since));
    }
    for side in [Side::Low, Side::High] {
        judge(watch, state, side, mean, reading.at, events);
    }
    let standing = if state.open().next().is_some() {
        Standing::Out
    } else {
        Standing::In
    };
    if standing != state.standing {
        state.standing = standing;
        state.since = reading.at;
    }
}

/// Moves one end of the range: into an alert, out of it, or not.
fn judge(
    watch: &Watch,
    state: &mut WatchState,
    side: Side,
    mean: f64,
    at: Instant,
    events: &mut Vec<Event>,
) {
    let wanted = match side {
        Side::Low => watch.low,
        Side::High => watch.high,
    };
    let LimitState { open, turning } = *state.limit(side);
    let outside_by = |limit: f64| match side {
        Side::Low => limit - mean,
        Side::High => mean - limit,
    };
    // A limit that was taken away is kept at once by everything.
    let (turns, lasting) = match (open, wanted) {
        (None, None) => (false, 0),
        (None, Some(limit)) => {
            (outside_by(limit) > 0.0, minutes(watch.for_minutes))
        }
        (Some(_), Some(limit)) => {
            (outside_by(limit) <= -watch.margin, minutes(watch.for_minutes))
        }
        (Some(_), None) => (true, 0),
    };
    let turning = turns.then(|| turning.unwrap_or(at));
    let turned = turning.filter(|from| at.millis_since(*from) >= lasting);
    *state.limit(side) = match (open, turned) {
        (None, Some(since)) => {
            let limit = wanted.expect("only a limit can be passed");
            let breach = Breach { since, raised: at, limit, furthest: mean };
            events.push(Event {
                since,
                ..alert_event(state, Change::Raised, side, breach, at)
            });
            LimitState { open: Some(breach), turning: None }
        }
        (Some(breach), Some(_)) => {
            events.push(cleared(state, side, breach, at));
            LimitState::default()
        }
        (Some(breach), None) => {
            let furthest = match side {
                Side::Low => breach.furthest.min(mean),
                Side::High => breach.furthest.max(mean),
            };
            LimitState { open: Some(Breach { furthest, ..breach }), turning }
        }
        (None, None) => LimitState { open: None, turning },
    };
}

fn cleared(
    state: &WatchState,
    side: Side,
    breach: Breach,
    at: Instant,
) -> Event {
    alert_event(state, Change::Cleared, side, breach, at)
}

fn alert_event(
    state: &WatchState,
    change: Change,
    side: Side,
    breach: Breach,
    at: Instant,
) -> Event {
    Event {
        raised: Some(breach.raised),
        limit: Some(Limit { side, value: breach.limit }),
        furthest: Some(breach.furthest),
        ..plain(state, change, at, breach.since)
    }
}

fn plain(
    state: &WatchState,
    change: Change,
    at: Instant,
    since: Instant,
) -> Event {
    Event {
        change,
        at,
        since,
        raised: None,
        value: state.mean,
        limit: None,
        furthest: None,
        marks: window::marks(&state.window),
    }
}
