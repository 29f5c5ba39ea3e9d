//! Figures of the climate itself and of germination counted in warmth:
//! places beside each other by day and night, and the curves of all places
//! against accumulated warmth.

use crate::chart::{Heading, Range, Step, collapse, spread};
use crate::observation::{Name, Quantity};
use crate::report::figures::conditions::how_many;
use crate::report::figures::{About, Figure};
use crate::report::levels::{coloured_by, ordered};
use crate::report::{Scene, words};
use crate::study::day_and_night::{DAY_FROM, DAY_TO, spread as five_values};
use crate::study::place::{PlaceStudy, QuantityStudy};
use crate::study::thermal::{STATED_BASE_CELSIUS, ThermalGroup};
use crate::study::wording::{self, counted as n_of, list};
use crate::study::{Study, cells};

/// Places by day and by night; none where nothing was logged.
pub(super) fn places(scene: Scene<'_>) -> Option<Figure> {
    let study = scene.study;
    let logged: Vec<&PlaceStudy> = study
        .places
        .iter()
        .filter(|place| place.quantities.values().any(|q| q.is_known()))
        .collect();
    if logged.is_empty() {
        return None;
    }
    let panel = |quantity: Quantity| {
        let rows = logged.iter().map(|place| spread::Row {
            place: words::plain(&place.title),
            bars: bars(place.quantities.get(&quantity), quantity),
        });
        let light = quantity == Quantity::Light;
        spread::Panel {
            name: if light {
                "light, sum of each day".to_owned()
            } else {
                quantity.word().to_owned()
            },
            unit: if light { "lx·h" } else { quantity.unit() }.to_owned(),
            digits: usize::from(quantity == Quantity::Temperature),
            by_factors: light,
            rows: rows.collect(),
        }
    };
    let heading = places_heading(&logged);
    let figure = spread::Figure {
        heading: heading.clone(),
        panels: Quantity::CLIMATE.into_iter().map(panel).collect(),
    };
    Some(Figure::new(About::Places, &heading, |layout| {
        spread::draw(&figure, layout)
    }))
}

fn bars(known: Option<&QuantityStudy>, quantity: Quantity) -> Vec<spread::Bar> {
    let bar = |label: &str, values, dark| spread::Bar {
        label: label.to_owned(),
        values,
        dark,
    };
    if quantity == Quantity::Light {
        let sums = known.map_or_else(Vec::new, |known| {
            known
                .days
                .iter()
                .filter(|day| day.covered_hours >= 20.0)
                .map(|day| day.sum)
                .collect()
        });
        let values = five_values(sums).map(|found| found.values);
        return vec![bar("days", values, false)];
    }
    let of = known.map(|known| known.day_and_night).unwrap_or_default();
    vec![
        bar("day", of.day.map(|s| s.values), false),
        bar("night", of.night.map(|s| s.values), true),
    ]
}

fn places_heading(logged: &[&PlaceStudy]) -> Heading {
    let mean =
        |place: &PlaceStudy| place.quantities.get(&Quantity::Temperature)?.mean;
    let means = || logged.iter().filter_map(|place| mean(place));
    let low = means().min_by(f64::total_cmp);
    let high = means().max_by(f64::total_cmp);
    let n = logged.len();
    let title = match low.zip(high) {
        Some((low, high)) if n > 1 => format!(
            "{} from {} to {} °C on average",
            how_many(n, "place"),
            words::number(low, 1),
            words::number(high, 1)
        ),
        Some((mean, _)) => format!(
            "{}: {} °C on average",
            words::plain(&logged[0].title),
            words::number(mean, 1)
        ),
        None => format!("{} logged, without temperature", how_many(n, "place")),
    };
    let subtitle = format!(
        "Day is {DAY_FROM} to {DAY_TO} o'clock, night the rest. Dot and \
         number: the middle hour; thick: the middle half of the hours; thin: \
         nine in ten. Light: whole days."
    );
    let each: Vec<String> = logged
        .iter()
        .map(|place| {
            let told: Vec<String> = [Quantity::Temperature, Quantity::Humidity]
                .into_iter()
                .filter_map(|quantity| {
                    let known = place.quantities.get(&quantity)?;
                    let digits = usize::from(quantity == Quantity::Temperature);
                    let mean = |s: crate::study::day_and_night::Spread| {
                        words::number(s.mean, digits)
                    };
                    let of = known.day_and_night;
                    Some(format!(
                        "{} {} {} by day, {} by night",
                        quantity.word(),
                        mean(of.day?),
                        quantity.unit(),
                        mean(of.night?)
                    ))
                })
                .collect();
            format!("{}: {}.", words::plain(&place.title), list(&told))
        })
        .collect();
    let description = format!("{title}. {subtitle} {}", each.join(" "));
    Heading { title, subtitle, description }
}

