//! An invented season for the figures: rowan in closed boxes, four lengths
//! of chilling, a stair landing, a sill and a cupboard.
//!
//! Not the demo's season and no statement about seeds.

use vernalog::chart::light::{Light, LightDay};
use vernalog::chart::trace::{Hole, Stretch, Trace, Wanted};
use vernalog::chart::{
    Heading, Outcome, Range, Step, chill, conditions, fridge, place,
};
use vernalog::units::Instant;

const DAY: i64 = 86_400_000;
/// 2026-03-14T18:00Z.
pub(crate) const SOWN: Instant = Instant::from_millis(1_773_511_200_000);

/// Irish time: one hour east of UTC from 29 March 2026, 01:00 UTC.
pub(crate) fn dublin(at: Instant) -> i32 {
    if at.millis() < 1_774_746_000_000 { 0 } else { 3600 }
}

pub(crate) fn days(n: i64) -> Instant {
    SOWN.plus_millis(n * DAY)
}

/// A wobble that repeats at every run, −1 to 1.
pub(crate) fn wobble(n: u32) -> f64 {
    (f64::from(n) * 12.9898).sin() * 0.7 + (f64::from(n) * 4.13).cos() * 0.3
}

pub(crate) const LEVELS: [(&str, Step, f64, f64); 4] = [
    ("18 weeks", Step::Long, 0.74, 16.0),
    ("12 weeks", Step::Medium, 0.62, 21.0),
    ("6 weeks", Step::Short, 0.46, 26.0),
    ("no chilling", Step::None, 0.13, 33.0),
];

/// Wilson's interval at 95 %, as the study would give it.
pub(crate) fn outcome(germinated: u32, seeds: u32) -> Outcome {
    let (x, n, z) = (f64::from(germinated), f64::from(seeds), 1.959_964);
    let p = x / n;
    let middle = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
    let half = z / (1.0 + z * z / n)
        * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    let interval = Some(Range { low: middle - half, high: middle + half });
    Outcome { germinated, seeds, interval }
}

fn count(share: f64, seeds: u32) -> u32 {
    (0..=seeds).rfind(|n| f64::from(*n) <= share * f64::from(seeds)).unwrap()
}

pub(crate) fn container(n: u32) -> place::Container {
    let (label, step, share, half) = LEVELS[(n % 4) as usize];
    let share = (share + 0.12 * wobble(n)).clamp(0.0, 1.0);
    let half = half + 3.0 * wobble(n + 31);
    let checks: Vec<_> = (1..=28)
        .map(|look| {
            let day = f64::from(look) * 2.0;
            let grown = share / (1.0 + ((half - day) / 3.4).exp());
            let at = days(2 * i64::from(look));
            let germinated_total = if day < 6.0 { 0 } else { count(grown, 60) };
            place::Check { at, germinated_total }
        })
        .collect();
    let end = checks[27].germinated_total;
    place::Container {
        label: label.to_owned(),
        treatment: label.to_owned(),
        step,
        sown: SOWN,
        checks,
        outcome: outcome(end, 60),
    }
}

pub(crate) fn hole() -> Hole {
    Hole { from: days(30), to: days(34) }
}

pub(crate) fn daily(mean: f64, swing: f64, span: i64) -> Trace {
    let midnight = Instant::from_millis(1_773_446_400_000);
    let stretches = (0..=span)
        .map(|day| {
            let n = u32::try_from(day).unwrap();
            let mean = mean
                + swing * 0.5 * (f64::from(n) / 9.0).sin()
                + swing * 0.3 * wobble(n);
            let half = swing * (0.9 + 0.4 * wobble(n + 7));
            Stretch {
                from: midnight.plus_millis(day * DAY),
                to: midnight.plus_millis((day + 1) * DAY),
                mean,
                low: mean - half,
                high: mean + half * 1.2,
            }
        })
        .collect();
    Trace {
        each: "day".to_owned(),
        stretches,
        holes: vec![hole()],
        wanted: None,
    }
}

pub(crate) fn light() -> Light {
    let midnight = Instant::from_millis(1_773_446_400_000);
    let days = (0..=56)
        .filter(|day| !(31..35).contains(day))
        .map(|day| {
            let n = u32::try_from(day).unwrap();
            let lux_hours =
                3200.0 + 45.0 * f64::from(n) + 1500.0 * wobble(n + 3);
            LightDay {
                from: midnight.plus_millis(day * DAY),
                to: midnight.plus_millis((day + 1) * DAY),
                lux_hours,
                at_least: lux_hours > 6300.0,
            }
        })
        .collect();
    Light { days, holes: vec![hole()] }
}

