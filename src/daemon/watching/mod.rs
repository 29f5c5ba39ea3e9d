//! Steps the watches: readings and the clock in, alerts and messages out.
//!
//! Which reading belongs to which watch is decided here; what follows from
//! it is `alert`; what is kept is the store's. After a start the states are
//! read back, so that no alert is told twice.

mod kept;
mod silences;
mod surroundings;
mod telling;

#[cfg(test)]
mod incidents;
#[cfg(test)]
mod scene;
#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use chrono_tz::Tz;

use crate::alert::course::{self, WatchState};
use crate::alert::wording::{watch_alert, watch_key};
use crate::alert::{
    AlertId, AlertKind, Event, Input, Severity, Side, silent_after,
};
pub(crate) use crate::daemon::watching::kept::standing_of;
use crate::daemon::watching::kept::{WatchInFile, in_file, understood};
use crate::daemon::watching::silences::Silences;
use crate::daemon::watching::surroundings::Surroundings;
use crate::daemon::watching::telling::{Tell, Telling};
use crate::observation::{Name, Quality, Quantity, Reading, Series};
use crate::store::place::{corrected, place_readings};
use crate::store::{Store, StoreError, WatchStep};
use crate::trial::book::{Book, Trial};
use crate::trial::entry::{Rule, Watch};
use crate::trial::house::{House, WatchKey};
use crate::units::Instant;

/// The interval assumed where no board speaks.
const USUAL_INTERVAL: Duration = Duration::from_mins(10);
/// After a start, readings of this time are judged again: they may have been
/// stored and not judged. Older ones raise no alert any more.
const JUDGED_AGAIN_HOURS: f64 = 1.0;
/// So much light beside a probe is the sun, lx: lamps in a house give a
/// tenth of it (a convention of this program).
const SUN_LUX: f64 = 10_000.0;
/// The housing stays warm for so long after it.
const SUN_FELT_MILLIS: i64 = 15 * 60_000;

/// How the ways in and out stand.
#[derive(Debug, Clone, Default)]
pub(crate) struct Outside {
    /// Each source.
    pub(crate) sources: Vec<SourceNow>,
    /// Messages that wait although they were tried again and again.
    pub(crate) waiting: u64,
    /// Messages that were given up in the last day.
    pub(crate) given_up: u64,
}

/// How one source stands.
#[derive(Debug, Clone)]
pub(crate) struct SourceNow {
    /// `broker 127.0.0.1:1883`.
    pub(crate) name: String,
    /// Whether readings can come in.
    pub(crate) well: bool,
    /// What it says of itself.
    pub(crate) detail: String,
}

/// All watches of a house with their states.
#[derive(Debug)]
pub(crate) struct Watching {
    house: House,
    trials: BTreeMap<Name, Trial>,
    watches: BTreeMap<WatchKey, (Watch, WatchState)>,
    silences: Silences,
    surroundings: Surroundings,
    telling: Telling,
    /// When much light was last measured beside a probe.
    sunlit: BTreeMap<(Name, Name), Instant>,
}

impl Watching {
    /// Reads the states back.
    pub(crate) fn new(
        store: &Store,
        zone: Tz,
        channels: Vec<String>,
        most_an_hour: usize,
        now: Instant,
    ) -> Result<(Self, WatchStep), StoreError> {
        let kept = store.watch_states()?;
        let mut watching = Self {
            house: House::default(),
            trials: BTreeMap::new(),
            watches: BTreeMap::new(),
            silences: Silences::new(&kept, now),
            surroundings: Surroundings::default(),
            telling: Telling::new(zone, channels, most_an_hour, &kept),
            sunlit: BTreeMap::new(),
        };
        let step = watching.reload(store, now)?;
        Ok((watching, step))
    }

    /// Takes over what the ledger says now: new, changed and ended watches.
    /// Returns what ending a watch changed.
    pub(crate) fn reload(
        &mut self,
        store: &Store,
        now: Instant,
    ) -> Result<WatchStep, StoreError> {
        let (book, _) = Book::build(&store.ledger()?);
        self.house = book.house;
        self.trials = book.trials;
        let kept = store.watch_states()?;
        let mut step = WatchStep::default();
        let before = std::mem::take(&mut self.watches);
        for (key, (watch, state)) in before {
            if let Some((_, wanted)) = self.house.watches.get(&key) {
                self.watches.insert(key, (wanted.clone(), state));
            } else {
                let (state, events) = course::withdraw(state, now);
                self.tell_watch(&mut step, &watch, &state, &events);
            }
        }
        self.silences.reload(
            &mut step,
            &mut self.telling,
            store,
            &kept,
            &self.house,
            now,
        )?;
        self.surroundings.reload(
            store,
            &kept,
            &self.house,
            &self.trials,
            now,
        )?;
        let new: Vec<_> = self
            .house
            .watches
            .iter()
            .filter(|(key, _)| !self.watches.contains_key(key))
            .map(|(key, (_, watch))| (key.clone(), watch.clone()))
            .collect();
        for (key, watch) in new {
            let state = understood(kept.get(&watch_key(&key.0, key.1, key.2)))
                .and_then(WatchInFile::understood)
                .unwrap_or_else(|| WatchState::new(now));
            self.take_up(&mut step, store, key, watch, state, now)?;
        }
        Ok(step)
    }

