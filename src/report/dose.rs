//! A dose as the report tells it: value, filled estimate, coverage, whether
//! it may be compared, and which series it rests on.

use crate::climate::integrate::{Comparable, Dose, Filled};
use crate::climate::log::Span;
use crate::observation::{Quantity, Series};
use crate::report::Scene;
use crate::study::UnitStudy;
use crate::trial::history::Stretch;
use crate::trial::house::Standing;

/// What may be done with a dose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// Enough data: the filled estimate may be compared.
    Comparable,
    /// Less than 80 % of the hours that matter are covered.
    TooLittleData,
    /// Enough data, but a hole that cannot be filled.
    CannotFill,
    /// Nothing was logged, or no stay is stated.
    Unknown,
}

impl Use {
    /// The word in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Comparable => "comparable",
            Self::TooLittleData => "too-little-data",
            Self::CannotFill => "cannot-fill",
            Self::Unknown => "unknown",
        }
    }
}

/// A dose, told.
#[derive(Debug, Clone)]
pub struct Told {
    /// Its name in files.
    pub name: &'static str,
    /// Its unit in files.
    pub unit: &'static str,
    /// Column name with the unit, for tables.
    pub column: &'static str,
    /// Sum over the covered time; none when nothing is known.
    pub value: Option<f64>,
    /// With the holes filled.
    pub filled: Option<Filled>,
    /// Covered hours of those that matter.
    pub covered_hours: f64,
    /// Missing hours of those that matter.
    pub missing_hours: f64,
    /// The sum is a lower bound.
    pub at_least: bool,
    /// What may be done with it.
    pub fit_for: Use,
    /// Series it rests on and why they speak.
    pub series: Vec<(Series, Standing)>,
}

impl Told {
    /// The value to set beside other units, if it may be compared.
    #[must_use]
    pub fn compared(&self) -> Option<Filled> {
        self.filled.filter(|_| self.fit_for == Use::Comparable)
    }
}

/// Column names of the doses, in the order of `UnitDoses::lines`.
const COLUMNS: [(&str, &str); 7] = [
    ("chill_hours", "chill_h"),
    ("frost_hours", "frost_h"),
    ("warm_phase_hours", "warm_phase_h"),
    ("degree_hours", "degree_hours_above_0_celsius_h"),
    ("degree_hours_above_3", "degree_hours_above_3_celsius_h"),
    ("degree_hours_above_5", "degree_hours_above_5_celsius_h"),
    ("lux_hours", "light_lux_h"),
];

/// Whether a dose is read from the whole history of the seeds rather than
/// from the unit's own stays.
#[must_use]
pub fn is_of_whole_history(name: &str) -> bool {
    matches!(name, "chill_hours" | "frost_hours" | "warm_phase_hours")
}

/// Every dose of a unit.
#[must_use]
pub fn told(scene: Scene<'_>, unit: &UnitStudy) -> Vec<Told> {
    let own = &unit.outcome.stretches;
    let whole = scene
        .trial
        .units
        .get(&unit.outcome.name)
        .map(|u| scene.trial.history(u, scene.study.until))
        .unwrap_or_default();
    unit.doses
        .lines()
        .into_iter()
        .map(|(name, unit, dose)| {
            let stretches =
                if is_of_whole_history(name) { &whole } else { own };
            let quantity = if name == "lux_hours" {
                Quantity::Light
            } else {
                Quantity::Temperature
            };
            let series = speakers(scene, stretches, quantity);
            one(name, unit, dose, stretches, series)
        })
        .collect()
}

fn one(
    name: &'static str,
    unit: &'static str,
    dose: &Dose,
    stretches: &[Stretch],
    series: Vec<(Series, Standing)>,
) -> Told {
    let hours = dose.covered_hours + dose.missing_hours;
    // No hours that matter, though stays are stated: nothing to sum.
    let none_to_sum = hours <= 0.0 && !stretches.is_empty();
    let unknown = !none_to_sum && dose.covered_hours <= 0.0;
    let fit_for = match dose.comparable() {
        _ if unknown => Use::Unknown,
        _ if none_to_sum => Use::Comparable,
        Comparable::Value(_) => Use::Comparable,
        Comparable::TooLittleData => Use::TooLittleData,
        Comparable::CannotFill => Use::CannotFill,
    };
    let column = COLUMNS
        .iter()
        .find(|(known, _)| *known == name)
        .map_or(name, |(_, column)| *column);
    Told {
        name,
        unit,
        column,
        value: (!unknown).then_some(dose.covered_sum),
        filled: dose.filled.filter(|_| !unknown),
        covered_hours: dose.covered_hours,
        missing_hours: dose.missing_hours,
        at_least: dose.at_least,
        fit_for,
        series,
    }
}

/// Series that speak for a quantity over stretches at places.
fn speakers(
    scene: Scene<'_>,
    stretches: &[Stretch],
    quantity: Quantity,
) -> Vec<(Series, Standing)> {
    let mut speakers: Vec<(Series, Standing)> = Vec::new();
    for stretch in stretches {
        let span = Span::new(stretch.from, stretch.to);
        let voices = scene
            .study
            .places
            .iter()
            .find(|place| place.name == stretch.place)
            .and_then(|place| place.quantities.get(&quantity))
            .map(|known| known.voices.as_slice())
            .unwrap_or_default();
        for voice in voices {
            let shared = span.shared(Span::new(voice.from, voice.to));
            let known = speakers.iter().any(|(series, standing)| {
                *series == voice.series && *standing == voice.standing
            });
            if shared.millis() > 0 && !known {
                speakers.push((voice.series.clone(), voice.standing));
            }
        }
    }
    speakers
}

/// `main`, `only`, `first-placed`: the word in files.
#[must_use]
pub fn standing_word(standing: Standing) -> &'static str {
    match standing {
        Standing::Main => "main",
        Standing::Only => "only",
        Standing::FirstPlaced => "first-placed",
    }
}
