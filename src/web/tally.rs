//! The tally sheet: the round as a table with empty cells, to be printed,
//! and the same as one form that is typed in at once afterwards.
//!
//! A row left empty says nothing; a nought says that somebody looked.

use maud::{Markup, html};

use crate::report::words::plain;
use crate::store::StoreError;
use crate::trial::entry::{Draft, Statement};
use crate::trial::when::When;
use crate::web::blind;
use crate::web::count::{COUNTS, Numbers, typed_any};
use crate::web::desk::{Answer, Desk, Tab, Written};
use crate::web::form::{Form, Reading, Wrong};
use crate::web::frame::{by_field, choices, keys, wrongs};
use crate::web::routes::Asked;
use crate::web::unit::place_title;
use crate::web::units::{self, Here, Stop, walk};
use crate::web::words::n_of;

/// Column heads, in the order of [`COUNTS`].
const HEADS: [&str; 4] =
    ["newly germinated", "mouldy now", "removed, mould", "removed, other"];

/// `GET /tally`, or `/tally?all=1` with units looked at today too.
pub(crate) fn page(desk: &Desk, asked: &Asked) -> Result<Answer, StoreError> {
    let all = asked.text("all") == "1";
    let body = drawn(
        desk,
        all,
        asked.text("done"),
        &Form::default(),
        &Wrong::default(),
    );
    Ok(Answer::page("Tally sheet", Tab::Tally, body))
}

fn drawn(
    desk: &Desk,
    all: bool,
    done: &str,
    typed: &Form,
    wrong: &Wrong,
) -> Markup {
    let stops: Vec<Stop<'_>> =
        walk(desk).into_iter().filter(|stop| all || stop.due).collect();
    let looked = match typed.text("looked") {
        "" => "opened",
        typed => typed,
    };
    let looks = [("opened", "opened"), ("through-lid", "through the lid")];
    let day = desk.zone().date(desk.now);
    html! {
        @if let Ok(n) = done.parse::<u16>() {
            div.message role="status" {
                p { (n_of(n.into(), "look", "looks")) " recorded." }
            }
        }
        h1 { "Tally sheet" span.paper { " " (day) } }
        p.screen { "Print it and take it along when the phone has no \
            network; then type it in here at once. A row left empty says \
            nothing; a 0 says that you looked." }
        @if stops.is_empty() {
            p.state { "Nothing is left to look at today." }
            p { a.button href="/tally?all=1" { "All units" } }
        } @else {
            form method="post" action="/tally" data-keeps="Tally sheet"
                data-by=(desk.visitor.who) {
                (wrongs(wrong))
                (keys(&desk.visitor))
                @if all { input type="hidden" name="all" value="1"; }
                (table(desk, &stops, typed, wrong))
                div.screen.card {
                    (when_field(typed, wrong))
                    (choices("tally", "looked", "Looked", &looks, looked,
                        wrong.of("looked")))
                    (by_field(&desk.visitor, "tally"))
                    button.main type="submit" { "Record all rows" }
                }
            }
            @if !all {
                p.screen { a href="/tally?all=1" {
                    "Also units looked at today" } }
            }
        }
    }
}

fn when_field(typed: &Form, wrong: &Wrong) -> Markup {
    let told = wrong.of("at");
    html! {
        div.field.bad[told.is_some()] {
            label for="tally-at" { "When you looked "
                span.soft { "(empty: just now)" } }
            input id="tally-at" name="at" type="datetime-local"
                value=(typed.text("at"))
                aria-invalid=[told.map(|_| "true")]
                aria-describedby=[told.map(|_| "tally-at-wrong")];
            @if let Some(told) = told {
                p.wrong id="tally-at-wrong" { (told) }
            }
        }
    }
}

/// How a unit is called in the names of its fields.
fn code(here: Here<'_>) -> String {
    units::link(here.unit).trim_start_matches("/u/").to_owned()
}

