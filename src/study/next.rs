//! What a next trial would have to be, to tell apart what this one could
//! not, with the units and seeds that takes.
//!
//! Advice from this trial's own scatter; a design from nothing is `design`.

use std::collections::BTreeSet;

use rayon::iter::{IntoParallelRefIterator, ParallelExtend, ParallelIterator};

use crate::climate::integrate::LEAST_COVERAGE;
use crate::observation::Quantity;
use crate::stats::power::{
    Comparison, Power, TRIALS, exact_power, likeness, units_needed,
};
use crate::stats::strata::{FactorTest, Stratum, WhyNoP};
use crate::study::Study;
use crate::study::factors::{FactorStudy, PLACE, is_pair, level};
use crate::study::findings::{
    AllAlike, LEAST_PLACE_RUNS, SIGNIFICANCE, bound_to,
};
use crate::study::wording::{
    counted, factor as spoken, list, percent as whole_percent,
};

/// The difference for which units are counted, unless another is asked for.
pub const DIFFERENCE: f64 = 0.2;
/// The chance of seeing it.
pub const POWER: f64 = 0.8;
/// Beyond so many units a level no number is named.
pub const MOST_UNITS: u32 = 200;

/// One thing to do otherwise.
#[derive(Debug, Clone, PartialEq)]
pub struct Next {
    /// A word that stays the same from report to report.
    pub id: &'static str,
    /// The factor it is about; empty for places as such.
    pub factor: String,
    /// What to do, and why.
    pub text: String,
    /// How many it takes, where that can be told.
    pub needs: Option<Needs>,
}

/// Units and seeds for a stated difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Needs {
    /// The kind of unit.
    pub unit: Stratum,
    /// Levels to compare.
    pub levels: u32,
    /// Units a level.
    pub units_each: u32,
    /// Seeds in each unit.
    pub seeds_each: u32,
    /// The difference, as a share.
    pub difference: f64,
    /// The chance that a report states it: F over all levels on the scatter
    /// between units below 5 %, and an interval of the pair without 0; by
    /// [`TRIALS`] invented trials.
    pub power: f64,
    /// The chance that the exact permutation that would stand beside it is
    /// below 5 %; none where there would be none, or more than two levels.
    pub exact_power: Option<f64>,
    /// Scatter between units it was reckoned with, 1 = that of seeds alone.
    pub dispersion: f64,
    /// Scatter between such units in this trial; none where it shows none.
    pub scatter_seen: Option<f64>,
}

impl Needs {
    /// All seeds together.
    #[must_use]
    pub fn seeds(&self) -> u32 {
        self.levels * self.units_each * self.seeds_each
    }

    /// `5 batches of 84 seeds at each of 3 levels …`.
    #[must_use]
    pub fn words(&self) -> String {
        let units = usize::try_from(self.units_each).unwrap_or(usize::MAX);
        let unit = self.unit.to_string();
        let exact = self.exact_power.map_or_else(String::new, |power| {
            format!(
                " (its exact permutation, which stands beside it: {} of 100)",
                percent(power)
            )
        });
        let scatter = format!(
            "a scatter between {} {:.1} times that of seeds alone",
            plural(self.unit),
            self.dispersion
        );
        let scatter = match self.scatter_seen {
            Some(seen) if seen + 0.05 < self.dispersion => format!(
                "with {scatter} (this trial showed {seen:.1}, but so little \
                 may be chance)"
            ),
            Some(_) => format!("with {scatter}, as in this trial"),
            None => format!(
                "with {scatter} (a usual one, because this trial shows none)"
            ),
        };
        format!(
            "{} of {} seeds at each of {} levels, {} seeds in all, let a \
             report state a difference of {:.0} of every 100 in {} of 100 \
             trials{exact}, {scatter}",
            counted(units, &unit),
            self.seeds_each,
            self.levels,
            self.seeds(),
            100.0 * self.difference,
            percent(self.power)
        )
    }
}

/// A share as whole hundredths, never 100 where it is less.
fn percent(share: f64) -> String {
    format!("{:.0}", (100.0 * share).floor())
}

/// What a next trial should change; empty when this one told everything.
#[must_use]
pub fn next(study: &Study) -> Vec<Next> {
    let mut found = Vec::new();
    found.extend(all_alike(study));
    found.extend(crossed(study));
    found.par_extend(
        study.factors.par_iter().filter(|f| f.planned).flat_map_iter(
            |factor| {
                let parted = parted(study, factor);
                parted.into_iter().chain(more_units(study, factor))
            },
        ),
    );
    found.extend(log_places(study));
    found.extend(place_runs(study));
    found
}

