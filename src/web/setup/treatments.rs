//! Set up: something done to one unit or to several at once.

use maud::{Markup, html};

use crate::observation::Name;
use crate::trial::entry::Statement;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::sheet::{
    Fields, Said, Typed, field, first_a_trial, needed_trial, trial_field, when,
};

pub(super) const KIND: Kind = Kind {
    path: "treatments",
    title: "Treatments",
    draw,
    read,
    fill,
    next: |form| format!("/setup/treatments?trial={}", form.text("trial")),
};

/// Treatments that have a word of the trade.
pub(crate) const TREATMENTS: [(&str, &str); 5] = [
    ("soak", "soak"),
    ("scarify", "scarify"),
    ("warm-phase", "warm phase"),
    ("disinfect", "disinfect"),
    ("leach", "leach"),
];

/// What goes with anything poured over seeds.
pub(crate) fn caution() -> Markup {
    html! {
        p.soft { "For anything from a bottle its label is the law; nothing \
            is recommended here. Keep treated seed sealed, labelled, and \
            away from food, children and animals. Take boards out before \
            solvents are used near them." }
    }
}

fn draw(typed: &Typed<'_>) -> Markup {
    let Some(trial) = typed.trial() else {
        return html! { h1 { "Treatments" } (first_a_trial()) };
    };
    let open = || trial.units.values().filter(|unit| unit.closure.is_none());
    let chosen = |name: &str| typed.form.all("unit").any(|u| u == name);
    let fields = html! {
        (trial_field(trial))
        fieldset.choices {
            legend { "Which" }
            @for unit in open() {
                @let id = format!("set-unit-{}", unit.name);
                div.choice {
                    input id=(id) type="checkbox" name="unit"
                        value=(unit.name) checked[chosen(unit.name.as_str())];
                    label for=(id) { (unit.name) }
                }
            }
            @if let Some(wrong) = typed.wrong.of("unit") {
                p.wrong { (wrong) }
            }
        }
        (typed.choices("treatment", "What was done", &TREATMENTS, ""))
        (typed.text("other", "Or in your own word", "such as rinse"))
        (typed.text("amount", "How much or how long", "such as 24 h"))
        (typed.text("note", "Note", ""))
        (typed.when("When"))
        (caution())
    };
    html! {
        h1 { "Treatments" }
        (typed.trial_switch(trial, "treatments"))
        @for unit in trial.units.values() {
            @if !unit.treatments.is_empty() {
                p { strong { (unit.name) } ": "
                    @for (i, done) in unit.treatments.iter().enumerate() {
                        @if i > 0 { ", " }
                        a href={ "/setup/entry/" (done.entry.0) } {
                            (crate::report::words::plain(&done.treatment)) }
                        " " (crate::report::words::plain(&done.amount))
                    } }
            }
        }
        @if open().next().is_none() {
            p { "There is no open unit in this trial." }
        } @else {
            (typed.form("treatments", "Write it down", &fields))
        }
    }
}

/// The treatment of a form: one of the words, or one of the grower's.
pub(crate) fn treatment(form: &Form, reading: &mut Reading) -> String {
    let own = reading.text(form, "other");
    let chosen =
        if own.is_empty() { form.text("treatment").to_owned() } else { own };
    if chosen.is_empty() {
        reading.wrong.add("treatment", "say what was done");
    }
    chosen
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let Some(trial) = needed_trial(desk, form, reading) else {
        return Vec::new();
    };
    let treatment = treatment(form, reading);
    let (amount, note) =
        (reading.text(form, "amount"), reading.text(form, "note"));
    let units: Vec<Name> =
        form.all("unit").filter_map(|name| Name::new(name).ok()).collect();
    if units.is_empty() {
        reading.wrong.add("unit", "tick at least one batch or container");
    }
    let when = when(desk, form, reading);
    units
        .into_iter()
        .map(|unit| {
            let statement = Statement::Treatment {
                unit,
                treatment: treatment.clone(),
                amount: amount.clone(),
                note: note.clone(),
            };
            Said::new("unit", Some(&trial.name), when, statement)
        })
        .collect()
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Treatment { unit, treatment, amount, note } = statement
    else {
        return None;
    };
    let known = TREATMENTS.iter().any(|(word, _)| word == treatment);
    Some(vec![
        field("unit", unit),
        field(if known { "treatment" } else { "other" }, treatment),
        field("amount", amount),
        field("note", note),
    ])
}