fn table(
    desk: &Desk,
    stops: &[Stop<'_>],
    typed: &Form,
    wrong: &Wrong,
) -> Markup {
    html! {
        table.tally {
            thead {
                tr {
                    th scope="col" { "box" }
                    th.n scope="col" { "left" }
                    @for head in HEADS { th.n scope="col" { (head) } }
                    th scope="col" { "note" }
                }
            }
            @for here in stops.chunk_by(|a, b| a.place == b.place) {
                tbody {
                    tr.place { th colspan="7" scope="rowgroup" {
                        @match here.first().and_then(|stop| stop.place) {
                            Some(place) => {
                                (place_title(desk, place.as_str()))
                            }
                            None => { "No place recorded" }
                        }
                    } }
                    @for stop in here { (row(desk, stop, typed, wrong)) }
                }
            }
        }
    }
}

fn row(desk: &Desk, stop: &Stop<'_>, typed: &Form, wrong: &Wrong) -> Markup {
    let unit = stop.here.unit;
    let called = units::name_of(desk, unit);
    let blind = desk.visitor.blind;
    let code = code(stop.here);
    let told: Vec<&str> = COUNTS
        .iter()
        .chain(&["note", ""])
        .filter_map(|name| wrong.of(&format!("{code}.{name}")))
        .collect();
    let about = format!("{code}-wrong");
    let cell = |name: &str, head: &str, mode: Option<&str>| {
        let field = format!("{code}.{name}");
        html! {
            input name=(field) type="text" inputmode=[mode]
                aria-label={ (called) ", " (head) } autocomplete="off"
                maxlength="2000" value=(typed.text(&field))
                aria-invalid=[wrong.of(&field).map(|_| "true")]
                aria-describedby=[(!told.is_empty()).then_some(&about)];
        }
    };
    html! {
        tr.bad[!told.is_empty()] {
            th scope="row" {
                (called)
                @if let Some(label) = unit.label.filter(|_| !blind) {
                    " " span.label { (label) }
                }
                @if !stop.position.is_empty() {
                    " " span.soft { (plain(stop.position)) }
                }
                input type="hidden" name="row" value=(code);
                @if !told.is_empty() {
                    p.wrong id=(about) { (told.join("; ")) }
                }
            }
            td.n data-label="left" { (unit.left()) }
            @for (name, head) in COUNTS.iter().zip(HEADS) {
                td.n data-label=(head) { (cell(name, head, Some("numeric"))) }
            }
            td.note data-label="note" { (cell("note", "note", None)) }
        }
    }
}

/// `POST /tally`: every row in which something was typed, all or nothing.
pub(crate) fn record(desk: &Desk, form: &Form) -> Result<Answer, StoreError> {
    let mut reading = Reading::default();
    let looked = reading.look(form);
    let when = match form.text("at") {
        "" => When::exactly(desk.now),
        typed => desk.zone().parse_when(typed).unwrap_or_else(|told| {
            reading.wrong.add("at", told);
            When::exactly(desk.now)
        }),
    };
    if when.at > desk.now {
        reading.wrong.add("at", "this is in the future");
    }
    let mut drafts = Vec::new();
    let mut codes = Vec::new();
    for code in form.all("row") {
        let before = format!("{code}.");
        let note = reading.text(form, &format!("{before}note"));
        let counted = typed_any(form, &before);
        if !counted && note.is_empty() {
            continue;
        }
        let found = units::find(desk.book(), code);
        let [here] = found.as_slice() else {
            reading.wrong.add("", format!("no unit has the label {code}"));
            continue;
        };
        if !counted {
            reading.wrong.add(
                &format!("{before}new"),
                "a note without a count: type 0 if nothing was new",
            );
        }
        let numbers = Numbers::read(&mut reading, form, &before);
        let called = units::name_of(desk, here.unit);
        if let Some((field, told)) = numbers.against(here.unit, &called) {
            reading.wrong.add(&format!("{before}{field}"), told);
        }
        drafts.push(Draft::new(
            Some(&here.trial.name),
            when,
            numbers.check(&here.unit.name, looked, blind::noted(desk, note)),
        ));
        codes.push(code);
    }
    if drafts.is_empty() && reading.wrong.is_empty() {
        reading.wrong.add("", "No row was filled in.");
    }
    if desk.was_written(form)? {
        return Ok(Answer::See("/tally".to_owned()));
    }
    if reading.wrong.is_empty() {
        match desk.record(&drafts, form)? {
            Written::Now(_) | Written::Before => {
                let n = drafts.iter().filter(is_check).count();
                return Ok(Answer::See(format!("/tally?done={n}")));
            }
            Written::Refused(refused) => {
                for (index, told) in refused {
                    let code = codes.get(index).copied().unwrap_or_default();
                    let told = blind::worded(desk, &told);
                    reading.wrong.add(&format!("{code}."), told);
                }
            }
        }
    }
    let all = form.text("all") == "1";
    let body = drawn(desk, all, "", form, &reading.wrong);
    Ok(Answer::wrong("Tally sheet", Tab::Tally, body))
}

fn is_check(draft: &&Draft) -> bool {
    matches!(draft.statement, Statement::Check(_))
}
