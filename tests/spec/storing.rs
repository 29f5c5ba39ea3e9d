//! Storing: what the data file promises to whoever opens it.

use std::sync::Barrier;

use rusqlite::Connection;
use vernalog::observation::{Quality, Quantity, Reading, Series};
use vernalog::store::{Access, Keep, Recorded, Records, Store, StoreError};
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::{Batch, Container, Draft, Lid, Lot, Statement};
use vernalog::trial::label::Label;
use vernalog::trial::when::When;
use vernalog::units::Instant;

use crate::support::house::{House, name};
use crate::support::writer::NOON;

fn noon() -> Instant {
    Instant::from_millis(NOON)
}

fn draft(statement: Statement) -> Draft {
    Draft::new(Some(&name("rowan")), When::exactly(noon()), statement)
}

fn record(store: &mut Store, drafts: &[Draft]) -> Recorded {
    store
        .record(&Records {
            drafts,
            on_conflict: OnConflict::Refuse,
            keep: Keep::AllOrNothing,
            by: "rowan",
            origin: "command",
            now: noon(),
            dry_run: false,
        })
        .unwrap()
}

fn batch(called: &str, seeds: u32) -> Draft {
    draft(Statement::Batch(Batch {
        batch: name(called),
        lot: Some(name("hillside")),
        parent: None,
        seeds,
        label: None,
        factors: Default::default(),
    }))
}

fn container(called: &str, from: &str, seeds: u32) -> Draft {
    draft(Statement::Container(Container {
        container: name(called),
        batch: Some(name(from)),
        seeds,
        lid: Lid::Closed,
        label: None,
        factors: Default::default(),
    }))
}

/// A trial of rowan with one batch of so many seeds.
fn with_batch(home: &House, seeds: u32) -> Store {
    let mut store = Store::open(&home.data(), Access::Create).unwrap();
    let recorded = record(
        &mut store,
        &[
            draft(Statement::Trial {
                trial: name("rowan"),
                question: "does longer chilling help?".to_owned(),
                planned: Vec::new(),
            }),
            draft(Statement::Lot(Lot {
                lot: name("hillside"),
                species: "Sorbus aucuparia".to_owned(),
                supplier: String::new(),
                collected: String::new(),
                received: String::new(),
                storage: String::new(),
                factors: Default::default(),
            })),
            batch("first", seeds),
        ],
    );
    assert_eq!(recorded.refused, []);
    store
}

#[test]
fn the_ledger_is_only_ever_added_to() {
    let home = House::new();
    drop(with_batch(&home, 40));
    let anybody = Connection::open(home.data()).unwrap();
    for sql in [
        "UPDATE entry SET body = '{}'",
        "DELETE FROM entry WHERE id = 1",
        "INSERT OR REPLACE INTO entry SELECT * FROM entry WHERE id = 1",
    ] {
        let error = anybody.execute(sql, []).unwrap_err();
        assert!(error.to_string().contains("append-only"), "{sql}: {error}");
    }
    assert_eq!(home.store().ledger().unwrap().len(), 3);
}

#[test]
fn of_two_who_take_the_last_seed_at_once_one_is_refused() {
    for round in 0..10 {
        let home = House::new();
        drop(with_batch(&home, 1));
        let start = Barrier::new(2);
        let outcomes = std::thread::scope(|scope| {
            let take = |called: &'static str| {
                let (home, start) = (&home, &start);
                scope.spawn(move || {
                    let data = home.data();
                    let mut store =
                        Store::open(&data, Access::ReadWrite).unwrap();
                    start.wait();
                    record(&mut store, &[container(called, "first", 1)])
                })
            };
            let both = [take("box-1"), take("box-2")];
            both.map(|thread| thread.join().unwrap())
        });
        let written: usize = outcomes.iter().map(|o| o.written.len()).sum();
        let refused: Vec<_> =
            outcomes.iter().flat_map(|o| &o.refused).collect();
        assert_eq!((written, refused.len()), (1, 1), "round {round}");
        assert_eq!(home.store().ledger().unwrap().len(), 4);
    }
}

#[test]
fn a_label_is_never_given_twice() {
    let home = House::new();
    let mut store = with_batch(&home, 40);
    let label = |recorded: &Recorded| match &recorded.written[0].draft.statement
    {
        Statement::Batch(batch) => batch.label.unwrap(),
        other => panic!("{other:?}"),
    };
    let mut seen: Vec<Label> = Vec::new();
    for n in 0..20 {
        let recorded = record(&mut store, &[batch(&format!("b{n}"), 1)]);
        let new = label(&recorded);
        assert!(!seen.contains(&new), "{new:?} was given before");
        seen.push(new);
        // Taken back, its label stays used.
        let mut undo = draft(Statement::Undo);
        undo.supersedes = Some(recorded.written[0].id);
        undo.reason = Some("the wrong lot".to_owned());
        assert_eq!(record(&mut store, &[undo]).refused, []);
    }
}

