//! The state that follows from all entries, and the rules of the house; those
//! of a trial are in `rules`.
//!
//! Every way in (command, import, page) goes through this one fold, so a
//! rule is written once: seeds are conserved, a unit is looked at only while
//! it exists, stays do not overlap, names are known before they are used.

use std::collections::{BTreeMap, BTreeSet};

use crate::observation::{Name, Quantity, Series};
use crate::trial::entry::{
    Check, Chemistry, Entry, EntryId, Lot, Rule, Statement, Watch, word_of,
};
use crate::trial::house::{
    BoardStay, Calibration, Cells, Excluded, HandReading, House, MainBoard,
    Place,
};
use crate::trial::unit::Unit;
use crate::trial::when::When;

/// One question and one set of units.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// Its name.
    pub name: Name,
    /// The question it asks.
    pub question: String,
    /// When it began.
    pub started: When,
    /// Factors whose comparison was planned beforehand.
    pub planned: Vec<String>,
    /// Lots by name.
    pub lots: BTreeMap<Name, Lot>,
    /// Batches and containers by name.
    pub units: BTreeMap<Name, Unit>,
    /// Seedlings followed: name, unit, when, state, note.
    pub seedlings: Vec<(Name, Name, When, String, String)>,
    /// Notes: about what, when, text.
    pub notes: Vec<(Option<Name>, When, String)>,
}

impl Trial {
    /// The containers, by name.
    pub fn containers(&self) -> impl Iterator<Item = &Unit> {
        self.units.values().filter(|unit| unit.is_container())
    }

    /// The batches, by name.
    pub fn batches(&self) -> impl Iterator<Item = &Unit> {
        self.units.values().filter(|unit| !unit.is_container())
    }
}

/// Everything the ledger adds up to.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Book {
    /// Places, boards, corrections, watches.
    pub house: House,
    /// Trials by name.
    pub trials: BTreeMap<Name, Trial>,
}

/// An entry that breaks a rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Its index in the slice given to [`Book::build`].
    pub index: usize,
    /// What is wrong and what would be right.
    pub text: String,
}

impl Book {
    /// Adds up all entries, oldest instant first. An entry that breaks a
    /// rule is left out and listed; the rest goes on without it.
    #[must_use]
    pub fn build(entries: &[Entry]) -> (Self, Vec<Problem>) {
        let dead = superseded(entries);
        let containers = container_names(entries);
        let mut order: Vec<usize> = (0..entries.len())
            .filter(|i| !dead.contains(&entries[*i].id))
            .collect();
        order.sort_by_key(|i| {
            let entry = &entries[*i];
            let rank = rank(&entry.draft.statement, &containers);
            // Definitions hold from the start, whenever they are stated.
            let timed = rank >= FIRST_TIMED_RANK;
            (timed, timed.then_some(entry.draft.when.at), rank, entry.id)
        });
        let mut book = Self::default();
        let mut problems = Vec::new();
        for index in order {
            if let Err(text) = book.apply(&entries[index]) {
                problems.push(Problem { index, text });
            }
        }
        (book, problems)
    }

    /// The one trial, or the named one.
    ///
    /// # Errors
    /// A sentence that names the trials there are.
    pub fn trial(&self, name: Option<&Name>) -> Result<&Trial, String> {
        let known = || self.trials.keys().map(Name::as_str).collect::<Vec<_>>();
        match name {
            Some(name) => self.trials.get(name).ok_or_else(|| {
                let known = known();
                if known.is_empty() {
                    format!(
                        "there is no trial \"{name}\"; none is recorded yet"
                    )
                } else {
                    format!(
                        "there is no trial \"{name}\"; there is: {}",
                        known.join(", ")
                    )
                }
            }),
            None if self.trials.len() == 1 => {
                Ok(self.trials.values().next().expect("there is one"))
            }
            None if self.trials.is_empty() => {
                Err("no trial is recorded yet".to_owned())
            }
            None => Err(format!(
                "there are several trials; name one: {}",
                known().join(", ")
            )),
        }
    }