pub(crate) fn place(n: u32) -> place::Figure<'static> {
    let mut temperature = daily(16.5, 2.4, 56);
    if n == 12 {
        temperature.wanted = Some(Wanted {
            low: Some(14.0),
            high: Some(20.0),
            hours_outside: Some(31.4),
        });
    }
    place::Figure {
        heading: Heading {
            title: "Stair landing: chilled twelve weeks or more, two in \
                    three came up"
                .to_owned(),
            subtitle: format!(
                "{n} containers of 60 seeds, sown 14 March; looked at every \
                 second day; bars: 95 % interval for each container"
            ),
            description: "Germinated of 60 seeds in each container.".into(),
        },
        from: SOWN,
        to: days(56),
        containers: (0..n).map(container).collect(),
        temperature: Some(temperature),
        humidity: (n != 3).then(|| daily(58.0, 7.0, 56)),
        light: Some(light()),
        offset: &dublin,
    }
}

const PLACES: [(&str, f64, f64); 4] = [
    ("stair landing", 19_400.0, 1.0),
    ("north sill", 22_800.0, 0.92),
    ("cupboard", 25_900.0, 0.7),
    ("cold porch", 11_300.0, 0.55),
];

fn index(n: u32, of: usize) -> usize {
    usize::try_from(n).unwrap() % of
}

pub(crate) fn share_of(share: f64) -> Option<conditions::Value> {
    let outcome = outcome(count(share.clamp(0.0, 1.0), 60), 60);
    let estimate = f64::from(outcome.germinated) / f64::from(outcome.seeds);
    Some(conditions::Value { estimate, bar: outcome.interval? })
}

pub(crate) fn conditions(n: u32, doses: usize) -> conditions::Figure {
    let names = [
        ("warmth above 0 °C", "°C·h"),
        ("light", "klx·h"),
        ("mean humidity of the place", "%"),
        ("chill at 0–7 °C, moist", "h"),
    ];
    let groups = (0..n)
        .map(|i| {
            let (place, warmth, factor) = PLACES[index(i, 4)];
            let (treatment, step, share, _) = LEVELS[index(i / 4, 4)];
            let share = share * factor + 0.08 * wobble(i);
            let range = |estimate: f64, by: f64| {
                let low = (estimate - by).max(0.0);
                let range = Range { low, high: estimate + by };
                Some(conditions::DoseValue { estimate, range })
            };
            let klx = 30.0 + 70.0 * factor;
            let all = [
                range(warmth, 260.0 + 400.0 * factor),
                (place != "cupboard").then(|| range(klx, 6.0)).flatten(),
                range(50.0 + 20.0 * factor, 1.0),
                range(3_000.0 - 1_000.0 * f64::from(i / 4 % 4), 40.0),
            ];
            conditions::Group {
                place: place.to_owned(),
                treatment: treatment.to_owned(),
                step,
                containers: 4,
                value: share_of(share),
                doses: all[..doses].to_vec(),
            }
        })
        .collect();
    let dose = |(name, unit): (&str, &str)| conditions::Dose {
        name: name.to_owned(),
        unit: unit.to_owned(),
        by_factors: name == "light",
    };
    conditions::Figure {
        heading: Heading {
            title: "Warmer places came up better, but four places cannot \
                    say it was the warmth"
                .to_owned(),
            subtitle: "Share germinated 56 days after sowing; bars: 95 % \
                       interval; below each panel where a place's dose \
                       lies, with what holes in the log could change"
                .to_owned(),
            description: "Every group against four doses.".to_owned(),
        },
        measure: conditions::Measure::Share,
        doses: names[..doses].iter().map(|name| dose(*name)).collect(),
        groups,
    }
}