    /// Takes up a watch where it stood: draws its window again from the
    /// stored readings and judges those that may not have been judged.
    fn take_up(
        &mut self,
        step: &mut WatchStep,
        store: &Store,
        key: WatchKey,
        watch: Watch,
        mut state: WatchState,
        now: Instant,
    ) -> Result<(), StoreError> {
        let before = WatchInFile::from(&state).without_newest();
        let recent = now.plus_hours(-JUDGED_AGAIN_HOURS);
        let known = state.newest.map_or(recent, |newest| newest.max(recent));
        let from = known.plus_millis(-2 * course::memory(&watch));
        let mut readings =
            place_readings(store, &self.house, &key.0, key.1, (from, now))?;
        readings.retain(|reading| fires(watch.rule, reading.quality));
        let silent_after = self.silent_after_at(&key, Input::Clock(now));
        let judged = readings.partition_point(|reading| reading.at <= known);
        state.newest = None;
        for reading in &readings[..judged] {
            let past = Input::Past(*reading);
            (state, _) = course::step(&watch, state, past, silent_after);
        }
        let from = readings.get(judged).map_or(now, |reading| reading.at);
        state = course::resumed(state, from, silent_after);
        // What nobody knows any more must not be kept as known.
        let after = WatchInFile::from(&state);
        if after.without_newest() != before {
            let name = watch_key(&key.0, key.1, key.2);
            step.states.push((name, in_file(&after)));
        }
        self.watches.insert(key.clone(), (watch, state));
        for reading in &readings[judged..] {
            self.step_watch(step, &key, Input::Reading(*reading));
        }
        Ok(())
    }

    /// The clock was set: every board gets its whole limit again.
    pub(crate) fn clock_was_set(
        &mut self,
        by_ms: i64,
        now: Instant,
    ) -> WatchStep {
        let mut step = WatchStep::default();
        self.silences.listen_anew(now);
        self.surroundings.clock_was_set(
            &mut step,
            &mut self.telling,
            by_ms,
            now,
        );
        step
    }

    /// The store took nothing since an instant, and does again. Channels
    /// that know of it are told of its end only.
    pub(crate) fn stored_again(
        &mut self,
        since: Instant,
        told: &BTreeSet<String>,
        now: Instant,
    ) -> WatchStep {
        let at = (since, now);
        surroundings::stored_again(&mut self.telling, told, at)
    }

