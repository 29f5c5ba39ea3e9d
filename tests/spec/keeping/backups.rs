//! Backups, the way back, and the look through everything.

use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::sync::atomic::{AtomicBool, Ordering};

use vernalog::daemon::lock::DaemonLock;
use vernalog::store::{Access, Store};
use vernalog::trial::book::Book;

use super::{
    damage, data, name_a_backup_folder, names, with_readings, write_readings,
};
use crate::support::home::Home;

/// Readings in one transaction of the busy writer.
const CHUNK: i64 = 500;

fn book_of(file: &std::path::Path) -> Book {
    let store = Store::open(file, Access::ReadOnly).unwrap();
    Book::build(&store.ledger().unwrap()).0
}

fn readings_of(home: &Home, file: &str) -> i64 {
    let objects = home.run(&format!("--json verify {file}")).objects();
    let looks = objects[0]["looks"].as_array().unwrap();
    let look = looks.iter().find(|look| look["what"] == "readings").unwrap();
    let words = look["words"].as_str().unwrap();
    words.split(' ').next().unwrap().parse().unwrap()
}

#[test]
fn a_backup_made_while_readings_come_in_is_of_one_moment_and_whole() {
    let home = Home::with_rowan();
    with_readings(&home, CHUNK);
    let done = AtomicBool::new(false);

    std::thread::scope(|threads| {
        threads.spawn(|| {
            let mut store =
                Store::open(&data(&home), Access::ReadWrite).unwrap();
            let mut from = CHUNK;
            while !done.load(Ordering::SeqCst) {
                write_readings(&mut store, from..from + CHUNK);
                from += CHUNK;
            }
        });
        for copy in ["a.db", "b.db", "c.db"] {
            home.run(&format!("backup --out {copy}"))
                .succeeds()
                .answers("checked:  integrity, whose it is, schema, ledger");
        }
        done.store(true, Ordering::SeqCst);
    });

    for copy in ["a.db", "b.db", "c.db"] {
        home.run(&format!("verify {copy}")).succeeds();
        let readings = readings_of(&home, copy);
        assert!(readings > 0 && readings % CHUNK == 0, "{readings} readings");
        assert_eq!(book_of(&home.path().join(copy)), home.book());
    }
    // A copy stands alone: nothing beside it is needed to read it.
    assert!(
        !names(home.path()).iter().any(|name| name.starts_with("a.db-")),
        "{:?}",
        names(home.path())
    );
}

#[test]
fn a_plain_copy_made_while_readings_come_in_is_torn_and_noticed() {
    let home = Home::with_rowan();
    let write_and_read = |first: i64| {
        let mut store = Store::open(&data(&home), Access::ReadWrite).unwrap();
        write_readings(&mut store, (first..40_000).step_by(2));
        assert!(store.settle().unwrap());
        drop(store);
        fs::read(data(&home)).unwrap()
    };
    // The odd minutes fall between the even ones, so pages everywhere change.
    let (early, late) = (write_and_read(0), write_and_read(1));

    // What `cp` reads when the daemon writes meanwhile: the first half from
    // before, the second from after.
    let half = early.len() / 2;
    let torn: Vec<u8> =
        early[..half].iter().chain(&late[half..]).copied().collect();
    fs::write(home.path().join("torn.db"), torn).unwrap();

    home.run("verify torn.db").says_no().answers("file      WRONG");
    home.run("restore torn.db")
        .fails()
        .tells("\"torn.db\" is damaged")
        .tells("the data file is as it was");
    home.run("verify").succeeds();
}

#[test]
fn a_backup_never_replaces_a_file_and_leaves_nothing_when_it_fails() {
    let home = Home::with_rowan();
    home.write("mine.db", "my own notes");
    home.run("backup --out mine.db").fails().tells("is there already");
    home.run("backup").fails().tells("no place for a backup is named");
    home.run("backup --out /proc/copy.db").fails();
    assert_eq!(home.read("mine.db"), "my own notes");

    with_readings(&home, 20_000);
    let mut store = Store::open(&data(&home), Access::ReadWrite).unwrap();
    assert!(store.settle().unwrap());
    drop(store);
    damage(&data(&home));
    home.run("backup --out copy.db").fails().tells("damaged");
    assert!(!names(home.path()).iter().any(|n| n.starts_with("copy.db")));
}

