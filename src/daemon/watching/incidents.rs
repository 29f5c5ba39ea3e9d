//! How many incidents are found, how soon, and how many alerts are false: on
//! invented seasons with incidents put into them, and on the demo's own.
//!
//! The usual watches of each kind of place are judged, not tuned ones, on
//! seasons that nobody looked at while rules and watches were made (those
//! were made with seeds up to 200 and from 10,001 to 20,200;
//! `VERNALOG_FIRST_SEED` begins elsewhere). The full size is
//! `VERNALOG_LONG=1 cargo test --release --lib incidents -- --nocapture`.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;

use crate::alert::preset::presets;
use crate::daemon::watching::scene::Scene;
use crate::exchange::marking::Marking;
use crate::observation::{Quantity, Reading, Series};
use crate::season::boards::Fault;
use crate::season::fridge::Incident;
use crate::season::plan::{Season, SeasonPlan, local};
use crate::season::rowan::{DEMO_SEED, rowan_plan};
use crate::season::weather::Spot;
use crate::store::AlertRow;
use crate::trial::entry::{QuantityWord, Statement};
use crate::units::Instant;

const HOUR: f64 = 3_600_000.0;
/// The first of the seasons that are reported.
const FIRST_SEED: u64 = 30_001;

/// Something that happened, and what should tell it.
struct Happened {
    what: &'static str,
    from: Instant,
    to: Instant,
    /// Kinds of alert and the place or board they should be about.
    kinds: &'static [&'static str],
    about: &'static str,
    /// Alerts so long after its end still belong to it, h.
    aftermath: f64,
}

/// Chance that follows from a seed: splitmix64, so that a season is the same
/// everywhere. Source: Steele, Lea, Flood (2014), "Fast splittable
/// pseudorandom number generators"; constants from memory.
struct Chance(u64);

