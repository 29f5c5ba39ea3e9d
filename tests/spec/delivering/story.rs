//! One alert from the command line and on its page: its story, seen, snooze.

use vernalog::notify::body::AlertJson;
use vernalog::observation::Quantity;
use vernalog::store::{Access, AfterFailure, AlertRow, Store, WatchStep};
use vernalog::units::Instant;

use crate::delivering::ways::warm_sill;
use crate::support::home::Home;

/// A home with one alert that lasts since an hour; delivered at the second
/// try.
fn home_with_an_alert() -> (Home, String) {
    let home = Home::new();
    home.run("record place south-sill --kind sill").succeeds();
    let mut store =
        Store::open(&home.path().join("vernalog.db"), Access::ReadWrite)
            .unwrap();
    let now: Instant = vernalog::daemon::clock::host_now();
    let at = now.plus_hours(-1.0);
    let json = AlertJson { since: at.to_string(), ..warm_sill(1) };
    let id = json.id.clone();
    let row = AlertRow {
        id: id.clone(),
        watch: json.watch.clone(),
        kind: "range".to_owned(),
        place: None,
        board: None,
        quantity: Some(Quantity::Temperature),
        severity: "urgent".to_owned(),
        since: at,
        raised: at,
        cleared: None,
        value: Some(41.5),
        limit: Some(35.0),
        text: json.text.clone(),
    };
    let step = WatchStep {
        alerts: vec![row],
        messages: vec![(id.clone(), "mail".to_owned(), json.to_line())],
        ..WatchStep::default()
    };
    store.keep_watch_step(&step, at).unwrap();
    let message = store.messages_of(&id).unwrap()[0].id;
    store.try_begins(message, at).unwrap();
    let again = AfterFailure::Again(at.plus_millis(60_000));
    store.message_failed(message, "451 not now", at, again, &[]).unwrap();
    let later = at.plus_millis(60_000);
    store.try_begins(message, later).unwrap();
    store.message_taken(message, later).unwrap();
    (home, id)
}

#[test]
fn the_whole_story_of_an_alert_is_shown() {
    let (home, id) = home_with_an_alert();
    home.run("alerts seen south-sill-temperature --because 'on my way'")
        .succeeds()
        .answers("seen: it is not repeated");
    home.run(&format!("alerts snooze {id} --for 6h --by ash")).succeeds();
    let story = home.run("alerts show south-sill").succeeds().stdout();
    let lines: Vec<&str> = story.lines().collect();
    assert_eq!(lines[0], id);
    for expected in [
        "the alert began: 41.5 °C, limit 35.0 °C",
        "“raised” by mail, try 1: not taken: 451 not now",
        "“raised” by mail, try 2: taken",
        "seen by grower, because: on my way",
        "snoozed until",
    ] {
        assert!(story.contains(expected), "{expected}\n{story}");
    }
    let json = home.run("--json alerts show south-sill").objects().remove(0);
    assert_eq!(json["format"], "vernalog-alert-story/1");
    assert_eq!(json["messages"][0]["tries"][0]["error"], "451 not now");
    assert_eq!(json["messages"][0]["tries"][1]["error"], json["cleared"]);
    assert_eq!(json["answers"][1]["answer"], "snoozed");
    assert_eq!(json["answers"][1]["by"], "ash");
    assert_eq!(json["worst"], 41.5);
}

#[test]
fn an_answer_to_nothing_or_for_no_time_is_told() {
    let (home, id) = home_with_an_alert();
    home.run("alerts seen fridge").fails().tells("no alert is called");
    home.run(&format!("alerts snooze {id} --for 90d"))
        .fails()
        .tells("from 1min to 30d");
    home.run(&format!("alerts snooze {id} --for soon")).fails();
}
