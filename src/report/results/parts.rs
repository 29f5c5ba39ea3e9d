//! The smaller structs of `results.json`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::report::results::{OutsideResult, SpreadResult};
use crate::units::Instant;

/// Doses by name: `chill_hours` (moist h at 0 to 7 °C), `frost_hours` (h at
/// or below 0 °C), `warm_phase_hours` (moist h at or above 15 °C before the
/// unit began), all three over the seeds' whole history; `degree_hours`,
/// `degree_hours_above_3`, `degree_hours_above_5` (°C·h above 0, 3, 5 °C)
/// and `lux_hours` (lx·h) over the unit's own stays.
pub type Doses = BTreeMap<String, Dose>;

/// A confidence interval of a share, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Interval {
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
    /// Confidence, 0 to 1.
    pub confidence: f64,
}

/// A time that is known only to lie between two looks, days since the unit
/// began.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Days {
    /// Not before this.
    pub after: f64,
    /// Not after this.
    pub by: f64,
}

/// How many of how many.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Count {
    /// Seeds germinated.
    pub germinated: u32,
    /// Seeds sown.
    pub seeds: u32,
}

/// A sum over time, and how much of the time it rests on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Dose {
    /// Sum over the covered time; null when nothing is known.
    pub value: Option<f64>,
    /// The same with the holes filled; null when one cannot be.
    pub filled: Option<Filled>,
    /// Its unit.
    pub unit: String,
    /// Covered hours of those that matter (light: hours of day with light).
    pub covered_hours: f64,
    /// Missing hours of those that matter.
    pub missing_hours: f64,
    /// The true sum is at least this: the sensor was at its limit.
    pub at_least: bool,
    /// `comparable`, `too-little-data` (under 80 % covered), `cannot-fill`,
    /// `unknown`.
    pub fit_for: String,
    /// Series it rests on; empty when none spoke.
    pub series: Vec<Speaker>,
}

/// An estimate from the same hour of neighbouring days.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Filled {
    /// With the mean of the neighbours in every missing hour.
    pub value: f64,
    /// With the lowest neighbour.
    pub low: f64,
    /// With the highest neighbour.
    pub high: f64,
}

/// A series that spoke for a place, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Speaker {
    /// Board, probe, quantity, set apart by `/`.
    pub series: String,
    /// `main` (named), `only` (no other probe there), `first-placed`.
    pub standing: String,
}

/// A stretch of time without readings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hole {
    /// Without a reading from here …
    pub from: Instant,
    /// … to here.
    pub until: Instant,
}

/// One quantity at one place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QuantityResult {
    /// Its unit: `°C`, `%`, `lx`.
    pub unit: String,
    /// Series that spoke, in order of time.
    pub series: Vec<Speaker>,
    /// Covered hours.
    pub covered_hours: f64,
    /// Missing hours.
    pub missing_hours: f64,
    /// Mean over the covered time; null when nothing is known.
    pub mean: Option<f64>,
    /// Lowest reading that counts.
    pub low: Option<f64>,
    /// Highest reading that counts.
    pub high: Option<f64>,
    /// Stretches without readings.
    pub holes: Vec<Hole>,
    /// Its hours by day, from 8 to 20 o'clock local time; null when nothing
    /// is known.
    pub day: Option<SpreadResult>,
    /// The other hours.
    pub night: Option<SpreadResult>,
    /// Hours outside the range wanted there; null where none is.
    pub outside: Option<OutsideResult>,
}

/// Degree-hours at a base temperature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Warmth {
    /// Base, °C.
    pub base_celsius: f64,
    /// °C·h above it.
    pub dose: Dose,
}

/// Coverage of one quantity at one place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coverage {
    /// The place.
    pub place: String,
    /// The quantity.
    pub quantity: String,
    /// Covered share of the time units were there, 0 to 1.
    pub coverage: f64,
    /// Stretches without readings.
    pub holes: usize,
    /// Hours without readings.
    pub missing_hours: f64,
}

/// A stay of a unit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StayResult {
    /// Where.
    pub place: String,
    /// Since when.
    pub from: Instant,
    /// Until when; cut at the end of what is told.
    pub until: Instant,
    /// Whether the seeds were moist.
    pub moist: bool,
}

/// One level of a factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FactorLevel {
    /// Its name.
    pub level: String,
    /// Units that had it.
    pub n_units: u32,
    /// Seeds in them, added up, at the common age.
    pub pooled: Count,
    /// Share germinated, evened out over the other factors, 0 to 1.
    pub estimate: f64,
    /// Its interval, from the scatter between units; null where there is no
    /// p.
    pub interval: Option<Interval>,
}

/// Two levels of a factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PairDifference {
    /// The level subtracted.
    pub from: String,
    /// The level it is subtracted from.
    pub to: String,
    /// Difference of shares, evened out over the other factors.
    pub estimate: f64,
    /// Its interval; holds for all pairs of the factor together.
    pub interval: Interval,
}

/// One fridge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FridgeResult {
    /// The place.
    pub place: String,
    /// Wanted range, °C.
    pub wanted_celsius: [f64; 2],
    /// Whether a watch states it; else it is the chill band.
    pub wanted_is_stated: bool,
    /// Logged hours at or below the lower end.
    pub hours_below: Option<f64>,
    /// Logged hours at or above the upper end.
    pub hours_above: Option<f64>,
    /// When the door was opened, as far as the log shows; null without a
    /// log.
    pub door_opened: Option<Vec<Instant>>,
    /// Moist stays that were looked at.
    pub stays_judged: usize,
    /// Of them, those with mould.
    pub stays_mouldy: usize,
    /// Median hours until the sighting, stays with mould; the rival
    /// explanation.
    pub hours_at_risk_mouldy: Option<f64>,
    /// Median hours of stay, stays without.
    pub hours_at_risk_clean: Option<f64>,
    /// Exposure to each humidity limit.
    pub limits: Vec<FridgeLimit>,
    /// Every stay.
    pub stays: Vec<FridgeStayResult>,
}

/// Exposure of mouldy and of clean stays to one humidity limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FridgeLimit {
    /// The limit, %.
    pub limit_percent: f64,
    /// Median hours at or above it, stays with mould.
    pub hours_mouldy: Option<f64>,
    /// Median hours at or above it, stays without.
    pub hours_clean: Option<f64>,
    /// Median share of the covered time, stays with mould.
    pub share_mouldy: Option<f64>,
    /// Median share of the covered time, stays without.
    pub share_clean: Option<f64>,
}

/// One stay in a fridge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FridgeStayResult {
    /// The unit.
    pub unit: String,
    /// Since when.
    pub from: Instant,
    /// Until when.
    pub until: Instant,
    /// Whether the seeds were moist.
    pub moist: bool,
    /// Seeds that entered the unit.
    pub seeds: u32,
    /// Germinated during the stay.
    pub germinated: u32,
    /// Looks during the stay.
    pub looks: usize,
    /// Mean temperature over the covered time, °C.
    pub mean_celsius: Option<f64>,
    /// Mean humidity of the air over the covered time, %.
    pub mean_humidity_percent: Option<f64>,
    /// Moist hours at 0 to 7 °C, logged.
    pub chill_hours: Option<f64>,
    /// Hours at or above each limit of `limits`, in its order, until mould
    /// was seen or the stay ended.
    pub damp_hours: Vec<Option<f64>>,
    /// Hours until mould was seen or the stay ended.
    pub hours_at_risk: f64,
    /// The last look without mould and the one that saw it.
    pub mould: Option<crate::report::results::MouldResult>,
}
