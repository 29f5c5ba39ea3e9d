//! Watches of a whole house in stories with stepped time: one cause, one
//! message; restarts; what surrounds the readings.

use std::collections::BTreeSet;
use std::f64::consts::TAU;

use crate::alert::preset::{plain, presets};
use crate::daemon::watching::SourceNow;
use crate::daemon::watching::scene::{Scene, name, place};
use crate::observation::Quantity;
use crate::trial::entry::{
    Batch, Chemistry, PlaceKind, Rule, Statement, Watch,
};
use crate::units::Instant;

const CELSIUS: Quantity = Quantity::Temperature;

/// 2026-03-14T12:00:00Z: a Saturday, Dublin on winter time.
fn noon() -> Instant {
    Instant::from_millis(1_773_489_600_000)
}

/// A fridge with its board and all usual watches.
fn fridge() -> Scene {
    let mut said = place("fridge", PlaceKind::Fridge, "drawer-board");
    said.extend(
        presets(PlaceKind::Fridge)
            .iter()
            .map(|preset| Statement::Watch(preset.at(&name("fridge")))),
    );
    Scene::new(noon(), said)
}

/// A house with so many boards, each at its own place.
fn many(boards: usize) -> Scene {
    let said = (0..boards)
        .flat_map(|i| {
            place(
                &format!("place-{i}"),
                PlaceKind::Shelf,
                &format!("board-{i}"),
            )
        })
        .collect();
    Scene::new(noon(), said)
}

/// Every board of a house of `many` speaks.
fn all_speak(scene: &mut Scene, boards: usize) {
    let names: Vec<String> =
        (0..boards).map(|i| format!("board-{i}")).collect();
    let said: Vec<_> =
        names.iter().map(|board| (board.as_str(), CELSIUS, 18.0)).collect();
    scene.hears(&said);
}

fn broker(well: bool) -> SourceNow {
    SourceNow {
        name: "broker 127.0.0.1:1883".to_owned(),
        well,
        detail: if well { "" } else { "connection refused" }.to_owned(),
    }
}

#[test]
fn a_broker_that_dies_with_twenty_boards_is_one_message_and_so_is_its_return() {
    let mut scene = many(20);
    let boards: Vec<_> = (0..20).map(|i| name(&format!("board-{i}"))).collect();
    let step = scene
        .watching
        .came_by(boards.iter().map(|board| (board, "broker 127.0.0.1:1883")));
    scene.take(step);
    scene.outside.sources = vec![broker(true)];
    for _ in 0..12 {
        all_speak(&mut scene, 20);
        scene.pass(10);
    }
    scene.outside.sources = vec![broker(false)];
    for _ in 0..300 {
        scene.pass(1);
    }
    assert_eq!(scene.messages(), [("raised", "source-broker-127-0-0-1-1883")]);
    let text = &scene.rows[0].text;
    assert!(text.contains("20 boards behind it cannot be heard: board-0"));
    // A restart in the middle knows the boards and the alert.
    scene.restart();
    for _ in 0..60 {
        scene.pass(1);
    }
    scene.outside.sources = vec![broker(true)];
    for minute in 0..120 {
        if minute % 10 == 5 {
            all_speak(&mut scene, 20);
        }
        scene.pass(1);
    }
    assert_eq!(
        scene.messages(),
        [
            ("raised", "source-broker-127-0-0-1-1883"),
            ("cleared", "source-broker-127-0-0-1-1883")
        ]
    );
}

