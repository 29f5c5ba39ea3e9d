//! Figures of one place over time: a place of germination, a fridge.

use crate::chart::{Heading, Step, fridge, place};
use crate::climate::log::Span;
use crate::observation::{Name, Quantity};
use crate::report::figures::{About, Figure, climate, counted};
use crate::report::levels::{
    OrderedLevel, coloured_by, containers_at, ordered, told_apart,
};
use crate::report::messages::{self, FridgeFacts, LevelFractions, groups};
use crate::report::{Scene, words};
use crate::study::UnitStudy;
use crate::study::factors::level;
use crate::study::fridge::FridgeStudy;
use crate::study::place::PlaceStudy;
use crate::study::wording::{counted as n_of, list};

pub(super) fn place(scene: Scene<'_>, at: &PlaceStudy) -> Figure {
    let study = scene.study;
    let factor = coloured_by(study);
    let levels = factor.map(|f| ordered(study, f.name())).unwrap_or_default();
    let containers: Vec<&UnitStudy> = containers_at(study, &at.name).collect();
    let span = stay_of_containers(&containers, &at.name).unwrap_or(at.span);
    let offset = |instant| words::offset_seconds(scene.zone, instant);
    let heading = place_heading(scene, at, &containers, &levels, span);
    let drawn = containers
        .iter()
        .map(|unit| container(unit, factor.map(|f| f.name()), &levels))
        .collect();
    let figure = place::Figure {
        heading: heading.clone(),
        from: span.from,
        to: span.to,
        containers: drawn,
        temperature: climate::trace(scene, at, Quantity::Temperature, span),
        humidity: climate::trace(scene, at, Quantity::Humidity, span),
        light: climate::light(at, span),
        offset: &offset,
    };
    Figure::new(About::Place(at.name.clone()), &heading, |layout| {
        place::draw(&figure, layout)
    })
}

/// From the first sowing to the last day of the containers of a place.
fn stay_of_containers(containers: &[&UnitStudy], place: &Name) -> Option<Span> {
    let own = || containers.iter().flat_map(|unit| &unit.outcome.stretches);
    let from = own().filter(|s| s.place == *place).map(|s| s.from).min()?;
    let to = own().filter(|s| s.place == *place).map(|s| s.to).max()?;
    Some(Span::new(from, to))
}

fn container(
    unit: &UnitStudy,
    factor: Option<&str>,
    levels: &[OrderedLevel],
) -> place::Container {
    let outcome = &unit.outcome;
    let own = factor
        .and_then(|factor| level(unit, factor))
        .and_then(|name| levels.iter().find(|level| level.name == name));
    let treatment = own.map_or_else(
        || "all containers".to_owned(),
        |level| level.words.short(),
    );
    place::Container {
        label: own.map_or_else(
            || outcome.name.to_string(),
            |level| level.words.short(),
        ),
        treatment,
        step: own.map_or(Step::Unstated, |level| level.step),
        sown: outcome.begun,
        checks: outcome
            .steps
            .iter()
            .map(|step| place::Check {
                at: step.at,
                germinated_total: step.total,
            })
            .collect(),
        outcome: counted(outcome.germinated, outcome.entered),
    }
}

/// Shares of the containers at each level, at the end.
fn fractions(
    containers: &[&UnitStudy],
    factor: Option<&str>,
    levels: &[OrderedLevel],
) -> Vec<LevelFractions> {
    let share = |unit: &&UnitStudy| {
        let outcome = &unit.outcome;
        (outcome.entered > 0 && !outcome.lost_early)
            .then(|| f64::from(outcome.germinated) / f64::from(outcome.entered))
    };
    let Some(factor) = factor.filter(|_| !levels.is_empty()) else {
        return vec![LevelFractions {
            words: crate::study::wording::level("", ""),
            fractions: containers.iter().filter_map(share).collect(),
        }];
    };
    levels
        .iter()
        .map(|own| LevelFractions {
            words: own.words.clone(),
            fractions: containers
                .iter()
                .filter(|unit| level(unit, factor).as_ref() == Some(&own.name))
                .filter_map(share)
                .collect(),
        })
        .collect()
}

/// With more containers the figure draws lines from look to look.
const MOST_SHADED: usize = 8;

fn place_heading(
    scene: Scene<'_>,
    at: &PlaceStudy,
    containers: &[&UnitStudy],
    levels: &[OrderedLevel],
    span: Span,
) -> Heading {
    let factor = coloured_by(scene.study);
    let shares = fractions(containers, factor.map(|f| f.name()), levels);
    let apart = |a: usize, b: usize| {
        factor.is_some_and(|factor| {
            told_apart(factor, &levels[a].name, &levels[b].name)
        })
    };
    let groups = groups(&shares, &apart);
    let title =
        messages::place_title(&words::plain(&at.title), &shares, &groups);
    let dates = words::dates(scene.zone, span.from, span.to);
    let seeds: u32 = containers.iter().map(|u| u.outcome.entered).sum();
    let subtitle = if containers.is_empty() {
        dates
    } else {
        let looks: Vec<usize> =
            containers.iter().map(|unit| unit.outcome.looks).collect();
        let most = looks.iter().max().copied().unwrap_or_default();
        let shaded = if containers.len() <= MOST_SHADED {
            " Shaded: between two looks."
        } else {
            ""
        };
        format!(
            "{}, {seeds} seeds sown; {dates}; looked at up to {} \
             (ticks).{shaded} Bars: 95 % interval of one container.",
            n_of(containers.len(), "container"),
            n_of(most, "time"),
        )
    };
    let known: Vec<String> = Quantity::CLIMATE
        .into_iter()
        .map(|quantity| climate_words(at, quantity))
        .collect();
    let counts: Vec<String> = containers
        .iter()
        .map(|unit| {
            let outcome = &unit.outcome;
            format!(
                "{} {}/{}",
                outcome.name, outcome.germinated, outcome.entered
            )
        })
        .collect();
    let description = format!(
        "{title}. {subtitle} Climate: {}. Germinated of seeds sown: {}.",
        list(&known),
        if counts.is_empty() {
            "no container".to_owned()
        } else {
            list(&counts)
        }
    );
    Heading { title, subtitle, description }
}

