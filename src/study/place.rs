//! The climate of a place as it was logged: which series spoke, what was
//! left out, and day by day what it was.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::iter::{
    IndexedParallelIterator, IntoParallelIterator, IntoParallelRefIterator,
    ParallelIterator,
};

use crate::climate::chill::ChillBand;
use crate::climate::days::{DaySummary, days};
use crate::climate::hour_table::{HourTable, Hours};
use crate::climate::integrate::{Dose, HourlySums, HoursOfDay};
use crate::climate::light::{DARK_BELOW_LUX, lux_hours};
use crate::climate::log::{LocalOffset, Log, Span, longest_gap_millis};
use crate::climate::shape::Shape;
use crate::climate::strip::Strip;
use crate::climate::warmth::Warmth;
use crate::observation::{Name, Quantity, Reading, Series};
use crate::study::day_and_night::{
    DayAndNight, Outside, day_and_night, outside,
};
use crate::study::fridge;
use crate::study::sieve::Sieve;
use crate::study::warmth::PlaceHours;
use crate::study::{Material, UnitStudy};
use crate::trial::book::Trial;
use crate::trial::entry::PlaceKind;
use crate::trial::house::{House, Voice};
use crate::units::{Celsius, Instant};

/// Base temperatures at which warmth is shown, °C. The first is the one
/// compared; the others show whether the order of places hangs on it.
pub const BASES: [f64; 3] = [0.0, 3.0, 5.0];

/// The interval assumed where a series has too few readings to tell, ms.
pub(crate) const USUAL_INTERVAL_MILLIS: i64 = 10 * 60_000;

/// Every place of a trial with the stretch of time its units were there.
pub(crate) fn spans(trial: &Trial, until: Instant) -> BTreeMap<Name, Span> {
    let mut spans: BTreeMap<Name, Span> = BTreeMap::new();
    for unit in trial.units.values() {
        for stretch in trial.own_stretches(unit, until) {
            let own = Span::new(stretch.from, stretch.to);
            spans
                .entry(stretch.place)
                .and_modify(|known| {
                    known.from = known.from.min(own.from);
                    known.to = known.to.max(own.to);
                })
                .or_insert(own);
        }
    }
    spans
}

/// What became of the readings of a place and quantity.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Kept {
    /// Entered the log.
    pub used: usize,
    /// Left out because of their marks, by mark.
    pub marked: BTreeMap<&'static str, usize>,
    /// Left out because the grower excluded that window.
    pub excluded: usize,
    /// Corrected by a calibration.
    pub corrected: usize,
}

/// The log of one quantity at one place.
pub(crate) struct PlaceLog<'a> {
    pub(crate) voices: Vec<Voice>,
    pub(crate) log: Log<'a>,
    pub(crate) kept: Kept,
    /// Sums that were made while the readings were at hand.
    tables: Vec<Arc<HourTable>>,
}

impl PlaceLog<'_> {
    /// The log summed by a shape.
    pub(crate) fn sums(&self, shape: Shape) -> HourlySums<'_> {
        match self.tables.iter().find(|table| table.shape == shape) {
            Some(table) => HourlySums::known(&self.log, Arc::clone(table)),
            None => HourlySums::of(&self.log, shape),
        }
    }
}

/// What one quantity was like at one place: its readings read once, summed in
/// every way that a study asks for, and put away again.
fn work<'a>(
    material: Material<'a>,
    place: &Name,
    quantity: Quantity,
    span: Span,
) -> (PlaceLog<'a>, QuantityStudy) {
    let mut own = place_log(material.into(), place, quantity, span);
    let shapes = shapes(material.house, place, quantity);
    let hours = Hours::of(&own.log);
    let tables = HourTable::of_each(&own.log, &hours, shapes);
    own.tables = tables.into_iter().map(Arc::new).collect();
    let range = wanted(material.house, place, quantity);
    let known = self::quantity(&own, &hours, span, range);
    (put_away(own, material), known)
}

/// Lets go of the readings; few of them are asked for again.
fn put_away<'a>(own: PlaceLog<'a>, material: Material<'a>) -> PlaceLog<'a> {
    let sieves = sieves(material.into(), &own.voices);
    let fetch = move |span| {
        let mut readings = Vec::new();
        for sieve in &sieves {
            sieve.within(span, &mut readings);
        }
        readings.retain(|reading: &Reading| reading.value.is_finite());
        readings
    };
    PlaceLog { log: own.log.put_away(Arc::new(fetch)), ..own }
}

