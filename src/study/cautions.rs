//! What must be said with the findings: what is mixed, unknown, thin or
//! left out, and what to take care of.

use std::collections::{BTreeMap, BTreeSet};

use crate::climate::integrate::LEAST_COVERAGE;
use crate::observation::{Name, Quantity};
use crate::stats::strata::TOGETHER;
use crate::study::factors::{FactorStudy, PLACE, is_pair, level, studied_name};
use crate::study::findings::LEAST_PLACE_RUNS;
use crate::study::outcome::Outcome;
use crate::study::pairs::{TOO_CLOSE, Together};
use crate::study::place::BASES;
use crate::study::wording::{counted, factor as spoken, list, percent, signed};
use crate::study::{Material, Study};
use crate::trial::entry::{Lid, PlaceKind};
use crate::trial::unit::UnitKind;

/// Something that must be said with the findings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caution {
    /// A word that stays the same from report to report.
    pub id: &'static str,
    /// The caution.
    pub text: String,
}

pub(crate) fn cautions(material: Material<'_>, study: &Study) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let mut say = |id, text: Option<String>| {
        cautions.extend(text.map(|text| Caution { id, text }));
    };
    say("place-is-one-spot", place_is_one_spot(study));
    say("order-of-places", order_of_places(study));
    say("planned-not-there", planned_not_there(material, study));
    say("not-crossed", not_crossed(study));
    say("calendar", calendar(study));
    say("one-unit-a-level", one_unit_a_level(study));
    say("seeds-are-not-units", seeds_are_not_units(study));
    say("unknown-conditions", unknown_conditions(study));
    say("too-little-data", too_little_data(study));
    say("thermal-time", study.thermal_time.caution());
    say("left-out-readings", left_out_readings(study));
    say("at-least-light", at_least_light(study));
    say("damp-is-of-the-air", damp_is_of_the_air(material, study));
    say("hours-never-logged", hours_never_logged(study));
    say("moved-containers", moved_containers(study));
    say("chilled-after-sowing", chilled_after_sowing(study));
    say("germinated-before-sowing", germinated_before_sowing(study));
    say("taken-out-mouldy", taken_out_mouldy(study));
    say("lost-containers", lost_containers(study));
    say("left-out-containers", left_out_containers(study));
    say("mould-and-people", mould_and_people(study));
    say("food-fridge", food_fridge(study));
    cautions
}

/// Place against warmth, light and damp can never be separated while there
/// are few place-runs, nor conditions that went together in many; pair by
/// pair it stands in `pairs`.
fn place_is_one_spot(study: &Study) -> Option<String> {
    let places = study.germination_places();
    if places.len() < 2 {
        return None;
    }
    if places.len() >= LEAST_PLACE_RUNS {
        let tied: Vec<String> = study
            .pairs
            .iter()
            .filter_map(|pair| match pair.together {
                Together::Places { r: Some(r), .. } if r.abs() >= TOO_CLOSE => {
                    let (a, b) = (&pair.a, &pair.b);
                    Some(format!("{a} with {b} {}", signed(r, 2)))
                }
                _ => None,
            })
            .collect();
        return (!tied.is_empty()).then(|| {
            format!(
                "Over these {} place-runs some conditions went together and \
                 cannot be told apart (correlation): {}.",
                places.len(),
                list(&tied)
            )
        });
    }
    Some(format!(
        "Each place is one spot in one run. What came up there went with \
         everything that spot had: warmth, light, damp and handling cannot be \
         told apart with {} places; about {LEAST_PLACE_RUNS} would be needed, \
         whose conditions do not all go together.",
        places.len()
    ))
}

