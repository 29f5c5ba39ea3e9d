//! Set up: watches, the ranges to be kept; the usual ones for each kind of
//! place are offered with their reason, and none is made unasked.

use axum::extract::Path;
use maud::{Markup, html};

use crate::alert::preset::presets;
use crate::observation::{Name, Quantity};
use crate::report::words::plain;
use crate::store::StoreError;
use crate::trial::entry::{Draft, QuantityWord, Statement, Watch};
use crate::trial::house::Place;
use crate::trial::when::When;
use crate::web::desk::{Answer, Desk};
use crate::web::form::{Form, Reading};
use crate::web::frame::keys;
use crate::web::routes::Changed;
use crate::web::setup::Kind;
use crate::web::setup::sheet::{
    Said, Typed, place_choices, quantity_choices, when,
};

pub(super) const KIND: Kind = Kind {
    path: "watches",
    title: "Watches",
    draw,
    read,
    fill: |_, _| None,
    next: |_| "/setup/watches".to_owned(),
};

/// What a watch compares and waits unless told otherwise, min.
const MEAN_MINUTES: u32 = 30;
const FOR_MINUTES: u32 = 45;

fn draw(typed: &Typed<'_>) -> Markup {
    let desk = typed.desk;
    let places = &desk.book().house.places;
    html! {
        h1 { "Watches" }
        p { "A watch is a range that you want kept at a place. When the mean \
            over some minutes stays outside for long enough, you are told; \
            a board that falls silent is told of anyway." }
        @if places.is_empty() {
            p { a.button href="/setup/places" { "First a place" } }
        }
        @for place in places.values() { (at_place(typed, place)) }
        @if !places.is_empty() {
            h2 id="own" { "A range of your own" }
            (own(typed))
        }
    }
}

fn at_place(typed: &Typed<'_>, place: &Place) -> Markup {
    let desk = typed.desk;
    let watches = &desk.book().house.watches;
    let own = |quantity: Quantity| {
        watches.get(&(place.name.clone(), quantity)).map(|(_, watch)| watch)
    };
    html! {
        section.place {
            h3 { (plain(&place.title)) }
            @for quantity in Quantity::ALL {
                @if let Some(watch) = own(quantity) {
                    p { "Kept: " strong { (range(watch)) } ". "
                        span.soft { (how(watch)) } }
                    form method="post" action={ "/setup/unwatch/"
                        (place.name) "/" (quantity.word()) } {
                        (keys(&desk.visitor))
                        p { button type="submit" { "No longer wanted" } " "
                            a href={ "/setup/watches?place=" (place.name)
                                "&quantity=" (quantity.word())
                                "&low=" (shown(watch.low))
                                "&high=" (shown(watch.high))
                                "&mean=" (watch.mean_minutes)
                                "&for=" (watch.for_minutes)
                                "&margin=" (watch.margin)
                                "&urgent=" (if watch.urgent { "1" } else { "" })
                                "#own" } { "change it" } }
                    }
                }
            }
            @for preset in presets(place.kind) {
                @let watch = preset.at(&place.name);
                @if own(watch.quantity.0) != Some(&watch) {
                    form.usual method="post" action="/setup/watches" {
                        (keys(&desk.visitor))
                        (watch_fields(&watch))
                        p { "Usual here: " strong { (range(&watch)) } ". "
                            (preset.why) }
                        p.soft { (how(&watch)) " A convention, no finding." }
                        button type="submit" {
                            @if own(watch.quantity.0).is_some() {
                                "Watch this instead"
                            } @else { "Watch this" }
                        }
                    }
                }
            }
        }
    }
}

/// A whole watch as hidden fields, for one tap.
fn watch_fields(watch: &Watch) -> Markup {
    let fields = [
        ("place", watch.place.to_string()),
        ("quantity", watch.quantity.0.word().to_owned()),
        ("low", shown(watch.low)),
        ("high", shown(watch.high)),
        ("mean", watch.mean_minutes.to_string()),
        ("for", watch.for_minutes.to_string()),
        ("margin", watch.margin.to_string()),
        ("urgent", if watch.urgent { "1" } else { "" }.to_owned()),
    ];
    html! {
        @for (name, value) in fields {
            input type="hidden" name=(name) value=(value);
        }
    }
}

fn shown(limit: Option<f64>) -> String {
    limit.map(|limit| limit.to_string()).unwrap_or_default()
}

fn range(watch: &Watch) -> String {
    let quantity = watch.quantity.0;
    let (word, unit) = (quantity.word(), quantity.unit());
    match (watch.low, watch.high) {
        (Some(low), Some(high)) => format!("{word} {low} to {high} {unit}"),
        (Some(low), None) => format!("{word} at least {low} {unit}"),
        (None, Some(high)) => format!("{word} at most {high} {unit}"),
        (None, None) => word.to_owned(),
    }
}

