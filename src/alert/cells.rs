//! The cells of a board: near their end by volts, or by days in use.
//!
//! By chemistry: alkaline and rechargeable cells sink steadily but sag while
//! they are cold, so the highest voltage of a day is judged, not the lowest;
//! lithium cells hold their voltage until shortly before the end, so their
//! days in use are counted. How many volts or days that is, the grower says:
//! no figure for cells in the cold is assumed here.

use std::collections::VecDeque;

use chrono_tz::Tz;

use crate::alert::wording::{called, lasting, local};
use crate::alert::{
    Alert, AlertId, AlertKind, Change, Input, Severity, window,
};
use crate::observation::{Name, Quantity, Reading};
use crate::trial::house::{Cells, Place};
use crate::units::Instant;

/// The highest voltage of so long is judged, ms.
pub const SPAN: i64 = 24 * 3_600_000;
/// At least this long must the board have spoken, ms.
const ENOUGH: i64 = 20 * 3_600_000;
/// So far must the voltage come up again, V.
const MARGIN: f64 = 0.05;

/// The state of one board's cells: plain data.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CellsState {
    /// The alert, while there is one.
    pub open: Option<Instant>,
    /// The voltages of the last day, drawn again after a start.
    pub day: VecDeque<Reading>,
}

/// Why cells are near their end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wear {
    /// The highest voltage of a day, below the limit.
    Volts {
        /// The highest, V.
        highest: f64,
        /// The limit, V.
        limit: f64,
    },
    /// They were in use for so many days.
    Days {
        /// In use, d.
        used: i64,
        /// As the grower knows them, d.
        lasts: u32,
    },
    /// Nothing speaks against them any more.
    None,
}

/// Takes one input; says what became different and why.
#[must_use]
pub fn step(
    cells: &Cells,
    mut state: CellsState,
    input: Input,
) -> (CellsState, Option<(Change, Instant, Wear)>) {
    let now = match input {
        Input::Reading(reading) | Input::Past(reading) => {
            let newer = state.day.back().is_none_or(|r| reading.at > r.at);
            if newer && reading.at >= cells.from && reading.quality.counts() {
                window::push(&mut state.day, reading, SPAN);
            }
            return (state, None);
        }
        Input::Clock(now) => now,
    };
    state.day.retain(|reading| reading.at >= cells.from);
    let wear = wear(cells, &state, now);
    let told = match (state.open, wear) {
        (None, Wear::Volts { .. } | Wear::Days { .. }) => {
            state.open = Some(now);
            Some((Change::Raised, now, wear))
        }
        (Some(raised), Wear::None) if may_end(cells, &state, raised) => {
            state.open = None;
            Some((Change::Cleared, raised, wear))
        }
        _ => None,
    };
    (state, told)
}

fn wear(cells: &Cells, state: &CellsState, now: Instant) -> Wear {
    let used = now.millis_since(cells.from) / (24 * 3_600_000);
    if let Some(lasts) = cells.lasts_days
        && used >= i64::from(lasts)
    {
        return Wear::Days { used, lasts };
    }
    let (Some(limit), Some(first), Some(last)) =
        (cells.low_volts, state.day.front(), state.day.back())
    else {
        return Wear::None;
    };
    let heard_enough = last.at.millis_since(first.at) >= ENOUGH;
    let highest =
        state.day.iter().map(|r| r.value).fold(f64::NEG_INFINITY, f64::max);
    let margin = if state.open.is_some() { MARGIN } else { 0.0 };
    if heard_enough && highest < limit + margin {
        Wear::Volts { highest, limit }
    } else {
        Wear::None
    }
}

/// Whether enough was heard to end an alert: fresh cells, or most of a day.
fn may_end(cells: &Cells, state: &CellsState, raised: Instant) -> bool {
    let span = match (state.day.front(), state.day.back()) {
        (Some(first), Some(last)) => last.at.millis_since(first.at),
        _ => 0,
    };
    cells.from > raised || cells.low_volts.is_none() || span >= ENOUGH
}

/// What the watch on the cells of a board is called.
#[must_use]
pub fn key(board: &Name) -> String {
    format!("{board}-battery")
}

