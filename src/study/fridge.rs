//! The fridge: its climate, opened doors, and mould beside humidity.
//!
//! Damp is the air of the fridge, not of a closed bag. So mould is described
//! stay by stay, with the length of stay as the rival explanation, and no
//! chance is given for one fridge in one run.

use crate::climate::chill::ChillBand;
use crate::climate::damp::{
    DoorEvent, DoorRule, HUMIDITY_LIMITS_PERCENT, door_events, hours_damp,
};
use crate::climate::integrate::{Dose, HourlySums, HoursOfDay};
use crate::climate::log::Span;
use crate::climate::shape::Shape;
use crate::observation::{Name, Quantity};
use crate::study::Material;
use crate::study::outcome::{Sighting, of_unit};
use crate::study::place::{PlaceLog, PlaceLogs, PlaceSums};
use crate::trial::entry::PlaceKind;
use crate::trial::house::House;
use crate::units::{Instant, RelativeHumidity};

/// The range a fridge is judged against where no watch states one, °C: the
/// chill band.
fn usual_range() -> (f64, f64) {
    let band = ChillBand::default();
    (band.low.degrees(), band.high.degrees())
}

fn stated_range(house: &House, place: &Name) -> Option<(f64, f64)> {
    let watch = house.range_of(place, Quantity::Temperature)?;
    Some((watch.low?, watch.high?))
}

fn damp_shapes() -> impl Iterator<Item = (f64, Shape)> {
    HUMIDITY_LIMITS_PERCENT.into_iter().filter_map(|percent| {
        let limit = RelativeHumidity::from_percent(percent).ok()?;
        Some((percent, hours_damp(limit)))
    })
}

/// What a fridge's log is summed by, beside what every place's is.
pub(crate) fn shapes(
    house: &House,
    place: &Name,
    quantity: Quantity,
) -> Vec<Shape> {
    let (low, high) = stated_range(house, place).unwrap_or_else(usual_range);
    match quantity {
        Quantity::Temperature => {
            vec![Shape::at_or_below(low), Shape::at_or_above(high)]
        }
        Quantity::Humidity => damp_shapes().map(|(_, shape)| shape).collect(),
        _ => Vec::new(),
    }
}

/// One unit in the fridge, once.
#[derive(Debug, Clone)]
pub struct FridgeStay {
    /// The unit.
    pub unit: Name,
    /// Seeds in it.
    pub seeds: u32,
    /// When.
    pub span: Span,
    /// Whether the seeds were moist.
    pub moist: bool,
    /// Mean temperature over the covered time, °C.
    pub mean_celsius: Option<f64>,
    /// Mean humidity of the air over the covered time, %.
    pub mean_humidity: Option<f64>,
    /// Moist hours within the chill band.
    pub chill_hours: Dose,
    /// Hours at or above each humidity limit, until mould was seen or the
    /// stay ended.
    pub damp_hours: Vec<(f64, Dose)>,
    /// Hours at risk: until mould was seen or the stay ended.
    pub hours_at_risk: f64,
    /// Mould seen during the stay, if any.
    pub mould: Option<Sighting>,
    /// Seeds that germinated during the stay.
    pub germinated: u32,
    /// Looks during the stay.
    pub looks: usize,
    /// Each interval between looks in which seeds germinated in the cold.
    pub germinated_between: Vec<(Instant, Instant, u32)>,
}

/// Exposure of the mouldy and of the clean stays to one humidity limit.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitLine {
    /// The limit, %.
    pub limit_percent: f64,
    /// Median hours at or above it: mouldy stays, clean stays.
    pub median_hours: (Option<f64>, Option<f64>),
    /// Median share of the covered time at or above it, likewise.
    pub median_share: (Option<f64>, Option<f64>),
}

/// One fridge.
#[derive(Debug, Clone)]
pub struct FridgeStudy {
    /// The place.
    pub place: Name,
    /// How the grower calls it.
    pub title: String,
    /// When units of the trial were in it.
    pub span: Span,
    /// Wanted range, °C.
    pub wanted: (f64, f64),
    /// Whether a watch states that range.
    pub wanted_is_stated: bool,
    /// Hours below and above the wanted range.
    pub outside: (Dose, Dose),
    /// Opened doors, as far as the log can show them.
    pub doors: Vec<DoorEvent>,
    /// The moist and dry stays, by start.
    pub stays: Vec<FridgeStay>,
    /// Exposure beside each limit.
    pub limits: Vec<LimitLine>,
    /// Median hours at risk: mouldy stays, clean stays.
    pub median_hours_at_risk: (Option<f64>, Option<f64>),
}

impl FridgeStudy {
    /// Moist stays that were looked at.
    pub fn judged(&self) -> impl Iterator<Item = &FridgeStay> {
        self.stays.iter().filter(|stay| stay.moist && stay.looks > 0)
    }

    /// How many of the judged stays had mould.
    #[must_use]
    pub fn n_mouldy(&self) -> usize {
        self.judged().filter(|stay| stay.mould.is_some()).count()
    }
}