impl Chance {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        low + (high - low) * (z >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// Forty days of a season, with what is put into it.
fn season(seed: u64) -> (SeasonPlan, Vec<Happened>, Instant, Instant) {
    let mut chance = Chance(seed);
    let start = local(NaiveDate::from_ymd_opt(2025, 11, 1).unwrap(), 0, 0);
    let end = start.plus_hours(44.0 * 24.0);
    let mut plan = rowan_plan(seed);
    let mut happened = Vec::new();
    let mut at =
        |day: f64| start.plus_hours((day + chance.between(0.0, 1.0)) * 24.0);
    let mut incidents = Vec::new();
    let mut note =
        |what, from: Instant, hours: f64, kinds, about, aftermath| {
            let to = from.plus_hours(hours);
            happened.push(Happened { what, from, to, kinds, about, aftermath });
            (from, to)
        };
    let fridge = "fridge-drawer";
    let warm: &[_] = &["range", "door", "drift", "day-sum"];

    let (from, to) =
        note("dial knocked warm", at(5.0), 30.0, warm, fridge, 200.0);
    incidents.push(Incident::DialTurned { from, to, degrees: 5.5 });
    let (from, to) =
        note("dial knocked a little", at(15.0), 60.0, warm, fridge, 200.0);
    incidents.push(Incident::DialTurned { from, to, degrees: 2.6 });
    let hours = 1.5 + 6.0 * (seed % 7) as f64 / 7.0;
    let (from, _) = note("door left open", at(26.0), hours, warm, fridge, 30.0);
    incidents.push(Incident::LeftOpen { from, hours });
    let cold: &[_] = &["freezing", "range", "drift"];
    let (from, to) =
        note("dial knocked to frost", at(29.0), 20.0, cold, fridge, 200.0);
    incidents.push(Incident::DialTurned { from, to, degrees: -6.5 });
    let (still_from, still_to) = note(
        "thermometer stuck",
        at(21.0),
        40.0,
        &["sensor"],
        "stair-landing",
        6.0,
    );
    note("sensor soaked", at(31.0), 12.0, &["sensor"], "airing-shelf", 6.0);
    note("many short openings", at(32.5), 14.0, warm, fridge, 30.0);
    note("humid fridge", at(39.0), 10.0, &["range"], fridge, 10.0);
    let noon = start.plus_hours(8.0 * 24.0 + 12.0);
    note("sill cooking", noon, 3.0, &["range"], "south-sill", 6.0);
    let (stuck_from, stuck_to) =
        note("sensor stuck", at(11.0), 60.0, &["sensor"], "south-sill", 6.0);
    let (dead_from, dead_to) = note(
        "board dead",
        at(17.0),
        20.0,
        &["silent-board"],
        "board-landing",
        6.0,
    );
    let (cut_from, cut_to) =
        note("power cut", at(35.0), 3.0, &["silent-board"], "", 6.0);

    let Spot::Fridge(spot) = &mut plan.fridge.spot else {
        panic!("the fridge is one")
    };
    spot.incidents = incidents;
    for board in &mut plan.boards {
        board.faults = vec![Fault::Silent { from: cut_from, to: cut_to }];
        match board.name.as_str() {
            "board-landing" => board.faults.extend([
                Fault::Silent { from: dead_from, to: dead_to },
                Fault::Stuck {
                    quantity: Quantity::Temperature,
                    from: still_from,
                    to: still_to,
                },
            ]),
            "board-sill" => board.faults.push(Fault::Stuck {
                quantity: Quantity::Humidity,
                from: stuck_from,
                to: stuck_to,
            }),
            _ => {}
        }
    }
    (plan, happened, start, end)
}

/// What is put into readings afterwards: damp and short openings in the
/// fridge, heat on a sill, fog on a sensor.
fn changed(
    series: &Series,
    reading: Reading,
    happened: &[Happened],
) -> Reading {
    let mut reading = reading;
    for one in happened {
        if !(one.from..one.to).contains(&reading.at) {
            continue;
        }
        match (one.what, series.board.as_str(), series.quantity) {
            ("humid fridge", "board-fridge", Quantity::Humidity) => {
                reading.value = (reading.value + 8.0).min(99.6);
            }
            ("sensor soaked", "board-airing", Quantity::Humidity) => {
                reading.value = 99.9;
            }
            ("many short openings", "board-fridge", Quantity::Temperature) => {
                // 25 minutes in each hour.
                let minute = reading.at.millis_since(one.from) / 60_000 % 60;
                if minute < 25 {
                    reading.value += 5.0;
                }
            }
            ("sill cooking", "board-sill", Quantity::Temperature) => {
                let part = reading.at.millis_since(one.from) as f64
                    / one.to.millis_since(one.from) as f64;
                reading.value +=
                    25.0 * (part * std::f64::consts::PI).sin().sqrt();
            }
            _ => {}
        }
    }
    reading
}

/// What the usual watches make of a season.
fn watched(
    season: &Season,
    happened: &[Happened],
    from: Instant,
    to: Instant,
) -> Vec<AlertRow> {
    let mut said = Vec::new();
    for place in season.plan.all_places() {
        said.push(Statement::Place {
            place: place.name.clone(),
            place_kind: place.kind,
            light_source: String::new(),
            title: String::new(),
        });
        said.extend(
            presets(place.kind)
                .iter()
                .map(|preset| Statement::Watch(preset.at(&place.name))),
        );
    }
    for board in &season.plan.boards {
        said.push(Statement::BoardStay {
            board: board.name.clone(),
            probe: board.probe.clone(),
            place: Some(board.place.clone()),
            until: None,
            position: String::new(),
        });
        said.extend(board.calibrations.iter().map(|found| {
            Statement::Calibration {
                board: board.name.clone(),
                probe: board.probe.clone(),
                quantity: QuantityWord(found.quantity),
                gain: 1.0,
                offset: found.offset,
                note: found.note.clone(),
            }
        }));
    }
    let mut scene = Scene::new(from, said);
    let mut marking = Marking::default();
    let mut by_time: BTreeMap<Instant, Vec<(Arc<Series>, Reading)>> =
        BTreeMap::new();
    for (series, reading) in season.readings(from, to) {
        let reading = changed(&series, reading, happened);
        let reading = marking.mark(&series, reading);
        by_time
            .entry(reading.at)
            .or_default()
            .push((Arc::new(series), reading));
    }
    let mut told = Vec::new();
    let mut now = from;
    while now < to {
        let next = now.plus_millis(10 * 60_000);
        for (_, readings) in by_time.range(now..next) {
            scene.now = readings[0].1.at;
            let step = scene.watching.readings(readings);
            told.push(step);
        }
        scene.now = next;
        told.push(scene.watching.clock(&scene.outside, next));
        now = next;
    }
    // An alert that says what another has said is no message of its own.
    told.into_iter()
        .flat_map(|step| {
            let sent: Vec<String> =
                step.messages.into_iter().map(|(id, ..)| id).collect();
            step.alerts.into_iter().filter(move |row| sent.contains(&row.id))
        })
        .filter(|row| row.cleared.is_none())
        .collect()
}

#[derive(Default)]
struct Tally {
    happened: usize,
    delays: Vec<f64>,
}

fn belongs(row: &AlertRow, one: &Happened) -> bool {
    let about = [&row.place, &row.board]
        .into_iter()
        .flatten()
        .any(|name| name.as_str() == one.about)
        || one.about.is_empty()
        || row.watch == "boards-silent";
    // A daily mean that moves back is felt for a week, all else for a day.
    let hours = match row.kind.as_str() {
        "drift" => one.aftermath,
        _ => one.aftermath.min(30.0),
    };
    let until = one.to.plus_hours(hours);
    about && row.raised >= one.from && row.raised <= until
}

#[test]
fn incidents_are_found_and_false_alerts_are_rare() {
    let seasons: u64 =
        if std::env::var_os("VERNALOG_LONG").is_some() { 200 } else { 2 };
    let (mut found, mut false_alerts) =
        (BTreeMap::<&str, Tally>::new(), BTreeMap::<String, usize>::new());
    let mut days = 0.0;
    let first = std::env::var("VERNALOG_FIRST_SEED")
        .map_or(FIRST_SEED, |seed| seed.parse().expect("a number"));
    say(&format!("seeds {first} to {}", first + seasons - 1));
    for seed in first..first + seasons {
        let (plan, happened, from, to) = season(seed);
        let grown = plan.grow();
        let told = watched(&grown, &happened, from, to);
        days += to.hours_since(from) / 24.0;
        for one in &happened {
            let tally = found.entry(one.what).or_default();
            tally.happened += 1;
            let first = told
                .iter()
                .filter(|row| one.kinds.contains(&row.kind.as_str()))
                .filter(|row| belongs(row, one))
                .map(|row| row.raised.millis_since(one.from) as f64 / HOUR)
                .min_by(f64::total_cmp);
            match first {
                Some(hours) => tally.delays.push(hours),
                None => say(&format!("seed {seed}: {} not found", one.what)),
            }
        }
        for row in &told {
            if !happened.iter().any(|one| belongs(row, one)) {
                let key = format!("{} {}", row.kind, row.watch);
                say(&format!("seed {seed}: false {key} at {}", row.raised));
                *false_alerts.entry(row.kind.clone()).or_default() += 1;
            }
        }
    }
    say(&format!("{seasons} seasons, {days:.0} days of a house"));
    for (what, tally) in &mut found {
        tally.delays.sort_by(f64::total_cmp);
        let n = tally.delays.len();
        let longest = tally.delays.last().copied().unwrap_or(f64::NAN);
        let median = tally.delays.get(n / 2).copied().unwrap_or(f64::NAN);
        say(&format!(
            "{what}: {n} of {} found; delay median {median:.1} h, longest \
             {longest:.1} h",
            tally.happened,
        ));
    }
    let n_false: usize = false_alerts.values().sum();
    let a_month = n_false as f64 / days * 30.0;
    say(&format!("false alerts: {a_month:.2} a month; {false_alerts:?}"));
    for (what, tally) in &found {
        assert_eq!(tally.delays.len(), tally.happened, "{what}");
    }
    assert!(a_month < 1.0, "{a_month}");
}

/// The demo's own incidents, by the usual watches.
#[test]
fn the_incidents_of_the_demo_are_found() {
    let season = rowan_plan(DEMO_SEED).grow();
    let at = |year, month, day, hour, minute| {
        local(NaiveDate::from_ymd_opt(year, month, day).unwrap(), hour, minute)
    };
    let door = Happened {
        what: "door left open",
        from: at(2025, 12, 20, 22, 40),
        to: at(2025, 12, 21, 6, 20),
        kinds: &["range", "door", "day-sum"],
        about: "fridge-drawer",
        aftermath: 24.0,
    };
    let dead = Happened {
        what: "board dead",
        from: at(2026, 3, 3, 4, 12),
        to: at(2026, 3, 5, 19, 31),
        kinds: &["silent-board"],
        about: "board-landing",
        aftermath: 1.0,
    };
    let still = Happened {
        what: "thermometer stuck",
        from: at(2026, 3, 17, 2, 5),
        to: at(2026, 3, 18, 21, 15),
        kinds: &["sensor"],
        about: "airing-shelf",
        aftermath: 1.0,
    };
    for (one, within) in [(door, 1.5), (dead, 1.5), (still, 13.0)] {
        let (from, to) = (one.from.plus_hours(-96.0), one.to.plus_hours(24.0));
        let told = watched(&season, &[], from, to);
        let first = told
            .iter()
            .filter(|row| one.kinds.contains(&row.kind.as_str()))
            .find(|row| belongs(row, &one));
        let row = first.unwrap_or_else(|| panic!("{} not found", one.what));
        let hours = row.raised.millis_since(one.from) as f64 / HOUR;
        say(&format!("demo: {} found after {hours:.1} h", one.what));
        assert!(hours < within, "{hours}");
    }
}

#[allow(clippy::print_stderr, reason = "figures of a test are shown")]
fn say(text: &str) {
    eprintln!("{text}");
}
