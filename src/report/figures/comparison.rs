//! The figure of the treatment of batches: containers side by side, batch by
//! batch.

use crate::chart::{Heading, Range, chill};
use crate::observation::Name;
use crate::report::figures::{About, Figure, at_common_age, days_words};
use crate::report::levels::{
    OrderedLevel, coloured_by, containers_at, ordered, told_apart,
};
use crate::report::messages::{self, LevelFractions, groups};
use crate::report::{Scene, words};
use crate::study::UnitStudy;
use crate::study::factors::{FactorStudy, level};
use crate::study::place::PlaceStudy;
use crate::study::wording::{counted as n_of, factor as spoken};

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
    let stated: u32 = test.levels.iter().map(|level| level.n_units).sum();
    let n_units =
        usize::try_from(test.n_units.max(stated)).unwrap_or(usize::MAX);
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
