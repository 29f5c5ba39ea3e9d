//! What may be said. What must be said with it stands in `cautions`.
//!
//! Planned comparisons first and corrected for their number; the rest is
//! description without p. No sentence ranks two levels that the units behind
//! them cannot tell apart.

use crate::stats::interval::Interval;
use crate::stats::strata::{FactorTest, Level, LevelDifference};
use crate::study::Study;
use crate::study::factors::{FactorStudy, PLACE};
use crate::study::fridge::FridgeStudy;
use crate::study::wording::{self, counted, list, p_value};

/// Below this a planned comparison is called a difference.
pub const SIGNIFICANCE: f64 = 0.05;
/// Below so many place-runs, dose plots carry no line, slope or p.
pub const LEAST_PLACE_RUNS: usize = 10;

/// What kind of statement a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FindingKind {
    /// A comparison planned beforehand, with units enough for a p-value.
    Planned,
    /// A comparison planned beforehand that this trial cannot decide.
    PlannedUndecided,
    /// Description of what was not planned.
    Exploratory,
    /// A plain count.
    Count,
}

impl FindingKind {
    /// The word in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Planned => "planned",
            Self::PlannedUndecided => "planned-undecided",
            Self::Exploratory => "exploratory",
            Self::Count => "count",
        }
    }
}

/// A statement with the units behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What kind of statement.
    pub kind: FindingKind,
    /// The factor it is about; empty for plain counts.
    pub factor: String,
    /// The statement.
    pub text: String,
    /// What came up at each level; empty for plain counts.
    pub levels: String,
    /// What the statement rests on: unit and n, F, p.
    pub basis: String,
}

pub(crate) fn findings(study: &Study) -> Vec<Finding> {
    let mut findings: Vec<Finding> =
        study.factors.iter().map(|factor| about(study, factor)).collect();
    findings.extend(germinated_in_the_cold(study));
    findings.extend(
        study.fridges.iter().filter_map(|f| mould_in_a_fridge(study, f)),
    );
    findings
}

use wording::factor as spoken;

impl Study {
    /// A level as spoken: a place by what the grower calls it.
    #[must_use]
    pub fn level_words(&self, factor: &str, name: &str) -> wording::LevelWords {
        let mut words = wording::level(factor, name);
        let place = self.places.iter().find(|p| p.name.as_str() == name);
        if let Some(place) = place.filter(|_| factor == PLACE) {
            words.level.clone_from(&place.title);
        }
        words
    }
}

fn about(study: &Study, factor: &FactorStudy) -> Finding {
    let test = &factor.test;
    let levels: Vec<String> =
        test.levels.iter().map(|l| level_words(study, factor, l)).collect();
    let came_up = format!("Of every 100 seeds sown came up {}.", list(&levels));
    let name = spoken(&test.name);
    let (kind, verdict) = if !factor.planned {
        let verdict = if test.name == PLACE {
            "This describes these spots in this run."
        } else {
            "This was not planned beforehand: a hint for a next trial."
        };
        (FindingKind::Exploratory, verdict.to_owned())
    } else if let Some(p) = factor.corrected_p {
        (FindingKind::Planned, verdict(study, factor, p))
    } else {
        let why = test.why_no_p.as_ref().map_or_else(
            || "there is no comparison to make".to_owned(),
            ToString::to_string,
        );
        let verdict = format!(
            "Whether {name} made the difference, this trial cannot tell: {why}."
        );
        (FindingKind::PlannedUndecided, verdict)
    };
    let compared = study.common_age_days.map_or_else(String::new, |days| {
        format!(" Compared {days:.0} days after sowing.")
    });
    Finding {
        kind,
        factor: test.name.clone(),
        text: verdict,
        levels: if levels.is_empty() { String::new() } else { came_up },
        basis: format!("{}.{compared}", basis(factor)),
    }
}

fn level_words(study: &Study, factor: &FactorStudy, level: &Level) -> String {
    let pooled = level.pooled;
    let estimate = 100.0 * level.estimate;
    let limits = level
        .interval
        .map_or_else(String::new, |i| format!(", interval {}", hundreds(i)));
    format!(
        "{estimate:.0} {} ({}/{} seeds in {}{limits})",
        study.level_words(factor.name(), &level.name).phrase(),
        pooled.k(),
        pooled.n(),
        counted(
            usize::try_from(level.n_units).unwrap_or(usize::MAX),
            &factor.test.tested_on.to_string()
        )
    )
}

/// `12 to 31` of every 100.
fn hundreds(interval: Interval) -> String {
    format!(
        "{} to {}",
        whole(100.0 * interval.lower),
        whole(100.0 * interval.upper)
    )
}