/// How it is judged, in whole sentences.
fn how(watch: &Watch) -> String {
    let Watch { mean_minutes, for_minutes, margin, .. } = watch;
    format!(
        "The mean of {mean_minutes} min is compared; you are told once it is \
         outside for {for_minutes} min, {}; it is over when the mean is \
         {margin} {} inside again.",
        if watch.urgent {
            "in quiet hours too"
        } else {
            "after quiet hours"
        },
        watch.quantity.0.unit(),
    )
}

fn own(typed: &Typed<'_>) -> Markup {
    let urgent = typed.form.text("urgent") == "1";
    let fields = html! {
        (typed.select("place", "Where", &place_choices(typed.desk)))
        (typed.select("quantity", "What", &quantity_choices()))
        div.numbers {
            (typed.number("low", "Lowest wanted", "empty: none"))
            (typed.number("high", "Highest wanted", "empty: none"))
            (typed.number("mean", "Mean over, min", "empty: 30"))
            (typed.number("for", "Out for, min", "empty: 45"))
            (typed.number("margin", "In again so far inside",
                "empty: 0.5 °C, 3 %"))
        }
        div.choice {
            input id="set-urgent" type="checkbox" name="urgent" value="1"
                checked[urgent];
            label for="set-urgent" { "urgent: quiet hours do not hold it back" }
        }
    };
    typed.form("watches", "Watch this range", &fields)
}

fn read(desk: &Desk, form: &Form, reading: &mut Reading) -> Vec<Said> {
    let place = reading.chosen(form, "place", "say at which place");
    let quantity = reading.quantity(form, "quantity");
    let (low, high) =
        (reading.decimal(form, "low"), reading.decimal(form, "high"));
    let margin = reading.decimal(form, "margin");
    let mean_minutes = minutes(form, reading, "mean", MEAN_MINUTES);
    let for_minutes = minutes(form, reading, "for", FOR_MINUTES);
    let when = when(desk, form, reading);
    let (Some(place), Some(quantity)) = (place, quantity) else {
        return Vec::new();
    };
    let margin = margin.unwrap_or(match quantity {
        Quantity::Temperature => 0.5,
        Quantity::Humidity => 3.0,
        _ => 0.0,
    });
    if reading.wrong.is_empty() {
        sound(low, high, margin, quantity, reading);
    }
    let watch = Watch {
        place,
        quantity: QuantityWord(quantity),
        low,
        high,
        mean_minutes,
        for_minutes,
        margin,
        urgent: form.text("urgent") == "1",
    };
    vec![Said::new("low", None, when, Statement::Watch(watch))]
}

/// What the ledger would refuse, told beside its field.
fn sound(
    low: Option<f64>,
    high: Option<f64>,
    margin: f64,
    quantity: Quantity,
    reading: &mut Reading,
) {
    let (lowest, highest) = quantity.limits();
    for (field, limit) in [("low", low), ("high", high)] {
        if limit.is_some_and(|limit| !(lowest..=highest).contains(&limit)) {
            let unit = quantity.unit();
            let told = format!(
                "no {quantity} is outside {lowest} to {highest} {unit}"
            );
            reading.wrong.add(field, told);
        }
    }
    if margin < 0.0 {
        reading.wrong.add("margin", "this must not be below 0");
    }
    match (low, high) {
        (None, None) => reading.wrong.add(
            "low",
            "give a lowest wanted value, a highest one, or both",
        ),
        (Some(low), Some(high)) if low >= high => {
            reading.wrong.add("high", format!("this must be above {low}"));
        }
        (Some(low), Some(high)) if 2.0 * margin >= high - low => {
            let told = format!(
                "this leaves nothing between {low} and {high}: take less \
                 than {}",
                (high - low) / 2.0
            );
            reading.wrong.add("margin", told);
        }
        _ => {}
    }
}

fn minutes(
    form: &Form,
    reading: &mut Reading,
    field: &str,
    usual: u32,
) -> u32 {
    const DAY: u32 = 1_440;
    let typed = form.text(field);
    if typed.is_empty() {
        return usual;
    }
    match typed.parse() {
        Ok(minutes @ 1..=DAY) => minutes,
        _ => {
            reading.wrong.add(field, "give minutes, from 1 to 1440");
            usual
        }
    }
}

/// `POST /setup/unwatch/…/…`: a watch is no longer wanted.
pub(super) fn unwatch(
    desk: &Desk,
    Path((place, quantity)): &Changed,
    form: &Form,
) -> Result<Answer, StoreError> {
    let to = || Answer::See("/setup/watches".to_owned());
    let (Ok(place), Some(quantity)) =
        (Name::new(place.as_str()), Quantity::from_word(quantity))
    else {
        return Ok(super::no_such_page());
    };
    let statement =
        Statement::Unwatch { place, quantity: QuantityWord(quantity) };
    let draft = Draft::new(None, When::exactly(desk.now), statement);
    // A watch that is gone already is what was wanted.
    desk.record(&[draft], form)?;
    Ok(to())
}