fn order_of_places(study: &Study) -> Option<String> {
    let places = study.germination_places();
    let orders: Vec<Vec<&str>> = (0..BASES.len())
        .map(|i| {
            let mut known: Vec<(f64, &str)> = places
                .iter()
                .filter(|place| place.warmth[i].covered_hours > 0.0)
                .map(|place| {
                    let dose = &place.warmth[i];
                    let sum = dose.filled.map_or(dose.covered_sum, |f| f.value);
                    (sum, place.title.as_str())
                })
                .collect();
            known.sort_by(|a, b| b.0.total_cmp(&a.0));
            known.into_iter().map(|(_, title)| title).collect()
        })
        .collect();
    if orders.windows(2).all(|pair| pair[0] == pair[1]) {
        return None;
    }
    let words: Vec<String> = BASES
        .iter()
        .zip(&orders)
        .map(|(base, order)| {
            format!("above {base:.0} °C {}", order.join(" > "))
        })
        .collect();
    Some(format!(
        "Which place was warmer hangs on the base temperature: {}.",
        words.join("; ")
    ))
}

/// Factors that could be mixed with the place or the season.
fn mixable(study: &Study) -> impl Iterator<Item = &FactorStudy> {
    study.factors.iter().filter(|f| f.name() != PLACE && !is_pair(f.name()))
}

/// Comparisons that were planned, but of which no unit knows: a level that
/// was never written, a name spelt in two ways.
fn planned_not_there(material: Material<'_>, study: &Study) -> Option<String> {
    let known = |planned: &str| {
        let name = studied_name(planned);
        let turned: Vec<&str> = name.rsplit(TOGETHER).collect();
        let turned = turned.join(TOGETHER);
        study.factors.iter().any(|f| f.name() == name || f.name() == turned)
    };
    let missing: Vec<String> = material
        .trial
        .planned
        .iter()
        .filter(|planned| !known(planned))
        .map(|planned| spoken(planned))
        .collect();
    (!missing.is_empty()).then(|| {
        format!(
            "Planned, but not compared, because no container has a level of \
             it: {}.",
            list(&missing)
        )
    })
}

/// A factor of batches and the places: separable only when every level was
/// at every place.
fn not_crossed(study: &Study) -> Option<String> {
    let containers: Vec<_> = study.containers().collect();
    let mut open = Vec::new();
    for factor in mixable(study) {
        let name = factor.name();
        let cells: BTreeSet<(String, String)> = containers
            .iter()
            .filter_map(|unit| Some((level(unit, name)?, level(unit, PLACE)?)))
            .collect();
        let levels: BTreeSet<&String> = cells.iter().map(|c| &c.0).collect();
        let places: BTreeSet<&String> = cells.iter().map(|c| &c.1).collect();
        if places.len() > 1
            && levels.len() > 1
            && cells.len() < levels.len() * places.len()
        {
            open.push(spoken(name));
        }
    }
    (!open.is_empty()).then(|| {
        format!(
            "Not every level of {} was at every place, so its effect and that \
             of the place are mixed.",
            list(&open)
        )
    })
}

fn calendar(study: &Study) -> Option<String> {
    let mut mixed = Vec::new();
    for factor in mixable(study) {
        let mut sown: BTreeMap<String, (f64, u32)> = BTreeMap::new();
        for unit in study.containers() {
            if let Some(level) = level(unit, factor.name()) {
                let (sum, n) = sown.entry(level).or_default();
                *sum += unit.outcome.begun.days_since(study.started);
                *n += 1;
            }
        }
        let means: Vec<f64> =
            sown.values().map(|(sum, n)| sum / f64::from(*n)).collect();
        let early = means.iter().copied().fold(f64::INFINITY, f64::min);
        let late = means.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if means.len() > 1 && late - early >= 3.0 {
            mixed.push(format!(
                "{} (up to {:.0} days apart)",
                spoken(factor.name()),
                late - early
            ));
        }
    }
    (!mixed.is_empty()).then(|| {
        format!(
            "Levels of {} were sown on different dates: the season is mixed \
             into the comparison.",
            list(&mixed)
        )
    })
}

