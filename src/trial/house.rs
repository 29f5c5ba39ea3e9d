//! The house: places, which board speaks for which place, corrections,
//! watches and hand readings.
//!
//! One house a store, shared by all trials. It says which series to read;
//! it holds no reading.

use std::collections::BTreeMap;

use crate::observation::{Name, Quantity, Series};
use crate::trial::entry::{Chemistry, EntryId, PlaceKind, Rule, Watch};
use crate::trial::when::When;
use crate::units::Instant;

/// A spot with its own climate.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Its name.
    pub name: Name,
    /// What kind of spot.
    pub kind: PlaceKind,
    /// What lights it; empty when not stated.
    pub light_source: String,
    /// How the grower calls it; the name when not stated.
    pub title: String,
}

/// A probe of a board at a place.
#[derive(Debug, Clone, PartialEq)]
pub struct BoardStay {
    /// The entry that says so.
    pub entry: EntryId,
    /// The board.
    pub board: Name,
    /// Its probe.
    pub probe: Name,
    /// Where.
    pub place: Name,
    /// Since when.
    pub from: When,
    /// Until when; none while it lasts.
    pub to: Option<When>,
    /// Where at the place.
    pub position: String,
}

/// From an instant on this probe speaks for the place.
#[derive(Debug, Clone, PartialEq)]
pub struct MainBoard {
    /// The entry that says so.
    pub entry: EntryId,
    /// The place.
    pub place: Name,
    /// For which quantity.
    pub quantity: Quantity,
    /// The board.
    pub board: Name,
    /// Its probe.
    pub probe: Name,
    /// Since when.
    pub from: When,
}

/// From an instant on: true value = gain × raw + offset.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// The entry that says so.
    pub entry: EntryId,
    /// Which series.
    pub series: Series,
    /// Since when.
    pub from: When,
    /// Gain.
    pub gain: f64,
    /// Offset.
    pub offset: f64,
}

/// Readings left out of every dose.
#[derive(Debug, Clone, PartialEq)]
pub struct Excluded {
    /// The entry that says so.
    pub entry: EntryId,
    /// The board.
    pub board: Name,
    /// Its probe.
    pub probe: Name,
    /// One quantity, or all.
    pub quantity: Option<Quantity>,
    /// Since when.
    pub from: Instant,
    /// Until when.
    pub until: Instant,
    /// Why.
    pub why: String,
}

/// Cells as they were put into a board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cells {
    /// The entry that says so.
    pub entry: EntryId,
    /// When they were put in.
    pub from: Instant,
    /// What they are made of.
    pub chemistry: Chemistry,
    /// So many volts are near the end.
    pub low_volts: Option<f64>,
    /// After so many days they are to be changed.
    pub lasts_days: Option<u32>,
}

/// What a watch is known by: one for each place, quantity and rule.
pub type WatchKey = (Name, Quantity, Rule);

/// A stated condition, never integrated.
#[derive(Debug, Clone, PartialEq)]
pub struct HandReading {
    /// The place.
    pub place: Name,
    /// When.
    pub when: When,
    /// What, in the quantity's unit.
    pub values: Vec<(Quantity, f64)>,
}

/// Why a series speaks for a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// The grower named it.
    Main,
    /// It was the only probe there.
    Only,
    /// Several were there and none was named: the one placed first.
    FirstPlaced,
}

impl Standing {
    /// In words, for the trace of a number.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Main => "named as the main board",
            Self::Only => "the only probe there",
            Self::FirstPlaced => "placed first; no main board was named",
        }
    }
}

/// A stretch of time in which one series speaks for a place.
#[derive(Debug, Clone, PartialEq)]
pub struct Voice {
    /// Whose readings.
    pub series: Series,
    /// From here.
    pub from: Instant,
    /// To here, exclusive.
    pub to: Instant,
    /// Why this one.
    pub standing: Standing,
}

/// Everything that belongs to the house.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct House {
    /// Places by name.
    pub places: BTreeMap<Name, Place>,
    /// Stays of probes, in order of their start.
    pub board_stays: Vec<BoardStay>,
    /// Main boards, in order of their start.
    pub mains: Vec<MainBoard>,
    /// Calibrations, in order of their start.
    pub calibrations: Vec<Calibration>,
    /// Excluded windows.
    pub excluded: Vec<Excluded>,
    /// Watches in force, with the entry that made each.
    pub watches: BTreeMap<WatchKey, (EntryId, Watch)>,
    /// The newest cells of each board.
    pub cells: BTreeMap<Name, Cells>,
    /// Hand readings in order.
    pub hand_readings: Vec<HandReading>,
}

