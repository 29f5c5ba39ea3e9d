//! What one entry does to its trial, and the rules it must keep: seeds are
//! conserved, a unit is looked at only while it exists, stays do not overlap.
//!
//! `book` calls this in the order of time; nothing here knows the others.

use std::collections::BTreeMap;

use crate::observation::Name;
use crate::trial::book::{
    Trial, end_stay, ends_after_it_begins, place_is_known,
};
use crate::trial::entry::{Check, Closure, Counted, Entry, Lot, Statement};
use crate::trial::house::House;
use crate::trial::unit::{
    Looked, MouldSeen, Moved, Stay, Treated, Unit, UnitKind,
};
use crate::trial::when::When;

impl Trial {
    /// Takes one entry of this trial, or says which rule it breaks.
    pub(crate) fn apply(
        &mut self,
        entry: &Entry,
        house: &House,
    ) -> Result<(), String> {
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
