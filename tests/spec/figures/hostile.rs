//! Figures of nothing, of one point, of nonsense, and of very much.

use roxmltree::Document;
use vernalog::chart::light::Light;
use vernalog::chart::trace::{Hole, Stretch, Trace};
use vernalog::chart::{
    Heading, Layout, Outcome, Range, Step, chill, collapse, conditions, fridge,
    place, spread,
};
use vernalog::units::Instant;

use super::{compared, invented};

const BOTH: [Layout; 2] = [Layout::Wide, Layout::Narrow];
pub(super) const NAMES: [&str; 4] = [
    "<script>alert(1)</script>",
    "a\u{0}b\u{1b}[2J\u{202e}\u{ffff}\u{85}",
    "\"'&&amp;]]>--><!--",
    "Ærøskøbing–Ålesund–Þingvellir–Świnoujście–Đurđevac–Čačak–Žalec–Ñ",
];

/// All figures with every text replaced.
pub(super) fn named(name: &str, layout: Layout) -> Vec<String> {
    let heading = Heading {
        title: name.to_owned(),
        subtitle: name.to_owned(),
        description: name.to_owned(),
    };
    let mut figures = Vec::new();
    for n in [4, 12] {
        let mut place = invented::place(n);
        place.heading = heading.clone();
        for container in &mut place.containers {
            container.label = name.to_owned();
            container.treatment = name.to_owned();
        }
        figures.push(place::draw(&place, layout));
    }
    let mut conditions = invented::conditions(12, 3);
    conditions.heading = heading.clone();
    for dose in &mut conditions.doses {
        dose.name = name.to_owned();
        dose.unit = name.to_owned();
    }
    for (i, group) in conditions.groups.iter_mut().enumerate() {
        group.place = format!("{name}{i}");
        group.treatment = name.to_owned();
    }
    figures.push(conditions::draw(&conditions, layout));
    for mut spread in [compared::spread(3), compared::spread(60)] {
        spread.heading = heading.clone();
        for panel in &mut spread.panels {
            panel.name = name.to_owned();
            for row in &mut panel.rows {
                row.place = name.to_owned();
            }
        }
        figures.push(spread::draw(&spread, layout));
    }
    let mut collapse = compared::collapse(3);
    collapse.heading = heading.clone();
    for group in &mut collapse.groups {
        group.name = name.to_owned();
        group.note = name.to_owned();
        for (i, curve) in group.curves.iter_mut().enumerate() {
            curve.place = format!("{i} {name}");
        }
    }
    figures.push(collapse::draw(&collapse, layout));
    let mut chill = invented::chill(12, 3);
    chill.heading = heading.clone();
    for level in &mut chill.levels {
        level.name = name.to_owned();
    }
    for place in &mut chill.places {
        place.name = name.to_owned();
        for container in &mut place.containers {
            container.batch = name.to_owned();
        }
    }
    figures.push(chill::draw(&chill, layout));
    let mut fridge = invented::fridge(4);
    fridge.heading = heading;
    for batch in &mut fridge.batches {
        batch.name = name.to_owned();
    }
    figures.push(fridge::draw(&fridge, layout));
    figures
}

#[test]
fn names_never_break_a_figure_or_become_markup() {
    for layout in BOTH {
        for name in NAMES {
            for svg in named(name, layout) {
                let document = Document::parse(&svg).unwrap();
                let markup = document
                    .descendants()
                    .any(|node| node.has_tag_name("script"));
                assert!(!markup && !svg.contains("<script"));
                let bad = |c: char| c.is_control() && c != '\n';
                assert!(!svg.contains(bad), "a control character");
                assert!(!svg.contains('\u{202e}'));
            }
        }
    }
}

#[test]
fn a_title_arrives_as_it_was_given() {
    let name = "<b> & \"rowan\" > 'sorbus'";
    for svg in named(name, Layout::Wide) {
        let document = Document::parse(&svg).unwrap();
        let of = |tag: &str| {
            document.descendants().find(|n| n.has_tag_name(tag)).unwrap()
        };
        assert_eq!(of("title").text(), Some(name));
        assert_eq!(of("desc").text(), Some(name));
    }
}

