//! A design for a trial that is not there yet: how many batches and
//! containers, what it would show, and which container stands where.
//!
//! Nothing of a trial that was made is looked at; `next` does that.

use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;

use crate::stats::error::StatsError;
use crate::stats::power::{Comparison, Power, likeness, power, power_by_f};
use crate::study::findings::SIGNIFICANCE;
use crate::study::next::{MOST_UNITS, Units, apart};

/// What is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct Wish {
    /// Levels given to batches, such as weeks of chilling; may be one.
    pub levels: Vec<String>,
    /// Places at which every batch is sown.
    pub places: Vec<String>,
    /// Share expected to germinate.
    pub expected: f64,
    /// Difference of shares that is to be seen.
    pub difference: f64,
    /// Scatter between containers, 1 = that of seeds alone.
    pub dispersion: f64,
    /// Seeds in a container.
    pub seeds: u32,
    /// Chance of seeing the difference.
    pub power: f64,
    /// Batches a level, instead of as many as are needed.
    pub batches: Option<u32>,
    /// All chance of the allocation follows from it.
    pub seed: u64,
}

/// Why there is no design.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoDesign {
    /// Nothing to compare.
    #[error("there is nothing to compare: give two levels or two places")]
    NothingToCompare,
    /// Too many units would be needed.
    #[error(
        "more than {MOST_UNITS} units a level would be needed for a \
         difference of {:.0} of every 100; a larger difference, more seeds \
         in each or less scatter would do",
        100.0 * difference
    )]
    TooMany {
        /// What was wanted.
        difference: f64,
    },
    /// A number that cannot be.
    #[error(transparent)]
    Number(#[from] StatsError),
}

/// One comparison of the design.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Units at each level.
    pub units_each: u32,
    /// Seeds in each unit.
    pub seeds_each: u32,
    /// By the noncentral F.
    pub by_f: Power,
    /// By 2,000 invented trials.
    pub invented: Power,
}

/// One container with its spot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spot {
    /// Its name.
    pub container: String,
    /// Its batch.
    pub batch: String,
    /// The level of the batch.
    pub level: String,
    /// Where.
    pub place: String,
    /// Which of the positions there.
    pub position: u32,
}

/// The design.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// Batches at each level.
    pub batches_each: u32,
    /// Containers of each batch at each place.
    pub containers_each: u32,
    /// Seeds in a batch.
    pub seeds_in_batch: u32,
    /// All seeds.
    pub seeds: u32,
    /// Levels of batches compared; none with one level.
    pub levels: Option<Shown>,
    /// Places compared; none with one place.
    pub places: Option<Shown>,
    /// Every container, place by place in order of position.
    pub spots: Vec<Spot>,
}

/// More containers of one batch at one place are no longer a design.
const MOST_COPIES: u32 = 8;
/// Batches where nothing is given to batches: so that a place is not judged
/// by one bag.
const PLAIN_BATCHES: u32 = 4;
const TRIALS: u32 = 2_000;

/// Lays a trial out: every batch at every place, as many batches as the
/// levels need, as many containers as the places need, spots drawn by lot.
///
/// # Errors
/// [`NoDesign`].
pub fn design(wish: &Wish) -> Result<Design, NoDesign> {
    let levels = count(&wish.levels).max(1);
    let places = count(&wish.places).max(1);
    if levels < 2 && places < 2 {
        return Err(NoDesign::NothingToCompare);
    }
    let alike = likeness(wish.dispersion, f64::from(wish.seeds));
    let (first, second) = apart(wish.expected, wish.difference);
    let of = |levels, units, seeds| Comparison {
        first,
        second,
        levels,
        likeness: alike,
        seeds,
        units,
    };
    let wanted = Units {
        middle: wish.expected,
        difference: wish.difference,
        likeness: alike,
        levels,
    };
    for copies in 1..=MOST_COPIES {
        let in_batch = places * copies * wish.seeds;
        let needed = if levels < 2 {
            Some(PLAIN_BATCHES)
        } else {
            wanted.for_power(in_batch, wish.power).map(|(found, _)| found.units)
        };
        let Some(batches) = wish.batches.or(needed) else { continue };
        let here = levels * batches * copies;
        let by_place = || {
            let plan = of(places, here, wish.seeds);
            power(plan, SIGNIFICANCE, TRIALS, wish.seed)
        };
        if places > 1 && by_place()?.power < wish.power && copies < MOST_COPIES
        {
            continue;
        }
        let shown = |levels, units_each, seeds_each| -> Result<_, NoDesign> {
            let plan = of(levels, units_each, seeds_each);
            Ok(Shown {
                units_each,
                seeds_each,
                by_f: power_by_f(plan, SIGNIFICANCE)?,
                invented: power(plan, SIGNIFICANCE, TRIALS, wish.seed)?,
            })
        };
        return Ok(Design {
            batches_each: batches,
            containers_each: copies,
            seeds_in_batch: in_batch,
            seeds: levels * batches * in_batch,
            levels: (levels > 1)
                .then(|| shown(levels, batches, in_batch))
                .transpose()?,
            places: (places > 1)
                .then(|| shown(places, here, wish.seeds))
                .transpose()?,
            spots: spots(wish, batches, copies),
        });
    }
    Err(NoDesign::TooMany { difference: wish.difference })
}

