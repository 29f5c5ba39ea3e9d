//! How long the report takes over 180 days of 21 places, three quantities
//! each minute, beside a plain pandas and statsmodels script on the same file
//! in the same run.
//!
//! ```text
//! python3 -m venv /tmp/bench-venv
//! /tmp/bench-venv/bin/pip install pandas statsmodels
//! BENCH_PYTHON=/tmp/bench-venv/bin/python cargo bench --bench report
//! ```
//!
//! `BENCH_DAYS` makes it shorter, `BENCH_FOLDER` keeps the data file for the
//! next run. Without the script's libraries the bench says so: then there is
//! no ratio, and the aim of being ahead of it is not met.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    reason = "a benchmark fails with its helpers and prints its result"
)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant as Stopwatch};

use rusqlite::{Connection, params};
use vernalog::observation::Name;
use vernalog::store::{Access, Keep, Records, Store};
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::{
    Batch, Check, Container, Counted, Draft, Lid, Look, Lot, PlaceKind,
    Statement,
};
use vernalog::trial::when::When;
use vernalog::units::Instant;

/// Places where containers stand; the fridge comes on top.
const SPOTS: i64 = 20;
const WEEKS: [i64; 3] = [0, 6, 12];
const SEEDS: u32 = 30;
const START: i64 = 1_760_000_400_000;
const MINUTE: i64 = 60_000;
const DAY: i64 = 24 * 60;
const RUNS: usize = 5;
const AIM_SECONDS: f64 = 1.0;
const AIM_MIB: f64 = 150.0;

fn main() {
    let days: i64 =
        std::env::var("BENCH_DAYS").map_or(180, |text| text.parse().unwrap());
    let temporary = tempfile::tempdir().unwrap();
    let folder = std::env::var_os("BENCH_FOLDER")
        .map_or_else(|| temporary.path().to_owned(), PathBuf::from);
    std::fs::create_dir_all(&folder).unwrap();
    let file = folder.join(format!("{days}-days.db"));
    if !file.exists() {
        fill(&file, days * DAY);
    }
    let readings: i64 = Connection::open(&file)
        .unwrap()
        .query_row("SELECT sum(readings) FROM series", [], |row| row.get(0))
        .unwrap();
    println!(
        "{readings} readings of {days} days at {} places, {:.0} MB on disk",
        SPOTS + 1,
        std::fs::metadata(&file).unwrap().len() as f64 / 1e6
    );
    let out = temporary.path().join("report");
    let ours = best("vernalog report", || {
        let mut program = Command::new(env!("CARGO_BIN_EXE_vernalog"));
        program.arg("report").arg("--data").arg(&file);
        program.arg("--out").arg(&out).env_remove("VERNALOG_SETTINGS");
        program
    })
    .expect("the program makes a report");
    let told = std::fs::read(out.join("results.json")).unwrap();
    let told: serde_json::Value = serde_json::from_slice(&told).unwrap();
    let used = &told["data_quality"]["readings_used"];
    println!("readings that entered doses: {used}");
    for (what, got, aim) in [
        ("seconds", ours.seconds, AIM_SECONDS),
        ("MiB", ours.peak_mib, AIM_MIB),
    ] {
        let word = if got <= aim { "met" } else { "missed" };
        println!("aim: at most {aim} {what}: {word}");
    }
    let python =
        std::env::var("BENCH_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bench/report.py");
    if !has_libraries(&python) {
        println!(
            "pandas and statsmodels: NOT RUN, so nothing is shown against \
             them. {python} cannot import them; make a folder for them with \
             `python3 -m venv DIR && DIR/bin/pip install pandas statsmodels` \
             and set BENCH_PYTHON=DIR/bin/python"
        );
        return;
    }
    let theirs = best("pandas and statsmodels", || {
        let mut script_run = Command::new(&python);
        script_run.arg(script).arg(&file);
        script_run
    });
    match theirs {
        Some(theirs) => println!(
            "ratio: the script takes {:.1} times as long and {:.1} times the \
             memory",
            theirs.seconds / ours.seconds,
            theirs.peak_mib / ours.peak_mib
        ),
        None => println!("pandas and statsmodels: FAILED, no ratio"),
    }
}

