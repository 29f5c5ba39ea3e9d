//! Set up: notes, about a unit, a lot, a place or nothing in particular.

use maud::{Markup, html};

use crate::observation::Name;
use crate::report::words::plain;
use crate::trial::entry::Statement;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::sheet::{
    Choice, Fields, Said, Typed, field, first_a_trial, needed_trial,
    place_choices, trial_field, when,
};

pub(super) const KIND: Kind = Kind {
    path: "notes",
    title: "Notes",
    draw,
    read,
    fill,
    next: |form| format!("/setup/notes?trial={}", form.text("trial")),
};

fn draw(typed: &Typed<'_>) -> Markup {
    let Some(trial) = typed.trial() else {
        return html! { h1 { "Notes" } (first_a_trial()) };
    };
    let named = |name: &Name| (name.to_string(), name.to_string());
    let about: Vec<Choice> =
        std::iter::once((String::new(), "the trial as a whole".to_owned()))
            .chain(trial.units.keys().map(named))
            .chain(trial.lots.keys().map(named))
            .chain(place_choices(typed.desk))
            .collect();
    let fields = html! {
        (trial_field(trial))
        (typed.select("about", "About", &about))
        (typed.text("text", "Note", ""))
        (typed.when("When"))
    };
    html! {
        h1 { "Notes" }
        (typed.trial_switch(trial, "notes"))
        ul.looks {
            @for (about, when, text) in trial.notes.iter().rev().take(50) {
                li { (plain(text))
                    span.soft { " · "
                        @if let Some(about) = about { (about) " · " }
                        (typed.desk.zone().shown(when)) } }
            }
        }
        (typed.form("notes", "Write it down", &fields))
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let Some(trial) = needed_trial(desk, form, reading) else {
        return Vec::new();
    };
    let text = reading.text(form, "text");
    if text.is_empty() {
        reading.wrong.add("text", "write the note");
    }
    let about = match form.text("about") {
        "" => None,
        typed => Name::new(typed)
            .inspect_err(|error| reading.wrong.add("about", error.to_string()))
            .ok(),
    };
    let when = when(desk, form, reading);
    let statement = Statement::Note { about, text };
    vec![Said::new("about", Some(&trial.name), when, statement)]
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Note { about, text } = statement else { return None };
    let about = about.as_ref().map(ToString::to_string).unwrap_or_default();
    Some(vec![field("about", about), field("text", text)])
}
