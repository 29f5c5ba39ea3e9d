//! The tables of the trial folder: files, columns, what each cell holds.
//!
//! One definition for reading, for writing and for the descriptor, so that
//! they cannot disagree. What a row means is in the `rows_of_…` files.

use crate::trial::entry::{Lid, Look, PlaceKind, Severity};

/// What a cell holds.
#[derive(Debug, Clone, Copy)]
pub enum Cell {
    /// A name.
    Name,
    /// Text.
    Text,
    /// A count of seeds.
    Count,
    /// A date, or a date with an hour.
    When,
    /// One of a few words.
    Word(fn() -> Vec<&'static str>),
    /// `yes` or `no`.
    YesNo,
    /// A label id.
    Label,
    /// A statement of the ledger, as JSON.
    Json,
}

/// A column of a table.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    /// Its heading.
    pub name: &'static str,
    /// Another heading that means the same.
    pub also: &'static str,
    /// What its cells hold.
    pub cell: Cell,
    /// Whether the table cannot do without it.
    pub needed: bool,
    /// What it means, and what an empty or missing cell means.
    pub text: &'static str,
}

/// A table: one file of the folder.
#[derive(Debug)]
pub struct Table {
    /// The file.
    pub file: &'static str,
    /// Whether a folder must have it.
    pub needed: bool,
    /// Whether other columns are factors.
    pub factors: bool,
    /// The columns, in the order in which they are written.
    pub columns: &'static [Column],
    /// What a row says.
    pub text: &'static str,
}

impl Table {
    /// The place of a heading among the columns.
    #[must_use]
    pub fn position(&self, heading: &str) -> Option<usize> {
        self.columns.iter().position(|c| c.name == heading || c.also == heading)
    }

    /// The headings.
    pub fn names(&self) -> impl Iterator<Item = &'static str> {
        self.columns.iter().map(|column| column.name)
    }
}

const fn needed(name: &'static str, cell: Cell, text: &'static str) -> Column {
    Column { name, also: name, cell, needed: true, text }
}

const fn free(name: &'static str, cell: Cell, text: &'static str) -> Column {
    Column { name, also: name, cell, needed: false, text }
}

/// The unit column, for which growers with containers only write that.
const UNIT: Column = Column {
    name: "unit",
    also: "container",
    cell: Cell::Name,
    needed: true,
    text: "batch or container",
};

const LABEL: Column =
    free("label", Cell::Label, "id on the label; given when empty");

fn lid_words() -> Vec<&'static str> {
    Lid::WORDS.iter().map(|(_, word)| *word).collect()
}

fn look_words() -> Vec<&'static str> {
    Look::WORDS.iter().map(|(_, word)| *word).collect()
}

fn severity_words() -> Vec<&'static str> {
    Severity::WORDS.iter().map(|(_, word)| *word).collect()
}

fn place_words() -> Vec<&'static str> {
    PlaceKind::WORDS.iter().map(|(_, word)| *word).collect()
}

/// The trial itself: one row.
pub const TRIAL: Table = Table {
    file: "trial.csv",
    needed: true,
    factors: false,
    columns: &[
        needed("trial", Cell::Name, "name of the trial"),
        free("question", Cell::Text, "the question it asks"),
        free("started", Cell::When, "empty: the first day of any unit"),
        free(
            "planned",
            Cell::Text,
            "factors of the planned comparisons, separated by spaces; two with a \
             colon between them: whether one hangs on the other",
        ),
    ],
    text: "the trial: one row",
};

/// Places.
pub const PLACES: Table = Table {
    file: "places.csv",
    needed: false,
    factors: false,
    columns: &[
        needed("place", Cell::Name, "name of the place"),
        needed("kind", Cell::Word(place_words), "kind of spot"),
        free("light_source", Cell::Text, "what lights it"),
        free("title", Cell::Text, "how the grower calls it"),
    ],
    text: "spots with a climate of their own",
};

/// Lots.
pub const LOTS: Table = Table {
    file: "lots.csv",
    needed: false,
    factors: true,
    columns: &[
        needed("lot", Cell::Name, "name of the lot"),
        needed("species", Cell::Text, "botanical name"),
        free("supplier", Cell::Text, "where it came from"),
        free("collected", Cell::Text, "when it was collected, as told"),
        free("received", Cell::Text, "when it arrived, as told"),
        free("storage", Cell::Text, "how it was kept until then"),
    ],
    text: "seeds of one origin",
};

/// Batches.
pub const BATCHES: Table = Table {
    file: "batches.csv",
    needed: false,
    factors: true,
    columns: &[
        needed("batch", Cell::Name, "name of the batch"),
        free("lot", Cell::Name, "lot its seeds are of"),
        free("parent", Cell::Name, "batch its seeds were taken from"),
        needed("seeds", Cell::Count, "seeds put in at the start"),
        needed("started_at", Cell::When, "when it began"),
        LABEL,
    ],
    text: "seeds prepared together; factors are inherited downward",
};

/// Containers.
pub const CONTAINERS: Table = Table {
    file: "containers.csv",
    needed: true,
    factors: true,
    columns: &[
        needed("container", Cell::Name, "name of the container"),
        free("batch", Cell::Name, "batch its seeds came from"),
        needed("seeds", Cell::Count, "seeds sown at the start"),
        needed("sown_at", Cell::When, "when it was sown"),
        free("lid", Cell::Word(lid_words), "empty: closed"),
        LABEL,
    ],
    text: "closed boxes in which seeds lie to germinate",
};

