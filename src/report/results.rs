//! `results.json`, format `vernalog-results/1`: every number of a report for
//! other programs.
//!
//! The structs are the format: a reader may refuse what they do not name.
//! Times are UTC, RFC 3339. What is not known is `null`, never a number; no
//! date of writing is in it, so the same data give the same bytes.

mod ahead;
mod apart;
mod fill;
mod parts;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::units::Instant;

pub use ahead::{
    ContainerAheadResult, PredictionResult, StepAheadResult, WhenAheadResult,
};
pub use apart::{
    OutsideResult, PairResult, SpeedLevelResult, SpeedResult, SpeedStepResult,
    SpreadResult,
};
pub use fill::of;
pub(crate) use fill::{daily_light_integral, photons, tidy, within};
pub use parts::{
    Count, Coverage, Days, Dose, Doses, FactorLevel, Filled, FridgeLimit,
    FridgeResult, FridgeStayResult, Hole, Interval, PairDifference,
    QuantityResult, Speaker, StayResult, Warmth,
};

/// Name and version of the format.
pub const FORMAT: &str = "vernalog-results/1";

/// Everything a report says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Results {
    /// [`FORMAT`].
    pub format: String,
    /// The question and how it was asked.
    pub trial: TrialResult,
    /// What the numbers rest on.
    pub data_quality: Quality,
    /// Every place at which a unit of the trial stayed, by name.
    pub places: Vec<PlaceResult>,
    /// Every unit, batches first: what it is, where it was, what became of
    /// its seeds.
    pub units: Vec<UnitResult>,
    /// Every container: what came up, when, and what it lived through.
    pub containers: Vec<ContainerResult>,
    /// Every factor with its levels; planned ones first.
    pub factors: Vec<FactorResult>,
    /// When seeds germinated, by level of each factor.
    pub timing: TimingResult,
    /// Fraction and speed apart, for planned factors and the place.
    pub speed: Vec<SpeedResult>,
    /// Pair by pair, factors and conditions: how they went together and
    /// whether this trial can tell them apart.
    pub pairs: Vec<PairResult>,
    /// Fraction against accumulated warmth, when a model was fitted.
    pub thermal_time: ThermalTime,
    /// What is still to come; null when no container runs.
    pub prediction: Option<PredictionResult>,
    /// Every fridge at which a unit stayed.
    pub fridge: Vec<FridgeResult>,
    /// What may be said, planned comparisons first.
    pub findings: Vec<FindingResult>,
    /// What must be said with it.
    pub cautions: Vec<CautionResult>,
    /// What a next trial should change, to tell apart what this one could
    /// not.
    pub next: Vec<NextResult>,
}

impl Results {
    /// As written into the file, with a line feed at the end.
    #[must_use]
    pub fn to_json(&self) -> String {
        let mut text = serde_json::to_string_pretty(self)
            .expect("plain structs can always be written as JSON");
        text.push('\n');
        text
    }
}

/// The trial.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrialResult {
    /// Its name.
    pub id: String,
    /// The question it asks.
    pub question: String,
    /// When it began.
    pub started: Instant,
    /// The end of what is told: stays that go on are cut here.
    pub until: Instant,
    /// Factors whose comparison was planned beforehand.
    pub planned: Vec<String>,
    /// Days since sowing at which containers are compared; null while there
    /// is no container.
    pub common_age_days: Option<f64>,
    /// Lots.
    pub lots: usize,
    /// Batches.
    pub batches: usize,
    /// Containers.
    pub containers: usize,
    /// Seeds that entered batches from outside, not from another unit.
    pub seeds_prepared: u32,
    /// Seeds that entered containers from outside or from batches.
    pub seeds_sown: u32,
    /// Looks at all units.
    pub looks: usize,
}

/// Readings used and left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Quality {
    /// Readings that entered a log.
    pub readings_used: usize,
    /// Readings left out, by their mark.
    pub readings_left_out: BTreeMap<String, usize>,
    /// Readings in windows the grower excluded.
    pub readings_excluded: usize,
    /// Readings corrected by a calibration.
    pub readings_corrected: usize,
    /// Coverage by place and quantity; places without a log included.
    pub coverage: Vec<Coverage>,
    /// Ledger entries that break a rule and were left out, with reasons.
    pub entries_left_out: Vec<String>,
}

/// One place as the trial saw it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlaceResult {
    /// Its name.
    pub id: String,
    /// How the grower calls it.
    pub title: String,
    /// `fridge`, `sill`, …
    pub kind: String,
    /// What lights it; null when not stated.
    pub light_source: Option<String>,
    /// When the first unit of the trial came here.
    pub from: Instant,
    /// When the last one left, or the end of what is told.
    pub until: Instant,
    /// Hours between the two.
    pub hours: f64,
    /// Units that stayed here.
    pub units: Vec<String>,
    /// What is known of each quantity, by its word.
    pub quantities: BTreeMap<String, QuantityResult>,
    /// Degree-hours above each base temperature over the whole time.
    pub warmth: Vec<Warmth>,
    /// Lux-hours over the whole time.
    pub light: Dose,
    /// Photons over the whole time, mol m⁻², lowest and highest; null
    /// unless the place names a light source.
    pub photons_mol_m2: Option<[f64; 2]>,
    /// Photons a day, mol m⁻² d⁻¹ (daily light integral), lowest and
    /// highest, from the mean of the days; null likewise.
    pub daily_light_integral_mol_m2: Option<[f64; 2]>,
}

