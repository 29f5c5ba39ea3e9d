//! What a unit's seeds lived through, as quantities another grower could
//! reproduce.
//!
//! Chill, frost and a warm phase are read from the whole history of the
//! seeds; warmth and light from the unit's own stays. A stay without a log
//! gives missing hours, never an error.

use crate::climate::integrate::{Dose, HourlySums, HoursOfDay};
use crate::climate::log::Span;
use crate::study::Material;
use crate::study::place::{PlaceSums, Sums};
use crate::trial::entry::PlaceKind;
use crate::trial::history::Stretch;
use crate::trial::unit::Unit;

/// The doses of one unit.
#[derive(Debug, Clone)]
pub struct UnitDoses {
    /// Moist hours at fridges (and other cold places) as stated by stays,
    /// whether logged or not.
    pub stated_cold_hours: f64,
    /// Moist hours within the chill band, over the whole history.
    pub chill_hours: Dose,
    /// Hours at or below 0 °C, over the whole history.
    pub frost_hours: Dose,
    /// Moist hours at or above 15 °C before the unit began.
    pub warm_phase_hours: Dose,
    /// Degree-hours above 0, 3 and 5 °C over the unit's own stays.
    pub degree_hours: [Dose; 3],
    /// Lux-hours over the unit's own stays.
    pub lux_hours: Dose,
    /// Degrees × hours over the own stays: its covered mean is the mean
    /// temperature.
    pub temperature: Dose,
    /// Percent × hours over the own stays: its covered mean is the mean
    /// humidity of the air of the place, not of the container.
    pub humidity: Dose,
}

impl UnitDoses {
    /// Every dose with its name in files, its unit and its meaning.
    #[must_use]
    pub fn lines(&self) -> Vec<(&'static str, &'static str, &Dose)> {
        vec![
            ("chill_hours", "h", &self.chill_hours),
            ("frost_hours", "h", &self.frost_hours),
            ("warm_phase_hours", "h", &self.warm_phase_hours),
            ("degree_hours", "°C·h above 0 °C", &self.degree_hours[0]),
            ("degree_hours_above_3", "°C·h above 3 °C", &self.degree_hours[1]),
            ("degree_hours_above_5", "°C·h above 5 °C", &self.degree_hours[2]),
            ("lux_hours", "lx·h", &self.lux_hours),
        ]
    }
}

/// Kinds of places whose moist hours are stated as cold.
fn is_cold(kind: PlaceKind) -> bool {
    matches!(
        kind,
        PlaceKind::Fridge
            | PlaceKind::Outdoors
            | PlaceKind::ColdFrame
            | PlaceKind::Cellar
    )
}

pub(crate) fn of_unit(
    material: Material<'_>,
    unit: &Unit,
    sums: &PlaceSums<'_>,
) -> UnitDoses {
    let trial = material.trial;
    let own = trial.own_stretches(unit, material.until);
    let whole = trial.history(unit, material.until);
    let moist: Vec<Stretch> =
        whole.iter().filter(|s| s.moist).cloned().collect();
    let before: Vec<Stretch> =
        moist.iter().filter(|s| s.unit != unit.name).cloned().collect();
    let all_hours = |_: &Sums<'_>| HoursOfDay::ALL;
    let add = |stretches: &[Stretch], pick: Pick| {
        total(stretches, sums, pick, all_hours)
    };
    UnitDoses {
        stated_cold_hours: moist
            .iter()
            .filter(|stretch| {
                material
                    .house
                    .places
                    .get(&stretch.place)
                    .is_some_and(|place| is_cold(place.kind))
            })
            .map(Stretch::hours)
            .sum(),
        chill_hours: add(&moist, |s| &s.chill),
        frost_hours: add(&whole, |s| &s.frost),
        warm_phase_hours: add(&before, |s| &s.warm),
        degree_hours: [
            add(&own, |s| &s.warmth[0]),
            add(&own, |s| &s.warmth[1]),
            add(&own, |s| &s.warmth[2]),
        ],
        lux_hours: total(&own, sums, |s| &s.light, |s| s.lit),
        temperature: add(&own, |s| &s.temperature),
        humidity: add(&own, |s| &s.humidity),
    }
}

type Pick = for<'s, 'a> fn(&'s Sums<'a>) -> &'s HourlySums<'a>;

/// The dose over stretches at different places, added up.
fn total(
    stretches: &[Stretch],
    sums: &PlaceSums<'_>,
    pick: Pick,
    hours: impl Fn(&Sums<'_>) -> HoursOfDay,
) -> Dose {
    stretches
        .iter()
        .filter_map(|stretch| {
            let at = sums.at(&stretch.place)?;
            let span = Span::new(stretch.from, stretch.to).shared(at.span);
            Some(pick(at).over(&[span], hours(at)))
        })
        .sum()
}