impl House {
    /// Which series speak for a place and quantity in [`from`, `to`), in
    /// order and without overlap.
    ///
    /// The named main board where there is one; else the only probe; else
    /// the one placed first. Instants without any probe have no voice.
    #[must_use]
    pub fn voices(
        &self,
        place: &Name,
        quantity: Quantity,
        from: Instant,
        to: Instant,
    ) -> Vec<Voice> {
        let stays: Vec<&BoardStay> =
            self.board_stays.iter().filter(|s| s.place == *place).collect();
        let mains: Vec<&MainBoard> = self
            .mains
            .iter()
            .filter(|m| m.place == *place && m.quantity == quantity)
            .collect();
        let mut edges = vec![from, to];
        for stay in &stays {
            edges.push(stay.from.at);
            edges.extend(stay.to.map(|to| to.at));
        }
        edges.extend(mains.iter().map(|main| main.from.at));
        edges.retain(|edge| (from..=to).contains(edge));
        edges.sort_unstable();
        edges.dedup();

        let mut voices: Vec<Voice> = Vec::new();
        for pair in edges.windows(2) {
            let Some((stay, standing)) = speaker(&stays, &mains, pair[0])
            else {
                continue;
            };
            let series = Series {
                board: stay.board.clone(),
                probe: stay.probe.clone(),
                quantity,
            };
            match voices.last_mut() {
                Some(last)
                    if last.series == series
                        && last.to == pair[0]
                        && last.standing == standing =>
                {
                    last.to = pair[1];
                }
                _ => voices.push(Voice {
                    series,
                    from: pair[0],
                    to: pair[1],
                    standing,
                }),
            }
        }
        voices
    }

    /// The range to be kept for a quantity at a place, if there is one.
    #[must_use]
    pub fn range_of(&self, place: &Name, quantity: Quantity) -> Option<&Watch> {
        let key = (place.clone(), quantity, Rule::Range);
        self.watches.get(&key).map(|(_, watch)| watch)
    }

    /// Where a board's probe is at an instant.
    #[must_use]
    pub fn place_of(
        &self,
        board: &Name,
        probe: &Name,
        at: Instant,
    ) -> Option<&BoardStay> {
        self.board_stays.iter().rev().find(|stay| {
            stay.board == *board
                && stay.probe == *probe
                && stay.from.at <= at
                && stay.to.is_none_or(|to| at < to.at)
        })
    }

    /// Whether the ledger knows this board.
    #[must_use]
    pub fn declares(&self, board: &Name) -> bool {
        self.board_stays.iter().any(|stay| stay.board == *board)
    }

    /// The calibration of a series that holds at an instant.
    #[must_use]
    pub fn calibration_at(
        &self,
        series: &Series,
        at: Instant,
    ) -> Option<&Calibration> {
        self.calibrations
            .iter()
            .rev()
            .find(|c| c.series == *series && c.from.at <= at)
    }

    /// The windows in which a series is left out.
    pub fn excluded_windows<'a>(
        &'a self,
        series: &'a Series,
    ) -> impl Iterator<Item = &'a Excluded> {
        self.excluded.iter().filter(|window| {
            window.board == series.board
                && window.probe == series.probe
                && window.quantity.is_none_or(|q| q == series.quantity)
        })
    }
}

fn speaker<'a>(
    stays: &[&'a BoardStay],
    mains: &[&MainBoard],
    at: Instant,
) -> Option<(&'a BoardStay, Standing)> {
    let here: Vec<&BoardStay> = stays
        .iter()
        .copied()
        .filter(|s| s.from.at <= at && s.to.is_none_or(|to| at < to.at))
        .collect();
    let named = mains
        .iter()
        .rev()
        .find(|main| main.from.at <= at)
        .and_then(|main| {
            here.iter().find(|s| s.board == main.board && s.probe == main.probe)
        })
        .map(|stay| (*stay, Standing::Main));
    named.or_else(|| {
        let standing = if here.len() == 1 {
            Standing::Only
        } else {
            Standing::FirstPlaced
        };
        here.first().map(|stay| (*stay, standing))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use Standing::{FirstPlaced, Main, Only};

    fn hour(hour: i64) -> When {
        When::exactly(Instant::from_millis(hour * 3_600_000))
    }

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn stay(board: &str, from: i64, to: Option<i64>) -> BoardStay {
        BoardStay {
            entry: EntryId(1),
            board: name(board),
            probe: name("air"),
            place: name("north-sill"),
            from: hour(from),
            to: to.map(hour),
            position: String::new(),
        }
    }

    /// Two copies of one sensor may differ by a factor: their readings are
    /// never mixed.
    #[test]
    fn of_two_light_sensors_at_a_place_one_speaks_at_a_time() {
        let quantity = Quantity::Light;
        let house = House {
            board_stays: vec![stay("old", 0, None), stay("new", 10, Some(50))],
            mains: vec![MainBoard {
                entry: EntryId(2),
                place: name("north-sill"),
                quantity,
                board: name("new"),
                probe: name("air"),
                from: hour(30),
            }],
            ..House::default()
        };
        let (from, to) = (hour(0).at, hour(70).at);
        let voices: Vec<_> = house
            .voices(&name("north-sill"), quantity, from, to)
            .into_iter()
            .map(|v| {
                let hours = [v.from, v.to].map(|at| at.millis() / 3_600_000);
                (v.series.board.to_string(), hours, v.standing)
            })
            .collect();
        let said =
            |board: &str, hours, standing| (board.to_owned(), hours, standing);
        assert_eq!(
            voices,
            [
                said("old", [0, 10], Only),
                said("old", [10, 30], FirstPlaced),
                said("new", [30, 50], Main),
                said("old", [50, 70], Only),
            ]
        );
    }
}
