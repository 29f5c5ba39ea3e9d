//! What must be said with the findings: what is mixed, unknown, thin or
//! left out, and what to take care of.

use std::collections::{BTreeMap, BTreeSet};

use crate::observation::{Name, Quantity};
use crate::stats::strata::TOGETHER;
use crate::study::factors::{FactorStudy, PLACE, is_pair, level, studied_name};
use crate::study::findings::LEAST_PLACE_RUNS;
use crate::study::place::{BASES, PlaceStudy};
use crate::study::wording::{factor as spoken, list, percent};
use crate::study::{Material, Study};
use crate::trial::entry::Lid;
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
    say("moved-containers", moved_containers(study));
    say("left-out-containers", left_out_containers(study));
    say("mould-and-people", mould_and_people(study));
    say("food-fridge", food_fridge(study));
    cautions
}

fn germination_places(study: &Study) -> Vec<&PlaceStudy> {
    study.places.iter().filter(|p| !p.containers.is_empty()).collect()
}

/// Place against warmth, light and damp can never be separated while there
/// are few place-runs, nor conditions that went together in many: says which
/// pairs, with their correlation.
fn place_is_one_spot(study: &Study) -> Option<String> {
    let places = germination_places(study);
    if places.len() < 2 {
        return None;
    }
    let mean = |quantity: Quantity| -> Vec<Option<f64>> {
        places
            .iter()
            .map(|place| place.quantities.get(&quantity)?.mean)
            .collect()
    };
    let (warmth, light, damp) = (
        mean(Quantity::Temperature),
        mean(Quantity::Light),
        mean(Quantity::Humidity),
    );
    let found: Vec<(&str, f64)> = [
        ("warmth with light", &warmth, &light),
        ("warmth with humidity", &warmth, &damp),
        ("light with humidity", &light, &damp),
    ]
    .into_iter()
    .filter_map(|(words, a, b)| Some((words, correlation(a, b)?)))
    .collect();
    let say = |(words, r): &(&str, f64)| format!("{words} {}", signed(*r));
    if places.len() >= LEAST_PLACE_RUNS {
        let tied: Vec<String> =
            found.iter().filter(|(_, r)| r.abs() >= TIED).map(say).collect();
        return (!tied.is_empty()).then(|| {
            format!(
                "Over these {} place-runs some conditions went together and \
                 cannot be told apart (correlation): {}.",
                places.len(),
                list(&tied)
            )
        });
    }
    let pairs: Vec<String> = found.iter().map(say).collect();
    let shown = if pairs.is_empty() {
        String::new()
    } else {
        format!(
            " Correlation of their means over these {} place-runs: {}.",
            places.len(),
            list(&pairs)
        )
    };
    Some(format!(
        "Each place is one spot in one run. What came up there went with \
         everything that spot had: warmth, light, damp and handling cannot be \
         told apart with {} places; about {LEAST_PLACE_RUNS} place-runs would \
         be needed.{shown}",
        places.len()
    ))
}

/// Conditions that correlate so much are one condition with two names.
const TIED: f64 = 0.8;

fn signed(r: f64) -> String {
    if r < 0.0 { format!("−{:.2}", -r) } else { format!("{r:.2}") }
}

/// Pearson's r over the places for which both are known; needs three.
fn correlation(a: &[Option<f64>], b: &[Option<f64>]) -> Option<f64> {
    let both: Vec<(f64, f64)> =
        a.iter().zip(b).filter_map(|(a, b)| a.zip(*b)).collect();
    if both.len() < 3 {
        return None;
    }
    let n = f64::from(u32::try_from(both.len()).ok()?);
    let mean =
        |pick: fn(&(f64, f64)) -> f64| both.iter().map(pick).sum::<f64>() / n;
    let (mean_a, mean_b) = (mean(|p| p.0), mean(|p| p.1));
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (a, b) in &both {
        let (da, db) = (a - mean_a, b - mean_b);
        ab += da * db;
        aa += da * da;
        bb += db * db;
    }
    (aa > 0.0 && bb > 0.0).then(|| ab / (aa * bb).sqrt())
}

fn order_of_places(study: &Study) -> Option<String> {
    let places = germination_places(study);
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
            factor.test.levels.iter().any(|level| level.n_units < 2)
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
            "Some levels of {} rest on one unit: what that unit had and what \
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
        .data_quality
        .covered
        .iter()
        .filter(|c| c.coverage > 0.0 && c.coverage < 0.8)
        .map(|c| {
            let place = study.level_words(PLACE, c.place.as_str()).level;
            format!("{} at {place} ({})", c.quantity, percent(c.coverage))
        })
        .collect();
    (!thin.is_empty()).then(|| {
        format!(
            "Less than 80 % of the time is covered for {}: doses there are \
             marked \"too little data\" and are not compared.",
            list(&thin)
        )
    })
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
    let moved: Vec<&Name> = study
        .containers()
        .filter(|unit| {
            unit.outcome
                .steps
                .iter()
                .any(|s| s.straddles_a_move && s.germinated > 0)
        })
        .map(|unit| &unit.outcome.name)
        .collect();
    (!moved.is_empty()).then(|| {
        let names: Vec<&str> = moved.iter().map(|name| name.as_str()).collect();
        format!(
            "Moved between two looks, with germination in between that cannot \
             be given to one place: {}.",
            list(&names)
        )
    })
}

fn left_out_containers(study: &Study) -> Option<String> {
    let names: BTreeSet<&str> = study
        .factors
        .iter()
        .flat_map(|factor| &factor.left_out)
        .map(Name::as_str)
        .collect();
    let names: Vec<&str> = names.into_iter().collect();
    (!names.is_empty()).then(|| {
        format!(
            "Left out of the comparisons, because a factor has no level for \
             them or no seed was sown: {}.",
            list(&names)
        )
    })
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
