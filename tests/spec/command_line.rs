//! The command line: what a grower types, what is answered, and what is
//! refused with a reason.

use vernalog::store::{Access, AlertRow, Store, WatchStep};
use vernalog::units::Instant;

use crate::support::home::Home;

/// A container of 30 seeds, sown on 1 March.
fn home_with_a_container() -> Home {
    let home = Home::new();
    for words in [
        "record trial rowan --at 2026-01-01",
        "record place stair-landing --kind sill",
        "record place fridge-drawer --kind fridge",
        "record lot hill --species 'Sorbus aucuparia'",
        "record batch b12 --seeds 60 --lot hill --factor chill_weeks=12 \
         --at 2025-12-07 --place fridge-drawer",
        "record container r1 --seeds 30 --batch b12 --at 2026-03-01 \
         --place stair-landing --position left",
    ] {
        home.run(words).succeeds();
    }
    home
}

#[test]
fn a_count_takes_one_line_and_says_how_the_container_stands() {
    let home = home_with_a_container();

    let ran = home.run("record check r1 3 --at '2026-03-09 18:30'");

    ran.succeeds()
        .answers("check r1 (2026-03-09 18:30)")
        .answers("r1: 3 of 30 germinated, 27 left");
}

#[test]
fn a_unit_may_be_named_by_the_letters_on_its_label() {
    let home = home_with_a_container();
    let label = home.book().trials["rowan"].units["r1"].label.unwrap();

    home.run(&format!("record check {label} 2 --at 2026-03-09")).succeeds();

    assert_eq!(home.book().trials["rowan"].units["r1"].germinated(), 2);
}

#[test]
fn the_same_command_twice_is_once() {
    let home = home_with_a_container();
    home.run("record check r1 3 --at 2026-03-09").succeeds();

    let again = home.run("record check r1 3 --at 2026-03-09");

    again.succeeds().answers("recorded before; nothing is changed");
    assert_eq!(home.book().trials["rowan"].units["r1"].germinated(), 3);
}

#[test]
fn another_count_for_the_same_look_needs_a_reason() {
    let home = home_with_a_container();
    home.run("record check r1 3 --at 2026-03-09").succeeds();

    home.run("record check r1 4 --at 2026-03-09")
        .fails()
        .tells("error: cannot record the check of r1")
        .tells("cause: entry 9 already says something else")
        .tells("--supersede");
    home.run("record check r1 4 --at 2026-03-09 --supersede miscounted")
        .succeeds()
        .answers("instead of entry 9");

    assert_eq!(home.book().trials["rowan"].units["r1"].germinated(), 4);
}

#[test]
fn an_entry_can_be_taken_back() {
    let home = home_with_a_container();
    home.run("record check r1 3 --at 2026-03-09").succeeds();

    home.run("record undo last 'another box'").succeeds();

    assert_eq!(home.book().trials["rowan"].units["r1"].germinated(), 0);
    home.run("record undo 9 'once more'")
        .fails()
        .tells("entry 9 is already taken back");
    home.run("record undo 99 'which?'").fails().tells("there is no entry 99");
}

