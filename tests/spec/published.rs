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
