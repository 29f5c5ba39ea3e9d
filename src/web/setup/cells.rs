//! Set up: the cells that a board runs on, so that it is told when they are
//! near their end.

use maud::{Markup, html};

use crate::observation::Name;
use crate::trial::entry::{Chemistry, Statement, from_word, word_of};
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::sheet::{
    Choice, Fields, Said, Typed, field, probe_choices, when,
};

pub(super) const KIND: Kind = Kind {
    path: "cells",
    title: "Cells",
    draw,
    read,
    fill,
    next: |_| "/setup/cells".to_owned(),
};

const CHEMISTRIES: [(&str, &str); 3] = [
    ("alkaline", "alkaline"),
    ("lithium", "lithium (not rechargeable)"),
    ("rechargeable", "rechargeable (nickel-metal hydride)"),
];

/// No cell of a board lasts longer, d.
const MOST_DAYS: u32 = 10_000;

fn draw(typed: &Typed<'_>) -> Markup {
    let desk = typed.desk;
    let mut boards: Vec<Choice> = probe_choices(desk)
        .unwrap_or_default()
        .into_iter()
        .filter_map(|(value, _)| {
            let (board, _) = value.split_once('/')?;
            Some((board.to_owned(), board.to_owned()))
        })
        .collect();
    boards.dedup();
    let fields = html! {
        (typed.select("board", "Board", &boards))
        (typed.choices("chemistry", "Its cells are", &CHEMISTRIES, ""))
        (typed.number("volts", "Near the end at, V",
            "left empty: usual for the kind; lithium gives no warning"))
        (typed.number("days", "To be changed after, days",
            "if you know it from the cells before"))
        (typed.when("When they were put in"))
    };
    html! {
        h1 { "Cells" }
        p { "Alkaline cells sag in the cold and sink slowly; lithium cells \
            hold until shortly before their end, so for them days tell more \
            than volts. Use the maker’s limits for cells in the cold." }
        @if boards.is_empty() {
            p { "No board was heard or placed yet. " a href="/setup/boards" {
                "Boards" } }
        } @else {
            (typed.form("cells", "Write it down", &fields))
        }
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let board: Option<Name> = reading.chosen(form, "board", "say which board");
    let chemistry = from_word(&Chemistry::WORDS, form.text("chemistry"));
    if chemistry.is_err() {
        reading.wrong.add("chemistry", "say what they are made of");
    }
    let low_volts = reading.decimal(form, "volts");
    if low_volts.is_some_and(|volts| volts <= 0.0) {
        reading.wrong.add("volts", "this must be above 0");
    }
    let lasts_days = match form.text("days") {
        "" => None,
        typed => {
            let days = typed.parse().ok();
            let days = days.filter(|n: &u32| (1..=MOST_DAYS).contains(n));
            if days.is_none() {
                reading.wrong.add("days", "give a whole number of days");
            }
            days
        }
    };
    let when = when(desk, form, reading);
    let (Some(board), Ok(chemistry)) = (board, chemistry) else {
        return Vec::new();
    };
    let statement =
        Statement::Cells { board, chemistry, low_volts, lasts_days };
    vec![Said::new("board", None, when, statement)]
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Cells { board, chemistry, low_volts, lasts_days } =
        statement
    else {
        return None;
    };
    let days = lasts_days.map(|days| days.to_string()).unwrap_or_default();
    let volts = low_volts.map(|volts| volts.to_string()).unwrap_or_default();
    Some(vec![
        field("board", board),
        field("chemistry", word_of(&Chemistry::WORDS, chemistry)),
        field("volts", volts),
        field("days", days),
    ])
}
