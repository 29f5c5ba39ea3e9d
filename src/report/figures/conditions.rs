//! Figures that set places side by side: what came up, and how soon, against
//! the doses each place gave.

use std::collections::BTreeSet;

use crate::chart::conditions::{Dose, DoseValue, Figure as Drawn, Group};
use crate::chart::conditions::{Measure, Value, draw};
use crate::chart::{Heading, Range, Step};
use crate::observation::Quantity;
use crate::report::dose::{Told, told};
use crate::report::figures::{About, Figure};
use crate::report::levels::{
    OrderedLevel, coloured_by, containers_at, ordered,
};
use crate::report::messages::{self, DosesKnown, capital, small};
use crate::report::{Scene, words};
use crate::study::factors::level;
use crate::study::findings::LEAST_PLACE_RUNS;
use crate::study::place::PlaceStudy;
use crate::study::wording::counted as n_of;
use crate::study::{Study, UnitStudy, cells};
use crate::trial::entry::Lid;
use crate::trial::unit::UnitKind;

/// Containers of one place and treatment.
struct Cell<'a> {
    place: &'a PlaceStudy,
    level: Option<OrderedLevel>,
    containers: Vec<&'a UnitStudy>,
}

/// Every place with every level that stood there.
fn cells_of(study: &Study) -> Vec<Cell<'_>> {
    let factor = coloured_by(study);
    let levels = factor.map(|f| ordered(study, f.name())).unwrap_or_default();
    let mut cells: Vec<Cell<'_>> = Vec::new();
    for place in &study.places {
        let here: Vec<&UnitStudy> = containers_at(study, &place.name).collect();
        let of = |unit: &UnitStudy| {
            let name = level(unit, factor?.name())?;
            levels.iter().find(|level| level.name == name).cloned()
        };
        let mut own: Vec<Option<OrderedLevel>> =
            levels.iter().cloned().map(Some).collect();
        own.push(None);
        for level in own {
            let containers: Vec<&UnitStudy> =
                here.iter().filter(|u| of(u) == level).copied().collect();
            if !containers.is_empty() {
                cells.push(Cell { place, level, containers });
            }
        }
    }
    cells
}

impl Cell<'_> {
    fn group(
        &self,
        value: Option<Value>,
        doses: Vec<Option<DoseValue>>,
    ) -> Group {
        Group {
            place: words::plain(&self.place.title),
            treatment: self
                .level
                .as_ref()
                .map_or_else(String::new, |level| level.words.short()),
            step: self.level.as_ref().map_or(Step::Unstated, |l| l.step),
            containers: u32::try_from(self.containers.len())
                .unwrap_or(u32::MAX),
            value,
            doses,
        }
    }

    /// The dose of the containers together, from the lowest to the highest
    /// that holes could make it; none while one of them has too little data.
    fn dose(&self, scene: Scene<'_>, name: &str) -> Option<DoseValue> {
        let all: Option<Vec<DoseValue>> = self
            .containers
            .iter()
            .map(|unit| shown(&told(scene, unit), name))
            .collect();
        together(&all?)
    }

    /// Mean temperature over the containers' own stays.
    fn temperature(&self) -> Option<DoseValue> {
        self.mean(|unit| &unit.doses.temperature)
    }

    fn mean(
        &self,
        of: fn(&UnitStudy) -> &crate::climate::integrate::Dose,
    ) -> Option<DoseValue> {
        let all: Option<Vec<DoseValue>> = self
            .containers
            .iter()
            .map(|unit| {
                let dose = of(unit);
                let enough = dose.coverage().is_some_and(|share| share >= 0.8);
                dose.covered_mean().filter(|_| enough).map(point)
            })
            .collect();
        together(&all?)
    }
}

fn point(value: f64) -> DoseValue {
    DoseValue { estimate: value, range: Range { low: value, high: value } }
}

