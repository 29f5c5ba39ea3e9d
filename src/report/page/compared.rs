//! Places compared by their climate alone: day and night, and pair by pair
//! what went together and what cannot be told apart.

use maud::{Markup, html};

use crate::observation::Quantity;
use crate::report::messages::capital;
use crate::report::page::table::{
    Caption, broad, cell, number, table, two_lines, unknown, words as column,
};
use crate::report::{Scene, words};
use crate::study::day_and_night::{DAY_FROM, DAY_TO, Spread};
use crate::study::findings::LEAST_PLACE_RUNS;
use crate::study::pairs::{Pair, Together};
use crate::study::place::PlaceStudy;

pub(super) fn day_and_night(scene: Scene<'_>) -> Markup {
    let rows: Vec<Vec<Markup>> = scene
        .study
        .places
        .iter()
        .filter(|place| place.quantities.values().any(|q| q.is_known()))
        .map(row)
        .collect();
    let note = format!(
        "Mean of the hours from {DAY_FROM} to {DAY_TO} o'clock and of the \
         rest; below it nine in ten of those hours."
    );
    table(
        &Caption { title: "By day and by night", note: &note },
        &[
            column("Place"),
            number("Temperature by day"),
            number("by night"),
            number("Humidity by day"),
            number("by night"),
        ],
        &rows,
    )
}

fn row(place: &PlaceStudy) -> Vec<Markup> {
    let mut row = vec![cell(words::plain(&place.title))];
    for (quantity, digits) in
        [(Quantity::Temperature, 1), (Quantity::Humidity, 0)]
    {
        let known = place.quantities.get(&quantity);
        let of = known.map(|known| known.day_and_night).unwrap_or_default();
        let told = |spread: Option<Spread>| {
            spread.map_or_else(unknown, |spread| {
                let [low, .., high] = spread.values;
                two_lines(
                    &format!(
                        "{} {}",
                        words::number(spread.mean, digits),
                        quantity.unit()
                    ),
                    &format!(
                        "{} to {}",
                        words::number(low, digits),
                        words::number(high, digits)
                    ),
                )
            })
        };
        row.extend([told(of.day), told(of.night)]);
    }
    row
}

pub(super) fn pairs(scene: Scene<'_>) -> Markup {
    let rows: Vec<Vec<Markup>> = scene
        .study
        .pairs
        .iter()
        .map(|pair| {
            vec![
                cell(format!(
                    "{} and {}",
                    capital(&words::plain(&pair.a)),
                    words::plain(&pair.b)
                )),
                cell(together(pair)),
                cell(if pair.together.separable() { "yes" } else { "no" }),
            ]
        })
        .collect();
    html! {
        (table(
            &Caption {
                title: "What can be told apart, pair by pair",
                note: "r: correlation of the places' means, 1 or −1 when they \
                       go together entirely.",
            },
            &[
                column("Pair"),
                broad("How they went together here"),
                column("Told apart"),
            ],
            &rows,
        ))
    }
}

fn together(pair: &Pair) -> String {
    match pair.together {
        Together::Crossed => {
            "crossed: every level of one with every level of the other"
                .to_owned()
        }
        Together::Partly { met, of } => {
            format!("only {met} of {of} combinations were there")
        }
        Together::Bound => {
            "each level of one came with one level of the other only".to_owned()
        }
        Together::OneSpot => format!(
            "one thing: each place had one climate; about {LEAST_PLACE_RUNS} \
             places could part them"
        ),
        Together::Places { n, r: None } => {
            format!("known at {n} places, too few for a correlation")
        }
        Together::Places { n, r: Some(r) } => {
            let few =
                if n < LEAST_PLACE_RUNS { ", too few to trust it" } else { "" };
            format!("r = {} over {n} places{few}", words::number(r, 2))
        }
    }
}
