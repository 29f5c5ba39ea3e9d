//! What else a tap may write about a unit: taken back, given to another
//! box, moved with a look, mould, closed.
//!
//! Nothing is ever overwritten: a correction supersedes and says why.

use crate::observation::Name;
use crate::store::StoreError;
use crate::trial::entry::{
    Check, Closure, Draft, Entry, Severity, Statement, from_word,
};
use crate::trial::when::When;
use crate::web::blind;
use crate::web::count::{Numbers, again, typed_any, whole};
use crate::web::desk::{Answer, Desk, Written};
use crate::web::form::{Form, Reading, Wrong};
use crate::web::setup::undoing;
use crate::web::unit::one;
use crate::web::units::{self, Here, link};
use crate::web::words::seeds;

/// Writes drafts and goes back to the unit, or draws the form again.
pub(crate) fn write(
    desk: &Desk,
    here: Here<'_>,
    section: &'static str,
    form: &Form,
    drafts: Result<Vec<Draft>, Wrong>,
    next: impl FnOnce(Option<i64>) -> String,
) -> Result<Answer, StoreError> {
    let drafts = match drafts {
        Ok(drafts) => drafts,
        Err(_) if desk.was_written(form)? => {
            return Ok(Answer::See(next(None)));
        }
        Err(wrong) => return Ok(again(desk, here, section, form, wrong)),
    };
    Ok(match desk.record(&drafts, form)? {
        Written::Refused(refused) => {
            again(desk, here, section, form, whole(desk, &refused))
        }
        Written::Now(id) => Answer::See(next(id.map(|id| id.0))),
        Written::Before => Answer::See(next(None)),
    })
}

/// The unit's page, telling what was written.
pub(crate) fn back(here: Here<'_>) -> impl FnOnce(Option<i64>) -> String {
    let link = link(here.unit);
    move |id| id.map_or(link.clone(), |id| format!("{link}?done={id}"))
}

macro_rules! or_answer {
    ($found:expr) => {
        match $found {
            Ok(found) => found,
            Err(answer) => return Ok(answer),
        }
    };
}

fn only(sentence: &str) -> Wrong {
    let mut wrong = Wrong::default();
    wrong.add("", sentence);
    wrong
}

/// The entry that a form names, if it holds and is about this unit.
fn holding<'a>(
    desk: &'a Desk,
    here: Here<'_>,
    form: &Form,
) -> Result<&'a Entry, Wrong> {
    let wanted = form.text("entry");
    units::entries(&desk.loaded.entries, &here)
        .into_iter()
        .find(|entry| entry.id.0.to_string() == wanted)
        .ok_or_else(|| {
            only(
                "That entry was already taken back or replaced, here or \
                 elsewhere.",
            )
        })
}

/// `POST /u/…/undo`
pub(crate) fn undo(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    let here = or_answer!(one(desk, text));
    let entry = form.text("entry").to_owned();
    let held = holding(desk, here, form);
    let begins = held.as_ref().is_ok_and(|e| e.id == here.unit.entry);
    let drafts = held.map(|entry| {
        let with_it = written_with(desk, here, entry);
        with_it
            .into_iter()
            .map(|entry| undoing(desk, entry, "undone on the page"))
            .collect()
    });
    let source = here.unit.source.as_ref();
    let source = source.and_then(|name| here.trial.units.get(name));
    let link = match source.filter(|_| begins) {
        Some(source) => link(source),
        None if begins => "/setup/ledger".to_owned(),
        None => link(here.unit),
    };
    let round = if form.text("round") == "1" { "&round=1" } else { "" };
    write(desk, here, "undo", form, drafts, |_| {
        format!("{link}?undone={entry}{round}")
    })
}

/// An entry, and where it began the unit, the first stay that the same form
/// wrote; newest first.
fn written_with<'a>(
    desk: &'a Desk,
    here: Here<'_>,
    entry: &'a Entry,
) -> Vec<&'a Entry> {
    if entry.id != here.unit.entry {
        return vec![entry];
    }
    units::entries(&desk.loaded.entries, &here)
        .into_iter()
        .filter(|other| other.written == entry.written)
        .collect()
}

/// `POST /u/…/belongs`: the same count, given to another unit.
pub(crate) fn belongs(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    let here = or_answer!(one(desk, text));
    let drafts = given_to(desk, here, form);
    let other = units::find(desk.book(), form.text("other"));
    let to = other.first().map_or(here, |other| *other);
    write(desk, here, "belongs", form, drafts, back(to))
}