fn together(all: &[DoseValue]) -> Option<DoseValue> {
    let n = f64::from(u32::try_from(all.len()).ok()?);
    let low = all.iter().map(|d| d.range.low).min_by(f64::total_cmp)?;
    let high = all.iter().map(|d| d.range.high).max_by(f64::total_cmp)?;
    let estimate = all.iter().map(|d| d.estimate).sum::<f64>() / n;
    Some(DoseValue { estimate, range: Range { low, high } })
}

fn shown(all: &[Told], name: &str) -> Option<DoseValue> {
    let filled = all.iter().find(|told| told.name == name)?.compared()?;
    Some(DoseValue {
        estimate: filled.value,
        range: Range { low: filled.low, high: filled.high },
    })
}

pub(super) fn doses(scene: Scene<'_>) -> Figure {
    let study = scene.study;
    // Humidity of a place is no dose of a closed container.
    let open = any_open_lid(scene);
    let mut doses = vec![
        dose("warmth above 0 °C", "°C·h", false),
        dose("light", "lx·h", true),
    ];
    if open {
        doses.push(dose("mean humidity of the air", "%", false));
    }
    let groups: Vec<Group> = cells_of(study)
        .iter()
        .map(|cell| {
            let value = cells::share(&cell.containers).map(|share| Value {
                estimate: share.pooled.fraction(),
                bar: Range {
                    low: share.interval.lower,
                    high: share.interval.upper,
                },
            });
            let mut doses = vec![
                cell.dose(scene, "degree_hours"),
                cell.dose(scene, "lux_hours"),
            ];
            if open {
                let closed = cell.containers.iter().any(|unit| {
                    scene.trial.units.get(&unit.outcome.name).is_some_and(|u| {
                        u.kind == UnitKind::Container(Lid::Closed)
                    })
                });
                let humidity = cell.mean(|unit| &unit.doses.humidity);
                doses.push(humidity.filter(|_| !closed));
            }
            cell.group(value, doses)
        })
        .collect();
    let heading = doses_heading(scene, &groups);
    let figure = Drawn {
        heading: heading.clone(),
        measure: Measure::Share,
        doses,
        groups,
    };
    Figure::new(About::Conditions, &heading, |layout| draw(&figure, layout))
}

fn dose(name: &str, unit: &str, by_factors: bool) -> Dose {
    Dose { name: name.to_owned(), unit: unit.to_owned(), by_factors }
}

fn any_open_lid(scene: Scene<'_>) -> bool {
    scene.trial.containers().any(|unit| {
        matches!(unit.kind, UnitKind::Container(Lid::Open | Lid::Vented))
    })
}

/// Time to germination against the temperature it happened in; none where
/// nothing germinated or no place with germination was logged.
pub(super) fn speed(scene: Scene<'_>) -> Option<Figure> {
    let study = scene.study;
    let groups: Vec<Group> = cells_of(study)
        .iter()
        .map(|cell| {
            let value = cells::half(&cell.containers).map(|half| Value {
                estimate: half.days,
                bar: Range { low: half.range.0, high: half.range.1 },
            });
            cell.group(value, vec![cell.temperature()])
        })
        .collect();
    let drawn: Vec<&Group> = groups
        .iter()
        .filter(|g| g.value.is_some() && g.doses.iter().any(Option::is_some))
        .collect();
    if drawn.is_empty() {
        return None;
    }
    let heading = speed_heading(study, &drawn);
    let figure = Drawn {
        heading: heading.clone(),
        measure: Measure::Days,
        doses: vec![dose("mean temperature of the air", "°C", false)],
        groups: groups.into_iter().filter(|g| g.value.is_some()).collect(),
    };
    Some(Figure::new(About::Speed, &heading, |layout| draw(&figure, layout)))
}

