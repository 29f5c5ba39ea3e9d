//! Steps the watches: readings and the clock in, alerts and messages out.
//!
//! Which reading belongs to which watch is decided here; what follows from
//! it is `alert`; what is kept is the store's. After a start the states are
//! read back, so that no alert is told twice.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

use crate::alert::course::{self, Breach, LimitState, WatchState};
use crate::alert::silence::{self, Silence, SilenceRule, SilenceState};
use crate::alert::wording::{
    silence_alert, silence_key, watch_alert, watch_key,
};
use crate::alert::{
    Alert, AlertId, AlertKind, Change, Event, Input, Severity, silent_after,
};
use crate::notify::body::AlertJson;
use crate::observation::{Name, Quality, Quantity, Reading, Series};
use crate::store::place::{corrected, place_readings};
use crate::store::{AlertRow, Store, StoreError, WatchStep};
use crate::trial::book::Book;
use crate::trial::entry::{Rule, Watch, from_word, word_of};
use crate::trial::house::{House, WatchKey};
use crate::units::Instant;

/// The interval assumed of a board until two of its readings were heard.
const USUAL_INTERVAL: Duration = Duration::from_mins(10);
/// A board is not expected more often than this; fewer readings than one a
/// day are a broken board.
const LONGEST_INTERVAL: Duration = Duration::from_hours(24);

/// Of so many intervals the median is a board's own.
const INTERVALS_KEPT: usize = 5;
/// After a start, readings of this time are judged again: they may have been
/// stored and not judged. Older ones raise no alert any more.
const JUDGED_AGAIN_HOURS: f64 = 1.0;
/// So much light beside a probe is the sun, lx: lamps in a house give a
/// tenth of it (a convention of this program).
const SUN_LUX: f64 = 10_000.0;
/// The housing stays warm for so long after it.
const SUN_FELT_MILLIS: i64 = 15 * 60_000;

/// All watches of a house with their states.
#[derive(Debug)]
pub(crate) struct Watching {
    house: House,
    zone: Tz,
    channels: Vec<String>,
    ranges: BTreeMap<WatchKey, (Watch, WatchState)>,
    silences: BTreeMap<Name, Silent>,
    listening_since: Instant,
    /// When much light was last measured beside a probe.
    sunlit: BTreeMap<(Name, Name), Instant>,
}

/// One board's watch on its silence.
#[derive(Debug, Default)]
struct Silent {
    state: SilenceState,
    /// The last times between its readings.
    between: VecDeque<Duration>,
}

impl Silent {
    /// Notes a reading: a single gap among usual intervals changes nothing.
    fn heard(&mut self, at: Instant) {
        let Some(last) = self.state.last else { return };
        if let Ok(between @ 1..) = u64::try_from(at.millis_since(last)) {
            let between = Duration::from_millis(between);
            self.between.push_back(between.min(LONGEST_INTERVAL));
            if self.between.len() > INTERVALS_KEPT {
                self.between.pop_front();
            }
        }
    }

    /// The board's interval: the median of the last few.
    fn interval(&self) -> Duration {
        let mut sorted: Vec<Duration> = self.between.iter().copied().collect();
        sorted.sort_unstable();
        sorted.get(sorted.len() / 2).copied().unwrap_or(USUAL_INTERVAL)
    }
}

