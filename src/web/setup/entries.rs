//! Set up: the ledger itself, entry by entry; each can be corrected or taken
//! back with a reason, and nothing is ever erased.

use axum::extract::Path;
use maud::{Markup, html};

use crate::report::words::plain;
use crate::store::StoreError;
use crate::trial::book::superseded;
use crate::trial::entry::{Draft, Entry};
use crate::web::desk::{Answer, Desk, Tab, Written};
use crate::web::form::{Form, Wrong};
use crate::web::frame::{self, Field, by_field, keys, wrongs};
use crate::web::routes::{Asked, Named};
use crate::web::setup::{correcting, remedied, told, undoing};
use crate::web::units;
use crate::web::words::moment;

/// Entries on one page of the list.
const A_PAGE: usize = 60;

/// `GET /setup/ledger`: newest first.
pub(super) fn list(desk: &Desk, asked: &Asked) -> Result<Answer, StoreError> {
    let before: i64 = asked.text("before").parse().unwrap_or(i64::MAX);
    let entries = &desk.loaded.entries;
    let dead = superseded(entries);
    let mut shown =
        entries.iter().rev().filter(|entry| entry.id.0 < before).peekable();
    let here: Vec<&Entry> = shown.by_ref().take(A_PAGE).collect();
    let older = here.last().filter(|_| shown.peek().is_some());
    let body = html! {
        h1 { "Ledger" }
        @if asked.text("undone") == "1" {
            div.message role="status" { p { "Taken back. Both entries are \
                kept." } }
        }
        p { "Everything ever written, newest first: " (entries.len())
            " entries. A correction takes the place of an entry and says \
            why; both stay." }
        ul.rows {
            @for entry in &here {
                li { a href={ "/setup/entry/" (entry.id.0) } {
                    strong { @if dead.contains(&entry.id) { s { (told(entry)) } }
                        @else { (told(entry)) } }
                    span.soft { (entry.id.0) " · of "
                        (desk.zone().shown(&entry.draft.when))
                        @if let Some(trial) = &entry.draft.trial {
                            " · " (trial) }
                        @if !entry.by.is_empty() { " · " (plain(&entry.by)) }
                        @if dead.contains(&entry.id) { " · replaced" }
                    }
                } }
            }
        }
        @if let Some(last) = older {
            p { a.button href={ "/setup/ledger?before=" (last.id.0) } {
                "Older entries" } }
        }
    };
    Ok(Answer::page("Ledger", Tab::SetUp, body))
}

/// `GET /setup/entry/…`
pub(super) fn page(
    desk: &Desk,
    Path(number): &Named,
) -> Result<Answer, StoreError> {
    let Some(entry) = units::entry(&desk.loaded.entries, number) else {
        return Ok(frame::missing("There is no such entry."));
    };
    let body = drawn(desk, entry, &Form::default(), &Wrong::default());
    Ok(Answer::page("Entry", Tab::SetUp, body))
}

fn drawn(desk: &Desk, entry: &Entry, form: &Form, wrong: &Wrong) -> Markup {
    let holds = !superseded(&desk.loaded.entries).contains(&entry.id);
    let successor = desk
        .loaded
        .entries
        .iter()
        .find(|other| other.draft.supersedes == Some(entry.id));
    let page = correcting(desk, &entry.draft.statement);
    let said = serde_json::to_value(&entry.draft.statement);
    let said = said.ok().and_then(|value| value.as_object().cloned());
    let field = Field {
        section: "back",
        name: "why",
        label: "Why it is taken back",
        value: form.text("why"),
        wrong: wrong.of("why"),
    };
    html! {
        p.kicker { a href="/setup/ledger" { "Ledger" } " · entry "
            (entry.id.0) }
        h1 { (told(entry)) }
        dl.doses {
            @for (name, value) in said.into_iter().flatten() {
                @if name != "kind" {
                    div { dt { (plain(&name)) }
                        dd { (in_words(&value)) } }
                }
            }
            div { dt { "speaks of" } dd { (desk.zone().shown(&entry.draft.when)) } }
            div { dt { "written" } dd {
                (moment(desk.zone(), desk.now, entry.written))
                @if !entry.by.is_empty() { " by " (plain(&entry.by)) }
                " (" (plain(&entry.origin)) ")" } }
            @if let Some(of) = entry.draft.supersedes {
                div { dt { "in the place of" } dd {
                    a href={ "/setup/entry/" (of.0) } { "entry " (of.0) }
                    @if let Some(why) = &entry.draft.reason {
                        ": " (plain(why)) } } }
            }
            @if let Some(by) = successor.filter(|_| !holds) {
                div { dt { "replaced by" } dd {
                    a href={ "/setup/entry/" (by.id.0) } { "entry " (by.id.0) }
                    @if let Some(why) = &by.draft.reason {
                        ": " (plain(why)) } } }
            }
        }
        @if holds {
            @if let Some(page) = page {
                p { a.button.main href={ "/setup/" (page.path) "?change="
                    (entry.id.0) } { "Correct it" } }
            }
            form.card method="post" action="/setup/undo" {
                (wrongs(wrong))
                (keys(&desk.visitor))
                input type="hidden" name="entry" value=(entry.id.0);
                input type="hidden" name="asked" value="1";
                (field.text())
                (by_field(&desk.visitor, "back"))
                button type="submit" { "Take it back" }
            }
        }
    }
}

/// A value of a statement, for reading.
fn in_words(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::String(text) => plain(text),
        serde_json::Value::Array(parts) => {
            parts.iter().map(in_words).collect::<Vec<_>>().join(", ")
        }
        serde_json::Value::Object(parts) => parts
            .iter()
            .map(|(name, part)| format!("{} {}", plain(name), in_words(part)))
            .collect::<Vec<_>>()
            .join(", "),
        other => other.to_string(),
    }
}

/// `POST /setup/undo`: takes back what one form wrote, newest first, all or
/// nothing.
pub(super) fn take_back(
    desk: &Desk,
    form: &Form,
) -> Result<Answer, StoreError> {
    let done = || Answer::See("/setup/ledger?undone=1".to_owned());
    if desk.was_written(form)? {
        return Ok(done());
    }
    let mut wrong = Wrong::default();
    let asked = form.text("asked") == "1";
    let why = match form.text("why") {
        "" if asked => {
            wrong.add("why", "say in a few words why");
            ""
        }
        "" => "undone on the page",
        why => why,
    };
    let dead = superseded(&desk.loaded.entries);
    let mut entries: Vec<&Entry> = form
        .all("entry")
        .filter_map(|number| units::entry(&desk.loaded.entries, number))
        .filter(|entry| !dead.contains(&entry.id))
        .collect();
    entries.sort_by_key(|entry| std::cmp::Reverse(entry.id));
    let Some(first) = entries.last().copied() else { return Ok(done()) };
    let again = |wrong: &Wrong| {
        let body = drawn(desk, first, form, wrong);
        Answer::wrong("Entry", Tab::SetUp, body)
    };
    if !wrong.is_empty() {
        return Ok(again(&wrong));
    }
    let drafts: Vec<Draft> =
        entries.iter().map(|entry| undoing(desk, entry, why)).collect();
    Ok(match desk.record(&drafts, form)? {
        Written::Refused(refused) => {
            let told: Vec<String> =
                refused.iter().map(|(_, told)| remedied(told)).collect();
            wrong.add(
                "",
                format!(
                    "Something written later needs this entry; take that \
                     back first. The ledger says: {}.",
                    told.join("; ")
                ),
            );
            again(&wrong)
        }
        Written::Now(_) | Written::Before => done(),
    })
}
