//! The ledger's entries: one statement each, never changed, only superseded.
//!
//! The serialised form of a [`Statement`] is what the store keeps and the
//! export writes, so a change here is a change of the grower's data: the
//! golden file `tests/golden/statements.jsonl` holds one of each kind.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::observation::Name;
use crate::trial::when::When;
use crate::units::Instant;

mod things;
mod words;

pub use things::{Batch, Check, Closure, Container, Counted, Lot, Watch};
pub use words::{
    Chemistry, Lid, Look, PlaceKind, QuantityWord, Rule, Severity, from_word,
    word_of,
};

/// Factor names and levels as stated, such as `chill_weeks` = `12`.
pub type Factors = BTreeMap<String, String>;

/// The written number of an entry; later entries have larger ones.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
)]
#[serde(transparent)]
pub struct EntryId(pub i64);

/// What is to be written: a statement with the instant it speaks of.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// The trial it belongs to; none for the house (places, boards, watches).
    pub trial: Option<Name>,
    /// The instant it speaks of.
    pub when: When,
    /// What it says.
    pub statement: Statement,
    /// The entry it replaces, if it is a correction.
    pub supersedes: Option<EntryId>,
    /// Why it replaces it.
    pub reason: Option<String>,
}

impl Draft {
    /// A statement that replaces nothing.
    #[must_use]
    pub fn new(trial: Option<&Name>, when: When, statement: Statement) -> Self {
        Self {
            trial: trial.cloned(),
            when,
            statement,
            supersedes: None,
            reason: None,
        }
    }
}

/// A statement as it stands in the ledger.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Its number.
    pub id: EntryId,
    /// What was written.
    pub draft: Draft,
    /// When it was written.
    pub written: Instant,
    /// Who wrote it.
    pub by: String,
    /// By which way: `command`, `import`, `page`, `demo`.
    pub origin: String,
}

/// What an entry says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Statement {
    /// A trial begins: one question and one set of units.
    Trial {
        /// Its name.
        trial: Name,
        /// The question it asks.
        question: String,
        /// Factors whose comparison was planned beforehand.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        planned: Vec<String>,
    },
    /// A spot with its own climate.
    Place {
        /// Its name.
        place: Name,
        /// What kind of spot.
        place_kind: PlaceKind,
        /// What lights it, such as `daylight`; free text.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        light_source: String,
        /// How the grower calls it.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        title: String,
    },
    /// A lot.
    Lot(Lot),
    /// A batch.
    Batch(Batch),
    /// A container.
    Container(Container),
    /// Seeds moved from one unit into another.
    Transfer {
        /// Taken out of.
        from: Name,
        /// Put into.
        to: Name,
        /// How many.
        seeds: u32,
    },
    /// Something done to a unit.
    Treatment {
        /// The unit.
        unit: Name,
        /// Such as `soak`, `scarify`, `warm-phase`, `disinfect`, `leach`.
        treatment: String,
        /// How much or how long, in the grower's words.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        amount: String,
        /// Free text.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        note: String,
    },
    /// A unit is at a place from this instant on.
    Stay {
        /// The unit.
        unit: Name,
        /// The place; none when it was taken away.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        place: Option<Name>,
        /// When it ended, if stated; else it ends with the next stay.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        until: Option<When>,
        /// Whether the seeds were moist.
        moist: bool,
        /// Where at the place.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        position: String,
    },
    /// A board's probe is at a place from this instant on.
    BoardStay {
        /// The board.
        board: Name,
        /// Its probe.
        probe: Name,
        /// The place; none when it was taken away.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        place: Option<Name>,
        /// When it ended, if stated.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        until: Option<When>,
        /// Where at the place.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        position: String,
    },
    /// From this instant on this probe speaks for the place.
    MainBoard {
        /// The place.
        place: Name,
        /// For which quantity.
        quantity: QuantityWord,
        /// The board.
        board: Name,
        /// Its probe.
        probe: Name,
    },
    /// A look at a unit.
    Check(Check),
    /// Mould was seen, or looked for and not seen.
    Mould {
        /// The unit.
        unit: Name,
        /// How much.
        severity: Severity,
    },
    /// The end of a unit.
    Closure(Closure),
    /// A germinated seed followed further.
    Seedling {
        /// The unit it germinated in.
        unit: Name,
        /// Its name.
        seedling: Name,
        /// What it is now, such as `potted`, `two-leaves`, `died`.
        state: String,
        /// Free text.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        note: String,
    },
    /// From this instant on: true value = gain × raw + offset.
    Calibration {
        /// The board.
        board: Name,
        /// Its probe.
        probe: Name,
        /// For which quantity.
        quantity: QuantityWord,
        /// Gain; 1 for an offset alone.
        gain: f64,
        /// Offset in the quantity's unit.
        offset: f64,
        /// How it was found.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        note: String,
    },
    /// Readings of a probe are left out of every dose for a while.
    Excluded {
        /// The board.
        board: Name,
        /// Its probe.
        probe: Name,
        /// One quantity, or all.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        quantity: Option<QuantityWord>,
        /// Until when.
        until: When,
        /// Why, such as `calibration` or `disinfecting the fridge`.
        why: String,
    },
    /// A range to be kept.
    Watch(Watch),
    /// A watch is no longer wanted.
    Unwatch {
        /// Where.
        place: Name,
        /// What.
        quantity: QuantityWord,
        /// Which of its watches.
        #[serde(default, skip_serializing_if = "Rule::is_range")]
        rule: Rule,
    },
    /// Fresh cells were put into a board.
    Cells {
        /// The board.
        board: Name,
        /// What they are made of.
        chemistry: Chemistry,
        /// So many volts are near the end; not needed for lithium.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        low_volts: Option<f64>,
        /// After so many days they are to be changed, as the grower knows
        /// from the cells before.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lasts_days: Option<u32>,
    },
    /// A hand reading: a stated condition, never integrated.
    Climate {
        /// The place.
        place: Name,
        /// °C.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        temperature_celsius: Option<f64>,
        /// %.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        humidity_percent: Option<f64>,
        /// lx.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        light_lux: Option<f64>,
    },
    /// Free text, about a unit or place if named.
    Note {
        /// A unit or a place.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        about: Option<Name>,
        /// The text.
        text: String,
    },
    /// Takes back the entry it supersedes.
    Undo,
}

