//! Units as the pages find, order and name them, over all trials.

use crate::observation::Name;
use crate::trial::book::{Book, Trial, superseded};
use crate::trial::entry::{
    Batch, Check, Closure, Container, Counted, Entry, EntryId, Severity,
    Statement, word_of,
};
use crate::trial::label::Label;
use crate::trial::round::in_order;
use crate::trial::unit::Unit;
use crate::units::Instant;
use crate::web::desk::Desk;
use crate::web::words::seeds;

/// A unit and its trial.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Here<'a> {
    pub(crate) trial: &'a Trial,
    pub(crate) unit: &'a Unit,
}

/// The units that a text may mean: one label, or a name in each trial.
pub(crate) fn find<'a>(book: &'a Book, text: &str) -> Vec<Here<'a>> {
    let text = text.trim();
    let all = || {
        book.trials.values().flat_map(|trial| {
            trial.units.values().map(move |unit| Here { trial, unit })
        })
    };
    if let Ok(label) = Label::parse(text)
        && let Some(found) = all().find(|h| h.unit.label == Some(label))
    {
        return vec![found];
    }
    let name = text.to_lowercase();
    all().filter(|here| here.unit.name.as_str() == name).collect()
}

/// The address of a unit's page; by label, since names may come twice.
pub(crate) fn link(unit: &Unit) -> String {
    match unit.label {
        Some(label) => format!("/u/{label}"),
        None => format!("/u/{}", unit.name),
    }
}

/// How a unit is called on a page: by its name, or while counting blind by
/// its label, since names may tell the treatment.
pub(crate) fn name_of(desk: &Desk, unit: &Unit) -> String {
    match unit.label {
        Some(label) if desk.visitor.blind => label.to_string(),
        _ => unit.name.to_string(),
    }
}

/// A stop of the walk.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stop<'a> {
    pub(crate) here: Here<'a>,
    pub(crate) place: Option<&'a Name>,
    pub(crate) position: &'a str,
    /// Not looked at yet today.
    pub(crate) due: bool,
}

/// Every open unit in the order of the walk.
pub(crate) fn walk(desk: &Desk) -> Vec<Stop<'_>> {
    let whenever = Instant::from_millis(i64::MAX);
    let today = desk.today();
    let mut stops: Vec<Stop<'_>> = desk
        .book()
        .trials
        .values()
        .flat_map(|trial| {
            trial.round(whenever, desk.now).into_iter().map(move |due| Stop {
                here: Here { trial, unit: due.unit },
                place: due.place,
                position: due.position,
                due: due.last.is_none_or(|look| look.when.at < today),
            })
        })
        .collect();
    // Stable, so that units of one spot stay sorted by name in each trial.
    stops.sort_by(|a, b| {
        let key = |stop: &Stop<'_>| (stop.place.is_none(), stop.place.cloned());
        key(a).cmp(&key(b)).then_with(|| in_order(a.position, b.position))
    });
    stops
}

/// The next unit to look at after one: further on in the walk, or from its
/// beginning.
pub(crate) fn next<'a>(
    stops: &[Stop<'a>],
    after: &Here<'_>,
) -> Option<Here<'a>> {
    let own = |stop: &Stop<'_>| stop.here.unit.entry == after.unit.entry;
    let from = stops.iter().position(own).map_or(0, |at| at + 1);
    let (before, behind) = stops.split_at(from);
    behind
        .iter()
        .chain(before)
        .find(|stop| stop.due && !own(stop))
        .map(|stop| stop.here)
}

/// The unit that an entry is about, when it is one that a page may take
/// back.
pub(crate) fn subject(statement: &Statement) -> Option<&Name> {
    match statement {
        Statement::Check(Check { unit, .. })
        | Statement::Stay { unit, .. }
        | Statement::Mould { unit, .. }
        | Statement::Treatment { unit, .. }
        | Statement::Seedling { unit, .. }
        | Statement::Batch(Batch { batch: unit, .. })
        | Statement::Container(Container { container: unit, .. })
        | Statement::Transfer { from: unit, .. }
        | Statement::Closure(Closure { unit, .. }) => Some(unit),
        Statement::Note { about, .. } => about.as_ref(),
        _ => None,
    }
}

/// Whether an entry is about this unit.
fn concerns(statement: &Statement, unit: &Name) -> bool {
    subject(statement) == Some(unit)
        || matches!(statement, Statement::Transfer { to, .. } if to == unit)
}

/// The entries about a unit that hold, newest writing first.
pub(crate) fn entries<'a>(all: &'a [Entry], here: &Here<'_>) -> Vec<&'a Entry> {
    let dead = superseded(all);
    all.iter()
        .rev()
        .filter(|entry| !dead.contains(&entry.id))
        .filter(|entry| entry.draft.trial.as_ref() == Some(&here.trial.name))
        .filter(|entry| concerns(&entry.draft.statement, &here.unit.name))
        .collect()
}

/// An entry by its number as typed or linked.
pub(crate) fn entry<'a>(all: &'a [Entry], text: &str) -> Option<&'a Entry> {
    let id = EntryId(text.parse().ok()?);
    let at = all.binary_search_by_key(&id, |entry| entry.id).ok()?;
    all.get(at)
}

/// What an entry says, in a few words.
pub(crate) fn told(statement: &Statement) -> String {
    match statement {
        Statement::Check(check) => found(check),
        Statement::Stay { place: Some(place), position, .. }
            if position.is_empty() =>
        {
            format!("moved to {place}")
        }
        Statement::Stay { place: Some(place), position, .. } => {
            format!("moved to {place}, {position}")
        }
        Statement::Stay { place: None, .. } => "taken away".to_owned(),
        Statement::Mould { severity, .. } => {
            format!("mould: {}", word_of(&Severity::WORDS, severity))
        }
        Statement::Closure(closure) => {
            format!("closed, {} seeds classed", closure.total())
        }
        Statement::Treatment { treatment, amount, .. } => {
            format!("{treatment} {amount}").trim_end().to_owned()
        }
        Statement::Transfer { to, seeds: n, .. } => {
            format!("{} moved to {to}", seeds(*n))
        }
        Statement::Batch(batch) => {
            format!("batch begun with {}", seeds(batch.seeds))
        }
        Statement::Container(container) => {
            format!("container begun with {}", seeds(container.seeds))
        }
        Statement::Seedling { seedling, state, .. } => {
            format!("seedling {seedling}: {state}")
        }
        Statement::Note { text, .. } => format!("note: {text}"),
        other => other.kind().to_owned(),
    }
}

fn found(check: &Check) -> String {
    let germinated = match check.germinated {
        Counted::New(0) => None,
        Counted::New(n) => Some(format!("{n} newly germinated")),
        Counted::Total(n) => Some(format!("{n} germinated in all")),
    };
    let others = [
        (check.mouldy_now, "mouldy"),
        (check.removed_mould, "removed for mould"),
        (check.removed_other, "removed"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, what)| format!("{n} {what}"));
    let parts: Vec<String> = germinated.into_iter().chain(others).collect();
    if parts.is_empty() { "nothing new".to_owned() } else { parts.join(", ") }
}