/// Where nothing or everything germinated, more of the same tells nothing.
fn all_alike(study: &Study) -> Option<Next> {
    let mut planned = study.factors.iter().filter(|f| f.planned);
    let text = match planned.find_map(AllAlike::of)? {
        AllAlike::None => {
            "Nothing germinated, so there is no scatter to reckon units from, \
             and more of the same would show no more. First find out whether \
             the seeds are alive: class those left when a container is closed \
             (viable, empty, dead), and sow some of a lot known to germinate \
             beside them."
        }
        AllAlike::Every => {
            "Every seed came up, so no treatment could have brought up more. \
             Shorter treatments, or a lot that needs more, leave room for a \
             difference."
        }
    };
    Some(Next {
        id: "all-alike",
        factor: String::new(),
        text: text.to_owned(),
        needs: None,
    })
}

/// Places whose climate is not known, or too little of it.
fn log_places(study: &Study) -> Option<Next> {
    let thin: BTreeSet<&str> = study
        .data_quality
        .covered
        .iter()
        .filter(|own| own.coverage < LEAST_COVERAGE)
        .filter(|own| own.quantity == Quantity::Temperature)
        .filter_map(|own| {
            let place = study.places.iter().find(|p| p.name == own.place)?;
            Some(place.title.as_str())
        })
        .collect();
    let thin: Vec<&str> = thin.into_iter().collect();
    (!thin.is_empty()).then(|| Next {
        id: "log-places",
        factor: String::new(),
        text: format!(
            "To know what the seeds lived through: a board that sends all the \
             time at {} (here less than {} of the temperature is known).",
            list(&thin),
            whole_percent(LEAST_COVERAGE)
        ),
        needs: None,
    })
}

/// A factor of batches and the place that changed together.
fn crossed(study: &Study) -> Vec<Next> {
    let mut found = Vec::new();
    let separate = |f: &&FactorStudy| f.name() != PLACE && !is_pair(f.name());
    for factor in study.factors.iter().filter(separate) {
        let cells: BTreeSet<(String, String)> = study
            .containers()
            .filter_map(|unit| {
                Some((level(unit, factor.name())?, level(unit, PLACE)?))
            })
            .collect();
        let levels: BTreeSet<&String> = cells.iter().map(|c| &c.0).collect();
        let places: BTreeSet<&String> = cells.iter().map(|c| &c.1).collect();
        let all = levels.len() * places.len();
        if levels.len() < 2 || places.len() < 2 || cells.len() == all {
            continue;
        }
        found.push(Next {
            id: "cross",
            factor: factor.name().to_owned(),
            text: format!(
                "To tell {} from the place: sow every level of it at every \
                 place ({} levels × {} places = {all} pairs; this trial had \
                 {}).",
                spoken(factor.name()),
                levels.len(),
                places.len(),
                cells.len()
            ),
            needs: None,
        });
    }
    found
}

/// A planned factor that always changed together with another; the place is
/// told of by [`crossed`].
fn parted(study: &Study, factor: &FactorStudy) -> Option<Next> {
    let name = spoken(factor.name());
    let with: Vec<String> = bound_to(study, &name)
        .into_iter()
        .filter(|other| other != PLACE && name != PLACE)
        .collect();
    (!with.is_empty()).then(|| Next {
        id: "cross",
        factor: factor.name().to_owned(),
        text: format!(
            "To tell {name} from {}: give each level of {name} to units of \
             every level of that, so that they do not always change together.",
            list(&with)
        ),
        needs: None,
    })
}

/// A planned factor that was not decided, or had too few units.
fn more_units(study: &Study, factor: &FactorStudy) -> Option<Next> {
    let test = &factor.test;
    if factor.corrected_p.is_some_and(|p| p < SIGNIFICANCE)
        || is_pair(factor.name())
        || test.levels.len() < 2
        || !bound_to(study, &spoken(factor.name())).is_empty()
        || AllAlike::of(factor).is_some()
    {
        return None;
    }
    let name = spoken(factor.name());
    let needs = needs(test, DIFFERENCE);
    let one_each = test.levels.iter().any(|level| level.n_units < 2);
    let why = match &test.why_no_p {
        Some(WhyNoP::TooFewUnits { .. }) if one_each => format!(
            "{} stood for a level, so that what it had and what {name} did \
             cannot be told apart",
            counted(1, &test.tested_on.to_string())
        ),
        Some(WhyNoP::TooFewUnits { .. }) => {
            format!("{name} rested on too few {}", plural(test.tested_on))
        }
        Some(_) | None => format!("{name} was not decided"),
    };
    let how = needs.map_or_else(
        || {
            format!(
                "Give each level several {} of its own",
                plural(test.tested_on)
            )
        },
        |needs| capital(&needs.words()),
    );
    Some(Next {
        id: "more-units",
        factor: factor.name().to_owned(),
        text: format!("In this trial {why}. {how}."),
        needs,
    })
}

