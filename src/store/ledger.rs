//! The ledger table: entries in, entries out.
//!
//! Reading, judging and writing happen in one transaction, so two writers
//! cannot both take the last seed.

use rusqlite::{Connection, Row, params};

use crate::observation::Name;
use crate::store::{Doing, Store, StoreError, in_a_row};
use crate::trial::admission::{OnConflict, admit};
use crate::trial::book::Problem;
use crate::trial::entry::{Batch, Container, Draft, Entry, EntryId, Statement};
use crate::trial::label::Label;
use crate::trial::when::When;
use crate::units::Instant;

/// What to do when some of the drafts are refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Keep {
    /// Write all or nothing.
    AllOrNothing,
    /// Write the good ones.
    Good,
}

/// Drafts to be written, and by whom.
#[derive(Debug)]
pub struct Records<'a> {
    /// What is to be written.
    pub drafts: &'a [Draft],
    /// What to do with contradictions.
    pub on_conflict: OnConflict,
    /// What to do when some are refused.
    pub keep: Keep,
    /// Who writes.
    pub by: &'a str,
    /// By which way.
    pub origin: &'a str,
    /// The present.
    pub now: Instant,
    /// Judge, but write nothing.
    pub dry_run: bool,
}

/// What was written.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Recorded {
    /// The new entries (those that would be, on a dry run).
    pub written: Vec<Entry>,
    /// Drafts that the ledger already had, word for word.
    pub unchanged: usize,
    /// Drafts refused: index and reason.
    pub refused: Vec<Problem>,
    /// Why the plain-text journal could not be written, if so; the entries
    /// are on disk all the same.
    pub journal_trouble: Option<String>,
}

impl Store {
    /// The whole ledger in the order of writing.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when an entry cannot be understood.
    pub fn ledger(&self) -> Result<Vec<Entry>, StoreError> {
        read_after(&self.connection, 0)
    }

    /// Judges drafts against the ledger and writes what may be written.
    ///
    /// With [`Keep::AllOrNothing`] one refusal means that nothing is
    /// written; the refusals are in the answer, not an error.
    ///
    /// # Errors
    /// [`StoreError`] when the file cannot be read or written.
    pub fn record(
        &mut self,
        records: &Records<'_>,
    ) -> Result<Recorded, StoreError> {
        let transaction = self.begin()?;
        let mut recorded = judge_and_write(&transaction, records)?;
        transaction.commit().writing()?;
        self.tell_journal(records, &mut recorded);
        Ok(recorded)
    }

    /// As [`Store::record`], for a form that may be sent twice: `None` when
    /// this very form was written before. A refused one may come again.
    ///
    /// # Errors
    /// As [`Store::record`].
    pub fn record_once(
        &mut self,
        records: &Records<'_>,
        form: &str,
    ) -> Result<Option<Recorded>, StoreError> {
        let transaction = self.begin()?;
        if is_taken(&transaction, form)? {
            return Ok(None);
        }
        let mut recorded = judge_and_write(&transaction, records)?;
        if recorded.refused.is_empty() {
            let now = records.now.millis();
            transaction
                .execute(
                    "INSERT INTO taken_form (form, at_ms) VALUES (?1, ?2)",
                    params![form, now],
                )
                .writing()?;
            transaction
                .execute(
                    "DELETE FROM taken_form WHERE at_ms < ?1",
                    [now - FORMS_KEPT_MILLIS],
                )
                .writing()?;
        }
        transaction.commit().writing()?;
        self.tell_journal(records, &mut recorded);
        Ok(Some(recorded))
    }

    /// What is committed stands; a journal in trouble is caught up later.
    fn tell_journal(&mut self, records: &Records<'_>, recorded: &mut Recorded) {
        if records.dry_run {
            return;
        }
        recorded.journal_trouble = self
            .catch_up_journal(records.now)
            .err()
            .map(|error| in_a_row(&error));
    }

    /// Whether [`Store::record_once`] has written this form.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn form_is_taken(&self, form: &str) -> Result<bool, StoreError> {
        is_taken(&self.connection, form)
    }

    /// The number of the newest entry: while it stays, so does the ledger.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn newest_entry(&self) -> Result<Option<EntryId>, StoreError> {
        let newest: Option<i64> = self
            .connection
            .query_row("SELECT max(id) FROM entry", [], |row| row.get(0))
            .reading()?;
        Ok(newest.map(EntryId))
    }
}

/// A form sent again after so long was not sent by impatience, ms.
const FORMS_KEPT_MILLIS: i64 = 90 * 86_400_000;

fn is_taken(connection: &Connection, form: &str) -> Result<bool, StoreError> {
    connection
        .prepare_cached("SELECT 1 FROM taken_form WHERE form = ?1")
        .and_then(|mut known| known.exists([form]))
        .reading()
}