fn has_libraries(python: &str) -> bool {
    Command::new(python)
        .args(["-c", "import pandas, statsmodels.api"])
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}

/// What a run took.
#[derive(Clone, Copy)]
struct Took {
    seconds: f64,
    peak_mib: f64,
    /// By read calls, whether from the disk or from memory.
    read_mb: f64,
}

/// The fastest of some runs; none when one fails. The memory is the most of
/// all runs.
fn best(what: &str, command: impl Fn() -> Command) -> Option<Took> {
    let mut all = Vec::new();
    for _ in 0..RUNS {
        let mut command = command();
        command.stdout(Stdio::null()).stderr(Stdio::null());
        all.push(watched(command.spawn().ok()?)?);
    }
    let seconds: Vec<String> =
        all.iter().map(|took| format!("{:.2}", took.seconds)).collect();
    let most =
        |pick: fn(&Took) -> f64| all.iter().map(pick).fold(0.0, f64::max);
    let took = Took {
        seconds: all.iter().map(|t| t.seconds).fold(f64::MAX, f64::min),
        peak_mib: most(|took| took.peak_mib),
        read_mb: most(|took| took.read_mb),
    };
    println!(
        "{what}: {:.2} s (runs: {}), peak {:.0} MiB resident, {:.0} MB read",
        took.seconds,
        seconds.join(", "),
        took.peak_mib,
        took.read_mb
    );
    Some(took)
}

