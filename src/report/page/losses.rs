//! What the cold cost, by length of stay: seeds that germinated there, were
//! taken out mouldy, or were dead when the unit was closed.

use std::collections::BTreeMap;

use maud::Markup;

use crate::report::page::table::{
    Caption, cell, dash, number, table, two_lines, words as column,
};
use crate::report::{Scene, words};
use crate::study::fridge::FridgeStudy;

/// Units of one length of stay, added up.
#[derive(Default)]
struct Losses {
    units: usize,
    entered: u32,
    germinated: u32,
    removed_mould: u32,
    classed: u32,
    dead: u32,
}

/// One row a length, in whole weeks; nothing without a moist stay.
pub(super) fn by_length(scene: Scene<'_>, fridge: &FridgeStudy) -> Markup {
    let mut lengths: BTreeMap<u64, Losses> = BTreeMap::new();
    for stay in fridge.stays.iter().filter(|stay| stay.moist) {
        let unit = scene.study.units.iter().find(|unit| {
            !unit.outcome.is_container && unit.outcome.name == stay.unit
        });
        let Some(outcome) = unit.map(|unit| &unit.outcome) else { continue };
        let own = lengths.entry(weeks(stay.span.hours())).or_default();
        own.units += 1;
        own.entered += stay.seeds;
        own.germinated += stay.germinated;
        own.removed_mould += outcome.removed_mould;
        if let Some(closure) = &outcome.closure {
            own.classed += closure.total() - closure.lost;
            own.dead += closure.dead + closure.mouldy;
        }
    }
    let rows: Vec<Vec<Markup>> =
        lengths.iter().map(|(weeks, own)| row(*weeks, own)).collect();
    table(
        &Caption {
            title: "What was lost in the cold, by length of stay",
            note: "Batches only, added up. Dead: dead or mouldy of the seeds \
                   classed when the batch was closed; seeds sown from it are \
                   not among them.",
        },
        &[
            column("Stay"),
            number("Batches"),
            number("Germinated in the cold"),
            number("Taken out mouldy"),
            number("Dead at the end"),
        ],
        &rows,
    )
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a stay lasts some weeks, never less than none"
)]
fn weeks(hours: f64) -> u64 {
    (hours / 168.0).round().clamp(0.0, 10_000.0) as u64
}

fn row(weeks: u64, own: &Losses) -> Vec<Markup> {
    let of = |n: u32, all: u32| {
        if all == 0 {
            return dash();
        }
        let share = f64::from(n) / f64::from(all);
        let share = format!("{} of 100", words::of_hundred(share));
        two_lines(&format!("{n}/{all}"), &share)
    };
    let word = if weeks == 1 { "week" } else { "weeks" };
    vec![
        cell(format!("{weeks} {word}")),
        cell(own.units.to_string()),
        of(own.germinated, own.entered),
        of(own.removed_mould, own.entered),
        of(own.dead, own.classed),
    ]
}
