//! Every container: seeds, germinated, interval, time, mould, end.

use maud::{Markup, html};

use crate::observation::Name;
use crate::report::levels::{coloured_by, ordered};
use crate::report::messages::capital;
use crate::report::page::table::{
    Caption, broad, cell, dash, number, strip, table, two_lines,
    words as column,
};
use crate::report::results::{Days, within};
use crate::report::{Scene, words};
use crate::study::UnitStudy;
use crate::study::factors::{PLACE, level};
use crate::study::outcome::Outcome;
use crate::study::wording::{factor as spoken, list};
use crate::units::Instant;

pub(super) fn chapter(scene: Scene<'_>) -> Markup {
    let study = scene.study;
    let mut places: Vec<Option<&Name>> =
        study.containers().map(|unit| unit.outcome.main_place()).collect();
    places.sort_unstable();
    places.dedup();
    html! {
        section #containers aria-labelledby="h-containers" {
            h2 #h-containers { "Containers" }
            @if places.is_empty() {
                p { "None was sown." }
            } @else {
                p.small {
                    "The interval (95 %, Wilson) takes the seeds of a \
                     container as independent and speaks of this container \
                     only. Days are counted from sowing; an event lies \
                     between two looks. Mean time: of the germinated seeds, \
                     at the looks that saw them."
                }
            }
            @for place in places { (at_place(scene, place)) }
        }
    }
}

fn at_place(scene: Scene<'_>, place: Option<&Name>) -> Markup {
    let study = scene.study;
    let factor = coloured_by(study);
    let order = factor.map(|f| ordered(study, f.name())).unwrap_or_default();
    let rank = |unit: &UnitStudy| {
        let own = factor.and_then(|f| level(unit, f.name()));
        order.iter().position(|level| Some(&level.name) == own.as_ref())
    };
    let mut units: Vec<&UnitStudy> = study
        .containers()
        .filter(|unit| unit.outcome.main_place() == place)
        .collect();
    units.sort_by_key(|unit| (rank(unit), unit.outcome.name.clone()));
    let rows: Vec<Vec<Markup>> =
        units.iter().map(|unit| row(scene, unit)).collect();
    let title = place.map_or_else(
        || "Place not stated".to_owned(),
        |place| study.level_words(PLACE, place.as_str()).level,
    );
    let treatment =
        factor.map_or_else(|| "Lot".to_owned(), |f| capital(&spoken(f.name())));
    table(
        &Caption {
            title: &words::plain(&title),
            note: "Germinated of the seeds sown into each container.",
        },
        &[
            column("Container"),
            column(&words::plain(&treatment)),
            number("Germinated"),
            column("Of every 100 sown"),
            column("Half of the sown"),
            column("Half of the germinated"),
            number("Mean time"),
            column("Mould"),
            broad("The rest, at the end"),
        ],
        &rows,
    )
}

fn row(scene: Scene<'_>, unit: &UnitStudy) -> Vec<Markup> {
    let outcome = &unit.outcome;
    let lot = outcome.lot.as_ref().map(ToString::to_string);
    let treatment = coloured_by(scene.study).and_then(|factor| {
        let own = level(unit, factor.name())?;
        Some(scene.study.level_words(factor.name(), &own).short())
    });
    let label = outcome.label.map(|l| l.to_string()).unwrap_or_default();
    let lot = lot.unwrap_or_default();
    vec![
        two_lines(outcome.name.as_str(), &label),
        match treatment {
            Some(treatment) if lot.is_empty() => cell(words::plain(&treatment)),
            Some(treatment) => {
                two_lines(&words::plain(&treatment), &format!("lot {lot}"))
            }
            None => cell(lot),
        },
        cell(format!("{}/{}", outcome.germinated, outcome.entered)),
        share(outcome),
        half(outcome, within(outcome.t50_entered), true),
        half(outcome, within(outcome.t50_germinated), false),
        outcome.timing.as_ref().map_or_else(dash, |timing| {
            cell(format!("{} d", words::number(timing.mean_days, 1)))
        }),
        mould(outcome),
        cell(fate(outcome)),
    ]
}

fn share(outcome: &Outcome) -> Markup {
    let Some(share) = outcome.fraction else {
        let why = if outcome.lost_early { "lost" } else { "no seed" };
        return html! { span.soft { (why) } };
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
    let reached = if of_sown && outcome.entered > 0 {
        "not reached"
    } else {
        "none germinated"
    };
    html! { span.soft { (reached) } }
}

/// First sighting in days since the unit began, and seeds taken out.
pub(super) fn mould(outcome: &Outcome) -> Markup {
    let Some(seen) = outcome.mould else {
        let words = if outcome.looks == 0 { "not looked" } else { "none seen" };
        return html! { span.soft { (words) } };
    };
    let day = |at: Instant| words::number(at.days_since(outcome.begun), 0);
    let removed = if outcome.removed_mould > 0 {
        format!("{} taken out", outcome.removed_mould)
    } else {
        String::new()
    };
    let days = format!("day {} to {}", day(seen.clean_until), day(seen.seen));
    two_lines(&days, &removed)
}

/// What became of the seeds that did not germinate; those taken out for
/// mould stand with the mould.
pub(super) fn fate(outcome: &Outcome) -> String {
    let mut parts = Vec::new();
    let mut put = |n: u32, word: &str| {
        if n > 0 {
            parts.push(format!("{n} {word}"));
        }
    };
    put(outcome.transferred, "moved on");
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
