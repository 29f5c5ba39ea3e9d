//! The ledger as plain text beside the data file.

use std::fs;
use std::io::Write as _;

use super::{data, names};
use crate::support::home::Home;

const JOURNAL: &str = "vernalog.db.journal.jsonl";

#[test]
fn every_entry_is_a_line_and_the_lines_rebuild_the_same_book() {
    let home = Home::with_rowan();
    home.run("record undo last 'another box'").succeeds();
    home.run("record note 'a \"word\" and a\\line' --at 2026-03-09").succeeds();
    let (book, ledger) = (home.book(), home.store().ledger().unwrap());
    assert_eq!(home.read(JOURNAL).lines().count(), ledger.len());
    fs::remove_file(data(&home)).unwrap();

    home.run(&format!("restore --from-journal {JOURNAL}"))
        .succeeds()
        .answers("entries added to 0 that were there")
        .answers("readings: none are in a journal");

    assert_eq!(home.store().ledger().unwrap(), ledger);
    assert_eq!(home.book(), book);
    // Once more changes nothing, and nothing was set aside.
    home.run(&format!("restore --from-journal {JOURNAL}"))
        .succeeds()
        .answers("0 entries added");
    home.run("verify").succeeds();
    assert!(!names(home.path()).iter().any(|n| n.contains("set-aside")));
}

#[test]
fn the_history_of_an_export_rebuilds_the_ledger_as_well() {
    let home = Home::with_rowan();
    home.run("export --out out").succeeds();

    home.run("--data new.db restore --from-journal out/history.jsonl")
        .succeeds();

    home.run("--data new.db verify").succeeds();
    let lines = home.read("new.db.journal.jsonl");
    assert_eq!(lines, home.read("out/history.jsonl"));
}

#[test]
fn a_line_torn_by_a_power_cut_is_written_again() {
    let home = Home::with_rowan();
    let whole = home.read(JOURNAL);
    for cut in [1, 30, whole.len() - 5, whole.len()] {
        fs::write(home.path().join(JOURNAL), &whole[..whole.len() - cut])
            .unwrap();
        home.run("verify").says_no().answers("journal   WRONG");

        home.run(&format!("record note 'after cut {cut}' --at 2026-03-09"))
            .succeeds();

        home.run("verify").succeeds().answers("journal   sound");
        assert!(home.read(JOURNAL).starts_with(&whole), "cut {cut}");
    }
    assert!(!names(home.path()).iter().any(|n| n.contains("set-aside")));
}

#[test]
fn a_journal_that_says_something_else_is_set_aside_and_never_lost() {
    let home = Home::with_rowan();
    let other = Home::new();
    other.run("record trial birch --at 2026-01-01").succeeds();
    let foreign = other.read(JOURNAL);
    fs::write(home.path().join(JOURNAL), &foreign).unwrap();
    home.run("verify").says_no().answers("another history from line 1 on");
    home.run(&format!("restore --from-journal {JOURNAL}"))
        .fails()
        .tells("two histories");

    home.run("record note 'goes on' --at 2026-03-09").succeeds();

    home.run("verify").succeeds();
    let aside = names(home.path())
        .into_iter()
        .find(|name| name.contains("set-aside"))
        .unwrap();
    assert_eq!(home.read(&aside), foreign);
}

#[test]
fn a_journal_that_cannot_be_written_stops_no_entry() {
    let home = Home::with_rowan();
    fs::remove_file(home.path().join(JOURNAL)).unwrap();
    fs::create_dir(home.path().join(JOURNAL)).unwrap();

    home.run("record note 'stands' --at 2026-03-09")
        .succeeds()
        .tells("the plain-text journal is behind");

    let ledger = home.store().ledger().unwrap();
    fs::remove_dir(home.path().join(JOURNAL)).unwrap();
    home.run("record note 'and goes on' --at 2026-03-09").succeeds();
    assert_eq!(home.read(JOURNAL).lines().count(), ledger.len() + 1);
}

#[test]
fn a_line_that_says_nothing_is_told_with_its_number() {
    let home = Home::with_rowan();
    let path = home.path().join("broken.jsonl");
    fs::copy(home.path().join(JOURNAL), &path).unwrap();
    let mut file = fs::OpenOptions::new().append(true).open(&path).unwrap();
    writeln!(file, "{{\"id\": 1}}").unwrap();
    let n = home.store().ledger().unwrap().len() + 1;

    home.run("--data new.db restore --from-journal broken.jsonl")
        .fails()
        .tells(&format!("line {n} of \"broken.jsonl\""));
}
