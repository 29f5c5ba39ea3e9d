//! Set up: places, the spots with a climate of their own.

use maud::{Markup, html};

use crate::report::words::plain;
use crate::trial::entry::{PlaceKind, Statement, from_word, word_of};
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::naming::named;
use crate::web::setup::sheet::{Choice, Fields, Said, Typed, field, when};

pub(super) const KIND: Kind = Kind {
    path: "places",
    title: "Places",
    draw,
    read,
    fill,
    next: |_| "/setup/places".to_owned(),
};

/// What lights a place, as far as it can be named.
const LIGHTS: [(&str, &str); 4] = [
    ("", "not stated"),
    ("daylight", "daylight"),
    ("lamp", "a lamp"),
    ("dark", "dark"),
];

fn kinds() -> Vec<Choice> {
    let words = |kind| match kind {
        PlaceKind::Fridge => "fridge: a drawer or shelf of it",
        PlaceKind::Sill => "sill: behind a window",
        PlaceKind::Shelf => "shelf: in a room",
        PlaceKind::Cupboard => "cupboard: in a room, dark",
        PlaceKind::Tray => "tray: warmed or covered",
        PlaceKind::Outdoors => "outdoors",
        PlaceKind::ColdFrame => "cold frame",
        PlaceKind::Cellar => "cellar",
    };
    PlaceKind::WORDS
        .iter()
        .map(|(kind, word)| ((*word).to_owned(), words(*kind).to_owned()))
        .collect()
}

fn draw(typed: &Typed<'_>) -> Markup {
    let house = &typed.desk.book().house;
    let fields = html! {
        (typed.text("title", "What you call it",
            "such as “stair landing, by the window”"))
        (typed.select("kind", "What kind of spot", &kinds()))
        (typed.choices("light", "What lights it", &LIGHTS, ""))
        (typed.text("light_source", "Or in your own words",
            "such as “daylight behind net curtains”"))
        (typed.name("name", "Short name",
            "left empty: made from what you call it"))
    };
    html! {
        h1 { "Places" }
        p { "A place is a spot with its own climate: one drawer of the \
            fridge, one end of a sill. Two ends of a warm shelf are two \
            places." }
        ul.rows {
            @for place in house.places.values() {
                li { a href={ "/place/" (place.name) } {
                    strong { (plain(&place.title)) }
                    span.soft { (place.name) " · "
                        (word_of(&PlaceKind::WORDS, &place.kind))
                        @if !place.light_source.is_empty() {
                            " · " (plain(&place.light_source))
                        }
                    }
                } }
            }
        }
        @if typed.change.is_none() { h2 { "A new place" } }
        (typed.form("places", "Add the place", &fields))
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let places = &desk.book().house.places;
    let taken = |name: &str| places.contains_key(name);
    let title = reading.text(form, "title");
    if title.is_empty() && form.text("name").is_empty() {
        reading.wrong.add("title", "say what you call this place");
    }
    let name = if title.is_empty() && form.text("name").is_empty() {
        None
    } else {
        named(reading, form, "name", &title, taken)
    };
    let kind = from_word(&PlaceKind::WORDS, form.text("kind"));
    if kind.is_err() {
        reading.wrong.add("kind", "say what kind of spot it is");
    }
    let own = reading.text(form, "light_source");
    let light_source =
        if own.is_empty() { reading.text(form, "light") } else { own };
    if name.as_ref().is_some_and(|n| taken(n.as_str()))
        && form.text("change").is_empty()
    {
        reading.wrong.add(
            "name",
            "a place of this name is there already; give this one another",
        );
    }
    let when = when(desk, form, reading);
    let (Some(place), Ok(place_kind)) = (name, kind) else {
        return Vec::new();
    };
    let statement = Statement::Place { place, place_kind, light_source, title };
    vec![Said::new("name", None, when, statement)]
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Place { place, place_kind, light_source, title } = statement
    else {
        return None;
    };
    Some(vec![
        field("name", place),
        field("kind", word_of(&PlaceKind::WORDS, place_kind)),
        field("light_source", light_source),
        field("title", title),
    ])
}
