//! Marks readings that come from a file as the daemon marks those that come
//! from a board: stuck, soaked, without ground, a jump.

use std::collections::BTreeMap;

use crate::decode::watchful::Watchfulness;
use crate::observation::{Name, Quantity, Reading, Series};
use crate::units::Instant;

/// What is remembered of each series while a file is read.
#[derive(Debug, Default)]
pub struct Marking {
    series: BTreeMap<Series, Watchfulness>,
    /// The last temperature of each probe: the witness for its humidity.
    temperature: BTreeMap<(Name, Name), (Instant, f64)>,
}

impl Marking {
    /// The reading with the marks that its series gives it. Readings of a
    /// series come oldest first; temperature before humidity.
    #[must_use]
    pub fn mark(&mut self, series: &Series, reading: Reading) -> Reading {
        let probe = (series.board.clone(), series.probe.clone());
        if series.quantity == Quantity::Temperature {
            self.temperature.insert(probe.clone(), (reading.at, reading.value));
        }
        let beside = self
            .temperature
            .get(&probe)
            .filter(|(at, _)| *at == reading.at)
            .map(|(_, celsius)| *celsius);
        let quality = self
            .series
            .entry(series.clone())
            .or_insert_with(|| Watchfulness::new(series.quantity))
            .observe(reading.at, reading.value, reading.quality, beside);
        Reading { quality, ..reading }
    }
}