#[test]
fn what_cannot_be_is_refused_with_its_reason_and_nothing_is_written() {
    let home = home_with_a_container();
    let before = home.store().ledger().unwrap();
    let cases = [
        (
            "record check r1 31 --at 2026-03-09",
            "31 seeds germinated or removed, but only 30 of 30 were left",
        ),
        ("record check r1 1 --at 2026-02-01", "was not begun later"),
        ("record check r9 1 --at 2026-03-09", "did you mean \"r1\"?"),
        ("record check r1 1 --at tomorrow", "\"tomorrow\" is not a time"),
        ("record check r1 1 --at '2026-03-29 01:30'", "does not exist"),
        (
            "record transfer b12 r1 31 --at 2026-03-09",
            "31 seeds are to leave \"b12\" but 30 are left there",
        ),
        ("record transfer r1 r1 2", "to itself"),
        (
            "record move r1 stair-landing --at 2026-03-01",
            "already says something else about this stay",
        ),
        ("record move r1 fridge-drawer --at 2026-02-01", "was not begun later"),
        ("record move r1 stair-lading", "did you mean \"stair-landing\"?"),
        ("record container b12 --seeds 3", "share one set of names"),
        ("record batch b13 --seeds 3 --lot hil", "there is no lot \"hil\""),
        ("record closure r1 --viable 3", "3 seeds are classed"),
        ("record seedling r1 s1 potted", "no seed of \"r1\" has germinated"),
        (
            "record climate stair-landing --humidity 150",
            "humidity 150 is outside 0–105 %",
        ),
        (
            "record watch stair-landing temperature",
            "a watch needs a lowest or a highest value",
        ),
        (
            "record watch stair-landing temperature --low 9 --high 3",
            "is not below the highest",
        ),
        ("record watch stair-landing --low 9", "not what they are for"),
        ("record watch stair", "there is no place \"stair\""),
        ("record place Sill --kind sill", "is not a name"),
        ("record place sill --kind sil", "a similar value exists: 'sill'"),
        ("record calibration b1 temperature --gain 0", "above 0"),
        ("record lot dale --species x --factor lot=2", "cannot be a factor"),
        ("record chek r1 1", "'check'"),
        ("--trial rowen record check r1 1", "did you mean \"rowan\"?"),
    ];
    for (words, reason) in cases {
        home.run(words).fails().tells(reason);
    }
    assert_eq!(home.store().ledger().unwrap(), before);
}

#[test]
fn stays_that_overlap_are_refused() {
    let home = home_with_a_container();
    home.run("record move r1 fridge-drawer --at 2026-03-10 --until 2026-03-20")
        .succeeds();

    home.run("record move r1 stair-landing --at 2026-03-15")
        .fails()
        .tells("lasts until 2026-03-20: stays must not overlap");
}

#[test]
fn a_dry_run_judges_and_writes_nothing() {
    let home = home_with_a_container();

    home.run("record check r1 3 --at 2026-03-09 --dry-run")
        .succeeds()
        .answers("would be recorded: check r1");

    assert_eq!(home.book().trials["rowan"].units["r1"].germinated(), 0);
}

#[test]
fn every_command_of_record_writes_its_entry() {
    let home = home_with_a_container();
    for words in [
        "record watch fridge-drawer",
        "record unwatch fridge-drawer humidity --at 2099-01-01",
        "record unwatch fridge-drawer temperature --rule drift --at 2099-01-01",
        "record watch stair-landing humidity --rule sensor --wet-is-normal",
        "record cells landing-board lithium --lasts-days 400 --at 2026-02-28",
        "record move landing-board stair-landing --board --at 2026-02-28",
        "record main stair-landing landing-board --at 2026-02-28",
        "record treatment b12 soak --amount '24 h' --at 2026-01-02",
        "record check r1 2 --at 2026-03-08 --mouldy-now 1 --through-lid",
        "record check r1 5 --total --at 2026-03-09 --by Aoife",
        "record mould r1 trace --at 2026-03-09",
        "record seedling r1 s1 potted --at 2026-03-12",
        "record climate stair-landing --temperature -1.5 --at 2026-03-09",
        "record calibration landing-board temperature --offset -0.4",
        "record exclude landing-board 'salt test' --since 2026-03-01 \
         --until 2026-03-02",
        "record note 'the hall was painted' --about stair-landing",
        "record container r2 --seeds 10 --batch b12 --at 2026-03-02",
        "record transfer r1 r2 4 --at 2026-03-10",
        "record move r1 --away --at 2026-04-01",
        "record closure r1 --viable 20 --dead 1 --at 2026-04-30",
    ] {
        home.run(words).succeeds();
    }
    let book = home.book();
    let trial = &book.trials["rowan"];
    assert_eq!(trial.units["r1"].looks[1].by, "Aoife");
    assert_eq!(trial.units["r1"].germinated(), 5);
    assert!(trial.units["r1"].closure.is_some());
    assert_eq!(trial.units["r2"].entered(), 14);
    assert_eq!(book.house.mains.len(), 3);
    // The usual eight of a fridge, less two, and one more.
    assert_eq!(book.house.watches.len(), 7);
    assert_eq!(book.house.cells.len(), 1);
    assert_eq!(book.house.calibrations.len(), 1);
    assert_eq!(book.house.excluded.len(), 1);
    assert_eq!(book.house.hand_readings.len(), 1);
    assert_eq!((trial.seedlings.len(), trial.notes.len()), (1, 1));
}