fn judge_and_write(
    transaction: &Connection,
    records: &Records<'_>,
) -> Result<Recorded, StoreError> {
    let ledger = read_after(transaction, 0)?;
    let admission = admit(&ledger, records.drafts, &records.on_conflict);
    let mut recorded = Recorded {
        written: Vec::new(),
        unchanged: admission.unchanged,
        refused: admission.refused,
        journal_trouble: None,
    };
    if records.keep == Keep::AllOrNothing && !recorded.refused.is_empty() {
        return Ok(recorded);
    }
    let mut labels = Labels::of(&ledger);
    let next = ledger.last().map_or(0, |entry| entry.id.0) + 1;
    for (id, (_, mut draft)) in (next..).zip(admission.fresh) {
        labels.give(&mut draft);
        let entry = Entry {
            id: EntryId(id),
            draft,
            written: records.now,
            by: records.by.to_owned(),
            origin: records.origin.to_owned(),
        };
        if !records.dry_run {
            insert(transaction, &entry)?;
        }
        recorded.written.push(entry);
    }
    Ok(recorded)
}

/// Gives each new unit a label that no unit ever had.
struct Labels {
    used: std::collections::BTreeSet<Label>,
    next: u64,
}

impl Labels {
    fn of(ledger: &[Entry]) -> Self {
        let used: std::collections::BTreeSet<Label> = ledger
            .iter()
            .filter_map(|entry| label_of(&entry.draft.statement))
            .collect();
        let next = u64::try_from(used.len()).expect("a count fits in 64 bits");
        Self { used, next }
    }

    fn give(&mut self, draft: &mut Draft) {
        let slot = match &mut draft.statement {
            Statement::Batch(Batch { label, .. })
            | Statement::Container(Container { label, .. }) => label,
            _ => return,
        };
        let superseding = draft.supersedes.is_some();
        let taken = slot.is_some_and(|label| self.used.contains(&label));
        if slot.is_none() || (taken && !superseding) {
            let mut label = Label::nth(self.next);
            while self.used.contains(&label) {
                self.next += 1;
                label = Label::nth(self.next);
            }
            *slot = Some(label);
        }
        self.used.extend(*slot);
    }
}

fn label_of(statement: &Statement) -> Option<Label> {
    match statement {
        Statement::Batch(Batch { label, .. })
        | Statement::Container(Container { label, .. }) => *label,
        _ => None,
    }
}

pub(crate) fn insert(
    connection: &Connection,
    entry: &Entry,
) -> Result<(), StoreError> {
    let draft = &entry.draft;
    let json = |value: Result<String, serde_json::Error>| {
        value.expect("an entry can always be written as JSON")
    };
    connection
        .prepare_cached(
            "INSERT INTO entry (id, trial, kind, at_ms, stated, written_ms, \
             by, origin, supersedes, reason, body) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        )
        .writing()?
        .execute(params![
            entry.id.0,
            draft.trial.as_ref().map(Name::as_str),
            draft.statement.kind(),
            draft.when.at.millis(),
            json(serde_json::to_string(&draft.when.stated)),
            entry.written.millis(),
            entry.by,
            entry.origin,
            draft.supersedes.map(|id| id.0),
            draft.reason,
            json(serde_json::to_string(&draft.statement)),
        ])
        .writing()?;
    Ok(())
}

/// The entries after one, in the order of writing; after 0, all.
pub(crate) fn read_after(
    connection: &Connection,
    after: i64,
) -> Result<Vec<Entry>, StoreError> {
    let mut statement = connection
        .prepare_cached(
            "SELECT id, trial, at_ms, stated, written_ms, by, origin, \
             supersedes, reason, body FROM entry WHERE id > ?1 ORDER BY id",
        )
        .reading()?;
    let mut rows = statement.query([after]).reading()?;
    let mut entries = Vec::new();
    while let Some(row) = rows.next().reading()? {
        entries.push(entry_from(row)?);
    }
    Ok(entries)
}

fn entry_from(row: &Row<'_>) -> Result<Entry, StoreError> {
    let id: i64 = row.get("id").reading()?;
    let damaged = |why: String| StoreError::Damaged {
        what: format!("ledger entry {id}"),
        why,
    };
    let stated: String = row.get("stated").reading()?;
    let body: String = row.get("body").reading()?;
    let trial: Option<String> = row.get("trial").reading()?;
    let at = Instant::from_millis(row.get("at_ms").reading()?);
    let draft = Draft {
        trial: trial
            .map(Name::new)
            .transpose()
            .map_err(|error| damaged(error.to_string()))?,
        when: When {
            at,
            stated: serde_json::from_str(&stated)
                .map_err(|error| damaged(error.to_string()))?,
        },
        statement: serde_json::from_str(&body)
            .map_err(|error| damaged(error.to_string()))?,
        supersedes: row
            .get::<_, Option<i64>>("supersedes")
            .reading()?
            .map(EntryId),
        reason: row.get("reason").reading()?,
    };
    Ok(Entry {
        id: EntryId(id),
        draft,
        written: Instant::from_millis(row.get("written_ms").reading()?),
        by: row.get("by").reading()?,
        origin: row.get("origin").reading()?,
    })
}
