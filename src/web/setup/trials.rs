//! Set up: trials, each one question and one set of units.

use maud::{Markup, html};

use crate::exchange::columns::factor_name;
use crate::report::words::plain;
use crate::trial::entry::Statement;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::naming::{named, proposed};
use crate::web::setup::sheet::{Fields, Said, Typed, field, when};

pub(super) const KIND: Kind = Kind {
    path: "trials",
    title: "Trials",
    draw,
    read,
    fill,
    next: |form| {
        let next = if form.text("change").is_empty() {
            "/setup/places"
        } else {
            "/setup/trials"
        };
        next.to_owned()
    },
};

fn draw(typed: &Typed<'_>) -> Markup {
    let desk = typed.desk;
    let taken = |name: &str| desk.book().trials.contains_key(name);
    let year = desk.zone().date(desk.now).format("trial-%Y").to_string();
    let fields = html! {
        (typed.text("question", "What do you want to know?",
            "such as “six or twelve weeks of chill?”"))
        (typed.name("name", "Short name",
            &format!("left empty: {}", proposed(&year, taken))))
        (typed.text("planned", "What will be compared",
            "planned factors, such as chill_weeks medium; what was planned \
             beforehand is what a report may be firm about"))
        (typed.when("When it began"))
    };
    html! {
        h1 { "Trials" }
        @if desk.book().trials.is_empty() {
            p { "A trial is one question and one set of batches and \
                containers. It may outlast a winter, and there may be \
                several." }
        }
        ul.rows {
            @for trial in desk.book().trials.values() {
                li { a href={ "/setup?trial=" (trial.name) } {
                    strong { (trial.name) }
                    span.soft { (plain(&trial.question)) " · begun "
                        (desk.zone().shown(&trial.started))
                        @if !trial.planned.is_empty() {
                            " · planned: " (plain(&trial.planned.join(", ")))
                        }
                    }
                } }
            }
        }
        @if typed.change.is_none() { h2 { "A new trial" } }
        (typed.form("trials", "Begin the trial", &fields))
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let taken = |name: &str| desk.book().trials.contains_key(name);
    let year = desk.zone().date(desk.now).format("trial-%Y").to_string();
    let name = named(reading, form, "name", &year, taken);
    let question = reading.text(form, "question");
    let planned: Vec<String> = form
        .text("planned")
        .split([' ', ',', ';'])
        .filter(|word| !word.is_empty())
        .map(str::to_owned)
        .collect();
    // Two with a colon between them: whether one hangs on the other.
    for factor in planned.iter().flat_map(|word| word.split(':')) {
        if let Err(told) = factor_name(factor) {
            reading.wrong.add("planned", told);
        }
    }
    if name.as_ref().is_some_and(|n| taken(n.as_str()))
        && form.text("change").is_empty()
    {
        reading.wrong.add("name", "a trial of this name is there already");
    }
    let when = when(desk, form, reading);
    let Some(name) = name else { return Vec::new() };
    let statement = Statement::Trial { trial: name.clone(), question, planned };
    vec![Said::new("name", Some(&name), when, statement)]
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Trial { trial, question, planned } = statement else {
        return None;
    };
    Some(vec![
        field("name", trial),
        field("question", question),
        field("planned", planned.join(" ")),
    ])
}