fn one_unit_a_level(study: &Study) -> Option<String> {
    let single: Vec<String> = study
        .factors
        .iter()
        .filter(|factor| {
            let few = factor.test.levels.iter().any(|level| level.n_units < 2);
            factor.planned && few
        })
        .map(|factor| {
            format!(
                "{} (unit: {})",
                spoken(factor.name()),
                factor.test.tested_on
            )
        })
        .collect();
    (!single.is_empty()).then(|| {
        format!(
            "A level of {} rests on one unit: what that unit had and what \
             the level did cannot be told apart, so this is description only.",
            list(&single)
        )
    })
}

fn seeds_are_not_units(study: &Study) -> Option<String> {
    study.containers().next()?;
    Some(
        "The interval of one container takes its seeds as independent. Seeds \
         of a box share a box, so it says nothing about other boxes; \
         comparisons use the scatter between units instead."
            .to_owned(),
    )
}

fn unknown_conditions(study: &Study) -> Option<String> {
    let unknown: Vec<String> = study
        .places
        .iter()
        .filter_map(|place| {
            let missing: Vec<&str> = Quantity::CLIMATE
                .into_iter()
                .filter(|quantity| {
                    !place
                        .quantities
                        .get(quantity)
                        .is_some_and(|known| known.is_known())
                })
                .map(Quantity::word)
                .collect();
            (!missing.is_empty())
                .then(|| format!("{} ({})", place.title, list(&missing)))
        })
        .collect();
    (!unknown.is_empty()).then(|| {
        format!(
            "Not logged, so unknown: {}. Stays there are stated, their doses \
             are not.",
            unknown.join("; ")
        )
    })
}

fn too_little_data(study: &Study) -> Option<String> {
    let thin: Vec<String> = study
        .places
        .iter()
        .filter_map(|place| {
            let own: Vec<String> = study
                .data_quality
                .covered
                .iter()
                .filter(|c| c.place == place.name)
                .filter(|c| c.coverage > 0.0 && c.coverage < LEAST_COVERAGE)
                .map(|c| format!("{} {}", c.quantity, percent(c.coverage)))
                .collect();
            (!own.is_empty())
                .then(|| format!("{} ({})", place.title, own.join(", ")))
        })
        .collect();
    (!thin.is_empty()).then(|| {
        format!(
            "Less than 80 % of the time is covered at {}: doses there are \
             marked \"too little data\" and are not compared.",
            list(&thin)
        )
    })
}

/// Hours of day without any reading while others have theirs: no neighbour
/// can stand in for them, and a warm or bright hour missing every day bends
/// each sum.
fn hours_never_logged(study: &Study) -> Option<String> {
    let places: Vec<String> = study
        .places
        .iter()
        .filter_map(|place| {
            let by_hour = &place.warmth[0].by_hour;
            let logged = by_hour.iter().any(|h| h.covered_hours > 0.0);
            let silent: Vec<usize> = (0..24)
                .filter(|hour| {
                    let cover = by_hour[*hour];
                    let all = cover.covered_hours + cover.missing_hours;
                    all > 24.0 && cover.covered_hours < 0.1 * all
                })
                .collect();
            (logged && !silent.is_empty())
                .then(|| format!("{} ({})", place.title, hours_words(&silent)))
        })
        .collect();
    (!places.is_empty()).then(|| {
        format!(
            "The same hours of the day are always missing in the log of {}: \
             what they were like is not known, so no sum there can be filled.",
            list(&places)
        )
    })
}

/// `11 to 15 o'clock`; apart where they do not follow each other.
fn hours_words(hours: &[usize]) -> String {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for hour in hours {
        match runs.last_mut() {
            Some((_, end)) if *end == *hour => *end = hour + 1,
            _ => runs.push((*hour, hour + 1)),
        }
    }
    let runs: Vec<String> =
        runs.iter().map(|(from, to)| format!("{from} to {to}")).collect();
    format!("{} o'clock", list(&runs))
}

