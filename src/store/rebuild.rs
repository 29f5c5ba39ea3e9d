//! A ledger built again from a journal, every entry under its own number.
//!
//! Only onto an empty ledger or the beginning of the same one: two histories
//! are never mixed.

use rusqlite::TransactionBehavior;

use crate::store::journal::Standing;
use crate::store::{Doing, Store, StoreError, journal, ledger};
use crate::trial::book::Book;
use crate::trial::entry::Entry;

/// What was built again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rebuilt {
    /// Entries the ledger had already.
    pub known: usize,
    /// Entries added.
    pub added: usize,
    /// Entries that break a rule, each with its number and why.
    pub problems: Vec<String>,
}

/// Why a ledger cannot be built from a journal.
#[derive(Debug, thiserror::Error)]
pub enum RebuildError {
    /// The ledger says something else than the journal.
    #[error(
        "the ledger and the journal are two histories: they differ from \
         entry {number} on"
    )]
    Differs {
        /// The first that differs, counted from 1.
        number: usize,
    },
    /// The journal's numbers do not rise.
    #[error("line {line} of the journal has number {number} out of turn")]
    OutOfTurn {
        /// The line, counted from 1.
        line: usize,
        /// Its entry's number.
        number: i64,
    },
    /// The data file cannot be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl Store {
    /// Adds the entries of a journal that the ledger has not.
    ///
    /// # Errors
    /// [`RebuildError`]; then nothing is written.
    pub fn rebuild_ledger(
        &mut self,
        entries: &[Entry],
    ) -> Result<Rebuilt, RebuildError> {
        for (index, pair) in entries.windows(2).enumerate() {
            if pair[0].id >= pair[1].id {
                let (line, number) = (index + 2, pair[1].id.0);
                return Err(RebuildError::OutOfTurn { line, number });
            }
        }
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .writing()?;
        let known = ledger::read_after(&transaction, 0)?;
        if let Standing::Differs(number) = journal::standing(entries, &known) {
            return Err(RebuildError::Differs { number });
        }
        let fresh = entries.get(known.len()..).unwrap_or_default();
        for entry in fresh {
            ledger::insert(&transaction, entry)?;
        }
        transaction.commit().writing()?;
        let (_, problems) = Book::build(entries);
        let problems = problems
            .iter()
            .map(|problem| {
                format!(
                    "entry {}: {}",
                    entries[problem.index].id.0, problem.text
                )
            })
            .collect();
        Ok(Rebuilt { known: known.len(), added: fresh.len(), problems })
    }
}
