//! The ledger's entries: one statement each, never changed, only superseded.
//!
//! The serialised form of a [`Statement`] is what the store keeps and the
//! export writes, so a change here is a change of the grower's data: the
//! golden file `tests/golden/statements.jsonl` holds one of each kind.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::observation::{Name, Quantity};
use crate::trial::label::Label;
use crate::trial::when::When;
use crate::units::Instant;

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

/// What kind of spot a place is.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize,
)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "each is the plain word it shows")]
pub enum PlaceKind {
    Fridge,
    Sill,
    Shelf,
    Cupboard,
    Tray,
    Outdoors,
    ColdFrame,
    Cellar,
}

impl PlaceKind {
    /// All kinds with their words.
    pub const WORDS: [(Self, &'static str); 8] = [
        (Self::Fridge, "fridge"),
        (Self::Sill, "sill"),
        (Self::Shelf, "shelf"),
        (Self::Cupboard, "cupboard"),
        (Self::Tray, "tray"),
        (Self::Outdoors, "outdoors"),
        (Self::ColdFrame, "cold-frame"),
        (Self::Cellar, "cellar"),
    ];
}

/// How a container is closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "each is the plain word it shows")]
pub enum Lid {
    Closed,
    Vented,
    Open,
}

impl Lid {
    /// All states with their words.
    pub const WORDS: [(Self, &'static str); 3] = [
        (Self::Closed, "closed"),
        (Self::Vented, "vented"),
        (Self::Open, "open"),
    ];
}

/// How a unit was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Look {
    /// The lid or bag was opened.
    Opened,
    /// Through the lid or bag.
    ThroughLid,
}

impl Look {
    /// Both with their words.
    pub const WORDS: [(Self, &'static str); 2] =
        [(Self::Opened, "opened"), (Self::ThroughLid, "through-lid")];
}

/// How much mould was seen.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize,
)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "each is the plain word it shows")]
pub enum Severity {
    None,
    Trace,
    Some,
    Heavy,
}

impl Severity {
    /// All degrees with their words.
    pub const WORDS: [(Self, &'static str); 4] = [
        (Self::None, "none"),
        (Self::Trace, "trace"),
        (Self::Some, "some"),
        (Self::Heavy, "heavy"),
    ];
}

/// The word of a value in a table of words such as [`Lid::WORDS`].
#[must_use]
pub fn word_of<T: PartialEq>(
    words: &[(T, &'static str)],
    value: &T,
) -> &'static str {
    words
        .iter()
        .find(|(known, _)| known == value)
        .map(|(_, word)| *word)
        .expect("every value has a word")
}

/// The value of a word in a table of words, or the words that would do.
///
/// # Errors
/// The known words joined by commas, when `word` is none of them.
pub fn from_word<T: Copy>(
    words: &[(T, &'static str)],
    word: &str,
) -> Result<T, String> {
    words.iter().find(|(_, known)| *known == word).map(|(v, _)| *v).ok_or_else(
        || words.iter().map(|(_, w)| *w).collect::<Vec<_>>().join(", "),
    )
}

/// Newly germinated seeds, as counted or as a running total.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Counted {
    /// New since the look before.
    New(u32),
    /// All that have germinated in this unit so far.
    Total(u32),
}

/// A lot: seeds of one origin.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lot {
    /// Its name within the trial.
    pub lot: Name,
    /// Botanical name.
    pub species: String,
    /// Where it came from.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub supplier: String,
    /// When it was collected, as told.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub collected: String,
    /// When it arrived, as told.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub received: String,
    /// How it was kept until then.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub storage: String,
    /// Factors that apply to the lot.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub factors: Factors,
}

/// A batch: seeds prepared together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Batch {
    /// Its name within the trial.
    pub batch: Name,
    /// The lot its seeds are of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot: Option<Name>,
    /// The batch its seeds were taken from, if they were.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parent: Option<Name>,
    /// Seeds put in at the start.
    pub seeds: u32,
    /// The id on its label; given by the store when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<Label>,
    /// Factors that apply to the batch.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub factors: Factors,
}

/// A container: the closed box in which seeds lie to germinate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Container {
    /// Its name within the trial.
    pub container: Name,
    /// The batch its first seeds came from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch: Option<Name>,
    /// Seeds sown at the start.
    pub seeds: u32,
    /// How it is closed.
    pub lid: Lid,
    /// The id on its label; given by the store when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<Label>,
    /// Factors that apply to the container.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub factors: Factors,
}

