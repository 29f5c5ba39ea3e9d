//! Set up: calibrations, from an instant on; given as gain and offset, or as
//! what a probe showed beside what was true.

use maud::{Markup, html};

use crate::report::words::number;
use crate::trial::entry::{QuantityWord, Statement};
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::sheet::{
    Fields, Said, Typed, field, probe_choices, quantity_choices, when,
};

pub(super) const KIND: Kind = Kind {
    path: "calibrations",
    title: "Calibrations",
    draw,
    read,
    fill,
    next: |_| "/setup/calibrations".to_owned(),
};

fn draw(typed: &Typed<'_>) -> Markup {
    let desk = typed.desk;
    let probes = probe_choices(desk).unwrap_or_default();
    let fields = html! {
        (typed.select("board", "Board and probe", &probes))
        (typed.select("quantity", "What it measures", &quantity_choices()))
        div.numbers {
            (typed.number("shown", "It showed", ""))
            (typed.number("true", "True was", ""))
        }
        p.soft { "One pair of values gives an offset. Or, from two or more \
            pairs worked out elsewhere: true = gain × shown + offset." }
        div.numbers {
            (typed.number("gain", "Gain", "empty: 1"))
            (typed.number("offset", "Offset", "empty: 0"))
        }
        (typed.text("note", "How it was found",
            "such as “beside a thermometer in melting ice, 2 h”"))
        (typed.when("From when on it holds"))
    };
    html! {
        h1 { "Calibrations" }
        p { "Raw readings are never changed; a calibration is applied when \
            they are read, from its instant on." }
        ul.looks {
            @for calibration in &desk.book().house.calibrations {
                li { a href={ "/setup/entry/" (calibration.entry.0) } {
                    (calibration.series.board) "/" (calibration.series.probe)
                    " " (calibration.series.quantity.word()) }
                    ": true = "
                    @if (calibration.gain - 1.0).abs() >= 5e-5 {
                        (number(calibration.gain, 4)) " × "
                    }
                    "shown "
                    (if calibration.offset < 0.0 { "− " } else { "+ " })
                    (number(calibration.offset.abs(), 3))
                    span.soft { " from "
                        (desk.zone().shown(&calibration.from)) }
                }
            }
        }
        @if probes.is_empty() {
            p { "No board was heard or placed yet. " a href="/setup/boards" {
                "Boards" } }
        } @else {
            (typed.form("calibrations", "Write it down", &fields))
        }
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let probe = reading.probe(form, "board");
    let quantity = reading.quantity(form, "quantity");
    let (shown, true_value) =
        (reading.decimal(form, "shown"), reading.decimal(form, "true"));
    let (gain, offset) =
        (reading.decimal(form, "gain"), reading.decimal(form, "offset"));
    if shown.is_some() != true_value.is_some() {
        let missing = if shown.is_some() { "true" } else { "shown" };
        reading.wrong.add(missing, "give both of the pair, or neither");
    }
    if shown.is_some() && (gain.is_some() || offset.is_some()) {
        reading.wrong.add(
            "offset",
            "give either what it showed and what was true, or gain and \
             offset",
        );
    }
    if gain.is_some_and(|gain| gain <= 0.0) {
        reading.wrong.add("gain", "the gain must be above 0");
    }
    if [shown, true_value, gain, offset].iter().all(Option::is_none)
        && reading.wrong.is_empty()
    {
        reading.wrong.add("shown", "say what it showed and what was true");
    }
    let note = reading.text(form, "note");
    let when = when(desk, form, reading);
    let (Some((board, probe)), Some(quantity)) = (probe, quantity) else {
        return Vec::new();
    };
    let pair = shown.zip(true_value).map(|(shown, right)| right - shown);
    let statement = Statement::Calibration {
        board,
        probe,
        quantity: QuantityWord(quantity),
        gain: gain.unwrap_or(1.0),
        offset: pair.or(offset).unwrap_or(0.0),
        note,
    };
    vec![Said::new("offset", None, when, statement)]
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Calibration { board, probe, quantity, gain, offset, note } =
        statement
    else {
        return None;
    };
    Some(vec![
        field("board", format!("{board}/{probe}")),
        field("quantity", quantity.0.word()),
        field("gain", gain),
        field("offset", offset),
        field("note", note),
    ])
}