/// Shares against days and against warmth; none where nothing was fitted.
pub(super) fn collapse(scene: Scene<'_>) -> Option<Figure> {
    let study = scene.study;
    let thermal = &study.thermal_time;
    let fitted =
        |group: &&ThermalGroup| group.outcome.is_ok() && group.curves.len() > 1;
    let mut groups: Vec<&ThermalGroup> =
        thermal.groups.iter().filter(fitted).collect();
    if groups.is_empty() {
        groups = std::iter::once(&thermal.all).filter(fitted).collect();
    }
    if groups.is_empty() {
        return None;
    }
    let heading = collapse_heading(study, &groups);
    let figure = collapse::Figure {
        heading: heading.clone(),
        groups: groups.iter().map(|group| drawn(study, group)).collect(),
    };
    Some(Figure::new(About::Collapse, &heading, |layout| {
        collapse::draw(&figure, layout)
    }))
}

/// Points of a fitted curve.
const CURVE_POINTS: u32 = 60;

fn drawn(study: &Study, group: &ThermalGroup) -> collapse::Group {
    let factor = study.thermal_time.factor.as_deref().unwrap_or_default();
    let step =
        coloured_by(study).filter(|own| own.name() == factor).and_then(|own| {
            let levels = ordered(study, own.name());
            levels.iter().find(|l| l.name == group.level).map(|l| l.step)
        });
    let last = group
        .curves
        .iter()
        .flat_map(|curve| curve.points.iter().map(|p| p.warmth))
        .fold(0.0, f64::max);
    let fitted = group.outcome.as_ref().map_or_else(
        |_| Vec::new(),
        |found| {
            (0..=CURVE_POINTS)
                .map(|i| {
                    let warmth = last * f64::from(i) / f64::from(CURVE_POINTS);
                    (warmth, found.fitted.share_after(warmth))
                })
                .collect()
        },
    );
    let title = |place: &Name| {
        let found = study.places.iter().find(|p| p.name == *place);
        found.map_or_else(|| place.to_string(), |p| words::plain(&p.title))
    };
    collapse::Group {
        name: level_words(factor, group),
        note: gaps(group),
        step: step.unwrap_or(Step::Unstated),
        curves: group
            .curves
            .iter()
            .map(|curve| collapse::Curve {
                place: title(&curve.place),
                bar: end_bar(study, group, &curve.place),
                points: curve
                    .points
                    .iter()
                    .map(|p| collapse::Point {
                        days: p.days,
                        warmth: p.warmth,
                        share: p.share,
                    })
                    .collect(),
            })
            .collect(),
        fitted,
    }
}

/// Interval of what a place's containers of a group reached.
fn end_bar(study: &Study, group: &ThermalGroup, place: &Name) -> Option<Range> {
    let own: Vec<_> = study
        .containers()
        .filter(|unit| group.containers.contains(&unit.outcome.name))
        .filter(|unit| unit.outcome.main_place() == Some(place))
        .collect();
    let interval = cells::share(&own)?.interval;
    Some(Range { low: interval.lower, high: interval.upper })
}

fn level_words(factor: &str, group: &ThermalGroup) -> String {
    if group.level.is_empty() {
        "all containers".to_owned()
    } else {
        words::plain(&wording::level(factor, &group.level).short())
    }
}

/// `up to 41 of 100 apart by days, 12 by warmth`.
fn gaps(group: &ThermalGroup) -> String {
    let hundred = |share: Option<f64>| {
        share.map_or_else(|| "–".to_owned(), |s| words::number(100.0 * s, 0))
    };
    format!(
        "up to {} of 100 apart by days, {} by warmth",
        hundred(group.apart_by_days()),
        hundred(group.apart_by_warmth())
    )
}

fn collapse_heading(study: &Study, groups: &[&ThermalGroup]) -> Heading {
    let most = |of: fn(&ThermalGroup) -> Option<f64>| {
        let found = groups.iter().filter_map(|group| of(group));
        let most = found.max_by(f64::total_cmp).unwrap_or(0.0);
        words::number(100.0 * most, 0)
    };
    let title = format!(
        "On the same day places were up to {} of 100 seeds apart, at the same \
         warmth up to {}",
        most(ThermalGroup::apart_by_days),
        most(ThermalGroup::apart_by_warmth)
    );
    let n: usize = groups.iter().map(|group| group.containers.len()).sum();
    let subtitle = format!(
        "{}; if warmth alone set the time, the curves at the right would be \
         one. Warmth: degree-hours of the place's air above \
         {STATED_BASE_CELSIUS:.0} °C. Lines run from \
         look to look; bars: 95 % interval of what was reached.",
        n_of(n, "container"),
    );
    let factor = study.thermal_time.factor.as_deref().unwrap_or_default();
    let each: Vec<String> = groups
        .iter()
        .map(|group| {
            let misfit = group.misfit().map_or_else(String::new, |misfit| {
                format!(
                    "; the fitted curve is missed by up to {}",
                    words::number(100.0 * misfit, 0)
                )
            });
            format!("{}: {}{misfit}.", level_words(factor, group), gaps(group))
        })
        .collect();
    let description = format!("{title}. {subtitle} {}", each.join(" "));
    Heading { title, subtitle, description }
}
