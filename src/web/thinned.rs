//! Places hour by hour, as pages draw them: what `study::hourly` asks for,
//! fetched from the store.
//!
//! No picture is made here.

use std::collections::{BTreeMap, BTreeSet};

use crate::climate::hours::hour_start;
use crate::climate::log::Span;
use crate::observation::{Name, Quantity, Series};
use crate::report::words::offset_seconds;
use crate::store::StoreError;
use crate::study::hourly::{
    Hourly, Readings, Summed, hourly, mixed_hours, speakers,
};
use crate::study::place::Logged;
use crate::web::desk::Desk;

/// Every quantity at every place asked for.
pub(crate) type Thinned = BTreeMap<(Name, Quantity), Hourly>;

/// The hours of some places that meet a span.
pub(crate) fn at_places(
    desk: &Desk,
    places: &[&Name],
    span: Span,
) -> Result<Thinned, StoreError> {
    let house = &desk.book().house;
    let speak = places.iter().flat_map(|place| speakers(house, place, span));
    let wanted: Vec<Series> =
        speak.collect::<BTreeSet<Series>>().into_iter().collect();
    let sums = desk.hours(&wanted, span)?;
    let sums = wanted.iter().cloned().zip(sums).collect();
    let mixed: BTreeMap<&Name, BTreeSet<i64>> = places
        .iter()
        .map(|place| (*place, mixed_hours(house, place, span)))
        .collect();
    let mut readings = Readings::new();
    for hour in mixed.values().flatten().collect::<BTreeSet<_>>() {
        let (from, to) = (hour_start(*hour), hour_start(hour + 1));
        let found = desk.store.readings_of(&wanted, from, to)?;
        for (series, own) in wanted.iter().zip(found) {
            readings.entry(series.clone()).or_default().extend(own);
        }
    }
    let zone = desk.zone().zone;
    let local = |at| offset_seconds(zone, at);
    let logged = Logged { house, readings: &readings, local: &local };
    let mut thinned = Thinned::new();
    for (place, mixed) in &mixed {
        let summed = Summed { sums: &sums, mixed, logged };
        for quantity in Quantity::CLIMATE {
            let own = hourly(summed, place, quantity, span);
            thinned.insert(((*place).clone(), quantity), own);
        }
    }
    Ok(thinned)
}
