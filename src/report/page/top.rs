//! The page on top: the question, what was tried, what may be said, the
//! cautions that matter, what the numbers rest on.

use maud::{Markup, html};

use crate::observation::Quantity;
use crate::report::levels::{containers_at, ordered};
use crate::report::page::methods::{is_about_care, is_detail};
use crate::report::page::table::{cell, strip};
use crate::report::{Scene, results, words};
use crate::study::Study;
use crate::study::factors::{FactorStudy, PLACE};
use crate::study::findings::{Finding, FindingKind};
use crate::study::wording::{counted, list, percent};

pub(super) fn summary(scene: Scene<'_>, title: &str) -> Markup {
    let study = scene.study;
    html! {
        header {
            p.kicker {
                "Trial " (study.trial) " · up to "
                (words::date(scene.zone, study.until))
            }
            h1 { (title) }
            (tried(scene))
        }
        section #findings aria-labelledby="h-findings" {
            h2 #h-findings { "What may be said" }
            @if study.findings.is_empty() {
                p { "Nothing yet: no container has been looked at." }
            }
            ol.findings {
                @for finding in on_top(study) {
                    (told(scene, finding))
                }
            }
        }
        (cautions(scene))
        (rests_on(scene))
    }
}

/// Planned comparisons and plain counts; what was not planned stands with
/// the factors, unless there is nothing else.
fn on_top(study: &Study) -> impl Iterator<Item = &Finding> {
    let planned = study.factors.iter().any(|factor| factor.planned);
    study.findings.iter().filter(move |finding| {
        !planned || finding.kind != FindingKind::Exploratory
    })
}

/// Who, where, when, how many, how often: as a sentence and as figures.
fn tried(scene: Scene<'_>) -> Markup {
    let study = scene.study;
    let told = results::of(scene);
    let trial = &told.trial;
    let places: Vec<String> = study
        .places
        .iter()
        .filter(|place| containers_at(study, &place.name).next().is_some())
        .map(|place| words::plain(&place.title))
        .collect();
    let species: std::collections::BTreeSet<String> = scene
        .trial
        .lots
        .values()
        .map(|lot| words::plain(&lot.species))
        .filter(|species| !species.is_empty())
        .collect();
    let species: Vec<String> = species.into_iter().collect();
    let sown: Vec<_> =
        study.containers().map(|unit| unit.outcome.begun).collect();
    let sowing = sown.iter().min().zip(sown.iter().max());
    html! {
        p.lead {
            @if !species.is_empty() { "Seeds of " (list(&species)) ". " }
            @if let Some((first, last)) = sowing {
                "Sown " (words::dates(scene.zone, *first, *last))
                @if !places.is_empty() { " at " (list(&places)) }
                @if let Some(days) = trial.common_age_days {
                    ", compared "
                    (counted_days(days)) " after sowing"
                }
                ". "
            } @else {
                "No container has been sown yet. "
            }
            (levels_tried(scene))
        }
        dl.facts {
            (fact(&counted(trial.lots, "lot"), "one origin each"))
            (fact(
                &counted(trial.batches, "batch"),
                &format!("{} seeds prepared", trial.seeds_prepared),
            ))
            (fact(
                &counted(trial.containers, "container"),
                &format!("{} seeds sown", trial.seeds_sown),
            ))
            (fact(
                &counted(trial.looks, "look"),
                &told.timing.days_between_looks.map_or_else(
                    || "at batches and containers".to_owned(),
                    |days| format!(
                        "a container every {}, as a rule", every(days)
                    ),
                ),
            ))
            (fact(
                &counted(study.places.len(), "place"),
                &logged_places(scene),
            ))
        }
    }
}

fn every(days: f64) -> String {
    let days = words::number(days, usize::from((days % 1.0) > 0.05));
    if days == "1" { "day".to_owned() } else { format!("{days} days") }
}

fn counted_days(days: f64) -> String {
    let days = words::number(days, 0);
    if days == "1" { "1 day".to_owned() } else { format!("{days} days") }
}