/// Every shape that a study asks a place's log for.
fn shapes(house: &House, place: &Name, quantity: Quantity) -> Vec<Shape> {
    let kind = house.places.get(place).map(|place| place.kind);
    let mut shapes = match quantity {
        Quantity::Temperature => {
            let mut shapes: Vec<Shape> = BASES.map(above).into();
            shapes.extend([
                ChillBand::default().shape(),
                Shape::at_or_below(0.0),
                Shape::at_or_above(WARM_PHASE_CELSIUS),
            ]);
            shapes
        }
        Quantity::Light => vec![lux_hours()],
        _ => Vec::new(),
    };
    if !shapes.contains(&Shape::value()) {
        shapes.push(Shape::value());
    }
    if kind == Some(PlaceKind::Fridge) {
        shapes.extend(fridge::shapes(house, place, quantity));
    }
    shapes
}

fn above(base: f64) -> Shape {
    Warmth::above(Celsius::new(base).expect("a plain temperature")).shape()
}

/// The logs of all places of a trial.
pub(crate) struct PlaceLogs<'a> {
    pub(crate) spans: BTreeMap<Name, Span>,
    logs: BTreeMap<(Name, Quantity), (PlaceLog<'a>, QuantityStudy)>,
}

impl<'a> PlaceLogs<'a> {
    pub(crate) fn of(material: Material<'a>) -> Self {
        let spans = spans(material.trial, material.until);
        let all: Vec<(&Name, Quantity, Span)> = spans
            .iter()
            .flat_map(|(place, span)| {
                Quantity::CLIMATE.map(|quantity| (place, quantity, *span))
            })
            .collect();
        let logs = all
            .into_par_iter()
            .with_max_len(1)
            .map(|(place, quantity, span)| {
                let found = work(material, place, quantity, span);
                ((place.clone(), quantity), found)
            })
            .collect();
        Self { spans, logs }
    }

    pub(crate) fn get(
        &self,
        place: &Name,
        quantity: Quantity,
    ) -> Option<&PlaceLog<'a>> {
        self.logs.get(&(place.clone(), quantity)).map(|(log, _)| log)
    }

    pub(crate) fn iter(&self) -> impl Iterator<Item = &PlaceLog<'a>> {
        self.logs.values().map(|(log, _)| log)
    }

    /// The sums of each log that a dose may ask for.
    pub(crate) fn sums(&self) -> PlaceSums<'_> {
        let of_place = |(place, span): (&Name, &Span)| {
            let of = |quantity, shape| {
                self.logs[&(place.clone(), quantity)].0.sums(shape)
            };
            let light = of(Quantity::Light, lux_hours());
            let lit = HoursOfDay::lit(&light, DARK_BELOW_LUX);
            let warm = |shape| of(Quantity::Temperature, shape);
            let temperature = warm(Shape::value());
            let warmth = BASES.map(|base| warm(above(base)));
            let sums = Sums {
                span: *span,
                hours: PlaceHours::of(&temperature, &warmth[0], *span),
                warmth,
                chill: warm(ChillBand::default().shape()),
                frost: warm(Shape::at_or_below(0.0)),
                warm: warm(Shape::at_or_above(WARM_PHASE_CELSIUS)),
                temperature,
                humidity: of(Quantity::Humidity, Shape::value()),
                light,
                lit,
            };
            (place.clone(), sums)
        };
        PlaceSums(self.spans.par_iter().map(of_place).collect())
    }
}

/// Moist hours at or above this before sowing count as a warm phase: a
/// convention (common practice, no source).
pub const WARM_PHASE_CELSIUS: f64 = 15.0;

/// Sums over the log of one place.
pub(crate) struct Sums<'a> {
    pub(crate) span: Span,
    pub(crate) hours: PlaceHours,
    pub(crate) warmth: [HourlySums<'a>; 3],
    pub(crate) chill: HourlySums<'a>,
    pub(crate) frost: HourlySums<'a>,
    pub(crate) warm: HourlySums<'a>,
    pub(crate) temperature: HourlySums<'a>,
    pub(crate) humidity: HourlySums<'a>,
    pub(crate) light: HourlySums<'a>,
    pub(crate) lit: HoursOfDay,
}

/// The sums of all places.
pub(crate) struct PlaceSums<'a>(BTreeMap<Name, Sums<'a>>);

impl<'a> PlaceSums<'a> {
    pub(crate) fn at(&self, place: &Name) -> Option<&Sums<'a>> {
        self.0.get(place)
    }
}

/// One place as the trial saw it.
#[derive(Debug, Clone)]
pub struct PlaceStudy {
    /// The place.
    pub name: Name,
    /// How the grower calls it.
    pub title: String,
    /// What kind of spot.
    pub kind: PlaceKind,
    /// What lights it; empty when not stated.
    pub light_source: String,
    /// When units of the trial were here.
    pub span: Span,
    /// Units that stayed here.
    pub units: Vec<Name>,
    /// Of them, containers.
    pub containers: Vec<Name>,
    /// What is known of each quantity.
    pub quantities: BTreeMap<Quantity, QuantityStudy>,
    /// Degree-hours over the span at each of [`BASES`].
    pub warmth: [Dose; 3],
    /// Lux-hours over the span.
    pub light: Dose,
    /// Hand readings: stated conditions, never integrated.
    pub hand_readings: Vec<(Instant, Quantity, f64)>,
}