#[test]
fn backups_into_the_folder_of_the_settings_are_kept_to_a_number() {
    let home = Home::with_rowan();
    name_a_backup_folder(&home, "keep = 2\n");
    let copies = home.path().join("copies");
    fs::create_dir(&copies).unwrap();
    for name in [
        "vernalog-20250101T020000Z.db",
        "vernalog-20250102T020000Z.db",
        "vernalog-20250103T020000Z.db.unchecked-17",
        "notes-20250101T020000Z.db",
    ] {
        fs::write(copies.join(name), "").unwrap();
    }

    home.run("backup").succeeds().answers("removed:");

    let left = names(&copies);
    assert_eq!(left.len(), 3, "{left:?}");
    assert_eq!(left[0], "notes-20250101T020000Z.db");
    assert_eq!(left[1], "vernalog-20250102T020000Z.db");
    assert!(left[2].starts_with("vernalog-20"), "{left:?}");
    home.run("status").succeeds().answers("checked when it was made");
}

#[test]
fn restore_puts_a_backup_in_place_and_keeps_what_was_there() {
    let home = Home::with_rowan();
    home.run("record trial birch --at 2026-01-01").succeeds();
    home.run("backup --out copy.db").succeeds();
    let then = home.book();
    home.run("record note 'written after the backup' --trial birch").succeeds();
    let later = home.book();
    assert_ne!(then, later);

    let ran = home.run("restore copy.db").succeeds();

    assert_eq!(home.book(), then);
    ran.answers("kept:     ")
        .answers("1 entries were recorded after this backup");
    let kept = names(home.path());
    let kept = kept
        .iter()
        .find(|name| name.starts_with("vernalog-before-restore-"))
        .unwrap();
    assert_eq!(book_of(&home.path().join(kept)), later);
    home.run("verify").succeeds().answers("journal   sound  says the same");

    // The journal of before brings back what the backup had not.
    let journal = names(home.path())
        .into_iter()
        .find(|name| name.starts_with("vernalog-journal-before-restore-"))
        .unwrap();
    home.run(&format!("restore --from-journal {journal}"))
        .succeeds()
        .answers("ledger:   1 entries added to ");
    assert_eq!(home.book(), later);
    home.run("verify").succeeds();
}

/// In a folder of the daemon's group, its files stay open to the group,
/// whoever restores.
#[test]
fn what_restore_makes_is_open_to_those_its_folder_is_open_to() {
    let home = Home::with_rowan();
    home.run("backup --out copy.db").succeeds();
    let shared = home.path().join("shared");
    fs::create_dir(&shared).unwrap();
    fs::set_permissions(&shared, fs::Permissions::from_mode(0o2770)).unwrap();

    home.run("--data shared/vernalog.db restore copy.db").succeeds();

    for name in names(&shared) {
        let mode = fs::metadata(shared.join(&name)).unwrap().mode();
        assert_eq!(mode & 0o777, 0o660, "{name}");
    }
    assert_eq!(names(&shared).len(), 3, "data file, lock, journal");
}