fn fact(figure: &str, about: &str) -> Markup {
    html! {
        div { dt { (about) } dd { (figure) } }
    }
}

fn logged_places(scene: Scene<'_>) -> String {
    let places = &scene.study.places;
    let logged = places
        .iter()
        .filter(|place| place.quantities.values().any(|q| q.is_known()))
        .count();
    match logged {
        0 => "none logged by a board".to_owned(),
        n if n == places.len() => "all logged by boards".to_owned(),
        n => format!("{n} of them logged by boards"),
    }
}

/// The planned factors with their levels.
fn levels_tried(scene: Scene<'_>) -> Markup {
    let study = scene.study;
    let planned: Vec<String> = study
        .factors
        .iter()
        .filter(|factor| factor.planned)
        .map(|factor| {
            let levels = ordered(study, factor.name());
            let unit = levels.first().map_or("", |level| level.words.unit);
            let same = !unit.is_empty()
                && levels.iter().all(|level| level.words.unit == unit);
            let names: Vec<String> = levels
                .iter()
                .map(|level| {
                    words::plain(&if same {
                        level.words.level.clone()
                    } else {
                        level.words.short()
                    })
                })
                .collect();
            let name = crate::study::wording::factor(factor.name());
            let name = words::plain(&name);
            if factor.name() == PLACE {
                return name;
            }
            let unit = if same { format!(" {unit}") } else { String::new() };
            format!("{name} ({}{unit})", list(&names))
        })
        .collect();
    html! {
        @if planned.is_empty() {
            "No comparison was planned beforehand, so everything below is \
             description."
        } @else {
            "Planned beforehand: " (list(&planned)) "."
        }
    }
}

fn told(scene: Scene<'_>, finding: &Finding) -> Markup {
    let factor = scene
        .study
        .factors
        .iter()
        .find(|factor| factor.name() == finding.factor);
    let tag = match finding.kind {
        FindingKind::Planned => "Planned comparison",
        FindingKind::PlannedUndecided => "Planned comparison, undecided",
        FindingKind::Exploratory => "Described, not tested",
        FindingKind::Count => "Counted",
    };
    html! {
        li class=(finding.kind.word()) {
            p.tag {
                (tag)
                @if let Some(factor) = factor {
                    ": "
                    (words::plain(
                        &crate::study::wording::factor(factor.name())
                    ))
                }
            }
            p.says { (words::plain(&finding.text)) }
            @if let Some(factor) = factor {
                @if let Some(speed) = speed(scene, factor) {
                    p { (words::plain(&speed)) }
                }
                (levels(scene, factor))
            }
            p.basis { (words::plain(&finding.basis)) }
        }
    }
}

/// Whether a longer treatment brought more up or only brought it forward.
fn speed(scene: Scene<'_>, factor: &FactorStudy) -> Option<String> {
    let study = scene.study;
    let own = study.speed.iter().find(|s| s.factor == factor.name())?;
    own.sentence(study).filter(|_| factor.planned)
}

/// Levels of a factor in their order, with interval where there is one.
fn levels(scene: Scene<'_>, factor: &FactorStudy) -> Markup {
    let order = ordered(scene.study, factor.name());
    let test = &factor.test;
    let unit = test.tested_on.to_string();
    let rows = order.iter().filter_map(|own| {
        let level = test.levels.iter().find(|l| l.name == own.name)?;
        Some((own, level))
    });
    html! {
        table.compact role="table" {
            thead role="rowgroup" {
                tr role="row" {
                    th scope="col" { "Level" }
                    th.n scope="col" { "of every 100 seeds sown" }
                    th scope="col" { "95 % interval" }
                    th.n scope="col" { "seeds" }
                    th.n scope="col" { "n (" (unit) ")" }
                }
            }
            tbody role="rowgroup" {
                @for (own, level) in rows {
                    tr role="row" {
                        th scope="row" role="rowheader" {
                            (words::plain(&own.words.short()))
                        }
                        td.n role="cell" data-label="of 100" {
                            (words::of_hundred(level.estimate))
                        }
                        td role="cell" data-label="95 % interval" {
                            @if let Some(interval) = level.interval {
                                (strip(
                                    level.estimate,
                                    Some((interval.lower, interval.upper)),
                                ))
                                " "
                                span.nobr {
                                    (words::of_hundred(interval.lower))
                                    " to "
                                    (words::of_hundred(interval.upper))
                                }
                            } @else { span.soft { "none" } }
                        }
                        td.n role="cell" data-label="seeds" {
                            (level.pooled.k()) "/" (level.pooled.n())
                        }
                        td.n role="cell" data-label=(format!("n {unit}")) {
                            (level.n_units)
                        }
                    }
                }
            }
        }
    }
}

