//! Germination against accumulated warmth: what was fitted, or why nothing
//! was.

use maud::{Markup, html};

use crate::report::figures::{About, Figure};
use crate::report::page::figure;
use crate::report::page::table::{
    Caption, cell, dash, number, table, two_lines, words as column,
};
use crate::report::{Scene, words};
use crate::stats::interval::Interval;
use crate::study::thermal::{STATED_BASE_CELSIUS, ThermalGroup, ThermalTime};
use crate::study::wording::{self, percent};

pub(super) fn chapter(scene: Scene<'_>, figures: &[Figure]) -> Markup {
    let thermal = &scene.study.thermal_time;
    let factor = thermal.factor.as_deref().unwrap_or_default();
    let groups: Vec<&ThermalGroup> =
        std::iter::once(&thermal.all).chain(&thermal.groups).collect();
    if groups.iter().all(|group| group.outcome.is_err()) {
        return html! {};
    }
    let rows: Vec<Vec<Markup>> =
        groups.iter().map(|group| row(group, factor)).collect();
    let note = format!(
        "Degree-hours above a stated base of {STATED_BASE_CELSIUS:.0} °C; 95 % \
         limits from the scatter of containers. Scatter: of final counts, 1 \
         is that of seeds alone. Apart and missed: at most, of 100 seeds. \
         Warmth is that of the place's \
         air, and each place is one spot in one run: a description, not a \
         cause."
    );
    html! {
        section #warmth aria-labelledby="h-warmth" {
            h2 #h-warmth { "Warmth to germination" }
            (figure(figures, &About::Collapse))
            (table(
                &Caption {
                    title: "How much warmth half of those that came up had",
                    note: &note,
                },
                &[
                    column("Containers"),
                    number("n"),
                    number("Of 100, in the end"),
                    number("Degree-hours for half of them"),
                    number("Scatter"),
                    number("Places apart by days"),
                    number("By warmth"),
                    number("Fit missed by"),
                ],
                &rows,
            ))
        }
    }
}

fn row(group: &ThermalGroup, factor: &str) -> Vec<Markup> {
    let name = if group.level.is_empty() {
        "all together".to_owned()
    } else {
        wording::level(factor, &group.level).short()
    };
    let n = cell(group.containers.len().to_string());
    match &group.outcome {
        Ok(found) => {
            let limits = found.limits.as_ref().ok();
            vec![
                cell(name),
                n,
                share(found, limits.map(|l| l.g_max)),
                warmth(found, limits.map(|l| l.theta50)),
                cell(format!("{:.1} ×", found.dispersion)),
                apart(group.apart_by_days()),
                apart(group.apart_by_warmth()),
                apart(group.misfit()),
            ]
        }
        Err(why) => {
            let mut row = vec![two_lines(&name, &why.to_string()), n];
            row.extend((0..6).map(|_| dash()));
            row
        }
    }
}

fn apart(share: Option<f64>) -> Markup {
    share.map_or_else(dash, |share| cell(words::number(100.0 * share, 0)))
}

fn share(found: &ThermalTime, limits: Option<Interval>) -> Markup {
    let told = percent(found.fitted.g_max);
    limits.map_or_else(
        || cell(&told),
        |i| {
            let low = percent(i.lower.clamp(0.0, 1.0));
            let high = percent(i.upper.clamp(0.0, 1.0));
            two_lines(&told, &format!("{low} to {high}"))
        },
    )
}

fn warmth(found: &ThermalTime, limits: Option<Interval>) -> Markup {
    let told = format!("{:.0}", found.fitted.theta50);
    limits.map_or_else(
        || cell(&told),
        |i| {
            let low = i.lower.max(0.0);
            two_lines(&told, &format!("{low:.0} to {:.0}", i.upper))
        },
    )
}