#[test]
fn a_file_of_a_newer_program_is_left_alone() {
    let home = House::new();
    drop(with_batch(&home, 40));
    let newer = Connection::open(home.data()).unwrap();
    newer.pragma_update(None, "user_version", 99).unwrap();
    drop(newer);
    for access in [Access::ReadOnly, Access::ReadWrite, Access::Create] {
        let error = Store::open(&home.data(), access).unwrap_err();
        assert!(matches!(error, StoreError::OtherSchema { found: 99, .. }));
        let text = error.to_string();
        assert!(text.contains("schema 99"), "{text}");
        assert!(text.contains("written by a newer vernalog"), "{text}");
    }
}

#[test]
fn a_file_of_another_program_is_left_as_it_is() {
    let home = House::new();
    let other = Connection::open(home.data()).unwrap();
    other.execute_batch("CREATE TABLE recipe (title TEXT)").unwrap();
    drop(other);
    let before = std::fs::read(home.data()).unwrap();
    for access in [Access::ReadOnly, Access::ReadWrite, Access::Create] {
        let error = Store::open(&home.data(), access).unwrap_err();
        assert!(error.to_string().contains("another program"), "{error}");
    }
    assert!(std::fs::read(home.data()).unwrap() == before, "it was changed");

    std::fs::write(home.data(), "dear diary, ".repeat(100)).unwrap();
    for access in [Access::ReadOnly, Access::ReadWrite, Access::Create] {
        let error = Store::open(&home.data(), access).unwrap_err();
        assert!(matches!(error, StoreError::Sqlite { .. }), "{error}");
    }
    let text = std::fs::read_to_string(home.data()).unwrap();
    assert!(text.starts_with("dear diary"), "it was changed");
}

#[test]
fn a_file_that_is_not_there_is_said() {
    let home = House::new();
    let error = Store::open(&home.data(), Access::ReadOnly).unwrap_err();
    assert!(matches!(error, StoreError::Missing { .. }));
    assert!(!home.data().exists());
}

fn landing() -> Series {
    Series {
        board: name("box-1"),
        probe: name("air"),
        quantity: Quantity::Light,
    }
}

/// Instants a minute apart; values as given.
fn readings(values: &[f64]) -> Vec<(Series, Reading)> {
    let mut at = noon();
    values
        .iter()
        .map(|value| {
            at = at.plus_millis(60_000);
            let quality = Quality::AT_LEAST;
            (landing(), Reading { at, value: *value, quality })
        })
        .collect()
}

#[test]
fn values_come_back_bit_for_bit() {
    let values = [
        0.1 + 0.2,
        -0.0,
        0.0,
        3.6,
        -0.062_5,
        21.123_456_789,
        f64::MIN_POSITIVE,
        5e-324,
        -1.0e300,
        f64::MAX,
        999_999.999,
        1_000_000.000_1,
    ];
    let home = House::new();
    let mut store = Store::open(&home.data(), Access::Create).unwrap();
    let given = readings(&values);
    let imported = store.import_readings(&given).unwrap();
    assert_eq!((imported.new, imported.repeated), (values.len(), 0));
    let again = store.import_readings(&given).unwrap();
    assert_eq!((again.new, again.repeated), (0, values.len()));
    let end = noon().plus_hours(24.0);
    let back = home.store().readings(&landing(), noon(), end).unwrap();
    assert_eq!(back.len(), values.len());
    for (back, (_, given)) in back.iter().zip(&given) {
        assert_eq!(back.value.to_bits(), given.value.to_bits(), "{back:?}");
        assert_eq!((back.at, back.quality), (given.at, given.quality));
    }
}

#[test]
fn readings_can_be_read_in_words_with_sqlite_alone() {
    let home = House::new();
    let mut store = Store::open(&home.data(), Access::Create).unwrap();
    store.import_readings(&readings(&[3.6, 21.123_456_789])).unwrap();
    drop(store);
    let anybody = Connection::open(home.data()).unwrap();
    let mut query = anybody
        .prepare("SELECT at, board, quantity, value FROM reading_in_words")
        .unwrap();
    let rows: Vec<(String, String, String, f64)> = query
        .query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })
        .unwrap()
        .map(Result::unwrap)
        .collect();
    let row = |at: &str, value| {
        (at.to_owned(), "box-1".to_owned(), "light".to_owned(), value)
    };
    assert_eq!(
        rows,
        [
            row("2026-02-10T12:01:00.000Z", 3.6),
            row("2026-02-10T12:02:00.000Z", 21.123_456_789)
        ]
    );
}
