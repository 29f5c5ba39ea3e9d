//! Asking a report: where a number comes from, how two trials differ, what a
//! next one would have to be.

use serde_json::Value;

use crate::support::home::Home;

/// The rowan trial with a morning of readings at the landing.
fn home_with_readings() -> Home {
    let home = Home::with_rowan();
    let mut text =
        "board,time,temperature_celsius,humidity_percent\n".to_owned();
    for minute in (0..=600).step_by(10) {
        let (hour, minute) = (8 + minute / 60, minute % 60);
        text += &format!(
            "landing-board,2026-03-02T{hour:02}:{minute:02}:00Z,12.0,70\n"
        );
    }
    home.write("readings.csv", &text);
    home.run("import readings readings.csv").succeeds();
    home
}

#[test]
fn a_dose_names_its_readings_entries_and_rule() {
    let home = home_with_readings();
    let answer = home
        .run("report --explain containers/r1/degree_hours")
        .succeeds()
        .answers("rule: degree-hours above 0 °C")
        .answers("landing-board/air/temperature at stair-landing");
    let text = answer.stdout();
    assert!(text.contains("61 used, 0 left out"), "{text}");
    // Ten hours at 12 °C.
    let told = home
        .run("report --json --explain containers/r1/degree_hours")
        .succeeds()
        .objects()
        .remove(0);
    assert!((told["value"]["value"].as_f64().unwrap() - 120.0).abs() < 1e-6);
    let entries = told["entries"].as_array().unwrap();
    let says = |text: &str| {
        let has = |e: &&Value| e["says"].as_str().unwrap().contains(text);
        entries.iter().find(has).unwrap_or_else(|| panic!("{text}: {told}"))
    };
    for text in [
        "container r1 begun",
        "r1 was at stair-landing",
        "board landing-board (air) was at stair-landing",
        "landing-board speaks for stair-landing",
    ] {
        assert!(says(text)["entry"].as_i64().unwrap() > 0);
    }
    // Every entry named is in the ledger.
    let ledger = home.store().ledger().unwrap();
    for entry in entries {
        let id = entry["entry"].as_i64().unwrap();
        assert!(ledger.iter().any(|known| known.id.0 == id), "{entry}");
    }
}

#[test]
fn an_excluded_window_is_told_with_its_entry() {
    let home = home_with_readings();
    home.run(
        "record exclude landing-board 'a lamp too near' \
         --since 2026-03-02T10:00Z --until 2026-03-02T11:00Z",
    )
    .succeeds();
    home.run("report --explain containers/r1/degree_hours")
        .succeeds()
        .answers("55 used, 6 left out")
        .answers("left out from 2026-03-02T10:00:00Z");
}

#[test]
fn fractions_findings_and_factors_are_traced_to_looks() {
    let home = Home::with_rowan();
    home.run("report --explain containers/r1/fraction")
        .succeeds()
        .answers("look at 2026-03-08T07:15:00Z: 6 newly germinated")
        .answers("rests on: containers/r1/germinated");
    home.run("report --explain containers/r1/interval")
        .succeeds()
        .answers("Wilson");
    home.run("report --explain findings/1").succeeds().answers("rests on");
    home.run("report --explain factors/place")
        .succeeds()
        .answers("r1 was at stair-landing")
        .answers("rests on: containers/r1/germinated");
    assert!(!home.path().join("report").exists(), "nothing is written");
}

#[test]
fn a_path_that_is_not_there_is_answered_with_those_that_are() {
    let home = Home::with_rowan();
    home.run("report --explain containers/r99/fraction").fails().tells("r1");
    home.run("report --explain containers/r1/colour")
        .fails()
        .tells("degree_hours");
    home.run("report --explain everything").fails().tells("findings/NUMBER");
}

#[test]
fn two_trials_are_described_side_by_side_and_not_pooled() {
    let home = Home::with_rowan();
    let folder = format!("{}/tests/crowder-trial", env!("CARGO_MANIFEST_DIR"));
    home.run(&format!("import trial {folder}")).succeeds();
    let trials = home.book().trials;
    let rowan = trials.keys().find(|t| t.as_str() != "crowder").unwrap();
    home.run(&format!("report --compare {rowan} crowder"))
        .succeeds()
        .answers("differs: places: ")
        .answers("extract: cucumber")
        .tells("side by side, not one");
    let told = home
        .run(&format!("report --json --compare {rowan} crowder"))
        .succeeds()
        .objects()
        .remove(0);
    let lines = told["lines"].as_array().unwrap();
    let sown = lines.iter().find(|l| l["what"] == "seeds sown").unwrap();
    assert_eq!(sown["told"][1], "831");
    home.run("report --compare crowder").fails();
    home.run("report --compare crowder nettle").fails().tells("nettle");
}