/// One unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnitResult {
    /// Its name.
    pub id: String,
    /// `batch` or `container`.
    pub kind: String,
    /// Number of the ledger entry that made it.
    pub entry: i64,
    /// The id on its label.
    pub label: Option<String>,
    /// The lot of its seeds.
    pub lot: Option<String>,
    /// The batch its seeds came from (a batch: itself).
    pub batch: Option<String>,
    /// Level of each factor that reaches it.
    pub levels: BTreeMap<String, String>,
    /// When it began.
    pub begun: Instant,
    /// Its own stays.
    pub stays: Vec<StayResult>,
    /// Hours its seeds were stated to lie moist at cold places, its
    /// ancestors' stays included, logged or not.
    pub stated_cold_hours: f64,
    /// Seeds that entered it: the denominator of what follows.
    pub seeds: u32,
    /// Germinated in it.
    pub germinated: u32,
    /// Taken out because of mould.
    pub removed_mould: u32,
    /// Taken out for another reason.
    pub removed_other: u32,
    /// Moved into other units.
    pub transferred: u32,
    /// Left at the last look; classed in `closure` when closed.
    pub left: u32,
    /// What became of those left; null while it is open.
    pub closure: Option<ClosureResult>,
    /// Looks at it.
    pub looks: usize,
    /// When mould was first seen; null when it was not.
    pub mould: Option<MouldResult>,
    /// What its seeds lived through.
    pub doses: Doses,
}

/// What became of the seeds left in a unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is the plain word it shows, in seeds")]
pub struct ClosureResult {
    pub viable: u32,
    pub empty: u32,
    pub dead: u32,
    pub mouldy: u32,
    pub lost: u32,
}

/// Mould lies between two looks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MouldResult {
    /// The last look without it, or the start of the unit.
    pub clean_until: Instant,
    /// The look that saw it.
    pub seen: Instant,
    /// How bad it became: `trace`, `some`, `heavy`.
    pub worst: String,
}

/// One container.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ContainerResult {
    /// Its name.
    pub id: String,
    /// The place where it spent most of its time; null without a stay.
    pub place: Option<String>,
    /// Seeds sown into it: the denominator.
    pub seeds: u32,
    /// Germinated at the common age, at which containers are compared.
    pub germinated: u32,
    /// Germinated up to the last look.
    pub germinated_in_all: u32,
    /// Days from sowing to the last look or closure.
    pub follow_up_days: f64,
    /// `germinated` ÷ `seeds`; null without seeds, and where what was left
    /// was lost before the common age.
    pub fraction: Option<f64>,
    /// Its 95 % Wilson interval; takes seeds as independent, so it speaks
    /// of this container only.
    pub interval: Option<Interval>,
    /// Time to half of the seeds: an interval, of seeds sown and of seeds
    /// germinated.
    pub t50_days: T50,
    /// Mean time of the germinated seeds at the looks that saw them, days
    /// since sowing; null when none germinated.
    pub mean_time_days: Option<f64>,
    /// Germination between two looks between which it was moved.
    pub germinated_while_moving: u32,
    /// What its seeds lived through.
    pub doses: Doses,
}

/// Time to half, from the interval-censored curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct T50 {
    /// Half of the seeds that were sown; null when it was not reached.
    pub of_sown: Option<Days>,
    /// Half of the seeds that germinated; null when none did.
    pub of_germinated: Option<Days>,
    /// Share of the seeds sown that was reached, when half was not.
    pub reached: Option<f64>,
}

/// One factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FactorResult {
    /// Its name.
    pub name: String,
    /// Whether its comparison was planned beforehand.
    pub planned: bool,
    /// What it was stated for: `lot`, `batch`, `container`.
    pub applied_to: String,
    /// The units whose scatter it was tested on.
    pub tested_on: String,
    /// How many of them.
    pub n_units: u32,
    /// Scatter between them, 1 = that of seeds alone; null where it cannot
    /// be judged.
    pub dispersion: Option<f64>,
    /// F statistic; null where there is no p.
    #[serde(rename = "F")]
    pub f: Option<f64>,
    /// Degrees of freedom: of the factor, of the scatter.
    pub df: [f64; 2],
    /// p-value; null for what was not planned, and where units are too few.
    pub p: Option<f64>,
    /// The same after Holm's correction over the planned comparisons.
    pub p_holm: Option<f64>,
    /// Why there is no p.
    pub why_no_p: Option<String>,
    /// A level where nothing or everything germinated.
    pub separated: bool,
    /// Its levels.
    pub levels: Vec<FactorLevel>,
    /// All pairs of levels; empty where there is no p.
    pub differences: Vec<PairDifference>,
    /// For two factors of two levels together (`a × b`): how much the effect
    /// of one hangs on the other; else null.
    pub interaction: Option<InteractionResult>,
    /// Containers that could not take part.
    pub left_out: Vec<String>,
}

