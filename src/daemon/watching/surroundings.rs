//! Everything that needs somebody and is no reading: doors that are away,
//! messages that reach nobody, a clock that was set, a store that took
//! nothing, cells near their end, units and batches that are due.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use chrono::Timelike;

use crate::alert::cells::{self, CellsState};
use crate::alert::faults::{self, Fault, Latch};
use crate::alert::tasks::{self, Task};
use crate::alert::{Change, Input};
use crate::daemon::watching::Outside;
use crate::daemon::watching::kept::{
    LatchInFile, TasksInFile, in_file, understood,
};
use crate::daemon::watching::silences::{Silences, place_of};
use crate::daemon::watching::telling::{Tell, Telling};
use crate::observation::{Name, Quantity, Reading, Series};
use crate::store::{Store, StoreError, WatchStep};
use crate::trial::book::Trial;
use crate::trial::house::House;
use crate::units::Instant;

/// Units are looked through this often, ms.
const TASKS_EVERY: i64 = 10 * 60_000;
/// Reminders come from this hour of the local day on.
const MORNING: u32 = 8;
/// A clock that was set is told for so long.
const CLOCK_TOLD: i64 = 3_600_000;
/// Messages must go out for so long before that is told.
const DELIVERED_FOR: Duration = Duration::from_mins(5);

/// What is known of all that.
#[derive(Debug, Default)]
pub(super) struct Surroundings {
    latches: BTreeMap<String, Latch>,
    /// What a door that is away was called.
    doors: BTreeMap<String, String>,
    tasks: BTreeMap<(Name, Task), Vec<tasks::Group>>,
    tasks_looked: Option<Instant>,
    cells: BTreeMap<Name, CellsState>,
}

impl Surroundings {
    /// Takes over what the ledger says of trials and cells.
    pub(super) fn reload(
        &mut self,
        store: &Store,
        kept: &BTreeMap<String, String>,
        house: &House,
        trials: &BTreeMap<Name, Trial>,
        now: Instant,
    ) -> Result<(), StoreError> {
        self.tasks_looked = None;
        for (key, text) in kept {
            let about_outside = key.starts_with("source-")
                || key == &Fault::Clock(0).key()
                || key == &undelivered(&Outside::default()).key();
            if about_outside
                && !self.latches.contains_key(key)
                && let Some(latch) = understood::<LatchInFile>(Some(text))
            {
                self.latches.insert(key.clone(), latch.into());
            }
        }
        for trial in trials.keys() {
            for (task, _) in Task::WORDS {
                let key = (trial.clone(), task);
                if self.tasks.contains_key(&key) {
                    continue;
                }
                let groups: Option<Vec<TasksInFile>> =
                    understood(kept.get(&task.key(trial)));
                let groups = groups.unwrap_or_default().into_iter();
                self.tasks
                    .insert(key, groups.map(tasks::Group::from).collect());
            }
        }
        self.cells.retain(|board, _| house.cells.contains_key(board));
        for (board, cells) in &house.cells {
            if self.cells.contains_key(board) {
                continue;
            }
            let open = understood(kept.get(&cells::key(board)));
            let mut state =
                CellsState { open: open.flatten(), ..CellsState::default() };
            for series in store.series()? {
                let series = series.series;
                if series.board != *board
                    || series.quantity != Quantity::Battery
                {
                    continue;
                }
                let from = now.plus_millis(-cells::SPAN);
                for reading in store.readings(&series, from, now)? {
                    let past = Input::Past(reading);
                    (state, _) = cells::step(cells, state, past);
                }
            }
            self.cells.insert(board.clone(), state);
        }
        Ok(())
    }

    /// Notes a voltage.
    pub(super) fn heard(
        &mut self,
        house: &House,
        series: &Series,
        reading: Reading,
    ) {
        if series.quantity != Quantity::Battery {
            return;
        }
        let (Some(cells), Some(state)) =
            (house.cells.get(&series.board), self.cells.get_mut(&series.board))
        else {
            return;
        };
        let taken = std::mem::take(state);
        (*state, _) = cells::step(cells, taken, Input::Reading(reading));
    }

    /// The doors, before the boards behind them are judged.
    pub(super) fn doors(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        silences: &mut Silences,
        house: &House,
        (outside, now): (&Outside, Instant),
    ) {
        for source in &outside.sources {
            let key = faults::source_key(&source.name);
            self.doors.insert(key.clone(), source.name.clone());
            let latch = self.latches.entry(key.clone()).or_default();
            let (wait, calm) = (faults::SOURCE_AWAY, faults::SOURCE_BACK);
            let (next, told) =
                faults::step(*latch, !source.well, now, wait, calm);
            *latch = next;
            let away = !source.well || next.open.is_some();
            silences.door(&source.name, away, now);
            if let Some(told) = told {
                let behind = silences.behind(&source.name, house);
                let fault = Fault::Source {
                    name: &source.name,
                    detail: &source.detail,
                    behind: &behind,
                };
                let alert = fault.alert(told, now, telling.zone);
                keep_latch(step, &key, next);
                telling.tell(step, alert, told.2, None, Tell::Usual);
            }
        }
        // A door that left the settings is missed by nobody.
        for (key, latch) in &mut self.latches {
            let known = outside
                .sources
                .iter()
                .any(|source| faults::source_key(&source.name) == *key);
            if known || !key.starts_with("source-") {
                continue;
            }
            if let Some((since, raised)) = latch.open.take() {
                let name = self.doors.get(key).unwrap_or(key);
                let fault = Fault::Source { name, detail: "", behind: &[] };
                let told = (Change::Cleared, since, raised);
                let alert = fault.alert(told, now, telling.zone);
                keep_latch(step, key, *latch);
                telling.tell(step, alert, raised, None, Tell::Usual);
            }
        }
    }

