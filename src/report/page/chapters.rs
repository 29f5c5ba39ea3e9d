//! Comparisons: conditions against germination, treatment of batches,
//! factors by their own units.

use maud::{Markup, html};

use crate::climate::integrate::{Comparable, Dose, LEAST_COVERAGE};
use crate::observation::Quantity;
use crate::report::figures::{About, Figure};
use crate::report::levels::{coloured_by, containers_at, ordered};
use crate::report::messages::{capital, range};
use crate::report::page::table::{
    Caption, broad, cell, dash, number, table, two_lines, unknown,
    words as column,
};
use crate::report::page::{compared, figure, speed};
use crate::report::results::{TimingLevel, of as results_of};
use crate::report::{Scene, words};
use crate::study::factors::{FactorStudy, level};
use crate::study::findings::FindingKind;
use crate::study::place::PlaceStudy;
use crate::study::wording::{self, counted, list};
use crate::study::{Study, UnitStudy};

/// Lowest and highest share of some containers, at the common age.
fn shares<'a>(units: impl Iterator<Item = &'a UnitStudy>) -> Option<String> {
    let shares: Vec<f64> =
        units.filter_map(|unit| unit.outcome.fraction).collect();
    let low = shares.iter().copied().min_by(f64::total_cmp)?;
    let high = shares.iter().copied().max_by(f64::total_cmp)?;
    Some(range(low, high))
}

pub(super) fn conditions(scene: Scene<'_>, figures: &[Figure]) -> Markup {
    let study = scene.study;
    let rows: Vec<Vec<Markup>> = study
        .places
        .iter()
        .filter(|place| containers_at(study, &place.name).next().is_some())
        .map(|place| place_row(study, place))
        .collect();
    html! {
        section #conditions aria-labelledby="h-conditions" {
            h2 #h-conditions { "Conditions against germination" }
            (figure(figures, &About::Places))
            (compared::day_and_night(scene))
            (figure(figures, &About::Conditions))
            (table(
                &Caption {
                    title: "What came up beside the climate of its place",
                    note: "Germinated of every 100 seeds sown, lowest to \
                           highest container, at the common age. Doses with \
                           holes filled, lowest to highest container. Lost \
                           containers are not in it.",
                },
                &[
                    column("Place"),
                    number("Containers"),
                    number("Came up of 100 sown"),
                    number("Mean temperature"),
                    number("Degree-hours above 0\u{a0}°C"),
                    number("Lux-hours"),
                    number("Mean humidity of the air"),
                ],
                &rows,
            ))
            (figure(figures, &About::Speed))
            (compared::pairs(scene))
        }
    }
}

/// Containers whose share is known, and how many were lost, as a cell.
fn kept(units: &[&UnitStudy]) -> Markup {
    let lost = units.iter().filter(|u| u.outcome.lost_early).count();
    let note =
        if lost > 0 { format!("{lost} more lost") } else { String::new() };
    two_lines(&(units.len() - lost).to_string(), &note)
}

fn place_row(study: &Study, place: &PlaceStudy) -> Vec<Markup> {
    let all: Vec<&UnitStudy> = containers_at(study, &place.name).collect();
    let units: Vec<&UnitStudy> =
        all.iter().copied().filter(|u| !u.outcome.lost_early).collect();
    let mean = |quantity: Quantity, digits: usize| {
        let known = place.quantities.get(&quantity);
        known.and_then(|k| k.mean.zip(Some(k))).map_or_else(
            unknown,
            |(mean, known)| {
                let covered = known.coverage(place.span.hours());
                let thin = if covered < LEAST_COVERAGE {
                    format!("{} covered", wording::percent(covered))
                } else {
                    String::new()
                };
                let mean = words::number(mean, digits);
                two_lines(&format!("{mean} {}", quantity.unit()), &thin)
            },
        )
    };
    vec![
        cell(words::plain(&place.title)),
        kept(&all),
        shares(units.iter().copied()).map_or_else(unknown, cell),
        mean(Quantity::Temperature, 1),
        dose_range(&units, |unit| &unit.doses.degree_hours[0]),
        dose_range(&units, |unit| &unit.doses.lux_hours),
        mean(Quantity::Humidity, 0),
    ]
}

/// Lowest to highest comparable dose of some containers.
fn dose_range(units: &[&UnitStudy], dose: fn(&UnitStudy) -> &Dose) -> Markup {
    let known: Vec<f64> = units
        .iter()
        .filter_map(|unit| match dose(unit).comparable() {
            Comparable::Value(filled) => Some(filled.value),
            _ => None,
        })
        .collect();
    let any_log = units.iter().any(|unit| dose(unit).covered_hours > 0.0);
    let low = known.iter().copied().min_by(f64::total_cmp);
    let high = known.iter().copied().max_by(f64::total_cmp);
    let at_least = units.iter().any(|unit| dose(unit).at_least);
    let at_least = if at_least { "at least " } else { "" };
    match low.zip(high) {
        Some((low, high)) => {
            let (low, high) = (words::about(low), words::about(high));
            if low == high {
                cell(format!("{at_least}{low}"))
            } else {
                cell(format!("{at_least}{low} to {high}"))
            }
        }
        None if any_log => cell("too little data"),
        None => unknown(),
    }
}