/// One quantity at one place.
#[derive(Debug, Clone)]
pub struct QuantityStudy {
    /// Which series spoke, when and why.
    pub voices: Vec<Voice>,
    /// What became of the readings.
    pub kept: Kept,
    /// Day by day.
    pub days: Vec<DaySummary>,
    /// Stretches without readings.
    pub holes: Vec<Span>,
    /// Hours with readings.
    pub covered_hours: f64,
    /// Mean over the covered time.
    pub mean: Option<f64>,
    /// Lowest reading that counts.
    pub low: Option<f64>,
    /// Highest reading that counts.
    pub high: Option<f64>,
    /// By day and by night.
    pub day_and_night: DayAndNight,
    /// When it left the range wanted there; none where none is.
    pub outside: Option<Outside>,
}

impl QuantityStudy {
    /// Whether anything is known.
    #[must_use]
    pub fn is_known(&self) -> bool {
        self.covered_hours > 0.0
    }

    /// Covered share of a span of so many hours.
    #[must_use]
    pub fn coverage(&self, hours: f64) -> f64 {
        if hours > 0.0 { self.covered_hours / hours } else { 0.0 }
    }
}

pub(crate) fn studies(
    material: Material<'_>,
    logs: &PlaceLogs<'_>,
    sums: &PlaceSums<'_>,
    units: &[UnitStudy],
) -> Vec<PlaceStudy> {
    logs.spans
        .iter()
        .filter_map(|(name, span)| {
            let place = material.house.places.get(name)?;
            let here: Vec<&UnitStudy> = units
                .iter()
                .filter(|unit| {
                    unit.outcome.stretches.iter().any(|s| s.place == *name)
                })
                .collect();
            let names = |containers_only: bool| {
                here.iter()
                    .filter(|u| u.outcome.is_container || !containers_only)
                    .map(|unit| unit.outcome.name.clone())
                    .collect()
            };
            let sum = sums.at(name)?;
            Some(PlaceStudy {
                name: name.clone(),
                title: place.title.clone(),
                kind: place.kind,
                light_source: place.light_source.clone(),
                span: *span,
                units: names(false),
                containers: names(true),
                quantities: Quantity::CLIMATE
                    .into_iter()
                    .filter_map(|q| {
                        let (_, known) = logs.logs.get(&(name.clone(), q))?;
                        Some((q, known.clone()))
                    })
                    .collect(),
                warmth: std::array::from_fn(|i| {
                    sum.warmth[i].over(&[*span], HoursOfDay::ALL)
                }),
                light: sum.light.over(&[*span], sum.lit),
                hand_readings: hand_readings(material.house, name),
            })
        })
        .collect()
}

type Wanted = (Option<f64>, Option<f64>);

fn wanted(house: &House, place: &Name, quantity: Quantity) -> Wanted {
    let watch = house.range_of(place, quantity);
    watch.map_or((None, None), |watch| (watch.low, watch.high))
}

fn quantity(
    place_log: &PlaceLog<'_>,
    walked: &Hours,
    span: Span,
    wanted: Wanted,
) -> QuantityStudy {
    let log = &place_log.log;
    let readings = log.readings();
    let values = || readings.iter().map(|reading| reading.value);
    let sums = place_log.sums(Shape::value());
    let whole = sums.over(&[span], HoursOfDay::ALL);
    let hours = sums.means(span);
    QuantityStudy {
        voices: place_log.voices.clone(),
        kept: place_log.kept.clone(),
        days: days(log, walked, span),
        holes: log.holes(span),
        covered_hours: log.covered_hours(span),
        mean: whole.covered_mean(),
        low: values().min_by(f64::total_cmp),
        high: values().max_by(f64::total_cmp),
        day_and_night: day_and_night(&hours),
        outside: outside(&hours, wanted),
    }
}

fn hand_readings(house: &House, place: &Name) -> Vec<(Instant, Quantity, f64)> {
    house
        .hand_readings
        .iter()
        .filter(|hand| hand.place == *place)
        .flat_map(|hand| {
            hand.values.iter().map(|(q, value)| (hand.when.at, *q, *value))
        })
        .collect()
}

/// What logs of places are joined from.
#[derive(Clone, Copy)]
pub struct Logged<'a> {
    /// The house.
    pub house: &'a House,
    /// Raw readings of the series that speak for the place.
    pub readings: &'a BTreeMap<Series, Strip>,
    /// The house's distance from UTC.
    pub local: LocalOffset<'a>,
}

