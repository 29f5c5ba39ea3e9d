//! The written form of the ledger: what stands in data files for ever.

use std::collections::BTreeSet;

use vernalog::trial::entry::Statement;

/// One statement of each kind, as a data file holds it.
const GOLDEN: &str = include_str!("../golden/statements.jsonl");

/// Kinds of statement. A new one is added here and in the golden file; an
/// old line of that file is never changed.
const KINDS: [&str; 22] = [
    "trial",
    "place",
    "lot",
    "batch",
    "container",
    "transfer",
    "treatment",
    "stay",
    "board-stay",
    "main-board",
    "check",
    "mould",
    "closure",
    "seedling",
    "calibration",
    "excluded",
    "watch",
    "unwatch",
    "cells",
    "climate",
    "note",
    "undo",
];

#[test]
fn every_kind_of_statement_is_read_and_written_as_ever() {
    let mut kinds = BTreeSet::new();
    for line in GOLDEN.lines() {
        let statement: Statement = serde_json::from_str(line)
            .unwrap_or_else(|error| panic!("{error}: {line}"));
        assert_eq!(serde_json::to_string(&statement).unwrap(), line);
        kinds.insert(statement.kind());
    }
    assert_eq!(kinds, BTreeSet::from(KINDS));
}

#[test]
fn a_statement_with_an_unknown_member_is_refused() {
    for line in GOLDEN.lines() {
        // A statement without members has no place for a foreign one.
        if line.contains("\"undo\"") {
            continue;
        }
        let foreign = line.replacen('{', "{\"colour\":\"red\",", 1);
        let answer = serde_json::from_str::<Statement>(&foreign);
        assert!(answer.is_err(), "{foreign} was read as {answer:?}");
    }
}
