//! The state that follows from all entries, and the rules entries must keep.
//!
//! Every way in (command, import, page) goes through this one fold, so a
//! rule is written once: seeds are conserved, a unit is looked at only while
//! it exists, stays do not overlap, names are known before they are used.

use std::collections::{BTreeMap, BTreeSet};

use crate::observation::{Name, Quantity, Series};
use crate::trial::entry::{
    Check, Closure, Counted, Entry, EntryId, Lot, Statement, Watch,
};
use crate::trial::house::{
    BoardStay, Calibration, Excluded, HandReading, House, MainBoard, Place,
};
use crate::trial::unit::{
    Looked, MouldSeen, Moved, Stay, Treated, Unit, UnitKind,
};
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
                sound_range(watch)?;
                self.house.watches.insert(
                    (watch.place.clone(), watch.quantity.0),
                    (entry.id, watch.clone()),
                );
            }
            Statement::Unwatch { place, quantity } => {
                self.house
                    .watches
                    .remove(&(place.clone(), quantity.0))
                    .ok_or_else(|| {
                        format!("there is no {} watch at {place}", quantity.0)
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
        | Statement::Climate { .. }
        | Statement::Seedling { .. }
        | Statement::Note { .. } => 9,
        Statement::Closure(_) => 10,
        Statement::Undo => 11,
    }
}

fn place_is_known(house: &House, place: &Name) -> Result<(), String> {
    if house.places.contains_key(place) {
        return Ok(());
    }
    Err(format!(
        "there is no place \"{place}\": record it first (`vernalog record \
         place {place} --kind …`)"
    ))
}

fn ends_after_it_begins(from: When, to: Option<When>) -> Result<(), String> {
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
fn end_stay(
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

impl Trial {
    fn apply(&mut self, entry: &Entry, house: &House) -> Result<(), String> {
        let when = entry.draft.when;
        match &entry.draft.statement {
            Statement::Lot(lot) => self.add_lot(lot),
            Statement::Batch(batch) => self.begin_unit(Unit {
                kind: UnitKind::Batch,
                label: batch.label,
                lot: batch.lot.clone(),
                source: batch.parent.clone(),
                factors: batch.factors.clone(),
                ..new_unit(entry, &batch.batch, batch.seeds)
            }),
            Statement::Container(container) => self.begin_unit(Unit {
                kind: UnitKind::Container(container.lid),
                label: container.label,
                source: container.batch.clone(),
                factors: container.factors.clone(),
                ..new_unit(entry, &container.container, container.seeds)
            }),
            Statement::Transfer { from, to, seeds } => {
                self.transfer(entry, from, to, *seeds)
            }
            Statement::Treatment { unit, treatment, amount, note } => {
                self.alive(unit, when)?.treatments.push(Treated {
                    entry: entry.id,
                    when,
                    treatment: treatment.clone(),
                    amount: amount.clone(),
                    note: note.clone(),
                });
                Ok(())
            }
            Statement::Stay { unit, place, until, moist, position } => {
                if let Some(place) = place {
                    place_is_known(house, place)?;
                    ends_after_it_begins(when, *until)?;
                }
                let unit = self.alive(unit, when)?;
                if let Some(last) = unit.stays.last_mut() {
                    end_stay(&mut last.to, last.from, when, &last.place)?;
                }
                if let Some(place) = place {
                    unit.stays.push(Stay {
                        entry: entry.id,
                        place: place.clone(),
                        from: when,
                        to: *until,
                        moist: *moist,
                        position: position.clone(),
                    });
                }
                Ok(())
            }
            Statement::Check(check) => self.check(entry, check),
            Statement::Mould { unit, severity } => {
                self.alive(unit, when)?.mould.push(MouldSeen {
                    entry: entry.id,
                    when,
                    severity: *severity,
                });
                Ok(())
            }
            Statement::Closure(closure) => self.close(entry, closure),
            Statement::Seedling { unit, seedling, state, note } => {
                if self.unit(unit)?.germinated() == 0 {
                    return Err(format!(
                        "no seed of \"{unit}\" has germinated by {}",
                        when.text()
                    ));
                }
                self.seedlings.push((
                    seedling.clone(),
                    unit.clone(),
                    when,
                    state.clone(),
                    note.clone(),
                ));
                Ok(())
            }
            Statement::Note { about, text } => {
                if let Some(about) = about
                    && !self.units.contains_key(about)
                    && !self.lots.contains_key(about)
                    && !house.places.contains_key(about)
                {
                    return Err(format!(
                        "no unit, lot or place is called \"{about}\""
                    ));
                }
                self.notes.push((about.clone(), when, text.clone()));
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn add_lot(&mut self, lot: &Lot) -> Result<(), String> {
        if self.lots.contains_key(&lot.lot) {
            return Err(format!("lot \"{}\" is already recorded", lot.lot));
        }
        self.lots.insert(lot.lot.clone(), lot.clone());
        Ok(())
    }

    fn begin_unit(&mut self, unit: Unit) -> Result<(), String> {
        if let Some(known) = self.units.get(&unit.name) {
            return Err(format!(
                "{} \"{}\" is already recorded; batches and containers of a \
                 trial share one set of names",
                known.kind.word(),
                unit.name
            ));
        }
        if let Some(lot) = &unit.lot
            && !self.lots.contains_key(lot)
        {
            return Err(format!("there is no lot \"{lot}\" in this trial"));
        }
        if let Some(source) = unit.source.clone() {
            let moved = Moved {
                entry: unit.entry,
                when: unit.begun,
                other: unit.name.clone(),
                seeds: unit.seeds,
            };
            self.take_out(&source, moved)?;
        }
        self.units.insert(unit.name.clone(), unit);
        Ok(())
    }

    fn transfer(
        &mut self,
        entry: &Entry,
        from: &Name,
        to: &Name,
        seeds: u32,
    ) -> Result<(), String> {
        let when = entry.draft.when;
        if from == to {
            return Err(format!("seeds cannot move from \"{from}\" to itself"));
        }
        if seeds == 0 {
            return Err("a transfer needs at least one seed".to_owned());
        }
        self.alive(to, when)?;
        let moved = |other: &Name| Moved {
            entry: entry.id,
            when,
            other: other.clone(),
            seeds,
        };
        self.take_out(from, moved(to))?;
        self.alive(to, when)?.added.push(moved(from));
        Ok(())
    }

    fn take_out(&mut self, from: &Name, moved: Moved) -> Result<(), String> {
        let unit = self.alive(from, moved.when)?;
        let left = unit.left();
        if moved.seeds > left {
            return Err(format!(
                "{} seeds are to leave \"{from}\" but {left} are left there",
                moved.seeds
            ));
        }
        unit.taken.push(moved);
        Ok(())
    }

    fn check(&mut self, entry: &Entry, check: &Check) -> Result<(), String> {
        let when = entry.draft.when;
        let unit = self.alive(&check.unit, when)?;
        let (name, before) = (&check.unit, unit.germinated());
        let germinated = match check.germinated {
            Counted::New(new) => new,
            Counted::Total(total) => {
                total.checked_sub(before).ok_or_else(|| {
                    format!(
                        "a total of {total} germinated is less than the \
                         {before} counted in \"{name}\" before"
                    )
                })?
            }
        };
        if unit.looks.last().is_some_and(|last| last.when.at == when.at) {
            return Err(format!(
                "\"{name}\" was already looked at at {}",
                when.text()
            ));
        }
        let left = unit.left();
        let gone = u64::from(germinated)
            + u64::from(check.removed_mould)
            + u64::from(check.removed_other);
        if gone > u64::from(left) {
            return Err(format!(
                "{gone} seeds germinated or removed, but only {left} of {} \
                 were left in \"{name}\" (counts are new since the look \
                 before; a running total goes under germinated_total)",
                unit.entered()
            ));
        }
        let left = left - u32::try_from(gone).expect("at most what was left");
        if check.mouldy_now > left {
            return Err(format!(
                "{} mouldy seeds are more than the {left} left in \"{name}\"",
                check.mouldy_now
            ));
        }
        let by = if check.by.is_empty() { &entry.by } else { &check.by };
        let looked = Looked {
            entry: entry.id,
            when,
            since: unit.last_looked(),
            germinated,
            total: before + germinated,
            mouldy_now: check.mouldy_now,
            removed_mould: check.removed_mould,
            removed_other: check.removed_other,
            left,
            medium: check.medium.clone(),
            looked: check.looked,
            note: check.note.clone(),
            by: by.clone(),
        };
        unit.looks.push(looked);
        Ok(())
    }

    fn close(
        &mut self,
        entry: &Entry,
        closure: &Closure,
    ) -> Result<(), String> {
        let when = entry.draft.when;
        let unit = self.alive(&closure.unit, when)?;
        let (left, classed) = (unit.left(), closure.total());
        if classed != left {
            return Err(format!(
                "{classed} seeds are classed at the end of \"{}\" but {left} \
                 are left in it (seeds that cannot be found go under lost)",
                closure.unit
            ));
        }
        if let Some(last) = unit.stays.last_mut()
            && last.to.is_none()
        {
            last.to = Some(when);
        }
        unit.closure = Some((when, closure.clone()));
        Ok(())
    }

    fn unit(&self, name: &Name) -> Result<&Unit, String> {
        self.units.get(name).ok_or_else(|| {
            format!("there is no batch or container \"{name}\" by then")
        })
    }

    /// A unit that exists and is not closed at this instant.
    fn alive(&mut self, name: &Name, at: When) -> Result<&mut Unit, String> {
        let trial = &self.name;
        let unit = self.units.get_mut(name).ok_or_else(|| {
            format!(
                "trial \"{trial}\" has no batch or container \"{name}\" at \
                 {}: check the name, and that it was not begun later",
                at.text()
            )
        })?;
        if let Some((closed, _)) = &unit.closure {
            return Err(format!(
                "\"{name}\" was closed at {}, before {}",
                closed.text(),
                at.text()
            ));
        }
        Ok(unit)
    }
}

fn new_unit(entry: &Entry, name: &Name, seeds: u32) -> Unit {
    Unit {
        entry: entry.id,
        name: name.clone(),
        kind: UnitKind::Batch,
        label: None,
        lot: None,
        source: None,
        begun: entry.draft.when,
        seeds,
        factors: BTreeMap::new(),
        stays: Vec::new(),
        looks: Vec::new(),
        added: Vec::new(),
        taken: Vec::new(),
        treatments: Vec::new(),
        mould: Vec::new(),
        closure: None,
    }
}