#[test]
fn twenty_boards_that_lose_their_router_are_one_message_and_one_return() {
    let mut scene = many(20);
    scene.outside.sources = vec![broker(true)];
    let boards: Vec<_> = (0..20).map(|i| name(&format!("board-{i}"))).collect();
    let step = scene
        .watching
        .came_by(boards.iter().map(|board| (board, "broker 127.0.0.1:1883")));
    scene.take(step);
    // Each speaks at its own minute of ten.
    for minute in 0..120 {
        let names: Vec<String> = (0..20)
            .filter(|i| i % 10 == minute % 10)
            .map(|i| format!("board-{i}"))
            .collect();
        let said: Vec<_> =
            names.iter().map(|b| (b.as_str(), CELSIUS, 18.0)).collect();
        scene.hears(&said);
        scene.pass(1);
    }
    for _ in 0..100 {
        scene.pass(1);
    }
    assert_eq!(scene.messages(), [("raised", "boards-silent")]);
    assert!(scene.rows[0].text.contains("20 boards are silent"));
    assert!(scene.rows[0].text.contains("They all come by broker"));
    all_speak(&mut scene, 20);
    scene.pass(1);
    assert_eq!(
        scene.messages(),
        [("raised", "boards-silent"), ("cleared", "boards-silent")]
    );
}

#[test]
fn an_hourly_board_is_not_called_silent_after_a_restart() {
    let mut scene = many(1);
    for _ in 0..12 {
        all_speak(&mut scene, 1);
        scene.pass(60);
    }
    scene.restart();
    for _ in 0..170 {
        scene.pass(1);
    }
    // Its limit is three hours, of which the daemon has listened for 170 min.
    assert_eq!(scene.messages(), []);
    for _ in 0..20 {
        scene.pass(1);
    }
    assert_eq!(scene.messages(), [("raised", "board-0-silent")]);
}

/// Ten days of a fridge: calm, a door left open, calm, a dial knocked a
/// little, frost, calm; and for an hour nothing.
fn ten_days(scene: &mut Scene, restart_at: Option<i64>) {
    for index in 0..1440_i64 {
        if restart_at == Some(index) {
            scene.restart();
        }
        let hour = index as f64 / 6.0;
        let swing = (TAU * index as f64 * 10.0 / 47.0).sin();
        let more = match hour {
            72.0..78.0 => 6.0,
            120.0..=180.0 => 2.4,
            200.0..204.0 => -6.5,
            _ => 0.0,
        };
        if !(150.0..152.0).contains(&hour) {
            scene.hears(&[
                ("drawer-board", CELSIUS, 3.8 + swing + more),
                ("drawer-board", Quantity::Humidity, 90.0 + swing),
            ]);
        }
        scene.pass(10);
    }
}

#[test]
fn a_restart_in_any_state_of_any_rule_tells_nothing_twice() {
    let mut whole = fridge();
    ten_days(&mut whole, None);
    let told = |watch: &str| {
        whole.messages().iter().filter(|(_, w)| w.contains(watch)).count()
    };
    // Each began and ended; what says the same as another was kept back.
    for watch in ["door", "freezing", "silent"] {
        assert!(told(watch) > 0, "{watch}: {:?}", whole.told);
    }
    let kinds: std::collections::BTreeSet<&str> =
        whole.rows.iter().map(|row| row.kind.as_str()).collect();
    for kind in ["range", "door", "freezing", "drift", "day-sum"] {
        assert!(kinds.contains(kind), "{kind} of {kinds:?}");
    }
    for restart in (7..1440).step_by(97).chain([433, 436, 440, 903, 1205]) {
        let mut scene = fridge();
        ten_days(&mut scene, Some(restart));
        let words = |scene: &Scene| -> Vec<String> {
            scene
                .told
                .iter()
                .filter(|(_, _, watch)| !watch.contains("silent"))
                .map(|(at, state, watch)| format!("{at} {state} {watch}"))
                .collect()
        };
        assert_eq!(words(&scene), words(&whole), "restart at {restart}");
    }
}