/// A whole number with a real minus sign and no negative nought.
fn whole(value: f64) -> String {
    let rounded = value.round();
    if rounded < 0.0 {
        format!("−{:.0}", -rounded)
    } else {
        format!("{:.0}", rounded.abs())
    }
}

/// What a planned comparison with a p-value says.
fn verdict(study: &Study, factor: &FactorStudy, p: f64) -> String {
    let name = spoken(factor.name());
    let say = |level: &str| study.level_words(factor.name(), level);
    let between = |pair: &LevelDifference| {
        format!("{} against {}", say(&pair.to).short(), say(&pair.from).short())
    };
    let pairs = &factor.joint_differences;
    if p >= SIGNIFICANCE {
        let widest = pairs
            .iter()
            .max_by(|a, b| a.estimate.abs().total_cmp(&b.estimate.abs()));
        let effect = widest.map_or_else(String::new, |pair| {
            format!(
                " The largest difference, {}, is {} of every 100, interval \
                 {}.",
                between(pair),
                whole(100.0 * pair.estimate.abs()),
                hundreds(rising(pair))
            )
        });
        return format!(
            "Whether {name} made a difference, this trial cannot tell.{effect}"
        );
    }
    let (mut apart, together): (Vec<&LevelDifference>, Vec<&LevelDifference>) =
        pairs.iter().partition(|pair| !pair.interval.holds(0.0));
    let mut sentences = Vec::new();
    if apart.is_empty() {
        sentences.push(format!(
            "The levels of {name} did not all do alike, but no single pair \
             can be told apart."
        ));
    }
    let claim = |pair: &LevelDifference| {
        let (high, low) = if pair.estimate >= 0.0 {
            (&pair.to, &pair.from)
        } else {
            (&pair.from, &pair.to)
        };
        let (high, low) = (say(high), say(low));
        let of = if high.is_duration() {
            format!(" of {name}")
        } else {
            String::new()
        };
        format!(
            "{} more of every 100 came up {}{of} than {}, interval {}.",
            whole(100.0 * pair.estimate.abs()),
            high.phrase(),
            low.phrase(),
            hundreds(rising(pair))
        )
    };
    apart.sort_by(|a, b| b.estimate.abs().total_cmp(&a.estimate.abs()));
    if apart.len() <= MOST_CLAIMS {
        sentences.extend(apart.iter().map(|pair| claim(pair)));
    } else {
        let (largest, others) = apart.split_first().expect("there are many");
        sentences.push(claim(largest));
        let others: Vec<String> = others
            .iter()
            .map(|pair| {
                let (a, b) = (say(&pair.from), say(&pair.to));
                format!("{} from {}", a.short(), b.short())
            })
            .collect();
        sentences.push(format!("Also told apart: {}.", list(&others)));
    }
    if !together.is_empty() && together.len() < pairs.len() {
        let pairs: Vec<String> = together
            .iter()
            .map(|pair| {
                format!(
                    "{} (difference {} of every 100, interval {})",
                    between(pair),
                    whole(100.0 * pair.estimate),
                    hundreds(pair.interval)
                )
            })
            .collect();
        sentences
            .push(format!("This trial cannot tell apart: {}.", list(&pairs)));
    }
    if factor.name() == PLACE {
        sentences.push("This is about these spots in this run.".to_owned());
    }
    sentences.join(" ")
}

/// More pairs than this are named, not each told with its numbers.
const MOST_CLAIMS: usize = 3;

/// The difference counted from the lower level to the higher.
fn rising(pair: &LevelDifference) -> Interval {
    if pair.estimate >= 0.0 {
        return pair.interval;
    }
    Interval {
        lower: -pair.interval.upper,
        upper: -pair.interval.lower,
        confidence: pair.interval.confidence,
    }
}

fn basis(factor: &FactorStudy) -> String {
    let test = &factor.test;
    let n = usize::try_from(test.n_units).unwrap_or(usize::MAX);
    let mut parts = vec![units_words(test, n)];
    if !factor.planned {
        parts.push("not planned beforehand, so no p-value".to_owned());
        return parts.join("; ");
    }
    if let (Some(f), Some(p)) = (test.f, test.p) {
        parts.push(format!(
            "F({:.0}, {:.0}) = {f:.2}, {}",
            test.df.0,
            test.df.1,
            p_value(p)
        ));
    }
    if let Some(corrected) = factor.corrected_p {
        parts.push(format!(
            "{} after correction for the planned comparisons (Holm)",
            p_value(corrected)
        ));
    }
    parts.extend(factor.beside());
    if factor.joint_differences.len() > 1 {
        parts.push(
            "intervals of differences hold for all pairs together".to_owned(),
        );
    }
    if let Some(dispersion) = test.dispersion {
        parts.push(format!(
            "scatter between units {dispersion:.1} times that of seeds alone"
        ));
    }
    parts.join("; ")
}