/// `temperature mean 18.2 °C, 14.0 to 25.1`, or that it was not logged.
fn climate_words(at: &PlaceStudy, quantity: Quantity) -> String {
    let told = at.quantities.get(&quantity).and_then(|known| {
        let (mean, low, high) = (known.mean?, known.low?, known.high?);
        let digits = usize::from(quantity != Quantity::Light);
        Some(format!(
            "{} mean {} {}, {} to {}",
            quantity.word(),
            words::number(mean, digits),
            quantity.unit(),
            words::number(low, digits),
            words::number(high, digits)
        ))
    });
    told.unwrap_or_else(|| format!("{} not logged", quantity.word()))
}

pub(super) fn fridge(scene: Scene<'_>, fridge: &FridgeStudy) -> Figure {
    let at = scene.study.places.iter().find(|p| p.name == fridge.place);
    let trace = |quantity| climate::trace(scene, at?, quantity, fridge.span);
    let mut temperature = trace(Quantity::Temperature);
    if let Some(temperature) = &mut temperature {
        temperature.wanted = Some(crate::chart::trace::Wanted {
            low: Some(fridge.wanted.0),
            high: Some(fridge.wanted.1),
            hours_outside: Some(
                fridge.outside.0.covered_sum + fridge.outside.1.covered_sum,
            ),
        });
    }
    let offset = |instant| words::offset_seconds(scene.zone, instant);
    let heading = fridge_heading(scene, fridge, at);
    let figure = fridge::Figure {
        heading: heading.clone(),
        from: fridge.span.from,
        to: fridge.span.to,
        doors: temperature
            .is_some()
            .then(|| fridge.doors.iter().map(|door| door.opened).collect()),
        temperature,
        humidity: trace(Quantity::Humidity),
        batches: rows(scene, fridge),
        offset: &offset,
    };
    Figure::new(About::Fridge(fridge.place.clone()), &heading, |layout| {
        fridge::draw(&figure, layout)
    })
}

/// One row a unit, with its stays here.
fn rows(scene: Scene<'_>, fridge: &FridgeStudy) -> Vec<fridge::Batch> {
    let mut rows: Vec<fridge::Batch> = Vec::new();
    for stay in &fridge.stays {
        let still_here =
            scene.trial.units.get(&stay.unit).is_some_and(|unit| {
                stay.span.to >= scene.study.until
                    && unit.closure.is_none()
                    && unit.emptied().is_none()
                    && unit.last_stay().is_some_and(|last| last.to.is_none())
            });
        let name = stay.unit.to_string();
        let index = rows.iter().position(|row| row.name == name);
        let index = index.unwrap_or_else(|| {
            rows.push(fridge::Batch {
                name,
                stays: Vec::new(),
                mould: Vec::new(),
                sprouted: Vec::new(),
            });
            rows.len() - 1
        });
        let row = &mut rows[index];
        row.stays.push(fridge::Stay {
            from: stay.span.from,
            to: (!still_here).then_some(stay.span.to),
        });
        row.mould.extend(stay.mould.map(|seen| fridge::Sighting {
            last_clean: Some(seen.clean_until),
            first_seen: seen.seen,
        }));
        row.sprouted.extend(stay.germinated_between.first().map(
            |(since, at, _)| fridge::Sighting {
                last_clean: Some(*since),
                first_seen: *at,
            },
        ));
    }
    rows
}

fn fridge_heading(
    scene: Scene<'_>,
    fridge: &FridgeStudy,
    at: Option<&PlaceStudy>,
) -> Heading {
    let mean = |quantity: Quantity| at?.quantities.get(&quantity)?.mean;
    let facts = FridgeFacts {
        judged: fridge.judged().count(),
        mouldy: fridge.n_mouldy(),
        mean_celsius: mean(Quantity::Temperature),
    };
    let title = messages::fridge_title(&words::plain(&fridge.title), facts);
    let looks: usize = fridge.stays.iter().map(|stay| stay.looks).sum();
    let subtitle = format!(
        "{}, {}; {}. A sighting lies between two looks; a clean bag may \
         have been clean only as far as looked.",
        n_of(fridge.stays.len(), "stay"),
        n_of(looks, "look"),
        words::dates(scene.zone, fridge.span.from, fridge.span.to)
    );
    let mouldy: Vec<String> = fridge
        .judged()
        .filter(|stay| stay.mould.is_some())
        .map(|stay| stay.unit.to_string())
        .collect();
    let humidity = mean(Quantity::Humidity).map_or_else(
        || "humidity not logged".to_owned(),
        |mean| format!("humidity {} % on average", words::number(mean, 0)),
    );
    let description = format!(
        "{title}. {subtitle} {}; the door was seen to open {}. With mould: {}.",
        messages::capital(&humidity),
        n_of(fridge.doors.len(), "time"),
        if mouldy.is_empty() { "none".to_owned() } else { list(&mouldy) }
    );
    Heading { title, subtitle, description }
}