#[test]
fn three_weeks_without_data_end_nothing_and_raise_only_the_silence() {
    let mut scene = fridge();
    for _ in 0..288 {
        scene.hears(&[("drawer-board", CELSIUS, 9.5)]);
        scene.pass(10);
    }
    let before = scene.messages().len();
    scene.restart();
    for _ in 0..21 * 24 {
        scene.pass(60);
    }
    assert_eq!(scene.messages()[before..], [("raised", "drawer-board-silent")]);
    for _ in 0..3 {
        scene.restart();
        scene.hears(&[("drawer-board", CELSIUS, 9.5)]);
        scene.pass(10);
    }
    assert_eq!(
        scene.messages()[before..],
        [("raised", "drawer-board-silent"), ("cleared", "drawer-board-silent")]
    );
}

#[test]
fn frost_is_told_once_though_the_range_is_left_as_well() {
    let mut scene = fridge();
    for minute in 0..400 {
        let celsius = if minute < 100 { 3.0 } else { -2.0 };
        scene.hears(&[("drawer-board", CELSIUS, celsius)]);
        scene.pass(1);
    }
    assert_eq!(scene.messages(), [("raised", "fridge-temperature-freezing")]);
    let kinds: Vec<_> = scene.rows.iter().map(|r| r.kind.as_str()).collect();
    assert!(kinds.contains(&"range"), "it is in the history: {kinds:?}");
}

#[test]
fn what_becomes_urgent_is_told_though_the_door_was_told_before() {
    let mut scene = fridge();
    for minute in 0..2000_i64 {
        let ajar = if minute < 1500 { 0.0 } else { 6.0 };
        let swing = (TAU * minute as f64 / 47.0).sin();
        scene.hears(&[("drawer-board", CELSIUS, 3.8 + swing + ajar)]);
        scene.pass(1);
    }
    assert_eq!(
        scene.messages(),
        [
            ("raised", "fridge-temperature-door"),
            ("raised", "fridge-temperature")
        ]
    );
}

#[test]
fn more_alerts_than_anybody_reads_become_one_message_and_a_list() {
    let mut scene = many(20);
    for i in 0..20 {
        let place = name(&format!("place-{i}"));
        let watch = Watch {
            high: Some(25.0),
            mean_minutes: 0,
            for_minutes: 5,
            ..plain(&place, CELSIUS, Rule::Range)
        };
        scene.record(None, Statement::Watch(watch));
    }
    let hot = |scene: &mut Scene, celsius: f64, minutes: i64| {
        let names: Vec<String> =
            (0..20).map(|i| format!("board-{i}")).collect();
        let said: Vec<_> =
            names.iter().map(|b| (b.as_str(), CELSIUS, celsius)).collect();
        for _ in 0..minutes {
            scene.hears(&said);
            scene.pass(1);
        }
    };
    hot(&mut scene, 31.0, 30);
    let raised = scene.messages().len();
    assert_eq!(raised, 12 + 1, "{:?}", scene.messages());
    assert!(scene.messages().contains(&("raised", "alert-storm")));
    assert_eq!(scene.rows.len(), 21, "all of them are kept");
    scene.restart();
    hot(&mut scene, 20.0, 90);
    let ended = scene.messages()[raised..].to_vec();
    assert_eq!(ended.len(), 12 + 1, "{ended:?}");
    assert!(ended.contains(&("cleared", "alert-storm")));
}

#[test]
fn a_message_says_how_to_answer_it() {
    let mut scene = many(1);
    all_speak(&mut scene, 1);
    scene.pass(60);
    all_speak(&mut scene, 1);
    for _ in 0..5 {
        scene.pass(60);
    }
    let [text] = scene.texts.as_slice() else { panic!("{:?}", scene.texts) };
    let id = &scene.rows[0].id;
    assert!(text.ends_with(&format!("`vernalog alerts seen {id}`.")), "{text}");
    assert!(text.starts_with("Board board-0 at place-0: silent since"));
}

#[test]
fn light_beside_the_probe_gives_the_text_its_caveat() {
    let mut said = place("sill", PlaceKind::Sill, "sill-board");
    let sill = name("sill");
    said.push(Statement::Watch(presets(PlaceKind::Sill)[0].at(&sill)));
    let mut scene = Scene::new(noon(), said);
    for _ in 0..60 {
        scene.hears(&[
            ("sill-board", CELSIUS, 41.0),
            ("sill-board", Quantity::Light, 38_000.0),
        ]);
        scene.pass(1);
    }
    let text = &scene.rows[0].text;
    assert!(text.contains("The sun was on the probe: unless it is shaded"));
}

