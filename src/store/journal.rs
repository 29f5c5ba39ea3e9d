//! The ledger once more, as plain text beside the data file: one entry a
//! line, so that the counts of years outlive any damage to the database.
//!
//! Derived, never the truth: lines are added after the commit, under a lock,
//! and what was missed is caught up by the next write or start. A journal
//! that says something else than the ledger is set aside, never lost.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::store::disk::{beside, share_like_its_folder};
use crate::store::{Store, StoreError, backup, ledger};
use crate::trial::entry::Entry;
use crate::trial::line;
use crate::units::Instant;

/// Bytes read at once when looking for the last line.
const TAIL: u64 = 64 * 1024;

/// What catching up did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CaughtUp {
    /// Lines added.
    pub added: usize,
    /// Where a journal went that did not fit the ledger.
    pub set_aside: Option<PathBuf>,
}

/// How the journal stands to the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// It holds every entry, word for word.
    UpToDate,
    /// So many entries are missing at its end.
    Behind(usize),
    /// It goes on after the ledger's end, by so many entries.
    Ahead(usize),
    /// From this line on, counted from 1, it says something else.
    Differs(usize),
}

/// A journal as read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Journal {
    /// Its entries.
    pub entries: Vec<Entry>,
    /// Its last line was torn off in the middle, and is left out.
    pub torn: bool,
}

