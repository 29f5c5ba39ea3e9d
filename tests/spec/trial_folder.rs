//! The trial folder and files of readings: in, out, and in again.

use std::fs;

use vernalog::exchange::readings_out::write_readings;
use vernalog::trial::book::Book;
use vernalog::trial::entry::EntryId;

use crate::support::home::{Home, rowan_trial};

/// A book without the numbers of its entries, which an import gives anew.
fn without_numbers(mut book: Book) -> Book {
    let none = EntryId(0);
    let house = &mut book.house;
    house.board_stays.iter_mut().for_each(|stay| stay.entry = none);
    house.mains.iter_mut().for_each(|main| main.entry = none);
    house.mains.sort_by_key(|m| (m.from.at, m.place.clone(), m.quantity));
    house.calibrations.iter_mut().for_each(|c| c.entry = none);
    house.excluded.iter_mut().for_each(|window| window.entry = none);
    house.watches.values_mut().for_each(|(entry, _)| *entry = none);
    house.cells.values_mut().for_each(|cells| cells.entry = none);
    for unit in book.trials.values_mut().flat_map(|t| t.units.values_mut()) {
        unit.entry = none;
        unit.stays.iter_mut().for_each(|stay| stay.entry = none);
        unit.looks.iter_mut().for_each(|look| look.entry = none);
        unit.added.iter_mut().for_each(|moved| moved.entry = none);
        unit.taken.iter_mut().for_each(|moved| moved.entry = none);
        unit.treatments.iter_mut().for_each(|treated| treated.entry = none);
        unit.mould.iter_mut().for_each(|seen| seen.entry = none);
    }
    book
}

/// A trial with what files say and what only commands can say.
fn home_with_everything() -> Home {
    let home = Home::with_rowan();
    for words in [
        "record watch fridge-drawer --at 2025-12-01",
        "record unwatch fridge-drawer humidity --at 2026-01-05",
        "record cells landing-board alkaline --low-volts 2.2 --at 2026-03-01",
        "record move r6 --away --at 2026-04-02",
        "record move landing-board --away --board --at 2026-05-02",
        "record main boiler-shelf landing-board --quantity light \
         --at 2026-05-03",
        "record check r6 2 --at 2026-03-12 --note ' indented, \"quoted\"'",
        "record check r6 3 --at 2026-03-12 --supersede miscounted",
        "record seedling r6 s1 potted --at 2026-03-20 --note ü",
        "record climate boiler-shelf --temperature 21.5 --at 2026-03-03",
        "record calibration landing-board humidity --offset -2.5 \
         --at 2026-02-28",
        "record exclude landing-board 'salt test' --since 2026-03-01T10:00Z \
         --until 2026-03-01T12:00:30Z",
        "record note 'the hall was painted' --about stair-landing \
         --at 2026-03-04",
        "record note 'wrong box' --at 2026-03-04",
        "record undo last 'never said'",
    ] {
        home.run(words).succeeds();
    }
    home.write(
        "readings-in.csv",
        "board,probe,time,temperature_celsius,humidity_percent,light_lux,\
         battery_volts,quality\n\
         drawer-board,,2026-01-01T00:00:00Z,3.6,91.5,0,2.98,\n\
         drawer-board,damped,2026-01-01T00:00:00Z,3.9,,,,\n\
         drawer-board,,2026-01-01T00:01:00.250Z,-0.0625,101,,,stuck sun\n\
         landing-board,,2026-03-02 10:00,17.1234567,45,88000,,at-least\n",
    );
    home.run("import readings readings-in.csv").succeeds();
    home
}

#[test]
fn a_folder_taken_in_twice_is_once() {
    let home = Home::with_rowan();
    let entries = home.store().ledger().unwrap().len();

    home.run(&format!("import trial {}", rowan_trial().display()))
        .succeeds()
        .answers(&format!("0 entries are recorded, {entries} were there"));

    assert_eq!(home.store().ledger().unwrap().len(), entries);
}

