//! Files of each released schema: every one opens, is brought forward, and
//! gives what the same trial gives when it is taken in today.
//!
//! `tests/released/schema-N.db` was made by the program that had schema N as
//! its newest. A released schema is not changed any more: the next change is
//! a step of its own. `VERNALOG_RENEW=1 cargo test` makes a file that is
//! missing, and never replaces one.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};
use vernalog::store::forward::bring_forward;
use vernalog::units::Instant;

use super::{NIGHT, data};
use crate::support::home::Home;

/// The newest schema of this program.
const NEWEST: i64 = 1;

fn file_of(schema: i64) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join(format!("tests/released/schema-{schema}.db"))
}

/// The rowan trial with a few weeks of climate, every two hours.
fn with_climate() -> Home {
    let home = Home::with_rowan();
    let mut csv = "board,time,temperature_celsius,humidity_percent,light_lux\n"
        .to_owned();
    for hour in (0..24 * 28).step_by(2) {
        let (day, hour) = (1 + hour / 24, hour % 24);
        let warmer = f64::from(hour % 12) / 4.0;
        for (board, base, light) in
            [("drawer-board", 3.0, 0), ("landing-board", 15.0, hour * 40)]
        {
            writeln!(
                csv,
                "{board},2026-03-{day:02}T{hour:02}:00:00Z,{},{},{light}",
                base + warmer,
                70 + hour
            )
            .unwrap();
        }
    }
    let file = home.write("climate.csv", &csv);
    home.run(&format!("import readings {}", file.display())).succeeds();
    home
}

fn results(home: &Home) -> String {
    home.run("report --out report --until 2026-06-30").succeeds();
    home.read("report/results.json")
}

fn tables(file: &Path) -> Vec<String> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY;
    let connection = Connection::open_with_flags(file, flags).unwrap();
    let mut statement = connection
        .prepare(
            "SELECT sql FROM sqlite_schema WHERE sql NOT NULL ORDER BY name",
        )
        .unwrap();
    let rows = statement.query_map([], |row| row.get(0)).unwrap();
    rows.map(Result::unwrap).collect()
}

#[test]
fn each_released_file_gives_what_the_trial_gives_today() {
    let today = with_climate();
    let wanted = results(&today);
    assert!(wanted.contains("degree_hours"), "{wanted}");
    let newest = file_of(NEWEST);
    if !newest.exists() && std::env::var_os("VERNALOG_RENEW").is_some() {
        let copy = today.path().join("copy.db");
        today.run(&format!("backup --out {}", copy.display())).succeeds();
        fs::create_dir_all(newest.parent().unwrap()).unwrap();
        fs::copy(copy, &newest).unwrap();
    }
    for schema in 1..=NEWEST {
        let home = Home::empty();
        home.write("vernalog.toml", &today.read("vernalog.toml"));
        fs::copy(file_of(schema), data(&home)).unwrap_or_else(|error| {
            panic!("no file of schema {schema}, see above: {error}")
        });

        let now = Instant::from_millis(NIGHT);
        let forward = bring_forward(&data(&home), now).unwrap();

        assert_eq!(forward.is_some(), schema < NEWEST);
        home.run("verify vernalog.db").succeeds();
        assert_eq!(results(&home), wanted, "schema {schema}");
    }
}

#[test]
fn a_released_schema_is_not_changed_any_more() {
    let home = Home::new();
    assert_eq!(
        tables(&data(&home)),
        tables(&file_of(NEWEST)),
        "make the change a new step of src/store/schema, with a file of its \
         own in tests/released"
    );
}