impl Watching {
    /// Reads the states back.
    pub(crate) fn new(
        store: &Store,
        zone: Tz,
        channels: Vec<String>,
        now: Instant,
    ) -> Result<(Self, WatchStep), StoreError> {
        let mut watching = Self {
            house: House::default(),
            zone,
            channels,
            ranges: BTreeMap::new(),
            silences: BTreeMap::new(),
            listening_since: now,
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
        let kept = store.watch_states()?;
        let mut step = WatchStep::default();
        let before = std::mem::take(&mut self.ranges);
        for (key, (watch, state)) in before {
            if let Some((_, wanted)) = self.house.watches.get(&key) {
                self.ranges.insert(key, (wanted.clone(), state));
            } else {
                let (state, events) = course::withdraw(state, now);
                self.tell_range(&mut step, &watch, &state, &events);
            }
        }
        let boards: Vec<Name> = self
            .house
            .board_stays
            .iter()
            .filter(|stay| stay.to.is_none_or(|to| to.at > now))
            .map(|stay| stay.board.clone())
            .collect();
        self.reload_silences(&mut step, store, &kept, boards, now)?;
        let new: Vec<_> = self
            .house
            .watches
            .iter()
            .filter(|(key, _)| !self.ranges.contains_key(key))
            .map(|(key, (_, watch))| (key.clone(), watch.clone()))
            .collect();
        for (key, watch) in new {
            let state = kept
                .get(&watch_key(&key.0, key.1, key.2))
                .and_then(|text| serde_json::from_str(text).ok())
                .and_then(RangeInFile::understood)
                .unwrap_or_else(|| WatchState::new(now));
            self.take_up(&mut step, store, key, watch, state, now)?;
        }
        Ok(step)
    }

    /// Takes up the boards that have a place, each with its newest reading,
    /// and lets go of those that have none any more.
    fn reload_silences(
        &mut self,
        step: &mut WatchStep,
        store: &Store,
        kept: &BTreeMap<String, String>,
        boards: Vec<Name>,
        now: Instant,
    ) -> Result<(), StoreError> {
        let gone = self
            .silences
            .extract_if(.., |board, _| !boards.contains(board))
            .collect::<Vec<_>>();
        for (board, silent) in gone {
            let (state, events) = silence::withdraw(silent.state, now);
            self.tell_silence(step, &board, &state, &events);
        }
        let series = store.series()?;
        for board in boards {
            if self.silences.contains_key(&board) {
                continue;
            }
            let mut state = kept
                .get(&silence_key(&board))
                .and_then(|text| serde_json::from_str(text).ok())
                .map(SilenceInFile::understood)
                .unwrap_or_default();
            state.last = series
                .iter()
                .filter(|info| info.series.board == board)
                .filter_map(|info| info.newest.map(|newest| newest.at))
                .max();
            let silent = Silent { state, ..Silent::default() };
            self.silences.insert(board, silent);
        }
        Ok(())
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
        if judged == readings.len() {
            state = course::resumed(state, now, silent_after);
        }
        self.ranges.insert(key.clone(), (watch, state));
        for reading in &readings[judged..] {
            self.step_range(step, &key, Input::Reading(*reading));
        }
        Ok(())
    }

    /// The clock was set, or the daemon could not listen: every board gets
    /// its whole limit again.
    pub(crate) fn listen_anew(&mut self, now: Instant) {
        self.listening_since = now;
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
            self.heard(&mut step, series, *reading);
            // Most of a backlog ends here.
            if reading.quality.has(Quality::BACKFILLED) {
                continue;
            }
            let Some(place) = self.place_of(series, reading.at) else {
                continue;
            };
            let Some(reading) = corrected(&self.house, series, *reading) else {
                continue;
            };
            let reading = self.in_the_sun(series, reading);
            for (rule, _) in Rule::WORDS {
                let key = (place.clone(), series.quantity, rule);
                if self.ranges.contains_key(&key)
                    && fires(rule, reading.quality)
                {
                    self.step_range(&mut step, &key, Input::Reading(reading));
                }
            }
        }
        step
    }

    /// Lets time pass: once a minute is enough.
    pub(crate) fn clock(&mut self, now: Instant) -> WatchStep {
        let mut step = WatchStep::default();
        let keys: Vec<_> = self.ranges.keys().cloned().collect();
        for key in keys {
            self.step_range(&mut step, &key, Input::Clock(now));
        }
        let boards: Vec<Name> = self.silences.keys().cloned().collect();
        for board in boards {
            self.step_silence(&mut step, &board, Input::Clock(now));
        }
        step
    }

    fn heard(
        &mut self,
        step: &mut WatchStep,
        series: &Series,
        reading: Reading,
    ) {
        if let Some(silent) = self.silences.get_mut(&series.board) {
            // Several quantities of one sample share an instant, and a
            // backlog tells nothing of now.
            if silent.state.last >= Some(reading.at) {
                return;
            }
            silent.heard(reading.at);
            self.step_silence(step, &series.board, Input::Reading(reading));
        }
    }

    fn silent_after(&self, board: &Name) -> Duration {
        silent_after(
            self.silences.get(board).map_or(USUAL_INTERVAL, Silent::interval),
        )
    }

    fn step_silence(
        &mut self,
        step: &mut WatchStep,
        board: &Name,
        input: Input,
    ) {
        let rule = SilenceRule {
            silent_after: self.silent_after(board),
            listening_since: self.listening_since,
        };
        let Some(silent) = self.silences.get_mut(board) else { return };
        let (state, events) = silence::step(&rule, silent.state, input);
        let changed = state.open != silent.state.open;
        silent.state = state;
        if changed {
            self.tell_silence(step, board, &state, &events);
        }
    }

    fn tell_silence(
        &self,
        step: &mut WatchStep,
        board: &Name,
        state: &SilenceState,
        events: &[Event],
    ) {
        step.states
            .push((silence_key(board), in_file(&SilenceInFile::from(state))));
        let place = self
            .house
            .board_stays
            .iter()
            .rev()
            .find(|stay| stay.board == *board)
            .and_then(|stay| self.house.places.get(&stay.place));
        for event in events {
            if let Some(alert) =
                silence_alert(board, place, Severity::Normal, event, self.zone)
            {
                self.tell(step, alert, event, Some(board.clone()));
            }
        }
    }

