//! Watches to begin with, by kind of place.
//!
//! Not findings: the numbers are conventions of this program, taken from
//! common practice with no source behind them, and each grower changes them.
//! None is made for light, nor for the damp of a place where containers
//! stand, since that is not the damp inside them.

use crate::observation::{Name, Quantity};
use crate::trial::entry::{PlaceKind, QuantityWord, Rule, Watch};

/// A watch without its place, and the reason for its numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Preset {
    /// What is watched.
    pub quantity: Quantity,
    /// How it is judged.
    pub rule: Rule,
    /// Lowest wanted value.
    pub low: Option<f64>,
    /// Highest wanted value, or how far it may move.
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
            rule: self.rule,
            low: self.low,
            high: self.high,
            mean_minutes: self.mean_minutes,
            for_minutes: self.for_minutes,
            margin: self.margin,
            urgent: self.urgent,
            wet_is_normal: false,
        }
    }
}

/// What a watch is given unless told otherwise: its numbers, and limits only
/// where the rule has some of its own.
#[must_use]
pub fn plain(place: &Name, quantity: Quantity, rule: Rule) -> Watch {
    let preset = match rule {
        Rule::Range => Preset {
            low: None,
            high: None,
            mean_minutes: 30,
            for_minutes: 45,
            urgent: false,
            ..FRIDGE[0]
        },
        Rule::Freezing => FREEZING,
        Rule::DaySum => Preset { low: None, high: None, ..DAY_SUM },
        Rule::Drift => DRIFT,
        Rule::Door => DOOR,
        Rule::Sensor => sensor(quantity),
    };
    let margin = match (rule, quantity) {
        (Rule::Sensor, _) => 0.0,
        (_, Quantity::Temperature) => 0.5,
        (_, Quantity::Humidity) => 3.0,
        _ => 0.0,
    };
    Preset { quantity, margin, ..preset }.at(place)
}

/// What a watch looks at, in words: `temperature 0 to 7 °C`.
#[must_use]
pub fn in_words(watch: &Watch) -> String {
    let quantity = watch.quantity.0;
    let unit = quantity.unit();
    let range = match (watch.low, watch.high) {
        (Some(low), Some(high)) => format!("{low} to {high} {unit}"),
        (Some(low), None) => format!("at least {low} {unit}"),
        (None, Some(high)) => format!("at most {high} {unit}"),
        (None, None) => "without limits".to_owned(),
    };
    let by = watch.high.unwrap_or_default();
    match watch.rule {
        Rule::Range => format!("{quantity} {range}"),
        Rule::Freezing => {
            format!("{quantity} {range}, told soon: freezing")
        }
        Rule::DaySum => format!(
            "{quantity} {range}, out for at most {} min in 24 h",
            watch.for_minutes
        ),
        Rule::Drift => {
            format!("{quantity}: the mean of 24 h moves by at most {by} {unit}")
        }
        Rule::Door => format!(
            "{quantity}: at most {by} {unit} above its own cycle (a door left \
             open)"
        ),
        Rule::Sensor if watch.wet_is_normal => {
            format!("{quantity} sensor moves (full air is normal)")
        }
        Rule::Sensor => format!("{quantity} sensor moves"),
    }
}

/// The temperature of a place that is to stay within a range.
const fn range(low: Option<f64>, high: Option<f64>) -> Preset {
    Preset {
        quantity: Quantity::Temperature,
        rule: Rule::Range,
        low,
        high,
        mean_minutes: 10,
        for_minutes: 20,
        margin: 1.0,
        urgent: true,
        why: "",
    }
}

const fn sensor(quantity: Quantity) -> Preset {
    Preset {
        quantity,
        rule: Rule::Sensor,
        low: None,
        high: None,
        mean_minutes: 0,
        for_minutes: 30,
        margin: 0.0,
        urgent: false,
        why: "A sensor that says one number for hours, or lies at the end of \
              its scale, watches nothing.",
    }
}

const THERMOMETER: Preset = sensor(Quantity::Temperature);
const HYGROMETER: Preset = sensor(Quantity::Humidity);

const FREEZING: Preset = Preset {
    rule: Rule::Freezing,
    low: Some(0.0),
    high: None,
    mean_minutes: 10,
    for_minutes: 15,
    margin: 0.5,
    why: "Frost harms soaked seeds and food soonest, so it is told after a \
          quarter of an hour.",
    ..range(None, None)
};

const DAY_SUM: Preset = Preset {
    rule: Rule::DaySum,
    low: Some(0.0),
    high: Some(7.0),
    mean_minutes: 0,
    for_minutes: 180,
    margin: 0.5,
    urgent: false,
    why: "Many short excursions add up: three hours out of range in one day \
          are told although none lasted.",
    ..range(None, None)
};

const DRIFT: Preset = Preset {
    rule: Rule::Drift,
    low: None,
    high: Some(1.5),
    mean_minutes: 0,
    for_minutes: 0,
    margin: 0.5,
    urgent: false,
    why: "A dial that was knocked moves the mean of the day while it is \
          still in range.",
    ..range(None, None)
};