fn left_out_readings(study: &Study) -> Option<String> {
    let quality = &study.data_quality;
    let mut parts: Vec<String> = quality
        .left_out
        .iter()
        .map(|(mark, n)| format!("{n} readings marked {mark}"))
        .collect();
    if quality.excluded > 0 {
        parts.push(format!(
            "{} readings in windows the grower excluded",
            quality.excluded
        ));
    }
    (!parts.is_empty()).then(|| {
        format!(
            "Left out of every dose, but kept: {}. The time without them \
             counts as missing.",
            list(&parts)
        )
    })
}

fn at_least_light(study: &Study) -> Option<String> {
    let bright: Vec<&str> = study
        .places
        .iter()
        .filter(|place| place.light.at_least)
        .map(|place| place.title.as_str())
        .collect();
    (!bright.is_empty()).then(|| {
        format!(
            "The light sensor at {} came to the end of its scale: the light \
             dose there is \"at least\".",
            list(&bright)
        )
    })
}

fn damp_is_of_the_air(material: Material<'_>, study: &Study) -> Option<String> {
    let closed = material
        .trial
        .units
        .values()
        .any(|unit| unit.kind == UnitKind::Container(Lid::Closed));
    let logged = study.places.iter().any(|place| {
        place
            .quantities
            .get(&Quantity::Humidity)
            .is_some_and(|humidity| humidity.is_known())
    });
    (closed && logged).then(|| {
        "Humidity is that of the air of the place. Inside a closed container \
         or bag it is another, near saturation; a board in a dummy box would \
         show it."
            .to_owned()
    })
}

fn moved_containers(study: &Study) -> Option<String> {
    let names = |pick: &dyn Fn(&Outcome) -> bool| -> Vec<String> {
        study
            .containers()
            .filter(|unit| pick(&unit.outcome))
            .map(|unit| unit.outcome.name.to_string())
            .collect()
    };
    let moved = names(&|outcome| {
        let places: BTreeSet<&Name> =
            outcome.stretches.iter().map(|s| &s.place).collect();
        places.len() > 1
    });
    if moved.is_empty() {
        return None;
    }
    let between = names(&|outcome| {
        outcome.steps.iter().any(|s| s.straddles_a_move && s.germinated > 0)
    });
    let open = if between.is_empty() {
        String::new()
    } else {
        format!(
            " Seeds of {} germinated between two looks with a move in \
             between, so they cannot be given to one place.",
            list(&between)
        )
    };
    Some(format!(
        "Moved after sowing, and counted at the place where they were \
         longest: {}.{open}",
        list(&moved)
    ))
}

/// Containers that lay in the cold after sowing: their level of chill speaks
/// of the time before.
fn chilled_after_sowing(study: &Study) -> Option<String> {
    let cold = |place: &Name| {
        let found = study.places.iter().find(|p| p.name == *place);
        found.is_some_and(|p| p.kind == PlaceKind::Fridge)
    };
    let names: Vec<String> = study
        .containers()
        .filter(|unit| {
            let outcome = &unit.outcome;
            outcome.stretches.iter().any(|s| cold(&s.place))
                && !outcome.main_place().is_some_and(cold)
        })
        .map(|unit| unit.outcome.name.to_string())
        .collect();
    (!names.is_empty()).then(|| {
        format!(
            "Back in the cold after sowing: {}. Their level of chill speaks of \
             the time before sowing; their logged chill counts both.",
            list(&names)
        )
    })
}

/// Seeds that were not sown because they had germinated in the batch: those
/// that were sown are a chosen rest.
fn germinated_before_sowing(study: &Study) -> Option<String> {
    let early: Vec<&Outcome> = study
        .batches()
        .map(|unit| &unit.outcome)
        .filter(|own| own.germinated > 0 && own.transferred > 0)
        .collect();
    let seeds: u32 = early.iter().map(|own| own.germinated).sum();
    (seeds > 0).then(|| {
        format!(
            "{seeds} of the {} seeds of {} had germinated before sowing, so \
             comparisons of seeds sown are of those that had not: the \
             quickest are missing there.",
            early.iter().map(|own| own.entered).sum::<u32>(),
            named(early.iter().map(|own| own.name.as_str()), "batch")
        )
    })
}

