//! The silence of boards: who was heard when and by which door, and which of
//! them are told together.
//!
//! While a door is away its boards cannot be heard, so none of them is
//! silent; afterwards each has its whole limit again.

use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use crate::alert::silence::{self, SilenceRule, SilenceState};
use crate::alert::wording::{silence_alert, silence_key};
use crate::alert::{Change, Event, Input, Severity, quiet, silent_after};
use crate::daemon::watching::kept::{
    GroupInFile, SilenceInFile, in_file, understood,
};
use crate::daemon::watching::telling::{Tell, Telling};
use crate::observation::{Name, Reading};
use crate::store::{SeriesInfo, Store, StoreError, WatchStep};
use crate::trial::house::{House, Place};
use crate::units::Instant;

/// The interval assumed of a board until two of its readings were heard:
/// long enough for one that speaks each hour.
const USUAL_INTERVAL: Duration = Duration::from_mins(40);
/// A board is not expected more often than this; fewer readings than one a
/// day are a broken board.
const LONGEST_INTERVAL: Duration = Duration::from_hours(24);
/// Of so many intervals the median is a board's own.
const INTERVALS_KEPT: usize = 5;
/// So far back the intervals of a board are read at a start, ms.
const INTERVALS_FROM: i64 = 3 * 24 * 3_600_000;

const GROUPS_KEY: &str = "boards-silent";
const DOORS_KEY: &str = "boards-doors";

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

/// All boards that have a place.
#[derive(Debug)]
pub(super) struct Silences {
    boards: BTreeMap<Name, Silent>,
    groups: Vec<quiet::Group>,
    /// The door each board last came in by.
    doors: BTreeMap<Name, String>,
    /// Doors that are away now.
    away: BTreeSet<String>,
    /// When a door came back.
    back: BTreeMap<String, Instant>,
    listening_since: Instant,
}

impl Silences {
    pub(super) fn new(kept: &BTreeMap<String, String>, now: Instant) -> Self {
        let groups: Option<Vec<GroupInFile>> = understood(kept.get(GROUPS_KEY));
        Self {
            boards: BTreeMap::new(),
            groups: groups
                .unwrap_or_default()
                .into_iter()
                .map(quiet::Group::from)
                .collect(),
            doors: understood(kept.get(DOORS_KEY)).unwrap_or_default(),
            away: BTreeSet::new(),
            back: BTreeMap::new(),
            listening_since: now,
        }
    }

    /// Takes up the boards that have a place, each with its newest reading,
    /// and lets go of those that have none any more.
    pub(super) fn reload(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        store: &Store,
        kept: &BTreeMap<String, String>,
        house: &House,
        now: Instant,
    ) -> Result<(), StoreError> {
        let boards: BTreeSet<Name> = house
            .board_stays
            .iter()
            .filter(|stay| stay.to.is_none_or(|to| to.at > now))
            .map(|stay| stay.board.clone())
            .collect();
        let gone: Vec<_> = self
            .boards
            .extract_if(.., |board, _| !boards.contains(board))
            .collect();
        for (board, silent) in gone {
            let (state, _) = silence::withdraw(silent.state, now);
            keep_board(step, &board, &state);
        }
        let series = store.series()?;
        for board in boards {
            if let Entry::Vacant(free) = self.boards.entry(board) {
                let silent = take_up(store, kept, &series, free.key())?;
                free.insert(silent);
            }
        }
        self.end_groups(step, telling, house, now);
        Ok(())
    }

    /// The clock was set, or the daemon could not listen: every board gets
    /// its whole limit again.
    pub(super) fn listen_anew(&mut self, now: Instant) {
        self.listening_since = now;
    }

    /// Notes by which door a board comes in.
    pub(super) fn came_by(
        &mut self,
        step: &mut WatchStep,
        board: &Name,
        door: &str,
    ) {
        if self.doors.get(board).is_none_or(|known| known != door) {
            self.doors.insert(board.clone(), door.to_owned());
            step.states.push((DOORS_KEY.to_owned(), in_file(&self.doors)));
        }
    }

