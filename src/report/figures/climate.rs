//! Daily climate of a place as traces for the figures.

use crate::chart::light::{Light, LightDay};
use crate::chart::trace::{Hole, Stretch, Trace, Wanted};
use crate::climate::log::Span;
use crate::observation::Quantity;
use crate::report::Scene;
use crate::study::place::{PlaceStudy, QuantityStudy};
use crate::trial::entry::Watch;

fn known(place: &PlaceStudy, quantity: Quantity) -> Option<&QuantityStudy> {
    place.quantities.get(&quantity).filter(|known| known.is_known())
}

/// Shorter holes cannot be seen on a figure of weeks, h.
const LEAST_HOLE_HOURS: f64 = 1.0;

fn holes(known: &QuantityStudy, span: Span) -> Vec<Hole> {
    known
        .holes
        .iter()
        .map(|hole| hole.shared(span))
        .filter(|hole| hole.hours() >= LEAST_HOLE_HOURS)
        .map(|hole| Hole { from: hole.from, to: hole.to })
        .collect()
}

/// Day by day; none where nothing was logged.
pub(super) fn trace(
    scene: Scene<'_>,
    place: &PlaceStudy,
    quantity: Quantity,
    span: Span,
) -> Option<Trace> {
    let known = known(place, quantity)?;
    let watch = scene.house.range_of(&place.name, quantity);
    Some(daily(known, watch, span))
}

/// A quantity day by day, with the range that is wanted.
pub(crate) fn daily(
    known: &QuantityStudy,
    watch: Option<&Watch>,
    span: Span,
) -> Trace {
    Trace {
        each: "day".to_owned(),
        stretches: known
            .days
            .iter()
            .filter_map(|day| {
                Some(Stretch {
                    from: day.span.from,
                    to: day.span.to,
                    mean: day.mean?,
                    low: day.low?,
                    high: day.high?,
                })
            })
            .collect(),
        holes: holes(known, span),
        wanted: watch.map(|watch| Wanted {
            low: watch.low,
            high: watch.high,
            hours_outside: None,
        }),
    }
}

/// Sum of each day; none where nothing was logged.
pub(super) fn light(place: &PlaceStudy, span: Span) -> Option<Light> {
    Some(daily_light(known(place, Quantity::Light)?, span))
}

/// The sum of each day.
pub(crate) fn daily_light(known: &QuantityStudy, span: Span) -> Light {
    Light {
        days: known
            .days
            .iter()
            .filter(|day| day.covered_hours > 0.0)
            .map(|day| LightDay {
                from: day.span.from,
                to: day.span.to,
                lux_hours: day.sum,
                at_least: day.at_least,
            })
            .collect(),
        holes: holes(known, span),
    }
}
