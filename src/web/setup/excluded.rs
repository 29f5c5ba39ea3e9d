//! Set up: windows in which a probe's readings are left out of every sum.

use maud::{Markup, html};

use crate::report::words::plain;
use crate::trial::entry::{QuantityWord, Statement};
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::sheet::{
    Fields, Said, Typed, field, probe_choices, quantity_choices, when_fields,
    when_of,
};
use crate::web::words::moment;

pub(super) const KIND: Kind = Kind {
    path: "excluded",
    title: "Excluded windows",
    draw,
    read,
    fill,
    next: |_| "/setup/excluded".to_owned(),
};

fn draw(typed: &Typed<'_>) -> Markup {
    let desk = typed.desk;
    let probes = probe_choices(desk).unwrap_or_default();
    let mut quantities = vec![(String::new(), "everything".to_owned())];
    quantities.extend(quantity_choices());
    let fields = html! {
        (typed.select("board", "Board and probe", &probes))
        (typed.select("quantity", "What it measures", &quantities))
        (typed.when_of("", "From", "A day alone means its evening."))
        (typed.when_of("until-", "Until", "Left empty: now."))
        (typed.text("reason", "The reason",
            "such as “out of the fridge for the salt test”"))
    };
    html! {
        h1 { "Excluded windows" }
        p { "Readings taken while a probe was elsewhere or tampered with: \
            they are kept, but left out of every dose; the hours then count \
            as missing." }
        ul.looks {
            @for window in &desk.book().house.excluded {
                li { a href={ "/setup/entry/" (window.entry.0) } {
                    (window.board) "/" (window.probe) }
                    @if let Some(quantity) = window.quantity {
                        " " (quantity.word()) }
                    ": " (moment(desk.zone(), desk.now, window.from)) " to "
                    (moment(desk.zone(), desk.now, window.until))
                    span.soft { " · " (plain(&window.why)) }
                }
            }
        }
        @if probes.is_empty() {
            p { "No board was heard or placed yet. " a href="/setup/boards" {
                "Boards" } }
        } @else {
            (typed.form("excluded", "Leave it out", &fields))
        }
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let probe = reading.probe(form, "board");
    let quantity = match form.text("quantity") {
        "" => None,
        _ => reading.quantity(form, "quantity").map(QuantityWord),
    };
    let from = when_of(desk, form, reading, "");
    let until = when_of(desk, form, reading, "until-")
        .unwrap_or(crate::trial::when::When::exactly(desk.now));
    let why = reading.text(form, "reason");
    if why.is_empty() {
        reading.wrong.add("reason", "say in a few words why");
    }
    if from.is_none() && reading.wrong.of("on").is_none() {
        reading.wrong.add("on", "say from when");
    }
    if from.is_some_and(|from| from.at >= until.at) {
        reading.wrong.add("until-on", "this must be after the beginning");
    }
    let (Some((board, probe)), Some(from)) = (probe, from) else {
        return Vec::new();
    };
    let statement = Statement::Excluded { board, probe, quantity, until, why };
    vec![Said::new("on", None, from, statement)]
}

fn fill(desk: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Excluded { board, probe, quantity, until, why } = statement
    else {
        return None;
    };
    let mut fields = vec![
        field("board", format!("{board}/{probe}")),
        field("quantity", quantity.map(String::from).unwrap_or_default()),
        field("reason", why),
    ];
    fields.extend(when_fields(desk, "until-", until));
    Some(fields)
}