fn speed_heading(study: &Study, groups: &[&Group]) -> Heading {
    let days = |pick: fn(Range) -> f64| {
        groups.iter().filter_map(move |g| Some(pick(g.value?.bar)))
    };
    let first = days(|bar| bar.low).fold(f64::INFINITY, f64::min);
    let last = days(|bar| bar.high).fold(f64::NEG_INFINITY, f64::max);
    let title = format!(
        "Half of those that came up had between day {} and day {}",
        words::number(first, 0),
        words::number(last, 0)
    );
    let n: u32 = groups.iter().map(|group| group.containers).sum();
    let n = usize::try_from(n).unwrap_or(usize::MAX);
    let subtitle = format!(
        "{}; mark: the middle container; bars: from the earliest container's \
         look before to the latest one's look after. A place is one spot, so \
         no line is drawn.",
        n_of(n, "container")
    );
    let each: Vec<String> = study
        .places
        .iter()
        .filter_map(|place| {
            let title = words::plain(&place.title);
            let own: Vec<&&Group> =
                groups.iter().filter(|g| g.place == title).collect();
            let mean = own.iter().find_map(|g| g.doses[0])?.estimate;
            let said: Vec<String> = own
                .iter()
                .filter_map(|g| {
                    let value = g.value?;
                    Some(format!(
                        "{}day {} ({} to {})",
                        if g.treatment.is_empty() {
                            String::new()
                        } else {
                            format!("{}: ", g.treatment)
                        },
                        words::number(value.estimate, 0),
                        words::number(value.bar.low, 0),
                        words::number(value.bar.high, 0)
                    ))
                })
                .collect();
            Some(format!(
                "{title}, {} °C: {}.",
                words::number(mean, 1),
                said.join(", ")
            ))
        })
        .collect();
    let description = format!("{title}. {subtitle} {}", each.join(" "));
    Heading { title, subtitle, description }
}

fn doses_heading(scene: Scene<'_>, groups: &[Group]) -> Heading {
    let study = scene.study;
    let with_containers: Vec<&PlaceStudy> = study
        .places
        .iter()
        .filter(|p| containers_at(study, &p.name).next().is_some())
        .collect();
    let logged: BTreeSet<&str> = groups
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
        format!(" {} after sowing", super::days_words(days))
    });
    let subtitle = format!(
        "{} at {}, those of one place and treatment together; share \
         germinated of seeds sown{age}. Bars: 95 % interval, with the scatter \
         between containers; a leader joins a place's marks to its dose.",
        n_of(study.containers().count(), "container"),
        n_of(with_containers.len(), "place"),
    );
    let each: Vec<String> = with_containers
        .iter()
        .map(|place| place_words(place, groups))
        .collect();
    let description = format!(
        "{title}. {subtitle} {} No line is drawn: below {LEAST_PLACE_RUNS} \
         place-runs there is no slope to tell.",
        each.join(" ")
    );
    Heading { title, subtitle, description }
}

/// One sentence a place: its shares, its mean climate.
fn place_words(place: &PlaceStudy, groups: &[Group]) -> String {
    let title = words::plain(&place.title);
    let shares: Vec<String> = groups
        .iter()
        .filter(|group| group.place == title)
        .filter_map(|group| {
            let value = group.value?;
            let of = if group.treatment.is_empty() {
                String::new()
            } else {
                format!(" ({})", group.treatment)
            };
            Some(format!("{}{of}", words::of_hundred(value.estimate)))
        })
        .collect();
    let came_up = if shares.is_empty() {
        "nothing counted".to_owned()
    } else {
        format!("{} of every 100", shares.join(", "))
    };
    let mean = |quantity: Quantity, digits: usize| {
        let mean = place.quantities.get(&quantity).and_then(|k| k.mean);
        mean.map_or_else(
            || format!("{} not logged", quantity.word()),
            |mean| {
                let mean = words::number(mean, digits);
                format!("{mean} {}", quantity.unit())
            },
        )
    };
    format!(
        "{title}: {came_up}; on average {}, {}.",
        mean(Quantity::Temperature, 1),
        mean(Quantity::Light, 0)
    )
}

/// How many, as the beginning of a sentence.
pub(super) fn how_many(n: usize, one: &str) -> String {
    let many = n_of(n, one);
    let rest = many.trim_start_matches(|c: char| c.is_ascii_digit());
    format!("{}{rest}", capital(&small(n)))
}
