//! Set up: seedlings followed further, and what became of them.

use maud::{Markup, html};

use crate::observation::Name;
use crate::report::words::plain;
use crate::trial::book::Trial;
use crate::trial::entry::Statement;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::naming::named;
use crate::web::setup::sheet::{
    Choice, Fields, Said, Typed, field, first_a_trial, needed_trial,
    trial_field, when,
};

pub(super) const KIND: Kind = Kind {
    path: "seedlings",
    title: "Seedlings",
    draw,
    read,
    fill,
    next: |form| format!("/setup/seedlings?trial={}", form.text("trial")),
};

/// What a seedling may have come to.
pub(crate) const STATES: [(&str, &str); 5] = [
    ("cotyledons", "seed leaves"),
    ("two-leaves", "two true leaves"),
    ("potted", "potted"),
    ("planted", "planted out"),
    ("died", "died"),
];

fn draw(typed: &Typed<'_>) -> Markup {
    let Some(trial) = typed.trial() else {
        return html! { h1 { "Seedlings" } (first_a_trial()) };
    };
    let germinated = trial.units.values().filter(|unit| unit.germinated() > 0);
    let units: Vec<Choice> = germinated
        .map(|unit| {
            let words =
                format!("{} ({} germinated)", unit.name, unit.germinated());
            (unit.name.to_string(), words)
        })
        .collect();
    let fields = html! {
        (trial_field(trial))
        (typed.select("unit", "It germinated in", &units))
        (typed.text("name", "Its name",
            "left empty: a new one; an old name tells how it went on"))
        (typed.choices("state", "What it is now", &STATES, ""))
        (typed.text("other", "Or in your own words", ""))
        (typed.text("note", "Note", ""))
        (typed.when("When"))
    };
    html! {
        h1 { "Seedlings" }
        (typed.trial_switch(trial, "seedlings"))
        ul.looks {
            @for (name, unit, when, state, note) in trial.seedlings.iter()
                .rev() {
                li { strong { (name) } span.soft { " from " (unit) } ": "
                    (plain(state))
                    span.soft { " · " (typed.desk.zone().shown(when))
                        @if !note.is_empty() { " · " (plain(note)) } } }
            }
        }
        @if units.is_empty() {
            p { "No seed of this trial has germinated yet." }
        } @else {
            (typed.form("seedlings", "Write it down", &fields))
        }
    }
}

/// The next free name: `r03-s1`, then `r03-s2`.
pub(crate) fn free(trial: &Trial, unit: &str) -> String {
    (1..)
        .map(|n| {
            let tail = format!("-s{n}");
            let most = unit.len().min(40 - tail.len());
            format!("{}{tail}", &unit[..most])
        })
        .find(|name| {
            trial.seedlings.iter().all(|(known, ..)| known.as_str() != name)
        })
        .expect("some number is free")
}

/// The state of a form: one of the words, or the grower's own.
pub(crate) fn state(form: &Form, reading: &mut Reading) -> String {
    let own = reading.text(form, "other");
    let state =
        if own.is_empty() { form.text("state").to_owned() } else { own };
    if state.is_empty() {
        reading.wrong.add("state", "say what it is now");
    }
    state
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let Some(trial) = needed_trial(desk, form, reading) else {
        return Vec::new();
    };
    let typed = form.text("name");
    let known =
        trial.seedlings.iter().find(|(name, ..)| name.as_str() == typed);
    // One that is known stays with the box it came from.
    let unit = match known {
        Some((_, unit, ..)) => Some(unit.clone()),
        None => Name::new(form.text("unit")).ok(),
    };
    if unit.is_none() {
        reading.wrong.add("unit", "say in which box it germinated");
    }
    let instead = unit
        .as_ref()
        .map(|unit| free(trial, unit.as_str()))
        .unwrap_or_default();
    let seedling = named(reading, form, "name", &instead, |_| false);
    let state = state(form, reading);
    let note = reading.text(form, "note");
    let when = when(desk, form, reading);
    let (Some(unit), Some(seedling)) = (unit, seedling) else {
        return Vec::new();
    };
    let statement = Statement::Seedling { unit, seedling, state, note };
    vec![Said::new("unit", Some(&trial.name), when, statement)]
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Seedling { unit, seedling, state, note } = statement else {
        return None;
    };
    let known = STATES.iter().any(|(word, _)| word == state);
    Some(vec![
        field("unit", unit),
        field("name", seedling),
        field(if known { "state" } else { "other" }, state),
        field("note", note),
    ])
}
