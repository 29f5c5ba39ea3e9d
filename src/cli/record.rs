//! `record`: arguments as typed turned into statements of the ledger.
//!
//! Statements about the house are in `record_house`; whether any may be
//! written is judged by the ledger.

use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::{House, unit_name};
use crate::cli::output::Output;
use crate::cli::record_arguments::{Begun, RecordArguments, Shared, What};
use crate::cli::record_house;
use crate::cli::recording;
use crate::observation::Name;
use crate::trial::book::{Book, Trial, superseded};
use crate::trial::entry::{
    Batch, Check, Closure, Container, Counted, Draft, Entry, EntryId, Factors,
    Look, Lot, Statement,
};
use crate::trial::when::When;
use crate::units::Instant;

pub(crate) fn record(
    house: &House,
    arguments: &RecordArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let (ledger, book) = house.ledger()?;
    let shared = &arguments.shared;
    let at = time_of(house, shared, output)?;
    let drafts = match record_house::drafts(house, &book, at, &arguments.what)?
    {
        Some(drafts) => drafts,
        None => of_trial(house, &ledger, &book, at, &arguments.what)?,
    };
    recording::write(house, &drafts, &book, shared, output)
}

/// When it was: as stated, or this minute.
fn time_of(
    house: &House,
    shared: &Shared,
    output: &Output,
) -> Result<When, Failure> {
    match &shared.at {
        Some(text) => house.when(text, |remark| output.talk(remark)),
        None => {
            // Whoever types it a second time within the minute means it once.
            let minute = house.now.millis().div_euclid(60_000) * 60_000;
            Ok(When::to_the_minute(Instant::from_millis(minute)))
        }
    }
}

/// The drafts of a statement that belongs to a trial.
fn of_trial(
    house: &House,
    ledger: &[Entry],
    book: &Book,
    at: When,
    what: &What,
) -> Result<Vec<Draft>, Failure> {
    match what {
        What::Trial { name, question, planned } => {
            let statement = Statement::Trial {
                trial: name.clone(),
                question: trimmed(question),
                planned: planned.clone(),
            };
            return Ok(vec![Draft::new(Some(name), at, statement)]);
        }
        What::Undo { entry, reason } => {
            return Ok(vec![undo(ledger, at, entry, reason)?]);
        }
        What::Note { text, about } if book.trials.is_empty() => {
            let about = about.as_deref().map(Name::new).transpose();
            let about = about.map_err(|e| Failure::new(e.to_string()))?;
            let statement = Statement::Note { about, text: trimmed(text) };
            return Ok(vec![Draft::new(None, at, statement)]);
        }
        _ => {}
    }
    let trial = house.trial(book)?;
    let mut statements = vec![statement(trial, what)?];
    if let What::Batch { name, begun, .. }
    | What::Container { name, begun, .. } = what
    {
        statements.extend(first_stay(name, begun));
    }
    if let What::Move { until: Some(until), .. } = what
        && let Statement::Stay { until: slot, .. } = &mut statements[0]
    {
        *slot = Some(house.when(until, |_| {})?);
    }
    Ok(statements
        .into_iter()
        .map(|statement| Draft::new(Some(&trial.name), at, statement))
        .collect())
}