    /// All the rest, once a minute or so.
    pub(super) fn clock(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        house: &House,
        trials: &BTreeMap<Name, Trial>,
        (outside, now): (&Outside, Instant),
    ) {
        self.look_at_messages(step, telling, outside, now);
        self.end_clock(step, telling, now);
        self.look_at_cells(step, telling, house, now);
        let looked = self.tasks_looked.is_some_and(|last| {
            (0..TASKS_EVERY).contains(&now.millis_since(last))
        });
        if !looked {
            self.tasks_looked = Some(now);
            self.look_at_tasks(step, telling, trials, now);
        }
    }

    fn look_at_messages(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        outside: &Outside,
        now: Instant,
    ) {
        let fault = undelivered(outside);
        let wrong = outside.waiting + outside.given_up > 0;
        let key = fault.key();
        let latch = self.latches.entry(key.clone()).or_default();
        let (next, told) =
            faults::step(*latch, wrong, now, Duration::ZERO, DELIVERED_FOR);
        *latch = next;
        if let Some(told) = told {
            keep_latch(step, &key, next);
            let alert = fault.alert(told, now, telling.zone);
            telling.tell(step, alert, told.2, None, Tell::Usual);
        }
    }

    /// The clock of this machine was set.
    pub(super) fn clock_was_set(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        by_ms: i64,
        now: Instant,
    ) {
        if by_ms.abs() < faults::CLOCK_SET_MILLIS {
            return;
        }
        let fault = Fault::Clock(by_ms);
        let key = fault.key();
        let latch = self.latches.entry(key.clone()).or_default();
        if latch.open.is_some() {
            return;
        }
        latch.open = Some((now, now));
        keep_latch(step, &key, *latch);
        let told = (Change::Raised, now, now);
        let alert = fault.alert(told, now, telling.zone);
        telling.tell(step, alert, now, None, Tell::Usual);
    }

    fn end_clock(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        now: Instant,
    ) {
        let fault = Fault::Clock(0);
        let key = fault.key();
        let Some(latch) = self.latches.get_mut(&key) else { return };
        let Some((since, raised)) = latch.open else { return };
        if now.millis_since(raised).abs() < CLOCK_TOLD {
            return;
        }
        latch.open = None;
        keep_latch(step, &key, *latch);
        let told = (Change::Cleared, since, raised);
        let alert = fault.alert(told, now, telling.zone);
        telling.tell(step, alert, raised, None, Tell::Usual);
    }

    fn look_at_cells(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        house: &House,
        now: Instant,
    ) {
        for (board, state) in &mut self.cells {
            let Some(cells) = house.cells.get(board) else { continue };
            let taken = std::mem::take(state);
            let (next, told) = cells::step(cells, taken, Input::Clock(now));
            *state = next;
            let Some(told) = told else { continue };
            step.states.push((cells::key(board), in_file(&state.open)));
            let place = place_of(house, board);
            let zone = telling.zone;
            let alert = cells::alert(board, place, cells, told, now, zone);
            let board = Some(board.clone());
            telling.tell(step, alert, told.1, board, Tell::Usual);
        }
    }

    fn look_at_tasks(
        &mut self,
        step: &mut WatchStep,
        telling: &mut Telling,
        trials: &BTreeMap<Name, Trial>,
        now: Instant,
    ) {
        let zone = telling.zone;
        let local = |at: Instant| at.utc().with_timezone(&zone);
        let today = local(now).date_naive();
        let morning = local(now).hour() >= MORNING;
        for trial in trials.values() {
            let present = tasks::tasks(trial, now);
            for (task, _) in Task::WORDS {
                let key = (trial.name.clone(), task);
                let groups = self.tasks.entry(key).or_default();
                let told_today = groups
                    .iter()
                    .any(|group| local(group.raised).date_naive() == today);
                let units = present.get(&task).map_or(&[][..], Vec::as_slice);
                let may_tell = morning && !told_today;
                let taken = std::mem::take(groups);
                let (next, told) = tasks::step(taken, units, now, may_tell);
                *groups = next;
                if told.is_empty() {
                    continue;
                }
                let kept: Vec<TasksInFile> =
                    groups.iter().map(TasksInFile::from).collect();
                step.states.push((task.key(&trial.name), in_file(&kept)));
                for (change, group) in told {
                    let told = (change, &group);
                    let alert = tasks::alert(trial, task, told, now, zone);
                    telling.tell(step, alert, group.raised, None, Tell::Usual);
                }
            }
        }
    }
}

/// The store takes readings again: kept with its beginning, which could not
/// be written while it lasted. Channels in `told` know of that.
pub(super) fn stored_again(
    telling: &mut Telling,
    told: &BTreeSet<String>,
    (since, now): (Instant, Instant),
) -> WatchStep {
    let mut step = WatchStep::default();
    let away = u64::try_from(now.millis_since(since)).unwrap_or(0);
    if Duration::from_millis(away) < faults::STORE_AWAY {
        return step;
    }
    for change in [Change::Raised, Change::Cleared] {
        let times = (change, since, since);
        let alert = Fault::Database.alert(times, now, telling.zone);
        telling.tell(&mut step, alert, since, None, Tell::Usual);
        if change == Change::Raised {
            step.messages.retain(|(_, channel, _)| !told.contains(channel));
        }
    }
    step
}

fn undelivered(outside: &Outside) -> Fault<'static> {
    Fault::Undelivered { waiting: outside.waiting, given_up: outside.given_up }
}

fn keep_latch(step: &mut WatchStep, key: &str, latch: Latch) {
    step.states.push((key.to_owned(), in_file(&LatchInFile::from(&latch))));
}
