//! Set up: everything the ledger holds, made on the phone, one file a page.
//!
//! A page draws its form and understands it; how a form is answered, how an
//! entry is corrected and how it is taken back is written once, here. No
//! setting, command or address can be reached from these pages.

mod batches;
mod boards;
mod calibrations;
mod cells;
mod climate;
pub(crate) mod containers;
mod entries;
mod excluded;
mod grid;
mod guide;
mod lots;
mod mains;
pub(crate) mod naming;
mod notes;
mod places;
pub(crate) mod seedlings;
pub(crate) mod sheet;
pub(crate) mod treatments;
mod trials;
mod watches;

use std::sync::Arc;

use axum::Router;
use axum::extract::Path;
use axum::routing::{get, post};
use maud::{Markup, html};

use crate::store::StoreError;
use crate::trial::entry::{Batch, Container, Draft, Entry, EntryId, Statement};
use crate::trial::when::When;
use crate::web::desk::{Answer, Desk, Site, Tab, Written};
use crate::web::form::{Form, Reading, Wrong};
use crate::web::frame::{self, keys};
use crate::web::routes::{
    Asked, Asking, Named, Shared, Typed as Sent, act, at_desk,
};
use crate::web::setup::sheet::{Fields, Said, Typed, field, when_fields};
use crate::web::units;

/// A page that records one kind of thing.
struct Kind {
    /// The last part of its address.
    path: &'static str,
    title: &'static str,
    /// What is there already, and the form as typed.
    draw: fn(&Typed<'_>) -> Markup,
    /// What a form says; what was not understood is left in the reading.
    read: fn(&Desk, &Form, &mut Reading) -> Vec<Said>,
    /// The fields of a stored statement, if this page can correct it.
    fill: fn(&Desk, &Statement) -> Option<Fields>,
    /// Where to go once it is recorded.
    next: fn(&Form) -> String,
}

const KINDS: [&Kind; 16] = [
    &trials::KIND,
    &places::KIND,
    &lots::KIND,
    &batches::KIND,
    &containers::KIND,
    &grid::KIND,
    &boards::KIND,
    &mains::KIND,
    &watches::KIND,
    &calibrations::KIND,
    &cells::KIND,
    &excluded::KIND,
    &climate::KIND,
    &treatments::KIND,
    &seedlings::KIND,
    &notes::KIND,
];

/// The addresses below `/setup`.
pub(crate) fn router() -> Router<Arc<Site>> {
    Router::new()
        .route(
            "/setup",
            get(async |s: Shared, v: Asking, q: Asked| {
                at_desk(s, v, move |desk| guide::page(desk, &q)).await
            }),
        )
        .route(
            "/setup/ledger",
            get(async |s: Shared, v: Asking, q: Asked| {
                at_desk(s, v, move |desk| entries::list(desk, &q)).await
            }),
        )
        .route(
            "/setup/entry/{id}",
            get(async |s: Shared, v: Asking, p: Named| {
                at_desk(s, v, move |desk| entries::page(desk, &p)).await
            }),
        )
        .route(
            "/setup/undo",
            post(async |s: Shared, v: Asking, f: Sent| {
                act(s, v, f, entries::take_back).await
            }),
        )
        .route(
            "/setup/{page}",
            get(async |s: Shared, v: Asking, p: Named, q: Asked| {
                at_desk(s, v, move |desk| page(desk, &p, &q)).await
            })
            .post(
                async |s: Shared, v: Asking, p: Named, f: Sent| {
                    act(s, v, f, move |desk, form| record(desk, &p, form)).await
                },
            ),
        )
        .route(
            "/setup/unwatch",
            post(async |s: Shared, v: Asking, f: Sent| {
                act(s, v, f, watches::unwatch).await
            }),
        )
}

fn kind(path: &str) -> Option<&'static Kind> {
    KINDS.into_iter().find(|kind| kind.path == path)
}

/// The page that can correct a statement.
fn correcting(desk: &Desk, statement: &Statement) -> Option<&'static Kind> {
    KINDS.into_iter().find(|kind| (kind.fill)(desk, statement).is_some())
}

fn no_such_page() -> Answer {
    frame::missing("There is no such page.")
}

/// `GET /setup/…`: an empty form; one with what stands in the address; or,
/// with `change=`, one that corrects an entry.
fn page(
    desk: &Desk,
    Path(path): &Named,
    asked: &Asked,
) -> Result<Answer, StoreError> {
    let Some(kind) = kind(path) else { return Ok(no_such_page()) };
    let change = holding(desk, asked.text("change"));
    let filled = change.and_then(|entry| filled(desk, kind, entry));
    let change = change.filter(|_| filled.is_some());
    let form = filled.unwrap_or_else(|| (**asked).clone());
    let wrong = Wrong::default();
    let typed = Typed { desk, form: &form, wrong: &wrong, change };
    let body = html! {
        (guide::bar(desk, kind.path))
        (done(desk, asked))
        ((kind.draw)(&typed))
    };
    Ok(Answer::page(kind.title, Tab::SetUp, body))
}

/// An entry as a form would have said it.
fn filled(desk: &Desk, kind: &Kind, entry: &Entry) -> Option<Form> {
    let mut fields = (kind.fill)(desk, &entry.draft.statement)?;
    fields.extend(when_fields(desk, "", &entry.draft.when));
    fields.push(field("change", entry.id.0));
    fields.extend(entry.draft.trial.iter().map(|trial| field("trial", trial)));
    Some(Form::new(fields))
}

/// An entry by its number, while it holds.
fn holding<'a>(desk: &'a Desk, number: &str) -> Option<&'a Entry> {
    let entry = units::entry(&desk.loaded.entries, number)?;
    let dead = crate::trial::book::superseded(&desk.loaded.entries);
    (!dead.contains(&entry.id)).then_some(entry)
}

