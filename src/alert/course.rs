//! The course of a watch, whatever its rule: in, out, unknown, and the
//! alert that is raised once and ended once.
//!
//! What is held against which limit is each rule's own (`range`, `day_sum`,
//! `drift`, `door`, `sensor`); here it becomes states and events.
//!
//! - A limit is passed when every judgement for the rule's duration was
//!   outside; it is kept again when every judgement for as long was inside by
//!   the margin. Each limit stands for itself, so a fridge that goes from too
//!   warm to freezing is two alerts.
//! - A silence longer than the board's limit makes the state unknown and
//!   starts every duration anew. It ends no alert.
//! - Readings do **not** count here when they are at or before the newest one
//!   judged, back-filled, of a doubtful instant or, but for the watch on the
//!   sensor itself, stuck or known to be false: an alert for a past long gone
//!   helps nobody. They are in the history all the same. A value marked "at
//!   least" is taken as it stands.

use std::collections::VecDeque;
use std::time::Duration;

use crate::alert::{
    Change, Event, Input, Limit, Recent, Side, day_sum, door, drift, millis,
    range, sensor, window,
};
use crate::observation::{Quality, Reading};
use crate::trial::entry::{Rule, Watch};
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
/// readings by [`Input::Past`]; without it the watch is judged again when it
/// has heard enough, and nothing else differs.
#[derive(Debug, Clone, PartialEq)]
pub struct WatchState {
    /// In, out or unknown.
    pub standing: Standing,
    /// Since when it has stood so.
    pub since: Instant,
    /// The newest reading that was believed.
    pub newest: Option<Instant>,
    /// What was judged last: the mean, or what else the rule holds against
    /// its limits.
    pub mean: Option<f64>,
    /// Readings the next judgement needs, oldest first.
    pub window: VecDeque<Reading>,
    /// The last three readings.
    pub recent: Recent,
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
            recent: Recent::default(),
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
            look_at_clock(watch, &mut state, now, silent_after, &mut events);
        }
        Input::Reading(reading) if believed(watch, &state, reading) => {
            note_hole(watch, &mut state, reading.at, silent_after, &mut events);
            take(watch, &mut state, reading, silent_after, &mut events);
        }
        Input::Past(reading) if believed(watch, &state, reading) => {
            let hole = state.newest.is_some_and(|newest| {
                reading.at.millis_since(newest) > millis(silent_after)
            });
            if hole && !bridges_holes(watch.rule) {
                state.window.clear();
            }
            remember(watch, &mut state, reading);
        }
        Input::Reading(_) | Input::Past(_) => {}
    }
    (state, events)
}

/// How far back a watch remembers, ms: readings of this time are handed in
/// as [`Input::Past`] after a start.
#[must_use]
pub fn memory(watch: &Watch) -> i64 {
    match watch.rule {
        Rule::Range | Rule::Freezing => range::span(watch),
        Rule::DaySum => day_sum::SPAN,
        Rule::Drift => drift::SPAN,
        Rule::Door => door::SPAN,
        Rule::Sensor => sensor::span(watch),
    }
}

/// Makes ready after a start: when nothing was heard of late, what was about
/// to turn has to begin anew.
#[must_use]
pub fn resumed(
    mut state: WatchState,
    now: Instant,
    silent_after: Duration,
) -> WatchState {
    let recent = state
        .newest
        .is_some_and(|at| now.millis_since(at) <= millis(silent_after));
    if !recent {
        state.low.turning = None;
        state.high.turning = None;
        if state.standing != Standing::Unknown {
            state.standing = Standing::Unknown;
            state.since = state.newest.unwrap_or(state.since);
        }
    }
    state
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

/// Whether a rule goes on across a hole with what it knew before.
fn bridges_holes(rule: Rule) -> bool {
    matches!(rule, Rule::DaySum | Rule::Drift | Rule::Door | Rule::Sensor)
}

fn believed(watch: &Watch, state: &WatchState, reading: Reading) -> bool {
    let marks = reading.quality;
    let sound = match watch.rule {
        Rule::Sensor => !marks.has(Quality::CLOCK_DOUBTFUL),
        _ => marks.counts(),
    };
    sound
        && !marks.has(Quality::BACKFILLED)
        && reading.value.is_finite()
        && state.newest.is_none_or(|newest| reading.at > newest)
}

fn look_at_clock(
    watch: &Watch,
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
        state.window.clear();
        state.newest = None;
        return;
    }
    note_hole(watch, state, now, silent_after, events);
}

