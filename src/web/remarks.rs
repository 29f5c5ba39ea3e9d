//! What is written about one unit beside its counts: a treatment, a note, a
//! seedling followed further.

use maud::{Markup, html};

use crate::store::StoreError;
use crate::trial::entry::{Draft, Statement};
use crate::trial::when::When;
use crate::web::changes::{back, write};
use crate::web::desk::{Answer, Desk};
use crate::web::form::{Form, Reading};
use crate::web::frame::{choices, keys};
use crate::web::setup::naming::named;
use crate::web::setup::{seedlings, treatments};
use crate::web::unit::{Tried, one};
use crate::web::units::{Here, link};

/// The forms on the unit's page.
pub(crate) fn forms(desk: &Desk, here: Here<'_>, tried: &Tried) -> Markup {
    let unit = here.unit;
    html! {
        @if unit.closure.is_none() { (treatment_form(desk, here, tried)) }
        (note_form(desk, here, tried))
        @if unit.germinated() > 0 { (seedling_form(desk, here, tried)) }
    }
}

fn treatment_form(desk: &Desk, here: Here<'_>, tried: &Tried) -> Markup {
    let field = |name, label| tried.field("treat", name, label).text();
    html! {
        details open[tried.is("treat")] {
            summary { "Treatment" }
            form method="post" action={ (link(here.unit)) "/treat" } {
                (tried.told("treat"))
                (keys(&desk.visitor))
                (choices("treat", "treatment", "What was done",
                    &treatments::TREATMENTS,
                    tried.value("treat", "treatment"),
                    tried.of("treat", "treatment")))
                (field("other", "Or in your own word"))
                (field("amount", "How much or how long"))
                (field("note", "Note"))
                (treatments::caution())
                button type="submit" { "Record the treatment" }
            }
        }
    }
}

fn note_form(desk: &Desk, here: Here<'_>, tried: &Tried) -> Markup {
    html! {
        details open[tried.is("note")] {
            summary { "Note" }
            form method="post" action={ (link(here.unit)) "/note" } {
                (tried.told("note"))
                (keys(&desk.visitor))
                (tried.field("note", "text", "Note").text())
                button type="submit" { "Keep the note" }
            }
        }
    }
}

fn seedling_form(desk: &Desk, here: Here<'_>, tried: &Tried) -> Markup {
    let free = seedlings::free(here.trial, here.unit.name.as_str());
    let field = |name, label| tried.field("seedling", name, label);
    html! {
        details open[tried.is("seedling")] {
            summary { "Seedling" }
            form method="post" action={ (link(here.unit)) "/seedling" } {
                (tried.told("seedling"))
                (keys(&desk.visitor))
                (field("name", "Its name").text_with(&html! {
                    " " span.soft {
                        @if !desk.visitor.blind { "left empty: " (free) "; " }
                        "an old name tells how it went on" } }))
                (choices("seedling", "state", "What it is now",
                    &seedlings::STATES, tried.value("seedling", "state"),
                    tried.of("seedling", "state")))
                (field("other", "Or in your own words").text())
                (field("note", "Note").text())
                button type="submit" { "Record the seedling" }
            }
        }
    }
}

/// `POST /u/…/treat`
pub(crate) fn treat(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    recorded(desk, text, form, "treat", |here, reading| {
        let treatment = treatments::treatment(form, reading);
        Some(Statement::Treatment {
            unit: here.unit.name.clone(),
            treatment,
            amount: reading.text(form, "amount"),
            note: reading.text(form, "note"),
        })
    })
}

/// `POST /u/…/note`
pub(crate) fn note(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    recorded(desk, text, form, "note", |here, reading| {
        let text = reading.text(form, "text");
        if text.is_empty() {
            reading.wrong.add("text", "write the note");
        }
        Some(Statement::Note { about: Some(here.unit.name.clone()), text })
    })
}

/// `POST /u/…/seedling`
pub(crate) fn seedling(
    desk: &Desk,
    text: &str,
    form: &Form,
) -> Result<Answer, StoreError> {
    recorded(desk, text, form, "seedling", |here, reading| {
        let free = seedlings::free(here.trial, here.unit.name.as_str());
        let seedling = named(reading, form, "name", &free, |_| false);
        let state = seedlings::state(form, reading);
        Some(Statement::Seedling {
            unit: here.unit.name.clone(),
            seedling: seedling?,
            state,
            note: reading.text(form, "note"),
        })
    })
}

/// One statement about the unit, now.
fn recorded(
    desk: &Desk,
    text: &str,
    form: &Form,
    section: &'static str,
    say: impl FnOnce(Here<'_>, &mut Reading) -> Option<Statement>,
) -> Result<Answer, StoreError> {
    let here = match one(desk, text) {
        Ok(here) => here,
        Err(answer) => return Ok(answer),
    };
    let mut reading = Reading::default();
    let said = say(here, &mut reading);
    let drafts = if reading.wrong.is_empty() {
        let draft = |said| {
            Draft::new(Some(&here.trial.name), When::exactly(desk.now), said)
        };
        Ok(said.map(draft).into_iter().collect())
    } else {
        Err(reading.wrong)
    };
    write(desk, here, section, form, drafts, back(here))
}
