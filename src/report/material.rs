//! What a report is made from: the ledger added up, and the readings of the
//! series that speak for its places.

use std::collections::BTreeMap;

use crate::climate::log::Span;
use crate::climate::strip::Strip;
use crate::observation::{Name, Series};
use crate::report::ReportError;
use crate::store::{Store, StoreError};
use crate::study::needed;
use crate::trial::book::{Book, Trial};
use crate::units::Instant;

/// The ledger of a store, added up, with the trial that is reported.
pub(crate) struct Ledger {
    pub(crate) book: Book,
    trial: Name,
    /// Entries left out because they break a rule.
    pub(crate) problems: Vec<String>,
    /// The newest that is known of the trial.
    pub(crate) until: Instant,
}

impl Ledger {
    pub(crate) fn read(
        store: &Store,
        trial: Option<&Name>,
        now: Instant,
    ) -> Result<Self, ReportError> {
        let entries = store.ledger()?;
        let (book, problems) = Book::build(&entries);
        let problems = problems
            .into_iter()
            .map(|problem| {
                let id = entries[problem.index].id.0;
                format!("entry {id}: {}", problem.text)
            })
            .collect();
        let found = book.trial(trial).map_err(ReportError::Trial)?;
        let until = newest(store, &book, found, now)?;
        let trial = found.name.clone();
        Ok(Self { book, trial, problems, until })
    }

    pub(crate) fn trial(&self) -> &Trial {
        &self.book.trials[&self.trial]
    }
}

/// The newest that is known of a trial: its last entry, or, while a unit is
/// still somewhere, the newest reading there that is not of the future.
///
/// So a finished trial gives the same report for ever.
fn newest(
    store: &Store,
    book: &Book,
    trial: &Trial,
    now: Instant,
) -> Result<Instant, StoreError> {
    let told = trial
        .units
        .values()
        .flat_map(|unit| {
            let stays = unit
                .stays
                .iter()
                .flat_map(|s| [Some(s.from.at), s.to.map(|to| to.at)]);
            [
                Some(unit.begun.at),
                Some(unit.last_looked()),
                unit.closure.as_ref().map(|(when, _)| when.at),
                unit.emptied(),
            ]
            .into_iter()
            .chain(stays)
            .flatten()
        })
        .chain([trial.started.at])
        .max()
        .unwrap_or(trial.started.at);
    let going_on = trial.units.values().any(|unit| {
        unit.closure.is_none()
            && unit.emptied().is_none()
            && unit.last_stay().is_some_and(|stay| stay.to.is_none())
    });
    if !going_on {
        return Ok(told);
    }
    let there = needed(book, trial, now.max(told));
    let heard = store
        .series()?
        .into_iter()
        .filter(|info| there.contains_key(&info.series))
        .filter_map(|info| info.newest.map(|reading| reading.at))
        .filter(|at| *at <= now)
        .max();
    Ok(heard.map_or(told, |heard| heard.max(told)))
}

/// Readings of the series that speak for the places of a trial.
pub(crate) fn readings(
    store: &Store,
    book: &Book,
    trial: &Trial,
    until: Instant,
) -> Result<BTreeMap<Series, Strip>, StoreError> {
    let needed = needed(book, trial, until);
    let from = needed.values().map(|span: &Span| span.from).min();
    let to = needed.values().map(|span| span.to).max();
    let (Some(from), Some(to)) = (from, to) else {
        return Ok(BTreeMap::new());
    };
    let wanted: Vec<Series> = needed.keys().cloned().collect();
    // The reading at the very end closes the last line.
    let found = store.strips(&wanted, from, to.plus_millis(1))?;
    Ok(wanted.into_iter().zip(found).collect())
}
