//! Figures that set containers side by side: doses, treatments of batches.

use crate::chart::{Heading, Range, Step, chill, conditions};
use crate::observation::{Name, Quantity};
use crate::report::dose::{Told, told};
use crate::report::figures::{About, Figure, at_common_age};
use crate::report::levels::{
    OrderedLevel, coloured_by, containers_at, ordered, told_apart,
};
use crate::report::messages::{self, DosesKnown, LevelFractions, groups};
use crate::report::{Scene, words};
use crate::study::UnitStudy;
use crate::study::factors::{FactorStudy, level};
use crate::study::findings::LEAST_PLACE_RUNS;
use crate::study::place::PlaceStudy;
use crate::study::wording::{counted as n_of, factor as spoken};
use crate::trial::entry::Lid;
use crate::trial::unit::UnitKind;

/// Doses shown against germination: name in files, on the figure, unit.
const SHOWN: [(&str, &str, &str); 2] = [
    ("degree_hours", "warmth above 0 °C", "°C·h"),
    ("lux_hours", "light", "lx·h"),
];

pub(super) fn conditions(scene: Scene<'_>) -> Figure {
    let study = scene.study;
    let factor = coloured_by(study);
    let levels = factor.map(|f| ordered(study, f.name())).unwrap_or_default();
    let open = any_open_lid(scene);
    let mut doses: Vec<conditions::Dose> = SHOWN
        .iter()
        .map(|(_, name, unit)| conditions::Dose {
            name: (*name).to_owned(),
            unit: (*unit).to_owned(),
        })
        .collect();
    if open {
        doses.push(conditions::Dose {
            name: "mean humidity of the air".to_owned(),
            unit: "%".to_owned(),
        });
    }
    let containers: Vec<conditions::Container> = study
        .containers()
        .filter_map(|unit| container(scene, unit, factor, &levels, open))
        .collect();
    let heading = conditions_heading(scene, &containers);
    let figure =
        conditions::Figure { heading: heading.clone(), doses, containers };
    Figure::new(About::Conditions, &heading, |layout| {
        conditions::draw(&figure, layout)
    })
}

/// Humidity of a place is no dose of a closed container.
fn any_open_lid(scene: Scene<'_>) -> bool {
    scene.trial.containers().any(|unit| {
        matches!(unit.kind, UnitKind::Container(Lid::Open | Lid::Vented))
    })
}

fn container(
    scene: Scene<'_>,
    unit: &UnitStudy,
    factor: Option<&FactorStudy>,
    levels: &[OrderedLevel],
    with_humidity: bool,
) -> Option<conditions::Container> {
    let study = scene.study;
    let place = unit.outcome.main_place()?;
    let at = study.places.iter().find(|p| p.name == *place)?;
    let own = factor
        .and_then(|factor| level(unit, factor.name()))
        .and_then(|name| levels.iter().find(|level| level.name == name));
    let all = told(scene, unit);
    let mut doses: Vec<Option<conditions::DoseValue>> =
        SHOWN.iter().map(|(name, ..)| shown(&all, name)).collect();
    if with_humidity {
        let closed =
            scene.trial.units.get(&unit.outcome.name).is_some_and(|unit| {
                unit.kind == UnitKind::Container(Lid::Closed)
            });
        let humidity = &unit.doses.humidity;
        let enough = humidity.coverage().is_some_and(|share| share >= 0.8);
        doses.push(
            humidity.covered_mean().filter(|_| enough && !closed).map(point),
        );
    }
    Some(conditions::Container {
        place: words::plain(&at.title),
        treatment: own.map_or_else(String::new, |level| level.words.short()),
        step: own.map_or(Step::Unstated, |level| level.step),
        outcome: at_common_age(&unit.outcome),
        doses,
    })
}

fn point(value: f64) -> conditions::DoseValue {
    let range = Range { low: value, high: value };
    conditions::DoseValue { estimate: value, range }
}

fn shown(all: &[Told], name: &str) -> Option<conditions::DoseValue> {
    let filled = all.iter().find(|told| told.name == name)?.compared()?;
    Some(conditions::DoseValue {
        estimate: filled.value,
        range: Range { low: filled.low, high: filled.high },
    })
}

fn conditions_heading(
    scene: Scene<'_>,
    containers: &[conditions::Container],
) -> Heading {
    let study = scene.study;
    let with_containers: Vec<&PlaceStudy> = study
        .places
        .iter()
        .filter(|p| containers_at(study, &p.name).next().is_some())
        .collect();
    let logged: std::collections::BTreeSet<&str> = containers
        .iter()
        .filter(|c| c.doses.iter().any(Option::is_some))
        .map(|c| c.place.as_str())
        .collect();
    let title = messages::conditions_title(DosesKnown {
        places: with_containers.len(),
        logged: logged.len(),
        enough: LEAST_PLACE_RUNS,
    });
    let age = study.common_age_days.map_or_else(String::new, |days| {
        format!(" {} after sowing", days_words(days))
    });
    let subtitle = format!(
        "{} at {}; share germinated of seeds sown{age}. Bars: 95 % interval \
         of one container; width below: what holes in the log could change.",
        n_of(containers.len(), "container"),
        n_of(with_containers.len(), "place"),
    );
    let each: Vec<String> = with_containers
        .iter()
        .map(|place| place_words(place, containers))
        .collect();
    let description = format!(
        "{title}. {subtitle} {} No line is drawn: below {LEAST_PLACE_RUNS} \
         place-runs there is no slope to tell.",
        each.join(" ")
    );
    Heading { title, subtitle, description }
}