/// `POST /setup/…`
fn record(
    desk: &Desk,
    Path(path): &Named,
    form: &Form,
) -> Result<Answer, StoreError> {
    let Some(kind) = kind(path) else { return Ok(no_such_page()) };
    let next = (kind.next)(form);
    if desk.was_written(form)? {
        return Ok(Answer::See(next));
    }
    let mut reading = Reading::default();
    let said = (kind.read)(desk, form, &mut reading);
    let change = form.text("change");
    let corrected = holding(desk, change);
    let said = match change {
        "" => said,
        _ => corrections(desk, said, corrected, form, &mut reading),
    };
    let again = |wrong: &Wrong| {
        let change = corrected;
        let typed = Typed { desk, form, wrong, change };
        let body = html! {
            (guide::bar(desk, kind.path))
            ((kind.draw)(&typed))
        };
        Answer::wrong(kind.title, Tab::SetUp, body)
    };
    if !reading.wrong.is_empty() {
        return Ok(again(&reading.wrong));
    }
    let (fields, drafts): (Vec<String>, Vec<Draft>) =
        said.into_iter().map(|said| (said.field, said.draft)).unzip();
    Ok(match desk.record(&drafts, form)? {
        Written::Refused(refused) => {
            let mut wrong = Wrong::default();
            for (index, told) in &refused {
                let blamed = fields.get(*index).map_or("", String::as_str);
                wrong.add(blamed, remedied(told));
            }
            again(&wrong)
        }
        Written::Now(Some(EntryId(last))) => {
            let joint = if next.contains('?') { '&' } else { '?' };
            let n = drafts.len();
            Answer::See(format!("{next}{joint}done={last}&n={n}"))
        }
        Written::Now(None) | Written::Before => Answer::See(next),
    })
}

/// What was said anew takes the place of the entry, and says why.
fn corrections(
    desk: &Desk,
    said: Vec<Said>,
    entry: Option<&Entry>,
    form: &Form,
    reading: &mut Reading,
) -> Vec<Said> {
    let Some(entry) = entry else {
        reading.wrong.add(
            "",
            "the entry that this was to correct has itself been corrected \
             or taken back since; open the list anew",
        );
        return said;
    };
    let why = form.text("why");
    if why.is_empty() {
        reading.wrong.add("why", "say in a few words why it is changed");
    }
    let untouched = {
        let typed = format!("{} {}", form.text("on"), form.text("clock"));
        let typed = typed.trim();
        typed.is_empty() || desk.zone().shown(&entry.draft.when) == typed
    };
    // What else the form says, such as a first stay, was said back then.
    let mut said = said;
    said.truncate(1);
    for Said { draft, .. } in &mut said {
        keep_label(&mut draft.statement, &entry.draft.statement);
        draft.supersedes = Some(entry.id);
        draft.reason = Some(why.to_owned());
        if untouched {
            draft.when = entry.draft.when;
        }
    }
    said
}

/// A label is for ever.
fn keep_label(new: &mut Statement, old: &Statement) {
    if let (
        Statement::Batch(Batch { label, .. })
        | Statement::Container(Container { label, .. }),
        Statement::Batch(Batch { label: kept, .. })
        | Statement::Container(Container { label: kept, .. }),
    ) = (new, old)
    {
        *label = *kept;
    }
}

/// What the ledger says, with the page's remedy in the place of the
/// command's.
pub(crate) fn remedied(told: &str) -> String {
    match told.split_once("; correct it with --supersede") {
        Some((told, _)) => format!(
            "{told}; to correct that entry, open it in the ledger (Set up, \
             Ledger) and change it there"
        ),
        None => told.to_owned(),
    }
}

/// What was just written, with the way back.
fn done(desk: &Desk, asked: &Asked) -> Markup {
    let written = just_written(desk, asked);
    html! {
        @if asked.text("undone") == "1" {
            div.message role="status" { p { "Taken back." } }
        }
        @if let Some(first) = written.first() {
            div.message role="status" {
                p { "Recorded: " (told(first))
                    @if written.len() > 1 {
                        " and " (written.len() - 1) " more"
                    }
                    "." }
                form method="post" action="/setup/undo" {
                    (keys(&desk.visitor))
                    @for entry in &written {
                        input type="hidden" name="entry" value=(entry.id.0);
                    }
                    button type="submit" { "Undo" }
                }
            }
        }
    }
}

/// The entries that one form wrote, while they hold.
fn just_written<'a>(desk: &'a Desk, asked: &Asked) -> Vec<&'a Entry> {
    let last: Option<i64> = asked.text("done").parse().ok();
    let n: i64 = asked.text("n").parse().unwrap_or(1);
    let Some(last) = last else { return Vec::new() };
    let first = last.saturating_sub(n.clamp(1, 1_000) - 1);
    let dead = crate::trial::book::superseded(&desk.loaded.entries);
    desk.loaded
        .entries
        .iter()
        .filter(|entry| (first..=last).contains(&entry.id.0))
        .filter(|entry| !dead.contains(&entry.id))
        .collect()
}

/// An entry in a few words.
pub(crate) fn told(entry: &Entry) -> String {
    let statement = &entry.draft.statement;
    let text = match statement {
        Statement::Note { text, .. } => format!("note: {text}"),
        other => format!("{} {}", other.kind(), other.subject()),
    };
    crate::report::words::plain(text.trim())
}

/// A draft that takes an entry back.
pub(crate) fn undoing(desk: &Desk, entry: &Entry, why: &str) -> Draft {
    Draft {
        trial: entry.draft.trial.clone(),
        when: When::exactly(desk.now),
        statement: Statement::Undo,
        supersedes: Some(entry.id),
        reason: Some(why.to_owned()),
    }
}