fn count(items: &[String]) -> u32 {
    u32::try_from(items.len()).unwrap_or(u32::MAX)
}

/// Every container at a spot drawn by lot.
fn spots(wish: &Wish, batches: u32, copies: u32) -> Vec<Spot> {
    let mut dice = ChaCha8Rng::seed_from_u64(wish.seed);
    let one = [String::new()];
    let levels = if wish.levels.is_empty() { &one } else { &wish.levels[..] };
    let mut spots = Vec::new();
    for place in &wish.places {
        let mut here = Vec::new();
        for level in levels {
            for batch in 1..=batches {
                let batch = match level.as_str() {
                    "" => format!("batch-{batch}"),
                    level => format!("l{}-b{batch}", plain(level)),
                };
                for copy in 1..=copies {
                    let mut container = format!("{batch}-{}", plain(place));
                    if copies > 1 {
                        container = format!("{container}-{copy}");
                    }
                    here.push((container, batch.clone(), level.clone()));
                }
            }
        }
        here.shuffle(&mut dice);
        spots.extend((1..).zip(here).map(
            |(position, (container, batch, level))| Spot {
                container,
                batch,
                level,
                place: place.clone(),
                position,
            },
        ));
    }
    spots
}

/// Letters and digits of a level or place, as names may have them.
fn plain(text: &str) -> String {
    text.to_lowercase()
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .collect::<String>()
        .trim_matches('-')
        .to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wish() -> Wish {
        let words = |list: &[&str]| -> Vec<String> {
            list.iter().map(|word| (*word).to_owned()).collect()
        };
        Wish {
            levels: words(&["6", "12"]),
            places: words(&["sill", "landing"]),
            expected: 0.5,
            difference: 0.2,
            dispersion: 2.2,
            seeds: 25,
            power: 0.8,
            batches: None,
            seed: 7,
        }
    }

    /// 2.2 = 1 + 24 · 0.05; 50 seeds a batch then scatter 3.45 times, and
    /// 0.4 against 0.6 needs 8 batches a level by the noncentral F (scipy
    /// 1.17.1 ncf, computed), by invented trials as many or a few more.
    #[test]
    fn batches_are_near_those_of_the_noncentral_f() {
        let found = design(&wish()).unwrap();
        let levels = found.levels.unwrap();
        let range = SCIPY_BATCHES..=SCIPY_BATCHES + 2;
        assert!(range.contains(&found.batches_each), "{found:?}");
        assert!((levels.by_f.dispersion - 3.45).abs() < 1e-9);
        assert!(levels.by_f.power >= 0.8);
        assert!((levels.invented.power - levels.by_f.power).abs() < 0.06);
        let told = levels.invented;
        assert!(told.power + 3.0 * told.error >= 0.8, "{told:?}");
        assert!(found.places.unwrap().by_f.power >= 0.8);
        assert_eq!(found.seeds, 2 * found.batches_each * 50);
    }

    const SCIPY_BATCHES: u32 = 8;

    #[test]
    fn every_batch_stands_at_every_place_and_each_spot_is_taken_once() {
        let found = design(&wish()).unwrap();
        let per_place = 2 * found.batches_each * found.containers_each;
        assert_eq!(found.spots.len(), 2 * per_place as usize);
        for place in ["sill", "landing"] {
            let mut positions: Vec<u32> = found
                .spots
                .iter()
                .filter(|spot| spot.place == place)
                .map(|spot| spot.position)
                .collect();
            positions.sort_unstable();
            assert_eq!(positions, (1..=per_place).collect::<Vec<_>>());
        }
        let order = |found: &Design| -> Vec<String> {
            found.spots.iter().map(|s| s.container.clone()).collect()
        };
        let again = design(&wish()).unwrap();
        assert_eq!(order(&found), order(&again), "the same seed");
        let other = design(&Wish { seed: 8, ..wish() }).unwrap();
        assert_ne!(order(&found), order(&other));
    }

    #[test]
    fn what_cannot_be_reached_is_said() {
        let tiny = Wish { difference: 0.01, seeds: 5, ..wish() };
        let why = design(&tiny).unwrap_err();
        assert!(matches!(why, NoDesign::TooMany { .. }), "{why}");
        let one =
            Wish { levels: vec![], places: vec!["sill".into()], ..wish() };
        assert_eq!(design(&one), Err(NoDesign::NothingToCompare));
    }
}