/// Why a journal cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The file cannot be read or written.
    #[error("cannot {doing} the journal \"{}\"", path.display())]
    File {
        /// `read` or `write`.
        doing: &'static str,
        /// The journal.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A line says nothing that this program wrote.
    #[error("line {number} of \"{}\" cannot be understood: {why}", path.display())]
    Line {
        /// The journal.
        path: PathBuf,
        /// The line, counted from 1.
        number: usize,
        /// Why.
        why: String,
    },
    /// The ledger cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Where the journal of a data file is.
#[must_use]
pub fn journal_of(data: &Path) -> PathBuf {
    beside(data, ".journal.jsonl")
}

/// Reads a whole journal. A last line without its end was torn off by a
/// power cut and is left out.
///
/// # Errors
/// [`JournalError`].
pub fn read_journal(path: &Path) -> Result<Journal, JournalError> {
    let text = fs::read(path).map_err(failed("read", path))?;
    let mut journal = Journal::default();
    for (index, line) in text.split_inclusive(|b| *b == b'\n').enumerate() {
        let Some(line) = line.strip_suffix(b"\n") else {
            journal.torn = true;
            break;
        };
        let entry = understood(line).map_err(|why| JournalError::Line {
            path: path.to_owned(),
            number: index + 1,
            why,
        })?;
        journal.entries.push(entry);
    }
    Ok(journal)
}

impl Store {
    /// Adds to the journal what the ledger has and it has not.
    ///
    /// # Errors
    /// [`JournalError`]; the ledger itself is not touched.
    pub fn catch_up_journal(
        &self,
        now: Instant,
    ) -> Result<CaughtUp, JournalError> {
        let path = journal_of(self.path());
        let entries = ledger::read_after(&self.connection, 0)?;
        if entries.is_empty() && !path.exists() {
            return Ok(CaughtUp::default());
        }
        let writing = failed("write", &path);
        let new = !path.exists();
        let mut file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .open(&path)
            .map_err(&writing)?;
        if new {
            share_like_its_folder(&path).map_err(&writing)?;
        }
        // Let go of when the file is closed.
        file.lock().map_err(&writing)?;
        // Read again under the lock: another process may have been quicker.
        let entries = if new {
            entries
        } else {
            ledger::read_after(&self.connection, 0)?
        };
        let tail = Tail::of(&mut file).map_err(failed("read", &path))?;
        let mut caught_up = CaughtUp::default();
        let known = match tail.last.as_deref().map(understood) {
            None => 0,
            Some(last) => match place_of(last.ok(), &entries) {
                Some(place) => place + 1,
                None => {
                    caught_up.set_aside =
                        Some(set_aside(&path, now).map_err(&writing)?);
                    0
                }
            },
        };
        // A line that was torn off in the middle is written again.
        let sound = if known > 0 { tail.end } else { 0 };
        file.set_len(sound).map_err(&writing)?;
        let mut text = String::new();
        for entry in &entries[known..] {
            text.push_str(&line::to_json(entry).to_string());
            text.push('\n');
        }
        if !text.is_empty() {
            file.seek(SeekFrom::End(0)).map_err(&writing)?;
            file.write_all(text.as_bytes()).map_err(&writing)?;
            file.sync_data().map_err(&writing)?;
        }
        caught_up.added = entries.len() - known;
        Ok(caught_up)
    }

    /// Compares the whole journal with the ledger.
    ///
    /// # Errors
    /// [`JournalError`], also when the journal cannot be understood.
    pub fn journal_standing(&self) -> Result<Standing, JournalError> {
        let path = journal_of(self.path());
        let ledger = ledger::read_after(&self.connection, 0)?;
        if !path.exists() {
            return Ok(match ledger.len() {
                0 => Standing::UpToDate,
                n => Standing::Behind(n),
            });
        }
        Ok(standing(&read_journal(&path)?.entries, &ledger))
    }
}

/// How entries of a journal stand to those of a ledger.
pub(crate) fn standing(journal: &[Entry], ledger: &[Entry]) -> Standing {
    let same = journal.iter().zip(ledger).take_while(|(a, b)| a == b).count();
    if same < journal.len().min(ledger.len()) {
        return Standing::Differs(same + 1);
    }
    match (ledger.len() - same, journal.len() - same) {
        (0, 0) => Standing::UpToDate,
        (0, ahead) => Standing::Ahead(ahead),
        (behind, _) => Standing::Behind(behind),
    }
}

fn understood(line: &[u8]) -> Result<Entry, String> {
    let text = std::str::from_utf8(line).map_err(|error| error.to_string())?;
    line::from_json(text)
}

/// Where the ledger says the same as the journal's last line.
fn place_of(last: Option<Entry>, entries: &[Entry]) -> Option<usize> {
    let last = last?;
    let place = entries.binary_search_by_key(&last.id, |entry| entry.id);
    place.ok().filter(|place| entries[*place] == last)
}

/// Keeps what the journal says under another name.
fn set_aside(path: &Path, now: Instant) -> io::Result<PathBuf> {
    let stem = path.with_extension("");
    let to = beside(&stem, &format!("-set-aside-{}.jsonl", backup::stamp(now)));
    // Copied, not moved: the lock is on the file itself.
    fs::copy(path, &to)?;
    File::open(&to)?.sync_all()?;
    Ok(to)
}

/// The last whole line of a file, and where it ends.
struct Tail {
    last: Option<Vec<u8>>,
    end: u64,
}

impl Tail {
    fn of(file: &mut File) -> io::Result<Self> {
        let length = file.seek(SeekFrom::End(0))?;
        let mut from = length;
        loop {
            from = from.saturating_sub(TAIL.max(length - from));
            file.seek(SeekFrom::Start(from))?;
            let mut bytes = Vec::new();
            file.read_to_end(&mut bytes)?;
            let end = bytes.iter().rposition(|b| *b == b'\n');
            let begin = end
                .and_then(|end| bytes[..end].iter().rposition(|b| *b == b'\n'));
            match (begin, end) {
                (Some(begin), Some(end)) => {
                    return Ok(Self::found(from, bytes, begin + 1, end));
                }
                (None, Some(end)) if from == 0 => {
                    return Ok(Self::found(0, bytes, 0, end));
                }
                (_, None) if from == 0 => {
                    return Ok(Self { last: None, end: 0 });
                }
                _ => {}
            }
        }
    }

    fn found(from: u64, bytes: Vec<u8>, begin: usize, end: usize) -> Self {
        let after = u64::try_from(end + 1).expect("a length fits in 64 bits");
        Self { last: Some(bytes[begin..end].to_vec()), end: from + after }
    }
}

fn failed(
    doing: &'static str,
    path: &Path,
) -> impl Fn(io::Error) -> JournalError {
    move |source| JournalError::File { doing, path: path.to_owned(), source }
}
