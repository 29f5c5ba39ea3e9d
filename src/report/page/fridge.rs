//! Batches and the fridge: what germinated in the cold, what grew mould and
//! in which air, with length of stay as the rival explanation.

use maud::{Markup, html};

use crate::climate::integrate::Dose;
use crate::report::figures::{About, Figure};
use crate::report::page::containers::{fate, mould};
use crate::report::page::table::{
    Caption, broad, cell, dash, number, table, two_lines, unknown,
    words as column,
};
use crate::report::page::{figure, losses, places};
use crate::report::{Scene, words};
use crate::study::UnitStudy;
use crate::study::fridge::{FridgeStay, FridgeStudy};
use crate::study::wording::{counted, factor as spoken, list, percent};

pub(super) fn batches(scene: Scene<'_>) -> Markup {
    let rows: Vec<Vec<Markup>> =
        scene.study.batches().map(|unit| batch_row(scene, unit)).collect();
    html! {
        @if !rows.is_empty() {
            section #batches aria-labelledby="h-batches" {
                h2 #h-batches { "Batches" }
                (table(
                    &Caption {
                        title: "What became of the seeds that entered each \
                                batch",
                        note: "Of seeds entering the batch, not of those \
                               sown from it. Germinated: in the batch \
                               itself, before any sowing. Chill: moist hours \
                               at 0 to 7 °C. Mould: days since the batch \
                               began, between two looks.",
                    },
                    &[
                        column("Batch"),
                        column("Treatment"),
                        number("Seeds entered"),
                        number("Germinated in it"),
                        broad("The rest"),
                        number("Stated in the cold"),
                        number("Chill logged"),
                        column("Mould"),
                    ],
                    &rows,
                ))
            }
        }
    }
}

fn batch_row(scene: Scene<'_>, unit: &UnitStudy) -> Vec<Markup> {
    let outcome = &unit.outcome;
    let lot = outcome.lot.as_ref().map(ToString::to_string);
    let treatment: Vec<String> = outcome
        .levels
        .iter()
        .map(|(factor, (level, _))| {
            let level = scene.study.level_words(factor, level).short();
            words::plain(&format!("{}: {level}", spoken(factor)))
        })
        .collect();
    let label = outcome.label.map(|l| l.to_string()).unwrap_or_default();
    vec![
        two_lines(outcome.name.as_str(), &label),
        two_lines(
            &if treatment.is_empty() {
                "–".to_owned()
            } else {
                list(&treatment)
            },
            &lot.map(|lot| format!("lot {lot}")).unwrap_or_default(),
        ),
        cell(outcome.entered.to_string()),
        cell(outcome.germinated.to_string()),
        cell(fate(outcome)),
        cell(format!(
            "{} weeks",
            words::number(unit.doses.stated_cold_hours / 168.0, 1)
        )),
        hours(&unit.doses.chill_hours),
        mould(outcome),
    ]
}

fn between(
    scene: Scene<'_>,
    from: crate::units::Instant,
    to: crate::units::Instant,
) -> Markup {
    cell(format!(
        "between {}",
        words::dates(scene.zone, from, to).replace(" to ", " and ")
    ))
}

/// Logged hours, with what is missing.
fn hours(dose: &Dose) -> Markup {
    let all = dose.covered_hours + dose.missing_hours;
    if all <= 0.0 {
        return cell("0 h");
    }
    if dose.covered_hours <= 0.0 {
        return two_lines("0 h logged", "unknown");
    }
    let missing = if dose.missing_hours >= 0.5 {
        format!("{} h missing", words::number(dose.missing_hours, 0))
    } else {
        String::new()
    };
    two_lines(&format!("{} h", words::about(dose.covered_sum)), &missing)
}

pub(super) fn chapter(scene: Scene<'_>, figures: &[Figure]) -> Markup {
    let fridges = &scene.study.fridges;
    html! {
        @if !fridges.is_empty() {
            section #fridge aria-labelledby="h-fridge" {
                h2 #h-fridge { "Fridge and mould" }
                @for fridge in fridges { (one(scene, fridge, figures)) }
            }
        }
    }
}

fn one(scene: Scene<'_>, fridge: &FridgeStudy, figures: &[Figure]) -> Markup {
    let place = scene.study.places.iter().find(|p| p.name == fridge.place);
    html! {
        h3 { (words::plain(&fridge.title)) }
        (figure(figures, &About::Fridge(fridge.place.clone())))
        (range(fridge))
        (judgement(fridge))
        (limits(fridge))
        (losses::by_length(scene, fridge))
        (stays(scene, fridge))
        @if let Some(place) = place.filter(|p| p.containers.is_empty()) {
            (places::climate(scene, place))
        }
    }
}

/// The fridge against its wanted range.
fn range(fridge: &FridgeStudy) -> Markup {
    let (below, above) = &fridge.outside;
    let degrees = |value: f64| words::number(value, 1);
    let stated = if fridge.wanted_is_stated {
        "wanted range"
    } else {
        "chill band (no wanted range is stated)"
    };
    html! {
        @if below.covered_hours > 0.0 {
            p {
                "Against the " (stated) " of " (degrees(fridge.wanted.0))
                " to " (degrees(fridge.wanted.1)) " °C: "
                @if below.covered_sum + above.covered_sum < 0.5 {
                    "never left in the "
                } @else {
                    (words::number(below.covered_sum, 0)) " h below it and "
                    (words::number(above.covered_sum, 0)) " h above it of the "
                }
                (words::number(below.covered_hours, 0)) " h logged. "
                @match fridge.doors.len() {
                    0 => "No opened door can be seen in the log.",
                    1 => "The door was seen to open once.",
                    n => { "The door was seen to open " (n) " times." }
                }
                " Short openings between two readings leave no trace."
            }
        } @else {
            p {
                "The temperature was not logged: whether the fridge kept its \
                 range, and how often its door was opened, is unknown."
            }
        }
    }
}

