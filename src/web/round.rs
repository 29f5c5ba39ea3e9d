//! The round: what to look at today, by place, in the order of a walk; and
//! "all others here: looked, nothing new", with the list shown first.

use maud::{Markup, html};

use crate::observation::Name;
use crate::report::words::plain;
use crate::store::StoreError;
use crate::trial::entry::{Draft, Look};
use crate::trial::when::When;
use crate::units::Instant;
use crate::web::blind;
use crate::web::count::{Numbers, whole};
use crate::web::desk::{Answer, Desk, Tab, Written};
use crate::web::form::{Form, Reading, Wrong};
use crate::web::frame::{by_field, choices, keys, wrongs};
use crate::web::routes::Asked;
use crate::web::unit::{done, place_title};
use crate::web::units::{self, Here, Stop, link, name_of, walk};
use crate::web::words::{last_time, n_of};

const TITLE: &str = "Round";

/// `GET /round`
pub(crate) fn page(desk: &Desk, asked: &Asked) -> Result<Answer, StoreError> {
    let stops = walk(desk);
    let due: Vec<&Stop<'_>> = stops.iter().filter(|stop| stop.due).collect();
    let seen = stops.len() - due.len();
    let body = html! {
        (done(desk, asked.text("done"), false))
        h1 { "Today’s round" }
        (blind::told(desk))
        (find_form())
        @match due.first() {
            None if stops.is_empty() => {
                p { "No open unit holds seeds." }
                p { a.button.main href="/setup" { "Set up" } }
            }
            None => {
                p.state { "All " (stops.len())
                    " units were looked at today. Nothing is left to do." }
            }
            Some(first) => {
                p.state { strong { (due.len()) } " to look at"
                    @if seen > 0 { ", " (seen) " done today" } }
                p { a.button.main
                    href={ (link(first.here.unit)) "?round=1" } {
                    "Begin with " (name_of(desk, first.here.unit)) } }
            }
        }
        @for here in by_place(&due) {
            (at_place(desk, &here))
        }
        @if seen > 0 {
            details {
                summary { "Looked at today (" (seen) ")" }
                ul.rows {
                    @for stop in stops.iter().filter(|stop| !stop.due) {
                        (row(desk, stop, ""))
                    }
                }
            }
        }
        (blind::offer(desk))
        (without_network())
    };
    Ok(Answer::page(TITLE, Tab::Round, body))
}

/// Said beforehand, since it cannot be said then.
fn without_network() -> Markup {
    html! {
        details {
            summary { "Where the network does not reach" }
            p { "A page that is open keeps what you count and sends it once, \
                when the network is back. No other page can be opened \
                meanwhile: take the " a href="/tally" { "tally sheet" }
                " along, on paper or open in a tab, and type it in as one." }
        }
    }
}

/// A label or name, typed.
pub(crate) fn find_form() -> Markup {
    html! {
        form.find method="get" action="/find" {
            label for="find-unit" { "Label or name of a box" }
            input id="find-unit" name="unit" type="text" autocomplete="off"
                autocapitalize="characters" maxlength="40";
            button type="submit" { "Open" }
        }
    }
}

/// Stops in runs of one place.
fn by_place<'s, 'a>(due: &[&'s Stop<'a>]) -> Vec<Vec<&'s Stop<'a>>> {
    due.chunk_by(|a, b| a.place == b.place).map(<[_]>::to_vec).collect()
}