    fn apply(&mut self, entry: &Entry) -> Result<(), String> {
        let draft = &entry.draft;
        if draft.statement.is_of_the_house() {
            return self.apply_to_house(entry);
        }
        let needs_trial = !matches!(
            draft.statement,
            Statement::Trial { .. } | Statement::Note { .. } | Statement::Undo
        );
        match &draft.trial {
            None if needs_trial => Err(format!(
                "a {} belongs to a trial, and none is named",
                draft.statement.kind()
            )),
            None => Ok(()),
            Some(name) => {
                if let Statement::Trial { trial, question, planned } =
                    &draft.statement
                {
                    return self
                        .begin_trial(trial, question, planned, draft.when);
                }
                let trial = self
                    .trials
                    .get_mut(name)
                    .ok_or_else(|| format!("there is no trial \"{name}\""))?;
                trial.apply(entry, &self.house)
            }
        }
    }

    fn begin_trial(
        &mut self,
        name: &Name,
        question: &str,
        planned: &[String],
        started: When,
    ) -> Result<(), String> {
        if self.trials.contains_key(name) {
            return Err(format!("trial \"{name}\" is already recorded"));
        }
        let trial = Trial {
            name: name.clone(),
            question: question.to_owned(),
            started,
            planned: planned.to_vec(),
            lots: BTreeMap::new(),
            units: BTreeMap::new(),
            seedlings: Vec::new(),
            notes: Vec::new(),
        };
        self.trials.insert(name.clone(), trial);
        Ok(())
    }

    fn known_place(&self, place: &Name) -> Result<(), String> {
        place_is_known(&self.house, place)
    }

    fn apply_to_house(&mut self, entry: &Entry) -> Result<(), String> {
        let when = entry.draft.when;
        match &entry.draft.statement {
            Statement::Place { place, place_kind, light_source, title } => {
                if self.house.places.contains_key(place) {
                    return Err(format!(
                        "place \"{place}\" is already recorded"
                    ));
                }
                let title = if title.is_empty() {
                    place.to_string()
                } else {
                    title.clone()
                };
                self.house.places.insert(
                    place.clone(),
                    Place {
                        name: place.clone(),
                        kind: *place_kind,
                        light_source: light_source.clone(),
                        title,
                    },
                );
            }
            Statement::BoardStay { board, probe, place, until, position } => {
                let stays: Vec<&mut BoardStay> = self
                    .house
                    .board_stays
                    .iter_mut()
                    .filter(|s| s.board == *board && s.probe == *probe)
                    .collect();
                if let Some(last) = stays.into_iter().next_back() {
                    end_stay(&mut last.to, last.from, when, &last.place)?;
                }
                if let Some(place) = place {
                    self.known_place(place)?;
                    ends_after_it_begins(when, *until)?;
                    self.house.board_stays.push(BoardStay {
                        entry: entry.id,
                        board: board.clone(),
                        probe: probe.clone(),
                        place: place.clone(),
                        from: when,
                        to: *until,
                        position: position.clone(),
                    });
                }
            }
            Statement::MainBoard { place, quantity, board, probe } => {
                self.known_place(place)?;
                self.house.mains.push(MainBoard {
                    entry: entry.id,
                    place: place.clone(),
                    quantity: quantity.0,
                    board: board.clone(),
                    probe: probe.clone(),
                    from: when,
                });
            }
            Statement::Calibration {
                board,
                probe,
                quantity,
                gain,
                offset,
                ..
            } => {
                if !(gain.is_finite() && offset.is_finite() && *gain > 0.0) {
                    return Err(format!(
                        "a gain of {gain} and an offset of {offset} make no \
                         calibration: the gain must be above 0"
                    ));
                }
                let series = Series {
                    board: board.clone(),
                    probe: probe.clone(),
                    quantity: quantity.0,
                };
                self.house.calibrations.push(Calibration {
                    entry: entry.id,
                    series,
                    from: when,
                    gain: *gain,
                    offset: *offset,
                });
            }
            Statement::Excluded { board, probe, quantity, until, why } => {
                ends_after_it_begins(when, Some(*until))?;
                self.house.excluded.push(Excluded {
                    entry: entry.id,
                    board: board.clone(),
                    probe: probe.clone(),
                    quantity: quantity.map(|q| q.0),
                    from: when.at,
                    until: until.at,
                    why: why.clone(),
                });
            }
            Statement::Watch(watch) => {
                self.known_place(&watch.place)?;
                sound_watch(watch)?;
                self.house.watches.insert(
                    (watch.place.clone(), watch.quantity.0, watch.rule),
                    (entry.id, watch.clone()),
                );
            }
            Statement::Cells { board, chemistry, low_volts, lasts_days } => {
                sound_cells(*chemistry, *low_volts, *lasts_days)?;
                let cells = Cells {
                    entry: entry.id,
                    from: when.at,
                    chemistry: *chemistry,
                    low_volts: *low_volts,
                    lasts_days: *lasts_days,
                };
                let known = self.house.cells.get(board);
                if known.is_none_or(|known| known.from <= cells.from) {
                    self.house.cells.insert(board.clone(), cells);
                }
            }
            Statement::Unwatch { place, quantity, rule } => {
                self.house
                    .watches
                    .remove(&(place.clone(), quantity.0, *rule))
                    .ok_or_else(|| {
                        let rule = word_of(&Rule::WORDS, rule);
                        format!(
                            "there is no {} watch of the rule {rule} at \
                             {place}",
                            quantity.0
                        )
                    })?;
            }
            Statement::Climate {
                place,
                temperature_celsius,
                humidity_percent,
                light_lux,
            } => {
                self.known_place(place)?;
                let values = hand_values(&[
                    (Quantity::Temperature, *temperature_celsius),
                    (Quantity::Humidity, *humidity_percent),
                    (Quantity::Light, *light_lux),
                ])?;
                self.house.hand_readings.push(HandReading {
                    place: place.clone(),
                    when,
                    values,
                });
            }
            _ => {}
        }
        Ok(())
    }
}

