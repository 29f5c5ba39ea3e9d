//! Watches that can never be judged: no board at the place, or one without
//! such a sensor.
//!
//! A board that is silent for a while is another matter.

use std::collections::BTreeSet;

use crate::observation::Series;
use crate::trial::house::{House, WatchKey};
use crate::units::Instant;

/// Each watch that nothing can raise now, with the reason and the remedy.
///
/// # Arguments
/// - `known`: every series of which a reading was ever stored.
#[must_use]
pub fn blind(
    house: &House,
    known: &BTreeSet<Series>,
    now: Instant,
) -> Vec<(WatchKey, String)> {
    house
        .watches
        .keys()
        .filter_map(|key| {
            let (place, quantity, _) = key;
            let voices =
                house.voices(place, *quantity, now, now.plus_millis(1));
            let Some(voice) = voices.first() else {
                return Some((
                    key.clone(),
                    format!(
                        "no board is at {place} (vernalog record move BOARD \
                         {place} --board)"
                    ),
                ));
            };
            if known.contains(&voice.series) {
                return None;
            }
            let board = &voice.series.board;
            let speaks = known.iter().any(|series| series.board == *board);
            let why = if speaks {
                format!(
                    "board {board} at {place} has never sent {quantity} (take \
                     the watch away, or name another board: vernalog record \
                     main {place} BOARD --quantity {quantity})"
                )
            } else {
                format!("board {board} at {place} was never heard")
            };
            Some((key.clone(), why))
        })
        .collect()
}