pub(crate) fn chill(n: u32, places: u32) -> chill::Figure {
    let hours = [None, Some((940.0, 1_010.0)), Some((1_890.0, 2_020.0))];
    let level = |i: usize, (name, step, _, _): (&str, Step, f64, f64)| {
        let logged = hours.get(i).copied().flatten();
        chill::Level {
            name: name.to_owned(),
            step,
            logged_hours: logged.map(|(low, high)| Range { low, high }),
        }
    };
    let place = |p: u32| {
        let (name, _, factor) = PLACES[index(p, 4)];
        let containers = (0..n)
            .map(|i| {
                let slot = index(i, 4);
                let share =
                    LEVELS[3 - slot].2 * factor + 0.09 * wobble(i + 17 * p);
                let each = (n / 8).max(1);
                chill::Container {
                    batch: format!("b{slot}-{}", (i / 4) / each),
                    level: slot,
                    outcome: outcome(count(share.clamp(0.0, 1.0), 60), 60),
                }
            })
            .collect();
        chill::Place { name: name.to_owned(), containers }
    };
    chill::Figure {
        heading: Heading {
            title: "Twelve weeks in the cold did as well as eighteen"
                .to_owned(),
            subtitle: "Each mark a container with its 95 % interval; a line \
                       joins the containers of one batch"
                .to_owned(),
            description: "Germinated by length of chilling.".to_owned(),
        },
        levels: LEVELS
            .iter()
            .rev()
            .enumerate()
            .map(|(i, l)| level(i, *l))
            .collect(),
        places: (0..places).map(place).collect(),
    }
}

pub(crate) fn fridge(n: u32) -> fridge::Figure<'static> {
    let start = SOWN.plus_millis(-140 * DAY);
    let hour = 3_600_000;
    let hourly = |mean: f64, swing: f64| -> Vec<Stretch> {
        (0..140 * 24)
            .map(|h| {
                let i = u32::try_from(h).unwrap();
                let slow = (f64::from(i) / 420.0).sin() * 0.5;
                let knocked = if (1900..2020).contains(&h) { 2.6 } else { 0.0 };
                let mean = mean + swing * (slow + 0.35 * wobble(i) + knocked);
                Stretch {
                    from: start.plus_millis(h * hour),
                    to: start.plus_millis((h + 1) * hour),
                    mean,
                    low: mean - swing * 0.5,
                    high: mean + swing * (0.6 + 0.4 * wobble(i + 5)),
                }
            })
            .collect()
    };
    let hole = Hole {
        from: start.plus_millis(51 * DAY),
        to: start.plus_millis(54 * DAY),
    };
    let trace = |stretches, wanted| Trace {
        each: "hour".to_owned(),
        stretches,
        holes: vec![hole],
        wanted: Some(wanted),
    };
    let day = |d: u32| start.plus_millis(i64::from(d) * DAY);
    let batch = |i: u32| {
        let from = 3 + (i * 7) % 60;
        let sighting = |a: u32, b: u32| fridge::Sighting {
            last_clean: Some(day(a)),
            first_seen: day(b),
        };
        fridge::Batch {
            name: format!("rowan {}, {}", 1 + i / 4, LEVELS[index(i, 4)].0),
            stays: vec![fridge::Stay {
                from: day(from),
                to: (!i.is_multiple_of(3)).then(|| day(from + 70)),
            }],
            mould: if i % 4 == 1 {
                vec![sighting(from + 30, from + 43)]
            } else {
                vec![]
            },
            sprouted: if i % 5 == 2 {
                vec![sighting(from + 55, from + 62)]
            } else {
                vec![]
            },
        }
    };
    fridge::Figure {
        heading: Heading {
            title: "Fridge drawer: a knocked dial gave five warm days"
                .to_owned(),
            subtitle: "25 October to 14 March; hourly means; mould was \
                       looked for every two weeks"
                .to_owned(),
            description: "Temperature around 4 degrees.".to_owned(),
        },
        from: start,
        to: SOWN,
        temperature: Some(trace(
            hourly(3.9, 1.1),
            Wanted {
                low: Some(2.0),
                high: Some(5.0),
                hours_outside: Some(126.0),
            },
        )),
        humidity: Some(trace(
            hourly(84.0, 4.0),
            Wanted { low: None, high: Some(92.0), hours_outside: None },
        )),
        doors: Some(
            (0..460_u32)
                .map(|i| {
                    let wander = 9.0 * wobble(i);
                    start.plus_hours(7.3 * f64::from(i) + wander)
                })
                .collect(),
        ),
        batches: (0..n).map(batch).collect(),
        offset: &dublin,
    }
}