    /// Notes that a door is there or away.
    pub(super) fn door(&mut self, door: &str, is_away: bool, now: Instant) {
        if is_away {
            self.away.insert(door.to_owned());
        } else if self.away.remove(door) {
            self.back.insert(door.to_owned(), now);
        }
    }

    /// The boards that last came in by a door, each with its place.
    pub(super) fn behind(
        &self,
        door: &str,
        house: &House,
    ) -> Vec<(Name, Option<Name>)> {
        self.boards
            .keys()
            .filter(|board| self.doors.get(*board).is_some_and(|by| by == door))
            .map(|board| {
                let place = place_of(house, board).map(|p| p.name.clone());
                (board.clone(), place)
            })
            .collect()
    }

    /// Notes a reading of a board.
    pub(super) fn heard(&mut self, board: &Name, reading: Reading) {
        if let Some(silent) = self.boards.get_mut(board) {
            // Several quantities of one sample share an instant, and a
            // backlog tells nothing of now.
            if silent.state.last >= Some(reading.at) {
                return;
            }
            silent.heard(reading.at);
            silent.state.last = Some(reading.at);
        }
    }

    /// After how long a board is silent.
    pub(super) fn silent_after(&self, board: &Name) -> Duration {
        silent_after(
            self.boards.get(board).map_or(USUAL_INTERVAL, Silent::interval),
        )
    }

    /// Lets time pass: tells what became silent, together, and what is heard
    /// again.
    pub(super) fn clock(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        house: &House,
        now: Instant,
    ) {
        let tell = self.to_tell(house, now);
        let mut raised: Vec<(Name, Event)> = Vec::new();
        let listening: BTreeMap<Name, Instant> = self
            .boards
            .keys()
            .map(|board| (board.clone(), self.listening(board, now)))
            .collect();
        for (board, silent) in &mut self.boards {
            let rule = SilenceRule {
                silent_after: silent_after(silent.interval()),
                listening_since: listening[board],
            };
            let (state, events) =
                silence::step(&rule, silent.state, Input::Clock(now));
            let begins = state.open.is_some() && silent.state.open.is_none();
            if begins && !tell.contains(board) {
                continue;
            }
            if state.open != silent.state.open {
                keep_board(step, board, &state);
            }
            silent.state = state;
            raised.extend(
                events
                    .into_iter()
                    .filter(|event| event.change == Change::Raised)
                    .map(|event| (board.clone(), event)),
            );
        }
        if let Some(since) = raised.iter().map(|(_, e)| e.since).min() {
            let boards = raised.into_iter().map(|(board, _)| board).collect();
            let group = quiet::Group { raised: now, since, boards };
            self.tell_group(step, telling, house, &group, Change::Raised, now);
            self.groups.push(group);
            self.keep_groups(step);
        }
        self.end_groups(step, telling, house, now);
    }

    fn to_tell(&self, house: &House, now: Instant) -> BTreeSet<Name> {
        let standings: Vec<quiet::Standing<'_>> = self
            .boards
            .iter()
            .map(|(board, silent)| {
                let listening = self.listening(board, now);
                // A reading from the future proves nothing.
                let last = silent.state.last.filter(|last| *last <= now);
                let source = self.doors.get(board).map(String::as_str);
                quiet::Standing {
                    board,
                    place: place_of(house, board).map(|place| &place.name),
                    source,
                    last: last.map_or(listening, |last| last.max(listening)),
                    limit: i64::try_from(
                        silent_after(silent.interval()).as_millis(),
                    )
                    .unwrap_or(i64::MAX),
                    told: silent.state.open.is_some(),
                }
            })
            .collect();
        quiet::to_tell(&standings, now)
    }