#[test]
fn the_round_lists_what_was_not_looked_at_today_by_place() {
    let home = Home::with_rowan();

    let ran = home.run("--json round --at '2026-03-08 12:00'").succeeds();

    let objects = ran.objects();
    let units: Vec<_> =
        objects.iter().map(|o| o["unit"].as_str().unwrap()).collect();
    // r1, r2 and r5 were looked at that morning, hill-12 was closed, hill-06
    // is empty, and brook-12 has two seeds left but no place.
    assert_eq!(units, ["r4", "r6", "r8", "brook-06", "r3", "r7", "brook-12"]);
    let r4 = objects.iter().find(|o| o["unit"] == "r4").unwrap();
    assert_eq!(r4["last"]["mouldy_now"], 2);
    assert_eq!(r4["day"], 6);
}

#[test]
fn an_empty_answer_explains_itself() {
    let home = Home::with_rowan();
    home.run("readings").says_no().tells("no board has sent anything so far");
    home.run("readings --place boiler-shelf")
        .says_no()
        .tells("no board was at boiler-shelf then");
    home.write(
        "r.csv",
        "board,time,temperature_celsius\n\
         landing-board,2026-03-02T12:00:00Z,17.5\n",
    );
    home.run("import readings r.csv").succeeds().answers("1 readings are new");

    home.run("readings --board landing-board")
        .says_no()
        .tells("the newest is of 2026-03-02 12:00; try --since");
    home.run("readings --board landing-bord")
        .fails()
        .tells("did you mean \"landing-board\"?");
    home.run(
        "readings --place stair-landing --since 2026-03-02 --until 2026-03-02",
    )
    .succeeds()
    .answers("2026-03-02 12:00  landing-board/air/temperature  17.5 °C");
    home.run("alerts").succeeds().tells("no alert lasts");
    home.run("watches").succeeds().tells("no range is to be kept");
}

#[test]
fn status_shows_the_newest_value_of_each_place() {
    let home = home_with_a_container();
    home.run("record move landing-board stair-landing --board").succeeds();
    home.write(
        "r.csv",
        "board,time,temperature_celsius\n\
         landing-board,2026-03-02T12:00:00Z,17.5\n\
         hall-board,2026-03-02T12:00:00Z,16\n",
    );
    home.run("import readings r.csv").succeeds();

    home.run("status")
        .succeeds()
        .answers("stair-landing: 17.5 °C")
        .answers("hall-board: sends, but no place is recorded for it");
    let objects = home.run("--json status").succeeds().objects();
    assert_eq!(objects[0]["format"], "vernalog-status/1");
}

#[test]
fn an_alert_that_lasts_is_shown_and_makes_the_answer_no() {
    let home = home_with_a_container();
    let at = Instant::from_millis(1_772_366_400_000);
    let alert = |cleared| AlertRow {
        id: "fridge-drawer/temperature/1".to_owned(),
        watch: "fridge-drawer/temperature".to_owned(),
        kind: "range".to_owned(),
        place: None,
        board: None,
        quantity: None,
        severity: "urgent".to_owned(),
        since: at,
        raised: at,
        cleared,
        value: Some(9.5),
        limit: Some(7.0),
        text: "too warm\u{1b}[2J".to_owned(),
    };
    let keep = |cleared| {
        let path = home.path().join("vernalog.db");
        let mut store = Store::open(&path, Access::ReadWrite).unwrap();
        let alerts = vec![alert(cleared)];
        store
            .keep_watch_step(&WatchStep { alerts, ..WatchStep::default() }, at)
            .unwrap();
    };

    keep(None);
    home.run("alerts")
        .says_no()
        .answers("since 2026-03-01 12:00, lasts: too warm\\u{1b}[2J");
    home.run("status").says_no().answers("alert     fridge-drawer/temp");
    let objects = home.run("alerts --json").says_no().objects();
    assert_eq!(objects[0]["lasts"], true);

    keep(Some(at.plus_millis(60_000)));
    home.run("alerts").succeeds().tells("no alert lasts");
    home.run("alerts --since 2026-03-01").succeeds().answers("over since");
}

