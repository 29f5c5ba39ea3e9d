//! The demo: one command, a whole season, the real way in.

use std::fs;
use std::path::Path;

use vernalog::observation::{Name, Quality, Quantity};
use vernalog::store::{Access, Store};
use vernalog::units::Instant;

use crate::support::home::Home;

const ANY_TIME: (Instant, Instant) =
    (Instant::from_millis(0), Instant::from_millis(i64::MAX));

fn store_of(home: &Home) -> Store {
    let data = home.path().join("vernalog-demo/vernalog.db");
    Store::open(&data, Access::ReadOnly).unwrap()
}

#[test]
fn the_demo_needs_one_command_and_leaves_a_report_in_ten_lines() {
    let home = Home::empty();

    let ran = home.run("demo").succeeds();

    let told = ran.stdout();
    assert!(told.lines().count() <= 10, "{told}");
    assert!(told.contains("Report: vernalog-demo/report/index.html"));
    assert!(told.contains("48 containers with 1344 seeds"));
    for file in ["index.html", "results.json", "containers.csv", "places.csv"] {
        let path = home.path().join("vernalog-demo/report").join(file);
        assert!(path.is_file(), "{}", path.display());
    }
    let status = home.run("status --settings vernalog-demo/settings.toml");
    status.answers("trial     rowan-chill: 16 batches, 48 containers");

    // A second demo replaces the first, and a foreign folder is left alone.
    home.run("demo").succeeds();
    home.write("mine/notes.txt", "do not touch");
    home.run("demo --out mine").fails().tells("is no folder of an earlier");
    assert_eq!(home.read("mine/notes.txt"), "do not touch");
}

/// The last two hours come over MQTT and a serial line: what is stored is
/// what the season's boards said, at the instants at which they said it.
#[test]
fn the_last_hours_of_the_demo_come_in_over_the_real_doors() {
    let home = Home::empty();
    home.run("demo").succeeds();
    let store = store_of(&home);
    let season = vernalog::season::rowan::demo_season();
    let (from, to) = (season.plan.ends().plus_hours(-2.0), season.plan.ends());

    let mut n_live = 0;
    for board in &season.plan.boards {
        for sample in season.wire_samples(&board.name, from, to) {
            for (quantity, value) in &sample.values {
                let series = vernalog::observation::Series {
                    board: sample.board.clone(),
                    probe: sample.probe.clone(),
                    quantity: *quantity,
                };
                // Receipt and uptime place it within the drift allowance.
                let about = store
                    .readings(
                        &series,
                        sample.at.plus_millis(-5_000),
                        sample.at.plus_millis(5_000),
                    )
                    .unwrap();
                let [reading] = about.as_slice() else {
                    panic!("{series} at {}: {about:?}", sample.at);
                };
                assert!((reading.value - value).abs() < 1e-12, "{series}");
                n_live += 1;
            }
        }
    }
    assert!(n_live >= 4 * 12 * 3, "{n_live}");
    let counters = store.counters().unwrap();
    assert_eq!(counters.get("refused"), None, "{counters:?}");
}

#[test]
fn the_stuck_sensor_the_gap_and_the_open_fridge_are_in_the_demo() {
    let home = Home::empty();
    home.run("demo").succeeds();
    let store = store_of(&home);
    let all = store.series().unwrap();
    let airing = all
        .iter()
        .find(|info| {
            info.series.board == Name::new("board-airing").unwrap()
                && info.series.quantity == Quantity::Temperature
        })
        .unwrap();
    let stuck = store
        .readings(&airing.series, ANY_TIME.0, ANY_TIME.1)
        .unwrap()
        .windows(2)
        .map(|pair| (pair[0].value - pair[1].value).abs() < 1e-12)
        .fold((0, 0), |(run, longest), same| {
            let run = if same { run + 1 } else { 0 };
            (run, longest.max(run))
        })
        .1;
    assert!(stuck >= 36, "{stuck} equal readings in a row");

    let results = home.read("vernalog-demo/report/results.json");
    let results: serde_json::Value = serde_json::from_str(&results).unwrap();
    let longest_hole = results["data_quality"]["coverage"]
        .as_array()
        .unwrap()
        .iter()
        .map(|covered| covered["missing_hours"].as_f64().unwrap())
        .fold(0.0, f64::max);
    assert!(longest_hole > 48.0, "{longest_hole} h missing");
    let sill_light_at_its_end = all
        .iter()
        .filter(|info| info.series.quantity == Quantity::Light)
        .flat_map(|info| {
            store.readings(&info.series, ANY_TIME.0, ANY_TIME.1).unwrap()
        })
        .any(|reading| reading.quality.has(Quality::AT_LEAST));
    assert!(sill_light_at_its_end);
    let fridge = &results["fridge"][0];
    assert!(fridge.to_string().contains("door"), "{fridge}");
}

/// The whole way out and in again: nothing that matters is lost.
#[test]
fn export_and_import_into_an_empty_store_give_the_same_results() {
    let home = Home::empty();
    home.run("demo").succeeds();
    home.run("export --settings vernalog-demo/settings.toml --out folder")
        .succeeds();
    let readings: Vec<String> = fs::read_dir(home.path().join("folder"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|name| name.starts_with("readings"))
        .collect();
    assert!(!readings.is_empty());

    home.run("init --time-zone Europe/Dublin").succeeds();
    home.run("import trial folder").succeeds();
    for file in readings {
        home.run(&format!("import readings folder/{file}")).succeeds();
    }
    home.run("report --out again").succeeds();

    assert_eq!(
        home.read("again/results.json"),
        home.read("vernalog-demo/report/results.json")
    );
}

/// After a change of the figures: `VERNALOG_RENEW=1 cargo test readme`.
#[test]
fn the_picture_of_the_readme_is_the_demos() {
    let home = Home::empty();
    home.run("demo").succeeds();
    let drawn =
        home.read("vernalog-demo/report/figures/place-stair-landing.svg");
    let shown = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo-data/stair-landing.svg");
    if std::env::var_os("VERNALOG_RENEW").is_some() {
        fs::write(&shown, &drawn).unwrap();
    }
    assert!(
        fs::read_to_string(shown).unwrap() == drawn,
        "demo-data/stair-landing.svg is not what the demo draws"
    );
}