/// The message.
#[must_use]
pub fn alert(
    board: &Name,
    place: Option<&Place>,
    cells: &Cells,
    (change, raised, wear): (Change, Instant, Wear),
    now: Instant,
    zone: Tz,
) -> Alert {
    let at_place =
        place.map_or_else(String::new, |p| format!(" at {}", called(p)));
    let since = local(cells.from, zone);
    let in_use = lasting(now.millis_since(cells.from));
    let advice = "Safe to do: put in fresh cells of one kind, none old with \
                  new, within their maker's limits for cold, and record it: \
                  `vernalog record cells`. Bring spent ones to a collection \
                  point.";
    let (text, value, limit) = match wear {
        Wear::Volts { highest, limit } => (
            format!(
                "Board {board}{at_place}: cells near their end. At best \
                 {highest:.2} V in the last 24 hours, {:.2} V below the limit \
                 of {limit:.2} V; a cold cell shows less than it holds, so \
                 the highest is taken. In use since {since} ({in_use}). \
                 Often: spent cells, or a weak radio that has to send twice. \
                 {advice}",
                limit - highest
            ),
            Some(highest),
            Some(limit),
        ),
        Wear::Days { used, lasts } => (
            format!(
                "Board {board}{at_place}: cells due for a change. In use since \
                 {since}, {used} days of the {lasts} you gave them; they hold \
                 their voltage until shortly before their end. {advice}"
            ),
            None,
            None,
        ),
        Wear::None => (
            format!("Board {board}{at_place}: its cells are well again."),
            None,
            None,
        ),
    };
    let key = key(board);
    Alert {
        id: AlertId::new(&key, raised),
        kind: AlertKind::Battery,
        watch: key,
        place: place.map(|place| place.name.clone()),
        quantity: Some(Quantity::Battery),
        state: change,
        since: raised,
        at: now,
        value,
        limit,
        severity: Severity::Normal,
        text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alert::story::{minute, name, reading};
    use crate::trial::entry::{Chemistry, EntryId};
    use Change::{Cleared, Raised};

    const HOUR: i64 = 60;

    fn cells(
        chemistry: Chemistry,
        low_volts: Option<f64>,
        lasts_days: Option<u32>,
    ) -> Cells {
        Cells {
            entry: EntryId(1),
            from: minute(0),
            chemistry,
            low_volts,
            lasts_days,
        }
    }

    /// A voltage an hour; what was told, with the hour.
    fn told(
        cells: &Cells,
        state: &mut CellsState,
        hours: std::ops::Range<i64>,
        volts: impl Fn(i64) -> f64,
    ) -> Vec<(Change, i64)> {
        let mut told = Vec::new();
        for hour in hours {
            let heard = Input::Reading(reading(hour * HOUR, volts(hour)));
            let taken = std::mem::take(state);
            let (next, _) = step(cells, taken, heard);
            let now = minute(hour * HOUR);
            let (next, event) = step(cells, next, Input::Clock(now));
            *state = next;
            told.extend(event.map(|(change, ..)| (change, hour)));
        }
        told
    }

    #[test]
    fn alkaline_cells_that_sag_in_the_cold_of_the_night_are_well() {
        let cells = cells(Chemistry::Alkaline, Some(2.2), None);
        let mut state = CellsState::default();
        // 2.45 V by day, 2.05 V each night: the highest is judged.
        let sags = |hour: i64| if hour % 24 < 8 { 2.05 } else { 2.45 };
        assert_eq!(told(&cells, &mut state, 0..200, sags), []);
        // They sink: below 2.2 V even by day. The last good one was at hour
        // 191, and is older than 24 hours at 216.
        let sunk = |hour: i64| if hour % 24 < 8 { 1.9 } else { 2.15 };
        let events = told(&cells, &mut state, 200..300, sunk);
        assert_eq!(events, [(Raised, 216)]);
    }

    #[test]
    fn lithium_cells_are_told_by_their_days_and_not_by_their_volts() {
        let cells = cells(Chemistry::Lithium, None, Some(20));
        let mut state = CellsState::default();
        let events = told(&cells, &mut state, 0..600, |_| 3.0);
        assert_eq!(events, [(Raised, 480)]);
    }

    #[test]
    fn fresh_cells_end_it_at_once() {
        let old = cells(Chemistry::Alkaline, Some(2.2), None);
        let mut state = CellsState::default();
        assert_eq!(told(&old, &mut state, 0..30, |_| 2.0), [(Raised, 20)]);
        let fresh = Cells { from: minute(30 * HOUR), ..old };
        let events = told(&fresh, &mut state, 30..60, |_| 3.1);
        assert_eq!(events, [(Cleared, 30)]);
    }

    #[test]
    fn a_restart_and_a_silence_end_nothing() {
        let cells = cells(Chemistry::Alkaline, Some(2.2), None);
        let mut state = CellsState::default();
        assert_eq!(told(&cells, &mut state, 0..30, |_| 2.0), [(Raised, 20)]);
        let mut again = CellsState { open: state.open, ..Default::default() };
        assert_eq!(told(&cells, &mut again, 30..80, |_| 2.0), []);
    }

    #[test]
    fn the_text_says_how_far_out_and_how_to_record_fresh_ones() {
        let cells = cells(Chemistry::Alkaline, Some(2.2), None);
        let wear = Wear::Volts { highest: 2.04, limit: 2.2 };
        let told = (Raised, minute(0), wear);
        let board = name("drawer-board");
        let now = minute(3 * 24 * 60);
        let alert =
            alert(&board, None, &cells, told, now, chrono_tz::Europe::Dublin);
        assert!(alert.text.contains("2.04 V"), "{}", alert.text);
        assert!(alert.text.contains("0.16 V below the limit of 2.20 V"));
        assert!(alert.text.contains("vernalog record cells"));
        assert_eq!(
            alert.id.as_str(),
            "drawer-board-battery-20260314T120000.000Z"
        );
    }
}