/// Seeds of containers taken out before they could germinate.
fn taken_out_mouldy(study: &Study) -> Option<String> {
    let mouldy: Vec<&Outcome> = study
        .containers()
        .map(|unit| &unit.outcome)
        .filter(|own| own.removed_mould > 0)
        .collect();
    let seeds: u32 = mouldy.iter().map(|own| own.removed_mould).sum();
    let n = study.containers().count();
    let all = counted(n, "container");
    let boxes = if mouldy.len() == n && n > 1 {
        format!("all {all}")
    } else {
        format!("{} of {all}", mouldy.len())
    };
    (seeds > 0).then(|| {
        format!(
            "{seeds} of {} seeds sown were taken out because of mould, in \
             {boxes}: they count as sown and not come up, and nobody knows \
             what they would have done.",
            study.containers().map(|u| u.outcome.entered).sum::<u32>()
        )
    })
}

/// More names than this are counted before they are listed.
const MOST_NAMES: usize = 4;

/// `a and b`; `12 batches (a, b, … and l)`.
fn named<'a>(names: impl Iterator<Item = &'a str>, one: &str) -> String {
    let names: Vec<&str> = names.collect();
    if names.len() > MOST_NAMES {
        format!("{} ({})", counted(names.len(), one), list(&names))
    } else {
        list(&names)
    }
}

/// Containers whose seeds were lost before the others were done.
fn lost_containers(study: &Study) -> Option<String> {
    let names: Vec<&str> = study
        .containers()
        .filter(|unit| unit.outcome.lost_early)
        .map(|unit| unit.outcome.name.as_str())
        .collect();
    (!names.is_empty()).then(|| {
        format!(
            "Lost before the comparison's age, so left out of the comparisons: \
             {}. If what was lost had to do with how it was treated, the rest \
             is a chosen rest.",
            named(names.into_iter(), "container")
        )
    })
}

/// Containers that take part in no comparison, each with the reason.
fn left_out_containers(study: &Study) -> Option<String> {
    let out: BTreeSet<&Name> =
        study.factors.iter().flat_map(|factor| &factor.left_out).collect();
    let mut whys: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for unit in study.containers() {
        let outcome = &unit.outcome;
        if !out.contains(&outcome.name) || outcome.lost_early {
            continue;
        }
        let unknown: Vec<String> = study
            .factors
            .iter()
            .filter(|factor| level(unit, factor.name()).is_none())
            .map(|factor| spoken(factor.name()))
            .collect();
        let why = if outcome.entered == 0 {
            "no seed was sown into".to_owned()
        } else {
            format!("no {} is known of", list(&unknown))
        };
        whys.entry(why).or_default().push(outcome.name.as_str());
    }
    let whys: Vec<String> = whys
        .into_iter()
        .map(|(why, names)| {
            format!("{why} {}", named(names.into_iter(), "container"))
        })
        .collect();
    (!whys.is_empty())
        .then(|| format!("Left out of the comparisons: {}.", whys.join("; ")))
}

fn mould_and_people(study: &Study) -> Option<String> {
    let mouldy = study.units.iter().any(|unit| {
        unit.outcome.mould.is_some() || unit.outcome.removed_mould > 0
    });
    mouldy.then(|| {
        "Mouldy material: do not sniff it, wear gloves, bag it outdoors; \
         people with asthma or weak immunity keep away."
            .to_owned()
    })
}

fn food_fridge(study: &Study) -> Option<String> {
    (!study.fridges.is_empty()).then(|| {
        "Seeds beside food: sealed, labelled, in a box of their own; treated \
         or poisonous seed out of reach of children and animals. A food \
         fridge is kept for food first."
            .to_owned()
    })
}