const DOOR: Preset = Preset {
    rule: Rule::Door,
    low: None,
    high: Some(2.0),
    mean_minutes: 0,
    for_minutes: 15,
    margin: 0.5,
    urgent: false,
    why: "A door left ajar shows first as warmth above the fridge's own \
          swing, before the range is left.",
    ..range(None, None)
};

const FRIDGE: [Preset; 8] = [
    Preset {
        mean_minutes: 30,
        for_minutes: 45,
        margin: 0.5,
        why: "0 to 7 °C is the band in which chill is counted by default. \
              The air swings with every start of the compressor, every door \
              and every defrost, so the mean of half an hour is compared, \
              and an alert waits for 45 minutes.",
        ..range(Some(0.0), Some(7.0))
    },
    Preset {
        quantity: Quantity::Humidity,
        mean_minutes: 60,
        for_minutes: 240,
        margin: 2.0,
        urgent: false,
        why: "A drawer with moist bags is damp by itself; four hours nearer \
              to saturation than that usually mean a leaking seal, a \
              blocked drain or something uncovered.",
        ..range(None, Some(97.0))
    },
    FREEZING,
    DAY_SUM,
    DRIFT,
    DOOR,
    THERMOMETER,
    HYGROMETER,
];

const SILL: [Preset; 3] = [
    Preset {
        why: "A sill can cook closed containers at noon and chill them on a \
              frosty night; noon is quick, so the mean is short.",
        ..range(Some(5.0), Some(35.0))
    },
    THERMOMETER,
    HYGROMETER,
];

const ROOM: [Preset; 3] = [
    Preset {
        mean_minutes: 15,
        for_minutes: 30,
        urgent: false,
        why: "A room that leaves 10 to 30 °C was forgotten by somebody.",
        ..range(Some(10.0), Some(30.0))
    },
    THERMOMETER,
    HYGROMETER,
];

const TRAY: [Preset; 2] = [
    Preset {
        why: "A warmed or covered tray heats up quickly when its regulator \
              sticks or the sun reaches it.",
        ..range(Some(10.0), Some(32.0))
    },
    THERMOMETER,
];

const OUTDOORS: [Preset; 2] = [
    Preset {
        mean_minutes: 30,
        for_minutes: 60,
        urgent: false,
        why: "Frost belongs outdoors and raises nothing; long heat does.",
        ..range(None, Some(40.0))
    },
    THERMOMETER,
];

const COLD_FRAME: [Preset; 2] = [
    Preset {
        why: "A closed frame in the sun overheats within minutes; frost in \
              it is often wanted and raises nothing.",
        ..range(None, Some(35.0))
    },
    THERMOMETER,
];

const CELLAR: [Preset; 3] = [
    Preset {
        mean_minutes: 60,
        for_minutes: 120,
        margin: 0.5,
        urgent: false,
        why: "A cellar changes slowly; what lasts two hours will last \
              longer.",
        ..range(Some(0.0), Some(15.0))
    },
    Preset {
        why: "The mean of a cellar's day hardly moves by itself; a window \
              left open or a heater moves it.",
        ..DRIFT
    },
    THERMOMETER,
];

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
    use crate::trial::book::sound_watch;

    #[test]
    fn frost_raises_nothing_where_it_belongs() {
        for kind in [PlaceKind::Outdoors, PlaceKind::ColdFrame] {
            assert!(presets(kind).iter().all(|preset| preset.low.is_none()));
        }
        let fridge = presets(PlaceKind::Fridge)[0];
        assert!(fridge.low.is_some() && fridge.urgent);
    }

    /// Judged by the ledger's own rules: every usual watch may be written.
    #[test]
    fn every_preset_is_a_sound_watch_that_says_why() {
        for (kind, word) in PlaceKind::WORDS {
            let place = Name::new("here").expect("a name");
            let mut keys = Vec::new();
            for preset in presets(kind) {
                let watch = preset.at(&place);
                assert_eq!(sound_watch(&watch), Ok(()), "{word} {preset:?}");
                assert!(preset.why.ends_with('.'), "{word}");
                assert!(preset.why.len() < 300, "one sentence or two");
                keys.push((preset.quantity, preset.rule));
                let (lowest, highest) = preset.quantity.limits();
                let limits = [preset.low, preset.high];
                assert!(
                    limits
                        .iter()
                        .flatten()
                        .all(|limit| (lowest..=highest).contains(limit))
                );
            }
            let n = keys.len();
            keys.sort_unstable();
            keys.dedup();
            assert_eq!(keys.len(), n, "{word} has a watch twice");
        }
    }

    #[test]
    fn what_a_rule_is_given_by_itself_lacks_only_the_limits_of_a_range() {
        let place = Name::new("here").expect("a name");
        for (rule, word) in Rule::WORDS {
            let watch = plain(&place, Quantity::Temperature, rule);
            let alone = sound_watch(&watch).is_ok();
            let ranged = matches!(rule, Rule::Range | Rule::DaySum);
            assert_eq!(alone, !ranged, "{word}");
            let high = watch.high.or(ranged.then_some(7.0));
            assert_eq!(sound_watch(&Watch { high, ..watch }), Ok(()), "{word}");
        }
    }
}
