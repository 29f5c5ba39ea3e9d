//! Set up: hand readings, stated conditions that are never summed up.

use maud::{Markup, html};

use crate::observation::Quantity;
use crate::trial::entry::Statement;
use crate::web::desk::Desk;
use crate::web::form::{Form, Reading};
use crate::web::setup::Kind;
use crate::web::setup::sheet::{
    Fields, Said, Typed, field, place_choices, when,
};

pub(super) const KIND: Kind = Kind {
    path: "climate",
    title: "Hand readings",
    draw,
    read,
    fill,
    next: |_| "/setup/climate".to_owned(),
};

fn draw(typed: &Typed<'_>) -> Markup {
    let desk = typed.desk;
    let house = &desk.book().house;
    let fields = html! {
        (typed.select("place", "Where", &place_choices(desk)))
        div.numbers {
            (typed.number("temperature", "Temperature, °C", ""))
            (typed.number("humidity", "Humidity, %", ""))
            (typed.number("light", "Light, lx", ""))
        }
        (typed.when("When it was read"))
    };
    html! {
        h1 { "Hand readings" }
        p { "A thermometer that you read yourself. It is kept as a stated \
            condition and never summed into a dose." }
        ul.looks {
            @for hand in house.hand_readings.iter().rev().take(20) {
                li { (hand.place) " · " (desk.zone().shown(&hand.when)) ": "
                    @for (i, (quantity, value)) in hand.values.iter()
                        .enumerate() {
                        @if i > 0 { ", " }
                        (value) " " (quantity.unit())
                    }
                }
            }
        }
        @if house.places.is_empty() {
            p { a.button href="/setup/places" { "First a place" } }
        } @else {
            (typed.form("climate", "Write it down", &fields))
        }
    }
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let place = reading.chosen(form, "place", "say at which place");
    let mut values = [None; 3];
    for (slot, quantity) in values.iter_mut().zip(Quantity::CLIMATE) {
        let field = quantity.word();
        let (low, high) = quantity.limits();
        *slot = reading.decimal(form, field);
        if slot.is_some_and(|value| !(low..=high).contains(&value)) {
            let told =
                format!("this is outside {low} to {high} {}", quantity.unit());
            reading.wrong.add(field, told);
        }
    }
    if values.iter().all(Option::is_none) && reading.wrong.is_empty() {
        reading.wrong.add("temperature", "type at least one value");
    }
    let when = when(desk, form, reading);
    let Some(place) = place else { return Vec::new() };
    let [temperature_celsius, humidity_percent, light_lux] = values;
    let statement = Statement::Climate {
        place,
        temperature_celsius,
        humidity_percent,
        light_lux,
    };
    vec![Said::new("place", None, when, statement)]
}

fn fill(_: &Desk, statement: &Statement) -> Option<Fields> {
    let Statement::Climate {
        place,
        temperature_celsius,
        humidity_percent,
        light_lux,
    } = statement
    else {
        return None;
    };
    let number = |v: &Option<f64>| v.map(|v| v.to_string()).unwrap_or_default();
    Some(vec![
        field("place", place),
        field("temperature", number(temperature_celsius)),
        field("humidity", number(humidity_percent)),
        field("light", number(light_lux)),
    ])
}