fn nothing_of(layout: Layout) -> Vec<String> {
    let (from, to) = (Instant::from_millis(0), Instant::from_millis(0));
    let heading = Heading::default;
    let offset: vernalog::chart::LocalOffset<'_> = &|_| 0;
    vec![
        place::draw(
            &place::Figure {
                heading: heading(),
                from,
                to,
                containers: vec![],
                temperature: None,
                humidity: Some(Trace::default()),
                light: Some(Light::default()),
                offset,
            },
            layout,
        ),
        conditions::draw(
            &conditions::Figure {
                heading: heading(),
                measure: conditions::Measure::Share,
                doses: vec![],
                groups: vec![],
            },
            layout,
        ),
        spread::draw(
            &spread::Figure { heading: heading(), panels: vec![] },
            layout,
        ),
        collapse::draw(
            &collapse::Figure { heading: heading(), groups: vec![] },
            layout,
        ),
        chill::draw(
            &chill::Figure {
                heading: heading(),
                levels: vec![],
                places: vec![],
            },
            layout,
        ),
        fridge::draw(
            &fridge::Figure {
                heading: heading(),
                from,
                to,
                temperature: None,
                humidity: None,
                doors: None,
                batches: vec![],
                offset,
            },
            layout,
        ),
    ]
}

#[test]
fn a_figure_of_nothing_says_so() {
    for layout in BOTH {
        for svg in nothing_of(layout) {
            Document::parse(&svg).unwrap();
            assert!(svg.contains("no data"), "{svg}");
        }
        let place = &nothing_of(layout)[0];
        for quantity in ["temperature", "humidity", "light"] {
            let words = format!("{quantity}: no log, so nothing is drawn");
            assert!(place.contains(&words));
        }
    }
}

const NONSENSE: [f64; 7] =
    [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e308, -1e308, 0.0, -1e-308];
const INSTANTS: [i64; 5] =
    [i64::MIN, i64::MAX, 0, 1_773_489_600_000, -62_135_596_800_001];

#[test]
fn nonsense_never_panics_and_never_reaches_the_drawing() {
    let instant = |i: usize| Instant::from_millis(INSTANTS[i % 5]);
    for i in 0..70 {
        let value = NONSENSE[i % 7];
        let other = NONSENSE[(i / 7) % 7];
        let range = Range { low: value, high: other };
        let outcome =
            Outcome { germinated: u32::MAX, seeds: 3, interval: Some(range) };
        let stretch = |at: usize, value: f64| Stretch {
            from: instant(at),
            to: instant(at + 1),
            mean: value,
            low: other,
            high: value,
        };
        let trace = Trace {
            stretches: (0..9).map(|k| stretch(i + k, value)).collect(),
            holes: vec![Hole { from: instant(i), to: instant(i + 2) }],
            ..invented::daily(16.0, 2.0, 4)
        };
        let mut place = invented::place(4);
        place.from = instant(i);
        place.to = instant(i + 1);
        place.temperature = Some(trace.clone());
        place.offset = &|_| i32::MAX;
        place.containers[0].outcome = outcome;
        place.containers[1].outcome.seeds = 0;
        place.containers[2].sown = instant(i + 3);
        for day in &mut place.light.as_mut().unwrap().days {
            day.lux_hours = value;
        }
        let mut conditions = invented::conditions(6, 2);
        let bar = range;
        conditions.groups[0].value =
            Some(conditions::Value { estimate: value, bar });
        conditions.groups[1].doses.clear();
        for group in &mut conditions.groups[2..] {
            let wild = conditions::DoseValue { estimate: value, range };
            group.doses[0] = Some(wild);
        }
        let mut days = conditions.clone();
        days.measure = conditions::Measure::Days;
        let mut collapse = compared::collapse(3);
        let point = &mut collapse.groups[0].curves[0].points[2];
        (point.days, point.warmth, point.share) = (value, value, value);
        collapse.groups[0].curves[1].bar = Some(range);
        collapse.groups[1].fitted[3] = (value, value);
        let mut spread = compared::spread(3);
        spread.panels[0].rows[0].bars[0].values = Some([value; 5]);
        spread.panels[2].rows[1].bars[0].values =
            Some([1.0, 2.0, value, 4.0, 5.0]);
        let mut chill = invented::chill(6, 1);
        chill.places[0].containers[0].level = usize::MAX;
        chill.places[0].containers[1].outcome = outcome;
        chill.levels[1].logged_hours = Some(range);
        let mut fridge = invented::fridge(3);
        fridge.from = instant(i);
        fridge.to = instant(i + 1);
        fridge.humidity = Some(trace);
        fridge.doors = Some((0..5).map(instant).collect());
        fridge.batches[0].stays[0].from = instant(i + 2);
        for layout in BOTH {
            for svg in [
                place::draw(&place, layout),
                conditions::draw(&conditions, layout),
                conditions::draw(&days, layout),
                collapse::draw(&collapse, layout),
                spread::draw(&spread, layout),
                chill::draw(&chill, layout),
                fridge::draw(&fridge, layout),
            ] {
                Document::parse(&svg).unwrap();
                assert!(!svg.contains("NaN") && !svg.contains("inf"));
                assert!(svg.len() < 200_000, "{}", svg.len());
            }
        }
    }
}