fn given_to(
    desk: &Desk,
    here: Here<'_>,
    form: &Form,
) -> Result<Vec<Draft>, Wrong> {
    let entry = holding(desk, here, form)?;
    let Statement::Check(check) = &entry.draft.statement else {
        return Err(only("Only a count can be given to another box."));
    };
    let beside = |sentence: String| {
        let mut wrong = Wrong::default();
        wrong.add("other", sentence);
        wrong
    };
    let typed = form.text("other");
    let found = units::find(desk.book(), typed);
    let other = found
        .iter()
        .find(|other| other.trial.name == here.trial.name)
        .ok_or_else(|| {
            beside(format!(
                "no box of trial {} is called “{}”, and no label reads so",
                here.trial.name,
                crate::observation::shown(typed)
            ))
        })?;
    if other.unit.name == here.unit.name {
        return Err(beside("that is this very box".to_owned()));
    }
    Ok(vec![Draft {
        trial: entry.draft.trial.clone(),
        when: entry.draft.when,
        statement: Statement::Check(Check {
            unit: other.unit.name.clone(),
            by: if check.by.is_empty() {
                entry.by.clone()
            } else {
                check.by.clone()
            },
            ..check.clone()
        }),
        supersedes: Some(entry.id),
        reason: Some("it belongs to another box".to_owned()),
    }])
}

/// `POST /u/…/move`: a stay, and the look that was taken with it.
pub(crate) fn moved(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    let here = or_answer!(one(desk, text));
    let mut reading = Reading::default();
    let note = blind::noted(desk, String::new());
    let statements = move_and_look(desk, here, form, note, &mut reading);
    let drafts = draft_all(desk, here, form, statements, reading.wrong);
    write(desk, here, "move", form, drafts, back(here))
}

fn move_and_look(
    desk: &Desk,
    here: Here<'_>,
    form: &Form,
    note: String,
    reading: &mut Reading,
) -> Vec<Statement> {
    let unit = &here.unit.name;
    let place = Name::new(form.text("place"));
    if place.is_err() {
        reading.wrong.add("place", "say where it goes");
    }
    let stay = Statement::Stay {
        unit: unit.clone(),
        place: place.ok(),
        until: None,
        moist: form.text("moist") != "dry",
        position: reading.text(form, "position"),
    };
    let numbers = Numbers::read(reading, form, "");
    if form.text("looked") == "not" {
        if typed_any(form, "") {
            reading.wrong.add(
                "looked",
                "numbers were typed, so it was looked at: say how",
            );
        }
        return vec![stay];
    }
    let looked = reading.look(form);
    if reading.wrong.is_empty()
        && let Some((field, told)) =
            numbers.against(here.unit, &units::name_of(desk, here.unit))
    {
        reading.wrong.add(field, told);
    }
    vec![numbers.check(unit, looked, note), stay]
}

/// `POST /u/…/mould`
pub(crate) fn mould(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    let here = or_answer!(one(desk, text));
    let mut wrong = Wrong::default();
    let severity = from_word(&Severity::WORDS, form.text("severity"))
        .unwrap_or_else(|_| {
            wrong.add("severity", "say how much was seen");
            Severity::None
        });
    let unit = here.unit.name.clone();
    let said = vec![Statement::Mould { unit, severity }];
    let drafts = draft_all(desk, here, form, said, wrong);
    write(desk, here, "mould", form, drafts, back(here))
}

/// `POST /u/…/close`
pub(crate) fn close(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    let here = or_answer!(one(desk, text));
    let mut reading = Reading::default();
    let mut seeds_of = |name| reading.seeds(form, name);
    let closure = Closure {
        unit: here.unit.name.clone(),
        viable: seeds_of("viable"),
        empty: seeds_of("empty"),
        dead: seeds_of("dead"),
        mouldy: seeds_of("mouldy"),
        lost: seeds_of("lost"),
    };
    let (left, classed) = (here.unit.left(), closure.total());
    if reading.wrong.is_empty() && classed != left {
        let told = if classed < left {
            format!("{} more to class", seeds(left - classed))
        } else {
            format!("{} too many", seeds(classed - left))
        };
        reading.wrong.add(
            "viable",
            format!(
                "{} left and {classed} classed: {told} (what cannot be found \
                 goes under lost)",
                seeds(left)
            ),
        );
    }
    let said = vec![Statement::Closure(closure)];
    let drafts = draft_all(desk, here, form, said, reading.wrong);
    write(desk, here, "close", form, drafts, back(here))
}

fn draft_all(
    desk: &Desk,
    here: Here<'_>,
    form: &Form,
    statements: Vec<Statement>,
    wrong: Wrong,
) -> Result<Vec<Draft>, Wrong> {
    if !wrong.is_empty() {
        return Err(wrong);
    }
    let when = When::exactly(desk.looked_at(form));
    let trial = Some(&here.trial.name);
    Ok(statements
        .into_iter()
        .map(|statement| Draft::new(trial, when, statement))
        .collect())
}
