//! Set up: boards that send but have no place yet, each one tap from its
//! place; boards that have one, moved or taken away.

use maud::{Markup, html};

use crate::observation::Name;
use crate::report::words::plain;
use crate::store::{SeriesInfo, StoreError};
use crate::trial::entry::Statement;
use crate::trial::house::BoardStay;
use crate::trial::when::When;
use crate::units::Instant;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::frame::keys;
use crate::web::now::value;
use crate::web::setup::Kind;
use crate::web::setup::sheet::{Said, Typed, place_choices, when_of};
use crate::web::words::{ago, moment};

pub(super) const KIND: Kind = Kind {
    path: "boards",
    title: "Boards",
    draw,
    read,
    fill: |_, _| None,
    next: |_| "/setup/boards".to_owned(),
};

/// Value of the place field that means "taken away".
const AWAY: &str = "-";

fn draw(typed: &Typed<'_>) -> Markup {
    let desk = typed.desk;
    let now = |stay: &&BoardStay| {
        stay.from.at <= desk.now && stay.to.is_none_or(|to| desk.now < to.at)
    };
    let placed: Vec<&BoardStay> =
        desk.book().house.board_stays.iter().filter(now).collect();
    let strays = strays(desk, &placed);
    html! {
        h1 { "Boards" }
        (crate::web::frame::wrongs(typed.wrong))
        @match &strays {
            Err(error) => { p.message.trouble { (error) } }
            Ok(strays) => {
                h2.first { "Seen, without a place" }
                @if strays.is_empty() {
                    p { "No board sends that has no place. One that is \
                        switched on shows here with its first reading; how \
                        it must send is in the wire contract in "
                        code { "firmware-notes" } "." }
                }
                @for stray in strays { (stray_form(typed, stray)) }
            }
        }
        @if !placed.is_empty() {
            h2 { "Placed" }
            @for stay in &placed { (placed_form(typed, stay)) }
            p { a.button href="/setup/mains" {
                "Which board speaks for a place" } }
        }
        h2 { "One that is not heard yet" }
        (by_name(typed))
    }
}

/// A probe that sends and is nowhere.
struct Stray {
    board: Name,
    probe: Name,
    since: Option<Instant>,
    says: Vec<String>,
}

fn strays(
    desk: &Desk,
    placed: &[&BoardStay],
) -> Result<Vec<Stray>, StoreError> {
    let mut strays: Vec<Stray> = Vec::new();
    for SeriesInfo { series, first, newest, .. } in desk.store.series()? {
        let is_placed = placed
            .iter()
            .any(|s| s.board == series.board && s.probe == series.probe);
        if is_placed {
            continue;
        }
        let says = newest.map(|reading| {
            format!(
                "{} {} {}, {}",
                series.quantity.word(),
                value(series.quantity, reading.value),
                series.quantity.unit(),
                ago(desk.now, reading.at)
            )
        });
        match strays.last_mut() {
            Some(last)
                if last.board == series.board && last.probe == series.probe =>
            {
                last.says.extend(says);
                last.since = last.since.min(first).or(first);
            }
            _ => strays.push(Stray {
                board: series.board,
                probe: series.probe,
                since: first,
                says: says.into_iter().collect(),
            }),
        }
    }
    Ok(strays)
}

fn stray_form(typed: &Typed<'_>, stray: &Stray) -> Markup {
    let desk = typed.desk;
    let places = place_choices(desk);
    let id = format!("{}-{}", stray.board, stray.probe);
    html! {
        section.place {
            h3 { (stray.board) " "
                span.soft { "probe " (stray.probe) } }
            p.soft { (stray.says.join(" · ")) }
            @if places.is_empty() {
                p { a.button href="/setup/places" { "First a place" } }
            } @else {
                form method="post" action="/setup/boards" {
                    (keys(&desk.visitor))
                    input type="hidden" name="board" value=(stray.board);
                    input type="hidden" name="probe" value=(stray.probe);
                    @if let Some(since) = stray.since {
                        div.choice {
                            input id={ "since-" (id) } type="checkbox"
                                name="since" value=(since.millis());
                            label for={ "since-" (id) } {
                                "it was there from its first reading on ("
                                (moment(desk.zone(), desk.now, since)) ")"
                            }
                        }
                    }
                    p.soft { "It is at:" }
                    div.taps {
                        @for (place, words) in &places {
                            button type="submit" name="place" value=(place) {
                                (words) }
                        }
                    }
                }
            }
        }
    }
}

fn placed_form(typed: &Typed<'_>, stay: &BoardStay) -> Markup {
    let desk = typed.desk;
    let id = format!("move-{}-{}", stay.board, stay.probe);
    html! {
        section.place {
            h3 { (stay.board) " " span.soft { "probe " (stay.probe) } }
            p { "at " a href={ "/place/" (stay.place) } { (stay.place) }
                @if !stay.position.is_empty() { ", " (plain(&stay.position)) }
                span.soft { " since " (desk.zone().shown(&stay.from)) } }
            details {
                summary { "Move it or take it away" }
                form method="post" action="/setup/boards" {
                    (keys(&desk.visitor))
                    input type="hidden" name="board" value=(stay.board);
                    input type="hidden" name="probe" value=(stay.probe);
                    div.field {
                        label for=(id) { "Where there "
                            span.soft { "(if it matters)" } }
                        input id=(id) name="position" type="text"
                            maxlength="200" autocomplete="off";
                    }
                    div.taps {
                        @for (place, words) in place_choices(desk) {
                            @if place != stay.place.as_str() {
                                button type="submit" name="place"
                                    value=(place) { "to " (words) }
                            }
                        }
                        button type="submit" name="place" value=(AWAY) {
                            "taken away" }
                    }
                }
            }
        }
    }
}

fn by_name(typed: &Typed<'_>) -> Markup {
    let fields = html! {
        (typed.text("board", "Board", "its name, as it will send it"))
        (typed.text("probe", "Probe", "left empty: air"))
        (typed.select("place", "It is at", &place_choices(typed.desk)))
        (typed.text("position", "Where there", ""))
        (typed.when("Since when"))
    };
    html! {
        details open[!typed.wrong.is_empty()] {
            summary { "Place a board by name" }
            (typed.form("boards", "Place it", &fields))
        }
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let board = reading.chosen(form, "board", "say which board, by its name");
    let probe = match form.text("probe") {
        "" => "air",
        typed => typed,
    };
    let probe = Name::new(probe)
        .inspect_err(|error| reading.wrong.add("probe", error.to_string()))
        .ok();
    let place = form.text("place");
    let away = place == AWAY;
    let place = if away {
        None
    } else {
        reading.chosen(form, "place", "say at which place it is")
    };
    let position = reading.text(form, "position");
    let since = form.text("since").parse().ok().map(Instant::from_millis);
    let when = when_of(desk, form, reading, "")
        .or(since.filter(|at| *at < desk.now).map(When::exactly))
        .unwrap_or(When::exactly(desk.now));
    let (Some(board), Some(probe)) = (board, probe) else { return Vec::new() };
    let statement = Statement::BoardStay {
        board,
        probe,
        place,
        until: None,
        position: if away { String::new() } else { position },
    };
    vec![Said::new("place", None, when, statement)]
}
