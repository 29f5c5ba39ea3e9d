//! The readings that speak for a place, corrected by what the ledger says.
//!
//! Whose readings these are is decided by `trial::house`; nothing is
//! integrated or judged here.

use crate::observation::{Name, Quantity, Reading, Series};
use crate::store::{Store, StoreError};
use crate::trial::house::House;
use crate::units::Instant;

/// A reading by the calibration that holds at its instant; `None` in a
/// window that is left out.
#[must_use]
pub fn corrected(
    house: &House,
    series: &Series,
    reading: Reading,
) -> Option<Reading> {
    let excluded = house
        .excluded_windows(series)
        .any(|w| (w.from..w.until).contains(&reading.at));
    if excluded {
        return None;
    }
    let value = house
        .calibration_at(series, reading.at)
        .map_or(reading.value, |c| c.gain * reading.value + c.offset);
    Some(Reading { value, ..reading })
}

/// What spoke for a place in [`from`, `to`), oldest first, corrected.
///
/// # Errors
/// [`StoreError`].
pub fn place_readings(
    store: &Store,
    house: &House,
    place: &Name,
    quantity: Quantity,
    (from, to): (Instant, Instant),
) -> Result<Vec<Reading>, StoreError> {
    let mut readings = Vec::new();
    for voice in house.voices(place, quantity, from, to) {
        let own = store.readings(&voice.series, voice.from, voice.to)?;
        readings.extend(
            own.into_iter().filter_map(|r| corrected(house, &voice.series, r)),
        );
    }
    Ok(readings)
}