fn cautions(scene: Scene<'_>) -> Markup {
    let cautions: Vec<_> = scene
        .study
        .cautions
        .iter()
        .filter(|c| !is_about_care(c.id) && !is_detail(c.id))
        .collect();
    html! {
        @if !cautions.is_empty() {
            section #cautions aria-labelledby="h-cautions" {
                h2 #h-cautions { "What must be said with it" }
                ul.cautions {
                    @for caution in cautions {
                        li { (cell(words::plain(&caution.text))) }
                    }
                }
            }
        }
    }
}

/// Data quality in two sentences; the table is below.
fn rests_on(scene: Scene<'_>) -> Markup {
    let quality = &scene.study.data_quality;
    let lowest = |quantity: Quantity| {
        quality
            .covered
            .iter()
            .filter(|c| c.quantity == quantity && c.coverage > 0.0)
            .min_by(|a, b| a.coverage.total_cmp(&b.coverage))
    };
    let thin: Vec<String> = Quantity::CLIMATE
        .into_iter()
        .filter_map(|quantity| {
            let covered = lowest(quantity)?;
            Some(format!("{} {}", quantity.word(), percent(covered.coverage)))
        })
        .collect();
    let left_out: usize =
        quality.left_out.values().sum::<usize>() + quality.excluded;
    html! {
        section #rests aria-labelledby="h-rests" {
            h2 #h-rests { "What it rests on" }
            @if quality.readings_used == 0 {
                p {
                    "On counts alone: no reading of a board is behind this \
                     report, so what the seeds lived through is stated, not \
                     measured. Doses are unknown."
                }
            } @else {
                p {
                    (words::count(quality.readings_used))
                    " readings were used"
                    @if left_out > 0 {
                        ", " (words::count(left_out)) " left out"
                    }
                    @if quality.corrected > 0 {
                        ", " (words::count(quality.corrected))
                        " corrected by a calibration"
                    }
                    ". Where there is a log, it covers at least this much of \
                     the time that units were there: "
                    (list(&thin)) ". "
                    a href="#quality" { "Place by place" }
                    "."
                }
            }
            @if !scene.problems.is_empty() {
                p {
                    (counted(scene.problems.len(), "line"))
                    " of the ledger broke a rule, so left out; listed "
                    a href="#quality" { "below" } "."
                }
            }
        }
    }
}

pub(super) fn contents(scene: Scene<'_>) -> Markup {
    let study = scene.study;
    let has_batches = study.batches().next().is_some();
    html! {
        nav aria-label="Contents" {
            ul {
                li { a href="#places" { "Places" } }
                li { a href="#conditions" { "Conditions" } }
                @if crate::report::levels::coloured_by(study).is_some() {
                    li { a href="#treatment" { "Treatment of batches" } }
                }
                li { a href="#factors" { "Factors" } }
                @if study.prediction.is_some() {
                    li { a href="#ahead" { "Still to come" } }
                }
                li { a href="#containers" { "Containers" } }
                @if has_batches { li { a href="#batches" { "Batches" } } }
                @if !study.fridges.is_empty() {
                    li { a href="#fridge" { "Fridge and mould" } }
                }
                @if !study.next.is_empty() {
                    li { a href="#next" { "What next" } }
                }
                li { a href="#quality" { "Data" } }
                li { a href="#methods" { "Methods" } }
            }
        }
    }
}
