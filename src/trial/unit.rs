//! A unit: a batch or a container, with all that happened to it in order.
//!
//! Plain state, filled in by `book` and read by everybody else.

use crate::observation::Name;
use crate::trial::entry::{Closure, EntryId, Factors, Lid, Look, Severity};
use crate::trial::label::Label;
use crate::trial::when::When;
use crate::units::Instant;

/// What kind of unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UnitKind {
    /// Seeds prepared together.
    Batch,
    /// The closed box in which seeds lie to germinate.
    Container(Lid),
}

impl UnitKind {
    /// `batch` or `container`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Batch => "batch",
            Self::Container(_) => "container",
        }
    }
}

/// A stay of a unit at a place.
#[derive(Debug, Clone, PartialEq)]
pub struct Stay {
    /// The entry that says so.
    pub entry: EntryId,
    /// Where.
    pub place: Name,
    /// Since when.
    pub from: When,
    /// Until when; none while it lasts.
    pub to: Option<When>,
    /// Whether the seeds were moist.
    pub moist: bool,
    /// Where at the place.
    pub position: String,
}

/// A look at a unit, with what the looks before it imply.
#[derive(Debug, Clone, PartialEq)]
pub struct Looked {
    /// The entry that says so.
    pub entry: EntryId,
    /// When.
    pub when: When,
    /// The look before it, or the start of the unit.
    pub since: Instant,
    /// Newly germinated.
    pub germinated: u32,
    /// Germinated in this unit so far, this look included.
    pub total: u32,
    /// Mouldy seeds still in the unit.
    pub mouldy_now: u32,
    /// Taken out because of mould.
    pub removed_mould: u32,
    /// Taken out for another reason.
    pub removed_other: u32,
    /// Seeds left after this look.
    pub left: u32,
    /// The medium, in the grower's words.
    pub medium: String,
    /// Opened or through the lid.
    pub looked: Look,
    /// Free text.
    pub note: String,
    /// Who looked.
    pub by: String,
}

/// Seeds that came from or went to another unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Moved {
    /// The entry that says so.
    pub entry: EntryId,
    /// When.
    pub when: When,
    /// The other unit.
    pub other: Name,
    /// How many.
    pub seeds: u32,
}

/// Something done to the unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Treated {
    /// The entry that says so.
    pub entry: EntryId,
    /// When.
    pub when: When,
    /// What.
    pub treatment: String,
    /// How much or how long.
    pub amount: String,
    /// Free text.
    pub note: String,
}

/// Mould seen, or looked for and not seen.
#[derive(Debug, Clone, PartialEq)]
pub struct MouldSeen {
    /// The entry that says so.
    pub entry: EntryId,
    /// When.
    pub when: When,
    /// How much.
    pub severity: Severity,
}

/// A batch or a container.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    /// The entry that made it.
    pub entry: EntryId,
    /// Its name.
    pub name: Name,
    /// Batch or container.
    pub kind: UnitKind,
    /// The id on its label.
    pub label: Option<Label>,
    /// The lot named at its making; see `Trial::lot_of` for the inherited one.
    pub lot: Option<Name>,
    /// The unit its first seeds came from.
    pub source: Option<Name>,
    /// When it began.
    pub begun: When,
    /// Seeds put in at the start.
    pub seeds: u32,
    /// Factors stated for this unit itself.
    pub factors: Factors,
    /// Its stays, in order.
    pub stays: Vec<Stay>,
    /// The looks at it, in order.
    pub looks: Vec<Looked>,
    /// Seeds added after the start.
    pub added: Vec<Moved>,
    /// Seeds taken out into other units.
    pub taken: Vec<Moved>,
    /// What was done to it.
    pub treatments: Vec<Treated>,
    /// Mould entries.
    pub mould: Vec<MouldSeen>,
    /// Its end.
    pub closure: Option<(When, Closure)>,
}

impl Unit {
    /// Whether it is a container.
    #[must_use]
    pub fn is_container(&self) -> bool {
        matches!(self.kind, UnitKind::Container(_))
    }

    /// All seeds that entered it.
    #[must_use]
    pub fn entered(&self) -> u32 {
        self.seeds + self.added.iter().map(|moved| moved.seeds).sum::<u32>()
    }

    /// Seeds that germinated in it.
    #[must_use]
    pub fn germinated(&self) -> u32 {
        self.looks.iter().map(|look| look.germinated).sum()
    }

    /// Seeds taken out because of mould.
    #[must_use]
    pub fn removed_mould(&self) -> u32 {
        self.looks.iter().map(|look| look.removed_mould).sum()
    }

    /// Seeds taken out for another reason.
    #[must_use]
    pub fn removed_other(&self) -> u32 {
        self.looks.iter().map(|look| look.removed_other).sum()
    }

    /// Seeds moved into other units.
    #[must_use]
    pub fn transferred(&self) -> u32 {
        self.taken.iter().map(|moved| moved.seeds).sum()
    }

    /// Seeds left: entered − germinated − removed − transferred. Those
    /// classed at closure are still counted here.
    ///
    /// Never negative: `book` refuses entries that would make it so.
    #[must_use]
    pub fn left(&self) -> u32 {
        self.entered()
            .saturating_sub(self.germinated())
            .saturating_sub(self.removed_mould())
            .saturating_sub(self.removed_other())
            .saturating_sub(self.transferred())
    }

    /// When the last seed was moved into another unit; none while seeds are
    /// left, and for a unit whose seeds all ended in it.
    #[must_use]
    pub fn emptied(&self) -> Option<Instant> {
        let moved = self.taken.iter().map(|moved| moved.when.at).max()?;
        (self.left() == 0).then(|| moved.max(self.last_looked()))
    }

    /// Where it is (or was last).
    #[must_use]
    pub fn last_stay(&self) -> Option<&Stay> {
        self.stays.last()
    }

    /// When it was last looked at, or its start.
    #[must_use]
    pub fn last_looked(&self) -> Instant {
        self.looks.last().map_or(self.begun.at, |look| look.when.at)
    }

    /// The stay it was in at this instant, if any.
    #[must_use]
    pub fn stay_at(&self, at: Instant) -> Option<&Stay> {
        self.stays.iter().rev().find(|stay| {
            stay.from.at <= at && stay.to.is_none_or(|to| at < to.at)
        })
    }
}
