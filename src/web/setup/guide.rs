//! Set up: the way in. A newcomer is led from the first trial to the first
//! containers in five steps, without any board; later it is the list of all
//! that can be set up.

use maud::{Markup, html};

use crate::report::words::plain;
use crate::store::StoreError;
use crate::trial::book::Trial;
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::routes::Asked;
use crate::web::setup::sheet::trial_of;
use crate::web::words::n_of;

/// A step of the beginning.
struct Step {
    path: &'static str,
    name: &'static str,
    what: &'static str,
    done: bool,
}

fn steps(desk: &Desk) -> [Step; 5] {
    let book = desk.book();
    let any = |has: fn(&Trial) -> bool| book.trials.values().any(has);
    [
        Step {
            path: "trials",
            name: "A trial",
            what: "the question you ask",
            done: !book.trials.is_empty(),
        },
        Step {
            path: "places",
            name: "Places",
            what: "where seeds are chilled and germinate",
            done: !book.house.places.is_empty(),
        },
        Step {
            path: "lots",
            name: "Lots",
            what: "where the seeds came from",
            done: any(|trial| !trial.lots.is_empty()),
        },
        Step {
            path: "batches",
            name: "Batches",
            what: "what is prepared together, such as a bag in the fridge",
            done: any(|trial| trial.batches().next().is_some()),
        },
        Step {
            path: "containers",
            name: "Containers",
            what: "the closed boxes in which seeds lie to germinate",
            done: any(|trial| trial.containers().next().is_some()),
        },
    ]
}

/// On top of a page of the beginning: which step this is, and the next.
pub(super) fn bar(desk: &Desk, path: &str) -> Markup {
    let steps = steps(desk);
    let path = if path == "grid" { "containers" } else { path };
    let here = steps.iter().position(|step| step.path == path);
    let finished = steps.iter().all(|step| step.done);
    let Some(here) = here.filter(|_| !finished) else {
        return html! { p.kicker { a href="/setup" { "Set up" } } };
    };
    html! {
        p.kicker { a href="/setup" { "Set up" } " · step " (here + 1) " of "
            (steps.len()) }
        @if let (true, Some(next)) = (steps[here].done, steps.get(here + 1)) {
            p { a.button.main href={ "/setup/" (next.path) } {
                "Go on: " (next.name.to_lowercase()) } " "
                span.soft { "or add another below" } }
        }
    }
}

/// `GET /setup`
pub(super) fn page(desk: &Desk, asked: &Asked) -> Result<Answer, StoreError> {
    let steps = steps(desk);
    let finished = steps.iter().all(|step| step.done);
    let body = html! {
        h1 { "Set up" }
        @if !finished { (beginning(&steps)) }
        (of_trial(desk, asked))
        (of_house(desk))
        h2 { "Written so far" }
        ul.rows {
            (link("/setup/ledger", "Ledger",
                &format!("{}, each to be corrected or taken back",
                    count(desk.loaded.entries.len(), "entry", "entries"))))
        }
    };
    Ok(Answer::page("Set up", Tab::SetUp, body))
}

fn beginning(steps: &[Step]) -> Markup {
    let next = steps.iter().find(|step| !step.done);
    html! {
        p { "Five steps to the first count. No board is needed: counting \
            works from the first evening, and batches may be weeks in the \
            cold already." }
        ol.steps {
            @for step in steps {
                li { a href={ "/setup/" (step.path) } { strong { (step.name) } }
                    span.soft { ": " (step.what)
                        @if step.done { " · done" } } }
            }
        }
        @if let Some(next) = next {
            p { a.button.main href={ "/setup/" (next.path) } {
                @if next.path == "trials" { "Begin: a trial" }
                @else { "Go on: " (next.name.to_lowercase()) }
            } }
        }
    }
}

fn link(to: &str, name: &str, what: &str) -> Markup {
    html! {
        li { a href=(to) { strong { (name) } span.soft { (what) } } }
    }
}

fn count(n: usize, one: &str, many: &str) -> String {
    n_of(u64::try_from(n).unwrap_or_default(), one, many)
}

fn of_trial(desk: &Desk, asked: &Asked) -> Markup {
    let Some(trial) = trial_of(desk, asked) else { return html! {} };
    let at = |path: &str| format!("/setup/{path}?trial={}", trial.name);
    let others: Vec<&Trial> = desk
        .book()
        .trials
        .values()
        .filter(|other| other.name != trial.name)
        .collect();
    html! {
        h2 { "Trial " (trial.name) }
        @if !trial.question.is_empty() { p { (plain(&trial.question)) } }
        ul.rows {
            (link(&at("lots"), "Lots", &count(trial.lots.len(), "lot", "lots")))
            (link(&at("batches"), "Batches",
                &count(trial.batches().count(), "batch", "batches")))
            (link(&at("containers"), "Containers",
                &count(trial.containers().count(), "container",
                    "containers")))
            (link(&at("grid"), "Many containers at once",
                "so many for each batch at each place"))
            (link(&at("treatments"), "Treatments",
                "soaked, scarified, warmed, disinfected"))
            (link(&at("seedlings"), "Seedlings", "followed further"))
            (link(&at("notes"), "Notes", &count(trial.notes.len(), "note",
                "notes")))
            (link(&format!("/labels?trial={}", trial.name), "Labels",
                "to print and cut out"))
        }
        @if !others.is_empty() {
            p { "Other trials: "
                @for (i, other) in others.iter().enumerate() {
                    @if i > 0 { ", " }
                    a href={ "/setup?trial=" (other.name) } { (other.name) }
                } }
        }
        p { a.button href="/setup/trials" { "All trials, and a new one" } }
    }
}

fn of_house(desk: &Desk) -> Markup {
    let house = &desk.book().house;
    html! {
        h2 { "The house" }
        ul.rows {
            (link("/setup/places", "Places",
                &count(house.places.len(), "place", "places")))
            (link("/setup/boards", "Boards",
                "seen without a place; placed, moved, taken away"))
            (link("/setup/mains", "Which board speaks",
                "one probe for each place and quantity"))
            (link("/setup/watches", "Watches",
                &count(house.watches.len(), "range kept", "ranges kept")))
            (link("/setup/calibrations", "Calibrations",
                &count(house.calibrations.len(), "calibration",
                    "calibrations")))
            (link("/setup/cells", "Cells", "what a board runs on"))
            (link("/setup/excluded", "Excluded windows",
                "readings left out of every sum"))
            (link("/setup/climate", "Hand readings",
                "a thermometer that you read yourself"))
        }
    }
}
