//! Methods of what stands beside the planned comparisons: speed, groups on
//! figures, day and night, pairs. Told only where it was run.

use maud::{Markup, html};

use crate::report::Scene;
use crate::stats::resample::LEAST_CONTAINERS;
use crate::study::day_and_night::{DAY_FROM, DAY_TO};
use crate::study::findings::LEAST_PLACE_RUNS;
use crate::study::pairs::TOO_CLOSE;

pub(super) fn told(scene: Scene<'_>) -> Markup {
    let study = scene.study;
    let speed = study
        .speed
        .iter()
        .any(|speed| speed.levels.iter().any(|level| level.outcome.is_ok()));
    html! {
        @if speed { (fraction_and_speed()) }
        @if study.containers().next().is_some() { (groups()) }
        @if study.data_quality.readings_used > 0 { (day_and_night()) }
        @if !study.pairs.is_empty() { (pairs()) }
    }
}

fn fraction_and_speed() -> Markup {
    html! {
        dt { "Fraction and speed" }
        dd {
            "A share of the seeds that comes up in the end and a log-normal \
             time of those that do, fitted together to what lay between two \
             looks by maximum likelihood (split-population model, Farewell \
             1982). Limits: jackknife over the containers of a level, or its \
             batches where every level has " (LEAST_CONTAINERS) "; none under "
            (LEAST_CONTAINERS) ". A step from one length of treatment to the \
             next is described by the difference of two such times, its \
             limits from both; it has no p. Where a level has fewer than \
             three units of its own, no step is told."
        }
    }
}

fn groups() -> Markup {
    html! {
        dt { "Groups on figures" }
        dd {
            "Containers of one place and treatment added up; Wilson's \
             interval on the seeds divided by the scatter between containers \
             (Pearson's X² over its degrees of freedom, not below 1). A \
             picture, not a test."
        }
    }
}

fn day_and_night() -> Markup {
    html! {
        dt { "Day and night" }
        dd {
            "Means of whole hours, by the local clock: day from " (DAY_FROM)
            " to " (DAY_TO) " o'clock, night the rest; the same for all \
             places, a convention. Time outside a wanted range is counted in \
             such hours."
        }
    }
}

fn pairs() -> Markup {
    html! {
        dt { "Pairs" }
        dd {
            "Two factors can be told apart when every level of one met every \
             level of the other. Place and its climate cannot below "
            (LEAST_PLACE_RUNS) " place-runs; two conditions only from there on \
             and while the correlation of the places' means stays below "
            (TOO_CLOSE) " (a convention)."
        }
    }
}
