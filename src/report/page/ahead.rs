//! What is still to come, container by container; only while a trial runs.

use maud::{Markup, html};

use crate::report::page::table::{
    Caption, broad, cell, dash, number, table, two_lines, words as column,
};
use crate::report::{Scene, words};
use crate::study::prediction::{
    AHEAD_DAYS, Ahead, Clock, ContainerAhead, Prediction,
};

pub(super) fn chapter(scene: Scene<'_>) -> Markup {
    let Some(found) = &scene.study.prediction else {
        return html! {};
    };
    html! {
        section #ahead aria-labelledby="h-ahead" {
            h2 #h-ahead { "Still to come" }
            @if let Some(why) = found.refused() {
                p { "Nothing is foretold: " (words::plain(&why.to_string())) "." }
            } @else {
                p { (rests_on(found)) }
                (foretold(scene, found))
            }
        }
    }
}

fn rests_on(found: &Prediction) -> String {
    let clock = match found.clock {
        Clock::Warmth => {
            "follows the warmth since sowing; from here on each place goes on \
             as in the past week"
        }
        Clock::Days => {
            "counts days since sowing, because the warmth of some containers \
             is not known"
        }
    };
    format!(
        "From {} containers so far. The model {clock}. A forecast, not a \
         finding.",
        found.fitted
    )
}

fn foretold(scene: Scene<'_>, found: &Prediction) -> Markup {
    let rows: Vec<Vec<Markup>> =
        found.containers.iter().map(|own| row(scene, own)).collect();
    let mut columns = vec![column("Container"), number("Left")];
    for days in AHEAD_DAYS {
        let head = match days / 7 {
            1 => "In a week".to_owned(),
            weeks => format!("In {weeks} weeks"),
        };
        columns.push(number(&head));
    }
    columns.push(broad("When"));
    let note = "More germinated seeds than at the last look, with 95 % \
                limits that hold the scatter of containers. When: from the \
                first tenth to nine tenths of what the last step expects. \
                A dash: further than the containers so far were followed.";
    table(&Caption { title: "Seeds still expected", note }, &columns, &rows)
}

fn row(scene: Scene<'_>, own: &ContainerAhead) -> Vec<Markup> {
    let mut row = match &own.outcome {
        Ok(_) => vec![cell(words::plain(own.name.as_str()))],
        Err(why) => vec![two_lines(
            &words::plain(own.name.as_str()),
            &words::plain(&why.to_string()),
        )],
    };
    row.push(cell(own.left.to_string()));
    for days in AHEAD_DAYS {
        let step = own.outcome.as_ref().ok().and_then(|ahead| {
            ahead.steps.iter().find(|step| step.days == days)
        });
        row.push(step.map_or_else(dash, |step| {
            two_lines(
                &words::number(step.count.mean, 0),
                &format!("{} to {}", step.count.low, step.count.high),
            )
        }));
    }
    row.push(own.outcome.as_ref().map_or_else(|_| dash(), |a| when(scene, a)));
    row
}

fn when(scene: Scene<'_>, ahead: &Ahead) -> Markup {
    let expected = ahead.steps.last().map_or(0.0, |step| step.count.mean);
    if expected < 0.5 {
        return cell("hardly any");
    }
    let [tenth, half, nine_tenths] = ahead.when;
    two_lines(
        &format!("half by {}", words::date(scene.zone, half)),
        &words::dates(scene.zone, tenth, nine_tenths),
    )
}
