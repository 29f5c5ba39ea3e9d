//! Each place: its figure, its doses with their coverage, which board spoke
//! and why, and where the log is silent.

use maud::{Markup, html};

use crate::climate::integrate::Dose;
use crate::observation::Quantity;
use crate::report::figures::{About, Figure};
use crate::report::page::figure;
use crate::report::page::table::{
    Caption, broad, cell, number, table, two_lines, unknown, words as column,
};
use crate::report::results::{daily_light_integral, photons};
use crate::report::{Scene, words};
use crate::study::place::{BASES, PlaceStudy, QuantityStudy};
use crate::study::wording::{counted, percent};
use crate::trial::entry::{PlaceKind, word_of};

pub(super) fn chapter(scene: Scene<'_>, figures: &[Figure]) -> Markup {
    let study = scene.study;
    // A fridge without containers has its own chapter.
    let places = study.places.iter().filter(|place| {
        place.kind != PlaceKind::Fridge || !place.containers.is_empty()
    });
    html! {
        section #places aria-labelledby="h-places" {
            h2 #h-places { "Place by place" }
            @if study.places.is_empty() {
                p {
                    "No stay of a unit is recorded, so nothing is known of \
                     the conditions."
                }
            }
            @for place in places { (one(scene, place, figures)) }
        }
    }
}

fn one(scene: Scene<'_>, place: &PlaceStudy, figures: &[Figure]) -> Markup {
    let kind = word_of(&PlaceKind::WORDS, &place.kind).replace('-', " ");
    let days = place.span.hours() / 24.0;
    html! {
        h3 { (words::plain(&place.title)) }
        p.small {
            (crate::report::messages::capital(&kind)) ", "
            (words::dates(scene.zone, place.span.from, place.span.to))
            " (" (words::number(days, 0)) " days), "
            (counted(place.containers.len(), "container"))
            @if place.light_source.is_empty() {
                "; no light source named"
            } @else {
                "; light: " (words::plain(&place.light_source))
            }
            "."
        }
        (figure(figures, &About::Place(place.name.clone())))
        (climate(scene, place))
    }
}

/// Doses, speakers, holes and hand readings of a place.
pub(super) fn climate(scene: Scene<'_>, place: &PlaceStudy) -> Markup {
    let known: Vec<(Quantity, &QuantityStudy)> =
        place.quantities.iter().map(|(q, known)| (*q, known)).collect();
    let any = known.iter().any(|(_, known)| known.is_known());
    html! {
        @if any {
            (doses(place))
            (speakers(scene, &known))
            (holes(scene, &known))
        } @else {
            p {
                "No board logged this place while units of the trial were \
                 here: temperature, humidity and light are unknown."
            }
        }
        (by_hand(scene, place))
    }
}

fn doses(place: &PlaceStudy) -> Markup {
    let hours = place.span.hours();
    let mut rows: Vec<Vec<Markup>> = Vec::new();
    for (quantity, known) in &place.quantities {
        rows.push(quantity_row(*quantity, known, hours));
    }
    for (base, dose) in BASES.iter().zip(&place.warmth) {
        let name = format!("Degree-hours above {base:.0} °C");
        rows.push(dose_row(&name, dose, "°C·h"));
    }
    rows.push(dose_row("Lux-hours", &place.light, "lx·h"));
    rows.extend(photon_rows(place));
    table(
        &Caption {
            title: "Climate and doses",
            note: "Over the whole time units of the trial were here; each \
                   container has its own doses. Filled: holes taken from the \
                   same hour of neighbouring days, lowest to highest.",
        },
        &[
            column("Quantity"),
            number("Logged"),
            number("With holes filled"),
            number("Covered"),
            number("Missing"),
        ],
        &rows,
    )
}

fn quantity_row(
    quantity: Quantity,
    known: &QuantityStudy,
    hours: f64,
) -> Vec<Markup> {
    let digits = usize::from(quantity == Quantity::Temperature);
    let name = crate::report::messages::capital(quantity.word());
    let value = known.mean.zip(known.low.zip(known.high)).map_or_else(
        unknown,
        |(mean, (low, high))| {
            let mean = words::number(mean, digits);
            two_lines(
                &format!("mean {mean} {}", quantity.unit()),
                &format!(
                    "{} to {}",
                    words::number(low, digits),
                    words::number(high, digits)
                ),
            )
        },
    );
    let missing = (hours - known.covered_hours).max(0.0);
    vec![
        cell(name),
        value,
        html! { span.soft { "–" } },
        coverage(known.covered_hours, missing),
        cell(format!("{} h", words::number(missing, 0))),
    ]
}

fn coverage(covered: f64, missing: f64) -> Markup {
    let all = covered + missing;
    let share = if all > 0.0 { percent(covered / all) } else { "–".into() };
    two_lines(&share, &format!("{} h", words::number(covered, 0)))
}