fn judgement(fridge: &FridgeStudy) -> Markup {
    let judged = fridge.judged().count();
    let mouldy = fridge.n_mouldy();
    let days = |hours: Option<f64>| {
        hours.map_or_else(
            || "–".to_owned(),
            |hours| words::number(hours / 24.0, 0),
        )
    };
    let (with, without) = fridge.median_hours_at_risk;
    let stays = counted(judged, "moist stay");
    let were = if judged == 1 { "was" } else { "were" };
    html! {
        @if judged == 0 {
            p {
                "No moist stay was looked at, so nothing is known of mould."
            }
        } @else {
            p {
                @if mouldy == 0 {
                    "No mould was seen in " (stays)
                } @else if judged == 1 {
                    "Mould was seen in the only moist stay"
                } @else if mouldy == judged {
                    "Mould was seen in all " (stays)
                } @else {
                    "Mould was seen in " (mouldy) " of " (stays)
                }
                " that " (were) " looked at. "
                @if mouldy > 0 && mouldy < judged {
                    "Length of stay is the rival explanation: a median of "
                    (days(with)) " days until the sighting where there was \
                    mould, " (days(without)) " days of stay where there was \
                    none. "
                }
                "One fridge in one run gives counts, not chances, and no \
                 cause. Humidity is that of the fridge's air, not of the \
                 closed bag."
            }
        }
    }
}

fn limits(fridge: &FridgeStudy) -> Markup {
    let judged = fridge.judged().count();
    let mouldy = fridge.n_mouldy();
    let median = |hours: Option<f64>, share: Option<f64>| {
        hours.map_or_else(dash, |hours| {
            two_lines(
                &format!("{} h", words::number(hours, 0)),
                &share.map(percent).unwrap_or_default(),
            )
        })
    };
    let logged = fridge
        .limits
        .iter()
        .any(|l| l.median_hours.0.or(l.median_hours.1).is_some());
    if !logged {
        return html! {};
    }
    let rows: Vec<Vec<Markup>> = fridge
        .limits
        .iter()
        .map(|line| {
            vec![
                cell(format!("{:.0} % or above", line.limit_percent)),
                median(line.median_hours.0, line.median_share.0),
                median(line.median_hours.1, line.median_share.1),
            ]
        })
        .collect();
    let with = format!("Stays with mould (n = {mouldy})");
    let without = format!("Stays without (n = {})", judged - mouldy);
    table(
        &Caption {
            title: "Time in humid air, until the sighting or the end of the \
                    stay",
            note: "Median hours, and median share of the logged time.",
        },
        &[column("Humidity of the air"), number(&with), number(&without)],
        &rows,
    )
}

fn stays(scene: Scene<'_>, fridge: &FridgeStudy) -> Markup {
    let rows: Vec<Vec<Markup>> =
        fridge.stays.iter().map(|stay| stay_row(scene, stay)).collect();
    let mut columns = vec![
        column("Unit"),
        column("Stay"),
        number("Mean temperature"),
        number("Mean humidity"),
        number("Chill"),
    ];
    let limits: Vec<String> = fridge
        .limits
        .iter()
        .map(|line| format!("Hours ≥ {:.0} %", line.limit_percent))
        .collect();
    columns.extend(limits.iter().map(|limit| number(limit)));
    columns.push(number("Germinated"));
    columns.push(broad("Mould first seen"));
    table(
        &Caption {
            title: "Stays",
            note: "Germinated: of the seeds that entered the unit, during \
                   this stay. Hours in humid air: until mould was seen or \
                   the stay ended.",
        },
        &columns,
        &rows,
    )
}

fn stay_row(scene: Scene<'_>, stay: &FridgeStay) -> Vec<Markup> {
    let mean = |value: Option<f64>, digits: usize, unit: &str| {
        value.map_or_else(unknown, |value| {
            cell(format!("{} {unit}", words::number(value, digits)))
        })
    };
    let moist = if stay.moist { "" } else { ", dry" };
    let mut row = vec![
        cell(stay.unit.as_str()),
        two_lines(
            &words::dates(scene.zone, stay.span.from, stay.span.to),
            &format!(
                "{} days{moist}",
                words::number(stay.span.hours() / 24.0, 0)
            ),
        ),
        mean(stay.mean_celsius, 1, "°C"),
        mean(stay.mean_humidity, 0, "%"),
        if stay.moist { hours(&stay.chill_hours) } else { cell("dry") },
    ];
    for (_, dose) in &stay.damp_hours {
        row.push(if dose.covered_hours > 0.0 {
            cell(words::number(dose.covered_sum, 0))
        } else {
            unknown()
        });
    }
    row.push(cell(format!("{}/{}", stay.germinated, stay.seeds)));
    row.push(match stay.mould {
        Some(seen) => between(scene, seen.clean_until, seen.seen),
        None if stay.looks == 0 => html! { span.soft { "not looked" } },
        None => {
            let words = format!("none in {}", looks(stay.looks));
            html! { span.soft { (words) } }
        }
    });
    row
}

fn looks(n: usize) -> String {
    counted(n, "look")
}