#[test]
fn reminders_come_in_the_morning_and_a_look_ends_them() {
    let mut scene =
        Scene::new(noon(), place("fridge", PlaceKind::Fridge, "drawer-board"));
    scene.record(
        Some("rowan"),
        Statement::Trial {
            trial: name("rowan"),
            question: String::new(),
            planned: Vec::new(),
        },
    );
    for batch in ["m12", "m18"] {
        scene.record(
            Some("rowan"),
            Statement::Batch(Batch {
                batch: name(batch),
                lot: None,
                parent: None,
                seeds: 50,
                label: None,
                factors: std::collections::BTreeMap::new(),
            }),
        );
    }
    let tasks = |scene: &Scene| -> Vec<(i64, String)> {
        scene
            .told
            .iter()
            .filter(|(_, _, watch)| watch.starts_with("rowan"))
            .map(|(at, state, watch)| (*at, format!("{state} {watch}")))
            .collect()
    };
    // Fourteen days later it is noon again: told at once, both together. On
    // 29 March clocks go forward, so it is 13:00 by then.
    for _ in 0..15 * 24 {
        scene.pass(60);
    }
    let told = tasks(&scene);
    assert_eq!(told, [(14 * 1440, "raised rowan-unlooked".to_owned())]);
    scene.restart();
    scene.pass(60);
    assert_eq!(tasks(&scene).len(), 1, "told once");
}

#[test]
fn cells_are_told_by_what_the_grower_said_of_them() {
    let mut scene = many(1);
    scene.record(
        None,
        Statement::Cells {
            board: name("board-0"),
            chemistry: Chemistry::Alkaline,
            low_volts: Some(2.2),
            lasts_days: None,
        },
    );
    for hour in 0..60 {
        scene.hears(&[("board-0", Quantity::Battery, 2.1)]);
        scene.pass(60);
        if hour == 40 {
            scene.restart();
        }
    }
    assert_eq!(scene.messages(), [("raised", "board-0-battery")]);
}

#[test]
fn a_clock_that_was_set_and_messages_that_wait_are_told_once_each() {
    let mut scene = many(0);
    scene.now = scene.now.plus_millis(3 * 3_600_000);
    let step = scene.watching.clock_was_set(3 * 3_600_000, scene.now);
    scene.take(step);
    let step = scene.watching.clock_was_set(30_000, scene.now);
    scene.take(step);
    scene.outside.waiting = 3;
    scene.pass(1);
    scene.restart();
    for _ in 0..30 {
        scene.pass(1);
    }
    scene.outside.waiting = 0;
    for _ in 0..60 {
        scene.pass(1);
    }
    assert_eq!(
        scene.messages(),
        [
            ("raised", "host-clock"),
            ("raised", "messages-undelivered"),
            ("cleared", "messages-undelivered"),
            ("cleared", "host-clock"),
        ]
    );
}

#[test]
fn a_store_that_took_nothing_is_told_to_those_who_do_not_know_it_yet() {
    let both = [("raised", "data-store"), ("cleared", "data-store")];
    for (told, messages) in [(None, &both[..]), (Some("test"), &both[1..])] {
        let mut scene = many(0);
        let since = scene.now;
        scene.now = scene.now.plus_millis(25 * 60_000);
        let told: BTreeSet<String> =
            told.into_iter().map(str::to_owned).collect();
        let step = scene.watching.stored_again(since, &told, scene.now);
        scene.take(step);
        assert_eq!(scene.messages(), messages);
        assert_eq!(scene.rows.len(), 2);
        assert!(scene.rows[0].text.contains("12:00 (25 minutes)"));
    }
}