impl<'a> From<Material<'a>> for Logged<'a> {
    fn from(material: Material<'a>) -> Self {
        let Material { house, readings, local, .. } = material;
        Self { house, readings, local }
    }
}

/// The climate of one place over a span, whether units were there or not.
#[derive(Debug, Clone)]
pub struct PlaceClimate {
    /// What is known of each quantity.
    pub quantities: BTreeMap<Quantity, QuantityStudy>,
    /// The same hour by hour, hours without readings left out.
    pub hours: BTreeMap<Quantity, Vec<Hour>>,
    /// Degree-hours over the span above the first of [`BASES`].
    pub warmth: Dose,
    /// Lux-hours over the span.
    pub light: Dose,
}

/// An hour of a log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hour {
    /// When.
    pub span: Span,
    /// Mean over its covered part.
    pub mean: f64,
    /// Lowest reading in it.
    pub low: f64,
    /// Highest reading in it.
    pub high: f64,
}

/// What the log of a place says over a span.
#[must_use]
pub fn climate(logged: Logged<'_>, place: &Name, span: Span) -> PlaceClimate {
    let log = |quantity| place_log(logged, place, quantity, span);
    let logs = Quantity::CLIMATE.map(|quantity| (quantity, log(quantity)));
    let of = |wanted| {
        let (_, found) = logs
            .iter()
            .find(|(quantity, _)| *quantity == wanted)
            .expect("each quantity has its log");
        &found.log
    };
    let warmth = HourlySums::of(of(Quantity::Temperature), above(BASES[0]));
    let light = HourlySums::of(of(Quantity::Light), lux_hours());
    let lit = HoursOfDay::lit(&light, DARK_BELOW_LUX);
    PlaceClimate {
        quantities: logs
            .iter()
            .map(|(q, place_log)| {
                let range = wanted(logged.house, place, *q);
                let walked = Hours::of(&place_log.log);
                (*q, quantity(place_log, &walked, span, range))
            })
            .collect(),
        hours: logs
            .iter()
            .map(|(q, place_log)| (*q, hours(&place_log.log, span)))
            .collect(),
        warmth: warmth.over(&[span], HoursOfDay::ALL),
        light: light.over(&[span], lit),
    }
}

fn hours(log: &Log<'_>, span: Span) -> Vec<Hour> {
    let readings = log.readings();
    let mut hours = Vec::new();
    let mut from = span.from;
    while from < span.to {
        let to = from.plus_hours(1.0).min(span.to);
        let first = readings.partition_point(|r| r.at < from);
        let after = readings.partition_point(|r| r.at < to);
        let values = || readings[first..after].iter().map(|r| r.value);
        let hour = Span::new(from, to);
        if let (Some(mean), Some(low), Some(high)) = (
            log.mean(hour),
            values().min_by(f64::total_cmp),
            values().max_by(f64::total_cmp),
        ) {
            hours.push(Hour { span: hour, mean, low, high });
        }
        from = to;
    }
    hours
}

/// Joins the voices of a place into one log, corrected and sifted.
pub(crate) fn place_log<'a>(
    material: Logged<'a>,
    place: &Name,
    quantity: Quantity,
    span: Span,
) -> PlaceLog<'a> {
    let voices = material.house.voices(place, quantity, span.from, span.to);
    let mut kept = Kept::default();
    let mut readings = Vec::new();
    let mut longest_gap = longest_gap_millis(USUAL_INTERVAL_MILLIS / 10);
    for sieve in sieves(material, &voices) {
        let mut between = Vec::with_capacity(sieve.most());
        readings.reserve(sieve.most());
        let mut before: Option<Instant> = None;
        sieve.raw().for_each(|mut reading| {
            let step = before.map_or(0, |at| reading.at.millis_since(at));
            between.extend((step > 0).then_some(step));
            before = Some(reading.at);
            if let Some(value) = sieve.sift(&reading, &mut kept) {
                reading.value = value;
                readings.push(reading);
            }
        });
        longest_gap = longest_gap.max(longest_gap_millis(usual(between)));
    }
    let log = Log::new(readings, longest_gap, material.local);
    PlaceLog { voices, log, kept, tables: Vec::new() }
}

fn sieves<'a>(material: Logged<'a>, voices: &[Voice]) -> Vec<Sieve<'a>> {
    voices
        .iter()
        .filter_map(|voice| {
            let strip = material.readings.get(&voice.series)?;
            Some(Sieve::of(material.house, voice, strip))
        })
        .collect()
}

/// The usual time between two readings, ms: the median.
fn usual(mut between: Vec<i64>) -> i64 {
    if between.is_empty() {
        return USUAL_INTERVAL_MILLIS;
    }
    let middle = between.len() / 2;
    *between.select_nth_unstable(middle).1
}