#[test]
fn what_was_counted_stands_in_the_book() {
    let home = Home::with_rowan();
    let book = home.book();
    let trial = &book.trials["rowan-landing"];
    let brook = &trial.units["brook-06"];
    assert_eq!((brook.entered(), brook.left()), (60, 2));
    let r5 = &trial.units["r5"];
    // One, then a running total of eight.
    assert_eq!((r5.looks[1].germinated, r5.germinated()), (7, 8));
    let r4 = &trial.units["r4"];
    assert_eq!((r4.removed_mould(), r4.transferred(), r4.left()), (2, 2, 24));
    let date = r4.begun.date().unwrap().to_string();
    assert_eq!(date, "2026-03-01");
    // A date alone means 20:00 in Dublin; in March that is 20:00Z.
    assert_eq!(r4.begun.at.to_string(), "2026-03-01T20:00:00Z");
}

#[test]
fn an_export_comes_back_as_the_same_book_and_readings() {
    let home = home_with_everything();
    home.run("export --out out").succeeds().answers("other.csv");
    let second = Home::new();
    let out = home.path().join("out");

    second
        .run(&format!("import trial {}", out.display()))
        .succeeds()
        .tells("readings.csv: not read here");
    second
        .run(&format!("import readings {}/readings.csv", out.display()))
        .succeeds();

    assert_eq!(without_numbers(second.book()), without_numbers(home.book()));
    let (old, new) = (home.store(), second.store());
    assert_eq!(new.series().unwrap(), old.series().unwrap());
    for info in old.series().unwrap() {
        let newest = info.newest.unwrap().at.plus_millis(1);
        let first = info.first.unwrap();
        assert_eq!(
            new.readings(&info.series, first, newest).unwrap(),
            old.readings(&info.series, first, newest).unwrap(),
        );
    }
    // A second export differs in nothing that speaks of the trial.
    second.run("export --out out").succeeds();
    for file in fs::read_dir(&out).unwrap() {
        let name = file.unwrap().file_name().to_string_lossy().into_owned();
        if name.ends_with(".csv") {
            assert_eq!(
                second.read(&format!("out/{name}")),
                home.read(&format!("out/{name}")),
                "{name}"
            );
        }
    }
}

#[test]
fn an_export_taken_in_where_it_came_from_changes_nothing() {
    let home = home_with_everything();
    home.run("export --out out").succeeds();

    home.run("import trial out").succeeds().answers("0 entries are recorded");
    home.run("import readings out/readings.csv")
        .succeeds()
        .answers("0 readings are new");
}

#[test]
fn an_export_replaces_an_older_one_and_nothing_else() {
    let home = Home::with_rowan();
    home.run("export --out out").succeeds();
    home.run("export --out out").succeeds();
    home.write("out/diary.txt", "mine");
    home.run("export --out out").fails().tells("is not empty");
    assert_eq!(home.read("out/diary.txt"), "mine");
}

/// Source: Data Package (Frictionless specifications, version 1), from
/// memory: a package needs `resources`, a resource a `name` of `[-a-z0-9._]`
/// and a `path` or data, a field a `name` and one of the listed types.
#[test]
fn the_descriptor_names_every_column_of_every_file() {
    let home = home_with_everything();
    home.run("export --out out").succeeds();
    let package: serde_json::Value =
        serde_json::from_str(&home.read("out/datapackage.json")).unwrap();
    let types =
        ["string", "integer", "number", "boolean", "object", "datetime"];
    let mut described = Vec::new();
    for resource in package["resources"].as_array().unwrap() {
        let name = resource["name"].as_str().unwrap();
        let sound = |c: char| {
            c.is_ascii_lowercase() || c.is_ascii_digit() || "-._".contains(c)
        };
        assert!(!name.is_empty() && name.chars().all(sound), "{name}");
        let path = resource["path"].as_str().unwrap();
        let text = home.read(&format!("out/{path}"));
        let headings: Vec<&str> =
            text.lines().next().unwrap().split(',').collect();
        let fields = resource["schema"]["fields"].as_array().unwrap();
        let names: Vec<&str> =
            fields.iter().map(|f| f["name"].as_str().unwrap()).collect();
        assert_eq!(names, headings, "{path}");
        for field in fields {
            let kind = field["type"].as_str().unwrap();
            assert!(types.contains(&kind), "{field}");
            assert!(field["description"].is_string(), "{field}");
        }
        described.push(path.to_owned());
    }
    for file in fs::read_dir(home.path().join("out")).unwrap() {
        let name = file.unwrap().file_name().to_string_lossy().into_owned();
        if name.ends_with(".csv") {
            assert!(described.contains(&name), "{name} is not described");
        }
    }
}