fn at_place(desk: &Desk, here: &[&Stop<'_>]) -> Markup {
    let place = here.first().and_then(|stop| stop.place);
    html! {
        section {
            h2 {
                @match place {
                    Some(place) => {
                        (place_title(desk, place.as_str()))
                    }
                    None => { "No place recorded" }
                }
            }
            ul.rows {
                @for stop in here { (row(desk, stop, "?round=1")) }
            }
            @if let Some(place) = place {
                p { a.button href={ "/round/others?place=" (place) } {
                    "All others here: looked, nothing new"
                } }
            }
        }
    }
}

fn row(desk: &Desk, stop: &Stop<'_>, query: &str) -> Markup {
    let unit = stop.here.unit;
    let several = desk.book().trials.len() > 1;
    let blind = desk.visitor.blind;
    html! {
        li {
            a href={ (link(unit)) (query) } {
                span.what {
                    strong { (name_of(desk, unit)) }
                    @if let Some(label) = unit.label.filter(|_| !blind) {
                        " " span.label { (label) }
                    }
                    @if !stop.position.is_empty() {
                        " " span.soft { (plain(stop.position)) }
                    }
                    @if several { " " span.soft { (stop.here.trial.name) } }
                }
                span.soft {
                    (last_time(desk.zone(), desk.now, unit.looks.last()))
                    " · " (unit.left()) " left"
                }
            }
        }
    }
}

/// `GET /round/others?place=`: the list, before anything is written.
pub(crate) fn others(desk: &Desk, asked: &Asked) -> Result<Answer, StoreError> {
    let place = asked.text("place");
    let stops = walk(desk);
    let here: Vec<Here<'_>> = stops
        .iter()
        .filter(|stop| stop.due)
        .filter(|stop| stop.place.is_some_and(|p| p.as_str() == place))
        .map(|stop| stop.here)
        .collect();
    if here.is_empty() {
        return Ok(Answer::See("/round".to_owned()));
    }
    let body = asking(desk, place, &here, &Wrong::default());
    Ok(Answer::page("All others here", Tab::Round, body))
}

fn asking(
    desk: &Desk,
    place: &str,
    here: &[Here<'_>],
    wrong: &Wrong,
) -> Markup {
    let n = u64::try_from(here.len()).unwrap_or_default();
    let looked = [("through-lid", "through the lid"), ("opened", "opened")];
    html! {
        p.kicker { (place_title(desk, place)) }
        h1 { "All others here: looked, nothing new" }
        p { "This writes “nothing new” for " strong {
            (n_of(n, "unit", "units")) }
            ". Untick what you did not look at." }
        form.card method="post" action="/round/others"
            data-keeps={ "All others, " (place_title(desk, place)) }
            data-by=(desk.visitor.who) {
            (wrongs(wrong))
            (keys(&desk.visitor))
            input type="hidden" name="place" value=(place);
            ul.ticks {
                @for here in here {
                    @let id = format!("others-{}", units::link(here.unit)
                        .trim_start_matches("/u/"));
                    li {
                        input id=(id) type="checkbox" name="unit" checked
                            value=(units::link(here.unit)
                                .trim_start_matches("/u/"));
                        label for=(id) {
                            strong { (name_of(desk, here.unit)) } " "
                            span.soft { (last_time(desk.zone(), desk.now,
                                here.unit.looks.last())) }
                        }
                    }
                }
            }
            (choices("others", "looked", "Looked", &looked, "through-lid",
                wrong.of("looked")))
            (by_field(&desk.visitor, "others"))
            button.main type="submit" { "Looked, nothing new" }
            a.button href="/round" { "Back" }
        }
    }
}

/// `POST /round/others`: exactly the units that were shown and ticked.
pub(crate) fn record_others(
    desk: &Desk,
    form: &Form,
) -> Result<Answer, StoreError> {
    let place = form.text("place");
    let here: Vec<Here<'_>> = form
        .all("unit")
        .flat_map(|text| units::find(desk.book(), text).into_iter().take(1))
        .collect();
    let mut reading = Reading::default();
    let looked = reading.look(form);
    if here.is_empty() {
        return Ok(Answer::See("/round".to_owned()));
    }
    let again = |wrong: &Wrong| {
        let body = asking(desk, place, &here, wrong);
        Answer::wrong("All others here", Tab::Round, body)
    };
    if !reading.wrong.is_empty() {
        return Ok(again(&reading.wrong));
    }
    let at = desk.looked_at(form);
    let drafts: Vec<Draft> =
        here.iter().map(|here| nothing_new(desk, *here, looked, at)).collect();
    Ok(match desk.record(&drafts, form)? {
        Written::Refused(refused) => again(&whole(desk, &refused)),
        Written::Now(_) | Written::Before => Answer::See("/round".to_owned()),
    })
}

fn nothing_new(
    desk: &Desk,
    here: Here<'_>,
    looked: Look,
    at: Instant,
) -> Draft {
    let unit: &Name = &here.unit.name;
    let note = blind::noted(desk, String::new());
    let statement = Numbers::default().check(unit, looked, note);
    let trial = Some(&here.trial.name);
    Draft::new(trial, When::exactly(at), statement)
}