/// Waits for a child; none when it does not end well. Memory is added up
/// over the processes that it starts, each at its own peak.
fn watched(mut child: Child) -> Option<Took> {
    let begun = Stopwatch::now();
    let mut peaks: BTreeMap<u32, (f64, f64)> = BTreeMap::new();
    loop {
        for id in family(child.id()) {
            let own = peaks.entry(id).or_default();
            let peak = figure(id, "status", "VmHWM:") / 1024.0;
            own.0 = own.0.max(peak);
            own.1 = own.1.max(figure(id, "io", "rchar:") / 1e6);
        }
        if let Some(status) = child.try_wait().unwrap() {
            let seconds = begun.elapsed().as_secs_f64();
            return status.success().then(|| Took {
                seconds,
                peak_mib: peaks.values().map(|own| own.0).sum(),
                read_mb: peaks.values().map(|own| own.1).sum(),
            });
        }
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// A process and those it started.
fn family(id: u32) -> Vec<u32> {
    let children = format!("/proc/{id}/task/{id}/children");
    let children = std::fs::read_to_string(children).unwrap_or_default();
    let children = children.split_whitespace().filter_map(|c| c.parse().ok());
    std::iter::once(id).chain(children.flat_map(family)).collect()
}

/// A figure of a process; 0 where the system does not say.
fn figure(id: u32, file: &str, line: &str) -> f64 {
    let text = std::fs::read_to_string(format!("/proc/{id}/{file}"));
    text.unwrap_or_default()
        .lines()
        .find_map(|own| own.strip_prefix(line))
        .and_then(|rest| rest.split_whitespace().next()?.parse().ok())
        .unwrap_or(0.0)
}

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

fn at(minute: i64) -> Instant {
    Instant::from_millis(START + minute * MINUTE)
}

/// Some number that is always the same for the same two.
fn dice(a: i64, b: i64) -> i64 {
    let mixed = (a.wrapping_mul(0x9E37_79B9) ^ b.wrapping_mul(0x85EB_CA6B))
        .wrapping_mul(0x27D4_EB2F_1656_67C5);
    (mixed >> 33) & 0x7FFF_FFFF
}

fn fill(file: &Path, minutes: i64) {
    let made = file.with_extension("made");
    let mut store = Store::open(&made, Access::Create).unwrap();
    let drafts = drafts(minutes);
    let recorded = store
        .record(&Records {
            drafts: &drafts,
            on_conflict: OnConflict::Refuse,
            keep: Keep::AllOrNothing,
            by: "bench",
            origin: "import",
            now: at(minutes),
            dry_run: false,
        })
        .unwrap();
    assert_eq!(recorded.refused, []);
    let bulk = Connection::open(&made).unwrap();
    bulk.pragma_update(None, "synchronous", "OFF").unwrap();
    bulk.execute_batch("BEGIN").unwrap();
    write_readings(&bulk, minutes);
    // Hours are then added up by the store itself, as the daemon does.
    bulk.execute(
        "UPDATE added_up SET until_hour = ?1",
        [START / (60 * MINUTE)],
    )
    .unwrap();
    bulk.execute_batch("COMMIT").unwrap();
    drop(bulk);
    while !store.add_up(at(minutes)).unwrap() {}
    assert!(store.settle().unwrap());
    drop(store);
    std::fs::rename(made, file).unwrap();
}

fn write_readings(bulk: &Connection, minutes: i64) {
    const QUANTITIES: [&str; 3] = ["temperature", "humidity", "light"];
    let mut statement =
        bulk.prepare("INSERT INTO reading VALUES (?1, ?2, ?3, 0)").unwrap();
    let mut counts = vec![(0, 0, 0, 0.0); (SPOTS as usize + 1) * 3];
    for minute in 0..minutes {
        for place in 0..=SPOTS {
            // One sample in fifty is lost, and a board is dead for a night.
            let dead = (30 * DAY + 900..30 * DAY + 1_400).contains(&minute);
            if dice(minute, place) % 50 == 0 || (dead && place % 7 == 3) {
                continue;
            }
            // A board's seconds are its own, and not exact.
            let taken = START
                + minute * MINUTE
                + place * 2_500
                + dice(minute, place + 77) % 60;
            for quantity in 0..3 {
                let value = value(quantity, place, minute);
                let series = place * 3 + quantity;
                statement.execute([taken, series + 1, value]).unwrap();
                let own = &mut counts[series as usize];
                if own.0 == 0 {
                    own.1 = taken;
                }
                *own = (own.0 + 1, own.1, taken, value as f64 / 1000.0);
            }
        }
    }
    for (series, (n, first, newest, value)) in counts.iter().enumerate() {
        bulk.execute(
            "INSERT INTO series (id, board, probe, quantity, readings, \
             first_ms, newest_ms, newest_value, newest_quality) \
             VALUES (?1, ?2, 'air', ?3, ?4, ?5, ?6, ?7, 0)",
            params![
                series as i64 + 1,
                format!("board-{}", series / 3),
                QUANTITIES[series % 3],
                n,
                first,
                newest,
                value
            ],
        )
        .unwrap();
    }
}

/// Thousandths of a value that moves as a room or a fridge does, in the
/// steps of a cheap sensor.
fn value(quantity: i64, place: i64, minute: i64) -> i64 {
    let (m, p) = (minute as f64, place as f64);
    let day = (m / DAY as f64 * std::f64::consts::TAU).sin();
    let slow = (m / 10_007.0 + p).sin();
    let noise = (dice(minute, place * 3 + quantity) % 21 - 10) as f64;
    let fridge = place == SPOTS;
    let compressor = (m / 37.0 * std::f64::consts::TAU).sin();
    let value = match quantity {
        0 if fridge => 4.0 + 1.1 * compressor + 0.01 * noise,
        0 => 9.0 + 0.4 * p + 5.0 * day + 4.0 * slow + 0.01 * noise,
        1 if fridge => 84.0 + 6.0 * compressor + 0.1 * noise,
        1 => 60.0 + 8.0 * slow - 5.0 * day + 0.1 * noise,
        _ if fridge => 0.0,
        _ => (4_000.0 * day).max(0.0) * (1.5 + slow) * (1.0 + 0.01 * noise),
    };
    let steps = [100.0, 10.0, 1.0][quantity as usize];
    (value * steps).round() as i64 * (1_000 / steps as i64)
}

fn drafts(minutes: i64) -> Vec<Draft> {
    let mut drafts = Vec::new();
    let trial = name("bench");
    let mut say = |own: bool, when: i64, said: Statement| {
        let of = own.then_some(&trial);
        drafts.push(Draft::new(of, When::exactly(at(when)), said));
    };
    say(
        true,
        0,
        Statement::Trial {
            trial: trial.clone(),
            question: "How long does a report take?".to_owned(),
            planned: vec!["chill_weeks".to_owned(), "place".to_owned()],
        },
    );
    for place in 0..=SPOTS {
        let fridge = place == SPOTS;
        say(
            false,
            0,
            Statement::Place {
                place: spot(place),
                place_kind: if fridge {
                    PlaceKind::Fridge
                } else {
                    PlaceKind::Shelf
                },
                light_source: String::new(),
                title: String::new(),
            },
        );
        say(
            false,
            0,
            Statement::BoardStay {
                board: name(&format!("board-{place}")),
                probe: name("air"),
                place: Some(spot(place)),
                until: None,
                position: String::new(),
            },
        );
    }
    say(
        true,
        0,
        Statement::Lot(Lot {
            lot: name("hedge"),
            species: "Sorbus aucuparia".to_owned(),
            supplier: String::new(),
            collected: String::new(),
            received: String::new(),
            storage: String::new(),
            factors: BTreeMap::new(),
        }),
    );
    for weeks in WEEKS {
        for copy in 0..2 {
            let batch = name(&format!("b{weeks}-{copy}"));
            let level = ("chill_weeks".to_owned(), weeks.to_string());
            say(
                true,
                0,
                Statement::Batch(Batch {
                    batch: batch.clone(),
                    lot: Some(name("hedge")),
                    parent: None,
                    seeds: 40 * SEEDS,
                    label: None,
                    factors: [level].into(),
                }),
            );
            say(true, 3, stay(&batch, SPOTS));
        }
        for place in 0..SPOTS {
            container(&mut say, weeks, place, minutes);
        }
    }
    drafts
}

fn spot(place: i64) -> Name {
    let text = format!("spot-{place}");
    name(if place == SPOTS { "fridge-drawer" } else { &text })
}

fn stay(unit: &Name, place: i64) -> Statement {
    Statement::Stay {
        unit: unit.clone(),
        place: Some(spot(place)),
        until: None,
        moist: true,
        position: String::new(),
    }
}

/// A container, sown when its batch was cold for so many weeks, and looked at
/// every third day.
fn container(
    say: &mut impl FnMut(bool, i64, Statement),
    weeks: i64,
    place: i64,
    minutes: i64,
) {
    let sown = weeks * 7 * DAY + 17 + place * 3;
    if sown >= minutes {
        return;
    }
    let unit = name(&format!("c{weeks}-{place}"));
    say(
        true,
        sown,
        Statement::Container(Container {
            container: unit.clone(),
            batch: Some(name(&format!("b{weeks}-{}", place % 2))),
            seeds: SEEDS,
            lid: Lid::Closed,
            label: None,
            factors: BTreeMap::new(),
        }),
    );
    say(true, sown, stay(&unit, place));
    let mut left = SEEDS;
    for (look, when) in
        (sown + 3 * DAY..=minutes).step_by(3 * DAY as usize).enumerate()
    {
        // A wave that comes earlier where it is warm and the seeds were cold.
        let late = (30 - place / 2 - weeks - look as i64 * 3).abs();
        let lot = dice(place * 64 + look as i64, weeks) % 10;
        let new = if lot * 3 > late + 6 { 2 } else { 0 };
        let new = new.min(left);
        left -= new;
        say(
            true,
            when,
            Statement::Check(Check {
                unit: unit.clone(),
                germinated: Counted::New(new),
                mouldy_now: 0,
                removed_mould: 0,
                removed_other: 0,
                medium: String::new(),
                looked: Look::ThroughLid,
                note: String::new(),
                by: String::new(),
            }),
        );
    }
}