    fn step_range(
        &mut self,
        step: &mut WatchStep,
        key: &WatchKey,
        input: Input,
    ) {
        let silent_after = self.silent_after_at(key, input);
        let Some((watch, state)) = self.ranges.get_mut(key) else { return };
        let before = RangeInFile::from(&*state).without_newest();
        let taken = std::mem::replace(state, WatchState::new(state.since));
        let (after, events) = course::step(watch, taken, input, silent_after);
        *state = after;
        // The window is drawn again from the readings, so that most
        // readings cost no write.
        if RangeInFile::from(&*state).without_newest() != before {
            let (watch, state) = (watch.clone(), state.clone());
            self.tell_range(step, &watch, &state, &events);
        }
    }

    fn tell_range(
        &self,
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
        step.states.push((key, in_file(&RangeInFile::from(state))));
        let Some(place) = self.house.places.get(&watch.place) else { return };
        for event in events {
            // After a restart the mean may not be known yet.
            let value = event.value.or(event.furthest);
            let event = &Event { value, ..*event };
            if let Some(alert) = watch_alert(watch, place, event, self.zone) {
                self.tell(step, alert, event, None);
            }
        }
    }

    fn tell(
        &self,
        step: &mut WatchStep,
        alert: Alert,
        event: &Event,
        board: Option<Name>,
    ) {
        let body = in_file(&AlertJson::new(&alert, 1));
        for channel in &self.channels {
            let message = (alert.id.to_string(), channel.clone(), body.clone());
            step.messages.push(message);
        }
        let cleared = (event.change == Change::Cleared).then_some(event.at);
        step.alerts.push(AlertRow {
            id: alert.id.to_string(),
            watch: alert.watch,
            kind: word_of(&AlertKind::WORDS, &alert.kind).to_owned(),
            place: alert.place,
            board,
            quantity: alert.quantity,
            severity: word_of(&Severity::WORDS, &alert.severity).to_owned(),
            since: alert.since,
            raised: event.raised.unwrap_or(alert.at),
            cleared,
            value: alert.value,
            limit: alert.limit,
            text: alert.text,
        });
    }

    /// The place that a series speaks for at an instant, if it is watched.
    fn place_of(&self, series: &Series, at: Instant) -> Option<Name> {
        let stay = self.house.place_of(&series.board, &series.probe, at)?;
        let watched = Rule::WORDS.iter().any(|(rule, _)| {
            let key = (stay.place.clone(), series.quantity, *rule);
            self.ranges.contains_key(&key)
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
                |voice| self.silent_after(&voice.series.board),
            )
    }
}

/// Whether a reading with these marks is for a watch with this rule: a
/// sensor's own watch is there for the marks.
fn fires(rule: Rule, quality: Quality) -> bool {
    let sound = quality.counts() || rule == Rule::Sensor;
    sound && !quality.has(Quality::BACKFILLED)
}

fn in_file<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).expect("plain data can be written as JSON")
}

/// A range watch as kept, without its window.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct RangeInFile {
    standing: String,
    since: Instant,
    newest: Option<Instant>,
    low: LimitInFile,
    high: LimitInFile,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct LimitInFile {
    open: Option<BreachInFile>,
    turning: Option<Instant>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct BreachInFile {
    since: Instant,
    raised: Instant,
    limit: f64,
    furthest: f64,
}

impl From<&WatchState> for RangeInFile {
    fn from(state: &WatchState) -> Self {
        Self {
            standing: word_of(&course::Standing::WORDS, &state.standing)
                .to_owned(),
            since: state.since,
            newest: state.newest,
            low: LimitInFile::from(&state.low),
            high: LimitInFile::from(&state.high),
        }
    }
}

impl From<&LimitState> for LimitInFile {
    fn from(state: &LimitState) -> Self {
        Self {
            open: state.open.map(|open| BreachInFile {
                since: open.since,
                raised: open.raised,
                limit: open.limit,
                furthest: open.furthest,
            }),
            turning: state.turning,
        }
    }
}

impl RangeInFile {
    fn without_newest(&self) -> Self {
        Self { newest: None, ..self.clone() }
    }

    fn understood(self) -> Option<WatchState> {
        let mut state = WatchState::new(self.since);
        state.standing =
            from_word(&course::Standing::WORDS, &self.standing).ok()?;
        state.newest = self.newest;
        state.low = self.low.understood();
        state.high = self.high.understood();
        Some(state)
    }
}

impl LimitInFile {
    fn understood(self) -> LimitState {
        LimitState {
            open: self.open.map(|open| Breach {
                since: open.since,
                raised: open.raised,
                limit: open.limit,
                furthest: open.furthest,
            }),
            turning: self.turning,
        }
    }
}

/// A silence watch as kept. When the board was last heard stands with its
/// readings.
#[derive(Debug, Serialize, Deserialize)]
struct SilenceInFile {
    open: Option<(Instant, Instant)>,
}

impl From<&SilenceState> for SilenceInFile {
    fn from(state: &SilenceState) -> Self {
        Self { open: state.open.map(|open| (open.since, open.raised)) }
    }
}

impl SilenceInFile {
    fn understood(self) -> SilenceState {
        SilenceState {
            last: None,
            open: self.open.map(|(since, raised)| Silence { since, raised }),
        }
    }
}
