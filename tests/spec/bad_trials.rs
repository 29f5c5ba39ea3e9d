//! Trials that are not quite sound, through the program itself: the report is
//! made all the same and says what it left out and why, or the file, the line
//! and the remedy are named.

use vernalog::report::results::Results;

use crate::support::home::Home;

const CONTAINERS: &str = "container,batch,seeds,sown_at,lid\n\
                          a1,a,20,2026-03-01T18:00Z,closed\n\
                          a2,a,20,2026-03-01T18:00Z,closed\n\
                          b1,b,20,2026-03-01T18:00Z,closed\n\
                          b2,b,20,2026-03-01T18:00Z,closed\n";

const STAYS: &str = "unit,place,from\n\
                     a1,sill,2026-03-01T18:00Z\n\
                     a2,landing,2026-03-01T18:00Z\n\
                     b1,sill,2026-03-01T18:00Z\n\
                     b2,landing,2026-03-01T18:00Z\n";

const CHECKS: [&str; 8] = [
    "a1,2026-03-08T18:00Z,2",
    "a2,2026-03-08T18:00Z,1",
    "b1,2026-03-08T18:00Z,5",
    "b2,2026-03-08T18:00Z,4",
    "a1,2026-03-15T18:00Z,3",
    "a2,2026-03-15T18:00Z,0",
    "b1,2026-03-15T18:00Z,6",
    "b2,2026-03-15T18:00Z,2",
];

/// A folder of four boxes of two batches at two places.
fn folder(home: &Home, stays: &str, checks: &[&str]) {
    let file = |name: &str, text: &str| {
        home.write(&format!("t/{name}"), text);
    };
    file(
        "trial.csv",
        "trial,question,started,planned\n\
         small,Which place?,2026-02-01,place\n",
    );
    file("places.csv", "place,kind\nsill,sill\nlanding,shelf\n");
    file("lots.csv", "lot,species\nhill,Sorbus aucuparia\n");
    file(
        "batches.csv",
        "batch,lot,seeds,started_at,chill_weeks\n\
         a,hill,40,2026-02-01,0\nb,hill,40,2026-02-01,4\n",
    );
    file("containers.csv", CONTAINERS);
    file("stays.csv", stays);
    file("checks.csv", &format!("unit,at,germinated\n{}\n", checks.join("\n")));
}

fn reported(home: &Home) -> (Results, String) {
    home.run("report --out r").succeeds();
    let results = serde_json::from_str(&home.read("r/results.json")).unwrap();
    (results, home.read("r/index.html"))
}

#[track_caller]
fn caution<'a>(results: &'a Results, id: &str) -> &'a str {
    let found = results.cautions.iter().find(|c| c.id == id);
    &found.unwrap_or_else(|| panic!("{id}: {:?}", results.cautions)).text
}

#[test]
fn containers_without_stays_are_left_out_of_comparisons_by_name() {
    let home = Home::new();
    let without_b2: String = STAYS
        .lines()
        .filter(|l| !l.starts_with("b2"))
        .fold(String::new(), |text, line| text + line + "\n");
    folder(&home, &without_b2, &CHECKS);
    home.run("import trial t").succeeds();
    let (results, page) = reported(&home);
    assert_eq!(
        caution(&results, "left-out-containers"),
        "Left out of the comparisons: no place is known of b2."
    );
    assert!(page.contains("no place is known of b2"));
    let b2 = results.containers.iter().find(|c| c.id == "b2").unwrap();
    assert_eq!((b2.place.as_deref(), b2.germinated), (None, 6));
    assert_eq!(results.factors[0].left_out, ["b2"]);
}

#[test]
fn no_stay_at_all_leaves_the_counts() {
    let home = Home::new();
    folder(&home, "unit,place,from\n", &CHECKS);
    home.run("import trial t").succeeds();
    let (results, page) = reported(&home);
    assert_eq!(results.places, []);
    assert!(page.contains("No stay of a unit is recorded"), "{page}");
    let germinated: u32 = results.containers.iter().map(|c| c.germinated).sum();
    assert_eq!(germinated, 23);
    // The comparison that was planned is missed, not passed over.
    let words = caution(&results, "planned-not-there");
    assert!(
        words.ends_with("no container has a level of it: place."),
        "{words}"
    );
}

#[test]
fn stays_without_readings_are_stated_not_measured() {
    let home = Home::new();
    folder(&home, STAYS, &CHECKS);
    home.run("import trial t").succeeds();
    let (results, page) = reported(&home);
    let words = caution(&results, "unknown-conditions");
    assert!(
        words.contains("sill (temperature, humidity and light)"),
        "{words}"
    );
    assert!(page.contains("On counts alone"));
    let dose = &results.containers[0].doses["degree_hours"];
    assert_eq!((dose.value, dose.fit_for.as_str()), (None, "unknown"));
    let next = results.next.iter().find(|n| n.id == "log-places").unwrap();
    assert!(next.text.contains("landing and sill"), "{}", next.text);
}

#[test]
fn checks_written_out_of_order_give_the_same_report() {
    let (home, turned) = (Home::new(), Home::new());
    folder(&home, STAYS, &CHECKS);
    let mut backwards = CHECKS;
    backwards.reverse();
    folder(&turned, STAYS, &backwards);
    for home in [&home, &turned] {
        home.run("import trial t").succeeds();
    }
    let (straight, _) = reported(&home);
    let (mut again, _) = reported(&turned);
    // Entries are numbered in the order in which they were written.
    for (unit, known) in again.units.iter_mut().zip(&straight.units) {
        unit.entry = known.entry;
        unit.label.clone_from(&known.label);
    }
    assert_eq!(again, straight);
}

#[test]
fn a_place_renamed_is_one_place_under_its_new_name() {
    let home = Home::new();
    folder(&home, STAYS, &CHECKS);
    home.run("import trial t").succeeds();
    home.run("record place landing --kind shelf --title 'By the green door'")
        .fails()
        .tells("--supersede");
    home.run(
        "record place landing --kind shelf --title 'By the green door' \
         --supersede 'painted'",
    )
    .succeeds();
    let (results, page) = reported(&home);
    let titles: Vec<&str> =
        results.places.iter().map(|p| p.title.as_str()).collect();
    assert_eq!(titles, ["By the green door", "sill"]);
    assert!(page.contains("By the green door"));
}

#[test]
fn counts_above_the_seeds_are_named_with_line_and_remedy() {
    let home = Home::new();
    let mut checks = CHECKS;
    checks[6] = "b1,2026-03-15T18:00Z,60";
    folder(&home, STAYS, &checks);
    home.run("import trial t")
        .fails()
        .tells(
            "checks.csv:8: 60 seeds germinated or removed, but only 15 of 20",
        )
        .tells("--keep-good");
    assert_eq!(home.store().ledger().unwrap(), []);
    home.run("import trial t --keep-good")
        .says_no()
        .tells("left out: checks.csv:8");
    let (results, _) = reported(&home);
    let b1 = results.containers.iter().find(|c| c.id == "b1").unwrap();
    // Its last sound look was a week earlier, and all are compared there.
    assert_eq!(b1.germinated, 5);
    assert!((results.trial.common_age_days.unwrap() - 7.0).abs() < 0.01);
}