/// Effect of the second factor at the later level of the first, less that at
/// its earlier level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InteractionResult {
    /// As a difference of log odds ratios.
    pub log_odds: f64,
    /// Its standard error, from the scatter between units.
    pub standard_error: f64,
    /// Its limits.
    pub interval: Interval,
}

/// Something to do otherwise in a next trial.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NextResult {
    /// A word that stays the same from report to report: `all-alike`,
    /// `cross`, `more-units`, `log-places`, `place-runs`.
    pub id: String,
    /// The factor it is about.
    pub factor: Option<String>,
    /// What to do, and why.
    pub text: String,
    /// Units and seeds that takes; null where that cannot be told.
    pub needs: Option<NeedsResult>,
}

/// Units and seeds for a stated difference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NeedsResult {
    /// The kind of unit.
    pub unit: String,
    /// Levels.
    pub levels: u32,
    /// Units a level.
    pub units_each: u32,
    /// Seeds in each unit.
    pub seeds_each: u32,
    /// All seeds together.
    pub seeds: u32,
    /// The difference between two levels, as a share.
    pub difference: f64,
    /// The chance that a report like this one states it: F over all levels
    /// on the scatter between units below 5 % (before Holm's correction), and
    /// an interval of the pair, for all pairs together, without 0; by 1,000
    /// invented trials, other levels midway.
    pub power: f64,
    /// The chance that the exact permutation of the units, which stands
    /// beside F where they are four a level or fewer, is below 5 %; null
    /// where there is none, or more than two levels.
    pub exact_power: Option<f64>,
    /// Scatter between units it was reckoned with, 1 = that of seeds alone.
    pub dispersion: f64,
    /// The scatter this trial showed between such units; null where it
    /// showed none, and a usual one was taken.
    pub scatter_seen: Option<f64>,
}

/// Times, described.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TimingResult {
    /// Median time between two looks at a container, days; null without
    /// two looks.
    pub days_between_looks: Option<f64>,
    /// By factor and level: from the earliest to the latest container. A
    /// description, no test.
    pub levels: Vec<TimingLevel>,
}

/// Times of the containers at one level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TimingLevel {
    /// The factor.
    pub factor: String,
    /// The level.
    pub level: String,
    /// Containers with it.
    pub containers: usize,
    /// Of them, those in which a seed germinated.
    pub with_germination: usize,
    /// The look that saw the first germinated seed and the one before it,
    /// days since sowing, over all of them.
    pub first: Option<Days>,
    /// T50 of the germinated seeds: from the earliest start to the latest
    /// end of the containers' intervals, days since sowing.
    pub t50_of_germinated: Option<Days>,
}

/// Share germinated against accumulated warmth, at a stated base.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThermalTime {
    /// The stated base temperature, °C.
    pub base_celsius: f64,
    /// All containers together, then one group a level of the first planned
    /// factor of lots or batches.
    pub groups: Vec<ThermalGroupResult>,
}

/// Containers taken together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThermalGroupResult {
    /// The level they share; null for all containers.
    pub level: Option<String>,
    /// Containers whose warmth is known well enough.
    pub containers: usize,
    /// Containers left out because it is not.
    pub left_out: usize,
    /// The fit; null when there is none.
    pub model: Option<ThermalModel>,
    /// Why there is none.
    pub why_none: Option<String>,
}

/// A fitted model: share = g_max · Φ((lg warmth − lg θ50) / σ).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThermalModel {
    /// Share that germinates in the end.
    pub g_max: f64,
    /// Its jackknife limits over containers; null under six containers.
    pub g_max_interval: Option<Interval>,
    /// Warmth that brings half of those up, °C·h above the base.
    pub theta50_degree_hours: f64,
    /// Its limits.
    pub theta50_interval: Option<Interval>,
    /// Spread: standard deviation of the decadic logarithm of the warmth.
    pub sigma: f64,
    /// Its limits.
    pub sigma_interval: Option<Interval>,
    /// Scatter between containers, 1 = that of seeds alone.
    pub dispersion: Option<f64>,
    /// The base these places tell, °C; null when they cannot.
    pub base_told_celsius: Option<f64>,
    /// Its profile limits.
    pub base_interval: Option<Interval>,
}

/// A statement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FindingResult {
    /// `planned`, `planned-undecided`, `exploratory`, `count`.
    pub kind: String,
    /// The factor it is about; null for plain counts.
    pub factor: Option<String>,
    /// The statement.
    pub text: String,
    /// What came up at each level; null for plain counts.
    pub levels: Option<String>,
    /// What it rests on: units, n, F, p.
    pub basis: String,
}

/// Something that must be said with the findings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CautionResult {
    /// A word that stays the same from report to report.
    pub id: String,
    /// The caution.
    pub text: String,
}