    /// Since when a board could have been heard.
    fn listening(&self, board: &Name, now: Instant) -> Instant {
        let Some(door) = self.doors.get(board) else {
            return self.listening_since;
        };
        if self.away.contains(door) {
            return now;
        }
        self.back
            .get(door)
            .map_or(self.listening_since, |at| self.listening_since.max(*at))
    }

    /// Tells the end of groups of which every board is heard again.
    fn end_groups(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        house: &House,
        now: Instant,
    ) {
        let is_open = |board: &Name| {
            self.boards
                .get(board)
                .is_some_and(|silent| silent.state.open.is_some())
        };
        let ended: Vec<quiet::Group> = self
            .groups
            .extract_if(.., |group| !group.boards.iter().any(is_open))
            .collect();
        if ended.is_empty() {
            return;
        }
        for group in &ended {
            self.tell_group(step, telling, house, group, Change::Cleared, now);
        }
        self.keep_groups(step);
    }

    fn tell_group(
        &self,
        step: &mut WatchStep,
        telling: &mut Telling,
        house: &House,
        group: &quiet::Group,
        change: Change,
        now: Instant,
    ) {
        let zone = telling.zone;
        let alert = if let [board] = group.boards.as_slice() {
            let event = Event {
                since: group.since,
                ..silence::event(change, now, group.since, group.raised)
            };
            let place = place_of(house, board);
            silence_alert(board, place, Severity::Normal, &event, zone)
        } else {
            let places: Vec<Option<&Place>> = group
                .boards
                .iter()
                .map(|board| place_of(house, board))
                .collect();
            let mut doors: Vec<Option<&str>> = group
                .boards
                .iter()
                .map(|board| self.doors.get(board).map(String::as_str))
                .collect();
            doors.dedup();
            let source = if let [one] = doors[..] { one } else { None };
            Some(group.alert(change, &places, source, now, zone))
        };
        if let Some(alert) = alert {
            let board = match group.boards.as_slice() {
                [board] => Some(board.clone()),
                _ => None,
            };
            telling.tell(step, alert, group.raised, board, Tell::Usual);
        }
    }

    fn keep_groups(&self, step: &mut WatchStep) {
        let kept: Vec<GroupInFile> =
            self.groups.iter().map(GroupInFile::from).collect();
        step.states.push((GROUPS_KEY.to_owned(), in_file(&kept)));
    }
}

fn keep_board(step: &mut WatchStep, board: &Name, state: &SilenceState) {
    let kept = in_file(&SilenceInFile::from(state));
    step.states.push((silence_key(board), kept));
}

/// Where a board is, or was last.
pub(super) fn place_of<'a>(
    house: &'a House,
    board: &Name,
) -> Option<&'a Place> {
    house
        .board_stays
        .iter()
        .rev()
        .find(|stay| stay.board == *board)
        .and_then(|stay| house.places.get(&stay.place))
}

/// A board where it stood: its silence, its newest reading, its interval.
fn take_up(
    store: &Store,
    kept: &BTreeMap<String, String>,
    series: &[SeriesInfo],
    board: &Name,
) -> Result<Silent, StoreError> {
    let state: Option<SilenceInFile> =
        understood(kept.get(&silence_key(board)));
    let mut silent = Silent {
        state: state.map(SilenceInFile::understood).unwrap_or_default(),
        between: VecDeque::new(),
    };
    let own = || series.iter().filter(|info| info.series.board == *board);
    // Its interval is that of what it sends most often.
    if let Some(info) = own().max_by_key(|info| info.readings)
        && let Some(newest) = info.newest
    {
        let from = newest.at.plus_millis(-INTERVALS_FROM);
        let to = newest.at.plus_millis(1);
        for reading in store.readings(&info.series, from, to)? {
            silent.heard(reading.at);
            silent.state.last = Some(reading.at);
        }
    }
    silent.state.last =
        own().filter_map(|info| info.newest.map(|newest| newest.at)).max();
    Ok(silent)
}
