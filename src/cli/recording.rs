//! Drafts handed to the ledger, and what came of them told to the grower.
//!
//! The same for one statement and for a folder of them.

use std::collections::BTreeSet;

use serde_json::json;

use crate::alert::preset;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::{House, near};
use crate::cli::output::{Output, safe};
use crate::cli::record_arguments::Shared;
use crate::cli::status::blind_watches;
use crate::observation::Name;
use crate::store::{Access, Keep, Recorded, Records};
use crate::trial::admission::OnConflict;
use crate::trial::book::{Book, Trial};
use crate::trial::entry::{
    Check, Chemistry, Closure, Draft, Entry, Statement, Watch, word_of,
};
use crate::trial::line;

/// How conflicts are met.
pub(crate) fn on_conflict(reason: Option<&String>) -> OnConflict {
    reason.map_or(OnConflict::Refuse, |reason| {
        OnConflict::Supersede(reason.trim().to_owned())
    })
}

/// Who writes: as stated, or the user of this machine.
pub(crate) fn writer(stated: Option<&String>) -> String {
    stated
        .cloned()
        .or_else(|| std::env::var("USER").ok())
        .or_else(|| std::env::var("LOGNAME").ok())
        .unwrap_or_default()
        .trim()
        .to_owned()
}

/// Writes what `record` made, all or nothing, and says so.
pub(crate) fn write(
    house: &House,
    drafts: &[Draft],
    book: &Book,
    shared: &Shared,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let mut store = house.store(Access::ReadWrite)?;
    let recorded = store.record(&Records {
        drafts,
        on_conflict: on_conflict(shared.supersede.as_ref()),
        keep: Keep::AllOrNothing,
        by: &writer(shared.by.as_ref()),
        origin: "command",
        now: house.now,
        dry_run: shared.dry_run,
    })?;
    if let Some(first) = recorded.refused.first() {
        return Err(refusal(drafts, &recorded, book, first.index));
    }
    tell_journal(&recorded, output);
    let watches = recorded
        .written
        .iter()
        .any(|entry| matches!(entry.draft.statement, Statement::Watch(_)));
    let after = if shared.dry_run {
        None
    } else {
        Some(Book::build(&store.ledger()?).0)
    };
    if let (true, Some(after)) = (watches, &after) {
        for line in blind_watches(house, after, &store.series()?) {
            output.talk(&line);
        }
    }
    if output.json {
        let written: Vec<_> =
            recorded.written.iter().map(line::to_json).collect();
        output.object(&json!({
            "format": "vernalog-recorded/1",
            "dry_run": shared.dry_run,
            "written": written,
            "unchanged": recorded.unchanged,
        }))?;
        return Ok(Answer::Done);
    }
    for entry in &recorded.written {
        let line = told(house, entry, shared.dry_run);
        output.line(&line)?;
    }
    if recorded.unchanged > 0 {
        output.line("it was recorded before; nothing is changed")?;
    }
    if let Some(book) = &after {
        tell_units(&recorded.written, book, output)?;
    }
    Ok(Answer::Done)
}

/// What is recorded stands; that its plain-text copy is behind is told.
pub(crate) fn tell_journal(recorded: &Recorded, output: &Output) {
    if let Some(why) = &recorded.journal_trouble {
        output.talk(&format!(
            "recorded, but the plain-text journal is behind: {}",
            safe(why)
        ));
    }
}

fn refusal(
    drafts: &[Draft],
    recorded: &Recorded,
    book: &Book,
    index: usize,
) -> Failure {
    let draft = &drafts[index];
    let (kind, subject) = (draft.statement.kind(), draft.statement.subject());
    let mut failure = Failure::new(format!(
        "cannot record the {kind}{}",
        if subject.is_empty() { subject } else { format!(" of {subject}") }
    ));
    let reasons: BTreeSet<&str> =
        recorded.refused.iter().map(|p| p.text.as_str()).collect();
    for reason in reasons {
        failure = failure.because(reason);
    }
    for hint in hints(draft, book) {
        failure = failure.hint(hint);
    }
    failure
}

