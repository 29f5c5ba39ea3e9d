//! Which new statements may be written: each must leave the book sound.
//!
//! The same door for one command and for a folder of files. Nothing is
//! written here; the store writes what was admitted, in the same transaction
//! in which it read the ledger.

use std::collections::{BTreeMap, BTreeSet};

use crate::trial::book::{Book, Problem};
use crate::trial::entry::{
    Batch, Check, Closure, Container, Draft, Entry, EntryId, Rule, Statement,
    Watch, word_of,
};
use crate::units::Instant;

/// What to do with a statement about something already stated otherwise.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum OnConflict {
    /// List it and write nothing.
    Refuse,
    /// Replace what was stated, for this reason.
    Supersede(String),
}

/// What came of a set of drafts.
#[derive(Debug, Clone, PartialEq)]
pub struct Admission {
    /// To be written, in the order given, each with its index there.
    pub fresh: Vec<(usize, Draft)>,
    /// Already in the ledger, word for word.
    pub unchanged: usize,
    /// Refused: index in the order given, and why.
    pub refused: Vec<Problem>,
}

/// Checks drafts against the ledger and each other.
///
/// A draft that says what is already there counts as unchanged; one that
/// says something else about the same thing is a conflict, unless it is to
/// supersede. Drafts of an import may depend on one another in any order.
#[must_use]
pub fn admit(
    ledger: &[Entry],
    drafts: &[Draft],
    on_conflict: &OnConflict,
) -> Admission {
    let known = Known::of(ledger);
    let mut admission =
        Admission { fresh: Vec::new(), unchanged: 0, refused: Vec::new() };
    let mut keys = BTreeSet::new();
    for (index, draft) in drafts.iter().enumerate() {
        let refused = |text| Problem { index, text };
        match known.compare(draft, on_conflict) {
            Ok(None) => admission.unchanged += 1,
            Ok(Some(draft)) => {
                let repeat = key(&draft).is_some_and(|key| !keys.insert(key));
                if repeat {
                    admission.refused.push(refused(format!(
                        "a second {} of {} at {}",
                        draft.statement.kind(),
                        draft.statement.subject(),
                        draft.when.text()
                    )));
                } else {
                    admission.fresh.push((index, draft));
                }
            }
            Err(text) => admission.refused.push(refused(text)),
        }
    }
    drop_unsound(ledger, &mut admission);
    admission.refused.sort_by_key(|problem| problem.index);
    admission
}

/// Builds the book with the drafts and takes out those that break it, until
/// none does. A draft that makes an earlier entry wrong is taken out too.
fn drop_unsound(ledger: &[Entry], admission: &mut Admission) {
    let (_, old_problems) = Book::build(ledger);
    let already: BTreeSet<usize> =
        old_problems.iter().map(|problem| problem.index).collect();
    loop {
        let all = with_drafts(ledger, &admission.fresh);
        let (_, problems) = Book::build(&all);
        let mut bad: BTreeMap<usize, String> = BTreeMap::new();
        for problem in problems {
            if let Some(place) = problem.index.checked_sub(ledger.len()) {
                bad.insert(place, problem.text);
            } else if !already.contains(&problem.index) {
                let stored = &ledger[problem.index];
                for place in culprits(stored, &admission.fresh) {
                    bad.entry(place)
                        .or_insert_with(|| clash(stored, &problem.text));
                }
            }
        }
        if bad.is_empty() {
            return;
        }
        for (place, text) in bad.into_iter().rev() {
            let (index, _) = admission.fresh.remove(place);
            admission.refused.push(Problem { index, text });
        }
    }
}

fn clash(stored: &Entry, text: &str) -> String {
    format!(
        "it would make entry {} ({} of {} at {}) wrong: {text}",
        stored.id.0,
        stored.draft.statement.kind(),
        stored.draft.statement.subject(),
        stored.draft.when.text()
    )
}