/// The entries that a live entry replaces. Later entries decide first, so
/// an undo that is itself undone takes nothing back.
pub(crate) fn superseded(entries: &[Entry]) -> BTreeSet<EntryId> {
    let mut newest_first: Vec<&Entry> =
        entries.iter().filter(|e| e.draft.supersedes.is_some()).collect();
    newest_first.sort_by_key(|entry| std::cmp::Reverse(entry.id));
    let mut dead = BTreeSet::new();
    for entry in newest_first {
        if !dead.contains(&entry.id) {
            dead.extend(entry.draft.supersedes);
        }
    }
    dead
}

/// Statements below this rank hold from the start of everything.
const FIRST_TIMED_RANK: u8 = 2;

fn container_names(entries: &[Entry]) -> BTreeSet<&Name> {
    entries
        .iter()
        .filter_map(|entry| match &entry.draft.statement {
            Statement::Container(container) => Some(&container.container),
            _ => None,
        })
        .collect()
}

/// Order of statements that speak of the same instant, as dates alone do: a
/// batch is looked at before it is sown from, a container after.
fn rank(statement: &Statement, containers: &BTreeSet<&Name>) -> u8 {
    match statement {
        Statement::Trial { .. } | Statement::Place { .. } => 0,
        Statement::Lot(_) => 1,
        Statement::Batch(_) => FIRST_TIMED_RANK,
        Statement::Check(Check { unit, .. })
        | Statement::Mould { unit, .. } => {
            if containers.contains(unit) {
                8
            } else {
                3
            }
        }
        Statement::Container(_) => 4,
        Statement::Transfer { .. } => 5,
        Statement::Treatment { .. } => 6,
        Statement::Stay { .. } | Statement::BoardStay { .. } => 7,
        Statement::MainBoard { .. }
        | Statement::Calibration { .. }
        | Statement::Excluded { .. }
        | Statement::Watch(_)
        | Statement::Unwatch { .. }
        | Statement::Cells { .. }
        | Statement::Climate { .. }
        | Statement::Seedling { .. }
        | Statement::Note { .. } => 9,
        Statement::Closure(_) => 10,
        Statement::Undo => 11,
    }
}

pub(crate) fn place_is_known(
    house: &House,
    place: &Name,
) -> Result<(), String> {
    if house.places.contains_key(place) {
        return Ok(());
    }
    Err(format!(
        "there is no place \"{place}\": record it first (`vernalog record \
         place {place} --kind …`)"
    ))
}

pub(crate) fn ends_after_it_begins(
    from: When,
    to: Option<When>,
) -> Result<(), String> {
    match to {
        Some(to) if to.at <= from.at => Err(format!(
            "it ends at {} but begins at {}",
            to.text(),
            from.text()
        )),
        _ => Ok(()),
    }
}

