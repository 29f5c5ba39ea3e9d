//! Set up: which board speaks for a place and quantity.
//!
//! The others there are for comparison; their readings are kept all the same.

use maud::{Markup, html};

use crate::observation::Quantity;
use crate::report::words::plain;
use crate::trial::entry::{QuantityWord, Statement};
use crate::trial::house::{BoardStay, Place};
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::frame::{keys, wrongs};
use crate::web::setup::Kind;
use crate::web::setup::sheet::{Said, Typed, when};

pub(super) const KIND: Kind = Kind {
    path: "mains",
    title: "Main boards",
    draw,
    read,
    fill: |_, _| None,
    next: |_| "/setup/mains".to_owned(),
};

fn draw(typed: &Typed<'_>) -> Markup {
    let places = &typed.desk.book().house.places;
    html! {
        h1 { "Which board speaks" }
        (wrongs(typed.wrong))
        p { "Doses and alerts of a place are taken from one probe for each \
            quantity. Where none is named, the only one speaks, or the one \
            placed first." }
        @for place in places.values() { (at_place(typed, place)) }
        @if places.is_empty() {
            p { a.button href="/setup/places" { "First a place" } }
        }
    }
}

fn at_place(typed: &Typed<'_>, place: &Place) -> Markup {
    let desk = typed.desk;
    let house = &desk.book().house;
    let here: Vec<&BoardStay> = house
        .board_stays
        .iter()
        .filter(|stay| stay.place == place.name && stay.from.at <= desk.now)
        .filter(|stay| stay.to.is_none_or(|to| desk.now < to.at))
        .collect();
    html! {
        section.place {
            h3 { (plain(&place.title)) }
            @if here.is_empty() {
                p.soft { "No board is here." }
            }
            @for quantity in Quantity::CLIMATE {
                @let after = desk.now.plus_millis(1);
                @let voices = house.voices(&place.name, quantity, desk.now,
                    after);
                @if let Some(voice) = voices.last() {
                    p { (quantity.word()) ": " strong {
                        (voice.series.board) "/" (voice.series.probe) }
                        span.soft { " (" (voice.standing.words()) ")" } }
                    @if here.len() > 1 {
                        form method="post" action="/setup/mains" {
                            (keys(&desk.visitor))
                            input type="hidden" name="place"
                                value=(place.name);
                            input type="hidden" name="quantity"
                                value=(quantity.word());
                            div.taps {
                                @for stay in &here {
                                    @let other = stay.board
                                        != voice.series.board
                                        || stay.probe != voice.series.probe;
                                    @if other {
                                        button type="submit" name="probe"
                                            value=(format!("{}/{}",
                                                stay.board, stay.probe)) {
                                            "let " (stay.board) "/"
                                            (stay.probe) " speak for "
                                            (quantity.word())
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let place = reading.chosen(form, "place", "say for which place");
    let probe = reading.probe(form, "probe");
    let quantity = reading.quantity(form, "quantity");
    let when = when(desk, form, reading);
    let (Some(place), Some((board, probe)), Some(quantity)) =
        (place, probe, quantity)
    else {
        return Vec::new();
    };
    let quantity = QuantityWord(quantity);
    let statement = Statement::MainBoard { place, quantity, board, probe };
    vec![Said::new("", None, when, statement)]
}
