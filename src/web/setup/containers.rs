//! Set up: one container, and the way to many at once.

use maud::{Markup, html};

use crate::observation::Name;
use crate::trial::book::Trial;
use crate::trial::entry::{Container, Lid, Statement, from_word, word_of};
use crate::trial::unit::Unit;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::batches::{first_stay, told_taken};
use crate::web::setup::naming::named;
use crate::web::setup::sheet::{
    Choice, Fields, Said, Typed, factor_fields, factors, field, first_a_trial,
    needed_trial, trial_field, unit_choices, when,
};
use crate::web::units::link;
use crate::web::words::{called, seeds};

pub(super) const KIND: Kind = Kind {
    path: "containers",
    title: "Containers",
    draw,
    read,
    fill,
    next: |form| format!("/setup/containers?trial={}", form.text("trial")),
};

pub(crate) const LIDS: [(&str, &str); 3] =
    [("closed", "closed"), ("vented", "with a vent"), ("open", "open")];

fn draw(typed: &Typed<'_>) -> Markup {
    let Some(trial) = typed.trial() else {
        return html! { h1 { "Containers" } (first_a_trial()) };
    };
    let fields = html! {
        (trial_field(trial))
        (typed.select("batch", "Sown from", &sources(trial)))
        (typed.number("seeds", "How many seeds", ""))
        (typed.when("When it was sown"))
        @if typed.change.is_none() {
            (typed.first_place())
        }
        (typed.choices("lid", "Its lid is", &LIDS, "closed"))
        (typed.factors(trial, "container"))
        (typed.name("name", "Short name", &format!("left empty: {}",
            next_free(trial, "c", 0))))
    };
    let n = trial.containers().count();
    html! {
        h1 { "Containers" }
        (typed.trial_switch(trial, "containers"))
        p { "A container is the closed box in which seeds lie to germinate." }
        p { a.button.main href={ "/setup/grid?trial=" (trial.name) } {
            "Make many at once" } " "
            @if n > 0 { a.button href={ "/labels?trial=" (trial.name) } {
                "Print labels" } } }
        @if n > 0 {
            details open[n <= 12] {
                summary { "All " (n) " containers" }
                ul.rows {
                    @for unit in trial.containers() { (row(unit)) }
                }
            }
        }
        details open[typed.change.is_some() || !typed.wrong.is_empty()] {
            summary { "One container" }
            (typed.form("containers", "Add the container", &fields))
        }
    }
}

fn row(unit: &Unit) -> Markup {
    html! {
        li { a href=(link(unit)) {
            strong { (called(unit)) }
            span.soft {
                @if let Some(source) = &unit.source { "from " (source) " · " }
                (seeds(unit.left())) " left"
                @if let Some(stay) = unit.last_stay() { " · " (stay.place) }
            }
        } }
    }
}

/// What a container may be sown from.
pub(super) fn sources(trial: &Trial) -> Vec<Choice> {
    let open = trial
        .batches()
        .filter(|unit| unit.closure.is_none() && unit.left() > 0);
    std::iter::once((String::new(), "no batch".to_owned()))
        .chain(unit_choices(open))
        .collect()
}

/// The next free running name: `c07` after `c06`; `skip` further on.
pub(crate) fn next_free(trial: &Trial, prefix: &str, skip: usize) -> String {
    (1_usize..)
        .map(|n| format!("{prefix}{n:02}"))
        .filter(|name| !trial.units.contains_key(name.as_str()))
        .nth(skip)
        .expect("some number is free")
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let Some(trial) = needed_trial(desk, form, reading) else {
        return Vec::new();
    };
    let change = !form.text("change").is_empty();
    let batch = Name::new(form.text("batch")).ok();
    let n_seeds = reading.some_seeds(form, "seeds");
    if let Some(unit) = batch.as_ref().and_then(|name| trial.units.get(name))
        && !change
        && n_seeds > unit.left()
    {
        let told = format!("only {} left in {}", seeds(unit.left()), unit.name);
        reading.wrong.add("seeds", told);
    }
    let lid = from_word(&Lid::WORDS, form.text("lid"));
    if lid.is_err() {
        reading.wrong.add("lid", "say how it is closed");
    }
    let factors = factors(trial, form, reading);
    let taken = |name: &str| trial.units.contains_key(name);
    let free = next_free(trial, "c", 0);
    let name = named(reading, form, "name", &free, taken);
    if name.as_ref().is_some_and(|n| taken(n.as_str())) && !change {
        reading.wrong.add("name", told_taken(trial));
    }
    let when = when(desk, form, reading);
    let (Some(container), Ok(lid)) = (name, lid) else { return Vec::new() };
    let stay = first_stay(trial, &container, when, form, reading);
    let statement = Statement::Container(Container {
        container,
        batch,
        seeds: n_seeds,
        lid,
        label: None,
        factors,
    });
    let made = Said::new("name", Some(&trial.name), when, statement);
    std::iter::once(made).chain(stay).collect()
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Container(container) = statement else { return None };
    let batch = container.batch.as_ref();
    let mut fields = vec![
        field("name", &container.container),
        field("batch", batch.map(ToString::to_string).unwrap_or_default()),
        field("seeds", container.seeds),
        field("lid", word_of(&Lid::WORDS, &container.lid)),
    ];
    fields.extend(factor_fields(&container.factors));
    Some(fields)
}