pub(crate) fn studies(
    material: Material<'_>,
    logs: &PlaceLogs<'_>,
    sums: &PlaceSums<'_>,
) -> Vec<FridgeStudy> {
    logs.spans
        .iter()
        .filter_map(|(name, span)| {
            let place = material.house.places.get(name)?;
            (place.kind == PlaceKind::Fridge)
                .then(|| one(material, logs, sums, name, *span))?
        })
        .collect()
}

fn one(
    material: Material<'_>,
    logs: &PlaceLogs<'_>,
    sums: &PlaceSums<'_>,
    name: &Name,
    span: Span,
) -> Option<FridgeStudy> {
    let temperature = logs.get(name, Quantity::Temperature)?;
    let humidity = logs.get(name, Quantity::Humidity)?;
    let stated = stated_range(material.house, name);
    let wanted = stated.unwrap_or_else(usual_range);
    let whole = |shape| temperature.sums(shape).over(&[span], HoursOfDay::ALL);
    let stays = stays(material, sums, humidity, name);
    let judged: Vec<&FridgeStay> =
        stays.iter().filter(|stay| stay.moist && stay.looks > 0).collect();
    Some(FridgeStudy {
        place: name.clone(),
        title: material.house.places.get(name)?.title.clone(),
        span,
        wanted,
        wanted_is_stated: stated.is_some(),
        outside: (
            whole(Shape::at_or_below(wanted.0)),
            whole(Shape::at_or_above(wanted.1)),
        ),
        doors: door_events(&temperature.log, span, DoorRule::default()),
        limits: limits(&judged),
        median_hours_at_risk: split(&judged, |stay| Some(stay.hours_at_risk)),
        stays,
    })
}

fn stays(
    material: Material<'_>,
    sums: &PlaceSums<'_>,
    humidity: &PlaceLog<'_>,
    place: &Name,
) -> Vec<FridgeStay> {
    let damp: Vec<(f64, HourlySums<'_>)> = damp_shapes()
        .map(|(percent, shape)| (percent, humidity.sums(shape)))
        .collect();
    let Some(sum) = sums.at(place) else { return Vec::new() };
    let mut stays = Vec::new();
    for unit in material.trial.units.values() {
        let outcome = of_unit(material, unit, None);
        for stretch in &outcome.stretches {
            if stretch.place != *place {
                continue;
            }
            let span = Span::new(stretch.from, stretch.to);
            let over = |sums: &HourlySums<'_>, span| {
                sums.over(&[span], HoursOfDay::ALL)
            };
            let mould = outcome.mould.filter(|mould| {
                mould.seen > span.from && mould.clean_until < span.to
            });
            let at_risk = Span::new(
                span.from,
                mould.map_or(span.to, |mould| mould.seen.min(span.to)),
            );
            let within = |at: Instant| at > span.from && at <= span.to;
            let looks: Vec<_> =
                outcome.steps.iter().filter(|step| within(step.at)).collect();
            stays.push(FridgeStay {
                unit: unit.name.clone(),
                seeds: outcome.entered,
                span,
                moist: stretch.moist,
                mean_celsius: over(&sum.temperature, span).covered_mean(),
                mean_humidity: over(&sum.humidity, span).covered_mean(),
                chill_hours: over(&sum.chill, span),
                damp_hours: damp
                    .iter()
                    .map(|(limit, sums)| (*limit, over(sums, at_risk)))
                    .collect(),
                hours_at_risk: at_risk.hours(),
                mould,
                germinated: looks.iter().map(|step| step.germinated).sum(),
                looks: looks.len(),
                germinated_between: looks
                    .iter()
                    .filter(|step| step.germinated > 0)
                    .map(|step| (step.since, step.at, step.germinated))
                    .collect(),
            });
        }
    }
    stays.sort_by(|a, b| (a.span.from, &a.unit).cmp(&(b.span.from, &b.unit)));
    stays
}

fn limits(judged: &[&FridgeStay]) -> Vec<LimitLine> {
    HUMIDITY_LIMITS_PERCENT
        .into_iter()
        .enumerate()
        .map(|(i, limit_percent)| LimitLine {
            limit_percent,
            median_hours: split(judged, |stay| {
                let (_, dose) = stay.damp_hours.get(i)?;
                (dose.covered_hours > 0.0).then_some(dose.covered_sum)
            }),
            median_share: split(judged, |stay| {
                stay.damp_hours.get(i)?.1.covered_mean()
            }),
        })
        .collect()
}

/// The median of a figure over the mouldy and over the clean stays.
fn split(
    judged: &[&FridgeStay],
    figure: impl Fn(&FridgeStay) -> Option<f64>,
) -> (Option<f64>, Option<f64>) {
    let of = |mouldy: bool| {
        median(
            judged
                .iter()
                .filter(|stay| stay.mould.is_some() == mouldy)
                .filter_map(|stay| figure(stay))
                .collect(),
        )
    };
    (of(true), of(false))
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    let middle = values.get(n / 2)?;
    let other = values[(n - 1) / 2];
    Some(f64::midpoint(*middle, other))
}