#[test]
fn one_container_with_one_check_is_a_figure() {
    let mut figure = invented::place(1);
    figure.containers[0].checks.truncate(1);
    figure.temperature.as_mut().unwrap().stretches.truncate(1);
    for layout in BOTH {
        let svg = place::draw(&figure, layout);
        Document::parse(&svg).unwrap();
        assert!(svg.contains("46/60"));
    }
}

#[test]
fn a_count_without_interval_is_words_not_a_point() {
    let mut figure = invented::place(3);
    let with = place::draw(&figure, Layout::Wide);
    for container in &mut figure.containers {
        container.outcome.interval = None;
    }
    let without = place::draw(&figure, Layout::Wide);
    assert_eq!(with.matches("<circle").count(), 3);
    assert_eq!(without.matches("<circle").count(), 0);
    assert!(without.contains("46/60"));
}

#[test]
fn half_a_year_of_minutes_and_many_containers_stay_small() {
    let minute = |m: i64| {
        let at = invented::SOWN.plus_millis(m * 60_000);
        let n = u32::try_from(m).unwrap();
        let value = 4.0 + invented::wobble(n);
        Stretch { from: at, to: at, mean: value, low: value, high: value }
    };
    let holes = (0..1000).map(|h| {
        let from = invented::SOWN.plus_millis(h * 15_000_000);
        Hole { from, to: from.plus_millis(1_800_000) }
    });
    let log = Trace {
        each: String::new(),
        stretches: (0..180 * 1440).map(minute).collect(),
        holes: holes.collect(),
        wanted: None,
    };
    let mut fridge = invented::fridge(48);
    fridge.from = invented::SOWN;
    fridge.to = invented::days(180);
    fridge.temperature = Some(log.clone());
    fridge.humidity = Some(log);
    for layout in BOTH {
        let svg = fridge::draw(&fridge, layout);
        assert!(svg.len() < 200_000, "fridge {}", svg.len());
        for n in [48, 149, 600] {
            let svg = place::draw(&invented::place(n), layout);
            assert!(svg.len() < 200_000, "place {n} {}", svg.len());
        }
    }
}

#[test]
fn more_places_than_shapes_are_told_apart_by_letters() {
    let mut figure = invented::conditions(21, 1);
    for (i, group) in figure.groups.iter_mut().enumerate() {
        group.place = format!("place {i:02}");
        group.step = Step::Unstated;
    }
    let svg = conditions::draw(&figure, Layout::Wide);
    let document = Document::parse(&svg).unwrap();
    let letters = |letter: &str| {
        document
            .descendants()
            .filter(|node| node.has_tag_name("text"))
            .filter(|node| node.text().is_some_and(|t| t.trim() == letter))
            .count()
    };
    // In the key, at the mark, and in the row of the dose.
    assert_eq!(letters("A"), 3);
    assert_eq!(letters("U"), 3);
}
