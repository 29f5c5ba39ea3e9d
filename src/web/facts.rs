//! What a unit is and what was done to it: origin, factors, treatments,
//! stays, seedlings, notes. Nothing of it is shown while counting blind.

use maud::{Markup, html};

use crate::report::words::plain;
use crate::web::desk::Desk;
use crate::web::units::{Here, link};

/// Where it comes from and what differs on purpose, in two lines.
pub(crate) fn origin(desk: &Desk, here: Here<'_>) -> Markup {
    if desk.visitor.blind {
        return html! {};
    }
    let (trial, unit) = (here.trial, here.unit);
    let source = unit.source.as_ref().and_then(|name| trial.units.get(name));
    let levels: Vec<String> = trial
        .factor_names()
        .into_iter()
        .filter_map(|factor| {
            let (level, _) = trial.level(unit, &factor)?;
            Some(format!("{factor} {}", plain(level)))
        })
        .collect();
    html! {
        p.soft {
            "trial " (trial.name)
            @if let Some(lot) = trial.lot_of(unit) { " · lot " (lot) }
            @if let Some(source) = source {
                " · from " a href=(link(source)) { (source.name) } }
            @if !levels.is_empty() { " · " (levels.join(" · ")) }
        }
    }
}

/// Everything else that is known, folded away.
pub(crate) fn past(desk: &Desk, here: Here<'_>) -> Markup {
    if desk.visitor.blind {
        return html! {};
    }
    let (trial, unit) = (here.trial, here.unit);
    let zone = desk.zone();
    let notes: Vec<_> = trial
        .notes
        .iter()
        .filter(|(about, ..)| about.as_ref() == Some(&unit.name))
        .collect();
    let seedlings: Vec<_> =
        trial.seedlings.iter().filter(|(_, of, ..)| *of == unit.name).collect();
    html! {
        @if !unit.treatments.is_empty() {
            h3 { "Treatments" }
            ul.looks { @for done in &unit.treatments {
                li { (plain(&done.treatment)) " " (plain(&done.amount))
                    span.soft { " · " (zone.shown(&done.when))
                        @if !done.note.is_empty() {
                            " · " (plain(&done.note)) } } }
            } }
        }
        @if !seedlings.is_empty() {
            h3 { "Seedlings" }
            ul.looks { @for (name, _, when, state, note) in seedlings {
                li { (name) ": " (plain(state))
                    span.soft { " · " (zone.shown(when))
                        @if !note.is_empty() { " · " (plain(note)) } } }
            } }
        }
        @if !notes.is_empty() {
            h3 { "Notes" }
            ul.looks { @for (_, when, text) in notes {
                li { (plain(text)) span.soft { " · " (zone.shown(when)) } }
            } }
        }
        @if !unit.taken.is_empty() || !unit.added.is_empty() {
            h3 { "Seeds moved" }
            ul.looks {
                @for moved in &unit.added {
                    li { (moved.seeds) " from " (moved.other)
                        span.soft { " · " (zone.shown(&moved.when)) } } }
                @for moved in &unit.taken {
                    li { (moved.seeds) " to " (moved.other)
                        span.soft { " · " (zone.shown(&moved.when)) } } }
            }
        }
        @if unit.stays.len() > 1 {
            details {
                summary { "Where it was" }
                ul.looks { @for stay in unit.stays.iter().rev() {
                    li { (stay.place)
                        @if !stay.position.is_empty() {
                            ", " (plain(&stay.position)) }
                        span.soft { " since " (zone.shown(&stay.from))
                            @if !stay.moist { " · dry" } } }
                } }
            }
        }
    }
}