/// Ends an earlier stay where the next one begins.
pub(crate) fn end_stay(
    to: &mut Option<When>,
    from: When,
    next: When,
    place: &Name,
) -> Result<(), String> {
    if next.at <= from.at {
        return Err(format!(
            "another stay begins at the same instant ({})",
            from.text()
        ));
    }
    match to {
        Some(to) if to.at > next.at => Err(format!(
            "it begins at {} but the stay at {place} lasts until {}: stays \
             must not overlap",
            next.text(),
            to.text()
        )),
        Some(_) => Ok(()),
        None => {
            *to = Some(next);
            Ok(())
        }
    }
}

/// Whether a watch can ever be kept, by what its rule asks for.
///
/// # Errors
/// What is wrong with it, in words.
pub fn sound_watch(watch: &Watch) -> Result<(), String> {
    let word = word_of(&Rule::WORDS, &watch.rule);
    if watch.wet_is_normal && watch.rule != Rule::Sensor {
        return Err(format!(
            "that full air is normal is said of a sensor watch, not of the \
             rule {word}"
        ));
    }
    let temperature = watch.quantity.0 == Quantity::Temperature;
    match watch.rule {
        Rule::Range => sound_range(watch),
        Rule::Freezing | Rule::Door if !temperature => {
            Err(format!("the rule {word} is for temperature only"))
        }
        Rule::Freezing => {
            match (watch.low, watch.high) {
                (Some(_), None) => sound_range(watch),
                _ => Err("a freezing watch has a lowest value and no highest"
                    .to_owned()),
            }
        }
        Rule::DaySum if !(1..1440).contains(&watch.for_minutes) => {
            Err("a day may be out of range for 1 to 1439 minutes".to_owned())
        }
        Rule::DaySum => sound_range(watch),
        Rule::Drift | Rule::Door => match (watch.low, watch.high) {
            (None, Some(by)) if by > 0.0 && by.is_finite() => {
                if watch.margin >= 0.0 && watch.margin < by {
                    return Ok(());
                }
                Err(format!("a margin of {} is not below {by}", watch.margin))
            }
            _ => Err(format!(
                "the rule {word} needs a highest value above 0, how far it may \
                 move, and no lowest"
            )),
        },
        Rule::Sensor if watch.low.or(watch.high).is_some() => {
            Err("a sensor watch has no limits".to_owned())
        }
        Rule::Sensor => Ok(()),
    }
}

fn sound_cells(
    chemistry: Chemistry,
    low_volts: Option<f64>,
    lasts_days: Option<u32>,
) -> Result<(), String> {
    if low_volts.is_some_and(|volts| !(0.1..60.0).contains(&volts)) {
        return Err("low volts must lie between 0.1 and 60".to_owned());
    }
    if lasts_days == Some(0) {
        return Err("cells last at least a day".to_owned());
    }
    match (chemistry, low_volts, lasts_days) {
        (Chemistry::Lithium, _, None) => Err("lithium cells hold their \
             voltage to the end: say how many days they may be used"
            .to_owned()),
        (Chemistry::Alkaline | Chemistry::Rechargeable, None, _) => {
            Err("say at how many volts these cells are near their end"
                .to_owned())
        }
        _ => Ok(()),
    }
}

fn sound_range(watch: &Watch) -> Result<(), String> {
    let Watch { low, high, margin, .. } = watch;
    let finite =
        [*low, *high, Some(*margin)].into_iter().flatten().all(f64::is_finite);
    if !finite || *margin < 0.0 {
        return Err("limits and margin must be plain numbers".to_owned());
    }
    match (low, high) {
        (None, None) => {
            Err("a watch needs a lowest or a highest value".to_owned())
        }
        (Some(low), Some(high)) if low >= high => Err(format!(
            "the lowest wanted value {low} is not below the highest {high}"
        )),
        (Some(low), Some(high)) if 2.0 * margin >= high - low => Err(format!(
            "a margin of {margin} leaves nothing between {low} and {high}"
        )),
        _ => Ok(()),
    }
}

fn hand_values(
    stated: &[(Quantity, Option<f64>)],
) -> Result<Vec<(Quantity, f64)>, String> {
    let mut values = Vec::new();
    for (quantity, value) in stated {
        let Some(value) = value else { continue };
        let (low, high) = quantity.limits();
        if !(low..=high).contains(value) {
            return Err(format!(
                "{quantity} {value} is outside {low}–{high} {}",
                quantity.unit()
            ));
        }
        values.push((*quantity, *value));
    }
    if values.is_empty() {
        return Err("a hand reading needs at least one value".to_owned());
    }
    Ok(values)
}