impl Statement {
    /// The word that stands for its kind in files and messages.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Trial { .. } => "trial",
            Self::Place { .. } => "place",
            Self::Lot(_) => "lot",
            Self::Batch(_) => "batch",
            Self::Container(_) => "container",
            Self::Transfer { .. } => "transfer",
            Self::Treatment { .. } => "treatment",
            Self::Stay { .. } => "stay",
            Self::BoardStay { .. } => "board-stay",
            Self::MainBoard { .. } => "main-board",
            Self::Check(_) => "check",
            Self::Mould { .. } => "mould",
            Self::Closure(_) => "closure",
            Self::Seedling { .. } => "seedling",
            Self::Calibration { .. } => "calibration",
            Self::Excluded { .. } => "excluded",
            Self::Watch(_) => "watch",
            Self::Unwatch { .. } => "unwatch",
            Self::Cells { .. } => "cells",
            Self::Climate { .. } => "climate",
            Self::Note { .. } => "note",
            Self::Undo => "undo",
        }
    }

    /// Whether it speaks of the house rather than of one trial.
    #[must_use]
    pub fn is_of_the_house(&self) -> bool {
        matches!(
            self,
            Self::Place { .. }
                | Self::BoardStay { .. }
                | Self::MainBoard { .. }
                | Self::Calibration { .. }
                | Self::Excluded { .. }
                | Self::Watch(_)
                | Self::Unwatch { .. }
                | Self::Cells { .. }
                | Self::Climate { .. }
        )
    }

    /// What it is about, in a word or two, for messages.
    #[must_use]
    pub fn subject(&self) -> String {
        match self {
            Self::Trial { trial, .. } => trial.to_string(),
            Self::Place { place, .. }
            | Self::MainBoard { place, .. }
            | Self::Watch(Watch { place, .. })
            | Self::Unwatch { place, .. }
            | Self::Climate { place, .. } => place.to_string(),
            Self::Lot(lot) => lot.lot.to_string(),
            Self::Batch(batch) => batch.batch.to_string(),
            Self::Container(container) => container.container.to_string(),
            Self::Transfer { from, to, .. } => format!("{from} to {to}"),
            Self::Treatment { unit, .. }
            | Self::Stay { unit, .. }
            | Self::Check(Check { unit, .. })
            | Self::Mould { unit, .. }
            | Self::Closure(Closure { unit, .. }) => unit.to_string(),
            Self::Seedling { seedling, .. } => seedling.to_string(),
            Self::BoardStay { board, probe, .. }
            | Self::Calibration { board, probe, .. }
            | Self::Excluded { board, probe, .. } => format!("{board}/{probe}"),
            Self::Cells { board, .. } => board.to_string(),
            Self::Note { about, .. } => {
                about.as_ref().map(ToString::to_string).unwrap_or_default()
            }
            Self::Undo => String::new(),
        }
    }
}