/// "Did you mean" for names in a draft that nothing is called.
pub(crate) fn hints(draft: &Draft, book: &Book) -> Vec<String> {
    let trial = draft.trial.as_ref().and_then(|name| book.trials.get(name));
    let mut hints = Vec::new();
    if let Some(trial) = trial {
        for unit in units_named(&draft.statement) {
            if !trial.units.contains_key(unit)
                && let Some(near) = near(unit, trial.units.keys())
            {
                hints.push(format!("did you mean \"{near}\"?"));
            }
        }
    }
    if let Some(place) = place_named(&draft.statement)
        && !book.house.places.contains_key(place)
        && let Some(near) = near(place, book.house.places.keys())
    {
        hints.push(format!("did you mean \"{near}\"?"));
    }
    hints
}

fn units_named(statement: &Statement) -> Vec<&Name> {
    match statement {
        Statement::Batch(batch) => batch.parent.iter().collect(),
        Statement::Container(container) => container.batch.iter().collect(),
        Statement::Transfer { from, to, .. } => vec![from, to],
        Statement::Treatment { unit, .. }
        | Statement::Stay { unit, .. }
        | Statement::Check(Check { unit, .. })
        | Statement::Mould { unit, .. }
        | Statement::Closure(Closure { unit, .. })
        | Statement::Seedling { unit, .. } => vec![unit],
        Statement::Note { about, .. } => about.iter().collect(),
        _ => Vec::new(),
    }
}

fn place_named(statement: &Statement) -> Option<&Name> {
    match statement {
        Statement::Stay { place, .. } | Statement::BoardStay { place, .. } => {
            place.as_ref()
        }
        Statement::MainBoard { place, .. }
        | Statement::Watch(Watch { place, .. })
        | Statement::Unwatch { place, .. }
        | Statement::Climate { place, .. } => Some(place),
        _ => None,
    }
}

/// A written entry in a line.
fn told(house: &House, entry: &Entry, dry_run: bool) -> String {
    let draft = &entry.draft;
    let number = if dry_run {
        "would be recorded".to_owned()
    } else {
        format!("entry {}", entry.id.0)
    };
    let statement = &draft.statement;
    let what = match (statement, draft.supersedes) {
        (Statement::Undo, Some(id)) => format!("entry {} taken back", id.0),
        (_, Some(id)) => format!(
            "{} {}, instead of entry {}",
            statement.kind(),
            statement.subject(),
            id.0
        ),
        (Statement::MainBoard { quantity, board, .. }, None) => format!(
            "main-board {} for {}: {board}",
            statement.subject(),
            quantity.0
        ),
        (Statement::Cells { chemistry, .. }, None) => format!(
            "{} cells in {}",
            word_of(&Chemistry::WORDS, chemistry),
            statement.subject()
        ),
        (Statement::Watch(watch), None) => {
            format!("watch {}", range_in_words(watch))
        }
        _ => format!("{} {}", statement.kind(), statement.subject()),
    };
    let label = match statement {
        Statement::Batch(batch) => batch.label,
        Statement::Container(container) => container.label,
        _ => None,
    };
    let label = label.map(|l| format!(", label {l}")).unwrap_or_default();
    let at = house.zone().shown(&draft.when);
    format!("{number}: {} ({at}){label}", safe(what.trim()))
}

/// `fridge-drawer temperature 0 to 7 °C`, or what else its rule asks.
pub(crate) fn range_in_words(watch: &Watch) -> String {
    let what = preset::in_words(watch);
    format!("{} {what}", watch.place)
}

/// How the units stand whose seeds were counted or moved.
fn tell_units(
    written: &[Entry],
    book: &Book,
    output: &mut Output,
) -> Result<(), Failure> {
    let mut told = BTreeSet::new();
    for entry in written {
        let trial = entry.draft.trial.as_ref();
        let Some(trial) = trial.and_then(|name| book.trials.get(name)) else {
            continue;
        };
        let counted = matches!(
            entry.draft.statement,
            Statement::Check(_)
                | Statement::Transfer { .. }
                | Statement::Closure(_)
        );
        for name in units_named(&entry.draft.statement) {
            if counted && told.insert(name.clone()) {
                tell_unit(trial, name, output)?;
            }
        }
    }
    Ok(())
}

fn tell_unit(
    trial: &Trial,
    name: &Name,
    output: &mut Output,
) -> Result<(), Failure> {
    let Some(unit) = trial.units.get(name) else { return Ok(()) };
    output.line(&format!(
        "{name}: {} of {} germinated, {} left",
        unit.germinated(),
        unit.entered(),
        unit.left()
    ))
}