#[test]
fn a_broken_settings_file_is_shown_line_by_line() {
    let home = Home::new();
    home.write("vernalog.toml", "time_zone = \"Europe/Dublin\"\ndata = v.db\n");
    home.run("status")
        .fails()
        .tells("error: the settings file \"vernalog.toml\" is wrong")
        .tells("line 2, column 8")
        .tells("2 | data = v.db");
    home.write(
        "vernalog.toml",
        "time_zone = \"Dublin\"\ndatta = \"v.db\"\n[inlet]\nlisten = \"x\"\n",
    );
    home.run("status")
        .fails()
        .tells("did you mean \"Europe/Dublin\"?")
        .tells("unknown key \"datta\"; did you mean \"data\"?")
        .tells("the key data is missing")
        .tells("line 4, column 10");
}

#[test]
fn without_settings_the_way_to_them_is_named() {
    let home = Home::empty();
    home.run("status").fails().tells("hint:  `vernalog init` writes one");
    home.run("init --time-zone Europe/Dublin").succeeds();
    home.run("init").fails().tells("it is there already");
    home.run("--data other.db status")
        .fails()
        .tells("there is no data file at \"other.db\"");
}

#[test]
fn a_board_gets_a_password_that_is_kept_only_as_a_hash() {
    let home = Home::new();
    home.run("password landing-board")
        .succeeds()
        .answers("landing-board:$argon2id$")
        .tells("the password of landing-board is ");
    home.run_with("password landing-board --stdin", "short\n")
        .fails()
        .tells("a password needs 8 to 128 bytes");
    home.run("password landing-board --save")
        .fails()
        .tells("the settings name no users_file");
    let settings = home.read("vernalog.toml");
    home.write(
        "vernalog.toml",
        &format!("{settings}\n[inlet]\nusers_file = \"boards.passwd\"\n"),
    );
    for board in ["landing-board", "drawer-board", "landing-board"] {
        home.run(&format!("password {board} --save")).succeeds();
    }
    assert_eq!(home.read("boards.passwd").lines().count(), 2);
}

#[test]
fn completions_and_the_manual_know_every_command_and_option() {
    let home = Home::empty();
    let manual = home.run("manual").succeeds().stdout();
    let bash = home.run("completions bash").succeeds().stdout();
    let help = home.run("--help").succeeds().stdout();
    let commands: Vec<&str> = help
        .lines()
        .skip_while(|line| !line.starts_with("Commands:"))
        .skip(1)
        .take_while(|line| !line.is_empty())
        // A line that is further in goes on with the one before.
        .filter(|line| !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|command| *command != "help")
        .collect();
    assert!(commands.len() >= 12, "{commands:?}");
    for command in commands {
        let page = format!("vernalog\\-{command}");
        assert!(manual.contains(&page), "no manual of {command}");
        assert!(
            bash.contains(&format!("vernalog,{command})")),
            "no completions of {command}"
        );
        let help = home.run(&format!("{command} --help")).succeeds().stdout();
        let options = help
            .split_whitespace()
            .filter(|word| word.starts_with("--"))
            .map(|word| word.trim_end_matches([',', '.', ']']));
        for option in options {
            let in_roff = option.replace('-', "\\-");
            assert!(manual.contains(&in_roff), "{command} {option}");
            assert!(bash.contains(option), "{command} {option}");
        }
    }
}

#[test]
fn a_reader_that_goes_away_is_a_quiet_end() {
    let home = Home::new();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_vernalog"))
        .arg("manual")
        .current_dir(home.path())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
}