#[test]
fn restore_takes_stale_side_files_away() {
    let home = Home::with_rowan();
    home.run("backup --out copy.db").succeeds();
    // Readings that are only written ahead: the process that wrote them was
    // killed before it could move them in.
    let crashed = home.path().join("crashed");
    fs::create_dir(&crashed).unwrap();
    {
        let mut store = Store::open(&data(&home), Access::ReadWrite).unwrap();
        write_readings(&mut store, 0..100);
        for ending in ["", "-wal"] {
            let name = format!("vernalog.db{ending}");
            fs::copy(home.path().join(&name), crashed.join(&name)).unwrap();
        }
    }
    let settings = home.read("vernalog.toml");
    home.write("crashed/vernalog.toml", &settings);

    home.run("--settings crashed/vernalog.toml restore copy.db").succeeds();

    assert!(!names(&crashed).contains(&"vernalog.db-wal".to_owned()));
    home.run("--settings crashed/vernalog.toml verify").succeeds();
    let objects = home.run("--json verify crashed/vernalog.db").objects();
    assert_eq!(objects[0]["sound"], true);
    assert_eq!(readings_of(&home, "crashed/vernalog.db"), 0);
    let kept = names(&crashed)
        .into_iter()
        .find(|n| n.starts_with("vernalog-before-") && n.ends_with(".db"))
        .unwrap();
    assert_eq!(readings_of(&home, &format!("crashed/{kept}")), 100);
}

#[test]
fn restore_is_refused_while_the_daemon_runs_or_when_it_is_no_backup() {
    let home = Home::with_rowan();
    home.run("backup --out copy.db").succeeds();
    let lock = DaemonLock::take(&data(&home)).unwrap();
    home.run("restore copy.db").fails().tells("hint:  stop the daemon first");
    home.run("restore --from-journal vernalog.db.journal.jsonl")
        .fails()
        .tells("hint:  stop the daemon first");
    drop(lock);

    let other = rusqlite::Connection::open(home.path().join("other.db"));
    other.unwrap().execute_batch("CREATE TABLE t (a)").unwrap();
    home.write("text.db", "no database at all, but longer than a header");
    home.run("restore other.db").fails().tells("another program");
    home.run("restore text.db").fails().tells("not a database");
    home.run("restore missing.db").fails().tells("there is no data file");
    home.run("restore vernalog.db").fails().tells("the data file itself");
    home.run("restore").fails();
    home.run("verify").succeeds();
    assert!(
        !names(home.path()).iter().any(|name| name.contains("restor")),
        "{:?}",
        names(home.path())
    );
}

#[test]
fn a_newer_file_is_refused_with_the_newest_backup_that_can_be_read() {
    let home = Home::with_rowan();
    name_a_backup_folder(&home, "");
    home.run("backup").succeeds();
    let connection = rusqlite::Connection::open(data(&home)).unwrap();
    connection.pragma_update(None, "user_version", 99).unwrap();
    drop(connection);

    for command in ["status", "run"] {
        home.run(command)
            .fails()
            .tells("schema 99")
            .tells("the newest backup that this program can read")
            .tells("copies/vernalog-20");
    }
    home.run("verify").says_no().tells("the newest backup is ");
}

#[test]
fn verify_finds_a_series_that_miscounts_and_an_entry_that_cannot_be() {
    let home = Home::with_rowan();
    with_readings(&home, 100);
    home.run("verify")
        .succeeds()
        .answers("readings  sound  100 readings, counted")
        .answers("all accounted for");
    let connection = rusqlite::Connection::open(data(&home)).unwrap();
    connection
        .execute_batch(
            "DELETE FROM reading WHERE at_ms = \
             (SELECT max(at_ms) FROM reading);\
             INSERT INTO seen VALUES ('landing-board', 'k3v9q0tz1x', 1, 10),\
             ('landing-board', 'k3v9q0tz1x', 15, 20);\
             INSERT INTO entry (trial, kind, at_ms, stated, written_ms, by, \
             origin, body) SELECT trial, kind, at_ms, stated, written_ms, by, \
             origin, body FROM entry WHERE kind = 'lot' LIMIT 1;",
        )
        .unwrap();
    drop(connection);

    let ran = home.run("verify").says_no();

    ran.answers("landing-board/air/temperature: says 100, has 99")
        .answers("ledger    WRONG")
        .answers("landing-board: 4 missing of 20, in 1 starts")
        .answers("numbers   sound  16 numbered samples; 4 never came")
        .answers("journal   WRONG  1 entries are missing");
}