/// A look at a unit. Zero is data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Check {
    /// The unit looked at.
    pub unit: Name,
    /// Germinated seeds.
    pub germinated: Counted,
    /// Seeds with mould on them at this look, still in the unit.
    #[serde(default)]
    pub mouldy_now: u32,
    /// Seeds taken out because of mould.
    #[serde(default)]
    pub removed_mould: u32,
    /// Seeds taken out for another reason.
    #[serde(default)]
    pub removed_other: u32,
    /// How moist the medium was, in the grower's words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub medium: String,
    /// How it was looked at.
    pub looked: Look,
    /// Free text.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// Who looked, if not who wrote.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub by: String,
}

/// The end of a unit: what became of the seeds that were left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is the plain word it shows")]
pub struct Closure {
    pub unit: Name,
    #[serde(default)]
    pub viable: u32,
    #[serde(default)]
    pub empty: u32,
    #[serde(default)]
    pub dead: u32,
    #[serde(default)]
    pub mouldy: u32,
    #[serde(default)]
    pub lost: u32,
}

impl Closure {
    /// All seeds classed.
    #[must_use]
    pub fn total(&self) -> u32 {
        self.viable + self.empty + self.dead + self.mouldy + self.lost
    }
}

/// How the readings of a watched quantity are judged.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Default,
    Serialize,
    Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// The mean leaves a range for a while.
    #[default]
    Range,
    /// The same for frost alone, with a shorter mean and wait of its own.
    Freezing,
    /// Minutes outside a range add up over 24 hours.
    DaySum,
    /// The mean of 24 hours moved away from that of the days before.
    Drift,
    /// It stays above what its own cycle usually reaches: a door left open.
    Door,
    /// The sensor repeats itself or lies at the end of its scale.
    Sensor,
}

impl Rule {
    /// All rules with their words.
    pub const WORDS: [(Self, &'static str); 6] = [
        (Self::Range, "range"),
        (Self::Freezing, "freezing"),
        (Self::DaySum, "day-sum"),
        (Self::Drift, "drift"),
        (Self::Door, "door"),
        (Self::Sensor, "sensor"),
    ];

    /// Whether it is the plain range, which the ledger does not spell out.
    #[must_use]
    pub fn is_range(&self) -> bool {
        *self == Self::Range
    }
}

/// A range for a quantity at a place that the grower wants kept, or another
/// thing about its readings that needs somebody.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Watch {
    /// Where.
    pub place: Name,
    /// What.
    pub quantity: QuantityWord,
    /// How it is judged; one watch for each place, quantity and rule.
    #[serde(default, skip_serializing_if = "Rule::is_range")]
    pub rule: Rule,
    /// Lowest wanted value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// Highest wanted value; with `drift` and `door` how far it may move.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// The mean of so many minutes is compared.
    pub mean_minutes: u32,
    /// How long it must be out before it is an alert; with `day-sum` the
    /// minutes out that a day may have.
    pub for_minutes: u32,
    /// How far inside the range it must come to be in again.
    pub margin: f64,
    /// Whether quiet hours hold it back.
    #[serde(default)]
    pub urgent: bool,
    /// With `sensor`: full air is normal here, as in a closed wet box.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub wet_is_normal: bool,
}

/// What a board's cells are made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Chemistry {
    /// Alkaline: sinks steadily, and sags in the cold.
    Alkaline,
    /// Primary lithium: holds its voltage until shortly before its end.
    Lithium,
    /// Rechargeable nickel-metal hydride.
    Rechargeable,
}

impl Chemistry {
    /// All of them with their words.
    pub const WORDS: [(Self, &'static str); 3] = [
        (Self::Alkaline, "alkaline"),
        (Self::Lithium, "lithium"),
        (Self::Rechargeable, "rechargeable"),
    ];
}

/// A quantity that is written as its word.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize,
)]
#[serde(into = "String", try_from = "String")]
pub struct QuantityWord(pub Quantity);

impl From<QuantityWord> for String {
    fn from(word: QuantityWord) -> Self {
        word.0.word().to_owned()
    }
}

impl TryFrom<String> for QuantityWord {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        Quantity::from_word(&text)
            .map(Self)
            .ok_or_else(|| format!("no quantity is called {text:?}"))
    }
}

impl Serialize for Name {
    fn serialize<S: serde::Serializer>(
        &self,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.as_str())
    }
}

impl<'de> Deserialize<'de> for Name {
    fn deserialize<D: serde::Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Name::new(text).map_err(serde::de::Error::custom)
    }
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
