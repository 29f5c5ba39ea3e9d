//! Every container: seeds, germinated, interval, time, mould, end.

use maud::{Markup, html};

use crate::report::levels::coloured_by;
use crate::report::page::table::{
    Caption, broad, cell, number, strip, table, two_lines, words as column,
};
use crate::report::results::{Days, within};
use crate::report::{Scene, words};
use crate::stats::turnbull::TimeToShare;
use crate::study::UnitStudy;
use crate::study::factors::{PLACE, level};
use crate::study::outcome::Outcome;
use crate::study::wording::list;

pub(super) fn chapter(scene: Scene<'_>) -> Markup {
    let study = scene.study;
    let mut units: Vec<&UnitStudy> = study.containers().collect();
    units.sort_by_key(|unit| {
        (unit.outcome.main_place().cloned(), unit.outcome.name.clone())
    });
    let rows: Vec<Vec<Markup>> =
        units.iter().map(|unit| row(scene, unit)).collect();
    html! {
        section #containers aria-labelledby="h-containers" {
            h2 #h-containers { "Containers" }
            @if rows.is_empty() { p { "None was sown." } }
            (table(
                &Caption {
                    title: "What came up in each container",
                    note: "Of seeds sown into it. The interval (95 %, \
                           Wilson) takes its seeds as independent and speaks \
                           of this container only. Half of the seeds: an \
                           interval between two looks, days since sowing. \
                           Mean time: of the germinated seeds, at the looks \
                           that saw them.",
                },
                &[
                    column("Container"),
                    column("Where"),
                    number("Germinated"),
                    column("Of every 100 sown"),
                    column("Half of the sown"),
                    column("Half of the germinated"),
                    number("Mean time"),
                    broad("Mould"),
                    broad("At the end"),
                ],
                &rows,
            ))
        }
    }
}

fn row(scene: Scene<'_>, unit: &UnitStudy) -> Vec<Markup> {
    let outcome = &unit.outcome;
    let place = outcome.main_place().map_or_else(
        || "place not stated".to_owned(),
        |place| scene.study.level_words(PLACE, place.as_str()).level,
    );
    let treatment = coloured_by(scene.study)
        .and_then(|factor| {
            let own = level(unit, factor.name())?;
            Some(scene.study.level_words(factor.name(), &own).short())
        })
        .unwrap_or_default();
    let label = outcome.label.map(|l| l.to_string()).unwrap_or_default();
    let dash = || html! { span.soft { "–" } };
    vec![
        two_lines(outcome.name.as_str(), &label),
        two_lines(&words::plain(&place), &words::plain(&treatment)),
        cell(format!("{}/{}", outcome.germinated, outcome.entered)),
        share(outcome),
        half(outcome, within(outcome.t50_entered), true),
        half(outcome, within(outcome.t50_germinated), false),
        outcome.timing.as_ref().map_or_else(dash, |timing| {
            cell(format!("{} d", words::number(timing.mean_days, 1)))
        }),
        mould(scene, outcome),
        cell(fate(outcome)),
    ]
}

fn share(outcome: &Outcome) -> Markup {
    let Some(share) = outcome.fraction else {
        return html! { span.soft { "no seed" } };
    };
    let interval = outcome.interval.map(|i| (i.lower, i.upper));
    html! {
        span.nobr {
            (words::of_hundred(share))
            @if let Some((low, high)) = interval {
                " "
                span.soft {
                    "(" (words::of_hundred(low)) " to "
                    (words::of_hundred(high)) ")"
                }
            }
        }
        br;
        (strip(share, interval))
        @if outcome.germinated_at_common_age != outcome.germinated {
            br;
            span.soft {
                "at the common age: " (outcome.germinated_at_common_age)
            }
        }
    }
}

fn half(outcome: &Outcome, days: Option<Days>, of_sown: bool) -> Markup {
    if let Some(days) = days {
        return cell(format!(
            "day {} to {}",
            words::number(days.after, 0),
            words::number(days.by, 0)
        ));
    }
    let reached = match outcome.t50_entered {
        Some(TimeToShare::NotReached { .. }) if of_sown => "not reached",
        _ => "none germinated",
    };
    html! { span.soft { (reached) } }
}

fn mould(scene: Scene<'_>, outcome: &Outcome) -> Markup {
    let Some(seen) = outcome.mould else {
        let words = if outcome.looks == 0 { "not looked" } else { "none seen" };
        return html! { span.soft { (words) } };
    };
    let removed = if outcome.removed_mould > 0 {
        format!("{} taken out", outcome.removed_mould)
    } else {
        String::new()
    };
    two_lines(
        &format!(
            "between {}",
            words::dates(scene.zone, seen.clean_until, seen.seen)
                .replace(" to ", " and ")
        ),
        &removed,
    )
}

/// What became of the seeds that did not germinate.
pub(super) fn fate(outcome: &Outcome) -> String {
    let mut parts = Vec::new();
    let mut put = |n: u32, word: &str| {
        if n > 0 {
            parts.push(format!("{n} {word}"));
        }
    };
    put(outcome.transferred, "moved on");
    put(outcome.removed_mould, "taken out for mould");
    put(outcome.removed_other, "taken out otherwise");
    match &outcome.closure {
        Some(closure) => {
            put(closure.viable, "viable");
            put(closure.empty, "empty");
            put(closure.dead, "dead");
            put(closure.mouldy, "mouldy");
            put(closure.lost, "lost");
            if parts.is_empty() {
                return "closed, no seed left".to_owned();
            }
        }
        None => put(outcome.left, "left, not classed"),
    }
    if parts.is_empty() { "no seed left".to_owned() } else { list(&parts) }
}