#[test]
fn a_plan_counts_units_and_deals_out_spots() {
    let home = Home::empty();
    let words = "plan --levels 6,12 --places sill,landing --expected 50 \
                 --difference 20 --scatter 2.2 --seeds 25 --seed 7";
    home.run(words)
        .succeeds()
        .answers("8 batches for each level of chill_weeks")
        .answers("(seed 7)")
        .answers("about ten place-runs would");
    let told = home.run(&format!("{words} --json")).succeeds().objects();
    assert_eq!(told[0]["format"], "vernalog-plan/1");
    assert_eq!(told[0]["batches_each"], 8);
    let again = home.run(&format!("{words} --json")).succeeds().objects();
    assert_eq!(told, again, "the same seed deals the same spots");
    home.run("plan --levels 6,12 --difference 1 --seeds 5")
        .fails()
        .tells("more than 200 units");
    home.run("plan --levels 6,12 --difference 120").fails();
}

#[test]
fn what_a_trial_could_not_tell_becomes_a_plan() {
    let home = Home::with_rowan();
    home.run("plan")
        .succeeds()
        .answers("place-runs")
        .answers("difference of 20 of every 100");
}

/// The rowan trial still runs, on few counts: the page says so, in words.
#[test]
fn a_running_trial_with_little_is_told_that_it_is_little() {
    let home = Home::with_rowan();
    home.run("report --until 2026-04-01").succeeds();
    let page = home.read("report/index.html");
    assert!(page.contains("Still to come"));
    assert!(page.contains("Nothing is foretold"), "too little to foretell");
    assert!(page.contains("What next"));
}

#[test]
fn places_are_traced_to_readings_and_entries() {
    let home = home_with_readings();
    home.run("report --explain places/stair-landing/degree_hours")
        .succeeds()
        .answers("rule: degree-hours above 0 °C")
        .answers("61 used, 0 left out")
        .answers("r1 was at stair-landing")
        .answers("board landing-board (air) was at stair-landing");
    let told = home
        .run("report --json --explain places/stair-landing/temperature/day")
        .succeeds()
        .objects()
        .remove(0);
    // Ten hours at 12 °C from 8 o'clock on.
    assert_eq!(told["value"]["hours"], 10);
    assert!((told["value"]["mean"].as_f64().unwrap() - 12.0).abs() < 1e-9);
    home.run("report --explain places/stair-landing/temperature/night")
        .succeeds()
        .answers("= null")
        .answers("day from 8 to 20");
    home.run("report --explain places/attic/lux_hours")
        .fails()
        .tells("stair-landing");
    home.run("report --explain places/stair-landing/colour")
        .fails()
        .tells("daily_light_integral_mol_m2");
}

/// Numbers of these parts stand in `results.json` as they are explained, and
/// what they rest on can be asked for in turn.
#[test]
fn what_is_no_number_of_one_unit_is_traced_too() {
    let home = home_with_readings();
    home.run("report --out r").succeeds();
    let results: Value =
        serde_json::from_str(&home.read("r/results.json")).unwrap();
    let explained = |path: &str| {
        home.run(&format!("report --json --explain '{path}'"))
            .succeeds()
            .objects()
            .remove(0)
    };
    let same = |path: &str, value: &Value| {
        let told = explained(path);
        assert_eq!(&told["value"], value, "{path}");
        assert!(!told["rule"].as_str().unwrap().is_empty());
        told
    };
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let speed = &results["speed"][0];
    let (factor, level) = (text(&speed["factor"]), &speed["levels"][0]);
    same(&format!("speed/{factor}"), speed);
    let told =
        same(&format!("speed/{factor}/{}", text(&level["level"])), level);
    assert!(told["entries"].as_array().is_some_and(|e| !e.is_empty()));
    explained(told["rests_on"][0].as_str().unwrap());

    let pair = &results["pairs"][0];
    let (a, b) = (text(&pair["a"]), text(&pair["b"]));
    same(&format!("pairs/{a}/{b}"), pair);
    let told = same(&format!("pairs/{b}/{a}"), pair);
    explained(told["rests_on"][0].as_str().unwrap());

    same("next/1", &results["next"][0]);
    let timing = &results["timing"]["levels"][0];
    let (factor, level) = (text(&timing["factor"]), text(&timing["level"]));
    same(&format!("timing/{factor}/{level}"), timing);
    same("thermal_time/all", &results["thermal_time"]["groups"][0]);
    let fridge = &results["fridge"][0];
    same(&format!("fridge/{}", text(&fridge["place"])), fridge);
    let running = &results["prediction"]["containers"][0];
    let told = same(&format!("prediction/{}", text(&running["id"])), running);
    assert!(told["entries"].to_string().contains("look at"), "{told}");

    for (path, there) in [
        ("next/99", "next/1 to"),
        ("speed/colour", "place"),
        ("pairs/place/colour", "place/"),
        ("prediction/r99", "r1"),
    ] {
        home.run(&format!("report --explain {path}")).fails().tells(there);
    }
}