fn days_words(days: f64) -> String {
    let whole = days.round();
    let word = if (whole - 1.0).abs() < 0.5 { "day" } else { "days" };
    format!("{whole:.0} {word}")
}

/// One sentence a place: range of shares, mean climate.
fn place_words(
    place: &PlaceStudy,
    containers: &[conditions::Container],
) -> String {
    let title = words::plain(&place.title);
    let shares: Vec<f64> = containers
        .iter()
        .filter(|c| c.place == title && c.outcome.seeds > 0)
        .map(|c| f64::from(c.outcome.germinated) / f64::from(c.outcome.seeds))
        .collect();
    let low = shares.iter().copied().fold(f64::INFINITY, f64::min);
    let high = shares.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let came_up = if shares.is_empty() {
        "no container was counted".to_owned()
    } else {
        format!("{} of every 100 came up", messages::range(low, high))
    };
    let mean = |quantity: Quantity, digits| {
        place
            .quantities
            .get(&quantity)
            .and_then(|known| known.mean)
            .map_or_else(
                || format!("{} not logged", quantity.word()),
                |mean| {
                    format!(
                        "{} {} {}",
                        quantity.word(),
                        words::number(mean, digits),
                        quantity.unit()
                    )
                },
            )
    };
    format!(
        "{title}: {came_up}; on average {}, {}.",
        mean(Quantity::Temperature, 1),
        mean(Quantity::Light, 0)
    )
}

/// The treatment of batches against germination, one panel a place; none
/// where no treatment of batches is stated.
pub(super) fn treatment(scene: Scene<'_>) -> Option<Figure> {
    let study = scene.study;
    let factor = coloured_by(study)?;
    let levels = ordered(study, factor.name());
    let places: Vec<chill::Place> = study
        .places
        .iter()
        .filter_map(|place| panel(scene, factor, &levels, place))
        .collect();
    let heading = treatment_heading(scene, factor, &levels, places.len());
    let figure = chill::Figure {
        heading: heading.clone(),
        levels: levels
            .iter()
            .map(|own| chill::Level {
                name: own.words.short(),
                step: own.step,
                logged_hours: logged_chill(scene, factor.name(), &own.name),
            })
            .collect(),
        places,
    };
    Some(Figure::new(About::Treatment, &heading, |layout| {
        chill::draw(&figure, layout)
    }))
}

fn panel(
    scene: Scene<'_>,
    factor: &FactorStudy,
    levels: &[OrderedLevel],
    place: &PlaceStudy,
) -> Option<chill::Place> {
    let containers: Vec<chill::Container> =
        containers_at(scene.study, &place.name)
            .filter_map(|unit| {
                let name = level(unit, factor.name())?;
                Some(chill::Container {
                    batch: unit.outcome.batch.as_ref().map_or_else(
                        || unit.outcome.name.to_string(),
                        Name::to_string,
                    ),
                    level: levels.iter().position(|own| own.name == name)?,
                    outcome: at_common_age(&unit.outcome),
                })
            })
            .collect();
    (!containers.is_empty())
        .then(|| chill::Place { name: words::plain(&place.title), containers })
}

/// Logged chill hours of the containers at a level, lowest to highest.
fn logged_chill(scene: Scene<'_>, factor: &str, name: &str) -> Option<Range> {
    let hours: Vec<f64> = scene
        .study
        .containers()
        .filter(|unit| level(unit, factor).as_deref() == Some(name))
        .filter(|unit| unit.doses.chill_hours.covered_hours > 0.0)
        .map(|unit| {
            let dose = &unit.doses.chill_hours;
            dose.filled.map_or(dose.covered_sum, |filled| filled.value)
        })
        .collect();
    Some(Range {
        low: hours.iter().copied().min_by(f64::total_cmp)?,
        high: hours.iter().copied().max_by(f64::total_cmp)?,
    })
}

fn treatment_heading(
    scene: Scene<'_>,
    factor: &FactorStudy,
    levels: &[OrderedLevel],
    n_places: usize,
) -> Heading {
    let study = scene.study;
    let share = |unit: &UnitStudy| unit.outcome.fraction;
    let shares: Vec<LevelFractions> = levels
        .iter()
        .map(|own| LevelFractions {
            words: own.words.clone(),
            fractions: study
                .containers()
                .filter(|unit| {
                    level(unit, factor.name()).as_ref() == Some(&own.name)
                })
                .filter_map(share)
                .collect(),
        })
        .collect();
    let apart = |a: usize, b: usize| {
        told_apart(factor, &levels[a].name, &levels[b].name)
    };
    let groups = groups(&shares, &apart);
    let name = spoken(factor.name());
    let title = messages::treatment_title(&name, &shares, &groups);
    let test = &factor.test;
    let n_units = usize::try_from(test.n_units).unwrap_or(usize::MAX);
    let age = study.common_age_days.map_or_else(String::new, |days| {
        format!(" {} after sowing", days_words(days))
    });
    let subtitle = format!(
        "{} at {}; share germinated of seeds sown{age}. Containers of one \
         batch stand together: the batch is what was treated.",
        n_of(n_units, &test.tested_on.to_string()),
        n_of(n_places, "place"),
    );
    let each: Vec<String> = shares
        .iter()
        .filter(|own| !own.fractions.is_empty())
        .map(|own| {
            let low = own.fractions.iter().copied().fold(1.0, f64::min);
            let high = own.fractions.iter().copied().fold(0.0, f64::max);
            format!(
                "{}: {} of every 100 in {}.",
                messages::capital(&own.words.phrase()),
                messages::range(low, high),
                n_of(own.fractions.len(), "container")
            )
        })
        .collect();
    let description = format!("{title}. {subtitle} {}", each.join(" "));
    Heading { title, subtitle, description }
}
