//! Watches on the command line: made with their places, listed, refused,
//! told when nothing can raise them, and tried on the past.

use crate::support::home::Home;

#[test]
fn places_are_made_at_the_start_with_their_usual_watches() {
    let home = Home::empty();

    home.run(
        "init --time-zone Europe/Dublin --place fridge-drawer=fridge \
         --place hedge-foot=outdoors",
    )
    .succeeds()
    .answers("watched:  fridge-drawer temperature 0 to 7 °C")
    .answers("freezing");

    let watches = home.run("watches --json").succeeds().objects();
    let rules = |place: &str| -> Vec<String> {
        watches
            .iter()
            .filter(|watch| watch["place"] == place)
            .map(|watch| {
                let word = |member: &str| watch[member].as_str().unwrap();
                format!("{} {}", word("quantity"), word("rule"))
            })
            .collect()
    };
    assert_eq!(
        rules("fridge-drawer"),
        [
            "temperature range",
            "temperature freezing",
            "temperature day-sum",
            "temperature drift",
            "temperature door",
            "temperature sensor",
            "humidity range",
            "humidity sensor",
        ]
    );
    // No alert about frost outdoors.
    assert_eq!(
        rules("hedge-foot"),
        ["temperature range", "temperature sensor"]
    );
    let outdoors = watches.iter().find(|w| w["place"] == "hedge-foot");
    assert!(outdoors.unwrap()["low"].is_null());
}

#[test]
fn a_watch_that_cannot_be_is_refused_with_its_reason() {
    let home = Home::new();
    home.run("record place fridge --kind fridge").succeeds();
    for (words, reason) in [
        (
            "record watch fridge temperature --low 7 --high 2",
            "the lowest wanted value 7 is not below the highest 2",
        ),
        (
            "record watch fridge temperature --rule drift --low 1",
            "how far it may move, and no lowest",
        ),
        (
            "record watch fridge humidity --rule door",
            "the rule door is for temperature only",
        ),
        (
            "record watch fridge temperature --rule day-sum --high 7 \
             --for-minutes 1440",
            "out of range for 1 to 1439 minutes",
        ),
        (
            "record watch fridge humidity --high 95 --wet-is-normal",
            "is said of a sensor watch",
        ),
        ("record cells box alkaline", "say at how many volts"),
        ("record cells box lithium", "say how many days"),
        (
            "record unwatch fridge temperature --rule door",
            "no temperature watch of the rule door at fridge",
        ),
    ] {
        home.run(words).fails().tells(reason);
    }
}

#[test]
fn a_watch_that_nothing_can_raise_is_told_at_once_and_in_status() {
    let home = Home::new();
    home.run("record place sill --kind sill").succeeds();

    home.run("record watch sill humidity --high 80")
        .succeeds()
        .tells("no board is at sill");

    home.write(
        "in.csv",
        "board,time,temperature_celsius\nbox,2026-03-01T10:00Z,18.2\n",
    );
    home.run("import readings in.csv").succeeds();
    home.run("record move box sill --board --at 2026-01-01").succeeds();
    home.run("status")
        .answers("sill humidity (range) cannot be judged")
        .answers("board box at sill has never sent humidity");
    let status = home.run("status --json").objects();
    assert_eq!(status[0]["blind_watches"].as_array().unwrap().len(), 1);
}

/// Two days each minute of ten: 4 °C, and three hours at 8 °C on the second.
fn home_with_a_warm_evening() -> Home {
    let home = Home::new();
    home.run("record place fridge --kind fridge --at 2026-02-01").succeeds();
    home.run("record move box fridge --board --at 2026-02-01").succeeds();
    let mut csv = "board,time,temperature_celsius\n".to_owned();
    for index in 0..288 {
        let (day, hour) = (1 + index / 144, index % 144 / 6);
        let celsius = if day == 2 && (18..21).contains(&hour) {
            8.0
        } else {
            4.0 + f64::from(index % 5) / 10.0
        };
        let minute = index % 6 * 10;
        csv +=
            &format!("box,2026-03-0{day}T{hour:02}:{minute:02}Z,{celsius}\n");
    }
    home.write("in.csv", &csv);
    home.run("import readings in.csv").succeeds();
    home
}

#[test]
fn a_changed_watch_is_tried_on_the_past_before_it_is_recorded() {
    let home = home_with_a_warm_evening();
    home.run("record watch fridge temperature --high 9").succeeds();

    let as_it_stands =
        home.run("watches try --since 2026-03-01 --until 2026-03-03");
    as_it_stands.succeeds().answers("0 alerts in 288 readings");

    let try_it = "watches try fridge temperature --high 7 \
                  --since 2026-03-01 --until 2026-03-03";
    home.run(try_it)
        .succeeds()
        .answers("at most 7 °C: 1 alerts in 288 readings (as it stands: 0)")
        .answers("too warm. 8.0 °C on average over 30 minutes, 1.0 °C above");
    let tried = home.run(&format!("{try_it} --json")).succeeds().objects();
    let [tried] = tried.as_slice() else { panic!("{tried:?}") };
    assert_eq!(tried["format"], "vernalog-watch-try/1");
    assert_eq!(tried["alerts"].as_array().unwrap().len(), 1);
    // The mean of 30 minutes: the ramp from 4.2 at 17:50 to 8 at 18:00, then
    // 8; above 7 for the first time at 18:20, told 50 minutes later, since
    // readings come each ten.
    assert_eq!(tried["alerts"][0]["since"], "2026-03-02T18:20:00Z");
    assert_eq!(tried["alerts"][0]["raised"], "2026-03-02T19:10:00Z");
    assert!(tried["alerts"][0]["cleared"].is_string());

    // Nothing was written or told.
    assert_eq!(home.book().house.watches.len(), 1);
    assert!(
        home.run("alerts --since 2026-01-01").succeeds().stdout().is_empty()
    );
}

#[test]
fn a_try_without_a_meaning_is_refused_with_a_hint() {
    let home = home_with_a_warm_evening();
    home.run("watches try --high 7").fails().tells("not what they are for");
    home.run("watches try fridge temperature --low 9 --high 3")
        .fails()
        .tells("the lowest wanted value 9 is not below the highest 3");
    home.run("watches try attic").fails().tells("there is no place");
    home.run("watches try").says_no().tells("no watch is kept there");
}