    /// Notes by which door boards come in.
    pub(crate) fn came_by<'a>(
        &mut self,
        boards: impl Iterator<Item = (&'a Name, &'a str)>,
    ) -> WatchStep {
        let mut step = WatchStep::default();
        for (board, door) in boards {
            self.silences.came_by(&mut step, board, door);
        }
        step
    }

    /// Takes readings that are on disk now.
    pub(crate) fn readings(
        &mut self,
        readings: &[(Arc<Series>, Reading)],
    ) -> WatchStep {
        let mut step = WatchStep::default();
        for (series, reading) in readings {
            if series.quantity == Quantity::Light && reading.value >= SUN_LUX {
                let probe = (series.board.clone(), series.probe.clone());
                self.sunlit.insert(probe, reading.at);
            }
        }
        for (series, reading) in readings {
            self.silences.heard(&series.board, *reading);
            // Most of a backlog ends here.
            if reading.quality.has(Quality::BACKFILLED) {
                continue;
            }
            self.surroundings.heard(&self.house, series, *reading);
            let Some(place) = self.place_of(series, reading.at) else {
                continue;
            };
            let Some(reading) = corrected(&self.house, series, *reading) else {
                continue;
            };
            let reading = self.in_the_sun(series, reading);
            for (rule, _) in Rule::WORDS {
                let key = (place.clone(), series.quantity, rule);
                if self.watches.contains_key(&key)
                    && fires(rule, reading.quality)
                {
                    self.step_watch(&mut step, &key, Input::Reading(reading));
                }
            }
        }
        step
    }

    /// Lets time pass: once a minute is enough.
    pub(crate) fn clock(
        &mut self,
        outside: &Outside,
        now: Instant,
    ) -> WatchStep {
        let mut step = WatchStep::default();
        let keys: Vec<_> = self.watches.keys().cloned().collect();
        for key in keys {
            self.step_watch(&mut step, &key, Input::Clock(now));
        }
        let (telling, house) = (&mut self.telling, &self.house);
        let at = (outside, now);
        self.surroundings.doors(
            &mut step,
            telling,
            &mut self.silences,
            house,
            at,
        );
        self.silences.clock(&mut step, telling, house, now);
        self.surroundings.clock(&mut step, telling, house, &self.trials, at);
        telling.clock(&mut step, now);
        step
    }

    fn step_watch(
        &mut self,
        step: &mut WatchStep,
        key: &WatchKey,
        input: Input,
    ) {
        let silent_after = self.silent_after_at(key, input);
        let Some((watch, state)) = self.watches.get_mut(key) else { return };
        let before = WatchInFile::from(&*state).without_newest();
        let taken = std::mem::replace(state, WatchState::new(state.since));
        let (after, events) = course::step(watch, taken, input, silent_after);
        *state = after;
        // The window is drawn again from the readings, so that most
        // readings cost no write.
        if WatchInFile::from(&*state).without_newest() != before {
            let (watch, state) = (watch.clone(), state.clone());
            self.tell_watch(step, &watch, &state, &events);
        }
    }

    fn tell_watch(
        &mut self,
        step: &mut WatchStep,
        watch: &Watch,
        state: &WatchState,
        events: &[Event],
    ) {
        let key = watch_key(&watch.place, watch.quantity.0, watch.rule);
        for open in [&state.low, &state.high].into_iter().filter_map(|s| s.open)
        {
            let id = AlertId::new(&key, open.raised).to_string();
            step.worst.push((id, open.furthest));
        }
        step.states.push((key, in_file(&WatchInFile::from(state))));
        let Some(place) = self.house.places.get(&watch.place).cloned() else {
            return;
        };
        for event in events {
            // After a restart the mean may not be known yet.
            let value = event.value.or(event.furthest);
            let event = &Event { value, ..*event };
            let zone = self.telling.zone;
            if let Some(alert) = watch_alert(watch, &place, event, zone) {
                let tell = if self.is_said_already(watch, event) {
                    Tell::Kept
                } else {
                    Tell::Usual
                };
                let raised = event.raised.unwrap_or(alert.at);
                self.telling.tell(step, alert, raised, None, tell);
            }
        }
    }

    /// One cause, one message: whether an alert that lasts tells the same of
    /// this quantity at this place, no less urgently.
    fn is_said_already(&self, watch: &Watch, event: &Event) -> bool {
        if watch.rule == Rule::Sensor {
            return false;
        }
        let side = side_of(watch.rule, event);
        let of_quantity =
            |rule: Rule| (watch.place.clone(), watch.quantity.0, rule);
        Rule::WORDS
            .into_iter()
            .map(|(rule, _)| rule)
            .filter(|rule| *rule != watch.rule && *rule != Rule::Sensor)
            .filter_map(|rule| self.watches.get(&of_quantity(rule)))
            .filter(|(other, _)| {
                Severity::of(other.urgent) >= Severity::of(watch.urgent)
            })
            .any(|(other, state)| {
                state.open().any(|(open_side, breach)| {
                    let key =
                        watch_key(&other.place, other.quantity.0, other.rule);
                    let id = AlertId::new(&key, breach.raised);
                    let same = other.rule == Rule::DaySum
                        || side.is_none_or(|side| side == open_side);
                    same && !self.telling.is_withheld(id.as_str())
                })
            })
    }

    /// The place that a series speaks for at an instant, if it is watched.
    fn place_of(&self, series: &Series, at: Instant) -> Option<Name> {
        let stay = self.house.place_of(&series.board, &series.probe, at)?;
        let watched = Rule::WORDS.iter().any(|(rule, _)| {
            let key = (stay.place.clone(), series.quantity, *rule);
            self.watches.contains_key(&key)
        });
        if !watched {
            return None;
        }
        let voices = self.house.voices(
            &stay.place,
            series.quantity,
            at,
            at.plus_millis(1),
        );
        (voices.first()?.series == *series).then(|| stay.place.clone())
    }

    /// Marks a temperature beside which much light was measured of late.
    fn in_the_sun(&self, series: &Series, reading: Reading) -> Reading {
        let lit = series.quantity == Quantity::Temperature
            && self
                .sunlit
                .get(&(series.board.clone(), series.probe.clone()))
                .is_some_and(|at| {
                    at.millis_since(reading.at).abs() <= SUN_FELT_MILLIS
                });
        if lit {
            let quality = reading.quality.with(Quality::SUN);
            Reading { quality, ..reading }
        } else {
            reading
        }
    }

    fn silent_after_at(&self, key: &WatchKey, input: Input) -> Duration {
        let at = match input {
            Input::Reading(reading) | Input::Past(reading) => reading.at,
            Input::Clock(now) => now,
        };
        self.house
            .voices(&key.0, key.1, at, at.plus_millis(1))
            .first()
            .map_or_else(
                || silent_after(USUAL_INTERVAL),
                |voice| self.silences.silent_after(&voice.series.board),
            )
    }
}

/// Which end an alert is about; a day's sum is about both.
fn side_of(rule: Rule, event: &Event) -> Option<Side> {
    match AlertKind::of(rule) {
        AlertKind::DaySum => None,
        _ => event.limit.map(|limit| limit.side),
    }
}

/// Whether a reading with these marks is for a watch with this rule: a
/// sensor's own watch is there for the marks.
fn fires(rule: Rule, quality: Quality) -> bool {
    let sound = quality.counts() || rule == Rule::Sensor;
    sound && !quality.has(Quality::BACKFILLED)
}