pub(super) fn treatment(scene: Scene<'_>, figures: &[Figure]) -> Markup {
    let study = scene.study;
    let Some(factor) = coloured_by(study) else { return html! {} };
    let name = wording::factor(factor.name());
    let rows: Vec<Vec<Markup>> = ordered(study, factor.name())
        .iter()
        .map(|own| level_row(scene, factor, &own.name))
        .collect();
    html! {
        section #treatment aria-labelledby="h-treatment" {
            h2 #h-treatment {
                (capital(&words::plain(&name))) " and what came up"
            }
            (figure(figures, &About::Treatment))
            (table(
                &Caption {
                    title: "By level and place",
                    note: "Germinated of every 100 seeds sown, lowest to \
                           highest container, at the common age. Chill: \
                           moist hours at 0 to 7 °C over the seeds' whole \
                           history.",
                },
                &level_columns(scene),
                &rows,
            ))
        }
    }
}

fn level_columns(scene: Scene<'_>) -> Vec<crate::report::page::table::Column> {
    let mut columns =
        vec![column("Level"), number("Batches"), number("Containers")];
    for place in places_of_germination(scene.study) {
        columns.push(number(&words::plain(&place.title)));
    }
    columns.push(number("Stated in the cold"));
    columns.push(number("Chill logged"));
    columns
}

fn places_of_germination(study: &Study) -> Vec<&PlaceStudy> {
    study
        .places
        .iter()
        .filter(|place| containers_at(study, &place.name).next().is_some())
        .collect()
}

fn level_row(
    scene: Scene<'_>,
    factor: &FactorStudy,
    name: &str,
) -> Vec<Markup> {
    let study = scene.study;
    let own: Vec<&UnitStudy> = study
        .containers()
        .filter(|unit| level(unit, factor.name()).as_deref() == Some(name))
        .collect();
    let batches: std::collections::BTreeSet<_> =
        own.iter().filter_map(|unit| unit.outcome.batch.as_ref()).collect();
    let words_of = study.level_words(factor.name(), name);
    let mut row = vec![
        cell(words::plain(&words_of.short())),
        cell(batches.len().to_string()),
        kept(&own),
    ];
    for place in places_of_germination(study) {
        let here = own
            .iter()
            .copied()
            .filter(|u| u.outcome.main_place() == Some(&place.name));
        row.push(shares(here).map_or_else(dash, cell));
    }
    let stated: Vec<f64> =
        own.iter().map(|unit| unit.doses.stated_cold_hours).collect();
    row.push(weeks(&stated));
    row.push(dose_range(&own, |unit| &unit.doses.chill_hours));
    row
}

/// Hours as weeks and hours, lowest to highest.
fn weeks(hours: &[f64]) -> Markup {
    let low = hours.iter().copied().min_by(f64::total_cmp);
    let high = hours.iter().copied().max_by(f64::total_cmp);
    low.zip(high).map_or_else(unknown, |(low, high)| {
        let said = |hours: f64| words::number(hours / 168.0, 1);
        let (low, high) = (said(low), said(high));
        if low == high {
            cell(format!("{low} weeks"))
        } else {
            cell(format!("{low} to {high} weeks"))
        }
    })
}

pub(super) fn factors(scene: Scene<'_>) -> Markup {
    let study = scene.study;
    let rows: Vec<Vec<Markup>> =
        study.factors.iter().map(|f| factor_row(study, f)).collect();
    html! {
        section #factors aria-labelledby="h-factors" {
            h2 #h-factors { "Factors, each by its own units" }
            @if rows.is_empty() {
                p { "No factor has two levels: there is nothing to compare." }
            } @else {
                p {
                    "A factor is judged by how the things it was given to \
                     differ among themselves: batches for what was done to \
                     batches, containers for where containers stood. Seeds \
                     of one box are not counted as separate tries."
                }
            }
            (table(
                &Caption {
                    title: "Share germinated, by factor",
                    note: "Of seeds sown, at the common age. Holm: p after \
                           correction for all planned comparisons. A factor \
                           that was not planned gets no p.",
                },
                &[
                    column("Factor"),
                    column("Given to"),
                    column("Tested on"),
                    number("Scatter"),
                    number("F"),
                    number("p"),
                    number("p, Holm"),
                ],
                &rows,
            ))
            (pairs(study))
            (speed::levels(scene))
            (speed::steps(scene))
            (timing(scene))
            (unplanned(study))
        }
    }
}