/// A folder of three files, sown on 1 March.
fn small_folder(home: &Home, checks: &str) {
    home.write(
        "t/trial.csv",
        "Trial;Question\r\nsmall;\"How long; and how warm?\"\r\n",
    );
    home.write(
        "t/containers.csv",
        "\u{feff}Container;Batch;Seeds;Sown at;Chill Weeks\r\n\
         r1;b1;10;2026-03-01;6\r\nr2;b1;12;2026-02-28 09:00;6\r\n;;;;\r\n",
    );
    home.write("t/checks.csv", checks);
}

#[test]
fn three_files_are_enough_and_what_is_missing_is_said() {
    let home = Home::new();
    small_folder(&home, "container,at,germinated\nr1,2026-03-09,2\n");
    home.write("t/lots.csv", "lot,species\nhill,Sorbus aucuparia\n");

    home.run("import trial t")
        .succeeds()
        .tells(
            "there is no batches.csv: batch b1 is taken to have begun at \
             2026-02-28T09:00Z with the 22 seeds of its containers",
        )
        .tells("the batch is taken to be of lot hill")
        .tells("column chill_weeks is read as a factor");

    let book = home.book();
    let trial = &book.trials["small"];
    assert_eq!(trial.question, "How long; and how warm?");
    assert_eq!(trial.started.text(), "2026-02-28T09:00Z");
    assert_eq!(trial.units["b1"].left(), 0);
    assert_eq!(trial.lot_of(&trial.units["r1"]).unwrap().as_str(), "hill");
    let (level, _) = trial.level(&trial.units["r2"], "chill_weeks").unwrap();
    assert_eq!(level, "6");
}

#[test]
fn all_bad_rows_are_told_at_once_and_nothing_is_taken_in() {
    let home = Home::new();
    small_folder(
        &home,
        "unit,at,germinated,germinated_total,looked\n\
         r1,2026-03-09,2,,\n\
         r1,2026-03-10,,,\n\
         R 1,soon,x,,openend\n\
         r1,2026-03-11,20,,\n\
         r7,2026-03-11,0,,\n\
         r1,2026-03-29 01:30,0,,\n\
         r1,2026-02-01,0,,\n\
         r1,2026-03-12,1,3,\n\
         r1,2026-03-13\n",
    );
    home.write("t/stays.csv", "unit,place,from\nr1,attic,2026-03-01\n");
    home.write("t/batchs.csv", "batch,seeds\n");

    let ran = home.run("import trial t").fails();

    let expected = [
        "checks.csv:3: germinated is empty: write 0",
        "checks.csv:4: unit: \"R 1\" is not a name",
        "(\"r-1\" would do)",
        "checks.csv:4: at: \"soon\" is not a time",
        "checks.csv:4: germinated: \"x\" is not a whole number",
        "did you mean \"opened\"?",
        "checks.csv:5: 20 seeds germinated or removed, but only 8 of 10",
        "checks.csv:6: trial \"small\" has no batch or container \"r7\"",
        "checks.csv:7: at: 2026-03-29 01:30 does not exist",
        "checks.csv:8: trial \"small\" has no batch or container \"r1\" at \
         2026-02-01",
        "checks.csv:9: germinated and germinated_total are both filled in",
        "checks.csv:10: has 2 fields where the headings are 5",
        "stays.csv:2: there is no place \"attic\"",
        "batchs.csv: not read; is it meant to be batches.csv?",
        "--keep-good",
    ];
    let mut ran = ran;
    for text in expected {
        ran = ran.tells(text);
    }
    assert_eq!(home.store().ledger().unwrap(), []);

    home.run("import trial t --dry-run").says_no();
    assert_eq!(home.store().ledger().unwrap(), []);

    home.run("import trial t --keep-good")
        .says_no()
        .tells("left out: checks.csv:5")
        .answers("entries are recorded");
    let book = home.book();
    assert_eq!(book.trials["small"].units["r1"].germinated(), 2);
}

