//! Watches to begin with, by kind of place.
//!
//! Not findings: the numbers are conventions of this program, taken from
//! common practice with no source behind them, and each grower changes them.
//! None is made for light, nor for the damp of a place where containers
//! stand, since that is not the damp inside them.

use crate::observation::{Name, Quantity};
use crate::trial::entry::{PlaceKind, QuantityWord, Watch};

/// A watch without its place, and the reason for its numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Preset {
    /// What is watched.
    pub quantity: Quantity,
    /// Lowest wanted value.
    pub low: Option<f64>,
    /// Highest wanted value.
    pub high: Option<f64>,
    /// The mean of so many minutes is compared.
    pub mean_minutes: u32,
    /// How long it must be out before it is an alert.
    pub for_minutes: u32,
    /// How far inside the range it must come to be in again.
    pub margin: f64,
    /// Whether it passes quiet hours.
    pub urgent: bool,
    /// Why these numbers, for the set-up page.
    pub why: &'static str,
}

impl Preset {
    /// The watch for one place.
    #[must_use]
    pub fn at(&self, place: &Name) -> Watch {
        Watch {
            place: place.clone(),
            quantity: QuantityWord(self.quantity),
            low: self.low,
            high: self.high,
            mean_minutes: self.mean_minutes,
            for_minutes: self.for_minutes,
            margin: self.margin,
            urgent: self.urgent,
        }
    }
}

const FRIDGE: [Preset; 2] = [
    Preset {
        quantity: Quantity::Temperature,
        low: Some(0.0),
        high: Some(7.0),
        mean_minutes: 30,
        for_minutes: 45,
        margin: 0.5,
        urgent: true,
        why: "0 to 7 °C is the band in which chill is counted by default. \
              The air swings with every start of the compressor, every door \
              and every defrost, so the mean of half an hour is compared, \
              and an alert waits for 45 minutes.",
    },
    Preset {
        quantity: Quantity::Humidity,
        low: None,
        high: Some(95.0),
        mean_minutes: 60,
        for_minutes: 240,
        margin: 3.0,
        urgent: false,
        why: "Four hours near saturation usually mean a leaking seal, a \
              blocked drain or something uncovered.",
    },
];

const SILL: [Preset; 1] = [Preset {
    quantity: Quantity::Temperature,
    low: Some(5.0),
    high: Some(35.0),
    mean_minutes: 10,
    for_minutes: 20,
    margin: 1.0,
    urgent: true,
    why: "A sill can cook closed containers at noon and chill them on a \
          frosty night; noon is quick, so the mean is short.",
}];

const ROOM: [Preset; 1] = [Preset {
    quantity: Quantity::Temperature,
    low: Some(10.0),
    high: Some(30.0),
    mean_minutes: 15,
    for_minutes: 30,
    margin: 1.0,
    urgent: false,
    why: "A room that leaves 10 to 30 °C was forgotten by somebody.",
}];

const TRAY: [Preset; 1] = [Preset {
    quantity: Quantity::Temperature,
    low: Some(10.0),
    high: Some(32.0),
    mean_minutes: 10,
    for_minutes: 20,
    margin: 1.0,
    urgent: true,
    why: "A warmed or covered tray heats up quickly when its regulator \
          sticks or the sun reaches it.",
}];

const OUTDOORS: [Preset; 1] = [Preset {
    quantity: Quantity::Temperature,
    low: None,
    high: Some(40.0),
    mean_minutes: 30,
    for_minutes: 60,
    margin: 1.0,
    urgent: false,
    why: "Frost belongs outdoors and raises nothing; long heat does.",
}];

const COLD_FRAME: [Preset; 1] = [Preset {
    quantity: Quantity::Temperature,
    low: None,
    high: Some(35.0),
    mean_minutes: 10,
    for_minutes: 20,
    margin: 1.0,
    urgent: true,
    why: "A closed frame in the sun overheats within minutes; frost in it \
          is often wanted and raises nothing.",
}];

const CELLAR: [Preset; 1] = [Preset {
    quantity: Quantity::Temperature,
    low: Some(0.0),
    high: Some(15.0),
    mean_minutes: 60,
    for_minutes: 120,
    margin: 0.5,
    urgent: false,
    why: "A cellar changes slowly; what lasts two hours will last longer.",
}];

/// The watches to begin with at a place of this kind.
#[must_use]
pub fn presets(kind: PlaceKind) -> &'static [Preset] {
    match kind {
        PlaceKind::Fridge => &FRIDGE,
        PlaceKind::Sill => &SILL,
        PlaceKind::Shelf | PlaceKind::Cupboard => &ROOM,
        PlaceKind::Tray => &TRAY,
        PlaceKind::Outdoors => &OUTDOORS,
        PlaceKind::ColdFrame => &COLD_FRAME,
        PlaceKind::Cellar => &CELLAR,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frost_raises_nothing_where_it_belongs() {
        for kind in [PlaceKind::Outdoors, PlaceKind::ColdFrame] {
            assert!(presets(kind).iter().all(|preset| preset.low.is_none()));
        }
        let fridge = presets(PlaceKind::Fridge)[0];
        assert!(fridge.low.is_some() && fridge.urgent);
    }

    #[test]
    fn every_preset_is_a_range_with_room_for_its_margin() {
        for (kind, word) in PlaceKind::WORDS {
            for preset in presets(kind) {
                let (lowest, highest) = preset.quantity.limits();
                let low = preset.low.unwrap_or(lowest);
                let high = preset.high.unwrap_or(highest);
                assert!(low + 2.0 * preset.margin < high, "{word}");
                assert!(lowest <= low && high <= highest, "{word}");
                assert!(preset.for_minutes > 0, "{word}");
            }
        }
    }
}
