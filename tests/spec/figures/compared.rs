//! Invented numbers for the figures that set places side by side.

use vernalog::chart::{Heading, Range, Step, collapse, conditions, spread};

use super::invented;

const PLACES: [&str; 8] = [
    "Upper shelf of the airing cupboard",
    "South window sill of the back room",
    "Shelf on the north landing",
    "Æblegård, nordøstlige vindueskarm på første sal ved trappen",
    "Porch",
    "Cellar steps",
    "Loft",
    "Garden frame",
];

fn heading(title: &str) -> Heading {
    Heading {
        title: title.to_owned(),
        subtitle: "48 containers; bars: from the earliest to the latest; a \
                   place is one spot, so no line is drawn"
            .to_owned(),
        description: format!("{title}, in words and numbers."),
    }
}

/// Days against temperature.
pub(crate) fn speed(n: u32) -> conditions::Figure {
    let mut figure = invented::conditions(n, 1);
    figure.heading = heading("Half of those that came up had by day 28");
    figure.measure = conditions::Measure::Days;
    figure.doses[0].name = "mean temperature of the air".to_owned();
    figure.doses[0].unit = "°C".to_owned();
    for (i, group) in (0..).zip(&mut figure.groups) {
        let days = 14.0 + 8.0 * invented::wobble(i);
        let bar = Range { low: days - 2.0, high: days + 3.0 };
        group.value = Some(conditions::Value { estimate: days, bar });
        if let Some(dose) = &mut group.doses[0] {
            let scaled = |v: f64| v / 1344.0;
            dose.estimate = scaled(dose.estimate);
            dose.range.low = scaled(dose.range.low);
            dose.range.high = scaled(dose.range.high);
        }
    }
    figure
}

/// So many places, four levels.
pub(crate) fn collapse(places: usize) -> collapse::Figure {
    let group = |(name, step, share, half): (&str, Step, f64, f64)| {
        let curve = |i: usize| {
            let celsius = 10.0 + 1.7 * f64::from(u32::try_from(i).unwrap());
            let at = |look: u32| {
                let days = 2.0 * f64::from(look);
                let warmth = 24.0 * days * celsius;
                let z = (warmth / (24.0 * 14.0 * half)).ln() * 5.0;
                let share = share / (1.0 + (-z).exp());
                collapse::Point { days, warmth, share }
            };
            let end = at(28).share;
            collapse::Curve {
                place: PLACES[i].to_owned(),
                points: (1..=28).map(at).collect(),
                bar: Some(Range { low: end - 0.1, high: end + 0.1 }),
            }
        };
        collapse::Group {
            name: name.to_owned(),
            note: "up to 41 of 100 apart by days, 12 by warmth".to_owned(),
            step,
            curves: (0..places).map(curve).collect(),
            fitted: (0..60)
                .map(|i| (f64::from(i) * 300.0, share * f64::from(i) / 60.0))
                .collect(),
        }
    };
    collapse::Figure {
        heading: heading(
            "On the same day places were up to 41 of 100 apart, at the same \
             warmth up to 12",
        ),
        groups: invented::LEVELS.into_iter().map(group).collect(),
    }
}

/// So many places (of which the names repeat), three quantities.
pub(crate) fn spread(places: usize) -> spread::Figure {
    let bar = |label: &str, middle: f64, by: f64, dark: bool| spread::Bar {
        label: label.to_owned(),
        values: Some([-2.0, -0.7, 0.0, 0.9, 2.6].map(|z| middle + z * by)),
        dark,
    };
    let rows = |middle: f64, by: f64, days: bool| {
        (0..places)
            .map(|i| {
                let n = u32::try_from(i).unwrap();
                let middle = middle * (1.0 + 0.2 * invented::wobble(n));
                let mut bars = if days {
                    vec![bar("days", middle, by, false)]
                } else {
                    let night = bar("night", middle - by, by / 2.0, true);
                    vec![bar("day", middle, by, false), night]
                };
                if i == 2 {
                    bars[0].values = None;
                }
                spread::Row { place: PLACES[i % 8].to_owned(), bars }
            })
            .collect()
    };
    let panel =
        |name: &str, unit: &str, rows: Vec<spread::Row>| spread::Panel {
            name: name.to_owned(),
            unit: unit.to_owned(),
            digits: usize::from(unit == "°C"),
            by_factors: unit == "lx·h",
            rows,
        };
    spread::Figure {
        heading: heading("Three places from 4.0 to 22.2 °C on average"),
        panels: vec![
            panel("temperature", "°C", rows(15.0, 2.0, false)),
            panel("humidity", "%", rows(60.0, 6.0, false)),
            panel(
                "light, sum of each day",
                "lx·h",
                rows(60_000.0, 9000.0, true),
            ),
        ],
    }
}
