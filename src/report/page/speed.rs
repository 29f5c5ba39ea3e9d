//! Fraction and speed apart: how soon the seeds of each level come up, and
//! what a longer treatment did.

use maud::Markup;

use crate::report::page::table::{
    Caption, broad, cell, dash, number, table, two_lines, words as column,
};
use crate::report::{Scene, words};
use crate::study::speed::{Change, SpeedLevel, SpeedStep, SpeedStudy};
use crate::study::wording::{self, percent};

pub(super) fn levels(scene: Scene<'_>) -> Markup {
    let rows: Vec<Vec<Markup>> = scene
        .study
        .speed
        .iter()
        .flat_map(|speed| {
            speed.levels.iter().map(move |level| row(scene, speed, level))
        })
        .collect();
    table(
        &Caption {
            title: "Fraction and speed, apart",
            note: "Of all seeds the share that comes up in the end, and the \
                   day by which half of those have, both by the \
                   split-population model. Limits (95 %) from leaving out \
                   each container (or batch, where there are six a level) in \
                   turn; none under six.",
        },
        &[
            column("Level"),
            number("Containers"),
            number("Germinated"),
            number("Comes up in the end"),
            number("Half of those by day"),
        ],
        &rows,
    )
}

fn row(
    scene: Scene<'_>,
    speed: &SpeedStudy,
    level: &SpeedLevel,
) -> Vec<Markup> {
    let said = scene.study.level_words(&speed.factor, &level.level).short();
    let factor = words::plain(&wording::factor(&speed.factor));
    let mut row = vec![
        two_lines(&words::plain(&said), &factor),
        cell(level.n_containers.to_string()),
        cell(level.germinated.to_string()),
    ];
    match &level.outcome {
        Ok(found) => {
            let settled =
                if found.settled { "" } else { "still coming up: not settled" };
            row.push(two_lines(&percent(found.final_share), settled));
            let days = words::number(found.half_days, 1);
            row.push(found.limits().map_or_else(
                || two_lines(&days, "no limits"),
                |limits| {
                    let low = words::number(limits.lower, 1);
                    let high = words::number(limits.upper, 1);
                    two_lines(&days, &format!("{low} to {high}"))
                },
            ));
        }
        Err(why) => {
            row.push(two_lines("–", &why.to_string()));
            row.push(dash());
        }
    }
    row
}

pub(super) fn steps(scene: Scene<'_>) -> Markup {
    let rows: Vec<Vec<Markup>> = scene
        .study
        .speed
        .iter()
        .flat_map(|speed| {
            speed.steps.iter().map(move |step| step_row(scene, speed, step))
        })
        .collect();
    table(
        &Caption {
            title: "What a longer treatment did",
            note: "More: by the planned comparison, its interval for all \
                   pairs together. Sooner: described, by the limits of the \
                   difference; no p.",
        },
        &[
            column("Step"),
            column("More came up"),
            number("Days sooner"),
            broad("So"),
        ],
        &rows,
    )
}

fn step_row(
    scene: Scene<'_>,
    speed: &SpeedStudy,
    step: &SpeedStep,
) -> Vec<Markup> {
    let say = |level: &str| {
        words::plain(&scene.study.level_words(&speed.factor, level).short())
    };
    let more = match step.share {
        Change::More => "yes",
        Change::Less => "fewer",
        Change::CannotTell => "cannot tell",
    };
    let sooner = step.sooner.map_or_else(dash, |(days, limits)| {
        two_lines(
            &words::number(days, 1),
            &wording::between(limits.lower, limits.upper, 1),
        )
    });
    let so = match (step.share, step.time()) {
        (Change::More, Change::More) => "more, and sooner",
        (Change::More, Change::Less) => "more, but later",
        (Change::More, Change::CannotTell) => "more; sooner cannot be told",
        (Change::Less, Change::More) => "fewer, but sooner",
        (Change::Less, _) => "fewer",
        (Change::CannotTell, Change::More) => {
            "sooner; that more came up cannot be told"
        }
        (Change::CannotTell, Change::Less) => "later; more cannot be told",
        (Change::CannotTell, Change::CannotTell) => "neither can be told",
    };
    vec![
        cell(format!("{} instead of {}", say(&step.to), say(&step.from))),
        cell(more),
        sooner,
        cell(so),
    ]
}