/// What was not planned, as description.
fn unplanned(study: &Study) -> Markup {
    let told: Vec<_> = study
        .findings
        .iter()
        .filter(|f| f.kind == FindingKind::Exploratory && !f.levels.is_empty())
        .collect();
    html! {
        @if !told.is_empty() {
            h3 { "Not planned beforehand" }
            @for finding in told {
                p {
                    (capital(&words::plain(&wording::factor(&finding.factor))))
                    ": " (words::plain(&finding.levels)) " "
                    (words::plain(&finding.text))
                }
            }
        }
    }
}

fn factor_row(study: &Study, factor: &FactorStudy) -> Vec<Markup> {
    let test = &factor.test;
    // Where nothing could be fitted, the units are those of the levels.
    let stated: u32 = test.levels.iter().map(|level| level.n_units).sum();
    let n = usize::try_from(test.n_units.max(stated)).unwrap_or(usize::MAX);
    let levels: Vec<String> = ordered(study, factor.name())
        .iter()
        .map(|own| words::plain(&own.words.short()))
        .collect();
    let name = words::plain(&wording::factor(factor.name()));
    let f = test.f.filter(|_| factor.planned).map_or_else(dash, |f| {
        two_lines(
            &words::number(f, 2),
            &format!("df {:.0}, {:.0}", test.df.0, test.df.1),
        )
    });
    let p = match (test.p.filter(|_| factor.planned), &test.why_no_p) {
        (Some(p), _) => cell(p_alone(p)),
        (None, _) if !factor.planned => cell("not planned"),
        (None, Some(_)) => cell("none"),
        (None, None) => dash(),
    };
    vec![
        two_lines(&capital(&name), &list(&levels)),
        cell(format!("each {}", test.applied_to)),
        cell(counted(n, &test.tested_on.to_string())),
        test.dispersion
            .map_or_else(dash, |d| cell(format!("{} ×", words::number(d, 1)))),
        f,
        p,
        factor.corrected_p.map_or_else(dash, |p| cell(p_alone(p))),
    ]
}

/// `0.012`, `< 0.001`.
fn p_alone(p: f64) -> String {
    let text = wording::p_value(p);
    text.trim_start_matches("p = ").trim_start_matches("p ").to_owned()
}

/// Pairs of levels of planned factors that have a p.
fn pairs(study: &Study) -> Markup {
    let rows: Vec<Vec<Markup>> = study
        .factors
        .iter()
        .filter(|factor| factor.planned && factor.corrected_p.is_some())
        .flat_map(|factor| {
            factor.joint_differences.iter().map(move |pair| (factor, pair))
        })
        .map(|(factor, pair)| {
            let say = |level: &str| {
                words::plain(&study.level_words(factor.name(), level).short())
            };
            let hundred = |share: f64| words::number(100.0 * share, 0);
            let apart =
                crate::report::levels::told_apart(factor, &pair.from, &pair.to);
            vec![
                cell(format!("{} against {}", say(&pair.to), say(&pair.from))),
                cell(hundred(pair.estimate)),
                cell(wording::between(
                    100.0 * pair.interval.lower,
                    100.0 * pair.interval.upper,
                    0,
                )),
                cell(if apart { "yes" } else { "no" }),
            ]
        })
        .collect();
    table(
        &Caption {
            title: "Pairs of levels",
            note: "Difference of germinated seeds of every 100 sown, first \
                   minus second; the intervals of one factor hold for all \
                   its pairs together.",
        },
        &[
            column("Pair"),
            number("Difference"),
            number("95 % interval"),
            column("Told apart"),
        ],
        &rows,
    )
}

/// Speed apart from fraction, described by level.
fn timing(scene: Scene<'_>) -> Markup {
    let timing = results_of(scene).timing;
    let rows: Vec<Vec<Markup>> =
        timing.levels.iter().map(|own| timing_row(scene, own)).collect();
    table(
        &Caption {
            title: "Time to germination, by level",
            note: "Days since sowing. Times lie between two looks. Half of \
                   the seeds that germinated (not of those sown): from the \
                   earliest to the latest container. A description, no test: \
                   fraction and speed are told apart, not weighed.",
        },
        &[
            column("Level"),
            number("Containers"),
            number("With germination"),
            number("First seen"),
            broad("Half of the germinated"),
        ],
        &rows,
    )
}

fn timing_row(scene: Scene<'_>, own: &TimingLevel) -> Vec<Markup> {
    let factor = words::plain(&wording::factor(&own.factor));
    let level = scene.study.level_words(&own.factor, &own.level).short();
    let between = |days: Option<crate::report::results::Days>| {
        days.map_or_else(dash, |days| {
            cell(format!(
                "day {} to {}",
                words::number(days.after, 0),
                words::number(days.by, 0)
            ))
        })
    };
    vec![
        two_lines(&words::plain(&level), &factor),
        cell(own.containers.to_string()),
        cell(own.with_germination.to_string()),
        between(own.first),
        between(own.t50_of_germinated),
    ]
}