fn dose_row(name: &str, dose: &Dose, unit: &str) -> Vec<Markup> {
    if dose.covered_hours <= 0.0 {
        return vec![
            cell(name),
            unknown(),
            unknown(),
            coverage(0.0, dose.missing_hours),
            cell(format!("{} h", words::number(dose.missing_hours, 0))),
        ];
    }
    let at_least = if dose.at_least { "at least " } else { "" };
    let sum = words::number(dose.covered_sum, 0);
    let enough = dose.coverage().is_some_and(|share| share >= 0.8);
    let filled = match dose.filled {
        _ if !enough => two_lines("too little data", "under 80 % covered"),
        Some(filled) => two_lines(
            &format!("{at_least}{}", words::number(filled.value, 0)),
            &format!(
                "{} to {}",
                words::number(filled.low, 0),
                words::number(filled.high, 0)
            ),
        ),
        None => two_lines("cannot be filled", "a hole over three days"),
    };
    vec![
        cell(name),
        html! { (at_least) (sum) " " span.soft { (unit) } },
        filled,
        coverage(dose.covered_hours, dose.missing_hours),
        cell(format!("{} h", words::number(dose.missing_hours, 0))),
    ]
}

/// Photons as a range, only where the place names what lights it.
fn photon_rows(place: &PlaceStudy) -> Vec<Vec<Markup>> {
    let row = |name: &str, [low, high]: [f64; 2], unit: &str| {
        let range =
            format!("{} to {}", words::number(low, 1), words::number(high, 1));
        let none = || html! { span.soft { "–" } };
        let value = html! { (range) " " span.soft { (unit) } };
        vec![cell(name), value, none(), none(), none()]
    };
    let mut rows = Vec::new();
    if let Some(range) = photons(place) {
        rows.push(row("Photons, 400 to 700 nm", range, "mol m⁻²"));
    }
    if let Some(range) = daily_light_integral(place) {
        let name = "Daily light integral, mean of whole days";
        rows.push(row(name, range, "mol m⁻² d⁻¹"));
    }
    rows
}

fn speakers(scene: Scene<'_>, known: &[(Quantity, &QuantityStudy)]) -> Markup {
    let rows: Vec<Vec<Markup>> = known
        .iter()
        .flat_map(|(quantity, known)| {
            known.voices.iter().map(move |voice| (*quantity, voice))
        })
        .map(|(quantity, voice)| {
            vec![
                cell(crate::report::messages::capital(quantity.word())),
                two_lines(
                    voice.series.board.as_str(),
                    &format!("probe {}", voice.series.probe),
                ),
                cell(words::dates(scene.zone, voice.from, voice.to)),
                cell(voice.standing.words()),
            ]
        })
        .collect();
    table(
        &Caption { title: "Which board spoke", note: "" },
        &[
            column("Quantity"),
            column("Board"),
            column("When"),
            column("Why this one"),
        ],
        &rows,
    )
}

/// More holes than this are told as a number.
const MOST_HOLES: usize = 8;

fn holes(scene: Scene<'_>, known: &[(Quantity, &QuantityStudy)]) -> Markup {
    let mut all: Vec<_> = known
        .iter()
        .filter(|(_, known)| known.is_known())
        .flat_map(|(quantity, known)| {
            known.holes.iter().map(move |hole| (*hole, *quantity))
        })
        .collect();
    all.sort_by_key(|(hole, quantity)| (hole.from, hole.to, *quantity));
    let mut merged: Vec<(crate::climate::log::Span, Vec<&str>)> = Vec::new();
    for (hole, quantity) in all {
        match merged.last_mut() {
            Some((same, quantities)) if *same == hole => {
                quantities.push(quantity.word());
            }
            _ => merged.push((hole, vec![quantity.word()])),
        }
    }
    let more = merged.len().saturating_sub(MOST_HOLES);
    merged.sort_by(|a, b| b.0.millis().cmp(&a.0.millis()));
    merged.truncate(MOST_HOLES);
    merged.sort_by_key(|(hole, _)| hole.from);
    let rows: Vec<Vec<Markup>> = merged
        .iter()
        .map(|(hole, quantities)| {
            vec![
                cell(words::moment(scene.zone, hole.from)),
                cell(words::moment(scene.zone, hole.to)),
                cell(format!("{} h", words::number(hole.hours(), 1))),
                cell(crate::study::wording::list(quantities)),
            ]
        })
        .collect();
    let note = if more > 0 {
        format!("The longest; {more} shorter ones are in results.json.")
    } else {
        String::new()
    };
    table(
        &Caption { title: "Where the log is silent", note: &note },
        &[column("From"), column("Until"), number("Missing"), broad("What")],
        &rows,
    )
}

fn by_hand(scene: Scene<'_>, place: &PlaceStudy) -> Markup {
    let rows: Vec<Vec<Markup>> = place
        .hand_readings
        .iter()
        .map(|(at, quantity, value)| {
            vec![
                cell(words::moment(scene.zone, *at)),
                cell(crate::report::messages::capital(quantity.word())),
                cell(format!(
                    "{} {}",
                    words::number(*value, 1),
                    quantity.unit()
                )),
            ]
        })
        .collect();
    table(
        &Caption {
            title: "Read by hand",
            note: "Stated conditions: shown, never summed into a dose.",
        },
        &[column("When"), column("Quantity"), number("Value")],
        &rows,
    )
}
