//! The arguments of `record` as typed: one command for each thing done or
//! seen.
//!
//! Units may be given by name or by the letters on their label, so they are
//! plain text until the ledger is open.

use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Args, Subcommand};

use crate::cli::arguments::quantity;
use crate::observation::{Name, Quantity};
use crate::trial::entry::{
    Chemistry, Lid, PlaceKind, Rule, Severity, from_word,
};
use crate::trial::label::Label;

#[derive(Debug, Args)]
pub(crate) struct RecordArguments {
    #[command(subcommand)]
    pub(crate) what: What,
    #[command(flatten)]
    pub(crate) shared: Shared,
}

/// Options that everything recorded has.
#[derive(Debug, Args)]
#[command(next_help_heading = "For everything recorded")]
pub(crate) struct Shared {
    /// When it was: 2026-03-14, "2026-03-14 21:30" or RFC 3339
    /// [default: now]
    #[arg(long, global = true, value_name = "WHEN")]
    pub(crate) at: Option<String>,
    /// Who did or saw it [default: you]
    #[arg(long, global = true, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// Replace what was recorded otherwise, for this reason
    #[arg(long, global = true, value_name = "REASON")]
    pub(crate) supersede: Option<String>,
    /// Judge, but write nothing
    #[arg(long, global = true)]
    pub(crate) dry_run: bool,
}

