//! Each place: its figure, its doses with their coverage, which board spoke
//! and why, and where the log is silent.

use maud::{Markup, html};

use crate::climate::integrate::Dose;
use crate::observation::Quantity;
use crate::report::figures::{About, Figure};
use crate::report::levels::containers_at;
use crate::report::messages::capital;
use crate::report::page::figure;
use crate::report::page::table::{
    Caption, broad, cell, dash, number, table, two_lines, unknown,
    words as column,
};
use crate::report::results::{daily_light_integral, photons};
use crate::report::{Scene, words};
use crate::study::place::{BASES, PlaceStudy, QuantityStudy};
use crate::study::wording::{counted, list, percent};
use crate::trial::entry::{PlaceKind, word_of};
use crate::trial::house::Voice;

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
            (capital(&kind)) ", "
            (words::dates(scene.zone, place.span.from, place.span.to))
            " (" (words::number(days, 0)) " days), "
            (containers(scene, place))
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

/// Containers that were here, and how many of them for most of their time.
fn containers(scene: Scene<'_>, place: &PlaceStudy) -> String {
    let here = place.containers.len();
    let mostly = containers_at(scene.study, &place.name).count();
    let all = counted(here, "container");
    match mostly {
        all_of_them if all_of_them == here => all,
        0 => format!("{all}, elsewhere for most of the time"),
        some => format!("{all}, {some} of them for most of their time"),
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
            (left_range(scene, &known))
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
        let name = format!("Degree-hours above {base:.0}\u{a0}°C");
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
    let name = capital(quantity.word());
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
        dash(),
        coverage(known.covered_hours, missing),
        cell(format!("{} h", words::number(missing, 0))),
    ]
}

/// Where a quantity left the range the grower wanted at the place.
fn left_range(
    scene: Scene<'_>,
    known: &[(Quantity, &QuantityStudy)],
) -> Markup {
    let rows: Vec<Vec<Markup>> = known
        .iter()
        .filter(|(_, known)| known.is_known())
        .filter_map(|(quantity, known)| {
            let out = known.outside?;
            let digits = usize::from(*quantity == Quantity::Temperature);
            let say = |value: f64| words::number(value, digits);
            let unit = quantity.unit();
            let range = match (out.low, out.high) {
                (Some(low), Some(high)) => {
                    format!("{} to {} {unit}", say(low), say(high))
                }
                (Some(low), None) => format!("at least {} {unit}", say(low)),
                (None, Some(high)) => format!("at most {} {unit}", say(high)),
                (None, None) => return None,
            };
            let longest = out.longest.map_or_else(dash, |(from, hours)| {
                two_lines(
                    &format!("{hours} h"),
                    &format!("from {}", words::moment(scene.zone, from)),
                )
            });
            Some(vec![
                cell(capital(quantity.word())),
                cell(range),
                cell(format!("{} h", out.hours_below)),
                cell(format!("{} h", out.hours_above)),
                cell(out.spells.to_string()),
                longest,
            ])
        })
        .collect();
    table(
        &Caption {
            title: "Outside the wanted range",
            note: "Whole hours by their mean; as the watch stands now.",
        },
        &[
            column("Quantity"),
            column("Wanted"),
            number("Below"),
            number("Above"),
            number("Times"),
            number("Longest"),
        ],
        &rows,
    )
}

fn coverage(covered: f64, missing: f64) -> Markup {
    let all = covered + missing;
    let share = if all > 0.0 { percent(covered / all) } else { "–".into() };
    two_lines(&share, &format!("{} h", words::number(covered, 0)))
}

fn dose_row(name: &str, dose: &Dose, unit: &str) -> Vec<Markup> {
    let missing = format!("{} h", words::number(dose.missing_hours, 0));
    if dose.covered_hours <= 0.0 {
        let covered = coverage(0.0, dose.missing_hours);
        let none = [unknown(), unknown(), covered, cell(missing)];
        return std::iter::once(cell(name)).chain(none).collect();
    }
    let at_least = if dose.at_least { "at least " } else { "" };
    let sum = words::about(dose.covered_sum);
    vec![
        cell(name),
        html! { (at_least) (sum) " " span.soft { (unit) } },
        filled(dose, at_least),
        coverage(dose.covered_hours, dose.missing_hours),
        cell(missing),
    ]
}

fn filled(dose: &Dose, at_least: &str) -> Markup {
    let enough = dose.coverage().is_some_and(|share| share >= 0.8);
    match dose.filled {
        _ if dose.missing_hours < 0.5 => cell("no hole"),
        _ if !enough => two_lines("too little data", "under 80 % covered"),
        Some(filled) => two_lines(
            &format!("{at_least}{}", words::about(filled.value)),
            &format!(
                "{} to {}",
                words::about(filled.low),
                words::about(filled.high)
            ),
        ),
        None => two_lines("cannot be filled", "a hole over three days"),
    }
}

/// Photons as a range, only where the place names what lights it.
fn photon_rows(place: &PlaceStudy) -> Vec<Vec<Markup>> {
    let row = |name: &str, [low, high]: [f64; 2], unit: &str| {
        let at_least = if place.light.at_least { "at least " } else { "" };
        let (low, high) = (words::about(low), words::about(high));
        let range = format!("{at_least}{low} to {high}");
        let value = html! { (range) " " span.soft { (unit) } };
        vec![cell(name), value, dash(), dash(), dash()]
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
    let mut told: Vec<(Vec<&str>, &Voice)> = Vec::new();
    for (quantity, known) in known {
        for voice in &known.voices {
            let same = told.iter_mut().find(|(_, other)| {
                other.series.board == voice.series.board
                    && other.series.probe == voice.series.probe
                    && (other.from, other.to) == (voice.from, voice.to)
                    && other.standing == voice.standing
            });
            match same {
                Some((quantities, _)) => quantities.push(quantity.word()),
                None => told.push((vec![quantity.word()], voice)),
            }
        }
    }
    let rows: Vec<Vec<Markup>> = told
        .iter()
        .map(|(quantities, voice)| {
            vec![
                cell(capital(&list(quantities))),
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
/// Shorter holes are told as a number, h.
const LEAST_HOLE_HOURS: f64 = 1.0;

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
    let all = merged.len();
    merged.retain(|(hole, _)| hole.hours() >= LEAST_HOLE_HOURS);
    merged.sort_by_key(|(hole, _)| std::cmp::Reverse(hole.millis()));
    merged.truncate(MOST_HOLES);
    merged.sort_by_key(|(hole, _)| hole.from);
    let more = all - merged.len();
    let rows: Vec<Vec<Markup>> = merged
        .iter()
        .map(|(hole, quantities)| {
            vec![
                cell(words::moment(scene.zone, hole.from)),
                cell(words::moment(scene.zone, hole.to)),
                cell(format!("{} h", words::number(hole.hours(), 1))),
                cell(list(quantities)),
            ]
        })
        .collect();
    let note = if more > 0 {
        format!(
            "The longest; {} shorter {} in results.json.",
            more,
            if more == 1 { "one is" } else { "ones are" }
        )
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
                cell(capital(quantity.word())),
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
