//! Labels on a page, ready for the printer: which units, on what sheet, and
//! a warning when the address on them will not last.

use maud::{Markup, PreEscaped, html};

use crate::labels::address::warning;
use crate::labels::sheet::{Grid, sheets};
use crate::labels::{Tag, tag};
use crate::store::StoreError;
use crate::trial::book::Trial;
use crate::trial::unit::Unit;
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::form::{Reading, Wrong};
use crate::web::frame::{Field, wrongs};
use crate::web::routes::Asked;
use crate::web::setup::sheet::{first_a_trial, trial_of};
use crate::web::words::called;

/// `GET /labels`
pub(crate) fn page(desk: &Desk, asked: &Asked) -> Result<Answer, StoreError> {
    let body = match trial_of(desk, asked) {
        None => html! { h1 { "Labels" } (first_a_trial()) },
        Some(trial) => of_trial(desk, asked, trial),
    };
    Ok(Answer::page("Labels", Tab::SetUp, body))
}

fn of_trial(desk: &Desk, asked: &Asked, trial: &Trial) -> Markup {
    let chosen: Vec<&Unit> =
        trial.units.values().filter(|unit| is_chosen(asked, unit)).collect();
    let mut wrong = Wrong::default();
    let grid = grid(asked, &mut wrong);
    let base = desk.base_url();
    let zone = desk.zone();
    let tags: Vec<Tag> = chosen
        .iter()
        .map(|unit| tag(trial, unit, base.as_deref(), |when| zone.shown(when)))
        .collect();
    let drawn = grid.map(|grid| sheets(&tags, &grid));
    if let Some(Err(error)) = &drawn {
        wrong.add("rows", error.to_string());
    }
    html! {
        div.screen {
            h1 { "Labels" }
            @if let Some(warning) = warning(base.as_deref()) {
                p.message.trouble role="alert" { (warning) }
            }
            (options(desk, asked, trial, &wrong))
            p { strong { (tags.len()) " labels." } " Print this page on A4 \
                at 100 %, without the browser’s own margins, first on plain \
                paper. The letters have a check letter: a single wrong one, \
                or two that changed places, is noticed when they are typed." }
        }
        @if let Some(Ok(sheets)) = drawn {
            @for sheet in sheets { (PreEscaped(sheet)) }
        }
    }
}

/// All open units, or those that are ticked.
fn is_chosen(asked: &Asked, unit: &Unit) -> bool {
    if asked.text("some") == "1" {
        asked.all("unit").any(|name| name == unit.name.as_str())
    } else {
        unit.closure.is_none()
    }
}

fn grid(asked: &Asked, wrong: &mut Wrong) -> Option<Grid> {
    let mut reading = Reading::default();
    let mut number = |name: &'static str, begin: usize| {
        if asked.text(name).is_empty() {
            return begin;
        }
        let n = reading.seeds(asked, name);
        usize::try_from(n).unwrap_or(usize::MAX)
    };
    let (rows, columns) = (number("rows", 8), number("columns", 3));
    let skip = number("skip", 0);
    let cut = asked.text("some") != "1" || asked.text("cut") == "1";
    for name in ["rows", "columns", "skip"] {
        if reading.wrong.of(name).is_some() {
            wrong.add(name, "type a whole number");
        }
    }
    let mut margins = Reading::default();
    let margin = margins.decimal(asked, "margin");
    if let Some(told) = margins.wrong.of("margin") {
        wrong.add("margin", told);
    }
    let margin = margin.unwrap_or(if cut { 10.0 } else { 0.0 });
    let grid = Grid { rows, columns, margin, cut, skip };
    wrong.is_empty().then_some(grid)
}

fn options(desk: &Desk, asked: &Asked, trial: &Trial, wrong: &Wrong) -> Markup {
    let field = |name: &'static str, label: &'static str, begin: &str| {
        let value = match asked.text(name) {
            "" => begin,
            typed => typed,
        };
        Field { section: "labels", name, label, value, wrong: wrong.of(name) }
            .number()
    };
    let cut = asked.text("some") != "1" || asked.text("cut") == "1";
    let several = desk.book().trials.len() > 1;
    html! {
        form.card method="get" action="/labels" {
            (wrongs(wrong))
            input type="hidden" name="trial" value=(trial.name);
            input type="hidden" name="some" value="1";
            @if several { p { "Trial " strong { (trial.name) } } }
            div.numbers {
                (field("rows", "Rows", "8"))
                (field("columns", "Columns", "3"))
                (field("skip", "Already used on the first sheet", "0"))
                (field("margin", "Edge of the paper, mm", ""))
            }
            div.choice {
                input id="labels-cut" type="checkbox" name="cut" value="1"
                    checked[cut];
                label for="labels-cut" { "lines to cut along (plain paper)" }
            }
            details {
                summary { "Which units" }
                ul.ticks { @for unit in trial.units.values() {
                    @let id = format!("labels-{}", unit.name);
                    li {
                        input id=(id) type="checkbox" name="unit"
                            value=(unit.name) checked[is_chosen(asked, unit)];
                        label for=(id) { (called(unit)) }
                    }
                } }
            }
            button type="submit" { "Show the sheet" }
        }
    }
}