fn plural(unit: Stratum) -> String {
    counted(2, &unit.to_string()).trim_start_matches("2 ").to_owned()
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// Units for a difference about this trial's own middle and scatter.
#[must_use]
pub fn needs(test: &FactorTest, difference: f64) -> Option<Needs> {
    let (k, n) = test.levels.iter().fold((0, 0), |(k, n), level| {
        (k + level.pooled.k(), n + level.pooled.n())
    });
    let units = test.n_units.max(1);
    if n == 0 {
        return None;
    }
    let seeds = f64::from(n) / f64::from(units);
    // Without any scatter seen, that of containers usual elsewhere.
    let alike = test.dispersion.map_or(USUAL_LIKENESS, |dispersion| {
        likeness(dispersion, seeds).max(LEAST_LIKENESS)
    });
    let middle = f64::from(k) / f64::from(n);
    let levels = u32::try_from(test.levels.len()).ok()?;
    let seeds_each = n / units;
    let wish = Units { middle, difference, likeness: alike, levels };
    let (found, reached) = wish.for_power(seeds_each, POWER)?;
    let exact = exact_power(found, SIGNIFICANCE, TRIALS, SEED).ok().flatten();
    Some(Needs {
        unit: test.tested_on,
        levels,
        units_each: found.units,
        seeds_each,
        difference,
        power: reached.power,
        exact_power: exact.map(|exact| exact.power),
        dispersion: reached.dispersion,
        scatter_seen: test.dispersion,
    })
}

/// The dice of the invented trials: the same report says the same.
const SEED: u64 = 20_261_126;

/// Seeds of a container are at least so alike, whatever one trial's scatter
/// says: a trial with little scatter by chance must not promise much.
const LEAST_LIKENESS: f64 = 0.02;
/// Taken where nothing is known: between the 0.02 and 0.1 usual between
/// containers (common practice, no source).
pub const USUAL_LIKENESS: f64 = 0.05;

/// Two chances so far apart, as near to a middle as 0 and 1 allow.
#[must_use]
pub fn apart(middle: f64, difference: f64) -> (f64, f64) {
    let half = difference / 2.0;
    let middle = middle.clamp(half + 0.01, 1.0 - half - 0.01);
    (middle - half, middle + half)
}

/// A difference for which units are counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Units {
    /// Share about which the levels lie.
    pub middle: f64,
    /// Difference of the two that lie furthest apart.
    pub difference: f64,
    /// How alike seeds of one unit are.
    pub likeness: f64,
    /// Levels compared.
    pub levels: u32,
}

impl Units {
    /// Fewest units a level with which a report states the difference as
    /// often as wanted; none up to [`MOST_UNITS`].
    #[must_use]
    pub fn for_power(
        self,
        seeds: u32,
        wanted: f64,
    ) -> Option<(Comparison, Power)> {
        let (first, second) = apart(self.middle, self.difference);
        let Self { likeness, levels, .. } = self;
        let plan =
            Comparison { first, second, levels, likeness, seeds, units: 1 };
        units_needed(plan, wanted, MOST_UNITS, SIGNIFICANCE, SEED)
            .ok()
            .flatten()
    }
}

/// Place against warmth, light and damp.
fn place_runs(study: &Study) -> Option<Next> {
    let caution = study.cautions.iter().any(|c| c.id == "place-is-one-spot");
    if !caution {
        return None;
    }
    let places: Vec<&str> = study
        .germination_places()
        .iter()
        .map(|place| place.title.as_str())
        .collect();
    let n = places.len();
    let more = LEAST_PLACE_RUNS.saturating_sub(n).max(1);
    Some(Next {
        id: "place-runs",
        factor: PLACE.to_owned(),
        text: format!(
            "To tell warmth, light and damp from the spots ({}): at least \
             {LEAST_PLACE_RUNS} place-runs, so {more} more, chosen so that \
             warm ones are not always the bright or the dry ones; a second \
             run of the same spots in another month counts as new \
             place-runs. For a stated temperature alone: several boxes with a \
             warmth of their own at one spot.",
            list(&places)
        ),
        needs: None,
    })
}