/// Drafts that can have made a stored entry wrong: those that share a unit
/// or place with it or replace what it needs; all of them if none does.
fn culprits(stored: &Entry, fresh: &[(usize, Draft)]) -> Vec<usize> {
    let subject = stored.draft.statement.subject();
    let sharing: Vec<usize> = fresh
        .iter()
        .enumerate()
        .filter(|(_, (_, draft))| {
            let other = draft.statement.subject();
            draft.supersedes.is_some()
                || subject
                    .split_whitespace()
                    .any(|word| other.split_whitespace().any(|w| w == word))
        })
        .map(|(place, _)| place)
        .collect();
    if sharing.is_empty() { (0..fresh.len()).collect() } else { sharing }
}

fn with_drafts(ledger: &[Entry], fresh: &[(usize, Draft)]) -> Vec<Entry> {
    let next = ledger.iter().map(|entry| entry.id.0).max().unwrap_or(0) + 1;
    let pending = (next..).zip(fresh).map(|(id, (_, draft))| Entry {
        id: EntryId(id),
        draft: draft.clone(),
        written: Instant::default(),
        by: String::new(),
        origin: String::new(),
    });
    ledger.iter().cloned().chain(pending).collect()
}

/// Live entries by what they are about.
struct Known<'a>(BTreeMap<String, &'a Entry>);

impl<'a> Known<'a> {
    fn of(ledger: &'a [Entry]) -> Self {
        let mut dead = BTreeSet::new();
        let mut live = BTreeMap::new();
        for entry in ledger.iter().rev() {
            if dead.contains(&entry.id) {
                continue;
            }
            dead.extend(entry.draft.supersedes);
            if let Some(key) = key(&entry.draft) {
                live.entry(key).or_insert(entry);
            }
        }
        Self(live)
    }

    /// `None` when the ledger already says so; else the draft to write.
    fn compare(
        &self,
        draft: &Draft,
        on_conflict: &OnConflict,
    ) -> Result<Option<Draft>, String> {
        let stored = key(draft).and_then(|key| self.0.get(&key));
        let Some(stored) = stored else {
            return Ok(Some(draft.clone()));
        };
        if draft.supersedes == Some(stored.id) {
            return Ok(Some(draft.clone()));
        }
        let draft = as_stored(draft, stored);
        if draft.statement == stored.draft.statement
            && (draft.when == stored.draft.when
                || holds_always(&draft.statement))
        {
            return Ok(None);
        }
        if let (
            Statement::Batch(Batch { batch: unit, .. }),
            Statement::Container(_),
        )
        | (
            Statement::Container(Container { container: unit, .. }),
            Statement::Batch(_),
        ) = (&draft.statement, &stored.draft.statement)
        {
            return Err(format!(
                "\"{unit}\" is already a {}; batches and containers of a trial \
                 share one set of names",
                stored.draft.statement.kind()
            ));
        }
        match on_conflict {
            OnConflict::Supersede(reason) => Ok(Some(Draft {
                supersedes: Some(stored.id),
                reason: Some(reason.clone()),
                ..draft
            })),
            OnConflict::Refuse => Err(format!(
                "entry {} already says something else about this {} ({} at \
                 {}); correct it with --supersede \"reason\"",
                stored.id.0,
                draft.statement.kind(),
                stored.draft.statement.subject(),
                stored.draft.when.text()
            )),
        }
    }
}

/// Statements whose instant means nothing: two folders may tell of the same
/// place.
fn holds_always(statement: &Statement) -> bool {
    matches!(statement, Statement::Place { .. } | Statement::Lot(_))
}

