//! Published data taken in as trials: the whole program gives the published
//! numbers, and its words follow the unit that was treated.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use serde_json::Value;
use vernalog::report::results::Results;

use crate::support::home::Home;

fn reference(file: &str) -> Value {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let path = folder.join("tests/reference/stats").join(file);
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

/// Imports a folder and reports on it.
fn reported(home: &Home, folder: &str, trial: &str) -> Results {
    home.run(&format!("import trial {folder}")).succeeds();
    home.run(&format!("report --trial {trial} --out {trial}-report"))
        .succeeds();
    let text = home.read(&format!("{trial}-report/results.json"));
    serde_json::from_str(&text).unwrap()
}

#[track_caller]
fn close(got: f64, expected: &Value, off: f64) {
    let expected = expected.as_f64().unwrap();
    assert!((got - expected).abs() < off, "{got} instead of {expected}");
}

/// Crowder 1978, Appl. Statist. 27: 34–37, table 3 (read); fits by R 4.2.2
/// and statsmodels 0.15.0 (computed). Seeds as units would give p = 0.011
/// for the interaction; plates give 0.081.
#[test]
fn crowders_plates_give_the_published_estimates_and_careful_words() {
    let home = Home::new();
    let folder = format!("{}/tests/crowder-trial", env!("CARGO_MANIFEST_DIR"));
    let results = reported(&home, &folder, "crowder");

    let answers = reference("crowder_reference.json");
    let coefficient = |name: &str| &answers["quasi"]["coef"][name];
    let of =
        |name: &str| results.factors.iter().find(|f| f.name == name).unwrap();
    let both = of("seed_type × extract");
    let logit = |seed: &str, extract: &str| {
        let name = format!("{seed} × {extract}");
        let cell = both.levels.iter().find(|l| l.level == name).unwrap();
        (cell.estimate / (1.0 - cell.estimate)).ln()
    };
    let bean = logit("75", "bean");
    close(bean, &coefficient("intercept")["est"], 1e-5);
    close(logit("73", "bean") - bean, &coefficient("seed73")["est"], 1e-5);
    close(
        logit("75", "cucumber") - bean,
        &coefficient("cucumber")["est"],
        1e-5,
    );
    // Ours counts from seed 73 to seed 75, the paper the other way.
    let found = both.interaction.unwrap();
    let expected = coefficient("interaction");
    close(-found.log_odds, &expected["est"], 1e-5);
    close(found.standard_error, &expected["se"], 1e-5);
    let reach = answers["quasi"]["t_quantile_975_17"].as_f64().unwrap();
    let half = (found.interval.upper - found.interval.lower) / 2.0;
    assert!((half - reach * found.standard_error).abs() < 1e-5);
    let tests = &answers["interaction_tests"];
    close(both.f.unwrap(), &tests["quasi_F"], 1e-4);
    close(both.p.unwrap(), &tests["quasi_F_p"], 1e-5);
    close(both.dispersion.unwrap(), &answers["quasi"]["dispersion"], 1e-5);
    assert_eq!((both.n_units, both.df), (21, [1.0, 17.0]));
    assert_eq!(both.tested_on, "container");

    let told = |name: &str| {
        let own = |f: &&vernalog::report::results::FindingResult| {
            f.factor.as_deref() == Some(name)
        };
        results.findings.iter().find(own).unwrap()
    };
    let text = &told("seed_type × extract").text;
    assert!(text.contains("this trial cannot tell"), "{text}");
    assert!(both.p_holm.unwrap() > 0.05 && both.p_holm >= both.p);
    // What extract does on the whole is beyond doubt also by plates.
    let text = &told("extract").text;
    assert!(text.contains("more of every 100 came up at cucumber"), "{text}");
    assert!(of("extract").p_holm.unwrap() < 0.001);
}

/// Worked count series with every index (computed twice, in exact fractions
/// and seed by seed; Wilson limits by statsmodels 0.15.0).
#[test]
fn count_series_give_their_indices() {
    let home = Home::new();
    let answers = reference("germination_indices.json");
    for (number, case) in
        answers["cases"].as_array().unwrap().iter().enumerate()
    {
        let trial = format!("series-{number}");
        let days = case["days"].as_array().unwrap();
        let counts = case["counts"].as_array().unwrap();
        let mut checks = "unit,at,germinated\n".to_owned();
        for (day, count) in days.iter().zip(counts) {
            let date = 1.0 + day.as_f64().unwrap();
            writeln!(checks, "box,2026-01-{date:02.0},{count}").unwrap();
        }
        let file = |name: &str, text: &str| {
            home.write(&format!("{trial}/{name}"), text);
        };
        file("trial.csv", &format!("trial,started\n{trial},2026-01-01\n"));
        let sown = &case["sown"];
        file(
            "containers.csv",
            &format!("container,seeds,sown_at\nbox,{sown},2026-01-01\n"),
        );
        file("checks.csv", &checks);
        let results = reported(&home, &trial, &trial);
        let container = &results.containers[0];
        assert_eq!(case["germinated"], container.germinated, "{trial}");
        match &case["mgt"] {
            Value::Null => assert_eq!(container.mean_time_days, None),
            mean => close(container.mean_time_days.unwrap(), mean, 1e-5),
        }
        let limits = container.interval.unwrap();
        if let Some(wilson) = case["wilson95_pct"].as_array() {
            close(100.0 * limits.lower, &wilson[0], 1e-3);
            close(100.0 * limits.upper, &wilson[1], 1e-3);
        }
    }
}

/// Three boxes of 30 seeds at each of five temperatures that never change,
/// looked at when the published rows say, and a board that says so each hour.
fn constant_places(home: &Home, trial: &str, rows: &str) {
    let rows: Vec<Vec<&str>> =
        rows.lines().skip(1).map(|row| row.split(',').collect()).collect();
    let mut days: Vec<u32> = rows
        .iter()
        .flat_map(|row| [row[2], row[3]])
        .filter_map(|day| day.parse().ok())
        .filter(|day| *day > 0)
        .collect();
    days.sort_unstable();
    days.dedup();
    let last = *days.last().unwrap();
    let at = |hours: u32| {
        let (month, day) = match hours / 24 {
            day @ 0..=30 => (1, day + 1),
            day => (2, day - 30),
        };
        format!("2026-{month:02}-{day:02}T{:02}:00:00Z", hours % 24)
    };
    let (mut places, mut boxes) = (Vec::new(), Vec::new());
    for row in &rows {
        let own = (row[0], row[1]);
        if !boxes.contains(&own) {
            boxes.push(own);
        }
        if !places.contains(&row[1]) {
            places.push(row[1]);
        }
    }
    let mut file = [
        "place,kind\n",
        "container,batch,seeds,sown_at\n",
        "unit,place,from,to\n",
        "unit,at,germinated\n",
        "board,place,from,main\n",
        "board,time,temperature_celsius\n",
    ]
    .map(str::to_owned);
    let [shelves, containers, stays, checks, boards, readings] = &mut file;
    let start = at(0);
    for warmth in &places {
        writeln!(shelves, "at-{warmth},shelf").unwrap();
        writeln!(boards, "board-{warmth},at-{warmth},{start},yes").unwrap();
        for hour in 0..=24 * last {
            writeln!(readings, "board-{warmth},{},{warmth}", at(hour)).unwrap();
        }
    }
    for (dish, warmth) in &boxes {
        writeln!(containers, "dish-{dish},bag,30,{start}").unwrap();
        let end = at(24 * last);
        writeln!(stays, "dish-{dish},at-{warmth},{start},{end}").unwrap();
        for day in &days {
            let seen: u32 = rows
                .iter()
                .filter(|row| row[0] == *dish && row[3] == day.to_string())
                .map(|row| row[4].parse::<u32>().unwrap())
                .sum();
            writeln!(checks, "dish-{dish},{},{seen}", at(24 * day)).unwrap();
        }
    }
    let names = ["places", "containers", "stays", "checks", "boards"];
    for (name, text) in names.iter().zip(&file) {
        home.write(&format!("{trial}/{name}.csv"), text);
    }
    home.write(&format!("{trial}.csv"), &file[5]);
    home.write(
        &format!("{trial}/trial.csv"),
        &format!("trial,started,planned\n{trial},2026-01-01,place\n"),
    );
    home.run(&format!("import trial {trial}")).succeeds();
    home.run(&format!("import readings {trial}.csv")).succeeds();
}

/// Invented dishes with a known truth (thermal_time_sim_a.csv and _b.csv;
/// bases fitted with scipy, for a also with R survival 3.5.3, computed):
/// readings, stays and looks through the program give the same base, share
/// and spread. Warmth is told above the stated base of 0 °C, so the θ50
/// published for another base does not stand in the report.
#[test]
fn dishes_at_constant_temperatures_give_the_published_base() {
    let answers = reference("thermal_time_model.json");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    for (file, fit, g_max) in
        [("sim_a", "mle", None), ("sim_b", "mle_with_g_max", Some("g_max"))]
    {
        let rows = folder
            .join("tests/reference/stats")
            .join(format!("thermal_time_{file}.csv"));
        let home = Home::new();
        let trial = file.replace('_', "-");
        constant_places(&home, &trial, &fs::read_to_string(rows).unwrap());
        home.run("report --out r").succeeds();
        let results: Results =
            serde_json::from_str(&home.read("r/results.json")).unwrap();
        let all = &results.thermal_time.groups[0];
        let model = all.model.as_ref().unwrap_or_else(|| panic!("{all:?}"));
        let expected = &answers["fits"][file][fit];
        assert_eq!(all.containers, 15);
        close(model.base_told_celsius.unwrap(), &expected["base_c"], 0.02);
        let told = model.base_interval.unwrap();
        let truth = &answers["fits"][file]["truth"]["base_c"];
        let truth = truth.as_f64().unwrap();
        assert!(told.lower < truth && truth < told.upper, "{told:?}");
        if let Some(name) = g_max {
            // Of the fit at 0 °C: the share does not hang on the base much.
            close(model.g_max, &expected[name], 0.03);
        }
        // Fifteen dishes at five spots that differ in warmth alone: still
        // five spots in one run.
        let one_spot =
            results.cautions.iter().any(|c| c.id == "place-is-one-spot");
        assert!(one_spot, "{:?}", results.cautions);
    }
}