/// Transfers.
pub const TRANSFERS: Table = Table {
    file: "transfers.csv",
    needed: false,
    factors: false,
    columns: &[
        needed("from", Cell::Name, "unit the seeds were taken out of"),
        needed("to", Cell::Name, "unit they were put into"),
        needed("seeds", Cell::Count, "how many seeds"),
        needed("at", Cell::When, "when"),
    ],
    text: "seeds moved between units that exist; sowing itself is in \
           containers.csv",
};

/// Treatments.
pub const TREATMENTS: Table = Table {
    file: "treatments.csv",
    needed: false,
    factors: false,
    columns: &[
        UNIT,
        needed("at", Cell::When, "when"),
        needed("kind", Cell::Text, "such as soak, scarify, warm-phase"),
        free("amount", Cell::Text, "how much or how long"),
        free("note", Cell::Text, "free text"),
    ],
    text: "something done to a unit",
};

/// Stays of units.
pub const STAYS: Table = Table {
    file: "stays.csv",
    needed: false,
    factors: false,
    columns: &[
        UNIT,
        needed("place", Cell::Name, "where"),
        needed("from", Cell::When, "since when"),
        free("to", Cell::When, "empty: until the next stay or the closure"),
        free("moist", Cell::YesNo, "empty: yes"),
        free("position", Cell::Text, "where at the place"),
    ],
    text: "a unit is at a place",
};

/// Checks.
pub const CHECKS: Table = Table {
    file: "checks.csv",
    needed: true,
    factors: false,
    columns: &[
        UNIT,
        needed("at", Cell::When, "when"),
        free(
            "germinated",
            Cell::Count,
            "newly germinated seeds since the check before; zero is data",
        ),
        free(
            "germinated_total",
            Cell::Count,
            "all seeds germinated in the unit so far, instead of germinated",
        ),
        free("mouldy_now", Cell::Count, "mouldy seeds still in; empty: 0"),
        free("removed_mould", Cell::Count, "taken out for mould; empty: 0"),
        free("removed_other", Cell::Count, "taken out otherwise; empty: 0"),
        free("medium", Cell::Text, "how moist the medium was"),
        free("looked", Cell::Word(look_words), "empty: opened"),
        free("by", Cell::Text, "who looked"),
        free("note", Cell::Text, "free text"),
    ],
    text: "a look at a unit",
};

/// Mould entries.
pub const MOULD: Table = Table {
    file: "mould.csv",
    needed: false,
    factors: false,
    columns: &[
        UNIT,
        needed("at", Cell::When, "when"),
        needed("severity", Cell::Word(severity_words), "how much"),
    ],
    text: "mould was seen, or looked for and not seen",
};

/// Closures.
pub const CLOSURES: Table = Table {
    file: "closures.csv",
    needed: false,
    factors: false,
    columns: &[
        UNIT,
        needed("at", Cell::When, "when"),
        free("viable", Cell::Count, "seeds left that look alive; empty: 0"),
        free("empty", Cell::Count, "seeds without content; empty: 0"),
        free("dead", Cell::Count, "seeds dead; empty: 0"),
        free("mouldy", Cell::Count, "seeds mouldy; empty: 0"),
        free("lost", Cell::Count, "seeds that cannot be found; empty: 0"),
    ],
    text: "the end of a unit: what became of the seeds that were left",
};

/// Stays of boards.
pub const BOARDS: Table = Table {
    file: "boards.csv",
    needed: false,
    factors: false,
    columns: &[
        needed("board", Cell::Name, "the device that sends"),
        free("probe", Cell::Name, "its sensor; empty: air"),
        needed("place", Cell::Name, "where"),
        free("position", Cell::Text, "where at the place"),
        needed("from", Cell::When, "since when"),
        free("to", Cell::When, "empty: until the next stay"),
        free(
            "main",
            Cell::Text,
            "whether it speaks for the place: yes, no (or empty), or the \
             quantities, separated by spaces",
        ),
    ],
    text: "a board's probe is at a place",
};

/// Every other kind of entry.
pub const OTHER: Table = Table {
    file: "other.csv",
    needed: false,
    factors: false,
    columns: &[
        needed("kind", Cell::Text, "kind of the entry"),
        free("trial", Cell::Name, "its trial; empty for the house"),
        needed("at", Cell::When, "the instant it speaks of"),
        needed("statement", Cell::Json, "what it says"),
    ],
    text: "entries that have no file of their own",
};

/// All tables, in the order in which they are read and written.
pub const TABLES: [&Table; 13] = [
    &TRIAL,
    &PLACES,
    &LOTS,
    &BATCHES,
    &CONTAINERS,
    &TRANSFERS,
    &TREATMENTS,
    &STAYS,
    &CHECKS,
    &MOULD,
    &CLOSURES,
    &BOARDS,
    &OTHER,
];

/// Whether a factor may have this name: it becomes a column of its own.
///
/// # Errors
/// A sentence that says what a name may be, or that this one is taken.
pub fn factor_name(name: &str) -> Result<(), String> {
    let sound =
        |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_';
    if name.is_empty() || !name.bytes().all(sound) {
        return Err("the name of a factor has a–z, 0–9 and _ only".to_owned());
    }
    let taken = TABLES
        .iter()
        .filter(|table| table.factors)
        .any(|table| table.position(name).is_some());
    if taken {
        return Err(format!(
            "\"{name}\" is a column of its own and cannot be a factor"
        ));
    }
    Ok(())
}