#[derive(Debug, Subcommand)]
pub(crate) enum What {
    /// A trial: one question and one set of units
    Trial {
        /// Its name
        name: Name,
        /// The question it asks
        #[arg(long, default_value = "")]
        question: String,
        /// A factor whose comparison is planned (may be repeated)
        #[arg(long = "planned", value_name = "FACTOR")]
        planned: Vec<String>,
    },
    /// A place: a spot with its own climate
    Place {
        /// Its name
        name: Name,
        /// What kind of spot
        #[arg(long, value_parser = place_kinds())]
        kind: PlaceKind,
        /// What lights it, such as daylight
        #[arg(long, default_value = "")]
        light_source: String,
        /// How you call it
        #[arg(long, default_value = "")]
        title: String,
    },
    /// A range to be kept; without a quantity, the usual ones for the place
    Watch {
        /// Where
        place: Name,
        /// What
        #[arg(value_parser = quantity)]
        quantity: Option<Quantity>,
        #[command(flatten)]
        limits: Limits,
    },
    /// Fresh cells were put into a board, so that it is told when they sink
    Cells {
        /// The board
        board: Name,
        /// What they are made of
        #[arg(value_parser = chemistries())]
        chemistry: Chemistry,
        /// So many volts are near their end (not for lithium, which holds
        /// its voltage until shortly before)
        #[arg(long, value_name = "VOLTS")]
        low_volts: Option<f64>,
        /// After so many days they are to be changed, as you know from the
        /// cells before
        #[arg(long, value_name = "DAYS")]
        lasts_days: Option<u32>,
    },
    /// A range is no longer to be kept
    Unwatch {
        /// Where
        place: Name,
        /// What
        #[arg(value_parser = quantity)]
        quantity: Quantity,
        /// Which of its watches
        #[arg(long, default_value = "range", value_parser = rules())]
        rule: Rule,
    },
    /// A lot: seeds of one origin
    Lot {
        /// Its name
        name: Name,
        /// Botanical name
        #[arg(long)]
        species: String,
        /// Where it came from
        #[arg(long, default_value = "")]
        supplier: String,
        /// When it was collected, as told
        #[arg(long, default_value = "")]
        collected: String,
        /// When it arrived, as told
        #[arg(long, default_value = "")]
        received: String,
        /// How it was kept until then
        #[arg(long, default_value = "")]
        storage: String,
        /// A factor and its level (may be repeated)
        #[arg(long = "factor", value_name = "NAME=LEVEL", value_parser = factor)]
        factors: Vec<(String, String)>,
    },
    /// A batch: seeds prepared together
    Batch {
        /// Its name
        name: Name,
        /// Seeds put in
        #[arg(long)]
        seeds: u32,
        /// The lot its seeds are of
        #[arg(long)]
        lot: Option<Name>,
        /// The batch its seeds are taken from
        #[arg(long, value_name = "UNIT")]
        parent: Option<String>,
        #[command(flatten)]
        begun: Begun,
    },
    /// A container: the box in which seeds lie to germinate
    Container {
        /// Its name
        name: Name,
        /// Seeds sown
        #[arg(long)]
        seeds: u32,
        /// The batch they come from
        #[arg(long, value_name = "UNIT")]
        batch: Option<String>,
        /// How it is closed
        #[arg(long, default_value = "closed", value_parser = lids())]
        lid: Lid,
        #[command(flatten)]
        begun: Begun,
    },
    /// Seeds moved from one unit into another
    Transfer {
        /// Taken out of
        from: String,
        /// Put into
        to: String,
        /// How many
        seeds: u32,
    },
    /// Something done to a unit
    Treatment {
        /// The unit
        unit: String,
        /// Such as soak, scarify, warm-phase, disinfect, leach
        treatment: String,
        /// How much or how long
        #[arg(long, default_value = "")]
        amount: String,
        /// Free text
        #[arg(long, default_value = "")]
        note: String,
    },
    /// A unit or a board is at a place from now on
    Move {
        /// The unit, or with --board the board
        what: String,
        /// Where to
        #[arg(required_unless_present = "away")]
        place: Option<Name>,
        /// It was taken away, to no place
        #[arg(long, conflicts_with_all = ["place", "until", "position"])]
        away: bool,
        /// It is a board that moves
        #[arg(long)]
        board: bool,
        /// The probe of the board
        #[arg(long, default_value = "air", requires = "board")]
        probe: Name,
        /// Whether the seeds are moist
        #[arg(
            long,
            default_value = "yes",
            value_parser = yes_or_no(),
            conflicts_with = "board"
        )]
        moist: bool,
        /// Where at the place
        #[arg(long, default_value = "")]
        position: String,
        /// When the stay ended, if it did
        #[arg(long, value_name = "WHEN")]
        until: Option<String>,
    },
    /// A board speaks for a place from now on
    Main {
        /// The place
        place: Name,
        /// The board
        board: Name,
        /// Its probe
        #[arg(long, default_value = "air")]
        probe: Name,
        /// For this quantity [default: temperature, humidity and light]
        #[arg(long = "quantity", value_parser = quantity)]
        quantities: Vec<Quantity>,
    },
    /// A look at a unit; zero is data
    Check {
        /// The unit
        unit: String,
        /// Newly germinated seeds since the look before
        germinated: u32,
        /// The number is all that have germinated so far
        #[arg(long)]
        total: bool,
        /// Mouldy seeds still in the unit
        #[arg(long, default_value_t = 0)]
        mouldy_now: u32,
        /// Seeds taken out because of mould
        #[arg(long, default_value_t = 0)]
        removed_mould: u32,
        /// Seeds taken out for another reason
        #[arg(long, default_value_t = 0)]
        removed_other: u32,
        /// How moist the medium was
        #[arg(long, default_value = "")]
        medium: String,
        /// Looked through the lid, not opened
        #[arg(long)]
        through_lid: bool,
        /// Free text
        #[arg(long, default_value = "")]
        note: String,
    },
    /// Mould was seen, or looked for and not seen
    Mould {
        /// The unit
        unit: String,
        /// How much
        #[arg(value_parser = severities())]
        severity: Severity,
    },
    /// The end of a unit: what became of the seeds that were left
    Closure {
        /// The unit
        unit: String,
        /// Seeds that look alive
        #[arg(long, default_value_t = 0)]
        viable: u32,
        /// Seeds without content
        #[arg(long, default_value_t = 0)]
        empty: u32,
        /// Seeds dead
        #[arg(long, default_value_t = 0)]
        dead: u32,
        /// Seeds mouldy
        #[arg(long, default_value_t = 0)]
        mouldy: u32,
        /// Seeds that cannot be found
        #[arg(long, default_value_t = 0)]
        lost: u32,
    },
    /// A germinated seed followed further
    Seedling {
        /// The unit it germinated in
        unit: String,
        /// Its name
        seedling: Name,
        /// What it is now, such as potted, two-leaves, died
        state: String,
        /// Free text
        #[arg(long, default_value = "")]
        note: String,
    },
    /// A hand reading: a stated condition, never summed up
    Climate {
        /// The place
        place: Name,
        /// °C
        #[arg(long, allow_negative_numbers = true)]
        temperature: Option<f64>,
        /// %
        #[arg(long)]
        humidity: Option<f64>,
        /// lx
        #[arg(long)]
        light: Option<f64>,
    },
    /// From now on the true value of a probe is gain × raw + offset
    Calibration {
        /// The board
        board: Name,
        /// What
        #[arg(value_parser = quantity)]
        quantity: Quantity,
        /// The probe
        #[arg(long, default_value = "air")]
        probe: Name,
        /// Gain
        #[arg(long, default_value_t = 1.0)]
        gain: f64,
        /// Offset in the unit of the quantity
        #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
        offset: f64,
        /// How it was found
        #[arg(long, default_value = "")]
        note: String,
    },
    /// Readings of a probe are left out of every sum for a while
    Exclude {
        /// The board
        board: Name,
        /// Why
        why: String,
        /// From when
        #[arg(long, value_name = "WHEN", conflicts_with = "at")]
        since: String,
        /// Until when
        #[arg(long, value_name = "WHEN")]
        until: String,
        /// The probe
        #[arg(long, default_value = "air")]
        probe: Name,
        /// Only this quantity
        #[arg(long, value_parser = quantity)]
        quantity: Option<Quantity>,
    },
    /// Free text
    Note {
        /// The text
        text: String,
        /// A unit, a lot or a place it is about
        #[arg(long, value_name = "NAME")]
        about: Option<String>,
    },
    /// Take back an entry
    Undo {
        /// Its number, or "last"
        entry: String,
        /// Why
        reason: String,
    },
}

