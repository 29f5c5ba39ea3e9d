//! Reads a whole data file and says what is sound and what is not.
//!
//! Changes nothing and mends nothing.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::store::in_a_row;
use crate::store::journal::Standing;
use crate::store::{Doing, Gap, Store, StoreError, backup, library};
use crate::trial::book::Book;
use crate::trial::conserved::imbalances;

/// After so long a command that has committed has written its line.
const A_COMMAND: Duration = Duration::from_millis(200);

/// What one look found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// What was looked at: `file`, `ledger`, `seeds`, `readings`, `numbers`,
    /// `refused`, `journal`, `library`.
    pub what: &'static str,
    /// False when something is wrong; what boards did not send is no fault
    /// of the file.
    pub sound: bool,
    /// In a sentence.
    pub words: String,
    /// What is wrong or worth knowing, one by one.
    pub details: Vec<String>,
}

impl Finding {
    fn new(what: &'static str, sound: bool, words: impl Into<String>) -> Self {
        Self { what, sound, words: words.into(), details: Vec::new() }
    }

    fn with(mut self, details: Vec<String>) -> Self {
        self.details = details;
        self
    }

    /// A look that could not be finished.
    #[must_use]
    pub fn failed(what: &'static str, error: &dyn std::error::Error) -> Self {
        Self::new(what, false, in_a_row(error))
    }
}

type Look = fn(&Store) -> Result<Finding, StoreError>;