/// The state is unknown once `at` is too long after the newest reading.
fn note_hole(
    watch: &Watch,
    state: &mut WatchState,
    at: Instant,
    silent_after: Duration,
    events: &mut Vec<Event>,
) {
    let Some(newest) = state.newest else { return };
    if at.millis_since(newest) > millis(silent_after) {
        if !bridges_holes(watch.rule) {
            state.window.clear();
        }
        become_unknown(state, at, newest, events);
    }
}

fn become_unknown(
    state: &mut WatchState,
    at: Instant,
    since: Instant,
    events: &mut Vec<Event>,
) {
    state.low.turning = None;
    state.high.turning = None;
    if state.standing != Standing::Unknown {
        events.push(plain(state, Change::BecameUnknown, at, since));
        state.standing = Standing::Unknown;
        state.since = since;
    }
}

fn remember(watch: &Watch, state: &mut WatchState, reading: Reading) {
    state.newest = Some(reading.at);
    state.recent.push(reading);
    match watch.rule {
        Rule::Drift => {
            window::push_thinned(&mut state.window, reading, memory(watch));
        }
        // Its marks are those of the last readings, not of a day ago.
        Rule::Sensor => {
            let bare = Reading { quality: Quality::GOOD, ..reading };
            window::push_thinned(&mut state.window, bare, memory(watch));
        }
        _ => window::push(&mut state.window, reading, memory(watch)),
    }
}

/// What a rule holds against which limits at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Judged {
    /// What was judged: in the quantity's unit, or minutes for `day-sum`.
    pub(super) value: f64,
    /// Outside below this.
    pub(super) low: Option<f64>,
    /// Outside above this.
    pub(super) high: Option<f64>,
    /// How far inside it must come again.
    pub(super) margin: f64,
    /// How long every judgement must say so, ms.
    pub(super) lasting: i64,
}

fn take(
    watch: &Watch,
    state: &mut WatchState,
    reading: Reading,
    silent_after: Duration,
    events: &mut Vec<Event>,
) {
    remember(watch, state, reading);
    let gap = millis(silent_after);
    let judged = match watch.rule {
        Rule::Range | Rule::Freezing => range::judged(watch, &state.window),
        Rule::DaySum => day_sum::judged(watch, &state.window, gap),
        Rule::Drift => drift::judged(watch, &state.window, gap),
        Rule::Door => door::judged(watch, &state.window, state.high.open),
        Rule::Sensor => {
            sensor::judged(watch, reading, &state.window, state.high.open)
        }
    };
    let Some(judged) = judged else { return };
    state.mean = Some(judged.value);
    if state.standing == Standing::Unknown {
        events.push(plain(state, Change::Known, reading.at, state.since));
    }
    for side in [Side::Low, Side::High] {
        judge(judged, state, side, reading.at, events);
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
    judged: Judged,
    state: &mut WatchState,
    side: Side,
    at: Instant,
    events: &mut Vec<Event>,
) {
    let Judged { value: mean, low, high, margin, lasting } = judged;
    let wanted = match side {
        Side::Low => low,
        Side::High => high,
    };
    let LimitState { open, turning } = *state.limit(side);
    let outside_by = |limit: f64| match side {
        Side::Low => limit - mean,
        Side::High => mean - limit,
    };
    // A limit that was taken away is kept at once by everything.
    let (turns, lasting) = match (open, wanted) {
        (None, None) => (false, 0),
        (None, Some(limit)) => (outside_by(limit) > 0.0, lasting),
        (Some(_), Some(limit)) => (outside_by(limit) <= -margin, lasting),
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
        marks: window::marks(&state.window).with(state.recent.marks()),
        recent: state.recent,
    }
}