/// What a new unit is given at once.
#[derive(Debug, Args)]
pub(crate) struct Begun {
    /// A factor and its level, such as chill_weeks=12 (may be repeated)
    #[arg(long = "factor", value_name = "NAME=LEVEL", value_parser = factor)]
    pub(crate) factors: Vec<(String, String)>,
    /// The letters of a label that is already written
    #[arg(long, value_parser = label)]
    pub(crate) label: Option<Label>,
    /// It is put here at once
    #[arg(long)]
    pub(crate) place: Option<Name>,
    /// Where at the place
    #[arg(long, default_value = "", requires = "place")]
    pub(crate) position: String,
}

/// A range and how it is judged.
#[derive(Debug, Args)]
pub(crate) struct Limits {
    /// How it is judged [default: range]: range, freezing (frost alone,
    /// sooner), day-sum (minutes out of range add up over 24 hours), drift
    /// (the daily mean moves by more than --high), door (above its own cycle
    /// by more than --high), sensor (it repeats itself or is at the end of
    /// its scale)
    #[arg(long, value_parser = rules(), hide_possible_values = true)]
    pub(crate) rule: Option<Rule>,
    /// Lowest wanted value
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) low: Option<f64>,
    /// Highest wanted value
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) high: Option<f64>,
    /// The mean of so many minutes is compared [default: 30]
    #[arg(long, value_name = "MINUTES")]
    pub(crate) mean_minutes: Option<u32>,
    /// So long must it be out before it is an alert [default: 45]; with
    /// day-sum, so many minutes may a day have
    #[arg(long, value_name = "MINUTES")]
    pub(crate) for_minutes: Option<u32>,
    /// So far inside must it come to be in again [default: 0.5 °C, 3 %,
    /// else 0]
    #[arg(long)]
    pub(crate) margin: Option<f64>,
    /// Quiet hours do not hold it back
    #[arg(long)]
    pub(crate) urgent: bool,
    /// With --rule sensor: full air is normal here, as in a closed wet box
    #[arg(long)]
    pub(crate) wet_is_normal: bool,
}

fn one_of<T: Copy + Send + Sync + 'static, const N: usize>(
    words: &'static [(T, &'static str); N],
) -> impl TypedValueParser<Value = T> {
    PossibleValuesParser::new(words.iter().map(|(_, word)| *word))
        .map(|word| from_word(words, &word).expect("it was just checked"))
}

fn place_kinds() -> impl TypedValueParser<Value = PlaceKind> {
    one_of(&PlaceKind::WORDS)
}

fn rules() -> impl TypedValueParser<Value = Rule> {
    one_of(&Rule::WORDS)
}

fn chemistries() -> impl TypedValueParser<Value = Chemistry> {
    one_of(&Chemistry::WORDS)
}

fn lids() -> impl TypedValueParser<Value = Lid> {
    one_of(&Lid::WORDS)
}

fn severities() -> impl TypedValueParser<Value = Severity> {
    one_of(&Severity::WORDS)
}

fn yes_or_no() -> impl TypedValueParser<Value = bool> {
    one_of(&[(true, "yes"), (false, "no")])
}

fn factor(text: &str) -> Result<(String, String), String> {
    let (name, level) = text
        .split_once('=')
        .ok_or("write it as NAME=LEVEL, such as chill_weeks=12")?;
    let (name, level) = (name.trim(), level.trim());
    crate::exchange::columns::factor_name(name)?;
    if level.is_empty() {
        return Err("the level is empty".to_owned());
    }
    Ok((name.to_owned(), level.to_owned()))
}

fn label(text: &str) -> Result<Label, String> {
    Label::parse(text).map_err(|error| error.to_string())
}