/// What a command says about a trial, with units found by name or label.
fn statement(trial: &Trial, what: &What) -> Result<Statement, Failure> {
    let unit = |text: &str| unit_name(trial, text);
    let unit_if_any = |text: &Option<String>| {
        text.as_deref().map(|text| unit_name(trial, text)).transpose()
    };
    Ok(match what {
        What::Lot {
            name,
            species,
            supplier,
            collected,
            received,
            storage,
            factors,
        } => Statement::Lot(Lot {
            lot: name.clone(),
            species: trimmed(species),
            supplier: trimmed(supplier),
            collected: trimmed(collected),
            received: trimmed(received),
            storage: trimmed(storage),
            factors: levels(factors)?,
        }),
        What::Batch { name, seeds, lot, parent, begun } => {
            Statement::Batch(Batch {
                batch: name.clone(),
                lot: lot.clone(),
                parent: unit_if_any(parent)?,
                seeds: *seeds,
                label: begun.label,
                factors: levels(&begun.factors)?,
            })
        }
        What::Container { name, seeds, batch, lid, begun } => {
            Statement::Container(Container {
                container: name.clone(),
                batch: unit_if_any(batch)?,
                seeds: *seeds,
                lid: *lid,
                label: begun.label,
                factors: levels(&begun.factors)?,
            })
        }
        What::Transfer { from, to, seeds } => Statement::Transfer {
            from: unit(from)?,
            to: unit(to)?,
            seeds: *seeds,
        },
        What::Treatment { unit: of, treatment, amount, note } => {
            Statement::Treatment {
                unit: unit(of)?,
                treatment: trimmed(treatment),
                amount: trimmed(amount),
                note: trimmed(note),
            }
        }
        What::Move { what, place, moist, position, .. } => Statement::Stay {
            unit: unit(what)?,
            place: place.clone(),
            until: None,
            moist: *moist,
            position: trimmed(position),
        },
        What::Check {
            unit: of,
            germinated,
            total,
            mouldy_now,
            removed_mould,
            removed_other,
            medium,
            through_lid,
            note,
        } => Statement::Check(Check {
            unit: unit(of)?,
            germinated: if *total {
                Counted::Total(*germinated)
            } else {
                Counted::New(*germinated)
            },
            mouldy_now: *mouldy_now,
            removed_mould: *removed_mould,
            removed_other: *removed_other,
            medium: trimmed(medium),
            looked: if *through_lid { Look::ThroughLid } else { Look::Opened },
            note: trimmed(note),
            by: String::new(),
        }),
        What::Mould { unit: of, severity } => {
            Statement::Mould { unit: unit(of)?, severity: *severity }
        }
        What::Closure { unit: of, viable, empty, dead, mouldy, lost } => {
            Statement::Closure(Closure {
                unit: unit(of)?,
                viable: *viable,
                empty: *empty,
                dead: *dead,
                mouldy: *mouldy,
                lost: *lost,
            })
        }
        What::Seedling { unit: of, seedling, state, note } => {
            Statement::Seedling {
                unit: unit(of)?,
                seedling: seedling.clone(),
                state: trimmed(state),
                note: trimmed(note),
            }
        }
        What::Note { text, about } => {
            Statement::Note { about: unit_if_any(about)?, text: trimmed(text) }
        }
        _ => unreachable!("statements about the house were made before"),
    })
}

/// The stay that a new unit is given with it.
fn first_stay(name: &Name, begun: &Begun) -> Option<Statement> {
    let place = begun.place.clone()?;
    Some(Statement::Stay {
        unit: name.clone(),
        place: Some(place),
        until: None,
        moist: true,
        position: trimmed(&begun.position),
    })
}

fn levels(stated: &[(String, String)]) -> Result<Factors, Failure> {
    let mut factors = Factors::new();
    for (name, level) in stated {
        if factors.insert(name.clone(), level.clone()).is_some() {
            return Err(Failure::new(format!(
                "the factor {name} is given two levels"
            )));
        }
    }
    Ok(factors)
}

fn undo(
    ledger: &[Entry],
    at: When,
    entry: &str,
    reason: &str,
) -> Result<Draft, Failure> {
    let dead = superseded(ledger);
    let found = if entry == "last" {
        ledger.iter().rev().find(|entry| !dead.contains(&entry.id))
    } else {
        let id: i64 = entry.parse().map_err(|_| {
            Failure::new(format!("\"{entry}\" is not the number of an entry"))
                .hint("take the number that `record` printed, or \"last\"")
        })?;
        ledger.iter().find(|entry| entry.id == EntryId(id))
    };
    let Some(found) = found else {
        return Err(Failure::new(format!("there is no entry {entry}"))
            .because(format!("the ledger has {} entries", ledger.len())));
    };
    if dead.contains(&found.id) {
        return Err(Failure::new(format!(
            "entry {} is already taken back or replaced",
            found.id.0
        )));
    }
    Ok(Draft {
        trial: found.draft.trial.clone(),
        when: at,
        statement: Statement::Undo,
        supersedes: Some(found.id),
        reason: Some(trimmed(reason)),
    })
}

/// Text without blanks around it, as a file would give it back.
pub(crate) fn trimmed(text: &str) -> String {
    text.trim().to_owned()
}
