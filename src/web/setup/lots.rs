//! Set up: lots, seeds of one origin.

use maud::{Markup, html};

use crate::report::words::plain;
use crate::trial::entry::{Lot, Statement};
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::naming::named;
use crate::web::setup::sheet::{
    Fields, Said, Typed, factor_fields, factors, field, first_a_trial,
    needed_trial, trial_field, when,
};

pub(super) const KIND: Kind = Kind {
    path: "lots",
    title: "Lots",
    draw,
    read,
    fill,
    next: |form| format!("/setup/lots?trial={}", form.text("trial")),
};

fn draw(typed: &Typed<'_>) -> Markup {
    let Some(trial) = typed.trial() else {
        return html! { h1 { "Lots" } (first_a_trial()) };
    };
    let fields = html! {
        (trial_field(trial))
        (typed.text("species", "Botanical name", "such as Sorbus aucuparia"))
        (typed.text("supplier", "Where the seeds came from",
            "a friend, a shop, the tree by the gate"))
        (typed.text("collected", "When they were collected", "as told"))
        (typed.text("received", "When they arrived", "as told"))
        (typed.text("storage", "How they were kept until now",
            "such as “dry, in paper, cellar”"))
        (typed.name("name", "Short name",
            "left empty: made from where they came from"))
        (typed.factors(trial, "lot"))
    };
    html! {
        h1 { "Lots" }
        (typed.trial_switch(trial, "lots"))
        p { "A lot is seed of one origin: one tree, one packet, one year. \
            Lots answer differently, so keep them apart." }
        ul.rows {
            @for lot in trial.lots.values() {
                li { a href={ "/setup/batches?trial=" (trial.name) "&lot="
                    (lot.lot) } {
                    strong { (lot.lot) }
                    span.soft { (plain(&lot.species))
                        @if !lot.supplier.is_empty() {
                            " · " (plain(&lot.supplier))
                        }
                        " · prepare a batch of it" }
                } }
            }
        }
        @if typed.change.is_none() { h2 { "A new lot" } }
        (typed.form("lots", "Add the lot", &fields))
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let Some(trial) = needed_trial(desk, form, reading) else {
        return Vec::new();
    };
    let taken = |name: &str| trial.lots.contains_key(name);
    let mut text = |name| reading.text(form, name);
    let (species, supplier) = (text("species"), text("supplier"));
    let (collected, received) = (text("collected"), text("received"));
    let storage = text("storage");
    if species.is_empty() {
        reading.wrong.add(
            "species",
            "say what it is, as exactly as you know: “Sorbus, unknown” will \
             do",
        );
    }
    let instead = if supplier.is_empty() { &species } else { &supplier };
    let name = if instead.is_empty() && form.text("name").is_empty() {
        None
    } else {
        named(reading, form, "name", instead, taken)
    };
    if name.as_ref().is_some_and(|n| taken(n.as_str()))
        && form.text("change").is_empty()
    {
        reading.wrong.add("name", "a lot of this name is there already");
    }
    let factors = factors(trial, form, reading);
    let when = when(desk, form, reading);
    let Some(lot) = name else { return Vec::new() };
    let statement = Statement::Lot(Lot {
        lot,
        species,
        supplier,
        collected,
        received,
        storage,
        factors,
    });
    vec![Said::new("name", Some(&trial.name), when, statement)]
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Lot(lot) = statement else { return None };
    let mut fields = vec![
        field("name", &lot.lot),
        field("species", &lot.species),
        field("supplier", &lot.supplier),
        field("collected", &lot.collected),
        field("received", &lot.received),
        field("storage", &lot.storage),
    ];
    fields.extend(factor_fields(&lot.factors));
    Some(fields)
}