#[test]
fn missing_files_and_columns_are_named() {
    let home = Home::new();
    home.write("t/trail.csv", "trial\nsmall\n");
    home.write("t/containers.csv", "container,seed,sown_at\nr1,3,2026-03-01\n");
    home.run("import trial t")
        .fails()
        .tells("trial.csv: is missing and needed; is it the file trail.csv?")
        .tells("checks.csv: is missing and needed")
        .tells("containers.csv:1: has no column seeds");
    home.run("import trial nowhere")
        .fails()
        .tells("cannot read the folder \"nowhere\"");
}

#[test]
fn another_value_for_a_known_row_is_a_conflict_until_a_reason_is_given() {
    let home = Home::new();
    small_folder(&home, "container,at,germinated\nr1,2026-03-09,2\n");
    home.run("import trial t").succeeds();
    small_folder(&home, "container,at,germinated\nr1,2026-03-09,4\n");

    home.run("import trial t")
        .fails()
        .tells("checks.csv:2: entry")
        .tells("already says something else");
    home.run("import trial t --supersede 'counted again'").succeeds();

    let book = home.book();
    assert_eq!(book.trials["small"].units["r1"].germinated(), 4);
}

#[test]
fn bad_readings_are_told_with_their_lines_and_nothing_is_taken_in() {
    let home = Home::new();
    home.write(
        "r.csv",
        "board,time,humidity_percent\n\
         b1,2026-03-02T12:00:00Z,50\n\
         b1,2026-03-02T12:01:00Z,150\n\
         b1,2026-03-02,50\n",
    );
    home.run("import readings r.csv")
        .fails()
        .tells("r.csv:3: humidity_percent: 150 is outside 0–105 %")
        .tells("r.csv:4: time: a reading needs an hour");
    assert_eq!(home.store().series().unwrap(), []);
    home.run("import readings r.csv --keep-good")
        .says_no()
        .answers("1 readings are new");
    home.write(
        "s.csv",
        "board,time,humidity_percent\nb1,2026-03-02T12:00:00Z,51\n",
    );
    home.run("import readings s.csv")
        .says_no()
        .tells("b1/air/humidity at 2026-03-02T12:00:00Z: 51 here, 50 kept");
    home.run("import readings none.csv").fails().tells("cannot read");
}

#[test]
fn many_readings_are_written_one_file_a_month() {
    let home = home_with_everything();
    let folder = home.path().join("readings");
    fs::create_dir(&folder).unwrap();

    let files = write_readings(&folder, &home.store(), 3).unwrap();

    let files: Vec<_> =
        files.iter().map(|w| (w.file.as_str(), w.rows)).collect();
    assert_eq!(
        files,
        [("readings-2026-01.csv", 4), ("readings-2026-03.csv", 1)]
    );
    let second = Home::new();
    for (file, _) in files {
        second
            .run(&format!("import readings {}/{file}", folder.display()))
            .succeeds();
    }
    let (new, old) = (second.store(), home.store());
    assert_eq!(new.series().unwrap(), old.series().unwrap());
}

#[test]
fn a_folder_from_a_house_in_another_zone_says_so() {
    let home = Home::with_rowan();
    home.run("export --out out").succeeds();
    let second = Home::empty();
    second.run("init --time-zone Europe/Berlin").succeeds();
    let out = home.path().join("out");
    second
        .run(&format!("import trial {} --dry-run", out.display()))
        .succeeds()
        .tells("a date alone means 20:00 in Europe/Dublin");
}