/// What a file leaves out or adds without meaning anything else: a label
/// that is absent is the stored one, and whoever wrote a check has looked.
fn as_stored(draft: &Draft, entry: &Entry) -> Draft {
    let mut draft = draft.clone();
    match (&mut draft.statement, &entry.draft.statement) {
        (
            Statement::Batch(Batch { label: label @ None, .. }),
            Statement::Batch(Batch { label: stored, .. }),
        )
        | (
            Statement::Container(Container { label: label @ None, .. }),
            Statement::Container(Container { label: stored, .. }),
        ) => *label = *stored,
        (
            Statement::Check(Check { by, .. }),
            Statement::Check(Check { by: stored, .. }),
        ) if stored.is_empty() && *by == entry.by => by.clear(),
        _ => {}
    }
    draft
}

/// What an entry is about, so that saying it twice is once.
fn key(draft: &Draft) -> Option<String> {
    let at = draft.when.at.millis();
    let about = match &draft.statement {
        Statement::Trial { trial, .. } => format!("trial {trial}"),
        Statement::Place { place, .. } => format!("place {place}"),
        Statement::Lot(lot) => format!("lot {}", lot.lot),
        Statement::Batch(Batch { batch: unit, .. })
        | Statement::Container(Container { container: unit, .. }) => {
            format!("unit {unit}")
        }
        Statement::Transfer { from, to, .. } => {
            format!("transfer {from} {to} {at}")
        }
        Statement::Treatment { unit, treatment, .. } => {
            format!("treatment {unit} {treatment} {at}")
        }
        Statement::Stay { unit, .. } => format!("stay {unit} {at}"),
        Statement::BoardStay { board, probe, .. } => {
            format!("board-stay {board} {probe} {at}")
        }
        Statement::MainBoard { place, quantity, .. } => {
            format!("main {place} {} {at}", quantity.0)
        }
        Statement::Check(Check { unit, .. }) => format!("check {unit} {at}"),
        Statement::Mould { unit, .. } => format!("mould {unit} {at}"),
        Statement::Closure(Closure { unit, .. }) => format!("closure {unit}"),
        Statement::Seedling { seedling, .. } => {
            format!("seedling {seedling} {at}")
        }
        Statement::Calibration { board, probe, quantity, .. } => {
            format!("calibration {board} {probe} {} {at}", quantity.0)
        }
        Statement::Excluded { board, probe, quantity, .. } => {
            let quantity = quantity.map(String::from).unwrap_or_default();
            format!("excluded {board} {probe} {quantity} {at}")
        }
        Statement::Watch(Watch { place, quantity, rule, .. })
        | Statement::Unwatch { place, quantity, rule } => {
            let rule = word_of(&Rule::WORDS, rule);
            format!("watch {place} {} {rule} {at}", quantity.0)
        }
        Statement::Cells { board, .. } => format!("cells {board} {at}"),
        Statement::Climate { place, .. } => format!("climate {place} {at}"),
        Statement::Note { about, text } => {
            let about = about.as_ref().map(ToString::to_string);
            format!("note {} {at} {text}", about.unwrap_or_default())
        }
        Statement::Undo => return None,
    };
    let trial = if draft.statement.is_of_the_house() {
        None
    } else {
        draft.trial.as_ref()
    };
    Some(format!("{}|{about}", trial.map_or("", |t| t.as_str())))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::Name;
    use crate::trial::entry::{Counted, Lid, Look};
    use crate::trial::when::When;

    const DAY: i64 = 86_400_000;

    fn on_day(day: i64) -> When {
        When::exactly(Instant::from_millis(day * DAY))
    }

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn draft(day: i64, statement: Statement) -> Draft {
        Draft::new(Some(&name("rowan")), on_day(day), statement)
    }

    fn check(day: i64, germinated: u32) -> Draft {
        draft(
            day,
            Statement::Check(Check {
                unit: name("r1"),
                germinated: Counted::New(germinated),
                mouldy_now: 0,
                removed_mould: 0,
                removed_other: 0,
                medium: String::new(),
                looked: Look::Opened,
                note: String::new(),
                by: String::new(),
            }),
        )
    }

    fn container(seeds: u32) -> Draft {
        draft(
            10,
            Statement::Container(Container {
                container: name("r1"),
                batch: None,
                seeds,
                lid: Lid::Closed,
                label: None,
                factors: BTreeMap::new(),
            }),
        )
    }

    fn stored(drafts: &[Draft]) -> Vec<Entry> {
        let trial = draft(
            0,
            Statement::Trial {
                trial: name("rowan"),
                question: String::new(),
                planned: Vec::new(),
            },
        );
        let all: Vec<_> = std::iter::once(trial)
            .chain(drafts.iter().cloned())
            .enumerate()
            .collect();
        let entries = with_drafts(&[], &all);
        assert_eq!(Book::build(&entries).1, []);
        entries
    }

    fn refusals(ledger: &[Entry], drafts: &[Draft]) -> Vec<String> {
        admit(ledger, drafts, &OnConflict::Refuse)
            .refused
            .into_iter()
            .map(|problem| problem.text)
            .collect()
    }

    #[test]
    fn the_same_statement_twice_is_once() {
        let ledger = stored(&[container(10), check(12, 3)]);
        let again = admit(&ledger, &[check(12, 3)], &OnConflict::Refuse);
        assert_eq!((again.fresh.len(), again.unchanged), (0, 1));
    }

    #[test]
    fn another_count_at_the_same_instant_is_a_conflict_until_superseded() {
        let ledger = stored(&[container(10), check(12, 3)]);
        let text = refusals(&ledger, &[check(12, 4)]).remove(0);
        assert!(text.contains("--supersede"), "{text}");
        let reason = OnConflict::Supersede("miscounted".to_owned());
        let corrected = admit(&ledger, &[check(12, 4)], &reason);
        let (_, draft) = &corrected.fresh[0];
        assert_eq!(draft.supersedes, Some(ledger[2].id));
    }

    #[test]
    fn a_count_larger_than_the_seeds_left_is_refused() {
        let ledger = stored(&[container(10), check(12, 8)]);
        let text = refusals(&ledger, &[check(14, 3)]).remove(0);
        assert!(text.starts_with("3 seeds germinated or removed, but only 2"));
    }

    #[test]
    fn a_place_told_of_by_two_folders_is_once() {
        let place = |day| {
            let statement = Statement::Place {
                place: name("sill"),
                place_kind: crate::trial::entry::PlaceKind::Sill,
                light_source: String::new(),
                title: String::new(),
            };
            Draft::new(None, on_day(day), statement)
        };
        let ledger = stored(&[place(1)]);
        let again = admit(&ledger, &[place(7)], &OnConflict::Refuse);
        assert_eq!((again.refused, again.unchanged), (vec![], 1));
    }

    #[test]
    fn a_late_entry_that_makes_a_later_one_wrong_is_refused() {
        let ledger = stored(&[container(10), check(14, 8)]);
        let text = refusals(&ledger, &[check(12, 3)]).remove(0);
        assert!(text.starts_with("it would make entry 3"), "{text}");
    }

    #[test]
    fn a_check_before_sowing_is_refused() {
        let ledger = stored(&[container(10)]);
        let text = refusals(&ledger, &[check(9, 0)]).remove(0);
        assert!(text.contains("not begun later"), "{text}");
    }

    #[test]
    fn an_undo_can_be_undone() {
        let undo = |of: i64| Draft {
            supersedes: Some(EntryId(of)),
            reason: Some("wrong box".to_owned()),
            ..draft(12, Statement::Undo)
        };
        let mut drafts = vec![container(10), check(12, 8), undo(3)];
        let germinated = |drafts: &[Draft]| {
            let (book, _) = Book::build(&stored(drafts));
            book.trials["rowan"].units["r1"].germinated()
        };
        assert_eq!(germinated(&drafts), 0);
        drafts.push(undo(4));
        assert_eq!(germinated(&drafts), 8);
    }
}