impl Store {
    /// Looks at everything. `journal`: also at the journal beside the file,
    /// which a backup has not.
    #[must_use]
    pub fn verify(&self, journal: bool) -> Vec<Finding> {
        let looks: [(&'static str, Look); 6] = [
            ("file", Self::look_at_file),
            ("ledger", Self::look_at_ledger),
            ("seeds", Self::look_at_seeds),
            ("readings", Self::look_at_readings),
            ("numbers", Self::look_at_numbers),
            ("refused", Self::look_at_refused),
        ];
        // All looks see one moment, whatever is written meanwhile. Without a
        // transaction they see several, which is no reason not to look.
        let moment = self.connection.unchecked_transaction().ok();
        let mut findings: Vec<Finding> = looks
            .into_iter()
            .map(|(what, look)| {
                look(self).unwrap_or_else(|error| Finding::failed(what, &error))
            })
            .collect();
        drop(moment);
        if journal {
            findings.push(self.look_at_journal());
        }
        findings.push(look_at_library());
        findings
    }

    fn look_at_file(&self) -> Result<Finding, StoreError> {
        let mut problems =
            backup::problems(&self.connection, "integrity_check")?;
        let mut statement =
            self.connection.prepare("PRAGMA foreign_key_check").reading()?;
        let dangling = statement
            .query_map([], |row| row.get::<_, String>(0))
            .reading()?
            .collect::<Result<Vec<_>, _>>()
            .reading()?;
        problems.extend(
            dangling
                .into_iter()
                .map(|table| format!("a row of {table} refers to none")),
        );
        let words = if problems.is_empty() {
            "read through and found whole"
        } else {
            "damaged"
        };
        Ok(Finding::new("file", problems.is_empty(), words).with(problems))
    }

    fn look_at_ledger(&self) -> Result<Finding, StoreError> {
        let ledger = self.ledger()?;
        let (_, problems) = Book::build(&ledger);
        let problems: Vec<String> = problems
            .iter()
            .map(|problem| {
                let id = ledger[problem.index].id.0;
                format!("entry {id}: {}", problem.text)
            })
            .collect();
        let words = match problems.len() {
            0 => format!("{} entries, all sound", ledger.len()),
            n => format!("{} entries, {n} break a rule", ledger.len()),
        };
        Ok(Finding::new("ledger", problems.is_empty(), words).with(problems))
    }

    fn look_at_seeds(&self) -> Result<Finding, StoreError> {
        let (book, _) = Book::build(&self.ledger()?);
        let n_units: usize =
            book.trials.values().map(|trial| trial.units.len()).sum();
        let problems = imbalances(&book);
        let words = if problems.is_empty() {
            format!("of {n_units} units, all accounted for")
        } else {
            format!("of {n_units} units, some are not accounted for")
        };
        Ok(Finding::new("seeds", problems.is_empty(), words).with(problems))
    }

    /// Counts every reading and compares with what each series says.
    fn look_at_readings(&self) -> Result<Finding, StoreError> {
        let mut counted: BTreeMap<i64, (i64, i64, i64)> = BTreeMap::new();
        let mut statement = self
            .connection
            .prepare("SELECT series, at_ms FROM reading")
            .reading()?;
        let mut rows = statement.query([]).reading()?;
        while let Some(row) = rows.next().reading()? {
            let at: i64 = row.get(1).reading()?;
            let (n, first, newest) =
                counted.entry(row.get(0).reading()?).or_insert((0, at, at));
            *n += 1;
            *first = at.min(*first);
            *newest = at.max(*newest);
        }
        let total: i64 = counted.values().map(|(n, ..)| n).sum();
        let mut statement = self
            .connection
            .prepare(
                "SELECT id, board || '/' || probe || '/' || quantity, \
                 readings, first_ms, newest_ms FROM series",
            )
            .reading()?;
        let mut rows = statement.query([]).reading()?;
        let mut problems = Vec::new();
        while let Some(row) = rows.next().reading()? {
            let found = counted.remove(&row.get(0).reading()?);
            let name: String = row.get(1).reading()?;
            let said: i64 = row.get(2).reading()?;
            let n = found.map_or(0, |(n, ..)| n);
            let ends = (
                row.get::<_, Option<i64>>(3).reading()?,
                row.get::<_, Option<i64>>(4).reading()?,
            );
            if said != n {
                problems.push(format!("{name}: says {said}, has {n}"));
            } else if ends
                != (
                    found.map(|(_, first, _)| first),
                    found.map(|(.., newest)| newest),
                )
            {
                problems.push(format!("{name}: its first or newest is wrong"));
            }
        }
        for (id, (n, ..)) in counted {
            problems.push(format!("{n} readings of series {id}: of no board"));
        }
        let words = format!("{total} readings, counted");
        Ok(Finding::new("readings", problems.is_empty(), words).with(problems))
    }

    /// Gaps in the numbers that boards give their samples, and samples that
    /// wait for their date.
    fn look_at_numbers(&self) -> Result<Finding, StoreError> {
        let gaps = self.gaps()?;
        let stored: u64 = gaps.iter().map(|gap| gap.stored).sum();
        let missing: u64 = gaps.iter().map(|gap| gap.missing).sum();
        let mut details: Vec<String> = gaps
            .iter()
            .filter(|gap| gap.missing > 0)
            .map(|gap| {
                let Gap { board, starts, stored, missing } = gap;
                let all = stored + missing;
                format!(
                    "{board}: {missing} missing of {all}, in {starts} starts"
                )
            })
            .collect();
        let undated: i64 = self
            .connection
            .query_row(
                "SELECT count(*) FROM (SELECT DISTINCT board, boot, seq \
                 FROM undated)",
                [],
                |row| row.get(0),
            )
            .reading()?;
        if undated > 0 {
            details.push(format!("{undated} samples wait for their date"));
        }
        let words = match missing {
            0 => format!("{stored} numbered samples, without a gap"),
            n => format!("{stored} numbered samples; {n} never came"),
        };
        Ok(Finding::new("numbers", true, words).with(details))
    }

    fn look_at_refused(&self) -> Result<Finding, StoreError> {
        let counters = self.counters()?;
        let refused = counters.get("refused").copied().unwrap_or_default();
        let words = format!("{refused} messages or samples were refused");
        let details = counters
            .iter()
            .filter(|(name, _)| *name != "refused")
            .map(|(name, n)| format!("{name}: {n}"))
            .collect();
        Ok(Finding::new("refused", true, words).with(details))
    }

    fn look_at_journal(&self) -> Finding {
        let standing = match self.journal_standing() {
            Ok(Standing::UpToDate) => Ok(Standing::UpToDate),
            // A command may be between its commit and its line.
            _ => {
                std::thread::sleep(A_COMMAND);
                self.journal_standing()
            }
        };
        let standing = match standing {
            Ok(standing) => standing,
            Err(error) => return Finding::failed("journal", &error),
        };
        let (sound, words) = match standing {
            Standing::UpToDate => (true, "says the same".to_owned()),
            Standing::Behind(n) => (
                false,
                format!(
                    "{n} entries are missing; the next entry or start of the \
                     daemon writes them"
                ),
            ),
            Standing::Ahead(n) => (
                false,
                format!(
                    "{n} entries more than the ledger; `vernalog restore \
                     --from-journal` adds them"
                ),
            ),
            Standing::Differs(line) => {
                (false, format!("tells another history from line {line} on"))
            }
        };
        Finding::new("journal", sound, words)
    }
}

fn look_at_library() -> Finding {
    let (number, name) = library::in_use();
    let sound = library::is_sound(number);
    let words = if sound {
        format!("SQLite {name}")
    } else {
        format!("SQLite {name} can damage the file")
    };
    Finding::new("library", sound, words)
}
