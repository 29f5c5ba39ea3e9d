//! `speed`, `pairs` and day and night of `results.json`: fraction and speed
//! apart, pair by pair what can be told apart, how a place was by day.

use serde::{Deserialize, Serialize};

use crate::report::results::fill::{sure, tidy};
use crate::study::day_and_night;
use crate::study::pairs::{Pair, Together};
use crate::study::speed::{Change, SpeedLevel, SpeedStep, SpeedStudy};
use crate::units::Instant;

/// Fraction and speed apart, for one factor: a description without p.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpeedResult {
    /// The factor.
    pub factor: String,
    /// What was left out in turn for the limits: `container`, `batch`.
    pub limits_from: String,
    /// Its levels.
    pub levels: Vec<SpeedLevelResult>,
    /// From each level to the next, where levels are lengths of time.
    pub steps: Vec<SpeedStepResult>,
}

/// How many seeds of a level come up, and how soon, by the split-population
/// model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpeedLevelResult {
    /// The level.
    pub level: String,
    /// Containers with seeds.
    pub containers: usize,
    /// Seeds germinated in them, up to the last look.
    pub germinated: u32,
    /// Share that comes up in the end; null where the model tells none.
    pub final_share: Option<f64>,
    /// Days since sowing by which half of those have.
    pub half_days: Option<f64>,
    /// 95 % limits of `half_days`; null under six units.
    pub half_days_interval: Option<[f64; 2]>,
    /// Whether the seeds were watched long enough to tell share from speed.
    pub settled: Option<bool>,
    /// Why there is no time.
    pub why_none: Option<String>,
}

/// From one length of treatment to the next longer one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpeedStepResult {
    /// The shorter.
    pub from: String,
    /// The longer.
    pub to: String,
    /// What it did to the share, by the planned comparison: `more`, `less`,
    /// `cannot-tell`.
    pub share: String,
    /// What it did to the time, by the limits below: `sooner`, `later`,
    /// `cannot-tell`.
    pub time: String,
    /// Days by which half of those that come up came sooner; negative for
    /// later; null where one of the two has no time.
    pub days_sooner: Option<f64>,
    /// Its 95 % limits.
    pub days_sooner_interval: Option<[f64; 2]>,
}

/// Two things that may have made a difference, and how they went together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PairResult {
    /// The first: a factor, `place`, `warmth`, `light` or `humidity`.
    pub a: String,
    /// The second.
    pub b: String,
    /// `crossed` (every level with every level), `partly`, `bound` (each
    /// level of one came with one of the other only), `one-spot` (a place has
    /// one climate), `places` (two conditions over places).
    pub together: String,
    /// Combinations of levels that were there and could have been; null but
    /// for `partly`.
    pub combinations: Option<[usize; 2]>,
    /// Places at which both conditions are known; null but for `places`.
    pub places: Option<usize>,
    /// Pearson's correlation of the places' means; null below three places.
    pub r: Option<f64>,
    /// Whether this trial can tell the two apart.
    pub told_apart: bool,
}

/// How the hours of day, or of night, were spread; from hourly means.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpreadResult {
    /// Hours behind it.
    pub hours: usize,
    /// Their mean.
    pub mean: f64,
    /// Nineteen in twenty of the hours lay above it …
    pub twentieth: f64,
    /// Half above, half below.
    pub median: f64,
    /// … and nineteen in twenty below it.
    pub nineteen_twentieths: f64,
}

/// Hours outside the range that a watch wants there; from hourly means.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutsideResult {
    /// Lowest wanted value.
    pub low: Option<f64>,
    /// Highest wanted value.
    pub high: Option<f64>,
    /// Hours whose mean lay below.
    pub hours_below: usize,
    /// Hours whose mean lay above.
    pub hours_above: usize,
    /// Stretches of such hours.
    pub spells: usize,
    /// When the longest began; null where there was none.
    pub longest_from: Option<Instant>,
    /// Its hours.
    pub longest_hours: Option<usize>,
}

pub(super) fn speed(found: &SpeedStudy) -> SpeedResult {
    SpeedResult {
        factor: found.factor.clone(),
        limits_from: found.limits_from.to_string(),
        levels: found.levels.iter().map(level).collect(),
        steps: found.steps.iter().map(step).collect(),
    }
}

fn level(found: &SpeedLevel) -> SpeedLevelResult {
    let told = found.outcome.as_ref().ok();
    SpeedLevelResult {
        level: found.level.clone(),
        containers: found.n_containers,
        germinated: found.germinated,
        final_share: told.and_then(|told| tidy(told.final_share)),
        half_days: told.and_then(|told| tidy(told.half_days)),
        half_days_interval: told
            .and_then(|told| told.limits())
            .map(|limits| [sure(limits.lower), sure(limits.upper)]),
        settled: told.map(|told| told.settled),
        why_none: found.outcome.as_ref().err().map(ToString::to_string),
    }
}

fn step(found: &SpeedStep) -> SpeedStepResult {
    let words = |change, more: &str, less: &str| {
        match change {
            Change::More => more,
            Change::Less => less,
            Change::CannotTell => "cannot-tell",
        }
        .to_owned()
    };
    SpeedStepResult {
        from: found.from.clone(),
        to: found.to.clone(),
        share: words(found.share, "more", "less"),
        time: words(found.time(), "sooner", "later"),
        days_sooner: found.sooner.and_then(|(days, _)| tidy(days)),
        days_sooner_interval: found
            .sooner
            .map(|(_, limits)| [sure(limits.lower), sure(limits.upper)]),
    }
}

pub(super) fn pair(found: &Pair) -> PairResult {
    let (together, combinations, places, r) = match found.together {
        Together::Crossed => ("crossed", None, None, None),
        Together::Partly { met, of } => ("partly", Some([met, of]), None, None),
        Together::Bound => ("bound", None, None, None),
        Together::OneSpot => ("one-spot", None, None, None),
        Together::Places { n, r } => ("places", None, Some(n), r),
    };
    PairResult {
        a: found.a.clone(),
        b: found.b.clone(),
        together: together.to_owned(),
        combinations,
        places,
        r: r.and_then(tidy),
        told_apart: found.together.separable(),
    }
}

pub(super) fn spread(found: day_and_night::Spread) -> SpreadResult {
    let [twentieth, _, median, _, nineteen_twentieths] = found.values.map(sure);
    SpreadResult {
        hours: found.hours,
        mean: sure(found.mean),
        twentieth,
        median,
        nineteen_twentieths,
    }
}

pub(super) fn outside(found: day_and_night::Outside) -> OutsideResult {
    OutsideResult {
        low: found.low.and_then(tidy),
        high: found.high.and_then(tidy),
        hours_below: found.hours_below,
        hours_above: found.hours_above,
        spells: found.spells,
        longest_from: found.longest.map(|(from, _)| from),
        longest_hours: found.longest.map(|(_, hours)| hours),
    }
}