fn units_words(test: &FactorTest, n: usize) -> String {
    let unit = test.tested_on.to_string();
    let applied = test.applied_to.to_string();
    if unit == applied {
        format!("Unit: {unit}, n = {n}")
    } else {
        format!(
            "Applied to each {applied}, but it never differed within a \
             {unit}: unit {unit}, n = {n}"
        )
    }
}

fn germinated_in_the_cold(study: &Study) -> Option<Finding> {
    let stays: Vec<_> =
        study.fridges.iter().flat_map(|fridge| &fridge.stays).collect();
    let early: Vec<_> =
        stays.iter().filter(|stay| stay.germinated > 0).collect();
    let (first, _, _) = early
        .iter()
        .flat_map(|stay| &stay.germinated_between)
        .min_by_key(|(since, _, _)| *since)?;
    let start = early.iter().map(|stay| stay.span.from).min()?;
    let seeds: u32 = early.iter().map(|stay| stay.germinated).sum();
    let entered: u32 = early.iter().map(|stay| stay.seeds).sum();
    let units = counted(early.len(), "unit");
    Some(Finding {
        kind: FindingKind::Count,
        factor: String::new(),
        text: format!(
            "In the cold itself {seeds} of {entered} seeds germinated, in \
             {units} of {}; the first after day {:.0} of chilling at the \
             earliest. They count as germinated of the seeds that entered \
             the batch, not of those sown.",
            stays.len(),
            first.days_since(start).max(0.0)
        ),
        levels: String::new(),
        basis: "Plain counts from looks into the fridge.".to_owned(),
    })
}

fn mould_in_a_fridge(study: &Study, fridge: &FridgeStudy) -> Option<Finding> {
    let (judged, mouldy) = (fridge.judged().count(), fridge.n_mouldy());
    let name = if study.fridges.len() == 1 {
        "the fridge"
    } else {
        fridge.title.as_str()
    };
    if judged == 0 {
        return None;
    }
    let days = |hours: Option<f64>| {
        hours.map_or_else(|| "–".to_owned(), |h| format!("{:.0}", h / 24.0))
    };
    let (with, without) = fridge.median_hours_at_risk;
    let rival = if mouldy == 0 || mouldy == judged {
        String::new()
    } else {
        format!(
            " Length of stay is the rival explanation: until the sighting a \
             median of {} days where there was mould, {} days where there was \
             none.",
            days(with),
            days(without)
        )
    };
    Some(Finding {
        kind: FindingKind::Count,
        factor: String::new(),
        text: format!(
            "Mould was seen in {mouldy} of {judged} moist stays in \
             {name}.{rival}"
        ),
        levels: String::new(),
        basis: "Plain counts; one fridge in one run gives no chance of mould \
                and no cause."
            .to_owned(),
    })
}
<<<<<<< HEAD
=======

pub(crate) fn cautions(material: Material<'_>, study: &Study) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let mut say = |id, text: Option<String>| {
        cautions.extend(text.map(|text| Caution { id, text }));
    };
    say("place-is-one-spot", place_is_one_spot(study));
    say("order-of-places", order_of_places(study));
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
/// are few place-runs: says which pairs, with their correlation.
fn place_is_one_spot(study: &Study) -> Option<String> {
    let places = germination_places(study);
    if places.len() < 2 || places.len() >= LEAST_PLACE_RUNS {
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
    let pairs: Vec<String> = [
        ("warmth with light", &warmth, &light),
        ("warmth with humidity", &warmth, &damp),
        ("light with humidity", &light, &damp),
    ]
    .into_iter()
    .filter_map(|(words, a, b)| {
        let r = correlation(a, b)?;
        Some(format!("{words} {}", signed(r)))
    })
    .collect();
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

/// A factor of batches and the places: separable only when every level was
/// at every place.
fn not_crossed(study: &Study) -> Option<String> {
    let containers: Vec<_> = study.containers().collect();
    let mut open = Vec::new();
    for factor in study.factors.iter().filter(|f| f.name() != PLACE) {
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
    for factor in study.factors.iter().filter(|f| f.name() != PLACE) {
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
            format!("{} at {} ({})", c.quantity, c.place, percent(c.coverage))
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
        .map(|(mark, n)| format!("{n} marked {mark}"))
        .collect();
    if quality.excluded > 0 {
        parts.push(format!(
            "{} in windows the grower excluded",
            quality.excluded
        ));
    }
    (!parts.is_empty()).then(|| {
        format!(
            "Left out of every dose, but kept: {} readings. The time without \
             them counts as missing.",
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
>>>>>>> sim
